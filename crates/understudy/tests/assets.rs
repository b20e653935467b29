//! The built files in `assets/` match what the descriptions make, and the demo scenes keep what
//! must hold of them.

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
    let (said, errors) = (
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    assert!(output.status.success(), "{arguments:?}: {errors}\n{said}");
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
fn built_takes_match_what_makes_them() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = folder.path().display().to_string();
    understudy(&["make", "takes", "--output", &at]);
    understudy(&[
        "make",
        "demo-take",
        "--output",
        &format!("{at}/crossing.bvh"),
    ]);
    let committed = files("assets/takes", "bvh");
    let faulty = files("assets/takes/faulty", "bvh");
    let count = |folder: &Path| std::fs::read_dir(folder).expect("a folder").count();
    // Nothing is committed that is not made: one more for the folder of faulty takes.
    assert_eq!(count(folder.path()), committed.len() + 1);
    assert_eq!(count(&folder.path().join("faulty")), faulty.len());
    for file in &committed {
        check_same(&folder.path().join(file.file_name().expect("a name")), file);
    }
    for file in &faulty {
        let name = Path::new("faulty").join(file.file_name().expect("a name"));
        check_same(&folder.path().join(name), file);
    }
}

#[test]
fn built_characters_match_their_descriptions() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bodies = files("assets/bodies", "ron");
    assert!(!bodies.is_empty());
    for body in bodies {
        let stem = body.file_stem().and_then(|s| s.to_str()).expect("a name");
        let name = format!("{stem}.glb");
        let made = folder.path().join(&name).display().to_string();
        understudy(&["make", &body.display().to_string(), "-o", &made]);
        let committed = repository().join("assets/characters").join(name);
        check_same(Path::new(&made), &committed);
    }
}

/// The limit keeps a checkout quick.
#[test]
fn assets_are_small() {
    fn size(folder: &Path) -> u64 {
        let entries = std::fs::read_dir(folder).expect("a folder");
        let entries = entries.map(|entry| entry.expect("an entry").path());
        entries
            .map(|path| match path.is_dir() {
                true => size(&path),
                false => path.metadata().expect("a file").len(),
            })
            .sum()
    }
    let bytes = size(&repository().join("assets"));
    assert!(bytes < 30_000_000, "{bytes} bytes");
}

#[test]
fn what_must_hold_of_the_demo_scenes_holds() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scenes = files("demo-scenes", "ron");
    assert!(!scenes.is_empty());
    let out = folder.path().display().to_string();
    let mut arguments = vec!["run".to_owned(), "--output".to_owned(), out];
    arguments.extend(scenes.iter().map(|scene| scene.display().to_string()));
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    understudy(&arguments);
    let clips = std::fs::read_dir(folder.path()).expect("the output folder");
    let is_clip = |path: &Path| path.extension().is_some_and(|e| e == "glb");
    let count = clips
        .filter(|entry| is_clip(&entry.as_ref().expect("a clip").path()))
        .count();
    assert_eq!(count, scenes.len());
}
