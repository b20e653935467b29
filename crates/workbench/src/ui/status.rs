//! The line at the bottom: what is being done, what came of it.

use bevy_egui::egui;
use egui::{Align, Layout, ProgressBar, RichText, Ui};

use super::theme::{button, caption, colour};
use crate::state::command::Command;
use crate::state::palette;
use crate::state::session::Session;

/// Room that the hint needs, points.
const HINT: f32 = 320.0;

/// Draws the line.
pub fn show(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    ui.horizontal(|ui| {
        ui.set_min_height(20.0);
        if let (Some(unsaved), None) = (&session.unsaved, session.progress()) {
            ui.label("The last session ended early; its work was kept.");
            if ui.button("Open it").clicked() {
                out.push(Command::OpenUnsaved);
            }
            if ui
                .button("Leave it")
                .on_hover_text(unsaved.display().to_string())
                .clicked()
            {
                out.push(Command::ForgetUnsaved);
            }
            ui.separator();
        }
        if let Some(progress) = session.progress() {
            let percent = format!("{:.0} %", 100.0 * progress.share);
            let bar = ProgressBar::new(progress.share as f32).desired_width(120.0);
            ui.add(bar.text(percent))
                .on_hover_text(format!("{:.0} s so far", progress.secs));
            let left = progress
                .left()
                .map_or(String::new(), |left| format!(" · {left}"));
            ui.label(format!("{}{left}", progress.words));
            button(
                ui,
                "Stop",
                "Stop, and leave the session as it is",
                Command::StopJob,
                out,
            );
        } else if is_left_behind(session) {
            ui.label(RichText::new("⚠").color(colour(palette::ORANGE)));
            ui.label("The clip does not show the last change yet.");
            button(
                ui,
                "Carry over",
                "Carry the take over with what is chosen now",
                Command::CarryOver,
                out,
            );
        } else if let Some(notice) = &session.notice {
            let (sign, sign_colour) = match notice.is_failure {
                true => ("⚠", palette::VERMILLION),
                false => ("✔", palette::GREEN),
            };
            ui.label(RichText::new(sign).color(colour(sign_colour)));
            button(ui, "Close", "Close this message", Command::CloseNotice, out);
            ui.add(egui::Label::new(&notice.text).truncate())
                .on_hover_text(&notice.text);
        } else {
            ui.label(caption(summary(session)));
        }
        if ui.available_width() < HINT {
            return;
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            ui.label(caption(
                "drag: turn · right drag: move · wheel: nearer · F1: actions",
            ));
        });
    });
}

/// Whether the clip does not show the last change and nothing is being done about it; a failure says
/// why, and comes first.
fn is_left_behind(session: &Session) -> bool {
    let has_failed = session
        .notice
        .as_ref()
        .is_some_and(|notice| notice.is_failure);
    session.solved.is_some() && session.is_behind() && !has_failed
}

fn summary(session: &Session) -> String {
    let Some(solved) = &session.solved else {
        return match session.document.pair() {
            Some(_) => "not carried over yet".to_owned(),
            None => "open a take and a character, or drop their files here".to_owned(),
        };
    };
    let (plain, done) = (&solved.comparison.plain, &solved.comparison.solved);
    format!(
        "worst slide of a planted foot: {:.1} mm before, {:.2} mm after · {} faults before, {} after",
        plain.slide.worst_mm_per_plant,
        done.slide.worst_mm_per_plant,
        session.plain_fault_count(),
        solved.comparison.faults.len(),
    )
}
