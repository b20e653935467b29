//! Even triangles of a wanted size: short edges are collapsed, edges flipped and vertices moved
//! within the surface, as Botsch & Kobbelt 2004 do (*A Remeshing Approach to Multiresolution
//! Modeling*, doi 10.1145/1057432.1057457), with a size that varies from place to place and vertices
//! kept on the surface of the field. The mesh starts finer than wanted, so no edge is ever split.

use glam::{DMat3, DVec3};

use crate::field::Field;
use crate::grid::{HalfMesh, compact};

/// Rounds of collapsing; each goes a little further, so that edges stay even.
const COLLAPSE_ROUNDS: usize = 9;
/// Rounds of flipping and moving afterwards.
const RELAX_ROUNDS: usize = 4;
/// Most triangles at a vertex after a collapse.
const MOST_VALENCE: usize = 9;
/// A triangle may turn by as much as this in a step, as a cosine.
const LEAST_TURN: f64 = 0.3;

/// Length of edge wanted at each place.
pub(crate) struct Sizes<'a> {
    field: &'a Field,
    factor: f64,
}

impl<'a> Sizes<'a> {
    /// Sizes that give about `most_vertices` on a half mesh, or fewer.
    pub(crate) fn new(field: &'a Field, mesh: &HalfMesh, most_vertices: f64) -> Self {
        let plain = Self { field, factor: 1.0 };
        // Equilateral triangles of edge e: 0.866 e² per vertex.
        let expected: f64 = mesh
            .triangles
            .iter()
            .map(|triangle| {
                let [a, b, c] = triangle.map(|corner| mesh.positions[corner as usize]);
                let area = 0.5 * (b - a).cross(c - a).length();
                area / (0.866 * plain.at((a + b + c) / 3.0).powi(2))
            })
            .sum();
        Self {
            field,
            factor: (expected / most_vertices).sqrt().max(1.0),
        }
    }

    fn at(&self, point: DVec3) -> f64 {
        let near = self.field.near(point);
        let closest = near
            .iter()
            .map(|n| n.distance_m.abs())
            .fold(f64::INFINITY, f64::min);
        // Sizes grow gently away from fine pieces.
        let size = near
            .iter()
            .map(|n| n.piece.grain_m + 0.5 * (n.distance_m.abs() - closest).max(0.0))
            .fold(f64::INFINITY, f64::min);
        if size.is_finite() {
            size * self.factor
        } else {
            self.factor
        }
    }
}

/// The mesh with triangles of the sizes wanted.
pub(crate) fn remeshed(mesh: HalfMesh, field: &Field, cell_m: f64, sizes: &Sizes<'_>) -> HalfMesh {
    let mut work = Work::new(mesh, field, cell_m);
    work.draw_onto_surface();
    work.wanted = work.positions.iter().map(|&p| sizes.at(p)).collect();
    for round in 0..COLLAPSE_ROUNDS {
        // From the grid's own edges to whatever is wanted.
        let limit_m = match round + 1 {
            COLLAPSE_ROUNDS => f64::INFINITY,
            _ => cell_m * 1.35_f64.powi(round as i32),
        };
        work.collapse(limit_m);
        if round % 2 == 1 {
            work.flip();
            work.relax();
        }
    }
    for _ in 0..RELAX_ROUNDS {
        work.collapse(f64::INFINITY);
        work.flip();
        work.relax();
    }
    if field.is_faceted() {
        work.sharpen();
    }
    work.into_mesh()
}

struct Work<'a> {
    field: &'a Field,
    cell_m: f64,
    positions: Vec<DVec3>,
    triangles: Vec<[u32; 3]>,
    alive: Vec<bool>,
    /// Triangles at each vertex.
    around: Vec<Vec<u32>>,
    /// Length of edge wanted at each vertex, metres.
    wanted: Vec<f64>,
}

impl<'a> Work<'a> {
    fn new(mesh: HalfMesh, field: &'a Field, cell_m: f64) -> Self {
        let mut around = vec![Vec::new(); mesh.positions.len()];
        for (index, triangle) in mesh.triangles.iter().enumerate() {
            for &corner in triangle {
                around[corner as usize].push(index as u32);
            }
        }
        Self {
            field,
            cell_m,
            alive: vec![true; mesh.triangles.len()],
            positions: mesh.positions,
            triangles: mesh.triangles,
            around,
            wanted: Vec::new(),
        }
    }

    fn into_mesh(self) -> HalfMesh {
        let triangles: Vec<[u32; 3]> = self
            .triangles
            .iter()
            .zip(&self.alive)
            .filter(|(_, alive)| **alive)
            .map(|(triangle, _)| *triangle)
            .collect();
        compact(&self.positions, &triangles)
    }

    fn at(&self, vertex: u32) -> DVec3 {
        self.positions[vertex as usize]
    }

    fn on_seam(&self, vertex: u32) -> bool {
        self.at(vertex).x == 0.0
    }

    /// Vertices next to one, in order of their numbers.
    fn neighbours(&self, vertex: u32) -> Vec<u32> {
        let mut found: Vec<u32> = self.around[vertex as usize]
            .iter()
            .flat_map(|&triangle| self.triangles[triangle as usize])
            .filter(|&corner| corner != vertex)
            .collect();
        found.sort_unstable();
        found.dedup();
        found
    }

    fn draw_onto_surface(&mut self) {
        for vertex in 0..self.positions.len() as u32 {
            let to = self.field.onto_surface(self.at(vertex), self.cell_m);
            self.try_move(vertex, to);
        }
    }

    /// Moves a vertex unless it crosses the plane of symmetry or turns a triangle over.
    fn try_move(&mut self, vertex: u32, to: DVec3) {
        let seam_crossed = !self.on_seam(vertex) && to.x <= 1e-3 * self.cell_m;
        let triangles = &self.around[vertex as usize];
        if seam_crossed
            || self.turns_over(triangles, |corner| {
                if corner == vertex {
                    to
                } else {
                    self.at(corner)
                }
            })
        {
            return;
        }
        self.positions[vertex as usize] = to;
    }

    /// Whether triangles turn too far, or vanish, when their corners go elsewhere.
    fn turns_over(&self, triangles: &[u32], place: impl Fn(u32) -> DVec3) -> bool {
        triangles.iter().any(|&triangle| {
            let corners = self.triangles[triangle as usize];
            let before = normal(corners.map(|corner| self.at(corner)));
            let points = corners.map(&place);
            let after = normal(points);
            let longest = longest_squared(points);
            after.length() < 0.04 * longest
                || after.dot(before) < LEAST_TURN * after.length() * before.length()
        })
    }

    /// Collapses edges shorter than wanted, or than a limit.
    fn collapse(&mut self, limit_m: f64) {
        for vertex in 0..self.positions.len() as u32 {
            if self.around[vertex as usize].is_empty() {
                continue;
            }
            let mut shortest: Option<(f64, u32)> = None;
            for other in self.neighbours(vertex) {
                let length = self.at(vertex).distance(self.at(other));
                let wanted = self.wanted[vertex as usize].min(self.wanted[other as usize]);
                if length < (0.8 * wanted).min(limit_m) && shortest.is_none_or(|s| length < s.0) {
                    shortest = Some((length, other));
                }
            }
            if let Some((_, other)) = shortest {
                self.try_collapse(vertex, other);
            }
        }
    }

    fn try_collapse(&mut self, a: u32, b: u32) {
        let (seam_a, seam_b) = (self.on_seam(a), self.on_seam(b));
        let near_a = self.neighbours(a);
        let near_b = self.neighbours(b);
        let common: Vec<u32> = near_a
            .iter()
            .copied()
            .filter(|vertex| near_b.binary_search(vertex).is_ok())
            .collect();
        let (dying, others): (Vec<u32>, Vec<u32>) = self.around[a as usize]
            .iter()
            .chain(&self.around[b as usize])
            .copied()
            .partition(|&triangle| {
                let corners = self.triangles[triangle as usize];
                corners.contains(&a) && corners.contains(&b)
            });
        // Both triangles of an inner edge are listed twice.
        let faces = dying.len() / 2;
        let is_border = seam_a && seam_b && faces == 1;
        if (seam_a && seam_b && !is_border) || common.len() != faces {
            return;
        }
        if !is_border && faces != 2 {
            return;
        }
        // No new edge may join two vertices of the seam across the surface.
        let new_seam_edge = |kept: bool, near: &[u32], this: u32, other: u32| {
            kept && near.iter().any(|&n| {
                n != this && n != other && self.on_seam(n) && common.binary_search(&n).is_err()
            })
        };
        if !is_border
            && (new_seam_edge(seam_a, &near_b, a, b) || new_seam_edge(seam_b, &near_a, a, b))
        {
            return;
        }
        if near_a.len() + near_b.len() - 2 - common.len() > MOST_VALENCE + 1 {
            return;
        }
        let to = match (seam_a, seam_b) {
            (true, false) => self.at(a),
            (false, true) => self.at(b),
            _ => self
                .field
                .onto_surface(0.5 * (self.at(a) + self.at(b)), self.cell_m),
        };
        let wanted = self.wanted[a as usize].min(self.wanted[b as usize]);
        let too_long = near_a.iter().chain(&near_b).any(|&n| {
            n != a && n != b && to.distance(self.at(n)) > 1.5 * wanted.max(self.wanted[n as usize])
        });
        let seam_crossed = !(seam_a || seam_b) && to.x <= 1e-3 * self.cell_m;
        let place = |corner: u32| {
            if corner == a || corner == b {
                to
            } else {
                self.at(corner)
            }
        };
        if too_long || seam_crossed || self.turns_over(&others, place) {
            return;
        }
        self.merge(a, b, to, &dying);
    }

    /// Puts `a` and `b` at one place as `a`.
    fn merge(&mut self, a: u32, b: u32, to: DVec3, dying: &[u32]) {
        self.positions[a as usize] = to;
        self.wanted[a as usize] = self.wanted[a as usize].min(self.wanted[b as usize]);
        for &triangle in dying {
            if std::mem::replace(&mut self.alive[triangle as usize], false) {
                for corner in self.triangles[triangle as usize] {
                    self.around[corner as usize].retain(|&other| other != triangle);
                }
            }
        }
        for triangle in std::mem::take(&mut self.around[b as usize]) {
            for corner in &mut self.triangles[triangle as usize] {
                if *corner == b {
                    *corner = a;
                }
            }
            self.around[a as usize].push(triangle);
        }
    }

    /// Flips edges where that brings the number of neighbours nearer to six, four at the seam.
    fn flip(&mut self) {
        for triangle in 0..self.triangles.len() {
            for side in 0..3 {
                if self.alive[triangle] {
                    self.try_flip(triangle as u32, side);
                }
            }
        }
    }

    fn try_flip(&mut self, first: u32, side: usize) {
        let corners = self.triangles[first as usize];
        let (a, b, c) = (
            corners[side],
            corners[(side + 1) % 3],
            corners[(side + 2) % 3],
        );
        if a > b {
            return;
        }
        let other = self.around[a as usize]
            .iter()
            .copied()
            .find(|&triangle| triangle != first && self.triangles[triangle as usize].contains(&b));
        let Some(second) = other else { return };
        let Some(d) = self.triangles[second as usize]
            .into_iter()
            .find(|&corner| corner != a && corner != b)
        else {
            return;
        };
        let near_c = self.neighbours(c);
        if c == d || near_c.binary_search(&d).is_ok() || (self.on_seam(c) && self.on_seam(d)) {
            return;
        }
        let valence = |vertex: u32| self.around[vertex as usize].len() as i64;
        let excess = |vertex: u32, change: i64| {
            let ideal = if self.on_seam(vertex) { 3 } else { 6 };
            (valence(vertex) + change - ideal).pow(2)
        };
        let before = excess(a, 0) + excess(b, 0) + excess(c, 0) + excess(d, 0);
        let after = excess(a, -1) + excess(b, -1) + excess(c, 1) + excess(d, 1);
        let points = [a, b, c, d].map(|vertex| self.at(vertex));
        if after >= before || !is_good_flip(points) {
            return;
        }
        // Triangles (a, b, c) and (b, a, d) become (a, d, c) and (d, b, c).
        self.triangles[first as usize] = [a, d, c];
        self.triangles[second as usize] = [d, b, c];
        self.around[b as usize].retain(|&triangle| triangle != first);
        self.around[a as usize].retain(|&triangle| triangle != second);
        self.around[d as usize].push(first);
        self.around[c as usize].push(second);
    }

    /// Moves vertices toward the middle of their neighbours, within the surface.
    fn relax(&mut self) {
        for vertex in 0..self.positions.len() as u32 {
            if self.around[vertex as usize].is_empty() {
                continue;
            }
            let here = self.at(vertex);
            let seam = self.on_seam(vertex);
            let near: Vec<DVec3> = self
                .neighbours(vertex)
                .into_iter()
                .map(|n| self.at(n))
                .filter(|n| !seam || n.x == 0.0)
                .collect();
            if near.len() < 2 {
                continue;
            }
            let middle = near.iter().sum::<DVec3>() / near.len() as f64;
            let across = self.around[vertex as usize]
                .iter()
                .map(|&t| normal(self.triangles[t as usize].map(|corner| self.at(corner))))
                .sum::<DVec3>()
                .normalize_or_zero();
            let offset = 0.6 * (middle - here);
            let mut within = here + offset - across * offset.dot(across);
            if seam {
                within.x = 0.0;
            }
            let to = self.field.onto_surface(within, 0.5 * self.cell_m);
            self.try_move(vertex, to);
        }
    }

    /// Moves vertices onto edges of the shape: to the place nearest to all planes that touch the
    /// surface at the middles of the triangles around (as Ju et al. 2002 place vertices, *Dual
    /// Contouring of Hermite Data*, doi 10.1145/566570.566586).
    fn sharpen(&mut self) {
        for _ in 0..3 {
            for vertex in 0..self.positions.len() as u32 {
                if !self.around[vertex as usize].is_empty() {
                    let to = self.sharp_place(vertex);
                    let near = self.neighbours(vertex);
                    let room_m = 0.4 * self.wanted[vertex as usize];
                    if near.iter().all(|&n| self.at(n).distance(to) > room_m) {
                        self.try_move(vertex, to);
                    }
                }
            }
        }
    }

    fn sharp_place(&self, vertex: u32) -> DVec3 {
        let here = self.at(vertex);
        let step_m = 0.05 * self.cell_m;
        // A small pull toward the present place keeps flat surroundings from sliding.
        let pull = 0.05;
        let mut matrix = DMat3::from_diagonal(DVec3::splat(pull));
        let mut right = DVec3::ZERO;
        for &triangle in &self.around[vertex as usize] {
            let corners = self.triangles[triangle as usize].map(|corner| self.at(corner));
            let middle = corners.iter().sum::<DVec3>() / 3.0;
            let gradient = self.field.gradient(middle, step_m);
            let steepness = gradient.length();
            if steepness < 1e-6 {
                continue;
            }
            let normal = gradient / steepness;
            let beyond_m = (here - middle).dot(normal) + self.field.at(middle) / steepness;
            matrix += DMat3::from_cols(normal * normal.x, normal * normal.y, normal * normal.z);
            right -= normal * beyond_m;
        }
        let mut offset = matrix.inverse() * right;
        if self.on_seam(vertex) {
            offset.x = 0.0;
        }
        here + offset.clamp_length_max(0.4 * self.wanted[vertex as usize])
    }
}

fn normal([a, b, c]: [DVec3; 3]) -> DVec3 {
    (b - a).cross(c - a)
}

fn longest_squared([a, b, c]: [DVec3; 3]) -> f64 {
    a.distance_squared(b)
        .max(b.distance_squared(c))
        .max(c.distance_squared(a))
}

/// Whether triangles (a, d, c) and (d, b, c) are sound and lie as (a, b, c) and (b, a, d) do.
fn is_good_flip([a, b, c, d]: [DVec3; 4]) -> bool {
    let old = [normal([a, b, c]), normal([b, a, d])];
    let points = [[a, d, c], [d, b, c]];
    // Flips across an edge of the shape would cut it.
    let flat = old[0].dot(old[1]) > 0.7 * old[0].length() * old[1].length();
    flat && points.into_iter().all(|triangle| {
        let new = normal(triangle);
        new.length() > 0.2 * longest_squared(triangle)
            && old
                .iter()
                .all(|old| new.dot(*old) > 0.5 * new.length() * old.length())
    })
}
