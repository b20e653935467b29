//! Nodes to a skeleton.

use std::sync::Arc;

use glam::{DAffine3, DMat4, DQuat, DVec3};
use serde_json::Value;
use understudy_motion::{Joint, JointKind, Skeleton, Transform};

use super::animation::AnimationChannels;
use super::document::items;
use super::fold::folded;
use super::invalid;
use super::model::{Model, numbers, pick};
use crate::error::FileError;

/// Largest entry by which a matrix may differ from its parts before it counts as sheared,
/// relative to its largest scale. Single-precision matrices are off by about 1e-7.
const SHEAR_LIMIT: f64 = 1e-5;

/// Largest deviation of a quaternion from unit length that is put down to rounding.
const UNIT_LIMIT: f64 = 1e-3;

/// Name of the member of a node's `extras` that keeps the tips of a joint: a list of points in
/// the node's own coordinates and the file's unit.
pub(super) const TIPS_KEY: &str = "bone_tips";

/// A skeleton and the way back to the nodes.
pub(super) struct Tree {
    pub skeleton: Arc<Skeleton>,
    pub node_of_joint: Vec<usize>,
    pub joint_of_node: Vec<Option<usize>>,
    /// Rest transforms with the signs of scale that they have in the file, metres; the skeleton
    /// has them folded.
    pub rests_in_file: Vec<Transform>,
}

/// The nodes of a file as a forest, parents first.
struct Forest {
    /// Depth first, in the order of the file.
    order: Vec<usize>,
    parents: Vec<Option<usize>>,
}

impl Forest {
    fn new(model: &Model<'_>) -> Result<Self, FileError> {
        let parents = parents(model)?;
        let mut stack: Vec<usize> = (0..parents.len())
            .rev()
            .filter(|&node| parents[node].is_none())
            .collect();
        let mut order = Vec::with_capacity(parents.len());
        while let Some(node) = stack.pop() {
            order.push(node);
            let children = model.nodes[node].children.as_deref().unwrap_or_default();
            stack.extend(children.iter().rev().map(|child| child.value()));
        }
        if order.len() < parents.len() {
            let mut reached = vec![false; parents.len()];
            order.iter().for_each(|&node| reached[node] = true);
            let lost = reached.iter().position(|reached| !reached).unwrap_or(0);
            return Err(invalid(
                format!("nodes[{lost}]"),
                "is its own ancestor; nodes must form trees",
            ));
        }
        Ok(Self { order, parents })
    }
}

/// The parent of each node.
pub(super) fn parents(model: &Model<'_>) -> Result<Vec<Option<usize>>, FileError> {
    let mut parents = vec![None; model.nodes.len()];
    for (index, node) in model.nodes.iter().enumerate() {
        for child in node.children.iter().flatten() {
            let place = format!("nodes[{index}].children");
            pick(&model.nodes, child.value(), "nodes", &place)?;
            if let Some(other) = parents[child.value()].replace(index) {
                return Err(invalid(
                    place,
                    format!(
                        "nodes[{}] already is a child of nodes[{other}]; a node has one parent",
                        child.value()
                    ),
                ));
            }
        }
    }
    Ok(parents)
}

/// Finds the nodes that make up the skeleton and lists them parents first.
pub(super) fn read_skeleton(
    model: &Model<'_>,
    animations: &[AnimationChannels],
    warnings: &mut Vec<String>,
) -> Result<Tree, FileError> {
    let forest = Forest::new(model)?;
    let kinds = if model.skins.is_empty() {
        animated_nodes(model, &forest, animations)
    } else {
        skin_nodes(model, &forest)?
    };
    let mut joints = Vec::new();
    let mut node_of_joint = Vec::new();
    let mut rests_in_file = Vec::new();
    let mut joint_of_node = vec![None; model.nodes.len()];
    let raw = items(&model.document.json, "nodes")?;
    for &node in &forest.order {
        let Some(kind) = kinds[node] else { continue };
        joint_of_node[node] = Some(joints.len());
        node_of_joint.push(node);
        let name = model.nodes[node].name.clone();
        let rest = rest(&raw[node], node, model.document.metres_per_unit, warnings)?;
        rests_in_file.push(rest);
        joints.push(Joint {
            name: name.unwrap_or_else(|| format!("node_{node}")),
            parent: forest.parents[node].and_then(|parent| joint_of_node[parent]),
            rest: folded(&rest),
            tips: tips(&raw[node], model.document.metres_per_unit),
            kind,
        });
    }
    if joints.is_empty() {
        return Err(FileError::new(
            "no skeleton: the file has neither a skin nor an animated node",
        ));
    }
    let skeleton = Skeleton::new(joints).map_err(|error| invalid("nodes", error.to_string()))?;
    Ok(Tree {
        skeleton: Arc::new(skeleton),
        node_of_joint,
        joint_of_node,
        rests_in_file,
    })
}

/// Joints of all skins, and as carriers all nodes above them.
fn skin_nodes(model: &Model<'_>, forest: &Forest) -> Result<Vec<Option<JointKind>>, FileError> {
    let mut kinds = vec![None; model.nodes.len()];
    for (index, skin) in model.skins.iter().enumerate() {
        for (slot, joint) in skin.joints.iter().enumerate() {
            let place = format!("skins[{index}].joints[{slot}]");
            pick(&model.nodes, joint.value(), "nodes", &place)?;
            kinds[joint.value()] = Some(JointKind::Joint);
        }
    }
    mark_ancestors(forest, &mut kinds);
    Ok(kinds)
}

/// Without skins: animated nodes and, below them, nodes without a mesh or camera are joints;
/// nodes above all of these are carriers.
fn animated_nodes(
    model: &Model<'_>,
    forest: &Forest,
    animations: &[AnimationChannels],
) -> Vec<Option<JointKind>> {
    let mut kinds = vec![None; model.nodes.len()];
    for channel in animations.iter().flat_map(|animation| &animation.channels) {
        if model.nodes[channel.node].camera.is_none() {
            kinds[channel.node] = Some(JointKind::Joint);
        }
    }
    for &node in &forest.order {
        let bare = model.nodes[node].mesh.is_none() && model.nodes[node].camera.is_none();
        let below = forest.parents[node].is_some_and(|parent| kinds[parent].is_some());
        if bare && below {
            kinds[node] = Some(JointKind::Joint);
        }
    }
    mark_ancestors(forest, &mut kinds);
    kinds
}

fn mark_ancestors(forest: &Forest, kinds: &mut [Option<JointKind>]) {
    // Children come after their parents, so going backwards carries marks all the way up.
    for &node in forest.order.iter().rev() {
        if let (Some(_), Some(parent)) = (kinds[node], forest.parents[node]) {
            kinds[parent].get_or_insert(JointKind::Carrier);
        }
    }
}

/// Tips kept in a node's extras, metres.
fn tips(node: &Value, metres_per_unit: f64) -> Vec<DVec3> {
    let kept = node.get("extras").and_then(|extras| extras.get(TIPS_KEY));
    kept.and_then(|tips| serde_json::from_value::<Vec<[f64; 3]>>(tips.clone()).ok())
        .unwrap_or_default()
        .into_iter()
        .map(|tip| DVec3::from(tip) * metres_per_unit)
        .collect()
}

/// Local transform of a node with the signs of scale that the file gives, metres; a matrix is
/// taken apart.
pub(super) fn rest(
    node: &Value,
    index: usize,
    metres_per_unit: f64,
    warnings: &mut Vec<String>,
) -> Result<Transform, FileError> {
    let place = format!("nodes[{index}]");
    let mut rest = match numbers::<16>(node, "matrix", &place)? {
        Some(matrix) => decompose(&matrix, &place, warnings),
        None => Transform {
            translation: numbers(node, "translation", &place)?.map_or(DVec3::ZERO, DVec3::from),
            rotation: rotation(node, &place, warnings)?,
            scale: numbers(node, "scale", &place)?.map_or(DVec3::ONE, DVec3::from),
        },
    };
    rest.translation *= metres_per_unit;
    Ok(rest)
}

fn rotation(node: &Value, place: &str, warnings: &mut Vec<String>) -> Result<DQuat, FileError> {
    let Some(numbers) = numbers(node, "rotation", place)? else {
        return Ok(DQuat::IDENTITY);
    };
    let raw = DQuat::from_array(numbers);
    let length = raw.length();
    if (length - 1.0).abs() > UNIT_LIMIT {
        warnings.push(format!(
            "{place}: the rotation has length {length:.4} instead of 1"
        ));
    }
    Ok(unit_or_identity(raw))
}

fn decompose(matrix: &[f64; 16], place: &str, warnings: &mut Vec<String>) -> Transform {
    let affine = DAffine3::from_mat4(DMat4::from_cols_array(matrix));
    let (scale, rotation, translation) = affine.to_scale_rotation_translation();
    let rotation = unit_or_identity(rotation);
    let parts = DAffine3::from_scale_rotation_translation(scale, rotation, translation);
    let limit = SHEAR_LIMIT * scale.abs().max_element();
    if !affine.abs_diff_eq(parts, limit) {
        warnings.push(format!(
            "{place}: the matrix is sheared or flat; only its rotation, scale and translation are kept"
        ));
    }
    Transform {
        translation,
        rotation,
        scale,
    }
}

/// A quaternion at unit length; the identity where there is nothing to normalise, as in the
/// rotation of a flat matrix.
pub(super) fn unit_or_identity(raw: DQuat) -> DQuat {
    let length = raw.length();
    if length.is_finite() && length > 1e-9 {
        raw / length
    } else {
        DQuat::IDENTITY
    }
}
