//! From an ASF skeleton and an AMC motion to a clip.

use std::sync::Arc;

use glam::{DQuat, DVec3};
use understudy_motion::{Clip, Joint, LengthUnit, Skeleton, Transform};

use crate::asf::motion::AmcMotion;
use crate::asf::skeleton::{AngleUnit, AsfSkeleton, Dof, turns_about_fixed_axes};
use crate::error::FileError;
use crate::unit::{UnitFinding, guess_unit, rest_height};

/// Frames per second of the open academic captures, and the rate taken where nothing else is
/// said: `dm_control` 1.0.50, `suite/utils/parse_amc.py`, `MOCAP_DT = 1.0/120.0`.
pub const USUAL_FRAME_RATE: f64 = 120.0;

/// Heights of a body at rest that make a file's own unit believable, metres.
const BELIEVABLE_HEIGHT_M: std::ops::RangeInclusive<f64> = 0.4..=4.0;

/// What is to be taken for granted instead of found out.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AmcOptions {
    /// Unit of lengths; that of the file where absent, guessed where it gives none.
    pub unit: Option<LengthUnit>,
    /// Frames per second; 120 where neither this nor the file says so.
    pub frame_rate: Option<f64>,
}

/// How far a joint turns about one axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxisRange {
    /// 0 = X, 1 = Y, 2 = Z of [`JointLimits::parent_from_axes`].
    pub axis: usize,
    /// Lowest angle, radians; may be −∞.
    pub low_rad: f64,
    /// Highest angle, radians; may be ∞.
    pub high_rad: f64,
}

/// Rotation limits of a joint.
#[derive(Clone, Debug, PartialEq)]
pub struct JointLimits {
    /// Index in the skeleton.
    pub joint: usize,
    /// The frame in which the joint turns. World axes and those of every joint agree at rest.
    pub parent_from_axes: DQuat,
    /// Axes in the order of turning, about fixed axes; an axis not listed does not turn.
    pub ranges: Vec<AxisRange>,
}

/// A clip from an ASF and an AMC file.
#[derive(Clone, Debug, PartialEq)]
pub struct AmcTake {
    /// The motion. Joint 0 is the root, joint `i + 1` sits at the start of bone `i` and bears its
    /// name; a last bone of a limb ends in a tip. Axes are the file's.
    pub clip: Clip,
    /// The unit and how it was found.
    pub unit: UnitFinding,
    /// Rotation limits of the joints for which the file has any.
    pub limits: Vec<JointLimits>,
    /// Decisions and defects.
    pub warnings: Vec<String>,
}

/// Turns a motion into a clip.
///
/// With C the `axis` frame of a bone and M the product of its turns about fixed axes (`rx ry rz`
/// gives `Rz · Ry · Rx`), its rotation relative to its parent is `C · M · C⁻¹`, since directions
/// at rest are those of the world. Frames whose numbers are missing are filled in on a straight
/// line (slerp for rotations).
///
/// # Errors
/// A motion read by another skeleton, a frame rate that is not above 0, or numbers too large to
/// compute with.
pub fn amc_to_clip(
    skeleton: &AsfSkeleton,
    motion: &AmcMotion,
    options: &AmcOptions,
) -> Result<AmcTake, FileError> {
    let mut warnings = Vec::new();
    let frame_time_secs = frame_time(motion, options, &mut warnings)?;
    let unit = find_unit(skeleton, options.unit, &mut warnings)?;
    let locals = all_locals(skeleton, motion, unit.unit.metres())?;
    take(skeleton, unit, frame_time_secs, locals, warnings)
}

/// The rest pose of a skeleton as a clip of one frame.
///
/// # Errors
/// Numbers too large to compute with.
pub fn asf_to_clip(skeleton: &AsfSkeleton, unit: Option<LengthUnit>) -> Result<AmcTake, FileError> {
    let mut warnings =
        vec!["there is no motion beside the skeleton; its rest pose is one frame".to_owned()];
    let unit = find_unit(skeleton, unit, &mut warnings)?;
    let locals = joints_of(skeleton, unit.unit.metres())?.rest_locals();
    take(skeleton, unit, 1.0 / USUAL_FRAME_RATE, locals, warnings)
}

fn take(
    skeleton: &AsfSkeleton,
    unit: UnitFinding,
    frame_time_secs: f64,
    locals: Vec<Transform>,
    warnings: Vec<String>,
) -> Result<AmcTake, FileError> {
    let joints = Arc::new(joints_of(skeleton, unit.unit.metres())?);
    let clip = Clip::new(joints, frame_time_secs, locals)
        .map_err(|error| FileError::new(error.to_string()))?;
    Ok(AmcTake {
        clip,
        unit,
        limits: limits_of(skeleton),
        warnings,
    })
}

fn frame_time(
    motion: &AmcMotion,
    options: &AmcOptions,
    warnings: &mut Vec<String>,
) -> Result<f64, FileError> {
    let rate = options.frame_rate.or(motion.frame_rate);
    if rate.is_none() {
        warnings.push(format!(
            "an AMC file does not say its frame rate; {USUAL_FRAME_RATE} frames per second were \
             taken, the rate of the open academic captures"
        ));
    }
    let rate = rate.unwrap_or(USUAL_FRAME_RATE);
    if !(rate.is_finite() && rate > 0.0) {
        return Err(FileError::new(format!(
            "a frame rate of {rate} makes no motion; it must be above 0"
        )));
    }
    Ok(1.0 / rate)
}

fn find_unit(
    skeleton: &AsfSkeleton,
    chosen: Option<LengthUnit>,
    warnings: &mut Vec<String>,
) -> Result<UnitFinding, FileError> {
    if let Some(unit) = chosen {
        return Ok(UnitFinding::chosen(unit));
    }
    let in_file_units = joints_of(skeleton, 1.0)?;
    let Some(length) = skeleton.length_unit else {
        return Ok(guess_unit(&in_file_units, warnings));
    };
    let unit = LengthUnit::Custom(LengthUnit::Inch.metres() / length);
    let height_m = rest_height(&in_file_units) * unit.metres();
    if height_m == 0.0 || BELIEVABLE_HEIGHT_M.contains(&height_m) {
        return Ok(UnitFinding::given(
            unit,
            &format!("the file (\"length {length}\": inches divided by {length})"),
        ));
    }
    warnings.push(format!(
        "by \"length {length}\" the body would rest {height_m:.4} m tall; \
         the unit was guessed instead"
    ));
    Ok(guess_unit(&in_file_units, warnings))
}

/// Where each joint starts from its parent at rest, file units.
fn start(skeleton: &AsfSkeleton, bone: usize) -> DVec3 {
    match skeleton.bones[bone].parent {
        Some(parent) => skeleton.bones[parent].vector(),
        None => DVec3::ZERO,
    }
}

fn joints_of(skeleton: &AsfSkeleton, metres: f64) -> Result<Skeleton, FileError> {
    let mut root = Joint::new("root", None, skeleton.root.position * metres);
    root.rest.rotation = skeleton.root.orientation;
    let mut joints = vec![root];
    let mut is_last = vec![true; skeleton.bones.len()];
    for parent in skeleton.bones.iter().filter_map(|bone| bone.parent) {
        is_last[parent] = false;
    }
    for (index, bone) in skeleton.bones.iter().enumerate() {
        let parent = bone.parent.map_or(0, |parent| parent + 1);
        let joint = Joint::new(&bone.name, Some(parent), start(skeleton, index) * metres);
        joints.push(if is_last[index] && bone.vector() != DVec3::ZERO {
            joint.with_tip(bone.vector() * metres)
        } else {
            joint
        });
    }
    Skeleton::new(joints).map_err(|error| FileError::new(error.to_string()))
}

fn limits_of(skeleton: &AsfSkeleton) -> Vec<JointLimits> {
    skeleton
        .bones
        .iter()
        .enumerate()
        .filter(|(_, bone)| !bone.limits.is_empty())
        .map(|(index, bone)| JointLimits {
            joint: index + 1,
            parent_from_axes: bone.axes,
            ranges: bone
                .dof
                .iter()
                .zip(&bone.limits)
                .filter_map(|(dof, &(low_rad, high_rad))| match *dof {
                    Dof::Rotation(axis) => Some(AxisRange {
                        axis,
                        low_rad,
                        high_rad,
                    }),
                    Dof::Translation(_) | Dof::Length => None,
                })
                .collect(),
        })
        .collect()
}

/// What the values of one bone say: translation, turn and change of length.
struct Part {
    translation: DVec3,
    turn: DQuat,
    longer: f64,
}

impl Part {
    fn of(dof: &[Dof], values: &[f64], angles: AngleUnit) -> Self {
        let mut translation = DVec3::ZERO;
        let mut longer = 0.0;
        let mut turns = Vec::with_capacity(3);
        for (dof, &value) in dof.iter().zip(values) {
            match *dof {
                Dof::Translation(axis) => translation[axis] += value,
                Dof::Rotation(axis) => turns.push((axis, angles.to_radians(value))),
                Dof::Length => longer += value,
            }
        }
        Self {
            translation,
            turn: turns_about_fixed_axes(turns),
            longer,
        }
    }
}

/// Local transforms of the root and all bones in one frame.
fn locals(
    skeleton: &AsfSkeleton,
    values: &[f64],
    angles: AngleUnit,
    metres: f64,
) -> Vec<Transform> {
    let (root_values, mut values) = values.split_at(skeleton.root.order.len());
    let root = Part::of(&skeleton.root.order, root_values, angles);
    let mut locals = vec![Transform::rigid(
        (skeleton.root.position + root.translation) * metres,
        root.turn * skeleton.root.orientation,
    )];
    let mut longer = Vec::with_capacity(skeleton.bones.len());
    for (index, bone) in skeleton.bones.iter().enumerate() {
        let (own, rest) = values.split_at(bone.dof.len());
        values = rest;
        let part = Part::of(&bone.dof, own, angles);
        longer.push(part.longer);
        let stretch = bone.parent.map_or(DVec3::ZERO, |parent| {
            skeleton.bones[parent].direction * longer[parent]
        });
        locals.push(Transform::rigid(
            (start(skeleton, index) + stretch + bone.axes * part.translation) * metres,
            bone.axes * part.turn * bone.axes.inverse(),
        ));
    }
    locals
}

fn all_locals(
    skeleton: &AsfSkeleton,
    motion: &AmcMotion,
    metres: f64,
) -> Result<Vec<Transform>, FileError> {
    let expected = skeleton.root.order.len()
        + skeleton
            .bones
            .iter()
            .map(|bone| bone.dof.len())
            .sum::<usize>();
    let mut all: Vec<Transform> = Vec::new();
    let mut before: Option<(u64, Vec<Transform>)> = None;
    for frame in &motion.frames {
        if frame.values.len() != expected {
            return Err(FileError::at_line(
                frame.line,
                "the motion was read by another skeleton",
            ));
        }
        let pose = locals(skeleton, &frame.values, motion.angle_unit, metres);
        if let Some((number, earlier)) = &before {
            let steps = frame.number.saturating_sub(*number);
            for step in 1..steps {
                all.extend(between(earlier, &pose, step as f64 / steps as f64));
            }
        }
        all.extend_from_slice(&pose);
        before = Some((frame.number, pose));
    }
    Ok(all)
}

fn between<'a>(
    from: &'a [Transform],
    to: &'a [Transform],
    t: f64,
) -> impl Iterator<Item = Transform> + 'a {
    from.iter().zip(to).map(move |(from, to)| {
        Transform::rigid(
            from.translation.lerp(to.translation, t),
            from.rotation.slerp(to.rotation, t),
        )
    })
}
