//! Contacts of the performer's feet as bars: their ends can be dragged, bars split, added, deleted.

use bevy_egui::egui;
use egui::{Color32, CursorIcon, Rect, Sense, Stroke, StrokeKind, Ui, vec2};
use understudy_solver::{Contact, Contacts, FootPart};

use super::Memory;
use super::theme::colour;
use super::tracks::{Axis, row};
use crate::state::command::Command;
use crate::state::palette;
use crate::state::session::Session;

const HEIGHT: f32 = 27.0;
/// How near to an end of a bar the pointer takes hold of it, points.
const GRIP: f32 = 5.0;
/// Length of a contact that is added, seconds.
const ADDED_SECS: f64 = 0.2;

/// An end of a contact that is being dragged. The contact is known by where it began.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dragged {
    contact: Contact,
    is_end: bool,
    has_moved: bool,
}

/// Draws a row per foot of the performer.
pub fn show(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    axis: Axis,
    out: &mut Vec<Command>,
) {
    let (Some(solved), Some(contacts)) = (&session.solved, session.contacts()) else {
        return;
    };
    for foot in &solved.retargeted.stance.feet {
        let of_pair = if foot.pair == 0 {
            String::new()
        } else {
            format!(" {}", foot.pair + 1)
        };
        let label = format!("{} foot{of_pair}", foot.side.word());
        let (painter, area) = row(ui, axis, HEIGHT, &label, "heel, ball, toe down");
        let lane = area.height() / 3.0;
        for (at, part) in FootPart::ALL.into_iter().enumerate() {
            let top = area.top() + at as f32 * lane;
            let lane = Rect::from_x_y_ranges(area.x_range(), top..=top + lane);
            let own: Vec<Contact> = contacts.of(foot.side, foot.pair, part).copied().collect();
            for contact in &own {
                let bar = bar(axis, contact, lane);
                painter.rect_filled(bar, 2.0, colour(palette::side(foot.side)));
                if contact.place_m.is_some() {
                    let at = bar.left_center() + vec2(6.0, 3.0);
                    super::pins::sign(&painter, at, 6.5, Color32::WHITE);
                }
            }
            if foot.point(part).is_some() && session.can_edit_contacts() {
                let blank = Contact {
                    side: foot.side,
                    pair: foot.pair,
                    part,
                    first: 0,
                    last: 0,
                    place_m: None,
                };
                edit(ui, session, memory, axis, lane, &blank, contacts, out);
            }
        }
    }
}

fn bar(axis: Axis, contact: &Contact, lane: Rect) -> Rect {
    let frames = axis.x(contact.first as f64)..=axis.x(contact.last as f64 + 1.0);
    Rect::from_x_y_ranges(frames, lane.y_range().shrink(1.0))
}

/// The pointer in the lane of one part: `blank` says whose lane it is.
#[allow(clippy::too_many_arguments)]
fn edit(
    ui: &Ui,
    session: &Session,
    memory: &mut Memory,
    axis: Axis,
    lane: Rect,
    blank: &Contact,
    contacts: &Contacts,
    out: &mut Vec<Command>,
) {
    let id = ui
        .id()
        .with(("contact", blank.side, blank.pair, blank.part));
    let response = ui.interact(lane, id, Sense::click_and_drag());
    let last = session.clock.last();
    let is_lane = |contact: &&Contact| {
        (contact.side, contact.pair, contact.part) == (blank.side, blank.pair, blank.part)
    };
    let own = || contacts.contacts.iter().filter(is_lane);
    let grip_at = |x: f32| {
        own().find_map(|contact| {
            let bar = bar(axis, contact, lane);
            let ends = [(bar.left(), false), (bar.right(), true)];
            let held = ends.into_iter().find(|(end, _)| (x - end).abs() <= GRIP);
            held.map(|(_, is_end)| (*contact, is_end))
        })
    };
    let frame_at = |x: f32| axis.frame(x).floor().clamp(0.0, last as f64) as usize;
    let under = |x: f32| {
        let frame = frame_at(x);
        own()
            .find(|contact| (contact.first..=contact.last).contains(&frame))
            .copied()
    };
    if let Some(pointer) = response.hover_pos()
        && grip_at(pointer.x).is_some()
    {
        ui.ctx().set_cursor_icon(CursorIcon::ResizeHorizontal);
    }
    if response.drag_started()
        && let Some(start) = ui.input(|input| input.pointer.press_origin())
        && let Some((contact, is_end)) = grip_at(start.x)
    {
        memory.dragged_contact = Some(Dragged {
            contact,
            is_end,
            has_moved: false,
        });
    }
    if let (Some(dragged), Some(pointer)) =
        (memory.dragged_contact, response.interact_pointer_pos())
        && response.dragged()
    {
        let moved = with_end(dragged.contact, dragged.is_end, axis.frame(pointer.x), last);
        if moved != dragged.contact {
            let changed = replaced(contacts, &dragged.contact, &[moved]);
            send("end of a contact", changed, dragged.has_moved, out);
            memory.dragged_contact = Some(Dragged {
                contact: moved,
                has_moved: true,
                ..dragged
            });
        }
    }
    if response.drag_stopped() {
        memory.dragged_contact = None;
    }
    let pointer = response.interact_pointer_pos();
    if response.double_clicked()
        && let Some(x) = pointer.map(|pointer| pointer.x)
        && under(x).is_none()
    {
        let half = (0.5 * ADDED_SECS / session.clock.frame_time_secs()).round() as usize;
        let frame = frame_at(x);
        let added = Contact {
            first: frame.saturating_sub(half),
            last: (frame + half).min(last),
            ..*blank
        };
        send(
            "new contact",
            replaced(contacts, blank, &[added]),
            false,
            out,
        );
    }
    let menu_id = id.with("menu");
    if response.secondary_clicked() {
        let found = pointer.and_then(|pointer| Some((under(pointer.x)?, frame_at(pointer.x))));
        ui.data_mut(|data| data.insert_temp(menu_id, found));
    }
    let found: Option<(Contact, usize)> = ui.data(|data| data.get_temp(menu_id)).flatten();
    if let Some((contact, frame)) = found {
        mark(ui, axis, lane, &contact);
        response.context_menu(|ui| menu(ui, session, contacts, &contact, frame, out));
        if !response.context_menu_opened() {
            ui.data_mut(|data| data.remove::<Option<(Contact, usize)>>(menu_id));
        }
    } else if response.hovered() {
        response.on_hover_text(
            "drag an end · double click: new contact · right click: split, delete, pin",
        );
    }
}

fn mark(ui: &Ui, axis: Axis, lane: Rect, contact: &Contact) {
    let stroke = Stroke::new(1.5, ui.visuals().text_color());
    ui.painter()
        .rect_stroke(bar(axis, contact, lane), 2.0, stroke, StrokeKind::Outside);
}

fn menu(
    ui: &mut Ui,
    session: &Session,
    contacts: &Contacts,
    contact: &Contact,
    frame: usize,
    out: &mut Vec<Command>,
) {
    ui.set_min_size(vec2(160.0, 0.0));
    ui.label(super::theme::caption(format!(
        "{} {}, frames {} to {}",
        contact.side.word(),
        contact.part.word(),
        contact.first,
        contact.last
    )));
    if ui.button("delete this contact").clicked() {
        send(
            "deleted contact",
            replaced(contacts, contact, &[]),
            false,
            out,
        );
        ui.close();
    }
    let parts = split(*contact, frame);
    if ui
        .add_enabled(parts.is_some(), egui::Button::new("split here"))
        .clicked()
        && let Some(parts) = parts
    {
        send(
            "split contact",
            replaced(contacts, contact, &parts),
            false,
            out,
        );
        ui.close();
    }
    super::pins::menu(ui, session, contacts, contact, out);
    let is_given = session.document.choices.contacts.is_some();
    if ui
        .add_enabled(is_given, egui::Button::new("all contacts as found"))
        .clicked()
    {
        out.push(Command::SetContacts {
            name: "contacts as found",
            contacts: None,
            goes_on: false,
        });
        ui.close();
    }
}

/// Sends changed contacts.
pub fn send(name: &'static str, contacts: Contacts, goes_on: bool, out: &mut Vec<Command>) {
    out.push(Command::SetContacts {
        name,
        contacts: Some(contacts),
        goes_on,
    });
}

/// A contact with one end moved to a place; it keeps at least one frame.
fn with_end(contact: Contact, is_end: bool, place: f64, last: usize) -> Contact {
    let frame = |place: f64| place.round().clamp(0.0, last as f64) as usize;
    match is_end {
        // A bar ends behind its last frame.
        true => Contact {
            last: frame(place - 1.0).max(contact.first),
            ..contact
        },
        false => Contact {
            first: frame(place).min(contact.last),
            ..contact
        },
    }
}

/// A contact in two, with one frame between them; `None` where a part would be empty.
fn split(contact: Contact, frame: usize) -> Option<[Contact; 2]> {
    (contact.first < frame && frame < contact.last).then(|| {
        [
            Contact {
                last: frame - 1,
                ..contact
            },
            Contact {
                first: frame + 1,
                ..contact
            },
        ]
    })
}

/// All contacts, one of them replaced by others.
fn replaced(contacts: &Contacts, old: &Contact, new: &[Contact]) -> Contacts {
    let kept = contacts.contacts.iter().filter(|contact| *contact != old);
    Contacts {
        contacts: kept.chain(new).copied().collect(),
        touches: contacts.touches.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use understudy_anatomy::Side;

    const CONTACT: Contact = Contact {
        side: Side::Left,
        pair: 0,
        part: FootPart::Ball,
        first: 10,
        last: 20,
        place_m: None,
    };

    #[test]
    fn ends_move_to_where_they_are_dropped() {
        let check = |is_end: bool, place: f64, expected: (usize, usize)| {
            let moved = with_end(CONTACT, is_end, place, 99);
            assert_eq!((moved.first, moved.last), expected);
        };
        check(true, 31.2, (10, 30));
        check(true, 2.0, (10, 10));
        check(false, 3.4, (3, 20));
        check(false, 50.0, (20, 20));
        check(true, 1e9, (10, 99));
    }

    #[test]
    fn a_split_leaves_a_frame_free() {
        let [a, b] = split(CONTACT, 15).unwrap();
        assert_eq!((a.first, a.last, b.first, b.last), (10, 14, 16, 20));
        assert_eq!(split(CONTACT, 10), None);
        let all = Contacts {
            contacts: vec![CONTACT],
            touches: None,
        };
        assert_eq!(replaced(&all, &CONTACT, &[a, b]).contacts, [a, b]);
        assert_eq!(replaced(&all, &CONTACT, &[]).contacts, []);
    }
}
