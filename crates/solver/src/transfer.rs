//! Plain transfer: rotations relative to the aligned rest, twist spread over twist joints, and
//! the travel of the pelvis scaled to the character's legs. No foot is planted here.

use understudy_anatomy::{Body, Leg, Twist};
use understudy_motion::{DQuat, DVec3, Skeleton, Transform, WorldPose};

use crate::align::{Alignment, source_leg};
use crate::floor::Floor;
use crate::leg::{FullTurn, LegPose, MOST_FOLDED, turn_leg};

/// How the travel of the pelvis is scaled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TravelScale {
    /// Factor on horizontal travel.
    pub horizontal: f64,
    /// Factor on the height above the floor.
    pub vertical: f64,
}

/// Everything that a frame of plain transfer needs.
pub struct Transfer<'a> {
    /// The character, Y up.
    pub skeleton: &'a Skeleton,
    /// The character's body.
    pub body: &'a Body,
    /// The performer's body.
    pub performer: &'a Body,
    /// Drivers and aligned rotations.
    pub alignment: &'a Alignment,
    /// The floor both stand on.
    pub floor: Floor,
    /// Travel.
    pub scale: TravelScale,
}

impl Transfer<'_> {
    /// The character's local transforms for one world pose of the performer.
    pub fn frame(&self, performer: &WorldPose) -> Vec<Transform> {
        let rotations = self.world_rotations(performer);
        let mut locals = self.skeleton.rest_locals();
        for (joint, local) in locals.iter_mut().enumerate() {
            local.rotation = match self.skeleton.parent(joint) {
                Some(parent) => (rotations[parent].inverse() * rotations[joint]).normalize(),
                None => rotations[joint],
            };
        }
        let mut now = WorldPose::from_locals(self.skeleton, &locals);
        for leg in &self.body.legs {
            self.fold_leg(&mut locals, &now, leg, performer);
        }
        now.update(self.skeleton, &locals);
        let target = self.mid_hip_target(self.performer.mid_hip(performer));
        let shift = target - self.body.mid_hip(&now);
        move_joint(self.skeleton, &mut locals, &now, self.body.root, shift);
        locals
    }

    /// Where the character's hips go for the performer's, metres.
    pub fn mid_hip_target(&self, performer: DVec3) -> DVec3 {
        let height = self.floor.above(performer) * self.scale.vertical;
        let level = DVec3::new(
            performer.x * self.scale.horizontal,
            0.0,
            performer.z * self.scale.horizontal,
        );
        DVec3::new(level.x, self.floor.height_at(level) + height, level.z)
    }

    /// A leg that stands bent on its toes cannot add the performer's bends to its own: it would
    /// fold up. It shortens by the same share as the performer's leg instead, and points the
    /// same way.
    fn fold_leg(
        &self,
        locals: &mut [Transform],
        now: &WorldPose,
        leg: &Leg,
        performer: &WorldPose,
    ) {
        let source = source_leg(self.performer, leg).map(|index| &self.performer.legs[index]);
        let Some(source) = source.filter(|source| leg.digitigrade && !source.digitigrade) else {
            return;
        };
        let vector =
            |pose: &WorldPose, from: usize, to: usize| pose.position(to) - pose.position(from);
        let thigh = vector(performer, source.hip, source.knee);
        let shank = vector(performer, source.knee, source.ankle);
        let straight = thigh.length() + shank.length();
        let reference = self.alignment.aligned_leg(self.skeleton, leg);
        let whole = thigh + shank;
        if straight <= 0.0 || whole.length() <= 0.0 {
            return;
        }
        // Where the thigh's turn alone would have brought a straight leg of the performer.
        let carried =
            performer.rotation(source.hip) * self.alignment.world_to_reference[source.hip];
        let swing = DQuat::from_rotation_arc(thigh.normalize_or(DVec3::NEG_Y), whole.normalize());
        let target = swing * (carried * reference) * (whole.length() / straight);
        let pose = LegPose {
            thigh: vector(now, leg.hip, leg.knee),
            shank: vector(now, leg.knee, leg.ankle),
            axis: now.rotation(leg.hip) * self.alignment.knee_prior(self.body, leg),
        };
        let nearest = pose.reach().distance(MOST_FOLDED);
        let turn = FullTurn {
            leg: pose.reach_for(target.clamp_length_min(nearest)),
            foot: DQuat::IDENTITY,
            toes: DQuat::IDENTITY,
        };
        turn_leg(locals, now, leg, &turn);
    }

    fn world_rotations(&self, performer: &WorldPose) -> Vec<DQuat> {
        let turn =
            |joint: usize| performer.rotation(joint) * self.alignment.world_to_reference[joint];
        let mut rotations: Vec<DQuat> = Vec::with_capacity(self.skeleton.len());
        for joint in 0..self.skeleton.len() {
            let rotation = match self.alignment.drivers[joint] {
                Some(driver) if driver.a == driver.b => {
                    turn(driver.a) * self.alignment.aligned[joint]
                }
                Some(driver) => {
                    turn(driver.a).slerp(turn(driver.b), driver.t) * self.alignment.aligned[joint]
                }
                None => self.following(joint, &rotations),
            };
            rotations.push(rotation.normalize());
        }
        self.spread_twists(&mut rotations);
        rotations
    }

    /// A joint without driver keeps its rest pose relative to its parent.
    fn following(&self, joint: usize, rotations: &[DQuat]) -> DQuat {
        match self.skeleton.parent(joint) {
            Some(parent) => rotations[parent] * self.skeleton.joint(joint).rest.rotation,
            None => self.alignment.aligned[joint],
        }
    }

    fn spread_twists(&self, rotations: &mut [DQuat]) {
        for twist in &self.body.twists {
            let turned = self.twisted(twist, rotations);
            let before = rotations[twist.joint];
            rotations[twist.joint] = turned;
            // What hangs on it without a driver of its own turns with it.
            let change = turned * before.inverse();
            for joint in self.skeleton.subtree(twist.joint) {
                let follows = joint != twist.joint
                    && self.alignment.drivers[joint].is_none()
                    && !self.is_below_driven(twist.joint, joint);
                if follows {
                    rotations[joint] = change * rotations[joint];
                }
            }
        }
    }

    fn is_below_driven(&self, top: usize, joint: usize) -> bool {
        self.skeleton
            .path(top, joint)
            .is_some_and(|path| path.iter().any(|&j| self.alignment.drivers[j].is_some()))
    }

    /// World rotation of a twist joint: that of the segment's inner end, turned about the
    /// segment by its share of the twist of the outer end.
    fn twisted(&self, twist: &Twist, rotations: &[DQuat]) -> DQuat {
        let aligned = &self.alignment.aligned;
        let (from, to) = (twist.from, twist.to);
        // Both ends since the aligned pose; what differs about the bone is the twist.
        let turn_from = rotations[from] * aligned[from].inverse();
        let turn_to = rotations[to] * aligned[to].inverse();
        let bone = self.bone_in(from, to);
        let world_bone = (rotations[from] * bone).normalize_or(DVec3::Y);
        let between = turn_to * turn_from.inverse();
        let angle = twist_about(between, world_bone);
        let base = rotations[from] * self.rest_between(from, twist.joint);
        DQuat::from_axis_angle(world_bone, twist.share * angle) * base
    }

    fn bone_in(&self, from: usize, to: usize) -> DVec3 {
        let Some(path) = self.skeleton.path(from, to) else {
            return DVec3::ZERO;
        };
        let locals: Vec<DQuat> = path[1..]
            .iter()
            .map(|&j| self.skeleton.joint(j).rest.rotation)
            .collect();
        let mut rotation = DQuat::IDENTITY;
        let mut offset = DVec3::ZERO;
        for (&joint, local) in path[1..].iter().zip(locals) {
            offset += rotation * self.skeleton.joint(joint).rest.translation;
            rotation *= local;
        }
        offset
    }

    fn rest_between(&self, from: usize, joint: usize) -> DQuat {
        self.skeleton
            .path(from, joint)
            .map_or(DQuat::IDENTITY, |path| {
                path[1..].iter().fold(DQuat::IDENTITY, |q, &j| {
                    q * self.skeleton.joint(j).rest.rotation
                })
            })
    }
}

/// The part of a rotation that turns about a unit axis, radians within ±π (swing and twist;
/// Dobrowolski, "Swing-twist decomposition in Clifford algebra", arXiv 1506.05481).
pub fn twist_about(rotation: DQuat, axis: DVec3) -> f64 {
    let along = DVec3::new(rotation.x, rotation.y, rotation.z).dot(axis);
    let angle = 2.0 * along.atan2(rotation.w);
    angle - std::f64::consts::TAU * (angle / std::f64::consts::TAU).round()
}

/// Moves a joint by a world offset, metres, whatever stands above it.
pub fn move_joint(
    skeleton: &Skeleton,
    locals: &mut [Transform],
    world: &WorldPose,
    joint: usize,
    shift: DVec3,
) {
    let target = world.position(joint) + shift;
    locals[joint].translation = match skeleton.parent(joint) {
        Some(parent) => world.affines[parent].inverse().transform_point3(target),
        None => target,
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twist_is_what_turns_about_the_axis() {
        let swing = DQuat::from_rotation_z(0.9);
        let twist = DQuat::from_rotation_x(-0.6);
        assert!((twist_about(swing * twist, DVec3::X) + 0.6).abs() < 1e-12);
        assert!(twist_about(swing, DVec3::X).abs() < 1e-12);
    }
}
