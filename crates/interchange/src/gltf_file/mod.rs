//! glTF 2.0 and GLB, in and out.
//!
//! Reading keeps the whole document: a written file is the character's own file with one more
//! animation, everything else as it was, unknown extensions included. References are to the
//! glTF 2.0 specification (ISO/IEC 12113:2022).
//!
//! Lengths in the file are metres by the specification. Where a file was made in another unit,
//! [`GltfOptions::unit`] says so: every length read (translations, vertices, bind matrices, keys)
//! is multiplied by it and every length written is divided by it, so the file stays in its own
//! unit. Axes stay those of the file.
//!
//! A node that mirrors is held as a scale of three negative factors, with a half turn in its
//! rotation that makes up for it; the matrix is the node's own, and what is written has the signs
//! of the file again.

mod accessor;
mod animation;
mod build;
mod document;
mod fold;
mod grid;
mod look;
mod material;
mod model;
mod package;
mod scale;
mod surface;
#[cfg(test)]
mod tests;
mod tree;
mod write;

use std::path::Path;
use std::sync::Arc;

use understudy_motion::{Clip, LengthUnit, Skeleton, Surface};

use crate::error::FileError;
use crate::file::read_bytes;
use model::Model;

pub use build::{NewCharacter, NewMesh, build_character, build_from_clip};
pub use document::GltfDocument;
pub use write::{AnimationOptions, ClipStart};

/// How a glTF file is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GltfOptions {
    /// Unit of length of the file; metres by the specification.
    pub unit: LengthUnit,
    /// Time between frames of the clips, seconds; found from the keys where it is `None`.
    pub frame_time_secs: Option<f64>,
}

impl Default for GltfOptions {
    fn default() -> Self {
        Self {
            unit: LengthUnit::Metre,
            frame_time_secs: None,
        }
    }
}

/// A character out of a glTF file.
#[derive(Clone, Debug)]
pub struct GltfCharacter {
    /// Joints of all skins and every node above them. In a file without skins: animated nodes,
    /// every node above them, and nodes below them that carry no mesh.
    pub skeleton: Arc<Skeleton>,
    /// Node of each joint of the skeleton.
    pub node_of_joint: Vec<usize>,
    /// Joint of each node of the file, where the node belongs to the skeleton.
    pub joint_of_node: Vec<Option<usize>>,
    /// All meshes, one per primitive: skinned ones, and those that hang on a joint.
    pub surface: Surface,
    /// All animations that move the skeleton, in the order of the file.
    pub clips: Vec<Clip>,
    /// What was mended, or could not be read.
    pub warnings: Vec<String>,
    /// The file itself, for writing.
    pub document: GltfDocument,
}

/// Reads a `.glb` or `.gltf` file with the files it names.
///
/// # Errors
/// A file that cannot be opened, is damaged, or holds no skeleton; the message names the item.
pub fn read_gltf(path: &Path, options: &GltfOptions) -> Result<GltfCharacter, FileError> {
    let bytes = read_bytes(path)?;
    read_gltf_bytes(&bytes, path.parent(), options).map_err(|error| error.with_path(path))
}

/// Reads the bytes of a `.glb` or `.gltf` file; files it names are looked up in `base_dir`.
///
/// # Errors
/// As [`read_gltf`].
pub fn read_gltf_bytes(
    bytes: &[u8],
    base_dir: Option<&Path>,
    options: &GltfOptions,
) -> Result<GltfCharacter, FileError> {
    let mut warnings = Vec::new();
    let mut document = GltfDocument::parse(bytes, base_dir, &mut warnings)?;
    document.metres_per_unit = options.unit.metres();
    let model = Model::new(&document)?;
    let animations = animation::read_channels(&model)?;
    warn_of_extensions(&document, &mut warnings)?;
    let tree = tree::read_skeleton(&model, &animations, &mut warnings)?;
    scale::warn_of_rest(&tree, &mut warnings);
    let surface = surface::read_surface(&model, &tree.joint_of_node, &mut warnings)?;
    let clips = animation::read_clips(
        &model,
        &animations,
        &tree,
        options.frame_time_secs,
        &mut warnings,
    )?;
    Ok(GltfCharacter {
        skeleton: tree.skeleton,
        node_of_joint: tree.node_of_joint,
        joint_of_node: tree.joint_of_node,
        surface,
        clips,
        warnings,
        document,
    })
}

/// Beginnings of the names of extensions that change looks alone, or that this reader knows.
const HARMLESS_EXTENSIONS: [&str; 7] = [
    "EXT_meshopt_compression",
    "EXT_texture_",
    "KHR_draco_mesh_compression",
    "KHR_lights_",
    "KHR_materials_",
    "KHR_mesh_quantization",
    "KHR_texture_",
];

/// A file may demand extensions; what they do to motion or surface is not known here.
fn warn_of_extensions(
    document: &GltfDocument,
    warnings: &mut Vec<String>,
) -> Result<(), FileError> {
    for name in document::items(&document.json, "extensionsRequired")? {
        let name = name.as_str().unwrap_or_default();
        if !HARMLESS_EXTENSIONS
            .iter()
            .any(|known| name.starts_with(known))
        {
            warnings.push(format!(
                "the file requires the extension {name}, which is kept but not read"
            ));
        }
    }
    Ok(())
}

/// An error at an item of the document, `skins[0].joints[3]`.
fn invalid(place: impl AsRef<str>, problem: impl AsRef<str>) -> FileError {
    FileError::new(format!("{}: {}", place.as_ref(), problem.as_ref()))
}
