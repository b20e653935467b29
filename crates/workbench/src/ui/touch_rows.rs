//! Touches of hands and forearms, and what the body rests on the floor with, as bars that say what is
//! touched, and how well the character meets it.

use bevy_egui::egui;
use egui::{Align2, FontId, Rect, Sense, Stroke, StrokeKind, Ui, vec2};
use understudy_anatomy::Side;
use understudy_measure::touches::TOUCHING_MM;
use understudy_solver::{Contacts, Touch};

use super::theme::{caption, colour};
use super::tracks::{Axis, row};
use crate::state::command::Command;
use crate::state::palette;
use crate::state::session::Session;

const HEIGHT: f32 = 18.0;

/// Draws a row for each side of the body that touches something.
pub fn show(ui: &mut Ui, session: &Session, axis: Axis, out: &mut Vec<Command>) {
    let Some(contacts) = session.contacts() else {
        return;
    };
    let touches = contacts.touches.as_deref().unwrap_or_default();
    let sides = [Side::Left, Side::Right, Side::Middle];
    let rows = sides.map(|side| (side, false)).into_iter();
    for (side, is_rest) in rows.chain(sides.map(|side| (side, true))) {
        let own = touches.iter();
        let own = own.filter(|touch| (touch.from.side, touch.is_rest()) == (side, is_rest));
        let own: Vec<&Touch> = own.collect();
        if own.is_empty() {
            continue;
        }
        let label = match (is_rest, side) {
            (false, _) => format!("{} touches", side.word()),
            (true, Side::Middle) => "trunk rests".to_owned(),
            (true, _) => format!("{} leg rests", side.word()),
        };
        let (painter, area) = row(ui, axis, HEIGHT, &label, "");
        for touch in own {
            let frames = axis.x(touch.first as f64)..=axis.x(touch.last as f64 + 1.0);
            let bar = Rect::from_x_y_ranges(frames, area.y_range()).shrink2(vec2(0.0, 1.0));
            painter.rect_filled(bar, 3.0, colour(palette::side(side)));
            let misses = worst_mm(session, touch).filter(|mm| mm.abs() > TOUCHING_MM);
            if misses.is_some() {
                let stroke = Stroke::new(2.0, colour(palette::VERMILLION));
                painter.rect_stroke(bar, 3.0, stroke, StrokeKind::Inside);
            }
            let sign = if misses.is_some() { "✕ " } else { "" };
            painter
                .with_clip_rect(bar.intersect(painter.clip_rect()))
                .text(
                    bar.left_center() + vec2(5.0, 0.0),
                    Align2::LEFT_CENTER,
                    match is_rest {
                        true => format!("{sign}{}", touch.words()),
                        false => {
                            format!("{sign}{} on {}", touch.from.part.word(), touch.to.words())
                        }
                    },
                    FontId::proportional(10.5),
                    egui::Color32::BLACK,
                );
            edit(ui, session, touch, contacts, bar, out);
        }
    }
}

/// Greatest distance or depth left of a touch in the result, mm.
fn worst_mm(session: &Session, touch: &Touch) -> Option<f64> {
    let report = &session.solved.as_ref()?.comparison.solved;
    let words = touch.words();
    let mut own = report.touches.iter().filter(|measured| {
        (measured.touch.as_str(), measured.first_frame) == (words.as_str(), touch.first)
    });
    own.next().map(|measured| measured.worst_mm)
}

fn edit(
    ui: &Ui,
    session: &Session,
    touch: &Touch,
    contacts: &Contacts,
    bar: Rect,
    out: &mut Vec<Command>,
) {
    let id = ui.id().with(("touch", touch.words(), touch.first));
    let response = ui.interact(bar, id, Sense::click());
    if response.clicked() {
        out.push(Command::Seek(usize::midpoint(touch.first, touch.last)));
    }
    if session.can_edit_contacts() {
        response.context_menu(|ui| menu(ui, session, touch, contacts, out));
    }
    let left = match worst_mm(session, touch) {
        Some(mm) if mm < 0.0 => format!("at worst {:.1} mm too deep", -mm),
        Some(mm) => format!("at worst {mm:.1} mm apart"),
        None => "not carried over".to_owned(),
    };
    response.on_hover_text(format!(
        "{}, frames {} to {}; {left}\nclick: go there · right click: change, delete",
        touch.words(),
        touch.first,
        touch.last
    ));
}

fn menu(
    ui: &mut Ui,
    session: &Session,
    touch: &Touch,
    contacts: &Contacts,
    out: &mut Vec<Command>,
) {
    ui.set_min_size(vec2(170.0, 0.0));
    ui.label(caption(touch.words()));
    let here = session.clock.frame();
    let choices = [
        (
            format!("starts at frame {here}"),
            "start of a touch",
            (here <= touch.last && here != touch.first).then_some(Touch {
                first: here,
                ..*touch
            }),
        ),
        (
            format!("ends at frame {here}"),
            "end of a touch",
            (here >= touch.first && here != touch.last).then_some(Touch {
                last: here,
                ..*touch
            }),
        ),
    ];
    for (text, name, changed) in choices {
        let button = ui.add_enabled(changed.is_some(), egui::Button::new(text));
        if button.clicked()
            && let Some(changed) = changed
        {
            send(name, with(contacts, touch, Some(changed)), out);
            ui.close();
        }
    }
    if ui.button("delete this touch").clicked() {
        send("deleted touch", with(contacts, touch, None), out);
        ui.close();
    }
    let is_given = session.document.choices.contacts.is_some();
    let as_found = ui.add_enabled(is_given, egui::Button::new("all touches as found"));
    if as_found.clicked() {
        let found = Contacts {
            touches: None,
            ..contacts.clone()
        };
        send("touches as found", found, out);
        ui.close();
    }
}

fn send(name: &'static str, contacts: Contacts, out: &mut Vec<Command>) {
    out.push(Command::SetContacts {
        name,
        contacts: Some(contacts),
        goes_on: false,
    });
}

/// All contacts, one touch of them replaced or left out.
fn with(contacts: &Contacts, old: &Touch, new: Option<Touch>) -> Contacts {
    let touches = contacts.touches.iter().flatten();
    let changed = touches.filter_map(|touch| if touch == old { new } else { Some(*touch) });
    Contacts {
        touches: Some(changed.collect()),
        ..contacts.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use understudy_solver::{TouchEnd, TouchPart};

    #[test]
    fn one_touch_is_changed_and_the_others_stay() {
        let end = |part| TouchEnd {
            part,
            side: Side::Left,
            pair: 0,
            along: 0.5,
        };
        let touch = |first| Touch {
            from: end(TouchPart::Hand),
            to: end(TouchPart::Thigh),
            first,
            last: first + 9,
        };
        let contacts = Contacts {
            contacts: Vec::new(),
            touches: Some(vec![touch(5), touch(40)]),
        };
        let longer = Touch {
            last: 60,
            ..touch(40)
        };
        let changed = with(&contacts, &touch(40), Some(longer));
        assert_eq!(changed.touches, Some(vec![touch(5), longer]));
        let less = with(&contacts, &touch(5), None);
        assert_eq!(less.touches, Some(vec![touch(40)]));
    }
}
