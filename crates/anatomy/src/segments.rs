//! The body as a list of straight segments, for comparing directions and lengths.

use glam::DVec3;
use serde::{Deserialize, Serialize};
use understudy_motion::{Skeleton, WorldPose};

use crate::body::{Arm, Body, JointPoint, Leg, Side};

/// Which part of the body a segment is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum SegmentKind {
    /// Hip to knee.
    Thigh,
    /// Knee to ankle (hock).
    Shank,
    /// Ankle to ball, or to the toe tip where the foot is one piece.
    Foot,
    /// Ball to toe tip.
    Toes,
    /// Shoulder to elbow.
    UpperArm,
    /// Elbow to wrist, or to the limb's end where there is no wrist.
    Forearm,
    /// Wrist to the tip of the hand.
    Hand,
    /// First clavicle joint to shoulder.
    Clavicle,
    /// Pelvis to the base of the neck.
    Trunk,
    /// Base of the neck to the skull.
    Neck,
    /// Skull base to the top of the head.
    Head,
}

impl SegmentKind {
    /// A person's word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Thigh => "thigh",
            Self::Shank => "shank",
            Self::Foot => "foot",
            Self::Toes => "toes",
            Self::UpperArm => "upper arm",
            Self::Forearm => "forearm",
            Self::Hand => "hand",
            Self::Clavicle => "clavicle",
            Self::Trunk => "trunk",
            Self::Neck => "neck",
            Self::Head => "head",
        }
    }
}

/// A straight line between two points of the body.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Segment {
    /// For a person: "left thigh", "neck", "right forearm of pair 2".
    pub name: String,
    /// Side of the body.
    pub side: Side,
    /// Which part.
    pub kind: SegmentKind,
    /// Pair of limbs, from 0; 0 on the midline.
    pub pair: usize,
    /// The end nearer to the pelvis.
    pub from: JointPoint,
    /// The outer end.
    pub to: JointPoint,
}

impl Segment {
    /// Vector from `from` to `to` in a pose, metres, world coordinates.
    pub fn vector(&self, pose: &WorldPose) -> DVec3 {
        self.to.world(pose) - self.from.world(pose)
    }
}

/// Segments of a body: limbs left before right and pair after pair, then trunk, neck and head.
/// Segments of no length at rest have no direction and are left out.
pub fn limb_segments(skeleton: &Skeleton, body: &Body) -> Vec<Segment> {
    let mut segments: Vec<Segment> = body.legs.iter().flat_map(leg_segments).collect();
    segments.extend(body.arms.iter().flat_map(arm_segments));
    segments.extend(central_segments(body));
    let rest = skeleton.rest_world();
    let longest = segments
        .iter()
        .map(|segment| segment.vector(&rest).length())
        .fold(0.0, f64::max);
    // A millionth of the longest segment: rounding, not anatomy.
    segments.retain(|segment| segment.vector(&rest).length() > 1e-6 * longest);
    segments
}

fn segment(
    kind: SegmentKind,
    side: Side,
    pair: usize,
    from: JointPoint,
    to: JointPoint,
) -> Segment {
    let side_word = match side {
        Side::Left => "left ",
        Side::Right => "right ",
        Side::Middle => "",
    };
    let mut name = format!("{side_word}{}", kind.word());
    if pair > 0 {
        name.push_str(&format!(" of pair {}", pair + 1));
    }
    Segment {
        name,
        side,
        kind,
        pair,
        from,
        to,
    }
}

fn leg_segments(leg: &Leg) -> Vec<Segment> {
    let make = |kind, from, to| segment(kind, leg.side, leg.pair, from, to);
    let at = JointPoint::origin;
    let mut segments = vec![
        make(SegmentKind::Thigh, at(leg.hip), at(leg.knee)),
        make(SegmentKind::Shank, at(leg.knee), at(leg.ankle)),
    ];
    match leg.ball {
        Some(ball) => {
            segments.push(make(SegmentKind::Foot, at(leg.ankle), at(ball)));
            segments.push(make(SegmentKind::Toes, at(ball), leg.toe_tip));
        }
        None => segments.push(make(SegmentKind::Foot, at(leg.ankle), leg.toe_tip)),
    }
    segments
}

fn arm_segments(arm: &Arm) -> Vec<Segment> {
    let make = |kind, from, to| segment(kind, arm.side, arm.pair, from, to);
    let at = JointPoint::origin;
    let mut segments = Vec::new();
    if let Some(&clavicle) = arm.clavicle.first() {
        segments.push(make(SegmentKind::Clavicle, at(clavicle), at(arm.shoulder)));
    }
    segments.push(make(SegmentKind::UpperArm, at(arm.shoulder), at(arm.elbow)));
    match arm.wrist {
        Some(wrist) => {
            segments.push(make(SegmentKind::Forearm, at(arm.elbow), at(wrist)));
            segments.push(make(SegmentKind::Hand, at(wrist), arm.hand_tip));
        }
        None => segments.push(make(SegmentKind::Forearm, at(arm.elbow), arm.hand_tip)),
    }
    segments
}

fn central_segments(body: &Body) -> Vec<Segment> {
    let make = |kind, from, to| segment(kind, Side::Middle, 0, from, to);
    let at = JointPoint::origin;
    let mut segments = Vec::new();
    let neck_base = body.neck.first().copied().or(body.head);
    if let Some(top) = neck_base.or(body.spine.last().copied()) {
        segments.push(make(SegmentKind::Trunk, at(body.pelvis), at(top)));
    }
    if let (Some(&base), Some(head)) = (body.neck.first(), body.head) {
        segments.push(make(SegmentKind::Neck, at(base), at(head)));
    }
    if let (Some(head), Some(top)) = (body.head, body.head_top) {
        segments.push(make(SegmentKind::Head, at(head), top));
    }
    segments
}
