//! Bytes and text from disk and back, with the path attached to every error.

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::error::FileError;

/// Text of a file, decoded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Text {
    /// The text without a byte order mark.
    pub text: String,
    /// Set where the bytes were not UTF-8: how they were read instead.
    pub warning: Option<String>,
}

/// Reads a file.
///
/// # Errors
/// A file that cannot be opened or read.
pub fn read_bytes(path: &Path) -> Result<Vec<u8>, FileError> {
    std::fs::read(path)
        .map_err(|error| FileError::new(format!("cannot be read: {error}")).with_path(path))
}

/// Reads a text file; see [`decode`].
///
/// # Errors
/// A file that cannot be opened or read.
pub fn read_text(path: &Path) -> Result<Text, FileError> {
    Ok(decode(&read_bytes(path)?))
}

/// Decodes UTF-8 or, where a byte order mark says so, UTF-16. Bytes that are neither are taken as
/// Latin-1 (ISO/IEC 8859-1), which has a letter for every byte, with a warning.
pub fn decode(bytes: &[u8]) -> Text {
    match bytes {
        [0xff, 0xfe, rest @ ..] => decode_utf16(rest, u16::from_le_bytes),
        [0xfe, 0xff, rest @ ..] => decode_utf16(rest, u16::from_be_bytes),
        _ => decode_utf8(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes)),
    }
}

fn decode_utf8(bytes: &[u8]) -> Text {
    match std::str::from_utf8(bytes) {
        Ok(text) => Text {
            text: text.to_owned(),
            warning: None,
        },
        Err(error) => {
            let before = &bytes[..error.valid_up_to()];
            let line = 1 + before.iter().filter(|&&byte| byte == b'\n').count();
            Text {
                text: bytes.iter().map(|&byte| char::from(byte)).collect(),
                warning: Some(format!(
                    "line {line}: the text is not UTF-8 and was read as Latin-1; \
                     letters beyond ASCII in names may be wrong"
                )),
            }
        }
    }
}

fn decode_utf16(bytes: &[u8], unit: fn([u8; 2]) -> u16) -> Text {
    let units = bytes.as_chunks::<2>().0.iter().map(|&pair| unit(pair));
    Text {
        text: char::decode_utf16(units)
            .map(|letter| letter.unwrap_or(char::REPLACEMENT_CHARACTER))
            .collect(),
        warning: None,
    }
}

/// Writes a file so that it is never half there: into a temporary file in the same folder, synced
/// to disk, then renamed over `path`. Missing folders are made.
///
/// # Errors
/// A folder or file that cannot be written. What stood at `path` before is then untouched.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), FileError> {
    write_through_temporary(path, bytes)
        .map_err(|error| FileError::new(format!("cannot be written: {error}")).with_path(path))
}

fn write_through_temporary(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let folder = folder_of(path);
    std::fs::create_dir_all(&folder)?;
    let mut temporary = new_temporary(&folder)?;
    temporary.write_all(bytes)?;
    temporary.as_file().sync_all()?;
    temporary.persist(path).map_err(|error| error.error)?;
    Ok(())
}

/// A temporary file that gets the access rights of an ordinary new file: temporary files are
/// private by default, and the finished file must not be.
fn new_temporary(folder: &Path) -> std::io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".unfinished-");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

/// The folder a file lies in, `.` for a bare file name.
pub(crate) fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_become_text() {
        let check = |bytes: &[u8], text: &str, warned: bool| {
            let decoded = decode(bytes);
            assert_eq!(decoded.text, text);
            assert_eq!(decoded.warning.is_some(), warned, "{:?}", decoded.warning);
        };
        check(b"plain", "plain", false);
        check(b"\xef\xbb\xbfmarked", "marked", false);
        check("h\u{f6}ft".as_bytes(), "höft", false);
        check(b"h\xf6ft", "höft", true);
        check(b"\xff\xfeh\0\xf6\0", "hö", false);
        check(b"\xfe\xff\0h\0\xf6", "hö", false);
        check(b"", "", false);
    }

    #[test]
    fn a_foreign_byte_is_found_by_line() {
        let warning = decode(b"one\ntwo\nthr\xe9e").warning.unwrap();
        assert!(warning.starts_with("line 3:"), "{warning}");
    }

    #[test]
    fn files_are_replaced_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new/deep/take.txt");
        write_atomically(&path, b"first").unwrap();
        write_atomically(&path, b"second").unwrap();
        assert_eq!(read_text(&path).unwrap().text, "second");
        let left: Vec<_> = std::fs::read_dir(path.parent().unwrap()).unwrap().collect();
        assert_eq!(left.len(), 1);
    }

    #[test]
    fn a_failed_write_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let occupied = folder.path().join("occupied");
        std::fs::create_dir(&occupied).unwrap();
        let error = write_atomically(&occupied, b"text").unwrap_err();
        assert_eq!(error.path.as_deref(), Some(occupied.as_path()));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_missing_file_is_named() {
        let error = read_bytes(Path::new("no/such/take.bvh")).unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("no/such/take.bvh: cannot be read")
        );
    }
}
