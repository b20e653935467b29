//! Meshes: vertices, weights, bind matrices and triangles; and what hangs on nodes without a skin.

use glam::{DAffine3, DMat4, DVec3};
use gltf::json::accessor::Type;
use gltf::json::mesh::{Mesh, Mode, Primitive, Semantic};
use gltf::json::validation::Checked;
use understudy_motion::{SkinnedMesh, Surface};

use super::document::items;
use super::material::Pictures;
use super::model::{Model, pick};
use super::tree::{parents, rest};
use super::{invalid, look};
use crate::error::FileError;

/// More vertices than these are not made of meshes that many nodes share.
const MOST_RIGID_VERTICES: usize = 1 << 22;
/// Nodes named in one warning.
const MOST_NAMED: usize = 6;

/// Reads every primitive of every node that has a mesh. The transform of a node with a skin does not
/// matter (glTF 2.0 section 3.7.3.3); morph targets are left alone. Whatever is wrong with a mesh that
/// has no skin is a warning, as no motion depends on it.
pub(super) fn read_surface(
    model: &Model<'_>,
    joint_of_node: &[Option<usize>],
    warnings: &mut Vec<String>,
) -> Result<Surface, FileError> {
    let mut surface = Surface::default();
    let mut pictures = Pictures::default();
    let hangers = Hangers::new(model, joint_of_node)?;
    let (mut adrift, mut too_many) = (Vec::new(), Vec::new());
    let mut rigid_vertices = 0;
    for (index, node) in model.nodes.iter().enumerate() {
        let place = format!("nodes[{index}]");
        let Some(mesh_index) = node.mesh.map(|mesh| mesh.value()) else {
            continue;
        };
        let mesh = pick(&model.meshes, mesh_index, "meshes", &place)?;
        let skin = match node.skin.map(|skin| skin.value()) {
            Some(skin) => Some(read_skin(model, skin, joint_of_node, &place)?),
            None => None,
        };
        let is_rigid = skin.is_none();
        let Some(skin) = skin.or_else(|| hangers.of(index, warnings)) else {
            adrift.push(node.name.clone().unwrap_or(place));
            continue;
        };
        for (number, primitive) in mesh.primitives.iter().enumerate() {
            let place = format!("meshes[{mesh_index}].primitives[{number}]");
            if is_rigid && rigid_vertices > MOST_RIGID_VERTICES {
                too_many.push(place);
                continue;
            }
            let read = read_primitive(
                model,
                mesh,
                primitive,
                &skin,
                &mut pictures,
                &place,
                warnings,
            );
            match read {
                Ok(Some(found)) if is_rigid => {
                    rigid_vertices += found.bind_positions.len();
                    surface.rigid.push(found);
                }
                Ok(found) => surface.meshes.extend(found),
                Err(error) if is_rigid => warnings.push(format!("{error}; it is not drawn")),
                Err(error) => return Err(error),
            }
        }
    }
    surface.pictures = pictures.into_list();
    for (nodes, why) in [
        (
            adrift,
            "hangs on no joint, so that it cannot move with the body",
        ),
        (too_many, "would be one mesh too many on many nodes"),
    ] {
        if !nodes.is_empty() {
            warnings.push(format!("{}: {why}; it is not drawn", listed(&nodes)));
        }
    }
    Ok(surface)
}

fn listed(names: &[String]) -> String {
    let (named, others) = names.split_at(names.len().min(MOST_NAMED));
    match others.len() {
        0 => named.join(", "),
        more => format!("{} and {more} more", named.join(", ")),
    }
}

/// Nodes and the joints that they hang on.
struct Hangers<'a> {
    model: &'a Model<'a>,
    joint_of_node: &'a [Option<usize>],
    parents: Vec<Option<usize>>,
}

impl<'a> Hangers<'a> {
    fn new(model: &'a Model<'a>, joint_of_node: &'a [Option<usize>]) -> Result<Self, FileError> {
        Ok(Self {
            model,
            joint_of_node,
            parents: parents(model)?,
        })
    }

    /// A node as one that its own joint moves, or the nearest joint above it, with its place to that
    /// joint at rest; `None` where there is no such joint, or no place in the file.
    fn of(&self, node: usize, warnings: &mut Vec<String>) -> Option<BoundSkin> {
        let raw = items(&self.model.document.json, "nodes").ok()?;
        let mut joint_from_node = DAffine3::IDENTITY;
        let mut at = node;
        loop {
            if let Some(joint) = self.joint_of_node.get(at).copied().flatten() {
                return Some(BoundSkin {
                    joints: vec![joint],
                    inverse_binds: vec![joint_from_node],
                    is_rigid: true,
                });
            }
            let units = self.model.document.metres_per_unit;
            let local = match rest(raw.get(at)?, at, units, warnings) {
                Ok(local) => local,
                Err(error) => {
                    warnings.push(error.to_string());
                    return None;
                }
            };
            joint_from_node = local.to_affine() * joint_from_node;
            at = self.parents.get(at).copied().flatten()?;
        }
    }
}

struct BoundSkin {
    joints: Vec<usize>,
    inverse_binds: Vec<DAffine3>,
    /// Whether all vertices follow its one joint.
    is_rigid: bool,
}

fn read_skin(
    model: &Model<'_>,
    index: usize,
    joint_of_node: &[Option<usize>],
    place: &str,
) -> Result<BoundSkin, FileError> {
    let skin = pick(&model.skins, index, "skins", place)?;
    let place = format!("skins[{index}]");
    let joints: Vec<usize> = skin
        .joints
        .iter()
        .filter_map(|node| joint_of_node.get(node.value()).copied().flatten())
        .collect();
    let inverse_binds = match skin.inverse_bind_matrices {
        Some(accessor) => model
            .floats(
                accessor.value(),
                Type::Mat4,
                &format!("{place}.inverseBindMatrices"),
            )?
            .chunks_exact(16)
            .map(|entries| inverse_bind(entries, model.document.metres_per_unit))
            .collect(),
        None => vec![DAffine3::IDENTITY; joints.len()],
    };
    if inverse_binds.len() < joints.len() {
        return Err(invalid(
            place,
            format!(
                "{} joints, but {} inverse bind matrices",
                joints.len(),
                inverse_binds.len()
            ),
        ));
    }
    Ok(BoundSkin {
        joints,
        inverse_binds,
        is_rigid: false,
    })
}

fn inverse_bind(entries: &[f64], metres_per_unit: f64) -> DAffine3 {
    let mut affine = DAffine3::from_mat4(DMat4::from_cols_slice(entries));
    affine.translation *= metres_per_unit;
    affine
}

fn read_primitive(
    model: &Model<'_>,
    mesh: &Mesh,
    primitive: &Primitive,
    skin: &BoundSkin,
    pictures: &mut Pictures,
    place: &str,
    warnings: &mut Vec<String>,
) -> Result<Option<SkinnedMesh>, FileError> {
    if is_compressed(model, primitive) {
        warnings.push(format!(
            "{place}: is compressed (KHR_draco_mesh_compression); its surface is not read"
        ));
        return Ok(None);
    }
    let Checked::Valid(mode) = primitive.mode else {
        return Err(invalid(place, "unknown mode"));
    };
    if !matches!(
        mode,
        Mode::Triangles | Mode::TriangleStrip | Mode::TriangleFan
    ) {
        return Ok(None);
    }
    let bind_positions = positions(model, primitive, place)?;
    let count = bind_positions.len();
    let influences = match skin.is_rigid {
        true => vec![vec![(0, 1.0)]; count],
        false => influences(model, primitive, skin, count, place, warnings)?,
    };
    let corners = corners(model, primitive, count, place)?;
    let mut triangles = triangles(mode, &corners);
    let mirrors = |affine: &DAffine3| affine.matrix3.determinant() < 0.0;
    if skin.is_rigid && skin.inverse_binds.iter().any(mirrors) {
        // What is seen in a mirror goes round the other way (section 3.7.4).
        triangles
            .iter_mut()
            .for_each(|triangle| triangle.swap(1, 2));
    }
    let mut colours = look::colours(model, primitive, count, place, warnings);
    let (look, picture_places) = pictures.look(model, primitive, count, place, warnings);
    if look.picture.is_some() && colours.is_empty() {
        colours = vec![[1.0; 4]; count];
    }
    Ok(Some(SkinnedMesh {
        name: mesh.name.clone().unwrap_or_default(),
        bind_positions,
        influences,
        joints: skin.joints.clone(),
        inverse_binds: skin.inverse_binds[..skin.joints.len()].to_vec(),
        triangles,
        normals: look::normals(model, primitive, count, place, warnings),
        colours,
        picture_places,
        look,
    }))
}

/// Compressed primitives have accessors without data. Files may hold both forms; then the plain
/// one is read.
fn is_compressed(model: &Model<'_>, primitive: &Primitive) -> bool {
    let has_data = attribute(primitive, Semantic::Positions)
        .and_then(|index| model.accessors.get(index))
        .is_some_and(|accessor| accessor.buffer_view.is_some() || accessor.sparse.is_some());
    let extensions = primitive.extensions.as_ref();
    !has_data
        && extensions.is_some_and(|found| found.others.contains_key("KHR_draco_mesh_compression"))
}

pub(super) fn attribute(primitive: &Primitive, semantic: Semantic) -> Option<usize> {
    let index = primitive.attributes.get(&Checked::Valid(semantic))?;
    Some(index.value())
}

fn positions(
    model: &Model<'_>,
    primitive: &Primitive,
    place: &str,
) -> Result<Vec<DVec3>, FileError> {
    let place = format!("{place}.attributes.POSITION");
    let index =
        attribute(primitive, Semantic::Positions).ok_or_else(|| invalid(&place, "missing"))?;
    let numbers = model.floats(index, Type::Vec3, &place)?;
    Ok(numbers
        .chunks_exact(3)
        .map(|xyz| DVec3::from_slice(xyz) * model.document.metres_per_unit)
        .collect())
}

fn influences(
    model: &Model<'_>,
    primitive: &Primitive,
    skin: &BoundSkin,
    vertex_count: usize,
    place: &str,
    warnings: &mut Vec<String>,
) -> Result<Vec<Vec<(usize, f64)>>, FileError> {
    let mut influences: Vec<Vec<(usize, f64)>> = vec![Vec::new(); vertex_count];
    for set in 0.. {
        let Some(joints) = attribute(primitive, Semantic::Joints(set)) else {
            break;
        };
        let joints_place = format!("{place}.attributes.JOINTS_{set}");
        let weights_place = format!("{place}.attributes.WEIGHTS_{set}");
        let weights = attribute(primitive, Semantic::Weights(set))
            .ok_or_else(|| invalid(&weights_place, "missing"))?;
        let slots = model.whole_numbers(joints, Type::Vec4, &joints_place)?;
        let weights = model.floats(weights, Type::Vec4, &weights_place)?;
        if slots.len() != 4 * vertex_count || weights.len() != 4 * vertex_count {
            return Err(invalid(
                joints_place,
                format!("its count differs from the {vertex_count} vertices"),
            ));
        }
        add_set(&mut influences, &slots, &weights, skin.joints.len())
            .map_err(|problem| invalid(joints_place, problem))?;
    }
    normalise(&mut influences, skin, place, warnings)?;
    Ok(influences)
}

fn add_set(
    influences: &mut [Vec<(usize, f64)>],
    slots: &[u32],
    weights: &[f64],
    joint_count: usize,
) -> Result<(), String> {
    for (at, (&slot, &weight)) in slots.iter().zip(weights).enumerate() {
        let slot = slot as usize;
        if weight > 0.0 && slot >= joint_count {
            let vertex = at / 4;
            return Err(format!(
                "vertex {vertex} follows joint {slot} of a skin of {joint_count}"
            ));
        }
        if weight > 0.0 {
            add_influence(&mut influences[at / 4], slot, weight);
        }
    }
    Ok(())
}

fn add_influence(influences: &mut Vec<(usize, f64)>, slot: usize, weight: f64) {
    match influences.iter_mut().find(|(known, _)| *known == slot) {
        Some((_, sum)) => *sum += weight,
        None => influences.push((slot, weight)),
    }
}

/// Makes the weights of each vertex sum to 1; a vertex without any goes to the first joint.
fn normalise(
    influences: &mut [Vec<(usize, f64)>],
    skin: &BoundSkin,
    place: &str,
    warnings: &mut Vec<String>,
) -> Result<(), FileError> {
    let mut unbound = 0;
    for vertex in influences {
        let sum: f64 = vertex.iter().map(|(_, weight)| weight).sum();
        if vertex.is_empty() {
            unbound += 1;
            vertex.push((0, 1.0));
        } else {
            vertex.iter_mut().for_each(|(_, weight)| *weight /= sum);
        }
    }
    if unbound > 0 {
        if skin.joints.is_empty() {
            return Err(invalid(place, "its skin has no joints"));
        }
        warnings.push(format!(
            "{place}: {unbound} vertices without any weight follow the skin's first joint"
        ));
    }
    Ok(())
}

/// Vertex numbers in drawing order.
fn corners(
    model: &Model<'_>,
    primitive: &Primitive,
    vertex_count: usize,
    place: &str,
) -> Result<Vec<u32>, FileError> {
    let place = format!("{place}.indices");
    let Some(accessor) = primitive.indices else {
        let count = u32::try_from(vertex_count).map_err(|_| invalid(place, "too many vertices"))?;
        return Ok((0..count).collect());
    };
    let corners = model.indices(accessor.value(), &place)?;
    match corners
        .iter()
        .find(|&&index| index as usize >= vertex_count)
    {
        Some(index) => Err(invalid(
            place,
            format!("vertex {index} of a mesh of {vertex_count} vertices"),
        )),
        None => Ok(corners),
    }
}

/// Triangles of a list, strip or fan (glTF 2.0 section 3.7.2.1). Strips repeat corners to jump;
/// such flat triangles are left out.
fn triangles(mode: Mode, corners: &[u32]) -> Vec<[u32; 3]> {
    let all: Vec<[u32; 3]> = match mode {
        Mode::TriangleStrip => corners
            .windows(3)
            .enumerate()
            .map(|(number, c)| match number % 2 {
                0 => [c[0], c[1], c[2]],
                _ => [c[0], c[2], c[1]],
            })
            .collect(),
        Mode::TriangleFan => corners
            .windows(2)
            .skip(1)
            .map(|c| [c[0], c[1], corners[0]])
            .collect(),
        _ => corners
            .chunks_exact(3)
            .map(|c| [c[0], c[1], c[2]])
            .collect(),
    };
    all.into_iter()
        .filter(|[a, b, c]| a != b && b != c && c != a)
        .collect()
}
