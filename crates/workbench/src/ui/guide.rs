//! The first steps, for someone who opens the window for the first time.

use bevy_egui::egui;
use egui::{Align2, Context, RichText, Window};

use crate::state::command::Command;

const STEPS: [(&str, &str); 7] = [
    (
        "Play",
        "Space starts and stops; the left and right keys step through frames.",
    ),
    (
        "Look",
        "Drag in a view to turn, drag with the right button to move, turn the wheel to come nearer. \
         The keys 1 to 5 look from the sides. A click chooses a joint, F goes near it.",
    ),
    (
        "Compare",
        "B changes the character between before and after its feet are planted.",
    ),
    (
        "Find faults",
        "The list at the right has the worst first; the up and down keys go through it.",
    ),
    (
        "Correct",
        "Tune changes how the take is carried over, Map says which joint is what, contacts are \
         dragged in the tracks. Ctrl+Z takes anything back.",
    ),
    (
        "Arrange",
        "Drag a tab to any edge or into another group; Panels opens what was closed, F8 takes \
         a change of the panels back.",
    ),
    (
        "Bring your own",
        "Drop a take and a character on the window, or use Open. Export (Ctrl+E) writes the clip.",
    ),
];

/// Draws the first steps.
pub fn show(context: &Context, out: &mut Vec<Command>) {
    Window::new("First steps")
        .anchor(Align2::CENTER_CENTER, [0.0, -40.0])
        .collapsible(false)
        .resizable(false)
        .default_width(430.0)
        .show(context, |ui| {
            for (at, (title, text)) in STEPS.into_iter().enumerate() {
                ui.add_space(4.0);
                ui.label(RichText::new(format!("{} · {title}", at + 1)).strong());
                ui.label(text);
            }
            ui.add_space(10.0);
            ui.horizontal(|ui| {
                if ui.button("Begin").clicked() {
                    out.push(Command::ToggleGuide);
                }
                ui.label(super::theme::caption(
                    "F1 lists all actions, these steps too.",
                ));
            });
        });
}
