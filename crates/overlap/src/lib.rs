//! A skin divided into the parts of a body, each closed to a solid: what lies inside what in a pose,
//! and how deep.
//!
//! Left out is what the body is made with: neighbours in the body, vertices that lie inside at rest,
//! a seam around the places at which two parts meet, where skinning folds the skin, and of every pair
//! the volume that it shares at rest. Nothing lies inside hair, quills, feathers and claws: they go
//! into what comes. Those of arms and legs may go into nothing else; those of other parts are passed
//! through. A thin part that is pierced without any vertex inside is not seen.

mod parts;
mod skin_parts;

pub use parts::{Part, Parts, body_parts};
pub use skin_parts::{Overlap, PoseOverlaps, PosedParts, SkinParts};
