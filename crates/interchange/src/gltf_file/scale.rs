//! Warnings of scales under which the bones below do not stand as people expect.
//!
//! Scale acts before the rotations of the joints below it. Only a scale of three factors of equal
//! size lets these rotations pass unchanged (its signs are folded into the node's own rotation, see
//! `fold`); any other shears the bones when they turn.

use glam::DVec3;
use understudy_motion::{Skeleton, Transform};

use super::tree::Tree;

/// Factors that differ by less than this share of the largest are one factor: half a millimetre
/// on a bone of half a metre (our choice).
const EVEN_LIMIT: f64 = 1e-3;

/// Nodes named in one warning.
const MOST_NAMED: usize = 6;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fault {
    /// Factors of different size.
    Uneven,
    /// One or three negative factors.
    Mirroring,
}

impl Fault {
    const ALL: [Self; 2] = [Self::Uneven, Self::Mirroring];

    fn is_in(self, scale: DVec3) -> bool {
        match self {
            Self::Uneven => {
                let size = scale.abs();
                size.max_element() - size.min_element() > EVEN_LIMIT * size.max_element()
            }
            Self::Mirroring => scale.cmplt(DVec3::ZERO).bitmask().count_ones() % 2 == 1,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Uneven => "uneven scale",
            Self::Mirroring => "mirroring scale",
        }
    }

    /// What comes of it, and what to do.
    fn consequence(self) -> &'static str {
        match self {
            Self::Uneven => {
                "the bones below shear and change their length when they turn, so that no motion \
                 fits them exactly; apply (freeze) the scale and its keys in the program that made \
                 the file, and export it again"
            }
            Self::Mirroring => {
                "left and right are exchanged below; check that joints named left stand on the left"
            }
        }
    }
}

/// Warns of scales at rest, one warning per kind of fault. Nodes without joints below are left
/// out: their scale reaches no bone.
pub(super) fn warn_of_rest(tree: &Tree, warnings: &mut Vec<String>) {
    for fault in Fault::ALL {
        let places: Vec<String> = parents(tree)
            .filter(|(_, rest)| fault.is_in(rest.scale))
            .map(|(joint, rest)| place(&tree.skeleton, joint, rest.scale))
            .collect();
        if !places.is_empty() {
            warnings.push(format!(
                "{} at {}: {}",
                fault.name(),
                listed(&places),
                fault.consequence()
            ));
        }
    }
}

/// Warns of scales in the frames of an animation, one warning per kind of fault, with the first
/// frame of each node. What the rest pose has too was said there. `locals` are those of all joints,
/// frame after frame, with the signs of the file; `animation` opens each warning.
pub(super) fn warn_of_clip(
    tree: &Tree,
    locals: &[Transform],
    animation: &str,
    warnings: &mut Vec<String>,
) {
    let joints = tree.skeleton.len();
    for fault in Fault::ALL {
        let places: Vec<String> = parents(tree)
            .filter(|(_, rest)| !fault.is_in(rest.scale))
            .filter_map(|(joint, _)| {
                let mut scales = locals.iter().skip(joint).step_by(joints);
                let frame = scales.position(|local| fault.is_in(local.scale))?;
                let scale = locals.get(frame * joints + joint)?.scale;
                let node = place(&tree.skeleton, joint, scale);
                Some(format!("{node} from frame {frame} on"))
            })
            .collect();
        if !places.is_empty() {
            warnings.push(format!(
                "{animation}: {} at {}: {}",
                fault.name(),
                listed(&places),
                fault.consequence()
            ));
        }
    }
}

/// Joints with others below, and their rest transforms as the file has them.
fn parents(tree: &Tree) -> impl Iterator<Item = (usize, &Transform)> {
    let rests = tree.rests_in_file.iter().enumerate();
    rests.filter(|&(joint, _)| !tree.skeleton.children(joint).is_empty())
}

fn place(skeleton: &Skeleton, joint: usize, scale: DVec3) -> String {
    let [x, y, z] = scale.to_array().map(rounded);
    format!("node \"{}\" ({x}, {y}, {z})", skeleton.name(joint))
}

/// Four decimals at most, without a negative zero.
fn rounded(factor: f64) -> f64 {
    (factor * 1e4).round() / 1e4 + 0.0
}

fn listed(places: &[String]) -> String {
    let (named, others) = places.split_at(places.len().min(MOST_NAMED));
    match others.len() {
        0 => named.join(", "),
        more => format!("{} and {more} more", named.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_are_told_apart() {
        use Fault::{Mirroring, Uneven};
        let check = |scale: [f64; 3], expected: &[Fault]| {
            let found: Vec<Fault> = Fault::ALL
                .into_iter()
                .filter(|fault| fault.is_in(scale.into()))
                .collect();
            assert_eq!(found, expected, "{scale:?}");
        };
        check([1.0, 1.0, 1.0], &[]);
        check([0.01, 0.01, 0.010_000_001], &[]);
        check([0.0, 0.0, -0.0], &[]);
        check([1.0, 2.0, 1.0], &[Uneven]);
        check([1.0, 1.0, 0.0], &[Uneven]);
        check([1.0, 1.0, 1.002], &[Uneven]);
        check([-1.0, 1.0, 1.0], &[Mirroring]);
        check([-2.0, -2.0, -2.0], &[Mirroring]);
        check([1.0, -3.0, 1.0], &[Uneven, Mirroring]);
        check([-1.0, 1.0, -1.0], &[]);
        check([-1.0, 2.0, -1.0], &[Uneven]);
    }
}
