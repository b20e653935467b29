//! The window in which a file is named by its path: one to open, or the scene to be saved.

use std::path::{Path, PathBuf};

use understudy_scene::export::spare_files;
use understudy_scene::load::extension;

use super::command::{Command, Dialog};
use super::document::short;
use super::export::{folder_of, from_home, is_folder};
use super::session::Session;

/// What is asked for, and what was typed so far.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asking {
    /// Which file.
    pub dialog: Dialog,
    /// Its path as typed.
    pub file: String,
}

/// What a path leads to.
#[derive(Clone, Debug, PartialEq)]
pub struct Named {
    /// What is done.
    pub command: Command,
    /// The file, from the root.
    pub file: PathBuf,
    /// Whether a file is there already and would be replaced.
    pub is_replaced: bool,
}

impl Dialog {
    /// For people: "Open a take".
    pub fn title(self) -> &'static str {
        match self {
            Self::OpenScene => "Open a scene",
            Self::OpenTake => "Open a take",
            Self::OpenCharacter => "Open a character",
            Self::SaveScene | Self::SaveSceneAs => "Save the scene",
            Self::Export => "Name the clip",
        }
    }

    /// Endings of the files it may be.
    pub fn endings(self) -> &'static [&'static str] {
        match self {
            Self::OpenScene | Self::SaveScene | Self::SaveSceneAs => &["ron"],
            Self::OpenTake => &["bvh", "amc", "glb", "gltf"],
            Self::OpenCharacter => &["glb", "gltf", "bvh", "asf"],
            Self::Export => &["glb", "bvh"],
        }
    }

    /// What is done with the file that was named.
    pub fn command(self, file: PathBuf) -> Command {
        match self {
            Self::OpenScene => Command::Open(vec![file]),
            Self::OpenTake => Command::OpenTake(file),
            Self::OpenCharacter => Command::OpenCharacter(file),
            Self::SaveScene | Self::SaveSceneAs => Command::SaveScene(file),
            Self::Export => Command::NameExport(file),
        }
    }

    /// Whether the file is written rather than read.
    pub fn is_written(self) -> bool {
        matches!(self, Self::SaveScene | Self::SaveSceneAs | Self::Export)
    }
}

impl Asking {
    /// A question with a path to begin from: a whole one for a file that is written, a folder for
    /// one that is read.
    pub fn new(dialog: Dialog, session: &Session) -> Self {
        let document = &session.document;
        let folder = folder_of(document);
        let file = match (dialog.is_written(), &document.path) {
            (true, Some(path)) => std::path::absolute(path).unwrap_or_else(|_| path.clone()),
            (true, None) => folder.join(session.scene_name()),
            // It ends in a separator, so that a name can be typed behind it.
            (false, _) => folder.join(""),
        };
        Self {
            dialog,
            file: file.display().to_string(),
        }
    }

    /// What the path leads to.
    ///
    /// # Errors
    /// A path that makes no sense, and what to do about it.
    pub fn named(&self, session: &Session) -> Result<Named, String> {
        let typed = self.file.trim();
        let file = from_home(typed);
        if typed.is_empty() || is_folder(typed, &file) {
            return Err(match self.dialog.is_written() {
                true => "type the name of the file behind the folder".to_owned(),
                false => format!(
                    "type the name of a file behind the folder, {}",
                    endings_words(self.dialog)
                ),
            });
        }
        let file = match self.dialog.is_written() && extension(&file) != "ron" {
            true => file.with_file_name(format!("{}.scene.ron", short(&file))),
            false => file,
        };
        let file = std::path::absolute(&file).unwrap_or(file);
        if !self.dialog.is_written() {
            if !self.dialog.endings().contains(&extension(&file).as_str()) {
                return Err(format!("name a file {}", endings_words(self.dialog)));
            }
            if !file.is_file() {
                return Err("there is no such file; correct the name, or browse for it".to_owned());
            }
        } else {
            self.check_written(&file, session)?;
        }
        Ok(Named {
            command: self.dialog.command(file.clone()),
            is_replaced: self.dialog.is_written() && file.exists(),
            file,
        })
    }

    /// Refuses a scene that would replace what it is made from; its own file it may replace.
    fn check_written(&self, file: &Path, session: &Session) -> Result<(), String> {
        let document = &session.document;
        if document.pair().is_none() {
            return Err("there is nothing to save: open a take and a character first".to_owned());
        }
        let own = document.path.as_deref();
        let read = document.files_read();
        let read = read.iter().map(PathBuf::as_path);
        spare_files([file], read.filter(|path| Some(*path) != own))
            .map_err(|failure| failure.message)
    }
}

/// ".bvh, .amc, .glb or .gltf".
fn endings_words(dialog: Dialog) -> String {
    let all: Vec<String> = dialog.endings().iter().map(|e| format!(".{e}")).collect();
    match all.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::session::tests::{assets, opened};

    #[test]
    fn a_path_is_opened_or_it_is_said_what_to_do() {
        let session = Session::default();
        let ask = |dialog: Dialog, file: &str| {
            let asking = Asking {
                dialog,
                file: file.to_owned(),
            };
            asking.named(&session)
        };
        let take = assets().join("takes/walk.bvh");
        let path = format!(" {} ", take.display());
        let named = ask(Dialog::OpenTake, &path).unwrap();
        assert_eq!(named.command, Command::OpenTake(named.file.clone()));
        let check = |dialog: Dialog, file: &str, expected: &str| {
            let text = ask(dialog, file).unwrap_err();
            assert!(text.contains(expected), "{file}: {text}");
        };
        check(Dialog::OpenScene, &path, "name a file .ron");
        check(Dialog::OpenTake, "", ".bvh, .amc, .glb or .gltf");
        check(Dialog::OpenTake, "lost.bvh", "there is no such file");
        let folder = assets().display().to_string();
        check(Dialog::OpenCharacter, &folder, "behind the folder");
        check(Dialog::SaveScene, "low.scene.ron", "nothing to save");
    }

    #[test]
    fn an_unsaved_scene_is_named_and_saved() {
        let mut session = opened();
        let folder = std::env::temp_dir().join(format!("workbench-asking-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        session.apply(Command::Ask(Dialog::SaveScene));
        let asked = session.asking.clone().unwrap();
        assert!(asked.file.ends_with("pedlar-walk.scene.ron"), "{asked:?}");
        // A name without an ending becomes that of a scene.
        let file = folder.join("low").display().to_string();
        session.apply(Command::SetAsking(file));
        let named = session.asking.as_ref().unwrap().named(&session).unwrap();
        let scene = folder.join("low.scene.ron");
        assert_eq!((&named.file, named.is_replaced), (&scene, false));
        session.apply(named.command);
        assert!(session.asking.is_none() && scene.exists());
        assert_eq!(session.document.path.as_ref(), Some(&scene));
        // From now on it is saved there, and elsewhere if somebody asks.
        std::fs::remove_file(&scene).unwrap();
        session.apply(Command::Ask(Dialog::SaveScene));
        assert!(session.asking.is_none() && scene.exists());
        session.apply(Command::Ask(Dialog::SaveSceneAs));
        let again = session.asking.clone().unwrap();
        assert!(again.named(&session).unwrap().is_replaced);
        session.apply(Command::CloseAsking);
        assert!(session.asking.is_none());
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
