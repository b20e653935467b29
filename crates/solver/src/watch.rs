//! How far long work has come, and the word to stop it.

/// Hears how much of the work is done, 0 to 1, and says whether to go on.
pub type OnShare<'a> = &'a dyn Fn(f64) -> bool;

/// The work was stopped before its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stopped;

/// A stretch of some work, told as a share of the whole.
#[derive(Clone, Copy)]
pub struct Watch<'a> {
    on_share: OnShare<'a>,
    from: f64,
    to: f64,
}

impl<'a> Watch<'a> {
    /// Watches the whole of some work.
    pub fn new(on_share: OnShare<'a>) -> Self {
        Self {
            on_share,
            from: 0.0,
            to: 1.0,
        }
    }

    /// Nobody watches, and nothing is stopped.
    pub fn nobody() -> Self {
        Self::new(&|_| true)
    }

    /// A part of this stretch, from one of its shares to another.
    pub fn part(&self, from: f64, to: f64) -> Self {
        let at = |share: f64| self.from + (self.to - self.from) * share;
        Self {
            from: at(from),
            to: at(to),
            ..*self
        }
    }

    /// Tells that a share of this stretch is done, 0 to 1.
    ///
    /// # Errors
    /// Whoever watches wants it stopped.
    pub fn at(&self, share: f64) -> Result<(), Stopped> {
        let whole = self.from + (self.to - self.from) * share.clamp(0.0, 1.0);
        match (self.on_share)(whole) {
            true => Ok(()),
            false => Err(Stopped),
        }
    }

    /// Tells that the first `done` of `all` things are done.
    ///
    /// # Errors
    /// As [`Watch::at`].
    pub fn count(&self, done: usize, all: usize) -> Result<(), Stopped> {
        self.at(done as f64 / all.max(1) as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    #[test]
    fn parts_are_told_as_shares_of_the_whole() {
        let heard = Cell::new(0.0);
        let on_share = |share: f64| {
            heard.set(share);
            share < 0.7
        };
        let second_half = Watch::new(&on_share).part(0.5, 1.0);
        assert_eq!(second_half.count(1, 4), Ok(()));
        assert_eq!(heard.get(), 0.625);
        assert_eq!(second_half.part(0.0, 0.5).at(1.0), Err(Stopped));
        assert_eq!(heard.get(), 0.75);
        assert_eq!(second_half.count(0, 0), Ok(()));
    }
}
