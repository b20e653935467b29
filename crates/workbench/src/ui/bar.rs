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
    ui.horizontal_wrapped(|ui| match ui.available_width() >= WIDE {
        true => choices(ui, session, out),
        false => menus(ui, session, out),
    });
}

/// Room in which all choices of the view stand beside each other, points; else they are in menus.
const WIDE: f32 = 1130.0;

/// How the bodies are seen, one button for each choice.
fn choices(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    arrangements(ui, session, out);
    ui.separator();
    shows(ui, session, out);
    ui.separator();
    angles(ui, out);
    follows(ui, session, out);
    ui.separator();
    before(ui, session, out);
}

/// The same in a narrow window: menus that are named by what is chosen.
fn menus(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let view = &session.view;
    ui.menu_button(format!("{} ⏷", view.arrangement.word()), |ui| {
        arrangements(ui, session, out);
    });
    ui.menu_button(format!("{} ⏷", view.show.word()), |ui| {
        shows(ui, session, out);
    });
    ui.menu_button("look ⏷", |ui| angles(ui, out));
    follows(ui, session, out);
    before(ui, session, out);
}

fn arrangements(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    for arrangement in Arrangement::ALL {
        let on = session.view.arrangement == arrangement;
        let hint = "How the bodies share the space";
        let command = Command::SetArrangement(arrangement);
        toggle(ui, on, arrangement.word(), hint, command, out);
    }
}

fn shows(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    for show in Show::ALL {
        let on = session.view.show == show;
        let hint = "What is drawn of the bodies";
        toggle(ui, on, show.word(), hint, Command::SetShow(show), out);
    }
}

fn angles(ui: &mut Ui, out: &mut Vec<Command>) {
    for angle in Angle::ALL {
        let hint = "Look from here";
        button(ui, angle.word(), hint, Command::LookFrom(angle), out);
    }
}

fn follows(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let view = &session.view;
    for (on, word, hint, command) in [
        (
            view.follow,
            "go along",
            "Cameras go along with the bodies",
            Command::ToggleFollow,
        ),
        (
            view.linked,
            "linked",
            "Both cameras move as one",
            Command::ToggleLinked,
        ),
    ] {
        toggle(ui, on, word, hint, command, out);
    }
}

fn before(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let word = match session.view.before {
        true => "before planting",
        false => "after planting",
    };
    let hint = "The character before feet are planted, or after";
    toggle(
        ui,
        session.view.before,
        word,
        hint,
        Command::ToggleBefore,
        out,
    );
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
