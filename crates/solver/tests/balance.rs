//! The centre of mass over the feet, on the cast in its flesh.

mod common;

use common::{carried_onto_skin, cast, worst_slide_m};
use understudy_anatomy::Masses;
use understudy_bodies::Character as Made;
use understudy_motion::DVec3;
use understudy_solver::align::source_leg;
use understudy_solver::balance::{Footprint, Sizes, foot_middle};
use understudy_solver::{BalanceSettings, FootPart, Retargeted, Settings};

fn settings(enabled: bool) -> Settings {
    Settings {
        balance: BalanceSettings {
            enabled,
            ..BalanceSettings::default()
        },
        ..Settings::default()
    }
}

/// How far the centre of mass is from where the take has it over the feet that stand, metres, level, frame by
/// frame; `None` where none stands or the weight is not over the feet.
fn imbalance(onto: &Made, result: &Retargeted) -> Vec<Option<DVec3>> {
    let rest = result.solved.skeleton.rest_world();
    let masses = Masses::of_flesh(&onto.surface, &rest).expect("the cast has flesh");
    let performer = Masses::published(&result.performer);
    let take_leg_m = result
        .performer
        .leg_length_m(&result.take.skeleton)
        .expect("legs");
    let sizes = Sizes {
        take_leg_m,
        scale: result.scale.vertical,
    };
    let worlds = result.take.worlds().into_iter().zip(result.solved.worlds());
    let frames = worlds.enumerate().map(|(frame, (take, own))| {
        let legs = result.body.legs.iter().enumerate();
        let feet = legs.filter_map(|(leg, whose)| {
            let source = source_leg(&result.performer, whose)?;
            let stands = result.planted_parts[leg][frame].contains(&true);
            Some(Footprint {
                take: foot_middle(&result.stance.feet[source], &take),
                character: foot_middle(&result.feet[leg], &own),
                weight: f64::from(u8::from(stands)),
            })
        });
        let feet: Vec<Footprint> = feet.collect();
        let (wanted, weight) = Footprint::carry(&feet, performer.centre(&take), sizes)?;
        (weight > 0.5).then(|| (masses.centre(&own) - wanted).with_y(0.0))
    });
    frames.collect()
}

#[test]
fn dump() {
    let (take, onto) = (
        std::env::var("TAKE").unwrap(),
        std::env::var("ONTO").unwrap(),
    );
    let onto = cast(&onto);
    let [free, on] = [false, true].map(|on| carried_onto_skin(&take, &onto, &settings(on)));
    let [a, b] = [&free, &on].map(|r| imbalance(&onto, r));
    let rest = free.solved.skeleton.rest_world();
    let m = Masses::of_flesh(&onto.surface, &rest).unwrap();
    for part in m.parts() {
        eprintln!(
            "{} {:.2} {:?}",
            free.solved.skeleton.name(part.centre.joint),
            100.0 * part.mass / m.whole(),
            part.centre.world(&rest)
        );
    }
    eprintln!(
        "scale {:?} leg {:?} com {:?}",
        free.scale,
        onto.body.leg_length_m(&onto.skeleton),
        m.centre(&rest)
    );
    for f in 0..a.len() {
        let s = on.balance_shifts[f];
        let v = on.pelvis_offsets[f];
        let n: Vec<usize> = on
            .planted_parts
            .iter()
            .map(|p| p[f].iter().map(|x| usize::from(*x)).sum())
            .collect();
        let [x, y] = [a[f], b[f]].map(|e| e.unwrap_or(DVec3::ZERO));
        println!(
            "{f},{:.4},{:.4},{:.4},{:.4},{:.4},{:.4},{:.4},{:.4},{:.4},{},{}",
            x.x, x.z, y.x, y.z, s.x, s.z, v.x, v.y, v.z, n[0], n[1]
        );
    }
}
