//! The character once more, with other settings (B) beside those that are worked on (A): solved in
//! the background for the same take, roles and contacts.

use std::sync::Arc;

use understudy_measure::{Fault, Report};
use understudy_scene::Solved;
use understudy_solver::Settings;

use super::document::Document;
use super::jobs::{Done, Jobs, Task};
use super::presets::PresetId;
use super::progress::Progress;
use super::session::Session;
use super::stage::Stage;
use super::view::Arrangement;

/// What is compared with.
#[derive(Debug)]
pub struct Other {
    /// Name of its preset.
    pub name: String,
    /// Its settings, as far as they fit what is open.
    pub settings: Settings,
    /// What does not fit.
    pub left_out: Vec<String>,
    /// The result, once it is there.
    pub solved: Option<Arc<Solved>>,
    /// Why there is none.
    pub problem: Option<String>,
    jobs: Jobs,
    /// What was open when the solve began.
    basis: Option<Document>,
}

impl Other {
    /// How far its solve has come.
    pub fn progress(&self) -> Option<Progress> {
        let progress = self.jobs.progress()?;
        Some(Progress {
            words: format!("B: {}", progress.words),
            ..progress
        })
    }

    /// Whether it is being solved.
    pub fn is_busy(&self) -> bool {
        self.jobs.is_busy()
    }

    /// Gives up what runs.
    pub(super) fn stop(&mut self) {
        if self.jobs.is_busy() {
            self.jobs.stop();
            self.problem = Some("stopped; choose a preset again".to_owned());
        }
    }

    /// Whether it was solved, or is, for what is open.
    fn is_of(&self, document: &Document) -> bool {
        let is_same = |basis: &Document| {
            let files = [
                (&basis.take, &document.take),
                (&basis.character, &document.character),
            ];
            let same = |(a, b): &(&Option<_>, &Option<_>)| match (a, b) {
                (Some(a), Some(b)) => Arc::ptr_eq(a, b),
                _ => false,
            };
            files.iter().all(same)
                && basis.choices.contacts == document.choices.contacts
                && basis.choices.frame_time_secs == document.choices.frame_time_secs
        };
        self.basis.as_ref().is_some_and(is_same)
    }

    fn start(&mut self, document: &Document, stage: &Stage) {
        let mut document = document.clone();
        document.choices.settings = self.settings.clone();
        self.problem = None;
        self.jobs
            .start(Task::Solve(document.clone(), Some(stage.clone()), None));
        self.basis = Some(document);
    }
}

impl Session {
    /// Compares with a preset, or with nothing any more.
    pub(super) fn compare(&mut self, preset: Option<&PresetId>) {
        let Some(preset) = preset else {
            return self.end_comparison();
        };
        match preset.load() {
            Ok(settings) => {
                let (settings, left_out) = self.fitted(&settings);
                self.stage.other = None;
                self.other = Some(Other {
                    name: preset.name(),
                    settings,
                    left_out,
                    solved: None,
                    problem: None,
                    jobs: Jobs::default(),
                    basis: None,
                });
                self.view.arrangement = Arrangement::Compare;
                self.advance_other();
            }
            Err(problem) => self.fail(problem),
        }
    }

    /// Compares no more.
    pub(super) fn end_comparison(&mut self) {
        self.other = None;
        self.stage.other = None;
        if self.view.arrangement == Arrangement::Compare {
            self.view.arrangement = Arrangement::SideBySide;
        }
    }

    /// Goes on with the settings that were compared with.
    pub(super) fn take_other(&mut self) {
        let Some(other) = self.other.take() else {
            return self.fail("there is no B: choose a preset to compare with first".to_owned());
        };
        self.set_all_settings(&format!("settings of {}", other.name), other.settings);
        self.end_comparison();
        self.say(format!(
            "the settings of {} are taken; Undo brings those before back",
            other.name
        ));
    }

    /// Takes the result of B, and begins its solve where it has none for what is open. The settings
    /// that are worked on go first.
    pub(super) fn advance_other(&mut self) {
        let Some(other) = &mut self.other else {
            return;
        };
        if let Some(end) = other.jobs.poll() {
            self.take_solve_of_other(end);
        }
        self.start_other();
    }

    /// Waits for B; false where nothing runs.
    pub(super) fn wait_for_other(&mut self) -> bool {
        self.start_other();
        let end = self.other.as_mut().and_then(|other| other.jobs.wait());
        let was_running = end.is_some();
        if let Some(end) = end {
            self.take_solve_of_other(end);
        }
        was_running
    }

    fn start_other(&mut self) {
        let is_free = !self.jobs.is_busy() && self.document.pair().is_some();
        if let Some(other) = &mut self.other
            && is_free
            && !other.jobs.is_busy()
            && !other.is_of(&self.document)
        {
            other.start(&self.document, &self.stage);
        }
    }

    fn take_solve_of_other(&mut self, end: Result<Done, understudy_scene::Failure>) {
        let Some(other) = &mut self.other else {
            return;
        };
        match end {
            Ok(Done::Solved(solved, stage)) => {
                other.solved = Some(solved);
                self.stage.other = stage.character;
                self.stage.other_floor = stage.floor;
            }
            Ok(Done::Opened(..) | Done::Exported(_)) => {}
            Err(failure) => {
                other.solved = None;
                other.problem = Some(failure.message);
                self.stage.other = None;
            }
        }
    }

    /// The measures of A and B side by side, once both are there.
    pub fn comparison(&self) -> Option<Vec<Line>> {
        let (a, b) = (self.solved.as_ref()?, self.other.as_ref()?.solved.as_ref()?);
        let open = |faults: &[Fault]| {
            let open = faults.iter().filter(|fault| self.accepted(fault).is_none());
            open.count() as f64
        };
        let (a, b) = (&a.comparison, &b.comparison);
        let mut all = lines(&a.solved, &b.solved);
        all.push(line(
            "faults",
            "",
            0,
            [open(&a.faults), open(&b.faults)],
            "Faults of the list that are not accepted.",
            LESS,
        ));
        Some(all)
    }
}

/// A measure of A and B.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// What is measured.
    pub name: &'static str,
    /// Its unit; empty for numbers of things.
    pub unit: &'static str,
    /// A and B, as they are shown; a dash where there is none.
    pub texts: [String; 2],
    /// Which is better: 0 for A, 1 for B; `None` where they are shown alike, or neither is.
    pub better: Option<usize>,
    /// A sentence of help.
    pub help: &'static str,
}

/// How far a value is from what is wished.
type Badness = fn(f64) -> f64;

/// The less the better.
const LESS: Badness = |value| value;
/// Neither is better.
const EITHER: Badness = |_| 0.0;

fn lines(a: &Report, b: &Report) -> Vec<Line> {
    let both = |get: fn(&Report) -> f64| [get(a), get(b)];
    vec![
        line(
            "plants",
            "",
            0,
            both(|report| report.slide.plants.len() as f64),
            "Times that a part of a foot stands. More is not better: see what slides.",
            EITHER,
        ),
        line(
            "worst slide",
            "mm",
            2,
            both(|report| report.slide.worst_mm_per_plant),
            "How far a planted part moves over its whole plant, at worst.",
            LESS,
        ),
        line(
            "mean slide",
            "mm",
            2,
            both(|report| report.slide.mean_mm_per_plant),
            "How far planted parts move over their plants, on average.",
            LESS,
        ),
        line(
            "sinking",
            "mm",
            1,
            both(|report| report.floor_contact.worst_sinking_mm),
            "How deep a sole is in the floor, at worst.",
            LESS,
        ),
        line(
            "floating",
            "mm",
            1,
            both(|report| report.floor_contact.worst_floating_mm),
            "How high a planted part is above the floor, at worst.",
            LESS,
        ),
        line(
            "knee ratio",
            "×",
            2,
            both(|report| {
                let ratios = report.knees.iter().filter_map(|knee| knee.ratio);
                ratios.fold(f64::NAN, f64::max)
            }),
            "The sharpest turn of a knee over that of the take's own; above 1 it is sharper.",
            // As soft as the take is soft enough.
            |ratio| ratio.max(1.0),
        ),
        line(
            "timing",
            "frames",
            1,
            both(|report| {
                let timing = report.timing.as_ref().filter(|timing| timing.is_sure);
                timing.map_or(f64::NAN, |timing| timing.fine_shift_frames)
            }),
            "How late the character is against the take; below 0 it is early.",
            f64::abs,
        ),
        line(
            "into each other",
            "mm",
            0,
            both(|report| report.penetration.worst_mm),
            "How deep two parts of the body go into each other, at worst.",
            LESS,
        ),
    ]
}

/// A line; NaN is a value that is not there. Values are judged as they are shown.
fn line(
    name: &'static str,
    unit: &'static str,
    digits: usize,
    values: [f64; 2],
    help: &'static str,
    badness: Badness,
) -> Line {
    let texts = values.map(|value| match value.is_nan() {
        true => "–".to_owned(),
        false => without_sign_of_zero(format!("{value:.digits$}")),
    });
    let shown = texts
        .each_ref()
        .map(|text| text.parse::<f64>().ok().map(badness));
    let better = match shown {
        [Some(a), Some(b)] if a < b => Some(0),
        [Some(a), Some(b)] if b < a => Some(1),
        _ => None,
    };
    Line {
        name,
        unit,
        texts,
        better,
        help,
    }
}

/// What is shown as 0 is not below it.
fn without_sign_of_zero(text: String) -> String {
    match text.strip_prefix('-') {
        Some(rest) if text.parse() == Ok(0.0) => rest.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::command::Command;
    use crate::state::session::tests::opened;
    use crate::state::stage::Who;

    #[test]
    fn values_are_judged_as_they_are_shown() {
        let check = |digits: usize, values: [f64; 2], badness: Badness, expected: Option<usize>| {
            assert_eq!(line("x", "", digits, values, "", badness).better, expected);
        };
        check(1, [0.2, 0.4], LESS, Some(0));
        check(1, [0.24, 0.2], LESS, None);
        check(0, [3.0, 1.0], LESS, Some(1));
        check(1, [-2.0, 1.0], f64::abs, Some(1));
        check(1, [f64::NAN, 1.0], LESS, None);
        check(0, [3.0, 1.0], EITHER, None);
        let texts = line("x", "", 1, [f64::NAN, -0.01], "", LESS).texts;
        assert_eq!(texts, ["–", "0.0"]);
        let texts = line("x", "", 1, [-10.04, 20.0], "", LESS).texts;
        assert_eq!(texts, ["-10.0", "20.0"]);
    }

    #[test]
    fn other_settings_are_solved_beside_measured_and_taken() {
        let mut session = opened();
        // A plants nothing; B, as standard, does.
        let mut loose = session.document.choices.settings.clone();
        loose.plants.enabled = false;
        session.apply(Command::Tune {
            name: "planting",
            settings: Box::new(loose.clone()),
            goes_on: false,
        });
        session.apply(Command::Compare(Some(PresetId::Standard)));
        assert_eq!(session.view.arrangement, Arrangement::Compare);
        session.wait();
        let lines = session.comparison().unwrap();
        let better = |name: &str| lines.iter().find(|line| line.name == name).unwrap().better;
        assert_eq!(better("worst slide"), Some(1), "{lines:?}");
        assert_eq!(better("faults"), Some(1), "{lines:?}");
        // Both move, each its own way.
        let place = |session: &Session, who: Who| {
            let (_, motion) = session.motion(who).unwrap();
            motion.soles[0].tracks[0].clone().unwrap()
        };
        assert_ne!(place(&session, Who::Character), place(&session, Who::Other));
        // Contacts are those of both: B is solved again.
        let before = session.other.as_ref().unwrap().solved.clone().unwrap();
        session.apply(Command::SetContacts {
            name: "contacts",
            contacts: session.contacts().cloned(),
            goes_on: false,
        });
        session.wait();
        let after = session.other.as_ref().unwrap().solved.clone().unwrap();
        assert!(!Arc::ptr_eq(&before, &after));
        session.apply(Command::TakeOther);
        session.wait();
        assert_eq!(session.document.choices.settings, Settings::default());
        assert!(session.other.is_none() && session.motion(Who::Other).is_none());
        assert_eq!(session.view.arrangement, Arrangement::SideBySide);
        session.apply(Command::Undo);
        assert_eq!(session.document.choices.settings, loose);
    }

    #[test]
    fn a_comparison_that_is_stopped_or_fails_says_so_and_can_end() {
        let mut session = Session::default();
        let lost = PresetId::File("lost.settings.ron".into());
        session.apply(Command::Compare(Some(lost)));
        assert!(
            session
                .notice
                .clone()
                .unwrap()
                .text
                .contains("lost.settings.ron")
        );
        assert!(session.other.is_none());
        session.apply(Command::TakeOther);
        assert!(session.notice.clone().unwrap().is_failure);
        session.apply(Command::Compare(Some(PresetId::Standard)));
        session.wait();
        assert!(session.comparison().is_none());
        session.apply(Command::Compare(None));
        assert_eq!(session.view.arrangement, Arrangement::SideBySide);
    }
}
