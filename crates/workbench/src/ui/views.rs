//! The space of the bodies: where each is drawn, its camera by mouse, and what is written over it.

use bevy_egui::egui;
use egui::{Align2, Color32, FontId, PointerButton, Pos2, Rect, Response, Sense, Ui, pos2, vec2};
use understudy_motion::DVec3;

use super::{Memory, chosen, legend, marks, rings, theme};
use crate::state::camera::Camera;
use crate::state::command::Command;
use crate::state::session::Session;
use crate::state::stage::Who;
use crate::state::view::Arrangement;

/// Room between two views, points.
const GAP: f32 = 2.0;

/// Draws what lies over the bodies, and returns where each body is drawn.
pub fn show(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    out: &mut Vec<Command>,
) -> Vec<(Who, Rect)> {
    let views = split(ui.max_rect(), session.view.arrangement.views());
    let first = views.first().map(|(who, _)| *who);
    let legend = views.first().and_then(|(who, rect)| {
        session.motion(*who)?;
        legend::place(session, *rect)
    });
    for (who, rect) in &views {
        let response = ui.interact(*rect, ui.id().with(who.word()), Sense::click_and_drag());
        let mut rings = rings::Shown::of(session, *who);
        let ring = &mut memory.ring;
        let is_turning = rings::follow(ui, session, rings.as_mut(), ring, *who, &response, out);
        steer(ui, session, *who, &response, is_turning, out);
        if !is_turning {
            chosen::pick(ui, session, &mut memory.picked, *who, &response, out);
        }
        match session.motion(*who) {
            Some(_) => {
                let name = caption(ui, session, *who, *rect);
                let legend = legend.filter(|_| Some(*who) == first);
                marks::show(ui, session, *who, *rect, [name, legend]);
                // What is to be taken hold of lies over what is only to be read.
                if let Some(rings) = &rings {
                    rings::show(ui, rings, memory.ring.as_ref(), *rect);
                }
                let bar = rings.and_then(|_| rings::bar(ui, session, *rect, out));
                scale(ui, *rect, bar);
            }
            None => empty(ui, session, *who, *rect),
        }
    }
    if let [(_, one), (_, other)] = views.as_slice() {
        let line = Rect::from_min_max(one.right_top(), other.left_bottom());
        ui.painter().rect_filled(line, 0.0, ui.visuals().panel_fill);
    }
    if let (Some((_, view)), Some(rect)) = (views.first(), legend) {
        legend::show(ui, session, *view, rect);
    }
    views
}

/// Divides the space among the bodies, left to right.
pub fn split(space: Rect, bodies: &[Who]) -> Vec<(Who, Rect)> {
    let count = bodies.len().max(1) as f32;
    let width = (space.width() - GAP * (count - 1.0)) / count;
    let views = bodies.iter().enumerate();
    views
        .map(|(at, who)| {
            let left = space.left() + at as f32 * (width + GAP);
            let rect = Rect::from_min_size(pos2(left, space.top()), vec2(width, space.height()));
            (*who, rect)
        })
        .collect()
}

/// Where a place of a view is, in its heights from its middle, right and down.
pub fn place(view: Rect, at: Pos2) -> [f64; 2] {
    let place = (at - view.center()) / view.height().max(1.0);
    [f64::from(place.x), f64::from(place.y)]
}

/// Where a point of the world is drawn in a view; `None` behind the camera.
pub fn drawn_at(camera: &Camera, view: Rect, point: DVec3) -> Option<Pos2> {
    let ([right, down], _) = camera.project(point)?;
    Some(view.center() + vec2(right as f32, down as f32) * view.height())
}

/// The mouse moves the camera, unless it turns a joint.
fn steer(
    ui: &Ui,
    session: &Session,
    who: Who,
    response: &Response,
    is_turning: bool,
    out: &mut Vec<Command>,
) {
    let rect = response.rect;
    let orbit = *session.view.orbit(who);
    let drag = response.drag_delta() / rect.height().max(1.0);
    let (right, down) = (f64::from(drag.x), f64::from(drag.y));
    let moves = response.dragged_by(PointerButton::Secondary)
        || response.dragged_by(PointerButton::Middle)
        || (response.dragged() && ui.input(|input| input.modifiers.shift));
    let mut moved = orbit;
    if is_turning {
        // The drag is the ring's.
    } else if moves {
        moved = moved.shifted(right, down);
    } else if response.dragged_by(PointerButton::Primary) {
        moved = moved.turned(right, down);
    }
    if response.contains_pointer() {
        let (wheel, pinch) = ui.input(|input| (input.smooth_scroll_delta().y, input.zoom_delta()));
        moved = moved.zoomed(f64::from((-wheel * 0.0025).exp() / pinch));
    }
    if moved != orbit {
        out.push(Command::SetOrbit(who, moved));
    }
}

/// Who is seen, in the corner of the view, in few words where the view is small.
fn caption(ui: &Ui, session: &Session, who: Who, rect: Rect) -> Option<Rect> {
    /// Least height of a view that has room for more than a name, points.
    const HIGH: f32 = 180.0;
    let (actor, _) = session.motion(who)?;
    let version = match (who, session.solved.is_some(), session.view.before) {
        (Who::Performer, ..) => "as captured",
        (_, false, _) => "at rest",
        (_, true, true) => "before planting",
        (_, true, false) => "after planting",
    };
    let height_m = actor.figure.height_m;
    let name = &actor.figure.name;
    let mut lines = match (session.view.arrangement, who) {
        (Arrangement::Compare, Who::Character) => {
            vec!["A · settings as they are".to_owned(), name.clone()]
        }
        (_, Who::Other) => {
            let other = session.other.as_ref().map_or("", |other| &other.name);
            vec![format!("B · {other}"), name.clone()]
        }
        _ => vec![format!("{name} · {}", who.word())],
    };
    lines.push(format!("{version} · {height_m:.2} m tall"));
    if session.view.arrangement == Arrangement::Overlay {
        lines.push("the performer at the character's size".to_owned());
    }
    if rect.height() < HIGH {
        lines.truncate(1);
    }
    let at = rect.left_top() + vec2(12.0, 10.0);
    Some(tag(ui, rect, at, Align2::LEFT_TOP, &lines))
}

/// How large the squares of the floor are, in the lower left corner, or beside what stands there where
/// there is room for both.
fn scale(ui: &Ui, rect: Rect, taken: Option<Rect>) {
    /// Points that the words take, with room around them.
    const WIDTH: f32 = 165.0;
    /// Least height of a view in which they leave room for the body, points.
    const HIGH: f32 = 180.0;
    let left = taken.map_or(rect.left() + 12.0, |taken| taken.right() + 8.0);
    if left + WIDTH <= rect.right() && rect.height() >= HIGH {
        let words = ["floor: 1 m and 10 cm".to_owned()];
        let at = pos2(left, rect.bottom() - 10.0);
        tag(ui, rect, at, Align2::LEFT_BOTTOM, &words);
    }
}

/// Lines of text on a dim plate in a view; the first is the main one.
pub fn tag(ui: &Ui, view: Rect, at: Pos2, anchor: Align2, lines: &[String]) -> Rect {
    let visuals = ui.visuals();
    let galleys: Vec<_> = lines
        .iter()
        .enumerate()
        .map(|(index, line)| {
            let (size, text_colour) = match index {
                0 => (13.5, visuals.text_color()),
                _ => (11.5, visuals.weak_text_color()),
            };
            ui.painter()
                .layout_no_wrap(line.clone(), FontId::proportional(size), text_colour)
        })
        .collect();
    let width = galleys
        .iter()
        .map(|galley| galley.size().x)
        .fold(0.0, f32::max);
    let height: f32 = galleys.iter().map(|galley| galley.size().y).sum();
    let pad = vec2(8.0, 5.0);
    let rect = anchor.anchor_size(at, vec2(width, height) + 2.0 * pad);
    let painter = ui.painter_at(view);
    painter.rect_filled(rect, 5.0, plate(ui));
    let mut top = rect.min + pad;
    for galley in galleys {
        let height = galley.size().y;
        painter.galley(top, galley, Color32::PLACEHOLDER);
        top.y += height;
    }
    rect
}

/// The plate below text over the bodies.
pub fn plate(ui: &Ui) -> Color32 {
    let fill = ui.visuals().panel_fill;
    let fill = crate::state::palette::Rgb(fill.r(), fill.g(), fill.b());
    theme::faint(fill, 0.8)
}

/// What to do where there is no body.
fn empty(ui: &Ui, session: &Session, who: Who, rect: Rect) {
    let text = match (who, &session.other) {
        (Who::Performer, _) => "Open a take, or drop its file here",
        (Who::Character, _) => "Open a character, or drop its file here",
        (Who::Other, None) => "B: choose a preset to compare with (F5)",
        (Who::Other, Some(other)) => match other.problem {
            Some(_) => "B: there is no result; see Presets (F5)",
            None => "B: the take is being carried over …",
        },
    };
    let colour = ui.visuals().weak_text_color();
    ui.painter().text(
        rect.center(),
        Align2::CENTER_CENTER,
        text,
        FontId::proportional(16.0),
        colour,
    );
    ui.painter().rect_stroke(
        Rect::from_center_size(rect.center(), vec2(320.0, 80.0)),
        8.0,
        egui::Stroke::new(1.0, theme::faint(crate::state::palette::MIDDLE, 0.3)),
        egui::StrokeKind::Inside,
    );
}
