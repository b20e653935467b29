//! The workbench: a window in which a performer's motion is carried onto a character by eye.
//!
//! [`state`] holds everything that can be seen and changed and knows no window; [`ui`] draws panels
//! over it and returns commands; [`window`] puts the bodies on the screen.

mod args;
mod state;
mod ui;
mod window;

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    window::run(args::Args::parse())
}
