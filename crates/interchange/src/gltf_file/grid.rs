//! The frame rate behind the key times of an animation.

use understudy_motion::rate::{frame_time_from_spoken, spoken_rate};

/// Share of a frame by which a key may miss its place on a grid: files print key times with as
/// few as three decimals, which at 30 frames per second is 1.5 per cent of a frame.
const GRID_TOLERANCE: f64 = 0.02;

/// No grid finer than this is looked for between keys, frames per second.
const FINEST_RATE: f64 = 240.0;

/// Most frames that are looked for between the two keys nearest to each other.
const MOST_PARTS: u32 = 1000;

/// Keys further apart than this are poses to blend between, not frames of a capture.
const COARSEST_RATE: f64 = 10.0;

/// Splines bend between their keys, so they are followed at no less than film rate.
const COARSEST_SPLINE_RATE: f64 = 24.0;

/// Uneven keys fall between frames, so their frames are at least this dense, per second.
const COARSEST_UNEVEN_RATE: f64 = 60.0;

/// Frame time of an animation whose keys are all at one moment, seconds.
const STILL_FRAME_TIME_SECS: f64 = 1.0 / 30.0;

/// Equal steps of time laid over keys.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Grid {
    pub frame_time_secs: f64,
    pub frame_count: f64,
    /// A key this near to a frame is that frame's key, seconds.
    pub snap_secs: f64,
    pub warning: Option<String>,
}

/// Frames at a rate that was asked for; none lies after the last key.
pub(super) fn forced(keys: &[f64], frame_time_secs: f64) -> Grid {
    let span = span(keys);
    Grid {
        frame_time_secs,
        frame_count: (span / frame_time_secs + 1e-4).floor() + 1.0,
        snap_secs: rounding(keys),
        warning: None,
    }
}

/// The grid that all keys lie on, or the finest spacing of keys where there is none. `keys` are
/// sorted and differ from each other, seconds.
pub(super) fn find(keys: &[f64], has_splines: bool) -> Grid {
    let Some(min_gap) = min_gap(keys) else {
        return Grid {
            frame_time_secs: STILL_FRAME_TIME_SECS,
            frame_count: 1.0,
            snap_secs: rounding(keys),
            warning: None,
        };
    };
    match uniform_step(keys, min_gap) {
        Some((step, steps)) => subdivided(keys, step, steps, has_splines),
        None => uneven(keys, min_gap),
    }
}

fn subdivided(keys: &[f64], step: f64, steps: f64, has_splines: bool) -> Grid {
    let coarsest = if has_splines {
        COARSEST_SPLINE_RATE
    } else {
        COARSEST_RATE
    };
    // The half per mille keeps 23.976 and printed times of 24 from being halved.
    let parts = if 1.0 / step < coarsest * 0.9985 {
        (COARSEST_SPLINE_RATE * step * 0.9985).ceil()
    } else {
        1.0
    };
    let warning = (parts > 1.0).then(|| {
        format!(
            "keys are {step:.4} s apart; read at {} frames per second",
            spoken_rate(step / parts)
        )
    });
    Grid {
        frame_time_secs: step / parts,
        frame_count: steps * parts + 1.0,
        snap_secs: GRID_TOLERANCE * step / parts + rounding(keys),
        warning,
    }
}

fn uneven(keys: &[f64], min_gap: f64) -> Grid {
    let step = min_gap.clamp(1.0 / FINEST_RATE, 1.0 / COARSEST_UNEVEN_RATE);
    Grid {
        frame_time_secs: step,
        frame_count: (span(keys) / step - 1e-6).ceil() + 1.0,
        snap_secs: rounding(keys),
        warning: Some(format!(
            "keys do not lie on an even grid; read at {} frames per second",
            spoken_rate(step)
        )),
    }
}

/// Largest step whose multiples meet all keys, and the number of steps from first to last key.
fn uniform_step(keys: &[f64], min_gap: f64) -> Option<(f64, f64)> {
    (1..=MOST_PARTS)
        .map(|parts| min_gap / f64::from(parts))
        .take_while(|step| *step == min_gap || *step * FINEST_RATE > 1.0 - 1e-3)
        .find_map(|step| {
            // A few keys nearly meet some fine grid by chance, so a grid finer than the keys
            // has to be met exactly.
            let tolerance = if step == min_gap { GRID_TOLERANCE } else { 0.0 };
            fit(keys, step, tolerance)
        })
}

fn fit(keys: &[f64], guess: f64, tolerance: f64) -> Option<(f64, f64)> {
    let first = *keys.first()?;
    let mut step = guess;
    let mut steps = Vec::with_capacity(keys.len());
    let mut total = 0.0;
    steps.push(total);
    for pair in keys.windows(2) {
        // Gap by gap, with a step that sharpens as its base grows: the error of the guess must
        // not add up.
        let gap = (pair[1] - pair[0]) / step;
        if (gap - gap.round()).abs() > 0.25 {
            return None;
        }
        total += gap.round();
        step = (pair[1] - first) / total;
        steps.push(total);
    }
    let misfit = |step: f64| {
        let misses = keys.iter().zip(&steps);
        misses.fold(0.0, |worst: f64, (key, count)| {
            worst.max((key - first - count * step).abs())
        })
    };
    let measured = misfit(step);
    if measured > tolerance * step + rounding(keys) {
        return None;
    }
    // The exact frame time of a rate that people use, where the keys cannot tell the difference.
    let exact = frame_times_near(step)
        .into_iter()
        .find(|exact| misfit(*exact) <= measured.max(rounding(keys)));
    Some((exact.unwrap_or(step), total))
}

/// Frame times that a measured one may stand for: the rate by its name or to three decimals, a
/// whole rate, a whole rate divided by 1.001.
fn frame_times_near(step: f64) -> Vec<f64> {
    let whole = (1.0 / step).round().max(1.0);
    let nominal = (1.001 / step).round().max(1.0);
    let spoken = frame_time_from_spoken(&spoken_rate(step));
    spoken
        .into_iter()
        .chain([1.0 / whole, 1001.0 / (1000.0 * nominal)])
        .collect()
}

fn span(keys: &[f64]) -> f64 {
    match (keys.first(), keys.last()) {
        (Some(first), Some(last)) => last - first,
        _ => 0.0,
    }
}

fn min_gap(keys: &[f64]) -> Option<f64> {
    keys.windows(2)
        .map(|pair| pair[1] - pair[0])
        .min_by(f64::total_cmp)
}

/// Rounding of key times: two units in the last place of single precision, and a microsecond for
/// times printed in decimals.
pub(super) fn rounding(keys: &[f64]) -> f64 {
    let largest = keys.iter().fold(0.0, |max: f64, key| max.max(key.abs()));
    largest * 2.0 * f64::from(f32::EPSILON) + 1e-6
}

#[cfg(test)]
mod tests {
    use super::*;

    fn singles(count: usize, frame_time: f64) -> Vec<f64> {
        (0..count)
            .map(|frame| f64::from((frame as f64 * frame_time) as f32))
            .collect()
    }

    #[test]
    fn single_precision_keys_give_exact_rates() {
        for (rate, frames) in [
            (30.0, 1801),
            (60.0, 3601),
            (120.0, 7201),
            (30000.0 / 1001.0, 1800),
            (24000.0 / 1001.0, 900),
            (240.0, 10),
            (1000.0, 20_000),
        ] {
            let grid = find(&singles(frames, 1.0 / rate), false);
            assert_eq!(grid.frame_time_secs, 1.0 / rate, "{rate}");
            assert_eq!(grid.frame_count, frames as f64);
            assert_eq!(grid.warning, None);
        }
    }

    #[test]
    fn printed_keys_give_exact_rates() {
        let keys: Vec<f64> = (0..200)
            .map(|frame| (f64::from(frame) / 30.0 * 1000.0).round() / 1000.0)
            .collect();
        let grid = find(&keys, false);
        assert_eq!(grid.frame_time_secs, 1.0 / 30.0);
        assert_eq!(grid.frame_count, 200.0);
    }

    #[test]
    fn thinned_keys_show_the_grid_they_come_from() {
        let grid = find(&[0.0, 2.0 / 30.0, 5.0 / 30.0, 9.0 / 30.0], false);
        assert!((grid.frame_time_secs - 1.0 / 30.0).abs() < 1e-15);
        assert_eq!(grid.frame_count, 10.0);
    }

    #[test]
    fn far_keys_are_divided_and_uneven_ones_warned_about() {
        let grid = find(&[0.0, 1.0, 2.0], false);
        assert_eq!((grid.frame_time_secs, grid.frame_count), (1.0 / 24.0, 49.0));
        assert!(grid.warning.is_some());
        let grid = find(&[0.0, 0.1, 0.1 + 1.0 / 77.7, 0.5271], false);
        assert!(grid.warning.is_some_and(|text| text.contains("even grid")));
        let grid = find(&[0.0, 1.0, 2.513_17], false);
        assert_eq!(grid.frame_time_secs, 1.0 / 60.0);
        let grid = find(&[3.0], false);
        assert_eq!((grid.frame_count, grid.warning), (1.0, None));
    }

    #[test]
    fn a_forced_rate_never_goes_past_the_end() {
        assert_eq!(forced(&[0.0, 1.0], 1.0 / 30.0).frame_count, 31.0);
        assert_eq!(forced(&[0.0, 0.99], 1.0 / 30.0).frame_count, 30.0);
        assert_eq!(forced(&[0.5], 1.0 / 30.0).frame_count, 1.0);
    }
}
