//! A short dance with crossing steps.

use glam::DVec3;
use understudy_anatomy::Side;

use crate::curve::{ease, sine};
use crate::plan::{SIDES, sign};
use crate::takes::draft::Draft;
use crate::takes::feet::{Footing, Stance};
use crate::takes::figure::Figure;
use crate::takes::line::Line;
use crate::takes::score::{DEGREE, HandPlan, HandPose};
use crate::takes::standing::{HALF_STAND_M, TOE_OUT, hanging_hand, standing};

/// Time from beat to beat, seconds: 132 beats a minute.
const BEAT_SECS: f64 = 60.0 / 132.0;
/// The first step lands, seconds.
const FIRST_SECS: f64 = 1.1;
/// Time of a step in the air, seconds.
const SWING_SECS: f64 = 0.31;

/// One step: the foot, where it lands (x, z), and how far it goes round the other (z), metres.
struct Step(Side, f64, f64, f64);

/// To the left with a cross behind, back with a cross before, and two crosses on the spot.
const STEPS: [Step; 10] = [
    Step(Side::Left, 0.44, 0.0, 0.0),
    Step(Side::Right, 0.57, -0.17, -0.11),
    Step(Side::Left, 0.90, -0.01, 0.08),
    Step(Side::Right, 0.71, 0.0, 0.0),
    Step(Side::Left, 0.57, 0.18, 0.10),
    Step(Side::Right, 0.27, 0.01, -0.06),
    Step(Side::Left, 0.14, -0.17, -0.11),
    Step(Side::Right, -0.08, 0.0, 0.08),
    Step(Side::Left, 0.12, 0.0, 0.0),
    Step(Side::Right, -0.07, 0.01, 0.0),
];

fn land_secs(step: usize) -> f64 {
    FIRST_SECS + BEAT_SECS * step as f64
}

fn footing(side: Side) -> Footing {
    let steps: Vec<(f64, &Step)> = STEPS
        .iter()
        .enumerate()
        .filter(|(_, step)| step.0 == side)
        .map(|(index, step)| (land_secs(index), step))
        .collect();
    let start = (f64::NEG_INFINITY, DVec3::X * sign(side) * HALF_STAND_M);
    let places = steps
        .iter()
        .map(|&(secs, step)| (secs, DVec3::new(step.1, 0.0, step.2)));
    let stances = std::iter::once(start)
        .chain(places)
        .enumerate()
        .map(|(index, (from, place))| {
            let next = steps.get(index);
            let to = next.map_or(f64::INFINITY, |(secs, _)| secs - SWING_SECS);
            let mut stance = Stance::flat(place, sign(side) * TOE_OUT, from, to);
            // Lands on the ball of the foot, leaves from the ball of the foot.
            stance.pitch = Line::new(move |secs| {
                let lands = 1.0 - ease((secs - from + 0.05) / 0.15);
                let leaves = ((secs - to) / 0.15 + 1.0).max(0.0);
                let lands = if from.is_finite() { lands } else { 0.0 };
                -16.0 * DEGREE * lands - 30.0 * DEGREE * leaves.powi(3)
            });
            stance.lift_m = 0.075;
            stance.swing_pitch = -10.0 * DEGREE;
            stance.bow = DVec3::Z * next.map_or(0.0, |(_, step)| step.3);
            stance
        })
        .collect();
    Footing { stances }
}

/// Steps from side to side with crosses behind and before.
pub(crate) fn dance(figure: &'static Figure) -> Draft {
    let mut score = standing(6.8);
    score.feet = SIDES.map(footing);
    let beats = STEPS.len();
    let mut feet = SIDES.map(|side| DVec3::X * sign(side) * HALF_STAND_M);
    let (mut across, mut ahead) = (vec![(0.35, 0.0)], vec![(0.5, 0.01)]);
    let mut turns = vec![(0.5, 0.0)];
    // The weight goes onto the foot that stands, before the other one leaves.
    across.push((land_secs(0) - SWING_SECS, -0.05));
    for (index, step) in STEPS.iter().enumerate() {
        let foot = usize::from(step.0 == Side::Right);
        feet[foot] = DVec3::new(step.1, 0.0, step.2);
        let onto = feet[foot].lerp(feet[1 - foot], 0.24);
        across.push((land_secs(index) + 0.07, onto.x));
        ahead.push((land_secs(index) + 0.07, 0.5 * onto.z + 0.01));
        // The hips turn into a cross.
        let cross = sign(step.0) * step.2;
        turns.push((land_secs(index), 100.0 * cross));
    }
    let middle = feet[0].midpoint(feet[1]);
    let end = land_secs(beats - 1);
    across.push((end + 0.7, middle.x));
    ahead.push((end + 0.7, middle.z + 0.01));
    turns.push((end + 0.4, 0.0));
    score.pelvis.x = Line::through(&across);
    score.pelvis.z = Line::through(&ahead);
    let on = move |secs: f64| ease((secs - 0.5) / 0.6) * ease((end + 0.6 - secs) / 0.7);
    let beat = move |secs: f64| std::f64::consts::TAU * (secs - FIRST_SECS) / BEAT_SECS;
    // Low just after a foot lands, high as the next one passes.
    score.pelvis.y = Line::new(move |secs| {
        let bounce = 0.022 * (beat(secs) - 0.9).cos();
        0.925 - on(secs) * (0.030 + bounce)
    });
    let slow = move |secs: f64| (0.5 * beat(secs)).sin();
    score.pelvis.turn.yaw = Line::through(&turns).times(DEGREE);
    score.pelvis.turn.roll = Line::new(move |secs| on(secs) * 4.0 * DEGREE * slow(secs + 0.12));
    score.chest.yaw = Line::through(&turns).times(-1.3 * DEGREE);
    score.chest.roll = Line::new(move |secs| -on(secs) * 4.5 * DEGREE * slow(secs));
    score.chest.pitch =
        Line::new(move |secs| on(secs) * (2.0 + 1.2 * (beat(secs) - 1.4).cos()) * DEGREE);
    let look = Line::through(&[
        (0.4, 0.0),
        (1.0, 24.0),
        (2.3, 22.0),
        (2.9, -20.0),
        (4.3, -18.0),
        (5.0, 8.0),
        (6.2, 0.0),
    ]);
    let turned = Line::through(&turns).times(-0.9 * DEGREE);
    score.head.yaw = look.times(DEGREE).plus(&turned);
    score.head.pitch =
        Line::new(move |secs| on(secs) * (-2.0 + 2.5 * (beat(secs) - 1.8).cos()) * DEGREE);
    score.head.roll = Line::new(move |secs| on(secs) * 4.0 * DEGREE * slow(secs - 0.1));
    score.hands = SIDES.map(|side| dancing_hand(side, end));
    let score = score.under_ceiling(figure, 8.0 * DEGREE);
    Draft::of(score)
}

/// Arms swing low and wide with the steps; at the end one goes up.
fn dancing_hand(side: Side, end: f64) -> HandPlan {
    let hang = hanging_hand(side).free;
    let left = sign(side);
    HandPlan::by(move |secs, spaces| {
        let phase = secs - FIRST_SECS - 0.08;
        let swing = left * sine(phase, 0.5 / BEAT_SECS);
        let lift = sine(phase + 0.1, 1.0 / BEAT_SECS);
        let wide = HandPose {
            wrist: DVec3::new(
                0.52 + 0.05 * swing,
                -0.22 + 0.09 * swing + 0.015 * lift,
                0.15 + 0.05 * swing,
            ),
            along: DVec3::new(
                1.0,
                0.15 + 0.35 * sine(phase - 0.09, 0.5 / BEAT_SECS) * left,
                0.35,
            ),
            palm: DVec3::new(0.1, -1.0, 0.35),
            elbow: DVec3::new(0.25, -1.0, -0.45),
        };
        let high = HandPose {
            wrist: DVec3::new(0.30, 0.44, 0.10),
            along: DVec3::new(-0.35, 1.0, 0.05),
            palm: DVec3::new(-0.9, -0.2, 0.35),
            elbow: DVec3::new(1.0, 0.0, -0.1),
        };
        let on = ease((secs - 0.45) / 0.75) * ease((end + 1.15 - secs) / 0.9);
        let up = ease((secs - end + 0.75) / 0.7) * ease((end + 0.8 - secs) / 0.75);
        let up = if side == Side::Right { up } else { 0.0 };
        let pose = wide.lerp(&high, up).in_place(&spaces.chest, side);
        hang(secs, spaces).lerp(&pose, on)
    })
    .curled(Line::level(12.0 * DEGREE))
}
