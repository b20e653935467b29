//! Faults, worst first, by kind; a click goes there.

use bevy_egui::egui;
use egui::{Align2, Color32, Painter, Pos2, RichText, ScrollArea, Sense, Shape, Stroke, Ui, vec2};
use understudy_measure::{Fault, FaultKind};

use super::theme::{button, caption, colour};
use crate::state::command::Command;
use crate::state::palette::{self, Rgb};
use crate::state::session::Session;

/// The shape that stands for a kind of fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    /// Feet on the floor.
    Bar,
    /// Above or below the floor.
    Down,
    /// Jerks.
    Zigzag,
    /// Time.
    Ring,
    /// Turned the wrong way.
    Diamond,
    /// One in the other.
    Disc,
}

/// Colour and shape of a kind.
pub fn sign(kind: FaultKind) -> (Rgb, Sign) {
    match kind {
        FaultKind::NoContacts => (palette::VERMILLION, Sign::Ring),
        FaultKind::FootSlide => (palette::YELLOW, Sign::Bar),
        FaultKind::Sinking => (palette::PURPLE, Sign::Down),
        FaultKind::Floating => (palette::SKY, Sign::Down),
        FaultKind::KneePop => (palette::ORANGE, Sign::Zigzag),
        FaultKind::TimingShift => (palette::GREEN, Sign::Ring),
        FaultKind::PelvisTilt | FaultKind::LimbDirection => (palette::GREEN, Sign::Diamond),
        FaultKind::Penetration => (palette::VERMILLION, Sign::Disc),
        FaultKind::JointLimit => (palette::PURPLE, Sign::Diamond),
        #[allow(unreachable_patterns)]
        _ => (palette::MIDDLE, Sign::Diamond),
    }
}

impl Sign {
    /// Draws the shape.
    pub fn draw(self, painter: &Painter, at: Pos2, radius: f32, shade: Color32) {
        let edge = Stroke::new(1.0, Color32::from_black_alpha(160));
        let polygon = |corners: &[[f32; 2]]| {
            let points = corners
                .iter()
                .map(|[x, y]| at + radius * vec2(*x, *y))
                .collect();
            painter.add(Shape::convex_polygon(points, shade, edge));
        };
        match self {
            Self::Bar => polygon(&[[-1.2, -0.45], [1.2, -0.45], [1.2, 0.45], [-1.2, 0.45]]),
            Self::Down => polygon(&[[-1.0, -0.8], [1.0, -0.8], [0.0, 1.0]]),
            Self::Diamond => polygon(&[[0.0, -1.1], [1.1, 0.0], [0.0, 1.1], [-1.1, 0.0]]),
            Self::Disc => {
                painter.circle(at, radius, shade, edge);
            }
            Self::Ring => {
                painter.circle_stroke(at, radius * 0.9, Stroke::new(2.0, shade));
            }
            Self::Zigzag => {
                let corners = [[-1.2, 0.6], [-0.4, -0.8], [0.4, 0.8], [1.2, -0.6]];
                let points = corners.map(|[x, y]| at + radius * vec2(x, y)).to_vec();
                painter.add(Shape::line(points, Stroke::new(2.0, shade)));
            }
        }
    }
}

/// Draws the list.
pub fn show(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let faults = session.faults();
    if session.solved.is_none() {
        ui.label(caption(
            "Faults are found when a take has been carried onto a character.",
        ));
        return;
    }
    let version = match session.view.before {
        true => "before feet are planted",
        false => "after feet are planted",
    };
    ui.horizontal(|ui| {
        ui.label(RichText::new(counted(faults.len())).strong());
        ui.label(caption(version));
    });
    ui.horizontal(|ui| {
        button(
            ui,
            "previous",
            "Go to the fault before",
            Command::StepFault(-1),
            out,
        );
        button(
            ui,
            "next",
            "Go to the next fault",
            Command::StepFault(1),
            out,
        );
        let (word, hint) = match session.view.before {
            true => ("see after", "The character after feet are planted"),
            false => ("see before", "The character before feet are planted"),
        };
        button(ui, word, hint, Command::ToggleBefore, out);
    });
    ui.separator();
    if faults.is_empty() {
        ui.label("Nothing is beyond its limit.");
        return;
    }
    ScrollArea::vertical()
        .auto_shrink([false, false])
        .show(ui, |ui| {
            for kind in kinds(faults) {
                let own = faults
                    .iter()
                    .enumerate()
                    .filter(|(_, fault)| fault.kind == kind);
                ui.add_space(3.0);
                ui.label(caption(format!(
                    "{} · {}",
                    kind.words(),
                    own.clone().count()
                )));
                for (index, fault) in own {
                    entry(ui, session.fault == Some(index), index, fault, out);
                }
            }
        });
}

/// Kinds in the order of their worst fault.
fn kinds(faults: &[Fault]) -> Vec<FaultKind> {
    let mut kinds = Vec::new();
    for fault in faults {
        if !kinds.contains(&fault.kind) {
            kinds.push(fault.kind);
        }
    }
    kinds
}

fn counted(count: usize) -> String {
    match count {
        0 => "No faults".to_owned(),
        1 => "1 fault".to_owned(),
        _ => format!("{count} faults"),
    }
}

fn entry(ui: &mut Ui, is_chosen: bool, index: usize, fault: &Fault, out: &mut Vec<Command>) {
    let width = ui.available_width();
    let frames = match fault.first_frame == fault.last_frame {
        true => format!("frame {}", fault.first_frame),
        false => format!("frames {} to {}", fault.first_frame, fault.last_frame),
    };
    let (rect, response) = ui.allocate_exact_size(vec2(width, 36.0), Sense::click());
    let visuals = ui.visuals();
    let fill = match (is_chosen, response.hovered()) {
        (true, _) => visuals.selection.bg_fill,
        (false, true) => visuals.widgets.hovered.bg_fill,
        (false, false) => visuals.faint_bg_color,
    };
    let (text, weak) = (visuals.text_color(), visuals.weak_text_color());
    let painter = ui.painter();
    painter.rect_filled(rect, 4.0, fill);
    let (rgb, shape) = sign(fault.kind);
    shape.draw(
        painter,
        rect.left_center() + vec2(16.0, 0.0),
        6.0,
        colour(rgb),
    );
    let left = rect.left_center() + vec2(34.0, 0.0);
    let font = egui::FontId::proportional;
    painter.text(
        left - vec2(0.0, 8.0),
        Align2::LEFT_CENTER,
        &fault.part,
        font(13.0),
        text,
    );
    painter.text(
        left + vec2(0.0, 8.0),
        Align2::LEFT_CENTER,
        frames,
        font(11.0),
        weak,
    );
    let right = rect.right_center() - vec2(10.0, 0.0);
    painter.text(right, Align2::RIGHT_CENTER, amount(fault), font(14.0), text);
    if response.clicked() {
        out.push(Command::GoToFault(index));
    }
    response.on_hover_text(&fault.text);
}

/// How much, in few characters.
fn amount(fault: &Fault) -> String {
    let value = match fault.amount < 10.0 {
        true => format!("{:.1}", fault.amount),
        false => format!("{:.0}", fault.amount),
    };
    let unit = match fault.unit {
        "degrees" => "°".to_owned(),
        "times the take's peak" => " ×".to_owned(),
        unit => format!(" {unit}"),
    };
    value + &unit
}
