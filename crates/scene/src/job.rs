//! One take carried onto one character, from files to files.

use std::path::{Path, PathBuf};

use serde_json::Value;
use understudy_interchange::file::write_atomically;
use understudy_measure::Options;

use crate::choices::Choices;
use crate::export::{clip_bytes, out_format};
use crate::failure::Failure;
use crate::load::{LoadOptions, Loaded, Purpose};
use crate::report::{json_text, report_of};
use crate::solve::{OnProgress, Outputs, Solved, Step, solve, tell};

/// Which files to read and write.
#[derive(Clone, Debug, PartialEq)]
pub struct Job {
    /// The performer's take.
    pub take: PathBuf,
    /// How it is read.
    pub take_options: LoadOptions,
    /// The character.
    pub character: PathBuf,
    /// How it is read.
    pub character_options: LoadOptions,
    /// How the take is carried over.
    pub choices: Choices,
    /// The files to write.
    pub outputs: Outputs,
}

/// A job that was done.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// What was made and measured.
    pub solved: Solved,
    /// What the report file says.
    pub report: Value,
    /// Where clip and report were written.
    pub outputs: Outputs,
}

/// Reads take and character, carries the one onto the other, measures, and writes clip and
/// report. `on_step` hears what comes next.
///
/// # Errors
/// Files that cannot be read or written, bodies that cannot be made out, settings that do not fit.
pub fn retarget_files(job: &Job, on_step: &mut dyn FnMut(Step)) -> Result<Outcome, Failure> {
    on_step(Step::Read);
    let character = Loaded::read(&job.character, &job.character_options, Purpose::Character)?;
    retarget_onto(&character, job, on_step)
}

/// As [`retarget_files`], with a character that is read already.
///
/// # Errors
/// As [`retarget_files`].
pub fn retarget_onto(
    character: &Loaded,
    job: &Job,
    on_step: &mut dyn FnMut(Step),
) -> Result<Outcome, Failure> {
    out_format(&job.outputs.clip)?;
    job.choices.check()?;
    job.choices.check_character(character)?;
    on_step(Step::Read);
    let take = Loaded::read(&job.take, &job.take_options, Purpose::Motion)?;
    let options = Options::default();
    let solved = solve(&take, character, &job.choices, options, on_step)?;
    on_step(Step::Write);
    deliver(&take, character, solved, &job.outputs, &|_| true)
}

/// Writes clip and report of a result. Both are made before either is written; a stop leaves no
/// file behind.
///
/// # Errors
/// A clip that the format cannot hold, a file that cannot be written, or the word of who watches to
/// stop.
pub fn deliver(
    take: &Loaded,
    character: &Loaded,
    mut solved: Solved,
    outputs: &Outputs,
    watch: OnProgress<'_>,
) -> Result<Outcome, Failure> {
    tell(watch, Step::Write, 0.0)?;
    let name = solved.choices.name.clone().unwrap_or_else(|| take.stem());
    let (clip, more) = clip_bytes(character, &solved.retargeted, &name, &outputs.clip)?;
    solved.notes.extend(more);
    tell(watch, Step::Write, 0.6)?;
    let report = report_of(take, character, &solved, &outputs.clip);
    let report_text = json_text(&report, false)?;
    tell(watch, Step::Write, 0.8)?;
    let write = |path: &Path, bytes: &[u8]| {
        write_atomically(path, bytes).map_err(|error| Failure::output(&error))
    };
    write(&outputs.clip, &clip)?;
    write(&outputs.report, report_text.as_bytes())?;
    Ok(Outcome {
        solved,
        report,
        outputs: outputs.clone(),
    })
}
