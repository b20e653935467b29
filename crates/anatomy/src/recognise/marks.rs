//! What the frame of the rest pose is found from.

use glam::DVec3;

use super::Reader;
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
    }

    pub(super) fn landmarks(&self, large: &[Pair], legs: Option<&(Pair, [Limb; 2])>) -> Landmarks {
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
    pub(super) fn highest(&self, from: usize) -> Option<DVec3> {
        let single = self.largest_single(from)?;
        Some(self.tree.far_end(single))
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
    pub(super) fn ahead(&self, pelvis: usize) -> Vec<(&'static str, DVec3)> {
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
