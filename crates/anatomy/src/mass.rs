//! Where the mass of a body lies.
//!
//! A person's by published shares: segments of men after de Leva 1996, *Adjustments to
//! Zatsiorsky-Seluyanov's segment inertia parameters*, doi 10.1016/0021-9290(95)00178-6, from a
//! transcription; the trunk's centre between the middle of the shoulders and the middle of the hips from
//! memory. A creature's by its flesh: the volume inside its skin at rest, joint by joint, at one density.
//! That is the published share of each segment scaled by how much more flesh the segment has than a
//! person's, where all flesh is taken to weigh alike (a person's parts differ by a tenth); so a giant head
//! weighs what it looks like.

use std::collections::{BTreeMap, HashMap};

use glam::DVec3;
use understudy_motion::solid::Solid;
use understudy_motion::{SkinnedMesh, Surface, WorldPose};

use crate::body::{Arm, Body, JointPoint, Leg};

/// A segment of a person: share of the body's mass, and place of its centre from the first end (0) to
/// the second (1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SegmentMass {
    /// Share of the body's mass.
    pub share: f64,
    /// Place of the centre.
    pub centre: f64,
}

const fn segment(share: f64, centre: f64) -> SegmentMass {
    SegmentMass { share, centre }
}

/// From the top of the head to the base of the neck.
pub const HEAD: SegmentMass = segment(0.0694, 0.5002);
/// From the middle of the shoulders to the middle of the hips.
pub const TRUNK: SegmentMass = segment(0.4346, 0.4310);
/// From shoulder to elbow.
pub const UPPER_ARM: SegmentMass = segment(0.0271, 0.5772);
/// From elbow to wrist.
pub const FOREARM: SegmentMass = segment(0.0162, 0.4574);
/// From wrist to the knuckle of the middle finger.
pub const HAND: SegmentMass = segment(0.0061, 0.7900);
/// From hip to knee.
pub const THIGH: SegmentMass = segment(0.1416, 0.4095);
/// From knee to ankle.
pub const SHANK: SegmentMass = segment(0.0433, 0.4395);
/// From heel to the tip of the toes.
pub const FOOT: SegmentMass = segment(0.0137, 0.4415);

/// Place of the hand's centre from the wrist to the tip of the fingers: knuckles lie at 0.46 of it
/// (from memory: 86 of 188 mm in the same tables).
const HAND_TO_TIP: f64 = 0.46 * HAND.centre;

/// Place of the foot's centre from the ankle to the tip of the toes: the ankle lies at a quarter of the
/// foot's length from the heel (from memory).
const FOOT_FROM_ANKLE: f64 = (FOOT.centre - 0.25) / 0.75;

/// Mass fixed to the joints of a skeleton.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Masses {
    /// In the order of the joints, each at most once.
    parts: Vec<JointMass>,
}

/// What hangs on one joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JointMass {
    /// Its mass, in the unit of all of the body.
    pub mass: f64,
    /// The joint, and the centre of what hangs on it.
    pub centre: JointPoint,
}

impl Masses {
    /// A person's masses on the bones of a body, as shares of the whole. Every limb weighs what a
    /// person's does, further pairs too; tails, ears and wings weigh nothing, and what the body does not have
    /// is left out.
    pub fn published(body: &Body) -> Self {
        let mut made = Making::default();
        let at = JointPoint::origin;
        let shoulders: Vec<JointPoint> = body
            .arms
            .iter()
            .filter(|arm| arm.pair == 0)
            .map(|arm| at(arm.shoulder))
            .collect();
        let neck = body.neck.first().copied().or(body.head);
        let top = body.spine.last().copied().unwrap_or(body.pelvis);
        let base = at(neck.unwrap_or(top));
        let shoulders = match shoulders.is_empty() {
            true => vec![base],
            false => shoulders,
        };
        let hips: Vec<JointPoint> = body
            .legs
            .iter()
            .filter(|leg| leg.pair == 0)
            .map(|leg| at(leg.hip))
            .collect();
        let hips = match hips.is_empty() {
            true => vec![at(body.pelvis)],
            false => hips,
        };
        made.between(TRUNK.share, TRUNK.centre, &shoulders, &hips);
        if let Some(head) = body.head {
            let top = body.head_top.unwrap_or(at(head));
            made.between(HEAD.share, HEAD.centre, &[top], &[base]);
        }
        for arm in &body.arms {
            made.arm(arm);
        }
        for leg in &body.legs {
            made.leg(leg);
        }
        made.done()
    }

    /// The masses of a body's flesh, cubic metres: of each joint's, what lies inside the skin that it
    /// moves most, closed where it meets that of others. `rest` is the pose at rest of the skeleton that
    /// the skin is bound to. Meshes are added up; what hangs on a joint without being skinned is no flesh.
    /// `None` where the skin encloses nothing.
    pub fn of_flesh(surface: &Surface, rest: &WorldPose) -> Option<Self> {
        let mut made = Making::default();
        for mesh in &surface.meshes {
            let flesh = flesh_by_joint(mesh, rest);
            // A skin that faces inward encloses as much.
            let way = flesh.values().map(|own| own.0).sum::<f64>().signum();
            for (joint, (volume_m3, moment)) in flesh {
                if way * volume_m3 > 0.0 {
                    let centre = moment / volume_m3;
                    let local = rest.affines[joint].inverse().transform_point3(centre);
                    made.add(way * volume_m3, JointPoint { joint, local });
                }
            }
        }
        let made = made.done();
        (made.whole() > 0.0).then_some(made)
    }

    /// A character's masses: of its flesh where it has a skin, else a person's on its bones.
    pub fn of_character(body: &Body, surface: Option<&Surface>, rest: &WorldPose) -> Self {
        surface
            .and_then(|surface| Self::of_flesh(surface, rest))
            .unwrap_or_else(|| Self::published(body))
    }

    /// What hangs on each joint, in the order of the joints; those that nothing hangs on are left out.
    pub fn parts(&self) -> &[JointMass] {
        &self.parts
    }

    /// All of it, in its own unit.
    pub fn whole(&self) -> f64 {
        self.parts.iter().map(|part| part.mass).sum()
    }

    /// The centre of mass in a pose, world, metres; the origin where there is no mass.
    pub fn centre(&self, pose: &WorldPose) -> DVec3 {
        let (mut mass, mut moment) = (0.0, DVec3::ZERO);
        for part in &self.parts {
            mass += part.mass;
            moment += part.mass * part.centre.world(pose);
        }
        match mass > 0.0 {
            true => moment / mass,
            false => DVec3::ZERO,
        }
    }
}

/// Masses and first moments (in the joint's coordinates) of joints, while they are added up.
#[derive(Default)]
struct Making(BTreeMap<usize, (f64, DVec3)>);

impl Making {
    fn add(&mut self, mass: f64, at: JointPoint) {
        let own = self.0.entry(at.joint).or_insert((0.0, DVec3::ZERO));
        own.0 += mass;
        own.1 += mass * at.local;
    }

    /// A mass at a place on the line from the middle of some points (0) to that of others (1). In every pose
    /// the centre of masses at these points lies there, if they are shared out by it.
    fn between(&mut self, mass: f64, place: f64, from: &[JointPoint], to: &[JointPoint]) {
        for (points, share) in [(from, 1.0 - place), (to, place)] {
            for point in points {
                self.add(mass * share / points.len() as f64, *point);
            }
        }
    }

    fn arm(&mut self, arm: &Arm) {
        let at = JointPoint::origin;
        let mut add = |segment: SegmentMass, place: f64, from: usize, to: JointPoint| {
            self.between(segment.share, place, &[at(from)], &[to]);
        };
        add(UPPER_ARM, UPPER_ARM.centre, arm.shoulder, at(arm.elbow));
        match arm.wrist {
            Some(wrist) => {
                add(FOREARM, FOREARM.centre, arm.elbow, at(wrist));
                add(HAND, HAND_TO_TIP, wrist, arm.hand_tip);
            }
            None => add(FOREARM, FOREARM.centre, arm.elbow, arm.hand_tip),
        }
    }

    fn leg(&mut self, leg: &Leg) {
        let at = JointPoint::origin;
        let mut add = |segment: SegmentMass, place: f64, from: usize, to: JointPoint| {
            self.between(segment.share, place, &[at(from)], &[to]);
        };
        add(THIGH, THIGH.centre, leg.hip, at(leg.knee));
        add(SHANK, SHANK.centre, leg.knee, at(leg.ankle));
        add(FOOT, FOOT_FROM_ANKLE, leg.ankle, leg.toe_tip);
    }

    fn done(self) -> Masses {
        let all = self.0.into_iter().filter(|(_, (mass, _))| *mass > 0.0);
        let parts = all.map(|(joint, (mass, moment))| JointMass {
            mass,
            centre: JointPoint {
                joint,
                local: moment / mass,
            },
        });
        Masses {
            parts: parts.collect(),
        }
    }
}

/// Volume and first moment about the world's origin of what each joint moves of a mesh, m³ and m⁴,
/// negative where the skin faces inward.
fn flesh_by_joint(mesh: &SkinnedMesh, rest: &WorldPose) -> BTreeMap<usize, (f64, DVec3)> {
    let places = mesh.posed(rest);
    // Vertices that were split for normals or pictures are one again.
    let mut firsts: HashMap<[u64; 3], u32> = HashMap::new();
    let welded: Vec<u32> = (0..)
        .zip(&places)
        .map(|(vertex, place)| {
            // Adding zero makes -0 the same as 0.
            let bits = place.to_array().map(|value| (value + 0.0).to_bits());
            *firsts.entry(bits).or_insert(vertex)
        })
        .collect();
    let mut skins: BTreeMap<usize, Vec<[u32; 3]>> = BTreeMap::new();
    for triangle in &mesh.triangles {
        if let Some(joint) = main_joint(mesh, triangle) {
            let triangle = triangle.map(|vertex| welded[vertex as usize]);
            skins.entry(joint).or_default().push(triangle);
        }
    }
    let skins = skins.into_iter();
    skins
        .map(|(joint, triangles)| (joint, enclosed(&places, triangles)))
        .collect()
}

/// The joint that moves a triangle most; the first of equals.
fn main_joint(mesh: &SkinnedMesh, triangle: &[u32; 3]) -> Option<usize> {
    let mut weights: BTreeMap<usize, f64> = BTreeMap::new();
    for &vertex in triangle {
        for &(slot, weight) in &mesh.influences[vertex as usize] {
            *weights.entry(mesh.joints[slot]).or_default() += weight;
        }
    }
    let best = weights
        .into_iter()
        .reduce(|best, next| if next.1 > best.1 { next } else { best });
    best.map(|(joint, _)| joint)
}

/// Volume and first moment of what some triangles enclose once they are closed.
fn enclosed(places: &[DVec3], mut triangles: Vec<[u32; 3]>) -> (f64, DVec3) {
    let mut numbers: HashMap<u32, u32> = HashMap::new();
    let mut points = Vec::new();
    for vertex in triangles.iter_mut().flatten() {
        *vertex = *numbers.entry(*vertex).or_insert_with(|| {
            points.push(places[*vertex as usize]);
            (points.len() - 1) as u32
        });
    }
    let solid = Solid::new(&points, triangles);
    let posed = solid.posed(&points);
    let (skin, caps) = posed.triangles();
    let all = posed.points();
    let Some(&origin) = all.first() else {
        return (0.0, DVec3::ZERO);
    };
    let (mut volume_m3, mut moment) = (0.0, DVec3::ZERO);
    for triangle in skin.iter().chain(caps) {
        // Of the tetrahedron from one point of the skin.
        let [a, b, c] = triangle.map(|point| all[point as usize] - origin);
        let own = a.dot(b.cross(c)) / 6.0;
        volume_m3 += own;
        moment += own * (0.25 * (a + b + c));
    }
    (volume_m3, moment + volume_m3 * origin)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use understudy_motion::{DAffine3, Joint, Skeleton, Transform};

    #[test]
    fn the_shares_of_a_person_are_the_whole() {
        // Table 4 of de Leva 1996: the shares add up to 100 %.
        let limbs = [UPPER_ARM, FOREARM, HAND, THIGH, SHANK, FOOT];
        let both: f64 = limbs.iter().map(|segment| 2.0 * segment.share).sum();
        assert!((HEAD.share + TRUNK.share + both - 1.0).abs() < 1e-9);
    }

    /// A box from `low` to `high` whose upper half goes with joint 1 and whose lower half with joint 0.
    fn two_halves(low: DVec3, high: DVec3, is_inward: bool) -> (Arc<Skeleton>, Surface) {
        let middle = 0.5 * (low.y + high.y);
        let skeleton = Skeleton::new(vec![
            Joint::new("low", None, DVec3::ZERO),
            Joint::new("high", Some(0), DVec3::new(0.0, middle, 0.0)),
        ])
        .unwrap();
        let levels = [low.y, middle, middle, high.y];
        let mut points = Vec::new();
        let mut influences = Vec::new();
        for (level, y) in levels.into_iter().enumerate() {
            for [x, z] in [
                [low.x, low.z],
                [high.x, low.z],
                [high.x, high.z],
                [low.x, high.z],
            ] {
                points.push(DVec3::new(x, y, z));
                influences.push(vec![(level / 2, 1.0)]);
            }
        }
        let mut triangles = Vec::new();
        for half in [0u32, 8] {
            for side in 0..4 {
                let [a, b] = [half + side, half + (side + 1) % 4];
                triangles.extend([[a, a + 4, b], [b, a + 4, b + 4]]);
            }
        }
        triangles.extend([[0, 1, 2], [0, 2, 3], [12, 14, 13], [12, 15, 14]]);
        if is_inward {
            triangles
                .iter_mut()
                .for_each(|triangle| triangle.swap(0, 1));
        }
        let rest = skeleton.rest_world();
        let mesh = SkinnedMesh {
            bind_positions: points,
            influences,
            joints: vec![0, 1],
            inverse_binds: rest.affines.iter().map(DAffine3::inverse).collect(),
            triangles,
            ..SkinnedMesh::default()
        };
        let surface = Surface {
            meshes: vec![mesh],
            ..Surface::default()
        };
        (Arc::new(skeleton), surface)
    }

    #[test]
    fn flesh_weighs_by_its_volume_and_goes_with_its_joint() {
        let (low, high) = (DVec3::new(1.0, 0.0, 2.0), DVec3::new(1.2, 0.6, 2.4));
        for is_inward in [false, true] {
            let (skeleton, surface) = two_halves(low, high, is_inward);
            let rest = skeleton.rest_world();
            let masses = Masses::of_flesh(&surface, &rest).unwrap();
            assert!((masses.whole() - 0.2 * 0.6 * 0.4).abs() < 1e-12);
            let middle = 0.5 * (low + high);
            assert!(masses.centre(&rest).distance(middle) < 1e-12);
            // The upper half, half of the mass, moves by 0.3 m.
            let mut locals = skeleton.rest_locals();
            locals[1] = Transform::from_translation(locals[1].translation + 0.3 * DVec3::Z);
            let moved = WorldPose::from_locals(&skeleton, &locals);
            let expected = middle + 0.15 * DVec3::Z;
            assert!(masses.centre(&moved).distance(expected) < 1e-12);
        }
    }

    #[test]
    fn a_skin_that_encloses_nothing_is_no_flesh() {
        let (skeleton, mut surface) = two_halves(DVec3::ZERO, DVec3::ONE, false);
        surface.meshes[0].triangles.clear();
        assert_eq!(Masses::of_flesh(&surface, &skeleton.rest_world()), None);
    }
}
