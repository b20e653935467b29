//! Takes that walk.

use glam::DVec3;
use understudy_anatomy::Side;

use crate::curve::{ease, sine};
use crate::takes::draft::Draft;
use crate::takes::figure::Figure;
use crate::takes::gait::{Route, Style, Walk};
use crate::takes::line::Line;
use crate::takes::score::{DEGREE, HandPlan, HandPose};

/// A brisk market walk: 110 steps a minute.
const STEP_SECS: f64 = 60.0 / 110.0;

/// Starts, walks straight, turns to the right and stops.
pub(crate) fn walk(figure: &'static Figure) -> Draft {
    let walk = Walk {
        route: Route {
            turn_start_m: 3.1,
            turn_length_m: 1.6,
            turn: -80.0 * DEGREE,
        },
        ways_m: vec![0.52, 1.21, 1.91, 2.61, 3.25, 3.83, 4.45, 5.02, 5.02],
        first: Side::Left,
        first_strike_secs: 1.5,
        step_secs: STEP_SECS,
        stance_share: 0.61,
        style: Style::NORMAL,
    };
    let mut score = walk.score(figure, 7.4, None);
    // Looks ahead, glances into the turn before the body goes there, then at what it came for.
    let glance = Line::through(&[
        (0.3, 0.0),
        (0.9, 10.0),
        (1.5, 0.0),
        (3.0, 0.0),
        (3.9, -16.0),
        (5.2, 0.0),
        (6.0, 0.0),
        (6.7, 14.0),
        (7.3, 12.0),
    ]);
    score.head.yaw = score.head.yaw.plus(&glance.times(DEGREE));
    score.head.pitch =
        Line::through(&[(0.3, 0.0), (1.2, 6.0), (2.4, 2.0), (5.8, 4.0), (6.8, 8.0)]).times(DEGREE);
    Draft::of(score)
}

/// A hand as it waves, beside the head, in the chest's place for the left side.
fn waving(secs: f64, from_secs: f64) -> HandPose {
    let beat = sine(secs - from_secs, 1.55);
    let late = sine(secs - from_secs - 0.07, 1.55);
    HandPose {
        wrist: DVec3::new(0.38 + 0.075 * beat, 0.235 - 0.012 * beat * beat, 0.20),
        along: DVec3::new(0.05 + 0.30 * late, 1.0, 0.02),
        palm: DVec3::new(-0.12, 0.0, 1.0),
        elbow: DVec3::new(0.8, -1.0, 0.15),
    }
}

/// Walks and waves with the right hand to someone on the left.
pub(crate) fn wave(figure: &'static Figure) -> Draft {
    let walk = Walk {
        route: Route {
            turn_start_m: 1.6,
            turn_length_m: 2.6,
            turn: 38.0 * DEGREE,
        },
        ways_m: vec![0.50, 1.16, 1.84, 2.52, 3.20, 3.86, 4.46, 4.92, 4.92],
        first: Side::Right,
        first_strike_secs: 1.3,
        step_secs: 60.0 / 104.0,
        stance_share: 0.615,
        style: Style {
            sway_m: 0.033,
            arms: 0.9,
            ..Style::NORMAL
        },
    };
    let mut score = walk.score(figure, 7.2, None);
    let look = Line::through(&[(1.3, 0.0), (2.1, 30.0), (4.4, 24.0), (5.4, 4.0), (6.5, 8.0)]);
    score.head.yaw = score.head.yaw.plus(&look.times(DEGREE));
    score.head.pitch =
        Line::through(&[(1.2, 3.0), (2.0, -5.0), (4.4, -4.0), (5.6, 5.0)]).times(DEGREE);
    score.head.roll =
        Line::through(&[(1.6, 0.0), (2.5, 5.0), (4.2, 4.0), (5.2, 0.0)]).times(DEGREE);
    let lean = Line::through(&[(1.7, 0.0), (2.5, 3.0), (4.5, 3.0), (5.4, 0.0)]).times(DEGREE);
    score.chest.roll = score.chest.roll.plus(&lean);
    let (from_secs, to_secs) = (2.35, 4.7);
    let swing = score.hands[1].free.clone();
    let raised = HandPlan::by(move |secs, spaces| {
        let up = ease((secs - from_secs + 0.75) / 0.75) * ease((to_secs + 0.85 - secs) / 0.85);
        let wave = waving(secs, from_secs).in_place(&spaces.chest, Side::Right);
        let mut pose = swing(secs, spaces).lerp(&wave, up);
        // On its way the hand goes round the front of the shoulder, not through it.
        pose.wrist += spaces.chest.rotation * DVec3::new(-0.06, 0.0, 0.16) * 4.0 * up * (1.0 - up);
        pose
    });
    let curl = Line::through(&[(1.6, 18.0), (2.3, 7.0), (4.8, 7.0), (5.5, 18.0)]).times(DEGREE);
    score.hands[1] = raised.curled(curl);
    Draft::of(score)
}

/// Steals past a sleeper: bent knees, high soft steps, ball of the foot first.
pub(crate) fn stealth(figure: &'static Figure) -> Draft {
    let walk = Walk {
        route: Route::STRAIGHT,
        ways_m: vec![0.26, 0.62, 0.98, 1.36, 1.72, 1.98, 1.98],
        first: Side::Right,
        first_strike_secs: 2.0,
        step_secs: 0.82,
        stance_share: 0.66,
        style: Style {
            strike_pitch: -16.0 * DEGREE,
            strike_rate: 20.0 * DEGREE,
            roll_share: 0.16,
            push_pitch: 46.0 * DEGREE,
            push_share: 0.24,
            toe_pitch: 18.0 * DEGREE,
            lift_m: 0.13,
            swing_pitch: 4.0 * DEGREE,
            half_track_m: 0.075,
            sway_m: 0.048,
            yaw: 5.0 * DEGREE,
            roll: -2.0 * DEGREE,
            arms: 0.0,
            lean: 0.0,
        },
    };
    let strikes: Vec<f64> = (1..=walk.steps())
        .map(|step| walk.strike_secs(step))
        .collect();
    let swing_secs = walk.swing_secs();
    // Down into the crouch, a little lower with each careful landing, up again at the end.
    let crouch = Line::through(&[
        (0.2, 0.915),
        (1.15, 0.780),
        (1.4, 0.788),
        (6.9, 0.788),
        (7.2, 0.788),
        (8.2, 0.905),
    ]);
    let height = Line::new(move |secs| {
        let dip = |strike: &f64| {
            let away = (secs - strike + 0.45 * swing_secs) / 0.22;
            0.018 * (-away * away).exp()
        };
        crouch.at(secs) + strikes.iter().map(dip).sum::<f64>()
    });
    let mut score = walk.score(figure, 8.4, Some(height));
    let bent = Line::through(&[(0.2, 0.0), (1.1, 1.0), (7.1, 1.0), (8.2, 0.0)]);
    score.pelvis.turn.pitch = bent.times(16.0 * DEGREE);
    score.chest.pitch = bent.times(31.0 * DEGREE);
    // The hips go back as the trunk leans forward.
    score.pelvis.z = score.pelvis.z.plus(&bent.times(-0.075));
    let look = Line::through(&[
        (0.2, 0.0),
        (0.9, 22.0),
        (1.5, -18.0),
        (2.3, -6.0),
        (3.4, 38.0),
        (4.5, 42.0),
        (5.4, 0.0),
        (6.2, -24.0),
        (7.0, 0.0),
        (7.5, 20.0),
        (8.3, 8.0),
    ]);
    score.head.yaw = score.head.yaw.plus(&look.times(DEGREE));
    score.head.pitch = Line::through(&[
        (0.3, 0.0),
        (1.1, 9.0),
        (3.2, 12.0),
        (4.2, 4.0),
        (5.6, 12.0),
        (8.0, 0.0),
    ])
    .times(DEGREE);
    for (index, side) in crate::plan::SIDES.into_iter().enumerate() {
        let hang = score.hands[index].free.clone();
        let held = bent.clone();
        score.hands[index] = HandPlan::by(move |secs, spaces| {
            let left = crate::plan::sign(side);
            // Hands feel ahead in turn, with the steps.
            let turn = left * sine(secs - 2.0, 1.0 / (4.0 * 0.82) * 2.0);
            let ahead = HandPose {
                wrist: DVec3::new(0.27, -0.30 + 0.02 * turn, 0.36 + 0.05 * turn),
                along: DVec3::new(-0.25, -0.02 + 0.1 * turn, 1.0),
                palm: DVec3::new(-0.25, -1.0, 0.15),
                elbow: DVec3::new(0.7, -0.9, -0.55),
            };
            let up = ease(held.at(secs));
            hang(secs, spaces).lerp(&ahead.in_place(&spaces.chest, side), up)
        });
    }
    Draft::of(score)
}
