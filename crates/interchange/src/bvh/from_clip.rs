//! From a clip to a BVH document.

use glam::{DQuat, DVec3};
use understudy_motion::{Clip, LengthUnit, Skeleton, Transform, WorldPose};

use crate::bvh::columns::{
    ColumnPlan, DEFAULT_ROTATIONS, JointColumns, JointMotion, joint_columns,
};
use crate::bvh::document::{BvhDocument, BvhJoint, Channel, EndSite};
use crate::bvh::to_clip::{BvhReading, PositionReading};
use crate::error::FileError;
use crate::text::{clip as shortened, is_name};

/// Channels, names and number formats to keep: those of a file that was read.
#[derive(Clone, Copy, Debug)]
pub struct BvhLayout<'a> {
    /// The document.
    pub document: &'a BvhDocument,
    /// How its numbers were understood.
    pub reading: BvhReading,
}

/// How a clip becomes a document.
#[derive(Clone, Copy, Debug, Default)]
pub struct BvhOptions<'a> {
    /// A file whose channels are kept for joints of the same name.
    pub layout: Option<BvhLayout<'a>>,
    /// Unit of lengths in the file; that of the layout, or else centimetres (common practice).
    pub unit: Option<LengthUnit>,
}

/// A document made from a clip.
#[derive(Clone, Debug, PartialEq)]
pub struct BvhFromClip {
    /// The document.
    pub document: BvhDocument,
    /// How its numbers are meant.
    pub reading: BvhReading,
    /// What BVH could not hold as it was.
    pub warnings: Vec<String>,
}

/// Translations that differ from rest by less are not motion, metres.
const STILL_M: f64 = 1e-10;

/// Turns a clip into a BVH document with the same world positions in every frame.
///
/// With a layout, joints get the channels of the layout's joint of the same name, and numbers that
/// mean the same as the layout's are taken over from it, so that a file that was read is written
/// as it was. Other joints get rotations Z, X, Y; roots and joints that move against their parent
/// get X, Y and Z positions before them, which are added to the `OFFSET`. A root without a
/// layout has the `OFFSET` 0, so that readers who replace it and readers who add to it agree; so
/// has any other joint that travels so far that [`crate::bvh::bvh_to_clip`] would misread it.
///
/// BVH knows no rest rotation and no scale. A skeleton that has either is straightened: world
/// directions of the rest pose become the axes of every joint, so that all angles are 0 in the
/// rest pose; with `rest` and `world` rotations of a joint, the written one is
/// `world(parent)⁻¹ · world` of `world(joint) · rest(joint)⁻¹`.
///
/// # Errors
/// Numbers too large to compute with.
pub fn clip_to_bvh(clip: &Clip, options: &BvhOptions<'_>) -> Result<BvhFromClip, FileError> {
    let mut warnings = Vec::new();
    let reading = reading_of(options);
    let figure = Figure::of(clip, &mut warnings);
    let order = depth_first(&clip.skeleton);
    let styles = styles(clip, options.layout.as_ref());
    let writer = Writer {
        clip,
        figure: &figure,
        layout: options.layout,
        reading,
    };

    let mut place = vec![0; order.len()];
    let mut joints = Vec::with_capacity(order.len());
    let mut columns = Vec::with_capacity(order.len());
    for (at, &joint) in order.iter().enumerate() {
        place[joint] = at;
        let parent = clip.skeleton.parent(joint).map(|parent| place[parent]);
        let (block, values) = writer.joint(joint, parent, styles[joint], &mut warnings);
        joints.push(block);
        columns.push(values);
    }
    let values = (0..clip.frame_count())
        .flat_map(|frame| {
            columns
                .iter()
                .flat_map(move |joint| joint.rows[frame].iter().copied())
        })
        .collect();
    let document = BvhDocument::new(joints, clip.frame_time_secs, clip.frame_count(), values)
        .map_err(|error| FileError::new(error.to_string()))?;
    let document = match options
        .layout
        .and_then(|layout| layout.document.frame_time_text())
    {
        Some(text) => document.with_frame_time_text(text),
        None => document,
    };
    Ok(BvhFromClip {
        document,
        reading,
        warnings,
    })
}

fn reading_of(options: &BvhOptions<'_>) -> BvhReading {
    let layout = options.layout.map(|layout| layout.reading);
    BvhReading {
        unit: options
            .unit
            .or(layout.map(|reading| reading.unit))
            .unwrap_or(LengthUnit::Centimetre),
        roots: layout.map_or(PositionReading::AddedToOffset, |reading| reading.roots),
        joints: layout.map_or(PositionReading::AddedToOffset, |reading| reading.joints),
    }
}

/// The clip without rest rotations and scales.
struct Figure {
    /// Translation from the parent at rest, metres.
    rests: Vec<DVec3>,
    /// End sites, metres.
    tips: Vec<Vec<DVec3>>,
    /// `frames[frame][joint]`: translation in metres and rotation, relative to the parent.
    frames: Vec<Vec<(DVec3, DQuat)>>,
}

impl Figure {
    fn of(clip: &Clip, warnings: &mut Vec<String>) -> Self {
        if is_plain(clip) {
            Self::plain(clip)
        } else {
            warn_about_scale(clip, warnings);
            Self::straightened(clip)
        }
    }

    fn plain(clip: &Clip) -> Self {
        let joints = clip.skeleton.joints();
        Self {
            rests: joints.iter().map(|joint| joint.rest.translation).collect(),
            tips: joints.iter().map(|joint| joint.tips.clone()).collect(),
            frames: (0..clip.frame_count())
                .map(|frame| {
                    let locals = clip.frame(frame).iter();
                    locals
                        .map(|local| (local.translation, local.rotation))
                        .collect()
                })
                .collect(),
        }
    }

    fn straightened(clip: &Clip) -> Self {
        let skeleton = &clip.skeleton;
        let rest = skeleton.rest_world();
        let at_rest = straighten(skeleton, &rest, &rest);
        let tips = (0..skeleton.len())
            .map(|joint| {
                let origin = rest.position(joint);
                let tips = skeleton.joint(joint).tips.iter();
                tips.map(|&tip| rest.point(joint, tip) - origin).collect()
            })
            .collect();
        Self {
            rests: at_rest.into_iter().map(|(offset, _)| offset).collect(),
            tips,
            frames: (0..clip.frame_count())
                .map(|frame| straighten(skeleton, &rest, &clip.world(frame)))
                .collect(),
        }
    }
}

/// Local translations and rotations that give the same world positions when every joint's axes
/// are those of the world at rest.
fn straighten(skeleton: &Skeleton, rest: &WorldPose, pose: &WorldPose) -> Vec<(DVec3, DQuat)> {
    let turn = |joint: usize| pose.rotation(joint) * rest.rotation(joint).inverse();
    (0..skeleton.len())
        .map(|joint| match skeleton.parent(joint) {
            None => (pose.position(joint), turn(joint).normalize()),
            Some(parent) => {
                let back = turn(parent).inverse();
                let bone = pose.position(joint) - pose.position(parent);
                (back * bone, (back * turn(joint)).normalize())
            }
        })
        .collect()
}

fn is_plain(clip: &Clip) -> bool {
    let rests = clip.skeleton.joints().iter().map(|joint| joint.rest);
    let unturned = rests.clone().all(|rest| rest.rotation.xyz() == DVec3::ZERO);
    let unscaled = |transform: &Transform| transform.scale == DVec3::ONE;
    unturned
        && rests.clone().all(|rest| unscaled(&rest))
        && (0..clip.frame_count()).all(|frame| clip.frame(frame).iter().all(unscaled))
}

fn warn_about_scale(clip: &Clip, warnings: &mut Vec<String>) {
    let is_even = |scale: DVec3| (scale - DVec3::splat(scale.x)).abs().max_element() < 1e-9;
    for (index, joint) in clip.skeleton.joints().iter().enumerate() {
        let rest = joint.rest.scale;
        let animated = (0..clip.frame_count())
            .any(|frame| (clip.frame(frame)[index].scale - rest).abs().max_element() > 1e-9);
        let what = match (animated, is_even(rest)) {
            (true, _) => "is scaled over time",
            (false, false) => "is scaled unevenly",
            (false, true) => continue,
        };
        warnings.push(format!(
            "joint \"{}\" {what}; BVH has no scale, so joints below it move in position \
             instead, and end sites keep their rest length",
            shortened(&joint.name)
        ));
    }
}

/// Joints in the order in which a file nests them.
fn depth_first(skeleton: &Skeleton) -> Vec<usize> {
    let mut order = Vec::with_capacity(skeleton.len());
    let mut open: Vec<usize> = skeleton.roots().collect();
    open.reverse();
    while let Some(joint) = open.pop() {
        order.push(joint);
        open.extend(skeleton.children(joint).iter().rev());
    }
    order
}

/// The layout's joint for every joint of the clip: the one with its index where the names agree
/// (or the file has none), else the first of its name that no other joint has.
fn styles(clip: &Clip, layout: Option<&BvhLayout<'_>>) -> Vec<Option<usize>> {
    let skeleton = &clip.skeleton;
    let Some(layout) = layout else {
        return vec![None; skeleton.len()];
    };
    let blocks = layout.document.joints();
    let mut taken = vec![false; blocks.len()];
    let mut styles: Vec<Option<usize>> = (0..skeleton.len())
        .map(|index| {
            let block = blocks.get(index)?;
            let same = block.name == skeleton.name(index)
                || (block.name.is_empty() && block.parent == skeleton.parent(index));
            same.then(|| {
                taken[index] = true;
                index
            })
        })
        .collect();
    for (index, style) in styles
        .iter_mut()
        .enumerate()
        .filter(|(_, style)| style.is_none())
    {
        let named = |at: &usize| !taken[*at] && blocks[*at].name == skeleton.name(index);
        *style = (0..blocks.len()).find(named);
        if let Some(at) = *style {
            taken[at] = true;
        }
    }
    styles
}

struct Writer<'a> {
    clip: &'a Clip,
    figure: &'a Figure,
    layout: Option<BvhLayout<'a>>,
    reading: BvhReading,
}

impl<'a> Writer<'a> {
    fn in_file_units(&self, metres: DVec3) -> DVec3 {
        metres / self.reading.unit.metres()
    }

    /// The length as the layout prints it, where that is the same to rounding.
    fn kept(&self, metres: DVec3, printed: Option<DVec3>) -> DVec3 {
        let unit = self.reading.unit.metres();
        let slack = 1e-14 * metres.abs().max_element().max(1e-3);
        match printed {
            Some(printed) if (printed * unit - metres).abs().max_element() <= slack => printed,
            _ => metres / unit,
        }
    }

    fn block(&self, style: Option<usize>) -> Option<&'a BvhJoint> {
        Some(&self.layout?.document.joints()[style?])
    }

    fn joint(
        &self,
        joint: usize,
        parent: Option<usize>,
        style: Option<usize>,
        warnings: &mut Vec<String>,
    ) -> (BvhJoint, JointColumns) {
        let block = self.block(style);
        let offset = match (block, parent) {
            (None, None) => DVec3::ZERO,
            (None, Some(_)) if self.would_be_misread(joint) => {
                warnings.push(format!(
                    "joint \"{}\" travels against its parent; its OFFSET is written as 0, \
                     so that its position channels cannot be misread",
                    shortened(self.clip.skeleton.name(joint))
                ));
                DVec3::ZERO
            }
            _ => self.kept(self.figure.rests[joint], block.map(|block| block.offset)),
        };
        let columns = self.columns(joint, parent, offset, style);
        self.warn_about_channels(joint, block, &columns, warnings);
        let written = BvhJoint {
            name: self.name(joint, block, warnings),
            parent,
            offset,
            channels: columns.channels.clone(),
            end_sites: self.end_sites(joint, block),
        };
        (written, columns)
    }

    /// Whether a joint moves so far that, by the lengths of bones, its position channels look as
    /// if they meant the other thing.
    fn would_be_misread(&self, joint: usize) -> bool {
        let rest = self.figure.rests[joint];
        let misfit = |bone: DVec3| (bone.length() - rest.length()).abs();
        let total = |bone: fn(DVec3, DVec3) -> DVec3| -> f64 {
            let frames = self.figure.frames.iter();
            frames.map(|frame| misfit(bone(frame[joint].0, rest))).sum()
        };
        let as_meant = total(|at, _| at);
        match self.reading.joints {
            PositionReading::AddedToOffset => total(|at, rest| at - rest) < as_meant,
            PositionReading::ReplacesOffset => total(|at, rest| at + rest) < as_meant,
        }
    }

    fn columns(
        &self,
        joint: usize,
        parent: Option<usize>,
        offset: DVec3,
        style: Option<usize>,
    ) -> JointColumns {
        let frames = &self.figure.frames;
        let motion = JointMotion {
            offset,
            translations: frames
                .iter()
                .map(|frame| self.in_file_units(frame[joint].0))
                .collect(),
            rotations: frames.iter().map(|frame| frame[joint].1).collect(),
        };
        let default: Vec<Channel> = match parent {
            None => [Channel::POSITIONS, DEFAULT_ROTATIONS].concat(),
            Some(_) => DEFAULT_ROTATIONS.to_vec(),
        };
        let plan = ColumnPlan {
            channels: self.block(style).map_or(&default, |block| &block.channels),
            source: self.source_rows(style),
            reading: match parent {
                None => self.reading.roots,
                Some(_) => self.reading.joints,
            },
            tolerance: STILL_M / self.reading.unit.metres(),
        };
        joint_columns(&motion, &plan)
    }

    /// The layout's own values, where its frames can be the clip's.
    fn source_rows(&self, style: Option<usize>) -> Option<Vec<&'a [f64]>> {
        let (document, style) = (self.layout?.document, style?);
        let frames = document.frame_count();
        (frames == self.clip.frame_count()).then(|| {
            (0..frames)
                .map(|frame| document.joint_values(frame, style))
                .collect()
        })
    }

    fn warn_about_channels(
        &self,
        joint: usize,
        block: Option<&BvhJoint>,
        columns: &JointColumns,
        warnings: &mut Vec<String>,
    ) {
        let name = shortened(self.clip.skeleton.name(joint));
        if columns.added_positions && block.is_some() {
            warnings.push(format!(
                "joint \"{name}\" moves along axes without a channel; position channels were added"
            ));
        }
        if columns.replaced_rotations {
            warnings.push(format!(
                "joint \"{name}\" turns in a way its channels cannot hold; \
                 they were replaced by Zrotation Xrotation Yrotation"
            ));
        }
    }

    fn name(&self, joint: usize, block: Option<&BvhJoint>, warnings: &mut Vec<String>) -> String {
        let name = match block {
            Some(block) => &block.name,
            None => self.clip.skeleton.name(joint),
        };
        if is_name(name) {
            return name.to_owned();
        }
        let written = name
            .replace(|letter: char| letter.is_control(), " ")
            .replace('{', "(")
            .replace('}', ")");
        let written = written.trim().to_owned();
        warnings.push(format!(
            "joint {:?} is written as \"{}\", because BVH cannot hold its name",
            shortened(name),
            shortened(&written)
        ));
        written
    }

    fn end_sites(&self, joint: usize, block: Option<&BvhJoint>) -> Vec<EndSite> {
        self.figure.tips[joint]
            .iter()
            .enumerate()
            .map(|(index, &tip)| {
                let site = block.and_then(|block| block.end_sites.get(index));
                EndSite {
                    label: site.map_or("Site", |site| &site.label).to_owned(),
                    offset: self.kept(tip, site.map(|site| site.offset)),
                }
            })
            .collect()
    }
}
