//! The built files in `assets/` match what the descriptions make, and the demo settings run.

use std::path::{Path, PathBuf};
use std::process::Command;

fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn understudy(arguments: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_understudy"))
        .args(arguments)
        .current_dir(repository())
        .output()
        .expect("the program starts");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments:?}: {errors}");
}

fn files(folder: &str, extension: &str) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = std::fs::read_dir(repository().join(folder))
        .expect(folder)
        .map(|entry| entry.expect(folder).path())
        .filter(|path| path.extension().is_some_and(|e| e == extension))
        .collect();
    found.sort();
    found
}

fn check_same(made: &Path, committed: &Path) {
    let read = |path: &Path| std::fs::read(path).unwrap_or_else(|e| panic!("{path:?}: {e}"));
    assert!(
        read(made) == read(committed),
        "{committed:?} is out of date: run assets/build"
    );
}

#[test]
fn built_files_match_their_descriptions() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = |name: &str| folder.path().join(name).display().to_string();
    let take = at("crossing.bvh");
    understudy(&["make", "demo-take", "-o", &take]);
    check_same(
        Path::new(&take),
        &repository().join("assets/takes/crossing.bvh"),
    );
    let bodies = files("assets/bodies", "ron");
    assert!(!bodies.is_empty());
    for body in bodies {
        let stem = body.file_stem().and_then(|s| s.to_str()).expect("a name");
        let name = format!("{stem}.glb");
        let made = at(&name);
        understudy(&["make", &body.display().to_string(), "-o", &made]);
        let committed = repository().join("assets/characters").join(name);
        check_same(Path::new(&made), &committed);
    }
}

/// `CHARACTER-TAKE.settings.ron` is for that character and that take.
#[test]
fn demo_settings_run() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let settings = files("demo-scenes", "ron");
    assert!(!settings.is_empty());
    for file in settings {
        let name = file.file_name().and_then(|s| s.to_str()).expect("a name");
        let scene = name.strip_suffix(".settings.ron").expect("a settings file");
        let (character, take) = scene.split_once('-').expect("CHARACTER-TAKE");
        let out = folder.path().join(format!("{scene}.glb"));
        understudy(&[
            "retarget",
            &format!("assets/takes/{take}.bvh"),
            &format!("assets/characters/{character}.glb"),
            "--settings",
            &file.display().to_string(),
            "--strict",
            "-o",
            &out.display().to_string(),
        ]);
        assert!(out.exists());
    }
}
