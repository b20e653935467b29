//! Plain standing, and what takes that stand have in common.

use glam::{DQuat, DVec3};
use understudy_anatomy::Side;

use crate::curve::sine;
use crate::plan::{SIDES, sign};
use crate::takes::TouchPart;
use crate::takes::draft::joints_of;
use crate::takes::feet::Footing;
use crate::takes::figure::Figure;
use crate::takes::line::Line;
use crate::takes::score::{DEGREE, HandPlan, HandPose, PelvisPlan, Score, TurnPlan};

/// Half the distance of the ankles while standing, metres.
pub(crate) const HALF_STAND_M: f64 = 0.095;
/// Outward turn of the feet, radians.
pub(crate) const TOE_OUT: f64 = 8.0 * DEGREE;
/// Knee flexion while standing, radians.
pub(crate) const STANDING_KNEE: f64 = 7.0 * DEGREE;
/// How far the centre of mass lies before the ankles in quiet standing, metres (about 5 cm:
/// Winter 1995, doi 10.1016/0966-6362(96)82849-9, from memory).
pub(crate) const BEFORE_ANKLES_M: f64 = 0.045;

/// Sway of quiet standing, a few millimetres (Winter 1995, from memory): sideways and forward,
/// metres.
pub(crate) fn sway(phase_secs: f64) -> [Line; 2] {
    let side = move |t: f64| 0.003 * sine(t + phase_secs, 0.21) + 0.0015 * sine(t, 0.47);
    let ahead = move |t: f64| 0.004 * sine(t + 0.7 + phase_secs, 0.17) + 0.0015 * sine(t, 0.39);
    [Line::new(side), Line::new(ahead)]
}

/// The performer standing with hanging arms, facing Z. `weight` is where the centre of mass lies:
/// metres to the left of the middle between the feet.
pub(crate) fn standing(secs: f64) -> Score {
    let footing = |side: Side| {
        let place = DVec3::X * sign(side) * HALF_STAND_M;
        Footing::standing(place, sign(side) * TOE_OUT)
    };
    Score {
        secs,
        feet: SIDES.map(footing),
        by_reach: false,
        knees: [None, None],
        pelvis: PelvisPlan {
            x: Line::level(0.0),
            y: Line::level(1.0),
            z: Line::level(0.03),
            turn: TurnPlan::none(),
        },
        chest: TurnPlan::none(),
        head: TurnPlan::none(),
        hands: SIDES.map(hanging_hand),
    }
}

/// Balances a standing plan over its feet, with sway, `left_m` to the left of the middle.
pub(crate) fn settled(score: Score, figure: &Figure, left_m: &Line, knee: f64) -> Score {
    let [side, ahead] = sway(0.0);
    let (x, z) = (side.plus(left_m), ahead.plus(&Line::level(BEFORE_ANKLES_M)));
    score
        .balanced(figure, &x, &z)
        .under_ceiling(figure, knee)
        .balanced(figure, &x, &z)
        .under_ceiling(figure, knee)
}

/// A hand that hangs, with a trace of motion.
pub(crate) fn hanging_hand(side: Side) -> HandPlan {
    HandPlan::by(move |secs, spaces| {
        let idle = sine(secs + 1.3 * sign(side), 0.19);
        hanging(
            (4.0 + 0.8 * idle) * DEGREE,
            (16.0 + 1.0 * idle) * DEGREE,
            7.0 * DEGREE,
        )
        .in_place(&spaces.chest, side)
    })
}

/// Half the distance of the shoulders at rest, metres: 0.259 / 2 of a stature of 1.75 m.
const HALF_SHOULDERS_M: f64 = 0.2266;
/// Lengths of the arm, metres (see [`crate::proportions`]).
const ARM_M: [f64; 2] = [0.3255, 0.2555];

/// An arm that hangs, by flexion of the shoulder, of the elbow, and abduction, radians; in the
/// chest's place, left side.
pub(crate) fn hanging(flexion: f64, elbow: f64, abduction: f64) -> HandPose {
    let swing = DQuat::from_rotation_x(-flexion);
    let upper = DVec3::new(abduction.sin(), -abduction.cos(), 0.0);
    let fore = upper * elbow.cos() + DVec3::Z * elbow.sin();
    let wrist = DVec3::X * HALF_SHOULDERS_M + swing * (upper * ARM_M[0] + fore * ARM_M[1]);
    HandPose {
        wrist,
        along: swing * (fore + DVec3::new(-0.08, 0.0, 0.1)),
        palm: swing * DVec3::new(-1.0, 0.0, -0.35),
        elbow: swing * DVec3::new(0.35, 0.0, -1.0),
    }
}

/// The point of a hand's skin that lies farthest along a direction, both in coordinates of the
/// wrist, with fingers bent by `curl`.
pub(crate) fn hand_point(
    figure: &Figure,
    side: Side,
    part: TouchPart,
    curl: f64,
    direction: DVec3,
) -> DVec3 {
    let mut score = standing(0.0);
    score.hands = score.hands.map(|hand| hand.curled(Line::level(curl)));
    let pose = score.pose(figure, 0.0);
    let wrist = figure.limbs(side).wrist;
    let world = pose.rotation(wrist) * direction;
    figure
        .skin
        .posed(&pose)
        .farthest(&joints_of(figure, part), world)
        .map_or(DVec3::ZERO, |point| {
            pose.affines[wrist].inverse().transform_point3(point)
        })
}
