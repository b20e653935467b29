//! What is open: a take, a character, what was chosen about them, and where that is kept.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use understudy_scene::load::extension;
use understudy_scene::{Choices, Failure, LoadOptions, Loaded, Purpose, Scene};

/// Everything that is open. Big parts are shared, so that a copy costs nothing.
#[derive(Clone, Debug, Default)]
pub struct Document {
    /// The scene's own file.
    pub path: Option<PathBuf>,
    /// The scene as it was read, for what the window does not change.
    pub scene: Option<Scene>,
    /// The take.
    pub take: Option<Arc<Loaded>>,
    /// The character.
    pub character: Option<Arc<Loaded>>,
    /// How the one is carried onto the other.
    pub choices: Choices,
}

/// What is to be opened.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OpenRequest {
    /// A scene; take and character come from it.
    pub scene: Option<PathBuf>,
    /// A take.
    pub take: Option<PathBuf>,
    /// A character.
    pub character: Option<PathBuf>,
}

impl OpenRequest {
    /// Sorts files that were given or dropped: a scene alone, or a take, a character, or both.
    ///
    /// # Errors
    /// Files that do not make one of these; the text says what would.
    pub fn of(files: &[PathBuf]) -> Result<Self, String> {
        let one = |file: &PathBuf| match extension(file).as_str() {
            "ron" => Ok(Self {
                scene: Some(file.clone()),
                ..Self::default()
            }),
            "bvh" | "amc" | "asf" => Ok(Self {
                take: Some(file.clone()),
                ..Self::default()
            }),
            "glb" | "gltf" => Ok(Self {
                character: Some(file.clone()),
                ..Self::default()
            }),
            _ => Err(format!(
                "{}: not a file that can be opened; give a scene (.ron), a take (.bvh, .amc, .glb) \
                 or a character (.glb, .gltf)",
                file.display()
            )),
        };
        match files {
            [file] => one(file),
            // A take may be glTF as well, so of two files the first is the take.
            [take, character] => Ok(Self {
                take: Some(take.clone()),
                character: Some(character.clone()),
                ..Self::default()
            }),
            _ => Err("give one scene, or a take and a character".to_owned()),
        }
    }
}

impl Document {
    /// Reads what is asked for, beside what is open already. `on_step` hears what is read.
    ///
    /// # Errors
    /// A file that cannot be read; the document stays as it was.
    pub fn open(
        &self,
        request: &OpenRequest,
        on_step: &mut dyn FnMut(String),
    ) -> Result<Self, Failure> {
        if let Some(path) = &request.scene {
            return Self::open_scene(path, on_step);
        }
        let mut read = |path: &PathBuf, purpose: Purpose| {
            on_step(format!("reading {}", short(path)));
            Loaded::read(path, &LoadOptions::default(), purpose).map(Arc::new)
        };
        let mut opened = self.clone();
        if let Some(path) = &request.character {
            opened.character = Some(read(path, Purpose::Character)?);
        }
        if let Some(path) = &request.take {
            opened.take = Some(read(path, Purpose::Motion)?);
        }
        // Choices name joints and frames of what was open before.
        opened.choices = Choices::default();
        opened.path = None;
        opened.scene = None;
        Ok(opened)
    }

    fn open_scene(path: &Path, on_step: &mut dyn FnMut(String)) -> Result<Self, Failure> {
        on_step(format!("reading {}", short(path)));
        let opened = Scene::load(path)?.open(path)?;
        Ok(Self {
            path: Some(opened.path),
            scene: Some(opened.scene),
            take: Some(Arc::new(opened.take)),
            character: Some(Arc::new(opened.character)),
            choices: opened.choices,
        })
    }

    /// Take and character, where both are open.
    pub fn pair(&self) -> Option<(&Arc<Loaded>, &Arc<Loaded>)> {
        Some((self.take.as_ref()?, self.character.as_ref()?))
    }

    /// A title for the window.
    pub fn title(&self) -> String {
        if let Some(scene) = &self.scene
            && !scene.title.is_empty()
        {
            return scene.title.clone();
        }
        let name = |loaded: &Option<Arc<Loaded>>| loaded.as_ref().map(|file| file.stem());
        match (name(&self.take), name(&self.character)) {
            (Some(take), Some(character)) => format!("{take} on {character}"),
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => "nothing open".to_owned(),
        }
    }
}

/// Name of a file without its folder.
pub fn short(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_sorted_by_what_they_can_be() {
        let check = |files: &[&str], expected: Result<[Option<&str>; 3], &str>| {
            let files: Vec<PathBuf> = files.iter().map(PathBuf::from).collect();
            let found = OpenRequest::of(&files);
            match (found, expected) {
                (Ok(found), Ok(expected)) => {
                    let expected = expected.map(|file| file.map(PathBuf::from));
                    assert_eq!([found.scene, found.take, found.character], expected);
                }
                (Err(found), Err(part)) => assert!(found.contains(part), "{found}"),
                (found, expected) => panic!("{files:?}: {found:?}, not {expected:?}"),
            }
        };
        check(&["a.scene.ron"], Ok([Some("a.scene.ron"), None, None]));
        check(&["walk.BVH"], Ok([None, Some("walk.BVH"), None]));
        check(&["heron.glb"], Ok([None, None, Some("heron.glb")]));
        check(
            &["walk.glb", "b.glb"],
            Ok([None, Some("walk.glb"), Some("b.glb")]),
        );
        check(&["notes.txt"], Err("notes.txt"));
        check(&["a.bvh", "b.bvh", "c.glb"], Err("give one scene"));
    }

    #[test]
    fn a_file_that_fails_names_itself_and_changes_nothing() {
        let before = Document::default();
        let request = OpenRequest::of(&["no-such-take.bvh".into()]).unwrap();
        let error = before.open(&request, &mut |_| ()).unwrap_err();
        assert!(error.message.contains("no-such-take.bvh"), "{error}");
        assert!(before.take.is_none());
    }
}
