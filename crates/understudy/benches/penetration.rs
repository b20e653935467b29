//! How long it takes to measure penetration on the skin and with capsules, for every take on every
//! character of `assets`, and what was found.
//!
//! `cargo bench -p understudy --bench penetration [TAKE [CHARACTER]]`

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Instant;

use understudy_measure::Subject;
use understudy_measure::mesh::measure_mesh_penetration;
use understudy_measure::penetration::measure_penetration;
use understudy_motion::Clip;
use understudy_scene::load::{LoadOptions, Loaded, Purpose};
use understudy_solver::{Character, Settings, Take, retarget};

/// Files of a folder of `assets` with an ending, whose names hold a word, in order.
fn files(folder: &str, ending: &str, word: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../assets")
        .join(folder);
    let entries = fs::read_dir(folder).expect("assets are part of the source");
    let mut found: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|found| found == ending))
        .filter(|path| stem(path).contains(word))
        .collect();
    found.sort();
    found
}

fn stem(path: &Path) -> String {
    path.file_stem().unwrap_or_default().display().to_string()
}

fn main() {
    let words: Vec<String> = std::env::args()
        .skip(1)
        .filter(|word| !word.starts_with('-'))
        .collect();
    let word = |index: usize| words.get(index).map_or("", String::as_str);
    let read = |path: &PathBuf, purpose| {
        Loaded::read(path, &LoadOptions::default(), purpose).expect("assets can be read")
    };
    let takes = files("takes", "bvh", word(0));
    let characters: Vec<Loaded> = files("characters", "glb", word(1))
        .iter()
        .map(|path| read(path, Purpose::Character))
        .collect();
    println!(
        "take character | frames | plain + solved on skin, s | ms per frame | with capsules, s | deepest plain / solved: skin, capsules, mm | plain / solved, cm³ s | deepest pair"
    );
    let (mut all_skin_secs, mut all_capsule_secs, mut slowest_secs) = (0.0, 0.0, 0.0_f64);
    for path in &takes {
        let take = read(path, Purpose::Motion);
        for character in &characters {
            let known = retarget(
                Take {
                    clip: &take.clip,
                    body: take.body().expect("a body"),
                    surface: None,
                },
                Character {
                    skeleton: character.skeleton(),
                    body: character.body().expect("a body"),
                    surface: character.surface(),
                },
                &Settings::default(),
                None,
            )
            .expect("demo takes solve");
            let surface = character.surface().expect("the cast has skins");
            fn subject<'a>(
                known: &'a understudy_solver::Retargeted,
                clip: &'a Clip,
            ) -> Subject<'a> {
                Subject::new(
                    clip,
                    &known.body,
                    &known.feet,
                    known.floor(),
                    &known.planted_parts,
                )
            }
            let subjects = [
                subject(&known, &known.plain),
                subject(&known, &known.solved),
            ];
            let start = Instant::now();
            let skin = subjects.each_ref().map(|subject| {
                measure_mesh_penetration(subject, surface).expect("a skin of many parts")
            });
            let skin_secs = start.elapsed().as_secs_f64();
            let start = Instant::now();
            let capsules = subjects
                .each_ref()
                .map(|subject| measure_penetration(subject, Some(surface)));
            let capsule_secs = start.elapsed().as_secs_f64();
            all_skin_secs += skin_secs;
            all_capsule_secs += capsule_secs;
            slowest_secs = slowest_secs.max(skin_secs);
            let frames = 2 * known.solved.frame_count();
            let volume = skin
                .each_ref()
                .map(|found| 1e6 * found.volume_time_m3_s.unwrap_or(0.0));
            println!(
                "{} {} | {frames} | {skin_secs:.2} | {:.2} | {capsule_secs:.2} | {:.1} / {:.1}, {:.1} / {:.1} | {:.2} / {:.2} | {}",
                stem(path),
                stem(&character.path),
                1000.0 * skin_secs / frames as f64,
                skin[0].worst_mm,
                skin[1].worst_mm,
                capsules[0].worst_mm,
                capsules[1].worst_mm,
                volume[0],
                volume[1],
                skin[1].pairs.first().map_or(String::new(), |pair| format!(
                    "{} and {} in frame {}",
                    pair.part, pair.other_part, pair.worst_frame
                )),
            );
        }
    }
    println!(
        "all: {all_skin_secs:.1} s on the skin, {all_capsule_secs:.1} s with capsules; slowest {slowest_secs:.2} s"
    );
}
