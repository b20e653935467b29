//! Time: play, step, speed, and the tracks below.

use bevy_egui::egui;
use egui::{Align, DragValue, Layout, RichText, Ui};

use super::Memory;
use super::theme::{button, caption, toggle};
use super::tracks;
use crate::state::clock::SPEEDS;
use crate::state::command::Command;
use crate::state::session::Session;

/// Draws transport and tracks.
pub fn show(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    transport(ui, session, memory, out);
    ui.add_space(2.0);
    tracks::show(ui, session, memory, out);
}

fn transport(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    let clock = &session.clock;
    ui.horizontal(|ui| {
        button(ui, "⏮", "To the start", Command::ToStart, out);
        button(ui, "◀", "Frame before", Command::Step(-1), out);
        let (sign, hint) = match clock.is_playing {
            true => ("⏸", "Stop"),
            false => ("▶", "Play"),
        };
        let play =
            egui::Button::new(RichText::new(sign).size(16.0)).min_size(egui::vec2(46.0, 26.0));
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
        ui.separator();
        frame_field(ui, session, out);
        ui.separator();
        speed_field(ui, session, out);
        ui.separator();
        toggle(
            ui,
            session.curves.is_open,
            "curves",
            "Curves of a joint over time, instead of the tracks",
            Command::ToggleCurves,
            out,
        );
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if memory.shown_frames.is_some()
                && ui
                    .button("whole take")
                    .on_hover_text("Show all frames in the tracks")
                    .clicked()
            {
                memory.shown_frames = None;
            }
            if let Some((first, last)) = clock.range() {
                button(
                    ui,
                    "play all",
                    "Play the whole take",
                    Command::SetRange(None),
                    out,
                );
                ui.label(caption(format!("plays {first} to {last}")));
            } else if ui.available_width() > HINT_WIDTH {
                ui.label(caption("drag on the ruler with Shift to play a part"));
            }
        });
    });
}

/// Room that the hint needs right of the controls, points.
const HINT_WIDTH: f32 = 230.0;

fn frame_field(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let clock = &session.clock;
    let mut frame = clock.frame();
    ui.label(caption("frame"));
    let field = DragValue::new(&mut frame)
        .range(0..=clock.last())
        .speed(0.5);
    if ui
        .add(field)
        .on_hover_text("Frame, counted from 0; drag or type")
        .changed()
    {
        out.push(Command::Seek(frame));
    }
    let secs = clock.frame() as f64 * clock.frame_time_secs();
    let rate = 1.0 / clock.frame_time_secs();
    ui.label(RichText::new(format!("of {}", clock.last())).weak());
    ui.label(RichText::new(format!("{secs:7.3} s")).monospace());
    ui.label(caption(
        format!("{rate:.5} frames per second").replace(".00000", ""),
    ));
}

fn speed_field(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let mut percent = 100.0 * session.clock.speed();
    ui.label(caption("speed"));
    let range = 100.0 * SPEEDS.start()..=100.0 * SPEEDS.end();
    let field = DragValue::new(&mut percent)
        .range(range)
        .suffix(" %")
        .speed(1.0)
        .max_decimals(0);
    if ui
        .add(field)
        .on_hover_text("Part of real time; drag or type")
        .changed()
    {
        out.push(Command::SetSpeed(percent / 100.0));
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
