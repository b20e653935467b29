//! The whole state of the window, and the one place that changes it.

use std::path::PathBuf;
use std::sync::Arc;

use understudy_anatomy::Body;
use understudy_measure::{Fault, FaultKind, joint_called, verdict};
use understudy_motion::DVec3;
use understudy_scene::load::stem;
use understudy_scene::{AcceptedFault, Failure, Loaded, Solved};
use understudy_solver::{Contacts, Settings};

use super::asking::Asking;
use super::camera::{Camera, Orbit};
use super::chains::ChainId;
use super::clock::Clock;
use super::command::{Command, Dialog};
use super::curves::Curves;
use super::document::{Document, Edit, OpenRequest, short};
use super::export::{Delivery, ExportForm};
use super::history::History;
use super::jobs::{Done, Jobs, Task};
use super::layout::Layout;
use super::leaving::Leaving;
use super::live::{Live, Near, before_and_after};
use super::other::Other;
use super::panes::Pane;
use super::preferences::Preferences;
use super::presets::Presets;
use super::progress::Progress;
use super::stage::{Actor, Motion, Stage, Who};
use super::view::{Arrangement, View};

/// A message to a person.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// Whether something failed.
    pub is_failure: bool,
    /// What and where.
    pub text: String,
}

/// Everything the window shows.
#[derive(Debug, Default)]
pub struct Session {
    /// What is open.
    pub document: Document,
    /// The bodies.
    pub stage: Stage,
    /// The last result.
    pub solved: Option<Arc<Solved>>,
    /// Whether settings have changed since the solve that runs was begun.
    must_solve_again: bool,
    /// Whether the result is of bodies whose roles have changed since.
    must_rebuild: bool,
    /// Faults of plain transfer, worst first.
    plain_faults: Vec<Fault>,
    /// What answers a change before the whole result does.
    pub live: Live,
    /// Time.
    pub clock: Clock,
    /// What is shown.
    pub view: View,
    /// Work in the background.
    pub jobs: Jobs,
    /// The character with other settings, beside.
    pub other: Option<Other>,
    /// Settings that are kept by name.
    pub presets: Presets,
    /// What is drawn of the motion over time.
    pub curves: Curves,
    /// The last message.
    pub notice: Option<Notice>,
    /// What is to be told once the first files are open.
    pub told_later: Option<String>,
    /// Settings before and after.
    pub history: History<Edit>,
    /// How the panels stood before and after.
    pub layouts: History<Layout>,
    /// The joint that is chosen, and whose it is.
    pub joint: Option<(Who, usize)>,
    /// The chain of joints that is chosen, and whose it is.
    pub chain: Option<(Who, ChainId)>,
    /// The fault that was gone to.
    pub fault: Option<usize>,
    /// How the clip is written.
    pub export: ExportForm,
    /// Whether the form for it is open.
    pub is_export_open: bool,
    /// Whether the list of actions is open.
    pub are_actions_open: bool,
    /// Whether the first steps are shown.
    pub is_guide_open: bool,
    /// What is remembered from one time to the next.
    pub preferences: Preferences,
    /// Scenes that come with the program.
    pub demos: Vec<PathBuf>,
    /// Work of a session that ended early.
    pub unsaved: Option<PathBuf>,
    /// The same once it was opened or left, to be removed.
    pub settled: Option<PathBuf>,
    /// Counts changes of what is open.
    pub revision: u64,
    /// The count when it was last saved.
    pub saved_revision: u64,
    /// What would lose changes that are not saved, until a person says what becomes of them.
    pub leaving: Option<Leaving>,
    /// Whether the window is to be closed now.
    pub is_closed: bool,
    /// A file that is asked for by its path.
    pub asking: Option<Asking>,
    /// A dialog of the desktop that is asked for; the window takes it.
    pub asked: Option<Dialog>,
}

impl Session {
    /// Carries a command out.
    pub fn apply(&mut self, command: Command) {
        self.carry_out(command);
        self.answer();
    }

    fn carry_out(&mut self, command: Command) {
        match command {
            Command::TogglePlay => self.clock.toggle(),
            Command::Seek(frame) => self.clock.seek(frame),
            Command::Step(frames) => self.clock.step(frames),
            Command::ToStart => self.clock.seek(self.clock.bounds().0),
            Command::ToEnd => self.clock.seek(self.clock.bounds().1),
            Command::SetSpeed(speed) => self.clock.set_speed(speed),
            Command::ToggleLoop => self.clock.is_looping = !self.clock.is_looping,
            Command::SetRange(range) => self.clock.set_range(range),
            Command::PlayFromHere => {
                let (frame, (_, last)) = (self.clock.frame(), self.clock.bounds());
                let last = if last > frame {
                    last
                } else {
                    self.clock.last()
                };
                self.clock.set_range(Some((frame, last)));
            }
            Command::PlayToHere => {
                let (frame, (first, _)) = (self.clock.frame(), self.clock.bounds());
                let first = if first < frame { first } else { 0 };
                self.clock.set_range(Some((first, frame)));
            }
            Command::LookFrom(angle) => self.view.look_from(angle),
            Command::SetOrbit(who, orbit) => self.view.set_orbit(who, orbit),
            Command::FrameBodies => self.view.frame_bodies(),
            Command::ToggleFollow => self.view.follow = !self.view.follow,
            Command::ToggleLinked => self.toggle_linked(),
            Command::SetShow(show) => self.view.show = show,
            Command::NextShow => self.view.show = self.view.show.next(),
            Command::SetArrangement(arrangement) => self.view.arrangement = arrangement,
            Command::NextArrangement => self.view.arrangement = self.view.arrangement.next(),
            Command::ToggleBefore => self.toggle_before(),
            Command::ToggleContacts => self.view.contacts = !self.view.contacts,
            Command::ToggleFaultMarks => self.view.faults = !self.view.faults,
            Command::ToggleDark => self.view.dark = !self.view.dark,
            Command::SetPanel(_)
            | Command::ClosePanel(_)
            | Command::MovePanel(..)
            | Command::SetLayout { .. }
            | Command::ToggleSide
            | Command::SwapSide
            | Command::ToggleTime
            | Command::ToggleCurves
            | Command::ResetLayout
            | Command::Scale { .. }
            | Command::ResetScale => self.lay_out(command),
            Command::UndoLayout => self.relay(true),
            Command::RedoLayout => self.relay(false),
            Command::SetCurves(curves) => self.curves = curves,
            Command::SavePreset(name, shelf) => self.save_preset(&name, shelf),
            Command::ApplyPreset(preset) => self.apply_preset(&preset),
            Command::DeletePreset(path) => self.delete_preset(&path),
            Command::Compare(preset) => self.compare(preset.as_ref()),
            Command::TakeOther => self.take_other(),
            Command::GoToFault(index) => self.go_to_fault(index),
            Command::StepFault(by) => self.step_fault(by),
            Command::AcceptFault { fault, why } => self.accept(fault, &why),
            Command::UnacceptFault(fault) => self.unaccept(fault),
            Command::Ask(dialog) => self.ask(dialog),
            Command::SetAsking(file) => {
                if let Some(asking) = &mut self.asking {
                    asking.file = file;
                }
            }
            Command::CloseAsking => self.asking = None,
            Command::Browse(dialog) => self.asked = Some(dialog),
            Command::Open(files) => match OpenRequest::of(&files) {
                Ok(request) => self.leave_for(Leaving::Open(request)),
                Err(text) => self.fail(text),
            },
            Command::OpenTake(take) => self.leave_for(Leaving::Open(OpenRequest {
                take: Some(take),
                ..OpenRequest::default()
            })),
            Command::OpenCharacter(character) => self.leave_for(Leaving::Open(OpenRequest {
                character: Some(character),
                ..OpenRequest::default()
            })),
            Command::Close => self.leave_for(Leaving::Close),
            Command::SaveAndLeave => self.save_and_leave(),
            Command::LeaveUnsaved => self.leave(),
            Command::Stay => self.leaving = None,
            Command::SaveScene(path) => self.save(path),
            Command::ToggleExport => self.toggle_export(),
            Command::SetExport(form) => self.export = *form,
            Command::NameExport(path) => {
                self.export = self.export.with_file(path.display().to_string());
            }
            Command::Export(delivery) => self.export(*delivery),
            Command::Tune {
                name,
                settings,
                goes_on,
            } => self.tune(name, *settings, goes_on),
            Command::SetContacts {
                name,
                contacts,
                goes_on,
            } => {
                self.set_contacts(name, contacts, goes_on);
            }
            Command::TogglePins => match super::pins::toggled(self) {
                Ok(contacts) => self.set_contacts("pinned contacts", Some(contacts), false),
                Err(text) => self.fail(text),
            },
            Command::ChooseJoint(joint) => self.choose(joint),
            Command::FrameJoint => self.frame_joint(),
            Command::SetRingAxes(axes) => self.view.ring_axes = axes,
            Command::NextRingAxes => self.view.ring_axes = self.view.ring_axes.next(),
            Command::ResetOffset => self.reset_offset(),
            Command::Leave => match self.is_busy() {
                true => self.stop(),
                false => {
                    self.choose(None);
                    self.choose_chain(None);
                }
            },
            Command::SetRole {
                who,
                joint,
                role,
                mirrored,
            } => {
                self.change_roles("role of a joint", |document| {
                    document.set_role(who, joint, role, mirrored)
                });
            }
            Command::ChooseChain(chain) => self.choose_chain(chain),
            Command::GiveChain {
                who,
                place,
                stretch,
                mirrored,
            } => self.give_chain(who, place, stretch, mirrored),
            Command::ClearChain {
                who,
                chain,
                mirrored,
            } => self.clear_chain(who, chain, mirrored),
            Command::Undo => self.undo(),
            Command::Redo => self.redo(),
            Command::StopJob => self.stop(),
            Command::CarryOver => {
                self.notice = None;
                self.solve();
            }
            Command::CloseNotice => self.notice = None,
            Command::OpenUnsaved => {
                if let Some(scene) = self.unsaved.take() {
                    self.settled = Some(scene.clone());
                    self.leave_for(Leaving::Open(OpenRequest {
                        scene: Some(scene),
                        ..OpenRequest::default()
                    }));
                }
            }
            Command::ForgetUnsaved => self.settled = self.unsaved.take(),
            Command::ToggleGuide => {
                self.is_guide_open = !self.is_guide_open;
                self.preferences.has_seen_guide = true;
            }
            Command::ToggleActions => self.are_actions_open = !self.are_actions_open,
        }
    }

    /// Lets time pass and takes what the background has finished, seconds since the last call.
    pub fn advance(&mut self, elapsed_secs: f64) {
        self.clock.advance(elapsed_secs);
        let end = self.jobs.poll();
        for part in self.jobs.take_parts() {
            self.live.add(part);
        }
        if let Some(end) = end {
            self.take(end);
        }
        self.answer();
        self.advance_other();
    }

    /// Shows in the frame under the playhead what was chosen, before the whole clip has followed.
    fn answer(&mut self) {
        let frame = self.clock.frame();
        if !self.live.lacks(frame) {
            return;
        }
        let character = self.stage.actor(Who::Character);
        let shown = character.and_then(|actor| actor.motion(false));
        if let (Some(solved), Some(shown)) = (&self.solved, shown) {
            let (solved, shown) = (Arc::clone(solved), Arc::clone(shown));
            let frame = shown.held(frame);
            let character = self.document.character.as_ref();
            let surface = character.and_then(|file| file.surface());
            if let Some(both) = before_and_after(&solved, &self.document) {
                self.live.answer(&solved, &shown, &both, surface, frame);
            }
        }
    }

    /// Waits for the background until nothing runs, for tests and pictures.
    pub fn wait(&mut self) {
        loop {
            while let Some(end) = self.jobs.wait() {
                self.take(end);
            }
            if !self.wait_for_other() {
                break;
            }
        }
    }

    /// How far what runs in the background has come.
    pub fn progress(&self) -> Option<Progress> {
        let other = self.other.as_ref().and_then(Other::progress);
        self.jobs.progress().or(other)
    }

    /// Whether anything runs in the background.
    pub fn is_busy(&self) -> bool {
        self.jobs.is_busy() || self.other.as_ref().is_some_and(Other::is_busy)
    }

    /// Takes the take away, so that the character stands at rest.
    pub fn rest(&mut self) {
        let character = self.document.character.as_deref();
        self.stage = Stage::unsolved(None, character);
        self.other = None;
        self.solved = None;
        self.live.settle();
        self.clock = Clock::default();
        self.arrange();
    }

    /// The frame that a body shows.
    pub fn frame_of(&self, motion: &Motion) -> usize {
        motion.held(self.clock.frame())
    }

    /// The motion that is shown of a body.
    pub fn motion(&self, who: Who) -> Option<(&Actor, &Arc<Motion>)> {
        self.motion_at(who, self.clock.frame())
    }

    /// The motion that shows a body in some frame: after a change it may be only a part.
    pub fn motion_at(&self, who: Who, frame: usize) -> Option<(&Actor, &Arc<Motion>)> {
        let (actor, whole) = self.measured(who)?;
        let is_result = who == Who::Character && !self.view.before;
        let part = self.live.at(frame).filter(|_| is_result);
        Some((actor, part.unwrap_or(whole)))
    }

    /// The motion of a body over the whole clip, as it was last measured.
    pub fn measured(&self, who: Who) -> Option<(&Actor, &Arc<Motion>)> {
        let actor = self.stage.actor(who)?;
        Some((actor, actor.motion(self.view.before)?))
    }

    /// The camera of a body; `None` where it is not there.
    pub fn camera(&self, who: Who) -> Option<Camera> {
        let (actor, motion) = self.measured(who)?;
        let orbit = self.view.orbit(who);
        let figure = &actor.figure;
        Some(Camera::around(
            orbit,
            self.camera_middle(motion),
            motion.forward,
            figure.height_m,
        ))
    }

    /// The middle of a body that its camera looks at.
    fn camera_middle(&self, motion: &Motion) -> DVec3 {
        let here = motion.middles.get(self.frame_of(motion));
        match (self.view.follow, here) {
            (true, Some(middle)) => *middle,
            _ => motion.middles.iter().sum::<DVec3>() / motion.middles.len() as f64,
        }
    }

    /// Contacts of the take: those given, even if the result is yet to come, or those found.
    pub fn contacts(&self) -> Option<&Contacts> {
        let found = self
            .solved
            .as_ref()
            .map(|solved| &solved.retargeted.contacts);
        match self.can_edit_contacts() {
            true => self.document.choices.contacts.as_ref().or(found),
            false => found,
        }
    }

    /// Whether contacts can be changed: frames of the result must be those of the take.
    pub fn can_edit_contacts(&self) -> bool {
        self.document.choices.frame_time_secs.is_none()
    }

    /// Faults of the version that is shown, worst first.
    pub fn faults(&self) -> &[Fault] {
        match (&self.solved, self.view.before) {
            (Some(_), true) => &self.plain_faults,
            (Some(solved), false) => &solved.comparison.faults,
            (None, _) => &[],
        }
    }

    /// Number of faults of plain transfer.
    pub fn plain_fault_count(&self) -> usize {
        self.plain_faults.len()
    }

    fn take(&mut self, end: Result<Done, Failure>) {
        match end {
            Err(failure) => self.fail(failure.message),
            Ok(Done::Opened(document, stage)) => self.opened(*document, stage),
            Ok(Done::Solved(solved, stage)) => self.show_solved(solved, stage),
            Ok(Done::Exported(outputs)) => {
                let report = outputs.report.as_deref().map(short);
                let report = report.map_or(String::new(), |report| format!(" and {report}"));
                self.say(format!("written: {}{report}", outputs.clip.display()));
            }
        }
    }

    fn opened(&mut self, document: Document, stage: Stage) {
        let take = document.take.as_ref().map(|take| &take.clip);
        self.clock = match take {
            Some(clip) => self
                .clock
                .for_take(clip.frame_count(), clip.frame_time_secs),
            None => Clock::default(),
        };
        self.document = document;
        self.revision += 1;
        if self.settled.is_some() && self.document.path == self.settled {
            // It came from a file that is no place to save to, and is saved nowhere else.
            self.document.path = None;
        } else {
            self.saved_revision = self.revision;
            self.preferences.remember(self.document.files());
        }
        self.stage = stage;
        self.solved = None;
        self.must_rebuild = false;
        self.live.settle();
        self.plain_faults.clear();
        self.fault = None;
        self.history = History::new();
        self.joint = None;
        self.chain = None;
        self.notice = None;
        let bodies = [&self.stage.performer, &self.stage.character];
        let figures = bodies.into_iter().flatten().map(|actor| &actor.figure);
        let problems: Vec<String> = figures
            .filter(|figure| !figure.problems.is_empty())
            .map(|figure| format!("{}: {}", figure.name, figure.problems.join("; ")))
            .collect();
        if !problems.is_empty() {
            let problems = problems.join("; ");
            self.say(format!("drawn without some pictures: {problems}"));
        }
        if let Some(text) = self.told_later.take() {
            self.fail(text);
        }
        self.end_comparison();
        self.refresh_presets();
        self.arrange();
        self.solve();
    }

    /// Gives one body all the space where there is only one.
    fn arrange(&mut self) {
        let is_alone = matches!(self.view.arrangement, Arrangement::Alone(_));
        match (&self.stage.performer, &self.stage.character) {
            (Some(_), None) => self.view.arrangement = Arrangement::Alone(Who::Performer),
            (None, Some(_)) => self.view.arrangement = Arrangement::Alone(Who::Character),
            _ if is_alone => self.view.arrangement = Arrangement::SideBySide,
            _ => {}
        }
    }

    fn show_solved(&mut self, solved: Arc<Solved>, stage: Stage) {
        let clip = &solved.retargeted.solved;
        if clip.frame_count() != self.clock.frames() {
            self.clock = self
                .clock
                .for_take(clip.frame_count(), clip.frame_time_secs);
        }
        let compared = &solved.comparison;
        self.plain_faults = verdict(&compared.plain, Some(&compared.take));
        self.solved = Some(solved);
        // B may have been solved meanwhile.
        let (other, other_floor) = (self.stage.other.take(), self.stage.other_floor);
        self.stage = Stage {
            other,
            other_floor,
            ..stage
        };
        self.fault = None;
        self.live.settle();
        self.must_rebuild = false;
        if self.must_solve_again {
            self.solve();
        }
    }

    pub(super) fn open(&mut self, request: OpenRequest) {
        self.asking = None;
        self.must_solve_again = false;
        self.jobs.start(Task::Open(self.document.clone(), request));
    }

    /// Carries the take over with the settings as they are, where take and character are open. While
    /// that is going on already, it is done once more at its end, so that results come through a
    /// drag; where that would take long, it is begun anew.
    pub(super) fn solve(&mut self) {
        self.must_solve_again = self.jobs.is_solving() && !self.jobs.is_slow();
        if self.document.pair().is_none() {
            return;
        }
        self.live.change();
        if !self.must_solve_again {
            if self.must_rebuild {
                self.rebuild();
                return;
            }
            let near = self.near();
            let task = Task::Solve(self.document.clone(), Some(self.stage.clone()), near);
            self.jobs.start(task);
        }
    }

    fn near(&self) -> Option<Near> {
        let known = self.solved.clone()?;
        let shown = self.stage.actor(Who::Character)?.motion(false)?;
        Some(Near {
            known,
            shown: Arc::clone(shown),
            frame: shown.held(self.clock.frame()),
        })
    }

    pub(super) fn tune(&mut self, name: &'static str, settings: Settings, goes_on: bool) {
        if settings == self.document.choices.settings {
            return;
        }
        if let Err(problem) = settings.check() {
            self.fail(problem.to_string());
            return;
        }
        self.history.record(name, &self.document.edit(), goes_on);
        self.revision += 1;
        self.document.choices.settings = settings;
        self.solve();
    }

    fn set_contacts(&mut self, name: &'static str, contacts: Option<Contacts>, goes_on: bool) {
        if contacts == self.document.choices.contacts {
            return;
        }
        self.history.record(name, &self.document.edit(), goes_on);
        self.revision += 1;
        self.document.choices.contacts = contacts.map(|contacts| contacts.merged());
        self.solve();
    }

    /// Changes roles as one step, and makes the bodies anew; whether that was possible.
    pub(super) fn change_roles(
        &mut self,
        name: &str,
        change: impl FnOnce(&mut Document) -> Result<(), String>,
    ) -> bool {
        let before = self.document.edit();
        if let Err(problem) = change(&mut self.document) {
            self.fail(problem);
            return false;
        }
        self.history.record(name, &before, false);
        self.revision += 1;
        self.rebuild();
        true
    }

    fn undo(&mut self) {
        if let Some((_, edit)) = self.history.undo(&self.document.edit()) {
            self.bring_back(edit);
        }
    }

    fn redo(&mut self) {
        if let Some((_, edit)) = self.history.redo(&self.document.edit()) {
            self.bring_back(edit);
        }
    }

    fn bring_back(&mut self, edit: Edit) {
        let roles = self.document.are_roles_changed;
        let same = |a: &Option<Arc<Loaded>>, b: &Option<Arc<Loaded>>| match (a, b) {
            (Some(a), Some(b)) => Arc::ptr_eq(a, b),
            _ => false,
        };
        let is_same_body = same(&edit.take, &self.document.take)
            && same(&edit.character, &self.document.character)
            && edit.are_roles_changed == roles;
        self.document.set_edit(edit);
        self.revision += 1;
        match is_same_body {
            true => self.solve(),
            false => self.rebuild(),
        }
    }

    /// Makes the bodies again, after their roles have changed, and carries the take over.
    fn rebuild(&mut self) {
        self.must_solve_again = false;
        self.must_rebuild = true;
        self.live.settle();
        self.jobs
            .start(Task::Solve(self.document.clone(), None, None));
    }

    fn save(&mut self, path: PathBuf) {
        match self.document.save(&path) {
            Ok(()) => {
                self.asking = None;
                self.saved_revision = self.revision;
                self.preferences.remember(self.document.files());
                self.refresh_presets();
                self.say(format!("saved: {}", path.display()));
                self.leave();
            }
            Err(failure) => self.fail(failure.message),
        }
    }

    /// Whether the result does not show the last change.
    pub fn is_behind(&self) -> bool {
        self.must_rebuild || self.live.fresh().is_some()
    }

    fn toggle_export(&mut self) {
        self.is_export_open = !self.is_export_open;
        if self.is_export_open {
            self.export = self.export.for_session(self);
        }
    }

    fn export(&mut self, delivery: Delivery) {
        if let Err(text) = super::export::ready(self) {
            self.fail(format!("not exported: {text}"));
            return;
        }
        self.is_export_open = false;
        let mut document = self.document.clone();
        let is_shown = delivery.frame_time_secs == document.choices.frame_time_secs;
        document.choices.frame_time_secs = delivery.frame_time_secs;
        let solved = self.solved.clone().filter(|_| is_shown);
        let task = Task::Export(document, solved, delivery.outputs);
        self.jobs.start(task);
    }

    pub(super) fn ask(&mut self, dialog: Dialog) {
        match (dialog, &self.document.path) {
            // A scene that has a file is written there without asking.
            (Dialog::SaveScene, Some(path)) => self.save(path.clone()),
            (Dialog::Export, _) => self.toggle_export(),
            _ => self.asking = Some(Asking::new(dialog, self)),
        }
    }

    fn stop(&mut self) {
        if self.is_busy() {
            self.jobs.stop();
            if let Some(other) = &mut self.other {
                other.stop();
            }
            self.must_solve_again = false;
            let words = match self.live.fresh() {
                _ if self.must_rebuild => "stopped; the clip does not show the last change yet",
                Some(_) => {
                    "stopped; the bar below the ruler says which frames show the last change"
                }
                None => "stopped; the session is as it was",
            };
            self.say(words.to_owned());
        }
    }

    fn toggle_linked(&mut self) {
        self.view.linked = !self.view.linked;
        if self.view.linked {
            self.view.orbits = [self.view.orbits[1]; 3];
        }
    }

    /// Changes how the panels stand. That has steps of its own to take back: who undoes a change of the
    /// motion does not want panels to jump, nor the other way round.
    fn lay_out(&mut self, command: Command) {
        let mut layout = self.preferences.layout.clone();
        let mut goes_on = false;
        let name = match command {
            Command::SetPanel(pane) => {
                layout.show(pane);
                "panel opened"
            }
            Command::ClosePanel(pane) => {
                layout.panes.close(pane);
                "panel closed"
            }
            Command::MovePanel(pane, place) => {
                layout.put_at(pane, place);
                "panel moved"
            }
            Command::SetLayout {
                layout: dragged,
                goes_on: is_same_drag,
            } => {
                layout = dragged;
                goes_on = is_same_drag;
                "drag of a panel"
            }
            Command::ToggleSide => {
                layout.toggle_side();
                "lists and forms shown or hidden"
            }
            Command::ToggleTime => {
                layout.is_time_shown = !layout.is_time_shown;
                "time shown or hidden"
            }
            Command::ToggleCurves => {
                layout.toggle_curves();
                "curves shown or hidden"
            }
            Command::SwapSide => {
                layout.panes.mirror();
                "left and right exchanged"
            }
            Command::Scale { larger } => {
                layout.scale_percent = layout.scaled(larger);
                "scale"
            }
            Command::ResetScale => {
                layout.scale_percent = 100;
                "scale"
            }
            _ => {
                layout = layout.reset();
                "layout reset"
            }
        };
        let before = &self.preferences.layout;
        if !layout.stands_as(before) {
            self.layouts.record(name, before, goes_on);
        }
        self.set_layout(layout);
    }

    /// Takes a change of the panels back, or makes it again. The window stays as large as it is.
    fn relay(&mut self, is_back: bool) {
        let now = self.preferences.layout.clone();
        let other = match is_back {
            true => self.layouts.undo(&now),
            false => self.layouts.redo(&now),
        };
        if let Some((_, mut layout)) = other {
            layout.window = now.window;
            self.set_layout(layout);
        }
    }

    fn set_layout(&mut self, layout: Layout) {
        let had_presets = self.shows(Pane::Presets);
        self.preferences.layout = layout;
        if !had_presets && self.shows(Pane::Presets) {
            self.refresh_presets();
        }
    }

    /// Whether a panel is to be seen.
    pub fn shows(&self, pane: Pane) -> bool {
        self.preferences.layout.shows(pane)
    }

    fn toggle_before(&mut self) {
        self.view.before = !self.view.before;
        self.fault = None;
    }

    /// The word with which a fault was accepted; `None` for one that counts.
    pub fn accepted(&self, fault: &Fault) -> Option<&str> {
        let known = self.document.accepted.iter();
        let mut known = known.filter(|known| known.covers(fault));
        known.next().map(|known| known.why.as_str())
    }

    /// Number of faults that are not accepted.
    pub fn open_faults(&self) -> usize {
        let faults = self.faults().iter();
        faults
            .filter(|fault| self.accepted(fault).is_none())
            .count()
    }

    fn accept(&mut self, index: usize, why: &str) {
        let why = why.trim();
        let Some(fault) = self.faults().get(index) else {
            return;
        };
        if why.is_empty() || self.accepted(fault).is_some() {
            return;
        }
        let accepted = AcceptedFault::of(fault, why);
        self.history
            .record("accepted fault", &self.document.edit(), false);
        self.revision += 1;
        self.document.accepted.push(accepted);
    }

    fn unaccept(&mut self, index: usize) {
        let Some(fault) = self.faults().get(index).cloned() else {
            return;
        };
        self.history
            .record("accepted fault", &self.document.edit(), false);
        self.revision += 1;
        let accepted = &mut self.document.accepted;
        accepted.retain(|known| !known.covers(&fault));
    }

    /// Goes to the next fault that is not accepted; where all are, to the next.
    fn step_fault(&mut self, by: i64) {
        let count = self.faults().len() as i64;
        if count == 0 {
            return;
        }
        let step = |at: Option<usize>| match at {
            Some(at) => (at as i64 + by).rem_euclid(count) as usize,
            None if by < 0 => count as usize - 1,
            None => 0,
        };
        let mut next = step(self.fault);
        for _ in 1..count {
            if self.accepted(&self.faults()[next]).is_none() {
                break;
            }
            next = step(Some(next));
        }
        self.go_to_fault(next);
    }

    fn go_to_fault(&mut self, index: usize) {
        let Some(fault) = self.faults().get(index) else {
            return;
        };
        let frame = self.telling_frame(fault);
        self.fault = Some(index);
        self.clock.is_playing = false;
        self.clock.seek(frame);
        self.frame_fault(index);
    }

    /// The frame in which a fault is seen best: a slide at its end, a depth where it is deepest.
    pub fn telling_frame(&self, fault: &Fault) -> usize {
        let touch = self.measured(Who::Character).and_then(|(_, motion)| {
            let mut touches = motion.touches.iter();
            touches.find(|touch| fault.part == touch.name())
        });
        if let Some(touch) = touch {
            let depths = touch.depths_mm.iter().enumerate();
            let deepest = depths.max_by(|a, b| a.1.total_cmp(b.1));
            return deepest.map_or(fault.first_frame, |(frame, _)| frame);
        }
        match fault.kind {
            FaultKind::FootSlide => fault.last_frame,
            _ => fault.first_frame + (fault.last_frame - fault.first_frame) / 2,
        }
    }

    /// Chooses a joint, or none; curves that are open follow it.
    fn choose(&mut self, joint: Option<(Who, usize)>) {
        self.joint = joint.map(|(who, joint)| (who.owner(), joint));
        let are_shown = self.shows(Pane::Curves);
        self.curves.follow(are_shown, self.joint.is_some());
    }

    /// Brings the camera near the part that a fault is of.
    fn frame_fault(&mut self, index: usize) {
        /// How much of the picture's height the part may take, body heights seen.
        const NEAR: f64 = 0.9;
        let Some((_, motion)) = self.measured(Who::Character) else {
            return;
        };
        let frame = self.frame_of(motion);
        let Some(fault) = self.faults().get(index) else {
            return;
        };
        let body = self.solved.as_ref().map(|solved| &solved.retargeted.body);
        let Some(place) = place_of(fault, motion, body, frame) else {
            return;
        };
        let mut orbit = *self.view.orbit(Who::Character);
        if matches!(fault.kind, FaultKind::FootSlide) {
            // A way over the floor is seen from above.
            orbit.pitch = orbit.pitch.max(0.75);
        }
        self.frame_place(Who::Character, place, orbit, NEAR);
    }

    /// Brings a place to the middle of the view of a body, seen as from `orbit`, from as many body
    /// heights away as `distance` says.
    pub(super) fn frame_place(&mut self, view: Who, place: DVec3, orbit: Orbit, distance: f64) {
        let Some((actor, motion)) = self.measured(view) else {
            return;
        };
        let (height_m, forward) = (actor.figure.height_m, motion.forward);
        // What the camera would look at without any shift.
        let unshifted = Camera::around(
            &Orbit {
                shift: [0.0; 2],
                ..orbit
            },
            self.camera_middle(motion),
            forward,
            height_m,
        );
        let offset = unshifted.rotation.inverse() * (place - unshifted.target) / height_m;
        let framed = Orbit {
            shift: [offset.x, offset.y],
            distance,
            ..orbit
        };
        self.view.set_orbit(view, framed);
    }

    pub(super) fn fail(&mut self, text: String) {
        self.notice = Some(Notice {
            is_failure: true,
            text,
        });
    }

    pub(super) fn say(&mut self, text: String) {
        self.notice = Some(Notice {
            is_failure: false,
            text,
        });
    }

    /// A name for the scene's file.
    pub fn scene_name(&self) -> String {
        match self.document.pair() {
            Some((take, character)) => {
                format!("{}-{}.scene.ron", stem(&character.path), stem(&take.path))
            }
            None => "take.scene.ron".to_owned(),
        }
    }

    /// A name for the clip's file.
    pub fn export_name(&self) -> String {
        match self.document.pair() {
            Some((take, character)) => {
                format!("{}-{}.glb", stem(&character.path), stem(&take.path))
            }
            None => "clip.glb".to_owned(),
        }
    }
}

/// Where on the body a fault is, in a frame, metres; `None` where it is of the whole body.
fn place_of(fault: &Fault, motion: &Motion, body: Option<&Body>, frame: usize) -> Option<DVec3> {
    let sole = motion.soles.iter().find(|sole| sole.name == fault.part);
    if let Some(sole) = sole {
        let track = sole.tracks.iter().flatten().next_back()?;
        return track.get(frame).copied();
    }
    let pose = motion.clip.world(frame);
    let touch = motion
        .touches
        .iter()
        .find(|touch| fault.part == touch.name());
    if let Some(touch) = touch {
        let [(one, _), _] = touch.rods(&pose);
        return Some((one[0] + one[1]) * 0.5);
    }
    let skeleton = &motion.clip.skeleton;
    joint_called(skeleton, body?, &fault.part).map(|joint| pose.position(joint))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::state::panes::{Area, Place};
    use std::sync::OnceLock;
    use understudy_scene::Outputs;
    use understudy_solver::HandKey;

    pub(crate) fn assets() -> PathBuf {
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../assets")
    }

    /// Writes the whole clip and its report.
    pub(crate) fn export(session: &mut Session, file: &std::path::Path) {
        session.apply(Command::Export(Box::new(Delivery {
            outputs: Outputs::of(file),
            frame_time_secs: None,
        })));
    }

    /// The first steps of the walk: most tests carry it over anew, some several times.
    pub(crate) fn walk() -> PathBuf {
        /// Three seconds: two plants of each foot.
        const FRAMES: usize = 180;
        static FILE: OnceLock<PathBuf> = OnceLock::new();
        let make = || {
            let text = std::fs::read_to_string(assets().join("takes/walk.bvh")).unwrap();
            let (head, motion) = text.split_once("Frames: ").unwrap();
            let mut lines = motion.lines().skip(1);
            let mut short = format!("{head}Frames: {FRAMES}\n{}\n", lines.next().unwrap());
            for line in lines.take(FRAMES) {
                short += line;
                short.push('\n');
            }
            let folder = std::env::temp_dir().join("workbench-walk");
            std::fs::create_dir_all(&folder).unwrap();
            // Another run of the tests may read it.
            let part = folder.join(format!("{}.bvh", std::process::id()));
            std::fs::write(&part, short).unwrap();
            let file = folder.join("walk.bvh");
            std::fs::rename(part, &file).unwrap();
            file
        };
        FILE.get_or_init(make).clone()
    }

    pub(crate) fn pedlar() -> PathBuf {
        assets().join("characters/pedlar.glb")
    }

    /// Some files, carried over where they are a take and a character.
    pub(crate) fn carried(files: Vec<PathBuf>) -> Session {
        let mut session = Session::default();
        session.apply(Command::Open(files));
        session.wait();
        session
    }

    /// The first steps of the walk on the pedlar, carried over once for all tests.
    pub(crate) fn opened() -> Session {
        static KEPT: OnceLock<(Document, Stage, Arc<Solved>)> = OnceLock::new();
        let (document, stage, solved) = KEPT.get_or_init(|| {
            let session = carried(vec![walk(), pedlar()]);
            assert_eq!(session.notice, None);
            (session.document, session.stage, session.solved.unwrap())
        });
        let mut session = Session::default();
        session.opened(document.clone(), stage.clone());
        session.jobs.stop();
        session.show_solved(Arc::clone(solved), stage.clone());
        session
    }

    #[test]
    fn a_take_and_a_character_are_carried_over_and_played() {
        let mut session = carried(vec![walk(), pedlar()]);
        assert_eq!(session.notice, None);
        assert!(session.solved.is_some());
        let (_, motion) = session.motion(Who::Character).unwrap();
        assert_eq!(motion.clip.frame_count(), session.clock.frames());
        assert!(!motion.soles.is_empty() && motion.report.is_some());
        session.apply(Command::TogglePlay);
        session.advance(0.5);
        assert_eq!(session.clock.frame(), 30);
        // Before planting feet slide more than after.
        let worst = |session: &Session| {
            let (_, motion) = session.motion(Who::Character).unwrap();
            motion.report.as_ref().unwrap().slide.worst_mm_per_plant
        };
        let after = worst(&session);
        session.apply(Command::ToggleBefore);
        let before = worst(&session);
        assert!(before > 1.0 && after < 0.1 * before, "{before} {after}");
        assert!(!session.faults().is_empty());
    }

    /// Every scene of the repository can be opened; that all are carried over and what must hold holds, the
    /// command line's tests say.
    #[test]
    fn every_demo_scene_opens() {
        let folder = assets().join("../demo-scenes");
        let entries = std::fs::read_dir(folder).unwrap();
        let scenes = entries.map(|entry| entry.unwrap().path());
        let scenes: Vec<PathBuf> = scenes
            .filter(|path| path.extension().is_some_and(|e| e == "ron"))
            .collect();
        assert!(!scenes.is_empty());
        for scene in scenes {
            let mut session = Session::default();
            session.apply(Command::Open(vec![scene.clone()]));
            let read = session.jobs.wait().unwrap();
            session.take(read);
            assert_eq!(session.notice, None, "{}", scene.display());
            assert!(session.document.pair().is_some(), "{}", scene.display());
            assert!(session.is_busy(), "{}", scene.display());
            for who in [Who::Performer, Who::Character] {
                let actor = session.stage.actor(who);
                assert!(actor.is_some(), "{}", scene.display());
            }
            session.apply(Command::StopJob);
            session.wait();
        }
    }

    #[test]
    fn a_file_that_fails_leaves_the_session_as_it_was() {
        let mut session = opened();
        session.clock.seek(77);
        session.apply(Command::Open(vec!["gone.bvh".into()]));
        session.wait();
        let notice = session.notice.clone().unwrap();
        assert!(notice.is_failure && notice.text.contains("gone.bvh"));
        assert_eq!(session.clock.frame(), 77);
        assert!(session.solved.is_some() && session.document.pair().is_some());
    }

    #[test]
    fn settings_are_tuned_undone_saved_and_exported() {
        let mut session = opened();
        let folder = std::env::temp_dir().join(format!("workbench-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let mut settings = session.document.choices.settings.clone();
        settings.travel = understudy_solver::Travel::Kept;
        session.apply(Command::Tune {
            name: "travel",
            settings: Box::new(settings.clone()),
            goes_on: false,
        });
        session.wait();
        // How far the body goes over the floor, metres.
        let way = |session: &Session| {
            let (_, motion) = session.motion(Who::Character).unwrap();
            let root = session.solved.as_ref().unwrap().retargeted.body.root;
            let place = |frame: usize| motion.clip.world(frame).position(root);
            place(motion.clip.frame_count() - 1).distance(place(0))
        };
        let far = way(&session);
        session.apply(Command::Undo);
        session.wait();
        assert!(way(&session) < far - 0.5, "{} {far}", way(&session));
        session.apply(Command::Redo);
        session.wait();
        assert_eq!(way(&session), far);
        let contacts = session.contacts().cloned();
        session.apply(Command::SetContacts {
            name: "contacts",
            contacts,
            goes_on: false,
        });
        session.apply(Command::SetRole {
            who: Who::Character,
            joint: 5,
            role: None,
            mirrored: false,
        });
        session.wait();
        let scene = folder.join("low.scene.ron");
        session.apply(Command::SaveScene(scene.clone()));
        let clip = folder.join("low.glb");
        export(&mut session, &clip);
        session.wait();
        assert!(clip.exists() && folder.join("low.report.json").exists());
        let mut again = Session::default();
        again.apply(Command::Open(vec![scene]));
        again.wait();
        assert_eq!(again.notice, None);
        assert_eq!(again.document.choices.settings, settings);
        assert_eq!(
            again.document.choices.contacts,
            session.document.choices.contacts
        );
        let scene = again.document.scene.clone().unwrap();
        assert!(scene.take.is_relative() && scene.contacts.is_some());
        assert!(again.document.character.as_ref().unwrap().mapping.is_some());
        let end = way(&again);
        assert!((end - far).abs() < 0.05, "{end} {far}");
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn faults_are_gone_to_in_order_and_framed() {
        let mut session = opened();
        session.apply(Command::ToggleBefore);
        session.apply(Command::StepFault(1));
        assert_eq!(session.fault, Some(0));
        let fault = session.faults()[0].clone();
        let frame = session.clock.frame();
        assert!((fault.first_frame..=fault.last_frame).contains(&frame));
        assert!(session.view.orbit(Who::Character).distance < 2.0);
        session.apply(Command::StepFault(-1));
        assert_eq!(session.fault, Some(session.faults().len() - 1));
    }

    #[test]
    fn a_part_is_bounded_by_the_frames_that_are_shown() {
        let mut session = Session {
            clock: Clock::new(100, 0.01),
            ..Session::default()
        };
        let mut at = |frame: usize, command: Command| {
            session.apply(Command::Seek(frame));
            session.apply(command);
            session.clock.range()
        };
        assert_eq!(at(20, Command::PlayFromHere), Some((20, 99)));
        assert_eq!(at(60, Command::PlayToHere), Some((20, 60)));
        assert_eq!(at(30, Command::PlayFromHere), Some((30, 60)));
        // Outside of the part another one is begun.
        assert_eq!(at(80, Command::PlayFromHere), Some((80, 99)));
        assert_eq!(at(10, Command::PlayToHere), Some((0, 10)));
    }

    #[test]
    fn panels_are_taken_back_apart_from_the_motion() {
        let mut session = Session::default();
        let usual = session.preferences.layout.clone();
        let sized = |session: &Session, height: u32| {
            let mut layout = session.preferences.layout.clone();
            if let Area::Column(pieces) = &mut layout.panes.root {
                pieces[1].size = Some(height);
            }
            layout
        };
        session.apply(Command::MovePanel(Pane::Tune, Place::Left));
        let moved = session.preferences.layout.clone();
        // A drag is one step, the next one another.
        for (height, goes_on) in [(200, false), (210, true), (220, true), (300, false)] {
            let layout = sized(&session, height);
            session.apply(Command::SetLayout { layout, goes_on });
        }
        // Which panel is in front is no step.
        session.apply(Command::SetPanel(Pane::Map));
        session.apply(Command::Scale { larger: true });
        assert_eq!(session.layouts.can_undo(), Some("scale"));
        // The history of the document knows nothing of it.
        session.apply(Command::Undo);
        assert_eq!(session.preferences.layout.scale_percent, 115);
        assert_eq!(session.history.can_redo(), None);
        session.preferences.layout.window = [900, 700];
        let height = |session: &Session| session.preferences.layout.panes.size_of(Pane::Tracks);
        session.apply(Command::UndoLayout);
        assert_eq!(session.preferences.layout.scale_percent, 100);
        session.apply(Command::UndoLayout);
        assert_eq!(height(&session), Some(220));
        session.apply(Command::UndoLayout);
        assert_eq!(height(&session), None);
        assert!(session.preferences.layout.stands_as(&moved));
        session.apply(Command::UndoLayout);
        assert!(session.preferences.layout.stands_as(&usual));
        assert_eq!(session.layouts.can_undo(), None);
        for _ in 0..2 {
            session.apply(Command::RedoLayout);
        }
        assert_eq!(height(&session), Some(220));
        // A reset is a step too, and the window stays as large as it was made.
        session.apply(Command::ResetLayout);
        session.apply(Command::UndoLayout);
        assert_eq!(height(&session), Some(220));
        assert_eq!(session.preferences.layout.window, [900, 700]);
    }

    #[test]
    fn a_bad_setting_is_refused_in_words() {
        let mut session = opened();
        let mut settings = session.document.choices.settings.clone();
        settings.plants.fade_secs = -1.0;
        session.apply(Command::Tune {
            name: "fade",
            settings: Box::new(settings),
            goes_on: false,
        });
        assert!(session.notice.unwrap().text.contains("plants.fade_secs"));
        assert!(session.document.choices.settings.check().is_ok());
    }

    /// A change that moves arms and spine.
    fn stoop(session: &mut Session, degrees: f64, goes_on: bool) {
        let mut settings = session.document.choices.settings.clone();
        settings.posture.stoop_deg = degrees;
        session.apply(Command::Tune {
            name: "stoop",
            settings: Box::new(settings),
            goes_on,
        });
    }

    #[test]
    fn the_shown_frame_answers_a_change_at_once_and_the_whole_result_replaces_it() {
        let mut session = opened();
        session.apply(Command::Seek(90));
        let head = |session: &Session| {
            let (_, motion) = session.motion(Who::Character).unwrap();
            let pose = motion.clip.world(session.frame_of(motion));
            let head = session
                .solved
                .as_ref()
                .unwrap()
                .retargeted
                .body
                .head
                .unwrap();
            pose.position(head)
        };
        let (before, old) = (head(&session), session.solved.clone().unwrap());
        assert_eq!(session.live.fresh(), None);
        stoop(&mut session, 20.0, false);
        // Nothing has come back from the background yet.
        assert!(Arc::ptr_eq(&old, session.solved.as_ref().unwrap()));
        let at_once = head(&session);
        assert!(at_once.distance(before) > 0.03, "{at_once} {before}");
        assert_eq!(session.live.fresh(), Some(vec![(90, 90)]));
        // Another frame is answered when it is shown.
        session.apply(Command::Seek(140));
        assert_eq!(session.live.fresh(), Some(vec![(140, 140)]));
        session.apply(Command::Seek(90));
        session.wait();
        assert_eq!(session.live.fresh(), None);
        let whole = head(&session);
        assert!(whole.distance(at_once) < 0.02, "{whole} {at_once}");
    }

    /// Keys are given in frames of the take, the result has half as many.
    #[test]
    fn a_result_of_another_rate_is_answered_at_once_too() {
        let mut session = opened();
        let take = session.document.take.as_ref().expect("a take");
        session.document.choices.frame_time_secs = Some(2.0 * take.clip.frame_time_secs);
        stoop(&mut session, 1.0, false);
        assert_eq!(session.live.fresh(), Some(Vec::new()), "other frames");
        session.wait();
        let solved = session.solved.clone().expect("a result");
        let frames = solved.retargeted.solved.frame_count();
        assert_eq!(frames, session.clock.frames());
        session.apply(Command::Seek(45));
        let (skeleton, root) = (
            &solved.retargeted.solved.skeleton,
            solved.retargeted.body.root,
        );
        let mut settings = session.document.choices.settings.clone();
        settings.keys.push(HandKey {
            joint: skeleton.name(root).to_owned(),
            frame: 90,
            turn_deg: [0.0; 3],
            shift_m: [0.0, -0.05, 0.0],
            fade_in: 10,
            fade_out: 10,
        });
        let height_m = |session: &Session| {
            let (_, motion) = session.motion(Who::Character).expect("a character");
            motion.clip.world(session.frame_of(motion)).position(root).y
        };
        let before_m = height_m(&session);
        session.apply(Command::Tune {
            name: "key",
            settings: Box::new(settings),
            goes_on: false,
        });
        assert_eq!(session.live.fresh(), Some(vec![(45, 45)]));
        let at_once_m = height_m(&session);
        assert!(at_once_m < before_m - 0.02, "{at_once_m} {before_m}");
        session.wait();
        let whole_m = height_m(&session);
        assert!((whole_m - at_once_m).abs() < 0.02, "{whole_m} {at_once_m}");
    }

    #[test]
    fn contacts_and_a_floor_that_are_changed_are_answered_at_once() {
        let mut session = opened();
        let contacts = session.contacts().cloned().unwrap();
        let held = contacts
            .contacts
            .iter()
            .find(|c| c.first > 100)
            .copied()
            .unwrap();
        let frame = usize::midpoint(held.first, held.last);
        session.apply(Command::Seek(frame));
        let stands = |session: &Session| {
            let (_, motion) = session.motion(Who::Character).unwrap();
            let sole = motion
                .soles
                .iter()
                .find(|sole| sole.side == held.side)
                .unwrap();
            sole.planted[session.frame_of(motion)][held.part as usize]
        };
        assert!(stands(&session));
        let mut changed = contacts.clone();
        changed.contacts.retain(|contact| *contact != held);
        session.apply(Command::SetContacts {
            name: "deleted contact",
            contacts: Some(changed),
            goes_on: false,
        });
        assert!(!stands(&session));
        assert_eq!(session.live.fresh(), Some(vec![(frame, frame)]));
        session.wait();
        assert!(!stands(&session));
        // Another floor too, whatever the stretches around wait for.
        let mut settings = session.document.choices.settings.clone();
        settings.floor_height_m = Some(0.02);
        session.apply(Command::Tune {
            name: "floor",
            settings: Box::new(settings),
            goes_on: false,
        });
        session.advance(0.0);
        assert_eq!(session.live.fresh(), Some(vec![(frame, frame)]));
    }

    #[test]
    fn after_a_drag_the_result_is_that_of_the_ordinary_solve() {
        let mut session = opened();
        session.apply(Command::Seek(90));
        for step in 1..=8 {
            stoop(&mut session, f64::from(step), step > 1);
            session.advance(0.0);
        }
        session.wait();
        let document = &session.document;
        let (take, character) = document.pair().unwrap();
        let options = understudy_measure::Options { series: true };
        let plain =
            understudy_scene::solve(take, character, &document.choices, options, &mut |_| ());
        let own = session.solved.as_ref().unwrap();
        assert_eq!(own.retargeted.solved, plain.unwrap().retargeted.solved);
        let (_, shown) = session.motion(Who::Character).unwrap();
        assert_eq!(shown.clip, own.retargeted.solved);
    }

    #[test]
    fn a_stopped_solve_leaves_what_was_and_still_answers() {
        let mut session = opened();
        let old = session.solved.clone().unwrap();
        stoop(&mut session, 15.0, false);
        session.apply(Command::StopJob);
        session.wait();
        assert!(Arc::ptr_eq(&old, session.solved.as_ref().unwrap()));
        session.apply(Command::Seek(50));
        assert_eq!(session.live.fresh(), Some(vec![(50, 50)]));
        // What is older than what was chosen is not written.
        export(&mut session, "never.glb".as_ref());
        assert!(session.notice.as_ref().unwrap().text.contains("F9"));
        assert!(!session.jobs.is_busy());
        session.apply(Command::CarryOver);
        session.wait();
        assert_eq!(session.live.fresh(), None);
        assert!(session.solved.as_ref().unwrap().retargeted.solved != old.retargeted.solved);
        session.apply(Command::Undo);
        session.wait();
        let own = session.solved.as_ref().unwrap();
        assert_eq!(own.retargeted.solved, old.retargeted.solved);
    }
}
