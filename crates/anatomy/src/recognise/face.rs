//! Face and tails.

use understudy_motion::WorldFrame;

use super::Reader;
use crate::body::Side;
use crate::role::{Part, Role};
use crate::shape::{Pair, Tree};
use crate::tokens::Slot;
use crate::trunk::{below, pair_middle, sides};

impl Reader<'_> {
    pub(super) fn head(&self) -> Option<usize> {
        self.claims.roles.find(Role::central(Part::Skullbase))
    }

    pub(super) fn claim_face(&mut self) {
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

    pub(super) fn claim_face_part(
        &mut self,
        pair: &Pair,
        start: usize,
        side: Side,
        ears: usize,
        eyes: usize,
    ) {
        let role = |part, pair| Role::new(part, side).in_pair(pair);
        // What hangs from a doubtful head is no surer than the head.
        let head = self.head().and_then(|head| self.claims.roles.get(head));
        let shape = head.map_or(0.0, |head| head.confidence).min(0.62);
        let claims = &mut self.claims;
        match face_slot(self.tree, &self.frame, pair) {
            Some(Slot::Eye) => {
                let why = "a pair in front of the head";
                claims.claim(start, role(Part::Eyeball, eyes), shape, why);
            }
            Some(Slot::Eyelid) => claims.claim(start, role(Part::Eyelid, 0), shape, "on the head"),
            Some(Slot::Eyebrow) => {
                claims.claim(start, role(Part::Eyebrow, 0), shape, "on the head");
            }
            Some(Slot::Ear) => {
                self.claim_series(
                    start,
                    Part::Ear,
                    side,
                    ears,
                    shape,
                    "a pair beside the head",
                );
            }
            _ => {}
        }
    }

    pub(super) fn face_slot(&self, pair: &Pair) -> Option<Slot> {
        face_slot(self.tree, &self.frame, pair)
    }

    pub(super) fn claim_jaw(&mut self, head: usize, single: usize) {
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

    pub(super) fn claim_tails(&mut self) {
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

    pub(super) fn is_tail(&self, node: usize, start: usize) -> bool {
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
