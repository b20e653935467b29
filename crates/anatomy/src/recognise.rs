//! From a tree of joints to roles.
//!
//! Order of work: pairs of like chains and the midline between them; the legs; up and forward;
//! further legs, arms and wings; spine, neck and head; face, tail, digits and twist joints. Names,
//! tree and rest pose are weighed at every step, and what finds no role is told in a note.
//!
//! Up: files have it along +Y or +Z. Legs are the pair that hangs down there, unless names or the
//! way that pairs leave the trunk say otherwise; a nameless body that stands any other way up is
//! doubtful as a whole. Names that agree among themselves and with the file's up win over shape.
//!
//! Sides: left is up × forward. Names win for the side, unless the feet and every other sign of
//! the rest pose (bent knees and elbows, face, tail) agree against them; either way the notes say
//! so and no sided role keeps a confidence of 0.5.

use glam::DVec3;
use serde::{Deserialize, Serialize};
use understudy_motion::{Skeleton, Surface, WorldFrame};

use crate::body::{Body, Side};
use crate::claims::Claims;
use crate::limbs::Limb;
use crate::map::{Assignment, RoleMap};
use crate::shape::{Pair, Tree};
use crate::trunk::{Midline, large_pairs, sides};
use crate::{AnatomyError, Assembly};

mod coherence;
mod column;
mod face;
mod given;
mod marks;
mod odd;
mod outer;
mod pairs;

pub use given::{ChainError, Stretch};

use coherence::names_cohere;
use odd::Lone;

/// What recognition found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Recognition {
    /// The role of every joint, with confidence and reason.
    pub roles: RoleMap,
    /// Up and forward of the rest pose, in the skeleton's coordinates.
    pub frame: WorldFrame,
    /// How surely the frame is right, 0 to 1.
    pub frame_confidence: f64,
    /// Whatever a person should know: guesses, contradictions, joints without a role.
    pub notes: Vec<String>,
}

impl Recognition {
    /// The body of these roles in this frame, and what had to be estimated for it.
    ///
    /// # Errors
    /// Roles that contradict each other; see [`AnatomyError`].
    pub fn assemble(
        &self,
        skeleton: &Skeleton,
        surface: Option<&Surface>,
    ) -> Result<Assembly, AnatomyError> {
        Body::assemble(skeleton, &self.roles, Some(self.frame), surface)
    }

    /// Joints of the trunk and the limbs whose confidence is below a bound (0 to 1), in the order
    /// of the skeleton: what a person should look at. Digits, face, tail and twist joints are left
    /// out.
    pub fn doubtful(&self, below: f64) -> Vec<(usize, &Assignment)> {
        self.roles
            .iter()
            .filter(|(_, found)| found.role.part.is_main() && found.confidence < below)
            .collect()
    }
}

/// Finds the role of every joint of a skeleton from names, tree and rest pose together. The
/// surface, where there is one, shows where the ends of the last bones are. Never fails: a tree
/// that is no body gets few roles and many notes.
pub fn recognise(skeleton: &Skeleton, surface: Option<&Surface>) -> Recognition {
    let silent = Tree::new(skeleton, surface, false);
    let by_shape = read(&silent);
    let (agreement, voices) = by_shape
        .as_ref()
        .map_or((1.0, 0), |reader| reader.claims.agreement());
    if agreement < TRUST_NAMES
        && voices >= FEW_VOICES
        && !names_cohere(&silent)
        && let Some(mut reader) = by_shape.filter(Reader::is_clear)
    {
        reader.notes.push(format!(
            "{:.0} % of the names with a meaning contradict tree and rest pose; names are not followed",
            100.0 * (1.0 - agreement)
        ));
        return reader.into_recognition();
    }
    let tree = Tree::new(skeleton, surface, true);
    match read(&tree) {
        Some(reader) => reader.into_recognition(),
        None => Recognition {
            roles: RoleMap::new(skeleton.len()),
            frame: WorldFrame::Y_UP,
            frame_confidence: 0.0,
            notes: vec!["no joint of the skeleton can be part of a body".to_owned()],
        },
    }
}

/// Names are followed where at least this share of them fits what the tree shows without them;
/// names dealt out at random fit less often (our choice).
const TRUST_NAMES: f64 = 0.35;
/// Fewer names than this are no base for distrust.
const FEW_VOICES: usize = 6;

fn read<'a>(tree: &'a Tree<'a>) -> Option<Reader<'a>> {
    let mut notes = Vec::new();
    let top = body_root(tree, &mut notes)?;
    let mut reader = Reader::new(tree, top, notes);
    reader.read();
    Some(reader)
}

/// The top joint of the largest tree.
fn body_root(tree: &Tree, notes: &mut Vec<String>) -> Option<usize> {
    let stands_free = |joint: &usize| {
        let parent = tree.skeleton.parent(*joint);
        tree.left_out[*joint].is_none() && parent.is_none_or(|up| tree.left_out[up].is_some())
    };
    let tops: Vec<usize> = (0..tree.len()).filter(stands_free).collect();
    let largest = tops.iter().copied().max_by(|&a, &b| {
        let weight = |joint: usize| tree.count[joint] as f64 * (1.0 + tree.extent[joint]);
        weight(a).total_cmp(&weight(b))
    })?;
    let others: Vec<&str> = tops
        .iter()
        .filter(|&&top| top != largest && tree.count[top] > 2)
        .map(|&top| tree.skeleton.name(top))
        .collect();
    if !others.is_empty() {
        notes.push(format!(
            "several trees of joints: the body is the one below \"{}\"; left alone: {}",
            tree.skeleton.name(largest),
            others.join(", ")
        ));
    }
    Some(largest)
}

/// A limb pair with its sides told apart.
#[derive(Clone, Debug)]
struct LimbPair {
    pair: Pair,
    left: Limb,
    right: Limb,
}

impl LimbPair {
    fn new(tree: &Tree, pair: Pair, [a, b]: [Limb; 2], frame: &WorldFrame) -> Self {
        let (left, right) = if sides(tree, &pair, frame).0 == pair.a {
            (a, b)
        } else {
            (b, a)
        };
        Self { pair, left, right }
    }

    fn sided(&self) -> [(Side, &Limb); 2] {
        [(Side::Left, &self.left), (Side::Right, &self.right)]
    }

    /// Midpoint of hips or shoulders, world, metres.
    fn middle(&self, tree: &Tree) -> DVec3 {
        let at = |limb: &Limb| tree.position(limb.upper_joint());
        (at(&self.left) + at(&self.right)) / 2.0
    }
}

/// One recognition under way.
struct Reader<'a> {
    tree: &'a Tree<'a>,
    claims: Claims<'a>,
    notes: Vec<String>,
    top: usize,
    midline: Midline,
    frame: WorldFrame,
    /// Length of thigh and shank, or a share of the whole tree where there are no legs; metres.
    leg_length: f64,
    legs: Vec<LimbPair>,
    arms: Vec<LimbPair>,
    wings: Vec<Pair>,
    /// Pairs of legs that end before the ankle; they get no roles.
    stumps: Vec<Pair>,
    lone_leg: Option<Lone>,
    lone_arm: Option<Lone>,
    /// Joints of the trunk from root to head, both included.
    trunk: Vec<usize>,
    /// Joints between pelvis and hips.
    before_hips: Vec<usize>,
}

impl<'a> Reader<'a> {
    fn new(tree: &'a Tree<'a>, top: usize, notes: Vec<String>) -> Self {
        Self {
            tree,
            claims: Claims::new(tree),
            notes,
            top,
            midline: Midline::find(tree, top),
            frame: WorldFrame::Y_UP,
            leg_length: tree.size / 2.0,
            legs: Vec::new(),
            arms: Vec::new(),
            wings: Vec::new(),
            stumps: Vec::new(),
            lone_leg: None,
            lone_arm: None,
            trunk: Vec::new(),
            before_hips: Vec::new(),
        }
    }

    /// Whether legs and the way the body looks are found, so that names can be judged by them.
    fn is_clear(&self) -> bool {
        !self.legs.is_empty() && self.claims.side_confidence >= 0.5
    }

    fn into_recognition(self) -> Recognition {
        Recognition {
            frame: self.frame,
            frame_confidence: self.claims.side_confidence,
            roles: self.claims.roles,
            notes: self.notes,
        }
    }

    fn read(&mut self) {
        let large = large_pairs(self.tree, &self.midline);
        let first = self.first_legs(&large);
        if first.is_none() && self.stumps.is_empty() {
            self.find_lone_leg();
        }
        self.find_frame(&large, first.as_ref());
        if let Some((pair, limbs)) = first {
            self.set_legs(&large, pair, limbs);
            self.doubt_rival_legs(&large);
        } else {
            self.notes.push("no pair of legs was found".to_owned());
            self.set_stumps(&large);
        }
        self.find_arms(&large);
        self.find_trunk();
        self.claim_limbs();
        self.claim_wings();
        self.claim_face();
        self.claim_tails();
        self.report_unmapped();
    }

    fn report_unmapped(&mut self) {
        let tree = self.tree;
        for joint in self.claims.roles.unmapped() {
            let name = tree.skeleton.name(joint);
            let above = tree.skeleton.is_at_or_above(joint, self.top)
                || self
                    .trunk
                    .first()
                    .is_some_and(|&root| tree.skeleton.is_at_or_above(joint, root));
            let why = match tree.left_out[joint] {
                Some(why) => why,
                None if self.before_hips.contains(&joint) => "it lies between pelvis and hip",
                None if self.is_in_stump(joint) => "its leg has no ankle joint",
                None if above => "it carries the whole body and is no joint of it",
                None => "neither its name nor its place shows a part of a body",
            };
            self.notes.push(format!("\"{name}\" has no role: {why}"));
        }
    }
}
