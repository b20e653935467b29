//! Smooth corrections over frames that meet given values exactly and fade out elsewhere.
//!
//! A correction `c` minimises `Σ τ⁶ |c'''|² + |c|²` over the free frames, with `c` given at the
//! others. The third derivative makes position, speed and acceleration continuous where a given
//! stretch begins (the minimum-jerk criterion of Flash and Hogan, J. Neurosci. 5 (1985), 1688),
//! and the second term lets it fade: the slowest root of `τ⁶ c⁽⁶⁾ = c` falls to 1/e over `2 τ`,
//! which is called the fade time here.

use understudy_motion::DVec3;
use understudy_motion::signal::each_axis;

use crate::banded::{BandedFactor, BandedMatrix, NotPositive};
use crate::contacts::cutoff_for_noise;

/// Third-difference stencil.
pub(crate) const THIRD: [f64; 4] = [-1.0, 3.0, -3.0, 1.0];

/// Weight of a value that must be met: large enough that it is met to a millionth, small enough
/// for the factorisation.
const EXACT: f64 = 1e8;

/// A smoother for one pattern of given frames; several coordinates share the factor.
pub struct Smoother {
    factor: BandedFactor,
    given: Vec<bool>,
    /// Weight of each frame's own value.
    own: Vec<f64>,
    /// Whether the step from a frame to the next is held at zero.
    holds: Vec<bool>,
    hold: f64,
    stiffness: f64,
    pull: f64,
}

/// A clip that begins (or ends) less than this before (after) a given value has no time to fade:
/// the value holds up to the clip's end, seconds.
const HOLD_SECS: f64 = 0.5;

/// The steps between frames of short free stretches at the two ends of the clip.
fn held_steps(given: &[bool], frame_time_secs: f64, is_alone: bool) -> Vec<bool> {
    let mut held = vec![false; given.len().saturating_sub(1)];
    if is_alone {
        return held;
    }
    let longest = (HOLD_SECS / frame_time_secs) as usize;
    let first = given.iter().position(|given| *given);
    let last = given.iter().rposition(|given| *given);
    if let (Some(first), Some(last)) = (first, last) {
        if first <= longest {
            held[..first].fill(true);
        }
        if given.len() - 1 - last <= longest {
            held[last..].fill(true);
        }
    }
    held
}

/// Given values are pulled to, free ones fade to zero, held ones follow their neighbours.
fn own_weights(given: &[bool], holds: &[bool], pull: f64) -> Vec<f64> {
    let is_held = |frame: usize| {
        let before = frame.checked_sub(1).and_then(|step| holds.get(step));
        before.into_iter().chain(holds.get(frame)).any(|held| *held)
    };
    given
        .iter()
        .enumerate()
        .map(|(frame, given)| match given {
            true => pull,
            false if is_held(frame) => 0.0,
            false => 1.0,
        })
        .collect()
}

/// τ in frames: half the fade time, but at least a frame, so that the fade exists at low rates too,
/// and no more than its sixth power leaves double precision to factor. Without a fade time there is
/// no fade: every frame is by itself.
pub(crate) fn fade_frames(fade_secs: f64, frame_time_secs: f64) -> f64 {
    if fade_secs == 0.0 {
        return 0.0;
    }
    (0.5 * fade_secs / frame_time_secs).clamp(1.0, 60.0)
}

/// Adds `stiffness` times the squares of the third differences of `count` values to a matrix.
fn add_third_differences(matrix: &mut BandedMatrix, count: usize, stiffness: f64) {
    for first in 0..count.saturating_sub(3) {
        let stencil: [(usize, f64); 4] = std::array::from_fn(|i| (first + i, THIRD[i]));
        matrix.add_outer(&stencil, stiffness);
    }
}

impl Smoother {
    /// A smoother over `given.len()` frames, with values given where `given` is true, fading over
    /// `fade_secs`.
    ///
    /// # Errors
    /// Numbers that lead to no positive definite matrix (a frame time or fade that is not finite).
    pub fn new(given: &[bool], fade_secs: f64, frame_time_secs: f64) -> Result<Self, NotPositive> {
        let count = given.len();
        let ratio = fade_frames(fade_secs, frame_time_secs);
        let stiffness = ratio.powi(6);
        let pull = EXACT * stiffness.max(1.0);
        let mut matrix = BandedMatrix::new(count, 3);
        let holds = held_steps(given, frame_time_secs, ratio == 0.0);
        let own = own_weights(given, &holds, pull);
        for (frame, weight) in own.iter().enumerate() {
            matrix.add(frame, frame, *weight);
        }
        let hold = ratio * ratio;
        for (step, _) in holds.iter().enumerate().filter(|(_, held)| **held) {
            matrix.add_outer(&[(step, -1.0), (step + 1, 1.0)], hold);
        }
        add_third_differences(&mut matrix, count, stiffness);
        Ok(Self {
            factor: matrix.factor()?,
            given: given.to_vec(),
            own,
            holds,
            hold,
            stiffness,
            pull,
        })
    }

    /// The smooth values; entries of `values` at frames that are not given are ignored.
    pub fn run(&self, values: &[f64]) -> Vec<f64> {
        let right: Vec<f64> = values
            .iter()
            .zip(&self.given)
            .map(|(value, given)| if *given { self.pull * value } else { 0.0 })
            .collect();
        let mut result = right.clone();
        self.factor.solve(&mut result);
        // One step of refinement removes the rounding that the large weights bring in.
        let mut residual: Vec<f64> = self.apply(&result);
        for (residual, right) in residual.iter_mut().zip(&right) {
            *residual = right - *residual;
        }
        self.factor.solve(&mut residual);
        for frame in 0..result.len() {
            result[frame] += residual[frame];
            if self.given[frame] {
                result[frame] = values[frame];
            }
        }
        result
    }

    /// [`Smoother::run`] for each coordinate.
    pub fn run_vectors(&self, values: &[DVec3]) -> Vec<DVec3> {
        each_axis(values, |column| self.run(&column))
    }

    fn apply(&self, values: &[f64]) -> Vec<f64> {
        let mut result: Vec<f64> = values.iter().zip(&self.own).map(|(v, w)| v * w).collect();
        for (step, _) in self.holds.iter().enumerate().filter(|(_, held)| **held) {
            let difference = self.hold * (values[step + 1] - values[step]);
            result[step] -= difference;
            result[step + 1] += difference;
        }
        for first in 0..values.len().saturating_sub(3) {
            let difference: f64 = (0..4).map(|i| THIRD[i] * values[first + i]).sum();
            for i in 0..4 {
                result[first + i] += self.stiffness * THIRD[i] * difference;
            }
        }
        result
    }
}

/// Values without what changes faster than `cutoff_hz`: they minimise `Σ |x − y|² + λ Σ |x'''|²`
/// (Whittaker, Proc. Edinburgh Math. Soc. 41 (1923), 63; Eilers, Anal. Chem. 75 (2003), 3631, doi
/// 10.1021/ac034173t), with λ such that half of a wave of that frequency passes. Unlike a
/// recursive filter it does not cling to the first and last value. Values come back unchanged
/// where the cut-off is not well below half the frame rate.
///
/// # Errors
/// A cut-off or frame time that is not a positive number.
pub fn calmed(
    values: &[DVec3],
    cutoff_hz: f64,
    frame_time_secs: f64,
) -> Result<Vec<DVec3>, NotPositive> {
    if values.len() < 4 || cutoff_hz * frame_time_secs >= CLEAN {
        return Ok(values.to_vec());
    }
    let stiffness = (std::f64::consts::TAU * cutoff_hz * frame_time_secs).powi(-6);
    let mut matrix = BandedMatrix::new(values.len(), 3);
    for frame in 0..values.len() {
        matrix.add(frame, frame, 1.0);
    }
    add_third_differences(&mut matrix, values.len(), stiffness);
    let factor = matrix.factor()?;
    Ok(each_axis(values, |mut column| {
        factor.solve(&mut column);
        column
    }))
}

/// A cut-off above this share of the frame rate leaves everything.
const CLEAN: f64 = 0.4;

/// However noisy a track is, what changes more slowly is the performer's: heel strikes and kicks
/// must not be blurred. Common practice: filters for gait lie between 6 and 12 Hz.
const LEAST_CALM_HZ: f64 = 12.0;

/// The cut-off below which a track of points is to be kept, so that its noise is left out; `None`
/// for a clean one. `values` are metres.
pub fn noise_cutoff(values: &[DVec3], leg_length_m: f64, frame_time_secs: f64) -> Option<f64> {
    let cutoff_hz = cutoff_for_noise(values, leg_length_m, frame_time_secs, f64::INFINITY);
    (cutoff_hz * frame_time_secs < CLEAN).then_some(cutoff_hz.max(LEAST_CALM_HZ))
}

/// The least smooth lift that keeps `values + lift` at or above zero.
///
/// `given` frames keep the lift in `given_lift`. Frames that would fall short are given the lift
/// they need, over and over until none is left; each round can only add frames.
///
/// # Errors
/// As [`Smoother::new`].
pub fn lift_above_zero(
    values: &[f64],
    given: &[bool],
    given_lift: &[f64],
    fade_secs: f64,
    frame_time_secs: f64,
    tolerance: f64,
) -> Result<Vec<f64>, NotPositive> {
    let mut given = given.to_vec();
    let mut wanted = given_lift.to_vec();
    loop {
        let lift = Smoother::new(&given, fade_secs, frame_time_secs)?.run(&wanted);
        let short = |frame: usize| values[frame] + lift[frame] < -tolerance;
        let missing: Vec<usize> = (0..values.len())
            .filter(|&frame| !given[frame] && short(frame))
            .filter(|&frame| {
                // The worst frame of each stretch is enough; its neighbours follow by smoothness.
                let depth = |frame: usize| values[frame] + lift[frame];
                let before = frame == 0 || depth(frame) <= depth(frame - 1);
                let after = frame + 1 == values.len() || depth(frame) <= depth(frame + 1);
                before && after
                    || given[frame.saturating_sub(1)]
                    || given.get(frame + 1) == Some(&true)
            })
            .collect();
        if missing.is_empty() {
            return Ok(lift);
        }
        for frame in missing {
            given[frame] = true;
            wanted[frame] = -values[frame];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_fade_every_frame_is_by_itself() {
        let given: Vec<bool> = (0..50).map(|frame| (3..20).contains(&frame)).collect();
        let values: Vec<f64> = (0..50).map(|frame| 0.1 + 0.01 * f64::from(frame)).collect();
        let smooth = Smoother::new(&given, 0.0, 1.0 / 60.0).unwrap().run(&values);
        for frame in 0..50 {
            let expected = if given[frame] { values[frame] } else { 0.0 };
            assert_eq!(smooth[frame], expected, "{frame}");
        }
        let heights: Vec<f64> = (0..50)
            .map(|frame| f64::from(frame - 20).abs() - 4.0)
            .collect();
        let none = vec![0.0; 50];
        let lift = lift_above_zero(&heights, &[false; 50], &none, 0.0, 1.0 / 60.0, 1e-9).unwrap();
        for (lift, height) in lift.iter().zip(&heights) {
            assert!((lift - (-height).max(0.0)).abs() < 1e-12);
        }
    }

    #[test]
    fn given_values_are_met_and_far_ones_fade() {
        let dt = 1.0 / 120.0;
        let mut given = vec![false; 400];
        let mut values = vec![0.0; 400];
        for frame in 150..200 {
            given[frame] = true;
            values[frame] = 0.02 + 1e-4 * frame as f64;
        }
        let smooth = Smoother::new(&given, 0.2, dt).unwrap().run(&values);
        for frame in 150..200 {
            assert_eq!(smooth[frame], values[frame]);
        }
        assert!(smooth[0].abs() < 1e-4 && smooth[399].abs() < 1e-4);
        // Speed does not jump at the edge.
        let speed = |frame: usize| smooth[frame + 1] - smooth[frame];
        let jump = (speed(149) - speed(151))
            .abs()
            .max((speed(198) - speed(200)).abs());
        // Without smoothing the step would be 0.035; the peak of a min-jerk fade stays far below.
        assert!(jump < 1e-4, "{jump}");
    }

    #[test]
    fn a_value_near_the_end_of_the_clip_holds() {
        let mut given = vec![false; 100];
        given[10..60].fill(true);
        let smooth = Smoother::new(&given, 0.12, 1.0 / 60.0)
            .unwrap()
            .run(&[0.03; 100]);
        // Ten frames before are no time to fade, forty frames after are.
        assert!((smooth[0] - 0.03).abs() < 1e-6, "{}", smooth[0]);
        assert!(smooth[99].abs() < 1e-3, "{}", smooth[99]);
    }

    #[test]
    fn nothing_given_is_nothing_changed() {
        let smooth = Smoother::new(&[false; 50], 0.1, 0.01)
            .unwrap()
            .run(&[1.0; 50]);
        assert!(smooth.iter().all(|v| v.abs() < 1e-12));
    }

    #[test]
    fn slow_waves_stay_and_fast_ones_go() {
        let wave = |hz: f64| -> Vec<DVec3> {
            (0..600)
                .map(|i| DVec3::X * (std::f64::consts::TAU * hz * f64::from(i) / 120.0).sin())
                .collect()
        };
        let left = |hz: f64| {
            let calm = calmed(&wave(hz), 10.0, 1.0 / 120.0).unwrap();
            calm[200..400]
                .iter()
                .fold(0.0f64, |most, v| most.max(v.x.abs()))
        };
        assert!(left(2.0) > 0.99 && left(40.0) < 0.01);
        assert!((left(10.0) - 0.5).abs() < 0.05, "{}", left(10.0));
        // A parabola has no third difference and stays to the very ends.
        let parabola: Vec<DVec3> = (0..50).map(|i| DVec3::Y * f64::from(i).powi(2)).collect();
        let calm = calmed(&parabola, 5.0, 1.0 / 120.0).unwrap();
        for (a, b) in calm.iter().zip(&parabola) {
            assert!(a.distance(*b) < 1e-6);
        }
    }

    #[test]
    fn a_dip_is_lifted_and_no_more() {
        let values: Vec<f64> = (0..200)
            .map(|i| 0.05 - 0.08 * (-((i as f64 - 100.0) / 12.0).powi(2)).exp())
            .collect();
        let lift =
            lift_above_zero(&values, &[false; 200], &[0.0; 200], 0.1, 1.0 / 120.0, 1e-6).unwrap();
        let lowest = values
            .iter()
            .zip(&lift)
            .map(|(v, l)| v + l)
            .fold(f64::INFINITY, f64::min);
        assert!(lowest > -2e-6);
        assert!(lift.iter().fold(0.0f64, |m, l| m.max(*l)) < 0.035);
        assert!(lift[0].abs() < 1e-4);
    }
}
