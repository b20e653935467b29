//! Sums of weighted squares over many frames, and steps that make them smaller.
//!
//! Gauss-Newton steps with backtracking (Nocedal and Wright, *Numerical Optimization*, sections 3.1 and
//! 10.3): each is halved until it helps. Terms tie neighbouring frames only, so the normal matrix is
//! banded and a step costs in proportion to the number of frames.

use crate::banded::{BandedMatrix, NotPositive};
use crate::smooth::THIRD;

/// Takes one term of a sum: residual, its gradient by unknown, its weight.
pub(crate) type Sink<'a> = dyn FnMut(f64, &[(usize, f64)], f64) + 'a;

/// A sum of weighted squares.
pub(crate) trait LeastSquares {
    /// The unknowns.
    fn values(&self) -> &[f64];

    /// The unknowns, to change.
    fn values_mut(&mut self) -> &mut Vec<f64>;

    /// How far apart two unknowns of one term are at most.
    fn bandwidth(&self) -> usize;

    /// Hands every term to the sink; without `slopes` gradients may be left empty.
    fn each_term(&self, slopes: bool, sink: &mut Sink<'_>);

    /// The sum.
    fn cost(&self) -> f64 {
        let mut cost = 0.0;
        self.each_term(false, &mut |residual, _, weight| {
            cost += weight * residual * residual;
        });
        cost
    }

    /// The Gauss-Newton step.
    ///
    /// # Errors
    /// Terms that hold values out of range.
    fn step(&self) -> Result<Vec<f64>, NotPositive> {
        let size = self.values().len();
        let mut matrix = BandedMatrix::new(size, self.bandwidth());
        let mut step = vec![0.0; size];
        self.each_term(true, &mut |residual, gradient, weight| {
            matrix.add_outer(gradient, weight);
            for &(index, value) in gradient {
                step[index] -= weight * residual * value;
            }
        });
        matrix.factor()?.solve(&mut step);
        Ok(step)
    }

    /// Goes along a step as far as it helps, halving it so often at most, and gives the new cost and
    /// the share walked; stays where no share helps.
    fn walk(&mut self, step: &[f64], cost: f64, halvings: usize) -> Option<(f64, f64)> {
        let before = self.values().to_vec();
        let mut share = 1.0;
        for _ in 0..halvings {
            for ((value, before), step) in self.values_mut().iter_mut().zip(&before).zip(step) {
                *value = before + share * step;
            }
            let next = self.cost();
            if next < cost {
                return Some((next, share));
            }
            share *= 0.5;
        }
        *self.values_mut() = before;
        None
    }

    /// Goes so many steps at most, until one gains less than a share or `goes_on` says no.
    ///
    /// # Errors
    /// As [`Self::step`].
    fn descend(
        &mut self,
        (steps, halvings): (usize, usize),
        least_gain: f64,
        goes_on: impl Fn() -> bool,
    ) -> Result<(), NotPositive> {
        let mut cost = self.cost();
        for _ in 0..steps {
            if !goes_on() {
                break;
            }
            let step = self.step()?;
            let Some((next, _)) = self.walk(&step, cost, halvings) else {
                break;
            };
            let gain = (cost - next) / cost;
            cost = next;
            if gain < least_gain {
                break;
            }
        }
        Ok(())
    }
}

/// What change and jerk of one unknown of each frame cost: first and third differences over time.
/// Unknown `slot` of frame `f` is number `f * width + slot` of `values`.
pub(crate) fn add_differences(
    values: &[f64],
    (slot, width): (usize, usize),
    [drag, stiffness]: [f64; 2],
    sink: &mut Sink<'_>,
) {
    let frames = values.len() / width;
    let at = |frame: usize| frame * width + slot;
    for frame in 1..frames {
        let gradient = [(at(frame - 1), -1.0), (at(frame), 1.0)];
        let change = values[at(frame)] - values[at(frame - 1)];
        sink(change, &gradient, drag);
    }
    for first in 0..frames.saturating_sub(3) {
        let gradient: [(usize, f64); 4] = std::array::from_fn(|i| (at(first + i), THIRD[i]));
        let difference = gradient.iter().map(|(i, w)| w * values[*i]).sum();
        sink(difference, &gradient, stiffness);
    }
}

#[cfg(test)]
pub(crate) mod testing {
    use super::*;

    /// Checks the gradient of a whole sum, put together from those of its terms, against central
    /// differences of `step`: within `share` of the larger of both, or of `least` where both are small.
    ///
    /// # Errors
    /// The first unknown whose gradient differs.
    pub(crate) fn check_gradient(
        problem: &mut impl LeastSquares,
        step: f64,
        (share, least): (f64, f64),
    ) -> Result<(), String> {
        let mut gradient = vec![0.0; problem.values().len()];
        problem.each_term(true, &mut |residual, terms, weight| {
            for &(index, value) in terms {
                gradient[index] += 2.0 * weight * residual * value;
            }
        });
        for (index, gradient) in gradient.into_iter().enumerate() {
            let at = problem.values()[index];
            let mut side = |sign: f64| {
                problem.values_mut()[index] = at + sign * step;
                let cost = problem.cost();
                problem.values_mut()[index] = at;
                cost
            };
            let slope = (side(1.0) - side(-1.0)) / (2.0 * step);
            let size = slope.abs().max(gradient.abs()).max(least);
            // An undefined number is no agreement.
            let agrees = (slope - gradient).abs() < share * size;
            if !agrees {
                return Err(format!("{index}: {slope} {gradient}"));
            }
        }
        Ok(())
    }
}
