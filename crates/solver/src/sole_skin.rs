//! The skin of a foot: how high its lowest vertex is, for a rotation of ankle and toes.

use std::sync::Arc;

use understudy_anatomy::Leg;
use understudy_motion::{DQuat, DVec3, Skeleton, Surface, WorldPose};

use crate::floor::Floor;

/// Vertices that hang lower than the sole by no more than this share of the ankle's height are of it.
const OF_THE_SOLE: f64 = 0.01;

/// A foot of two rigid pieces in the world.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FootPose {
    /// Ankle, metres.
    pub(crate) ankle: DVec3,
    /// `world_from_ankle`.
    pub(crate) ankle_rotation: DQuat,
    /// Joint of the toes, metres.
    pub(crate) toe_joint: DVec3,
    /// `world_from_toe_joint`.
    pub(crate) toe_rotation: DQuat,
}

/// A vertex of a foot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Vertex {
    /// Place at rest from the ankle, in the axes of the ankle, metres.
    from_ankle: DVec3,
    /// Place at rest from the joint of the toes, in the axes of that joint, metres.
    from_toe_joint: DVec3,
    /// How much of it goes with the toes, 0 to 1; the rest goes with the ankle.
    pub(crate) toe_share: f64,
}

impl Vertex {
    /// Where the ankle alone has it, and where the toes alone, world, metres.
    pub(crate) fn by_each(&self, pose: &FootPose) -> [DVec3; 2] {
        [
            pose.ankle + pose.ankle_rotation * self.from_ankle,
            pose.toe_joint + pose.toe_rotation * self.from_toe_joint,
        ]
    }

    /// World, metres.
    pub(crate) fn place(&self, pose: &FootPose) -> DVec3 {
        let [by_ankle, by_toes] = self.by_each(pose);
        by_ankle.lerp(by_toes, self.toe_share)
    }
}

/// The skin of a foot, carried by linear blend skinning (glTF 2.0 section 3.7.3.3) with ankle and toes:
/// what hangs on single toes goes with the joint of all of them, what hangs on the shank with the ankle.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SoleSkin {
    vertices: Arc<[Vertex]>,
}

impl SoleSkin {
    /// The vertices that belong to the foot of a leg; `places` are those of all vertices at rest, mesh by
    /// mesh.
    pub(crate) fn new(
        (surface, places): (&Surface, &[Vec<DVec3>]),
        skeleton: &Skeleton,
        leg: &Leg,
        rest: &WorldPose,
    ) -> Self {
        let (ankle, toe_joint) = (leg.ankle, leg.toe_joint());
        let below = |top: usize| -> Vec<bool> {
            let mut is_below = vec![false; skeleton.len()];
            for joint in skeleton.subtree(top) {
                is_below[joint] = true;
            }
            is_below
        };
        let (of_foot, of_toes) = (below(ankle), below(toe_joint));
        let from = |joint: usize, place: DVec3| {
            rest.rotation(joint).inverse() * (place - rest.position(joint))
        };
        let mut vertices = Vec::new();
        for (mesh, places) in surface.meshes.iter().zip(places) {
            for (index, &place) in places.iter().enumerate() {
                if !mesh.main_joint(index).is_some_and(|joint| of_foot[joint]) {
                    continue;
                }
                let influences = mesh.influences[index].iter();
                let of_toes = influences.filter(|(slot, _)| of_toes[mesh.joints[*slot]]);
                vertices.push(Vertex {
                    from_ankle: from(ankle, place),
                    from_toe_joint: from(toe_joint, place),
                    toe_share: match ankle == toe_joint {
                        true => 0.0,
                        false => of_toes.map(|(_, weight)| weight).sum(),
                    },
                });
            }
        }
        Self {
            vertices: vertices.into(),
        }
    }

    /// Without what hangs lower than the sole where the foot stands flat (claws, quills): that is how the
    /// foot is made. `pose` is the flat foot, its ankle at the origin, `sole_m` the height of the sole.
    pub(crate) fn above_sole(&self, pose: &FootPose, sole_m: f64) -> Self {
        let least_m = sole_m - OF_THE_SOLE * sole_m.abs();
        let level = Floor::default();
        let heights = self.heights(pose, &level);
        let kept = heights.zip(self.vertices.iter());
        let kept = kept.filter(|(height_m, _)| *height_m >= least_m);
        Self {
            vertices: kept.map(|(_, vertex)| *vertex).collect(),
        }
    }

    /// How far ahead of `below` (a point of the sole), up to `room_m` along `forward`, the skin begins that
    /// goes with the toes alone, or as nearly so as any on this way does, metres. A point of the sole goes as
    /// the vertex nearest to it. Of the flat foot, its ankle at the origin.
    pub(crate) fn toes_begin_m(
        &self,
        pose: &FootPose,
        below: DVec3,
        (forward, room_m): (DVec3, f64),
    ) -> f64 {
        const STEPS: usize = 20;
        /// Shares that differ by no more are as good as each other.
        const AS_GOOD: f64 = 0.002;
        let vertices = self.vertices.iter();
        let places: Vec<(DVec3, f64)> = vertices
            .map(|vertex| (vertex.place(pose), vertex.toe_share))
            .collect();
        let steps = (0..=STEPS).map(|step| room_m * step as f64 / STEPS as f64);
        let shares = steps.map(|ahead_m| {
            let at = below + forward * ahead_m;
            let away = |of: &(DVec3, f64)| of.0.distance_squared(at);
            let nearest = places.iter().min_by(|a, b| away(a).total_cmp(&away(b)));
            (ahead_m, nearest.map_or(0.0, |(_, share)| *share))
        });
        let shares: Vec<(f64, f64)> = shares.collect();
        let most = shares.iter().map(|(_, share)| *share).fold(0.0, f64::max);
        let first = shares.iter().find(|(_, share)| *share >= most - AS_GOOD);
        first.map_or(0.0, |(ahead_m, _)| *ahead_m)
    }

    /// Height of the lowest vertex above a floor, metres along Y; `None` where there is no skin.
    pub(crate) fn lowest_m(&self, pose: &FootPose, floor: &Floor) -> Option<f64> {
        self.heights(pose, floor).reduce(f64::min)
    }

    /// The vertices farthest out, of those that go with the ankle and of those that go with the toes, at rest
    /// and in 26 directions.
    pub(crate) fn farthest_vertices(&self) -> Vec<Vertex> {
        let steps = [-1.0, 0.0, 1.0];
        let directions = steps
            .iter()
            .flat_map(|&x| steps.map(|y| (x, y)))
            .flat_map(|(x, y)| steps.map(|z| DVec3::new(x, y, z)))
            .filter(|direction| *direction != DVec3::ZERO);
        let mut found: Vec<usize> = directions
            .flat_map(|direction| {
                [false, true].map(|is_of_toes| {
                    let all = self.vertices.iter().enumerate();
                    let own = all.filter(|(_, vertex)| (vertex.toe_share > 0.5) == is_of_toes);
                    let far = |vertex: &Vertex| vertex.from_ankle.dot(direction);
                    let farthest = own.max_by(|a, b| far(a.1).total_cmp(&far(b.1)));
                    farthest.map(|(index, _)| index)
                })
            })
            .flatten()
            .collect();
        found.sort_unstable();
        found.dedup();
        found
            .into_iter()
            .map(|index| self.vertices[index])
            .collect()
    }

    /// The lowest vertices above a floor, up to `within_m` higher than the lowest of all.
    pub(crate) fn lowest_vertices(
        &self,
        pose: &FootPose,
        floor: &Floor,
        within_m: f64,
    ) -> Vec<Vertex> {
        let Some(least_m) = self.lowest_m(pose, floor) else {
            return Vec::new();
        };
        let heights = self.heights(pose, floor).zip(self.vertices.iter());
        let lowest = heights.filter(|(height_m, _)| *height_m <= least_m + within_m);
        lowest.map(|(_, vertex)| *vertex).collect()
    }

    /// Heights of all vertices above a floor, metres along Y.
    fn heights(&self, pose: &FootPose, floor: &Floor) -> impl Iterator<Item = f64> {
        // Heights are linear in the place: a plane seen from each joint.
        let normal = floor.normal / floor.normal.y;
        let ankle = (
            floor.above(pose.ankle),
            pose.ankle_rotation.inverse() * normal,
        );
        let toes = (
            floor.above(pose.toe_joint),
            pose.toe_rotation.inverse() * normal,
        );
        self.vertices.iter().map(move |vertex| {
            let by_ankle = ankle.0 + ankle.1.dot(vertex.from_ankle);
            let by_toes = toes.0 + toes.1.dot(vertex.from_toe_joint);
            by_ankle + vertex.toe_share * (by_toes - by_ankle)
        })
    }
}
