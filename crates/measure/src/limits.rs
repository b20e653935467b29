//! Joint limits: where a pose goes beyond what human joints can do.
//!
//! Angles and published ranges are those of [`understudy_solver::joint_angle`], which names their source;
//! approximate as said there.

use serde::Serialize;
use understudy_motion::angle::unwound;
use understudy_solver::joint_angle::{JointAngle, Movement};

use crate::stats::{largest, worst};
use crate::subject::Subject;

/// Excess below this is rounding, degrees.
const ROUNDING_DEG: f64 = 1e-6;

/// Less than this is hardly seen (our own limit), degrees.
const SEEN_DEG: f64 = 1.0;

/// One movement of one joint.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JointExcess {
    /// For a person: "left knee".
    pub joint: String,
    /// For instance "flexion"; negative angles are the opposite movement.
    pub movement: &'static str,
    /// End of the published range.
    pub range_low_deg: f64,
    /// End of the published range.
    pub range_high_deg: f64,
    /// Least angle reached.
    pub least_deg: f64,
    /// Greatest angle reached.
    pub most_deg: f64,
    /// Greatest excess over the range; 0 within it.
    pub worst_excess_deg: f64,
    /// Its frame, counted from 0.
    pub worst_frame: usize,
    /// Number of frames beyond the range.
    pub frames: usize,
    /// Excess over the range, frame by frame; 0 within it, and where the angle is not defined.
    #[serde(skip)]
    pub excess_deg: Vec<f64>,
}

/// All movements of a clip.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Limits {
    /// Greatest excess of any joint.
    pub worst_excess_deg: f64,
    /// All movements measured, the one with the greatest excess first.
    pub joints: Vec<JointExcess>,
}

/// A joint that a result takes beyond human ranges where plain transfer does not, or farther than it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JointBeyond {
    /// For a person: "left knee".
    pub joint: String,
    /// For instance "flexion".
    pub movement: &'static str,
    /// Greatest angle beyond the range, or beyond plain transfer where that is farther.
    pub worst_deg: f64,
    /// Its frame, counted from 0.
    pub worst_frame: usize,
    /// Frames in which it is more than a degree.
    pub frames: usize,
}

/// What a result adds to plain transfer's excess over human ranges.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BeyondPlain {
    /// Greatest of any joint.
    pub worst_deg: f64,
    /// All joints that go beyond, the worst first.
    pub joints: Vec<JointBeyond>,
}

/// Measures all joints that have a published range.
pub fn measure_limits(subject: &Subject<'_>) -> Limits {
    let angles = JointAngle::all(subject.body, &subject.rest, subject.feet, &subject.worlds);
    let joints = angles.iter().filter_map(|angle| excess(subject, angle));
    let mut joints: Vec<JointExcess> = joints.collect();
    joints.sort_by(|a, b| b.worst_excess_deg.total_cmp(&a.worst_excess_deg));
    Limits {
        worst_excess_deg: largest(joints.iter().map(|joint| joint.worst_excess_deg)),
        joints,
    }
}

/// Measures what a result adds to plain transfer. Frames of both correspond one to one.
pub fn measure_beyond_plain(solved: &Limits, plain: &Limits) -> BeyondPlain {
    let beyond = |joint: &JointExcess| {
        let mut all = plain.joints.iter();
        let same = all.find(|own| own.joint == joint.joint && own.movement == joint.movement);
        let had_deg = |frame: usize| same.and_then(|same| same.excess_deg.get(frame));
        let frames = joint.excess_deg.iter().enumerate();
        let added_deg = frames.map(|(frame, excess)| excess - had_deg(frame).unwrap_or(&0.0));
        let added_deg: Vec<f64> = added_deg.collect();
        let (worst_frame, worst_deg) = worst(&added_deg)?;
        (worst_deg > ROUNDING_DEG).then(|| JointBeyond {
            joint: joint.joint.clone(),
            movement: joint.movement,
            worst_deg,
            worst_frame,
            frames: added_deg.iter().filter(|added| **added > SEEN_DEG).count(),
        })
    };
    let mut joints: Vec<JointBeyond> = solved.joints.iter().filter_map(beyond).collect();
    joints.sort_by(|a, b| b.worst_deg.total_cmp(&a.worst_deg));
    BeyondPlain {
        worst_deg: largest(joints.iter().map(|joint| joint.worst_deg)),
        joints,
    }
}

fn excess(subject: &Subject<'_>, angle: &JointAngle) -> Option<JointExcess> {
    let movement = angle.movement;
    let [low, high] = movement.published_deg();
    let mut before = 0.0;
    let degrees = subject.worlds.iter().map(|world| {
        let Some(now) = angle.angle(world) else {
            return f64::NAN;
        };
        // A knee may be bent past the half turn.
        before = match movement {
            Movement::KneeFlexion => unwound(now, before),
            _ => now,
        };
        before.to_degrees()
    });
    let degrees: Vec<f64> = degrees.collect();
    let beyond: Vec<f64> = degrees
        .iter()
        .map(|angle| (low - angle).max(angle - high))
        .collect();
    let (worst_frame, most_beyond) = worst(&beyond)?;
    let defined = || degrees.iter().copied().filter(|angle| angle.is_finite());
    Some(JointExcess {
        joint: angle.joint_words(),
        movement: movement.words(),
        range_low_deg: low,
        range_high_deg: high,
        least_deg: defined().fold(f64::INFINITY, f64::min),
        most_deg: defined().fold(f64::NEG_INFINITY, f64::max),
        worst_excess_deg: most_beyond.max(0.0),
        worst_frame,
        frames: beyond.iter().filter(|angle| **angle > ROUNDING_DEG).count(),
        // NaN is none.
        excess_deg: beyond.into_iter().map(|angle| angle.max(0.0)).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{
        Dummy, HEAD, L_ANKLE, L_ELBOW, L_HIP, L_KNEE, L_SHOULDER, PELVIS, R_HIP, still,
    };
    use understudy_motion::{DQuat, DVec3};

    /// Turns a joint by `degrees` about an axis in the second of two frames, and reads the angle
    /// of one movement there.
    fn check(turned: usize, axis: DVec3, degrees: f64, joint: &str, movement: &str, expected: f64) {
        let dummy = Dummy::new(1.3);
        let clip = dummy.clip(2, |frame, locals| {
            // The measured angles must not see where the whole body heads or leans.
            locals[PELVIS].rotation = DQuat::from_rotation_y(1.0) * DQuat::from_rotation_x(0.3);
            if frame == 1 {
                let turn = DQuat::from_axis_angle(axis, degrees.to_radians());
                locals[turned].rotation *= turn;
            }
        });
        let limits = measure_limits(&dummy.subject(&clip, &[]));
        let found = limits
            .joints
            .iter()
            .find(|j| j.joint == joint && j.movement == movement)
            .unwrap();
        let reached = if expected < 0.0 {
            found.least_deg
        } else {
            found.most_deg
        };
        assert!((reached - expected).abs() < 1e-6, "{found:?}");
        let excess = (expected - found.range_high_deg)
            .max(found.range_low_deg - expected)
            .max(0.0);
        assert!((found.worst_excess_deg - excess).abs() < 1e-6, "{found:?}");
        assert_eq!(found.frames, usize::from(excess > 0.0));
        assert!(excess == 0.0 || found.worst_frame == 1);
    }

    #[test]
    fn planted_angles_are_read_back() {
        let (x, y, z) = (DVec3::X, DVec3::Y, DVec3::Z);
        check(L_KNEE, x, 150.0, "left knee", "flexion", 150.0);
        check(L_KNEE, x, -7.0, "left knee", "flexion", -7.0);
        check(L_HIP, x, -130.0, "left hip", "flexion", 130.0);
        check(L_HIP, x, 25.0, "left hip", "flexion", -25.0);
        check(L_HIP, z, 50.0, "left hip", "abduction", 50.0);
        check(R_HIP, z, -50.0, "right hip", "abduction", 50.0);
        check(R_HIP, z, 35.0, "right hip", "abduction", -35.0);
        check(L_ANKLE, x, 60.0, "left ankle", "dorsiflexion", -60.0);
        check(L_ANKLE, x, -25.0, "left ankle", "dorsiflexion", 25.0);
        check(L_ELBOW, y, -155.0, "left elbow", "flexion", 155.0);
        check(HEAD, y, 70.0, "neck", "rotation", 70.0);
        check(HEAD, x, 50.0, "neck", "flexion", 50.0);
        check(HEAD, z, 20.0, "neck", "lateral bend", -20.0);
    }

    #[test]
    fn an_arm_behind_the_back_but_not_one_overhead() {
        let behind = |turns: [f64; 2]| {
            let dummy = Dummy::new(1.0);
            let clip = dummy.clip(1, |_, locals| {
                // From the T down to the hip, then backward about the lateral axis.
                locals[L_SHOULDER].rotation = DQuat::from_rotation_x(turns[1].to_radians())
                    * DQuat::from_rotation_z(turns[0].to_radians());
            });
            measure_limits(&dummy.subject(&clip, &[])).worst_excess_deg
        };
        assert!((behind([-90.0, 75.0]) - 15.0).abs() < 1e-6);
        assert!(behind([-90.0, 40.0]) < 1e-6);
        assert!(behind([-90.0, 175.0]) < 1e-6);
    }

    #[test]
    fn what_plain_transfer_has_is_not_added() {
        let dummy = Dummy::new(1.0);
        let bent = |bends: [f64; 3]| {
            let clip = dummy.clip(3, |frame, locals| {
                locals[L_KNEE].rotation = DQuat::from_rotation_x(bends[frame].to_radians());
            });
            measure_limits(&dummy.subject(&clip, &[]))
        };
        let plain = bent([120.0, 150.0, 130.0]);
        let beyond = measure_beyond_plain(&bent([140.0, 158.0, 131.0]), &plain);
        // The published end is 135 degrees.
        assert!((beyond.worst_deg - 8.0).abs() < 1e-6, "{beyond:?}");
        let [knee] = &beyond.joints[..] else {
            panic!("{beyond:?}");
        };
        assert_eq!(
            (knee.joint.as_str(), knee.movement),
            ("left knee", "flexion")
        );
        assert_eq!((knee.worst_frame, knee.frames), (1, 2));
        assert_eq!(measure_beyond_plain(&plain, &plain).joints, []);
    }

    #[test]
    fn standing_is_within_all_limits() {
        let dummy = Dummy::new(1.0);
        let clip = still(&dummy, 2);
        let limits = measure_limits(&dummy.subject(&clip, &[]));
        assert!(limits.worst_excess_deg < 1e-6);
        assert!(limits.joints.iter().all(|joint| joint.frames == 0));
        // Per leg 4, neck 3, per arm 2: that of a hanging arm is not defined in a T.
        assert_eq!(limits.joints.len(), 15);
    }
}
