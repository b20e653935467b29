//! What the joints of a made body are, as known from its making: the answer that finding roles
//! from a file must give.

use understudy_anatomy::body::{
    Appendage, AppendageKind, Arm, Body, Finger, JointPoint, Leg, Side, Twist,
};
use understudy_motion::{Skeleton, WorldFrame};

use crate::description::LegKind;
use crate::plan::{Part, Plan, SIDES, twist_share};

/// The body of a plan. `skeleton` is the one made from it.
pub(crate) fn true_body(plan: &Plan<'_>, skeleton: &Skeleton, frame: WorldFrame) -> Body {
    let head = plan.find(Part::Head, Side::Middle, 0);
    let mut arms = Vec::new();
    for pair in 0..plan.description.arms.len() {
        arms.extend(
            SIDES
                .iter()
                .filter_map(|&side| arm(plan, skeleton, side, pair)),
        );
    }
    Body {
        frame,
        root: 0,
        pelvis: 0,
        spine: plan.all(Part::Spine, Side::Middle),
        neck: plan.all(Part::Neck, Side::Middle),
        head,
        head_top: head.and_then(|head| tip(skeleton, head)),
        legs: SIDES
            .iter()
            .filter_map(|&side| leg(plan, skeleton, side))
            .collect(),
        arms,
        appendages: appendages(plan),
        twists: twists(plan),
        unmapped: (0..plan.bones.len())
            .filter(|&bone| matches!(plan.bones[bone].part, Part::Toe(_)))
            .collect(),
    }
}

fn tip(skeleton: &Skeleton, joint: usize) -> Option<JointPoint> {
    let local = *skeleton.joint(joint).tips.first()?;
    Some(JointPoint { joint, local })
}

fn leg(plan: &Plan<'_>, skeleton: &Skeleton, side: Side) -> Option<Leg> {
    let ankle = plan.find(Part::Ankle, side, 0)?;
    let ball = plan.find(Part::Ball, side, 0);
    // The middle toe is the longest.
    let middle_toe = plan.find(Part::Toe(plan.description.legs.toes / 2), side, 0);
    let end = middle_toe.or(ball).unwrap_or(ankle);
    Some(Leg {
        side,
        pair: 0,
        hip: plan.find(Part::Hip, side, 0)?,
        knee: plan.find(Part::Knee, side, 0)?,
        ankle,
        ball,
        toe_tip: tip(skeleton, end)?,
        digitigrade: plan.description.legs.kind == LegKind::Digitigrade,
    })
}

fn arm(plan: &Plan<'_>, skeleton: &Skeleton, side: Side, pair: usize) -> Option<Arm> {
    let wrist = plan.find(Part::Wrist, side, pair)?;
    let fingers: Vec<Finger> = (1..=5u8)
        .map(|ray| Finger {
            ray,
            joints: (0..plan.bones.len())
                .filter(|&bone| {
                    let bone = &plan.bones[bone];
                    bone.part == Part::Finger(ray) && bone.side == side && bone.pair == pair
                })
                .collect(),
        })
        .filter(|finger| !finger.joints.is_empty())
        .collect();
    let middle = fingers.iter().find(|finger| finger.ray == 3);
    let end = middle
        .and_then(|finger| finger.joints.last().copied())
        .unwrap_or(wrist);
    Some(Arm {
        side,
        pair,
        clavicle: plan.find(Part::Clavicle, side, pair).into_iter().collect(),
        shoulder: plan.find(Part::Shoulder, side, pair)?,
        elbow: plan.find(Part::Elbow, side, pair)?,
        wrist: Some(wrist),
        hand_tip: tip(skeleton, end)?,
        fingers,
    })
}

fn appendages(plan: &Plan<'_>) -> Vec<Appendage> {
    let mut found = Vec::new();
    for kind in [AppendageKind::Tail, AppendageKind::Ear, AppendageKind::Wing] {
        for side in [Side::Middle, Side::Left, Side::Right] {
            let joints = plan.all(Part::Appendage(kind), side);
            if !joints.is_empty() {
                found.push(Appendage { kind, side, joints });
            }
        }
    }
    found
}

fn twists(plan: &Plan<'_>) -> Vec<Twist> {
    let twist = |joint: usize| {
        let from = plan.bones[joint].parent?;
        Some(Twist {
            joint,
            from,
            to: plan.next(from)?,
            share: twist_share(plan.bones[joint].ordinal, plan.twists(from).len()),
        })
    };
    (0..plan.bones.len())
        .filter(|&bone| plan.bones[bone].part == Part::Twist)
        .filter_map(twist)
        .collect()
}
