//! Pins: contacts held at a place of the floor, in the tracks, over the bodies and in a list.

use bevy_egui::egui;
use egui::{Button, Color32, DragValue, Painter, Pos2, RichText, Stroke, Ui, vec2};
use understudy_solver::{Contact, Contacts};

use super::contact_rows::send;
use super::marks::millimetres;
use super::theme::{button, caption, colour};
use super::tune::{heading, is_going_on, line};
use crate::state::command::Command;
use crate::state::palette;
use crate::state::pins::{missed_mm, standing, unpinned, with_place};
use crate::state::session::Session;

/// Farthest place that can be dragged to, metres from the origin.
const FARTHEST_M: f64 = 100.0;

/// A pin with its point at a place: a needle and a head.
pub fn sign(painter: &Painter, point: Pos2, height: f32, fill: Color32) {
    let head = point - vec2(0.0, height);
    let edge = Color32::from_black_alpha(200);
    painter.line_segment([point, head], Stroke::new(3.2, edge));
    painter.line_segment([point, head], Stroke::new(1.6, fill));
    painter.circle(head, 0.3 * height, fill, Stroke::new(1.2, edge));
}

/// The lines of a contact's menu that pin and unpin it.
pub fn menu(
    ui: &mut Ui,
    session: &Session,
    contacts: &Contacts,
    contact: &Contact,
    out: &mut Vec<Command>,
) {
    if contact.place_m.is_some() {
        if ui.button("unpin").clicked() {
            let changed = with_place(contacts, contact, None);
            send("unpinned contact", changed, false, out);
            ui.close();
        }
        return;
    }
    let place = standing(session, contact);
    let pin = ui.add_enabled(place.is_some(), Button::new("pin here"));
    let pin = pin
        .on_hover_text("Hold the foot where it stands now; move it by number in the Tune panel")
        .on_disabled_hover_text("No part of the character's foot stands in this contact");
    if let (true, Some(place)) = (pin.clicked(), place) {
        let changed = with_place(contacts, contact, Some(place));
        send("pinned contact", changed, false, out);
        ui.close();
    }
}

/// Draws the list of pins and what makes new ones.
pub fn show(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let Some(contacts) = session.contacts() else {
        return;
    };
    heading(ui, "Pinned to the floor");
    ui.add_enabled_ui(session.can_edit_contacts(), |ui| {
        let hint =
            "Hold every foot that stands in this frame where it stands; once more lets it go.";
        button(ui, "pin what stands here", hint, Command::TogglePins, out);
        let pinned = contacts.contacts.iter().filter(|c| c.place_m.is_some());
        for (index, contact) in pinned.enumerate() {
            ui.push_id(("pin", index), |ui| {
                pin(ui, session, contacts, contact, out)
            });
        }
    });
}

fn pin(
    ui: &mut Ui,
    session: &Session,
    contacts: &Contacts,
    contact: &Contact,
    out: &mut Vec<Command>,
) {
    let Some(before) = contact.place_m else {
        return;
    };
    let mut after = Some(before);
    let mut goes_on = false;
    let name = format!(
        "{} {}, {} to {}",
        contact.side.word(),
        contact.part.word(),
        contact.first,
        contact.last
    );
    let hint = "A contact, the frames in which it holds, and where on the floor it is held.";
    line(ui, &name, hint, |ui| {
        let unpin = ui.add(Button::new("unpin").small());
        if unpin
            .on_hover_text("Let the foot stand where it falls")
            .clicked()
        {
            after = None;
        }
        let go = ui.add(Button::new("go there").small());
        if go.on_hover_text("Show its first frame").clicked() {
            out.push(Command::Seek(contact.first));
        }
    });
    let hint =
        format!("Place on the floor, across and along. From -{FARTHEST_M} to {FARTHEST_M} m.");
    line(ui, "    place", &hint, |ui| {
        let back = unpinned(session, contact);
        let reset = ui.add_enabled(back.is_some() && back != after, Button::new("↺").small());
        let reset = reset.on_hover_text("Back to where the foot falls without a pin");
        if let (true, Some(back)) = (reset.clicked(), back) {
            after = Some(back);
        }
        ui.label(caption("m"));
        for (axis, prefix) in [(1, "z "), (0, "x ")] {
            let Some(place) = after.as_mut().map(|place| &mut place[axis]) else {
                continue;
            };
            let field = DragValue::new(place)
                .update_while_editing(false)
                .prefix(prefix)
                .range(-FARTHEST_M..=FARTHEST_M)
                .speed(0.002)
                .max_decimals(4);
            let field = ui.add(field).on_hover_text(&hint);
            goes_on |= is_going_on(&field);
        }
    });
    if let Some(away_mm) = missed_mm(session, contact) {
        let text = format!(
            "    ⚠ stands {} away: move it nearer, or unpin it",
            millimetres(away_mm)
        );
        ui.label(RichText::new(text).color(colour(palette::ORANGE)))
            .on_hover_text(
                "The leg does not reach it, or another pin of this foot is at odds with it.",
            );
    }
    if after != Some(before) {
        let name = match after {
            Some(_) => "place of a pin",
            None => "unpinned contact",
        };
        send(name, with_place(contacts, contact, after), goes_on, out);
    }
}
