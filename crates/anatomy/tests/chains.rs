//! Joints without a role, and which chain they belong to.

mod common;

use common::{LEG, figure};
use understudy_anatomy::{ChainKind, ChainPlace, Role, Side, chains, recognise};
use understudy_motion::Skeleton;

/// A trunk with a spine, arms with clavicles and a head, above legs, with a tassel and a hat.
fn puppet() -> (Skeleton, understudy_anatomy::Recognition) {
    let text = format!(
        "
Hips 0 1.0 0{}
  Spine 0 1.15 0
    Chest 0 1.3 0
      %Clavicle 0.03 1.4 0
        %UpperArm 0.17 1.4 0
          %Forearm 0.45 1.4 0
            %Hand 0.7 1.4 0 ^ 0.85 1.4 0
      Neck 0 1.48 0
        Head 0 1.58 0 ^ 0 1.8 0
  Tassel 0 0.95 0.12
    TasselTip 0 0.8 0.14
      TasselBead 0 0.75 0.14
    TasselKnot 0 0.85 0.16 ^ 0 0.84 0.2
",
        LEG.trim_end()
    );
    let skeleton = figure(&text).skeleton;
    let mut found = recognise(&skeleton, None);
    for joint in ["Tassel", "TasselTip", "TasselBead", "TasselKnot"] {
        let joint = skeleton.find(joint).unwrap();
        found.roles.set(joint, None);
    }
    (skeleton, found)
}

#[test]
fn a_joint_without_a_role_belongs_to_the_chain_around_it() {
    let (skeleton, found) = puppet();
    let place_of = |lost: &[&str], joint: &str| {
        let mut roles = found.roles.clone();
        for name in lost {
            roles.set(skeleton.find(name).unwrap(), None);
        }
        let joint = skeleton.find(joint).unwrap();
        let all = chains(&skeleton, &roles);
        let own = all.iter().find(|chain| chain.joints.contains(&joint));
        own.unwrap().place.map(|place| place.to_string())
    };
    let check = |lost: &[&str], joint: &str, expected: &str| {
        assert_eq!(place_of(lost, joint).as_deref(), Some(expected), "{joint}");
    };
    check(&[], "LeftClavicle", "left arm");
    // Between two chains it belongs to the outer one, and where several part to the inner one.
    check(&["LeftClavicle"], "LeftClavicle", "left arm");
    check(&["Chest"], "Chest", "spine");
    check(&["Neck"], "Neck", "neck and head");
    // What leads from the pelvis to arms and head is the spine, though none of it has a role.
    check(&["Spine", "Chest"], "Spine", "spine");
    check(&["Spine", "Chest"], "Chest", "spine");
    // At the end of a chain it goes on with it.
    check(&["RightHand"], "RightHand", "right arm");
    check(&["Head"], "Head", "neck and head");
    check(&["Hips"], "Hips", "spine");
    // A whole arm without roles is a chain of its own.
    let arm = ["LeftClavicle", "LeftUpperArm", "LeftForearm", "LeftHand"];
    assert_eq!(place_of(&arm, "LeftHand"), None);
}

#[test]
fn what_branches_off_without_roles_is_a_chain_of_its_own() {
    let (skeleton, found) = puppet();
    let loose: Vec<Vec<&str>> = chains(&skeleton, &found.roles)
        .into_iter()
        .filter(|chain| chain.place.is_none())
        .map(|chain| {
            chain
                .joints
                .iter()
                .map(|&joint| skeleton.name(joint))
                .collect()
        })
        .collect();
    let expected: [&[&str]; 2] = [&["Tassel", "TasselTip", "TasselBead"], &["TasselKnot"]];
    assert_eq!(loose, expected);
}

#[test]
fn chains_are_read_arm_by_arm_and_hand_by_hand() {
    let place = |text: &str| ChainPlace::of(text.parse::<Role>().unwrap());
    let mut places = [
        "tail_1",
        "r_metacarpophalangeal_1",
        "l_carpal_distal_interphalangeal_2",
        "l_carpometacarpal_1",
        "r_knee",
        "l_shoulder@2",
        "r_shoulder",
        "l_sternoclavicular",
        "vt6",
        "sacroiliac",
    ]
    .map(place);
    places.sort();
    let words = places.map(|place| place.to_string());
    let expected = [
        "root and pelvis",
        "spine",
        "left arm",
        "right arm",
        "left arm of pair 2",
        "left thumb",
        "left index finger",
        "right thumb",
        "right leg",
        "tail",
    ];
    assert_eq!(words, expected);
    let second = ChainPlace {
        pair: 1,
        ..ChainPlace::new(ChainKind::Tail, Side::Middle)
    };
    assert_eq!(second.to_string(), "tail 2");
}
