//! Cameras around a body: where they stand, what they see, and where a point lands in the view.

use understudy_motion::{DQuat, DVec3};

/// Vertical field of view, radians: that of a 50 mm lens on a 24 mm high film back.
pub const FIELD_OF_VIEW_RAD: f64 = 0.4711;

/// Nearest and farthest camera, in heights of the body.
const DISTANCES: std::ops::RangeInclusive<f64> = 0.3..=20.0;
/// Steepest look up or down, radians: straight down has no left and right.
const STEEPEST: f64 = 1.553;

/// A direction to look from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Angle {
    /// From the front and a little from above and from the side.
    ThreeQuarter,
    /// Straight into the face.
    Front,
    /// From the body's left.
    Side,
    /// From behind.
    Back,
    /// From above.
    Top,
}

impl Angle {
    /// All, in the order of their keys.
    pub const ALL: [Self; 5] = [
        Self::ThreeQuarter,
        Self::Front,
        Self::Side,
        Self::Back,
        Self::Top,
    ];

    /// For people and the command line.
    pub fn word(self) -> &'static str {
        match self {
            Self::ThreeQuarter => "three-quarter",
            Self::Front => "front",
            Self::Side => "side",
            Self::Back => "back",
            Self::Top => "top",
        }
    }

    /// Yaw and pitch, radians.
    fn yaw_pitch(self) -> (f64, f64) {
        match self {
            Self::ThreeQuarter => (0.6, 0.2),
            Self::Front => (0.0, 0.05),
            Self::Side => (std::f64::consts::FRAC_PI_2, 0.05),
            Self::Back => (std::f64::consts::PI, 0.05),
            Self::Top => (0.0, STEEPEST),
        }
    }
}

/// A camera's place relative to a body, in heights of the body, so that one orbit serves bodies of
/// any size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Orbit {
    /// Turn about the vertical, radians: 0 looks into the face, positive from the body's left.
    pub yaw: f64,
    /// Height of the look, radians: positive from above.
    pub pitch: f64,
    /// Distance from what is looked at, body heights.
    pub distance: f64,
    /// What is looked at, from the middle of the body: left (of the camera's right hand) and up, body heights.
    pub shift: [f64; 2],
}

impl Default for Orbit {
    fn default() -> Self {
        Self::from(Angle::ThreeQuarter)
    }
}

impl From<Angle> for Orbit {
    fn from(angle: Angle) -> Self {
        let (yaw, pitch) = angle.yaw_pitch();
        Self {
            yaw,
            pitch,
            distance: 2.8,
            shift: [0.0, 0.0],
        }
    }
}

impl Orbit {
    /// The same place seen from another direction.
    pub fn looking_from(self, angle: Angle) -> Self {
        let (yaw, pitch) = angle.yaw_pitch();
        Self { yaw, pitch, ..self }
    }

    /// Turned by a drag of this many view heights to the right and down.
    pub fn turned(self, right: f64, down: f64) -> Self {
        /// A drag across the view's height is half a turn.
        const RAD_PER_HEIGHT: f64 = std::f64::consts::PI;
        Self {
            yaw: (self.yaw - right * RAD_PER_HEIGHT).rem_euclid(std::f64::consts::TAU),
            pitch: (self.pitch + down * RAD_PER_HEIGHT).clamp(-STEEPEST, STEEPEST),
            ..self
        }
    }

    /// Moved sideways so that the body follows a drag of this many view heights.
    pub fn shifted(self, right: f64, down: f64) -> Self {
        let seen = 2.0 * self.distance * (FIELD_OF_VIEW_RAD / 2.0).tan();
        Self {
            shift: [
                (self.shift[0] - right * seen).clamp(-10.0, 10.0),
                (self.shift[1] + down * seen).clamp(-10.0, 10.0),
            ],
            ..self
        }
    }

    /// Nearer (factors below 1) or farther.
    pub fn zoomed(self, factor: f64) -> Self {
        let distance = self.distance * factor;
        match distance.is_finite() {
            true => Self {
                distance: distance.clamp(*DISTANCES.start(), *DISTANCES.end()),
                ..self
            },
            false => self,
        }
    }
}

/// A camera in the world: Y up, metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Where it stands.
    pub eye: DVec3,
    /// What it looks at.
    pub target: DVec3,
    /// `world_from_camera`; the camera looks along its −Z, its Y is up in the picture.
    pub rotation: DQuat,
}

impl Camera {
    /// The camera of an orbit around a body: `middle` of the body, its `forward` and `height_m`.
    pub fn around(orbit: &Orbit, middle: DVec3, forward: DVec3, height_m: f64) -> Self {
        let heading = forward.x.atan2(forward.z);
        let rotation =
            DQuat::from_rotation_y(heading + orbit.yaw) * DQuat::from_rotation_x(-orbit.pitch);
        let target = middle + rotation * DVec3::new(orbit.shift[0], orbit.shift[1], 0.0) * height_m;
        let eye = target + rotation * DVec3::Z * (orbit.distance * height_m);
        Self {
            eye,
            target,
            rotation,
        }
    }

    /// Where a world point lands: right and down from the middle of the picture, in heights of the
    /// picture, and its depth in metres. `None` behind the camera.
    pub fn project(&self, point: DVec3) -> Option<([f64; 2], f64)> {
        let seen = self.rotation.inverse() * (point - self.eye);
        let depth = -seen.z;
        if depth < 1e-3 {
            return None;
        }
        let per_height = 0.5 / ((FIELD_OF_VIEW_RAD / 2.0).tan() * depth);
        Some(([seen.x * per_height, -seen.y * per_height], depth))
    }

    /// The line of sight through a place of the picture: where it begins, metres, and its direction, a
    /// unit vector. `right` and `down` are from the middle of the picture, in its heights.
    pub fn ray(&self, [right, down]: [f64; 2]) -> (DVec3, DVec3) {
        let reach = 2.0 * (FIELD_OF_VIEW_RAD / 2.0).tan();
        let seen = DVec3::new(right * reach, -down * reach, -1.0);
        (self.eye, self.rotation * seen.normalize())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FORWARD: DVec3 = DVec3::Z;

    fn camera(orbit: Orbit) -> Camera {
        Camera::around(&orbit, DVec3::Y, FORWARD, 2.0)
    }

    #[test]
    fn the_front_view_sees_the_body_s_left_at_the_right() {
        let front = camera(Orbit::from(Angle::Front));
        // In the working frame X is the body's left.
        let ([right, _], _) = front.project(DVec3::new(0.3, 1.0, 0.0)).unwrap();
        assert!(right > 0.0);
        let side = camera(Orbit::from(Angle::Side));
        assert!(side.eye.x > 1.0, "{:?}", side.eye);
        // From its left the body looks to the left of the picture.
        let ([right, _], _) = side.project(DVec3::new(0.0, 1.0, 0.3)).unwrap();
        assert!(right < 0.0);
    }

    #[test]
    fn what_is_looked_at_is_in_the_middle() {
        for angle in Angle::ALL {
            let seen = camera(Orbit::from(angle));
            let ([right, down], depth) = seen.project(seen.target).unwrap();
            assert!(right.abs() < 1e-12 && down.abs() < 1e-12);
            assert!((depth - 5.6).abs() < 1e-9);
            assert_eq!(seen.project(seen.eye * 2.0 - seen.target), None);
        }
    }

    #[test]
    fn the_field_of_view_ends_at_half_a_height() {
        let front = camera(Orbit {
            pitch: 0.0,
            ..Orbit::from(Angle::Front)
        });
        let half = 5.6 * (FIELD_OF_VIEW_RAD / 2.0).tan();
        let ([_, down], _) = front.project(front.target + DVec3::Y * half).unwrap();
        assert!((down + 0.5).abs() < 1e-12);
    }

    #[test]
    fn a_look_through_a_place_meets_what_lands_there() {
        let seen = camera(Orbit::default());
        let point = DVec3::new(0.4, 1.3, -0.2);
        let (place, _) = seen.project(point).unwrap();
        let (eye, look) = seen.ray(place);
        assert!((point - eye).normalize().distance(look) < 1e-12);
    }

    #[test]
    fn a_drag_takes_the_body_along() {
        let before = Orbit::from(Angle::Front);
        let after = before.shifted(0.1, 0.0);
        let ([right, _], _) = camera(after).project(camera(before).target).unwrap();
        assert!((right - 0.1).abs() < 1e-9, "{right}");
    }

    #[test]
    fn zoom_and_pitch_stay_within_limits() {
        let orbit = Orbit::default();
        assert_eq!(orbit.zoomed(0.0).distance, 0.3);
        assert_eq!(orbit.zoomed(f64::NAN), orbit);
        assert_eq!(orbit.turned(0.0, 9.0).pitch, STEEPEST);
    }
}
