//! Arms, hands, fingers.

use glam::DVec3;
use understudy_anatomy::body::Side;

use super::{ClawSeat, LIMB_SHADING, Maker, TRUNK, radius};
use crate::description::ArmPair;
use crate::piece::Piece;
use crate::plan::Part;
use crate::proportions as human;

impl Maker<'_> {
    pub(super) fn arm(&mut self, arm: &ArmPair, side: Side, pair: usize) {
        let plan = self.plan;
        let body = plan.description;
        let (Some(shoulder), Some(elbow), Some(wrist)) = (
            self.find(Part::Shoulder, side, pair),
            self.find(Part::Elbow, side, pair),
            self.find(Part::Wrist, side, pair),
        ) else {
            return;
        };
        let upper_m = body.radius_m(body.thickness.upper_arm_m, radius::UPPER_ARM);
        let forearm_m = body.radius_m(body.thickness.forearm_m, radius::FOREARM);
        let shoulder_m = body.thickness.shoulder_m.unwrap_or(1.06 * upper_m);
        let shoulder_at = self.at(shoulder);
        self.yoke(shoulder, upper_m, shoulder_m);
        let cluster = self.grow(TRUNK, shoulder_at, 1.2 * shoulder_m, 0.8 * shoulder_m);
        let elbow_m = 0.43 * (upper_m + forearm_m);
        let upper = self
            .limb(
                shoulder,
                self.at(elbow),
                [upper_m, 0.98 * upper_m, elbow_m],
                Some(elbow),
            )
            .melting(0.5 * upper_m)
            .grained(0.3 * upper_m)
            .banded();
        self.add(cluster, upper);
        let muscle_to = shoulder_at.lerp(
            self.at(elbow),
            (0.6 * shoulder_m / shoulder_at.distance(self.at(elbow))).min(0.3),
        );
        let muscle = Piece::new(
            shoulder,
            shoulder_at,
            muscle_to,
            [shoulder_m, shoulder_m, 0.9 * shoulder_m],
        )
        .melting(0.5 * shoulder_m)
        .coloured(self.coat(), LIMB_SHADING)
        .grained(0.25 * shoulder_m)
        .feature();
        self.add(cluster, muscle);
        let flat = plan.arm_direction(side).cross(DVec3::Z);
        // Feathers make the forearm of a wing broad from front to back.
        let (broad, flatness) = if arm.wing { (1.7, 0.4) } else { (1.0, 1.0) };
        let girth = forearm_m * broad;
        let forearm = self
            .limb(
                elbow,
                self.at(wrist),
                [0.92 * girth, 0.96 * girth, 0.62 * girth],
                Some(wrist),
            )
            .flattened(flat, flatness)
            .melting(0.3 * forearm_m)
            .grained(0.3 * forearm_m)
            .banded();
        self.add(cluster, forearm);
        self.hand(arm, cluster, wrist, flat);
    }

    /// What joins a shoulder to the trunk: the clavicle's flesh, and that of the breast below it.
    fn yoke(&mut self, shoulder: usize, upper_m: f64, shoulder_m: f64) {
        let plan = self.plan;
        let owner = plan.bones[shoulder].parent.unwrap_or(0);
        let shoulder_at = self.at(shoulder);
        let clavicle = plan.bones[owner].part == Part::Clavicle;
        let before = if clavicle {
            plan.bones[owner].parent
        } else {
            None
        };
        let start = if clavicle {
            self.at(owner)
        } else {
            shoulder_at.with_x(0.0)
        };
        let middle = shoulder_at.with_x(0.0);
        let inward_m = (0.4 * shoulder_m / shoulder_at.x.abs().max(1e-9)).min(0.4);
        let end = shoulder_at.lerp(middle, inward_m);
        let yoke = Piece::new(
            owner,
            middle.lerp(shoulder_at, 0.25),
            end,
            [0.9 * upper_m, 0.95 * upper_m, 0.95 * upper_m],
        )
        .between(before, Some(shoulder))
        .on_bone(start, shoulder_at)
        .melting(0.9 * upper_m)
        .coloured(self.coat(), 0.8)
        .grained(0.3 * upper_m);
        self.add(TRUNK, yoke);
        let breast_m = 1.15 * upper_m;
        let low = middle.lerp(shoulder_at, 0.42) - plan.trunk_direction() * 1.2 * upper_m;
        let breast = Piece::new(owner, low, end, [breast_m, breast_m, 0.85 * upper_m])
            .flattened(DVec3::Z, 0.9)
            .melting(1.1 * upper_m)
            .coloured(self.coat(), 0.9)
            .grained(0.3 * upper_m)
            .feature();
        self.add(TRUNK, breast);
    }

    fn hand(&mut self, arm: &ArmPair, cluster: usize, wrist: usize, flat: DVec3) {
        let plan = self.plan;
        let body = plan.description;
        let (side, pair) = (plan.bones[wrist].side, plan.bones[wrist].pair);
        let hand_m = body.length_m(arm.hand_m, human::HAND);
        let breadth_m = body.radius_m(body.thickness.hand_m, radius::HAND);
        let finger_m = body.radius_m(body.thickness.finger_m, radius::FINGER);
        let along = plan.arm_direction(side);
        let share = if arm.fingers == 0 {
            1.0
        } else {
            human::PALM_OF_HAND
        };
        let reach_m = (share * hand_m - 0.75 * breadth_m).max(0.3 * share * hand_m);
        let flatness = if arm.wing { 0.35 } else { 0.45 };
        let from = self.at(wrist) + along * 0.35 * reach_m;
        let palm = Piece::new(
            wrist,
            from,
            self.at(wrist) + along * reach_m,
            [0.72 * breadth_m, 0.8 * breadth_m, 0.82 * breadth_m],
        )
        .between(plan.bones[wrist].parent, None)
        .on_bone(self.at(wrist), self.at(wrist) + along * share * hand_m)
        .flattened(flat, flatness)
        .melting(0.5 * breadth_m)
        .coloured(self.ends(), 0.2)
        .grained(0.22 * breadth_m);
        self.add(cluster, palm);
        for bone in plan.all_of_fingers(side, pair) {
            if plan.bones[bone].ordinal > 0 {
                continue;
            }
            self.metacarpal(cluster, wrist, bone, finger_m, along, hand_m);
            self.finger(cluster, bone, finger_m);
        }
    }

    /// The ray of the palm that a finger stands on.
    fn metacarpal(
        &mut self,
        cluster: usize,
        wrist: usize,
        bone: usize,
        finger_m: f64,
        along: DVec3,
        hand_m: f64,
    ) {
        let base = self.at(bone);
        let from = (self.at(wrist) + along * 0.12 * hand_m).lerp(base, 0.2);
        let thumb = self.plan.bones[bone].part == Part::Finger(1);
        let girth = finger_m * if thumb { 1.6 } else { 1.3 };
        let piece = Piece::new(wrist, from, base, [girth, girth, 1.12 * finger_m])
            .melting(1.3 * finger_m)
            .coloured(self.ends(), 0.2)
            .grained(0.5 * finger_m)
            .feature();
        self.add(cluster, piece);
    }

    fn finger(&mut self, hand: usize, first: usize, finger_m: f64) {
        let plan = self.plan;
        let thumb = plan.bones[first].part == Part::Finger(1);
        let girth = finger_m * if thumb { 1.15 } else { 1.0 };
        let cluster = self.grow(hand, self.at(first), 1.1 * girth, 1.1 * girth);
        let mut bone = Some(first);
        while let Some(joint) = bone {
            let after = plan.next(joint);
            let tip = plan.bones[joint].tips.first().copied();
            let Some(end) = after.map(|next| self.at(next)).or(tip) else {
                return;
            };
            let ordinal = plan.bones[joint].ordinal as f64;
            let [a, b, c] =
                [ordinal, ordinal + 0.5, ordinal + 1.0].map(|at| girth * (1.02 - 0.05 * at));
            let mut piece = self
                .limb(joint, end, [a, b, c], after)
                .on_bone(self.at(joint), end)
                .melting(0.15 * girth)
                .coloured(self.ends(), 0.2)
                .grained(0.45 * girth);
            if after.is_none() {
                // The rounded end is part of the finger's length.
                let length_m = self.at(joint).distance(end);
                piece.to = self.at(joint).lerp(end, 1.0 - (c / length_m).min(0.8));
                let claw_m = plan.description.features.finger_claw_m;
                if claw_m > 0.0 {
                    let along = (end - self.at(joint)).normalize_or(DVec3::Y);
                    self.claws.push(ClawSeat {
                        joint,
                        root: end - along * 0.9 * c,
                        tip: end + along * claw_m - DVec3::Y * 0.25 * claw_m,
                        radius_m: 0.72 * c,
                    });
                }
            }
            self.add(cluster, piece);
            bone = after;
        }
    }
}
