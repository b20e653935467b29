//! The panel at the side: faults, map or settings.

use bevy_egui::egui;
use egui::Ui;

use super::theme::toggle;
use super::{Memory, faults, map, presets, tune};
use crate::state::command::{Command, SidePanel};
use crate::state::session::Session;

/// Draws the panel.
pub fn show(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    let faults_word = match session.open_faults() {
        0 => "Faults".to_owned(),
        count => format!("Faults {count}"),
    };
    ui.horizontal(|ui| {
        for (panel, word, hint) in [
            (
                SidePanel::Faults,
                faults_word.as_str(),
                "What is wrong, worst first",
            ),
            (SidePanel::Map, "Map", "Which joint is what"),
            (SidePanel::Tune, "Tune", "Everything that can be set"),
            (
                SidePanel::Presets,
                "Presets",
                "Settings that are kept by name, and compared",
            ),
        ] {
            toggle(
                ui,
                session.panel == panel,
                word,
                hint,
                Command::SetPanel(panel),
                out,
            );
        }
    });
    ui.add_space(4.0);
    match session.panel {
        SidePanel::Faults => faults::show(ui, session, memory, out),
        SidePanel::Map => map::show(ui, session, memory, out),
        SidePanel::Tune => tune::show(ui, session, out),
        SidePanel::Presets => presets::show(ui, session, memory, out),
    }
}
