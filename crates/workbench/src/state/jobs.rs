//! Long work in the background: a snapshot goes in, progress comes out, the newest request wins.
//!
//! A result carries the number of its request; one that was stopped or overtaken is dropped.
//! A stop takes effect at once for the person; the thread ends within a frame or a step of the solve,
//! a measure, or the file that is being read.

use std::cell::{Cell, RefCell};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::Instant;

use understudy_measure::Options;
use understudy_scene::{Failure, Outputs, Solved, Step, deliver, solve_watched};

use super::document::{Document, OpenRequest, short};
use super::live::Near;
use super::progress::Progress;
use super::stage::{Motion, Stage};

/// What is to be done.
#[derive(Clone, Debug)]
pub enum Task {
    /// Read files beside those of a document.
    Open(Document, OpenRequest),
    /// Carry the take of a document over, for the bodies of a stage; without one these are made
    /// first. Where the last result is near, stretches around the shown frame come first.
    Solve(Document, Option<Stage>, Option<Near>),
    /// Write a result; without one the take of the document is carried over first.
    Export(Document, Option<Arc<Solved>>, Outputs),
}

impl Task {
    /// The first line a person sees.
    fn words(&self) -> String {
        match self {
            Self::Open(_, request) => {
                let files = [&request.scene, &request.take, &request.character];
                let names: Vec<String> = files.into_iter().flatten().map(|p| short(p)).collect();
                format!("reading {}", names.join(" and "))
            }
            Self::Solve(..) => "carrying the take over".to_owned(),
            Self::Export(_, _, outputs) => format!("writing {}", short(&outputs.clip)),
        }
    }
}

/// What came of it.
#[derive(Debug)]
pub enum Done {
    /// Files were read.
    Opened(Box<Document>, Stage),
    /// A take was carried over.
    Solved(Arc<Solved>, Stage),
    /// Clip and report were written.
    Exported(Outputs),
}

/// News of a task.
#[derive(Debug)]
enum News {
    Step(String, f64),
    Part(Arc<Motion>),
    End(Result<Done, Failure>),
}

/// A task that runs.
#[derive(Debug)]
struct Running {
    news: Receiver<News>,
    stop: Arc<AtomicBool>,
    step: String,
    share: f64,
    since: Instant,
    is_solving: bool,
}

/// The one task that runs, if any.
#[derive(Debug, Default)]
pub struct Jobs {
    running: Option<Running>,
    /// Stretches that came and were not taken yet.
    parts: Vec<Arc<Motion>>,
}

impl Jobs {
    /// Starts a task in place of the one that runs.
    pub fn start(&mut self, task: Task) {
        self.stop();
        let (sender, news) = channel();
        let stop = Arc::new(AtomicBool::new(false));
        let running = Running {
            news,
            stop: Arc::clone(&stop),
            step: task.words(),
            share: 0.0,
            since: Instant::now(),
            is_solving: matches!(task, Task::Solve(..)),
        };
        thread::spawn(move || work(task, &sender, &stop));
        self.running = Some(running);
    }

    /// Forgets the task that runs.
    pub fn stop(&mut self) {
        self.parts.clear();
        if let Some(running) = self.running.take() {
            running.stop.store(true, Ordering::Relaxed);
        }
    }

    /// How far the task that runs has come.
    pub fn progress(&self) -> Option<Progress> {
        let running = self.running.as_ref()?;
        Some(Progress {
            words: running.step.clone(),
            share: running.share,
            secs: running.since.elapsed().as_secs_f64(),
        })
    }

    /// Whether a task runs.
    pub fn is_busy(&self) -> bool {
        self.running.is_some()
    }

    /// Whether a take is being carried over.
    pub fn is_solving(&self) -> bool {
        self.running
            .as_ref()
            .is_some_and(|running| running.is_solving)
    }

    /// Whether the task that runs has taken so long that a newer one must not wait for it.
    pub fn is_slow(&self) -> bool {
        /// Seconds after which results no longer come often enough while a value is dragged.
        const SLOW_SECS: f64 = 0.5;
        let running = self.running.as_ref();
        running.is_some_and(|running| running.since.elapsed().as_secs_f64() > SLOW_SECS)
    }

    /// Stretches of the clip that were carried over since the last call.
    pub fn take_parts(&mut self) -> Vec<Arc<Motion>> {
        std::mem::take(&mut self.parts)
    }

    /// What has ended since the last call. Does not wait.
    pub fn poll(&mut self) -> Option<Result<Done, Failure>> {
        let running = self.running.as_mut()?;
        loop {
            match running.news.try_recv() {
                Ok(News::Part(part)) => self.parts.push(part),
                Ok(News::Step(step, share)) => (running.step, running.share) = (step, share),
                Ok(News::End(end)) => {
                    self.running = None;
                    return Some(end);
                }
                Err(_) => return None,
            }
        }
    }

    /// Waits for the end of the task that runs, for tests and pictures.
    pub fn wait(&mut self) -> Option<Result<Done, Failure>> {
        let running = self.running.take()?;
        running.news.iter().find_map(|news| match news {
            News::End(end) => Some(end),
            News::Step(..) | News::Part(_) => None,
        })
    }
}

fn work(task: Task, news: &Sender<News>, stop: &AtomicBool) {
    let told = RefCell::new((String::new(), 0.0));
    let on_news = |words: &str, share: f64| {
        let mut told = told.borrow_mut();
        // Every frame reports; a person sees a hundredth.
        if told.0 != words || share - told.1 >= 0.01 {
            *told = (words.to_owned(), share);
            // Nobody listens any more once another task was started.
            let _ = news.send(News::Step(words.to_owned(), share));
        }
        !stop.load(Ordering::Relaxed)
    };
    let mut on_part = |part: Arc<Motion>| {
        let _ = news.send(News::Part(part));
    };
    // A defect of ours in one file must not take the whole session along.
    let end = catch_unwind(AssertUnwindSafe(|| run(task, stop, &on_news, &mut on_part)));
    let end = end.unwrap_or_else(|_| {
        Some(Err(Failure::usage(
            "this could not be finished because of a defect in the program; the session is as it was",
        )))
    });
    if let Some(end) = end {
        let _ = news.send(News::End(end));
    }
}

/// Share of carrying a take over that is done when it is solved, and when it is measured, about: the
/// rest prepares the tracks.
const SOLVED: f64 = 0.75;
const MEASURED: f64 = 0.9;

/// How much of carrying a take over is done within one of its steps.
fn share_of_solve(step: Step, share: f64) -> f64 {
    match step {
        Step::Read => 0.0,
        Step::Solve => SOLVED * share,
        Step::Measure => SOLVED + (MEASURED - SOLVED) * share,
        Step::Write => MEASURED,
    }
}

/// How much of writing a clip is done within one of its steps.
fn share_of_export(step: Step, share: f64) -> f64 {
    match step {
        Step::Write => MEASURED + (1.0 - MEASURED) * share,
        earlier => share_of_solve(earlier, share),
    }
}

/// `None` where it was stopped.
fn run(
    task: Task,
    stop: &AtomicBool,
    on_news: &dyn Fn(&str, f64) -> bool,
    on_part: &mut dyn FnMut(Arc<Motion>),
) -> Option<Result<Done, Failure>> {
    let is_stopped = || stop.load(Ordering::Relaxed);
    Some(match task {
        Task::Open(document, request) => {
            let on_read = |words: String, share: f64| on_news(&words, 0.8 * share);
            let opened = document.open(&request, &on_read);
            if is_stopped() {
                return None;
            }
            opened.map(|opened| {
                on_news("preparing the bodies", 0.8);
                let stage = Stage::unsolved(opened.take.as_deref(), opened.character.as_deref());
                Done::Opened(Box::new(opened), stage)
            })
        }
        Task::Solve(document, stage, near) => {
            if let Some(near) = near {
                let goes_on = || on_news("carrying over what is near", 0.0);
                near.outward(&document, on_part, &goes_on);
            }
            let (take, character) = document.pair()?;
            let stage = stage.unwrap_or_else(|| Stage::unsolved(Some(take), Some(character)));
            let watch = |now: understudy_scene::Progress| {
                on_news(now.step.words(), share_of_solve(now.step, now.share))
            };
            let options = Options { series: true };
            let solved = solve_watched(take, character, &document.choices, options, &watch);
            if is_stopped() {
                return None;
            }
            solved.map(|solved| {
                on_news("preparing tracks", MEASURED);
                let stage = stage.solved(&solved, character.surface());
                Done::Solved(Arc::new(solved), stage)
            })
        }
        Task::Export(document, solved, outputs) => {
            let (take, character) = document.pair()?;
            let furthest = Cell::new(0.0_f64);
            let watch = |now: understudy_scene::Progress| {
                // A part of a result is measured once more.
                let share = share_of_export(now.step, now.share).max(furthest.get());
                furthest.set(share);
                on_news(now.step.words(), share)
            };
            let choices = &document.choices;
            let solved = match solved {
                Some(solved) => Ok((*solved).clone()),
                None => solve_watched(take, character, choices, Options::default(), &watch),
            };
            let written =
                solved.and_then(|solved| deliver(take, character, solved, &outputs, &watch));
            if is_stopped() && written.is_err() {
                return None;
            }
            written.map(|outcome| Done::Exported(outcome.outputs))
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::session::tests::{pedlar, walk};

    fn open(file: &str) -> Task {
        let request = OpenRequest::of(&[file.into()]).unwrap();
        Task::Open(Document::default(), request)
    }

    #[test]
    fn failures_name_the_file() {
        let mut jobs = Jobs::default();
        jobs.start(open("lost.bvh"));
        assert_eq!(jobs.progress().unwrap().words, "reading lost.bvh");
        let error = jobs.wait().unwrap().unwrap_err();
        assert!(error.message.contains("lost.bvh"), "{error}");
        assert!(jobs.progress().is_none());
    }

    #[test]
    fn the_newest_request_wins() {
        let mut jobs = Jobs::default();
        jobs.start(open("first.bvh"));
        jobs.start(open("second.bvh"));
        let error = jobs.wait().unwrap().unwrap_err();
        assert!(error.message.contains("second.bvh"), "{error}");
        assert!(jobs.poll().is_none());
    }

    #[test]
    fn what_is_stopped_says_nothing_more() {
        let mut jobs = Jobs::default();
        jobs.start(open("first.bvh"));
        jobs.stop();
        assert!(jobs.poll().is_none() && jobs.progress().is_none());
    }

    /// A pair of files that are carried over in a good part of a second.
    fn pair() -> Document {
        let request = OpenRequest::of(&[walk(), pedlar()]).unwrap();
        Document::default().open(&request, &|_, _| true).unwrap()
    }

    #[test]
    fn a_stop_within_a_step_ends_it_and_leaves_no_result() {
        let document = pair();
        let (take, character) = document.pair().unwrap();
        for (step, least) in [(Step::Solve, 0.0), (Step::Solve, 0.6), (Step::Measure, 0.4)] {
            let (calls, stopped_at) = (Cell::new(0), Cell::new(None));
            let watch = |now: understudy_scene::Progress| {
                calls.set(calls.get() + 1);
                let goes_on = now.step != step || now.share < least;
                if !goes_on && stopped_at.get().is_none() {
                    stopped_at.set(Some(calls.get()));
                }
                goes_on
            };
            let options = Options { series: true };
            let end = solve_watched(take, character, &document.choices, options, &watch);
            assert_eq!(end.unwrap_err(), Failure::stopped(), "{step:?}");
            // Nothing more is done once it was stopped.
            assert_eq!(stopped_at.get(), Some(calls.get()), "{step:?}");
        }
    }

    #[test]
    fn shares_never_go_back() {
        let document = pair();
        let (take, character) = document.pair().unwrap();
        let last = Cell::new(0.0);
        let watch = |now: understudy_scene::Progress| {
            let share = share_of_solve(now.step, now.share);
            assert!(share >= last.get() && share <= 1.0, "{now:?}");
            last.set(share);
            true
        };
        let options = Options { series: true };
        solve_watched(take, character, &document.choices, options, &watch).unwrap();
        assert!(last.get() > 0.8);
    }

    #[test]
    fn a_stopped_export_writes_nothing() {
        let document = pair();
        let (take, character) = document.pair().unwrap();
        let solved = solve_watched(
            take,
            character,
            &document.choices,
            Options::default(),
            &|_| true,
        );
        let folder = std::env::temp_dir().join(format!("workbench-stop-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let outputs = Outputs::of(&folder.join("clip.glb"));
        let end = deliver(take, character, solved.unwrap(), &outputs, &|now| {
            now.share < 0.7
        });
        assert_eq!(end.unwrap_err(), Failure::stopped());
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 0);
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
