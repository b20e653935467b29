//! Posture: how the character holds itself, changed by the same amount in every frame, before feet
//! are planted.
//!
//! Hips that jut back turn about the lowest joint of the spine, which stays where it is: so trunk,
//! head and hands do not move at all, and thighs and knees give way so that the feet stay too.

use serde::{Deserialize, Serialize};
use understudy_anatomy::{Body, Leg, Side};
use understudy_motion::{Clip, DQuat, DVec3, Skeleton, Transform, WorldPose, signal};

use crate::leg::{FullTurn, LegPose, knee_axis, turn_leg};
use crate::transfer::move_joint;

/// Changes of posture. All zero (and a width of 1) leaves the motion as it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Posture {
    /// Turns hips that jut back forward, below a trunk that stays; negative the other way, degrees.
    pub hips_forward_deg: f64,
    /// Bends the spine forward, evenly; the head goes on looking where it looks, degrees.
    pub stoop_deg: f64,
    /// Raises the shoulders at the clavicles; the upper arms keep their directions, degrees.
    pub shoulders_up_deg: f64,
    /// Spreads the arms away from the trunk, degrees.
    pub arms_out_deg: f64,
    /// Distance of the feet from the middle of the body, as a factor.
    pub stance_width: f64,
    /// Bows the head, spread over the neck, degrees.
    pub head_down_deg: f64,
    /// Turns the head to the body's left, spread over the neck, degrees.
    pub head_left_deg: f64,
}

impl Default for Posture {
    fn default() -> Self {
        Self {
            hips_forward_deg: 0.0,
            stoop_deg: 0.0,
            shoulders_up_deg: 0.0,
            arms_out_deg: 0.0,
            stance_width: 1.0,
            head_down_deg: 0.0,
            head_left_deg: 0.0,
        }
    }
}

/// The character whose posture is changed, Y up.
#[derive(Clone, Copy)]
pub struct Poser<'a> {
    /// The joints.
    pub skeleton: &'a Skeleton,
    /// Their meaning.
    pub body: &'a Body,
    /// Its rest pose.
    pub rest: &'a WorldPose,
}

/// The directions of a part of the trunk in one frame, world, unit vectors.
#[derive(Clone, Copy)]
struct Directions {
    left: DVec3,
    up: DVec3,
    forward: DVec3,
}

impl Poser<'_> {
    /// Changes the posture in every frame. `knee_priors` are the likely knee axes of the legs, in
    /// coordinates of the thighs.
    pub fn apply(&self, clip: &mut Clip, posture: &Posture, knee_priors: &[DVec3]) {
        if *posture == Posture::default() {
            return;
        }
        let worlds = clip.worlds();
        let axes = self.knee_axes(&worlds, knee_priors);
        for (frame, world) in worlds.into_iter().enumerate() {
            self.pose(clip.frame_mut(frame), world, posture, &axes);
        }
    }

    /// Shifts trunk, head and arms frame by frame, metres; the legs give way and the feet stay.
    pub fn shift(&self, clip: &mut Clip, shifts: &[DVec3], knee_priors: &[DVec3]) {
        if shifts.iter().all(|shift| *shift == DVec3::ZERO) {
            return;
        }
        let worlds = clip.worlds();
        let axes = self.knee_axes(&worlds, knee_priors);
        for (frame, (mut world, shift)) in worlds.into_iter().zip(shifts).enumerate() {
            if *shift != DVec3::ZERO {
                let locals = clip.frame_mut(frame);
                let ankles = self.ankles(&world);
                move_joint(self.skeleton, locals, &world, self.body.root, *shift);
                world.update(self.skeleton, locals);
                self.reach(locals, &mut world, &ankles, 0.0, &axes);
            }
        }
    }

    fn knee_axes(&self, worlds: &[WorldPose], priors: &[DVec3]) -> Vec<DVec3> {
        let legs = self.body.legs.iter().zip(priors);
        legs.map(|(leg, prior)| knee_axis(worlds.iter().map(|w| thigh_and_shank(w, leg)), *prior))
            .collect()
    }

    fn ankles(&self, world: &WorldPose) -> Vec<DVec3> {
        let legs = self.body.legs.iter();
        legs.map(|leg| world.position(leg.ankle)).collect()
    }

    fn pose(
        &self,
        locals: &mut [Transform],
        mut world: WorldPose,
        posture: &Posture,
        axes: &[DVec3],
    ) {
        let ankles = self.ankles(&world);
        if posture.hips_forward_deg != 0.0 {
            self.turn_hips(locals, &mut world, posture.hips_forward_deg.to_radians());
        }
        if posture.hips_forward_deg != 0.0 || posture.stance_width != 1.0 {
            let wider = posture.stance_width - 1.0;
            self.reach(locals, &mut world, &ankles, wider, axes);
        }
        if posture.stoop_deg != 0.0 {
            self.stoop(locals, &mut world, posture.stoop_deg.to_radians());
        }
        if posture.head_down_deg != 0.0 || posture.head_left_deg != 0.0 {
            self.turn_head(locals, &mut world, posture);
        }
        if posture.shoulders_up_deg != 0.0 || posture.arms_out_deg != 0.0 {
            self.turn_arms(locals, &mut world, posture);
        }
    }

    fn directions(&self, world: &WorldPose, joint: usize) -> Directions {
        let turn = world.rotation(joint) * self.rest.rotation(joint).inverse();
        let frame = &self.body.frame;
        Directions {
            left: turn * frame.left(),
            up: turn * frame.up,
            forward: turn * frame.forward,
        }
    }

    fn chest(&self) -> usize {
        self.body.spine.last().copied().unwrap_or(self.body.pelvis)
    }

    /// Turns a joint and all below it by a world rotation.
    fn turn(&self, locals: &mut [Transform], world: &WorldPose, joint: usize, turn: DQuat) {
        let parent = world.parent_rotation(self.skeleton, joint);
        let rotation = parent.inverse() * turn * world.rotation(joint);
        locals[joint].rotation = rotation.normalize();
    }

    /// Gives a joint back the world rotation it had in another pose.
    fn hold(&self, locals: &mut [Transform], now: &WorldPose, joint: usize, before: &WorldPose) {
        let parent = now.parent_rotation(self.skeleton, joint);
        locals[joint].rotation = (parent.inverse() * before.rotation(joint)).normalize();
    }

    fn turn_hips(&self, locals: &mut [Transform], world: &mut WorldPose, angle: f64) {
        let before = world.clone();
        let pelvis = self.body.pelvis;
        let left = self.directions(world, pelvis).left;
        self.turn(locals, world, pelvis, DQuat::from_axis_angle(left, -angle));
        world.update(self.skeleton, locals);
        let lowest = self.body.spine.first().copied();
        let lowest = lowest.filter(|&joint| self.skeleton.is_at_or_above(pelvis, joint));
        if let Some(lowest) = lowest {
            let shift = before.position(lowest) - world.position(lowest);
            move_joint(self.skeleton, locals, world, self.body.root, shift);
            self.hold(locals, world, lowest, &before);
            world.update(self.skeleton, locals);
        }
        for leg in &self.body.legs {
            self.hold(locals, world, leg.hip, &before);
        }
        world.update(self.skeleton, locals);
    }

    /// Brings the ankles back to where they were, `wider` times their distance from the middle
    /// further out. Feet keep their directions.
    fn reach(
        &self,
        locals: &mut [Transform],
        world: &mut WorldPose,
        ankles: &[DVec3],
        wider: f64,
        axes: &[DVec3],
    ) {
        let left = self.directions(world, self.body.pelvis).left;
        let level = DVec3::new(left.x, 0.0, left.z).normalize_or_zero();
        let middle = self.body.mid_hip(world);
        for ((leg, &ankle), &axis) in self.body.legs.iter().zip(ankles).zip(axes) {
            let target = ankle + level * (wider * (ankle - middle).dot(level));
            let pose = LegPose {
                thigh: world.position(leg.knee) - world.position(leg.hip),
                shank: world.position(leg.ankle) - world.position(leg.knee),
                axis: world.rotation(leg.hip) * axis,
            };
            let turn = FullTurn {
                leg: pose.reach_for(target - world.position(leg.hip)),
                foot: DQuat::IDENTITY,
                toes: DQuat::IDENTITY,
            };
            turn_leg(locals, world, leg, &turn);
        }
        world.update(self.skeleton, locals);
    }

    fn stoop(&self, locals: &mut [Transform], world: &mut WorldPose, angle: f64) {
        let before = world.clone();
        let left = self.directions(world, self.chest()).left;
        let joints = &self.body.spine;
        self.bend(locals, world, joints, left * angle);
        let above = self.body.neck.first().copied().or(self.body.head);
        if let Some(above) = above {
            self.hold(locals, world, above, &before);
            world.update(self.skeleton, locals);
        }
    }

    /// Turns a chain of joints so that the last has turned by the whole rotation vector (world,
    /// radians) and those before it by their shares.
    fn bend(
        &self,
        locals: &mut [Transform],
        world: &mut WorldPose,
        joints: &[usize],
        whole: DVec3,
    ) {
        let step = DQuat::from_scaled_axis(whole / joints.len().max(1) as f64);
        for &joint in joints {
            self.turn(locals, world, joint, step);
            world.update(self.skeleton, locals);
        }
    }

    fn turn_head(&self, locals: &mut [Transform], world: &mut WorldPose, posture: &Posture) {
        let chest = self.directions(world, self.chest());
        let mut joints = self.body.neck.clone();
        joints.extend(self.body.head);
        let whole = chest.left * posture.head_down_deg.to_radians()
            + chest.up * posture.head_left_deg.to_radians();
        self.bend(locals, world, &joints, whole);
    }

    fn turn_arms(&self, locals: &mut [Transform], world: &mut WorldPose, posture: &Posture) {
        let forward = self.directions(world, self.chest()).forward;
        for arm in &self.body.arms {
            let outward = if arm.side == Side::Right { -1.0 } else { 1.0 };
            let about =
                |degrees: f64| DQuat::from_axis_angle(forward, outward * degrees.to_radians());
            if let Some(&clavicle) = arm.clavicle.first() {
                let before = world.clone();
                self.turn(locals, world, clavicle, about(posture.shoulders_up_deg));
                world.update(self.skeleton, locals);
                self.hold(locals, world, arm.shoulder, &before);
                world.update(self.skeleton, locals);
            }
            self.turn(locals, world, arm.shoulder, about(posture.arms_out_deg));
            world.update(self.skeleton, locals);
        }
    }
}

/// Thigh and shank in the thigh's coordinates, metres.
fn thigh_and_shank(world: &WorldPose, leg: &Leg) -> (DVec3, DVec3) {
    let to_thigh = world.rotation(leg.hip).inverse();
    let [hip, knee, ankle] = [leg.hip, leg.knee, leg.ankle].map(|joint| world.position(joint));
    (to_thigh * (knee - hip), to_thigh * (ankle - knee))
}

/// Lean of a standing pelvis that is taken for a fault of the capture, degrees (common practice).
pub const LEANING_DEG: f64 = 4.0;

/// Part of the length of a leg from which it counts as straight (common practice): a knee bent by
/// about 25 degrees.
const STRAIGHT: f64 = 0.976;

/// How far the pelvis leans forward of its rest pose while the body stands with straight legs,
/// degrees: the median over those frames in `standing`; `None` where there are none. A bow of less
/// than half of them does not count, nor does a crouch.
///
/// A performer at rest stands upright: so this is the `hips_forward_deg` that would put hips right
/// that jut back because markers sat too low or the rest pose is wrong.
pub fn standing_lean_deg(clip: &Clip, body: &Body, standing: &[bool]) -> Option<f64> {
    let rest = clip.skeleton.rest_world();
    let is_straight = |world: &WorldPose| {
        let legs = body.legs.iter().filter(|leg| leg.pair == 0);
        legs.map(|leg| {
            let reach_m = world.position(leg.hip).distance(world.position(leg.ankle));
            reach_m / leg.length_m(&rest)
        })
        .all(|share| share > STRAIGHT)
    };
    let frames = standing.iter().enumerate().filter(|(_, stands)| **stands);
    let leans: Vec<f64> = frames
        .map(|(frame, _)| clip.world(frame))
        .filter(is_straight)
        .map(|world| {
            let turn = world.rotation(body.pelvis) * rest.rotation(body.pelvis).inverse();
            let up = turn * body.frame.up;
            // Ahead is where the pelvis looks, without its lean.
            let left = turn * body.frame.left();
            let ahead = left.cross(body.frame.up).normalize_or(body.frame.forward);
            up.dot(ahead).atan2(up.dot(body.frame.up)).to_degrees()
        })
        .collect();
    signal::median(&leans)
}
