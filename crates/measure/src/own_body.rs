//! A take carried onto its own body: what changed, where nothing should.

use serde::Serialize;

use crate::stats::worst;
use crate::subject::Subject;

/// What changed between a take and a clip of the same skeleton.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OwnBody {
    /// Largest turn of any joint against its parent, radians.
    pub worst_turn: f64,
    /// Largest way of any joint in the world, metres.
    pub worst_way_m: f64,
    /// The joint that goes that way.
    pub worst_joint: String,
    /// Its frame, counted from 0.
    pub worst_frame: usize,
}

/// Whether two clips are of the same skeleton, as [`measure_own_body`] says.
pub(crate) fn is_own_body(subject: &Subject<'_>, take: &Subject<'_>) -> bool {
    let (own, other) = (&subject.clip.skeleton, &take.clip.skeleton);
    let mut joints = own.joints().iter().zip(other.joints());
    own.len() == other.len()
        && joints.all(|(a, b)| {
            let far_m = 1e-6 * a.rest.translation.length().max(1e-3);
            let is_bone = a.rest.translation.abs_diff_eq(b.rest.translation, far_m);
            a.name == b.name && a.parent == b.parent && (a.parent.is_none() || is_bone)
        })
}

/// Compares a clip with its take, joint by joint. `None` where the skeletons are not the same: joints
/// of the same names and parents, bones within a millionth of their length. Where the root rests does
/// not matter.
pub fn measure_own_body(subject: &Subject<'_>, take: &Subject<'_>) -> Option<OwnBody> {
    if !is_own_body(subject, take) {
        return None;
    }
    let own = &subject.clip.skeleton;
    let frames = subject.frame_count().min(take.frame_count());
    let mut found = OwnBody {
        worst_turn: 0.0,
        worst_way_m: 0.0,
        worst_joint: String::new(),
        worst_frame: 0,
    };
    for joint in 0..own.len() {
        let ways: Vec<f64> = (0..frames)
            .map(|frame| {
                let [one, other] = [subject, take].map(|it| it.worlds[frame].position(joint));
                one.distance(other)
            })
            .collect();
        if let Some((frame, way_m)) = worst(&ways)
            && way_m > found.worst_way_m
        {
            (found.worst_way_m, found.worst_frame) = (way_m, frame);
            own.name(joint).clone_into(&mut found.worst_joint);
        }
        for frame in 0..frames {
            let [a, b] = [subject, take].map(|it| it.clip.frame(frame)[joint].rotation);
            let turn = a.inverse() * b;
            // Exact for small turns, unlike the arc cosine.
            let sine = turn.x.hypot(turn.y).hypot(turn.z);
            found.worst_turn = found.worst_turn.max(2.0 * sine.atan2(turn.w.abs()));
        }
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Dummy, L_ELBOW, still};
    use understudy_motion::DQuat;

    #[test]
    fn a_turned_elbow_is_found_with_its_frame() {
        let dummy = Dummy::new(1.0);
        let take = still(&dummy, 3);
        let clip = dummy.clip(3, |frame, locals| {
            let angle = [0.0, 1e-7, 1e-3][frame];
            locals[L_ELBOW].rotation = DQuat::from_rotation_z(angle);
        });
        let (subject, take) = (dummy.subject(&clip, &[]), dummy.subject(&take, &[]));
        let found = measure_own_body(&subject, &take).unwrap();
        assert!((found.worst_turn - 1e-3).abs() < 1e-12, "{found:?}");
        // The wrist is 25 cm away.
        assert!(
            (found.worst_way_m - 0.5 * 0.5e-3f64.sin()).abs() < 1e-12,
            "{found:?}"
        );
        assert_eq!(
            (found.worst_joint.as_str(), found.worst_frame),
            ("wrist", 2)
        );
        let same = measure_own_body(&take, &take).unwrap();
        assert_eq!((same.worst_turn, same.worst_way_m), (0.0, 0.0));
    }

    #[test]
    fn another_body_is_not_compared() {
        let (dummy, other) = (Dummy::new(1.0), Dummy::new(1.1));
        let (clip, take) = (still(&dummy, 2), still(&other, 2));
        assert_eq!(
            measure_own_body(&dummy.subject(&clip, &[]), &other.subject(&take, &[])),
            None
        );
    }
}
