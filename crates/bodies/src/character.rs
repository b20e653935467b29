//! Characters made from descriptions: skeleton, flesh and the truth about both.

use glam::{DAffine3, DVec3};
use understudy_anatomy::Body;
use understudy_motion::{Skeleton, SkinnedMesh, Surface};

use crate::description::Description;
use crate::error::BodyError;
use crate::flesh::Flesh;
pub use crate::mesh::BodyMesh;
use crate::mesh::mesh_of;
use crate::plan::Plan;
use crate::truth::true_body;

/// A character ready to be written to a file or moved.
#[derive(Clone, Debug, PartialEq)]
pub struct Character {
    /// Name of the character.
    pub name: String,
    /// Joints in the file's coordinates, metres; the soles lie at height 0.
    pub skeleton: Skeleton,
    /// What each joint is, as known from the making.
    pub body: Body,
    /// Skin and eyes, in the file's coordinates at rest.
    pub meshes: Vec<BodyMesh>,
    /// The same meshes bound to the skeleton.
    pub surface: Surface,
}

/// Makes a character from a description in RON (see [`Description`]).
///
/// # Errors
/// Text that is no description, a value out of its range, or a rest pose that reaches below the
/// floor.
pub fn character_from_ron(text: &str) -> Result<Character, BodyError> {
    character(&Description::from_ron(text)?)
}

/// Makes a character from a description. The same description always gives the same character.
///
/// # Errors
/// A value out of its range, or a rest pose that reaches below the floor.
pub fn character(description: &Description) -> Result<Character, BodyError> {
    description.check()?;
    let plan = Plan::new(description);
    let skeleton = plan.skeleton()?;
    let frame = description.frame()?;
    let file_from_working = frame.working_from_file().inverse();
    let flesh = Flesh::new(&plan);
    let meshes: Vec<BodyMesh> = [("skin", &flesh.skin), ("eyes", &flesh.eyes)]
        .into_iter()
        .filter(|(_, pieces)| !pieces.is_empty())
        .map(|(name, pieces)| mesh_of(name, pieces, file_from_working))
        .collect();
    let surface = surface(&skeleton, &meshes);
    Ok(Character {
        name: description.name.clone(),
        body: true_body(&plan, &skeleton, frame),
        skeleton,
        meshes,
        surface,
    })
}

fn surface(skeleton: &Skeleton, meshes: &[BodyMesh]) -> Surface {
    let rest = skeleton.rest_world();
    let inverse_binds: Vec<DAffine3> = rest.affines.iter().map(DAffine3::inverse).collect();
    let skinned = |mesh: &BodyMesh| SkinnedMesh {
        name: mesh.name.clone(),
        bind_positions: mesh.positions.clone(),
        influences: mesh
            .joints
            .iter()
            .zip(&mesh.weights)
            .map(influences)
            .collect(),
        joints: (0..skeleton.len()).collect(),
        inverse_binds: inverse_binds.clone(),
        triangles: mesh.triangles.clone(),
        normals: mesh.normals.clone(),
        colours: mesh.colours.clone(),
    };
    Surface {
        meshes: meshes.iter().map(skinned).collect(),
    }
}

fn influences((joints, weights): (&[u16; 4], &[f32; 4])) -> Vec<(usize, f64)> {
    joints
        .iter()
        .zip(weights)
        .filter(|(_, weight)| **weight > 0.0)
        .map(|(&joint, &weight)| (usize::from(joint), f64::from(weight)))
        .collect()
}

impl Character {
    /// Lowest and highest point of the flesh at rest against gravity, metres.
    pub fn height_range_m(&self) -> (f64, f64) {
        let up = self.body.frame.up;
        let heights = |mesh: &BodyMesh| -> Vec<f64> {
            mesh.positions.iter().map(|p: &DVec3| p.dot(up)).collect()
        };
        self.meshes
            .iter()
            .flat_map(heights)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), y| {
                (low.min(y), high.max(y))
            })
    }
}
