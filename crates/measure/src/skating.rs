//! Foot skating by two published measures.
//!
//! *Zhang et al. 2018*, "Mode-Adaptive Neural Networks for Quadruped Motion Control",
//! doi 10.1145/3197517.3201366: `s = v (2 − 2^(h/H))`, `v` the horizontal displacement of a foot
//! per frame, `h` its height, `H` = 2.5 cm; here averaged over feet and frames. `h` is clamped at
//! 0 from below and the weight to 0..1.
//!
//! *Karunratanakul et al. 2023*, "Guided Motion Diffusion for Controllable Human Motion
//! Synthesis", arXiv 2305.12577: the share of frames at 20 frames per second in which some foot
//! is below 5 cm in the frame and in the next, moves faster than 0.5 m/s over the floor between
//! them, and so does the mean of five such steps (steps past the ends counting 0).
//!
//! Both take the height of a toe joint over a floor at a known height; here it is that of the
//! sole below the ball of the foot over the measured floor, some centimetres less. Both are made
//! for bodies of human size, so each is also given with all lengths divided by the ratio of this
//! body's leg to a human one.

use serde::Serialize;
use understudy_motion::DVec3;

use crate::slide::floor_axes;
use crate::stats::mean;
use crate::subject::{MM, Subject};

/// Zhang's H, metres.
const FADE_HEIGHT_M: f64 = 0.025;

/// Karunratanakul's height, metres.
const RATIO_HEIGHT_M: f64 = 0.05;

/// Karunratanakul's speed, metres per second.
const RATIO_SPEED_M_PER_S: f64 = 0.5;

/// Karunratanakul's frame rate, as time from frame to frame, seconds.
const RATIO_FRAME_SECS: f64 = 0.05;

/// Steps on either side of the middle of the mean of five.
const RATIO_REACH: usize = 2;

/// Thigh and shank of a human of 1.75 m: (0.245 + 0.246) × stature (Drillis & Contini 1966, as
/// printed in Winter, doi 10.1002/9780470549148).
const HUMAN_LEG_M: f64 = (0.245 + 0.246) * 1.75;

/// Foot skating of a clip.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Skating {
    /// Zhang's measure per frame of the clip, mean over feet and frames.
    pub zhang_mm_per_frame: f64,
    /// The same per second, so that clips of other frame rates compare.
    pub zhang_mm_per_s: f64,
    /// Zhang's measure per second of the body scaled to human legs.
    pub zhang_scaled_mm_per_s: f64,
    /// Karunratanakul's share of skating frames, 0 to 1.
    pub skating_ratio: f64,
    /// The same of the body scaled to human legs.
    pub skating_ratio_scaled: f64,
    /// Frames per second of the clip, on which `zhang_mm_per_frame` hangs.
    pub frame_rate_hz: f64,
    /// Frames per second at which the ratios are taken.
    pub ratio_frame_rate_hz: f64,
    /// What the scaled measures divide lengths by: this body's leg over that of a human.
    pub body_scale: f64,
}

/// A foot over the floor: coordinates on the floor and the height above it, metres.
type Path = Vec<DVec3>;

/// Measures both, absolute and scaled.
pub fn measure_skating(subject: &Subject<'_>) -> Skating {
    let frame_secs = subject.clip.frame_time_secs;
    let body_scale = subject.leg_length_m / HUMAN_LEG_M;
    let paths: Vec<Path> = foot_paths(subject);
    let scaled: Vec<Path> = paths
        .iter()
        .map(|path| path.iter().map(|point| *point / body_scale).collect())
        .collect();
    let zhang_mm_per_frame = MM * zhang_m_per_frame(&paths);
    Skating {
        zhang_mm_per_frame,
        zhang_mm_per_s: zhang_mm_per_frame / frame_secs,
        zhang_scaled_mm_per_s: MM * zhang_m_per_frame(&scaled) / frame_secs,
        skating_ratio: skating_ratio(&paths, frame_secs),
        skating_ratio_scaled: skating_ratio(&scaled, frame_secs),
        frame_rate_hz: 1.0 / frame_secs,
        ratio_frame_rate_hz: 1.0 / RATIO_FRAME_SECS,
        body_scale,
    }
}

fn foot_paths(subject: &Subject<'_>) -> Vec<Path> {
    let (x, z) = floor_axes(&subject.floor);
    subject
        .feet
        .iter()
        .map(|foot| {
            subject
                .track(foot.below_toe_joint)
                .into_iter()
                .map(|point| DVec3::new(point.dot(x), subject.floor.above(point), point.dot(z)))
                .collect()
        })
        .collect()
}

fn level_distance(a: DVec3, b: DVec3) -> f64 {
    (b.x - a.x).hypot(b.z - a.z)
}

fn zhang_m_per_frame(paths: &[Path]) -> f64 {
    let steps: Vec<f64> = paths
        .iter()
        .flat_map(|path| path.windows(2))
        .map(|pair| {
            let height = pair[1].y.max(0.0);
            let weight = (2.0 - (height / FADE_HEIGHT_M).exp2()).clamp(0.0, 1.0);
            weight * level_distance(pair[0], pair[1])
        })
        .collect();
    mean(&steps)
}

fn skating_ratio(paths: &[Path], frame_secs: f64) -> f64 {
    let skating: Vec<Vec<bool>> = paths
        .iter()
        .map(|path| skating_steps(&resampled(path, frame_secs, RATIO_FRAME_SECS)))
        .collect();
    let steps = skating.iter().map(Vec::len).min().unwrap_or(0);
    if steps == 0 {
        return 0.0;
    }
    let bad = (0..steps)
        .filter(|&step| skating.iter().any(|foot| foot[step]))
        .count();
    bad as f64 / steps as f64
}

fn skating_steps(path: &[DVec3]) -> Vec<bool> {
    let speeds: Vec<f64> = path
        .windows(2)
        .map(|pair| level_distance(pair[0], pair[1]) / RATIO_FRAME_SECS)
        .collect();
    (0..speeds.len())
        .map(|step| {
            let window =
                step.saturating_sub(RATIO_REACH)..(step + RATIO_REACH + 1).min(speeds.len());
            let average = speeds[window].iter().sum::<f64>() / (2 * RATIO_REACH + 1) as f64;
            let is_low = path[step].y < RATIO_HEIGHT_M && path[step + 1].y < RATIO_HEIGHT_M;
            is_low && speeds[step] > RATIO_SPEED_M_PER_S && average > RATIO_SPEED_M_PER_S
        })
        .collect()
}

/// A path at another frame rate, by straight lines between its points.
fn resampled(path: &[DVec3], from_secs: f64, to_secs: f64) -> Path {
    let Some(last) = path.len().checked_sub(1) else {
        return Path::new();
    };
    // A tenth of a per mille of a frame allows for printed frame times.
    let steps = (last as f64 * from_secs / to_secs + 1e-4).floor() as usize;
    (0..=steps)
        .map(|step| {
            let at = (step as f64 * to_secs / from_secs).min(last as f64);
            let before = at.floor() as usize;
            let after = (before + 1).min(last);
            path[before].lerp(path[after], at - before as f64)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{DT, Dummy};
    use proptest::prelude::*;
    use understudy_motion::Clip;

    /// The whole body glides along x at a speed and height, metres and seconds.
    fn gliding(dummy: &Dummy, frames: usize, speed: f64, height: f64) -> Clip {
        dummy.clip(frames, |frame, locals| {
            locals[0].translation.x += speed * frame as f64 * DT;
            locals[0].translation.y += height;
        })
    }

    #[test]
    fn zhang_weighs_by_height() {
        let dummy = Dummy::new(1.0);
        // Weights at heights 0, H/2, H and 2 H: 1, 2 − √2, 0, 0; below the floor as at it.
        let cases = [
            (-0.01, 1.0),
            (0.0, 1.0),
            (0.0125, 2.0 - std::f64::consts::SQRT_2),
            (0.025, 0.0),
            (0.05, 0.0),
        ];
        for (height, weight) in cases {
            let clip = gliding(&dummy, 30, 0.6, height);
            let skating = measure_skating(&dummy.subject(&clip, &[]));
            assert!(
                (skating.zhang_mm_per_frame - weight * 10.0).abs() < 1e-9,
                "{height}"
            );
            assert!((skating.zhang_mm_per_s - weight * 600.0).abs() < 1e-6);
        }
    }

    #[test]
    fn the_ratio_counts_fast_low_frames() {
        let dummy = Dummy::new(1.0);
        let ratio = |speed, height| {
            let clip = gliding(&dummy, 121, speed, height);
            measure_skating(&dummy.subject(&clip, &[])).skating_ratio
        };
        assert_eq!(ratio(0.49, 0.0), 0.0);
        assert_eq!(ratio(2.0, 0.051), 0.0);
        assert_eq!(ratio(2.0, 0.049), 1.0);
        // 2 s are 40 steps; at 0.7 m/s the mean of five falls below 0.5 m/s in the two steps at
        // either end, where three and four steps of five exist: 0.42 and 0.56 m/s.
        assert_eq!(ratio(0.7, 0.0), 38.0 / 40.0);
    }

    #[test]
    fn a_short_jerk_is_no_skating() {
        let dummy = Dummy::new(1.0);
        // 3 cm within one twentieth of a second: 0.6 m/s for one step only.
        let clip = dummy.clip(61, |frame, locals| {
            locals[0].translation.x += 0.01 * frame.clamp(30, 33) as f64;
        });
        let skating = measure_skating(&dummy.subject(&clip, &[]));
        assert_eq!(skating.skating_ratio, 0.0);
        assert!(skating.zhang_mm_per_frame > 0.0);
    }

    proptest! {
        #[test]
        fn scaled_measures_do_not_see_size(k in 0.2..4.0f64, speed in 0.3..1.5f64) {
            let measure = |k: f64| {
                let dummy = Dummy::new(k);
                let clip = gliding(&dummy, 40, k * speed, 0.01 * k);
                measure_skating(&dummy.subject(&clip, &[]))
            };
            let (one, other) = (measure(1.0), measure(k));
            let part = other.zhang_scaled_mm_per_s / one.zhang_scaled_mm_per_s;
            prop_assert!((part - 1.0).abs() < 1e-9);
            prop_assert_eq!(other.skating_ratio_scaled, one.skating_ratio_scaled);
        }
    }
}
