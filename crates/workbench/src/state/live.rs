//! The answer to a change before the whole clip has followed: the frame that is shown at once, then
//! stretches around it, outward, until the whole result replaces them all.

use std::borrow::Cow;
use std::sync::Arc;

use understudy_motion::Surface;
use understudy_scene::{Choices, Solved};
use understudy_solver::near::{Chosen, is_near, pose_now, retarget_part};
use understudy_solver::{Retargeted, Watch};

use super::document::Document;
use super::stage::Motion;

/// Half of the stretches that are carried over first, seconds.
const HALVES_SECS: [f64; 2] = [1.0, 5.0];
/// What is carried over on both sides of a stretch besides, and not shown, seconds.
const MARGIN_SECS: f64 = 1.0;
/// Largest part of the clip for which a stretch is worth the while.
const MOST: f64 = 0.5;

/// What is known of the clip after a change, before the whole result is.
#[derive(Debug, Default)]
pub struct Live {
    /// Whether the last result is older than what was chosen.
    is_stale: bool,
    /// Stretches that were carried over since, oldest first.
    parts: Vec<Arc<Motion>>,
    /// The frame that is shown, as it will be, about.
    now: Option<Arc<Motion>>,
    /// A frame of which only the whole solve tells.
    unanswered: Option<usize>,
    /// Counts changes of what is shown.
    revision: u64,
}

impl Live {
    /// Something was chosen that the result does not show yet.
    pub fn change(&mut self) {
        self.is_stale = true;
        self.parts.clear();
        self.now = None;
        self.unanswered = None;
        self.revision += 1;
    }

    /// The result shows what was chosen.
    pub fn settle(&mut self) {
        self.change();
        self.is_stale = false;
    }

    /// A stretch was carried over with what is chosen now.
    pub fn add(&mut self, part: Arc<Motion>) {
        if self.is_stale {
            self.parts.push(part);
            self.now = None;
            self.revision += 1;
        }
    }

    /// Another number whenever other frames are shown than before.
    pub fn revision(&self) -> u64 {
        self.revision
    }

    /// What shows a frame as it was chosen; `None` where the result does, or nothing yet.
    pub fn at(&self, frame: usize) -> Option<&Arc<Motion>> {
        let parts = self.parts.iter().rev().chain(&self.now);
        let mut all = parts.filter(|part| part.frames().contains(&frame));
        all.next()
    }

    /// Whether a frame still has to be answered, and may be.
    pub fn lacks(&self, frame: usize) -> bool {
        self.is_stale && self.at(frame).is_none() && self.unanswered != Some(frame)
    }

    /// First and last frames that show what was chosen, in order; `None` where all do.
    pub fn fresh(&self) -> Option<Vec<(usize, usize)>> {
        if !self.is_stale {
            return None;
        }
        let all = self.parts.iter().chain(&self.now);
        let mut found: Vec<(usize, usize)> = all
            .map(|part| (*part.frames().start(), *part.frames().end()))
            .collect();
        found.sort_unstable();
        let mut joined: Vec<(usize, usize)> = Vec::new();
        for (first, last) in found {
            match joined.last_mut() {
                Some(before) if first <= before.1 + 1 => before.1 = before.1.max(last),
                _ => joined.push((first, last)),
            }
        }
        Some(joined)
    }

    /// Answers a frame at once, from the last result; `both` are what was chosen for it and what is chosen
    /// now ([`before_and_after`]), `surface` is the character's.
    pub fn answer(
        &mut self,
        solved: &Solved,
        shown: &Motion,
        both: &[Cow<'_, Choices>; 2],
        surface: Option<&Surface>,
        frame: usize,
    ) {
        let [before, after] = both.each_ref().map(|choices| Chosen {
            settings: &choices.settings,
            contacts: choices.contacts.as_ref(),
        });
        // What does not fit is told by the whole solve.
        let now = pose_now(&solved.retargeted, before, after, surface, frame);
        let Ok(now) = now else {
            self.unanswered = Some(frame);
            return;
        };
        let mut clip = shown.clip.range(frame, frame);
        clip.frame_mut(0).copy_from_slice(&now.locals);
        let planted = now.planted_parts.into_iter().map(|parts| vec![parts]);
        let planted = planted.collect();
        self.now = Motion::part(&solved.retargeted, clip, planted, shown, frame).map(Arc::new);
        self.revision += 1;
    }
}

/// What was chosen for the last result, and what is chosen now, in frames of the result; `None` where these
/// would be others now.
pub fn before_and_after<'a>(
    known: &'a Solved,
    document: &'a Document,
) -> Option<[Cow<'a, Choices>; 2]> {
    let take = &document.take.as_ref()?.clip;
    let both = [&known.choices, &document.choices];
    let is_same_rate = both[0].frame_time_secs == both[1].frame_time_secs;
    is_same_rate.then(|| both.map(|choices| choices.in_result_frames(take)))
}

/// The last result and the frame that is shown, from which a change is answered outward.
#[derive(Clone, Debug)]
pub struct Near {
    /// The last result.
    pub known: Arc<Solved>,
    /// How the character moved in it.
    pub shown: Arc<Motion>,
    /// The frame that is shown.
    pub frame: usize,
}

impl Near {
    /// Carries stretches around the frame over, the nearest first.
    pub fn outward(
        &self,
        document: &Document,
        on_part: &mut dyn FnMut(Arc<Motion>),
        goes_on: &dyn Fn() -> bool,
    ) {
        let known = &self.known.retargeted;
        let Some([before, choices]) = before_and_after(&self.known, document) else {
            return;
        };
        let given = choices.contacts.as_ref();
        let must_find = given.is_none() && before.contacts.is_some();
        if must_find || !is_near(&before.settings, &choices.settings, given.is_some()) {
            return;
        }
        let frames = known.solved.frame_count();
        let surface = document.character.as_ref().and_then(|file| file.surface());
        for stretch in stretches(frames, self.frame, known.solved.frame_time_secs) {
            let on_share = |_: f64| goes_on();
            let solved = retarget_part(
                known,
                &choices.settings,
                (given.unwrap_or(&known.contacts), surface),
                stretch.padded,
                Watch::new(&on_share),
            );
            // What does not fit is told by the whole solve.
            let Ok(solved) = solved else {
                return;
            };
            if let Some(part) = part_of(&solved, &stretch, &self.shown) {
                on_part(Arc::new(part));
            }
        }
    }
}

/// Frames that are shown, and those that are carried over for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    shown: [usize; 2],
    padded: [usize; 2],
}

fn stretches(frames: usize, frame: usize, frame_time_secs: f64) -> Vec<Stretch> {
    let around = |secs: f64| {
        let away = (secs / frame_time_secs).round() as usize;
        [frame.saturating_sub(away), (frame + away).min(frames - 1)]
    };
    let all = HALVES_SECS.map(|half| Stretch {
        shown: around(half),
        padded: around(half + MARGIN_SECS),
    });
    let is_worth = |stretch: &Stretch| {
        let [first, last] = stretch.padded;
        last > first && ((last - first) as f64) < MOST * frames as f64
    };
    all.into_iter().filter(is_worth).collect()
}

fn part_of(solved: &Retargeted, stretch: &Stretch, shown: &Motion) -> Option<Motion> {
    let [first, last] = stretch.shown.map(|frame| frame - stretch.padded[0]);
    let clip = solved.solved.range(first, last);
    let parts = solved.planted_parts.iter();
    let planted = parts.map(|parts| parts[first..=last].to_vec()).collect();
    Motion::part(solved, clip, planted, shown, stretch.shown[0])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_grow_outward_and_leave_short_clips_to_the_whole_solve() {
        let rate = 1.0 / 100.0;
        let all = stretches(10_000, 5_000, rate);
        let shown: Vec<[usize; 2]> = all.iter().map(|stretch| stretch.shown).collect();
        assert_eq!(shown, [[4_900, 5_100], [4_500, 5_500]]);
        assert_eq!(all[0].padded, [4_800, 5_200]);
        let start = stretches(10_000, 30, rate);
        assert_eq!((start[0].shown, start[0].padded), ([0, 130], [0, 230]));
        assert!(stretches(300, 150, rate).is_empty());
        assert!(stretches(1, 0, rate).is_empty());
    }
}
