//! Skeletons, poses and clips of captured motion.
//!
//! Lengths are metres, angles radians, times seconds, everything `f64`. A clip keeps the axes of
//! the file it came from; [`frame::WorldFrame`] says which of them points up. This crate does no
//! input or output, and knows no file format and no renderer.

pub mod angle;
pub mod box_tree;
pub mod clip;
pub mod euler;
pub mod frame;
pub mod pieces;
pub mod pose;
pub mod rate;
pub mod signal;
pub mod skeleton;
pub mod skin;
pub mod solid;
pub mod surface;
pub mod triangle;
pub mod units;

pub use clip::{Clip, ClipError};
pub use euler::RotationOrder;
pub use frame::{Axis, WorldFrame};
pub use pose::{Transform, WorldPose};
pub use skeleton::{Joint, JointKind, Skeleton, SkeletonError};
pub use surface::{Look, Opacity, Picture, SkinnedMesh, Surface, Wrap};
pub use units::LengthUnit;

pub use glam::{DAffine3, DMat3, DQuat, DVec3};
