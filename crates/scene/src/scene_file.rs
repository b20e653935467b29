//! Scenes: a take, a character, what was chosen about them, and what must hold of the result, in one
//! RON file that a person can read and change.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use understudy_interchange::ron_file::{load_ron, save_ron};
use understudy_measure::Options;
use understudy_motion::LengthUnit;
use understudy_solver::{Contacts, Settings};

use crate::choices::Choices;
use crate::failure::Failure;
use crate::load::{LoadOptions, Loaded, Purpose};
use crate::must_hold::{AcceptedFault, Finding, MustHold};
use crate::solve::{OnProgress, Solved, Step, solve, tell};

/// A scene as its file holds it. Paths are relative to the folder of the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scene {
    /// What is to be seen, in a sentence.
    pub title: String,
    /// The performer's take.
    pub take: PathBuf,
    /// The character.
    pub character: PathBuf,
    /// How the take's file is read, where that is not found out.
    #[serde(default, skip_serializing_if = "is_default")]
    pub take_reading: Reading,
    /// How the character's file is read.
    #[serde(default, skip_serializing_if = "is_default")]
    pub character_reading: Reading,
    /// Settings of the solver.
    #[serde(default, skip_serializing_if = "is_default")]
    pub settings: Settings,
    /// A file of contacts, instead of those found in the take.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contacts: Option<PathBuf>,
    /// Frames per second of the result; those of the take where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frames_per_sec: Option<f64>,
    /// What must hold of the result.
    #[serde(default)]
    pub must_hold: MustHold,
    /// Faults that a person has looked at and lets stand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accepted: Vec<AcceptedFault>,
}

/// What a person says about a file instead of letting it be found out.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Reading {
    /// Unit of lengths in the file.
    pub unit: Option<LengthUnit>,
    /// The skeleton of an AMC file.
    pub asf: Option<PathBuf>,
    /// Frames per second, where the format leaves them open.
    pub frames_per_sec: Option<f64>,
    /// Name of an animation in a glTF file, or its number counted from 1.
    pub animation: Option<String>,
    /// A mapping file with corrections of the roles.
    pub mapping: Option<PathBuf>,
}

fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

impl Reading {
    fn options(&self, folder: &Path) -> LoadOptions {
        LoadOptions {
            unit: self.unit,
            asf: self.asf.as_deref().map(|path| folder.join(path)),
            frame_time_secs: self.frames_per_sec.map(|rate| 1.0 / rate),
            animation: self.animation.clone(),
            mapping: self.mapping.as_deref().map(|path| folder.join(path)),
        }
    }
}

impl Scene {
    /// A scene of a take and a character with nothing else chosen.
    pub fn new(title: impl Into<String>, take: PathBuf, character: PathBuf) -> Self {
        Self {
            title: title.into(),
            take,
            character,
            take_reading: Reading::default(),
            character_reading: Reading::default(),
            settings: Settings::default(),
            contacts: None,
            frames_per_sec: None,
            must_hold: MustHold::default(),
            accepted: Vec::new(),
        }
    }

    /// What holds of a result, and what does not.
    pub fn findings(&self, solved: &Solved) -> Vec<Finding> {
        self.must_hold.findings(solved, &self.accepted)
    }

    /// Reads a scene file.
    ///
    /// # Errors
    /// A file that cannot be read or is no scene (with line and column), or a rate that is none.
    pub fn load(path: &Path) -> Result<Self, Failure> {
        let scene: Self = load_ron(path).map_err(|error| Failure::input(&error))?;
        for (field, rate) in [
            ("frames_per_sec", scene.frames_per_sec),
            (
                "take_reading.frames_per_sec",
                scene.take_reading.frames_per_sec,
            ),
            (
                "character_reading.frames_per_sec",
                scene.character_reading.frames_per_sec,
            ),
        ] {
            if rate.is_some_and(|rate| !(0.1..=100_000.0).contains(&rate)) {
                let problem = format!("{field} must be from 0.1 to 100000 frames per second");
                return Err(Failure::input_at(path, problem));
            }
        }
        Ok(scene)
    }

    /// Writes the scene, whole or not at all.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn save(&self, path: &Path) -> Result<(), Failure> {
        save_ron(path, self).map_err(|error| Failure::output(&error))
    }

    /// Reads the files of the scene. `path` is the scene's own file, which need not exist.
    ///
    /// # Errors
    /// A file that cannot be read, or settings out of their range.
    pub fn open(self, path: &Path) -> Result<OpenScene, Failure> {
        self.open_watched(path, &|_| true)
    }

    /// As [`Scene::open`], telling how far it has come: a stop takes effect between files.
    ///
    /// # Errors
    /// As [`Scene::open`], and [`Failure::stopped`].
    pub fn open_watched(self, path: &Path, watch: OnProgress<'_>) -> Result<OpenScene, Failure> {
        tell(watch, Step::Read, 0.0)?;
        let folder = path.parent().unwrap_or(Path::new(""));
        let at = |file: &Path| folder.join(file);
        let contacts_file = self.contacts.as_deref().map(at);
        let contacts = contacts_file
            .as_deref()
            .map(load_ron::<Contacts>)
            .transpose()
            .map_err(|error| Failure::input(&error))?;
        let choices = Choices {
            settings: self.settings.clone(),
            settings_file: Some(path.to_owned()),
            contacts,
            contacts_file,
            frame_time_secs: self.frames_per_sec.map(|rate| 1.0 / rate),
            ..Choices::default()
        };
        choices.check()?;
        let character = Loaded::read(
            &at(&self.character),
            &self.character_reading.options(folder),
            Purpose::Character,
        )?;
        choices.check_character(&character)?;
        tell(watch, Step::Read, 0.5)?;
        let take = Loaded::read(
            &at(&self.take),
            &self.take_reading.options(folder),
            Purpose::Motion,
        )?;
        Ok(OpenScene {
            path: path.to_owned(),
            scene: self,
            take,
            character,
            choices,
        })
    }
}

/// A scene with its files read.
#[derive(Clone, Debug)]
pub struct OpenScene {
    /// The scene's own file.
    pub path: PathBuf,
    /// The scene.
    pub scene: Scene,
    /// The take.
    pub take: Loaded,
    /// The character.
    pub character: Loaded,
    /// Settings, contacts and rate of the scene.
    pub choices: Choices,
}

impl OpenScene {
    /// Carries the take over and measures the result.
    ///
    /// # Errors
    /// As [`solve()`].
    pub fn solve(
        &self,
        options: Options,
        on_step: &mut dyn FnMut(Step),
    ) -> Result<Solved, Failure> {
        solve(&self.take, &self.character, &self.choices, options, on_step)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::must_hold::WantedDataFault;
    use understudy_measure::FaultKind;
    use understudy_measure::data_faults::DataFaultKind;

    #[test]
    fn scenes_come_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lamps.scene.ron");
        let mut scene = Scene::new("Lamps are lit", "walk.bvh".into(), "heron.glb".into());
        scene.save(&path).unwrap();
        assert_eq!(Scene::load(&path).unwrap(), scene);
        scene.take_reading.unit = Some(LengthUnit::Inch);
        scene.character_reading.mapping = Some("heron.ron".into());
        scene.contacts = Some("walk.contacts.ron".into());
        scene.frames_per_sec = Some(30.0);
        scene.settings.pelvis_height = Some(0.9);
        scene.must_hold.slide_mm = None;
        scene.must_hold.floating_mm = Some(2.0);
        scene.must_hold.no_faults = vec![FaultKind::Penetration];
        scene.must_hold.data_faults = vec![WantedDataFault {
            kind: DataFaultKind::Hold,
            joint: Some("left_elbow".into()),
        }];
        scene.accepted = vec![AcceptedFault {
            kind: FaultKind::JointLimit,
            part: "left ankle".into(),
            first_frame: 3,
            last_frame: 9,
            why: "a heron's hock".into(),
        }];
        scene.save(&path).unwrap();
        assert_eq!(Scene::load(&path).unwrap(), scene);
    }

    #[test]
    fn files_are_looked_up_beside_the_scene() {
        let scene = Scene::new("", "takes/walk.bvh".into(), "/market/heron.glb".into());
        let error = scene
            .open(Path::new("/stalls/lamps.scene.ron"))
            .unwrap_err();
        assert!(error.message.contains("/market/heron.glb"), "{error}");
        let reading = Reading {
            mapping: Some("heron.ron".into()),
            ..Reading::default()
        };
        let options = reading.options(Path::new("/stalls"));
        assert_eq!(
            options.mapping.as_deref(),
            Some(Path::new("/stalls/heron.ron"))
        );
    }
}
