//! A skeleton in motion.

use std::sync::Arc;

use glam::{DQuat, DVec3};
use thiserror::Error;

use crate::pose::{Transform, WorldPose};
use crate::skeleton::Skeleton;

/// Why numbers are no clip.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum ClipError {
    /// The number of transforms is no multiple of the number of joints.
    #[error("{transforms} transforms do not divide into frames of {joints} joints")]
    Ragged {
        /// Transforms given.
        transforms: usize,
        /// Joints of the skeleton.
        joints: usize,
    },
    /// There is no frame.
    #[error("the clip has no frames")]
    Empty,
    /// The frame time is zero, negative or undefined.
    #[error("a frame time of {0} s makes no clip; it must be above 0")]
    FrameTime(f64),
    /// A transform holds an infinite or undefined number.
    #[error("frame {frame}, joint \"{joint}\": a number is not finite")]
    NotFinite {
        /// Frame, counted from 0.
        frame: usize,
        /// Name of the joint.
        joint: String,
    },
}

/// How values between frames are found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Interpolation {
    /// Straight lines and slerp.
    Linear,
    /// Cubic Hermite with the tangents of neighbouring frames (Catmull and Rom, 1974); rotations
    /// by the cumulative form of Kim, Kim and Shin, SIGGRAPH 1995, doi 10.1145/218380.218486.
    #[default]
    Hermite,
}

/// Local transforms of all joints of a skeleton at equal steps of time.
#[derive(Clone, Debug, PartialEq)]
pub struct Clip {
    /// Name of the clip; empty where the file gives none.
    pub name: String,
    /// The joints that move.
    pub skeleton: Arc<Skeleton>,
    /// Time from one frame to the next, seconds.
    pub frame_time_secs: f64,
    /// Time of frame 0 on the file's own clock, seconds.
    pub start_secs: f64,
    /// Frame after frame, `skeleton.len()` transforms each.
    locals: Vec<Transform>,
}

impl Clip {
    /// A clip from local transforms, frame after frame, `skeleton.len()` each. Rotations are
    /// normalised.
    ///
    /// # Errors
    /// No frame, a ragged last frame, a frame time that is not above 0, or a number that is not
    /// finite.
    pub fn new(
        skeleton: Arc<Skeleton>,
        frame_time_secs: f64,
        mut locals: Vec<Transform>,
    ) -> Result<Self, ClipError> {
        let joints = skeleton.len();
        if locals.is_empty() {
            return Err(ClipError::Empty);
        }
        if !locals.len().is_multiple_of(joints) {
            return Err(ClipError::Ragged {
                transforms: locals.len(),
                joints,
            });
        }
        if !(frame_time_secs.is_finite() && frame_time_secs > 0.0) {
            return Err(ClipError::FrameTime(frame_time_secs));
        }
        for (index, local) in locals.iter_mut().enumerate() {
            if !local.is_finite() || local.rotation.length_squared() == 0.0 {
                return Err(ClipError::NotFinite {
                    frame: index / joints,
                    joint: skeleton.name(index % joints).to_owned(),
                });
            }
            local.rotation = local.rotation.normalize();
        }
        Ok(Self {
            name: String::new(),
            skeleton,
            frame_time_secs,
            start_secs: 0.0,
            locals,
        })
    }

    /// Number of frames, at least 1.
    pub fn frame_count(&self) -> usize {
        self.locals.len() / self.skeleton.len()
    }

    /// Time from the first frame to the last, seconds.
    pub fn duration_secs(&self) -> f64 {
        (self.frame_count() - 1) as f64 * self.frame_time_secs
    }

    /// Local transforms of one frame, one per joint.
    pub fn frame(&self, frame: usize) -> &[Transform] {
        let joints = self.skeleton.len();
        &self.locals[frame * joints..(frame + 1) * joints]
    }

    /// Local transforms of one frame, to change. Rotations must stay of unit length.
    pub fn frame_mut(&mut self, frame: usize) -> &mut [Transform] {
        let joints = self.skeleton.len();
        &mut self.locals[frame * joints..(frame + 1) * joints]
    }

    /// World transforms of one frame.
    pub fn world(&self, frame: usize) -> WorldPose {
        WorldPose::from_locals(&self.skeleton, self.frame(frame))
    }

    /// World transforms of all frames.
    pub fn worlds(&self) -> Vec<WorldPose> {
        (0..self.frame_count())
            .map(|frame| self.world(frame))
            .collect()
    }

    /// World positions of one joint over all frames, metres.
    pub fn trajectory(&self, joint: usize) -> Vec<DVec3> {
        let path = self.skeleton.path_from_root(joint);
        (0..self.frame_count())
            .map(|frame| {
                let locals = self.frame(frame);
                path.iter().rev().fold(DVec3::ZERO, |point, &joint| {
                    locals[joint].to_affine().transform_point3(point)
                })
            })
            .collect()
    }

    /// The same motion in turned axes: `turn` is applied to the whole world.
    pub fn rotated(&self, turn: DQuat) -> Self {
        self.with_roots(|local| Transform {
            translation: turn * local.translation,
            rotation: (turn * local.rotation).normalize(),
            scale: local.scale,
        })
    }

    /// The same motion moved by `offset` metres.
    pub fn translated(&self, offset: DVec3) -> Self {
        self.with_roots(|local| Transform {
            translation: local.translation + offset,
            ..local
        })
    }

    fn with_roots(&self, change: impl Fn(Transform) -> Transform) -> Self {
        let mut joints = self.skeleton.joints().to_vec();
        let roots: Vec<usize> = self.skeleton.roots().collect();
        for &root in &roots {
            joints[root].rest = change(joints[root].rest);
        }
        let mut clip = self.clone();
        // A rigid change of finite rests cannot make a valid skeleton invalid.
        if let Ok(skeleton) = Skeleton::new(joints) {
            clip.skeleton = Arc::new(skeleton);
        }
        for frame in 0..clip.frame_count() {
            let locals = clip.frame_mut(frame);
            for &root in &roots {
                locals[root] = change(locals[root]);
            }
        }
        clip
    }

    /// A part of the clip, `first..=last`; its clock goes on from the clip's own. Frames past the
    /// end are left out.
    pub fn range(&self, first: usize, last: usize) -> Self {
        let last = last.min(self.frame_count() - 1);
        let first = first.min(last);
        let joints = self.skeleton.len();
        Self {
            name: self.name.clone(),
            skeleton: Arc::clone(&self.skeleton),
            frame_time_secs: self.frame_time_secs,
            start_secs: self.start_secs + first as f64 * self.frame_time_secs,
            locals: self.locals[first * joints..(last + 1) * joints].to_vec(),
        }
    }

    /// Local transforms at a time since frame 0, seconds; before the first and after the last
    /// frame those frames hold.
    pub fn sample(&self, secs: f64, interpolation: Interpolation) -> Vec<Transform> {
        let last = self.frame_count() - 1;
        let at = (secs / self.frame_time_secs).clamp(0.0, last as f64);
        let nearest = at.round();
        // Rounding of the division must not blur a frame that is asked for exactly.
        if (at - nearest).abs() < 1e-9 {
            return self.frame(nearest as usize).to_vec();
        }
        let first = at.floor() as usize;
        let t = at - first as f64;
        let pick = |frame: usize| self.frame(frame);
        let (p0, p1) = (pick(first.saturating_sub(1)), pick(first));
        let (p2, p3) = (pick(first + 1), pick((first + 2).min(last)));
        (0..self.skeleton.len())
            .map(|joint| match interpolation {
                Interpolation::Linear => between(&p1[joint], &p2[joint], t),
                Interpolation::Hermite => {
                    hermite([&p0[joint], &p1[joint], &p2[joint], &p3[joint]], t)
                }
            })
            .collect()
    }

    /// Number of frames of [`Clip::resampled`], at least 1; `frame_time_secs` must be above 0.
    pub fn frame_count_at(&self, frame_time_secs: f64) -> usize {
        // A tenth of a per mille of a frame allows for printed frame times.
        (self.duration_secs() / frame_time_secs + 1e-4).floor() as usize + 1
    }

    /// The same motion at another frame rate. Frame 0 keeps its time, and no frame lies after the
    /// last frame of the original.
    ///
    /// # Errors
    /// A frame time that is not above 0.
    pub fn resampled(
        &self,
        frame_time_secs: f64,
        interpolation: Interpolation,
    ) -> Result<Self, ClipError> {
        if !(frame_time_secs.is_finite() && frame_time_secs > 0.0) {
            return Err(ClipError::FrameTime(frame_time_secs));
        }
        let locals = (0..self.frame_count_at(frame_time_secs))
            .flat_map(|frame| self.sample(frame as f64 * frame_time_secs, interpolation))
            .collect();
        Ok(Self {
            name: self.name.clone(),
            start_secs: self.start_secs,
            ..Self::new(Arc::clone(&self.skeleton), frame_time_secs, locals)?
        })
    }
}

/// `b` or its negative, whichever lies on the same half of the sphere as `a`.
fn same_side(a: DQuat, b: DQuat) -> DQuat {
    if a.dot(b) < 0.0 { -b } else { b }
}

fn between(a: &Transform, b: &Transform, t: f64) -> Transform {
    Transform {
        translation: a.translation.lerp(b.translation, t),
        rotation: a.rotation.slerp(b.rotation, t).normalize(),
        scale: a.scale.lerp(b.scale, t),
    }
}

fn hermite(p: [&Transform; 4], t: f64) -> Transform {
    let vector = |pick: fn(&Transform) -> DVec3| hermite_vector(p.map(pick), t);
    Transform {
        translation: vector(|transform| transform.translation),
        rotation: hermite_rotation(p.map(|transform| transform.rotation), t),
        scale: vector(|transform| transform.scale),
    }
}

/// Catmull-Rom spline through `p[1]` (t = 0) and `p[2]` (t = 1).
fn hermite_vector(p: [DVec3; 4], t: f64) -> DVec3 {
    let (m1, m2) = ((p[2] - p[0]) / 2.0, (p[3] - p[1]) / 2.0);
    let (t2, t3) = (t * t, t * t * t);
    p[1] * (2.0 * t3 - 3.0 * t2 + 1.0)
        + m1 * (t3 - 2.0 * t2 + t)
        + p[2] * (3.0 * t2 - 2.0 * t3)
        + m2 * (t3 - t2)
}

/// Kim, Kim and Shin's Hermite curve: the cubic Bézier basis in cumulative form.
fn hermite_rotation(q: [DQuat; 4], t: f64) -> DQuat {
    let q1 = q[1];
    let q2 = same_side(q1, q[2]);
    let (q0, q3) = (same_side(q1, q[0]), same_side(q2, q[3]));
    let step = |a: DQuat, b: DQuat| same_side(DQuat::IDENTITY, a.inverse() * b).to_scaled_axis();
    // Angular velocities per frame at the two inner keys, in the body's own axes.
    let (w1, w2) = (
        (step(q0, q1) + step(q1, q2)) / 2.0,
        (step(q1, q2) + step(q2, q3)) / 2.0,
    );
    let exp = DQuat::from_scaled_axis;
    let (first, last) = (exp(w1 / 3.0), exp(w2 / 3.0));
    let middle = same_side(
        DQuat::IDENTITY,
        first.inverse() * q1.inverse() * q2 * last.inverse(),
    )
    .to_scaled_axis();
    let u = 1.0 - t;
    let (b1, b2, b3) = (1.0 - u * u * u, 3.0 * t * t - 2.0 * t * t * t, t * t * t);
    (q1 * exp(w1 / 3.0 * b1) * exp(middle * b2) * exp(w2 / 3.0 * b3)).normalize()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::skeleton::Joint;
    use proptest::prelude::*;

    fn one_joint(frame_time: f64, locals: Vec<Transform>) -> Clip {
        let skeleton = Skeleton::new(vec![Joint::new("pelvis", None, DVec3::ZERO)]).unwrap();
        Clip::new(Arc::new(skeleton), frame_time, locals).unwrap()
    }

    fn spinning(frames: usize, frame_time: f64, rate: f64) -> Clip {
        let axis = DVec3::new(1.0, 2.0, -0.5).normalize();
        let locals = (0..frames)
            .map(|frame| {
                let secs = frame as f64 * frame_time;
                Transform::rigid(
                    DVec3::new(secs, 2.0 * secs, -secs),
                    DQuat::from_axis_angle(axis, rate * secs),
                )
            })
            .collect();
        one_joint(frame_time, locals)
    }

    #[test]
    fn steady_motion_resamples_exactly() {
        let clip = spinning(61, 1.0 / 60.0, 5.0);
        for interpolation in [Interpolation::Linear, Interpolation::Hermite] {
            let other = clip.resampled(1001.0 / 30000.0, interpolation).unwrap();
            assert_eq!(other.frame_count(), 30);
            let truth = spinning(30, 1001.0 / 30000.0, 5.0);
            for frame in 1..29 {
                let (a, b) = (&other.frame(frame)[0], &truth.frame(frame)[0]);
                assert!((a.translation - b.translation).length() < 1e-12);
                assert!(a.rotation.dot(b.rotation).abs() > 1.0 - 1e-12);
            }
        }
    }

    #[test]
    fn doubling_the_rate_keeps_every_frame() {
        let clip = spinning(25, 1.0 / 24.0, 11.0);
        let double = clip.resampled(1.0 / 48.0, Interpolation::Hermite).unwrap();
        assert_eq!(double.frame_count(), 49);
        for frame in 0..25 {
            let (a, b) = (&double.frame(2 * frame)[0], &clip.frame(frame)[0]);
            assert_eq!(a.translation, b.translation);
            assert!(a.rotation.abs_diff_eq(b.rotation, 1e-15));
        }
    }

    #[test]
    fn bad_numbers_are_refused() {
        let skeleton =
            Arc::new(Skeleton::new(vec![Joint::new("pelvis", None, DVec3::ZERO)]).unwrap());
        let make = |time, locals| Clip::new(Arc::clone(&skeleton), time, locals);
        assert_eq!(make(0.1, vec![]), Err(ClipError::Empty));
        assert!(matches!(
            make(0.0, vec![Transform::IDENTITY]),
            Err(ClipError::FrameTime(_))
        ));
        let bad = Transform::from_translation(DVec3::new(f64::NAN, 0.0, 0.0));
        let error = make(0.1, vec![Transform::IDENTITY, bad]).unwrap_err();
        assert!(error.to_string().contains("frame 1, joint \"pelvis\""));
    }

    proptest! {
        #[test]
        fn turning_the_world_turns_every_position(
            x in -3.0..3.0f64, y in -3.0..3.0f64, z in -3.0..3.0f64,
        ) {
            let clip = spinning(5, 0.1, 3.0);
            let turn = DQuat::from_scaled_axis(DVec3::new(x, y, z));
            let turned = clip.rotated(turn);
            for frame in 0..5 {
                let expected = turn * clip.world(frame).position(0);
                prop_assert!((turned.world(frame).position(0) - expected).length() < 1e-12);
                prop_assert_eq!(turned.trajectory(0)[frame], turned.world(frame).position(0));
            }
        }
    }
}
