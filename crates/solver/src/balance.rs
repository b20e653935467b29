//! Balance: the centre of mass over the feet as it was in the take.
//!
//! A character with a giant head, short legs or a tail that is carried by turns alone often stands so that
//! it would topple. Here its centre of mass ([`Masses`]) is asked to lie, seen from above, where the
//! performer's lay, by the map that takes the performer's footing to the character's ([`Footprint::carry`]):
//!
//! - what lies between two feet stays as far along between them, whatever the two stances measure: so do
//!   the ends of a step, and the middle of a step, where one foot stands and the other passes it;
//! - all else is scaled as the legs are;
//! - in the air, and where the performer's weight is not over its feet at all (it kneels, sits, crawls, lies),
//!   nothing is asked, and what was shifted fades.
//!
//! A still stance over the feet so stays one, and a gait stays one: the centre of mass is an inverted
//! pendulum over the foot, whose sway is in proportion to where the feet are put (Hof, Gazendam & Sinke 2005, *The
//! condition for dynamic stability*, doi 10.1016/j.jbiomech.2004.03.025, from memory). The answer is a level
//! shift of the pelvis, least squares over all frames: near to what is asked, with little jerk. It holds
//! the difference between two bodies, not the performer's own sway, which is in the motion already; the
//! feet stay where they are.

use serde::{Deserialize, Serialize};
use understudy_anatomy::{Body, Masses};
use understudy_motion::{DVec3, WorldPose};

use crate::banded::NotPositive;
use crate::contacts::runs;
use crate::floor::Floor;
use crate::foot::Foot;
use crate::least_squares::{LeastSquares, Sink, add_differences};
use crate::smooth::fade_frames;

/// How the centre of mass is kept over the feet.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BalanceSettings {
    /// Whether the pelvis shifts for it at all.
    pub enabled: bool,
    /// How much of what is asked for is done, 0 to 1.
    pub strength: f64,
    /// Time over which a shift falls to 1/e where nothing is asked, and how fast it changes elsewhere,
    /// seconds.
    pub fade_secs: f64,
    /// Farthest that the pelvis shifts, about, in leg lengths.
    pub furthest: f64,
}

impl Default for BalanceSettings {
    fn default() -> Self {
        Self {
            enabled: false,
            strength: 1.0,
            fade_secs: 0.3,
            furthest: 0.3,
        }
    }
}

/// Middle of what a foot can stand on in a pose, world, metres: between heel and tip of the toes, or
/// between ball and tip where it walks on its toes.
pub fn foot_middle(foot: &Foot, world: &WorldPose) -> DVec3 {
    let back = foot.heel.unwrap_or(foot.below_toe_joint);
    back.world(world).midpoint(foot.toe.world(world))
}

/// A foot, in the take and on the character.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Footprint {
    /// Middle of the performer's foot, world, metres.
    pub take: DVec3,
    /// Middle of the character's, world, metres.
    pub character: DVec3,
    /// How much it stands, 0 (in the air) to 1.
    pub weight: f64,
}

/// Two feet that are nearer than this share of the performer's leg are rather one than two.
const ONE_PLACE: f64 = 0.06;

/// How far from the middle of its feet a performer's centre of mass lies, seen from above and in leg
/// lengths, while its weight is on its feet, and from where on it is not at all (common practice): at the
/// ends of a fast step it is a third.
const OVER_FEET: [f64; 2] = [0.4, 0.7];

/// Heights of a knee or hip above the floor, in leg lengths, at which a body rests on it and from which it does
/// not (common practice): a kneeling knee is at a twelfth, the hips of a deep squat at a quarter.
const RESTS_ON: [f64; 2] = [0.1, 0.2];

/// Whether a performer stands on its feet and nothing else, 0 to 1: less where a knee or a hip comes down to the floor.
pub fn on_feet(body: &Body, world: &WorldPose, floor: &Floor, leg_m: f64) -> f64 {
    let legs = body.legs.iter();
    let joints = legs.flat_map(|leg| [leg.hip, leg.knee]);
    let lowest = joints.map(|joint| floor.above(world.position(joint)));
    let lowest_m = lowest.fold(f64::INFINITY, f64::min);
    let [rests, stands] = RESTS_ON.map(|share| share * leg_m);
    smooth_step((lowest_m - rests) / (stands - rests))
}

/// Two bodies that are compared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sizes {
    /// Length of the performer's legs, metres.
    pub take_leg_m: f64,
    /// The character's hips over the performer's, in height.
    pub scale: f64,
}

impl Footprint {
    /// Where the character's centre of mass is asked to be, level, and how much that is meant, 0 to 1, for
    /// the performer's centre (both world, metres; heights are left out); `None` where no foot stands.
    ///
    /// The map is affine: it takes the middle of the performer's standing feet to that of the
    /// character's, and from there on it is the matrix A that minimises
    /// `Σ |A p − q|² + r² |A − s·1|²` over all feet, p and q counted from the middles, s the scale and r
    /// a small share of a leg. An affine map takes what lies between feet to what lies between feet; and
    /// it hardly changes as a foot is put down or lifted, for it is of both feet before and after.
    pub fn carry(feet: &[Self], centre: DVec3, sizes: Sizes) -> Option<(DVec3, f64)> {
        let whole: f64 = feet.iter().map(|foot| foot.weight).sum();
        if whole <= 0.0 {
            return None;
        }
        let middle = |place: fn(&Self) -> DVec3| {
            let sum: DVec3 = feet.iter().map(|foot| foot.weight * place(foot)).sum();
            (sum / whole).with_y(0.0)
        };
        let (take, own) = (middle(|foot| foot.take), middle(|foot| foot.character));
        let ridge = (ONE_PLACE * sizes.take_leg_m)
            .powi(2)
            .max(f64::MIN_POSITIVE);
        // A is (Σ q pᵀ + r² s) (Σ p pᵀ + r²)⁻¹, with rows and columns x and z.
        let mut square = [[ridge, 0.0], [0.0, ridge]];
        let mut across = [[ridge * sizes.scale, 0.0], [0.0, ridge * sizes.scale]];
        for foot in feet {
            let [p, q] = [foot.take - take, foot.character - own].map(|at| [at.x, at.z]);
            for row in 0..2 {
                for column in 0..2 {
                    square[row][column] += p[row] * p[column];
                    across[row][column] += q[row] * p[column];
                }
            }
        }
        let [[a, b], [_, d]] = square;
        let det = a * d - b * b;
        let from = centre.with_y(0.0) - take;
        // (Σ p pᵀ + r²)⁻¹ (C − p̄).
        let [x, z] = [d * from.x - b * from.z, a * from.z - b * from.x].map(|value| value / det);
        let carried = across.map(|[own_x, own_z]| own_x * x + own_z * z);
        let wanted = own + DVec3::new(carried[0], 0.0, carried[1]);
        let [near, far] = OVER_FEET.map(|share| share * sizes.take_leg_m);
        let over = 1.0 - smooth_step((from.length() - near) / (far - near));
        let stands = feet.iter().map(|foot| foot.weight).fold(0.0, f64::max);
        Some((wanted, stands * over))
    }
}

/// From 0 to 1 without a corner, as `along` goes from 0 to 1.
fn smooth_step(along: f64) -> f64 {
    let along = along.clamp(0.0, 1.0);
    along * along * (3.0 - 2.0 * along)
}

/// How much a foot stands, frame by frame: 1 while it is down, rising before and falling after over a time,
/// seconds, so that what it stands for does not jump.
pub(crate) fn standing_weights(is_down: &[bool], secs: f64, frame_time_secs: f64) -> Vec<f64> {
    let mut weights: Vec<f64> = is_down
        .iter()
        .map(|down| f64::from(u8::from(*down)))
        .collect();
    let reach = secs / frame_time_secs;
    let far = reach.floor() as usize;
    for (first, last) in runs(is_down) {
        let before = (first.saturating_sub(far)..first).map(|frame| (frame, first - frame));
        let after =
            (last + 1..(last + 1 + far).min(is_down.len())).map(|frame| (frame, frame - last));
        for (frame, away) in before.chain(after) {
            let weight = smooth_step(1.0 - away as f64 / reach);
            weights[frame] = weights[frame].max(weight);
        }
    }
    weights
}

/// What is asked of the pelvis in one frame.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Asked {
    /// The level shift with which the centre of mass would be where it is asked to be, metres.
    pub(crate) shift: DVec3,
    /// How much that is meant, 0 to 1.
    pub(crate) weight: f64,
}

/// Share of its weight by which a shift fades where nothing is asked: steps of a run are not long
/// enough for it.
const FADES: f64 = 0.1;

/// Smooth level shifts near to what is asked: they minimise
/// `Σ w |v − asked|² + (1 − w) f |v|² + τ⁶ |v'''|²`, with f the weight of fading and τ half the fade time
/// ([`crate::smooth`]).
struct Problem<'a> {
    asked: &'a [Asked],
    /// τ⁶, in frames.
    stiffness: f64,
    /// x and z of each frame, metres.
    values: Vec<f64>,
}

/// Unknowns of a frame.
const WIDTH: usize = 2;

impl LeastSquares for Problem<'_> {
    fn values(&self) -> &[f64] {
        &self.values
    }

    fn values_mut(&mut self) -> &mut Vec<f64> {
        &mut self.values
    }

    fn bandwidth(&self) -> usize {
        3 * WIDTH
    }

    fn each_term(&self, _slopes: bool, sink: &mut Sink<'_>) {
        for (frame, asked) in self.asked.iter().enumerate() {
            for (slot, wanted) in [asked.shift.x, asked.shift.z].into_iter().enumerate() {
                let at = frame * WIDTH + slot;
                sink(self.values[at] - wanted, &[(at, 1.0)], asked.weight);
                sink(self.values[at], &[(at, 1.0)], FADES * (1.0 - asked.weight));
            }
        }
        for slot in 0..WIDTH {
            let weights = [0.0, self.stiffness];
            add_differences(&self.values, (slot, WIDTH), weights, sink);
        }
    }
}

/// The shifts of the pelvis, level, world, metres. Without a fade time every frame is by itself.
///
/// # Errors
/// Numbers that are not finite.
pub(crate) fn smooth_shifts(
    asked: &[Asked],
    fade_secs: f64,
    frame_time_secs: f64,
) -> Result<Vec<DVec3>, NotPositive> {
    let mut problem = Problem {
        asked,
        stiffness: fade_frames(fade_secs, frame_time_secs).powi(6),
        values: vec![0.0; WIDTH * asked.len()],
    };
    // The sum is a parabola: the first step ends at its bottom.
    let step = problem.step()?;
    problem.values = step;
    let frames = problem.values.chunks_exact(WIDTH);
    Ok(frames.map(|at| DVec3::new(at[0], 0.0, at[1])).collect())
}

/// A level shift that comes near to a farthest one, but not beyond.
pub(crate) fn bounded(shift: DVec3, furthest_m: f64) -> DVec3 {
    if furthest_m <= 0.0 {
        return DVec3::ZERO;
    }
    // Up to half of the farthest it is as it was within 2 %.
    let share = shift.length() / furthest_m;
    shift / (1.0 + share.powi(4)).powf(0.25)
}

/// How far the centre of mass goes with the pelvis while the feet stay, about: legs go half the way.
pub(crate) fn gain(masses: &Masses, is_of_leg: impl Fn(usize) -> bool) -> f64 {
    let legs = masses.parts().iter();
    let legs: f64 = legs
        .filter(|part| is_of_leg(part.centre.joint))
        .map(|part| part.mass)
        .sum();
    1.0 - 0.5 * legs / masses.whole().max(f64::MIN_POSITIVE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::least_squares::testing::check_gradient;
    use proptest::prelude::*;

    const SIZES: Sizes = Sizes {
        take_leg_m: 0.85,
        scale: 0.5,
    };

    fn print(take: [f64; 2], character: [f64; 2]) -> Footprint {
        let level = |[x, z]: [f64; 2]| DVec3::new(x, 0.08, z);
        Footprint {
            take: level(take),
            character: level(character),
            weight: 1.0,
        }
    }

    #[test]
    fn over_one_foot_the_way_scales_as_the_legs() {
        let feet = [print([0.1, 3.0], [0.2, 1.4])];
        let (wanted, weight) = Footprint::carry(&feet, DVec3::new(0.06, 1.0, 3.1), SIZES).unwrap();
        assert!(wanted.distance(DVec3::new(0.18, 0.0, 1.45)) < 1e-12);
        assert_eq!(weight, 1.0);
        assert_eq!(Footprint::carry(&[], DVec3::ZERO, SIZES), None);
    }

    #[test]
    fn between_two_feet_the_place_is_kept() {
        // A stance of 0.4 m becomes one of 0.9 m, though legs are half as long.
        let feet = [
            print([0.2, 0.0], [0.45, 0.0]),
            print([-0.2, 0.0], [-0.45, 0.0]),
        ];
        let at = |x: f64, z: f64| {
            Footprint::carry(&feet, DVec3::new(x, 1.0, z), SIZES)
                .unwrap()
                .0
        };
        assert!(at(0.0, 0.0).length() < 1e-12);
        // The ridge is a thirtieth of 2 · 0.2²: so much of the whole is the legs' scale.
        let ridge: f64 = (0.06 * 0.85_f64).powi(2);
        let along = (0.08 * 2.25 + ridge * 0.5) / (0.08 + ridge);
        assert!((at(0.2, 0.0).x - 0.2 * along).abs() < 1e-12);
        assert!(at(0.2, 0.0).x > 0.9 * 0.45);
        // Across the stance it is the legs.
        assert!((at(0.0, 0.06).z - 0.03).abs() < 1e-12);
    }

    #[test]
    fn lifting_a_foot_moves_nothing() {
        let mut feet = [
            print([0.1, 0.3], [0.3, 0.2]),
            print([-0.1, -0.3], [-0.3, -0.2]),
        ];
        let centre = feet[0].take.lerp(feet[1].take, 0.3);
        let carried = |feet: &[Footprint]| Footprint::carry(feet, centre, SIZES).unwrap().0;
        let both = carried(&feet);
        feet[1].weight = 0.0;
        // The ridge is a seventieth of what the feet say.
        assert!(carried(&feet).distance(both) < 5e-3);
    }

    #[test]
    fn weight_that_is_not_over_the_feet_asks_nothing() {
        let feet = [print([0.0, 0.0], [0.0, 0.0])];
        let weight = |z: f64| Footprint::carry(&feet, DVec3::Z * z, SIZES).unwrap().1;
        assert_eq!(weight(0.3), 1.0);
        assert!(weight(0.5) < 1.0 && weight(0.5) > 0.0);
        assert_eq!(weight(0.65), 0.0);
    }

    proptest! {
        /// Feet of a performer that are turned, scaled and moved are found to be, and the centre with them.
        #[test]
        fn a_planted_map_comes_back(
            scale in 0.3..2.0f64, x in -1.0..1.0f64, z in -1.0..1.0f64, place in 0.0..1.0f64,
        ) {
            let take = [[0.3, 0.1], [-0.2, -0.4]];
            let carried = take.map(|[a, b]: [f64; 2]| [scale * a + x, scale * b + z]);
            let feet = [print(take[0], carried[0]), print(take[1], carried[1])];
            let centre = feet[0].take.lerp(feet[1].take, place);
            let sizes = Sizes { scale, ..SIZES };
            let (wanted, _) = Footprint::carry(&feet, centre, sizes).unwrap();
            let expected = feet[0].character.lerp(feet[1].character, place).with_y(0.0);
            prop_assert!(wanted.distance(expected) < 1e-9);
        }

        /// The gradient of the sum against central differences.
        #[test]
        fn the_terms_are_differentiated(
            values in proptest::collection::vec(-0.2..0.2f64, 16),
            asked in proptest::collection::vec((-0.2..0.2f64, -0.2..0.2f64, 0.0..1.0f64), 8),
        ) {
            let asked: Vec<Asked> = asked
                .into_iter()
                .map(|(x, z, weight)| Asked { shift: DVec3::new(x, 0.0, z), weight })
                .collect();
            let mut problem = Problem { asked: &asked, stiffness: 40.0, values };
            let checked = check_gradient(&mut problem, 1e-5, (1e-6, 1e-3));
            prop_assert!(checked.is_ok(), "{checked:?}");
        }
    }

    #[test]
    fn what_is_asked_for_long_is_done_and_what_is_not_fades() {
        // The slowest waves of the answer fall to 1/e over 0.3 s where something is asked, and over half as
        // much again where not.
        let mut asked = vec![Asked::default(); 1400];
        for asked in &mut asked[400..1000] {
            *asked = Asked {
                shift: DVec3::new(0.1, 0.0, -0.04),
                weight: 1.0,
            };
        }
        let shifts = smooth_shifts(&asked, 0.3, 1.0 / 120.0).unwrap();
        assert!(
            shifts[700].distance(asked[700].shift) < 1e-4,
            "{}",
            shifts[700]
        );
        assert!(shifts[0].length() < 1e-3 && shifts[1399].length() < 1e-3);
        // The largest third difference of the answer stays far below that of a jump, 0.3.
        let jerk = shifts
            .windows(4)
            .map(|four| (four[3] - 3.0 * four[2] + 3.0 * four[1] - four[0]).length());
        assert!(jerk.fold(0.0, f64::max) < 1e-4);
        let alone = smooth_shifts(&asked, 0.0, 1.0 / 120.0).unwrap();
        assert_eq!([alone[399], alone[400]], [DVec3::ZERO, asked[400].shift]);
    }

    #[test]
    fn a_shift_is_bounded_and_small_ones_are_not_touched() {
        let shift = |x: f64| bounded(DVec3::X * x, 0.2).x;
        assert!((shift(0.02) / 0.02 - 1.0).abs() < 1e-4);
        assert!(shift(5.0) <= 0.2 && shift(0.15) > 0.13);
        assert_eq!(bounded(DVec3::X, 0.0), DVec3::ZERO);
    }

    #[test]
    fn a_foot_begins_to_count_before_it_is_down() {
        let mut is_down = vec![false; 40];
        is_down[20..30].fill(true);
        let weights = standing_weights(&is_down, 0.1, 0.01);
        assert_eq!((weights[10], weights[20], weights[29]), (0.0, 1.0, 1.0));
        assert!((weights[15] - 0.5).abs() < 1e-12 && (weights[34] - 0.5).abs() < 1e-12);
        let alone = standing_weights(&is_down, 0.0, 0.01);
        assert_eq!((alone[19], alone[20]), (0.0, 1.0));
    }
}
