//! Large files of several skins.

use super::*;

/// 60,000 vertices in four meshes on three skins of 200 joints, and 20 s of motion at 60 frames
/// per second of every joint.
fn crowd_puppet() -> Vec<u8> {
    let joints = 200;
    let mut nodes: Vec<Value> = (0..joints)
        .map(|index| json!({ "name": format!("j{index}"), "translation": [0.0, 0.01, 0.0] }))
        .collect();
    for index in 1..joints {
        // Chains of ten, each hanging off the start of the one before.
        let parent = if index % 10 == 0 {
            index - 10
        } else {
            index - 1
        };
        let children = nodes[parent]["children"]
            .as_array()
            .cloned()
            .unwrap_or_default();
        nodes[parent]["children"] = [children, vec![json!(index)]].concat().into();
    }
    nodes.extend((0..4).map(|mesh| json!({ "mesh": mesh, "skin": mesh % 3 })));
    let mut fixture = Fixture::new(nodes.into());
    for _ in 0..3 {
        let identity = glam::Mat4::IDENTITY.to_cols_array();
        let binds = fixture.floats("MAT4", &identity.repeat(joints));
        let all: Vec<usize> = (0..joints).collect();
        fixture.push(
            "skins",
            json!({ "joints": all, "inverseBindMatrices": binds }),
        );
    }
    let count = 15_000u32;
    for mesh in 0..4 {
        let corners: Vec<f32> = (0..3 * count).map(|x| (x as f32 * 0.37).sin()).collect();
        let positions = fixture.floats("VEC3", &corners);
        let slots: Vec<u8> = (0..4 * count)
            .map(|x| ((x * 7 + mesh) % 200) as u8)
            .collect();
        let slots = fixture.accessor(&slots, 5121, "VEC4", count as usize);
        let weights = fixture.floats("VEC4", &[0.4, 0.3, 0.2, 0.1].repeat(count as usize));
        let indices: Vec<u8> = (0..6 * count)
            .flat_map(|x| (x % count).to_le_bytes())
            .collect();
        let indices = fixture.accessor(&indices, 5125, "SCALAR", 6 * count as usize);
        fixture.push(
            "meshes",
            json!({ "primitives": [{
                "attributes": { "POSITION": positions, "JOINTS_0": slots, "WEIGHTS_0": weights },
                "indices": indices,
            }]}),
        );
    }
    let frames = 1200;
    let times: Vec<f32> = (0..frames).map(|frame| frame as f32 / 60.0).collect();
    let times = fixture.floats("SCALAR", &times);
    let turn = |frame: usize, joint: usize| {
        let angle = 0.2 * (0.05 * frame as f32 + joint as f32).sin();
        glam::Quat::from_rotation_x(angle).to_array()
    };
    let mut channels = Vec::new();
    for joint in 0..joints {
        let turns: Vec<f32> = (0..frames).flat_map(|frame| turn(frame, joint)).collect();
        let turns = fixture.floats("VEC4", &turns);
        channels.push((joint, "rotation", "LINEAR", times, turns));
    }
    fixture.animation(&channels);
    fixture.glb()
}

#[test]
fn large_characters_open_and_write() {
    let character = read(&crowd_puppet());
    let vertices = character
        .surface
        .meshes
        .iter()
        .map(|mesh| mesh.bind_positions.len());
    assert_eq!(vertices.sum::<usize>(), 60_000);
    assert_eq!(
        (character.skeleton.len(), character.clips[0].frame_count()),
        (200, 1200)
    );
    let written = character
        .document
        .with_animation(
            &character.clips[0],
            "again",
            &character.node_of_joint,
            &AnimationOptions::default(),
        )
        .unwrap();
    assert_same_motion(&character.clips[0], &read(&written).clips[1], 1e-5);
}
