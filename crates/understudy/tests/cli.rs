//! The command line from outside: exit codes, messages, files and JSON.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;
use tempfile::TempDir;

/// A folder with what the tests need, and runs of the program in it.
struct Desk {
    folder: TempDir,
}

impl Desk {
    fn new() -> Self {
        Self {
            folder: tempfile::tempdir().unwrap(),
        }
    }

    fn run(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_understudy"))
            .args(arguments)
            .current_dir(self.folder.path())
            .output()
            .unwrap()
    }

    /// Runs, asserts the exit code, and returns stdout and stderr.
    fn expect(&self, code: i32, arguments: &[&str]) -> (String, String) {
        let output = self.run(arguments);
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
        let (stdout, stderr) = (text(&output.stdout), text(&output.stderr));
        assert_eq!(
            output.status.code(),
            Some(code),
            "{arguments:?}\n{stdout}\n{stderr}"
        );
        (stdout, stderr)
    }

    /// Runs with exit code 0 and reads stdout as JSON.
    fn json(&self, arguments: &[&str]) -> Value {
        serde_json::from_str(&self.expect(0, arguments).0).unwrap()
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).unwrap();
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    fn read_json(&self, name: &str) -> Value {
        serde_json::from_str(&self.read(name)).unwrap()
    }

    fn names(&self, folder: &str) -> Vec<String> {
        let entries = std::fs::read_dir(self.path(folder)).unwrap();
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    /// The demo take at a low rate, so that tests stay quick, and a character.
    fn with_take_and_character() -> Self {
        let desk = Self::new();
        desk.expect(0, &["make", "demo-take", "-o", "full.bvh"]);
        desk.expect(0, &["convert", "full.bvh", "take.bvh", "--rate", "30"]);
        desk.write("keeper.ron", KEEPER);
        desk.expect(0, &["make", "keeper.ron", "-o", "keeper.glb"]);
        desk
    }
}

const KEEPER: &str = "(name: \"keeper\", stature_m: 1.2, rest: A)";

/// A frame short, at line 11.
const CUT_SHORT: &str = "HIERARCHY\nROOT hip\n{\nOFFSET 0 0 0\nCHANNELS 1 Xrotation\nEnd Site\n{\n\
    OFFSET 0 170 0\n}\n}\nMOTION\nFrames: 3\nFrame Time: 0.1\n1\n2\n";

/// Asserts that an object has these keys; others may be added beside them.
#[track_caller]
fn has_keys(value: &Value, expected: &[&str]) {
    for key in expected {
        assert!(value.get(key).is_some(), "no \"{key}\" in {value:.200}");
    }
}

#[test]
fn help_tells_exit_codes_and_examples() {
    let desk = Desk::new();
    let (help, _) = desk.expect(0, &["--help"]);
    assert!(help.contains("Exit codes:"), "{help}");
    for command in ["inspect", "retarget", "measure", "convert", "make"] {
        assert!(help.contains(command), "{help}");
        let (help, _) = desk.expect(0, &[command, "--help"]);
        assert!(help.contains("Examples:"), "{help}");
        assert!(help.contains(&format!("understudy {command}")), "{help}");
    }
}

#[test]
fn wrong_usage_ends_with_2() {
    let desk = Desk::with_take_and_character();
    let check = |arguments: &[&str], expected: &str| {
        let (_, stderr) = desk.expect(2, arguments);
        assert!(stderr.contains(expected), "{arguments:?}: {stderr}");
    };
    check(&["dance"], "dance");
    check(
        &["retarget", "take.bvh", "-o", "out.glb"],
        "last the character",
    );
    for (option, expected) in [
        ("--travel", "a factor from 0 to 1000"),
        ("--rate", "frames per second"),
        ("--rate-take", "frames per second"),
        ("--reference-frame", "they count from 0"),
        ("--unit-take", "no unit of length"),
    ] {
        let arguments = [
            "retarget",
            "take.bvh",
            "keeper.glb",
            "-o",
            "o.glb",
            option,
            "-1",
        ];
        check(&arguments, expected);
    }
    check(
        &["make", "performer", "-o", "p.glb", "--stature", "-1"],
        "stature_m is -1",
    );
    let folder = ["retarget", "take.bvh", "keeper.glb", "-o", "out/"];
    check(
        &[&folder[..], &["--report", "r.json"]].concat(),
        "--report is for a single",
    );
    check(
        &[&folder[..], &["--name", " "]].concat(),
        "a clip needs a name",
    );
    check(
        &["retarget", "take.bvh", "keeper.glb", "-o", "out.txt"],
        ".glb or .bvh, or end",
    );
    check(
        &["retarget", "take.bvh", "keeper.glb", "-o", "keeper.glb"],
        "would replace",
    );
    check(
        &[
            "retarget",
            "take.bvh",
            "full.bvh",
            "keeper.glb",
            "-o",
            "out.glb",
        ],
        "ending in /",
    );
    check(
        &[
            "retarget",
            "take.bvh",
            "keeper.glb",
            "-o",
            "o.glb",
            "--travel",
            "far",
        ],
        "leg-length, kept, or a factor",
    );
    check(
        &[
            "retarget",
            "take.bvh",
            "sub/take.bvh",
            "keeper.glb",
            "-o",
            "out/",
        ],
        "one file",
    );
    check(&["convert", "take.bvh", "take.bvh"], "would replace");
    check(
        &["convert", "take.bvh", "take.glb", "--rate", "fast"],
        "frames per second",
    );
    check(
        &["make", "statue", "-o", "statue.glb"],
        "performer, settings, a take",
    );
    check(
        &["convert", "take.bvh", "out.bvh", "--rate", "1e9"],
        "from 0.1 to 10000",
    );
    check(
        &["inspect", "take.bvh", "--unit", "furlong"],
        "no unit of length",
    );
    assert_eq!(
        desk.names("."),
        ["full.bvh", "keeper.glb", "keeper.ron", "take.bvh"]
    );
}

#[test]
fn unreadable_files_end_with_3_and_name_file_and_line() {
    let desk = Desk::with_take_and_character();
    desk.write("short.bvh", CUT_SHORT);
    desk.write(
        "slow.bvh",
        &CUT_SHORT
            .replace("0.1\n", "1e9\n")
            .replace("Frames: 3", "Frames: 2"),
    );
    desk.write("poem.txt", "once upon a tide");
    desk.write("broken.ron", "(\n    travel: Sideways,\n)");
    desk.write("no-joint.ron", "(joints: {\"left_hipp\": Some(\"l_hip\")})");
    desk.write(
        "broken-body.ron",
        "(\n  name: \"x\",\n  stature_m: tall,\n)",
    );
    desk.write(
        "late.ron",
        "(contacts: [(side: Left, part: Heel, first: 3, last: 99999)])",
    );
    let check = |arguments: &[&str], expected: &[&str]| {
        let (stdout, stderr) = desk.expect(3, arguments);
        assert_eq!(stdout, "");
        assert!(
            stderr.lines().all(|line| line.starts_with("understudy: ")),
            "{stderr}"
        );
        for part in expected {
            assert!(stderr.contains(part), "{arguments:?}: {stderr}");
        }
    };
    check(
        &["inspect", "nowhere.bvh"],
        &["nowhere.bvh: cannot be read"],
    );
    check(&["inspect", "short.bvh"], &["short.bvh, line 15: ", "3"]);
    check(&["inspect", "slow.bvh"], &["slow.bvh: a frame time of"]);
    check(&["inspect", "poem.txt"], &["poem.txt: ", ".bvh"]);
    check(
        &["convert", "short.bvh", "out.glb"],
        &["short.bvh, line 15"],
    );
    let onto = |options: &[&'static str]| {
        let mut arguments = vec!["retarget", "take.bvh", "keeper.glb", "-o", "out.glb"];
        arguments.extend(options);
        arguments
    };
    check(
        &onto(&["--settings", "broken.ron"]),
        &["broken.ron, line 2: column"],
    );
    check(
        &onto(&["--mapping-take", "no-joint.ron"]),
        &["no-joint.ron: ", "left_hip"],
    );
    check(
        &onto(&["--contacts", "late.ron"]),
        &["late.ron: contact of the left heel, frames 3 to 99999"],
    );
    check(
        &onto(&["--reference-frame", "99999"]),
        &["--reference-frame: ", "99999 in take.bvh"],
    );
    check(
        &["make", "broken-body.ron", "-o", "out.glb"],
        &["broken-body.ron: line 3, column"],
    );
    assert!(!desk.path("out.glb").exists());
}

#[test]
fn wrong_settings_are_named_with_their_file() {
    let desk = Desk::with_take_and_character();
    desk.expect(0, &["make", "settings", "-o", "settings.ron"]);
    let usual = desk.read("settings.ron");
    let check = |name: &str, from: &str, to: &str, expected: &str| {
        assert!(usual.contains(from), "{usual}");
        desk.write(name, &usual.replace(from, to));
        // One take or a folder of them: nothing is begun.
        for output in ["out.glb", "out/"] {
            let arguments = ["retarget", "take.bvh", "keeper.glb", "-o", output];
            let (stdout, stderr) =
                desk.expect(3, &[&arguments[..], &["--settings", name]].concat());
            assert_eq!(stdout, "");
            let start = format!("understudy: {name}: ");
            assert!(stderr.starts_with(&start), "{stderr}");
            assert!(stderr.contains(expected), "{stderr}");
            assert_eq!(stderr.lines().count(), 1, "{stderr}");
        }
    };
    check(
        "knee.ron",
        "straightest_knee: 0.07",
        "straightest_knee: -9.0",
        "plants.straightest_knee is -9",
    );
    check(
        "travel.ron",
        "travel: LegLength",
        "travel: Factor(-3.0)",
        "travel is -3",
    );
    check(
        "offsets.ron",
        "offsets_deg: {}",
        "offsets_deg: {\"left_hipp\": (1.0, 2.0, 3.0)}",
        "\"left_hipp\"; did you mean left_hip",
    );
    check(
        "ranges.ron",
        "ranges_deg: {}",
        "ranges_deg: {\"knee flexion\": (0.0, 150.0), \"left kne flexion\": (0.0, 90.0)}",
        "limits.ranges_deg is \"left kne flexion\"; it must be one of hip flexion, hip abduction, knee flexion,",
    );
    desk.write(
        "frame.ron",
        &usual.replace("reference: Rest", "reference: Frame(99999)"),
    );
    let late = ["retarget", "take.bvh", "keeper.glb", "-o", "out.glb"];
    let (_, stderr) = desk.expect(3, &[&late[..], &["--settings", "frame.ron"]].concat());
    assert!(
        stderr.contains("frame.ron: there is no reference frame 99999 in take.bvh"),
        "{stderr}"
    );
    // An option that replaces the setting heals it.
    let onto = ["retarget", "take.bvh", "keeper.glb", "-o", "out.glb"];
    let healed = ["--settings", "travel.ron", "--travel", "kept"];
    desk.expect(0, &[&onto[..], &healed].concat());
}

#[test]
fn no_result_replaces_a_file_that_is_read_or_another_result() {
    let desk = Desk::with_take_and_character();
    desk.expect(0, &["inspect", "take.bvh", "--mapping-out", "roles.ron"]);
    desk.expect(
        0,
        &["inspect", "take.bvh", "--contacts-out", "contacts.ron"],
    );
    desk.expect(0, &["make", "settings", "-o", "settings.ron"]);
    let files = [
        "take.bvh",
        "keeper.glb",
        "roles.ron",
        "contacts.ron",
        "settings.ron",
    ];
    let contents = || files.map(|name| std::fs::read(desk.path(name)).unwrap());
    let before = contents();
    let check = |expected: &str, start: &[&str], more: &[&str]| {
        let arguments = [start, more].concat();
        let (_, stderr) = desk.expect(2, &arguments);
        assert!(stderr.contains(expected), "{arguments:?}: {stderr}");
    };
    let would = "would replace";
    let inspect = ["inspect", "take.bvh", "--mapping", "roles.ron"];
    for option in ["--mapping-out", "--contacts-out", "--positions"] {
        check(would, &inspect, &[option, "take.bvh"]);
        check(would, &inspect, &[option, "./roles.ron"]);
    }
    check(
        "two results",
        &inspect,
        &["--mapping-out", "a.ron", "--contacts-out", "a.ron"],
    );
    let measure = ["measure", "keeper.glb", "--against", "take.bvh"];
    check(would, &measure, &["--report", "keeper.glb"]);
    check(would, &measure, &["--report", "take.bvh"]);
    let onto = ["retarget", "take.bvh", "keeper.glb", "-o", "out.glb"];
    check("two results", &onto, &["--report", "out.glb"]);
    let report = |option, file| check(would, &onto, &["--report", file, option, file]);
    report("--settings", "settings.ron");
    report("--contacts", "contacts.ron");
    report("--mapping-take", "roles.ron");
    report("--mapping-character", "roles.ron");
    assert!(contents() == before, "an input was replaced");
    assert!(!desk.path("out.glb").exists() && !desk.path("a.ron").exists());
}

#[test]
fn failures_are_told_in_json_too() {
    let desk = Desk::with_take_and_character();
    desk.write("short.bvh", CUT_SHORT);
    let failure = |arguments: &[&str]| -> Value {
        let (stdout, stderr) = desk.expect(3, arguments);
        let value: Value = serde_json::from_str(&stdout).unwrap();
        assert_eq!(value["exit_code"], 3);
        let error = value["error"].as_str().unwrap();
        assert!(error.starts_with("short.bvh, line 15"), "{error}");
        assert!(stderr.contains(error), "{stderr}");
        value
    };
    let single = failure(&[
        "retarget",
        "short.bvh",
        "keeper.glb",
        "-o",
        "o.glb",
        "--json",
    ]);
    let folder = failure(&["retarget", "short.bvh", "keeper.glb", "-o", "o/", "--json"]);
    assert_eq!(single, folder);
    assert_eq!(single["take"]["file"], "short.bvh");
    assert_eq!(
        failure(&["inspect", "short.bvh", "--json"])["file"],
        "short.bvh"
    );
    let measured = failure(&["measure", "short.bvh", "--json"]);
    assert_eq!(measured["clip"]["file"], "short.bvh");
}

#[test]
fn directions_that_disagree_with_the_sides_are_noted() {
    let desk = Desk::with_take_and_character();
    desk.expect(0, &["inspect", "take.bvh", "--mapping-out", "roles.ron"]);
    let roles = desk.read("roles.ron");
    let check = |from: &str, to: &str, expected: &[&str]| {
        assert!(roles.contains(from), "{roles}");
        desk.write("changed.ron", &roles.replace(from, to));
        let onto = ["retarget", "take.bvh", "keeper.glb", "-o", "out.glb"];
        let (_, stderr) = desk.expect(0, &[&onto[..], &["--mapping-take", "changed.ron"]].concat());
        for part in expected {
            assert!(stderr.contains(part), "{part}: {stderr}");
        }
        assert_eq!(
            stderr.contains("disagrees"),
            !expected.is_empty(),
            "{stderr}"
        );
    };
    check("forward: Some(Z)", "forward: Some(Z)", &[]);
    check(
        "forward: Some(Z)",
        "forward: Some(NegZ)",
        &[
            "take.bvh: forward -Z of the mapping file disagrees",
            "which show +Z",
        ],
    );
    check(
        "up: Some(Y)",
        "up: Some(X)",
        &["up +X of the mapping file disagrees", "which show +Y"],
    );
}

#[test]
fn roles_from_a_file_that_make_no_body_are_that_files_fault() {
    let desk = Desk::with_take_and_character();
    desk.write("kneeless.ron", "(joints: {\"left_knee\": None})");
    let onto = ["retarget", "take.bvh", "keeper.glb", "-o", "out.glb"];
    for option in ["--mapping-take", "--mapping-character"] {
        let (_, stderr) = desk.expect(4, &[&onto[..], &[option, "kneeless.ron"]].concat());
        assert!(stderr.starts_with("understudy: kneeless.ron: "), "{stderr}");
        assert!(stderr.contains("no joint is l_knee"), "{stderr}");
    }
}

/// The take with frames 40 to 49 held at frame 40.
fn with_gap(take: &str) -> String {
    let mut lines: Vec<&str> = take.lines().collect();
    let first = lines
        .iter()
        .position(|line| line.starts_with("Frame Time"))
        .unwrap()
        + 1;
    for frame in 41..50 {
        lines[first + frame] = lines[first + 40];
    }
    lines.join("\n") + "\n"
}

#[test]
fn faults_in_the_data_are_told_and_reported() {
    let desk = Desk::with_take_and_character();
    desk.write("gap.bvh", &with_gap(&desk.read("take.bvh")));
    let found = desk.json(&["inspect", "gap.bvh", "--json"])["faults"].clone();
    assert!(!found.as_array().unwrap().is_empty());
    let (_, single) = desk.expect(0, &["retarget", "gap.bvh", "keeper.glb", "-o", "gap.glb"]);
    let (_, many) = desk.expect(
        0,
        &[
            "retarget",
            "gap.bvh",
            "take.bvh",
            "keeper.glb",
            "-o",
            "out/",
        ],
    );
    for stderr in [single, many] {
        let notes = stderr.lines().filter(|line| line.contains("in its data"));
        let notes: Vec<&str> = notes.collect();
        assert_eq!(notes.len(), 1, "{stderr}");
        assert!(notes[0].contains("note: gap.bvh: "), "{stderr}");
    }
    assert_eq!(desk.read_json("gap.report.json")["data_faults"], found);
    assert_eq!(desk.read_json("out/gap.report.json")["data_faults"], found);
    let clean = desk.read_json("out/take.report.json");
    assert_eq!(clean["data_faults"], Value::Array(vec![]));
}

#[test]
fn joints_of_one_name_are_left_out_of_a_mapping() {
    let desk = Desk::with_take_and_character();
    let (_, stderr) = desk.expect(0, &["inspect", "keeper.glb", "--mapping-out", "a.ron"]);
    assert_eq!(stderr, "");
    desk.expect(0, &["make", "keeper.ron", "-o", "keeper.bvh"]);
    // Both hips are below the pelvis: their names are all that tells them apart.
    let mut twins = desk.read("keeper.bvh");
    for name in ["left_hip", "right_hip"] {
        twins = twins.replace(&format!("JOINT {name}\n"), "JOINT hip\n");
    }
    desk.write("twins.bvh", &twins);
    let (_, stderr) = desk.expect(0, &["inspect", "twins.bvh", "--mapping-out", "b.ron"]);
    assert!(stderr.contains("note: b.ron: 2 joints share"), "{stderr}");
    assert!(
        !desk.read("b.ron").contains("\"hip\""),
        "{}",
        desk.read("b.ron")
    );
    let roles = |more: &[&str]| {
        let start = ["inspect", "twins.bvh", "--json"];
        desk.json(&[&start[..], more].concat())["joints"]
            .as_array()
            .unwrap()
            .iter()
            .map(|joint| joint["role"].clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(roles(&[]), roles(&["--mapping", "b.ron"]));
}

/// A body without names or arms: its spine can be told by place only.
const NAMELESS: &str = "HIERARCHY\nROOT b1\n{\nOFFSET 0 90 0\nCHANNELS 6 Xposition Yposition Zposition \
    Zrotation Xrotation Yrotation\n\
    JOINT b2\n{\nOFFSET 0 15 0\nCHANNELS 3 Zrotation Xrotation Yrotation\n\
    JOINT b3\n{\nOFFSET 0 25 0\nCHANNELS 3 Zrotation Xrotation Yrotation\n\
    JOINT b4\n{\nOFFSET 0 15 0\nCHANNELS 3 Zrotation Xrotation Yrotation\n\
    End Site\n{\nOFFSET 0 20 0\n}\n}\n}\n}\nLEGS}\nMOTION\nFrames: 1\nFrame Time: 0.1\n";

fn nameless_body() -> String {
    let leg = |first: usize, side: &str| {
        let rotations = "CHANNELS 3 Zrotation Xrotation Yrotation";
        format!(
            "JOINT b{first}\n{{\nOFFSET {side}9 0 0\n{rotations}\n\
             JOINT b{}\n{{\nOFFSET 0 -42 0\n{rotations}\n\
             JOINT b{}\n{{\nOFFSET 0 -42 0\n{rotations}\n\
             End Site\n{{\nOFFSET 0 -6 18\n}}\n}}\n}}\n}}\n",
            first + 1,
            first + 2
        )
    };
    let legs = leg(5, "") + &leg(8, "-");
    let zeros = vec!["0"; 6 + 9 * 3].join(" ");
    NAMELESS.replace("LEGS", &legs) + &zeros + "\n"
}

#[test]
fn doubtful_roles_are_told_and_strict_does_not_let_them_pass() {
    let desk = Desk::with_take_and_character();
    desk.write("nameless.bvh", &nameless_body());
    let onto = ["retarget", "take.bvh", "nameless.bvh", "-o", "out.bvh"];
    let (_, stderr) = desk.expect(0, &onto);
    assert!(stderr.contains("note: nameless.bvh: "), "{stderr}");
    assert!(stderr.contains("doubtful role"), "{stderr}");
    let report = desk.read_json("out.report.json");
    let listed = desk.json(&["inspect", "nameless.bvh", "--json"])["doubtful"].clone();
    assert!(!listed.as_array().unwrap().is_empty());
    assert_eq!(report["doubtful"][0]["file"], "nameless.bvh");
    assert_eq!(report["doubtful"][0]["roles"], listed);
    assert_eq!(report["doubtful"].as_array().unwrap().len(), 1);
    assert_eq!(report["within_limits"], false);
    desk.expect(1, &[&onto[..], &["--strict"]].concat());
    let folder = [
        "retarget",
        "take.bvh",
        "nameless.bvh",
        "-o",
        "out/",
        "--strict",
    ];
    let (line, _) = desk.expect(1, &folder);
    assert!(line.contains("doubtful roles in nameless.bvh"), "{line}");
    // A mapping file that says the same settles it.
    desk.expect(
        0,
        &["inspect", "nameless.bvh", "--mapping-out", "roles.ron"],
    );
    let settled = [&onto[..], &["--mapping-character", "roles.ron"]].concat();
    let (_, stderr) = desk.expect(0, &settled);
    assert!(!stderr.contains("doubtful"), "{stderr}");
    let report = desk.read_json("out.report.json");
    assert_eq!(report["doubtful"], Value::Array(vec![]));
}

#[test]
fn notes_of_many_takes_are_told_once() {
    let desk = Desk::with_take_and_character();
    desk.write("nameless.bvh", &nameless_body());
    let (_, stderr) = desk.expect(
        0,
        &[
            "retarget",
            "take.bvh",
            "full.bvh",
            "nameless.bvh",
            "-o",
            "out/",
        ],
    );
    let told = stderr.lines().filter(|line| line.contains("doubtful role"));
    assert_eq!(told.count(), 1, "{stderr}");
    assert!(stderr.contains("said already of another take"), "{stderr}");
    for report in ["out/take.report.json", "out/full.report.json"] {
        assert!(desk.read(report).contains("doubtful role"), "{report}");
    }
}

#[test]
fn overlapping_contacts_are_made_one() {
    let desk = Desk::with_take_and_character();
    desk.expect(
        0,
        &["inspect", "take.bvh", "--contacts-out", "contacts.ron"],
    );
    let found = desk.read("contacts.ron");
    let again = "contacts: [\n        (side: Left, part: Heel, first: 2, last: 9),";
    desk.write("double.ron", &found.replace("contacts: [", again));
    let contacts = |file: &str| {
        let onto = ["retarget", "take.bvh", "keeper.glb", "-o", "out.glb"];
        let (_, stderr) = desk.expect(0, &[&onto[..], &["--contacts", file]].concat());
        (
            desk.read_json("out.report.json")["contacts"].clone(),
            stderr,
        )
    };
    let (once, quiet) = contacts("contacts.ron");
    let (twice, told) = contacts("double.ron");
    assert_eq!(once, twice);
    assert!(!quiet.contains("overlap"), "{quiet}");
    assert!(told.contains("are left of double.ron"), "{told}");
}

#[test]
fn options_without_a_use_are_noted() {
    let desk = Desk::with_take_and_character();
    let check = |file: &str, options: &[&str], expected: &str| {
        let arguments = [&["inspect", file, "--json"], options].concat();
        let warnings = desk.json(&arguments)["warnings"].to_string();
        assert!(warnings.contains(expected), "{warnings}");
    };
    check("take.bvh", &["--clip", "3"], "only a glTF file has several");
    check("take.bvh", &["--asf", "no.asf"], "only an AMC file needs");
    check("take.bvh", &["--rate", "30"], "says its own frame rate");
    check("keeper.glb", &["--asf", "no.asf"], "only an AMC file needs");
    let plain = desk.json(&["inspect", "take.bvh", "--json"])["warnings"].to_string();
    assert!(!plain.contains("not used"), "{plain}");
}

#[test]
fn the_skeleton_of_an_amc_file_is_named() {
    const ASF: &str = ":version 1.10\n:root\norder TX TY TZ RX RY RZ\n:bonedata\nbegin\nname neck\n\
        direction 0 1 0\nlength 1.7\naxis 0 0 0 XYZ\ndof rx\nend\n:hierarchy\nbegin\nroot neck\nend\n";
    const AMC: &str = ":FULLY-SPECIFIED\n:DEGREES\n1\nroot 0 0 0 0 0 0\nneck 90\n";
    let desk = Desk::new();
    desk.write("walk.amc", AMC);
    desk.write(
        "heron.asf",
        &ASF.replace("dof rx\n", "dof rx\nlimits (-30 inf)\n"),
    );
    let told = |name: &str| {
        let found = desk.json(&["inspect", "walk.amc", "--json"]);
        assert!(found["asf"].as_str().unwrap().ends_with(name), "{found}");
        found["warnings"].to_string()
    };
    assert!(told("heron.asf").contains("heron.asf, the only one"));
    // Limits of the file are shown.
    let limits = desk.json(&["inspect", "walk.amc", "--json"])["limits"].clone();
    assert_eq!(limits[0]["joint"], "neck");
    let range = &limits[0]["ranges"][0];
    assert_eq!(range["axis"], "X");
    assert!(
        (range["low_deg"].as_f64().unwrap() + 30.0).abs() < 1e-9,
        "{range}"
    );
    assert_eq!(range["high_deg"], Value::Null);
    let (text, _) = desk.expect(0, &["inspect", "walk.amc"]);
    assert!(text.contains("of 1 joint, listed with --json"), "{text}");
    desk.write("walk.asf", ASF);
    assert!(!told("walk.asf").contains("bears its name"));
    let (text, _) = desk.expect(0, &["inspect", "walk.amc"]);
    assert!(text.contains("walk.asf"), "{text}");
}

#[test]
fn a_floor_at_zero_has_no_sign() {
    let desk = Desk::with_take_and_character();
    let floor = ["--floor", "-0.00001"];
    let onto = ["retarget", "take.bvh", "keeper.glb", "-o", "out.glb"];
    for (start, expected) in [
        (&["inspect", "take.bvh"][..], "0.0000 m along +Y"),
        (&["measure", "take.bvh"], "floor at 0.000 m"),
        (&onto, "floor at 0.000 m"),
    ] {
        let (text, _) = desk.expect(0, &[start, &floor].concat());
        assert!(text.contains(expected), "{text}");
        assert!(!text.contains("-0.000"), "{text}");
    }
}

#[test]
fn what_is_no_body_ends_with_4() {
    let desk = Desk::with_take_and_character();
    desk.write("pole.bvh", &CUT_SHORT.replace("Frames: 3", "Frames: 2"));
    let (_, stderr) = desk.expect(4, &["retarget", "pole.bvh", "keeper.glb", "-o", "out.glb"]);
    assert!(stderr.contains("pole.bvh: "), "{stderr}");
    assert!(stderr.contains("--mapping-out"), "{stderr}");
    assert!(!desk.path("out.glb").exists());
    // Inspecting is still possible, and says so.
    let (stdout, _) = desk.expect(0, &["inspect", "pole.bvh"]);
    assert!(stdout.contains("pole.bvh"), "{stdout}");
}

#[test]
fn what_cannot_be_written_ends_with_5_and_leaves_nothing() {
    let desk = Desk::with_take_and_character();
    desk.write("file", "in the way");
    let (_, stderr) = desk.expect(
        5,
        &["retarget", "take.bvh", "keeper.glb", "-o", "file/out.glb"],
    );
    assert!(
        stderr.contains("file/out.glb: cannot be written"),
        "{stderr}"
    );
    desk.expect(5, &["convert", "take.bvh", "file/out.glb"]);
    desk.expect(5, &["make", "demo-take", "-o", "file/out.bvh"]);
    desk.expect(5, &["inspect", "take.bvh", "--positions", "file/out.json"]);
    let names = ["file", "full.bvh", "keeper.glb", "keeper.ron", "take.bvh"];
    assert_eq!(desk.names("."), names);
    assert_eq!(desk.read("file"), "in the way");
}

#[test]
fn inspect_tells_what_is_in_a_file() {
    let desk = Desk::with_take_and_character();
    let take = desk.json(&["inspect", "take.bvh", "--json"]);
    has_keys(
        &take,
        &[
            "understudy",
            "file",
            "format",
            "unit",
            "clip",
            "axes",
            "body",
            "rest_pose",
            "joints",
            "unmapped",
            "doubtful",
            "floor",
            "contacts",
            "faults",
            "notes",
            "warnings",
        ],
    );
    assert_eq!(take["format"], "BVH");
    assert_eq!(take["unit"]["name"], "cm");
    assert_eq!(take["clip"]["rate"], "30");
    assert_eq!(take["axes"]["up_axis"], "+Y");
    assert_eq!(take["axes"]["forward_axis"], "+Z");
    assert_eq!(take["rest_pose"]["kind"], "T");
    assert_eq!(take["body"]["legs"], 2);
    // 0.245 + 0.246 of a stature of 1.75 m.
    let leg_m = take["body"]["leg_length_m"].as_f64().unwrap();
    assert!((leg_m - 0.491 * 1.75).abs() < 1e-6, "{leg_m}");
    assert!(take["floor"]["height_m"].as_f64().unwrap().abs() < 0.005);
    let (text, _) = desk.expect(0, &["inspect", "keeper.glb"]);
    for part in [
        "none, a single pose",
        "A: left arm 45 deg below level",
        "humanoid_root",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
}

#[test]
fn positions_have_every_joint_in_every_frame() {
    let desk = Desk::with_take_and_character();
    desk.expect(0, &["convert", "take.bvh", "take.glb"]);
    let read = |file: &str| {
        desk.expect(0, &["inspect", file, "--positions", "positions.json"]);
        desk.read_json("positions.json")
    };
    let (bvh, glb) = (read("take.bvh"), read("take.glb"));
    has_keys(&bvh, &["joints", "frame_time_secs", "positions_m"]);
    has_keys(&glb, &["joints", "frame_time_secs", "positions_m", "nodes"]);
    assert_eq!(bvh["joints"], glb["joints"]);
    let frames = |value: &Value| -> Vec<Vec<[f64; 3]>> {
        serde_json::from_value(value["positions_m"].clone()).unwrap()
    };
    let (bvh, glb) = (frames(&bvh), frames(&glb));
    assert_eq!(bvh.len(), glb.len());
    for (a, b) in bvh.iter().flatten().zip(glb.iter().flatten()) {
        // glTF holds single precision.
        let distance_m = (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt();
        assert!(distance_m < 1e-5, "{a:?} {b:?}");
    }
}

#[test]
fn bvh_to_bvh_keeps_every_channel() {
    let desk = Desk::new();
    desk.expect(0, &["make", "demo-take", "-o", "a.bvh"]);
    desk.expect(0, &["convert", "a.bvh", "b.bvh"]);
    assert_eq!(desk.read("a.bvh"), desk.read("b.bvh"));
}

#[test]
fn retarget_writes_clip_and_report() {
    let desk = Desk::with_take_and_character();
    let (text, _) = desk.expect(
        0,
        &["retarget", "take.bvh", "keeper.glb", "-o", "out/walk.glb"],
    );
    assert!(text.contains("out/walk.glb"), "{text}");
    assert_eq!(desk.names("out"), ["walk.glb", "walk.report.json"]);
    let report = desk.read_json("out/walk.report.json");
    has_keys(
        &report,
        &[
            "understudy",
            "output",
            "take",
            "character",
            "travel_factor",
            "height_factor",
            "settings",
            "within_limits",
            "soles",
            "measures",
            "contacts",
            "notes",
        ],
    );
    has_keys(&report["measures"], &["take", "plain", "solved", "faults"]);
    let slide = |clip: &str| {
        let value = &report["measures"][clip]["slide"]["worst_mm_per_plant"];
        value.as_f64().unwrap()
    };
    assert!(slide("solved") < 0.5 && slide("solved") < slide("plain"));
    let clip = desk.json(&["inspect", "out/walk.glb", "--json"]);
    let take = desk.json(&["inspect", "take.bvh", "--json"]);
    assert_eq!(clip["clip"]["name"], "take");
    assert_eq!(clip["clip"]["frames"], take["clip"]["frames"]);
    // The clip against its take measures as the report said.
    let against = desk.json(&["measure", "out/walk.glb", "--against", "take.bvh", "--json"]);
    let again = &against["measures"]["solved"]["slide"]["worst_mm_per_plant"];
    assert!(
        (again.as_f64().unwrap() - slide("solved")).abs() < 0.05,
        "{again}"
    );
}

#[test]
fn a_clip_is_measured_on_its_own() {
    let desk = Desk::with_take_and_character();
    let alone = desk.json(&["measure", "take.bvh", "--json", "--series"]);
    has_keys(
        &alone,
        &["understudy", "clip", "measures", "faults", "within_limits"],
    );
    let frames = alone["measures"]["frames"].as_u64().unwrap() as usize;
    let series = alone["measures"]["series"][0]["values"].as_array().unwrap();
    assert_eq!(series.len(), frames);
    let (text, _) = desk.expect(0, &["measure", "take.bvh", "--report", "report.json"]);
    assert!(text.contains("foot slide, worst plant"), "{text}");
    let report = desk.read_json("report.json");
    assert_eq!(report["measures"]["slide"], alone["measures"]["slide"]);
    // A take against itself is what it is.
    let itself = desk.json(&["measure", "take.bvh", "--against", "full.bvh", "--json"]);
    let (table, _) = desk.expect(0, &["measure", "take.bvh", "--against", "full.bvh"]);
    assert!(table.contains("plain transfer        clip"), "{table}");
    let timing = &itself["measures"]["solved"]["timing"]["shift_frames"];
    assert_eq!(timing, 0);
    desk.expect(2, &["measure", "take.bvh", "--contacts", "contacts.ron"]);
}

/// The take and the character, written with some options beside.
fn onto_keeper<'a>(output: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let onto = ["retarget", "take.bvh", "keeper.glb", "-o", output];
    [&onto[..], more].concat()
}

#[test]
fn a_range_of_frames_is_that_part_of_the_whole() {
    let desk = Desk::with_take_and_character();
    desk.expect(0, &onto_keeper("whole.bvh", &[]));
    let (text, _) = desk.expect(0, &onto_keeper("part.bvh", &["--frames", "40..90"]));
    assert!(text.contains("frames 40 to 90"), "{text}");
    // A BVH has one line for each frame: those of the part are those of the whole.
    let frames = |name: &str| -> Vec<String> {
        let text = desk.read(name);
        let (_, motion) = text.split_once("Frame Time:").unwrap();
        motion.lines().skip(1).map(str::to_owned).collect()
    };
    let (whole, part) = (frames("whole.bvh"), frames("part.bvh"));
    assert_eq!(part, whole[40..=90]);
    // The report is about those frames, in frames of the clip that is written.
    let (all, some) = (
        desk.read_json("whole.report.json"),
        desk.read_json("part.report.json"),
    );
    assert_eq!(
        some["frames"],
        serde_json::json!({ "first": 40, "last": 90, "of": whole.len() })
    );
    assert_eq!(all["frames"], Value::Null);
    assert_eq!(some["take"]["frames"], 51);
    assert_eq!(some["measures"]["solved"]["frames"], 51);
    let contacts = |report: &Value| -> Vec<(String, i64, i64)> {
        let all = report["contacts"].as_array().unwrap();
        let frame = |contact: &Value, key: &str| contact[key].as_i64().unwrap();
        all.iter()
            .map(|contact| {
                let whose = format!("{} {}", contact["side"], contact["part"]);
                (whose, frame(contact, "first"), frame(contact, "last"))
            })
            .collect()
    };
    let expected: Vec<_> = contacts(&all)
        .into_iter()
        .filter(|(_, first, last)| *first <= 90 && *last >= 40)
        .map(|(whose, first, last)| (whose, first.max(40) - 40, last.min(90) - 40))
        .collect();
    assert!(!expected.is_empty());
    assert_eq!(contacts(&some), expected);
    // Frames are counted at the rate of the result; the last one may be asked for, and one alone.
    let halved = whole.len().div_ceil(2);
    let range = format!("{0}..{0}", halved - 1);
    desk.expect(
        0,
        &onto_keeper("end.glb", &["--rate", "15", "--frames", &range]),
    );
    let clip = desk.json(&["inspect", "end.glb", "--json"]);
    assert_eq!(clip["clip"]["frames"], 1);
    let (_, stderr) = desk.expect(
        3,
        &onto_keeper(
            "past.glb",
            &["--rate", "15", "--frames", &format!("0..{halved}")],
        ),
    );
    let named = format!("take.bvh: there is no frame {halved}");
    assert!(stderr.contains(&named), "{stderr}");
    assert!(stderr.contains(&format!("has {halved} frames")), "{stderr}");
    assert!(!desk.path("past.glb").exists());
    for (range, expected) in [
        ("--frames=40", "such as 100..250"),
        ("--frames=-4..9", "such as 100..250"),
        ("--frames=90..40", "frame 40 lies before frame 90"),
    ] {
        let (_, stderr) = desk.expect(2, &onto_keeper("o.glb", &[range]));
        assert!(stderr.contains(expected), "{range}: {stderr}");
    }
    let many = [
        "retarget",
        "take.bvh",
        "full.bvh",
        "keeper.glb",
        "-o",
        "out/",
    ];
    let (_, stderr) = desk.expect(2, &[&many[..], &["--frames", "0..9"]].concat());
    assert!(stderr.contains("--frames is for a single take"), "{stderr}");
}

#[test]
fn a_clip_is_written_without_a_report_on_wish() {
    let desk = Desk::with_take_and_character();
    let (text, _) = desk.expect(0, &onto_keeper("out/walk.glb", &["--no-report"]));
    assert!(
        text.contains("clip ") && !text.contains("report "),
        "{text}"
    );
    assert_eq!(desk.names("out"), ["walk.glb"]);
    desk.expect(0, &onto_keeper("with.glb", &[]));
    let bytes = |name: &str| std::fs::read(desk.path(name)).unwrap();
    assert!(bytes("out/walk.glb") == bytes("with.glb"));
    desk.expect(
        2,
        &onto_keeper("o.glb", &["--no-report", "--report", "r.json"]),
    );
}

#[test]
fn a_bvh_character_keeps_its_channels() {
    let desk = Desk::with_take_and_character();
    desk.expect(0, &["make", "keeper.ron", "-o", "keeper.bvh"]);
    desk.expect(
        0,
        &[
            "retarget",
            "take.bvh",
            "keeper.bvh",
            "-o",
            "out.bvh",
            "--rate",
            "25",
        ],
    );
    let hierarchy = |name: &str| {
        let text = desk.read(name);
        text.split("MOTION").next().unwrap().to_owned()
    };
    assert_eq!(hierarchy("out.bvh"), hierarchy("keeper.bvh"));
    assert!(desk.read("out.bvh").contains("Frame Time: 0.04"));
    desk.expect(
        0,
        &["retarget", "take.bvh", "keeper.bvh", "-o", "bones.glb"],
    );
    assert_eq!(
        desk.json(&["inspect", "bones.glb", "--json"])["clip"]["name"],
        "take"
    );
}

#[test]
fn strict_fails_where_feet_slide() {
    let desk = Desk::with_take_and_character();
    let plain = [
        "retarget",
        "take.bvh",
        "keeper.glb",
        "-o",
        "plain.glb",
        "--no-plants",
    ];
    let (text, _) = desk.expect(0, &plain);
    assert!(text.contains("foot slides"), "{text}");
    let mut strict = plain.to_vec();
    strict.push("--strict");
    desk.expect(1, &strict);
    assert!(desk.path("plain.glb").exists());
    let report = desk.read_json("plain.report.json");
    assert_eq!(report["within_limits"], false);
    assert_eq!(report["settings"]["plants"]["enabled"], false);
}

#[test]
fn settings_go_out_and_come_back() {
    let desk = Desk::with_take_and_character();
    desk.expect(0, &["make", "settings", "-o", "settings.ron"]);
    desk.expect(2, &["make", "settings", "-o", "settings.glb"]);
    let edited = desk
        .read("settings.ron")
        .replace("travel: LegLength", "travel: Kept");
    assert!(edited.contains("travel: Kept"), "{edited}");
    desk.write("settings.ron", &edited);
    let factor = |more: &[&str]| {
        let mut arguments = vec![
            "retarget",
            "take.bvh",
            "keeper.glb",
            "-o",
            "o.glb",
            "--json",
        ];
        arguments.extend(["--settings", "settings.ron"]);
        arguments.extend(more);
        desk.json(&arguments)["travel_factor"].as_f64().unwrap()
    };
    assert_eq!(factor(&[]), 1.0);
    assert_eq!(factor(&["--travel", "0.5"]), 0.5);
    // The keeper is 1.2 m tall, the performer of the take 1.75 m, of the same proportions.
    let by_legs = factor(&["--travel", "leg-length"]);
    assert!((by_legs - 1.2 / 1.75).abs() < 0.02, "{by_legs}");
}

#[test]
fn roles_and_contacts_go_out_and_come_back() {
    let desk = Desk::with_take_and_character();
    desk.expect(
        0,
        &[
            "inspect",
            "take.bvh",
            "--mapping-out",
            "roles.ron",
            "--contacts-out",
            "contacts.ron",
        ],
    );
    assert!(
        desk.read("roles.ron")
            .contains("\"left_hip\": Some(\"l_hip\")")
    );
    let report = |name: &str, more: &[&str]| {
        let output = format!("{name}.glb");
        let mut arguments = vec![
            "retarget",
            "take.bvh",
            "keeper.glb",
            "-o",
            &output,
            "--json",
        ];
        arguments.extend(more);
        desk.json(&arguments)
    };
    let found = report("found", &[]);
    let given = report(
        "given",
        &["--mapping-take", "roles.ron", "--contacts", "contacts.ron"],
    );
    assert_eq!(found["measures"], given["measures"]);
    // A leg whose contacts are taken away slides again.
    desk.write("none.ron", "(contacts: [])");
    let none = report("none", &["--contacts", "none.ron"]);
    assert_eq!(none["contacts"], Value::Array(vec![]));
    assert_ne!(found["measures"], none["measures"]);
}

#[test]
fn many_takes_go_on_after_one_fails() {
    let desk = Desk::with_take_and_character();
    desk.write("short.bvh", CUT_SHORT);
    desk.expect(0, &["convert", "take.bvh", "again.bvh", "--rate", "24"]);
    let takes = [
        "retarget",
        "take.bvh",
        "short.bvh",
        "again.bvh",
        "keeper.glb",
        "-o",
        "out/",
    ];
    let (stdout, stderr) = desk.expect(3, &takes);
    assert_eq!(stdout.lines().count(), 3, "{stdout}");
    assert!(stderr.contains("short.bvh, line 15"), "{stderr}");
    assert!(
        stderr.contains("3 takes: 2 within limits, 0 with faults, 1 failed"),
        "{stderr}"
    );
    assert_eq!(
        desk.names("out"),
        [
            "again.glb",
            "again.report.json",
            "take.glb",
            "take.report.json"
        ]
    );
    let mut as_json = takes.to_vec();
    as_json.extend(["--json", "--format", "bvh"]);
    let (stdout, _) = desk.expect(3, &as_json);
    let lines: Vec<Value> = stdout
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines.len(), 3);
    assert_eq!(lines[1]["exit_code"], 3);
    assert!(lines[0]["measures"].is_object());
    assert!(desk.path("out/again.bvh").exists());
}

#[test]
fn an_animation_is_chosen_by_name_or_number() {
    let desk = Desk::with_take_and_character();
    let first = [
        "retarget",
        "take.bvh",
        "keeper.glb",
        "-o",
        "one.glb",
        "--name",
        "walk",
    ];
    desk.expect(0, &first);
    desk.expect(
        0,
        &[
            "retarget", "take.bvh", "one.glb", "-o", "two.glb", "--name", "slow", "--rate", "15",
        ],
    );
    let name = |more: &[&str]| {
        let mut arguments = vec!["inspect", "two.glb", "--json"];
        arguments.extend(more);
        desk.json(&arguments)["clip"]["name"].clone()
    };
    assert_eq!(name(&[]), "walk");
    assert_eq!(name(&["--clip", "slow"]), "slow");
    assert_eq!(name(&["--clip", "2"]), "slow");
    let (_, stderr) = desk.expect(3, &["inspect", "two.glb", "--clip", "3"]);
    assert!(stderr.contains("1 \"walk\", 2 \"slow\""), "{stderr}");
}

#[test]
fn a_closed_pipe_is_no_failure() {
    let desk = Desk::with_take_and_character();
    let mut child = Command::new(env!("CARGO_BIN_EXE_understudy"))
        .args(["inspect", "keeper.glb", "--json"])
        .current_dir(desk.folder.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}

#[test]
fn the_library_does_the_same_work() {
    use understudy_scene::load::LoadOptions;
    use understudy_scene::{Job, Outputs, retarget_files};

    let desk = Desk::with_take_and_character();
    let job = Job {
        take: desk.path("take.bvh"),
        take_options: LoadOptions::default(),
        character: desk.path("keeper.glb"),
        character_options: LoadOptions::default(),
        choices: understudy_scene::Choices::default(),
        outputs: Outputs::of(&desk.path("library.glb")),
    };
    let mut steps = Vec::new();
    let outcome = retarget_files(&job, &mut |step| steps.push(step)).unwrap();
    assert!(steps.len() >= 4, "{steps:?}");
    desk.expect(
        0,
        &["retarget", "take.bvh", "keeper.glb", "-o", "program.glb"],
    );
    let bytes = |path: &Path| std::fs::read(path).unwrap();
    assert_eq!(
        bytes(&outcome.outputs.clip),
        bytes(&desk.path("program.glb"))
    );
}

/// A scene of the desk's take and character.
fn scene(more: &str) -> String {
    format!(
        "(\n  title: \"A walk\",\n  take: \"take.bvh\",\n  character: \"keeper.glb\",\n{more})\n"
    )
}

#[test]
fn scenes_run_from_any_folder() {
    let desk = Desk::with_take_and_character();
    std::fs::create_dir(desk.path("stalls")).unwrap();
    let text = scene("").replace("take.bvh", "../take.bvh");
    let text = text.replace("keeper.glb", "../keeper.glb");
    std::fs::write(desk.path("stalls/walk.scene.ron"), text).unwrap();
    let (text, _) = desk.expect(0, &["run", "stalls/walk.scene.ron", "-o", "out"]);
    assert!(text.contains("A walk") && text.contains("holds  slide within a plant"));
    desk.expect(0, &["retarget", "take.bvh", "keeper.glb", "-o", "walk.glb"]);
    let bytes = |name: &str| std::fs::read(desk.path(name)).unwrap();
    // The name of the clip is that of the take in both.
    assert_eq!(bytes("out/walk.glb"), bytes("walk.glb").as_slice());
    assert!(desk.path("out/walk.report.json").exists());
}

#[test]
fn every_frame_can_be_solved_by_itself() {
    let desk = Desk::with_take_and_character();
    // At the rate of the capture: at 30 per second a fade is little smoother than a step.
    let at_full_rate = scene("").replace("take.bvh", "full.bvh");
    desk.write("walk.scene.ron", &at_full_rate);
    let report = |options: &[&str]| {
        desk.run(&[&["run", "walk.scene.ron", "-o", "out"], options].concat());
        desk.read_json("out/walk.report.json")
    };
    let (whole, each) = (report(&[]), report(&["--per-frame"]));
    assert_eq!(whole["settings"]["together"], "Clip");
    assert_eq!(each["settings"]["together"], "Frame");
    let of = |report: &Value, place: &str| {
        let value = report["measures"]["solved"].pointer(place);
        value.and_then(Value::as_f64).unwrap()
    };
    // Feet stand as well, but what brings them there begins and ends at once.
    let slide = "/slide/worst_mm_per_plant";
    assert!((of(&whole, slide) - of(&each, slide)).abs() < 0.01);
    let jump = "/edges/worst_deg";
    assert!(of(&each, jump) > 10.0 * of(&whole, jump));
    // `retarget` knows the same choice, and a settings file too.
    let onto = [
        "retarget",
        "full.bvh",
        "keeper.glb",
        "-o",
        "each.glb",
        "--json",
    ];
    let again = desk.json(&[&onto[..], &["--per-frame"]].concat());
    assert_eq!(again["measures"], each["measures"]);
    desk.write("each.settings.ron", "(together: Frame)");
    let again = desk.json(&[&onto[..], &["--settings", "each.settings.ron"]].concat());
    assert_eq!(again["measures"], each["measures"]);
}

#[test]
fn what_does_not_hold_fails_the_scene() {
    let desk = Desk::with_take_and_character();
    let check = |name: &str, more: &str, wanted: i32, says: &str| {
        std::fs::write(desk.path(name), scene(more)).unwrap();
        let (stdout, stderr) = desk.expect(wanted, &["run", name]);
        let text = stdout + &stderr;
        assert!(text.contains(says), "{text}");
    };
    let plain = "  settings: (plants: (enabled: false)),\n";
    check("plain.ron", plain, 1, "FAILS  slide within a plant");
    let much = "  must_hold: (plants: 1000),\n";
    check("much.ron", much, 1, "FAILS  plants");
    let gap = "  must_hold: (data_faults: [(kind: hold, joint: \"left_elbow\")]),\n";
    check(
        "gap.ron",
        gap,
        1,
        "FAILS  fault in the take's data, left_elbow",
    );
    // What is not asked for cannot fail.
    let lenient =
        format!("{plain}  must_hold: (slide_mm: None, sinking_mm: None, knee_ratio: None),\n");
    check("lenient.ron", &lenient, 0, "holds  plants");
    check("typo.ron", "  must_hod: (),\n", 3, "typo.ron, line 5");
    check("rate.ron", "  frames_per_sec: 0.0,\n", 3, "frames_per_sec");
    let range = "  settings: (pelvis_height: 99.0),\n";
    check("range.ron", range, 3, "range.ron: pelvis_height is 99");
    let tail = "  settings: (secondary: {\"tale_1\": Rest}),\n";
    check("tail.ron", tail, 3, "tail.ron: secondary does not fit");
    let late = "  settings: (keys: [(joint: \"head\", frame: 99999)]),\n";
    check("late.ron", late, 3, "late.ron: keys names frame 99999");
}

#[test]
fn a_scene_that_cannot_be_run_does_not_stop_the_others() {
    let desk = Desk::with_take_and_character();
    std::fs::write(desk.path("good.ron"), scene("")).unwrap();
    let lost = scene("").replace("take.bvh", "lost.bvh");
    std::fs::write(desk.path("lost.ron"), lost).unwrap();
    let (text, errors) = desk.expect(3, &["run", "--json", "lost.ron", "good.ron"]);
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines.len(), 2);
    assert!(lines[0]["error"].as_str().unwrap().contains("lost.bvh"));
    assert_eq!(lines[1]["holds"], Value::Bool(true));
    assert!(
        errors.contains("2 scenes: 1 hold, 0 do not, 1 could not be run"),
        "{errors}"
    );
    // Two scenes of one name would write one file.
    std::fs::create_dir(desk.path("other")).unwrap();
    std::fs::copy(desk.path("good.ron"), desk.path("other/good.ron")).unwrap();
    desk.expect(2, &["run", "good.ron", "other/good.ron", "-o", "out"]);
}
