//! A written file is the file that was read, and one animation more.

use super::*;

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

/// Keys of a joint, a lamp that is none, morph weights and what an extension points to.
fn lively() -> Fixture {
    let mut fixture = rich();
    let lamp = fixture.push("nodes", json!({ "name": "lamp" }));
    let times = fixture.floats("SCALAR", &[0.5, 0.75, 1.0]);
    let slow = fixture.floats("SCALAR", &[0.0, 2.0]);
    let moves = fixture.floats("VEC3", &[0.0, 0.0, 0.0, 0.1, 0.0, 0.0, 0.2, 0.0, 0.0]);
    let weights = fixture.floats("SCALAR", &[0.0, 1.0]);
    let glow = fixture.floats("VEC3", &[0.0, 0.0, 0.0, 1.0, 1.0, 1.0]);
    let pointer = json!({ "path": "pointer",
        "extensions": { "EXAMPLE_pointer": { "pointer": "/materials/0/extras/zeta" } } });
    fixture.push(
        "animations",
        json!({
            "name": "tide",
            "extras": { "q": 1 },
            "samplers": [
                { "input": times, "output": moves },
                { "input": slow, "output": glow, "interpolation": "STEP" },
                { "input": slow, "output": weights },
            ],
            "channels": [
                { "sampler": 0, "target": { "node": 0, "path": "translation" } },
                { "sampler": 2, "target": { "node": 2, "path": "weights" } },
                { "sampler": 1, "target": { "node": lamp, "path": "translation" } },
                { "sampler": 2, "target": pointer },
                { "sampler": 9, "target": { "node": 3, "path": "weights" } },
            ],
        }),
    );
    fixture
}

#[test]
fn what_is_not_resampled_goes_on_in_the_new_animation() {
    let bytes = lively().glb();
    let character = read(&bytes);
    let clip = character
        .clips
        .iter()
        .find(|clip| clip.name == "tide")
        .unwrap();
    let options = AnimationOptions {
        replace_same_name: true,
        ..AnimationOptions::default()
    };
    let write = |document: &GltfDocument| {
        let nodes = &character.node_of_joint;
        document
            .with_animation(clip, "tide", nodes, &options)
            .unwrap()
    };
    let written = write(&character.document);
    let (before, after) = (json_of(&bytes), json_of(&written));
    let animations = after["animations"].as_array().unwrap();
    assert_eq!(animations.len(), 2);
    let (old, new) = (&before["animations"][1], &animations[1]);
    assert_eq!(new["name"], "tide");
    assert_eq!(new["extras"], json!({ "q": 1 }));
    // Every kept channel has its own keys: the same accessors, which are what they were.
    let channels = new["channels"].as_array().unwrap();
    assert_eq!(channels.len(), 4);
    for (channel, expected) in channels.iter().zip([1, 2, 3]) {
        let expected = &old["channels"][expected];
        assert_eq!(channel["target"], expected["target"]);
        let sampler = |animation: &Value, channel: &Value| {
            animation["samplers"][channel["sampler"].as_u64().unwrap() as usize].clone()
        };
        let sampler = (sampler(new, channel), sampler(old, expected));
        assert_eq!(sampler.0, sampler.1);
        for key in ["input", "output"] {
            let accessor = sampler.0[key].as_u64().unwrap() as usize;
            assert_eq!(after["accessors"][accessor], before["accessors"][accessor]);
        }
    }
    assert_eq!(
        channels[3]["target"],
        json!({ "node": 0, "path": "translation" })
    );
    // Joints stay in step with the keys that are kept.
    let back = read(&written);
    assert_eq!(back.clips[1].start_secs, 0.5);
    assert_same_motion(clip, &back.clips[1], 1e-6);
    // Again and again the same file.
    assert_eq!(write(&back.document), written);
}

#[test]
fn animations_of_other_names_are_not_touched() {
    let bytes = lively().glb();
    let character = read(&bytes);
    let options = AnimationOptions {
        replace_same_name: true,
        ..AnimationOptions::default()
    };
    let nodes = &character.node_of_joint;
    let written = character
        .document
        .with_animation(&character.clips[1], "ebb", nodes, &options);
    let written = json_of(&written.unwrap());
    assert_eq!(written["animations"][1], json_of(&bytes)["animations"][1]);
    assert_eq!(written["animations"][2].get("extras"), None);
    let channels = written["animations"][2]["channels"].as_array().unwrap();
    assert_eq!(channels.len(), 1);
}
