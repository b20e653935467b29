//! The parts of a body that its skin is divided into, and which joint moves which.

use understudy_anatomy::{AppendageKind, Body, SegmentKind, Side, limb_segments};
use understudy_motion::Skeleton;

/// One part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// For a person: "left hand", "trunk", "tail".
    pub name: String,
    /// Whether it belongs to an arm or a leg.
    pub is_limb: bool,
    /// The part it hangs on.
    pub above: Option<usize>,
}

/// All parts of a body.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Parts {
    /// Legs and arms first, then trunk, neck, head, then tails, ears and wings.
    pub list: Vec<Part>,
    /// Per joint, the part whose skin it moves; `None` for joints above the body.
    pub of_joint: Vec<Option<usize>>,
}

impl Parts {
    /// The joints of a part, by its name; none where the body has no such part.
    pub fn joints(&self, name: &str) -> Vec<usize> {
        let part = self.list.iter().position(|part| part.name == name);
        let of = self.of_joint.iter().enumerate();
        of.filter(|(_, found)| part.is_some() && **found == part)
            .map(|(joint, _)| joint)
            .collect()
    }

    /// Pairs of parts that are no neighbours.
    pub fn free_pairs(&self) -> Vec<[usize; 2]> {
        let count = self.list.len();
        (0..count)
            .flat_map(|one| (one + 1..count).map(move |other| [one, other]))
            .filter(|&[one, other]| {
                self.list[one].above != Some(other) && self.list[other].above != Some(one)
            })
            .collect()
    }
}

/// The parts of a body. Clavicles count as trunk and toes as foot; fingers, jaws and whatever else
/// has no segment of its own goes with the joint it hangs on.
pub fn body_parts(skeleton: &Skeleton, body: &Body) -> Parts {
    let mut list = Vec::new();
    let mut starts = vec![None; skeleton.len()];
    let mut add = |name: String, is_limb: bool, joint: usize, starts: &mut Vec<Option<usize>>| {
        starts[joint] = Some(list.len());
        list.push(Part {
            name,
            is_limb,
            above: None,
        });
    };
    for segment in limb_segments(skeleton, body) {
        if !matches!(segment.kind, SegmentKind::Clavicle | SegmentKind::Toes) {
            let is_limb = segment.side != Side::Middle;
            add(segment.name, is_limb, segment.from.joint, &mut starts);
        }
    }
    let mut names = Vec::new();
    for appendage in &body.appendages {
        let Some(&first) = appendage.joints.first() else {
            continue;
        };
        let word = match appendage.kind {
            AppendageKind::Tail => "tail",
            AppendageKind::Ear => "ear",
            AppendageKind::Wing => "wing",
        };
        let name = match appendage.side {
            Side::Middle => word.to_owned(),
            side => format!("{} {word}", side.word()),
        };
        let count = names.iter().filter(|known| **known == name).count();
        names.push(name.clone());
        let name = match count {
            0 => name,
            count => format!("{name} {}", count + 1),
        };
        add(name, false, first, &mut starts);
    }
    let mut of_joint: Vec<Option<usize>> = Vec::with_capacity(skeleton.len());
    for (joint, start) in starts.into_iter().enumerate() {
        let inherited = skeleton.parent(joint).and_then(|parent| of_joint[parent]);
        if let Some(part) = start {
            list[part].above = inherited;
        }
        of_joint.push(start.or(inherited));
    }
    Parts { list, of_joint }
}

#[cfg(test)]
mod tests {
    use super::*;
    use understudy_anatomy::Appendage;
    use understudy_bodies::character_from_ron;

    #[test]
    fn joints_go_with_the_part_they_hang_on() {
        let text = include_str!("../../../assets/bodies/performer.ron");
        let mut performer = character_from_ron(text).unwrap();
        let body = &mut performer.body;
        let head = body.head.unwrap();
        body.appendages.push(Appendage {
            kind: AppendageKind::Ear,
            side: Side::Left,
            joints: vec![head],
        });
        let parts = body_parts(&performer.skeleton, body);
        let name = |joint: usize| parts.list[parts.of_joint[joint].unwrap()].name.as_str();
        let left = |leg: &&understudy_anatomy::Leg| leg.side == Side::Left;
        let leg = body.legs.iter().find(left).unwrap();
        assert_eq!(name(body.pelvis), "trunk");
        assert_eq!(name(body.spine[0]), "trunk");
        assert_eq!(name(leg.ankle), "left foot");
        assert_eq!(name(head), "left ear");
        assert!(parts.joints("left foot").contains(&leg.ankle));
        assert!(parts.joints("left fin").is_empty());
        let find = |name: &str| parts.list.iter().position(|part| part.name == name);
        let is_free = |a: &str, b: &str| {
            let (a, b) = (find(a).unwrap(), find(b).unwrap());
            parts.free_pairs().contains(&[a.min(b), a.max(b)])
        };
        assert!(!is_free("left thigh", "trunk") && !is_free("left thigh", "left shank"));
        assert!(is_free("left thigh", "right thigh") && is_free("left hand", "trunk"));
        assert!(parts.list[parts.of_joint[leg.hip].unwrap()].is_limb);
    }
}
