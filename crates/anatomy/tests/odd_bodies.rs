//! Bodies that lack something: ankles, an arm, a leg, the head, the spine. Each is read with plain
//! names and without, in several rests and in files with +Y or +Z up. A role may be missing, but
//! one that is wrong must be doubtful.

mod common;

use common::{Figure, figure, fits};
use proptest::prelude::*;
use understudy_anatomy::{Recognition, Role, recognise};
use understudy_motion::{DQuat, DVec3};

const LEGS: &str = "
  %_thigh 0.09 0.9 0 = l_hip
    %_shin 0.09 0.495 0.01 = l_knee
      %_foot 0.09 0.117 -0.02 ^ 0.09 0.047 0.12 = l_talocrural";
const SPINE: &str = "
  spine 0 1.1 0 = v*
    chest 0 1.3 0 = v*";
const ARMS: &str = "
      %_upper_arm 0.18 1.45 0 = l_shoulder
        %_forearm 0.45 1.45 -0.01 = l_elbow
          %_hand 0.702 1.45 0 ^ 0.81 1.45 0 = l_radiocarpal";
const HEAD: &str = "
      neck 0 1.52 0 = vc*
        head 0 1.6 0.01 ^ 0 1.78 0.01 = skullbase";

/// One side of a limb that is written for both.
fn only_left(limb: &str) -> String {
    limb.replace('%', "Left")
}

fn with_pelvis(parts: &[&str]) -> Figure {
    figure(&format!(
        "pelvis 0 0.95 0 = humanoid_root{}",
        parts.concat()
    ))
}

fn without_feet() -> Figure {
    let legs = "
  %_thigh 0.09 0.9 0 = -
    %_shin 0.09 0.5 0 ^ 0.09 0.05 0 = -";
    with_pelvis(&[legs, SPINE, ARMS, HEAD])
}

fn with_one_arm() -> Figure {
    with_pelvis(&[LEGS, SPINE, &only_left(ARMS), HEAD])
}

/// The leg hangs from the middle, as its capture had it.
fn with_one_leg() -> Figure {
    let leg = only_left(LEGS).replace("0.09 ", "0 ");
    with_pelvis(&[&leg, SPINE, ARMS, HEAD])
}

fn without_head() -> Figure {
    with_pelvis(&[LEGS, SPINE, ARMS])
}

/// Arms and legs hang from the root.
fn without_spine() -> Figure {
    let flat = |limb: &str| limb.replace("\n    ", "\n");
    let arms = flat(ARMS).replace("1.45", "1.1");
    with_pelvis(&[
        LEGS,
        &arms,
        "\n  head 0 1.35 0.01 ^ 0 1.53 0.01 = skullbase",
    ])
}

/// Bodies of this file, with the number of arms and legs they have.
fn all() -> Vec<(&'static str, Figure, usize, usize)> {
    vec![
        ("without feet", without_feet(), 2, 0),
        ("with one arm", with_one_arm(), 1, 2),
        ("with one leg", with_one_leg(), 2, 1),
        ("without head", without_head(), 2, 2),
        ("without spine", without_spine(), 2, 2),
    ]
}

/// The arms turned at the shoulders, the right one as a mirror image.
fn arms_turned(figure: &Figure, left: DVec3) -> Figure {
    let right = left * DVec3::new(1.0, -1.0, -1.0);
    let turned = figure.bent("Left_upper_arm", left);
    if turned.skeleton.find("Right_upper_arm").is_some() {
        turned.bent("Right_upper_arm", right)
    } else {
        turned
    }
}

/// Every body in six rests, with +Y and with +Z up; whether it has names, and its true up.
fn every_rest(check: impl Fn(&str, &Figure, &Recognition, bool, DVec3)) {
    let rests = [
        ("T", DVec3::ZERO),
        ("A", DVec3::Z * -45.0),
        ("arms down", DVec3::Z * -85.0),
        ("arms forward", DVec3::Y * -85.0),
        ("arms back", DVec3::Y * 85.0),
        ("arms up", DVec3::Z * 80.0),
    ];
    let z_up = DQuat::from_rotation_x(std::f64::consts::FRAC_PI_2);
    for (what, figure, ..) in all() {
        for (rest, turn) in rests {
            for named in [true, false] {
                for to_file in [DQuat::IDENTITY, z_up] {
                    let posed = arms_turned(&figure, turn);
                    let posed = if named { posed } else { posed.nameless() };
                    let posed = posed.turned(to_file);
                    let found = recognise(&posed.skeleton, None);
                    let what = format!("{what}, {rest}, named {named}, turned {to_file:?}");
                    check(&what, &posed, &found, named, to_file * DVec3::Y);
                }
            }
        }
    }
}

#[test]
fn every_rest_is_upright() {
    every_rest(|what, figure, found, _, up| {
        assert!(
            (found.frame.up - up).length() < 1e-9,
            "{what}: {:?}",
            found.frame
        );
        assert!(found.assemble(&figure.skeleton, None).is_ok(), "{what}");
    });
}

/// Plain names give every role.
#[test]
fn names_give_every_role() {
    every_rest(|what, figure, found, named, _| {
        if !named {
            return;
        }
        for (joint, wanted) in figure.expected.iter().enumerate() {
            let wanted = wanted.as_deref().unwrap();
            let role = found.roles.role(joint);
            let name = figure.skeleton.name(joint);
            assert!(
                fits(role, wanted),
                "{what}: {name} {role:?}\n{:#?}",
                found.notes
            );
            let sure = found
                .roles
                .get(joint)
                .is_none_or(|given| given.confidence >= 0.5);
            assert!(sure, "{what}: {name} is doubtful");
        }
    });
}

/// Without names a role may be missing, which is said, or doubtful; it is never wrong in silence.
#[test]
fn nothing_is_wrong_in_silence() {
    every_rest(|what, figure, found, _, _| {
        for (joint, wanted) in figure.expected.iter().enumerate() {
            let name = figure.skeleton.name(joint);
            let wanted = wanted.as_deref().unwrap();
            match found.roles.get(joint) {
                None => {
                    let quoted = format!("\"{name}\"");
                    let told = found.notes.iter().any(|note| note.contains(&quoted));
                    assert!(told, "{what}: nothing is said about {name}");
                }
                Some(given) => assert!(
                    fits(Some(given.role), wanted) || given.confidence < 0.5,
                    "{what}: {name} {wanted} {given:?}"
                ),
            }
        }
    });
}

/// In a T-pose the limbs that are there are found without names too, but for a single leg.
#[test]
fn limbs_are_found_without_names() {
    for (what, figure, arms, legs) in all() {
        for (figure, legs) in [
            (figure.nameless(), if legs == 1 { 0 } else { legs }),
            (figure, legs),
        ] {
            let found = recognise(&figure.skeleton, None);
            let body = found.assemble(&figure.skeleton, None).unwrap().body;
            assert_eq!((body.arms.len(), body.legs.len()), (arms, legs), "{what}");
            let head = figure
                .expected
                .iter()
                .any(|role| role.as_deref() == Some("skullbase"));
            assert_eq!(body.head.is_some(), head, "{what}");
            assert!(body.appendages.is_empty(), "{what}");
        }
    }
}

fn says(found: &Recognition, words: &str) -> bool {
    found.notes.iter().any(|note| note.contains(words))
}

#[test]
fn what_is_missing_is_told() {
    let told = |figure: Figure, words: &str| {
        for figure in [figure.clone(), figure.nameless()] {
            let found = recognise(&figure.skeleton, None);
            assert!(says(&found, words), "{words}: {:#?}", found.notes);
        }
    };
    told(
        without_feet(),
        "have no ankle joint, so that nothing of them can be planted",
    );
    told(with_one_arm(), "no pair of arms was found");
    told(with_one_arm(), "a single arm");
    told(with_one_leg(), "no pair of legs was found");
    told(without_head(), "no neck and no head were found");
}

/// A lone chain without a name is taken for an arm, but not surely.
#[test]
fn doubtful_joints_are_listed() {
    let figure = with_one_arm().nameless();
    let found = recognise(&figure.skeleton, None);
    let listed: Vec<String> = found
        .doubtful(0.5)
        .iter()
        .map(|(_, given)| given.role.to_string())
        .collect();
    assert_eq!(listed, ["l_shoulder", "l_elbow", "l_radiocarpal"]);
    let named = recognise(&with_one_arm().skeleton, None);
    assert!(named.doubtful(0.5).is_empty());
    assert!(named.doubtful(1.01).len() > 10);
    let main = |role: &str| role.parse::<Role>().unwrap().part.is_main();
    assert!(main("l_hip") && main("vt6") && main("r_radiocarpal") && main("skullbase"));
    assert!(!main("l_eyeball_joint") && !main("tail_1") && !main("l_metacarpophalangeal_2"));
}

/// A file that stands on its head may be meant so; without names nothing of it is sure.
#[test]
fn a_body_on_its_head_is_doubtful() {
    let turn = DQuat::from_rotation_x(std::f64::consts::PI);
    let whole = with_pelvis(&[LEGS, SPINE, ARMS, HEAD]);
    let found = recognise(&whole.nameless().turned(turn).skeleton, None);
    assert!(says(&found, "files have +Y or +Z up"), "{:#?}", found.notes);
    assert!(found.frame_confidence < 0.5);
    assert_eq!(found.doubtful(0.5).len(), found.doubtful(1.01).len());
    let upright = recognise(&whole.nameless().skeleton, None);
    assert!(!says(&upright, "files have +Y or +Z up"));
    assert!(
        upright.doubtful(0.5).is_empty(),
        "{:?}",
        upright.doubtful(0.5)
    );
}

/// The tree begins at the chest, the neck is long, and the hands hang to a height: the lower they
/// hang, the more the arms look like legs.
fn with_the_root_at_the_chest(hands: f64) -> Figure {
    let (elbow, tip) = ((1.1 + hands) / 2.0, hands - 0.05);
    let neck: String = (0..8)
        .map(|index| {
            let y = 1.2 + 0.1 * f64::from(index);
            format!("\n{}neck_{index} 0 {y} 0", " ".repeat(2 + index as usize))
        })
        .collect();
    figure(&format!(
        "chest 0 1.05 0
  %_upper_arm 0.18 1.1 0 = l_shoulder
    %_forearm 0.18 {elbow} 0.08 = l_elbow
      %_hand 0.18 {hands} 0.02 ^ 0.18 {tip} 0.15 = l_radiocarpal{neck}
          head 0 2.0 0.01 ^ 0 2.15 0.01 = skullbase
  spine 0 0.95 0
    pelvis 0 0.85 0
      %_thigh 0.09 0.8 0 = l_hip
        %_shin 0.09 0.45 0.01 = l_knee
          %_foot 0.09 0.1 -0.02 ^ 0.09 0.03 0.12 = l_talocrural"
    ))
}

/// The pair that ends lowest in the file is the legs, wherever the tree begins; hands as low as the
/// feet leave a doubt.
#[test]
fn the_lowest_pair_is_the_legs() {
    for (hands, is_sure) in [(0.8, true), (0.5, true), (0.3, true), (-0.2, false)] {
        let figure = with_the_root_at_the_chest(hands).nameless();
        let found = recognise(&figure.skeleton, None);
        for (joint, wanted) in figure.expected.iter().enumerate() {
            let (Some(wanted), Some(given)) = (wanted.as_deref(), found.roles.get(joint)) else {
                continue;
            };
            let right = fits(Some(given.role), wanted);
            assert!(
                right || (!is_sure && given.confidence < 0.5),
                "{hands}: {wanted} {given:?}"
            );
        }
        assert!(
            is_sure || says(&found, "hang down like legs too"),
            "{:#?}",
            found.notes
        );
    }
}

/// By shape the arms, which hang lower than the feet, are legs: the names agree among themselves
/// and with the file's up, and win.
#[test]
fn names_that_agree_win_over_shape() {
    let figure = with_the_root_at_the_chest(-0.2);
    let hand = figure.skeleton.find("Left_hand").unwrap();
    let nameless = recognise(&figure.nameless().skeleton, None);
    let role = nameless.roles.role(hand).map(|role| role.to_string());
    assert!(
        role.is_some_and(|role| role.contains("talocrural")),
        "shape misleads"
    );
    let found = recognise(&figure.skeleton, None);
    for (joint, wanted) in figure.expected.iter().enumerate() {
        let Some(wanted) = wanted.as_deref() else {
            continue;
        };
        let role = found.roles.role(joint);
        let name = figure.skeleton.name(joint);
        assert!(fits(role, wanted), "{name} {role:?}\n{:#?}", found.notes);
    }
    assert!(
        !says(&found, "names are not followed"),
        "{:#?}",
        found.notes
    );
}

/// Upright ears on a head stay ears, however long, where the head has a top.
#[test]
fn long_ears_are_no_arms() {
    let ears = "
          %_a 0.06 1.75 0
            %_b 0.08 2.0 0
              %_c 0.1 2.2 0 ^ 0.1 2.3 0";
    let figure = with_pelvis(&[LEGS, SPINE, HEAD, ears]).nameless();
    let found = recognise(&figure.skeleton, None);
    assert!(
        says(&found, "no pair of arms was found"),
        "{:#?}",
        found.notes
    );
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 128,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// However the arms are held, nothing is wrong in silence.
    #[test]
    fn any_arms_are_read_or_doubted(
        which in 0usize..5, turn in prop::array::uniform3(-85.0..85.0f64), named in any::<bool>(),
    ) {
        let (what, figure, ..) = all().swap_remove(which);
        let figure = arms_turned(&figure, DVec3::from_array(turn));
        let figure = if named { figure } else { figure.nameless() };
        let found = recognise(&figure.skeleton, None);
        prop_assert!((found.frame.up - DVec3::Y).length() < 1e-9, "{}: {:?}", what, found.frame);
        for (joint, wanted) in figure.expected.iter().enumerate() {
            let wanted = wanted.as_deref().unwrap();
            if let Some(given) = found.roles.get(joint) {
                let good = fits(Some(given.role), wanted) || (!named && given.confidence < 0.5);
                prop_assert!(good, "{}: {} {:?}", what, wanted, given);
            }
        }
    }

    /// Order, names without meaning and a mirror together: the same body, joint for joint.
    #[test]
    fn the_same_odd_body_through_recognition(
        which in 0usize..5, seed in any::<u64>(), reflect in any::<bool>(),
    ) {
        let (what, figure, ..) = all().swap_remove(which);
        let difference = common::difference_through_recognition(&figure, seed, reflect);
        prop_assert!(difference.is_none(), "{} {}", what, difference.unwrap_or_default());
    }
}
