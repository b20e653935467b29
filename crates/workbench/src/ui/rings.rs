//! Rings that turn the chosen joint of the character: drawn over its view, dragged, with the angle
//! written beside them.

use bevy_egui::egui;
use egui::{
    Align2, Color32, FontId, Painter, PointerButton, Pos2, Rect, Response, Shape, Stroke, Ui,
    UiBuilder, vec2,
};
use understudy_motion::DVec3;

use super::theme::{button, caption, colour, faint, toggle};
use super::views::{drawn_at, place, plate};
use crate::state::camera::Camera;
use crate::state::command::Command;
use crate::state::palette::{self, Rgb};
use crate::state::rings::{Drag, LETTERS, RingAxes, Rings};
use crate::state::session::Session;
use crate::state::stage::Who;

/// How near the pointer must be to a ring, points.
const REACH: f32 = 8.0;

/// Colours of the rings; a letter and a dash say the same.
const COLOURS: [Rgb; 3] = [palette::VERMILLION, palette::GREEN, palette::SKY];

/// The rings of a view, once for each picture.
pub struct Shown {
    rings: Rings,
    camera: Camera,
    /// The one under the pointer.
    hovered: Option<usize>,
}

impl Shown {
    /// The rings around the chosen joint, where the view shows it.
    pub fn of(session: &Session, view: Who) -> Option<Self> {
        Some(Self {
            rings: session.rings(view)?,
            camera: session.camera(view)?,
            hovered: None,
        })
    }
}

/// Follows a drag of a ring; whether the pointer is theirs.
pub fn follow(
    ui: &Ui,
    session: &Session,
    shown: Option<&mut Shown>,
    dragged: &mut Option<Drag>,
    view: Who,
    response: &Response,
    out: &mut Vec<Command>,
) -> bool {
    let Some(shown) = shown else {
        if view == Who::Character {
            *dragged = None;
        }
        return false;
    };
    let (rings, camera) = (shown.rings, &shown.camera);
    let rect = response.rect;
    let reach = f64::from(REACH / rect.height().max(1.0));
    let under = |at: Pos2| rings.at(camera, place(rect, at), reach);
    let pressed = ui.input(|input| input.pointer.press_origin());
    if response.drag_started_by(PointerButton::Primary)
        && let Some(at) = pressed
        && let Some(ring) = under(at)
    {
        *dragged = Drag::begin(session, rings, ring, camera, place(rect, at));
    }
    if !response.dragged_by(PointerButton::Primary) {
        *dragged = None;
    } else if let Some(drag) = dragged
        && let Some(at) = response.interact_pointer_pos()
    {
        drag.follow(camera, place(rect, at));
        let before = &session.document.choices.settings;
        let after = drag.settings(before, drag.shown(snaps(ui)));
        if after != *before {
            out.push(Command::Tune {
                name: "offset of a joint",
                settings: Box::new(after),
                goes_on: drag.has_changed,
            });
            drag.has_changed = true;
        }
    }
    let hovered = response.hover_pos().and_then(under);
    // While the camera is turned, rings pass under the pointer.
    shown.hovered = hovered.filter(|_| !response.dragged());
    if shown.hovered.is_some() && dragged.is_none() {
        ui.set_cursor_icon(egui::CursorIcon::Grab);
    }
    dragged.is_some() || shown.hovered.is_some()
}

/// Whether a turn goes in steps.
fn snaps(ui: &Ui) -> bool {
    ui.input(|input| input.modifiers.shift)
}

/// Draws the rings of a view, or the one that is dragged.
pub fn show(ui: &Ui, shown: &Shown, dragged: Option<&Drag>, rect: Rect) {
    let painter = Turned {
        painter: ui.painter_at(rect),
        rect,
        camera: &shown.camera,
    };
    match dragged {
        Some(drag) => painter.drag(ui, drag, drag.shown(snaps(ui))),
        None => painter.rings(&shown.rings, shown.hovered),
    }
}

struct Turned<'a> {
    painter: Painter,
    rect: Rect,
    camera: &'a Camera,
}

impl Turned<'_> {
    fn at(&self, point: DVec3) -> Option<Pos2> {
        drawn_at(self.camera, self.rect, point)
    }

    fn rings(&self, rings: &Rings, hovered: Option<usize>) {
        for ring in 0..3 {
            self.ring(rings, ring, hovered == Some(ring), false);
        }
        // Letters last, over all rings.
        for ring in 0..3 {
            self.letter(rings, ring);
        }
    }

    /// A ring: its far side faint, its near side with its dash.
    fn ring(&self, rings: &Rings, ring: usize, is_strong: bool, is_whole: bool) {
        let corners = rings.corners(ring, self.camera);
        let seen: Vec<(Option<Pos2>, bool)> = corners
            .iter()
            .map(|(point, is_near)| (self.at(*point), *is_near || is_whole))
            .collect();
        let far = Stroke::new(1.0, faint(COLOURS[ring], 0.25));
        for pair in seen.windows(2) {
            if let [(Some(a), near_a), (Some(b), near_b)] = pair
                && !(*near_a && *near_b)
            {
                self.painter.line_segment([*a, *b], far);
            }
        }
        for path in near_paths(&seen) {
            let width = if is_strong { 4.0 } else { 2.6 };
            let edge = Stroke::new(width + 2.4, Color32::from_black_alpha(120));
            let line = Stroke::new(width, colour(COLOURS[ring]));
            match ring {
                0 => {
                    self.painter.line(path.clone(), edge);
                    self.painter.line(path, line);
                }
                1 => {
                    self.painter
                        .extend(Shape::dashed_line(&path, edge, 11.0, 5.0));
                    self.painter
                        .extend(Shape::dashed_line(&path, line, 11.0, 5.0));
                }
                _ => {
                    let dots = |width: f32, shade| Shape::dotted_line(&path, shade, 6.5, width);
                    self.painter.extend(dots(0.5 * width + 2.0, edge.color));
                    self.painter.extend(dots(0.5 * width + 0.8, line.color));
                }
            }
        }
    }

    /// The letter of a ring, in the middle of its near side.
    fn letter(&self, rings: &Rings, ring: usize) {
        let corners = rings.corners(ring, self.camera);
        let seen: Vec<_> = corners
            .iter()
            .map(|(point, is_near)| (self.at(*point), *is_near))
            .collect();
        let paths = near_paths(&seen);
        let longest = paths.iter().max_by_key(|path| path.len());
        // A ring that is seen whole carries it where no other ring crosses it.
        let share = if longest.is_some_and(|path| path.len() > 60) {
            0.13
        } else {
            0.32
        };
        let Some(at) = longest.and_then(|path| {
            let number = (share * path.len() as f64) as usize;
            path.get(number)
        }) else {
            return;
        };
        self.painter.circle(
            *at,
            8.0,
            Color32::from_black_alpha(215),
            Stroke::new(1.5, colour(COLOURS[ring])),
        );
        self.painter.text(
            *at,
            Align2::CENTER_CENTER,
            LETTERS[ring],
            FontId::proportional(11.0),
            Color32::WHITE,
        );
    }

    /// The ring that is dragged: from where, to where, and how far.
    fn drag(&self, ui: &Ui, drag: &Drag, turned: f64) {
        self.ring(&drag.rings, drag.ring, true, true);
        let centre = self.at(drag.rings.centre);
        let line = Stroke::new(1.5, colour(COLOURS[drag.ring]));
        for angle in [drag.from, drag.from + turned] {
            if let (Some(centre), Some(end)) = (centre, self.at(drag.point(angle))) {
                self.painter.line_segment([centre, end], line);
                self.painter.circle_filled(end, 4.0, line.color);
            }
        }
        let Some(end) = self.at(drag.point(drag.from + turned)) else {
            return;
        };
        let text = format!("{:+.1}° about {}", turned.to_degrees(), LETTERS[drag.ring]);
        let font = FontId::proportional(14.0);
        let galley = self
            .painter
            .layout_no_wrap(text, font, ui.visuals().text_color());
        let rect = Align2::LEFT_BOTTOM.anchor_size(end + vec2(14.0, -10.0), galley.size());
        self.painter
            .rect_filled(rect.expand2(vec2(6.0, 3.0)), 4.0, plate(ui));
        self.painter.galley(rect.min, galley, Color32::PLACEHOLDER);
    }
}

/// The runs of a closed line that lie on its near side.
fn near_paths(seen: &[(Option<Pos2>, bool)]) -> Vec<Vec<Pos2>> {
    let mut paths: Vec<Vec<Pos2>> = vec![Vec::new()];
    for (at, is_near) in seen {
        match (at, is_near) {
            (Some(at), true) => {
                if let Some(path) = paths.last_mut() {
                    path.push(*at);
                }
            }
            _ => paths.push(Vec::new()),
        }
    }
    // The end goes on at the start, where both are near.
    let is_open = seen.iter().any(|(at, is_near)| at.is_none() || !is_near);
    if is_open && let Some(end) = paths.pop() {
        match paths.first_mut() {
            Some(first) if !first.is_empty() && !end.is_empty() => {
                let start = std::mem::replace(first, end);
                first.extend(start.into_iter().skip(1));
            }
            _ => paths.push(end),
        }
    }
    paths.retain(|path| path.len() > 1);
    paths
}

/// What can be chosen about the rings: their axes, and to take the offset away. It stands in the lower left
/// corner, below the feet of a body that is framed; where it stands.
pub fn bar(ui: &mut Ui, session: &Session, rect: Rect, out: &mut Vec<Command>) -> Option<Rect> {
    let offset_deg = session.chosen_offset_deg()?;
    const HEIGHT: f32 = 30.0;
    let low = rect.left_bottom() + vec2(12.0, -10.0);
    let space = Rect::from_min_max(
        low - vec2(0.0, HEIGHT),
        egui::pos2(rect.right() - 8.0, low.y),
    );
    let mut inner = ui.new_child(UiBuilder::new().max_rect(space));
    let fill = plate(&inner);
    let frame = egui::Frame::new()
        .fill(fill)
        .corner_radius(5.0)
        .inner_margin(egui::Margin::symmetric(6, 3))
        .show(&mut inner, |ui| {
            ui.horizontal(|ui| {
                for axes in RingAxes::ALL {
                    toggle(
                        ui,
                        session.view.ring_axes == axes,
                        axes.word(),
                        "The axes that the rings turn about; Shift turns by steps of 5°",
                        Command::SetRingAxes(axes),
                        out,
                    );
                }
                ui.separator();
                let length = DVec3::from_array(offset_deg).length();
                let words = match length > 0.0 {
                    true => format!("offset {length:.1}°"),
                    false => "no offset".to_owned(),
                };
                ui.label(caption(words));
                ui.add_enabled_ui(length > 0.0, |ui| {
                    let hint = "Take the offset of this joint away";
                    button(ui, "Reset offset", hint, Command::ResetOffset, out);
                });
            });
        });
    Some(frame.response.rect)
}

#[cfg(test)]
mod tests {
    use egui_kittest::kittest::Queryable;

    use super::*;
    use crate::ui::tests::{pedlar, press};

    #[test]
    fn near_sides_are_joined_over_the_start_of_a_line() {
        let at = |x: f32| Some(egui::pos2(x, 0.0));
        let seen = [
            (at(0.0), true),
            (at(1.0), true),
            (at(2.0), false),
            (at(3.0), true),
            (at(0.0), true),
        ];
        let xs: Vec<Vec<f32>> = near_paths(&seen)
            .into_iter()
            .map(|path| path.into_iter().map(|at| at.x).collect())
            .collect();
        assert_eq!(xs, [[3.0, 0.0, 1.0]]);
        let whole = seen.map(|(at, _)| (at, true));
        assert_eq!(near_paths(&whole)[0].len(), 5);
    }

    #[test]
    fn the_bar_leaves_the_feet_free() {
        let mut harness = pedlar();
        let file = harness.state().session.document.character.clone().unwrap();
        let head = file.skeleton().find("pedlar:head").unwrap();
        let choose = Command::ChooseJoint(Some((Who::Character, head)));
        harness.state_mut().session.apply(choose);
        for frame in (0..180).step_by(20) {
            harness.state_mut().session.apply(Command::Seek(frame));
            harness.run_steps(2);
            let bar = harness.get_by_label(RingAxes::World.word()).rect();
            let session = &harness.state().session;
            let (_, rect) = harness.state().views[1];
            let camera = session.camera(Who::Character).unwrap();
            let (_, motion) = session.motion(Who::Character).unwrap();
            for sole in &motion.soles {
                for track in sole.tracks.iter().flatten() {
                    let at = drawn_at(&camera, rect, track[frame]).unwrap();
                    assert!(at.y < bar.top(), "frame {frame}: {at} {bar}");
                }
            }
        }
    }

    #[test]
    fn a_ring_is_dragged_and_the_offset_reset() {
        let mut harness = pedlar();
        let session = &mut harness.state_mut().session;
        session.apply(Command::Seek(90));
        let file = session.document.character.clone().unwrap();
        let head = file.skeleton().find("pedlar:head").unwrap();
        session.apply(Command::ChooseJoint(Some((Who::Character, head))));
        harness.run_steps(3);
        press(&mut harness, RingAxes::World.word());
        let session = &harness.state().session;
        assert_eq!(session.view.ring_axes, RingAxes::World);
        let orbits = session.view.orbits;
        let rings = session.rings(Who::Character).unwrap();
        let camera = session.camera(Who::Character).unwrap();
        let (_, rect) = harness.state().views[1];
        // Of the two upright rings the one that is seen more from its face.
        let look = camera.rotation * DVec3::Z;
        let facing = |ring: usize| rings.axes[ring].dot(look).abs();
        let ring = if facing(0) > facing(2) { 0 } else { 2 };
        let on_screen = |corner: usize| {
            let (point, is_near) = rings.corners(ring, &camera)[corner];
            let ([right, down], _) = camera.project(point).unwrap();
            let at = rect.center() + vec2(right as f32, down as f32) * rect.height();
            (at, is_near)
        };
        // Somewhere on the near side, away from the other rings.
        let start = (0..72)
            .find(|&corner| {
                let (at, is_near) = on_screen(corner);
                is_near && rings.at(&camera, place(rect, at), 0.005) == Some(ring)
            })
            .unwrap();
        harness.drag_at(on_screen(start).0);
        harness.run_steps(2);
        for step in 1..=6 {
            harness.hover_at(on_screen((start + step) % 72).0);
            harness.run_steps(2);
        }
        harness.drop_at(on_screen((start + 6) % 72).0);
        harness.run_steps(2);
        let session = &harness.state().session;
        // Six of 72 corners are 30 degrees, and the camera has not moved.
        let offset_deg = session.chosen_offset_deg().unwrap();
        let length = DVec3::from_array(offset_deg).length();
        assert!((length - 30.0).abs() < 0.5, "{offset_deg:?}");
        assert_eq!(session.view.orbits, orbits);
        assert_eq!(session.joint, Some((Who::Character, head)));
        press(&mut harness, "Reset offset");
        assert_eq!(harness.state().session.chosen_offset_deg(), Some([0.0; 3]));
        press(&mut harness, "Undo");
        press(&mut harness, "Undo");
        assert_eq!(harness.state().session.history.can_undo(), None);
    }
}
