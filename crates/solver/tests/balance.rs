//! The centre of mass over the feet, on the cast in its flesh.

mod common;

use common::{Figure, carried_onto_skin, cast, performer, plain_only, take, worst_slide_m};
use understudy_anatomy::Masses;
use understudy_bodies::Character as Made;
use understudy_motion::{Clip, DQuat, DVec3};
use understudy_solver::align::source_leg;
use understudy_solver::balance::{Footprint, Sizes, foot_middle, on_feet};
use understudy_solver::near::{Chosen, pose_now, retarget_part};
use understudy_solver::{BalanceSettings, FootPart, Retargeted, Settings, Together, Watch};

fn balanced() -> Settings {
    with_balance(&Settings::default())
}

fn with_balance(settings: &Settings) -> Settings {
    Settings {
        balance: BalanceSettings {
            enabled: true,
            ..settings.balance
        },
        ..settings.clone()
    }
}

/// How far the centre of mass is from where the take has it over the feet that stand, metres, mean over the
/// frames in which that can be said.
fn imbalance_m(masses: &Masses, result: &Retargeted) -> f64 {
    let performer = Masses::published(&result.performer);
    let leg_m = result.performer.leg_length_m(&result.take.skeleton);
    let sizes = Sizes {
        take_leg_m: leg_m.expect("the performer has legs"),
        scale: result.scale.vertical,
    };
    let worlds = result.take.worlds().into_iter().zip(result.solved.worlds());
    let frames = worlds.enumerate().filter_map(|(frame, (take, own))| {
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
        let on_feet = on_feet(
            &result.performer,
            &take,
            &result.stance.floor,
            sizes.take_leg_m,
        );
        (weight * on_feet > 0.5).then(|| (masses.centre(&own) - wanted).with_y(0.0).length())
    });
    let all: Vec<f64> = frames.collect();
    assert!(all.len() > result.take.frame_count() / 4, "{}", all.len());
    all.iter().sum::<f64>() / all.len() as f64
}

/// Masses of a character's flesh at rest, Y up.
fn flesh(onto: &Made) -> Masses {
    let rest = onto.skeleton.rest_world();
    Masses::of_flesh(&onto.surface, &rest).expect("the cast has flesh")
}

/// Largest third difference of the root's way along the floor, metres per second cubed.
fn worst_jerk(result: &Retargeted) -> f64 {
    let root = result.body.root;
    let worlds = result.solved.worlds();
    let way: Vec<DVec3> = worlds
        .iter()
        .map(|w| w.position(root).with_y(0.0))
        .collect();
    let dt = result.solved.frame_time_secs;
    let jerk = way
        .windows(4)
        .map(|four| (four[3] - 3.0 * four[2] + 3.0 * four[1] - four[0]).length() / dt.powi(3));
    jerk.fold(0.0, f64::max)
}

/// Largest way that a planted part is apart in two results, metres.
fn feet_apart_m(a: &Retargeted, b: &Retargeted) -> f64 {
    let mut apart_m = 0.0f64;
    for (leg, foot) in a.feet.iter().enumerate() {
        for (index, part) in FootPart::ALL.into_iter().enumerate() {
            let Some(point) = foot.point(part) else {
                continue;
            };
            for frame in 0..a.solved.frame_count() {
                if a.planted_parts[leg][frame][index] {
                    let [a, b] = [a, b].map(|result| point.world(&result.solved.world(frame)));
                    apart_m = apart_m.max(a.distance(b));
                }
            }
        }
    }
    apart_m
}

/// Who would topple stands over the feet as the performer does: the giant with its arms, the weaver with all
/// that is behind it. The bounds are near what is reached, where a smooth sway lags behind a fast step.
#[test]
fn who_would_topple_stands() {
    for (name, take_name, share) in [
        ("weaver", "dance", 0.1),
        ("weaver", "lift", 0.1),
        ("giant", "walk", 0.4),
        ("giant", "lift", 0.4),
    ] {
        let onto = cast(name);
        let masses = flesh(&onto);
        let carried = |settings: &Settings| carried_onto_skin(take_name, &onto, settings);
        let [free, on] = [Settings::default(), balanced()].map(|settings| carried(&settings));
        let [before, after] = [&free, &on].map(|result| imbalance_m(&masses, result));
        let what = format!("{name} {take_name}: {before} m before, {after} after");
        assert!(after < share * before, "{what}");
        // What a foot slides, and rises where it rolls on its skin, is as it was.
        let slides_m = [&free, &on].map(worst_slide_m);
        assert!(
            slides_m[1] < 2e-4_f64.max(slides_m[0] + 1e-6),
            "{what}: {slides_m:?}"
        );
        // Feet stand where they stood.
        assert!(feet_apart_m(&free, &on) < 2e-4, "{what}");
        let furthest_m = 0.3 * onto.body.leg_length_m(&onto.skeleton).expect("legs");
        let shifts = on.balance_shifts.iter();
        let most_m = shifts.map(|shift| shift.length()).fold(0.0, f64::max);
        // What the shift adds to the jerk of the pelvis is less than that of a sway as wide once a second.
        let jerks = [&free, &on].map(worst_jerk);
        let sway = most_m * std::f64::consts::TAU.powi(3);
        assert!(jerks[1] - jerks[0] < sway, "{what}: {jerks:?} {sway}");
        assert!(
            most_m < 1.2 * furthest_m && most_m > 0.1 * furthest_m,
            "{what}: {most_m}"
        );
    }
}

#[test]
fn the_own_body_is_as_it_was() {
    let performer = performer();
    let carried = |settings: &Settings| performer.retarget(&take(), &performer, settings, None);
    let [free, on] = [Settings::default(), balanced()].map(|settings| carried(&settings));
    assert_eq!(free.solved, on.solved);
}

#[test]
fn feet_that_are_not_planted_stay_too() {
    let (performer, character) = (performer(), Figure::cast("weaver"));
    let carried = |settings: &Settings| performer.retarget(&take(), &character, settings, None);
    let [free, on] = [plain_only(), with_balance(&plain_only())].map(|settings| carried(&settings));
    let mut moved_m = 0.0f64;
    for (a, b) in free.solved.worlds().iter().zip(on.solved.worlds()) {
        moved_m = moved_m.max(
            a.position(free.body.pelvis)
                .distance(b.position(free.body.pelvis)),
        );
        for leg in &free.body.legs {
            let apart_m = a.position(leg.ankle).distance(b.position(leg.ankle));
            // Plain transfer has legs that are nearly straight, and no pelvis gives way to them.
            assert!(apart_m < 0.02, "{apart_m}");
        }
    }
    assert!(moved_m > 0.01, "{moved_m}");
}

#[test]
fn every_frame_by_itself_is_balanced_by_itself() {
    let (performer, character) = (performer(), Figure::cast("weaver"));
    let clip = take();
    let each = Settings {
        together: Together::Frame,
        ..balanced()
    };
    let whole = performer.retarget(&clip, &character, &each, None);
    let masses = Masses::published(&character.body);
    let free = performer.retarget(
        &clip,
        &character,
        &Settings {
            together: Together::Frame,
            ..Settings::default()
        },
        None,
    );
    let [before, after] = [&free, &whole].map(|result| imbalance_m(&masses, result));
    assert!(after < 0.2 * before, "{before} {after}");
    // What a frame is does not hang on its neighbours; only where a foot is planted does.
    let each = Settings {
        together: Together::Frame,
        ..with_balance(&plain_only())
    };
    let whole = performer.retarget(&clip, &character, &each, None);
    let contacts = whole.contacts.clone();
    let part = retarget_part(&whole, &each, (&contacts, None), [40, 60], Watch::nobody());
    let part = part.expect("a valid take solves");
    for (a, b) in part
        .balance_shifts
        .iter()
        .zip(&whole.balance_shifts[40..=60])
    {
        assert!(a.distance(*b) < 1e-9, "{a} {b}");
    }
}

#[test]
fn who_has_no_legs_is_told() {
    let performer = performer();
    let mut character = Figure::cast("weaver");
    character.body.legs.clear();
    let carried = |settings: &Settings| performer.retarget(&take(), &character, settings, None);
    let [free, on] = [Settings::default(), balanced()].map(|settings| carried(&settings));
    assert_eq!(free.solved, on.solved);
    let is_told = |result: &Retargeted| result.notes.iter().any(|note| note.contains("balanced"));
    assert!(is_told(&on) && !is_told(&free));
}

/// The take up a slope of 4 degrees: everything is turned about the axis across the way.
fn ramp() -> Clip {
    let mut clip = take();
    let turn = DQuat::from_rotation_x(-4.0f64.to_radians());
    for frame in 0..clip.frame_count() {
        let root = &mut clip.frame_mut(frame)[0];
        root.translation = turn * root.translation;
        root.rotation = (turn * root.rotation).normalize();
    }
    clip
}

#[test]
fn a_ramp_is_stood_on_as_well() {
    let (performer, character) = (performer(), Figure::cast("giant"));
    let carried = |settings: &Settings| performer.retarget(&ramp(), &character, settings, None);
    let [free, on] = [Settings::default(), balanced()].map(|settings| carried(&settings));
    assert!(free.floor().slope() > 0.06);
    let masses = Masses::published(&character.body);
    let [before, after] = [&free, &on].map(|result| imbalance_m(&masses, result));
    assert!(after < 0.5 * before, "{before} {after}");
    assert!(feet_apart_m(&free, &on) < 2e-4 && worst_slide_m(&on) < 2e-4);
    assert!(on.balance_shifts.iter().all(|shift| shift.y == 0.0));
}

/// What one frame says of a change of balance, against the whole clip solved with it.
#[test]
fn a_change_of_balance_is_answered_by_the_frames_around() {
    let (performer, character) = (performer(), Figure::cast("giant"));
    let clip = take();
    let free = Settings::default();
    let half = Settings {
        balance: BalanceSettings {
            enabled: true,
            strength: 0.5,
            ..BalanceSettings::default()
        },
        ..Settings::default()
    };
    let all = [free, balanced(), half];
    let results = all
        .each_ref()
        .map(|settings| performer.retarget(&clip, &character, settings, None));
    for [from, to] in [[0, 1], [1, 0], [1, 2], [2, 1]] {
        let (known, whole) = (&results[from], &results[to]);
        let chosen = |at: usize| Chosen {
            settings: &all[at],
            contacts: None,
        };
        let (mut left, mut was) = (0.0, 0.0);
        for frame in (0..clip.frame_count()).step_by(3) {
            let now = pose_now(known, chosen(from), chosen(to), None, frame);
            let now = now.expect("a valid frame");
            let now =
                understudy_motion::WorldPose::from_locals(&known.solved.skeleton, &now.locals);
            let [old, new] = [known, whole].map(|result| result.solved.world(frame));
            let pelvis = known.body.pelvis;
            left += now.position(pelvis).distance(new.position(pelvis));
            was += old.position(pelvis).distance(new.position(pelvis));
            for (leg, parts) in known.body.legs.iter().zip(&known.planted_parts) {
                if parts[frame].contains(&true) {
                    let apart_m = now.position(leg.ankle).distance(old.position(leg.ankle));
                    assert!(apart_m < 1e-6, "{apart_m}");
                }
            }
        }
        assert!(
            was > 0.0 && left < 0.35 * was,
            "{from} to {to}: {left} of {was}"
        );
    }
}
