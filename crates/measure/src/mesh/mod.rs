//! Measures on the skinned mesh itself, at every frame.

pub mod beyond;
pub mod meetings;
pub mod penetration;
pub mod published;
pub mod soles;

pub use penetration::measure_mesh_penetration;
pub use understudy_overlap::{Part, Parts, body_parts};
