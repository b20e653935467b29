//! Head: skull, jaw, cheeks, brows, snout, ears without joints.

use glam::DVec3;
use understudy_anatomy::body::Side;

use super::{Maker, TRUNK};
use crate::description::{Face, Snout};
use crate::piece::Piece;
use crate::plan::{Part, SIDES, sign};

impl Maker<'_> {
    pub(super) fn head(&mut self) {
        let plan = self.plan;
        let Some(head) = self.find(Part::Head, Side::Middle, 0) else {
            return;
        };
        let face = &plan.description.face;
        let (centre, r) = (plan.head_centre(), plan.head_radius_m());
        let skull = Piece::ball(head, centre, r)
            .flattened(DVec3::Z, face.skull_depth)
            .melting(0.5 * r)
            .coloured(self.coat(), 1.0)
            .grained(0.13 * r);
        self.add(TRUNK, skull);
        let wedge = |from: DVec3, to: DVec3, radii: [f64; 3]| {
            Piece::new(
                head,
                centre + from * r,
                centre + to * r,
                radii.map(|x| x * r),
            )
            .coloured(plan.description.colours.coat, 1.0)
            .grained(0.11 * r)
        };
        if face.jaw > 0.0 {
            let chin = DVec3::new(0.0, 0.4 - face.jaw, 0.58 * face.skull_depth);
            let root = DVec3::new(0.0, -0.3, 0.12);
            self.add(TRUNK, wedge(root, chin, [0.86, 0.72, 0.4]).melting(0.4 * r));
        }
        for side in SIDES {
            let s = sign(side);
            if face.cheeks > 0.0 {
                let level = -0.38 + face.eye_pitch_degrees.to_radians().sin().min(0.0);
                let at = DVec3::new(0.5 * s, level, 0.55);
                let cheek = wedge(at, at, [0.35 + 0.15 * face.cheeks; 3]);
                self.add(TRUNK, cheek.melting(0.4 * r));
            }
            self.brow(head, side);
        }
        self.snout(head);
        self.round_ears(head);
    }

    fn brow(&mut self, head: usize, side: Side) {
        let face = &self.plan.description.face;
        if face.brow == 0.0 {
            return;
        }
        let (centre, r) = (self.plan.head_centre(), self.plan.head_radius_m());
        let out = |yaw: f64, lift: f64| {
            let direction = direction(
                side,
                face.eye_yaw_degrees + yaw,
                face.eye_pitch_degrees + lift,
            );
            centre + stretch(direction, face.skull_depth) * (0.8 + 0.12 * face.brow) * r
        };
        let girth = (0.12 + 0.08 * face.brow) * r;
        let piece = Piece::new(
            head,
            out(-16.0, 19.0),
            out(18.0, 17.0),
            [girth, 1.1 * girth, 0.7 * girth],
        )
        .melting(0.22 * r)
        .coloured(self.coat(), 1.0)
        .grained(0.09 * r)
        .feature();
        self.add(TRUNK, piece);
    }

    fn snout(&mut self, head: usize) {
        let body = self.plan.description;
        let face = &body.face;
        let (centre, r) = (self.plan.head_centre(), self.plan.head_radius_m());
        let level = centre + DVec3::Y * face.snout_level * r;
        if body.torso.snout_m == 0.0 {
            if face.nose > 0.0 {
                // A nose of flesh on a flat face: bridge and tip.
                let front = |y: f64, z: f64| centre + DVec3::new(0.0, y, z * face.skull_depth) * r;
                let levels = face_levels(face);
                let girth = face.nose * r;
                let nose = Piece::new(
                    head,
                    front(levels.eyes - 0.04, 0.86),
                    front(levels.nose, 0.99),
                    [0.62 * girth, 0.7 * girth, girth],
                )
                .melting(0.8 * girth + 0.08 * r)
                .coloured(self.coat(), 1.0)
                .grained(0.08 * r)
                .feature();
                self.add(TRUNK, nose);
            }
            return;
        }
        if body.torso.snout == Snout::Beak {
            return;
        }
        let (root_m, end_m) = (face.snout_breadth * r, face.snout_end * r);
        let reach_m = face.skull_depth * r + body.torso.snout_m - end_m;
        let from = level + DVec3::Z * (0.45 * r).min(0.8 * reach_m);
        let to = level + DVec3::new(0.0, face.snout_rise * r, reach_m);
        let radii = [root_m, 0.42 * root_m + 0.5 * end_m, end_m];
        let upper = Piece::new(head, from, to, radii)
            .melting(0.35 * r)
            .coloured(body.colours.snout(), 0.6)
            .grained((0.1 * r).min(0.6 * end_m));
        self.add(TRUNK, upper);
        // The lower jaw is shorter and slimmer.
        let drop = DVec3::Y * 0.55 * end_m;
        let jaw = Piece::new(
            head,
            from - DVec3::Y * 0.35 * root_m,
            from.lerp(to, 0.8) - drop - DVec3::Y * 0.15 * end_m,
            [0.7 * root_m, 0.4 * root_m, 0.7 * end_m],
        )
        .melting(0.25 * end_m)
        .coloured(body.colours.belly(), 0.0)
        .grained((0.1 * r).min(0.6 * end_m));
        self.add(TRUNK, jaw);
    }

    fn round_ears(&mut self, head: usize) {
        let face = &self.plan.description.face;
        if face.ear == 0.0 {
            return;
        }
        let (centre, r) = (self.plan.head_centre(), self.plan.head_radius_m());
        let flat_face = self.plan.description.torso.snout_m == 0.0;
        for side in SIDES {
            let s = sign(side);
            // Beside the head like a person's, or on top like a beast's.
            let (at, facing) = if flat_face {
                (
                    DVec3::new(0.92 * s, face_levels(face).eyes - 0.15, -0.08),
                    DVec3::new(1.0 * s, 0.0, 0.45),
                )
            } else {
                (
                    DVec3::new(0.66 * s, 0.66, 0.1),
                    DVec3::new(0.35 * s, 0.1, 0.9),
                )
            };
            let facing = facing.normalize();
            let (at, girth) = (centre + at * r, face.ear * r);
            let tall = DVec3::Y * if flat_face { 0.35 * girth } else { 0.1 * girth };
            let ear = Piece::new(head, at - tall, at + tall, [0.8 * girth, girth, girth])
                .flattened(facing, 0.4)
                .melting(0.15 * girth)
                .coloured(self.coat(), 1.0)
                .grained(0.22 * girth);
            self.add(TRUNK, ear);
            let cup = at + facing * 0.5 * girth;
            let cup = Piece::new(
                head,
                cup - tall,
                cup + tall,
                [0.55 * girth, 0.65 * girth, 0.65 * girth],
            )
            .flattened(facing, 0.5)
            .melting(0.15 * girth)
            .coloured(self.plan.description.colours.mark(), 0.0)
            .grained(0.22 * girth)
            .hollow();
            self.add(TRUNK, cup);
        }
    }
}

/// Heights of the parts of a flat face over the middle of the skull, in its half breadth.
pub(crate) struct FaceLevels {
    pub(crate) eyes: f64,
    pub(crate) nose: f64,
    pub(crate) mouth: f64,
}

/// Nose and mouth at 0.43 and 0.66 of the way from eyes to chin (common practice).
pub(crate) fn face_levels(face: &Face) -> FaceLevels {
    let eyes = face.eye_pitch_degrees.to_radians().sin();
    let chin = -face.jaw.max(0.9);
    FaceLevels {
        eyes,
        nose: eyes + 0.43 * (chin - eyes),
        mouth: eyes + 0.66 * (chin - eyes),
    }
}

/// Unit direction from the middle of a head: outward on a side and upward, degrees.
pub(crate) fn direction(side: Side, yaw_degrees: f64, pitch_degrees: f64) -> DVec3 {
    let (yaw, pitch) = (yaw_degrees.to_radians(), pitch_degrees.to_radians());
    DVec3::new(
        sign(side) * yaw.sin() * pitch.cos(),
        pitch.sin(),
        yaw.cos() * pitch.cos(),
    )
}

/// A direction to the surface of a skull that is deeper than broad.
fn stretch(direction: DVec3, depth: f64) -> DVec3 {
    DVec3::new(direction.x, direction.y, direction.z * depth)
}
