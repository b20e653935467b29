//! What a mesh looks like: normals and colours. Nothing that is measured or solved depends on it, so
//! whatever is wrong here is a warning.

use glam::DVec3;
use gltf::json::accessor::Type;
use gltf::json::mesh::{Primitive, Semantic};
use gltf::json::validation::Checked;

use super::model::Model;
use super::surface::attribute;

/// Unit normals of the vertices of a primitive; none where the file has none, or damaged ones.
pub(super) fn normals(
    model: &Model<'_>,
    primitive: &Primitive,
    vertex_count: usize,
    place: &str,
    warnings: &mut Vec<String>,
) -> Vec<DVec3> {
    let Some(index) = attribute(primitive, Semantic::Normals) else {
        return Vec::new();
    };
    let place = format!("{place}.attributes.NORMAL");
    let numbers = match model.floats(index, Type::Vec3, &place) {
        Ok(numbers) if numbers.len() == 3 * vertex_count => numbers,
        Ok(_) => return unread(&place, "its count differs from the vertices'", warnings),
        Err(error) => return unread(&place, &error.to_string(), warnings),
    };
    numbers
        .chunks_exact(3)
        .map(|xyz| DVec3::from_slice(xyz).normalize_or(DVec3::Y))
        .collect()
}

/// Colours of the vertices of a primitive, times the base colour of its material (glTF 2.0 section
/// 3.9.2); none where the file says neither.
pub(super) fn colours(
    model: &Model<'_>,
    primitive: &Primitive,
    vertex_count: usize,
    place: &str,
    warnings: &mut Vec<String>,
) -> Vec<[f32; 4]> {
    let base = base_colour(model, primitive);
    let mut colours = vertex_colours(model, primitive, vertex_count, place, warnings);
    match base {
        Some(base) if colours.is_empty() => colours = vec![base; vertex_count],
        Some(base) => {
            for colour in &mut colours {
                for (value, factor) in colour.iter_mut().zip(base) {
                    *value *= factor;
                }
            }
        }
        None => {}
    }
    colours
}

fn vertex_colours(
    model: &Model<'_>,
    primitive: &Primitive,
    vertex_count: usize,
    place: &str,
    warnings: &mut Vec<String>,
) -> Vec<[f32; 4]> {
    let Some(index) = attribute(primitive, Semantic::Colors(0)) else {
        return Vec::new();
    };
    let place = format!("{place}.attributes.COLOR_0");
    let has_opacity = model
        .accessors
        .get(index)
        .is_some_and(|accessor| accessor.type_ == Checked::Valid(Type::Vec4));
    let (kind, size) = match has_opacity {
        true => (Type::Vec4, 4),
        false => (Type::Vec3, 3),
    };
    match model.floats(index, kind, &place) {
        Ok(numbers) if numbers.len() == size * vertex_count => numbers
            .chunks_exact(size)
            .map(|values| {
                let mut colour = [1.0; 4];
                for (to, from) in colour.iter_mut().zip(values) {
                    *to = (*from as f32).clamp(0.0, 1.0);
                }
                colour
            })
            .collect(),
        Ok(_) => unread(&place, "its count differs from the vertices'", warnings),
        Err(error) => unread(&place, &error.to_string(), warnings),
    }
}

fn base_colour(model: &Model<'_>, primitive: &Primitive) -> Option<[f32; 4]> {
    let index = primitive.material?.value();
    let material = model.document.json.get("materials")?.get(index)?;
    let factor = material
        .get("pbrMetallicRoughness")?
        .get("baseColorFactor")?
        .as_array()?;
    let mut colour = [1.0; 4];
    for (to, from) in colour.iter_mut().zip(factor) {
        *to = (from.as_f64()? as f32).clamp(0.0, 1.0);
    }
    Some(colour)
}

fn unread<T>(place: &str, problem: &str, warnings: &mut Vec<String>) -> Vec<T> {
    warnings.push(format!("{place}: is not read: {problem}"));
    Vec::new()
}
