//! A standing jump.

use glam::DVec3;

use crate::plan::{SIDES, sign};
use crate::takes::draft::Draft;
use crate::takes::feet::{Footing, Stance};
use crate::takes::figure::Figure;
use crate::takes::line::{Line, Series};
use crate::takes::mass::centre_of_mass;
use crate::takes::score::{DEGREE, HandPlan, Score};
use crate::takes::standing::{HALF_STAND_M, TOE_OUT, hanging, standing};

/// Acceleration of free fall, metres per second squared.
const GRAVITY: f64 = 9.81;
/// Lowest point before the jump, take-off, touch-down, lowest point after, seconds.
const BOTTOM_SECS: f64 = 1.12;
const OFF_SECS: f64 = 1.46;
const DOWN_SECS: f64 = 1.89;
const ABSORBED_SECS: f64 = 2.25;
/// How far the feet land ahead of the hips, metres.
const REACH_M: f64 = 0.09;
/// Way of the jump, metres.
const WAY_M: f64 = 0.20;

fn degrees(keys: &[(f64, f64)]) -> Line {
    Line::through(keys).times(DEGREE)
}

fn feet() -> [Footing; 2] {
    SIDES.map(|side| {
        let place = |z_m: f64| DVec3::new(sign(side) * HALF_STAND_M, 0.0, z_m);
        let heading = sign(side) * TOE_OUT;
        let mut before = Stance::flat(place(0.0), heading, f64::NEG_INFINITY, OFF_SECS);
        // The push goes on past the moment of take-off, so that the foot is still turning then.
        let push_secs = 0.17;
        let push = move |secs: f64| ((secs - OFF_SECS) / push_secs + 1.0).max(0.0);
        before.pitch = Line::new(move |secs| {
            let push = push(secs);
            -40.0 * DEGREE * push.powi(3) * (1.9 - 0.9 * push)
        });
        before.toe_pitch = Line::new(move |secs| {
            let roll = ((push(secs) - 0.55) / 0.45).max(0.0);
            -16.0 * DEGREE * roll.powi(3) * (1.6 - 0.6 * roll)
        });
        before.lift_m = 0.07;
        before.swing_pitch = 42.0 * DEGREE;
        let mut after = Stance::flat(place(WAY_M + REACH_M), heading, DOWN_SECS, f64::INFINITY);
        let settle = Line::through(&[(DOWN_SECS - 0.06, -30.0), (DOWN_SECS + 0.07, 0.0)]);
        after.pitch = settle.times(DEGREE);
        Footing {
            stances: vec![before, after],
        }
    })
}

/// Crouches, swings the arms, jumps and lands softly.
pub(crate) fn jump(figure: &'static Figure) -> Draft {
    let mut score = standing(4.0);
    score.feet = feet();
    score.by_reach = true;
    score.pelvis.turn.pitch = degrees(&[
        (0.5, 0.0),
        (BOTTOM_SECS, 24.0),
        (1.42, 2.0),
        (1.75, 4.0),
        (2.2, 22.0),
        (3.1, -1.0),
        (3.6, 0.0),
    ]);
    score.chest.pitch = degrees(&[
        (0.45, 0.0),
        (BOTTOM_SECS, 46.0),
        (1.40, 2.0),
        (1.7, 8.0),
        (2.25, 38.0),
        (3.1, -2.5),
        (3.7, 0.0),
    ]);
    score.head.pitch = degrees(&[
        (0.4, 0.0),
        (1.05, 22.0),
        (1.4, -10.0),
        (1.7, 16.0),
        (2.2, 24.0),
        (3.0, 0.0),
    ]);
    let arms = degrees(&[
        (0.35, 4.0),
        (0.6, 16.0),
        (1.04, -48.0),
        (1.46, 128.0),
        (1.66, 112.0),
        (2.2, 22.0),
        (2.65, -14.0),
        (3.2, 7.0),
        (3.7, 4.0),
    ]);
    let elbows = degrees(&[
        (0.35, 16.0),
        (1.0, 12.0),
        (1.25, 42.0),
        (1.5, 20.0),
        (1.75, 34.0),
        (2.25, 48.0),
        (2.8, 18.0),
        (3.4, 16.0),
    ]);
    let spread = degrees(&[
        (0.4, 7.0),
        (1.1, 12.0),
        (1.5, 9.0),
        (1.9, 22.0),
        (2.3, 18.0),
        (3.2, 7.0),
    ]);
    score.hands = SIDES.map(|side| {
        let (arms, elbows, spread) = (arms.clone(), elbows.clone(), spread.clone());
        // The two arms are never quite alike.
        let late_secs = 0.012 * sign(side);
        HandPlan::by(move |secs, spaces| {
            let secs = secs - late_secs;
            hanging(arms.at(secs), elbows.at(secs), spread.at(secs)).in_place(&spaces.chest, side)
        })
    });
    let crouched = Line::through(&[(0.5, 0.925), (BOTTOM_SECS, 0.65)]);
    let landed = Line::through(&[(ABSORBED_SECS, 0.775), (3.0, 0.935), (3.5, 0.925)]);
    let back = Line::through(&[(0.45, 0.008), (BOTTOM_SECS, -0.085)]);
    let settled = Line::through(&[
        (ABSORBED_SECS, WAY_M - 0.075),
        (3.1, WAY_M + REACH_M + 0.012),
        (3.6, WAY_M + REACH_M + 0.008),
    ]);
    // A first guess of the flight, then the pelvis follows from the centre of mass.
    let (off_m, down_m) = (0.95, 0.83);
    score.pelvis.y = Line::new(move |secs| {
        let since = secs - OFF_SECS;
        let share = since / (DOWN_SECS - OFF_SECS);
        off_m + (down_m - off_m) * share + 0.5 * GRAVITY * since * (DOWN_SECS - secs)
    });
    score.pelvis.z =
        Line::new(move |secs| 0.05 + (WAY_M - 0.05) * (secs - OFF_SECS) / (DOWN_SECS - OFF_SECS));
    for _ in 0..8 {
        let (y, z) = flight(figure, &score);
        score.pelvis.y =
            crouched
                .then(BOTTOM_SECS, OFF_SECS, &y)
                .then(DOWN_SECS, ABSORBED_SECS, &landed);
        score.pelvis.z =
            back.then(BOTTOM_SECS, OFF_SECS, &z)
                .then(DOWN_SECS, ABSORBED_SECS, &settled);
    }
    let exact = score.pelvis.y.clone();
    let lowered = score.clone().under_ceiling(figure, 7.0 * DEGREE).pelvis.y;
    score.pelvis.y = lowered.then(0.6, 0.9, &exact).then(2.4, 2.8, &lowered);
    Draft::of(score)
}

/// Height and way of the pelvis for which the centre of mass flies freely from take-off to
/// touch-down, where it is where the plan has it.
fn flight(figure: &'static Figure, score: &Score) -> (Line, Line) {
    let centre = |secs: f64| centre_of_mass(figure, &score.pose(figure, secs));
    let (from, to) = (centre(OFF_SECS), centre(DOWN_SECS));
    let wanted = move |secs: f64| {
        let share = (secs - OFF_SECS) / (DOWN_SECS - OFF_SECS);
        let rise_m = 0.5 * GRAVITY * (secs - OFF_SECS) * (DOWN_SECS - secs);
        from.lerp(to, share) + DVec3::Y * rise_m
    };
    // Sampled a little beyond both ends, where the line's derivatives are taken over.
    let pelvis = |secs: f64| {
        let clamped = secs.clamp(OFF_SECS - 0.05, DOWN_SECS + 0.05);
        let offset = centre(clamped) - score.pelvis(clamped).position;
        wanted(clamped) - offset
    };
    let end_secs = DOWN_SECS + 0.2;
    let step_secs = 1.0 / 480.0;
    let from_secs = OFF_SECS - 0.1;
    let line = |pick: fn(DVec3) -> f64| {
        let shifted = |t: f64| pick(pelvis(from_secs + t));
        let series = Series::sampled(shifted, end_secs - from_secs, step_secs).line();
        Line::new(move |secs| series.at(secs - from_secs))
    };
    (line(|p| p.y), line(|p| p.z))
}
