//! Carries touches over: goals on the character's surface, one solve for each window of frames around
//! them, and what is left between the surfaces.

pub(super) mod now;
mod thin;

use std::num::NonZero;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread;
use std::time::Duration;

use serde::Serialize;
use understudy_anatomy::Body;
use understudy_motion::{Clip, DVec3, Skeleton, Surface, Transform, WorldPose};
use understudy_overlap::{Parts, SkinParts};

use super::apart::{Again, Apart, Limb, Movers, Outside, Pairs};
use super::find::{Moving, flesh_of};
use super::goals::{Goal, Meet, Pair, Target};
use super::limits::{BodyLimits, JointLimits};
use super::problem::{Problem, Weights};
use super::skin::{Flesh, Nearest, SkinPoint};
use super::turns::{Limbs, Turns};
use super::{Touch, TouchEnd, TouchPart, TouchSettings};
use thin::Guess;

use crate::banded::NotPositive;
use crate::contacts::{cut, runs};
use crate::floor::Floor;
use crate::retarget::SolveError;
use crate::watch::Watch;

/// A touch on the character, and what is left of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CarriedTouch {
    /// The touch of the take.
    pub touch: Touch,
    /// Distance of the two surfaces, frame by frame from the first, metres; below 0 the depth to
    /// which they go into each other. Without a skin, the distance of the two places.
    pub gaps_m: Vec<f64>,
    /// The same as it was before touches were carried over.
    pub gaps_before_m: Vec<f64>,
}

impl CarriedTouch {
    /// The touch in a part of the clip, `first..=last`, in the part's own frames; `None` where it
    /// lies outside.
    pub fn within(&self, [first, last]: [usize; 2]) -> Option<Self> {
        let touch = &self.touch;
        let (from, to) = cut((touch.first, touch.last), [first, last])?;
        let kept = |gaps: &[f64]| {
            let gaps = gaps.iter().skip(first + from - touch.first);
            gaps.take(to - from + 1).copied().collect()
        };
        Some(Self {
            touch: Touch {
                first: from,
                last: to,
                ..*touch
            },
            gaps_m: kept(&self.gaps_m),
            gaps_before_m: kept(&self.gaps_before_m),
        })
    }
}

/// One body in its world.
#[derive(Clone, Copy)]
pub(crate) struct Actor<'a> {
    pub(crate) body: &'a Body,
    pub(crate) rest: &'a WorldPose,
    pub(crate) worlds: &'a [WorldPose],
    pub(crate) skeleton: &'a Skeleton,
}

impl<'a> Actor<'a> {
    fn moving(&self, flesh: Arc<Flesh>, frame_time_secs: f64) -> Moving<'a> {
        Moving::new(
            self.body,
            flesh,
            self.rest,
            self.worlds,
            self.skeleton,
            frame_time_secs,
        )
    }
}

/// Performer and character, Y up.
pub(crate) struct Stage<'a> {
    pub(crate) performer: Actor<'a>,
    /// The character in plain transfer.
    pub(crate) character: Actor<'a>,
    pub(crate) surface: Option<&'a Surface>,
    /// The character's flesh.
    pub(crate) flesh: &'a Arc<Flesh>,
    /// The skin in parts, where parts shall stay out of each other.
    pub(crate) skin: Option<&'a (SkinParts, Parts)>,
    /// How far the character's joints go; `None` where they may go anywhere.
    pub(crate) limits: Option<&'a BodyLimits>,
    pub(crate) floor: Floor,
    pub(crate) frame_time_secs: f64,
}

/// Rounds in which the nearest points of the two skins are looked for again.
const ROUNDS: usize = 30;
/// The same where the skins touch already, about.
const ROUNDS_AGAIN: usize = 8;
/// The same where it must be answered soon.
const ROUNDS_SOON: usize = 6;

/// Share of a solve in which few of its frames are solved, about.
const THIN: f64 = 0.2;

/// How much smoother than the turns themselves each round's change of them is; twice as much in each,
/// and after so many rounds as at first. Else a hand on few points, such as claws, tips from one to the
/// others for ever (a proximal term, Rockafellar 1976, doi 10.1137/0314056).
const STAY: f64 = 3.0;
const ROW: usize = 10;

/// Points of the skin that are looked at again in each frame: those that were nearest in the last rounds.
const MOST_AGAIN: usize = 24;

/// Steps of the first solve, and of each round at most: the nearest points are others after a few.
const STEPS: usize = 12;
const STEPS_AGAIN: usize = 2;

/// Surfaces this far from each other, as a share of the arm, count as far as any.
const FAR: f64 = 0.02;

/// Surfaces this near to each other, as a share of the arm, touch.
const CLOSE: f64 = 4e-4;

/// Depth in another part that costs 1, and depth from which on a part is pulled out no harder, as shares of
/// the limb: where there are touches, which are kept first, of arms where there are none, and of legs. Arms
/// that are held out more firmly are thrown from side to side.
const DEPTH: [f64; 2] = [3.5e-3, 2e-3];
const DEPTH_ALONE: [f64; 2] = [2e-2, 2e-2];
const DEPTH_OF_LEGS: [f64; 2] = [1e-3, 1e-2];

/// Distance of what stands from where it stands that costs 1, likewise; at first more, falling by a share
/// each round: what is held firmly at once cannot turn about where it stands.
const HELD: f64 = 1e-5;
const HELD_FIRST: f64 = 2e-3;
const HELD_FALL: f64 = 0.7;

/// Depth of what stays over the floor that costs 1, likewise.
const OVER: f64 = 1e-4;

/// Rounds of touches alone; how much more than depth a missed touch counts when the best round is
/// chosen, and how much more what does not stand where it stood; from which round on depth pulls less while touches are missed, and how much less each time.
const TOUCHES_FIRST: usize = 5;
const FIRST: f64 = 30.0;
const STANDS: f64 = 1e3;
const GIVE_WAY_AFTER: usize = 20;
const GIVE_WAY: f64 = 0.8;

/// Depth that is left, as a share of the limb, and that is none, metres.
const DEEP: f64 = 2e-3;
const LEAST_M: f64 = 1e-4;

/// After so many rounds all pairs are looked at for what is inside what, else those of which something
/// was inside.
const ALL_ROUNDS: usize = 2;

/// A frame is not looked at again before a turn has become another by more than so much, radians: where
/// something was inside or touches, and where nothing was.
const STILL: f64 = 5e-4;
const STILL_FAR: f64 = 1e-3;

/// What touches have to be kept to before a row of rounds is the last: gaps, and depths of parts that touch
/// elsewhere, metres.
const KEPT_M: [f64; 2] = [1e-3, 2e-3];
/// Enough then is what leaves this of a frame, on average, and no part deeper than those that touch; or more
/// than this share of what the row before left.
const ENOUGH: f64 = 0.03;
const GAINED: f64 = 0.9;
/// From a guess rows are shorter, and one that leaves more than this share is the last anyway.
const ROW_FROM_GUESS: usize = 3;
const IDLE: f64 = 0.98;

/// Rounds in which joints are held back that were turned beyond their ranges; angle beyond that costs 1,
/// radians: at first, and its share of that from round to round; how much more of a touch may be missed for it
/// in each frame, on average, in shares of a frame that is missed; and how much deeper parts may be in each
/// other.
const LIMIT_ROUNDS: usize = 19;
const LIMIT_FIRST: f64 = 0.1;
const LIMIT_FALL: f64 = 0.8;
const MISSED_MORE: f64 = 0.02;
const DEEPER: f64 = 1.1;

/// How far around the goal two skins are looked at, in lengths of the touching part.
const AROUND: f64 = 1.0;

/// What a frame's legs stand on.
#[derive(Clone, Debug, Default)]
pub(crate) struct Ground {
    /// Points that stand, and where, world, metres.
    pub(crate) held: Vec<(SkinPoint, DVec3)>,
    /// Points that stay over the floor.
    pub(crate) over: Vec<(Meet, f64)>,
}

impl Ground {
    /// A point that stands where it is; joint, weight and the place in its coordinates, metres.
    pub(crate) fn hold(&mut self, shares: &[(usize, f64, DVec3)], world: &WorldPose) {
        let point = SkinPoint {
            shares: shares.to_vec(),
        };
        let place = point.world(world);
        self.held.push((point, place));
    }

    /// A point that sinks no deeper than it is, given likewise.
    pub(crate) fn keep_over(
        &mut self,
        shares: &[(usize, f64, DVec3)],
        world: &WorldPose,
        floor: &Floor,
    ) {
        let point = SkinPoint {
            shares: shares.to_vec(),
        };
        let at = point.world(world);
        let least_m = (floor.above(at) * floor.normal.y).min(0.0);
        let meet = Meet {
            point,
            target: Target::World(floor.below(at)),
            normal: floor.normal,
            normal_joint: None,
        };
        self.over.push((meet, least_m));
    }
}

/// Performer and character with their flesh.
pub(crate) struct Cast<'a> {
    performer: Moving<'a>,
    character: Moving<'a>,
    body: &'a Body,
    limits: Option<&'a BodyLimits>,
    floor: Floor,
    /// The skin, and the same in parts, where these shall stay out of each other.
    skin: Option<(&'a SkinParts, &'a Parts, &'a Surface)>,
}

impl<'a> Cast<'a> {
    pub(crate) fn new(stage: &Stage<'a>) -> Self {
        let skin = stage.skin.zip(stage.surface);
        let Actor {
            body,
            rest,
            skeleton,
            ..
        } = stage.performer;
        let flesh = flesh_of(body, None, rest, skeleton);
        Self {
            // Published girths tell distances in the take; its own skin, where it has one, is no better
            // known to be that of the performer.
            performer: stage.performer.moving(flesh, stage.frame_time_secs),
            character: stage
                .character
                .moving(Arc::clone(stage.flesh), stage.frame_time_secs),
            body: stage.character.body,
            limits: stage.limits,
            floor: stage.floor,
            skin: skin.map(|((skin, parts), surface)| (skin, parts, surface)),
        }
    }

    /// What of the character stays apart; `None` without a skin in parts.
    fn apart<'s>(&'s self, goals: &[Goal], movers: Movers) -> Option<Apart<'s>> {
        let bodies = [&self.performer, &self.character];
        Some(Apart::new(self.skin?, self.body, bodies, goals, movers))
    }

    fn pair(&self) -> Pair<'_> {
        Pair {
            performer: &self.performer,
            character: &self.character,
            floor: self.floor,
        }
    }

    /// Moves arms, and what gives way with them, so that every touch of the take is one of the character,
    /// and arms stay out of all else. Returns what is left of each, and touches that the character has no
    /// part for.
    ///
    /// With `start`, the same clip as it touches already, about, only what is left is sought from there.
    pub(crate) fn carry(
        &self,
        touches: &[Touch],
        settings: &TouchSettings,
        clip: &mut Clip,
        start: Option<&Clip>,
        watch: Watch<'_>,
    ) -> Result<(Vec<CarriedTouch>, Vec<Touch>), SolveError> {
        let pair = self.pair();
        // What the body rests on is held by pelvis and legs.
        let touches: Vec<&Touch> = touches.iter().filter(|touch| !touch.is_rest()).collect();
        let goals: Vec<Option<Goal>> = touches
            .iter()
            .map(|touch| pair.goal(touch, settings))
            .collect();
        let missing = touches
            .iter()
            .zip(&goals)
            .filter(|(_, goal)| goal.is_none());
        let missing = missing.map(|(touch, _)| **touch).collect();
        let goals: Vec<Goal> = goals.into_iter().flatten().collect();
        let wanted = Wanted {
            movers: Movers::Arms,
            apart: self.apart(&goals, Movers::Arms),
            goals,
            ground: &[],
            begin: start.map_or(Begin::Bare, Begin::Near),
        };
        let done = self.solve(wanted, settings, clip, watch)?;
        Ok((done.carried, missing))
    }

    /// Bends legs so that the knees and shanks that rest lie on the floor; what stands stays. `ground` frame
    /// by frame.
    pub(crate) fn rest_legs(
        &self,
        touches: &[Touch],
        ground: &[Ground],
        settings: &TouchSettings,
        clip: &mut Clip,
        watch: Watch<'_>,
    ) -> Result<(), SolveError> {
        self.rest_legs_from(touches, ground, (settings, Begin::Bare), clip, watch)
    }

    /// The same, from where it is begun.
    fn rest_legs_from(
        &self,
        touches: &[Touch],
        ground: &[Ground],
        (settings, begin): (&TouchSettings, Begin<'_>),
        clip: &mut Clip,
        watch: Watch<'_>,
    ) -> Result<(), SolveError> {
        let rests = touches.iter();
        let rests = rests.filter(|touch| touch.is_rest() && touch.from.part == TouchPart::Shank);
        let pair = self.pair();
        let mut goals: Vec<Goal> = rests
            .filter_map(|touch| pair.goal(touch, settings))
            .collect();
        if goals.is_empty() {
            return Ok(());
        }
        for goal in &mut goals {
            goal.stand(clip, &self.floor);
        }
        let wanted = Wanted {
            movers: Movers::Legs,
            goals,
            apart: None,
            ground,
            begin,
        };
        self.solve(wanted, settings, clip, watch)?;
        Ok(())
    }

    /// Moves legs out of each other and of the trunk; what stands stays. `ground` frame by frame.
    pub(crate) fn clear_legs(
        &self,
        ground: &[Ground],
        settings: &TouchSettings,
        clip: &mut Clip,
        watch: Watch<'_>,
    ) -> Result<(), SolveError> {
        let wanted = Wanted {
            movers: Movers::Legs,
            goals: Vec::new(),
            apart: self.apart(&[], Movers::Legs),
            ground,
            begin: Begin::Bare,
        };
        self.solve(wanted, settings, clip, watch)?;
        Ok(())
    }

    fn solve(
        &self,
        wanted: Wanted<'_>,
        settings: &TouchSettings,
        clip: &mut Clip,
        watch: Watch<'_>,
    ) -> Result<Solved, SolveError> {
        let pair = self.pair();
        let apart = wanted.apart.as_ref();
        let insides = apart.map(|apart| insides(apart, clip));
        let insides = insides.unwrap_or_default();
        let windows = windows(&wanted.goals, &insides, settings, clip);
        let thin = match wanted.begin {
            Begin::Bare if !windows.is_empty() => {
                self.thin(&wanted, settings, clip, watch.part(0.0, THIN))?
            }
            _ => None,
        };
        let (begin, watch) = match &thin {
            Some(guess) => (Begin::Guess(guess), watch.part(THIN, 1.0)),
            None => (wanted.begin, watch),
        };
        let rounds = windows.len() * (ROUNDS + 1);
        let solver = WindowSolver {
            clip,
            pair: &pair,
            movers: wanted.movers,
            apart,
            ground: wanted.ground,
            body: self.body,
            limits: self.limits,
            settings,
            rounds: AtomicUsize::new(0),
            is_stopped: AtomicBool::new(false),
        };
        // Windows do not overlap, so each may have a thread, and the result does not depend on them.
        let solved = thread::scope(|scope| {
            let solver = &solver;
            let running: Vec<_> = windows
                .into_iter()
                .map(|window| scope.spawn(move || solver.solve_best(window, begin)))
                .collect();
            // Who watches is asked here, for a watch does not leave its thread.
            let mut heard = Ok(());
            while heard.is_ok() && running.iter().any(|thread| !thread.is_finished()) {
                heard = watch.count(solver.rounds.load(Ordering::Relaxed), rounds);
                thread::sleep(POLL);
            }
            if heard.is_err() {
                solver.is_stopped.store(true, Ordering::Relaxed);
            }
            let joined = running.into_iter().map(|thread| match thread.join() {
                Ok(result) => result.map_err(SolveError::from),
                Err(panic) => std::panic::resume_unwind(panic),
            });
            let joined: Vec<Result<Window, SolveError>> = joined.collect();
            heard.map(|()| joined)
        })?;
        let mut done = Solved {
            carried: Vec::new(),
            again: vec![Again::new(); clip.frame_count()],
        };
        for window in solved {
            let window = window?;
            for (offset, locals) in window.locals.into_iter().enumerate() {
                clip.frame_mut(window.first + offset)
                    .copy_from_slice(&locals);
            }
            for (offset, again) in window.again.into_iter().enumerate() {
                done.again[window.first + offset] = again;
            }
            done.carried.extend(window.carried);
        }
        done.carried
            .sort_by_key(|carried| (carried.touch.first, carried.touch.last));
        Ok(done)
    }
}

/// What came of a solve.
struct Solved {
    carried: Vec<CarriedTouch>,
    /// Frame by frame, what was inside and came out.
    again: Vec<Again>,
}

impl Solved {
    /// Share of the frames of touches in which the surfaces do not meet.
    fn missed(&self) -> f64 {
        let gaps = || self.carried.iter().flat_map(|carried| &carried.gaps_m);
        let missed = gaps().filter(|gap_m| gap_m.abs() > KEPT_M[1]).count();
        missed as f64 / gaps().count().max(1) as f64
    }
}

/// What a solve is asked for.
struct Wanted<'a> {
    movers: Movers,
    goals: Vec<Goal>,
    apart: Option<Apart<'a>>,
    /// Frame by frame of the clip; empty where nothing stands.
    ground: &'a [Ground],
    begin: Begin<'a>,
}

/// Where a solve begins, and with that how far it has to go.
#[derive(Clone, Copy)]
enum Begin<'a> {
    /// Where nothing touches yet.
    Bare,
    /// The same with few frames of a clip.
    Few,
    /// From what few of the frames tell of all.
    Guess(&'a Guess),
    /// From the same clip as it touches already, about.
    Near(&'a Clip),
    /// It must be answered soon, and about: joints are not held back.
    Soon,
}

impl Begin<'_> {
    /// Whether touches have not found each other yet, and may take their time.
    fn is_bare(&self) -> bool {
        matches!(self, Self::Bare | Self::Few)
    }
}

/// Frames that hang together, with the touches in them.
#[derive(Clone)]
struct Window {
    first: usize,
    last: usize,
    goals: Vec<Goal>,
    /// Limbs that are inside another part.
    limbs: Vec<Limb>,
    locals: Vec<Vec<Transform>>,
    carried: Vec<CarriedTouch>,
    again: Vec<Again>,
    /// What is left of all, to compare, and how deep the deepest part is in another, metres; where parts are
    /// kept apart.
    left: f64,
    deepest_m: f64,
}

/// Windows of touches, and of limbs inside others, with time to fade around them; those that meet are
/// one.
fn windows(
    goals: &[Goal],
    insides: &[(usize, Vec<Limb>)],
    settings: &TouchSettings,
    clip: &Clip,
) -> Vec<Window> {
    let fade = (4.0 * settings.fade_secs / clip.frame_time_secs).ceil() as usize;
    let end = clip.frame_count() - 1;
    let mut is_in = vec![false; end + 1];
    let touches = goals.iter().map(|goal| (goal.touch.first, goal.touch.last));
    let inside = insides.iter().map(|(frame, _)| (*frame, *frame));
    for (first, last) in touches.chain(inside) {
        is_in[first.saturating_sub(fade)..=(last + fade).min(end)].fill(true);
    }
    let window = |(first, last): (usize, usize)| Window {
        first,
        last,
        goals: goals
            .iter()
            .filter(|goal| (first..=last).contains(&goal.touch.first))
            .cloned()
            .collect(),
        limbs: {
            let within = insides.iter();
            let within = within.filter(|(frame, _)| (first..=last).contains(frame));
            let mut limbs: Vec<Limb> = within.flat_map(|(_, limbs)| limbs.clone()).collect();
            limbs.sort_unstable();
            limbs.dedup();
            limbs
        },
        locals: Vec::new(),
        carried: Vec::new(),
        again: Vec::new(),
        left: 0.0,
        deepest_m: 0.0,
    };
    runs(&is_in).into_iter().map(window).collect()
}

/// Both ends of every touch.
fn ends_of(goals: &[Goal]) -> Vec<TouchEnd> {
    let goals = goals.iter();
    goals
        .flat_map(|goal| [goal.touch.from, goal.touch.to])
        .collect()
}

/// Frames in which something is inside what it stays out of, with the limbs that have to move.
fn insides(apart: &Apart<'_>, clip: &Clip) -> Vec<(usize, Vec<Limb>)> {
    let look = |frame: usize| {
        let found = apart.look(frame, &clip.world(frame), &mut Again::new(), Pairs::All);
        (found.deepest_m > LEAST_M).then_some((frame, found.limbs))
    };
    let frames: Vec<usize> = (0..clip.frame_count()).collect();
    shared(&frames, |frame| look(*frame))
        .into_iter()
        .flatten()
        .collect()
}

/// Frames looked at on all cores, in order.
fn shared<T: Sync, R: Send>(frames: &[T], look: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let cores = thread::available_parallelism().map_or(1, NonZero::get);
    let share = frames.len().div_ceil(cores).max(1);
    thread::scope(|scope| {
        let look = &look;
        let running: Vec<_> = frames
            .chunks(share)
            .map(|part| scope.spawn(move || part.iter().map(look).collect::<Vec<R>>()))
            .collect();
        let joined = running.into_iter().flat_map(|thread| match thread.join() {
            Ok(found) => found,
            Err(panic) => std::panic::resume_unwind(panic),
        });
        joined.collect()
    })
}

/// How often it is looked whether somebody wants the work stopped.
const POLL: Duration = Duration::from_millis(2);

/// Per goal and frame, vertices of the moving skin that were nearest before.
type Known = Vec<Vec<Vec<usize>>>;

/// Points of two skins that are near each other.
struct Near {
    /// Their distance, metres; below 0 the depth.
    gap_m: f64,
    /// Number of the vertex of the moving skin; `None` where it meets the floor.
    vertex: Option<usize>,
    pair: Meet,
}

/// How much skins that shall touch miss each other.
#[derive(Clone, Copy, Debug, Default)]
struct Missed {
    /// Over all frames, each at most 1; 0 where none misses.
    sum: f64,
    /// The most, metres.
    worst_m: f64,
}

/// How deep parts that touch are in each other.
#[derive(Clone, Copy, Debug, Default)]
struct Pressed {
    /// Over all frames, each at most 1.
    sum: f64,
    /// The deepest, metres.
    worst_m: f64,
}

/// What of touches is left, and how deep parts are in each other.
#[derive(Clone, Copy, Debug)]
struct Kept {
    missed: Missed,
    pressed: Pressed,
    deepest_m: f64,
    /// The longest limb that moves.
    size_m: f64,
}

impl Kept {
    /// Whether touches are kept and parts apart as well as they were, about.
    fn is_as(&self, before: &Self, goals: &[Goal]) -> bool {
        let frames = goals.iter().flat_map(|goal| &goal.frames);
        let touching = frames.filter(|frame| frame.is_touch).count();
        let most = before.missed.sum + MISSED_MORE * touching as f64;
        self.missed.sum <= most
            && self.missed.worst_m <= before.missed.worst_m.max(KEPT_M[0])
            && self.pressed.worst_m <= before.pressed.worst_m.max(KEPT_M[1])
            && self.deepest_m <= DEEPER * before.deepest_m + DEEP * self.size_m
    }
}

/// What was seen of a frame when it was last looked at for what is inside what.
#[derive(Clone, Debug, Default)]
struct Looked {
    again: Again,
    found: Outside,
    /// Which pairs, and its turns then; `None` where it was not looked at yet.
    then: Option<(Pairs, Vec<f64>)>,
}

impl Looked {
    /// Whether pairs were not looked at, or a turn has become another by more than so much since.
    fn is_old(&self, pairs: Pairs, values: &[f64], radians: f64) -> bool {
        self.then.as_ref().is_none_or(|(then, before)| {
            let mut both = before.iter().zip(values);
            (pairs == Pairs::All && *then == Pairs::Known)
                || both.any(|(before, now)| (before - now).abs() > radians)
        })
    }
}

struct WindowSolver<'a> {
    clip: &'a Clip,
    pair: &'a Pair<'a>,
    movers: Movers,
    apart: Option<&'a Apart<'a>>,
    /// Frame by frame of the clip.
    ground: &'a [Ground],
    body: &'a Body,
    limits: Option<&'a BodyLimits>,
    settings: &'a TouchSettings,
    /// Rounds done of all windows together.
    rounds: AtomicUsize,
    is_stopped: AtomicBool,
}

impl WindowSolver<'_> {
    /// From a guess, and where that leaves parts in each other from plain transfer too: the better counts.
    fn solve_best(&self, window: Window, begin: Begin<'_>) -> Result<Window, NotPositive> {
        if !matches!(begin, Begin::Guess(_)) || self.apart.is_none() {
            return self.solve(window, begin);
        }
        let solved = self.solve(window.clone(), begin)?;
        if solved.deepest_m <= KEPT_M[1] {
            return Ok(solved);
        }
        let other = self.solve(window, Begin::Bare)?;
        Ok(if other.left < solved.left {
            other
        } else {
            solved
        })
    }

    fn solve(&self, mut window: Window, begin: Begin<'_>) -> Result<Window, NotPositive> {
        let character = self.pair.character;
        let ends: Vec<_> = match self.movers {
            Movers::Arms => ends_of(&window.goals),
            Movers::Legs => Vec::new(),
        };
        let frames = window.last - window.first + 1;
        let limbs = self.limbs(&window.limbs, &window.goals);
        let turns = Turns::new(
            &self.clip.skeleton,
            self.body,
            character.rest,
            &character.worlds[window.first..=window.last],
            &ends,
            &limbs,
            self.settings.reach,
        );
        let size_m = self.size_m(&window.goals, &limbs);
        let weights = self.weights(&window.goals, size_m);
        let ground = (window.first..=window.last)
            .map(|frame| self.ground.get(frame).cloned().unwrap_or_default());
        let mut problem = Problem {
            clip: self.clip,
            first: window.first,
            last: window.last,
            turns: &turns,
            goals: &window.goals,
            biases: window
                .goals
                .iter()
                .map(|goal| vec![0.0; goal.frames.len()])
                .collect(),
            pairs: window
                .goals
                .iter()
                .map(|goal| vec![Vec::new(); goal.frames.len()])
                .collect(),
            outsides: vec![Vec::new(); frames],
            held: ground.clone().map(|ground| ground.held).collect(),
            over: ground.map(|ground| ground.over).collect(),
            limits: JointLimits::default(),
            weights,
            values: vec![0.0; frames * turns.width()],
            stay: None,
        };
        let last_round = match begin {
            Begin::Soon => ROUNDS_SOON,
            Begin::Near(start) | Begin::Guess(Guess { clip: start, .. }) => {
                let frames = window.first..=window.last;
                let values = frames
                    .flat_map(|frame| turns.between(self.clip.frame(frame), start.frame(frame)));
                problem.values = values.collect();
                match begin {
                    Begin::Guess(_) => ROUNDS,
                    _ => ROUNDS_AGAIN,
                }
            }
            // Legs that rest are near the floor: the first look tells by which of their skin.
            _ if self.movers == Movers::Legs => ROUNDS,
            _ => {
                problem.minimise(STEPS, &self.is_stopped)?;
                ROUNDS
            }
        };
        let mut known: Known = window
            .goals
            .iter()
            .map(|goal| vec![Vec::new(); goal.frames.len()])
            .collect();
        let mut looked = vec![Looked::default(); frames];
        if let Begin::Guess(guess) = begin {
            for (looked, again) in looked.iter_mut().zip(&guess.again[window.first..]) {
                looked.again.clone_from(again);
            }
        }
        // Touches find each other first.
        let start = match self.apart {
            Some(_) if !window.goals.is_empty() && begin.is_bare() => TOUCHES_FIRST,
            _ => 0,
        };
        let mut best = (f64::INFINITY, Vec::new());
        let mut before = f64::INFINITY;
        for round in 0..=last_round {
            self.rounds.fetch_add(1, Ordering::Relaxed);
            if self.is_stopped.load(Ordering::Relaxed) {
                break;
            }
            let missed = self.look_again(&mut problem, &mut known, size_m).sum;
            let (pressed, inside) = match round.checked_sub(start) {
                Some(since) => {
                    let is_all = since.is_multiple_of(ALL_ROUNDS);
                    let pairs = if is_all { Pairs::All } else { Pairs::Known };
                    let mut look =
                        |pairs| self.look_apart(&mut problem, &mut looked, pairs, size_m);
                    let mut found = look(pairs);
                    if !is_all && [missed, found.0.sum, found.1] == [0.0; 3] {
                        found = look(Pairs::All);
                    }
                    found
                }
                None => (Pressed::default(), f64::INFINITY),
            };
            let strayed = problem.strayed(CLOSE * size_m, FAR * size_m);
            let missed = missed + pressed.sum;
            let left = FIRST * missed + STANDS * strayed + inside;
            // What cannot be had together: the touch goes first.
            if missed > 0.0 && round >= GIVE_WAY_AFTER {
                problem.weights.firm_m *= GIVE_WAY;
            }
            if left < best.0 || best.1.is_empty() {
                best = (left, problem.values.clone());
            }
            // At the end of a row of rounds: enough, or no better than at the end of the one before.
            let is_guess = matches!(begin, Begin::Guess(_));
            let row = if is_guess { ROW_FROM_GUESS } else { ROW };
            let is_end = self.apart.is_some() && round > start && round.is_multiple_of(row);
            let is_idle = is_guess && best.0 > IDLE * before;
            let deepest = looked.iter().map(|looked| looked.found.deepest_m);
            let is_clear =
                inside < ENOUGH * frames as f64 && deepest.fold(0.0, f64::max) < KEPT_M[1];
            let is_enough = is_clear || best.0 > GAINED * before;
            let is_kept = |problem: &Problem<'_>| {
                let gaps = window.goals.iter();
                let mut gaps = gaps.flat_map(|goal| self.gaps(goal, |frame| problem.world(frame)));
                pressed.worst_m < KEPT_M[1] && gaps.all(|gap_m| gap_m.abs() < KEPT_M[0])
            };
            if left == 0.0 || (is_end && (is_idle || (is_enough && is_kept(&problem)))) {
                break;
            }
            if is_end {
                before = best.0;
            }
            let strength = STAY * 2.0f64.powi((round % ROW) as i32);
            problem.weights.held_m = (HELD + HELD_FIRST * HELD_FALL.powi(round as i32)) * size_m;
            // What is guessed between few frames is not smooth yet.
            let is_rough = is_guess && round == 0;
            problem.stay = (!is_rough).then(|| (problem.values.clone(), strength));
            let steps = if is_rough { STEPS } else { STEPS_AGAIN };
            problem.minimise(steps, &self.is_stopped)?;
        }
        // Where the nearest points jump between two places, rounds may end on the worse of them.
        if best.0.is_finite() {
            problem.values = best.1;
            if !matches!(begin, Begin::Few | Begin::Soon) {
                self.hold_back(&mut problem, &mut known, &mut looked, size_m)?;
            }
            if !self.ground.is_empty() {
                let strayed = |problem: &Problem<'_>| problem.strayed(CLOSE * size_m, FAR * size_m);
                let (before, values) = (strayed(&problem), problem.values.clone());
                problem.weights.held_m = HELD * size_m;
                problem.minimise(STEPS, &self.is_stopped)?;
                if strayed(&problem) > before {
                    problem.values = values;
                }
            }
        }
        if self.apart.is_some() && matches!(begin, Begin::Bare | Begin::Guess(_)) {
            let missed = self.look_again(&mut problem, &mut known, size_m).sum;
            let (pressed, inside) = self.look_apart(&mut problem, &mut looked, Pairs::All, size_m);
            let strayed = problem.strayed(CLOSE * size_m, FAR * size_m);
            window.left = FIRST * (missed + pressed.sum) + STANDS * strayed + inside;
            let deepest = looked.iter().map(|looked| looked.found.deepest_m);
            window.deepest_m = deepest.fold(pressed.worst_m, f64::max);
        }
        // What must be answered soon is not asked how near its surfaces came.
        if !matches!(begin, Begin::Soon) {
            let carried = window.goals.iter().map(|goal| CarriedTouch {
                touch: goal.touch,
                gaps_m: self.gaps(goal, |frame| problem.world(frame)),
                gaps_before_m: self.gaps(goal, |frame| self.clip.world(frame)),
            });
            window.carried = carried.collect();
        }
        window.again = looked.into_iter().map(|looked| looked.again).collect();
        window.locals = (window.first..=window.last)
            .map(|frame| problem.locals(frame))
            .collect();
        Ok(window)
    }

    /// Takes joints back that were turned beyond their ranges, as far as all that touches goes on to touch.
    /// Where no joint is beyond nothing changes.
    fn hold_back(
        &self,
        problem: &mut Problem<'_>,
        known: &mut Known,
        looked: &mut [Looked],
        size_m: f64,
    ) -> Result<(), NotPositive> {
        let limits = self.limits(problem.turns, [problem.first, problem.last]);
        if problem.beyond(&limits) == 0.0 {
            return Ok(());
        }
        problem.limits = limits.clone();
        let before = (problem.stay.clone(), problem.weights);
        let mut first = None;
        let mut best = (f64::INFINITY, problem.values.clone(), 0);
        for round in 0..=LIMIT_ROUNDS {
            if self.is_stopped.load(Ordering::Relaxed) {
                break;
            }
            let missed = self.look_again(problem, known, size_m);
            let (pressed, inside) = self.look_apart(problem, looked, Pairs::All, size_m);
            let deepest = looked.iter().map(|looked| looked.found.deepest_m);
            let kept = Kept {
                missed,
                pressed,
                deepest_m: deepest.fold(0.0, f64::max),
                size_m,
            };
            let beyond = problem.beyond(&limits);
            let strayed = problem.strayed(CLOSE * size_m, FAR * size_m);
            let left = beyond + inside + STANDS * strayed;
            if left < best.0 && kept.is_as(first.get_or_insert(kept), problem.goals) {
                best = (left, problem.values.clone(), round);
                if beyond == 0.0 {
                    break;
                }
            }
            problem.weights.limit = LIMIT_FIRST * LIMIT_FALL.powi(round as i32);
            let strength = STAY * 2.0f64.powi((round % ROW) as i32);
            problem.stay = Some((problem.values.clone(), strength));
            problem.minimise(STEPS_AGAIN, &self.is_stopped)?;
        }
        problem.values = best.1;
        if best.2 == 0 {
            // What follows is as if joints might go anywhere.
            problem.limits = JointLimits::default();
            (problem.stay, problem.weights) = before;
        }
        Ok(())
    }

    /// How much each term counts where the longest limb that moves is `size_m` long.
    fn weights(&self, goals: &[Goal], size_m: f64) -> Weights {
        let strength = self.settings.strength;
        let [depth_m, firm_m] = match goals.is_empty() {
            true if self.movers == Movers::Legs => DEPTH_OF_LEGS,
            true => DEPTH_ALONE,
            false => DEPTH,
        };
        Weights {
            gap_m: 4e-4 * size_m / strength,
            aside_m: 0.01 * size_m / strength,
            depth_m: depth_m * size_m,
            firm_m: firm_m * size_m,
            held_m: (HELD + HELD_FIRST) * size_m,
            over_m: OVER * size_m,
            near_m: 0.03 * size_m / strength,
            hand: 0.3,
            fade_secs: self.settings.fade_secs,
            straightest: self.settings.straightest_elbow,
            limit: LIMIT_FIRST,
        }
    }

    /// How far the joints that turn go in some frames.
    fn limits(&self, turns: &Turns, frames: [usize; 2]) -> JointLimits {
        let limits = self
            .limits
            .map(|limits| limits.within(turns, self.clip, frames));
        limits.unwrap_or_default()
    }

    /// Limbs by what they are; arms that touch are known by their touches.
    fn limbs(&self, limbs: &[Limb], goals: &[Goal]) -> Limbs {
        let mut found = Limbs::default();
        match self.movers {
            Movers::Legs => {
                let resting = goals.iter().map(|goal| &goal.touch.from);
                let resting = resting.map(|from| (from.side, from.pair));
                found.legs = limbs.iter().copied().chain(resting).collect();
            }
            Movers::Arms => found.arms = limbs.to_vec(),
        }
        found
    }

    /// The longest limb that moves, metres.
    fn size_m(&self, goals: &[Goal], limbs: &Limbs) -> f64 {
        let rest = self.pair.character.rest;
        let goals = goals.iter().filter(|_| self.movers == Movers::Arms);
        let moved = goals.map(|goal| (goal.touch.from.side, goal.touch.from.pair));
        let moved: Vec<_> = moved.chain(limbs.arms.iter().copied()).collect();
        let length_m = |joints: [DVec3; 3]| {
            let [root, middle, end] = joints;
            root.distance(middle) + middle.distance(end)
        };
        let arms = self.body.arms.iter();
        let arms = arms.filter(|arm| moved.contains(&(arm.side, arm.pair)));
        let arms = arms.map(|arm| {
            let [shoulder, elbow, hand] =
                [arm.shoulder, arm.elbow, arm.hand_tip.joint].map(|joint| rest.position(joint));
            length_m([shoulder, elbow, hand])
        });
        let legs = self.body.legs.iter();
        let legs = legs.filter(|leg| limbs.legs.contains(&(leg.side, leg.pair)));
        let legs = legs
            .map(|leg| length_m([leg.hip, leg.knee, leg.ankle].map(|joint| rest.position(joint))));
        arms.chain(legs).fold(1e-6, f64::max)
    }

    /// Looks what is inside what now, and asks these points to come out. Returns how deep what touches
    /// is in each other in all, and how deep all else, 0 where nothing is.
    fn look_apart(
        &self,
        problem: &mut Problem<'_>,
        looked: &mut [Looked],
        pairs: Pairs,
        size_m: f64,
    ) -> (Pressed, f64) {
        let Some(apart) = self.apart else {
            return (Pressed::default(), 0.0);
        };
        let (first, width) = (problem.first, problem.turns.width());
        let values = |at: usize| &problem.values[at * width..(at + 1) * width];
        let due: Vec<usize> = (0..looked.len())
            .filter(|&at| {
                let before = &looked[at];
                let is_known = !before.again.is_empty() || apart.has_touch(first + at);
                let still = match is_known {
                    true => STILL,
                    false => STILL_FAR,
                };
                (pairs == Pairs::All || is_known) && before.is_old(pairs, values(at), still)
            })
            .collect();
        let seen = shared(&due, |at| {
            let mut again = looked[*at].again.clone();
            let frame = first + at;
            let found = apart.look(frame, &problem.world(frame), &mut again, pairs);
            let now = Looked {
                again,
                then: Some((pairs, values(*at).to_vec())),
                found,
            };
            (*at, now)
        });
        for (at, now) in seen {
            looked[at] = now;
        }
        let (mut pressed, mut inside) = (Pressed::default(), 0.0);
        for (at, now) in looked.iter().enumerate() {
            if now.found.deepest_m > DEEP * size_m {
                inside += now.found.deepest_m / (FAR * size_m);
            }
            problem.outsides[at].clone_from(&now.found.points);
            for touching in &now.found.touching {
                if touching.deepest_m > DEEP * size_m {
                    pressed.sum += (touching.deepest_m / (FAR * size_m)).min(1.0);
                }
                pressed.worst_m = pressed.worst_m.max(touching.deepest_m);
                problem.press_out(first + at, touching);
            }
        }
        (pressed, inside)
    }

    /// Looks where the two skins of each touch are nearest now, and asks these points to touch.
    /// Returns how much they miss that.
    fn look_again(&self, problem: &mut Problem<'_>, known: &mut Known, size_m: f64) -> Missed {
        let due: Vec<(usize, usize)> = problem
            .goals
            .iter()
            .enumerate()
            .flat_map(|(index, goal)| {
                let frames = goal.frames.iter().enumerate();
                let touching = frames.filter(|(_, frame)| frame.is_touch);
                touching.map(move |(at, _)| (index, at))
            })
            .collect();
        let seen = shared(&due, |&(index, at)| {
            let goal = &problem.goals[index];
            let frame = &goal.frames[at];
            let world = problem.world(frame.frame);
            let normal = frame.place.normal(&world);
            let again = &known[index][at];
            let nearest = self.nearest(goal, &frame.place, &world, Some(normal), again);
            (frame.place.miss(&world).dot(normal), nearest)
        });
        let mut left = Missed::default();
        // Per goal, how far its places are apart in the first and the last frame of the touch.
        let mut ends: Vec<Option<[f64; 2]>> = vec![None; problem.goals.len()];
        for (&(index, at), (place_m, nearest)) in due.iter().zip(seen) {
            let goal = &problem.goals[index];
            ends[index].get_or_insert([place_m; 2])[1] = place_m;
            if nearest.is_empty() && goal.to_part.is_some() {
                left.sum += 1.0;
                left.worst_m = left.worst_m.max(FAR * size_m);
            }
            if let Some(first) = nearest.first() {
                let miss_m = (first.gap_m - goal.frames[at].gap_m).abs();
                if miss_m > CLOSE * size_m {
                    left.sum += (miss_m / (FAR * size_m)).min(1.0);
                }
                left.worst_m = left.worst_m.max(miss_m);
            }
            let again = &mut known[index][at];
            for vertex in nearest.iter().filter_map(|nearest| nearest.vertex) {
                if !again.contains(&vertex) {
                    again.push(vertex);
                }
            }
            let surplus = again.len().saturating_sub(MOST_AGAIN);
            again.drain(..surplus);
            // The nearest last: it is the one that shall touch.
            let pairs = nearest.into_iter().rev().map(|nearest| nearest.pair);
            problem.pairs[index][at] = pairs.collect();
        }
        // Before and after, the places are as far apart as at the ends of the touch, and more.
        for (index, goal) in problem.goals.iter().enumerate() {
            let Some([first, last]) = ends[index] else {
                continue;
            };
            let biases = problem.biases[index].iter_mut().zip(&goal.frames);
            for (bias, frame) in biases.filter(|(_, frame)| !frame.is_touch) {
                *bias = match frame.frame < goal.touch.first {
                    true => first,
                    false => last,
                };
            }
        }
        left
    }

    /// Distances of the two skins of a goal, metres, and the points where they are nearest, the nearest
    /// first; none where one has no skin or they are far apart; with `facing` at skin that looks that
    /// way only.
    fn nearest(
        &self,
        goal: &Goal,
        place: &Meet,
        world: &WorldPose,
        facing: Option<DVec3>,
        again: &[usize],
    ) -> Vec<Near> {
        let character = self.pair.character;
        let Some(to) = goal.to_part else {
            let parts = character.resting_parts(goal.from_part);
            let lowest = parts.iter().filter_map(|&part| self.lowest(part, world));
            let lowest = lowest.min_by(|a, b| a.gap_m.total_cmp(&b.gap_m));
            return lowest.into_iter().collect();
        };
        let near_m = AROUND * character.parts[goal.from_part].length_m;
        let around = (place.target.world(world), near_m);
        let flesh = &character.flesh;
        let nearest = flesh.nearest(goal.from_part, to, world, around, facing, again);
        let pair = |nearest: Nearest| {
            Some(Near {
                gap_m: nearest.metres,
                vertex: Some(nearest.vertex),
                pair: Meet::on_skin(nearest.from, nearest.to, nearest.normal, world)?,
            })
        };
        nearest.into_iter().filter_map(pair).collect()
    }

    /// Height of the lowest point of a part above the floor, metres, and the point.
    fn lowest(&self, part: usize, world: &WorldPose) -> Option<Near> {
        let floor = self.pair.floor;
        let flesh = &self.pair.character.flesh;
        let (above_m, point) = flesh.lowest(part, world, true, &floor)?;
        let below = floor.below(point.world(world));
        let pair = Meet {
            point: point.clone(),
            target: Target::World(below),
            normal: floor.normal,
            normal_joint: None,
        };
        Some(Near {
            gap_m: above_m * floor.normal.y,
            vertex: None,
            pair,
        })
    }

    /// What is left between the surfaces in the frames of a touch, metres.
    fn gaps(&self, goal: &Goal, world_of: impl Fn(usize) -> WorldPose + Sync) -> Vec<f64> {
        let touching = goal.frames.iter().filter(|frame| frame.is_touch);
        let touching: Vec<_> = touching.collect();
        shared(&touching, |frame| {
            let world = world_of(frame.frame);
            let nearest = self.nearest(goal, &frame.place, &world, None, &[]);
            let miss_m = || frame.place.miss(&world).length();
            nearest.first().map_or_else(miss_m, |nearest| nearest.gap_m)
        })
    }
}
