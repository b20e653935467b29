//! Which joint of a skeleton is which part of a body.
//!
//! Roles carry the joint names of ISO/IEC 19774-1 (HAnim). This crate knows no file format and
//! changes no motion.

pub mod body;
pub mod map;
pub mod role;
pub mod segments;
pub mod tokens;

pub use body::{Appendage, AppendageKind, Arm, Body, Finger, JointPoint, Leg, Side, Twist};
pub use map::{Assignment, RoleMap};
pub use role::{Part, Role, RoleError};
pub use segments::{Segment, SegmentKind, limb_segments};
