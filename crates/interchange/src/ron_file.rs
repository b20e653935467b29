//! Our own files: any serde type as RON text.

use std::path::Path;

use ron::ser::PrettyConfig;
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::error::FileError;
use crate::file::{read_text, write_atomically};

/// Reads a value from RON text. `Some(..)` may be left out around values.
///
/// # Errors
/// Text that is no such value; the error holds the line.
pub fn from_ron<T: DeserializeOwned>(text: &str) -> Result<T, FileError> {
    let options =
        ron::Options::default().with_default_extension(ron::extensions::Extensions::IMPLICIT_SOME);
    options.from_str(text).map_err(|error| {
        FileError::at_line(
            error.span.start.line,
            format!("column {}: {}", error.span.start.col, error.code),
        )
    })
}

/// A value as RON text for people to read and edit, with a newline at the end.
///
/// # Errors
/// A value that RON cannot hold.
pub fn to_ron<T: Serialize>(value: &T) -> Result<String, FileError> {
    let layout = PrettyConfig::new().depth_limit(6).struct_names(false);
    ron::ser::to_string_pretty(value, layout)
        .map(|text| text + "\n")
        .map_err(|error| FileError::new(format!("cannot be put into RON: {error}")))
}

/// Reads a value from a RON file.
///
/// # Errors
/// A file that cannot be read or holds no such value; the error holds file and line.
pub fn load_ron<T: DeserializeOwned>(path: &Path) -> Result<T, FileError> {
    from_ron(&read_text(path)?.text).map_err(|error| error.with_path(path))
}

/// Writes a value to a RON file, whole or not at all.
///
/// # Errors
/// A value that RON cannot hold, or a file that cannot be written.
pub fn save_ron<T: Serialize>(path: &Path, value: &T) -> Result<(), FileError> {
    let text = to_ron(value).map_err(|error| error.with_path(path))?;
    write_atomically(path, text.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    struct Stall {
        keeper: String,
        legs: usize,
    }

    #[test]
    fn values_come_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("stall.ron");
        let stall = Stall {
            keeper: "heron of the tide".into(),
            legs: 2,
        };
        save_ron(&path, &stall).unwrap();
        assert_eq!(load_ron::<Stall>(&path).unwrap(), stall);
    }

    #[test]
    fn errors_name_file_and_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("stall.ron");
        write_atomically(&path, b"(\n    keeper: \"heron\",\n    legs: many,\n)").unwrap();
        let error = load_ron::<Stall>(&path).unwrap_err();
        assert_eq!(error.line, Some(3));
        assert_eq!(error.path, Some(path));
        assert!(error.to_string().contains("stall.ron, line 3"));
    }
}
