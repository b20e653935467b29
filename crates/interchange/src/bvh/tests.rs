//! Tests over the whole of BVH: text, document, clip and back.

use std::sync::Arc;

use glam::{DQuat, DVec3};
use proptest::prelude::*;
use understudy_motion::{Clip, Joint, LengthUnit, RotationOrder, Skeleton, Transform};

use super::*;
use crate::error::FileError;

const HEAD: &str = "HIERARCHY\nROOT pelvis\n{\n\tOFFSET 0 0 0\n\tCHANNELS 6 Xposition Yposition \
    Zposition Zrotation Xrotation Yrotation\n\tJOINT spine\n\t{\n\t\tOFFSET 0 50 0\n\t\tCHANNELS 3 \
    Zrotation Xrotation Yrotation\n\t\tEnd Site\n\t\t{\n\t\t\tOFFSET 0 40 0\n\t\t}\n\t}\n\tJOINT \
    leg\n\t{\n\t\tOFFSET 0 -80 0\n\t\tCHANNELS 3 Zrotation Xrotation Yrotation\n\t}\n}\n";

fn walk() -> String {
    format!(
        "{HEAD}MOTION\nFrames: 2\nFrame Time: 0.00833333\n\
         0 90 0 10 20 30 1 2 3 4 5 6\n1 91 -1 11 21 31 1.5 2.5 3.5 4.5 5.5 6.5\n"
    )
}

fn parse(text: &str) -> ParsedBvh {
    parse_bvh(text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

fn take(document: &BvhDocument) -> BvhTake {
    bvh_to_clip(document, &BvhToClipOptions::default()).unwrap()
}

/// bvh → clip → bvh by the layout of the file itself.
fn through_clip(document: &BvhDocument, options: &BvhToClipOptions) -> BvhFromClip {
    let take = bvh_to_clip(document, options).unwrap();
    let layout = Some(BvhLayout {
        document,
        reading: take.reading,
    });
    clip_to_bvh(&take.clip, &BvhOptions { layout, unit: None }).unwrap()
}

#[test]
fn text_variants_read_the_same() {
    let expected = parse(&walk()).document;
    let check = |what: &str, text: String| {
        assert_eq!(parse(&text).document, expected, "{what}");
    };
    check("CRLF", walk().replace('\n', "\r\n"));
    check("CR only", walk().replace('\n', "\r"));
    check("blank lines", walk().replace('\n', "\n \t\n\n"));
    let tabbed = |line: &str| match line.starts_with(char::is_numeric) {
        true => line.replace(' ', "\t"),
        false => line.to_owned(),
    };
    let tabbed_lines: Vec<String> = walk().lines().map(tabbed).collect();
    check("tabs between values", tabbed_lines.join("\n"));
    check("no tabs", walk().replace('\t', ""));
    check(
        "brace after the name",
        walk().replace("spine\n\t{", "spine {"),
    );
    check(
        "brace glued to the name",
        walk().replace("spine\n\t{", "spine{"),
    );
    check(
        "braces without blanks",
        walk().replace("40 0\n\t\t}\n\t}", "40 0}}"),
    );
    check("no last line end", walk().trim_end().to_owned());
    check("keywords in capitals", {
        let names = [
            ("PELVIS", "pelvis"),
            ("SPINE", "spine"),
            ("LEG", "leg"),
            ("SITE", "Site"),
        ];
        let loud = walk().to_uppercase();
        names
            .iter()
            .fold(loud, |text, (from, to)| text.replace(from, to))
    });
    check("small keywords", {
        let small = walk().to_lowercase();
        small.replace("end site", "end Site")
    });
    check(
        "no colons",
        walk().replace("Frames:", "Frames").replace("Time:", "Time"),
    );
    check(
        "glued colons",
        walk()
            .replace("Frames: ", "Frames:")
            .replace("Time: ", "Time:"),
    );
    check(
        "parted colons",
        walk()
            .replace("Frames:", "Frames :")
            .replace("Time:", "Time :"),
    );
    check(
        "exponents",
        walk().replace("0 90 0 10 ", "0e0 9.0E+1 0.0 1e1 "),
    );
    check(
        "plus signs",
        walk().replace("0 90 0 10 ", "+0 +90. +0 +10 "),
    );
}

#[test]
fn rounded_numbers_are_short_and_near() {
    let exact = parse(&walk()).document;
    let rounded = exact.clone().rounded(3, 2);
    for frame in 0..exact.frame_count() {
        let channels = exact.joints().iter().flat_map(|joint| &joint.channels);
        let pairs = exact.frame(frame).iter().zip(rounded.frame(frame));
        for ((a, b), channel) in pairs.zip(channels) {
            let most = match channel {
                Channel::Position(_) => 0.0005,
                Channel::Rotation(_) => 0.005,
            };
            assert!((a - b).abs() <= most * 1.000_001, "{a} {b}");
        }
    }
    let text = write_bvh(&rounded);
    let decimals = text
        .split_whitespace()
        .filter(|word| word.parse::<f64>().is_ok())
        .filter_map(|word| Some(word.split_once('.')?.1.len()));
    // The frame time is not rounded.
    let long = decimals.filter(|&count| count > 3).count();
    assert!(long <= 1, "{text}");
    assert!(!text.split_whitespace().any(|word| word == "-0"));
    assert_eq!(parse(&text).document, rounded);
}

#[test]
fn names_of_every_kind() {
    let check = |name: &str| {
        let text = walk().replace("ROOT pelvis", &format!("ROOT {name}"));
        let parsed = parse(&text);
        assert_eq!(parsed.document.joints()[0].name, name);
        assert_eq!(parsed.warnings.is_empty(), !name.is_empty());
        assert_eq!(
            parse(&write_bvh(&parsed.document)).document,
            parsed.document
        );
    };
    check("left upper arm");
    check("performer:pelvis");
    check("höft.Ö");
    check("腰");
    check("pelvis 2 (copy)");
    check("a{b");
    check("JOINT");
    check("");
    let unnamed = parse(&walk().replace("ROOT pelvis", "ROOT"));
    assert_eq!(take(&unnamed.document).clip.skeleton.name(0), "unnamed 0");
}

#[test]
fn errors_name_line_and_expectation() {
    let check = |from: &str, to: &str, line: usize, expected: &str| {
        let text = walk().replacen(from, to, 1);
        assert_ne!(text, walk(), "{from:?} is not in the file");
        let error: FileError = parse_bvh(&text).unwrap_err();
        assert_eq!(error.line, Some(line), "{error}");
        assert!(error.message.contains(expected), "{error}");
    };
    check("HIERARCHY", "", 2, "starts with \"HIERARCHY\"");
    check(
        "ROOT",
        "BRANCH",
        2,
        "expected \"ROOT\" or \"MOTION\", found \"BRANCH\"",
    );
    check("{", "", 4, "expected \"{\"");
    check(
        "OFFSET 0 0 0",
        "OFFSET 0 0",
        5,
        "Z of the OFFSET of \"pelvis\" should be a number",
    );
    check("OFFSET 0 50 0", "OFFSET 0 5O 0", 8, "found \"5O\"");
    check("OFFSET 0 50 0", "OFFSET 0 0,5 0", 8, "not a comma");
    check("OFFSET 0 50 0", "OFFSET 0 nan 0", 8, "finite");
    check(
        "OFFSET 0 50 0",
        "OFFSET 0 50 0\nOFFSET 0 50 0",
        9,
        "second OFFSET",
    );
    check("CHANNELS 6", "CHANNELS six", 5, "whole number");
    check(
        "CHANNELS 6",
        "CHANNELS 7",
        6,
        "channel 7 of 7 of \"pelvis\"",
    );
    check("CHANNELS 6", "CHANNELS 5", 5, "found \"Yrotation\"");
    check(
        "Xposition",
        "Wposition",
        5,
        "channel 1 of 6 of \"pelvis\" should be one of",
    );
    check("Xposition", "Yposition", 5, "two channels Yposition");
    check(
        "Xposition",
        "Xrotation",
        5,
        "more than three rotation channels",
    );
    check(
        "\t\tEnd Site\n\t\t{",
        "\t\tEnd Site\n\t\t{\nCHANNELS 0",
        12,
        "an End Site holds",
    );
    check(
        "\t\tEnd Site\n\t\t{",
        "\t\tEnd Site\n\t\t{\nJOINT x",
        12,
        "an End Site holds",
    );
    check("\t}\n}\n", "\t}\n}\n}\n", 21, "one \"}\" too many");
    check("\t}\n}\n", "\t}\n", 20, "a \"}\" is missing above");
    check("Frames: 2", "Frames: two", 22, "whole number");
    check("Frames: 2", "Frames: -2", 22, "whole number");
    check("Frames: 2\n", "", 22, "expected \"Frames:\"");
    check("Frame Time", "Framerate", 23, "expected \"Frame Time:\"");
    check("0.00833333", "0", 23, "must be above 0");
    check("0.00833333", "-0.01", 23, "must be above 0");
    check("0.00833333", "inf", 23, "finite");
    check("0 90 0", "0 NaN 0", 24, "value 2 of this frame is \"NaN\"");
    check("0 90 0", "0 1e999 0", 24, "finite");
    check(
        "0 90 0",
        "0 9o 0",
        24,
        "value 2 of this frame should be a number",
    );
    check(
        "0 90 0",
        "90 0",
        24,
        "this frame has 11 values, the channels above need 12 (6 for \"pelvis\", 3 for \"spine\", \
         3 for \"leg\")",
    );
    check("6.5\n", "6.5 7\n", 25, "13 values");
    check(" 6.5\n", "\n", 25, "may be cut off");
    check(
        "Frames: 2",
        "Frames: 3",
        25,
        "ends here after 2 frames, but line 22 says \"Frames: 3\"",
    );
    check("Frames: 2", "Frames: 1", 25, "here follows frame 2 of 2");
    check("Frames: 2", "Frames: 0", 24, "here follows frame 1 of 2");
}

#[test]
fn cut_off_files_say_so() {
    for keyword in ["JOINT leg", "CHANNELS", "MOTION", "Frame Time"] {
        let text = walk();
        let end = text.find(keyword).unwrap();
        let error = parse_bvh(&text[..end]).unwrap_err();
        assert!(
            error.message.contains("the file ends"),
            "{keyword}: {error}"
        );
    }
    assert!(parse_bvh("").unwrap_err().message.contains("the file ends"));
}

#[test]
fn deep_nesting_is_refused_not_crashed() {
    let text = format!("HIERARCHY\nROOT a{{{}", "JOINT b{\n".repeat(200_000));
    let error = parse_bvh(&text).unwrap_err();
    assert!(error.message.contains("deeper"), "{error}");
}

#[test]
fn wrapped_frames() {
    let check = |motion: &str, frames: Option<usize>| {
        let text = format!("{HEAD}MOTION\n{motion}");
        match (parse_bvh(&text), frames) {
            (Ok(parsed), Some(frames)) => {
                assert_eq!(parsed.document.frame_count(), frames);
                assert_eq!(parsed.document.frame(0)[11], 12.0);
                assert!(parsed.warnings[0].contains("wrap"));
            }
            (Err(error), None) => assert!(error.message.contains("values"), "{error}"),
            (result, _) => panic!("{result:?}\n{motion}"),
        }
    };
    let six = "1 2 3 4 5 6\n7 8 9 10 11 12\n";
    let uneven = "1 2 3 4 5 6 7\n8 9 10 11 12\n";
    let header = |frames: usize| format!("Frames: {frames}\nFrame Time: 0.1\n");
    check(&format!("{}{six}{six}", header(2)), Some(2));
    check(&format!("{}{uneven}{uneven}", header(2)), Some(2));
    // Broken at different places, or not as many as promised: not certain what was meant.
    check(&format!("{}{six}{uneven}", header(2)), None);
    check(&format!("{}{six}{six}", header(3)), None);
    check(&format!("{}{six}1 2 3\n", header(2)), None);
    check(
        &format!("{}1 2 3 4 5\n6 7 8 9 10 11 12 13\n", header(1)),
        None,
    );
}

#[test]
fn unusual_hierarchies() {
    let text = "HIERARCHY\nROOT a\n{\nOFFSET 1 2 3\nCHANNELS 0\nEnd Site\n{\nOFFSET 0 1 0\n}\n\
        JOINT b\n{\nCHANNELS 1 Xrotation\nOFFSET 0 1 0\nEnd left tip\n{\nOFFSET 0 1 0\n}\n\
        End Site\n{\nOFFSET 0 2 0\n}\n}\nJOINT c\n{\nOFFSET 0 1 1\n}\n}\nROOT d\n{\nOFFSET 5 0 0\n\
        CHANNELS 4 Yrotation Zposition Xrotation Yrotation\n}\n\
        MOTION\nFrames: 1\nFrame Time: 0.1\n90 10 7 20 30\n";
    let parsed = parse(text);
    let joints = parsed.document.joints();
    let parents: Vec<_> = joints.iter().map(|joint| joint.parent).collect();
    assert_eq!(parents, [None, Some(0), Some(0), None]);
    assert_eq!(joints[0].end_sites.len(), 1);
    assert_eq!(joints[1].end_sites[0].label, "left tip");
    assert_eq!(joints[1].offset, DVec3::Y);
    assert_eq!(parsed.document.joint_values(0, 1), [90.0]);
    assert_eq!(parsed.document.joint_values(0, 3), [10.0, 7.0, 20.0, 30.0]);
    assert_eq!(
        parse(&write_bvh(&parsed.document)).document,
        parsed.document
    );

    let options = BvhToClipOptions {
        unit: Some(LengthUnit::Metre),
        ..Default::default()
    };
    let take = bvh_to_clip(&parsed.document, &options).unwrap();
    let local = &take.clip.frame(0)[3];
    assert_eq!(local.translation, DVec3::new(5.0, 0.0, 7.0));
    let expected = DQuat::from_rotation_y(10f64.to_radians())
        * DQuat::from_rotation_x(20f64.to_radians())
        * DQuat::from_rotation_y(30f64.to_radians());
    assert!(local.rotation.abs_diff_eq(expected, 1e-15));
    let world = take
        .clip
        .world(0)
        .point(1, take.clip.skeleton.joint(1).tips[1]);
    assert!(
        (world - DVec3::new(1.0, 3.0, 5.0)).length() < 1e-12,
        "{world}"
    );
}

#[test]
fn a_joint_without_offset_is_mended() {
    let parsed = parse(&walk().replace("\t\tOFFSET 0 50 0\n", ""));
    assert_eq!(parsed.document.joints()[1].offset, DVec3::ZERO);
    assert!(parsed.warnings[0].starts_with("line 6: \"spine\" has no OFFSET"));
}

#[test]
fn motion_without_channels() {
    let head = "HIERARCHY\nROOT a\n{\nOFFSET 0 0 0\nCHANNELS 0\n}\nMOTION\n";
    let parsed = parse(&format!("{head}Frames: 3\nFrame Time: 0.1\n\n\n"));
    assert_eq!(parsed.document.frame_count(), 3);
    assert_eq!(
        parse(&write_bvh(&parsed.document)).document,
        parsed.document
    );
    assert_eq!(take(&parsed.document).clip.frame_count(), 3);
    let check = |motion: &str, expected: &str| {
        let error = parse_bvh(&format!("{head}{motion}")).unwrap_err();
        assert!(error.message.contains(expected), "{error}");
    };
    check("Frames: 1\nFrame Time: 0.1\n4\n", "need 0");
    check(
        "Frames: 99999999999\nFrame Time: 0.1\n",
        "no joint has channels",
    );
}

#[test]
fn no_frames_make_no_clip() {
    let text = format!("{HEAD}MOTION\nFrames: 0\nFrame Time: 0.1\n");
    let document = parse(&text).document;
    let error = bvh_to_clip(&document, &BvhToClipOptions::default()).unwrap_err();
    assert!(error.message.contains("no frames"));
}

#[test]
fn numbers_too_large_are_an_error() {
    let document = parse(&walk().replace("0 90 0", "1e308 1e308 1e308")).document;
    let options = BvhToClipOptions {
        unit: Some(LengthUnit::Custom(1e10)),
        ..Default::default()
    };
    assert!(bvh_to_clip(&document, &options).is_err());
}

#[test]
fn frame_times_keep_their_digits() {
    for printed in ["0.00833333", "0.0083330", ".0333333", "3.33e-2"] {
        let text = walk().replace("0.00833333", printed);
        let written = write_bvh(&parse(&text).document);
        assert!(
            written.contains(&format!("Frame Time: {printed}\n")),
            "{written}"
        );
    }
}

#[test]
fn lengths_come_in_metres_with_a_reason() {
    let document = parse(&walk()).document;
    let guessed = take(&document);
    assert_eq!(guessed.unit.unit, LengthUnit::Centimetre);
    assert!(
        guessed.unit.how.contains("spans 170.0000 units"),
        "{}",
        guessed.unit.how
    );
    let [pelvis, spine, _] = guessed.clip.frame(0) else {
        panic!("three joints")
    };
    assert!((pelvis.translation - DVec3::new(0.0, 0.9, 0.0)).length() < 1e-15);
    assert!((spine.translation - DVec3::new(0.0, 0.5, 0.0)).length() < 1e-15);
    assert_eq!(
        guessed.clip.skeleton.joint(1).tips,
        [DVec3::new(0.0, 0.4, 0.0)]
    );

    let options = BvhToClipOptions {
        unit: Some(LengthUnit::Inch),
        ..Default::default()
    };
    let chosen = bvh_to_clip(&document, &options).unwrap();
    assert!((chosen.clip.frame(0)[0].translation.y - 90.0 * 0.0254).abs() < 1e-15);
    assert_eq!(chosen.unit.how, "as asked for");
}

#[test]
fn lengths_in_channels_alone_give_a_unit_too() {
    let document = with_positions("0 0 0", ["0 1700 0", "0 1700 0"]);
    let take = take(&document);
    assert_eq!(take.unit.unit, LengthUnit::Millimetre);
    assert!(
        take.unit.how.contains("by the first frame"),
        "{}",
        take.unit.how
    );
}

#[test]
fn a_doubtful_unit_is_warned_about() {
    let document = with_positions("0 0 0", ["0 8 0", "0 8 0"]);
    let doubt = "the body is 8.00 m tall in m; if it is a human, give --unit";
    let warnings = take(&document).warnings;
    assert!(warnings.iter().any(|text| text == doubt), "{warnings:?}");
}

/// A chain whose second joint has position channels with the given values.
fn with_positions(offset: &str, values: [&str; 2]) -> BvhDocument {
    let text = format!(
        "HIERARCHY\nROOT a\n{{\nOFFSET 0 1 0\nCHANNELS 3 Xposition Yposition Zposition\nJOINT b\n\
         {{\nOFFSET {offset}\nCHANNELS 3 Xposition Yposition Zposition\n}}\n}}\nMOTION\nFrames: 2\n\
         Frame Time: 0.1\n0 0 0 {}\n0 5 0 {}\n",
        values[0], values[1]
    );
    parse(&text).document
}

#[test]
fn position_channels_are_read_as_bone_lengths_say() {
    let check = |offset: &str, values, expected: PositionReading, warnings: usize| {
        let document = with_positions(offset, values);
        let options = BvhToClipOptions {
            unit: Some(LengthUnit::Centimetre),
            ..Default::default()
        };
        let take = bvh_to_clip(&document, &options).unwrap();
        assert_eq!(take.reading.joints, expected, "{values:?}");
        assert_eq!(take.reading.roots, PositionReading::AddedToOffset);
        // One of them is about the root.
        assert_eq!(take.warnings.len(), 1 + warnings, "{:?}", take.warnings);
    };
    use PositionReading::{AddedToOffset, ReplacesOffset};
    check("0 10 0", ["0 10 0", "0 9.9 0.1"], ReplacesOffset, 1);
    check("0 10 0", ["0 0 0", "0 -0.1 0.1"], AddedToOffset, 1);
    check("0 10 0", ["6 8 0", "0 6 8"], ReplacesOffset, 1);
    // A bone that swings to the other side by channels that are added.
    check("0 10 0", ["0 -20 0", "10 -10 0"], AddedToOffset, 1);
    check("0 0 0", ["0 10 0", "0 10 0"], AddedToOffset, 0);
}

#[test]
fn position_channels_can_be_forced() {
    let document = with_positions("0 10 0", ["0 10 0", "0 10 0"]);
    let options = |positions| BvhToClipOptions {
        unit: Some(LengthUnit::Metre),
        positions: Some(positions),
    };
    let heights = |positions| {
        let take = bvh_to_clip(&document, &options(positions)).unwrap();
        assert_eq!(take.warnings, [""; 0]);
        let locals = take.clip.frame(1).iter();
        locals.map(|local| local.translation.y).collect::<Vec<_>>()
    };
    assert_eq!(heights(PositionReading::AddedToOffset), [6.0, 20.0]);
    assert_eq!(heights(PositionReading::ReplacesOffset), [5.0, 10.0]);
    for positions in [
        PositionReading::AddedToOffset,
        PositionReading::ReplacesOffset,
    ] {
        let written = through_clip(&document, &options(positions));
        assert_eq!(written.document, document);
    }
}

/// Every sequence of up to three rotation axes, repeated neighbours included.
fn axis_sequences() -> Vec<Vec<usize>> {
    let mut all = vec![vec![]];
    for length in 1..=3 {
        for code in 0..3usize.pow(length) {
            all.push(
                (0..length)
                    .map(|place| code / 3usize.pow(place) % 3)
                    .collect(),
            );
        }
    }
    all
}

fn rotating_root(axes: &[usize], frames: &[Vec<f64>]) -> BvhDocument {
    let joint = |name: &str, parent, channels| BvhJoint {
        name: name.into(),
        parent,
        offset: DVec3::Y * 90.0,
        channels,
        end_sites: vec![EndSite {
            label: "Site".into(),
            offset: DVec3::X * 50.0,
        }],
    };
    let turning = axes.iter().map(|&axis| Channel::Rotation(axis)).collect();
    let joints = vec![joint("a", None, vec![]), joint("b", Some(0), turning)];
    BvhDocument::new(joints, 0.1, frames.len(), frames.concat()).unwrap()
}

#[test]
fn every_channel_sequence_comes_back_exactly() {
    // Beyond 180 degrees, at gimbal lock (middle angle 90 or 0) and next to it.
    let frames = [
        [10.0, 20.0, 30.0],
        [190.0, 90.0, -200.0],
        [725.5, -90.00000001, 45.0],
        [0.1, 0.0, 0.3],
        [-400.0, 180.0, 1e-9],
        [89.9999999, 89.9999999, 270.0],
    ];
    for axes in axis_sequences() {
        let rows: Vec<Vec<f64>> = frames
            .iter()
            .map(|row| row[..axes.len()].to_vec())
            .collect();
        let document = rotating_root(&axes, &rows);
        let written = through_clip(&document, &BvhToClipOptions::default());
        assert_eq!(written.document, document, "{axes:?}");
        assert_eq!(written.warnings, [""; 0], "{axes:?}");
    }
}

#[test]
fn rotations_without_a_source_stay_true_and_continuous() {
    for axes in axis_sequences() {
        // A slow turn; sequences of fewer axes hold what they can hold.
        let rows: Vec<Vec<f64>> = (0..100)
            .map(|frame| {
                let angle = f64::from(frame) * 5.0;
                [angle, 40.0 + angle / 10.0, -angle][..axes.len()].to_vec()
            })
            .collect();
        let document = rotating_root(&axes, &rows);
        let mut take = take(&document);
        // One frame less than the layout has: the layout's values are no source then.
        take.clip = take.clip.range(0, 98);
        let layout = Some(BvhLayout {
            document: &document,
            reading: take.reading,
        });
        let written = clip_to_bvh(&take.clip, &BvhOptions { layout, unit: None }).unwrap();
        assert_eq!(written.warnings, [""; 0], "{axes:?}");
        let again = bvh_to_clip(&written.document, &BvhToClipOptions::default()).unwrap();
        assert_same_positions(&take.clip, &again.clip, 1e-11);
        let channels = written.document.channel_count();
        assert_eq!(channels, axes.len());
        for frame in 1..99 {
            for channel in 0..channels {
                let step = written.document.frame(frame)[channel]
                    - written.document.frame(frame - 1)[channel];
                // Two equal neighbours are written as one of them.
                assert!(step.abs() < 10.1, "{axes:?}, frame {frame}: {step}");
            }
        }
    }
}

#[test]
fn channels_that_cannot_hold_the_motion_are_replaced() {
    let document = parse(
        &walk()
            .replace(
                "CHANNELS 3 Zrotation Xrotation Yrotation",
                "CHANNELS 1 Xrotation",
            )
            .replace("0 90 0 10 20 30 1 2 3 4 5 6", "0 90 0 10 20 30 1 2")
            .replace(
                "1 91 -1 11 21 31 1.5 2.5 3.5 4.5 5.5 6.5",
                "1 91 -1 11 21 31 3 4",
            ),
    )
    .document;
    let mut take = take(&document);
    let local = &mut take.clip.frame_mut(1)[1];
    local.rotation = DQuat::from_rotation_y(0.5);
    local.translation.x += 0.25;
    let layout = Some(BvhLayout {
        document: &document,
        reading: take.reading,
    });
    let written = clip_to_bvh(&take.clip, &BvhOptions { layout, unit: None }).unwrap();
    let words: Vec<_> = written.document.joints()[1]
        .channels
        .iter()
        .map(|c| c.word())
        .collect();
    assert_eq!(
        words,
        [
            "Xposition",
            "Yposition",
            "Zposition",
            "Zrotation",
            "Xrotation",
            "Yrotation"
        ]
    );
    assert_eq!(
        written.document.joints()[2].channels,
        [Channel::Rotation(0)]
    );
    assert_eq!(written.warnings.len(), 2, "{:?}", written.warnings);
    let again = bvh_to_clip(&written.document, &BvhToClipOptions::default()).unwrap();
    assert_same_positions(&take.clip, &again.clip, 1e-12);
}

fn assert_same_positions(a: &Clip, b: &Clip, tolerance_m: f64) {
    assert_eq!(a.frame_count(), b.frame_count());
    for frame in 0..a.frame_count() {
        let (pose, other) = (a.world(frame), b.world(frame));
        for (joint, from) in a.skeleton.joints().iter().enumerate() {
            let at = b.skeleton.find(&from.name).unwrap();
            let gap = pose.position(joint).distance(other.position(at));
            assert!(gap < tolerance_m, "frame {frame}, {}: {gap}", from.name);
            for (tip, other_tip) in from.tips.iter().zip(&b.skeleton.joint(at).tips) {
                let gap = pose
                    .point(joint, *tip)
                    .distance(other.point(at, *other_tip));
                assert!(
                    gap < tolerance_m,
                    "frame {frame}, tip of {}: {gap}",
                    from.name
                );
            }
        }
    }
}

/// A body with turned rests under a turned, scaled carrier, listed breadth first.
fn turned_body(frames: usize, scale: f64) -> Clip {
    let turn = |x: f64, y: f64, z: f64| DQuat::from_scaled_axis(DVec3::new(x, y, z));
    let joint = |name: &str, parent, offset: DVec3, rotation, scale: f64| Joint {
        rest: Transform {
            translation: offset,
            rotation,
            scale: DVec3::splat(scale),
        },
        ..Joint::new(name, parent, offset)
    };
    let joints = vec![
        joint(
            "stage",
            None,
            DVec3::new(0.1, 0.0, -0.2),
            turn(-1.5, 0.0, 0.0),
            scale,
        ),
        joint(
            "pelvis",
            Some(0),
            DVec3::new(0.0, 0.0, 0.9) / scale,
            turn(0.3, 1.0, 0.2),
            1.0,
        ),
        joint(
            "left hip",
            Some(1),
            DVec3::new(0.1, 0.0, 0.0) / scale,
            turn(0.0, 0.0, 3.0),
            1.0,
        ),
        joint(
            "right hip",
            Some(1),
            DVec3::new(-0.1, 0.0, 0.0) / scale,
            turn(2.0, 0.4, 0.0),
            1.0,
        ),
        joint(
            "left knee",
            Some(2),
            DVec3::new(0.0, 0.4, 0.0) / scale,
            turn(0.1, 0.0, 0.0),
            1.0,
        )
        .with_tip(DVec3::new(0.0, 0.4, 0.1) / scale),
        joint(
            "right knee",
            Some(3),
            DVec3::new(0.0, 0.4, 0.0) / scale,
            turn(0.0, 0.2, 0.9),
            1.0,
        ),
    ];
    let skeleton = Arc::new(Skeleton::new(joints).unwrap());
    let locals = (0..frames)
        .flat_map(|frame| {
            let at = frame as f64 * 0.2;
            skeleton
                .rest_locals()
                .into_iter()
                .enumerate()
                .map(move |(index, mut local)| {
                    let phase = at + index as f64;
                    local.rotation *= turn(phase.sin(), 0.5 * (2.0 * phase).cos(), 0.3 * phase);
                    if index == 1 {
                        local.translation += DVec3::new(at, at.sin(), 0.0) / scale;
                    }
                    local
                })
        })
        .collect();
    Clip::new(skeleton, 0.1, locals).unwrap()
}

#[test]
fn turned_rests_and_carrier_scales_keep_world_positions() {
    for (scale, unit) in [
        (1.0, LengthUnit::Metre),
        (0.01, LengthUnit::Centimetre),
        (2.5, LengthUnit::Inch),
    ] {
        let clip = turned_body(20, scale);
        let options = BvhOptions {
            layout: None,
            unit: Some(unit),
        };
        let written = clip_to_bvh(&clip, &options).unwrap();
        assert_eq!(written.warnings.len(), 1);
        assert!(
            written.warnings[0].contains("\"pelvis\" travels"),
            "{:?}",
            written.warnings
        );
        let document = parse(&write_bvh(&written.document)).document;
        assert_eq!(document, written.document);
        let read = BvhToClipOptions {
            unit: Some(unit),
            positions: None,
        };
        let again = bvh_to_clip(&document, &read).unwrap();
        assert_same_positions(&clip, &again.clip, 1e-9);
        // The zero pose is the rest pose.
        let bone = |clip: &Clip| {
            let at = |name: &str| clip.skeleton.find(name).unwrap();
            let rest = clip.skeleton.rest_world();
            rest.position(at("left knee")) - rest.position(at("pelvis"))
        };
        assert!((bone(&again.clip) - bone(&clip)).length() < 1e-12);
        // The pelvis moves below the carrier, legs do not.
        let channels = |name: &str| {
            let joints = document.joints();
            joints
                .iter()
                .find(|joint| joint.name == name)
                .unwrap()
                .channels
                .len()
        };
        assert_eq!(
            ["stage", "pelvis", "left hip", "left knee"].map(channels),
            [6, 6, 3, 3]
        );
    }
}

#[test]
fn animated_scale_is_kept_as_positions_with_a_warning() {
    let mut clip = turned_body(5, 1.0);
    clip.frame_mut(3)[2].scale = DVec3::new(1.0, 1.5, 1.0);
    let written = clip_to_bvh(
        &clip,
        &BvhOptions {
            layout: None,
            unit: Some(LengthUnit::Metre),
        },
    )
    .unwrap();
    assert!(
        written.warnings[0].contains("\"left hip\" is scaled over time"),
        "{:?}",
        written.warnings
    );
    let read = BvhToClipOptions {
        unit: Some(LengthUnit::Metre),
        positions: Some(written.reading.joints),
    };
    let again = bvh_to_clip(&written.document, &read).unwrap();
    for frame in 0..5 {
        let joint = again.clip.skeleton.find("left knee").unwrap();
        let gap = clip
            .world(frame)
            .position(4)
            .distance(again.clip.world(frame).position(joint));
        assert!(gap < 1e-9, "frame {frame}: {gap}");
    }
}

#[test]
fn names_that_no_file_can_hold_are_changed() {
    let skeleton =
        Skeleton::new(vec![Joint::new(" crab {left}\nclaw {", None, DVec3::ZERO)]).unwrap();
    let clip = Clip::new(Arc::new(skeleton), 0.1, vec![Transform::IDENTITY]).unwrap();
    let written = clip_to_bvh(&clip, &BvhOptions::default()).unwrap();
    assert_eq!(written.document.joints()[0].name, "crab (left) claw (");
    assert_eq!(written.warnings.len(), 1);
    assert_eq!(
        parse(&write_bvh(&written.document)).document,
        written.document
    );
}

#[test]
fn a_layout_serves_joints_of_the_same_name() {
    let layout = parse(&walk().replace(
        "CHANNELS 3 Zrotation Xrotation Yrotation\n\t}",
        "CHANNELS 3 Xrotation Yrotation Zrotation\n\t}",
    ))
    .document;
    let skeleton = Skeleton::new(vec![
        Joint::new("pelvis", None, DVec3::Y),
        Joint::new("tail", Some(0), DVec3::Z),
        Joint::new("leg", Some(0), DVec3::NEG_Y),
    ])
    .unwrap();
    let locals = skeleton.rest_locals();
    let clip = Clip::new(Arc::new(skeleton), 0.1, locals).unwrap();
    let reading = take(&layout).reading;
    let options = BvhOptions {
        layout: Some(BvhLayout {
            document: &layout,
            reading,
        }),
        unit: None,
    };
    let written = clip_to_bvh(&clip, &options).unwrap().document;
    let words = |joint: usize| {
        written.joints()[joint]
            .channels
            .iter()
            .map(|c| c.word())
            .collect::<Vec<_>>()
    };
    assert_eq!(words(1), ["Zrotation", "Xrotation", "Yrotation"]);
    assert_eq!(words(2), ["Xrotation", "Yrotation", "Zrotation"]);
    assert_eq!(written.joints()[2].offset, DVec3::Y * -100.0);
}

/// Random documents with every kind of joint.
fn documents() -> impl Strategy<Value = BvhDocument> {
    let offset = prop::array::uniform3(-30.0..30.0f64).prop_map(DVec3::from_array);
    let site =
        ("[A-Za-z]{1,6}", offset.clone()).prop_map(|(label, offset)| EndSite { label, offset });
    let positions = prop::sample::subsequence(vec![0, 1, 2], 0..=3)
        .prop_map(|axes| axes.into_iter().map(Channel::Position).collect::<Vec<_>>());
    let rotations = prop::collection::vec((0..3usize).prop_map(Channel::Rotation), 0..=3);
    let channels = (positions, rotations).prop_flat_map(|(positions, rotations)| {
        Just([positions, rotations].concat()).prop_shuffle()
    });
    let joint = (
        "[a-zA-ZåΩ:_.]{1,4}( [a-z0-9]{1,4})?",
        any::<prop::sample::Index>(),
        offset,
        channels,
        prop::collection::vec(site, 0..3),
    );
    let joints = prop::collection::vec(joint, 1..8).prop_map(|parts| {
        let mut open: Vec<usize> = Vec::new();
        let mut joints = Vec::new();
        for (index, (name, pick, offset, channels, end_sites)) in parts.into_iter().enumerate() {
            let depth = pick.index(open.len() + 1);
            open.truncate(depth);
            let parent = open.last().copied();
            open.push(index);
            joints.push(BvhJoint {
                name,
                parent,
                offset,
                channels,
                end_sites,
            });
        }
        joints
    });
    (joints, 0.001..0.1f64, 1..5usize).prop_flat_map(|(joints, frame_time, frames)| {
        let channels: usize = joints.iter().map(|joint| joint.channels.len()).sum();
        prop::collection::vec(-720.0..720.0f64, channels * frames).prop_map(move |values| {
            BvhDocument::new(joints.clone(), frame_time, frames, values).unwrap()
        })
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..Default::default() })]

    #[test]
    fn written_documents_read_back_exactly(document in documents()) {
        let text = write_bvh(&document);
        let read = parse_bvh(&text).unwrap().document;
        prop_assert_eq!(write_bvh(&read), text);
        prop_assert_eq!(read, document);
    }

    #[test]
    fn a_clip_gives_its_file_back(document in documents()) {
        let written = through_clip(&document, &BvhToClipOptions::default());
        prop_assert_eq!(written.document.joints(), document.joints());
        for frame in 0..document.frame_count() {
            for (a, b) in written.document.frame(frame).iter().zip(document.frame(frame)) {
                prop_assert!((a - b).abs() < 1e-6, "{a} {b}");
            }
        }
    }

    #[test]
    fn a_clip_without_layout_keeps_positions(document in documents()) {
        let take = take(&document);
        let written = clip_to_bvh(&take.clip, &BvhOptions { layout: None, unit: Some(LengthUnit::Metre) }).unwrap();
        let read = BvhToClipOptions {
            unit: Some(LengthUnit::Metre),
            positions: Some(PositionReading::AddedToOffset),
        };
        let again = bvh_to_clip(&written.document, &read).unwrap();
        for frame in 0..take.clip.frame_count() {
            let (a, b) = (take.clip.world(frame), again.clip.world(frame));
            for joint in 0..take.clip.skeleton.len() {
                let gap = a.position(joint).distance(b.position(joint));
                prop_assert!(gap < 1e-9 * (1.0 + a.position(joint).length()), "{gap}");
            }
        }
    }

    #[test]
    fn spoiled_files_never_panic(
        edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..4u8), 1..12),
        cut in any::<prop::sample::Index>(),
        keep_all in any::<bool>(),
    ) {
        let mut bytes = walk().into_bytes();
        for (at, byte, kind) in edits {
            let at = at.index(bytes.len());
            match kind {
                0 => bytes[at] = byte,
                1 => bytes.insert(at, byte),
                2 => { bytes.remove(at); }
                _ => bytes[at] = b"{}\n\r \t-.0123456789eE:"[usize::from(byte) % 21],
            }
        }
        if !keep_all {
            bytes.truncate(cut.index(bytes.len()));
        }
        let text = crate::file::decode(&bytes).text;
        match parse_bvh(&text) {
            Ok(parsed) => {
                let read = parse_bvh(&write_bvh(&parsed.document)).unwrap().document;
                prop_assert_eq!(read.joints(), parsed.document.joints());
                if let Ok(take) = bvh_to_clip(&parsed.document, &BvhToClipOptions::default()) {
                    let layout = Some(BvhLayout { document: &parsed.document, reading: take.reading });
                    let _ = clip_to_bvh(&take.clip, &BvhOptions { layout, unit: None });
                }
            }
            Err(error) => prop_assert!(error.line.is_some()),
        }
    }

    #[test]
    fn angles_without_a_hint_give_the_rotation(
        x in -3.0..3.0f64, y in -3.0..3.0f64, z in -3.0..3.0f64,
    ) {
        let turn = DQuat::from_scaled_axis(DVec3::new(x, y, z));
        for order in RotationOrder::all() {
            let document = rotating_root(&order.axes(), &[vec![0.0; 3]]);
            let mut take = take(&document);
            take.clip.frame_mut(0)[1].rotation = turn;
            let layout = Some(BvhLayout { document: &document, reading: take.reading });
            let written = clip_to_bvh(&take.clip, &BvhOptions { layout, unit: None }).unwrap();
            prop_assert_eq!(&written.warnings, &Vec::<String>::new());
            let again = bvh_to_clip(&written.document, &BvhToClipOptions::default()).unwrap();
            prop_assert!(again.clip.frame(0)[1].rotation.dot(turn).abs() > 1.0 - 1e-14);
        }
    }
}
