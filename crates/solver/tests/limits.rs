//! Joints that the solver turns stay within what people can do, where a touch leaves them the choice.

mod common;

use common::{carried_onto_skin, cast};
use understudy_anatomy::{Arm, Side};
use understudy_motion::WorldPose;
use understudy_solver::{LimitSettings, Retargeted, Settings};

/// American Academy of Orthopaedic Surgeons, *Joint Motion: Method of Measuring and Recording* (1965):
/// flexion of the wrist 80 degrees, extension 70; extension of the hanging arm 60.
const WRIST_DEG: f64 = 80.0;
const ARM_BACK_DEG: f64 = 60.0;

/// What is left beyond an end, degrees.
const LEFT_DEG: f64 = 0.6;

fn free() -> Settings {
    let mut settings = Settings::default();
    settings.limits.enabled = false;
    settings
}

fn with_range(key: &str, range: [f64; 2]) -> Settings {
    Settings {
        limits: LimitSettings {
            ranges_deg: [(key.to_owned(), range)].into(),
            ..LimitSettings::default()
        },
        ..Settings::default()
    }
}

/// Angle between forearm and hand.
fn wrist_deg(_: &Retargeted, arm: &Arm, world: &WorldPose) -> f64 {
    let wrist = world.position(arm.wrist.expect("a wrist"));
    let fore = wrist - world.position(arm.elbow);
    let hand = arm.hand_tip.world(world) - wrist;
    fore.angle_between(hand).to_degrees()
}

/// How far the upper arm hangs behind the chest; 0 where it is raised or held aside.
fn arm_back_deg(result: &Retargeted, arm: &Arm, world: &WorldPose) -> f64 {
    let body = &result.body;
    let chest = *body.spine.last().expect("a chest");
    let rest = result.solved.skeleton.rest_world();
    let upper = world.position(arm.elbow) - world.position(arm.shoulder);
    let since_rest = world.rotation(chest) * rest.rotation(chest).inverse();
    // The cast looks along Z at rest, Y up.
    let upper = since_rest.inverse() * upper.normalize();
    let hangs = upper.y < 0.0 && upper.x.abs() < std::f64::consts::FRAC_1_SQRT_2;
    match hangs {
        true => (-upper.z).atan2(-upper.y).to_degrees(),
        false => 0.0,
    }
}

type Angle = fn(&Retargeted, &Arm, &WorldPose) -> f64;

/// How far an arm of a side goes beyond an end, or beyond plain transfer where that is farther, degrees.
fn beyond_deg(result: &Retargeted, side: Side, end_deg: f64, angle: Angle) -> f64 {
    let arm = result.body.arm(side, 0).expect("an arm");
    let frames = 0..result.solved.frame_count();
    let beyond = frames.map(|frame| {
        let [plain, solved] = [&result.plain, &result.solved].map(|clip| clip.world(frame));
        angle(result, arm, &solved) - angle(result, arm, &plain).max(end_deg)
    });
    beyond.fold(0.0, f64::max)
}

/// Distance or depth of touching skins, the greatest of all frames, metres.
fn worst_gap_m(result: &Retargeted) -> f64 {
    let gaps = result.touches.iter().flat_map(|touch| &touch.gaps_m);
    gaps.fold(0.0, |worst, gap| worst.max(gap.abs()))
}

/// A joint that a touch takes beyond its range by `least_deg` where it may is kept within it, and the
/// touch is kept as well.
fn check(take: &str, character: &str, end_deg: f64, angle: Angle, least_deg: f64) {
    let onto = cast(character);
    let [free, held] =
        [free(), Settings::default()].map(|settings| carried_onto_skin(take, &onto, &settings));
    for side in [Side::Left, Side::Right] {
        let [free_deg, held_deg] =
            [&free, &held].map(|result| beyond_deg(result, side, end_deg, angle));
        assert!(free_deg > least_deg, "{take}: {free_deg}");
        assert!(held_deg < LEFT_DEG, "{take}: {held_deg} of {free_deg}");
    }
    assert!(!held.touches.is_empty());
    // The aim of the project for surfaces that touch.
    for result in [&free, &held] {
        assert!(
            worst_gap_m(result) < 2e-3,
            "{take}: {}",
            worst_gap_m(result)
        );
    }
}

#[test]
fn a_wrist_is_not_bent_beyond_what_wrists_do() {
    check("sit", "lamplighter", WRIST_DEG, wrist_deg, 30.0);
}

#[test]
fn an_arm_is_not_held_farther_back_than_shoulders_go() {
    check("hips", "lamplighter", ARM_BACK_DEG, arm_back_deg, 5.0);
}

#[test]
fn a_character_may_have_ranges_of_its_own() {
    let onto = cast("lamplighter");
    let solved = |settings: &Settings| carried_onto_skin("sit", &onto, settings);
    let beyond = |result: &Retargeted| {
        [Side::Left, Side::Right].map(|side| beyond_deg(result, side, WRIST_DEG, wrist_deg))
    };
    // Wide enough for all that the touch asks, of both wrists and of one.
    let both = beyond(&solved(&with_range("wrist bend", [0.0, 150.0])));
    assert!(both.iter().all(|deg| *deg > 30.0), "{both:?}");
    let [left, right] = beyond(&solved(&with_range("left wrist bend", [0.0, 150.0])));
    assert!(left > 30.0 && right < LEFT_DEG, "{left} {right}");
}

#[test]
fn the_performers_own_body_stays_as_it_is() {
    let own = cast("performer");
    for take in ["sit", "hips", "crawl"] {
        let [free, held] =
            [free(), Settings::default()].map(|settings| carried_onto_skin(take, &own, &settings));
        assert_eq!(free.solved, held.solved, "{take}");
    }
}
