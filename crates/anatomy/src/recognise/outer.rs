//! Roles of the joints of legs, arms and wings.

use glam::DVec3;

use super::Reader;
use crate::body::Side;
use crate::digits::{Digit, chains_below, finger_parts, fingers, toe_parts, toes};
use crate::limbs::Limb;
use crate::role::{Part, Role};
use crate::trunk::{below, sides};

impl Reader<'_> {
    pub(super) fn claim_limbs(&mut self) {
        for (index, legs) in self.legs.clone().iter().enumerate() {
            for (side, limb) in legs.sided() {
                self.claim_leg(limb, side, index, 0.62 + 0.18 * limb.certainty);
            }
        }
        for (index, arms) in self.arms.clone().iter().enumerate() {
            for (side, limb) in arms.sided() {
                self.claim_arm(limb, side, index, 0.6 + 0.18 * limb.certainty);
            }
        }
        if let Some(leg) = self.lone_leg.clone() {
            self.claim_leg(&leg.limb, leg.side, 0, leg.shape);
        }
        if let Some(arm) = self.lone_arm.clone() {
            self.claim_arm(&arm.limb, arm.side, 0, arm.shape);
        }
    }

    pub(super) fn claim_leg(&mut self, limb: &Limb, side: Side, pair: usize, shape: f64) {
        let role = |part| Role::new(part, side).in_pair(pair);
        let claims = &mut self.claims;
        claims.claim(
            limb.upper_joint(),
            role(Part::Hip),
            shape,
            "top of a leg's two long segments",
        );
        let why = "between the two long segments of a leg";
        claims.claim(limb.middle_joint(), role(Part::Knee), shape, why);
        if let Some(ankle) = limb.lower_joint() {
            let why = "lower end of a leg's two long segments";
            claims.claim(ankle, role(Part::Talocrural), shape, why);
            self.claim_foot(limb, ankle, side, pair);
        }
        self.claim_twists(limb, [Part::ThighTwist, Part::ShankTwist], side, pair);
        self.before_hips.extend(limb.before());
    }

    pub(super) fn claim_foot(&mut self, limb: &Limb, ankle: usize, side: Side, pair: usize) {
        let tree = self.tree;
        let role = |part| Role::new(part, side).in_pair(pair);
        let foot = tree.far_end(ankle).distance(tree.position(ankle));
        let mut base = ankle;
        // A joint in the place of the ankle is the lower ankle joint.
        if let Some(&next) = limb.after().first()
            && tree.length[next] < 0.08 * foot
            && !tree.children[next].is_empty()
        {
            let why = "in the place of the ankle, before the foot";
            self.claims
                .claim(next, role(Part::Talocalcaneonavicular), 0.6, why);
            base = next;
        }
        let (palms, chains) = chains_below(tree, base);
        let chains = self.without_heels(base, chains);
        let inward = self.frame.left() * if side == Side::Left { -1.0 } else { 1.0 };
        let below_ball = !palms.is_empty();
        for (index, &palm) in palms.iter().enumerate() {
            let part = Role {
                extra: 0,
                ..role(Part::Metatarsophalangeal(2))
            }
            .with_extra(index);
            self.claims.claim(palm, part, 0.72, "the toes part here");
        }
        let one_chain = chains.len() == 1;
        for digit in toes(tree, inward, chains) {
            let parts = if one_chain && !below_ball {
                self.single_toe_parts(&digit)
            } else {
                toe_parts(tree, base, below_ball, &digit)
            };
            for (&joint, (part, extra)) in digit.joints.iter().zip(parts) {
                let why = "past the ankle, counted outward";
                self.claims
                    .claim(joint, role(part).with_extra(extra), 0.72, why);
            }
        }
    }

    /// A foot with a single chain: ball, then toe joints or the mark of the foot's end.
    pub(super) fn single_toe_parts(&self, digit: &Digit) -> Vec<(Part, usize)> {
        let tree = self.tree;
        let last = digit.joints.len() - 1;
        let parts = [
            Part::Metatarsophalangeal(2),
            Part::TarsalProximalInterphalangeal(2),
            Part::TarsalDistalInterphalangeal(2),
        ];
        let mut result = Vec::new();
        for (index, &joint) in digit.joints.iter().enumerate() {
            let hint = &tree.hints[joint];
            let bare = tree.tips[joint].is_empty() && tree.children[joint].is_empty();
            if index == last && (hint.end || (bare && index > 0)) {
                result.push((Part::ToeTip(2), 0));
            } else {
                let place = index.min(parts.len() - 1);
                result.push((parts[place], index - place));
            }
        }
        result
    }

    /// Leaves behind the ankle are heels, which the standard has no joint for.
    pub(super) fn without_heels(&self, ankle: usize, chains: Vec<Vec<usize>>) -> Vec<Vec<usize>> {
        let behind = |chain: &Vec<usize>| {
            let step = self.tree.far_end(chain[0]) - self.tree.position(ankle);
            step.normalize_or_zero().dot(self.frame.forward) < -0.1
        };
        let ahead: Vec<Vec<usize>> = chains.iter().filter(|c| !behind(c)).cloned().collect();
        if ahead.is_empty() { chains } else { ahead }
    }

    pub(super) fn claim_arm(&mut self, limb: &Limb, side: Side, pair: usize, shape: f64) {
        let role = |part| Role::new(part, side).in_pair(pair);
        let claims = &mut self.claims;
        let why = "between the chest and the upper arm";
        match *limb.before() {
            [] => {}
            [clavicle] => claims.claim(clavicle, role(Part::Sternoclavicular), shape, why),
            [first, second, ..] => {
                claims.claim(first, role(Part::Sternoclavicular), shape, why);
                claims.claim(second, role(Part::Acromioclavicular), shape, why);
            }
        }
        let why = "top of an arm's two long segments";
        claims.claim(limb.upper_joint(), role(Part::Shoulder), shape, why);
        let why = "between the two long segments of an arm";
        claims.claim(limb.middle_joint(), role(Part::Elbow), shape, why);
        match limb.lower_joint() {
            Some(wrist) => {
                let why = "outer end of an arm's two long segments";
                claims.claim(wrist, role(Part::Radiocarpal), shape, why);
                self.claim_hand(wrist, side, pair);
            }
            None => self.notes.push(format!(
                "the {} arm ends at \"{}\" and has no wrist",
                if side == Side::Left { "left" } else { "right" },
                self.tree.skeleton.name(limb.middle_joint())
            )),
        }
        self.claim_twists(limb, [Part::UpperArmTwist, Part::ForearmTwist], side, pair);
    }

    pub(super) fn claim_hand(&mut self, wrist: usize, side: Side, pair: usize) {
        let role = |part| Role::new(part, side).in_pair(pair);
        let (palms, chains) = chains_below(self.tree, wrist);
        for (index, &palm) in palms.iter().enumerate() {
            let part = role(Part::Midcarpal(2)).with_extra(index);
            self.claims
                .claim(palm, part, 0.6, "it carries several fingers");
        }
        for digit in fingers(self.tree, wrist, chains) {
            let shape = 0.4 + 0.4 * digit.certainty;
            for (&joint, (part, extra)) in digit
                .joints
                .iter()
                .zip(finger_parts(self.tree, wrist, &digit))
            {
                let why = "past the wrist; the ray follows from the order of the fingers";
                self.claims
                    .claim(joint, role(part).with_extra(extra), shape, why);
            }
        }
    }

    /// Joints inside a segment and leaves beside it.
    pub(super) fn claim_twists(
        &mut self,
        limb: &Limb,
        parts: [fn(u8) -> Part; 2],
        side: Side,
        pair: usize,
    ) {
        let tree = self.tree;
        let ends = [limb.upper, limb.middle, limb.lower.unwrap_or(limb.middle)];
        for (segment, inside) in limb.inside().into_iter().enumerate() {
            let from = limb.path[ends[segment]];
            let Some(to) = self.segment_end(limb, segment) else {
                continue;
            };
            let mut found: Vec<(f64, usize)> = Vec::new();
            let carriers: Vec<usize> = std::iter::once(from)
                .chain(inside.iter().copied())
                .collect();
            let leaves = carriers
                .iter()
                .flat_map(|&carrier| tree.children[carrier].iter().copied())
                .filter(|child| !limb.path.contains(child))
                .flat_map(|child| below(tree, child));
            let line = to - tree.position(from);
            for joint in inside.iter().copied().chain(leaves) {
                let offset = tree.position(joint) - tree.position(from);
                let share = offset.dot(line) / line.length_squared();
                let aside = (offset - line * share).length();
                let on_line = aside < 0.12 * line.length() && (-0.02..=1.05).contains(&share);
                let silent = !tree.hints[joint].speaks();
                if tree.hints[joint].twist || inside.contains(&joint) || (on_line && silent) {
                    found.push((share, joint));
                }
            }
            found.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (index, (_, joint)) in found.into_iter().enumerate() {
                let number = u8::try_from(index + 1).unwrap_or(u8::MAX);
                let role = Role::new(parts[segment](number), side).in_pair(pair);
                let shape = if tree.hints[joint].twist { 0.95 } else { 0.6 };
                self.claims.claim(
                    joint,
                    role,
                    shape,
                    "on the line of the segment it shares the twist of",
                );
            }
        }
    }

    /// The outer end of a segment (0 upper, 1 lower), world.
    pub(super) fn segment_end(&self, limb: &Limb, segment: usize) -> Option<DVec3> {
        let end = match (segment, limb.lower) {
            (0, _) => self.tree.position(limb.middle_joint()),
            (_, Some(lower)) => self.tree.position(limb.path[lower]),
            (_, None) => self.tree.far_tip(limb.middle_joint())?,
        };
        let from = limb.path[if segment == 0 {
            limb.upper
        } else {
            limb.middle
        }];
        (end.distance(self.tree.position(from)) > 1e-9 * self.tree.size).then_some(end)
    }

    pub(super) fn claim_wings(&mut self) {
        for (index, pair) in self.wings.clone().into_iter().enumerate() {
            let (left, right) = sides(self.tree, &pair, &self.frame);
            for (side, start) in [(Side::Left, left), (Side::Right, right)] {
                self.claim_series(
                    start,
                    Part::Wing,
                    side,
                    index,
                    0.65,
                    "a pair behind the arms",
                );
            }
        }
    }

    /// Claims the longest path from a joint as a numbered series.
    pub(super) fn claim_series(
        &mut self,
        start: usize,
        part: fn(u8) -> Part,
        side: Side,
        pair: usize,
        shape: f64,
        why: &str,
    ) {
        for (index, joint) in self.tree.main_path(start).into_iter().enumerate() {
            let number = u8::try_from(index + 1).unwrap_or(u8::MAX);
            let role = Role::new(part(number), side).in_pair(pair);
            self.claims.claim(joint, role, shape, why);
        }
    }
}
