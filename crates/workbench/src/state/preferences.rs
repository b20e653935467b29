//! What is remembered from one time to the next, whatever is open.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

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
}

impl Default for Preferences {
    fn default() -> Self {
        Self {
            dark: true,
            has_seen_guide: false,
            recent: Vec::new(),
        }
    }
}

impl Preferences {
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
