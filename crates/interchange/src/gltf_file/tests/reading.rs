//! Nodes, accessors, interpolation, surfaces and errors of the reader.

use super::*;

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
    let expected = [
        "nodes[1]: the matrix is sheared",
        "uneven scale at node \"trunk\" (",
        "mirroring scale at node \"trunk\" (",
    ];
    assert_eq!(character.warnings.len(), expected.len());
    for (warning, start) in character.warnings.iter().zip(expected) {
        assert!(warning.starts_with(start), "{warning}");
    }
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
    assert!(read_error(b"glTF\x01\0\0\0\x0c\0\0\0").contains("version 1"));
    assert!(read_error(b"{}").contains("asset.version"));
    assert!(read_error(br#"{"asset":{"version":"1.0"}}"#).contains("only glTF 2"));
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

#[test]
fn interleaved_quantised_vertices_are_read() {
    let mut fixture = one_joint();
    // Per vertex: position as three normalised shorts, two bytes of padding, four slots, four
    // normalised weights.
    let mut bytes = Vec::new();
    for position in [[32767i16, 0, -32767], [-32768, 16384, 1]] {
        bytes.extend(position.iter().flat_map(|x| x.to_le_bytes()));
        bytes.extend([9, 9, 0, 0, 0, 0, 255, 0, 0, 0]);
    }
    let view = fixture.view(&bytes);
    fixture.json["bufferViews"][view]["byteStride"] = 16.into();
    let mut accessor = |kind: u32, shape: &str, offset: usize| {
        let item = json!({ "bufferView": view, "byteOffset": offset, "componentType": kind,
            "type": shape, "count": 2, "normalized": offset != 8 });
        fixture.push("accessors", item)
    };
    let positions = accessor(5122, "VEC3", 0);
    let slots = accessor(5121, "VEC4", 8);
    let weights = accessor(5121, "VEC4", 12);
    // The bind matrix undoes the quantisation: a scale of 3.
    let bind = glam::Mat4::from_scale(glam::Vec3::splat(3.0)).to_cols_array();
    let bind = fixture.floats("MAT4", &bind);
    fixture.json["skins"][0]["inverseBindMatrices"] = bind.into();
    fixture.push(
        "meshes",
        json!({ "primitives": [{ "attributes": {
        "POSITION": positions, "JOINTS_0": slots, "WEIGHTS_0": weights } }] }),
    );
    fixture.push("nodes", json!({ "mesh": 0, "skin": 0 }));
    fixture.json["extensionsRequired"] = json!(["KHR_mesh_quantization", "EXAMPLE_tide"]);
    let character = read(&fixture.gltf());
    let posed = character.surface.meshes[0].posed(&character.skeleton.rest_world());
    close(posed[0], DVec3::new(3.0, 0.0, -3.0), 1e-15);
    close(
        posed[1],
        DVec3::new(-3.0, 3.0 * 16384.0 / 32767.0, 3.0 / 32767.0),
        1e-15,
    );
    assert_eq!(character.warnings.len(), 1);
    assert!(character.warnings[0].contains("EXAMPLE_tide"));
}

#[test]
fn unknown_chunks_are_passed_over() {
    let fixture = two_skins();
    let mut glb = fixture.glb();
    glb.extend(b"\x04\0\0\0TIDEabcd");
    let length = glb.len() as u32;
    glb[8..12].copy_from_slice(&length.to_le_bytes());
    assert_eq!(read(&glb).surface, read(&two_skins().gltf()).surface);
    // A document without a binary chunk, and a chunk of another kind in its place.
    let json = serde_json::to_vec(&one_joint().json).unwrap();
    let mut glb = b"glTF\x02\0\0\0".to_vec();
    glb.extend((12 + 8 + json.len() as u32 + 12).to_le_bytes());
    glb.extend((json.len() as u32).to_le_bytes());
    glb.extend(b"JSON");
    glb.extend(json);
    glb.extend(b"\x04\0\0\0TIDEabcd");
    assert_eq!(read(&glb).skeleton.len(), 1);
    glb.truncate(glb.len() - 1);
    assert!(read_error(&glb).contains("cut off"));
}

/// `wrapper` above `pelvis` above `thigh`, all joints, with the wrapper's scale.
fn under_wrapper(scale: [f64; 3]) -> Fixture {
    let mut fixture = Fixture::new(json!([
        { "name": "wrapper", "children": [1], "scale": scale },
        { "name": "pelvis", "children": [2], "translation": [0.0, 1.0, 0.0] },
        { "name": "thigh", "translation": [0.1, 0.0, 0.0] },
    ]));
    fixture.skin(&[1, 2]);
    fixture
}

#[test]
fn scales_that_no_rotation_can_follow_name_their_node() {
    let check = |scale: [f64; 3], expected: &[[&str; 2]]| {
        let warnings = read(&under_wrapper(scale).gltf()).warnings;
        assert_eq!(warnings.len(), expected.len(), "{warnings:?}");
        for (warning, [start, consequence]) in warnings.iter().zip(expected) {
            assert!(warning.starts_with(start), "{warning}");
            assert!(warning.contains(consequence), "{warning}");
        }
    };
    check([2.0, 2.0, 2.0], &[]);
    let uneven = [
        "uneven scale at node \"wrapper\" (1, 2, 1): ",
        "shear and change their length when they turn, so that no motion fits them exactly; apply",
    ];
    check([1.0, 2.0, 1.0], &[uneven]);
    let mirroring = [
        "mirroring scale at node \"wrapper\" (-1, 1, 1): ",
        "left and right are exchanged",
    ];
    check([-1.0, 1.0, 1.0], &[mirroring]);
    let negative = [
        "mirroring scale at node \"wrapper\" (-1, -1, -1): ",
        "left and right are exchanged",
    ];
    check([-1.0, -1.0, -1.0], &[negative]);
    check([-1.0, 1.0, -1.0], &[]);
}

#[test]
fn the_scale_of_a_last_joint_reaches_no_bone() {
    let mut fixture = under_wrapper([1.0; 3]);
    fixture.json["nodes"][2]["scale"] = json!([1.0, -2.0, 1.0]);
    assert_eq!(read(&fixture.gltf()).warnings, [""; 0]);
}

#[test]
fn many_scaled_nodes_make_one_warning() {
    let mut nodes: Vec<Value> = (0..9)
        .map(|node| json!({ "name": format!("bead_{node}"), "children": [node + 1], "scale": [1, 1, 2] }))
        .collect();
    nodes.push(json!({ "name": "end" }));
    let mut fixture = Fixture::new(json!(nodes));
    fixture.skin(&[0, 9]);
    let warnings = read(&fixture.gltf()).warnings;
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert!(warnings[0].contains("\"bead_5\" (1, 1, 2) and 3 more: "));
}

#[test]
fn animated_scales_are_judged_in_every_frame() {
    let warnings = |rest: [f64; 3], keys: [[f32; 3]; 3]| {
        let mut fixture = under_wrapper(rest);
        let times = fixture.floats("SCALAR", &[0.0, 0.1, 0.2]);
        let scales = fixture.floats("VEC3", keys.as_flattened());
        // The same keys move a joint without bones below, which is nobody's concern.
        fixture.animation(&[
            (0, "scale", "STEP", times, scales),
            (2, "scale", "STEP", times, scales),
        ]);
        read(&fixture.gltf()).warnings
    };
    let even = [1.0, 1.0, 1.0];
    assert_eq!(warnings([1.0; 3], [even, [2.0; 3], even]), [""; 0]);
    let found = warnings([1.0; 3], [even, [1.0, 1.5, 1.0], [-1.0, 1.0, 1.0]]);
    assert_eq!(found.len(), 2, "{found:?}");
    let place = "animations[0] \"lantern\": ";
    let uneven = "uneven scale at node \"wrapper\" (1, 1.5, 1) from frame 1 on: ";
    let mirroring = "mirroring scale at node \"wrapper\" (-1, 1, 1) from frame 2 on: ";
    assert!(found[0].starts_with(&format!("{place}{uneven}")));
    assert!(found[1].starts_with(&format!("{place}{mirroring}")));
    assert!(found[0].contains("apply (freeze) the scale and its keys"));
    // Keys that repeat the rest pose repeat no warning.
    let found = warnings([-1.0, 1.0, 1.0], [[-1.0, 1.0, 1.0]; 3]);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].starts_with("mirroring scale"));
}
