//! The cast of the night market: every described body stands on the floor with a sound skeleton
//! and closed flesh.

mod common;

use std::collections::{BTreeMap, HashMap};
use std::sync::{Mutex, PoisonError};

use common::{CAST, newly_made};
use proptest::prelude::*;
use understudy_bodies::description::{
    Appendage, ArmPair, Description, Detail, JointAxes, LegKind, Naming, RestPose,
};
use understudy_bodies::{BodyError, BodyMesh, Character, character, character_from_ron};
use understudy_motion::{Axis, DVec3};

/// A member of the cast; each is made once.
fn member(name: &str) -> Character {
    static MADE: Mutex<BTreeMap<String, Character>> = Mutex::new(BTreeMap::new());
    let mut made = MADE.lock().unwrap_or_else(PoisonError::into_inner);
    let entry = made.entry(name.to_owned());
    entry.or_insert_with(|| newly_made(name)).clone()
}

/// Every edge is used once in each direction.
fn is_closed(mesh: &BodyMesh) -> bool {
    let mut edges: HashMap<(u32, u32), i32> = HashMap::new();
    for [a, b, c] in mesh.triangles.iter().copied() {
        for edge in [(a, b), (b, c), (c, a)] {
            *edges.entry(edge).or_default() += 1;
        }
    }
    edges
        .iter()
        .all(|(&(a, b), &count)| count == 1 && edges.get(&(b, a)) == Some(&1))
}

/// Volumes of the closed pieces of a mesh, m³: pieces are told apart by following shared vertices.
fn volumes_m3(mesh: &BodyMesh) -> Vec<f64> {
    let mut piece_of: Vec<usize> = (0..mesh.positions.len()).collect();
    fn root(piece_of: &mut [usize], vertex: usize) -> usize {
        let mut at = vertex;
        while piece_of[at] != at {
            piece_of[at] = piece_of[piece_of[at]];
            at = piece_of[at];
        }
        at
    }
    for [a, b, c] in &mesh.triangles {
        let to = root(&mut piece_of, *a as usize);
        for vertex in [*b, *c] {
            let from = root(&mut piece_of, vertex as usize);
            piece_of[from] = to;
        }
    }
    let mut volumes: HashMap<usize, f64> = HashMap::new();
    for triangle in &mesh.triangles {
        let [a, b, c] = triangle.map(|vertex| mesh.positions[vertex as usize]);
        let piece = root(&mut piece_of, triangle[0] as usize);
        *volumes.entry(piece).or_default() += a.dot(b.cross(c)) / 6.0;
    }
    volumes.into_values().collect()
}

/// What must hold for every character.
fn check(made: &Character) -> Result<(), TestCaseError> {
    let rest = made.skeleton.rest_world();
    let up = made.body.frame.up;
    for (index, joint) in made.skeleton.joints().iter().enumerate() {
        prop_assert!(rest.position(index).dot(up) > -1e-6, "{}", joint.name);
        prop_assert!((joint.rest.rotation.length() - 1.0).abs() < 1e-9);
    }
    let names: std::collections::HashSet<&str> = made
        .skeleton
        .joints()
        .iter()
        .map(|joint| joint.name.as_str())
        .collect();
    prop_assert_eq!(names.len(), made.skeleton.len());
    for leg in &made.body.legs {
        prop_assert!(leg.toe_tip.world(&rest).dot(up).abs() < 1e-9);
    }
    for mesh in &made.meshes {
        prop_assert!(is_closed(mesh), "{} is open", mesh.name);
        for volume in volumes_m3(mesh) {
            prop_assert!(
                // Less than the glint in the eye of a head of two centimetres.
                volume > 1e-12,
                "a piece of {} encloses {volume} m³",
                mesh.name
            );
        }
        for (joints, weights) in mesh.joints.iter().zip(&mesh.weights) {
            let sum: f64 = weights.iter().map(|&weight| f64::from(weight)).sum();
            prop_assert!((sum - 1.0).abs() < 1e-6);
            prop_assert!(
                joints
                    .iter()
                    .all(|&joint| usize::from(joint) < made.skeleton.len())
            );
        }
        for (position, normal) in mesh.positions.iter().zip(&mesh.normals) {
            prop_assert!(position.is_finite());
            prop_assert!((normal.length() - 1.0).abs() < 1e-9);
        }
    }
    for (mesh, skinned) in made.meshes.iter().zip(&made.surface.meshes) {
        for (bound, posed) in mesh.positions.iter().zip(skinned.posed(&rest)) {
            prop_assert!(bound.distance(posed) < 1e-5);
        }
    }
    Ok(())
}

#[test]
fn every_member_is_sound_and_stands_on_the_floor() {
    for name in CAST {
        let made = member(name);
        assert_eq!(made.name, name);
        check(&made).unwrap_or_else(|error| panic!("{name}: {error}"));
        let (low, _) = made.height_range_m();
        assert!(low.abs() < 1e-12, "{name} stands at {low} m");
    }
}

#[test]
fn each_foot_has_its_sole_at_the_floor() {
    for name in CAST {
        let made = member(name);
        let rest = made.skeleton.rest_world();
        let points = made.surface.points_by_joint(made.skeleton.len(), &rest);
        for leg in &made.body.legs {
            let tip = leg.toe_tip.world(&rest);
            let foot: Vec<DVec3> = made
                .skeleton
                .subtree(leg.ankle)
                .into_iter()
                .flat_map(|joint| {
                    let affine = rest.affines[joint];
                    points[joint]
                        .iter()
                        .map(move |p| affine.transform_point3(*p))
                })
                .collect();
            let lowest = foot
                .iter()
                .map(|p| p.dot(made.body.frame.up))
                .fold(1.0, f64::min);
            assert!(lowest.abs() < 1e-7, "{name}: sole at {lowest} m");
            let reach = |p: &DVec3| p.dot(made.body.frame.forward);
            let longest = foot.iter().map(reach).fold(f64::NEG_INFINITY, f64::max);
            assert!(
                (longest - reach(&tip)).abs() < 0.002 * made.height_range_m().1,
                "{name}: toes end {longest}, tip {}",
                reach(&tip)
            );
        }
    }
}

#[test]
fn legs_of_the_cast_span_a_wide_range() {
    let performer = member("performer");
    let length = |made: &Character| made.body.leg_length_m(&made.skeleton).unwrap();
    let ratio = |name: &str| length(&member(name)) / length(&performer);
    assert!((ratio("lamplighter") - 2.5).abs() < 0.01);
    assert!((ratio("porter") - 0.5).abs() < 0.01);
    assert!(ratio("pedlar") < 0.35);
}

#[test]
fn members_are_what_the_scenario_says() {
    let height = |name: &str| member(name).height_range_m().1;
    let check = |name, expected: f64, tolerance: f64| {
        assert!(
            (height(name) - expected).abs() < tolerance,
            "{name}: {} m",
            height(name)
        );
    };
    check("performer", 1.75, 1e-9);
    check("pedlar", 0.9, 0.05);
    check("giant", 3.4, 1e-9);
    assert!(member("lamplighter").body.legs[0].digitigrade);
    assert!(member("lamplighter").body.neck.len() >= 6);
    assert_eq!(member("weaver").body.arms.len(), 4);
    assert!(member("giant").body.neck.is_empty());
    assert_eq!(member("fiddler").body.frame.up, DVec3::Z);
}

/// The truth handed out with a character names the joints that it means.
#[test]
fn the_true_body_points_at_its_joints() {
    let made = member("performer");
    let name = |joint: usize| made.skeleton.name(joint);
    for (leg, side) in made.body.legs.iter().zip(["left", "right"]) {
        let joints = [leg.hip, leg.knee, leg.ankle, leg.ball.unwrap()].map(name);
        let expected = ["hip", "knee", "ankle", "ball"].map(|word| format!("{side}_{word}"));
        assert_eq!(joints.to_vec(), expected);
    }
    for (arm, side) in made.body.arms.iter().zip(["left", "right"]) {
        let joints = [arm.clavicle[0], arm.shoulder, arm.elbow, arm.wrist.unwrap()].map(name);
        let words = ["clavicle", "shoulder", "elbow", "wrist"];
        assert_eq!(joints.to_vec(), words.map(|word| format!("{side}_{word}")));
        assert_eq!(arm.fingers.len(), 5);
    }
    let weaver = member("weaver");
    // Two in upper arm and forearm of the upper pair, one in thigh and shank, on each side.
    assert_eq!(weaver.body.twists.len(), 2 * (2 * 2 + 2));
    let rest = weaver.skeleton.rest_world();
    for twist in &weaver.body.twists {
        let (from, to) = (rest.position(twist.from), rest.position(twist.to));
        assert!(
            rest.position(twist.joint)
                .distance(from.lerp(to, twist.share))
                < 1e-12
        );
    }
}

/// Each skin is one closed surface without triangles that are none.
#[test]
fn skins_are_of_one_piece() {
    for name in CAST {
        let made = member(name);
        let skin = &made.meshes[0];
        assert_eq!(volumes_m3(skin).len(), 1, "{name}");
        assert!(skin.positions.len() <= 16_000);
        for triangle in &skin.triangles {
            let [a, b, c] = triangle.map(|vertex| skin.positions[vertex as usize]);
            let longest = a.distance(b).max(b.distance(c)).max(c.distance(a));
            let height = (b - a).cross(c - a).length() / longest;
            assert!(height > 0.01 * longest, "{name}: {a} {b} {c}");
        }
    }
}

/// The left half of each skin mirrors the right: places, normals, colours and weights.
#[test]
fn skins_mirror_left_and_right() {
    let key = |p: DVec3| (p * 1e5).round().to_array().map(|x| x as i64);
    for name in CAST {
        let made = member(name);
        let skin = &made.meshes[0];
        let left = made.body.frame.left();
        let mirrored = |p: DVec3| p - 2.0 * p.dot(left) * left;
        let places: HashMap<[i64; 3], usize> = skin
            .positions
            .iter()
            .enumerate()
            .map(|(v, &p)| (key(p), v))
            .collect();
        let mean_weight =
            |vertex: usize| -> f32 { skin.weights[vertex].iter().map(|w| w * w).sum() };
        for vertex in 0..skin.positions.len() {
            let other = places[&key(mirrored(skin.positions[vertex]))];
            assert!(skin.normals[other].distance(mirrored(skin.normals[vertex])) < 1e-9);
            assert_eq!(skin.colours[other], skin.colours[vertex]);
            assert!(
                (mean_weight(other) - mean_weight(vertex)).abs() < 1e-6,
                "{name}"
            );
        }
    }
}

/// Local axes lie along the bones where the description says so.
#[test]
fn bone_aligned_axes_point_at_the_next_joint() {
    for (name, axis) in [
        ("giant", DVec3::Y),
        ("lamplighter", DVec3::X),
        ("weaver", DVec3::NEG_Z),
    ] {
        let made = member(name);
        for leg in &made.body.legs {
            for (from, to) in [(leg.hip, leg.knee), (leg.knee, leg.ankle)] {
                assert_eq!(made.skeleton.parent(to), Some(from));
                let along = made.skeleton.joint(to).rest.translation.normalize();
                assert!(along.distance(axis) < 1e-9, "{name} {along}");
            }
        }
    }
}

/// The giant's hands hang to the ankles: arms as long as from shoulder to ankle, within a tenth.
#[test]
fn the_giants_arms_reach_the_ankles() {
    let made = member("giant");
    let rest = made.skeleton.rest_world();
    let arm = &made.body.arms[0];
    let at = |joint| rest.position(joint);
    let wrist = arm.wrist.unwrap();
    let length = at(arm.shoulder).distance(at(arm.elbow))
        + at(arm.elbow).distance(at(wrist))
        + at(wrist).distance(arm.hand_tip.world(&rest));
    let drop = at(arm.shoulder).y - at(made.body.legs[0].ankle).y;
    assert!((length / drop - 1.0).abs() < 0.1);
}

#[test]
fn the_performers_flesh_has_the_hip_breadth_of_the_table() {
    let made = member("performer");
    // Drillis & Contini: breadth at the hips 0.191 of stature.
    let widest = made.meshes[0]
        .positions
        .iter()
        .filter(|p| (p.y / 1.75 - 0.53).abs() < 0.02)
        .map(|p| p.x.abs())
        .fold(0.0, f64::max);
    assert!(
        (2.0 * widest / 1.75 - 0.191).abs() < 0.004,
        "{}",
        2.0 * widest / 1.75
    );
}

#[test]
fn faults_of_a_description_are_named() {
    let message = |text: &str| character_from_ron(text).unwrap_err().to_string();
    assert!(message("(\n  name: \"a\",\n  statur_m: 2.0,\n)").starts_with("line 3"));
    assert!(message("(name: \"a\", stature_m: 0.0)").starts_with("stature_m is 0"));
    assert!(message("(name: \"a\", arms: [(), (fingers: 9)])").starts_with("arms[1].fingers is 9"));
    assert!(message("(name: \"\")").starts_with("name is empty"));
    assert!(message("(name: \"a\", up: Z)").contains("facing is +Z"));
    let deep = character_from_ron("(name: \"a\", rest: ArmsDown, arms: [(upper_arm_m: 2.0)])");
    assert!(matches!(deep, Err(BodyError::BelowFloor { .. })));
}

prop_compose! {
    fn arm_pair()(
        width in 0.05..0.6f64, drop_m in 0.0..0.3f64, clavicles: bool, upper in 0.02..0.3f64,
        forearm in 0.02..0.3f64, hand in 0.02..0.2f64, fingers in 0..=5usize,
        finger_joints in 1..=4usize, twist_joints in 0..=4usize, wing: bool,
        finger_spread in 0.5..3.0f64,
    ) -> ArmPair {
        ArmPair {
            shoulder_width_m: Some(width), drop_m, clavicles, upper_arm_m: Some(upper),
            forearm_m: Some(forearm), hand_m: Some(hand), fingers, finger_joints, twist_joints,
            wing, finger_spread,
        }
    }
}

prop_compose! {
    fn appendage()(
        joints in 1..=8usize, length_m in 0.05..0.5f64, rise_degrees in 0.0..80.0f64,
        radius_m in 0.01..0.1f64, bush in 0.3..4.0f64,
    ) -> Option<Appendage> {
        Some(Appendage { joints, length_m, rise_degrees, radius_m, bush })
    }
}

prop_compose! {
    /// Names, axes, counts and poses of all kinds.
    fn look()(
        rest in prop_oneof![Just(RestPose::T), Just(RestPose::A), Just(RestPose::ArmsDown)],
        up in 0..6usize, facing in 0..6usize,
        naming in prop_oneof![Just(Naming::Plain), Just(Naming::Parts), Just(Naming::Numbered)],
        axis in 0..7usize,
    ) -> Description {
        let mut made = Description::human("any", 1.6);
        (made.rest, made.naming) = (rest, naming);
        made.up = Axis::ALL[up];
        // The next axis in turn never lies along up.
        let across = Axis::ALL[facing];
        made.facing = if up % 3 == facing % 3 { Axis::ALL[(facing + 1) % 6] } else { across };
        made.axes = Axis::ALL.get(axis).map_or(JointAxes::World, |&axis| JointAxes::AlongBone(axis));
        made
    }
}

prop_compose! {
    fn any_description()(
        mut made in look(),
        arms in prop::collection::vec(arm_pair(), 0..=3),
        spine_joints in 0..=12usize, neck_joints in 0..=24usize, pitch in -40.0..70.0f64,
        head in 0.02..0.8f64, digitigrade: bool, toes in 0..=5usize, twist_joints in 0..=4usize,
        thigh in 0.6..1.5f64, shank in 0.6..1.5f64, ball in 0.005..0.1f64, foot in 0.01..0.1f64,
        tail in appendage(), ears in appendage(), wings in appendage(), bulk in 0.2..3.0f64,
    ) -> Description {
        made.arms = arms;
        made.torso.spine_joints = spine_joints;
        made.torso.neck_joints = neck_joints;
        made.torso.trunk_pitch_degrees = pitch;
        made.torso.head_m = Some(head);
        made.legs.kind = if digitigrade { LegKind::Digitigrade } else { LegKind::Plantigrade };
        made.legs.toes = toes;
        made.legs.twist_joints = twist_joints;
        made.legs.thigh_m = Some(thigh);
        made.legs.shank_m = Some(shank);
        made.legs.ball_height_m = Some(ball);
        made.thickness.foot_m = Some(foot);
        made.thickness.bulk = bulk;
        (made.tail, made.ears, made.wings) = (tail, ears, wings);
        // Coarse: these bodies are for checking, not for looking at.
        made.detail = Detail { cell_m: Some(0.012), vertices: 3000 };
        made
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        // Others each time; a body takes a second.
        cases: 24,
        // Integration tests have no place for it beside a lib.rs.
        failure_persistence: None,
        ..ProptestConfig::default()
    })]
    #[test]
    fn any_description_in_range_gives_a_sound_character(description in any_description()) {
        let made = character(&description)?;
        check(&made)?;
        let again = character(&description)?;
        prop_assert_eq!(made, again);
    }
}
