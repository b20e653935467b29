//! The rigid vectors of a foot.

use understudy_motion::{DQuat, DVec3, WorldPose};

use crate::foot::Foot;

/// Numbers of the parts of a sole in arrays: heel, ball, toe.
pub(super) const HEEL: usize = 0;
pub(super) const BALL: usize = 1;
pub(super) const TOE: usize = 2;

/// Vectors of a foot that do not depend on the pose, rotated into the joints' axes, metres.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rig {
    pub(super) heel_in_ankle: Option<DVec3>,
    pub(super) ball_joint_in_ankle: DVec3,
    pub(super) ball_in_toes: DVec3,
    pub(super) tip_in_toes: DVec3,
}

impl Rig {
    pub(super) fn new(foot: &Foot, rest: &WorldPose) -> Self {
        let vector = |joint: usize, local: DVec3| {
            rest.rotation(joint).inverse() * rest.affines[joint].transform_vector3(local)
        };
        let bone = rest.position(foot.toe_joint) - rest.position(foot.ankle);
        Self {
            heel_in_ankle: foot.heel.map(|heel| vector(foot.ankle, heel.local)),
            ball_joint_in_ankle: rest.rotation(foot.ankle).inverse() * bone,
            ball_in_toes: vector(foot.toe_joint, foot.ball.local),
            tip_in_toes: vector(foot.toe_joint, foot.toe.local),
        }
    }

    /// Offset of a part from the ankle, world axes.
    pub(super) fn part(&self, part: usize, ankle: DQuat, toes: DQuat) -> DVec3 {
        match part {
            HEEL => ankle * self.heel_in_ankle.unwrap_or(DVec3::ZERO),
            BALL => ankle * self.ball_joint_in_ankle + toes * self.ball_in_toes,
            _ => ankle * self.ball_joint_in_ankle + toes * self.tip_in_toes,
        }
    }
}
