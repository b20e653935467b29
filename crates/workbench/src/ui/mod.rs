//! Panels: functions over the state that return commands. Nothing here changes the state.

mod action_list;
mod bar;
mod chosen;
mod contact_rows;
mod curves;
mod faults;
mod fresh;
mod guide;
mod hand_keys;
mod keys;
mod legend;
mod map;
mod marks;
mod pins;
mod presets;
mod rings;
mod secondary;
mod side;
mod status;
#[cfg(test)]
mod tests;
mod theme;
mod time;
mod touch_rows;
mod tracks;
mod tune;
mod views;

use bevy_egui::egui;
use egui::{CentralPanel, Frame, Panel, Rect, Ui};

use crate::state::command::Command;
use crate::state::session::Session;
use crate::state::stage::Who;

/// What panels remember from picture to picture. None of it is worth keeping.
#[derive(Debug, Default)]
pub struct Memory {
    /// Whether the style is that of a dark window; `None` before the first picture.
    dark: Option<bool>,
    /// First and last frame that the tracks show; all where absent.
    shown_frames: Option<(f64, f64)>,
    /// Why the chosen fault may stay, as far as it was typed.
    why: String,
    /// What was typed to search the list of actions.
    search: String,
    /// Which body's joints the map shows.
    is_map_of_performer: bool,
    /// What was typed to find a joint.
    joint_search: String,
    /// What was typed to find a role.
    role_search: String,
    /// Whether the other side of the body keeps its roles when one is changed.
    is_one_sided: bool,
    /// What was typed as the name of a preset.
    preset_name: String,
    /// The preset that is to be deleted, if a person says so once more.
    deleting: Option<std::path::PathBuf>,
    /// Curves as they were last drawn.
    curves: crate::state::curves::Kept,
    /// The joint that the map showed last; another one is scrolled to.
    mapped_joint: Option<(Who, usize)>,
    /// Bodies as they were last searched for a joint.
    picked: crate::state::pick::Kept,
    /// The ring that is being dragged.
    ring: Option<crate::state::rings::Drag>,
    /// The contact whose end is being dragged.
    dragged_contact: Option<contact_rows::Dragged>,
}

/// What a picture of the panels leads to.
#[derive(Debug, Default)]
pub struct Shown {
    /// What a person asks for.
    pub commands: Vec<Command>,
    /// Where each body is drawn, in points.
    pub views: Vec<(Who, Rect)>,
}

/// Draws all panels, and leaves the rest of the space to the bodies.
pub fn show(ui: &mut Ui, session: &Session, memory: &mut Memory) -> Shown {
    let mut shown = Shown::default();
    if memory.dark != Some(session.view.dark) {
        theme::apply(ui.ctx(), session.view.dark);
        memory.dark = Some(session.view.dark);
        // The style of this Ui was taken before.
        ui.set_style(ui.ctx().global_style());
    }
    let commands = &mut shown.commands;
    keys::read(ui.ctx(), session, commands);
    Panel::top("bar")
        .frame(theme::panel_frame(ui, 8, 6))
        .resizable(false)
        .show(ui, |ui| bar::show(ui, session, commands));
    Panel::bottom("status")
        .frame(theme::panel_frame(ui, 10, 4))
        .resizable(false)
        .show(ui, |ui| status::show(ui, session, commands));
    let most = 0.6 * ui.available_height();
    Panel::bottom("time")
        .frame(theme::panel_frame(ui, 10, 6))
        .resizable(true)
        .default_size(f32::min(248.0, 0.45 * ui.available_height()))
        .max_size(most)
        .show(ui, |ui| time::show(ui, session, memory, commands));
    Panel::right("side")
        .frame(theme::panel_frame(ui, 10, 8))
        .resizable(true)
        .default_size(316.0)
        .min_size(220.0)
        .show(ui, |ui| side::show(ui, session, memory, commands));
    shown.views = CentralPanel::default()
        .frame(Frame::NONE)
        .show(ui, |ui| views::show(ui, session, memory, commands))
        .inner;
    if session.is_guide_open {
        guide::show(ui.ctx(), commands);
    }
    if session.are_actions_open {
        action_list::show(ui.ctx(), memory, commands);
    }
    shown
}

/// No panels and no marks: the bodies alone.
pub fn bodies_alone(ui: &mut Ui, session: &Session) -> Shown {
    Shown {
        views: views::split(ui.max_rect(), session.view.arrangement.views()),
        ..Shown::default()
    }
}
