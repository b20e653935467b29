//! All measures of a clip in one report, and the reports of take, plain transfer and result side
//! by side.

use serde::Serialize;
use understudy_motion::Surface;
use understudy_solver::contacts::FootPart;
use understudy_solver::align::source_leg;
use understudy_solver::Retargeted;

use crate::floor_contact::{FloorContact, measure_floor_contact, sinking_series};
use crate::knees::{BendJoint, BendPeaks, bend_series, measure_bends};
use crate::slide::{Slide, measure_slide, slide_series};
use crate::subject::{PlantedParts, Subject, parts_from_contacts};
use crate::timing::{Timing, measure_timing};

/// What to measure besides the sums.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Options {
    /// Keep values frame by frame.
    pub series: bool,
}

/// A value for every frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Series {
    /// What it is, with its unit: `slide_mm_per_frame`, `sinking_mm`, `knee_bend_deg`.
    pub measure: &'static str,
    /// Where: "left", "right".
    pub part: String,
    /// Frame by frame.
    pub values: Vec<f64>,
}

/// All measures of one clip.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// Number of frames.
    pub frames: usize,
    /// Time from frame to frame.
    pub frame_time_secs: f64,
    /// Thigh and shank at rest.
    pub leg_length_m: f64,
    /// Height of the floor at x = z = 0.
    pub floor_height_m: f64,
    /// Slope of the floor.
    pub floor_slope_deg: f64,
    /// Foot slide.
    pub slide: Slide,
    /// Sinking and floating.
    pub floor_contact: FloorContact,
    /// Knees, leg by leg.
    pub knees: Vec<BendPeaks>,
    /// Ankles (hocks), leg by leg, for information.
    pub ankles: Vec<BendPeaks>,
    /// Shift against the take; absent for the take itself.
    pub timing: Option<Timing>,
    /// Values frame by frame, where asked for.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub series: Vec<Series>,
}

/// A retarget measured.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    /// The take itself.
    pub take: Report,
    /// Plain transfer, with the result's contacts.
    pub plain: Report,
    /// The result.
    pub solved: Report,
}

/// Measures take, plain transfer and result of a retarget.
pub fn measure(retargeted: &Retargeted, surface: Option<&Surface>) -> Comparison {
    measure_with(retargeted, surface, Options::default())
}

/// As [`measure`], with options.
pub fn measure_with(
    retargeted: &Retargeted,
    _surface: Option<&Surface>,
    options: Options,
) -> Comparison {
    let frames = retargeted.take.frame_count();
    let floor = retargeted.floor();
    let take_parts = parts_from_contacts(&retargeted.stance.feet, &retargeted.contacts, frames);
    let parts = character_parts(retargeted);
    let take = Subject::new(
        &retargeted.take,
        &retargeted.performer,
        &retargeted.stance.feet,
        floor,
        &take_parts,
    );
    let character =
        |clip| Subject::new(clip, &retargeted.body, &retargeted.feet, floor, &parts);
    let (plain, solved) = (character(&retargeted.plain), character(&retargeted.solved));
    Comparison {
        take: report(&take, None, options),
        plain: report(&plain, Some(&take), options),
        solved: report(&solved, Some(&take), options),
    }
}

/// Planted parts of the character's feet. Where the solver planted none, the take's contacts of
/// the legs that drive them.
fn character_parts(retargeted: &Retargeted) -> Vec<PlantedParts> {
    let any = |parts: &PlantedParts| parts.iter().flatten().any(|on| *on);
    if retargeted.planted_parts.iter().any(any) {
        return retargeted.planted_parts.clone();
    }
    let frames = retargeted.solved.frame_count();
    retargeted
        .body
        .legs
        .iter()
        .map(|leg| {
            let Some(source) = source_leg(&retargeted.performer, leg) else {
                return vec![[false; 3]; frames];
            };
            let source = &retargeted.performer.legs[source];
            let masks = FootPart::ALL
                .map(|part| retargeted.contacts.mask(source.side, source.pair, part, frames));
            (0..frames)
                .map(|frame| [masks[0][frame], masks[1][frame], masks[2][frame]])
                .collect()
        })
        .collect()
}

fn report(subject: &Subject<'_>, take: Option<&Subject<'_>>, options: Options) -> Report {
    Report {
        frames: subject.frame_count(),
        frame_time_secs: subject.clip.frame_time_secs,
        leg_length_m: subject.leg_length_m,
        floor_height_m: subject.floor.height_m,
        floor_slope_deg: subject.floor.slope().to_degrees(),
        slide: measure_slide(subject),
        floor_contact: measure_floor_contact(subject),
        knees: measure_bends(subject, take, BendJoint::Knee),
        ankles: measure_bends(subject, take, BendJoint::Ankle),
        timing: take.map(|take| measure_timing(subject, take)),
        series: if options.series {
            all_series(subject)
        } else {
            Vec::new()
        },
    }
}

fn all_series(subject: &Subject<'_>) -> Vec<Series> {
    let by_leg = |measure: &'static str, values: Vec<Vec<f64>>| {
        values
            .into_iter()
            .enumerate()
            .map(move |(leg, values)| Series {
                measure,
                part: subject.leg_name(leg),
                values,
            })
    };
    let bends = subject
        .body
        .legs
        .iter()
        .map(|leg| {
            bend_series(subject, leg, BendJoint::Knee)
                .into_iter()
                .map(f64::to_degrees)
                .collect()
        })
        .collect();
    by_leg("slide_mm_per_frame", slide_series(subject))
        .chain(by_leg("sinking_mm", sinking_series(subject)))
        .chain(by_leg("knee_bend_deg", bends))
        .collect()
}
