//! Tails, ears and wings with joints of their own.

use glam::DVec3;
use understudy_anatomy::body::{AppendageKind, Side};

use super::{Maker, TRUNK};
use crate::description::Appendage;
use crate::plan::{Part, sign};

impl Maker<'_> {
    pub(super) fn appendages(&mut self) {
        let body = self.plan.description;
        let kinds = [
            (AppendageKind::Tail, &body.tail),
            (AppendageKind::Ear, &body.ears),
            (AppendageKind::Wing, &body.wings),
        ];
        for (kind, appendage) in kinds {
            let Some(appendage) = appendage else { continue };
            for side in [Side::Middle, Side::Left, Side::Right] {
                self.appendage(kind, appendage, side);
            }
        }
    }

    fn appendage(&mut self, kind: AppendageKind, appendage: &Appendage, side: Side) {
        let plan = self.plan;
        let colours = &plan.description.colours;
        let joints = plan.all(Part::Appendage(kind), side);
        let Some(&first) = joints.first() else {
            return;
        };
        let ear = kind == AppendageKind::Ear;
        let girth = |share: f64| appendage.radius_m * outline(kind, appendage.bush, share);
        let (flat, flatness) = match kind {
            AppendageKind::Tail => (DVec3::Z, 1.0),
            AppendageKind::Ear => (DVec3::new(0.35 * sign(side), 0.0, 1.0), 0.38),
            AppendageKind::Wing => (DVec3::Z, 0.3),
        };
        let blend_m = appendage.radius_m * if ear { 0.5 } else { 1.0 };
        let cluster = self.grow(TRUNK, self.at(first), 1.6 * appendage.radius_m, blend_m);
        let count = joints.len() as f64;
        let mut cups = Vec::new();
        for (ordinal, &joint) in joints.iter().enumerate() {
            let after = plan.next(joint);
            let tip = plan.bones[joint].tips.first().copied();
            let Some(end) = after.map(|next| self.at(next)).or(tip) else {
                continue;
            };
            let place = ordinal as f64;
            let radii = [place, place + 0.5, place + 1.0].map(|at| girth(at / count));
            let last = after.is_none();
            let start = self.at(joint);
            let mut piece = self
                .limb(joint, end, radii, after)
                .on_bone(start, end)
                .flattened(flat, flatness)
                .melting(if ordinal == 0 { 0.5 } else { 0.1 } * radii[1])
                .grained(if ear { 0.15 } else { 0.26 } * radii[1].max(0.6 * radii[0]));
            if last {
                let length_m = start.distance(end);
                piece.to = start.lerp(end, 1.0 - (radii[2] / length_m).min(0.6));
                if kind == AppendageKind::Tail {
                    piece = piece.coloured(colours.tail_tip(), 0.0);
                }
            }
            if ear {
                let facing = piece.flat.0;
                let mut cup = piece.clone().coloured(colours.mark(), 0.0).hollow();
                cup.radii_m = radii.map(|radius_m| 0.7 * radius_m);
                let forward = facing * 0.42 * appendage.radius_m;
                // The rim is closed at the head and at the tip.
                let low = if ordinal == 0 { 0.35 } else { 0.0 };
                cup.from = start.lerp(end, low) + forward;
                cup.to = piece.to.lerp(start, if last { 0.15 } else { 0.0 }) + forward;
                cup.blend_m = 0.35 * appendage.radius_m;
                cups.push(cup);
            }
            self.add(cluster, piece);
        }
        for cup in cups {
            self.add(cluster, cup);
        }
    }
}

/// Radius along an appendage over that at the body.
fn outline(kind: AppendageKind, bush: f64, share: f64) -> f64 {
    match kind {
        // Broad above the root, pointed at the end.
        AppendageKind::Ear => {
            let swell = 1.0 + 0.25 * (std::f64::consts::PI * share.min(0.7) / 0.7).sin();
            swell * (1.0 - 0.85 * share.powf(1.6))
        }
        AppendageKind::Tail if bush != 1.0 => {
            let swell = (std::f64::consts::PI * share.powf(0.85)).sin();
            0.75 * (1.0 - share) + (bush - 0.2) * swell + 0.12
        }
        _ => 1.0 - 0.5 * share,
    }
}
