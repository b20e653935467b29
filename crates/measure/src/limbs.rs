//! Directions of limbs: the angle between a segment and the same segment of another clip.
//!
//! Against the take it holds what plain transfer cannot match (legs that walk on their toes,
//! hands without fingers) besides what planting changed; against plain transfer only the latter.

use serde::Serialize;
use understudy_anatomy::{Segment, SegmentKind, Side, limb_segments};
use understudy_motion::signal;
use understudy_solver::{Touch, TouchPart};

use crate::stats::{largest, mean, worst};
use crate::subject::Subject;

/// Angles of one segment.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SegmentError {
    /// For a person: "left thigh".
    pub segment: String,
    /// Which part it is.
    pub kind: SegmentKind,
    /// Mean over all frames.
    pub mean_deg: f64,
    /// 95 % of the frames stay below this.
    pub p95_deg: f64,
    /// Largest.
    pub worst_deg: f64,
    /// Its frame, counted from 0.
    pub worst_frame: usize,
}

/// Angles of all segments that both bodies have.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DirectionErrors {
    /// Mean over segments and frames.
    pub mean_deg: f64,
    /// The same without the limbs that a contact holds, in the frames in which it does: legs whose foot
    /// is planted, arms that touch or are touched.
    pub free_mean_deg: f64,
    /// 95 % of all angles stay below this.
    pub p95_deg: f64,
    /// Largest.
    pub worst_deg: f64,
    /// Segment by segment.
    pub segments: Vec<SegmentError>,
}

/// Compares directions in the world. Frames of both correspond one to one. Legs are held by what is
/// planted on the subject, arms by `touches`.
pub fn measure_directions(
    subject: &Subject<'_>,
    other: &Subject<'_>,
    touches: &[Touch],
) -> DirectionErrors {
    let (mut all, mut free) = (Vec::new(), Vec::new());
    let mut segments = Vec::new();
    for (own, other_segment) in matched_segments(subject, other) {
        let angles: Vec<f64> = subject
            .worlds
            .iter()
            .zip(&other.worlds)
            .map(|(a, b)| {
                own.vector(a)
                    .angle_between(other_segment.vector(b))
                    .to_degrees()
            })
            .collect();
        let frames = angles.iter().enumerate();
        let frames = frames.filter(|&(frame, _)| !is_held(subject, &own, touches, frame));
        free.extend(frames.map(|(_, angle)| *angle));
        let angles: Vec<f64> = angles
            .into_iter()
            .filter(|angle| angle.is_finite())
            .collect();
        let (worst_frame, worst_deg) = worst(&angles).unwrap_or((0, 0.0));
        segments.push(SegmentError {
            segment: own.name,
            kind: own.kind,
            mean_deg: mean(&angles),
            p95_deg: signal::quantile(&angles, 0.95).unwrap_or(0.0),
            worst_deg,
            worst_frame,
        });
        all.extend(angles);
    }
    free.retain(|angle| angle.is_finite());
    DirectionErrors {
        mean_deg: mean(&all),
        free_mean_deg: mean(&free),
        p95_deg: signal::quantile(&all, 0.95).unwrap_or(0.0),
        worst_deg: largest(segments.iter().map(|segment| segment.worst_deg)),
        segments,
    }
}

/// Whether a contact holds the limb that a segment belongs to.
fn is_held(subject: &Subject<'_>, segment: &Segment, touches: &[Touch], frame: usize) -> bool {
    let is_of = |side: Side, pair: usize| (side, pair) == (segment.side, segment.pair);
    match segment.kind {
        SegmentKind::Thigh | SegmentKind::Shank | SegmentKind::Foot | SegmentKind::Toes => {
            let legs = subject.feet.iter().zip(subject.planted_parts);
            let mut own = legs.filter(|(foot, _)| is_of(foot.side, foot.pair));
            own.any(|(_, parts)| parts.get(frame).is_some_and(|parts| parts.contains(&true)))
        }
        SegmentKind::Clavicle
        | SegmentKind::UpperArm
        | SegmentKind::Forearm
        | SegmentKind::Hand => {
            let now = touches.iter();
            let now = now.filter(|touch| (touch.first..=touch.last).contains(&frame));
            let mut ends = now.flat_map(|touch| [touch.from, touch.to]);
            ends.any(|end| {
                let is_arm = end.part.is_limb() || end.part == TouchPart::UpperArm;
                is_arm && is_of(end.side, end.pair)
            })
        }
        SegmentKind::Trunk | SegmentKind::Neck | SegmentKind::Head => false,
    }
}

/// Segments of the same kind and side; further pairs of limbs go with the last pair that the
/// other body has.
pub(crate) fn matched_segments(
    subject: &Subject<'_>,
    other: &Subject<'_>,
) -> Vec<(Segment, Segment)> {
    let candidates = limb_segments(&other.clip.skeleton, other.body);
    let find = |kind: SegmentKind, side: Side, pair: usize| {
        candidates
            .iter()
            .filter(|segment| segment.kind == kind && segment.side == side && segment.pair <= pair)
            .max_by_key(|segment| segment.pair)
            .cloned()
    };
    limb_segments(&subject.clip.skeleton, subject.body)
        .into_iter()
        .filter_map(|segment| {
            let other = find(segment.kind, segment.side, segment.pair)?;
            Some((segment, other))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Dummy, L_ELBOW, L_KNEE, still};
    use understudy_motion::DQuat;

    #[test]
    fn a_turned_forearm_is_off_by_its_turn() {
        let (dummy, other) = (Dummy::new(1.0), Dummy::new(2.0));
        let clip = dummy.clip(4, |frame, locals| {
            locals[L_ELBOW].rotation = DQuat::from_rotation_z(0.1 * frame as f64);
        });
        let take = still(&other, 4);
        let errors =
            measure_directions(&dummy.subject(&clip, &[]), &other.subject(&take, &[]), &[]);
        let of = |name: &str| errors.segments.iter().find(|s| s.segment == name).unwrap();
        for name in ["left forearm", "left hand"] {
            assert!((of(name).worst_deg - 0.3f64.to_degrees()).abs() < 1e-6);
            assert!((of(name).mean_deg - 0.15f64.to_degrees()).abs() < 1e-6);
            assert_eq!(of(name).worst_frame, 3);
        }
        for segment in &errors.segments {
            let is_turned = ["left forearm", "left hand"].contains(&segment.segment.as_str());
            assert!(is_turned || segment.worst_deg < 1e-6, "{segment:?}");
        }
        assert!((errors.worst_deg - 0.3f64.to_degrees()).abs() < 1e-6);
    }

    #[test]
    fn what_a_contact_holds_is_left_out() {
        let dummy = Dummy::new(1.0);
        let plain = still(&dummy, 4);
        let clip = dummy.clip(4, |frame, locals| {
            let turn = DQuat::from_rotation_z(0.1);
            if frame < 2 {
                locals[L_ELBOW].rotation = turn;
            }
            if frame > 0 {
                locals[L_KNEE].rotation = DQuat::from_rotation_x(0.1);
            }
        });
        let end = |part, side| understudy_solver::TouchEnd {
            part,
            side,
            pair: 0,
            along: 0.5,
        };
        let touch = Touch {
            from: end(TouchPart::Hand, Side::Left),
            to: end(TouchPart::Head, Side::Middle),
            first: 0,
            last: 0,
        };
        let planted = dummy.planted(4, |leg, frame| [false, leg == 0 && frame > 1, false]);
        let subject = dummy.subject(&clip, &planted);
        let errors = measure_directions(&subject, &dummy.subject(&plain, &[]), &[touch]);
        // Forearm and hand are free in frames 1 to 3 and turned in the first of them; shank, foot and
        // toes in frames 0 and 1, and turned in the second.
        let segments = errors.segments.len();
        let held = 3 + 2 * 4;
        let count = (4 * segments - held) as f64;
        let expected = 0.1f64.to_degrees() * (2.0 + 3.0) / count;
        assert!((errors.free_mean_deg - expected).abs() < 1e-6, "{errors:?}");
        let all = 0.1f64.to_degrees() * (2.0 * 2.0 + 3.0 * 3.0) / (4 * segments) as f64;
        assert!((errors.mean_deg - all).abs() < 1e-6);
    }
}
