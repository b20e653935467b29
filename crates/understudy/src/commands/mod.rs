//! One module per command.

pub mod convert;
pub mod inspect;
pub mod make;
pub mod measure;
pub mod retarget;
pub mod run;

use std::process::ExitCode;

use serde_json::json;

use crate::args::{Cli, Command};
use crate::output::{complain, print};
use understudy_scene::report::json_text;
use understudy_scene::{Exit, Failure};

/// An error as one line of JSON, where the command was asked for JSON.
fn json_error(command: &Command, error: &Failure) -> Option<String> {
    let value = match command {
        Command::Inspect(args) if args.json => error.json_at(json!({ "file": args.file })),
        Command::Measure(args) if args.json => {
            error.json_at(json!({ "clip": { "file": args.file } }))
        }
        Command::Retarget(args) if args.json => {
            error.json_at(json!({ "take": { "file": args.files.first() } }))
        }
        Command::Run(args) if args.json => error.json_at(json!({ "scene": args.scenes.first() })),
        _ => return None,
    };
    json_text(&value, true).ok()
}

/// Runs a command and tells how it ended. Problems are on stderr.
pub fn run(cli: &Cli) -> ExitCode {
    let result: Result<Exit, Failure> = match &cli.command {
        Command::Inspect(args) => inspect::run(args),
        Command::Retarget(args) => retarget::run(args),
        Command::Run(args) => run::run(args),
        Command::Measure(args) => measure::run(args),
        Command::Convert(args) => convert::run(args),
        Command::Make(args) => make::run(args),
    };
    match result {
        Ok(exit) => exit.into(),
        Err(error) => {
            complain(&error);
            if let Some(text) = json_error(&cli.command, &error) {
                // Where even stdout is gone, the exit code still tells.
                let _ = print(&text);
            }
            error.exit.into()
        }
    }
}
