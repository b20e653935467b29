//! BVH: a hierarchy of joints with channels, and their values frame after frame.
//!
//! The format as in Meredith and Maddock, "Motion Capture File Formats Explained", University of
//! Sheffield, CS-01-11: rotations in degrees, a joint's rotation is the product of its rotation
//! channels from left to right, one frame a line.

mod columns;
mod document;
mod from_clip;
mod parse;
mod to_clip;
mod write;

pub use document::{BvhDocument, BvhError, BvhJoint, Channel, EndSite};
pub use from_clip::{BvhFromClip, BvhLayout, BvhOptions, clip_to_bvh};
pub use parse::{ParsedBvh, parse_bvh};
pub use to_clip::{BvhReading, BvhTake, BvhToClipOptions, PositionReading, bvh_to_clip};
pub use write::write_bvh;

#[cfg(test)]
mod tests;
