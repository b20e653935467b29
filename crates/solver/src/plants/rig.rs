//! The rigid vectors of a foot.

use understudy_motion::{DQuat, DVec3, WorldPose};

use crate::floor::Floor;
use crate::foot::Foot;
use crate::sole_skin::{FootPose, SoleSkin};

/// Numbers of the parts of a sole in arrays: heel, ball, toe.
pub(super) const HEEL: usize = 0;
pub(super) const BALL: usize = 1;
pub(super) const TOE: usize = 2;

/// Vectors of a foot that do not depend on the pose, rotated into the joints' axes, metres.
#[derive(Clone, Debug)]
pub(super) struct Rig {
    pub(super) heel_in_ankle: Option<DVec3>,
    pub(super) ball_joint_in_ankle: DVec3,
    pub(super) ball_in_toes: DVec3,
    pub(super) tip_in_toes: DVec3,
    skin: SoleSkin,
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
            skin: foot.skin.clone(),
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

    /// Height of the lowest vertex of the foot above a floor, metres along Y; `None` without a skin.
    pub(super) fn lowest_of_skin_m(
        &self,
        ankle: DVec3,
        [ankle_rotation, toe_rotation]: [DQuat; 2],
        floor: &Floor,
    ) -> Option<f64> {
        let pose = FootPose {
            ankle,
            ankle_rotation,
            toe_joint: ankle + ankle_rotation * self.ball_joint_in_ankle,
            toe_rotation,
        };
        self.skin.lowest_m(&pose, floor)
    }

    /// Height of the lowest point of the foot above a floor, metres along Y: of its skin, or of heel, ball
    /// and toe.
    pub(super) fn lowest_m(&self, ankle: DVec3, rotations: [DQuat; 2], floor: &Floor) -> f64 {
        let of_points = || {
            let first = if self.heel_in_ankle.is_some() {
                HEEL
            } else {
                BALL
            };
            let parts = first..=TOE;
            let heights =
                parts.map(|part| floor.above(ankle + self.part(part, rotations[0], rotations[1])));
            heights.fold(f64::INFINITY, f64::min)
        };
        let of_skin = self.lowest_of_skin_m(ankle, rotations, floor);
        of_skin.unwrap_or_else(of_points)
    }
}
