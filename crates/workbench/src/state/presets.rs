//! Presets: settings kept as named files. A preset is a file that `understudy retarget --settings`
//! reads, nothing else, so that window and command line use the same one.

use std::fs;
use std::path::{Path, PathBuf};

use understudy_interchange::ron_file::{load_ron, save_ron};
use understudy_scene::fitted_settings;
use understudy_solver::Settings;

use super::document::short;
use super::session::Session;

/// How names of presets' files end.
pub const ENDING: &str = ".settings.ron";
/// Longest name, characters.
const LONGEST: usize = 80;

/// Which preset.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PresetId {
    /// The settings of a new scene.
    Standard,
    /// A file of settings.
    File(PathBuf),
}

/// Where presets are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shelf {
    /// The user's own folder.
    Own,
    /// The folder of the open scene.
    Scene,
}

/// A preset of the list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Preset {
    /// Its file, without ending.
    pub name: String,
    /// Its file.
    pub path: PathBuf,
    /// Where it is kept.
    pub shelf: Shelf,
}

/// The presets that were found.
#[derive(Debug, Default)]
pub struct Presets {
    /// The user's own folder; `None` where there is none.
    pub folder: Option<PathBuf>,
    /// All, the user's own first, by name.
    pub all: Vec<Preset>,
}

impl PresetId {
    /// For people.
    pub fn name(&self) -> String {
        match self {
            Self::Standard => "standard settings".to_owned(),
            Self::File(path) => {
                let name = short(path);
                name.strip_suffix(ENDING).unwrap_or(&name).to_owned()
            }
        }
    }

    /// Reads and checks the settings.
    ///
    /// # Errors
    /// A file that cannot be read, or a setting out of its range; the text names file and field.
    pub fn load(&self) -> Result<Settings, String> {
        let path = match self {
            Self::Standard => return Ok(Settings::default()),
            Self::File(path) => path,
        };
        let settings: Settings = load_ron(path).map_err(|error| error.to_string())?;
        match settings.check() {
            Ok(()) => Ok(settings),
            Err(problem) => Err(format!("{}: {problem}", path.display())),
        }
    }
}

impl Presets {
    /// The file that a new preset would get.
    ///
    /// # Errors
    /// A name that is no file's, or no folder; the text says what to do.
    pub fn file(&self, name: &str, shelf: Shelf, scene: Option<&Path>) -> Result<PathBuf, String> {
        let name = name.trim();
        let is_odd = |c: char| c.is_control() || "/\\:*?\"<>|".contains(c);
        if name.is_empty() {
            return Err("give the preset a name".to_owned());
        }
        if name.starts_with('.') || name.contains(is_odd) || name.chars().count() > LONGEST {
            return Err(format!(
                "\"{name}\" cannot be the name of a preset: use at most {LONGEST} letters, digits, \
                 spaces, - and _"
            ));
        }
        let folder = match shelf {
            Shelf::Own => self.folder.clone(),
            Shelf::Scene => scene.map(folder_of),
        };
        let folder = folder.ok_or(match shelf {
            Shelf::Own => "there is no folder for presets of your own; save the scene, and the preset beside it",
            Shelf::Scene => "save the scene first; the preset is kept beside it",
        })?;
        Ok(folder.join(format!("{name}{ENDING}")))
    }

    /// Looks again which presets there are.
    pub fn refresh(&mut self, scene: Option<&Path>) {
        let own = self.folder.clone();
        let beside = scene
            .map(folder_of)
            .filter(|folder| Some(folder) != own.as_ref());
        let shelves = [(own, Shelf::Own), (beside, Shelf::Scene)];
        self.all = shelves
            .into_iter()
            .filter_map(|(folder, shelf)| Some(presets_in(&folder?, shelf)))
            .flatten()
            .collect();
    }
}

fn folder_of(scene: &Path) -> PathBuf {
    match scene.parent() {
        Some(folder) if folder != Path::new("") => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// The presets of a folder by name. A folder that is not there has none.
fn presets_in(folder: &Path, shelf: Shelf) -> Vec<Preset> {
    let files = fs::read_dir(folder).into_iter().flatten();
    let paths = files.filter_map(|entry| Some(entry.ok()?.path()));
    let mut found: Vec<Preset> = paths
        .filter_map(|path| {
            let name = short(&path).strip_suffix(ENDING)?.to_owned();
            (!name.is_empty() && path.is_file()).then_some(Preset { name, path, shelf })
        })
        .collect();
    found.sort_by(|a, b| a.name.cmp(&b.name));
    found
}

impl Session {
    /// Looks again which presets there are.
    pub fn refresh_presets(&mut self) {
        self.presets.refresh(self.document.path.as_deref());
    }

    /// Writes all settings as a preset.
    pub(super) fn save_preset(&mut self, name: &str, shelf: Shelf) {
        let scene = self.document.path.as_deref();
        let path = match self.presets.file(name, shelf, scene) {
            Ok(path) => path,
            Err(problem) => return self.fail(problem),
        };
        if let Some(folder) = path.parent()
            && let Err(error) = fs::create_dir_all(folder)
        {
            return self.fail(format!("{}: cannot be made: {error}", folder.display()));
        }
        match save_ron(&path, &self.document.choices.settings) {
            Ok(()) => self.say(format!("saved: {}", path.display())),
            Err(error) => self.fail(error.to_string()),
        }
        self.refresh_presets();
    }

    /// Sets everything as a preset has it, in one step.
    pub(super) fn apply_preset(&mut self, preset: &PresetId) {
        let name = preset.name();
        match preset.load() {
            Ok(settings) => {
                let (fitted, left_out) = self.fitted(&settings);
                self.set_all_settings(&format!("preset {name}"), fitted);
                self.say(applied(&name, &self.character_name(), &left_out));
            }
            Err(problem) => self.fail(problem),
        }
    }

    /// All settings at once, as one step of undo.
    pub(super) fn set_all_settings(&mut self, name: &str, settings: Settings) {
        if settings == self.document.choices.settings {
            return;
        }
        self.history.record(name, &self.document.edit(), false);
        self.revision += 1;
        self.document.choices.settings = settings;
        self.solve();
    }

    /// Settings as far as they fit what is open, and what does not.
    pub(super) fn fitted(&self, settings: &Settings) -> (Settings, Vec<String>) {
        let frames = self
            .document
            .take
            .as_ref()
            .map(|take| take.clip.frame_count());
        match &self.document.character {
            Some(character) => fitted_settings(settings, character.skeleton(), frames),
            None => (settings.clone(), Vec::new()),
        }
    }

    /// Name of the character's file.
    pub fn character_name(&self) -> String {
        let character = self.document.character.as_ref();
        character.map_or_else(|| "the character".to_owned(), |file| file.stem())
    }

    /// Deletes the file of a preset.
    pub(super) fn delete_preset(&mut self, path: &Path) {
        // Only what the list shows, whatever is asked for.
        if !self.presets.all.iter().any(|preset| preset.path == path) {
            return self.fail(format!("{}: is no preset of the list", path.display()));
        }
        match fs::remove_file(path) {
            Ok(()) => self.say(format!("deleted: {}", path.display())),
            Err(error) => self.fail(format!("{}: cannot be deleted: {error}", path.display())),
        }
        self.refresh_presets();
    }
}

/// What is said after a preset was applied.
fn applied(name: &str, character: &str, left_out: &[String]) -> String {
    match left_out {
        [] => format!("preset {name} applied"),
        some => format!(
            "preset {name} applied, but what does not fit {character} was left out: {}",
            some.join("; ")
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::command::Command;
    use crate::state::session::tests::{export, opened, pedlar, walk};
    use clap::Parser;

    fn folder(name: &str) -> PathBuf {
        let folder = std::env::temp_dir().join(format!("{name}-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        folder
    }

    fn tuned(session: &Session) -> Settings {
        let mut settings = session.document.choices.settings.clone();
        settings.posture.stoop_deg = 6.0;
        settings.plants.fade_secs = 0.2;
        settings
    }

    fn set(session: &mut Session, settings: &Settings) {
        session.apply(Command::Tune {
            name: "all",
            settings: Box::new(settings.clone()),
            goes_on: false,
        });
        session.wait();
    }

    #[test]
    fn names_are_those_of_files() {
        let presets = Presets {
            folder: Some("/home/ada/presets".into()),
            ..Presets::default()
        };
        let check = |name: &str, shelf: Shelf, expected: Result<&str, &str>| {
            let scene = Some(Path::new("/shot/walk.scene.ron"));
            match (presets.file(name, shelf, scene), expected) {
                (Ok(path), Ok(expected)) => assert_eq!(path, Path::new(expected)),
                (Err(problem), Err(part)) => assert!(problem.contains(part), "{problem}"),
                (found, _) => panic!("{name}: {found:?}"),
            }
        };
        check(
            " heavy walk ",
            Shelf::Own,
            Ok("/home/ada/presets/heavy walk.settings.ron"),
        );
        check("heavy", Shelf::Scene, Ok("/shot/heavy.settings.ron"));
        check("", Shelf::Own, Err("give the preset a name"));
        check("../heavy", Shelf::Own, Err("cannot be the name"));
        check(".heavy", Shelf::Own, Err("cannot be the name"));
        let none = Presets::default().file("heavy", Shelf::Scene, None);
        assert!(none.unwrap_err().contains("save the scene first"));
    }

    #[test]
    fn a_preset_is_saved_listed_applied_in_one_step_and_deleted() {
        let folder = folder("workbench-presets");
        let mut session = opened();
        session.presets.folder = Some(folder.join("own"));
        let before = session.document.choices.settings.clone();
        let settings = tuned(&session);
        set(&mut session, &settings);
        session.apply(Command::SavePreset("stoop".into(), Shelf::Own));
        assert!(!session.notice.clone().unwrap().is_failure);
        let [preset] = session.presets.all.as_slice() else {
            panic!("{:?}", session.presets);
        };
        assert_eq!((preset.name.as_str(), preset.shelf), ("stoop", Shelf::Own));
        let path = preset.path.clone();
        session.apply(Command::Undo);
        assert_eq!(session.document.choices.settings, before);
        session.apply(Command::ApplyPreset(PresetId::File(path.clone())));
        assert_eq!(session.document.choices.settings, settings);
        session.apply(Command::Undo);
        assert_eq!(session.document.choices.settings, before);
        session.apply(Command::DeletePreset(folder.join("other.settings.ron")));
        assert!(session.notice.clone().unwrap().is_failure);
        session.apply(Command::DeletePreset(path.clone()));
        assert!(!path.exists() && session.presets.all.is_empty());
        fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn joints_that_the_character_lacks_are_named_and_left_out() {
        let folder = folder("workbench-lacking");
        let mut session = opened();
        let mut settings = tuned(&session);
        let rule = understudy_solver::Secondary::Rest;
        settings.secondary.insert("horn_1".into(), rule);
        let path = folder.join("horned.settings.ron");
        save_ron(&path, &settings).unwrap();
        session.apply(Command::ApplyPreset(PresetId::File(path.clone())));
        session.wait();
        let text = session.notice.clone().unwrap().text;
        assert!(text.contains("horn_1") && text.contains("pedlar"), "{text}");
        settings.secondary.clear();
        assert_eq!(session.document.choices.settings, settings);
        assert!(session.solved.is_some());
        fs::write(&path, "(posture: (stoop_deg: 999.0))").unwrap();
        session.apply(Command::ApplyPreset(PresetId::File(path)));
        let notice = session.notice.clone().unwrap();
        assert!(notice.is_failure && notice.text.contains("stoop_deg"));
        assert_eq!(session.document.choices.settings, settings);
        fs::remove_dir_all(&folder).unwrap();
    }

    /// The command line, given a preset as its settings file, writes what the window exports with it.
    #[test]
    fn the_command_line_reads_presets() {
        let folder = folder("workbench-preset-line");
        let mut session = opened();
        session.presets.folder = Some(folder.clone());
        let settings = tuned(&session);
        set(&mut session, &settings);
        session.apply(Command::SavePreset("stoop".into(), Shelf::Own));
        let own = folder.join("own.bvh");
        export(&mut session, &own);
        session.wait();
        let other = folder.join("other.bvh");
        let line = |words: &[&Path]| {
            let first = ["understudy", "retarget"].map(Path::new);
            understudy::args::Cli::parse_from(
                first.iter().chain(words).map(|word| word.as_os_str()),
            )
        };
        understudy::commands::run(&line(&[
            &walk(),
            &pedlar(),
            Path::new("--settings"),
            &session.presets.all[0].path,
            Path::new("-o"),
            &other,
        ]));
        assert!(fs::read(own).unwrap() == fs::read(other).unwrap());
        fs::remove_dir_all(&folder).unwrap();
    }
}
