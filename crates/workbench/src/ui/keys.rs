//! Keys: what the list of actions says, read from the keyboard.

use bevy_egui::egui;
use egui::{Context, InputState, Key, Modifiers};

use crate::state::command::{Command, actions};
use crate::state::session::Session;

/// Sends the commands of keys that were pressed, unless a text is being typed.
pub fn read(context: &Context, session: &Session, out: &mut Vec<Command>) {
    if session.are_actions_open {
        if context.input(|input| input.key_pressed(Key::Escape) || input.key_pressed(Key::F1)) {
            out.push(Command::ToggleActions);
        }
        return;
    }
    if context.egui_wants_keyboard_input() {
        return;
    }
    // It lets go of what is dragged, such as a tab, and of nothing else.
    let dragged = context.dragged_id().or(context.drag_stopped_id());
    if dragged.is_some() && context.input(|input| input.key_pressed(Key::Escape)) {
        return;
    }
    if session.is_export_open && context.input(|input| input.key_pressed(Key::Escape)) {
        out.push(Command::ToggleExport);
        return;
    }
    if session.asking.is_some() && context.input(|input| input.key_pressed(Key::Escape)) {
        out.push(Command::CloseAsking);
        return;
    }
    if session.leaving.is_some() && context.input(|input| input.key_pressed(Key::Escape)) {
        out.push(Command::Stay);
        return;
    }
    if session.is_guide_open && context.input(|input| input.key_pressed(Key::Escape)) {
        out.push(Command::ToggleGuide);
        return;
    }
    let all = actions();
    context.input_mut(|input| {
        // Keys with modifiers first, so that the plain ones do not take them.
        let with = |has: bool| move |action: &&_| is_modified(action) == has;
        let order = all
            .iter()
            .filter(with(true))
            .chain(all.iter().filter(with(false)));
        for action in order {
            let Some((modifiers, key)) = parsed(action.key) else {
                continue;
            };
            if is_pressed(input, modifiers, key) {
                out.push(action.command.clone());
            }
        }
    });
}

fn is_pressed(input: &mut InputState, modifiers: Modifiers, key: Key) -> bool {
    if key == Key::Plus && input.modifiers.command {
        // Where plus stands above the equals sign, Shift may be left out or not.
        return input.consume_key(modifiers, Key::Plus)
            || input.consume_key(modifiers, Key::Equals);
    }
    input.modifiers.matches_exact(modifiers) && input.consume_key(modifiers, key)
}

fn is_modified(action: &crate::state::command::Action) -> bool {
    action.key.contains('+')
}

/// A key as it is written in the list of actions; `None` where there is no such key.
pub fn parsed(text: &str) -> Option<(Modifiers, Key)> {
    let (modifiers, name) = match text.split_once('+') {
        Some(("Ctrl", name)) => (Modifiers::COMMAND, name),
        Some(("Shift", name)) => (Modifiers::SHIFT, name),
        _ => (Modifiers::NONE, text),
    };
    let name = if name == "Esc" { "Escape" } else { name };
    Some((modifiers, Key::from_name(name)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_of_the_list_can_be_pressed() {
        for action in actions() {
            assert_eq!(
                parsed(action.key).is_some(),
                !action.key.is_empty(),
                "{}",
                action.key
            );
        }
    }
}
