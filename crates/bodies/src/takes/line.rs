//! Smooth lines through time, and paths made of three of them.

use std::f64::consts::PI;
use std::sync::Arc;

use glam::DVec3;

use crate::curve::{State, quintic};

/// A number over time in seconds, with continuous second derivative.
#[derive(Clone)]
pub(crate) struct Line(Arc<dyn Fn(f64) -> f64 + Send + Sync>);

impl Line {
    /// A line by its function.
    pub(crate) fn new(function: impl Fn(f64) -> f64 + Send + Sync + 'static) -> Self {
        Self(Arc::new(function))
    }

    /// The same value at all times.
    pub(crate) fn level(value: f64) -> Self {
        Self::new(move |_| value)
    }

    /// A line through (seconds, value) keys in order of time, level before and after.
    ///
    /// Two equal keys in a row are a hold. From rest to rest a piece is the quintic of least jerk,
    /// which is how people move a hand (Flash & Hogan 1985, doi 10.1523/JNEUROSCI.05-07-01688.1985);
    /// a key that is a turning point is passed as a cosine would pass it, any other without a stop.
    pub(crate) fn through(keys: &[(f64, f64)]) -> Self {
        let keys = keys.to_vec();
        let states: Vec<State> = (0..keys.len()).map(|key| state_at(&keys, key)).collect();
        Self::new(move |secs| {
            let after = keys.partition_point(|key| key.0 <= secs);
            match (after.checked_sub(1), keys.get(after)) {
                (None, Some(first)) => first.1,
                (None, None) => 0.0,
                (Some(last), None) => keys[last].1,
                (Some(before), Some(next)) => {
                    let duration_secs = next.0 - keys[before].0;
                    let share = (secs - keys[before].0) / duration_secs;
                    quintic(states[before], states[after], duration_secs, share)
                }
            }
        })
    }

    /// The value at a time, seconds.
    pub(crate) fn at(&self, secs: f64) -> f64 {
        (self.0)(secs)
    }

    /// The sum of two lines.
    pub(crate) fn plus(&self, other: &Self) -> Self {
        let (a, b) = (self.clone(), other.clone());
        Self::new(move |secs| a.at(secs) + b.at(secs))
    }

    /// This line times a number.
    pub(crate) fn times(&self, factor: f64) -> Self {
        let line = self.clone();
        Self::new(move |secs| factor * line.at(secs))
    }

    /// This line until `from_secs`, another from `to_secs` on, and a quintic between that takes
    /// over value, speed and acceleration of both.
    pub(crate) fn then(&self, from_secs: f64, to_secs: f64, other: &Self) -> Self {
        let (before, after) = (self.clone(), other.clone());
        let start = State::of(|t| before.at(t), from_secs);
        let end = State::of(|t| after.at(t), to_secs);
        Self::new(move |secs| {
            if secs <= from_secs {
                before.at(secs)
            } else if secs >= to_secs {
                after.at(secs)
            } else {
                let duration_secs = to_secs - from_secs;
                quintic(
                    start,
                    end,
                    duration_secs,
                    (secs - from_secs) / duration_secs,
                )
            }
        })
    }
}

/// Value, speed and acceleration at a key.
fn state_at(keys: &[(f64, f64)], key: usize) -> State {
    let (secs, value) = keys[key];
    let rest = State {
        value,
        rate: 0.0,
        acceleration: 0.0,
    };
    let (Some(before), Some(after)) = (key.checked_sub(1).map(|k| keys[k]), keys.get(key + 1))
    else {
        return rest;
    };
    let (rise_in, rise_out) = (value - before.1, after.1 - value);
    let (secs_in, secs_out) = (secs - before.0, after.0 - secs);
    let product = rise_in * rise_out;
    if product.abs() < 1e-18 {
        return rest;
    }
    if product < 0.0 {
        // The acceleration of a half cosine of that height and duration, of the gentler side.
        let bend = |rise: f64, duration_secs: f64| rise.abs() / (duration_secs * duration_secs);
        let gentler = bend(rise_in, secs_in).min(bend(rise_out, secs_out));
        return State {
            acceleration: rise_out.signum() * gentler * PI * PI / 2.0,
            ..rest
        };
    }
    // The harmonic mean of both slopes keeps the line from overshooting (Fritsch & Butland 1984,
    // doi 10.1137/0905021).
    let (slope_in, slope_out) = (rise_in / secs_in, rise_out / secs_out);
    State {
        rate: 2.0 * slope_in * slope_out / (slope_in + slope_out),
        ..rest
    }
}

/// A point over time.
#[derive(Clone)]
pub(crate) struct Path(Arc<dyn Fn(f64) -> DVec3 + Send + Sync>);

impl Path {
    /// A path by its function.
    pub(crate) fn by(function: impl Fn(f64) -> DVec3 + Send + Sync + 'static) -> Self {
        Self(Arc::new(function))
    }

    /// A path through (seconds, point) keys; see [`Line::through`].
    pub(crate) fn through(keys: &[(f64, DVec3)]) -> Self {
        let axis = |pick: fn(DVec3) -> f64| {
            let keys: Vec<(f64, f64)> = keys.iter().map(|&(t, p)| (t, pick(p))).collect();
            Line::through(&keys)
        };
        let (x, y, z) = (axis(|p| p.x), axis(|p| p.y), axis(|p| p.z));
        Self::by(move |secs| DVec3::new(x.at(secs), y.at(secs), z.at(secs)))
    }

    /// The point at a time, seconds.
    pub(crate) fn at(&self, secs: f64) -> DVec3 {
        (self.0)(secs)
    }
}

/// Numbers at even times, smoothed by a cubic B-spline, which has two continuous derivatives.
pub(crate) struct Series {
    values: Vec<f64>,
    step_secs: f64,
}

impl Series {
    /// Control values of `function` every `step_secs` from 0 to `end_secs`; level before and after.
    pub(crate) fn sampled(function: impl Fn(f64) -> f64, end_secs: f64, step_secs: f64) -> Self {
        let count = (end_secs / step_secs).ceil() as usize + 1;
        let values = (0..count).map(|index| function(index as f64 * step_secs));
        Self {
            values: values.collect(),
            step_secs,
        }
    }

    /// Each value replaced by the least within `reach` places of it.
    pub(crate) fn lowest_near(self, reach: usize) -> Self {
        let low = |index: usize| {
            let from = index.saturating_sub(reach);
            let to = (index + reach).min(self.values.len() - 1);
            self.values[from..=to]
                .iter()
                .copied()
                .fold(f64::INFINITY, f64::min)
        };
        Self {
            values: (0..self.values.len()).map(low).collect(),
            step_secs: self.step_secs,
        }
    }

    /// Each value replaced by the mean over `reach` places to both sides.
    pub(crate) fn averaged(self, reach: usize) -> Self {
        let mean = |index: usize| {
            let places =
                (0..=2 * reach).map(|k| self.value(index as i64 + k as i64 - reach as i64));
            places.sum::<f64>() / (2 * reach + 1) as f64
        };
        Self {
            values: (0..self.values.len()).map(mean).collect(),
            step_secs: self.step_secs,
        }
    }

    fn value(&self, index: i64) -> f64 {
        let last = self.values.len() as i64 - 1;
        let index = index.clamp(0, last.max(0)) as usize;
        self.values.get(index).copied().unwrap_or(0.0)
    }

    fn at(&self, secs: f64) -> f64 {
        let place = secs / self.step_secs;
        let first = place.floor();
        let u = place - first;
        let weights = [
            (1.0 - u).powi(3) / 6.0,
            (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
            (-3.0 * u * u * u + 3.0 * u * u + 3.0 * u + 1.0) / 6.0,
            u * u * u / 6.0,
        ];
        (0..4)
            .map(|k| weights[k] * self.value(first as i64 - 1 + k as i64))
            .sum()
    }

    /// The series as a line.
    pub(crate) fn line(self) -> Line {
        Line::new(move |secs| self.at(secs))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_pass_their_keys_and_bend_smoothly() {
        let keys = [
            (0.0, 0.0),
            (0.4, 1.0),
            (0.7, 1.0),
            (1.5, -0.5),
            (2.0, 0.3),
            (2.2, 0.9),
        ];
        let line = Line::through(&keys);
        for (secs, value) in keys {
            assert!((line.at(secs) - value).abs() < 1e-12);
        }
        assert_eq!((line.at(-1.0), line.at(0.5), line.at(9.0)), (0.0, 1.0, 0.9));
        let h = 1e-4;
        let second = |t: f64| (line.at(t + h) - 2.0 * line.at(t) + line.at(t - h)) / (h * h);
        for step in 0..24_000 {
            let secs = step as f64 * 1e-4 - 0.1;
            // A jump of the second derivative would be whole units; the third stays below
            // 60 · rise / duration³ of the shortest piece.
            assert!((second(secs + h) - second(secs)).abs() < 60.0 * 0.6 / 0.008 * h * 1.5);
        }
    }

    #[test]
    fn a_series_keeps_straight_lines() {
        let line = Series::sampled(|t| 2.0 * t, 3.0, 0.05).averaged(2).line();
        for secs in [0.5, 1.234, 2.5] {
            assert!((line.at(secs) - 2.0 * secs).abs() < 1e-12);
        }
    }

    #[test]
    fn one_line_goes_over_into_another() {
        let (a, b) = (Line::level(1.0), Line::new(|t| 3.0 + t));
        let line = a.then(1.0, 2.0, &b);
        assert_eq!((line.at(0.5), line.at(2.5)), (1.0, 5.5));
        let slope = (line.at(2.0) - line.at(2.0 - 1e-4)) / 1e-4;
        assert!((slope - 1.0).abs() < 1e-3, "{slope}");
    }
}
