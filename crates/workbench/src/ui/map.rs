//! The map: joints of a body, what each was taken for, how surely, and why.

use bevy_egui::egui;
use egui::{Label, RichText, ScrollArea, Sense, TextEdit, Ui, vec2};
use understudy_motion::JointKind;
use understudy_scene::Loaded;

use super::Memory;
use super::theme::{caption, colour};
use crate::state::palette;
use crate::state::session::Session;

/// A role of this confidence or less is to be looked at.
const DOUBTFUL: f64 = 0.6;

/// Draws the map.
pub fn show(ui: &mut Ui, session: &Session, memory: &mut Memory) {
    ui.horizontal(|ui| {
        ui.selectable_value(&mut memory.is_map_of_performer, true, "performer");
        ui.selectable_value(&mut memory.is_map_of_performer, false, "character");
    });
    let file = match memory.is_map_of_performer {
        true => &session.document.take,
        false => &session.document.character,
    };
    let Some(file) = file else {
        ui.label(caption("No file is open for this body."));
        return;
    };
    summary(ui, file);
    let search = TextEdit::singleline(&mut memory.joint_search)
        .hint_text("find a joint or a role")
        .desired_width(f32::INFINITY);
    ui.add(search);
    ui.separator();
    let wanted = memory.joint_search.to_lowercase();
    ScrollArea::vertical()
        .auto_shrink([false, false])
        .show(ui, |ui| {
            ui.spacing_mut().item_spacing.y = 1.0;
            for joint in 0..file.skeleton().len() {
                let role = file.recognition.roles.role(joint);
                let role = role.map(|role| role.to_string()).unwrap_or_default();
                let name = file.skeleton().name(joint).to_lowercase();
                if name.contains(&wanted) || role.to_lowercase().contains(&wanted) {
                    row(ui, file, joint, &role);
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

fn row(ui: &mut Ui, file: &Loaded, joint: usize, role: &str) {
    let skeleton = file.skeleton();
    let found = file.recognition.roles.get(joint);
    let is_carrier = skeleton.joint(joint).kind == JointKind::Carrier;
    let depth = skeleton.path_from_root(joint).len() - 1;
    let (sign, rgb, words) = match found {
        Some(found) if found.confidence > DOUBTFUL => ("●", palette::side(found.role.side), role),
        Some(found) => ("?", palette::side(found.role.side), role),
        None if is_carrier => ("·", palette::MIDDLE, "carries the body"),
        None => ("○", palette::VERMILLION, "no role"),
    };
    let hint = match found {
        Some(found) => format!(
            "{role}, confidence {:.2}: {}",
            found.confidence, found.reason
        ),
        None if is_carrier => "a node above the joints, no joint of the body".to_owned(),
        None => "nothing drives this joint; it keeps its rest pose".to_owned(),
    };
    let response = ui
        .horizontal(|ui| {
            ui.add_space(f32::min(depth as f32 * 7.0, 90.0));
            ui.label(RichText::new(sign).color(colour(rgb)).monospace());
            ui.add(Label::new(skeleton.name(joint)).truncate());
            let left = ui.available_width();
            ui.allocate_ui_with_layout(
                vec2(left, 16.0),
                egui::Layout::right_to_left(egui::Align::Center),
                |ui| {
                    if let Some(found) = found {
                        ui.label(caption(format!("{:.2}", found.confidence)));
                    }
                    ui.add(Label::new(RichText::new(words).weak()).truncate());
                },
            );
        })
        .response;
    response.interact(Sense::hover()).on_hover_text(hint);
}
