//! How far a task has come, and how long it will still take.

/// How far a task has come.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Progress {
    /// What is being done.
    pub words: String,
    /// How much of the whole task is done, 0 to 1.
    pub share: f64,
    /// Seconds since it was begun.
    pub secs: f64,
}

/// A task younger than this has no estimate, seconds.
const YOUNG_SECS: f64 = 1.0;
/// Less done than this gives no estimate.
const LITTLE: f64 = 0.1;

impl Progress {
    /// Seconds left, as long as the work done took; `None` before that means something.
    pub fn left_secs(&self) -> Option<f64> {
        let is_known = self.secs >= YOUNG_SECS && self.share >= LITTLE;
        is_known.then(|| self.secs * (1.0 - self.share).max(0.0) / self.share)
    }

    /// For people: "12 s left".
    pub fn left(&self) -> Option<String> {
        let secs = self.left_secs()?;
        Some(match secs {
            ..1.0 => "less than 1 s left".to_owned(),
            ..90.0 => format!("about {secs:.0} s left"),
            _ => format!("about {:.0} min left", secs / 60.0),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_left_is_told_once_it_means_something() {
        let check = |share: f64, secs: f64, expected: Option<&str>| {
            let progress = Progress {
                words: String::new(),
                share,
                secs,
            };
            assert_eq!(progress.left().as_deref(), expected);
        };
        check(0.5, 0.3, None);
        check(0.05, 8.0, None);
        check(0.25, 4.0, Some("about 12 s left"));
        check(0.95, 10.0, Some("less than 1 s left"));
        check(0.1, 60.0, Some("about 9 min left"));
        check(1.0, 5.0, Some("less than 1 s left"));
    }
}
