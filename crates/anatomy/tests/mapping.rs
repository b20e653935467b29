//! Corrections of a recognition, and roles that make no body.

mod common;

use common::figure;
use understudy_anatomy::mapping::alike_joints;
use understudy_anatomy::{
    AnatomyError, Assignment, Body, Mapping, MappingError, Recognition, Role, Side, recognise,
};
use understudy_motion::{Axis, DVec3, Skeleton};

fn stall_keeper() -> Skeleton {
    figure(&format!(
        "
hips 0 0.96 0{}
  spine 0 1.2 0
    head 0 1.5 0 ^ 0 1.7 0
    %arm 0.2 1.4 0
      %elbow 0.5 1.4 0
        %hand 0.75 1.4 0 ^ 0.9 1.4 0
    %strap 0.1 1.3 0.1
      ring 0.1 1.2 0.1",
        common::LEG
    ))
    .skeleton
}

fn role(text: &str) -> Role {
    text.parse().unwrap()
}

fn mapping(text: &str) -> Mapping {
    ron::from_str(text).unwrap()
}

fn apply(text: &str) -> Result<Recognition, MappingError> {
    let skeleton = stall_keeper();
    mapping(text).apply(&skeleton, &recognise(&skeleton, None))
}

#[test]
fn corrections_replace_what_was_recognised() {
    let skeleton = stall_keeper();
    let fixed = apply(r#"(joints: {"spine": Some("vt3"), "LeftToes": None})"#).unwrap();
    let at = |name: &str| skeleton.find(name).unwrap();
    assert_eq!(fixed.roles.role(at("spine")), Some(role("vt3")));
    assert_eq!(fixed.roles.get(at("spine")).unwrap().confidence, 1.0);
    assert_eq!(fixed.roles.role(at("LeftToes")), None);
    // Whoever had a role that is given away loses it, and that is said.
    let fixed = apply(r#"(joints: {"Leftstrap/ring": Some("skullbase")})"#).unwrap();
    assert_eq!(fixed.roles.role(at("head")), None);
    assert!(
        fixed
            .notes
            .iter()
            .any(|note| note.contains("\"head\" loses the role skullbase"))
    );
}

#[test]
fn exchanged_sides_turn_the_body() {
    let skeleton = stall_keeper();
    let mut pairs = String::new();
    for (name, part) in [
        ("Thigh", "hip"),
        ("Shin", "knee"),
        ("Foot", "talocrural"),
        ("Toes", "metatarsophalangeal_2"),
        ("arm", "shoulder"),
        ("elbow", "elbow"),
        ("hand", "radiocarpal"),
    ] {
        pairs.push_str(&format!(
            "\"Left{name}\": Some(\"r_{part}\"), \"Right{name}\": Some(\"l_{part}\"),"
        ));
    }
    let fixed = apply(&format!("(joints: {{{pairs}}})")).unwrap();
    assert!(
        (fixed.frame.forward - DVec3::NEG_Z).length() < 1e-9,
        "{:?}",
        fixed.frame
    );
    let body = fixed.assemble(&skeleton, None).unwrap().body;
    assert_eq!(
        body.leg(Side::Left, 0).unwrap().hip,
        skeleton.find("RightThigh").unwrap()
    );
    let from_roles = Body::from_roles(&skeleton, &fixed.roles).unwrap();
    assert!((from_roles.frame.forward - DVec3::NEG_Z).length() < 1e-9);
}

#[test]
fn directions_can_be_given() {
    let fixed = apply("(up: Some(Y), forward: Some(X))").unwrap();
    assert_eq!(
        (fixed.frame.forward, fixed.frame_confidence),
        (DVec3::X, 1.0)
    );
    let error = apply("(up: Some(Y), forward: Some(NegY))").unwrap_err();
    assert!(matches!(error, MappingError::Parallel { .. }), "{error}");
}

#[test]
fn errors_name_the_joint_and_near_names() {
    let error = apply(r#"(joints: {"LeftTighs": None})"#)
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("LeftTighs") && error.contains("LeftThigh"),
        "{error}"
    );
    let error = apply(r#"(joints: {"ring": None})"#)
        .unwrap_err()
        .to_string();
    assert!(error.contains("hips/spine/Leftstrap/ring"), "{error}");
    let twice = r#"(joints: {"spine": Some("vt3"), "head": Some("vt3")})"#;
    let error = apply(twice).unwrap_err().to_string();
    assert!(
        error.contains("spine") && error.contains("head") && error.contains("vt3"),
        "{error}"
    );
    let wrong = ron::from_str::<Mapping>(r#"(joints: {"spine": Some("vt33")})"#).unwrap_err();
    assert!(wrong.to_string().contains("did you mean"), "{wrong}");
}

#[test]
fn a_written_mapping_changes_nothing() {
    let skeleton = stall_keeper();
    let found = recognise(&skeleton, None);
    let text = ron::to_string(&Mapping::from_recognition(&skeleton, &found)).unwrap();
    let again: Mapping = ron::from_str(&text).unwrap();
    assert_eq!((again.up, again.forward), (Some(Axis::Y), Some(Axis::Z)));
    let applied = again.apply(&skeleton, &found).unwrap();
    for joint in 0..skeleton.len() {
        assert_eq!(applied.roles.role(joint), found.roles.role(joint));
        // Whoever keeps a role in the file says that it is right.
        let confidence = applied.roles.get(joint).map(|given| given.confidence);
        assert!(confidence.is_none_or(|sure| sure == 1.0), "{confidence:?}");
    }
    assert_eq!(applied.frame, found.frame);
}

#[test]
fn directions_against_the_joints_are_noted() {
    let check = |text: &str, expected: &str| {
        let notes = apply(text).unwrap().notes;
        let noted = notes.iter().find(|note| note.contains("disagrees"));
        match noted {
            Some(note) => assert!(!expected.is_empty() && note.starts_with(expected), "{note}"),
            None => assert_eq!(expected, ""),
        }
    };
    check("(up: Some(Y), forward: Some(Z))", "");
    check("(forward: Some(NegZ))", "forward -Z");
    check("(forward: Some(X))", "forward +X");
    check("(up: Some(X))", "up +X");
}

#[test]
fn joints_that_no_path_tells_apart_stay_out() {
    let mut joints = stall_keeper().joints().to_vec();
    for joint in &mut joints {
        if joint.name.ends_with("Thigh") {
            joint.name = "thigh".into();
        } else if joint.name.ends_with("Shin") {
            joint.name = "shin".into();
        }
    }
    let skeleton = Skeleton::new(joints).unwrap();
    // Both shins lie below a thigh of the same path, so they are alike too.
    let alike: Vec<&str> = alike_joints(&skeleton)
        .into_iter()
        .map(|joint| skeleton.name(joint))
        .collect();
    assert_eq!(alike.iter().filter(|name| **name == "thigh").count(), 2);
    assert_eq!(alike.iter().filter(|name| **name == "shin").count(), 2);
    assert_eq!(alike.len(), 4);
    let found = recognise(&skeleton, None);
    let mapping = Mapping::from_recognition(&skeleton, &found);
    assert_eq!(mapping.joints.len(), skeleton.len() - 4);
    let applied = mapping.apply(&skeleton, &found).unwrap();
    for joint in 0..skeleton.len() {
        assert_eq!(applied.roles.role(joint), found.roles.role(joint));
    }
}

#[test]
fn roles_that_make_no_body_are_refused() {
    let skeleton = stall_keeper();
    let found = recognise(&skeleton, None).roles;
    let at = |name: &str| skeleton.find(name).unwrap();
    let with = |name: &str, text: &str| {
        let mut roles = found.clone();
        let assignment = (!text.is_empty()).then(|| Assignment {
            role: role(text),
            confidence: 1.0,
            reason: String::new(),
        });
        roles.set(at(name), assignment);
        Body::from_roles(&skeleton, &roles).unwrap_err()
    };
    assert_eq!(with("hips", ""), AnatomyError::NoRoot);
    let error = with("LeftShin", "");
    assert!(matches!(&error, AnatomyError::Missing { missing, .. } if *missing == role("l_knee")));
    assert!(error.to_string().contains("LeftThigh"));
    let error = with("LeftToes", "r_hip");
    assert!(matches!(error, AnatomyError::Twice { .. }), "{error}");
    let error = with("LeftToes", "vt1").to_string();
    assert!(error.contains("does not lie below"), "{error}");
}
