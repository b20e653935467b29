//! The joints that give way for a touch, and how points and directions change with their turns.
//!
//! A turn `φ` (rotation vector, radians) lays a rotation over a joint: `local = base · exp(s A φ)`,
//! with `A` from the turn's own axes to the joint's and `s` the joint's share. Derivatives use the
//! right Jacobian of the exponential map (Chirikjian 2012, *Stochastic Models, Information Theory,
//! and Lie Groups* 2, section 10.6; the same as eq. 143 of Solà et al. 2018, arXiv 1812.01537).

use understudy_anatomy::{Arm, Body, Leg};
use understudy_motion::angle::short_turn;
use understudy_motion::{DMat3, DQuat, DVec3, Skeleton, Transform, WorldPose};

use super::apart::Limb;
use super::skin::SkinPoint;
use super::{TouchEnd, TouchPart};
use crate::leg::knee_axis;

/// One joint of a turn.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Share {
    pub(crate) joint: usize,
    pub(crate) share: f64,
    /// From the turn's axes to the joint's.
    pub(crate) axes: DMat3,
}

/// A rotation vector that a frame may add to one joint, or spread over several.
#[derive(Clone, Debug)]
pub(crate) struct Turn {
    pub(crate) joints: Vec<Share>,
    /// Radians that each of its three components goes easily.
    pub(crate) ease: [f64; 3],
    /// Whether the first component is the bend of an elbow; holds shoulder, elbow and wrist.
    pub(crate) elbow: Option<[usize; 3]>,
}

/// Limbs that give way.
#[derive(Clone, Debug, Default)]
pub(crate) struct Limbs {
    pub(crate) arms: Vec<Limb>,
    pub(crate) legs: Vec<Limb>,
}

/// Everything a solve needs to know about a skeleton and its turns.
#[derive(Clone, Debug)]
pub(crate) struct Turns {
    pub(crate) turns: Vec<Turn>,
    /// Whether one joint is another or above it, `[above][below]`.
    is_above: Vec<Vec<bool>>,
}

/// How far joints go easily, radians (common practice): the arm gives way before the shoulder girdle,
/// and this before the trunk.
const SHOULDER: f64 = 0.5;
const ELBOW: f64 = 0.6;
const WRIST: f64 = 0.35;
const CLAVICLE: f64 = 0.12;
const SPINE: f64 = 0.10;
const HEAD: f64 = 0.08;
const HIP: f64 = 0.25;
const KNEE: f64 = 0.3;
const ANKLE: f64 = 0.3;
/// Elbows and knees hardly bend aside.
const ASIDE: f64 = 0.02;

impl Turns {
    /// The turns that serve some touches, and further limbs. `worlds` are poses of the character.
    pub(crate) fn new(
        skeleton: &Skeleton,
        body: &Body,
        rest: &WorldPose,
        worlds: &[WorldPose],
        ends: &[TouchEnd],
        limbs: &Limbs,
        reach: f64,
    ) -> Self {
        let mut turns = Vec::new();
        for arm in &body.arms {
            let is_used = ends
                .iter()
                .any(|end| end.part.is_limb() && end.side == arm.side && end.pair == arm.pair);
            if is_used || limbs.arms.contains(&(arm.side, arm.pair)) {
                turns.extend(arm_turns(arm, body, rest, worlds, reach));
            }
        }
        for leg in &body.legs {
            if limbs.legs.contains(&(leg.side, leg.pair)) {
                turns.extend(leg_turns(leg, body, rest, worlds));
            }
        }
        if reach > 0.0 && !ends.is_empty() {
            turns.extend(spread(&body.spine, rest, SPINE * reach));
            if ends.iter().any(|end| end.part == TouchPart::Head) {
                let mut joints = body.neck.clone();
                joints.extend(body.head);
                turns.extend(spread(&joints, rest, HEAD * reach));
            }
        }
        Self::of(skeleton, turns)
    }

    /// Given turns of a skeleton.
    pub(crate) fn of(skeleton: &Skeleton, turns: Vec<Turn>) -> Self {
        let joints = 0..skeleton.len();
        let is_above = joints
            .clone()
            .map(|above| {
                let below = joints.clone();
                below
                    .map(|below| skeleton.is_at_or_above(above, below))
                    .collect()
            })
            .collect();
        Self { turns, is_above }
    }

    /// Unknowns per frame.
    pub(crate) fn width(&self) -> usize {
        3 * self.turns.len()
    }

    /// Lays turns over local transforms.
    pub(crate) fn apply(&self, base: &[Transform], values: &[f64], locals: &mut [Transform]) {
        for (turn, value) in self.turns.iter().zip(values.chunks_exact(3)) {
            let value = DVec3::from_slice(value);
            for share in &turn.joints {
                let vector = share.axes * value * share.share;
                let rotation = base[share.joint].rotation * DQuat::from_scaled_axis(vector);
                locals[share.joint].rotation = rotation.normalize();
            }
        }
    }

    /// The turns that lead from local transforms to others, as far as they can.
    pub(crate) fn between(&self, base: &[Transform], locals: &[Transform]) -> Vec<f64> {
        let value = |turn: &Turn| {
            let values = turn.joints.iter().map(|share| {
                let [from, to] = [base, locals].map(|locals| locals[share.joint].rotation);
                let vector = short_turn(from.inverse() * to);
                share.axes.transpose() * vector / share.share
            });
            values.sum::<DVec3>() / turn.joints.len() as f64
        };
        self.turns
            .iter()
            .flat_map(|turn| value(turn).to_array())
            .collect()
    }

    /// The axis (world, unit per radian) about which each unknown turns all below each of its
    /// joints, `[unknown] -> (joint, axis)`.
    pub(crate) fn axes(&self, values: &[f64], world: &WorldPose) -> Vec<Vec<(usize, DVec3)>> {
        let mut axes = Vec::with_capacity(self.width());
        for (turn, value) in self.turns.iter().zip(values.chunks_exact(3)) {
            let value = DVec3::from_slice(value);
            for component in 0..3 {
                let unit = DVec3::AXES[component];
                let about = turn.joints.iter().map(|share| {
                    let vector = share.axes * value * share.share;
                    let local = right_jacobian(vector) * (share.axes * unit * share.share);
                    (share.joint, world.rotation(share.joint) * local)
                });
                axes.push(about.collect());
            }
        }
        axes
    }

    /// Derivative of a point of the skin by one unknown, metres per radian.
    pub(crate) fn point_slope(
        &self,
        about: &[(usize, DVec3)],
        point: &SkinPoint,
        world: &WorldPose,
    ) -> DVec3 {
        let mut slope = DVec3::ZERO;
        for &(joint, axis) in about {
            let origin = world.position(joint);
            for &(below, weight, local) in &point.shares {
                if self.is_above[joint][below] {
                    slope += weight * axis.cross(world.point(below, local) - origin);
                }
            }
        }
        slope
    }

    /// Whether one joint can turn against another that it hangs on.
    pub(crate) fn is_between(&self, against: usize, carrier: usize) -> bool {
        let joints = self.turns.iter().flat_map(|turn| &turn.joints);
        let mut above = joints.filter(|share| self.is_above[share.joint][carrier]);
        above.any(|share| !self.is_above[share.joint][against])
    }

    /// Angular velocity of a joint by one unknown, world.
    pub(crate) fn spin(&self, about: &[(usize, DVec3)], joint: usize) -> DVec3 {
        let above = about.iter().filter(|(at, _)| self.is_above[*at][joint]);
        above.map(|(_, axis)| *axis).sum()
    }
}

fn single(joint: usize, axes: DMat3, ease: [f64; 3]) -> Turn {
    Turn {
        joints: vec![Share {
            joint,
            share: 1.0,
            axes,
        }],
        ease,
        elbow: None,
    }
}

/// World axes of the rest pose in a joint's own.
fn rest_axes(rest: &WorldPose, joint: usize) -> DMat3 {
    DMat3::from_quat(rest.rotation(joint).inverse())
}

fn arm_turns(
    arm: &Arm,
    body: &Body,
    rest: &WorldPose,
    worlds: &[WorldPose],
    reach: f64,
) -> Vec<Turn> {
    let mut turns = Vec::new();
    if let Some(&clavicle) = arm.clavicle.last().filter(|_| reach > 0.0) {
        turns.push(single(
            clavicle,
            rest_axes(rest, clavicle),
            [CLAVICLE * reach; 3],
        ));
    }
    turns.push(single(
        arm.shoulder,
        rest_axes(rest, arm.shoulder),
        [SHOULDER; 3],
    ));
    let end = arm.wrist.unwrap_or(arm.hand_tip.joint);
    if end != arm.elbow {
        let joints = [arm.shoulder, arm.elbow, end];
        let axes = hinge_axes(joints, body.frame.forward, body, rest, worlds);
        let mut turn = single(arm.elbow, axes, [ELBOW, ASIDE, ASIDE]);
        turn.elbow = Some(joints);
        turns.push(turn);
    }
    if let Some(wrist) = arm.wrist {
        turns.push(single(wrist, rest_axes(rest, wrist), [WRIST; 3]));
    }
    turns
}

/// Hip, knee and ankle. A straight knee may stay straight.
fn leg_turns(leg: &Leg, body: &Body, rest: &WorldPose, worlds: &[WorldPose]) -> Vec<Turn> {
    let joints = [leg.hip, leg.knee, leg.ankle];
    let axes = hinge_axes(joints, -body.frame.forward, body, rest, worlds);
    vec![
        single(leg.hip, rest_axes(rest, leg.hip), [HIP; 3]),
        single(leg.knee, axes, [KNEE, ASIDE, ASIDE]),
        single(leg.ankle, rest_axes(rest, leg.ankle), [ANKLE; 3]),
    ]
}

/// The axes of an elbow or knee in its own coordinates, the hinge first. `towards` is where a straight
/// limb bends to.
fn hinge_axes(
    [root, middle, end]: [usize; 3],
    towards: DVec3,
    body: &Body,
    rest: &WorldPose,
    worlds: &[WorldPose],
) -> DMat3 {
    let bones = |world: &WorldPose| {
        let to_upper = world.rotation(root).inverse();
        let [root, middle, end] = [root, middle, end].map(|joint| world.position(joint));
        (to_upper * (middle - root), to_upper * (end - middle))
    };
    let prior = (rest.position(middle) - rest.position(root))
        .cross(towards)
        .normalize_or(body.frame.up);
    let prior = rest.rotation(root).inverse() * prior;
    let in_upper = knee_axis(worlds.iter().map(bones), prior);
    // The hinge stands in the upper bone; the joint's own axes turn with the bend about it.
    let in_middle = rest.rotation(middle).inverse() * (rest.rotation(root) * in_upper);
    let aside = in_middle.any_orthonormal_vector();
    DMat3::from_cols(in_middle, aside, in_middle.cross(aside))
}

/// One turn spread evenly over a chain.
fn spread(joints: &[usize], rest: &WorldPose, ease: f64) -> Option<Turn> {
    (!joints.is_empty()).then(|| Turn {
        joints: joints
            .iter()
            .map(|&joint| Share {
                joint,
                share: 1.0 / joints.len() as f64,
                axes: rest_axes(rest, joint),
            })
            .collect(),
        ease: [ease; 3],
        elbow: None,
    })
}

/// `v ↦ a × v` as a matrix.
fn cross_matrix(a: DVec3) -> DMat3 {
    DMat3::from_cols(
        DVec3::new(0.0, a.z, -a.y),
        DVec3::new(-a.z, 0.0, a.x),
        DVec3::new(a.y, -a.x, 0.0),
    )
}

/// `exp(v + d) ≈ exp(v) exp(J d)`.
fn right_jacobian(vector: DVec3) -> DMat3 {
    let angle = vector.length();
    let cross = cross_matrix(vector);
    let (a, b) = if angle < 1e-4 {
        (0.5, 1.0 / 6.0)
    } else {
        let square = angle * angle;
        (
            (1.0 - angle.cos()) / square,
            (angle - angle.sin()) / (square * angle),
        )
    };
    DMat3::IDENTITY - cross * a + cross * cross * b
}

/// `log(exp(w) exp(v)) ≈ v + J w`.
pub(crate) fn inverse_left_jacobian(vector: DVec3) -> DMat3 {
    let angle = vector.length();
    let cross = cross_matrix(vector);
    let b = if angle < 1e-4 {
        1.0 / 12.0
    } else {
        1.0 / (angle * angle) - (1.0 + angle.cos()) / (2.0 * angle * angle.sin())
    };
    DMat3::IDENTITY - cross * 0.5 + cross * cross * b
}

/// The rotation vector from one orientation to another, world, radians.
pub(crate) fn turn_between(from: DQuat, to: DQuat) -> DVec3 {
    short_turn(to * from.inverse())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn vectors() -> impl Strategy<Value = DVec3> {
        (-1.5..1.5f64, -1.5..1.5f64, -1.5..1.5f64).prop_map(|(x, y, z)| DVec3::new(x, y, z))
    }

    proptest! {
        /// Both Jacobians against central differences.
        #[test]
        fn jacobians_are_slopes(vector in vectors(), way in vectors()) {
            let h = 1e-6;
            let exp = DQuat::from_scaled_axis;
            let side = |s: f64| turn_between(DQuat::IDENTITY, exp(vector).inverse() * exp(vector + way * (s * h)));
            let slope = (side(1.0) - side(-1.0)) / (2.0 * h);
            prop_assert!((slope - right_jacobian(vector) * way).length() < 1e-7);
            let side = |s: f64| turn_between(DQuat::IDENTITY, exp(way * (s * h)) * exp(vector));
            let slope = (side(1.0) - side(-1.0)) / (2.0 * h);
            prop_assert!((slope - inverse_left_jacobian(vector) * way).length() < 1e-6);
        }
    }
}
