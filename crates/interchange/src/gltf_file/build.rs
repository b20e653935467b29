//! GLB files from nothing: a skeleton with skinned meshes, or a skeleton with a clip.

use glam::DAffine3;
use serde_json::{Value, json};
use understudy_motion::{Clip, JointKind, Skeleton};

use super::document::GltfDocument;
use super::package::{
    FLOAT, INDICES, NewAccessor, Package, UNSIGNED_BYTE, UNSIGNED_INT, UNSIGNED_SHORT, VERTICES,
};
use super::tree::TIPS_KEY;
use super::write::{AnimationOptions, ClipStart};
use crate::error::FileError;

/// Vertex 65535 would restart a primitive of 16-bit indices (glTF 2.0 section 3.7.2.1).
const MOST_SHORT_VERTICES: usize = 65535;

/// Roughness of new materials: dull, like clay.
const ROUGHNESS: f64 = 0.8;

/// A character to be made.
#[derive(Clone, Debug)]
pub struct NewCharacter {
    /// Name of the scene and of the skin.
    pub name: String,
    /// The skeleton at rest, metres; its rest pose is the bind pose.
    pub skeleton: Skeleton,
    /// Meshes bound to the skeleton.
    pub meshes: Vec<NewMesh>,
    /// Anything to keep with the scene.
    pub extras: Option<Value>,
}

/// A skinned mesh to be made. All lists of vertices have the same length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NewMesh {
    /// Name of the mesh and its node.
    pub name: String,
    /// Vertices in the rest pose, in the coordinates of the world, metres.
    pub positions: Vec<[f32; 3]>,
    /// Outward normals, of any length but zero; or none at all.
    pub normals: Vec<[f32; 3]>,
    /// Colours of vertices, linear red, green, blue and opacity from 0 to 1; or none at all.
    pub colors: Vec<[f32; 4]>,
    /// Joints (indices into the skeleton) that move each vertex.
    pub joints: Vec<[u16; 4]>,
    /// Their weights, 0 or more; they are normalised to a sum of 1.
    pub weights: Vec<[f32; 4]>,
    /// Triangles as indices of vertices, counter-clockwise from outside.
    pub triangles: Vec<[u32; 3]>,
    /// Colour of the material, linear red, green, blue and opacity from 0 to 1.
    pub base_color: [f32; 4],
}

/// A GLB with a skeleton and its skinned meshes, at rest.
///
/// Node `i` of the file is joint `i` of the skeleton. A skeleton of several roots gets one more
/// node above them, as a skin needs a common root (glTF 2.0 section 3.7.3.1).
///
/// # Errors
/// Lists that differ in length, indices that point nowhere, numbers that are not finite, vertices
/// that follow no joint, a skeleton of carriers only.
pub fn build_character(character: &NewCharacter) -> Result<Vec<u8>, FileError> {
    package_of(character)?.into_glb()
}

/// A GLB with the skeleton of a clip as bones without a mesh, and the clip as its animation.
///
/// Joints, rest pose and tips read back as they are; positions within single precision.
///
/// # Errors
/// As [`GltfDocument::with_animation`], or a skeleton of carriers only.
pub fn build_from_clip(clip: &Clip, name: &str) -> Result<Vec<u8>, FileError> {
    let bones = NewCharacter {
        name: name.to_owned(),
        skeleton: Skeleton::clone(&clip.skeleton),
        meshes: Vec::new(),
        extras: None,
    };
    let document = GltfDocument::parse(&build_character(&bones)?, None, &mut Vec::new())?;
    let nodes: Vec<usize> = (0..clip.skeleton.len()).collect();
    let options = AnimationOptions {
        replace_same_name: false,
        start: if clip.start_secs < 0.0 {
            ClipStart::Zero
        } else {
            ClipStart::ClipTime
        },
    };
    document.with_animation(clip, name, &nodes, &options)
}

fn package_of(character: &NewCharacter) -> Result<Package, FileError> {
    let mut package = Package::new();
    let mut scene = json!({ "name": character.name, "nodes": [] });
    if let Some(extras) = &character.extras {
        scene["extras"] = extras.clone();
    }
    package.json.insert("scene".into(), 0.into());
    package.push("scenes", scene);
    let mut scene_nodes = vec![add_nodes(&mut package, character)];
    let slots = add_skin(&mut package, character)?;
    for mesh in &character.meshes {
        let error = |problem: String| FileError::new(format!("mesh \"{}\": {problem}", mesh.name));
        let checked = CheckedMesh::new(mesh, &slots).map_err(error)?;
        let index = checked.add(&mut package);
        scene_nodes.push(package.push(
            "nodes",
            json!({ "name": mesh.name, "mesh": index, "skin": 0 }),
        ));
    }
    if let Some(scene) = package.list("scenes").first_mut() {
        scene["nodes"] = scene_nodes.into();
    }
    Ok(package)
}

/// Adds one node per joint; the root of them all.
fn add_nodes(package: &mut Package, character: &NewCharacter) -> usize {
    let skeleton = &character.skeleton;
    for (index, joint) in skeleton.joints().iter().enumerate() {
        let mut node = json!({ "name": joint.name });
        if joint.rest.translation != glam::DVec3::ZERO {
            node["translation"] = json!(joint.rest.translation.to_array());
        }
        if joint.rest.rotation != glam::DQuat::IDENTITY {
            node["rotation"] = json!(joint.rest.rotation.normalize().to_array());
        }
        if joint.rest.scale != glam::DVec3::ONE {
            node["scale"] = json!(joint.rest.scale.to_array());
        }
        if !skeleton.children(index).is_empty() {
            node["children"] = json!(skeleton.children(index));
        }
        if !joint.tips.is_empty() {
            let tips: Vec<[f64; 3]> = joint.tips.iter().map(|tip| tip.to_array()).collect();
            node["extras"] = json!({ TIPS_KEY: tips });
        }
        package.push("nodes", node);
    }
    let roots: Vec<usize> = skeleton.roots().collect();
    match roots.as_slice() {
        [root] => *root,
        _ => package.push(
            "nodes",
            json!({ "name": character.name, "children": roots }),
        ),
    }
}

/// Adds the skin; the slot of each joint in it.
fn add_skin(
    package: &mut Package,
    character: &NewCharacter,
) -> Result<Vec<Option<usize>>, FileError> {
    let skeleton = &character.skeleton;
    let rest = skeleton.rest_world();
    let mut slots = vec![None; skeleton.len()];
    let mut joints = Vec::new();
    let mut bytes = Vec::new();
    for (index, joint) in skeleton.joints().iter().enumerate() {
        if joint.kind == JointKind::Carrier {
            continue;
        }
        slots[index] = Some(joints.len());
        joints.push(index);
        let inverse_bind = rest.affines[index].inverse();
        if !inverse_bind.is_finite() {
            return Err(FileError::new(format!(
                "joint \"{}\" is scaled to nothing at rest and cannot be bound",
                joint.name
            )));
        }
        bytes.extend(matrix_bytes(&inverse_bind));
    }
    if joints.is_empty() {
        return Err(FileError::new("the skeleton has carriers only, no joint"));
    }
    let view = package.add_view(&bytes, None);
    let accessor = package.add_accessor(NewAccessor {
        view,
        byte_offset: 0,
        component_type: FLOAT,
        normalized: false,
        count: joints.len(),
        shape: "MAT4",
        bounds: None,
    });
    package.push(
        "skins",
        json!({ "name": character.name, "inverseBindMatrices": accessor, "joints": joints }),
    );
    Ok(slots)
}

/// Column-major 4 × 4 matrix in single precision.
fn matrix_bytes(affine: &DAffine3) -> impl Iterator<Item = u8> + use<> {
    let entries = glam::DMat4::from(*affine).to_cols_array();
    entries
        .into_iter()
        .flat_map(|entry| (entry as f32).to_le_bytes())
}

/// A mesh that is known to be sound, its joints as slots of the skin.
struct CheckedMesh<'a> {
    mesh: &'a NewMesh,
    normals: Vec<[f32; 3]>,
    slots: Vec<[u16; 4]>,
    weights: Vec<[u16; 4]>,
    triangles: Vec<[u32; 3]>,
}

impl<'a> CheckedMesh<'a> {
    fn new(mesh: &'a NewMesh, slots: &[Option<usize>]) -> Result<Self, String> {
        check_lists(mesh)?;
        let mut bound = Vec::with_capacity(mesh.positions.len());
        for (vertex, (joints, weights)) in mesh.joints.iter().zip(&mesh.weights).enumerate() {
            let influences = bind(joints, weights, slots);
            bound.push(influences.map_err(|problem| format!("vertex {vertex}: {problem}"))?);
        }
        let (slots, weights) = bound.into_iter().unzip();
        Ok(Self {
            mesh,
            normals: unit_normals(&mesh.normals)?,
            slots,
            weights,
            triangles: solid_triangles(mesh)?,
        })
    }

    /// Adds the mesh with its material; its index.
    fn add(&self, package: &mut Package) -> usize {
        let mesh = self.mesh;
        let mut attributes = json!({
            "POSITION": add_floats(package, &mesh.positions, "VEC3", Some(bounds(&mesh.positions))),
        });
        if !self.normals.is_empty() {
            attributes["NORMAL"] = add_floats(package, &self.normals, "VEC3", None).into();
        }
        if !mesh.colors.is_empty() {
            attributes["COLOR_0"] = add_colors(package, &mesh.colors).into();
        }
        attributes["JOINTS_0"] = add_slots(package, &self.slots).into();
        attributes["WEIGHTS_0"] = add_weights(package, &self.weights).into();
        let indices = add_triangles(package, &self.triangles, mesh.positions.len());
        let color: Vec<f64> = mesh
            .base_color
            .iter()
            .map(|&part| f64::from(part))
            .collect();
        let mut material = json!({
            "name": mesh.name,
            "pbrMetallicRoughness": {
                "baseColorFactor": color,
                "metallicFactor": 0.0,
                "roughnessFactor": ROUGHNESS,
            },
        });
        if mesh.base_color[3] < 1.0 {
            material["alphaMode"] = "BLEND".into();
        }
        let material = package.push("materials", material);
        package.push(
            "meshes",
            json!({
                "name": mesh.name,
                "primitives": [{ "attributes": attributes, "indices": indices, "material": material }],
            }),
        )
    }
}

fn check_lists(mesh: &NewMesh) -> Result<(), String> {
    let count = mesh.positions.len();
    let optional = |length: usize| if length == 0 { count } else { length };
    for (thing, length) in [
        ("normals", optional(mesh.normals.len())),
        ("colours", optional(mesh.colors.len())),
        ("joints", mesh.joints.len()),
        ("weights", mesh.weights.len()),
    ] {
        if length != count {
            return Err(format!("{length} {thing} for {count} vertices"));
        }
    }
    if !mesh.positions.as_flattened().iter().all(|x| x.is_finite()) {
        return Err("a position is not finite".into());
    }
    let mut parts = mesh.colors.as_flattened().iter().chain(&mesh.base_color);
    match parts.all(|part| (0.0..=1.0).contains(part)) {
        true => Ok(()),
        false => Err("a part of a colour is not between 0 and 1".into()),
    }
}

/// Weights are whole numbers that stand for 0 to 1 (glTF 2.0 section 3.11): this one is 1.
const WHOLE_WEIGHT: u16 = u16::MAX;

/// Slots and weights as the specification wants them (section 3.7.3.3): a sum of 1, no joint
/// twice, slot 0 where the weight is 0.
fn bind(
    joints: &[u16; 4],
    weights: &[f32; 4],
    slots: &[Option<usize>],
) -> Result<([u16; 4], [u16; 4]), String> {
    let mut merged: Vec<(u16, f64)> = Vec::with_capacity(4);
    for (&joint, &weight) in joints.iter().zip(weights) {
        if !(weight.is_finite() && weight >= 0.0) {
            return Err(format!("a weight of {weight}"));
        }
        if weight == 0.0 {
            continue;
        }
        let slot = slots.get(usize::from(joint)).copied().flatten();
        let slot = slot.and_then(|slot| u16::try_from(slot).ok());
        let slot = slot.ok_or_else(|| format!("{joint} is no joint of the skeleton"))?;
        match merged.iter_mut().find(|(known, _)| *known == slot) {
            Some((_, sum)) => *sum += f64::from(weight),
            None => merged.push((slot, f64::from(weight))),
        }
    }
    let sum: f64 = merged.iter().map(|(_, weight)| weight).sum();
    // The heaviest comes first and takes up the rounding of the others.
    merged.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut result = ([0; 4], [0; 4]);
    let mut rest = WHOLE_WEIGHT;
    for (place, (slot, weight)) in merged.iter().enumerate().rev() {
        let share = (f64::from(WHOLE_WEIGHT) * weight / sum).round() as u16;
        let share = if place == 0 { rest } else { share.min(rest) };
        if share > 0 {
            (result.0[place], result.1[place]) = (*slot, share);
        }
        rest -= share;
    }
    if merged.is_empty() {
        return Err("it has no weight".into());
    }
    Ok(result)
}

fn unit_normals(normals: &[[f32; 3]]) -> Result<Vec<[f32; 3]>, String> {
    normals
        .iter()
        .enumerate()
        .map(|(vertex, normal)| {
            glam::Vec3::from_array(*normal)
                .as_dvec3()
                .try_normalize()
                .map(|unit| unit.as_vec3().to_array())
                .ok_or_else(|| format!("vertex {vertex} has a normal without direction"))
        })
        .collect()
}

/// The triangles without those that have a corner twice.
fn solid_triangles(mesh: &NewMesh) -> Result<Vec<[u32; 3]>, String> {
    let count = mesh.positions.len();
    let mut corners = mesh.triangles.as_flattened().iter();
    if let Some(corner) = corners.find(|&&corner| corner as usize >= count) {
        return Err(format!("a triangle has vertex {corner} of {count}"));
    }
    let solid = |[a, b, c]: &[u32; 3]| a != b && b != c && c != a;
    let triangles: Vec<_> = mesh.triangles.iter().copied().filter(solid).collect();
    if triangles.is_empty() {
        return Err("it has no triangle".into());
    }
    Ok(triangles)
}

fn bounds(positions: &[[f32; 3]]) -> (Vec<f64>, Vec<f64>) {
    let fold = |start: f32, pick: fn(f32, f32) -> f32| -> Vec<f64> {
        let extreme = |axis: usize| positions.iter().map(|p| p[axis]).fold(start, pick);
        [0, 1, 2].map(|axis| f64::from(extreme(axis))).to_vec()
    };
    (
        fold(f32::INFINITY, f32::min),
        fold(f32::NEG_INFINITY, f32::max),
    )
}

fn add_floats<const N: usize>(
    package: &mut Package,
    values: &[[f32; N]],
    shape: &'static str,
    bounds: Option<(Vec<f64>, Vec<f64>)>,
) -> usize {
    let numbers = values.as_flattened().iter();
    let bytes: Vec<u8> = numbers.flat_map(|number| number.to_le_bytes()).collect();
    let view = package.add_view(&bytes, Some(VERTICES));
    package.add_accessor(NewAccessor {
        view,
        byte_offset: 0,
        component_type: FLOAT,
        normalized: false,
        count: values.len(),
        shape,
        bounds,
    })
}

/// Colours as bytes: finer steps than an eye can tell apart in vertex colours.
fn add_colors(package: &mut Package, colors: &[[f32; 4]]) -> usize {
    let byte = |part: &f32| (f64::from(*part) * 255.0).round() as u8;
    let bytes: Vec<u8> = colors.as_flattened().iter().map(byte).collect();
    let view = package.add_view(&bytes, Some(VERTICES));
    package.add_accessor(NewAccessor {
        view,
        byte_offset: 0,
        component_type: UNSIGNED_BYTE,
        normalized: true,
        count: colors.len(),
        shape: "VEC4",
        bounds: None,
    })
}

fn add_weights(package: &mut Package, weights: &[[u16; 4]]) -> usize {
    let flat = weights.as_flattened().iter();
    let bytes: Vec<u8> = flat.flat_map(|weight| weight.to_le_bytes()).collect();
    let view = package.add_view(&bytes, Some(VERTICES));
    package.add_accessor(NewAccessor {
        view,
        byte_offset: 0,
        component_type: UNSIGNED_SHORT,
        normalized: true,
        count: weights.len(),
        shape: "VEC4",
        bounds: None,
    })
}

fn add_slots(package: &mut Package, slots: &[[u16; 4]]) -> usize {
    let flat = slots.as_flattened();
    let small: Result<Vec<u8>, _> = flat.iter().map(|&slot| u8::try_from(slot)).collect();
    let (bytes, component_type) = match small {
        Ok(bytes) => (bytes, UNSIGNED_BYTE),
        Err(_) => (
            flat.iter().flat_map(|slot| slot.to_le_bytes()).collect(),
            UNSIGNED_SHORT,
        ),
    };
    let view = package.add_view(&bytes, Some(VERTICES));
    package.add_accessor(NewAccessor {
        view,
        byte_offset: 0,
        component_type,
        normalized: false,
        count: slots.len(),
        shape: "VEC4",
        bounds: None,
    })
}

fn add_triangles(package: &mut Package, triangles: &[[u32; 3]], vertex_count: usize) -> usize {
    let flat = triangles.as_flattened();
    let (bytes, component_type): (Vec<u8>, u32) = if vertex_count <= MOST_SHORT_VERTICES {
        let shorts = flat.iter().map(|&corner| corner as u16);
        (shorts.flat_map(u16::to_le_bytes).collect(), UNSIGNED_SHORT)
    } else {
        let whole = flat.iter().flat_map(|corner| corner.to_le_bytes());
        (whole.collect(), UNSIGNED_INT)
    };
    let view = package.add_view(&bytes, Some(INDICES));
    package.add_accessor(NewAccessor {
        view,
        byte_offset: 0,
        component_type,
        normalized: false,
        count: flat.len(),
        shape: "SCALAR",
        bounds: None,
    })
}
