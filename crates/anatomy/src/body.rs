//! A skeleton read as a body: which joints are its legs, arms, spine, and which way it looks.

use serde::{Deserialize, Serialize};
use understudy_motion::{DQuat, DVec3, Skeleton, WorldFrame, WorldPose};

/// Side of the body, from the body's own point of view.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Side {
    /// The body's own left.
    Left,
    /// The body's own right.
    Right,
    /// On the midline, or of no side.
    Middle,
}

impl Side {
    /// The side seen in a mirror.
    pub fn mirrored(self) -> Self {
        match self {
            Self::Left => Self::Right,
            Self::Right => Self::Left,
            Self::Middle => Self::Middle,
        }
    }

    /// The side as people say it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
            Self::Middle => "middle",
        }
    }

    /// `l_`, `r_` or nothing: the prefix of HAnim joint names.
    pub fn prefix(self) -> &'static str {
        match self {
            Self::Left => "l_",
            Self::Right => "r_",
            Self::Middle => "",
        }
    }
}

/// A point fixed to a joint.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct JointPoint {
    /// The joint that carries the point.
    pub joint: usize,
    /// The point in the joint's coordinates, metres.
    pub local: DVec3,
}

impl JointPoint {
    /// The joint's own origin.
    pub fn origin(joint: usize) -> Self {
        Self {
            joint,
            local: DVec3::ZERO,
        }
    }

    /// World position in a pose, metres.
    pub fn world(&self, pose: &WorldPose) -> DVec3 {
        pose.point(self.joint, self.local)
    }
}

/// A leg. The foot is the part between ankle and ball, the toes what follows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Leg {
    /// Side of the body.
    pub side: Side,
    /// 0 for the first (front or only) pair, 1 for the next.
    pub pair: usize,
    /// `hip` of HAnim.
    pub hip: usize,
    /// `knee`.
    pub knee: usize,
    /// `talocrural`: the ankle, or the hock of a leg that walks on its toes.
    pub ankle: usize,
    /// `metatarsophalangeal`: the ball of the foot; `None` where the foot is one piece.
    pub ball: Option<usize>,
    /// End of the longest toe, or of the foot where it is one piece.
    pub toe_tip: JointPoint,
    /// Whether the leg stands on its toes with the heel (hock) held clear of the floor.
    pub digitigrade: bool,
}

impl Leg {
    /// The part that carries the toes: the ball, or the ankle where the foot is one piece.
    pub fn toe_joint(&self) -> usize {
        self.ball.unwrap_or(self.ankle)
    }

    /// Length of thigh and shank together at rest, metres.
    pub fn length_m(&self, rest: &WorldPose) -> f64 {
        rest.position(self.hip).distance(rest.position(self.knee))
            + rest.position(self.knee).distance(rest.position(self.ankle))
    }
}

/// A finger, from its knuckle outward.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finger {
    /// 1 thumb, 2 index, … 5 little finger (the rays of HAnim).
    pub ray: u8,
    /// Joints from the palm to the tip.
    pub joints: Vec<usize>,
}

/// An arm, or a wing that stands for one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Arm {
    /// Side of the body.
    pub side: Side,
    /// 0 for the first (upper or only) pair, 1 for the next.
    pub pair: usize,
    /// `sternoclavicular` and `acromioclavicular`, as many as there are.
    pub clavicle: Vec<usize>,
    /// `shoulder`.
    pub shoulder: usize,
    /// `elbow`.
    pub elbow: usize,
    /// `radiocarpal`: the wrist; `None` where the forearm ends the limb.
    pub wrist: Option<usize>,
    /// End of the longest finger, of the hand, or of the forearm.
    pub hand_tip: JointPoint,
    /// Fingers that have joints.
    pub fingers: Vec<Finger>,
}

/// A part that HAnim has no name for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum AppendageKind {
    /// A tail, from the pelvis outward.
    Tail,
    /// An ear.
    Ear,
    /// A wing besides the arms.
    Wing,
}

/// A tail, an ear or a wing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Appendage {
    /// What it is.
    pub kind: AppendageKind,
    /// Side of the body.
    pub side: Side,
    /// Joints from the body outward.
    pub joints: Vec<usize>,
}

/// A joint that only shares the twist of a limb segment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Twist {
    /// The joint.
    pub joint: usize,
    /// Joint at the body's end of the segment (shoulder, elbow, hip or knee).
    pub from: usize,
    /// Joint at the outer end of the segment.
    pub to: usize,
    /// Place along the segment at rest: 0 at `from`, 1 at `to`.
    pub share: f64,
}

/// A skeleton read as a body. All numbers are joints of the skeleton it was made from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Body {
    /// Up and forward of the rest pose, in the skeleton's coordinates.
    pub frame: WorldFrame,
    /// `humanoid_root`: the joint above both legs and spine, which carries the body's travel.
    pub root: usize,
    /// `sacroiliac`: the joint above the legs; equal to `root` in many skeletons.
    pub pelvis: usize,
    /// Joints of lower back and chest from the pelvis up, neither pelvis nor neck included.
    pub spine: Vec<usize>,
    /// Joints of the neck from the chest up, the head not included.
    pub neck: Vec<usize>,
    /// `skullbase`.
    pub head: Option<usize>,
    /// Top of the head where it is known.
    pub head_top: Option<JointPoint>,
    /// Left before right, pair after pair.
    pub legs: Vec<Leg>,
    /// Left before right, pair after pair.
    pub arms: Vec<Arm>,
    /// Tails, ears, wings.
    pub appendages: Vec<Appendage>,
    /// Joints that only share twist.
    pub twists: Vec<Twist>,
    /// Joints without a role.
    pub unmapped: Vec<usize>,
}

impl Body {
    /// The same body in a turned world: `turn` is applied to its frame.
    pub fn turned(&self, turn: DQuat) -> Self {
        let mut body = self.clone();
        body.frame.up = turn * body.frame.up;
        body.frame.forward = turn * body.frame.forward;
        body
    }

    /// The leg of a side and pair.
    pub fn leg(&self, side: Side, pair: usize) -> Option<&Leg> {
        self.legs
            .iter()
            .find(|leg| leg.side == side && leg.pair == pair)
    }

    /// The arm of a side and pair.
    pub fn arm(&self, side: Side, pair: usize) -> Option<&Arm> {
        self.arms
            .iter()
            .find(|arm| arm.side == side && arm.pair == pair)
    }

    /// Point between the hips of the first pair of legs, metres; the pelvis where there are no
    /// legs.
    pub fn mid_hip(&self, pose: &WorldPose) -> DVec3 {
        let hips: Vec<DVec3> = self
            .legs
            .iter()
            .filter(|leg| leg.pair == 0)
            .map(|leg| pose.position(leg.hip))
            .collect();
        if hips.is_empty() {
            pose.position(self.pelvis)
        } else {
            hips.iter().sum::<DVec3>() / hips.len() as f64
        }
    }

    /// Mean length of thigh and shank of the first pair of legs at rest, metres; `None` without
    /// legs.
    pub fn leg_length_m(&self, skeleton: &Skeleton) -> Option<f64> {
        let rest = skeleton.rest_world();
        let lengths: Vec<f64> = self
            .legs
            .iter()
            .filter(|leg| leg.pair == 0)
            .map(|leg| leg.length_m(&rest))
            .collect();
        (!lengths.is_empty()).then(|| lengths.iter().sum::<f64>() / lengths.len() as f64)
    }
}
