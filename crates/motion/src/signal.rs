//! Small numeric helpers for values over frames.

use glam::DVec3;

/// 0 up to 0, 1 from 1 on, first and second derivative 0 at both ends: 6x⁵ − 15x⁴ + 10x³.
pub fn ease(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * x * (10.0 + x * (6.0 * x - 15.0))
}

/// First derivative by central differences (one-sided at the ends), per second.
pub fn velocity(values: &[DVec3], frame_time_secs: f64) -> Vec<DVec3> {
    let last = values.len().saturating_sub(1);
    (0..values.len())
        .map(|frame| {
            let (before, after) = (frame.saturating_sub(1), (frame + 1).min(last));
            if before == after {
                DVec3::ZERO
            } else {
                (values[after] - values[before]) / ((after - before) as f64 * frame_time_secs)
            }
        })
        .collect()
}

/// Second derivative by the three-point difference, per second squared; the two ends repeat their
/// neighbours. Empty or all zero for fewer than three frames.
pub fn acceleration(values: &[f64], frame_time_secs: f64) -> Vec<f64> {
    let count = values.len();
    let mut result = vec![0.0; count];
    for frame in 1..count.saturating_sub(1) {
        result[frame] = (values[frame + 1] - 2.0 * values[frame] + values[frame - 1])
            / (frame_time_secs * frame_time_secs);
    }
    if count >= 3 {
        result[0] = result[1];
        result[count - 1] = result[count - 2];
    }
    result
}

/// The value below which the share `q` (0 to 1) of the values lies, linearly interpolated; `None`
/// for no values. Values that are not finite are left out.
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    let at = q.clamp(0.0, 1.0) * last as f64;
    let (low, high) = (at.floor() as usize, at.ceil() as usize);
    Some(sorted[low] + (sorted[high] - sorted[low]) * (at - low as f64))
}

/// The middle value; `None` for no values.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Zero-lag low-pass filter: a second-order Butterworth filter run forwards and backwards.
///
/// Winter, *Biomechanics and Motor Control of Human Movement*, section 3.4.4.2, gives the
/// recursion and the correction of the cut-off for two passes (0.802). The ends are extended by
/// point reflection so that trends are kept. Where the cut-off is not below half the frame rate
/// the values come back unchanged.
pub fn low_pass(values: &[f64], cutoff_hz: f64, frame_time_secs: f64) -> Vec<f64> {
    let count = values.len();
    if count < 4 || cutoff_hz * frame_time_secs >= 0.4 {
        return values.to_vec();
    }
    let warped = (std::f64::consts::PI * cutoff_hz * frame_time_secs).tan() / 0.802;
    let k1 = std::f64::consts::SQRT_2 * warped;
    let k2 = warped * warped;
    let a0 = k2 / (1.0 + k1 + k2);
    let k3 = 2.0 * a0 / k2;
    let coefficients = [a0, 2.0 * a0, a0, -2.0 * a0 + k3, 1.0 - 2.0 * a0 - k3];
    let pad = (count - 1).min((1.0 / (cutoff_hz * frame_time_secs)).ceil() as usize);
    let (first, last) = (values[0], values[count - 1]);
    let mut padded: Vec<f64> = Vec::with_capacity(count + 2 * pad);
    padded.extend((1..=pad).rev().map(|i| 2.0 * first - values[i]));
    padded.extend_from_slice(values);
    padded.extend((1..=pad).map(|i| 2.0 * last - values[count - 1 - i]));
    for _ in 0..2 {
        run_recursion(&mut padded, coefficients);
        padded.reverse();
    }
    padded[pad..pad + count].to_vec()
}

fn run_recursion(values: &mut [f64], [a0, a1, a2, b1, b2]: [f64; 5]) {
    let start = values[0];
    let (mut x1, mut x2, mut y1, mut y2) = (start, start, start, start);
    for value in values {
        let x0 = *value;
        let y0 = a0 * x0 + a1 * x1 + a2 * x2 + b1 * y1 + b2 * y2;
        (x2, x1, y2, y1) = (x1, x0, y1, y0);
        *value = y0;
    }
}

/// [`low_pass`] for each coordinate.
pub fn low_pass_points(values: &[DVec3], cutoff_hz: f64, frame_time_secs: f64) -> Vec<DVec3> {
    each_axis(values, |column| {
        low_pass(&column, cutoff_hz, frame_time_secs)
    })
}

/// What `change` makes of the columns of x, y and z; it keeps their length.
pub fn each_axis(values: &[DVec3], change: impl Fn(Vec<f64>) -> Vec<f64>) -> Vec<DVec3> {
    let column = |axis: usize| change(values.iter().map(|value| value[axis]).collect());
    let (x, y, z) = (column(0), column(1), column(2));
    x.into_iter()
        .zip(y)
        .zip(z)
        .map(|((x, y), z)| DVec3::new(x, y, z))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn slow_waves_pass_and_fast_ones_do_not() {
        let frame_time = 1.0 / 120.0;
        let wave = |hz: f64| -> Vec<f64> {
            (0..600)
                .map(|i| (TAU * hz * i as f64 * frame_time).sin())
                .collect()
        };
        let amplitude =
            |values: &[f64]| values[200..400].iter().fold(0.0f64, |m, v| m.max(v.abs()));
        assert!(amplitude(&low_pass(&wave(1.0), 6.0, frame_time)) > 0.99);
        assert!(amplitude(&low_pass(&wave(30.0), 6.0, frame_time)) < 0.01);
        // At the cut-off two passes leave half the power.
        let at_cutoff = amplitude(&low_pass(&wave(6.0), 6.0, frame_time));
        assert!((at_cutoff - 0.707).abs() < 0.02, "{at_cutoff}");
    }

    #[test]
    fn a_ramp_stays_a_ramp() {
        let ramp: Vec<f64> = (0..200).map(|i| 0.5 * i as f64).collect();
        for (a, b) in low_pass(&ramp, 6.0, 1.0 / 60.0).iter().zip(&ramp) {
            assert!((a - b).abs() < 0.02);
        }
    }

    #[test]
    fn derivatives_of_a_parabola() {
        let dt = 0.1;
        let parabola: Vec<f64> = (0..10).map(|i| (i as f64 * dt).powi(2)).collect();
        for a in acceleration(&parabola, dt) {
            assert!((a - 2.0).abs() < 1e-12);
        }
        let line: Vec<DVec3> = (0..5).map(|i| DVec3::X * i as f64 * dt).collect();
        for v in velocity(&line, dt) {
            assert!((v - DVec3::X).length() < 1e-12);
        }
    }

    #[test]
    fn quantiles() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(quantile(&[0.0, 10.0], 0.25), Some(2.5));
        assert_eq!(median(&[f64::NAN]), None);
    }
}
