//! Fingers and toes: chains past a wrist or a foot, and which ray each of them is.

use glam::DVec3;

use crate::role::Part;
use crate::shape::Tree;
use crate::tokens::Slot;

/// A finger or a toe.
#[derive(Clone, Debug)]
pub(crate) struct Digit {
    /// Joints outward.
    pub joints: Vec<usize>,
    /// 1 thumb or great toe, … 5.
    pub ray: u8,
    /// 0 to 1: how surely it is this ray.
    pub certainty: f64,
}

/// Chains of single joints below `base`. Joints that branch on the way there (palms) come first in
/// the result; leaves that lie on the bone of `base` are no digits and are left out.
pub(crate) fn chains_below(tree: &Tree, base: usize) -> (Vec<usize>, Vec<Vec<usize>>) {
    let (mut palms, mut chains) = (Vec::new(), Vec::new());
    let mut open: Vec<usize> = tree.children[base].iter().rev().copied().collect();
    while let Some(start) = open.pop() {
        let mut chain = vec![start];
        let mut at = start;
        while let [next] = tree.children[at].as_slice() {
            chain.push(*next);
            at = *next;
        }
        if tree.children[at].is_empty() {
            chains.push(chain);
        } else {
            palms.extend(chain);
            open.extend(tree.children[at].iter().rev());
        }
    }
    (palms, chains)
}

/// Points that tell digits apart: where they begin, where they bend first, and where they end.
struct Reach {
    base: DVec3,
    knuckle: DVec3,
    end: DVec3,
}

impl Reach {
    fn of(tree: &Tree, chain: &[usize]) -> Self {
        let base = tree.position(chain[0]);
        let end = tree.far_end(chain[0]);
        let knuckle = chain.get(1).map_or(end, |&second| tree.position(second));
        Self { base, knuckle, end }
    }
}

/// Rays of the fingers of a hand, by name where all names say it, else by place: fingers lie side
/// by side, and the thumb is the outermost that begins nearest to the wrist and points away most.
pub(crate) fn fingers(tree: &Tree, wrist: usize, chains: Vec<Vec<usize>>) -> Vec<Digit> {
    if let Some(rays) = named_rays(tree, &chains) {
        return with_rays(chains, &rays, 0.95);
    }
    let count = chains.len();
    if count == 0 {
        return Vec::new();
    }
    if count == 1 {
        // One bare leaf may as well be a place to hold things.
        let bare = chains[0].len() == 1 && tree.tips[chains[0][0]].is_empty();
        return with_rays(chains, &[3], if bare { 0.1 } else { 0.5 });
    }
    let wrist = tree.position(wrist);
    let reaches: Vec<Reach> = chains.iter().map(|chain| Reach::of(tree, chain)).collect();
    let order = side_by_side(&reaches, wrist);
    let (first, last) = (order[0], order[count - 1]);
    let scores = [first, last].map(|index| thumbness(tree, &chains, &reaches, index, wrist));
    let lead = (scores[0] - scores[1]).abs();
    let mut ordered = order;
    if scores[1] > scores[0] {
        ordered.reverse();
    }
    let has_thumb = scores[0].max(scores[1]) > 0.5 || count == 5;
    let rays = ray_numbers(count, has_thumb);
    let certainty = if count > 5 {
        0.3
    } else {
        (0.5 + lead / 2.0).min(0.8)
    };
    let sorted = ordered.iter().map(|&index| chains[index].clone()).collect();
    with_rays(sorted, &rays, certainty)
}

/// Rays of toes, the great toe nearest to the midplane. `inward` is the unit vector from the foot
/// to the midplane.
pub(crate) fn toes(tree: &Tree, inward: DVec3, mut chains: Vec<Vec<usize>>) -> Vec<Digit> {
    if let Some(rays) = named_rays(tree, &chains) {
        return with_rays(chains, &rays, 0.95);
    }
    let place = |chain: &Vec<usize>| {
        let reach = Reach::of(tree, chain);
        (reach.knuckle + reach.end).dot(inward)
    };
    chains.sort_by(|a, b| place(b).total_cmp(&place(a)));
    let rays = match chains.len() {
        1 => vec![2],
        2 => vec![1, 2],
        count => ray_numbers(count, true),
    };
    with_rays(chains, &rays, 0.7)
}

fn with_rays(chains: Vec<Vec<usize>>, rays: &[u8], certainty: f64) -> Vec<Digit> {
    let mut digits: Vec<Digit> = chains
        .into_iter()
        .zip(rays)
        .map(|(joints, &ray)| Digit {
            joints,
            ray,
            certainty,
        })
        .collect();
    digits.sort_by_key(|digit| digit.ray);
    digits
}

/// Rays from the thumb's side outward. One finger beside a thumb stands for all four, whose axis is
/// the middle one; a creature's sixth digit and further ones share the last.
fn ray_numbers(count: usize, has_thumb: bool) -> Vec<u8> {
    if has_thumb && count == 2 {
        return vec![1, 3];
    }
    let first = if has_thumb { 1 } else { 2 };
    (0..count)
        .map(|index| u8::try_from(index + first).unwrap_or(5).min(5))
        .collect()
}

fn named_rays(tree: &Tree, chains: &[Vec<usize>]) -> Option<Vec<u8>> {
    let mut rays: Vec<u8> = chains
        .iter()
        .map(|chain| chain.iter().find_map(|&joint| tree.hints[joint].ray))
        .collect::<Option<_>>()?;
    let named = rays.clone();
    rays.sort_unstable();
    rays.dedup();
    (rays.len() == chains.len()).then_some(named)
}

/// Order of digits across the hand.
fn side_by_side(reaches: &[Reach], wrist: DVec3) -> Vec<usize> {
    let along = reaches
        .iter()
        .map(|reach| reach.end - wrist)
        .sum::<DVec3>()
        .try_normalize()
        .unwrap_or(DVec3::X);
    let flat: Vec<DVec3> = reaches
        .iter()
        .map(|reach| (reach.knuckle + reach.base - wrist * 2.0).reject_from_normalized(along))
        .collect();
    let mut across = DVec3::ZERO;
    for (index, a) in flat.iter().enumerate() {
        for b in &flat[index + 1..] {
            if (*a - *b).length() > across.length() {
                across = *a - *b;
            }
        }
    }
    let mut order: Vec<usize> = (0..reaches.len()).collect();
    order.sort_by(|&a, &b| flat[a].dot(across).total_cmp(&flat[b].dot(across)));
    order
}

/// How much an outer digit looks like a thumb: 0 not at all, 1 plainly.
fn thumbness(
    tree: &Tree,
    chains: &[Vec<usize>],
    reaches: &[Reach],
    index: usize,
    wrist: DVec3,
) -> f64 {
    let others = || (0..reaches.len()).filter(|&other| other != index);
    let count = others().count() as f64;
    let direction = |at: usize| (reaches[at].end - reaches[at].base).normalize_or_zero();
    let mean = others().map(direction).sum::<DVec3>().normalize_or_zero();
    let away = if direction(index) == DVec3::ZERO || mean == DVec3::ZERO {
        0.0
    } else {
        direction(index).angle_between(mean)
    };
    // Where two digits are all there is, each points away from the other.
    let away = if count < 2.0 { away / 2.0 } else { away };
    let start = |at: usize| reaches[at].base.distance(wrist);
    let tip = |at: usize| reaches[at].end.distance(wrist);
    let ratio = |of: &dyn Fn(usize) -> f64| {
        let mean = others().map(of).sum::<f64>() / count;
        if mean > 0.0 {
            1.0 - of(index) / mean
        } else {
            0.0
        }
    };
    let fewer = others().all(|other| chains[other].len() > chains[index].len());
    let spoken = chains[index]
        .iter()
        .any(|&joint| tree.hints[joint].ray == Some(1));
    away / 0.8
        + 0.7 * ratio(&start)
        + ratio(&tip)
        + 0.3 * f64::from(u8::from(fewer))
        + 2.0 * f64::from(u8::from(spoken))
}

/// Whether the first joint of a digit lies near the wrist (ankle) and so moves its metacarpal
/// (metatarsal).
fn starts_near(tree: &Tree, base: usize, joints: &[usize]) -> bool {
    let Some(&second) = joints.get(1) else {
        return false;
    };
    let from = tree.position(base);
    tree.position(joints[0]).distance(from) < 0.4 * tree.position(second).distance(from)
}

/// Whether a chain's last joint only marks its end: a leaf without tip that no name speaks for,
/// where the digit has its full number of joints without it, or one that is named so.
fn ends_in_mark(tree: &Tree, joints: &[usize], full: usize) -> bool {
    joints.last().is_some_and(|&last| {
        let bare = tree.tips[last].is_empty() && tree.children[last].is_empty();
        tree.hints[last].end || (bare && joints.len() > full)
    })
}

/// Parts of a finger's joints outward, with the number of the joint among those that share a part.
pub(crate) fn finger_parts(tree: &Tree, wrist: usize, digit: &Digit) -> Vec<(Part, usize)> {
    let ray = digit.ray;
    let full: Vec<Part> = if ray == 1 {
        vec![
            Part::Carpometacarpal(1),
            Part::Metacarpophalangeal(1),
            Part::CarpalInterphalangeal,
        ]
    } else {
        vec![
            Part::Carpometacarpal(ray),
            Part::Metacarpophalangeal(ray),
            Part::CarpalProximalInterphalangeal(ray),
            Part::CarpalDistalInterphalangeal(ray),
        ]
    };
    // A "hand" past the wrist is the palm's bone.
    let palm = digit.joints.len() > 1 && tree.hints[digit.joints[0]].says(Slot::Wrist) > 0.0;
    let metacarpal = ray == 1 || palm || starts_near(tree, wrist, &digit.joints);
    parts(tree, &digit.joints, &full, metacarpal, Part::FingerTip(ray))
}

/// Parts of a toe's joints outward, as [`finger_parts`]. Below a ball the toe begins with its
/// first interphalangeal joint.
pub(crate) fn toe_parts(
    tree: &Tree,
    base: usize,
    below_ball: bool,
    digit: &Digit,
) -> Vec<(Part, usize)> {
    let ray = digit.ray;
    let mut full = vec![Part::Tarsometatarsal(ray), Part::Metatarsophalangeal(ray)];
    if ray == 1 {
        full.push(Part::TarsalInterphalangeal);
    } else {
        full.push(Part::TarsalProximalInterphalangeal(ray));
        full.push(Part::TarsalDistalInterphalangeal(ray));
    }
    if below_ball {
        return parts(tree, &digit.joints, &full[1..], false, Part::ToeTip(ray));
    }
    let metatarsal = starts_near(tree, base, &digit.joints);
    parts(tree, &digit.joints, &full, metatarsal, Part::ToeTip(ray))
}

fn parts(
    tree: &Tree,
    joints: &[usize],
    full: &[Part],
    from_first: bool,
    tip: Part,
) -> Vec<(Part, usize)> {
    let full = if from_first { full } else { &full[1..] };
    let marked = ends_in_mark(tree, joints, full.len());
    let moving = joints.len() - usize::from(marked);
    let mut parts: Vec<(Part, usize)> = (0..moving)
        .map(|index| {
            let place = index.min(full.len() - 1);
            (full[place], index - place)
        })
        .collect();
    if marked {
        parts.push((tip, 0));
    }
    parts
}
