//! What is drawn of a body: its skin and its bones, as triangles that joints move.

use std::f64::consts::TAU;

use understudy_anatomy::Side;
use understudy_motion::{
    DAffine3, DQuat, DVec3, JointKind, Look, Opacity, Skeleton, SkinnedMesh, Surface, WorldPose,
};

use super::palette::{self, Rgb};
use super::pixels::Pixels;

/// Triangles that joints move, in the form that graphics hardware takes. Metres.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SkinModel {
    /// Vertices before skinning.
    pub positions: Vec<[f32; 3]>,
    /// Unit normals before skinning.
    pub normals: Vec<[f32; 3]>,
    /// Linear red, green, blue, opacity.
    pub colours: Vec<[f32; 4]>,
    /// Four slots per vertex.
    pub slots: Vec<[u16; 4]>,
    /// Their weights; they sum to 1.
    pub weights: Vec<[f32; 4]>,
    /// Triangles as indices of vertices.
    pub triangles: Vec<[u32; 3]>,
    /// The joint of each slot.
    pub joints: Vec<usize>,
    /// `joint_from_model` of each slot at bind time.
    pub inverse_binds: Vec<DAffine3>,
    /// Places of the vertices in the picture, right and down; empty where there is none.
    pub picture_places: Vec<[f32; 2]>,
    /// Picture, outline and sides; the picture is one of [`Model::pictures`].
    pub look: Look,
}

/// Skin and bones of one body.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Model {
    /// The skin, mesh by mesh; empty where the file has none.
    pub skin: Vec<SkinModel>,
    /// What hangs on single joints, such as hats and eyes.
    pub rigid: Vec<SkinModel>,
    /// Pictures on both.
    pub pictures: Vec<Pixels>,
    /// The bones.
    pub bones: SkinModel,
}

impl Model {
    /// Skin and bones of a skeleton at rest. `sides` gives the side of each joint, `tint` colours a
    /// skin without colours of its own. Pictures that cannot be read are named in the list beside it,
    /// and their meshes drawn without them.
    pub fn new(
        skeleton: &Skeleton,
        surface: Option<&Surface>,
        sides: &[Side],
        height_m: f64,
        tint: Rgb,
    ) -> (Self, Vec<String>) {
        let mut problems = Vec::new();
        let mut pictures = Vec::new();
        let mut known = Vec::new();
        for picture in surface.into_iter().flat_map(|surface| &surface.pictures) {
            known.push(match Pixels::read(picture) {
                Ok(pixels) => {
                    pictures.push(pixels);
                    Some(pictures.len() - 1)
                }
                Err(problem) => {
                    problems.push(problem);
                    None
                }
            });
        }
        let made = |mesh: &SkinnedMesh| {
            let mut model = skin_of(mesh, tint);
            let picture = model.look.picture;
            model.look.picture = picture.and_then(|at| known.get(at).copied().flatten());
            let pixels: Option<&Pixels> = model.look.picture.map(|at| &pictures[at]);
            let is_see_through = pixels.is_some_and(Pixels::is_see_through)
                || model.colours.iter().any(|colour| colour[3] < 1.0);
            if model.look.opacity == Opacity::Blend && !is_see_through {
                // Many files ask for it everywhere; what is solid is drawn in the right order.
                model.look.opacity = Opacity::Solid;
            }
            model
        };
        let all = |pick: fn(&Surface) -> &Vec<SkinnedMesh>| {
            let meshes = surface.map_or(&[][..], |surface| pick(surface));
            meshes.iter().map(made).collect()
        };
        let model = Self {
            skin: all(|surface| &surface.meshes),
            rigid: all(|surface| &surface.rigid),
            pictures,
            bones: bones_of(skeleton, sides, height_m),
        };
        (model, problems)
    }

    /// Everything that is drawn of the body besides its bones.
    pub fn meshes(&self) -> impl Iterator<Item = &SkinModel> {
        self.skin.iter().chain(&self.rigid)
    }

    /// Whether the meshes show the body, so that it need not be drawn as bones: a skin does, and so do
    /// meshes on many joints, as of a jointed doll; a hat alone does not.
    pub fn has_skin(&self) -> bool {
        /// Joints that meshes must hang on: a trunk and four limbs.
        const BODY: usize = 5;
        let mut joints: Vec<usize> = self
            .rigid
            .iter()
            .flat_map(|mesh| &mesh.joints)
            .copied()
            .collect();
        joints.sort_unstable();
        joints.dedup();
        !self.skin.is_empty() || joints.len() >= BODY
    }

    /// Number of vertices of the meshes.
    pub fn skin_vertices(&self) -> usize {
        self.meshes().map(|mesh| mesh.positions.len()).sum()
    }
}

fn skin_of(mesh: &SkinnedMesh, tint: Rgb) -> SkinModel {
    let count = mesh.bind_positions.len();
    let normals = match mesh.normals.len() == count {
        true => mesh.normals.clone(),
        false => normals_of(&mesh.bind_positions, &mesh.triangles),
    };
    let colours = match mesh.colours.len() == count {
        true => mesh.colours.clone(),
        false => vec![tint.linear(); count],
    };
    let (slots, weights) = mesh.influences.iter().map(|all| four(all)).unzip();
    SkinModel {
        positions: mesh.bind_positions.iter().map(single).collect(),
        normals: normals.iter().map(single).collect(),
        colours,
        slots,
        weights,
        triangles: mesh.triangles.clone(),
        joints: mesh.joints.clone(),
        inverse_binds: mesh.inverse_binds.clone(),
        picture_places: match mesh.picture_places.len() == count {
            true => mesh.picture_places.clone(),
            false => Vec::new(),
        },
        look: mesh.look,
    }
}

fn single(point: &DVec3) -> [f32; 3] {
    point.as_vec3().to_array()
}

/// The four largest influences, their weights made to sum to 1 again.
fn four(influences: &[(usize, f64)]) -> ([u16; 4], [f32; 4]) {
    let mut sorted = influences.to_vec();
    sorted.sort_by(|a, b| b.1.total_cmp(&a.1));
    sorted.truncate(4);
    let sum: f64 = sorted.iter().map(|(_, weight)| weight).sum();
    let (mut slots, mut weights) = ([0; 4], [0.0; 4]);
    for (at, (slot, weight)) in sorted.iter().enumerate() {
        slots[at] = u16::try_from(*slot).unwrap_or(u16::MAX);
        weights[at] = if sum > 0.0 {
            (weight / sum) as f32
        } else {
            0.0
        };
    }
    if sum <= 0.0 {
        weights[0] = 1.0;
    }
    (slots, weights)
}

/// Normals of vertices: the mean of their triangles' normals, large triangles counting more.
pub fn normals_of(positions: &[DVec3], triangles: &[[u32; 3]]) -> Vec<DVec3> {
    let mut sums = vec![DVec3::ZERO; positions.len()];
    for triangle in triangles {
        let [a, b, c] = triangle.map(|index| index as usize);
        let (Some(pa), Some(pb), Some(pc)) = (positions.get(a), positions.get(b), positions.get(c))
        else {
            continue;
        };
        let normal = (*pb - *pa).cross(*pc - *pa);
        for index in [a, b, c] {
            sums[index] += normal;
        }
    }
    sums.into_iter()
        .map(|sum| sum.try_normalize().unwrap_or(DVec3::Y))
        .collect()
}

/// Corners of a bone's cross-section: enough to look round.
const CORNERS: usize = 12;

/// Outline of a bone: place along it, and radius as part of its greatest.
const OUTLINE: [(f64, f64); 7] = [
    (0.0, 0.0),
    (0.02, 0.45),
    (0.10, 0.85),
    (0.2, 1.0),
    (0.55, 0.62),
    (0.97, 0.28),
    (1.0, 0.0),
];

/// Bones as spindles from joint to joint, thick near the joint that moves them, with a ball for
/// every joint.
fn bones_of(skeleton: &Skeleton, sides: &[Side], height_m: f64) -> SkinModel {
    let rest = skeleton.rest_world();
    let mut model = SkinModel {
        joints: (0..skeleton.len()).collect(),
        inverse_binds: rest.affines.iter().map(|affine| affine.inverse()).collect(),
        ..SkinModel::default()
    };
    for joint in 0..skeleton.len() {
        if skeleton.joint(joint).kind == JointKind::Carrier {
            continue;
        }
        let from = rest.position(joint);
        let children = skeleton.children(joint).iter();
        let mut ends: Vec<(DVec3, usize)> = children
            .map(|&child| (rest.position(child), child))
            .collect();
        let tips = skeleton.joint(joint).tips.iter();
        ends.extend(tips.map(|tip| (rest.point(joint, *tip), joint)));
        let mut thickest: f64 = 0.0;
        for (to, end) in ends {
            let radius_m = bone_radius_m((to - from).length(), height_m);
            thickest = thickest.max(radius_m);
            let side = sides.get(end).copied().unwrap_or(Side::Middle);
            model.add_lathe(from, to, radius_m, joint, palette::side(side));
        }
        let radius_m = (0.75 * thickest).clamp(0.003 * height_m, 0.014 * height_m);
        model.add_ball(rest.position(joint), radius_m, joint, palette::JOINT);
    }
    model
}

/// Long bones are thicker, none looks like a wire or like a barrel.
fn bone_radius_m(length_m: f64, height_m: f64) -> f64 {
    (0.085 * length_m).clamp(0.003 * height_m, 0.02 * height_m)
}

impl SkinModel {
    /// Places of all vertices in a pose (linear blend skinning, glTF 2.0 section 3.7.3.3), metres.
    pub fn posed(&self, pose: &WorldPose) -> Vec<DVec3> {
        let world_from_model: Vec<DAffine3> = self
            .joints
            .iter()
            .zip(&self.inverse_binds)
            .map(|(&joint, bind)| pose.affines[joint] * *bind)
            .collect();
        let vertices = self.positions.iter().zip(&self.slots).zip(&self.weights);
        vertices
            .map(|((point, slots), weights)| {
                let point = glam::Vec3::from_array(*point).as_dvec3();
                let moved = slots.iter().zip(weights);
                moved
                    .filter(|(_, weight)| **weight > 0.0)
                    .filter_map(|(slot, weight)| {
                        let affine = world_from_model.get(usize::from(*slot))?;
                        Some(f64::from(*weight) * affine.transform_point3(point))
                    })
                    .sum()
            })
            .collect()
    }

    fn add_lathe(&mut self, from: DVec3, to: DVec3, radius_m: f64, joint: usize, colour: Rgb) {
        let length_m = (to - from).length();
        if length_m < 1e-6 {
            return;
        }
        let outline = OUTLINE.map(|(along, radius)| [along * length_m, radius * radius_m]);
        self.add_turned(from, to - from, &outline, joint, colour);
    }

    fn add_ball(&mut self, centre: DVec3, radius_m: f64, joint: usize, colour: Rgb) {
        const RINGS: usize = 8;
        let outline: Vec<[f64; 2]> = (0..=RINGS)
            .map(|ring| {
                let angle = std::f64::consts::PI * ring as f64 / RINGS as f64;
                [radius_m * -angle.cos(), radius_m * angle.sin()]
            })
            .collect();
        self.add_turned(centre, DVec3::Y, &outline, joint, colour);
    }

    /// A surface of revolution: `outline` gives place along the axis and radius, metres.
    fn add_turned(
        &mut self,
        from: DVec3,
        axis: DVec3,
        outline: &[[f64; 2]],
        joint: usize,
        colour: Rgb,
    ) {
        let turn = DQuat::from_rotation_arc(DVec3::Y, axis.normalize_or(DVec3::Y));
        let first = self.positions.len() as u32;
        let slot = u16::try_from(joint).unwrap_or(u16::MAX);
        for (ring, [along, radius]) in outline.iter().enumerate() {
            // The slope of the outline, from its neighbours.
            let before = outline[ring.saturating_sub(1)];
            let after = outline[(ring + 1).min(outline.len() - 1)];
            let slope = [after[0] - before[0], after[1] - before[1]];
            for corner in 0..CORNERS {
                let angle = TAU * corner as f64 / CORNERS as f64;
                let outward = DVec3::new(angle.sin(), 0.0, angle.cos());
                let normal = outward * slope[0] - DVec3::Y * slope[1];
                let point = from + turn * (outward * *radius + DVec3::Y * *along);
                self.positions.push(single(&point));
                self.normals
                    .push(single(&(turn * normal.normalize_or(DVec3::Y))));
                self.colours.push(colour.linear());
                self.slots.push([slot, 0, 0, 0]);
                self.weights.push([1.0, 0.0, 0.0, 0.0]);
            }
        }
        for ring in 0..outline.len() as u32 - 1 {
            for corner in 0..CORNERS as u32 {
                let next = (corner + 1) % CORNERS as u32;
                let [a, b] = [corner, next].map(|c| first + ring * CORNERS as u32 + c);
                let [c, d] = [a, b].map(|index| index + CORNERS as u32);
                self.triangles.extend([[a, b, d], [a, d, c]]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use understudy_motion::Joint;

    #[test]
    fn normals_of_a_box_corner_point_outward() {
        let positions = [DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::Z];
        let triangles = [[0, 2, 1], [0, 3, 2], [0, 1, 3]];
        let expected = DVec3::splat(-1.0 / 3.0_f64.sqrt());
        assert!((normals_of(&positions, &triangles)[0] - expected).length() < 1e-12);
        // An index past the end is left out.
        assert_eq!(normals_of(&positions[..1], &[[0, 7, 9]]), [DVec3::Y]);
    }

    #[test]
    fn more_than_four_influences_keep_the_largest() {
        let (slots, weights) = four(&[(0, 0.05), (1, 0.3), (2, 0.2), (3, 0.25), (4, 0.2)]);
        assert_eq!(slots[0], 1);
        assert!(!slots.contains(&0));
        assert!((weights.iter().sum::<f32>() - 1.0).abs() < 1e-6);
        assert_eq!(four(&[]).1, [1.0, 0.0, 0.0, 0.0]);
    }

    #[test]
    fn what_hangs_on_joints_is_drawn_with_its_picture_and_a_broken_one_is_told() {
        use crate::state::pixels::tests::png as file_of;
        use understudy_motion::Picture;

        let names = ["trunk", "head", "arm", "hand", "leg"];
        let joints = names.iter().enumerate();
        let joints = joints.map(|(at, name)| Joint::new(*name, at.checked_sub(1), DVec3::Y));
        let skeleton = Skeleton::new(joints.collect()).unwrap();
        let hat = |joint: usize, picture: usize| SkinnedMesh {
            bind_positions: vec![DVec3::ZERO, DVec3::X, DVec3::Z],
            influences: vec![vec![(0, 1.0)]; 3],
            joints: vec![joint],
            inverse_binds: vec![DAffine3::IDENTITY],
            triangles: vec![[0, 1, 2]],
            picture_places: vec![[0.0; 2]; 3],
            look: Look {
                picture: Some(picture),
                ..Look::default()
            },
            ..SkinnedMesh::default()
        };
        let picture = |name: &str, bytes: &[u8]| Picture {
            name: name.to_owned(),
            bytes: bytes.into(),
        };
        let whole = file_of(png::ColorType::Grayscale, [2, 2], &[9; 4]);
        let mut surface = Surface {
            rigid: vec![hat(1, 0), hat(1, 1)],
            pictures: vec![picture("felt", b"no picture"), picture("lace", &whole)],
            ..Surface::default()
        };
        let made =
            |surface: &Surface| Model::new(&skeleton, Some(surface), &[], 1.0, palette::SKIN);
        let (model, problems) = made(&surface);
        assert_eq!(problems, ["felt: it is neither PNG nor JPEG"]);
        let pictures: Vec<_> = model.rigid.iter().map(|mesh| mesh.look.picture).collect();
        assert_eq!(pictures, [None, Some(0)]);
        assert_eq!((model.pictures.len(), model.pictures[0].width), (1, 2));
        let posed = model.rigid[0].posed(&skeleton.rest_world());
        assert_eq!(posed[0], 2.0 * DVec3::Y);
        // A hat alone is no body; meshes on all joints are.
        assert!(!model.has_skin() && model.skin.is_empty());
        surface.rigid = (0..names.len()).map(|joint| hat(joint, 1)).collect();
        assert!(made(&surface).0.has_skin());
    }

    #[test]
    fn bones_are_closed_and_face_outward() {
        let skeleton = Skeleton::new(vec![
            Joint::new("hip", None, DVec3::Y),
            Joint::new("knee", Some(0), DVec3::new(0.1, -0.4, 0.0)).with_tip(DVec3::NEG_Y * 0.4),
        ])
        .unwrap();
        let bones = bones_of(&skeleton, &[Side::Left, Side::Left], 1.0);
        let positions: Vec<DVec3> = bones
            .positions
            .iter()
            .map(|p| glam::Vec3::from_array(*p).as_dvec3())
            .collect();
        // The divergence theorem: a closed surface that faces outward holds a positive volume.
        let volume: f64 = bones
            .triangles
            .iter()
            .map(|t| {
                let [a, b, c] = t.map(|index| positions[index as usize]);
                a.cross(b).dot(c) / 6.0
            })
            .sum();
        let expected = 2.0 * std::f64::consts::PI * 0.02f64.powi(2) * 0.4 / 3.0;
        assert!(
            volume > 0.5 * expected && volume < 3.0 * expected,
            "{volume}"
        );
        for (index, normal) in bones.normals.iter().enumerate() {
            let normal = glam::Vec3::from_array(*normal);
            assert!((normal.length() - 1.0).abs() < 1e-5, "{index}: {normal}");
        }
    }
}
