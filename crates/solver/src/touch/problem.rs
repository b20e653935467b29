//! One solve over all frames of a window: small turns of joints, smooth in time, that bring touching
//! surfaces together and keep the way a hand points.
//!
//! Smoothness is asked of the turns, never of the motion under them.

use std::sync::atomic::{AtomicBool, Ordering};

use understudy_motion::{Clip, DQuat, DVec3, Transform, WorldPose};

use super::apart::Touching;
use super::goals::{Goal, GoalFrame, Meet, Target};
use super::limits::JointLimits;
use super::skin::SkinPoint;
use super::turns::{Turns, inverse_left_jacobian, turn_between};
use crate::banded::NotPositive;
use crate::least_squares::{LeastSquares, Sink, add_differences};
use crate::smooth::fade_frames;

/// Halvings of a step at most.
const HALVINGS: usize = 6;

/// How much each term counts, as the amount that costs 1.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Weights {
    /// Distance from the goal along its normal while surfaces touch, metres.
    pub(crate) gap_m: f64,
    /// Distance from it along the surface, metres.
    pub(crate) aside_m: f64,
    /// Depth of a part of the body inside another, metres.
    pub(crate) depth_m: f64,
    /// Depth from which on a part is pulled out no harder, metres.
    pub(crate) firm_m: f64,
    /// Distance of what stands from where it stands, metres.
    pub(crate) held_m: f64,
    /// Depth of what stays over the floor below it, metres.
    pub(crate) over_m: f64,
    /// Distance from the goal before and after, metres.
    pub(crate) near_m: f64,
    /// Turn of the hand away from plain transfer, radians.
    pub(crate) hand: f64,
    /// Time over which turns fade, seconds.
    pub(crate) fade_secs: f64,
    /// Least bend of an elbow, radians.
    pub(crate) straightest: f64,
    /// Angle of a joint beyond the end of its range, radians.
    pub(crate) limit: f64,
}

/// A window of a clip and what is asked of it.
pub(crate) struct Problem<'a> {
    pub(crate) clip: &'a Clip,
    pub(crate) first: usize,
    pub(crate) last: usize,
    pub(crate) turns: &'a Turns,
    pub(crate) goals: &'a [Goal],
    /// Per goal and frame, distance added before and after the touch, metres: by so much the places
    /// of the goal are apart when the skins touch.
    pub(crate) biases: Vec<Vec<f64>>,
    /// Per goal and frame, points of the two skins that were found nearest: the last of them shall
    /// touch, and none of them go into each other.
    pub(crate) pairs: Vec<Vec<Vec<Meet>>>,
    /// Per frame of the window, points that stay outside what they are near, and their least distances,
    /// metres.
    pub(crate) outsides: Vec<Vec<(Meet, f64)>>,
    /// Per frame of the window, points that stand, and where.
    pub(crate) held: Vec<Vec<(SkinPoint, DVec3)>>,
    /// Per frame of the window, points that stay over the floor, with their least heights, metres.
    pub(crate) over: Vec<Vec<(Meet, f64)>>,
    /// How far joints go, where that is asked.
    pub(crate) limits: JointLimits,
    pub(crate) weights: Weights,
    pub(crate) values: Vec<f64>,
    /// Values from which others go smoothly, and how much that counts beside their own smoothness.
    pub(crate) stay: Option<(Vec<f64>, f64)>,
}

impl LeastSquares for Problem<'_> {
    fn values(&self) -> &[f64] {
        &self.values
    }

    fn values_mut(&mut self) -> &mut Vec<f64> {
        &mut self.values
    }

    fn bandwidth(&self) -> usize {
        3 * self.width()
    }

    fn each_term(&self, slopes: bool, sink: &mut Sink<'_>) {
        self.add_smoothness(sink);
        let has_elbow = self.turns.turns.iter().any(|turn| turn.elbow.is_some());
        let is_held = has_elbow || !self.limits.is_empty();
        for frame in self.first..=self.last {
            let at_frame = |index: usize| {
                let goal = &self.goals[index];
                let at = frame.checked_sub(goal.frames.first()?.frame)?;
                Some((index, at, goal, goal.frames.get(at)?))
            };
            let goals: Vec<_> = (0..self.goals.len()).filter_map(at_frame).collect();
            let outsides = &self.outsides[frame - self.first];
            let held = &self.held[frame - self.first];
            let over = &self.over[frame - self.first];
            let is_free = outsides.is_empty() && held.is_empty() && over.is_empty();
            if goals.is_empty() && is_free && !is_held {
                continue;
            }
            let world = self.world(frame);
            let axes = match slopes {
                true => self.turns.axes(self.values_of(frame), &world),
                false => Vec::new(),
            };
            let pose = Pose {
                problem: self,
                at: (frame - self.first) * self.width(),
                world: &world,
                axes: &axes,
            };
            for (index, at, goal, goal_frame) in goals {
                let pairs = &self.pairs[index][at];
                pose.add_place(goal_frame, self.biases[index][at], !pairs.is_empty(), sink);
                pose.add_pairs(goal_frame, pairs, sink);
                pose.add_hand(goal, goal_frame, self.clip, sink);
            }
            let weights = &self.weights;
            pose.add_outsides(outsides, [weights.depth_m, weights.firm_m], sink);
            pose.add_outsides(over, [weights.over_m, f64::INFINITY], sink);
            pose.add_held(held, sink);
            pose.add_elbows(sink);
            pose.add_limits(frame - self.first, sink);
        }
    }
}

impl Problem<'_> {
    fn frames(&self) -> usize {
        self.last - self.first + 1
    }

    fn width(&self) -> usize {
        self.turns.width()
    }

    fn values_of(&self, frame: usize) -> &[f64] {
        let width = self.width();
        let at = (frame - self.first) * width;
        &self.values[at..at + width]
    }

    /// Local transforms of a frame with its turns.
    pub(crate) fn locals(&self, frame: usize) -> Vec<Transform> {
        let base = self.clip.frame(frame);
        let mut locals = base.to_vec();
        self.turns.apply(base, self.values_of(frame), &mut locals);
        locals
    }

    /// World transforms of a frame with its turns.
    pub(crate) fn world(&self, frame: usize) -> WorldPose {
        WorldPose::from_locals(&self.clip.skeleton, &self.locals(frame))
    }

    /// How far joints are beyond the ends of their ranges in all frames.
    pub(crate) fn beyond(&self, limits: &JointLimits) -> f64 {
        let frames = self.first..=self.last;
        let beyond = frames.map(|frame| limits.beyond(frame - self.first, &self.world(frame)));
        beyond.sum()
    }

    /// Goes so many steps at most, until one gains little or it is stopped.
    pub(crate) fn minimise(
        &mut self,
        steps: usize,
        is_stopped: &AtomicBool,
    ) -> Result<(), NotPositive> {
        const LEAST_GAIN: f64 = 1e-3;
        self.descend((steps, HALVINGS), LEAST_GAIN, || {
            !is_stopped.load(Ordering::Relaxed)
        })
    }

    /// How far what stands is from where it stands in all: a frame counts where some point of it is more
    /// than `close_m` away, 1 at most and from `far_m` on.
    pub(crate) fn strayed(&self, close_m: f64, far_m: f64) -> f64 {
        let frames = (self.first..=self.last).zip(&self.held);
        let strayed = frames.filter(|(_, held)| !held.is_empty());
        let strayed = strayed.map(|(frame, held)| {
            let world = self.world(frame);
            let far = held
                .iter()
                .map(|(point, place)| point.world(&world).distance(*place));
            let worst_m = far.fold(0.0, f64::max);
            match worst_m > close_m {
                true => (worst_m / far_m).min(1.0),
                false => 0.0,
            }
        });
        strayed.sum()
    }

    /// Asks what touches in a frame to go out of each other.
    pub(crate) fn press_out(&mut self, frame: usize, touching: &Touching) {
        let mut goals = self.goals.iter();
        let Some(index) = goals.position(|goal| goal.touch == touching.touch) else {
            return;
        };
        let frames = &self.goals[index].frames;
        let at = frames.iter().position(|goal| goal.frame == frame);
        match at.map(|at| &mut self.pairs[index][at]) {
            // The last of them is the one that touches.
            Some(pairs) if !pairs.is_empty() => {
                pairs.splice(0..0, touching.points.iter().cloned());
            }
            _ => {
                let points = touching.points.iter().map(|point| (point.clone(), 0.0));
                self.outsides[frame - self.first].extend(points);
            }
        }
    }

    fn add_smoothness(&self, sink: &mut Sink<'_>) {
        let (frames, width) = (self.frames(), self.width());
        let ratio = fade_frames(self.weights.fade_secs, self.clip.frame_time_secs);
        let last_of_clip = self.clip.frame_count() - 1;
        let moved: Option<Vec<f64>> = self.stay.as_ref().map(|(stay, _)| {
            let both = self.values.iter().zip(stay);
            both.map(|(value, stay)| value - stay).collect()
        });
        for slot in 0..width {
            let pull = self.turns.turns[slot / 3].ease[slot % 3].powi(-2);
            let stiffness = pull * ratio.powi(6);
            let drag = pull * ratio.powi(2);
            let at = |frame: usize| frame * width + slot;
            for frame in 0..frames {
                // A window begins and ends with no turn, but at the ends of the clip.
                let inner = |edge: usize, end: usize| edge < 3 && end != 0;
                let is_edge =
                    inner(frame, self.first) || inner(frames - 1 - frame, last_of_clip - self.last);
                let weight = if is_edge {
                    1e4 * stiffness.max(pull)
                } else {
                    pull
                };
                sink(self.values[at(frame)], &[(at(frame), 1.0)], weight);
            }
            add_differences(&self.values, (slot, width), [drag, stiffness], sink);
            if let (Some((_, strength)), Some(moved)) = (&self.stay, &moved) {
                let weights = [strength * drag, strength * stiffness];
                add_differences(moved, (slot, width), weights, sink);
                // A single frame has no differences.
                if frames == 1 {
                    sink(moved[slot], &[(slot, 1.0)], strength * pull);
                }
            }
        }
    }
}

/// One frame of a problem.
struct Pose<'a> {
    problem: &'a Problem<'a>,
    /// Number of its first unknown.
    at: usize,
    world: &'a WorldPose,
    /// Per unknown; empty where no slopes are wanted.
    axes: &'a [Vec<(usize, DVec3)>],
}

impl Pose<'_> {
    /// A gradient from the slopes of the unknowns.
    fn gradient(&self, slope: impl Fn(&[(usize, DVec3)]) -> f64) -> Vec<(usize, f64)> {
        let unknowns = self.axes.iter().enumerate();
        unknowns
            .map(|(index, about)| (self.at + index, slope(about)))
            .filter(|(_, slope)| *slope != 0.0)
            .collect()
    }

    /// The places of a touch lie on each other, or as far apart as before and after it in the take.
    /// Where nearest points of the skins are known, these say how far.
    fn add_place(&self, frame: &GoalFrame, bias_m: f64, has_pairs: bool, sink: &mut Sink<'_>) {
        let weights = &self.problem.weights;
        let gap_m = frame.gap_m + bias_m;
        // A hand may go anywhere over the floor before it is put down.
        let is_floor_near = !frame.is_touch && frame.place.normal_joint.is_none();
        let axes = self.axes_of(&frame.place);
        for (index, axis) in axes.into_iter().enumerate() {
            let is_normal = index == 0;
            if (is_floor_near && !is_normal) || (has_pairs && is_normal) {
                continue;
            }
            let ease_m = match (frame.is_touch, is_normal) {
                (true, true) => weights.gap_m,
                (true, false) => weights.aside_m,
                (false, _) => weights.near_m,
            };
            let weight = frame.weight * ease_m.powi(-2);
            let wanted_m = if is_normal { gap_m } else { 0.0 };
            let residual = frame.place.miss(self.world).dot(axis) - wanted_m;
            sink(residual, &self.meet_gradient(&frame.place, axis), weight);
        }
    }

    /// Points of two skins that touch, or do not go into each other.
    fn add_pairs(&self, frame: &GoalFrame, pairs: &[Meet], sink: &mut Sink<'_>) {
        let weight = frame.weight * self.problem.weights.gap_m.powi(-2);
        for (index, pair) in pairs.iter().enumerate() {
            let axis = pair.normal(self.world);
            let residual = pair.miss(self.world).dot(axis) - frame.gap_m;
            if residual < 0.0 || index + 1 == pairs.len() {
                sink(residual, &self.meet_gradient(pair, axis), weight);
            }
        }
    }

    /// Parts that are inside others. What is deep pulls no more than what is `firm_m` deep (Huber 1964,
    /// doi 10.1214/aoms/1177703732), so that a touch that needs it is kept.
    fn add_outsides(
        &self,
        outsides: &[(Meet, f64)],
        [depth_m, firm_m]: [f64; 2],
        sink: &mut Sink<'_>,
    ) {
        let weight = depth_m.powi(-2);
        for (meet, least_m) in outsides {
            let axis = meet.normal(self.world);
            let residual = meet.miss(self.world).dot(axis) - least_m;
            let deep_m = -residual;
            if deep_m <= 0.0 {
                continue;
            }
            let gradient = self.meet_gradient(meet, axis);
            if deep_m <= firm_m {
                sink(residual, &gradient, weight);
            } else if self.axes.is_empty() {
                sink((firm_m * (2.0 * deep_m - firm_m)).sqrt(), &[], weight);
            } else {
                sink(residual, &gradient, weight * firm_m / deep_m);
            }
        }
    }

    /// Points that stand.
    fn add_held(&self, held: &[(SkinPoint, DVec3)], sink: &mut Sink<'_>) {
        let weight = self.problem.weights.held_m.powi(-2);
        let turns = self.problem.turns;
        for (point, place) in held {
            let miss = point.world(self.world) - *place;
            for axis in DVec3::AXES {
                let gradient =
                    self.gradient(|about| turns.point_slope(about, point, self.world).dot(axis));
                sink(miss.dot(axis), &gradient, weight);
            }
        }
    }

    /// The normal of a place and two directions along the surface, world; they turn with the joint
    /// that carries the normal.
    fn axes_of(&self, place: &Meet) -> [DVec3; 3] {
        let carried = place
            .normal_joint
            .map_or(DQuat::IDENTITY, |joint| self.world.rotation(joint));
        let normal = carried * place.normal;
        let aside = carried * place.normal.any_orthonormal_vector();
        [normal, aside, normal.cross(aside)]
    }

    /// Gradient of what a place misses along an axis that turns with its normal.
    fn meet_gradient(&self, place: &Meet, axis: DVec3) -> Vec<(usize, f64)> {
        let turns = self.problem.turns;
        let miss = place.miss(self.world);
        self.gradient(|about| {
            let mut slope = turns.point_slope(about, &place.point, self.world);
            if let Target::Skin(point) = &place.target {
                slope -= turns.point_slope(about, point, self.world);
            }
            let joint = place.normal_joint;
            let spin = joint.map_or(DVec3::ZERO, |joint| turns.spin(about, joint));
            slope.dot(axis) + spin.cross(axis).dot(miss)
        })
    }

    /// The hand points as it does in plain transfer.
    fn add_hand(&self, goal: &Goal, frame: &GoalFrame, clip: &Clip, sink: &mut Sink<'_>) {
        let wanted = world_rotation(clip, frame.frame, goal.joint);
        let turn = turn_between(wanted, self.world.rotation(goal.joint));
        let jacobian = inverse_left_jacobian(turn);
        let weight = frame.weight * self.problem.weights.hand.powi(-2);
        for axis in DVec3::AXES {
            let gradient = self.gradient(|about| {
                (jacobian * self.problem.turns.spin(about, goal.joint)).dot(axis)
            });
            sink(turn.dot(axis), &gradient, weight);
        }
    }

    /// Elbows that stretch too far.
    fn add_elbows(&self, sink: &mut Sink<'_>) {
        let turns = self.problem.turns;
        for turn in &turns.turns {
            let Some([shoulder, elbow, end]) = turn.elbow else {
                continue;
            };
            let upper = self.world.position(elbow) - self.world.position(shoulder);
            let fore = self.world.position(end) - self.world.position(elbow);
            let bend = upper.angle_between(fore);
            let excess = self.problem.weights.straightest - bend;
            let across = upper.cross(fore);
            if excess > 0.0 && across.length() > 1e-9 {
                // The bend grows as the forearm turns about the axis across both.
                let axis = across.normalize();
                let gradient = self.gradient(|about| {
                    -(turns.spin(about, elbow) - turns.spin(about, shoulder)).dot(axis)
                });
                sink(excess, &gradient, 0.01f64.powi(-2));
            }
        }
    }

    /// Joints near the ends of their ranges, or beyond them.
    fn add_limits(&self, at: usize, sink: &mut Sink<'_>) {
        let turns = self.problem.turns;
        let firm = self.problem.weights.limit;
        for pressed in self.problem.limits.pressed(at, self.world, firm) {
            let gradient = self.gradient(|about| {
                let turn = turns.spin(about, pressed.carrier) - turns.spin(about, pressed.against);
                turn.dot(pressed.axis)
            });
            sink(pressed.residual, &gradient, pressed.weight);
        }
    }
}

fn world_rotation(clip: &Clip, frame: usize, joint: usize) -> DQuat {
    let locals = clip.frame(frame);
    let path = clip.skeleton.path_from_root(joint);
    path.iter()
        .fold(DQuat::IDENTITY, |turn, &at| turn * locals[at].rotation)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use proptest::prelude::*;
    use understudy_anatomy::Side;
    use understudy_motion::{Joint, Skeleton};

    use super::*;
    use crate::least_squares::testing::check_gradient;
    use crate::touch::turns::{Share, Turn};
    use crate::touch::{Touch, TouchEnd, TouchPart};

    /// Trunk and head with an arm of two bones and a hand, and a clip of five equal frames.
    fn clip() -> Clip {
        let joints = vec![
            Joint::new("trunk", None, DVec3::new(0.0, 1.0, 0.0)),
            Joint::new("head", Some(0), DVec3::new(0.0, 0.5, 0.0)),
            Joint::new("shoulder", Some(0), DVec3::new(0.2, 0.4, 0.0)),
            Joint::new("elbow", Some(2), DVec3::new(0.3, 0.0, 0.02)),
            Joint::new("wrist", Some(3), DVec3::new(0.24, 0.01, 0.1)),
        ];
        let skeleton = Arc::new(Skeleton::new(joints).expect("a tree"));
        let rest = skeleton.rest_locals();
        let frames = std::iter::repeat_n(rest, 5).flatten().collect();
        Clip::new(skeleton, 1.0 / 60.0, frames).expect("a clip")
    }

    fn turns(clip: &Clip) -> Turns {
        let turn = |joints: &[usize], elbow| Turn {
            joints: joints
                .iter()
                .map(|&joint| Share {
                    joint,
                    share: 1.0 / joints.len() as f64,
                    axes: understudy_motion::DMat3::from_rotation_y(0.3),
                })
                .collect(),
            ease: [0.5, 0.3, 0.2],
            elbow,
        };
        Turns::of(
            &clip.skeleton,
            vec![
                turn(&[0, 1], None),
                turn(&[2], None),
                turn(&[3], Some([2, 3, 4])),
                turn(&[4], None),
            ],
        )
    }

    fn goal() -> Goal {
        let end = |part| TouchEnd {
            part,
            side: Side::Middle,
            pair: 0,
            along: 0.5,
        };
        let skin = |shares: &[(usize, f64, DVec3)]| SkinPoint {
            shares: shares.to_vec(),
        };
        let place = |frame: usize| Meet {
            point: skin(&[
                (4, 0.8, DVec3::new(0.1, 0.0, 0.02)),
                (3, 0.2, DVec3::new(0.3, 0.02, 0.0)),
            ]),
            target: match frame {
                4 => Target::World(DVec3::new(0.3, 0.2, 0.4)),
                _ => Target::Skin(skin(&[
                    (1, 0.7, DVec3::new(0.1, 0.1, 0.05)),
                    (0, 0.3, DVec3::new(0.1, 0.6, 0.02)),
                ])),
            },
            normal: DVec3::new(0.6, 0.0, 0.8),
            normal_joint: (frame != 4).then_some(1),
        };
        let frame = |frame: usize| GoalFrame {
            frame,
            place: place(frame),
            gap_m: 0.03,
            weight: 0.5,
            is_touch: frame > 2,
        };
        Goal {
            touch: Touch {
                from: end(TouchPart::Hand),
                to: end(TouchPart::Head),
                first: 3,
                last: 4,
            },
            from_part: 0,
            to_part: Some(1),
            joint: 4,
            frames: (1..=4).map(frame).collect(),
        }
    }

    proptest! {
        /// The gradient of the whole sum, put together from those of its terms, against central
        /// differences; goals on skin and in the world, near and touching, and an elbow that is too
        /// straight all have their part in it.
        #[test]
        fn the_terms_are_differentiated(values in proptest::collection::vec(-0.4..0.4f64, 5 * 12)) {
            let clip = clip();
            let turns = turns(&clip);
            let goals = [goal()];
            let mut problem = Problem {
                clip: &clip,
                first: 0,
                last: 4,
                turns: &turns,
                goals: &goals,
                biases: vec![vec![0.01; 4]],
                pairs: vec![vec![
                    Vec::new(),
                    Vec::new(),
                    Vec::new(),
                    vec![goals[0].frames[0].place.clone(), goals[0].frames[2].place.clone()],
                ]],
                outsides: (0..5)
                    .map(|frame| {
                        let meet = goals[0].frames[1].place.clone();
                        vec![(meet, 0.1); usize::from(frame == 2)]
                    })
                    .collect(),
                held: (0..5)
                    .map(|frame| {
                        let point = SkinPoint::rigid(4, DVec3::new(0.1, 0.05, 0.0));
                        vec![(point, DVec3::new(0.5, 1.4, 0.2)); usize::from(frame == 1)]
                    })
                    .collect(),
                over: (0..5)
                    .map(|frame| {
                        let meet = goals[0].frames[3].place.clone();
                        vec![(meet, 0.3); usize::from(frame == 3)]
                    })
                    .collect(),
                limits: JointLimits::default(),
                weights: Weights {
                    depth_m: 0.01,
                    firm_m: 0.03,
                    held_m: 0.02,
                    over_m: 0.03,
                    gap_m: 0.01,
                    aside_m: 0.02,
                    near_m: 0.05,
                    hand: 0.3,
                    fade_secs: 0.1,
                    straightest: 0.9,
                    limit: 0.01,
                },
                values,
                stay: Some((vec![0.1; 5 * 12], 3.0)),
            };
            let checked = check_gradient(&mut problem, 1e-6, (1e-3, 100.0));
            prop_assert!(checked.is_ok(), "{checked:?}");
        }
    }
}
