//! A skin in a pose: where it is touched, and how far two parts of it are apart.

use glam::DVec3;

use crate::pose::WorldPose;
use crate::skeleton::Skeleton;
use crate::surface::{SkinnedMesh, Surface};
use crate::triangle::{closest_on_triangle, is_inside, ray_triangle};

/// A skin with the joint that moves each vertex most.
#[derive(Clone, Debug)]
pub struct Skin {
    meshes: Vec<SkinnedMesh>,
    /// Per mesh and vertex.
    main_joints: Vec<Vec<usize>>,
    joint_count: usize,
}

/// A skin in one pose.
#[derive(Clone, Debug)]
pub struct PosedSkin<'a> {
    skin: &'a Skin,
    positions: Vec<Vec<DVec3>>,
}

/// How two parts of the skin lie to each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// Distance, metres; below 0 the depth of the deepest vertex of the first part in the second.
    pub metres: f64,
    /// The place on the first part.
    pub on_first: DVec3,
    /// The place on the second.
    pub on_second: DVec3,
}

impl Skin {
    /// The skin of a character.
    pub fn new(surface: &Surface, skeleton: &Skeleton) -> Self {
        let main = |mesh: &SkinnedMesh| {
            (0..mesh.bind_positions.len())
                .map(|vertex| mesh.main_joint(vertex).unwrap_or(0))
                .collect()
        };
        Self {
            main_joints: surface.meshes.iter().map(main).collect(),
            meshes: surface.meshes.clone(),
            joint_count: skeleton.len(),
        }
    }

    /// The skin in a pose.
    pub fn posed(&self, pose: &WorldPose) -> PosedSkin<'_> {
        PosedSkin {
            skin: self,
            positions: self.meshes.iter().map(|mesh| mesh.posed(pose)).collect(),
        }
    }

    fn mask(&self, joints: &[usize]) -> Vec<bool> {
        let mut mask = vec![false; self.joint_count];
        for &joint in joints {
            mask[joint] = true;
        }
        mask
    }
}

impl PosedSkin<'_> {
    /// Vertices that some joints move.
    pub fn vertices(&self, joints: &[usize]) -> Vec<DVec3> {
        let mask = self.skin.mask(joints);
        let meshes = self.positions.iter().zip(&self.skin.main_joints);
        meshes
            .flat_map(|(positions, main)| positions.iter().zip(main))
            .filter(|(_, joint)| mask[**joint])
            .map(|(position, _)| *position)
            .collect()
    }

    /// The vertex of some joints that lies farthest along a direction.
    pub fn farthest(&self, joints: &[usize], direction: DVec3) -> Option<DVec3> {
        let along = |point: &DVec3| point.dot(direction);
        self.vertices(joints)
            .into_iter()
            .max_by(|a, b| along(a).total_cmp(&along(b)))
    }

    /// Triangles whose first vertex some joints move.
    pub fn triangles(&self, joints: &[usize]) -> Vec<[DVec3; 3]> {
        let mask = self.skin.mask(joints);
        let mut found = Vec::new();
        for (mesh, positions) in self.positions.iter().enumerate() {
            let main = &self.skin.main_joints[mesh];
            let triangles = self.skin.meshes[mesh].triangles.iter();
            found.extend(
                triangles
                    .map(|triangle| triangle.map(|vertex| vertex as usize))
                    .filter(|triangle| mask[main[triangle[0]]])
                    .map(|triangle| triangle.map(|vertex| positions[vertex])),
            );
        }
        found
    }

    /// Where a ray from inside leaves the skin of some joints for the last time.
    pub fn ray_out(&self, joints: &[usize], from: DVec3, direction: DVec3) -> Option<DVec3> {
        self.triangles(joints)
            .iter()
            .filter_map(|triangle| ray_triangle(from, direction, triangle))
            .max_by(f64::total_cmp)
            .map(|way_m| from + direction * way_m)
    }

    /// How far the vertices that `first` moves are from the skin that `second` moves; nothing
    /// farther than `within_m` is looked at.
    pub fn gap(&self, first: &[usize], second: &[usize], within_m: f64) -> Option<Gap> {
        let vertices = self.vertices(first);
        let all = self.triangles(second);
        let low = vertices.iter().copied().reduce(DVec3::min)? - within_m;
        let high = vertices.iter().copied().reduce(DVec3::max)? + within_m;
        let near: Vec<Ball> = all
            .iter()
            .filter(|triangle| {
                let [a, b, c] = **triangle;
                let (least, most) = (a.min(b).min(c), a.max(b).max(c));
                least.cmple(high).all() && most.cmpge(low).all()
            })
            .map(|triangle| Ball::around(*triangle))
            .collect();
        let gaps = vertices.iter().filter_map(|&vertex| {
            let (on_second, triangle) = closest(vertex, &near, within_m)?;
            let far_m = vertex.distance(on_second);
            let [a, b, c] = triangle;
            let behind = (vertex - on_second).dot((b - a).cross(c - a)) < 0.0;
            // Behind the nearest triangle may still be outside, round an edge.
            let is_inside = behind && is_inside(vertex, &all);
            Some(Gap {
                metres: if is_inside { -far_m } else { far_m },
                on_first: vertex,
                on_second,
            })
        });
        gaps.min_by(|a, b| a.metres.total_cmp(&b.metres))
    }
}

/// A triangle in a ball, so that those far away can be passed over quickly.
struct Ball {
    corners: [DVec3; 3],
    centre: DVec3,
    radius_m: f64,
}

impl Ball {
    fn around(corners: [DVec3; 3]) -> Self {
        let centre = (corners[0] + corners[1] + corners[2]) / 3.0;
        let radius_m = corners
            .map(|c| c.distance(centre))
            .into_iter()
            .fold(0.0, f64::max);
        Self {
            corners,
            centre,
            radius_m,
        }
    }
}

/// The point of some triangles nearest to a point, and its triangle, not farther than `within_m`.
fn closest(point: DVec3, triangles: &[Ball], within_m: f64) -> Option<(DVec3, [DVec3; 3])> {
    let mut least_m = within_m;
    let mut found = None;
    for triangle in triangles {
        let reach_m = least_m + triangle.radius_m;
        if triangle.centre.distance_squared(point) > reach_m * reach_m {
            continue;
        }
        let on = closest_on_triangle(point, &triangle.corners);
        let far_m = on.distance(point);
        if far_m < least_m {
            least_m = far_m;
            found = Some((on, triangle.corners));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::Transform;
    use crate::skeleton::Joint;
    use crate::triangle::tests::box_triangles;

    /// A box of half a size around a place, moved by a joint, faces outward.
    fn brick(joint: usize, centre: DVec3, half_m: f64) -> SkinnedMesh {
        let corner = |i: u32| {
            let sign = |bit: u32| f64::from((i >> bit) & 1) * 2.0 - 1.0;
            centre + half_m * DVec3::new(sign(0), sign(1), sign(2))
        };
        SkinnedMesh {
            bind_positions: (0..8).map(corner).collect(),
            influences: vec![vec![(0, 1.0)]; 8],
            joints: vec![joint],
            inverse_binds: vec![glam::DAffine3::IDENTITY],
            triangles: box_triangles(),
            ..SkinnedMesh::default()
        }
    }

    #[test]
    fn a_brick_nears_touches_and_enters_another() {
        let joints = vec![
            Joint::new("still", None, DVec3::ZERO),
            Joint::new("moved", Some(0), DVec3::ZERO),
        ];
        let skeleton = Skeleton::new(joints).unwrap();
        let surface = Surface {
            meshes: vec![
                brick(0, DVec3::ZERO, 0.5),
                brick(1, DVec3::new(0.03, 0.02, 0.0), 0.1),
            ],
            ..Surface::default()
        };
        let poses: Vec<WorldPose> = [2.0, 0.62, 0.5, 0.4]
            .map(|x| {
                let mut locals = skeleton.rest_locals();
                locals[1] = Transform {
                    translation: DVec3::X * x,
                    ..Transform::IDENTITY
                };
                WorldPose::from_locals(&skeleton, &locals)
            })
            .into();
        let skin = Skin::new(&surface, &skeleton);
        let gaps: Vec<Option<Gap>> = poses
            .iter()
            .map(|pose| skin.posed(pose).gap(&[1], &[0], 0.5))
            .collect();
        // The near face of the small brick is 0.07 left of where it is moved to.
        let expected = [None, Some(0.05), Some(-0.07), Some(-0.17)];
        for (gap, expected) in gaps.iter().zip(expected) {
            match (gap, expected) {
                (Some(gap), Some(expected)) => {
                    assert!((gap.metres - expected).abs() < 1e-12, "{gap:?}");
                    assert!((gap.on_second.x - 0.5).abs() < 1e-12);
                }
                (gap, expected) => assert_eq!(gap.is_some(), expected.is_some()),
            }
        }
    }
}
