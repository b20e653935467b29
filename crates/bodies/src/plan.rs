//! The joints of a described body, laid out in the working frame: Y up, Z forward, X to the
//! body's left, the soles at height 0, the mid-hip above the origin.

use glam::{DMat3, DQuat, DVec3};
use understudy_anatomy::body::{AppendageKind, Side};
use understudy_motion::{Axis, Joint, Skeleton, Transform};

use crate::description::{Appendage, ArmPair, Description, JointAxes, LegKind};
use crate::error::BodyError;
use crate::naming::joint_name;
use crate::proportions as human;

/// The two sides, in the order in which limbs are listed.
pub(crate) const SIDES: [Side; 2] = [Side::Left, Side::Right];

/// +1 to the left, −1 to the right.
pub(crate) fn sign(side: Side) -> f64 {
    match side {
        Side::Left => 1.0,
        Side::Right => -1.0,
        Side::Middle => 0.0,
    }
}

/// What a joint is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Part {
    Pelvis,
    Spine,
    Neck,
    Head,
    Clavicle,
    Shoulder,
    Elbow,
    Wrist,
    /// Ray of the hand, 1 for the thumb.
    Finger(u8),
    Hip,
    Knee,
    Ankle,
    Ball,
    /// A toe, 0 for the innermost.
    Toe(usize),
    Appendage(AppendageKind),
    /// A joint that shares the twist of the segment below its parent.
    Twist,
}

/// A joint in place.
#[derive(Clone, Debug)]
pub(crate) struct Bone {
    pub(crate) part: Part,
    pub(crate) side: Side,
    /// Pair of arms, 0 for the upper.
    pub(crate) pair: usize,
    /// Place in its chain, from the body outward.
    pub(crate) ordinal: usize,
    pub(crate) parent: Option<usize>,
    /// Working frame, metres.
    pub(crate) position: DVec3,
    /// End sites, working frame, metres.
    pub(crate) tips: Vec<DVec3>,
}

/// All joints of a body, parents first.
#[derive(Clone, Debug)]
pub(crate) struct Plan<'a> {
    pub(crate) description: &'a Description,
    pub(crate) bones: Vec<Bone>,
}

/// Side and pair that the joints of one limb share.
#[derive(Clone, Copy)]
struct Place {
    side: Side,
    pair: usize,
}

const MIDDLE: Place = Place {
    side: Side::Middle,
    pair: 0,
};

impl<'a> Plan<'a> {
    /// Lays the body out. The description must have been checked.
    pub(crate) fn new(description: &'a Description) -> Self {
        let mut plan = Self {
            description,
            bones: Vec::new(),
        };
        let pelvis = plan.push(
            Part::Pelvis,
            MIDDLE,
            0,
            None,
            DVec3::Y * plan.hip_height_m(),
        );
        plan.add_spine(pelvis);
        let head = plan.add_neck_and_head();
        if let Some(ears) = &description.ears {
            plan.add_ears(ears, head);
        }
        for (pair, arm) in description.arms.iter().enumerate() {
            for side in SIDES {
                plan.add_arm(arm, Place { side, pair });
            }
        }
        if let Some(wings) = &description.wings {
            plan.add_wings(wings);
        }
        for side in SIDES {
            plan.add_leg(Place { side, pair: 0 });
        }
        if let Some(tail) = &description.tail {
            plan.add_tail(tail, pelvis);
        }
        plan
    }

    /// Numbers of the joints of a part and side, in order.
    pub(crate) fn all(&self, part: Part, side: Side) -> Vec<usize> {
        (0..self.bones.len())
            .filter(|&bone| self.bones[bone].part == part && self.bones[bone].side == side)
            .collect()
    }

    /// The joint of a part, side and pair.
    pub(crate) fn find(&self, part: Part, side: Side, pair: usize) -> Option<usize> {
        self.bones
            .iter()
            .position(|bone| bone.part == part && bone.side == side && bone.pair == pair)
    }

    /// The joint of the other side for each joint; itself in the middle.
    pub(crate) fn mirror(&self) -> Vec<usize> {
        let mut mirror: Vec<usize> = Vec::with_capacity(self.bones.len());
        for bone in &self.bones {
            let side = match bone.side {
                Side::Left => Side::Right,
                Side::Right => Side::Left,
                Side::Middle => Side::Middle,
            };
            let is_other = |other: &Bone| {
                let same =
                    (other.part, other.pair, other.ordinal) == (bone.part, bone.pair, bone.ordinal);
                // Twist joints are told apart by what they hang from.
                same && other.side == side
                    && self.part_of(other.parent) == self.part_of(bone.parent)
            };
            let found = self.bones.iter().position(is_other);
            mirror.push(found.unwrap_or(mirror.len()));
        }
        mirror
    }

    fn part_of(&self, bone: Option<usize>) -> Option<Part> {
        bone.map(|bone| self.bones[bone].part)
    }

    /// Joints of all fingers of a hand.
    pub(crate) fn all_of_fingers(&self, side: Side, pair: usize) -> Vec<usize> {
        (0..self.bones.len())
            .filter(|&bone| {
                let bone = &self.bones[bone];
                matches!(bone.part, Part::Finger(_)) && bone.side == side && bone.pair == pair
            })
            .collect()
    }

    /// The joint that goes on where `bone` leaves off.
    pub(crate) fn next(&self, bone: usize) -> Option<usize> {
        let part = self.bones[bone].part;
        (bone + 1..self.bones.len()).find(|&child| {
            self.bones[child].parent == Some(bone) && goes_on(part, self.bones[child].part)
        })
    }

    /// Joints that share the twist below `bone`, from it outward.
    pub(crate) fn twists(&self, bone: usize) -> Vec<usize> {
        (0..self.bones.len())
            .filter(|&child| {
                self.bones[child].parent == Some(bone) && self.bones[child].part == Part::Twist
            })
            .collect()
    }

    /// Unit direction of the bone that starts at a joint, working frame.
    pub(crate) fn aim(&self, bone: usize) -> DVec3 {
        let here = &self.bones[bone];
        let end = match self.next(bone) {
            Some(next) => Some(self.bones[next].position),
            None => here.tips.first().copied(),
        };
        end.and_then(|end| (end - here.position).try_normalize())
            .or_else(|| here.parent.map(|parent| self.aim(parent)))
            .unwrap_or(DVec3::Y)
    }

    /// Unit direction of the trunk, from the pelvis up.
    pub(crate) fn trunk_direction(&self) -> DVec3 {
        pitched_up(self.description.torso.trunk_pitch_degrees)
    }

    /// Where the neck starts, metres.
    pub(crate) fn trunk_top(&self) -> DVec3 {
        self.bones[0].position + self.trunk_direction() * self.description.trunk_m()
    }

    fn push(
        &mut self,
        part: Part,
        place: Place,
        ordinal: usize,
        parent: Option<usize>,
        position: DVec3,
    ) -> usize {
        self.bones.push(Bone {
            part,
            side: place.side,
            pair: place.pair,
            ordinal,
            parent,
            position,
            tips: Vec::new(),
        });
        self.bones.len() - 1
    }

    fn add_spine(&mut self, pelvis: usize) {
        let count = self.description.torso.spine_joints;
        let (start, top) = (self.bones[pelvis].position, self.trunk_top());
        let mut parent = pelvis;
        for ordinal in 0..count {
            let share = (ordinal + 1) as f64 / (count + 1) as f64;
            let at = start.lerp(top, share);
            parent = self.push(Part::Spine, MIDDLE, ordinal, Some(parent), at);
        }
    }

    /// The uppermost joint of the trunk that lies below a level along it, metres from the pelvis.
    fn trunk_joint_below(&self, level_m: f64) -> usize {
        let along = |bone: usize| {
            (self.bones[bone].position - self.bones[0].position).dot(self.trunk_direction())
        };
        self.all(Part::Spine, Side::Middle)
            .into_iter()
            .rfind(|&bone| along(bone) < level_m)
            .unwrap_or(0)
    }

    fn add_neck_and_head(&mut self) -> usize {
        let torso = &self.description.torso;
        let length_m = self.description.length_m(torso.neck_m, human::NECK);
        let count = torso.neck_joints;
        let pieces = count.max(1);
        let mut parent = self.trunk_joint_below(self.description.trunk_m());
        let mut at = self.trunk_top();
        for piece in 0..pieces {
            if piece < count {
                parent = self.push(Part::Neck, MIDDLE, piece, Some(parent), at);
            }
            let upright = piece as f64 / pieces as f64;
            let wave = (std::f64::consts::PI * upright).sin() * torso.neck_wave_degrees;
            let pitch_degrees = torso.neck_pitch_degrees * (1.0 - upright) - wave;
            at += pitched_up(pitch_degrees) * length_m / pieces as f64;
        }
        let head = self.push(Part::Head, MIDDLE, 0, Some(parent), at);
        let top = at + DVec3::Y * self.description.head_m();
        self.bones[head].tips.push(top);
        head
    }

    fn add_ears(&mut self, ears: &Appendage, head: usize) {
        let radius_m = self.head_radius_m();
        for side in SIDES {
            let start = self.head_centre()
                + DVec3::new(0.55 * sign(side), 0.75, -0.1).normalize() * 0.9 * radius_m;
            let out = DVec3::new(sign(side), 0.0, 0.0);
            let direction = risen(out, ears.rise_degrees);
            let kind = Part::Appendage(AppendageKind::Ear);
            self.add_chain(kind, side, ears, head, start, direction);
        }
    }

    fn add_wings(&mut self, wings: &Appendage) {
        let level_m = 0.85 * self.description.trunk_m();
        let parent = self.trunk_joint_below(level_m);
        let on_trunk = self.bones[0].position + self.trunk_direction() * level_m;
        let half_m = 0.25 * self.description.length_m(None, human::SHOULDER_WIDTH);
        for side in SIDES {
            let start = on_trunk + DVec3::new(sign(side) * half_m, 0.0, -half_m);
            let out = DVec3::new(sign(side), 0.0, -1.0).normalize();
            let direction = risen(out, wings.rise_degrees);
            let kind = Part::Appendage(AppendageKind::Wing);
            self.add_chain(kind, side, wings, parent, start, direction);
        }
    }

    fn add_tail(&mut self, tail: &Appendage, pelvis: usize) {
        let start = self.bones[pelvis].position - DVec3::Z * 0.8 * self.hips_depth_m();
        let direction = risen(DVec3::NEG_Z, tail.rise_degrees);
        let kind = Part::Appendage(AppendageKind::Tail);
        self.add_chain(kind, Side::Middle, tail, pelvis, start, direction);
    }

    fn add_chain(
        &mut self,
        part: Part,
        side: Side,
        appendage: &Appendage,
        parent: usize,
        start: DVec3,
        direction: DVec3,
    ) {
        let step = direction * appendage.length_m / appendage.joints as f64;
        let place = Place { side, pair: 0 };
        let mut last = parent;
        for ordinal in 0..appendage.joints {
            let at = start + step * ordinal as f64;
            last = self.push(part, place, ordinal, Some(last), at);
        }
        self.bones[last]
            .tips
            .push(start + step * appendage.joints as f64);
    }

    fn add_arm(&mut self, arm: &ArmPair, place: Place) {
        let description = self.description;
        let left = sign(place.side);
        let drop_m = arm.drop_m.min(0.9 * description.trunk_m());
        let level_m = description.trunk_m() - drop_m;
        let middle = self.bones[0].position + self.trunk_direction() * level_m;
        let half_m = description.length_m(arm.shoulder_width_m, human::SHOULDER_WIDTH) / 2.0;
        let mut parent = self.trunk_joint_below(level_m);
        if arm.clavicles {
            // The inner end of a clavicle lies near the midline.
            let at = middle + DVec3::X * left * 0.15 * half_m;
            parent = self.push(Part::Clavicle, place, 0, Some(parent), at);
        }
        let along = self.arm_direction(place.side);
        let upper_m = description.length_m(arm.upper_arm_m, human::UPPER_ARM);
        let forearm_m = description.length_m(arm.forearm_m, human::FOREARM);
        let shoulder_at = middle + DVec3::X * left * half_m;
        let elbow_at = shoulder_at + along * upper_m;
        let wrist_at = elbow_at + along * forearm_m;
        let shoulder = self.push(Part::Shoulder, place, 0, Some(parent), shoulder_at);
        self.add_twists(shoulder, elbow_at, arm.twist_joints);
        let elbow = self.push(Part::Elbow, place, 0, Some(shoulder), elbow_at);
        self.add_twists(elbow, wrist_at, arm.twist_joints);
        let wrist = self.push(Part::Wrist, place, 0, Some(elbow), wrist_at);
        self.add_hand(arm, place, wrist);
    }

    /// Unit direction of an arm at rest, from shoulder to hand.
    pub(crate) fn arm_direction(&self, side: Side) -> DVec3 {
        let drop = self.description.rest.drop_radians();
        DVec3::new(sign(side) * drop.cos(), -drop.sin(), 0.0)
    }

    fn add_hand(&mut self, arm: &ArmPair, place: Place, wrist: usize) {
        let along = self.arm_direction(place.side);
        let hand_m = self.description.length_m(arm.hand_m, human::HAND);
        let wrist_at = self.bones[wrist].position;
        if arm.fingers == 0 {
            self.bones[wrist].tips.push(wrist_at + along * hand_m);
        }
        for &ray in rays(arm.fingers) {
            let finger = Ray::new(ray);
            let spread = arm.finger_spread;
            // Fingers that stand apart also point apart.
            let forward = finger.forward + (spread - 1.0) * finger.base_across;
            let direction = (along * finger.along + DVec3::Z * forward).normalize();
            let across = DVec3::Z * finger.base_across * spread;
            let base = wrist_at + (along * finger.base_along + across) * hand_m;
            self.add_finger(
                arm,
                place,
                wrist,
                ray,
                base,
                direction * finger.length * hand_m,
            );
        }
    }

    fn add_finger(
        &mut self,
        arm: &ArmPair,
        place: Place,
        wrist: usize,
        ray: u8,
        base: DVec3,
        whole: DVec3,
    ) {
        let mut last = wrist;
        for ordinal in 0..arm.finger_joints {
            let at = base + whole * share_of_finger(ordinal, arm.finger_joints);
            last = self.push(Part::Finger(ray), place, ordinal, Some(last), at);
        }
        self.bones[last].tips.push(base + whole);
    }

    fn add_twists(&mut self, from: usize, to: DVec3, count: usize) {
        let (start, side) = (self.bones[from].position, self.bones[from].side);
        let place = Place {
            side,
            pair: self.bones[from].pair,
        };
        for ordinal in 0..count {
            let at = start.lerp(to, twist_share(ordinal, count));
            self.push(Part::Twist, place, ordinal, Some(from), at);
        }
    }

    fn add_leg(&mut self, place: Place) {
        let legs = &self.description.legs;
        let points = self.leg_points(place.side);
        let hip = self.push(Part::Hip, place, 0, Some(0), points.hip);
        self.add_twists(hip, points.knee, legs.twist_joints);
        let knee = self.push(Part::Knee, place, 0, Some(hip), points.knee);
        self.add_twists(knee, points.ankle, legs.twist_joints);
        let ankle = self.push(Part::Ankle, place, 0, Some(knee), points.ankle);
        if legs.toes == 0 {
            self.bones[ankle].tips.push(points.toe_tip);
            return;
        }
        let ball = self.push(Part::Ball, place, 0, Some(ankle), points.ball);
        if legs.toes == 1 {
            self.bones[ball].tips.push(points.toe_tip);
            return;
        }
        let toe_m = points.toe_tip.z - points.ball.z;
        for toe in 0..legs.toes {
            // Spread over 50 degrees, the middle toe the longest.
            let fan = toe as f64 / (legs.toes - 1) as f64 - 0.5;
            let angle = (50.0 * fan).to_radians() * sign(place.side);
            let out = DVec3::new(angle.sin(), 0.0, angle.cos());
            let length_m = toe_m * (1.0 - 0.3 * fan.abs());
            let at = points.ball + out * 0.3 * length_m;
            let joint = self.push(Part::Toe(toe), place, 0, Some(ball), at);
            let tip = points.ball + out * length_m;
            self.bones[joint].tips.push(DVec3::new(tip.x, 0.0, tip.z));
        }
    }

    /// Height of the hips above the soles, metres.
    pub(crate) fn hip_height_m(&self) -> f64 {
        -self.leg_from_hip().toe_tip.y
    }

    /// The points of a leg, working frame, metres.
    pub(crate) fn leg_points(&self, side: Side) -> LegPoints {
        let legs = &self.description.legs;
        let half_m = self
            .description
            .length_m(legs.hip_width_m, human::HIP_JOINT_WIDTH)
            / 2.0;
        let hip = DVec3::new(sign(side) * half_m, self.hip_height_m(), 0.0);
        self.leg_from_hip().moved(hip)
    }

    fn leg_from_hip(&self) -> LegPoints {
        let (body, legs) = (self.description, &self.description.legs);
        let digitigrade = legs.kind == LegKind::Digitigrade;
        let default = |degrees: f64| if digitigrade { degrees } else { 0.0 };
        let thigh_pitch = legs
            .thigh_pitch_degrees
            .unwrap_or(default(25.0))
            .to_radians();
        let shank_pitch = legs
            .shank_pitch_degrees
            .unwrap_or(default(45.0))
            .to_radians();
        let down = |pitch: f64| DVec3::new(0.0, -pitch.cos(), pitch.sin());
        let knee = down(thigh_pitch) * body.length_m(legs.thigh_m, human::THIGH);
        let ankle = knee + down(-shank_pitch) * body.length_m(legs.shank_m, human::SHANK);
        let foot_m = body.length_m(legs.foot_m, human::ANKLE_TO_BALL);
        let ball_height_m = body.ball_height_m();
        let ball = if digitigrade {
            ankle + down(legs.foot_pitch_degrees.to_radians()) * foot_m
        } else {
            let ankle_height_m = body.length_m(legs.ankle_height_m, human::ANKLE_HEIGHT);
            ankle + DVec3::new(0.0, ball_height_m - ankle_height_m, foot_m)
        };
        let toe_m = body.length_m(legs.toe_m, human::TOES);
        LegPoints {
            hip: DVec3::ZERO,
            knee,
            ankle,
            ball,
            toe_tip: ball + DVec3::new(0.0, -ball_height_m, toe_m),
        }
    }

    /// Radius of the head, metres.
    pub(crate) fn head_radius_m(&self) -> f64 {
        // Half the breadth of the head, 0.087 of stature (common practice).
        let body = self.description;
        let radius_m = body.radius_m(body.thickness.head_m, 0.048);
        radius_m.min(0.75 * body.head_m())
    }

    /// Middle of the skull, working frame, metres.
    pub(crate) fn head_centre(&self) -> DVec3 {
        let top = self
            .find(Part::Head, Side::Middle, 0)
            .map_or(DVec3::ZERO, |head| {
                self.bones[head].position + DVec3::Y * self.description.head_m()
            });
        top - DVec3::Y * self.head_radius_m()
    }

    /// Half depth of the trunk at the hips, metres.
    pub(crate) fn hips_depth_m(&self) -> f64 {
        let thickness = &self.description.thickness;
        let half_breadth_m = self
            .description
            .radius_m(thickness.hips_m, 0.5 * human::HIP_BREADTH);
        half_breadth_m * thickness.trunk_flatness
    }

    /// World rotation of a joint at rest in the file's coordinates.
    fn file_rotation(&self, bone: usize, file_from_working: DQuat) -> DQuat {
        match self.description.axes {
            JointAxes::World => DQuat::IDENTITY,
            JointAxes::AlongBone(axis) => {
                (file_from_working * along_bone(axis, self.aim(bone))).normalize()
            }
        }
    }

    /// The joints as a skeleton in the file's coordinates.
    ///
    /// # Errors
    /// A joint below the floor, or up and facing on one line.
    pub(crate) fn skeleton(&self) -> Result<Skeleton, BodyError> {
        let file_from_working = self.description.frame()?.working_from_file().inverse();
        let rotations: Vec<DQuat> = (0..self.bones.len())
            .map(|bone| self.file_rotation(bone, file_from_working))
            .collect();
        let mut joints = Vec::with_capacity(self.bones.len());
        for (index, bone) in self.bones.iter().enumerate() {
            let name = joint_name(self, index);
            check_above_floor(&name, bone)?;
            let local = |rotation: DQuat, v: DVec3| rotation.inverse() * (file_from_working * v);
            let rest = match bone.parent {
                Some(parent) => Transform::rigid(
                    local(
                        rotations[parent],
                        bone.position - self.bones[parent].position,
                    ),
                    (rotations[parent].inverse() * rotations[index]).normalize(),
                ),
                None => Transform::rigid(file_from_working * bone.position, rotations[index]),
            };
            let mut joint = Joint::new(name, bone.parent, DVec3::ZERO);
            joint.rest = rest;
            joint.tips = bone
                .tips
                .iter()
                .map(|tip| local(rotations[index], *tip - bone.position))
                .collect();
            joints.push(joint);
        }
        Skeleton::new(joints).map_err(|error| BodyError::Inconsistent(error.to_string()))
    }
}

/// Joints and end of one leg, metres.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LegPoints {
    pub(crate) hip: DVec3,
    pub(crate) knee: DVec3,
    pub(crate) ankle: DVec3,
    pub(crate) ball: DVec3,
    pub(crate) toe_tip: DVec3,
}

impl LegPoints {
    fn moved(self, offset: DVec3) -> Self {
        Self {
            hip: self.hip + offset,
            knee: self.knee + offset,
            ankle: self.ankle + offset,
            ball: self.ball + offset,
            toe_tip: self.toe_tip + offset,
        }
    }
}

/// Where a finger starts and how long it is, in hand lengths.
struct Ray {
    base_along: f64,
    base_across: f64,
    length: f64,
    along: f64,
    forward: f64,
}

impl Ray {
    /// Knuckles on the arc of a relaxed hand, lengths relative to the middle finger (common
    /// practice); the middle finger ends where the hand ends.
    fn new(ray: u8) -> Self {
        let straight = |base_across: f64, base_along: f64, length: f64| Self {
            base_along,
            base_across,
            length: length * (1.0 - human::PALM_OF_HAND),
            along: 1.0,
            forward: 0.0,
        };
        match ray {
            1 => Self {
                base_along: 0.14,
                base_across: 0.13,
                length: 0.42,
                along: 0.75,
                forward: 0.65,
            },
            2 => straight(0.12, 0.49, 0.92),
            4 => straight(-0.11, 0.48, 0.93),
            5 => straight(-0.21, 0.44, 0.75),
            _ => straight(0.0, human::PALM_OF_HAND, 1.0),
        }
    }
}

/// Rays of a hand with so many fingers. The middle finger is always there, since it ends the hand.
fn rays(fingers: usize) -> &'static [u8] {
    match fingers {
        0 => &[],
        1 => &[3],
        2 => &[1, 3],
        3 => &[1, 2, 3],
        4 => &[1, 2, 3, 4],
        _ => &[1, 2, 3, 4, 5],
    }
}

/// Where along a finger its joints lie, 0 at the knuckle.
fn share_of_finger(ordinal: usize, count: usize) -> f64 {
    if count == human::PHALANGES.len() {
        human::PHALANGES[..ordinal].iter().sum()
    } else {
        ordinal as f64 / count as f64
    }
}

/// Where along a segment a twist joint lies: 0 at the body's end.
pub(crate) fn twist_share(ordinal: usize, count: usize) -> f64 {
    (ordinal + 1) as f64 / (count + 1) as f64
}

/// Whether a child of that part continues the line of its parent.
fn goes_on(parent: Part, child: Part) -> bool {
    use Part::{
        Ankle, Ball, Clavicle, Elbow, Finger, Head, Hip, Knee, Neck, Pelvis, Shoulder, Spine, Wrist,
    };
    match (parent, child) {
        (Pelvis | Spine, Spine | Neck | Head)
        | (Neck, Neck | Head)
        | (Clavicle, Shoulder)
        | (Shoulder, Elbow)
        | (Elbow, Wrist)
        | (Wrist, Finger(3))
        | (Hip, Knee)
        | (Knee, Ankle)
        | (Ankle, Ball) => true,
        (Finger(a), Finger(b)) => a == b,
        (Part::Appendage(a), Part::Appendage(b)) => a == b,
        _ => false,
    }
}

fn check_above_floor(name: &str, bone: &Bone) -> Result<(), BodyError> {
    let lowest_m = bone
        .tips
        .iter()
        .map(|tip| tip.y)
        .fold(bone.position.y, f64::min);
    // A micrometre allows for rounding; toe tips lie on the floor.
    if lowest_m >= -1e-6 {
        Ok(())
    } else {
        Err(BodyError::BelowFloor {
            joint: name.to_owned(),
            depth_m: -lowest_m,
        })
    }
}

/// Up, leaning forward by an angle.
fn pitched_up(degrees: f64) -> DVec3 {
    let pitch = degrees.to_radians();
    DVec3::new(0.0, pitch.cos(), pitch.sin())
}

/// A level direction raised by an angle.
fn risen(level: DVec3, degrees: f64) -> DVec3 {
    let rise = degrees.to_radians();
    level * rise.cos() + DVec3::Y * rise.sin()
}

/// Rotation whose `axis` lies along `aim` and whose next axis (X → Y → Z → X) looks forward, or
/// up where the bone itself looks forward.
fn along_bone(axis: Axis, aim: DVec3) -> DQuat {
    let reference = if aim.z.abs() > 0.8 {
        DVec3::Y
    } else {
        DVec3::Z
    };
    let forward = reference.reject_from_normalized(aim).normalize();
    let (index, first) = match axis {
        Axis::X => (0, aim),
        Axis::Y => (1, aim),
        Axis::Z => (2, aim),
        Axis::NegX => (0, -aim),
        Axis::NegY => (1, -aim),
        Axis::NegZ => (2, -aim),
    };
    let mut columns = [DVec3::ZERO; 3];
    columns[index] = first;
    columns[(index + 1) % 3] = forward;
    columns[(index + 2) % 3] = first.cross(forward);
    DQuat::from_mat3(&DMat3::from_cols(columns[0], columns[1], columns[2]))
}
