//! All measures of a clip in one report, and the reports of take, plain transfer and result side
//! by side.

use std::convert::Infallible;

use serde::Serialize;
use understudy_anatomy::Body;
use understudy_motion::{Clip, Surface};
use understudy_solver::align::source_leg;
use understudy_solver::{Retargeted, Settings, Take, Touch, find_contacts};

use crate::balance::{Balance, imbalance_series, measure_balance};
use crate::edges::{EdgeJumps, measure_edges};
use crate::faults::{Fault, verdict};
use crate::floor_contact::{FloorContact, measure_floor_contact, sinking_series};
use crate::knees::{BendJoint, BendPeaks, bend_series, measure_bends};
use crate::limbs::{DirectionErrors, measure_directions};
use crate::limits::{BeyondPlain, Limits, measure_beyond_plain, measure_limits};
use crate::mesh::beyond::{BeyondTake, measure_beyond};
use crate::mesh::meetings::{Meeting, measure_meetings};
use crate::mesh::penetration::mesh_penetration_watched;
use crate::mesh::soles::{Soles, measure_soles};
use crate::own_body::{OwnBody, measure_own_body};
use crate::peaks::{Peaks, measure_peaks};
use crate::pelvis::{PelvisTilt, measure_pelvis};
use crate::penetration::{Penetration, penetration_watched};
use crate::skating::{Skating, measure_skating};
use crate::slide::{Slide, measure_slide, slide_series};
use crate::subject::{PlantedParts, Subject, parts_from_contacts};
use crate::timing::{Timing, measure_timing};
use crate::touches::{TouchGap, measure_touches};
use crate::tremor::{Tremor, measure_tremor};

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
    /// How the floor was found.
    pub floor_source: String,
    /// Foot slide.
    pub slide: Slide,
    /// Sinking and floating.
    pub floor_contact: FloorContact,
    /// Foot skating as published.
    pub skating: Skating,
    /// Knees, leg by leg.
    pub knees: Vec<BendPeaks>,
    /// Ankles (hocks), leg by leg, for information.
    pub ankles: Vec<BendPeaks>,
    /// Lean of the pelvis against the take; absent for the take itself.
    pub pelvis: Option<PelvisTilt>,
    /// The centre of mass over the feet against the take; absent for the take itself, and where no foot stands.
    pub balance: Option<Balance>,
    /// Directions of limbs against the take; absent for the take itself.
    pub directions_from_take: Option<DirectionErrors>,
    /// Directions of limbs against plain transfer; only of a result.
    pub directions_from_plain: Option<DirectionErrors>,
    /// Parts of the body that go into each other.
    pub penetration: Penetration,
    /// Penetration and contacts that the take does not have; only on a skin, and of the character.
    pub beyond_take: Option<BeyondTake>,
    /// Soles on the skin; only of the character.
    pub soles: Option<Soles>,
    /// Touches of hands and forearms, where there are any.
    pub touches: Vec<TouchGap>,
    /// The take's touches, measured on the character's skin without regard to how they were carried
    /// over.
    pub meetings: Vec<Meeting>,
    /// Fast changes of joint accelerations against the take; absent for the take itself.
    pub tremor: Option<Tremor>,
    /// Jumps at the edges of contacts; only of a result.
    pub edges: Option<EdgeJumps>,
    /// Peaks of limb speeds against the take; absent for the take itself.
    pub peaks: Option<Peaks>,
    /// What changed, where the take was carried onto its own body.
    pub own_body: Option<OwnBody>,
    /// Shift against the take; absent for the take itself.
    pub timing: Option<Timing>,
    /// Joints against human ranges.
    pub limits: Limits,
    /// Joints beyond human ranges where plain transfer is not; only of a result.
    pub limits_beyond_plain: Option<BeyondPlain>,
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
    /// Per leg of the character: frames in which the leg that drives it stands, but it does not.
    /// Slide cannot be seen in them.
    pub lost_contact_frames: Vec<usize>,
    /// Faults of the result, worst first.
    pub faults: Vec<Fault>,
}

impl Comparison {
    /// Drops values frame by frame.
    pub fn forget_series(&mut self) {
        for report in [&mut self.take, &mut self.plain, &mut self.solved] {
            report.series.clear();
        }
    }
}

/// Measures take, plain transfer and result of a retarget. `surface` is the character's.
pub fn measure(retargeted: &Retargeted, surface: Option<&Surface>) -> Comparison {
    measure_with(retargeted, [None, surface], Options::default())
}

/// Hears how much of a measurement is done, 0 to 1; an error of it ends the measurement.
pub type At<'a, E> = &'a dyn Fn(f64) -> Result<(), E>;

/// As [`measure`], with options. The first surface is the performer's, where the take has one, the
/// second the character's.
pub fn measure_with(
    retargeted: &Retargeted,
    surfaces: [Option<&Surface>; 2],
    options: Options,
) -> Comparison {
    let Ok(comparison) = measure_watched::<Infallible>(retargeted, surfaces, options, &|_| Ok(()));
    comparison
}

/// As [`measure_with`], telling how far it has come.
///
/// # Errors
/// What `at` returned.
pub fn measure_watched<E>(
    retargeted: &Retargeted,
    [take_surface, surface]: [Option<&Surface>; 2],
    options: Options,
    at: At<'_, E>,
) -> Result<Comparison, E> {
    at(0.0)?;
    let frames = retargeted.take.frame_count();
    let floor = retargeted.floor();
    let source = retargeted.stance.floor_source.to_string();
    let take_parts = parts_from_contacts(&retargeted.stance.feet, &retargeted.contacts, frames);
    let parts = character_parts(retargeted);
    let take = Subject::new(
        &retargeted.take,
        &retargeted.performer,
        &retargeted.stance.feet,
        floor,
        &take_parts,
    );
    let character = |clip| Subject::new(clip, &retargeted.body, &retargeted.feet, floor, &parts);
    let plain = character(&retargeted.plain);
    let solved = character(&retargeted.solved);
    let third = |first: f64| move |share: f64| at((first + share) / 3.0);
    let touches = retargeted.contacts.touches.as_deref().unwrap_or_default();
    let beside = Some((&take, touches));
    let take_report = report(&take, None, take_surface, &source, options, &third(0.0))?;
    let mut plain_report = report(&plain, beside, surface, &source, options, &third(1.0))?;
    let mut solved_report = report(&solved, beside, surface, &source, options, &third(2.0))?;
    solved_report.directions_from_plain = Some(measure_directions(&solved, &plain, touches));
    solved_report.edges = Some(measure_edges(&solved, &plain, touches));
    solved_report.limits_beyond_plain = Some(measure_beyond_plain(
        &solved_report.limits,
        &plain_report.limits,
    ));
    plain_report.touches = measure_touches(&retargeted.touches, true);
    solved_report.touches = measure_touches(&retargeted.touches, false);
    let faults = verdict(&solved_report, Some(&take_report));
    Ok(Comparison {
        take: take_report,
        plain: plain_report,
        solved: solved_report,
        lost_contact_frames: lost_contacts(retargeted, &parts),
        faults,
    })
}

/// Measures a clip by itself, with the floor and contacts found in it. Axes as in its file.
/// `surface` belongs to the clip's skeleton. [`verdict`] tells its faults.
pub fn measure_clip(
    clip: &Clip,
    body: &Body,
    surface: Option<&Surface>,
    settings: &Settings,
    options: Options,
) -> Report {
    let (stance, contacts) = find_contacts(
        Take {
            clip,
            body,
            surface,
        },
        settings,
    );
    let turn = body.frame.upright_from_file();
    let clip = clip.rotated(turn);
    let body = body.turned(turn);
    let parts = parts_from_contacts(&stance.feet, &contacts, clip.frame_count());
    let subject = Subject::new(&clip, &body, &stance.feet, stance.floor, &parts);
    let source = stance.floor_source.to_string();
    let Ok(report) = report::<Infallible>(&subject, None, surface, &source, options, &|_| Ok(()));
    report
}

/// Planted parts of the character's feet. Where the solver planted none, the take's contacts of
/// the legs that drive them.
fn character_parts(retargeted: &Retargeted) -> Vec<PlantedParts> {
    let any = |parts: &PlantedParts| parts.iter().flatten().any(|on| *on);
    if retargeted.planted_parts.iter().any(any) {
        return retargeted.planted_parts.clone();
    }
    driving_parts(retargeted)
}

/// Per leg of the character, per frame: which parts of the foot that drives it are planted.
fn driving_parts(retargeted: &Retargeted) -> Vec<PlantedParts> {
    let frames = retargeted.solved.frame_count();
    let take_parts = parts_from_contacts(&retargeted.stance.feet, &retargeted.contacts, frames);
    retargeted
        .body
        .legs
        .iter()
        .map(|leg| {
            source_leg(&retargeted.performer, leg)
                .and_then(|source| take_parts.get(source).cloned())
                .unwrap_or_else(|| vec![[false; 3]; frames])
        })
        .collect()
}

fn lost_contacts(retargeted: &Retargeted, parts: &[PlantedParts]) -> Vec<usize> {
    let stands = |on: &[bool; 3]| on.contains(&true);
    driving_parts(retargeted)
        .iter()
        .zip(parts)
        .map(|(driving, own)| {
            let frames = driving.iter().zip(own);
            frames.filter(|(a, b)| stands(a) && !stands(b)).count()
        })
        .collect()
}

fn report<E>(
    subject: &Subject<'_>,
    beside: Option<(&Subject<'_>, &[Touch])>,
    surface: Option<&Surface>,
    floor_source: &str,
    options: Options,
    at: At<'_, E>,
) -> Result<Report, E> {
    /// Share of the work that comes before penetration, and with it, about.
    const BEFORE: f64 = 0.3;
    const WITH: f64 = 0.8;
    at(0.0)?;
    let (take, touches) = (
        beside.map(|beside| beside.0),
        beside.map_or(&[][..], |b| b.1),
    );
    let own_surface = surface.filter(|_| beside.is_some());
    let slide = measure_slide(subject);
    let knees = measure_bends(subject, take, BendJoint::Knee);
    at(BEFORE)?;
    let within = |share: f64| at(BEFORE + (WITH - BEFORE) * share);
    let on_skin = match surface {
        Some(surface) => mesh_penetration_watched(subject, surface, &within)?,
        None => None,
    };
    let penetration = match on_skin {
        Some(penetration) => penetration,
        None => penetration_watched(subject, surface, &within)?,
    };
    at(WITH)?;
    let beyond_take = take.and_then(|take| measure_beyond(&penetration, subject, take, touches));
    let timing = take.map(|take| measure_timing(subject, take));
    at(0.9)?;
    Ok(Report {
        frames: subject.frame_count(),
        frame_time_secs: subject.clip.frame_time_secs,
        leg_length_m: subject.leg_length_m,
        floor_height_m: subject.floor.height_m,
        floor_slope_deg: subject.floor.slope().to_degrees(),
        floor_source: floor_source.to_owned(),
        slide,
        floor_contact: measure_floor_contact(subject),
        skating: measure_skating(subject),
        knees,
        ankles: measure_bends(subject, take, BendJoint::Ankle),
        pelvis: take.map(|take| measure_pelvis(subject, take)),
        balance: take.and_then(|take| measure_balance(subject, take, surface)),
        directions_from_take: take.map(|take| measure_directions(subject, take, touches)),
        directions_from_plain: None,
        penetration,
        beyond_take,
        soles: own_surface.and_then(|surface| measure_soles(subject, surface)),
        touches: Vec::new(),
        meetings: own_surface.map_or_else(Vec::new, |surface| {
            measure_meetings(subject, surface, touches)
        }),
        tremor: take.and_then(|take| measure_tremor(subject, take)),
        edges: None,
        peaks: take.map(|take| measure_peaks(subject, take)),
        own_body: take.and_then(|take| measure_own_body(subject, take)),
        timing,
        limits: measure_limits(subject),
        limits_beyond_plain: None,
        series: if options.series {
            all_series(subject, take, surface)
        } else {
            Vec::new()
        },
    })
}

fn all_series(
    subject: &Subject<'_>,
    take: Option<&Subject<'_>>,
    surface: Option<&Surface>,
) -> Vec<Series> {
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
    let balance = take.map(|take| {
        let away = imbalance_series(subject, take, surface).into_iter();
        Series {
            measure: "imbalance_mm",
            part: "body".into(),
            // Where no foot stands there is none.
            values: away.map(|away| away.unwrap_or(0.0)).collect(),
        }
    });
    by_leg("slide_mm_per_frame", slide_series(subject))
        .chain(by_leg("sinking_mm", sinking_series(subject)))
        .chain(by_leg("knee_bend_deg", bends))
        .chain(balance)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::faults::FaultKind;
    use crate::testing::{DT, Dummy, L_ELBOW, L_HIP, L_KNEE, R_HIP, R_KNEE, R_SHOULDER};
    use understudy_motion::DQuat;
    use understudy_solver::{Character, retarget};

    /// Steps on the spot, arms swinging.
    fn stepping(dummy: &Dummy) -> Clip {
        dummy.clip(90, |frame, locals| {
            let t = frame as f64 * DT;
            for (hip, knee, phase) in [(L_HIP, L_KNEE, 0.0), (R_HIP, R_KNEE, std::f64::consts::PI)]
            {
                let lift = (6.0 * t + phase).sin().max(0.0).powi(2);
                locals[hip].rotation = DQuat::from_rotation_x(-0.6 * lift);
                locals[knee].rotation = DQuat::from_rotation_x(1.1 * lift);
            }
            locals[L_ELBOW].rotation = DQuat::from_rotation_y(-0.8 + 0.5 * (5.0 * t * t).sin());
            locals[R_SHOULDER].rotation = DQuat::from_rotation_z(0.9 + 0.3 * (4.0 * t).sin());
        })
    }

    fn retargeted(performer: &Dummy, character: &Dummy, enabled: bool) -> Retargeted {
        let clip = stepping(performer);
        let take = Take {
            clip: &clip,
            body: &performer.body,
            surface: None,
        };
        let character = Character {
            skeleton: &character.skeleton,
            body: &character.body,
            surface: None,
        };
        let mut settings = Settings::default();
        settings.plants.enabled = enabled;
        retarget(take, character, &settings, None).unwrap()
    }

    #[test]
    fn plain_transfer_onto_a_bigger_self_differs_in_nothing_but_size() {
        let (performer, character) = (Dummy::new(1.0), Dummy::new(1.8));
        let compared = measure(&retargeted(&performer, &character, false), None);
        let (take, plain, solved) = (&compared.take, &compared.plain, &compared.solved);
        assert!(take.slide.plants.len() >= 4, "{}", take.slide.plants.len());
        assert_eq!(solved.slide, plain.slide);
        let pelvis = solved.pelvis.as_ref().unwrap();
        assert!(pelvis.worst_tilt_deg < 1e-5, "{pelvis:?}");
        assert!(solved.directions_from_take.as_ref().unwrap().worst_deg < 1e-4);
        assert!(solved.directions_from_plain.as_ref().unwrap().worst_deg < 1e-9);
        for knee in &solved.knees {
            assert!((knee.ratio.unwrap() - 1.0).abs() < 1e-6);
        }
        let timing = solved.timing.as_ref().unwrap();
        assert_eq!(timing.shift_frames, 0);
        assert!(timing.is_sure && timing.correlation > 1.0 - 1e-9);
        assert_eq!(compared.lost_contact_frames, [0, 0]);
        let ratio = solved.slide.mean_mm_per_plant / take.slide.mean_mm_per_plant;
        assert!((ratio - 1.8).abs() < 1e-6, "{ratio}");
        let excess = solved.limits.worst_excess_deg - take.limits.worst_excess_deg;
        assert!(excess.abs() < 1e-6);
        assert!(take.timing.is_none() && take.pelvis.is_none());
    }

    #[test]
    fn planting_lessens_slide() {
        let (performer, character) = (Dummy::new(1.0), Dummy::new(1.4));
        let mut retargeted = retargeted(&performer, &character, true);
        // Feet that glide under a still body: what planting is there to undo.
        for frame in 0..retargeted.plain.frame_count() {
            retargeted.plain.frame_mut(frame)[0].translation.x += 0.002 * frame as f64;
        }
        let compared = measure(&retargeted, None);
        assert!(compared.plain.slide.worst_mm_per_frame > 1.9);
        assert!(compared.solved.slide.worst_mm_per_plant < compared.plain.slide.worst_mm_per_plant);
    }

    #[test]
    fn series_come_only_when_asked_for_and_fields_carry_their_units() {
        let (performer, character) = (Dummy::new(1.0), Dummy::new(1.2));
        let retargeted = retargeted(&performer, &character, true);
        let without = serde_json::to_value(measure(&retargeted, None)).unwrap();
        assert!(without["solved"].get("series").is_none());
        for path in [
            "/solved/slide/worst_mm_per_plant",
            "/solved/floor_contact/worst_sinking_mm",
            "/solved/knees/0/ratio",
            "/solved/timing/shift_frames",
            "/solved/skating/skating_ratio",
            "/solved/penetration/worst_mm",
            "/solved/limits/worst_excess_deg",
            "/plain/directions_from_take/p95_deg",
            "/solved/balance/worst_mm",
            "/take/leg_length_m",
        ] {
            assert!(
                without.pointer(path).is_some_and(|v| v.is_number()),
                "{path}"
            );
        }
        let with = measure_with(&retargeted, [None; 2], Options { series: true });
        // Slide, sinking and knee bend of two legs, and the body's balance.
        assert_eq!(with.solved.series.len(), 7);
        assert_eq!(with.take.series.len(), 6);
        let mut forgot = with.clone();
        forgot.forget_series();
        assert_eq!(serde_json::to_value(&forgot).unwrap(), without);
        assert!(
            with.solved
                .series
                .iter()
                .all(|series| series.values.len() == 90)
        );
    }

    #[test]
    fn a_lone_clip_is_measured_in_its_own_axes() {
        let dummy = Dummy::new(1.0);
        let clip = stepping(&dummy);
        let upright = measure_clip(
            &clip,
            &dummy.body,
            None,
            &Settings::default(),
            Options::default(),
        );
        // The same in a world with Z up.
        let turn = DQuat::from_rotation_x(std::f64::consts::FRAC_PI_2);
        let mut body = dummy.body.clone();
        body.frame.up = turn * body.frame.up;
        body.frame.forward = turn * body.frame.forward;
        let lying = measure_clip(
            &clip.rotated(turn),
            &body,
            None,
            &Settings::default(),
            Options::default(),
        );
        assert!(upright.timing.is_none());
        assert_eq!(upright.slide.plants.len(), lying.slide.plants.len());
        assert!((upright.knees[0].peak_rad_per_s2 - lying.knees[0].peak_rad_per_s2).abs() < 1e-6);
        let (a, b) = (upright.skating.zhang_mm_per_s, lying.skating.zhang_mm_per_s);
        assert!((a - b).abs() < 1e-6);
        assert!((upright.limits.worst_excess_deg - lying.limits.worst_excess_deg).abs() < 1e-6);
    }

    #[test]
    fn faults_name_part_frames_and_amount() {
        let (performer, character) = (Dummy::new(1.0), Dummy::new(1.2));
        let mut retargeted = retargeted(&performer, &character, true);
        let frames = retargeted.solved.frame_count();
        retargeted.planted_parts = vec![vec![[false; 3]; frames]; 2];
        for parts in &mut retargeted.planted_parts[0][31..=58] {
            *parts = [true, true, false];
        }
        // A body that stands still but for one jump of 14 mm along the floor.
        let rest = retargeted.solved.skeleton.rest_locals();
        for frame in 0..frames {
            let locals = retargeted.solved.frame_mut(frame);
            locals.copy_from_slice(&rest);
            locals[0].translation.x += if frame < 40 { 0.0 } else { 0.014 };
            locals[0].translation.y += retargeted.stance.floor.height_m;
            if frame >= 70 {
                locals[0].translation.y -= 0.005;
            }
        }
        let compared = measure(&retargeted, None);
        let faults = &compared.faults;
        let find = |kind, part: &str| {
            let found = faults
                .iter()
                .find(|fault| fault.kind == kind && fault.part == part);
            found.unwrap_or_else(|| panic!("{faults:#?}"))
        };
        let slide = find(FaultKind::FootSlide, "left foot");
        assert_eq!(slide.text, "left foot slides 14 mm in frames 31 to 58");
        assert!((slide.amount - 14.0).abs() < 1e-6);
        assert!(
            compared
                .lost_contact_frames
                .iter()
                .all(|frames| *frames > 0)
        );
        let sinking = find(FaultKind::Sinking, "right foot");
        assert_eq!(
            sinking.text,
            "right foot sinks 5.0 mm into the floor in frames 70 to 89"
        );
        let order: Vec<f64> = faults
            .iter()
            .map(|fault| fault.amount / fault.limit)
            .collect();
        assert!(order.is_sorted_by(|a, b| a >= b));
        assert!(
            faults
                .iter()
                .filter(|f| f.kind == FaultKind::FootSlide)
                .count()
                == 1
        );
    }

    #[test]
    fn the_table_sets_three_clips_side_by_side() {
        let (performer, character) = (Dummy::new(1.0), Dummy::new(1.2));
        let mut compared = measure(&retargeted(&performer, &character, true), None);
        compared.take.slide.worst_mm_per_plant = 1.0;
        compared.plain.slide.worst_mm_per_plant = 22.456;
        compared.solved.slide.worst_mm_per_plant = -0.001;
        let text = compared.to_string();
        let row = |name: &str| -> Vec<String> {
            let line = text.lines().find(|line| line.starts_with(name)).unwrap();
            line[34..].split_whitespace().map(str::to_owned).collect()
        };
        assert_eq!(row("measure")[0], "take");
        assert_eq!(
            row("foot slide, worst plant (mm)"),
            ["1.00", "22.46", "0.00"]
        );
        assert_eq!(row("timing shift (frames)")[0], "-");
        compared.faults.clear();
        assert!(compared.to_string().ends_with("no faults\n"));
    }
}
