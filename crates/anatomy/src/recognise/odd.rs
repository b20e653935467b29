//! Bodies that lack something: legs without an ankle, a single arm, a single leg.

use understudy_motion::WorldFrame;

use super::Reader;
use crate::body::Side;
use crate::limbs::{Limb, find_arm, find_leg};
use crate::shape::{Pair, Tree};
use crate::trunk::{NameBallot, hang, is_further_leg, leads_down, may_be_legs};

/// What another reading would explain nearly as well: below the 0.5 of a fair reading.
pub(super) const DOUBTED: f64 = 0.45;

/// A limb without a mate.
#[derive(Clone, Debug)]
pub(super) struct Lone {
    /// The joint of the midline it hangs from.
    pub node: usize,
    pub limb: Limb,
    pub side: Side,
    /// How surely the tree shows it, 0 to 1.
    pub shape: f64,
}

impl Reader<'_> {
    /// Whether a pair of two joints is a pair of legs that end before the ankle, rather than
    /// something that hangs beside `full`, the next pair that could be legs.
    pub(super) fn are_stumps(&self, large: &[Pair], pair: &Pair, full: Option<&Pair>) -> bool {
        let tree = self.tree;
        let ballot = NameBallot::of(tree, pair);
        if ballot.share(ballot.leg) > 0.5 {
            return true;
        }
        let reach = |pair: &Pair| tree.reach(pair.a);
        let longest = large.iter().map(reach).fold(0.0, f64::max);
        let own = hang(tree, &self.midline, pair);
        let wins = |full: &Pair| {
            let theirs = hang(tree, &self.midline, full);
            own.away > theirs.away + 0.3 || (leads_down(own.way) && !leads_down(theirs.way))
        };
        reach(pair) > 0.5 * longest && full.is_none_or(wins)
    }

    /// Without names, a further long pair that hangs down away from the trunk may be the legs just as
    /// well; then no role is sure.
    pub(super) fn doubt_rival_legs(&mut self, large: &[Pair]) {
        let tree = self.tree;
        let Some(first) = self.legs.first().map(|legs| legs.pair) else {
            return;
        };
        let is_rival = |pair: &&Pair| {
            let way = hang(tree, &self.midline, pair).way;
            !self.legs.iter().any(|legs| legs.pair == **pair)
                && may_be_legs(tree, &self.midline, large, pair)
                && way.dot(self.frame.up) < -std::f64::consts::FRAC_1_SQRT_2 * way.length()
                && tree.main_path(pair.a).len() >= 3
                && tree.reach(pair.a) > 0.4 * tree.reach(first.a)
        };
        if let Some(rival) = large.iter().find(is_rival)
            && self.is_nameless()
        {
            let [a, b] = [rival.a, rival.b].map(|start| tree.skeleton.name(start));
            self.notes.push(format!(
                "the chains from \"{a}\" and \"{b}\" hang down like legs too; which pair is arms \
                 and which is legs is doubtful"
            ));
            self.claims.most = DOUBTED;
        }
    }

    /// Takes note of legs without ankles, and of further ones like the first pair.
    pub(super) fn set_stumps(&mut self, large: &[Pair]) {
        let tree = self.tree;
        let Some(&first) = self.stumps.first() else {
            return;
        };
        self.leg_length = (tree.extent[first.a] + tree.extent[first.b]) / 2.0;
        let further = large
            .iter()
            .filter(|pair| **pair != first && is_further_leg(tree, &first, pair, 2, &self.frame));
        self.stumps.extend(further);
        for pair in self.stumps.clone() {
            let [a, b] = [pair.a, pair.b].map(|start| tree.skeleton.name(start));
            self.notes.push(format!(
                "the legs from \"{a}\" and \"{b}\" have no ankle joint, so that nothing of them \
                 can be planted; they stay as they rest"
            ));
        }
    }

    /// Whether a joint belongs to legs without ankles.
    pub(super) fn is_in_stump(&self, joint: usize) -> bool {
        self.stumps
            .iter()
            .flat_map(|pair| [pair.a, pair.b])
            .any(|start| self.tree.skeleton.is_at_or_above(start, joint))
    }

    /// Chains without a mate, each with the joint of the midline it hangs from.
    fn lone_chains(&self) -> Vec<(usize, usize)> {
        let tree = self.tree;
        let in_pair = |joint: usize| {
            let pairs = &self.midline.pairs;
            pairs.iter().any(|pair| pair.a == joint || pair.b == joint)
        };
        self.midline
            .nodes
            .iter()
            .flat_map(|&node| tree.children[node].iter().map(move |&start| (node, start)))
            .filter(|&(_, start)| !in_pair(start))
            .collect()
    }

    /// Whether no name of the tree says anything.
    pub(super) fn is_nameless(&self) -> bool {
        !self.tree.hints.iter().any(|hint| hint.speaks())
    }

    /// A single leg, where its names say that it is one.
    pub(super) fn find_lone_leg(&mut self) {
        let tree = self.tree;
        let leg = self
            .lone_chains()
            .into_iter()
            .filter(|&(_, start)| {
                let ballot = NameBallot::of_chains(tree, &[start]);
                ballot.share(ballot.leg) > 0.8 && tree.side_below(start).is_some()
            })
            .max_by(|&(_, a), &(_, b)| tree.reach(a).total_cmp(&tree.reach(b)));
        let Some((node, start)) = leg else {
            return;
        };
        if let (Some(limb), Some(side)) = (
            find_leg(tree, node, start, self.midline.lateral),
            tree.side_below(start),
        ) {
            let shape = 0.62 + 0.18 * limb.certainty;
            self.notes.push(format!(
                "a single leg begins at \"{}\"; there is no leg on the other side",
                tree.skeleton.name(limb.upper_joint())
            ));
            self.leg_length = tree.extent[limb.upper_joint()];
            self.lone_leg = Some(Lone {
                node,
                limb,
                side,
                shape,
            });
        }
    }

    /// A single arm: named so, or, in a tree without names, a long chain from one side of the
    /// trunk.
    pub(super) fn find_lone_arm(&mut self) {
        let tree = self.tree;
        let nameless = self.is_nameless();
        let arm = self
            .lone_chains()
            .into_iter()
            .filter(|&(node, start)| self.may_be_lone_arm(node, start, nameless))
            .max_by(|&(_, a), &(_, b)| tree.reach(a).total_cmp(&tree.reach(b)));
        let Some((node, start)) = arm else {
            return;
        };
        let Some(limb) = find_arm(tree, node, start, self.midline.lateral) else {
            return;
        };
        let name = tree.skeleton.name(limb.upper_joint());
        let shape = if nameless {
            self.notes.push(format!(
                "\"{name}\" begins a lone chain on one side of the trunk, without a name; it is \
                 taken for a single arm, which is doubtful"
            ));
            DOUBTED
        } else {
            self.notes.push(format!(
                "a single arm begins at \"{name}\"; there is no arm on the other side"
            ));
            0.6 + 0.18 * limb.certainty
        };
        let side = tree
            .side_below(start)
            .unwrap_or_else(|| side_of(tree, node, start, &self.frame));
        self.lone_arm = Some(Lone {
            node,
            limb,
            side,
            shape,
        });
    }

    fn may_be_lone_arm(&self, node: usize, start: usize, nameless: bool) -> bool {
        let tree = self.tree;
        let ballot = NameBallot::of_chains(tree, &[start]);
        if !nameless {
            return ballot.share(ballot.arm) > 0.8;
        }
        let height = |joint: usize| tree.position(joint).dot(self.frame.up);
        self.midline.aside.contains(&start)
            && !self.leg_nodes().contains(&node)
            && height(start) > height(self.pelvis())
            && tree.main_path(start).len() >= 2
            && tree.reach(start) > 0.4 * self.leg_length
    }
}

/// The side of the body that a chain leads to.
fn side_of(tree: &Tree, node: usize, start: usize, frame: &WorldFrame) -> Side {
    let middle = (tree.position(start) + tree.far_end(start)) / 2.0;
    if (middle - tree.position(node)).dot(frame.left()) >= 0.0 {
        Side::Left
    } else {
        Side::Right
    }
}
