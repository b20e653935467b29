//! `understudy run`: scenes, and whether what must hold of them does.

use std::path::{Path, PathBuf};

use serde_json::json;
use understudy_measure::Options;
use understudy_scene::export::{one_file_each, spare_files};
use understudy_scene::load::stem;
use understudy_scene::report::{counted, json_text};
use understudy_scene::{Exit, Failure, Finding, OpenScene, Outputs, Scene, Solved, deliver};

use crate::args::RunArgs;
use crate::output::{Align, Table, complain, print, warn};

/// Runs every scene and prints what holds and what does not.
///
/// # Errors
/// Two scenes that would write one file, or a stdout that cannot be written. What stops a scene is
/// told on stderr, and the others go on.
pub fn run(args: &RunArgs) -> Result<Exit, Failure> {
    if let Some(folder) = &args.output {
        let scenes = args.scenes.iter();
        one_file_each(scenes.map(|scene| (output(args, folder, scene), scene.as_path())))?;
    }
    let mut worst = Exit::Done;
    let mut tally = Tally::default();
    for path in &args.scenes {
        let result = run_scene(args, path);
        tally.add(&result);
        worst = worst.max(match &result {
            Ok(ran) if ran.holds() => Exit::Done,
            Ok(_) => Exit::Faults,
            Err(error) => error.exit,
        });
        tell(args, path, &result)?;
    }
    if args.scenes.len() > 1 {
        complain(&tally.text());
    }
    Ok(worst)
}

/// A scene that was run.
struct Ran {
    title: String,
    findings: Vec<Finding>,
    notes: Vec<(PathBuf, String)>,
    clip: Option<PathBuf>,
}

impl Ran {
    fn holds(&self) -> bool {
        self.findings.iter().all(|finding| finding.holds)
    }
}

fn run_scene(args: &RunArgs, path: &Path) -> Result<Ran, Failure> {
    let mut open = Scene::load(path)?.open(path)?;
    args.how.apply(&mut open.choices.settings);
    let solved = open.solve(Options::default(), &mut |_| {})?;
    let findings = open.scene.findings(&solved);
    let notes = solved.notes.clone();
    let clip = args
        .output
        .as_deref()
        .map(|folder| write(&open, solved, &output(args, folder, path)))
        .transpose()?;
    Ok(Ran {
        title: open.scene.title,
        findings,
        notes,
        clip,
    })
}

fn write(open: &OpenScene, solved: Solved, clip: &Path) -> Result<PathBuf, Failure> {
    let outputs = Outputs::of(clip);
    let read = [&open.path, &open.take.path, &open.character.path];
    spare_files(outputs.files(), read.map(PathBuf::as_path))?;
    let outcome = deliver(&open.take, &open.character, solved, &outputs, &|_| true)?;
    Ok(outcome.outputs.clip)
}

/// `folder/pedlar-clap.glb` for `pedlar-clap.scene.ron`.
fn output(args: &RunArgs, folder: &Path, scene: &Path) -> PathBuf {
    let name = stem(scene);
    let name = name.strip_suffix(".scene").unwrap_or(&name);
    folder.join(format!("{name}.{}", args.format.extension()))
}

fn tell(args: &RunArgs, path: &Path, result: &Result<Ran, Failure>) -> Result<(), Failure> {
    match result {
        Err(error) => {
            complain(error);
            if args.json {
                let value = error.json_at(json!({ "scene": path }));
                print(&json_text(&value, true)?)?;
            }
        }
        Ok(ran) => {
            for (file, note) in &ran.notes {
                warn(file, std::slice::from_ref(note));
            }
            print(&match args.json {
                true => json_text(&json_of(path, ran), true)?,
                false => text_of(path, ran),
            })?;
        }
    }
    Ok(())
}

fn json_of(path: &Path, ran: &Ran) -> serde_json::Value {
    json!({
        "scene": path,
        "title": ran.title,
        "holds": ran.holds(),
        "findings": ran.findings,
        "clip": ran.clip,
        "notes": ran
            .notes
            .iter()
            .map(|(path, note)| json!({ "file": path, "note": note }))
            .collect::<Vec<_>>(),
    })
}

fn text_of(path: &Path, ran: &Ran) -> String {
    let mut table = Table::new(&[Align::Left, Align::Left, Align::Left, Align::Left]);
    for finding in &ran.findings {
        let verdict = if finding.holds { "holds" } else { "FAILS" };
        table.row([verdict, &finding.what, &finding.measured, &finding.wanted]);
    }
    let clip = ran.clip.as_ref();
    let clip = clip.map_or(String::new(), |clip| format!("  clip {}\n", clip.display()));
    format!(
        "{}: {}\n{}{clip}\n",
        path.display(),
        ran.title,
        table.text(2)
    )
}

/// How many scenes ended how.
#[derive(Default)]
struct Tally {
    holding: usize,
    failing: usize,
    stopped: usize,
}

impl Tally {
    fn add(&mut self, result: &Result<Ran, Failure>) {
        match result {
            Ok(ran) if ran.holds() => self.holding += 1,
            Ok(_) => self.failing += 1,
            Err(_) => self.stopped += 1,
        }
    }

    fn text(&self) -> String {
        format!(
            "{}: {} hold, {} do not, {} could not be run",
            counted(self.holding + self.failing + self.stopped, "scene"),
            self.holding,
            self.failing,
            self.stopped
        )
    }
}
