//! Damaged files give errors, never a panic.

use super::*;

use proptest::prelude::*;

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
