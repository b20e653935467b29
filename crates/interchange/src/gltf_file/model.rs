//! The parts of a document that motion needs, with types, and lookups that cannot miss silently.

use gltf::json::accessor::Accessor;
use gltf::json::buffer::View;
use gltf::json::mesh::Mesh;
use gltf::json::scene::Node;
use gltf::json::skin::Skin;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::document::{GltfDocument, items};
use super::invalid;
use crate::error::FileError;

/// Typed nodes, skins, meshes, accessors and buffer views, beside the raw document.
pub(super) struct Model<'a> {
    pub document: &'a GltfDocument,
    pub nodes: Vec<Node>,
    pub skins: Vec<Skin>,
    pub meshes: Vec<Mesh>,
    pub accessors: Vec<Accessor>,
    pub views: Vec<View>,
}

impl<'a> Model<'a> {
    pub fn new(document: &'a GltfDocument) -> Result<Self, FileError> {
        let json = &document.json;
        Ok(Self {
            document,
            nodes: typed(json, "nodes")?,
            skins: typed(json, "skins")?,
            meshes: typed(json, "meshes")?,
            accessors: typed(json, "accessors")?,
            views: typed(json, "bufferViews")?,
        })
    }
}

/// All items of a top-level list in their types. They are converted one by one so that an error
/// names its item, and so that damage elsewhere in the file does not matter.
fn typed<T: DeserializeOwned>(json: &Value, key: &str) -> Result<Vec<T>, FileError> {
    items(json, key)?
        .iter()
        .enumerate()
        .map(|(index, item)| {
            T::deserialize(item)
                .map_err(|error| invalid(format!("{key}[{index}]"), error.to_string()))
        })
        .collect()
}

/// The item that an index at `place` points to.
pub(super) fn pick<'a, T>(
    list: &'a [T],
    index: usize,
    key: &str,
    place: &str,
) -> Result<&'a T, FileError> {
    list.get(index).ok_or_else(|| {
        invalid(
            place,
            format!(
                "points to {key}[{index}], but there are {} {key}",
                list.len()
            ),
        )
    })
}

/// `N` numbers of a member of an item; `None` where the member is missing.
pub(super) fn numbers<const N: usize>(
    item: &Value,
    key: &str,
    place: &str,
) -> Result<Option<[f64; N]>, FileError> {
    let Some(member) = item.get(key) else {
        return Ok(None);
    };
    let wrong = || invalid(place, format!("\"{key}\" is not a list of {N} numbers"));
    let list: Option<Vec<f64>> = member
        .as_array()
        .and_then(|list| list.iter().map(Value::as_f64).collect());
    list.and_then(|list| list.try_into().ok())
        .map(Some)
        .ok_or_else(wrong)
}
