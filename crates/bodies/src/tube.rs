//! Small closed pieces that sit on the skin: eyes, claws, quills, feathers, lines of the face.

use glam::DVec3;

use crate::description::Rgb;
use crate::mesh::{BodyMesh, packed};
use crate::weights::Influences;

/// One ring of a tube.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ring {
    pub(crate) centre: DVec3,
    /// Half breadth, metres.
    pub(crate) broad_m: f64,
    /// Half depth along the flat direction, metres.
    pub(crate) flat_m: f64,
    pub(crate) colour: Rgb,
}

/// Rings between two poles.
#[derive(Clone, Debug)]
pub(crate) struct Tube {
    pub(crate) start: DVec3,
    pub(crate) rings: Vec<Ring>,
    pub(crate) end: DVec3,
    /// Flat direction.
    pub(crate) flat: DVec3,
    /// Vertices around.
    pub(crate) sides: usize,
    /// What moves it.
    pub(crate) influences: Influences,
}

impl Tube {
    /// A tube along points with half breadths, as deep as `ratio` times its breadth.
    pub(crate) fn along(
        points: &[(DVec3, f64, Rgb)],
        flat: DVec3,
        ratio: f64,
        joint: usize,
    ) -> Option<Self> {
        let (first, last) = (points.first()?, points.last()?);
        let ring = |&(centre, broad_m, colour): &(DVec3, f64, Rgb)| Ring {
            centre,
            broad_m,
            flat_m: ratio * broad_m,
            colour,
        };
        let inner = points.get(1..points.len().checked_sub(1)?)?;
        Some(Self {
            start: first.0,
            rings: inner.iter().map(ring).collect(),
            end: last.0,
            flat,
            sides: 8,
            influences: vec![(joint, 1.0)],
        })
    }

    /// A ball that looks along a direction; `colours` has the colour up to each angle from there,
    /// radians.
    pub(crate) fn ball(
        centre: DVec3,
        look: DVec3,
        radius_m: f64,
        colours: &[(f64, Rgb)],
        joint: usize,
    ) -> Self {
        const STEPS: usize = 11;
        let edges = colours
            .iter()
            .flat_map(|(angle, _)| [angle - 0.02, angle + 0.02]);
        let even = (1..STEPS).map(|step| std::f64::consts::PI * step as f64 / STEPS as f64);
        let sharp: Vec<f64> = edges
            .filter(|angle| *angle > 0.05 && *angle < 3.0)
            .collect();
        let mut angles: Vec<f64> = even
            .filter(|angle| sharp.iter().all(|edge| (angle - edge).abs() > 0.1))
            .chain(sharp.iter().copied())
            .collect();
        angles.sort_by(f64::total_cmp);
        let colour = |angle: f64| {
            let found = colours.iter().find(|(up_to, _)| angle < *up_to);
            found
                .or(colours.last())
                .map_or([0.5; 3], |(_, colour)| *colour)
        };
        let rings = angles.iter().map(|&angle| Ring {
            centre: centre + look * radius_m * angle.cos(),
            broad_m: radius_m * angle.sin(),
            flat_m: radius_m * angle.sin(),
            colour: colour(angle),
        });
        // Tubes run from the back, so that their sides face outward.
        Self {
            start: centre - look * radius_m,
            rings: rings.rev().collect(),
            end: centre + look * radius_m,
            flat: DVec3::Y,
            sides: 18,
            influences: vec![(joint, 1.0)],
        }
    }

    /// Direction of the tube at a ring.
    fn tangent(&self, ring: usize) -> DVec3 {
        let at = |index: usize| self.rings.get(index).map(|ring| ring.centre);
        let before = ring.checked_sub(1).and_then(at).unwrap_or(self.start);
        let after = at(ring + 1).unwrap_or(self.end);
        (after - before).normalize_or((self.end - self.start).normalize_or(DVec3::Y))
    }

    /// Adds the tube to a mesh, without normals.
    pub(crate) fn add_to(&self, mesh: &mut BodyMesh) {
        let (Some(first_ring), Some(last_ring)) = (self.rings.first(), self.rings.last()) else {
            return;
        };
        let first = mesh.positions.len() as u32;
        let (joints, weights) = packed(&self.influences);
        let mut add = |position: DVec3, [r, g, b]: Rgb| {
            mesh.positions.push(position);
            mesh.colours.push([r, g, b, 1.0]);
            mesh.joints.push(joints);
            mesh.weights.push(weights);
        };
        add(self.start, first_ring.colour);
        for (index, ring) in self.rings.iter().enumerate() {
            let axis = self.tangent(index);
            let across = self.flat - axis * self.flat.dot(axis);
            let depth = if across.length() > 1e-3 {
                across.normalize()
            } else {
                axis.any_orthonormal_vector()
            };
            let breadth = axis.cross(depth);
            for side in 0..self.sides {
                let (sin, cos) =
                    (std::f64::consts::TAU * side as f64 / self.sides as f64).sin_cos();
                let offset = depth * sin * ring.flat_m + breadth * cos * ring.broad_m;
                add(ring.centre + offset, ring.colour);
            }
        }
        add(self.end, last_ring.colour);
        stitch(
            &mut mesh.triangles,
            first,
            self.rings.len() as u32,
            self.sides as u32,
        );
    }
}

/// Triangles of a pole, some rings and another pole, numbered from `first`.
fn stitch(triangles: &mut Vec<[u32; 3]>, first: u32, rings: u32, sides: u32) {
    let at = |ring: u32, side: u32| first + 1 + ring * sides + side % sides;
    let last = first + 1 + rings * sides;
    for side in 0..sides {
        triangles.push([first, at(0, side), at(0, side + 1)]);
        for ring in 0..rings - 1 {
            let (a, b) = (at(ring, side), at(ring, side + 1));
            let (c, d) = (at(ring + 1, side), at(ring + 1, side + 1));
            triangles.push([a, c, b]);
            triangles.push([b, c, d]);
        }
        triangles.push([last, at(rings - 1, side + 1), at(rings - 1, side)]);
    }
}
