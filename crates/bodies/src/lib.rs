//! Bodies made from descriptions: the performer, characters for trying work on, and a demo take.
//!
//! Nothing here reads or writes a file, and nothing knows a file format but the RON of
//! [`Description`].

pub mod character;
mod curve;
pub mod demo_take;
pub mod description;
pub mod error;
pub mod faults;
mod field;
mod flesh;
mod footsteps;
mod grid;
mod mesh;
mod naming;
mod paint;
pub mod performer;
mod piece;
mod plan;
pub mod proportions;
mod remesh;
mod skin;
pub mod takes;
mod trim;
mod truth;
mod tube;
mod weights;

pub use character::{BodyMesh, Character, character, character_from_ron, skeleton_and_body};
pub use demo_take::{DemoTake, FootShape, SolePart, TrueContact, demo_take};
pub use description::{Description, RestPose};
pub use error::BodyError;
pub use faults::{Fault, FaultError, with_fault};
pub use performer::performer;
pub use takes::{
    AuthoredTake, CaptureFault, Prop, TouchEnd, TouchPart, TrueTouch, capture_faults, faulty_take,
    take, take_names,
};
