//! The performer's skin in a pose: where it is touched, and how far two parts of it are apart.

use std::f64::consts::TAU;

use glam::DVec3;
use understudy_motion::{Skeleton, SkinnedMesh, Surface, WorldPose};

/// The skin with the joint that moves each triangle most.
pub(crate) struct Skin {
    meshes: Vec<SkinnedMesh>,
    /// Per mesh and vertex.
    main_joints: Vec<Vec<usize>>,
    joint_count: usize,
}

/// The skin in one pose.
pub(crate) struct PosedSkin<'a> {
    skin: &'a Skin,
    positions: Vec<Vec<DVec3>>,
}

/// How two parts of the skin lie to each other.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Gap {
    /// Distance, metres; below 0 the depth of the deepest vertex of the first part in the second.
    pub(crate) metres: f64,
    /// The place on the first part.
    pub(crate) on_first: DVec3,
    /// The place on the second.
    pub(crate) on_second: DVec3,
}

impl Skin {
    /// The skin of a character.
    pub(crate) fn new(surface: &Surface, skeleton: &Skeleton) -> Self {
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
    pub(crate) fn posed(&self, pose: &WorldPose) -> PosedSkin<'_> {
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
    pub(crate) fn vertices(&self, joints: &[usize]) -> Vec<DVec3> {
        let mask = self.skin.mask(joints);
        let meshes = self.positions.iter().zip(&self.skin.main_joints);
        meshes
            .flat_map(|(positions, main)| positions.iter().zip(main))
            .filter(|(_, joint)| mask[**joint])
            .map(|(position, _)| *position)
            .collect()
    }

    /// The vertex of some joints that lies farthest along a direction.
    pub(crate) fn farthest(&self, joints: &[usize], direction: DVec3) -> Option<DVec3> {
        let along = |point: &DVec3| point.dot(direction);
        self.vertices(joints)
            .into_iter()
            .max_by(|a, b| along(a).total_cmp(&along(b)))
    }

    /// Triangles whose first vertex some joints move.
    pub(crate) fn triangles(&self, joints: &[usize]) -> Vec<[DVec3; 3]> {
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
    pub(crate) fn ray_out(&self, joints: &[usize], from: DVec3, direction: DVec3) -> Option<DVec3> {
        self.triangles(joints)
            .iter()
            .filter_map(|triangle| ray_triangle(from, direction, triangle))
            .max_by(f64::total_cmp)
            .map(|way_m| from + direction * way_m)
    }

    /// How far the vertices that `first` moves are from the skin that `second` moves; nothing
    /// farther than `within_m` is looked at.
    pub(crate) fn gap(&self, first: &[usize], second: &[usize], within_m: f64) -> Option<Gap> {
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

/// Whether a point lies inside closed triangles that may overlap: the solid angles sum to a whole
/// turn (van Oosterom & Strackee 1983, doi 10.1109/TBME.1983.325207).
fn is_inside(point: DVec3, triangles: &[[DVec3; 3]]) -> bool {
    let angle = |triangle: &[DVec3; 3]| {
        let [a, b, c] = triangle.map(|corner| corner - point);
        let (x, y, z) = (a.length(), b.length(), c.length());
        let volume = a.dot(b.cross(c));
        let below = x * y * z + a.dot(b) * z + b.dot(c) * x + c.dot(a) * y;
        2.0 * volume.atan2(below)
    };
    triangles.iter().map(angle).sum::<f64>() > TAU
}

/// Distance along a ray to a triangle (Möller & Trumbore 1997, doi 10.1080/10867651.1997.10487468).
fn ray_triangle(from: DVec3, direction: DVec3, [a, b, c]: &[DVec3; 3]) -> Option<f64> {
    let (edge_1, edge_2) = (*b - *a, *c - *a);
    let across = direction.cross(edge_2);
    let determinant = edge_1.dot(across);
    if determinant.abs() < 1e-18 {
        return None;
    }
    let offset = from - *a;
    let u = offset.dot(across) / determinant;
    let turned = offset.cross(edge_1);
    let v = direction.dot(turned) / determinant;
    let way_m = edge_2.dot(turned) / determinant;
    (u >= 0.0 && v >= 0.0 && u + v <= 1.0 && way_m > 0.0).then_some(way_m)
}

/// The point of a triangle nearest to a point (Ericson, *Real-Time Collision Detection*, 2005,
/// section 5.1.5).
fn closest_on_triangle(point: DVec3, [a, b, c]: &[DVec3; 3]) -> DVec3 {
    let (ab, ac, ap) = (*b - *a, *c - *a, point - *a);
    let (d1, d2) = (ab.dot(ap), ac.dot(ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return *a;
    }
    let bp = point - *b;
    let (d3, d4) = (ab.dot(bp), ac.dot(bp));
    if d3 >= 0.0 && d4 <= d3 {
        return *b;
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        return *a + ab * (d1 / (d1 - d3));
    }
    let cp = point - *c;
    let (d5, d6) = (ab.dot(cp), ac.dot(cp));
    if d6 >= 0.0 && d5 <= d6 {
        return *c;
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        return *a + ac * (d2 / (d2 - d6));
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 - d3 >= 0.0 && d5 - d6 >= 0.0 {
        return *b + (*c - *b) * ((d4 - d3) / ((d4 - d3) + (d5 - d6)));
    }
    let sum = va + vb + vc;
    if sum.abs() < 1e-300 {
        return *a;
    }
    *a + ab * (vb / sum) + ac * (vc / sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A closed box from 0 to 1.
    fn cube() -> Vec<[DVec3; 3]> {
        let corner =
            |i: u32| DVec3::new(f64::from(i & 1), f64::from((i >> 1) & 1), f64::from(i >> 2));
        let faces: [[u32; 4]; 6] = [
            [0, 2, 3, 1],
            [4, 5, 7, 6],
            [0, 1, 5, 4],
            [2, 6, 7, 3],
            [0, 4, 6, 2],
            [1, 3, 7, 5],
        ];
        faces
            .iter()
            .flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]])
            .map(|triangle| triangle.map(corner))
            .collect()
    }

    #[test]
    fn inside_and_outside_are_told_apart() {
        let cube = cube();
        assert!(is_inside(DVec3::splat(0.3), &cube));
        assert!(!is_inside(DVec3::new(1.2, 0.5, 0.5), &cube));
        // Two boxes that overlap count as one.
        let twice: Vec<_> = cube.iter().chain(&cube).copied().collect();
        assert!(is_inside(DVec3::splat(0.3), &twice));
    }

    #[test]
    fn nearest_points_and_rays_are_those_of_geometry() {
        let triangle = [DVec3::ZERO, DVec3::X, DVec3::Y];
        let check = |point: DVec3, expected: DVec3| {
            assert!(closest_on_triangle(point, &triangle).distance(expected) < 1e-12);
        };
        check(DVec3::new(0.2, 0.3, 2.0), DVec3::new(0.2, 0.3, 0.0));
        check(DVec3::new(-1.0, -1.0, 0.0), DVec3::ZERO);
        check(DVec3::new(1.0, 1.0, 0.0), DVec3::new(0.5, 0.5, 0.0));
        check(DVec3::new(0.5, -1.0, 0.0), DVec3::new(0.5, 0.0, 0.0));
        let out = cube()
            .iter()
            .filter_map(|t| ray_triangle(DVec3::splat(0.25), DVec3::X, t))
            .fold(0.0, f64::max);
        assert!((out - 0.75).abs() < 1e-12);
    }
}
