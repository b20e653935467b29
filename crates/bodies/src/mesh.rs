//! Skinned meshes as files hold them.

use glam::{DQuat, DVec3};

/// A skinned mesh as a file holds it, in the file's coordinates at rest.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BodyMesh {
    /// Name of the mesh.
    pub name: String,
    /// Vertices, metres.
    pub positions: Vec<DVec3>,
    /// Unit normals, outward, one per vertex.
    pub normals: Vec<DVec3>,
    /// Linear red, green, blue and opacity, one per vertex.
    pub colours: Vec<[f32; 4]>,
    /// Joints of the skeleton that move each vertex; unused places are 0 with weight 0.
    pub joints: Vec<[u16; 4]>,
    /// Weights of `joints`; each vertex's sum to 1.
    pub weights: Vec<[f32; 4]>,
    /// Triangles, counter-clockwise seen from outside. Every piece of the mesh is closed.
    pub triangles: Vec<[u32; 3]>,
}

impl BodyMesh {
    /// The mesh turned into the file's coordinates.
    pub(crate) fn turned(mut self, file_from_working: DQuat) -> Self {
        for vector in self.positions.iter_mut().chain(&mut self.normals) {
            *vector = file_from_working * *vector;
        }
        self
    }
}

/// At most four influences, brought to a sum of 1; the heaviest are kept.
pub(crate) fn packed(influences: &[(usize, f64)]) -> ([u16; 4], [f32; 4]) {
    let mut sorted = influences.to_vec();
    sorted.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    sorted.truncate(4);
    // A joint that moves a vertex by less than a thousandth of its way is not worth a slot.
    let heaviest = sorted.first().map_or(0.0, |(_, weight)| *weight);
    sorted.retain(|(_, weight)| *weight > 1e-3 * heaviest);
    let sum: f64 = sorted.iter().map(|(_, weight)| weight).sum();
    let (mut joints, mut weights) = ([0; 4], [0.0; 4]);
    for (slot, (joint, weight)) in sorted.into_iter().enumerate() {
        joints[slot] = joint as u16;
        weights[slot] = (weight / sum) as f32;
    }
    (joints, weights)
}

/// Unit normals of vertices: the sum of the triangles' normals by area.
pub(crate) fn normals(positions: &[DVec3], triangles: &[[u32; 3]]) -> Vec<DVec3> {
    let mut normals = vec![DVec3::ZERO; positions.len()];
    for triangle in triangles {
        let [a, b, c] = triangle.map(|vertex| positions[vertex as usize]);
        let normal = (b - a).cross(c - a);
        for &vertex in triangle {
            normals[vertex as usize] += normal;
        }
    }
    normals
        .into_iter()
        .map(|normal| normal.normalize_or(DVec3::Y))
        .collect()
}
