//! Joints that turn for a touch, or to keep parts apart, stay within what people can do: soft before the
//! end of a range, firm beyond it.
//!
//! What the clip has before the solve is left alone: in every frame the end of a range is no nearer than
//! the angle there, and neither is where its soft zone begins. So a joint that does not turn is never
//! pressed.

use understudy_anatomy::Body;
use understudy_motion::angle::unwound;
use understudy_motion::{Clip, DVec3, WorldPose};

use super::turns::Turns;
use crate::foot::Foot;
use crate::joint_angle::JointAngle;
use crate::settings::LimitSettings;

/// Smaller angles are rounding, radians.
const ROUNDING: f64 = 1e-9;
/// Angle into the soft zone that costs 1, as a share of its width.
const SOFT: f64 = 1.0;
/// Angle beyond the end of a range that is none yet, and that counts as much as a part that is as far
/// inside another as any, radians.
const LEAST: f64 = 0.009;
const FAR: f64 = 0.17;

/// The angles of a body with their ranges.
#[derive(Clone, Debug)]
pub(crate) struct BodyLimits {
    /// With least and greatest angle, radians.
    angles: Vec<(JointAngle, [f64; 2])>,
    /// Width of the soft zone before an end, radians.
    soft: f64,
}

impl BodyLimits {
    /// Of a body in Y up; `worlds` are poses of it. `None` where joints may go anywhere.
    pub(crate) fn new(
        body: &Body,
        rest: &WorldPose,
        feet: &[Foot],
        worlds: &[WorldPose],
        settings: &LimitSettings,
    ) -> Option<Self> {
        let ranged = |angle: JointAngle| {
            let range_deg = settings.range_deg(angle.movement, angle.limb);
            (angle, range_deg.map(f64::to_radians))
        };
        let angles = || JointAngle::all(body, rest, feet, worlds);
        settings.enabled.then(|| Self {
            angles: angles().into_iter().map(ranged).collect(),
            soft: settings.soft_deg.to_radians(),
        })
    }

    /// What holds of the joints that turn, in the frames `first..=last` of a clip.
    pub(crate) fn within(
        &self,
        turns: &Turns,
        clip: &Clip,
        [first, last]: [usize; 2],
    ) -> JointLimits {
        let worlds: Vec<WorldPose> = (first..=last).map(|frame| clip.world(frame)).collect();
        let turned = self.angles.iter();
        let turned = turned.filter(|(angle, _)| turns.is_between(angle.against, angle.carrier));
        let bounded = turned.map(|(angle, range)| Bounded {
            angle: angle.clone(),
            ends: worlds
                .iter()
                .map(|world| Ends::new(*range, self.soft, angle.angle(world)))
                .collect(),
        });
        JointLimits {
            bounded: bounded.collect(),
            soft: self.soft,
        }
    }
}

/// Where an angle is pressed back in one frame, radians.
#[derive(Clone, Copy, Debug)]
struct Ends {
    /// Near which angle whole turns are taken out.
    about: f64,
    /// Least and greatest angle.
    hard: [f64; 2],
    /// Where the soft zone before each begins.
    soft: [f64; 2],
}

impl Ends {
    /// From a range, the width of its soft zone and the angle before the solve, where it is defined.
    fn new([low, high]: [f64; 2], soft: f64, before: Option<f64>) -> Self {
        let [least, most] = match before {
            Some(before) => [before, before],
            None => [high, low],
        };
        Self {
            about: before.unwrap_or(0.0),
            hard: [low.min(least), high.max(most)],
            soft: [(low + soft).min(least), (high - soft).max(most)],
        }
    }
}

/// An angle with its ends, frame by frame of a window.
#[derive(Clone, Debug)]
struct Bounded {
    angle: JointAngle,
    ends: Vec<Ends>,
}

/// How far an angle is beyond one of two ends, below 0 at the lower.
fn excess(angle: f64, [low, high]: [f64; 2]) -> f64 {
    (angle - low).min(0.0) + (angle - high).max(0.0)
}

/// What holds of the joints that turn in a window of frames.
#[derive(Clone, Debug, Default)]
pub(crate) struct JointLimits {
    bounded: Vec<Bounded>,
    soft: f64,
}

/// An angle that has come too near to an end, or beyond it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Pressed {
    /// By how much, radians; below 0 at the lower end.
    pub(crate) residual: f64,
    /// How much that counts.
    pub(crate) weight: f64,
    /// Joint against which the angle is measured.
    pub(crate) against: usize,
    /// Joint that carries what is measured.
    pub(crate) carrier: usize,
    /// How the angle grows as `carrier` turns against it (`JointAngle::angle_and_axis`).
    pub(crate) axis: DVec3,
}

impl JointLimits {
    /// Whether no joint is held.
    pub(crate) fn is_empty(&self) -> bool {
        self.bounded.is_empty()
    }

    /// How far the joints of a pose are beyond their ends, `at` being its frame counted from the first of
    /// the window: 0 where none is, 1 for each that is far beyond.
    pub(crate) fn beyond(&self, at: usize, world: &WorldPose) -> f64 {
        let beyond = self.bounded.iter().filter_map(|Bounded { angle, ends }| {
            let Ends { about, hard, .. } = ends[at];
            let excess = excess(unwound(angle.angle(world)?, about), hard).abs();
            (excess > LEAST).then_some(excess / FAR)
        });
        beyond.sum()
    }

    /// The angles that are pressed back in a pose, `at` being its frame counted from the first of the
    /// window; `firm` is the angle beyond an end that costs 1, radians.
    pub(crate) fn pressed(&self, at: usize, world: &WorldPose, firm: f64) -> Vec<Pressed> {
        let mut pressed = Vec::new();
        for Bounded { angle, ends } in &self.bounded {
            let Some((now, axis)) = angle.angle_and_axis(world) else {
                continue;
            };
            let Ends { about, hard, soft } = ends[at];
            let now = unwound(now, about);
            for (ends, unit) in [(soft, SOFT * self.soft), (hard, firm)] {
                let residual = excess(now, ends);
                if residual.abs() > ROUNDING && unit > 0.0 {
                    pressed.push(Pressed {
                        residual,
                        weight: unit.powi(-2),
                        against: angle.against,
                        carrier: angle.carrier,
                        axis,
                    });
                }
            }
        }
        pressed
    }
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, LazyLock};

    use proptest::prelude::*;
    use understudy_anatomy::Side;
    use understudy_bodies::{Description, skeleton_and_body};
    use understudy_motion::Skeleton;

    use super::*;
    use crate::foot::character_feet;
    use crate::joint_angle::Movement;
    use crate::least_squares::testing::check_gradient;
    use crate::touch::problem::{Problem, Weights};
    use crate::touch::turns::Limbs;
    use crate::touch::{TouchEnd, TouchPart};

    const FRAMES: usize = 2;

    static HUMAN: LazyLock<(Arc<Skeleton>, Body)> = LazyLock::new(|| {
        let made = skeleton_and_body(&Description::human("someone", 1.75));
        let (skeleton, body) = made.expect("the description is within all ranges");
        (Arc::new(skeleton), body)
    });

    /// The human in two equal frames, with arms down and all joints a little bent, and all turns that a
    /// solve may have.
    fn clip_and_turns() -> (Clip, Turns) {
        let (skeleton, body) = &*HUMAN;
        let mut pose = skeleton.rest_locals();
        let mut turn = |joint: usize, vector: DVec3| {
            pose[joint].rotation *= understudy_motion::DQuat::from_scaled_axis(vector);
        };
        for arm in &body.arms {
            let out = if arm.side == Side::Left { 1.0 } else { -1.0 };
            turn(arm.shoulder, DVec3::new(0.2, 0.1, -1.2 * out));
            turn(arm.elbow, DVec3::new(0.1, -0.6 * out, 0.0));
            turn(arm.wrist.expect("a wrist"), DVec3::new(0.2, 0.1, 0.3));
        }
        for leg in &body.legs {
            turn(leg.hip, DVec3::new(-0.3, 0.1, 0.1));
            turn(leg.knee, DVec3::new(0.6, 0.0, 0.0));
            turn(leg.ankle, DVec3::new(-0.2, 0.0, 0.1));
        }
        turn(body.head.expect("a head"), DVec3::new(0.2, 0.3, 0.1));
        let frames = std::iter::repeat_n(pose, FRAMES).flatten().collect();
        let clip = Clip::new(Arc::clone(skeleton), 1.0 / 60.0, frames).expect("a clip");
        let rest = skeleton.rest_world();
        let end = |part, side| TouchEnd {
            part,
            side,
            pair: 0,
            along: 0.5,
        };
        let ends = [
            end(TouchPart::Hand, Side::Left),
            end(TouchPart::Hand, Side::Right),
            end(TouchPart::Head, Side::Middle),
        ];
        let limbs = Limbs {
            arms: Vec::new(),
            legs: vec![(Side::Left, 0), (Side::Right, 0)],
        };
        let turns = Turns::new(skeleton, body, &rest, &clip.worlds(), &ends, &limbs, 1.0);
        (clip, turns)
    }

    fn limits(clip: &Clip, turns: &Turns, settings: &LimitSettings) -> JointLimits {
        let (skeleton, body) = &*HUMAN;
        let feet = character_feet(skeleton, body, None);
        let (rest, worlds) = (skeleton.rest_world(), clip.worlds());
        let limits = BodyLimits::new(body, &rest, &feet, &worlds, settings).expect("enabled");
        limits.within(turns, clip, [0, FRAMES - 1])
    }

    /// Settings that allow no more than the pose has.
    fn narrow() -> LimitSettings {
        let ranges = Movement::ALL.map(|movement| (movement.key().to_owned(), [0.0, 1e-3]));
        LimitSettings {
            ranges_deg: ranges.into(),
            ..LimitSettings::default()
        }
    }

    fn problem<'a>(
        clip: &'a Clip,
        turns: &'a Turns,
        limits: JointLimits,
        values: Vec<f64>,
    ) -> Problem<'a> {
        Problem {
            clip,
            first: 0,
            last: FRAMES - 1,
            turns,
            goals: &[],
            biases: Vec::new(),
            pairs: Vec::new(),
            outsides: vec![Vec::new(); FRAMES],
            held: vec![Vec::new(); FRAMES],
            over: vec![Vec::new(); FRAMES],
            limits,
            weights: Weights {
                depth_m: 1.0,
                firm_m: 1.0,
                held_m: 1.0,
                over_m: 0.03,
                gap_m: 1.0,
                aside_m: 1.0,
                near_m: 1.0,
                hand: 1.0,
                fade_secs: 0.1,
                straightest: 0.0,
                limit: 0.01,
            },
            values,
            stay: None,
        }
    }

    #[test]
    fn all_joints_that_turn_are_held_and_none_is_pressed_where_none_has_turned() {
        let (clip, turns) = clip_and_turns();
        let limits = limits(&clip, &turns, &narrow());
        let mut held: Vec<Movement> = limits.bounded.iter().map(|b| b.angle.movement).collect();
        held.sort_unstable();
        held.dedup();
        assert_eq!(held, Movement::ALL);
        assert_eq!(limits.pressed(0, &clip.world(0), 0.01), []);
        // Without turns of the neck or the legs only arms are held.
        let arms: Vec<_> = turns.turns.iter().take(4).cloned().collect();
        let arms = Turns::of(&clip.skeleton, arms);
        let limits = self::limits(&clip, &arms, &narrow());
        assert_eq!(limits.bounded.len(), 3);
    }

    #[test]
    fn soft_before_hard() {
        let settings = LimitSettings {
            soft_deg: 10.0,
            ..LimitSettings::default()
        };
        let ends = |before: Option<f64>| {
            let soft = settings.soft_deg.to_radians();
            let range = [-60.0f64, 80.0].map(f64::to_radians);
            let ends = Ends::new(range, soft, before.map(f64::to_radians));
            [ends.hard, ends.soft].map(|ends| ends.map(|end| end.to_degrees().round()))
        };
        assert_eq!(ends(None), [[-60.0, 80.0], [-50.0, 70.0]]);
        assert_eq!(ends(Some(20.0)), [[-60.0, 80.0], [-50.0, 70.0]]);
        assert_eq!(ends(Some(76.0)), [[-60.0, 80.0], [-50.0, 76.0]]);
        assert_eq!(ends(Some(95.0)), [[-60.0, 95.0], [-50.0, 95.0]]);
        assert_eq!(ends(Some(-70.0)), [[-70.0, 80.0], [-70.0, 70.0]]);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        /// The gradient of the sum against central differences, with every movement beyond its end.
        #[test]
        fn the_term_is_differentiated(seed in proptest::collection::vec(-0.25..0.25f64, 1..200)) {
            let (clip, turns) = clip_and_turns();
            let count = FRAMES * turns.width();
            let values = seed.into_iter().cycle().take(count).collect();
            let mut problem = problem(&clip, &turns, limits(&clip, &turns, &narrow()), values);
            let checked = check_gradient(&mut problem, 1e-6, (1e-3, 100.0));
            prop_assert!(checked.is_ok(), "{checked:?}");
        }
    }
}
