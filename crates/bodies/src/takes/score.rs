//! What a take is planned as, and how a plan becomes poses: pelvis, legs by the law of cosines,
//! trunk, head, arms by two-bone inverse kinematics, fingers.

use std::sync::Arc;

use glam::{DMat3, DQuat, DVec3};
use understudy_anatomy::Side;
use understudy_motion::angle::twist_about;
use understudy_motion::{Transform, WorldPose};

use crate::curve::{State, bump, ease, quintic, rounded_ramp, sine};
use crate::demo_take::Limbs;
use crate::footsteps::FootPose;
use crate::plan::{SIDES, sign};
use crate::takes::feet::{Footing, Stance};
use crate::takes::figure::{Figure, mirrored};
use crate::takes::line::{Line, Path, Series};
use crate::takes::mass::centre_of_mass;

pub(crate) const DEGREE: f64 = std::f64::consts::PI / 180.0;

/// Plan of the pelvis: place and height of the pelvis joint in metres, and its turn.
#[derive(Clone)]
pub(crate) struct PelvisPlan {
    pub(crate) x: Line,
    pub(crate) y: Line,
    pub(crate) z: Line,
    pub(crate) turn: TurnPlan,
}

/// Turns about the vertical (to the left), of the left side down, and forward, radians, the last
/// nearest to the body.
#[derive(Clone)]
pub(crate) struct TurnPlan {
    pub(crate) yaw: Line,
    pub(crate) pitch: Line,
    pub(crate) roll: Line,
}

impl TurnPlan {
    /// No turn at all.
    pub(crate) fn none() -> Self {
        Self {
            yaw: Line::level(0.0),
            pitch: Line::level(0.0),
            roll: Line::level(0.0),
        }
    }

    fn at(&self, secs: f64, yaw: f64) -> DQuat {
        DQuat::from_rotation_y(yaw + self.yaw.at(secs))
            * DQuat::from_rotation_z(-self.roll.at(secs))
            * DQuat::from_rotation_x(self.pitch.at(secs))
    }
}

/// Places in which hands are planned.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spaces {
    pub(crate) pelvis: Place,
    /// Origin in the middle between the shoulders.
    pub(crate) chest: Place,
    pub(crate) head: Place,
}

/// A place with axes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Place {
    pub(crate) origin: DVec3,
    pub(crate) rotation: DQuat,
}

impl Place {
    /// World position of a point of this place.
    pub(crate) fn point(&self, point: DVec3) -> DVec3 {
        self.origin + self.rotation * point
    }
}

/// A hand in the world.
#[derive(Clone, Copy, Debug)]
pub(crate) struct HandPose {
    pub(crate) wrist: DVec3,
    /// From the wrist to the middle finger.
    pub(crate) along: DVec3,
    /// Out of the palm.
    pub(crate) palm: DVec3,
    /// Roughly from the middle of the arm to the elbow.
    pub(crate) elbow: DVec3,
}

impl HandPose {
    pub(crate) fn lerp(&self, to: &Self, share: f64) -> Self {
        Self {
            wrist: self.wrist.lerp(to.wrist, share),
            along: self.along.lerp(to.along, share),
            palm: self.palm.lerp(to.palm, share),
            elbow: self.elbow.lerp(to.elbow, share),
        }
    }

    /// The same pose given on the left side of a place, as it is in the world.
    pub(crate) fn in_place(&self, place: &Place, side: Side) -> Self {
        let turned = |vector: DVec3| place.rotation * mirrored(vector, side);
        Self {
            wrist: place.origin + turned(self.wrist),
            along: turned(self.along),
            palm: turned(self.palm),
            elbow: turned(self.elbow),
        }
    }
}

/// World rotation of a hand that points along `along` with the palm looking as near as can be
/// along `palm`.
pub(crate) fn hand_rotation(side: Side, along: DVec3, palm: DVec3) -> DQuat {
    let along = along.normalize_or(DVec3::X);
    let palm = palm
        .reject_from_normalized(along)
        .normalize_or(along.any_orthonormal_vector());
    // At rest a hand points outward with its palm down.
    let outward = along * sign(side);
    DQuat::from_mat3(&DMat3::from_cols(outward, -palm, outward.cross(-palm)))
}

/// How a hand is held to a place, by time.
type GripLine = Arc<dyn Fn(f64, &Spaces) -> Grip + Send + Sync>;

/// What a hand does by itself, by time.
type HandLine = Arc<dyn Fn(f64, &Spaces) -> HandPose + Send + Sync>;

/// What a hand does: a free motion, and stretches in which it is held to a place.
#[derive(Clone)]
pub(crate) struct HandPlan {
    pub(crate) free: HandLine,
    pub(crate) holds: Vec<Hold>,
    /// Bend of each finger joint, radians.
    pub(crate) curl: Line,
}

/// Where a hold wants the hand.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Grip {
    /// Where `Hold::point` goes, world, metres.
    pub(crate) at: DVec3,
    pub(crate) along: DVec3,
    pub(crate) palm: DVec3,
    pub(crate) elbow: DVec3,
    /// Away from what is held.
    pub(crate) out: DVec3,
}

/// A stretch in which a point of a hand is held to a place.
#[derive(Clone)]
pub(crate) struct Hold {
    /// Starts to go there, touches, leaves, is away, seconds.
    pub(crate) secs: [f64; 4],
    pub(crate) grip: GripLine,
    /// Point of the hand in coordinates of the wrist, metres.
    pub(crate) point: DVec3,
    /// Bow of the way to and from the place, away from it, metres.
    pub(crate) bow_m: f64,
    /// Bow of that way upward, metres.
    pub(crate) rise_m: f64,
    /// (seconds, metres) by which the hand is moved away so that skin meets skin.
    pub(crate) clear_m: Vec<(f64, f64)>,
}

impl Hold {
    fn weight(&self, secs: f64) -> f64 {
        let [start, touch, leave, end] = self.secs;
        ease((secs - start) / (touch - start)) * ease((end - secs) / (end - leave))
    }

    fn pose(&self, side: Side, secs: f64, spaces: &Spaces, weight: f64) -> HandPose {
        let grip = (self.grip)(secs, spaces);
        let rotation = hand_rotation(side, grip.along, grip.palm);
        let clear_m = Line::through(&self.clear_m).at(secs);
        let bow = (grip.out * self.bow_m + DVec3::Y * self.rise_m) * 4.0 * (1.0 - weight);
        HandPose {
            wrist: grip.at + grip.out * clear_m + bow - rotation * self.point,
            along: grip.along,
            palm: grip.palm,
            elbow: grip.elbow,
        }
    }
}

impl HandPlan {
    /// A hand that does what a function of time and places says.
    pub(crate) fn by(free: impl Fn(f64, &Spaces) -> HandPose + Send + Sync + 'static) -> Self {
        Self {
            free: Arc::new(free),
            holds: Vec::new(),
            curl: Line::level(18.0 * DEGREE),
        }
    }

    /// A hand through (seconds, pose) keys given in the chest's place for the left side.
    pub(crate) fn through(side: Side, keys: &[(f64, HandPose)]) -> Self {
        let path = |pick: fn(&HandPose) -> DVec3| {
            let keys: Vec<(f64, DVec3)> = keys.iter().map(|(t, pose)| (*t, pick(pose))).collect();
            Path::through(&keys)
        };
        let (wrist, along) = (path(|p| p.wrist), path(|p| p.along));
        let (palm, elbow) = (path(|p| p.palm), path(|p| p.elbow));
        Self::by(move |secs, spaces| {
            HandPose {
                wrist: wrist.at(secs),
                along: along.at(secs),
                palm: palm.at(secs),
                elbow: elbow.at(secs),
            }
            .in_place(&spaces.chest, side)
        })
    }

    /// The same hand with fingers bent so.
    pub(crate) fn curled(mut self, curl: Line) -> Self {
        self.curl = curl;
        self
    }

    fn pose(&self, side: Side, secs: f64, spaces: &Spaces) -> HandPose {
        let mut pose = (self.free)(secs, spaces);
        for hold in &self.holds {
            let weight = hold.weight(secs);
            if weight > 0.0 {
                pose = pose.lerp(&hold.pose(side, secs, spaces, weight), weight);
            }
        }
        pose
    }
}

/// Where a knee is wanted, world, and how much.
#[derive(Clone)]
pub(crate) struct KneePlan {
    pub(crate) at: Path,
    pub(crate) weight: Line,
}

/// A whole take as planned.
#[derive(Clone)]
pub(crate) struct Score {
    pub(crate) secs: f64,
    pub(crate) feet: [Footing; 2],
    /// Whether the reach of swinging legs follows from the stances on both sides, which keeps fast
    /// swings smooth.
    pub(crate) by_reach: bool,
    pub(crate) knees: [Option<KneePlan>; 2],
    pub(crate) pelvis: PelvisPlan,
    /// World turn of the chest, its yaw against the pelvis.
    pub(crate) chest: TurnPlan,
    /// World turn of the head, its yaw against the pelvis.
    pub(crate) head: TurnPlan,
    pub(crate) hands: [HandPlan; 2],
}

/// The pelvis at one moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PelvisPose {
    pub(crate) position: DVec3,
    pub(crate) rotation: DQuat,
    pub(crate) yaw: f64,
}

impl Score {
    /// The pelvis at a moment.
    pub(crate) fn pelvis(&self, secs: f64) -> PelvisPose {
        let plan = &self.pelvis;
        PelvisPose {
            position: DVec3::new(plan.x.at(secs), plan.y.at(secs), plan.z.at(secs)),
            rotation: plan.turn.at(secs, 0.0),
            yaw: plan.turn.yaw.at(secs),
        }
    }

    /// World pose at a moment.
    pub(crate) fn pose(&self, figure: &Figure, secs: f64) -> WorldPose {
        WorldPose::from_locals(&figure.skeleton, &self.locals(figure, secs))
    }

    /// Local transforms of all joints at a moment.
    pub(crate) fn locals(&self, figure: &Figure, secs: f64) -> Vec<Transform> {
        let mut locals = figure.skeleton.rest_locals();
        let pelvis = self.pelvis(secs);
        locals[figure.rig.pelvis] = Transform::rigid(pelvis.position, pelvis.rotation);
        for (index, side) in SIDES.into_iter().enumerate() {
            let foot = self.foot(figure, index, secs);
            let hip = hip(figure, &pelvis, side);
            let look = DQuat::from_rotation_y(0.5 * (foot.heading + pelvis.yaw));
            // The knee looks halfway between foot and pelvis, with a shank that is not upright
            // taken into account: nearly the line from hip to toes.
            let mut pole = look * DVec3::new(0.0, 0.0, 1.0);
            if let Some(plan) = &self.knees[index] {
                let wanted = (plan.at.at(secs) - hip).normalize_or(pole);
                pole = pole.lerp(wanted, plan.weight.at(secs));
            }
            pose_leg(figure, &mut locals, side, &foot, hip, pelvis.rotation, pole);
        }
        let spaces = self.pose_trunk(figure, &mut locals, &pelvis, secs);
        for (index, side) in SIDES.into_iter().enumerate() {
            let hand = self.hands[index].pose(side, secs, &spaces);
            let breath = breath(secs);
            pose_arm(figure, &mut locals, side, &spaces.chest, &hand, breath);
            self.pose_fingers(figure, &mut locals, index, secs);
        }
        locals
    }

    /// The places hands are planned in, at a moment.
    pub(crate) fn spaces(&self, figure: &Figure, secs: f64) -> Spaces {
        let mut locals = figure.skeleton.rest_locals();
        self.pose_trunk(figure, &mut locals, &self.pelvis(secs), secs)
    }

    /// A foot at a moment. With `by_reach` a swinging ankle is drawn along the line to the hip
    /// until its distance goes smoothly from that of one stance to that of the next.
    pub(crate) fn foot(&self, figure: &Figure, index: usize, secs: f64) -> FootPose {
        let shape = &figure.rig.foot;
        let mut foot = self.feet[index].pose(shape, secs);
        if let (true, (from, Some(to))) = (self.by_reach, self.feet[index].at(secs)) {
            let hip = hip(figure, &self.pelvis(secs), SIDES[index]);
            let reach_m = self.swing_reach_m(figure, index, [from, to], secs);
            foot.ankle = hip + (foot.ankle - hip).normalize() * reach_m;
            let share = (secs - from.to_secs) / (to.from_secs - from.to_secs);
            foot.ankle.y += clearance_m(figure, &foot, share);
        }
        foot
    }

    fn swing_reach_m(
        &self,
        figure: &Figure,
        index: usize,
        [from, to]: [&Stance; 2],
        secs: f64,
    ) -> f64 {
        let reach_m = |stance: &Stance, t: f64| {
            let hip = hip(figure, &self.pelvis(t), SIDES[index]);
            hip.distance(stance.pose(&figure.rig.foot, t).ankle)
        };
        let start = State::of(|t| reach_m(from, t), from.to_secs);
        let end = State::of(|t| reach_m(to, t), to.from_secs);
        let duration_secs = to.from_secs - from.to_secs;
        let share = (secs - from.to_secs) / duration_secs;
        let free_m = |share: f64| {
            quintic(start, end, duration_secs, share) - from.lift_m * bump(share, 0.38)
        };
        // Late in the swing the leg is kept from stretching further than the knee should.
        let longest_m = figure.rig.reach_m(LEAST_KNEE);
        let late_m = (60..96)
            .map(|percent| f64::from(percent) / 100.0)
            .map(|share| (free_m(share) - longest_m) / bump(share, LATE_PEAK))
            .fold(0.0, f64::max);
        free_m(share) - late_m * bump(share, LATE_PEAK)
    }

    /// Poses spine, neck and head; returns the places hands are planned in.
    fn pose_trunk(
        &self,
        figure: &Figure,
        locals: &mut [Transform],
        pelvis: &PelvisPose,
        secs: f64,
    ) -> Spaces {
        let rig = &figure.rig;
        let breathing = DQuat::from_rotation_x(-0.7 * DEGREE * breath(secs));
        let chest = self.chest.at(secs, pelvis.yaw) * breathing;
        let whole = (pelvis.rotation.inverse() * chest).to_scaled_axis();
        let share = DQuat::from_scaled_axis(whole / rig.spine.len() as f64);
        let mut at = Place {
            origin: pelvis.position,
            rotation: pelvis.rotation,
        };
        let mut step = |joint: usize, rotation: DQuat| {
            locals[joint].rotation = rotation;
            at = Place {
                origin: at.point(locals[joint].translation),
                rotation: at.rotation * rotation,
            };
            at
        };
        let mut chest_place = at_rest(pelvis);
        for &joint in &rig.spine {
            chest_place = step(joint, share);
        }
        let head = self.head.at(secs, pelvis.yaw);
        let turn = (chest_place.rotation.inverse() * head).to_scaled_axis();
        let half = DQuat::from_scaled_axis(turn / 2.0);
        let neck = step(rig.neck, half);
        let head = step(rig.head, half);
        Spaces {
            pelvis: at_rest(pelvis),
            chest: Place {
                origin: neck.origin,
                rotation: chest_place.rotation,
            },
            head,
        }
    }

    fn pose_fingers(&self, figure: &Figure, locals: &mut [Transform], index: usize, secs: f64) {
        let left = sign(SIDES[index]);
        let curl = self.hands[index].curl.at(secs);
        for &finger in &figure.rig.limbs[index].fingers {
            locals[finger].rotation = DQuat::from_rotation_z(-left * curl);
        }
        if let Some(&thumb) = figure.thumbs[index].first() {
            locals[thumb].rotation = DQuat::from_rotation_y(left * 12.0 * DEGREE);
        }
    }

    /// Height of the pelvis joint at which the straighter of the legs has a knee flexion, metres.
    pub(crate) fn height_for_m(&self, figure: &Figure, flexion: f64, secs: f64) -> f64 {
        let pelvis = self.pelvis(secs);
        let reach_m = figure.rig.reach_m(flexion);
        let height_over_m = |index: usize| {
            let half = pelvis.rotation * DVec3::X * sign(SIDES[index]) * figure.rig.half_hips_m;
            let ankle = self.feet[index].pose(&figure.rig.foot, secs).ankle;
            let mut level = pelvis.position + half - ankle;
            level.y = 0.0;
            ankle.y + (reach_m * reach_m - level.length_squared()).max(0.0).sqrt() - half.y
        };
        (0..2)
            .filter(|&index| !self.by_reach || self.feet[index].stands(secs))
            .map(height_over_m)
            .fold(f64::INFINITY, f64::min)
    }

    /// Lowers the pelvis wherever a knee would be straighter than `flexion` (radians), smoothly.
    pub(crate) fn under_ceiling(mut self, figure: &Figure, flexion: f64) -> Self {
        let step_secs = 1.0 / 60.0;
        let reach = 6;
        let height = |secs: f64| {
            let ceiling_m = self.height_for_m(figure, flexion, secs);
            self.pelvis.y.at(secs).min(ceiling_m)
        };
        // The mean of lowest values within the same reach lies nowhere above the values.
        let series = Series::sampled(height, self.secs, step_secs)
            .lowest_near(reach + 2)
            .averaged(reach / 2)
            .averaged(reach / 2);
        self.pelvis.y = series.line();
        self
    }

    /// Moves the pelvis over the floor so that the centre of mass lies over a place, (x, z) in
    /// metres.
    pub(crate) fn balanced(mut self, figure: &Figure, x: &Line, z: &Line) -> Self {
        for _ in 0..3 {
            let off = |secs: f64| {
                let centre = centre_of_mass(figure, &self.pose(figure, secs));
                (x.at(secs) - centre.x, z.at(secs) - centre.z)
            };
            let step_secs = 1.0 / 20.0;
            let dx = Series::sampled(|t| off(t).0, self.secs, step_secs).averaged(1);
            let dz = Series::sampled(|t| off(t).1, self.secs, step_secs).averaged(1);
            let (x, z) = (dx.line(), dz.line());
            self.pelvis.x = self.pelvis.x.plus(&x);
            self.pelvis.z = self.pelvis.z.plus(&z);
        }
        self
    }
}

/// Least knee flexion at the end of a swing, radians.
const LEAST_KNEE: f64 = 8.0 * DEGREE;
/// Share of a swing at which stretching too far is held back most.
const LATE_PEAK: f64 = 0.82;

/// Breath from −1 to 1: 15 breaths a minute, the usual number at rest (common practice).
fn breath(secs: f64) -> f64 {
    sine(secs, 0.25)
}

/// How much higher a swinging foot must be so that its sole clears the floor by 2 mm, except at
/// the ends of the swing, metres.
fn clearance_m(figure: &Figure, foot: &FootPose, share: f64) -> f64 {
    let shape = &figure.rig.foot;
    let toe = shape.ball + DQuat::from_rotation_x(-foot.toe_bend) * (shape.toe_tip - shape.ball);
    let rotation = foot.rotation();
    let middle = ease(5.0 * share) * ease(5.0 * (1.0 - share));
    [shape.heel, toe]
        .map(|point| (foot.ankle + rotation * point).y)
        .map(|low_m| middle * rounded_ramp(0.003 - low_m, 0.006))
        .into_iter()
        .sum()
}

fn at_rest(pelvis: &PelvisPose) -> Place {
    Place {
        origin: pelvis.position,
        rotation: pelvis.rotation,
    }
}

/// World position of a hip joint, metres.
pub(crate) fn hip(figure: &Figure, pelvis: &PelvisPose, side: Side) -> DVec3 {
    pelvis.position + pelvis.rotation * DVec3::X * sign(side) * figure.rig.half_hips_m
}

/// The middle joint of two bones that reach from 0 to `end`: unit direction to the end, unit
/// direction of the bend, and the angle at the root.
fn bend(end: DVec3, pole: DVec3, first_m: f64, second_m: f64) -> (DVec3, DVec3, f64) {
    let distance_m = end.length();
    let along = end / distance_m;
    let out = pole
        .reject_from_normalized(along)
        .normalize_or(along.any_orthonormal_vector());
    let cosine = (first_m * first_m + distance_m * distance_m - second_m * second_m)
        / (2.0 * first_m * distance_m);
    (along, out, cosine.clamp(-1.0, 1.0).acos())
}

fn pose_leg(
    figure: &Figure,
    locals: &mut [Transform],
    side: Side,
    foot: &FootPose,
    hip: DVec3,
    pelvis: DQuat,
    pole: DVec3,
) {
    let limbs = figure.limbs(side);
    let rig = &figure.rig;
    let reach = foot.ankle - hip;
    let (down, ahead, angle) = bend(reach, pole, rig.thigh_m, rig.shank_m);
    let left = ahead.cross(down);
    let thigh_along = down * angle.cos() + ahead * angle.sin();
    let shank_along = (reach - thigh_along * rig.thigh_m).normalize();
    let rotation =
        |along: DVec3| DQuat::from_mat3(&DMat3::from_cols(left, -along, left.cross(-along)));
    let (thigh, shank) = (rotation(thigh_along), rotation(shank_along));
    locals[limbs.hip].rotation = pelvis.inverse() * thigh;
    locals[limbs.knee].rotation = thigh.inverse() * shank;
    locals[limbs.ankle].rotation = shank.inverse() * foot.rotation();
    locals[limbs.ball].rotation = DQuat::from_rotation_x(-foot.toe_bend);
}

/// Rotation of a shoulder girdle: it rises with an arm that is raised and goes forward with one
/// that reaches across.
fn clavicle_turn(side: Side, reach: DVec3, breath: f64) -> DQuat {
    let lift = 26.0 * DEGREE * ease((reach.y + 0.45) / 1.4) + 0.5 * DEGREE * breath;
    let forward = 16.0 * DEGREE * ease((reach.z - 0.6 * reach.x - 0.1) / 1.2);
    DQuat::from_rotation_z(sign(side) * lift) * DQuat::from_rotation_y(-sign(side) * forward)
}

fn pose_arm(
    figure: &Figure,
    locals: &mut [Transform],
    side: Side,
    chest: &Place,
    hand: &HandPose,
    breath: f64,
) {
    let limbs: &Limbs = figure.limbs(side);
    let (upper_m, fore_m) = (figure.upper_arm_m, figure.forearm_m);
    // The chest's place has its origin at the level of the clavicles.
    let neck_m = figure.skeleton.joint(figure.rig.neck).rest.translation;
    let clavicle_at = chest.point(locals[limbs.clavicle].translation - neck_m);
    let shoulder_of =
        |turn: DQuat| clavicle_at + chest.rotation * (turn * locals[limbs.shoulder].translation);
    let rough = chest.rotation.inverse() * (hand.wrist - shoulder_of(DQuat::IDENTITY));
    let reach = mirrored(rough, side) / (upper_m + fore_m);
    let girdle = clavicle_turn(side, reach, breath);
    let shoulder = shoulder_of(girdle);
    let (along, out, angle) = bend(hand.wrist - shoulder, hand.elbow, upper_m, fore_m);
    let upper_along = along * angle.cos() + out * angle.sin();
    let elbow = shoulder + upper_along * upper_m;
    let fore_along = (hand.wrist - elbow).normalize();
    let normal = along.cross(out);
    // Bones point outward along X; Z looks to the inner side of the elbow.
    let rotation = |along: DVec3| {
        let inner = along.cross(normal);
        let x = along * sign(side);
        DQuat::from_mat3(&DMat3::from_cols(x, inner.cross(x), inner))
    };
    let (upper, hinge) = (rotation(upper_along), rotation(fore_along));
    let palm = hand_rotation(side, hand.along, hand.palm);
    let twist = twist_about(hinge.inverse() * palm, DVec3::X);
    let fore = hinge * DQuat::from_rotation_x(FOREARM_TWIST * twist);
    locals[limbs.clavicle].rotation = girdle;
    locals[limbs.shoulder].rotation = (chest.rotation * girdle).inverse() * upper;
    locals[limbs.elbow].rotation = upper.inverse() * fore;
    locals[limbs.wrist].rotation = fore.inverse() * palm;
}

/// Share of the forearm's turn about its length that the elbow's joint takes; the wrist's has the
/// rest, so that the skin of neither is wrung.
const FOREARM_TWIST: f64 = 0.6;
