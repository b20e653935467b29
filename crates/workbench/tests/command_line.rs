//! The program without a window: arguments that are wrong, and machines without a screen.

use std::process::{Command, Output};

fn run(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_understudy-workbench"))
        .args(arguments)
        .env("DISPLAY", "")
        .env("WAYLAND_DISPLAY", "")
        .output()
        .expect("the program starts")
}

fn check(arguments: &[&str], code: i32, words: &str) {
    let output = run(arguments);
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
#[cfg(target_os = "linux")]
fn without_a_screen_it_says_so() {
    check(&[], 6, "there is no screen");
    check(
        &["--screenshot", "picture.png"],
        6,
        "the command line, `understudy`",
    );
}
