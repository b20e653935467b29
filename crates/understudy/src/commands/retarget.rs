//! `understudy retarget`: takes onto a character.

use std::collections::BTreeSet;
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;
use understudy_interchange::ron_file::load_ron;
use understudy_solver::{Contacts, Reference, Settings};

use crate::args::{RetargetArgs, SolveArgs};
use crate::output::{complain, print, warn};
use understudy_scene::choices::{Choices, SettingOption};
use understudy_scene::export::{one_file_each, out_format, report_beside, spare_files};
use understudy_scene::job::{Job, Outcome, retarget_onto};
use understudy_scene::load::{Loaded, Purpose, stem};
use understudy_scene::report::{counted, json_text};
use understudy_scene::solve::{Outputs, Step};
use understudy_scene::strict::strict_faults;
use understudy_scene::{Exit, Failure};

/// Carries one take or many onto a character.
///
/// # Errors
/// A character, settings or contacts that cannot be read; for a single take, whatever stops it.
pub fn run(args: &RetargetArgs) -> Result<Exit, Failure> {
    let (character, takes) = match args.files.split_last() {
        Some((character, takes)) if !takes.is_empty() => (character, takes),
        _ => {
            return Err(Failure::usage(
                "give one take or more, and last the character they are for",
            ));
        }
    };
    let is_folder = takes.len() > 1 || is_folder(&args.output);
    check_combination(args, takes, is_folder)?;
    let choices = choices_of(&args.solving, args.name.clone())?;
    let options = args.reading.character();
    let job = |take: &Path, output: PathBuf| Job {
        take: take.to_owned(),
        take_options: args.reading.take(),
        character: character.clone(),
        character_options: options.clone(),
        choices: choices.clone(),
        outputs: Outputs {
            report: (!args.no_report).then(|| {
                let given = args.report.clone();
                given.unwrap_or_else(|| report_beside(&output))
            }),
            clip: output,
            frames: args.frames,
        },
    };
    let output = |take: &PathBuf| match is_folder {
        true => args.output.join(file_name(take, args.format.extension())),
        false => args.output.clone(),
    };
    let jobs: Vec<Job> = takes.iter().map(|take| job(take, output(take))).collect();
    for job in &jobs {
        out_format(&job.outputs.clip).map_err(|error| {
            Failure::usage(format!("{error}, or end the name of a folder in /"))
        })?;
    }
    let outputs = jobs.iter().flat_map(|job| job.outputs.files());
    spare_files(outputs, inputs_of(args))?;
    if is_folder {
        let character = Loaded::read(character, &options, Purpose::Character)?;
        character.body()?;
        choices.check_character(&character)?;
        return run_batch(args, &character, &jobs);
    }
    let Some(job) = jobs.first() else {
        return Err(Failure::usage("give a take before the character"));
    };
    let character = Loaded::read(character, &options, Purpose::Character)?;
    run_one(args, &character, job)
}

/// All files that are read because the command line names them.
fn inputs_of(args: &RetargetArgs) -> impl Iterator<Item = &Path> {
    let more = [
        &args.reading.mapping_take,
        &args.reading.mapping_character,
        &args.reading.asf_take,
        &args.solving.settings,
        &args.solving.contacts,
    ];
    let files = args.files.iter().chain(more.into_iter().flatten());
    files.map(PathBuf::as_path)
}

/// Whether an output stands for a folder: it is one, or its name ends like one.
fn is_folder(output: &Path) -> bool {
    let text = output.to_string_lossy();
    output.is_dir() || text.ends_with(std::path::MAIN_SEPARATOR) || text.ends_with('/')
}

fn file_name(take: &Path, extension: &str) -> OsString {
    format!("{}.{extension}", stem(take)).into()
}

fn check_combination(
    args: &RetargetArgs,
    takes: &[PathBuf],
    is_folder: bool,
) -> Result<(), Failure> {
    if !is_folder {
        return Ok(());
    }
    if out_format(&args.output).is_ok() && !args.output.is_dir() {
        return Err(Failure::usage(format!(
            "{}: several takes make several files; give a folder, ending in /",
            args.output.display()
        )));
    }
    if args.report.is_some() {
        return Err(Failure::usage(
            "--report is for a single output file; in a folder every take has a report of its own",
        ));
    }
    if takes.len() > 1 {
        let single = [
            ("--contacts", args.solving.contacts.is_some()),
            ("--name", args.name.is_some()),
            ("--frames", args.frames.is_some()),
            ("--reference-frame", args.solving.reference_frame.is_some()),
        ];
        if let Some((option, _)) = single.iter().find(|(_, given)| *given) {
            return Err(Failure::usage(format!(
                "{option} is for a single take; run the take it belongs to on its own"
            )));
        }
    }
    one_file_each(takes.iter().map(|take| (stem(take), take.as_path())))
}

/// Settings and contacts from their files, changed by the options of the command line.
///
/// # Errors
/// A file that cannot be read, with line and column, or a setting out of its range.
pub fn choices_of(args: &SolveArgs, name: Option<String>) -> Result<Choices, Failure> {
    let mut settings = match &args.settings {
        Some(path) => load_ron::<Settings>(path).map_err(|error| Failure::input(&error))?,
        None => Settings::default(),
    };
    let mut options = Vec::new();
    let mut note = |option, field| options.push(SettingOption { option, field });
    if let Some(frame) = args.reference_frame {
        settings.reference = Reference::Frame(frame);
        note("--reference-frame", "reference");
    }
    if let Some(travel) = args.travel {
        settings.travel = travel;
        note("--travel", "travel");
    }
    if args.floor.is_some() {
        settings.floor_height_m = args.floor;
        note("--floor", "floor_height_m");
    }
    if args.no_plants {
        settings.plants.enabled = false;
    }
    args.how.apply(&mut settings);
    let contacts = match &args.contacts {
        Some(path) => Some(load_ron::<Contacts>(path).map_err(|error| Failure::input(&error))?),
        None => None,
    };
    let choices = Choices {
        settings,
        settings_file: args.settings.clone(),
        options,
        contacts,
        contacts_file: args.contacts.clone(),
        frame_time_secs: args.rate.map(|rate| rate.frame_time_secs),
        name,
    };
    choices.check()?;
    Ok(choices)
}

fn run_one(args: &RetargetArgs, character: &Loaded, job: &Job) -> Result<Exit, Failure> {
    let spinner = ProgressBar::new_spinner();
    spinner.enable_steady_tick(Duration::from_millis(100));
    let take = job.take.display().to_string();
    let result = retarget_onto(character, job, &mut |step: Step| {
        spinner.set_message(format!("{take}: {}", step.words()));
    });
    spinner.finish_and_clear();
    let outcome = result?;
    for (path, note) in &outcome.solved.notes {
        warn(path, std::slice::from_ref(note));
    }
    if args.json {
        print(&json_text(&outcome.report, false)?)?;
    } else {
        print(&summary(character, job, &outcome))?;
    }
    Ok(verdict(args, &outcome))
}

fn verdict(args: &RetargetArgs, outcome: &Outcome) -> Exit {
    match args.strict && !outcome.solved.strict_problems().is_empty() {
        true => Exit::Faults,
        false => Exit::Done,
    }
}

/// What was done and how well, for people.
fn summary(character: &Loaded, job: &Job, outcome: &Outcome) -> String {
    let scale = outcome.solved.retargeted.scale;
    let frames = match outcome.outputs.frames {
        Some(frames) => format!("frames {} to {}: ", frames.first, frames.last),
        None => String::new(),
    };
    let report = match &outcome.outputs.report {
        Some(report) => format!("report  {}\n", report.display()),
        None => String::new(),
    };
    format!(
        "{} onto {}: {frames}travel × {:.3}, pelvis height × {:.3}, {} of the take\n\n{}\nclip    {}\n{report}",
        job.take.display(),
        character.path.display(),
        scale.horizontal,
        scale.vertical,
        counted(outcome.solved.retargeted.contacts.contacts.len(), "contact"),
        outcome.solved.comparison,
        outcome.outputs.clip.display(),
    )
}

fn run_batch(args: &RetargetArgs, character: &Loaded, jobs: &[Job]) -> Result<Exit, Failure> {
    let bar = ProgressBar::new(jobs.len() as u64);
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos}/{len}  {wide_msg}") {
        bar.set_style(style);
    }
    let width = jobs
        .iter()
        .map(|job| job.outputs.clip.display().to_string().chars().count())
        .max()
        .unwrap_or(0);
    let mut heard = Heard::default();
    let mut worst = Exit::Done;
    let mut tally = Tally::default();
    for job in jobs {
        let take = job.take.display().to_string();
        let result = retarget_onto(character, job, &mut |step: Step| {
            bar.set_message(format!("{take}: {}", step.words()));
        });
        bar.inc(1);
        tally.add(&result);
        worst = worst.max(match &result {
            Ok(outcome) => verdict(args, outcome),
            Err(error) => error.exit,
        });
        bar.suspend(|| tell(args, job, &result, width, &mut heard))?;
    }
    bar.finish_and_clear();
    complain(&heard.rest());
    complain(&tally.text());
    Ok(worst)
}

/// How many takes of a batch ended how.
#[derive(Default)]
struct Tally {
    within_limits: usize,
    with_faults: usize,
    failed: usize,
}

impl Tally {
    fn add(&mut self, result: &Result<Outcome, Failure>) {
        match result {
            Err(_) => self.failed += 1,
            Ok(outcome) if outcome.solved.strict_problems().is_empty() => self.within_limits += 1,
            Ok(_) => self.with_faults += 1,
        }
    }

    fn text(&self) -> String {
        let all = self.within_limits + self.with_faults + self.failed;
        format!(
            "{}: {} within limits, {} with faults, {} failed",
            counted(all, "take"),
            self.within_limits,
            self.with_faults,
            self.failed
        )
    }
}

/// Notes that were told already: what holds for every take is said once.
#[derive(Default)]
struct Heard {
    notes: BTreeSet<String>,
    untold: usize,
}

impl Heard {
    fn tell(&mut self, notes: &[(PathBuf, String)]) {
        for (path, note) in notes {
            if self.notes.insert(note.clone()) {
                warn(path, std::slice::from_ref(note));
            } else {
                self.untold += 1;
            }
        }
    }

    /// What is left to say at the end: nothing, where every note was told.
    fn rest(&self) -> String {
        match self.untold {
            0 => String::new(),
            count => format!(
                "{} said already of another take; the reports have them all",
                counted(count, "further note")
            ),
        }
    }
}

/// One line about one take of many.
fn tell(
    args: &RetargetArgs,
    job: &Job,
    result: &Result<Outcome, Failure>,
    width: usize,
    heard: &mut Heard,
) -> Result<(), Failure> {
    match result {
        Err(error) => complain(error),
        Ok(outcome) => heard.tell(&outcome.solved.notes),
    }
    let text = if args.json {
        let value = match result {
            Ok(outcome) => outcome.report.clone(),
            Err(error) => error.json_at(json!({ "take": { "file": job.take } })),
        };
        json_text(&value, true)?
    } else {
        line(job, result, width)
    };
    print(&text)?;
    Ok(())
}

fn line(job: &Job, result: &Result<Outcome, Failure>, width: usize) -> String {
    let output = job.outputs.clip.display().to_string();
    let padding = " ".repeat(width.saturating_sub(output.chars().count()));
    let Ok(outcome) = result else {
        return format!("{output}{padding}  failed\n");
    };
    let comparison = &outcome.solved.comparison;
    let solved = &comparison.solved;
    let problems = outcome.solved.strict_problems();
    let mut end = match problems.first() {
        None => "within limits".to_owned(),
        Some(worst) => format!("{}: {worst}", counted(problems.len(), "fault")),
    };
    let others = comparison.faults.len() - strict_faults(&comparison.faults).len();
    if others > 0 {
        end.push_str(&format!("; {others} to look at"));
    }
    let lost: usize = comparison.lost_contact_frames.iter().sum();
    if lost > 0 {
        end.push_str(&format!(
            "; {} without the take's contact",
            counted(lost, "frame")
        ));
    }
    let knees = solved.knees.iter().filter_map(|knee| knee.ratio);
    let knee = match knees.reduce(f64::max) {
        Some(ratio) => format!("{ratio:5.2}"),
        None => format!("{:>5}", "-"),
    };
    format!(
        "{output}{padding}  slide {:6.2} mm  sinking {:6.2} mm  knee × {knee}  {end}\n",
        solved.slide.worst_mm_per_plant, solved.floor_contact.worst_sinking_mm,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_told_by_their_name() {
        assert!(is_folder(Path::new("out/")));
        assert!(is_folder(Path::new(".")));
        assert!(!is_folder(Path::new("out/keeper.glb")));
    }
}
