//! Bodies made from descriptions: the performer, characters for trying work on, and a demo take.
//!
//! Nothing here reads or writes a file, and nothing knows a file format but the RON of
//! [`Description`].

pub mod character;
pub mod description;
pub mod error;
mod flesh;
mod mesh;
mod naming;
pub mod performer;
mod plan;
pub mod proportions;
mod truth;

pub use character::{BodyMesh, Character, character, character_from_ron};
pub use description::{Description, RestPose};
pub use error::BodyError;
pub use performer::performer;
