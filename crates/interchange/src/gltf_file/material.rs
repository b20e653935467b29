//! Materials: the picture of a mesh and what is seen of it. Nothing that is measured or solved depends on
//! it, so whatever is wrong here is a warning.

use std::sync::Arc;

use gltf::json::accessor::Type;
use gltf::json::mesh::{Primitive, Semantic};
use serde_json::Value;
use understudy_motion::{Look, Opacity, Picture, Wrap};

use super::model::Model;
use super::surface::attribute;

/// Opacity below which a mask is not drawn where the file does not say (glTF 2.0, section 3.9.4).
const CUTOFF: f32 = 0.5;

/// Ways in which a picture goes on beyond its edges (glTF 2.0, section 5.26, `wrapS`).
const CLAMP: usize = 33071;
const MIRROR: usize = 33648;

/// Pictures that meshes use, each once.
#[derive(Default)]
pub(super) struct Pictures {
    list: Vec<Picture>,
    /// The picture of each image of the file that was asked for; `None` where it cannot be read.
    known: Vec<(usize, Option<usize>)>,
}

impl Pictures {
    pub fn into_list(self) -> Vec<Picture> {
        self.list
    }

    /// How a primitive is drawn, and where its vertices lie in its picture.
    pub fn look(
        &mut self,
        model: &Model<'_>,
        primitive: &Primitive,
        vertex_count: usize,
        place: &str,
        warnings: &mut Vec<String>,
    ) -> (Look, Vec<[f32; 2]>) {
        let material = primitive.material.and_then(|index| {
            let materials = model.document.json.get("materials")?;
            materials.get(index.value())
        });
        let Some(material) = material else {
            return (Look::default(), Vec::new());
        };
        let texture = material
            .get("pbrMetallicRoughness")
            .and_then(|base| base.get("baseColorTexture"));
        let picture = texture.and_then(|texture| {
            let places = places(model, primitive, texture, vertex_count, place, warnings)?;
            Some((self.picture(model, texture, warnings)?, places))
        });
        let (picture, places) = picture.unzip();
        let mode = material.get("alphaMode").and_then(Value::as_str);
        let cutoff = material.get("alphaCutoff").and_then(Value::as_f64);
        let opacity = match mode {
            Some("MASK") => Opacity::Cut(cutoff.map_or(CUTOFF, |cutoff| cutoff as f32)),
            Some("BLEND") => Opacity::Blend,
            _ => Opacity::Solid,
        };
        let wraps = texture.filter(|_| picture.is_some());
        let wraps = wraps.map_or_else(Default::default, |texture| wraps_of(model, texture));
        let sides = material.get("doubleSided").and_then(Value::as_bool);
        let look = Look {
            picture,
            wraps,
            opacity,
            is_double_sided: sides.unwrap_or(false),
        };
        (look, places.unwrap_or_default())
    }

    /// The picture of a texture.
    fn picture(
        &mut self,
        model: &Model<'_>,
        texture: &Value,
        warnings: &mut Vec<String>,
    ) -> Option<usize> {
        let json = &model.document.json;
        let index = whole(texture, "index")?;
        let source = json
            .get("textures")
            .and_then(|textures| textures.get(index))
            .and_then(|texture| whole(texture, "source"));
        let Some(image) = source else {
            let text = "names no image of PNG or JPEG; the mesh is drawn without it";
            let text = format!("textures[{index}]: {text}");
            if !warnings.contains(&text) {
                warnings.push(text);
            }
            return None;
        };
        if let Some((_, known)) = self.known.iter().find(|(known, _)| *known == image) {
            return *known;
        }
        let found = match bytes_of(model, image) {
            Ok(bytes) => {
                let named = json.get("images").and_then(|images| images.get(image));
                let named = named.and_then(|image| {
                    let words = ["name", "uri"].map(|key| image.get(key)?.as_str());
                    let words = words.into_iter().flatten();
                    words
                        .map(str::to_owned)
                        .find(|word| !word.starts_with("data:"))
                });
                self.list.push(Picture {
                    name: named.unwrap_or_else(|| format!("images[{image}]")),
                    bytes,
                });
                Some(self.list.len() - 1)
            }
            Err(problem) => {
                warnings.push(format!(
                    "images[{image}]: {problem}; meshes are drawn without it"
                ));
                None
            }
        };
        self.known.push((image, found));
        found
    }
}

/// How the picture of a texture goes on beyond its edges: by its sampler, or it repeats.
fn wraps_of(model: &Model<'_>, texture: &Value) -> [Wrap; 2] {
    let of = |list: &str, index: Option<usize>| model.document.json.get(list)?.get(index?);
    let own = of("textures", whole(texture, "index"));
    let sampler = own.and_then(|own| of("samplers", whole(own, "sampler")));
    ["wrapS", "wrapT"].map(
        |key| match sampler.and_then(|sampler| whole(sampler, key)) {
            Some(CLAMP) => Wrap::Clamp,
            Some(MIRROR) => Wrap::Mirror,
            _ => Wrap::Repeat,
        },
    )
}

/// The bytes of an image: those of its file, or a view of a buffer.
fn bytes_of(model: &Model<'_>, image: usize) -> Result<Arc<[u8]>, String> {
    let images = model.document.json.get("images");
    let Some(raw) = images.and_then(|images| images.get(image)) else {
        return Err("is not in the file".to_owned());
    };
    if raw.get("uri").is_some() {
        let bytes = model.document.images.get(image).and_then(Option::as_ref);
        return match bytes {
            Some(bytes) => Ok(bytes.as_slice().into()),
            None => Err("its file cannot be read".to_owned()),
        };
    }
    let damaged = || "its bytes are not in the file".to_owned();
    let view = whole(raw, "bufferView").ok_or_else(damaged)?;
    let view = model.views.get(view).ok_or_else(damaged)?;
    let buffer = model.document.buffers.get(view.buffer.value());
    let buffer = buffer.and_then(Option::as_ref).ok_or_else(damaged)?;
    let start = view.byte_offset.map_or(0, |offset| offset.0);
    let (start, length) = (usize::try_from(start), usize::try_from(view.byte_length.0));
    let (Ok(start), Ok(length)) = (start, length) else {
        return Err(damaged());
    };
    let bytes = buffer.get(start..).and_then(|bytes| bytes.get(..length));
    bytes.map(Into::into).ok_or_else(damaged)
}

/// Where the vertices of a primitive lie in a texture, with KHR_texture_transform applied.
fn places(
    model: &Model<'_>,
    primitive: &Primitive,
    texture: &Value,
    vertex_count: usize,
    place: &str,
    warnings: &mut Vec<String>,
) -> Option<Vec<[f32; 2]>> {
    let extensions = texture.get("extensions");
    let change = extensions.and_then(|all| all.get("KHR_texture_transform"));
    let own = change.and_then(|change| whole(change, "texCoord"));
    let set = own.or_else(|| whole(texture, "texCoord")).unwrap_or(0);
    let place = format!("{place}.attributes.TEXCOORD_{set}");
    let mut unread = |problem: String| {
        warnings.push(format!(
            "{place}: {problem}; the mesh is drawn without its picture"
        ));
        None
    };
    let semantic = u32::try_from(set).map(Semantic::TexCoords);
    let index = semantic
        .ok()
        .and_then(|semantic| attribute(primitive, semantic));
    let Some(index) = index else {
        return unread("missing".to_owned());
    };
    match model.floats(index, Type::Vec2, &place) {
        Ok(numbers) if numbers.len() == 2 * vertex_count => {
            let change = Change::of(change);
            let pairs = numbers.chunks_exact(2);
            Some(pairs.map(|uv| change.apply([uv[0], uv[1]])).collect())
        }
        Ok(_) => unread("its count differs from the vertices'".to_owned()),
        Err(error) => unread(error.to_string()),
    }
}

/// Scale, turn and shift of a texture (KHR_texture_transform).
struct Change {
    scale: [f64; 2],
    turn: f64,
    shift: [f64; 2],
}

impl Change {
    fn of(json: Option<&Value>) -> Self {
        let pair = |key: &str| {
            let list = json?.get(key)?.as_array()?;
            Some([list.first()?.as_f64()?, list.get(1)?.as_f64()?])
        };
        let turn = json.and_then(|json| json.get("rotation")?.as_f64());
        Self {
            scale: pair("scale").unwrap_or([1.0; 2]),
            turn: turn.unwrap_or(0.0),
            shift: pair("offset").unwrap_or([0.0; 2]),
        }
    }

    fn apply(&self, [u, v]: [f64; 2]) -> [f32; 2] {
        let (u, v) = (self.scale[0] * u, self.scale[1] * v);
        let (sin, cos) = self.turn.sin_cos();
        let turned = [cos * u + sin * v, cos * v - sin * u];
        [0, 1].map(|axis| (turned[axis] + self.shift[axis]) as f32)
    }
}

fn whole(item: &Value, key: &str) -> Option<usize> {
    usize::try_from(item.get(key)?.as_u64()?).ok()
}
