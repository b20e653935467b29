//! Planted feet on the skin: it lies on the floor, and the skin of heel, ball and toe stands still.

mod common;

use common::{carried_onto_skin, cast};
use understudy_bodies::Character as Made;
use understudy_motion::{DQuat, DVec3, WorldPose};
use understudy_solver::{Floor, Foot, FootPart, Retargeted, Settings};

/// The vertices of the skin below an ankle that hang no lower at rest than the sole (by a hundredth of the
/// ankle's height), as mesh and number.
fn foot_vertices(onto: &Made, rest: &WorldPose, foot: &Foot) -> Vec<(usize, usize)> {
    let sole_m = foot.ball.world(rest).y;
    let least_m = sole_m - 0.01 * (rest.position(foot.ankle).y - sole_m);
    let mut found = Vec::new();
    for (index, mesh) in onto.surface.meshes.iter().enumerate() {
        for (vertex, place) in mesh.posed(rest).into_iter().enumerate() {
            let is_below = |joint| onto.skeleton.is_at_or_above(foot.ankle, joint);
            if mesh.main_joint(vertex).is_some_and(is_below) && place.y >= least_m {
                found.push((index, vertex));
            }
        }
    }
    found
}

/// The giant's soles are thick and its toes share much skin with the instep; the fiddler has single toes,
/// the lamplighter walks on claws.
#[test]
fn the_skin_of_planted_feet_lies_on_the_floor() {
    for name in ["giant", "fiddler", "lamplighter"] {
        let onto = cast(name);
        let result = carried_onto_skin("walk", &onto, &Settings::default());
        let floor = result.floor();
        // Y is up in results, whatever the character's file says.
        let rest = result.solved.skeleton.rest_world();
        let mut planted_frames = 0;
        for (leg, foot) in result.feet.iter().enumerate() {
            let vertices = foot_vertices(&onto, &rest, foot);
            for (frame, parts) in result.planted_parts[leg].iter().enumerate() {
                let world = result.solved.world(frame);
                let places = onto.surface.posed_vertices(&vertices, &world);
                let heights = places.iter().map(|place| floor.above(*place));
                let lowest_m = heights.fold(f64::INFINITY, f64::min);
                let name = format!("{name}, leg {leg}, frame {frame}: {lowest_m} m");
                assert!(lowest_m > -1e-3, "sinks: {name}");
                if parts.contains(&true) {
                    planted_frames += 1;
                    assert!(lowest_m < 1e-3, "floats: {name}");
                }
            }
        }
        assert!(planted_frames > 100, "{name} stands in {planted_frames}");
    }
}

/// How far the vertex that is nearest to a place at rest slides while the ball of a foot is down, metres.
fn slide_m(onto: &Made, result: &Retargeted, leg: usize, place: DVec3) -> f64 {
    let rest = result.solved.skeleton.rest_world();
    let meshes = onto.surface.meshes.iter().enumerate();
    let all = meshes.flat_map(|(index, mesh)| {
        let places = mesh.posed(&rest).into_iter().enumerate();
        places.map(move |(vertex, at)| (at.distance_squared(place), index, vertex))
    });
    let least = all.min_by(|a, b| a.0.total_cmp(&b.0));
    let (_, mesh, vertex) = least.expect("skin");
    let mut first: Option<DVec3> = None;
    let mut farthest_m = 0.0f64;
    for (frame, parts) in result.planted_parts[leg].iter().enumerate() {
        if !parts[1] {
            first = None;
            continue;
        }
        let world = result.solved.world(frame);
        let place = onto.surface.posed_vertices(&[(mesh, vertex)], &world)[0];
        let away = place - *first.get_or_insert(place);
        farthest_m = farthest_m.max(away.with_y(0.0).length());
    }
    farthest_m
}

/// Skin below the joint of the toes goes with ankle and toes, and slides while one turns against the other.
/// What is held for the ball is skin further ahead, which goes with the toes, as far as there is any.
#[test]
fn the_skin_that_stands_for_the_ball_stands_still() {
    let mut sliding = 0;
    for name in ["giant", "weaver"] {
        let onto = cast(name);
        let result = carried_onto_skin("walk", &onto, &Settings::default());
        let rest = result.solved.skeleton.rest_world();
        for (leg, foot) in result.feet.iter().enumerate() {
            let ball = foot.point(FootPart::Ball).expect("a ball").world(&rest);
            let below = rest.position(foot.toe_joint).with_y(ball.y);
            let (held_m, below_m) = (
                slide_m(&onto, &result, leg, ball),
                slide_m(&onto, &result, leg, below),
            );
            sliding += usize::from(below_m > 2e-3);
            assert!(
                held_m < f64::max(2e-4, 0.4 * below_m),
                "{name}, leg {leg}: {held_m} m, below the joint {below_m} m"
            );
        }
    }
    assert!(sliding >= 2, "{sliding} feet");
}

/// Heights by two rigid pieces are those of linear blend skinning, however ankle and toes turn.
#[test]
fn heights_of_a_foot_are_those_of_its_skin() {
    let onto = cast("weaver");
    let feet =
        understudy_solver::foot::character_feet(&onto.skeleton, &onto.body, Some(&onto.surface));
    let floor = Floor {
        height_m: 0.1,
        normal: DVec3::new(0.1, 1.0, -0.2).normalize(),
    };
    let foot = &feet[0];
    let vertices = foot_vertices(&onto, &onto.skeleton.rest_world(), foot);
    for step in 0..20 {
        let turn = |scale: f64| {
            let angle = scale * f64::from(step);
            DQuat::from_euler(Default::default(), angle, 0.7 * angle, -0.4 * angle)
        };
        let mut locals = onto.skeleton.rest_locals();
        // The shank goes along with the ankle, so that skin shared with it does too.
        locals[0].rotation = turn(0.3) * locals[0].rotation;
        locals[foot.toe_joint].rotation *= turn(0.11);
        let world = WorldPose::from_locals(&onto.skeleton, &locals);
        let places = onto.surface.posed_vertices(&vertices, &world);
        let heights = places.iter().map(|place| floor.above(*place));
        let lowest_m = heights.fold(f64::INFINITY, f64::min);
        let own_m = foot.lowest_m(&world, &floor);
        // Weights have the precision of the file: 24 bits.
        assert!((own_m - lowest_m).abs() < 1e-6, "{own_m} and {lowest_m}");
    }
}
