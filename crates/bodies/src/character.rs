//! Characters made from descriptions: skeleton, flesh and the truth about both.

use glam::{DAffine3, DVec3};
use understudy_anatomy::Body;
use understudy_anatomy::body::Side;
use understudy_motion::{Skeleton, SkinnedMesh, Surface};

use crate::description::Description;
use crate::error::BodyError;
use crate::field::Field;
use crate::flesh::{flesh, thicken};
use crate::grid::possible_cell_m;
pub use crate::mesh::BodyMesh;
use crate::mesh::{normals, packed};
use crate::paint::Paint;
use crate::plan::{Part, Plan};
use crate::skin::Skin;
use crate::trim::Trimmer;
use crate::truth::true_body;
use crate::tube::Tube;
use crate::weights::{Tree, weights};

/// Distance of the samples of the surface where none is given, in statures: about a third of a
/// human finger.
const CELL: f64 = 0.002;

/// A character ready to be written to a file or moved.
#[derive(Clone, Debug, PartialEq)]
pub struct Character {
    /// Name of the character.
    pub name: String,
    /// Joints in the file's coordinates, metres; the soles lie at height 0.
    pub skeleton: Skeleton,
    /// What each joint is, as known from the making.
    pub body: Body,
    /// Skin (one closed surface), eyes and trimmings (closed pieces), in the file's coordinates at rest.
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

/// The joints of a description and what they are, without flesh.
///
/// # Errors
/// A value out of its range, or a rest pose that reaches below the floor.
pub fn skeleton_and_body(description: &Description) -> Result<(Skeleton, Body), BodyError> {
    description.check()?;
    let plan = Plan::new(description);
    let skeleton = plan.skeleton()?;
    let body = true_body(&plan, &skeleton, description.frame()?);
    Ok((skeleton, body))
}

/// Makes a character from a description. The same description always gives the same character.
///
/// # Errors
/// A value out of its range, or a rest pose that reaches below the floor.
pub fn character(description: &Description) -> Result<Character, BodyError> {
    let (skeleton, body) = skeleton_and_body(description)?;
    let meshes = meshes(&Plan::new(description));
    let file_from_working = description.frame()?.working_from_file().inverse();
    let meshes: Vec<BodyMesh> = meshes
        .into_iter()
        .filter(|mesh| !mesh.triangles.is_empty())
        .map(|mesh| mesh.turned(file_from_working))
        .collect();
    let surface = surface(&skeleton, &meshes);
    Ok(Character {
        name: description.name.clone(),
        body,
        skeleton,
        meshes,
        surface,
    })
}

/// Skin, eyes and trimmings, in the working frame.
fn meshes(plan: &Plan<'_>) -> [BodyMesh; 3] {
    let body = plan.description;
    let mut flesh = flesh(plan);
    let wanted_m = body.detail.cell_m.unwrap_or(CELL * body.stature_m);
    let rough = Field::new(flesh.clusters.clone(), 0.0);
    let cell_m = possible_cell_m(&rough, wanted_m);
    thicken(&mut flesh.clusters, cell_m);
    let field = Field::new(flesh.clusters, 1.5 * cell_m);
    let top = plan
        .find(Part::Head, Side::Middle, 0)
        .map(|_| plan.head_centre() + DVec3::Y * plan.head_radius_m());
    let skin = Skin::new(&field, cell_m, body.detail.vertices, top);
    let paint = Paint {
        field: &field,
        colours: &body.colours,
        stature_m: body.stature_m,
    };
    let tree = Tree {
        parents: plan.bones.iter().map(|bone| bone.parent).collect(),
        mirror: plan.mirror(),
    };
    let influences = weights(&field, &skin, &tree);
    let trimmer = Trimmer {
        plan,
        field: &field,
        paint: &paint,
    };
    let mut trimmings = trimmer.face();
    trimmings.extend(trimmer.claws(&flesh.claws));
    trimmings.extend(trimmer.feathers());
    if let Some(quills) = &body.features.quills {
        trimmings.extend(trimmer.quills(quills, &skin, &influences, &tree.mirror));
    }
    let mut colours = vec![[1.0; 4]; skin.positions.len()];
    for vertex in 0..skin.half {
        let [r, g, b] = paint.at(skin.positions[vertex], skin.normals[vertex]);
        colours[vertex] = [r, g, b, 1.0];
        colours[skin.mirror[vertex]] = [r, g, b, 1.0];
    }
    let (joints, weights) = influences.iter().map(|list| packed(list)).unzip();
    let skin = BodyMesh {
        name: "skin".into(),
        positions: skin.positions,
        normals: skin.normals,
        colours,
        joints,
        weights,
        triangles: skin.triangles,
    };
    [
        skin,
        mesh_of("eyes", &trimmer.eyes()),
        mesh_of("trimmings", &trimmings),
    ]
}

fn mesh_of(name: &str, tubes: &[Tube]) -> BodyMesh {
    let mut mesh = BodyMesh {
        name: name.into(),
        ..BodyMesh::default()
    };
    for tube in tubes {
        tube.add_to(&mut mesh);
    }
    mesh.normals = normals(&mesh.positions, &mesh.triangles);
    mesh
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
        ..SkinnedMesh::default()
    };
    Surface {
        meshes: meshes.iter().map(skinned).collect(),
        ..Surface::default()
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
