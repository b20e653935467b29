//! Carries a performer's captured motion onto a character with another body: the work behind the
//! command line, to be called by other front ends and by tests.
//!
//! [`load`] reads files and says what their joints are, [`job`] retargets files, [`commands`] is
//! one module per command, [`output`] prints.

pub mod args;
pub mod commands;
pub mod error;
pub mod job;
pub mod load;
pub mod output;
pub mod strict;

pub use error::{CommandError, Exit};
pub use job::{Job, Outcome, retarget_files};
