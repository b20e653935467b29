//! The take's legs without its noise.
//!
//! A foot that is held still takes the noise of the take out of itself, but not out of the hip
//! above it, and a nearly straight knee turns a hair's breadth between the two into degrees. So
//! the tracks from root to toes lose their noise first. What counts as noise is found from each
//! track; a clean one is not changed at all.

use std::collections::BTreeSet;

use understudy_anatomy::Body;
use understudy_motion::{Clip, DQuat, DVec3};

use crate::banded::NotPositive;
use crate::smooth::{calmed, noise_cutoff};

/// The take with calm legs; `None` where it is clean.
///
/// # Errors
/// Numbers that are not finite.
pub fn calm_legs(clip: &Clip, body: &Body) -> Result<Option<Clip>, NotPositive> {
    let Some(leg_length_m) = body.leg_length_m(&clip.skeleton) else {
        return Ok(None);
    };
    let mut joints = BTreeSet::new();
    for leg in &body.legs {
        joints.extend(clip.skeleton.path_from_root(leg.toe_joint()));
    }
    let mut result = clip.clone();
    let mut changed = false;
    for joint in joints {
        let track = Track {
            clip,
            joint,
            leg_length_m,
        };
        if let Some(positions) = track.calm_positions()? {
            changed = true;
            for (frame, position) in positions.into_iter().enumerate() {
                result.frame_mut(frame)[joint].translation = position;
            }
        }
        if let Some(rotations) = track.calm_rotations()? {
            changed = true;
            for (frame, rotation) in rotations.into_iter().enumerate() {
                result.frame_mut(frame)[joint].rotation = rotation;
            }
        }
    }
    Ok(changed.then_some(result))
}

/// The local motion of one joint.
struct Track<'a> {
    clip: &'a Clip,
    joint: usize,
    leg_length_m: f64,
}

impl Track<'_> {
    fn calm_positions(&self) -> Result<Option<Vec<DVec3>>, NotPositive> {
        let frames = 0..self.clip.frame_count();
        let values: Vec<DVec3> = frames
            .map(|frame| self.clip.frame(frame)[self.joint].translation)
            .collect();
        let step = self.clip.frame_time_secs;
        noise_cutoff(&values, self.leg_length_m, step)
            .map(|cutoff_hz| calmed(&values, cutoff_hz, step))
            .transpose()
    }

    fn calm_rotations(&self) -> Result<Option<Vec<DQuat>>, NotPositive> {
        let mut signed: Vec<DQuat> = (0..self.clip.frame_count())
            .map(|frame| self.clip.frame(frame)[self.joint].rotation)
            .collect();
        for frame in 1..signed.len() {
            if signed[frame - 1].dot(signed[frame]) < 0.0 {
                signed[frame] = -signed[frame];
            }
        }
        let imaginary: Vec<DVec3> = signed.iter().map(|q| DVec3::new(q.x, q.y, q.z)).collect();
        // A quaternion's component changes by half the angle, which moves the other end of the leg
        // by its length.
        let lengths: Vec<DVec3> = imaginary
            .iter()
            .map(|v| *v * (2.0 * self.leg_length_m))
            .collect();
        let step = self.clip.frame_time_secs;
        let Some(cutoff_hz) = noise_cutoff(&lengths, self.leg_length_m, step) else {
            return Ok(None);
        };
        let real: Vec<DVec3> = signed.iter().map(|q| DVec3::X * q.w).collect();
        let imaginary = calmed(&imaginary, cutoff_hz, step)?;
        let real = calmed(&real, cutoff_hz, step)?;
        Ok(Some(
            imaginary
                .iter()
                .zip(&real)
                .map(|(v, w)| DQuat::from_xyzw(v.x, v.y, v.z, w.x).normalize())
                .collect(),
        ))
    }
}
