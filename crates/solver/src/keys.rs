//! What a person keys by hand on top of the motion: turns of joints and shifts of the whole body at
//! a frame, faded in before it and out after it. Feet are planted afterwards, so contacts hold.

use serde::{Deserialize, Serialize};
use understudy_motion::{Clip, DQuat, DVec3, WorldPose, signal};

/// One change at one frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandKey {
    /// Name of the joint of the character.
    pub joint: String,
    /// Frame of the full change, counted from 0.
    pub frame: usize,
    /// Turn of the joint as a rotation vector, degrees, in the character's world axes at rest.
    #[serde(default)]
    pub turn_deg: [f64; 3],
    /// Shift of the joint, metres, in the axes of the character's file. A shift of the root moves
    /// trunk, head and arms; the legs give way and the feet stay where they are.
    #[serde(default)]
    pub shift_m: [f64; 3],
    /// Frames before it over which the change grows.
    #[serde(default = "default_fade")]
    pub fade_in: usize,
    /// Frames after it over which the change dies away.
    #[serde(default = "default_fade")]
    pub fade_out: usize,
}

fn default_fade() -> usize {
    12
}

impl HandKey {
    /// How much of the change there is at a frame, 0 to 1, eased ([`signal::ease`]).
    pub fn weight(&self, frame: usize) -> f64 {
        let (away, fade) = match frame < self.frame {
            true => (self.frame - frame, self.fade_in),
            false => (frame - self.frame, self.fade_out),
        };
        // One more than the fade, so that no fade is the one frame alone.
        signal::ease(1.0 - away as f64 / (fade + 1) as f64)
    }

    /// The same key in a clip with so many frames for each frame; the last frame it may name is
    /// `last`.
    pub fn at_rate(&self, frames_per_frame: f64, last: usize) -> Self {
        let moved = |frames: usize| (frames as f64 * frames_per_frame).round() as usize;
        Self {
            frame: moved(self.frame).min(last),
            fade_in: moved(self.fade_in),
            fade_out: moved(self.fade_out),
            ..self.clone()
        }
    }
}

/// A key whose joint is found, with its vectors in upright axes.
pub(crate) struct FoundKey<'a> {
    pub(crate) key: &'a HandKey,
    pub(crate) joint: usize,
    /// Rotation vector, radians, world axes at rest.
    pub(crate) turn: DVec3,
    /// Metres, world axes.
    pub(crate) shift: DVec3,
    /// Frame of the take at which the clip begins that the key is laid over.
    pub(crate) start: usize,
    /// Frames of the take for each frame of the clip.
    pub(crate) step: usize,
}

impl FoundKey<'_> {
    fn weight(&self, frame: usize) -> f64 {
        self.key.weight(self.start + frame * self.step)
    }
}

/// Lays the keys over a clip whose rest pose is `rest`. Keys of one joint add up. Shifts of the
/// root are left to [`root_shifts`].
pub(crate) fn lay_over(clip: &mut Clip, rest: &WorldPose, root: usize, keys: &[FoundKey<'_>]) {
    for frame in 0..clip.frame_count() {
        let weights = keys.iter().map(|found| (found, found.weight(frame)));
        let at_work: Vec<_> = weights.filter(|(_, weight)| *weight > 0.0).collect();
        if at_work.is_empty() {
            continue;
        }
        let world = clip.world(frame);
        let skeleton = std::sync::Arc::clone(&clip.skeleton);
        let locals = clip.frame_mut(frame);
        for (found, weight) in at_work {
            let axes = rest.rotation(found.joint);
            let turn = DQuat::from_scaled_axis(axes.inverse() * found.turn * weight);
            let local = &mut locals[found.joint];
            local.rotation = (local.rotation * turn).normalize();
            if found.joint == root {
                continue;
            }
            let shift = found.shift * weight;
            local.translation += match skeleton.parent(found.joint) {
                Some(parent) => world.affines[parent].inverse().transform_vector3(shift),
                None => shift,
            };
        }
    }
}

/// Shift of the root in every frame, metres, world axes.
pub(crate) fn root_shifts(frames: usize, root: usize, keys: &[FoundKey<'_>]) -> Vec<DVec3> {
    let of_root = || keys.iter().filter(|found| found.joint == root);
    (0..frames)
        .map(|frame| {
            of_root()
                .map(|found| found.shift * found.weight(frame))
                .sum()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_fade_in_and_out() {
        let key = HandKey {
            joint: "head".into(),
            frame: 10,
            turn_deg: [0.0; 3],
            shift_m: [0.0; 3],
            fade_in: 3,
            fade_out: 0,
        };
        let weights: Vec<f64> = (5..=12).map(|frame| key.weight(frame)).collect();
        assert_eq!((weights[0], weights[1]), (0.0, 0.0));
        assert!(weights[2] > 0.0 && weights[2] < weights[3] && weights[3] < weights[4]);
        assert_eq!(weights[5..], [1.0, 0.0, 0.0]);
        // Halfway through a fade the change is half there.
        assert!((key.weight(8) - 0.5).abs() < 1e-12);
        assert_eq!(key.at_rate(0.5, 100).frame, 5);
        assert_eq!(key.at_rate(2.0, 15).frame, 15);
    }
}
