//! The map by chains: each chain of the bodies with its joints in order, and the chosen chain, to be
//! given in whole or cleared.

use std::collections::BTreeMap;
use std::sync::Arc;

use bevy_egui::egui;
use egui::{Align2, Button, ComboBox, FontId, Response, RichText, Sense, TextEdit, Ui, vec2};
use understudy_anatomy::{ChainPlace, Role, Stretch};
use understudy_scene::Loaded;

use super::Memory;
use super::map::{DOUBTFUL, Sign, row};
use super::theme::{button, caption, colour, row_ground};
use super::tune::line;
use crate::state::chains::{ChainId, ChainLine, places, sentence};
use crate::state::command::Command;
use crate::state::palette;
use crate::state::session::Session;
use crate::state::stage::Who;

/// What the panel remembers of the chain that is chosen.
#[derive(Debug, Default)]
pub struct Chosen {
    /// The chain that the rest is of.
    chain: Option<(Who, ChainId)>,
    /// What it is to be.
    place: Option<ChainPlace>,
    /// Its first joint.
    first: usize,
    /// Its last joint; `None` for all from the first on.
    last: Option<usize>,
    /// What was typed to find a chain or a joint.
    search: String,
    /// What it would lead to.
    preview: Option<Preview>,
}

/// Roles that a chain would get, with what they follow from.
#[derive(Debug)]
struct Preview {
    file: Arc<Loaded>,
    place: ChainPlace,
    stretch: Stretch,
    roles: Result<BTreeMap<usize, Option<Role>>, String>,
}

impl Chosen {
    /// Begins with the chain as it is, whenever another one is chosen.
    fn follow(&mut self, session: &Session, who: Who, id: ChainId) {
        if self.chain == Some((who, id)) {
            return;
        }
        let ends = session.chain_ends(who, id);
        // A chain that only the other body has is looked for among joints without a role.
        let loose = || {
            let lines = session.chains(who);
            let loose = lines.iter().find(|line| line.id.place().is_none());
            loose.and_then(|line| session.chain_ends(who, line.id))
        };
        let (first, last) = ends.or_else(loose).unwrap_or_default();
        // A chain that was cleared is most likely to be given again.
        let was = self
            .place
            .filter(|_| self.chain.is_some() && self.first == first);
        *self = Self {
            chain: Some((who, id)),
            place: id.place().or(was),
            first,
            last: Some(last),
            ..Self::default()
        };
    }

    fn stretch(&self) -> Stretch {
        match self.last {
            Some(last) => Stretch::Between(self.first, last),
            None => Stretch::Below(self.first),
        }
    }

    fn preview(&mut self, session: &Session, who: Who) -> Option<&Preview> {
        let (place, stretch) = (self.place?, self.stretch());
        let file = session.document.file(who)?;
        let is_known = self.preview.as_ref().is_some_and(|known| {
            Arc::ptr_eq(&known.file, file) && (known.place, known.stretch) == (place, stretch)
        });
        if !is_known {
            self.preview = Some(Preview {
                file: Arc::clone(file),
                place,
                stretch,
                roles: session.chain_roles(who, place, stretch),
            });
        }
        self.preview.as_ref()
    }
}

/// The list of chains; the chosen one lies open.
pub fn list(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    who: Who,
    is_new: bool,
    out: &mut Vec<Command>,
) {
    let Some(file) = session.document.file(who) else {
        return;
    };
    let wanted = memory.joint_search.to_lowercase();
    let role_of = |joint: usize| {
        let role = file.recognition.roles.role(joint);
        role.map(|role| role.to_string()).unwrap_or_default()
    };
    for chain in session.chains(who) {
        let is_wanted = |joint: &usize| {
            let name = file.skeleton().name(*joint).to_lowercase();
            name.contains(&wanted) || role_of(*joint).contains(&wanted)
        };
        let is_named = chain.name.to_lowercase().contains(&wanted);
        if !is_named && !chain.joints.iter().any(is_wanted) {
            continue;
        }
        let is_chosen = session.chain == Some((who, chain.id));
        let head = head(ui, &chain, who, is_chosen);
        if is_chosen && is_new {
            head.scroll_to_me(Some(egui::Align::Center));
        }
        if head.clicked() {
            let choice = (!is_chosen).then_some((who, chain.id));
            out.push(Command::ChooseChain(choice));
        }
        let is_searched = !wanted.is_empty() && !is_named;
        if !(is_chosen || memory.are_chains_open || is_searched) {
            continue;
        }
        for &joint in &chain.joints {
            if is_searched && !is_wanted(&joint) {
                continue;
            }
            let is_chosen = session.joint == Some((who, joint));
            let row = row(ui, file, joint, &role_of(joint), 2, is_chosen);
            if row.clicked() {
                let choice = (!is_chosen).then_some((who, joint));
                out.push(Command::ChooseJoint(choice));
            }
        }
        ui.add_space(3.0);
    }
}

/// How many joints a chain has on both bodies.
fn counts(chain: &ChainLine, who: Who) -> String {
    let here = match chain.joints.len() {
        0 => "none here".to_owned(),
        count => format!("{count} here"),
    };
    let other = match who.owner() {
        Who::Performer => "on the character",
        _ => "in the take",
    };
    match chain.other {
        Some(0) => format!("{here}, none {other}"),
        Some(count) => format!("{here}, {count} {other}"),
        None => here,
    }
}

/// A chain: a sign, its name, how many joints, how many of them without a role, and how sure the least
/// sure one is.
fn head(ui: &mut Ui, chain: &ChainLine, who: Who, is_chosen: bool) -> Response {
    const HEIGHT: f32 = 22.0;
    let width = ui.available_width();
    let (rect, response) = ui.allocate_exact_size(vec2(width, HEIGHT), Sense::click());
    let counts = counts(chain, who);
    let lacks = match chain.unmapped {
        0 => String::new(),
        count => format!(", {count} without a role"),
    };
    let words = format!("{}: {counts}{lacks}", chain.name);
    response.widget_info(|| {
        egui::WidgetInfo::selected(egui::WidgetType::SelectableLabel, true, is_chosen, &words)
    });
    let lowest = chain.lowest.map(|lowest| format!("{lowest:.2}"));
    let hint = match &lowest {
        Some(lowest) => format!("{words}\nthe least sure role has confidence {lowest}"),
        None => words,
    };
    if !ui.is_rect_visible(rect) {
        return response;
    }
    let visuals = ui.visuals();
    row_ground(ui, rect, &response, is_chosen);
    let side = chain.id.place().map(|place| place.side);
    let shade = side.map_or(palette::VERMILLION, palette::side);
    let (sign, shade) = match chain.lowest {
        _ if chain.joints.is_empty() => (Sign::Dot, palette::MIDDLE),
        _ if chain.unmapped > 0 => (Sign::Empty, palette::VERMILLION),
        Some(lowest) if lowest <= DOUBTFUL => (Sign::Doubtful, shade),
        _ => (Sign::Full, shade),
    };
    let painter = ui.painter_at(rect);
    let left = rect.left_center() + vec2(8.0, 0.0);
    sign.draw(&painter, left, colour(shade));
    let (text, weak) = (visuals.text_color(), visuals.weak_text_color());
    let name = match chain.joints.is_empty() {
        true => weak,
        false => text,
    };
    let name_end = painter.text(
        left + vec2(10.0, 0.0),
        Align2::LEFT_CENTER,
        &chain.name,
        FontId::proportional(13.0),
        name,
    );
    let small = FontId::proportional(11.0);
    painter.text(
        rect.right_center() - vec2(4.0, 0.0),
        Align2::RIGHT_CENTER,
        lowest.unwrap_or_default(),
        small.clone(),
        weak,
    );
    // What lacks a role stands nearest to the name, so that it is seen where there is little room.
    let mut at = f32::max(name_end.right() + 8.0, rect.left());
    let right = rect.right() - 32.0;
    let lacks = lacks.trim_start_matches(", ").to_owned();
    for (words, shade) in [(lacks, colour(palette::VERMILLION)), (counts, weak)] {
        let galley = painter.layout_no_wrap(words, small.clone(), shade);
        let is_last = shade == weak;
        let place = match is_last {
            true => f32::max(at, right - galley.size().x),
            false => at,
        };
        let room = egui::Rect::from_x_y_ranges(at..=right, rect.y_range());
        let top = rect.center().y - 0.5 * galley.size().y;
        at += galley.size().x + 8.0;
        painter
            .with_clip_rect(room)
            .galley(egui::pos2(place, top), galley, shade);
    }
    response.on_hover_text(hint)
}

/// The chosen chain: what it is, from which joint to which, and what it gets.
pub fn details(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    who: Who,
    id: ChainId,
    out: &mut Vec<Command>,
) {
    let Some(file) = session.document.file(who) else {
        return;
    };
    let chosen = &mut memory.chain;
    chosen.follow(session, who, id);
    let lines = session.chains(who);
    let line_of = lines.iter().find(|line| line.id == id);
    ui.horizontal(|ui| {
        let name = line_of.map_or("Chain", |line| line.name.as_str());
        ui.label(RichText::new(name).strong());
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            let hint = "Choose no chain";
            button(ui, "close chain", hint, Command::ChooseChain(None), out);
        });
    });
    let hint = "Which chain of the standard body these joints are.";
    line(ui, "chain", hint, |ui| {
        let words = chosen.place.map_or("choose one".to_owned(), |place| {
            sentence(&place.to_string())
        });
        let all = places(file).into_iter();
        let all = all.map(|place| (Some(place), sentence(&place.to_string())));
        if let Some(place) = pick(ui, "chain", words, &mut chosen.search, all) {
            chosen.place = place;
        }
    });
    let skeleton = file.skeleton();
    let joint = session
        .joint
        .filter(|(whose, _)| *whose == who)
        .map(|(_, joint)| joint);
    let hint = "The joint of the chain that is nearest to the pelvis.";
    line(ui, "first joint", hint, |ui| {
        if take(ui, joint)
            && let Some(joint) = joint
        {
            chosen.set_first(file, joint);
        }
        let all = (0..skeleton.len()).map(|joint| (joint, skeleton.name(joint).to_owned()));
        let words = skeleton
            .joints()
            .get(chosen.first)
            .map_or("", |joint| &joint.name);
        if let Some(joint) = pick(ui, "first joint", words.to_owned(), &mut chosen.search, all) {
            chosen.set_first(file, joint);
        }
    });
    let hint = "The outermost joint of the chain, or all joints from the first one down.";
    line(ui, "last joint", hint, |ui| {
        if take(ui, joint) {
            chosen.last = joint;
        }
        let below = skeleton.subtree(chosen.first).into_iter();
        let below = below.map(|joint| (Some(joint), skeleton.name(joint).to_owned()));
        let all = std::iter::once((None, DOWN.to_owned())).chain(below);
        let words = match chosen.last {
            Some(last) => skeleton.joints().get(last).map_or("", |joint| &joint.name),
            None => DOWN,
        };
        if let Some(last) = pick(ui, "last joint", words.to_owned(), &mut chosen.search, all) {
            chosen.last = last;
        }
    });
    let mut mirrored = !memory.is_one_sided;
    let hint = "The joints that mirror these get the mirrored roles, or lose theirs.";
    line(ui, "other side follows", hint, |ui| {
        ui.checkbox(&mut mirrored, "");
    });
    memory.is_one_sided = !mirrored;
    let stretch = chosen.stretch();
    let is_given = preview(ui, session, chosen, who, file);
    ui.horizontal(|ui| {
        let is_possible = chosen.place.is_some() && is_given;
        let give = ui.add_enabled(is_possible, Button::new("Give roles"));
        let give = give.on_hover_text("Give these joints the roles above, as one step");
        if let (true, Some(place)) = (give.clicked(), chosen.place) {
            out.push(Command::GiveChain {
                who,
                place,
                stretch,
                mirrored,
            });
        }
        let has_roles = line_of.is_some_and(|line| line.unmapped < line.joints.len());
        let clear = ui.add_enabled(has_roles, Button::new("Clear roles"));
        let clear = clear.on_hover_text("Take the roles of this chain away, as one step");
        if clear.clicked() {
            out.push(Command::ClearChain {
                who,
                chain: id,
                mirrored,
            });
        }
    });
}

/// What stands for all joints from the first one on.
const DOWN: &str = "all from here down";

impl Chosen {
    fn set_first(&mut self, file: &Loaded, joint: usize) {
        self.first = joint;
        // A last joint of another line would be no chain.
        let skeleton = file.skeleton();
        self.last = self
            .last
            .filter(|&last| skeleton.is_at_or_above(joint, last));
    }
}

/// A button that takes the joint that is chosen in the views.
fn take(ui: &mut Ui, joint: Option<usize>) -> bool {
    let take = ui.add_enabled(joint.is_some(), Button::new("take").small());
    let hint = "Take the joint that is chosen on the body";
    take.on_hover_text(hint).clicked()
}

/// A list to be searched; what was picked.
fn pick<T>(
    ui: &mut Ui,
    name: &str,
    words: String,
    search: &mut String,
    all: impl Iterator<Item = (T, String)>,
) -> Option<T> {
    let mut picked = None;
    ComboBox::from_id_salt(name)
        .selected_text(words)
        .width(150.0)
        .height(280.0)
        .show_ui(ui, |ui| {
            let field = TextEdit::singleline(search).hint_text(format!("find a {name}"));
            ui.add(field);
            let wanted = search.to_lowercase();
            for (each, name) in all {
                if name.to_lowercase().contains(&wanted)
                    && ui.selectable_label(false, name).clicked()
                {
                    picked = Some(each);
                }
            }
        });
    if picked.is_some() {
        search.clear();
    }
    picked
}

/// What giving the chain would lead to, in words; whether it can be given and changes anything.
fn preview(ui: &mut Ui, session: &Session, chosen: &mut Chosen, who: Who, file: &Loaded) -> bool {
    let Some(preview) = chosen.preview(session, who) else {
        ui.label(caption("Choose which chain these joints are."));
        return false;
    };
    match &preview.roles {
        Err(problem) => {
            let text = RichText::new(format!("⚠ {problem}")).small();
            ui.label(text.color(colour(palette::VERMILLION)));
            false
        }
        Ok(roles) => {
            let names: Vec<String> = roles.values().flatten().map(Role::to_string).collect();
            let lost = roles.values().filter(|role| role.is_none()).count();
            let mut text = format!("roles: {}", names.join(", "));
            if lost > 0 {
                text.push_str(&format!(" · {lost} joints lose theirs"));
            }
            let known = &file.recognition.roles;
            let changes = roles
                .iter()
                .any(|(joint, role)| known.role(*joint) != *role);
            if !changes {
                text.push_str(" · as it is");
            }
            ui.label(caption(text));
            changes
        }
    }
}

#[cfg(test)]
mod tests {
    use egui_kittest::Harness;
    use egui_kittest::kittest::Queryable;

    use super::*;
    use crate::state::session::tests::{assets, carried, walk};
    use crate::ui::tests::{Stage, harness, press, reach};

    fn weaver() -> Harness<'static, Stage> {
        let mut harness = harness(carried(vec![
            walk(),
            assets().join("characters/weaver.glb"),
        ]));
        press(&mut harness, "Map");
        press(&mut harness, "chains");
        harness
    }

    fn roles(harness: &Harness<'static, Stage>) -> Vec<Option<Role>> {
        let file = harness.state().session.document.character.clone().unwrap();
        let roles = &file.recognition.roles;
        (0..roles.len()).map(|joint| roles.role(joint)).collect()
    }

    #[test]
    fn chains_are_listed_with_the_joints_of_both_bodies() {
        let mut harness = weaver();
        let spine = "Spine: 6 here, 3 in the take";
        assert!(harness.query_by_label(spine).is_some());
        let more = "Left arm of pair 2: 3 here, none in the take";
        assert!(harness.query_by_label(more).is_some());
        let finger = "Left little finger: none here, 3 in the take";
        assert!(harness.query_by_label(finger).is_some());
        // A chain that is chosen lies open, and its joints can be chosen.
        assert!(harness.query_by_label("vt9").is_none());
        press(&mut harness, spine);
        let session = &harness.state().session;
        assert_eq!(session.chosen_chain(Who::Character).len(), 6);
        assert_eq!(session.chosen_chain(Who::Performer).len(), 3);
        press(&mut harness, "vt9");
        assert!(harness.state().session.joint.is_some());
        press(&mut harness, spine);
        assert_eq!(harness.state().session.chain, None);
        press(&mut harness, "performer");
        let spine = "Spine: 3 here, 6 on the character";
        assert!(harness.query_by_label(spine).is_some());
    }

    #[test]
    fn a_chain_is_cleared_given_and_undone() {
        let mut harness = weaver();
        let before = roles(&harness);
        press(&mut harness, "Spine: 6 here, 3 in the take");
        press(&mut harness, "Clear roles");
        harness.state_mut().session.wait();
        harness.run_steps(3);
        let cleared = roles(&harness);
        let lost = before.iter().zip(&cleared).filter(|(a, b)| a != b).count();
        assert_eq!(lost, 6);
        // Nothing of it has a role now, which is told where the joints are.
        assert!(
            harness
                .query_all_by_label_contains("6 without a role")
                .next()
                .is_some()
        );
        press(&mut harness, "Give roles");
        harness.state_mut().session.wait();
        harness.run_steps(3);
        assert_eq!(roles(&harness), before);
        press(&mut harness, "Undo");
        harness.state_mut().session.wait();
        harness.run_steps(3);
        assert_eq!(roles(&harness), cleared);
        press(&mut harness, "Undo");
        harness.state_mut().session.wait();
        assert_eq!(roles(&harness), before);
        assert_eq!(harness.state().session.history.can_undo(), None);
    }

    #[test]
    fn first_and_last_joint_are_taken_from_the_body_and_what_cannot_be_is_told() {
        let mut harness = weaver();
        let before = roles(&harness);
        reach(&mut harness, "Left leg: 6 here, 4 in the take");
        let file = harness.state().session.document.character.clone().unwrap();
        let at = |role: &str| file.recognition.roles.find(role.parse().unwrap()).unwrap();
        let choose = |harness: &mut Harness<'static, Stage>, joint: usize| {
            let choice = Command::ChooseJoint(Some((Who::Character, joint)));
            harness.state_mut().session.apply(choice);
            harness.run_steps(3);
        };
        choose(&mut harness, at("l_knee"));
        harness.get_all_by_label("take").next().unwrap().click();
        harness.run_steps(3);
        let problem = "a leg needs at least 3 joints";
        let is_told = |harness: &Harness<'static, Stage>| {
            harness
                .query_all_by_label_contains(problem)
                .next()
                .is_some()
        };
        choose(&mut harness, at("l_talocrural"));
        harness.get_all_by_label("take").last().unwrap().click();
        harness.run_steps(3);
        assert!(is_told(&harness));
        press(&mut harness, "Give roles");
        assert_eq!(roles(&harness), before);
        // From the hip down it is what it was, and there is nothing to give.
        choose(&mut harness, at("l_hip"));
        harness.get_all_by_label("take").next().unwrap().click();
        harness.run_steps(3);
        assert!(!is_told(&harness));
        assert!(
            harness
                .query_all_by_label_contains("as it is")
                .next()
                .is_some()
        );
        press(&mut harness, "close chain");
        assert_eq!(harness.state().session.chain, None);
    }
}
