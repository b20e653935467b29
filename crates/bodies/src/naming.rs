//! Names of joints.

use understudy_anatomy::body::{AppendageKind, Side};

use crate::description::Naming;
use crate::plan::{Part, Plan};

/// The name of a joint of a plan.
pub(crate) fn joint_name(plan: &Plan<'_>, index: usize) -> String {
    let name = match plan.description.naming {
        Naming::Plain => plain(plan, index),
        Naming::Parts => part_of_body(plan, index),
        Naming::Numbered => format!("bone_{index:02}"),
    };
    format!("{}{name}", plan.description.name_prefix)
}

/// Number of a joint in its chain, where there are several in a row.
fn number(plan: &Plan<'_>, index: usize) -> Option<usize> {
    let bone = &plan.bones[index];
    let goes_with = |other: &crate::plan::Bone| {
        other.part == bone.part
            && other.side == bone.side
            && other.pair == bone.pair
            && (bone.part != Part::Twist || other.parent == bone.parent)
    };
    let count = plan.bones.iter().filter(|other| goes_with(other)).count();
    (count > 1).then_some(bone.ordinal + 1)
}

fn plain(plan: &Plan<'_>, index: usize) -> String {
    let bone = &plan.bones[index];
    let mut words = Vec::new();
    match bone.side {
        Side::Left => words.push("left".to_owned()),
        Side::Right => words.push("right".to_owned()),
        Side::Middle => {}
    }
    match bone.pair {
        0 => {}
        1 => words.push("lower".to_owned()),
        _ => words.push("lowest".to_owned()),
    }
    match (bone.part, bone.parent) {
        (Part::Twist, Some(parent)) => {
            words.push(format!("{}_twist", joint_word(plan, parent)));
        }
        _ => words.push(joint_word(plan, index)),
    }
    words.extend(number(plan, index).map(|number| number.to_string()));
    words.join("_")
}

fn joint_word(plan: &Plan<'_>, index: usize) -> String {
    let hock = plan.description.legs.kind == crate::description::LegKind::Digitigrade;
    let word = match plan.bones[index].part {
        Part::Pelvis => "pelvis",
        Part::Spine => "spine",
        Part::Neck => "neck",
        Part::Head => "head",
        Part::Clavicle => "clavicle",
        Part::Shoulder => "shoulder",
        Part::Elbow => "elbow",
        Part::Wrist => "wrist",
        Part::Finger(ray) => finger_word(ray),
        Part::Hip => "hip",
        Part::Knee => "knee",
        Part::Ankle if hock => "hock",
        Part::Ankle => "ankle",
        Part::Ball => "ball",
        Part::Toe(toe) => return format!("toe_{}", toe + 1),
        Part::Appendage(kind) => appendage_word(kind),
        Part::Twist => "twist",
    };
    word.to_owned()
}

fn part_of_body(plan: &Plan<'_>, index: usize) -> String {
    let bone = &plan.bones[index];
    let mut name = match (bone.part, bone.parent) {
        (Part::Twist, Some(parent)) => format!("{} roll", part_word(plan.bones[parent].part)),
        (part, _) => part_word(part),
    };
    if let Some(number) = number(plan, index) {
        name = format!("{name} {number}");
    }
    match bone.pair {
        0 => {}
        1 => name = format!("low {name}"),
        _ => name = format!("lowest {name}"),
    }
    match bone.side {
        Side::Left => name + " L",
        Side::Right => name + " R",
        Side::Middle => name,
    }
}

fn part_word(part: Part) -> String {
    let word = match part {
        Part::Pelvis => "hips",
        Part::Spine => "back",
        Part::Neck => "neck",
        Part::Head => "skull",
        Part::Clavicle => "collar",
        Part::Shoulder => "upper arm",
        Part::Elbow => "forearm",
        Part::Wrist => "hand",
        Part::Finger(ray) => finger_word(ray),
        Part::Hip => "thigh",
        Part::Knee => "shin",
        Part::Ankle => "foot",
        Part::Ball => "toes",
        Part::Toe(toe) => return format!("toe {}", toe + 1),
        Part::Appendage(kind) => appendage_word(kind),
        Part::Twist => "roll",
    };
    word.to_owned()
}

fn finger_word(ray: u8) -> &'static str {
    match ray {
        1 => "thumb",
        2 => "index",
        3 => "middle",
        4 => "ring",
        _ => "little",
    }
}

fn appendage_word(kind: AppendageKind) -> &'static str {
    match kind {
        AppendageKind::Tail => "tail",
        AppendageKind::Ear => "ear",
        AppendageKind::Wing => "wing",
    }
}
