//! `understudy inspect`: what is in a file.

use std::fmt::Write as _;
use std::path::PathBuf;

use serde::Serialize;
use serde_json::{Value, json};
use understudy_anatomy::mapping::{alike_joints, path_of};
use understudy_anatomy::{AppendageKind, Body, Mapping};
use understudy_interchange::Source;
use understudy_interchange::asf::{AxisRange, JointLimits};
use understudy_interchange::file::write_atomically;
use understudy_interchange::ron_file::save_ron;
use understudy_measure::fixed;
use understudy_motion::rate::spoken_rate;
use understudy_motion::{Axis, Clip, DVec3, JointKind, Skeleton};
use understudy_solver::foot::Stance;
use understudy_solver::{Contacts, FootPart, Settings, Take, Touch, find_contacts};

use crate::args::InspectArgs;
use crate::output::{Align, Table, print, unit_text, warn};
use understudy_measure::data_faults::{DataFault, find_data_faults};
use understudy_scene::export::spare_files;
use understudy_scene::load::{Loaded, Purpose};
use understudy_scene::report::{counted, data_fault_json, json_text};
use understudy_scene::{Exit, Failure};

/// Says what is in a file.
///
/// # Errors
/// An output that would replace an input, a file that cannot be read, an output that cannot be
/// written, contacts asked for where there is no body.
pub fn run(args: &InspectArgs) -> Result<Exit, Failure> {
    let outputs = [&args.mapping_out, &args.contacts_out, &args.positions];
    let inputs = [
        Some(&args.file),
        args.body.mapping.as_ref(),
        args.body.read.asf.as_ref(),
    ];
    spare_files(
        outputs.into_iter().filter_map(Option::as_deref),
        inputs.into_iter().flatten().map(PathBuf::as_path),
    )?;
    let options = args.body.load_options();
    let loaded = Loaded::read(&args.file, &options, Purpose::Motion)?;
    if let Some(path) = &args.positions {
        let text = json_text(&positions(&loaded), true)?;
        write_atomically(path, text.as_bytes()).map_err(|error| Failure::output(&error))?;
    }
    if let Some(path) = &args.mapping_out {
        let mapping = Mapping::from_recognition(loaded.skeleton(), &loaded.recognition);
        save_ron(path, &mapping).map_err(|error| Failure::output(&error))?;
        warn(path, alike_note(loaded.skeleton()).as_slice());
    }
    let findings = Findings::new(&loaded, args.floor);
    if let Some(path) = &args.contacts_out {
        let Some(ground) = &findings.ground else {
            return Err(loaded.body().err().unwrap_or_else(|| {
                Failure::unsolvable(
                    &args.file,
                    "there are no legs or there is no motion, so there are no contacts to write",
                )
            }));
        };
        save_ron(path, &ground.contacts).map_err(|error| Failure::output(&error))?;
    }
    match args.json {
        true => print(&json_text(&findings.json(&loaded), false)?),
        false => print(&findings.text(&loaded)),
    }
}

/// A line about joints that a mapping cannot hold.
fn alike_note(skeleton: &Skeleton) -> Option<String> {
    let alike = alike_joints(skeleton);
    let first = *alike.first()?;
    Some(format!(
        "{} share their names with others below the same parent, such as \"{}\"; a mapping cannot \
         tell them apart and leaves them out, rename them",
        counted(alike.len(), "joint"),
        path_of(skeleton, first)
    ))
}

/// World positions of all joints, frame by frame.
#[derive(Serialize)]
struct Positions<'a> {
    joints: Vec<&'a str>,
    frame_time_secs: f64,
    /// `[frame][joint]`: x, y, z in metres, in the axes of the file.
    positions_m: Vec<Vec<[f64; 3]>>,
    /// The glTF node of each joint.
    #[serde(skip_serializing_if = "Option::is_none")]
    nodes: Option<&'a [usize]>,
}

fn positions(loaded: &Loaded) -> Positions<'_> {
    let clip = &loaded.clip;
    let joints = 0..clip.skeleton.len();
    Positions {
        joints: joints
            .clone()
            .map(|joint| clip.skeleton.name(joint))
            .collect(),
        frame_time_secs: clip.frame_time_secs,
        positions_m: (0..clip.frame_count())
            .map(|frame| {
                let world = clip.world(frame);
                joints
                    .clone()
                    .map(|joint| world.position(joint).to_array())
                    .collect()
            })
            .collect(),
        nodes: match &loaded.source {
            Source::Gltf(character) => Some(&character.node_of_joint),
            _ => None,
        },
    }
}

/// Feet, floor and contacts.
struct Ground {
    stance: Stance,
    contacts: Contacts,
}

/// An arm at rest.
#[derive(Serialize)]
struct ArmAtRest {
    side: &'static str,
    pair: usize,
    /// Upper arm against level, degrees; positive is downward.
    below_level_deg: f64,
}

/// How much of the time a part of a foot is down.
#[derive(Serialize)]
struct Share {
    side: &'static str,
    pair: usize,
    /// `heel`, `ball`, `toe`, or `any` of them.
    part: &'static str,
    contacts: usize,
    /// 0 to 1.
    share: f64,
}

/// What was found in a file.
struct Findings {
    up: DVec3,
    height_m: f64,
    leg_length_m: Option<f64>,
    arms: Vec<ArmAtRest>,
    ground: Option<Ground>,
    shares: Vec<Share>,
    faults: Vec<DataFault>,
}

impl Findings {
    fn new(loaded: &Loaded, floor_height_m: Option<f64>) -> Self {
        let skeleton = loaded.skeleton();
        let body = loaded.assembly.as_ref().ok().map(|assembly| &assembly.body);
        let up = loaded.recognition.frame.up;
        // A pose stands on whatever its feet are on: only motion shows floor and contacts.
        let moves = loaded.clip.frame_count() > 1;
        let on_legs = body.filter(|body| moves && !body.legs.is_empty());
        let ground = on_legs.map(|body| {
            let settings = Settings {
                floor_height_m,
                ..Settings::default()
            };
            let take = Take {
                clip: &loaded.clip,
                body,
                surface: loaded.surface(),
            };
            let (stance, contacts) = find_contacts(take, &settings);
            Ground { stance, contacts }
        });
        Self {
            up,
            height_m: height_m(loaded, up),
            leg_length_m: body.and_then(|body| body.leg_length_m(skeleton)),
            arms: body.map_or_else(Vec::new, |body| arms_at_rest(skeleton, body, up)),
            shares: ground
                .as_ref()
                .map_or_else(Vec::new, |ground| shares(&loaded.clip, ground)),
            ground,
            faults: find_data_faults(&loaded.clip),
        }
    }

    /// "T", "A", "arms down", … of all arms, or that they differ.
    fn rest_word(&self) -> &'static str {
        let words: Vec<&str> = self
            .arms
            .iter()
            .map(|arm| arm_word(arm.below_level_deg))
            .collect();
        match words.split_first() {
            None => "no arms to tell by",
            Some((first, others)) if others.iter().all(|word| word == first) => {
                arm_word(self.arms.first().map_or(0.0, |arm| arm.below_level_deg))
            }
            Some(_) => "uneven: the arms differ",
        }
    }
}

fn arm_word(below_level_deg: f64) -> &'static str {
    match below_level_deg {
        angle if angle < -20.0 => "arms raised",
        angle if angle <= 20.0 => "T",
        angle if angle <= 65.0 => "A",
        _ => "arms down",
    }
}

/// Extent of joints, ends of bones and skin at rest, against gravity, metres.
fn height_m(loaded: &Loaded, up: DVec3) -> f64 {
    let skeleton = loaded.skeleton();
    let rest = skeleton.rest_world();
    let joints =
        (0..skeleton.len()).filter(|&joint| skeleton.joint(joint).kind == JointKind::Joint);
    let bones = joints.flat_map(|joint| {
        let tips = skeleton.joint(joint).tips.iter();
        let tips = tips.map(|&tip| rest.point(joint, tip)).collect::<Vec<_>>();
        std::iter::once(rest.position(joint)).chain(tips)
    });
    let meshes = loaded
        .surface()
        .into_iter()
        .flat_map(|surface| &surface.meshes);
    let points = bones.chain(meshes.flat_map(|mesh| mesh.posed(&rest)));
    let (low, high) = points.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), point| {
        let at = point.dot(up);
        (low.min(at), high.max(at))
    });
    (high - low).max(0.0)
}

fn arms_at_rest(skeleton: &Skeleton, body: &Body, up: DVec3) -> Vec<ArmAtRest> {
    let rest = skeleton.rest_world();
    body.arms
        .iter()
        .filter_map(|arm| {
            let upper = rest.position(arm.elbow) - rest.position(arm.shoulder);
            let direction = upper.try_normalize()?;
            Some(ArmAtRest {
                side: arm.side.word(),
                pair: arm.pair,
                below_level_deg: -direction.dot(up).clamp(-1.0, 1.0).asin().to_degrees(),
            })
        })
        .collect()
}

fn shares(clip: &Clip, ground: &Ground) -> Vec<Share> {
    let frames = clip.frame_count();
    let mut shares = Vec::new();
    for foot in &ground.stance.feet {
        let mut any = vec![false; frames];
        let mut add = |part: &'static str, mask: &[bool]| {
            shares.push(Share {
                side: foot.side.word(),
                pair: foot.pair,
                part,
                contacts: understudy_solver::contacts::runs(mask).len(),
                share: mask.iter().filter(|on| **on).count() as f64 / frames as f64,
            });
        };
        for part in FootPart::ALL {
            if foot.point(part).is_none() {
                continue;
            }
            let mask = ground.contacts.mask(foot.side, foot.pair, part, frames);
            for (any, on) in any.iter_mut().zip(&mask) {
                *any |= on;
            }
            add(part.word(), &mask);
        }
        add("any", &any);
    }
    shares
}

/// "+Y", or the vector where it lies along no axis.
fn direction_word(direction: DVec3) -> String {
    match Axis::nearest(direction) {
        Some(axis) if axis.vector().dot(direction) > 1.0 - 1e-6 => axis.to_string(),
        _ => format!(
            "({:.2}, {:.2}, {:.2})",
            direction.x, direction.y, direction.z
        ),
    }
}

fn count_of(body: &Body, kind: AppendageKind) -> usize {
    body.appendages
        .iter()
        .filter(|part| part.kind == kind)
        .count()
}

impl Findings {
    fn json(&self, loaded: &Loaded) -> Value {
        let clip = &loaded.clip;
        let frame = loaded.recognition.frame;
        json!({
            "understudy": env!("CARGO_PKG_VERSION"),
            "file": loaded.path,
            "format": loaded.format(),
            "asf": loaded.asf(),
            "unit": {
                "name": loaded.unit.unit.to_string(),
                "metres": loaded.unit.unit.metres(),
                "how": loaded.unit.how,
            },
            "clip": {
                "name": clip.name,
                "frames": clip.frame_count(),
                "frame_time_secs": clip.frame_time_secs,
                "rate": spoken_rate(clip.frame_time_secs),
                "start_secs": clip.start_secs,
                "duration_secs": clip.duration_secs(),
                "animations": animations(loaded),
            },
            "axes": {
                "up": frame.up.to_array(),
                "forward": frame.forward.to_array(),
                "up_axis": direction_word(frame.up),
                "forward_axis": direction_word(frame.forward),
                "confidence": loaded.recognition.frame_confidence,
            },
            "body": self.body_json(loaded),
            "rest_pose": { "kind": self.rest_word(), "arms": self.arms },
            "joints": joints_json(loaded),
            "limits": limits_json(loaded),
            "unmapped": unmapped(loaded),
            "doubtful": loaded.doubtful(),
            "floor": self.ground.as_ref().map(|ground| json!({
                "height_m": ground.stance.floor.height_m,
                "slope_deg": ground.stance.floor.slope().to_degrees(),
                "notes": ground.stance.notes,
            })),
            "contacts": self.shares,
            "touches": self.touches(),
            "faults": self.faults.iter().map(data_fault_json).collect::<Vec<_>>(),
            "notes": loaded.notes(),
            "warnings": loaded.warnings,
        })
    }

    fn body_json(&self, loaded: &Loaded) -> Value {
        let body = match &loaded.assembly {
            Ok(assembly) => &assembly.body,
            Err(problem) => {
                return json!({ "height_m": self.height_m, "problem": problem });
            }
        };
        json!({
            "height_m": self.height_m,
            "leg_length_m": self.leg_length_m,
            "legs": body.legs.len(),
            "digitigrade": body.legs.iter().any(|leg| leg.digitigrade),
            "arms": body.arms.len(),
            "spine_joints": body.spine.len(),
            "neck_joints": body.neck.len(),
            "tails": count_of(body, AppendageKind::Tail),
            "ears": count_of(body, AppendageKind::Ear),
            "wings": count_of(body, AppendageKind::Wing),
            "twist_joints": body.twists.len(),
        })
    }

    fn text(&self, loaded: &Loaded) -> String {
        let mut text = String::new();
        let mut section = |title: &str, body: &str| {
            if !body.is_empty() {
                // Writing to a string cannot fail.
                let _ = write!(text, "{title}\n{body}\n");
            }
        };
        section(&loaded.path.display().to_string(), &self.facts(loaded));
        section("Joints", &joint_tree(loaded));
        section("Doubtful roles", &lines(&loaded.doubtful()));
        section("Without a role", &lines(&unmapped(loaded)));
        section(
            "Contacts, share of the time on the floor",
            &self.contacts_text(),
        );
        let faults: Vec<String> = self.faults.iter().map(ToString::to_string).collect();
        section("Faults in the data", &lines(&faults));
        let mut notes = loaded.warnings.clone();
        notes.extend(loaded.notes());
        notes.extend(
            self.ground
                .iter()
                .flat_map(|ground| ground.stance.notes.clone()),
        );
        section("Notes", &lines(&notes));
        text.truncate(text.trim_end().len());
        text.push('\n');
        text
    }

    fn facts(&self, loaded: &Loaded) -> String {
        let clip = &loaded.clip;
        let frame = loaded.recognition.frame;
        let mut table = Table::new(&[Align::Left, Align::Left]);
        table.row(["format".to_owned(), loaded.format().to_owned()]);
        if let Some(asf) = loaded.asf() {
            table.row(["skeleton".to_owned(), asf.display().to_string()]);
        }
        let limits = limits(loaded);
        if !limits.is_empty() {
            let count = counted(limits.len(), "joint");
            let text = format!("of {count}, listed with --json; nothing is held to them");
            table.row(["limits".to_owned(), text]);
        }
        table.row([
            "unit".to_owned(),
            format!("{}, {}", unit_text(loaded.unit.unit), loaded.unit.how),
        ]);
        table.row([
            "motion".to_owned(),
            match clip.frame_count() {
                1 => "none, a single pose".to_owned(),
                frames => format!(
                    "{frames} frames at {} per second (frame time {} s), {:.3} s",
                    spoken_rate(clip.frame_time_secs),
                    clip.frame_time_secs,
                    clip.duration_secs()
                ),
            },
        ]);
        let animations = animations(loaded);
        if animations.len() > 1 {
            table.row(["animations".to_owned(), animations.join(", ")]);
        }
        table.row([
            "axes".to_owned(),
            format!(
                "up {}, forward {} (confidence {:.2})",
                direction_word(frame.up),
                direction_word(frame.forward),
                loaded.recognition.frame_confidence
            ),
        ]);
        table.row(["body".to_owned(), self.body_text(loaded)]);
        table.row(["rest pose".to_owned(), self.rest_text()]);
        if let Some(ground) = &self.ground {
            let floor = ground.stance.floor;
            table.row([
                "floor".to_owned(),
                format!(
                    "{} m along {}, slope {:.1} deg",
                    fixed(floor.height_m, 4),
                    direction_word(self.up),
                    floor.slope().to_degrees()
                ),
            ]);
        }
        let faults = match self.faults.len() {
            0 => "none found".to_owned(),
            count => format!("{count}, listed below"),
        };
        table.row(["faults".to_owned(), faults]);
        table.text(2)
    }

    fn body_text(&self, loaded: &Loaded) -> String {
        let body = match &loaded.assembly {
            Ok(assembly) => &assembly.body,
            Err(problem) => return format!("{:.3} m tall; no body: {problem}", self.height_m),
        };
        let mut parts = vec![
            format!("{:.3} m tall", self.height_m),
            counted(body.legs.len(), "leg"),
            counted(body.arms.len(), "arm"),
            counted(body.spine.len(), "spine joint"),
            counted(body.neck.len(), "neck joint"),
        ];
        if let Some(length) = self.leg_length_m {
            parts.insert(1, format!("leg length {length:.3} m"));
        }
        if body.legs.iter().any(|leg| leg.digitigrade) {
            parts.push("walks on its toes".to_owned());
        }
        let kinds = [
            (AppendageKind::Tail, "tail"),
            (AppendageKind::Ear, "ear"),
            (AppendageKind::Wing, "wing"),
        ];
        let more = kinds.map(|(kind, word)| (count_of(body, kind), word));
        parts.extend(
            more.into_iter()
                .chain([(body.twists.len(), "twist joint")])
                .filter(|(count, _)| *count > 0)
                .map(|(count, word)| counted(count, word)),
        );
        parts.join(", ")
    }

    fn rest_text(&self) -> String {
        let arms: Vec<String> = self
            .arms
            .iter()
            .map(|arm| {
                let pair = match arm.pair {
                    0 => String::new(),
                    pair => format!(" (pair {})", pair + 1),
                };
                let angle = arm.below_level_deg;
                match angle.abs() < 0.5 {
                    true => format!("{} arm{pair} level", arm.side),
                    false => format!(
                        "{} arm{pair} {:.0} deg {} level",
                        arm.side,
                        angle.abs(),
                        if angle > 0.0 { "below" } else { "above" }
                    ),
                }
            })
            .collect();
        match arms.is_empty() {
            true => self.rest_word().to_owned(),
            false => format!("{}: {}", self.rest_word(), arms.join(", ")),
        }
    }

    fn contacts_text(&self) -> String {
        let mut table = Table::new(&[Align::Left, Align::Left, Align::Right, Align::Left]);
        for share in &self.shares {
            let leg = match share.pair {
                0 => share.side.to_owned(),
                pair => format!("{} (pair {})", share.side, pair + 1),
            };
            table.row([
                leg,
                match share.part {
                    "any" => "any part".to_owned(),
                    part => part.to_owned(),
                },
                format!("{:.1} %", 100.0 * share.share),
                counted(share.contacts, "contact"),
            ]);
        }
        let mut text = table.text(2);
        for touch in self.touches() {
            text += &format!(
                "  {} in frames {} to {}\n",
                touch.words(),
                touch.first,
                touch.last
            );
        }
        text
    }

    fn touches(&self) -> &[Touch] {
        let touches = self
            .ground
            .as_ref()
            .and_then(|ground| ground.contacts.touches.as_deref());
        touches.unwrap_or_default()
    }
}

fn animations(loaded: &Loaded) -> Vec<String> {
    match &loaded.source {
        Source::Gltf(character) => character
            .clips
            .iter()
            .map(|clip| clip.name.clone())
            .collect(),
        _ => Vec::new(),
    }
}

fn joints_json(loaded: &Loaded) -> Vec<Value> {
    let skeleton = loaded.skeleton();
    (0..skeleton.len())
        .map(|joint| {
            let assignment = loaded.recognition.roles.get(joint);
            json!({
                "index": joint,
                "name": skeleton.name(joint),
                "parent": skeleton.parent(joint),
                "role": assignment.map(|found| found.role.to_string()),
                "confidence": assignment.map(|found| found.confidence),
                "reason": assignment.map(|found| &found.reason),
            })
        })
        .collect()
}

/// Rotation limits that an ASF file states.
fn limits(loaded: &Loaded) -> &[JointLimits] {
    match &loaded.source {
        Source::AsfAmc { limits, .. } => limits,
        _ => &[],
    }
}

/// Limits per joint, degrees, in the order of turning; `null` where an axis turns without end.
fn limits_json(loaded: &Loaded) -> Vec<Value> {
    let axes = ["X", "Y", "Z"];
    let ranges = |limits: &JointLimits| -> Vec<Value> {
        let ranges = limits.ranges.iter();
        let json = |range: &AxisRange| {
            json!({
                "axis": axes.get(range.axis),
                "low_deg": range.low_rad.to_degrees(),
                "high_deg": range.high_rad.to_degrees(),
            })
        };
        ranges.map(json).collect()
    };
    limits(loaded)
        .iter()
        .map(|limits| {
            let name = loaded.skeleton().name(limits.joint);
            json!({ "joint": name, "ranges": ranges(limits) })
        })
        .collect()
}

/// Joints without a role; what only carries the skeleton needs none.
fn unmapped(loaded: &Loaded) -> Vec<String> {
    let skeleton = loaded.skeleton();
    let joints = loaded.recognition.roles.unmapped().into_iter();
    joints
        .filter(|&joint| skeleton.joint(joint).kind == JointKind::Joint)
        .map(|joint| skeleton.name(joint).to_owned())
        .collect()
}

/// The joints as a tree, with role, confidence and reason.
fn joint_tree(loaded: &Loaded) -> String {
    let skeleton = loaded.skeleton();
    let mut table = Table::new(&[Align::Left, Align::Left, Align::Right, Align::Left]);
    table.row(["name", "role", "sure", "why"]);
    // An explicit stack: a chain of a hundred thousand joints is no reason to crash.
    let mut open: Vec<(usize, usize)> = skeleton.roots().map(|root| (root, 0)).collect();
    open.reverse();
    while let Some((joint, depth)) = open.pop() {
        let children = skeleton.children(joint);
        open.extend(children.iter().rev().map(|&child| (child, depth + 1)));
        let name = format!(
            "{}{}",
            "  ".repeat(depth.min(MOST_INDENT)),
            skeleton.name(joint)
        );
        match loaded.recognition.roles.get(joint) {
            Some(found) => table.row([
                name,
                found.role.to_string(),
                format!("{:.2}", found.confidence),
                found.reason.clone(),
            ]),
            None if skeleton.joint(joint).kind == JointKind::Carrier => {
                table.row([
                    name,
                    "-".into(),
                    String::new(),
                    "carries the skeleton".into(),
                ]);
            }
            None => table.row([name, "-".to_owned()]),
        }
    }
    table.text(2)
}

/// Deeper joints are not indented further.
const MOST_INDENT: usize = 24;

fn lines(texts: &[impl AsRef<str>]) -> String {
    texts
        .iter()
        .map(|text| format!("  {}\n", text.as_ref()))
        .collect()
}
