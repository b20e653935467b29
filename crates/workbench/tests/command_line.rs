//! The program without a window: arguments that are wrong, and machines without a screen.

use std::process::{Command, Output};

fn run(arguments: &[&str], variables: &[(&str, &str)]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_understudy-workbench"))
        .args(arguments)
        .env("DISPLAY", "")
        .env("WAYLAND_DISPLAY", "")
        .envs(variables.iter().copied())
        .output()
        .expect("the program starts")
}

fn check(arguments: &[&str], code: i32, words: &str) {
    check_with(&[], arguments, code, words);
}

fn check_with(variables: &[(&str, &str)], arguments: &[&str], code: i32, words: &str) {
    let output = run(arguments, variables);
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {text}");
    assert!(text.contains(words), "{arguments:?}: {text}");
    assert!(!text.contains("panicked"), "{arguments:?}: {text}");
}

#[test]
fn wrong_arguments_are_named() {
    check(&["--size", "0x0"], 2, "write width and height in pixels");
    check(&["--view", "below"], 2, "three-quarter");
}

#[test]
fn panels_that_cannot_stand_so_are_named() {
    let folder = std::env::temp_dir();
    let path = folder.join(format!("workbench-panels-{}.ron", std::process::id()));
    let file = path.to_str().expect("a plain path");
    for (text, words) in [
        (
            "(root: Group(panes: [Bodies, Map, Map], front: Map))",
            "Map stands at two places",
        ),
        (
            "(root: Group(panes: [Map], front: Map))",
            "the bodies have no place",
        ),
        ("(root: Group(panes: [Bodies, Ghosts]))", "Ghosts"),
    ] {
        std::fs::write(&path, text).expect("a file in the folder for such files");
        check(&["--panels", file], 3, words);
        check(&["--panels", file], 3, file);
    }
    std::fs::remove_file(&path).expect("the file was written");
    check(&["--panels", file], 3, file);
}

#[test]
#[cfg(target_os = "linux")]
fn without_a_screen_it_says_so() {
    check(&[], 6, "there is no screen");
    check(
        &["--screenshot", "picture.png"],
        6,
        "the command line, `understudy`",
    );
}

/// No server has this number: X11 counts its ports up from 6000, and there are not so many.
#[test]
#[cfg(target_os = "linux")]
fn a_screen_that_is_not_there_is_named() {
    let variables = [("DISPLAY", ":59999")];
    check_with(&variables, &[], 6, "DISPLAY is :59999");
    check_with(&variables, &["--rest"], 6, "the command line");
}

/// The drivers of another system are not those of this one.
#[test]
#[cfg(target_os = "linux")]
fn without_an_adapter_it_says_so() {
    let folder = std::env::temp_dir();
    let picture = folder.join("workbench-no-adapter.png");
    let picture = picture.to_str().expect("a plain path");
    let arguments = ["--offscreen", "--screenshot", picture];
    let variables = [("WGPU_BACKEND", "metal")];
    check_with(&variables, &arguments, 6, "no graphics adapter");
}
