//! One module per command.

pub mod convert;
pub mod inspect;
pub mod make;
pub mod measure;
pub mod retarget;

use std::process::ExitCode;

use crate::args::{Cli, Command};
use crate::error::{CommandError, Exit};
use crate::output::complain;

/// Runs a command and tells how it ended. Problems are on stderr.
pub fn run(cli: &Cli) -> ExitCode {
    let result: Result<Exit, CommandError> = match &cli.command {
        Command::Inspect(args) => inspect::run(args),
        Command::Retarget(args) => retarget::run(args),
        Command::Measure(args) => measure::run(args),
        Command::Convert(args) => convert::run(args),
        Command::Make(args) => make::run(args),
    };
    match result {
        Ok(exit) => exit.into(),
        Err(error) => {
            complain(&error);
            error.exit.into()
        }
    }
}
