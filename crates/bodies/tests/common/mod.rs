//! The cast of `assets/bodies` for tests.

use std::path::Path;

use understudy_bodies::{Character, character_from_ron};

/// Names of all members.
pub const CAST: [&str; 7] = [
    "performer",
    "pedlar",
    "giant",
    "lamplighter",
    "porter",
    "fiddler",
    "weaver",
];

/// A member, made anew.
pub fn newly_made(name: &str) -> Character {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../assets/bodies")
        .join(format!("{name}.ron"));
    let text = std::fs::read_to_string(&path).unwrap();
    character_from_ron(&text).unwrap_or_else(|error| panic!("{name}: {error}"))
}
