//! Bodies with more or fewer joints in every part, with and without names.

mod common;

use std::f64::consts::FRAC_PI_2;

use common::{Figure, figure, fits};
use understudy_anatomy::{Body, Recognition, Side, recognise};
use understudy_motion::{DVec3, JointKind, Skeleton};

/// How many joints a body has in its parts.
#[derive(Clone, Copy, Debug)]
struct Counts {
    spine: usize,
    neck: usize,
    clavicles: usize,
    fingers: usize,
    finger_joints: usize,
    toes: usize,
    head_tip: bool,
}

const USUAL: Counts = Counts {
    spine: 3,
    neck: 1,
    clavicles: 1,
    fingers: 0,
    finger_joints: 3,
    toes: 0,
    head_tip: true,
};

/// Writes a body in a T-pose. Hands lie flat, thumbs forward.
fn body_of(counts: Counts) -> Figure {
    let mut text = String::from("hips 0 0.96 0 = humanoid_root\n");
    legs(&mut text, counts);
    for index in 0..counts.spine {
        let y = 1.0 + 0.4 * index as f64 / counts.spine as f64;
        line(&mut text, index + 1, &format!("back{index} 0 {y} 0 = v*"));
    }
    let base = counts.spine + 1;
    arms(&mut text, base, counts);
    for index in 0..counts.neck {
        let y = 1.47 + 0.1 * index as f64 / counts.neck as f64;
        line(
            &mut text,
            base + index,
            &format!("neck{index} 0 {y} 0 = vc*"),
        );
    }
    let tip = if counts.head_tip { "^ 0 1.75 0" } else { "" };
    line(
        &mut text,
        base + counts.neck,
        &format!("head 0 1.57 0 {tip} = skullbase"),
    );
    figure(&text)
}

fn line(text: &mut String, depth: usize, content: &str) {
    text.push_str(&format!("{}{content}\n", " ".repeat(depth)));
}

fn legs(text: &mut String, counts: Counts) {
    line(text, 1, "%thigh 0.09 0.92 0 = l_hip");
    line(text, 2, "%shin 0.09 0.5 0.01 = l_knee");
    line(
        text,
        3,
        "%foot 0.09 0.08 -0.02 ^ 0.09 0 0.15 = l_talocrural",
    );
    for toe in 0..counts.toes {
        let x = 0.06 + 0.015 * toe as f64;
        line(
            text,
            4,
            &format!("%toe{toe} {x} 0.02 0.1 ^ {x} 0.01 0.16 = l_*"),
        );
    }
}

fn arms(text: &mut String, base: usize, counts: Counts) {
    for index in 0..counts.clavicles {
        let x = 0.02 + 0.06 * index as f64;
        let part = ["sternoclavicular", "acromioclavicular"][index];
        line(
            text,
            base + index,
            &format!("%collar{index} {x} 1.42 0 = l_{part}"),
        );
    }
    let at = base + counts.clavicles;
    line(text, at, "%upperarm 0.17 1.42 -0.01 = l_shoulder");
    line(text, at + 1, "%forearm 0.46 1.42 -0.02 = l_elbow");
    line(
        text,
        at + 2,
        "%hand 0.71 1.42 0 ^ 0.8 1.42 0 = l_radiocarpal",
    );
    for finger in 0..counts.fingers {
        for joint in 0..counts.finger_joints {
            let (name, at_joint, tip) = finger_joint(finger, joint, counts);
            line(text, at + 3 + joint, &format!("%{name} {at_joint} {tip}"));
        }
    }
}

/// Finger 0 is the thumb, the others lie beside each other behind it.
fn finger_joint(finger: usize, joint: usize, counts: Counts) -> (String, String, String) {
    let reach = joint as f64 / counts.finger_joints as f64;
    let last = joint + 1 == counts.finger_joints;
    let place = |reach: f64| {
        if finger == 0 {
            let (x, y, z) = (
                0.74 + 0.06 * reach,
                1.41 - 0.02 * reach,
                0.03 + 0.06 * reach,
            );
            format!("{x} {y} {z}")
        } else {
            let (x, z) = (0.8 + 0.09 * reach, 0.05 - 0.02 * finger as f64);
            format!("{x} 1.42 {z}")
        }
    };
    let tip = if last {
        format!("^ {}", place(1.0))
    } else {
        String::new()
    };
    (format!("digit{finger}x{joint}"), place(reach), tip)
}

fn check(counts: Counts) -> Vec<(Figure, Recognition)> {
    [false, true]
        .map(|nameless| {
            let named = body_of(counts);
            let figure = if nameless {
                named.nameless()
            } else {
                named.clone()
            };
            let found = recognise(&figure.skeleton, None);
            for (joint, wanted) in figure.expected.iter().enumerate() {
                let role = found.roles.role(joint);
                let good = match wanted.as_deref() {
                    None => true,
                    Some("l_*" | "r_*") => role.is_some(),
                    Some(wanted) => fits(role, wanted),
                };
                let name = named.skeleton.name(joint);
                assert!(
                    good,
                    "{counts:?} nameless {nameless}, {name}: wanted {wanted:?}, got {:?}\n{:?}",
                    found.roles.get(joint),
                    found.notes
                );
            }
            (figure, found)
        })
        .to_vec()
}

fn body(figure: &Figure, found: &Recognition) -> Body {
    found.assemble(&figure.skeleton, None).unwrap().body
}

#[test]
fn spines_and_necks_of_any_count() {
    for spine in 1..=30 {
        for neck in [0, 1, 2, 5, 20] {
            for (figure, found) in check(Counts {
                spine,
                neck,
                ..USUAL
            }) {
                let body = body(&figure, &found);
                assert_eq!((body.spine.len(), body.neck.len()), (spine, neck));
            }
        }
    }
}

#[test]
fn clavicles_and_heads() {
    for clavicles in 0..=2 {
        for neck in 0..=1 {
            // Without names, a lone leaf above one neck joint may be either; two joints are clear.
            let head_tip = true;
            for (figure, found) in check(Counts {
                clavicles,
                neck,
                head_tip,
                ..USUAL
            }) {
                assert_eq!(body(&figure, &found).arms[1].clavicle.len(), clavicles);
            }
        }
    }
    for neck in 0..=3 {
        check(Counts {
            neck,
            head_tip: false,
            ..USUAL
        });
    }
}

#[test]
fn fingers_of_any_count() {
    for fingers in 0..=5 {
        for finger_joints in 1..=4 {
            for (figure, found) in check(Counts {
                fingers,
                finger_joints,
                ..USUAL
            }) {
                let body = body(&figure, &found);
                for arm in &body.arms {
                    let joints: usize = arm.fingers.iter().map(|f| f.joints.len()).sum();
                    assert_eq!(joints, fingers * finger_joints, "{fingers} {finger_joints}");
                    assert_eq!(arm.fingers.len(), fingers);
                    if fingers < 2 {
                        continue;
                    }
                    let thumb = &arm.fingers[0];
                    assert_eq!(thumb.ray, 1);
                    // The thumb is the one that was written first and so lies in front.
                    let rest = figure.skeleton.rest_world();
                    let base = |joints: &[usize]| rest.position(joints[0]).z;
                    let front = arm.fingers[1..]
                        .iter()
                        .all(|f| base(&f.joints) <= base(&thumb.joints) + 1e-9);
                    assert!(front, "{fingers} {finger_joints}");
                    let rays: Vec<f64> = arm.fingers[1..].iter().map(|f| base(&f.joints)).collect();
                    assert!(rays.is_sorted_by(|a, b| a > b), "{rays:?}");
                }
            }
        }
    }
}

#[test]
fn toes_of_any_count() {
    for toes in 0..=5 {
        for (figure, found) in check(Counts { toes, ..USUAL }) {
            let body = body(&figure, &found);
            assert_eq!(body.legs[0].ball.is_some(), toes > 0);
            assert!(!body.legs[0].digitigrade);
            let great = found.roles.find("l_metatarsophalangeal_1".parse().unwrap());
            let inner = figure.skeleton.rest_world();
            if toes > 1 {
                let x = inner.position(great.unwrap()).x;
                assert!(
                    (x - 0.06).abs() < 1e-9,
                    "the great toe is the inner one: {x}"
                );
            }
        }
    }
}

#[test]
fn scene_nodes_above_the_body_are_left_alone() {
    for nameless in [false, true] {
        let mut joints = vec![
            understudy_motion::Joint::new("stage", None, DVec3::new(3.0, 0.0, 1.0)),
            understudy_motion::Joint::new("lift", Some(0), DVec3::ZERO),
        ];
        joints[0].kind = JointKind::Carrier;
        joints[0].rest.scale = DVec3::splat(0.01);
        joints[0].rest.rotation = understudy_motion::DQuat::from_rotation_x(-FRAC_PI_2);
        joints[1].kind = JointKind::Carrier;
        let figure = body_of(USUAL);
        for joint in figure.skeleton.joints() {
            let mut joint = joint.clone();
            joint.parent = Some(joint.parent.map_or(1, |parent| parent + 2));
            joints.push(joint);
        }
        if nameless {
            for (index, joint) in joints.iter_mut().enumerate() {
                joint.name = format!("node{index}");
            }
        }
        let skeleton = Skeleton::new(joints).unwrap();
        let found = recognise(&skeleton, None);
        let body = found.assemble(&skeleton, None).unwrap().body;
        assert_eq!((body.root, body.pelvis), (2, 2));
        assert_eq!(body.unmapped, [0, 1]);
        assert!(
            (body.frame.up - DVec3::NEG_Z).length() < 1e-9,
            "{:?}",
            body.frame
        );
    }
}

/// One hand has fingers, the other none; one arm has a clavicle more.
#[test]
fn sides_may_differ() {
    let counts = Counts {
        fingers: 5,
        ..USUAL
    };
    let figure = body_of(counts);
    let joints: Vec<_> = figure.skeleton.joints().to_vec();
    // The right hand's fingers are the last joints below it.
    let hand = figure.skeleton.find("Righthand").unwrap();
    let doomed: Vec<usize> = figure.skeleton.subtree(hand)[1..].to_vec();
    let kept: Vec<usize> = (0..joints.len()).filter(|j| !doomed.contains(j)).collect();
    let place = |old: usize| kept.iter().position(|&at| at == old);
    for nameless in [false, true] {
        let joints = kept
            .iter()
            .map(|&old| {
                let mut joint = joints[old].clone();
                joint.parent = joint.parent.and_then(place);
                if nameless {
                    joint.name = format!("j{}", (old * 7919) % 1009);
                }
                joint
            })
            .collect();
        let skeleton = Skeleton::new(joints).unwrap();
        let found = recognise(&skeleton, None);
        let body = found.assemble(&skeleton, None).unwrap().body;
        assert_eq!(
            body.arms.len(),
            2,
            "nameless {nameless}: {:#?}",
            found.notes
        );
        for arm in &body.arms {
            let fingers = if arm.side == Side::Left { 5 } else { 0 };
            assert_eq!(
                (arm.clavicle.len(), arm.fingers.len()),
                (1, fingers),
                "nameless {nameless}"
            );
            assert!(arm.wrist.is_some());
        }
    }
}
