//! The map: joints of a body, what each was taken for, how surely, and why; and the joint that is
//! chosen, to be corrected.

use bevy_egui::egui;
use egui::{
    Align2, CollapsingHeader, Color32, ComboBox, DragValue, FontId, Painter, Panel, Pos2, Response,
    RichText, ScrollArea, Sense, Stroke, TextEdit, Ui, vec2,
};
use understudy_anatomy::Role;
use understudy_motion::JointKind;
use understudy_scene::Loaded;
use understudy_solver::Settings;

use super::theme::{button, caption, colour, row_ground};
use super::tune::{is_going_on, line, send};
use super::{Memory, chains};
use crate::state::command::Command;
use crate::state::palette;
use crate::state::session::Session;
use crate::state::stage::Who;

/// A role of this confidence or less is to be looked at.
pub const DOUBTFUL: f64 = 0.6;

/// Draws the map.
pub fn show(ui: &mut Ui, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    // A joint that was chosen elsewhere is brought into sight.
    let is_new = session.joint != memory.mapped_joint;
    memory.mapped_joint = session.joint;
    if let (Some((who, joint)), true) = (session.joint, is_new) {
        memory.is_map_of_performer = who == Who::Performer;
        let words = session.joint_words(who, joint).to_lowercase();
        if !words.contains(&memory.joint_search.to_lowercase()) {
            memory.joint_search.clear();
        }
    }
    let is_new_chain = session.chain != memory.mapped_chain;
    memory.mapped_chain = session.chain;
    if let (Some((who, _)), true) = (session.chain, is_new_chain) {
        memory.is_map_of_performer = who == Who::Performer;
        memory.is_map_by_chains = true;
    }
    ui.horizontal(|ui| {
        ui.selectable_value(&mut memory.is_map_of_performer, true, "performer");
        ui.selectable_value(&mut memory.is_map_of_performer, false, "character");
        ui.separator();
        let by_joints = ui.selectable_value(&mut memory.is_map_by_chains, false, "joints");
        by_joints.on_hover_text("All joints as they hang from each other");
        let by_chains = ui.selectable_value(&mut memory.is_map_by_chains, true, "chains");
        by_chains.on_hover_text("Spine, arms, legs, fingers and the like, each with its joints");
        if memory.is_map_by_chains {
            let all = ui.checkbox(&mut memory.are_chains_open, "all");
            all.on_hover_text("Show the joints of all chains");
        }
    });
    let who = match memory.is_map_of_performer {
        true => Who::Performer,
        false => Who::Character,
    };
    let Some(file) = session.document.file(who) else {
        ui.label(caption("No file is open for this body."));
        return;
    };
    summary(ui, file);
    let search = TextEdit::singleline(&mut memory.joint_search)
        .hint_text(match memory.is_map_by_chains {
            true => "find a chain, a joint or a role",
            false => "find a joint or a role",
        })
        .desired_width(f32::INFINITY);
    ui.add(search);
    ui.separator();
    let chosen = session
        .joint
        .filter(|(whose, _)| *whose == who)
        .map(|(_, joint)| joint);
    let chain = session.chain.filter(|(whose, _)| *whose == who);
    let chain = chain.filter(|_| memory.is_map_by_chains);
    if let Some(joint) = chosen {
        Panel::bottom("joint").resizable(false).show(ui, |ui| {
            ui.add_space(4.0);
            if chain.is_none() {
                details(ui, session, memory, who, file, joint, out);
                return;
            }
            // Below the chosen chain there is room for one of both.
            let name = session.joint_words(who, joint);
            CollapsingHeader::new(name)
                .id_salt("joint of a chain")
                .show(ui, |ui| details(ui, session, memory, who, file, joint, out));
        });
    }
    if let Some((_, chain)) = chain {
        Panel::bottom("chain").resizable(false).show(ui, |ui| {
            ui.add_space(4.0);
            chains::details(ui, session, memory, who, chain, out);
            ui.add_space(4.0);
        });
    }
    let wanted = memory.joint_search.to_lowercase();
    ScrollArea::vertical()
        .auto_shrink([false, false])
        .show(ui, |ui| {
            ui.spacing_mut().item_spacing.y = 1.0;
            if memory.is_map_by_chains {
                chains::list(ui, session, memory, who, is_new_chain, out);
                return;
            }
            for joint in 0..file.skeleton().len() {
                let role = file.recognition.roles.role(joint);
                let role = role.map(|role| role.to_string()).unwrap_or_default();
                let name = file.skeleton().name(joint).to_lowercase();
                if name.contains(&wanted) || role.to_lowercase().contains(&wanted) {
                    let is_chosen = chosen == Some(joint);
                    let depth = file.skeleton().path_from_root(joint).len() - 1;
                    let row = row(ui, file, joint, &role, depth, is_chosen);
                    if is_chosen && is_new {
                        row.scroll_to_me(Some(egui::Align::Center));
                    }
                    if row.clicked() {
                        out.push(Command::ChooseJoint((!is_chosen).then_some((who, joint))));
                    }
                }
            }
        });
}

fn summary(ui: &mut Ui, file: &Loaded) {
    let roles = &file.recognition.roles;
    let joints = file.skeleton().len();
    let doubtful = file.doubtful().len();
    let mapped = roles.iter().count();
    ui.label(caption(format!(
        "{joints} joints · {mapped} with a role · {} without · {doubtful} doubtful",
        joints - mapped
    )));
    if let Err(problem) = &file.assembly {
        ui.label(RichText::new(format!("⚠ {problem}")).color(colour(palette::VERMILLION)));
    }
}

/// How a joint is marked.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// It has a role.
    Full,
    /// It has a role that may be another.
    Doubtful,
    /// It has none.
    Empty,
    /// It is no joint of the body.
    Dot,
}

/// What is known of a joint: a sign, a colour, and words for its role.
fn known(file: &Loaded, joint: usize, role: &str) -> (Sign, Color32, String) {
    let is_carrier = file.skeleton().joint(joint).kind == JointKind::Carrier;
    let of_side = |side| colour(palette::side(side));
    match file.recognition.roles.get(joint) {
        Some(found) if found.confidence > DOUBTFUL => {
            (Sign::Full, of_side(found.role.side), role.to_owned())
        }
        Some(found) => (Sign::Doubtful, of_side(found.role.side), role.to_owned()),
        None if is_carrier => (
            Sign::Dot,
            colour(palette::MIDDLE),
            "carries the body".to_owned(),
        ),
        None => (
            Sign::Empty,
            colour(palette::VERMILLION),
            "no role".to_owned(),
        ),
    }
}

impl Sign {
    /// Draws the sign.
    pub fn draw(self, painter: &Painter, at: Pos2, shade: Color32) {
        let edge = Stroke::new(1.0, Color32::from_black_alpha(120));
        match self {
            Self::Full => {
                painter.circle(at, 4.0, shade, edge);
            }
            Self::Dot => {
                painter.circle_filled(at, 1.5, shade);
            }
            Self::Empty => {
                painter.circle_stroke(at, 4.0, Stroke::new(1.5, shade));
            }
            Self::Doubtful => {
                painter.circle(at, 6.0, shade, edge);
                let font = FontId::proportional(10.0);
                painter.text(at, Align2::CENTER_CENTER, "?", font, Color32::BLACK);
            }
        }
    }
}

/// Why a joint has its role.
fn reason(file: &Loaded, joint: usize) -> String {
    let is_carrier = file.skeleton().joint(joint).kind == JointKind::Carrier;
    match file.recognition.roles.get(joint) {
        Some(found) => format!("confidence {:.2}: {}", found.confidence, found.reason),
        None if is_carrier => "a node above the joints, no joint of the body".to_owned(),
        None => "nothing drives this joint; it keeps its rest pose".to_owned(),
    }
}

/// One joint, so many steps to the right.
pub fn row(
    ui: &mut Ui,
    file: &Loaded,
    joint: usize,
    role: &str,
    depth: usize,
    is_chosen: bool,
) -> Response {
    const HEIGHT: f32 = 20.0;
    let skeleton = file.skeleton();
    let width = ui.available_width();
    let (rect, response) = ui.allocate_exact_size(vec2(width, HEIGHT), Sense::click());
    let name = skeleton.name(joint);
    let (sign, shade, words) = known(file, joint, role);
    response.widget_info(|| {
        egui::WidgetInfo::selected(egui::WidgetType::SelectableLabel, true, is_chosen, &words)
    });
    if !ui.is_rect_visible(rect) {
        return response;
    }
    let visuals = ui.visuals();
    row_ground(ui, rect, &response, is_chosen);
    let indent = f32::min(depth as f32 * 7.0, 70.0);
    let painter = ui.painter_at(rect);
    let left = rect.left_center() + vec2(8.0 + indent, 0.0);
    sign.draw(&painter, left, shade);
    let confidence = file
        .recognition
        .roles
        .get(joint)
        .map(|found| format!("{:.2}", found.confidence));
    let right = rect.right_center() - vec2(4.0, 0.0);
    let small = FontId::proportional(11.0);
    let weak = visuals.weak_text_color();
    painter.text(
        right,
        Align2::RIGHT_CENTER,
        confidence.unwrap_or_default(),
        small,
        weak,
    );
    let name_end = painter.text(
        left + vec2(9.0, 0.0),
        Align2::LEFT_CENTER,
        name,
        FontId::proportional(12.5),
        visuals.text_color(),
    );
    let font = FontId::proportional(12.0);
    let galley = painter.layout_no_wrap(words, font, weak);
    let at = rect.right() - 36.0 - galley.size().x;
    let at = egui::pos2(
        at.max(name_end.right() + 8.0),
        rect.center().y - 0.5 * galley.size().y,
    );
    let room = egui::Rect::from_x_y_ranges(at.x..=rect.right() - 34.0, rect.y_range());
    painter.with_clip_rect(room).galley(at, galley, weak);
    response.on_hover_text(reason(file, joint))
}

/// The joint that is chosen: its role to correct, and of the character its offset.
fn details(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    who: Who,
    file: &Loaded,
    joint: usize,
    out: &mut Vec<Command>,
) {
    let name = file.skeleton().name(joint);
    ui.horizontal(|ui| {
        ui.label(RichText::new(name).strong());
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            button(
                ui,
                "close",
                "Choose no joint",
                Command::ChooseJoint(None),
                out,
            );
        });
    });
    ui.label(caption(reason(file, joint)));
    let role = file.recognition.roles.role(joint);
    let hint = "Which joint of the standard body this is; corrections are kept with the scene.";
    line(ui, "role", hint, |ui| {
        if let Some(role) = choice(ui, memory, role) {
            out.push(Command::SetRole {
                who,
                joint,
                role,
                mirrored: !memory.is_one_sided,
            });
        }
    });
    let mut mirrored = !memory.is_one_sided;
    line(
        ui,
        "other side follows",
        "The mirror joint gets the mirrored role.",
        |ui| {
            ui.checkbox(&mut mirrored, "");
        },
    );
    memory.is_one_sided = !mirrored;
    if who == Who::Character {
        offsets(ui, &session.document.choices.settings, name, out);
    }
}

/// A list of all roles, to be searched; what was picked.
fn choice(ui: &mut Ui, memory: &mut Memory, role: Option<Role>) -> Option<Option<Role>> {
    let words = role.map_or("no role".to_owned(), |role| role.to_string());
    let mut picked = None;
    ComboBox::from_id_salt("role")
        .selected_text(words)
        .width(170.0)
        .height(280.0)
        .show_ui(ui, |ui| {
            let field = TextEdit::singleline(&mut memory.role_search).hint_text("find a role");
            ui.add(field);
            let wanted = memory.role_search.to_lowercase();
            if ui.selectable_label(role.is_none(), "no role").clicked() {
                picked = Some(None);
            }
            for each in Role::all() {
                let name = each.to_string();
                if name.contains(&wanted) && ui.selectable_label(role == Some(each), name).clicked()
                {
                    picked = Some(Some(each));
                }
            }
        });
    picked.filter(|picked| *picked != role)
}

/// A turn added to a joint of the character, degrees about three axes.
fn offsets(ui: &mut Ui, settings: &Settings, name: &str, out: &mut Vec<Command>) {
    let before = settings.offsets_deg.get(name).copied().unwrap_or_default();
    let mut turn_deg = before;
    let hint = "A turn added in every frame, degrees about the character's axes at rest: \
                across, up, ahead in its file.";
    let mut is_dragged = false;
    line(ui, "offset °", hint, |ui| {
        let reset = ui.add_enabled(before != [0.0; 3], egui::Button::new("↺").small());
        if reset.on_hover_text("No offset").clicked() {
            turn_deg = [0.0; 3];
        }
        for axis in [2, 1, 0] {
            let field = DragValue::new(&mut turn_deg[axis])
                .update_while_editing(false)
                .range(-180.0..=180.0)
                .speed(0.3);
            let field = ui.add(field.prefix(["x ", "y ", "z "][axis]).max_decimals(1));
            is_dragged |= is_going_on(&field);
        }
    });
    if turn_deg != before {
        let mut changed = settings.clone();
        match turn_deg == [0.0; 3] {
            true => changed.offsets_deg.remove(name),
            false => changed.offsets_deg.insert(name.to_owned(), turn_deg),
        };
        send("offset of a joint", changed, is_dragged, out);
    }
}
