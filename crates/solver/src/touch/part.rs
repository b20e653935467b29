//! The parts of a body that touch and are touched: lines of bones with flesh around them.

use understudy_anatomy::{Arm, Body, JointPoint, Leg, Side};
use understudy_motion::{DVec3, Skeleton, WorldPose};

use super::{TouchEnd, TouchPart};

/// A part of one body: the line of its bones, in as many sections as there are bones.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    /// Which part it is.
    pub(crate) kind: TouchPart,
    /// Side of the body.
    pub(crate) side: Side,
    /// Pair of limbs, from 0.
    pub(crate) pair: usize,
    /// Points of the line from the body outward, at least two; each section between two of them
    /// moves with the joint of its first.
    pub(crate) line: Vec<JointPoint>,
    /// Joints whose flesh it is.
    pub(crate) joints: Vec<usize>,
    /// Place of each point of the line by its length at rest, 0 to 1.
    shares: Vec<f64>,
    /// Length of the line at rest, metres.
    pub(crate) length_m: f64,
}

/// A place on the line of a part.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Place {
    /// The joint that it moves with.
    pub(crate) joint: usize,
    /// World, metres.
    pub(crate) point: DVec3,
}

impl Part {
    fn new(
        kind: TouchPart,
        (side, pair): (Side, usize),
        line: Vec<JointPoint>,
        joints: Vec<usize>,
        rest: &WorldPose,
    ) -> Option<Self> {
        let points: Vec<DVec3> = line.iter().map(|point| point.world(rest)).collect();
        let mut shares = vec![0.0];
        for pair in points.windows(2) {
            shares.push(shares[shares.len() - 1] + pair[0].distance(pair[1]));
        }
        let length_m = *shares.last()?;
        if line.len() < 2 || length_m <= 0.0 {
            return None;
        }
        for share in &mut shares {
            *share /= length_m;
        }
        Some(Self {
            kind,
            side,
            pair,
            line,
            joints,
            shares,
            length_m,
        })
    }

    /// Whether an end of a touch is on this part.
    pub(crate) fn is(&self, end: &TouchEnd) -> bool {
        self.kind == end.part && self.side == end.side && self.pair == end.pair
    }

    /// The place a share of the way along the line.
    pub(crate) fn place(&self, along: f64, world: &WorldPose) -> Place {
        let last = self.line.len() - 2;
        let section = (0..last)
            .find(|section| along < self.shares[section + 1])
            .unwrap_or(last);
        let [from, to] = [section, section + 1].map(|at| self.line[at].world(world));
        let span = (self.shares[section + 1] - self.shares[section]).max(1e-12);
        let share = ((along - self.shares[section]) / span).clamp(0.0, 1.0);
        Place {
            joint: self.line[section].joint,
            point: from.lerp(to, share),
        }
    }

    /// How far along the line the point nearest to another lies.
    pub(crate) fn nearest(&self, point: DVec3, world: &WorldPose) -> f64 {
        let mut best = (f64::INFINITY, 0.0);
        for section in 0..self.line.len() - 1 {
            let [from, to] = [section, section + 1].map(|at| self.line[at].world(world));
            let bone = to - from;
            let share =
                ((point - from).dot(bone) / bone.length_squared().max(1e-18)).clamp(0.0, 1.0);
            let far = (from + bone * share).distance_squared(point);
            if far < best.0 {
                let span = self.shares[section + 1] - self.shares[section];
                best = (far, self.shares[section] + share * span);
            }
        }
        best.1
    }
}

/// All parts of a body. Flesh of joints between two parts belongs to the inner one.
pub(crate) fn parts_of(body: &Body, rest: &WorldPose, skeleton: &Skeleton) -> Vec<Part> {
    let mut parts = Vec::new();
    for arm in &body.arms {
        parts.extend(arm_parts(arm, rest));
    }
    for leg in &body.legs {
        parts.extend(leg_parts(leg, rest));
    }
    parts.extend(head_part(body, rest));
    parts.extend(trunk_part(body, rest));
    give_flesh(&mut parts, body, skeleton);
    parts
}

fn arm_parts(arm: &Arm, rest: &WorldPose) -> Vec<Part> {
    let at = JointPoint::origin;
    let whose = (arm.side, arm.pair);
    let make = |kind, from, to: JointPoint, joint| {
        Part::new(kind, whose, vec![from, to], vec![joint], rest)
    };
    let upper = make(
        TouchPart::UpperArm,
        at(arm.shoulder),
        at(arm.elbow),
        arm.shoulder,
    );
    let (forearm, hand) = match arm.wrist {
        Some(wrist) => (
            make(TouchPart::Forearm, at(arm.elbow), at(wrist), arm.elbow),
            make(TouchPart::Hand, at(wrist), arm.hand_tip, wrist),
        ),
        None => (
            make(TouchPart::Forearm, at(arm.elbow), arm.hand_tip, arm.elbow),
            None,
        ),
    };
    [upper, forearm, hand].into_iter().flatten().collect()
}

fn leg_parts(leg: &Leg, rest: &WorldPose) -> Vec<Part> {
    let at = JointPoint::origin;
    let whose = (leg.side, leg.pair);
    let make = |kind, from: usize, to: usize| {
        Part::new(kind, whose, vec![at(from), at(to)], vec![from], rest)
    };
    let thigh = make(TouchPart::Thigh, leg.hip, leg.knee);
    let shank = make(TouchPart::Shank, leg.knee, leg.ankle);
    [thigh, shank].into_iter().flatten().collect()
}

fn head_part(body: &Body, rest: &WorldPose) -> Option<Part> {
    let (head, top) = (body.head?, body.head_top?);
    let line = vec![JointPoint::origin(head), top];
    Part::new(TouchPart::Head, (Side::Middle, 0), line, vec![head], rest)
}

fn trunk_part(body: &Body, rest: &WorldPose) -> Option<Part> {
    let mut joints = vec![body.pelvis];
    joints.extend(&body.spine);
    let top = body.neck.first().copied().or(body.head);
    let line = joints.iter().copied().chain(top);
    let line = line.map(JointPoint::origin).collect();
    Part::new(TouchPart::Trunk, (Side::Middle, 0), line, joints, rest)
}

/// Gives every joint of the skeleton to the part above it.
fn give_flesh(parts: &mut [Part], body: &Body, skeleton: &Skeleton) {
    let mut owner: Vec<Option<usize>> = vec![None; skeleton.len()];
    for (index, part) in parts.iter().enumerate() {
        for &joint in &part.joints {
            owner[joint] = Some(index);
        }
    }
    // Feet, necks, tails, ears and wings are parts of their own that nothing here touches.
    let others = body
        .legs
        .iter()
        .map(|leg| leg.ankle)
        .chain(body.neck.iter().copied())
        .chain(
            body.appendages
                .iter()
                .filter_map(|a| a.joints.first().copied()),
        );
    let mut is_other = vec![false; skeleton.len()];
    for joint in others {
        is_other[joint] = true;
    }
    for joint in 0..skeleton.len() {
        if owner[joint].is_none() && !is_other[joint] {
            owner[joint] = skeleton.parent(joint).and_then(|parent| owner[parent]);
        }
        if let Some(index) = owner[joint]
            && !parts[index].joints.contains(&joint)
        {
            parts[index].joints.push(joint);
        }
    }
}
