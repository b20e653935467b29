//! Plain transfer: rotations relative to the aligned rest, twist spread over twist joints, and
//! the travel of the pelvis scaled to the character's legs. No foot is planted here.

use understudy_anatomy::{Body, Leg, Twist};
use understudy_motion::angle::twist_about;
use understudy_motion::{DQuat, DVec3, Skeleton, Transform, WorldPose};

use crate::align::{Alignment, source_leg, stands_on_toes_alone};
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

/// Who is carried onto whom, and how.
#[derive(Clone, Copy)]
pub struct Pairing<'a> {
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

/// A leg that folds as the performer's does.
struct Fold<'a> {
    leg: &'a Leg,
    source: &'a Leg,
    /// From hip to ankle in the aligned pose, world, metres.
    reference: DVec3,
}

/// A twist joint and what stays the same about it from frame to frame.
struct Spread<'a> {
    twist: &'a Twist,
    /// The segment in its inner joint's coordinates, metres.
    bone: DVec3,
    /// `inner_joint_from_twist_joint` at rest.
    rest: DQuat,
    /// What hangs on the twist joint without a driver of its own.
    followers: Vec<usize>,
}

/// Plain transfer, frame by frame.
pub struct Transfer<'a> {
    pairing: Pairing<'a>,
    folds: Vec<Fold<'a>>,
    spreads: Vec<Spread<'a>>,
}

impl<'a> Transfer<'a> {
    /// Works out what every frame shares.
    pub fn new(pairing: Pairing<'a>) -> Self {
        Self {
            folds: pairing.folds(),
            spreads: pairing
                .body
                .twists
                .iter()
                .map(|t| pairing.spread(t))
                .collect(),
            pairing,
        }
    }

    /// The character's local transforms for one world pose of the performer.
    pub fn frame(&self, performer: &WorldPose) -> Vec<Transform> {
        let pairing = &self.pairing;
        let rotations = self.world_rotations(performer);
        let mut locals = pairing.skeleton.rest_locals();
        for (joint, local) in locals.iter_mut().enumerate() {
            local.rotation = match pairing.skeleton.parent(joint) {
                Some(parent) => (rotations[parent].inverse() * rotations[joint]).normalize(),
                None => rotations[joint],
            };
        }
        let mut now = WorldPose::from_locals(pairing.skeleton, &locals);
        if !self.folds.is_empty() {
            for fold in &self.folds {
                pairing.fold_leg(&mut locals, &now, fold, performer);
            }
            now.update(pairing.skeleton, &locals);
        }
        let target = pairing.mid_hip_target(pairing.performer.mid_hip(performer));
        let shift = target - pairing.body.mid_hip(&now);
        move_joint(
            pairing.skeleton,
            &mut locals,
            &now,
            pairing.body.root,
            shift,
        );
        locals
    }

    fn world_rotations(&self, performer: &WorldPose) -> Vec<DQuat> {
        let mut rotations = self.pairing.driven_rotations(performer);
        for spread in &self.spreads {
            let turned = self.pairing.twisted(spread, &rotations);
            let before = rotations[spread.twist.joint];
            rotations[spread.twist.joint] = turned;
            // What hangs on it without a driver of its own turns with it.
            let change = turned * before.inverse();
            for &joint in &spread.followers {
                rotations[joint] = change * rotations[joint];
            }
        }
        rotations
    }
}

impl<'a> Pairing<'a> {
    /// Where the character's hips go for the performer's, metres.
    fn mid_hip_target(&self, performer: DVec3) -> DVec3 {
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
    fn folds(&self) -> Vec<Fold<'a>> {
        let rest = self.skeleton.rest_world();
        let fold = |leg: &'a Leg| {
            let source = &self.performer.legs[source_leg(self.performer, leg)?];
            stands_on_toes_alone(leg, source).then(|| Fold {
                leg,
                source,
                reference: self.alignment.aligned_leg(&rest, leg),
            })
        };
        self.body.legs.iter().filter_map(fold).collect()
    }

    fn fold_leg(
        &self,
        locals: &mut [Transform],
        now: &WorldPose,
        fold: &Fold<'_>,
        performer: &WorldPose,
    ) {
        let (leg, source) = (fold.leg, fold.source);
        let vector =
            |pose: &WorldPose, from: usize, to: usize| pose.position(to) - pose.position(from);
        let thigh = vector(performer, source.hip, source.knee);
        let shank = vector(performer, source.knee, source.ankle);
        let straight = thigh.length() + shank.length();
        let whole = thigh + shank;
        if straight <= 0.0 || whole.length() <= 0.0 {
            return;
        }
        // Where the thigh's turn alone would have brought a straight leg of the performer.
        let carried =
            performer.rotation(source.hip) * self.alignment.world_to_reference[source.hip];
        let swing = DQuat::from_rotation_arc(thigh.normalize_or(DVec3::NEG_Y), whole.normalize());
        let target = swing * (carried * fold.reference) * (whole.length() / straight);
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

    /// World rotations before any twist is spread.
    fn driven_rotations(&self, performer: &WorldPose) -> Vec<DQuat> {
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
        rotations
    }

    /// A joint without driver keeps its rest pose relative to its parent, turned by its offset.
    fn following(&self, joint: usize, rotations: &[DQuat]) -> DQuat {
        match self.skeleton.parent(joint) {
            Some(parent) => {
                let at_rest = self.skeleton.joint(joint).rest.rotation;
                rotations[parent] * at_rest * self.alignment.offsets[joint]
            }
            None => self.alignment.aligned[joint],
        }
    }

    fn spread(&self, twist: &'a Twist) -> Spread<'a> {
        // Rest rotation and offset of a joint as seen from one above it.
        let seen_from = |above: usize, joint: usize| {
            let path = self.skeleton.path(above, joint).unwrap_or_default();
            let (mut rotation, mut offset) = (DQuat::IDENTITY, DVec3::ZERO);
            for &joint in path.iter().skip(1) {
                let rest = &self.skeleton.joint(joint).rest;
                offset += rotation * rest.translation;
                rotation *= rest.rotation;
            }
            (rotation, offset)
        };
        let is_free = |joint: usize| {
            let path = self.skeleton.path(twist.joint, joint).unwrap_or_default();
            path.iter().all(|&j| self.alignment.drivers[j].is_none())
        };
        Spread {
            twist,
            bone: seen_from(twist.from, twist.to).1,
            rest: seen_from(twist.from, twist.joint).0,
            followers: self
                .skeleton
                .subtree(twist.joint)
                .into_iter()
                .filter(|&joint| joint != twist.joint && is_free(joint))
                .collect(),
        }
    }

    /// World rotation of a twist joint: that of the segment's inner end, turned about the
    /// segment by its share of the twist of the outer end.
    fn twisted(&self, spread: &Spread<'_>, rotations: &[DQuat]) -> DQuat {
        let aligned = &self.alignment.aligned;
        let (from, to) = (spread.twist.from, spread.twist.to);
        // Both ends since the aligned pose; what differs about the bone is the twist.
        let turn_from = rotations[from] * aligned[from].inverse();
        let turn_to = rotations[to] * aligned[to].inverse();
        let world_bone = (rotations[from] * spread.bone).normalize_or(DVec3::Y);
        let between = turn_to * turn_from.inverse();
        let angle = twist_about(between, world_bone);
        let base = rotations[from] * spread.rest;
        let turned = DQuat::from_axis_angle(world_bone, spread.twist.share * angle) * base;
        turned * self.alignment.offsets[spread.twist.joint]
    }
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
