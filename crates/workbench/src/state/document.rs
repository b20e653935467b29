//! What is open: a take, a character, what was chosen about them, and where that is kept.

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use understudy_anatomy::mapping::path_of;
use understudy_anatomy::{Mapping, Role, Side};
use understudy_interchange::ron_file::save_ron;
use understudy_scene::load::extension;
use understudy_scene::{
    AcceptedFault, Choices, Failure, LoadOptions, Loaded, Progress, Purpose, Scene,
};

use super::stage::Who;

/// What a person changes, and undo takes back. Big parts are shared, so that a copy costs nothing.
#[derive(Clone, Debug, Default)]
pub struct Edit {
    /// How the take is carried over.
    pub choices: Choices,
    /// The take, with the roles of its joints.
    pub take: Option<Arc<Loaded>>,
    /// The character, with the roles of its joints.
    pub character: Option<Arc<Loaded>>,
    /// Whether roles were changed here: of the take, of the character.
    pub are_roles_changed: [bool; 2],
    /// Faults that were looked at and may stay.
    pub accepted: Vec<AcceptedFault>,
}

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
    /// Whether roles were changed here: of the take, of the character.
    pub are_roles_changed: [bool; 2],
    /// Faults that were looked at and may stay.
    pub accepted: Vec<AcceptedFault>,
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
            // A take may be glTF as well, so of two such files the first is the take. Files that are
            // dropped come in any order.
            [first, second] => {
                let is_motion = |file| matches!(extension(file).as_str(), "bvh" | "amc" | "asf");
                let (take, character) = match is_motion(second) && !is_motion(first) {
                    true => (second, first),
                    false => (first, second),
                };
                Ok(Self {
                    take: Some(take.clone()),
                    character: Some(character.clone()),
                    ..Self::default()
                })
            }
            _ => Err("give one scene, or a take and a character".to_owned()),
        }
    }
}

impl Document {
    /// Reads what is asked for, beside what is open already. `on_read` hears what is read, and how
    /// much of all is read, 0 to 1, and says whether to go on.
    ///
    /// # Errors
    /// A file that cannot be read; the document stays as it was.
    pub fn open(
        &self,
        request: &OpenRequest,
        on_read: &dyn Fn(String, f64) -> bool,
    ) -> Result<Self, Failure> {
        if let Some(path) = &request.scene {
            return Self::open_scene(path, on_read);
        }
        let has_both = request.take.is_some() && request.character.is_some();
        let read = |path: &PathBuf, purpose: Purpose| {
            let is_second = has_both && purpose == Purpose::Motion;
            let share = if is_second { 0.5 } else { 0.0 };
            if !on_read(format!("reading {}", short(path)), share) {
                return Err(Failure::stopped());
            }
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
        if request.take.is_some() {
            opened.are_roles_changed[0] = false;
        }
        if request.character.is_some() {
            opened.are_roles_changed[1] = false;
        }
        opened.path = None;
        opened.scene = None;
        opened.accepted.clear();
        Ok(opened)
    }

    fn open_scene(path: &Path, on_read: &dyn Fn(String, f64) -> bool) -> Result<Self, Failure> {
        let words = format!("reading {}", short(path));
        let watch = |now: Progress| on_read(words.clone(), now.share);
        let opened = Scene::load(path)?.open_watched(path, &watch)?;
        Ok(Self {
            path: Some(opened.path),
            accepted: opened.scene.accepted.clone(),
            scene: Some(opened.scene),
            take: Some(Arc::new(opened.take)),
            character: Some(Arc::new(opened.character)),
            choices: opened.choices,
            are_roles_changed: [false; 2],
        })
    }

    /// What undo would bring back.
    pub fn edit(&self) -> Edit {
        Edit {
            choices: self.choices.clone(),
            take: self.take.clone(),
            character: self.character.clone(),
            are_roles_changed: self.are_roles_changed,
            accepted: self.accepted.clone(),
        }
    }

    /// Brings back what was.
    pub fn set_edit(&mut self, edit: Edit) {
        self.choices = edit.choices;
        self.take = edit.take;
        self.character = edit.character;
        self.are_roles_changed = edit.are_roles_changed;
        self.accepted = edit.accepted;
    }

    /// The files that open this again: the scene, or take and character.
    pub fn files(&self) -> Vec<PathBuf> {
        match &self.path {
            Some(path) => vec![path.clone()],
            None => {
                let files = [&self.take, &self.character].into_iter().flatten();
                files.map(|file| file.path.clone()).collect()
            }
        }
    }

    /// All files that are read to open this: none of them may be written over by a clip.
    pub fn files_read(&self) -> Vec<PathBuf> {
        let loaded = [&self.take, &self.character].into_iter().flatten();
        let of_loaded = loaded.flat_map(|file| {
            let more = [file.mapping.as_deref(), file.asf()];
            std::iter::once(file.path.as_path()).chain(more.into_iter().flatten())
        });
        let own = [self.path.as_deref(), self.choices.contacts_file.as_deref()];
        let all = own.into_iter().flatten().chain(of_loaded);
        all.map(Path::to_owned).collect()
    }

    /// The file of a body.
    pub fn file(&self, who: Who) -> Option<&Arc<Loaded>> {
        match who {
            Who::Performer => self.take.as_ref(),
            Who::Character | Who::Other => self.character.as_ref(),
        }
    }

    /// Gives a joint another role, or none; with `mirrored` the joint on the other side that had the
    /// mirrored role gets the mirrored one.
    ///
    /// # Errors
    /// Roles that do not fit the skeleton.
    pub fn set_role(
        &mut self,
        who: Who,
        joint: usize,
        role: Option<Role>,
        mirrored: bool,
    ) -> Result<(), String> {
        let Some(file) = self.file(who) else {
            return Ok(());
        };
        let roles = &file.recognition.roles;
        let mut changed = BTreeMap::from([(joint, role)]);
        let twin = roles.role(joint).filter(|role| role.side != Side::Middle);
        let twin = twin.and_then(|role| roles.find(role.mirrored()));
        if let (true, Some(twin)) = (mirrored, twin) {
            changed.insert(twin, role.map(Role::mirrored));
        }
        self.set_roles(who, &changed)
    }

    /// Gives joints other roles, or none.
    ///
    /// # Errors
    /// Roles that do not fit the skeleton.
    pub fn set_roles(
        &mut self,
        who: Who,
        roles: &BTreeMap<usize, Option<Role>>,
    ) -> Result<(), String> {
        let Some(file) = self.file(who) else {
            return Ok(());
        };
        let skeleton = file.skeleton();
        let joints = roles.iter();
        let corrections = Mapping {
            joints: joints
                .map(|(&joint, &role)| (path_of(skeleton, joint), role))
                .collect(),
            ..Mapping::default()
        };
        let applied = corrections.apply(skeleton, &file.recognition);
        let recognition = applied.map_err(|problem| problem.to_string())?;
        let assembly = recognition.assemble(skeleton, file.surface());
        let changed = Arc::new(Loaded {
            assembly: assembly.map_err(|problem| problem.to_string()),
            recognition,
            ..Loaded::clone(file)
        });
        let [is_take_changed, is_character_changed] = &mut self.are_roles_changed;
        match who {
            Who::Performer => {
                self.take = Some(changed);
                *is_take_changed = true;
            }
            Who::Character | Who::Other => {
                self.character = Some(changed);
                *is_character_changed = true;
            }
        }
        Ok(())
    }

    /// Writes the scene; roles and contacts that were changed go into files of their own beside it.
    ///
    /// # Errors
    /// Nothing to save, or a file that cannot be written.
    pub fn save(&mut self, path: &Path) -> Result<(), Failure> {
        let Some((take, character)) = self.pair() else {
            return Err(Failure::usage(
                "there is nothing to save: open a take and a character first",
            ));
        };
        let folder = path.parent().unwrap_or(Path::new(""));
        let beside = |what: &str| {
            let name = short(path);
            let stem = name.strip_suffix(".ron").unwrap_or(&name);
            let stem = stem.strip_suffix(".scene").unwrap_or(stem);
            folder.join(format!("{stem}.{what}.ron"))
        };
        let mut scene = match &self.scene {
            Some(scene) => scene.clone(),
            None => Scene::new(self.title(), PathBuf::new(), PathBuf::new()),
        };
        scene.take = relative(&take.path, folder);
        scene.character = relative(&character.path, folder);
        scene.settings = self.choices.settings.clone();
        scene.accepted = self.accepted.clone();
        let readings = [&mut scene.take_reading, &mut scene.character_reading];
        let files = [take, character]
            .into_iter()
            .zip(["take-roles", "character-roles"]);
        for ((reading, (file, word)), is_changed) in
            readings.into_iter().zip(files).zip(self.are_roles_changed)
        {
            if is_changed {
                let roles = Mapping::from_recognition(file.skeleton(), &file.recognition);
                let beside = beside(word);
                save_ron(&beside, &roles).map_err(|error| Failure::output(&error))?;
                reading.mapping = Some(relative(&beside, folder));
            } else if let Some(mapping) = &file.mapping {
                reading.mapping = Some(relative(mapping, folder));
            }
            reading.asf = file.asf().map(|asf| relative(asf, folder));
        }
        scene.contacts = match &self.choices.contacts {
            Some(contacts) => {
                let beside = beside("contacts");
                save_ron(&beside, contacts).map_err(|error| Failure::output(&error))?;
                Some(relative(&beside, folder))
            }
            None => None,
        };
        scene.save(path)?;
        self.path = Some(path.to_owned());
        self.scene = Some(scene);
        Ok(())
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

/// A file as it is seen from a folder: a scene and its files can so be moved together.
fn relative(file: &Path, folder: &Path) -> PathBuf {
    let full = |path: &Path| std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    // Links are followed where the file is there, so that `..` leads where it seems to.
    let real = |path: &Path| path.canonicalize().unwrap_or_else(|_| full(path));
    let (file, folder) = (real(file), real(&full(folder)));
    let mut below = file.components().peekable();
    let mut above = folder.components().peekable();
    while below.peek().is_some() && below.peek() == above.peek() {
        below.next();
        above.next();
    }
    let up = above.map(|_| Component::ParentDir);
    let way: PathBuf = up.chain(below).collect();
    match way.is_absolute() {
        true => file,
        false => way,
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
        check(
            &["b.glb", "walk.bvh"],
            Ok([None, Some("walk.bvh"), Some("b.glb")]),
        );
        check(&["notes.txt"], Err("notes.txt"));
        check(&["a.bvh", "b.bvh", "c.glb"], Err("give one scene"));
    }

    #[test]
    fn files_are_seen_from_the_folder_of_the_scene() {
        let check = |file: &str, folder: &str, expected: &str| {
            assert_eq!(
                relative(Path::new(file), Path::new(folder)),
                Path::new(expected)
            );
        };
        check(
            "/market/takes/walk.bvh",
            "/market/scenes",
            "../takes/walk.bvh",
        );
        check("/market/walk.bvh", "/market", "walk.bvh");
        check("/island/walk.bvh", "/market", "../island/walk.bvh");
    }

    #[test]
    fn a_file_that_fails_names_itself_and_changes_nothing() {
        let before = Document::default();
        let request = OpenRequest::of(&["no-such-take.bvh".into()]).unwrap();
        let error = before.open(&request, &|_, _| true).unwrap_err();
        assert!(error.message.contains("no-such-take.bvh"), "{error}");
        assert!(before.take.is_none());
    }
}
