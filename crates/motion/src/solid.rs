//! A part of a skin as a solid: closed where it was cut off, asked for what lies inside and how
//! deep.

use std::collections::HashMap;

use glam::DVec3;

use crate::box_tree::{Bounds, BoxTree};
use crate::triangle::{closest_on_triangle, crossing, winding};

/// Triangles closed to a solid. They keep together when they move, so the tree over them is made
/// once.
///
/// Where the triangles have a border, each connected piece of the border gets a cap: its edges
/// are joined to their middle. What is closed so has a whole winding number at every point that is
/// not on it, whatever holes and seams it had (Jacobson et al. 2013, *Robust inside-outside
/// segmentation using generalized winding numbers*, doi 10.1145/2461912.2461916, close nothing and
/// round instead).
#[derive(Clone, Debug)]
pub struct Solid {
    /// Skin first, then caps.
    triangles: Vec<[u32; 3]>,
    skin_count: usize,
    /// Border vertices of each cap; its middle is the vertex after all others.
    borders: Vec<Vec<u32>>,
    tree: BoxTree,
    /// Whether the triangles face inward.
    is_inverted: bool,
}

/// A solid in a pose.
#[derive(Clone, Debug)]
pub struct PosedSolid<'a> {
    solid: &'a Solid,
    points: Vec<DVec3>,
    boxes: Vec<Bounds>,
}

impl Solid {
    /// Closes triangles over some points.
    ///
    /// # Panics
    /// If a triangle has a corner that is none of the points.
    pub fn new(points: &[DVec3], mut triangles: Vec<[u32; 3]>) -> Self {
        let skin_count = triangles.len();
        let edges = open_edges(&triangles);
        let borders = pieces(&edges);
        for [from, to] in edges {
            let holds = |border: &Vec<u32>| border.binary_search(&from).is_ok();
            if let Some(cap) = borders.iter().position(holds) {
                triangles.push([to, from, (points.len() + cap) as u32]);
            }
        }
        let mut solid = Self {
            triangles,
            skin_count,
            borders,
            tree: BoxTree::new(0, |_| [DVec3::ZERO; 3]),
            is_inverted: false,
        };
        let all = solid.with_middles(points);
        solid.tree = BoxTree::new(solid.triangles.len(), |i| solid.corners(&all, i));
        let volume_m3: f64 = (0..solid.triangles.len())
            .map(|i| solid.corners(&all, i))
            .map(|[a, b, c]| (a - all[0]).dot((b - all[0]).cross(c - all[0])))
            .sum();
        solid.is_inverted = volume_m3 < 0.0;
        solid
    }

    /// The solid with its points, in the order it was made with, elsewhere.
    pub fn posed(&self, points: &[DVec3]) -> PosedSolid<'_> {
        let points = self.with_middles(points);
        let boxes = self.tree.fitted(|i| self.corners(&points, i));
        PosedSolid {
            solid: self,
            points,
            boxes,
        }
    }

    fn with_middles(&self, points: &[DVec3]) -> Vec<DVec3> {
        let middle = |border: &Vec<u32>| {
            let sum: DVec3 = border.iter().map(|&vertex| points[vertex as usize]).sum();
            sum / border.len() as f64
        };
        let middles = self.borders.iter().map(middle);
        points.iter().copied().chain(middles).collect()
    }

    fn corners(&self, points: &[DVec3], triangle: usize) -> [DVec3; 3] {
        self.triangles[triangle].map(|vertex| points[vertex as usize])
    }
}

/// Edges of triangles that no other triangle has the other way round, one for each time.
fn open_edges(triangles: &[[u32; 3]]) -> Vec<[u32; 2]> {
    let mut counts: HashMap<[u32; 2], i32> = HashMap::new();
    for &[a, b, c] in triangles {
        for [from, to] in [[a, b], [b, c], [c, a]] {
            let (edge, way) = if from < to {
                ([from, to], 1)
            } else {
                ([to, from], -1)
            };
            *counts.entry(edge).or_default() += way;
        }
    }
    let mut open: Vec<[u32; 2]> = counts
        .into_iter()
        .flat_map(|([low, high], count)| {
            let edge = if count > 0 { [low, high] } else { [high, low] };
            std::iter::repeat_n(edge, count.unsigned_abs() as usize)
        })
        .filter(|[from, to]| from != to)
        .collect();
    open.sort_unstable();
    open
}

/// The vertices of edges, those that hang together in one list, in order.
fn pieces(edges: &[[u32; 2]]) -> Vec<Vec<u32>> {
    let mut above: HashMap<u32, u32> = HashMap::new();
    fn top(above: &mut HashMap<u32, u32>, mut vertex: u32) -> u32 {
        while let Some(&next) = above.get(&vertex).filter(|&&next| next != vertex) {
            let beyond = above.get(&next).copied().unwrap_or(next);
            above.insert(vertex, beyond);
            vertex = beyond;
        }
        vertex
    }
    for &[from, to] in edges {
        let (a, b) = (top(&mut above, from), top(&mut above, to));
        above.insert(a.max(b), a.min(b));
    }
    let mut vertices: Vec<u32> = edges.iter().flatten().copied().collect();
    vertices.sort_unstable();
    vertices.dedup();
    let mut found: Vec<(u32, Vec<u32>)> = Vec::new();
    for vertex in vertices {
        let first = top(&mut above, vertex);
        match found.iter_mut().find(|(of, _)| *of == first) {
            Some((_, piece)) => piece.push(vertex),
            None => found.push((first, vec![vertex])),
        }
    }
    found.into_iter().map(|(_, piece)| piece).collect()
}

impl PosedSolid<'_> {
    /// The box around it; the whole space the wrong way round where it has no triangles.
    pub fn bounds(&self) -> Bounds {
        let nothing = [DVec3::INFINITY, DVec3::NEG_INFINITY];
        self.boxes.first().copied().unwrap_or(nothing)
    }

    /// Whether a point lies inside.
    pub fn is_inside(&self, point: DVec3) -> bool {
        let [low, high] = self.bounds();
        if !(point.cmpge(low).all() && point.cmple(high).all()) {
            return false;
        }
        let turns = self
            .crossings(point, way_out(point, [low, high]))
            .unwrap_or_else(|| {
                // The ray met an edge.
                let all = (0..self.solid.triangles.len()).map(|i| self.corners(i));
                winding(point, &all.collect::<Vec<_>>()).round() as i32
            });
        if self.solid.is_inverted {
            turns < 0
        } else {
            turns > 0
        }
    }

    /// How often a ray leaves less how often it enters: how often the solid winds about its start.
    fn crossings(&self, from: DVec3, direction: DVec3) -> Option<i32> {
        let inverse = direction.recip();
        let mut turns = Some(0);
        self.solid.tree.visit(
            &self.boxes,
            |bounds| {
                let (a, b) = ((bounds[0] - from) * inverse, (bounds[1] - from) * inverse);
                let (enters, leaves) = (a.min(b).max_element(), a.max(b).min_element());
                leaves >= 0.0 && enters <= leaves
            },
            |triangle| {
                let way = crossing(from, direction, &self.corners(triangle));
                turns = turns.zip(way).map(|(turns, way)| turns + way);
            },
        );
        turns
    }

    /// The point of the skin, caps left out, nearest to a point and nearer than `within_m`.
    pub fn closest(&self, point: DVec3, within_m: f64) -> Option<DVec3> {
        let bound = |bounds: &Bounds| point.distance_squared(point.clamp(bounds[0], bounds[1]));
        let value = |triangle: usize| {
            if triangle >= self.solid.skin_count {
                return f64::INFINITY;
            }
            let on = closest_on_triangle(point, &self.corners(triangle));
            on.distance_squared(point)
        };
        let limit = within_m * within_m;
        let tree = &self.solid.tree;
        let (triangle, _) = tree.least(&self.boxes, limit, bound, value)?;
        Some(closest_on_triangle(point, &self.corners(triangle)))
    }

    /// How deep a point lies below the skin, metres; `None` outside.
    pub fn depth_m(&self, point: DVec3) -> Option<f64> {
        if !self.is_inside(point) {
            return None;
        }
        let on = self.closest(point, f64::INFINITY)?;
        Some(on.distance(point))
    }

    fn corners(&self, triangle: usize) -> [DVec3; 3] {
        self.solid.corners(&self.points, triangle)
    }
}

/// The direction in which a point of a box is soonest out of it, a little aslant so that rays do
/// not run along faces and edges of models made on a grid.
fn way_out(point: DVec3, [low, high]: Bounds) -> DVec3 {
    let (down, up) = ((point - low).to_array(), (high - point).to_array());
    let ways = (0..3).flat_map(|axis| [(axis, -1.0, down[axis]), (axis, 1.0, up[axis])]);
    let nearest = ways.min_by(|a, b| a.2.total_cmp(&b.2));
    let mut direction = [0.001_234_567, 0.000_765_432_1, -0.000_987_654_3];
    if let Some((axis, sign, _)) = nearest {
        direction[axis] = sign;
    }
    DVec3::from_array(direction)
}

#[cfg(test)]
mod tests {
    use super::*;
    use parry3d_f64::query::PointQuery;
    use parry3d_f64::shape::{TriMesh, TriMeshFlags};
    use proptest::prelude::*;
    use std::f64::consts::{PI, TAU};

    /// A ball of radius 1, rings of points from pole to pole.
    fn ball(rings: u32, sectors: u32) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let mut points = vec![DVec3::Y];
        for ring in 1..rings {
            let (sin, cos) = (PI * f64::from(ring) / f64::from(rings)).sin_cos();
            points.extend((0..sectors).map(|sector| {
                let (x, z) = (TAU * f64::from(sector) / f64::from(sectors)).sin_cos();
                DVec3::new(sin * x, cos, sin * z)
            }));
        }
        points.push(DVec3::NEG_Y);
        let at = |ring: u32, sector: u32| match ring {
            0 => 0,
            ring if ring == rings => 1 + (rings - 1) * sectors,
            ring => 1 + (ring - 1) * sectors + sector % sectors,
        };
        let triangles = (0..rings)
            .flat_map(|ring| (0..sectors).map(move |sector| (ring, sector)))
            .flat_map(|(r, s)| {
                [
                    [at(r, s), at(r + 1, s), at(r + 1, s + 1)],
                    [at(r, s), at(r + 1, s + 1), at(r, s + 1)],
                ]
            })
            .filter(|[a, b, c]| a != b && b != c && c != a)
            .collect();
        (points, triangles)
    }

    /// A ball whose triangles all lie nearer to a side than `to`.
    fn cup(to: f64) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let (points, mut triangles) = ball(24, 24);
        triangles.retain(|t| t.iter().all(|&i| points[i as usize].y < to));
        (points, triangles)
    }

    #[test]
    fn a_ball_is_as_deep_as_its_radius() {
        let (points, triangles) = ball(40, 40);
        for facing in [1, -1] {
            let turned = triangles.iter().map(|&[a, b, c]| match facing {
                1 => [a, b, c],
                _ => [a, c, b],
            });
            let solid = Solid::new(&points, turned.collect());
            let posed = solid.posed(&points);
            // The flat faces lie within 2 mm below a ball of 1 m: 1 - cos(π/40).
            for depth_m in [0.01, 0.3, 0.7] {
                let place = (1.0 - depth_m) * DVec3::new(0.6, 0.48, 0.64);
                let found = posed.depth_m(place).unwrap();
                assert!((found - depth_m).abs() < 0.004, "{depth_m} {found}");
            }
            assert_eq!(posed.depth_m(1.01 * DVec3::X), None);
            assert_eq!(posed.depth_m(DVec3::splat(0.7)), None);
        }
    }

    #[test]
    fn what_is_cut_open_is_closed_flat() {
        let (points, triangles) = cup(0.3);
        let solid = Solid::new(&points, triangles);
        let posed = solid.posed(&points);
        let rim = points.iter().map(|p| p.y).filter(|y| *y < 0.3);
        let rim = rim.fold(-1.0, f64::max);
        for x in [0.0, 0.4, -0.7] {
            assert!(posed.is_inside(DVec3::new(x, rim - 0.001, 0.1)), "{x}");
            assert!(!posed.is_inside(DVec3::new(x, rim + 0.001, 0.1)), "{x}");
        }
        // The cap is no skin: the middle of the rim is as deep as the skin is far.
        let depth_m = posed.depth_m(DVec3::Y * (rim - 0.001)).unwrap();
        assert!((depth_m - 1.0).abs() < 0.05, "{depth_m}");
    }

    #[test]
    fn two_openings_are_closed_each() {
        let (points, mut triangles) = ball(24, 24);
        triangles.retain(|t| t.iter().all(|&i| points[i as usize].y.abs() < 0.7));
        let solid = Solid::new(&points, triangles);
        let posed = solid.posed(&points);
        assert_eq!(solid.borders.len(), 2);
        assert!(posed.is_inside(DVec3::Y * 0.6) && posed.is_inside(DVec3::Y * -0.6));
        assert!(!posed.is_inside(DVec3::Y * 0.72) && !posed.is_inside(DVec3::Y * -0.72));
    }

    #[test]
    fn nothing_has_no_inside() {
        let solid = Solid::new(&[], Vec::new());
        let posed = solid.posed(&[]);
        assert!(!posed.is_inside(DVec3::ZERO));
        assert_eq!(posed.closest(DVec3::ZERO, 1.0), None);
    }

    proptest! {
        /// Another implementation, that of the parry library, which tells the sides apart by
        /// angle-weighted normals (Bærentzen & Aanæs 2005, doi 10.1109/TVCG.2005.49).
        #[test]
        fn another_library_says_the_same(
            seeds in prop::array::uniform32(-1.0..1.0f64),
            places in prop::collection::vec(prop::array::uniform3(-1.3..1.3f64), 20),
        ) {
            let (mut points, triangles) = ball(8, 11);
            for (index, point) in points.iter_mut().enumerate() {
                *point *= 1.0 + 0.25 * seeds[index % 32];
            }
            // The tree is that of another pose.
            let solid = Solid::new(&ball(8, 11).0, triangles.clone());
            let posed = solid.posed(&points);
            let corners = points.iter().map(|p| parry3d_f64::math::Vector::new(p.x, p.y, p.z));
            let flags = TriMeshFlags::ORIENTED;
            let other = TriMesh::with_flags(corners.collect(), triangles, flags).unwrap();
            for place in places {
                let query = parry3d_f64::math::Vector::from_array(place);
                let place = DVec3::from_array(place);
                let projected = other.project_local_point(query, false);
                let near = DVec3::from_array(projected.point.to_array());
                let found = posed.closest(place, 10.0).unwrap();
                prop_assert!((found.distance(place) - near.distance(place)).abs() < 1e-9);
                if found.distance(place) > 1e-9 {
                    prop_assert_eq!(posed.is_inside(place), projected.is_inside);
                }
            }
        }
    }
}
