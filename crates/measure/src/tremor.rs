//! Tremor: fast changes of the accelerations of joints, against the take's.
//!
//! The acceleration of a joint is taken relative to the joint before it, in lengths of the bone between
//! them: the second difference over three frames of the direction of each segment of
//! [`understudy_anatomy::limb_segments`], per second squared, so that it does not hang on size. What is
//! left of it without everything below 6 Hz ([`signal::low_pass`]) is fast: 99.7 % of the power of
//! walking lies below (Winter, Sidwall & Hobson 1974, doi 10.1016/0021-9290(74)90056-6). The energy is
//! the mean square over frames, summed over the segments that both bodies have.

use serde::Serialize;
use understudy_motion::{DVec3, signal};

use crate::limbs::matched_segments;
use crate::stats::{mean, worst};
use crate::subject::Subject;

/// Faster than this is fast, Hz.
const CUTOFF_HZ: f64 = 6.0;

/// The tremor of a clip against its take.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Tremor {
    /// Root of the energy, per second squared.
    pub rms_per_s2: f64,
    /// The same of the take.
    pub take_rms_per_s2: f64,
    /// Energy over the take's; absent where the take has none.
    pub energy_ratio: Option<f64>,
    /// The segment that gains most energy.
    pub segment: String,
    /// The frame in which that segment is farthest beyond the take, counted from 0.
    pub frame: usize,
}

/// Squares of the fast part of a segment's acceleration, frame by frame; the ends, where there is
/// none, are left out: the first value belongs to frame 1.
fn fast_squares(directions: &[DVec3], frame_secs: f64) -> Vec<f64> {
    let accelerations: Vec<DVec3> = directions
        .windows(3)
        .map(|three| (three[0] - 2.0 * three[1] + three[2]) / (frame_secs * frame_secs))
        .collect();
    let slow = signal::low_pass_points(&accelerations, CUTOFF_HZ, frame_secs);
    let both = accelerations.iter().zip(slow);
    both.map(|(all, slow)| (*all - slow).length_squared())
        .collect()
}

/// Compares a clip with its take, frame by frame. `None` for clips too short or too slow to have
/// anything that is fast.
pub fn measure_tremor(subject: &Subject<'_>, take: &Subject<'_>) -> Option<Tremor> {
    let frame_secs = subject.clip.frame_time_secs;
    // As the low pass has it.
    if subject.frame_count() < 6 || CUTOFF_HZ * frame_secs >= 0.4 {
        return None;
    }
    let (mut energy, mut take_energy) = (0.0, 0.0);
    let mut most: Option<(f64, String, usize)> = None;
    for (own, other) in matched_segments(subject, take) {
        let directions = |segment: &understudy_anatomy::Segment, subject: &Subject<'_>| {
            let worlds = subject.worlds.iter();
            let directions = worlds.map(|world| segment.vector(world).normalize_or_zero());
            fast_squares(&directions.collect::<Vec<_>>(), frame_secs)
        };
        let (squares, take_squares) = (directions(&own, subject), directions(&other, take));
        let gain = mean(&squares) - mean(&take_squares);
        energy += mean(&squares);
        take_energy += mean(&take_squares);
        if most.as_ref().is_none_or(|most| gain > most.0) {
            let more = squares
                .iter()
                .zip(&take_squares)
                .map(|(own, take)| own - take);
            let at = worst(&more.collect::<Vec<_>>()).map_or(0, |worst| worst.0);
            most = Some((gain, own.name, at + 1));
        }
    }
    let (_, segment, frame) = most?;
    Some(Tremor {
        rms_per_s2: energy.sqrt(),
        take_rms_per_s2: take_energy.sqrt(),
        energy_ratio: (take_energy > 0.0).then(|| energy / take_energy),
        segment,
        frame,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{DT, Dummy, L_ELBOW, still};
    use std::f64::consts::{PI, TAU};
    use understudy_motion::DQuat;

    /// The left forearm swings by so many radians at so many Hz.
    fn swinging(dummy: &Dummy, waves: &[(f64, f64)]) -> understudy_motion::Clip {
        dummy.clip(300, |frame, locals| {
            let t = frame as f64 * DT;
            let angle = waves.iter().map(|(size, hz)| size * (TAU * hz * t).sin());
            locals[L_ELBOW].rotation = DQuat::from_rotation_z(angle.sum());
        })
    }

    fn tremor(own: &[(f64, f64)], take: &[(f64, f64)]) -> Tremor {
        let (dummy, other) = (Dummy::new(1.3), Dummy::new(1.0));
        let (clip, take) = (swinging(&dummy, own), swinging(&other, take));
        measure_tremor(&dummy.subject(&clip, &[]), &other.subject(&take, &[])).unwrap()
    }

    #[test]
    fn a_fast_wave_has_the_energy_of_its_acceleration() {
        let (size, hz) = (0.01, 15.0);
        let found = tremor(&[(size, hz)], &[(0.02, hz)]);
        // The second difference of a wave is that of its samples; hand and forearm swing alike.
        let step = 2.0 * (TAU * hz * DT / 2.0).sin() / DT;
        // What two passes of the filter leave of it (Winter, section 3.4.4.2).
        let warped = (PI * CUTOFF_HZ * DT).tan() / 0.802;
        let passed = 1.0 - 1.0 / (1.0 + ((PI * hz * DT).tan() / warped).powi(4));
        let expected = passed * (2.0 * 0.5 * (size * step * step).powi(2)).sqrt();
        assert!(
            (found.rms_per_s2 / expected - 1.0).abs() < 0.005,
            "{found:?} {expected}"
        );
        assert!(
            (found.energy_ratio.unwrap() - 0.25).abs() < 1e-3,
            "{found:?}"
        );
    }

    #[test]
    fn slow_motion_is_no_tremor() {
        let slow = tremor(&[(0.5, 1.0)], &[(0.01, 15.0)]);
        assert!(slow.energy_ratio.unwrap() < 0.01, "{slow:?}");
        let same = tremor(&[(0.5, 1.0), (0.01, 15.0)], &[(0.01, 15.0)]);
        assert!((same.energy_ratio.unwrap() - 1.0).abs() < 0.1, "{same:?}");
    }

    #[test]
    fn stillness_has_no_ratio() {
        let dummy = Dummy::new(1.0);
        let clip = still(&dummy, 30);
        let subject = dummy.subject(&clip, &[]);
        let tremor = measure_tremor(&subject, &subject).unwrap();
        assert_eq!((tremor.rms_per_s2, tremor.energy_ratio), (0.0, None));
        let short = still(&dummy, 3);
        let short = dummy.subject(&short, &[]);
        assert_eq!(measure_tremor(&short, &short), None);
    }
}
