//! A clip solved in few of its frames first: what gives way where, and how far, is known from there when
//! all frames are solved.
//!
//! Turns of joints change over no less time than a fade, so few frames tell them; all frames then need
//! few rounds, and each round of all frames costs as much as many of the few (a multigrid of two levels,
//! Brandt 1977, doi 10.1090/S0025-5718-1977-0431719-X).

use std::sync::Arc;

use understudy_motion::angle::short_turn;
use understudy_motion::{Clip, DQuat, DVec3, WorldPose};

use super::{Again, Begin, Cast, Ground, Wanted};
use crate::retarget::SolveError;
use crate::touch::TouchSettings;
use crate::touch::find::Moving;
use crate::touch::goals::Goal;
use crate::watch::Watch;

/// Time between the few frames, as a share of a fade.
const STEP_FADES: f64 = 0.5;

/// Where more than this share of touches is missed in the few frames, these tell nothing: skins that tip from
/// one place to another do so in all frames otherwise.
const MISSED: f64 = 0.1;

/// Of fewer frames than this all are solved at once.
const LEAST: usize = 4;

/// What few frames tell of all.
pub(super) struct Guess {
    pub(super) clip: Clip,
    /// Frame by frame, what was inside and came out.
    pub(super) again: Vec<Again>,
}

/// Every few frames of a clip.
struct Thin {
    step: usize,
    count: usize,
}

impl Thin {
    fn frames(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.count).map(|at| at * self.step)
    }

    fn worlds(&self, worlds: &[WorldPose]) -> Vec<WorldPose> {
        self.frames().map(|frame| worlds[frame].clone()).collect()
    }

    /// A goal in these frames; one that falls between two of them is put on the first of these.
    fn goal(&self, goal: &Goal) -> Option<Goal> {
        let last = self.count - 1;
        let to = (goal.touch.last / self.step).min(last);
        let from = goal.touch.first.div_ceil(self.step).min(to);
        let begin = goal.frames.first()?.frame;
        let frames = goal.frames.iter();
        let frames = frames.filter(|frame| frame.frame.is_multiple_of(self.step));
        let frames = frames.filter(|frame| frame.frame / self.step <= last);
        let mut frames: Vec<_> = frames.cloned().collect();
        for frame in &mut frames {
            frame.frame /= self.step;
            if frame.frame == from {
                // What touches in it, where it is a little before or after the touch.
                let held = (frame.frame * self.step).clamp(goal.touch.first, goal.touch.last);
                *frame = goal.frames.get(held - begin)?.clone();
                frame.frame = from;
            }
        }
        let mut goal = Goal {
            frames,
            ..goal.clone()
        };
        (goal.touch.first, goal.touch.last) = (from, to);
        let is_whole = goal.frames.iter().any(|frame| frame.is_touch);
        is_whole.then_some(goal)
    }
}

impl Cast<'_> {
    /// The clip as wanted, about: few frames are solved, and all between them follow. `None` where the clip
    /// is too short for that, or where it is not told so.
    pub(super) fn thin(
        &self,
        wanted: &Wanted<'_>,
        settings: &TouchSettings,
        clip: &Clip,
        watch: Watch<'_>,
    ) -> Result<Option<Guess>, SolveError> {
        let step = (STEP_FADES * settings.fade_secs / clip.frame_time_secs).round() as usize;
        let count = (clip.frame_count() - 1) / step.max(1) + 1;
        if step < 2 || count < LEAST {
            return Ok(None);
        }
        let thin = Thin { step, count };
        let secs = clip.frame_time_secs * step as f64;
        let worlds = [&self.performer, &self.character].map(|moving| thin.worlds(moving.worlds));
        let cast = Cast {
            performer: in_few(&self.performer, &worlds[0], secs),
            character: in_few(&self.character, &worlds[1], secs),
            body: self.body,
            limits: self.limits,
            floor: self.floor,
            skin: self.skin,
        };
        let goals: Vec<Goal> = wanted
            .goals
            .iter()
            .filter_map(|goal| thin.goal(goal))
            .collect();
        let ground: Vec<Ground> = thin
            .frames()
            .filter_map(|frame| wanted.ground.get(frame).cloned())
            .collect();
        let apart = wanted.apart.as_ref();
        let few = Wanted {
            movers: wanted.movers,
            apart: apart.and_then(|_| cast.apart(&goals, wanted.movers)),
            goals,
            ground: &ground,
            begin: Begin::Few,
        };
        let locals = thin.frames().flat_map(|frame| clip.frame(frame).to_vec());
        let bare = Clip::new(Arc::clone(&clip.skeleton), secs, locals.collect())?;
        let mut solved = bare.clone();
        let done = cast.solve(few, settings, &mut solved, watch)?;
        if done.missed() > MISSED {
            return Ok(None);
        }
        let nearest = |frame: usize| ((frame + step / 2) / step).min(count - 1);
        Ok(Some(Guess {
            clip: spread(clip, [&bare, &solved], step),
            again: (0..clip.frame_count())
                .map(|frame| done.again[nearest(frame)].clone())
                .collect(),
        }))
    }
}

/// A body in few of its frames.
fn in_few<'a>(moving: &Moving<'a>, worlds: &'a [WorldPose], frame_time_secs: f64) -> Moving<'a> {
    Moving {
        parts: moving.parts.clone(),
        flesh: Arc::clone(&moving.flesh),
        rest: moving.rest,
        worlds,
        frame_time_secs,
    }
}

/// A clip with the turns between two others that hold every `step`th of its frames: what lies between is
/// a cubic (Catmull and Rom 1974) of rotation vectors, and after the last all stays.
fn spread(clip: &Clip, [bare, solved]: [&Clip; 2], step: usize) -> Clip {
    let joints = clip.skeleton.len();
    let last = bare.frame_count() - 1;
    let turns: Vec<Vec<DVec3>> = (0..=last)
        .map(|at| {
            let both = bare.frame(at).iter().zip(solved.frame(at));
            let turn =
                both.map(|(bare, solved)| short_turn(bare.rotation.inverse() * solved.rotation));
            turn.collect()
        })
        .collect();
    let mut all = clip.clone();
    for frame in 0..clip.frame_count() {
        let at = (frame / step).min(last);
        let share = ((frame - at * step) as f64 / step as f64).min(1.0);
        let four = [
            at.saturating_sub(1),
            at,
            (at + 1).min(last),
            (at + 2).min(last),
        ];
        let locals = all.frame_mut(frame);
        for joint in 0..joints {
            let [a, b, c, d] = four.map(|at| turns[at][joint]);
            if [a, b, c, d] == [DVec3::ZERO; 4] {
                continue;
            }
            let (one, two) = ((c - a) * 0.5, (d - b) * 0.5);
            let rise = c - b;
            let turn = b
                + (one + (rise * 3.0 - one * 2.0 - two + (one + two - rise * 2.0) * share) * share)
                    * share;
            let rotation = locals[joint].rotation * DQuat::from_scaled_axis(turn);
            locals[joint].rotation = rotation.normalize();
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::touch::goals::{GoalFrame, Meet, Target};
    use crate::touch::skin::SkinPoint;
    use crate::touch::{Touch, TouchEnd, TouchPart};
    use understudy_anatomy::Side;
    use understudy_motion::{Joint, Skeleton, Transform};

    const STEP: usize = 6;

    /// Two joints that sway, and the same with a turn laid over the second.
    fn clips(frames: usize, turn: impl Fn(f64) -> DVec3) -> [Clip; 2] {
        let joints = vec![
            Joint::new("hip", None, DVec3::new(0.0, 1.0, 0.0)),
            Joint::new("knee", Some(0), DVec3::new(0.0, -0.5, 0.0)),
        ];
        let skeleton = Arc::new(Skeleton::new(joints).expect("a tree"));
        let clip = |is_turned: bool| {
            let locals = (0..frames).flat_map(|frame| {
                let mut locals: Vec<Transform> = skeleton.rest_locals();
                let secs = frame as f64 / 60.0;
                locals[1].rotation = DQuat::from_rotation_x((7.0 * secs).sin());
                if is_turned {
                    locals[1].rotation *= DQuat::from_scaled_axis(turn(secs));
                }
                locals
            });
            Clip::new(Arc::clone(&skeleton), 1.0 / 60.0, locals.collect()).expect("finite")
        };
        [clip(false), clip(true)]
    }

    fn few(clip: &Clip) -> Clip {
        let frames = (0..clip.frame_count()).step_by(STEP);
        let locals = frames.flat_map(|frame| clip.frame(frame).to_vec());
        let secs = clip.frame_time_secs * STEP as f64;
        Clip::new(Arc::clone(&clip.skeleton), secs, locals.collect()).expect("finite")
    }

    fn worst_rad(turn: impl Fn(f64) -> DVec3) -> f64 {
        let [bare, turned] = clips(61, turn);
        let all = spread(&bare, [&few(&bare), &few(&turned)], STEP);
        let angle = |frame: usize| {
            let [is, was] = [&all, &turned].map(|clip| clip.frame(frame)[1].rotation);
            short_turn(is.inverse() * was).length()
        };
        (0..61).map(angle).fold(0.0, f64::max)
    }

    /// Catmull and Rom's cubic is exact for quadratics inside, and for what does not change everywhere.
    #[test]
    fn turns_are_spread_over_the_frames_between() {
        assert!(worst_rad(|_| DVec3::new(0.3, -0.2, 0.1)) < 1e-9);
        // A swell of a second: a tenth of a second tells it to less than a degree.
        let swell = |secs: f64| DVec3::Y * 0.4 * (std::f64::consts::PI * secs).sin();
        let worst = worst_rad(swell);
        assert!(worst > 1e-6 && worst < 0.017, "{worst}");
    }

    fn goal(first: usize, last: usize) -> Goal {
        let end = |part| TouchEnd {
            part,
            side: Side::Left,
            pair: 0,
            along: 0.5,
        };
        let frame = |frame: usize| GoalFrame {
            frame,
            place: Meet {
                point: SkinPoint::rigid(1, DVec3::X * frame as f64),
                target: Target::World(DVec3::ZERO),
                normal: DVec3::Y,
                normal_joint: None,
            },
            gap_m: 0.0,
            weight: 1.0,
            is_touch: (first..=last).contains(&frame),
        };
        Goal {
            touch: Touch {
                from: end(TouchPart::Hand),
                to: end(TouchPart::Thigh),
                first,
                last,
            },
            from_part: 0,
            to_part: None,
            joint: 1,
            frames: (first - 5..=last + 5).map(frame).collect(),
        }
    }

    #[test]
    fn a_touch_stays_one_in_few_frames() {
        let thin = Thin {
            step: STEP,
            count: 11,
        };
        let seen = |first: usize, last: usize| {
            let goal = thin.goal(&goal(first, last)).expect("a touch");
            let touching = goal.frames.iter().filter(|frame| frame.is_touch);
            let touching: Vec<usize> = touching.map(|frame| frame.frame).collect();
            ((goal.touch.first, goal.touch.last), touching)
        };
        assert_eq!(seen(12, 30), ((2, 5), vec![2, 3, 4, 5]));
        assert_eq!(seen(13, 29), ((3, 4), vec![3, 4]));
        // Between two of the few, and after the last of them.
        assert_eq!(seen(14, 16), ((2, 2), vec![2]));
        assert_eq!(seen(61, 64), ((10, 10), vec![10]));
    }
}
