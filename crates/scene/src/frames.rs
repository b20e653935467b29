//! Frames and frame rates as a person says them: a part of a clip that is to be written, and the rate
//! of it.

use std::fmt;
use std::path::Path;
use std::str::FromStr;

use serde::Serialize;
use understudy_motion::rate::frame_time_from_spoken;

use crate::failure::Failure;
use crate::report::counted;

/// A part of a clip, first and last frame, both counted from 0 and both in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Frames {
    /// First frame.
    pub first: usize,
    /// Last frame, not before the first.
    pub last: usize,
}

impl Frames {
    /// Frames from one to another.
    ///
    /// # Errors
    /// A last frame before the first.
    pub fn new(first: usize, last: usize) -> Result<Self, String> {
        match first <= last {
            true => Ok(Self { first, last }),
            false => Err(format!(
                "frame {last} lies before frame {first}; give the earlier frame first"
            )),
        }
    }

    /// Number of frames, at least 1.
    pub fn count(self) -> usize {
        self.last - self.first + 1
    }

    /// Checks that a clip of so many frames has these.
    ///
    /// # Errors
    /// Frames past the end of the clip; the error names `take`, whose clip it is.
    pub fn check(self, frames: usize, take: &Path) -> Result<(), Failure> {
        if self.last < frames {
            return Ok(());
        }
        let wanted = self.last;
        let whole = counted(frames, "frame");
        let problem = format!(
            "there is no frame {wanted}, for the clip has {whole} and ends at frame {}; choose \
             frames up to that one",
            frames.saturating_sub(1)
        );
        Err(Failure::input_at(take, problem))
    }
}

impl fmt::Display for Frames {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}..{}", self.first, self.last)
    }
}

impl FromStr for Frames {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let frames = text.split_once("..").and_then(|(first, last)| {
            let frame = |text: &str| text.trim().parse().ok();
            Some((frame(first)?, frame(last)?))
        });
        let (first, last) = frames.ok_or_else(|| {
            "not a range of frames; give first and last frame, counted from 0, such as 100..250"
                .to_owned()
        })?;
        Self::new(first, last)
    }
}

/// The time from frame to frame, seconds, of a rate that was typed, frames per second.
///
/// # Errors
/// Text that is no rate of a moving body.
pub fn frame_time_of(text: &str) -> Result<f64, String> {
    frame_time_from_spoken(text)
        .filter(|frame_time_secs| (1e-4..=10.0).contains(frame_time_secs))
        .ok_or_else(|| {
            "not a frame rate; give frames per second from 0.1 to 10000, such as 60 or 29.97"
                .to_owned()
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_read_as_they_are_written() {
        let check = |text: &str, expected: Result<(usize, usize), &str>| {
            let found = text.parse::<Frames>();
            match (found, expected) {
                (Ok(found), Ok((first, last))) => {
                    assert_eq!((found.first, found.last), (first, last));
                    assert_eq!(found.to_string().parse(), Ok(found));
                }
                (Err(found), Err(part)) => assert!(found.contains(part), "{text}: {found}"),
                (found, expected) => panic!("{text}: {found:?}, not {expected:?}"),
            }
        };
        check("0..0", Ok((0, 0)));
        check(" 12 .. 40 ", Ok((12, 40)));
        for wrong in [
            "", "12", "12-40", "..40", "12..", "-1..4", "a..b", "1...4", "1.5..4",
        ] {
            check(wrong, Err("such as 100..250"));
        }
        check("40..12", Err("frame 12 lies before frame 40"));
        check("0..99999999999999999999999", Err("such as 100..250"));
    }

    #[test]
    fn frames_past_the_end_are_named() {
        let frames = Frames::new(3, 9).unwrap();
        assert_eq!(frames.count(), 7);
        assert_eq!(frames.check(10, Path::new("walk.bvh")), Ok(()));
        let error = frames.check(9, Path::new("walk.bvh")).unwrap_err();
        for part in ["walk.bvh", "no frame 9", "9 frames", "ends at frame 8"] {
            assert!(error.message.contains(part), "{error}");
        }
    }

    #[test]
    fn rates_are_read_as_they_are_said() {
        assert_eq!(frame_time_of("29.97"), Ok(1001.0 / 30000.0));
        for wrong in ["", "0", "-30", "fast", "1e9", "0.01"] {
            assert!(frame_time_of(wrong).is_err(), "{wrong}");
        }
    }
}
