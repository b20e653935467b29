//! From the field to the triangles of its left half: samples on a grid, mended so that the surface
//! is closed and simple everywhere, then surface nets.

use fast_surface_nets::ndshape::{RuntimeShape, Shape};
use fast_surface_nets::{SurfaceNetsBuffer, surface_nets};
use glam::DVec3;

use crate::field::Field;

/// Most samples of a grid; a body that needs more gets coarser ones.
const MOST_SAMPLES: f64 = 2.4e7;

/// Edge of the blocks in which samples far from all flesh are passed over.
const BLOCK: usize = 6;

/// Half a surface: triangles on the left of the plane of symmetry, open toward it.
#[derive(Clone, Debug, Default)]
pub(crate) struct HalfMesh {
    /// Vertices, metres; those on the plane have x = 0 exactly.
    pub(crate) positions: Vec<DVec3>,
    /// Triangles, counter-clockwise seen from outside.
    pub(crate) triangles: Vec<[u32; 3]>,
}

struct Grid {
    counts: [usize; 3],
    /// Place of sample (0, 0, 0), metres. The first two samples lie on both sides of the plane of
    /// symmetry.
    low: DVec3,
    cell_m: f64,
    values: Vec<f32>,
}

/// The left half of the surface of a field. `cell_m` is the distance of samples.
pub(crate) fn half_surface(field: &Field, cell_m: f64) -> HalfMesh {
    let mut grid = Grid::new(field, cell_m);
    grid.sample(field);
    grid.mend();
    grid.surface()
}

/// Distance of samples that a grid over the field can have, at least `cell_m`, metres.
pub(crate) fn possible_cell_m(field: &Field, cell_m: f64) -> f64 {
    let (low, high) = field.bounds();
    let size = high - low.with_x(0.0);
    let samples = size.x * size.y * size.z / cell_m.powi(3);
    cell_m * (samples / MOST_SAMPLES).cbrt().max(1.0)
}

impl Grid {
    fn new(field: &Field, cell_m: f64) -> Self {
        let (low, high) = field.bounds();
        let low = DVec3::new(-0.5, low.y / cell_m - 2.0, low.z / cell_m - 2.0) * cell_m;
        let counts = ((high - low) / cell_m + 3.0)
            .to_array()
            .map(|count| count.ceil().max(4.0) as usize);
        Self {
            counts,
            low,
            cell_m,
            values: vec![1.0; counts.iter().product()],
        }
    }

    fn index(&self, [x, y, z]: [usize; 3]) -> usize {
        x + self.counts[0] * (y + self.counts[1] * z)
    }

    fn place(&self, [x, y, z]: [usize; 3]) -> DVec3 {
        self.low + DVec3::new(x as f64, y as f64, z as f64) * self.cell_m
    }

    fn sample(&mut self, field: &Field) {
        let [nx, ny, nz] = self.counts;
        for z0 in (0..nz).step_by(BLOCK) {
            for y0 in (0..ny).step_by(BLOCK) {
                for x0 in (0..nx).step_by(BLOCK) {
                    self.sample_block(field, [x0, y0, z0]);
                }
            }
        }
        // The right side mirrors the left to the last bit.
        for z in 0..nz {
            for y in 0..ny {
                let (right, left) = (self.index([0, y, z]), self.index([1, y, z]));
                self.values[right] = self.values[left];
            }
        }
    }

    fn sample_block(&mut self, field: &Field, corner: [usize; 3]) {
        let half = 0.5 * (BLOCK - 1) as f64 * self.cell_m;
        let centre = self.place(corner) + half;
        if field.is_near(centre) {
            // Fields of flattened pieces can grow faster than distances; 2 allows for that.
            let value = field.at(centre);
            if value.abs() > 2.0 * 3.0_f64.sqrt() * half + self.cell_m {
                return self.fill_block(corner, |_| value);
            }
            return self.fill_block(corner, |place| field.at(place));
        }
        self.fill_block(corner, |place| field.at(place));
    }

    fn fill_block(&mut self, corner: [usize; 3], value: impl Fn(DVec3) -> f64) {
        let end = [0, 1, 2].map(|axis| (corner[axis] + BLOCK).min(self.counts[axis]));
        for z in corner[2]..end[2] {
            for y in corner[1]..end[1] {
                for x in corner[0]..end[0] {
                    let at = self.index([x, y, z]);
                    let in_cells = value(self.place([x, y, z])) / self.cell_m;
                    // Never exactly 0: a vertex would lie on a sample.
                    let in_cells = in_cells.clamp(-4.0, 4.0) as f32;
                    self.values[at] = if in_cells.abs() < 1e-3 {
                        1e-3
                    } else {
                        in_cells
                    };
                }
            }
        }
    }

    /// Fills samples until the inside is well-composed: no four samples around a face with only
    /// the two across a diagonal inside or outside, no eight with only the two across a diagonal of
    /// the cube (Latecki 1997, *3D Well-Composed Pictures*, doi 10.1006/gmip.1997.0422). Then the
    /// surface is a manifold. Filling only adds to the inside, so it ends.
    fn mend(&mut self) {
        let [nx, ny, nz] = self.counts;
        let mut filled = Vec::new();
        for z in 0..nz - 1 {
            for y in 0..ny - 1 {
                for x in 0..nx - 1 {
                    self.mend_cell([x, y, z], &mut filled);
                }
            }
        }
        while let Some([x, y, z]) = filled.pop() {
            for cell_z in z.saturating_sub(1)..=z.min(nz - 2) {
                for cell_y in y.saturating_sub(1)..=y.min(ny - 2) {
                    for cell_x in x.saturating_sub(1)..=x.min(nx - 2) {
                        self.mend_cell([cell_x, cell_y, cell_z], &mut filled);
                    }
                }
            }
        }
    }

    fn mend_cell(&mut self, cell: [usize; 3], filled: &mut Vec<[usize; 3]>) {
        let corner = |bits: usize| {
            [
                cell[0] + (bits & 1),
                cell[1] + (bits >> 1 & 1),
                cell[2] + (bits >> 2),
            ]
        };
        loop {
            let mut inside = 0u8;
            for bits in 0..8 {
                if self.values[self.index(corner(bits))] < 0.0 {
                    inside |= 1 << bits;
                }
            }
            if inside == 0 || inside == u8::MAX {
                return;
            }
            let Some(candidates) = critical_corners(inside) else {
                return;
            };
            // The corner nearest to the surface gives way.
            let at = |bits: usize| self.values[self.index(corner(bits))];
            let Some(bits) = (0..8)
                .filter(|bits| candidates >> bits & 1 == 1)
                .min_by(|&a, &b| at(a).total_cmp(&at(b)))
            else {
                return;
            };
            let mut fill = |sample: [usize; 3]| {
                let index = self.index(sample);
                self.values[index] = -0.05;
                filled.push(sample);
            };
            let sample = corner(bits);
            fill(sample);
            if sample[0] < 2 {
                fill([1 - sample[0], sample[1], sample[2]]);
            }
        }
    }

    fn surface(&self) -> HalfMesh {
        let counts = self.counts.map(|count| count as u32);
        let shape = RuntimeShape::<u32, 3>::new(counts);
        let mut buffer = SurfaceNetsBuffer::default();
        debug_assert_eq!(shape.usize(), self.values.len());
        surface_nets(
            &self.values,
            &shape,
            [0; 3],
            counts.map(|n| n - 1),
            &mut buffer,
        );
        let positions = buffer
            .positions
            .iter()
            .zip(&buffer.surface_points)
            .map(|(position, cell)| {
                let at = DVec3::from_array(position.map(f64::from)) * self.cell_m + self.low;
                if cell[0] == 0 { at.with_x(0.0) } else { at }
            })
            .collect();
        let triangles = buffer
            .indices
            .chunks_exact(3)
            .map(|corners| [corners[0], corners[1], corners[2]])
            .collect();
        let mesh = HalfMesh {
            positions,
            triangles,
        };
        solid_parts(&mesh, 8.0 * self.cell_m.powi(3))
    }
}

/// Corners of a cell, as bits, that could be filled to mend it; `None` where it needs no mending.
fn critical_corners(inside: u8) -> Option<u8> {
    // Corners of each face in turn around it.
    const FACES: [[u8; 4]; 6] = [
        [0, 1, 3, 2],
        [4, 5, 7, 6],
        [0, 1, 5, 4],
        [2, 3, 7, 6],
        [0, 2, 6, 4],
        [1, 3, 7, 5],
    ];
    for face in FACES {
        let is_in = face.map(|corner| inside >> corner & 1 == 1);
        if is_in[0] == is_in[2] && is_in[1] == is_in[3] && is_in[0] != is_in[1] {
            let bits = face.iter().fold(0, |bits, corner| bits | 1 << corner);
            return Some(bits & !inside);
        }
    }
    for corner in 0..4u8 {
        let diagonal = 1 << corner | 1 << (7 - corner);
        if inside == diagonal {
            return Some(!inside);
        }
        if inside == !diagonal {
            return Some(diagonal);
        }
    }
    None
}

/// The mesh without closed surfaces that bound a hollow inside the flesh, and without crumbs: half
/// of each part left encloses at least `least_m3`.
pub(crate) fn solid_parts(mesh: &HalfMesh, least_m3: f64) -> HalfMesh {
    let mut part: Vec<u32> = (0..mesh.positions.len() as u32).collect();
    let root = |part: &mut Vec<u32>, vertex: u32| {
        let mut at = vertex;
        while part[at as usize] != at {
            part[at as usize] = part[part[at as usize] as usize];
            at = part[at as usize];
        }
        at
    };
    for triangle in &mesh.triangles {
        let to = root(&mut part, triangle[0]);
        for &corner in &triangle[1..] {
            let from = root(&mut part, corner);
            part[from as usize] = to;
        }
    }
    // The plane of symmetry goes through the origin and so adds nothing to these sums.
    let mut volumes = vec![0.0; mesh.positions.len()];
    for triangle in &mesh.triangles {
        let [a, b, c] = triangle.map(|corner| mesh.positions[corner as usize]);
        volumes[root(&mut part, triangle[0]) as usize] += a.dot(b.cross(c)) / 6.0;
    }
    let triangles: Vec<[u32; 3]> = mesh
        .triangles
        .iter()
        .copied()
        .filter(|triangle| volumes[root(&mut part, triangle[0]) as usize] > least_m3)
        .collect();
    compact(&mesh.positions, &triangles)
}

/// A mesh of some triangles with only the vertices that they use, in the order of their numbers.
pub(crate) fn compact(positions: &[DVec3], triangles: &[[u32; 3]]) -> HalfMesh {
    let mut number = vec![u32::MAX; positions.len()];
    for &corner in triangles.as_flattened() {
        number[corner as usize] = 0;
    }
    let mut kept = Vec::new();
    for (vertex, position) in positions.iter().enumerate() {
        if number[vertex] == 0 {
            number[vertex] = kept.len() as u32;
            kept.push(*position);
        }
    }
    HalfMesh {
        positions: kept,
        triangles: triangles
            .iter()
            .map(|triangle| triangle.map(|corner| number[corner as usize]))
            .collect(),
    }
}
