//! Triangles and points: what is nearest, what a ray hits, what lies inside.

use std::f64::consts::TAU;

use glam::DVec3;

/// Whether a point lies inside closed triangles that may overlap.
pub fn is_inside(point: DVec3, triangles: &[[DVec3; 3]]) -> bool {
    winding(point, triangles.iter().copied()) > 0.5
}

/// How often triangles wind about a point, as the solid angles at which it sees them sum to whole
/// turns (van Oosterom & Strackee 1983, doi 10.1109/TBME.1983.325207).
pub fn winding(point: DVec3, triangles: impl IntoIterator<Item = [DVec3; 3]>) -> f64 {
    let angle = |triangle: [DVec3; 3]| {
        let [a, b, c] = triangle.map(|corner| corner - point);
        let (x, y, z) = (a.length(), b.length(), c.length());
        let volume = a.dot(b.cross(c));
        let below = x * y * z + a.dot(b) * z + b.dot(c) * x + c.dot(a) * y;
        2.0 * volume.atan2(below)
    };
    triangles.into_iter().map(angle).sum::<f64>() / (2.0 * TAU)
}

/// Distance along a ray to a triangle.
pub fn ray_triangle(from: DVec3, direction: DVec3, triangle: &[DVec3; 3]) -> Option<f64> {
    let hit = meeting(from, direction, triangle)?;
    (hit.inside >= 0.0 && hit.way_m > 0.0).then_some(hit.way_m)
}

/// How close to an edge, as a share of the triangle, a ray must pass to be none that tells.
const EDGE: f64 = 1e-9;

/// How a ray passes a triangle.
pub(crate) enum Passage {
    /// It misses it.
    Beside,
    /// It meets an edge or a corner, which belong to other triangles too.
    Edge,
    /// Through it, after so many metres where the direction has a length of 1: turn is 1 where it
    /// leaves through the outer side, -1 where it enters.
    Through { way_m: f64, turn: i32 },
}

/// How a ray passes a triangle.
pub(crate) fn passage(from: DVec3, direction: DVec3, triangle: &[DVec3; 3]) -> Passage {
    match meeting(from, direction, triangle) {
        Some(hit) if hit.way_m <= 0.0 || hit.inside < -EDGE => Passage::Beside,
        Some(hit) if hit.inside <= EDGE => Passage::Edge,
        Some(hit) => hit.through(),
        None => Passage::Beside,
    }
}

/// How a line from one point to another passes a triangle: by an edge also where it ends on it, or
/// runs along it.
pub(crate) fn passage_between(from: DVec3, to: DVec3, triangle: &[DVec3; 3]) -> Passage {
    let Some(hit) = meeting(from, to - from, triangle) else {
        return Passage::Edge;
    };
    let (way, inside) = (hit.way_m, hit.inside);
    if inside < -EDGE || !(-EDGE..=1.0 + EDGE).contains(&way) {
        Passage::Beside
    } else if inside > EDGE && (EDGE..1.0 - EDGE).contains(&way) {
        hit.through()
    } else {
        Passage::Edge
    }
}

/// Where a ray meets the plane of a triangle.
struct Meeting {
    way_m: f64,
    /// The least of the three barycentric coordinates: below 0 outside the triangle.
    inside: f64,
    /// Whether the ray runs the way the triangle faces.
    leaves: bool,
}

impl Meeting {
    fn through(&self) -> Passage {
        Passage::Through {
            way_m: self.way_m,
            turn: if self.leaves { 1 } else { -1 },
        }
    }
}

/// Möller & Trumbore 1997, doi 10.1080/10867651.1997.10487468.
fn meeting(from: DVec3, direction: DVec3, [a, b, c]: &[DVec3; 3]) -> Option<Meeting> {
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
    Some(Meeting {
        way_m: edge_2.dot(turned) / determinant,
        inside: u.min(v).min(1.0 - u - v),
        leaves: determinant < 0.0,
    })
}

/// Shares of the corners of a triangle at one of its points, which sum to 1 (Ericson, *Real-Time Collision Detection*,
/// 2005, section 3.4).
pub fn corner_shares(point: DVec3, [a, b, c]: &[DVec3; 3]) -> [f64; 3] {
    let normal = (*b - *a).cross(*c - *a);
    let whole = normal.length_squared().max(f64::MIN_POSITIVE);
    let share = |from: DVec3, to: DVec3| (to - from).cross(point - from).dot(normal) / whole;
    let (of_c, of_a) = (share(*a, *b), share(*b, *c));
    [of_a, 1.0 - of_a - of_c, of_c]
}

/// The point of a triangle nearest to a point (Ericson, *Real-Time Collision Detection*, 2005,
/// section 5.1.5).
pub fn closest_on_triangle(point: DVec3, [a, b, c]: &[DVec3; 3]) -> DVec3 {
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
pub(crate) mod tests {
    use super::*;

    /// Triangles of a box, faces outward; bits 0, 1, 2 of a corner's number say whether it lies at the
    /// far end along x, y, z.
    pub(crate) fn box_triangles() -> Vec<[u32; 3]> {
        let faces: [[u32; 4]; 6] = [
            [0, 2, 3, 1],
            [4, 5, 7, 6],
            [0, 1, 5, 4],
            [2, 6, 7, 3],
            [0, 4, 6, 2],
            [1, 3, 7, 5],
        ];
        let halves = faces.iter().map(|&[a, b, c, d]| [[a, b, c], [a, c, d]]);
        halves.flatten().collect()
    }

    /// A closed box from 0 to 1.
    fn cube() -> Vec<[DVec3; 3]> {
        let corner =
            |i: u32| DVec3::new(f64::from(i & 1), f64::from((i >> 1) & 1), f64::from(i >> 2));
        let triangles = box_triangles().into_iter();
        triangles.map(|triangle| triangle.map(corner)).collect()
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

    #[test]
    fn shares_of_a_triangle_tell_where_a_point_lies() {
        let corners = [DVec3::ZERO, DVec3::X, DVec3::new(0.0, 2.0, 0.0)];
        let found = corner_shares(DVec3::new(0.25, 0.5, 0.0), &corners);
        for (found, expected) in found.into_iter().zip([0.5, 0.25, 0.25]) {
            assert!((found - expected).abs() < 1e-12, "{found}");
        }
    }
}
