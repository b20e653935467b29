//! What is remembered from one time to the next, whatever is open.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use understudy_interchange::ron_file::load_ron;

use super::layout::Layout;

/// What is said where panels cannot stand as they stood.
const USUAL_LAYOUT: &str = "the panels stand as usual, for your layout of them cannot be used";

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

/// Preferences whose layout cannot be read: the rest need not be lost with it.
#[derive(Deserialize)]
#[serde(default)]
struct WithoutLayout {
    dark: bool,
    has_seen_guide: bool,
    recent: Vec<Vec<PathBuf>>,
}

impl Default for WithoutLayout {
    fn default() -> Self {
        let Preferences {
            dark,
            has_seen_guide,
            recent,
            layout: _,
        } = Preferences::default();
        Self {
            dark,
            has_seen_guide,
            recent,
        }
    }
}

impl From<WithoutLayout> for Preferences {
    fn from(read: WithoutLayout) -> Self {
        Self {
            dark: read.dark,
            has_seen_guide: read.has_seen_guide,
            recent: read.recent,
            layout: Layout::default(),
        }
    }
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
    /// Reads what was kept; nothing where there is no file yet. A file that cannot be understood, or whose
    /// layout has no sense, is put aside, so that it is not lost, and it is said why.
    pub fn read(path: &Path) -> (Self, Option<String>) {
        let is_missing =
            matches!(path.metadata(), Err(error) if error.kind() == ErrorKind::NotFound);
        if is_missing {
            return (Self::default(), None);
        }
        let (preferences, problem) = match load_ron::<Self>(path) {
            Ok(read) => {
                let (layout, problem) = read.layout.checked();
                let said = problem.map(|problem| format!("{USUAL_LAYOUT}: {problem}"));
                (Self { layout, ..read }, said)
            }
            Err(problem) => match load_ron::<WithoutLayout>(path) {
                Ok(read) => (read.into(), Some(format!("{USUAL_LAYOUT}: {problem}"))),
                Err(_) => {
                    let said = format!(
                        "the window begins with its usual preferences, for yours cannot be read: \
                         {problem}"
                    );
                    (Self::default(), Some(said))
                }
            },
        };
        let said = problem.map(|problem| {
            let aside = path.with_extension("unreadable.ron");
            match std::fs::rename(path, &aside) {
                Ok(()) => format!("{problem}; the file is kept as {}", aside.display()),
                Err(error) => format!("{problem}; the file cannot be put aside: {error}"),
            }
        });
        (preferences, said)
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
    use crate::state::panes::{Pane, Panes, Place};

    #[test]
    fn what_is_kept_comes_back_and_what_cannot_be_read_is_put_aside() {
        let folder = std::env::temp_dir().join(format!("workbench-kept-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("window.ron");
        assert_eq!(Preferences::read(&path), (Preferences::default(), None));
        let mut preferences = Preferences::default();
        preferences.remember(vec!["/a.ron".into()]);
        preferences.layout.put_at(Pane::Tune, Place::Left);
        preferences.layout.panes.close(Pane::Curves);
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
    fn a_layout_without_sense_is_left_and_the_rest_is_kept() {
        let folder = std::env::temp_dir().join(format!("workbench-laid-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("window.ron");
        let mut preferences = Preferences {
            dark: false,
            ..Preferences::default()
        };
        preferences.remember(vec!["/a.ron".into()]);
        understudy_interchange::ron_file::save_ron(&path, &preferences).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        let layouts = [
            // Of an earlier time.
            "(is_side_shown: true, is_side_left: true, side_width: 400, panel: Tune)",
            // By hand: a pane twice, no bodies, no such pane, nothing, a number, too deep.
            "(version: 1, panes: (root: Row([(area: Group(panes: [Bodies, Map, Map], front: Map))])))",
            "(version: 1, panes: (root: Row([(area: Group(panes: [Map], front: Map))])))",
            "(version: 1, panes: (root: Group(panes: [Bodies, Ghosts], front: Bodies)))",
            "(version: 1, panes: (root: Row([])))",
            "(version: 1, panes: 7)",
            "3",
            &format!("(version: 1, panes: (root: {}", "Row([(area: ".repeat(9000)),
        ];
        for layout in layouts {
            let (before, _) = text.split_once("layout:").unwrap();
            std::fs::write(&path, format!("{before}layout: {layout})")).unwrap();
            let (read, problem) = Preferences::read(&path);
            let problem = problem.unwrap();
            assert!(problem.contains("window.unreadable.ron"), "{problem}");
            assert_eq!(read.layout.panes, Panes::default(), "{layout:.90}");
            // What is cut off in the middle takes the rest with it.
            let is_whole = layout.len() < 1000;
            assert_eq!(read.dark, !is_whole, "{problem}");
            assert_eq!(read.recent.len(), usize::from(is_whole));
            assert!(!path.exists());
        }
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
