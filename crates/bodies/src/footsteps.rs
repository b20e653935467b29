//! Where the feet of the demo take go: a route, footprints on it, and the roll of each foot.
//!
//! Facts of gait used here, as shares of the cycle from one heel strike to the next of the same
//! foot: stance 61 %, foot flat by 9 %, heel off at about 31 %, second heel strike at 50 % (Perry,
//! *Gait Analysis*, 1992, and Winter, *The Biomechanics and Motor Control of Human Gait*, 1991;
//! from memory); 110 steps a minute; toes raised 20 to 25 degrees at heel strike, the foot about
//! 60 degrees heel up at toe off.

use glam::{DQuat, DVec3};
use understudy_anatomy::Side;

use crate::curve::{State, bump, ease, quintic};
use crate::plan::sign;

/// Time from one heel strike to the next of the other foot, seconds: 110 steps a minute.
pub(crate) const STEP_SECS: f64 = 60.0 / 110.0;
/// Time from heel strike to heel strike of the same foot, seconds.
pub(crate) const CYCLE_SECS: f64 = 2.0 * STEP_SECS;
/// Time a foot is in the air, seconds.
pub(crate) const SWING_SECS: f64 = (1.0 - 0.61) * CYCLE_SECS;
/// Time from heel strike to foot flat, seconds.
const HEEL_ROLL_SECS: f64 = 0.09 * CYCLE_SECS;
/// Time from heel off to toe off, seconds.
const PUSH_SECS: f64 = (0.61 - 0.31) * CYCLE_SECS;
/// Share of the push after which the ball leaves the floor too.
const TOE_ROLL_START: f64 = 0.62;
/// Pitch of the foot at heel strike, toes up, radians.
const STRIKE_PITCH: f64 = 22.0 * DEGREE;
/// Speed at which the toes come down at heel strike, radians per second.
const STRIKE_PITCH_RATE: f64 = 190.0 * DEGREE;
/// Pitch of the foot at toe off, heel up, radians.
const PUSH_PITCH: f64 = 60.0 * DEGREE;
/// Pitch of the toes at toe off, radians.
const TOE_PITCH: f64 = 25.0 * DEGREE;
/// Outward turn of the feet, radians.
const TOE_OUT: f64 = 6.0 * DEGREE;
/// Height added to the ankle in the middle of a full step, metres.
const LIFT_M: f64 = 0.012;
/// Pitch added in mid-swing of a full step so that the toes clear the floor, radians.
const SWING_PITCH: f64 = 26.0 * DEGREE;

const DEGREE: f64 = std::f64::consts::PI / 180.0;

/// The route on the floor: straight, a quarter turn to the left, straight.
pub(crate) struct Route;

impl Route {
    const TURN_START_M: f64 = 1.9;
    const TURN_LENGTH_M: f64 = 1.7;

    /// Heading after a way of `way_m`, radians about the vertical, 0 along Z, positive to the left.
    pub(crate) fn heading(way_m: f64) -> f64 {
        std::f64::consts::FRAC_PI_2 * ease((way_m - Self::TURN_START_M) / Self::TURN_LENGTH_M)
    }

    /// Place after a way of `way_m`, on the floor, metres.
    pub(crate) fn place(way_m: f64) -> DVec3 {
        // Simpson's rule over the turn; the parts before and after it are straight.
        let before_m = way_m.min(Self::TURN_START_M);
        let turned_m = (way_m - Self::TURN_START_M).clamp(0.0, Self::TURN_LENGTH_M);
        let after_m = (way_m - Self::TURN_START_M - Self::TURN_LENGTH_M).max(0.0);
        let intervals = 64;
        let step_m = turned_m / f64::from(intervals);
        let turn: DVec3 = (0..=intervals)
            .map(|index| {
                let weight = match index {
                    0 => 1.0,
                    _ if index == intervals => 1.0,
                    _ if index % 2 == 1 => 4.0,
                    _ => 2.0,
                };
                let way_m = Self::TURN_START_M + step_m * f64::from(index);
                ahead(Self::heading(way_m)) * (weight * step_m / 3.0)
            })
            .sum();
        let last = Self::heading(Self::TURN_START_M + Self::TURN_LENGTH_M);
        DVec3::Z * before_m + turn + ahead(last) * after_m
    }

    /// Place beside the route, metres to the left.
    pub(crate) fn beside(way_m: f64, left_m: f64) -> DVec3 {
        Self::place(way_m) + DQuat::from_rotation_y(Self::heading(way_m)) * DVec3::X * left_m
    }
}

/// Level unit vector of a heading.
fn ahead(heading: f64) -> DVec3 {
    DVec3::new(heading.sin(), 0.0, heading.cos())
}

/// The points of a foot at rest in coordinates of its ankle, metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FootShape {
    /// Lowest point of the heel.
    pub heel: DVec3,
    /// The ball joint.
    pub ball: DVec3,
    /// The end of the toes.
    pub toe_tip: DVec3,
}

/// One stance of one foot.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Footprint {
    pub(crate) side: Side,
    /// Below the ankle of the flat foot, metres.
    place: DVec3,
    /// Way along the route, metres.
    way_m: f64,
    /// Distance from the route to the left, metres.
    left_m: f64,
    /// Radians about the vertical.
    pub(crate) heading: f64,
    /// Heel strike, seconds; minus infinity for a foot that stands from the start.
    pub(crate) down_secs: f64,
    /// Toe off, seconds; infinity for a foot that stands to the end.
    pub(crate) up_secs: f64,
    /// Size of the step before, 1 for a full one.
    pub(crate) stride_in: f64,
    /// Size of the step after.
    stride_out: f64,
}

/// Where a foot is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FootPose {
    /// The ankle, metres.
    pub(crate) ankle: DVec3,
    /// Radians about the vertical.
    pub(crate) heading: f64,
    /// Pitch of the foot, toes up, radians.
    pub(crate) pitch: f64,
    /// Pitch of the toes against the foot, upward, radians.
    pub(crate) toe_bend: f64,
}

impl FootPose {
    /// World rotation of the foot.
    pub(crate) fn rotation(&self) -> DQuat {
        DQuat::from_rotation_y(self.heading) * pitched(self.pitch)
    }
}

/// Toes up by an angle.
fn pitched(toes_up: f64) -> DQuat {
    DQuat::from_rotation_x(-toes_up)
}

impl Footprint {
    /// End of the heel's roll: the foot is flat, seconds.
    pub(crate) fn flat_secs(&self) -> f64 {
        self.down_secs + HEEL_ROLL_SECS
    }

    /// The heel leaves the floor, seconds.
    pub(crate) fn heel_off_secs(&self) -> f64 {
        self.up_secs - PUSH_SECS
    }

    /// The ball leaves the floor, seconds.
    pub(crate) fn ball_off_secs(&self) -> f64 {
        self.heel_off_secs() + TOE_ROLL_START * PUSH_SECS
    }

    /// Pitch of the foot while it rolls about the heel, radians: it comes down at speed and is
    /// at rest when flat.
    fn heel_pitch(&self, secs: f64) -> f64 {
        let state = |value: f64, rate: f64| State {
            value: value * self.stride_in,
            rate: rate * self.stride_in,
            acceleration: 0.0,
        };
        let share = (secs - self.down_secs) / HEEL_ROLL_SECS;
        quintic(
            state(STRIKE_PITCH, -STRIKE_PITCH_RATE),
            state(0.0, 0.0),
            HEEL_ROLL_SECS,
            share,
        )
    }

    /// The foot on this print at a time of its stance. Rolls about the heel, then lies flat, then
    /// rolls about the ball, last about the tip of the toes; pitch and its two derivatives are 0
    /// wherever the pivot changes, so that the motion is smooth.
    fn stance(&self, shape: &FootShape, secs: f64) -> FootPose {
        let heading = DQuat::from_rotation_y(self.heading);
        if secs < self.flat_secs() {
            let pitch = self.heel_pitch(secs);
            let heel = self.place + heading * DVec3::new(shape.heel.x, 0.0, shape.heel.z);
            return FootPose {
                ankle: heel + heading * pitched(pitch) * -shape.heel,
                heading: self.heading,
                pitch,
                toe_bend: 0.0,
            };
        }
        let push = ((secs - self.heel_off_secs()) / PUSH_SECS).max(0.0);
        let roll = ((push - TOE_ROLL_START) / (1.0 - TOE_ROLL_START)).max(0.0);
        // Cubic onsets leave the two first derivatives at 0; the rest sets the speed at toe off.
        let pitch = -PUSH_PITCH * self.stride_out * push.powi(3) * (2.3 - 1.3 * push);
        let toe_pitch = -TOE_PITCH * self.stride_out * roll.powi(3) * (1.6 - 0.6 * roll);
        let toe = self.place + heading * DVec3::new(shape.toe_tip.x, 0.0, shape.toe_tip.z);
        let ball = toe + heading * pitched(toe_pitch) * (shape.ball - shape.toe_tip);
        FootPose {
            ankle: ball + heading * pitched(pitch) * -shape.ball,
            heading: self.heading,
            pitch,
            toe_bend: toe_pitch - pitch,
        }
    }
}

/// All footprints of the take.
pub(crate) struct Footsteps {
    shape: FootShape,
    prints: Vec<Footprint>,
}

/// Ways of the heel strikes along the route, metres: a short first step, full ones with shorter
/// ones in the turn between, and one that closes.
const WAYS_M: [f64; 9] = [0.55, 1.24, 1.92, 2.51, 3.11, 3.78, 4.46, 5.02, 5.02];
/// Way of a full stride, metres.
const STRIDE_M: f64 = 1.38;
/// Heel strike of the first step, seconds.
const FIRST_STRIKE_SECS: f64 = 2.4;
/// Half the distance of the ankles while walking, metres (step width about 10 cm).
const HALF_TRACK_M: f64 = 0.052;
/// Half the distance of the ankles while standing, metres.
const HALF_STAND_M: f64 = 0.085;

/// Heel strike of a step, counted from 1, seconds.
pub(crate) fn strike_secs(step: usize) -> f64 {
    FIRST_STRIKE_SECS + (step as f64 - 1.0) * STEP_SECS
}

/// Number of steps.
pub(crate) const STEPS: usize = WAYS_M.len();

/// The foot that makes a step, counted from 1.
pub(crate) fn stepping_side(step: usize) -> Side {
    if step % 2 == 1 {
        Side::Right
    } else {
        Side::Left
    }
}

/// Way of the print made by a step, counted from 1; 0 for the standing feet.
pub(crate) fn print_way_m(step: usize) -> f64 {
    step.checked_sub(1)
        .and_then(|index| WAYS_M.get(index))
        .copied()
        .unwrap_or(0.0)
}

impl Footsteps {
    /// The footprints for a foot.
    pub(crate) fn new(shape: FootShape) -> Self {
        let standing = [(0, Side::Right), (0, Side::Left)];
        let stepping = (1..=STEPS).map(|step| (step, stepping_side(step)));
        let prints = standing
            .into_iter()
            .chain(stepping)
            .map(|(step, side)| footprint(step, side))
            .collect();
        Self { shape, prints }
    }

    /// All prints, in order of time.
    pub(crate) fn prints(&self) -> &[Footprint] {
        &self.prints
    }

    /// The print on which a foot stands, or which it last left.
    fn last_print(&self, side: Side, secs: f64) -> usize {
        self.prints
            .iter()
            .rposition(|print| print.side == side && print.down_secs <= secs)
            .unwrap_or(0)
    }

    /// The prints between which a foot swings; `None` while it stands.
    pub(crate) fn swing_between(&self, side: Side, secs: f64) -> Option<(&Footprint, &Footprint)> {
        let index = self.last_print(side, secs);
        let from = &self.prints[index];
        let to = self.prints[index + 1..]
            .iter()
            .find(|print| print.side == side)?;
        (secs > from.up_secs).then_some((from, to))
    }

    /// A foot on a print, at a time of its stance or next to it.
    pub(crate) fn on_print(&self, print: &Footprint, secs: f64) -> FootPose {
        print.stance(&self.shape, secs)
    }

    /// A foot at any time.
    pub(crate) fn pose(&self, side: Side, secs: f64) -> FootPose {
        match self.swing_between(side, secs) {
            Some((from, to)) => self.swing(from, to, secs),
            None => self.prints[self.last_print(side, secs)].stance(&self.shape, secs),
        }
    }

    /// A foot between two prints: quintics that take over place, speed and acceleration from the
    /// stances on both sides, with a lift between.
    fn swing(&self, from: &Footprint, to: &Footprint, secs: f64) -> FootPose {
        let duration_secs = to.down_secs - from.up_secs;
        let share = (secs - from.up_secs) / duration_secs;
        let between = |pick: fn(FootPose) -> f64| {
            let start = State::of(|t| pick(from.stance(&self.shape, t)), from.up_secs);
            let end = State::of(|t| pick(to.stance(&self.shape, t)), to.down_secs);
            quintic(start, end, duration_secs, share)
        };
        let lift_m = LIFT_M * to.stride_in * bump(share, 0.5);
        let ankle = DVec3::new(
            between(|pose| pose.ankle.x),
            between(|pose| pose.ankle.y),
            between(|pose| pose.ankle.z),
        );
        FootPose {
            ankle: ankle + DVec3::Y * lift_m + outer_bow(from, to, ease(share)),
            heading: between(|pose| pose.heading),
            pitch: between(|pose| pose.pitch) + SWING_PITCH * to.stride_in * bump(share, 0.42),
            toe_bend: between(|pose| pose.toe_bend),
        }
    }
}

/// The bow of a foot on the outer side of a turn; the inner foot swings straight, away from the
/// leg that stands.
fn outer_bow(from: &Footprint, to: &Footprint, share: f64) -> DVec3 {
    let heading = Route::heading(0.5 * (from.way_m + to.way_m));
    let outward = DQuat::from_rotation_y(heading) * DVec3::X * sign(from.side);
    if bow(from, to, 0.5).dot(outward) > 0.0 {
        bow(from, to, share)
    } else {
        DVec3::ZERO
    }
}

/// How far the route bends away from the straight line between two prints, at a share of the way,
/// metres. A foot that swung straight through a turn would pass through the leg that stands.
fn bow(from: &Footprint, to: &Footprint, share: f64) -> DVec3 {
    let between = |a: f64, b: f64| a + (b - a) * share;
    let along = Route::beside(
        between(from.way_m, to.way_m),
        between(from.left_m, to.left_m),
    );
    along - from.place.lerp(to.place, share)
}

/// The print that a step makes (0: the print a foot starts on).
fn footprint(step: usize, side: Side) -> Footprint {
    let way_m = print_way_m(step);
    let closing = step == 0 || step + 1 >= STEPS;
    let half_m = if closing { HALF_STAND_M } else { HALF_TRACK_M };
    let next = match step {
        0 if side == stepping_side(1) => 1,
        0 => 2,
        _ => step + 2,
    };
    let leaves = next <= STEPS;
    let stride =
        |from: usize, to: usize| ((print_way_m(to) - print_way_m(from)) / STRIDE_M).clamp(0.3, 1.0);
    let left_m = sign(side) * half_m;
    Footprint {
        side,
        place: Route::beside(way_m, left_m),
        way_m,
        left_m,
        heading: Route::heading(way_m) + sign(side) * TOE_OUT,
        down_secs: if step == 0 {
            f64::NEG_INFINITY
        } else {
            strike_secs(step)
        },
        up_secs: if leaves {
            strike_secs(next) - SWING_SECS
        } else {
            f64::INFINITY
        },
        stride_in: stride(step.saturating_sub(2), step),
        stride_out: stride(step, next.min(STEPS)),
    }
}
