//! What sits on the skin: eyes and lids, nose, mouth, beak, crest, claws, feathers, quills.

use glam::DVec3;
use understudy_anatomy::body::{AppendageKind, Side};

use crate::description::{Quills, Rgb, Snout};
use crate::field::{Field, smooth};
use crate::flesh::ClawSeat;
use crate::flesh::head::{direction, face_levels};
use crate::paint::{Paint, vec3};
use crate::piece::hash_unit;
use crate::plan::{Part, Plan, SIDES, sign};
use crate::skin::Skin;
use crate::tube::Tube;
use crate::weights::Influences;

/// Makes the trimmings of one body.
pub(crate) struct Trimmer<'a> {
    pub(crate) plan: &'a Plan<'a>,
    pub(crate) field: &'a Field,
    pub(crate) paint: &'a Paint<'a>,
}

fn shade(colour: Rgb, factor: f32) -> Rgb {
    colour.map(|part| (part * factor).clamp(0.0, 1.0))
}

fn between(a: Rgb, b: Rgb, share: f64) -> Rgb {
    vec3(a)
        .lerp(vec3(b), share)
        .to_array()
        .map(|part| part as f32)
}

impl Trimmer<'_> {
    /// Where a ray from a point inside the flesh first leaves it, metres.
    fn exit(&self, from: DVec3, direction: DVec3) -> DVec3 {
        let stature_m = self.plan.description.stature_m;
        let mut far_m = 0.0;
        for _ in 0..200 {
            let value = self.field.at(from + direction * far_m);
            if value > -1e-5 * stature_m {
                break;
            }
            far_m += -0.7 * value;
        }
        from + direction * far_m
    }

    /// Eyeballs, lids and glints.
    pub(crate) fn eyes(&self) -> Vec<Tube> {
        let Some(head) = self.plan.find(Part::Head, Side::Middle, 0) else {
            return Vec::new();
        };
        let body = self.plan.description;
        let face = &body.face;
        let r = self.plan.head_radius_m();
        let eye_m = body.thickness.eye_m.unwrap_or(0.17 * r).min(0.5 * r);
        let mut tubes = Vec::new();
        for side in SIDES {
            self.eye(
                head,
                side,
                [face.eye_yaw_degrees, face.eye_pitch_degrees],
                eye_m,
                &mut tubes,
            );
            for extra in 0..face.more_eyes {
                let step = extra as f64 + 1.0;
                let yaw = face.eye_yaw_degrees
                    + if extra == 0 {
                        24.0
                    } else {
                        -6.0 + 22.0 * (step - 1.0)
                    };
                let pitch =
                    face.eye_pitch_degrees + if extra == 0 { 10.0 } else { 22.0 + 9.0 * step };
                self.eye(
                    head,
                    side,
                    [yaw, pitch],
                    eye_m * (0.62 - 0.12 * step),
                    &mut tubes,
                );
            }
        }
        tubes
    }

    fn eye(
        &self,
        head: usize,
        side: Side,
        [yaw, pitch]: [f64; 2],
        eye_m: f64,
        tubes: &mut Vec<Tube>,
    ) {
        let body = self.plan.description;
        let (face, colours) = (&body.face, &body.colours);
        let out = direction(side, yaw, pitch);
        let seat = self.exit(self.plan.head_centre(), out);
        let look = (out + DVec3::Z * 0.45).normalize();
        let centre = seat - out * 0.38 * eye_m;
        let iris = face.iris.asin();
        let pupil = (0.58 * face.iris).asin();
        let rings = [
            (pupil, colours.pupil),
            (0.5 * (pupil + iris), colours.iris),
            (iris, shade(colours.iris, 0.55)),
            (f64::INFINITY, colours.eye),
        ];
        tubes.push(Tube::ball(centre, look, eye_m, &rings, head));
        // Both glints on the same side, as from one lamp.
        let glint = (look + 0.42 * DVec3::Y + 0.3 * DVec3::X).normalize();
        let at = centre + glint * 0.9 * eye_m;
        let mut lamp = Tube::ball(at, glint, 0.2 * eye_m, &[(f64::INFINITY, [1.0; 3])], head);
        lamp.sides = 8;
        tubes.push(lamp);
        if face.lids > 0.0 {
            let normal = self.field.gradient(seat, 0.1 * eye_m).normalize_or(out);
            let colour = shade(self.paint.at(seat, normal), 0.8);
            let up = (DVec3::Y - look * look.y).normalize();
            // A ball behind and above the eye hides what lies above this angle of it.
            let upper = (78.0 - 62.0 * face.lids).to_radians();
            let lower = (72.0 - 20.0 * face.lids).to_radians();
            for (angle, way) in [(upper, 1.0), (lower, -1.0)] {
                let shift = (up * way * angle.cos() - look * angle.sin()) * 0.5 * eye_m;
                let lid = Tube::ball(
                    centre + shift,
                    look,
                    1.1 * eye_m,
                    &[(f64::INFINITY, colour)],
                    head,
                );
                tubes.push(lid);
            }
        }
    }

    /// Nose, mouth, beak and crest.
    pub(crate) fn face(&self) -> Vec<Tube> {
        let Some(head) = self.plan.find(Part::Head, Side::Middle, 0) else {
            return Vec::new();
        };
        let body = self.plan.description;
        let mut tubes = Vec::new();
        if body.torso.snout_m > 0.0 && body.torso.snout == Snout::Beak {
            tubes.extend(self.beak(head));
        } else {
            tubes.extend(self.nose(head));
            tubes.extend(self.mouth(head));
        }
        tubes.extend(self.crest(head));
        tubes
    }

    fn snout_axis(&self) -> [DVec3; 2] {
        let body = self.plan.description;
        let (face, r) = (&body.face, self.plan.head_radius_m());
        let level = self.plan.head_centre() + DVec3::Y * face.snout_level * r;
        let reach_m = face.skull_depth * r + body.torso.snout_m - face.snout_end * r;
        [
            level + DVec3::Z * (0.45 * r).min(0.8 * reach_m),
            level + DVec3::new(0.0, face.snout_rise * r, reach_m),
        ]
    }

    fn nose(&self, head: usize) -> Option<Tube> {
        let body = self.plan.description;
        if body.torso.snout_m == 0.0 || body.face.nose == 0.0 {
            return None;
        }
        let radius_m = body.face.nose * self.plan.head_radius_m();
        let [_, end] = self.snout_axis();
        let out = DVec3::new(0.0, 0.35, 0.94);
        let at = self.exit(end, out) - out * 0.35 * radius_m;
        let mut nose = Tube::ball(
            at,
            DVec3::Z,
            radius_m,
            &[(f64::INFINITY, body.colours.nose)],
            head,
        );
        for ring in &mut nose.rings {
            ring.flat_m *= 0.78;
        }
        Some(nose)
    }

    fn mouth(&self, head: usize) -> Option<Tube> {
        const STEPS: i32 = 12;
        let body = self.plan.description;
        let (face, r) = (&body.face, self.plan.head_radius_m());
        if face.mouth == 0.0 {
            return None;
        }
        let colour = body.colours.nose;
        let points: Vec<(DVec3, f64, Rgb)> = (-STEPS..=STEPS)
            .map(|step| {
                let share = f64::from(step) / f64::from(STEPS);
                let at = if body.torso.snout_m > 0.0 {
                    let [root, end] = self.snout_axis();
                    let back = (share.abs() - 0.3).max(0.0) * face.mouth * 1.4;
                    let angle = (share.abs() * 2.2).min(1.0) * 1.45 * share.signum();
                    let low = -0.8 + 0.85 * share * share;
                    let out = DVec3::new(angle.sin(), low, angle.cos()).normalize();
                    self.exit(end.lerp(root, back), out)
                } else {
                    // Corners of the mouth a little higher: a friendly face.
                    let level = DVec3::new(0.0, face_levels(face).mouth, 0.2);
                    let angle = share * face.mouth * 1.6;
                    let out = DVec3::new(angle.sin(), 0.1 * share * share, angle.cos());
                    self.exit(self.plan.head_centre() + level * r, out.normalize())
                };
                (at, 0.028 * r * (1.0 - 0.6 * share * share), colour)
            })
            .collect();
        Tube::along(&points, DVec3::Y, 0.8, head)
    }

    fn beak(&self, head: usize) -> Vec<Tube> {
        let body = self.plan.description;
        let (face, r) = (&body.face, self.plan.head_radius_m());
        let centre = self.plan.head_centre();
        let root = centre + DVec3::new(0.0, face.snout_level * r, 0.55 * r);
        let tip = centre
            + DVec3::new(
                0.0,
                (face.snout_level + face.snout_rise) * r,
                face.skull_depth * r + body.torso.snout_m,
            );
        let girth = face.snout_breadth * r;
        let horn = body.colours.horn;
        let mandible = |lift: f64, long: f64, colour: Rgb| {
            let points: Vec<(DVec3, f64, Rgb)> = (0..=9)
                .map(|step| {
                    let share = f64::from(step) / 9.0;
                    let droop = DVec3::Y
                        * (lift * (1.0 - share) - 0.1 * share.powi(3) * lift.abs())
                        * girth;
                    let at = root.lerp(tip, long * share) + droop;
                    let radius = girth
                        * ((1.0 - share).powf(0.8) * 0.9 + 0.04)
                        * if lift > 0.0 { 0.9 } else { 0.75 };
                    (
                        at,
                        radius,
                        between(colour, shade(colour, 0.35), smooth(1.8 * share - 0.8)),
                    )
                })
                .collect();
            Tube::along(&points, DVec3::Y, 0.75, head)
        };
        let mut tubes: Vec<Tube> = [
            mandible(0.3, 1.0, horn),
            mandible(-0.42, 0.96, shade(horn, 0.72)),
        ]
        .into_iter()
        .flatten()
        .collect();
        for tube in &mut tubes {
            tube.sides = 14;
        }
        tubes
    }

    fn crest(&self, head: usize) -> Vec<Tube> {
        let body = self.plan.description;
        let length_m = body.features.crest_m;
        if length_m == 0.0 {
            return Vec::new();
        }
        let (centre, r) = (self.plan.head_centre(), self.plan.head_radius_m());
        let plume = |plume: i32| {
            let fan = f64::from(plume) / 2.0;
            let root = centre + DVec3::new(0.22 * fan, 0.72, -0.45) * r;
            let along = DVec3::new(0.22 * fan, 0.32 - 0.12 * fan.abs(), -1.0).normalize();
            let long = length_m * (1.0 - 0.22 * fan.abs());
            let points: Vec<(DVec3, f64, Rgb)> = (0..=7)
                .map(|step| {
                    let share = f64::from(step) / 7.0;
                    let droop = DVec3::NEG_Y * 0.35 * long * share * share;
                    let breadth =
                        0.16 * r * (0.5 + (std::f64::consts::PI * share).sin()) * (1.02 - share);
                    (
                        root + along * long * share + droop,
                        breadth.max(0.01 * r),
                        shade(body.colours.back(), 0.6),
                    )
                })
                .collect();
            Tube::along(&points, DVec3::Y, 0.35, head)
        };
        (-2..=2).filter_map(plume).collect()
    }

    /// Claws of fingers and toes.
    pub(crate) fn claws(&self, seats: &[ClawSeat]) -> Vec<Tube> {
        let horn = self.plan.description.colours.horn;
        let claw = |seat: &ClawSeat| {
            let length_m = seat.root.distance(seat.tip);
            let points: Vec<(DVec3, f64, Rgb)> = (0..=6)
                .map(|step| {
                    let share = f64::from(step) / 6.0;
                    // Claws bow upward on their way.
                    let bow = DVec3::Y * 0.5 * length_m * share * (1.0 - share) * 0.7;
                    let mut at = seat.root.lerp(seat.tip, share) + bow;
                    let radius_m = seat.radius_m * (1.0 - share).powf(0.7);
                    at.y = at.y.max(0.9 * radius_m);
                    (at, radius_m, between(horn, shade(horn, 0.45), share))
                })
                .collect();
            Tube::along(&points, DVec3::Y, 0.9, seat.joint)
        };
        seats.iter().filter_map(claw).collect()
    }

    /// Feathers of wings and of the tail between them.
    pub(crate) fn feathers(&self) -> Vec<Tube> {
        let body = self.plan.description;
        let length_m = body.features.feathers_m;
        let mut tubes = Vec::new();
        if length_m == 0.0 {
            return tubes;
        }
        for (pair, _) in body.arms.iter().enumerate().filter(|(_, arm)| arm.wing) {
            for side in SIDES {
                self.wing(side, pair, length_m, &mut tubes);
            }
        }
        self.tail_feathers(length_m, &mut tubes);
        tubes
    }

    fn wing(&self, side: Side, pair: usize, length_m: f64, tubes: &mut Vec<Tube>) {
        let plan = self.plan;
        let at = |bone: usize| plan.bones[bone].position;
        let find = |part| plan.find(part, side, pair);
        let (Some(shoulder), Some(elbow), Some(wrist)) =
            (find(Part::Shoulder), find(Part::Elbow), find(Part::Wrist))
        else {
            return;
        };
        let fingers = plan.all_of_fingers(side, pair);
        let last = fingers
            .iter()
            .copied()
            .rfind(|&bone| matches!(plan.bones[bone].part, Part::Finger(3)))
            .unwrap_or(wrist);
        let tip = plan.bones[last].tips.first().copied().unwrap_or(at(wrist));
        let along = plan.arm_direction(side);
        let lift = along.cross(DVec3::Z) * sign(side);
        let colours = &plan.description.colours;
        // From, to, number, length, how far they point outward at both ends.
        let rows = [
            (
                shoulder,
                at(shoulder),
                at(elbow),
                6,
                [0.55, 0.72],
                [-0.15, 0.0],
            ),
            (elbow, at(elbow), at(wrist), 9, [0.74, 0.86], [0.0, 0.25]),
            (wrist, at(wrist), tip, 8, [0.9, 1.0], [0.3, 1.7]),
        ];
        for (joint, from, to, count, long, outward) in rows {
            for layer in 0..2 {
                let over = layer == 1;
                for feather in 0..count {
                    let share = (f64::from(feather) + 0.5) / f64::from(count);
                    let out = outward[0] + (outward[1] - outward[0]) * share * share;
                    let direction = (DVec3::NEG_Z + along * out).normalize();
                    let long_m = length_m
                        * (long[0] + (long[1] - long[0]) * share)
                        * if over { 0.48 } else { 1.0 };
                    let breadth_m = 0.72 * from.distance(to) / f64::from(count);
                    let root = from.lerp(to, share)
                        + lift * if over { 0.012 } else { 0.0 } * length_m
                        + lift * 0.004 * length_m * f64::from(feather % 2);
                    let colour = if over { colours.coat } else { colours.back() };
                    let end = if over {
                        shade(colour, 0.8)
                    } else {
                        shade(colours.back(), 0.45)
                    };
                    tubes.extend(feather_tube(
                        root,
                        direction,
                        long_m,
                        breadth_m,
                        lift,
                        [colour, end],
                        joint,
                    ));
                }
            }
        }
    }

    fn tail_feathers(&self, length_m: f64, tubes: &mut Vec<Tube>) {
        let plan = self.plan;
        let Some(&joint) = plan
            .all(Part::Appendage(AppendageKind::Tail), Side::Middle)
            .last()
        else {
            return;
        };
        let back = plan.description.colours.back();
        let along = plan.aim(joint);
        let lift = along.cross(DVec3::X).normalize_or(DVec3::Y);
        for feather in -3..=3 {
            let fan = f64::from(feather) / 3.0;
            let direction = (along + DVec3::X * 0.4 * fan).normalize();
            let root = plan.bones[joint].position - lift * 0.01 * length_m * fan.abs();
            let long_m = 0.75 * length_m * (1.0 - 0.15 * fan.abs());
            tubes.extend(feather_tube(
                root,
                direction,
                long_m,
                0.1 * length_m,
                lift,
                [back, shade(back, 0.5)],
                joint,
            ));
        }
    }

    /// Quills on the skin of back and head.
    pub(crate) fn quills(
        &self,
        quills: &Quills,
        skin: &Skin,
        weights: &[Influences],
        mirror: &[usize],
    ) -> Vec<Tube> {
        let mut roots: Vec<(usize, DVec3)> = Vec::new();
        for vertex in 0..skin.half {
            let (at, normal) = (skin.positions[vertex], skin.normals[vertex]);
            let far = |(_, other): &(usize, DVec3)| other.distance(at) >= quills.spacing_m;
            if self.grows_quills(at, normal) && roots.iter().all(far) {
                roots.push((vertex, at));
            }
        }
        let mut tubes = Vec::new();
        for (vertex, at) in roots {
            let quill = self.quill(quills, vertex, at, skin.normals[vertex], &weights[vertex]);
            if at.x > 0.0 {
                let mut other = quill.clone();
                for point in other
                    .rings
                    .iter_mut()
                    .map(|ring| &mut ring.centre)
                    .chain([&mut other.start, &mut other.end])
                {
                    point.x = -point.x;
                }
                other.influences = weights[vertex]
                    .iter()
                    .map(|&(joint, weight)| (mirror[joint], weight))
                    .collect();
                tubes.push(other);
            }
            tubes.push(quill);
        }
        tubes
    }

    fn grows_quills(&self, at: DVec3, normal: DVec3) -> bool {
        let plan = self.plan;
        let (centre, r) = (plan.head_centre(), plan.head_radius_m());
        let on_head = at.distance(centre) < 1.3 * r * plan.description.face.skull_depth;
        let owner = self
            .field
            .owner(at)
            .map(|piece| plan.bones[piece.owner].part);
        if !matches!(
            owner,
            Some(Part::Pelvis | Part::Spine | Part::Neck | Part::Head)
        ) {
            return false;
        }
        if on_head {
            // Behind a line from brow over the ears to the nape.
            let from_centre = (at - centre) / r;
            let ear = DVec3::new(0.66, 0.66, 0.1).distance(from_centre.with_x(from_centre.x.abs()));
            let clear_of_ears = ear > 1.5 * plan.description.face.ear;
            clear_of_ears && from_centre.dot(DVec3::new(0.0, 0.42, -0.91)) > -0.06
        } else {
            normal.dot(DVec3::new(0.0, 0.25, -0.97)) > 0.18
        }
    }

    fn quill(
        &self,
        quills: &Quills,
        vertex: usize,
        at: DVec3,
        normal: DVec3,
        influences: &Influences,
    ) -> Tube {
        let colours = &self.plan.description.colours;
        let shake = |salt: usize| 2.0 * hash_unit(7919 * vertex + salt) - 1.0;
        let middle = at.x == 0.0;
        let jitter = 0.16 * DVec3::new(if middle { 0.0 } else { shake(1) }, shake(2), shake(3));
        let sweep = DVec3::new(0.0, -0.35, -0.75);
        let along = (normal + 0.8 * sweep + jitter).normalize_or(normal);
        let long_m = quills.length_m * (1.0 + 0.18 * shake(4));
        let points = [
            (-0.12, 0.6, shade(colours.back(), 0.6)),
            (0.0, 1.0, shade(colours.back(), 0.6)),
            (0.45, 0.8, shade(colours.back(), 0.9)),
            (0.78, 0.42, colours.horn),
            (1.0, 0.0, colours.horn),
        ]
        .map(|(share, girth, colour)| {
            let bow = DVec3::NEG_Y * 0.08 * long_m * f64::max(share, 0.0).powi(2);
            (
                at + along * long_m * share + bow,
                girth * quills.radius_m,
                colour,
            )
        });
        let rings = points[1..4]
            .iter()
            .map(|&(centre, broad_m, colour)| crate::tube::Ring {
                centre,
                broad_m,
                flat_m: broad_m,
                colour,
            });
        Tube {
            start: points[0].0,
            rings: rings.collect(),
            end: points[4].0,
            flat: DVec3::Y,
            sides: 5,
            influences: influences.clone(),
        }
    }
}

fn feather_tube(
    root: DVec3,
    direction: DVec3,
    long_m: f64,
    breadth_m: f64,
    lift: DVec3,
    [colour, end]: [Rgb; 2],
    joint: usize,
) -> Option<Tube> {
    let points: Vec<(DVec3, f64, Rgb)> = (0..=6)
        .map(|step| {
            let share = f64::from(step) / 6.0;
            let breadth = breadth_m * (0.55 + 0.65 * share) * (1.0 - share.powi(5)).sqrt();
            let droop = lift * -0.06 * long_m * share * share;
            (
                root + direction * long_m * share + droop,
                breadth,
                between(colour, end, smooth(1.6 * share - 0.5)),
            )
        })
        .collect();
    let mut tube = Tube::along(&points, lift, 0.1, joint)?;
    tube.sides = 6;
    Some(tube)
}
