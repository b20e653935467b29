//! Directions of limbs: the angle between a segment and the same segment of another clip.
//!
//! Against the take it holds what plain transfer cannot match (legs that walk on their toes,
//! hands without fingers) besides what planting changed; against plain transfer only the latter.

use serde::Serialize;
use understudy_anatomy::{Segment, SegmentKind, Side, limb_segments};
use understudy_motion::signal;

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
    /// 95 % of all angles stay below this.
    pub p95_deg: f64,
    /// Largest.
    pub worst_deg: f64,
    /// Segment by segment.
    pub segments: Vec<SegmentError>,
}

/// Compares directions in the world. Frames of both correspond one to one.
pub fn measure_directions(subject: &Subject<'_>, other: &Subject<'_>) -> DirectionErrors {
    let mut all = Vec::new();
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
    DirectionErrors {
        mean_deg: mean(&all),
        p95_deg: signal::quantile(&all, 0.95).unwrap_or(0.0),
        worst_deg: largest(segments.iter().map(|segment| segment.worst_deg)),
        segments,
    }
}

/// Segments of the same kind and side; further pairs of limbs go with the last pair that the
/// other body has.
fn matched_segments(subject: &Subject<'_>, other: &Subject<'_>) -> Vec<(Segment, Segment)> {
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
    use crate::testing::{Dummy, L_ELBOW, still};
    use understudy_motion::DQuat;

    #[test]
    fn a_turned_forearm_is_off_by_its_turn() {
        let (dummy, other) = (Dummy::new(1.0), Dummy::new(2.0));
        let clip = dummy.clip(4, |frame, locals| {
            locals[L_ELBOW].rotation = DQuat::from_rotation_z(0.1 * frame as f64);
        });
        let take = still(&other, 4);
        let errors = measure_directions(&dummy.subject(&clip, &[]), &other.subject(&take, &[]));
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
}
