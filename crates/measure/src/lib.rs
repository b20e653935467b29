//! What is right and wrong with a clip, in numbers.
//!
//! One measure, one module: each says what it measures and whose definition it is. Everything
//! works in a world with Y up. Lengths come out in millimetres, angles in degrees, frames counted
//! from 0. No input or output, no file format.

pub mod balance;
pub mod data_faults;
pub mod distance_segment_segment;
pub mod edges;
pub mod faults;
pub mod floor_contact;
pub mod knees;
pub mod limbs;
pub mod limits;
pub mod mesh;
pub mod own_body;
pub mod peaks;
pub mod pelvis;
pub mod penetration;
pub mod report;
pub mod skating;
pub mod slide;
mod stats;
pub mod subject;
mod table;
#[cfg(test)]
mod testing;
pub mod timing;
pub mod touches;
pub mod tremor;

pub use faults::{Fault, FaultKind, beyond_range, verdict};
pub use report::{
    Comparison, Options, Report, Series, measure, measure_clip, measure_watched, measure_with,
};
pub use subject::{PlantedParts, Subject, joint_called, parts_from_contacts};
pub use table::fixed;
