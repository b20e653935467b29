//! What is wrong with a clip, worst first, in words.

use serde::{Deserialize, Serialize};
use understudy_anatomy::SegmentKind;

use crate::knees::{BendPeaks, POP_RATIO, STILL_RAD_PER_S2};
use crate::limits::JointExcess;
use crate::penetration::PairDepth;
use crate::report::Report;
use crate::slide::Plant;
use crate::stats::worst;
use crate::touches::{TOUCHING_MM, TouchGap};

/// Kinds of faults.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// No foot is ever planted.
    NoContacts,
    /// A planted foot moves.
    FootSlide,
    /// A sole goes below the floor.
    Sinking,
    /// A planted part stands above the floor.
    Floating,
    /// A knee accelerates beyond the take's.
    KneePop,
    /// A limb is early or late.
    TimingShift,
    /// The pelvis leans otherwise than the take's.
    PelvisTilt,
    /// A limb points elsewhere than in plain transfer.
    LimbDirection,
    /// Two surfaces that meet in the take miss each other, or go into each other.
    Touch,
    /// Two parts of the body go into each other.
    Penetration,
    /// A joint goes beyond its range.
    JointLimit,
}

impl FaultKind {
    /// For people: "foot slide".
    pub fn words(self) -> &'static str {
        match self {
            Self::NoContacts => "no contacts",
            Self::FootSlide => "foot slide",
            Self::Sinking => "sinking",
            Self::Floating => "floating",
            Self::KneePop => "knee pops",
            Self::TimingShift => "shift in time",
            Self::PelvisTilt => "lean of the pelvis",
            Self::LimbDirection => "limbs turned by planting",
            Self::Touch => "touches that miss",
            Self::Penetration => "parts that go into each other",
            Self::JointLimit => "joints beyond their range",
        }
    }
}

/// One fault.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fault {
    /// What kind.
    pub kind: FaultKind,
    /// Where: "left foot".
    pub part: String,
    /// First frame of it, counted from 0.
    pub first_frame: usize,
    /// Last frame of it.
    pub last_frame: usize,
    /// How much, in `unit`.
    pub amount: f64,
    /// Unit of `amount` and `limit`.
    pub unit: &'static str,
    /// What would be no fault.
    pub limit: f64,
    /// The fault in a sentence.
    pub text: String,
}

/// Slide over a whole plant, mm: the aim of this project.
const SLIDE_MM: f64 = 0.5;
/// Depth below the floor, mm: the aim of this project.
const SINKING_MM: f64 = 1.0;
/// Shift, frames: the nearest whole frame must be 0.
const SHIFT_FRAMES: f64 = 0.5;
/// A clip in which no foot stands for so long is one that floats, seconds (common practice).
const UNPLANTED_SECS: f64 = 0.5;
/// Height of a planted part of a human-sized body, mm: what an eye sees (common practice).
const FLOATING_MM: f64 = 5.0;
/// Depth of one part of a human-sized body in another, beyond the take's own, mm (common practice).
const PENETRATION_MM: f64 = 10.0;
/// The same, measured on the skin itself, mm: what an eye sees (common practice).
const SKIN_PENETRATION_MM: f64 = 2.0;
/// Parts that part for no longer than that and meet again are one fault, seconds.
const STRETCH_SECS: f64 = 0.25;
/// Lean of the pelvis against the take, degrees (common practice).
const TILT_DEG: f64 = 5.0;
/// Direction against plain transfer, degrees (common practice). Feet are turned by design.
const DIRECTION_DEG: f64 = 10.0;
/// Excess over a joint's range, beyond the take's own, degrees: rest poses are no nearer than
/// that to the anatomical zero (common practice).
const EXCESS_DEG: f64 = 5.0;

/// All faults of a clip, the largest in terms of its limit first. What the take itself does (its
/// own depths and excesses) is not blamed on the character.
pub fn verdict(report: &Report, take: Option<&Report>) -> Vec<Fault> {
    let mut faults = Vec::new();
    faults.extend(no_contacts(report));
    faults.extend(slide_faults(report));
    faults.extend(floor_faults(report));
    faults.extend(report.knees.iter().filter_map(knee_fault));
    faults.extend(timing_fault(report));
    faults.extend(tilt_fault(report));
    faults.extend(direction_faults(report));
    faults.extend(report.touches.iter().filter_map(touch_fault));
    faults.extend(penetration_faults(report, take));
    faults.extend(limit_faults(report, take));
    faults.sort_by(|a, b| (b.amount / b.limit).total_cmp(&(a.amount / a.limit)));
    faults
}

/// "in frame 4", "in frames 4 to 9".
fn frames_text(first: usize, last: usize) -> String {
    if first == last {
        format!("in frame {first}")
    } else {
        format!("in frames {first} to {last}")
    }
}

/// A length without needless digits.
fn mm_text(mm: f64) -> String {
    if mm < 10.0 {
        format!("{mm:.1} mm")
    } else {
        format!("{mm:.0} mm")
    }
}

/// Without a single plant there is nothing that could slide: a floor, unit or mapping that is
/// wrong must not pass for perfect.
fn no_contacts(report: &Report) -> Option<Fault> {
    let last_frame = report.frames.saturating_sub(1);
    let secs = last_frame as f64 * report.frame_time_secs;
    let has_feet = !report.knees.is_empty();
    (has_feet && report.slide.plants.is_empty() && secs > UNPLANTED_SECS).then(|| Fault {
        kind: FaultKind::NoContacts,
        part: "feet".to_owned(),
        first_frame: 0,
        last_frame,
        amount: secs,
        unit: "seconds",
        limit: UNPLANTED_SECS,
        text: "no foot is ever planted: check floor, unit, mapping and contacts".to_owned(),
    })
}

fn slide_faults(report: &Report) -> Vec<Fault> {
    let mut plants: Vec<&Plant> = report
        .slide
        .plants
        .iter()
        .filter(|plant| plant.extent_mm > SLIDE_MM)
        .collect();
    plants.sort_by_key(|plant| (plant.leg_index, plant.first_frame));
    let mut faults: Vec<(usize, Fault)> = Vec::new();
    for plant in plants {
        // Heel, ball and toe of one stance are one fault.
        if let Some((leg, fault)) = faults.last_mut()
            && *leg == plant.leg_index
            && plant.first_frame <= fault.last_frame
        {
            fault.last_frame = fault.last_frame.max(plant.last_frame);
            fault.amount = fault.amount.max(plant.extent_mm);
            continue;
        }
        faults.push((
            plant.leg_index,
            Fault {
                kind: FaultKind::FootSlide,
                part: format!("{} foot", plant.leg),
                first_frame: plant.first_frame,
                last_frame: plant.last_frame,
                amount: plant.extent_mm,
                unit: "mm",
                limit: SLIDE_MM,
                text: String::new(),
            },
        ));
    }
    faults
        .into_iter()
        .map(|(_, fault)| Fault {
            text: format!(
                "{} slides {} {}",
                fault.part,
                mm_text(fault.amount),
                frames_text(fault.first_frame, fault.last_frame)
            ),
            ..fault
        })
        .collect()
}

fn floor_faults(report: &Report) -> Vec<Fault> {
    let contact = &report.floor_contact;
    let sinking = contact
        .sinking
        .iter()
        .filter(|s| s.worst_mm > SINKING_MM)
        .map(|s| Fault {
            kind: FaultKind::Sinking,
            part: format!("{} foot", s.leg),
            first_frame: s.worst_first_frame,
            last_frame: s.worst_last_frame,
            amount: s.worst_mm,
            unit: "mm",
            limit: SINKING_MM,
            text: format!(
                "{} foot sinks {} into the floor {}",
                s.leg,
                mm_text(s.worst_mm),
                frames_text(s.worst_first_frame, s.worst_last_frame)
            ),
        });
    let floating_limit = FLOATING_MM * report.skating.body_scale;
    let floating = contact
        .floating
        .iter()
        .filter(|f| f.worst_mm > floating_limit)
        .map(|f| Fault {
            kind: FaultKind::Floating,
            part: format!("{} foot", f.leg),
            first_frame: f.worst_first_frame,
            last_frame: f.worst_last_frame,
            amount: f.worst_mm,
            unit: "mm",
            limit: floating_limit,
            text: format!(
                "{} foot floats {} above the floor while planted {}",
                f.leg,
                mm_text(f.worst_mm),
                frames_text(f.worst_first_frame, f.worst_last_frame)
            ),
        });
    sinking.chain(floating).collect()
}

/// One fault per knee, at its worst pop; [`BendPeaks::pops`] lists all of them.
fn knee_fault(knee: &BendPeaks) -> Option<Fault> {
    let take_peak = knee.take_peak_rad_per_s2?;
    let pop = knee
        .pops
        .iter()
        .max_by(|a, b| a.peak_rad_per_s2.total_cmp(&b.peak_rad_per_s2))?;
    let times = pop.peak_rad_per_s2 / take_peak.max(STILL_RAD_PER_S2);
    let often = match knee.pops.len() {
        1 => String::new(),
        count => format!("{count} times, worst "),
    };
    Some(Fault {
        kind: FaultKind::KneePop,
        part: format!("{} knee", knee.leg),
        first_frame: pop.first_frame,
        last_frame: pop.last_frame,
        amount: times,
        unit: "times the take's peak",
        limit: POP_RATIO,
        text: format!(
            "{} knee pops {often}{}: {times:.1} times the take's sharpest turn",
            knee.leg,
            frames_text(pop.first_frame, pop.last_frame)
        ),
    })
}

fn timing_fault(report: &Report) -> Option<Fault> {
    let timing = report.timing.as_ref().filter(|t| t.shift_frames != 0)?;
    let word = if timing.shift_frames > 0 {
        "late"
    } else {
        "early"
    };
    let frames = timing.shift_frames.unsigned_abs();
    let plural = if frames == 1 { "" } else { "s" };
    Some(Fault {
        kind: FaultKind::TimingShift,
        part: "body".to_owned(),
        first_frame: 0,
        last_frame: report.frames.saturating_sub(1),
        amount: frames as f64,
        unit: "frames",
        limit: SHIFT_FRAMES,
        text: format!("the limbs move {frames} frame{plural} {word} all through"),
    })
}

fn tilt_fault(report: &Report) -> Option<Fault> {
    let tilt = report.pelvis.as_ref()?;
    (tilt.worst_tilt_deg > TILT_DEG).then(|| Fault {
        kind: FaultKind::PelvisTilt,
        part: "pelvis".to_owned(),
        first_frame: tilt.worst_frame,
        last_frame: tilt.worst_frame,
        amount: tilt.worst_tilt_deg,
        unit: "degrees",
        limit: TILT_DEG,
        text: format!(
            "pelvis leans {:.0}° away from the take's in frame {}",
            tilt.worst_tilt_deg, tilt.worst_frame
        ),
    })
}

fn direction_faults(report: &Report) -> Vec<Fault> {
    let segments = report
        .directions_from_plain
        .iter()
        .flat_map(|d| &d.segments);
    segments
        .filter(|s| !matches!(s.kind, SegmentKind::Foot | SegmentKind::Toes))
        .filter(|s| s.worst_deg > DIRECTION_DEG)
        .map(|s| Fault {
            kind: FaultKind::LimbDirection,
            part: s.segment.clone(),
            first_frame: s.worst_frame,
            last_frame: s.worst_frame,
            amount: s.worst_deg,
            unit: "degrees",
            limit: DIRECTION_DEG,
            text: format!(
                "planting turns the {} by {:.0}° in frame {}",
                s.segment, s.worst_deg, s.worst_frame
            ),
        })
        .collect()
}

fn touch_fault(touch: &TouchGap) -> Option<Fault> {
    let how = match touch.worst_mm > 0.0 {
        true => "misses by",
        false => "goes too deep by",
    };
    let amount = touch.worst_mm.abs();
    (amount > TOUCHING_MM).then(|| Fault {
        kind: FaultKind::Touch,
        part: touch.touch.clone(),
        first_frame: touch.first_frame,
        last_frame: touch.last_frame,
        amount,
        unit: "mm",
        limit: TOUCHING_MM,
        text: format!(
            "{} {how} {} in frame {}",
            touch.touch,
            mm_text(amount),
            touch.worst_frame
        ),
    })
}

fn penetration_faults(report: &Report, take: Option<&Report>) -> Vec<Fault> {
    if report.penetration.on_skin {
        let pairs = report.penetration.pairs.iter();
        return pairs
            .flat_map(|pair| skin_faults(report, pair, take))
            .collect();
    }
    let limit = PENETRATION_MM * report.skating.body_scale;
    let allowed = |pair: &PairDepth| {
        take_pair(report, pair, take).map_or(0.0, |(taken, scale)| scale * taken.worst_mm)
    };
    report
        .penetration
        .pairs
        .iter()
        .filter(|pair| pair.worst_mm > limit + allowed(pair))
        .map(|pair| {
            let frames = (pair.first_frame, pair.last_frame);
            penetration_fault(pair, frames, (pair.worst_mm, pair.worst_frame), limit)
        })
        .collect()
}

/// The same pair of the take, and the character's size by the performer's.
fn take_pair<'a>(
    report: &Report,
    pair: &PairDepth,
    take: Option<&'a Report>,
) -> Option<(&'a PairDepth, f64)> {
    let take = take?;
    let scale = report.skating.body_scale / take.skating.body_scale;
    let mut pairs = take.penetration.pairs.iter();
    let found =
        pairs.find(|taken| taken.part == pair.part && taken.other_part == pair.other_part)?;
    Some((found, scale))
}

/// One fault for each stretch of time in which a pair is deeper than at rest, and than in the same
/// frame of the take, by more than the limit. A take without a skin allows nothing: its capsules go
/// centimetres into each other where its performer's skin only touched.
fn skin_faults(report: &Report, pair: &PairDepth, take: Option<&Report>) -> Vec<Fault> {
    let limit = SKIN_PENETRATION_MM * report.skating.body_scale;
    let take = take.filter(|take| take.penetration.on_skin);
    let taken = take_pair(report, pair, take);
    let allowed_mm = |frame: usize| {
        let Some((taken, scale)) = taken else {
            return 0.0;
        };
        scale * taken.depths_mm.get(frame).unwrap_or(&taken.worst_mm)
    };
    let depths = pair.depths_mm.iter().enumerate();
    let beyond: Vec<f64> = depths.map(|(i, depth)| depth - allowed_mm(i)).collect();
    let apart = (STRETCH_SECS / report.frame_time_secs).ceil() as usize;
    let mut stretches: Vec<(usize, usize)> = Vec::new();
    for (frame, _) in beyond.iter().enumerate().filter(|(_, mm)| **mm > limit) {
        match stretches.last_mut() {
            Some((_, last)) if frame - *last <= apart => *last = frame,
            _ => stretches.push((frame, frame)),
        }
    }
    let faults = stretches.into_iter().filter_map(|(first, last)| {
        let (offset, amount) = worst(&beyond[first..=last])?;
        let deepest = (amount, first + offset);
        Some(penetration_fault(pair, (first, last), deepest, limit))
    });
    faults.collect()
}

fn penetration_fault(
    pair: &PairDepth,
    (first_frame, last_frame): (usize, usize),
    (amount, deepest): (f64, usize),
    limit: f64,
) -> Fault {
    Fault {
        kind: FaultKind::Penetration,
        part: format!("{} and {}", pair.part, pair.other_part),
        first_frame,
        last_frame,
        amount,
        unit: "mm",
        limit,
        text: format!(
            "{} goes {} into {}, deepest in frame {deepest}",
            pair.part,
            mm_text(amount),
            pair.other_part,
        ),
    }
}

/// Movements of joints that go beyond their range and beyond what the take itself does, each with the excess
/// that counts as a fault, degrees.
pub fn beyond_range<'a>(report: &'a Report, take: Option<&Report>) -> Vec<(&'a JointExcess, f64)> {
    let allowed = |own: &JointExcess| {
        let mut joints = take?.limits.joints.iter();
        let found = joints.find(|j| j.joint == own.joint && j.movement == own.movement)?;
        Some(found.worst_excess_deg)
    };
    let joints = report.limits.joints.iter();
    let limited = joints.map(|joint| (joint, EXCESS_DEG + allowed(joint).unwrap_or(0.0)));
    limited
        .filter(|(joint, limit)| joint.worst_excess_deg > *limit)
        .collect()
}

fn limit_faults(report: &Report, take: Option<&Report>) -> Vec<Fault> {
    beyond_range(report, take)
        .into_iter()
        .map(|(j, _)| j)
        .map(|j| Fault {
            kind: FaultKind::JointLimit,
            part: j.joint.clone(),
            first_frame: j.worst_frame,
            last_frame: j.worst_frame,
            amount: j.worst_excess_deg,
            unit: "degrees",
            limit: EXCESS_DEG,
            text: format!(
                "{} goes {:.0}° beyond its range of {} in frame {}",
                j.joint, j.worst_excess_deg, j.movement, j.worst_frame
            ),
        })
        .collect()
}
