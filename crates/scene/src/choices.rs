//! What is chosen about a retarget besides its files, and how it fits a take.

use std::borrow::Cow;
use std::fmt::Display;
use std::path::{Path, PathBuf};

use understudy_anatomy::mapping::resolve;
use understudy_motion::Clip;
use understudy_solver::settings::Reference;
use understudy_solver::{Contacts, Settings, SolveError};

use crate::failure::Failure;
use crate::load::{Loaded, resampled};

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
    pub fn check(&self) -> Result<(), Failure> {
        self.settings
            .check()
            .map_err(|error| self.setting_error(&error.field, &error))
    }

    /// Checks what the settings say about joints of the character.
    ///
    /// # Errors
    /// A joint that the character does not have; the error names near names.
    pub fn check_character(&self, character: &Loaded) -> Result<(), Failure> {
        let skeleton = character.skeleton();
        for (field, name) in self.settings.joint_names() {
            if skeleton.find(name).is_none()
                && let Err(problem) = resolve(skeleton, name)
            {
                let file = character.path.display();
                let problem = format!("{field} does not fit {file}: {problem}");
                return Err(self.setting_error(field, problem));
            }
        }
        Ok(())
    }

    /// Number of frames of the result.
    pub fn frame_count(&self, take: &Loaded) -> usize {
        match self.frame_time_secs {
            Some(frame_time_secs) => take.clip.frame_count_at(frame_time_secs),
            None => take.clip.frame_count(),
        }
    }

    /// The same in frames of the result, where these are others than those of the take: contacts, touches, hand
    /// keys and the reference frame.
    pub fn in_result_frames(&self, take: &Clip) -> Cow<'_, Self> {
        let Some(frame_time_secs) = self.frame_time_secs else {
            return Cow::Borrowed(self);
        };
        let frames_per_frame = take.frame_time_secs / frame_time_secs;
        let last = take.frame_count_at(frame_time_secs) - 1;
        let mut choices = self.clone();
        if let Some(contacts) = &mut choices.contacts {
            *contacts = moved_contacts(contacts, frames_per_frame, last);
        }
        for key in &mut choices.settings.keys {
            *key = key.at_rate(frames_per_frame, last);
        }
        if let Reference::Frame(frame) = &mut choices.settings.reference {
            *frame = ((*frame as f64 * frames_per_frame).round() as usize).min(last);
        }
        Cow::Owned(choices)
    }

    /// An error about a setting, naming the option or the file it came from.
    fn setting_error(&self, field: &str, problem: impl Display) -> Failure {
        let option = self.options.iter().find(|option| option.field == field);
        match (option, &self.settings_file) {
            (Some(given), _) => Failure::input_at(Path::new(given.option), problem),
            (None, Some(file)) => Failure::input_at(file, problem),
            (None, None) => Failure::input_at(Path::new("settings"), problem),
        }
    }

    /// An error about contacts, naming the file they came from.
    fn contacts_error(&self, problem: impl Display) -> Failure {
        let file = self.contacts_file.as_deref();
        Failure::input_at(file.unwrap_or(Path::new("contacts")), problem)
    }
}

/// A take at the frame rate of the result, with everything that names its frames.
pub(crate) struct Fitted<'a> {
    /// The take's motion.
    pub(crate) clip: Cow<'a, Clip>,
    /// The choices, in frames of that motion.
    pub(crate) choices: Choices,
    /// What was mended.
    pub(crate) notes: Vec<String>,
}

/// Checks what was chosen about frames of a take: contacts and the reference frame.
fn checked<'a>(take: &'a Loaded, choices: &Choices) -> Result<Fitted<'a>, Failure> {
    let mut choices = choices.clone();
    let mut notes = Vec::new();
    let frames = take.clip.frame_count();
    if let Some(given) = &choices.contacts {
        let check = given.check(frames, take.body()?);
        check.map_err(|problem| choices.contacts_error(problem))?;
        let merged = given.merged();
        if merged.contacts.len() < given.contacts.len() {
            let file = choices.contacts_file.as_deref();
            notes.push(format!(
                "contacts that overlap or touch are made one: {} of {} are left of {}",
                merged.contacts.len(),
                given.contacts.len(),
                file.unwrap_or(Path::new("those given")).display()
            ));
        }
        choices.contacts = Some(merged);
    }
    if let Some(key) = choices.settings.keys.iter().find(|key| key.frame >= frames) {
        let problem = format!(
            "keys names frame {} of \"{}\", but {} ends at frame {}",
            key.frame,
            key.joint,
            take.path.display(),
            frames - 1
        );
        return Err(choices.setting_error("keys", problem));
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
        _ => Ok(Fitted {
            clip: Cow::Borrowed(&take.clip),
            choices,
            notes,
        }),
    }
}

/// Brings a take to the frame rate of the result, and everything that names its frames with it.
/// Feet are planted at the rate that is written, so that no resampling moves them afterwards.
pub(crate) fn fitted<'a>(take: &'a Loaded, choices: &Choices) -> Result<Fitted<'a>, Failure> {
    let mut fitted = checked(take, choices)?;
    let Some(frame_time_secs) = choices.frame_time_secs else {
        return Ok(fitted);
    };
    let clip = resampled(&take.clip, frame_time_secs);
    fitted.clip = Cow::Owned(clip.map_err(|problem| Failure::input_at(&take.path, problem))?);
    fitted.choices = fitted.choices.in_result_frames(&take.clip).into_owned();
    Ok(fitted)
}

/// Contacts and touches in frames of another rate, up to its last frame; those that no frame of that
/// rate lies in are left out.
pub fn moved_contacts(contacts: &Contacts, frames_per_frame: f64, last: usize) -> Contacts {
    contacts.with_frames(|frames| moved_frames(frames, frames_per_frame, last))
}

/// A stretch of frames in frames of another rate; `None` where no frame of that rate lies in it.
pub fn moved_frames(
    (first, end): (usize, usize),
    frames_per_frame: f64,
    last: usize,
) -> Option<(usize, usize)> {
    /// Part of a frame by which rounding of rates may miss a frame.
    const NEAR: f64 = 1e-3;
    let first = (first as f64 * frames_per_frame - NEAR).ceil() as usize;
    let end = (end as f64 * frames_per_frame + NEAR).floor() as usize;
    let end = end.min(last);
    (first <= end).then_some((first, end))
}

/// A solver's error about a take: choices that do not fit it are input, the rest is unsolvable.
pub fn solve_error(take: &Path, choices: &Choices, problem: SolveError) -> Failure {
    match problem {
        SolveError::Setting(text) => choices.setting_error("", text),
        SolveError::Contacts(text) => choices.contacts_error(text),
        SolveError::Stopped => Failure::stopped(),
        SolveError::Numeric(_) | SolveError::Clip(_) => Failure::unsolvable(take, problem),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn contacts_keep_their_time_at_another_rate() {
        let check = |factor: f64, last: usize, expected: Option<(usize, usize)>| {
            assert_eq!(moved_frames((30, 61), factor, last), expected);
        };
        check(0.5, 100, Some((15, 30)));
        check(2.0, 300, Some((60, 122)));
        check(2.0, 100, Some((60, 100)));
        // Frames 0, 62.5 and so on: none of them within.
        check(0.016, 100, None);
    }
}
