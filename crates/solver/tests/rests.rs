//! Knees and seat on the floor: the skin that rests lies on it, and the feet stay where they stand.
//!
//! The skin is posed by linear blend skinning (glTF 2.0 section 3.7.3.3) of all its vertices, by other code than
//! the solver's.

mod common;

use std::ops::RangeInclusive;

use common::{carried_onto_skin, cast};
use understudy_anatomy::Side;
use understudy_bodies::Character as Made;
use understudy_solver::{Retargeted, Settings, Touch, TouchPart};

/// Frames in which the performer kneels with the right knee on the floor, well within: from the truth that
/// comes with the take (`TrueTouch`), 0.2 s after the knee is down and before it leaves.
fn kneeling() -> Vec<RangeInclusive<usize>> {
    let take = understudy_bodies::takes::take("lift").expect("one of the takes");
    let margin = (0.2 / take.clip.frame_time_secs) as usize;
    let knees = take.touches.iter().filter(|touch| {
        let part = touch.ends[0].part;
        part == understudy_bodies::takes::TouchPart::Knee(Side::Right)
    });
    let frames: Vec<RangeInclusive<usize>> = knees
        .map(|touch| touch.first_frame + margin..=touch.last_frame - margin)
        .collect();
    assert!(!frames.is_empty(), "the performer kneels");
    frames
}

/// Height of the lowest vertex that goes with thigh or shank above the floor, metres.
fn knee_height_m(result: &Retargeted, onto: &Made, side: Side, frame: usize) -> f64 {
    let leg = onto.body.leg(side, 0).expect("a leg");
    let mut joints = onto.skeleton.subtree(leg.hip);
    let foot = onto.skeleton.subtree(leg.ankle);
    joints.retain(|joint| !foot.contains(joint));
    let world = result.solved.world(frame);
    let mut least_m = f64::INFINITY;
    for mesh in &onto.surface.meshes {
        for (vertex, place) in mesh.posed(&world).into_iter().enumerate() {
            if mesh
                .main_joint(vertex)
                .is_some_and(|joint| joints.contains(&joint))
            {
                least_m = least_m.min(result.floor().above(place));
            }
        }
    }
    least_m
}

/// Plain transfer leaves the knee 20 mm in the floor or 100 mm, as thick as legs are.
#[test]
fn who_kneels_kneels_on_the_floor() {
    for name in ["porter", "giant"] {
        let onto = cast(name);
        let result = carried_onto_skin("lift", &onto, &Settings::default());
        for frames in kneeling() {
            for frame in frames.step_by(4) {
                let height_m = knee_height_m(&result, &onto, Side::Right, frame);
                assert!(height_m.abs() < 2e-3, "{name}, frame {frame}: {height_m} m");
                let mut plain = result.clone();
                plain.solved = result.plain.clone();
                let before_m = knee_height_m(&plain, &onto, Side::Right, frame);
                assert!(
                    before_m.abs() > 0.015,
                    "{name}, frame {frame}: {before_m} m"
                );
            }
        }
        for carried in &result.touches {
            let words = carried.touch.words();
            assert_eq!(words, "right knee on floor");
            let worst_m = carried
                .gaps_m
                .iter()
                .fold(0.0f64, |most, gap| most.max(gap.abs()));
            assert!(worst_m < 2e-3, "{name}: {words} {worst_m} m");
        }
        assert!(!result.touches.is_empty());
    }
}

/// What is taken out of the contacts is not held.
#[test]
fn a_rest_that_is_deleted_is_not_held() {
    let onto = cast("giant");
    let mut settings = Settings::default();
    settings.touches.enabled = false;
    let result = carried_onto_skin("lift", &onto, &settings);
    assert!(result.touches.is_empty());
    let frames = kneeling().remove(0);
    let height_m = knee_height_m(&result, &onto, Side::Right, *frames.start());
    assert!(height_m.abs() > 0.02, "{height_m} m");
}

/// A thigh cannot be asked to rest, nor can the floor.
#[test]
fn only_trunk_and_shanks_rest() {
    let take = understudy_bodies::takes::take("lift").expect("one of the takes");
    let performer = cast("performer");
    let found = understudy_solver::find_touches(
        understudy_solver::Take {
            clip: &take.clip,
            body: &performer.body,
            surface: None,
        },
        &Settings::default(),
    );
    let knee = found.iter().find(|touch| touch.is_rest()).expect("a knee");
    assert_eq!(knee.from.part, TouchPart::Shank);
    let mut thigh = *knee;
    thigh.from.part = TouchPart::Thigh;
    let contacts = |touch: Touch| understudy_solver::Contacts {
        contacts: Vec::new(),
        touches: Some(vec![touch]),
    };
    let frames = take.clip.frame_count();
    assert_eq!(contacts(*knee).check(frames, &performer.body), Ok(()));
    let error = contacts(thigh)
        .check(frames, &performer.body)
        .expect_err("a thigh");
    assert!(error.contains("may rest on the floor"), "{error}");
}
