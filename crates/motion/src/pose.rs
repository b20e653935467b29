//! Local and world transforms of joints, and forward kinematics.

use glam::{DAffine3, DQuat, DVec3};
use serde::{Deserialize, Serialize};

use crate::skeleton::Skeleton;

/// A joint's transform relative to its parent: scale, then rotate, then translate.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Transform {
    /// Origin of the joint in its parent's coordinates, metres.
    pub translation: DVec3,
    /// Unit quaternion, `parent_from_local`.
    pub rotation: DQuat,
    /// Factors along the local axes; 1 for nearly every joint.
    pub scale: DVec3,
}

impl Transform {
    /// Nothing moved, nothing turned, nothing scaled.
    pub const IDENTITY: Self = Self {
        translation: DVec3::ZERO,
        rotation: DQuat::IDENTITY,
        scale: DVec3::ONE,
    };

    /// A rigid transform (scale 1).
    pub fn rigid(translation: DVec3, rotation: DQuat) -> Self {
        Self {
            translation,
            rotation,
            scale: DVec3::ONE,
        }
    }

    /// A pure offset from the parent, metres.
    pub fn from_translation(translation: DVec3) -> Self {
        Self::rigid(translation, DQuat::IDENTITY)
    }

    /// The same transform as a matrix, `parent_from_local`.
    pub fn to_affine(&self) -> DAffine3 {
        DAffine3::from_scale_rotation_translation(self.scale, self.rotation, self.translation)
    }

    /// Whether every number is finite.
    pub fn is_finite(&self) -> bool {
        self.translation.is_finite() && self.rotation.is_finite() && self.scale.is_finite()
    }
}

impl Default for Transform {
    fn default() -> Self {
        Self::IDENTITY
    }
}

/// World transforms of all joints of a skeleton at one moment.
///
/// Positions come from the full product of matrices, scale included. `rotations` is the product
/// of the local rotations alone. Where the scales above and of a joint are uniform, the linear part
/// of its matrix is the product of these scales times this rotation; a negative product is a
/// reflection through the point. Scale that is uneven, or negative along some axes only, shears or
/// reverses the rotations below it: there the two differ, though positions stay right.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WorldPose {
    /// `world_from_joint`, one per joint.
    pub affines: Vec<DAffine3>,
    /// `world_from_joint` rotations, one per joint.
    pub rotations: Vec<DQuat>,
}

impl WorldPose {
    /// Forward kinematics: world transforms from local ones, `locals[joint]`.
    ///
    /// # Panics
    /// If `locals` is shorter than the skeleton; [`crate::Clip`] guarantees that it is not.
    pub fn from_locals(skeleton: &Skeleton, locals: &[Transform]) -> Self {
        let mut pose = Self::default();
        pose.update(skeleton, locals);
        pose
    }

    /// As [`WorldPose::from_locals`], reusing the allocations of `self`.
    pub fn update(&mut self, skeleton: &Skeleton, locals: &[Transform]) {
        assert!(locals.len() >= skeleton.len(), "a pose lacks joints");
        self.affines.clear();
        self.rotations.clear();
        for (joint, local) in skeleton.joints().iter().zip(locals) {
            let (affine, rotation) = match joint.parent {
                Some(parent) => (
                    self.affines[parent] * local.to_affine(),
                    self.rotations[parent] * local.rotation,
                ),
                None => (local.to_affine(), local.rotation),
            };
            self.affines.push(affine);
            self.rotations.push(rotation.normalize());
        }
    }

    /// World position of a joint's origin, metres.
    pub fn position(&self, joint: usize) -> DVec3 {
        self.affines[joint].translation
    }

    /// World rotation of a joint, `world_from_joint`.
    pub fn rotation(&self, joint: usize) -> DQuat {
        self.rotations[joint]
    }

    /// World rotation of a joint's parent; none for a root.
    pub fn parent_rotation(&self, skeleton: &Skeleton, joint: usize) -> DQuat {
        let parent = skeleton.parent(joint);
        parent.map_or(DQuat::IDENTITY, |parent| self.rotation(parent))
    }

    /// World position of a point given in a joint's coordinates, metres.
    pub fn point(&self, joint: usize, point_in_joint: DVec3) -> DVec3 {
        self.affines[joint].transform_point3(point_in_joint)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::skeleton::Joint;
    use glam::DMat3;
    use std::f64::consts::FRAC_PI_2;

    #[test]
    fn a_bent_arm_ends_where_geometry_says() {
        let skeleton = Skeleton::new(vec![
            Joint::new("shoulder", None, DVec3::new(0.0, 1.0, 0.0)),
            Joint::new("elbow", Some(0), DVec3::new(0.3, 0.0, 0.0)),
            Joint::new("wrist", Some(1), DVec3::new(0.25, 0.0, 0.0)),
        ])
        .unwrap();
        let mut locals = skeleton.rest_locals();
        locals[1].rotation = DQuat::from_rotation_z(FRAC_PI_2);
        let pose = WorldPose::from_locals(&skeleton, &locals);
        assert!((pose.position(2) - DVec3::new(0.3, 1.25, 0.0)).length() < 1e-15);
    }

    #[test]
    fn scale_of_a_parent_reaches_the_child() {
        let skeleton = Skeleton::new(vec![
            Joint::new("stage", None, DVec3::ZERO),
            Joint::new("pelvis", Some(0), DVec3::new(0.0, 100.0, 0.0)),
        ])
        .unwrap();
        let mut locals = skeleton.rest_locals();
        locals[0].scale = DVec3::splat(0.01);
        let pose = WorldPose::from_locals(&skeleton, &locals);
        assert!((pose.position(1).y - 1.0).abs() < 1e-15);
    }

    /// A turned carrier of this scale above two turned joints.
    fn below_scale(scale: DVec3) -> WorldPose {
        let skeleton = Skeleton::new(vec![
            Joint::new("stage", None, DVec3::ZERO),
            Joint::new("pelvis", Some(0), DVec3::Y),
            Joint::new("thigh", Some(1), DVec3::X),
        ])
        .unwrap();
        let mut locals = skeleton.rest_locals();
        for (local, angle) in locals.iter_mut().zip([0.3, 0.7, 1.1]) {
            local.rotation = DQuat::from_scaled_axis(DVec3::new(angle, 0.5, -angle));
        }
        locals[0].scale = scale;
        WorldPose::from_locals(&skeleton, &locals)
    }

    #[test]
    fn rotations_are_those_of_the_matrices_where_scale_is_uniform() {
        for factor in [1.0, 0.01, -1.0, -2.5] {
            let pose = below_scale(DVec3::splat(factor));
            for joint in 0..3 {
                let expected = DMat3::from_quat(pose.rotation(joint)) * factor;
                let linear = pose.affines[joint].matrix3;
                assert!(linear.abs_diff_eq(expected, 1e-14), "{factor}: {linear}");
            }
        }
    }

    #[test]
    fn a_mirror_puts_joints_where_the_mirrored_body_has_them() {
        let mirror = DVec3::new(-1.0, 1.0, 1.0);
        let (plain, mirrored) = (below_scale(DVec3::ONE), below_scale(mirror));
        let stage = plain.rotation(0);
        for joint in 0..3 {
            let in_stage = stage.inverse() * plain.position(joint);
            let expected = stage * (mirror * in_stage);
            assert!((mirrored.position(joint) - expected).length() < 1e-14);
            // Rotations know nothing of the mirror, so they are not those of the matrices.
            assert_eq!(mirrored.rotation(joint), plain.rotation(joint));
        }
    }
}
