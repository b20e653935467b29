//! Quick answers to a change agree with the whole solve.

mod common;

use common::{Figure, plain_only, take};
use understudy_motion::{Clip, WorldPose};
use understudy_solver::near::{is_near, pose_now, retarget_part};
use understudy_solver::{HandKey, Posture, Retargeted, Settings, Watch};

fn solved() -> (Figure, Figure, Clip, Retargeted) {
    let (performer, character, clip) = (Figure::made(|_| {}), Figure::cast("weaver"), take());
    let known = performer.retarget(&clip, &character, &Settings::default(), None);
    (performer, character, clip, known)
}

/// Largest distance of a joint between two poses, metres.
fn apart_m(a: &WorldPose, b: &WorldPose) -> f64 {
    let joints = 0..a.affines.len();
    let apart = joints.map(|joint| a.position(joint).distance(b.position(joint)));
    apart.fold(0.0, f64::max)
}

fn stooping(known: &Retargeted) -> Settings {
    Settings {
        posture: Posture {
            stoop_deg: 12.0,
            arms_out_deg: 8.0,
            ..Posture::default()
        },
        keys: vec![HandKey {
            joint: known.solved.skeleton.name(known.body.root).to_owned(),
            frame: 60,
            turn_deg: [0.0; 3],
            shift_m: [0.0, -0.03, 0.0],
            fade_in: 20,
            fade_out: 20,
        }],
        ..Settings::default()
    }
}

#[test]
fn no_change_is_the_last_result() {
    let (_, _, _, known) = solved();
    let settings = Settings::default();
    for frame in (0..known.solved.frame_count()).step_by(7) {
        let locals = pose_now(&known, &settings, &settings, frame).unwrap();
        let now = WorldPose::from_locals(&known.solved.skeleton, &locals);
        let apart = apart_m(&now, &known.solved.world(frame));
        assert!(apart < 1e-6, "frame {frame}: {apart}");
    }
}

#[test]
fn a_change_is_answered_near_to_what_the_whole_solve_makes_of_it() {
    let (performer, character, clip, known) = solved();
    let after = stooping(&known);
    let whole = performer.retarget(&clip, &character, &after, None);
    let mut changed: f64 = 0.0;
    for frame in (0..known.solved.frame_count()).step_by(5) {
        let locals = pose_now(&known, &Settings::default(), &after, frame).unwrap();
        let now = WorldPose::from_locals(&known.solved.skeleton, &locals);
        let (old, new) = (known.solved.world(frame), whole.solved.world(frame));
        changed = changed.max(apart_m(&old, &new));
        let apart = apart_m(&now, &new);
        // The pelvis gives way a little differently, which only the whole solve can know.
        assert!(apart < 0.03, "frame {frame}: {apart}");
        for (leg, parts) in known.body.legs.iter().zip(&known.planted_parts) {
            if parts[frame].contains(&true) {
                let ankle = now.position(leg.ankle).distance(old.position(leg.ankle));
                assert!(
                    ankle < 1e-6,
                    "frame {frame}: a planted foot moves by {ankle}"
                );
            }
        }
    }
    assert!(changed > 0.1, "{changed}");
}

#[test]
fn a_part_is_what_the_whole_solve_makes_of_its_middle() {
    let (performer, character, clip, known) = solved();
    let after = stooping(&known);
    assert!(is_near(&Settings::default(), &after, false));
    let whole = performer.retarget(&clip, &character, &after, None);
    let [first, last] = [30, 120];
    let part = retarget_part(
        &known,
        &after,
        (&whole.contacts, None),
        [first, last],
        Watch::nobody(),
    );
    let part = part.unwrap().solved;
    assert_eq!(part.frame_count(), last - first + 1);
    for frame in first + 30..=last - 30 {
        let apart = apart_m(&part.world(frame - first), &whole.solved.world(frame));
        assert!(apart < 0.005, "frame {frame}: {apart}");
    }
}

#[test]
fn another_floor_or_other_contacts_are_not_near() {
    let before = Settings::default();
    let floor = Settings {
        floor_height_m: Some(0.1),
        ..Settings::default()
    };
    assert!(!is_near(&before, &floor, true));
    let mut contacts = Settings::default();
    contacts.contacts.end_speed *= 1.1;
    assert!(!is_near(&before, &contacts, false));
    assert!(is_near(&before, &contacts, true));
}

#[test]
fn planting_switched_off_is_plain_transfer() {
    let (_, _, _, known) = solved();
    for frame in [0, 40, 200] {
        let locals = pose_now(&known, &Settings::default(), &plain_only(), frame).unwrap();
        let now = WorldPose::from_locals(&known.solved.skeleton, &locals);
        assert!(apart_m(&now, &known.plain.world(frame)) < 1e-9);
    }
}
