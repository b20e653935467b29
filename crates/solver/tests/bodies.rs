//! Bodies of many kinds, with answers planted in advance.

mod common;

use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;
use std::sync::Arc;

use common::{Figure, plain_only};
use understudy_anatomy::{Body, Leg, Side};
use understudy_bodies::faults::{Fault, with_fault};
use understudy_bodies::{RestPose, SolePart, demo_take};
use understudy_motion::{Axis, Clip, DQuat, DVec3, Joint, Skeleton, Transform, WorldPose, signal};
use understudy_solver::contacts::runs;
use understudy_solver::{
    Contact, Contacts, FootPart, Reference, Retargeted, Settings, Take, Travel,
};

/// Ten frames of one pose.
fn still(figure: &Figure, change: impl Fn(&mut [Transform])) -> Clip {
    let mut locals = figure.skeleton.rest_locals();
    change(&mut locals);
    let frames = std::iter::repeat_n(locals, 10).flatten().collect();
    Clip::new(Arc::clone(&figure.skeleton), 0.01, frames).expect("finite numbers")
}

/// Directions of upper arms, forearms, thighs and shanks in the first frame.
fn limb_directions(clip: &Clip, body: &Body) -> Vec<DVec3> {
    let pose = clip.world(0);
    let bone = |from: usize, to: usize| (pose.position(to) - pose.position(from)).normalize();
    let mut directions = Vec::new();
    for side in [Side::Left, Side::Right] {
        let (arm, leg) = (body.arm(side, 0).unwrap(), body.leg(side, 0).unwrap());
        directions.push(bone(arm.shoulder, arm.elbow));
        directions.push(bone(arm.elbow, arm.wrist.unwrap()));
        directions.push(bone(leg.hip, leg.knee));
        directions.push(bone(leg.knee, leg.ankle));
    }
    directions
}

/// Whatever the two rest in, wherever the character's file points: the limbs of the character
/// point where the performer's do.
#[test]
fn rest_poses_and_axes_do_not_matter() {
    let performer = Figure::made(|_| {});
    let clip = still(&performer, |locals| {
        let arm = performer.body.arm(Side::Left, 0).unwrap();
        locals[arm.shoulder].rotation *= DQuat::from_rotation_y(0.7);
        locals[arm.elbow].rotation *= DQuat::from_rotation_y(-0.9);
        let leg = performer.body.leg(Side::Right, 0).unwrap();
        locals[leg.hip].rotation *= DQuat::from_rotation_x(-0.6);
        locals[leg.knee].rotation *= DQuat::from_rotation_x(1.1);
    });
    let expected = limb_directions(&clip, &performer.body);
    for rest in [RestPose::T, RestPose::A, RestPose::ArmsDown] {
        for (up, facing) in [
            (Axis::Y, Axis::Z),
            (Axis::Y, Axis::NegZ),
            (Axis::Z, Axis::NegY),
            (Axis::X, Axis::Y),
        ] {
            let character = Figure::made(|d| {
                d.stature_m = 1.2;
                (d.rest, d.up, d.facing) = (rest, up, facing);
            });
            let result = performer.retarget(&clip, &character, &plain_only(), None);
            let got = limb_directions(&result.plain, &character.body);
            for (a, b) in got.iter().zip(&expected) {
                assert!(a.distance(*b) < 1e-9, "{rest:?} {up}: {a} {b}");
            }
            let in_file = result.in_file_axes(&result.plain);
            let head = in_file.world(0).position(character.body.head.unwrap());
            assert!(head.dot(up.vector()) > 0.9, "the file's own up is kept");
        }
    }
}

/// A performer who rests crooked: with a frame of the take as reference the character's rest
/// stands for that frame.
#[test]
fn a_frame_of_the_take_can_be_the_reference() {
    let performer = Figure::made(|_| {});
    let clip = still(&performer, |locals| {
        let spine = performer.body.spine[0];
        locals[spine].rotation *= DQuat::from_rotation_x(0.5);
    });
    let settings = Settings {
        reference: Reference::Frame(3),
        ..plain_only()
    };
    // Another stature, so that the two are not taken for the same body.
    let character = Figure::made(|d| d.stature_m = 1.5);
    let result = performer.retarget(&clip, &character, &settings, None);
    let (rest, now) = (character.skeleton.rest_world(), result.plain.world(0));
    let chest = *character.body.spine.last().unwrap();
    assert!(rest.rotation(chest).angle_between(now.rotation(chest)) < 1e-7);
    let plain = performer.retarget(&clip, &character, &plain_only(), None);
    let bent = plain.plain.world(0).rotation(chest);
    assert!((rest.rotation(chest).angle_between(bent) - 0.5).abs() < 1e-7);
    let missing = Settings {
        reference: Reference::Frame(99),
        ..plain_only()
    };
    let error = performer
        .try_retarget(&clip, &character, &missing, None)
        .unwrap_err();
    assert!(error.to_string().contains("reference frame 99"), "{error}");
}

/// An offset turns its joint and what hangs on it.
#[test]
fn offsets_turn_a_limb() {
    let performer = Figure::made(|_| {});
    let clip = still(&performer, |_| {});
    let character = Figure::made(|d| d.stature_m = 1.4);
    let arm = character.body.arm(Side::Left, 0).unwrap().clone();
    let name = character.skeleton.name(arm.shoulder).to_owned();
    let settings = Settings {
        offsets_deg: BTreeMap::from([(name, [0.0, 0.0, -90.0])]),
        ..plain_only()
    };
    let result = performer.retarget(&clip, &character, &settings, None);
    let pose = result.plain.world(0);
    let hand = pose.position(arm.wrist.unwrap()) - pose.position(arm.shoulder);
    assert!(hand.normalize().distance(DVec3::NEG_Y) < 1e-9, "{hand}");
}

/// A bend of the whole trunk, spread over another number of joints, ends in the same chest.
#[test]
fn spines_of_any_count_bend_as_far() {
    let performer = Figure::made(|d| d.torso.spine_joints = 3);
    let clip = still(&performer, |locals| {
        for &joint in &performer.body.spine {
            locals[joint].rotation *= DQuat::from_rotation_x(0.2);
        }
    });
    for joints in [1, 2, 5, 9] {
        let character = Figure::made(|d| d.torso.spine_joints = joints);
        let result = performer.retarget(&clip, &character, &plain_only(), None);
        let pose = result.plain.world(0);
        let rest = character.skeleton.rest_world();
        let mut before = 0.0;
        for &joint in &character.body.spine {
            let bend = rest.rotation(joint).angle_between(pose.rotation(joint));
            assert!(bend > before - 1e-9, "each joint takes its part");
            before = bend;
        }
        assert!((before - 0.6).abs() < 1e-9, "{joints} joints: {before}");
    }
}

/// A forearm twisted by a quarter turn: joints along it take their share.
#[test]
fn twist_joints_share_the_twist() {
    let performer = Figure::made(|_| {});
    let clip = still(&performer, |locals| {
        let wrist = performer.body.arm(Side::Left, 0).unwrap().wrist.unwrap();
        locals[wrist].rotation *= DQuat::from_rotation_x(FRAC_PI_2);
    });
    let character = Figure::made(|d| {
        d.stature_m = 1.5;
        d.arms[0].twist_joints = 2;
    });
    let result = performer.retarget(&clip, &character, &plain_only(), None);
    let (rest, pose) = (character.skeleton.rest_world(), result.plain.world(0));
    let arm = character.body.arm(Side::Left, 0).unwrap();
    let shares: Vec<(f64, f64)> = character
        .body
        .twists
        .iter()
        .filter(|twist| twist.from == arm.elbow)
        .map(|twist| {
            let turned = rest
                .rotation(twist.joint)
                .angle_between(pose.rotation(twist.joint));
            (twist.share, turned / FRAC_PI_2)
        })
        .collect();
    assert_eq!(shares.len(), 2);
    for (share, turned) in shares {
        assert!(share > 0.1 && share < 0.9);
        assert!((share - turned).abs() < 1e-9, "{share} {turned}");
    }
}

/// Travel of the hips over the floor for each choice.
#[test]
fn travel_is_scaled_as_asked() {
    let demo = demo_take().expect("the demo take is part of the crate");
    let performer = Figure {
        skeleton: Arc::clone(&demo.clip.skeleton),
        ..Figure::made(|_| {})
    };
    let character = Figure::made(|d| d.stature_m = 0.5 * 1.75);
    let travel = |clip: &Clip, body: &Body| {
        let points = clip.trajectory(body.pelvis);
        let way = points[points.len() - 1] - points[0];
        way.x.hypot(way.z)
    };
    let whole = travel(&demo.clip, &performer.body);
    for (choice, factor) in [
        (Travel::LegLength, 0.5),
        (Travel::Kept, 1.0),
        (Travel::Factor(0.8), 0.8),
    ] {
        let settings = Settings {
            travel: choice,
            ..plain_only()
        };
        let result = performer.retarget(&demo.clip, &character, &settings, None);
        let got = travel(&result.plain, &character.body) / whole;
        // The hips travel by the factor; the pelvis joint turns a little about them.
        assert!((got - factor).abs() < 1e-3, "{choice:?}: {got}");
    }
}

/// The detector against the take whose contacts are known: ends within two frames of 120 a
/// second, heel and ball within ten where they roll up slowly.
#[test]
fn contacts_of_the_demo_take_are_found() {
    let demo = demo_take().expect("the demo take is part of the crate");
    let body = Figure::made(|_| {}).body;
    let take = Take {
        clip: &demo.clip,
        body: &body,
        surface: None,
    };
    let (stance, found) = understudy_solver::find_contacts(take, &Settings::default());
    assert!(stance.floor.height_m.abs() < 1e-3);
    for (truth_part, part, late) in [
        (SolePart::Heel, FootPart::Heel, 8),
        (SolePart::Ball, FootPart::Ball, 10),
        (SolePart::Toe, FootPart::Toe, 2),
    ] {
        for side in [Side::Left, Side::Right] {
            let truth: Vec<(usize, usize)> = demo
                .contacts
                .iter()
                .filter(|c| c.side == side && c.part == truth_part)
                .map(|c| (c.first_frame, c.last_frame))
                .collect();
            let got: Vec<(usize, usize)> =
                found.of(side, 0, part).map(|c| (c.first, c.last)).collect();
            assert_eq!(
                got.len(),
                truth.len(),
                "{side:?} {part:?}: {got:?} {truth:?}"
            );
            for (got, truth) in got.iter().zip(&truth) {
                assert!(
                    got.0.abs_diff(truth.0) <= 2,
                    "{side:?} {part:?} {got:?} {truth:?}"
                );
                assert!(
                    got.1 >= truth.1 && got.1 - truth.1 <= late,
                    "{part:?} {got:?} {truth:?}"
                );
            }
        }
    }
}

/// A take that climbs: the demo take with its whole world turned.
#[test]
fn a_ramp_is_found_and_stood_on() {
    let demo = demo_take().expect("the demo take is part of the crate");
    let performer = Figure {
        skeleton: Arc::clone(&demo.clip.skeleton),
        ..Figure::made(|_| {})
    };
    for (axis, degrees) in [(DVec3::X, 5.0f64), (DVec3::X, 12.0), (DVec3::Z, 20.0)] {
        let turn = DQuat::from_axis_angle(axis, degrees.to_radians());
        let mut clip = demo.clip.clone();
        for frame in 0..clip.frame_count() {
            let root = &mut clip.frame_mut(frame)[0];
            root.translation = turn * root.translation;
            root.rotation = (turn * root.rotation).normalize();
        }
        let character = Figure::made(|d| d.stature_m = 1.3);
        let result = performer.retarget(&clip, &character, &Settings::default(), None);
        let error = result.floor().normal.angle_between(turn * DVec3::Y);
        assert!(
            error.to_degrees() < 0.2,
            "{degrees}: off by {}",
            error.to_degrees()
        );
        for (index, foot) in result.feet.iter().enumerate() {
            let worlds = result.solved.worlds();
            for (world, parts) in worlds.iter().zip(&result.planted_parts[index]) {
                if parts[0] && parts[1] {
                    let height = result.floor().above(foot.ball.world(world));
                    assert!(height.abs() < 5e-4, "{degrees}: {height}");
                }
            }
        }
    }
}

/// Noise in every frame anew: no contact breaks up, feet stay planted, knees stay quiet, and legs
/// stay near those of the clean take.
#[test]
fn the_noise_of_a_capture_is_survived() {
    let demo = demo_take().expect("the demo take is part of the crate");
    let performer = Figure {
        skeleton: Arc::clone(&demo.clip.skeleton),
        ..Figure::made(|_| {})
    };
    let settings = Settings::default();
    // Noise of the root, metres, and of every joint's rotation, radians: that of an optical capture,
    // six times that, and a fifth of a degree in every joint.
    let cases = [(0.0005, 0.0004), (0.003, 0.0), (0.0, 0.003)];
    for ((position_m, rotation), character) in cases.into_iter().flat_map(|case| {
        let short = Figure::made(|d| d.stature_m = 1.2);
        [(case, short), (case, Figure::cast("giant"))]
    }) {
        let noise = Fault::Noise {
            position_m,
            rotation,
        };
        let clip = with_fault(&demo.clip, &noise, 7).expect("the fault fits the take");
        let clean = performer.retarget(&demo.clip, &character, &settings, None);
        let result = performer.retarget(&clip, &character, &settings, None);
        let turned = largest_turn(&clean, &result);
        assert!(
            turned < 12.0,
            "{position_m} {rotation}: a limb turned by {turned} degrees"
        );
        assert_eq!(result.contacts.contacts.len(), demo.contacts.len());
        let (take, worlds) = (result.take.worlds(), result.solved.worlds());
        for (index, (leg, foot)) in character.body.legs.iter().zip(&result.feet).enumerate() {
            for (slot, part) in FootPart::ALL.into_iter().enumerate() {
                let point = foot.point(part).expect("a plantigrade foot");
                let mask: Vec<bool> = result.planted_parts[index]
                    .iter()
                    .map(|parts| parts[slot])
                    .collect();
                for (first, last) in runs(&mask) {
                    let start = point.world(&worlds[first]);
                    for world in &worlds[first..=last] {
                        assert!(point.world(world).distance(start) < 5e-4);
                    }
                }
            }
            let source = performer.body.leg(leg.side, 0).unwrap();
            let knees = |worlds: &[WorldPose], leg: &Leg| {
                let bends: Vec<f64> = worlds
                    .iter()
                    .map(|world| {
                        let thigh = world.position(leg.knee) - world.position(leg.hip);
                        thigh.angle_between(world.position(leg.ankle) - world.position(leg.knee))
                    })
                    .collect();
                let peaks = signal::acceleration(&bends, clip.frame_time_secs);
                peaks.iter().fold(0.0f64, |most, a| most.max(a.abs()))
            };
            let ratio = knees(&worlds, leg) / knees(&take, source);
            assert!(ratio < 1.2, "{:?} knee: {ratio}", leg.side);
        }
    }
}

/// Largest angle between thighs or shanks of two results, degrees.
fn largest_turn(a: &Retargeted, b: &Retargeted) -> f64 {
    let mut largest = 0.0f64;
    for (one, other) in a.solved.worlds().iter().zip(b.solved.worlds()) {
        for leg in &a.body.legs {
            for (from, to) in [(leg.hip, leg.knee), (leg.knee, leg.ankle)] {
                let bone = |pose: &WorldPose| pose.position(to) - pose.position(from);
                largest = largest.max(bone(one).angle_between(bone(&other)));
            }
        }
    }
    largest.to_degrees()
}

/// A body with a second pair of legs behind the first: both pairs are planted.
#[test]
fn every_pair_of_legs_is_planted() {
    let demo = demo_take().expect("the demo take is part of the crate");
    let performer = Figure {
        skeleton: Arc::clone(&demo.clip.skeleton),
        ..Figure::made(|_| {})
    };
    let character = with_hind_legs(&Figure::made(|d| d.stature_m = 1.3));
    let result = performer.retarget(&demo.clip, &character, &Settings::default(), None);
    assert_eq!(result.feet.len(), 4);
    let worlds = result.solved.worlds();
    for (foot, parts) in result.feet.iter().zip(&result.planted_parts) {
        let mut planted = 0;
        for (slot, part) in FootPart::ALL.into_iter().enumerate() {
            let point = foot.point(part).expect("a plantigrade foot");
            let mask: Vec<bool> = parts.iter().map(|parts| parts[slot]).collect();
            for (first, last) in runs(&mask) {
                planted += 1;
                let start = point.world(&worlds[first]);
                for world in &worlds[first..=last] {
                    assert!(point.world(world).distance(start) < 5e-4);
                }
            }
        }
        assert!(planted >= 12, "{planted} contacts");
    }
}

/// Copies the legs of a figure to a second pair half a metre behind.
fn with_hind_legs(figure: &Figure) -> Figure {
    let mut joints: Vec<Joint> = figure.skeleton.joints().to_vec();
    let mut body = figure.body.clone();
    for leg in &figure.body.legs {
        let old = figure.skeleton.subtree(leg.hip);
        let base = joints.len();
        let new_of = |joint: usize| base + old.iter().position(|j| *j == joint).unwrap();
        for &joint in &old {
            let mut copy = figure.skeleton.joint(joint).clone();
            if joint == leg.hip {
                copy.rest.translation.z -= 0.5;
            } else {
                copy.parent = copy.parent.map(new_of);
            }
            joints.push(copy);
        }
        let mut hind = leg.clone();
        hind.pair = 1;
        hind.hip = new_of(leg.hip);
        hind.knee = new_of(leg.knee);
        hind.ankle = new_of(leg.ankle);
        hind.ball = leg.ball.map(new_of);
        hind.toe_tip.joint = new_of(leg.toe_tip.joint);
        body.legs.push(hind);
    }
    Figure {
        skeleton: Arc::new(Skeleton::new(joints).unwrap()),
        body,
    }
}

/// Contacts can be given; those that do not fit the take are refused by name.
#[test]
fn given_contacts_are_used_and_checked() {
    let demo = demo_take().expect("the demo take is part of the crate");
    let clip = demo.clip.range(0, 100);
    let performer = Figure {
        skeleton: Arc::clone(&demo.clip.skeleton),
        ..Figure::made(|_| {})
    };
    let contact = |pair, last| Contacts {
        touches: None,
        contacts: vec![Contact {
            side: Side::Left,
            pair,
            part: FootPart::Toe,
            first: 10,
            last,
            place_m: None,
        }],
    };
    let character = Figure::cast("porter");
    let settings = Settings::default();
    let result = performer.retarget(&clip, &character, &settings, Some(&contact(0, 20)));
    let down = result.planted_parts[0]
        .iter()
        .filter(|parts| parts[2])
        .count();
    assert_eq!(down, 11);
    let refused = |contacts: &Contacts| {
        performer
            .try_retarget(&clip, &character, &settings, Some(contacts))
            .unwrap_err()
            .to_string()
    };
    let late = refused(&contact(0, 500));
    assert!(late.contains("left toe, frames 10 to 500"), "{late}");
    assert!(late.contains("ends at frame 100"), "{late}");
    let missing = refused(&contact(7, 20));
    assert!(missing.contains("no left leg in pair 7"), "{missing}");
}
