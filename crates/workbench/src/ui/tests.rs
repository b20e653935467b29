//! Panels pressed and read without a window.

use bevy_egui::egui;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use understudy_solver::{Contact, Contacts, Secondary};

use super::{Memory, show};
use crate::state::command::Command;
use crate::state::panes::Pane;
use crate::state::session::Session;
use crate::state::session::tests::{assets, carried, opened};
use crate::state::stage::Who;

/// What a panel is drawn over, and what came of it.
pub(super) struct Stage {
    pub(super) session: Session,
    pub(super) memory: Memory,
    pub(super) views: Vec<(Who, egui::Rect)>,
    pub(super) window: Option<egui::Rect>,
}

/// A window of panels over a session. Commands are carried out as in the real window.
pub(super) fn harness(session: Session) -> Harness<'static, Stage> {
    harness_of_size(session, [1280.0, 800.0])
}

/// The same in a window of another width and height, points.
pub(super) fn harness_of_size(session: Session, size: [f32; 2]) -> Harness<'static, Stage> {
    let stage = Stage {
        session,
        memory: Memory::default(),
        views: Vec::new(),
        window: None,
    };
    let mut harness = Harness::builder().with_size(size).build_ui_state(
        |ui, stage: &mut Stage| {
            stage.window = Some(ui.max_rect());
            let shown = show(ui, &stage.session, &mut stage.memory);
            for command in shown.commands {
                stage.session.apply(command);
            }
            stage.views = shown.views;
        },
        stage,
    );
    harness.run_steps(3);
    harness
}

/// A take of the demos carried over onto a character.
fn demo(take: &str, character: &str) -> Session {
    let files = [
        format!("takes/{take}.bvh"),
        format!("characters/{character}.glb"),
    ];
    carried(files.map(|file| assets().join(file)).to_vec())
}

/// The first steps of a walk, carried over.
pub(super) fn pedlar() -> Harness<'static, Stage> {
    harness(opened())
}

pub(super) fn press(harness: &mut Harness<'static, Stage>, label: &str) {
    harness.get_by_label(label).click();
    harness.run_steps(3);
}

/// Presses what may be further down in a list.
pub(super) fn reach(harness: &mut Harness<'static, Stage>, label: &str) {
    harness.get_by_label(label).scroll_to_me();
    harness.run_steps(3);
    press(harness, label);
}

#[test]
fn an_empty_window_says_what_to_do() {
    let harness = harness(Session::default());
    assert!(
        harness
            .query_by_label_contains("open a take and a character")
            .is_some()
    );
}

#[test]
fn bodies_get_the_space_that_panels_leave() {
    let harness = pedlar();
    let views = &harness.state().views;
    assert_eq!(
        views.iter().map(|(who, _)| *who).collect::<Vec<_>>(),
        [Who::Performer, Who::Character]
    );
    for (_, rect) in views {
        assert!(rect.width() > 380.0 && rect.height() > 300.0, "{rect}");
    }
    assert!(views[0].1.right() <= views[1].1.left());
}

#[test]
fn transport_and_keys_move_time() {
    let mut harness = pedlar();
    press(&mut harness, "▶|");
    assert_eq!(harness.state().session.clock.frame(), 1);
    harness.key_press(egui::Key::Space);
    harness.run_steps(2);
    assert!(harness.state().session.clock.is_playing);
    harness.key_press(egui::Key::ArrowLeft);
    harness.run_steps(2);
    assert!(!harness.state().session.clock.is_playing);
    assert_eq!(harness.state().session.clock.frame(), 0);
    harness.key_press_modifiers(egui::Modifiers::SHIFT, egui::Key::ArrowRight);
    harness.run_steps(2);
    assert_eq!(harness.state().session.clock.frame(), 10);
}

#[test]
fn faults_are_listed_and_gone_to() {
    let mut harness = pedlar();
    press(&mut harness, "see before");
    assert!(harness.state().session.view.before);
    let count = harness.state().session.faults().len();
    assert!(harness.query_by_label(&format!("Faults {count}")).is_some());
    press(&mut harness, "next");
    assert_eq!(harness.state().session.fault, Some(0));
    harness.key_press(egui::Key::ArrowDown);
    harness.run_steps(2);
    assert_eq!(harness.state().session.fault, Some(1));
}

#[test]
fn what_would_mend_faults_is_offered_beside_them() {
    let mut harness = harness(demo("prayer", "porter"));
    let is_offered = |harness: &Harness<'static, Stage>| {
        let offered = harness.query_by_label("keep parts apart");
        offered.is_some()
    };
    let is_on = |harness: &Harness<'static, Stage>| {
        let choices = &harness.state().session.document.choices;
        choices.settings.touches.keep_out
    };
    press(&mut harness, "keep parts apart");
    assert!(is_on(&harness) && !is_offered(&harness));
    press(&mut harness, "Undo");
    assert!(!is_on(&harness) && is_offered(&harness));
    harness.state_mut().session.apply(Command::StopJob);
    harness.state_mut().session.wait();
}

#[test]
fn the_map_names_roles() {
    let mut harness = pedlar();
    press(&mut harness, "Map");
    assert!(harness.state().session.shows(Pane::Map));
    assert!(harness.query_by_label("l_shoulder").is_some());
    assert!(harness.query_by_label_contains("0 doubtful").is_some());
}

#[test]
fn a_setting_is_tuned_and_undone() {
    let mut harness = pedlar();
    press(&mut harness, "Tune");
    press(&mut harness, "kept");
    harness.state_mut().session.wait();
    harness.run_steps(2);
    let travel = |harness: &Harness<'static, Stage>| {
        harness.state().session.document.choices.settings.travel
    };
    assert_eq!(travel(&harness), understudy_solver::Travel::Kept);
    press(&mut harness, "Undo");
    assert_eq!(travel(&harness), understudy_solver::Travel::LegLength);
}

#[test]
fn a_failure_is_shown_until_it_is_closed() {
    let mut harness = pedlar();
    harness
        .state_mut()
        .session
        .apply(Command::Open(vec!["missing.bvh".into()]));
    harness.state_mut().session.wait();
    harness.run_steps(2);
    assert!(harness.query_by_label_contains("missing.bvh").is_some());
    press(&mut harness, "Close");
    assert!(harness.query_by_label_contains("missing.bvh").is_none());
}

#[test]
fn an_action_is_searched_and_done() {
    let mut harness = pedlar();
    press(&mut harness, "Actions");
    harness.state_mut().memory.search = "export".to_owned();
    harness.run_steps(2);
    harness.key_press(egui::Key::Enter);
    harness.run_steps(2);
    assert!(harness.state().session.is_export_open);
    assert!(!harness.state().session.are_actions_open);
}

/// Types a text into a field in place of what stands in it.
fn fill(harness: &mut Harness<'static, Stage>, label: &str, text: &str) {
    harness.get_by_label(label).focus();
    harness.run_steps(2);
    harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::A);
    harness.run_steps(2);
    harness.get_by_label(label).type_text(text);
    harness.run_steps(3);
}

#[test]
fn a_clip_is_exported_from_the_form() {
    let mut harness = pedlar();
    let folder = std::env::temp_dir().join(format!("workbench-form-ui-{}", std::process::id()));
    harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::E);
    harness.run_steps(3);
    let has = |harness: &Harness<'static, Stage>, text: &str| {
        harness.query_all_by_label_contains(text).next().is_some()
    };
    let frames = harness.state().session.clock.frames();
    assert!(has(&harness, &format!("the whole clip: {frames} frames")));
    // A name with another ending changes the format, and a format the name.
    let file = folder.join("walk.bvh").display().to_string();
    fill(&mut harness, "file", &file);
    assert_eq!(harness.state().session.export.file, file);
    assert!(has(&harness, "walk.report.json"));
    press(&mut harness, "GLB");
    assert!(has(&harness, "walk.glb"));
    // Frames that are not there are told, and nothing can be written.
    press(&mut harness, "from … to");
    fill(&mut harness, "last frame", "99999");
    assert!(has(&harness, "there is no frame 99999"));
    press(&mut harness, "Write the clip");
    assert!(harness.state().session.is_export_open && !folder.exists());
    fill(&mut harness, "last frame", "60");
    assert!(has(&harness, "frames 0 to 60: 61 frames, 1.00 s at 60 Hz"));
    press(&mut harness, "another");
    fill(&mut harness, "Hz", "fast");
    assert!(has(&harness, "not a frame rate"));
    fill(&mut harness, "Hz", "120");
    assert!(has(&harness, "61 frames, 0.50 s at 120 Hz"));
    press(&mut harness, "Write the clip");
    assert!(!harness.state().session.is_export_open);
    harness.state_mut().session.wait();
    harness.run_steps(2);
    let notice = harness.state().session.notice.clone().unwrap();
    assert!(!notice.is_failure, "{}", notice.text);
    assert!(folder.join("walk.glb").exists() && folder.join("walk.report.json").exists());
    // The next time the folder is the same, and what is there already is told.
    harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::E);
    harness.run_steps(3);
    let again = folder.join("walk.glb").display().to_string();
    fill(&mut harness, "file", &again);
    assert!(has(&harness, "there already"));
    press(&mut harness, "Reset");
    assert!(!has(&harness, "there already"));
    press(&mut harness, "Cancel");
    assert!(!harness.state().session.is_export_open);
    std::fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn a_drag_turns_both_linked_cameras() {
    let mut harness = pedlar();
    let (_, view) = harness.state().views[0];
    let before = harness.state().session.view.orbits;
    harness.drag_at(view.center());
    harness.run_steps(2);
    harness.hover_at(view.center() + egui::vec2(120.0, 0.0));
    harness.run_steps(2);
    harness.drop_at(view.center() + egui::vec2(120.0, 0.0));
    harness.run_steps(2);
    let after = harness.state().session.view.orbits;
    assert_ne!(before[0].yaw, after[0].yaw);
    assert_eq!(after[0], after[1]);
}

#[test]
fn a_joint_is_given_another_role_and_it_is_undone() {
    let mut harness = pedlar();
    press(&mut harness, "Map");
    let session = &harness.state().session;
    let file = session.document.character.clone().unwrap();
    let ear = file.skeleton().find("pedlar:left_thumb_1").unwrap();
    let role = file.recognition.roles.role(ear);
    harness
        .state_mut()
        .session
        .apply(Command::ChooseJoint(Some((Who::Character, ear))));
    harness.run_steps(2);
    assert!(harness.query_by_label("other side follows").is_some());
    harness.state_mut().session.apply(Command::SetRole {
        who: Who::Character,
        joint: ear,
        role: None,
        mirrored: true,
    });
    harness.state_mut().session.wait();
    harness.run_steps(2);
    let count = |harness: &Harness<'static, Stage>| {
        let file = harness.state().session.document.character.clone().unwrap();
        (
            file.recognition.roles.role(ear),
            file.recognition.roles.iter().count(),
        )
    };
    let all = file.recognition.roles.iter().count();
    assert_eq!(count(&harness), (None, all - 2));
    press(&mut harness, "Undo");
    harness.state_mut().session.wait();
    assert_eq!(count(&harness), (role, all));
}

#[test]
fn the_end_of_a_contact_is_dragged() {
    let mut harness = pedlar();
    let found = harness.state().session.contacts().unwrap().clone();
    let first = found
        .contacts
        .iter()
        .find(|contact| contact.last > 100)
        .copied()
        .unwrap();
    // The tracks begin right of their labels and end left of the margin.
    let last = harness.state().session.clock.last() as f32;
    let window = harness.state().window.unwrap();
    let (left, right) = (window.left() + 10.0 + 118.0, window.right() - 10.0 - 12.0);
    let x = |frame: f32| left + (right - left) * frame / last;
    let row = harness.get_by_label("frame").rect().bottom() + 72.0;
    let (from, to) = (
        egui::pos2(x(first.last as f32 + 1.0), row),
        egui::pos2(x(first.last as f32 - 10.0), row),
    );
    harness.drag_at(from);
    harness.run_steps(2);
    harness.hover_at(to);
    harness.run_steps(2);
    harness.drop_at(to);
    harness.run_steps(2);
    harness.state_mut().session.wait();
    let session = &harness.state().session;
    let given = session
        .document
        .choices
        .contacts
        .as_ref()
        .expect("nothing was dragged");
    let moved = given
        .contacts
        .iter()
        .find(|contact| !found.contacts.contains(contact))
        .unwrap();
    assert_eq!(
        (moved.side, moved.part, moved.first),
        (first.side, first.part, first.first)
    );
    assert!(
        moved.last.abs_diff(first.last - 11) <= 1,
        "{first:?} {moved:?}"
    );
    assert_eq!(session.solved.as_ref().unwrap().retargeted.contacts, *given);
}

#[test]
fn first_steps_are_read_once() {
    let mut harness = pedlar();
    harness.state_mut().session.is_guide_open = true;
    harness.run_steps(3);
    press(&mut harness, "Begin");
    let session = &harness.state().session;
    assert!(!session.is_guide_open && session.preferences.has_seen_guide);
}

#[test]
fn work_of_a_session_that_ended_early_is_opened_and_belongs_nowhere() {
    let mut harness = pedlar();
    let folder = std::env::temp_dir().join(format!("workbench-unsaved-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let scene = folder.join("unsaved.scene.ron");
    harness
        .state()
        .session
        .document
        .clone()
        .save(&scene)
        .unwrap();
    harness.state_mut().session.unsaved = Some(scene);
    harness.run_steps(2);
    press(&mut harness, "Open it");
    harness.state_mut().session.wait();
    let session = &harness.state().session;
    assert!(session.solved.is_some() && session.unsaved.is_none());
    assert_eq!(session.document.path, None);
    assert_ne!(session.revision, session.saved_revision);
    std::fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn tails_and_hand_keys_are_set_in_the_tune_panel() {
    let mut harness = harness(demo("chin", "fiddler"));
    harness
        .state_mut()
        .session
        .apply(Command::SetPanel(Pane::Tune));
    harness.run_steps(3);
    let settings = |harness: &Harness<'static, Stage>| {
        harness.state().session.document.choices.settings.clone()
    };
    // Three chains: two ears and a tail; the last "spring" is the tail's.
    let springs = harness.get_all_by_label("spring").count();
    assert_eq!(springs, 3);
    harness
        .get_all_by_label("spring")
        .last()
        .unwrap()
        .scroll_to_me();
    harness.run_steps(3);
    harness.get_all_by_label("spring").last().unwrap().click();
    harness.run_steps(3);
    let rules = settings(&harness).secondary;
    assert_eq!(rules.len(), 1);
    let is_spring = |rule: &Secondary| matches!(rule, Secondary::Spring { .. });
    assert!(rules.values().all(is_spring), "{rules:?}");
    // Without a chosen joint there is nothing to key.
    reach(&mut harness, "key a joint here");
    assert!(settings(&harness).keys.is_empty());
    let session = &mut harness.state_mut().session;
    session.apply(Command::ChooseJoint(Some((Who::Character, 5))));
    session.apply(Command::Seek(40));
    let joint = session
        .document
        .character
        .as_ref()
        .unwrap()
        .skeleton()
        .name(5)
        .to_owned();
    harness.run_steps(3);
    reach(&mut harness, &format!("key {joint} here"));
    let keys = settings(&harness).keys;
    assert_eq!(
        (keys.len(), keys[0].frame, keys[0].joint.as_str()),
        (1, 40, joint.as_str())
    );
    reach(&mut harness, "delete");
    assert!(settings(&harness).keys.is_empty());
    harness.state_mut().session.apply(Command::Undo);
    assert_eq!(settings(&harness).keys.len(), 1);
}

#[test]
fn faults_are_accepted_with_a_word_and_taken_back() {
    let mut harness = pedlar();
    let open = |harness: &Harness<'static, Stage>| harness.state().session.open_faults();
    let all = open(&harness);
    assert!(all > 1);
    let go = |harness: &mut Harness<'static, Stage>, command: Command| {
        harness.state_mut().session.apply(command);
        harness.run_steps(3);
    };
    go(&mut harness, Command::GoToFault(0));
    // Without a word why it stays a fault.
    press(&mut harness, "accept");
    assert_eq!(open(&harness), all);
    harness.state_mut().memory.why = "seen by nobody".to_owned();
    harness.run_steps(2);
    press(&mut harness, "accept");
    assert_eq!(open(&harness), all - 1);
    // The next fault is one that is not accepted.
    for _ in 0..all {
        go(&mut harness, Command::StepFault(1));
        assert_ne!(harness.state().session.fault, Some(0));
    }
    go(&mut harness, Command::GoToFault(0));
    press(&mut harness, "take back");
    assert_eq!(open(&harness), all);
    go(&mut harness, Command::Undo);
    assert_eq!(open(&harness), all - 1);
    go(&mut harness, Command::Undo);
    assert_eq!(open(&harness), all);
}

/// The contacts with one pin moved by so many metres.
fn pins_moved(session: &Session, contact: &Contact, [x, z]: [f64; 2]) -> Contacts {
    let moved = contact.place_m.map(|place| [place[0] + x, place[1] + z]);
    crate::state::pins::with_place(session.contacts().unwrap(), contact, moved)
}

#[test]
fn feet_that_stand_are_pinned_moved_saved_and_let_go() {
    let mut harness = pedlar();
    let pins = |harness: &Harness<'static, Stage>| {
        let contacts = harness.state().session.contacts().unwrap();
        let pinned = contacts.contacts.iter().filter(|c| c.place_m.is_some());
        pinned.copied().collect::<Vec<_>>()
    };
    assert!(pins(&harness).is_empty());
    harness.key_press(egui::Key::P);
    harness.run_steps(2);
    harness.state_mut().session.wait();
    let pinned = pins(&harness);
    // The pedlar begins on both feet.
    assert_eq!(pinned.len(), 2, "{pinned:?}");
    // Pinned where it stands it stands where it stood; moved it stands there.
    let stands = |harness: &Harness<'static, Stage>, contact: &Contact| {
        let place = crate::state::pins::standing(&harness.state().session, contact).unwrap();
        let pin = contact.place_m.unwrap();
        f64::hypot(place[0] - pin[0], place[1] - pin[1])
    };
    for contact in &pinned {
        assert!(stands(&harness, contact) < 1e-4, "{contact:?}");
    }
    let session = &mut harness.state_mut().session;
    let moved_to = pinned[0].place_m.map(|[x, z]| [x + 0.02, z - 0.01]);
    let contacts = pins_moved(session, &pinned[0], [0.02, -0.01]);
    session.apply(Command::SetContacts {
        name: "place of a pin",
        contacts: Some(contacts),
        goes_on: false,
    });
    session.wait();
    let moved = pins(&harness);
    assert!(moved.iter().any(|contact| contact.place_m == moved_to));
    for contact in &moved {
        assert!(stands(&harness, contact) < 1e-4, "{contact:?}");
    }
    // A place that the leg does not reach is told.
    let session = &mut harness.state_mut().session;
    session.apply(Command::SetPanel(Pane::Tune));
    let far = pins_moved(session, &moved[0], [3.0, 0.0]);
    session.apply(Command::SetContacts {
        name: "place of a pin",
        contacts: Some(far),
        goes_on: false,
    });
    session.wait();
    assert_eq!(session.notice, None);
    let far = pins(&harness);
    let away = far.iter().map(|contact| stands(&harness, contact));
    assert!(away.fold(0.0, f64::max) > 0.5);
    harness.run_steps(3);
    assert!(
        harness
            .query_all_by_label_contains("away: move it nearer")
            .next()
            .is_some()
    );
    let session = &mut harness.state_mut().session;
    session.apply(Command::Undo);
    session.wait();
    harness.run_steps(3);
    assert!(
        harness
            .query_all_by_label_contains("away: move it nearer")
            .next()
            .is_none()
    );
    // A scene keeps them.
    let folder = std::env::temp_dir().join(format!("workbench-pins-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let scene = folder.join("pins.scene.ron");
    let mut saved = harness.state().session.document.clone();
    saved.save(&scene).unwrap();
    let session = &mut harness.state_mut().session;
    session.apply(Command::Open(vec![scene]));
    session.wait();
    std::fs::remove_dir_all(&folder).unwrap();
    assert_eq!(pins(&harness), moved);
    // The list lets one go, undo holds it again, the key lets all go.
    harness
        .state_mut()
        .session
        .apply(Command::SetPanel(Pane::Tune));
    harness.run_steps(3);
    harness
        .get_all_by_label("unpin")
        .next()
        .unwrap()
        .scroll_to_me();
    harness.run_steps(3);
    harness.get_all_by_label("unpin").next().unwrap().click();
    harness.run_steps(3);
    assert_eq!(pins(&harness).len(), 1);
    let session = &mut harness.state_mut().session;
    session.apply(Command::Undo);
    session.wait();
    assert_eq!(pins(&harness), moved);
    harness.state_mut().session.apply(Command::TogglePins);
    assert!(pins(&harness).is_empty());
}

#[test]
fn a_change_shows_progress_can_be_stopped_and_the_tracks_say_what_is_fresh() {
    let mut harness = pedlar();
    assert!(
        harness
            .query_by_label_contains("show the last change")
            .is_none()
    );
    let mut settings = harness.state().session.document.choices.settings.clone();
    settings.posture.stoop_deg = 10.0;
    let session = &mut harness.state_mut().session;
    session.apply(Command::Seek(120));
    session.apply(Command::Tune {
        name: "stoop",
        settings: Box::new(settings),
        goes_on: false,
    });
    harness.run_steps(2);
    let bar = "These frames show the last change: 120.";
    assert!(harness.query_by_label_contains(bar).is_some());
    press(&mut harness, "Stop");
    assert!(!harness.state().session.jobs.is_busy());
    // The change is not lost: it can be carried over after all.
    press(&mut harness, "Carry over");
    assert!(harness.state().session.jobs.is_busy());
    harness.state_mut().session.wait();
    harness.run_steps(2);
    assert!(harness.query_by_label("Carry over").is_none());
    harness.state_mut().session.apply(Command::Undo);
    harness.state_mut().session.wait();
    harness.run_steps(2);
    assert!(harness.query_by_label_contains("the last change").is_none());
}

#[test]
fn curves_stand_in_place_of_the_tracks_with_values_at_the_frame() {
    let mut harness = pedlar();
    assert!(harness.query_by_label_contains("plain transfer").is_none());
    press(&mut harness, "Curves");
    assert!(harness.state().session.shows(Pane::Curves));
    for source in ["take ", "plain transfer ", "result "] {
        let found = harness.query_by_label_contains(source).is_some();
        assert!(found, "{source} is missing");
    }
    // A click on the curves goes to the frame below it.
    let window = harness.state().window.unwrap();
    let (left, right) = (window.left() + 10.0 + 118.0, window.right() - 10.0 - 12.0);
    let last = harness.state().session.clock.last() as f32;
    let frame = (0.25 * last).round();
    let at = egui::pos2(
        left + (right - left) * frame / last,
        harness.get_by_label("frame").rect().bottom() + 120.0,
    );
    harness.drag_at(at);
    harness.run_steps(2);
    harness.drop_at(at);
    harness.run_steps(2);
    assert_eq!(harness.state().session.clock.frame(), frame as usize);
    let curves = harness.state_mut().memory.curves.of(&Session::default());
    assert!(curves.is_err());
    harness.key_press(egui::Key::U);
    harness.run_steps(2);
    assert!(harness.query_by_label_contains("plain transfer").is_none());
}

#[test]
fn a_preset_is_saved_compared_taken_and_deleted_after_a_question() {
    let mut harness = pedlar();
    let folder = std::env::temp_dir().join(format!("workbench-shelf-{}", std::process::id()));
    harness.state_mut().session.presets.folder = Some(folder.clone());
    press(&mut harness, "Presets");
    assert!(harness.state().session.shows(Pane::Presets));
    harness.state_mut().memory.preset_name = "as it was".to_owned();
    harness.run_steps(2);
    press(&mut harness, "Save as preset");
    let path = harness.state().session.presets.all[0].path.clone();
    assert!(path.exists());
    // Something else is set, then compared with what was kept.
    let before = harness.state().session.document.choices.settings.clone();
    let mut loose = before.clone();
    loose.plants.enabled = false;
    harness.state_mut().session.apply(Command::Tune {
        name: "planting",
        settings: Box::new(loose.clone()),
        goes_on: false,
    });
    harness.state_mut().session.wait();
    harness.run_steps(2);
    harness.get_all_by_label("Compare").last().unwrap().click();
    harness.run_steps(2);
    harness.state_mut().session.wait();
    harness.run_steps(3);
    let views: Vec<Who> = harness.state().views.iter().map(|(who, _)| *who).collect();
    assert_eq!(views, [Who::Character, Who::Other]);
    assert!(harness.query_by_label("B  as it was").is_some());
    assert!(harness.query_by_label("worst slide").is_some());
    assert!(harness.query_all_by_label_contains("✔ ").count() > 1);
    reach(&mut harness, "Take B");
    harness.state_mut().session.wait();
    let settings = |harness: &Harness<'static, Stage>| {
        harness.state().session.document.choices.settings.clone()
    };
    assert_eq!(settings(&harness), before);
    harness.state_mut().session.apply(Command::Undo);
    assert_eq!(settings(&harness), loose);
    harness.run_steps(2);
    reach(&mut harness, "Delete …");
    press(&mut harness, "Keep it");
    assert!(path.exists());
    press(&mut harness, "Delete …");
    press(&mut harness, "Delete it");
    assert!(!path.exists() && harness.state().session.presets.all.is_empty());
    std::fs::remove_dir_all(&folder).unwrap();
}

/// Drags from one place to another.
pub(super) fn drag(harness: &mut Harness<'static, Stage>, from: egui::Pos2, to: egui::Pos2) {
    harness.hover_at(from);
    harness.run_steps(2);
    harness.drag_at(from);
    harness.run_steps(2);
    harness.hover_at(to);
    harness.run_steps(2);
    harness.drop_at(to);
    harness.run_steps(3);
}

#[test]
fn panels_are_moved_hidden_and_set_back() {
    let mut harness = pedlar();
    let layout =
        |harness: &Harness<'static, Stage>| harness.state().session.preferences.layout.clone();
    let size = |harness: &Harness<'static, Stage>, pane| layout(harness).panes.size_of(pane);
    let view = |harness: &Harness<'static, Stage>| harness.state().views[1].1;
    let standard = layout(&harness);
    let usual = view(&harness);
    // The edge between the bodies and the panel at the side, and the one above the tracks.
    let edge = usual.right_center() + egui::vec2(2.0, 0.0);
    drag(&mut harness, edge, edge - egui::vec2(90.0, 0.0));
    let moved = view(&harness);
    assert!(moved.right() < usual.right() - 60.0, "{moved} {usual}");
    assert!(size(&harness, Pane::Faults).unwrap() > 316 + 60);
    assert_eq!(size(&harness, Pane::Tracks), None);
    let edge = moved.center_bottom() + egui::vec2(0.0, 2.0);
    drag(&mut harness, edge, edge + egui::vec2(0.0, 60.0));
    let height = size(&harness, Pane::Tracks);
    assert!(height.is_some());
    assert!(view(&harness).bottom() > moved.bottom() + 30.0);
    // A second window with the same preferences stands as this one.
    let kept = layout(&harness);
    let before = view(&harness);
    let mut again = pedlar();
    again.state_mut().session.preferences.layout = kept.clone();
    again.run_steps(4);
    assert!((view(&again).right() - before.right()).abs() < 2.0);
    assert!((view(&again).bottom() - before.bottom()).abs() < 2.0);
    assert_eq!(layout(&again), kept, "nothing was dragged there");
    // Hidden by key, back by choosing a panel; on the other side on wish.
    harness.key_press(egui::Key::F6);
    harness.run_steps(3);
    assert!(!layout(&harness).is_side_shown);
    assert!(view(&harness).right() > 1200.0);
    harness.key_press(egui::Key::F7);
    harness.run_steps(3);
    assert!(harness.query_by_label("▶|").is_none());
    harness.key_press(egui::Key::F7);
    harness.key_press(egui::Key::F4);
    harness.run_steps(3);
    assert!(harness.query_by_label("▶|").is_some() && layout(&harness).is_side_shown);
    assert!(layout(&harness).shows(Pane::Tune));
    harness.state_mut().session.apply(Command::SwapSide);
    harness.run_steps(3);
    assert!(harness.state().views[0].1.left() > 300.0);
    assert_eq!(size(&harness, Pane::Tracks), height);
    harness.state_mut().session.apply(Command::ResetLayout);
    harness.run_steps(4);
    assert_eq!(layout(&harness), standard);
    assert!((view(&harness).right() - usual.right()).abs() < 2.0);
}

#[test]
fn everything_is_scaled_by_keys() {
    let mut harness = pedlar();
    let percent = |harness: &Harness<'static, Stage>| {
        harness.state().session.preferences.layout.scale_percent
    };
    let command = egui::Modifiers::COMMAND;
    let press_key = |harness: &mut Harness<'static, Stage>, modifiers, key| {
        harness.key_press_modifiers(modifiers, key);
        harness.run_steps(3);
    };
    press_key(&mut harness, command, egui::Key::Plus);
    press_key(&mut harness, command, egui::Key::Equals);
    press_key(
        &mut harness,
        command | egui::Modifiers::SHIFT,
        egui::Key::Plus,
    );
    assert_eq!(percent(&harness), 150);
    assert_eq!(harness.ctx.zoom_factor(), 1.5);
    press_key(&mut harness, command, egui::Key::Minus);
    assert_eq!(percent(&harness), 130);
    press_key(&mut harness, command, egui::Key::Num0);
    assert_eq!(percent(&harness), 100);
    assert_eq!(harness.ctx.zoom_factor(), 1.0);
}

#[test]
fn a_number_that_is_typed_is_one_step_to_undo() {
    let mut harness = pedlar();
    press(&mut harness, "Tune");
    let stoop = |harness: &Harness<'static, Stage>| {
        let settings = &harness.state().session.document.choices.settings;
        settings.posture.stoop_deg
    };
    let field = |harness: &mut Harness<'static, Stage>| {
        harness
            .get_by_role_and_label(egui::accesskit::Role::SpinButton, "stoop")
            .click();
        harness.run_steps(3);
    };
    field(&mut harness);
    for digit in ["1", "2", ".", "5"] {
        harness.event(egui::Event::Text(digit.to_owned()));
        harness.run_steps(2);
        assert_eq!(stoop(&harness), 0.0, "nothing is set while it is typed");
    }
    harness.key_press(egui::Key::Enter);
    harness.run_steps(3);
    assert_eq!(stoop(&harness), 12.5);
    harness.state_mut().session.apply(Command::Undo);
    assert_eq!(stoop(&harness), 0.0);
    assert!(harness.state().session.history.can_undo().is_none());
}

#[test]
fn a_scene_is_named_by_its_path_and_opened_by_it() {
    let mut harness = pedlar();
    let folder = std::env::temp_dir().join(format!("workbench-path-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::S);
    harness.run_steps(3);
    assert!(harness.query_by_label("Save it").is_some());
    let file = folder.join("low.scene.ron");
    fill(&mut harness, "file", &file.display().to_string());
    press(&mut harness, "Save it");
    assert!(file.exists() && harness.state().session.asking.is_none());
    // Typed behind the folder of the scene; a name that is not there is told.
    harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::O);
    harness.run_steps(3);
    harness.get_by_label("file").type_text("lost.ron");
    harness.run_steps(3);
    let typed = harness.state().session.asking.clone().unwrap().file;
    assert_eq!(typed, folder.join("lost.ron").display().to_string());
    assert!(
        harness
            .query_by_label_contains("there is no such file")
            .is_some()
    );
    fill(&mut harness, "file", &file.display().to_string());
    harness.key_press(egui::Key::Enter);
    harness.run_steps(3);
    assert!(harness.state().session.asking.is_none());
    harness.state_mut().session.wait();
    assert_eq!(harness.state().session.document.path, Some(file));
    std::fs::remove_dir_all(&folder).unwrap();
}
