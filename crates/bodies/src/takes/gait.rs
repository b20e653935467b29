//! Walking: footprints along a route, and what the body does above them.
//!
//! Facts of gait are those of [`crate::footsteps`]: shares of the cycle from Perry, *Gait Analysis*
//! (1992), and Winter, *The Biomechanics and Motor Control of Human Gait* (1991), from memory.

use glam::{DQuat, DVec3};
use understudy_anatomy::Side;

use crate::curve::{Curve, State, ease, quintic};
use crate::demo_take::HeightKnot;
use crate::plan::{SIDES, sign};
use crate::takes::feet::{Footing, Stance};
use crate::takes::figure::Figure;
use crate::takes::line::Line;
use crate::takes::score::{DEGREE, HandPlan, Score, TurnPlan};
use crate::takes::standing::{hanging, standing};

/// A route on the floor: straight along Z, a turn, straight on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Route {
    pub(crate) turn_start_m: f64,
    pub(crate) turn_length_m: f64,
    /// Whole turn to the left, radians.
    pub(crate) turn: f64,
}

impl Route {
    /// A route without a turn.
    pub(crate) const STRAIGHT: Self = Self {
        turn_start_m: 100.0,
        turn_length_m: 1.0,
        turn: 0.0,
    };

    /// Heading after a way, radians about the vertical.
    pub(crate) fn heading(&self, way_m: f64) -> f64 {
        self.turn * ease((way_m - self.turn_start_m) / self.turn_length_m)
    }

    /// Place on the floor `left_m` to the left of the route after a way, metres.
    pub(crate) fn beside(&self, way_m: f64, left_m: f64) -> DVec3 {
        let before_m = way_m.min(self.turn_start_m);
        let turned_m = (way_m - self.turn_start_m).clamp(0.0, self.turn_length_m);
        let after_m = (way_m - self.turn_start_m - self.turn_length_m).max(0.0);
        // Simpson's rule over the turn.
        let intervals = 32;
        let step_m = turned_m / f64::from(intervals);
        let ahead = |heading: f64| DVec3::new(heading.sin(), 0.0, heading.cos());
        let turn: DVec3 = (0..=intervals)
            .map(|index| {
                let weight = match index {
                    0 => 1.0,
                    _ if index == intervals => 1.0,
                    _ if index % 2 == 1 => 4.0,
                    _ => 2.0,
                };
                let way_m = self.turn_start_m + step_m * f64::from(index);
                ahead(self.heading(way_m)) * (weight * step_m / 3.0)
            })
            .sum();
        let place = DVec3::Z * before_m + turn + ahead(self.turn) * after_m;
        place + DQuat::from_rotation_y(self.heading(way_m)) * DVec3::X * left_m
    }
}

/// A walk.
pub(crate) struct Walk {
    pub(crate) route: Route,
    /// Ways of the steps along the route, metres; the last two are equal: the feet close.
    pub(crate) ways_m: Vec<f64>,
    /// The foot of the first step.
    pub(crate) first: Side,
    /// First heel strike, seconds.
    pub(crate) first_strike_secs: f64,
    pub(crate) step_secs: f64,
    /// Share of the cycle in which a foot stands.
    pub(crate) stance_share: f64,
    pub(crate) style: Style,
}

/// How feet and trunk go.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Style {
    /// Pitch of the foot as it comes down, toes up above 0, radians.
    pub(crate) strike_pitch: f64,
    /// Speed of that pitch, radians per second.
    pub(crate) strike_rate: f64,
    /// Time until the foot is flat as a share of the cycle.
    pub(crate) roll_share: f64,
    /// Pitch of the foot as it leaves, heel up, radians.
    pub(crate) push_pitch: f64,
    /// Time from heel off to toe off as a share of the cycle.
    pub(crate) push_share: f64,
    /// Pitch of the toes as they leave, radians.
    pub(crate) toe_pitch: f64,
    /// Lift of a swing, or how much shorter the leg gets, metres.
    pub(crate) lift_m: f64,
    /// Pitch added in mid-swing, radians.
    pub(crate) swing_pitch: f64,
    /// Half the distance of the ankles, metres.
    pub(crate) half_track_m: f64,
    /// Sway to each side, metres.
    pub(crate) sway_m: f64,
    /// Turn of the pelvis to each side, radians.
    pub(crate) yaw: f64,
    /// Drop of the pelvis to each side, radians.
    pub(crate) roll: f64,
    /// Swing of the arms, 1 for a normal walk.
    pub(crate) arms: f64,
    /// Lean of the trunk, radians.
    pub(crate) lean: f64,
}

impl Style {
    /// A normal walk.
    pub(crate) const NORMAL: Self = Self {
        strike_pitch: 21.0 * DEGREE,
        strike_rate: -185.0 * DEGREE,
        roll_share: 0.09,
        push_pitch: 60.0 * DEGREE,
        push_share: 0.30,
        toe_pitch: 25.0 * DEGREE,
        lift_m: 0.05,
        swing_pitch: 26.0 * DEGREE,
        half_track_m: 0.052,
        sway_m: 0.030,
        yaw: 6.0 * DEGREE,
        roll: 4.5 * DEGREE,
        arms: 1.0,
        lean: 3.0 * DEGREE,
    };
}

/// Half the distance of the ankles while standing, metres.
const HALF_STAND_M: f64 = 0.085;
/// Outward turn of the feet, radians.
const TOE_OUT: f64 = 6.0 * DEGREE;
/// Way of a full stride, metres.
const STRIDE_M: f64 = 1.38;
/// Share of the push after which the ball leaves the floor too.
const TOE_ROLL_START: f64 = 0.62;
/// How far the pelvis is ahead of the middle between the ankles, metres.
const AHEAD_M: f64 = 0.02;

/// Least knee flexion over the standing feet while standing, around heel strike and in the middle
/// of stance, radians: see the demo take.
const KNEES: [f64; 3] = [6.0 * DEGREE, 14.0 * DEGREE, 7.0 * DEGREE];

impl Walk {
    pub(crate) fn steps(&self) -> usize {
        self.ways_m.len()
    }

    /// Heel strike of a step, counted from 1, seconds.
    pub(crate) fn strike_secs(&self, step: usize) -> f64 {
        self.first_strike_secs + (step as f64 - 1.0) * self.step_secs
    }

    pub(crate) fn swing_secs(&self) -> f64 {
        (1.0 - self.stance_share) * 2.0 * self.step_secs
    }

    /// The foot that makes a step, counted from 1.
    fn side(&self, step: usize) -> Side {
        let other = if self.first == Side::Left {
            Side::Right
        } else {
            Side::Left
        };
        if step % 2 == 1 { self.first } else { other }
    }

    /// Way of the print a step makes; 0 for the standing feet.
    fn way_m(&self, step: usize) -> f64 {
        step.checked_sub(1)
            .and_then(|index| self.ways_m.get(index))
            .copied()
            .unwrap_or(0.0)
    }

    fn stance(&self, step: usize, side: Side) -> Stance {
        let style = self.style;
        let cycle_secs = 2.0 * self.step_secs;
        let last = self.steps();
        let closing = step == 0 || step + 1 >= last;
        let half_m = if closing {
            HALF_STAND_M
        } else {
            style.half_track_m
        };
        let next = match step {
            0 if side == self.side(1) => 1,
            0 => 2,
            _ => step + 2,
        };
        let stride = |from: usize, to: usize| {
            ((self.way_m(to) - self.way_m(from)) / STRIDE_M).clamp(0.3, 1.0)
        };
        let (stride_in, stride_out) = (
            stride(step.saturating_sub(2), step),
            stride(step, next.min(last)),
        );
        let from_secs = if step == 0 {
            f64::NEG_INFINITY
        } else {
            self.strike_secs(step)
        };
        let leaves = next <= last;
        let to_secs = if leaves {
            self.strike_secs(next) - self.swing_secs()
        } else {
            f64::INFINITY
        };
        let way_m = self.way_m(step);
        let heading = self.route.heading(way_m) + sign(side) * TOE_OUT;
        let place = self.route.beside(way_m, sign(side) * half_m);
        let roll_secs = style.roll_share * cycle_secs;
        let push_secs = style.push_share * cycle_secs;
        let push = move |secs: f64| ((secs - to_secs) / push_secs + 1.0).max(0.0);
        let pitch = Line::new(move |secs| {
            if secs < from_secs + roll_secs {
                return landing(&style, stride_in, roll_secs, (secs - from_secs) / roll_secs);
            }
            let push = push(secs);
            -style.push_pitch * stride_out * push.powi(3) * (2.3 - 1.3 * push)
        });
        let toe_pitch = Line::new(move |secs| {
            let roll = ((push(secs) - TOE_ROLL_START) / (1.0 - TOE_ROLL_START)).max(0.0);
            -style.toe_pitch * stride_out * roll.powi(3) * (1.6 - 0.6 * roll)
        });
        Stance {
            place,
            heading,
            from_secs,
            to_secs,
            pitch,
            toe_pitch,
            lift_m: style.lift_m * stride_out,
            swing_pitch: style.swing_pitch * stride_out,
            bow: self.bow(step, next, side),
        }
    }

    /// A foot on the outer side of a turn goes round the leg that stands.
    fn bow(&self, step: usize, next: usize, side: Side) -> DVec3 {
        if next > self.steps() {
            return DVec3::ZERO;
        }
        let left_m = sign(side) * self.style.half_track_m;
        let at = |way_m: f64| self.route.beside(way_m, left_m);
        let (from_m, to_m) = (self.way_m(step), self.way_m(next));
        let middle_m = 0.5 * (from_m + to_m);
        let bow = at(middle_m) - at(from_m).midpoint(at(to_m));
        let heading = self.route.heading(middle_m);
        let outward = DQuat::from_rotation_y(heading) * DVec3::X * sign(side);
        if bow.dot(outward) > 0.0 {
            bow
        } else {
            DVec3::ZERO
        }
    }

    fn footing(&self, side: Side) -> Footing {
        let steps = (1..=self.steps()).filter(|&step| self.side(step) == side);
        Footing {
            stances: std::iter::once(0)
                .chain(steps)
                .map(|step| self.stance(step, side))
                .collect(),
        }
    }

    /// A curve with a value at (or `after_secs` after) each strike, 0 before and after the walk.
    fn at_strikes(&self, after_secs: f64, value: impl Fn(Side) -> f64) -> Curve {
        let start = self.strike_secs(1) - self.swing_secs() - 0.1 + after_secs;
        let mut knots = vec![(start, 0.0)];
        knots.extend(
            (1..self.steps())
                .map(|step| (self.strike_secs(step) + after_secs, value(self.side(step)))),
        );
        knots.push((self.strike_secs(self.steps()) + after_secs, 0.0));
        Curve::new(&knots, 0.26 * self.step_secs)
    }

    /// How much of walking there is at a moment, 0 to 1.
    fn walking(&self) -> Curve {
        let last = self.steps();
        Curve::new(
            &[
                (self.strike_secs(1) - 0.6, 0.0),
                (self.strike_secs(1), 1.0),
                (self.strike_secs(last - 1), 1.0),
                (self.strike_secs(last) + 0.2, 0.0),
            ],
            0.2,
        )
    }

    fn way(&self) -> Curve {
        let mut knots = vec![(self.strike_secs(1) - 1.1 * self.step_secs, AHEAD_M)];
        knots.extend((1..=self.steps()).map(|step| {
            let middle_m = 0.5 * (self.way_m(step - 1) + self.way_m(step));
            (self.strike_secs(step), middle_m + AHEAD_M)
        }));
        Curve::new(&knots, 0.4 * self.step_secs)
    }

    fn sway(&self) -> Curve {
        let swing = self.swing_secs();
        let mut knots = vec![(self.strike_secs(1) - swing - 0.75, 0.0)];
        knots.extend((1..=self.steps()).map(|step| {
            // The first step starts from feet far apart.
            let most_m = if step == 1 { 0.05 } else { self.style.sway_m };
            let toward = -sign(self.side(step));
            (self.strike_secs(step) - 0.5 * swing, toward * most_m)
        }));
        knots.push((self.strike_secs(self.steps()) + 0.5, 0.0));
        Curve::new(&knots, 0.24 * self.step_secs)
    }

    /// The plan of the walk, `secs` long. `height_m` is the height of the pelvis; where none is
    /// given, it follows from the knees that a normal walk has.
    pub(crate) fn score(&self, figure: &Figure, secs: f64, height: Option<Line>) -> Score {
        let mut score = standing(secs);
        score.feet = SIDES.map(|side| self.footing(side));
        score.by_reach = height.is_none();
        let route = self.route;
        let (way, sway) = (self.way(), self.sway());
        let place = move |secs: f64| route.beside(way.at(secs), sway.at(secs));
        let place_z = place.clone();
        let way = self.way();
        let yaw = self.at_strikes(0.0, |side| -sign(side) * self.style.yaw);
        let roll = self.at_strikes(0.18 * 2.0 * self.step_secs, |side| {
            sign(side) * self.style.roll
        });
        let walking = self.walking();
        let lean = self.style.lean;
        let (lean_1, lean_2) = (walking.clone(), walking);
        score.pelvis.x = Line::new(move |secs| place(secs).x);
        score.pelvis.z = Line::new(move |secs| place_z(secs).z);
        let (way_1, yaw_1, roll_1) = (way.clone(), yaw.clone(), roll.clone());
        score.pelvis.turn = TurnPlan {
            yaw: Line::new(move |secs| route.heading(way_1.at(secs)) + yaw_1.at(secs)),
            pitch: Line::new(move |secs| 0.7 * lean * lean_1.at(secs)),
            roll: Line::new(move |secs| -roll_1.at(secs)),
        };
        let yaw_2 = yaw.clone();
        score.chest = TurnPlan {
            yaw: yaw_line(&yaw, -1.7),
            pitch: Line::new(move |secs| lean * lean_2.at(secs)),
            roll: Line::new(move |secs| 0.25 * roll.at(secs)),
        };
        // The head looks a little ahead on the route and stays level.
        score.head.yaw = Line::new(move |secs| {
            let way_m = way.at(secs);
            route.heading(way_m + 0.35) - route.heading(way_m) - yaw_2.at(secs)
        });
        let arms = self.arm_swing();
        for (index, side) in SIDES.into_iter().enumerate() {
            score.hands[index] = swinging_hand(side, arms.clone(), self.walking());
        }
        match height {
            Some(height) => score.pelvis.y = height,
            None => score.pelvis.y = self.fitted_height(figure, &score),
        }
        score
    }

    /// Forward swing of the left arm, −1 to 1; the right arm swings against it.
    pub(crate) fn arm_swing(&self) -> Line {
        let swing = self.at_strikes(0.02, |side| -sign(side) * 1.25 * self.style.arms);
        Line::new(move |secs| swing.at(secs))
    }

    /// The height of the pelvis: low while both feet are down, high over the middle of each
    /// stance; each low and each high is moved until the straightest knee near it has its flexion.
    fn fitted_height(&self, figure: &Figure, score: &Score) -> Line {
        let standing_m = score.height_for_m(figure, KNEES[0], 0.0);
        let mut knots = self.height_knots(standing_m);
        for _ in 0..HEIGHT_ROUNDS {
            let curve = self.height_curve(standing_m, &knots);
            for knot in &mut knots {
                let room_m = (0..=24)
                    .map(|part| {
                        let share = f64::from(part) / 24.0;
                        let secs = knot.from_secs + share * (knot.to_secs - knot.from_secs);
                        score.height_for_m(figure, knot.knee, secs) - curve.at(secs)
                    })
                    .fold(f64::INFINITY, f64::min);
                knot.height_m += 0.8 * room_m;
            }
        }
        let curve = self.height_curve(standing_m, &knots);
        Line::new(move |secs| curve.at(secs))
    }

    fn height_knots(&self, start_m: f64) -> Vec<HeightKnot> {
        let swing = self.swing_secs();
        let mut knots = Vec::new();
        for step in 1..=self.steps() {
            let strike = self.strike_secs(step);
            knots.push(HeightKnot {
                secs: strike - 0.5 * swing,
                height_m: start_m,
                knee: KNEES[2],
                from_secs: strike - 0.85 * swing,
                to_secs: strike - 0.12 * swing,
            });
            if step < self.steps() {
                let both_secs = self.step_secs - swing;
                knots.push(HeightKnot {
                    secs: strike + 0.4 * both_secs,
                    height_m: start_m - 0.03,
                    knee: KNEES[1],
                    from_secs: strike - 0.12 * swing,
                    to_secs: strike + both_secs,
                });
            }
        }
        knots
    }

    fn height_curve(&self, standing_m: f64, knots: &[HeightKnot]) -> Curve {
        let start = self.strike_secs(1) - self.swing_secs() - 0.35;
        let mut points = vec![(start, standing_m)];
        points.extend(knots.iter().map(|knot| (knot.secs, knot.height_m)));
        points.push((self.strike_secs(self.steps()) + 0.4, standing_m));
        Curve::new(&points, 0.2 * self.step_secs)
    }
}

/// Rounds of fitting; the error shrinks by a factor of about three in each.
const HEIGHT_ROUNDS: usize = 20;

fn yaw_line(yaw: &Curve, factor: f64) -> Line {
    let yaw = yaw.clone();
    Line::new(move |secs| factor * yaw.at(secs))
}

/// Pitch of a foot that comes down, at a share of its roll.
fn landing(style: &Style, stride: f64, roll_secs: f64, share: f64) -> f64 {
    let from = State {
        value: style.strike_pitch * stride,
        rate: style.strike_rate * stride,
        acceleration: 0.0,
    };
    let flat = State {
        value: 0.0,
        rate: 0.0,
        acceleration: 0.0,
    };
    quintic(from, flat, roll_secs, share)
}

/// A hand that swings with the walk. Shoulder from about 20 degrees back to 12 forward, elbow from
/// 15 to 40 degrees; the hand lags a little behind.
pub(crate) fn swinging_hand(side: Side, arms: Line, walking: Curve) -> HandPlan {
    HandPlan::by(move |secs, spaces| {
        let left = sign(side);
        let swing = left * arms.at(secs);
        let late = left * arms.at(secs - 0.06);
        let walking = walking.at(secs);
        hanging(
            (4.0 - 8.0 * walking + 16.0 * swing) * DEGREE,
            (16.0 + 9.0 * walking + 10.0 * late) * DEGREE,
            7.0 * DEGREE,
        )
        .in_place(&spaces.chest, side)
    })
}
