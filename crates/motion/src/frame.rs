//! Axes of files and bodies.

use glam::{DMat3, DQuat, DVec3};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// A signed coordinate axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Axis {
    /// +X.
    X,
    /// +Y.
    Y,
    /// +Z.
    Z,
    /// −X.
    NegX,
    /// −Y.
    NegY,
    /// −Z.
    NegZ,
}

impl Axis {
    /// All six.
    pub const ALL: [Self; 6] = [
        Self::X,
        Self::Y,
        Self::Z,
        Self::NegX,
        Self::NegY,
        Self::NegZ,
    ];

    /// The unit vector along the axis.
    pub fn vector(self) -> DVec3 {
        match self {
            Self::X => DVec3::X,
            Self::Y => DVec3::Y,
            Self::Z => DVec3::Z,
            Self::NegX => DVec3::NEG_X,
            Self::NegY => DVec3::NEG_Y,
            Self::NegZ => DVec3::NEG_Z,
        }
    }

    /// The axis nearest to a direction; `None` for a zero or undefined direction.
    pub fn nearest(direction: DVec3) -> Option<Self> {
        if !direction.is_finite() || direction.length_squared() == 0.0 {
            return None;
        }
        Self::ALL.into_iter().max_by(|a, b| {
            a.vector()
                .dot(direction)
                .total_cmp(&b.vector().dot(direction))
        })
    }
}

impl fmt::Display for Axis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::X => "+X",
            Self::Y => "+Y",
            Self::Z => "+Z",
            Self::NegX => "-X",
            Self::NegY => "-Y",
            Self::NegZ => "-Z",
        })
    }
}

impl FromStr for Axis {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Ok(match text.trim().to_ascii_lowercase().as_str() {
            "x" | "+x" => Self::X,
            "y" | "+y" => Self::Y,
            "z" | "+z" => Self::Z,
            "-x" => Self::NegX,
            "-y" => Self::NegY,
            "-z" => Self::NegZ,
            _ => {
                return Err(format!(
                    "\"{text}\" is no axis; use +X, -X, +Y, -Y, +Z or -Z"
                ));
            }
        })
    }
}

/// The directions of a world or of a body in the coordinates of its file: right-handed and
/// orthonormal.
///
/// The working frame of the solver is Y up, Z forward, X to the body's left, as in glTF 2.0
/// section 3.4 ("+Y up, +Z forward, and −X right").
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WorldFrame {
    /// Unit vector against gravity.
    pub up: DVec3,
    /// Unit vector out of the chest, level.
    pub forward: DVec3,
}

impl WorldFrame {
    /// Y up, Z forward.
    pub const Y_UP: Self = Self {
        up: DVec3::Y,
        forward: DVec3::Z,
    };

    /// A frame from an up direction and a rough forward direction, which is made level.
    /// `None` where the two are parallel or not finite.
    pub fn new(up: DVec3, rough_forward: DVec3) -> Option<Self> {
        let up = up.try_normalize()?;
        let forward = rough_forward.reject_from_normalized(up).try_normalize()?;
        Some(Self { up, forward })
    }

    /// Unit vector to the body's left.
    pub fn left(&self) -> DVec3 {
        self.up.cross(self.forward)
    }

    /// Rotation from the file's coordinates to the working frame: left to X, up to Y, forward
    /// to Z.
    pub fn working_from_file(&self) -> DQuat {
        DQuat::from_mat3(&DMat3::from_cols(self.left(), self.up, self.forward).transpose())
    }

    /// The turn that stands a file's world upright (its up axis to Y) without regard to where
    /// the body looks: the shortest rotation, so that Z-up (or X-up) files turn about one axis.
    pub fn upright_from_file(&self) -> DQuat {
        DQuat::from_rotation_arc(self.up, DVec3::Y)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_turn_to_the_working_frame() {
        for up in Axis::ALL {
            for forward in Axis::ALL {
                let Some(frame) = WorldFrame::new(up.vector(), forward.vector()) else {
                    continue;
                };
                let turn = frame.working_from_file();
                assert!((turn * frame.up - DVec3::Y).length() < 1e-14);
                assert!((turn * frame.forward - DVec3::Z).length() < 1e-14);
                assert!((turn * frame.left() - DVec3::X).length() < 1e-14);
                assert!((frame.upright_from_file() * frame.up - DVec3::Y).length() < 1e-14);
            }
        }
        assert!(WorldFrame::new(DVec3::Y, DVec3::Y).is_none());
    }

    #[test]
    fn axes_read_back() {
        for axis in Axis::ALL {
            assert_eq!(axis.to_string().parse(), Ok(axis));
            assert_eq!(Axis::nearest(axis.vector() * 3.0), Some(axis));
        }
        assert_eq!(Axis::nearest(DVec3::ZERO), None);
    }
}
