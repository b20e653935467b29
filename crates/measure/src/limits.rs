//! Joint limits: where a pose goes beyond what human joints can do.
//!
//! Ranges are those of the American Academy of Orthopaedic Surgeons, *Joint Motion: Method of
//! Measuring and Recording* (1965; revised 1994), taken from a transcription. Angles are measured
//! from the anatomical zero (limbs straight down, head straight up) in the axes that pelvis or
//! chest have at rest; a rest pose whose trunk or head does not stand upright shifts them, so all
//! of this is approximate. Rotations about a limb's own length are not measured, nor are ankles
//! of legs that walk on their toes, for which no human range holds.

use std::f64::consts::FRAC_PI_2;

use serde::Serialize;
use understudy_anatomy::{Arm, JointPoint, Leg};
use understudy_motion::angle::twist_about;
use understudy_motion::{DVec3, WorldPose};
use understudy_solver::Foot;

use crate::knees::{BendJoint, bend_series};
use crate::stats::{largest, worst};
use crate::subject::{Subject, limb_name};

/// Excess below this is rounding, degrees.
const ROUNDING_DEG: f64 = 1e-6;

/// A limb whose direction lies nearer than this to an axis has no angle about it: sine of 10°.
const LEAST_LEVER: f64 = 0.17;

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

/// An angle per frame, radians; `None` where it is not defined.
struct Movement {
    joint: String,
    movement: &'static str,
    range_deg: [f64; 2],
    angles: Vec<Option<f64>>,
}

/// Measures all joints that have a published range.
pub fn measure_limits(subject: &Subject<'_>) -> Limits {
    let mut movements = Vec::new();
    for (index, leg) in subject.body.legs.iter().enumerate() {
        movements.extend(leg_movements(subject, leg, subject.feet.get(index)));
    }
    for arm in &subject.body.arms {
        movements.extend(arm_movements(subject, arm));
    }
    movements.extend(neck_movements(subject));
    let mut joints: Vec<JointExcess> = movements.iter().filter_map(excess).collect();
    joints.sort_by(|a, b| b.worst_excess_deg.total_cmp(&a.worst_excess_deg));
    Limits {
        worst_excess_deg: largest(joints.iter().map(|joint| joint.worst_excess_deg)),
        joints,
    }
}

fn excess(movement: &Movement) -> Option<JointExcess> {
    let [low, high] = movement.range_deg;
    let degrees: Vec<f64> = movement
        .angles
        .iter()
        .map(|angle| angle.map_or(f64::NAN, f64::to_degrees))
        .collect();
    let beyond: Vec<f64> = degrees
        .iter()
        .map(|angle| (low - angle).max(angle - high))
        .collect();
    let (worst_frame, most_beyond) = worst(&beyond)?;
    let defined = || degrees.iter().copied().filter(|angle| angle.is_finite());
    Some(JointExcess {
        joint: movement.joint.clone(),
        movement: movement.movement,
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

/// A direction split along a body's own axes: forward, up, and outward from its side.
#[derive(Clone, Copy)]
struct Split {
    forward: f64,
    up: f64,
    outward: f64,
}

/// Splits a world vector along the axes of a joint that is upright at rest.
fn split(subject: &Subject<'_>, world: &WorldPose, joint: usize, vector: DVec3, x: f64) -> Split {
    let frame = &subject.body.frame;
    let turn = subject.rest.rotation(joint) * world.rotation(joint).inverse();
    let direction = turn * vector.normalize_or_zero();
    Split {
        forward: direction.dot(frame.forward),
        up: direction.dot(frame.up),
        outward: x * direction.dot(frame.left()),
    }
}

impl Split {
    /// Swing forward from straight down, about the lateral axis.
    fn flexion(self) -> Option<f64> {
        (self.forward.hypot(self.up) > LEAST_LEVER).then(|| self.forward.atan2(-self.up))
    }

    /// Angle out of the plane of symmetry.
    fn abduction(self) -> f64 {
        self.outward.clamp(-1.0, 1.0).asin()
    }
}

fn outward_sign(side: understudy_anatomy::Side) -> f64 {
    if side == understudy_anatomy::Side::Right {
        -1.0
    } else {
        1.0
    }
}

fn between(subject: &Subject<'_>, from: JointPoint, to: JointPoint) -> Vec<DVec3> {
    subject
        .worlds
        .iter()
        .map(|world| to.world(world) - from.world(world))
        .collect()
}

fn leg_movements(subject: &Subject<'_>, leg: &Leg, foot: Option<&Foot>) -> Vec<Movement> {
    let name = limb_name(leg.side, leg.pair);
    let make = |joint: &str, movement, range_deg, angles| Movement {
        joint: format!("{name} {joint}"),
        movement,
        range_deg,
        angles,
    };
    let thighs = between(
        subject,
        JointPoint::origin(leg.hip),
        JointPoint::origin(leg.knee),
    );
    let splits: Vec<Split> = subject
        .worlds
        .iter()
        .zip(thighs)
        .map(|(world, thigh)| {
            split(
                subject,
                world,
                subject.body.pelvis,
                thigh,
                outward_sign(leg.side),
            )
        })
        .collect();
    let bends = bend_series(subject, leg, BendJoint::Knee);
    let mut movements = vec![
        make(
            "hip",
            "flexion",
            [-30.0, 120.0],
            splits.iter().map(|s| s.flexion()).collect(),
        ),
        make(
            "hip",
            "abduction",
            [-30.0, 45.0],
            splits.iter().map(|s| Some(s.abduction())).collect(),
        ),
        make(
            "knee",
            "flexion",
            [0.0, 135.0],
            bends.into_iter().map(Some).collect(),
        ),
    ];
    if let (Some(foot), false) = (foot, leg.digitigrade) {
        let angles = dorsiflexion(subject, leg, foot);
        movements.push(make("ankle", "dorsiflexion", [-50.0, 20.0], angles));
    }
    movements
}

/// Angle of the sole against the shank beyond a right angle.
fn dorsiflexion(subject: &Subject<'_>, leg: &Leg, foot: &Foot) -> Vec<Option<f64>> {
    let along_sole = foot.flat_ankle.inverse() * foot.heading;
    let shanks = between(
        subject,
        JointPoint::origin(leg.knee),
        JointPoint::origin(leg.ankle),
    );
    subject
        .worlds
        .iter()
        .zip(shanks)
        .map(|(world, shank)| {
            let sole = world.rotation(leg.ankle) * along_sole;
            let angle = shank.angle_between(sole) - FRAC_PI_2;
            angle.is_finite().then_some(angle)
        })
        .collect()
}

fn arm_movements(subject: &Subject<'_>, arm: &Arm) -> Vec<Movement> {
    let name = limb_name(arm.side, arm.pair);
    let make = |joint: &str, movement, range_deg, angles| Movement {
        joint: format!("{name} {joint}"),
        movement,
        range_deg,
        angles,
    };
    let end = arm.wrist.map_or(arm.hand_tip, JointPoint::origin);
    let upper = between(
        subject,
        JointPoint::origin(arm.shoulder),
        JointPoint::origin(arm.elbow),
    );
    let fore = between(subject, JointPoint::origin(arm.elbow), end);
    let chest = chest(subject);
    let extension = subject
        .worlds
        .iter()
        .zip(&upper)
        .map(|(world, upper)| {
            let split = split(subject, world, chest, *upper, outward_sign(arm.side));
            // An arm raised or held aside reaches behind the chest by other movements.
            let hangs = split.up < 0.0 && split.outward.abs() < std::f64::consts::FRAC_1_SQRT_2;
            split.flexion().filter(|_| hangs)
        })
        .collect();
    let angle = |a: &DVec3, b: &DVec3| Some(a.angle_between(*b)).filter(|angle| angle.is_finite());
    let bends = upper.iter().zip(&fore).map(|(a, b)| angle(a, b)).collect();
    let mut movements = vec![
        make(
            "shoulder",
            "flexion of the hanging arm",
            [-60.0, 180.0],
            extension,
        ),
        make("elbow", "flexion", [0.0, 150.0], bends),
    ];
    if let Some(wrist) = arm.wrist {
        let hands = between(subject, JointPoint::origin(wrist), arm.hand_tip);
        let bends = fore.iter().zip(&hands).map(|(a, b)| angle(a, b)).collect();
        movements.push(make("wrist", "bend any way", [0.0, 80.0], bends));
    }
    movements
}

fn chest(subject: &Subject<'_>) -> usize {
    subject
        .body
        .spine
        .last()
        .copied()
        .unwrap_or(subject.body.pelvis)
}

fn neck_movements(subject: &Subject<'_>) -> Vec<Movement> {
    let Some(head) = subject.body.head else {
        return Vec::new();
    };
    let chest = chest(subject);
    let (frame, rest) = (&subject.body.frame, &subject.rest);
    let (mut flexion, mut lateral, mut rotation) = (Vec::new(), Vec::new(), Vec::new());
    for world in &subject.worlds {
        let chest_turn = world.rotation(chest) * rest.rotation(chest).inverse();
        let head_turn = world.rotation(head) * rest.rotation(head).inverse();
        let turn = chest_turn.inverse() * head_turn;
        let up = turn * frame.up;
        flexion.push(Some(up.dot(frame.forward).atan2(up.dot(frame.up))));
        lateral.push(Some(up.dot(frame.left()).atan2(up.dot(frame.up))));
        rotation.push(Some(twist_about(turn, frame.up)));
    }
    let make = |movement, range: f64, angles| Movement {
        joint: "neck".to_owned(),
        movement,
        range_deg: [-range, range],
        angles,
    };
    vec![
        make("flexion", 45.0, flexion),
        make("lateral bend", 45.0, lateral),
        make("rotation", 60.0, rotation),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{
        Dummy, HEAD, L_ANKLE, L_ELBOW, L_HIP, L_KNEE, L_SHOULDER, PELVIS, R_HIP, still,
    };
    use understudy_motion::DQuat;

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
