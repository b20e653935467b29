//! Undo and redo: a cursor over what was, newest last. Values share their big parts.

/// Steps that are kept.
const MOST: usize = 200;

/// A value with its past and, after undo, its future.
#[derive(Clone, Debug, Default)]
pub struct History<T> {
    past: Vec<(String, T)>,
    future: Vec<(String, T)>,
}

impl<T: Clone> History<T> {
    /// Nothing yet.
    pub fn new() -> Self {
        Self {
            past: Vec::new(),
            future: Vec::new(),
        }
    }

    /// Keeps what was `before` a change, named for people. Several changes of one name that come
    /// without a pause, such as those of a drag, are one step: pass `goes_on`.
    pub fn record(&mut self, name: &str, before: &T, goes_on: bool) {
        self.future.clear();
        let is_same = self.past.last().is_some_and(|(last, _)| last == name);
        if goes_on && is_same {
            return;
        }
        self.past.push((name.to_owned(), before.clone()));
        if self.past.len() > MOST {
            self.past.remove(0);
        }
    }

    /// What was before the last change, in exchange for `current`; and the change's name.
    pub fn undo(&mut self, current: &T) -> Option<(String, T)> {
        let (name, before) = self.past.pop()?;
        self.future.push((name.clone(), current.clone()));
        Some((name, before))
    }

    /// What was before the last undo, in exchange for `current`; and the change's name.
    pub fn redo(&mut self, current: &T) -> Option<(String, T)> {
        let (name, after) = self.future.pop()?;
        self.past.push((name.clone(), current.clone()));
        Some((name, after))
    }

    /// Name of the change that undo takes back.
    pub fn can_undo(&self) -> Option<&str> {
        self.past.last().map(|(name, _)| name.as_str())
    }

    /// Name of the change that redo makes again.
    pub fn can_redo(&self) -> Option<&str> {
        self.future.last().map(|(name, _)| name.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undo_and_redo_go_back_and_forth() {
        let mut history = History::new();
        history.record("first", &1, false);
        history.record("second", &2, false);
        assert_eq!(history.undo(&3), Some(("second".to_owned(), 2)));
        assert_eq!(history.undo(&2), Some(("first".to_owned(), 1)));
        assert_eq!(history.undo(&1), None);
        assert_eq!(history.redo(&1), Some(("first".to_owned(), 2)));
        assert_eq!(history.can_redo(), Some("second"));
        history.record("third", &2, false);
        assert_eq!(
            (history.redo(&4), history.can_undo()),
            (None, Some("third"))
        );
    }

    #[test]
    fn a_drag_is_one_step() {
        let mut history = History::new();
        for (value, goes_on) in [(1, false), (2, true), (3, true)] {
            history.record("height", &value, goes_on);
        }
        assert_eq!(history.undo(&4), Some(("height".to_owned(), 1)));
        assert_eq!(history.undo(&1), None);
    }

    #[test]
    fn old_steps_are_forgotten() {
        let mut history = History::new();
        for value in 0..MOST + 5 {
            history.record("step", &value, false);
        }
        let mut steps = 0;
        while history.undo(&0).is_some() {
            steps += 1;
        }
        assert_eq!(steps, MOST);
    }
}
