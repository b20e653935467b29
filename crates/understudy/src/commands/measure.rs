//! `understudy measure`: a clip on its own, or against its take.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use understudy_interchange::file::write_atomically;
use understudy_interchange::ron_file::load_ron;
use understudy_measure::{Fault, Options, Report, fixed, measure_clip, measure_with};
use understudy_motion::Clip;
use understudy_motion::rate::spoken_rate;
use understudy_solver::{Character, Contacts, Retargeted, Settings, Take, retarget};

use crate::args::MeasureArgs;
use crate::output::{Align, Table, print, warn};
use understudy_scene::choices::{Choices, moved_contacts, solve_error};
use understudy_scene::export::spare_files;
use understudy_scene::load::{LoadOptions, Loaded, Purpose, resampled};
use understudy_scene::report::{counted, json_text};
use understudy_scene::strict::strict_faults;
use understudy_scene::{Exit, Failure};

/// What was measured: JSON, text, faults.
struct Measured {
    json: Value,
    text: String,
    faults: Vec<Fault>,
}

/// Measures a clip.
///
/// # Errors
/// A report that would replace an input, files that cannot be read, bodies that cannot be made out.
pub fn run(args: &MeasureArgs) -> Result<Exit, Failure> {
    let inputs = [
        Some(&args.file),
        args.against.as_ref(),
        args.body.mapping.as_ref(),
        args.mapping_take.as_ref(),
        args.contacts.as_ref(),
        args.body.read.asf.as_ref(),
    ];
    spare_files(
        args.report.as_deref(),
        inputs.into_iter().flatten().map(PathBuf::as_path),
    )?;
    let options = args.body.load_options();
    let clip = Loaded::read(&args.file, &options, Purpose::Motion)?;
    warn(&args.file, &clip.warnings);
    warn(&args.file, &clip.notes());
    let settings = Settings {
        floor_height_m: args.floor,
        ..Settings::default()
    };
    let measured = match &args.against {
        None => alone(&clip, &settings, args)?,
        Some(take) => against(&clip, take, &settings, args)?,
    };
    if let Some(path) = &args.report {
        let text = json_text(&measured.json, false)?;
        write_atomically(path, text.as_bytes()).map_err(|error| Failure::output(&error))?;
    }
    match args.json {
        true => print(&json_text(&measured.json, false)?)?,
        false => print(&measured.text)?,
    };
    match args.strict && !strict_faults(&measured.faults).is_empty() {
        true => Ok(Exit::Faults),
        false => Ok(Exit::Done),
    }
}

fn alone(clip: &Loaded, settings: &Settings, args: &MeasureArgs) -> Result<Measured, Failure> {
    let options = Options {
        series: args.series,
    };
    let report = measure_clip(&clip.clip, clip.body()?, clip.surface(), settings, options);
    let faults = understudy_measure::verdict(&report, None);
    Ok(Measured {
        json: json!({
            "understudy": env!("CARGO_PKG_VERSION"),
            "clip": { "file": clip.path },
            "measures": report,
            "faults": faults,
            "within_limits": strict_faults(&faults).is_empty(),
        }),
        text: text_of(&clip.path, &report, &faults),
        faults,
    })
}

fn text_of(path: &Path, report: &Report, faults: &[Fault]) -> String {
    let faults = match faults.is_empty() {
        true => "no faults\n".to_owned(),
        false => {
            let lines = faults.iter().map(|fault| format!("  {}\n", fault.text));
            format!("faults, worst first:\n{}", lines.collect::<String>())
        }
    };
    format!(
        "{}: {} at {} per second; leg {:.3} m; {}; floor at {} m ({})\n\n{}\n{faults}",
        path.display(),
        counted(report.frames, "frame"),
        spoken_rate(report.frame_time_secs),
        report.leg_length_m,
        counted(report.slide.plants.len(), "plant"),
        fixed(report.floor_height_m, 3),
        report.floor_source,
        table_of(report),
    )
}

/// The sums of a report, one a line.
fn table_of(report: &Report) -> String {
    let slide = &report.slide;
    let contact = &report.floor_contact;
    let rows = [
        ("foot slide, worst plant", slide.worst_mm_per_plant, "mm"),
        ("foot slide, mean plant", slide.mean_mm_per_plant, "mm"),
        ("foot slide, worst", slide.worst_mm_per_frame, "mm/frame"),
        ("sinking, worst", contact.worst_sinking_mm, "mm"),
        ("floating, worst", contact.worst_floating_mm, "mm"),
        ("self-penetration, worst", report.penetration.worst_mm, "mm"),
        (
            "beyond joint range, worst",
            report.limits.worst_excess_deg,
            "°",
        ),
    ];
    let mut table = Table::new(&[Align::Left, Align::Right, Align::Left]);
    for (name, value, unit) in rows {
        table.row([name.to_owned(), format!("{value:.2}"), unit.to_owned()]);
    }
    for knee in &report.knees {
        table.row([
            format!("{} knee, sharpest turn", knee.leg),
            format!("{:.2}", knee.peak_rad_per_s2),
            format!("rad/s² in frame {}", knee.peak_frame),
        ]);
        table.row([
            format!("{} knee, least bend", knee.leg),
            format!("{:.2}", knee.least_bend_deg),
            "°".to_owned(),
        ]);
    }
    table.text(0)
}

/// Measures a clip as if it were the result of a retarget of the take onto its skeleton.
fn against(
    clip: &Loaded,
    take_path: &Path,
    settings: &Settings,
    args: &MeasureArgs,
) -> Result<Measured, Failure> {
    let options = LoadOptions {
        unit: args.unit_take,
        mapping: args.mapping_take.clone(),
        ..LoadOptions::default()
    };
    let take = Loaded::read(take_path, &options, Purpose::Motion)?;
    warn(take_path, &take.warnings);
    warn(take_path, &take.notes());
    let (take_clip, own_clip) = side_by_side(&take, clip)?;
    let contacts = match &args.contacts {
        Some(path) => Some(contacts_within(path, &take, &take_clip)?),
        None => None,
    };
    let mut choices = Choices {
        settings: settings.clone(),
        contacts,
        contacts_file: args.contacts.clone(),
        ..Choices::default()
    };
    choices.settings.plants.enabled = false;
    let mut retargeted = plain_transfer(&take, &take_clip, clip, &choices)?;
    retargeted.solved = own_clip.rotated(clip.body()?.frame.upright_from_file());
    let options = Options {
        series: args.series,
    };
    let comparison = measure_with(&retargeted, [take.surface(), clip.surface()], options);
    Ok(Measured {
        json: json!({
            "understudy": env!("CARGO_PKG_VERSION"),
            "clip": { "file": clip.path },
            "take": { "file": take.path },
            "within_limits": strict_faults(&comparison.faults).is_empty(),
            "measures": comparison,
        }),
        text: format!(
            "{} against {}\n\n{}",
            clip.path.display(),
            take.path.display(),
            comparison.with_column("clip")
        ),
        faults: comparison.faults,
    })
}

/// Part of a take carried onto the skeleton of a clip, for what the clip is measured beside.
fn plain_transfer(
    take: &Loaded,
    part: &Clip,
    clip: &Loaded,
    choices: &Choices,
) -> Result<Retargeted, Failure> {
    let performer = Take {
        clip: part,
        body: take.body()?,
        surface: take.surface(),
    };
    let character = Character {
        skeleton: clip.skeleton(),
        body: clip.body()?,
        surface: clip.surface(),
    };
    retarget(
        performer,
        character,
        &choices.settings,
        choices.contacts.as_ref(),
    )
    .map_err(|problem| solve_error(&take.path, choices, problem))
}

/// Contacts of a take from a file, as far as they lie in the part of it that is compared.
fn contacts_within(path: &Path, take: &Loaded, part: &Clip) -> Result<Contacts, Failure> {
    let given: Contacts = load_ron(path).map_err(|error| Failure::input(&error))?;
    let check = given.check(take.clip.frame_count(), take.body()?);
    check.map_err(|problem| Failure::input_at(path, problem))?;
    let last = part.frame_count() - 1;
    Ok(moved_contacts(&given, 1.0, last))
}

/// Take and clip at the take's frame rate, and as long as the shorter one.
fn side_by_side(take: &Loaded, clip: &Loaded) -> Result<(Clip, Clip), Failure> {
    let (own, wanted) = (clip.clip.frame_time_secs, take.clip.frame_time_secs);
    // Less than half a frame over the whole clip is how frame times are printed.
    let drift = (own / wanted - 1.0).abs() * clip.clip.frame_count() as f64;
    let own_clip = if drift < 0.5 {
        clip.clip.clone()
    } else {
        resampled(&clip.clip, wanted).map_err(|problem| Failure::input_at(&clip.path, problem))?
    };
    let last = take.clip.frame_count().min(own_clip.frame_count()) - 1;
    let difference = take.clip.frame_count().abs_diff(own_clip.frame_count());
    if difference > 1 {
        let note = format!(
            "the take has {}, the clip {}; only the first {} are compared",
            counted(take.clip.frame_count(), "frame"),
            own_clip.frame_count(),
            last + 1
        );
        warn(&clip.path, &[note]);
    }
    Ok((take.clip.range(0, last), own_clip.range(0, last)))
}
