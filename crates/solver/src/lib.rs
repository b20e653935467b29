//! Carries a performer's motion onto a character: alignment of rest poses, transfer of rotations
//! and travel, floor and contacts of the take, feet that stay planted.
//!
//! Works on bodies ([`understudy_anatomy::Body`]) and clips, in a world with Y up. Knows no file
//! format and draws nothing.

pub mod align;
pub mod balance;
pub mod banded;
mod calm;
pub mod contacts;
pub mod floor;
pub mod foot;
pub mod joint_angle;
pub mod keys;
mod least_squares;
pub mod leg;
mod lie;
mod pins;
mod planted_leg;
pub mod plants;
pub mod posture;
pub mod retarget;
pub mod secondary;
pub mod settings;
pub mod settle;
pub mod smooth;
pub mod sole_skin;
pub mod touch;
pub mod transfer;
pub mod travel;
pub mod watch;

pub use balance::BalanceSettings;
pub use contacts::{Contact, Contacts, FootPart};
pub use floor::Floor;
pub use foot::{FloorSource, Foot};
pub use keys::HandKey;
pub use posture::Posture;
pub use retarget::near;
pub use retarget::{
    Character, Retargeted, SolveError, Take, find_contacts, find_touches, retarget,
    retarget_watched,
};
pub use secondary::Secondary;
pub use settings::{
    ContactSettings, LimitSettings, PlantSettings, Reference, Settings, Together, Travel,
};
pub use touch::{CarriedTouch, Touch, TouchEnd, TouchLimits, TouchPart, TouchSettings};
pub use watch::{Stopped, Watch};
