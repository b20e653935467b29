//! Smooth curves through time for authored motion.

use std::f64::consts::TAU;

pub(crate) use understudy_motion::signal::ease;

/// A broken line through knots, rounded so that its third derivative is continuous.
///
/// The line is convolved with a quadratic B-spline of three widths, in closed form: each corner of
/// the line becomes a sum of truncated fourth powers (de Boor, *A Practical Guide to Splines*,
/// chapter IX). Before the first knot and after the last the curve is level.
#[derive(Clone, Debug)]
pub(crate) struct Curve {
    first: f64,
    /// Time of each corner and the change of slope there.
    corners: Vec<(f64, f64)>,
    width_secs: f64,
}

impl Curve {
    /// A curve through (seconds, value) knots, which must be in order of time; corners are rounded
    /// over 1.5 widths to each side.
    pub(crate) fn new(knots: &[(f64, f64)], width_secs: f64) -> Self {
        let slopes: Vec<f64> = knots
            .windows(2)
            .map(|pair| (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0))
            .collect();
        let slope = |index: usize| slopes.get(index).copied().unwrap_or(0.0);
        let corners = knots
            .iter()
            .enumerate()
            .map(|(index, knot)| {
                let before = index.checked_sub(1).map_or(0.0, slope);
                (knot.0, slope(index) - before)
            })
            .collect();
        Self {
            first: knots.first().map_or(0.0, |knot| knot.1),
            corners,
            width_secs,
        }
    }

    /// The value at a time, seconds.
    pub(crate) fn at(&self, secs: f64) -> f64 {
        let rounded: f64 = self
            .corners
            .iter()
            .map(|&(corner, change)| change * rounded_ramp(secs - corner, self.width_secs))
            .sum();
        self.first + rounded
    }
}

/// max(x, 0) with its corner rounded over 1.5 widths to each side.
pub(crate) fn rounded_ramp(x: f64, width: f64) -> f64 {
    if x <= -1.5 * width {
        return 0.0;
    }
    if x >= 1.5 * width {
        return x;
    }
    let power = |shift: f64| (x + shift * width).max(0.0).powi(4);
    (power(1.5) - 3.0 * power(0.5) + 3.0 * power(-0.5) - power(-1.5)) / (24.0 * width.powi(3))
}

/// Value, first and second derivative at one time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct State {
    pub(crate) value: f64,
    pub(crate) rate: f64,
    pub(crate) acceleration: f64,
}

impl State {
    /// The state of a smooth function at a time, by central differences.
    pub(crate) fn of(function: impl Fn(f64) -> f64, secs: f64) -> Self {
        // Small enough for motion of the body, large enough for rounding.
        let step_secs = 1e-4;
        let (before, at, after) = (
            function(secs - step_secs),
            function(secs),
            function(secs + step_secs),
        );
        Self {
            value: at,
            rate: (after - before) / (2.0 * step_secs),
            acceleration: (after - 2.0 * at + before) / (step_secs * step_secs),
        }
    }
}

/// The quintic with given states at both ends, at `share` (0 to 1) of `duration_secs`.
pub(crate) fn quintic(from: State, to: State, duration_secs: f64, share: f64) -> f64 {
    let (d, t) = (duration_secs, share);
    let (v0, v1) = (from.rate * d, to.rate * d);
    let (a0, a1) = (from.acceleration * d * d, to.acceleration * d * d);
    let rise = to.value - from.value;
    let c3 = 10.0 * rise - 6.0 * v0 - 4.0 * v1 - 1.5 * a0 + 0.5 * a1;
    let c4 = -15.0 * rise + 8.0 * v0 + 7.0 * v1 + 1.5 * a0 - a1;
    let c5 = 6.0 * rise - 3.0 * v0 - 3.0 * v1 - 0.5 * a0 + 0.5 * a1;
    from.value + t * (v0 + t * (0.5 * a0 + t * (c3 + t * (c4 + t * c5))))
}

/// A bump of height 1 that starts and ends at 0 with both derivatives 0, its top at `peak`.
pub(crate) fn bump(x: f64, peak: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    // x^p (1 − x)^q has its top at p / (p + q); the smaller exponent stays at 3.
    let (p, q) = if peak < 0.5 {
        (3.0, 3.0 * (1.0 - peak) / peak)
    } else {
        (3.0 * peak / (1.0 - peak), 3.0)
    };
    let height = |x: f64| x.powf(p) * (1.0 - x).powf(q);
    height(x) / height(peak)
}

/// A sine of time with a frequency in hertz.
pub(crate) fn sine(secs: f64, hertz: f64) -> f64 {
    (TAU * hertz * secs).sin()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_stretch_stays_straight() {
        let curve = Curve::new(&[(0.0, 0.0), (1.0, 2.0), (3.0, 6.0), (5.0, 6.0)], 0.2);
        for secs in [0.4, 1.0, 2.0] {
            assert!((curve.at(secs) - 2.0 * secs).abs() < 1e-12);
        }
        assert_eq!(curve.at(-1.0), 0.0);
        assert!((curve.at(9.0) - 6.0).abs() < 1e-12);
    }

    #[test]
    fn corners_are_rounded_without_jumps() {
        let curve = Curve::new(&[(0.0, 1.0), (1.0, 0.0), (2.0, 1.0)], 0.1);
        let h = 1e-3;
        let second = |t: f64| (curve.at(t + h) - 2.0 * curve.at(t) + curve.at(t - h)) / (h * h);
        for step in 0..2000 {
            let secs = step as f64 * 1e-3;
            // The kernel's slope bounds the third derivative: 2 × slope change / width².
            let jump = (second(secs + h) - second(secs)).abs();
            assert!(jump < 2.0 * 2.0 / 0.01 * h * 1.1, "{jump} at {secs}");
        }
    }

    #[test]
    fn quintics_meet_their_ends() {
        let function = |t: f64| 0.3 + 2.0 * t - t * t + 0.5 * t * t * t;
        let (from, to) = (State::of(function, 0.5), State::of(function, 1.5));
        for share in [0.0, 0.25, 0.7, 1.0] {
            let expected = function(0.5 + share);
            assert!((quintic(from, to, 1.0, share) - expected).abs() < 1e-6);
        }
    }

    #[test]
    fn bumps_peak_where_told() {
        for peak in [0.3, 0.5, 0.7] {
            assert!((bump(peak, peak) - 1.0).abs() < 1e-12);
            assert!(bump(peak - 0.05, peak) < 1.0 && bump(peak + 0.05, peak) < 1.0);
            assert_eq!((bump(0.0, peak), bump(1.0, peak)), (0.0, 0.0));
        }
    }
}
