//! The demo take: the performer crosses the market.
//!
//! Stands, walks about 5 m with a quarter turn to the left, waves and stops. Feet are planned
//! first, then the pelvis above them, then the legs by the law of cosines,
//! last trunk and arms. Whatever a foot stands on does not move at all, and everything has
//! continuous acceleration.

use std::sync::Arc;

use glam::{DMat3, DQuat, DVec3};
use understudy_anatomy::Side;
use understudy_motion::{Clip, Skeleton, Transform};

use crate::curve::{Curve, State, bump, quintic, sine};
use crate::description::RestPose;
use crate::error::BodyError;
pub use crate::footsteps::FootShape;
use crate::footsteps::{
    CYCLE_SECS, FootPose, Footprint, Footsteps, Route, STEP_SECS, STEPS, SWING_SECS, print_way_m,
    stepping_side, strike_secs,
};
use crate::performer::{STATURE_M, performer};
use crate::plan::{SIDES, sign};
use crate::proportions as human;

/// Frames per second of the demo take.
pub const FRAMES_PER_SEC: f64 = 120.0;

/// A part of the sole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum SolePart {
    /// The heel.
    Heel,
    /// The ball of the foot.
    Ball,
    /// The end of the toes.
    Toe,
}

/// A stretch of frames in which a part of the sole rests on the floor and does not move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TrueContact {
    /// The foot.
    pub side: Side,
    /// The part of its sole.
    pub part: SolePart,
    /// First frame of rest.
    pub first_frame: usize,
    /// Last frame of rest.
    pub last_frame: usize,
}

/// The demo take with what is true of it.
#[derive(Clone, Debug, PartialEq)]
pub struct DemoTake {
    /// The motion of the performer: Y up, starting along Z, 120 frames per second.
    pub clip: Clip,
    /// What rests on the floor when.
    pub contacts: Vec<TrueContact>,
    /// Points of the performer's feet.
    pub foot: FootShape,
}

/// Makes the demo take. It is the same every time.
///
/// # Errors
/// None in practice: only what [`performer`] may refuse.
pub fn demo_take() -> Result<DemoTake, BodyError> {
    let skeleton = performer(STATURE_M, RestPose::T)?;
    let inconsistent = |what: String| BodyError::Inconsistent(what);
    let rig = Rig::new(&skeleton)
        .ok_or_else(|| inconsistent("the performer lacks a joint of the take".into()))?;
    let author = Author::new(rig);
    let frames = (END_SECS * FRAMES_PER_SEC).round() as usize + 1;
    let mut locals = Vec::with_capacity(frames * skeleton.len());
    for frame in 0..frames {
        let secs = frame as f64 / FRAMES_PER_SEC;
        locals.extend(author.locals(&skeleton, secs));
    }
    let mut clip = Clip::new(Arc::new(skeleton), 1.0 / FRAMES_PER_SEC, locals)
        .map_err(|error| inconsistent(error.to_string()))?;
    clip.name = "crossing the market".into();
    Ok(DemoTake {
        contacts: author.contacts(frames - 1),
        foot: author.rig.foot,
        clip,
    })
}

/// End of the take, seconds.
const END_SECS: f64 = 9.4;
const DEGREE: f64 = std::f64::consts::PI / 180.0;

/// Joints and lengths of the performer.
pub(crate) struct Rig {
    pub(crate) pelvis: usize,
    pub(crate) spine: Vec<usize>,
    pub(crate) neck: usize,
    pub(crate) head: usize,
    pub(crate) limbs: [Limbs; 2],
    pub(crate) half_hips_m: f64,
    pub(crate) thigh_m: f64,
    pub(crate) shank_m: f64,
    pub(crate) foot: FootShape,
}

/// Joints of one side.
pub(crate) struct Limbs {
    pub(crate) side: Side,
    pub(crate) hip: usize,
    pub(crate) knee: usize,
    pub(crate) ankle: usize,
    pub(crate) ball: usize,
    pub(crate) clavicle: usize,
    pub(crate) shoulder: usize,
    pub(crate) elbow: usize,
    pub(crate) wrist: usize,
    pub(crate) fingers: Vec<usize>,
}

impl Rig {
    /// The joints of a performer's skeleton; `None` where one is missing.
    pub(crate) fn new(skeleton: &Skeleton) -> Option<Self> {
        let rest = skeleton.rest_world();
        let limbs = [
            Limbs::new(skeleton, Side::Left, "left")?,
            Limbs::new(skeleton, Side::Right, "right")?,
        ];
        let leg = &limbs[0];
        let distance = |a: usize, b: usize| rest.position(a).distance(rest.position(b));
        let ball = skeleton.joint(leg.ball).rest.translation;
        let toe_tip = ball + *skeleton.joint(leg.ball).tips.first()?;
        let sole_y_m = -rest.position(leg.ankle).y;
        Some(Self {
            pelvis: skeleton.find("pelvis")?,
            spine: (1..=3)
                .map(|number| skeleton.find(&format!("spine_{number}")))
                .collect::<Option<_>>()?,
            neck: skeleton.find("neck")?,
            head: skeleton.find("head")?,
            half_hips_m: distance(limbs[0].hip, limbs[1].hip) / 2.0,
            thigh_m: distance(leg.hip, leg.knee),
            shank_m: distance(leg.knee, leg.ankle),
            foot: FootShape {
                heel: DVec3::new(0.0, sole_y_m, -human::HEEL * STATURE_M),
                ball,
                toe_tip,
            },
            limbs,
        })
    }
}

impl Rig {
    /// Distance from hip to ankle at a knee flexion (radians) by the law of cosines, metres.
    pub(crate) fn reach_m(&self, flexion: f64) -> f64 {
        let (a, b) = (self.thigh_m, self.shank_m);
        (a * a + b * b + 2.0 * a * b * flexion.cos()).sqrt()
    }
}

impl Limbs {
    fn new(skeleton: &Skeleton, side: Side, word: &str) -> Option<Self> {
        let find = |joint: &str| skeleton.find(&format!("{word}_{joint}"));
        let wrist = find("wrist")?;
        let thumb = format!("{word}_thumb");
        Some(Self {
            side,
            hip: find("hip")?,
            knee: find("knee")?,
            ankle: find("ankle")?,
            ball: find("ball")?,
            clavicle: find("clavicle")?,
            shoulder: find("shoulder")?,
            elbow: find("elbow")?,
            fingers: skeleton
                .subtree(wrist)
                .into_iter()
                .filter(|&joint| joint != wrist && !skeleton.name(joint).starts_with(&thumb))
                .collect(),
            wrist,
        })
    }
}

/// The pelvis at one moment.
struct Pelvis {
    position: DVec3,
    rotation: DQuat,
    /// Heading of the route below it, radians.
    heading: f64,
    way_m: f64,
}

/// Everything planned ahead of the frames.
struct Author {
    rig: Rig,
    steps: Footsteps,
    /// Height of the pelvis, metres.
    height: Curve,
    /// Way of the pelvis along the route, metres.
    way: Curve,
    /// Sway to the left, metres.
    sway: Curve,
    /// Turn of the pelvis against the route, radians.
    yaw: Curve,
    /// Drop of the pelvis' right side, radians.
    roll: Curve,
    /// How much of walking there is, 0 to 1.
    walking: Curve,
    /// Forward swing of the left arm, -1 to 1; the right arm swings against it.
    arm_swing: Curve,
    /// How much of waving there is, 0 to 1.
    waving: Curve,
}

impl Author {
    fn new(rig: Rig) -> Self {
        let steps = Footsteps::new(rig.foot);
        let mut author = Self {
            rig,
            height: Curve::new(&[], 1.0),
            steps,
            way: way(),
            sway: sway(),
            yaw: at_strikes(0.0, |side| -sign(side) * 6.5 * DEGREE),
            roll: at_strikes(0.18 * CYCLE_SECS, |side| sign(side) * 4.5 * DEGREE),
            walking: Curve::new(
                &[
                    (strike_secs(1) - 0.6, 0.0),
                    (strike_secs(1), 1.0),
                    (strike_secs(STEPS - 1), 1.0),
                    (strike_secs(STEPS) + 0.2, 0.0),
                ],
                0.2,
            ),
            arm_swing: at_strikes(0.0, |side| -sign(side) * 1.25),
            waving: Curve::new(&WAVE_KNOTS, 0.25),
        };
        author.height = author.fitted_height();
        author
    }

    /// Local transforms of all joints at a time.
    fn locals(&self, skeleton: &Skeleton, secs: f64) -> Vec<Transform> {
        let mut locals = skeleton.rest_locals();
        let pelvis = self.pelvis(secs);
        let feet = SIDES.map(|side| self.foot(side, &pelvis, secs));
        locals[self.rig.pelvis] = Transform::rigid(pelvis.position, pelvis.rotation);
        for (limbs, foot) in self.rig.limbs.iter().zip(&feet) {
            self.pose_leg(&mut locals, limbs, foot, &pelvis);
        }
        let chest = self.pose_trunk(&mut locals, &pelvis, secs);
        self.pose_head(&mut locals, &pelvis, chest);
        for limbs in &self.rig.limbs {
            self.pose_arm(&mut locals, limbs, secs);
        }
        locals
    }

    fn pelvis(&self, secs: f64) -> Pelvis {
        let way_m = self.way.at(secs);
        let heading = Route::heading(way_m);
        let turn = DQuat::from_rotation_y(heading + self.yaw.at(secs));
        let lean = DQuat::from_rotation_x(2.0 * DEGREE * self.walking.at(secs));
        let mut position = Route::beside(way_m, self.sway.at(secs));
        position.y = self.height.at(secs);
        Pelvis {
            position,
            rotation: turn * lean * DQuat::from_rotation_z(self.roll.at(secs)),
            heading,
            way_m,
        }
    }

    fn hip(&self, side: Side, pelvis: &Pelvis) -> DVec3 {
        pelvis.position + pelvis.rotation * DVec3::X * sign(side) * self.rig.half_hips_m
    }

    /// Distance from the hip to the ankle over a print, metres.
    fn reach_m(&self, print: &Footprint, secs: f64) -> f64 {
        let hip = self.hip(print.side, &self.pelvis(secs));
        hip.distance(self.steps.on_print(print, secs).ankle)
    }

    /// A foot at any time. In the air the reach of the leg takes over from the stances on
    /// both sides, and the ankle is drawn along the line to the hip until it fits: so the knee
    /// moves smoothly however fast the foot goes.
    fn foot(&self, side: Side, pelvis: &Pelvis, secs: f64) -> FootPose {
        let mut foot = self.steps.pose(side, secs);
        let Some((from, to)) = self.steps.swing_between(side, secs) else {
            return foot;
        };
        let share = (secs - from.up_secs) / (to.down_secs - from.up_secs);
        let reach_m = self.swing_reach_m(from, to, share);
        let hip = self.hip(side, pelvis);
        foot.ankle = hip + (foot.ankle - hip).normalize() * reach_m;
        foot
    }

    /// Distance from the hip to the ankle in a swing, metres. Late in the swing the leg is kept
    /// from stretching further than the knee wanted.
    fn swing_reach_m(&self, from: &Footprint, to: &Footprint, share: f64) -> f64 {
        let start = State::of(|t| self.reach_m(from, t), from.up_secs);
        let end = State::of(|t| self.reach_m(to, t), to.down_secs);
        let duration_secs = to.down_secs - from.up_secs;
        let free_m = |share: f64| {
            quintic(start, end, duration_secs, share)
                - SHORTENING_M * to.stride_in * bump(share, 0.38)
        };
        let longest_m = self.rig.reach_m(SWING_KNEE);
        let late_m = (60..96)
            .map(|percent| f64::from(percent) / 100.0)
            .map(|share| (free_m(share) - longest_m) / bump(share, LATE_PEAK))
            .fold(0.0, f64::max);
        free_m(share) - late_m * bump(share, LATE_PEAK)
    }

    /// Height of the pelvis at which the straighter knee of the feet that stand has a flexion
    /// (radians), metres.
    fn height_for_m(&self, flexion: f64, secs: f64) -> f64 {
        let pelvis = self.pelvis(secs);
        let reach_m = self.rig.reach_m(flexion);
        let height_over_m = |side: Side| {
            let hip = pelvis.rotation * DVec3::X * sign(side) * self.rig.half_hips_m;
            let ankle = self.steps.pose(side, secs).ankle;
            let mut level = pelvis.position + hip - ankle;
            level.y = 0.0;
            ankle.y + (reach_m * reach_m - level.length_squared()).max(0.0).sqrt() - hip.y
        };
        SIDES
            .into_iter()
            .filter(|&side| self.steps.swing_between(side, secs).is_none())
            .map(height_over_m)
            .fold(f64::INFINITY, f64::min)
    }

    /// The height of the pelvis: low while both feet are down, high over the middle of each
    /// stance. Each low and each high is moved until the straightest knee near it has the flexion
    /// it has in normal gait.
    fn fitted_height(&self) -> Curve {
        let standing_m = self.height_for_m(STANDING_KNEE, 0.0);
        let mut knots = height_knots(standing_m);
        for _ in 0..HEIGHT_ROUNDS {
            let curve = height_curve(standing_m, &knots);
            for knot in &mut knots {
                let from = (knot.from_secs * FRAMES_PER_SEC).ceil() as usize;
                let to = (knot.to_secs * FRAMES_PER_SEC).floor() as usize;
                let room_m = (from..=to)
                    .map(|frame| {
                        let secs = frame as f64 / FRAMES_PER_SEC;
                        self.height_for_m(knot.knee, secs) - curve.at(secs)
                    })
                    .fold(f64::INFINITY, f64::min);
                knot.height_m += 0.8 * room_m;
            }
        }
        height_curve(standing_m, &knots)
    }

    fn pose_leg(&self, locals: &mut [Transform], limbs: &Limbs, foot: &FootPose, pelvis: &Pelvis) {
        let half = DVec3::X * sign(limbs.side) * self.rig.half_hips_m;
        let hip = pelvis.position + pelvis.rotation * half;
        // The knee looks halfway between the foot and the way ahead.
        let look = DQuat::from_rotation_y(0.5 * (foot.heading + pelvis.heading));
        let (thigh, shank) = bent_leg(
            foot.ankle - hip,
            look * DVec3::X,
            self.rig.thigh_m,
            self.rig.shank_m,
        );
        let ankle = foot.rotation();
        locals[limbs.hip].rotation = pelvis.rotation.inverse() * thigh;
        locals[limbs.knee].rotation = thigh.inverse() * shank;
        locals[limbs.ankle].rotation = shank.inverse() * ankle;
        locals[limbs.ball].rotation = DQuat::from_rotation_x(-foot.toe_bend);
    }

    /// The chest turns against the pelvis and stays nearly level. Returns its world rotation.
    fn pose_trunk(&self, locals: &mut [Transform], pelvis: &Pelvis, secs: f64) -> DQuat {
        let turn = DQuat::from_rotation_y(pelvis.heading - 0.7 * self.yaw.at(secs));
        let lean = DQuat::from_rotation_x(3.0 * DEGREE * self.walking.at(secs));
        let tilt = DQuat::from_rotation_z(-0.25 * self.roll.at(secs));
        let chest = turn * lean * tilt;
        let whole = (pelvis.rotation.inverse() * chest).to_scaled_axis();
        let share = whole / self.rig.spine.len() as f64;
        for &joint in &self.rig.spine {
            locals[joint].rotation = DQuat::from_scaled_axis(share);
        }
        chest
    }

    /// The head looks a little ahead on the route.
    fn pose_head(&self, locals: &mut [Transform], pelvis: &Pelvis, chest: DQuat) {
        let look = DQuat::from_rotation_y(Route::heading(pelvis.way_m + 0.35));
        let half = (chest.inverse() * look).to_scaled_axis() / 2.0;
        for joint in [self.rig.neck, self.rig.head] {
            locals[joint].rotation = DQuat::from_scaled_axis(half);
        }
    }

    fn pose_arm(&self, locals: &mut [Transform], limbs: &Limbs, secs: f64) {
        let left = sign(limbs.side);
        let swing = left * self.arm_swing.at(secs);
        let walking = self.walking.at(secs);
        // Shoulder from about 20 degrees back to 12 forward, elbow from 15 to 40 degrees.
        let flexion = (-4.0 * walking + 16.0 * swing) * DEGREE;
        let elbow = (14.0 + 10.0 * walking + 9.0 * swing) * DEGREE;
        let hang = DQuat::from_rotation_x(-flexion) * DQuat::from_rotation_z(-left * 81.0 * DEGREE);
        let waving = if limbs.side == Side::Right {
            self.waving.at(secs)
        } else {
            0.0
        };
        let raised = DQuat::from_rotation_y(-left * 20.0 * DEGREE)
            * DQuat::from_rotation_z(-left * 12.0 * DEGREE)
            * DQuat::from_rotation_x(-78.0 * DEGREE);
        let to_and_fro = sine(secs - WAVE_KNOTS[0].0, 1.5);
        let raised_elbow = (88.0 + 22.0 * to_and_fro) * DEGREE;
        let bend = elbow + (raised_elbow - elbow) * waving;
        locals[limbs.clavicle].rotation = DQuat::from_rotation_z(left * 8.0 * DEGREE * waving);
        locals[limbs.shoulder].rotation = hang.slerp(raised, waving);
        locals[limbs.elbow].rotation = DQuat::from_rotation_y(-left * bend);
        let wrist = 8.0 * DEGREE * waving * to_and_fro;
        locals[limbs.wrist].rotation = DQuat::from_rotation_y(-left * wrist);
        // Relaxed fingers, straighter in the wave.
        let curl = (18.0 - 12.0 * waving) * DEGREE;
        for &finger in &limbs.fingers {
            locals[finger].rotation = DQuat::from_rotation_z(-left * curl);
        }
    }

    fn contacts(&self, last_frame: usize) -> Vec<TrueContact> {
        let mut contacts = Vec::new();
        for print in self.steps.prints() {
            let parts = [
                (SolePart::Heel, print.down_secs, print.heel_off_secs()),
                (SolePart::Ball, print.flat_secs(), print.ball_off_secs()),
                (SolePart::Toe, print.flat_secs(), print.up_secs),
            ];
            contacts.extend(parts.map(|(part, from_secs, to_secs)| TrueContact {
                side: print.side,
                part,
                // Casts of infinities saturate, which is what the ends of the take need.
                first_frame: (from_secs * FRAMES_PER_SEC).ceil() as usize,
                last_frame: ((to_secs * FRAMES_PER_SEC).floor() as usize).min(last_frame),
            }));
        }
        contacts
    }
}

/// Times and amounts of the wave.
const WAVE_KNOTS: [(f64, f64); 4] = [(5.0, 0.0), (5.8, 1.0), (7.7, 1.0), (8.6, 0.0)];

/// Knee flexion while standing, radians.
const STANDING_KNEE: f64 = 6.0 * DEGREE;
/// Least knee flexion over the standing feet around heel strike, radians. Published curves show
/// about 5 degrees (Winter 1991; from memory); here it is more, since the heel is planted without
/// an impact and the knee needs room to stop stretching before that.
const STRIKE_KNEE: f64 = 14.0 * DEGREE;
/// Least knee flexion in the middle of stance, radians (about 5 degrees in the same curves).
const STANCE_KNEE: f64 = 7.0 * DEGREE;
/// Least knee flexion at the end of a swing, radians.
const SWING_KNEE: f64 = 7.0 * DEGREE;
/// Share of the swing at which stretching too far is held back most.
const LATE_PEAK: f64 = 0.82;
/// How much shorter the leg gets in the swing of a full step, metres: it makes the knee peak at
/// about 60 degrees.
const SHORTENING_M: f64 = 0.05;
/// Rounds of fitting; the error shrinks by a factor of about three in each.
const HEIGHT_ROUNDS: usize = 25;

/// A low or a high of the pelvis.
pub(crate) struct HeightKnot {
    pub(crate) secs: f64,
    pub(crate) height_m: f64,
    /// Least knee flexion wanted near it, radians.
    pub(crate) knee: f64,
    /// The stretch of time that counts as near.
    pub(crate) from_secs: f64,
    pub(crate) to_secs: f64,
}

/// Highs in the middle of each swing, lows in the middle of each double support.
fn height_knots(start_m: f64) -> Vec<HeightKnot> {
    let mut knots = Vec::new();
    for step in 1..=STEPS {
        let strike = strike_secs(step);
        knots.push(HeightKnot {
            secs: strike - 0.5 * SWING_SECS,
            height_m: start_m,
            knee: STANCE_KNEE,
            from_secs: strike - 0.85 * SWING_SECS,
            to_secs: strike - 0.12 * SWING_SECS,
        });
        if step < STEPS {
            let both_secs = STEP_SECS - SWING_SECS;
            knots.push(HeightKnot {
                secs: strike + 0.4 * both_secs,
                height_m: start_m - 0.03,
                knee: STRIKE_KNEE,
                from_secs: strike - 0.12 * SWING_SECS,
                to_secs: strike + both_secs,
            });
        }
    }
    knots
}

fn height_curve(standing_m: f64, knots: &[HeightKnot]) -> Curve {
    let mut points = vec![(strike_secs(1) - SWING_SECS - 0.35, standing_m)];
    points.extend(knots.iter().map(|knot| (knot.secs, knot.height_m)));
    points.push((strike_secs(STEPS) + 0.4, standing_m));
    Curve::new(&points, 0.11)
}

/// How far the pelvis is ahead of the middle between the ankles, metres.
const AHEAD_M: f64 = 0.02;

/// The way of the pelvis: halfway between the prints at each heel strike.
fn way() -> Curve {
    let mut knots = vec![(strike_secs(1) - 0.60, AHEAD_M)];
    knots.extend((1..=STEPS).map(|step| {
        let middle_m = 0.5 * (print_way_m(step - 1) + print_way_m(step));
        (strike_secs(step), middle_m + AHEAD_M)
    }));
    Curve::new(&knots, 0.22)
}

/// The sway over the standing foot, largest in the middle of the other foot's swing.
fn sway() -> Curve {
    let mut knots = vec![(strike_secs(1) - SWING_SECS - 0.75, 0.0)];
    knots.extend((1..=STEPS).map(|step| {
        // The first step starts from feet far apart.
        let most_m = if step == 1 { 0.05 } else { 0.031 };
        let toward_stance = -sign(stepping_side(step));
        (strike_secs(step) - 0.5 * SWING_SECS, toward_stance * most_m)
    }));
    knots.push((strike_secs(STEPS) + 0.5, 0.0));
    Curve::new(&knots, 0.13)
}

/// A curve with a value at (or `after_secs` after) each heel strike, 0 before and after the walk.
fn at_strikes(after_secs: f64, value: impl Fn(Side) -> f64) -> Curve {
    let mut knots = vec![(strike_secs(1) - SWING_SECS - 0.1 + after_secs, 0.0)];
    knots.extend(
        (1..STEPS).map(|step| (strike_secs(step) + after_secs, value(stepping_side(step)))),
    );
    knots.push((strike_secs(STEPS) + after_secs, 0.0));
    Curve::new(&knots, 0.14)
}

/// World rotations of thigh and shank that put the ankle at `ankle_from_hip`, by the law of
/// cosines; the knee bends about an axis as near to `left` as can be. An ankle out of reach is
/// reached for with a straight leg.
fn bent_leg(ankle_from_hip: DVec3, left: DVec3, thigh_m: f64, shank_m: f64) -> (DQuat, DQuat) {
    let distance_m = ankle_from_hip.length();
    let down = ankle_from_hip / distance_m;
    let side = left.reject_from_normalized(down).normalize();
    let ahead = down.cross(side);
    let cosine = (thigh_m * thigh_m + distance_m * distance_m - shank_m * shank_m)
        / (2.0 * thigh_m * distance_m);
    let angle = cosine.clamp(-1.0, 1.0).acos();
    let thigh = down * angle.cos() + ahead * angle.sin();
    let shank = (ankle_from_hip - thigh * thigh_m).normalize();
    let rotation =
        |along: DVec3| DQuat::from_mat3(&DMat3::from_cols(side, -along, side.cross(-along)));
    (rotation(thigh), rotation(shank))
}
