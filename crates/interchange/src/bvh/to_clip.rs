//! From a BVH document to a clip: units, radians, and what position channels mean.

use std::sync::Arc;

use glam::{DQuat, DVec3};
use understudy_motion::euler::about_axis;
use understudy_motion::{Clip, Joint, LengthUnit, Skeleton, Transform};

use crate::bvh::document::{BvhDocument, BvhJoint, Channel};
use crate::error::FileError;
use crate::text::{clip, counted};
use crate::unit::{UnitFinding, guess_unit};

/// What a position channel does to the `OFFSET` of its joint. The format leaves it open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PositionReading {
    /// Translation = `OFFSET` + channel (Meredith and Maddock, CS-01-11).
    AddedToOffset,
    /// Translation = channel; `OFFSET` holds for axes without a channel.
    ReplacesOffset,
}

impl PositionReading {
    fn words(self) -> &'static str {
        match self {
            Self::AddedToOffset => "added to its OFFSET",
            Self::ReplacesOffset => "in place of its OFFSET",
        }
    }
}

/// How a document's numbers are understood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BvhReading {
    /// Unit of offsets and position channels.
    pub unit: LengthUnit,
    /// Position channels of roots.
    pub roots: PositionReading,
    /// Position channels of all other joints.
    pub joints: PositionReading,
}

impl BvhReading {
    /// The meaning of position channels of a joint.
    pub fn positions(&self, joint: &BvhJoint) -> PositionReading {
        match joint.parent {
            None => self.roots,
            Some(_) => self.joints,
        }
    }
}

/// What is to be taken for granted instead of found out.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BvhToClipOptions {
    /// Unit of lengths; guessed from the body's height where absent.
    pub unit: Option<LengthUnit>,
    /// Meaning of position channels, roots included; decided from the data where absent.
    pub positions: Option<PositionReading>,
}

/// A clip from a BVH document.
#[derive(Clone, Debug, PartialEq)]
pub struct BvhTake {
    /// The motion; joints have the indices they have in the document, axes are the file's.
    pub clip: Clip,
    /// The unit and how it was found.
    pub unit: UnitFinding,
    /// How numbers were understood; [`crate::bvh::clip_to_bvh`] needs it to write them back.
    pub reading: BvhReading,
    /// Decisions and defects.
    pub warnings: Vec<String>,
}

/// Turns a document into a clip.
///
/// A joint's rotation is the product of its rotation channels from left to right; its rest is the
/// `OFFSET`, unturned. Position channels of roots are added to the `OFFSET`; those of other joints
/// are read, for the whole file, in the way that keeps bones nearer to the length of the
/// `OFFSET`. Joints without a name are called `unnamed 1` after their index.
///
/// # Errors
/// A document without frames, or with numbers too large to compute with.
pub fn bvh_to_clip(
    document: &BvhDocument,
    options: &BvhToClipOptions,
) -> Result<BvhTake, FileError> {
    if document.frame_count() == 0 {
        return Err(FileError::new(
            "the motion has no frames; at least one is needed",
        ));
    }
    let mut warnings = Vec::new();
    let unit = match options.unit {
        Some(unit) => UnitFinding::chosen(unit),
        None => guess_unit_of(document, &mut warnings)?,
    };
    let reading = BvhReading {
        unit: unit.unit,
        roots: options.positions.unwrap_or(PositionReading::AddedToOffset),
        joints: joint_reading(document, options.positions, &mut warnings),
    };
    warn_about_roots(document, options.positions, &mut warnings);

    let skeleton = Arc::new(skeleton_of(document, unit.unit.metres())?);
    let locals = (0..document.frame_count())
        .flat_map(|frame| {
            (0..document.joints().len()).map(move |joint| local(document, &reading, frame, joint))
        })
        .collect();
    let clip = Clip::new(skeleton, document.frame_time_secs(), locals)
        .map_err(|error| FileError::new(error.to_string()))?;
    Ok(BvhTake {
        clip,
        unit,
        reading,
        warnings,
    })
}

/// Guesses from the rest pose, or from the first frame where only that has lengths.
fn guess_unit_of(
    document: &BvhDocument,
    warnings: &mut Vec<String>,
) -> Result<UnitFinding, FileError> {
    let rest = skeleton_of(document, 1.0)?;
    let no_length = |joint: &BvhJoint| {
        let own = joint.parent.is_none() || joint.offset == DVec3::ZERO;
        own && joint
            .end_sites
            .iter()
            .all(|site| site.offset == DVec3::ZERO)
    };
    if !document.joints().iter().all(no_length) {
        return Ok(guess_unit(&rest, warnings));
    }
    let as_channels_say = BvhReading {
        unit: LengthUnit::Metre,
        roots: PositionReading::AddedToOffset,
        joints: PositionReading::AddedToOffset,
    };
    let mut joints = rest.joints().to_vec();
    for (index, joint) in joints.iter_mut().enumerate() {
        joint.rest = local(document, &as_channels_say, 0, index);
    }
    let first = Skeleton::new(joints).map_err(|error| FileError::new(error.to_string()))?;
    let found = guess_unit(&first, warnings);
    Ok(UnitFinding {
        how: format!("{}, by the first frame, since every OFFSET is 0", found.how),
        ..found
    })
}

fn skeleton_of(document: &BvhDocument, metres: f64) -> Result<Skeleton, FileError> {
    let joints = document
        .joints()
        .iter()
        .enumerate()
        .map(|(index, joint)| {
            let name = match joint.name.as_str() {
                "" => format!("unnamed {index}"),
                name => name.to_owned(),
            };
            Joint {
                tips: joint
                    .end_sites
                    .iter()
                    .map(|site| site.offset * metres)
                    .collect(),
                ..Joint::new(name, joint.parent, joint.offset * metres)
            }
        })
        .collect();
    Skeleton::new(joints).map_err(|error| FileError::new(error.to_string()))
}

fn local(document: &BvhDocument, reading: &BvhReading, frame: usize, index: usize) -> Transform {
    let joint = &document.joints()[index];
    let values = document.joint_values(frame, index);
    let translation = translation(joint, values, reading.positions(joint));
    Transform::rigid(
        translation * reading.unit.metres(),
        rotation(&joint.channels, values),
    )
}

/// Translation of a joint in file units.
fn translation(joint: &BvhJoint, values: &[f64], reading: PositionReading) -> DVec3 {
    let mut translation = joint.offset;
    for (channel, value) in joint.channels.iter().zip(values) {
        if let Channel::Position(axis) = *channel {
            match reading {
                PositionReading::AddedToOffset => translation[axis] += value,
                PositionReading::ReplacesOffset => translation[axis] = *value,
            }
        }
    }
    translation
}

/// Product of the rotation channels, left to right.
pub(super) fn rotation(channels: &[Channel], values: &[f64]) -> DQuat {
    channels
        .iter()
        .zip(values)
        .filter_map(|(channel, value)| {
            let axis = channel.rotation_axis()?;
            Some(about_axis(axis, value.to_radians()))
        })
        .fold(DQuat::IDENTITY, |product, turn| product * turn)
}

fn has_positions(joint: &BvhJoint) -> bool {
    joint
        .channels
        .iter()
        .any(|channel| channel.position_axis().is_some())
}

/// Joints whose motion depends on the reading.
fn ambiguous(document: &BvhDocument, roots: bool) -> Vec<usize> {
    document
        .joints()
        .iter()
        .enumerate()
        .filter(|(_, joint)| {
            joint.parent.is_none() == roots && has_positions(joint) && joint.offset != DVec3::ZERO
        })
        .map(|(index, _)| index)
        .collect()
}

fn joint_reading(
    document: &BvhDocument,
    forced: Option<PositionReading>,
    warnings: &mut Vec<String>,
) -> PositionReading {
    let joints = ambiguous(document, false);
    if let Some(reading) = forced {
        return reading;
    }
    let misfit = |reading| mean_length_misfit(document, &joints, reading);
    let added = misfit(PositionReading::AddedToOffset);
    let replaced = misfit(PositionReading::ReplacesOffset);
    let reading = if replaced < added {
        PositionReading::ReplacesOffset
    } else {
        PositionReading::AddedToOffset
    };
    if let Some(&first) = joints.first() {
        warnings.push(format!(
            "the position of {} below the root, such as \"{}\", is read {}: bone lengths then \
             differ from the OFFSETs by {:.4} units on average, and by {:.4} otherwise",
            counted(joints.len(), "joint"),
            clip(&document.joints()[first].name),
            reading.words(),
            added.min(replaced),
            added.max(replaced),
        ));
    }
    reading
}

/// Mean difference of bone length and `OFFSET` length over joints and frames, file units.
fn mean_length_misfit(document: &BvhDocument, joints: &[usize], reading: PositionReading) -> f64 {
    let count = (joints.len() * document.frame_count()).max(1);
    let sum: f64 = joints
        .iter()
        .map(|&index| {
            let joint = &document.joints()[index];
            let rest = joint.offset.length();
            (0..document.frame_count())
                .map(|frame| {
                    let values = document.joint_values(frame, index);
                    (translation(joint, values, reading).length() - rest).abs()
                })
                .sum::<f64>()
        })
        .sum();
    sum / count as f64
}

fn warn_about_roots(
    document: &BvhDocument,
    forced: Option<PositionReading>,
    warnings: &mut Vec<String>,
) {
    if forced.is_some() {
        return;
    }
    for root in ambiguous(document, true) {
        let joint = &document.joints()[root];
        let [x, y, z] = joint.offset.to_array();
        warnings.push(format!(
            "the position of root \"{}\" is read {} ({x} {y} {z})",
            clip(&joint.name),
            PositionReading::AddedToOffset.words(),
        ));
    }
}
