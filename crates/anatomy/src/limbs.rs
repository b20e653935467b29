//! Which joints of a limb's longest path are hip, knee and ankle, or shoulder, elbow and wrist.
//!
//! Every choice of joints is scored by names, by the proportions of the segments and by what is
//! left over; the best choice wins, and the distance to the second best is its certainty. Expected
//! proportions are those of Drillis and Contini (1966), as printed in Winter, *Biomechanics and
//! Motor Control of Human Movement*: thigh 0.245, shank 0.246, upper arm 0.186, forearm 0.146 of
//! stature; creatures are allowed much else, so the weights are gentle (our own choice).

use glam::DVec3;

use crate::shape::{Pair, Tree};
use crate::tokens::Slot;

/// Longer paths than this are searched only at their beginning.
const LONGEST_STEM: usize = 14;
/// Upper arm over forearm in a human.
const ARM_RATIO: f64 = 0.186 / 0.146;

/// A limb with its three joints found, as indices into `path`.
#[derive(Clone, Debug)]
pub(crate) struct Limb {
    /// Longest path from the joint next to the trunk to the end.
    pub path: Vec<usize>,
    /// Hip or shoulder.
    pub upper: usize,
    /// Knee or elbow.
    pub middle: usize,
    /// Ankle or wrist.
    pub lower: Option<usize>,
    /// 0 to 1, from the distance to the second best choice.
    pub certainty: f64,
}

impl Limb {
    pub fn upper_joint(&self) -> usize {
        self.path[self.upper]
    }

    pub fn middle_joint(&self) -> usize {
        self.path[self.middle]
    }

    pub fn lower_joint(&self) -> Option<usize> {
        self.lower.map(|lower| self.path[lower])
    }

    /// Joints before hip or shoulder.
    pub fn before(&self) -> &[usize] {
        &self.path[..self.upper]
    }

    /// Joints inside the first and the second segment.
    pub fn inside(&self) -> [&[usize]; 2] {
        let last = self.lower.unwrap_or(self.middle + 1).min(self.path.len());
        [
            &self.path[self.upper + 1..self.middle],
            &self.path[self.middle + 1..last.max(self.middle + 1)],
        ]
    }

    /// Joints past ankle or wrist on the longest path.
    pub fn after(&self) -> &[usize] {
        self.lower.map_or(&[], |lower| &self.path[lower + 1..])
    }
}

/// A choice of joints along a path.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Choice {
    upper: usize,
    middle: usize,
    lower: Option<usize>,
}

/// Points of a path: its joints and, where there is one, the tip of the last.
struct Stem<'a> {
    tree: &'a Tree<'a>,
    path: Vec<usize>,
    points: Vec<DVec3>,
    /// Length along the path up to each point.
    along: Vec<f64>,
    /// Distance from the trunk's joint to the first of the path.
    first: f64,
    /// Distance of the first joint from the midplane, where it is known.
    off_middle: Vec<f64>,
}

impl<'a> Stem<'a> {
    fn new(tree: &'a Tree<'a>, node: usize, start: usize, lateral: Option<DVec3>) -> Self {
        Self::along(tree, node, tree.main_path(start), lateral)
    }

    /// A path that does not begin and end by itself. It holds at least one joint.
    fn along(tree: &'a Tree<'a>, node: usize, path: Vec<usize>, lateral: Option<DVec3>) -> Self {
        let start = path[0];
        let mut points: Vec<DVec3> = path.iter().map(|&joint| tree.position(joint)).collect();
        points.extend(path.last().and_then(|&last| tree.far_tip(last)));
        let mut along = vec![0.0];
        for ends in points.windows(2) {
            along.push(along[along.len() - 1] + ends[0].distance(ends[1]));
        }
        let centre = tree.position(node);
        let off_middle = points
            .iter()
            .map(|&point| match lateral {
                Some(axis) => (point - centre).dot(axis).abs(),
                None => (point - centre).length(),
            })
            .collect();
        Self {
            tree,
            first: tree.length[start],
            path,
            points,
            along,
            off_middle,
        }
    }

    fn total(&self) -> f64 {
        self.along.last().copied().unwrap_or(0.0)
    }

    fn straight(&self, from: usize, to: usize) -> f64 {
        self.points[from].distance(self.points[to])
    }

    /// Length along the path beyond its straight line, over that line: 0 for inline joints.
    fn crookedness(&self, from: usize, to: usize) -> f64 {
        let straight = self.straight(from, to);
        if straight > 0.0 {
            (self.along[to] - self.along[from]) / straight - 1.0
        } else {
            1.0
        }
    }

    fn name_score(&self, index: usize, slot: Slot) -> f64 {
        let hint = &self.tree.hints[self.path[index]];
        let mut score = 2.0 * hint.says(slot);
        // A wing that stands for an arm names all its joints alike.
        if hint.denies(slot) && hint.says(Slot::Wing) == 0.0 {
            score -= 1.5;
        }
        if hint.twist {
            score -= 2.0;
        }
        if hint.end {
            score -= 1.5;
        }
        score
    }

    /// Joints skipped inside a segment: twist joints lie on its line.
    fn skip_cost(&self, from: usize, to: usize) -> f64 {
        let skipped: f64 = self.path[from + 1..to.min(self.path.len()).max(from + 1)]
            .iter()
            .map(|&joint| {
                // Limbs branch at hands and feet, not inside their segments.
                let chains = self.tree.children[joint].iter();
                let branches = chains.filter(|&&child| self.tree.count[child] > 1).count() > 1;
                match self.tree.hints[joint].twist {
                    true => 0.0,
                    false => 0.35 + f64::from(u8::from(branches)),
                }
            })
            .sum();
        if to > from + 1 {
            skipped + 12.0 * self.crookedness(from, to)
        } else {
            0.0
        }
    }

    /// The sine of the turn at a point between two others.
    fn bend(&self, from: usize, at: usize, to: usize) -> f64 {
        let (before, after) = (
            self.points[at] - self.points[from],
            self.points[to] - self.points[at],
        );
        match (before.try_normalize(), after.try_normalize()) {
            (Some(before), Some(after)) => before.cross(after).length(),
            _ => 0.0,
        }
    }

    fn leg_score(&self, choice: Choice) -> f64 {
        let (h, k) = (choice.upper, choice.middle);
        let Some(a) = choice.lower else {
            return f64::NEG_INFINITY;
        };
        let (thigh, shank) = (self.straight(h, k), self.straight(k, a));
        let leg = thigh + shank;
        if thigh.min(shank) <= 1e-3 * leg || leg <= 0.0 {
            return -20.0;
        }
        let foot = self.total() - self.along[a];
        let before = self.along[h] / leg;
        let mut score = self.name_score(h, Slot::Hip)
            + self.name_score(k, Slot::Knee)
            + self.name_score(a, Slot::Ankle);
        score -= 1.5 * (thigh / shank).ln().abs();
        score -= before + 2.0 * (foot / leg - 0.8).max(0.0);
        // What lies as far beside the midplane as the hip is no joint that carries the hip.
        let beside = (0..h).filter(|&at| self.off_middle[at] > 0.6 * self.off_middle[h]);
        score -= 1.2 * beside.count() as f64;
        score -= self.skip_cost(h, k) + self.skip_cost(k, a);
        // A hip lies beside the midplane; a joint on it carries the hip.
        if self.off_middle[h] < 0.02 * leg && h + 1 < self.path.len() {
            score -= 1.5;
        }
        if a + 1 < self.points.len() {
            score += 0.5 * self.bend(k, a, a + 1);
        }
        score
    }

    fn arm_score(&self, choice: Choice) -> f64 {
        let (s, e) = (choice.upper, choice.middle);
        let last = self.points.len() - 1;
        let end = choice.lower.unwrap_or(last);
        let (upper, fore) = (self.straight(s, e), self.straight(e, end.max(e)));
        let arm = upper + fore;
        let forearm_known = end > e;
        if upper <= 1e-3 * arm || arm <= 0.0 || (forearm_known && fore <= 1e-3 * arm) {
            return -20.0;
        }
        let hand = self.total() - self.along[end.max(e)];
        let mut score = self.name_score(s, Slot::Shoulder) + self.name_score(e, Slot::Elbow);
        score += match choice.lower {
            Some(wrist) => self.name_score(wrist, Slot::Wrist) + self.branching(wrist),
            None if forearm_known => -0.5,
            None => -0.8,
        };
        if forearm_known {
            score -= 1.5 * (upper / (fore * ARM_RATIO)).ln().abs();
        }
        score += 1.5 * arm / (self.total() + 0.5 * self.first).max(arm);
        score -= 2.0 * (hand / arm - 0.6).max(0.0);
        score -= 3.0 * (self.along[s] / arm - 0.45).max(0.0);
        score -= 0.5 * (s as f64 - 2.0).max(0.0);
        score -= self.skip_cost(s, e) + self.skip_cost(e, end.max(e));
        score += self.clavicles(s, arm);
        score
    }

    /// The first of two joints near the midplane is a clavicle, not a shoulder.
    fn clavicles(&self, shoulder: usize, arm: f64) -> f64 {
        let names: f64 = (0..shoulder)
            .map(|index| {
                let hint = &self.tree.hints[self.path[index]];
                1.5 * hint.says(Slot::Clavicle)
                    - if hint.denies(Slot::Clavicle) {
                        1.5
                    } else {
                        0.0
                    }
            })
            .sum();
        let near_middle = self.off_middle[shoulder] < 0.2 * arm;
        let first_far = shoulder > 0 && self.off_middle[0] > 0.14 * arm;
        names - if near_middle { 1.2 } else { 0.0 } - if first_far { 0.6 } else { 0.0 }
    }

    /// A hand branches into its fingers.
    fn branching(&self, index: usize) -> f64 {
        match self.tree.children[self.path[index]].len() {
            0 | 1 => 0.0,
            2 => 0.7,
            _ => 1.5,
        }
    }
}

fn leg_choices(joints: usize) -> Vec<Choice> {
    let mut choices = Vec::new();
    for upper in 0..joints {
        for middle in upper + 1..joints {
            for lower in middle + 1..joints {
                choices.push(Choice {
                    upper,
                    middle,
                    lower: Some(lower),
                });
            }
        }
    }
    choices
}

fn arm_choices(joints: usize) -> Vec<Choice> {
    let mut choices = leg_choices(joints);
    // An arm may end at the elbow, and only there can the wrist be missing.
    for upper in 0..joints.saturating_sub(1) {
        choices.push(Choice {
            upper,
            middle: joints - 1,
            lower: None,
        });
    }
    choices
}

/// The joints of both legs of a pair; `None` where a path is too short to be a leg.
pub(crate) fn find_legs(tree: &Tree, pair: &Pair, lateral: Option<DVec3>) -> Option<[Limb; 2]> {
    find_limbs(tree, pair, lateral, leg_choices, |stem, choice| {
        stem.leg_score(choice)
    })
}

/// The joints of both arms of a pair; `None` where a path is too short to be an arm.
pub(crate) fn find_arms(tree: &Tree, pair: &Pair, lateral: Option<DVec3>) -> Option<[Limb; 2]> {
    find_limbs(tree, pair, lateral, arm_choices, |stem, choice| {
        stem.arm_score(choice)
    })
}

/// The joints of a lone leg; `None` where the path is too short to be a leg.
pub(crate) fn find_leg(
    tree: &Tree,
    node: usize,
    start: usize,
    lateral: Option<DVec3>,
) -> Option<Limb> {
    leg_along(tree, node, tree.main_path(start), lateral)
}

/// The joints of a lone arm; `None` where the path is too short to be an arm.
pub(crate) fn find_arm(
    tree: &Tree,
    node: usize,
    start: usize,
    lateral: Option<DVec3>,
) -> Option<Limb> {
    arm_along(tree, node, tree.main_path(start), lateral)
}

/// The joints of a leg on a path that a person points out, which holds at least one joint.
pub(crate) fn leg_along(
    tree: &Tree,
    node: usize,
    path: Vec<usize>,
    lateral: Option<DVec3>,
) -> Option<Limb> {
    let stem = Stem::along(tree, node, path, lateral);
    find_limb(stem, leg_choices, |stem, choice| stem.leg_score(choice))
}

/// The joints of an arm on a path that a person points out, which holds at least one joint.
pub(crate) fn arm_along(
    tree: &Tree,
    node: usize,
    path: Vec<usize>,
    lateral: Option<DVec3>,
) -> Option<Limb> {
    let stem = Stem::along(tree, node, path, lateral);
    find_limb(stem, arm_choices, |stem, choice| stem.arm_score(choice))
}

fn find_limbs(
    tree: &Tree,
    pair: &Pair,
    lateral: Option<DVec3>,
    choices: fn(usize) -> Vec<Choice>,
    score: fn(&Stem, Choice) -> f64,
) -> Option<[Limb; 2]> {
    let stems = [pair.a, pair.b].map(|start| Stem::new(tree, pair.node, start, lateral));
    let joints = stems
        .each_ref()
        .map(|stem| stem.path.len().min(LONGEST_STEM));
    if joints[0] == joints[1] {
        // Both sides choose together, so that a slight difference cannot part them.
        let (choice, certainty) = best(choices(joints[0]), |choice| {
            (score(&stems[0], choice) + score(&stems[1], choice)) / 2.0
        })?;
        return Some(stems.map(|stem| limb(stem, choice, certainty)));
    }
    let [first, second] = stems.map(|stem| {
        let mut limb = find_limb(stem, choices, score)?;
        limb.certainty *= 0.8;
        Some(limb)
    });
    Some([first?, second?])
}

fn find_limb(
    stem: Stem,
    choices: fn(usize) -> Vec<Choice>,
    score: fn(&Stem, Choice) -> f64,
) -> Option<Limb> {
    let list = choices(stem.path.len().min(LONGEST_STEM));
    let (choice, certainty) = best(list, |choice| score(&stem, choice))?;
    Some(limb(stem, choice, certainty))
}

fn limb(stem: Stem, choice: Choice, certainty: f64) -> Limb {
    Limb {
        path: stem.path,
        upper: choice.upper,
        middle: choice.middle,
        lower: choice.lower,
        certainty,
    }
}

/// The best choice and how far it leads the second (0 for a tie, 1 for a lead of two points).
fn best(choices: Vec<Choice>, score: impl Fn(Choice) -> f64) -> Option<(Choice, f64)> {
    let mut scored: Vec<(f64, Choice)> = choices
        .into_iter()
        .map(|choice| (score(choice), choice))
        .filter(|(score, _)| *score > -15.0)
        .collect();
    scored.sort_by(|a, b| b.0.total_cmp(&a.0));
    let (top, choice) = *scored.first()?;
    let second = scored.get(1).map_or(top - 2.0, |(score, _)| *score);
    Some((choice, ((top - second) / 2.0).clamp(0.0, 1.0)))
}
