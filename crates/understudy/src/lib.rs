//! Carries a performer's captured motion onto a character with another body: the command line.
//!
//! [`commands`] is one module per command, [`output`] prints; the work with files is in
//! `understudy-scene`.

pub mod args;
pub mod commands;
pub mod output;
