//! Legs, feet, toes.

use glam::DVec3;
use understudy_anatomy::body::Side;

use super::{ClawSeat, LIMB_SHADING, Maker, TRUNK, radius};
use crate::description::LegKind;
use crate::piece::Piece;
use crate::plan::{LegPoints, Part, sign};
use crate::proportions as human;

/// Joints and measures of a foot.
struct Foot {
    cluster: usize,
    side: Side,
    ankle: usize,
    ball: Option<usize>,
    points: LegPoints,
    half_m: f64,
    ankle_m: f64,
}

impl Maker<'_> {
    pub(super) fn leg(&mut self, side: Side) {
        let plan = self.plan;
        let body = plan.description;
        let (Some(hip), Some(knee), Some(ankle)) = (
            self.find(Part::Hip, side, 0),
            self.find(Part::Knee, side, 0),
            self.find(Part::Ankle, side, 0),
        ) else {
            return;
        };
        // The flesh of hips and thighs together makes the hip breadth of the table.
        let thigh = (human::HIP_BREADTH - human::HIP_JOINT_WIDTH) / 2.0;
        let thigh_m = body.radius_m(body.thickness.thigh_m, thigh);
        let shank_m = body.radius_m(body.thickness.shank_m, radius::SHANK);
        let cluster = self.grow(TRUNK, self.at(hip), 1.35 * thigh_m, 0.62 * thigh_m);
        let knee_m = 0.95 * shank_m;
        let middle_m = 0.66 * thigh_m + 0.34 * knee_m;
        let thigh = self
            .limb(hip, self.at(knee), [thigh_m, middle_m, knee_m], Some(knee))
            .melting(0.5 * knee_m)
            .grained(0.22 * thigh_m.min(1.6 * knee_m))
            .banded();
        self.add(cluster, thigh);
        let digitigrade = body.legs.kind == LegKind::Digitigrade;
        let ankle_m = shank_m * if digitigrade { 0.7 } else { 0.6 };
        let shank = self
            .limb(
                knee,
                self.at(ankle),
                [0.93 * shank_m, 0.85 * shank_m, ankle_m],
                Some(ankle),
            )
            .melting(0.25 * shank_m)
            .grained(0.3 * shank_m)
            .banded();
        self.add(cluster, shank);
        self.calf(cluster, knee, ankle, shank_m);
        let seat = self.at(hip) - DVec3::new(0.0, 0.2, 0.42) * thigh_m;
        let seat = Piece::ball(hip, seat, 0.74 * thigh_m)
            .melting(0.6 * thigh_m)
            .coloured(self.coat(), 0.8)
            .grained(0.24 * thigh_m)
            .feature();
        self.add(cluster, seat);
        let foot = Foot {
            cluster,
            side,
            ankle,
            ball: self.find(Part::Ball, side, 0),
            points: plan.leg_points(side),
            half_m: body.radius_m(body.thickness.foot_m, human::FOOT_BREADTH / 2.0),
            ankle_m,
        };
        match body.legs.kind {
            LegKind::Plantigrade => self.flat_foot(&foot),
            LegKind::Digitigrade => self.toe_foot(&foot),
        }
    }

    /// The muscle behind the shank.
    fn calf(&mut self, cluster: usize, knee: usize, ankle: usize, shank_m: f64) {
        let (from, to) = (self.at(knee), self.at(ankle));
        let back = DVec3::NEG_Z * 0.28 * shank_m;
        let calf = Piece::new(
            knee,
            from.lerp(to, 0.12) + 0.6 * back,
            from.lerp(to, 0.55) + 0.7 * back,
            [0.72 * shank_m, 0.92 * shank_m, 0.6 * shank_m],
        )
        .melting(0.7 * shank_m)
        .coloured(self.coat(), LIMB_SHADING)
        .grained(0.3 * shank_m)
        .feature();
        self.add(cluster, calf);
    }

    /// Heel, instep, sole and toes, all cut flat at the floor.
    fn flat_foot(&mut self, foot: &Foot) {
        let body = self.plan.description;
        let Foot { points, half_m, .. } = foot;
        let heel_m = body.length_m(body.legs.heel_m, human::HEEL);
        let heel_radius_m = (0.75 * half_m).min(heel_m).max(0.3 * half_m);
        let behind = DVec3::NEG_Z * (heel_m - heel_radius_m);
        let part = |from: DVec3, to: DVec3, radii: [f64; 3], blend_m: f64| {
            Piece::new(foot.ankle, from, to, radii)
                .between(None, foot.ball)
                .on_bone(points.ankle, points.ball)
                .melting(blend_m)
                .coloured(self.ends(), 0.2)
                .grained(0.24 * half_m)
        };
        let low = |point: DVec3, y: f64| DVec3::new(point.x, y, point.z);
        let heel = low(points.ankle, 0.85 * heel_radius_m) + behind;
        let rise_m = points.ankle.y.max(points.ball.y);
        let instep = part(
            points.ankle - DVec3::Y * 0.15 * rise_m,
            low(points.ball, 0.9 * points.ball.y),
            [
                1.05 * foot.ankle_m,
                0.9 * foot.ankle_m.max(0.5 * half_m),
                0.55 * half_m,
            ],
            0.5 * half_m,
        );
        let back = part(
            points.ankle - DVec3::Y * 0.1 * rise_m,
            heel,
            [
                foot.ankle_m,
                0.9 * heel_radius_m.max(foot.ankle_m),
                heel_radius_m,
            ],
            0.5 * half_m,
        );
        let sole_flatness = (1.3 * points.ball.y / half_m).clamp(0.2, 1.0);
        // The sole ends before its toes do.
        let toe_m = points.toe_tip.z - points.ball.z;
        let short_m = (0.95 * half_m - 0.8 * toe_m).max(0.0);
        let sole = part(
            heel,
            low(points.ball, 0.6 * points.ball.y) - DVec3::Z * short_m,
            [0.9 * heel_radius_m, 0.8 * half_m, 0.95 * half_m],
            0.5 * half_m,
        )
        .flattened(DVec3::Y, sole_flatness);
        for piece in [instep, back, sole] {
            self.add(foot.cluster, piece);
        }
        self.toes(foot);
    }

    /// Hock to ball, a pad and the toes.
    fn toe_foot(&mut self, foot: &Foot) {
        let Foot {
            points,
            half_m,
            ankle_m,
            ..
        } = *foot;
        let hock = Piece::ball(foot.ankle, points.ankle, 1.12 * ankle_m)
            .melting(0.8 * ankle_m)
            .coloured(self.ends(), 0.0)
            .grained(0.3 * ankle_m)
            .feature();
        let low_m = (0.75 * ankle_m).max(0.4 * half_m);
        let shaft = Piece::new(
            foot.ankle,
            points.ankle,
            points.ball,
            [ankle_m, 0.72 * ankle_m, low_m],
        )
        .between(self.plan.bones[foot.ankle].parent, foot.ball)
        .melting(0.5 * ankle_m)
        .coloured(self.ends(), 0.0)
        .grained(0.4 * ankle_m);
        let owner = foot.ball.unwrap_or(foot.ankle);
        let pad = Piece::new(
            owner,
            points.ball - DVec3::Z * 0.2 * half_m,
            points.ball + DVec3::Z * 0.3 * half_m,
            [0.7 * half_m, 0.85 * half_m, 0.7 * half_m],
        )
        .between(foot.ball.map(|_| foot.ankle), None)
        .flattened(
            DVec3::Y,
            (1.15 * points.ball.y / (0.85 * half_m)).clamp(0.3, 1.2),
        )
        .melting(0.5 * half_m)
        .coloured(self.ends(), 0.0)
        .grained(0.28 * half_m);
        for piece in [shaft, hock, pad] {
            self.add(foot.cluster, piece);
        }
        self.toes(foot);
    }

    fn toes(&mut self, foot: &Foot) {
        let plan = self.plan;
        let jointed: Vec<usize> = (0..plan.description.legs.toes)
            .filter_map(|toe| plan.find(Part::Toe(toe), foot.side, 0))
            .collect();
        let Foot { points, half_m, .. } = *foot;
        let owner = foot.ball.unwrap_or(foot.ankle);
        if !jointed.is_empty() {
            let girth = half_m * (1.5 / jointed.len() as f64).min(0.62);
            for toe in jointed {
                if let Some(&tip) = plan.bones[toe].tips.first() {
                    let from = points.ball.lerp(self.at(toe), 0.3);
                    self.toe(foot, (toe, Some(owner)), [from, tip], girth);
                }
            }
            return;
        }
        let count = plan.description.legs.toe_shapes;
        let ends = count.saturating_sub(1).max(1) as f64;
        let plain = 1.02 * half_m / count as f64;
        for toe in 0..count {
            let share = toe as f64 / ends;
            // The big toe is broader; the outer ones are shorter.
            let girth = plain * if toe == 0 && count > 3 { 1.25 } else { 0.95 };
            let girth = if count == 1 { 0.9 * half_m } else { girth };
            let room_m = if count == 1 {
                0.0
            } else {
                half_m - 0.9 * plain
            };
            let x = points.ball.x + sign(foot.side) * (2.0 * share - 1.0) * room_m;
            let toe_m = points.toe_tip.z - points.ball.z;
            let fall_m = 0.45 * toe_m * (share - 0.25).max(0.0);
            let from = DVec3::new(x, points.ball.y, points.ball.z - 0.3 * fall_m);
            let tip = DVec3::new(x, 0.0, points.toe_tip.z - fall_m);
            self.toe(
                foot,
                (owner, foot.ball.map(|_| foot.ankle)),
                [from, tip],
                girth,
            );
        }
    }

    /// A toe from the ball to its tip, which lies on the floor.
    fn toe(
        &mut self,
        foot: &Foot,
        (owner, before): (usize, Option<usize>),
        [from, tip]: [DVec3; 2],
        girth: f64,
    ) {
        let mut along = DVec3::new(tip.x - from.x, 0.0, tip.z - from.z);
        if along.length() == 0.0 {
            return;
        }
        let claw_m = self
            .plan
            .description
            .features
            .toe_claw_m
            .min(0.5 * along.length());
        along -= along.normalize() * claw_m;
        let length_m = along.length();
        let ball_m = foot.points.ball.y;
        let radius_m = girth.min(0.45 * length_m);
        let flatness = (1.1 * ball_m / girth).clamp(0.45, 1.0);
        let height_m = 0.75 * radius_m * flatness;
        let start = DVec3::new(from.x, (0.8 * girth * flatness).min(0.9 * ball_m), from.z);
        let mut end = from + along * (1.0 - radius_m / length_m);
        end.y = height_m;
        let cluster = self.grow(foot.cluster, start, 1.3 * girth, 0.9 * girth);
        let piece = Piece::new(
            owner,
            start,
            end,
            [girth, 0.96 * radius_m.max(0.8 * girth), radius_m],
        )
        .between(before, None)
        .on_bone(foot.points.ball, tip)
        .flattened(DVec3::Y, flatness)
        .melting(0.3 * girth)
        .coloured(self.ends(), 0.0)
        .grained(0.4 * girth);
        self.add(cluster, piece);
        if claw_m > 0.0 {
            self.claws.push(ClawSeat {
                joint: owner,
                root: end,
                tip,
                radius_m: 0.75 * radius_m * flatness,
            });
        }
    }
}
