//! The form that is filled in before a clip is written, and what is written when it is.

use std::path::{Path, PathBuf};

use understudy_motion::rate::spoken_rate;
use understudy_scene::choices::moved_frames;
use understudy_scene::export::{OutFormat, report_beside, spare_files};
use understudy_scene::frames::frame_time_of;
use understudy_scene::load::extension;
use understudy_scene::report::counted;
use understudy_scene::{Choices, Frames, Outputs};

use super::document::{Document, short};
use super::session::Session;

/// Which frames are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Span {
    /// All of them.
    #[default]
    Whole,
    /// The part that is played.
    Played,
    /// From one to another, as typed.
    Typed,
}

/// What was chosen and typed. Texts are kept as they were typed, whether they make sense or not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExportForm {
    /// Format of the clip.
    pub format: OutFormat,
    /// Whether the clip gets the rate below instead of the one that is shown.
    pub has_other_rate: bool,
    /// Frames per second.
    pub rate: String,
    /// Which frames.
    pub span: Span,
    /// First frame, where typed.
    pub first: String,
    /// Last frame, where typed.
    pub last: String,
    /// The file.
    pub file: String,
    /// Whether the report is written beside it.
    pub has_report: bool,
}

impl Default for ExportForm {
    fn default() -> Self {
        Self {
            format: OutFormat::Glb,
            has_other_rate: false,
            rate: "30".to_owned(),
            span: Span::Whole,
            first: String::new(),
            last: String::new(),
            file: String::new(),
            has_report: true,
        }
    }
}

/// A clip that is to be written.
#[derive(Clone, Debug, PartialEq)]
pub struct Delivery {
    /// The files, and which frames.
    pub outputs: Outputs,
    /// Frame time of the clip, seconds; that of the take where absent.
    pub frame_time_secs: Option<f64>,
}

/// What the form leads to.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// What is written.
    pub delivery: Delivery,
    /// Number of its frames.
    pub frames: usize,
    /// Time from its first frame to its last, seconds.
    pub secs: f64,
    /// Its frames per second, for people.
    pub rate: String,
    /// Whether the take is carried over once more, at another rate.
    pub is_solved_anew: bool,
    /// Faults that remain in these frames: those that count, and those that were accepted.
    pub faults: [usize; 2],
    /// Files that are there already and would be replaced.
    pub replaced: Vec<PathBuf>,
}

/// What keeps the clip from being written, field by field.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Problems {
    /// Of the rate.
    pub rate: Option<String>,
    /// Of the frames.
    pub frames: Option<String>,
    /// Of the file.
    pub file: Option<String>,
    /// Of the result itself.
    pub result: Option<String>,
}

impl ExportForm {
    /// The form for what is open: formats and the like as they were, the file named after take and
    /// character.
    pub fn for_session(&self, session: &Session) -> Self {
        let folder = match Path::new(&self.file).parent() {
            Some(folder) if !self.file.is_empty() => folder.to_owned(),
            _ => folder_of(&session.document),
        };
        let name = PathBuf::from(session.export_name());
        let name = name.with_extension(self.format.extension());
        Self {
            format: self.format,
            has_report: self.has_report,
            last: session.clock.last().to_string(),
            first: "0".to_owned(),
            file: folder.join(name).display().to_string(),
            ..Self::default()
        }
    }

    /// The same with another format; the name of the file follows.
    pub fn with_format(&self, format: OutFormat) -> Self {
        let file = Path::new(self.file.trim());
        let is_named = known_format(file).is_some();
        Self {
            format,
            file: match is_named {
                true => file
                    .with_extension(format.extension())
                    .display()
                    .to_string(),
                false => self.file.clone(),
            },
            ..self.clone()
        }
    }

    /// The same with another file; the format follows its name.
    pub fn with_file(&self, file: String) -> Self {
        Self {
            format: known_format(Path::new(file.trim())).unwrap_or(self.format),
            file,
            ..self.clone()
        }
    }

    /// What would be written now.
    ///
    /// # Errors
    /// Fields that make no sense, each with what to do about it.
    pub fn plan(&self, session: &Session) -> Result<Plan, Problems> {
        let Some((take, _)) = session.document.pair() else {
            return Err(Problems {
                result: Some(NOTHING.to_owned()),
                ..Problems::default()
            });
        };
        let rate = self.frame_time(&session.document.choices);
        let shown_secs = session.clock.frame_time_secs();
        let choices = Choices {
            frame_time_secs: rate.clone().unwrap_or(None),
            ..Choices::default()
        };
        let count = choices.frame_count(take);
        let secs = choices.frame_time_secs.unwrap_or(take.clip.frame_time_secs);
        let frames = match &rate {
            Ok(_) => self.frames(session, count, shown_secs / secs),
            // Frames are counted at a rate: without one there is nothing to say about them.
            Err(_) => Ok(None),
        };
        let files = self.files(&session.document);
        let result = ready(session);
        match (rate, frames, files, result) {
            (Ok(frame_time_secs), Ok(frames), Ok(outputs), Ok(())) => {
                let written = frames.map_or(count, Frames::count);
                let there = |file: &&Path| file.exists();
                let replaced = outputs.files().filter(there).map(Path::to_owned).collect();
                let outputs = Outputs { frames, ..outputs };
                Ok(Plan {
                    frames: written,
                    secs: (written - 1) as f64 * secs,
                    rate: spoken_rate(secs),
                    is_solved_anew: frame_time_secs != session.document.choices.frame_time_secs,
                    faults: faults_in(session, frames, secs / shown_secs),
                    replaced,
                    delivery: Delivery {
                        outputs,
                        frame_time_secs,
                    },
                })
            }
            (rate, frames, files, result) => Err(Problems {
                rate: rate.err(),
                frames: frames.err(),
                file: files.err(),
                result: result.err(),
            }),
        }
    }

    fn frame_time(&self, choices: &Choices) -> Result<Option<f64>, String> {
        match self.has_other_rate {
            true => frame_time_of(&self.rate).map(Some),
            false => Ok(choices.frame_time_secs),
        }
    }

    /// The frames, of a clip that has so many; `per_frame` of them make one of those that are shown.
    fn frames(
        &self,
        session: &Session,
        count: usize,
        per_frame: f64,
    ) -> Result<Option<Frames>, String> {
        match (self.span, session.clock.range()) {
            (Span::Whole, _) | (Span::Played, None) => Ok(None),
            (Span::Played, Some(range)) => match moved_frames(range, per_frame, count - 1) {
                Some((first, last)) => Ok(Some(Frames { first, last })),
                None => Err(
                    "no frame of this rate lies in the part that is played; play a longer part, or \
                     take a higher rate"
                        .to_owned(),
                ),
            },
            (Span::Typed, _) => {
                let last = count - 1;
                let frame = |text: &str, which: &str| match text.trim().parse::<usize>() {
                    Ok(frame) if frame <= last => Ok(frame),
                    Ok(frame) => Err(format!(
                        "there is no frame {frame}, for the clip ends at frame {last}; type a \
                         {which} frame up to that one"
                    )),
                    Err(_) => Err(format!("type the {which} frame, from 0 to {last}")),
                };
                let (first, last) = (frame(&self.first, "first")?, frame(&self.last, "last")?);
                Frames::new(first, last).map(Some)
            }
        }
    }

    /// The files, none of which is one that is read.
    fn files(&self, document: &Document) -> Result<Outputs, String> {
        let typed = self.file.trim();
        if typed.is_empty() {
            return Err("type the name of the file to write".to_owned());
        }
        let file = from_home(typed);
        if is_folder(typed, &file) {
            return Err("this is a folder; add the name of a file".to_owned());
        }
        let clip = match known_format(&file) {
            Some(_) => file,
            None => {
                let name = format!("{}.{}", short(&file), self.format.extension());
                file.with_file_name(name)
            }
        };
        let clip = std::path::absolute(&clip).unwrap_or(clip);
        let outputs = Outputs {
            report: self.has_report.then(|| report_beside(&clip)),
            clip,
            frames: None,
        };
        let read = document.files_read();
        spare_files(outputs.files(), read.iter().map(PathBuf::as_path))
            .map_err(|failure| failure.message)?;
        Ok(outputs)
    }
}

/// What to do where there is nothing to write.
const NOTHING: &str = "there is no result to export yet; open a take and a character";

/// Whether the result can be written as it is.
///
/// # Errors
/// What is missing, and what to do.
pub(super) fn ready(session: &Session) -> Result<(), String> {
    if session.jobs.is_busy() {
        return Err("wait until the work in the background has ended, or stop it (Esc)".to_owned());
    }
    if session.solved.is_none() {
        return Err(NOTHING.to_owned());
    }
    match session.is_behind() {
        true => {
            Err("the clip does not show the last change yet; carry it over again (F9)".to_owned())
        }
        false => Ok(()),
    }
}

/// Faults of the result that meet some frames of a clip, those that count and those that were
/// accepted; `per_frame` frames of the result make one of the clip.
fn faults_in(session: &Session, frames: Option<Frames>, per_frame: f64) -> [usize; 2] {
    let faults = session
        .solved
        .iter()
        .flat_map(|solved| &solved.comparison.faults);
    let place = |frame: usize| frame as f64 * per_frame;
    let is_in = |fault: &&understudy_measure::Fault| {
        frames.is_none_or(|frames| {
            fault.first_frame as f64 <= place(frames.last)
                && fault.last_frame as f64 >= place(frames.first)
        })
    };
    let mut counts = [0; 2];
    for fault in faults.filter(is_in) {
        counts[usize::from(session.accepted(fault).is_some())] += 1;
    }
    counts
}

impl Plan {
    /// What is written, in a sentence.
    pub fn words(&self) -> String {
        let frames = match self.delivery.outputs.frames {
            Some(frames) => format!("frames {} to {}", frames.first, frames.last),
            None => "the whole clip".to_owned(),
        };
        let count = counted(self.frames, "frame");
        format!("{frames}: {count}, {:.2} s at {} Hz", self.secs, self.rate)
    }

    /// What is still wrong with it, in a sentence.
    pub fn fault_words(&self) -> String {
        let [open, accepted] = self.faults;
        let open = match open {
            0 => "no faults are left".to_owned(),
            1 => "1 fault is left".to_owned(),
            _ => format!("{open} faults are left"),
        };
        match accepted {
            0 => open,
            _ => format!("{open}, {accepted} accepted"),
        }
    }
}

/// The format that the name of a file says.
fn known_format(file: &Path) -> Option<OutFormat> {
    let extension = extension(file);
    let mut all = OutFormat::ALL.into_iter();
    all.find(|format| format.extension() == extension)
}

/// A path as it was typed, `~/` being the folder of the person.
pub fn from_home(typed: &str) -> PathBuf {
    let home = std::env::var_os("HOME").filter(|home| !home.is_empty());
    match (typed.strip_prefix("~/"), home) {
        (Some(rest), Some(home)) => PathBuf::from(home).join(rest),
        _ => typed.into(),
    }
}

/// Whether a path that was typed is that of a folder, there or not.
pub(super) fn is_folder(typed: &str, path: &Path) -> bool {
    path.is_dir() || typed.ends_with(['/', std::path::MAIN_SEPARATOR])
}

/// Where files of a document go, if nobody says otherwise: beside its scene, or where the program was
/// started.
pub fn folder_of(document: &Document) -> PathBuf {
    let beside = document.path.as_deref().and_then(Path::parent);
    let here = std::env::current_dir().unwrap_or_default();
    match beside {
        Some(folder) => here.join(folder),
        None => here,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::command::Command;
    use crate::state::session::tests::{opened, pedlar, walk};
    use crate::state::stage::Who;
    use understudy_scene::export::FileSize;
    use understudy_scene::{Job, LoadOptions, retarget_files};

    /// A form that writes to a file of a folder.
    fn form(session: &Session, file: &Path) -> ExportForm {
        let form = ExportForm::default().for_session(session);
        form.with_file(file.display().to_string())
    }

    fn written(folder: &Path) -> Vec<String> {
        let entries = std::fs::read_dir(folder).unwrap();
        let mut names: Vec<String> = entries.map(|entry| short(&entry.unwrap().path())).collect();
        names.sort();
        names
    }

    /// What the command line writes with the same choices: clip, and report without the name of the
    /// clip.
    #[test]
    fn what_is_exported_is_that_of_the_command_line() {
        let mut session = opened();
        let root = std::env::temp_dir().join(format!("workbench-form-{}", std::process::id()));
        let (own, other) = (root.join("own"), root.join("other"));
        session.clock.set_range(Some((50, 150)));
        let rate = |form: &mut ExportForm| {
            form.has_other_rate = true;
            form.rate = "30".to_owned();
        };
        type Change<'a> = (
            &'a str,
            &'a dyn Fn(&mut ExportForm),
            Option<f64>,
            Option<(usize, usize)>,
        );
        let changes: [Change<'_>; 5] = [
            ("whole.glb", &|_| (), None, None),
            ("slow.bvh", &rate, Some(1.0 / 30.0), None),
            (
                "played.glb",
                &|form| form.span = Span::Played,
                None,
                Some((50, 150)),
            ),
            (
                "slow-played.bvh",
                &|form| {
                    rate(form);
                    form.span = Span::Played;
                },
                Some(1.0 / 30.0),
                // Every second frame of 60 per second.
                Some((25, 75)),
            ),
            (
                "typed.glb",
                &|form| {
                    form.span = Span::Typed;
                    (form.first, form.last) = ("17".to_owned(), " 95 ".to_owned());
                    form.has_report = false;
                },
                None,
                Some((17, 95)),
            ),
        ];
        for (name, change, frame_time_secs, frames) in changes {
            let mut form = form(&session, &own.join(name));
            change(&mut form);
            let plan = form.plan(&session).unwrap();
            session.apply(Command::Export(Box::new(plan.delivery.clone())));
            session.wait();
            let notice = session.notice.clone().unwrap();
            assert!(!notice.is_failure, "{name}: {}", notice.text);
            let outputs = Outputs {
                frames: frames.map(|(first, last)| Frames { first, last }),
                ..Outputs::of(&other.join(name))
            };
            let job = Job {
                take: walk(),
                take_options: LoadOptions::default(),
                character: pedlar(),
                character_options: LoadOptions::default(),
                choices: Choices {
                    frame_time_secs,
                    ..Choices::default()
                },
                outputs: outputs.clone(),
            };
            let outcome = retarget_files(&job, &mut |_| ()).unwrap();
            let read = |path: &Path| std::fs::read(path).unwrap();
            assert!(
                read(&own.join(name)) == read(&outputs.clip),
                "{name} differs"
            );
            assert_eq!(
                plan.frames,
                outcome.solved.retargeted.solved.frame_count(),
                "{name}"
            );
            // The size that was told is near.
            let size = FileSize::of(
                session.document.character.as_ref().unwrap(),
                &session.solved.as_ref().unwrap().retargeted,
                form.format,
            );
            let (told, real) = (
                size.unwrap().bytes(plan.frames),
                read(&outputs.clip).len() as f64,
            );
            assert!((told / real - 1.0).abs() < 0.1, "{name}: {told} {real}");
            if form.has_report {
                let report = |folder: &Path| {
                    let text = read(&report_beside(&folder.join(name)));
                    String::from_utf8(text)
                        .unwrap()
                        .replace(&folder.display().to_string(), "")
                };
                assert!(
                    report(&own) == report(&other),
                    "the report of {name} differs"
                );
            }
        }
        assert!(!written(&own).contains(&"typed.report.json".to_owned()));
        // What is there already is told before it is replaced.
        let again = form(&session, &own.join("whole.glb"))
            .plan(&session)
            .unwrap();
        assert_eq!(again.replaced.len(), 2);
        std::fs::remove_dir_all(&root).unwrap();
    }

    #[test]
    fn fields_say_what_to_do() {
        let session = opened();
        let good = form(&session, Path::new("clip.glb"));
        let last = session.clock.last();
        assert!(good.plan(&session).is_ok());
        type Pick = fn(Problems) -> Option<String>;
        let check = |change: &dyn Fn(&mut ExportForm), pick: Pick, expected: &str| {
            let mut form = good.clone();
            change(&mut form);
            let problems = form.plan(&session).unwrap_err();
            let text = pick(problems.clone()).unwrap_or_default();
            assert!(text.contains(expected), "{expected}: {problems:?}");
        };
        let typed = |first: &str, last: &str| {
            let (first, last) = (first.to_owned(), last.to_owned());
            move |form: &mut ExportForm| {
                form.span = Span::Typed;
                (form.first, form.last) = (first.clone(), last.clone());
            }
        };
        let end = format!("from 0 to {last}");
        check(&typed("", "9"), |p| p.frames, &end);
        check(&typed("-3", "9"), |p| p.frames, "type the first frame");
        check(
            &typed("9", "3"),
            |p| p.frames,
            "frame 3 lies before frame 9",
        );
        let past = (last + 1).to_string();
        check(
            &typed("9", &past),
            |p| p.frames,
            &format!("no frame {past}"),
        );
        check(
            &|form| {
                form.has_other_rate = true;
                form.rate = "fast".to_owned();
            },
            |p| p.rate,
            "not a frame rate",
        );
        check(
            &|form| form.file = " ".to_owned(),
            |p| p.file,
            "type the name",
        );
        check(
            &|form| form.file = "clips/".to_owned(),
            |p| p.file,
            "a folder",
        );
        let character = pedlar().display().to_string();
        check(
            &|form| form.file = character.clone(),
            |p| p.file,
            "would replace",
        );
        let empty = Session::default();
        let problems = good.plan(&empty).unwrap_err();
        assert!(problems.result.unwrap().contains("open a take"));
    }

    #[test]
    fn format_and_name_follow_each_other() {
        let form = ExportForm::default().with_file("out/walk.bvh".to_owned());
        assert_eq!(form.format, OutFormat::Bvh);
        assert_eq!(form.with_format(OutFormat::Glb).file, "out/walk.glb");
        // A name without an extension gets that of the format.
        let session = opened();
        let bare = form.with_file("walk.v2".to_owned());
        assert_eq!(bare.format, OutFormat::Bvh);
        let clip = bare.plan(&session).unwrap().delivery.outputs.clip;
        assert!(
            clip.is_absolute() && clip.ends_with("walk.v2.bvh"),
            "{clip:?}"
        );
        let glb = bare.with_format(OutFormat::Glb).plan(&session).unwrap();
        assert!(glb.delivery.outputs.clip.ends_with("walk.v2.glb"));
    }

    #[test]
    fn a_change_that_is_not_in_the_clip_yet_is_not_exported() {
        let mut session = opened();
        let mut settings = session.document.choices.settings.clone();
        settings.posture.stoop_deg = 12.0;
        session.apply(Command::Tune {
            name: "stoop",
            settings: Box::new(settings),
            goes_on: false,
        });
        let form = form(&session, Path::new("never.glb"));
        let result = |session: &Session| form.plan(session).unwrap_err().result.unwrap();
        assert!(result(&session).contains("wait until the work"));
        session.apply(Command::StopJob);
        assert!(result(&session).contains("F9"));
        session.apply(Command::CarryOver);
        session.wait();
        // The same where a joint got another role.
        session.apply(Command::SetRole {
            who: Who::Character,
            joint: 5,
            role: None,
            mirrored: false,
        });
        session.apply(Command::StopJob);
        assert!(result(&session).contains("F9"));
        session.apply(Command::CarryOver);
        session.wait();
        assert_eq!(session.notice, None);
        let plan = form.plan(&session).unwrap();
        assert!(
            plan.words().starts_with("the whole clip: "),
            "{}",
            plan.words()
        );
        assert_eq!(plan.faults[0], session.open_faults());
    }
}
