//! Meshes without a skin, and pictures.

use understudy_motion::{Opacity, Wrap};

use super::*;

/// A leg of two joints with a hat on a node of its own, an eye on a joint itself, and scenery.
fn dressed() -> Fixture {
    let mut fixture = Fixture::new(json!([
        { "name": "pelvis", "children": [1], "translation": [0.0, 1.0, 0.0] },
        { "name": "knee", "children": [2], "translation": [0.0, -0.5, 0.0], "rotation": QUARTER_Z,
          "mesh": 0 },
        { "name": "holder", "children": [3], "translation": [0.0, 0.25, 0.0] },
        { "name": "hat", "mesh": 0, "translation": [0.0, 0.0, 0.1], "scale": [2.0, 2.0, 2.0] },
        { "name": "floor", "mesh": 0 },
    ]));
    fixture.skin(&[0, 1]);
    let positions = fixture.floats("VEC3", &[0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0]);
    fixture.push(
        "meshes",
        json!({ "name": "felt", "primitives": [{ "attributes": { "POSITION": positions } }] }),
    );
    fixture
}

/// The same with a picture on the felt.
fn painted(image: Value, texture: Value) -> Fixture {
    let mut fixture = dressed();
    let places = fixture.floats("VEC3", &[0.0; 9]);
    let uv: Vec<u8> = [0.0f32, 0.0, 1.0, 0.0, 0.0, 0.5]
        .iter()
        .flat_map(|x| x.to_le_bytes())
        .collect();
    let uv = fixture.accessor(&uv, 5126, "VEC2", 3);
    let primitive = &mut fixture.json["meshes"][0]["primitives"][0];
    primitive["attributes"]["TEXCOORD_0"] = uv.into();
    primitive["attributes"]["TEXCOORD_1"] = places.into();
    primitive["material"] = 0.into();
    fixture.push("images", image);
    fixture.push("textures", json!({ "source": 0 }));
    fixture.push(
        "materials",
        json!({
            "pbrMetallicRoughness": { "baseColorTexture": texture },
            "alphaMode": "MASK", "alphaCutoff": 0.25, "doubleSided": true,
        }),
    );
    fixture
}

const JPEG: &str = "data:image/jpeg;base64,/9j/4AAQ";

#[test]
fn meshes_without_a_skin_follow_their_joint_or_the_one_above() {
    let character = read(&dressed().glb());
    let surface = &character.surface;
    assert!(surface.meshes.is_empty(), "they are no flesh");
    let rest = character.skeleton.rest_world();
    let [knee, hat] = surface.rigid.as_slice() else {
        panic!("{:?}", surface.rigid);
    };
    let at = |name: &str| character.skeleton.find(name).unwrap();
    assert_eq!((knee.joints[0], hat.joints[0]), (at("knee"), at("knee")));
    // The knee is turned by a quarter about Z: what points along X points up.
    close(knee.posed(&rest)[1], DVec3::new(0.0, 1.5, 0.0), 1e-12);
    close(hat.posed(&rest)[0], DVec3::new(-0.25, 0.5, 0.1), 1e-12);
    close(hat.posed(&rest)[1], DVec3::new(-0.25, 2.5, 0.1), 1e-12);
    let warned = |what: &str| character.warnings.iter().any(|w| w.contains(what));
    assert!(
        warned("floor: hangs on no joint"),
        "{:?}",
        character.warnings
    );
}

#[test]
fn lengths_of_meshes_without_a_skin_are_in_the_unit_of_the_file() {
    let options = GltfOptions {
        unit: LengthUnit::Centimetre,
        ..GltfOptions::default()
    };
    let character = read_gltf_bytes(&dressed().glb(), None, &options).unwrap();
    let rest = character.skeleton.rest_world();
    let hat = &character.surface.rigid[1];
    close(
        hat.posed(&rest)[1],
        DVec3::new(-0.0025, 0.025, 0.001),
        1e-12,
    );
}

#[test]
fn a_mirrored_mesh_still_faces_outward() {
    let mut fixture = dressed();
    fixture.json["nodes"][3]["scale"] = json!([-1.0, 1.0, 1.0]);
    let surface = read(&fixture.glb()).surface;
    assert_eq!(surface.rigid[0].triangles, [[0, 1, 2]]);
    assert_eq!(surface.rigid[1].triangles, [[0, 2, 1]]);
}

#[test]
fn a_damaged_mesh_without_a_skin_is_a_warning() {
    let mut fixture = dressed();
    fixture.json["meshes"][0]["primitives"][0]["attributes"]["POSITION"] = 99.into();
    let character = read(&fixture.glb());
    assert!(character.surface.rigid.is_empty());
    let warned = |w: &String| w.contains("POSITION") && w.contains("not drawn");
    assert!(
        character.warnings.iter().any(warned),
        "{:?}",
        character.warnings
    );
}

#[test]
fn pictures_come_with_their_places() {
    let texture = json!({ "index": 0, "extensions": { "KHR_texture_transform": {
        "offset": [0.5, 0.0], "scale": [1.0, 2.0], "rotation": std::f64::consts::FRAC_PI_2 } } });
    let character = read(&painted(json!({ "uri": JPEG, "name": "felt" }), texture).glb());
    let surface = &character.surface;
    // Two meshes share one picture.
    assert_eq!(surface.pictures.len(), 1);
    assert_eq!(surface.pictures[0].name, "felt");
    assert_eq!(surface.pictures[0].bytes[..2], [0xff, 0xd8]);
    for mesh in &surface.rigid {
        assert_eq!(mesh.look.picture, Some(0));
        assert_eq!(
            (mesh.look.opacity, mesh.look.is_double_sided),
            (Opacity::Cut(0.25), true)
        );
        assert_eq!(mesh.look.wraps, [Wrap::Repeat; 2]);
        assert_eq!(mesh.colours, [[1.0; 4]; 3]);
        // Scaled, then turned against the clock as it is seen, then shifted.
        let expected = [[0.5, 0.0], [0.5, -1.0], [1.5, 0.0]];
        for (place, expected) in mesh.picture_places.iter().zip(expected) {
            let away = [0, 1].map(|axis: usize| f32::abs(place[axis] - expected[axis]));
            assert!(away[0].max(away[1]) < 1e-6, "{place:?} {expected:?}");
        }
    }
    let mut fixture = painted(json!({}), json!({ "index": 0 }));
    let view = fixture.view(b"\x89PNG\r\n");
    fixture.json["images"][0] = json!({ "bufferView": view, "mimeType": "image/png" });
    let surface = read(&fixture.glb()).surface;
    assert_eq!(surface.pictures[0].bytes[..], b"\x89PNG\r\n"[..]);
    assert_eq!(surface.rigid[0].picture_places[1], [1.0, 0.0]);
}

#[test]
fn samplers_say_how_a_picture_goes_on_and_materials_what_opacity_does() {
    let look = |sampler: Value, mode: &str| {
        let mut fixture = painted(json!({ "uri": JPEG }), json!({ "index": 0 }));
        fixture.json["samplers"] = json!([sampler]);
        fixture.json["textures"][0]["sampler"] = 0.into();
        fixture.json["materials"][0]["alphaMode"] = mode.into();
        read(&fixture.glb()).surface.rigid[0].look
    };
    let check = |sampler: Value, expected: [Wrap; 2]| {
        assert_eq!(look(sampler, "OPAQUE").wraps, expected);
    };
    check(json!({}), [Wrap::Repeat; 2]);
    check(
        json!({ "wrapS": 33071, "wrapT": 33648 }),
        [Wrap::Clamp, Wrap::Mirror],
    );
    check(json!({ "wrapT": 10497 }), [Wrap::Repeat; 2]);
    // What is no way at all is left.
    check(json!({ "wrapS": "round", "wrapT": 7 }), [Wrap::Repeat; 2]);
    for (mode, expected) in [
        ("OPAQUE", Opacity::Solid),
        ("BLEND", Opacity::Blend),
        ("MASK", Opacity::Cut(0.25)),
    ] {
        assert_eq!(look(json!({}), mode).opacity, expected, "{mode}");
    }
}

#[test]
fn a_broken_picture_is_a_warning() {
    let check = |image: Value, texture: Value, expected: &str| {
        let character = read(&painted(image, texture).glb());
        let surface = &character.surface;
        assert_eq!((surface.rigid.len(), surface.pictures.len()), (2, 0));
        assert_eq!(surface.rigid[0].look.picture, None);
        let warned = character.warnings.iter().any(|w| w.contains(expected));
        assert!(warned, "{expected}: {:?}", character.warnings);
    };
    let plain = json!({ "index": 0 });
    check(
        json!({ "bufferView": 99 }),
        plain.clone(),
        "images[0]: its bytes",
    );
    check(json!({}), plain.clone(), "images[0]: its bytes");
    check(json!({ "uri": "gone.png" }), plain, "images[0]: its file");
    let uri = || json!({ "uri": JPEG });
    check(uri(), json!({ "index": 7 }), "textures[7]");
    check(
        uri(),
        json!({ "index": 0, "texCoord": 5 }),
        "TEXCOORD_5: missing",
    );
    check(uri(), json!({ "index": 0, "texCoord": 1 }), "TEXCOORD_1");
}

#[test]
fn a_picture_is_no_part_of_the_flesh() {
    let bare = two_skins();
    let mut fixture = two_skins();
    let positions = fixture.json["meshes"][0]["primitives"][0]["attributes"]["POSITION"].clone();
    fixture.json["nodes"][1]["mesh"] = 2.into();
    fixture.push(
        "meshes",
        json!({ "primitives": [{ "attributes": { "POSITION": positions } }] }),
    );
    let (bare, dressed) = (read(&bare.glb()).surface, read(&fixture.glb()));
    let (skeleton, dressed) = (dressed.skeleton, dressed.surface);
    assert_eq!(bare.meshes, dressed.meshes);
    assert_eq!(dressed.rigid.len(), 1);
    let rest = skeleton.rest_world();
    assert_eq!(
        bare.points_by_joint(skeleton.len(), &rest),
        dressed.points_by_joint(skeleton.len(), &rest)
    );
}
