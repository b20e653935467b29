//! What the signs and colours over the bodies mean.

use bevy_egui::egui;
use egui::{Align2, Color32, FontId, Pos2, Rect, Stroke, Ui, vec2};
use understudy_anatomy::Side;
use understudy_measure::FaultKind;

use super::chosen;
use super::faults;
use super::marks::{part_sign, sign_place};
use super::theme::{colour, faint};
use super::views::plate;
use crate::state::palette;
use crate::state::session::Session;

const ROW: f32 = 17.0;

/// A line of the legend: how its sign is drawn, and what it means.
type Line = (fn(&egui::Painter, Pos2), &'static str);

const CONTACTS: [Line; 6] = [
    (
        |p, at| part_sign(p, 0, at, true, palette::MIDDLE),
        "heel stands",
    ),
    (
        |p, at| part_sign(p, 1, at, true, palette::MIDDLE),
        "ball stands",
    ),
    (
        |p, at| part_sign(p, 2, at, true, palette::MIDDLE),
        "toe stands",
    ),
    (
        |p, at| super::pins::sign(p, at + vec2(0.0, 6.0), 10.0, colour(palette::MIDDLE)),
        "pinned there",
    ),
    (|p, at| side_sign(p, at, Side::Left), "left side"),
    (|p, at| side_sign(p, at, Side::Right), "right side"),
];

const CHOSEN: [Line; 2] = [
    (|p, at| chosen::small_sign(p, at, false), "chosen joint"),
    (
        |p, at| chosen::small_sign(p, at, true),
        "joint of the same role",
    ),
];

const CHAIN: [Line; 2] = [
    (|p, at| chosen::chain_sign(p, at, false), "chosen chain"),
    (|p, at| chosen::chain_sign(p, at, true), "the same chain"),
];

const FAULTS: [Line; 6] = [
    (slide_sign, "slide: wider is faster"),
    (
        |p, at| arrow_sign(p, at, palette::PURPLE, 1.0),
        "sinks into the floor",
    ),
    (
        |p, at| arrow_sign(p, at, palette::SKY, -1.0),
        "floats above it",
    ),
    (
        |p, at| {
            p.circle_filled(at, 7.0, faint(palette::VERMILLION, 0.5));
            p.circle_filled(at, 3.0, colour(palette::VERMILLION));
        },
        "goes into another part",
    ),
    (
        |p, at| fault_sign(p, at, FaultKind::JointLimit),
        "joint beyond its range",
    ),
    (|p, at| fault_sign(p, at, FaultKind::KneePop), "knee pops"),
];

/// The lines that tell what is to be seen now.
fn lines(session: &Session) -> Vec<Line> {
    let mut lines: Vec<Line> = Vec::new();
    if session.joint.is_some() {
        lines.extend(CHOSEN);
    }
    if session.chain.is_some() {
        lines.extend(CHAIN);
    }
    if session.solved.is_some() {
        if session.view.contacts {
            lines.extend(CONTACTS);
        }
        if session.view.faults {
            lines.extend(FAULTS);
        }
    }
    lines
}

/// Where the legend stands in the lower right corner of a view; `None` where there is nothing to tell or no
/// room for it.
pub fn place(session: &Session, view: Rect) -> Option<Rect> {
    let count = lines(session).len();
    let size = vec2(166.0, count as f32 * ROW + 10.0);
    let has_room = size.y <= 0.6 * view.height() && view.width() >= 300.0;
    let corner = view.right_bottom() - vec2(10.0, 10.0);
    (count > 0 && has_room).then(|| Align2::RIGHT_BOTTOM.anchor_size(corner, size))
}

/// Draws the legend in its place in a view.
pub fn show(ui: &Ui, session: &Session, view: Rect, rect: Rect) {
    let painter = ui.painter_at(view);
    painter.rect_filled(rect, 5.0, plate(ui));
    for (at, (sign, words)) in lines(session).into_iter().enumerate() {
        let top = rect.min + vec2(6.0, 5.0 + at as f32 * ROW);
        let row = Rect::from_min_size(top, vec2(rect.width() - 12.0, ROW));
        sign(&painter, sign_place(row));
        painter.text(
            row.left_center() + vec2(24.0, 0.0),
            Align2::LEFT_CENTER,
            words,
            FontId::proportional(11.5),
            ui.visuals().text_color(),
        );
    }
}

fn side_sign(painter: &egui::Painter, at: Pos2, side: Side) {
    painter.rect_filled(
        Rect::from_center_size(at, vec2(12.0, 8.0)),
        2.0,
        colour(palette::side(side)),
    );
    let letter = if side == Side::Left { "L" } else { "R" };
    painter.text(
        at,
        Align2::CENTER_CENTER,
        letter,
        FontId::proportional(8.5),
        Color32::BLACK,
    );
}

fn fault_sign(painter: &egui::Painter, at: Pos2, kind: FaultKind) {
    let (rgb, sign) = faults::sign(kind);
    sign.draw(painter, at, 6.0, colour(rgb));
}

fn slide_sign(painter: &egui::Painter, at: Pos2) {
    for (step, share) in [0.0, 0.5, 1.0].into_iter().enumerate() {
        let left = at + vec2(-9.0 + 6.0 * step as f32, 0.0);
        let shade = palette::between(palette::YELLOW, palette::VERMILLION, share);
        let width = 2.0 + 5.0 * share as f32;
        painter.line_segment(
            [left, left + vec2(6.0, 0.0)],
            Stroke::new(width, colour(shade)),
        );
    }
}

fn arrow_sign(painter: &egui::Painter, at: Pos2, rgb: palette::Rgb, down: f32) {
    let from = at - vec2(0.0, 6.0 * down);
    painter.arrow(from, vec2(0.0, 12.0 * down), Stroke::new(2.0, colour(rgb)));
}
