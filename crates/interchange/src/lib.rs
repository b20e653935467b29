//! Files in and out: BVH, ASF/AMC and glTF 2.0 motion, and RON for our own data.
//!
//! The only crate of the workspace that knows file formats. Readers return what they could make
//! of a file together with warnings about what they mended; errors name file and line.

pub mod asf;
pub mod bvh;
pub mod error;
pub mod file;
pub mod gltf_file;
pub mod ron_file;
pub mod take;
pub mod text;
pub mod unit;

pub use error::FileError;
pub use take::{ReadOptions, Source, Take, load_take};
pub use unit::UnitFinding;
