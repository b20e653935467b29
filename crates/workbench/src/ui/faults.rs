//! Faults, worst first, by kind; a click goes there.

use bevy_egui::egui;
use egui::text::{LayoutJob, TextWrapping};
use egui::{
    Align2, Button, Color32, Key, Painter, Pos2, RichText, ScrollArea, Sense, Shape, Stroke,
    TextEdit, Ui, vec2,
};
use understudy_measure::{Fault, FaultKind};
use understudy_solver::Settings;

use super::Memory;
use super::theme::{button, caption, colour};
use super::tune::{KEEP_APART, KEEP_IN_RANGE, KEEP_TOUCHES, PLANT_FEET, Switch};
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
        FaultKind::Touch => (palette::SKY, Sign::Ring),
        FaultKind::Penetration => (palette::VERMILLION, Sign::Disc),
        FaultKind::JointLimit => (palette::PURPLE, Sign::Diamond),
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
pub fn show(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
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
        ui.label(RichText::new(counted(session.open_faults())).strong());
        ui.label(caption(match faults.len() - session.open_faults() {
            0 => version.to_owned(),
            accepted => format!("{version} · {accepted} accepted"),
        }));
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
                ui.horizontal(|ui| {
                    let count = own.clone().count();
                    ui.label(caption(format!("{} · {count}", kind.words())));
                    let settings = &session.document.choices.settings;
                    let remedy = remedy(kind, settings).filter(|_| !session.view.before);
                    if let Some((switch, with)) = remedy {
                        let tune = Command::Tune {
                            name: switch.change,
                            settings: Box::new(with),
                            goes_on: false,
                        };
                        let hint = format!("{} Also under Tune", switch.help);
                        button(ui, switch.word, &hint, tune, out);
                    }
                });
                for (index, fault) in by_part(own.collect()) {
                    let is_chosen = session.fault == Some(index);
                    let accepted = session.accepted(fault);
                    entry(ui, is_chosen, index, (fault, accepted), out);
                    if is_chosen {
                        acceptance(ui, index, accepted, memory, out);
                    }
                }
            }
        });
}

/// What would mend faults of a kind, and the settings with it, where it is not on already.
fn remedy(kind: FaultKind, settings: &Settings) -> Option<(&'static Switch, Settings)> {
    let switches: &[&'static Switch] = match kind {
        FaultKind::FootSlide | FaultKind::Sinking | FaultKind::Floating => &[&PLANT_FEET],
        // Parts are kept apart where touches are kept.
        FaultKind::Penetration => &[&KEEP_APART, &KEEP_TOUCHES],
        FaultKind::Touch => &[&KEEP_TOUCHES],
        FaultKind::JointLimit => &[&KEEP_IN_RANGE],
        FaultKind::NoContacts
        | FaultKind::KneePop
        | FaultKind::TimingShift
        | FaultKind::PelvisTilt
        | FaultKind::LimbDirection => &[],
    };
    let mut with = settings.clone();
    for switch in switches {
        *(switch.place)(&mut with) = true;
    }
    let first = switches.first()?;
    (with != *settings).then_some((*first, with))
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

/// Faults of one part of the body after each other, the part with the worst first.
fn by_part(faults: Vec<(usize, &Fault)>) -> Vec<(usize, &Fault)> {
    let mut parts: Vec<&str> = Vec::new();
    for (_, fault) in &faults {
        if !parts.contains(&fault.part.as_str()) {
            parts.push(&fault.part);
        }
    }
    let of_part = |part: &&str| {
        let own = faults.iter().filter(|(_, fault)| fault.part == **part);
        own.copied().collect::<Vec<_>>()
    };
    parts.iter().flat_map(of_part).collect()
}

fn counted(count: usize) -> String {
    match count {
        0 => "No faults".to_owned(),
        1 => "1 fault".to_owned(),
        _ => format!("{count} faults"),
    }
}

/// Below the chosen fault: why it may stay, or that it may not after all.
fn acceptance(
    ui: &mut Ui,
    index: usize,
    accepted: Option<&str>,
    memory: &mut Memory,
    out: &mut Vec<Command>,
) {
    ui.horizontal(|ui| {
        if accepted.is_some() {
            let hint = "This is a fault again";
            button(ui, "take back", hint, Command::UnacceptFault(index), out);
            return;
        }
        let field = TextEdit::singleline(&mut memory.why)
            .hint_text("why it may stay")
            .desired_width(ui.available_width() - 70.0);
        let is_entered = ui.add(field).lost_focus() && ui.input(|i| i.key_pressed(Key::Enter));
        let can_accept = !memory.why.trim().is_empty();
        let accept = ui.add_enabled(can_accept, Button::new("accept"));
        let accept = accept.on_hover_text("It stays in the list, but does not count any more");
        if can_accept && (is_entered || accept.clicked()) {
            let why = std::mem::take(&mut memory.why);
            out.push(Command::AcceptFault { fault: index, why });
        }
    });
}

fn entry(
    ui: &mut Ui,
    is_chosen: bool,
    index: usize,
    (fault, accepted): (&Fault, Option<&str>),
    out: &mut Vec<Command>,
) {
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
    let weak = visuals.weak_text_color();
    let text = match accepted {
        Some(_) => weak,
        None => visuals.text_color(),
    };
    let below = match accepted {
        Some(why) => format!("accepted: {why}"),
        None => frames,
    };
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 4.0, fill);
    let (rgb, shape) = sign(fault.kind);
    let shade = match accepted {
        Some(_) => weak,
        None => colour(rgb),
    };
    shape.draw(&painter, rect.left_center() + vec2(16.0, 0.0), 6.0, shade);
    let left = rect.left_center() + vec2(34.0, 0.0);
    let font = egui::FontId::proportional;
    let right = rect.right_center() - vec2(10.0, 0.0);
    let amount = painter.text(right, Align2::RIGHT_CENTER, amount(fault), font(14.0), text);
    // Long names of parts end before the amount, the whole of them is told where the pointer rests.
    let room = amount.left() - 6.0 - left.x;
    for (words, size, shade, down) in [(&fault.part, 13.0, text, -8.0), (&below, 11.0, weak, 8.0)] {
        let mut job = LayoutJob::simple_singleline(words.clone(), font(size), shade);
        job.wrap = TextWrapping::truncate_at_width(room);
        let line = painter.layout_job(job);
        let top = down - line.size().y / 2.0;
        painter.galley(left + vec2(0.0, top), line, shade);
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// What is offered is off, and is not offered again once it is on.
    #[test]
    fn what_would_mend_a_fault_is_offered_where_it_is_off() {
        let usual = Settings::default();
        let (_, kept) =
            remedy(FaultKind::Penetration, &usual).expect("parts go through by default");
        assert!(kept.touches.keep_out);
        assert!(remedy(FaultKind::Penetration, &kept).is_none());
        for kind in [
            FaultKind::FootSlide,
            FaultKind::Touch,
            FaultKind::JointLimit,
        ] {
            assert!(remedy(kind, &usual).is_none(), "{kind:?}");
        }
        let mut off = usual.clone();
        off.plants.enabled = false;
        off.touches.enabled = false;
        off.limits.enabled = false;
        let (_, on) = remedy(FaultKind::Sinking, &off).expect("feet are not planted");
        assert!(on.plants.enabled && !on.touches.enabled);
        let (_, on) = remedy(FaultKind::Touch, &off).expect("touches are not kept");
        assert!(on.touches.enabled && !on.touches.keep_out);
        let (_, on) = remedy(FaultKind::JointLimit, &off).expect("joints go anywhere");
        assert!(on.limits.enabled);
    }

    #[test]
    fn faults_of_a_part_stand_together_the_worst_first() {
        let fault = |part: &str| Fault {
            kind: FaultKind::FootSlide,
            part: part.to_owned(),
            first_frame: 0,
            last_frame: 0,
            amount: 1.0,
            unit: "mm",
            limit: 0.5,
            text: String::new(),
        };
        let all = ["right foot", "left foot", "right foot", "left foot"].map(fault);
        let order = by_part(all.iter().enumerate().collect());
        let order: Vec<usize> = order.into_iter().map(|(index, _)| index).collect();
        assert_eq!(order, [0, 2, 1, 3]);
    }
}
