//! What a person should know about a retarget, and all of it as JSON.

use std::path::{Path, PathBuf};

use serde::Serialize;
use serde_json::{Value, json};
use understudy_measure::data_faults::DataFault;
use understudy_motion::rate::spoken_rate;
use understudy_solver::{Foot, FootPart, Retargeted};

use crate::failure::{Exit, Failure};
use crate::load::Loaded;
use crate::solve::Solved;

/// What a person should know, and the file it is about.
pub type Note = (PathBuf, String);

/// "1 frame", "2 frames".
pub fn counted(count: usize, thing: &str) -> String {
    match count {
        1 => format!("1 {thing}"),
        _ => format!("{count} {thing}s"),
    }
}

/// A value as JSON text, on lines of its own for people or on one line.
///
/// # Errors
/// A value that JSON cannot hold.
pub fn json_text(value: &impl Serialize, on_one_line: bool) -> Result<String, Failure> {
    let text = match on_one_line {
        true => serde_json::to_string(value),
        false => serde_json::to_string_pretty(value),
    };
    text.map(|text| text + "\n").map_err(|error| Failure {
        exit: Exit::Output,
        message: format!("the result cannot be put into JSON: {error}"),
    })
}

/// A fault in data for programs: the fields, and `text` as people read it.
pub fn data_fault_json(fault: &DataFault) -> Value {
    let mut value = json!(fault);
    value["text"] = json!(fault.to_string());
    value
}

pub(crate) fn notes_of(
    take: &Loaded,
    mended: &[String],
    character: &Loaded,
    retargeted: &Retargeted,
) -> Vec<Note> {
    let of_file = |file: &Loaded, mended: &[String]| {
        let read = file.warnings.iter().chain(mended).cloned();
        read.chain(file.notes())
            .map(|note| (file.path.clone(), note))
            .collect::<Vec<_>>()
    };
    let mut notes = of_file(take, mended);
    notes.extend(of_file(character, &[]));
    let solving = retargeted.notes.iter().cloned();
    notes.extend(solving.map(|note| (take.path.clone(), note)));
    notes
}

/// One line about faults in the data of a take.
pub(crate) fn data_note(faults: &[DataFault]) -> Option<String> {
    let first = faults.first()?;
    Some(match faults.len() {
        1 => format!("a fault in its data, {first}"),
        count => format!(
            "{count} faults in its data, such as {first}; `understudy inspect` lists them all"
        ),
    })
}

/// Doubtful roles by file, where there are any.
pub(crate) fn doubtful_of(files: [&Loaded; 2]) -> Vec<(PathBuf, Vec<String>)> {
    let roles = files.map(|file| (file.path.clone(), file.doubtful()));
    let some = roles.into_iter().filter(|(_, roles)| !roles.is_empty());
    some.collect()
}

/// One line about the doubtful roles of a file.
pub(crate) fn doubt_note((path, roles): &(PathBuf, Vec<String>)) -> Note {
    let first = roles.first().map_or("", String::as_str);
    let note = format!(
        "{}, such as {first}; look at them with `understudy inspect`, and settle them in a mapping \
         file (`inspect --mapping-out`)",
        counted(roles.len(), "doubtful role")
    );
    (path.clone(), note)
}

/// The points that stand on the floor, in the coordinates of the joints that carry them, metres: so
/// that others can measure the clip again.
fn soles_json(retargeted: &Retargeted) -> Vec<Value> {
    let skeleton = &retargeted.solved.skeleton;
    let point = |foot: &Foot, part: FootPart| {
        foot.point(part).map(|point| {
            json!({
                "joint": skeleton.name(point.joint),
                "local_m": point.local.to_array(),
            })
        })
    };
    let feet = retargeted.feet.iter();
    feet.map(|foot| {
        json!({
            "side": foot.side.word(),
            "pair": foot.pair,
            "heel": point(foot, FootPart::Heel),
            "ball": point(foot, FootPart::Ball),
            "toe": point(foot, FootPart::Toe),
        })
    })
    .collect()
}

/// All that is known of a result, for programs.
pub(crate) fn report_of(
    take: &Loaded,
    character: &Loaded,
    solved: &Solved,
    output: &Path,
) -> Value {
    let retargeted = &solved.retargeted;
    let file = |loaded: &Loaded| {
        json!({
            "file": loaded.path,
            "format": loaded.format(),
            "unit": loaded.unit.unit.to_string(),
            "unit_found": loaded.unit.how,
            "asf": loaded.asf(),
            "mapping": loaded.mapping,
            "joints": loaded.skeleton().len(),
        })
    };
    let mut take_json = file(take);
    take_json["frames"] = json!(retargeted.take.frame_count());
    take_json["frame_time_secs"] = json!(retargeted.take.frame_time_secs);
    take_json["rate"] = json!(spoken_rate(retargeted.take.frame_time_secs));
    take_json["duration_secs"] = json!(retargeted.take.duration_secs());
    json!({
        "understudy": env!("CARGO_PKG_VERSION"),
        "output": output,
        "take": take_json,
        "character": file(character),
        "travel_factor": retargeted.scale.horizontal,
        "height_factor": retargeted.scale.vertical,
        "settings": solved.choices.settings,
        "within_limits": solved.strict_problems().is_empty(),
        "doubtful": solved
            .doubtful
            .iter()
            .map(|(path, roles)| json!({ "file": path, "roles": roles }))
            .collect::<Vec<_>>(),
        "soles": soles_json(retargeted),
        "measures": solved.comparison,
        "contacts": retargeted.contacts.contacts,
        "touches": retargeted.touches,
        "data_faults": solved.data_faults.iter().map(data_fault_json).collect::<Vec<_>>(),
        "notes": solved
            .notes
            .iter()
            .map(|(path, note)| json!({ "file": path, "note": note }))
            .collect::<Vec<_>>(),
    })
}
