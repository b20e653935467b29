//! Presets: settings kept by name, applied, compared; and the measures of A and B side by side.

use bevy_egui::egui;
use egui::{Align, Grid, Layout, RichText, ScrollArea, TextEdit, Ui};

use super::Memory;
use super::theme::{button, caption, colour};
use super::tune::heading;
use crate::state::command::Command;
use crate::state::other::Line;
use crate::state::palette;
use crate::state::presets::{Preset, PresetId, Shelf};
use crate::state::session::Session;

/// Draws the panel.
pub fn show(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    ScrollArea::vertical()
        .auto_shrink([false, false])
        .show(ui, |ui| {
            comparison(ui, session, out);
            heading(ui, "Keep the settings as they are");
            save(ui, session, memory, out);
            heading(ui, "Presets");
            entry(
                ui,
                session,
                &PresetId::Standard,
                "as a new scene has them",
                out,
            );
            for preset in &session.presets.all {
                let place = match preset.shelf {
                    Shelf::Own => "your own",
                    Shelf::Scene => "beside the scene",
                };
                let id = PresetId::File(preset.path.clone());
                entry(ui, session, &id, place, out);
                deletion(ui, preset, memory, out);
            }
            if session.presets.all.is_empty() {
                ui.label(caption(
                    "None of your own yet: tune, then keep the settings above.",
                ));
            }
        });
}

/// A name, and where to keep it.
fn save(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    let field = TextEdit::singleline(&mut memory.preset_name)
        .hint_text("name of the preset")
        .desired_width(f32::INFINITY);
    ui.add(field);
    ui.horizontal_wrapped(|ui| {
        for (shelf, text, hint) in [
            (
                Shelf::Own,
                "Save as preset",
                "Keep it in your own folder, for all scenes.",
            ),
            (
                Shelf::Scene,
                "Save beside the scene",
                "Keep it in the folder of the open scene, for all who work on the shot.",
            ),
        ] {
            let scene = session.document.path.as_deref();
            let file = session.presets.file(&memory.preset_name, shelf, scene);
            let is_there = |file| session.presets.all.iter().any(|known| known.path == file);
            let text = match file.clone().is_ok_and(is_there) {
                true => format!("{} (replace)", text),
                false => text.to_owned(),
            };
            let hint = match &file {
                Ok(file) => format!("{hint} {}", file.display()),
                Err(problem) => problem.clone(),
            };
            let press = ui.add_enabled(file.is_ok(), egui::Button::new(text));
            if press
                .on_hover_text(&hint)
                .on_disabled_hover_text(&hint)
                .clicked()
            {
                let name = std::mem::take(&mut memory.preset_name);
                out.push(Command::SavePreset(name, shelf));
            }
        }
    });
    ui.label(caption(
        "A preset is a settings file; understudy retarget --settings reads it too.",
    ));
}

fn entry(ui: &mut Ui, session: &Session, id: &PresetId, place: &str, out: &mut Vec<Command>) {
    ui.horizontal(|ui| {
        let file = match id {
            PresetId::Standard => place.to_owned(),
            PresetId::File(path) => path.display().to_string(),
        };
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            button(
                ui,
                "Compare",
                "Show the character with these settings as B, beside A",
                Command::Compare(Some(id.clone())),
                out,
            );
            ui.add_enabled_ui(session.document.pair().is_some(), |ui| {
                button(
                    ui,
                    "Apply",
                    "Set everything as it is here; Undo takes it back",
                    Command::ApplyPreset(id.clone()),
                    out,
                );
            });
            ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                ui.add(egui::Label::new(id.name()).truncate())
                    .on_hover_text(file);
            });
        });
    });
}

/// Where a preset is kept, and its end, asked for twice.
fn deletion(ui: &mut Ui, preset: &Preset, memory: &mut Memory, out: &mut Vec<Command>) {
    let place = match preset.shelf {
        Shelf::Own => "your own",
        Shelf::Scene => "beside the scene",
    };
    let is_asked = memory.deleting.as_ref() == Some(&preset.path);
    ui.horizontal(|ui| match is_asked {
        false => {
            ui.label(caption(place));
            if ui
                .add(egui::Button::new("Delete …").small())
                .on_hover_text("Delete the file of this preset")
                .clicked()
            {
                memory.deleting = Some(preset.path.clone());
            }
        }
        true => {
            ui.label(format!(
                "⚠ Delete {}? Undo does not bring it back.",
                preset.name
            ));
        }
    });
    if is_asked {
        ui.horizontal(|ui| {
            if ui.button("Delete it").clicked() {
                memory.deleting = None;
                out.push(Command::DeletePreset(preset.path.clone()));
            }
            if ui.button("Keep it").clicked() {
                memory.deleting = None;
            }
        });
    }
}

fn comparison(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let Some(other) = &session.other else {
        return;
    };
    heading(ui, "A and B");
    ui.label("A  settings as they are");
    ui.label(format!("B  {}", other.name));
    if !other.left_out.is_empty() {
        let text = format!(
            "⚠ left out of B, because it does not fit {}: {}",
            session.character_name(),
            other.left_out.join("; ")
        );
        ui.label(RichText::new(text).color(colour(palette::VERMILLION)));
    }
    ui.add_space(4.0);
    match (session.comparison(), &other.problem) {
        (_, Some(problem)) => {
            ui.label(RichText::new(format!("⚠ {problem}")).color(colour(palette::VERMILLION)));
        }
        (Some(lines), None) => table(ui, &lines),
        (None, None) => {
            ui.label(caption("The take is being carried over …"));
        }
    }
    ui.add_space(6.0);
    ui.horizontal(|ui| {
        button(
            ui,
            "Take B",
            "Go on with the settings of B; Undo brings A back",
            Command::TakeOther,
            out,
        );
        button(
            ui,
            "End",
            "Go on with A, and compare no more",
            Command::Compare(None),
            out,
        );
    });
    ui.add_space(4.0);
    ui.separator();
}

fn table(ui: &mut Ui, lines: &[Line]) {
    Grid::new("A and B")
        .num_columns(4)
        .striped(true)
        .show(ui, |ui| {
            for text in ["", "", "A", "B"] {
                ui.label(RichText::new(text).strong());
            }
            ui.end_row();
            for line in lines {
                ui.label(line.name).on_hover_text(line.help);
                ui.label(caption(line.unit));
                for (at, text) in line.texts.iter().enumerate() {
                    let text = match line.better == Some(at) {
                        true => RichText::new(format!("✔ {text}")).strong(),
                        false => RichText::new(format!("    {text}")),
                    };
                    ui.label(text).on_hover_text(line.help);
                }
                ui.end_row();
            }
        });
    ui.label(caption("✔ the better of the two, where they differ"));
}
