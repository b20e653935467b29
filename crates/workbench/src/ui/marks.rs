//! Marks over the bodies: contacts, slides, sinking and floating, parts that go into each other.

use std::cell::RefCell;

use bevy_egui::egui;
use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Shape, Stroke, Ui, pos2, vec2};
use understudy_measure::knees::{Pop, STILL_RAD_PER_S2};
use understudy_measure::{FaultKind, beyond_range, joint_called};
use understudy_motion::{DVec3, WorldPose};

use super::faults::sign;
use super::theme::{colour, faint};
use super::views::{drawn_at, plate};
use crate::state::camera::Camera;
use crate::state::palette::{self, Rgb};
use crate::state::session::Session;
use crate::state::stage::{Motion, Sole, Who};
use crate::state::view::Show;

/// Slide over a plant that is worth a number, mm: the aim of this project.
pub const SLIDE_MM: f64 = 0.5;
/// Depth of a sole in the floor that is worth a number, mm: the aim of this project.
const SINKING_MM: f64 = 1.0;
/// Height of a planted part above the floor that an eye sees on a human-sized body, mm (common
/// practice).
const FLOATING_MM: f64 = 5.0;
/// Depth of one part in another that an eye sees on a human-sized body, mm (common practice).
const DEPTH_MM: f64 = 10.0;
/// Height of a human-sized body, metres.
const HUMAN_M: f64 = 1.75;
/// Speed of a slide drawn as widest, mm per second.
const FASTEST_MM_PER_SEC: f64 = 150.0;

/// A view: a camera and the part of the window it draws to.
pub struct Glass<'a> {
    pub(super) painter: Painter,
    pub(super) camera: Camera,
    pub(super) rect: Rect,
    pub(super) session: &'a Session,
    pub(super) who: Who,
    text: Color32,
    plate: Color32,
    /// Where labels stand already.
    labels: RefCell<Vec<Rect>>,
    /// Where the legend stands, in the lower right corner.
    legend: Option<Rect>,
}

/// Draws the marks of a body. No label stands over the name of the view, nor over the legend.
pub fn show(ui: &Ui, session: &Session, who: Who, rect: Rect, [name, legend]: [Option<Rect>; 2]) {
    let (Some((actor, motion)), Some(camera)) = (session.motion(who), session.camera(who)) else {
        return;
    };
    let glass = Glass {
        painter: ui.painter_at(rect),
        camera,
        rect,
        session,
        who,
        text: ui.visuals().text_color(),
        plate: plate(ui),
        labels: RefCell::new(name.into_iter().collect()),
        legend,
    };
    let frame = session.frame_of(motion);
    let size = actor.figure.height_m / HUMAN_M;
    let has_skin = actor.figure.model.has_skin();
    let pose = motion.clip.world(frame);
    if session.view.contacts && who != Who::Performer {
        glass.pins(frame, actor.figure.height_m);
    }
    if session.view.show == Show::Both && has_skin {
        glass.bones(motion, &pose);
    }
    glass.chain();
    if session.view.faults && who != Who::Performer {
        glass.depths(motion, &pose, frame, size);
        glass.joint_faults(motion, &pose, frame);
    }
    for sole in &motion.soles {
        if session.view.contacts {
            glass.contacts(sole, frame);
        }
        if session.view.faults {
            glass.slide(sole, frame, motion.clip.frame_time_secs);
            glass.floor_faults(sole, frame, size);
        }
    }
    glass.chosen();
}

impl Glass<'_> {
    /// Where a point of the world is drawn.
    pub(super) fn at(&self, point: DVec3) -> Option<Pos2> {
        drawn_at(&self.camera, self.rect, point)
    }

    /// How long a metre is in points, at a place.
    fn points_per_m(&self, point: DVec3) -> Option<f32> {
        let (_, depth) = self.camera.project(point)?;
        let half = (crate::state::camera::FIELD_OF_VIEW_RAD / 2.0).tan();
        Some((0.5 / (half * depth)) as f32 * self.rect.height())
    }

    /// A number or a word at a mark.
    pub(super) fn label(&self, at: Pos2, anchor: Align2, text: String) -> Rect {
        let galley = self
            .painter
            .layout_no_wrap(text, FontId::proportional(12.0), self.text);
        let rect = anchor.anchor_size(at, galley.size() + vec2(10.0, 4.0));
        let rect = self.free_place(kept_within(rect, self.rect.shrink(4.0)));
        self.painter.rect_filled(rect, 4.0, self.plate);
        self.painter
            .galley(rect.min + vec2(5.0, 2.0), galley, Color32::PLACEHOLDER);
        rect
    }

    /// The place, or one left of the legend or below, where no label stands yet.
    fn free_place(&self, mut rect: Rect) -> Rect {
        let mut labels = self.labels.borrow_mut();
        if let Some(legend) = self.legend.filter(|legend| legend.intersects(rect)) {
            rect = rect.translate(vec2(legend.left() - 4.0 - rect.right(), 0.0));
        }
        while let Some(other) = labels.iter().find(|other| other.intersects(rect)) {
            rect = rect.translate(vec2(0.0, other.bottom() + 2.0 - rect.top()));
        }
        labels.push(rect);
        rect
    }

    /// Pins in the floor: named while they hold, faint at other times.
    fn pins(&self, frame: usize, height_m: f64) {
        /// Height of a pin, body heights.
        const HEIGHT: f64 = 0.07;
        let contacts = self
            .session
            .contacts()
            .into_iter()
            .flat_map(|c| &c.contacts);
        for contact in contacts {
            let Some([x, z]) = contact.place_m else {
                continue;
            };
            let floor = self.session.stage.floor_of(self.who);
            let place = floor.below(DVec3::new(x, 0.0, z));
            let (Some(at), Some(scale)) = (self.at(place), self.points_per_m(place)) else {
                continue;
            };
            let holds = (contact.first..=contact.last).contains(&frame);
            let height = (scale * (HEIGHT * height_m) as f32).clamp(10.0, 40.0);
            let fill = match holds {
                true => colour(palette::side(contact.side)),
                false => faint(palette::side(contact.side), 0.35),
            };
            super::pins::sign(&self.painter, at, height, fill);
            if holds {
                let text = format!("{} pinned", contact.part.word());
                self.label(
                    at + vec2(0.4 * height + 6.0, -height),
                    Align2::LEFT_CENTER,
                    text,
                );
            }
        }
    }

    /// Lines from joint to joint over the skin.
    fn bones(&self, motion: &Motion, pose: &WorldPose) {
        let skeleton = &motion.clip.skeleton;
        let line = Stroke::new(2.0, faint(palette::MIDDLE, 0.9));
        let edge = Stroke::new(4.0, Color32::from_black_alpha(110));
        for stroke in [edge, line] {
            for joint in 0..skeleton.len() {
                let Some(parent) = skeleton.parent(joint) else {
                    continue;
                };
                let ends = [pose.position(parent), pose.position(joint)].map(|end| self.at(end));
                if let [Some(a), Some(b)] = ends {
                    self.painter.line_segment([a, b], stroke);
                }
            }
        }
        for joint in 0..skeleton.len() {
            if let Some(at) = self.at(pose.position(joint)) {
                self.painter.circle_filled(at, 2.5, colour(palette::YELLOW));
            }
        }
    }

    /// Heel, ball and toe: full where they stand, empty where they do not.
    fn contacts(&self, sole: &Sole, frame: usize) {
        for (part, track) in sole.tracks.iter().enumerate() {
            let Some(at) = track.as_ref().and_then(|track| self.at(*track.get(frame)?)) else {
                continue;
            };
            let stands = sole.planted.get(frame).is_some_and(|on| on[part]);
            part_sign(&self.painter, part, at, stands, palette::side(sole.side));
        }
    }

    /// The way a planted part has slid since it was put down, as wide as it was fast, with its length.
    fn slide(&self, sole: &Sole, frame: usize, frame_time_secs: f64) {
        let mut worst: Option<(f64, Pos2)> = None;
        for (part, track) in sole.tracks.iter().enumerate() {
            let (Some(track), Some(since)) = (track, sole.planted_since(part, frame)) else {
                continue;
            };
            let Some(way) = track.get(since..=frame) else {
                continue;
            };
            let extent_mm = extent_mm(way);
            if extent_mm < SLIDE_MM {
                continue;
            }
            for pair in way.windows(2) {
                let [Some(a), Some(b)] = [self.at(pair[0]), self.at(pair[1])] else {
                    continue;
                };
                let mm_per_sec = 1000.0 * level(pair[1] - pair[0]) / frame_time_secs;
                let share = (mm_per_sec / FASTEST_MM_PER_SEC).min(1.0);
                let width = 2.0 + 8.0 * share as f32;
                let shade = palette::between(palette::YELLOW, palette::VERMILLION, share);
                self.painter.line_segment(
                    [a, b],
                    Stroke::new(width + 2.0, Color32::from_black_alpha(140)),
                );
                self.painter
                    .line_segment([a, b], Stroke::new(width, colour(shade)));
            }
            let end = way.last().and_then(|end| self.at(*end));
            if let Some(end) = end
                && worst.is_none_or(|(mm, _)| extent_mm > mm)
            {
                worst = Some((extent_mm, end));
            }
        }
        if let Some((mm, end)) = worst {
            self.label(
                end + vec2(14.0, 6.0),
                Align2::LEFT_TOP,
                format!("slid {}", millimetres(mm)),
            );
        }
    }

    /// Arrows to the floor from a part that sinks below it, or stands above it.
    fn floor_faults(&self, sole: &Sole, frame: usize, size: f64) {
        let floor = self.session.stage.floor_of(self.who);
        let mut worst: Option<(f64, DVec3)> = None;
        for (part, track) in sole.tracks.iter().enumerate() {
            let Some(point) = track.as_ref().and_then(|track| track.get(frame)) else {
                continue;
            };
            let above_mm = 1000.0 * floor.above(*point);
            let stands = sole.planted.get(frame).is_some_and(|on| on[part]);
            let is_fault = above_mm < -SINKING_MM || (stands && above_mm > FLOATING_MM * size);
            if is_fault && worst.is_none_or(|(mm, _)| above_mm.abs() > f64::abs(mm)) {
                worst = Some((above_mm, *point));
            }
        }
        let Some((above_mm, point)) = worst else {
            return;
        };
        let (Some(from), Some(to)) = (self.at(point), self.at(floor.below(point))) else {
            return;
        };
        let (word, shade) = match above_mm < 0.0 {
            true => ("sinks", palette::PURPLE),
            false => ("floats", palette::SKY),
        };
        self.painter
            .arrow(from, to - from, Stroke::new(2.0, colour(shade)));
        let text = format!("{word} {}", millimetres(above_mm.abs()));
        self.label(from + vec2(-14.0, 6.0), Align2::RIGHT_TOP, text);
    }

    /// Parts that go into each other glow, the deeper the stronger; the deepest are named.
    fn depths(&self, motion: &Motion, pose: &WorldPose, frame: usize, size: f64) {
        /// Pairs that are named at once.
        const NAMED: usize = 3;
        let mut deep: Vec<_> = motion
            .touches
            .iter()
            .filter_map(|touch| Some((*touch.depths_mm.get(frame)?, touch)))
            .filter(|(mm, _)| *mm > DEPTH_MM * size)
            .collect();
        deep.sort_by(|a, b| b.0.total_cmp(&a.0));
        deep.truncate(NAMED);
        // A part that goes into several others glows once, for the deepest.
        let mut glowing: Vec<[DVec3; 2]> = Vec::new();
        for (mm, touch) in &deep {
            let share = (mm / (8.0 * DEPTH_MM * size)).clamp(0.15, 1.0) as f32;
            // The thinner of the two glows: a whole trunk would hide what happens.
            let [one, other] = touch.rods(pose);
            let (ends, radius_m) = if one.1 <= other.1 { one } else { other };
            if !glowing.contains(&ends) {
                glowing.push(ends);
                self.glow(ends, radius_m, share);
            }
            // The place itself, as large as what is in there.
            let place = touch.meeting_point(pose);
            let around_m = (2.5e-3 * mm).clamp(0.2 * radius_m, 1.2 * radius_m);
            self.glow([place; 2], around_m, share);
        }
        for (mm, touch) in &deep {
            if let Some(at) = self.at(touch.meeting_point(pose)) {
                let depth = millimetres(*mm);
                let text = format!("{} in {}: {depth}", touch.part, touch.other_part);
                let rect = self.label(at + vec2(46.0, -34.0), Align2::LEFT_BOTTOM, text);
                let near = match rect.center().x < at.x {
                    true => rect.right_bottom(),
                    false => rect.left_bottom(),
                };
                let line = Stroke::new(1.5, colour(palette::VERMILLION));
                self.painter.line_segment([at, near], line);
                self.painter
                    .circle_filled(at, 3.0, colour(palette::VERMILLION));
            }
        }
    }

    /// Joints beyond their range and knees that pop: a sign at the joint, and how much.
    fn joint_faults(&self, motion: &Motion, pose: &WorldPose, frame: usize) {
        /// How long a pop is marked from its first frame on, seconds: it is over before an eye has seen it.
        const POP_SECS: f64 = 0.25;
        /// Joints beyond their range that are named at once.
        const NAMED: usize = 3;
        let (Some(report), Some(solved)) = (&motion.report, &self.session.solved) else {
            return;
        };
        let take = self.session.stage.performer.as_ref();
        let take = take.and_then(|actor| actor.motion(false)?.report.as_ref());
        let mark = |words: &str, kind: FaultKind, text: String| {
            let body = &solved.retargeted.body;
            let joint = joint_called(&motion.clip.skeleton, body, words);
            if let Some(at) = joint.and_then(|joint| self.at(pose.position(joint))) {
                let (rgb, sign) = sign(kind);
                sign.draw(&self.painter, at, 7.0, colour(rgb));
                self.label(at + vec2(14.0, -6.0), Align2::LEFT_CENTER, text);
            }
        };
        let beyond = beyond_range(report, take).into_iter();
        let mut beyond: Vec<_> = beyond
            .filter_map(|(joint, limit)| Some((*joint.excess_deg.get(frame)?, joint, limit)))
            .filter(|(excess, _, limit)| excess > limit)
            .collect();
        beyond.sort_by(|a, b| b.0.total_cmp(&a.0));
        for (excess, joint, _) in beyond.into_iter().take(NAMED) {
            let text = format!("{} {excess:.0}° beyond its range", joint.joint);
            mark(&joint.joint, FaultKind::JointLimit, text);
        }
        let held = (POP_SECS / motion.clip.frame_time_secs).round() as usize;
        for knee in &report.knees {
            let frames = |pop: &Pop| pop.first_frame..=pop.last_frame.max(pop.first_frame + held);
            let pop = knee.pops.iter().find(|pop| frames(pop).contains(&frame));
            if let (Some(pop), Some(take_peak)) = (pop, knee.take_peak_rad_per_s2) {
                let times = pop.peak_rad_per_s2 / take_peak.max(STILL_RAD_PER_S2);
                let words = format!("{} knee", knee.leg);
                let text = format!("{words} pops: {times:.1} × the take's");
                mark(&words, FaultKind::KneePop, text);
            }
        }
    }

    fn glow(&self, [from, to]: [DVec3; 2], radius_m: f64, share: f32) {
        let (Some(a), Some(b), Some(scale)) = (
            self.at(from),
            self.at(to),
            self.points_per_m((from + to) * 0.5),
        ) else {
            return;
        };
        let radius = radius_m as f32 * scale;
        // Thin layers over each other: strongest along the middle.
        for layer in 1..=6 {
            let part = layer as f32 / 6.0;
            let shade = faint(palette::VERMILLION, 0.05 + 0.18 * share);
            capsule(&self.painter, a, b, radius * 1.15 * part, shade);
        }
    }
}

/// A rod seen flat: a band with round ends, drawn once so that see-through stays even.
fn capsule(painter: &Painter, a: Pos2, b: Pos2, radius: f32, shade: Color32) {
    let axis = b - a;
    let angle = if axis.length() > 0.0 {
        axis.angle()
    } else {
        0.0
    };
    let half = std::f32::consts::FRAC_PI_2;
    let arc = |centre: Pos2, start: f32| {
        (0..=12).map(move |step| {
            let turn = start + std::f32::consts::PI * step as f32 / 12.0;
            centre + radius * vec2(turn.cos(), turn.sin())
        })
    };
    let outline: Vec<Pos2> = arc(b, angle - half).chain(arc(a, angle + half)).collect();
    painter.add(Shape::convex_polygon(outline, shade, Stroke::NONE));
}

/// The sign of a part of the sole: heel a disc, ball a square, toe a triangle.
pub fn part_sign(painter: &Painter, part: usize, at: Pos2, stands: bool, rgb: Rgb) {
    let radius = if stands { 5.5 } else { 3.5 };
    let edge = match stands {
        true => Stroke::new(1.5, Color32::from_black_alpha(200)),
        false => Stroke::new(1.2, faint(rgb, 0.55)),
    };
    let fill = if stands {
        colour(rgb)
    } else {
        Color32::TRANSPARENT
    };
    let corners: &[[f32; 2]] = match part {
        0 => {
            painter.circle(at, radius, fill, edge);
            return;
        }
        1 => &[[-0.9, -0.9], [0.9, -0.9], [0.9, 0.9], [-0.9, 0.9]],
        _ => &[[0.0, -1.2], [1.1, 0.8], [-1.1, 0.8]],
    };
    let points = corners
        .iter()
        .map(|[x, y]| at + radius * vec2(*x, *y))
        .collect();
    painter.add(Shape::convex_polygon(points, fill, edge));
}

/// Distance along the floor.
fn level(step: DVec3) -> f64 {
    step.x.hypot(step.z)
}

/// The largest distance along the floor from where a way begins, mm.
fn extent_mm(way: &[DVec3]) -> f64 {
    let Some(start) = way.first() else {
        return 0.0;
    };
    let away = way.iter().map(|point| 1000.0 * level(*point - *start));
    away.fold(0.0, f64::max)
}

/// A length without needless digits.
pub fn millimetres(mm: f64) -> String {
    match mm < 10.0 {
        true => format!("{mm:.1} mm"),
        false => format!("{mm:.0} mm"),
    }
}

fn kept_within(rect: Rect, outer: Rect) -> Rect {
    let right = (outer.right() - rect.right()).min(0.0);
    let down = (outer.bottom() - rect.bottom()).min(0.0);
    let rect = rect.translate(vec2(right, down));
    let left = (outer.left() - rect.left()).max(0.0);
    let up = (outer.top() - rect.top()).max(0.0);
    rect.translate(vec2(left, up))
}

/// Where a sign of the legend stands.
pub fn sign_place(rect: Rect) -> Pos2 {
    pos2(rect.left() + 9.0, rect.center().y)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_way_there_and_back_counts_its_farthest_point() {
        let way = [
            DVec3::ZERO,
            DVec3::new(0.003, 0.5, 0.004),
            DVec3::new(0.001, 0.0, 0.0),
        ];
        assert!((extent_mm(&way) - 5.0).abs() < 1e-12);
        assert_eq!(extent_mm(&[]), 0.0);
    }

    #[test]
    fn labels_stay_in_the_picture() {
        let outer = Rect::from_min_max(pos2(0.0, 0.0), pos2(100.0, 50.0));
        let label = Rect::from_min_size(pos2(90.0, -20.0), vec2(30.0, 10.0));
        assert!(outer.contains_rect(kept_within(label, outer)));
    }

    #[test]
    fn lengths_have_no_needless_digits() {
        assert_eq!(millimetres(0.456), "0.5 mm");
        assert_eq!(millimetres(123.4), "123 mm");
    }
}
