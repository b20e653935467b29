//! Tracks of feet without the noise of the take.

use understudy_motion::{DMat3, DQuat, DVec3, WorldPose};

use crate::banded::NotPositive;
use crate::smooth::without_noise;

/// Takes the take's noise out of the tracks of a foot: a foot that is held still, and turns about
/// what is planted, must not pass it on to its knee. Clean tracks come back unchanged.
pub(crate) struct Calm {
    pub(crate) leg_length_m: f64,
    pub(crate) foot_length_m: f64,
    pub(crate) frame_time_secs: f64,
}

impl Calm {
    fn track(&self, values: &[DVec3]) -> Result<Vec<DVec3>, NotPositive> {
        without_noise(values, self.leg_length_m, self.frame_time_secs)
    }

    /// Positions of a joint, world, metres.
    pub(crate) fn positions(
        &self,
        worlds: &[WorldPose],
        joint: usize,
    ) -> Result<Vec<DVec3>, NotPositive> {
        let track: Vec<DVec3> = worlds.iter().map(|w| w.position(joint)).collect();
        self.track(&track)
    }

    /// World rotations of a joint.
    ///
    /// Rotations are judged by how far they move the other end of the foot: the two axes of the
    /// foot's frame that span it are calmed as points.
    pub(crate) fn rotations(
        &self,
        worlds: &[WorldPose],
        joint: usize,
    ) -> Result<Vec<DQuat>, NotPositive> {
        let axis = |local: DVec3| -> Result<Vec<DVec3>, NotPositive> {
            let track: Vec<DVec3> = worlds
                .iter()
                .map(|w| w.rotation(joint) * local * self.foot_length_m)
                .collect();
            self.track(&track)
        };
        let (x, y) = (axis(DVec3::X)?, axis(DVec3::Y)?);
        let frames = worlds.iter().zip(x.iter().zip(&y));
        Ok(frames
            .map(|(world, (x, y))| {
                let z = x.cross(*y).try_normalize();
                match (x.try_normalize(), z) {
                    (Some(x), Some(z)) => {
                        let matrix = DMat3::from_cols(x, z.cross(x), z);
                        DQuat::from_mat3(&matrix).normalize()
                    }
                    _ => world.rotation(joint),
                }
            })
            .collect())
    }
}
