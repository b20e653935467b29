//! Knee pops: sudden turns of a knee that the take does not have.
//!
//! The bend of a knee is signed, about the knee's own axis ([`understudy_solver::leg`]), so that
//! it runs through a straight leg without a kink. Its angular acceleration is the central second
//! difference over three frames. A pop is a frame in which it exceeds 1.2 times the peak that the
//! same leg of the take reaches anywhere (our own limit; no published source). The ankle (the
//! hock of a leg that walks on its toes) is measured likewise, for information.

use serde::Serialize;
use understudy_anatomy::{JointPoint, Leg};
use understudy_motion::angle::unwound;
use understudy_motion::{DVec3, signal};
use understudy_solver::align::source_leg;
use understudy_solver::contacts::runs;
use understudy_solver::leg::{LegPose, knee_axis};

use crate::subject::Subject;

/// Acceleration beyond this factor times the take's own peak is a pop.
pub const POP_RATIO: f64 = 1.2;

/// Peaks below this are stillness: there is no ratio of them, and no pop. Radians per second
/// squared; a swinging knee reaches several tens.
pub const STILL_RAD_PER_S2: f64 = 1.0;

/// Frames in which a joint accelerates beyond the limit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pop {
    /// First frame beyond the limit, counted from 0.
    pub first_frame: usize,
    /// Last frame beyond the limit.
    pub last_frame: usize,
    /// Largest acceleration in them.
    pub peak_rad_per_s2: f64,
    /// Its frame.
    pub peak_frame: usize,
}

/// Angular acceleration of one joint of one leg.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BendPeaks {
    /// For a person: "left", "right".
    pub leg: String,
    /// Least bend; negative is beyond straight.
    pub least_bend_deg: f64,
    /// Most bend.
    pub most_bend_deg: f64,
    /// Largest angular acceleration.
    pub peak_rad_per_s2: f64,
    /// Its frame, counted from 0.
    pub peak_frame: usize,
    /// Largest angular acceleration of the take's leg; absent where there is no take.
    pub take_peak_rad_per_s2: Option<f64>,
    /// Peak over the take's peak; absent where the take's leg is still.
    pub ratio: Option<f64>,
    /// Pops in order of frames.
    pub pops: Vec<Pop>,
}

/// Joints of a leg whose bend is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BendJoint {
    /// Between thigh and shank.
    Knee,
    /// Between shank and foot.
    Ankle,
}

/// Bends of a joint of all legs, against the take where there is one.
pub fn measure_bends(
    subject: &Subject<'_>,
    take: Option<&Subject<'_>>,
    joint: BendJoint,
) -> Vec<BendPeaks> {
    subject
        .body
        .legs
        .iter()
        .enumerate()
        .map(|(index, leg)| {
            let take_peak = take.and_then(|take| {
                let source = source_leg(take.body, leg)?;
                let bends = bend_series(take, &take.body.legs[source], joint);
                Some(peak(&accelerations(&bends, take)).1)
            });
            let bends = bend_series(subject, leg, joint);
            peaks(subject, index, &bends, take_peak)
        })
        .collect()
}

fn accelerations(bends: &[f64], subject: &Subject<'_>) -> Vec<f64> {
    signal::acceleration(bends, subject.clip.frame_time_secs)
        .into_iter()
        .map(f64::abs)
        .collect()
}

/// Frame and value of the largest acceleration. The two ends only repeat their neighbours.
fn peak(accelerations: &[f64]) -> (usize, f64) {
    let inner = accelerations
        .get(1..accelerations.len().saturating_sub(1))
        .unwrap_or_default();
    crate::stats::worst(inner).map_or((0, 0.0), |(at, value)| (at + 1, value))
}

fn peaks(subject: &Subject<'_>, leg: usize, bends: &[f64], take_peak: Option<f64>) -> BendPeaks {
    let accelerations = accelerations(bends, subject);
    let (peak_frame, peak_rad_per_s2) = peak(&accelerations);
    let pops = take_peak.map_or_else(Vec::new, |take_peak| {
        find_pops(
            &accelerations,
            (POP_RATIO * take_peak).max(STILL_RAD_PER_S2),
        )
    });
    BendPeaks {
        leg: subject.leg_name(leg),
        least_bend_deg: bends
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min)
            .to_degrees(),
        most_bend_deg: bends
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max)
            .to_degrees(),
        peak_rad_per_s2,
        peak_frame,
        take_peak_rad_per_s2: take_peak,
        ratio: take_peak
            .filter(|peak| *peak >= STILL_RAD_PER_S2)
            .map(|peak| peak_rad_per_s2 / peak),
        pops,
    }
}

fn find_pops(accelerations: &[f64], limit: f64) -> Vec<Pop> {
    let last = accelerations.len().saturating_sub(1);
    let mask: Vec<bool> = accelerations
        .iter()
        .enumerate()
        .map(|(frame, value)| frame > 0 && frame < last && *value > limit)
        .collect();
    runs(&mask)
        .into_iter()
        .map(|(first_frame, last_frame)| {
            let (at, peak_rad_per_s2) =
                crate::stats::worst(&accelerations[first_frame..=last_frame]).unwrap_or((0, 0.0));
            Pop {
                first_frame,
                last_frame,
                peak_rad_per_s2,
                peak_frame: first_frame + at,
            }
        })
        .collect()
}

/// Bend of a joint of a leg, frame by frame, radians; 0 is a straight line through both bones.
pub fn bend_series(subject: &Subject<'_>, leg: &Leg, joint: BendJoint) -> Vec<f64> {
    let at = JointPoint::origin;
    let (carrier, points) = match joint {
        BendJoint::Knee => (leg.hip, [at(leg.hip), at(leg.knee), at(leg.ankle)]),
        BendJoint::Ankle => {
            let end = leg.ball.map_or(leg.toe_tip, JointPoint::origin);
            (leg.knee, [at(leg.knee), at(leg.ankle), end])
        }
    };
    // A knee turns its shank backward; an ankle turns the other way, and both about the body's
    // left.
    let sign = if joint == BendJoint::Knee { 1.0 } else { -1.0 };
    let prior = subject.rest.rotation(carrier).inverse() * (sign * subject.body.frame.left());
    signed_bends(subject, carrier, points, prior)
}

fn signed_bends(
    subject: &Subject<'_>,
    carrier: usize,
    points: [JointPoint; 3],
    prior: DVec3,
) -> Vec<f64> {
    let bones: Vec<(DVec3, DVec3)> = subject
        .worlds
        .iter()
        .map(|world| {
            let [from, middle, to] = points.map(|point| point.world(world));
            let to_carrier = world.rotation(carrier).inverse();
            (to_carrier * (middle - from), to_carrier * (to - middle))
        })
        .collect();
    let axis = knee_axis(bones.iter().copied(), prior);
    let mut bends: Vec<f64> = bones
        .into_iter()
        .map(|(thigh, shank)| LegPose { thigh, shank, axis }.bend())
        .collect();
    unwrap_angles(&mut bends);
    bends
}

/// Takes out jumps of a full turn.
fn unwrap_angles(angles: &mut [f64]) {
    for index in 1..angles.len() {
        angles[index] = unwound(angles[index], angles[index - 1]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{DT, Dummy, L_ANKLE, L_KNEE, R_KNEE};
    use understudy_motion::{Clip, DQuat};

    /// Both knees bend at 40 rad/s²; at frame `jolt` the left one gets another 0.1 rad.
    fn bending(dummy: &Dummy, jolt: Option<usize>) -> Clip {
        dummy.clip(20, |frame, locals| {
            let secs = frame as f64 * DT;
            let bend = 0.1 + 20.0 * secs * secs;
            let extra = if jolt == Some(frame) { 0.1 } else { 0.0 };
            locals[L_KNEE].rotation = DQuat::from_rotation_x(bend + extra);
            locals[R_KNEE].rotation = DQuat::from_rotation_x(bend);
        })
    }

    #[test]
    fn a_known_acceleration_is_found() {
        let dummy = Dummy::new(1.0);
        let clip = bending(&dummy, None);
        let subject = dummy.subject(&clip, &[]);
        for knee in measure_bends(&subject, Some(&subject), BendJoint::Knee) {
            assert!((knee.peak_rad_per_s2 - 40.0).abs() < 1e-6);
            assert!((knee.ratio.unwrap() - 1.0).abs() < 1e-12);
            assert!((knee.least_bend_deg - 0.1f64.to_degrees()).abs() < 1e-9);
            assert!(knee.pops.is_empty());
        }
    }

    #[test]
    fn a_jolt_of_one_frame_is_a_pop() {
        let dummy = Dummy::new(1.0);
        let (take, clip) = (bending(&dummy, None), bending(&dummy, Some(7)));
        let take = dummy.subject(&take, &[]);
        let subject = dummy.subject(&clip, &[]);
        let knees = measure_bends(&subject, Some(&take), BendJoint::Knee);
        // 40 + 0.1/dt² before and after, 40 − 0.2/dt² in the frame itself.
        let jolt = 0.2 / (DT * DT) - 40.0;
        assert!((knees[0].peak_rad_per_s2 - jolt).abs() < 1e-6);
        assert_eq!(knees[0].peak_frame, 7);
        assert!((knees[0].ratio.unwrap() - jolt / 40.0).abs() < 1e-6);
        assert_eq!(knees[0].pops.len(), 1);
        assert_eq!(
            (knees[0].pops[0].first_frame, knees[0].pops[0].last_frame),
            (6, 8)
        );
        assert!(knees[1].pops.is_empty());
    }

    #[test]
    fn a_knee_through_straight_has_no_kink() {
        let dummy = Dummy::new(1.0);
        let clip = dummy.clip(41, |frame, locals| {
            locals[L_KNEE].rotation = DQuat::from_rotation_x(0.02 * (30.0 - frame as f64));
        });
        let subject = dummy.subject(&clip, &[]);
        let knee = &measure_bends(&subject, None, BendJoint::Knee)[0];
        assert!(knee.peak_rad_per_s2 < 1e-6, "{}", knee.peak_rad_per_s2);
        assert!((knee.least_bend_deg + 0.2f64.to_degrees()).abs() < 1e-6);
        assert_eq!((knee.ratio, knee.take_peak_rad_per_s2), (None, None));
    }

    #[test]
    fn stillness_has_no_ratio_and_size_does_not_matter() {
        let dummy = Dummy::new(1.0);
        let clip = crate::testing::still(&dummy, 5);
        let subject = dummy.subject(&clip, &[]);
        let knee = &measure_bends(&subject, Some(&subject), BendJoint::Knee)[0];
        assert_eq!(knee.ratio, None);
        let (small, big) = (Dummy::new(0.3), Dummy::new(3.0));
        let (small_clip, big_clip) = (bending(&small, Some(7)), bending(&big, Some(7)));
        let a = measure_bends(&small.subject(&small_clip, &[]), None, BendJoint::Knee);
        let b = measure_bends(&big.subject(&big_clip, &[]), None, BendJoint::Knee);
        assert!((a[0].peak_rad_per_s2 - b[0].peak_rad_per_s2).abs() < 1e-6);
    }

    #[test]
    fn an_ankle_is_measured_likewise() {
        let dummy = Dummy::new(1.0);
        let clip = dummy.clip(20, |frame, locals| {
            let secs = frame as f64 * DT;
            locals[L_ANKLE].rotation = DQuat::from_rotation_x(5.0 * secs * secs);
        });
        let ankles = measure_bends(&dummy.subject(&clip, &[]), None, BendJoint::Ankle);
        assert!((ankles[0].peak_rad_per_s2 - 10.0).abs() < 1e-6);
        assert!(ankles[1].peak_rad_per_s2 < 1e-9);
    }
}
