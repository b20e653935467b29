//! Which joint of a skeleton is which part of a body.
//!
//! [`recognise`] reads names, tree and rest pose and gives every joint a role after
//! ISO/IEC 19774-1 (HAnim), with a confidence and a reason; a [`Mapping`] corrects it;
//! [`Body::assemble`] puts the joints into a [`Body`]. This crate knows no file format and changes
//! no motion.

mod assemble;
pub mod body;
pub mod chain;
mod claims;
mod digits;
mod frame;
mod limbs;
pub mod map;
pub mod mapping;
pub mod mass;
pub mod recognise;
pub mod role;
pub mod segments;
mod shape;
pub mod tokens;
mod trunk;
mod vertebrae;

pub use assemble::{AnatomyError, Assembly};
pub use body::{Appendage, AppendageKind, Arm, Body, Finger, JointPoint, Leg, Side, Twist};
pub use chain::{Chain, ChainKind, ChainPlace, chains};
pub use map::{Assignment, RoleMap};
pub use mapping::{Mapping, MappingError};
pub use mass::Masses;
pub use recognise::{ChainError, Recognition, Stretch, recognise};
pub use role::{Part, Role, RoleError};
pub use segments::{Segment, SegmentKind, limb_segments};
