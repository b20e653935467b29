//! Faults in the data of a take: what a capture or its clean-up left behind.
//!
//! Looks at local rotations and at the travel of the roots. Thresholds are common practice (no
//! published source), chosen so that fast but clean movement stays silent: a fault must stand out
//! from the frames around it.

use std::fmt;

use serde::{Deserialize, Serialize};
use understudy_motion::{Clip, DQuat, DVec3, Transform, signal};

/// Kinds of faults in data.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DataFaultKind {
    /// A rotation turns by nearly half a turn within one frame.
    Flip,
    /// A joint or the whole body goes elsewhere within one frame, as at a cut.
    Jump,
    /// Up to three frames lie far from their neighbours.
    Spike,
    /// Something that moves stands exactly still for a while and jumps on: a gap that was filled
    /// by holding.
    Hold,
    /// Single frames that repeat the one before while everything moves.
    Duplicate,
    /// A bone changes its length.
    Stretch,
}

impl DataFaultKind {
    /// For people: "gap".
    pub fn words(self) -> &'static str {
        match self {
            Self::Flip => "flip",
            Self::Jump => "jump",
            Self::Spike => "spike",
            Self::Hold => "gap",
            Self::Duplicate => "repeated frame",
            Self::Stretch => "stretched bone",
        }
    }
}

/// One fault.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DataFault {
    /// What kind.
    pub kind: DataFaultKind,
    /// The joint; absent where it is the whole body.
    pub joint: Option<String>,
    /// First frame of it, counted from 0.
    pub first_frame: usize,
    /// Last frame of it.
    pub last_frame: usize,
    /// How much, in `unit`.
    pub amount: f64,
    /// `deg`, `mm`, or `frames`.
    pub unit: &'static str,
}

impl fmt::Display for DataFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let whole = "the whole body";
        let joint = self.joint.as_deref().unwrap_or(whole);
        let frames = match self.first_frame == self.last_frame {
            true => format!("frame {}", self.first_frame),
            false => format!("frames {} to {}", self.first_frame, self.last_frame),
        };
        let step = format!(
            "from frame {} to {}",
            self.first_frame.saturating_sub(1),
            self.first_frame
        );
        let (amount, unit) = (self.amount, self.unit);
        let digits = usize::from(unit != "frames");
        match self.kind {
            DataFaultKind::Flip => {
                write!(f, "flip: {joint} turns by {amount:.0} deg {step}")
            }
            DataFaultKind::Jump => {
                write!(f, "jump: {joint} moves by {amount:.digits$} {unit} {step}")
            }
            DataFaultKind::Spike => {
                write!(
                    f,
                    "spike: {joint} is off by {amount:.digits$} {unit} in {frames}"
                )
            }
            DataFaultKind::Hold => write!(
                f,
                "gap: {joint} stands still in {frames}, then jumps by {amount:.digits$} {unit}"
            ),
            DataFaultKind::Duplicate => write!(
                f,
                "duplicates: {amount:.0} single frames in {frames} repeat the one before"
            ),
            DataFaultKind::Stretch => {
                write!(
                    f,
                    "stretch: {joint} moves {amount:.1} mm against its parent in {frames}"
                )
            }
        }
    }
}

/// Turn within one frame that no body makes, radians.
const FLIP: f64 = 2.0;
/// Least turn that may be a jump, radians.
const JUMP: f64 = 0.35;
/// Least way of a root that may be a jump, metres.
const JUMP_M: f64 = 0.1;
/// Least distance of a spike from its neighbours, radians.
const SPIKE: f64 = 0.09;
/// Least distance of a spike in a root's travel from its neighbours, metres.
const SPIKE_M: f64 = 0.03;
/// A spike stands out so many times from the usual bend of its curve around it, a jump from the
/// usual step.
const STANDS_OUT: f64 = 8.0;
/// Time around a frame that shows what is usual there, seconds.
const AROUND_SECS: f64 = 0.2;
/// Longest spike, frames.
const LONGEST_SPIKE: usize = 3;
/// Shortest hold, seconds.
const HOLD_SECS: f64 = 0.05;
/// Shortest hold, repeated frames: fewer happen by chance at low frame rates.
const HOLD_FRAMES: usize = 3;
/// Least jump at an end of a hold, radians: less is a joint that came to rest.
const HOLD_JUMP: f64 = 0.02;
/// Rotations and positions closer than that are the same: rounding of a quaternion.
const SAME: f64 = 1e-9;
/// Least change of a bone's length that is no rounding, metres.
const STRETCH_M: f64 = 0.002;

/// Faults of a clip, by kind and frame.
pub fn find_data_faults(clip: &Clip) -> Vec<DataFault> {
    let frames = clip.frame_count();
    if frames < 4 {
        return Vec::new();
    }
    let mut faults = Vec::new();
    let repeated = repeated_frames(clip);
    faults.extend(duplicates(&repeated));
    faults.extend(whole_holds(clip, &repeated));
    for joint in 0..clip.skeleton.len() {
        let track: Vec<&Transform> = (0..frames).map(|frame| &clip.frame(frame)[joint]).collect();
        faults.extend(joint_faults(clip, joint, &track, &repeated));
    }
    faults.sort_by_key(|fault| (fault.kind, fault.first_frame));
    faults
}

/// Angle between two rotations, radians.
fn angle(a: DQuat, b: DQuat) -> f64 {
    // 2 atan2 of the vector part: exact for small angles, where acos of the dot is not.
    let turn = a.inverse() * b;
    2.0 * turn.xyz().length().atan2(turn.w.abs())
}

fn is_same(a: &Transform, b: &Transform) -> bool {
    angle(a.rotation, b.rotation) < SAME && a.translation.distance(b.translation) < SAME
}

/// Whether each frame repeats the one before, all joints at once.
fn repeated_frames(clip: &Clip) -> Vec<bool> {
    (0..clip.frame_count())
        .map(|frame| {
            frame > 0 && {
                let pairs = clip.frame(frame - 1).iter().zip(clip.frame(frame));
                pairs.into_iter().all(|(a, b)| is_same(a, b))
            }
        })
        .collect()
}

/// Runs of `true` as (first, last).
fn runs(mask: &[bool]) -> Vec<(usize, usize)> {
    understudy_solver::contacts::runs(mask)
}

/// Single repeated frames, all as one fault.
fn duplicates(repeated: &[bool]) -> Option<DataFault> {
    let single: Vec<usize> = runs(repeated)
        .into_iter()
        .filter(|(first, last)| first == last && *last + 1 < repeated.len())
        .map(|(first, _)| first)
        .collect();
    let (first_frame, last_frame) = (*single.first()?, *single.last()?);
    Some(DataFault {
        kind: DataFaultKind::Duplicate,
        joint: None,
        first_frame,
        last_frame,
        amount: single.len() as f64,
        unit: "frames",
    })
}

/// Stretches in which the whole body stands still, between stretches in which it moves.
fn whole_holds(clip: &Clip, repeated: &[bool]) -> Vec<DataFault> {
    let jump = |a: usize, b: usize| {
        let pairs = clip.frame(a).iter().zip(clip.frame(b));
        pairs
            .map(|(a, b)| angle(a.rotation, b.rotation))
            .fold(0.0, f64::max)
    };
    let long = runs(repeated)
        .into_iter()
        .filter(|(first, last)| first < last);
    long.filter_map(|(first, last)| hold(None, (first, last), repeated.len(), clip, &jump))
        .collect()
}

/// A run of repeated frames as a fault, where it lies inside the clip, is long, and ends in a jump.
fn hold(
    joint: Option<usize>,
    (first, last): (usize, usize),
    frames: usize,
    clip: &Clip,
    jump: &impl Fn(usize, usize) -> f64,
) -> Option<DataFault> {
    let is_inside = first > 1 && last + 1 < frames;
    let repeats = last + 1 - first;
    let is_long = repeats >= HOLD_FRAMES && repeats as f64 * clip.frame_time_secs >= HOLD_SECS;
    if !(is_inside && is_long) {
        return None;
    }
    let size = jump(last, last + 1);
    let before = jump(first - 2, first - 1);
    (size > HOLD_JUMP && before > 0.0).then(|| DataFault {
        kind: DataFaultKind::Hold,
        joint: joint.map(|joint| clip.skeleton.name(joint).to_owned()),
        first_frame: first - 1,
        last_frame: last,
        amount: size.to_degrees(),
        unit: "deg",
    })
}

fn joint_faults(
    clip: &Clip,
    joint: usize,
    track: &[&Transform],
    repeated: &[bool],
) -> Vec<DataFault> {
    let rotations: Vec<DQuat> = track.iter().map(|t| t.rotation).collect();
    let fault = |kind, first_frame, last_frame, radians: f64| DataFault {
        kind,
        joint: Some(clip.skeleton.name(joint).to_owned()),
        first_frame,
        last_frame,
        amount: radians.to_degrees(),
        unit: "deg",
    };
    let around = (AROUND_SECS / clip.frame_time_secs).ceil() as usize;
    let held: Vec<bool> = (0..track.len())
        .map(|frame| frame > 0 && !repeated[frame] && is_same(track[frame - 1], track[frame]))
        .collect();
    let jump = |a: usize, b: usize| angle(rotations[a], rotations[b]);
    let mut faults: Vec<DataFault> = runs(&held)
        .into_iter()
        .filter_map(|run| hold(Some(joint), run, track.len(), clip, &jump))
        .collect();
    let steps = jumps(rotations.as_slice(), around, JUMP, FLIP);
    let is_flip = |first: usize, last: usize| {
        let mut flips = steps.iter().filter(|(_, size)| *size > FLIP);
        flips.any(|(frame, _)| (first..=last + 1).contains(frame))
    };
    let spikes = spikes(rotations.as_slice(), around, SPIKE).into_iter();
    faults.extend(
        spikes
            .filter(|&(first, last, _)| !is_flip(first, last))
            .map(|(first, last, size)| fault(DataFaultKind::Spike, first, last, size)),
    );
    // Holds end in a jump and spikes have two: those are told already.
    let ends: Vec<_> = faults
        .iter()
        .map(|f| f.first_frame..=f.last_frame + 1)
        .collect();
    for &(frame, size) in &steps {
        if size > FLIP {
            faults.push(fault(DataFaultKind::Flip, frame, frame, size));
        } else if !ends.iter().any(|known| known.contains(&frame)) {
            faults.push(fault(DataFaultKind::Jump, frame, frame, size));
        }
    }
    faults.extend(position_faults(clip, joint, track, around));
    faults
}

fn slerp(a: DQuat, b: DQuat, t: f64) -> DQuat {
    let b = if a.dot(b) < 0.0 { -b } else { b };
    a.slerp(b, t)
}

/// Steps from one frame to the next that stand out from those around them and are above `least`,
/// or that are above `always`: the frame after each, and its size.
fn jumps<C: Curve + ?Sized>(
    curve: &C,
    around: usize,
    least: f64,
    always: f64,
) -> Vec<(usize, f64)> {
    let steps: Vec<f64> = (1..curve.frames())
        .map(|frame| curve.apart(frame - 1, frame))
        .collect();
    let stands_out = |at: usize| {
        let before = at.saturating_sub(around)..at;
        let after = at + 1..(at + 1 + around).min(steps.len());
        let near: Vec<f64> = steps[before].iter().chain(&steps[after]).copied().collect();
        let usual = signal::quantile(&near, 0.9).unwrap_or(f64::INFINITY);
        steps[at] > STANDS_OUT * usual
    };
    (0..steps.len())
        .filter(|&at| steps[at] > always || (steps[at] > least && stands_out(at)))
        .map(|at| (at + 1, steps[at]))
        .collect()
}

/// A curve over frames, as far as spikes need to know it.
trait Curve {
    /// Number of frames.
    fn frames(&self) -> usize;
    /// Distance between two frames.
    fn apart(&self, a: usize, b: usize) -> f64;
    /// Distance of a frame from the line between two others.
    fn off(&self, before: usize, at: usize, after: usize) -> f64;
}

impl Curve for [DQuat] {
    fn frames(&self) -> usize {
        self.len()
    }

    fn apart(&self, a: usize, b: usize) -> f64 {
        angle(self[a], self[b])
    }

    fn off(&self, before: usize, at: usize, after: usize) -> f64 {
        let t = (at - before) as f64 / (after - before) as f64;
        angle(slerp(self[before], self[after], t), self[at])
    }
}

impl Curve for [DVec3] {
    fn frames(&self) -> usize {
        self.len()
    }

    fn apart(&self, a: usize, b: usize) -> f64 {
        self[a].distance(self[b])
    }

    fn off(&self, before: usize, at: usize, after: usize) -> f64 {
        let t = (at - before) as f64 / (after - before) as f64;
        self[before].lerp(self[after], t).distance(self[at])
    }
}

/// Spikes as (first, last, size): the curve leaves its line for a few frames and comes back.
fn spikes<C: Curve + ?Sized>(curve: &C, around: usize, least: f64) -> Vec<(usize, usize, f64)> {
    let frames = curve.frames();
    let bends: Vec<f64> = (1..frames.saturating_sub(1))
        .map(|frame| curve.off(frame - 1, frame, frame + 1))
        .collect();
    let mut found = Vec::new();
    let mut frame = 1;
    while frame + 1 < frames {
        // The frame before a spike is bent half as much as the spike is high.
        let is_candidate = bends[frame - 1] > 0.4 * least;
        let spike = is_candidate
            .then(|| largest_spike(curve, frame))
            .flatten()
            .filter(|&(first, last, size)| {
                size > least && size > STANDS_OUT * usual_bend(&bends, first, last, around)
            });
        match spike {
            Some(spike) => {
                frame = spike.1 + 2;
                found.push(spike);
            }
            None => frame += 1,
        }
    }
    found
}

/// The highest spike that starts at a frame or soon after it.
fn largest_spike<C: Curve + ?Sized>(curve: &C, frame: usize) -> Option<(usize, usize, f64)> {
    let starts = frame..frame + LONGEST_SPIKE;
    let windows = starts.flat_map(|first| (first..first + LONGEST_SPIKE).map(move |l| (first, l)));
    windows
        .filter(|(_, last)| last + 1 < curve.frames())
        .filter_map(|(first, last)| {
            let size = (first..=last)
                .map(|at| curve.off(first - 1, at, last + 1))
                .fold(f64::INFINITY, f64::min);
            // A jump to another place that is kept is no spike.
            (curve.apart(first - 1, last + 1) < size).then_some((first, last, size))
        })
        .max_by(|a, b| a.2.total_cmp(&b.2))
}

/// How much the curve bends around a spike, itself left out. `bends[i]` belongs to frame `i + 1`.
fn usual_bend(bends: &[f64], first: usize, last: usize, around: usize) -> f64 {
    // The spike itself bends the curve from one frame before it to one frame after it.
    let before = first.saturating_sub(around + 2)..first.saturating_sub(2);
    let after = (last + 1).min(bends.len())..(last + 1 + around).min(bends.len());
    let near: Vec<f64> = bends[before].iter().chain(&bends[after]).copied().collect();
    signal::quantile(&near, 0.9).unwrap_or(f64::INFINITY)
}

/// Spikes in the travel of a root, stretches of any other bone.
fn position_faults(
    clip: &Clip,
    joint: usize,
    track: &[&Transform],
    around: usize,
) -> Vec<DataFault> {
    let positions: Vec<DVec3> = track.iter().map(|t| t.translation).collect();
    let fault = |kind, first_frame, last_frame, metres: f64| DataFault {
        kind,
        joint: Some(clip.skeleton.name(joint).to_owned()),
        first_frame,
        last_frame,
        amount: 1000.0 * metres,
        unit: "mm",
    };
    if clip.skeleton.parent(joint).is_none() {
        let spikes = spikes(positions.as_slice(), around, SPIKE_M);
        let jumps = jumps(positions.as_slice(), around, JUMP_M, f64::INFINITY).into_iter();
        let is_known = |frame: usize| {
            let mut known = spikes.iter();
            known.any(|(first, last, _)| (*first..=last + 1).contains(&frame))
        };
        return jumps
            .filter(|(frame, _)| !is_known(*frame))
            .map(|(frame, size)| fault(DataFaultKind::Jump, frame, frame, size))
            .chain(
                spikes
                    .iter()
                    .map(|&(first, last, size)| fault(DataFaultKind::Spike, first, last, size)),
            )
            .collect();
    }
    let rest = clip.skeleton.joint(joint).rest.translation.length();
    let excess = |position: &DVec3| (position.length() - rest).abs();
    let usual = signal::median(&positions.iter().map(excess).collect::<Vec<_>>()).unwrap_or(0.0);
    // A bone that is always off by as much is only measured otherwise in the rest pose; a joint
    // at its parent, as hips below a root, has no length to keep.
    let mask: Vec<bool> = positions
        .iter()
        .map(|position| (excess(position) - usual).abs() > STRETCH_M.max(0.05 * rest))
        .collect();
    let share = mask.iter().filter(|on| **on).count() as f64 / mask.len() as f64;
    if rest < STRETCH_M || share > 0.5 {
        return Vec::new();
    }
    runs(&mask)
        .into_iter()
        .map(|(first, last)| {
            let size = positions[first..=last]
                .iter()
                .map(excess)
                .fold(0.0, f64::max);
            fault(DataFaultKind::Stretch, first, last, size)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use understudy_motion::{Joint, Skeleton};

    const FRAMES: usize = 120;

    /// A body of two joints, the second swinging, the first travelling.
    fn swinging(change: impl Fn(usize, &mut [Transform])) -> Clip {
        let skeleton = Arc::new(
            Skeleton::new(vec![
                Joint::new("hip", None, DVec3::ZERO),
                Joint::new("knee", Some(0), DVec3::NEG_Y * 0.4),
            ])
            .unwrap(),
        );
        let locals = (0..FRAMES)
            .flat_map(|frame| {
                let t = frame as f64 / 60.0;
                let mut locals = skeleton.rest_locals();
                locals[0].translation = DVec3::new(0.0, 0.9, 1.2 * t);
                locals[1].rotation = DQuat::from_rotation_x(0.6 * (6.0 * t).sin());
                change(frame, &mut locals);
                locals
            })
            .collect();
        Clip::new(skeleton, 1.0 / 60.0, locals).unwrap()
    }

    #[test]
    fn planted_faults_are_found_and_clean_motion_is_silent() {
        use DataFaultKind::{Duplicate, Flip, Hold, Jump, Spike, Stretch};
        type Change = fn(usize, &mut [Transform]);
        let swing_at = |frame: usize| DQuat::from_rotation_x(0.6 * (0.1 * frame as f64).sin());
        let check = |change: Change, expected: &[(DataFaultKind, usize, usize)]| {
            let found: Vec<_> = find_data_faults(&swinging(change))
                .iter()
                .map(|fault| (fault.kind, fault.first_frame, fault.last_frame))
                .collect();
            assert_eq!(found, expected);
        };
        check(|_, _| (), &[]);
        check(
            |frame, locals| {
                if frame == 40 || frame == 41 {
                    locals[1].rotation *= DQuat::from_rotation_z(0.4);
                }
            },
            &[(Spike, 40, 41)],
        );
        check(
            |frame, locals| {
                if frame == 70 {
                    locals[0].translation.y += 0.2;
                }
            },
            &[(Spike, 70, 70)],
        );
        check(
            |frame, locals| {
                if frame >= 50 {
                    locals[1].rotation *= DQuat::from_rotation_y(std::f64::consts::PI);
                }
            },
            &[(Flip, 50, 50)],
        );
        check(
            |frame, locals| {
                if frame >= 50 {
                    locals[0].translation.x += 0.5;
                    locals[1].rotation *= DQuat::from_rotation_y(1.0);
                }
            },
            &[(Jump, 50, 50), (Jump, 50, 50)],
        );
        check(
            |frame, locals| {
                if (61..70).contains(&frame) {
                    locals[1].translation *= 1.2;
                }
            },
            &[(Stretch, 61, 69)],
        );
        let held = find_data_faults(&swinging(|frame, locals| {
            if (60..=66).contains(&frame) {
                locals[1].rotation = swing_at(60);
            }
        }));
        assert_eq!(held.len(), 1, "{held:?}");
        assert_eq!(
            (held[0].kind, held[0].first_frame, held[0].last_frame),
            (Hold, 60, 66)
        );
        let doubled = find_data_faults(&swinging(|frame, locals| {
            let even = frame / 2 * 2;
            locals[0].translation.z = even as f64 * 0.02;
            locals[1].rotation = swing_at(even);
        }));
        assert_eq!(doubled.len(), 1, "{doubled:?}");
        assert_eq!((doubled[0].kind, doubled[0].amount), (Duplicate, 59.0));
    }

    #[test]
    fn faults_read_well() {
        let clip = swinging(|frame, locals| {
            if frame == 40 {
                locals[1].rotation *= DQuat::from_rotation_z(0.4);
            }
        });
        let text = find_data_faults(&clip)[0].to_string();
        assert_eq!(text, "spike: knee is off by 22.9 deg in frame 40");
    }
}
