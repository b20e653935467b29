//! Which joints move which part of the skin, and how much.
//!
//! Each vertex starts with the joints of the piece of flesh that it belongs to; then weights
//! spread along the surface, so that they change smoothly and never jump to a part that is near in
//! space but far along the skin.

use glam::DVec3;

use crate::field::Field;
use crate::piece::Piece;
use crate::skin::Skin;

/// Steps in which weights spread.
const STEPS: usize = 150;

/// Further steps, in which each vertex keeps four joints: they smooth what leaving out joints has
/// made uneven.
const LAST_STEPS: usize = 24;

/// How far weights spread over the thickness of the flesh.
const SPREAD: f64 = 0.5;

/// Joints and weights of a vertex.
pub(crate) type Influences = Vec<(usize, f64)>;

/// Influences of all vertices of a skin.
pub(crate) fn weights(field: &Field, skin: &Skin, tree: &Tree) -> Vec<Influences> {
    let half = skin.half;
    let mut now: Vec<Influences> = vec![Vec::new(); skin.positions.len()];
    let mut spread_m = vec![0.0; skin.positions.len()];
    for vertex in 0..half {
        let at = skin.positions[vertex];
        if let Some(piece) = field.owner(at) {
            now[vertex] = influences(piece, at);
            // Where limbs join the trunk, which turn farthest, weights spread farther.
            let far = 1.0 + 1.6 * field.closeness_to_roots(at);
            spread_m[vertex] = SPREAD * far * piece.thickest_m();
        } else {
            now[vertex] = vec![(0, 1.0)];
        }
        spread_m[skin.mirror[vertex]] = spread_m[vertex];
    }
    copy_to_right(&mut now, skin, &tree.mirror);
    let neighbours = skin.neighbours();
    let shares: Vec<f64> = (0..skin.positions.len())
        .map(|vertex| share_of_step(skin, &neighbours[vertex], vertex, spread_m[vertex]))
        .collect();
    for step in 0..STEPS + LAST_STEPS {
        if step >= STEPS {
            now.iter_mut().for_each(|list| tree.keep_four(list));
        }
        let next: Vec<Influences> = (0..half)
            .map(|vertex| spread(&now, &neighbours[vertex], vertex, shares[vertex]))
            .collect();
        now[..half].clone_from_slice(&next);
        copy_to_right(&mut now, skin, &tree.mirror);
    }
    now.iter_mut().for_each(|list| tree.keep_four(list));
    now
}

/// The tree of the joints, as far as weights need it.
pub(crate) struct Tree {
    /// Parents, for each joint.
    pub(crate) parents: Vec<Option<usize>>,
    /// The joint of the other side, for each joint.
    pub(crate) mirror: Vec<usize>,
}

impl Tree {
    /// Joints from one up to the root.
    fn ancestors(&self, joint: usize) -> Vec<usize> {
        std::iter::successors(Some(joint), |&joint| self.parents[joint]).collect()
    }

    /// Steps in the tree from one joint to another.
    fn steps(&self, a: usize, b: usize) -> usize {
        let (a, b) = (self.ancestors(a), self.ancestors(b));
        let shared = a
            .iter()
            .rev()
            .zip(b.iter().rev())
            .take_while(|(a, b)| a == b);
        a.len() + b.len() - 2 * shared.count()
    }

    /// Leaves four joints or fewer: the lightest hand their weight to the nearest that stay, so
    /// that the skin moves almost as with all of them. What ties goes together: vertices between
    /// left and right stay even.
    fn keep_four(&self, influences: &mut Influences) {
        while influences.len() > 4 {
            let lightest = influences.iter().map(|(_, weight)| *weight);
            let limit = lightest.fold(f64::INFINITY, f64::min) + 1e-9;
            let (left_out, mut kept): (Influences, Influences) =
                influences.iter().partition(|(_, weight)| *weight <= limit);
            if kept.is_empty() {
                influences.truncate(4);
                break;
            }
            for (joint, weight) in left_out {
                let steps: Vec<usize> = kept.iter().map(|k| self.steps(joint, k.0)).collect();
                let nearest = steps.iter().copied().min().unwrap_or(0);
                let count = steps.iter().filter(|s| **s == nearest).count();
                for (heir, steps) in kept.iter_mut().zip(&steps) {
                    if *steps == nearest {
                        heir.1 += weight / count as f64;
                    }
                }
            }
            *influences = kept;
        }
        let sum: f64 = influences.iter().map(|(_, weight)| weight).sum();
        for (_, weight) in influences.iter_mut() {
            *weight /= sum;
        }
    }
}

/// The right side has the mirrored weights of the left; vertices between the two have both.
fn copy_to_right(all: &mut [Influences], skin: &Skin, mirror: &[usize]) {
    for vertex in 0..skin.half {
        let mirrored: Influences = all[vertex]
            .iter()
            .map(|&(joint, weight)| (mirror[joint], weight))
            .collect();
        let other = skin.mirror[vertex];
        all[other] = if other == vertex {
            mixed([(&all[vertex], 0.5), (&mirrored, 0.5)])
        } else {
            mixed([(&mirrored, 1.0)])
        };
    }
}

/// A step moves weights by a random walk: over n steps of share s and length e the variance along
/// each direction is n s e² / 2.
fn share_of_step(skin: &Skin, neighbours: &[u32], vertex: usize, spread_m: f64) -> f64 {
    let at = skin.positions[vertex];
    let squares: f64 = neighbours
        .iter()
        .map(|&n| at.distance_squared(skin.positions[n as usize]))
        .sum();
    let edge_squared = squares / neighbours.len().max(1) as f64;
    (2.0 * spread_m * spread_m / (STEPS as f64 * edge_squared.max(1e-18))).min(0.8)
}

fn spread(all: &[Influences], neighbours: &[u32], vertex: usize, share: f64) -> Influences {
    let each = share / neighbours.len().max(1) as f64;
    let others = neighbours.iter().map(|&n| (&all[n as usize], each));
    mixed(std::iter::once((&all[vertex], 1.0 - share)).chain(others))
}

/// The weighted sum of influences, in order of joints.
fn mixed<'a>(parts: impl IntoIterator<Item = (&'a Influences, f64)>) -> Influences {
    let mut sum: Influences = Vec::new();
    for (part, factor) in parts {
        for &(joint, weight) in part {
            match sum.binary_search_by_key(&joint, |(known, _)| *known) {
                Ok(place) => sum[place].1 += factor * weight,
                Err(place) => sum.insert(place, (joint, factor * weight)),
            }
        }
    }
    sum.retain(|(_, weight)| *weight > 1e-5);
    sum
}

/// −1 and below: 0; 1 and above: 1; smooth between.
fn smooth_step(x: f64) -> f64 {
    crate::field::smooth((x + 1.0) / 2.0)
}

/// Joints that move a point of a piece, with weights that sum to 1.
///
/// At each end of the bone the neighbour takes over across a stretch as long as the piece is
/// thick, but no longer than half the bone, so that at most the two ends of one joint meet.
fn influences(piece: &Piece, point: DVec3) -> Influences {
    let [start, end] = piece.bone;
    let length_m = start.distance(end);
    let along_m = (point - start).dot((end - start).normalize_or_zero());
    let blend = |radius_m: f64| radius_m.min(length_m / 2.0).max(1e-9);
    let before = piece
        .before
        .map(|joint| (joint, smooth_step(-along_m / blend(piece.radii_m[0]))));
    let after = piece.after.map(|joint| {
        (
            joint,
            smooth_step((along_m - length_m) / blend(piece.radii_m[2])),
        )
    });
    let taken: f64 = before.iter().chain(&after).map(|(_, weight)| weight).sum();
    let own = (1.0 - taken).max(0.0);
    let all: Influences = before.into_iter().chain(after).collect();
    let share = if length_m > 0.0 {
        along_m / length_m
    } else {
        0.0
    };
    mixed([(&all, 1.0), (&twist_shares(piece, share), own)])
}

/// How the owner and the joints that share its twist divide a place along the bone.
fn twist_shares(piece: &Piece, share: f64) -> Influences {
    let mut low = (piece.owner, 0.0);
    for &high in &piece.twists {
        if share < high.1 {
            let t = ((share - low.1) / (high.1 - low.1)).clamp(0.0, 1.0);
            return vec![(low.0, 1.0 - t), (high.0, t)];
        }
        low = high;
    }
    vec![(low.0, 1.0)]
}
