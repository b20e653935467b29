//! Files from nothing read back as what they were made of.

use super::*;

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
        |mesh| mesh.normals.truncate(23),
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

#[test]
fn looks_read_back() {
    let made = limb(3);
    let plain = NewMesh {
        normals: Vec::new(),
        colors: Vec::new(),
        ..made.clone()
    };
    let bytes = build_character(&NewCharacter {
        name: String::new(),
        skeleton: performer(1),
        meshes: vec![made.clone(), plain],
        extras: None,
    })
    .unwrap();
    let surface = read(&bytes).surface;
    let [mesh, plain] = surface.meshes.as_slice() else {
        panic!("{surface:?}");
    };
    for (normal, wanted) in mesh.normals.iter().zip(&made.normals) {
        let wanted = glam::Vec3::from_array(*wanted).as_dvec3().normalize();
        close(*normal, wanted, 1e-6);
    }
    for (colour, vertex) in mesh.colours.iter().zip(&made.colors) {
        for part in 0..4 {
            let wanted = vertex[part] * made.base_color[part];
            // Colours are written as bytes: half a step of 1/255, times the base colour.
            assert!((colour[part] - wanted).abs() <= made.base_color[part] * 0.5 / 255.0 + 1e-6);
        }
    }
    assert_eq!(mesh.colours.len(), made.colors.len());
    assert!(plain.normals.is_empty());
    // Without colours of its own, every vertex has that of the material.
    assert_eq!(plain.colours, vec![made.base_color; made.positions.len()]);
}

#[test]
fn a_damaged_look_is_a_warning() {
    let bytes = build_character(&NewCharacter {
        name: String::new(),
        skeleton: performer(1),
        meshes: vec![limb(3)],
        extras: None,
    })
    .unwrap();
    let mut json = json_of(&bytes);
    let primitive = &mut json["meshes"][0]["primitives"][0];
    // An accessor that is not there, and one with a single number for each vertex.
    primitive["attributes"]["NORMAL"] = json!(99);
    primitive["attributes"]["COLOR_0"] = primitive["indices"].clone();
    let character = read(&with_json(&bytes, &json));
    let mesh = &character.surface.meshes[0];
    assert!(mesh.normals.is_empty() && mesh.colours == vec![[0.2, 0.4, 0.3, 1.0]; 24]);
    let warned = |what: &str| character.warnings.iter().any(|w| w.contains(what));
    assert!(
        warned("NORMAL") && warned("COLOR_0"),
        "{:?}",
        character.warnings
    );
}
