//! The midline of a tree: which joints lie on it, and which pairs of limbs hang from it.

use glam::DVec3;
use understudy_motion::WorldFrame;

use crate::body::Side;
use crate::shape::{Pair, Tree};
use crate::tokens::Slot;

/// A third chain could be the mate of one of a pair when it is so much as like it (our choice).
const MATE_LIKENESS: f64 = 0.8;
/// A lone chain on the midline begins no farther beside it, as a share of the longest path; 9 cm in
/// a human (our choice).
const BESIDE: f64 = 0.06;
/// Nor does it lead farther aside than so, as the mean sine of its joints' angles (our choice).
const ASIDE: f64 = 0.45;
/// And so far where they hang straight; folded wings do not (our choice).
const STRAIGHT_HANG: f64 = 0.7;
/// Weight of ending lowest in the file, among the scores of pairs of legs: more than the place of
/// the root, less than names (our choice).
const LOWEST_IN_FILE: f64 = 2.5;
/// The mean of two legs goes at least so far along them; spread arms cancel out (our choice).
const LEAST_HANG: f64 = 0.35;

/// Joints of the midline, top down, and the pairs that hang from them.
#[derive(Clone, Debug, Default)]
pub(crate) struct Midline {
    pub nodes: Vec<usize>,
    pub pairs: Vec<Pair>,
    /// The left-right axis, its sign open.
    pub lateral: Option<DVec3>,
    /// Lone chains that leave the midplane: no spine, neck, head or tail begins there.
    pub aside: Vec<usize>,
}

impl Midline {
    /// Walks down from a root twice: first to find the left-right axis, then with it.
    pub fn find(tree: &Tree, root: usize) -> Self {
        let blind = Self::walk(tree, root, None);
        let lateral = blind.axis(tree).or_else(|| blind.axis_of_groups(tree));
        match lateral {
            Some(_) => Self::walk(tree, root, lateral),
            None => blind,
        }
    }

    fn walk(tree: &Tree, root: usize, lateral: Option<DVec3>) -> Self {
        let mut midline = Self {
            lateral,
            ..Self::default()
        };
        let mut open = vec![root];
        while let Some(node) = open.pop() {
            midline.nodes.push(node);
            let (pairs, singles) = tree.pairs_at(node, lateral);
            midline.pairs.extend(pairs);
            let (aside, central): (Vec<usize>, Vec<usize>) = singles
                .into_iter()
                .partition(|&single| leaves_midplane(tree, node, single, lateral));
            midline.aside.extend(aside);
            open.extend(central);
        }
        midline.nodes.sort_unstable();
        midline
    }

    /// Mean of the midline's joints, world, metres.
    fn centre(&self, tree: &Tree) -> DVec3 {
        let sum: DVec3 = self.nodes.iter().map(|&node| tree.position(node)).sum();
        sum / self.nodes.len().max(1) as f64
    }

    /// Mean left-right axis of the large pairs that can be paired in one way only.
    fn axis(&self, tree: &Tree) -> Option<DVec3> {
        let clear: Vec<&Pair> = self
            .pairs
            .iter()
            .filter(|pair| !self.is_ambiguous(tree, pair))
            .collect();
        let weight = |pair: &Pair| tree.reach(pair.a) * pair.likeness.powi(4);
        let largest = clear
            .iter()
            .max_by(|x, y| weight(x).total_cmp(&weight(y)))?;
        let axis = tree.apart(largest.a, largest.b)?.try_normalize()?;
        let mut sum = DVec3::ZERO;
        for pair in &clear {
            let Some(apart) = tree.apart(pair.a, pair.b).and_then(DVec3::try_normalize) else {
                continue;
            };
            // Pairs far off the axis are no pairs of this body; small ones would only add noise.
            let along = apart.dot(axis);
            if along.abs() > 0.9 && weight(pair) > 0.3 * weight(largest) {
                sum += apart * along.signum() * weight(pair);
            }
        }
        sum.try_normalize()
    }

    fn is_ambiguous(&self, tree: &Tree, pair: &Pair) -> bool {
        let siblings = &tree.children[pair.node];
        siblings
            .iter()
            .take(64)
            .filter(|&&other| other != pair.a && other != pair.b)
            .any(|&other| {
                // Names that pair off settle it, and so does a third chain that is no mate.
                tree.side_below(pair.a).is_none()
                    && crate::shape::ratio(tree.reach(other), tree.reach(pair.a)) > 0.7
                    && crate::shape::ratio(tree.count[other] as f64, tree.count[pair.a] as f64)
                        > 0.7
                    && tree
                        .likeness(other, pair.a)
                        .max(tree.likeness(other, pair.b))
                        > MATE_LIKENESS * pair.likeness
            })
    }

    /// Where several like chains hang from one joint: the axis that lies most across the way the
    /// feet point and across the spine.
    fn axis_of_groups(&self, tree: &Tree) -> Option<DVec3> {
        let mut best: Option<(f64, DVec3)> = None;
        for pair in &self.pairs {
            let siblings = &tree.children[pair.node];
            let spine = siblings
                .iter()
                .max_by(|&&x, &&y| tree.count[x].cmp(&tree.count[y]))
                .map(|&top| tree.far_end(top) - tree.position(pair.node))
                .and_then(DVec3::try_normalize)
                .unwrap_or(DVec3::ZERO);
            for (index, &a) in siblings.iter().take(16).enumerate() {
                for &b in siblings.iter().take(16).skip(index + 1) {
                    let Some(apart) = tree.apart(a, b).and_then(DVec3::try_normalize) else {
                        continue;
                    };
                    let feet = (last_step(tree, a) + last_step(tree, b)).normalize_or_zero();
                    let misfit = apart.dot(feet).abs() + apart.dot(spine).abs();
                    if best.is_none_or(|(least, _)| misfit < least) {
                        best = Some((misfit, apart));
                    }
                }
            }
        }
        best.map(|(_, axis)| axis)
    }
}

/// Whether a lone chain begins or leads so far beside the midplane that it cannot be trunk, neck,
/// head or tail, and no name says that it is.
fn leaves_midplane(tree: &Tree, node: usize, start: usize, lateral: Option<DVec3>) -> bool {
    let Some(axis) = lateral else {
        return false;
    };
    let central = [
        Slot::Root,
        Slot::Pelvis,
        Slot::Spine,
        Slot::Neck,
        Slot::Head,
        Slot::Jaw,
        Slot::Tail,
    ];
    if tree.hints[start]
        .best()
        .is_some_and(|slot| central.contains(&slot))
    {
        return false;
    }
    let offsets: Vec<DVec3> = stem_points(tree, start)
        .into_iter()
        .map(|point| point - tree.position(node))
        .collect();
    let beside: f64 = offsets.iter().map(|offset| offset.dot(axis).abs()).sum();
    let away: f64 = offsets.iter().map(|offset| offset.length()).sum();
    let least = BESIDE * tree.size;
    offsets[0].dot(axis).abs() > least
        || (beside > ASIDE * away && beside > least * offsets.len() as f64)
}

/// The joints from one on as far as no other chain parts from them, and the tip of the last.
fn stem_points(tree: &Tree, start: usize) -> Vec<DVec3> {
    let mut points = vec![tree.position(start)];
    let mut at = start;
    while let [next] = tree.children[at][..] {
        at = next;
        points.push(tree.position(at));
    }
    if tree.children[at].is_empty() {
        points.extend(tree.far_tip(at));
    }
    points
}

fn last_step(tree: &Tree, start: usize) -> DVec3 {
    let path = tree.main_path(start);
    let last = path[path.len() - 1];
    let end = tree.far_end(start);
    let from = if end.distance(tree.position(last)) > 1e-6 * tree.size {
        tree.position(last)
    } else {
        let before = path.len().saturating_sub(2);
        tree.position(path[before])
    };
    end - from
}

/// What the names inside a pair's chains speak for.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct NameBallot {
    pub leg: f64,
    pub arm: f64,
    pub wing: f64,
    /// Ear, eye, lid or brow.
    pub face: f64,
}

impl NameBallot {
    pub fn of(tree: &Tree, pair: &Pair) -> Self {
        Self::of_chains(tree, &[pair.a, pair.b])
    }

    /// What names say at and below some joints.
    pub fn of_chains(tree: &Tree, starts: &[usize]) -> Self {
        let mut ballot = Self::default();
        for &start in starts {
            for joint in below(tree, start) {
                let hint = &tree.hints[joint];
                let says = |slots: &[Slot]| slots.iter().map(|&s| hint.says(s)).fold(0.0, f64::max);
                ballot.leg += says(&[Slot::Hip, Slot::Knee, Slot::Ankle, Slot::Ball, Slot::Toe]);
                ballot.arm += says(&[
                    Slot::Clavicle,
                    Slot::Shoulder,
                    Slot::Elbow,
                    Slot::Wrist,
                    Slot::Finger,
                ]);
                ballot.wing += says(&[Slot::Wing]);
                ballot.face += says(&[Slot::Ear, Slot::Eye, Slot::Eyelid, Slot::Eyebrow]);
            }
        }
        ballot
    }

    fn total(&self) -> f64 {
        self.leg + self.arm + self.wing + self.face
    }

    /// Share of one voice among all, 0 where no name speaks.
    pub fn share(&self, voice: f64) -> f64 {
        if self.total() > 0.0 {
            voice / self.total()
        } else {
            0.0
        }
    }

    pub fn is_silent(&self) -> bool {
        self.total() == 0.0
    }
}

/// A joint and everything below it that may be part of the body.
pub(crate) fn below(tree: &Tree, start: usize) -> Vec<usize> {
    let mut found = vec![start];
    let mut next = 0;
    while next < found.len() {
        found.extend_from_slice(&tree.children[found[next]]);
        next += 1;
    }
    found
}

/// Midpoint of the places where a pair begins, world, metres.
pub(crate) fn pair_middle(tree: &Tree, pair: &Pair) -> DVec3 {
    (tree.position(pair.a) + tree.position(pair.b)) / 2.0
}

/// Pairs that are large enough to be limbs.
pub(crate) fn large_pairs(tree: &Tree, midline: &Midline) -> Vec<Pair> {
    let largest = midline
        .pairs
        .iter()
        .map(|pair| tree.reach(pair.a))
        .fold(0.0, f64::max);
    midline
        .pairs
        .iter()
        .filter(|pair| {
            tree.reach(pair.a) > 0.25 * largest
                && [pair.a, pair.b]
                    .iter()
                    .all(|&start| tree.main_path(start).len() >= 2)
        })
        .copied()
        .collect()
}

/// How a pair hangs from the midline.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Hang {
    /// Where both lead together: length 1 for parallel straight limbs, 0 for spread arms.
    pub way: DVec3,
    /// Share of it that leads away from the middle of the trunk, −1 to 1.
    pub away: f64,
}

/// How a pair hangs from the midline. Bent limbs count by the part that leads on best.
pub(crate) fn hang(tree: &Tree, midline: &Midline, pair: &Pair) -> Hang {
    let points = |start: usize| -> Vec<DVec3> {
        let path = tree.main_path(start);
        let joints = path.iter().map(|&joint| tree.position(joint));
        joints.chain([tree.far_end(start)]).collect()
    };
    let (a, b) = (points(pair.a), points(pair.b));
    let from = pair_middle(tree, pair);
    let whole = (tree.extent[pair.a] + tree.extent[pair.b]) / 2.0;
    let (mut along, mut way) = (0.0, DVec3::ZERO);
    for (a, b) in a.windows(2).zip(b.windows(2)) {
        along += (a[0].distance(a[1]) + b[0].distance(b[1])) / 2.0;
        // The first short bones lead to hip or shoulder.
        if along > 0.35 * whole {
            let here = ((a[1] + b[1]) / 2.0 - from) / along;
            if here.length() > way.length() {
                way = here;
            }
        }
    }
    let outward = (from - midline.centre(tree)).normalize_or_zero();
    Hang {
        way,
        away: way.dot(outward),
    }
}

/// Whether a pair can be legs: its names say so; or both lead the same way, and that is away from
/// the trunk, down in the file (against +Y or +Z), or the way of another pair.
pub(crate) fn may_be_legs(tree: &Tree, midline: &Midline, large: &[Pair], pair: &Pair) -> bool {
    let ballot = NameBallot::of(tree, pair);
    if ballot.share(ballot.leg) > 0.5 {
        return true;
    }
    let own = hang(tree, midline, pair);
    if own.way.length() < LEAST_HANG {
        return false;
    }
    let way = own.way.normalize_or_zero();
    let like = |other: &Pair| {
        let theirs = hang(tree, midline, other).way;
        *other != *pair
            && theirs.length() > LEAST_HANG
            && theirs.normalize_or_zero().dot(way) > 0.8
            && crate::shape::ratio(tree.reach(other.a), tree.reach(pair.a)) > 0.6
    };
    let shown =
        own.away > 0.4 || (own.away > -0.3 && (leads_down(own.way) || large.iter().any(like)));
    shown && !has_lone_leg_above(tree, midline, pair)
}

/// Whether a way leads down in a file with +Y or +Z up.
pub(crate) fn leads_down(way: DVec3) -> bool {
    let way = way.normalize_or_zero();
    way.y.min(way.z) < -std::f64::consts::FRAC_1_SQRT_2
}

/// Whether a pair leads down in a file with +Y or +Z up and no other ends clearly lower.
fn ends_lowest(tree: &Tree, midline: &Midline, large: &[Pair], pair: &Pair) -> bool {
    let way = hang(tree, midline, pair).way;
    if way.length() < STRAIGHT_HANG || !leads_down(way) {
        return false;
    }
    let up = if way.y < way.z { DVec3::Y } else { DVec3::Z };
    let lowest = |pair: &Pair| {
        let end = |start: usize| tree.far_end(start).dot(up);
        end(pair.a).min(end(pair.b))
    };
    let slack = 0.1 * tree.reach(pair.a);
    large
        .iter()
        .all(|other| lowest(other) > lowest(pair) - slack)
}

/// Whether a lone chain as long as a leg hangs down nearer to the root than a pair, so that the
/// pair may be the arms of a body with one leg.
fn has_lone_leg_above(tree: &Tree, midline: &Midline, pair: &Pair) -> bool {
    let holds_limbs = |start: usize| {
        midline.pairs.iter().any(|other| {
            tree.skeleton.is_at_or_above(start, other.node)
                && tree.reach(other.a) > 0.25 * tree.reach(pair.a)
        })
    };
    let is_leg = |node: usize, start: usize| {
        !holds_limbs(start)
            && midline.nodes.binary_search(&start).is_ok()
            && tree.main_path(start).len() >= 3
            && tree.reach(start) > 0.6 * tree.reach(pair.a)
            && leads_down(tree.far_end(start) - tree.position(node))
    };
    midline
        .nodes
        .iter()
        .filter(|&&node| node != pair.node && tree.skeleton.is_at_or_above(node, pair.node))
        .any(|&node| tree.children[node].iter().any(|&start| is_leg(node, start)))
}

/// The pair that is most surely a pair of legs.
pub(crate) fn pick_legs(tree: &Tree, midline: &Midline, large: &[Pair]) -> Option<Pair> {
    let depth = |pair: &Pair| tree.skeleton.path_from_root(pair.node).len();
    let nearest = large.iter().map(depth).min()?;
    let one_level = large.iter().all(|pair| depth(pair) == nearest);
    let score = |pair: &Pair| {
        let ballot = NameBallot::of(tree, pair);
        let mut score = 3.0 * (ballot.share(ballot.leg) - ballot.share(ballot.arm));
        score -= 3.0 * (ballot.share(ballot.wing) + ballot.share(ballot.face));
        if !one_level {
            // Trees of bodies are rooted at the pelvis (common practice).
            score += if depth(pair) == nearest { 1.0 } else { -1.0 };
        }
        score += if ends_lowest(tree, midline, large, pair) {
            LOWEST_IN_FILE
        } else {
            0.0
        };
        let away = hang(tree, midline, pair).away;
        let branching = tree.count[pair.a] > 2 * tree.main_path(pair.a).len() + 2;
        score + 0.7 * away - if branching { 0.5 } else { 0.0 }
    };
    let scored = large
        .iter()
        .filter(|pair| may_be_legs(tree, midline, large, pair))
        .map(|pair| (score(pair), *pair));
    scored
        .filter(|(score, _)| *score > -0.5)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, pair)| pair)
}

/// Whether another large pair is a pair of legs too: its names say so, or it reaches down as far
/// and hangs from the same joint or from a level trunk.
///
/// `joints` is the least number of joints of such a leg.
pub(crate) fn is_further_leg(
    tree: &Tree,
    first: &Pair,
    other: &Pair,
    joints: usize,
    frame: &WorldFrame,
) -> bool {
    let ballot = NameBallot::of(tree, other);
    if !ballot.is_silent() {
        return ballot.share(ballot.leg) > 0.5;
    }
    // How far each pair reaches down; the pose may lean, so the floor itself is no measure.
    let drop = |pair: &Pair| {
        let lowest = [pair.a, pair.b]
            .into_iter()
            .flat_map(|start| below(tree, start))
            .flat_map(|joint| {
                let tips = tree.tips[joint].iter().copied();
                tips.chain([tree.position(joint)])
            })
            .map(|point| point.dot(frame.up))
            .fold(f64::INFINITY, f64::min);
        pair_middle(tree, pair).dot(frame.up) - lowest
    };
    let stands = crate::shape::ratio(drop(other).max(0.0), drop(first).max(0.0)) > 0.75
        && tree.main_path(other.a).len() >= joints;
    let between = pair_middle(tree, other) - pair_middle(tree, first);
    let level = between.dot(frame.up).abs() < 0.64 * between.length().max(1e-9);
    stands && (level || other.node == first.node)
}

/// Left and right of a pair in a frame: `(left, right)`.
pub(crate) fn sides(tree: &Tree, pair: &Pair, frame: &WorldFrame) -> (usize, usize) {
    let apart = tree
        .apart(pair.a, pair.b)
        .map_or(0.0, |a| a.dot(frame.left()));
    if apart >= 0.0 {
        (pair.a, pair.b)
    } else {
        (pair.b, pair.a)
    }
}

/// +1 where names put the end of a pair that lies along `axis` left, −1 right, 0 silent.
pub(crate) fn name_vote(tree: &Tree, pair: &Pair, axis: DVec3) -> f64 {
    let Some(apart) = tree.apart(pair.a, pair.b) else {
        return 0.0;
    };
    let along = apart.dot(axis).signum();
    match (tree.side_below(pair.a), tree.side_below(pair.b)) {
        (Some(Side::Left), Some(Side::Right)) => along,
        (Some(Side::Right), Some(Side::Left)) => -along,
        _ => 0.0,
    }
}
