//! How long a large character takes to open, against the smallest of the cast: 60,000 vertices in
//! four meshes on three skins, some 200 joints. Opening is reading the file, finding roles and
//! making out the body.
//!
//! `cargo bench -p understudy-scene`; with `-- --keep FILE.glb` the character is kept, to be opened
//! elsewhere.

use std::path::{Path, PathBuf};
use std::time::Instant;

use serde_json::{Value, json};
use understudy_bodies::description::{Appendage, ArmPair, LegPair, Torso};
use understudy_bodies::{Description, character};
use understudy_interchange::file::write_atomically;
use understudy_interchange::gltf_file::{NewCharacter, NewMesh, build_character};
use understudy_scene::{LoadOptions, Loaded, Purpose};

const VERTICES: usize = 60_000;
const MESHES: usize = 4;
const SKINS: usize = 3;

/// A body of about 200 joints: three pairs of arms with five fingers each, a long spine, a long tail.
fn description() -> Description {
    let arm = |drop_m: f64| ArmPair {
        drop_m,
        finger_joints: 4,
        twist_joints: 2,
        ..ArmPair::default()
    };
    Description {
        torso: Torso {
            spine_joints: 9,
            neck_joints: 3,
            ..Torso::default()
        },
        arms: vec![arm(0.0), arm(0.12), arm(0.24)],
        legs: LegPair {
            twist_joints: 3,
            ..LegPair::default()
        },
        tail: Some(Appendage {
            joints: 10,
            length_m: 1.2,
            rise_degrees: 20.0,
            radius_m: 0.04,
            bush: 1.0,
        }),
        ..Description::human("crowd", 1.75)
    }
}

/// The body's skin once in each mesh, with vertices left over to the number wanted.
fn large_character() -> Vec<u8> {
    let body = character(&description()).expect("within all ranges");
    let skin = &body.meshes[0];
    let single = |points: &[glam::DVec3]| -> Vec<[f32; 3]> {
        points.iter().map(|p| p.as_vec3().to_array()).collect()
    };
    let count = VERTICES / MESHES;
    let meshes = (0..MESHES).map(|mesh| {
        let mut new = NewMesh {
            name: format!("layer {mesh}"),
            positions: single(&skin.positions),
            normals: single(&skin.normals),
            colors: skin.colours.clone(),
            joints: skin.joints.clone(),
            weights: skin.weights.clone(),
            triangles: skin.triangles.clone(),
            base_color: [1.0; 4],
        };
        grow(&mut new, count);
        new
    });
    let made = build_character(&NewCharacter {
        name: body.name.clone(),
        skeleton: body.skeleton.clone(),
        meshes: meshes.collect(),
        extras: None,
    });
    with_more_skins(&made.expect("a sound character"))
}

/// Splits triangles at their middles until there are so many vertices; cuts a larger mesh down.
fn grow(mesh: &mut NewMesh, count: usize) {
    let mut next = 0;
    while mesh.positions.len() < count {
        let [a, b, c] = mesh.triangles[next].map(|vertex| vertex as usize);
        let mean = |list: &[[f32; 3]]| -> [f32; 3] {
            std::array::from_fn(|i| (list[a][i] + list[b][i] + list[c][i]) / 3.0)
        };
        let middle = mesh.positions.len() as u32;
        mesh.positions.push(mean(&mesh.positions));
        mesh.normals.push(mesh.normals[a]);
        mesh.colors.push(mesh.colors[a]);
        mesh.joints.push(mesh.joints[a]);
        mesh.weights.push(mesh.weights[a]);
        let [a, b, c] = mesh.triangles[next];
        mesh.triangles[next] = [a, b, middle];
        mesh.triangles.extend([[b, c, middle], [c, a, middle]]);
        next += 1;
    }
    mesh.triangles
        .retain(|corners| corners.iter().all(|&vertex| (vertex as usize) < count));
    mesh.positions.truncate(count);
    mesh.normals.truncate(count);
    mesh.colors.truncate(count);
    mesh.joints.truncate(count);
    mesh.weights.truncate(count);
}

/// The same file with its skin several times, the meshes spread over them.
fn with_more_skins(glb: &[u8]) -> Vec<u8> {
    let length = u32::from_le_bytes(glb[12..16].try_into().expect("four bytes")) as usize;
    let mut json: Value = serde_json::from_slice(&glb[20..20 + length]).expect("JSON");
    let skin = json["skins"][0].clone();
    json["skins"] = vec![skin; SKINS].into();
    let nodes = json["nodes"].as_array_mut().expect("nodes");
    let skinned = nodes.iter_mut().filter(|node| node.get("skin").is_some());
    for (number, node) in skinned.enumerate() {
        node["skin"] = json!(number % SKINS);
    }
    let mut text = serde_json::to_vec(&json).expect("JSON");
    text.resize(text.len().next_multiple_of(4), b' ');
    let rest = &glb[20 + length..];
    let total = (20 + text.len() + rest.len()) as u32;
    let head = [
        &glb[..8],
        &total.to_le_bytes(),
        &(text.len() as u32).to_le_bytes(),
        b"JSON",
    ];
    [head.concat(), text, rest.to_vec()].concat()
}

/// Least time of several, seconds: the others were disturbed.
fn seconds_to_open(path: &Path) -> f64 {
    (0..5)
        .map(|_| {
            let start = Instant::now();
            let loaded = Loaded::read(path, &LoadOptions::default(), Purpose::Character)
                .expect("a sound file");
            loaded.body().expect("a body");
            std::hint::black_box(loaded);
            start.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min)
}

fn main() {
    let mut arguments = std::env::args().skip_while(|argument| argument != "--keep");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let kept = arguments.nth(1).map(PathBuf::from);
    let large = kept.unwrap_or_else(|| folder.path().join("crowd.glb"));
    write_atomically(&large, &large_character()).expect("a file that can be written");
    let loaded = Loaded::read(&large, &LoadOptions::default(), Purpose::Character);
    let loaded = loaded.expect("a sound file");
    let meshes = &loaded.surface().expect("a surface").meshes;
    let vertices: usize = meshes.iter().map(|mesh| mesh.bind_positions.len()).sum();
    let small = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../assets/characters/pedlar.glb");
    let (large_secs, small_secs) = (seconds_to_open(&large), seconds_to_open(&small));
    println!(
        "{vertices} vertices in {} meshes, {} joints: opened in {large_secs:.3} s, {:.1} times the pedlar",
        meshes.len(),
        loaded.skeleton().len(),
        large_secs / small_secs
    );
}
