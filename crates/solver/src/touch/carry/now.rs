//! Touches in one frame and those around it, soon and about: what a change of them does is told by the
//! same terms before and after it.
//!
//! The skins are not looked at, but where parts are to be kept apart from now on. How far the two places of a
//! touch are apart when the skins meet is taken from the result before the change, or looked up in one frame
//! where the touch is new.

use std::sync::atomic::{AtomicBool, AtomicUsize};

use understudy_motion::{Clip, Transform};

use super::{
    Begin, CLOSE, Cast, Goal, Ground, JointLimits, Movers, Problem, STEPS_AGAIN, Touch, Wanted,
    WindowSolver, ends_of,
};
use crate::retarget::SolveError;
use crate::touch::TouchSettings;
use crate::touch::turns::{Limbs, Turns};
use crate::watch::Watch;

/// Steps from the result before the change, which is near.
const STEPS_NOW: usize = 5;

/// Times the skins of a new touch are looked at.
const LOOKS: usize = 5;

/// Angle of a joint beyond its range that costs 1, radians.
const LIMIT_NOW: f64 = 0.02;

/// Some frames of a clip, as in [`Cast::carry`].
#[derive(Clone, Copy)]
pub(crate) struct Frames<'a> {
    /// Nothing touches.
    pub(crate) bare: &'a Clip,
    /// As before the change.
    pub(crate) solved: &'a Clip,
    /// The frame that is asked for.
    pub(crate) at: usize,
}

/// How far the places of a touch are apart along their normal when the skins meet, per frame of the
/// touch, metres.
#[derive(Clone, Debug)]
pub(crate) struct Known {
    touch: Touch,
    biases_m: Vec<f64>,
}

impl Known {
    /// From a result in which the skins are `gap_m(frame)` apart, metres.
    pub(crate) fn new(goal: &Goal, solved: &Clip, gap_m: impl Fn(usize) -> f64) -> Self {
        let touching = goal.frames.iter().filter(|frame| frame.is_touch);
        let biases_m = touching.map(|frame| {
            let world = solved.world(frame.frame);
            let place = &frame.place;
            place.miss(&world).dot(place.normal(&world)) - gap_m(frame.frame)
        });
        Self {
            touch: goal.touch,
            biases_m: biases_m.collect(),
        }
    }

    /// Of a touch of the same places, at a frame or the nearest of it.
    fn bias_m(&self, touch: &Touch, frame: usize) -> Option<f64> {
        let own = &self.touch;
        let is_same = own.from == touch.from && own.to == touch.to;
        let meets = own.first <= touch.last && touch.first <= own.last;
        let at = frame.clamp(own.first, own.last) - own.first;
        self.biases_m.get(at).copied().filter(|_| is_same && meets)
    }
}

impl Cast<'_> {
    /// Where touches lie on the character, as far as it has parts for them.
    pub(crate) fn goals(&self, touches: &[Touch], settings: &TouchSettings) -> Vec<Goal> {
        let pair = self.pair();
        let touches = touches.iter().filter(|touch| !touch.is_rest());
        touches
            .filter_map(|touch| pair.goal(touch, settings))
            .collect()
    }

    /// Takes parts out of each other in a few frames that go through each other, legs first, soon and about; what
    /// touches in them goes on to touch. `ground` frame by frame.
    ///
    /// # Errors
    /// Numbers out of range.
    pub(crate) fn clear_now(
        &self,
        touches: &[Touch],
        ground: &[Ground],
        settings: &TouchSettings,
        clip: &mut Clip,
    ) -> Result<(), SolveError> {
        for (movers, goals, ground) in [
            (Movers::Legs, Vec::new(), ground),
            (Movers::Arms, self.goals(touches, settings), &[]),
        ] {
            let wanted = Wanted {
                movers,
                apart: self.apart(&goals, movers),
                goals,
                ground,
                begin: Begin::Soon,
            };
            self.solve(wanted, settings, clip, Watch::nobody())?;
        }
        Ok(())
    }

    /// As [`Cast::rest_legs`] in a few frames, soon and about.
    ///
    /// # Errors
    /// Numbers out of range.
    pub(crate) fn rest_legs_now(
        &self,
        touches: &[Touch],
        ground: &[Ground],
        settings: &TouchSettings,
        clip: &mut Clip,
    ) -> Result<(), SolveError> {
        let here = (settings, Begin::Soon);
        self.rest_legs_from(touches, ground, here, clip, Watch::nobody())
    }

    /// Local transforms of a frame with touches as [`Cast::carry`] would have them, about.
    ///
    /// # Errors
    /// Numbers out of range.
    pub(crate) fn pose_now(
        &self,
        goals: &[Goal],
        known: &[Known],
        settings: &TouchSettings,
        frames: Frames<'_>,
    ) -> Result<Vec<Transform>, SolveError> {
        let Frames { bare, solved, at } = frames;
        let pair = self.pair();
        if goals.is_empty() {
            return Ok(bare.frame(at).to_vec());
        }
        let count = bare.frame_count();
        let ends = ends_of(goals);
        let turns = Turns::new(
            &bare.skeleton,
            self.body,
            self.character.rest,
            self.character.worlds,
            &ends,
            &Limbs::default(),
            settings.reach,
        );
        let solver = WindowSolver {
            clip: bare,
            pair: &pair,
            movers: Movers::Arms,
            apart: None,
            ground: &[],
            body: self.body,
            limits: self.limits,
            settings,
            rounds: AtomicUsize::new(0),
            is_stopped: AtomicBool::new(false),
        };
        let size_m = solver.size_m(goals, &Limbs::default());
        let values =
            (0..count).flat_map(|frame| turns.between(bare.frame(frame), solved.frame(frame)));
        let none = |goal: &Goal| vec![Vec::new(); goal.frames.len()];
        let mut problem = Problem {
            clip: bare,
            first: 0,
            last: count - 1,
            turns: &turns,
            goals,
            biases: vec![Vec::new(); goals.len()],
            pairs: goals.iter().map(none).collect(),
            outsides: vec![Vec::new(); count],
            held: vec![Vec::new(); count],
            over: vec![Vec::new(); count],
            limits: JointLimits::default(),
            weights: solver.weights(goals, size_m),
            values: values.collect(),
            stay: None,
        };
        let mut news = Vec::new();
        for (index, goal) in goals.iter().enumerate() {
            let bias_m = |frame: usize| {
                let mut all = known.iter();
                all.find_map(|known| known.bias_m(&goal.touch, frame))
            };
            if bias_m(goal.touch.first).is_none() {
                news.push(index);
            }
            problem.biases[index] = biases(goal, settings, |frame| bias_m(frame).unwrap_or(0.0));
        }
        problem.minimise(STEPS_NOW, &solver.is_stopped)?;
        for _ in 0..LOOKS {
            let mut is_met = true;
            for &index in &news {
                let goal = &goals[index];
                let frame = at.clamp(goal.touch.first, goal.touch.last);
                let Some(here) = goal.frames.iter().find(|here| here.frame == frame) else {
                    continue;
                };
                let world = problem.world(frame);
                let place = &here.place;
                let nearest = solver.nearest(goal, place, &world, None, &[]);
                let gap_m = match nearest.first() {
                    Some(nearest) => nearest.gap_m,
                    None => place.miss(&world).length(),
                };
                let bias_m = place.miss(&world).dot(place.normal(&world)) - gap_m;
                problem.biases[index] = biases(goal, settings, |_| bias_m);
                is_met &= (gap_m - here.gap_m).abs() < CLOSE * size_m;
            }
            if is_met {
                break;
            }
            problem.minimise(STEPS_AGAIN, &solver.is_stopped)?;
        }
        let limits = solver.limits(&turns, [0, count - 1]);
        if problem.beyond(&limits) > 0.0 {
            problem.limits = limits;
            problem.weights.limit = LIMIT_NOW;
            problem.minimise(STEPS_NOW, &solver.is_stopped)?;
        }
        Ok(problem.locals(at))
    }
}

/// The same goals with another clearance, metres.
pub(crate) fn cleared(goals: &[Goal], [from_m, to_m]: [f64; 2]) -> Vec<Goal> {
    let mut goals = goals.to_vec();
    for frame in goals.iter_mut().flat_map(|goal| &mut goal.frames) {
        frame.gap_m += to_m - from_m;
    }
    goals
}

/// Biases of the frames of a goal (`Problem::biases`) from those of its touch.
fn biases(goal: &Goal, settings: &TouchSettings, bias_m: impl Fn(usize) -> f64) -> Vec<f64> {
    let touch = &goal.touch;
    let frames = goal.frames.iter().map(|frame| {
        // Before and after, the places are as far apart as at the ends of the touch.
        let kept_m = match frame.is_touch {
            true => 0.0,
            false => settings.clearance_m,
        };
        bias_m(frame.frame.clamp(touch.first, touch.last)) + kept_m
    });
    frames.collect()
}
