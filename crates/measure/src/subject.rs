//! A clip prepared for measuring: what it moves, where it stands, and its world poses.

use understudy_anatomy::{Body, JointPoint, Side, limb_segments};
use understudy_motion::{Clip, DVec3, Skeleton, WorldPose};
use understudy_solver::contacts::runs;
use understudy_solver::{Contacts, Floor, Foot, FootPart};

/// Which parts of one foot are planted, frame by frame: heel, ball, toe.
pub type PlantedParts = Vec<[bool; 3]>;

/// Millimetres in a metre.
pub(crate) const MM: f64 = 1000.0;

/// A clip with everything that the measures need to know about it. The world has Y up.
#[derive(Clone, Debug)]
pub struct Subject<'a> {
    /// The motion.
    pub clip: &'a Clip,
    /// Its skeleton read as a body.
    pub body: &'a Body,
    /// One foot per leg of the body, in the same order.
    pub feet: &'a [Foot],
    /// What the feet stand on.
    pub floor: Floor,
    /// Per leg, per frame: which parts of its foot are planted.
    pub planted_parts: &'a [PlantedParts],
    /// World transforms, frame by frame.
    pub worlds: Vec<WorldPose>,
    /// World transforms at rest.
    pub rest: WorldPose,
    /// Length of thigh and shank at rest; 1 without legs. Metres.
    pub leg_length_m: f64,
}

/// One part of one foot that stays planted from frame to frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stand {
    pub part: FootPart,
    pub point: JointPoint,
    pub first: usize,
    pub last: usize,
}

impl<'a> Subject<'a> {
    /// Computes the world poses of a clip, once.
    pub fn new(
        clip: &'a Clip,
        body: &'a Body,
        feet: &'a [Foot],
        floor: Floor,
        planted_parts: &'a [PlantedParts],
    ) -> Self {
        Self {
            clip,
            body,
            feet,
            floor,
            planted_parts,
            worlds: clip.worlds(),
            rest: clip.skeleton.rest_world(),
            leg_length_m: body.leg_length_m(&clip.skeleton).unwrap_or(1.0),
        }
    }

    /// Number of frames.
    pub fn frame_count(&self) -> usize {
        self.worlds.len()
    }

    /// World positions of a point over all frames, metres.
    pub fn track(&self, point: JointPoint) -> Vec<DVec3> {
        self.worlds.iter().map(|world| point.world(world)).collect()
    }

    /// "left", "right", with the pair where it is not the first.
    pub fn leg_name(&self, leg: usize) -> String {
        self.feet
            .get(leg)
            .map_or_else(String::new, |foot| limb_name(foot.side, foot.pair))
    }

    /// All stands of a foot: parts that it has, for as long as each stays planted.
    pub(crate) fn stands(&self, leg: usize) -> Vec<Stand> {
        let (Some(foot), Some(planted)) = (self.feet.get(leg), self.planted_parts.get(leg)) else {
            return Vec::new();
        };
        let mut stands = Vec::new();
        for (index, part) in FootPart::ALL.into_iter().enumerate() {
            let Some(point) = foot.point(part) else {
                continue;
            };
            let frames = planted.len().min(self.frame_count());
            let mask: Vec<bool> = planted[..frames].iter().map(|on| on[index]).collect();
            stands.extend(runs(&mask).into_iter().map(|(first, last)| Stand {
                part,
                point,
                first,
                last,
            }));
        }
        stands
    }

    /// Positions of a stand's point while it stands, metres.
    pub(crate) fn stand_track(&self, stand: &Stand) -> Vec<DVec3> {
        self.worlds[stand.first..=stand.last]
            .iter()
            .map(|world| stand.point.world(world))
            .collect()
    }
}

/// Planted parts of feet that stand where `contacts` say, one list per foot.
pub fn parts_from_contacts(feet: &[Foot], contacts: &Contacts, frames: usize) -> Vec<PlantedParts> {
    feet.iter()
        .map(|foot| {
            let masks = FootPart::ALL.map(|part| contacts.mask(foot.side, foot.pair, part, frames));
            (0..frames)
                .map(|frame| [masks[0][frame], masks[1][frame], masks[2][frame]])
                .collect()
        })
        .collect()
}

/// The joint that a fault is of, by the words it names its part with: "left knee", "left thigh", "neck".
pub fn joint_called(skeleton: &Skeleton, body: &Body, words: &str) -> Option<usize> {
    let legs = body.legs.iter().flat_map(|leg| {
        let joints = [("hip", leg.hip), ("knee", leg.knee), ("ankle", leg.ankle)];
        joints.map(|(joint, at)| (format!("{} {joint}", limb_name(leg.side, leg.pair)), at))
    });
    let arms = body.arms.iter().flat_map(|arm| {
        let wrist = arm.wrist.unwrap_or(arm.hand_tip.joint);
        let joints = [
            ("shoulder", arm.shoulder),
            ("elbow", arm.elbow),
            ("wrist", wrist),
        ];
        joints.map(|(joint, at)| (format!("{} {joint}", limb_name(arm.side, arm.pair)), at))
    });
    let neck = body.neck.first().copied().or(body.head);
    let middle = [("pelvis", Some(body.pelvis)), ("neck", neck)];
    let middle = middle
        .into_iter()
        .filter_map(|(name, at)| Some((name.to_owned(), at?)));
    let segments = limb_segments(skeleton, body).into_iter();
    // The outer end of a limb shows best where it points.
    let segments = segments.map(|segment| (segment.name, segment.to.joint));
    let mut all = legs.chain(arms).chain(middle).chain(segments);
    all.find(|(name, _)| name == words).map(|(_, joint)| joint)
}

/// "left", "right", "middle"; from the second pair on with its number.
pub(crate) fn limb_name(side: Side, pair: usize) -> String {
    let side = side.word();
    if pair == 0 {
        side.to_owned()
    } else {
        format!("{side} (pair {})", pair + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::measure_limits;
    use crate::testing::{Dummy, L_KNEE, PELVIS, still};

    #[test]
    fn every_part_that_a_fault_may_name_has_a_joint() {
        let dummy = Dummy::new(1.0);
        let joint = |words: &str| joint_called(&dummy.skeleton, &dummy.body, words);
        assert_eq!(joint("left knee"), Some(L_KNEE));
        assert_eq!(joint("left thigh"), Some(L_KNEE));
        assert_eq!(joint("pelvis"), Some(PELVIS));
        assert_eq!(joint("left fin"), None);
        let clip = still(&dummy, 2);
        for excess in measure_limits(&dummy.subject(&clip, &[])).joints {
            assert!(joint(&excess.joint).is_some(), "{}", excess.joint);
            assert_eq!(excess.excess_deg.len(), 2);
        }
        for segment in limb_segments(&dummy.skeleton, &dummy.body) {
            assert!(joint(&segment.name).is_some(), "{}", segment.name);
        }
    }
}
