//! A leg of two bones that must reach a point: the law of cosines.

use understudy_anatomy::Leg;
use understudy_motion::{DQuat, DVec3, Transform, WorldPose};

/// Bend of a knee (radians) past which calf and thigh lie against each other. Common practice;
/// AAOS gives 135 degrees for active flexion, and a body's weight folds it further.
pub const MOST_FOLDED: f64 = 2.6;

/// A leg in one frame, as world vectors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LegPose {
    /// From hip to knee, metres.
    pub thigh: DVec3,
    /// From knee to ankle, metres.
    pub shank: DVec3,
    /// Unit axis of the knee; a positive turn of the shank about it bends the knee.
    pub axis: DVec3,
}

/// How to turn the bones of a leg.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LegTurn {
    /// World turn of the thigh and all below it.
    pub thigh: DQuat,
    /// World turn of the shank and all below it; includes that of the thigh.
    pub shank: DQuat,
}

/// The part of a leg's geometry that does not change when its knee bends: in
/// `r² = constant + 2 · product · cos(bend)`, `r` being the distance from hip to ankle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reach {
    /// `|thigh|² + |shank|² + 2 · (parts along the axis)`, m².
    pub constant: f64,
    /// Product of the parts across the axis, m².
    pub product: f64,
}

impl Reach {
    /// Distance from hip to ankle at a bend in radians, metres.
    pub fn distance(&self, bend: f64) -> f64 {
        (self.constant + 2.0 * self.product * bend.cos())
            .max(0.0)
            .sqrt()
    }

    /// Bend at a distance, radians within 0 to π, nearest where the leg cannot reach.
    pub fn bend(&self, distance: f64) -> f64 {
        ((distance * distance - self.constant) / (2.0 * self.product))
            .clamp(-1.0, 1.0)
            .acos()
    }
}

impl LegPose {
    /// Its reach.
    pub fn reach(&self) -> Reach {
        let (u, v) = (self.thigh.dot(self.axis), self.shank.dot(self.axis));
        let across = |vector: DVec3, along: f64| (vector - self.axis * along).length();
        Reach {
            constant: self.thigh.length_squared() + self.shank.length_squared() + 2.0 * u * v,
            product: across(self.thigh, u) * across(self.shank, v),
        }
    }

    /// Bend of the knee about its axis, radians within ±π; 0 is straight, negative bent the
    /// wrong way.
    pub fn bend(&self) -> f64 {
        let across = |vector: DVec3| vector - self.axis * vector.dot(self.axis);
        let (u, v) = (across(self.thigh), across(self.shank));
        u.cross(v).dot(self.axis).atan2(u.dot(v))
    }

    /// The turns that bring the ankle to `target`, given from the hip, metres. The knee bends
    /// about its axis, then the whole leg swings by the shortest turn; the plane of the knee is
    /// kept as far as that allows. Where the leg cannot reach it points at the target.
    pub fn reach_for(&self, target: DVec3) -> LegTurn {
        let bend = self.reach().bend(target.length());
        let knee = DQuat::from_axis_angle(self.axis, bend - self.bend());
        let reached = self.thigh + knee * self.shank;
        let swing = match (reached.try_normalize(), target.try_normalize()) {
            (Some(from), Some(to)) => DQuat::from_rotation_arc(from, to),
            _ => DQuat::IDENTITY,
        };
        LegTurn {
            thigh: swing,
            shank: swing * knee,
        }
    }
}

/// World turns of a leg's joints.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FullTurn {
    /// Of thigh and shank.
    pub leg: LegTurn,
    /// Of the foot.
    pub foot: DQuat,
    /// Of the toes; ignored where the foot is one piece.
    pub toes: DQuat,
}

/// Turns the joints of a leg. `world` is the pose that `locals` had before; what lies between the
/// joints (twist joints) turns with the bone it belongs to.
pub fn turn_leg(locals: &mut [Transform], world: &WorldPose, leg: &Leg, turn: &FullTurn) {
    let mut set = |joint: usize, parent_turn: DQuat, turn: DQuat| {
        let rotation = world.rotation(joint);
        let parent = parent_turn * rotation * locals[joint].rotation.inverse();
        locals[joint].rotation = (parent.inverse() * turn * rotation).normalize();
    };
    set(leg.hip, DQuat::IDENTITY, turn.leg.thigh);
    set(leg.knee, turn.leg.thigh, turn.leg.shank);
    set(leg.ankle, turn.leg.shank, turn.foot);
    if let Some(ball) = leg.ball {
        set(ball, turn.foot, turn.toes);
    }
}

/// The knee's axis in the thigh's coordinates: the common normal of thigh and shank over all
/// frames, each counted by how far the knee is bent, leaning on a prior where it hardly bends.
///
/// `bones` are thigh and shank as unit-free vectors in the thigh's coordinates.
pub fn knee_axis(bones: impl Iterator<Item = (DVec3, DVec3)>, prior: DVec3) -> DVec3 {
    let mut sum = DVec3::ZERO;
    let mut count = 0.0;
    for (thigh, shank) in bones {
        let normal = thigh.normalize_or_zero().cross(shank.normalize_or_zero());
        // A knee bent backwards still turns about the same axis.
        sum += normal * normal.dot(prior).signum();
        count += 1.0;
    }
    (sum + prior * (0.02 * count))
        .try_normalize()
        .unwrap_or(prior)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const LEG: LegPose = LegPose {
        thigh: DVec3::new(0.02, -0.42, 0.05),
        shank: DVec3::new(-0.01, -0.4, -0.06),
        axis: DVec3::X,
    };

    /// The law of cosines for a knee whose bones lie across its axis: Euclid, *Elements*, II.12
    /// and II.13.
    #[test]
    fn bend_follows_the_law_of_cosines() {
        let (a, b) = (0.43, 0.41);
        let leg = LegPose {
            thigh: DVec3::new(0.0, -a, 0.0),
            shank: DVec3::new(0.0, -b, 0.0),
            axis: DVec3::X,
        };
        for r in [0.1f64, 0.3, 0.6, 0.8, 0.8399] {
            let inner = ((a * a + b * b - r * r) / (2.0 * a * b)).acos();
            let expected = std::f64::consts::PI - inner;
            assert!((leg.reach().bend(r) - expected).abs() < 1e-12);
            assert!((leg.reach().distance(expected) - r).abs() < 1e-12);
            let turn = leg.reach_for(DVec3::new(0.0, -r, 0.0));
            let knee = turn.thigh * leg.thigh;
            let ankle = knee + turn.shank * leg.shank;
            assert!((ankle - DVec3::new(0.0, -r, 0.0)).length() < 1e-9);
            // Knees bend forward: the knee lies on the side of +Z.
            assert!(knee.z > 0.0);
        }
    }

    proptest! {
        #[test]
        fn the_ankle_arrives(x in -0.25..0.25f64, y in -0.65..-0.25f64, z in -0.25..0.25f64) {
            let target = DVec3::new(x, y, z);
            let turn = LEG.reach_for(target);
            let ankle = turn.thigh * LEG.thigh + turn.shank * LEG.shank;
            prop_assert!((ankle - target).length() < 1e-9);
        }

        #[test]
        fn a_leg_already_there_does_not_move(bend in 0.05..2.5f64) {
            let posed = LegPose { shank: DQuat::from_rotation_x(bend) * LEG.thigh, ..LEG };
            let turn = posed.reach_for(posed.thigh + posed.shank);
            prop_assert!(turn.thigh.angle_between(DQuat::IDENTITY) < 1e-7);
            prop_assert!(turn.shank.angle_between(DQuat::IDENTITY) < 1e-7);
        }
    }

    #[test]
    fn a_target_out_of_reach_is_pointed_at() {
        let target = DVec3::new(0.0, -2.0, 0.3);
        let turn = LEG.reach_for(target);
        let ankle = turn.thigh * LEG.thigh + turn.shank * LEG.shank;
        assert!(ankle.normalize().dot(target.normalize()) > 1.0 - 1e-12);
    }

    #[test]
    fn the_axis_is_learned_from_bent_knees() {
        let axis = DVec3::new(0.9, 0.1, -0.2).normalize();
        let thigh = axis.any_orthonormal_vector();
        let bones = (0..30).map(|i| {
            (
                thigh,
                DQuat::from_axis_angle(axis, 0.04 * f64::from(i)) * thigh,
            )
        });
        let found = knee_axis(bones, DVec3::X);
        assert!(found.dot(axis) > 0.999, "{found}");
    }
}
