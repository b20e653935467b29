//! A file named by its path, where the desktop has no dialog of its own or typing is quicker.

use bevy_egui::egui;
use egui::{Align2, Context, Key, Label, RichText, ScrollArea, TextEdit, Window};

use super::Memory;
use super::theme::{caption, colour};
use crate::state::asking::Asking;
use crate::state::command::{Command, Dialog};
use crate::state::document::short;
use crate::state::palette;
use crate::state::session::Session;

/// Width of the field, points.
const WIDTH: f32 = 470.0;

/// Draws the question.
pub fn show(
    context: &Context,
    session: &Session,
    asking: &Asking,
    memory: &Memory,
    out: &mut Vec<Command>,
) {
    let dialog = asking.dialog;
    let word = match dialog.is_written() {
        true => "Save",
        false => "Open",
    };
    Window::new(dialog.title())
        .anchor(Align2::CENTER_TOP, [0.0, 76.0])
        .collapsible(false)
        .resizable(false)
        .show(context, |ui| {
            ui.set_max_width(WIDTH + 90.0);
            let named = asking.named(session);
            let mut typed = asking.file.clone();
            let mut is_entered = false;
            ui.horizontal(|ui| {
                let label = ui.label("file");
                let field = TextEdit::singleline(&mut typed)
                    .hint_text("path of the file")
                    .desired_width(WIDTH - 40.0);
                let mut field = field.show(ui);
                let response = field.response.response.labelled_by(label.id);
                if memory.asked != Some(dialog) {
                    // It is typed at once, behind the folder that stands there.
                    response.request_focus();
                    let end = egui::text::CCursor::new(typed.chars().count());
                    let range = egui::text::CCursorRange::one(end);
                    field.state.cursor.set_char_range(Some(range));
                    field.state.store(ui.ctx(), response.id);
                }
                let ended = |key| response.lost_focus() && ui.input(|input| input.key_pressed(key));
                is_entered = ended(Key::Enter);
                if ended(Key::Escape) {
                    out.push(Command::CloseAsking);
                }
                let browse = ui.button("Browse …");
                if browse
                    .on_hover_text("Choose in the desktop's own dialog, where it has one")
                    .clicked()
                {
                    out.push(Command::Browse(dialog));
                }
            });
            let (sign, text, tone) = match &named {
                Err(problem) => ("⚠", problem.clone(), Some(palette::VERMILLION)),
                Ok(named) if named.is_replaced => (
                    "⚠",
                    format!("{} is there already and is replaced", short(&named.file)),
                    Some(palette::ORANGE),
                ),
                Ok(named) => ("", named.file.display().to_string(), None),
            };
            let text = match tone {
                Some(tone) => RichText::new(format!("{sign} {text}")).color(colour(tone)),
                None => caption(text),
            };
            ui.add(Label::new(text).wrap());
            if dialog == Dialog::OpenScene {
                recent(ui, session, out);
            }
            ui.add_space(6.0);
            ui.horizontal(|ui| {
                let press = ui.add_enabled(named.is_ok(), egui::Button::new(format!("{word} it")));
                let press = press
                    .on_hover_text("The same as Enter")
                    .on_disabled_hover_text("Correct the path first");
                if let (true, Ok(named)) = (press.clicked() || is_entered, &named) {
                    out.push(named.command.clone());
                }
                let cancel = ui.button("Cancel");
                if cancel.on_hover_text("Leave all as it is (Esc)").clicked() {
                    out.push(Command::CloseAsking);
                }
            });
            if typed != asking.file {
                out.push(Command::SetAsking(typed));
            }
        });
}

/// What was open lately, to be opened by a click.
fn recent(ui: &mut egui::Ui, session: &Session, out: &mut Vec<Command>) {
    let recent = &session.preferences.recent;
    if recent.is_empty() {
        return;
    }
    ui.add_space(6.0);
    ui.label(caption("open lately"));
    ScrollArea::vertical().max_height(170.0).show(ui, |ui| {
        for files in recent {
            let names: Vec<String> = files.iter().map(|file| short(file)).collect();
            let paths: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
            let line = egui::Button::new(names.join(" on ")).frame_when_inactive(false);
            if ui.add(line).on_hover_text(paths.join("\n")).clicked() {
                out.push(Command::Open(files.clone()));
            }
        }
    });
}
