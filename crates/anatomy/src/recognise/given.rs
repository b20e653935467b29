//! Roles of a whole chain that a person points out, as recognition would give them.

use std::collections::BTreeMap;

use glam::DVec3;
use serde::{Deserialize, Serialize};
use thiserror::Error;
use understudy_motion::{Skeleton, Surface};

use super::{Reader, Recognition, body_root};
use crate::body::Side;
use crate::chain::{ChainKind, ChainPlace};
use crate::digits::{Digit, finger_parts, toe_parts};
use crate::limbs::{arm_along, leg_along};
use crate::role::{Part, Role};
use crate::shape::Tree;

/// Which joints a chain is given to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Stretch {
    /// From the first joint to the last, both included; the last lies at or below the first.
    Between(usize, usize),
    /// From this joint to the end of the chain; an arm takes its hand along, a leg its foot.
    Below(usize),
}

/// Why a chain cannot be given.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ChainError {
    /// No such joint.
    #[error("there is no joint {0} in the skeleton")]
    NoSuchJoint(usize),
    /// The last joint is not below the first.
    #[error(
        "\"{last}\" does not lie below \"{first}\"; choose two joints of one line, the one nearer to the pelvis first"
    )]
    NotInLine {
        /// Name of the first joint.
        first: String,
        /// Name of the last one.
        last: String,
    },
    /// Too few joints.
    #[error(
        "a {word} needs at least {least} joints, from \"{first}\" on there are {count}; choose another first or last joint"
    )]
    TooShort {
        /// The chain's word.
        word: &'static str,
        /// Joints it needs.
        least: usize,
        /// Name of the first joint.
        first: String,
        /// Joints there are.
        count: usize,
    },
    /// A limb whose joints cannot be told apart.
    #[error(
        "the joints of the {word} from \"{first}\" on lie in one place; give their roles one by one"
    )]
    NoLength {
        /// The chain's word.
        word: &'static str,
        /// Name of the first joint.
        first: String,
    },
    /// Nothing shows where a spine ends.
    #[error(
        "nothing shows where the spine that begins at \"{first}\" ends; choose its last joint too"
    )]
    NoEnd {
        /// Name of the first joint.
        first: String,
    },
    /// The joint that carries the body would lose its role.
    #[error("\"{joint}\" carries the whole body; begin the chain at a joint below it")]
    CarriesBody {
        /// Its name.
        joint: String,
    },
    /// A face is no line of joints.
    #[error("the parts of a face are no line of joints; give their roles one by one")]
    NoLine,
}

impl Recognition {
    /// The roles of a whole chain, as recognition would give them along these joints: vertebrae by
    /// arc length, the joints of a limb by the proportions of its segments, series by number. Each
    /// joint whose role changes or stays comes with the role it has then; joints that had a role of
    /// this chain and are no part of it any more come with none.
    ///
    /// # Errors
    /// Joints that make no such chain; see [`ChainError`].
    pub fn chain_roles(
        &self,
        skeleton: &Skeleton,
        surface: Option<&Surface>,
        place: ChainPlace,
        stretch: Stretch,
    ) -> Result<BTreeMap<usize, Option<Role>>, ChainError> {
        let first = match stretch {
            Stretch::Between(first, _) | Stretch::Below(first) => first,
        };
        let last = match stretch {
            Stretch::Between(_, last) => last,
            Stretch::Below(first) => first,
        };
        if let Some(&none) = [first, last].iter().find(|&&joint| joint >= skeleton.len()) {
            return Err(ChainError::NoSuchJoint(none));
        }
        let tree = Tree::new(skeleton, surface, true);
        let mut notes = Vec::new();
        let top = body_root(&tree, &mut notes).unwrap_or(first);
        let mut reader = Reader::new(&tree, top, notes);
        reader.frame = self.frame;
        let given = Given {
            known: self,
            tree: &tree,
            place,
            first,
        };
        let line = match stretch {
            Stretch::Between(first, last) => Some(given.line(last).ok_or_else(|| {
                let name = |joint| skeleton.name(joint).to_owned();
                ChainError::NotInLine {
                    first: name(first),
                    last: name(last),
                }
            })?),
            Stretch::Below(_) => None,
        };
        given.claim(&mut reader, line.as_deref())?;
        let is_of_line = |joint: usize| line.as_ref().is_none_or(|line| line.contains(&joint));
        let mut roles: BTreeMap<usize, Option<Role>> = reader
            .claims
            .roles
            .iter()
            .map(|(joint, found)| (joint, found.role))
            .filter(|(joint, role)| is_of_line(*joint) || role.part.is_twist())
            .map(|(joint, role)| (joint, Some(role)))
            .collect();
        given.take_from_others(line.as_deref(), &mut roles);
        match given.root_lost(&roles) {
            Some(joint) => Err(ChainError::CarriesBody {
                joint: skeleton.name(joint).to_owned(),
            }),
            None => Ok(roles),
        }
    }

    /// The joint on the other side of the body that mirrors a joint: by name, else by place at rest,
    /// else by role. `None` where there is none, as for a joint on the midline.
    pub fn mirror_joint(&self, skeleton: &Skeleton, joint: usize) -> Option<usize> {
        let tree = Tree::new(skeleton, None, true);
        self.mirror_in(&tree, joint)
    }

    /// Roles that are given, and with them the mirrored ones of the joints on the other side; and the
    /// joints that no joint of the other side mirrors.
    pub fn with_mirrored(
        &self,
        skeleton: &Skeleton,
        roles: &BTreeMap<usize, Option<Role>>,
    ) -> (BTreeMap<usize, Option<Role>>, Vec<usize>) {
        let tree = Tree::new(skeleton, None, true);
        let (mut both, mut alone) = (roles.clone(), Vec::new());
        for (&joint, &role) in roles {
            match (self.mirror_in(&tree, joint), role) {
                (Some(mirror), _) => {
                    // What is given stands before what follows from it.
                    both.entry(mirror).or_insert(role.map(Role::mirrored));
                }
                (None, Some(_)) => alone.push(joint),
                (None, None) => {}
            }
        }
        (both, alone)
    }

    fn mirror_in(&self, tree: &Tree, joint: usize) -> Option<usize> {
        let skeleton = tree.skeleton;
        if joint >= skeleton.len() {
            return None;
        }
        let depth = |joint: usize| skeleton.path_from_root(joint).len();
        let hint = &tree.spoken[joint];
        let by_name = || {
            let side = hint.side?.mirrored();
            let mut alike = (0..tree.len()).filter(|&other| {
                let theirs = &tree.spoken[other];
                theirs.side == Some(side)
                    && theirs.stem == hint.stem
                    && depth(other) == depth(joint)
            });
            let only = alike.next()?;
            alike.next().is_none().then_some(only)
        };
        let by_role = || {
            let role = self.roles.role(joint)?;
            let is_sided = role.side != Side::Middle;
            is_sided.then(|| self.roles.find(role.mirrored()))?
        };
        let own = by_name().or_else(|| self.mirror_place(tree, joint));
        own.or_else(by_role).filter(|&mirror| mirror != joint)
    }

    /// The joint in the mirrored place at rest.
    fn mirror_place(&self, tree: &Tree, joint: usize) -> Option<usize> {
        /// How far beside the place a joint may lie, as a part of the longest path: rests are not
        /// made to the millimetre (our choice).
        const NEAR: f64 = 0.01;
        let skeleton = tree.skeleton;
        let left = self.frame.left();
        let root = self.roles.find(Role::central(Part::HumanoidRoot))?;
        let beside = (tree.position(joint) - tree.position(root)).dot(left);
        if beside.abs() < NEAR * tree.size {
            return None;
        }
        let wanted = tree.position(joint) - 2.0 * beside * left;
        let depth = |joint: usize| skeleton.path_from_root(joint).len();
        let away = |other: usize| tree.position(other).distance(wanted);
        (0..tree.len())
            .filter(|&other| other != joint && depth(other) == depth(joint))
            .filter(|&other| away(other) < NEAR * tree.size)
            .min_by(|&a, &b| away(a).total_cmp(&away(b)))
    }
}

/// A chain that is given.
struct Given<'a> {
    known: &'a Recognition,
    tree: &'a Tree<'a>,
    place: ChainPlace,
    first: usize,
}

impl Given<'_> {
    fn line(&self, last: usize) -> Option<Vec<usize>> {
        self.tree.skeleton.path(self.first, last)
    }

    fn name(&self) -> String {
        self.tree.skeleton.name(self.first).to_owned()
    }

    fn parent(&self) -> usize {
        self.tree.skeleton.parent(self.first).unwrap_or(self.first)
    }

    fn role(&self, part: Part) -> Role {
        Role::new(part, self.place.side).in_pair(usize::from(self.place.pair))
    }

    /// Claims the roles along a line, or from the first joint outward where there is none.
    fn claim(&self, reader: &mut Reader, line: Option<&[usize]>) -> Result<(), ChainError> {
        /// Roles are given by a person; how sure the place is does not matter.
        const SURE: f64 = 1.0;
        let why = "given with its chain";
        let outward = || match line {
            Some(line) => line.to_vec(),
            None => self.tree.main_path(self.first),
        };
        match self.place.kind {
            ChainKind::Pelvis => {
                let line = line.map_or(vec![self.first], <[usize]>::to_vec);
                let parts = [Part::HumanoidRoot, Part::Sacroiliac];
                let ends = [line.first(), line.last().filter(|_| line.len() > 1)];
                for (joint, part) in ends.into_iter().zip(parts) {
                    if let Some(&joint) = joint {
                        reader.claims.claim(joint, self.role(part), SURE, why);
                    }
                }
            }
            ChainKind::Spine => {
                let line = match line {
                    Some(line) => line.to_vec(),
                    None => self.spine()?,
                };
                let base = self.tree.position(self.spine_base());
                let at = |joint: usize| self.tree.position(joint);
                let points: Vec<DVec3> = line.iter().map(|&joint| at(joint)).collect();
                let top = line.last().and_then(|&last| self.spine_top(last)).map(at);
                let parts = crate::vertebrae::spine_parts(base, &points, top);
                for (&joint, (part, extra)) in line.iter().zip(parts) {
                    let role = self.role(part).with_extra(extra);
                    reader.claims.claim(joint, role, SURE, why);
                }
            }
            ChainKind::NeckAndHead => match line {
                Some(line) => {
                    let last = line.len() - 1;
                    let ends_in_mark = last > 0 && self.tree.hints[line[last]].end;
                    let head = last - usize::from(ends_in_mark);
                    reader.claim_neck_and_head(line, head, SURE);
                }
                None => {
                    let mut line = vec![self.first];
                    line.extend(reader.chain_up(self.first));
                    let head = reader.head_index(&line);
                    reader.claim_neck_and_head(&line, head, SURE);
                }
            },
            ChainKind::Face => return Err(ChainError::NoLine),
            ChainKind::Arm | ChainKind::Leg => self.claim_limb(reader, outward())?,
            ChainKind::Finger(ray) => {
                let digit = self.digit(outward(), ray);
                let parts = finger_parts(self.tree, self.parent(), &digit);
                self.claim_parts(reader, &digit.joints, parts);
            }
            ChainKind::Toe(ray) => {
                let digit = self.digit(outward(), ray);
                let parent = self.known.roles.role(self.parent());
                let below_ball =
                    parent.is_some_and(|role| matches!(role.part, Part::Metatarsophalangeal(_)));
                let parts = toe_parts(self.tree, self.parent(), below_ball, &digit);
                self.claim_parts(reader, &digit.joints, parts);
            }
            ChainKind::Tail => self.claim_series(reader, &outward(), Part::Tail),
            ChainKind::Ear => self.claim_series(reader, &outward(), Part::Ear),
            ChainKind::Wing => self.claim_series(reader, &outward(), Part::Wing),
        }
        Ok(())
    }

    fn digit(&self, joints: Vec<usize>, ray: u8) -> Digit {
        Digit {
            joints,
            ray,
            certainty: 1.0,
        }
    }

    fn claim_parts(&self, reader: &mut Reader, joints: &[usize], parts: Vec<(Part, usize)>) {
        for (&joint, (part, extra)) in joints.iter().zip(parts) {
            let role = self.role(part).with_extra(extra);
            reader
                .claims
                .claim(joint, role, 1.0, "given with its chain");
        }
    }

    fn claim_series(&self, reader: &mut Reader, line: &[usize], part: fn(u8) -> Part) {
        let number = |index: usize| u8::try_from(index + 1).unwrap_or(u8::MAX);
        let parts = (0..line.len()).map(|index| (part(number(index)), 0));
        self.claim_parts(reader, line, parts.collect());
    }

    fn claim_limb(&self, reader: &mut Reader, line: Vec<usize>) -> Result<(), ChainError> {
        let is_leg = self.place.kind == ChainKind::Leg;
        let (word, least) = (self.place.kind.word(), if is_leg { 3 } else { 2 });
        if line.len() < least {
            return Err(ChainError::TooShort {
                word,
                least,
                first: self.name(),
                count: line.len(),
            });
        }
        let lateral = Some(self.known.frame.left());
        let (side, pair) = (self.place.side, usize::from(self.place.pair));
        let along = if is_leg { leg_along } else { arm_along };
        let Some(limb) = along(self.tree, self.parent(), line, lateral) else {
            return Err(ChainError::NoLength {
                word,
                first: self.name(),
            });
        };
        match is_leg {
            true => reader.claim_leg(&limb, side, pair, 1.0),
            false => reader.claim_arm(&limb, side, pair, 1.0),
        }
        Ok(())
    }

    /// The joint whose place a spine is counted from.
    fn spine_base(&self) -> usize {
        let carries = [Part::Sacroiliac, Part::HumanoidRoot].map(|part| {
            let joint = self.known.roles.find(Role::central(part));
            joint.filter(|&joint| self.tree.skeleton.is_at_or_above(joint, self.first))
        });
        let carries = carries.into_iter().flatten().next();
        carries.unwrap_or_else(|| self.parent())
    }

    /// The lowest joint of neck or head below a joint.
    fn spine_top(&self, below: usize) -> Option<usize> {
        let roles = self.known.roles.iter();
        roles
            .filter(|(_, found)| ChainPlace::of(found.role).kind == ChainKind::NeckAndHead)
            .map(|(joint, _)| joint)
            .find(|&joint| joint != below && self.tree.skeleton.is_at_or_above(below, joint))
    }

    /// From the first joint up to where the neck begins, else to the joint that arms hang from.
    fn spine(&self) -> Result<Vec<usize>, ChainError> {
        let skeleton = self.tree.skeleton;
        let below_neck = self
            .spine_top(self.first)
            .and_then(|neck| skeleton.parent(neck));
        let arms: Vec<usize> = [Side::Left, Side::Right]
            .into_iter()
            .filter_map(|side| self.known.roles.find(Role::new(Part::Shoulder, side)))
            .collect();
        let below_arms = || match arms.as_slice() {
            [one, other] => {
                let mut path = skeleton.path_from_root(*one).into_iter().rev();
                path.find(|&at| skeleton.is_at_or_above(at, *other))
            }
            _ => None,
        };
        let last = below_neck.or_else(below_arms);
        last.and_then(|last| self.line(last))
            .ok_or_else(|| ChainError::NoEnd { first: self.name() })
    }

    /// Joints that had a role of this chain and get none of it lose theirs. What lies below the last
    /// joint of an arm or a leg goes on with it.
    fn take_from_others(&self, line: Option<&[usize]>, roles: &mut BTreeMap<usize, Option<Role>>) {
        let is_limb = matches!(self.place.kind, ChainKind::Arm | ChainKind::Leg);
        let last = line.and_then(<[usize]>::last).filter(|_| is_limb);
        let goes_on =
            |joint: usize| last.is_some_and(|&last| self.tree.skeleton.is_at_or_above(last, joint));
        let given: Vec<Role> = roles.values().copied().flatten().collect();
        for (joint, found) in self.known.roles.iter() {
            let is_of_chain = ChainPlace::of(found.role) == self.place;
            if is_of_chain && !goes_on(joint) || given.contains(&found.role) {
                roles.entry(joint).or_insert(None);
            }
        }
    }

    /// The joint that carries the body, where it would lose its role to another chain.
    fn root_lost(&self, roles: &BTreeMap<usize, Option<Role>>) -> Option<usize> {
        let root = self.known.roles.find(Role::central(Part::HumanoidRoot))?;
        let is_lost = self.place.kind != ChainKind::Pelvis && roles.contains_key(&root);
        is_lost.then_some(root)
    }
}
