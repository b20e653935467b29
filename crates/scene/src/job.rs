//! One take carried onto one character, from files to files.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
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
    /// What the report says, whether it is written or not.
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
    if let Some(frames) = job.outputs.frames {
        frames.check(job.choices.frame_count(&take), &take.path)?;
    }
    let options = Options::default();
    let solved = solve(&take, character, &job.choices, options, on_step)?;
    on_step(Step::Write);
    deliver(&take, character, solved, &job.outputs, &|_| true)
}

/// Writes clip and report of a result, or of the part of it that is asked for. Both are made before
/// either is written; a stop leaves no file behind.
///
/// # Errors
/// Frames that the result does not have, a clip that the format cannot hold, a file that cannot be
/// written, or the word of who watches to stop.
pub fn deliver(
    take: &Loaded,
    character: &Loaded,
    mut solved: Solved,
    outputs: &Outputs,
    watch: OnProgress<'_>,
) -> Result<Outcome, Failure> {
    let all = solved.retargeted.solved.frame_count();
    if let Some(frames) = outputs.frames {
        frames.check(all, &take.path)?;
        let surfaces = [take.surface(), character.surface()];
        solved = solved.within(frames, surfaces, watch)?;
    }
    tell(watch, Step::Write, 0.0)?;
    // A report is the same whether somebody wants to see values frame by frame or not.
    solved.comparison.forget_series();
    let name = solved.choices.name.clone().unwrap_or_else(|| take.stem());
    let (clip, more) = clip_bytes(character, &solved.retargeted, &name, &outputs.clip)?;
    solved.notes.extend(more);
    tell(watch, Step::Write, 0.6)?;
    let mut report = report_of(take, character, &solved, &outputs.clip);
    if let Some(frames) = outputs.frames {
        report["frames"] = json!({ "first": frames.first, "last": frames.last, "of": all });
    }
    let report_text = json_text(&report, false)?;
    tell(watch, Step::Write, 0.8)?;
    let write = |path: &Path, bytes: &[u8]| {
        write_atomically(path, bytes).map_err(|error| Failure::output(&error))
    };
    write(&outputs.clip, &clip)?;
    if let Some(path) = &outputs.report {
        write(path, report_text.as_bytes())?;
    }
    Ok(Outcome {
        solved,
        report,
        outputs: outputs.clone(),
    })
}
