//! Panels: functions over the state that return commands. Nothing here changes the state.

mod action_list;
mod asking;
mod bar;
mod chains;
mod chosen;
mod contact_rows;
mod curves;
mod dock;
mod export;
mod faults;
mod fresh;
mod guide;
mod hand_keys;
mod keys;
mod leaving;
mod legend;
mod map;
mod marks;
mod pins;
mod presets;
mod rings;
mod secondary;
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

pub use keys::parsed as parsed_key;

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
    /// The panes as they were last drawn.
    dock: dock::Dock,
    /// What was asked for in the last picture.
    asked: Option<crate::state::command::Dialog>,
    /// How large the clip becomes as a file.
    sizes: export::Sizes,
    /// The joint that the map showed last; another one is scrolled to.
    mapped_joint: Option<(Who, usize)>,
    /// Whether the map shows chains instead of single joints.
    is_map_by_chains: bool,
    /// Whether the joints of all chains are shown.
    are_chains_open: bool,
    /// The chain that the map showed last; another one is scrolled to.
    mapped_chain: Option<(Who, crate::state::chains::ChainId)>,
    /// What is to become of the chosen chain.
    chain: chains::Chosen,
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
    let zoom = session.preferences.layout.scale_percent as f32 / 100.0;
    ui.ctx().set_zoom_factor(zoom);
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
    let is_time_carried = dock::carries_time(ui, session, memory);
    if session.preferences.layout.is_time_shown && !is_time_carried {
        Panel::bottom("time")
            .frame(theme::panel_frame(ui, 10, 4))
            .resizable(false)
            .show(ui, |ui| time::show_alone(ui, session, memory, commands));
    }
    shown.views = CentralPanel::default()
        .frame(Frame::NONE)
        .show(ui, |ui| {
            dock::show(ui, session, memory, is_time_carried, commands)
        })
        .inner;
    if session.is_export_open {
        export::show(ui.ctx(), session, memory, commands);
    }
    if let Some(asking) = &session.asking {
        asking::show(ui.ctx(), session, asking, memory, commands);
    }
    memory.asked = session.asking.as_ref().map(|asking| asking.dialog);
    if let (Some(leaving), None) = (&session.leaving, &session.asking) {
        leaving::show(ui.ctx(), session, leaving, commands);
    }
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
