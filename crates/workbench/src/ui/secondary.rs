//! What tails, ears, wings and further arms do: rest, go with the head, or lag like a spring.

use bevy_egui::egui;
use egui::{DragValue, Ui};
use understudy_anatomy::body::AppendageKind;
use understudy_anatomy::{Body, Side};
use understudy_scene::Loaded;
use understudy_solver::{Secondary, Settings};

use super::theme::caption;
use super::tune::{heading, is_going_on, line, reset, send};
use crate::state::command::Command;
use crate::state::session::Session;

/// A chain of joints that can have a rule.
struct Chain {
    /// For people: "left ear".
    word: String,
    /// Name of its first joint.
    joint: String,
}

/// A spring as a tail of a person's size has it: swings per second, damping ratio, degrees at most.
const USUAL_SPRING: [f64; 3] = [1.5, 0.4, 45.0];
const SPRING: Secondary = Secondary::Spring {
    hertz: USUAL_SPRING[0],
    damping: USUAL_SPRING[1],
    most_deg: USUAL_SPRING[2],
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

/// Room in which a name and all choices stand in one line, points.
const NARROW: f32 = 330.0;

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
    let is_narrow = ui.available_width() < NARROW;
    if is_narrow {
        ui.label(&chain.word).on_hover_text(hint);
    }
    let name = if is_narrow { "" } else { &chain.word };
    line(ui, name, hint, |ui| {
        let back = reset(ui, before.is_some(), "Back to carried as it is");
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
        if back {
            after = None;
        }
    });
    match &mut after {
        Some(Secondary::Spring {
            hertz,
            damping,
            most_deg,
        }) => {
            let [usual_hertz, usual_damping, usual_deg] = USUAL_SPRING;
            is_dragged |= number(ui, &SWINGS, hertz, usual_hertz);
            is_dragged |= number(ui, &DAMPING, damping, usual_damping);
            is_dragged |= number(ui, &MOST, most_deg, usual_deg);
        }
        Some(Secondary::Follow { scale, .. }) => is_dragged |= number(ui, &SCALE, scale, 1.0),
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

/// A number of a rule.
struct Field {
    name: &'static str,
    unit: &'static str,
    range: [f64; 2],
    speed: f64,
    help: &'static str,
}

const SWINGS: Field = Field {
    name: "    swings",
    unit: "Hz",
    range: [0.1, 12.0],
    speed: 0.02,
    help: "How often it swings, if it is let go.",
};
const DAMPING: Field = Field {
    name: "    damping",
    unit: "×",
    range: [0.0, 4.0],
    speed: 0.01,
    help: "The damping ratio: 1 comes back without a swing, less swings on.",
};
const MOST: Field = Field {
    name: "    turns at most",
    unit: "°",
    range: [1.0, 180.0],
    speed: 0.5,
    help: "How far each of its joints may lag behind.",
};
const SCALE: Field = Field {
    name: "    of the head's turn",
    unit: "×",
    range: [-3.0, 3.0],
    speed: 0.01,
    help: "A factor on the turn; below 0 it turns the other way.",
};

/// A number to be dragged; whether that goes on.
fn number(ui: &mut Ui, field: &Field, value: &mut f64, usual: f64) -> bool {
    let [least, most] = field.range;
    let hint = format!("{} From {least} to {most} {}.", field.help, field.unit);
    let mut goes_on = false;
    line(ui, field.name, &hint, |ui| {
        if reset(ui, *value != usual, &format!("Back to {usual}")) {
            *value = usual;
        }
        ui.label(caption(field.unit));
        let drag = DragValue::new(value).range(least..=most).speed(field.speed);
        let drag = ui.add(drag.fixed_decimals(2).update_while_editing(false));
        goes_on = is_going_on(&drag);
        drag.on_hover_text(&hint);
    });
    goes_on
}
