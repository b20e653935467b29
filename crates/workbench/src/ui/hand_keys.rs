//! What is keyed by hand on top of the motion: a turn of a joint at a frame, faded in and out.

use bevy_egui::egui;
use egui::{Button, DragValue, Ui};
use understudy_solver::{HandKey, Settings};

use super::theme::caption;
use super::tune::{heading, is_going_on, line, reset, send};
use crate::state::command::Command;
use crate::state::session::Session;
use crate::state::stage::Who;

/// Frames over which a new key fades in and out, seconds.
const FADE_SECS: f64 = 0.2;

/// Draws the keys and what makes a new one.
pub fn show(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let Some(character) = &session.document.character else {
        return;
    };
    let settings = &session.document.choices.settings;
    heading(ui, "Keyed by hand");
    let chosen = match session.joint {
        Some((Who::Character, joint)) => Some(character.skeleton().name(joint).to_owned()),
        _ => None,
    };
    let (word, hint) = match &chosen {
        Some(joint) => (
            format!("key {joint} here"),
            "A turn of this joint at the frame that is shown; feet stay planted under it.",
        ),
        None => (
            "key a joint here".to_owned(),
            "Choose a joint of the character first: click on it in its view, or in the map.",
        ),
    };
    let can_key = chosen.is_some() && session.can_edit_contacts();
    let press = ui.add_enabled(can_key, Button::new(word));
    let press = press.on_hover_text(hint).on_disabled_hover_text(hint);
    if let (true, Some(joint)) = (press.clicked(), chosen) {
        let mut changed = settings.clone();
        changed.keys.push(new_key(joint, session));
        send("hand key", changed, false, out);
    }
    let assembly = character.assembly.as_ref();
    let usual_fade = usual_fade(session);
    let root = assembly.map(|made| character.skeleton().name(made.body.root));
    for index in 0..settings.keys.len() {
        let is_root = root.is_ok_and(|root| root == settings.keys[index].joint);
        ui.push_id(("key", index), |ui| {
            key(ui, index, is_root, usual_fade, settings, out)
        });
    }
}

fn usual_fade(session: &Session) -> usize {
    (FADE_SECS / session.clock.frame_time_secs()).round() as usize
}

fn new_key(joint: String, session: &Session) -> HandKey {
    let frames = usual_fade(session);
    HandKey {
        joint,
        frame: session.clock.frame(),
        turn_deg: [0.0; 3],
        shift_m: [0.0; 3],
        fade_in: frames,
        fade_out: frames,
    }
}

/// `is_root`: the joint carries the whole body, which can be shifted by it too.
fn key(
    ui: &mut Ui,
    index: usize,
    is_root: bool,
    usual_fade: usize,
    settings: &Settings,
    out: &mut Vec<Command>,
) {
    let before = &settings.keys[index];
    let mut after = before.clone();
    let mut is_dragged = false;
    let mut is_deleted = false;
    let name = format!("{} at {}", before.joint, before.frame);
    line(ui, &name, "A joint and the frame of its key.", |ui| {
        let delete = ui.add(Button::new("delete").small());
        is_deleted = delete.on_hover_text("Take this key away").clicked();
        let go = ui.add(Button::new("go there").small());
        if go.on_hover_text("Show the frame of this key").clicked() {
            out.push(Command::Seek(before.frame));
        }
    });
    is_dragged |= axes(ui, &TURN, &mut after.turn_deg);
    if is_root {
        is_dragged |= axes(ui, &SHIFT, &mut after.shift_m);
    }
    let hint = "Frames over which the turn grows before the key, and dies away after it. From 0 to 100000.";
    line(ui, "    fade in, out", hint, |ui| {
        if reset(
            ui,
            [after.fade_in, after.fade_out] != [usual_fade; 2],
            "Back to 0.2 s",
        ) {
            [after.fade_in, after.fade_out] = [usual_fade; 2];
        }
        ui.label(caption("frames"));
        for fade in [&mut after.fade_out, &mut after.fade_in] {
            let field = DragValue::new(fade).update_while_editing(false);
            let field = ui.add(field.range(0..=100_000)).on_hover_text(hint);
            is_dragged |= is_going_on(&field);
        }
    });
    if is_deleted {
        let mut changed = settings.clone();
        changed.keys.remove(index);
        send("hand key", changed, false, out);
    } else if after != *before {
        let mut changed = settings.clone();
        changed.keys[index] = after;
        send("hand key", changed, is_dragged, out);
    }
}

/// Three numbers of a key, one for each axis.
struct Axes {
    name: &'static str,
    unit: &'static str,
    /// From as much below 0 to as much above.
    most: f64,
    speed: f64,
    digits: usize,
    hint: &'static str,
    back: &'static str,
}

const TURN: Axes = Axes {
    name: "    turn",
    unit: "°",
    most: 180.0,
    speed: 0.3,
    digits: 1,
    hint: "Degrees about the character's axes at rest: across, up, ahead in its file. From -180 to 180 °.",
    back: "Back to no turn",
};
const SHIFT: Axes = Axes {
    name: "    shift",
    unit: "m",
    most: 5.0,
    speed: 0.002,
    digits: 3,
    hint: "Shift of the whole body along the axes of its file; feet that stand stay. From -5 to 5 m.",
    back: "Back to no shift",
};

/// Whether a drag goes on.
fn axes(ui: &mut Ui, axes: &Axes, values: &mut [f64; 3]) -> bool {
    let mut goes_on = false;
    line(ui, axes.name, axes.hint, |ui| {
        if reset(ui, *values != [0.0; 3], axes.back) {
            *values = [0.0; 3];
        }
        ui.label(caption(axes.unit));
        for axis in [2, 1, 0] {
            let field = DragValue::new(&mut values[axis]).update_while_editing(false);
            let field = field.range(-axes.most..=axes.most).speed(axes.speed);
            let field = field.max_decimals(axes.digits);
            let field = ui.add(field.prefix(["x ", "y ", "z "][axis]));
            goes_on |= is_going_on(&field.on_hover_text(axes.hint));
        }
    });
    goes_on
}
