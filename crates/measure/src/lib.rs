//! What is right and wrong with a clip, in numbers.
//!
//! One measure, one module: each says what it measures and whose definition it is. Everything
//! works in a world with Y up. Lengths come out in millimetres, angles in degrees, frames counted
//! from 0. No input or output, no file format.

pub mod floor_contact;
pub mod knees;
pub mod report;
pub mod slide;
mod stats;
pub mod subject;
#[cfg(test)]
mod testing;
pub mod timing;

pub use report::{Comparison, Options, Report, measure, measure_with};
pub use subject::{PlantedParts, Subject, parts_from_contacts};
