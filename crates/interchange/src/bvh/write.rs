//! A BVH document as text.

use std::fmt::Write;

use glam::DVec3;

use crate::bvh::document::BvhDocument;

/// The document as the text of a BVH file. Every number is printed with as many digits as it
/// takes to read the same `f64` back.
pub fn write_bvh(document: &BvhDocument) -> String {
    let mut text = String::from("HIERARCHY\n");
    let depths = write_joints(&mut text, document);
    close_blocks(&mut text, depths, 0);
    write_motion(&mut text, document);
    text
}

/// Writes the blocks in the document's own depth-first order and returns how many are still open.
fn write_joints(text: &mut String, document: &BvhDocument) -> usize {
    let mut depths: Vec<usize> = Vec::with_capacity(document.joints().len());
    let mut open = 0;
    for joint in document.joints() {
        let depth = joint.parent.map_or(0, |parent| depths[parent] + 1);
        close_blocks(text, open, depth);
        open = depth + 1;
        depths.push(depth);

        let keyword = if depth == 0 { "ROOT" } else { "JOINT" };
        let indent = "\t".repeat(depth);
        push_line(text, &format!("{indent}{keyword} {}", joint.name));
        push_line(text, &format!("{indent}{{"));
        push_line(text, &format!("{indent}\tOFFSET {}", offset(joint.offset)));
        // Other readers expect the line at every joint, one without channels included.
        let count = joint.channels.len().to_string();
        let words = joint.channels.iter().map(|channel| channel.word());
        let words: Vec<&str> = std::iter::once(count.as_str()).chain(words).collect();
        push_line(text, &format!("{indent}\tCHANNELS {}", words.join(" ")));
        for site in &joint.end_sites {
            push_line(text, &format!("{indent}\tEnd {}", site.label));
            push_line(text, &format!("{indent}\t{{"));
            push_line(text, &format!("{indent}\t\tOFFSET {}", offset(site.offset)));
            push_line(text, &format!("{indent}\t}}"));
        }
    }
    open
}

fn close_blocks(text: &mut String, open: usize, depth: usize) {
    for at in (depth..open).rev() {
        push_line(text, &format!("{}}}", "\t".repeat(at)));
    }
}

fn push_line(text: &mut String, line: &str) {
    text.push_str(line.trim_end());
    text.push('\n');
}

fn write_motion(text: &mut String, document: &BvhDocument) {
    let frame_time = match document.frame_time_text() {
        Some(printed) => printed.to_owned(),
        None => number_text(document.frame_time_secs()),
    };
    text.push_str("MOTION\n");
    push_line(text, &format!("Frames: {}", document.frame_count()));
    push_line(text, &format!("Frame Time: {frame_time}"));
    if document.channel_count() == 0 {
        return;
    }
    for frame in 0..document.frame_count() {
        for (index, &value) in document.frame(frame).iter().enumerate() {
            if index > 0 {
                text.push(' ');
            }
            push_number(text, value);
        }
        text.push('\n');
    }
}

fn offset(offset: DVec3) -> String {
    offset.to_array().map(number_text).join(" ")
}

/// A number as this module prints it.
pub(super) fn number_text(value: f64) -> String {
    let mut text = String::new();
    push_number(&mut text, value);
    text
}

/// Shortest decimal digits that give the number back; exponents only where zeros would fill the
/// line.
fn push_number(text: &mut String, value: f64) {
    let size = value.abs();
    let plain = size == 0.0 || (1e-12..1e16).contains(&size);
    // Writing to a String cannot fail.
    let _ = if plain {
        write!(text, "{value}")
    } else {
        write!(text, "{value:e}")
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_exact() {
        let check = |value: f64, expected: &str| {
            assert_eq!(number_text(value), expected);
            assert_eq!(expected.parse(), Ok(value));
        };
        check(0.0, "0");
        check(90.0, "90");
        check(-0.00833333, "-0.00833333");
        check(0.1 + 0.2, "0.30000000000000004");
        check(1.5e-20, "1.5e-20");
        check(3e200, "3e200");
    }
}
