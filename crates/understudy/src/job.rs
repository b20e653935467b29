//! One take carried onto one character, from files to files.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Display;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use understudy_anatomy::mapping::resolve;
use understudy_interchange::Source;
use understudy_interchange::bvh::{BvhLayout, BvhOptions, clip_to_bvh, write_bvh};
use understudy_interchange::file::write_atomically;
use understudy_interchange::gltf_file::{AnimationOptions, build_from_clip};
use understudy_measure::{Comparison, measure};
use understudy_motion::rate::spoken_rate;
use understudy_motion::{Clip, LengthUnit};
use understudy_solver::settings::Reference;
use understudy_solver::{
    Character, Contact, Contacts, Foot, FootPart, Retargeted, Settings, SolveError, Take, retarget,
};

use crate::args::OutFormat;
use crate::error::CommandError;
use crate::load::{LoadOptions, Loaded, Purpose, extension, resampled, stem};
use crate::output::{counted, data_fault_json, json_text};
use crate::strict::strict_faults;
use understudy_measure::data_faults::{DataFault, find_data_faults};

/// How a take is carried over.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Choices {
    /// Settings of the solver.
    pub settings: Settings,
    /// The file they came from, for errors to name.
    pub settings_file: Option<PathBuf>,
    /// Options of the command line that replaced settings, for errors to name.
    pub options: Vec<SettingOption>,
    /// Contacts of the take instead of those found, in frames of its file.
    pub contacts: Option<Contacts>,
    /// The file they came from, for errors to name.
    pub contacts_file: Option<PathBuf>,
    /// Frame time of the result, seconds; that of the take where absent.
    pub frame_time_secs: Option<f64>,
    /// Name of the clip in a GLB; name of the take's file where absent.
    pub name: Option<String>,
}

/// An option of the command line that stands for a setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SettingOption {
    /// The option: `--travel`.
    pub option: &'static str,
    /// The field of [`Settings`] it replaces: `travel`.
    pub field: &'static str,
}

impl Choices {
    /// Checks the settings, whatever take and character they are for.
    ///
    /// # Errors
    /// The first setting out of its range; the error names option or file, and field.
    pub fn check(&self) -> Result<(), CommandError> {
        self.settings
            .check()
            .map_err(|error| self.setting_error(&error.field, &error))
    }

    /// Checks what the settings say about joints of the character.
    ///
    /// # Errors
    /// A joint that the character does not have; the error names near names.
    pub fn check_character(&self, character: &Loaded) -> Result<(), CommandError> {
        let skeleton = character.skeleton();
        let mut names = self.settings.offsets_deg.keys();
        let missing = names.find_map(|name| match skeleton.find(name) {
            Some(_) => None,
            None => resolve(skeleton, name).err(),
        });
        match missing {
            Some(problem) => {
                let file = character.path.display();
                let problem = format!("offsets_deg does not fit {file}: {problem}");
                Err(self.setting_error("offsets_deg", problem))
            }
            None => Ok(()),
        }
    }

    /// An error about a setting, naming the option or the file it came from.
    fn setting_error(&self, field: &str, problem: impl Display) -> CommandError {
        let option = self.options.iter().find(|option| option.field == field);
        match (option, &self.settings_file) {
            (Some(given), _) => CommandError::input_at(Path::new(given.option), problem),
            (None, Some(file)) => CommandError::input_at(file, problem),
            (None, None) => CommandError::input_at(Path::new("settings"), problem),
        }
    }

    /// An error about contacts, naming the file they came from.
    fn contacts_error(&self, problem: impl Display) -> CommandError {
        let file = self.contacts_file.as_deref();
        CommandError::input_at(file.unwrap_or(Path::new("contacts")), problem)
    }
}

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
    /// The file to write, `.glb` or `.bvh`.
    pub output: PathBuf,
    /// The report to write.
    pub report: PathBuf,
}

/// What a job is about to do.
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

/// A take that was carried over.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Plain transfer and result.
    pub retargeted: Retargeted,
    /// Measures of take, plain transfer and result.
    pub comparison: Comparison,
    /// What the report file says.
    pub report: Value,
    /// Where the clip was written.
    pub output: PathBuf,
    /// Where the report was written.
    pub report_path: PathBuf,
    /// Doubtful roles of take and character, by file.
    pub doubtful: Vec<(PathBuf, Vec<String>)>,
    /// Faults in the data of the take, in frames of its file.
    pub data_faults: Vec<DataFault>,
    /// What a person should know about the take, by file.
    pub notes: Vec<(PathBuf, String)>,
}

impl Outcome {
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

/// Reads take and character, carries the one onto the other, measures, and writes clip and
/// report. `on_step` hears what comes next.
///
/// # Errors
/// Files that cannot be read or written, bodies that cannot be made out, settings that do not fit.
pub fn retarget_files(job: &Job, on_step: &mut dyn FnMut(Step)) -> Result<Outcome, CommandError> {
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
) -> Result<Outcome, CommandError> {
    out_format(&job.output)?;
    job.choices.check()?;
    job.choices.check_character(character)?;
    on_step(Step::Read);
    let mut take = Loaded::read(&job.take, &job.take_options, Purpose::Motion)?;
    let data_faults = find_data_faults(&take.clip);
    let choices = at_rate(&mut take, &job.choices)?;
    let bodies = (take.body()?, character.body()?);
    on_step(Step::Solve);
    let retargeted = retarget(
        Take {
            clip: &take.clip,
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
    )
    .map_err(|problem| solve_error(&take.path, &choices, problem))?;
    on_step(Step::Measure);
    let comparison = measure(&retargeted, character.surface());
    on_step(Step::Write);
    let name = choices.name.clone().unwrap_or_else(|| take.stem());
    let mut notes = notes_of(&take, character, &retargeted);
    notes.extend(data_note(&data_faults).map(|note| (take.path.clone(), note)));
    let doubtful = doubtful_of([&take, character]);
    notes.extend(doubtful.iter().map(doubt_note));
    let clip_bytes = clip_bytes(character, &retargeted, &name, &job.output, &mut notes)?;
    let mut outcome = Outcome {
        retargeted,
        comparison,
        report: Value::Null,
        output: job.output.clone(),
        report_path: job.report.clone(),
        doubtful,
        data_faults,
        notes,
    };
    outcome.report = report_of(&take, character, &choices, &outcome);
    let report_text = json_text(&outcome.report, false)?;
    let write = |path: &Path, bytes: &[u8]| {
        write_atomically(path, bytes).map_err(|error| CommandError::output(&error))
    };
    write(&job.output, &clip_bytes)?;
    write(&job.report, report_text.as_bytes())?;
    Ok(outcome)
}

/// The result as the bytes of the output file.
fn clip_bytes(
    character: &Loaded,
    retargeted: &Retargeted,
    name: &str,
    output: &Path,
    notes: &mut Vec<(PathBuf, String)>,
) -> Result<Vec<u8>, CommandError> {
    let clip = retargeted.in_file_axes(&retargeted.solved);
    match out_format(output)? {
        OutFormat::Glb => {
            notes.extend(same_name_note(character, name));
            glb_of(character, &clip, name, false, output)
        }
        OutFormat::Bvh => {
            let mut warnings = Vec::new();
            let bytes = bvh_of(character, &clip, None, output, &mut warnings)?;
            notes.extend(warnings.into_iter().map(|w| (output.to_owned(), w)));
            Ok(bytes)
        }
    }
}

/// Where the report of an output goes: beside it, as its name with `.report.json`.
pub fn report_beside(output: &Path) -> PathBuf {
    output.with_file_name(format!("{}.report.json", stem(output)))
}

/// Refuses outputs that would replace a file that is read, or each other.
///
/// # Errors
/// An output is one of the inputs or another output.
pub fn spare_files<'a>(
    outputs: impl IntoIterator<Item = &'a Path>,
    inputs: impl IntoIterator<Item = &'a Path>,
) -> Result<(), CommandError> {
    let read: BTreeMap<PathBuf, &Path> = inputs
        .into_iter()
        .map(|input| (place_of(input), input))
        .collect();
    let mut written = BTreeSet::new();
    for output in outputs {
        let place = place_of(output);
        if let Some(input) = read.get(&place) {
            return Err(CommandError::usage(format!(
                "{}: this would replace {}, which is read; write to another file",
                output.display(),
                input.display()
            )));
        }
        if !written.insert(place) {
            return Err(CommandError::usage(format!(
                "{}: two results would be written to this file; give each its own",
                output.display()
            )));
        }
    }
    Ok(())
}

/// Where a file lies, links followed; a file that is not there yet by the folder it will lie in.
fn place_of(path: &Path) -> PathBuf {
    if let Ok(place) = path.canonicalize() {
        return place;
    }
    let full = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    match (full.parent().map(Path::canonicalize), full.file_name()) {
        (Some(Ok(folder)), Some(name)) => folder.join(name),
        _ => full,
    }
}

/// The format of a file to be written, by its extension.
///
/// # Errors
/// Any other extension.
pub fn out_format(path: &Path) -> Result<OutFormat, CommandError> {
    match extension(path).as_str() {
        "glb" => Ok(OutFormat::Glb),
        "bvh" => Ok(OutFormat::Bvh),
        _ => Err(CommandError::usage(format!(
            "{}: the format to write is not known; name the file .glb or .bvh",
            path.display()
        ))),
    }
}

/// Name of a clip in a GLB file: its own, or else that of the file it came from.
pub fn animation_name(clip: &Clip, path: &Path) -> String {
    match clip.name.is_empty() {
        true => stem(path),
        false => clip.name.clone(),
    }
}

/// A clip of a file's skeleton as GLB: added to the file itself where it is glTF, else as bones.
///
/// # Errors
/// A clip that glTF cannot hold.
pub fn glb_of(
    file: &Loaded,
    clip: &Clip,
    name: &str,
    replace_same_name: bool,
    output: &Path,
) -> Result<Vec<u8>, CommandError> {
    let made = match &file.source {
        Source::Gltf(character) => {
            let options = AnimationOptions {
                replace_same_name,
                ..AnimationOptions::default()
            };
            let nodes = &character.node_of_joint;
            character
                .document
                .with_animation(clip, name, nodes, &options)
        }
        _ => build_from_clip(clip, name),
    };
    made.map_err(|error| CommandError::output_at(output, error))
}

/// A clip of a file's skeleton as BVH, with the channels of the file where it is BVH too.
///
/// # Errors
/// A clip that BVH cannot hold.
pub fn bvh_of(
    file: &Loaded,
    clip: &Clip,
    unit: Option<LengthUnit>,
    output: &Path,
    warnings: &mut Vec<String>,
) -> Result<Vec<u8>, CommandError> {
    let layout = match &file.source {
        Source::Bvh { document, reading } => Some(BvhLayout {
            document,
            reading: *reading,
        }),
        _ => None,
    };
    let made = clip_to_bvh(clip, &BvhOptions { layout, unit })
        .map_err(|error| CommandError::output_at(output, error))?;
    warnings.extend(made.warnings);
    Ok(write_bvh(&made.document).into_bytes())
}

/// Checks what was chosen about frames of a take: contacts and the reference frame.
fn fitted(take: &mut Loaded, choices: &Choices) -> Result<Choices, CommandError> {
    let mut choices = choices.clone();
    let frames = take.clip.frame_count();
    if let Some(given) = &choices.contacts {
        let check = given.check(frames, take.body()?);
        check.map_err(|problem| choices.contacts_error(problem))?;
        let merged = given.merged();
        if merged.contacts.len() < given.contacts.len() {
            let file = choices.contacts_file.as_deref();
            take.warnings.push(format!(
                "contacts that overlap or touch are made one: {} of {} are left of {}",
                merged.contacts.len(),
                given.contacts.len(),
                file.unwrap_or(Path::new("those given")).display()
            ));
        }
        choices.contacts = Some(merged);
    }
    match choices.settings.reference {
        Reference::Frame(frame) if frame >= frames => {
            let problem = format!(
                "there is no reference frame {frame} in {}, which ends at frame {}",
                take.path.display(),
                frames - 1
            );
            Err(choices.setting_error("reference", problem))
        }
        _ => Ok(choices),
    }
}

/// Brings a take to the frame rate of the result, and everything that names its frames with it.
/// Feet are planted at the rate that is written, so that no resampling moves them afterwards.
fn at_rate(take: &mut Loaded, choices: &Choices) -> Result<Choices, CommandError> {
    let mut choices = fitted(take, choices)?;
    let Some(frame_time_secs) = choices.frame_time_secs else {
        return Ok(choices);
    };
    let frames_per_frame = take.clip.frame_time_secs / frame_time_secs;
    take.clip = resampled(&take.clip, frame_time_secs)
        .map_err(|problem| CommandError::input_at(&take.path, problem))?;
    let last = take.clip.frame_count() - 1;
    if let Some(contacts) = &mut choices.contacts {
        contacts.contacts = contacts
            .contacts
            .iter()
            .filter_map(|contact| moved_contact(contact, frames_per_frame, last))
            .collect();
    }
    if let Reference::Frame(frame) = &mut choices.settings.reference {
        *frame = ((*frame as f64 * frames_per_frame).round() as usize).min(last);
    }
    Ok(choices)
}

/// A contact in frames of another rate; `None` where no frame of that rate lies in it.
pub fn moved_contact(contact: &Contact, frames_per_frame: f64, last: usize) -> Option<Contact> {
    /// Part of a frame by which rounding of rates may miss a frame.
    const NEAR: f64 = 1e-3;
    let first_frame = (contact.first as f64 * frames_per_frame - NEAR).ceil() as usize;
    let last_frame = (contact.last as f64 * frames_per_frame + NEAR).floor() as usize;
    let last_frame = last_frame.min(last);
    (first_frame <= last_frame).then_some(Contact {
        first: first_frame,
        last: last_frame,
        ..*contact
    })
}

/// A solver's error about a take: choices that do not fit it are input, the rest is unsolvable.
pub fn solve_error(take: &Path, choices: &Choices, problem: SolveError) -> CommandError {
    match problem {
        SolveError::Setting(text) => choices.setting_error("", text),
        SolveError::Contacts(text) => choices.contacts_error(text),
        SolveError::Numeric(_) | SolveError::Clip(_) => CommandError::unsolvable(take, problem),
    }
}

fn notes_of(take: &Loaded, character: &Loaded, retargeted: &Retargeted) -> Vec<(PathBuf, String)> {
    let of_file = |file: &Loaded| {
        let notes = file.warnings.iter().cloned().chain(file.notes());
        notes
            .map(|note| (file.path.clone(), note))
            .collect::<Vec<_>>()
    };
    let mut notes = of_file(take);
    notes.extend(of_file(character));
    let solving = retargeted.notes.iter().cloned();
    notes.extend(solving.map(|note| (take.path.clone(), note)));
    notes
}

/// One line about faults in the data of a take.
fn data_note(faults: &[DataFault]) -> Option<String> {
    let first = faults.first()?;
    Some(match faults.len() {
        1 => format!("a fault in its data, {first}"),
        count => format!(
            "{count} faults in its data, such as {first}; `understudy inspect` lists them all"
        ),
    })
}

/// Doubtful roles by file, where there are any.
fn doubtful_of(files: [&Loaded; 2]) -> Vec<(PathBuf, Vec<String>)> {
    let roles = files.map(|file| (file.path.clone(), file.doubtful()));
    let some = roles.into_iter().filter(|(_, roles)| !roles.is_empty());
    some.collect()
}

/// One line about the doubtful roles of a file.
fn doubt_note((path, roles): &(PathBuf, Vec<String>)) -> (PathBuf, String) {
    let first = roles.first().map_or("", String::as_str);
    let note = format!(
        "{}, such as {first}; look at them with `understudy inspect`, and settle them in a mapping \
         file (`inspect --mapping-out`)",
        counted(roles.len(), "doubtful role")
    );
    (path.clone(), note)
}

fn same_name_note(character: &Loaded, name: &str) -> Option<(PathBuf, String)> {
    let Source::Gltf(file) = &character.source else {
        return None;
    };
    let is_taken = file.document.animation_names().contains(&name);
    is_taken.then(|| {
        let note = format!(
            "the character's file has an animation \"{name}\" already; the new one stands beside it, give it another --name"
        );
        (character.path.clone(), note)
    })
}

/// The points that stand on the floor, in the coordinates of the joints that carry them, metres: so
/// that others can measure the clip again.
fn soles_json(retargeted: &Retargeted) -> Vec<Value> {
    let skeleton = &retargeted.solved.skeleton;
    let point = |foot: &Foot, part: FootPart| {
        foot.point(part).map(|point| {
            json!({
                "joint": skeleton.name(point.joint),
                "local_m": point.local.to_array(),
            })
        })
    };
    let feet = retargeted.feet.iter();
    feet.map(|foot| {
        json!({
            "side": foot.side.word(),
            "pair": foot.pair,
            "heel": point(foot, FootPart::Heel),
            "ball": point(foot, FootPart::Ball),
            "toe": point(foot, FootPart::Toe),
        })
    })
    .collect()
}

fn report_of(take: &Loaded, character: &Loaded, choices: &Choices, outcome: &Outcome) -> Value {
    let Outcome {
        retargeted,
        comparison,
        ..
    } = outcome;
    let file = |loaded: &Loaded| {
        json!({
            "file": loaded.path,
            "format": loaded.format(),
            "unit": loaded.unit.unit.to_string(),
            "unit_found": loaded.unit.how,
            "asf": loaded.asf(),
            "mapping": loaded.mapping,
            "joints": loaded.skeleton().len(),
        })
    };
    let mut take_json = file(take);
    take_json["frames"] = json!(take.clip.frame_count());
    take_json["frame_time_secs"] = json!(take.clip.frame_time_secs);
    take_json["rate"] = json!(spoken_rate(take.clip.frame_time_secs));
    take_json["duration_secs"] = json!(take.clip.duration_secs());
    json!({
        "understudy": env!("CARGO_PKG_VERSION"),
        "output": outcome.output,
        "take": take_json,
        "character": file(character),
        "travel_factor": retargeted.scale.horizontal,
        "height_factor": retargeted.scale.vertical,
        "settings": choices.settings,
        "within_limits": outcome.strict_problems().is_empty(),
        "doubtful": outcome
            .doubtful
            .iter()
            .map(|(path, roles)| json!({ "file": path, "roles": roles }))
            .collect::<Vec<_>>(),
        "soles": soles_json(retargeted),
        "measures": comparison,
        "contacts": retargeted.contacts.contacts,
        "data_faults": outcome.data_faults.iter().map(data_fault_json).collect::<Vec<_>>(),
        "notes": outcome
            .notes
            .iter()
            .map(|(path, note)| json!({ "file": path, "note": note }))
            .collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use understudy_anatomy::Side;

    #[test]
    fn contacts_keep_their_time_at_another_rate() {
        let contact = Contact {
            side: Side::Left,
            pair: 0,
            part: FootPart::Heel,
            first: 30,
            last: 61,
        };
        let check = |factor: f64, last: usize, expected: Option<(usize, usize)>| {
            let moved = moved_contact(&contact, factor, last);
            assert_eq!(moved.map(|c| (c.first, c.last)), expected);
        };
        check(0.5, 100, Some((15, 30)));
        check(2.0, 300, Some((60, 122)));
        check(2.0, 100, Some((60, 100)));
        // Frames 0, 62.5 and so on: none of them within.
        check(0.016, 100, None);
    }

    #[test]
    fn reports_lie_beside_the_output() {
        assert_eq!(
            report_beside(Path::new("out/keeper-walk.glb")),
            Path::new("out/keeper-walk.report.json")
        );
    }
}
