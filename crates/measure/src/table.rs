//! Reports side by side as plain text: measure, take, plain transfer, solved.

use std::fmt;

use crate::knees::BendPeaks;
use crate::report::{Comparison, Report};
use crate::stats::largest;
use crate::touches::worst_touch_mm;

/// Faults listed below the table; a clip with more needs another look anyway.
const FAULTS_SHOWN: usize = 20;

/// A line of the table: its name, digits behind the point, and the value where a clip has it.
type Row = (&'static str, usize, fn(&Report) -> Option<f64>);

const ROWS: [Row; 37] = [
    ("foot slide, worst plant (mm)", 2, |r| {
        Some(r.slide.worst_mm_per_plant)
    }),
    ("foot slide, mean plant (mm)", 2, |r| {
        Some(r.slide.mean_mm_per_plant)
    }),
    ("foot slide, worst (mm/frame)", 2, |r| {
        Some(r.slide.worst_mm_per_frame)
    }),
    ("foot slide, mean (mm/frame)", 2, |r| {
        Some(r.slide.mean_mm_per_frame)
    }),
    ("sinking, worst (mm)", 2, |r| {
        Some(r.floor_contact.worst_sinking_mm)
    }),
    ("floating, worst (mm)", 2, |r| {
        Some(r.floor_contact.worst_floating_mm)
    }),
    ("skin below a plant slides (mm)", 2, |r| {
        Some(r.soles.as_ref()?.slide.mm)
    }),
    ("skin of planted feet sinks (mm)", 2, |r| {
        Some(r.soles.as_ref()?.sinking.mm)
    }),
    ("skating, Zhang 2018 (mm/frame)", 3, |r| {
        Some(r.skating.zhang_mm_per_frame)
    }),
    ("skating, Zhang, human size (mm/s)", 2, |r| {
        Some(r.skating.zhang_scaled_mm_per_s)
    }),
    ("skating ratio at 20 Hz (%)", 1, |r| {
        Some(100.0 * r.skating.skating_ratio)
    }),
    ("skating ratio, human size (%)", 1, |r| {
        Some(100.0 * r.skating.skating_ratio_scaled)
    }),
    ("knee peak (rad/s²)", 1, |r| worst_peak(&r.knees)),
    ("knee peak / take's", 2, |r| worst_ratio(&r.knees)),
    ("ankle peak (rad/s²)", 1, |r| worst_peak(&r.ankles)),
    ("pelvis tilt, mean (°)", 2, |r| {
        Some(r.pelvis.as_ref()?.mean_tilt_deg)
    }),
    ("pelvis tilt, worst (°)", 2, |r| {
        Some(r.pelvis.as_ref()?.worst_tilt_deg)
    }),
    ("imbalance over feet, mean (mm)", 1, |r| {
        Some(r.balance.as_ref()?.mean_mm)
    }),
    ("imbalance over feet, worst (mm)", 1, |r| {
        Some(r.balance.as_ref()?.worst_mm)
    }),
    ("limbs against take, mean (°)", 2, |r| {
        Some(r.directions_from_take.as_ref()?.mean_deg)
    }),
    ("limbs against take, 95 % (°)", 2, |r| {
        Some(r.directions_from_take.as_ref()?.p95_deg)
    }),
    ("limbs against plain, mean (°)", 2, |r| {
        Some(r.directions_from_plain.as_ref()?.mean_deg)
    }),
    ("limbs against plain, worst (°)", 2, |r| {
        Some(r.directions_from_plain.as_ref()?.worst_deg)
    }),
    ("self-penetration, worst (mm)", 1, |r| {
        Some(r.penetration.worst_mm)
    }),
    ("touches, worst gap or depth (mm)", 1, |r| {
        worst_touch_mm(&r.touches)
    }),
    ("touches on all skin, worst (mm)", 1, |r| {
        r.meetings
            .iter()
            .map(|meeting| meeting.worst_mm.abs())
            .reduce(f64::max)
    }),
    ("self-penetration (cm³ s)", 2, |r| {
        Some(1e6 * r.penetration.volume_time_m3_s?)
    }),
    ("deeper than the take, worst (mm)", 1, |r| {
        Some(r.beyond_take.as_ref()?.worst_mm)
    }),
    ("contacts that the take has not", 0, |r| {
        Some(r.beyond_take.as_ref()?.invented.len() as f64)
    }),
    ("limb vertices inside, mean (%)", 2, |r| {
        Some(100.0 * r.penetration.mean_penetration_rate?)
    }),
    ("timing shift (frames)", 0, |r| {
        Some(r.timing.as_ref()?.shift_frames as f64)
    }),
    ("timing shift, between frames", 2, |r| {
        Some(r.timing.as_ref()?.fine_shift_frames)
    }),
    ("timing, mean correlation", 3, |r| {
        Some(r.timing.as_ref()?.correlation)
    }),
    ("speed peaks not in their frame", 0, |r| {
        let peaks = r.peaks.as_ref()?;
        Some((peaks.peaks - peaks.unshifted) as f64)
    }),
    ("fast accelerations / take's", 2, |r| {
        r.tremor.as_ref()?.energy_ratio
    }),
    ("jumps at edges of contacts", 0, |r| {
        Some(r.edges.as_ref()?.jumps as f64)
    }),
    ("beyond joint range, worst (°)", 1, |r| {
        Some(r.limits.worst_excess_deg)
    }),
];

fn worst_peak(joints: &[BendPeaks]) -> Option<f64> {
    (!joints.is_empty()).then(|| largest(joints.iter().map(|joint| joint.peak_rad_per_s2)))
}

fn worst_ratio(joints: &[BendPeaks]) -> Option<f64> {
    joints
        .iter()
        .filter_map(|joint| joint.ratio)
        .reduce(f64::max)
}

fn cell(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |value| fixed(value, digits))
}

/// A number with so many digits after the point; what rounds to zero has no sign, for a rounded −0
/// reads as a mistake.
pub fn fixed(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        _ => text,
    }
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.write_table(f, "solved")
    }
}

impl Comparison {
    /// As displayed, with another name above the last column: of a clip that came from elsewhere.
    pub fn with_column<'a>(&'a self, name: &'a str) -> impl fmt::Display + 'a {
        fmt::from_fn(move |f| self.write_table(f, name))
    }

    fn write_table(&self, f: &mut fmt::Formatter<'_>, column: &str) -> fmt::Result {
        let solved = &self.solved;
        writeln!(
            f,
            "{} frames at {:.2} Hz; floor at {} m, slope {:.1}°, {}",
            solved.frames,
            1.0 / solved.frame_time_secs,
            fixed(solved.floor_height_m, 3),
            solved.floor_slope_deg,
            solved.floor_source
        )?;
        let line = |f: &mut fmt::Formatter<'_>, name: &str, cells: [&str; 3]| {
            writeln!(
                f,
                "{name:<34}{:>12}{:>16}{:>12}",
                cells[0], cells[1], cells[2]
            )
        };
        line(f, "measure", ["take", "plain transfer", column])?;
        for (name, digits, pick) in ROWS {
            let cells = [&self.take, &self.plain, solved].map(|report| cell(pick(report), digits));
            line(f, name, [&cells[0], &cells[1], &cells[2]])?;
        }
        let lost: usize = self.lost_contact_frames.iter().sum();
        if lost > 0 {
            writeln!(
                f,
                "in {lost} frames a foot of the take stands and its counterpart does not"
            )?;
        }
        write_faults(f, self)
    }
}

fn write_faults(f: &mut fmt::Formatter<'_>, comparison: &Comparison) -> fmt::Result {
    if comparison.faults.is_empty() {
        return writeln!(f, "no faults");
    }
    writeln!(f, "faults, worst first:")?;
    for fault in comparison.faults.iter().take(FAULTS_SHOWN) {
        writeln!(f, "  {}", fault.text)?;
    }
    match comparison.faults.len().saturating_sub(FAULTS_SHOWN) {
        0 => Ok(()),
        more => writeln!(f, "  and {more} more"),
    }
}
