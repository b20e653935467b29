//! Offsets of joints: they turn what nothing drives too, leave planted feet alone, and can be turned
//! further by what is seen.

mod common;

use std::collections::BTreeMap;

use common::{Figure, performer, plain_only, take, worst_slide_m};
use understudy_anatomy::AppendageKind;
use understudy_motion::{Axis, DQuat, DVec3, angle::short_turn};
use understudy_solver::near::{Chosen, offset_axes, pose_now};
use understudy_solver::{Posture, Secondary, Settings};

fn name(character: &Figure, joint: usize) -> String {
    character.skeleton.name(joint).to_owned()
}

fn with_offset(character: &Figure, joint: usize, turn_deg: [f64; 3], base: Settings) -> Settings {
    Settings {
        offsets_deg: BTreeMap::from([(name(character, joint), turn_deg)]),
        ..base
    }
}

/// The joints of the character's tail, from the body outward.
fn tail(character: &Figure) -> Vec<usize> {
    let parts = character.body.appendages.iter();
    let mut tails = parts.filter(|part| part.kind == AppendageKind::Tail);
    tails.next().expect("it has a tail").joints.clone()
}

#[test]
fn offsets_turn_a_tail() {
    let (performer, clip) = (performer(), take());
    let character = Figure::cast("fiddler");
    let tail = tail(&character);
    assert!(tail.len() > 2);
    let turn_deg = [0.0, 0.0, 25.0];
    let at_rest = character.skeleton.rest_world();
    let upright = character.body.frame.upright_from_file();
    let own = DQuat::from_scaled_axis(DVec3::Z * 25_f64.to_radians());
    for rule in [None, Some(Secondary::Rest)] {
        let base = Settings {
            secondary: rule
                .map(|rule| (name(&character, tail[0]), rule))
                .into_iter()
                .collect(),
            ..plain_only()
        };
        let settings = with_offset(&character, tail[1], turn_deg, base.clone());
        let plain = performer.retarget(&clip, &character, &base, None);
        let turned = performer.retarget(&clip, &character, &settings, None);
        for frame in (0..clip.frame_count()).step_by(10) {
            let (before, after) = (plain.solved.world(frame), turned.solved.world(frame));
            // As far as the pelvis has turned since rest, so have the axes of the offset.
            let axes = before.rotation(tail[1]) * (upright * at_rest.rotation(tail[1])).inverse();
            let expected = axes * (upright * own * upright.inverse()) * axes.inverse();
            for (place, &joint) in tail.iter().enumerate() {
                let seen = after.rotation(joint) * before.rotation(joint).inverse();
                let expected = match place {
                    0 => DQuat::IDENTITY,
                    _ => expected,
                };
                assert!(seen.angle_between(expected) < 1e-6, "frame {frame}: {seen}");
            }
        }
    }
}

#[test]
fn a_spring_swings_about_the_offset() {
    let (performer, clip) = (performer(), take());
    let character = Figure::cast("fiddler");
    let tail = tail(&character);
    let spring = Secondary::Spring {
        hertz: 1.5,
        damping: 0.5,
        most_deg: 40.0,
    };
    let base = Settings {
        secondary: BTreeMap::from([(name(&character, tail[0]), spring)]),
        ..plain_only()
    };
    let settings = with_offset(&character, tail[0], [0.0, 0.0, 25.0], base.clone());
    let turned = performer.retarget(&clip, &character, &settings, None);
    // The performer stands still at first: nothing swings yet.
    let local = turned.solved.frame(5)[tail[0]].rotation;
    let at_rest = character.skeleton.joint(tail[0]).rest.rotation;
    let turn_deg = local.angle_between(at_rest).to_degrees();
    assert!((turn_deg - 25.0).abs() < 0.5, "{turn_deg}");
}

/// Offsets of hips, spine and legs come before feet are planted.
#[test]
fn planted_feet_stay_under_every_offset() {
    let (performer, clip) = (performer(), take());
    for figure in ["pedlar", "weaver"] {
        let character = Figure::cast(figure);
        let body = &character.body;
        let joints = [
            body.pelvis,
            body.spine[0],
            body.legs[0].hip,
            body.legs[1].knee,
        ];
        for joint in joints {
            let turn_deg = [8.0, 12.0, -6.0];
            let settings = with_offset(&character, joint, turn_deg, Settings::default());
            let plain = performer.retarget(&clip, &character, &Settings::default(), None);
            let turned = performer.retarget(&clip, &character, &settings, None);
            let slide_mm = 1000.0 * worst_slide_m(&turned);
            assert!(slide_mm < 0.2, "{figure}, joint {joint}: {slide_mm} mm");
            assert_eq!(plain.planted_parts, turned.planted_parts);
            assert!(
                turned
                    .planted_parts
                    .iter()
                    .flatten()
                    .flatten()
                    .any(|down| *down)
            );
            assert_ne!(plain.solved, turned.solved);
        }
    }
}

/// What a person turns in a frame is what the frame shows afterwards.
#[test]
fn a_turn_seen_in_a_frame_becomes_an_offset() {
    let (performer, clip) = (performer(), take());
    let turn = DQuat::from_scaled_axis(DVec3::new(0.2, -0.3, 0.15));
    let described = [
        Figure::cast("fiddler"),
        // A file with another axis up, and facing elsewhere.
        Figure::made(|d| {
            d.stature_m = 1.3;
            (d.up, d.facing) = (Axis::Z, Axis::NegY);
        }),
    ];
    for character in described {
        let body = &character.body;
        let arm = &body.arms[0];
        let mut joints = vec![body.spine[0], arm.shoulder, arm.wrist.unwrap()];
        joints.extend(body.head);
        let tails = body.appendages.iter().flat_map(|part| part.joints.first());
        joints.extend(tails);
        for joint in joints {
            let posture = Posture {
                arms_out_deg: 10.0,
                head_down_deg: 5.0,
                ..Posture::default()
            };
            let base = Settings {
                posture,
                ..plain_only()
            };
            // There are offsets already, of the joint and of one above it.
            let mut before = with_offset(&character, joint, [10.0, -20.0, 5.0], base);
            let above = name(&character, body.pelvis);
            before.offsets_deg.insert(above, [0.0, 15.0, 0.0]);
            let known = performer.retarget(&clip, &character, &before, None);
            let frame = 70;
            let seen = known.solved.world(frame).rotation(joint);
            let axes = seen * offset_axes(&known, &before, joint).unwrap();
            let own = name(&character, joint);
            let offset = DVec3::from_array(before.offsets_deg[&own].map(f64::to_radians));
            let more = axes.inverse() * turn * axes * DQuat::from_scaled_axis(offset);
            let mut after = before.clone();
            let turn_deg = short_turn(more).to_array().map(f64::to_degrees);
            after.offsets_deg.insert(own, turn_deg);
            let solved = performer.retarget(&clip, &character, &after, None);
            let now = solved.solved.world(frame).rotation(joint);
            let off = now.angle_between(turn * seen);
            assert!(off < 1e-6, "joint {joint}: {off}");
            let [before, after] = [&before, &after].map(|settings| Chosen {
                settings,
                contacts: None,
            });
            let at_once = pose_now(&known, before, after, None, frame).unwrap();
            let skeleton = &known.solved.skeleton;
            let pose = understudy_motion::WorldPose::from_locals(skeleton, &at_once.locals);
            assert!(pose.rotation(joint).angle_between(turn * seen) < 1e-6);
        }
    }
}
