//! The built-in performer: a human body of published proportions.

use understudy_motion::Skeleton;

use crate::description::{Description, RestPose};
use crate::error::BodyError;
use crate::plan::Plan;

/// Stature of the performer where none is asked for, metres.
pub const STATURE_M: f64 = 1.75;

/// The performer's skeleton: Y up, looking along Z, joints in plain words with axes along the
/// world's, soles at height 0. Lengths are the fractions of [`crate::proportions`] times the
/// stature; the toe tips are end sites on the floor.
///
/// # Errors
/// A stature that is not from 0.1 to 20 m.
pub fn performer(stature_m: f64, rest: RestPose) -> Result<Skeleton, BodyError> {
    let mut description = Description::human("performer", stature_m);
    description.rest = rest;
    description.check()?;
    Plan::new(&description).skeleton()
}

#[cfg(test)]
mod tests {
    use super::*;

    const POSES: [RestPose; 3] = [RestPose::T, RestPose::A, RestPose::ArmsDown];

    fn joint(skeleton: &Skeleton, name: &str) -> usize {
        skeleton.find(name).expect(name)
    }

    /// Distance of two joints as a fraction of stature.
    fn fraction(skeleton: &Skeleton, from: &str, to: &str, stature_m: f64) -> f64 {
        let rest = skeleton.rest_world();
        let (from, to) = (joint(skeleton, from), joint(skeleton, to));
        rest.position(from).distance(rest.position(to)) / stature_m
    }

    /// The table of Drillis & Contini (1966) as printed in Winter (see the crate's
    /// `proportions`), typed anew so that a slip in either place is seen.
    #[test]
    fn segments_and_heights_are_those_of_the_table() {
        let segments = [
            ("shoulder", "elbow", 0.186),
            ("elbow", "wrist", 0.146),
            ("hip", "knee", 0.245),
            ("knee", "ankle", 0.246),
        ];
        let heights = [
            ("shoulder", 0.818),
            ("hip", 0.530),
            ("knee", 0.285),
            ("ankle", 0.039),
        ];
        for pose in POSES {
            for stature_m in [1.5, 1.75, 2.0] {
                let body = performer(stature_m, pose).unwrap();
                for side in ["left", "right"] {
                    for (from, to, expected) in segments {
                        let (from, to) = (format!("{side}_{from}"), format!("{side}_{to}"));
                        let found = fraction(&body, &from, &to, stature_m);
                        assert!((found - expected).abs() < 1e-12, "{from} {to} {found}");
                    }
                    for (name, expected) in heights {
                        let at = body
                            .rest_world()
                            .position(joint(&body, &format!("{side}_{name}")));
                        assert!((at.y / stature_m - expected).abs() < 1e-12, "{name}");
                    }
                }
                let width = fraction(&body, "left_shoulder", "right_shoulder", stature_m);
                assert!((width - 0.259).abs() < 1e-12);
                let neck = body.rest_world().position(joint(&body, "neck"));
                let pelvis = body.rest_world().position(joint(&body, "pelvis"));
                assert!(((neck.y - pelvis.y) / stature_m - 0.288).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn hands_heads_and_feet_end_where_they_should() {
        let body = performer(STATURE_M, RestPose::T).unwrap();
        let rest = body.rest_world();
        let tip = |name: &str| {
            let index = joint(&body, name);
            rest.point(index, body.joint(index).tips[0]) / STATURE_M
        };
        assert!((tip("head").y - 1.0).abs() < 1e-12);
        let toe = tip("left_ball");
        assert!(toe.y.abs() < 1e-12);
        let wrist = rest.position(joint(&body, "left_wrist")) / STATURE_M;
        assert!((tip("left_middle_3").distance(wrist) - 0.108).abs() < 1e-12);
        // Foot length 0.152 less the heel behind the ankle (a quarter).
        let ankle = rest.position(joint(&body, "left_ankle")) / STATURE_M;
        assert!((toe.z - ankle.z - 0.75 * 0.152).abs() < 1e-12);
    }

    #[test]
    fn joints_are_as_promised() {
        let body = performer(STATURE_M, RestPose::A).unwrap();
        // Pelvis, 3 spine, neck, head; clavicle, shoulder, elbow, wrist, 15 fingers; hip, knee,
        // ankle, ball.
        assert_eq!(body.len(), 6 + 2 * (4 + 15) + 2 * 4);
        let rest = body.rest_world();
        let elbow = rest.position(joint(&body, "right_elbow"));
        let shoulder = rest.position(joint(&body, "right_shoulder"));
        let down = elbow - shoulder;
        assert!(down.x < 0.0 && (down.x - down.y).abs() < 1e-12);
        assert!(performer(f64::NAN, RestPose::T).is_err());
    }

    #[test]
    fn left_and_right_mirror() {
        for pose in POSES {
            let body = performer(STATURE_M, pose).unwrap();
            let rest = body.rest_world();
            for index in 0..body.len() {
                let Some(other) = body.name(index).strip_prefix("left_") else {
                    continue;
                };
                let other = joint(&body, &format!("right_{other}"));
                let (mut mirrored, left) = (rest.position(other), rest.position(index));
                mirrored.x = -mirrored.x;
                assert!(mirrored.distance(left) < 1e-12);
            }
        }
    }
}
