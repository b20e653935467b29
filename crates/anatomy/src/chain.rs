//! Chains of a body: spine, neck and head, arms, legs, fingers, tails and the like, each with its
//! joints in order from the body outward.

use std::cmp::{Ordering, Reverse};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::{Deserialize, Serialize};
use understudy_motion::{JointKind, Skeleton};

use crate::body::Side;
use crate::map::RoleMap;
use crate::role::{Part, Role};

/// What kind of chain it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum ChainKind {
    /// The joints that carry the body: `humanoid_root` and `sacroiliac`.
    Pelvis,
    /// Lower back and chest.
    Spine,
    /// Neck, skull base and the top of the head.
    NeckAndHead,
    /// Jaw, eyes, lids and brows; no line of joints.
    Face,
    /// Clavicle, shoulder, elbow and wrist, with the joints of the palm.
    Arm,
    /// A finger of a ray, 1 the thumb to 5 the little finger.
    Finger(u8),
    /// Hip, knee, ankle and ball.
    Leg,
    /// A toe of a ray, 1 the great toe to 5 the little toe.
    Toe(u8),
    /// A tail.
    Tail,
    /// An ear.
    Ear,
    /// A wing besides the arms.
    Wing,
}

impl ChainKind {
    /// Kinds whose joints follow each other, so that a whole chain can be given.
    pub fn all() -> Vec<Self> {
        let mut kinds = vec![Self::Pelvis, Self::Spine, Self::NeckAndHead, Self::Arm];
        kinds.extend((1..=5).map(Self::Finger));
        kinds.push(Self::Leg);
        kinds.extend((1..=5).map(Self::Toe));
        kinds.extend([Self::Tail, Self::Ear, Self::Wing]);
        kinds
    }

    /// Whether there is one on either side of the body.
    pub fn is_sided(self) -> bool {
        !matches!(
            self,
            Self::Pelvis | Self::Spine | Self::NeckAndHead | Self::Face | Self::Tail
        )
    }

    /// A person's word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pelvis => "root and pelvis",
            Self::Spine => "spine",
            Self::NeckAndHead => "neck and head",
            Self::Face => "face",
            Self::Arm => "arm",
            Self::Finger(1) => "thumb",
            Self::Finger(2) => "index finger",
            Self::Finger(3) => "middle finger",
            Self::Finger(4) => "ring finger",
            Self::Finger(_) => "little finger",
            Self::Leg => "leg",
            Self::Toe(1) => "great toe",
            Self::Toe(2) => "second toe",
            Self::Toe(3) => "third toe",
            Self::Toe(4) => "fourth toe",
            Self::Toe(_) => "little toe",
            Self::Tail => "tail",
            Self::Ear => "ear",
            Self::Wing => "wing",
        }
    }
}

/// Which chain of a body: its kind, its side, and which pair of limbs it belongs to. The order is
/// the one that people read them in: pair after pair, and the fingers of one hand after those of the
/// other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct ChainPlace {
    /// The kind.
    pub kind: ChainKind,
    /// 0 for the first pair of limbs, 1 for the second.
    pub pair: u8,
    /// The side; `Middle` on the midline.
    pub side: Side,
}

impl ChainPlace {
    /// A chain of the first pair.
    pub fn new(kind: ChainKind, side: Side) -> Self {
        Self {
            kind,
            pair: 0,
            side,
        }
    }

    /// The chain that a role belongs to. A ball of the foot is the leg's.
    pub fn of(role: Role) -> Self {
        let kind = match role.part {
            Part::HumanoidRoot | Part::Sacroiliac => ChainKind::Pelvis,
            Part::Lumbar(_) | Part::Thoracic(_) => ChainKind::Spine,
            Part::Cervical(_) | Part::Skullbase | Part::SkullTip => ChainKind::NeckAndHead,
            Part::Temporomandibular | Part::Eyeball | Part::Eyelid | Part::Eyebrow => {
                return Self::new(ChainKind::Face, Side::Middle);
            }
            Part::Sternoclavicular
            | Part::Acromioclavicular
            | Part::Shoulder
            | Part::Elbow
            | Part::Radiocarpal
            | Part::Midcarpal(_)
            | Part::Midcarpal45
            | Part::UpperArmTwist(_)
            | Part::ForearmTwist(_) => ChainKind::Arm,
            Part::CarpalInterphalangeal => ChainKind::Finger(1),
            Part::Carpometacarpal(ray)
            | Part::Metacarpophalangeal(ray)
            | Part::CarpalProximalInterphalangeal(ray)
            | Part::CarpalDistalInterphalangeal(ray)
            | Part::FingerTip(ray) => ChainKind::Finger(ray),
            Part::Hip
            | Part::Knee
            | Part::Talocrural
            | Part::Talocalcaneonavicular
            | Part::Cuneonavicular(_)
            | Part::Calcaneocuboid
            | Part::Transversetarsal
            | Part::Metatarsophalangeal(2)
            | Part::ThighTwist(_)
            | Part::ShankTwist(_) => ChainKind::Leg,
            Part::TarsalInterphalangeal => ChainKind::Toe(1),
            Part::Tarsometatarsal(ray)
            | Part::Metatarsophalangeal(ray)
            | Part::TarsalProximalInterphalangeal(ray)
            | Part::TarsalDistalInterphalangeal(ray)
            | Part::ToeTip(ray) => ChainKind::Toe(ray),
            Part::Tail(_) => ChainKind::Tail,
            Part::Ear(_) => ChainKind::Ear,
            Part::Wing(_) => ChainKind::Wing,
        };
        Self {
            kind,
            pair: role.pair,
            side: role.side,
        }
    }

    /// The same chain on the other side of the body.
    pub fn mirrored(self) -> Self {
        Self {
            side: self.side.mirrored(),
            ..self
        }
    }
}

impl Ord for ChainPlace {
    fn cmp(&self, other: &Self) -> Ordering {
        let key = |place: &Self| {
            let first = match place.kind {
                ChainKind::Finger(_) => ChainKind::Finger(1),
                ChainKind::Toe(_) => ChainKind::Toe(1),
                kind => kind,
            };
            (first, place.pair, place.side, place.kind)
        };
        key(self).cmp(&key(other))
    }
}

impl PartialOrd for ChainPlace {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl fmt::Display for ChainPlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.side {
            Side::Middle => f.write_str(self.kind.word())?,
            side => write!(f, "{} {}", side.word(), self.kind.word())?,
        }
        match self.pair {
            0 => Ok(()),
            pair if self.kind.is_sided() => write!(f, " of pair {}", u16::from(pair) + 1),
            pair => write!(f, " {}", u16::from(pair) + 1),
        }
    }
}

/// Joints that belong together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chain {
    /// Which chain it is; `None` where none of its joints has a role.
    pub place: Option<ChainPlace>,
    /// Its joints from the body outward, those without a role in between included.
    pub joints: Vec<usize>,
}

/// All chains of a skeleton: those with roles in the order of [`ChainPlace`], then those without.
///
/// A joint without a role belongs to the chain that it lies within, or that it ends; what branches
/// off elsewhere is a chain of its own. Carriers are in none.
pub fn chains(skeleton: &Skeleton, roles: &RoleMap) -> Vec<Chain> {
    let grouping = Grouping::new(skeleton, roles);
    let mut placed: BTreeMap<ChainPlace, Vec<usize>> = BTreeMap::new();
    let mut loose: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (joint, group) in grouping.groups().into_iter().enumerate() {
        match group {
            Some(Group::Placed(place)) => placed.entry(place).or_default().push(joint),
            Some(Group::Loose(first)) => loose.entry(first).or_default().push(joint),
            None => {}
        }
    }
    let is_twist = |joint: usize| {
        let part = roles.role(joint).map(|role| role.part);
        part.is_some_and(Part::is_twist)
    };
    let placed = placed.into_iter().map(|(place, mut joints)| {
        joints.sort_by_key(|&joint| {
            let depth = skeleton.path_from_root(joint).len();
            (depth, !is_twist(joint), joint)
        });
        Chain {
            place: Some(place),
            joints,
        }
    });
    let loose = loose.into_values().map(|joints| Chain {
        place: None,
        joints,
    });
    placed.chain(loose).collect()
}

/// Where a joint belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Group {
    Placed(ChainPlace),
    /// A chain without roles that begins at this joint.
    Loose(usize),
}

/// The arm or leg that all of these are fingers or toes of.
fn limb_of(digits: &BTreeSet<ChainPlace>) -> Option<ChainPlace> {
    let limb = |place: &ChainPlace| {
        let kind = match place.kind {
            ChainKind::Finger(_) => ChainKind::Arm,
            ChainKind::Toe(_) => ChainKind::Leg,
            _ => return None,
        };
        Some(ChainPlace { kind, ..*place })
    };
    let limbs: BTreeSet<Option<ChainPlace>> = digits.iter().map(limb).collect();
    match limbs.len() {
        1 => limbs.first().copied().flatten(),
        _ => None,
    }
}

struct Grouping<'a> {
    skeleton: &'a Skeleton,
    /// The chain of each joint's own role.
    own: Vec<Option<ChainPlace>>,
    /// The chains of the nearest joints below that have a role.
    below: Vec<BTreeSet<ChainPlace>>,
    /// Joints on the longest line from a joint outward.
    depth: Vec<usize>,
}

impl<'a> Grouping<'a> {
    fn new(skeleton: &'a Skeleton, roles: &RoleMap) -> Self {
        let joints = skeleton.len();
        let own: Vec<Option<ChainPlace>> = (0..joints)
            .map(|joint| roles.role(joint).map(ChainPlace::of))
            .collect();
        let mut below = vec![BTreeSet::new(); joints];
        let mut depth = vec![1; joints];
        // Parents have smaller numbers than their children.
        for joint in (0..joints).rev() {
            if let Some(parent) = skeleton.parent(joint) {
                depth[parent] = depth[parent].max(depth[joint] + 1);
                match own[joint] {
                    Some(place) => {
                        below[parent].insert(place);
                    }
                    None => {
                        let further = below[joint].clone();
                        below[parent].extend(further);
                    }
                }
            }
        }
        Self {
            skeleton,
            own,
            below,
            depth,
        }
    }

    fn groups(&self) -> Vec<Option<Group>> {
        let mut groups: Vec<Option<Group>> = Vec::with_capacity(self.own.len());
        for joint in 0..self.own.len() {
            let group = match self.own[joint] {
                Some(place) => Some(Group::Placed(place)),
                None if self.is_carrier(joint) => None,
                None if self.below[joint].is_empty() => Some(self.end(joint, &groups)),
                None => self.between(joint).map(Group::Placed),
            };
            groups.push(group);
        }
        groups
    }

    fn is_carrier(&self, joint: usize) -> bool {
        self.skeleton.joint(joint).kind == JointKind::Carrier
    }

    /// The chain of a joint without a role that has joints with roles below it.
    fn between(&self, joint: usize) -> Option<ChainPlace> {
        let below = &self.below[joint];
        let mut path = self.skeleton.path_from_root(joint).into_iter().rev();
        let above = path.find_map(|at| self.own[at]);
        let has = |kind: ChainKind| below.iter().any(|place| place.kind == kind);
        let is_above_pelvis = above.is_some_and(|place| place.kind == ChainKind::Pelvis);
        let carries_arms = below.len() > 1 && has(ChainKind::Arm);
        match (above, below.first()) {
            (Some(above), _) if below.contains(&above) => Some(above),
            _ if is_above_pelvis && (has(ChainKind::NeckAndHead) || carries_arms) => {
                Some(ChainPlace::new(ChainKind::Spine, Side::Middle))
            }
            (_, Some(first)) if below.len() == 1 => Some(*first),
            (above, _) => limb_of(below).or(above).or(below.first().copied()),
        }
    }

    /// The chain of a joint without a role where nothing below has one either.
    fn end(&self, joint: usize, groups: &[Option<Group>]) -> Group {
        let begins = Group::Loose(joint);
        let Some(parent) = self.skeleton.parent(joint) else {
            return begins;
        };
        let children = self.skeleton.children(parent);
        let has_role_near = self.own[parent].is_some() || !self.below[parent].is_empty();
        let goes_on = match has_role_near {
            true => children.len() == 1,
            // Of several branches the one with most joints goes on.
            false => {
                let depth = |child: &&usize| (self.depth[**child], Reverse(**child));
                children.iter().max_by_key(depth) == Some(&joint)
            }
        };
        match groups.get(parent).copied().flatten() {
            Some(group) if goes_on => group,
            _ => begins,
        }
    }
}
