//! The question before changes that are not saved would be lost.

use bevy_egui::egui;
use egui::{Align2, Context, Label, RichText, Window};

use super::theme::button;
use crate::state::command::Command;
use crate::state::leaving::Leaving;
use crate::state::session::Session;

/// Draws the question.
pub fn show(context: &Context, session: &Session, leaving: &Leaving, out: &mut Vec<Command>) {
    Window::new("Changes that are not saved")
        .anchor(Align2::CENTER_CENTER, [0.0, -40.0])
        .collapsible(false)
        .resizable(false)
        .default_width(380.0)
        .show(context, |ui| {
            ui.add(Label::new(RichText::new(session.document.title()).strong()).truncate());
            ui.label(leaving.question());
            ui.add_space(8.0);
            ui.horizontal(|ui| {
                for (text, hint, command) in [
                    ("Save them", "Write the scene first", Command::SaveAndLeave),
                    ("Do not save", "The changes are lost", Command::LeaveUnsaved),
                    ("Stay", "Go on with what is open (Esc)", Command::Stay),
                ] {
                    button(ui, text, hint, command, out);
                }
            });
        });
}
