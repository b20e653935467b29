//! From a tree of joints to roles.
//!
//! Order of work: pairs of like chains and the midline between them; the legs; up and forward;
//! further legs, arms and wings; spine, neck and head; face, tail, digits and twist joints. Names,
//! tree and rest pose are weighed at every step, and what finds no role is told in a note.
//!
//! Sides: left is up × forward. Names win for the side, unless the feet and every other sign of
//! the rest pose (bent knees and elbows, face, tail) agree against them; either way the notes say
//! so and no sided role keeps a confidence of 0.5.

use glam::DVec3;
use serde::{Deserialize, Serialize};
use understudy_motion::{Skeleton, Surface, WorldFrame};

use crate::body::{Body, Side};
use crate::claims::Claims;
use crate::digits::{Digit, chains_below, finger_parts, fingers, toe_parts, toes};
use crate::frame::{Landmarks, LegMarks, find_frame};
use crate::limbs::{Limb, find_arms, find_legs};
use crate::map::RoleMap;
use crate::role::{Part, Role};
use crate::shape::{Pair, Tree};
use crate::tokens::Slot;
use crate::trunk::{
    Midline, NameBallot, below, is_further_leg, large_pairs, name_vote, pair_middle, pick_legs,
    sides,
};
use crate::vertebrae::{neck_parts, spine_parts};
use crate::{AnatomyError, Assembly};

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
        self.find_frame(&large, first.as_ref());
        if let Some((pair, limbs)) = first {
            self.set_legs(&large, pair, limbs);
        } else {
            self.notes.push("no pair of legs was found".to_owned());
        }
        self.find_arms(&large);
        self.find_trunk();
        self.claim_limbs();
        self.claim_wings();
        self.claim_face();
        self.claim_tails();
        self.report_unmapped();
    }

    fn first_legs(&self, large: &[Pair]) -> Option<(Pair, [Limb; 2])> {
        let mut candidates = large.to_vec();
        // A pair that is too short to be legs leaves the place to the next.
        while let Some(pair) = pick_legs(self.tree, &self.midline, &candidates) {
            if let Some(limbs) = find_legs(self.tree, &pair, self.midline.lateral) {
                return Some((pair, limbs));
            }
            candidates.retain(|other| *other != pair);
        }
        None
    }

    fn find_frame(&mut self, large: &[Pair], legs: Option<&(Pair, [Limb; 2])>) {
        let marks = self.landmarks(large, legs);
        let found = find_frame(&marks);
        self.frame = found.frame;
        self.claims.side_confidence = found.confidence;
        self.claims.names_disagree = found.names_disagree;
        self.notes.extend(found.notes);
    }

    fn landmarks(&self, large: &[Pair], legs: Option<&(Pair, [Limb; 2])>) -> Landmarks {
        let tree = self.tree;
        let lateral = self.midline.lateral.unwrap_or(DVec3::ZERO);
        let leg_pair = legs.map(|(pair, _)| *pair);
        let upper = large.iter().filter(|pair| Some(**pair) != leg_pair);
        let arms = upper.max_by(|x, y| tree.reach(x.a).total_cmp(&tree.reach(y.a)));
        let from = leg_pair.map_or(self.top, |pair| pair.node);
        let mut marks = Landmarks {
            lateral,
            pelvis: tree.position(from),
            trunk_top: arms
                .filter(|arms| arms.node != from)
                .map(|arms| tree.position(arms.node))
                .or_else(|| self.highest(from)),
            name_votes: self
                .midline
                .pairs
                .iter()
                .map(|pair| name_vote(tree, pair, lateral) * tree.reach(pair.a))
                .sum(),
            ahead: self.ahead(from),
            ..Landmarks::default()
        };
        if let Some((_, limbs)) = legs {
            // The pelvis says where the body looks; chest and head may be turned aside.
            let [a, b] = limbs
                .each_ref()
                .map(|limb| tree.position(limb.upper_joint()));
            if (a - b).length() > 1e-4 * tree.size {
                marks.lateral = (a - b)
                    * if (a - b).dot(lateral) < 0.0 {
                        -1.0
                    } else {
                        1.0
                    };
            }
            marks.legs = limbs.iter().map(|limb| leg_marks(tree, limb)).collect();
        }
        if let Some(limbs) = arms.and_then(|arms| find_arms(tree, arms, self.midline.lateral)) {
            marks.elbows = limbs.iter().map(|limb| elbow_opening(tree, limb)).collect();
        }
        marks
    }

    /// The end of the largest chain of the midline that begins at a joint.
    fn highest(&self, from: usize) -> Option<DVec3> {
        let single = self.largest_single(from)?;
        Some(self.tree.far_end(single))
    }

    fn largest_single(&self, from: usize) -> Option<usize> {
        let weight = |joint: usize| self.tree.count[joint] as f64 * self.tree.reach(joint);
        self.singles(from)
            .into_iter()
            .max_by(|&a, &b| weight(a).total_cmp(&weight(b)))
    }

    /// Children on the midline.
    fn singles(&self, node: usize) -> Vec<usize> {
        self.tree.children[node]
            .iter()
            .copied()
            .filter(|child| self.midline.nodes.binary_search(child).is_ok())
            .collect()
    }

    /// Vectors that point forward: eyes and jaw by name, tails by name or place.
    fn ahead(&self, pelvis: usize) -> Vec<(&'static str, DVec3)> {
        let tree = self.tree;
        let mut ahead = Vec::new();
        for joint in 0..tree.len() {
            let parent = tree.skeleton.parent(joint);
            let step = parent.map_or(DVec3::ZERO, |up| tree.position(joint) - tree.position(up));
            match tree.hints[joint].best() {
                Some(Slot::Eye) => ahead.push(("eyes", step)),
                Some(Slot::Jaw) => ahead.push(("jaw", step)),
                _ => {}
            }
        }
        let trunk = self.largest_single(pelvis);
        for tail in self.singles(pelvis) {
            let hint = &tree.hints[tail];
            let silent = !hint.speaks() && tree.reach(tail) > 0.15 * tree.size;
            if Some(tail) != trunk && (silent || hint.says(Slot::Tail) > 0.0) {
                ahead.push(("tail", tree.position(pelvis) - tree.far_end(tail)));
            }
        }
        ahead
    }

    fn set_legs(&mut self, large: &[Pair], first: Pair, limbs: [Limb; 2]) {
        let tree = self.tree;
        self.leg_length = limbs
            .iter()
            .map(|limb| limb_length(tree, limb))
            .sum::<f64>()
            / 2.0;
        let mut legs = vec![LimbPair::new(tree, first, limbs, &self.frame)];
        for other in large.iter().filter(|other| **other != first) {
            if is_further_leg(tree, &first, other, &self.frame)
                && let Some(limbs) = find_legs(tree, other, self.midline.lateral)
            {
                legs.push(LimbPair::new(tree, *other, limbs, &self.frame));
            }
        }
        // The front pair comes first; pairs abreast keep the order of the tree.
        let forward = self.frame.forward;
        legs.sort_by(|x, y| {
            y.middle(tree)
                .dot(forward)
                .total_cmp(&x.middle(tree).dot(forward))
        });
        self.legs = legs;
    }

    /// The joint above the legs that is nearest to the root.
    fn pelvis(&self) -> usize {
        self.legs
            .iter()
            .map(|legs| legs.pair.node)
            .min_by_key(|&node| self.tree.skeleton.path_from_root(node).len())
            .unwrap_or(self.top)
    }

    fn find_arms(&mut self, large: &[Pair]) {
        let candidates: Vec<Pair> = large
            .iter()
            .filter(|pair| self.may_be_arms(pair))
            .copied()
            .collect();
        let Some(first) = self.best_arms(&candidates) else {
            self.notes.push("no pair of arms was found".to_owned());
            return;
        };
        let mut arms = Vec::new();
        for pair in &candidates {
            if *pair != first && self.is_wing(pair, &first) {
                self.wings.push(*pair);
            } else if (*pair == first || self.is_second_arm(pair, &first))
                && let Some(limbs) = find_arms(self.tree, pair, self.midline.lateral)
            {
                arms.push(LimbPair::new(self.tree, *pair, limbs, &self.frame));
            }
        }
        let (tree, up) = (self.tree, self.frame.up);
        arms.sort_by(|x, y| y.middle(tree).dot(up).total_cmp(&x.middle(tree).dot(up)));
        self.arms = arms;
    }

    fn may_be_arms(&self, pair: &Pair) -> bool {
        let ballot = NameBallot::of(self.tree, pair);
        let is_leg = self.legs.iter().any(|legs| legs.pair == *pair);
        if is_leg || ballot.share(ballot.leg) > 0.5 || ballot.share(ballot.face) > 0.5 {
            return false;
        }
        let named = ballot.share(ballot.arm) + ballot.share(ballot.wing) > 0.5;
        let leg_reach = self
            .legs
            .first()
            .map_or(0.0, |legs| self.tree.reach(legs.pair.a));
        let long = self.tree.reach(pair.a) > 0.3 * leg_reach;
        // The pair at the end of the midline is a pair of ears.
        let goes_on = self.singles(pair.node).iter().any(|&single| {
            self.tree.reach(single) > 0.08 * leg_reach && !self.tree.hints[single].end
        });
        let head = self.tree.hints[pair.node].best() == Some(Slot::Head);
        named || (long && goes_on && !head)
    }

    fn best_arms(&self, candidates: &[Pair]) -> Option<Pair> {
        let depth = |pair: &Pair| self.tree.skeleton.path_from_root(pair.node).len() as f64;
        let score = |pair: &Pair| {
            let ballot = NameBallot::of(self.tree, pair);
            let fingers = (self.tree.count[pair.a] as f64).ln();
            let named = 3.0 * (ballot.share(ballot.arm) - 0.5 * ballot.share(ballot.wing));
            let behind = (pair_middle(self.tree, pair) - self.tree.position(pair.node))
                .dot(self.frame.forward);
            named + 0.5 * fingers - 0.02 * depth(pair) + behind / self.leg_length.max(1e-9)
        };
        candidates
            .iter()
            .copied()
            .max_by(|x, y| score(x).total_cmp(&score(y)))
    }

    /// A wing begins behind the arms, or is named so.
    fn is_wing(&self, pair: &Pair, arms: &Pair) -> bool {
        let ballot = NameBallot::of(self.tree, pair);
        if !ballot.is_silent() {
            return ballot.share(ballot.wing) > 0.5;
        }
        let between = pair_middle(self.tree, pair) - pair_middle(self.tree, arms);
        // Behind along the file's forward and across the back itself, which may lean.
        let parent = self.tree.skeleton.parent(arms.node);
        let back = parent
            .and_then(|up| (self.tree.position(arms.node) - self.tree.position(up)).try_normalize())
            .unwrap_or(self.frame.up);
        let behind = |offset: DVec3| offset.dot(self.frame.forward) < -0.07 * self.leg_length;
        behind(between) && behind(between.reject_from_normalized(back))
    }

    fn is_second_arm(&self, pair: &Pair, arms: &Pair) -> bool {
        let ballot = NameBallot::of(self.tree, pair);
        ballot.share(ballot.arm) > 0.5
            || (ballot.is_silent()
                && self.tree.reach(pair.a) > 0.45 * self.tree.reach(arms.a)
                && self.tree.main_path(pair.a).len() >= 3)
    }

    // ----- trunk -------------------------------------------------------------------------------

    fn find_trunk(&mut self) {
        let pelvis = self.pelvis();
        let chest = self.arms_node();
        let above = chest.unwrap_or_else(|| self.spine_start(pelvis));
        let chain = self.chain_up(above);
        let target = chain.first().copied().unwrap_or(above);
        let root = common_joint(self.tree, pelvis, target).unwrap_or(self.top);
        let (root, pelvis) = self.claim_root(root, pelvis);
        let mut trunk = self.tree.skeleton.path(root, above).unwrap_or(vec![root]);
        trunk.extend(chain);
        trunk.dedup();
        self.trunk = trunk;
        self.claim_column(pelvis, chest);
    }

    /// The highest joint that arms hang from.
    fn arms_node(&self) -> Option<usize> {
        self.arms
            .iter()
            .map(|arms| arms.pair.node)
            .max_by_key(|&node| self.tree.skeleton.path_from_root(node).len())
    }

    /// Without arms, the trunk's chain begins at the joint above the legs, or where the front legs
    /// hang.
    fn spine_start(&self, pelvis: usize) -> usize {
        self.legs
            .iter()
            .map(|legs| legs.pair.node)
            .max_by_key(|&node| self.tree.skeleton.path_from_root(node).len())
            .unwrap_or(pelvis)
    }

    /// Joints of the midline upward, the given one not included.
    fn chain_up(&self, from: usize) -> Vec<usize> {
        let mut chain = Vec::new();
        let mut at = from;
        while let Some(next) = self.next_up(at) {
            chain.push(next);
            at = next;
        }
        chain
    }

    fn next_up(&self, at: usize) -> Option<usize> {
        let weight = |joint: usize| {
            let hint = &self.tree.hints[joint];
            let said = [Slot::Head, Slot::Neck, Slot::Spine]
                .iter()
                .map(|&slot| hint.says(slot))
                .fold(0.0, f64::max);
            let rise = (self.tree.far_end(joint) - self.tree.position(at)).normalize_or_zero();
            let upward = 1.0 + 0.6 * rise.dot(self.frame.up);
            let contrary = if hint.speaks() && said == 0.0 {
                0.05
            } else {
                1.0
            };
            let size = self.tree.reach(joint) + 1e-6 * self.tree.size;
            size * upward * contrary * (1.0 + 4.0 * said) * (self.tree.count[joint] as f64).sqrt()
        };
        let denied = |joint: usize| {
            let best = self.tree.hints[joint].best();
            matches!(
                best,
                Some(Slot::Tail | Slot::Jaw | Slot::Eye | Slot::Ear | Slot::Wing)
            )
        };
        self.singles(at)
            .into_iter()
            .filter(|&joint| !denied(joint) && !self.holds_legs(joint))
            .max_by(|&a, &b| weight(a).total_cmp(&weight(b)))
    }

    fn holds_legs(&self, joint: usize) -> bool {
        let holds = |legs: &LimbPair| self.tree.skeleton.is_at_or_above(joint, legs.pair.node);
        self.legs.iter().any(holds)
    }

    /// Claims root and pelvis and returns them. A joint just above a joint that carries both legs
    /// and spine is the root, unless it lies on the floor.
    fn claim_root(&mut self, common: usize, pelvis: usize) -> (usize, usize) {
        let role = |part| Role::central(part);
        if common != pelvis {
            let why = "legs and spine part here";
            self.claims
                .claim(common, role(Part::HumanoidRoot), 0.78, why);
            self.claims.claim(
                pelvis,
                role(Part::Sacroiliac),
                0.75,
                "both legs hang from it",
            );
            return (common, pelvis);
        }
        let Some(root) = self.root_above(common) else {
            let why = "legs and spine hang from it";
            let shape = if self.legs.is_empty() { 0.4 } else { 0.8 };
            self.claims
                .claim(common, role(Part::HumanoidRoot), shape, why);
            return (common, pelvis);
        };
        let why = "it carries the joint that legs and spine hang from";
        self.claims.claim(root, role(Part::HumanoidRoot), 0.6, why);
        let why = "legs and spine hang from it, and a further joint carries it";
        self.claims.claim(common, role(Part::Sacroiliac), 0.6, why);
        (root, common)
    }

    fn root_above(&self, common: usize) -> Option<usize> {
        let parent = self.tree.skeleton.parent(common)?;
        let hint = &self.tree.hints[parent];
        let named_else = hint.speaks() && hint.says(Slot::Root) + hint.says(Slot::Pelvis) == 0.0;
        let near = self.tree.length[common] < 0.35 * self.leg_length;
        let usable = self.tree.left_out[parent].is_none();
        (usable && near && !named_else && !self.legs.is_empty()).then_some(parent)
    }

    /// Claims spine, neck and head along the trunk.
    fn claim_column(&mut self, pelvis: usize, chest: Option<usize>) {
        let column: Vec<usize> = self
            .trunk
            .iter()
            .copied()
            .filter(|&joint| joint != pelvis && !self.claims.has(joint))
            .collect();
        if column.is_empty() {
            return;
        }
        let spine_count = self.spine_count(&column, chest);
        let (spine, above) = column.split_at(spine_count);
        let head = (!above.is_empty()).then(|| self.head_index(above));
        let base = self.tree.position(pelvis);
        let top = above.first().map(|&joint| self.tree.position(joint));
        let points: Vec<DVec3> = spine
            .iter()
            .map(|&joint| self.tree.position(joint))
            .collect();
        let parts = spine_parts(base, &points, top);
        let shape = if chest.is_some() { 0.78 } else { 0.45 };
        for (&joint, (part, extra)) in spine.iter().zip(parts) {
            let role = Role::central(part).with_extra(extra);
            let why = "on the midline between pelvis and neck, numbered by its height";
            self.claims.claim(joint, role, shape, why);
        }
        if let Some(head) = head {
            self.claim_neck_and_head(above, head, shape);
        }
    }

    /// How many joints of the column belong to the back: up to the joint that carries the arms,
    /// and on while joints are named so or stay below the place where the arms begin.
    fn spine_count(&self, column: &[usize], chest: Option<usize>) -> usize {
        let says = |joint: usize, slot| self.tree.hints[joint].says(slot);
        let Some(chest) = chest else {
            return self.spine_count_without_arms(column);
        };
        let arms = match column.iter().position(|&joint| joint == chest) {
            // Arms on a joint that is called a neck: the neck begins there.
            Some(at) if says(chest, Slot::Neck) > 0.9 => return at,
            Some(at) => at + 1,
            None => 0,
        };
        let shoulders = self
            .arms
            .iter()
            .map(|arms| pair_middle(self.tree, &arms.pair).dot(self.frame.up))
            .fold(f64::NEG_INFINITY, f64::max);
        let low = |joint: usize| {
            let height = self.tree.position(joint).dot(self.frame.up);
            !self.tree.hints[joint].speaks() && height < shoulders - 0.04 * self.leg_length
        };
        let further = column[arms..].iter().take_while(|&&joint| {
            let leaf = self.tree.children[joint].is_empty();
            says(joint, Slot::Spine) > 0.5 || (low(joint) && !leaf)
        });
        arms + further.count()
    }

    fn spine_count_without_arms(&self, column: &[usize]) -> usize {
        let says = |joint: usize, slot| self.tree.hints[joint].says(slot);
        let named = column
            .iter()
            .position(|&joint| says(joint, Slot::Neck) > 0.9 || says(joint, Slot::Head) > 0.9);
        if let Some(named) = named {
            return named;
        }
        let front = self
            .legs
            .iter()
            .filter_map(|legs| column.iter().position(|&joint| joint == legs.pair.node))
            .max();
        // Without any sign, the upper third is neck and head (a human's share of the column).
        front.map_or(column.len() - column.len().div_ceil(3), |at| at + 1)
    }

    fn head_index(&self, above: &[usize]) -> usize {
        let tree = self.tree;
        let last = above.len() - 1;
        // The bone up to the first of them belongs to the chest.
        let inner = &above[1.min(last)..last];
        let mean = inner.iter().map(|&j| tree.length[j]).sum::<f64>() / inner.len().max(1) as f64;
        let score = |index: usize| {
            let joint = above[index];
            let hint = &tree.hints[joint];
            let mut score = 2.0 * hint.says(Slot::Head);
            score -= if hint.end { 2.5 } else { 0.0 };
            score -= if hint.denies(Slot::Head) { 1.0 } else { 0.0 };
            score += if self.midline.pairs.iter().any(|pair| pair.node == joint) {
                1.2
            } else {
                0.0
            };
            score += if self.singles(joint).len() > 1 {
                0.6
            } else {
                0.0
            };
            // An end site beside children is the top of a head with a face.
            let beside = !tree.tips[joint].is_empty() && !tree.children[joint].is_empty();
            score += if beside { 1.0 } else { 0.0 };
            if index == last {
                score += if !tree.tips[joint].is_empty() {
                    1.0
                } else if !inner.is_empty() && tree.length[joint] > 1.4 * mean {
                    -0.5
                } else {
                    0.5
                };
            } else if index + 1 == last && tree.tips[above[last]].is_empty() {
                score += 0.3;
            } else {
                score -= (last - index) as f64 - 0.5;
            }
            score
        };
        (0..=last)
            .max_by(|&a, &b| score(a).total_cmp(&score(b)))
            .unwrap_or(last)
    }

    fn claim_neck_and_head(&mut self, above: &[usize], head: usize, shape: f64) {
        let tree = self.tree;
        let points: Vec<DVec3> = above[..head].iter().map(|&j| tree.position(j)).collect();
        let parts = neck_parts(&points, tree.position(above[head]));
        for (&joint, (part, extra)) in above.iter().zip(parts) {
            let role = Role::central(part).with_extra(extra);
            let why = "on the midline between the arms and the head, numbered by its height";
            self.claims.claim(joint, role, shape, why);
        }
        let why = if head == 0 && tree.hints[above[0]].best() == Some(Slot::Neck) {
            "the only joint above the arms, so that it turns the head"
        } else {
            "the end of the midline above the arms"
        };
        let (joint, certainty) = (
            above[head],
            if above.len() > 2 { shape - 0.1 } else { shape },
        );
        self.claims
            .claim(joint, Role::central(Part::Skullbase), certainty, why);
        if let [tip] = above[head + 1..]
            && tree.children[tip].is_empty()
            && (tree.hints[tip].end || (tree.tips[joint].is_empty() && self.rises(joint, tip)))
        {
            let why = "a leaf at the end of the head";
            self.claims
                .claim(tip, Role::central(Part::SkullTip), 0.7, why);
        }
    }

    fn rises(&self, from: usize, to: usize) -> bool {
        let step = self.tree.position(to) - self.tree.position(from);
        step.normalize_or_zero().dot(self.frame.up) > 0.3
    }

    // ----- limbs -------------------------------------------------------------------------------

    fn claim_limbs(&mut self) {
        for (index, legs) in self.legs.clone().iter().enumerate() {
            for (side, limb) in legs.sided() {
                self.claim_leg(limb, side, index);
            }
        }
        for (index, arms) in self.arms.clone().iter().enumerate() {
            for (side, limb) in arms.sided() {
                self.claim_arm(limb, side, index);
            }
        }
    }

    fn claim_leg(&mut self, limb: &Limb, side: Side, pair: usize) {
        let role = |part| Role::new(part, side).in_pair(pair);
        let shape = 0.62 + 0.18 * limb.certainty;
        let claims = &mut self.claims;
        claims.claim(
            limb.upper_joint(),
            role(Part::Hip),
            shape,
            "top of a leg's two long segments",
        );
        let why = "between the two long segments of a leg";
        claims.claim(limb.middle_joint(), role(Part::Knee), shape, why);
        if let Some(ankle) = limb.lower_joint() {
            let why = "lower end of a leg's two long segments";
            claims.claim(ankle, role(Part::Talocrural), shape, why);
            self.claim_foot(limb, ankle, side, pair);
        }
        self.claim_twists(limb, [Part::ThighTwist, Part::ShankTwist], side, pair);
        self.before_hips.extend(limb.before());
    }

    fn claim_foot(&mut self, limb: &Limb, ankle: usize, side: Side, pair: usize) {
        let tree = self.tree;
        let role = |part| Role::new(part, side).in_pair(pair);
        let foot = tree.far_end(ankle).distance(tree.position(ankle));
        let mut base = ankle;
        // A joint in the place of the ankle is the lower ankle joint.
        if let Some(&next) = limb.after().first()
            && tree.length[next] < 0.08 * foot
            && !tree.children[next].is_empty()
        {
            let why = "in the place of the ankle, before the foot";
            self.claims
                .claim(next, role(Part::Talocalcaneonavicular), 0.6, why);
            base = next;
        }
        let (palms, chains) = chains_below(tree, base);
        let chains = self.without_heels(base, chains);
        let inward = self.frame.left() * if side == Side::Left { -1.0 } else { 1.0 };
        let below_ball = !palms.is_empty();
        for (index, &palm) in palms.iter().enumerate() {
            let part = Role {
                extra: 0,
                ..role(Part::Metatarsophalangeal(2))
            }
            .with_extra(index);
            self.claims.claim(palm, part, 0.72, "the toes part here");
        }
        let one_chain = chains.len() == 1;
        for digit in toes(tree, inward, chains) {
            let parts = if one_chain && !below_ball {
                self.single_toe_parts(&digit)
            } else {
                toe_parts(tree, base, below_ball, &digit)
            };
            for (&joint, (part, extra)) in digit.joints.iter().zip(parts) {
                let why = "past the ankle, counted outward";
                self.claims
                    .claim(joint, role(part).with_extra(extra), 0.72, why);
            }
        }
    }

    /// A foot with a single chain: ball, then toe joints or the mark of the foot's end.
    fn single_toe_parts(&self, digit: &Digit) -> Vec<(Part, usize)> {
        let tree = self.tree;
        let last = digit.joints.len() - 1;
        let parts = [
            Part::Metatarsophalangeal(2),
            Part::TarsalProximalInterphalangeal(2),
            Part::TarsalDistalInterphalangeal(2),
        ];
        let mut result = Vec::new();
        for (index, &joint) in digit.joints.iter().enumerate() {
            let hint = &tree.hints[joint];
            let bare = tree.tips[joint].is_empty() && tree.children[joint].is_empty();
            if index == last && (hint.end || (bare && index > 0)) {
                result.push((Part::ToeTip(2), 0));
            } else {
                let place = index.min(parts.len() - 1);
                result.push((parts[place], index - place));
            }
        }
        result
    }

    /// Leaves behind the ankle are heels, which the standard has no joint for.
    fn without_heels(&self, ankle: usize, chains: Vec<Vec<usize>>) -> Vec<Vec<usize>> {
        let behind = |chain: &Vec<usize>| {
            let step = self.tree.far_end(chain[0]) - self.tree.position(ankle);
            step.normalize_or_zero().dot(self.frame.forward) < -0.1
        };
        let ahead: Vec<Vec<usize>> = chains.iter().filter(|c| !behind(c)).cloned().collect();
        if ahead.is_empty() { chains } else { ahead }
    }

    fn claim_arm(&mut self, limb: &Limb, side: Side, pair: usize) {
        let role = |part| Role::new(part, side).in_pair(pair);
        let shape = 0.6 + 0.18 * limb.certainty;
        let claims = &mut self.claims;
        let why = "between the chest and the upper arm";
        match *limb.before() {
            [] => {}
            [clavicle] => claims.claim(clavicle, role(Part::Sternoclavicular), shape, why),
            [first, second, ..] => {
                claims.claim(first, role(Part::Sternoclavicular), shape, why);
                claims.claim(second, role(Part::Acromioclavicular), shape, why);
            }
        }
        let why = "top of an arm's two long segments";
        claims.claim(limb.upper_joint(), role(Part::Shoulder), shape, why);
        let why = "between the two long segments of an arm";
        claims.claim(limb.middle_joint(), role(Part::Elbow), shape, why);
        match limb.lower_joint() {
            Some(wrist) => {
                let why = "outer end of an arm's two long segments";
                claims.claim(wrist, role(Part::Radiocarpal), shape, why);
                self.claim_hand(wrist, side, pair);
            }
            None => self.notes.push(format!(
                "the {} arm ends at \"{}\" and has no wrist",
                if side == Side::Left { "left" } else { "right" },
                self.tree.skeleton.name(limb.middle_joint())
            )),
        }
        self.claim_twists(limb, [Part::UpperArmTwist, Part::ForearmTwist], side, pair);
    }

    fn claim_hand(&mut self, wrist: usize, side: Side, pair: usize) {
        let role = |part| Role::new(part, side).in_pair(pair);
        let (palms, chains) = chains_below(self.tree, wrist);
        for (index, &palm) in palms.iter().enumerate() {
            let part = role(Part::Midcarpal(2)).with_extra(index);
            self.claims
                .claim(palm, part, 0.6, "it carries several fingers");
        }
        for digit in fingers(self.tree, wrist, chains) {
            let shape = 0.4 + 0.4 * digit.certainty;
            for (&joint, (part, extra)) in digit
                .joints
                .iter()
                .zip(finger_parts(self.tree, wrist, &digit))
            {
                let why = "past the wrist; the ray follows from the order of the fingers";
                self.claims
                    .claim(joint, role(part).with_extra(extra), shape, why);
            }
        }
    }

    /// Joints inside a segment and leaves beside it.
    fn claim_twists(&mut self, limb: &Limb, parts: [fn(u8) -> Part; 2], side: Side, pair: usize) {
        let tree = self.tree;
        let ends = [limb.upper, limb.middle, limb.lower.unwrap_or(limb.middle)];
        for (segment, inside) in limb.inside().into_iter().enumerate() {
            let from = limb.path[ends[segment]];
            let Some(to) = self.segment_end(limb, segment) else {
                continue;
            };
            let mut found: Vec<(f64, usize)> = Vec::new();
            let carriers: Vec<usize> = std::iter::once(from)
                .chain(inside.iter().copied())
                .collect();
            let leaves = carriers
                .iter()
                .flat_map(|&carrier| tree.children[carrier].iter().copied())
                .filter(|child| !limb.path.contains(child))
                .flat_map(|child| below(tree, child));
            let line = to - tree.position(from);
            for joint in inside.iter().copied().chain(leaves) {
                let offset = tree.position(joint) - tree.position(from);
                let share = offset.dot(line) / line.length_squared();
                let aside = (offset - line * share).length();
                let on_line = aside < 0.12 * line.length() && (-0.02..=1.05).contains(&share);
                let silent = !tree.hints[joint].speaks();
                if tree.hints[joint].twist || inside.contains(&joint) || (on_line && silent) {
                    found.push((share, joint));
                }
            }
            found.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (index, (_, joint)) in found.into_iter().enumerate() {
                let number = u8::try_from(index + 1).unwrap_or(u8::MAX);
                let role = Role::new(parts[segment](number), side).in_pair(pair);
                let shape = if tree.hints[joint].twist { 0.95 } else { 0.6 };
                self.claims.claim(
                    joint,
                    role,
                    shape,
                    "on the line of the segment it shares the twist of",
                );
            }
        }
    }

    /// The outer end of a segment (0 upper, 1 lower), world.
    fn segment_end(&self, limb: &Limb, segment: usize) -> Option<DVec3> {
        let end = match (segment, limb.lower) {
            (0, _) => self.tree.position(limb.middle_joint()),
            (_, Some(lower)) => self.tree.position(limb.path[lower]),
            (_, None) => self.tree.far_tip(limb.middle_joint())?,
        };
        let from = limb.path[if segment == 0 {
            limb.upper
        } else {
            limb.middle
        }];
        (end.distance(self.tree.position(from)) > 1e-9 * self.tree.size).then_some(end)
    }

    fn claim_wings(&mut self) {
        for (index, pair) in self.wings.clone().into_iter().enumerate() {
            let (left, right) = sides(self.tree, &pair, &self.frame);
            for (side, start) in [(Side::Left, left), (Side::Right, right)] {
                self.claim_series(
                    start,
                    Part::Wing,
                    side,
                    index,
                    0.65,
                    "a pair behind the arms",
                );
            }
        }
    }

    /// Claims the longest path from a joint as a numbered series.
    fn claim_series(
        &mut self,
        start: usize,
        part: fn(u8) -> Part,
        side: Side,
        pair: usize,
        shape: f64,
        why: &str,
    ) {
        for (index, joint) in self.tree.main_path(start).into_iter().enumerate() {
            let number = u8::try_from(index + 1).unwrap_or(u8::MAX);
            let role = Role::new(part(number), side).in_pair(pair);
            self.claims.claim(joint, role, shape, why);
        }
    }

    // ----- face and tail -----------------------------------------------------------------------

    fn head(&self) -> Option<usize> {
        self.claims.roles.find(Role::central(Part::Skullbase))
    }

    fn claim_face(&mut self) {
        let Some(head) = self.head() else {
            return;
        };
        let pairs: Vec<Pair> = self
            .midline
            .pairs
            .iter()
            .filter(|pair| self.tree.skeleton.is_at_or_above(head, pair.node))
            .copied()
            .collect();
        let (mut ears, mut eyes) = (0, 0);
        for pair in pairs {
            let (left, right) = sides(self.tree, &pair, &self.frame);
            for (side, start) in [(Side::Left, left), (Side::Right, right)] {
                self.claim_face_part(&pair, start, side, ears, eyes);
            }
            ears += usize::from(matches!(self.face_slot(&pair), Some(Slot::Ear)));
            eyes += usize::from(matches!(self.face_slot(&pair), Some(Slot::Eye)));
        }
        for single in self.singles(head) {
            self.claim_jaw(head, single);
        }
    }

    fn claim_face_part(&mut self, pair: &Pair, start: usize, side: Side, ears: usize, eyes: usize) {
        let role = |part, pair| Role::new(part, side).in_pair(pair);
        let claims = &mut self.claims;
        match face_slot(self.tree, &self.frame, pair) {
            Some(Slot::Eye) => {
                claims.claim(
                    start,
                    role(Part::Eyeball, eyes),
                    0.6,
                    "a pair in front of the head",
                );
            }
            Some(Slot::Eyelid) => claims.claim(start, role(Part::Eyelid, 0), 0.6, "on the head"),
            Some(Slot::Eyebrow) => claims.claim(start, role(Part::Eyebrow, 0), 0.6, "on the head"),
            Some(Slot::Ear) => {
                self.claim_series(start, Part::Ear, side, ears, 0.62, "a pair beside the head");
            }
            _ => {}
        }
    }

    fn face_slot(&self, pair: &Pair) -> Option<Slot> {
        face_slot(self.tree, &self.frame, pair)
    }

    fn claim_jaw(&mut self, head: usize, single: usize) {
        let tree = self.tree;
        let step = (tree.far_end(single) - tree.position(head)).normalize_or_zero();
        let ahead = step.dot(self.frame.forward) > 0.3 && step.dot(self.frame.up) < 0.5;
        let named = tree.hints[single].says(Slot::Jaw) > 0.0;
        if named || (ahead && !tree.hints[single].speaks()) {
            let role = Role::central(Part::Temporomandibular);
            self.claims
                .claim(single, role, 0.5, "hangs from the head and points forward");
        }
    }

    fn claim_tails(&mut self) {
        let trunk = self.trunk.clone();
        for node in trunk {
            for single in self.singles(node) {
                if !self.claims.has(single) && self.is_tail(node, single) {
                    let why = "a chain from the lower trunk that points away from the front";
                    self.claim_series(single, Part::Tail, Side::Middle, 0, 0.65, why);
                }
            }
        }
    }

    fn is_tail(&self, node: usize, start: usize) -> bool {
        let tree = self.tree;
        let holds_claims = below(tree, start)
            .into_iter()
            .any(|joint| self.claims.has(joint));
        if holds_claims {
            return false;
        }
        let hint = &tree.hints[start];
        if hint.speaks() {
            return hint.says(Slot::Tail) > 0.5;
        }
        let low = tree.skeleton.is_at_or_above(node, self.pelvis()) || node == self.pelvis();
        let step = (tree.far_end(start) - tree.position(node)).normalize_or_zero();
        low && tree.reach(start) > 0.12 * self.leg_length && step.dot(self.frame.forward) < -0.3
    }

    // ----- what is left ------------------------------------------------------------------------

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
                None if above => "it carries the whole body and is no joint of it",
                None => "neither its name nor its place shows a part of a body",
            };
            self.notes.push(format!("\"{name}\" has no role: {why}"));
        }
    }
}

fn face_slot(tree: &Tree, frame: &WorldFrame, pair: &Pair) -> Option<Slot> {
    let faces = [Slot::Eye, Slot::Eyelid, Slot::Eyebrow, Slot::Ear];
    let hint = &tree.hints[pair.a];
    if hint.speaks() {
        return hint.best().filter(|best| faces.contains(best));
    }
    let step = pair_middle(tree, pair) - tree.position(pair.node);
    let (ahead, up) = (step.dot(frame.forward), step.dot(frame.up));
    let chain = tree.main_path(pair.a).len() > 1 || !tree.tips[pair.a].is_empty();
    if !chain && ahead > 0.5 * up.abs() && ahead > 0.0 {
        Some(Slot::Eye)
    } else if chain || up > ahead {
        Some(Slot::Ear)
    } else {
        None
    }
}

/// The deepest joint at or above both.
fn common_joint(tree: &Tree, a: usize, b: usize) -> Option<usize> {
    let (pa, pb) = (
        tree.skeleton.path_from_root(a),
        tree.skeleton.path_from_root(b),
    );
    pa.iter()
        .zip(&pb)
        .take_while(|(x, y)| x == y)
        .map(|(&x, _)| x)
        .last()
}

fn leg_marks(tree: &Tree, limb: &Limb) -> LegMarks {
    let ankle = limb.lower_joint().unwrap_or(limb.middle_joint());
    let mut foot: Vec<DVec3> = limb.after().iter().map(|&j| tree.position(j)).collect();
    foot.extend(limb.path.last().and_then(|&last| tree.far_tip(last)));
    foot.retain(|point| point.distance(tree.position(ankle)) > 1e-4 * tree.size);
    LegMarks {
        hip: tree.position(limb.upper_joint()),
        knee: tree.position(limb.middle_joint()),
        ankle: tree.position(ankle),
        foot,
    }
}

fn limb_length(tree: &Tree, limb: &Limb) -> f64 {
    let at = |joint| tree.position(joint);
    let upper = at(limb.upper_joint()).distance(at(limb.middle_joint()));
    let lower = limb
        .lower_joint()
        .map_or(0.0, |joint| at(joint).distance(at(limb.middle_joint())));
    upper + lower
}

/// From the elbow to the line between shoulder and wrist: forearms bend forward.
fn elbow_opening(tree: &Tree, limb: &Limb) -> DVec3 {
    let Some(wrist) = limb.lower_joint() else {
        return DVec3::ZERO;
    };
    let shoulder = tree.position(limb.upper_joint());
    let line = tree.position(wrist) - shoulder;
    match line.try_normalize() {
        Some(along) => {
            -(tree.position(limb.middle_joint()) - shoulder).reject_from_normalized(along)
        }
        None => DVec3::ZERO,
    }
}
