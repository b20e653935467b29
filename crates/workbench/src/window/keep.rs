//! What is kept on disk without being asked for: preferences, and work that is not saved yet.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use bevy::app::AppExit;
use bevy::prelude::*;
use bevy::time::common_conditions::on_timer;
use bevy::window::{PrimaryWindow, WindowCloseRequested};
use understudy_interchange::ron_file::save_ron;

use super::Bench;
use crate::state::command::Command;
use crate::state::preferences::Preferences;
use crate::state::session::Session;

/// How often unsaved work is kept.
const EVERY: Duration = Duration::from_secs(10);

/// What was kept last.
#[derive(Default)]
struct Kept {
    preferences: Option<Preferences>,
    revision: u64,
}

/// Reads what was kept, and goes on keeping.
pub fn plugin(app: &mut App) {
    app.insert_non_send(Kept::default())
        .add_systems(
            Update,
            keep_preferences.run_if(on_timer(Duration::from_secs(1))),
        )
        .add_systems(Update, keep_work.run_if(on_timer(EVERY)))
        .add_systems(Update, close)
        .add_systems(Last, forget_work);
}

/// Preferences of the last time, and work of a session that ended early. Nothing of it is needed to
/// work.
pub fn recall(session: &mut Session) {
    if let Some(path) = preferences_file() {
        let (preferences, problem) = Preferences::read(&path);
        session.preferences = preferences;
        session.told_later = problem;
    }
    session.view.dark = session.preferences.dark;
    session.unsaved = left_over();
    session.presets.folder = presets_folder();
    session.refresh_presets();
}

fn preferences_file() -> Option<PathBuf> {
    Some(dirs::config_dir()?.join("understudy").join("window.ron"))
}

/// Presets stand beside the preferences.
fn presets_folder() -> Option<PathBuf> {
    Some(dirs::config_dir()?.join("understudy").join("presets"))
}

fn work_folder() -> Option<PathBuf> {
    Some(dirs::data_local_dir()?.join("understudy").join("unsaved"))
}

/// The folder that this process keeps its work in.
fn own_folder() -> Option<PathBuf> {
    Some(work_folder()?.join(std::process::id().to_string()))
}

/// Work of a process that runs no more.
fn left_over() -> Option<PathBuf> {
    let folders = fs::read_dir(work_folder()?).ok()?;
    let mut scenes: Vec<PathBuf> = folders
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|folder| !is_of_running_process(folder))
        .map(|folder| folder.join(SCENE))
        .filter(|scene| scene.exists())
        .collect();
    scenes.sort();
    scenes.pop()
}

const SCENE: &str = "unsaved.scene.ron";

fn is_of_running_process(folder: &Path) -> bool {
    let name = folder.file_name().unwrap_or_default();
    // Only there can it be told; elsewhere all but our own may be offered.
    match cfg!(target_os = "linux") {
        true => Path::new("/proc").join(name).exists(),
        false => name.to_string_lossy() == std::process::id().to_string(),
    }
}

fn keep_preferences(
    mut bench: NonSendMut<Bench>,
    mut kept: NonSendMut<Kept>,
    window: Query<&Window, With<PrimaryWindow>>,
) {
    bench.session.preferences.dark = bench.session.view.dark;
    if let Ok(window) = window.single() {
        let size = [window.width(), window.height()];
        // A window that is put away has no size.
        if size.iter().all(|side| *side >= 64.0) {
            bench.session.preferences.layout.window = size.map(|side| side.round() as u32);
        }
    }
    let preferences = &bench.session.preferences;
    if kept.preferences.as_ref() == Some(preferences) {
        return;
    }
    if let Some(path) = preferences_file() {
        let made = path.parent().map(fs::create_dir_all);
        // Preferences that cannot be kept are no reason to disturb anyone.
        if matches!(made, Some(Ok(())))
            && let Err(error) = save_ron(&path, preferences)
        {
            warn!("preferences cannot be kept: {error}");
        }
    }
    kept.preferences = Some(preferences.clone());
}

fn keep_work(bench: NonSend<Bench>, mut kept: NonSendMut<Kept>) {
    let session = &bench.session;
    if session.revision == kept.revision || session.revision == session.saved_revision {
        return;
    }
    let Some(folder) = own_folder() else {
        return;
    };
    // A copy, so that the document goes on belonging to its own file.
    let mut copy = session.document.clone();
    let saved = fs::create_dir_all(&folder).is_ok() && copy.save(&folder.join(SCENE)).is_ok();
    if !saved {
        warn!("unsaved work cannot be kept in {}", folder.display());
    }
    kept.revision = session.revision;
}

/// Closes the window when it is asked to, unless that would lose work.
fn close(
    mut bench: NonSendMut<Bench>,
    mut asked: MessageReader<WindowCloseRequested>,
    mut exit: MessageWriter<AppExit>,
) {
    if asked.read().next().is_some() {
        bench.session.apply(Command::Close);
    }
    if bench.session.is_closed {
        exit.write(AppExit::Success);
    }
}

/// A session that ends in order leaves nothing behind, nor what it took over from another.
fn forget_work(mut exits: MessageReader<AppExit>, bench: NonSend<Bench>) {
    if exits.read().next().is_none() {
        return;
    }
    let settled = bench.session.settled.as_deref().and_then(Path::parent);
    for folder in own_folder().into_iter().chain(settled.map(Path::to_owned)) {
        if folder.exists()
            && let Err(error) = fs::remove_dir_all(&folder)
        {
            warn!("{}: cannot be removed: {error}", folder.display());
        }
    }
}
