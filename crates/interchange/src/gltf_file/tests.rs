//! Tests of the glTF reader and writer on documents made here, byte by byte.

use std::sync::Arc;

use base64::Engine as _;
use glam::{DQuat, DVec3};
use serde_json::{Value, json};
use understudy_motion::{Clip, Joint, JointKind, LengthUnit, Skeleton, Transform, WorldPose};

use super::*;

mod building;
mod damage;
mod looks;
mod mirror;
mod reading;
mod size;
mod writing;

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

/// The same file with another JSON part.
fn with_json(glb: &[u8], json: &Value) -> Vec<u8> {
    let length = u32::from_le_bytes(glb[12..16].try_into().unwrap()) as usize;
    let mut text = serde_json::to_vec(json).unwrap();
    text.resize(text.len().next_multiple_of(4), b' ');
    let rest = &glb[20 + length..];
    let total = (20 + text.len() + rest.len()) as u32;
    let mut bytes = glb[..8].to_vec();
    bytes.extend(total.to_le_bytes());
    bytes.extend((text.len() as u32).to_le_bytes());
    bytes.extend(b"JSON");
    bytes.extend(text);
    bytes.extend(rest);
    bytes
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

fn one_joint() -> Fixture {
    let mut fixture = Fixture::new(json!([{ "name": "pelvis" }]));
    fixture.skin(&[0]);
    fixture
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
            let phase = frame as f64 * 0.1 + joint as f64;
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
