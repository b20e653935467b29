//! ASF/AMC: a skeleton of bones in one file, their angles frame after frame in another.
//!
//! The formats as in the definition of ASF, version 1.10 (M. Schafer, 1994), and in Meredith and
//! Maddock, "Motion Capture File Formats Explained", University of Sheffield, CS-01-11: bones
//! point in world directions at rest, a bone turns about its own `axis` frame, and rotations apply
//! in the listed order about fixed axes. Lengths are inches divided by the `length` unit: the
//! loader of the open academic captures in `dm_control` 1.0.50, `suite/utils/parse_amc.py`, takes
//! 0.056444 m for a unit, which is 0.0254 / 0.45 for their `length 0.45`.

mod convert;
mod motion;
mod skeleton;

pub use convert::{
    AmcOptions, AmcTake, AxisRange, JointLimits, USUAL_FRAME_RATE, amc_to_clip, asf_to_clip,
};
pub use motion::{AmcFrame, AmcMotion, ParsedAmc, parse_amc};
pub use skeleton::{AngleUnit, AsfBone, AsfRoot, AsfSkeleton, Dof, ParsedAsf, parse_asf};

#[cfg(test)]
mod tests;
