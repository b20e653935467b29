//! Warnings of scales under which the rotations of joints do not tell how the bones below stand.
//!
//! Scale acts before the rotations of the joints below it. Only a scale of three equal factors
//! lets these rotations pass unchanged; any other shears the bones when they turn, or turns them
//! another way than their rotations say.

use glam::DVec3;
use understudy_motion::{Clip, Skeleton};

/// Factors that differ by less than this share of the largest are one factor: half a millimetre
/// on a bone of half a metre (our choice).
const EVEN_LIMIT: f64 = 1e-3;

/// Nodes named in one warning.
const MOST_NAMED: usize = 6;

const REMEDY: &str = "in the program that made the file, and export it again";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fault {
    /// Factors of different size.
    Uneven,
    /// One negative factor.
    Mirroring,
    /// Three negative factors: a mirror too, but one that rotations pass unchanged.
    Negative,
    /// Two negative factors.
    HalfTurn,
}

impl Fault {
    const ALL: [Self; 4] = [
        Self::Uneven,
        Self::Mirroring,
        Self::Negative,
        Self::HalfTurn,
    ];

    fn is_in(self, scale: DVec3) -> bool {
        let negative = scale.cmplt(DVec3::ZERO).bitmask();
        match self {
            Self::Uneven => {
                let size = scale.abs();
                size.max_element() - size.min_element() > EVEN_LIMIT * size.max_element()
            }
            Self::Mirroring => negative.count_ones() == 1,
            Self::Negative => negative.count_ones() == 3,
            Self::HalfTurn => negative.count_ones() == 2,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Uneven => "uneven scale",
            Self::Mirroring => "mirroring scale",
            Self::Negative => "mirroring scale with three negative factors",
            Self::HalfTurn => "scale with two negative factors",
        }
    }

    fn consequence(self) -> &'static str {
        match self {
            Self::Uneven => {
                "the bones below shear and change their length when they turn, so that no motion \
                 fits them exactly"
            }
            Self::Mirroring => {
                "left and right are exchanged below, and joints turn the other way round than \
                 their rotations say, so that motion comes out wrong"
            }
            Self::Negative => "left and right are exchanged below",
            Self::HalfTurn => {
                "it is a half turn that the rotations below do not hold, so that motion comes out \
                 wrong"
            }
        }
    }
}

/// Warns of scales at rest, one warning per kind of fault. Nodes without joints below are left
/// out: their scale reaches no bone.
pub(super) fn warn_of_rest(skeleton: &Skeleton, warnings: &mut Vec<String>) {
    for fault in Fault::ALL {
        let places: Vec<String> = parents(skeleton)
            .filter(|&joint| fault.is_in(skeleton.joint(joint).rest.scale))
            .map(|joint| place(skeleton, joint, skeleton.joint(joint).rest.scale))
            .collect();
        if !places.is_empty() {
            warnings.push(format!(
                "{} at {}: {}; apply (freeze) the scale {REMEDY}",
                fault.name(),
                listed(&places),
                fault.consequence()
            ));
        }
    }
}

/// Warns of scales in the frames of a clip, one warning per kind of fault, with the first frame of
/// each node. What the rest pose has too was said there. `animation` opens each warning.
pub(super) fn warn_of_clip(clip: &Clip, animation: &str, warnings: &mut Vec<String>) {
    let skeleton = &clip.skeleton;
    for fault in Fault::ALL {
        let places: Vec<String> = parents(skeleton)
            .filter(|&joint| !fault.is_in(skeleton.joint(joint).rest.scale))
            .filter_map(|joint| {
                let scale_in = |frame: usize| clip.frame(frame)[joint].scale;
                let frame = (0..clip.frame_count()).find(|&frame| fault.is_in(scale_in(frame)))?;
                let node = place(skeleton, joint, scale_in(frame));
                Some(format!("{node} from frame {frame} on"))
            })
            .collect();
        if !places.is_empty() {
            warnings.push(format!(
                "{animation}: {} at {}: {}; apply (freeze) the scale and its keys {REMEDY}",
                fault.name(),
                listed(&places),
                fault.consequence()
            ));
        }
    }
}

fn parents(skeleton: &Skeleton) -> impl Iterator<Item = usize> {
    (0..skeleton.len()).filter(|&joint| !skeleton.children(joint).is_empty())
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
        use Fault::{HalfTurn, Mirroring, Negative, Uneven};
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
        check([-2.0, -2.0, -2.0], &[Negative]);
        check([1.0, -3.0, 1.0], &[Uneven, Mirroring]);
        check([-1.0, 1.0, -1.0], &[HalfTurn]);
        check([-1.0, 2.0, -1.0], &[Uneven, HalfTurn]);
    }
}
