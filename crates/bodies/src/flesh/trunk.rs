//! Trunk and neck.

use glam::DVec3;
use understudy_anatomy::body::Side;

use super::{Maker, TRUNK, radius};
use crate::piece::Piece;
use crate::plan::{Part, SIDES, sign};
use crate::proportions as human;

impl Maker<'_> {
    /// Half breadth of the trunk from hips (0) over belly (0.5) to chest (1), metres.
    fn trunk_radius_m(&self, share: f64) -> f64 {
        let body = self.plan.description;
        // The flesh of the thighs stands out beyond that of the pelvis.
        let hips = body.radius_m(body.thickness.hips_m, 0.45 * human::HIP_BREADTH);
        let chest = body.radius_m(body.thickness.chest_m, 0.5 * human::CHEST_BREADTH);
        // A waist slightly slimmer than the chest (common practice).
        let belly = body.radius_m(body.thickness.belly_m, 0.4 * human::CHEST_BREADTH);
        // The parabola through the three, kept from undershooting.
        let t = share.clamp(0.0, 1.0);
        let parabola = hips * (1.0 - t) * (1.0 - 2.0 * t)
            + belly * 4.0 * t * (1.0 - t)
            + chest * t * (2.0 * t - 1.0);
        parabola.max(hips.min(belly).min(chest))
    }

    pub(super) fn trunk(&mut self) {
        let plan = self.plan;
        let mut joints = vec![0];
        joints.extend(plan.all(Part::Spine, Side::Middle));
        let (start, top) = (self.at(0), plan.trunk_top());
        let length_m = plan.description.trunk_m();
        let flatness = plan.description.thickness.trunk_flatness;
        // The rounded ends reach a little below the hips and to the root of the neck.
        let low = (0.35 * self.trunk_radius_m(0.0) / length_m).min(0.3);
        let high = 1.0 - (0.72 * self.trunk_radius_m(1.0) / length_m).min(0.5);
        let count = joints.len();
        for (index, &joint) in joints.iter().enumerate() {
            let share = |at: f64| (at / count as f64).clamp(low, high);
            let [from, to] = [index as f64, index as f64 + 1.0].map(share);
            let after = joints.get(index + 1).copied();
            let end = after.map_or(top, |next| self.at(next));
            let radii = [from, 0.5 * (from + to), to].map(|share| self.trunk_radius_m(share));
            let thick_m = radii[1];
            let mut piece = self
                .limb(joint, end, radii, after)
                .on_bone(self.at(joint), end);
            piece.from = start.lerp(top, from);
            piece.to = start.lerp(top, to);
            let piece = piece
                .coloured(self.coat(), if index == 0 { 0.6 } else { 1.0 })
                .flattened(DVec3::Z, flatness)
                .melting(if index == 0 { 0.5 } else { 0.06 } * thick_m)
                .grained(0.16 * thick_m);
            self.add(TRUNK, piece);
        }
        self.flanks();
        self.abdomen();
    }

    /// The flesh from the hip joints up to the waist.
    fn flanks(&mut self) {
        let body = self.plan.description;
        let flatness = body.thickness.trunk_flatness;
        let thigh = 0.5 * (human::HIP_BREADTH - human::HIP_JOINT_WIDTH);
        let thigh_m = body.radius_m(body.thickness.thigh_m, thigh);
        let (start, top) = (self.at(0), self.plan.trunk_top());
        let waist = start.lerp(top, 0.42);
        let waist_m = self.trunk_radius_m(0.42);
        for side in SIDES {
            let Some(hip) = self.find(Part::Hip, side, 0) else {
                continue;
            };
            let from = self.at(hip) + DVec3::Y * 0.25 * thigh_m;
            let to = waist + DVec3::X * 0.4 * sign(side) * waist_m;
            let radii = [
                0.72 * thigh_m,
                0.45 * thigh_m + 0.27 * waist_m,
                0.54 * waist_m,
            ];
            let piece = Piece::new(0, from, to, radii)
                .flattened(DVec3::Z, flatness.clamp(0.7, 1.0))
                .melting(0.7 * thigh_m)
                .coloured(self.coat(), 0.5)
                .grained(0.25 * thigh_m)
                .feature();
            self.add(TRUNK, piece);
        }
    }

    fn abdomen(&mut self) {
        let body = self.plan.description;
        let radius_m = body.features.abdomen_m;
        if radius_m == 0.0 {
            return;
        }
        let back = -self.plan.hips_depth_m() - 0.55 * radius_m;
        let along = DVec3::new(0.0, -0.42, -0.91);
        let at = self.at(0) + DVec3::new(0.0, 0.15 * radius_m, back);
        let piece = Piece::ball(0, at + along * 0.3 * radius_m, 0.9 * radius_m)
            .flattened(along, 1.3)
            .melting(0.5 * radius_m)
            .coloured(self.coat(), 1.0)
            .grained(0.16 * radius_m);
        self.add(TRUNK, piece);
    }

    pub(super) fn neck(&mut self) {
        let plan = self.plan;
        let body = plan.description;
        let radius_m = body.radius_m(body.thickness.neck_m, radius::NECK);
        let mut joints = plan.all(Part::Neck, Side::Middle);
        let Some(head) = self.find(Part::Head, Side::Middle, 0) else {
            return;
        };
        let top = plan.trunk_top();
        let count = joints.len().max(1) as f64;
        joints.push(head);
        for (index, pair) in joints.windows(2).enumerate() {
            // Necks are a little thicker at their root.
            let root = 0.1 + 0.1 * count.min(7.0);
            let girth = |at: f64| radius_m * (1.0 + root * (1.0 - at / count).powi(2));
            let radii = [0.0, 0.5, 1.0].map(|at| girth(index as f64 + at));
            // Pieces that go on from each other need no seam.
            let blend = if index == 0 { 0.9 } else { 0.12 };
            let piece = self
                .limb(pair[0], self.at(pair[1]), radii, Some(pair[1]))
                .melting(blend * radius_m)
                .coloured(self.coat(), 0.9)
                .grained(0.28 * radius_m);
            self.add(TRUNK, piece);
        }
        if joints.len() == 1 {
            let owner = plan.bones[head].parent.unwrap_or(0);
            let piece = Piece::new(owner, top, self.at(head), [radius_m; 3])
                .between(None, Some(head))
                .melting(0.8 * radius_m)
                .coloured(self.coat(), 1.0)
                .grained(0.28 * radius_m);
            self.add(TRUNK, piece);
        }
        self.slopes(top, self.at(joints[0].min(head)), radius_m);
    }

    /// The slopes from neck to shoulders.
    fn slopes(&mut self, top: DVec3, neck: DVec3, radius_m: f64) {
        let Some(head) = self.find(Part::Head, Side::Middle, 0) else {
            return;
        };
        let high = neck.lerp(self.at(head), 0.2);
        for side in SIDES {
            let Some(shoulder) = self.find(Part::Shoulder, side, 0) else {
                continue;
            };
            let from = high + DVec3::X * (0.35 * sign(side) * radius_m);
            let to = top.lerp(self.at(shoulder), 0.65);
            let owner = self.plan.bones[shoulder].parent.unwrap_or(0);
            let piece = Piece::new(
                owner,
                from,
                to,
                [0.42 * radius_m, 0.4 * radius_m, 0.5 * radius_m],
            )
            .melting(0.9 * radius_m)
            .coloured(self.coat(), 1.0)
            .grained(0.3 * radius_m)
            .feature();
            self.add(TRUNK, piece);
        }
    }
}
