//! What the frame of the rest pose is found from.

use glam::DVec3;

use super::Reader;
use super::odd::DOUBTED;
use crate::frame::{Landmarks, LegMarks, find_frame};
use crate::limbs::{Limb, find_arms};
use crate::shape::{Pair, Tree};
use crate::tokens::Slot;
use crate::trunk::name_vote;

impl Reader<'_> {
    pub(super) fn find_frame(&mut self, large: &[Pair], legs: Option<&(Pair, [Limb; 2])>) {
        let marks = self.landmarks(large, legs);
        let found = find_frame(&marks);
        self.frame = found.frame;
        self.claims.side_confidence = found.confidence;
        self.claims.names_disagree = found.names_disagree;
        self.notes.extend(found.notes);
        self.doubt_unusual_up();
    }

    /// Files have up along +Y, as in glTF 2.0 (section 3.4), or along +Z (common practice). A body
    /// that seems to stand otherwise may be misread, all the more so without names.
    fn doubt_unusual_up(&mut self) {
        let up = self.frame.up;
        if up.y.max(up.z) > std::f64::consts::FRAC_1_SQRT_2 {
            return;
        }
        self.notes.push(format!(
            "the head seems to point along ({:.2}, {:.2}, {:.2}), where files have +Y or +Z up; if \
             it does not, legs and arms are mistaken for each other",
            up.x, up.y, up.z
        ));
        if self.is_nameless() {
            self.claims.most = DOUBTED;
            self.claims.side_confidence = self.claims.side_confidence.min(DOUBTED);
        }
    }

    pub(super) fn landmarks(&self, large: &[Pair], legs: Option<&(Pair, [Limb; 2])>) -> Landmarks {
        let tree = self.tree;
        let lateral = self.midline.lateral.unwrap_or(DVec3::ZERO);
        let leg_pair = legs.map(|(pair, _)| *pair).or(self.stumps.first().copied());
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
            ahead: self.ahead(from, leg_pair.is_some()),
            ..Landmarks::default()
        };
        if let Some((_, limbs)) = legs {
            let tops = limbs.each_ref().map(Limb::upper_joint);
            marks.lateral = self.between(tops, lateral);
            marks.legs = limbs.iter().map(|limb| leg_marks(tree, limb)).collect();
        } else if let Some(stumps) = leg_pair {
            marks.lateral = self.between([stumps.a, stumps.b], lateral);
            marks.legs = [stumps.a, stumps.b]
                .map(|start| stump_marks(tree, start))
                .into();
        } else if let Some(lone) = &self.lone_leg {
            marks.legs = vec![leg_marks(tree, &lone.limb)];
        }
        if let Some(limbs) = arms.and_then(|arms| find_arms(tree, arms, self.midline.lateral)) {
            marks.elbows = limbs.iter().map(|limb| elbow_opening(tree, limb)).collect();
        }
        marks
    }

    /// The line between the tops of two legs, along the left-right axis. The pelvis says where the
    /// body looks; chest and head may be turned aside.
    fn between(&self, tops: [usize; 2], lateral: DVec3) -> DVec3 {
        let [a, b] = tops.map(|top| self.tree.position(top));
        let apart = a - b;
        if apart.length() <= 1e-4 * self.tree.size {
            lateral
        } else if apart.dot(lateral) < 0.0 {
            -apart
        } else {
            apart
        }
    }

    /// The end of the largest chain of the midline that begins at a joint.
    pub(super) fn highest(&self, from: usize) -> Option<DVec3> {
        self.largest_single(from)
            .map(|single| self.midline_end(single))
    }

    /// Where the midline ends from a joint on. Arms are no part of it, however far they reach.
    fn midline_end(&self, from: usize) -> DVec3 {
        let mut at = from;
        while let Some(next) = self.largest_single(at) {
            at = next;
        }
        self.tree.far_tip(at).unwrap_or(self.tree.position(at))
    }

    pub(super) fn largest_single(&self, from: usize) -> Option<usize> {
        let weight = |joint: usize| self.tree.count[joint] as f64 * self.tree.reach(joint);
        self.singles(from)
            .into_iter()
            .max_by(|&a, &b| weight(a).total_cmp(&weight(b)))
    }

    /// Children on the midline.
    pub(super) fn singles(&self, node: usize) -> Vec<usize> {
        self.tree.children[node]
            .iter()
            .copied()
            .filter(|child| self.midline.nodes.binary_search(child).is_ok())
            .collect()
    }

    /// Vectors that point forward: eyes and jaw by name, tails by name or place.
    pub(super) fn ahead(&self, pelvis: usize, has_legs: bool) -> Vec<(&'static str, DVec3)> {
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
        let way = |joint: usize| tree.far_end(joint) - tree.position(pelvis);
        // Without a pair of legs, a chain against the trunk may be a leg.
        let may_be_leg = |joint: usize| {
            let up = trunk.map(|trunk| self.midline_end(trunk) - tree.position(pelvis));
            let along = up.unwrap_or(DVec3::ZERO).normalize_or_zero();
            !has_legs && way(joint).normalize_or_zero().dot(along) < -0.8
        };
        for tail in self.singles(pelvis) {
            let hint = &tree.hints[tail];
            let silent = !hint.speaks() && tree.reach(tail) > 0.15 * tree.size && !may_be_leg(tail);
            if Some(tail) != trunk && (silent || hint.says(Slot::Tail) > 0.0) {
                ahead.push(("tail", -way(tail)));
            }
        }
        ahead
    }
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

/// A leg that ends before the ankle: its end stands for the ankle, and there is no foot.
fn stump_marks(tree: &Tree, start: usize) -> LegMarks {
    let knee = tree.main_path(start).get(1).copied().unwrap_or(start);
    LegMarks {
        hip: tree.position(start),
        knee: tree.position(knee),
        ankle: tree.far_end(start),
        foot: Vec::new(),
    }
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
