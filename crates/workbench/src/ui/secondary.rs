//! What tails, ears, wings and further arms do: rest, go with the head, or lag like a spring.

use bevy_egui::egui;
use egui::{DragValue, Ui};
use understudy_anatomy::body::AppendageKind;
use understudy_anatomy::{Body, Side};
use understudy_scene::Loaded;
use understudy_solver::{Secondary, Settings};

use super::theme::caption;
use super::tune::{heading, line, send};
use crate::state::command::Command;
use crate::state::session::Session;

/// A chain of joints that can have a rule.
struct Chain {
    /// For people: "left ear".
    word: String,
    /// Name of its first joint.
    joint: String,
}

/// A spring as a tail of a person's size has it.
const SPRING: Secondary = Secondary::Spring {
    hertz: 1.5,
    damping: 0.4,
    most_deg: 45.0,
};

/// Draws a rule for each chain of the character; nothing where it has none.
pub fn show(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let Some(character) = &session.document.character else {
        return;
    };
    let Ok(assembly) = &character.assembly else {
        return;
    };
    let chains = chains(character, &assembly.body);
    if chains.is_empty() {
        return;
    }
    heading(ui, "Tails, ears and further arms");
    let head = assembly.body.head;
    let head = head.map(|head| character.skeleton().name(head).to_owned());
    for chain in &chains {
        let settings = &session.document.choices.settings;
        rule(ui, chain, head.as_deref(), settings, out);
    }
}

fn chains(character: &Loaded, body: &Body) -> Vec<Chain> {
    let name = |joint: usize| character.skeleton().name(joint).to_owned();
    let sided = |side: Side, word: &str| match side {
        Side::Middle => word.to_owned(),
        side => format!("{} {word}", side.word()),
    };
    let appendages = body.appendages.iter().filter_map(|part| {
        let word = match part.kind {
            AppendageKind::Tail => "tail",
            AppendageKind::Ear => "ear",
            AppendageKind::Wing => "wing",
        };
        Some(Chain {
            word: sided(part.side, word),
            joint: name(*part.joints.first()?),
        })
    });
    let arms = body.arms.iter().filter(|arm| arm.pair > 0);
    let arms = arms.map(|arm| Chain {
        word: sided(arm.side, &format!("arm {}", arm.pair + 1)),
        joint: name(arm.shoulder),
    });
    appendages.chain(arms).collect()
}

fn rule(
    ui: &mut Ui,
    chain: &Chain,
    head: Option<&str>,
    settings: &Settings,
    out: &mut Vec<Command>,
) {
    let before = settings.secondary.get(&chain.joint);
    let mut after = before.cloned();
    let mut is_dragged = false;
    let hint = "Carried as it is; at rest; turned as the head is; or lagging behind like a spring.";
    line(ui, &chain.word, hint, |ui| {
        let mut choice = |ui: &mut Ui, word: &str, rule: Option<Secondary>, is_on: bool| {
            let label = ui.selectable_label(is_on, word).on_hover_text(hint);
            if label.clicked() && !is_on {
                after = rule;
            }
        };
        let is_spring = matches!(before, Some(Secondary::Spring { .. }));
        choice(ui, "spring", Some(SPRING), is_spring);
        let is_follow = matches!(before, Some(Secondary::Follow { .. }));
        if let Some(head) = head {
            let follow = Secondary::Follow {
                joint: head.to_owned(),
                scale: 1.0,
                mirrored: false,
            };
            choice(ui, "head", Some(follow), is_follow);
        }
        let is_rest = matches!(before, Some(Secondary::Rest));
        choice(ui, "rest", Some(Secondary::Rest), is_rest);
        choice(ui, "carried", None, before.is_none());
    });
    match &mut after {
        Some(Secondary::Spring { hertz, damping, .. }) => {
            line(
                ui,
                "    swings, damping",
                "Swings per second, and the damping ratio: 1 comes back without a swing.",
                |ui| {
                    is_dragged |= drag(ui, damping, [0.0, 4.0], 0.01);
                    ui.label(caption("Hz"));
                    is_dragged |= drag(ui, hertz, [0.1, 12.0], 0.02);
                },
            );
        }
        Some(Secondary::Follow { scale, .. }) => {
            line(
                ui,
                "    of the head's turn",
                "A factor on the turn; negative turns the other way.",
                |ui| {
                    ui.label(caption("×"));
                    is_dragged |= drag(ui, scale, [-3.0, 3.0], 0.01);
                },
            );
        }
        Some(Secondary::Rest) | None => {}
    }
    if after.as_ref() != before {
        let mut changed = settings.clone();
        match after {
            Some(rule) => changed.secondary.insert(chain.joint.clone(), rule),
            None => changed.secondary.remove(&chain.joint),
        };
        send("secondary parts", changed, is_dragged, out);
    }
}

/// A number to be dragged; whether that goes on.
fn drag(ui: &mut Ui, value: &mut f64, [least, most]: [f64; 2], speed: f64) -> bool {
    let field = DragValue::new(value).range(least..=most).speed(speed);
    let field = ui.add(field.fixed_decimals(2).update_while_editing(false));
    field.dragged() && !field.drag_started()
}
