//! The skin of the cast through the range of joint motion: nothing tears and no vertex sticks out.
//!
//! Ranges: American Academy of Orthopaedic Surgeons, *Joint Motion: Method of Measuring and
//! Recording* (1965; revised 1994), taken from a transcription; those of the fingers from memory.

mod common;

use std::f64::consts::PI;

use common::{CAST, newly_made};
use understudy_bodies::Character;
use understudy_motion::{DQuat, DVec3, WorldPose};

/// Most that an edge may grow. A weight that eases from 0 to 1 over a stretch of two radii about
/// a joint turned by θ stretches the outside by 1 + 0.75 θ, which is 3.4 at half a turn; armpit and
/// groin, where a third part joins in, may have half as much again.
const MOST_STRETCH: f64 = 5.0;

/// Edges shorter than this share of the mean edge around do not count as torn: they grow by less
/// than can be seen.
const SHORT_EDGE: f64 = 0.35;

/// How much farther a vertex may come to lie from the middle of its neighbours than at rest, in
/// mean lengths of its edges at rest. A sharp fold, in which all neighbours lie on one side, is 1.
const MOST_SPIKE: f64 = 1.3;

/// Joints of one vertex lie no farther apart in the tree, in steps, twist joints not counted: from
/// a head over neck, back and clavicle to a shoulder, which touch in bodies without a neck, is 4.
/// From a hand at rest to the thigh beside it is 7, from finger tip to finger tip 6.
const MOST_STEPS: usize = 4;

/// A pose by turns of joints in the world's axes about their places.
struct Movement {
    name: String,
    turns: Vec<(usize, DQuat)>,
}

struct Mover<'a> {
    made: &'a Character,
    rest: WorldPose,
    movements: Vec<Movement>,
}

impl Mover<'_> {
    fn add(&mut self, name: String, turns: Vec<(usize, DQuat)>) {
        self.movements.push(Movement { name, turns });
    }

    /// Turns one joint about an axis to each of some angles, degrees.
    fn turn(&mut self, name: &str, joint: usize, axis: DVec3, degrees: &[f64]) {
        for &angle in degrees {
            let turn = DQuat::from_axis_angle(axis, angle.to_radians());
            self.add(format!("{name} {angle}"), vec![(joint, turn)]);
        }
    }

    fn at(&self, joint: usize) -> DVec3 {
        self.rest.position(joint)
    }

    fn toward(&self, from: usize, to: usize) -> DVec3 {
        (self.at(to) - self.at(from)).normalize()
    }
}

fn movements(made: &Character) -> Vec<Movement> {
    let mut mover = Mover {
        made,
        rest: made.skeleton.rest_world(),
        movements: Vec::new(),
    };
    legs(&mut mover);
    arms(&mut mover);
    neck(&mut mover);
    mover.movements
}

fn legs(mover: &mut Mover<'_>) {
    let frame = mover.made.body.frame;
    let (left, forward) = (frame.left(), frame.forward);
    for leg in &mover.made.body.legs {
        let name = |joint: &str| format!("{:?} {joint}", leg.side);
        let thigh = mover.toward(leg.hip, leg.knee);
        let shank = mover.toward(leg.knee, leg.ankle);
        // The thigh swings forward about the axis to the right.
        mover.turn(&name("hip flexion"), leg.hip, -left, &[120.0, -30.0]);
        let outward = if left.dot(mover.at(leg.hip)) > 0.0 {
            forward
        } else {
            -forward
        };
        mover.turn(&name("hip abduction"), leg.hip, outward, &[45.0, -30.0]);
        mover.turn(&name("hip rotation"), leg.hip, thigh, &[45.0, -45.0]);
        let bent = thigh.angle_between(shank).to_degrees();
        mover.turn(
            &name("knee flexion"),
            leg.knee,
            left,
            &[135.0 - bent, -bent],
        );
        if !leg.digitigrade {
            mover.turn(&name("ankle"), leg.ankle, left, &[-20.0, 50.0]);
            mover.turn(&name("foot inversion"), leg.ankle, outward, &[-35.0, 15.0]);
        }
    }
}

fn arms(mover: &mut Mover<'_>) {
    let frame = mover.made.body.frame;
    let (up, forward) = (frame.up, frame.forward);
    for arm in &mover.made.body.arms {
        let name = |joint: &str| format!("{:?} arm {} {joint}", arm.side, arm.pair + 1);
        let Some(wrist) = arm.wrist else { continue };
        let upper = mover.toward(arm.shoulder, arm.elbow);
        let fore = mover.toward(arm.elbow, wrist);
        // A third of raising the arm is the shoulder blade's (Inman, Saunders & Abbott 1944, from
        // memory).
        let raised = |turn: DQuat| match arm.clavicle.last() {
            Some(&clavicle) => {
                let third = DQuat::IDENTITY.slerp(turn, 1.0 / 3.0);
                vec![(clavicle, third), (arm.shoulder, third.inverse() * turn)]
            }
            None => vec![(arm.shoulder, turn)],
        };
        let side = (upper - up * upper.dot(up)).try_normalize();
        let side = side.unwrap_or(frame.left() * frame.left().dot(mover.at(arm.shoulder)).signum());
        let aside = upper.angle_between(side).copysign(-upper.dot(up));
        let lift = side.cross(up).normalize();
        let overhead = DQuat::from_axis_angle(lift, aside + 0.5 * PI);
        mover.add(name("overhead"), raised(overhead));
        let hanging = DQuat::from_axis_angle(lift, aside - 0.5 * PI);
        mover.add(name("hanging"), raised(hanging));
        let before = DQuat::from_rotation_arc(upper, forward);
        mover.add(name("forward"), raised(before));
        let behind = -up * 60.0_f64.to_radians().cos() - forward * 60.0_f64.to_radians().sin();
        mover.add(
            name("extension"),
            raised(DQuat::from_rotation_arc(upper, behind)),
        );
        mover.turn(
            &name("shoulder rotation"),
            arm.shoulder,
            upper,
            &[70.0, -90.0],
        );
        let hinge = fore.cross(forward).normalize();
        mover.turn(&name("elbow flexion"), arm.elbow, hinge, &[150.0]);
        for degrees in [80.0_f64, -80.0] {
            let turns = rolled(mover.made, arm.elbow, wrist, fore, degrees.to_radians());
            mover.add(name(&format!("pronation {degrees}")), turns);
        }
        // Palms look down, or inward where arms hang.
        let palm = fore.cross(forward).normalize();
        mover.turn(&name("wrist flexion"), wrist, forward, &[80.0, -70.0]);
        mover.turn(&name("wrist deviation"), wrist, palm, &[20.0, -30.0]);
        let fist = arm
            .fingers
            .iter()
            .filter(|finger| finger.ray > 1)
            .flat_map(|finger| finger.joints.iter());
        let side = if mover.at(wrist).dot(frame.left()) > 0.0 {
            -1.0
        } else {
            1.0
        };
        let curl = DQuat::from_axis_angle(forward, side * 80.0_f64.to_radians());
        let fist = fist.map(|&joint| (joint, curl)).collect();
        mover.add(name("fist"), fist);
    }
}

/// A roll of the hand, shared by the twist joints of the forearm where there are any.
fn rolled(
    made: &Character,
    elbow: usize,
    wrist: usize,
    axis: DVec3,
    angle: f64,
) -> Vec<(usize, DQuat)> {
    let turn = |share: f64| DQuat::from_axis_angle(axis, share * angle);
    let twists = made.body.twists.iter().filter(|twist| twist.from == elbow);
    let mut turns: Vec<(usize, DQuat)> = twists
        .map(|twist| (twist.joint, turn(twist.share)))
        .collect();
    turns.push((wrist, turn(1.0)));
    turns
}

fn neck(mover: &mut Mover<'_>) {
    let frame = mover.made.body.frame;
    let Some(head) = mover.made.body.head else {
        return;
    };
    let joints: Vec<usize> = mover.made.body.neck.iter().copied().chain([head]).collect();
    for (name, axis, degrees) in [
        ("neck flexion", frame.left(), 45.0_f64),
        ("neck bend", frame.forward, 45.0),
        ("neck rotation", frame.up, 60.0),
    ] {
        for sign in [1.0, -1.0] {
            let each = sign * degrees.to_radians() / joints.len() as f64;
            let turn = DQuat::from_axis_angle(axis, each);
            let turns = joints.iter().map(|&joint| (joint, turn)).collect();
            mover.add(format!("{name} {}", sign * degrees), turns);
        }
    }
}

/// The pose of a movement: joints above turned ones stay, those below follow.
fn posed(made: &Character, movement: &Movement) -> WorldPose {
    let rest = made.skeleton.rest_world();
    let mut locals = made.skeleton.rest_locals();
    for &(joint, turn) in &movement.turns {
        let parent = made.skeleton.parent(joint);
        let above = parent.map_or(DQuat::IDENTITY, |parent| rest.rotation(parent));
        locals[joint].rotation = (above.inverse() * turn * rest.rotation(joint)).normalize();
    }
    WorldPose::from_locals(&made.skeleton, &locals)
}

/// Vertices next to each vertex of the skin.
fn neighbours(made: &Character) -> Vec<Vec<usize>> {
    let mesh = &made.meshes[0];
    let mut all = vec![Vec::new(); mesh.positions.len()];
    for &[a, b, c] in &mesh.triangles {
        for (from, to) in [(a, b), (b, c), (c, a)] {
            all[from as usize].push(to as usize);
        }
    }
    all
}

#[derive(Debug, Default)]
struct Worst {
    stretch: f64,
    spike: f64,
    stretch_place: String,
    spike_place: String,
}

/// The worst stretch and spike of the skin over all movements.
fn worst(made: &Character) -> Worst {
    let skin = &made.surface.meshes[0];
    let near = neighbours(made);
    let rest = &skin.bind_positions;
    let mean_edge = |points: &[DVec3], vertex: usize| {
        let sum: f64 = near[vertex]
            .iter()
            .map(|&n| points[n].distance(points[vertex]))
            .sum();
        sum / near[vertex].len() as f64
    };
    let off_middle = |points: &[DVec3], vertex: usize| {
        let sum: DVec3 = near[vertex].iter().map(|&n| points[n]).sum();
        points[vertex].distance(sum / near[vertex].len() as f64)
    };
    let edges: Vec<f64> = (0..rest.len())
        .map(|vertex| mean_edge(rest, vertex))
        .collect();
    let mut worst = Worst::default();
    for movement in movements(made) {
        let moved = skin.posed(&posed(made, &movement));
        for vertex in 0..rest.len() {
            for &other in &near[vertex] {
                let length = rest[vertex]
                    .distance(rest[other])
                    .max(SHORT_EDGE * edges[vertex]);
                let stretch = moved[vertex].distance(moved[other]) / length;
                if stretch > worst.stretch {
                    worst.stretch = stretch;
                    worst.stretch_place = format!("{} at {}", movement.name, rest[vertex]);
                }
            }
            let spike = (off_middle(&moved, vertex) - off_middle(rest, vertex)) / edges[vertex];
            if spike > worst.spike {
                worst.spike = spike;
                worst.spike_place = format!("{} at {}", movement.name, rest[vertex]);
            }
        }
    }
    worst
}

fn is_sound(worst: &Worst) -> bool {
    worst.stretch < MOST_STRETCH && worst.spike < MOST_SPIKE
}

#[test]
fn no_skin_tears_through_the_range_of_motion() {
    let mut torn = Vec::new();
    for name in CAST {
        let worst = worst(&newly_made(name));
        println!(
            "{name}: stretch {:.2} in {}, spike {:.2} in {}",
            worst.stretch, worst.stretch_place, worst.spike, worst.spike_place
        );
        if !is_sound(&worst) {
            torn.push((name, worst));
        }
    }
    assert!(torn.is_empty(), "{torn:?}");
}

/// A vertex of a forearm that hangs by a third on the other hand is found.
#[test]
fn a_planted_weight_is_found() {
    let mut made = newly_made("pedlar");
    assert!(is_sound(&worst(&made)));
    let (elbow, other) = (made.body.arms[0].elbow, made.body.arms[1].wrist.unwrap());
    let skin = &mut made.surface.meshes[0];
    let vertex = (0..skin.influences.len())
        .find(|&vertex| skin.main_joint(vertex) == Some(elbow))
        .unwrap();
    skin.influences[vertex] = vec![(elbow, 0.67), (other, 0.33)];
    assert!(!is_sound(&worst(&made)));
}

/// Parts that are near in space but far apart in the tree do not share vertices.
#[test]
fn weights_do_not_bleed() {
    for name in CAST {
        let made = newly_made(name);
        let skeleton = &made.skeleton;
        let is_twist = |joint: usize| made.body.twists.iter().any(|twist| twist.joint == joint);
        let chain = |joint: usize| -> Vec<usize> {
            let mut chain = skeleton.path_from_root(joint);
            chain.retain(|&joint| !is_twist(joint));
            chain
        };
        let steps = |a: usize, b: usize| {
            let (a, b) = (chain(a), chain(b));
            let shared = a.iter().zip(&b).take_while(|(a, b)| a == b).count();
            a.len() + b.len() - 2 * shared
        };
        for (vertex, influences) in made.surface.meshes[0].influences.iter().enumerate() {
            assert!(influences.len() <= 4);
            for &(joint, _) in influences {
                let main = made.surface.meshes[0].main_joint(vertex).unwrap();
                assert!(
                    steps(main, joint) <= MOST_STEPS,
                    "{name}: vertex {vertex} follows {} and {}",
                    skeleton.name(main),
                    skeleton.name(joint)
                );
            }
        }
    }
}
