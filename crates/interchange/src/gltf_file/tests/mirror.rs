//! Nodes that mirror: positions, rotations, and the way into files and back.

use glam::{DAffine3, DMat3};

use super::*;
use crate::bvh::{BvhOptions, BvhToClipOptions, bvh_to_clip, clip_to_bvh};

const FRAMES: usize = 5;

/// Every combination of signs, of one size each.
fn even_scales() -> impl Iterator<Item = DVec3> {
    (0..8u32).map(|signs| {
        let sign = |bit: u32| if signs & (1 << bit) == 0 { 1.0 } else { -1.0 };
        1.25 * DVec3::new(sign(0), sign(1), sign(2))
    })
}

/// A mirrored node above a leg, and another in the middle of it; the first has a matrix where
/// asked for. Both turn, and so does the pelvis.
fn mirrored(scale: DVec3, as_matrix: bool) -> Fixture {
    let turn = DQuat::from_xyzw(0.1, -0.4, 0.3, 0.8).normalize();
    let place = DVec3::new(0.5, 0.25, -2.0);
    let wrapper = match as_matrix {
        true => json!({ "name": "wrapper", "children": [1], "matrix":
            glam::DMat4::from_scale_rotation_translation(scale, turn, place).to_cols_array() }),
        false => json!({ "name": "wrapper", "children": [1], "scale": scale.to_array(),
            "rotation": turn.to_array(), "translation": place.to_array() }),
    };
    let mut fixture = Fixture::new(json!([
        wrapper,
        { "name": "pelvis", "children": [2], "translation": [0.0, 1.0, 0.0] },
        { "name": "thigh", "children": [3], "translation": [0.1, -0.5, 0.0],
          "rotation": QUARTER_Z, "scale": (-scale).to_array() },
        { "name": "shank", "translation": [0.0, -0.5, 0.1] },
    ]));
    fixture.skin(&[1, 2, 3]);
    let times: Vec<f32> = (0..FRAMES).map(|frame| frame as f32 / 30.0).collect();
    let times = fixture.floats("SCALAR", &times);
    let turns: Vec<f32> = (0..FRAMES)
        .map(|frame| glam::Quat::from_euler(glam::EulerRot::XYZ, frame as f32 * 0.2, 0.4, -0.3))
        .flat_map(|turn| turn.to_array())
        .collect();
    let turns = fixture.floats("VEC4", &turns);
    let moving: &[usize] = if as_matrix { &[1, 2] } else { &[0, 1, 2] };
    let channels: Vec<_> = moving
        .iter()
        .map(|&node| (node, "rotation", "LINEAR", times, turns))
        .collect();
    fixture.animation(&channels);
    fixture
}

/// `N` numbers of a list.
fn list<const N: usize>(value: &Value) -> Option<[f64; N]> {
    let numbers: Vec<f64> = value.as_array()?.iter().filter_map(Value::as_f64).collect();
    numbers.try_into().ok()
}

/// The numbers that a key of a channel has in a GLB.
fn key<const N: usize>(json: &Value, bin: &[u8], accessor: &Value, key: usize) -> [f64; N] {
    let accessor = &json["accessors"][accessor.as_u64().unwrap() as usize];
    let view = &json["bufferViews"][accessor["bufferView"].as_u64().unwrap() as usize];
    let offset = |value: &Value| value["byteOffset"].as_u64().unwrap_or(0) as usize;
    let start = offset(accessor) + offset(view) + 4 * N * key;
    std::array::from_fn(|number| {
        let bytes = &bin[start + 4 * number..start + 4 * number + 4];
        f64::from(f32::from_le_bytes(bytes.try_into().unwrap()))
    })
}

/// World matrices of all nodes at a key of an animation, by the words of the specification and
/// by nothing of the reader: each property of a channel takes the place of the node's own.
fn played(glb: &[u8], animation: usize, frame: usize) -> Vec<DAffine3> {
    let (json, bin) = (json_of(glb), bin_of(glb));
    let nodes = json["nodes"].as_array().unwrap();
    let animation = &json["animations"][animation];
    let local = |index: usize| {
        let node = &nodes[index];
        let output = |path: &str| {
            let channels = animation["channels"].as_array()?.iter();
            let mut channels = channels
                .filter(|channel| channel["target"] == json!({ "node": index, "path": path }));
            let sampler = channels.next()?["sampler"].as_u64()? as usize;
            Some(&animation["samplers"][sampler]["output"])
        };
        let moved = |path: &str, or: DVec3| match output(path) {
            Some(output) => key::<3>(&json, bin, output, frame).into(),
            None => list(&node[path]).map_or(or, DVec3::from),
        };
        let rotation = match output("rotation") {
            Some(output) => DQuat::from_array(key(&json, bin, output, frame)),
            None => list(&node["rotation"]).map_or(DQuat::IDENTITY, DQuat::from_array),
        };
        match list::<16>(&node["matrix"]) {
            Some(matrix) => DAffine3::from_mat4(glam::DMat4::from_cols_array(&matrix)),
            None => DAffine3::from_scale_rotation_translation(
                moved("scale", DVec3::ONE),
                rotation.normalize(),
                moved("translation", DVec3::ZERO),
            ),
        }
    };
    let mut worlds = vec![DAffine3::IDENTITY; nodes.len()];
    // Parents come first in these files.
    for (index, node) in nodes.iter().enumerate() {
        worlds[index] *= local(index);
        for child in node["children"].as_array().into_iter().flatten() {
            worlds[child.as_u64().unwrap() as usize] = worlds[index];
        }
    }
    worlds
}

fn assert_played(clip: &Clip, glb: &[u8], animation: usize) {
    for frame in 0..clip.frame_count() {
        let world = clip.world(frame);
        for (joint, expected) in played(glb, animation, frame).iter().enumerate() {
            let found = world.affines[joint];
            assert!(
                found.abs_diff_eq(*expected, 1e-6),
                "{found} is not {expected}"
            );
        }
    }
}

#[test]
fn rotations_tell_how_bones_stand_below_mirrors() {
    for (scale, as_matrix) in even_scales().flat_map(|scale| [(scale, false), (scale, true)]) {
        let bytes = mirrored(scale, as_matrix).glb();
        let character = read(&bytes);
        let clip = &character.clips[0];
        assert_eq!(clip.frame_count(), FRAMES);
        assert_played(clip, &bytes, 0);
        for frame in 0..FRAMES {
            let world = clip.world(frame);
            let mut factor = 1.0;
            for joint in 0..4 {
                factor *= clip.frame(frame)[joint].scale.x;
                let expected = DMat3::from_quat(world.rotation(joint)) * factor;
                assert!(
                    world.affines[joint].matrix3.abs_diff_eq(expected, 1e-12),
                    "{scale}"
                );
            }
        }
    }
}

#[test]
fn what_is_written_plays_the_same() {
    for (scale, as_matrix) in even_scales().flat_map(|scale| [(scale, false), (scale, true)]) {
        let bytes = mirrored(scale, as_matrix).glb();
        let character = read(&bytes);
        let clip = swing(&character, 7);
        let write = |clip: &Clip, name: &str| {
            let options = AnimationOptions {
                replace_same_name: true,
                ..AnimationOptions::default()
            };
            let nodes = &character.node_of_joint;
            let written = character
                .document
                .with_animation(clip, name, nodes, &options);
            written.unwrap()
        };
        let written = write(&clip, "swing");
        assert_played(&clip, &written, 1);
        assert_same_motion(&clip, &read(&written).clips[1], 1e-6);
        // The node's own signs stay, and so do the keys of its own animation.
        let again = json_of(&write(&character.clips[0], "lantern"));
        assert_eq!(again["nodes"], json_of(&bytes)["nodes"]);
        let channels = again["animations"][0]["channels"].as_array().unwrap();
        assert!(
            channels
                .iter()
                .all(|channel| channel["target"]["path"] == "rotation")
        );
        assert_eq!(channels.len(), if as_matrix { 2 } else { 3 });
        assert_played(
            &character.clips[0],
            &write(&character.clips[0], "lantern"),
            0,
        );
    }
}

#[test]
fn animated_signs_are_folded_frame_by_frame() {
    let mut fixture = mirrored(DVec3::new(-1.0, 1.0, 1.0), false);
    let times = fixture.floats("SCALAR", &[0.0, 1.0 / 30.0, 2.0 / 30.0]);
    let scales = [1.0, 1.0, 1.0, -2.0, 2.0, -2.0, 2.0, 2.0, -2.0];
    let scales = fixture.floats("VEC3", &scales);
    fixture.animation(&[(1, "scale", "STEP", times, scales)]);
    let bytes = fixture.glb();
    let character = read(&bytes);
    let clip = &character.clips[1];
    let found: Vec<DVec3> = (0..3).map(|frame| clip.frame(frame)[1].scale).collect();
    assert_eq!(found, [1.0, 2.0, -2.0].map(DVec3::splat));
    assert_played(clip, &bytes, 1);
    let nodes = &character.node_of_joint;
    let options = AnimationOptions::default();
    let written = character
        .document
        .with_animation(clip, "again", nodes, &options);
    assert_played(clip, &written.unwrap(), 2);
}

#[test]
fn a_mirrored_motion_goes_into_bvh() {
    for scale in even_scales() {
        let character = read(&mirrored(scale, false).glb());
        let clip = swing(&character, 7);
        let written = clip_to_bvh(&clip, &BvhOptions::default()).unwrap();
        assert!(
            !written.warnings.concat().contains("scaled"),
            "{:?}",
            written.warnings
        );
        let options = BvhToClipOptions {
            unit: Some(LengthUnit::Centimetre),
            ..Default::default()
        };
        let back = bvh_to_clip(&written.document, &options).unwrap().clip;
        assert_same_motion(&clip, &back, 1e-6);
    }
}
