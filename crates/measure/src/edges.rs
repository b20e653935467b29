//! Joint jumps at the edges of contacts: corrections that begin or end at once.
//!
//! The correction of a segment is the difference of its direction in the result and in plain transfer,
//! as an angle; that of the pelvis is the difference of its places in leg lengths, as the angle it is
//! seen under from a leg away. Between the last frame outside a contact and the first in it, or the
//! last in it and the first after, a correction takes a step. Where it is smooth, the steps before and
//! after are nearly as large. A jump is how much larger it is than the larger of both (our own measure;
//! no published source).

use std::collections::BTreeSet;

use serde::Serialize;
use understudy_anatomy::limb_segments;
use understudy_motion::DVec3;
use understudy_solver::Touch;

use crate::subject::Subject;

/// A step beyond its neighbours of more than this is a jump, degrees.
pub const JUMP_DEG: f64 = 1.0;

/// The worst jump at an edge of a contact.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct EdgeJumps {
    /// Number of edges of foot contacts and touches; several at one frame are one.
    pub edges: usize,
    /// Edges at which some joint jumps by more than 1 degree.
    pub jumps: usize,
    /// The largest jump, degrees.
    pub worst_deg: f64,
    /// For a person: "left forearm", "pelvis".
    pub worst_part: String,
    /// The first frame after it, counted from 0.
    pub worst_frame: usize,
}

/// Steps into and out of contacts: the frames that follow them.
fn edge_frames(subject: &Subject<'_>, touches: &[Touch]) -> BTreeSet<usize> {
    let stands = (0..subject.feet.len()).flat_map(|leg| subject.stands(leg));
    let stands = stands.map(|stand| (stand.first, stand.last));
    let touches = touches.iter().map(|touch| (touch.first, touch.last));
    let steps = stands
        .chain(touches)
        .flat_map(|(first, last)| [first, last + 1]);
    // A clip that begins or ends within a contact has no step there.
    steps
        .filter(|&frame| (1..subject.frame_count()).contains(&frame))
        .collect()
}

/// Measures a result beside plain transfer onto the same body.
pub fn measure_edges(subject: &Subject<'_>, plain: &Subject<'_>, touches: &[Touch]) -> EdgeJumps {
    let edges = edge_frames(subject, touches);
    let mut parts: Vec<(String, Vec<DVec3>)> = Vec::new();
    let worlds = || subject.worlds.iter().zip(&plain.worlds);
    for segment in limb_segments(&subject.clip.skeleton, subject.body) {
        let turned = worlds().map(|(own, plain)| {
            segment.vector(own).normalize_or_zero() - segment.vector(plain).normalize_or_zero()
        });
        parts.push((segment.name.clone(), turned.collect()));
    }
    let pelvis = subject.body.pelvis;
    let moved = worlds()
        .map(|(own, plain)| (own.position(pelvis) - plain.position(pelvis)) / subject.leg_length_m);
    parts.push(("pelvis".to_owned(), moved.collect()));
    let mut found = EdgeJumps {
        edges: edges.len(),
        ..EdgeJumps::default()
    };
    for &frame in &edges {
        let mut largest_deg: f64 = 0.0;
        for (part, corrections) in &parts {
            let step = |to: usize| match (to.checked_sub(1), corrections.get(to)) {
                (Some(from), Some(to)) => to.distance(corrections[from]),
                _ => 0.0,
            };
            let beside = step(frame - 1).max(step(frame + 1));
            let jump_deg = (step(frame) - beside).to_degrees();
            largest_deg = largest_deg.max(jump_deg);
            if jump_deg > found.worst_deg {
                (found.worst_deg, found.worst_frame) = (jump_deg, frame);
                found.worst_part.clone_from(part);
            }
        }
        found.jumps += usize::from(largest_deg > JUMP_DEG);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Dummy, L_KNEE, still};
    use understudy_motion::{DQuat, signal};

    /// The left knee bends by 0.2 rad between two frames, and its foot is planted from frame 30 to 49.
    fn jumps(from: f64, to: f64) -> EdgeJumps {
        let dummy = Dummy::new(1.0);
        let clip = dummy.clip(80, |frame, locals| {
            let angle = 0.2 * signal::ease((frame as f64 - from) / (to - from));
            locals[L_KNEE].rotation = DQuat::from_rotation_x(angle);
        });
        let plain = still(&dummy, 80);
        let planted = dummy.planted(80, |leg, frame| {
            [leg == 0 && (30..50).contains(&frame), false, false]
        });
        measure_edges(
            &dummy.subject(&clip, &planted),
            &dummy.subject(&plain, &planted),
            &[],
        )
    }

    #[test]
    fn a_bend_at_once_is_a_jump_by_itself() {
        let found = jumps(29.0, 30.0);
        assert_eq!((found.edges, found.jumps, found.worst_frame), (2, 1, 30));
        // A chord of 0.2 rad.
        let expected = (2.0 * 0.1f64.sin()).to_degrees();
        assert!((found.worst_deg - expected).abs() < 1e-9, "{found:?}");
        assert_eq!(found.worst_part, "left shank");
    }

    #[test]
    fn a_smooth_bend_is_none() {
        let found = jumps(20.0, 40.0);
        assert_eq!((found.edges, found.jumps), (2, 0));
        assert!(found.worst_deg < 0.05, "{found:?}");
        // Neither is a jump where no contact begins.
        assert_eq!(jumps(20.0, 21.0).jumps, 0);
    }
}
