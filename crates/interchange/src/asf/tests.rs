//! Tests over the whole of ASF/AMC.

use std::f64::consts::PI;

use glam::{DMat3, DQuat, DVec3};
use proptest::prelude::*;
use understudy_motion::LengthUnit;

use super::*;

const ASF: &str = "\
# made by hand
:version 1.10
:name heron
:units
  mass 1.0
  length 0.45
  angle deg
:documentation
   A small body.
:root
   order TX TY TZ RX RY RZ
   axis XYZ
   position 0 0 0
   orientation 0 0 0
:bonedata
  begin
     id 1
     name lhip
     direction 1 0 0
     length 2
     axis 0 0 0 XYZ
  end
  begin
     id 2
     name lthigh
     direction 0 -2 0
     length 8
     axis 10 20 30 XYZ
     dof rx ry rz
     limits (-160.0 20.0)
            (-70.0, 70.0)
            (-inf 60)
  end
  begin
     id 3
     name lshank
     direction 0 -1 0
     length 7
     axis 0 0 20 XYZ
     dof rx
     limits (-10 170)
  end
  begin
     id 4
     name trunk
     direction 0 1 0
     length 15
     axis 0 0 0 XYZ
     dof rz rx
  end
:hierarchy
  begin
    root lhip trunk
    lhip lthigh
    lthigh lshank
  end
";

const AMC: &str = "\
#comment
:FULLY-SPECIFIED
:DEGREES
1
root 1 17 -3 10 20 30
lthigh 5 6 7
lshank 40
trunk 1 2
2
root 2 17 -3 11 21 31
lthigh 6 7 8
lshank 45
trunk 2 3
";

/// Metres in a file unit: dm_control 1.0.50, suite/utils/parse_amc.py, `CONVERSION_LENGTH`.
const PUBLISHED_METRES_PER_UNIT: f64 = 0.056444;

fn asf(text: &str) -> ParsedAsf {
    parse_asf(text).unwrap_or_else(|error| panic!("{error}"))
}

fn skeleton() -> AsfSkeleton {
    asf(ASF).skeleton
}

fn take(amc: &str) -> AmcTake {
    let skeleton = skeleton();
    let parsed = parse_amc(amc, &skeleton).unwrap_or_else(|error| panic!("{error}"));
    amc_to_clip(&skeleton, &parsed.motion, &AmcOptions::default()).unwrap()
}

#[test]
fn the_skeleton_is_read_as_written() {
    let parsed = asf(ASF);
    assert_eq!(parsed.warnings, [""; 0]);
    let skeleton = parsed.skeleton;
    assert_eq!(skeleton.name, "heron");
    assert_eq!(skeleton.documentation, "A small body.");
    assert_eq!(skeleton.length_unit, Some(0.45));
    let names: Vec<_> = skeleton
        .bones
        .iter()
        .map(|bone| (bone.name.as_str(), bone.parent))
        .collect();
    assert_eq!(
        names,
        [
            ("lhip", None),
            ("lthigh", Some(0)),
            ("lshank", Some(1)),
            ("trunk", None)
        ]
    );
    let thigh = &skeleton.bones[1];
    assert_eq!(thigh.direction, DVec3::NEG_Y);
    assert_eq!(
        thigh.dof,
        [Dof::Rotation(0), Dof::Rotation(1), Dof::Rotation(2)]
    );
    assert!((thigh.limits[0].0 + 160f64.to_radians()).abs() < 1e-15);
    assert_eq!(thigh.limits[2], (f64::NEG_INFINITY, PI / 3.0));
}

#[test]
fn text_variants_read_the_same() {
    let expected = skeleton();
    let check = |what: &str, text: String| assert_eq!(asf(&text).skeleton, expected, "{what}");
    check("CRLF", ASF.replace('\n', "\r\n"));
    check("CR", ASF.replace('\n', "\r"));
    check("tabs", ASF.replace("  ", "\t"));
    check("blank lines", ASF.replace('\n', "\n\n"));
    check(
        "limits in a row",
        ASF.replace("20.0)\n", "20.0)").replace("70.0)\n", "70.0)"),
    );
    check("keywords in capitals", {
        let loud = [
            "begin",
            "end",
            "direction",
            "length",
            "axis",
            "dof",
            "limits",
            "order",
        ];
        loud.iter().fold(ASF.to_owned(), |text, word| {
            text.replace(&format!("  {word}"), &format!("  {}", word.to_uppercase()))
        })
    });
    check("small rotation orders", ASF.replace("XYZ", "xyz"));
}

#[test]
fn radians_are_read() {
    let mut text = ASF.replace("angle deg", "angle rad");
    for degrees in ["-160.0", "20.0", "-70.0", "70.0", "60", "-10", "170"] {
        let radians = degrees.parse::<f64>().unwrap().to_radians().to_string();
        for (before, after) in [('(', ' '), (' ', ')'), ('(', ','), (' ', ' ')] {
            text = text.replace(
                &format!("{before}{degrees}{after}"),
                &format!("{before}{radians}{after}"),
            );
        }
    }
    text = text
        .replace(
            "axis 10 20 30",
            &format!("axis {} {} {}", PI / 18.0, PI / 9.0, PI / 6.0),
        )
        .replace("axis 0 0 20", &format!("axis 0 0 {}", PI / 9.0));
    let read = asf(&text).skeleton;
    for (bone, expected) in read.bones.iter().zip(&skeleton().bones) {
        assert!(bone.axes.abs_diff_eq(expected.axes, 1e-14), "{}", bone.name);
        for (limit, expected) in bone.limits.iter().zip(&expected.limits) {
            assert!(limit.0 == expected.0 || (limit.0 - expected.0).abs() < 1e-14);
            assert!((limit.1 - expected.1).abs() < 1e-14);
        }
    }
}

#[test]
fn skeleton_errors_name_line_and_expectation() {
    let check = |from: &str, to: &str, line: usize, expected: &str| {
        let text = ASF.replacen(from, to, 1);
        assert_ne!(text, ASF, "{from}");
        let error = parse_asf(&text).unwrap_err();
        assert_eq!(error.line, Some(line), "{error}");
        assert!(error.message.contains(expected), "{error}");
    };
    check("# made by hand", "HIERARCHY", 1, "starts with a keyword");
    check("length 0.45", "length none", 6, "should be a number");
    check("length 0.45", "length 0", 6, "above 0");
    check("angle deg", "angle turns", 7, "deg or rad");
    check("TX TY TZ", "TX TY TQ", 11, "\"TQ\" is no degree of freedom");
    check("TX TY TZ", "TX TY TX", 11, "listed twice");
    check(
        "   order TX TY TZ RX RY RZ\n",
        "",
        55,
        "the \"order\" of the root",
    );
    check("axis XYZ", "axis XXZ", 12, "no rotation order");
    check(
        "position 0 0 0",
        "position 0 0",
        13,
        "\"position\" needs 3 numbers, found 2",
    );
    check("  begin\n", "", 16, "expected \"begin\"");
    check(
        "     axis 0 0 0 XYZ\n  end\n",
        "     axis 0 0 0 XYZ\n",
        22,
        "line 16 has no \"end\"",
    );
    check("name lhip", "name", 18, "needs a name");
    check("     name lhip\n", "", 16, "has no name");
    check(
        "name lhip",
        "name LTHIGH",
        23,
        "second bone is called \"lthigh\"",
    );
    check(
        "name lhip",
        "name root",
        16,
        "second bone is called \"root\"",
    );
    check("direction 1 0 0", "direction 1 0 nan", 19, "finite");
    check(
        "axis 10 20 30 XYZ",
        "axis 10 20 30",
        28,
        "no rotation order",
    );
    check(
        "(-160.0 20.0)",
        "(-160.0 much)",
        30,
        "a limit should be a number",
    );
    check("root lhip trunk", "root lhip tail", 53, "called \"tail\"");
    check(
        "lthigh lshank",
        "lthigh lshank trunk",
        55,
        "\"trunk\" hangs on a bone in line 53 already",
    );
    check(
        ":hierarchy",
        ":heirarchy",
        56,
        "the file ends without \":hierarchy\"",
    );
    check(":root", ":toor", 56, "the file ends without \":root\"");
}

#[test]
fn defects_of_skeletons_are_mended_with_a_warning() {
    let check = |from: &str, to: &str, expected: &str| {
        let text = ASF.replacen(from, to, 1);
        assert_ne!(text, ASF, "{from}");
        let warnings = asf(&text).warnings;
        assert!(
            warnings.iter().any(|text| text.contains(expected)),
            "{warnings:?}"
        );
    };
    check(
        "    lthigh lshank\n",
        "",
        "line 34: bone \"lshank\" does not hang",
    );
    check(
        "    lhip lthigh\n    lthigh lshank\n",
        "    lthigh lshank\n    lshank lthigh\n",
        "does not hang",
    );
    check(
        "(-10 170)",
        "(-10 170) (1 2)",
        "line 41: 4 numbers of limits given for 1 degree of",
    );
    check("(-10 170)", "(-10)", "line 41: 1 number of limits");
    check(
        "direction 1 0 0",
        "direction 0 0 0",
        "a length but no direction",
    );
    check(
        "orientation 0 0 0",
        "orientation 0 90 0",
        "line 14: the root is turned",
    );
    check(
        "axis 10 20 30 XYZ",
        "axis 10 20 30 ZYX",
        "line 28: the three angles",
    );
    check(
        "     id 1",
        "     colour red",
        "line 17: \"colour\" is unknown",
    );
    check(":documentation", ":skin", "line 8: section \":skin\"");
    check("mass 1.0", "money 1.0", "line 5: unit \"money\"");
}

#[test]
fn motion_errors_name_line_and_expectation() {
    let check = |from: &str, to: &str, line: usize, expected: &str| {
        let text = AMC.replacen(from, to, 1);
        assert_ne!(text, AMC, "{from}");
        let error = parse_amc(&text, &skeleton()).unwrap_err();
        assert_eq!(error.line, Some(line), "{error}");
        assert!(error.message.contains(expected), "{error}");
    };
    check(
        "\n1\n",
        "\n",
        4,
        "number of the first frame, found \"root\"",
    );
    check("\n2\n", "\n1\n", 9, "frame 1 follows frame 1");
    check("\n2\n", "\n99\n", 9, "97 frames in a row are missing");
    check(
        "lshank 40",
        "lshank",
        7,
        "\"lshank\" has 0 values, the skeleton gives it 1 degree of freedom",
    );
    check("lshank 40", "lshank 40 41", 7, "has 2 values");
    check("lshank 40", "lthigh 1 2 3", 7, "listed twice");
    check(
        "lshank 40",
        "lshank forty",
        7,
        "value 1 of \"lshank\" should be a number",
    );
    check("lshank 40", "lshank inf", 7, "finite");
    check(":DEGREES", ":SAMPLES-PER-SECOND 0", 3, "above 0");
    let error = parse_amc("#\n:DEGREES\n", &skeleton()).unwrap_err();
    assert!(error.message.contains("ends without a frame"), "{error}");
}

#[test]
fn defects_of_motions_are_mended_with_a_warning() {
    let check = |from: &str, to: &str, expected: &str| {
        let text = AMC.replacen(from, to, 1);
        assert_ne!(text, AMC, "{from}");
        let warnings = parse_amc(&text, &skeleton()).unwrap().warnings;
        assert_eq!(warnings.len(), 1, "{warnings:?}");
        assert!(warnings[0].contains(expected), "{warnings:?}");
    };
    check("lshank 45\n", "", "line 9: 1 frame without \"lshank\"");
    check(
        "trunk 1 2\n",
        "trunk 1 2\ntail 4\n",
        "line 9: the skeleton has no bone \"tail\"; 1 line was",
    );
    check(
        "\n2\n",
        "\n4\n",
        "line 9: frame 4 follows frame 1; 2 frames are filled in",
    );
    check(":DEGREES", ":COLOUR", "line 3: keyword \":COLOUR\"");
}

#[test]
fn a_missing_bone_keeps_its_values() {
    let skeleton = skeleton();
    let motion = parse_amc(&AMC.replace("lshank 45\n", ""), &skeleton)
        .unwrap()
        .motion;
    let values: Vec<f64> = motion.frames.iter().map(|frame| frame.values[9]).collect();
    assert_eq!(values, [40.0, 40.0]);
}

#[test]
fn frames_that_are_left_out_are_filled_in() {
    let take = take(&AMC.replace("\n2\n", "\n4\n"));
    assert_eq!(take.clip.frame_count(), 4);
    let x = |frame: usize| take.clip.frame(frame)[0].translation.x;
    assert!((x(1) - (2.0 * x(0) + x(3)) / 3.0).abs() < 1e-15);
    let knee = |frame: usize| {
        take.clip.frame(frame)[3]
            .rotation
            .to_axis_angle()
            .1
            .to_degrees()
    };
    assert!(
        (knee(2) - 40.0 - 5.0 * 2.0 / 3.0).abs() < 1e-9,
        "{}",
        knee(2)
    );
}

#[test]
fn joints_sit_at_the_starts_of_bones() {
    let take = take(AMC);
    let skeleton = &take.clip.skeleton;
    let rest = skeleton.rest_world();
    let at = |name: &str| rest.position(skeleton.find(name).unwrap()) / (0.0254 / 0.45);
    assert!(at("lhip").length() < 1e-12);
    assert!((at("lthigh") - DVec3::X * 2.0).length() < 1e-12);
    assert!((at("lshank") - DVec3::new(2.0, -8.0, 0.0)).length() < 1e-12);
    let tips = |name: &str| skeleton.joint(skeleton.find(name).unwrap()).tips.len();
    assert_eq!(
        ["root", "lhip", "lthigh", "lshank", "trunk"].map(tips),
        [0, 0, 0, 1, 1]
    );
}

/// Positions by 3 × 3 matrices, written out as the definition has it, in file units.
#[test]
fn motion_follows_the_definition() {
    let take = take(AMC);
    let (x, y, z) = (
        |degrees: f64| DMat3::from_rotation_x(degrees.to_radians()),
        |degrees: f64| DMat3::from_rotation_y(degrees.to_radians()),
        |degrees: f64| DMat3::from_rotation_z(degrees.to_radians()),
    );
    let root = z(30.0) * y(20.0) * x(10.0);
    let thigh_axes = z(30.0) * y(20.0) * x(10.0);
    let thigh = thigh_axes * (z(7.0) * y(6.0) * x(5.0)) * thigh_axes.transpose();
    let shank = z(20.0) * x(40.0) * z(-20.0);
    let trunk = x(2.0) * z(1.0);
    let hip = DVec3::new(1.0, 17.0, -3.0) + root * DVec3::X * 2.0;
    let knee = hip + root * thigh * DVec3::NEG_Y * 8.0;
    let ankle = knee + root * thigh * shank * DVec3::NEG_Y * 7.0;
    let neck = DVec3::new(1.0, 17.0, -3.0) + root * trunk * DVec3::Y * 15.0;

    let pose = take.clip.world(0);
    let skeleton = &take.clip.skeleton;
    let tip = |joint: usize| pose.point(joint, skeleton.joint(joint).tips[0]);
    let unit = 0.0254 / 0.45;
    for (got, expected) in [
        (pose.position(2), hip),
        (pose.position(3), knee),
        (tip(3), ankle),
        (tip(4), neck),
    ] {
        assert!((got - expected * unit).length() < 1e-13, "{got} {expected}");
    }
}

#[test]
fn units_and_rates_are_found_and_explained() {
    let take = take(AMC);
    assert!((take.unit.unit.metres() - PUBLISHED_METRES_PER_UNIT).abs() < 1e-6);
    assert!(
        take.unit.how.contains("given by the file"),
        "{}",
        take.unit.how
    );
    assert_eq!(take.clip.frame_time_secs, 1.0 / 120.0);
    assert!(
        take.warnings[0].contains("120 frames per second"),
        "{:?}",
        take.warnings
    );

    let convert = |asf_text: &str, amc_text: &str, options: AmcOptions| {
        let skeleton = asf(asf_text).skeleton;
        let motion = parse_amc(amc_text, &skeleton).unwrap().motion;
        amc_to_clip(&skeleton, &motion, &options)
    };
    // Bones of 30 units: inches without a unit, and an unbelievable 0.76 mm by "length 1000".
    let guessed = convert(
        &ASF.replace("  length 0.45\n", ""),
        AMC,
        AmcOptions::default(),
    )
    .unwrap();
    assert!(guessed.unit.how.contains("guessed"), "{}", guessed.unit.how);
    let doubted = convert(
        &ASF.replace("length 0.45", "length 1000"),
        AMC,
        AmcOptions::default(),
    )
    .unwrap();
    assert_eq!(doubted.unit, guessed.unit);
    assert!(
        doubted.warnings[1].contains("\"length 1000\""),
        "{:?}",
        doubted.warnings
    );

    let options = AmcOptions {
        unit: Some(LengthUnit::Centimetre),
        frame_rate: Some(60.0),
    };
    let chosen = convert(ASF, AMC, options).unwrap();
    assert_eq!(chosen.clip.frame_time_secs, 1.0 / 60.0);
    assert!((chosen.clip.frame(0)[0].translation.y - 0.17).abs() < 1e-15);
    assert_eq!(chosen.warnings, [""; 0]);
    let stated = AMC.replace("#comment", ":SAMPLES-PER-SECOND 30");
    let stated = convert(ASF, &stated, AmcOptions::default()).unwrap();
    assert_eq!(stated.clip.frame_time_secs, 1.0 / 30.0);
    for frame_rate in [0.0, -1.0, f64::NAN] {
        let options = AmcOptions {
            unit: None,
            frame_rate: Some(frame_rate),
        };
        assert!(convert(ASF, AMC, options).is_err());
    }
}

#[test]
fn limits_are_kept_by_joint() {
    let limits = take(AMC).limits;
    let joints: Vec<_> = limits.iter().map(|limits| limits.joint).collect();
    assert_eq!(joints, [2, 3]);
    let [range] = limits[1].ranges[..] else {
        panic!("one axis")
    };
    assert_eq!(range.axis, 0);
    assert!((range.low_rad + PI / 18.0).abs() < 1e-15);
    assert!((range.high_rad - 17.0 * PI / 18.0).abs() < 1e-15);
    let expected = DQuat::from_rotation_z(20f64.to_radians());
    assert!(limits[1].parent_from_axes.abs_diff_eq(expected, 1e-15));
}

#[test]
fn translations_and_lengths_of_bones_move_their_ends() {
    let text = ASF
        .replace("dof rz rx", "dof tx l rz")
        .replace("lhip trunk\n", "lhip trunk\ntrunk lthigh\n")
        .replace("    lhip lthigh\n", "");
    let skeleton = asf(&text).skeleton;
    let amc = ":DEGREES\n1\nroot 0 0 0 0 0 0\nlthigh 0 0 0\nlshank 0\ntrunk 3 0.5 90\n";
    let motion = parse_amc(amc, &skeleton).unwrap().motion;
    let options = AmcOptions {
        unit: Some(LengthUnit::Metre),
        frame_rate: Some(30.0),
    };
    let clip = amc_to_clip(&skeleton, &motion, &options).unwrap().clip;
    let at = |name: &str| clip.world(0).position(clip.skeleton.find(name).unwrap());
    assert!((at("trunk") - DVec3::X * 3.0).length() < 1e-12);
    assert!((at("lthigh") - DVec3::new(3.0 - 15.5, 0.0, 0.0)).length() < 1e-12);
}

#[test]
fn a_skeleton_alone_rests() {
    let take = asf_to_clip(&skeleton(), None).unwrap();
    assert_eq!(take.clip.frame_count(), 1);
    assert_eq!(take.clip.frame(0), take.clip.skeleton.rest_locals());
    assert_eq!(take.warnings.len(), 1);
}

fn spoil(
    text: &str,
    edits: &[(prop::sample::Index, u8, u8)],
    cut: Option<prop::sample::Index>,
) -> String {
    const MARKS: &[u8] = b"():,#\n\r \t-.0123456789e";
    let mut bytes = text.as_bytes().to_vec();
    for (at, byte, kind) in edits {
        let at = at.index(bytes.len());
        match kind {
            0 => bytes[at] = *byte,
            1 => bytes.insert(at, *byte),
            2 => drop(bytes.remove(at)),
            _ => bytes[at] = MARKS[usize::from(*byte) % MARKS.len()],
        }
    }
    if let Some(cut) = cut {
        bytes.truncate(cut.index(bytes.len()));
    }
    crate::file::decode(&bytes).text
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..Default::default() })]

    #[test]
    fn spoiled_files_never_panic(
        asf_edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..4u8), 0..6),
        amc_edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..4u8), 0..6),
        asf_cut in prop::option::weighted(0.2, any::<prop::sample::Index>()),
        amc_cut in prop::option::weighted(0.3, any::<prop::sample::Index>()),
    ) {
        match parse_asf(&spoil(ASF, &asf_edits, asf_cut)) {
            Ok(parsed) => match parse_amc(&spoil(AMC, &amc_edits, amc_cut), &parsed.skeleton) {
                Ok(motion) => {
                    let _ = amc_to_clip(&parsed.skeleton, &motion.motion, &AmcOptions::default());
                }
                Err(error) => prop_assert!(error.line.is_some()),
            },
            Err(error) => prop_assert!(error.line.is_some()),
        }
    }
}
