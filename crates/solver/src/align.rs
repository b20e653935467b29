//! Rest alignment: the pose of the character that corresponds to the performer's reference pose,
//! and which joints of the performer drive which joint of the character.
//!
//! A joint's world rotation on the character is `D · aligned`, where `D` is the turn of its
//! drivers since the reference pose and `aligned` the character's rotation in that pose.

use std::collections::BTreeMap;

use understudy_anatomy::{Arm, Body, JointPoint, Leg};
use understudy_motion::{DQuat, DVec3, Skeleton, WorldPose};

use crate::foot::Foot;
use crate::settings::ExtraArms;

/// One joint's drivers: a blend of the turns of two joints of the performer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Driver {
    /// Joint of the performer.
    pub a: usize,
    /// Another, or the same.
    pub b: usize,
    /// Share of `b`, 0 to 1.
    pub t: f64,
}

impl Driver {
    fn single(joint: usize) -> Self {
        Self {
            a: joint,
            b: joint,
            t: 0.0,
        }
    }
}

/// How the character follows the performer, joint by joint.
#[derive(Clone, Debug, PartialEq)]
pub struct Alignment {
    /// Per joint of the performer: `joint_from_world` of the reference pose.
    pub world_to_reference: Vec<DQuat>,
    /// Per joint of the character: its drivers; `None` keeps the rest pose relative to the parent.
    pub drivers: Vec<Option<Driver>>,
    /// Per joint of the character: world rotation when the performer is in the reference pose.
    pub aligned: Vec<DQuat>,
    /// Turn about Y from the character's facing to the performer's.
    pub facing: DQuat,
    /// Per joint of the character: how offsets of it and of the joints above have turned it, world.
    pub turned: Vec<DQuat>,
    /// Per joint of the character: its own offset, in its own coordinates.
    pub offsets: Vec<DQuat>,
}

/// One side of an alignment: a skeleton in its reference pose, Y up, read as a body.
#[derive(Clone, Copy)]
pub struct Side<'a> {
    /// The joints.
    pub skeleton: &'a Skeleton,
    /// Their meaning.
    pub body: &'a Body,
    /// World transforms in the reference pose.
    pub pose: &'a WorldPose,
    /// Level facing in the reference pose.
    pub forward: DVec3,
    /// Feet in the order of the body's legs.
    pub feet: &'a [Foot],
}

/// Share of the performer's foot roll that the foot of a leg on its toes takes over.
const ROLL_OF_LONG_FOOT: f64 = 0.5;

/// Whether a leg of the character walks on its toes while the performer's, which drives it, walks
/// on its soles.
pub fn stands_on_toes_alone(leg: &Leg, source: &Leg) -> bool {
    leg.digitigrade && !source.digitigrade
}

struct Builder<'a> {
    performer: Side<'a>,
    character: Side<'a>,
    result: Alignment,
}

/// Aligns a character with a performer.
///
/// Limb directions are aligned bone by bone from the trunk outward, each by the shortest turn;
/// the trunk keeps the character's own posture. Legs that walk on their toes are aligned as a
/// whole, so that they keep their bend.
pub fn align(performer: Side<'_>, character: Side<'_>, extra_arms: ExtraArms) -> Alignment {
    let facing = yaw_between(character.forward, performer.forward);
    let count = character.skeleton.len();
    let mut builder = Builder {
        performer,
        character,
        result: Alignment {
            world_to_reference: performer
                .pose
                .rotations
                .iter()
                .map(|q| q.inverse())
                .collect(),
            drivers: vec![None; count],
            aligned: character
                .pose
                .rotations
                .iter()
                .map(|q| facing * *q)
                .collect(),
            facing,
            turned: vec![DQuat::IDENTITY; count],
            offsets: vec![DQuat::IDENTITY; count],
        },
    };
    builder.trunk();
    builder.arms(extra_arms);
    builder.legs();
    builder.result
}

/// The turn about Y between two level directions.
pub fn yaw_between(from: DVec3, to: DVec3) -> DQuat {
    let angle = from.cross(to).y.atan2(from.dot(to));
    DQuat::from_rotation_y(angle)
}

impl Builder<'_> {
    fn drive(&mut self, joint: usize, driver: Driver) {
        self.result.drivers[joint] = Some(driver);
    }

    fn trunk(&mut self) {
        let (p, c) = (self.performer.body, self.character.body);
        self.drive(c.root, Driver::single(p.root));
        self.drive(c.pelvis, Driver::single(p.pelvis));
        let p_spine = with_start(p.root, &p.spine);
        self.chain(&with_start(c.root, &c.spine), &p_spine);
        let p_chest = p.spine.last().copied().unwrap_or(p.root);
        let c_chest = c.spine.last().copied().unwrap_or(c.root);
        let with_head = |chest: usize, body: &Body| -> Vec<usize> {
            let mut chain = with_start(chest, &body.neck);
            chain.extend(body.head);
            chain
        };
        self.chain(&with_head(c_chest, c), &with_head(p_chest, p));
    }

    /// Maps a chain of the character onto one of the performer by arc length; both start at a
    /// joint that is mapped already.
    fn chain(&mut self, character: &[usize], performer: &[usize]) {
        let places = chain_places(character, self.character.pose);
        let source = chain_places(performer, self.performer.pose);
        for (&joint, &place) in character.iter().zip(&places).skip(1) {
            self.drive(joint, driver_at(performer, &source, place));
        }
    }

    fn arms(&mut self, extra: ExtraArms) {
        let (p, c) = (self.performer.body, self.character.body);
        let p_chest = p.spine.last().copied().unwrap_or(p.root);
        let c_chest = c.spine.last().copied().unwrap_or(c.root);
        for arm in &c.arms {
            if arm.pair > 0 && extra == ExtraArms::Rest {
                continue;
            }
            let pairs = p.arms.iter().filter(|a| a.side == arm.side).count();
            let Some(source) = p.arm(arm.side, arm.pair.min(pairs.saturating_sub(1))) else {
                continue;
            };
            if !source.clavicle.is_empty() {
                self.chain(
                    &with_start(c_chest, &arm.clavicle),
                    &with_start(p_chest, &source.clavicle),
                );
            } else {
                for &joint in &arm.clavicle {
                    self.drive(joint, Driver::single(p_chest));
                }
            }
            self.arm(arm, source);
        }
    }

    fn arm(&mut self, arm: &Arm, source: &Arm) {
        let mut turn = self.result.facing;
        let end = |arm: &Arm| arm.wrist.map_or(arm.hand_tip, JointPoint::origin);
        let origin = JointPoint::origin;
        turn = self.bone(
            arm.shoulder,
            (origin(arm.shoulder), origin(arm.elbow)),
            (origin(source.shoulder), origin(source.elbow)),
            turn,
        );
        self.drive(arm.shoulder, Driver::single(source.shoulder));
        turn = self.bone(
            arm.elbow,
            (origin(arm.elbow), end(arm)),
            (origin(source.elbow), end(source)),
            turn,
        );
        self.drive(arm.elbow, Driver::single(source.elbow));
        let Some(wrist) = arm.wrist else { return };
        self.result.aligned[wrist] = turn * self.character.pose.rotation(wrist);
        self.drive(wrist, Driver::single(source.wrist.unwrap_or(source.elbow)));
        let Some(source_wrist) = source.wrist else {
            return;
        };
        let (to, from) = (
            palm(arm, self.character.pose),
            palm(source, self.performer.pose),
        );
        turn = self.bone_towards(
            wrist,
            to - self.character.pose.position(wrist),
            from - self.performer.pose.position(source_wrist),
            turn,
        );
        self.fingers(arm, source, turn);
    }

    fn fingers(&mut self, arm: &Arm, source: &Arm, hand_turn: DQuat) {
        for finger in &arm.fingers {
            let nearest = source
                .fingers
                .iter()
                .filter(|s| (s.ray == 1) == (finger.ray == 1))
                .min_by_key(|s| s.ray.abs_diff(finger.ray));
            let Some(nearest) = nearest else { continue };
            let places = chain_places(&finger.joints, self.character.pose);
            let from = chain_places(&nearest.joints, self.performer.pose);
            let mut turn = hand_turn;
            for (n, &joint) in finger.joints.iter().enumerate() {
                self.drive(joint, driver_at(&nearest.joints, &from, places[n]));
                // The bone beyond the joint, where both have one.
                let next = |joints: &[usize], at: usize, pose: &WorldPose| {
                    Some(pose.position(*joints.get(at + 1)?) - pose.position(joints[at]))
                };
                let own = next(&finger.joints, n, self.character.pose);
                let other = next(&nearest.joints, n, self.performer.pose);
                turn = match (own, other) {
                    (Some(own), Some(other)) => self.bone_towards(joint, own, other, turn),
                    _ => {
                        self.result.aligned[joint] = turn * self.character.pose.rotation(joint);
                        turn
                    }
                };
            }
        }
    }

    fn legs(&mut self) {
        for (leg, foot) in self.character.body.legs.iter().zip(self.character.feet) {
            let Some(source_index) = source_leg(self.performer.body, leg) else {
                continue;
            };
            let source = &self.performer.body.legs[source_index];
            self.leg(leg, source);
            let flat = (foot, &self.performer.feet[source_index]);
            self.foot(flat, stands_on_toes_alone(leg, source));
        }
    }

    fn leg(&mut self, leg: &Leg, source: &Leg) {
        let origin = JointPoint::origin;
        let facing = self.result.facing;
        if leg.digitigrade != source.digitigrade {
            let end = |leg: &Leg| {
                if leg.digitigrade {
                    leg.toe_joint()
                } else {
                    leg.ankle
                }
            };
            let turn = self.bone(
                leg.hip,
                (origin(leg.hip), origin(end(leg))),
                (origin(source.hip), origin(end(source))),
                facing,
            );
            self.result.aligned[leg.knee] = turn * self.character.pose.rotation(leg.knee);
        } else {
            let turn = self.bone(
                leg.hip,
                (origin(leg.hip), origin(leg.knee)),
                (origin(source.hip), origin(source.knee)),
                facing,
            );
            self.bone(
                leg.knee,
                (origin(leg.knee), origin(leg.ankle)),
                (origin(source.knee), origin(source.ankle)),
                turn,
            );
        }
        self.drive(leg.hip, Driver::single(source.hip));
        self.drive(leg.knee, Driver::single(source.knee));
    }

    /// Feet are aligned flat on flat, heading on heading.
    fn foot(&mut self, (foot, source): (&Foot, &Foot), on_toes_alone: bool) {
        let turn = yaw_between(foot.heading, source.heading);
        let reference = &mut self.result.world_to_reference;
        reference[source.toe_joint] = source.flat_toes.inverse();
        reference[source.ankle] = source.flat_ankle.inverse();
        self.result.aligned[foot.toe_joint] = turn * foot.flat_toes;
        self.result.aligned[foot.ankle] = turn * foot.flat_ankle;
        self.drive(foot.toe_joint, Driver::single(source.toe_joint));
        let follows = if on_toes_alone {
            // The long foot of such a leg would tip over with the whole roll of a short one.
            Driver {
                a: self.performer.body.pelvis,
                b: source.ankle,
                t: ROLL_OF_LONG_FOOT,
            }
        } else {
            Driver::single(source.ankle)
        };
        self.drive(foot.ankle, follows);
    }

    /// Aligns the bone between two points and returns the turn so far, for the next bone.
    fn bone(
        &mut self,
        joint: usize,
        own: (JointPoint, JointPoint),
        other: (JointPoint, JointPoint),
        turn: DQuat,
    ) -> DQuat {
        let (c, p) = (self.character.pose, self.performer.pose);
        let own = own.1.world(c) - own.0.world(c);
        let other = other.1.world(p) - other.0.world(p);
        self.bone_towards(joint, own, other, turn)
    }

    fn bone_towards(&mut self, joint: usize, own: DVec3, other: DVec3, turn: DQuat) -> DQuat {
        let turn = match ((turn * own).try_normalize(), other.try_normalize()) {
            (Some(own), Some(other)) => DQuat::from_rotation_arc(own, other) * turn,
            _ => turn,
        };
        self.result.aligned[joint] = turn * self.character.pose.rotation(joint);
        turn
    }
}

impl Alignment {
    /// From hip to ankle in the aligned pose, world, metres.
    pub fn aligned_leg(&self, rest: &WorldPose, leg: &Leg) -> DVec3 {
        let bone = |joint: usize, to: usize| {
            let in_joint =
                rest.rotation(joint).inverse() * (rest.position(to) - rest.position(joint));
            self.aligned[joint] * in_joint
        };
        bone(leg.hip, leg.knee) + bone(leg.knee, leg.ankle)
    }

    /// A knee's axis in the thigh's coordinates if the leg bends straight forward: the body's
    /// left, about which a positive turn brings a hanging shank backward. An offset turns thigh and
    /// axis as one.
    pub fn knee_prior(&self, body: &Body, leg: &Leg) -> DVec3 {
        let left = self.turned[leg.hip] * self.facing * body.frame.left();
        self.aligned[leg.hip].inverse() * left
    }

    /// Adds turns to joints and to all that hangs on them. `offsets` maps joints of the character
    /// to rotation vectors in radians, in the character's world axes at rest; `rest` is its rest pose.
    pub fn add_offsets(
        &mut self,
        skeleton: &Skeleton,
        rest: &WorldPose,
        offsets: &BTreeMap<usize, DVec3>,
    ) {
        for joint in 0..skeleton.len() {
            let mut turn = skeleton
                .parent(joint)
                .map_or(DQuat::IDENTITY, |parent| self.turned[parent]);
            if let Some(offset) = offsets.get(&joint) {
                let own = DQuat::from_scaled_axis(*offset);
                let at_rest = rest.rotation(joint);
                self.offsets[joint] = at_rest.inverse() * own * at_rest;
                turn *= self.facing * own * self.facing.inverse();
            }
            self.turned[joint] = turn;
            self.aligned[joint] = turn * self.aligned[joint];
        }
    }

    /// `joint_from_axes`: the axes in which the offset of a joint is written, as that joint carries
    /// them along; `rest` is the character's rest pose. With the world rotation S of the joint in any
    /// pose, a further turn q of the world there is the offset a⁻¹ q a ∘ offset, where a = S ·
    /// `joint_from_axes`.
    pub fn offset_axes(&self, skeleton: &Skeleton, rest: &WorldPose, joint: usize) -> DQuat {
        let is_driven = self.drivers[joint].is_some() || skeleton.parent(joint).is_none();
        if is_driven {
            let above = skeleton.parent(joint);
            let above = above.map_or(DQuat::IDENTITY, |parent| self.turned[parent]);
            (above.inverse() * self.aligned[joint]).inverse() * self.facing
        } else {
            (rest.rotation(joint) * self.offsets[joint]).inverse()
        }
    }
}

/// The performer's leg that drives a leg of the character: same side, same pair, or the last pair
/// where the performer has fewer.
pub fn source_leg(performer: &Body, leg: &Leg) -> Option<usize> {
    performer
        .legs
        .iter()
        .enumerate()
        .filter(|(_, source)| source.side == leg.side && source.pair <= leg.pair)
        .max_by_key(|(_, source)| source.pair)
        .map(|(index, _)| index)
}

fn with_start(start: usize, chain: &[usize]) -> Vec<usize> {
    std::iter::once(start)
        .chain(chain.iter().copied())
        .collect()
}

/// Places of joints along a chain by arc length: 0 for the first, 1 for the last.
fn chain_places(chain: &[usize], pose: &WorldPose) -> Vec<f64> {
    let mut places = vec![0.0];
    for pair in chain.windows(2) {
        let step = pose.position(pair[0]).distance(pose.position(pair[1]));
        places.push(places.last().copied().unwrap_or(0.0) + step);
    }
    let total = places.last().copied().unwrap_or(0.0);
    if total > 0.0 {
        places.iter_mut().for_each(|place| *place /= total);
        places
    } else {
        // A chain of no length is spread evenly.
        let last = (chain.len() - 1).max(1) as f64;
        (0..chain.len()).map(|i| i as f64 / last).collect()
    }
}

/// The blend of the performer's joints at a place along their chain.
fn driver_at(chain: &[usize], places: &[f64], place: f64) -> Driver {
    let last = chain.len() - 1;
    let next = places
        .iter()
        .position(|p| *p >= place - 1e-9)
        .unwrap_or(last);
    if next == 0 || places[next] - place < 1e-9 {
        return Driver::single(chain[next]);
    }
    let (low, high) = (places[next - 1], places[next]);
    Driver {
        a: chain[next - 1],
        b: chain[next],
        t: (place - low) / (high - low),
    }
}

/// Middle of the knuckles (thumb left out), or the tip of the hand, in the world.
fn palm(arm: &Arm, pose: &WorldPose) -> DVec3 {
    let knuckles: Vec<DVec3> = arm
        .fingers
        .iter()
        .filter(|finger| finger.ray != 1)
        .filter_map(|finger| finger.joints.first())
        .map(|&joint| pose.position(joint))
        .collect();
    if knuckles.is_empty() {
        arm.hand_tip.world(pose)
    } else {
        knuckles.iter().sum::<DVec3>() / knuckles.len() as f64
    }
}
