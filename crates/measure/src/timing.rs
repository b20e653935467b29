//! Timing shift: whether the character moves earlier or later than the take.
//!
//! Speeds are compared by normalised cross-correlation (Pearson's coefficient over the frames
//! that overlap at each lag) over lags of up to a quarter of a second, or of the clip. They are
//! those of wrists and ankles relative to the pelvis, in world axes (of the balls of feet whose
//! hock is held high), and the angular speed of the head, whose place would tell more of the
//! shape of trunk and neck than of time. The shift of the clip is the lag at which the mean of
//! the limbs' coefficients is highest: time shifts all limbs together, while one limb's curve also
//! changes its shape where a foot is planted longer or a longer leg swings wider. The peak between
//! frames is that of the parabola through the best lag and its two neighbours. Source of the
//! correlation: Oppenheim & Schafer, *Discrete-Time Signal Processing*; the parabola is common
//! practice.

use serde::Serialize;
use understudy_anatomy::{Arm, JointPoint, Leg};
use understudy_motion::{DQuat, DVec3, signal};
use understudy_solver::align::source_leg;

use crate::subject::{Subject, limb_name};

/// Longest shift looked for, seconds.
const LONGEST_SECS: f64 = 0.25;

/// A limb whose speeds agree less than this tells nothing about time: less than half of their
/// variance is shared.
const LEAST_CORRELATION: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// Speeds that vary by less than this, in leg lengths or radians per second, are stillness.
const STILL: f64 = 1e-6;

/// Shift of one limb.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LimbShift {
    /// For a person: "left wrist", "head".
    pub limb: String,
    /// Best whole lag; positive where the character is late.
    pub shift_frames: i64,
    /// Best lag between frames.
    pub fine_shift_frames: f64,
    /// Correlation at the best whole lag, −1 to 1.
    pub correlation: f64,
    /// Correlation with no lag.
    pub correlation_unshifted: f64,
    /// Whether this tells the shift: the speeds share at least half of their variance, and they
    /// agree best within the lags looked at, not at the end of them.
    pub is_sure: bool,
}

/// Shift of the clip.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Timing {
    /// Best whole lag of all limbs together; positive where the character is late; 0 where the
    /// limbs tell none.
    pub shift_frames: i64,
    /// The same between frames.
    pub fine_shift_frames: f64,
    /// Mean correlation of the limbs at the best lag; 1 where none moves.
    pub correlation: f64,
    /// Mean correlation of the limbs with no lag; 1 where none moves.
    pub correlation_unshifted: f64,
    /// Whether the limbs tell a shift: as [`LimbShift::is_sure`].
    pub is_sure: bool,
    /// Limbs that move, each by itself.
    pub limbs: Vec<LimbShift>,
}

/// Compares the limbs' speeds with those of the take. Frames of both correspond one to one.
pub fn measure_timing(subject: &Subject<'_>, take: &Subject<'_>) -> Timing {
    let longest = (LONGEST_SECS / subject.clip.frame_time_secs).round() as usize;
    let frames = subject.frame_count().min(take.frame_count());
    let longest = longest.min(frames / 4);
    let curves: Vec<(String, Vec<f64>)> = matched_speeds(subject, take)
        .into_iter()
        .filter_map(|(limb, own, other)| Some((limb, correlations(&other?, &own?, longest))))
        .collect();
    let limbs = curves
        .iter()
        .filter_map(|(limb, values)| shift(limb.clone(), values))
        .collect();
    let pooled: Vec<f64> = (0..=2 * longest)
        .map(|at| crate::stats::mean(&curves.iter().map(|c| c.1[at]).collect::<Vec<f64>>()))
        .collect();
    match shift(String::new(), &pooled) {
        Some(all) if !curves.is_empty() => Timing {
            shift_frames: if all.is_sure { all.shift_frames } else { 0 },
            fine_shift_frames: if all.is_sure {
                all.fine_shift_frames
            } else {
                0.0
            },
            correlation: all.correlation,
            correlation_unshifted: all.correlation_unshifted,
            is_sure: all.is_sure,
            limbs,
        },
        _ => Timing {
            shift_frames: 0,
            fine_shift_frames: 0.0,
            correlation: 1.0,
            correlation_unshifted: 1.0,
            is_sure: false,
            limbs,
        },
    }
}

/// Speeds frame by frame; `None` for a part that does not move.
pub(crate) type Speeds = Option<Vec<f64>>;

/// Name of each limb, and its speeds on the subject and on the take.
pub(crate) fn matched_speeds(
    subject: &Subject<'_>,
    take: &Subject<'_>,
) -> Vec<(String, Speeds, Speeds)> {
    let mut matched: Vec<(String, Speeds, Speeds)> = matched_limbs(subject, take)
        .into_iter()
        .map(|(limb, own, other)| {
            let own = relative_speeds(subject, own);
            (limb, own, relative_speeds(take, other))
        })
        .collect();
    if let (Some(own), Some(other)) = (subject.body.head, take.body.head) {
        let own = turning_speeds(subject, own);
        matched.push(("head".to_owned(), own, turning_speeds(take, other)));
    }
    matched
}

/// Name and point of each limb's end on both bodies.
fn matched_limbs(
    subject: &Subject<'_>,
    take: &Subject<'_>,
) -> Vec<(String, JointPoint, JointPoint)> {
    let mut limbs = Vec::new();
    for arm in &subject.body.arms {
        if let Some(source) = take.body.arm(arm.side, arm.pair) {
            let name = format!("{} wrist", limb_name(arm.side, arm.pair));
            let end = |arm: &Arm| arm.wrist.map_or(arm.hand_tip, JointPoint::origin);
            limbs.push((name, end(arm), end(source)));
        }
    }
    for leg in &subject.body.legs {
        if let Some(source) = source_leg(take.body, leg) {
            let source = &take.body.legs[source];
            let word = if leg.digitigrade { "ball" } else { "ankle" };
            limbs.push((
                format!("{} {word}", limb_name(leg.side, leg.pair)),
                leg_end(leg),
                leg_end(source),
            ));
        }
    }
    limbs
}

/// Where a leg meets the foot it stands on: the ball where the hock is held high, which moves as
/// the ankle of other legs does.
fn leg_end(leg: &Leg) -> JointPoint {
    JointPoint::origin(if leg.digitigrade {
        leg.toe_joint()
    } else {
        leg.ankle
    })
}

/// Speed of a point relative to the pelvis in world axes, leg lengths per second; `None` where it
/// does not change.
fn relative_speeds(subject: &Subject<'_>, point: JointPoint) -> Speeds {
    let pelvis = JointPoint::origin(subject.body.pelvis);
    let relative: Vec<DVec3> = subject
        .worlds
        .iter()
        .map(|world| (point.world(world) - pelvis.world(world)) / subject.leg_length_m)
        .collect();
    let velocities = signal::velocity(&relative, subject.clip.frame_time_secs);
    // The one-sided differences at the two ends lie half a frame off.
    let inner = velocities.get(1..velocities.len().saturating_sub(1))?;
    changing(inner.iter().map(|velocity| velocity.length()).collect())
}

/// Angular speed of a joint in the world over two frames, radians per second; `None` where it
/// does not change. The first and the last frame have none.
fn turning_speeds(subject: &Subject<'_>, joint: usize) -> Speeds {
    let secs = 2.0 * subject.clip.frame_time_secs;
    let speeds = subject
        .worlds
        .windows(3)
        .map(|worlds| angle_between(worlds[0].rotation(joint), worlds[2].rotation(joint)) / secs)
        .collect();
    changing(speeds)
}

/// Angle of the turn from one rotation to another, radians. Exact for small ones too, unlike the
/// arc cosine of their product.
fn angle_between(from: DQuat, to: DQuat) -> f64 {
    let turn = from.inverse() * to;
    2.0 * DVec3::new(turn.x, turn.y, turn.z)
        .length()
        .atan2(turn.w.abs())
}

fn changing(speeds: Vec<f64>) -> Speeds {
    let low = speeds.iter().copied().fold(f64::INFINITY, f64::min);
    let high = speeds.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    (high - low > STILL).then_some(speeds)
}

/// Correlation at every lag from `-longest` to `longest`.
fn correlations(take: &[f64], own: &[f64], longest: usize) -> Vec<f64> {
    let longest = i64::try_from(longest).unwrap_or(0);
    (-longest..=longest)
        .map(|lag| correlation(take, own, lag))
        .collect()
}

/// The best lag of a curve of correlations whose middle is no lag.
fn shift(limb: String, values: &[f64]) -> Option<LimbShift> {
    let centre = values.len() / 2;
    // Of equal correlations the shortest lag wins.
    let best = (0..values.len())
        .filter(|&at| values[at].is_finite())
        .min_by(|&a, &b| {
            values[b]
                .total_cmp(&values[a])
                .then(a.abs_diff(centre).cmp(&b.abs_diff(centre)))
        })?;
    let longest = i64::try_from(centre).ok()?;
    let shift_frames = i64::try_from(best).ok()? - longest;
    Some(LimbShift {
        limb,
        shift_frames,
        fine_shift_frames: shift_frames as f64 + between_frames(values, best),
        correlation: values[best],
        is_sure: values[best] >= LEAST_CORRELATION && shift_frames.abs() < longest.max(1),
        correlation_unshifted: values[centre],
    })
}

/// Pearson's coefficient of `take[i]` and `own[i + lag]` over all `i` for which both exist.
fn correlation(take: &[f64], own: &[f64], lag: i64) -> f64 {
    let skip = usize::try_from(lag.unsigned_abs()).unwrap_or(usize::MAX);
    let from = |values: &[f64], skip: usize| values.get(skip..).unwrap_or_default().to_vec();
    let (take, own) = if lag >= 0 {
        (take.to_vec(), from(own, skip))
    } else {
        (from(take, skip), own.to_vec())
    };
    let count = take.len().min(own.len());
    pearson(&take[..count], &own[..count])
}

fn pearson(a: &[f64], b: &[f64]) -> f64 {
    let (mean_a, mean_b) = (crate::stats::mean(a), crate::stats::mean(b));
    let (mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0);
    for (a, b) in a.iter().zip(b) {
        let (a, b) = (a - mean_a, b - mean_b);
        aa += a * a;
        bb += b * b;
        ab += a * b;
    }
    ab / (aa * bb).sqrt()
}

/// Offset of the top of the parabola through a peak and its neighbours, within half a frame.
fn between_frames(values: &[f64], best: usize) -> f64 {
    let (Some(before), Some(after)) = (
        best.checked_sub(1).and_then(|at| values.get(at)),
        values.get(best + 1),
    ) else {
        return 0.0;
    };
    let curve = before - 2.0 * values[best] + after;
    if curve < 0.0 {
        (0.5 * (before - after) / curve).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{DT, Dummy, HEAD, L_ELBOW, L_HIP, L_KNEE, R_KNEE};
    use understudy_motion::Clip;

    /// Limbs that swing without repeating, `late` frames after the clock.
    fn swinging(dummy: &Dummy, late: f64) -> Clip {
        dummy.clip(120, |frame, locals| {
            let t = (frame as f64 - late) * DT;
            locals[L_HIP].rotation = DQuat::from_rotation_x(0.5 * (7.0 * t + t * t).sin());
            locals[L_KNEE].rotation = DQuat::from_rotation_x(0.6 + 0.5 * (9.0 * t).cos());
            locals[L_ELBOW].rotation = DQuat::from_rotation_y(0.8 * (5.0 * t * t).sin());
            locals[HEAD].rotation = DQuat::from_rotation_z(0.4 * (6.0 * t + t * t).cos());
        })
    }

    #[test]
    fn four_frames_late_is_four_frames() {
        let (performer, character) = (Dummy::new(1.0), Dummy::new(1.7));
        for late in [4.0, -3.0, 0.0] {
            let (take, clip) = (swinging(&performer, 0.0), swinging(&character, late));
            let timing = measure_timing(
                &character.subject(&clip, &[]),
                &performer.subject(&take, &[]),
            );
            assert_eq!(timing.shift_frames, late as i64);
            // The top of a parabola is only near that of the correlation.
            assert!((timing.fine_shift_frames - late).abs() < 0.05);
            let moving: Vec<&str> = timing.limbs.iter().map(|l| l.limb.as_str()).collect();
            assert_eq!(moving, ["left wrist", "left ankle", "head"]);
            assert!(timing.is_sure && timing.correlation > 1.0 - 1e-9);
        }
    }

    #[test]
    fn parts_of_a_frame_are_seen() {
        let dummy = Dummy::new(1.0);
        let (take, clip) = (swinging(&dummy, 0.0), swinging(&dummy, 2.3));
        let timing = measure_timing(&dummy.subject(&clip, &[]), &dummy.subject(&take, &[]));
        for limb in &timing.limbs {
            assert_eq!(limb.shift_frames, 2);
            assert!((limb.fine_shift_frames - 2.3).abs() < 0.1, "{limb:?}");
        }
    }

    #[test]
    fn limbs_that_move_otherwise_tell_no_shift() {
        let dummy = Dummy::new(1.0);
        let moving = |pick: fn(f64) -> f64| {
            dummy.clip(60, |frame, locals| {
                locals[R_KNEE].rotation = DQuat::from_rotation_x(pick(frame as f64 * DT));
            })
        };
        // One goes ever faster, the other ever slower.
        let (take, clip) = (moving(|t| t * t), moving(|t| 2.0 * t - t * t));
        let timing = measure_timing(&dummy.subject(&clip, &[]), &dummy.subject(&take, &[]));
        assert_eq!(timing.limbs.len(), 1);
        assert!(!timing.limbs[0].is_sure);
        assert_eq!(timing.shift_frames, 0);
    }

    #[test]
    fn stillness_has_no_timing() {
        let dummy = Dummy::new(1.0);
        let clip = crate::testing::still(&dummy, 1);
        let subject = dummy.subject(&clip, &[]);
        let timing = measure_timing(&subject, &subject);
        assert!(timing.limbs.is_empty());
        assert_eq!((timing.shift_frames, timing.correlation), (0, 1.0));
    }
}
