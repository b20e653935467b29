//! Parts of a body stay out of each other on the skin, as another crate measures it.

mod common;

use std::collections::BTreeMap;

use common::{carried_onto_skin, cast};
use understudy_bodies::Character as Made;
use understudy_motion::Clip;
use understudy_overlap::{SkinParts, body_parts};
use understudy_solver::near::{Chosen, pose_now};
use understudy_solver::settings::PlantSettings;
use understudy_solver::{FootPart, Retargeted, Settings, TouchSettings};

fn carried(name: &str, onto: &Made, settings: &Settings, keep_out: bool) -> Retargeted {
    let touches = TouchSettings {
        keep_out,
        ..settings.touches
    };
    let settings = Settings {
        touches,
        ..settings.clone()
    };
    carried_onto_skin(name, onto, &settings)
}

/// What of one word and of another share over time, m³ s, and the deepest, metres.
fn overlap(onto: &Made, result: &Retargeted, words: [&str; 2]) -> (f64, f64) {
    let parts = body_parts(&onto.skeleton, &onto.body);
    let leg_m = onto.body.leg_length_m(&onto.skeleton).expect("legs");
    let rest = onto.skeleton.rest_world();
    let skin = SkinParts::new(&onto.surface, &parts, &rest, leg_m);
    let is_asked = |[one, other]: [usize; 2]| {
        let names = [one, other].map(|part| parts.list[part].name.as_str());
        let has = |a: usize, b: usize| names[0].contains(words[a]) && names[1].contains(words[b]);
        has(0, 1) || has(1, 0)
    };
    let asked: Vec<bool> = skin.pairs().map(is_asked).collect();
    let (mut volume, mut deepest_m) = (0.0, 0.0f64);
    for world in result.solved.worlds() {
        let found = skin.overlaps(&onto.surface, &world);
        for (pair, _) in found.pairs.iter().zip(&asked).filter(|(_, asked)| **asked) {
            volume += pair.volume_m3 * result.solved.frame_time_secs;
            deepest_m = deepest_m.max(pair.depth_m);
        }
    }
    (volume, deepest_m)
}

/// The porter is broad and its arms are short: it would pray with its forearms 14 cm inside its chest.
#[test]
fn an_arm_stays_out_of_the_trunk_and_its_touch_is_kept() {
    let onto = cast("porter");
    let settings = Settings::default();
    let [free, apart] = [false, true].map(|keep| carried("prayer", &onto, &settings, keep));
    let [(before, before_m), (after, after_m)] =
        [&free, &apart].map(|result| overlap(&onto, result, ["arm", "trunk"]));
    assert!(before > 1e-3 && before_m > 0.1, "{before} {before_m}");
    assert!(after < 0.02 * before, "{before} m3 s before, {after} after");
    assert!(
        after_m < 0.1 * before_m,
        "{before_m} m before, {after_m} after"
    );
    let kept = apart.touches[0]
        .gaps_m
        .iter()
        .filter(|gap| gap.abs() < 0.002);
    assert!(
        kept.count() + 3 > apart.touches[0].gaps_m.len(),
        "{:?}",
        apart.touches[0].gaps_m
    );
    // Switched on, it is answered in the frame that is shown before the clip is.
    let mut answered = free.clone();
    let mut was = free.clone();
    let frames: Vec<usize> = (0..free.solved.frame_count()).step_by(16).collect();
    let of = |result: &Retargeted| {
        let locals = frames
            .iter()
            .flat_map(|&frame| result.solved.frame(frame).to_vec());
        let skeleton = std::sync::Arc::clone(&result.solved.skeleton);
        Clip::new(skeleton, result.solved.frame_time_secs, locals.collect()).expect("sound")
    };
    was.solved = of(&free);
    let mut after = settings.clone();
    after.touches.keep_out = true;
    let [before, after] = [&settings, &after].map(|settings| Chosen {
        settings,
        contacts: None,
    });
    for &frame in &frames {
        let now = pose_now(&free, before, after, Some(&onto.surface), frame).expect("a frame");
        answered
            .solved
            .frame_mut(frame)
            .copy_from_slice(&now.locals);
    }
    answered.solved = of(&answered);
    let [(was, was_m), (now, now_m)] =
        [&was, &answered].map(|result| overlap(&onto, result, ["arm", "trunk"]));
    assert!(was_m > 0.1, "{was_m}");
    assert!(
        now < 0.02 * was,
        "{was} m3 s before, {now} in frames answered"
    );
    assert!(
        now_m < 0.1 * was_m,
        "{was_m} m before, {now_m} in frames answered"
    );
}

/// The weaver prays with two pairs of arms, and the performer has no second pair: its first tells on which
/// sides of each other these lie.
#[test]
fn arms_of_a_further_pair_stay_out_of_each_other() {
    let onto = cast("weaver");
    let settings = Settings::default();
    let [free, apart] = [false, true].map(|keep| carried("prayer", &onto, &settings, keep));
    let [(before, before_m), (after, after_m)] =
        [&free, &apart].map(|result| overlap(&onto, result, ["of pair 2", "of pair 2"]));
    assert!(before > 1e-5 && before_m > 0.01, "{before} {before_m}");
    assert!(after < 0.02 * before, "{before} m3 s before, {after} after");
    assert!(after_m < 0.002, "{after_m}");
    for carried in &apart.touches {
        let worst_m = carried
            .gaps_m
            .iter()
            .fold(0.0, |worst: f64, gap| worst.max(gap.abs()));
        assert!(worst_m < 0.002, "{worst_m}");
    }
}

/// Thighs turned towards each other by 9 degrees walk through each other.
#[test]
fn legs_stay_out_of_each_other() {
    let onto = cast("giant");
    let name = |joint: usize| onto.skeleton.joint(joint).name.clone();
    let turned = onto.body.legs.iter().map(|leg| {
        let inward = match leg.side {
            understudy_anatomy::Side::Left => -9.0,
            _ => 9.0,
        };
        (name(leg.hip), [0.0, 0.0, inward])
    });
    let settings = Settings {
        offsets_deg: BTreeMap::from_iter(turned),
        plants: PlantSettings {
            enabled: false,
            ..PlantSettings::default()
        },
        ..Settings::default()
    };
    let [free, apart] = [false, true].map(|keep| carried("walk", &onto, &settings, keep));
    let [(before, before_m), (after, after_m)] =
        [&free, &apart].map(|result| overlap(&onto, result, ["shank", "shank"]));
    assert!(before > 1e-5 && before_m > 0.01, "{before} {before_m}");
    assert!(after < 0.02 * before, "{before} m3 s before, {after} after");
    assert!(after_m < 0.004, "{after_m}");
}

/// What stands stays, while legs give way over it.
#[test]
fn feet_stand_while_legs_give_way() {
    let onto = cast("lamplighter");
    let settings = Settings::default();
    let [free, apart] = [false, true].map(|keep| carried("crawl", &onto, &settings, keep));
    let mut moved_m = 0.0f64;
    for (leg, foot) in apart.feet.iter().enumerate() {
        for (index, part) in FootPart::ALL.into_iter().enumerate() {
            let Some(point) = foot.point(part) else {
                continue;
            };
            for frame in 0..apart.solved.frame_count() {
                if apart.planted_parts[leg][frame][index] {
                    let [a, b] =
                        [&free, &apart].map(|result| point.world(&result.solved.world(frame)));
                    moved_m = moved_m.max(a.distance(b));
                }
            }
        }
    }
    assert!(moved_m < 5e-4, "{moved_m}");
}
