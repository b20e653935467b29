//! Surfaces: what the flesh of a character is, for measuring and for fitting soles, and what is drawn.

use std::sync::Arc;

use glam::{DAffine3, DVec3};

use crate::pose::WorldPose;

/// One skinned mesh, bound to joints of a skeleton.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SkinnedMesh {
    /// Name of the mesh in its file.
    pub name: String,
    /// Vertices in the mesh's own coordinates (before skinning), metres.
    pub bind_positions: Vec<DVec3>,
    /// Per vertex, up to any number of (index into `joints`, weight); weights sum to 1.
    pub influences: Vec<Vec<(usize, f64)>>,
    /// Skeleton joint of each skin slot.
    pub joints: Vec<usize>,
    /// `joint_from_mesh` at bind time, one per skin slot.
    pub inverse_binds: Vec<DAffine3>,
    /// Triangles as indices of vertices.
    pub triangles: Vec<[u32; 3]>,
    /// Unit normals of the vertices, outward, in the mesh's own coordinates; empty where the file
    /// has none. For drawing only.
    pub normals: Vec<DVec3>,
    /// Colours of the vertices, linear red, green, blue and opacity from 0 to 1, the material's
    /// colour multiplied in; empty where the file says nothing. For drawing only.
    pub colours: Vec<[f32; 4]>,
    /// Places of the vertices in the picture of the mesh, from 0 to 1, right and down, going on beyond
    /// as the picture repeats; empty where it has none. For drawing only.
    pub picture_places: Vec<[f32; 2]>,
    /// How the mesh is drawn. For drawing only.
    pub look: Look,
}

/// How a mesh is drawn, besides the colours of its vertices.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Look {
    /// Its picture, as an index into [`Surface::pictures`]; the colours are multiplied with it.
    pub picture: Option<usize>,
    /// How the picture goes on beyond its edges, right and down.
    pub wraps: [Wrap; 2],
    /// What opacity does.
    pub opacity: Opacity,
    /// Whether the back of a triangle is seen too.
    pub is_double_sided: bool,
}

/// How a picture goes on beyond its edges.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Wrap {
    /// From the other edge on, again and again.
    #[default]
    Repeat,
    /// As it is at the edge.
    Clamp,
    /// Back and forth.
    Mirror,
}

/// What opacity does to a mesh.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Opacity {
    /// Nothing: it is solid.
    #[default]
    Solid,
    /// Nothing is drawn below an opacity, 0 to 1, and all is solid from there on.
    Cut(f32),
    /// What lies behind shines through.
    Blend,
}

/// A picture on meshes: colours as sRGB.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// What to call it.
    pub name: String,
    /// The bytes of its file.
    pub bytes: Arc<[u8]>,
}

impl SkinnedMesh {
    /// World positions of all vertices in a pose (linear blend skinning, glTF 2.0 section 3.7.3.3).
    pub fn posed(&self, pose: &WorldPose) -> Vec<DVec3> {
        let world_from_mesh = self.world_from_mesh(pose);
        let vertices = 0..self.bind_positions.len();
        vertices
            .map(|vertex| self.posed_vertex(vertex, &world_from_mesh))
            .collect()
    }

    /// Per joint of the mesh.
    fn world_from_mesh(&self, pose: &WorldPose) -> Vec<DAffine3> {
        let binds = self.joints.iter().zip(&self.inverse_binds);
        binds
            .map(|(&joint, inverse_bind)| pose.affines[joint] * *inverse_bind)
            .collect()
    }

    fn posed_vertex(&self, vertex: usize, world_from_mesh: &[DAffine3]) -> DVec3 {
        let position = self.bind_positions[vertex];
        let influences = self.influences[vertex].iter();
        influences
            .map(|&(slot, weight)| weight * world_from_mesh[slot].transform_point3(position))
            .sum()
    }

    /// The joint that moves a vertex most, as an index into the skeleton.
    pub fn main_joint(&self, vertex: usize) -> Option<usize> {
        self.influences[vertex]
            .iter()
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|&(slot, _)| self.joints[slot])
    }
}

/// All meshes of a character.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Surface {
    /// The skinned meshes: the flesh.
    pub meshes: Vec<SkinnedMesh>,
    /// Meshes that hang on one joint each, such as hats and eyes. For drawing only: they are no flesh
    /// that is measured or fitted.
    pub rigid: Vec<SkinnedMesh>,
    /// Pictures on both. For drawing only.
    pub pictures: Vec<Picture>,
}

impl Surface {
    /// World positions in a pose of some vertices, each as its mesh and its number in it, metres.
    pub fn posed_vertices(&self, vertices: &[(usize, usize)], pose: &WorldPose) -> Vec<DVec3> {
        let bones = self.world_from_meshes(pose);
        let vertices = vertices.iter();
        vertices
            .map(|&vertex| self.vertex(vertex, &bones))
            .collect()
    }

    /// Per mesh and slot of its skin, `world_from_mesh` in a pose.
    pub fn world_from_meshes(&self, pose: &WorldPose) -> Vec<Vec<DAffine3>> {
        let meshes = self.meshes.iter();
        meshes.map(|mesh| mesh.world_from_mesh(pose)).collect()
    }

    /// World position of a vertex, given as its mesh and its number in it, metres; `bones` is what
    /// [`Surface::world_from_meshes`] gives.
    pub fn vertex(&self, (mesh, vertex): (usize, usize), bones: &[Vec<DAffine3>]) -> DVec3 {
        self.meshes[mesh].posed_vertex(vertex, &bones[mesh])
    }

    /// Rest-pose points of every joint at once, `[joint][point]`, in the joint's coordinates,
    /// metres.
    pub fn points_by_joint(&self, joint_count: usize, rest: &WorldPose) -> Vec<Vec<DVec3>> {
        let joint_from_world: Vec<DAffine3> =
            rest.affines.iter().map(|affine| affine.inverse()).collect();
        let mut points = vec![Vec::new(); joint_count];
        for mesh in &self.meshes {
            for (vertex, position) in mesh.posed(rest).into_iter().enumerate() {
                if let Some(joint) = mesh.main_joint(vertex) {
                    points[joint].push(joint_from_world[joint].transform_point3(position));
                }
            }
        }
        points
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Joint, Skeleton};
    use glam::DQuat;

    #[test]
    fn a_vertex_follows_its_joints_by_weight() {
        let skeleton = Skeleton::new(vec![
            Joint::new("hip", None, DVec3::ZERO),
            Joint::new("knee", Some(0), DVec3::new(0.0, -0.5, 0.0)),
        ])
        .unwrap();
        let rest = skeleton.rest_world();
        let mesh = SkinnedMesh {
            name: "leg".into(),
            bind_positions: vec![DVec3::new(0.0, -1.0, 0.0), DVec3::new(0.0, -0.25, 0.0)],
            influences: vec![vec![(1, 1.0)], vec![(0, 0.5), (1, 0.5)]],
            joints: vec![0, 1],
            inverse_binds: rest.affines.iter().map(|a| a.inverse()).collect(),
            ..SkinnedMesh::default()
        };
        assert_eq!(mesh.posed(&rest), mesh.bind_positions);
        let mut locals = skeleton.rest_locals();
        locals[1].rotation = DQuat::from_rotation_z(std::f64::consts::FRAC_PI_2);
        let bent = mesh.posed(&WorldPose::from_locals(&skeleton, &locals));
        assert!((bent[0] - DVec3::new(0.5, -0.5, 0.0)).length() < 1e-15);
        let surface = Surface {
            meshes: vec![mesh],
            ..Surface::default()
        };
        // The second vertex is shared in equal parts; the later joint counts as its main one.
        assert_eq!(
            surface.points_by_joint(2, &rest)[1],
            vec![DVec3::new(0.0, -0.5, 0.0), DVec3::new(0.0, 0.25, 0.0)]
        );
    }
}
