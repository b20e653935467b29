//! Faults of real captures, put into a clean clip on purpose.
//!
//! Every fault is a pure function of the clip, the fault and a seed: the same three always give
//! the same clip.

use std::sync::Arc;

use glam::{DMat3, DQuat, DVec3};
use thiserror::Error;
use understudy_motion::{Clip, Joint, Skeleton};

use crate::curve::sine;

/// A fault of a capture.
#[derive(Clone, Debug, PartialEq)]
pub enum Fault {
    /// Noise on the position of every root and the rotation of every joint, each frame anew.
    Noise {
        /// Standard deviation of each coordinate of the roots, metres (0.0005 is usual).
        position_m: f64,
        /// Standard deviation of each component of a rotation vector, radians.
        rotation: f64,
    },
    /// Noise on the position of every joint and end site, each frame anew, as it comes through a
    /// solver: roots move with their noise, and every joint turns by the small rotation that
    /// brings the bones below it nearest to the noisy positions (least squares). Bones keep their
    /// length, and nothing tells a solver about turns along a lone bone, so these have no noise.
    /// Nor have joints with shorter bones than 5 cm, the fingers: half a millimetre would make them
    /// tremble by degrees, which solvers prevent.
    JointNoise {
        /// Standard deviation of each coordinate, metres (0.0005 is usual).
        position_m: f64,
    },
    /// A joint rocks to and fro about its own X axis, as feet do whose markers slip.
    Wobble {
        /// Name of the joint.
        joint: String,
        /// Amplitude, radians.
        angle: f64,
        /// Swings per second.
        hertz: f64,
    },
    /// A joint is turned by the same rotation in every frame, such as a pelvis whose markers sit
    /// too low. Everything below it turns with it.
    Tilt {
        /// Name of the joint.
        joint: String,
        /// Rotation vector in the parent's axes, radians.
        rotation: DVec3,
    },
    /// A joint is turned by the same rotation in every frame, and what is below it keeps its world
    /// rotation: a pelvis whose markers sit too low, between trunk and legs that are right.
    TiltAlone {
        /// Name of the joint.
        joint: String,
        /// Rotation vector in the joint's own axes, radians.
        rotation: DVec3,
    },
    /// Two axes of a joint's rotation are exchanged, as by a wrong order of channels.
    SwappedAxes {
        /// Name of the joint.
        joint: String,
        /// Numbers of the axes, 0 for X.
        axes: [usize; 2],
    },
    /// A stretch of frames repeats the frame before it.
    Dropout {
        /// First frame that is lost.
        first_frame: usize,
        /// Number of lost frames.
        frames: usize,
    },
    /// The bones below a joint are longer than the performer's.
    LongBones {
        /// Name of the joint at the body's end of the first bone, such as a shoulder.
        joint: String,
        /// Factor on the length of every bone below it (1.03: 3 % too long).
        factor: f64,
    },
}

/// Why a fault cannot be put into a clip.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum FaultError {
    /// No joint of that name.
    #[error("no joint is called \"{joint}\"; the skeleton has: {joints}")]
    NoJoint {
        /// The name asked for.
        joint: String,
        /// Names there are.
        joints: String,
    },
    /// A number is out of its range.
    #[error("{what} is {value}; {advice}")]
    OutOfRange {
        /// The number.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What to give instead.
        advice: &'static str,
    },
}

/// The clip with a fault in it. `seed` sets the noise; other faults do not use it.
///
/// # Errors
/// A joint that is not there, an axis that is not 0, 1 or 2, a dropout outside the clip, or a
/// number that is not finite.
pub fn with_fault(clip: &Clip, fault: &Fault, seed: u64) -> Result<Clip, FaultError> {
    let mut faulty = clip.clone();
    match fault {
        Fault::Noise {
            position_m,
            rotation,
        } => {
            finite("position_m", *position_m)?;
            finite("rotation", *rotation)?;
            add_noise(&mut faulty, *position_m, *rotation, seed);
        }
        Fault::JointNoise { position_m } => {
            finite("position_m", *position_m)?;
            add_joint_noise(&mut faulty, *position_m, seed);
        }
        Fault::Wobble {
            joint,
            angle,
            hertz,
        } => {
            finite("angle", *angle)?;
            finite("hertz", *hertz)?;
            let joint = find(&clip.skeleton, joint)?;
            let frame_time_secs = clip.frame_time_secs;
            each_rotation(&mut faulty, joint, |frame, rotation| {
                let secs = frame as f64 * frame_time_secs;
                rotation * DQuat::from_rotation_x(angle * sine(secs, *hertz))
            });
        }
        Fault::Tilt { joint, rotation } => {
            finite("rotation", rotation.length())?;
            let joint = find(&clip.skeleton, joint)?;
            let tilt = DQuat::from_scaled_axis(*rotation);
            each_rotation(&mut faulty, joint, |_, rotation| tilt * rotation);
        }
        Fault::TiltAlone { joint, rotation } => {
            finite("rotation", rotation.length())?;
            let joint = find(&clip.skeleton, joint)?;
            let tilt = DQuat::from_scaled_axis(*rotation);
            each_rotation(&mut faulty, joint, |_, rotation| rotation * tilt);
            for &child in clip.skeleton.children(joint) {
                each_rotation(&mut faulty, child, |_, rotation| tilt.inverse() * rotation);
            }
        }
        Fault::SwappedAxes { joint, axes } => {
            let joint = find(&clip.skeleton, joint)?;
            swap_axes(&mut faulty, joint, *axes)?;
        }
        Fault::Dropout {
            first_frame,
            frames,
        } => drop_out(&mut faulty, *first_frame, *frames)?,
        Fault::LongBones { joint, factor } => {
            finite("factor", *factor)?;
            let joint = find(&clip.skeleton, joint)?;
            lengthen(&mut faulty, joint, *factor);
        }
    }
    Ok(faulty)
}

fn finite(what: &'static str, value: f64) -> Result<(), FaultError> {
    if value.is_finite() {
        return Ok(());
    }
    let advice = "give a finite number";
    Err(FaultError::OutOfRange {
        what,
        value,
        advice,
    })
}

fn find(skeleton: &Skeleton, name: &str) -> Result<usize, FaultError> {
    skeleton.find(name).ok_or_else(|| FaultError::NoJoint {
        joint: name.to_owned(),
        joints: skeleton
            .joints()
            .iter()
            .map(|joint| joint.name.as_str())
            .collect::<Vec<_>>()
            .join(", "),
    })
}

fn each_rotation(clip: &mut Clip, joint: usize, change: impl Fn(usize, DQuat) -> DQuat) {
    for frame in 0..clip.frame_count() {
        let rotation = &mut clip.frame_mut(frame)[joint].rotation;
        *rotation = change(frame, *rotation).normalize();
    }
}

fn add_noise(clip: &mut Clip, position_m: f64, rotation: f64, seed: u64) {
    let mut noise = Noise(seed);
    let roots: Vec<usize> = clip.skeleton.roots().collect();
    for frame in 0..clip.frame_count() {
        let locals = clip.frame_mut(frame);
        for &root in &roots {
            locals[root].translation += noise.vector() * position_m;
        }
        for local in locals {
            let turn = DQuat::from_scaled_axis(noise.vector() * rotation);
            local.rotation = (local.rotation * turn).normalize();
        }
    }
}

fn add_joint_noise(clip: &mut Clip, position_m: f64, seed: u64) {
    let mut noise = Noise(seed);
    let skeleton = clip.skeleton.clone();
    for frame in 0..clip.frame_count() {
        let pose = clip.world(frame);
        let off: Vec<DVec3> = (0..skeleton.len())
            .map(|_| noise.vector() * position_m)
            .collect();
        let turns: Vec<DQuat> = (0..skeleton.len())
            .map(|joint| {
                let here = pose.position(joint);
                let mut bones: Vec<(DVec3, DVec3)> = skeleton
                    .children(joint)
                    .iter()
                    .map(|&child| (pose.position(child) - here, off[child] - off[joint]))
                    .collect();
                bones.extend(skeleton.joint(joint).tips.iter().map(|&tip| {
                    let off_m = noise.vector() * position_m - off[joint];
                    (pose.point(joint, tip) - here, off_m)
                }));
                DQuat::from_scaled_axis(small_turn(&bones))
            })
            .collect();
        let turned = |joint: usize| turns[joint] * pose.rotation(joint);
        let locals = clip.frame_mut(frame);
        for (joint, local) in locals.iter_mut().enumerate() {
            match skeleton.parent(joint) {
                Some(parent) => {
                    local.rotation = (turned(parent).inverse() * turned(joint)).normalize();
                }
                None => {
                    local.rotation = turned(joint).normalize();
                    local.translation += off[joint];
                }
            }
        }
    }
}

/// Joints whose bones together (root of the sum of squares) are shorter are not fitted, metres.
const SHORTEST_FITTED_M: f64 = 0.05;

/// The small rotation vector that brings some bones nearest to where they are wanted, from
/// (bone, displacement of its end) pairs: least squares, with no turn where nothing asks for one.
fn small_turn(bones: &[(DVec3, DVec3)]) -> DVec3 {
    let (mut torque, mut inertia) = (DVec3::ZERO, DMat3::ZERO);
    let mut size = 0.0;
    for &(bone, off) in bones {
        torque += bone.cross(off);
        let outer = DMat3::from_cols(bone * bone.x, bone * bone.y, bone * bone.z);
        inertia += DMat3::from_diagonal(DVec3::splat(bone.length_squared())) - outer;
        size += bone.length_squared();
    }
    if size < SHORTEST_FITTED_M * SHORTEST_FITTED_M {
        return DVec3::ZERO;
    }
    // Keeps a lone bone, about which nothing is known, from turning.
    inertia += DMat3::from_diagonal(DVec3::splat(0.05 * size));
    inertia.inverse() * torque
}

fn swap_axes(clip: &mut Clip, joint: usize, axes: [usize; 2]) -> Result<(), FaultError> {
    if let Some(&axis) = axes.iter().find(|&&axis| axis > 2) {
        return Err(FaultError::OutOfRange {
            what: "an axis",
            value: axis as f64,
            advice: "give 0 for X, 1 for Y or 2 for Z",
        });
    }
    each_rotation(clip, joint, |_, rotation| {
        let mut vector = rotation.to_scaled_axis().to_array();
        vector.swap(axes[0], axes[1]);
        DQuat::from_scaled_axis(DVec3::from_array(vector))
    });
    Ok(())
}

fn drop_out(clip: &mut Clip, first_frame: usize, frames: usize) -> Result<(), FaultError> {
    let count = clip.frame_count();
    if first_frame == 0 || first_frame >= count {
        return Err(FaultError::OutOfRange {
            what: "first_frame",
            value: first_frame as f64,
            advice: "give a frame after the first and within the clip",
        });
    }
    let held = clip.frame(first_frame - 1).to_vec();
    for frame in first_frame..first_frame.saturating_add(frames).min(count) {
        clip.frame_mut(frame).copy_from_slice(&held);
    }
    Ok(())
}

fn lengthen(clip: &mut Clip, joint: usize, factor: f64) {
    let below = clip.skeleton.subtree(joint);
    let mut joints: Vec<Joint> = clip.skeleton.joints().to_vec();
    for &bone in &below {
        if bone != joint {
            joints[bone].rest.translation *= factor;
        }
        for tip in &mut joints[bone].tips {
            *tip *= factor;
        }
    }
    // A finite factor cannot make a valid skeleton invalid.
    if let Ok(skeleton) = Skeleton::new(joints) {
        clip.skeleton = Arc::new(skeleton);
    }
    for frame in 0..clip.frame_count() {
        let locals = clip.frame_mut(frame);
        for &bone in below.iter().filter(|&&bone| bone != joint) {
            locals[bone].translation *= factor;
        }
    }
}

/// Numbers that look random: SplitMix64 (Steele, Lea & Flood, OOPSLA 2014,
/// doi 10.1145/2660193.2660195).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// Above 0, at most 1.
    fn uniform(&mut self) -> f64 {
        ((self.next() >> 11) + 1) as f64 / (1_u64 << 53) as f64
    }

    /// Normally distributed with deviation 1 (Box & Muller 1958).
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }

    fn vector(&mut self) -> DVec3 {
        DVec3::new(self.normal(), self.normal(), self.normal())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo_take;

    fn take() -> Clip {
        demo_take().unwrap().clip.range(300, 420)
    }

    fn joint(clip: &Clip, name: &str) -> usize {
        clip.skeleton.find(name).unwrap()
    }

    #[test]
    fn noise_has_the_deviation_asked_for() {
        let clean = take();
        let fault = Fault::Noise {
            position_m: 0.0005,
            rotation: 0.002,
        };
        let noisy = with_fault(&clean, &fault, 7).unwrap();
        let pelvis = joint(&clean, "pelvis");
        let squares: f64 = (0..clean.frame_count())
            .map(|frame| {
                let (a, b) = (clean.frame(frame)[pelvis], noisy.frame(frame)[pelvis]);
                a.translation.distance_squared(b.translation)
            })
            .sum();
        let deviation = (squares / (3 * clean.frame_count()) as f64).sqrt();
        // 363 values: the deviation found lies within 4 standard errors, 4 / √(2 · 363).
        assert!((deviation / 0.0005 - 1.0).abs() < 0.15, "{deviation}");
        assert_eq!(noisy, with_fault(&clean, &fault, 7).unwrap());
        assert_ne!(noisy, with_fault(&clean, &fault, 8).unwrap());
    }

    #[test]
    fn noise_of_joints_moves_them_by_about_as_much() {
        let clean = take();
        let fault = Fault::JointNoise { position_m: 0.0005 };
        let noisy = with_fault(&clean, &fault, 3).unwrap();
        for name in ["pelvis", "left_knee", "right_wrist", "head"] {
            let joint = joint(&clean, name);
            let squares: f64 = (0..clean.frame_count())
                .map(|frame| {
                    let (a, b) = (clean.world(frame), noisy.world(frame));
                    a.position(joint).distance_squared(b.position(joint))
                })
                .sum();
            let deviation = (squares / (3 * clean.frame_count()) as f64).sqrt();
            // Bones keep their length and errors add up along a chain of a few, so not exactly
            // the half millimetre put in.
            assert!((0.0003..0.0015).contains(&deviation), "{name} {deviation}");
        }
        assert_eq!(noisy, with_fault(&clean, &fault, 3).unwrap());
    }

    #[test]
    fn a_tilt_alone_leaves_what_is_below_upright() {
        let clean = take();
        let fault = Fault::TiltAlone {
            joint: "pelvis".into(),
            rotation: DVec3::NEG_X * 0.2,
        };
        let tilted = with_fault(&clean, &fault, 0).unwrap();
        let (a, b) = (clean.world(40), tilted.world(40));
        for (name, angle) in [("pelvis", 0.2), ("left_hip", 0.0), ("spine_1", 0.0)] {
            let joint = joint(&clean, name);
            let turned = a.rotation(joint).angle_between(b.rotation(joint));
            assert!((turned - angle).abs() < 1e-6, "{name} {turned}");
        }
        // Back: the pelvis' own up leans away from where it looks.
        let pelvis = joint(&clean, "pelvis");
        let leans = b.rotation(pelvis) * DVec3::Y - a.rotation(pelvis) * DVec3::Y;
        assert!(leans.dot(a.rotation(pelvis) * DVec3::Z) < -0.1);
    }

    #[test]
    fn a_dropout_holds_the_frame_before() {
        let clean = take();
        let fault = |first_frame| Fault::Dropout {
            first_frame,
            frames: 20,
        };
        let held = with_fault(&clean, &fault(50), 0).unwrap();
        assert_eq!(held.frame(69), clean.frame(49));
        assert_eq!(held.frame(70), clean.frame(70));
        assert!(with_fault(&clean, &fault(0), 0).is_err());
        assert!(with_fault(&clean, &fault(5000), 0).is_err());
    }

    #[test]
    fn long_arms_are_longer_in_every_frame() {
        let clean = take();
        let fault = Fault::LongBones {
            joint: "left_shoulder".into(),
            factor: 1.03,
        };
        let long = with_fault(&clean, &fault, 0).unwrap();
        let length = |clip: &Clip, frame: usize| {
            let pose = clip.world(frame);
            let (a, b) = (joint(clip, "left_shoulder"), joint(clip, "left_elbow"));
            pose.position(a).distance(pose.position(b))
        };
        for frame in 0..clean.frame_count() {
            assert!((length(&long, frame) / length(&clean, frame) - 1.03).abs() < 1e-12);
        }
        let rest = long.skeleton.rest_world();
        assert!(rest.position(joint(&long, "left_wrist")).is_finite());
    }

    #[test]
    fn rotations_are_changed_as_told() {
        let clean = take();
        let pelvis = joint(&clean, "pelvis");
        let back = Fault::Tilt {
            joint: "pelvis".into(),
            rotation: DVec3::NEG_X * 0.1,
        };
        let tilted = with_fault(&clean, &back, 0).unwrap();
        let angle = |a: &Clip, b: &Clip, joint: usize, frame: usize| {
            let between = |c: &Clip| c.frame(frame)[joint].rotation;
            between(a).angle_between(between(b))
        };
        assert!((angle(&clean, &tilted, pelvis, 30) - 0.1).abs() < 1e-9);
        let wobble = Fault::Wobble {
            joint: "left_ankle".into(),
            angle: 0.05,
            hertz: 2.5,
        };
        let wobbled = with_fault(&clean, &wobble, 0).unwrap();
        // A quarter of 0.4 s after the start: the first swing is at its end.
        assert!((angle(&clean, &wobbled, joint(&clean, "left_ankle"), 12) - 0.05).abs() < 1e-9);
        let swapped = Fault::SwappedAxes {
            joint: "left_knee".into(),
            axes: [0, 2],
        };
        let swapped = with_fault(&clean, &swapped, 0).unwrap();
        let knee = joint(&clean, "left_knee");
        let vector = |clip: &Clip| clip.frame(80)[knee].rotation.to_scaled_axis();
        assert!((vector(&swapped).z - vector(&clean).x).abs() < 1e-9);
    }

    #[test]
    fn unknown_joints_are_refused_with_the_names_there_are() {
        let fault = Fault::Tilt {
            joint: "hat".into(),
            rotation: DVec3::X,
        };
        let message = with_fault(&take(), &fault, 0).unwrap_err().to_string();
        assert!(message.contains("\"hat\"") && message.contains("pelvis"));
    }
}
