//! Posture, hand keys and secondary parts do what they say, and contacts hold under them.

mod common;

use std::collections::BTreeMap;

use common::{Figure, performer, plain_only, take, worst_slide_m};
use understudy_anatomy::{AppendageKind, Side};
use understudy_bodies::{Description, character};
use understudy_motion::{Clip, DQuat, DVec3, WorldPose};
use understudy_solver::{HandKey, Posture, Retargeted, Secondary, Settings, secondary::chain_from};

fn with_posture(posture: Posture, base: Settings) -> Settings {
    Settings { posture, ..base }
}

/// World poses of two results, frame by frame.
fn pairs(before: &Clip, after: &Clip) -> Vec<(WorldPose, WorldPose)> {
    before.worlds().into_iter().zip(after.worlds()).collect()
}

#[test]
fn hips_turn_under_a_trunk_that_stays() {
    let (performer, mut clip) = (performer(), take());
    // Knees bent far enough for the legs to give way.
    for frame in 0..clip.frame_count() {
        for (joint, degrees) in [("hip", -25.0_f64), ("knee", 50.0), ("ankle", -25.0)] {
            for side in ["left", "right"] {
                let joint = clip.skeleton.find(&format!("{side}_{joint}")).unwrap();
                let bend = DQuat::from_rotation_x(degrees.to_radians());
                clip.frame_mut(frame)[joint].rotation *= bend;
            }
        }
    }
    for name in ["pedlar", "weaver", "porter"] {
        let character = Figure::cast(name);
        let base = plain_only();
        let plain = performer.retarget(&clip, &character, &base, None);
        let posture = Posture {
            hips_forward_deg: 10.0,
            ..Posture::default()
        };
        let turned = performer.retarget(&clip, &character, &with_posture(posture, base), None);
        let body = &turned.body;
        for (before, after) in pairs(&plain.solved, &turned.solved) {
            let stays = body.arms.iter().filter_map(|arm| arm.wrist);
            let ankles = body.legs.iter().map(|leg| leg.ankle);
            for joint in stays.chain(body.head).chain(ankles) {
                let off = before.position(joint).distance(after.position(joint));
                assert!(off < 1e-9, "{name}: joint {joint} moves by {off} m");
                let turn = before.rotation(joint).angle_between(after.rotation(joint));
                assert!(turn < 1e-6, "{name}: joint {joint} turns by {turn}");
            }
            let pelvis = body.pelvis;
            let turn = before
                .rotation(pelvis)
                .angle_between(after.rotation(pelvis));
            assert!((turn - 10_f64.to_radians()).abs() < 1e-6);
            // The hips come forward.
            let left = before.rotation(pelvis)
                * plain.plain.skeleton.rest_world().rotation(pelvis).inverse()
                * body.frame.left();
            let ahead = left.cross(DVec3::Y);
            let moved = body.mid_hip(&after) - body.mid_hip(&before);
            assert!(moved.dot(ahead) > 0.0, "{name}: {moved}");
        }
    }
}

#[test]
fn contacts_hold_under_every_posture() {
    let (performer, clip) = (performer(), take());
    let character = Figure::cast("pedlar");
    let posture = Posture {
        hips_forward_deg: 8.0,
        stoop_deg: 15.0,
        shoulders_up_deg: 10.0,
        arms_out_deg: 20.0,
        stance_width: 1.4,
        head_down_deg: 10.0,
        head_left_deg: 20.0,
    };
    let plain = performer.retarget(&clip, &character, &Settings::default(), None);
    let settings = with_posture(posture, Settings::default());
    let result = performer.retarget(&clip, &character, &settings, None);
    assert!(worst_slide_m(&result) < 5e-4, "{}", worst_slide_m(&result));
    let worlds = pairs(&plain.solved, &result.solved);
    let apart = |world: &WorldPose| {
        let ankle = |side| world.position(result.body.leg(side, 0).unwrap().ankle);
        ankle(Side::Left).distance(ankle(Side::Right))
    };
    // Standing, before the walk starts, the feet are that much further apart.
    let ratio = apart(&worlds[0].1) / apart(&worlds[0].0);
    assert!((ratio - 1.4).abs() < 0.02, "{ratio}");
}

#[test]
fn a_lower_pelvis_bends_the_knees() {
    let (performer, clip) = (performer(), take());
    for name in ["pedlar", "weaver", "lamplighter"] {
        let character = Figure::cast(name);
        let plain = performer.retarget(&clip, &character, &Settings::default(), None);
        let settings = Settings {
            pelvis_height: Some(0.9),
            ..Settings::default()
        };
        let lower = performer.retarget(&clip, &character, &settings, None);
        assert!(worst_slide_m(&lower) < 5e-4, "{name}");
        let height = |clip: &Clip| plain.body.mid_hip(&clip.world(0)).y;
        let ratio = height(&lower.solved) / height(&plain.solved);
        assert!((ratio - 0.9).abs() < 0.01, "{name}: {ratio}");
    }
}

#[test]
fn the_head_and_the_spine_turn_as_far_as_told() {
    let (performer, clip) = (performer(), take());
    let character = Figure::cast("lamplighter");
    let plain = performer.retarget(&clip, &character, &plain_only(), None);
    let check = |posture: Posture, joint: usize, expected_deg: f64| {
        let settings = with_posture(posture, plain_only());
        let result = performer.retarget(&clip, &character, &settings, None);
        for (before, after) in pairs(&plain.solved, &result.solved) {
            let turn = before.rotation(joint).angle_between(after.rotation(joint));
            assert!(
                (turn.to_degrees() - expected_deg).abs() < 1e-5,
                "{posture:?} {turn}"
            );
        }
    };
    let body = &plain.body;
    let head = body.head.unwrap();
    let chest = *body.spine.last().unwrap();
    let down = Posture {
        head_down_deg: 25.0,
        ..Posture::default()
    };
    check(down, head, 25.0);
    let left = Posture {
        head_left_deg: -30.0,
        ..Posture::default()
    };
    check(left, head, 30.0);
    let stoop = Posture {
        stoop_deg: 20.0,
        ..Posture::default()
    };
    check(stoop, chest, 20.0);
    // The neck takes the stoop back, so the head looks where it looked.
    check(stoop, head, 0.0);
}

#[test]
fn a_pelvis_tilted_in_the_capture_is_told_with_its_angle() {
    let (performer, clip) = (performer(), take());
    let character = Figure::cast("pedlar");
    let note = |clip: &Clip| {
        let result = performer.retarget(clip, &character, &Settings::default(), None);
        result
            .notes
            .into_iter()
            .rfind(|note| note.contains("hips_forward_deg"))
    };
    assert_eq!(note(&clip), None);
    // Markers that sit too low turn the pelvis, and neither trunk nor legs.
    let tilt = DQuat::from_rotation_x(12_f64.to_radians());
    let joint = |name: &str| clip.skeleton.find(name).expect(name);
    let mut tilted = clip.clone();
    for frame in 0..tilted.frame_count() {
        let locals = tilted.frame_mut(frame);
        locals[joint("pelvis")].rotation *= tilt;
        for below in ["spine_1", "left_hip", "right_hip"] {
            let rotation = &mut locals[joint(below)].rotation;
            *rotation = tilt.inverse() * *rotation;
        }
    }
    let said = note(&tilted).expect("a note");
    assert!(said.ends_with("hips_forward_deg: 12"), "{said}");
}

#[test]
fn hand_keys_fade_and_leave_contacts_alone() {
    let (performer, clip) = (performer(), take());
    let character = Figure::cast("weaver");
    let plain = performer.retarget(&clip, &character, &Settings::default(), None);
    let body = plain.body.clone();
    let (head, knee) = (body.head.unwrap(), body.legs[0].knee);
    let name = |joint: usize| plain.solved.skeleton.name(joint).to_owned();
    let key = |joint: usize, frame: usize, turn_deg: [f64; 3], shift_m: [f64; 3]| HandKey {
        joint: name(joint),
        frame,
        turn_deg,
        shift_m,
        fade_in: 10,
        fade_out: 20,
    };
    let settings = Settings {
        keys: vec![
            key(head, 100, [0.0, 40.0, 0.0], [0.0; 3]),
            key(knee, 180, [15.0, 0.0, 0.0], [0.0; 3]),
            key(body.root, 100, [0.0; 3], [0.0, -0.05, 0.0]),
        ],
        ..Settings::default()
    };
    let keyed = performer.retarget(&clip, &character, &settings, None);
    assert!(worst_slide_m(&keyed) < 5e-4);
    let parent = keyed.solved.skeleton.parent(head).unwrap();
    let turned = |frame: usize| {
        let local = |clip: &Clip| {
            let world = clip.world(frame);
            world.rotation(parent).inverse() * world.rotation(head)
        };
        local(&plain.solved)
            .angle_between(local(&keyed.solved))
            .to_degrees()
    };
    assert!((turned(100) - 40.0).abs() < 1e-6);
    assert!(turned(95) > 1.0 && turned(95) < 39.0);
    assert!(turned(89) < 1e-5 && turned(121) < 1e-5);
    let lower = |frame: usize| {
        let height = |clip: &Clip| clip.world(frame).position(body.pelvis).y;
        height(&plain.solved) - height(&keyed.solved)
    };
    assert!((lower(100) - 0.05).abs() < 0.01, "{}", lower(100));
    let missing = Settings {
        keys: vec![HandKey {
            joint: "antler".into(),
            ..settings.keys[0].clone()
        }],
        ..Settings::default()
    };
    let error = performer.try_retarget(&clip, &character, &missing, None);
    assert!(error.unwrap_err().to_string().contains("antler"));
}

/// Angle of the first tail bone against where it rests relative to the pelvis, degrees.
fn tail_swing_deg(result: &Retargeted, tail: usize) -> Vec<f64> {
    let rest = result.solved.skeleton.joint(tail).rest.rotation;
    (0..result.solved.frame_count())
        .map(|frame| {
            let local = result.solved.frame(frame)[tail].rotation;
            local.angle_between(rest).to_degrees()
        })
        .collect()
}

#[test]
fn tails_rest_follow_and_lag() {
    let (performer, clip) = (performer(), take());
    let character = Figure::cast("fiddler");
    let body = &character.body;
    let tail = body
        .appendages
        .iter()
        .find(|part| part.kind == AppendageKind::Tail)
        .expect("the fiddler has a tail");
    let first = tail.joints[0];
    let name = |joint: usize| character.skeleton.name(joint).to_owned();
    let with = |rule: Secondary| {
        let settings = Settings {
            secondary: BTreeMap::from([(name(first), rule)]),
            ..Settings::default()
        };
        performer.retarget(&clip, &character, &settings, None)
    };
    assert_eq!(chain_from(&character.skeleton, body, first), tail.joints);
    let rest = with(Secondary::Rest);
    assert!(
        tail_swing_deg(&rest, first)
            .iter()
            .all(|swing| *swing < 1e-5)
    );
    let head = body.head.unwrap();
    let follow = with(Secondary::Follow {
        joint: name(head),
        scale: 2.0,
        mirrored: false,
    });
    let skeleton = &follow.solved.skeleton;
    for frame in 0..follow.solved.frame_count() {
        let turn = |joint: usize| {
            let local = follow.solved.frame(frame)[joint].rotation;
            let turn = local * skeleton.joint(joint).rest.rotation.inverse();
            turn.angle_between(DQuat::IDENTITY)
        };
        let whole: f64 = tail.joints.iter().map(|&joint| turn(joint)).sum();
        assert!((whole - 2.0 * turn(head)).abs() < 1e-6);
    }
    let lag = with(Secondary::Spring {
        hertz: 1.5,
        damping: 0.5,
        most_deg: 40.0,
    });
    let swing = tail_swing_deg(&lag, first);
    let most = swing.iter().copied().fold(0.0, f64::max);
    // It stands still before the walk, swings during it, and is back at the end.
    assert!(swing[..20].iter().all(|s| *s < 0.5), "{:?}", &swing[..20]);
    assert!(most > 2.0 && most <= 40.0 + 1e-6, "{most}");
    assert!(swing.last().is_some_and(|s| *s < 0.5), "{swing:?}");
    // The rest of the body does not know of it.
    for (a, b) in pairs(&rest.solved, &lag.solved) {
        assert_eq!(a.position(head), b.position(head));
    }
}

#[test]
fn a_spring_does_not_depend_on_the_frame_rate() {
    let performer = performer();
    let made = character(&Description::human("someone", 1.75)).unwrap();
    let head = made.body.head.unwrap();
    let name = made.skeleton.name(made.body.neck[0]).to_owned();
    let settings = Settings {
        secondary: BTreeMap::from([(
            name,
            Secondary::Spring {
                hertz: 2.0,
                damping: 0.4,
                most_deg: 60.0,
            },
        )]),
        ..plain_only()
    };
    let at = |rate: f64| {
        let clip = take();
        let clip = clip.resampled(1.0 / rate, understudy_motion::clip::Interpolation::Hermite);
        let result = performer.retarget(&clip.unwrap(), &performer, &settings, None);
        result.solved.trajectory(head)
    };
    let (slow, fast) = (at(30.0), at(120.0));
    let shared = slow.iter().zip(fast.iter().step_by(4));
    let worst = shared.map(|(a, b)| a.distance(*b)).fold(0.0, f64::max);
    // The motion between frames differs by its sampling, not by the spring.
    assert!(worst < 2e-3, "{worst}");
}
