//! Root, spine, neck and head.

use glam::DVec3;

use super::Reader;
use crate::role::{Part, Role};
use crate::shape::Tree;
use crate::tokens::Slot;
use crate::trunk::pair_middle;
use crate::vertebrae::{neck_parts, spine_parts};

impl Reader<'_> {
    pub(super) fn find_trunk(&mut self) {
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
    pub(super) fn arms_node(&self) -> Option<usize> {
        let lone = self.lone_arm.iter().map(|arm| arm.node);
        let pairs = self.arms.iter().map(|arms| arms.pair.node);
        pairs
            .chain(lone)
            .max_by_key(|&node| self.tree.skeleton.path_from_root(node).len())
    }

    /// Without arms, the trunk's chain begins at the joint above the legs, or where the front legs
    /// hang.
    pub(super) fn spine_start(&self, pelvis: usize) -> usize {
        self.leg_nodes()
            .into_iter()
            .max_by_key(|&node| self.tree.skeleton.path_from_root(node).len())
            .unwrap_or(pelvis)
    }

    /// Joints of the midline upward, the given one not included.
    pub(super) fn chain_up(&self, from: usize) -> Vec<usize> {
        let mut chain = Vec::new();
        let mut at = from;
        while let Some(next) = self.next_up(at) {
            chain.push(next);
            at = next;
        }
        chain
    }

    pub(super) fn next_up(&self, at: usize) -> Option<usize> {
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

    pub(super) fn holds_legs(&self, joint: usize) -> bool {
        let holds = |node: usize| self.tree.skeleton.is_at_or_above(joint, node);
        self.leg_nodes().into_iter().any(holds)
    }

    /// Claims root and pelvis and returns them. A joint just above a joint that carries both legs
    /// and spine is the root, unless it lies on the floor.
    pub(super) fn claim_root(&mut self, common: usize, pelvis: usize) -> (usize, usize) {
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
            let shape = if self.leg_nodes().is_empty() {
                0.4
            } else {
                0.8
            };
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

    pub(super) fn root_above(&self, common: usize) -> Option<usize> {
        let parent = self.tree.skeleton.parent(common)?;
        let hint = &self.tree.hints[parent];
        let named_else = hint.speaks() && hint.says(Slot::Root) + hint.says(Slot::Pelvis) == 0.0;
        let near = self.tree.length[common] < 0.35 * self.leg_length;
        let usable = self.tree.left_out[parent].is_none();
        (usable && near && !named_else && !self.leg_nodes().is_empty()).then_some(parent)
    }

    /// Claims spine, neck and head along the trunk.
    pub(super) fn claim_column(&mut self, pelvis: usize, chest: Option<usize>) {
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
        match head {
            Some(head) => self.claim_neck_and_head(above, head, shape),
            None => self.notes.push(format!(
                "no neck and no head were found: the trunk ends at \"{}\"",
                self.tree.skeleton.name(column[column.len() - 1])
            )),
        }
    }

    /// How many joints of the column belong to the back: up to the joint that carries the arms,
    /// and on while joints are named so or stay below the place where the arms begin.
    pub(super) fn spine_count(&self, column: &[usize], chest: Option<usize>) -> usize {
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

    pub(super) fn spine_count_without_arms(&self, column: &[usize]) -> usize {
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

    pub(super) fn head_index(&self, above: &[usize]) -> usize {
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

    pub(super) fn claim_neck_and_head(&mut self, above: &[usize], head: usize, shape: f64) {
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

    pub(super) fn rises(&self, from: usize, to: usize) -> bool {
        let step = self.tree.position(to) - self.tree.position(from);
        step.normalize_or_zero().dot(self.frame.up) > 0.3
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
