//! Measures on the skinned mesh itself, at every frame.

pub mod beyond;
pub mod meetings;
pub mod parts;
pub mod penetration;
pub mod published;
mod skin_parts;
pub mod soles;

pub use parts::{Part, Parts, body_parts};
pub use penetration::measure_mesh_penetration;
