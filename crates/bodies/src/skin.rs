//! The skin of a body: one closed surface, the right side the mirror of the left.

use glam::DVec3;

use crate::field::Field;
use crate::grid::{HalfMesh, half_surface, solid_parts};
use crate::remesh::{Sizes, remeshed};

/// A closed surface that mirrors at the plane x = 0.
pub(crate) struct Skin {
    /// Vertices, metres: the left ones and those between first.
    pub(crate) positions: Vec<DVec3>,
    /// Unit normals, outward.
    pub(crate) normals: Vec<DVec3>,
    /// Triangles, counter-clockwise seen from outside.
    pub(crate) triangles: Vec<[u32; 3]>,
    /// The vertex of the other side for each vertex.
    pub(crate) mirror: Vec<usize>,
    /// Number of vertices on the left or between.
    pub(crate) half: usize,
}

impl Skin {
    /// The surface of a field sampled every `cell_m`, with about `most_vertices` or fewer. The
    /// vertex nearest to `top` is put there.
    pub(crate) fn new(
        field: &Field,
        cell_m: f64,
        most_vertices: usize,
        top: Option<DVec3>,
    ) -> Self {
        let mesh = half_surface(field, cell_m);
        let sizes = Sizes::new(field, &mesh, 0.5 * most_vertices as f64);
        let mesh = remeshed(mesh, field, cell_m, &sizes);
        let mut mesh = solid_parts(&mesh, cell_m.powi(3));
        for position in &mut mesh.positions {
            // What is left of a Newton step is rounding.
            if position.y < 2e-3 * cell_m {
                position.y = 0.0;
            }
            if let Some(top) = top.filter(|top| (top.y - position.y).abs() < 1e-2 * cell_m) {
                position.y = top.y;
            }
        }
        if let Some(top) = top {
            pin(&mut mesh, top, 3.0 * cell_m);
        }
        let mut skin = Self::mirrored(mesh);
        skin.normals = skin.normals_of(field, cell_m);
        skin
    }

    fn mirrored(mesh: HalfMesh) -> Self {
        let half = mesh.positions.len();
        let mut positions = mesh.positions;
        let mut mirror: Vec<usize> = (0..half).collect();
        for vertex in 0..half {
            let at = positions[vertex];
            if at.x != 0.0 {
                mirror[vertex] = positions.len();
                mirror.push(vertex);
                positions.push(at.with_x(-at.x));
            }
        }
        let other_side = mesh.triangles.iter().map(|&[a, b, c]| {
            // Mirrored triangles turn the other way round.
            [a, c, b].map(|corner| mirror[corner as usize] as u32)
        });
        let triangles = mesh.triangles.iter().copied().chain(other_side).collect();
        Self {
            positions,
            normals: Vec::new(),
            triangles,
            mirror,
            half,
        }
    }

    /// Normals from the field, where they agree with the triangles.
    fn normals_of(&self, field: &Field, cell_m: f64) -> Vec<DVec3> {
        let plain = crate::mesh::normals(&self.positions, &self.triangles);
        let mut normals = plain.clone();
        for vertex in 0..self.half {
            let mut normal = field
                .gradient(self.positions[vertex], 0.3 * cell_m)
                .normalize_or_zero();
            if self.mirror[vertex] == vertex {
                normal = normal.with_x(0.0).normalize_or_zero();
            }
            // In creases the field says little.
            if normal.dot(plain[vertex]) < 0.5 {
                normal = plain[vertex];
            }
            normals[vertex] = normal;
            if self.mirror[vertex] != vertex {
                normals[self.mirror[vertex]] = normal.with_x(-normal.x);
            }
        }
        normals
    }

    /// Vertices next to each vertex, in order of their numbers.
    pub(crate) fn neighbours(&self) -> Vec<Vec<u32>> {
        let mut neighbours = vec![Vec::new(); self.positions.len()];
        for &[a, b, c] in &self.triangles {
            for (from, to) in [(a, b), (b, c), (c, a)] {
                neighbours[from as usize].push(to);
            }
        }
        for list in &mut neighbours {
            list.sort_unstable();
        }
        neighbours
    }
}

/// Moves the vertex of the seam that is nearest to a point there, if it is nearer than a limit.
fn pin(mesh: &mut HalfMesh, point: DVec3, limit_m: f64) {
    let nearest = mesh
        .positions
        .iter_mut()
        .filter(|position| position.x == 0.0)
        .min_by(|a, b| a.distance(point).total_cmp(&b.distance(point)));
    if let Some(position) = nearest
        && position.distance(point) < limit_m.max(0.02 * point.y)
    {
        *position = point;
    }
}
