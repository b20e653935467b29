//! Skeletons written as indented text, and what can be done to them.
//!
//! A line is `name x y z`, then `^ x y z` for an end site and `= role` for the expected role, all
//! positions in the world, metres, Y up, Z forward, left at +X. A name that begins with `%` begins
//! a limb that is written once, for the left, and mirrored: `%` becomes `Left` and `Right`.
//! `= -` expects no role, `= v*` any vertebra of the back, `= vc*` any of the neck; `= a|b` either.
#![allow(dead_code)]

use std::fmt::Debug;

use understudy_anatomy::{Body, JointPoint, Role, Side};
use understudy_motion::{DQuat, DVec3, Joint, Skeleton, Transform};

/// A skeleton with the roles its author expects.
#[derive(Clone, Debug)]
pub struct Figure {
    pub skeleton: Skeleton,
    pub expected: Vec<Option<String>>,
}

#[derive(Clone, Debug)]
struct Line {
    depth: usize,
    name: String,
    at: DVec3,
    tip: Option<DVec3>,
    role: Option<String>,
}

fn parse_line(text: &str) -> Line {
    let depth = text.len() - text.trim_start().len();
    let (rest, role) = match text.split_once('=') {
        Some((rest, role)) => (rest, Some(role.trim().to_owned())),
        None => (text, None),
    };
    let (rest, tip) = match rest.split_once('^') {
        Some((rest, tip)) => (rest, Some(vector(tip))),
        None => (rest, None),
    };
    let (name, at) = rest.trim().split_once(' ').unwrap();
    Line {
        depth,
        name: name.to_owned(),
        at: vector(at),
        tip,
        role,
    }
}

fn vector(text: &str) -> DVec3 {
    let numbers: Vec<f64> = text
        .split_whitespace()
        .map(|n| n.parse().unwrap())
        .collect();
    DVec3::from_slice(&numbers)
}

fn sided(line: &Line, left: bool) -> Line {
    let flip = |v: DVec3| {
        if left {
            v
        } else {
            v * DVec3::new(-1.0, 1.0, 1.0)
        }
    };
    let swap_if = |role: &str| if left { role.to_owned() } else { swap(role) };
    let role = line.role.as_deref().map(swap_if);
    Line {
        name: line.name.replace('%', if left { "Left" } else { "Right" }),
        at: flip(line.at),
        tip: line.tip.map(flip),
        role,
        ..*line
    }
}

/// Reads the notation.
pub fn figure(text: &str) -> Figure {
    let lines: Vec<Line> = text
        .lines()
        .filter(|l| !l.trim().is_empty())
        .map(parse_line)
        .collect();
    let mut expanded = Vec::new();
    let mut index = 0;
    while index < lines.len() {
        let line = &lines[index];
        if !line.name.starts_with('%') {
            expanded.push(line.clone());
            index += 1;
            continue;
        }
        let below = lines[index + 1..]
            .iter()
            .take_while(|l| l.depth > line.depth)
            .count();
        let limb = &lines[index..=index + below];
        for left in [true, false] {
            expanded.extend(limb.iter().map(|line| sided(line, left)));
        }
        index += below + 1;
    }
    build(&expanded)
}

fn build(lines: &[Line]) -> Figure {
    let mut joints: Vec<Joint> = Vec::new();
    let mut open: Vec<usize> = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        while open.last().is_some_and(|&up| lines[up].depth >= line.depth) {
            open.pop();
        }
        let parent = open.last().copied();
        let from = parent.map_or(DVec3::ZERO, |up| lines[up].at);
        let mut joint = Joint::new(line.name.clone(), parent, line.at - from);
        if let Some(tip) = line.tip {
            joint = joint.with_tip(tip - line.at);
        }
        joints.push(joint);
        open.push(index);
    }
    Figure {
        skeleton: Skeleton::new(joints).unwrap(),
        expected: lines.iter().map(|line| line.role.clone()).collect(),
    }
}

impl Figure {
    fn with_joints(&self, joints: Vec<Joint>) -> Self {
        Self {
            skeleton: Skeleton::new(joints).unwrap(),
            expected: self.expected.clone(),
        }
    }

    fn each(&self, change: impl Fn(usize, &mut Joint)) -> Self {
        let mut joints = self.skeleton.joints().to_vec();
        for (index, joint) in joints.iter_mut().enumerate() {
            change(index, joint);
        }
        self.with_joints(joints)
    }

    /// Names that say nothing.
    pub fn nameless(&self) -> Self {
        self.each(|index, joint| joint.name = format!("bone_{}", (index * 7919 + 13) % 1009))
    }

    /// The whole world turned.
    pub fn turned(&self, turn: DQuat) -> Self {
        self.each(|_, joint| {
            if joint.parent.is_none() {
                joint.rest.translation = turn * joint.rest.translation;
                joint.rest.rotation = turn * joint.rest.rotation;
            }
        })
    }

    pub fn scaled(&self, factor: f64) -> Self {
        self.each(|_, joint| {
            joint.rest.translation *= factor;
            joint.tips.iter_mut().for_each(|tip| *tip *= factor);
        })
    }

    /// Another rest pose: a joint turns, about world axes.
    pub fn bent(&self, name: &str, degrees: DVec3) -> Self {
        let turn = DQuat::from_scaled_axis(degrees * std::f64::consts::PI / 180.0);
        assert!(self.skeleton.find(name).is_some(), "{name}");
        self.each(|_, joint| {
            if joint.name == name {
                joint.rest.rotation = turn * joint.rest.rotation;
            }
        })
    }

    /// Joints point elsewhere with the same places in the world.
    pub fn reoriented(&self, seed: u64) -> Self {
        let turn = |index: usize| {
            let a = (seed as f64 + 1.0) * (index as f64 + 1.0);
            DQuat::from_scaled_axis(DVec3::new(a.sin(), (1.7 * a).sin(), (2.3 * a).cos()) * 2.0)
        };
        let parents: Vec<Option<usize>> = self.skeleton.joints().iter().map(|j| j.parent).collect();
        self.each(|index, joint| {
            let own = turn(index);
            let above = parents[index].map_or(DQuat::IDENTITY, turn);
            joint.rest = Transform {
                translation: above.inverse() * joint.rest.translation,
                rotation: above.inverse() * joint.rest.rotation * own,
                scale: DVec3::ONE,
            };
            joint
                .tips
                .iter_mut()
                .for_each(|tip| *tip = own.inverse() * *tip);
        })
    }

    /// Siblings in another order; `order[new] = old` comes with it.
    pub fn shuffled(&self, seed: u64) -> (Self, Vec<usize>) {
        let key = |index: usize| {
            (index as u64 + 1)
                .wrapping_mul(seed.wrapping_mul(2).wrapping_add(0x9E37_79B9_7F4A_7C15))
                .rotate_left(17)
        };
        let mut order: Vec<usize> = Vec::new();
        let mut open: Vec<usize> = self.skeleton.roots().collect();
        while let Some(joint) = open.pop() {
            order.push(joint);
            let mut children = self.skeleton.children(joint).to_vec();
            children.sort_by_key(|&child| key(child));
            open.extend(children);
        }
        (self.reordered(&order), order)
    }

    /// Joints in any order that puts parents first; `order[new] = old` comes with it.
    pub fn scattered(&self, seed: u64) -> (Self, Vec<usize>) {
        let mut state = seed | 1;
        let mut order: Vec<usize> = Vec::new();
        let mut open: Vec<usize> = self.skeleton.roots().collect();
        while !open.is_empty() {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let joint = open.swap_remove((state >> 33) as usize % open.len());
            order.push(joint);
            open.extend(self.skeleton.children(joint));
        }
        (self.reordered(&order), order)
    }

    fn reordered(&self, order: &[usize]) -> Self {
        let place = |old: usize| order.iter().position(|&at| at == old).unwrap();
        let joints = order
            .iter()
            .map(|&old| Joint {
                parent: self.skeleton.parent(old).map(place),
                ..self.skeleton.joint(old).clone()
            })
            .collect();
        Self {
            skeleton: Skeleton::new(joints).unwrap(),
            expected: order
                .iter()
                .map(|&old| self.expected[old].clone())
                .collect(),
        }
    }

    /// Reflected in the midplane: places at −X, names unchanged.
    pub fn mirrored(&self) -> Self {
        let flip = DVec3::new(-1.0, 1.0, 1.0);
        let figure = self.each(|_, joint| {
            assert_eq!(joint.rest.rotation, DQuat::IDENTITY);
            joint.rest.translation *= flip;
            joint.tips.iter_mut().for_each(|tip| *tip *= flip);
        });
        Self {
            expected: self
                .expected
                .iter()
                .map(|role| role.as_deref().map(swap))
                .collect(),
            ..figure
        }
    }
}

fn swap(role: &str) -> String {
    if let Some((one, other)) = role.split_once('|') {
        return format!("{}|{}", swap(one), swap(other));
    }
    match (role.strip_prefix("l_"), role.strip_prefix("r_")) {
        (Some(rest), _) => format!("r_{rest}"),
        (_, Some(rest)) => format!("l_{rest}"),
        _ => role.to_owned(),
    }
}

/// Whether a role is the expected one.
pub fn fits(role: Option<Role>, expected: &str) -> bool {
    let text = role.map(|role| role.to_string());
    if let Some((one, other)) = expected.split_once('|') {
        return fits(role, one) || fits(role, other);
    }
    match (expected, text) {
        ("-", text) => text.is_none(),
        (_, None) => false,
        ("v*", Some(text)) => text.starts_with("vl") || text.starts_with("vt"),
        ("vc*", Some(text)) => text.starts_with("vc"),
        (expected, Some(text)) => text == expected,
    }
}

/// A leg, one level below the pelvis.
pub const LEG: &str = "
  %Thigh 0.09 0.92 0 = l_hip
    %Shin 0.09 0.5 0.01 = l_knee
      %Foot 0.09 0.08 -0.02 = l_talocrural
        %Toes 0.09 0.02 0.11 ^ 0.09 0.01 0.18 = l_metatarsophalangeal_2
";

/// Everything a body holds, in an order of its own, with joints renumbered by `old` and, if
/// wanted, reflected at X: texts, and numbers to be compared within a tolerance.
pub fn facts(body: &Body, old: impl Fn(usize) -> usize, reflect: bool) -> Vec<(String, Vec<f64>)> {
    let flip = |v: DVec3| {
        if reflect {
            v * DVec3::new(-1.0, 1.0, 1.0)
        } else {
            v
        }
    };
    let side = |side: Side| if reflect { side.mirrored() } else { side };
    let all = |joints: &[usize]| joints.iter().map(|&joint| old(joint)).collect::<Vec<_>>();
    let point = |point: &JointPoint| (old(point.joint), flip(point.local).to_array().to_vec());
    let mut facts = Vec::new();
    let mut add = |what: &str, discrete: &dyn Debug, numbers: Vec<f64>| {
        facts.push((format!("{what} {discrete:?}"), numbers));
    };
    add("up", &(), flip(body.frame.up).to_array().to_vec());
    add("forward", &(), flip(body.frame.forward).to_array().to_vec());
    add("middle", &all(&[body.root, body.pelvis]), vec![]);
    add("spine", &all(&body.spine), vec![]);
    add("neck", &all(&body.neck), vec![]);
    add("head", &body.head.map(&old), vec![]);
    if let Some((joint, numbers)) = body.head_top.as_ref().map(point) {
        add("top", &joint, numbers);
    }
    for leg in &body.legs {
        let (tip, numbers) = point(&leg.toe_tip);
        let joints = (all(&[leg.hip, leg.knee, leg.ankle]), tip);
        let more = (
            side(leg.side),
            leg.pair,
            joints,
            leg.ball.map(&old),
            leg.digitigrade,
        );
        add("leg", &more, numbers);
    }
    for arm in &body.arms {
        let (tip, numbers) = point(&arm.hand_tip);
        let joints = (all(&[arm.shoulder, arm.elbow]), tip);
        let more = (
            side(arm.side),
            arm.pair,
            joints,
            arm.wrist.map(&old),
            all(&arm.clavicle),
        );
        add("arm", &more, numbers);
        for finger in &arm.fingers {
            add("finger", &(finger.ray, all(&finger.joints)), vec![]);
        }
    }
    for part in &body.appendages {
        add(
            "part",
            &(part.kind, side(part.side), all(&part.joints)),
            vec![],
        );
    }
    for twist in &body.twists {
        add(
            "twist",
            &all(&[twist.joint, twist.from, twist.to]),
            vec![twist.share],
        );
    }
    for &joint in &body.unmapped {
        add("unmapped", &old(joint), vec![]);
    }
    facts.sort_by(|a, b| a.0.cmp(&b.0));
    facts
}

/// What differs between the body of a nameless figure and that of the same figure with its joints
/// in another order, named anew and perhaps reflected.
pub fn difference_through_recognition(figure: &Figure, seed: u64, reflect: bool) -> Option<String> {
    let body = |figure: &Figure| {
        let found = understudy_anatomy::recognise(&figure.skeleton, None);
        found.assemble(&figure.skeleton, None).unwrap().body
    };
    let (scattered, order) = figure.scattered(seed);
    let scattered = scattered.nameless();
    let scattered = if reflect {
        scattered.mirrored()
    } else {
        scattered
    };
    let wanted = facts(&body(&figure.nameless()), |joint| joint, false);
    let got = facts(&body(&scattered), |joint| order[joint], reflect);
    let texts = |facts: &[(String, Vec<f64>)]| -> Vec<String> {
        facts.iter().map(|(text, _)| text.clone()).collect()
    };
    let near = wanted.iter().zip(&got).all(|((_, a), (_, b))| {
        a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9)
    });
    let same = near && texts(&wanted) == texts(&got);
    (!same).then(|| format!("wanted {wanted:#?}\ngot {got:#?}"))
}
