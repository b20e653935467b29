//! Signs of a node's scale, held as a half turn.
//!
//! A scale of two negative factors is a half turn about the third axis, one of one negative factor
//! is the reflection through the point and a half turn about that factor's axis:
//! `diag(-1, 1, 1) = -1 · diag(1, -1, -1)`. With the half turn in the rotation, all factors have
//! one sign, the matrix is the same, and the product of rotations tells how the bones stand even
//! below a mirror (see [`understudy_motion::WorldPose`]).

use glam::{DQuat, DVec3};
use understudy_motion::Transform;

/// The axis of the half turn in the signs of a scale; `None` where all signs agree.
fn half_turn_axis(scale: DVec3) -> Option<DVec3> {
    match scale.cmplt(DVec3::ZERO).bitmask() {
        0b001 | 0b110 => Some(DVec3::X),
        0b010 | 0b101 => Some(DVec3::Y),
        0b100 | 0b011 => Some(DVec3::Z),
        _ => None,
    }
}

/// The transform after a half turn about one of its own axes that its scale takes back: the same
/// matrix.
fn turned(transform: &Transform, axis: DVec3) -> Transform {
    Transform {
        translation: transform.translation,
        // Made from the axis, not from an angle, so that turning twice gives the same numbers.
        rotation: transform.rotation * DQuat::from_vec4(axis.extend(0.0)),
        scale: transform.scale * (2.0 * axis - DVec3::ONE),
    }
}

/// The same matrix with a scale whose factors are all positive, or all negative for a mirror.
pub(super) fn folded(transform: &Transform) -> Transform {
    half_turn_axis(transform.scale).map_or(*transform, |axis| turned(transform, axis))
}

/// A folded transform in the form its node has in the file, where its scale at rest is
/// `scale_in_file`: the same matrix once more.
pub(super) fn unfolded(transform: &Transform, scale_in_file: DVec3) -> Transform {
    half_turn_axis(scale_in_file).map_or(*transform, |axis| turned(transform, axis))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folding_keeps_the_matrix_and_comes_back() {
        for signs in 0..8u32 {
            let sign = |bit: u32| if signs & (1 << bit) == 0 { 1.0 } else { -1.0 };
            let scale = DVec3::new(2.0 * sign(0), 0.5 * sign(1), 3.0 * sign(2));
            let own = Transform {
                translation: DVec3::new(1.0, -2.0, 3.0),
                rotation: DQuat::from_xyzw(0.1, -0.4, 0.3, 0.8).normalize(),
                scale,
            };
            let found = folded(&own);
            assert!(found.to_affine().abs_diff_eq(own.to_affine(), 1e-14));
            let mirror = if signs.count_ones() % 2 == 1 {
                -1.0
            } else {
                1.0
            };
            assert_eq!(found.scale, mirror * DVec3::new(2.0, 0.5, 3.0));
            let back = unfolded(&found, scale);
            assert_eq!((back.translation, back.scale), (own.translation, scale));
            assert_eq!(
                back.rotation.dot(own.rotation).abs(),
                own.rotation.length_squared()
            );
        }
    }
}
