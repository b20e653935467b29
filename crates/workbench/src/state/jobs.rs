//! Long work in the background: a snapshot goes in, progress comes out, the newest request wins.
//!
//! A result carries the number of its request; one that was stopped or overtaken is dropped.
//! Reading and solving are not broken off in the middle: a stop takes effect at once for the person,
//! and at the end of the current step for the thread.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::Instant;

use understudy_measure::Options;
use understudy_scene::{Failure, Outputs, Solved, deliver, solve};

use super::document::{Document, OpenRequest, short};
use super::stage::Stage;

/// What is to be done.
#[derive(Clone, Debug)]
pub enum Task {
    /// Read files beside those of a document.
    Open(Document, OpenRequest),
    /// Carry the take of a document over, for the bodies of a stage; without one these are made
    /// first.
    Solve(Document, Option<Stage>),
    /// Write a result.
    Export(Document, Arc<Solved>, Outputs),
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
    Step(String),
    End(Result<Done, Failure>),
}

/// A task that runs.
#[derive(Debug)]
struct Running {
    news: Receiver<News>,
    stop: Arc<AtomicBool>,
    step: String,
    since: Instant,
    is_solving: bool,
}

/// The one task that runs, if any.
#[derive(Debug, Default)]
pub struct Jobs {
    running: Option<Running>,
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
            since: Instant::now(),
            is_solving: matches!(task, Task::Solve(..)),
        };
        thread::spawn(move || work(task, &sender, &stop));
        self.running = Some(running);
    }

    /// Forgets the task that runs.
    pub fn stop(&mut self) {
        if let Some(running) = self.running.take() {
            running.stop.store(true, Ordering::Relaxed);
        }
    }

    /// What is being done, and for how many seconds.
    pub fn progress(&self) -> Option<(&str, f64)> {
        let running = self.running.as_ref()?;
        Some((&running.step, running.since.elapsed().as_secs_f64()))
    }

    /// Whether a take is being carried over.
    pub fn is_solving(&self) -> bool {
        self.running
            .as_ref()
            .is_some_and(|running| running.is_solving)
    }

    /// What has ended since the last call. Does not wait.
    pub fn poll(&mut self) -> Option<Result<Done, Failure>> {
        let running = self.running.as_mut()?;
        loop {
            match running.news.try_recv() {
                Ok(News::Step(step)) => running.step = step,
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
            News::Step(_) => None,
        })
    }
}

fn work(task: Task, news: &Sender<News>, stop: &AtomicBool) {
    let mut on_step = |step: String| {
        // Nobody listens any more once another task was started.
        let _ = news.send(News::Step(step));
    };
    // A defect of ours in one file must not take the whole session along.
    let end = catch_unwind(AssertUnwindSafe(|| run(task, stop, &mut on_step)));
    let end = end.unwrap_or_else(|_| {
        Some(Err(Failure::usage(
            "this could not be finished because of a defect in the program; the session is as it was",
        )))
    });
    if let Some(end) = end {
        let _ = news.send(News::End(end));
    }
}

/// `None` where it was stopped.
fn run(
    task: Task,
    stop: &AtomicBool,
    on_step: &mut dyn FnMut(String),
) -> Option<Result<Done, Failure>> {
    let is_stopped = || stop.load(Ordering::Relaxed);
    Some(match task {
        Task::Open(document, request) => {
            let opened = document.open(&request, on_step);
            if is_stopped() {
                return None;
            }
            opened.map(|opened| {
                on_step("preparing the bodies".to_owned());
                let stage = Stage::unsolved(opened.take.as_deref(), opened.character.as_deref());
                Done::Opened(Box::new(opened), stage)
            })
        }
        Task::Solve(document, stage) => {
            let (take, character) = document.pair()?;
            let stage = stage.unwrap_or_else(|| Stage::unsolved(Some(take), Some(character)));
            let mut step = |step: understudy_scene::Step| on_step(step.words().to_owned());
            let options = Options { series: true };
            let solved = solve(take, character, &document.choices, options, &mut step);
            if is_stopped() {
                return None;
            }
            solved.map(|solved| {
                on_step("preparing tracks".to_owned());
                let stage = stage.solved(&solved, character.surface());
                Done::Solved(Arc::new(solved), stage)
            })
        }
        Task::Export(document, solved, outputs) => {
            let (take, character) = document.pair()?;
            deliver(take, character, (*solved).clone(), &outputs)
                .map(|outcome| Done::Exported(outcome.outputs))
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn open(file: &str) -> Task {
        let request = OpenRequest::of(&[file.into()]).unwrap();
        Task::Open(Document::default(), request)
    }

    #[test]
    fn failures_name_the_file() {
        let mut jobs = Jobs::default();
        jobs.start(open("lost.bvh"));
        assert_eq!(jobs.progress().unwrap().0, "reading lost.bvh");
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
}
