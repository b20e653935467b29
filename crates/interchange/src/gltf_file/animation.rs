//! Animations to clips: channels, samplers and their interpolation (glTF 2.0 section 3.11 and
//! appendix C).

use std::collections::HashMap;
use std::rc::Rc;
use std::sync::Arc;

use glam::{DQuat, DVec3};
use gltf::json::accessor::Type;
use gltf::json::animation::{Interpolation, Property, Sampler};
use gltf::json::validation::Checked;
use serde::Deserialize;
use serde_json::Value;
use understudy_motion::{Clip, Transform};

use super::document::items;
use super::fold::folded;
use super::grid::{self, Grid};
use super::invalid;
use super::model::{Model, pick};
use super::scale;
use super::tree::{Tree, unit_or_identity};
use crate::error::FileError;

/// Bounds on what a clip may hold, so that two keys a year apart do not fill the memory.
const MAX_FRAMES: f64 = 1e6;
const MAX_TRANSFORMS: f64 = 2e7;

/// The channels of one animation that move nodes.
pub(super) struct AnimationChannels {
    /// `animations[2] "walk"`, for messages.
    pub place: String,
    pub name: String,
    pub channels: Vec<Channel>,
}

/// One moving property of a node.
pub(super) struct Channel {
    pub node: usize,
    pub property: Property,
    sampler: Sampler,
    place: String,
}

/// Lists the channels of all animations. Channels without a node (extensions may have these),
/// morph weights and properties of extensions are left out.
pub(super) fn read_channels(model: &Model<'_>) -> Result<Vec<AnimationChannels>, FileError> {
    let animations = items(&model.document.json, "animations")?;
    animations
        .iter()
        .enumerate()
        .map(|(index, animation)| {
            let name = animation.get("name").and_then(Value::as_str).unwrap_or("");
            let place = format!("animations[{index}]");
            Ok(AnimationChannels {
                channels: channels_of(model, animation, &place)?,
                place: format!("{place} \"{name}\""),
                name: name.to_owned(),
            })
        })
        .collect()
}

fn channels_of(
    model: &Model<'_>,
    animation: &Value,
    place: &str,
) -> Result<Vec<Channel>, FileError> {
    let raw_samplers = items(animation, "samplers")?;
    let mut channels = Vec::new();
    for (number, channel) in items(animation, "channels")?.iter().enumerate() {
        let place = format!("{place}.channels[{number}]");
        let target = channel.get("target");
        let Some(node) = target.and_then(|target| target.get("node")) else {
            continue;
        };
        let path = target.and_then(|target| target.get("path"));
        let property = match path.and_then(Value::as_str) {
            Some("translation") => Property::Translation,
            Some("rotation") => Property::Rotation,
            Some("scale") => Property::Scale,
            _ => continue,
        };
        let node = index(node, &format!("{place}.target.node"))?;
        pick(&model.nodes, node, "nodes", &place)?;
        let sampler_place = format!("{place}.sampler");
        let sampler = index(
            channel.get("sampler").unwrap_or(&Value::Null),
            &sampler_place,
        )?;
        let raw = pick(raw_samplers, sampler, "samplers", &sampler_place)?;
        channels.push(Channel {
            node,
            property,
            sampler: Sampler::deserialize(raw)
                .map_err(|error| invalid(&sampler_place, error.to_string()))?,
            place,
        });
    }
    Ok(channels)
}

fn index(value: &Value, place: &str) -> Result<usize, FileError> {
    value
        .as_u64()
        .and_then(|number| usize::try_from(number).ok())
        .ok_or_else(|| invalid(place, "not an index"))
}

/// The keys of one property of one joint.
struct Track {
    joint: usize,
    property: Property,
    curve: Curve,
}

struct Curve {
    times: Rc<[f64]>,
    /// `width` numbers per key; three times as many for splines (in-tangent, value, out-tangent).
    values: Vec<f64>,
    width: usize,
    interpolation: Interpolation,
}

/// Samples every animation that moves the skeleton. Each becomes a clip that starts at its first
/// key; properties without a channel stay at rest, and keys hold before their first and after
/// their last.
pub(super) fn read_clips(
    model: &Model<'_>,
    animations: &[AnimationChannels],
    tree: &Tree,
    frame_time_secs: Option<f64>,
    warnings: &mut Vec<String>,
) -> Result<Vec<Clip>, FileError> {
    let mut reader = KeyReader {
        model,
        times: HashMap::new(),
    };
    let mut clips = Vec::new();
    for animation in animations {
        let tracks = reader.tracks(animation, tree, warnings)?;
        let keys = all_keys(&tracks);
        let Some(&first) = keys.first() else { continue };
        let has_splines = tracks
            .iter()
            .any(|track| track.curve.interpolation == Interpolation::CubicSpline);
        let grid = match frame_time_secs {
            Some(secs) => grid::forced(&keys, secs),
            None => grid::find(&keys, has_splines),
        };
        if let Some(warning) = &grid.warning {
            warnings.push(format!("{}: {warning}", animation.place));
        }
        let mut locals = sample_all(&tracks, tree, &grid, first, &animation.place)?;
        scale::warn_of_clip(tree, &locals, &animation.place, warnings);
        locals.iter_mut().for_each(|local| *local = folded(local));
        let mut clip = Clip::new(Arc::clone(&tree.skeleton), grid.frame_time_secs, locals)
            .map_err(|error| invalid(&animation.place, error.to_string()))?;
        clip.name.clone_from(&animation.name);
        clip.start_secs = first;
        clips.push(clip);
    }
    Ok(clips)
}

/// Decodes samplers; key times that channels share are decoded once.
struct KeyReader<'a> {
    model: &'a Model<'a>,
    times: HashMap<usize, Rc<[f64]>>,
}

impl KeyReader<'_> {
    fn tracks(
        &mut self,
        animation: &AnimationChannels,
        tree: &Tree,
        warnings: &mut Vec<String>,
    ) -> Result<Vec<Track>, FileError> {
        let mut tracks = Vec::new();
        for channel in &animation.channels {
            if let Some(joint) = tree.joint_of_node[channel.node] {
                tracks.push(Track {
                    joint,
                    property: channel.property,
                    curve: self.curve(channel, warnings)?,
                });
            }
        }
        Ok(tracks)
    }

    fn curve(&mut self, channel: &Channel, warnings: &mut Vec<String>) -> Result<Curve, FileError> {
        let Checked::Valid(interpolation) = channel.sampler.interpolation else {
            return Err(invalid(&channel.place, "unknown interpolation"));
        };
        let shape = match channel.property {
            Property::Rotation => Type::Vec4,
            _ => Type::Vec3,
        };
        let times = self.times(channel, warnings)?;
        let output = channel.sampler.output.value();
        let mut values = self.model.floats(output, shape, &channel.place)?;
        if channel.property == Property::Translation {
            let metres_per_unit = self.model.document.metres_per_unit;
            values
                .iter_mut()
                .for_each(|value| *value *= metres_per_unit);
        }
        let width = shape.multiplicity();
        let per_key = match interpolation {
            Interpolation::CubicSpline => 3 * width,
            _ => width,
        };
        if values.len() != times.len() * per_key {
            return Err(invalid(
                &channel.place,
                format!(
                    "{} keys in time, but {} in value",
                    times.len(),
                    values.len() / per_key
                ),
            ));
        }
        Ok(Curve {
            times,
            values,
            width,
            interpolation,
        })
    }

    fn times(
        &mut self,
        channel: &Channel,
        warnings: &mut Vec<String>,
    ) -> Result<Rc<[f64]>, FileError> {
        let input = channel.sampler.input.value();
        if let Some(times) = self.times.get(&input) {
            return Ok(Rc::clone(times));
        }
        let times = self.model.floats(input, Type::Scalar, &channel.place)?;
        if times.is_empty() {
            return Err(invalid(&channel.place, "has no keys"));
        }
        if let Some(at) = times.windows(2).position(|pair| pair[1] < pair[0]) {
            return Err(invalid(
                format!("accessors[{input}]"),
                format!("key {} lies before key {at} in time", at + 1),
            ));
        }
        if times.windows(2).any(|pair| pair[1] == pair[0]) {
            warnings.push(format!(
                "accessors[{input}]: two keys at the same time; the later one counts"
            ));
        }
        let times: Rc<[f64]> = times.into();
        self.times.insert(input, Rc::clone(&times));
        Ok(times)
    }
}

/// Times of all keys of all tracks, sorted; times that differ by rounding count once.
fn all_keys(tracks: &[Track]) -> Vec<f64> {
    let mut seen: Vec<&Rc<[f64]>> = Vec::new();
    let mut keys = Vec::new();
    for times in tracks.iter().map(|track| &track.curve.times) {
        if !seen.iter().any(|known| Rc::ptr_eq(known, times)) {
            seen.push(times);
            keys.extend_from_slice(times);
        }
    }
    keys.sort_by(f64::total_cmp);
    let rounding = grid::rounding(&keys);
    keys.dedup_by(|later, earlier| *later - *earlier <= rounding);
    keys
}

/// Local transforms of all joints, frame after frame, with the signs of scale in the file.
fn sample_all(
    tracks: &[Track],
    tree: &Tree,
    grid: &Grid,
    first: f64,
    place: &str,
) -> Result<Vec<Transform>, FileError> {
    let rest = &tree.rests_in_file;
    let joints = rest.len();
    if grid.frame_count > MAX_FRAMES || grid.frame_count * joints as f64 > MAX_TRANSFORMS {
        return Err(invalid(
            place,
            format!(
                "{:.0} frames of {joints} joints are too many; ask for a lower frame rate",
                grid.frame_count
            ),
        ));
    }
    let frames = grid.frame_count as usize;
    let mut locals = rest.repeat(frames);
    for track in tracks {
        for (frame, pose) in locals.chunks_exact_mut(joints).enumerate() {
            let secs = first + frame as f64 * grid.frame_time_secs;
            let local = &mut pose[track.joint];
            match track.property {
                Property::Rotation => local.rotation = track.curve.rotation(secs, grid.snap_secs),
                Property::Scale => local.scale = track.curve.vector(secs, grid.snap_secs),
                _ => local.translation = track.curve.vector(secs, grid.snap_secs),
            }
        }
    }
    Ok(locals)
}

/// Where a moment lies among keys.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Moment {
    At(usize),
    /// After this key, by a share `t` of the `secs` to the next.
    After {
        key: usize,
        t: f64,
        secs: f64,
    },
}

impl Curve {
    fn moment(&self, secs: f64, snap_secs: f64) -> Moment {
        let next = self.times.partition_point(|time| *time <= secs + snap_secs);
        let Some(key) = next.checked_sub(1) else {
            return Moment::At(0);
        };
        if next == self.times.len() || secs - self.times[key] <= snap_secs {
            return Moment::At(key);
        }
        let gap = self.times[next] - self.times[key];
        Moment::After {
            key,
            t: (secs - self.times[key]) / gap,
            secs: gap,
        }
    }

    /// Part 0 is the in-tangent, 1 the value, 2 the out-tangent of a spline key.
    fn part(&self, key: usize, part: usize) -> &[f64] {
        let at = match self.interpolation {
            Interpolation::CubicSpline => 3 * key + part,
            _ => key,
        };
        &self.values[at * self.width..(at + 1) * self.width]
    }

    fn value(&self, key: usize) -> &[f64] {
        self.part(key, 1)
    }

    /// Appendix C.5: cubic Hermite with tangents scaled by the time between the keys.
    fn spline(&self, key: usize, t: f64, secs: f64, number: usize) -> f64 {
        let (t2, t3) = (t * t, t * t * t);
        let (v0, b0) = (self.value(key)[number], self.part(key, 2)[number]);
        let (a1, v1) = (self.part(key + 1, 0)[number], self.value(key + 1)[number]);
        (2.0 * t3 - 3.0 * t2 + 1.0) * v0
            + secs * (t3 - 2.0 * t2 + t) * b0
            + (3.0 * t2 - 2.0 * t3) * v1
            + secs * (t3 - t2) * a1
    }

    fn vector(&self, secs: f64, snap_secs: f64) -> DVec3 {
        let at = |key| DVec3::from_slice(self.value(key));
        match self.moment(secs, snap_secs) {
            Moment::At(key) => at(key),
            Moment::After { key, t, secs } => match self.interpolation {
                Interpolation::Step => at(key),
                Interpolation::Linear => at(key).lerp(at(key + 1), t),
                Interpolation::CubicSpline => {
                    DVec3::from_array([0, 1, 2].map(|number| self.spline(key, t, secs, number)))
                }
            },
        }
    }

    fn rotation(&self, secs: f64, snap_secs: f64) -> DQuat {
        let at = |key| unit_or_identity(DQuat::from_slice(self.value(key)));
        match self.moment(secs, snap_secs) {
            Moment::At(key) => at(key),
            Moment::After { key, t, secs } => match self.interpolation {
                Interpolation::Step => at(key),
                Interpolation::Linear => at(key).slerp(at(key + 1), t),
                Interpolation::CubicSpline => unit_or_identity(DQuat::from_array(
                    [0, 1, 2, 3].map(|number| self.spline(key, t, secs, number)),
                )),
            },
        }
    }
}
