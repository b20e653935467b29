//! What would lose changes that are not saved: it is asked about first.

use super::command::Dialog;
use super::document::OpenRequest;
use super::session::Session;

/// What is to be done once the changes are saved or given up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Leaving {
    /// Close the window.
    Close,
    /// Open other files.
    Open(OpenRequest),
}

impl Leaving {
    /// What is asked.
    pub fn question(&self) -> &'static str {
        match self {
            Self::Close => "Save the changes before the window is closed?",
            Self::Open(_) => "Save the changes before something else is opened?",
        }
    }
}

impl Session {
    /// Whether there are changes that are saved nowhere.
    pub fn has_unsaved(&self) -> bool {
        self.revision != self.saved_revision && self.document.pair().is_some()
    }

    /// Leaves what is open, or asks first where that would lose changes.
    pub(super) fn leave_for(&mut self, leaving: Leaving) {
        self.leaving = Some(leaving);
        if !self.has_unsaved() {
            self.leave();
        }
    }

    /// Does what was to be done.
    pub(super) fn leave(&mut self) {
        match self.leaving.take() {
            Some(Leaving::Close) => self.is_closed = true,
            Some(Leaving::Open(request)) => self.open(request),
            None => {}
        }
    }

    /// Saves, where need be under a name that is asked for, and leaves then.
    pub(super) fn save_and_leave(&mut self) {
        self.ask(Dialog::SaveScene);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::command::Command;
    use crate::state::session::tests::{opened, walk};

    fn tuned() -> Session {
        let mut session = opened();
        let mut settings = session.document.choices.settings.clone();
        settings.posture.stoop_deg = 5.0;
        session.apply(Command::Tune {
            name: "stoop",
            settings: Box::new(settings),
            goes_on: false,
        });
        session.wait();
        session
    }

    #[test]
    fn what_is_saved_is_left_at_once() {
        let mut session = opened();
        session.apply(Command::Close);
        assert!(session.is_closed && session.leaving.is_none());
    }

    #[test]
    fn changes_are_kept_until_a_person_decides() {
        let mut session = tuned();
        let other = || vec![walk()];
        session.apply(Command::Open(other()));
        assert!(session.leaving.is_some() && !session.is_busy());
        session.apply(Command::Stay);
        assert_eq!(session.leaving, None);
        assert_eq!(session.document.choices.settings.posture.stoop_deg, 5.0);
        session.apply(Command::Open(other()));
        session.apply(Command::LeaveUnsaved);
        session.wait();
        assert_eq!(session.document.take.as_ref().unwrap().stem(), "walk");
        assert!(!session.has_unsaved());
    }

    #[test]
    fn changes_are_saved_under_a_name_and_then_left() {
        let folder = std::env::temp_dir().join(format!("workbench-left-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let scene = folder.join("kept.scene.ron");
        let mut session = tuned();
        session.apply(Command::Close);
        session.apply(Command::SaveAndLeave);
        assert!(session.asking.is_some() && !session.is_closed);
        // No name is no decision.
        session.apply(Command::CloseAsking);
        assert!(session.leaving.is_some() && !session.is_closed);
        session.apply(Command::SaveAndLeave);
        session.apply(Command::SaveScene(scene.clone()));
        assert!(session.is_closed && scene.exists());
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
