//! Time: play, step, speed.

use bevy_egui::egui;
use egui::{Align, DragValue, Layout, RichText, Ui};

use super::Memory;
use super::theme::{button, caption, toggle};
use crate::state::clock::SPEEDS;
use crate::state::command::Command;
use crate::state::session::Session;

/// Room that play, frame and speed need, points.
const LEAST: f32 = 384.0;
/// Room that the button for the whole take needs, and the one that plays all.
const WHOLE_TAKE: f32 = 86.0;
const PLAY_ALL: f32 = 68.0;
/// What is left out first where there is too little room, the last first.
const WORDS: f32 = 66.0;
const LAST: f32 = 54.0;
const SECS: f32 = 72.0;
const PARTS: f32 = 90.0;
const PLAYS: f32 = 120.0;
const RATE: f32 = 140.0;
const HINT: f32 = 280.0;

/// Room that is needed for everything that can be pressed, points.
pub fn least_width(session: &Session, memory: &Memory) -> f32 {
    let zoomed = if memory.shown_frames.is_some() {
        WHOLE_TAKE
    } else {
        0.0
    };
    let part = if session.clock.range().is_some() {
        PLAY_ALL
    } else {
        0.0
    };
    LEAST + zoomed + part
}

/// Draws it in one line, as much of it as there is room for.
pub fn show(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    let mut spare = ui.available_width() - least_width(session, memory);
    let mut fits = |width: f32| {
        let fits = spare >= width;
        if fits {
            spare -= width;
        }
        fits
    };
    let has_words = fits(WORDS);
    let has_last = fits(LAST);
    let has_secs = fits(SECS);
    let has_parts = fits(PARTS);
    let is_part = session.clock.range().is_some();
    let says_part = is_part && fits(PLAYS);
    let has_rate = fits(RATE);
    let has_hint = !is_part && fits(HINT);
    steps(ui, session, out);
    ui.separator();
    frame_field(ui, session, [has_words, has_last, has_secs, has_rate], out);
    ui.separator();
    speed_field(ui, session, [has_words, has_parts], out);
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        parts(ui, session, memory, [says_part, has_hint], out);
    });
}

/// Draws it in a place of its own, where need be in several lines.
pub fn show_alone(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    if ui.available_width() >= least_width(session, memory) {
        ui.horizontal(|ui| {
            // The height of the highest, so that all stand in the middle of it.
            ui.set_min_height(26.0);
            show(ui, session, memory, out);
        });
        return;
    }
    ui.horizontal_wrapped(|ui| {
        steps(ui, session, out);
        ui.separator();
        frame_field(ui, session, [true; 4], out);
        ui.separator();
        speed_field(ui, session, [true; 2], out);
        ui.separator();
        parts(ui, session, memory, [true, false], out);
    });
}

/// Play, and single frames.
fn steps(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let clock = &session.clock;
    button(ui, "⏮", "To the start", Command::ToStart, out);
    button(ui, "◀", "Frame before", Command::Step(-1), out);
    let (sign, hint) = match clock.is_playing {
        true => ("⏸", "Stop"),
        false => ("▶", "Play"),
    };
    let play = egui::Button::new(RichText::new(sign).size(16.0)).min_size(egui::vec2(46.0, 26.0));
    if ui
        .add(play)
        .on_hover_text(format!("{hint} (Space)"))
        .clicked()
    {
        out.push(Command::TogglePlay);
    }
    button(ui, "▶|", "Next frame", Command::Step(1), out);
    button(ui, "⏭", "To the end", Command::ToEnd, out);
    toggle(
        ui,
        clock.is_looping,
        "loop",
        "Start over at the end",
        Command::ToggleLoop,
        out,
    );
}

/// What leads back to the whole take, and what part is played.
fn parts(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    [says_part, has_hint]: [bool; 2],
    out: &mut Vec<Command>,
) {
    if memory.shown_frames.is_some()
        && ui
            .button("whole take")
            .on_hover_text("Show all frames in tracks and curves")
            .clicked()
    {
        memory.shown_frames = None;
    }
    if let Some((first, last)) = session.clock.range() {
        let words = format!("plays {first} to {last}");
        let hint = format!("Play the whole take; now it {words}");
        button(ui, "play all", &hint, Command::SetRange(None), out);
        if says_part {
            ui.label(caption(words));
        }
    } else if has_hint {
        ui.label(caption(
            "I and O, or a drag on the ruler with Shift, play a part",
        ));
    }
}

fn frame_field(
    ui: &mut Ui,
    session: &Session,
    [has_word, has_last, has_secs, has_rate]: [bool; 4],
    out: &mut Vec<Command>,
) {
    let clock = &session.clock;
    let mut frame = clock.frame();
    word(ui, has_word, "frame");
    let field = DragValue::new(&mut frame)
        .range(0..=clock.last())
        .speed(0.5);
    let hint = format!("Frame, counted from 0 to {}; drag or type", clock.last());
    let field = ui.add(field).on_hover_text(hint);
    name(&field, has_word, "frame", frame as f64);
    if field.changed() {
        out.push(Command::Seek(frame));
    }
    let secs = clock.frame() as f64 * clock.frame_time_secs();
    let rate = 1.0 / clock.frame_time_secs();
    if has_last {
        ui.label(RichText::new(format!("of {}", clock.last())).weak());
    }
    if has_secs {
        ui.label(RichText::new(format!("{secs:7.3} s")).monospace());
    }
    if has_rate {
        ui.label(caption(
            format!("{rate:.5} frames per second").replace(".00000", ""),
        ));
    }
}

/// The word before a field, where there is room.
fn word(ui: &mut Ui, is_shown: bool, word: &str) {
    if is_shown {
        ui.label(caption(word));
    }
}

/// Names a field that has no word before it.
fn name(field: &egui::Response, has_word: bool, word: &str, value: f64) {
    if !has_word {
        field.widget_info(|| egui::WidgetInfo {
            label: Some(word.to_owned()),
            ..egui::WidgetInfo::drag_value(true, value)
        });
    }
}

fn speed_field(
    ui: &mut Ui,
    session: &Session,
    [has_word, has_parts]: [bool; 2],
    out: &mut Vec<Command>,
) {
    let mut percent = 100.0 * session.clock.speed();
    word(ui, has_word, "speed");
    let range = 100.0 * SPEEDS.start()..=100.0 * SPEEDS.end();
    let field = DragValue::new(&mut percent)
        .range(range)
        .suffix(" %")
        .speed(1.0)
        .max_decimals(0);
    let hint = "Speed, part of real time; drag or type";
    let field = ui.add(field).on_hover_text(hint);
    name(&field, has_word, "speed", percent);
    if field.changed() {
        out.push(Command::SetSpeed(percent / 100.0));
    }
    if !has_parts {
        return;
    }
    for (text, speed) in [("¼", 0.25), ("½", 0.5), ("1", 1.0)] {
        let on = (session.clock.speed() - speed).abs() < 1e-9;
        toggle(
            ui,
            on,
            text,
            "Part of real time",
            Command::SetSpeed(speed),
            out,
        );
    }
}
