//! Which joint of a skeleton is which part of a body.
//!
//! Roles carry the joint names of ISO/IEC 19774-1 (HAnim). This crate knows no file format and
//! changes no motion.

pub mod body;

pub use body::{Appendage, AppendageKind, Arm, Body, Finger, JointPoint, Leg, Side, Twist};
