//! The bar at the top: what is open, and how it is seen.

use std::path::PathBuf;

use bevy_egui::egui;
use egui::{Align, Layout, RichText, ScrollArea, Ui};

use super::theme::{button, toggle};
use crate::state::camera::Angle;
use crate::state::command::{Command, Dialog};
use crate::state::document::short;
use crate::state::session::Session;
use crate::state::view::{Arrangement, Show};

/// Draws the bar.
pub fn show(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    ui.horizontal(|ui| {
        files(ui, session, out);
        ui.separator();
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let theme = if session.view.dark { "Light" } else { "Dark" };
            button(
                ui,
                theme,
                "Change between dark and light",
                Command::ToggleDark,
                out,
            );
            button(
                ui,
                "Actions",
                "All actions and their keys, to search",
                Command::ToggleActions,
                out,
            );
            ui.menu_button("Panels", |ui| super::dock::menu(ui, session, out));
            steps(ui, session, out);
            // What is left of the line is the title's.
            ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                let title = RichText::new(session.document.title()).strong();
                ui.add(egui::Label::new(title).truncate());
            });
        });
    });
    ui.add_space(2.0);
    ui.horizontal_wrapped(|ui| {
        for arrangement in Arrangement::ALL {
            let on = session.view.arrangement == arrangement;
            let hint = "How the bodies share the space";
            toggle(
                ui,
                on,
                arrangement.word(),
                hint,
                Command::SetArrangement(arrangement),
                out,
            );
        }
        ui.separator();
        for show in Show::ALL {
            let on = session.view.show == show;
            toggle(
                ui,
                on,
                show.word(),
                "What is drawn of the bodies",
                Command::SetShow(show),
                out,
            );
        }
        ui.separator();
        for angle in Angle::ALL {
            let hint = "Look from here";
            button(ui, angle.word(), hint, Command::LookFrom(angle), out);
        }
        let view = &session.view;
        toggle(
            ui,
            view.follow,
            "go along",
            "Cameras go along with the bodies",
            Command::ToggleFollow,
            out,
        );
        toggle(
            ui,
            view.linked,
            "linked",
            "Both cameras move as one",
            Command::ToggleLinked,
            out,
        );
        ui.separator();
        let before = if view.before {
            "before planting"
        } else {
            "after planting"
        };
        toggle(
            ui,
            view.before,
            before,
            "The character before feet are planted, or after",
            Command::ToggleBefore,
            out,
        );
    });
}

fn files(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    ui.menu_button("Open", |ui| {
        button(
            ui,
            "Scene …",
            "Take, character and settings in one file",
            Command::Ask(Dialog::OpenScene),
            out,
        );
        button(
            ui,
            "Take …",
            "A performer's motion",
            Command::Ask(Dialog::OpenTake),
            out,
        );
        button(
            ui,
            "Character …",
            "The body that is to move",
            Command::Ask(Dialog::OpenCharacter),
            out,
        );
        ui.separator();
        ui.menu_button("Recent", |ui| {
            let recent = session.preferences.recent.iter();
            files_to_open(ui, recent.map(|files| files.as_slice()), out);
        });
        ui.menu_button("Demo scenes", |ui| {
            files_to_open(ui, session.demos.iter().map(std::slice::from_ref), out);
        });
    });
    button(
        ui,
        "Save",
        "Keep take, character and settings as a scene",
        Command::Ask(Dialog::SaveScene),
        out,
    );
    ui.add_enabled_ui(session.solved.is_some(), |ui| {
        button(
            ui,
            "Export",
            "Write the character's clip and its report",
            Command::ToggleExport,
            out,
        );
    });
}

/// One line for each scene, or each take with its character.
fn files_to_open<'a>(
    ui: &mut Ui,
    all: impl Iterator<Item = &'a [PathBuf]>,
    out: &mut Vec<Command>,
) {
    let mut is_empty = true;
    ScrollArea::vertical().max_height(420.0).show(ui, |ui| {
        for files in all {
            is_empty = false;
            let names: Vec<String> = files.iter().map(|file| short(file)).collect();
            let name = names.join(" on ");
            let name = name.strip_suffix(".scene.ron").unwrap_or(&name);
            let folders: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
            let line = egui::Button::new(name).frame_when_inactive(false);
            if ui.add(line).on_hover_text(folders.join("\n")).clicked() {
                out.push(Command::Open(files.to_vec()));
                ui.close();
            }
        }
    });
    if is_empty {
        ui.label(super::theme::caption("nothing yet"));
    }
}

/// Undo and redo, from right to left.
fn steps(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let redo = session.history.can_redo();
    let undo = session.history.can_undo();
    for (text, name, command) in [("Redo", redo, Command::Redo), ("Undo", undo, Command::Undo)] {
        ui.add_enabled_ui(name.is_some(), |ui| {
            let hint = format!("{text} {}", name.unwrap_or(""));
            button(ui, text, &hint, command, out);
        });
    }
}
