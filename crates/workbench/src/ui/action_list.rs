//! All actions with their keys, to be searched.

use bevy_egui::egui;
use egui::{Align2, Context, Key, RichText, ScrollArea, TextEdit, Window};

use super::Memory;
use crate::state::command::{Action, Command, actions};

/// Draws the list; a choice is carried out and closes it.
pub fn show(context: &Context, memory: &mut Memory, out: &mut Vec<Command>) {
    Window::new("Actions")
        .anchor(Align2::CENTER_TOP, [0.0, 90.0])
        .collapsible(false)
        .resizable(false)
        .default_width(420.0)
        .show(context, |ui| {
            let field = TextEdit::singleline(&mut memory.search)
                .hint_text("what do you want to do?")
                .desired_width(f32::INFINITY);
            let field = ui.add(field);
            field.request_focus();
            let found = found(&memory.search);
            let mut chosen = None;
            if ui.input(|input| input.key_pressed(Key::Enter)) {
                chosen = found.first().cloned();
            }
            ScrollArea::vertical().max_height(360.0).show(ui, |ui| {
                ui.set_width(ui.available_width());
                for action in &found {
                    let row = egui::Button::new(action.name)
                        .right_text(RichText::new(action.key).monospace().weak())
                        .frame_when_inactive(false)
                        .min_size(egui::vec2(ui.available_width(), 22.0));
                    if ui.add(row).clicked() {
                        chosen = Some(action.clone());
                    }
                }
                if found.is_empty() {
                    ui.label(super::theme::caption("no action has these words"));
                }
            });
            if let Some(action) = chosen {
                memory.search.clear();
                out.push(Command::ToggleActions);
                out.push(action.command);
            }
        });
}

/// Actions whose name has all the words that were typed.
fn found(search: &str) -> Vec<Action> {
    let search = search.to_lowercase();
    let words: Vec<&str> = search.split_whitespace().collect();
    let has_all = |action: &Action| {
        let name = action.name.to_lowercase();
        words.iter().all(|word| name.contains(word))
    };
    actions().into_iter().filter(has_all).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_found_in_any_order() {
        let names = |search: &str| found(search).iter().map(|a| a.name).collect::<Vec<_>>();
        assert_eq!(names("scene SAVE"), ["Save the scene"]);
        assert!(names("").len() > 20);
        assert!(names("no such thing").is_empty());
    }
}
