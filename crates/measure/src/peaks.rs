//! Peaks of limb speeds: whether each is in the frame in which the take has it.
//!
//! Speeds are those of [`crate::timing`]. A peak of the take is a frame that is faster than its
//! neighbours and stands out of the speeds around it by a quarter of their whole range (topographic
//! prominence, as in common signal libraries). The peak of the character is the nearest frame within
//! a tenth of a second that is faster than its neighbours and stands out by a tenth of the range.

use serde::Serialize;
use understudy_motion::signal;

use crate::stats::mean;
use crate::subject::Subject;
use crate::timing::matched_speeds;

/// Prominence of a peak of the take, and of one of the character, as shares of the range.
const TAKE_PROMINENCE: f64 = 0.25;
const OWN_PROMINENCE: f64 = 0.1;

/// How far apart two peaks that are the same may be, seconds.
const REACH_SECS: f64 = 0.1;

/// Peaks of all limbs.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Peaks {
    /// Peaks of the take.
    pub peaks: usize,
    /// Those that the character has in the same frame.
    pub unshifted: usize,
    /// Those that it has nowhere near.
    pub lost: usize,
    /// Median shift of those it has, frames; positive where the character is late.
    pub median_shift_frames: f64,
    /// Mean of the sizes of their shifts, frames.
    pub mean_size_frames: f64,
    /// The largest shift, frames.
    pub worst_shift_frames: i64,
    /// For a person: "left wrist".
    pub worst_limb: String,
    /// The frame of the take's peak, counted from 0.
    pub worst_frame: usize,
}

/// Frames of the peaks of some values.
fn peaks(values: &[f64], prominence: f64) -> Vec<usize> {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = prominence * (high - low);
    let is_peak = |&at: &usize| {
        let value = values[at];
        // The lowest on the way to something higher, or to the end.
        let valley = |side: &mut dyn Iterator<Item = &f64>| {
            side.take_while(|other| **other <= value)
                .copied()
                .fold(value, f64::min)
        };
        let before = valley(&mut values[..at].iter().rev());
        let after = valley(&mut values[at + 1..].iter());
        values[at - 1] < value && values[at + 1] <= value && value - before.max(after) >= least
    };
    (1..values.len().saturating_sub(1))
        .filter(is_peak)
        .collect()
}

/// Compares the peaks of limb speeds with those of the take. Frames of both correspond one to one.
pub fn measure_peaks(subject: &Subject<'_>, take: &Subject<'_>) -> Peaks {
    let reach = (REACH_SECS / subject.clip.frame_time_secs).round() as usize;
    let mut found = Peaks::default();
    let mut shifts = Vec::new();
    for (limb, own, other) in matched_speeds(subject, take) {
        let (Some(own), Some(other)) = (own, other) else {
            continue;
        };
        let own_peaks = peaks(&own, OWN_PROMINENCE);
        for at in peaks(&other, TAKE_PROMINENCE) {
            found.peaks += 1;
            let near = own_peaks.iter().filter(|own| own.abs_diff(at) <= reach);
            let Some(own) = near.min_by_key(|own| own.abs_diff(at)) else {
                found.lost += 1;
                continue;
            };
            let shift = *own as i64 - at as i64;
            found.unshifted += usize::from(shift == 0);
            shifts.push(shift as f64);
            if shift.abs() > found.worst_shift_frames.abs() {
                found.worst_shift_frames = shift;
                found.worst_limb.clone_from(&limb);
                // Speeds begin at the second frame.
                found.worst_frame = at + 1;
            }
        }
    }
    found.median_shift_frames = signal::median(&shifts).unwrap_or(0.0);
    let sizes: Vec<f64> = shifts.iter().map(|shift| shift.abs()).collect();
    found.mean_size_frames = mean(&sizes);
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{DT, Dummy, L_ELBOW};
    use understudy_motion::DQuat;

    /// The left forearm swings about the middles of some bells, in frames, one as fast as the other.
    fn swings(dummy: &Dummy, middles: &[f64]) -> understudy_motion::Clip {
        dummy.clip(200, |frame, locals| {
            let angles = middles
                .iter()
                .map(|middle| ((frame as f64 - middle) / 6.0).tanh());
            locals[L_ELBOW].rotation = DQuat::from_rotation_z(0.5 * angles.sum::<f64>());
        })
    }

    #[test]
    fn each_swing_is_found_where_it_is() {
        let (dummy, other) = (Dummy::new(1.2), Dummy::new(1.0));
        let clip = swings(&dummy, &[40.0, 82.0, 119.0, 169.0]);
        let take = swings(&other, &[40.0, 80.0, 120.0, 160.0]);
        let found = measure_peaks(&dummy.subject(&clip, &[]), &other.subject(&take, &[]));
        // A tenth of a second is six frames: the last is nine away.
        assert_eq!(DT, 1.0 / 60.0);
        assert_eq!((found.peaks, found.unshifted, found.lost), (4, 1, 1));
        assert_eq!((found.worst_shift_frames, found.worst_frame), (2, 80));
        assert_eq!(found.worst_limb, "left wrist");
        assert_eq!(found.median_shift_frames, 0.0);
        assert!((found.mean_size_frames - 1.0).abs() < 1e-12);
    }

    #[test]
    fn ripples_are_no_peaks() {
        let ripple = |x: i32| f64::from(x % 2) * 0.1;
        let values: Vec<f64> = (0..41)
            .map(|x: i32| 10.0 - f64::from((x - 20).abs()) * 0.5 + ripple(x))
            .collect();
        assert_eq!(peaks(&values, 0.25), [20]);
        assert_eq!(peaks(&[1.0, 1.0, 1.0], 0.25), [0usize; 0]);
        assert_eq!(peaks(&[], 0.25), [0usize; 0]);
    }
}
