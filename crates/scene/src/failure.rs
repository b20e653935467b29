//! What went wrong, and the exit code that tells a pipeline.

use std::fmt;
use std::path::Path;
use std::process::ExitCode;

use serde_json::{Value, json};
use understudy_interchange::FileError;

/// How a command ended. The numbers are promised in `--help`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// Everything was done.
    Done = 0,
    /// Done, but with `--strict` and faults above the limits.
    Faults = 1,
    /// The command line makes no sense.
    Usage = 2,
    /// A file cannot be read.
    Input = 3,
    /// What was read cannot be mapped or solved.
    Unsolvable = 4,
    /// A file cannot be written.
    Output = 5,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// Why a command failed: one line or more for a person, and the exit code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// The exit code.
    pub exit: Exit,
    /// What went wrong and what to do, naming file, line or joint.
    pub message: String,
}

impl Failure {
    /// For programs: an object that says which file was to be worked on, as the report would, with
    /// `error` and `exit_code`.
    pub fn json_at(&self, mut place: Value) -> Value {
        place["error"] = json!(self.message);
        place["exit_code"] = json!(self.exit as u8);
        place
    }

    /// An error of the command line.
    pub fn usage(message: impl Into<String>) -> Self {
        Self {
            exit: Exit::Usage,
            message: message.into(),
        }
    }

    /// A file that cannot be read or does not fit.
    pub fn input(error: &FileError) -> Self {
        Self {
            exit: Exit::Input,
            message: error.to_string(),
        }
    }

    /// A problem with what a file holds; the file is named.
    pub fn input_at(path: &Path, problem: impl fmt::Display) -> Self {
        Self {
            exit: Exit::Input,
            message: format!("{}: {problem}", path.display()),
        }
    }

    /// Nothing can be made of a file; it is named.
    pub fn unsolvable(path: &Path, problem: impl fmt::Display) -> Self {
        Self {
            exit: Exit::Unsolvable,
            message: format!("{}: {problem}", path.display()),
        }
    }

    /// Work that was stopped before its end.
    pub fn stopped() -> Self {
        Self {
            exit: Exit::Unsolvable,
            message: "stopped".to_owned(),
        }
    }

    /// A file that cannot be written.
    pub fn output(error: &FileError) -> Self {
        Self {
            exit: Exit::Output,
            message: error.to_string(),
        }
    }

    /// A result that the format of a file cannot hold; the file is named.
    pub fn output_at(path: &Path, problem: impl fmt::Display) -> Self {
        Self {
            exit: Exit::Output,
            message: format!("{}: {problem}", path.display()),
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Failure {}
