//! A leg of the character over the whole clip: its plain poses, and the path its foot must follow.

use std::f64::consts::PI;

use understudy_anatomy::Leg;
use understudy_motion::{DQuat, DVec3, Transform, WorldPose};

use crate::joint_angle::Movement;
use crate::leg::{FullTurn, LegPose, MOST_FOLDED, knee_axis, turn_leg};
use crate::plants::FootPath;
use crate::settings::Settings;
use crate::settle::LegTrack;

/// A leg with the path its foot must follow.
pub(crate) struct PlantedLeg {
    leg: Leg,
    poses: Vec<LegPose>,
    hips: Vec<DVec3>,
    pub(crate) path: FootPath,
}

impl PlantedLeg {
    pub(crate) fn new(leg: &Leg, worlds: &[WorldPose], path: FootPath, prior: DVec3) -> Self {
        let bones = |world: &WorldPose| {
            (
                world.position(leg.knee) - world.position(leg.hip),
                world.position(leg.ankle) - world.position(leg.knee),
            )
        };
        let in_thigh = worlds.iter().map(|world| {
            let to_thigh = world.rotation(leg.hip).inverse();
            let (thigh, shank) = bones(world);
            (to_thigh * thigh, to_thigh * shank)
        });
        let axis = knee_axis(in_thigh, prior);
        let poses = worlds
            .iter()
            .map(|world| {
                let (thigh, shank) = bones(world);
                LegPose {
                    thigh,
                    shank,
                    axis: world.rotation(leg.hip) * axis,
                }
            })
            .collect();
        Self {
            leg: leg.clone(),
            poses,
            hips: worlds.iter().map(|world| world.position(leg.hip)).collect(),
            path,
        }
    }

    pub(crate) fn track(&self, settings: &Settings) -> LegTrack {
        let straightest = settings.plants.straightest_knee;
        let of_leg = (self.leg.side, self.leg.pair);
        let [_, most_deg] = settings.limits.range_deg(Movement::KneeFlexion, of_leg);
        let most = match settings.limits.enabled {
            // A leg of two bones is folded up at half a turn.
            true => most_deg.to_radians().clamp(straightest, PI),
            false => MOST_FOLDED,
        };
        let bends: Vec<f64> = self.poses.iter().map(LegPose::bend).collect();
        // The bends of plain transfer are the take's own.
        let peak = bends
            .windows(3)
            .map(|b| (b[0] - 2.0 * b[1] + b[2]).abs())
            .fold(0.0, f64::max);
        let planted = &self.path.planted;
        LegTrack {
            hips: self.hips.clone(),
            ankles: self.path.ankle_positions.clone(),
            reaches: self.poses.iter().map(LegPose::reach).collect(),
            wanted_bends: bends
                .iter()
                .zip(planted)
                .map(|(bend, down)| {
                    if *down {
                        bend.max(straightest)
                    } else {
                        bend.max(0.0)
                    }
                })
                .collect(),
            least_bends: bends
                .iter()
                .map(|bend| bend.clamp(0.5 * straightest, straightest))
                .collect(),
            largest_bends: bends.iter().map(|bend| bend.max(most)).collect(),
            clearances: self.path.clearances.clone(),
            largest_curve: settings.plants.largest_pop * peak,
            planted: planted.clone(),
        }
    }

    /// Sets the rotations of hip, knee, ankle and toes in one frame.
    pub(crate) fn pose(
        &self,
        locals: &mut [Transform],
        plain: &WorldPose,
        frame: usize,
        pelvis: DVec3,
        foot: DVec3,
    ) {
        let hip = self.hips[frame] + pelvis;
        let ankle = self.path.ankle_positions[frame] + foot;
        let turn = self.poses[frame].reach_for(ankle - hip);
        let since_plain = |joint: usize, now: DQuat| now * plain.rotation(joint).inverse();
        let full = FullTurn {
            leg: turn,
            foot: since_plain(self.leg.ankle, self.path.ankle_rotations[frame]),
            toes: since_plain(self.leg.toe_joint(), self.path.toe_rotations[frame]),
        };
        turn_leg(locals, plain, &self.leg, &full);
    }
}
