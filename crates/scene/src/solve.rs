//! A take carried onto a character, in memory: checked, fitted to a rate, solved, measured.

use std::cell::{Cell, RefCell};
use std::path::{Path, PathBuf};

use understudy_measure::data_faults::{DataFault, find_data_faults};
use understudy_measure::{Comparison, Options, measure_watched};
use understudy_motion::Surface;
use understudy_solver::{Character, Retargeted, Take, Watch, retarget_watched};

use crate::choices::{Choices, fitted, solve_error};
use crate::failure::Failure;
use crate::frames::Frames;
use crate::load::Loaded;
use crate::report::{Note, counted, data_note, doubt_note, doubtful_of, notes_of};
use crate::strict::strict_faults;

/// What is about to be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// Reading the files.
    Read,
    /// Carrying the take over and planting feet.
    Solve,
    /// Measuring the result.
    Measure,
    /// Writing clip and report.
    Write,
}

impl Step {
    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            Self::Read => "reading",
            Self::Solve => "planting feet",
            Self::Measure => "measuring",
            Self::Write => "writing",
        }
    }
}

/// How far some work has come.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Progress {
    /// What is being done.
    pub step: Step,
    /// How much of it is done, 0 to 1.
    pub share: f64,
}

/// Hears how far the work has come and says whether to go on.
pub type OnProgress<'a> = &'a dyn Fn(Progress) -> bool;

/// Tells of progress; where nobody wants to go on, that is the error.
pub(crate) fn tell(watch: OnProgress<'_>, step: Step, share: f64) -> Result<(), Failure> {
    match watch(Progress { step, share }) {
        true => Ok(()),
        false => Err(Failure::stopped()),
    }
}

/// A take that was carried over.
#[derive(Clone, Debug)]
pub struct Solved {
    /// Plain transfer and result.
    pub retargeted: Retargeted,
    /// Measures of take, plain transfer and result.
    pub comparison: Comparison,
    /// The choices it was made with, in frames of the result.
    pub choices: Choices,
    /// Doubtful roles of take and character, by file.
    pub doubtful: Vec<(PathBuf, Vec<String>)>,
    /// Faults in the data of the take, in frames of its file.
    pub data_faults: Vec<DataFault>,
    /// What a person should know about it, by file.
    pub notes: Vec<Note>,
}

impl Solved {
    /// A part of the result in frames of its own, measured by itself. What was chosen, and notes,
    /// stay those of the whole. Skins are those of take and character.
    ///
    /// # Errors
    /// [`Failure::stopped`] soon after `watch` said so.
    pub fn within(
        &self,
        frames: Frames,
        surfaces: [Option<&Surface>; 2],
        watch: OnProgress<'_>,
    ) -> Result<Self, Failure> {
        let retargeted = self.retargeted.within([frames.first, frames.last]);
        let measured = |share| tell(watch, Step::Measure, share);
        Ok(Self {
            comparison: measure_watched(&retargeted, surfaces, Options::default(), &measured)?,
            retargeted,
            choices: self.choices.clone(),
            doubtful: self.doubtful.clone(),
            data_faults: self.data_faults.clone(),
            notes: self.notes.clone(),
        })
    }

    /// What `--strict` does not let pass, worst first: roles that are guesses, then what was
    /// measured.
    pub fn strict_problems(&self) -> Vec<String> {
        let roles = self.doubtful.iter().map(|(path, roles)| {
            let roles = counted(roles.len(), "doubtful role");
            format!("{roles} in {}", path.display())
        });
        let measured = strict_faults(&self.comparison.faults);
        roles
            .chain(measured.into_iter().map(|fault| fault.text.clone()))
            .collect()
    }
}

/// Carries a take onto a character and measures the result. `on_step` hears what comes next.
///
/// # Errors
/// Bodies that cannot be made out, choices that do not fit take or character.
pub fn solve(
    take: &Loaded,
    character: &Loaded,
    choices: &Choices,
    options: Options,
    on_step: &mut dyn FnMut(Step),
) -> Result<Solved, Failure> {
    let before = Cell::new(None);
    let on_step = RefCell::new(on_step);
    let watch = |now: Progress| {
        if before.replace(Some(now.step)) != Some(now.step) {
            (on_step.borrow_mut())(now.step);
        }
        true
    };
    solve_watched(take, character, choices, options, &watch)
}

/// As [`solve()`], telling how far each step has come.
///
/// # Errors
/// As [`solve()`], and [`Failure::stopped`] soon after `watch` said so.
pub fn solve_watched(
    take: &Loaded,
    character: &Loaded,
    choices: &Choices,
    options: Options,
    watch: OnProgress<'_>,
) -> Result<Solved, Failure> {
    choices.check()?;
    choices.check_character(character)?;
    let data_faults = find_data_faults(&take.clip);
    let fitted = fitted(take, choices)?;
    let choices = fitted.choices;
    let bodies = (take.body()?, character.body()?);
    let on_share = |share| {
        watch(Progress {
            step: Step::Solve,
            share,
        })
    };
    let retargeted = retarget_watched(
        Take {
            clip: &fitted.clip,
            body: bodies.0,
            surface: take.surface(),
        },
        Character {
            skeleton: character.skeleton(),
            body: bodies.1,
            surface: character.surface(),
        },
        &choices.settings,
        choices.contacts.as_ref(),
        Watch::new(&on_share),
    )
    .map_err(|problem| solve_error(&take.path, &choices, problem))?;
    let measured = |share| tell(watch, Step::Measure, share);
    let surfaces = [take.surface(), character.surface()];
    let comparison = measure_watched(&retargeted, surfaces, options, &measured)?;
    let mut notes = notes_of(take, &fitted.notes, character, &retargeted);
    notes.extend(data_note(&data_faults).map(|note| (take.path.clone(), note)));
    let doubtful = doubtful_of([take, character]);
    notes.extend(doubtful.iter().map(doubt_note));
    Ok(Solved {
        retargeted,
        comparison,
        choices,
        doubtful,
        data_faults,
        notes,
    })
}

/// The files of a clip that is about to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outputs {
    /// The clip, `.glb` or `.bvh`.
    pub clip: PathBuf,
    /// Its report, JSON; none is written where absent.
    pub report: Option<PathBuf>,
    /// The frames of the result that are written; all where absent.
    pub frames: Option<Frames>,
}

impl Outputs {
    /// The whole clip with its report beside it.
    pub fn of(clip: &Path) -> Self {
        Self {
            clip: clip.to_owned(),
            report: Some(crate::export::report_beside(clip)),
            frames: None,
        }
    }

    /// The files that are written.
    pub fn files(&self) -> impl Iterator<Item = &Path> {
        let report = self.report.as_deref();
        std::iter::once(self.clip.as_path()).chain(report)
    }
}
