//! The pelvis yields: a smooth offset of the hips over the whole clip, so that planted legs reach
//! the floor and knees keep the bend they have in plain transfer.
//!
//! Gauss-Newton over all frames at once. Unknown is the offset `p` of each frame (three
//! coordinates); the terms are
//!
//! - smoothness: third differences of `p`, and `p` itself, so that it fades;
//! - knee: bend of each leg against its wanted bend, and second differences of that error, so
//!   that no knee pops;
//! - reach: a leg must not be stretched beyond its limit.
//!
//! All are local in time, so the normal matrix is banded and the cost linear in the frames.

use understudy_motion::DVec3;

use crate::banded::{BandedMatrix, NotPositive};
use crate::leg::Reach;
use crate::smooth::lift_above_zero;

/// One leg over all frames.
pub struct LegTrack {
    /// Hip in plain transfer, world, metres.
    pub hips: Vec<DVec3>,
    /// Where the ankle must be, world, metres.
    pub ankles: Vec<DVec3>,
    /// Geometry of the leg.
    pub reaches: Vec<Reach>,
    /// Wanted bend of the knee, radians.
    pub wanted_bends: Vec<f64>,
    /// Least bend the leg may be stretched to, radians.
    pub least_bends: Vec<f64>,
    /// Whether the foot is planted.
    pub planted: Vec<bool>,
}

/// Sizes that weigh the terms against each other.
#[derive(Clone, Copy, Debug)]
pub struct Weights {
    /// An offset of this size counts as much as a knee error of `bend_error`, metres.
    pub offset_m: f64,
    /// See `offset_m`, radians.
    pub bend_error: f64,
    /// Time scale of smoothness, seconds.
    pub fade_secs: f64,
    /// Time from frame to frame, seconds.
    pub frame_time_secs: f64,
}

const ROUNDS: usize = 8;

/// Below this bend (radians) the change of bend with distance is taken as if at it: a straight
/// leg would otherwise answer a hair's breadth with degrees.
const STRAIGHTEST: f64 = 0.05;

/// The offsets of the pelvis, world, metres, one per frame.
///
/// # Errors
/// Input that is not finite.
pub fn yield_offsets(legs: &[LegTrack], weights: &Weights) -> Result<Vec<DVec3>, NotPositive> {
    let frames = legs.iter().map(|leg| leg.hips.len()).min().unwrap_or(0);
    let mut offsets = vec![DVec3::ZERO; frames];
    if frames == 0 {
        return Ok(offsets);
    }
    for _ in 0..ROUNDS {
        let step = gauss_newton_step(legs, weights, &offsets)?;
        let largest = step.iter().map(|s| s.length()).fold(0.0, f64::max);
        for (offset, step) in offsets.iter_mut().zip(&step) {
            *offset += *step;
        }
        if largest < 1e-6 * weights.offset_m {
            break;
        }
    }
    drop_into_reach(legs, weights, &mut offsets)?;
    Ok(offsets)
}

/// Bend of a knee and its derivative by the offset of the pelvis.
fn bend_and_gradient(leg: &LegTrack, frame: usize, offset: DVec3) -> (f64, DVec3) {
    let to_hip = leg.hips[frame] + offset - leg.ankles[frame];
    let reach = leg.reaches[frame];
    let distance = to_hip.length().max(1e-9);
    let straight = reach.distance(STRAIGHTEST);
    // Beyond the straightest bend the curve goes on as its tangent.
    let at = distance.min(straight);
    let bend = reach.bend(at);
    let slope = -at / (reach.product * bend.sin().max(STRAIGHTEST.sin()));
    (bend + slope * (distance - at), to_hip / distance * slope)
}

fn gauss_newton_step(
    legs: &[LegTrack],
    weights: &Weights,
    offsets: &[DVec3],
) -> Result<Vec<DVec3>, NotPositive> {
    let frames = offsets.len();
    let mut matrix = BandedMatrix::new(3 * frames, 11);
    let mut right = vec![0.0; 3 * frames];
    add_smoothness(&mut matrix, &mut right, weights, offsets);
    for leg in legs {
        add_knee(&mut matrix, &mut right, weights, offsets, leg);
        add_reach(&mut matrix, &mut right, weights, offsets, leg);
    }
    matrix.factor()?.solve(&mut right);
    Ok(right
        .chunks_exact(3)
        .map(|step| DVec3::new(step[0], step[1], step[2]))
        .collect())
}

/// Adds one residual with its gradient: `weight · (residual + gradient · step)²`.
fn add_residual(
    matrix: &mut BandedMatrix,
    right: &mut [f64],
    residual: f64,
    gradient: &[(usize, f64)],
    weight: f64,
) {
    matrix.add_outer(gradient, weight);
    for &(index, value) in gradient {
        right[index] -= weight * residual * value;
    }
}

fn add_smoothness(
    matrix: &mut BandedMatrix,
    right: &mut [f64],
    weights: &Weights,
    offsets: &[DVec3],
) {
    const THIRD: [f64; 4] = [-1.0, 3.0, -3.0, 1.0];
    let pull = weights.offset_m.powi(-2);
    let ratio = (0.5 * weights.fade_secs / weights.frame_time_secs).clamp(1.0, 60.0);
    let stiffness = pull * ratio.powi(6);
    for axis in 0..3 {
        for (frame, offset) in offsets.iter().enumerate() {
            add_residual(matrix, right, offset[axis], &[(3 * frame + axis, 1.0)], pull);
        }
        for first in 0..offsets.len().saturating_sub(3) {
            let difference = (0..4).map(|i| THIRD[i] * offsets[first + i][axis]).sum();
            let gradient: [(usize, f64); 4] =
                std::array::from_fn(|i| (3 * (first + i) + axis, THIRD[i]));
            add_residual(matrix, right, difference, &gradient, stiffness);
        }
    }
}

fn add_knee(
    matrix: &mut BandedMatrix,
    right: &mut [f64],
    weights: &Weights,
    offsets: &[DVec3],
    leg: &LegTrack,
) {
    let base = weights.bend_error.powi(-2);
    let ratio = (0.1 * weights.fade_secs / weights.frame_time_secs).max(1.0);
    let stiffness = base * ratio.powi(4);
    let bends: Vec<(f64, DVec3)> = offsets
        .iter()
        .enumerate()
        .map(|(frame, offset)| {
            let (bend, gradient) = bend_and_gradient(leg, frame, *offset);
            (bend - leg.wanted_bends[frame], gradient)
        })
        .collect();
    let gradient_of = |frame: usize, factor: f64| -> [(usize, f64); 3] {
        std::array::from_fn(|axis| (3 * frame + axis, factor * bends[frame].1[axis]))
    };
    for (frame, (error, _)) in bends.iter().enumerate() {
        add_residual(matrix, right, *error, &gradient_of(frame, 1.0), base);
    }
    for middle in 1..offsets.len().saturating_sub(1) {
        let curve = bends[middle - 1].0 - 2.0 * bends[middle].0 + bends[middle + 1].0;
        let mut gradient = Vec::with_capacity(9);
        gradient.extend(gradient_of(middle - 1, 1.0));
        gradient.extend(gradient_of(middle, -2.0));
        gradient.extend(gradient_of(middle + 1, 1.0));
        add_residual(matrix, right, curve, &gradient, stiffness);
    }
}

fn add_reach(
    matrix: &mut BandedMatrix,
    right: &mut [f64],
    weights: &Weights,
    offsets: &[DVec3],
    leg: &LegTrack,
) {
    let weight = (0.01 * weights.offset_m).powi(-2);
    for (frame, offset) in offsets.iter().enumerate() {
        let to_hip = leg.hips[frame] + *offset - leg.ankles[frame];
        let distance = to_hip.length();
        let excess = distance - leg.reaches[frame].distance(leg.least_bends[frame]);
        if excess > 0.0 && distance > 0.0 {
            let direction = to_hip / distance;
            let gradient: [(usize, f64); 3] =
                std::array::from_fn(|axis| (3 * frame + axis, direction[axis]));
            add_residual(matrix, right, excess, &gradient, weight);
        }
    }
}

/// Lowers the pelvis where a planted leg still cannot reach, by a smooth drop.
fn drop_into_reach(
    legs: &[LegTrack],
    weights: &Weights,
    offsets: &mut [DVec3],
) -> Result<(), NotPositive> {
    let spare: Vec<f64> = offsets
        .iter()
        .enumerate()
        .map(|(frame, offset)| {
            legs.iter()
                .filter(|leg| leg.planted[frame])
                .map(|leg| spare_height(leg, frame, *offset))
                .fold(f64::INFINITY, f64::min)
                .min(weights.offset_m)
        })
        .collect();
    if spare.iter().all(|spare| *spare >= 0.0) {
        return Ok(());
    }
    let free = vec![false; spare.len()];
    let none = vec![0.0; spare.len()];
    let drop = lift_above_zero(
        &spare,
        &free,
        &none,
        weights.fade_secs,
        weights.frame_time_secs,
        1e-6 * weights.offset_m,
    )?;
    for (offset, drop) in offsets.iter_mut().zip(drop) {
        offset.y -= drop.max(0.0);
    }
    Ok(())
}

/// How much higher the pelvis could stand before the leg is stretched to its limit, metres;
/// negative where it is stretched beyond it. A foot too far aside for any drop counts as far as
/// a drop of the height itself can help.
fn spare_height(leg: &LegTrack, frame: usize, offset: DVec3) -> f64 {
    let to_hip = leg.hips[frame] + offset - leg.ankles[frame];
    // A quarter of the least bend is kept back for rounding, the rest may be used.
    let limit = leg.reaches[frame].distance(0.25 * leg.least_bends[frame]);
    let aside = to_hip.x.hypot(to_hip.z);
    let tallest = (limit * limit - aside * aside).max(0.0).sqrt();
    tallest - to_hip.y
}
