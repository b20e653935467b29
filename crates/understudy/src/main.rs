//! The command line of Understudy.

use std::process::ExitCode;

use clap::Parser;
use understudy::args::Cli;
use understudy::commands;

fn main() -> ExitCode {
    match Cli::try_parse() {
        Ok(cli) => commands::run(&cli),
        Err(error) => {
            // A closed pipe is no reason to fail: whoever reads help has read enough.
            let _ = error.print();
            ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(2))
        }
    }
}
