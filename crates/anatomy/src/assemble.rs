//! From roles to a body: joints in their places, tips, twist shares.

use glam::DVec3;
use thiserror::Error;
use understudy_motion::{Skeleton, Surface, WorldFrame, WorldPose};

use crate::body::{Appendage, AppendageKind, Arm, Body, Finger, JointPoint, Leg, Side, Twist};
use crate::frame::{Landmarks, LegMarks, find_frame};
use crate::map::RoleMap;
use crate::role::{Part, Role};

/// Why roles make no body.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum AnatomyError {
    /// The roles are of another skeleton.
    #[error("the roles are of {roles} joints, the skeleton has {joints}; recognise it again")]
    JointCount {
        /// Joints the roles cover.
        roles: usize,
        /// Joints of the skeleton.
        joints: usize,
    },
    /// No joint carries the body.
    #[error("no joint has the role humanoid_root; give it to the joint above legs and spine")]
    NoRoot,
    /// Two joints have one role.
    #[error(
        "joints \"{first}\" and \"{second}\" both have the role {role}; give it to one of them"
    )]
    Twice {
        /// The role.
        role: Role,
        /// Name of one joint.
        first: String,
        /// Name of the other.
        second: String,
    },
    /// A limb lacks a joint it cannot do without.
    #[error(
        "joint \"{joint}\" is {present}, but no joint is {missing}; name one, or take the limb's roles away"
    )]
    Missing {
        /// Name of a joint the limb has.
        joint: String,
        /// Its role.
        present: Role,
        /// The role nobody has.
        missing: Role,
    },
    /// A joint must lie below another one.
    #[error("joint \"{lower}\" ({lower_role}) does not lie below \"{upper}\" ({upper_role})")]
    Disordered {
        /// Name of the joint that should lie above.
        upper: String,
        /// Its role.
        upper_role: Role,
        /// Name of the joint that should lie below.
        lower: String,
        /// Its role.
        lower_role: Role,
    },
}

/// A body and what had to be estimated for it.
#[derive(Clone, Debug, PartialEq)]
pub struct Assembly {
    /// The body.
    pub body: Body,
    /// Estimates a person should know of.
    pub notes: Vec<String>,
}

/// Foot length over thigh and shank: 0.152 of stature (from memory, after Drillis and Contini)
/// over 0.245 + 0.246 (Drillis and Contini 1966, as printed in Winter).
const FOOT_PER_LEG: f64 = 0.152 / (0.245 + 0.246);
/// Height of the ankle over thigh and shank: 0.039 of stature (same source).
const ANKLE_PER_LEG: f64 = 0.039 / (0.245 + 0.246);
/// Share of the foot in front of the ankle (from memory of anthropometric tables).
const FOOT_BEFORE_ANKLE: f64 = 0.75;
/// Hand over forearm: 0.108 (from memory) over 0.146 of stature (same source).
const HAND_PER_FOREARM: f64 = 0.108 / 0.146;
/// Forearm over upper arm (same source).
const FOREARM_PER_UPPER_ARM: f64 = 0.146 / 0.186;
/// Toes over the part of the foot between ankle and ball (our estimate).
const TOES_PER_FOOT: f64 = 0.5;
/// Last bone of a digit over the one before (our estimate).
const LAST_BONE: f64 = 0.7;
/// Toe tips count as abreast within this share of the leg: rounding, not anatomy.
const ABREAST: f64 = 1e-6;
/// Ankle to ball over thigh and shank, above which a steep foot is no human's: a human has about
/// 0.2 (our choice).
const LONG_FOOT: f64 = 0.26;

impl Body {
    /// The body that roles describe. Up and forward follow from the rest pose and from the sides
    /// of the roles; ends of limbs from end sites, else from estimates.
    ///
    /// # Errors
    /// Roles that contradict each other or leave a limb without a joint it needs.
    pub fn from_roles(skeleton: &Skeleton, roles: &RoleMap) -> Result<Self, AnatomyError> {
        Self::assemble(skeleton, roles, None, None).map(|assembly| assembly.body)
    }

    /// As [`Body::from_roles`], in a given frame, with the surface to show where limbs end.
    ///
    /// # Errors
    /// As [`Body::from_roles`].
    pub fn assemble(
        skeleton: &Skeleton,
        roles: &RoleMap,
        frame: Option<WorldFrame>,
        surface: Option<&Surface>,
    ) -> Result<Assembly, AnatomyError> {
        if roles.len() != skeleton.len() {
            return Err(AnatomyError::JointCount {
                roles: roles.len(),
                joints: skeleton.len(),
            });
        }
        let rest = skeleton.rest_world();
        let points = surface.map(|surface| surface.points_by_joint(skeleton.len(), &rest));
        let mut builder = Builder {
            skeleton,
            roles,
            frame: frame.unwrap_or_else(|| frame_of_roles(skeleton, roles)),
            points: points.unwrap_or_default(),
            rest,
            notes: Vec::new(),
        };
        let body = builder.build()?;
        Ok(Assembly {
            body,
            notes: builder.notes,
        })
    }
}

/// Left of the body as the sides of its roles have it, world; `None` without a sided pair.
pub(crate) fn left_of_roles(skeleton: &Skeleton, roles: &RoleMap) -> Option<DVec3> {
    let rest = skeleton.rest_world();
    let mut left = DVec3::ZERO;
    for (joint, assignment) in roles.iter() {
        let role = assignment.role;
        let anchor = matches!(role.part, Part::Hip | Part::Shoulder | Part::Knee);
        if anchor
            && role.side == Side::Left
            && let Some(mate) = roles.find(role.mirrored())
        {
            // Hips say more than crooked arms.
            let weight = if role.part == Part::Hip { 4.0 } else { 1.0 };
            left += weight * (rest.position(joint) - rest.position(mate));
        }
    }
    left.try_normalize()
}

/// The frame of a rest pose whose roles are known.
pub(crate) fn frame_of_roles(skeleton: &Skeleton, roles: &RoleMap) -> WorldFrame {
    let rest = skeleton.rest_world();
    let at = |role: Role| roles.find(role).map(|joint| rest.position(joint));
    let left = left_of_roles(skeleton, roles);
    let central = |part| at(Role::central(part));
    let pelvis = central(Part::Sacroiliac).or_else(|| central(Part::HumanoidRoot));
    let column = |wanted: fn(Part) -> bool| {
        roles
            .iter()
            .filter(move |(_, assignment)| wanted(assignment.role.part))
            .map(|(joint, _)| joint)
    };
    let neck = column(|part| matches!(part, Part::Cervical(_))).min();
    let spine = column(|part| matches!(part, Part::Lumbar(_) | Part::Thoracic(_))).max();
    let head = roles.find(Role::central(Part::Skullbase));
    let legs = [Side::Left, Side::Right].into_iter().filter_map(|side| {
        let part = |part| at(Role::new(part, side));
        Some(LegMarks {
            hip: part(Part::Hip)?,
            knee: part(Part::Knee)?,
            ankle: part(Part::Talocrural)?,
            foot: part(Part::Metatarsophalangeal(2)).into_iter().collect(),
        })
    });
    let eyes = [Side::Left, Side::Right].map(|side| at(Role::new(Part::Eyeball, side)));
    let ahead = match (eyes, head) {
        ([Some(a), Some(b)], Some(head)) => vec![("eyes", a + b - 2.0 * rest.position(head))],
        _ => Vec::new(),
    };
    let marks = Landmarks {
        legs: legs.collect(),
        lateral: left.unwrap_or(DVec3::ZERO),
        lateral_is_left: true,
        pelvis: pelvis.unwrap_or(DVec3::ZERO),
        trunk_top: spine.or(neck).or(head).map(|joint| rest.position(joint)),
        ahead,
        ..Landmarks::default()
    };
    find_frame(&marks).frame
}

struct Builder<'a> {
    skeleton: &'a Skeleton,
    roles: &'a RoleMap,
    frame: WorldFrame,
    /// Flesh of each joint, in the joint's coordinates; empty without a surface.
    points: Vec<Vec<DVec3>>,
    rest: WorldPose,
    notes: Vec<String>,
}

impl Builder<'_> {
    fn build(&mut self) -> Result<Body, AnatomyError> {
        self.check_unique()?;
        let central = |part| self.roles.find(Role::central(part));
        let root = central(Part::HumanoidRoot).ok_or(AnatomyError::NoRoot)?;
        let pelvis = central(Part::Sacroiliac).unwrap_or(root);
        let head = central(Part::Skullbase);
        self.check_below(root, pelvis)?;
        let spine = self.column(|part| matches!(part, Part::Lumbar(_) | Part::Thoracic(_)))?;
        let neck = self.column(|part| matches!(part, Part::Cervical(_)))?;
        let head_top = head.and_then(|head| self.head_top(head));
        let legs = self.limbs(Part::Hip, Self::leg)?;
        let arms = self.limbs(Part::Shoulder, Self::arm)?;
        let twists = self.twists(&legs, &arms);
        Ok(Body {
            frame: self.frame,
            root,
            pelvis,
            spine,
            neck,
            head,
            head_top,
            legs,
            arms,
            appendages: self.appendages(),
            twists,
            unmapped: self.roles.unmapped(),
        })
    }

    fn name(&self, joint: usize) -> String {
        self.skeleton.name(joint).to_owned()
    }

    fn check_unique(&self) -> Result<(), AnatomyError> {
        for (joint, assignment) in self.roles.iter() {
            match self.roles.find(assignment.role) {
                Some(first) if first != joint => {
                    return Err(AnatomyError::Twice {
                        role: assignment.role,
                        first: self.name(first),
                        second: self.name(joint),
                    });
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn check_below(&self, upper: usize, lower: usize) -> Result<(), AnatomyError> {
        let (Some(upper_role), Some(lower_role)) = (self.roles.role(upper), self.roles.role(lower))
        else {
            return Ok(());
        };
        if self.skeleton.is_at_or_above(upper, lower) {
            return Ok(());
        }
        Err(AnatomyError::Disordered {
            upper: self.name(upper),
            upper_role,
            lower: self.name(lower),
            lower_role,
        })
    }

    /// Joints of a part of the midline from below, each below the next in the tree.
    fn column(&self, wanted: fn(Part) -> bool) -> Result<Vec<usize>, AnatomyError> {
        // Parents have smaller numbers than their children.
        let joints: Vec<usize> = self
            .roles
            .iter()
            .filter(|(_, assignment)| wanted(assignment.role.part))
            .map(|(joint, _)| joint)
            .collect();
        for ends in joints.windows(2) {
            self.check_below(ends[0], ends[1])?;
        }
        Ok(joints)
    }

    /// One limb for every joint with the role of its top; left before right, pair after pair.
    fn limbs<T>(
        &mut self,
        top: Part,
        make: fn(&mut Self, Role, usize) -> Result<T, AnatomyError>,
    ) -> Result<Vec<T>, AnatomyError> {
        let mut tops: Vec<(Role, usize)> = self
            .roles
            .iter()
            .map(|(joint, assignment)| (assignment.role, joint))
            .filter(|(role, _)| role.part == top && role.extra == 0)
            .collect();
        tops.sort_by_key(|(role, _)| (role.pair, role.side));
        tops.into_iter()
            .map(|(role, joint)| make(self, role, joint))
            .collect()
    }

    /// The joint of another part of the same limb; it must lie below `upper`.
    fn below(&self, limb: Role, upper: usize, part: Part) -> Result<Option<usize>, AnatomyError> {
        let Some(joint) = self.roles.find(Role { part, ..limb }) else {
            return Ok(None);
        };
        self.check_below(upper, joint)?;
        Ok(Some(joint))
    }

    fn needed(&self, limb: Role, upper: usize, part: Part) -> Result<usize, AnatomyError> {
        self.below(limb, upper, part)?
            .ok_or_else(|| AnatomyError::Missing {
                joint: self.name(upper),
                present: self.roles.role(upper).unwrap_or(limb),
                missing: Role { part, ..limb },
            })
    }

    fn leg(&mut self, role: Role, hip: usize) -> Result<Leg, AnatomyError> {
        let knee = self.needed(role, hip, Part::Knee)?;
        let ankle = self.needed(role, knee, Part::Talocrural)?;
        let mut ball = None;
        // The second ray is the foot's axis; without it, the nearest one.
        for ray in [2, 3, 1, 4, 5] {
            if ball.is_none() {
                ball = self.below(role, ankle, Part::Metatarsophalangeal(ray))?;
            }
        }
        let mut leg = Leg {
            side: role.side,
            pair: usize::from(role.pair),
            hip,
            knee,
            ankle,
            ball,
            toe_tip: JointPoint::origin(ankle),
            digitigrade: false,
        };
        leg.toe_tip = self.toe_tip(&leg);
        leg.digitigrade = self.is_digitigrade(&leg);
        Ok(leg)
    }

    /// The hock stands clear of the floor, on a foot longer than a human's.
    fn is_digitigrade(&self, leg: &Leg) -> bool {
        let Some(ball) = leg.ball else {
            return false;
        };
        let foot = self.rest.position(leg.ankle) - self.rest.position(ball);
        foot.dot(self.frame.up) > 0.5 * foot.length()
            && foot.length() > LONG_FOOT * leg.length_m(&self.rest)
    }

    fn toe_tip(&mut self, leg: &Leg) -> JointPoint {
        let ankle = self.rest.position(leg.ankle);
        let joints = self.limb_joints(leg.ankle, leg.side, leg.pair);
        let ahead = |point: &JointPoint| (point.world(&self.rest) - ankle).dot(self.frame.forward);
        let ends: Vec<JointPoint> = joints
            .iter()
            .flat_map(|&joint| self.known_ends(joint))
            .collect();
        let front = ends.iter().map(ahead).fold(f64::NEG_INFINITY, f64::max);
        // Of toes that end abreast, the one nearest the foot's axis counts, whatever their order.
        let axis = self.rest.position(leg.ball.unwrap_or(leg.ankle));
        let aside = |point: &JointPoint| point.world(&self.rest).distance(axis);
        let abreast = ABREAST * leg.length_m(&self.rest);
        let known = ends
            .iter()
            .filter(|point| ahead(point) >= front - abreast)
            .min_by(|a, b| aside(a).total_cmp(&aside(b)));
        if let Some(&tip) = known {
            return tip;
        }
        let length = leg.length_m(&self.rest);
        let limb = self.limb_name(leg.side, leg.pair, "leg");
        let Some(ball) = leg.ball else {
            self.notes.push(format!(
                "the foot of the {limb} is one piece without an end; its toe is put where a foot \
                 of 0.152 of stature would have it, on the floor in front of the ankle"
            ));
            let tip = ankle + self.frame.forward * (FOOT_PER_LEG * FOOT_BEFORE_ANKLE * length)
                - self.frame.up * (ANKLE_PER_LEG * length);
            return self.fixed_to(leg.ankle, tip);
        };
        let last = self.farthest(&joints, ankle).unwrap_or(ball);
        self.notes.push(format!(
            "the toes of the {limb} have no end; they are taken to reach half as far again from \
             \"{}\" as the foot is long",
            self.skeleton.name(last)
        ));
        let foot = self.rest.position(ball) - ankle;
        let level = foot.reject_from_normalized(self.frame.up);
        let way = level.try_normalize().unwrap_or(self.frame.forward);
        let tip = self.rest.position(last) + way * (TOES_PER_FOOT * foot.length());
        self.fixed_to(last, tip)
    }

    /// Joints of a limb at and below one of its joints that have roles of that limb.
    fn limb_joints(&self, top: usize, side: Side, pair: usize) -> Vec<usize> {
        self.skeleton
            .subtree(top)
            .into_iter()
            .filter(|&joint| {
                self.roles
                    .role(joint)
                    .is_some_and(|role| role.side == side && usize::from(role.pair) == pair)
            })
            .collect()
    }

    /// Ends that are known at a joint: the joint itself where its role is an end, its end sites,
    /// or the farthest flesh where no joint of the body follows.
    fn known_ends(&self, joint: usize) -> Vec<JointPoint> {
        if let Some(role) = self.roles.role(joint)
            && matches!(
                role.part,
                Part::ToeTip(_) | Part::FingerTip(_) | Part::SkullTip
            )
        {
            return vec![JointPoint::origin(joint)];
        }
        let own = |local: &DVec3| JointPoint {
            joint,
            local: *local,
        };
        let tips = &self.skeleton.joint(joint).tips;
        if !tips.is_empty() {
            return tips.iter().map(own).collect();
        }
        let goes_on = self
            .skeleton
            .children(joint)
            .iter()
            .any(|&child| self.roles.get(child).is_some());
        if goes_on {
            return Vec::new();
        }
        let flesh = self.points.get(joint).map_or(&[][..], Vec::as_slice);
        flesh
            .iter()
            .filter(|point| point.is_finite())
            .max_by(|a, b| a.length_squared().total_cmp(&b.length_squared()))
            .map(own)
            .into_iter()
            .collect()
    }

    fn farthest(&self, joints: &[usize], from: DVec3) -> Option<usize> {
        let distance = |joint: usize| self.rest.position(joint).distance(from);
        joints
            .iter()
            .copied()
            .max_by(|&a, &b| distance(a).total_cmp(&distance(b)))
    }

    /// A world point of the rest pose as a point of a joint. A joint of no size (scale 0) carries
    /// only its origin.
    fn fixed_to(&self, joint: usize, world: DVec3) -> JointPoint {
        let local = self.rest.affines[joint].inverse().transform_point3(world);
        let local = if local.is_finite() {
            local
        } else {
            DVec3::ZERO
        };
        JointPoint { joint, local }
    }

    fn limb_name(&self, side: Side, pair: usize, word: &str) -> String {
        let side = if side == Side::Left { "left" } else { "right" };
        if pair > 0 {
            format!("{side} {word} of pair {}", pair + 1)
        } else {
            format!("{side} {word}")
        }
    }

    fn arm(&mut self, role: Role, shoulder: usize) -> Result<Arm, AnatomyError> {
        let elbow = self.needed(role, shoulder, Part::Elbow)?;
        let wrist = self.below(role, elbow, Part::Radiocarpal)?;
        let mut clavicle = Vec::new();
        for part in [Part::Sternoclavicular, Part::Acromioclavicular] {
            if let Some(joint) = self.roles.find(Role { part, ..role }) {
                self.check_below(joint, shoulder)?;
                clavicle.push(joint);
            }
        }
        let mut arm = Arm {
            side: role.side,
            pair: usize::from(role.pair),
            clavicle,
            shoulder,
            elbow,
            wrist,
            hand_tip: JointPoint::origin(wrist.unwrap_or(elbow)),
            fingers: self.fingers(role),
        };
        arm.hand_tip = self.hand_tip(&arm);
        Ok(arm)
    }

    /// Fingers of a hand: joints of one ray that follow each other in the tree.
    fn fingers(&self, arm: Role) -> Vec<Finger> {
        let mut fingers: Vec<Finger> = Vec::new();
        for (joint, assignment) in self.roles.iter() {
            let role = assignment.role;
            let Some(ray) = finger_ray(role.part) else {
                continue;
            };
            if role.side != arm.side || role.pair != arm.pair {
                continue;
            }
            let parent = self.skeleton.parent(joint);
            let begun = fingers
                .iter_mut()
                .find(|finger| finger.ray == ray && finger.joints.last().copied() == parent);
            match begun {
                Some(finger) => finger.joints.push(joint),
                None => fingers.push(Finger {
                    ray,
                    joints: vec![joint],
                }),
            }
        }
        fingers.sort_by_key(|finger| finger.ray);
        fingers
    }

    fn hand_tip(&mut self, arm: &Arm) -> JointPoint {
        let base = arm.wrist.unwrap_or(arm.elbow);
        let from = self.rest.position(base);
        let joints = self.limb_joints(base, arm.side, arm.pair);
        // The thumb does not set the hand's length.
        let thumb: Vec<usize> = arm
            .fingers
            .iter()
            .filter(|finger| finger.ray == 1 && arm.fingers.len() > 1)
            .flat_map(|finger| finger.joints.clone())
            .collect();
        let counts = |joint: &&usize| {
            let role = self.roles.role(**joint);
            !thumb.contains(joint) && role.is_none_or(|role| role.part != Part::FingerTip(1))
        };
        let reach = |point: &JointPoint| point.world(&self.rest).distance(from);
        let known = joints
            .iter()
            .filter(counts)
            .flat_map(|&joint| self.known_ends(joint))
            .max_by(|a, b| reach(a).total_cmp(&reach(b)));
        known.unwrap_or_else(|| self.estimated_hand_tip(arm, base, &joints))
    }

    fn estimated_hand_tip(&mut self, arm: &Arm, base: usize, joints: &[usize]) -> JointPoint {
        let at = |joint: usize| self.rest.position(joint);
        let last = self.farthest(joints, at(base)).unwrap_or(base);
        let (before, share, what) = match arm.wrist {
            _ if last != base => {
                let parent = self.skeleton.parent(last).unwrap_or(base);
                (parent, LAST_BONE, "the fingers")
            }
            Some(_) => (arm.elbow, HAND_PER_FOREARM, "the hand"),
            None => (arm.shoulder, FOREARM_PER_UPPER_ARM, "the forearm"),
        };
        let step = (at(last) - at(before)) * share;
        let tip = self.fixed_to(last, at(last) + step);
        let limb = self.limb_name(arm.side, arm.pair, "arm");
        self.notes.push(format!(
            "{what} of the {limb} has no end; it is taken to go on straight from \"{}\" by {:.0} mm",
            self.skeleton.name(last),
            1000.0 * step.length()
        ));
        tip
    }

    fn head_top(&mut self, head: usize) -> Option<JointPoint> {
        let up = self.frame.up;
        let height = |point: &JointPoint| point.world(&self.rest).dot(up);
        let mut known: Vec<JointPoint> = self
            .skeleton
            .joint(head)
            .tips
            .iter()
            .chain(self.points.get(head).into_iter().flatten())
            .map(|&local| JointPoint { joint: head, local })
            .collect();
        if let Some(tip) = self.roles.find(Role::central(Part::SkullTip)) {
            known = vec![JointPoint::origin(tip)];
        }
        let top = known
            .into_iter()
            .filter(|point| point.local.is_finite())
            .max_by(|a, b| height(a).total_cmp(&height(b)));
        if top.is_none() {
            self.notes.push(format!(
                "nothing shows how far the head reaches above \"{}\"",
                self.skeleton.name(head)
            ));
        }
        top
    }

    fn appendages(&self) -> Vec<Appendage> {
        let mut found: Vec<((AppendageKind, u8, Side), Appendage)> = Vec::new();
        for (joint, assignment) in self.roles.iter() {
            let role = assignment.role;
            let kind = match role.part {
                Part::Tail(_) => AppendageKind::Tail,
                Part::Ear(_) => AppendageKind::Ear,
                Part::Wing(_) => AppendageKind::Wing,
                _ => continue,
            };
            let key = (kind, role.pair, role.side);
            match found.iter_mut().find(|(other, _)| *other == key) {
                Some((_, appendage)) => appendage.joints.push(joint),
                None => found.push((
                    key,
                    Appendage {
                        kind,
                        side: role.side,
                        joints: vec![joint],
                    },
                )),
            }
        }
        found.sort_by_key(|(key, _)| *key);
        found.into_iter().map(|(_, appendage)| appendage).collect()
    }

    fn twists(&self, legs: &[Leg], arms: &[Arm]) -> Vec<Twist> {
        let mut twists = Vec::new();
        for (joint, assignment) in self.roles.iter() {
            let role = assignment.role;
            let same =
                |side: Side, pair: usize| side == role.side && pair == usize::from(role.pair);
            let leg = legs.iter().find(|leg| same(leg.side, leg.pair));
            let arm = arms.iter().find(|arm| same(arm.side, arm.pair));
            let ends = match role.part {
                Part::ThighTwist(_) => leg.map(|leg| (leg.hip, leg.knee)),
                Part::ShankTwist(_) => leg.map(|leg| (leg.knee, leg.ankle)),
                Part::UpperArmTwist(_) => arm.map(|arm| (arm.shoulder, arm.elbow)),
                Part::ForearmTwist(_) => arm.and_then(|arm| Some((arm.elbow, arm.wrist?))),
                _ => None,
            };
            if let Some((from, to)) = ends {
                twists.push(Twist {
                    joint,
                    from,
                    to,
                    share: self.share(joint, from, to),
                });
            }
        }
        twists
    }

    fn share(&self, joint: usize, from: usize, to: usize) -> f64 {
        let start = self.rest.position(from);
        let line = self.rest.position(to) - start;
        let share = (self.rest.position(joint) - start).dot(line) / line.length_squared();
        if share.is_finite() {
            share.clamp(0.0, 1.0)
        } else {
            0.0
        }
    }
}

fn finger_ray(part: Part) -> Option<u8> {
    match part {
        Part::CarpalInterphalangeal => Some(1),
        Part::Carpometacarpal(ray)
        | Part::Metacarpophalangeal(ray)
        | Part::CarpalProximalInterphalangeal(ray)
        | Part::CarpalDistalInterphalangeal(ray) => Some(ray),
        _ => None,
    }
}
