//! Triangles and weights of pieces of flesh.

use glam::{DMat3, DQuat, DVec3};

use crate::flesh::Piece;

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

/// Vertices around each ring.
const SIDES: usize = 16;
/// Rings of a rounded end, the pole not counted.
const CAP_RINGS: usize = 4;
/// Rings between the rounded ends, theirs not counted.
const BODY_RINGS: usize = 6;

/// The mesh of some pieces, turned into the file's coordinates.
pub(crate) fn mesh_of(name: &str, pieces: &[Piece], file_from_working: DQuat) -> BodyMesh {
    let mut mesh = BodyMesh {
        name: name.into(),
        ..BodyMesh::default()
    };
    for piece in pieces {
        append(&mut mesh, piece);
    }
    mesh.normals = normals(&mesh.positions, &mesh.triangles);
    for vector in mesh.positions.iter_mut().chain(&mut mesh.normals) {
        *vector = file_from_working * *vector;
    }
    mesh
}

/// One circle of a piece: place along the axis and radius there, metres.
struct Ring {
    along_m: f64,
    radius_m: f64,
}

fn rings(piece: &Piece) -> Vec<Ring> {
    let length_m = piece.from.distance(piece.to);
    let [start_m, end_m] = piece.radii_m;
    let cap_angle = |ring: usize| std::f64::consts::FRAC_PI_2 * ring as f64 / CAP_RINGS as f64;
    let mut rings: Vec<Ring> = (1..=CAP_RINGS)
        .map(|ring| Ring {
            along_m: -piece.caps[0] * start_m * cap_angle(ring).cos(),
            radius_m: start_m * cap_angle(ring).sin(),
        })
        .collect();
    rings.extend((1..=BODY_RINGS).map(|ring| {
        let share = ring as f64 / (BODY_RINGS + 1) as f64;
        Ring {
            along_m: length_m * share,
            radius_m: start_m + (end_m - start_m) * share,
        }
    }));
    rings.extend((1..=CAP_RINGS).rev().map(|ring| Ring {
        along_m: length_m + piece.caps[1] * end_m * cap_angle(ring).cos(),
        radius_m: end_m * cap_angle(ring).sin(),
    }));
    rings
}

/// Axis of a piece and the two directions across it: the flat one and the broad one.
fn axes(piece: &Piece) -> DMat3 {
    let axis = (piece.to - piece.from).normalize_or(DVec3::Y);
    let across = piece.flat.0.reject_from_normalized(axis);
    // A flat direction along the axis leaves only rounding behind.
    let flat = if across.length() > 1e-3 {
        across.normalize()
    } else {
        axis.any_orthonormal_vector()
    };
    DMat3::from_cols(axis, flat, axis.cross(flat))
}

fn append(mesh: &mut BodyMesh, piece: &Piece) {
    let first = mesh.positions.len() as u32;
    let axes = axes(piece);
    let length_m = piece.from.distance(piece.to);
    let [start_m, end_m] = piece.radii_m;
    let mut add = |along_m: f64, across: DVec3| {
        let mut position = piece.from + axes.x_axis * along_m + across;
        if piece.on_floor {
            position.y = position.y.max(0.0);
        }
        let (joints, weights) = packed(&influences(piece, along_m, length_m));
        mesh.positions.push(position);
        mesh.joints.push(joints);
        mesh.weights.push(weights);
        let [r, g, b] = piece.colour;
        mesh.colours.push([r, g, b, 1.0]);
    };
    add(-piece.caps[0] * start_m, DVec3::ZERO);
    let rings = rings(piece);
    for ring in &rings {
        for side in 0..SIDES {
            let (sin, cos) = (std::f64::consts::TAU * side as f64 / SIDES as f64).sin_cos();
            let across = axes.y_axis * sin * piece.flat.1 + axes.z_axis * cos;
            add(ring.along_m, across * ring.radius_m);
        }
    }
    add(length_m + piece.caps[1] * end_m, DVec3::ZERO);
    stitch(&mut mesh.triangles, first, rings.len() as u32);
}

/// Triangles of a pole, some rings and another pole, numbered from `first`.
fn stitch(triangles: &mut Vec<[u32; 3]>, first: u32, rings: u32) {
    let sides = SIDES as u32;
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

/// 0 below −1, 1 above 1, smooth between.
fn smooth_step(x: f64) -> f64 {
    let t = ((x + 1.0) / 2.0).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Joints that move a vertex at a place along its piece, with weights that sum to 1.
///
/// At each end the neighbour takes over across a stretch as long as the piece is thick, but no
/// longer than half the piece, so that at most the two ends of one joint meet.
fn influences(piece: &Piece, along_m: f64, length_m: f64) -> Vec<(usize, f64)> {
    let blend = |radius_m: f64| radius_m.min(length_m / 2.0).max(1e-9);
    let [start_m, end_m] = piece.radii_m;
    let before = piece
        .before
        .map(|joint| (joint, smooth_step(-along_m / blend(start_m))));
    let after = piece
        .after
        .map(|joint| (joint, smooth_step((along_m - length_m) / blend(end_m))));
    let taken: f64 = before.iter().chain(&after).map(|(_, weight)| weight).sum();
    let own = (1.0 - taken).max(0.0);
    let mut all: Vec<(usize, f64)> = before.into_iter().chain(after).collect();
    let share = if length_m > 0.0 {
        along_m / length_m
    } else {
        0.0
    };
    all.extend(
        twist_shares(piece, share)
            .into_iter()
            .map(|(joint, weight)| (joint, weight * own)),
    );
    all.retain(|(_, weight)| *weight > 1e-6);
    all
}

/// How the owner and the joints that share its twist divide a place along the piece.
fn twist_shares(piece: &Piece, share: f64) -> Vec<(usize, f64)> {
    let mut low = (piece.owner, 0.0);
    for &high in &piece.twists {
        if share < high.1 {
            let t = ((share - low.1) / (high.1 - low.1)).clamp(0.0, 1.0);
            return vec![(low.0, 1.0 - t), (high.0, t)];
        }
        low = high;
    }
    vec![(low.0, 1.0)]
}

/// At most four influences, brought to a sum of 1 after rounding.
fn packed(influences: &[(usize, f64)]) -> ([u16; 4], [f32; 4]) {
    let mut sorted = influences.to_vec();
    sorted.sort_by(|a, b| b.1.total_cmp(&a.1));
    sorted.truncate(4);
    let sum: f64 = sorted.iter().map(|(_, weight)| weight).sum();
    let (mut joints, mut weights) = ([0; 4], [0.0; 4]);
    for (slot, (joint, weight)) in sorted.into_iter().enumerate() {
        joints[slot] = joint as u16;
        weights[slot] = (weight / sum) as f32;
    }
    (joints, weights)
}

/// Unit normals of vertices: the sum of the triangles' normals by area.
fn normals(positions: &[DVec3], triangles: &[[u32; 3]]) -> Vec<DVec3> {
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
