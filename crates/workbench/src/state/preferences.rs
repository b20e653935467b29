//! What is remembered from one time to the next, whatever is open.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use understudy_interchange::ron_file::load_ron;

use super::layout::Layout;

/// Entries of the list of recent files.
const MOST_RECENT: usize = 12;

/// What is remembered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Preferences {
    /// Dark or light window.
    pub dark: bool,
    /// Whether the first steps have been read.
    pub has_seen_guide: bool,
    /// What was open lately, newest first: a scene, or a take and a character.
    pub recent: Vec<Vec<PathBuf>>,
    /// How the window is laid out.
    pub layout: Layout,
}

impl Default for Preferences {
    fn default() -> Self {
        Self {
            dark: true,
            has_seen_guide: false,
            recent: Vec::new(),
            layout: Layout::default(),
        }
    }
}

impl Preferences {
    /// Reads what was kept; nothing where there is no file yet. A file that cannot be understood is
    /// put aside, so that it is not lost, and what to do is said.
    pub fn read(path: &Path) -> (Self, Option<String>) {
        let is_missing =
            matches!(path.metadata(), Err(error) if error.kind() == ErrorKind::NotFound);
        if is_missing {
            return (Self::default(), None);
        }
        match load_ron::<Self>(path) {
            Ok(read) => {
                let layout = read.layout.checked();
                (Self { layout, ..read }, None)
            }
            Err(problem) => {
                let aside = path.with_extension("unreadable.ron");
                let kept = match std::fs::rename(path, &aside) {
                    Ok(()) => format!("they are kept as {}", aside.display()),
                    Err(error) => format!("they cannot be put aside: {error}"),
                };
                let text = format!(
                    "the window begins with its usual preferences, for yours cannot be read: \
                     {problem}; {kept}"
                );
                (Self::default(), Some(text))
            }
        }
    }

    /// Puts files at the top of the recent ones.
    pub fn remember(&mut self, files: Vec<PathBuf>) {
        let full = |file: PathBuf| std::path::absolute(&file).unwrap_or(file);
        let files: Vec<PathBuf> = files.into_iter().map(full).collect();
        if files.is_empty() {
            return;
        }
        self.recent.retain(|other| *other != files);
        self.recent.insert(0, files);
        self.recent.truncate(MOST_RECENT);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_comes_back_and_what_cannot_be_read_is_put_aside() {
        let folder = std::env::temp_dir().join(format!("workbench-kept-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("window.ron");
        assert_eq!(Preferences::read(&path), (Preferences::default(), None));
        let mut preferences = Preferences::default();
        preferences.remember(vec!["/a.ron".into()]);
        preferences.layout.is_side_left = true;
        preferences.layout.time_height = Some(180);
        preferences.layout.scale_percent = 150;
        understudy_interchange::ron_file::save_ron(&path, &preferences).unwrap();
        assert_eq!(Preferences::read(&path), (preferences, None));
        // A file of an earlier time, without a layout.
        std::fs::write(&path, "(dark: false)").unwrap();
        let (earlier, problem) = Preferences::read(&path);
        assert!(!earlier.dark && problem.is_none());
        assert_eq!(earlier.layout, Layout::default());
        let spoiled = "(dark: perhaps)";
        std::fs::write(&path, spoiled).unwrap();
        let (fresh, problem) = Preferences::read(&path);
        assert_eq!(fresh, Preferences::default());
        let aside = folder.join("window.unreadable.ron");
        let problem = problem.unwrap();
        assert!(problem.contains("window.unreadable.ron"), "{problem}");
        assert_eq!(std::fs::read_to_string(&aside).unwrap(), spoiled);
        assert!(!path.exists());
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn recent_files_are_listed_once_newest_first() {
        let mut preferences = Preferences::default();
        for name in ["/a.ron", "/b.ron", "/a.ron"] {
            preferences.remember(vec![name.into()]);
        }
        preferences.remember(Vec::new());
        assert_eq!(
            preferences.recent,
            [[PathBuf::from("/a.ron")], ["/b.ron".into()]]
        );
        for number in 0..40 {
            preferences.remember(vec![format!("/{number}.ron").into()]);
        }
        assert_eq!(preferences.recent.len(), MOST_RECENT);
    }
}
