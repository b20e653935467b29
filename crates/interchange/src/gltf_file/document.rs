//! The raw document: JSON with its order kept, the bytes of its buffers and images.

use std::path::Path;

use base64::Engine as _;
use base64::alphabet;
use base64::engine::{DecodePaddingMode, GeneralPurpose, GeneralPurposeConfig};
use percent_encoding::percent_decode_str;
use serde_json::Value;

use super::invalid;
use crate::error::FileError;
use crate::file::read_bytes;

const BASE64: GeneralPurpose = GeneralPurpose::new(
    &alphabet::STANDARD,
    GeneralPurposeConfig::new().with_decode_padding_mode(DecodePaddingMode::Indifferent),
);

/// Size of the header of a GLB file (glTF 2.0 section 4.4.2), bytes.
const GLB_HEADER_BYTES: usize = 12;

/// A glTF document as it was read, complete: whatever is not understood is kept for writing.
#[derive(Clone, Debug)]
pub struct GltfDocument {
    pub(super) json: Value,
    /// Bytes per buffer, cut to `byteLength`; `None` where an extension leaves a buffer unfilled.
    pub(super) buffers: Vec<Option<Vec<u8>>>,
    /// Bytes per image that is given by a URI and could be read.
    pub(super) images: Vec<Option<Vec<u8>>>,
    /// Metres in one unit of length of the file.
    pub(super) metres_per_unit: f64,
}

impl GltfDocument {
    /// Reads the bytes of a `.glb` or `.gltf` file. Files it names are looked up in `base_dir`.
    /// Images that cannot be read are warnings, as no motion depends on them.
    ///
    /// # Errors
    /// A damaged container, JSON that does not parse, a version other than 2, a buffer that is
    /// missing or too short.
    pub(super) fn parse(
        bytes: &[u8],
        base_dir: Option<&Path>,
        warnings: &mut Vec<String>,
    ) -> Result<Self, FileError> {
        let (json_bytes, bin) = split_container(bytes)?;
        let json: Value = serde_json::from_slice(json_bytes)
            .map_err(|error| invalid("JSON", format!("{error}; the file is no glTF document")))?;
        check_version(&json)?;
        let buffers = read_buffers(&json, bin, base_dir)?;
        let images = read_images(&json, base_dir, warnings)?;
        Ok(Self {
            json,
            buffers,
            images,
            metres_per_unit: 1.0,
        })
    }

    /// The JSON of the document, its members in the order of the file.
    pub fn json(&self) -> &Value {
        &self.json
    }

    /// Metres in one unit of length of the file: lengths read are multiplied by it, lengths
    /// written are divided by it.
    pub fn metres_per_unit(&self) -> f64 {
        self.metres_per_unit
    }

    /// Names of the animations in the file, empty where one has none.
    pub fn animation_names(&self) -> Vec<&str> {
        let animations = self.json.get("animations").and_then(Value::as_array);
        animations
            .into_iter()
            .flatten()
            .map(|animation| animation.get("name").and_then(Value::as_str).unwrap_or(""))
            .collect()
    }
}

/// JSON and binary chunk of a GLB file, or the whole of a `.gltf` file.
fn split_container(bytes: &[u8]) -> Result<(&[u8], Option<Vec<u8>>), FileError> {
    if !bytes.starts_with(b"glTF") {
        return Ok((bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes), None));
    }
    let place = "GLB header";
    let word = |at: usize| word(bytes, at).ok_or_else(|| invalid(place, "the file ends within it"));
    let (version, length) = (word(4)?, word(8)? as usize);
    if version != 2 {
        return Err(invalid(place, format!("version {version}; only 2 is read")));
    }
    let content = bytes.get(GLB_HEADER_BYTES..length).ok_or_else(|| {
        invalid(
            place,
            format!(
                "it says {length} bytes, but the file has {}; it was cut off or damaged",
                bytes.len()
            ),
        )
    })?;
    let json = Chunk::split_off(content)?;
    if json.kind != *b"JSON" {
        return Err(invalid("GLB chunks", "the first is not the JSON chunk"));
    }
    if json.rest.is_empty() {
        return Ok((json.content, None));
    }
    // Chunks of any other kind are to be ignored (section 4.4.3).
    let bin = Chunk::split_off(json.rest)?;
    let is_bin = bin.kind == *b"BIN\0";
    Ok((json.content, is_bin.then(|| bin.content.to_vec())))
}

/// A chunk of a GLB file and what follows it.
struct Chunk<'a> {
    kind: [u8; 4],
    content: &'a [u8],
    rest: &'a [u8],
}

impl<'a> Chunk<'a> {
    fn split_off(bytes: &'a [u8]) -> Result<Self, FileError> {
        let cut_off = || invalid("GLB chunks", "a chunk goes past the end of the file");
        let length = word(bytes, 0).ok_or_else(cut_off)? as usize;
        let kind = word(bytes, 4).ok_or_else(cut_off)?.to_le_bytes();
        let (content, rest) = bytes
            .get(8..)
            .and_then(|bytes| bytes.split_at_checked(length))
            .ok_or_else(cut_off)?;
        Ok(Self {
            kind,
            content,
            rest,
        })
    }
}

/// The little-endian 32-bit number at a byte.
fn word(bytes: &[u8], at: usize) -> Option<u32> {
    let raw = bytes.get(at..)?.first_chunk()?;
    Some(u32::from_le_bytes(*raw))
}

fn check_version(json: &Value) -> Result<(), FileError> {
    let version = json
        .get("asset")
        .and_then(|asset| asset.get("version"))
        .and_then(Value::as_str)
        .ok_or_else(|| invalid("asset.version", "missing; the file is no glTF document"))?;
    if version.split('.').next() != Some("2") {
        return Err(invalid(
            "asset.version",
            format!("\"{version}\"; only glTF 2 is read, convert the file first"),
        ));
    }
    Ok(())
}

/// The items of a top-level list; none where the list is missing.
pub(super) fn items<'a>(json: &'a Value, key: &str) -> Result<&'a [Value], FileError> {
    match json.get(key) {
        None => Ok(&[]),
        Some(Value::Array(items)) => Ok(items),
        Some(_) => Err(invalid(key, "not a list")),
    }
}

fn read_buffers(
    json: &Value,
    mut bin: Option<Vec<u8>>,
    base_dir: Option<&Path>,
) -> Result<Vec<Option<Vec<u8>>>, FileError> {
    let mut buffers = Vec::new();
    for (index, buffer) in items(json, "buffers")?.iter().enumerate() {
        let place = format!("buffers[{index}]");
        let length = buffer
            .get("byteLength")
            .and_then(Value::as_u64)
            .ok_or_else(|| invalid(&place, "byteLength is missing or no whole number"))?;
        let data = match buffer.get("uri").and_then(Value::as_str) {
            Some(uri) => Some(load(uri, base_dir, &place)?),
            None if index == 0 => bin.take(),
            None => None,
        };
        buffers.push(match data {
            Some(data) => Some(cut(data, length, &place)?),
            None => None,
        });
    }
    Ok(buffers)
}

fn cut(mut data: Vec<u8>, length: u64, place: &str) -> Result<Vec<u8>, FileError> {
    let available = data.len();
    match usize::try_from(length) {
        Ok(length) if length <= available => {
            data.truncate(length);
            Ok(data)
        }
        _ => Err(invalid(
            place,
            format!("byteLength is {length}, but only {available} bytes are there"),
        )),
    }
}

fn read_images(
    json: &Value,
    base_dir: Option<&Path>,
    warnings: &mut Vec<String>,
) -> Result<Vec<Option<Vec<u8>>>, FileError> {
    let mut images = Vec::new();
    for (index, image) in items(json, "images")?.iter().enumerate() {
        let place = format!("images[{index}]");
        let uri = image.get("uri").and_then(Value::as_str);
        images.push(match uri.map(|uri| load(uri, base_dir, &place)) {
            Some(Ok(data)) => Some(data),
            Some(Err(error)) => {
                warnings.push(format!("{error}; the image stays a link in written files"));
                None
            }
            None => None,
        });
    }
    Ok(images)
}

/// Bytes behind a URI: base64 data, or a file beside the document.
fn load(uri: &str, base_dir: Option<&Path>, place: &str) -> Result<Vec<u8>, FileError> {
    if let Some(data) = uri.strip_prefix("data:") {
        let (_, text) = data
            .split_once(";base64,")
            .ok_or_else(|| invalid(place, "its data URI is not base64"))?;
        return BASE64
            .decode(text)
            .map_err(|error| invalid(place, format!("its base64 data is damaged: {error}")));
    }
    if uri.contains("://") {
        return Err(invalid(
            place,
            format!("\"{uri}\" is not a local file; save it beside the document"),
        ));
    }
    let name = percent_decode_str(uri)
        .decode_utf8()
        .map_err(|_| invalid(place, format!("the name \"{uri}\" is not UTF-8")))?;
    let Some(base_dir) = base_dir else {
        return Err(invalid(
            place,
            format!("the file \"{name}\" is needed, but the document has no folder"),
        ));
    };
    let path = base_dir.join(name.as_ref());
    read_bytes(&path)
}
