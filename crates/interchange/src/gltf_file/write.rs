//! A clip as one more animation of the character's own file.

use std::collections::HashMap;

use glam::{DQuat, DVec3};
use serde_json::{Value, json};
use understudy_motion::{Clip, Transform};

use super::document::{GltfDocument, items};
use super::fold::unfolded;
use super::model::numbers;
use super::package::{Animation, FLOAT, NewAccessor, Package};
use super::tree::rest;
use crate::error::FileError;

/// A property that stays this near to the node's own needs no channel: metres, factors of scale,
/// and components of a quaternion. Far below the step of single precision at 1.
const SAME: f64 = 1e-9;

/// Where the keys of a written animation begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum ClipStart {
    /// At 0 s; at the clip's own start where channels of a replaced animation are kept, which
    /// must stay in step.
    #[default]
    Zero,
    /// At the clip's own start; it must not lie before 0 s, which glTF does not allow.
    ClipTime,
}

/// How a clip is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct AnimationOptions {
    /// Whether animations of the same name give way; otherwise the clip is added beside them. What
    /// these animations move beside the joints of the clip (morph weights, other nodes, properties
    /// of extensions) goes on in the new one with its own keys, and so do their extras.
    pub replace_same_name: bool,
    /// Where the keys begin.
    pub start: ClipStart,
}

impl GltfDocument {
    /// The document with a clip as animation, as a GLB. `node_of_joint` gives the node of each
    /// joint of the clip's skeleton.
    ///
    /// Everything else is kept: JSON members and their order, unknown extensions, extras, other
    /// animations, and all bytes. Outside buffers and images are put into the binary chunk. Only
    /// properties that differ from the node's own get a channel (LINEAR, single precision, one
    /// key per frame); a node that has a matrix and moves gets translation, rotation and scale
    /// instead, as the specification demands (section 3.11).
    ///
    /// # Errors
    /// A mapping of another length than the skeleton's, a node that does not exist or is named
    /// twice, times that single precision cannot keep apart or that lie before 0.
    pub fn with_animation(
        &self,
        clip: &Clip,
        name: &str,
        node_of_joint: &[usize],
        options: &AnimationOptions,
    ) -> Result<Vec<u8>, FileError> {
        self.check_mapping(clip, node_of_joint)?;
        let mut package = Package::from_document(self);
        let kept = match options.replace_same_name {
            true => package.remove_animations(name, |channel| !is_driven(channel, node_of_joint)),
            false => Animation::default(),
        };
        let start = match kept.channels.is_empty() || clip.start_secs < 0.0 {
            true => options.start,
            false => ClipStart::ClipTime,
        };
        let times = key_times(clip, start)?;
        let rests = self.rests(node_of_joint)?;
        let curves = curves(clip, &rests, self.metres_per_unit);
        for curve in &curves {
            matrix_to_parts(&mut package, node_of_joint[curve.joint])?;
        }
        add_animation(&mut package, name, kept, &times, &curves, node_of_joint);
        package.into_glb()
    }

    fn check_mapping(&self, clip: &Clip, node_of_joint: &[usize]) -> Result<(), FileError> {
        let joints = clip.skeleton.len();
        if node_of_joint.len() != joints {
            return Err(FileError::new(format!(
                "{} nodes are given for the {joints} joints of the clip",
                node_of_joint.len()
            )));
        }
        let nodes = items(&self.json, "nodes")?.len();
        let mut joint_of_node = HashMap::new();
        for (joint, &node) in node_of_joint.iter().enumerate() {
            let name = clip.skeleton.name(joint);
            if node >= nodes {
                return Err(FileError::new(format!(
                    "joint \"{name}\" belongs to nodes[{node}], but there are {nodes} nodes"
                )));
            }
            if let Some(other) = joint_of_node.insert(node, joint) {
                return Err(FileError::new(format!(
                    "joints \"{}\" and \"{name}\" both belong to nodes[{node}]",
                    clip.skeleton.name(other)
                )));
            }
        }
        Ok(())
    }

    /// Transforms that the nodes have by themselves, with the signs of scale in the file, metres.
    fn rests(&self, node_of_joint: &[usize]) -> Result<Vec<Transform>, FileError> {
        let nodes = items(&self.json, "nodes")?;
        // The reader has already warned about crooked nodes.
        let mut warnings = Vec::new();
        node_of_joint
            .iter()
            .map(|&node| rest(&nodes[node], node, self.metres_per_unit, &mut warnings))
            .collect()
    }
}

/// Whether a channel moves what the clip moves: translation, rotation or scale of one of its nodes.
fn is_driven(channel: &Value, node_of_joint: &[usize]) -> bool {
    let target = channel.get("target");
    let node = target.and_then(|target| target.get("node")?.as_u64());
    let path = target.and_then(|target| target.get("path")?.as_str());
    matches!(path, Some("translation" | "rotation" | "scale"))
        && node.is_some_and(|node| node_of_joint.iter().any(|&driven| driven as u64 == node))
}

/// Key times in single precision, seconds.
fn key_times(clip: &Clip, start: ClipStart) -> Result<Vec<f32>, FileError> {
    let first = match start {
        ClipStart::Zero => 0.0,
        ClipStart::ClipTime => clip.start_secs,
    };
    if first < 0.0 {
        return Err(FileError::new(format!(
            "the clip starts at {first} s; glTF has no time before 0, so let it start at 0"
        )));
    }
    let times: Vec<f32> = (0..clip.frame_count())
        .map(|frame| (first + frame as f64 * clip.frame_time_secs) as f32)
        .collect();
    match times.windows(2).position(|pair| pair[1] <= pair[0]) {
        Some(frame) => Err(FileError::new(format!(
            "single precision cannot keep frames {frame} and {} apart at {} s; let the clip start at 0",
            frame + 1,
            times[frame]
        ))),
        None => Ok(times),
    }
}

/// The values of one channel, key after key, in the unit of the file.
struct NewCurve {
    joint: usize,
    path: &'static str,
    values: Vec<f32>,
}

/// Curves of what differs from the rest transforms in the file; its signs of scale are used.
fn curves(clip: &Clip, rests: &[Transform], metres_per_unit: f64) -> Vec<NewCurve> {
    let mut curves = Vec::new();
    for (joint, rest) in rests.iter().enumerate() {
        let keys: Vec<Transform> = (0..clip.frame_count())
            .map(|frame| unfolded(&clip.frame(frame)[joint], rest.scale))
            .collect();
        let mut add = |path, values: Option<Vec<f32>>| {
            curves.extend(values.map(|values| NewCurve {
                joint,
                path,
                values,
            }));
        };
        add(
            "translation",
            vectors(&keys, rest.translation, |key| key.translation)
                .map(|values| singles(values.into_iter().map(|value| value / metres_per_unit))),
        );
        add("rotation", rotations(&keys, rest.rotation));
        add(
            "scale",
            vectors(&keys, rest.scale, |key| key.scale).map(|values| singles(values.into_iter())),
        );
    }
    if curves.is_empty() {
        // An animation needs a channel, and the clip its length.
        curves.extend(rests.first().map(|rest| {
            NewCurve {
                joint: 0,
                path: "rotation",
                values: rest
                    .rotation
                    .to_array()
                    .map(|number| number as f32)
                    .repeat(clip.frame_count()),
            }
        }));
    }
    curves
}

fn vectors(
    keys: &[Transform],
    rest: DVec3,
    pick: impl Fn(&Transform) -> DVec3,
) -> Option<Vec<DVec3>> {
    let moves = keys.iter().any(|key| !pick(key).abs_diff_eq(rest, SAME));
    moves.then(|| keys.iter().map(pick).collect())
}

fn singles(values: impl Iterator<Item = DVec3>) -> Vec<f32> {
    values
        .flat_map(|value| value.to_array())
        .map(|number| number as f32)
        .collect()
}

/// Each key on the same side of the sphere as the one before, so that players which blend the
/// numbers take the short way too.
fn rotations(keys: &[Transform], rest: DQuat) -> Option<Vec<f32>> {
    let mut before = rest;
    let mut moves = false;
    let mut values = Vec::with_capacity(4 * keys.len());
    for key in keys {
        let rotation = match key.rotation.normalize() {
            rotation if rotation.dot(before) < 0.0 => -rotation,
            rotation => rotation,
        };
        moves |= !rotation.abs_diff_eq(rest, SAME);
        values.extend(rotation.to_array().map(|number| number as f32));
        before = rotation;
    }
    moves.then_some(values)
}

/// A node that is animated must not have a matrix.
fn matrix_to_parts(package: &mut Package, node: usize) -> Result<(), FileError> {
    let Some(value) = package.list("nodes").get_mut(node) else {
        return Ok(());
    };
    if numbers::<16>(value, "matrix", &format!("nodes[{node}]"))?.is_none() {
        return Ok(());
    }
    let parts = rest(value, node, 1.0, &mut Vec::new())?;
    if let Value::Object(members) = value {
        members.shift_remove("matrix");
        members.insert("translation".into(), json!(parts.translation.to_array()));
        members.insert("rotation".into(), json!(parts.rotation.to_array()));
        members.insert("scale".into(), json!(parts.scale.to_array()));
    }
    Ok(())
}

/// Appends an animation with these curves: one buffer view holds the shared times and then every
/// curve.
fn add_animation(
    package: &mut Package,
    name: &str,
    mut animation: Animation,
    times: &[f32],
    curves: &[NewCurve],
    node_of_joint: &[usize],
) {
    let numbers = times
        .iter()
        .chain(curves.iter().flat_map(|curve| &curve.values));
    let bytes: Vec<u8> = numbers.flat_map(|number| number.to_le_bytes()).collect();
    let view = package.add_view(&bytes, None);
    let first = times.first().copied().map_or(0.0, f64::from);
    let last = times.last().copied().map_or(0.0, f64::from);
    let input = package.add_accessor(NewAccessor {
        view,
        byte_offset: 0,
        component_type: FLOAT,
        normalized: false,
        count: times.len(),
        shape: "SCALAR",
        bounds: Some((vec![first], vec![last])),
    });
    let mut byte_offset = size_of_val(times);
    for curve in curves {
        let output = package.add_accessor(NewAccessor {
            view,
            byte_offset,
            component_type: FLOAT,
            normalized: false,
            count: times.len(),
            shape: if curve.path == "rotation" {
                "VEC4"
            } else {
                "VEC3"
            },
            bounds: None,
        });
        byte_offset += size_of_val(curve.values.as_slice());
        animation.channels.push(json!({
            "sampler": animation.samplers.len(),
            "target": { "node": node_of_joint[curve.joint], "path": curve.path },
        }));
        animation
            .samplers
            .push(json!({ "input": input, "interpolation": "LINEAR", "output": output }));
    }
    if !name.is_empty() {
        animation.members.insert("name".into(), name.into());
    }
    package.push("animations", animation.into_value());
}
