//! Tilt of the pelvis against the take.
//!
//! The pelvis stands upright in each body's rest pose; pitch and roll are its lean since then.
//! Pitch is the angle by which its forward axis points below the horizon, roll that by which its
//! left axis points above it, whatever its heading. Where a take is aligned by a frame instead of
//! its rest pose, the lean of that frame shows as a constant difference.

use serde::Serialize;
use understudy_motion::{DVec3, WorldPose};

use crate::stats::{mean, worst};
use crate::subject::Subject;

/// Lean of the pelvis, character minus performer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PelvisTilt {
    /// Mean difference in pitch; positive leans forward.
    pub mean_pitch_deg: f64,
    /// Mean difference in roll; positive raises the left hip.
    pub mean_roll_deg: f64,
    /// Largest difference in pitch, either way.
    pub worst_pitch_deg: f64,
    /// Largest difference in roll, either way.
    pub worst_roll_deg: f64,
    /// Mean angle between the up axes of both.
    pub mean_tilt_deg: f64,
    /// Largest angle between the up axes of both.
    pub worst_tilt_deg: f64,
    /// Frame of the largest angle, counted from 0.
    pub worst_frame: usize,
}

/// Compares the pelvis of a clip with the take's. Frames of both correspond one to one.
pub fn measure_pelvis(subject: &Subject<'_>, take: &Subject<'_>) -> PelvisTilt {
    let leans: Vec<(Lean, Lean)> = subject
        .worlds
        .iter()
        .zip(&take.worlds)
        .map(|(own, other)| (Lean::of(subject, own), Lean::of(take, other)))
        .collect();
    let degrees = |pick: &dyn Fn(&Lean, &Lean) -> f64| -> Vec<f64> {
        leans
            .iter()
            .map(|(own, other)| pick(own, other).to_degrees())
            .collect()
    };
    let pitch = degrees(&|own, other| own.pitch - other.pitch);
    let roll = degrees(&|own, other| own.roll - other.roll);
    let tilt = degrees(&|own, other| own.up.angle_between(other.up));
    let (worst_frame, worst_tilt_deg) = worst(&tilt).unwrap_or((0, 0.0));
    let most = |values: &[f64]| crate::stats::largest(values.iter().map(|value| value.abs()));
    PelvisTilt {
        mean_pitch_deg: mean(&pitch),
        mean_roll_deg: mean(&roll),
        worst_pitch_deg: most(&pitch),
        worst_roll_deg: most(&roll),
        mean_tilt_deg: mean(&tilt),
        worst_tilt_deg,
        worst_frame,
    }
}

/// How a pelvis leans in one frame.
struct Lean {
    /// Its up axis.
    up: DVec3,
    /// Radians.
    pitch: f64,
    /// Radians.
    roll: f64,
}

impl Lean {
    fn of(subject: &Subject<'_>, world: &WorldPose) -> Self {
        let body = subject.body;
        let turn = world.rotation(body.pelvis) * subject.rest.rotation(body.pelvis).inverse();
        let forward = turn * body.frame.forward;
        let left = turn * body.frame.left();
        Self {
            up: turn * body.frame.up,
            pitch: -forward.y.clamp(-1.0, 1.0).asin(),
            roll: left.y.clamp(-1.0, 1.0).asin(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Dummy, PELVIS};
    use understudy_motion::DQuat;

    #[test]
    fn a_planted_lean_is_found_whatever_the_heading() {
        let (performer, character) = (Dummy::new(1.0), Dummy::new(0.6));
        let yaw = |frame: usize| DQuat::from_rotation_y(0.7 * frame as f64);
        let take = performer.clip(5, |frame, locals| {
            locals[PELVIS].rotation = yaw(frame) * DQuat::from_rotation_x(0.2);
        });
        let clip = character.clip(5, |frame, locals| {
            let extra = if frame == 3 { 0.1 } else { 0.05 };
            locals[PELVIS].rotation = yaw(frame) * DQuat::from_rotation_x(0.2 + extra);
        });
        let tilt = measure_pelvis(
            &character.subject(&clip, &[]),
            &performer.subject(&take, &[]),
        );
        assert!((tilt.worst_pitch_deg - 0.1f64.to_degrees()).abs() < 1e-9);
        assert!((tilt.mean_pitch_deg - 0.06f64.to_degrees()).abs() < 1e-9);
        assert!((tilt.worst_tilt_deg - 0.1f64.to_degrees()).abs() < 1e-6);
        assert_eq!(tilt.worst_frame, 3);
        assert!(tilt.worst_roll_deg < 1e-9);
    }

    #[test]
    fn a_raised_left_hip_is_positive_roll() {
        let dummy = Dummy::new(1.0);
        let take = crate::testing::still(&dummy, 2);
        let clip = dummy.clip(2, |_, locals| {
            locals[PELVIS].rotation = DQuat::from_rotation_z(0.3);
        });
        let tilt = measure_pelvis(&dummy.subject(&clip, &[]), &dummy.subject(&take, &[]));
        assert!((tilt.mean_roll_deg - 0.3f64.to_degrees()).abs() < 1e-9);
        assert!(tilt.worst_pitch_deg < 1e-9);
    }
}
