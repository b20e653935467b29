//! Whether names agree among themselves and with the file's up.
//!
//! Names dealt out at random seldom put a knee below a hip of its side. Names that do so nearly
//! everywhere, with the feet below the trunk along +Y or +Z, were given by someone who knew the
//! body, and are better evidence than its shape.

use glam::DVec3;

use crate::body::Side;
use crate::shape::Tree;
use crate::tokens::Slot;

/// Fewer judged names are no evidence (our choice).
const LEAST_NAMES: usize = 8;
/// Share of the judged names that must stand below a fitting one (our choice).
const LEAST_SHARE: f64 = 0.8;

/// Whether the names describe a body that stands upright in its file.
pub(super) fn names_cohere(tree: &Tree) -> bool {
    let spoken: Vec<Option<Slot>> = (0..tree.len())
        .map(|joint| main_slot(tree, joint))
        .collect();
    let (mut judged, mut fitting) = (0_usize, 0_usize);
    for joint in 0..tree.len() {
        let Some(slot) = spoken[joint] else {
            continue;
        };
        let Some(above) = speaking_above(tree, &spoken, joint) else {
            continue;
        };
        judged += 1;
        let sides = (tree.spoken[joint].side, tree.spoken[above].side);
        let one_side = !matches!(sides, (Some(a), Some(b))
            if a != b && a != Side::Middle && b != Side::Middle);
        let fits = spoken[above].is_some_and(|upper| hangs_below(slot).contains(&upper));
        fitting += usize::from(fits && one_side);
    }
    judged >= LEAST_NAMES
        && fitting as f64 >= LEAST_SHARE * judged as f64
        && stands_upright(tree, &spoken)
}

fn main_slot(tree: &Tree, joint: usize) -> Option<Slot> {
    let hint = &tree.spoken[joint];
    let best = hint.best()?;
    let usable = !hint.helper && !hint.twist && !hint.end && tree.left_out[joint].is_none();
    (usable && !hangs_below(best).is_empty() || best == Slot::Pelvis || best == Slot::Root)
        .then_some(best)
}

fn speaking_above(tree: &Tree, spoken: &[Option<Slot>], joint: usize) -> Option<usize> {
    let mut at = tree.skeleton.parent(joint);
    while let Some(above) = at {
        if spoken[above].is_some() {
            return Some(above);
        }
        at = tree.skeleton.parent(above);
    }
    None
}

/// What a joint of the body hangs from; empty for parts that say nothing of its build.
fn hangs_below(slot: Slot) -> &'static [Slot] {
    match slot {
        Slot::Spine => &[Slot::Spine, Slot::Pelvis, Slot::Root],
        Slot::Neck => &[Slot::Neck, Slot::Spine],
        Slot::Head => &[Slot::Neck, Slot::Spine, Slot::Pelvis, Slot::Root],
        Slot::Clavicle => &[Slot::Spine, Slot::Neck],
        Slot::Shoulder => &[
            Slot::Clavicle,
            Slot::Spine,
            Slot::Neck,
            Slot::Pelvis,
            Slot::Root,
        ],
        Slot::Elbow => &[Slot::Shoulder],
        Slot::Wrist => &[Slot::Elbow, Slot::Wrist],
        Slot::Finger => &[Slot::Wrist, Slot::Finger],
        Slot::Hip => &[Slot::Pelvis, Slot::Root, Slot::Spine],
        Slot::Knee => &[Slot::Hip],
        Slot::Ankle => &[Slot::Knee],
        Slot::Ball | Slot::Toe => &[Slot::Ankle, Slot::Ball, Slot::Toe],
        _ => &[],
    }
}

/// Whether what is named as trunk, head and shoulders lies above what is named as knees and feet,
/// along +Y or +Z.
fn stands_upright(tree: &Tree, spoken: &[Option<Slot>]) -> bool {
    let mean = |wanted: &[Slot]| -> Option<DVec3> {
        let points: Vec<DVec3> = (0..tree.len())
            .filter(|&joint| spoken[joint].is_some_and(|slot| wanted.contains(&slot)))
            .map(|joint| tree.position(joint))
            .collect();
        (!points.is_empty()).then(|| points.iter().sum::<DVec3>() / points.len() as f64)
    };
    let trunk = mean(&[Slot::Spine, Slot::Neck, Slot::Head, Slot::Shoulder]);
    let legs = mean(&[Slot::Knee, Slot::Ankle, Slot::Ball]);
    match (trunk, legs) {
        (Some(trunk), Some(legs)) => {
            let up = (trunk - legs).normalize_or_zero();
            up.y.max(up.z) > std::f64::consts::FRAC_1_SQRT_2
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use understudy_motion::{DQuat, Joint, Skeleton};

    use super::*;

    const NAMES: [&str; 14] = [
        "pelvis",
        "left_thigh",
        "left_shin",
        "left_foot",
        "right_thigh",
        "right_shin",
        "right_foot",
        "spine",
        "left_upper_arm",
        "left_forearm",
        "right_upper_arm",
        "right_forearm",
        "neck",
        "head",
    ];

    fn skeleton(names: &[&str], turn: DQuat) -> Skeleton {
        let thigh = |x: f64| DVec3::new(x, -0.05, 0.0);
        let down = DVec3::new(0.0, -0.4, 0.0);
        let arm = |x: f64| DVec3::new(x, 0.3, 0.0);
        let rows = [
            (None, DVec3::Y),
            (Some(0), thigh(0.1)),
            (Some(1), down),
            (Some(2), down),
            (Some(0), thigh(-0.1)),
            (Some(4), down),
            (Some(5), down),
            (Some(0), 0.2 * DVec3::Y),
            (Some(7), arm(0.2)),
            (Some(8), 0.3 * DVec3::X),
            (Some(7), arm(-0.2)),
            (Some(10), -0.3 * DVec3::X),
            (Some(7), 0.35 * DVec3::Y),
            (Some(12), 0.1 * DVec3::Y),
        ];
        let joints = rows
            .iter()
            .zip(names)
            .map(|(&(parent, offset), &name)| Joint::new(name, parent, turn * offset));
        Skeleton::new(joints.collect()).expect("parents come first")
    }

    fn cohere(names: &[&str], turn: DQuat) -> bool {
        let skeleton = skeleton(names, turn);
        names_cohere(&Tree::new(&skeleton, None, false))
    }

    #[test]
    fn good_names_cohere_in_an_upright_file() {
        assert!(cohere(&NAMES, DQuat::IDENTITY));
        let z_up = DQuat::from_rotation_x(std::f64::consts::FRAC_PI_2);
        assert!(cohere(&NAMES, z_up));
        let on_its_head = DQuat::from_rotation_x(std::f64::consts::PI);
        assert!(!cohere(&NAMES, on_its_head));
    }

    #[test]
    fn names_dealt_out_at_random_do_not_cohere() {
        for step in [3, 5, 9, 11] {
            let dealt: Vec<&str> = (0..14).map(|at| NAMES[(at * step + 2) % 14]).collect();
            assert!(!cohere(&dealt, DQuat::IDENTITY), "{dealt:?}");
        }
    }

    #[test]
    fn few_names_are_no_evidence() {
        let mut names = NAMES;
        names[4..].fill("b");
        assert!(!cohere(&names, DQuat::IDENTITY));
    }
}
