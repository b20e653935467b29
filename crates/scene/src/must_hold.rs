//! What must hold of a result: limits that a person sets for a scene, and how far it keeps them.

use serde::{Deserialize, Serialize};
use understudy_measure::data_faults::DataFaultKind;
use understudy_measure::{Fault, FaultKind};

use crate::solve::Solved;

/// Limits of a scene. What is left out keeps the limits of `--strict`; `None` asks for nothing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MustHold {
    /// Most slide of a planted part over its whole plant, mm.
    pub slide_mm: Option<f64>,
    /// Most depth of a sole below the floor, mm.
    pub sinking_mm: Option<f64>,
    /// Most height of a planted part above the floor, mm.
    pub floating_mm: Option<f64>,
    /// Most distance or depth between two surfaces that touch, mm.
    pub touch_mm: Option<f64>,
    /// Most depth of parts of the body in each other, without what lies inside at rest, mm.
    pub inside_mm: Option<f64>,
    /// Least number of touches: a take whose touches were not found must not pass.
    pub touches: Option<usize>,
    /// Most angular acceleration of a knee, as a multiple of the take's own peak.
    pub knee_ratio: Option<f64>,
    /// Most shift in time, frames.
    pub timing_frames: Option<u64>,
    /// Least number of plants: a result without any must not pass for one without slide.
    pub plants: Option<usize>,
    /// Most frames in which a foot of the take stands and the character's does not, all feet
    /// together.
    pub lost_contact_frames: Option<usize>,
    /// Most roles that are guesses.
    pub doubtful_roles: Option<usize>,
    /// Kinds of faults of which there must be none.
    pub no_faults: Vec<FaultKind>,
    /// Faults in the data of the take that must be found: a capture with faults must not pass
    /// unseen.
    pub data_faults: Vec<WantedDataFault>,
}

impl Default for MustHold {
    fn default() -> Self {
        Self {
            slide_mm: Some(0.5),
            sinking_mm: Some(1.0),
            floating_mm: None,
            touch_mm: None,
            inside_mm: None,
            touches: None,
            knee_ratio: Some(1.2),
            timing_frames: Some(0),
            plants: Some(1),
            lost_contact_frames: None,
            doubtful_roles: Some(0),
            no_faults: Vec::new(),
            data_faults: Vec::new(),
        }
    }
}

/// A fault in the data of a take that must be found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WantedDataFault {
    /// Its kind.
    pub kind: DataFaultKind,
    /// Its joint; the whole body where absent.
    #[serde(default)]
    pub joint: Option<String>,
}

/// A fault that a person has looked at and lets stand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AcceptedFault {
    /// Its kind.
    pub kind: FaultKind,
    /// Where: "left foot".
    pub part: String,
    /// First frame of it, counted from 0.
    pub first_frame: usize,
    /// Last frame of it.
    pub last_frame: usize,
    /// Why it may stay.
    pub why: String,
}

impl AcceptedFault {
    /// A fault, accepted.
    pub fn of(fault: &Fault, why: impl Into<String>) -> Self {
        Self {
            kind: fault.kind,
            part: fault.part.clone(),
            first_frame: fault.first_frame,
            last_frame: fault.last_frame,
            why: why.into(),
        }
    }

    /// Whether a fault is this one: of the same kind, at the same part, and in some of its frames.
    /// So it stays accepted when another setting moves its ends.
    pub fn covers(&self, fault: &Fault) -> bool {
        self.kind == fault.kind
            && self.part == fault.part
            && self.first_frame <= fault.last_frame
            && fault.first_frame <= self.last_frame
    }
}

/// One thing that must hold, and what was measured.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Finding {
    /// What it is about, for people: "slide within a plant".
    pub what: String,
    /// What was asked for: "at most 0.5 mm".
    pub wanted: String,
    /// What was measured: "0.21 mm".
    pub measured: String,
    /// Whether it holds.
    pub holds: bool,
}

impl MustHold {
    /// Everything that was asked for, in the order of the fields. Faults that were accepted do not
    /// count among those that must not be.
    pub fn findings(&self, solved: &Solved, accepted: &[AcceptedFault]) -> Vec<Finding> {
        let report = &solved.comparison.solved;
        let floor = &report.floor_contact;
        let mut findings = Findings::default();
        let slide_mm = report.slide.worst_mm_per_plant;
        findings.at_most("slide within a plant", self.slide_mm, slide_mm, " mm");
        findings.at_most("sinking", self.sinking_mm, floor.worst_sinking_mm, " mm");
        findings.at_most("floating", self.floating_mm, floor.worst_floating_mm, " mm");
        let knees = report.knees.iter().filter_map(|knee| knee.ratio);
        let knee = knees.fold(0.0, f64::max);
        findings.at_most("knee peaks", self.knee_ratio, knee, " times the take's");
        let gaps = report.touches.iter().map(|touch| touch.worst_mm.abs());
        let gap = gaps.fold(0.0, f64::max);
        findings.at_most("gap or depth of touches", self.touch_mm, gap, " mm");
        let inside_mm = report.penetration.worst_mm;
        findings.at_most(
            "depth of parts in each other",
            self.inside_mm,
            inside_mm,
            " mm",
        );
        if let Some(least) = self.touches {
            let count = report.touches.len();
            findings.add(
                "touches",
                format!("at least {least}"),
                count,
                count >= least,
            );
        }
        if let Some(limit) = self.timing_frames {
            let timing = report.timing.as_ref();
            let shift = timing.map_or(0, |timing| timing.shift_frames.unsigned_abs());
            findings.count_at_most(
                "shift in time",
                Some(limit as usize),
                shift as usize,
                "frame",
            );
        }
        if let Some(least) = self.plants {
            let count = report.slide.plants.len();
            findings.add("plants", format!("at least {least}"), count, count >= least);
        }
        let lost: usize = solved.comparison.lost_contact_frames.iter().sum();
        let frames = self.lost_contact_frames;
        findings.count_at_most("contact of the take lost", frames, lost, "frame");
        let doubtful = solved.doubtful.iter().map(|(_, roles)| roles.len()).sum();
        findings.count_at_most("doubtful roles", self.doubtful_roles, doubtful, "role");
        for &kind in &self.no_faults {
            findings.none_of(kind, solved, accepted);
        }
        for wanted in &self.data_faults {
            findings.found(wanted, solved);
        }
        findings.all
    }
}

#[derive(Default)]
struct Findings {
    all: Vec<Finding>,
}

impl Findings {
    fn add(&mut self, what: impl ToString, wanted: String, measured: impl ToString, holds: bool) {
        self.all.push(Finding {
            what: what.to_string(),
            wanted,
            measured: measured.to_string(),
            holds,
        });
    }

    fn at_most(&mut self, what: &str, limit: Option<f64>, measured: f64, unit: &str) {
        if let Some(limit) = limit {
            let wanted = format!("at most {limit}{unit}");
            // A comparison that is false for an undefined number.
            self.add(
                what,
                wanted,
                format!("{measured:.2}{unit}"),
                measured <= limit,
            );
        }
    }

    fn count_at_most(&mut self, what: &str, limit: Option<usize>, measured: usize, thing: &str) {
        if let Some(limit) = limit {
            let wanted = format!("at most {}", crate::report::counted(limit, thing));
            let found = crate::report::counted(measured, thing);
            self.add(what, wanted, found, measured <= limit);
        }
    }

    fn none_of(&mut self, kind: FaultKind, solved: &Solved, accepted: &[AcceptedFault]) {
        let is_accepted = |fault: &Fault| accepted.iter().any(|known| known.covers(fault));
        let faults = solved.comparison.faults.iter();
        let mut left = faults.filter(|fault| fault.kind == kind && !is_accepted(fault));
        let worst = left.next();
        let measured = worst.map_or("none".to_owned(), |fault| fault.text.clone());
        self.add(kind.words(), "none".into(), measured, worst.is_none());
    }

    fn found(&mut self, wanted: &WantedDataFault, solved: &Solved) {
        let faults = &solved.data_faults;
        let found = faults
            .iter()
            .find(|fault| fault.kind == wanted.kind && fault.joint == wanted.joint);
        let joint = wanted.joint.as_deref().unwrap_or("the whole body");
        let measured = found.map_or("not found".to_owned(), ToString::to_string);
        let what = format!("fault in the take's data, {joint}");
        let kind = format!("a {} is found", wanted.kind.words());
        self.add(what, kind, measured, found.is_some());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_accepted_fault_is_known_again() {
        let fault = Fault {
            kind: FaultKind::Penetration,
            part: "left forearm and trunk".into(),
            first_frame: 20,
            last_frame: 40,
            amount: 12.0,
            unit: "mm",
            limit: 10.0,
            text: String::new(),
        };
        let accepted = AcceptedFault::of(&fault, "the coat hides it");
        let check = |change: fn(&mut Fault), expected: bool| {
            let mut other = fault.clone();
            change(&mut other);
            assert_eq!(accepted.covers(&other), expected, "{other:?}");
        };
        check(|_| (), true);
        check(|f| f.last_frame = 20, true);
        check(|f| (f.first_frame, f.last_frame) = (41, 60), false);
        check(|f| f.part = "right forearm and trunk".into(), false);
        check(|f| f.kind = FaultKind::JointLimit, false);
    }
}
