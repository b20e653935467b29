//! Self-penetration: how deep parts of a body go into each other, as capsules around its bones.
//!
//! A pair of capsules is as deep as the sum of their radii exceeds the distance of their axes.
//! Neighbours in the body (thigh and shank, trunk and upper arm) are left out, and what a pair
//! overlaps in the rest pose is taken off: that is how the body is made. Where there is a skin,
//! [`crate::mesh::penetration`] measures that instead.

use std::convert::Infallible;

use serde::Serialize;
use understudy_anatomy::{JointPoint, Segment, SegmentKind, limb_segments};
use understudy_motion::{DVec3, Surface, WorldPose, signal};

use crate::distance_segment_segment::distance_segment_segment;
use crate::mesh::{Parts, body_parts};
use crate::report::At;
use crate::stats::{largest, worst};
use crate::subject::{MM, Subject};

/// Depths below this share of the leg's length are rounding.
pub(crate) const ROUNDING: f64 = 1e-7;

/// A round rod around a bone.
#[derive(Clone, Debug, PartialEq)]
pub struct Capsule {
    /// Its axis.
    pub segment: Segment,
    /// Metres.
    pub radius_m: f64,
}

/// A bone of a part with flesh around it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rod {
    /// The end nearer to the pelvis.
    pub from: JointPoint,
    /// The outer end.
    pub to: JointPoint,
    /// Metres.
    pub radius_m: f64,
}

impl Rod {
    /// Both ends in a pose, world, metres.
    pub fn ends(&self, pose: &WorldPose) -> [DVec3; 2] {
        [self.from.world(pose), self.to.world(pose)]
    }
}

/// One pair of parts.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PairDepth {
    /// For a person: "left hand".
    pub part: String,
    /// The other one.
    pub other_part: String,
    /// Greatest depth beyond that at rest.
    pub worst_mm: f64,
    /// Its frame, counted from 0.
    pub worst_frame: usize,
    /// First frame in which they are deeper than at rest.
    pub first_frame: usize,
    /// Last such frame.
    pub last_frame: usize,
    /// Number of such frames.
    pub frames: usize,
    /// Volume that they share, added up over time; only on a skin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volume_time_m3_s: Option<f64>,
    /// Depths beyond that at rest, frame by frame.
    #[serde(skip)]
    pub depths_mm: Vec<f64>,
    /// Volumes that they share, frame by frame; only on a skin.
    #[serde(skip)]
    pub volumes_m3: Vec<f64>,
}

impl PairDepth {
    /// A pair of parts with their depths, frame by frame; `None` where none is above rounding.
    pub(crate) fn new(names: [&str; 2], depths_mm: Vec<f64>, rounding_mm: f64) -> Option<Self> {
        let (worst_frame, worst_mm) = worst(&depths_mm)?;
        let deep = |depth: &f64| *depth > rounding_mm;
        let [part, other_part] = names.map(str::to_owned);
        Some(Self {
            part,
            other_part,
            worst_mm,
            worst_frame,
            first_frame: depths_mm.iter().position(deep)?,
            last_frame: depths_mm.iter().rposition(deep)?,
            frames: depths_mm.iter().filter(|depth| deep(depth)).count(),
            volume_time_m3_s: None,
            depths_mm,
            volumes_m3: Vec::new(),
        })
    }
}

/// All pairs of a body that penetrate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Penetration {
    /// Greatest depth of any pair.
    pub worst_mm: f64,
    /// Whether radii come from the surface; otherwise from published girths.
    pub from_surface: bool,
    /// Whether it was measured on the skin itself; otherwise on capsules.
    pub on_skin: bool,
    /// Volume that parts share, added up over time and over all pairs; only on a skin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volume_time_m3_s: Option<f64>,
    /// Vertices of arms and legs inside another part, of all of them, mean over frames; only on a
    /// skin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mean_penetration_rate: Option<f64>,
    /// The same in the worst frame.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub worst_penetration_rate: Option<f64>,
    /// Pairs that penetrate, deepest first.
    pub pairs: Vec<PairDepth>,
}

/// Measures all pairs of capsules. `surface` gives their radii where there is one.
pub fn measure_penetration(subject: &Subject<'_>, surface: Option<&Surface>) -> Penetration {
    let Ok(found) = penetration_watched::<Infallible>(subject, surface, &|_| Ok(()));
    found
}

/// As [`measure_penetration`]; `at` hears how much is done, 0 to 1, and may end it.
pub(crate) fn penetration_watched<E>(
    subject: &Subject<'_>,
    surface: Option<&Surface>,
    at: At<'_, E>,
) -> Result<Penetration, E> {
    at(0.0)?;
    let capsules = capsules(subject, surface);
    let axes: Vec<Vec<[DVec3; 2]>> = capsules
        .iter()
        .map(|capsule| subject.worlds.iter().map(|w| axis(capsule, w)).collect())
        .collect();
    let rounding = MM * ROUNDING * subject.leg_length_m;
    let mut pairs = Vec::new();
    let free = free_pairs(subject, &capsules);
    for (done, &(first, second)) in free.iter().enumerate() {
        at(done as f64 / free.len() as f64)?;
        let radii = capsules[first].radius_m + capsules[second].radius_m;
        let depth = |a, b| radii - distance_segment_segment(a, b);
        let at_rest = depth(
            axis(&capsules[first], &subject.rest),
            axis(&capsules[second], &subject.rest),
        )
        .max(0.0);
        let depths: Vec<f64> = axes[first]
            .iter()
            .zip(&axes[second])
            .map(|(a, b)| MM * (depth(*a, *b) - at_rest).max(0.0))
            .collect();
        let names = [first, second].map(|index| capsules[index].segment.name.as_str());
        pairs.extend(PairDepth::new(names, depths, rounding));
    }
    pairs.sort_by(|a: &PairDepth, b| b.worst_mm.total_cmp(&a.worst_mm));
    Ok(Penetration {
        worst_mm: largest(pairs.iter().map(|pair| pair.worst_mm)),
        from_surface: surface.is_some(),
        on_skin: false,
        volume_time_m3_s: None,
        mean_penetration_rate: None,
        worst_penetration_rate: None,
        pairs,
    })
}

/// Distances of the capsules of pairs of segments, by their names, frame by frame, metres: below 0 the
/// depth beyond that at rest. `None` for a pair of which the body has not both.
pub(crate) fn capsule_gaps_m(subject: &Subject<'_>, names: &[[&str; 2]]) -> Vec<Option<Vec<f64>>> {
    let capsules = capsules(subject, None);
    let find = |name: &str| capsules.iter().find(|capsule| capsule.segment.name == name);
    let gaps = |[one, other]: &[&str; 2]| {
        let (one, other) = (find(one)?, find(other)?);
        let gap = |world: &WorldPose| {
            distance_segment_segment(axis(one, world), axis(other, world))
                - one.radius_m
                - other.radius_m
        };
        let at_rest = gap(&subject.rest).min(0.0);
        let gaps = subject.worlds.iter().map(gap);
        Some(
            gaps.map(|gap| {
                if gap < 0.0 {
                    (gap - at_rest).min(0.0)
                } else {
                    gap
                }
            })
            .collect(),
        )
    };
    names.iter().map(gaps).collect()
}

fn axis(capsule: &Capsule, world: &WorldPose) -> [DVec3; 2] {
    [
        capsule.segment.from.world(world),
        capsule.segment.to.world(world),
    ]
}

/// Radius over length of a segment's bone. `None` for parts without a capsule of their own:
/// clavicles lie within the trunk, toes go on where the foot ends.
///
/// Mean of the girths at both ends over 2 π, by the segment lengths of Drillis & Contini, for a
/// man of 1.756 m; girths of the 1988 survey of US Army personnel (Gordon et al. 1989), from
/// memory: thigh 59.7 and 41 (lower thigh), calf 37.8 and ankle 22, biceps 33.8 and elbow 28,
/// forearm 30 and wrist 17.4, neck 38, head 56.8 cm; trunk: half of a chest depth of 24 cm; foot
/// and hand: half of what they are thick in the middle, about 7 and 4 cm (common practice).
fn radius_per_length(kind: SegmentKind) -> Option<f64> {
    match kind {
        SegmentKind::Thigh => Some(0.186),
        SegmentKind::Shank => Some(0.110),
        SegmentKind::Foot => Some(0.22),
        SegmentKind::UpperArm => Some(0.150),
        SegmentKind::Forearm => Some(0.147),
        SegmentKind::Hand => Some(0.105),
        SegmentKind::Trunk => Some(0.237),
        SegmentKind::Neck => Some(0.4),
        SegmentKind::Head => Some(0.5),
        SegmentKind::Clavicle | SegmentKind::Toes => None,
    }
}

/// The capsules of a body.
pub fn capsules(subject: &Subject<'_>, surface: Option<&Surface>) -> Vec<Capsule> {
    capsules_in(subject, points_of(subject, surface).as_deref())
}

/// Points of the skin at rest by joint, in the joint's coordinates, metres.
fn points_of(subject: &Subject<'_>, surface: Option<&Surface>) -> Option<Vec<Vec<DVec3>>> {
    let count = subject.clip.skeleton.len();
    surface.map(|surface| surface.points_by_joint(count, &subject.rest))
}

fn capsules_in(subject: &Subject<'_>, points: Option<&[Vec<DVec3>]>) -> Vec<Capsule> {
    limb_segments(&subject.clip.skeleton, subject.body)
        .into_iter()
        .filter_map(|segment| {
            let published = radius_per_length(segment.kind)?;
            let radius_m = points
                .and_then(|points| flesh_radius(subject, &segment, points))
                .unwrap_or_else(|| published * segment.vector(&subject.rest).length());
            Some(Capsule { segment, radius_m })
        })
        .collect()
}

/// Radius over length of a bone of a tail, ear or wing without skin (common practice).
const APPENDAGE: f64 = 0.15;

/// The bones of all parts of a body with flesh around them.
pub struct Rods<'a> {
    subject: &'a Subject<'a>,
    points: Option<Vec<Vec<DVec3>>>,
    capsules: Vec<Capsule>,
    parts: Parts,
}

impl<'a> Rods<'a> {
    /// Of a body, around its skin where there is one.
    pub fn new(subject: &'a Subject<'a>, surface: Option<&Surface>) -> Self {
        let points = points_of(subject, surface);
        Self {
            capsules: capsules_in(subject, points.as_deref()),
            parts: body_parts(&subject.clip.skeleton, subject.body),
            points,
            subject,
        }
    }

    /// Those of a part, by the name that [`PairDepth`] gives it; none where the body has no such part.
    /// Tails, ears and wings have as many as they have bones, all others one.
    pub fn of(&self, name: &str) -> Vec<Rod> {
        let subject = self.subject;
        let mut capsules = self.capsules.iter();
        if let Some(own) = capsules.find(|capsule| capsule.segment.name == name) {
            let (from, to) = (own.segment.from, own.segment.to);
            let radius_m = own.radius_m;
            return vec![Rod { from, to, radius_m }];
        }
        let skeleton = &subject.clip.skeleton;
        let joints = self.parts.joints(name);
        let bones = joints.iter().flat_map(|&joint| {
            let children = skeleton.children(joint).iter();
            let inner = children.filter(|child| joints.contains(child));
            let inner = inner.map(|&child| JointPoint::origin(child));
            let tips = skeleton.joint(joint).tips.iter();
            let tips = tips.map(move |&local| JointPoint { joint, local });
            inner
                .chain(tips)
                .map(move |to| (JointPoint::origin(joint), to))
        });
        let rods = bones.filter_map(|(from, to)| {
            let [start, end] = [from, to].map(|point| point.world(&subject.rest));
            let bone = end - start;
            let own = self
                .points
                .as_deref()
                .map(|points| points[from.joint].iter());
            let offsets = own.into_iter().flatten();
            let offsets = offsets.map(|point| subject.rest.point(from.joint, *point) - start);
            let beside =
                offsets.filter(|offset| (0.0..=bone.length_squared()).contains(&offset.dot(bone)));
            let away: Vec<f64> = beside
                .map(|offset| offset.reject_from(bone).length())
                .collect();
            let radius_m = signal::median(&away).unwrap_or(APPENDAGE * bone.length());
            (bone.length() > 0.0).then_some(Rod { from, to, radius_m })
        });
        rods.collect()
    }
}

/// Median distance from a bone's axis of the surface points that its joints move and that lie
/// beside it, metres; `None` without such points.
fn flesh_radius(subject: &Subject<'_>, segment: &Segment, points: &[Vec<DVec3>]) -> Option<f64> {
    let [from, to] = [
        segment.from.world(&subject.rest),
        segment.to.world(&subject.rest),
    ];
    let bone = to - from;
    let distances: Vec<f64> = joints_of(subject, segment)
        .into_iter()
        .flat_map(|joint| points[joint].iter().map(move |point| (joint, *point)))
        .map(|(joint, point)| subject.rest.point(joint, point) - from)
        .filter(|offset| (0.0..=bone.length_squared()).contains(&offset.dot(bone)))
        .map(|offset| offset.reject_from(bone).length())
        .collect();
    signal::median(&distances)
}

/// The joints whose flesh a segment is: its own and those between its ends.
fn joints_of(subject: &Subject<'_>, segment: &Segment) -> Vec<usize> {
    let skeleton = &subject.clip.skeleton;
    let (from, to) = (segment.from.joint, segment.to.joint);
    let mut joints = skeleton.path(from, to).unwrap_or_else(|| vec![from]);
    if joints.len() > 1 {
        joints.pop();
    }
    let twists = subject
        .body
        .twists
        .iter()
        .filter(|twist| twist.from == from);
    joints.extend(twists.map(|twist| twist.joint));
    joints.sort_unstable();
    joints.dedup();
    joints
}

/// Pairs of capsules that are no neighbours.
fn free_pairs(subject: &Subject<'_>, capsules: &[Capsule]) -> Vec<(usize, usize)> {
    let parents: Vec<Option<usize>> = (0..capsules.len())
        .map(|index| parent_capsule(subject, capsules, index))
        .collect();
    let mut pairs = Vec::new();
    for first in 0..capsules.len() {
        for second in first + 1..capsules.len() {
            if parents[first] != Some(second) && parents[second] != Some(first) {
                pairs.push((first, second));
            }
        }
    }
    pairs
}

/// The capsule that a capsule hangs on: that of the nearest joint above.
fn parent_capsule(subject: &Subject<'_>, capsules: &[Capsule], index: usize) -> Option<usize> {
    let skeleton = &subject.clip.skeleton;
    let start = capsules[index].segment.from.joint;
    let mut at = skeleton.parent(start);
    while let Some(joint) = at {
        let found = capsules
            .iter()
            .position(|other| other.segment.from.joint == joint);
        if found.is_some() {
            return found;
        }
        at = skeleton.parent(joint);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Dummy, L_HIP, L_SHOULDER, PELVIS, R_HIP, still};
    use proptest::prelude::*;
    use understudy_anatomy::{Appendage, AppendageKind, Side};
    use understudy_motion::{Clip, DQuat, Joint, Skeleton, SkinnedMesh};

    /// The left leg turned inward so that the ankles' axes come `apart` metres from each other.
    fn crossing(dummy: &Dummy, apart: f64) -> Clip {
        dummy.clip(3, |frame, locals| {
            if frame == 1 {
                // Both hips stand 0.2 apart and are brought together without a turn.
                locals[L_HIP].translation.x = locals[R_HIP].translation.x + apart;
            }
        })
    }

    #[test]
    fn legs_pushed_together_overlap_by_the_sum_of_radii() {
        let dummy = Dummy::new(1.0);
        let clip = crossing(&dummy, 0.05);
        let found = measure_penetration(&dummy.subject(&clip, &[]), None);
        let of = |a: &str, b: &str| {
            found
                .pairs
                .iter()
                .find(|pair| pair.part == a && pair.other_part == b)
                .unwrap()
        };
        let shanks = of("left shank", "right shank");
        // Parallel shanks of 0.42 m, 0.05 m apart.
        let expected = 1000.0 * (2.0 * 0.110 * 0.42 - 0.05);
        assert!((shanks.worst_mm - expected).abs() < 1e-9);
        assert_eq!((shanks.worst_frame, shanks.frames), (1, 1));
        assert_eq!((shanks.first_frame, shanks.last_frame), (1, 1));
        assert!(!found.from_surface);
    }

    #[test]
    fn rest_is_design() {
        let mut dummy = Dummy::new(1.0);
        let clip = still(&dummy, 2);
        assert_eq!(
            measure_penetration(&dummy.subject(&clip, &[]), None).worst_mm,
            0.0
        );
        // Hips so near that the thighs overlap at rest: only what comes on top counts.
        let mut joints = dummy.skeleton.joints().to_vec();
        joints[L_HIP].rest.translation.x = -0.05;
        dummy.skeleton = understudy_motion::Skeleton::new(joints).unwrap().into();
        let clip = dummy.clip(2, |frame, locals| {
            locals[L_HIP].translation.x -= 0.02 * frame as f64;
        });
        let found = measure_penetration(&dummy.subject(&clip, &[]), None);
        let thighs = found
            .pairs
            .iter()
            .find(|pair| pair.part == "left thigh" && pair.other_part == "right thigh")
            .unwrap();
        assert!((thighs.worst_mm - 20.0).abs() < 1e-9);
    }

    #[test]
    fn an_arm_through_the_chest_is_found_and_neighbours_are_not() {
        let dummy = Dummy::new(1.0);
        let clip = dummy.clip(1, |_, locals| {
            locals[L_SHOULDER].rotation = DQuat::from_rotation_y(std::f64::consts::PI);
        });
        let found = measure_penetration(&dummy.subject(&clip, &[]), None);
        let has = |a: &str, b: &str| {
            found
                .pairs
                .iter()
                .any(|p| (p.part == a && p.other_part == b) || (p.part == b && p.other_part == a))
        };
        assert!(has("left forearm", "trunk"));
        assert!(!has("left upper arm", "trunk"));
    }

    #[test]
    fn a_surface_tells_the_radius() {
        let dummy = Dummy::new(1.0);
        let clip = still(&dummy, 1);
        let subject = dummy.subject(&clip, &[]);
        let origin = subject.rest.position(L_HIP);
        let ring = |height: f64, radius: f64| {
            (0..8).map(move |i| {
                let angle = f64::from(i) * std::f64::consts::TAU / 8.0;
                origin + DVec3::new(radius * angle.cos(), -height, radius * angle.sin())
            })
        };
        // The last ring lies past the knee and does not count.
        let points: Vec<DVec3> = ring(0.1, 0.09)
            .chain(ring(0.3, 0.09))
            .chain(ring(0.6, 0.5))
            .collect();
        let mesh = SkinnedMesh {
            influences: vec![vec![(0, 1.0)]; points.len()],
            bind_positions: points,
            joints: vec![L_HIP],
            inverse_binds: vec![subject.rest.affines[L_HIP].inverse()],
            ..SkinnedMesh::default()
        };
        let surface = Surface {
            meshes: vec![mesh],
            ..Surface::default()
        };
        let capsules = capsules(&subject, Some(&surface));
        let thigh = capsules
            .iter()
            .find(|c| c.segment.name == "left thigh")
            .unwrap();
        assert!((thigh.radius_m - 0.09).abs() < 1e-12);
        let other = capsules
            .iter()
            .find(|c| c.segment.name == "right thigh")
            .unwrap();
        assert!((other.radius_m - 0.186 * 0.42).abs() < 1e-12);
        assert_eq!(subject.body.pelvis, PELVIS);
    }

    #[test]
    fn a_tail_has_a_rod_for_every_bone() {
        let mut dummy = Dummy::new(1.0);
        let mut joints = dummy.skeleton.joints().to_vec();
        let first = joints.len();
        let back = |metres: f64| DVec3::new(0.0, 0.0, -metres);
        joints.push(Joint::new("tail_1", Some(PELVIS), back(0.1)));
        joints.push(Joint::new("tail_2", Some(first), back(0.2)));
        joints[first + 1].tips.push(back(0.15));
        dummy.skeleton = Skeleton::new(joints).unwrap().into();
        dummy.body.appendages.push(Appendage {
            kind: AppendageKind::Tail,
            side: Side::Middle,
            joints: vec![first, first + 1],
        });
        let clip = still(&dummy, 1);
        let subject = dummy.subject(&clip, &[]);
        let rods = |surface, name: &str| Rods::new(&subject, surface).of(name);
        let tail = rods(None, "tail");
        let lengths = tail.iter().map(|rod| {
            let [from, to] = rod.ends(&subject.rest);
            (1000.0 * from.distance(to)).round()
        });
        assert_eq!(lengths.collect::<Vec<_>>(), [200.0, 150.0]);
        assert!((tail[0].radius_m - 0.03).abs() < 1e-12);
        // Flesh of 5 cm around the first bone.
        let start = subject.rest.position(first);
        let ring = (0..8).map(|at| {
            let angle = f64::from(at) * std::f64::consts::TAU / 8.0;
            start + back(0.1) + 0.05 * DVec3::new(angle.cos(), angle.sin(), 0.0)
        });
        let mesh = SkinnedMesh {
            bind_positions: ring.collect(),
            influences: vec![vec![(0, 1.0)]; 8],
            joints: vec![first],
            inverse_binds: vec![subject.rest.affines[first].inverse()],
            ..SkinnedMesh::default()
        };
        let surface = Surface {
            meshes: vec![mesh],
            ..Surface::default()
        };
        let tail = rods(Some(&surface), "tail");
        assert!((tail[0].radius_m - 0.05).abs() < 1e-12);
        assert_eq!(rods(None, "left shank").len(), 1);
        assert_eq!(rods(None, "left fin"), []);
    }

    proptest! {
        #[test]
        fn depth_scales_with_the_world(k in 0.2..4.0f64) {
            let depth = |k: f64| {
                let dummy = Dummy::new(k);
                let clip = crossing(&dummy, 0.04 * k);
                measure_penetration(&dummy.subject(&clip, &[]), None).worst_mm
            };
            prop_assert!((depth(k) / depth(1.0) - k).abs() < 1e-9);
        }
    }
}
