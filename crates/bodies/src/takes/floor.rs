//! Takes that go down: kneeling with a crate, sitting on a stool, crawling.

use std::sync::Arc;

use glam::{DQuat, DVec3};
use understudy_anatomy::Side;
use understudy_motion::Transform;

use crate::curve::{Curve, bump, ease};
use crate::plan::{SIDES, sign};
use crate::takes::TouchPart;
use crate::takes::draft::{Draft, PropPlan, joints_of};
use crate::takes::feet::{Footing, Stance};
use crate::takes::figure::{Figure, mirrored};
use crate::takes::gestures::meet_skin;
use crate::takes::line::{Line, Path};
use crate::takes::score::{
    DEGREE, Grip, HandPlan, HandPose, Hold, KneePlan, Place, Score, TurnPlan, hand_rotation, hip,
};
use crate::takes::standing::{HALF_STAND_M, TOE_OUT, hand_point, hanging, standing, sway};

fn degrees(keys: &[(f64, f64)]) -> Line {
    Line::through(keys).times(DEGREE)
}

/// Pitch of a foot on its toes under a kneeling body, and of its toes, radians.
const KNEELING_FOOT: [f64; 2] = [-86.0 * DEGREE, -16.0 * DEGREE];
/// Height of the knee joint over the floor to start from, metres; the skin decides.
const KNEE_HEIGHT_M: f64 = 0.058;

/// Where a kneeling knee rests, before a foot on its toes.
fn resting_knee(figure: &Figure, ankle: DVec3, heading: f64, height_m: f64) -> DVec3 {
    let drop_m = ankle.y - height_m;
    let shank_m = figure.rig.shank_m;
    let ahead_m = (shank_m * shank_m - drop_m * drop_m).sqrt();
    ankle + DQuat::from_rotation_y(heading) * DVec3::Z * ahead_m - DVec3::Y * drop_m
}

/// Lowest skin of a knee in a pose, metres.
fn lowest_knee_m(figure: &Figure, score: &Score, side: Side, secs: f64) -> f64 {
    let skin = figure.skin.posed(&score.pose(figure, secs));
    let low = skin.farthest(&joints_of(figure, TouchPart::Knee(side)), DVec3::NEG_Y);
    low.map_or(0.0, |point| point.y)
}

/// One kneeling of the lift, all in seconds.
struct Kneeling {
    steps: [f64; 2],
    knee: [f64; 2],
    follows: [f64; 2],
}

const KNEELINGS: [Kneeling; 2] = [
    Kneeling {
        steps: [0.55, 1.15],
        knee: [1.95, 2.95],
        follows: [3.45, 4.05],
    },
    Kneeling {
        steps: [4.75, 5.35],
        knee: [6.15, 7.25],
        follows: [7.75, 8.35],
    },
];
/// Way of each step forward, metres.
const LUNGE_M: f64 = 0.82;
/// Size of the crate, metres.
const CRATE_M: DVec3 = DVec3::new(0.30, 0.32, 0.30);
/// The hands take the crate, it leaves the floor, it is down again, the hands leave it, seconds.
const CRATE_SECS: [f64; 4] = [2.2, 2.5, 6.65, 6.85];

/// Kneels to lift a crate, stands up with it, and kneels again to set it down.
pub(crate) fn lift(figure: &'static Figure) -> Draft {
    let mut height_m = KNEE_HEIGHT_M;
    let mut score = lift_score(figure, height_m);
    for _ in 0..3 {
        let secs = KNEELINGS[0].knee;
        height_m -= lowest_knee_m(figure, &score, Side::Right, 0.5 * (secs[0] + secs[1]));
        score = lift_score(figure, height_m);
    }
    let crate_place = crate_place(&score);
    for (index, side) in SIDES.into_iter().enumerate() {
        score.hands[index] = reaching_hand(side);
        score.hands[index]
            .holds
            .push(crate_hold(figure, side, &crate_place));
        score.hands[index].curl = degrees(&[(1.4, 18.0), (2.1, 9.0), (6.9, 9.0), (7.6, 18.0)]);
    }
    score = hold_crate(score, figure, &crate_place);
    let place = crate_place.clone();
    let mut draft = Draft::of(score);
    draft.props.push(PropPlan {
        name: "crate",
        size_m: CRATE_M,
        place: Arc::new(move |secs| Transform::from_translation(place.at(secs))),
    });
    for kneeling in &KNEELINGS {
        let [down, up] = kneeling.knee;
        draft = draft.touching(TouchPart::Knee(Side::Right), TouchPart::Floor, down, up);
    }
    SIDES.into_iter().fold(draft, |draft, side| {
        let held = TouchPart::Prop("crate");
        draft.touching(TouchPart::Hand(side), held, CRATE_SECS[0], CRATE_SECS[3])
    })
}

/// Moves the hands so that their skin lies on the sides of the crate, at both ends of the hold and
/// in between.
fn hold_crate(mut score: Score, figure: &Figure, place: &Path) -> Score {
    for hand in &mut score.hands {
        for hold in &mut hand.holds {
            let span = CRATE_SECS[3] - CRATE_SECS[0];
            let shares = [0.0, 0.1, 0.2, 0.3, 0.4, 0.6, 0.7, 0.8, 0.9, 1.0];
            hold.clear_m = shares.map(|s| (CRATE_SECS[0] + s * span, 0.0)).into();
        }
    }
    for _ in 0..2 {
        let plan = score.clone();
        for (index, side) in SIDES.into_iter().enumerate() {
            let palm = joints_of(figure, TouchPart::Hand(side));
            let out = DVec3::X * sign(side);
            for key in score.hands[index]
                .holds
                .iter_mut()
                .flat_map(|h| &mut h.clear_m)
            {
                let skin = figure.skin.posed(&plan.pose(figure, key.0));
                let inner = skin.farthest(&palm, -out).unwrap_or_default();
                key.1 -= (inner - place.at(key.0)).dot(out) - CRATE_M.x / 2.0;
            }
        }
    }
    score
}

fn lift_feet() -> [Footing; 2] {
    let [one, two] = &KNEELINGS;
    let left = |z_m: f64, from: f64, to: f64| {
        // Wide and turned out, so that the crate passes the knee.
        let place = DVec3::new(0.17, 0.0, z_m);
        let mut stance = Stance::flat(place, TOE_OUT + 12.0 * DEGREE, from, to);
        stance.lift_m = 0.10;
        stance
    };
    let left_start = Stance {
        place: DVec3::X * HALF_STAND_M,
        heading: TOE_OUT,
        ..left(0.0, f64::NEG_INFINITY, one.steps[0])
    };
    let right = |z_m: f64, from: f64, to: f64, kneeling: &Kneeling| {
        let place = DVec3::new(-HALF_STAND_M, 0.0, z_m);
        let mut stance = Stance::flat(place, -0.5 * TOE_OUT, from, to);
        // Rolls on when it goes on, lies flat again when it stays.
        let ends = if to.is_finite() { 1.0 } else { 0.0 };
        let onto_toes = |low: f64, high: f64, late_secs: f64| {
            Line::through(&[
                (kneeling.steps[0] + 0.15 + late_secs, 0.0),
                (kneeling.knee[0] - 0.1, low),
                (kneeling.knee[1] + 0.05, low),
                (
                    kneeling.follows[0] + 0.3 + 0.25 * (1.0 - ends) - late_secs,
                    ends * high,
                ),
            ])
        };
        stance.pitch = onto_toes(KNEELING_FOOT[0], -35.0 * DEGREE, 0.0);
        stance.toe_pitch = onto_toes(KNEELING_FOOT[1], -6.0 * DEGREE, 0.1);
        stance.lift_m = 0.06;
        stance.swing_pitch = -14.0 * DEGREE;
        stance
    };
    [
        Footing {
            stances: vec![
                left_start,
                left(LUNGE_M, one.steps[1], two.steps[0]),
                left(2.0 * LUNGE_M, two.steps[1], two.follows[0]),
                // Back to the other foot, away from the crate.
                Stance {
                    place: DVec3::new(HALF_STAND_M, 0.0, LUNGE_M),
                    heading: TOE_OUT,
                    ..left(0.0, two.follows[1], f64::INFINITY)
                },
            ],
        },
        Footing {
            stances: vec![
                right(0.0, f64::NEG_INFINITY, one.follows[0], one),
                right(LUNGE_M, one.follows[1], f64::INFINITY, two),
            ],
        },
    ]
}

fn lift_score(figure: &'static Figure, height_m: f64) -> Score {
    let mut score = standing(9.0);
    score.feet = lift_feet();
    let knees: Vec<DVec3> = KNEELINGS
        .iter()
        .map(|kneeling| {
            let secs = 0.5 * (kneeling.knee[0] + kneeling.knee[1]);
            let foot = score.feet[1].pose(&figure.rig.foot, secs);
            resting_knee(figure, foot.ankle, foot.heading, height_m)
        })
        .collect();
    let mut ways = vec![(0.3, 0.005)];
    let mut heights = vec![(0.3, 0.93)];
    let (mut bends, mut tips, mut looks) = (vec![(0.2, 0.0)], vec![(0.5, 0.0)], vec![(0.1, 0.0)]);
    for (index, kneeling) in KNEELINGS.iter().enumerate() {
        let start_m = LUNGE_M * index as f64;
        let [steps, strikes] = kneeling.steps;
        let [down, up] = kneeling.knee;
        let knee_m = knees[index].z;
        ways.extend([
            (steps + 0.1, start_m + 0.02),
            (strikes, start_m + 0.40),
            (down, knee_m - 0.05),
            (up, knee_m - 0.02),
        ]);
        // Up and on with the crate, up and back without it.
        let (rising_m, end_m) = if index == 0 {
            (start_m + 0.63, start_m + LUNGE_M)
        } else {
            (start_m + 0.32, start_m)
        };
        ways.extend([
            (kneeling.follows[0], rising_m),
            (kneeling.follows[1] + 0.1, end_m + 0.005),
            (kneeling.follows[1] + 0.25, end_m + 0.005),
        ]);
        heights.extend([
            (steps, 0.925),
            (strikes, 0.80),
            (down, 0.48),
            (up, 0.48),
            (kneeling.follows[0], 0.71),
            (kneeling.follows[1] + 0.25, 0.925),
        ]);
        // Deeper when the crate stands on the floor.
        let lifts = index == 0;
        let (reach, grip) = if lifts {
            (CRATE_SECS[0], CRATE_SECS[1])
        } else {
            (CRATE_SECS[2] - 0.05, CRATE_SECS[3])
        };
        bends.extend([
            (steps + 0.2, 8.0),
            (down - 0.2, 34.0),
            (reach, 67.0),
            (grip, 67.0),
            (up + 0.2, 28.0),
            (kneeling.follows[0] + 0.1, 16.0),
            (kneeling.follows[1] + 0.3, if lifts { -4.0 } else { 0.0 }),
        ]);
        tips.extend([
            (strikes, 6.0),
            (reach, 27.0),
            (grip, 27.0),
            (up + 0.3, 21.0),
            (kneeling.follows[1] + 0.2, 0.0),
        ]);
        looks.extend([
            (steps, 26.0),
            (strikes, 30.0),
            (reach, 68.0),
            (grip, 68.0),
            (up + 0.3, 30.0),
            (kneeling.follows[1] + 0.1, 8.0),
        ]);
    }
    let turned = [
        (1.2, 0.0),
        (2.1, -12.0),
        (2.6, -12.0),
        (3.6, 0.0),
        (5.5, 0.0),
        (6.5, -12.0),
        (7.0, -12.0),
        (8.0, 0.0),
    ];
    score.pelvis.z = Line::through(&ways);
    score.pelvis.x = Line::through(&[
        (0.3, 0.0),
        (0.7, -0.045),
        (1.25, 0.0),
        (1.9, -0.01),
        (3.3, 0.02),
        (3.8, 0.06),
        (4.3, 0.0),
        (4.6, 0.0),
        (4.9, -0.05),
        (5.4, 0.0),
        (6.1, -0.01),
        (7.6, -0.02),
        (8.05, -0.05),
        (8.7, 0.0),
    ]);
    score.pelvis.turn.pitch = Line::through(&tips).times(DEGREE);
    score.pelvis.turn.yaw = degrees(&turned);
    score.chest.pitch = Line::through(&bends).times(DEGREE);
    score.chest.yaw = degrees(&turned).times(0.6);
    score.head.pitch = Line::through(&looks).times(DEGREE);
    score.head.yaw = degrees(&[
        (0.2, 0.0),
        (0.6, -6.0),
        (2.0, -8.0),
        (3.4, 0.0),
        (4.2, 12.0),
        (4.8, 0.0),
        (6.4, -8.0),
        (8.0, 0.0),
        (8.7, 10.0),
    ]);
    let mut height = Line::through(&heights);
    for (kneeling, &knee) in KNEELINGS.iter().zip(&knees) {
        let [down, up] = kneeling.knee;
        let over = over_knee(figure, &score, knee);
        let after = height.clone();
        height = height
            .then(down - 0.45, down, &over)
            .then(up, up + 0.5, &after);
    }
    score.pelvis.y = height;
    score = low_enough(score, figure);
    score.knees[1] = Some(KneePlan {
        at: Path::through(&[
            (KNEELINGS[0].knee[1] + 1.0, knees[0]),
            (KNEELINGS[1].knee[0] - 1.2, knees[1]),
        ]),
        weight: Line::new(|secs| {
            let near = |kneeling: &Kneeling| {
                let [down, up] = kneeling.knee;
                ease((secs - down + 0.6) / 0.5) * ease((up + 0.6 - secs) / 0.5)
            };
            KNEELINGS.iter().map(near).sum()
        }),
    });
    score
}

/// Keeps legs from being too straight, except while a knee is down, where nothing is changed.
fn low_enough(score: Score, figure: &'static Figure) -> Score {
    let exact = score.pelvis.y.clone();
    let mut lowered = score.under_ceiling(figure, 8.0 * DEGREE);
    let mut line = lowered.pelvis.y.clone();
    for kneeling in &KNEELINGS {
        let [down, up] = kneeling.knee;
        line = line
            .then(down - 0.3, down, &exact)
            .then(up, up + 0.3, &lowered.pelvis.y);
    }
    lowered.pelvis.y = line;
    lowered
}

/// Height of the pelvis with the right thigh standing on a knee, metres.
fn over_knee(figure: &'static Figure, score: &Score, knee: DVec3) -> Line {
    let plan = score.clone();
    Line::new(move |secs| {
        let pelvis = plan.pelvis(secs);
        let at = hip(figure, &pelvis, Side::Right);
        let thigh_m = figure.rig.thigh_m;
        let level = DVec3::new(at.x - knee.x, 0.0, at.z - knee.z).length_squared();
        knee.y + (thigh_m * thigh_m - level).max(0.0).sqrt() - (at.y - pelvis.position.y)
    })
}

/// The crate: on the floor, before the body, on the floor.
fn crate_place(score: &Score) -> Path {
    let plan = score.clone();
    let floor = |index: f64| DVec3::new(-0.235, CRATE_M.y / 2.0, 0.80 + index * LUNGE_M);
    let at = move |secs: f64| {
        let pelvis = plan.pelvis(secs);
        let carried = pelvis.position + DVec3::new(0.0, 0.10, 0.40);
        let up = ease((secs - CRATE_SECS[1]) / 1.25);
        let down = ease((secs - 5.3) / (CRATE_SECS[2] - 5.3));
        // Beside the raised knee it goes straight up and down; sideways only over the knee.
        let inward = ease((secs - 3.35) / 0.9) * ease((5.5 - secs) / 0.75);
        let mut at = floor(0.0).lerp(carried, up).lerp(floor(1.0), down);
        at.x = floor(0.0).x + (carried.x - floor(0.0).x) * inward;
        at
    };
    Path::by(at)
}

/// A hand that comes forward before the body goes down, so that it is not behind the raised knee.
fn reaching_hand(side: Side) -> HandPlan {
    let rest = hanging(4.0 * DEGREE, 16.0 * DEGREE, 7.0 * DEGREE);
    let out_m = if side == Side::Left { 0.0 } else { 0.24 };
    let ahead = HandPose {
        wrist: DVec3::new(out_m, -0.30, 0.38),
        along: DVec3::new(0.0, -0.5, 1.0),
        palm: DVec3::new(-1.0, -0.3, 0.0),
        elbow: DVec3::new(0.9, -0.6, -0.4),
    };
    let keys = [(0.15, rest), (0.85, ahead), (8.3, ahead), (8.95, rest)];
    HandPlan::through(side, &keys)
}

fn crate_hold(figure: &Figure, side: Side, place: &Path) -> Hold {
    let point = hand_point(
        figure,
        side,
        TouchPart::Hand(side),
        9.0 * DEGREE,
        DVec3::NEG_Y,
    );
    let place = place.clone();
    Hold {
        secs: [1.45, CRATE_SECS[0], CRATE_SECS[3], 7.45],
        grip: Arc::new(move |secs, _| {
            let carried = ease((secs - CRATE_SECS[1]) / 1.2) * ease((CRATE_SECS[2] - secs) / 1.2);
            let side_m = DVec3::new(
                sign(side) * CRATE_M.x / 2.0,
                -0.02 + 0.13 * (1.0 - carried),
                0.0,
            );
            Grip {
                at: place.at(secs) + side_m,
                along: DVec3::new(0.0, -0.75 + 0.8 * carried, 0.7 + 0.3 * carried),
                palm: DVec3::NEG_X * sign(side),
                elbow: DVec3::new(
                    sign(side) * (1.0 - 0.55 * carried),
                    0.15 - 0.9 * carried,
                    -0.5,
                ),
                out: DVec3::X * sign(side),
            }
        }),
        point,
        bow_m: 0.0,
        rise_m: 0.0,
        clear_m: Vec::new(),
    }
}

/// Size of the stool, metres: 45 cm is the usual height of a seat (common practice).
const STOOL_M: DVec3 = DVec3::new(0.38, 0.45, 0.34);
/// Where the stool stands behind the feet, metres.
const STOOL_Z_M: f64 = -0.40;
/// Seat and stool meet and part, seconds.
const SEAT_SECS: [f64; 2] = [2.35, 6.1];

/// Sits down on a stool, rests with the hands on the thighs, gets up.
pub(crate) fn sit(figure: &'static Figure) -> Draft {
    let mut seat_m = STOOL_M.y + 0.09;
    let mut score = sit_score(figure, seat_m);
    for _ in 0..4 {
        let skin_low = seat_low_m(figure, &score, 4.0);
        seat_m += STOOL_M.y - skin_low;
        score = sit_score(figure, seat_m);
    }
    let spans = [[1.75, 2.75, 5.35, 6.35], [1.9, 2.9, 5.3, 6.3]];
    for (index, side) in SIDES.into_iter().enumerate() {
        score.hands[index] = balancing_hand(side);
        let pelvis = score.pelvis(4.0);
        let place = Place {
            origin: pelvis.position,
            rotation: pelvis.rotation,
        };
        let pose = score.pose(figure, 4.0);
        let (hip_at, knee_at) = (
            pose.position(figure.limbs(side).hip),
            pose.position(figure.limbs(side).knee),
        );
        let inside = hip_at.lerp(knee_at, 0.66);
        let skin = figure.skin.posed(&pose);
        let on = skin
            .ray_out(&[figure.limbs(side).hip], inside, DVec3::Y)
            .unwrap_or(inside);
        let at = place.rotation.inverse() * (on - place.origin);
        let thigh = place.rotation.inverse() * (knee_at - hip_at).normalize();
        let (along, palm) = (
            thigh + mirrored(DVec3::new(-0.35, -0.12, 0.0), side),
            DVec3::new(0.0, -1.0, 0.0),
        );
        let rotation = hand_rotation(side, along, palm);
        let point = hand_point(
            figure,
            side,
            TouchPart::Hand(side),
            15.0 * DEGREE,
            rotation.inverse() * DVec3::NEG_Y,
        );
        score.hands[index].holds.push(Hold {
            secs: spans[index],
            grip: Arc::new(move |_, spaces| {
                let turned = |v: DVec3| spaces.pelvis.rotation * v;
                Grip {
                    at: spaces.pelvis.point(at),
                    along: turned(along),
                    palm: turned(palm),
                    elbow: spaces.chest.rotation * mirrored(DVec3::new(1.0, -0.3, -0.7), side),
                    out: turned(DVec3::Y),
                }
            }),
            point,
            bow_m: 0.12,
            rise_m: 0.05,
            clear_m: (0..5)
                .map(|key| {
                    let share = f64::from(key) / 4.0;
                    let [_, touch, leave, _] = spans[index];
                    (touch + share * (leave - touch), 0.0)
                })
                .collect(),
        });
        score.hands[index].curl = degrees(&[(1.8, 18.0), (2.6, 15.0), (5.5, 15.0), (6.3, 18.0)]);
        let parts = [TouchPart::Hand(side), TouchPart::Thigh(side)];
        score = meet_skin(score, figure, index, parts, 4);
    }
    let mut draft = Draft::of(score);
    draft.props.push(PropPlan {
        name: "stool",
        size_m: STOOL_M,
        place: Arc::new(|_| {
            Transform::from_translation(DVec3::new(0.0, STOOL_M.y / 2.0, STOOL_Z_M))
        }),
    });
    draft = draft.touching(
        TouchPart::Seat,
        TouchPart::Prop("stool"),
        SEAT_SECS[0],
        SEAT_SECS[1],
    );
    SIDES
        .into_iter()
        .enumerate()
        .fold(draft, |draft, (index, side)| {
            let [_, touch, leave, _] = spans[index];
            draft.touching(TouchPart::Hand(side), TouchPart::Thigh(side), touch, leave)
        })
}

/// A hand that comes forward while the body goes down, and when it gets up.
fn balancing_hand(side: Side) -> HandPlan {
    let rest = hanging(4.0 * DEGREE, 16.0 * DEGREE, 7.0 * DEGREE);
    let ahead = HandPose {
        wrist: DVec3::new(0.27, -0.27, 0.36),
        along: DVec3::new(-0.15, -0.25, 1.0),
        palm: DVec3::new(-0.5, -1.0, 0.0),
        elbow: DVec3::new(0.7, -0.6, -0.8),
    };
    let late_secs = if side == Side::Right { 0.06 } else { 0.0 };
    let high = HandPose {
        wrist: DVec3::new(0.28, -0.13, 0.40),
        ..ahead
    };
    let keys = [
        (1.0, rest),
        (1.9, ahead),
        (5.2, ahead),
        (5.75, high),
        (6.3, high),
        (7.3, rest),
    ];
    HandPlan::through(side, &keys.map(|(secs, pose)| (secs + late_secs, pose)))
}

/// Lowest skin over the stool, metres.
fn seat_low_m(figure: &Figure, score: &Score, secs: f64) -> f64 {
    let skin = figure.skin.posed(&score.pose(figure, secs));
    let over_stool = |point: &DVec3| {
        point.x.abs() < STOOL_M.x / 2.0 && (point.z - STOOL_Z_M).abs() < STOOL_M.z / 2.0
    };
    skin.vertices(&joints_of(figure, TouchPart::Seat))
        .into_iter()
        .filter(over_stool)
        .map(|point| point.y)
        .fold(f64::INFINITY, f64::min)
}

fn sit_score(figure: &'static Figure, seat_m: f64) -> Score {
    let mut score = standing(8.2);
    let [sat, rises] = SEAT_SECS;
    let seated_z_m = STOOL_Z_M - 0.01;
    let [side, ahead] = sway(0.4);
    let still = Line::through(&[(1.0, 1.0), (sat, 0.0), (rises, 0.0), (7.6, 1.0)]);
    let swaying = move |sway: Line| {
        let still = still.clone();
        Line::new(move |secs| sway.at(secs) * still.at(secs))
    };
    score.pelvis.x = swaying(side);
    score.pelvis.z = swaying(ahead).plus(&Line::through(&[
        (0.9, 0.008),
        (1.35, -0.035),
        (sat, seated_z_m),
        (rises, seated_z_m),
        (6.85, -0.10),
        (7.5, 0.008),
        (7.6, 0.008),
    ]));
    score.pelvis.y = Line::through(&[
        (0.95, 0.93),
        (1.35, 0.875),
        (sat, seat_m),
        (rises, seat_m),
        (6.75, 0.78),
        (7.55, 0.93),
    ]);
    score.pelvis.turn = TurnPlan {
        yaw: degrees(&[(0.3, 0.0), (0.8, 5.0), (1.5, 0.0)]),
        pitch: degrees(&[
            (0.9, 0.0),
            (1.8, 20.0),
            (sat, 4.0),
            (sat + 0.4, -9.0),
            (5.3, -9.0),
            (6.42, 22.0),
            (7.0, 12.0),
            (7.7, 0.0),
        ]),
        roll: Line::level(0.0),
    };
    score.chest = TurnPlan {
        yaw: degrees(&[
            (0.2, 0.0),
            (0.75, 20.0),
            (1.5, 0.0),
            (3.3, 0.0),
            (4.0, -10.0),
            (4.8, 6.0),
            (5.5, 0.0),
        ]),
        pitch: degrees(&[
            (0.9, 0.0),
            (1.85, 38.0),
            (2.6, 9.0),
            (3.2, 3.0),
            (4.3, 6.0),
            (5.2, 5.0),
            (6.42, 44.0),
            (7.0, 20.0),
            (7.7, -2.0),
            (8.1, 0.0),
        ]),
        roll: degrees(&[(3.0, 0.0), (4.0, 3.0), (4.9, -2.0), (5.6, 0.0)]),
    };
    score.head = TurnPlan {
        yaw: degrees(&[
            (0.1, 0.0),
            (0.7, 52.0),
            (1.4, 8.0),
            (3.0, 0.0),
            (3.9, -32.0),
            (4.9, 24.0),
            (5.6, 0.0),
        ]),
        pitch: degrees(&[
            (0.2, 0.0),
            (0.7, 24.0),
            (1.6, 22.0),
            (2.6, 10.0),
            (3.4, -4.0),
            (4.6, 4.0),
            (5.9, 18.0),
            (6.7, 6.0),
            (7.8, 0.0),
        ]),
        roll: degrees(&[(3.0, 0.0), (4.0, -3.0), (5.0, 3.0), (5.8, 0.0)]),
    };
    let lowered = score.clone().under_ceiling(figure, 7.0 * DEGREE).pelvis.y;
    let exact = score.pelvis.y.clone();
    score.pelvis.y = lowered.then(1.35, 1.9, &exact).then(6.5, 6.9, &lowered);
    score
}

/// Way of a full stride of a knee or hand in crawling, metres.
const CRAWL_STRIDE_M: f64 = 0.24;
/// Time from one step to the next, seconds.
const CRAWL_STEP_SECS: f64 = 0.56;
/// Time a knee or hand is off the floor, seconds.
const CRAWL_SWING_SECS: f64 = 0.44;
/// First landing, seconds.
const CRAWL_FIRST_SECS: f64 = 1.2;
/// Number of steps of diagonal pairs; the last one closes.
const CRAWL_STEPS: usize = 9;

/// Ways of the landings of the steps of one pair: half a stride first and last.
fn crawl_places(first: bool) -> Vec<(f64, f64)> {
    let mut place_m = 0.0;
    (0..CRAWL_STEPS)
        .filter(|step| (step % 2 == 0) == first)
        .map(|step| {
            let whole = if step == 0 || step + 1 == CRAWL_STEPS {
                0.5
            } else {
                1.0
            };
            place_m += whole * CRAWL_STRIDE_M;
            (CRAWL_FIRST_SECS + step as f64 * CRAWL_STEP_SECS, place_m)
        })
        .collect()
}

/// Stretches (from, to, way) in which one of a pair rests; `early_secs` before the others.
fn crawl_rests(first: bool, early_secs: f64) -> Vec<(f64, f64, f64)> {
    let landings = crawl_places(first);
    let mut rests = Vec::new();
    let (mut from, mut way_m) = (f64::NEG_INFINITY, 0.0);
    for (lands, next_m) in landings {
        let lands = lands - early_secs;
        rests.push((from, lands - CRAWL_SWING_SECS, way_m));
        (from, way_m) = (lands, next_m);
    }
    rests.push((from, f64::INFINITY, way_m));
    rests
}

/// Way of something that rests and swings, and its lift, by time.
fn crawl_way(rests: &[(f64, f64, f64)], secs: f64) -> (f64, f64) {
    let after = rests.partition_point(|rest| rest.0 <= secs);
    let Some(&(_, leaves, way_m)) = rests.get(after.saturating_sub(1)) else {
        return (0.0, 0.0);
    };
    match rests.get(after) {
        Some(&(lands, _, next_m)) if secs > leaves => {
            let share = (secs - leaves) / (lands - leaves);
            (way_m + (next_m - way_m) * ease(share), bump(share, 0.45))
        }
        _ => (way_m, 0.0),
    }
}

/// Crawls on hands and knees; hand and knee of opposite sides go together.
pub(crate) fn crawl(figure: &'static Figure) -> Draft {
    let mut height_m = KNEE_HEIGHT_M;
    let mut hands_m = 0.0;
    let mut score = crawl_score(figure, height_m, hands_m);
    for _ in 0..3 {
        // The skin below a knee rolls a little with the thigh: in the middle of the deepest and
        // the highest it lies on the floor.
        let lands = CRAWL_FIRST_SECS + 3.0 * CRAWL_STEP_SECS;
        let rests = 2.0 * CRAWL_STEP_SECS - CRAWL_SWING_SECS;
        let lows = [0.0, 0.25, 0.5, 0.75, 1.0]
            .map(|share| lowest_knee_m(figure, &score, Side::Left, lands + share * rests));
        let least = lows.into_iter().fold(f64::INFINITY, f64::min);
        let most = lows.into_iter().fold(f64::NEG_INFINITY, f64::max);
        height_m -= 0.5 * (least + most);
        // The skin of a palm gives way to the bend of its wrist.
        let skin = figure.skin.posed(&score.pose(figure, 0.3));
        let palm = joints_of(figure, TouchPart::Hand(Side::Left));
        hands_m -= skin.farthest(&palm, DVec3::NEG_Y).map_or(0.0, |low| low.y);
        score = crawl_score(figure, height_m, hands_m);
    }
    let secs = score.secs;
    let mut draft = Draft::of(score);
    for side in SIDES {
        for (part, rests) in [
            (TouchPart::Knee(side), crawl_rests(side == Side::Right, 0.0)),
            (TouchPart::Hand(side), crawl_rests(side == Side::Left, 0.05)),
        ] {
            for (from, to, _) in rests {
                draft = draft.touching(part, TouchPart::Floor, from.max(0.0), to.min(secs));
            }
        }
    }
    draft
}

fn crawl_score(figure: &'static Figure, height_m: f64, hands_m: f64) -> Score {
    let end = CRAWL_FIRST_SECS + CRAWL_STEP_SECS * (CRAWL_STEPS - 1) as f64;
    let mut score = standing(end + 0.9);
    let foot_x_m = 0.10;
    score.feet = SIDES.map(|side| Footing {
        stances: crawl_rests(side == Side::Right, 0.0)
            .into_iter()
            .map(|(from, to, way_m)| {
                let place = DVec3::new(sign(side) * foot_x_m, 0.0, way_m);
                let mut stance = Stance::flat(place, 0.0, from, to);
                stance.pitch = Line::level(KNEELING_FOOT[0]);
                stance.toe_pitch = Line::level(KNEELING_FOOT[1]);
                stance.lift_m = 0.014;
                stance
            })
            .collect(),
    });
    // A knee goes with its foot: the shank does not turn.
    let foot = score.feet[0].pose(&figure.rig.foot, 0.0);
    let shank = resting_knee(figure, foot.ankle, 0.0, height_m) - foot.ankle;
    let feet = score.feet.clone();
    let knees = [0, 1].map(|index| {
        let footing: Footing = feet[index].clone();
        Path::by(move |secs| footing.pose(&figure.rig.foot, secs).ankle + shank)
    });
    let [left, right] = knees.clone();
    score.knees = [left, right].map(|at| {
        Some(KneePlan {
            at,
            weight: Line::level(1.0),
        })
    });
    let mut ways = vec![(CRAWL_FIRST_SECS - 0.75 * CRAWL_STEP_SECS, 0.0)];
    let total_m = 0.5 * CRAWL_STRIDE_M * (CRAWL_STEPS - 1) as f64;
    ways.push((end - 0.25 * CRAWL_STEP_SECS, total_m));
    let way = Curve::new(&ways, 0.3);
    let middle_m = foot.ankle.z + shank.z;
    let way_1 = way.clone();
    score.pelvis.z = Line::new(move |secs| middle_m + 0.01 + way_1.at(secs));
    let beat = move |secs: f64, lag: f64| {
        let on = ease((secs - 0.5) / 0.9) * ease((end + 0.3 - secs) / 0.8);
        let phase = (secs - CRAWL_FIRST_SECS - lag) / CRAWL_STEP_SECS;
        on * (std::f64::consts::PI * phase).sin()
    };
    score.pelvis.x = Line::new(move |secs| 0.018 * beat(secs, 0.0));
    score.pelvis.turn.yaw = Line::new(move |secs| 4.0 * DEGREE * beat(secs, 0.25));
    score.pelvis.turn.pitch = Line::level(74.0 * DEGREE);
    score.chest = TurnPlan {
        yaw: Line::new(move |secs| -7.0 * DEGREE * beat(secs, 0.25)),
        pitch: Line::level(77.0 * DEGREE),
        roll: Line::new(move |secs| -3.0 * DEGREE * beat(secs, 0.1)),
    };
    score.head = TurnPlan {
        yaw: degrees(&[
            (0.2, 0.0),
            (1.0, 14.0),
            (2.0, -4.0),
            (3.4, -20.0),
            (4.6, 6.0),
            (6.0, 0.0),
        ]),
        pitch: degrees(&[
            (0.0, 48.0),
            (0.8, 42.0),
            (2.0, 48.0),
            (3.4, 40.0),
            (4.8, 50.0),
            (6.2, 42.0),
        ]),
        roll: Line::level(0.0),
    };
    over_both_knees(figure, &mut score, knees);
    for (index, side) in SIDES.into_iter().enumerate() {
        score.hands[index] = crawling_hand(figure, side, middle_m, hands_m);
    }
    score
}

/// Height and roll of the pelvis with both thighs standing on their knees.
fn over_both_knees(figure: &'static Figure, score: &mut Score, knees: [Path; 2]) {
    let plan = score.clone();
    let half_m = figure.rig.half_hips_m;
    let solved = move |secs: f64| {
        let (x, z) = (plan.pelvis.x.at(secs), plan.pelvis.z.at(secs));
        let yaw = plan.pelvis.turn.yaw.at(secs);
        let (mut roll, mut height_m) = (0.0_f64, 0.0);
        // The hips move sideways a little as they roll: a few rounds settle it.
        for _ in 0..8 {
            let heights = [0, 1].map(|index| {
                let out = DQuat::from_rotation_y(yaw) * DVec3::X * sign(SIDES[index]);
                let knee = knees[index].at(secs);
                let level = DVec3::new(x - knee.x, 0.0, z - knee.z) + out * half_m * roll.cos();
                let thigh_m = figure.rig.thigh_m;
                let level = DVec3::new(level.x, 0.0, level.z).length_squared();
                knee.y + (thigh_m * thigh_m - level).max(0.0).sqrt()
            });
            roll = ((heights[1] - heights[0]) / (2.0 * half_m))
                .clamp(-1.0, 1.0)
                .asin();
            height_m = 0.5 * (heights[0] + heights[1]);
        }
        (height_m, roll)
    };
    let again = solved.clone();
    score.pelvis.y = Line::new(move |secs| solved(secs).0);
    score.pelvis.turn.roll = Line::new(move |secs| again(secs).1);
}

/// A hand that rests on the floor and swings forward.
fn crawling_hand(figure: &Figure, side: Side, middle_m: f64, hands_m: f64) -> HandPlan {
    let along = DVec3::new(-0.08 * sign(side), 0.0, 1.0);
    let palm = DVec3::NEG_Y;
    let rotation = hand_rotation(side, along, palm);
    let down = rotation.inverse() * DVec3::NEG_Y;
    let point = hand_point(figure, side, TouchPart::Hand(side), 3.0 * DEGREE, down);
    // The lowest point of the skin lies on the floor.
    let wrist_m = hands_m - (rotation * point).y;
    let rests = crawl_rests(side == Side::Left, 0.05);
    let start_m = middle_m + 0.67;
    HandPlan::by(move |secs, _| {
        let (way_m, lift) = crawl_way(&rests, secs);
        HandPose {
            wrist: DVec3::new(sign(side) * 0.185, wrist_m + 0.065 * lift, start_m + way_m),
            along: along - DVec3::Y * 0.55 * lift,
            palm: palm - DVec3::Z * 0.55 * lift,
            elbow: DVec3::new(0.45 * sign(side), 0.25, -1.0),
        }
    })
    .curled(Line::level(3.0 * DEGREE))
}
