//! Angles, radians, and their whole turns.

use std::f64::consts::TAU;

use glam::{DQuat, DVec3};

/// `angle` plus whole turns, as near to `previous` as it gets.
pub fn unwound(angle: f64, previous: f64) -> f64 {
    angle + TAU * ((previous - angle) / TAU).round()
}

/// An angle within ±π: without its whole turns.
pub fn wrapped(angle: f64) -> f64 {
    unwound(angle, 0.0)
}

/// The part of a rotation that turns about a unit axis, radians within ±π (swing and twist;
/// Dobrowolski, "Swing-twist decomposition in Clifford algebra", arXiv 1506.05481).
pub fn twist_about(rotation: DQuat, axis: DVec3) -> f64 {
    wrapped(2.0 * rotation.xyz().dot(axis).atan2(rotation.w))
}

/// The rotation vector of the shorter way round, radians, no longer than π.
pub fn short_turn(rotation: DQuat) -> DVec3 {
    let nearest = if rotation.w < 0.0 {
        -rotation
    } else {
        rotation
    };
    nearest.to_scaled_axis()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twist_is_what_turns_about_the_axis() {
        let swing = DQuat::from_rotation_z(0.9);
        let twist = DQuat::from_rotation_x(-0.6);
        assert!((twist_about(swing * twist, DVec3::X) + 0.6).abs() < 1e-12);
        assert!(twist_about(swing, DVec3::X).abs() < 1e-12);
    }

    #[test]
    fn the_shorter_way_is_the_same_rotation() {
        let far = DQuat::from_rotation_y(0.4);
        for rotation in [far, -far] {
            assert!(short_turn(rotation).distance(DVec3::Y * 0.4) < 1e-12);
        }
    }

    #[test]
    fn whole_turns_come_and_go() {
        assert!((wrapped(7.0) - (7.0 - TAU)).abs() < 1e-15);
        assert_eq!(wrapped(-3.0), -3.0);
        assert!((unwound(-3.0, 3.0) - (TAU - 3.0)).abs() < 1e-15);
        assert!((unwound(0.5, 20.0) - (0.5 + 3.0 * TAU)).abs() < 1e-14);
    }
}
