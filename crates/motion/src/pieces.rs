//! The pieces of a mesh that hang together, and how thick they are: skin, eyes, claws, quills.

use std::collections::HashMap;

use glam::DVec3;

use crate::solid::Groups;

use crate::surface::SkinnedMesh;

/// Triangles that hang together by corners at one place.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Numbers of its triangles, in their order.
    pub triangles: Vec<usize>,
    /// Area, square metres.
    pub area_m2: f64,
    /// Enclosed volume, cubic metres, below 0 where the triangles face inward; of an open piece, that
    /// of the cone from its middle over it.
    pub volume_m3: f64,
}

impl Piece {
    /// Volume over area, metres: half the thickness of a plate, a third of the radius of a ball.
    pub fn thickness_m(&self) -> f64 {
        self.volume_m3.abs() / self.area_m2.max(f64::MIN_POSITIVE)
    }
}

/// The pieces of a mesh, in order of their first triangles. Corners at one place count as one, since
/// files split them at seams. Positions in metres, triangles counterclockwise from outside.
pub fn pieces(positions: &[DVec3], triangles: &[[u32; 3]]) -> Vec<Piece> {
    let mut places = HashMap::new();
    let place_of: Vec<u32> = positions
        .iter()
        .map(|position| {
            let next = places.len() as u32;
            // Adding zero makes one of both zeros.
            let place = (*position + 0.0).to_array().map(f64::to_bits);
            *places.entry(place).or_insert(next)
        })
        .collect();
    let mut groups = Groups::apart(places.len());
    let corners = |triangle: &[u32; 3]| triangle.map(|corner| place_of[corner as usize]);
    for triangle in triangles {
        let [a, b, c] = corners(triangle);
        groups.join([a, b], 0);
        groups.join([a, c], 0);
    }
    let mut number_of = HashMap::new();
    let mut found: Vec<Vec<usize>> = Vec::new();
    for (index, triangle) in triangles.iter().enumerate() {
        let (root, _) = groups.first(corners(triangle)[0]);
        let number = *number_of.entry(root).or_insert(found.len());
        if number == found.len() {
            found.push(Vec::new());
        }
        found[number].push(index);
    }
    let piece = |own: Vec<usize>| measured(positions, triangles, own);
    found.into_iter().map(piece).collect()
}

fn measured(positions: &[DVec3], triangles: &[[u32; 3]], own: Vec<usize>) -> Piece {
    let corners = |index: &usize| triangles[*index].map(|corner| positions[corner as usize]);
    let all = own.iter().flat_map(corners);
    let middle = all.sum::<DVec3>() / (3 * own.len()) as f64;
    let (mut area_m2, mut volume_m3) = (0.0, 0.0);
    for index in &own {
        let [a, b, c] = corners(index).map(|corner| corner - middle);
        area_m2 += (b - a).cross(c - a).length() / 2.0;
        volume_m3 += a.dot(b.cross(c)) / 6.0;
    }
    Piece {
        triangles: own,
        area_m2,
        volume_m3,
    }
}

/// Pieces apart that are thinner than this share of the thickest are fine (common practice).
const FINE: f64 = 0.1;

/// Which triangles of each mesh belong to pieces so thin beside the thickest that they are hair,
/// quills, feathers, claws or lashes. Positions of each mesh's vertices in metres.
pub fn fine_triangles(meshes: &[SkinnedMesh], positions: &[Vec<DVec3>]) -> Vec<Vec<bool>> {
    let all: Vec<Vec<Piece>> = meshes
        .iter()
        .zip(positions)
        .map(|(mesh, positions)| pieces(positions, &mesh.triangles))
        .collect();
    let thickness = all.iter().flatten().map(Piece::thickness_m);
    let limit_m = FINE * thickness.fold(0.0, f64::max);
    let of_mesh = |(mesh, pieces): (&SkinnedMesh, Vec<Piece>)| {
        let mut is_fine = vec![false; mesh.triangles.len()];
        let thin = pieces.iter().filter(|piece| piece.thickness_m() < limit_m);
        for &triangle in thin.flat_map(|piece| &piece.triangles) {
            is_fine[triangle] = true;
        }
        is_fine
    };
    meshes.iter().zip(all).map(of_mesh).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A box with split corners, each side with four of its own.
    fn cuboid(middle: DVec3, half: DVec3) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let (mut positions, mut triangles) = (Vec::new(), Vec::new());
        for axis in 0..3 {
            for sign in [1.0, -1.0] {
                let first = positions.len() as u32;
                let out = DVec3::AXES[axis] * sign;
                let across = DVec3::AXES[(axis + 1) % 3];
                let up = out.cross(across);
                for (u, v) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)] {
                    positions.push(middle + half * (out + across * u + up * v));
                }
                triangles.push([first, first + 1, first + 2]);
                triangles.push([first, first + 2, first + 3]);
            }
        }
        (positions, triangles)
    }

    #[test]
    fn two_boxes_are_two_pieces_with_their_volumes() {
        let (mut positions, mut triangles) = cuboid(DVec3::ZERO, DVec3::new(0.5, 1.0, 1.5));
        let (others, needle) = cuboid(DVec3::new(3.0, 1.0, 0.0), DVec3::new(0.01, 0.01, 0.5));
        let first = positions.len() as u32;
        positions.extend(others);
        triangles.extend(needle.iter().map(|triangle| triangle.map(|c| c + first)));
        let found = pieces(&positions, &triangles);
        assert_eq!(found.len(), 2);
        assert_eq!(found[0].triangles, (0..12).collect::<Vec<_>>());
        assert_eq!(found[1].triangles, (12..24).collect::<Vec<_>>());
        assert!((found[0].volume_m3 - 6.0).abs() < 1e-12, "{:?}", found[0]);
        assert!((found[0].area_m2 - 22.0).abs() < 1e-12, "{:?}", found[0]);
        assert!((found[1].volume_m3 - 4e-4).abs() < 1e-12, "{:?}", found[1]);
        // A needle: a quarter of its thickness, and a little less for its ends.
        assert!((found[1].thickness_m() - 4e-4 / 0.0808).abs() < 1e-12);
    }

    #[test]
    fn an_empty_mesh_has_no_piece() {
        assert_eq!(pieces(&[], &[]), []);
    }
}
