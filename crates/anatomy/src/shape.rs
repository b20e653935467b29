//! The shape of a tree of joints: lengths, longest paths, and subtrees that mirror each other.
//!
//! Lengths of bones do not depend on the pose, so that pairs are found in crooked rests too.

use glam::DVec3;
use understudy_motion::{JointKind, Skeleton, Surface, WorldPose};

use crate::body::Side;
use crate::tokens::{NameHint, hints};

/// Subtrees count as a pair from this likeness (0 to 1) on. Chosen so that an arm with
/// fingers still pairs with one without, and spine and tail do not pair.
const PAIR_LIKENESS: f64 = 0.62;

/// A skeleton at rest with what recognition asks of it again and again.
pub(crate) struct Tree<'a> {
    pub skeleton: &'a Skeleton,
    pub rest: WorldPose,
    /// What names say, as far as recognition listens to them.
    pub hints: Vec<NameHint>,
    /// What names say in any case.
    pub spoken: Vec<NameHint>,
    /// Children that may be part of the body.
    pub children: Vec<Vec<usize>>,
    /// Ends of bones without further joint, world, metres.
    pub tips: Vec<Vec<DVec3>>,
    /// Why a joint is left out, where it is.
    pub left_out: Vec<Option<&'static str>>,
    /// Distance from the parent, metres.
    pub length: Vec<f64>,
    /// Longest path below, tips included, metres.
    pub extent: Vec<f64>,
    /// Joints at and below.
    pub count: Vec<usize>,
    /// The longest path of the whole tree, metres.
    pub size: f64,
}

/// Two children of one joint that mirror each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Pair {
    /// The joint both hang from.
    pub node: usize,
    /// One of them.
    pub a: usize,
    /// The other.
    pub b: usize,
    /// 0 to 1.
    pub likeness: f64,
}

impl<'a> Tree<'a> {
    /// The tree of a skeleton; `listen` tells whether names count.
    pub fn new(skeleton: &'a Skeleton, surface: Option<&Surface>, listen: bool) -> Self {
        let rest = skeleton.rest_world();
        let joints = skeleton.joints();
        let n = joints.len();
        let spoken = hints(joints.iter().map(|joint| joint.name.as_str()));
        let hints = if listen {
            spoken.clone()
        } else {
            vec![NameHint::default(); n]
        };
        let mut tips: Vec<Vec<DVec3>> = joints
            .iter()
            .enumerate()
            .map(|(index, joint)| {
                joint
                    .tips
                    .iter()
                    .map(|&tip| rest.point(index, tip))
                    .collect()
            })
            .collect();
        surface_tips(skeleton, surface, &rest, &mut tips);
        let length = (0..n)
            .map(|index| {
                let parent = skeleton.parent(index);
                parent.map_or(0.0, |up| rest.position(index).distance(rest.position(up)))
            })
            .collect();
        let mut tree = Self {
            skeleton,
            rest,
            hints,
            spoken,
            children: vec![Vec::new(); n],
            tips,
            left_out: vec![None; n],
            length,
            extent: vec![0.0; n],
            count: vec![1; n],
            size: 0.0,
        };
        tree.leave_out_helpers();
        tree.measure();
        tree
    }

    pub fn len(&self) -> usize {
        self.skeleton.len()
    }

    pub fn position(&self, joint: usize) -> DVec3 {
        self.rest.position(joint)
    }

    /// Length of the bone to a joint and of the longest path below it, metres.
    pub fn reach(&self, joint: usize) -> f64 {
        self.length[joint] + self.extent[joint]
    }

    /// Subtrees of handles and attachment points, and leaves of no length that no word explains.
    fn leave_out_helpers(&mut self) {
        let n = self.len();
        let mut speaks_below = vec![false; n];
        for joint in (0..n).rev() {
            let hint = &self.hints[joint];
            speaks_below[joint] |= hint.speaks() && !hint.helper;
            if let Some(parent) = self.skeleton.parent(joint) {
                speaks_below[parent] |= speaks_below[joint];
            }
        }
        // Scaled-down files must work too: the lengths of all bones set the measure.
        let longest = self.length.iter().copied().fold(0.0, f64::max);
        for (joint, speaks_below) in speaks_below.into_iter().enumerate() {
            self.left_out[joint] = self.why_left_out(joint, speaks_below, longest);
        }
    }

    fn why_left_out(&self, joint: usize, speaks_below: bool, longest: f64) -> Option<&'static str> {
        let parent = self.skeleton.parent(joint);
        if let Some(up) = parent
            && self.is_left_out_below(up)
        {
            return self.left_out[up];
        }
        if self.skeleton.joint(joint).kind == JointKind::Carrier {
            return Some("a node that carries joints and is none itself");
        }
        let hint = &self.hints[joint];
        if hint.helper && !speaks_below {
            return Some("its name says handle, target, attachment or a part without bones");
        }
        let bare_leaf = self.skeleton.children(joint).is_empty() && self.tips[joint].is_empty();
        let without_length = parent.is_some() && self.length[joint] <= 1e-6 * longest;
        (bare_leaf && without_length && !hint.speaks() && !hint.twist)
            .then_some("an end without length and without a name of the body")
    }

    /// Carriers hand their children on; other joints that are left out take them along.
    fn is_left_out_below(&self, joint: usize) -> bool {
        self.left_out[joint].is_some() && self.skeleton.joint(joint).kind != JointKind::Carrier
    }

    fn measure(&mut self) {
        for joint in (0..self.len()).rev() {
            let own_tips = self.tips[joint]
                .iter()
                .map(|tip| tip.distance(self.position(joint)))
                .fold(0.0, f64::max);
            self.extent[joint] = self.extent[joint].max(own_tips);
            self.size = self.size.max(self.extent[joint]);
            if self.left_out[joint].is_some() {
                continue;
            }
            if let Some(parent) = self.skeleton.parent(joint) {
                self.children[parent].insert(0, joint);
                self.extent[parent] = self.extent[parent].max(self.reach(joint));
                self.count[parent] += self.count[joint];
            }
        }
    }

    /// The longest path from a joint outward, the joint included. A side leaf that shares twist
    /// never leads it.
    pub fn main_path(&self, joint: usize) -> Vec<usize> {
        let mut path = vec![joint];
        let mut at = joint;
        while let Some(next) = self.main_child(at) {
            path.push(next);
            at = next;
        }
        path
    }

    fn main_child(&self, joint: usize) -> Option<usize> {
        let leads = |child: usize| !(self.hints[child].twist && self.children[child].is_empty());
        self.children[joint]
            .iter()
            .copied()
            .filter(|&child| leads(child))
            .max_by(|&a, &b| self.reach(a).total_cmp(&self.reach(b)))
    }

    /// The end of the longest path at and below a joint: the joint itself where nothing follows.
    pub fn far_end(&self, joint: usize) -> DVec3 {
        let last = self.main_path(joint).last().copied().unwrap_or(joint);
        self.far_tip(last).unwrap_or(self.position(last))
    }

    /// The farthest of a joint's own tips, world.
    pub fn far_tip(&self, joint: usize) -> Option<DVec3> {
        let from = self.position(joint);
        self.tips[joint]
            .iter()
            .copied()
            .max_by(|a, b| a.distance(from).total_cmp(&b.distance(from)))
    }

    /// The children of a joint sorted into pairs and single ones, best pair first. `lateral` is
    /// the left-right axis, where it is known; pairs must then lie along it.
    pub fn pairs_at(&self, node: usize, lateral: Option<DVec3>) -> (Vec<Pair>, Vec<usize>) {
        let children = &self.children[node];
        // A joint with hundreds of children is no body; the cost would grow with their square.
        let few = &children[..children.len().min(64)];
        let mut found = Vec::new();
        for (index, &a) in few.iter().enumerate() {
            for &b in &few[index + 1..] {
                let likeness = self.likeness(a, b) * self.lateral_fit(a, b, lateral);
                if likeness >= PAIR_LIKENESS {
                    found.push(Pair {
                        node,
                        a,
                        b,
                        likeness,
                    });
                }
            }
        }
        found.sort_by(|x, y| {
            let weight = |pair: &Pair| pair.likeness;
            weight(y).total_cmp(&weight(x))
        });
        let mut pairs: Vec<Pair> = Vec::new();
        for pair in found {
            let taken = |joint| pairs.iter().any(|p| p.a == joint || p.b == joint);
            if !taken(pair.a) && !taken(pair.b) {
                pairs.push(pair);
            }
        }
        let singles = children
            .iter()
            .copied()
            .filter(|&child| !pairs.iter().any(|pair| pair.a == child || pair.b == child))
            .collect();
        (pairs, singles)
    }

    /// How like two subtrees are, 0 to 1, from bone lengths and numbers of joints; the side
    /// markers of their names decide where they speak.
    pub fn likeness(&self, a: usize, b: usize) -> f64 {
        let lengths = |joint: usize| -> Vec<f64> {
            let path = self.main_path(joint);
            let mut lengths: Vec<f64> = path.iter().map(|&j| self.length[j]).collect();
            if let Some(tip) = path.last().and_then(|&last| self.far_tip(last)) {
                lengths.push(tip.distance(self.position(path[path.len() - 1])));
            }
            lengths
        };
        let (la, lb) = (lengths(a), lengths(b));
        let (mut shared, mut all) = (0.0, 0.0);
        for index in 0..la.len().max(lb.len()) {
            let at = |list: &[f64]| list.get(index).copied().unwrap_or(0.0);
            shared += at(&la).min(at(&lb));
            all += at(&la).max(at(&lb));
        }
        let sequence = if all > 0.0 { shared / all } else { 1.0 };
        // Fingers on one hand only must not part two arms.
        let count = ratio(self.count[a] as f64, self.count[b] as f64).powf(0.1);
        let shape = sequence * ratio(self.reach(a), self.reach(b)) * count;
        match (self.side_below(a), self.side_below(b)) {
            (Some(x), Some(y)) if x == y => 0.5 * shape,
            (Some(_), Some(_)) if self.hints[a].stem == self.hints[b].stem => {
                (shape + 0.2).min(1.0)
            }
            _ => shape,
        }
    }

    /// The side marker of a joint, or of the first joint below it that has one.
    pub fn side_below(&self, joint: usize) -> Option<Side> {
        let path = self.main_path(joint);
        path.iter().find_map(|&at| self.hints[at].side)
    }

    /// 1 where the two lie apart along the axis, 0 where across it.
    fn lateral_fit(&self, a: usize, b: usize, lateral: Option<DVec3>) -> f64 {
        let Some(lateral) = lateral else {
            return 1.0;
        };
        let Some(apart) = self.apart(a, b).and_then(DVec3::try_normalize) else {
            return 1.0;
        };
        apart.dot(lateral).abs().powi(2)
    }

    /// From a joint of chain `b` to its mate in chain `a`: the first ones that lie clearly apart for
    /// the size of the chains, since chains may begin in nearly one place.
    pub fn apart(&self, a: usize, b: usize) -> Option<DVec3> {
        let (pa, pb) = (self.main_path(a), self.main_path(b));
        let clear = 0.05 * self.reach(a).max(self.reach(b)).max(2e-3 * self.size);
        pa.iter()
            .zip(&pb)
            .map(|(&x, &y)| self.position(x) - self.position(y))
            .chain(std::iter::once(self.far_end(a) - self.far_end(b)))
            .find(|apart| apart.length() > clear)
    }
}

/// The smaller number over the larger one; 1 where both are 0.
pub(crate) fn ratio(a: f64, b: f64) -> f64 {
    let larger = a.max(b);
    if larger > 0.0 { a.min(b) / larger } else { 1.0 }
}

/// Gives leaf joints without an end site the farthest point of their flesh along the bone.
fn surface_tips(
    skeleton: &Skeleton,
    surface: Option<&Surface>,
    rest: &WorldPose,
    tips: &mut [Vec<DVec3>],
) {
    let Some(surface) = surface else {
        return;
    };
    let points = surface.points_by_joint(skeleton.len(), rest);
    for (joint, points) in points.iter().enumerate() {
        if !skeleton.children(joint).is_empty() || !tips[joint].is_empty() {
            continue;
        }
        let from = rest.position(joint);
        let farthest = points
            .iter()
            .map(|&point| rest.point(joint, point))
            .filter(|point| point.is_finite())
            .max_by(|a, b| a.distance(from).total_cmp(&b.distance(from)));
        if let Some(tip) = farthest {
            tips[joint].push(tip);
        }
    }
}
