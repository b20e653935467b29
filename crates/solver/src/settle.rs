//! Pelvis and swinging feet give way: smooth offsets over the whole clip, so that planted legs
//! reach the floor, knees keep the bend they have in plain transfer, and none of them pops.
//!
//! Least squares over all frames at once, by Gauss and Newton's method. Unknown per frame are the
//! offset of the pelvis and one of each foot, three coordinates each; a planted foot's offset is
//! held at zero. The terms are
//!
//! - smoothness: third and first differences of every offset, and the offset itself, so that it
//!   fades;
//! - knee: bend of each leg against its wanted bend, and second differences of that error;
//! - pop: second differences of the bend must not exceed a limit;
//! - reach: a leg must not be stretched or folded beyond its limits;
//! - floor: a swinging foot must stay above the floor;
//! - rest: what the body rests on lies on the floor, and nothing of it below.
//!
//! All are local in time, so the normal matrix is banded and the cost linear in the frames.

use understudy_motion::DVec3;

use crate::banded::NotPositive;
use crate::least_squares::{LeastSquares, Sink, add_differences};
use crate::leg::Reach;
use crate::retarget::SolveError;
use crate::smooth::{fade_frames, lift_above_zero};
use crate::watch::Watch;

/// One leg over all frames.
pub struct LegTrack {
    /// Hip in plain transfer, world, metres.
    pub hips: Vec<DVec3>,
    /// Where the ankle should be, world, metres; exact where the foot is planted.
    pub ankles: Vec<DVec3>,
    /// Height of the lowest point of the sole above the floor, metres.
    pub clearances: Vec<f64>,
    /// Geometry of the leg.
    pub reaches: Vec<Reach>,
    /// Wanted bend of the knee, radians.
    pub wanted_bends: Vec<f64>,
    /// Least bend the leg may be stretched to, radians.
    pub least_bends: Vec<f64>,
    /// Largest bend the leg may be folded to, radians.
    pub largest_bends: Vec<f64>,
    /// Largest second difference of the bend from frame to frame, radians.
    pub largest_curve: f64,
    /// Whether the foot is planted.
    pub planted: Vec<bool>,
}

impl LegTrack {
    /// Some frames of it, `first..=last`.
    pub fn within(&self, [first, last]: [usize; 2]) -> Self {
        Self {
            hips: self.hips[first..=last].to_vec(),
            ankles: self.ankles[first..=last].to_vec(),
            clearances: self.clearances[first..=last].to_vec(),
            reaches: self.reaches[first..=last].to_vec(),
            wanted_bends: self.wanted_bends[first..=last].to_vec(),
            least_bends: self.least_bends[first..=last].to_vec(),
            largest_bends: self.largest_bends[first..=last].to_vec(),
            largest_curve: self.largest_curve,
            planted: self.planted[first..=last].to_vec(),
        }
    }

    /// Every `step`th frame, the first included.
    pub fn sampled(&self, step: usize) -> Self {
        fn every<T: Copy>(all: &[T], step: usize) -> Vec<T> {
            all.iter().step_by(step).copied().collect()
        }
        Self {
            hips: every(&self.hips, step),
            ankles: every(&self.ankles, step),
            clearances: every(&self.clearances, step),
            reaches: every(&self.reaches, step),
            wanted_bends: every(&self.wanted_bends, step),
            least_bends: every(&self.least_bends, step),
            largest_bends: every(&self.largest_bends, step),
            // Second differences grow with the square of the step.
            largest_curve: self.largest_curve * (step * step) as f64,
            planted: every(&self.planted, step),
        }
    }
}

/// A part of the body near the floor, over all frames.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RestTrack {
    /// Height above the floor along Y with the pelvis where it is in plain transfer, metres, and whether
    /// it rests there; where it does not, it only stays above. `None` where it is not near.
    pub heights: Vec<Option<(f64, bool)>>,
    /// Change of the height by an offset of the pelvis.
    pub slope: DVec3,
    /// Weight against what should hold.
    pub firmness: f64,
}

impl RestTrack {
    /// One frame of it.
    pub fn within(&self, frame: usize) -> Self {
        Self {
            heights: vec![self.heights[frame]],
            ..*self
        }
    }

    /// Hands on, frame by frame, the height (metres) with the pelvis moved by an offset (metres), where it
    /// should be none: what rests, and what has gone below the floor.
    pub(crate) fn each_height(
        &self,
        offset: impl Fn(usize) -> DVec3,
        mut hand_on: impl FnMut(usize, f64),
    ) {
        for (frame, height) in self.heights.iter().enumerate() {
            let Some((height, is_held)) = height else {
                continue;
            };
            let height = height + self.slope.dot(offset(frame));
            if *is_held || height < 0.0 {
                hand_on(frame, height);
            }
        }
    }
}

/// Sizes that weigh the terms against each other.
#[derive(Clone, Copy, Debug)]
pub struct Weights {
    /// An offset of this size counts as much as a knee error of `bend_error`, metres.
    pub offset_m: f64,
    /// See `offset_m`, radians.
    pub bend_error: f64,
    /// Time scale of smoothness, seconds.
    pub fade_secs: f64,
    /// Time from frame to frame, seconds.
    pub frame_time_secs: f64,
    /// Factor on what offsets of the pelvis along the floor cost; 1 where they cost what heights do.
    pub level_hold: f64,
}

/// What gives way, frame by frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Offsets {
    /// Of the pelvis, world, metres.
    pub pelvis: Vec<DVec3>,
    /// Of each foot, `[leg][frame]`, world, metres; zero where it is planted.
    pub feet: Vec<Vec<DVec3>>,
}

impl Offsets {
    /// The same with the pelvis shifted besides, frame by frame, metres.
    pub fn shifted(&self, shifts: &[DVec3]) -> Self {
        let both = self.pelvis.iter().zip(shifts);
        Self {
            pelvis: both.map(|(offset, shift)| *offset + *shift).collect(),
            feet: self.feet.clone(),
        }
    }
}

/// Most steps in each round.
const STEPS: usize = 60;

/// Most times a step is halved.
const HALVINGS: usize = 14;

/// Below this bend (radians) the change of bend with distance is taken as if at it: a straight
/// leg would otherwise answer a hair's breadth with degrees.
const STRAIGHTEST: f64 = 0.05;

/// Weight of the knee error of a swinging leg against that of a planted one: a swinging foot is
/// free, so the pelvis need not follow it.
const SWING: f64 = 0.02;

/// How much longer the pelvis takes to give way than a foot: it carries the body's weight.
pub(crate) const PELVIS_FADE: f64 = 2.5;

/// Weight of reach and floor against what should hold.
const FIRM: f64 = 1e4;

/// Weights of the limit on pops against what should hold, from round to round, and the relative
/// gain below which a round ends: starting soft keeps the steps from getting caught between
/// limits, and only the last round must be exact.
const FIRMNESS: [(f64, f64); 4] = [(1.0, 1e-3), (30.0, 1e-3), (1e3, 1e-3), (1e4, 1e-12)];

/// The same where a tenth of a millimetre is near enough, and time is short.
const ROUGHLY: [(f64, f64); 3] = [(1.0, 1e-2), (1e2, 1e-2), (1e4, 1e-3)];

/// Weight of a planted foot's offset being zero.
const FIXED: f64 = 1e8;

/// Finds the offsets.
///
/// # Errors
/// Input that is not finite, or the word of who watches to stop.
pub fn settle(
    legs: &[LegTrack],
    rests: &[RestTrack],
    weights: &Weights,
    watch: Watch<'_>,
) -> Result<Offsets, SolveError> {
    settle_in_rounds((legs, rests, &[]), weights, &FIRMNESS, watch)
}

/// As [`settle`], sooner and not as exactly. `known` are offsets of the pelvis that stay, frame by frame,
/// metres; it may be empty.
///
/// # Errors
/// Input that is not finite.
pub fn settle_roughly(
    legs: &[LegTrack],
    rests: &[RestTrack],
    known: &[Option<DVec3>],
    weights: &Weights,
) -> Result<Offsets, SolveError> {
    settle_in_rounds((legs, rests, known), weights, &ROUGHLY, Watch::nobody())
}

fn settle_in_rounds(
    (legs, rests, known): (&[LegTrack], &[RestTrack], &[Option<DVec3>]),
    weights: &Weights,
    rounds: &[(f64, f64)],
    watch: Watch<'_>,
) -> Result<Offsets, SolveError> {
    let frames = legs.iter().map(|leg| leg.hips.len()).min().unwrap_or(0);
    let mut problem = Problem {
        legs,
        rests,
        known,
        weights,
        frames,
        width: 3 * (legs.len() + 1),
        firmness: 1.0,
        values: vec![0.0; frames * 3 * (legs.len() + 1)],
    };
    for (round, (firmness, least_gain)) in rounds.iter().enumerate() {
        problem.firmness = *firmness;
        let at = |round: usize| round as f64 / rounds.len() as f64;
        problem.minimise(*least_gain, watch.part(at(round), at(round + 1)))?;
    }
    let mut offsets = problem.offsets();
    drop_into_reach(legs, weights, &mut offsets)?;
    Ok(offsets)
}

struct Problem<'a> {
    legs: &'a [LegTrack],
    rests: &'a [RestTrack],
    /// Offsets of the pelvis that stay, frame by frame; empty where none does.
    known: &'a [Option<DVec3>],
    weights: &'a Weights,
    frames: usize,
    /// Unknowns per frame.
    width: usize,
    /// Weight of what must hold against what should.
    firmness: f64,
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
        4 * self.width - 1
    }

    fn each_term(&self, _slopes: bool, sink: &mut Sink<'_>) {
        self.add_smoothness(sink);
        for (index, leg) in self.legs.iter().enumerate() {
            self.add_knee(sink, index, leg);
            self.add_floor(sink, index, leg);
        }
        for rest in self.rests {
            self.add_rest(sink, rest);
        }
    }
}

impl Problem<'_> {
    fn offset(&self, frame: usize, block: usize) -> DVec3 {
        let at = frame * self.width + 3 * block;
        DVec3::from_slice(&self.values[at..at + 3])
    }

    fn offsets(&self) -> Offsets {
        let feet = self.legs.iter().enumerate().map(|(index, leg)| {
            (0..self.frames)
                .map(|frame| {
                    if leg.planted[frame] {
                        DVec3::ZERO
                    } else {
                        self.offset(frame, index + 1)
                    }
                })
                .collect()
        });
        Offsets {
            feet: feet.collect(),
            pelvis: (0..self.frames).map(|f| self.offset(f, 0)).collect(),
        }
    }

    /// Goes on until a step gains little. The limits make the sum piecewise smooth, and a whole step
    /// often jumps from one piece to the next.
    fn minimise(&mut self, least_gain: f64, watch: Watch<'_>) -> Result<(), SolveError> {
        /// Steps after which half of a round is taken to be done: how many there will be is not known.
        const HALF: f64 = 6.0;
        let mut cost = self.cost();
        for step in 0..STEPS {
            watch.at(1.0 - 0.5_f64.powf(step as f64 / HALF))?;
            let step = self.step()?;
            let Some((next, share)) = self.walk(&step, cost, HALVINGS) else {
                break;
            };
            let gain = (cost - next) / cost;
            cost = next;
            if gain < least_gain && share > 0.1 {
                break;
            }
        }
        Ok(())
    }

    fn add_smoothness(&self, sink: &mut Sink<'_>) {
        let base = self.weights.offset_m.powi(-2);
        for slot in 0..self.width {
            let is_pelvis = slot < 3;
            let pull = match slot {
                0 | 2 => base * self.weights.level_hold,
                _ => base,
            };
            let fade_secs = if is_pelvis { PELVIS_FADE } else { 1.0 } * self.weights.fade_secs;
            let ratio = fade_frames(fade_secs, self.weights.frame_time_secs);
            let stiffness = pull * ratio.powi(6);
            let at = |frame: usize| frame * self.width + slot;
            for frame in 0..self.frames {
                let fixed = match is_pelvis {
                    true => self
                        .known
                        .get(frame)
                        .and_then(|known| Some((*known)?[slot])),
                    false => self.legs[slot / 3 - 1].planted[frame].then_some(0.0),
                };
                let weight = fixed.map_or(pull, |_| FIXED * stiffness);
                let error = self.values[at(frame)] - fixed.unwrap_or(0.0);
                sink(error, &[(at(frame), 1.0)], weight);
            }
            // Changes cost as well: without, nothing would keep the two ends of the clip from
            // drifting off along a parabola.
            let drag = pull * ratio.powi(2);
            add_differences(&self.values, (slot, self.width), [drag, stiffness], sink);
        }
    }

    /// Hip as seen from the ankle in one frame, metres.
    fn to_hip(&self, index: usize, leg: &LegTrack, frame: usize) -> DVec3 {
        let hip = leg.hips[frame] + self.offset(frame, 0);
        let ankle = leg.ankles[frame] + self.offset(frame, index + 1);
        hip - ankle
    }

    /// Entries of a gradient: `direction` for the pelvis, its opposite for the foot.
    fn gradient(&self, index: usize, frame: usize, direction: DVec3) -> [(usize, f64); 6] {
        let at = frame * self.width;
        std::array::from_fn(|i| {
            if i < 3 {
                (at + i, direction[i])
            } else {
                (at + 3 * (index + 1) + i - 3, -direction[i - 3])
            }
        })
    }

    fn add_knee(&self, sink: &mut Sink<'_>, index: usize, leg: &LegTrack) {
        let base = self.weights.bend_error.powi(-2);
        let ratio = (0.1 * self.weights.fade_secs / self.weights.frame_time_secs).max(1.0);
        let stiffness = base * ratio.powi(4);
        let bends: Vec<(f64, DVec3)> = (0..self.frames)
            .map(|frame| bend_and_gradient(&leg.reaches[frame], self.to_hip(index, leg, frame)))
            .collect();
        for (frame, (bend, direction)) in bends.iter().enumerate() {
            let weight = if leg.planted[frame] {
                base
            } else {
                SWING * base
            };
            let gradient = self.gradient(index, frame, *direction);
            sink(*bend - leg.wanted_bends[frame], &gradient, weight);
            self.add_reach(sink, index, leg, frame);
        }
        for middle in 1..self.frames.saturating_sub(1) {
            let frames = [middle - 1, middle, middle + 1];
            let factors = [1.0, -2.0, 1.0];
            let curve_of = |value: &dyn Fn(usize) -> f64| -> f64 {
                frames.iter().zip(factors).map(|(f, w)| w * value(*f)).sum()
            };
            let mut gradient = Vec::with_capacity(18);
            for (frame, factor) in frames.into_iter().zip(factors) {
                gradient.extend(self.gradient(index, frame, factor * bends[frame].1));
            }
            let error = curve_of(&|frame| bends[frame].0 - leg.wanted_bends[frame]);
            sink(error, &gradient, stiffness);
            let curve = curve_of(&|frame| bends[frame].0);
            let excess = curve.abs() - leg.largest_curve;
            if excess > 0.0 && leg.largest_curve > 0.0 {
                let weight = self.firmness * leg.largest_curve.powi(-2);
                sink(excess * curve.signum(), &gradient, weight);
            }
        }
    }

    fn add_reach(&self, sink: &mut Sink<'_>, index: usize, leg: &LegTrack, frame: usize) {
        let to_hip = self.to_hip(index, leg, frame);
        let distance = to_hip.length();
        let reach = leg.reaches[frame];
        // Positive where the leg is stretched too far, negative where it is folded too far.
        let excess = (distance - reach.distance(leg.least_bends[frame])).max(0.0)
            + (distance - reach.distance(leg.largest_bends[frame])).min(0.0);
        if excess != 0.0 && distance > 0.0 {
            let gradient = self.gradient(index, frame, to_hip / distance);
            let weight = FIRM * self.weights.offset_m.powi(-2);
            sink(excess, &gradient, weight);
        }
    }

    fn add_rest(&self, sink: &mut Sink<'_>, rest: &RestTrack) {
        let weight = rest.firmness * self.weights.offset_m.powi(-2);
        rest.each_height(
            |frame| self.offset(frame, 0),
            |frame, height| {
                let at = frame * self.width;
                let gradient: [(usize, f64); 3] = std::array::from_fn(|i| (at + i, rest.slope[i]));
                sink(height, &gradient, weight);
            },
        );
    }

    fn add_floor(&self, sink: &mut Sink<'_>, index: usize, leg: &LegTrack) {
        let weight = FIRM * self.weights.offset_m.powi(-2);
        for frame in 0..self.frames {
            let height = leg.clearances[frame] + self.offset(frame, index + 1).y;
            if !leg.planted[frame] && height < 0.0 {
                let at = frame * self.width + 3 * (index + 1) + 1;
                sink(height, &[(at, 1.0)], weight);
            }
        }
    }
}

/// Bend of a knee and its derivative by a movement of the hip.
fn bend_and_gradient(reach: &Reach, to_hip: DVec3) -> (f64, DVec3) {
    let straight = reach.distance(STRAIGHTEST);
    let distance = to_hip.length().max(1e-6 * straight);
    // Beyond the straightest bend the curve goes on as its tangent.
    let at = distance.min(straight);
    let bend = reach.bend(at);
    let slope = -at / (reach.product * bend.sin().max(STRAIGHTEST.sin()));
    (bend + slope * (distance - at), to_hip / distance * slope)
}

/// Lowers the pelvis where a planted leg still cannot reach, by a smooth drop.
fn drop_into_reach(
    legs: &[LegTrack],
    weights: &Weights,
    offsets: &mut Offsets,
) -> Result<(), NotPositive> {
    let spare: Vec<f64> = offsets
        .pelvis
        .iter()
        .enumerate()
        .map(|(frame, offset)| {
            legs.iter()
                .filter(|leg| leg.planted[frame])
                .map(|leg| spare_height(leg, frame, *offset))
                .fold(f64::INFINITY, f64::min)
                .min(weights.offset_m)
        })
        .collect();
    if spare.iter().all(|spare| *spare >= 0.0) {
        return Ok(());
    }
    let free = vec![false; spare.len()];
    let none = vec![0.0; spare.len()];
    let drop = lift_above_zero(
        &spare,
        &free,
        &none,
        weights.fade_secs,
        weights.frame_time_secs,
        1e-6 * weights.offset_m,
    )?;
    for (offset, drop) in offsets.pelvis.iter_mut().zip(drop) {
        offset.y -= drop.max(0.0);
    }
    Ok(())
}

/// How much higher the pelvis could stand before the leg is stretched to its limit, metres;
/// negative where it is stretched beyond it. A foot too far aside for any drop counts as far as
/// a drop of the height itself can help.
fn spare_height(leg: &LegTrack, frame: usize, offset: DVec3) -> f64 {
    let to_hip = leg.hips[frame] + offset - leg.ankles[frame];
    // A quarter of the least bend is kept back for rounding, the rest may be used.
    let limit = leg.reaches[frame].distance(0.25 * leg.least_bends[frame]);
    let aside = to_hip.x.hypot(to_hip.z);
    let tallest = (limit * limit - aside * aside).max(0.0).sqrt();
    tallest - to_hip.y
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::least_squares::testing::check_gradient;
    use proptest::prelude::*;

    proptest! {
        /// The gradient of the bend against central differences.
        #[test]
        fn the_gradient_is_the_slope(
            x in -0.3..0.3f64, y in 0.2..0.9f64, z in -0.3..0.3f64,
        ) {
            let reach = Reach { constant: 0.43f64.powi(2) + 0.41f64.powi(2), product: 0.43 * 0.41 };
            let at = DVec3::new(x, y, z);
            let (_, gradient) = bend_and_gradient(&reach, at);
            let step = 1e-6;
            for axis in DVec3::AXES {
                let side = |sign: f64| bend_and_gradient(&reach, at + axis * (sign * step)).0;
                let slope = (side(1.0) - side(-1.0)) / (2.0 * step);
                // Where the curve turns into its tangent the slope has a corner in its change.
                prop_assert!((slope - gradient.dot(axis)).abs() < 1e-3 * (1.0 + slope.abs()));
            }
        }
    }

    proptest! {
        /// The gradient of the whole sum, from the gradients of its terms, against central
        /// differences: every term has its part in it, limits that are exceeded included.
        #[test]
        fn the_terms_are_differentiated(
            values in proptest::collection::vec(-0.05..0.05f64, 8 * 6), planted in any::<[bool; 8]>(),
        ) {
            let mut leg = standing_leg(8, 0.97);
            leg.planted = planted.to_vec();
            leg.largest_curve = 0.02;
            leg.clearances = vec![0.01; 8];
            let legs = [leg];
            let mut problem = Problem {
                legs: &legs,
                rests: &[RestTrack {
                    heights: (0..8)
                        .map(|frame| (frame > 2).then_some((0.02, frame > 5)))
                        .collect(),
                    slope: DVec3::new(0.1, 1.0, -0.2),
                    firmness: 30.0,
                }],
                known: &[],
                weights: &WEIGHTS,
                frames: 8,
                width: 6,
                firmness: 30.0,
                values,
            };
            // Planted feet are held by a weight that would drown all else.
            for (frame, planted) in planted.iter().enumerate() {
                if *planted {
                    problem.values[frame * 6 + 3..frame * 6 + 6].fill(0.0);
                }
            }
            let checked = check_gradient(&mut problem, 1e-7, (2e-3, 1e4));
            prop_assert!(checked.is_ok(), "{checked:?}");
        }
    }

    fn standing_leg(frames: usize, hip_height: f64) -> LegTrack {
        let reach = Reach {
            constant: 0.5,
            product: 0.25,
        };
        LegTrack {
            hips: vec![DVec3::new(0.1, hip_height, 0.0); frames],
            ankles: vec![DVec3::new(0.1, 0.0, 0.0); frames],
            clearances: vec![0.0; frames],
            reaches: vec![reach; frames],
            wanted_bends: vec![0.2; frames],
            least_bends: vec![0.05; frames],
            largest_bends: vec![2.6; frames],
            largest_curve: 0.1,
            planted: vec![true; frames],
        }
    }

    const WEIGHTS: Weights = Weights {
        offset_m: 0.03,
        bend_error: 0.1,
        fade_secs: 0.2,
        frame_time_secs: 1.0 / 60.0,
        level_hold: 1.0,
    };

    #[test]
    fn a_leg_that_is_too_short_pulls_the_pelvis_down() {
        // The leg is 1 m long; the hip is asked to stand at 1.04 m.
        let leg = standing_leg(60, 1.04);
        let longest = leg.reaches[0].distance(0.0);
        assert!((longest - 1.0).abs() < 1e-12);
        let offsets = settle(&[leg], &[], &WEIGHTS, Watch::nobody()).unwrap();
        for offset in &offsets.pelvis {
            assert!(offset.y < -0.04 && offset.y > -0.07, "{offset}");
        }
        assert!(offsets.feet[0].iter().all(|foot| *foot == DVec3::ZERO));
    }

    #[test]
    fn a_leg_that_fits_moves_nothing() {
        let mut leg = standing_leg(60, 0.0);
        let height = leg.reaches[0].distance(0.2);
        leg.hips.fill(DVec3::new(0.1, height, 0.0));
        let offsets = settle(&[leg], &[], &WEIGHTS, Watch::nobody()).unwrap();
        assert!(offsets.pelvis.iter().all(|offset| offset.length() < 1e-9));
    }
}
