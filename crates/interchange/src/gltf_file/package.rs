//! One GLB out of a document: JSON, one binary chunk, and what is appended to both.

use std::borrow::Cow;
use std::collections::HashSet;

use gltf::binary::{Glb, Header};
use serde_json::{Map, Value, json};

use super::document::GltfDocument;
use crate::error::FileError;

/// `FLOAT`, `UNSIGNED_BYTE`, `UNSIGNED_SHORT` and `UNSIGNED_INT` of section 3.6.2.2.
pub(super) const FLOAT: u32 = 5126;
pub(super) const UNSIGNED_BYTE: u32 = 5121;
pub(super) const UNSIGNED_SHORT: u32 = 5123;
pub(super) const UNSIGNED_INT: u32 = 5125;

/// `ARRAY_BUFFER` and `ELEMENT_ARRAY_BUFFER` of section 3.6.1.
pub(super) const VERTICES: u32 = 34962;
pub(super) const INDICES: u32 = 34963;

/// A GLB in the making.
pub(super) struct Package {
    pub json: Map<String, Value>,
    pub bin: Vec<u8>,
}

/// An accessor to append.
pub(super) struct NewAccessor {
    pub view: usize,
    pub byte_offset: usize,
    pub component_type: u32,
    /// Whether whole numbers stand for 0 to 1.
    pub normalized: bool,
    pub count: usize,
    pub shape: &'static str,
    /// Smallest and largest element, component by component.
    pub bounds: Option<(Vec<f64>, Vec<f64>)>,
}

/// An animation in the making.
#[derive(Clone, Default)]
pub(super) struct Animation {
    /// Everything but the two lists.
    pub members: Map<String, Value>,
    pub channels: Vec<Value>,
    pub samplers: Vec<Value>,
}

impl Animation {
    /// Adds the channels of another animation that are to be kept, unless their target already has
    /// one, and its other members, unless there are such.
    fn take_over(&mut self, other: &Value, keep: impl Fn(&Value) -> bool) {
        let list = |key| other.get(key).and_then(Value::as_array);
        for channel in list("channels").into_iter().flatten() {
            let target = channel.get("target");
            let has_target = |known: &Value| known.get("target") == target;
            // A channel without a sampler plays nothing.
            let sampler = channel.get("sampler").and_then(Value::as_u64);
            let sampler =
                sampler.and_then(|index| list("samplers")?.get(usize::try_from(index).ok()?));
            if let Some(sampler) = sampler
                && keep(channel)
                && !self.channels.iter().any(has_target)
            {
                let mut channel = channel.clone();
                channel["sampler"] = self.sampler_index(sampler).into();
                self.channels.push(channel);
            }
        }
        for (key, member) in other.as_object().into_iter().flatten() {
            if !matches!(key.as_str(), "channels" | "samplers") {
                self.members.entry(key).or_insert_with(|| member.clone());
            }
        }
    }

    /// Index of a sampler, which is added where it is new.
    fn sampler_index(&mut self, sampler: &Value) -> usize {
        let known = self.samplers.iter().position(|known| known == sampler);
        known.unwrap_or_else(|| {
            self.samplers.push(sampler.clone());
            self.samplers.len() - 1
        })
    }

    pub fn into_value(mut self) -> Value {
        self.members.insert("channels".into(), self.channels.into());
        self.members.insert("samplers".into(), self.samplers.into());
        self.members.into()
    }
}

impl Package {
    /// An empty glTF 2.0 document.
    pub fn new() -> Self {
        let mut json = Map::new();
        let generator = concat!("Understudy ", env!("CARGO_PKG_VERSION"));
        json.insert(
            "asset".into(),
            json!({ "version": "2.0", "generator": generator }),
        );
        Self {
            json,
            bin: Vec::new(),
        }
    }

    /// A document as one GLB: its buffers one after the other in the binary chunk, images that
    /// were links behind them.
    pub fn from_document(document: &GltfDocument) -> Self {
        let mut package = Self {
            json: document.json.as_object().cloned().unwrap_or_default(),
            bin: Vec::new(),
        };
        package.merge_buffers(document);
        package.embed_images(document);
        package
    }

    fn merge_buffers(&mut self, document: &GltfDocument) {
        let Some(Value::Array(old)) = self.json.get_mut("buffers") else {
            return;
        };
        let first_with_data = document.buffers.iter().position(Option::is_some);
        let mut new = Vec::new();
        if let Some(first) = first_with_data {
            let mut buffer = old[first].take();
            remove(&mut buffer, "uri");
            new.push(buffer);
        }
        // Where each old buffer went: the new index and the offset in it.
        let mut moves = Vec::new();
        for (buffer, data) in old.iter_mut().zip(&document.buffers) {
            if let Some(data) = data {
                align(&mut self.bin);
                moves.push((0, self.bin.len()));
                self.bin.extend_from_slice(data);
            } else {
                moves.push((new.len(), 0));
                new.push(buffer.take());
            }
        }
        *old = new;
        for view in self.list("bufferViews") {
            relocate(view, &moves);
            let extensions = view.get_mut("extensions").and_then(Value::as_object_mut);
            for (_, extension) in extensions.into_iter().flatten() {
                relocate(extension, &moves);
            }
        }
    }

    fn embed_images(&mut self, document: &GltfDocument) {
        for (index, data) in document.images.iter().enumerate() {
            let Some(data) = data else { continue };
            let view = self.add_view(data, None);
            let Some(image) = self.list("images").get_mut(index) else {
                continue;
            };
            let uri = remove(image, "uri");
            let uri = uri.as_ref().and_then(Value::as_str).unwrap_or_default();
            if let Value::Object(image) = image {
                image.insert("bufferView".into(), view.into());
                image
                    .entry("mimeType")
                    .or_insert_with(|| mime_type(data, uri).into());
            }
        }
    }

    /// The items of a top-level list, to change.
    pub fn list(&mut self, key: &str) -> &mut [Value] {
        match self.json.get_mut(key) {
            Some(Value::Array(items)) => items,
            _ => &mut [],
        }
    }

    /// Appends to a top-level list, which is made where it is missing; the index of the item.
    pub fn push(&mut self, key: &str, item: Value) -> usize {
        let list = self.json.entry(key).or_insert_with(|| json!([]));
        if !list.is_array() {
            *list = json!([]);
        }
        match list {
            Value::Array(items) => {
                items.push(item);
                items.len() - 1
            }
            _ => 0,
        }
    }

    /// Appends bytes as a buffer view of their own, aligned to 4 bytes.
    pub fn add_view(&mut self, bytes: &[u8], target: Option<u32>) -> usize {
        align(&mut self.bin);
        let mut view = json!({
            "buffer": 0,
            "byteOffset": self.bin.len(),
            "byteLength": bytes.len(),
        });
        if let Some(target) = target {
            view["target"] = target.into();
        }
        self.bin.extend_from_slice(bytes);
        self.push("bufferViews", view)
    }

    pub fn add_accessor(&mut self, new: NewAccessor) -> usize {
        let mut accessor = json!({
            "bufferView": new.view,
            "byteOffset": new.byte_offset,
            "componentType": new.component_type,
            "count": new.count,
            "type": new.shape,
        });
        if new.normalized {
            accessor["normalized"] = true.into();
        }
        if let Some((min, max)) = new.bounds {
            accessor["min"] = min.into();
            accessor["max"] = max.into();
        }
        self.push("accessors", accessor)
    }

    /// Takes out all animations of a name, and the accessors, buffer views and bytes at the ends
    /// of their lists that only these used: writing a clip again and again must not let the file
    /// grow. Given back is what is to be kept of them.
    pub fn remove_animations(&mut self, name: &str, keep: impl Fn(&Value) -> bool) -> Animation {
        let Some(Value::Array(animations)) = self.json.get_mut("animations") else {
            return Animation::default();
        };
        let is_named =
            |animation: &Value| animation.get("name").and_then(Value::as_str) == Some(name);
        let (removed, kept): (Vec<Value>, Vec<Value>) =
            std::mem::take(animations).into_iter().partition(is_named);
        *animations = kept;
        if removed.is_empty() {
            return Animation::default();
        }
        let mut rest = Animation::default();
        removed.iter().for_each(|one| rest.take_over(one, &keep));
        // It counts as used while the unused is looked for.
        self.push("animations", rest.clone().into_value());
        let freed = self.trim_accessors(&removed);
        self.trim_views(&freed);
        if let Some(Value::Array(animations)) = self.json.get_mut("animations") {
            animations.pop();
        }
        rest
    }

    /// The buffer views of the accessors that were taken out.
    fn trim_accessors(&mut self, removed: &[Value]) -> HashSet<u64> {
        let mut candidates = HashSet::new();
        sampler_accessors(removed, &mut candidates);
        let used = self.used_accessors();
        let mut freed = HashSet::new();
        if let Some(Value::Array(accessors)) = self.json.get_mut("accessors") {
            while let Some(last) = accessors.len().checked_sub(1).map(|last| last as u64) {
                if used.contains(&last) || !candidates.contains(&last) {
                    break;
                }
                let accessor = accessors.pop().unwrap_or_default();
                gather(&accessor, "bufferView", &mut freed);
            }
        }
        freed
    }

    fn trim_views(&mut self, freed: &HashSet<u64>) {
        let mut used = HashSet::new();
        for key in ["accessors", "images"] {
            if let Some(list) = self.json.get(key) {
                gather(list, "bufferView", &mut used);
            }
        }
        gather_extension_numbers(&Value::Object(self.json.clone()), false, &mut used);
        let Some(Value::Array(views)) = self.json.get_mut("bufferViews") else {
            return;
        };
        while let Some(last) = views.len().checked_sub(1) {
            if used.contains(&(last as u64)) || !freed.contains(&(last as u64)) {
                break;
            }
            let view = views.pop().unwrap_or_default();
            trim_bytes(&mut self.bin, &view, views);
        }
    }

    /// Accessors that meshes, skins and animations use, and every number in an extension, which
    /// may be an accessor too.
    fn used_accessors(&self) -> HashSet<u64> {
        let mut used = HashSet::new();
        for primitive in members(self.json.get("meshes"), "primitives") {
            gather(primitive, "indices", &mut used);
            let targets = primitive.get("targets").and_then(Value::as_array);
            let sets = targets.into_iter().flatten();
            for set in sets.chain(primitive.get("attributes")) {
                let accessors = set.as_object().into_iter().flat_map(Map::values);
                used.extend(accessors.filter_map(Value::as_u64));
            }
        }
        if let Some(skins) = self.json.get("skins") {
            gather(skins, "inverseBindMatrices", &mut used);
        }
        let animations = self.json.get("animations").and_then(Value::as_array);
        sampler_accessors(animations.map_or(&[], Vec::as_slice), &mut used);
        gather_extension_numbers(&Value::Object(self.json.clone()), false, &mut used);
        used
    }

    /// The finished file.
    ///
    /// # Errors
    /// More than 4 GiB, which a GLB cannot hold.
    pub fn into_glb(mut self) -> Result<Vec<u8>, FileError> {
        for key in ["animations", "accessors", "bufferViews"] {
            // An empty list is against the schema.
            if self
                .json
                .get(key)
                .and_then(Value::as_array)
                .is_some_and(Vec::is_empty)
            {
                self.json.shift_remove(key);
            }
        }
        align(&mut self.bin);
        if !self.bin.is_empty() {
            let length = self.bin.len();
            match self.list("buffers").first_mut() {
                Some(Value::Object(buffer)) => {
                    buffer.insert("byteLength".into(), length.into());
                }
                _ => {
                    self.push("buffers", json!({ "byteLength": length }));
                }
            }
        }
        let json = serde_json::to_vec(&self.json)
            .map_err(|error| FileError::new(format!("the JSON cannot be written: {error}")))?;
        if json.len() as u64 + self.bin.len() as u64 + 64 > u64::from(u32::MAX) {
            return Err(FileError::new("a GLB cannot hold more than 4 GiB"));
        }
        let glb = Glb {
            header: Header {
                magic: *b"glTF",
                version: 2,
                length: 0,
            },
            json: Cow::Owned(json),
            bin: (!self.bin.is_empty()).then_some(Cow::Owned(self.bin)),
        };
        glb.to_vec()
            .map_err(|error| FileError::new(format!("the GLB cannot be put together: {error}")))
    }
}

/// Pads with zeros to a multiple of 4 bytes.
pub(super) fn align(bin: &mut Vec<u8>) {
    bin.resize(bin.len().next_multiple_of(4), 0);
}

fn remove(item: &mut Value, key: &str) -> Option<Value> {
    item.as_object_mut()?.shift_remove(key)
}

/// Points a buffer view, or an extension of one that names a buffer, to where its buffer went.
fn relocate(view: &mut Value, moves: &[(usize, usize)]) {
    let Some(view) = view.as_object_mut() else {
        return;
    };
    let old = view.get("buffer").and_then(Value::as_u64);
    let Some(&(buffer, shift)) = old.and_then(|old| moves.get(usize::try_from(old).ok()?)) else {
        return;
    };
    if Some(buffer as u64) != old {
        view.insert("buffer".into(), buffer.into());
    }
    if shift > 0 {
        let offset = view.get("byteOffset").and_then(Value::as_u64).unwrap_or(0);
        view.insert("byteOffset".into(), (offset + shift as u64).into());
    }
}

/// Type of an image by its first bytes (the signatures of PNG, JPEG, WebP and KTX 2), else by
/// what its URI says.
fn mime_type(data: &[u8], uri: &str) -> String {
    let is_webp = data.starts_with(b"RIFF") && data.get(8..12) == Some(b"WEBP");
    let declared = uri
        .strip_prefix("data:")
        .and_then(|rest| rest.split(';').next());
    match data {
        [0x89, b'P', b'N', b'G', ..] => "image/png".into(),
        [0xff, 0xd8, 0xff, ..] => "image/jpeg".into(),
        [0xab, b'K', b'T', b'X', b' ', b'2', b'0', ..] => "image/ktx2".into(),
        _ if is_webp => "image/webp".into(),
        _ => declared.unwrap_or("application/octet-stream").into(),
    }
}

/// All items of a list that each item of another list holds.
fn members<'a>(list: Option<&'a Value>, key: &'a str) -> impl Iterator<Item = &'a Value> {
    let items = list.and_then(Value::as_array).into_iter().flatten();
    items
        .filter_map(move |item| item.get(key).and_then(Value::as_array))
        .flatten()
}

fn sampler_accessors(animations: &[Value], found: &mut HashSet<u64>) {
    for sampler in animations
        .iter()
        .filter_map(|animation| animation.get("samplers"))
    {
        gather(sampler, "input", found);
        gather(sampler, "output", found);
    }
}

/// Numbers of all members of a name, however deep.
fn gather(value: &Value, key: &str, found: &mut HashSet<u64>) {
    match value {
        Value::Object(object) => {
            found.extend(object.get(key).and_then(Value::as_u64));
            object.values().for_each(|inner| gather(inner, key, found));
        }
        Value::Array(items) => items.iter().for_each(|inner| gather(inner, key, found)),
        _ => {}
    }
}

/// Every whole number inside of an `extensions` object.
fn gather_extension_numbers(value: &Value, inside: bool, found: &mut HashSet<u64>) {
    match value {
        Value::Object(object) => {
            for (key, inner) in object {
                gather_extension_numbers(inner, inside || key == "extensions", found);
            }
        }
        Value::Array(items) => items
            .iter()
            .for_each(|inner| gather_extension_numbers(inner, inside, found)),
        _ if inside => found.extend(value.as_u64()),
        _ => {}
    }
}

/// Cuts the bytes of a removed view off the end of the binary chunk, if they are its end and no
/// other view (or compressed form of one) reaches into them.
fn trim_bytes(bin: &mut Vec<u8>, view: &Value, others: &[Value]) {
    let range = |view: &Value| {
        let number = |key| view.get(key).and_then(Value::as_u64).unwrap_or(0);
        let start = number("byteOffset");
        (
            number("buffer"),
            start,
            start.saturating_add(number("byteLength")),
        )
    };
    let (buffer, start, end) = range(view);
    let is_end = buffer == 0 && end.next_multiple_of(4) >= bin.len() as u64;
    let is_free = others
        .iter()
        .all(|other| other.get("extensions").is_none() && range(other).2 <= start);
    if is_end && is_free {
        bin.truncate(usize::try_from(start).unwrap_or(bin.len()));
    }
}
