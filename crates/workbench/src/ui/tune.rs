//! Settings of the solver: each with its unit, its range, a reset and a sentence of help.

use bevy_egui::egui;
use egui::{DragValue, RichText, ScrollArea, Ui};
use understudy_solver::settings::ExtraArms;
use understudy_solver::{Reference, Settings, Travel};

use super::theme::caption;
use crate::state::command::Command;
use crate::state::session::Session;

/// A number among the settings.
struct Control {
    name: &'static str,
    unit: &'static str,
    range: [f64; 2],
    speed: f64,
    digits: usize,
    help: &'static str,
    get: fn(&Settings) -> f64,
    set: fn(&mut Settings, f64),
}

const BODY: [Control; 1] = [Control {
    name: "pelvis height",
    unit: "×",
    range: [0.5, 1.5],
    speed: 0.002,
    digits: 3,
    help: "Height of the pelvis above the floor, as a factor on what leg lengths give.",
    get: |s| s.pelvis_height.unwrap_or(1.0),
    set: |s, value| s.pelvis_height = (value != 1.0).then_some(value),
}];

macro_rules! posture {
    ($name:literal, $field:ident, $help:literal) => {
        Control {
            name: $name,
            unit: "°",
            range: [-60.0, 60.0],
            speed: 0.2,
            digits: 1,
            help: $help,
            get: |s| s.posture.$field,
            set: |s, value| s.posture.$field = value,
        }
    };
}

const POSTURE: [Control; 7] = [
    posture!(
        "hips forward",
        hips_forward_deg,
        "Turns hips that jut back forward, below a trunk that stays."
    ),
    posture!(
        "stoop",
        stoop_deg,
        "Bends the spine forward; the head goes on looking where it looks."
    ),
    posture!(
        "shoulders up",
        shoulders_up_deg,
        "Raises the shoulders; the upper arms keep their directions."
    ),
    posture!(
        "arms out",
        arms_out_deg,
        "Spreads the arms away from the trunk."
    ),
    posture!(
        "head down",
        head_down_deg,
        "Bows the head, spread over the neck."
    ),
    posture!(
        "head left",
        head_left_deg,
        "Turns the head to the body's left, spread over the neck."
    ),
    Control {
        name: "width of the stance",
        unit: "×",
        range: [0.1, 5.0],
        speed: 0.005,
        digits: 3,
        help: "Distance of the feet from the middle of the body, as a factor.",
        get: |s| s.posture.stance_width,
        set: |s, value| s.posture.stance_width = value,
    },
];

const PLANTS: [Control; 3] = [
    Control {
        name: "fade of corrections",
        unit: "s",
        range: [0.02, 1.0],
        speed: 0.002,
        digits: 3,
        help: "Time over which a foot's correction fades to a third before and after a plant.",
        get: |s| s.plants.fade_secs,
        set: |s, value| s.plants.fade_secs = value,
    },
    Control {
        name: "straightest knee",
        unit: "°",
        range: [0.0, 28.0],
        speed: 0.1,
        digits: 1,
        help: "Knees of planted legs keep at least this bend, so that they do not snap straight.",
        get: |s| s.plants.straightest_knee.to_degrees(),
        set: |s, value| s.plants.straightest_knee = value.to_radians(),
    },
    Control {
        name: "largest knee pop",
        unit: "×",
        range: [0.2, 5.0],
        speed: 0.01,
        digits: 2,
        help: "How sharply a knee may turn, against the sharpest turn in the take; lower is softer.",
        get: |s| s.plants.largest_pop,
        set: |s, value| s.plants.largest_pop = value,
    },
];

const BALANCE: [Control; 3] = [
    Control {
        name: "how much",
        unit: "%",
        range: [0.0, 100.0],
        speed: 0.5,
        digits: 0,
        help: "How much of the way to the performer's balance the pelvis goes.",
        get: |s| 100.0 * s.balance.strength,
        set: |s, value| s.balance.strength = 0.01 * value,
    },
    Control {
        name: "pace of balance",
        unit: "s",
        range: [0.02, 2.0],
        speed: 0.005,
        digits: 3,
        help: "How gently the pelvis shifts; longer leaves fast steps as they are.",
        get: |s| s.balance.fade_secs,
        set: |s, value| s.balance.fade_secs = value,
    },
    Control {
        name: "farthest shift",
        unit: "leg lengths",
        range: [0.0, 1.0],
        speed: 0.002,
        digits: 3,
        help: "The pelvis shifts no farther than about this.",
        get: |s| s.balance.furthest,
        set: |s, value| s.balance.furthest = value,
    },
];

const CONTACTS: [Control; 9] = [
    Control {
        name: "contact starts below",
        unit: "leg lengths",
        range: [0.001, 0.3],
        speed: 0.0005,
        digits: 4,
        help: "A foot's part stands only if it comes this near to the floor.",
        get: |s| s.contacts.start_height,
        set: |s, value| {
            s.contacts.start_height = value;
            s.contacts.end_height = s.contacts.end_height.max(value);
        },
    },
    Control {
        name: "contact ends above",
        unit: "leg lengths",
        range: [0.001, 0.5],
        speed: 0.0005,
        digits: 4,
        help: "A part that is higher than this stands no more.",
        get: |s| s.contacts.end_height,
        set: |s, value| s.contacts.end_height = value.max(s.contacts.start_height),
    },
    Control {
        name: "contact starts under",
        unit: "leg lengths/s",
        range: [0.005, 2.0],
        speed: 0.002,
        digits: 3,
        help: "A part stands only if it becomes slower than this.",
        get: |s| s.contacts.start_speed,
        set: |s, value| {
            s.contacts.start_speed = value;
            s.contacts.end_speed = s.contacts.end_speed.max(value);
        },
    },
    Control {
        name: "contact ends over",
        unit: "leg lengths/s",
        range: [0.005, 4.0],
        speed: 0.002,
        digits: 3,
        help: "A part that is faster than this stands no more.",
        get: |s| s.contacts.end_speed,
        set: |s, value| s.contacts.end_speed = value.max(s.contacts.start_speed),
    },
    Control {
        name: "heel and ball end above",
        unit: "leg lengths",
        range: [0.001, 0.1],
        speed: 0.0002,
        digits: 4,
        help: "Heel or ball stand no more once they have risen by this from where they stood.",
        get: |s| s.contacts.rise,
        set: |s, value| s.contacts.rise = value,
    },
    Control {
        name: "toe ends above",
        unit: "leg lengths",
        range: [0.001, 0.2],
        speed: 0.0005,
        digits: 4,
        help: "The toe stands no more once it has risen by this from where it stood.",
        get: |s| s.contacts.toe_rise,
        set: |s, value| s.contacts.toe_rise = value,
    },
    Control {
        name: "shortest gap",
        unit: "s",
        range: [0.0, 0.5],
        speed: 0.001,
        digits: 3,
        help: "Two contacts of a part that are less apart than this are one.",
        get: |s| s.contacts.shortest_gap_secs,
        set: |s, value| s.contacts.shortest_gap_secs = value,
    },
    Control {
        name: "shortest contact",
        unit: "s",
        range: [0.0, 0.5],
        speed: 0.001,
        digits: 3,
        help: "Contacts shorter than this are left out.",
        get: |s| s.contacts.shortest_secs,
        set: |s, value| s.contacts.shortest_secs = value,
    },
    Control {
        name: "smoothing of feet",
        unit: "Hz",
        range: [2.0, 120.0],
        speed: 0.1,
        digits: 1,
        help: "Feet are low-passed at this frequency before their speed is taken; lower for noisy takes.",
        get: |s| s.contacts.cutoff_hz,
        set: |s, value| s.contacts.cutoff_hz = value,
    },
];

const TOUCHES: [Control; 5] = [
    Control {
        name: "reach",
        unit: "×",
        range: [0.0, 3.0],
        speed: 0.01,
        digits: 2,
        help: "How much shoulders, spine and head give way so that a hand reaches; 0 moves the arm alone.",
        get: |s| s.touches.reach,
        set: |s, value| s.touches.reach = value,
    },
    Control {
        name: "firmness",
        unit: "%",
        range: [1.0, 100.0],
        speed: 0.5,
        digits: 0,
        help: "How firmly the two surfaces meet; less lets the motion win.",
        get: |s| 100.0 * s.touches.strength,
        set: |s, value| s.touches.strength = 0.01 * value,
    },
    Control {
        name: "fade of touches",
        unit: "s",
        range: [0.02, 1.0],
        speed: 0.002,
        digits: 3,
        help: "Time over which an arm's correction fades to a third before and after a touch.",
        get: |s| s.touches.fade_secs,
        set: |s, value| s.touches.fade_secs = value,
    },
    Control {
        name: "clearance",
        unit: "mm",
        range: [-50.0, 100.0],
        speed: 0.1,
        digits: 1,
        help: "Distance kept between surfaces that touch; below 0 they press into each other.",
        get: |s| 1000.0 * s.touches.clearance_m,
        set: |s, value| s.touches.clearance_m = 0.001 * value,
    },
    Control {
        name: "straightest elbow",
        unit: "°",
        range: [0.0, 28.0],
        speed: 0.1,
        digits: 1,
        help: "Elbows keep at least this bend while a hand reaches for what it touches.",
        get: |s| s.touches.straightest_elbow.to_degrees(),
        set: |s, value| s.touches.straightest_elbow = value.to_radians(),
    },
];

const RANGES: [Control; 1] = [Control {
    name: "soft before the end",
    unit: "°",
    range: [0.0, 45.0],
    speed: 0.1,
    digits: 1,
    help: "Width of the zone before the end of a joint's range in which it turns less and less easily.",
    get: |s| s.limits.soft_deg,
    set: |s, value| s.limits.soft_deg = value,
}];

const LIMITS: [Control; 5] = [
    Control {
        name: "touch starts within",
        unit: "hand lengths",
        range: [0.01, 1.0],
        speed: 0.002,
        digits: 3,
        help: "Two surfaces touch only if they come this near to each other.",
        get: |s| s.touches.limits.near,
        set: |s, value| s.touches.limits.near = value,
    },
    Control {
        name: "touch ends beyond",
        unit: "hand lengths",
        range: [0.001, 1.0],
        speed: 0.001,
        digits: 3,
        help: "A touch ends once the surfaces are this much farther apart than at their nearest.",
        get: |s| s.touches.limits.rise,
        set: |s, value| s.touches.limits.rise = value,
    },
    Control {
        name: "what rests is under",
        unit: "hand lengths/s",
        range: [0.05, 10.0],
        speed: 0.01,
        digits: 2,
        help: "A hand rests only while it goes slower than this over the surface.",
        get: |s| s.touches.limits.speed,
        set: |s, value| s.touches.limits.speed = value,
    },
    Control {
        name: "what hits is over",
        unit: "hand lengths/s",
        range: [0.05, 20.0],
        speed: 0.01,
        digits: 2,
        help: "A hand hits only if it closes in faster than this.",
        get: |s| s.touches.limits.hit_speed,
        set: |s, value| s.touches.limits.hit_speed = value,
    },
    Control {
        name: "shortest rest",
        unit: "s",
        range: [0.0, 1.0],
        speed: 0.002,
        digits: 3,
        help: "A hand that rests for less than this does not touch.",
        get: |s| s.touches.limits.shortest_secs,
        set: |s, value| s.touches.limits.shortest_secs = value,
    },
];

/// Draws the settings.
pub fn show(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let settings = &session.document.choices.settings;
    ScrollArea::vertical()
        .auto_shrink([false, false])
        .show(ui, |ui| {
            heading(ui, "Body");
            reference(ui, session, out);
            travel(ui, settings, out);
            controls(ui, &BODY, settings, out);
            arms(ui, settings, out);
            heading(ui, "Posture");
            controls(ui, &POSTURE, settings, out);
            super::pins::show(ui, session, out);
            super::secondary::show(ui, session, out);
            super::hand_keys::show(ui, session, out);
            heading(ui, "Planting of feet");
            PLANT_FEET.show(ui, settings, true, out);
            LEVEL_FLOOR.show(ui, settings, true, out);
            floor(ui, session, out);
            controls(ui, &PLANTS, settings, out);
            heading(ui, "Balance");
            KEEP_BALANCE.show(ui, settings, true, out);
            controls(ui, &BALANCE, settings, out);
            heading(ui, "Touches of hands");
            KEEP_TOUCHES.show(ui, settings, true, out);
            KEEP_APART.show(ui, settings, settings.touches.enabled, out);
            controls(ui, &TOUCHES, settings, out);
            heading(ui, "Ranges of joints");
            KEEP_IN_RANGE.show(ui, settings, true, out);
            controls(ui, &RANGES, settings, out);
            heading(ui, "Finding contacts");
            controls(ui, &CONTACTS, settings, out);
            heading(ui, "Finding touches");
            controls(ui, &LIMITS, settings, out);
            ui.add_space(8.0);
            let is_default = *settings == Settings::default();
            let reset = ui.add_enabled(!is_default, egui::Button::new("Reset all"));
            if reset
                .on_hover_text("All settings as a new scene has them")
                .clicked()
            {
                send("all settings", Settings::default(), false, out);
            }
        });
}

/// The name of a group of controls.
pub fn heading(ui: &mut Ui, text: &str) {
    ui.add_space(6.0);
    ui.label(RichText::new(text).strong());
}

/// Sends changed settings.
pub fn send(name: &'static str, settings: Settings, goes_on: bool, out: &mut Vec<Command>) {
    out.push(Command::Tune {
        name,
        settings: Box::new(settings),
        goes_on,
    });
}

fn controls(ui: &mut Ui, all: &[Control], settings: &Settings, out: &mut Vec<Command>) {
    for control in all {
        number(ui, control, settings, out);
    }
}

fn number(ui: &mut Ui, control: &Control, settings: &Settings, out: &mut Vec<Command>) {
    let standard = (control.get)(&Settings::default());
    let before = (control.get)(settings);
    let mut value = before;
    let [least, most] = control.range;
    let hint = format!("{} From {least} to {most} {}.", control.help, control.unit);
    line(ui, control.name, &hint, |ui| {
        let back = format!("Back to {standard:.*}", control.digits);
        if reset(ui, before != standard, &back) {
            value = standard;
        }
        ui.label(caption(control.unit));
        // A number that is typed is set when it is whole, which is one step to undo.
        let field = DragValue::new(&mut value)
            .update_while_editing(false)
            .range(least..=most)
            .speed(control.speed)
            .fixed_decimals(control.digits);
        let field = ui.add(field).on_hover_text(&hint);
        field.widget_info(|| egui::WidgetInfo {
            label: Some(control.name.to_owned()),
            ..egui::WidgetInfo::drag_value(ui.is_enabled(), value)
        });
        if value != before {
            let mut changed = settings.clone();
            (control.set)(&mut changed, value);
            send(control.name, changed, is_going_on(&field), out);
        }
    });
}

/// Whether a field is being dragged, on from where the drag began.
pub fn is_going_on(field: &egui::Response) -> bool {
    field.dragged() && !field.drag_started()
}

/// The button that sets something back; whether it was pressed.
pub fn reset(ui: &mut Ui, is_changed: bool, hint: &str) -> bool {
    let button = ui.add_enabled(is_changed, egui::Button::new("↺").small());
    button.on_hover_text(hint).clicked()
}

/// A name with its help at the left, the rest from the right.
pub fn line(ui: &mut Ui, name: &str, hint: &str, add: impl FnOnce(&mut Ui)) {
    ui.horizontal(|ui| {
        ui.label(name).on_hover_text(hint);
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), add);
    });
}

/// Which pose of the take is the character's rest pose.
fn reference(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let settings = &session.document.choices.settings;
    let hint = "The pose of the take in which the performer stands as the character does at rest: its own \
                rest pose, or a frame.";
    let mut reference = settings.reference;
    let mut is_dragged = false;
    line(ui, "rest alignment", hint, |ui| {
        if reset(
            ui,
            reference != Reference::Rest,
            "Back to the take's own rest pose",
        ) {
            reference = Reference::Rest;
        }
        let last = session.clock.last();
        if let Reference::Frame(frame) = &mut reference {
            let field = DragValue::new(frame).update_while_editing(false);
            let field = ui.add(field.range(0..=last).speed(0.5));
            let range = format!("{hint} From frame 0 to {last}.");
            is_dragged = is_going_on(&field);
            field.on_hover_text(range);
        }
        let is_frame = matches!(reference, Reference::Frame(_));
        let frame = ui.add_enabled(
            session.can_edit_contacts(),
            egui::Button::selectable(is_frame, "frame"),
        );
        if frame.on_hover_text("The frame that is shown now").clicked() {
            reference = Reference::Frame(session.clock.frame());
        }
        let rest = ui.selectable_label(!is_frame, "rest pose");
        if rest.on_hover_text(hint).clicked() {
            reference = Reference::Rest;
        }
    });
    if reference != settings.reference {
        let changed = Settings {
            reference,
            ..settings.clone()
        };
        send("rest alignment", changed, is_dragged, out);
    }
}

/// How high the floor is, where it is not found.
fn floor(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    /// Farthest floor that can be dragged to, metres.
    const FARTHEST_M: f64 = 10.0;
    let settings = &session.document.choices.settings;
    let hint = format!(
        "Height of the floor in the take, where the one that was found is wrong. From -{FARTHEST_M} to \
         {FARTHEST_M} m."
    );
    let before = settings.floor_height_m;
    let found_m = session.stage.floor.height_m;
    // A floor at the origin, which is found but for rounding, is no floor below it.
    let found_m = (1e4 * found_m).round() / 1e4 + 0.0;
    let mut height_m = before.unwrap_or(found_m);
    let shown_m = height_m;
    let mut after = before;
    let mut is_dragged = false;
    line(ui, "floor", &hint, |ui| {
        if reset(
            ui,
            before.is_some(),
            "Back to the floor that is found in the take",
        ) {
            after = None;
        }
        ui.label(caption("m"));
        let field = DragValue::new(&mut height_m).update_while_editing(false);
        let field = field
            .range(-FARTHEST_M..=FARTHEST_M)
            .speed(0.001)
            .fixed_decimals(3);
        let field = ui.add(field).on_hover_text(&hint);
        is_dragged = is_going_on(&field);
        if height_m != shown_m {
            after = Some(height_m);
        }
    });
    if after != before {
        let changed = Settings {
            floor_height_m: after,
            ..settings.clone()
        };
        send("floor", changed, is_dragged, out);
    }
}

fn travel(ui: &mut Ui, settings: &Settings, out: &mut Vec<Command>) {
    let hint = "How far the character travels: by its legs, as far as the performer, or by a factor \
                from 0 to 10.";
    let mut travel = settings.travel;
    let mut is_dragged = false;
    line(ui, "travel", hint, |ui| {
        if reset(ui, travel != Travel::default(), "Back to travel by legs") {
            travel = Travel::default();
        }
        if let Travel::Factor(factor) = &mut travel {
            ui.label(caption("×"));
            let field = DragValue::new(factor)
                .update_while_editing(false)
                .range(0.0..=10.0)
                .speed(0.005)
                .fixed_decimals(3);
            let field = ui.add(field).on_hover_text(hint);
            is_dragged = is_going_on(&field);
        }
        let is_factor = matches!(travel, Travel::Factor(_));
        if ui
            .selectable_label(is_factor, "factor")
            .on_hover_text(hint)
            .clicked()
            && !is_factor
        {
            travel = Travel::Factor(1.0);
        }
        if ui
            .selectable_label(travel == Travel::Kept, "kept")
            .on_hover_text(hint)
            .clicked()
        {
            travel = Travel::Kept;
        }
        if ui
            .selectable_label(travel == Travel::LegLength, "by legs")
            .on_hover_text(hint)
            .clicked()
        {
            travel = Travel::LegLength;
        }
    });
    if travel != settings.travel {
        let changed = Settings {
            travel,
            ..settings.clone()
        };
        send("travel", changed, is_dragged, out);
    }
}

fn arms(ui: &mut Ui, settings: &Settings, out: &mut Vec<Command>) {
    let hint = "What further pairs of arms do: move as the first pair does, or rest.";
    let mut extra_arms = settings.extra_arms;
    line(ui, "further arms", hint, |ui| {
        let standard = ExtraArms::default();
        if reset(ui, extra_arms != standard, "Back to arms that follow") {
            extra_arms = standard;
        }
        ui.selectable_value(&mut extra_arms, ExtraArms::Rest, "rest")
            .on_hover_text(hint);
        ui.selectable_value(&mut extra_arms, ExtraArms::Follow, "follow")
            .on_hover_text(hint);
    });
    if extra_arms != settings.extra_arms {
        let changed = Settings {
            extra_arms,
            ..settings.clone()
        };
        send("further arms", changed, false, out);
    }
}

/// A setting that is on or off, with the words that a person reads.
pub(super) struct Switch {
    pub(super) word: &'static str,
    pub(super) help: &'static str,
    /// What is standard, after "Back to".
    back: &'static str,
    /// Name of the change.
    pub(super) change: &'static str,
    /// Where it stands in the settings.
    pub(super) place: fn(&mut Settings) -> &mut bool,
}

pub(super) const PLANT_FEET: Switch = Switch {
    word: "plant feet",
    help: "Keep planted feet planted; without, the result is the plain transfer.",
    back: "feet that are planted",
    change: "planting",
    place: |s| &mut s.plants.enabled,
};

const LEVEL_FLOOR: Switch = Switch {
    word: "level floor",
    help: "Take the floor as level even where the take seems to show a slope.",
    back: "the floor that is found",
    change: "planting",
    place: |s| &mut s.level_floor,
};

const KEEP_BALANCE: Switch = Switch {
    word: "keep balance",
    help: "The centre of mass lies over the feet as it did in the take: the pelvis shifts, the feet stay.",
    back: "a pelvis that goes where it goes",
    change: "balance",
    place: |s| &mut s.balance.enabled,
};

pub(super) const KEEP_TOUCHES: Switch = Switch {
    word: "keep touches",
    help: "Hands and forearms meet on the character what they meet in the take.",
    back: "touches that are kept",
    change: "touches",
    place: |s| &mut s.touches.enabled,
};

pub(super) const KEEP_APART: Switch = Switch {
    word: "keep parts apart",
    help: "Legs and arms stay out of each other and of the body where the performer's do. Takes several times longer.",
    back: "limbs that go where they go",
    change: "touches",
    place: |s| &mut s.touches.keep_out,
};

pub(super) const KEEP_IN_RANGE: Switch = Switch {
    word: "keep joints in range",
    help: "Touches and plants take no joint further than people can go, but where the take has it so.",
    back: "joints that are kept in range",
    change: "ranges of joints",
    place: |s| &mut s.limits.enabled,
};

impl Switch {
    /// A line with a box to tick, which may be out of use.
    fn show(&self, ui: &mut Ui, settings: &Settings, can_change: bool, out: &mut Vec<Command>) {
        let standard = *(self.place)(&mut Settings::default());
        let mut changed = settings.clone();
        let is_on = (self.place)(&mut changed);
        let back = format!("Back to {}", self.back);
        line(ui, self.word, self.help, |ui| {
            if reset(ui, *is_on != standard, &back) {
                *is_on = standard;
            }
            ui.add_enabled(can_change, egui::Checkbox::without_text(is_on))
                .on_hover_text(self.help);
        });
        if changed != *settings {
            send(self.change, changed, false, out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_control_reads_back_what_it_sets_and_stays_in_range() {
        for control in BODY
            .iter()
            .chain(&POSTURE)
            .chain(&PLANTS)
            .chain(&BALANCE)
            .chain(&TOUCHES)
            .chain(&RANGES)
            .chain(&CONTACTS)
            .chain(&LIMITS)
        {
            let standard = (control.get)(&Settings::default());
            let [least, most] = control.range;
            assert!((least..=most).contains(&standard), "{}", control.name);
            assert!(control.help.ends_with('.') && !control.unit.is_empty());
            for value in [least, 0.5 * (least + most), most] {
                let mut settings = Settings::default();
                settings.contacts.end_height = 0.001;
                settings.contacts.start_height = 0.001;
                settings.contacts.end_speed = 0.005;
                settings.contacts.start_speed = 0.005;
                (control.set)(&mut settings, value);
                let read = (control.get)(&settings);
                assert!(
                    (read - value).abs() < 1e-9,
                    "{}: {read} not {value}",
                    control.name
                );
                assert_eq!(settings.check(), Ok(()), "{}", control.name);
            }
        }
    }
}
