//! The joint that is chosen, and its counterpart on the other body: picked by a click, named at the
//! pointer, marked over the bodies.

use bevy_egui::egui;
use egui::{
    Align2, Color32, Painter, PointerButton, Pos2, Rect, Response, Shape, Stroke, Ui, Vec2, vec2,
};

use super::marks::Glass;
use super::theme::colour;
use super::views::place;
use crate::state::command::Command;
use crate::state::palette;
use crate::state::pick::{Hit, Kept};
use crate::state::session::Session;
use crate::state::stage::Who;

/// How near the pointer must be to a bone, points.
const REACH: f32 = 10.0;

/// A click chooses the joint under it, or none; a second one frames it. Without a button, the joint
/// under the pointer is named.
pub fn pick(
    ui: &Ui,
    session: &Session,
    kept: &mut Kept,
    view: Who,
    response: &Response,
    out: &mut Vec<Command>,
) {
    let rect = response.rect;
    let mut under = |at: Pos2| {
        let reach = f64::from(REACH / rect.height().max(1.0));
        kept.joint_at(session, view, place(rect, at), reach)
    };
    if response.clicked_by(PointerButton::Primary)
        && let Some(at) = response.interact_pointer_pos()
    {
        let hit = under(at);
        let joint = hit.map(|hit| (hit.who, hit.joint));
        if response.double_clicked() {
            // The first of the two clicks chose the joint.
            out.push(match joint {
                Some(_) => Command::FrameJoint,
                None => Command::FrameBodies,
            });
        } else if joint != session.joint {
            out.push(Command::ChooseJoint(joint));
        }
    }
    // While bodies move, every picture would have to be searched.
    let is_still = !session.clock.is_playing && ui.input(|input| !input.pointer.any_down());
    if is_still
        && let Some(at) = response.hover_pos()
        && let Some(hit) = under(at)
    {
        named(ui, session, response, hit);
    }
}

fn named(ui: &Ui, session: &Session, response: &Response, hit: Hit) {
    ui.set_cursor_icon(egui::CursorIcon::PointingHand);
    egui::Tooltip::always_open(
        ui.ctx().clone(),
        response.layer_id,
        response.id.with("joint"),
        egui::PopupAnchor::Pointer,
    )
    .gap(14.0)
    .show(|ui| ui.label(session.joint_words(hit.who, hit.joint)));
}

impl Glass<'_> {
    /// Marks the joints of the chosen chain, and of the same chain of the other body, and links them.
    pub fn chain(&self) {
        let Some((owner, _)) = self.session.chain else {
            return;
        };
        for body in self.session.bodies_in(self.who) {
            let Some((_, motion)) = self.session.motion(body) else {
                continue;
            };
            let skeleton = &motion.clip.skeleton;
            let joints = self.session.chosen_chain(body);
            if joints.iter().any(|&joint| joint >= skeleton.len()) {
                continue;
            }
            let pose = self
                .session
                .drawn_pose(body, motion, self.session.frame_of(motion));
            let places = joints.iter().map(|&joint| self.at(pose.position(joint)));
            let places: Vec<Option<Pos2>> = places.collect();
            for stroke in strokes(5.0, 2.4) {
                for (at, &joint) in places.iter().zip(&joints) {
                    let parent = skeleton.parent(joint);
                    let above = joints.iter().position(|&other| Some(other) == parent);
                    let above = above.and_then(|above| places[above]);
                    if let (Some(at), Some(above)) = (at, above) {
                        self.painter.line_segment([above, *at], stroke);
                    }
                }
            }
            for at in places.into_iter().flatten() {
                chain_sign(&self.painter, at, body.owner() != owner);
            }
        }
    }

    /// Marks the joint that is chosen and its counterpart, with their names.
    pub fn chosen(&self) {
        let Some((owner, joint)) = self.session.joint else {
            return;
        };
        let counterpart = self.session.counterpart(owner, joint);
        for body in self.session.bodies_in(self.who) {
            let own = body.owner();
            let (joint, is_counterpart) = match counterpart {
                _ if own == owner => (joint, false),
                Some((who, other)) if who == own => (other, true),
                _ => continue,
            };
            let Some((_, motion)) = self.session.motion(body) else {
                continue;
            };
            if joint >= motion.clip.skeleton.len() {
                continue;
            }
            let pose = self
                .session
                .drawn_pose(body, motion, self.session.frame_of(motion));
            let Some(at) = self.at(pose.position(joint)) else {
                continue;
            };
            sign(&self.painter, at, is_counterpart);
            let words = self.session.joint_words(own, joint);
            let text = match is_counterpart {
                true => format!("same role: {words}"),
                false => words,
            };
            self.label(at + vec2(16.0, -14.0), Align2::LEFT_BOTTOM, text);
        }
    }
}

/// The four ways from the middle of a sign.
const AROUND: [Vec2; 4] = [
    vec2(0.0, -1.0),
    vec2(1.0, 0.0),
    vec2(0.0, 1.0),
    vec2(-1.0, 0.0),
];

/// The sign of the chosen joint, a ring with four ticks, or that of its counterpart, a diamond.
fn sign(painter: &Painter, at: Pos2, is_counterpart: bool) {
    const RADIUS: f32 = 7.0;
    let [edge, line] = strokes(4.5, 2.0);
    for stroke in [edge, line] {
        outline(painter, at, is_counterpart, [RADIUS, 10.0], stroke);
        if !is_counterpart {
            for way in AROUND {
                painter.line_segment([at + RADIUS * way, at + (RADIUS + 6.0) * way], stroke);
            }
        }
    }
    painter.circle(at, 2.0, line.color, Stroke::new(1.0, edge.color));
}

/// The same, small and without ticks, for the legend.
pub fn small_sign(painter: &Painter, at: Pos2, is_counterpart: bool) {
    let clip = Rect::from_center_size(at, vec2(26.0, 16.0));
    let painter = painter.with_clip_rect(clip);
    for stroke in strokes(3.4, 1.6) {
        outline(&painter, at, is_counterpart, [4.5, 6.0], stroke);
    }
}

/// The sign of a joint of the chosen chain, a disc, or of the same chain of the other body, a diamond.
pub fn chain_sign(painter: &Painter, at: Pos2, is_counterpart: bool) {
    let edge = Stroke::new(1.2, Color32::from_black_alpha(190));
    let fill = colour(palette::YELLOW);
    if is_counterpart {
        let corners = AROUND.map(|way| at + 5.5 * way);
        painter.add(Shape::convex_polygon(corners.into(), fill, edge));
    } else {
        painter.circle(at, 4.0, fill, edge);
    }
}

/// A dark edge, and the line over it.
fn strokes(edge: f32, line: f32) -> [Stroke; 2] {
    [
        Stroke::new(edge, Color32::from_black_alpha(190)),
        Stroke::new(line, colour(palette::YELLOW)),
    ]
}

/// A ring or a diamond, with the radius of either.
fn outline(
    painter: &Painter,
    at: Pos2,
    is_diamond: bool,
    [ring, diamond]: [f32; 2],
    stroke: Stroke,
) {
    if is_diamond {
        let corners = AROUND.map(|way| at + diamond * way);
        painter.add(Shape::closed_line(corners.into(), stroke));
    } else {
        painter.circle_stroke(at, ring, stroke);
    }
}

#[cfg(test)]
mod tests {
    use egui_kittest::Harness;
    use egui_kittest::kittest::Queryable;

    use super::*;
    use crate::state::panes::Pane;
    use crate::state::view::Show;
    use crate::ui::tests::{Stage, pedlar, press};

    /// Where a joint of a body is drawn in its own view.
    fn place(harness: &Harness<'static, Stage>, who: Who, name: &str) -> (Pos2, usize) {
        let session = &harness.state().session;
        let (_, motion) = session.motion(who).unwrap();
        let joint = motion.clip.skeleton.find(name).unwrap();
        let point = motion.clip.world(session.frame_of(motion)).position(joint);
        let ([right, down], _) = session.camera(who).unwrap().project(point).unwrap();
        let views = &harness.state().views;
        let (_, rect) = views.iter().find(|(whose, _)| *whose == who).unwrap();
        let offset = vec2(right as f32, down as f32) * rect.height();
        (rect.center() + offset, joint)
    }

    fn click(harness: &mut Harness<'static, Stage>, at: Pos2) {
        harness.hover_at(at);
        harness.run_steps(2);
        harness.drag_at(at);
        harness.run_steps(2);
        harness.drop_at(at);
        harness.run_steps(2);
        // Longer than the time between the clicks of a double click.
        harness.run_steps(30);
    }

    #[test]
    fn a_click_on_a_body_chooses_its_joint_and_one_beside_it_none() {
        let mut harness = pedlar();
        press(&mut harness, "Map");
        press(&mut harness, "performer");
        harness
            .state_mut()
            .session
            .apply(Command::SetShow(Show::Bones));
        harness.run_steps(2);
        let (at, joint) = place(&harness, Who::Character, "pedlar:left_knee");
        harness.hover_at(at);
        harness.run_steps(3);
        let named = "pedlar:left_knee (l_knee)";
        assert!(harness.query_by_label(named).is_some());
        click(&mut harness, at);
        let session = &harness.state().session;
        assert_eq!(session.joint, Some((Who::Character, joint)));
        // The map has gone to the character, and shows what can be changed of the joint.
        assert!(session.shows(Pane::Map));
        assert!(harness.query_by_label("offset °").is_some());
        let (_, view) = harness.state().views[0];
        click(
            &mut harness,
            view.left_top() + vec2(6.0, 0.7 * view.height()),
        );
        assert_eq!(harness.state().session.joint, None);
    }

    #[test]
    fn keys_frame_the_joint_and_let_it_go() {
        let mut harness = pedlar();
        let (at, _) = place(&harness, Who::Performer, "left_shoulder");
        click(&mut harness, at);
        let chosen = harness.state().session.joint;
        assert_eq!(chosen.map(|(who, _)| who), Some(Who::Performer));
        harness.key_press(egui::Key::F);
        harness.run_steps(2);
        let (_, view) = harness.state().views[0];
        let (at, _) = place(&harness, Who::Performer, "left_shoulder");
        assert!(at.distance(view.center()) < 1.0, "{at} {view}");
        harness.key_press(egui::Key::Escape);
        harness.run_steps(2);
        assert_eq!(harness.state().session.joint, None);
    }

    #[test]
    fn the_map_scrolls_to_a_joint_that_was_chosen_elsewhere() {
        let mut harness = pedlar();
        press(&mut harness, "Map");
        let session = &harness.state().session;
        let file = session.document.character.clone().unwrap();
        let last = file.skeleton().len() - 1;
        let choose = Command::ChooseJoint(Some((Who::Character, last)));
        harness.state_mut().memory.joint_search = "shoulder".to_owned();
        harness.state_mut().session.apply(choose);
        harness.run_steps(30);
        assert_eq!(harness.state().memory.joint_search, "");
        let row = harness.get_by_label("tail_1").rect();
        let window = harness.state().window.unwrap();
        assert!(window.contains_rect(row), "not in sight: {row}");
        assert!(row.bottom() < harness.get_by_label("offset °").rect().top());
    }
}
