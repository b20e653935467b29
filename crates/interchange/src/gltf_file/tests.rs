//! Tests of the glTF reader and writer on documents made here, byte by byte.

use std::sync::Arc;

use base64::Engine as _;
use glam::{DQuat, DVec3};
use proptest::prelude::*;
use serde_json::{Value, json};
use understudy_motion::{Clip, Joint, JointKind, LengthUnit, Skeleton, Transform, WorldPose};

use super::*;

/// A `.gltf` in the making: JSON and one buffer.
struct Fixture {
    json: Value,
    bin: Vec<u8>,
}

impl Fixture {
    fn new(nodes: Value) -> Self {
        let roots: Vec<usize> = {
            let list = nodes.as_array().unwrap();
            let is_child = |index: usize| {
                list.iter().any(|node| {
                    node["children"]
                        .as_array()
                        .is_some_and(|children| children.contains(&json!(index)))
                })
            };
            (0..list.len()).filter(|&index| !is_child(index)).collect()
        };
        Self {
            json: json!({
                "asset": { "version": "2.0" },
                "scene": 0,
                "scenes": [{ "nodes": roots }],
                "nodes": nodes,
                "accessors": [],
                "bufferViews": [],
            }),
            bin: Vec::new(),
        }
    }

    fn push(&mut self, key: &str, item: Value) -> usize {
        if self.json.get(key).is_none() {
            self.json[key] = json!([]);
        }
        let list = self.json[key].as_array_mut().unwrap();
        list.push(item);
        list.len() - 1
    }

    fn view(&mut self, bytes: &[u8]) -> usize {
        self.bin.resize(self.bin.len().next_multiple_of(4), 0);
        let offset = self.bin.len();
        self.bin.extend_from_slice(bytes);
        self.push(
            "bufferViews",
            json!({ "buffer": 0, "byteOffset": offset, "byteLength": bytes.len() }),
        )
    }

    fn accessor(&mut self, bytes: &[u8], kind: u32, shape: &str, count: usize) -> usize {
        let view = self.view(bytes);
        self.push(
            "accessors",
            json!({ "bufferView": view, "componentType": kind, "type": shape, "count": count }),
        )
    }

    fn floats(&mut self, shape: &str, numbers: &[f32]) -> usize {
        let width = match shape {
            "SCALAR" => 1,
            "VEC3" => 3,
            "VEC4" => 4,
            _ => 16,
        };
        let bytes: Vec<u8> = numbers.iter().flat_map(|x| x.to_le_bytes()).collect();
        self.accessor(&bytes, 5126, shape, numbers.len() / width)
    }

    fn skin(&mut self, joints: &[usize]) -> usize {
        self.push("skins", json!({ "joints": joints }))
    }

    fn animation(&mut self, channels: &[(usize, &str, &str, usize, usize)]) {
        let samplers: Vec<Value> = channels
            .iter()
            .map(|(_, _, interpolation, input, output)| {
                json!({ "input": input, "output": output, "interpolation": interpolation })
            })
            .collect();
        let channels: Vec<Value> = channels
            .iter()
            .enumerate()
            .map(|(sampler, (node, path, ..))| {
                json!({ "sampler": sampler, "target": { "node": node, "path": path } })
            })
            .collect();
        self.push(
            "animations",
            json!({ "name": "lantern", "samplers": samplers, "channels": channels }),
        );
    }

    fn gltf(mut self) -> Vec<u8> {
        let data = base64::engine::general_purpose::STANDARD.encode(&self.bin);
        self.json["buffers"] = json!([{
            "byteLength": self.bin.len(),
            "uri": format!("data:application/octet-stream;base64,{data}"),
        }]);
        serde_json::to_vec(&self.json).unwrap()
    }

    fn glb(mut self) -> Vec<u8> {
        self.json["buffers"] = json!([{ "byteLength": self.bin.len() }]);
        glb_bytes(&self.json, &self.bin)
    }
}

fn glb_bytes(json: &Value, bin: &[u8]) -> Vec<u8> {
    let mut text = serde_json::to_vec(json).unwrap();
    text.resize(text.len().next_multiple_of(4), b' ');
    let mut bin = bin.to_vec();
    bin.resize(bin.len().next_multiple_of(4), 0);
    let mut bytes = b"glTF\x02\0\0\0".to_vec();
    let total = 12 + 8 + text.len() + 8 + bin.len();
    bytes.extend((total as u32).to_le_bytes());
    bytes.extend((text.len() as u32).to_le_bytes());
    bytes.extend(b"JSON");
    bytes.extend(text);
    bytes.extend((bin.len() as u32).to_le_bytes());
    bytes.extend(b"BIN\0");
    bytes.extend(bin);
    bytes
}

fn read(bytes: &[u8]) -> GltfCharacter {
    read_gltf_bytes(bytes, None, &GltfOptions::default()).unwrap()
}

fn read_error(bytes: &[u8]) -> String {
    read_gltf_bytes(bytes, None, &GltfOptions::default())
        .unwrap_err()
        .to_string()
}

fn json_of(glb: &[u8]) -> Value {
    let length = u32::from_le_bytes(glb[12..16].try_into().unwrap()) as usize;
    serde_json::from_slice(&glb[20..20 + length]).unwrap()
}

fn bin_of(glb: &[u8]) -> &[u8] {
    let length = u32::from_le_bytes(glb[12..16].try_into().unwrap()) as usize;
    &glb[28 + length..]
}

fn close(a: DVec3, b: DVec3, tolerance: f64) {
    assert!((a - b).length() <= tolerance, "{a} is not {b}");
}

const QUARTER_Z: [f64; 4] = [
    0.0,
    0.0,
    std::f64::consts::FRAC_1_SQRT_2,
    std::f64::consts::FRAC_1_SQRT_2,
];

fn stall_keeper() -> Fixture {
    // A scaled and turned scene node above two joints and a hand that no skin names.
    Fixture::new(json!([
        { "name": "shin", "translation": [0.0, -40.0, 0.0] },
        { "name": "stage", "children": [3, 2], "scale": [0.01, 0.01, 0.01],
          "rotation": QUARTER_Z, "translation": [1.0, 0.0, 0.0] },
        { "name": "lamp" },
        { "name": "thigh", "children": [4], "translation": [0.0, 90.0, 0.0] },
        { "name": "between", "children": [0], "translation": [0.0, -5.0, 0.0] },
    ]))
}

#[test]
fn joints_under_scaled_and_turned_nodes_stand_where_they_should() {
    let mut fixture = stall_keeper();
    fixture.skin(&[0, 3]);
    let character = read(&fixture.gltf());
    let skeleton = &character.skeleton;
    let names: Vec<&str> = (0..skeleton.len())
        .map(|joint| skeleton.name(joint))
        .collect();
    assert_eq!(names, ["stage", "thigh", "between", "shin"]);
    let kinds: Vec<JointKind> = skeleton.joints().iter().map(|joint| joint.kind).collect();
    use JointKind::{Carrier, Joint};
    assert_eq!(kinds, [Carrier, Joint, Carrier, Joint]);
    assert_eq!(character.node_of_joint, [1, 3, 4, 0]);
    assert_eq!(
        character.joint_of_node,
        [Some(3), Some(0), None, Some(1), Some(2)]
    );
    // A quarter turn about Z carries +Y to -X: 0.9 m up becomes 0.9 m to -X, from 1.
    let world = skeleton.rest_world();
    close(world.position(1), DVec3::new(0.1, 0.0, 0.0), 1e-15);
    close(world.position(3), DVec3::new(0.55, 0.0, 0.0), 1e-15);
}

#[test]
fn the_unit_scales_lengths_and_only_lengths() {
    let mut fixture = stall_keeper();
    fixture.skin(&[0, 3]);
    let times = fixture.floats("SCALAR", &[0.0, 0.5]);
    let moves = fixture.floats("VEC3", &[0.0, 90.0, 0.0, 0.0, 91.0, 0.0]);
    fixture.animation(&[(3, "translation", "LINEAR", times, moves)]);
    let options = GltfOptions {
        unit: LengthUnit::Centimetre,
        frame_time_secs: Some(0.5),
    };
    let bytes = fixture.gltf();
    let character = read_gltf_bytes(&bytes, None, &options).unwrap();
    let metres = read(&bytes);
    let scaled = character.skeleton.rest_world();
    for joint in 0..4 {
        let expected = metres.skeleton.rest_world().position(joint) * 0.01;
        close(scaled.position(joint), expected, 1e-15);
    }
    let clip = &character.clips[0];
    close(
        clip.frame(1)[1].translation,
        DVec3::new(0.0, 0.91, 0.0),
        1e-15,
    );
    // Written files stay in centimetres.
    let written = character
        .document
        .with_animation(
            clip,
            "again",
            &character.node_of_joint,
            &AnimationOptions::default(),
        )
        .unwrap();
    let back = read_gltf_bytes(&written, None, &options).unwrap();
    close(
        back.clips[1].frame(1)[1].translation,
        DVec3::new(0.0, 0.91, 0.0),
        1e-15,
    );
    let raw = read(&written);
    let raw_last = *raw.clips[1]
        .frame(raw.clips[1].frame_count() - 1)
        .get(1)
        .unwrap();
    close(raw_last.translation, DVec3::new(0.0, 91.0, 0.0), 1e-15);
}

fn one_joint() -> Fixture {
    let mut fixture = Fixture::new(json!([{ "name": "pelvis" }]));
    fixture.skin(&[0]);
    fixture
}

#[test]
fn step_holds_and_linear_takes_the_short_way() {
    let mut fixture = one_joint();
    let times = fixture.floats("SCALAR", &[1.0, 1.1, 1.3]);
    let moves = fixture.floats("VEC3", &[0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 5.0, 0.0, 0.0]);
    let half = std::f32::consts::FRAC_1_SQRT_2;
    // The last key is a quarter turn about Z with its sign turned round.
    let turns = [
        [0.0, 0.0, 0.0, 1.0],
        [0.0, 0.0, 0.0, 1.0],
        [0.0, 0.0, -half, -half],
    ];
    let turns = fixture.floats("VEC4", turns.as_flattened());
    fixture.animation(&[
        (0, "translation", "STEP", times, moves),
        (0, "rotation", "LINEAR", times, turns),
    ]);
    let character = read(&fixture.glb());
    let clip = &character.clips[0];
    assert_eq!(clip.name, "lantern");
    assert_eq!(clip.start_secs, 1.0);
    assert_eq!(clip.frame_time_secs, 0.1);
    assert_eq!(clip.frame_count(), 4);
    let x = |frame: usize| clip.frame(frame)[0].translation.x;
    assert_eq!([x(0), x(1), x(2), x(3)], [0.0, 1.0, 1.0, 5.0]);
    let turned = clip.frame(2)[0].rotation * DVec3::X;
    let eighth = std::f64::consts::FRAC_PI_4;
    close(turned, DVec3::new(eighth.cos(), eighth.sin(), 0.0), 1e-7);
}

#[test]
fn splines_follow_the_formula_of_the_specification() {
    let mut fixture = one_joint();
    let times = fixture.floats("SCALAR", &[0.0, 2.0]);
    // In-tangent, value, out-tangent per key.
    let moves = [
        [9.0, 9.0, 9.0],
        [1.0, 0.0, 0.0],
        [0.5, 3.0, 0.0],
        [-1.0, 0.0, 2.0],
        [2.0, 1.0, 0.0],
        [9.0, 9.0, 9.0],
    ];
    let moves = fixture.floats("VEC3", moves.as_flattened());
    let turns = [
        [0.0; 4],
        [0.0, 0.0, 0.0, 1.0],
        [0.0, 0.0, 1.0, 0.0],
        [0.0; 4],
        [1.0, 0.0, 0.0, 0.0],
        [0.0; 4],
    ];
    let turns = fixture.floats("VEC4", turns.as_flattened());
    fixture.animation(&[
        (0, "translation", "CUBICSPLINE", times, moves),
        (0, "rotation", "CUBICSPLINE", times, turns),
    ]);
    let options = GltfOptions {
        frame_time_secs: Some(0.5),
        ..GltfOptions::default()
    };
    let character = read_gltf_bytes(&fixture.glb(), None, &options).unwrap();
    let clip = &character.clips[0];
    assert_eq!(clip.frame_count(), 5);
    // By hand at t = 1/4: 2t³-3t²+1 = 27/32, t³-2t²+t = 9/64, 3t²-2t³ = 5/32, t³-t² = -3/64,
    // tangents times the 2 s between the keys.
    let expected = DVec3::new(
        27.0 / 32.0 + 2.0 * 9.0 / 64.0 * 0.5 + 5.0 / 32.0 * 2.0 + 2.0 * 3.0 / 64.0,
        2.0 * 9.0 / 64.0 * 3.0 + 5.0 / 32.0,
        -2.0 * 3.0 / 64.0 * 2.0,
    );
    close(clip.frame(1)[0].translation, expected, 1e-15);
    let raw = DQuat::from_xyzw(5.0 / 32.0, 0.0, 2.0 * 9.0 / 64.0, 27.0 / 32.0);
    assert!(
        clip.frame(1)[0]
            .rotation
            .abs_diff_eq(raw.normalize(), 1e-15)
    );
    close(clip.frame(4)[0].translation, DVec3::new(2.0, 1.0, 0.0), 0.0);
    // Without a forced rate, splines are followed finely, and their keys are still frames.
    let found = read(&character_bytes(&character));
    assert_eq!(found.clips[0].frame_time_secs, 1.0 / 24.0);
    close(
        found.clips[0].frame(48)[0].translation,
        DVec3::new(2.0, 1.0, 0.0),
        0.0,
    );
    close(found.clips[0].frame(12)[0].translation, expected, 1e-12);
    assert_eq!(found.warnings.len(), 1);
}

/// The document as it was read.
fn character_bytes(character: &GltfCharacter) -> Vec<u8> {
    package::Package::from_document(&character.document)
        .into_glb()
        .unwrap()
}

#[test]
fn sparse_accessors_replace_zeros_and_bases() {
    for has_base in [false, true] {
        let mut fixture = one_joint();
        let times = fixture.floats("SCALAR", &[0.0, 0.1, 0.2]);
        let base = fixture.floats("VEC3", &[1.0; 9]);
        let places = fixture.view(&[1, 0]);
        let new: Vec<u8> = [7.0f32, 8.0, 9.0]
            .iter()
            .flat_map(|x| x.to_le_bytes())
            .collect();
        let new = fixture.view(&new);
        let mut accessor = json!({
            "componentType": 5126, "type": "VEC3", "count": 3,
            "sparse": {
                "count": 1,
                "indices": { "bufferView": places, "componentType": 5121 },
                "values": { "bufferView": new },
            },
        });
        if has_base {
            accessor["bufferView"] = fixture.json["accessors"][base]["bufferView"].clone();
        }
        let moves = fixture.push("accessors", accessor);
        fixture.animation(&[(0, "translation", "LINEAR", times, moves)]);
        let clip = &read(&fixture.gltf()).clips[0];
        let rest = if has_base { DVec3::ONE } else { DVec3::ZERO };
        let found: Vec<DVec3> = (0..3)
            .map(|frame| clip.frame(frame)[0].translation)
            .collect();
        assert_eq!(found, [rest, DVec3::new(7.0, 8.0, 9.0), rest]);
    }
}

#[test]
fn normalised_integers_are_rotations() {
    let halves = DQuat::from_xyzw(0.0, 0.0, 0.5f64.sqrt(), 0.5f64.sqrt());
    let check = |raw: Vec<u8>, kind: u32, tolerance: f64| {
        let mut fixture = one_joint();
        let times = fixture.floats("SCALAR", &[0.0]);
        let turns = fixture.accessor(&raw, kind, "VEC4", 1);
        fixture.json["accessors"][turns]["normalized"] = true.into();
        fixture.animation(&[(0, "rotation", "LINEAR", times, turns)]);
        let rotation = read(&fixture.gltf()).clips[0].frame(0)[0].rotation;
        assert!(rotation.abs_diff_eq(halves, tolerance), "{rotation}");
    };
    let bytes = |parts: [i16; 4]| parts.iter().flat_map(|part| part.to_le_bytes()).collect();
    check(bytes([0, 0, 23170, 23170]), 5122, 1e-15);
    check(bytes([0, 0, 90, 90]), 5122, 1e-15);
    check(vec![0, 0, 90, 90], 5120, 1e-15);
    check(vec![0, 0, 180, 180], 5121, 1e-15);
    check(vec![0, 0, 180, 181], 5121, 2e-3);
}

/// A strip of two triangles on each of two skins.
fn two_skins() -> Fixture {
    let mut fixture = Fixture::new(json!([
        { "name": "trunk", "children": [1] },
        { "name": "tail", "translation": [0.0, 1.0, 0.0] },
        { "name": "coat", "mesh": 0, "skin": 0, "translation": [50.0, 0.0, 0.0] },
        { "name": "fur", "mesh": 1, "skin": 1 },
    ]));
    let corners = [0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 2.0, 0.0, 1.0, 2.0, 0.0];
    let positions = fixture.floats("VEC3", &corners);
    let joints = fixture.accessor(
        &[0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0],
        5121,
        "VEC4",
        4,
    );
    let weights: Vec<u8> = [
        [255, 0, 0, 0],
        [255, 0, 0, 0],
        [255, 0, 0, 0],
        [51, 204, 0, 0],
    ]
    .concat();
    let weights = fixture.accessor(&weights, 5121, "VEC4", 4);
    fixture.json["accessors"][weights]["normalized"] = true.into();
    // A second set for the second mesh: half of every vertex to the only joint of skin 1.
    let shorts: Vec<u8> = [0u16; 16].iter().flat_map(|x| x.to_le_bytes()).collect();
    let zeros = fixture.accessor(&shorts, 5123, "VEC4", 4);
    let halves = fixture.floats("VEC4", &[0.5, 0.0, 0.0, 0.0].repeat(4));
    let identity: Vec<f32> = glam::Mat4::IDENTITY.to_cols_array().to_vec();
    let down = glam::Mat4::from_translation(glam::Vec3::new(0.0, -1.0, 0.0));
    let binds = [identity, down.to_cols_array().to_vec()].concat();
    let binds = fixture.floats("MAT4", &binds);
    fixture.push(
        "skins",
        json!({ "joints": [0, 1], "inverseBindMatrices": binds }),
    );
    fixture.push("skins", json!({ "joints": [1] }));
    fixture.push("meshes", json!({ "name": "coat", "primitives": [
        { "attributes": { "POSITION": positions, "JOINTS_0": joints, "WEIGHTS_0": weights }, "mode": 5 },
    ]}));
    fixture.push(
        "meshes",
        json!({ "primitives": [
            { "attributes": { "POSITION": positions, "JOINTS_0": zeros, "WEIGHTS_0": halves,
                              "JOINTS_1": zeros, "WEIGHTS_1": halves }, "mode": 6 },
            { "attributes": { "POSITION": positions }, "mode": 0 },
        ]}),
    );
    fixture
}

#[test]
fn surfaces_of_two_skins() {
    let character = read(&two_skins().gltf());
    let [coat, fur] = character.surface.meshes.as_slice() else {
        panic!("{:?}", character.surface);
    };
    assert_eq!((coat.name.as_str(), fur.name.as_str()), ("coat", ""));
    assert_eq!(coat.triangles, [[0, 1, 2], [1, 3, 2]]);
    assert_eq!(fur.triangles, [[1, 2, 0], [2, 3, 0]]);
    assert_eq!(coat.joints, [0, 1]);
    assert_eq!(coat.influences[2], [(1, 1.0)]);
    assert!((coat.influences[3][1].1 - 0.8).abs() < 1e-15);
    assert_eq!(
        (fur.joints.as_slice(), fur.influences[0].as_slice()),
        ([1].as_slice(), [(0, 1.0)].as_slice())
    );
    // The node of the coat stands 50 m away, which does not matter.
    let rest = character.skeleton.rest_world();
    assert_eq!(coat.posed(&rest), coat.bind_positions);
    close(fur.posed(&rest)[0], DVec3::Y, 0.0);
}

#[test]
fn matrices_are_taken_apart_and_shear_is_reported() {
    let turn = DQuat::from_xyzw(0.1, -0.4, 0.3, 0.8).normalize();
    let scale = DVec3::new(2.0, 0.5, -1.5);
    let whole =
        glam::DMat4::from_scale_rotation_translation(scale, turn, DVec3::new(1.0, 2.0, 3.0));
    let mut sheared = glam::DMat4::IDENTITY.to_cols_array();
    sheared[4] = 0.5;
    let mut fixture = Fixture::new(json!([
        { "name": "trunk", "children": [1], "matrix": whole.to_cols_array() },
        { "name": "tail", "matrix": sheared },
    ]));
    fixture.skin(&[0, 1]);
    let character = read(&fixture.gltf());
    let rest = character.skeleton.joint(0).rest;
    let again = glam::DMat4::from(rest.to_affine());
    assert!(again.abs_diff_eq(whole, 1e-14));
    assert_eq!(character.warnings.len(), 1);
    assert!(character.warnings[0].starts_with("nodes[1]: the matrix is sheared"));
    // A moving node must not keep its matrix.
    let mut locals = character.skeleton.rest_locals();
    locals[0].translation.x += 1.0;
    let clip = Clip::new(Arc::clone(&character.skeleton), 0.1, locals).unwrap();
    let written = character
        .document
        .with_animation(&clip, "step", &[0, 1], &AnimationOptions::default())
        .unwrap();
    let node = &json_of(&written)["nodes"][0];
    assert!(node.get("matrix").is_none() && node.get("rotation").is_some());
    assert!(json_of(&written)["nodes"][1].get("matrix").is_some());
    let back = read(&written);
    assert!(
        back.skeleton
            .joint(0)
            .rest
            .rotation
            .abs_diff_eq(rest.rotation, 1e-15)
    );
}

#[test]
fn without_skins_what_moves_is_the_skeleton() {
    let mut fixture = Fixture::new(json!([
        { "name": "world", "children": [1, 2, 5] },
        { "name": "pelvis", "children": [3, 4] },
        { "name": "camera", "camera": 0 },
        { "name": "foot" },
        { "name": "shoe", "mesh": 0 },
        { "name": "stall" },
    ]));
    fixture.push(
        "cameras",
        json!({ "type": "perspective", "perspective": { "yfov": 1.0, "znear": 0.1 } }),
    );
    fixture.push("meshes", json!({ "primitives": [] }));
    let times = fixture.floats("SCALAR", &[0.0, 0.1]);
    let moves = fixture.floats("VEC3", &[0.0, 0.0, 0.0, 0.0, 1.0, 0.0]);
    fixture.animation(&[
        (1, "translation", "LINEAR", times, moves),
        (2, "translation", "LINEAR", times, moves),
        (1, "weights", "LINEAR", times, moves),
    ]);
    let character = read(&fixture.gltf());
    let names: Vec<&str> = character
        .skeleton
        .joints()
        .iter()
        .map(|joint| joint.name.as_str())
        .collect();
    assert_eq!(names, ["world", "pelvis", "foot"]);
    assert_eq!(character.skeleton.joint(0).kind, JointKind::Carrier);
    close(character.clips[0].world(1).position(2), DVec3::Y, 0.0);
}

#[test]
fn errors_name_their_item() {
    let check = |fixture: Fixture, expected: &str| {
        let error = read_error(&fixture.gltf());
        assert!(error.contains(expected), "{error}");
    };
    let mut fixture = Fixture::new(json!([{ "children": [1] }, { "children": [0] }]));
    fixture.skin(&[0]);
    check(fixture, "nodes[0]: is its own ancestor");
    let mut fixture = Fixture::new(json!([{ "children": [2] }, { "children": [2] }, {}]));
    fixture.skin(&[0]);
    check(
        fixture,
        "nodes[1].children: nodes[2] already is a child of nodes[0]",
    );
    let mut fixture = one_joint();
    fixture.skin(&[0, 9]);
    check(
        fixture,
        "skins[1].joints[1]: points to nodes[9], but there are 1 nodes",
    );
    let mut fixture = one_joint();
    fixture.push("nodes", json!({ "rotation": [0, 0, 1] }));
    check(fixture, "nodes[1]: ");
    check(Fixture::new(json!([{}])), "no skeleton");
    let mut fixture = one_joint();
    let times = fixture.floats("SCALAR", &[0.0, 0.1]);
    let moves = fixture.floats("VEC3", &[0.0; 3]);
    fixture.animation(&[(0, "translation", "LINEAR", times, moves)]);
    check(
        fixture,
        "animations[0].channels[0]: 2 keys in time, but 1 in value",
    );
    let mut fixture = one_joint();
    let times = fixture.floats("SCALAR", &[0.0, 0.1]);
    fixture.json["accessors"][times]["count"] = 3.into();
    let moves = fixture.floats("VEC3", &[0.0; 9]);
    fixture.animation(&[(0, "translation", "LINEAR", times, moves)]);
    check(
        fixture,
        "accessors[0]: 3 elements from byte 0 go past the 8 bytes of bufferViews[0]",
    );
    let mut fixture = one_joint();
    let times = fixture.floats("SCALAR", &[0.0, f32::NAN]);
    let moves = fixture.floats("VEC3", &[0.0; 6]);
    fixture.animation(&[(0, "translation", "LINEAR", times, moves)]);
    check(fixture, "accessors[0]: element 1 is not finite");
    let mut fixture = one_joint();
    let times = fixture.floats("SCALAR", &[0.0, 1e9]);
    let moves = fixture.floats("VEC3", &[0.0; 6]);
    fixture.animation(&[(0, "translation", "LINEAR", times, moves)]);
    check(fixture, "ask for a lower frame rate");
    let glb = one_joint().glb();
    assert!(read_error(&glb[..glb.len() - 4]).contains("cut off or damaged"));
    assert!(read_error(b"glTF\x02\0\0\0\x01\0\0\0").contains("GLB header"));
    assert!(read_error(b"{}").contains("asset.version"));
    assert!(read_error(br#"{"asset":{"version":"1.0"}}"#).contains("only glTF 2"));
}

/// A document with much that this crate does not understand.
fn rich() -> Fixture {
    let mut fixture = two_skins();
    let times = fixture.floats("SCALAR", &[0.0, 0.25]);
    let moves = fixture.floats("VEC3", &[0.0; 6]);
    fixture.animation(&[(0, "translation", "STEP", times, moves)]);
    let png = fixture.view(b"\x89PNG\r\n\x1a\nnot really");
    fixture.push(
        "images",
        json!({ "bufferView": png, "mimeType": "image/png" }),
    );
    fixture.push(
        "images",
        json!({ "uri": "data:image/jpeg;base64,/9j/4AAQ", "name": "sign" }),
    );
    fixture.push("textures", json!({ "source": 0 }));
    fixture.push("materials", json!({
        "pbrMetallicRoughness": { "baseColorTexture": { "index": 0 }, "roughnessFactor": 0.1 },
        "extensions": { "EXAMPLE_tide": { "level": 3.000000000000001, "deep": [1, { "b": null }] } },
        "extras": { "zeta": 1, "alpha": "ä" },
    }));
    let morph = fixture.floats("VEC3", &[0.1; 12]);
    fixture.json["meshes"][0]["primitives"][0]["targets"] = json!([{ "POSITION": morph }]);
    fixture.json["meshes"][0]["weights"] = json!([0.3]);
    fixture.json["extensionsUsed"] = json!(["EXAMPLE_tide"]);
    fixture.json["extensions"] = json!({ "EXAMPLE_tide": { "at": "noon" } });
    fixture.json["extras"] = json!({ "market": { "stalls": 12 } });
    fixture.json["nodes"][1]["extras"] = json!({ "price": 0.1 });
    fixture
}

fn swing(character: &GltfCharacter, frames: usize) -> Clip {
    let skeleton = &character.skeleton;
    let mut locals = Vec::new();
    for frame in 0..frames {
        for (joint, local) in skeleton.rest_locals().into_iter().enumerate() {
            let phase = frame as f64 * 0.7 + joint as f64;
            let turn = DQuat::from_scaled_axis(DVec3::new(phase.sin(), phase.cos(), 2.5 * phase));
            let travel = DVec3::new(0.1 * phase.sin(), 0.0, if joint == 0 { phase } else { 0.0 });
            locals.push(Transform {
                translation: local.translation + travel,
                rotation: local.rotation * turn,
                scale: local.scale,
            });
        }
    }
    Clip::new(Arc::clone(skeleton), 1.0 / 120.0, locals).unwrap()
}

#[test]
fn writing_keeps_everything_else() {
    let bytes = rich().glb();
    let character = read(&bytes);
    let clip = swing(&character, 40);
    let written = character
        .document
        .with_animation(
            &clip,
            "stroll",
            &character.node_of_joint,
            &AnimationOptions::default(),
        )
        .unwrap();
    let (before, mut after) = (json_of(&bytes), json_of(&written));
    let views = before["bufferViews"].as_array().unwrap().len();
    // What is added: a view for the image that was a link, one for the keys; accessors and an
    // animation at the ends of their lists.
    assert_eq!(after["bufferViews"].as_array().unwrap().len(), views + 2);
    assert_eq!(
        after["images"][1],
        json!({ "name": "sign", "bufferView": views, "mimeType": "image/jpeg" })
    );
    assert_eq!(after["animations"][1]["name"], "stroll");
    after["images"][1] = before["images"][1].clone();
    after["buffers"] = before["buffers"].clone();
    for key in ["bufferViews", "accessors", "animations"] {
        let kept = before[key].as_array().unwrap().len();
        after[key].as_array_mut().unwrap().truncate(kept);
    }
    assert_eq!(after, before);
    // The order of members and the text of numbers stay, too.
    assert_eq!(
        after["materials"].to_string(),
        before["materials"].to_string()
    );
    assert!(bin_of(&written).starts_with(bin_of(&bytes)));
}

fn assert_same_motion(a: &Clip, b: &Clip, tolerance_m: f64) {
    assert_eq!(a.frame_count(), b.frame_count());
    assert_eq!(a.frame_time_secs, b.frame_time_secs);
    for frame in 0..a.frame_count() {
        let (one, other) = (a.world(frame), b.world(frame));
        for joint in 0..a.skeleton.len() {
            close(one.position(joint), other.position(joint), tolerance_m);
        }
    }
}

#[test]
fn written_clips_read_back_and_replace_each_other() {
    let bytes = rich().glb();
    let character = read(&bytes);
    let clip = swing(&character, 40);
    let write = |document: &GltfDocument, clip: &Clip, replace_same_name| {
        let options = AnimationOptions {
            replace_same_name,
            start: ClipStart::Zero,
        };
        document
            .with_animation(clip, "stroll", &character.node_of_joint, &options)
            .unwrap()
    };
    let once = write(&character.document, &clip, true);
    let back = read(&once);
    assert_eq!(back.clips[1].name, "stroll");
    assert_same_motion(&clip, &back.clips[1], 1e-6);
    // Keys stay on one side of the sphere.
    let flips = (1..40).filter(|&frame| {
        let rotation = |frame: usize| back.clips[1].frame(frame)[0].rotation;
        rotation(frame).dot(rotation(frame - 1)) < 0.0
    });
    assert_eq!(flips.count(), 0);
    // Writing again in place of itself gives the same file; a longer clip grows it only by itself.
    assert_eq!(write(&back.document, &clip, true), once);
    let longer = swing(&character, 80);
    let replaced = write(&back.document, &longer, true);
    assert_eq!(replaced, write(&character.document, &longer, true));
    assert_eq!(read(&write(&back.document, &longer, false)).clips.len(), 3);
    // What other parts use is never taken out.
    let shared = AnimationOptions {
        replace_same_name: true,
        ..AnimationOptions::default()
    };
    let lantern = character
        .document
        .with_animation(&clip, "lantern", &character.node_of_joint, &shared)
        .unwrap();
    let lantern = read(&lantern);
    assert_eq!(
        (lantern.clips.len(), &lantern.surface),
        (1, &character.surface)
    );
    assert_same_motion(&clip, &lantern.clips[0], 1e-6);
}

#[test]
fn only_what_moves_gets_a_channel() {
    let character = read(&rich().glb());
    let mut clip = swing(&character, 3);
    for frame in 0..3 {
        clip.frame_mut(frame)[1].rotation = character.skeleton.joint(1).rest.rotation;
        clip.frame_mut(frame)[0].translation = DVec3::ZERO;
    }
    clip.start_secs = 2.5;
    let options = AnimationOptions {
        start: ClipStart::ClipTime,
        ..AnimationOptions::default()
    };
    let written = character
        .document
        .with_animation(&clip, "", &character.node_of_joint, &options)
        .unwrap();
    let json = json_of(&written);
    let channels = json["animations"][1]["channels"].as_array().unwrap();
    let targets: Vec<(&Value, &Value)> = channels
        .iter()
        .map(|channel| (&channel["target"]["node"], &channel["target"]["path"]))
        .collect();
    assert_eq!(
        targets,
        [
            (&json!(0), &json!("rotation")),
            (&json!(1), &json!("translation"))
        ]
    );
    let input = json["animations"][1]["samplers"][0]["input"]
        .as_u64()
        .unwrap() as usize;
    assert_eq!(json["accessors"][input]["min"], json!([2.5]));
    let last = f64::from((2.5 + 2.0 / 120.0) as f32);
    assert_eq!(json["accessors"][input]["max"], json!([last]));
    assert_eq!(read(&written).clips[1].start_secs, 2.5);
    clip.start_secs = -0.1;
    let error = character
        .document
        .with_animation(&clip, "", &character.node_of_joint, &options);
    assert!(error.unwrap_err().to_string().contains("no time before 0"));
    clip.start_secs = 1e6;
    let error = character
        .document
        .with_animation(&clip, "", &character.node_of_joint, &options);
    assert!(error.unwrap_err().to_string().contains("apart"));
    // A clip that stays at rest still has its length.
    let still = Clip::new(
        Arc::clone(&character.skeleton),
        0.1,
        character.skeleton.rest_locals().repeat(4),
    )
    .unwrap();
    let written = character.document.with_animation(
        &still,
        "",
        &character.node_of_joint,
        &AnimationOptions::default(),
    );
    assert_eq!(read(&written.unwrap()).clips[1].frame_count(), 4);
}

#[test]
fn wrong_mappings_are_refused() {
    let character = read(&rich().glb());
    let clip = swing(&character, 2);
    let error = |nodes: &[usize]| {
        let written =
            character
                .document
                .with_animation(&clip, "", nodes, &AnimationOptions::default());
        written.unwrap_err().to_string()
    };
    assert!(error(&[0]).contains("1 nodes are given for the 2 joints"));
    assert!(error(&[0, 99]).contains("joint \"tail\" belongs to nodes[99]"));
    assert!(error(&[1, 1]).contains("\"trunk\" and \"tail\" both belong"));
}

#[test]
fn several_buffers_and_outside_files_become_one() {
    let folder = tempfile::tempdir().unwrap();
    let mut fixture = rich();
    // Everything from the middle on goes to a second file.
    let split = fixture.bin.len() / 2 / 4 * 4;
    for view in fixture.json["bufferViews"].as_array_mut().unwrap() {
        let start = view["byteOffset"].as_u64().unwrap() as usize;
        if start >= split {
            view["buffer"] = 1.into();
            view["byteOffset"] = (start - split).into();
        }
    }
    std::fs::write(folder.path().join("first part.bin"), &fixture.bin).unwrap();
    std::fs::write(folder.path().join("second.bin"), &fixture.bin[split..]).unwrap();
    std::fs::write(folder.path().join("sign.png"), b"\x89PNG\r\n\x1a\n").unwrap();
    fixture.json["images"][1] = json!({ "uri": "sign.png" });
    fixture.push("images", json!({ "uri": "missing.png" }));
    fixture.json["buffers"] = json!([
        { "byteLength": fixture.bin.len(), "uri": "first%20part.bin" },
        { "byteLength": fixture.bin.len() - split, "uri": "second.bin", "name": "rest" },
    ]);
    let path = folder.path().join("keeper.gltf");
    std::fs::write(&path, serde_json::to_vec(&fixture.json).unwrap()).unwrap();
    let character = read_gltf(&path, &GltfOptions::default()).unwrap();
    assert!(
        character.warnings[0].contains("missing.png"),
        "{:?}",
        character.warnings
    );
    assert_eq!(character.surface, read(&rich().glb()).surface);
    let clip = swing(&character, 20);
    let written = character
        .document
        .with_animation(
            &clip,
            "stroll",
            &character.node_of_joint,
            &AnimationOptions::default(),
        )
        .unwrap();
    let back = read(&written);
    assert_eq!(back.surface, character.surface);
    assert_eq!(back.clips[0], character.clips[0]);
    assert_same_motion(&clip, &back.clips[1], 1e-6);
    let json = json_of(&written);
    assert_eq!(json["buffers"].as_array().unwrap().len(), 1);
    assert_eq!(json["images"][1]["mimeType"], "image/png");
    assert_eq!(json["images"][2], json!({ "uri": "missing.png" }));
    std::fs::remove_file(folder.path().join("second.bin")).unwrap();
    let error = read_gltf(&path, &GltfOptions::default())
        .unwrap_err()
        .to_string();
    assert!(error.contains("second.bin"), "{error}");
}

#[test]
fn channels_of_extensions_and_compressed_meshes_are_left_alone() {
    let mut fixture = rich();
    fixture.json["animations"][0]["channels"].as_array_mut().unwrap().push(json!({
        "sampler": 0,
        "target": { "path": "pointer", "extensions": { "KHR_animation_pointer": { "pointer": "/x" } } },
    }));
    let packed = fixture.push(
        "accessors",
        json!({ "componentType": 5126, "type": "VEC3", "count": 4 }),
    );
    fixture.json["meshes"][1]["primitives"][0] = json!({
        "attributes": { "POSITION": packed },
        "extensions": { "KHR_draco_mesh_compression": { "bufferView": 0, "attributes": {} } },
    });
    let character = read(&fixture.glb());
    assert_eq!(character.clips.len(), 1);
    assert_eq!(character.surface.meshes.len(), 1);
    assert!(character.warnings[0].contains("meshes[1].primitives[0]: is compressed"));
}

fn performer(roots: usize) -> Skeleton {
    let mut joints = Vec::new();
    for root in 0..roots {
        let hip = joints.len();
        joints.push(Joint::new(
            format!("hip {root}"),
            None,
            DVec3::new(root as f64, 0.9, 0.0),
        ));
        joints.push(Joint::new("knee", Some(hip), DVec3::new(0.0, -0.45, 0.01)));
        joints.push(
            Joint::new("ankle", Some(hip + 1), DVec3::new(0.0, -0.4, 0.0))
                .with_tip(DVec3::new(0.0, -0.05, 0.2)),
        );
    }
    joints[1].rest.rotation = DQuat::from_rotation_x(0.1);
    Skeleton::new(joints).unwrap()
}

fn limb(slots: u16) -> NewMesh {
    let count = 24u16;
    let ring = |index: u16| f32::from(index) * 0.7;
    NewMesh {
        name: "limb".into(),
        positions: (0..count)
            .map(|i| {
                [
                    0.1 * ring(i).cos(),
                    0.9 - 0.03 * f32::from(i),
                    0.1 * ring(i).sin(),
                ]
            })
            .collect(),
        normals: (0..count)
            .map(|i| [3.0 * ring(i).cos(), 0.2, 3.0 * ring(i).sin()])
            .collect(),
        colors: (0..count)
            .map(|i| [f32::from(i) / 24.0, 0.5, 0.25, 1.0])
            .collect(),
        joints: (0..count)
            .map(|i| [i % slots, (i + 1) % slots, i % slots, 0])
            .collect(),
        weights: (0..count)
            .map(|i| [0.3, 0.1 * f32::from(i % 3), 0.17, 0.0])
            .collect(),
        triangles: (0..u32::from(count) - 2)
            .map(|i| [i, i + 1, i + 2])
            .chain([[0, 0, 1]])
            .collect(),
        base_color: [0.2, 0.4, 0.3, 1.0],
    }
}

#[test]
fn built_characters_read_back() {
    for roots in [1, 2] {
        let skeleton = performer(roots);
        let bytes = build_character(&NewCharacter {
            name: "net mender".into(),
            skeleton: skeleton.clone(),
            meshes: vec![limb(3), limb(2)],
            extras: Some(json!({ "stall": 7 })),
        })
        .unwrap();
        let character = read(&bytes);
        assert!(character.warnings.is_empty(), "{:?}", character.warnings);
        let carriers = roots - 1;
        for (index, joint) in skeleton.joints().iter().enumerate() {
            let back = character.skeleton.joint(index + carriers);
            assert_eq!(
                (&back.name, &back.tips, back.kind),
                (&joint.name, &joint.tips, joint.kind)
            );
            assert!(back.rest.rotation.abs_diff_eq(joint.rest.rotation, 1e-15));
            assert_eq!(back.rest.translation, joint.rest.translation);
        }
        let mesh = &character.surface.meshes[0];
        let rest = character.skeleton.rest_world();
        for (posed, bound) in mesh.posed(&rest).iter().zip(&mesh.bind_positions) {
            close(*posed, *bound, 1e-6);
        }
        assert_eq!(mesh.triangles.len(), 22);
        assert_eq!(
            json_of(&bytes)["scenes"][0]["extras"],
            json!({ "stall": 7 })
        );
    }
}

#[test]
fn unsound_meshes_are_refused() {
    let check = |change: fn(&mut NewMesh), expected: &str| {
        let mut mesh = limb(3);
        change(&mut mesh);
        let error = build_character(&NewCharacter {
            name: String::new(),
            skeleton: performer(1),
            meshes: vec![mesh],
            extras: None,
        });
        let error = error.unwrap_err().to_string();
        assert!(
            error.contains("mesh \"limb\": ") && error.contains(expected),
            "{error}"
        );
    };
    check(
        |mesh| mesh.weights[4] = [0.0; 4],
        "vertex 4: it has no weight",
    );
    check(|mesh| mesh.joints[5] = [9; 4], "vertex 5: 9 is no joint");
    check(|mesh| mesh.weights[5][1] = -0.1, "a weight of -0.1");
    check(|mesh| mesh.normals[2] = [0.0; 3], "vertex 2 has a normal");
    check(|mesh| mesh.triangles[1][1] = 24, "vertex 24 of 24");
    check(|mesh| mesh.triangles.clear(), "no triangle");
    check(|mesh| mesh.positions[0][0] = f32::NAN, "not finite");
    check(|mesh| mesh.colors[0][0] = 1.5, "between 0 and 1");
    check(
        |mesh| drop(mesh.normals.pop()),
        "23 normals for 24 vertices",
    );
}

#[test]
fn clips_without_flesh_read_back() {
    let skeleton = Arc::new(performer(2));
    let locals: Vec<Transform> = (0..50)
        .flat_map(|frame| {
            skeleton.rest_locals().into_iter().map(move |mut local| {
                local.rotation *= DQuat::from_rotation_x(0.02 * f64::from(frame));
                local
            })
        })
        .collect();
    let mut clip = Clip::new(skeleton, 1001.0 / 30000.0, locals).unwrap();
    clip.start_secs = 4.0;
    let character = read(&build_from_clip(&clip, "haul").unwrap());
    let back = &character.clips[0];
    assert_eq!(
        (back.start_secs, back.frame_time_secs),
        (4.0, 1001.0 / 30000.0)
    );
    for frame in 0..50 {
        let (expected, found) = (clip.world(frame), back.world(frame));
        for joint in 0..6 {
            close(found.position(joint + 1), expected.position(joint), 1e-6);
        }
    }
    assert_eq!(
        character.skeleton.joint(3).tips,
        clip.skeleton.joint(2).tips
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn damaged_files_never_panic(
        cut in 0usize..8000,
        changes in prop::collection::vec((0usize..8000, any::<u8>()), 0..6),
        text_form in any::<bool>(),
    ) {
        let mut bytes = if text_form { rich().gltf() } else { rich().glb() };
        for (at, byte) in changes {
            let length = bytes.len();
            bytes[at % length] = byte;
        }
        if cut < bytes.len() && cut % 3 == 0 {
            bytes.truncate(cut);
        }
        exercise(&bytes);
    }

    #[test]
    fn wrong_numbers_never_panic(
        which in 0usize..1000,
        number in prop_oneof![
            Just(json!(-1)), Just(json!(u64::MAX)), Just(json!(1u64 << 62)), Just(json!(1.5)),
            Just(json!(null)), Just(json!([])), Just(json!("x")), (0u64..12).prop_map(|n| json!(n)),
        ],
    ) {
        let mut fixture = rich();
        let total = count_numbers(&fixture.json);
        let mut left = which % total;
        replace_number(&mut fixture.json, &mut left, &number);
        exercise(&fixture.glb());
    }
}

/// Reads and, where that works, poses and writes.
fn exercise(bytes: &[u8]) {
    let Ok(character) = read_gltf_bytes(bytes, None, &GltfOptions::default()) else {
        return;
    };
    let rest: WorldPose = character.skeleton.rest_world();
    for mesh in &character.surface.meshes {
        assert_eq!(mesh.posed(&rest).len(), mesh.bind_positions.len());
    }
    let clip = swing(&character, 2);
    let options = AnimationOptions {
        replace_same_name: true,
        ..AnimationOptions::default()
    };
    let written =
        character
            .document
            .with_animation(&clip, "lantern", &character.node_of_joint, &options);
    read_gltf_bytes(&written.unwrap(), None, &GltfOptions::default()).unwrap();
}

fn count_numbers(value: &Value) -> usize {
    match value {
        Value::Object(object) => object.values().map(count_numbers).sum(),
        Value::Array(items) => items.iter().map(count_numbers).sum(),
        Value::Number(_) => 1,
        _ => 0,
    }
}

fn replace_number(value: &mut Value, left: &mut usize, new: &Value) {
    match value {
        Value::Object(object) => object
            .values_mut()
            .for_each(|inner| replace_number(inner, left, new)),
        Value::Array(items) => items
            .iter_mut()
            .for_each(|inner| replace_number(inner, left, new)),
        Value::Number(_) => {
            if *left == 0 {
                *value = new.clone();
            }
            *left = left.wrapping_sub(1);
        }
        _ => {}
    }
}
