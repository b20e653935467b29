//! Which pairs of chains are legs, arms and wings.

use glam::DVec3;

use super::{LimbPair, Reader};
use crate::limbs::{Limb, find_arms, find_legs};
use crate::shape::{Pair, Tree};
use crate::tokens::Slot;
use crate::trunk::{NameBallot, is_further_leg, pair_middle, pick_legs};

impl Reader<'_> {
    /// The pair that is most surely a pair of legs. Legs without ankles are kept as stumps.
    pub(super) fn first_legs(&mut self, large: &[Pair]) -> Option<(Pair, [Limb; 2])> {
        let mut candidates = large.to_vec();
        let mut short = None;
        let mut full = None;
        // A pair that is too short to be legs leaves the place to the next.
        while let Some(pair) = pick_legs(self.tree, &self.midline, &candidates) {
            full = find_legs(self.tree, &pair, self.midline.lateral).map(|limbs| (pair, limbs));
            if full.is_some() {
                break;
            }
            short.get_or_insert(pair);
            candidates.retain(|other| *other != pair);
        }
        if let Some(short) = short
            && self.are_stumps(large, &short, full.as_ref().map(|(pair, _)| pair))
        {
            self.stumps.push(short);
            return None;
        }
        full
    }

    /// The joints that legs hang from, legs without ankles and a single leg included.
    pub(super) fn leg_nodes(&self) -> Vec<usize> {
        let pairs = self.legs.iter().map(|legs| legs.pair.node);
        let stumps = self.stumps.iter().map(|pair| pair.node);
        let lone = self.lone_leg.iter().map(|leg| leg.node);
        pairs.chain(stumps).chain(lone).collect()
    }

    pub(super) fn set_legs(&mut self, large: &[Pair], first: Pair, limbs: [Limb; 2]) {
        let tree = self.tree;
        self.leg_length = limbs
            .iter()
            .map(|limb| limb_length(tree, limb))
            .sum::<f64>()
            / 2.0;
        let mut legs = vec![LimbPair::new(tree, first, limbs, &self.frame)];
        for other in large.iter().filter(|other| **other != first) {
            if is_further_leg(tree, &first, other, 3, &self.frame)
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
    pub(super) fn pelvis(&self) -> usize {
        self.leg_nodes()
            .into_iter()
            .min_by_key(|&node| self.tree.skeleton.path_from_root(node).len())
            .unwrap_or(self.top)
    }

    pub(super) fn find_arms(&mut self, large: &[Pair]) {
        let candidates: Vec<Pair> = large
            .iter()
            .filter(|pair| self.may_be_arms(pair))
            .copied()
            .collect();
        let Some(first) = self.best_arms(&candidates) else {
            self.notes.push("no pair of arms was found".to_owned());
            self.find_lone_arm();
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

    pub(super) fn may_be_arms(&self, pair: &Pair) -> bool {
        let ballot = NameBallot::of(self.tree, pair);
        let is_leg = self.legs.iter().any(|legs| legs.pair == *pair) || self.stumps.contains(pair);
        if is_leg || ballot.share(ballot.leg) > 0.5 || ballot.share(ballot.face) > 0.5 {
            return false;
        }
        let named = ballot.share(ballot.arm) + ballot.share(ballot.wing) > 0.5;
        let first_legs = self.legs.iter().map(|legs| &legs.pair);
        let leg_reach = first_legs
            .chain(&self.stumps)
            .next()
            .map_or(0.0, |legs| self.tree.reach(legs.a));
        let long = self.tree.reach(pair.a) > 0.3 * leg_reach;
        // The pair at the end of the midline is a pair of ears, unless it is long and not upright.
        let goes_on = self.singles(pair.node).iter().any(|&single| {
            self.tree.reach(single) > 0.08 * leg_reach && !self.tree.hints[single].end
        });
        let head = self.tree.hints[pair.node].best() == Some(Slot::Head);
        named || (long && !head && (goes_on || self.ends_as_arms(pair, leg_reach)))
    }

    /// Whether a pair at the end of the midline is a pair of arms of a body without a head: long
    /// limbs from above the pelvis that do not stand up, on a joint without a top of its own.
    fn ends_as_arms(&self, pair: &Pair, leg_reach: f64) -> bool {
        let tree = self.tree;
        let up = self.frame.up;
        let rise = |start: usize| {
            let along = tree.far_end(start) - tree.position(start);
            along.normalize_or_zero().dot(up)
        };
        let above = pair_middle(tree, pair) - tree.position(self.pelvis());
        tree.reach(pair.a) > (0.5 * leg_reach).max(0.3 * tree.size)
            && tree.tips[pair.node].is_empty()
            && above.dot(up) > 0.0
            && [pair.a, pair.b].into_iter().all(|start| rise(start) < 0.6)
    }

    pub(super) fn best_arms(&self, candidates: &[Pair]) -> Option<Pair> {
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
    pub(super) fn is_wing(&self, pair: &Pair, arms: &Pair) -> bool {
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

    pub(super) fn is_second_arm(&self, pair: &Pair, arms: &Pair) -> bool {
        let ballot = NameBallot::of(self.tree, pair);
        ballot.share(ballot.arm) > 0.5
            || (ballot.is_silent()
                && self.tree.reach(pair.a) > 0.45 * self.tree.reach(arms.a)
                && self.tree.main_path(pair.a).len() >= 3)
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
