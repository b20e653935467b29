//! From files to files: what the command line and the window do with a take and a character.
//!
//! [`load`] reads files and says what their joints are, [`choices`] is what a person decides,
//! [`frames`] says which part of it is written, [`solve()`] works in memory, [`job`] from files to files, [`scene_file`] keeps all of it as a scene
//! with what must hold ([`must_hold`]).

pub mod choices;
pub mod export;
pub mod failure;
pub mod frames;
pub mod job;
pub mod load;
pub mod must_hold;
pub mod preset;
pub mod report;
pub mod scene_file;
pub mod solve;
pub mod strict;

pub use choices::Choices;
pub use failure::{Exit, Failure};
pub use frames::Frames;
pub use job::{Job, Outcome, deliver, retarget_files, retarget_onto};
pub use load::{LoadOptions, Loaded, Purpose};
pub use must_hold::{AcceptedFault, Finding, MustHold};
pub use preset::fitted_settings;
pub use scene_file::{OpenScene, Scene};
pub use solve::{OnProgress, Outputs, Progress, Solved, Step, solve, solve_watched};
