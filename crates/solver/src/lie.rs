//! The whole body goes up or down, smoothly, so that what rests on the floor lies on it and trunk and knees
//! do not go below. Least squares over all frames; the unknown of each is how far it goes, metres along Y.

use understudy_motion::DVec3;

use crate::banded::NotPositive;
use crate::least_squares::{LeastSquares, Sink, add_differences};
use crate::settle::{PELVIS_FADE, RestTrack, Weights};
use crate::smooth::fade_frames;

/// Steps at most; each finds what is below the floor anew.
const STEPS: usize = 20;
const HALVINGS: usize = 8;

/// Weight of what stays against what is smooth.
const FIXED: f64 = 1e4;

/// A step that gains less than this share is the last.
const LEAST_GAIN: f64 = 1e-6;

/// How far the body goes in each of `frames`; `known` is that where it stays, frame by frame, and may be
/// empty.
///
/// # Errors
/// Heights that are not finite.
pub(crate) fn rise(
    tracks: &[RestTrack],
    known: &[Option<f64>],
    weights: &Weights,
    frames: usize,
) -> Result<Vec<f64>, NotPositive> {
    let mut problem = Problem {
        tracks,
        known,
        weights,
        values: vec![0.0; frames],
    };
    problem.descend((STEPS, HALVINGS), LEAST_GAIN, || true)?;
    Ok(problem.values)
}

struct Problem<'a> {
    tracks: &'a [RestTrack],
    known: &'a [Option<f64>],
    weights: &'a Weights,
    values: Vec<f64>,
}

impl LeastSquares for Problem<'_> {
    fn values(&self) -> &[f64] {
        &self.values
    }

    fn values_mut(&mut self) -> &mut Vec<f64> {
        &mut self.values
    }

    fn bandwidth(&self) -> usize {
        3
    }

    fn each_term(&self, _slopes: bool, sink: &mut Sink<'_>) {
        let weights = self.weights;
        let pull = weights.offset_m.powi(-2);
        let ratio = fade_frames(PELVIS_FADE * weights.fade_secs, weights.frame_time_secs);
        let smooth = [pull * ratio.powi(2), pull * ratio.powi(6)];
        for (frame, value) in self.values.iter().enumerate() {
            match self.known.get(frame) {
                Some(Some(known)) => sink(*value - *known, &[(frame, 1.0)], FIXED * smooth[1]),
                _ => sink(*value, &[(frame, 1.0)], pull),
            }
        }
        add_differences(&self.values, (0, 1), smooth, sink);
        for track in self.tracks {
            let weight = track.firmness * pull;
            track.each_height(
                |frame| DVec3::Y * self.values[frame],
                |frame, height_m| sink(height_m, &[(frame, track.slope.y)], weight),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::least_squares::testing::check_gradient;
    use proptest::prelude::*;

    const WEIGHTS: Weights = Weights {
        offset_m: 0.03,
        bend_error: 0.1,
        fade_secs: 0.2,
        frame_time_secs: 1.0 / 60.0,
        level_hold: 1.0,
    };

    fn track(heights: Vec<Option<(f64, bool)>>) -> RestTrack {
        RestTrack {
            heights,
            slope: DVec3::Y,
            firmness: 1e4,
        }
    }

    proptest! {
        /// The gradient of the whole sum against central differences.
        #[test]
        fn the_terms_are_differentiated(values in proptest::collection::vec(-0.05..0.05f64, 9)) {
            let heights = (0..9).map(|frame| (frame > 2).then_some((0.01, frame > 5)));
            let tracks = [track(heights.collect())];
            let mut problem = Problem { tracks: &tracks, known: &[], weights: &WEIGHTS, values };
            let checked = check_gradient(&mut problem, 1e-7, (1e-4, 1e3));
            prop_assert!(checked.is_ok(), "{checked:?}");
        }
    }

    /// A body sinks, lies 0.2 m too deep from frame 60 to 120, and comes up again.
    #[test]
    fn a_body_that_sinks_is_lifted_as_far_as_it_rests() {
        let height = |frame: usize| {
            // It comes down and goes up without a blow.
            let away = frame.abs_diff(90).saturating_sub(30) as f64 / 30.0;
            -0.2 + 0.6 * away * away
        };
        let heights = (0..180).map(|frame| {
            let is_held = (60..=120).contains(&frame);
            Some((height(frame), is_held))
        });
        let rises = rise(&[track(heights.collect())], &[], &WEIGHTS, 180).unwrap();
        for (frame, rise) in rises.iter().enumerate() {
            let left = height(frame) + rise;
            assert!(left > -2e-3, "frame {frame}: {left}");
            if (60..=120).contains(&frame) {
                assert!(left.abs() < 1e-3, "frame {frame}: {left}");
            }
        }
        let far = rises[0].abs().max(rises[179].abs());
        assert!(far < 0.02, "{far}");
    }
}
