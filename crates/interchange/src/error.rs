//! The one error of this crate: which file, which line, what was expected and what to do.

use std::fmt;
use std::path::{Path, PathBuf};

use thiserror::Error;

/// Why a file could not be read or written.
///
/// The text reads `walk.bvh, line 1042: this frame has 71 values, …`. Parsers know lines, only
/// the function that opens a file knows its path and attaches it, once.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub struct FileError {
    /// The file, where it is known.
    pub path: Option<PathBuf>,
    /// The line, counted from 1, where there is one.
    pub line: Option<usize>,
    /// What was expected, what was found and what to do.
    pub message: String,
}

impl FileError {
    /// An error about a file as a whole.
    pub fn new(message: impl Into<String>) -> Self {
        Self {
            path: None,
            line: None,
            message: message.into(),
        }
    }

    /// An error at a line, counted from 1.
    pub fn at_line(line: usize, message: impl Into<String>) -> Self {
        Self {
            line: Some(line),
            ..Self::new(message)
        }
    }

    /// The same error with its path, unless it has one already.
    pub fn with_path(mut self, path: &Path) -> Self {
        self.path.get_or_insert_with(|| path.to_owned());
        self
    }
}

impl fmt::Display for FileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (&self.path, self.line) {
            (Some(path), Some(line)) => write!(f, "{}, line {line}: ", path.display())?,
            (Some(path), None) => write!(f, "{}: ", path.display())?,
            (None, Some(line)) => write!(f, "line {line}: ")?,
            (None, None) => {}
        }
        f.write_str(&self.message)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_path_is_attached_once() {
        let error = FileError::at_line(7, "no digits").with_path(Path::new("walk.bvh"));
        assert_eq!(error.to_string(), "walk.bvh, line 7: no digits");
        assert_eq!(error.clone().with_path(Path::new("other.bvh")), error);
        assert_eq!(FileError::new("no digits").to_string(), "no digits");
    }
}
