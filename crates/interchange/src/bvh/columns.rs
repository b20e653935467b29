//! Channel values of one joint over all frames.

use glam::{DQuat, DVec3};
use understudy_motion::RotationOrder;
use understudy_motion::angle::unwound;
use understudy_motion::euler::about_axis;

use crate::bvh::document::Channel;
use crate::bvh::to_clip::{PositionReading, rotation};

/// Motion of one joint in the file's units.
pub(super) struct JointMotion {
    /// Translation from the parent at rest, file units.
    pub offset: DVec3,
    /// Translation from the parent, frame by frame, file units.
    pub translations: Vec<DVec3>,
    /// Rotation relative to the parent, frame by frame.
    pub rotations: Vec<DQuat>,
}

/// What the channels of a joint should look like.
pub(super) struct ColumnPlan<'a> {
    /// Channels to fill.
    pub channels: &'a [Channel],
    /// Values of these channels in a file with the same frames, frame by frame; taken over
    /// wherever they say the same.
    pub source: Option<Vec<&'a [f64]>>,
    /// Meaning of position channels.
    pub reading: PositionReading,
    /// Translations that differ from the offset by no more need no channel, file units.
    pub tolerance: f64,
}

/// The channels that it took and their values.
pub(super) struct JointColumns {
    pub channels: Vec<Channel>,
    /// `rows[frame][channel]`.
    pub rows: Vec<Vec<f64>>,
    /// The joint moves along axes that had no channel.
    pub added_positions: bool,
    /// The joint turns in a way its rotation channels could not hold.
    pub replaced_rotations: bool,
}

/// Rotation channels of joints without a plan.
pub(super) const DEFAULT_ROTATIONS: [Channel; 3] = [
    Channel::Rotation(2),
    Channel::Rotation(0),
    Channel::Rotation(1),
];

/// Angles closer than this are the same rotation, radians.
const SAME_ROTATION: f64 = 1e-11;
/// What a set of channels may lose at most, radians.
const LOST_ROTATION: f64 = 1e-9;

/// Finds channels and values that hold the whole motion of a joint.
pub(super) fn joint_columns(motion: &JointMotion, plan: &ColumnPlan<'_>) -> JointColumns {
    let (channels, added_positions) = with_needed_positions(motion, plan);
    let mut columns = JointColumns {
        rows: Vec::new(),
        added_positions,
        replaced_rotations: false,
        channels,
    };
    // Added channels have no source.
    let source = plan.source.as_ref().filter(|_| !added_positions);
    let turns = rotation_rows(motion, &columns.channels, source).unwrap_or_else(|| {
        columns.replaced_rotations = true;
        columns
            .channels
            .retain(|channel| channel.rotation_axis().is_none());
        columns.channels.extend(DEFAULT_ROTATIONS);
        rotation_rows(motion, &columns.channels, None).unwrap_or_default()
    });
    let source = source.filter(|_| !columns.replaced_rotations);
    columns.rows = turns
        .into_iter()
        .enumerate()
        .map(|(frame, angles)| {
            let known = source.map(|rows| rows[frame]);
            row(
                motion,
                &columns.channels,
                plan.reading,
                frame,
                &angles,
                known,
            )
        })
        .collect();
    columns
}

fn with_needed_positions(motion: &JointMotion, plan: &ColumnPlan<'_>) -> (Vec<Channel>, bool) {
    let missing = |channel: &Channel| !plan.channels.contains(channel);
    let moves = |channel: &Channel| {
        let axis = channel.position_axis().unwrap_or_default();
        motion
            .translations
            .iter()
            .any(|at| (at[axis] - motion.offset[axis]).abs() > plan.tolerance)
    };
    let positions = Channel::POSITIONS.iter();
    if !positions
        .clone()
        .any(|channel| missing(channel) && moves(channel))
    {
        return (plan.channels.to_vec(), false);
    }
    let mut channels: Vec<Channel> = positions.copied().filter(missing).collect();
    channels.extend_from_slice(plan.channels);
    (channels, true)
}

/// Values of all channels of a joint in one frame.
fn row(
    motion: &JointMotion,
    channels: &[Channel],
    reading: PositionReading,
    frame: usize,
    angles: &[f64],
    known: Option<&[f64]>,
) -> Vec<f64> {
    let mut angles = angles.iter();
    channels
        .iter()
        .enumerate()
        .map(|(slot, channel)| match *channel {
            Channel::Rotation(_) => angles.next().copied().unwrap_or_default(),
            Channel::Position(axis) => {
                let at = motion.translations[frame][axis];
                let value = match reading {
                    PositionReading::AddedToOffset => at - motion.offset[axis],
                    PositionReading::ReplacesOffset => at,
                };
                let slack = 1e-12 * at.abs().max(motion.offset[axis].abs()).max(1.0);
                match known.map(|row| row[slot]) {
                    Some(same) if (same - value).abs() <= slack => same,
                    _ => tidy(value),
                }
            }
        })
        .collect()
}

/// Degrees of the rotation channels, frame by frame; `None` if they cannot hold the rotations.
fn rotation_rows(
    motion: &JointMotion,
    channels: &[Channel],
    source: Option<&Vec<&[f64]>>,
) -> Option<Vec<Vec<f64>>> {
    let axes: Vec<usize> = channels.iter().filter_map(|c| c.rotation_axis()).collect();
    let mut previous = vec![0.0; axes.len()];
    let mut rows = Vec::with_capacity(motion.rotations.len());
    for (frame, &turn) in motion.rotations.iter().enumerate() {
        let known = source
            .map(|rows| rows[frame])
            .filter(|row| angle_between(rotation(channels, row), turn) < SAME_ROTATION);
        let degrees: Vec<f64> = match known {
            Some(row) => channels
                .iter()
                .zip(row)
                .filter(|(channel, _)| channel.rotation_axis().is_some())
                .map(|(_, &value)| value)
                .collect(),
            None => {
                let angles = angles_about(&axes, turn, &previous);
                if angle_between(product(&axes, &angles), turn) > LOST_ROTATION {
                    return None;
                }
                angles
                    .iter()
                    .map(|angle| tidy(angle.to_degrees()))
                    .collect()
            }
        };
        previous = degrees.iter().map(|value| value.to_radians()).collect();
        rows.push(degrees);
    }
    Some(rows)
}

/// Rounds to 12 decimals, so that 29.999999999999996 is written as 30.
fn tidy(value: f64) -> f64 {
    const STEPS: f64 = 1e12;
    let rounded = (value * STEPS).round() / STEPS;
    // Beyond 2^53 steps there are no decimals left to round. Adding 0 makes -0 a plain 0.
    if (value * STEPS).abs() < 9e15 {
        rounded + 0.0
    } else {
        value
    }
}

/// Angle of the rotation between two rotations, radians; exact also for tiny angles.
fn angle_between(a: DQuat, b: DQuat) -> f64 {
    let between = a.inverse() * b;
    2.0 * between.xyz().length().atan2(between.w.abs())
}

fn product(axes: &[usize], angles: &[f64]) -> DQuat {
    axes.iter()
        .zip(angles)
        .fold(DQuat::IDENTITY, |turn, (&axis, &angle)| {
            turn * about_axis(axis, angle)
        })
}

/// Angles about up to three axes, radians, near to `previous`. Their product is the rotation if
/// the axes can make it, else something close.
fn angles_about(axes: &[usize], turn: DQuat, previous: &[f64]) -> Vec<f64> {
    match *axes {
        [] => vec![],
        [a] => vec![single(a, turn, previous[0])],
        [a, b] if a == b => vec![single(a, turn, previous[0]), 0.0],
        [a, b] => pair(a, b, turn, previous).to_vec(),
        [a, b, c] => {
            let order = RotationOrder::new([a as u8, b as u8, c as u8]);
            match order {
                Some(order) => {
                    let near = [previous[0], previous[1], previous[2]];
                    order.decompose_near(turn, near).to_vec()
                }
                // Two neighbours turn about one axis: the second of them is not needed.
                None if a == b && b == c => vec![single(a, turn, previous[0]), 0.0, 0.0],
                None if a == b => {
                    let [first, last] = pair(a, c, turn, &[previous[0], previous[2]]);
                    vec![first, 0.0, last]
                }
                None => {
                    let [first, middle] = pair(a, b, turn, previous);
                    vec![first, middle, 0.0]
                }
            }
        }
        // The parser and the default channels give three at most.
        _ => vec![0.0; axes.len()],
    }
}

/// The part of a rotation about one axis.
fn single(axis: usize, turn: DQuat, previous: f64) -> f64 {
    unwound(2.0 * turn.xyz()[axis].atan2(turn.w), previous)
}

/// Angles about two different axes. The first turn alone moves the second axis, and the second
/// turn, undone, alone moves the first axis; so both angles can be read off, in any pose.
fn pair(a: usize, b: usize, turn: DQuat, previous: &[f64]) -> [f64; 2] {
    let (first, second) = (DVec3::AXES[a], DVec3::AXES[b]);
    let across = first.cross(second);
    let moved_second = turn * second;
    let moved_first = turn.inverse() * first;
    let alpha = moved_second.dot(across).atan2(moved_second.dot(second));
    let beta = moved_first.dot(across).atan2(moved_first.dot(first));
    [unwound(alpha, previous[0]), unwound(beta, previous[1])]
}
