//! Frames in which the body rests on the floor by more than its feet, soon and about: pelvis and legs give way
//! together there, in few of the frames around, before a change and after it.

use std::thread;

use understudy_motion::{Clip, DVec3, Surface};

use super::{Asked, FootContacts, Grid, frames_in, lay_step_over, wide};
use crate::align::source_leg;
use crate::contacts::{Contacts, FootPart};
use crate::pins::stand_in;
use crate::retarget::{Poses, Prepared, Retargeted, SolveError};
use crate::settle::settle_roughly;
use crate::watch::Watch;

/// How far around a frame pelvis and legs are looked at, seconds.
const RESTED_SECS: f64 = 0.8;
/// How far apart frames are in which they are looked at, seconds, where the take has more.
const RESTED_STEP_SECS: f64 = 0.05;
/// Frames at either end of these in which the pelvis stays as it was.
const ENDS: usize = 3;
/// Frames around one in which shanks are laid down: how far apart, in times of a fade, and how many to each side.
const LAID_STEP_FADES: f64 = 0.5;
const LAID_STEPS: f64 = 2.0;

/// One frame, with what rests on the floor, and nothing else that touches.
pub(super) struct Rested {
    /// Of that frame alone.
    clip: Clip,
    /// Per leg, which parts of the foot stand: heel, ball, toe.
    pub(super) parts: Vec<[bool; 3]>,
}

impl Rested {
    /// Before and after a change; contacts in frames of the whole take, rests among them.
    pub(super) fn both(
        known: &Retargeted,
        asked: &[Asked<'_>; 2],
        contacts: &FootContacts,
        surface: Option<&Surface>,
        frame: usize,
    ) -> Result<[Self; 2], SolveError> {
        let stretch = wide(known, frame, RESTED_SECS);
        let grid = Grid::around(frame, stretch, frames_in(known, RESTED_STEP_SECS));
        let solved = |at: usize| Self::of(known, &asked[at], &contacts[at], surface, grid);
        let [old, new] = thread::scope(|scope| {
            let old = scope.spawn(|| solved(0));
            let new = solved(1);
            match old.join() {
                Ok(old) => [old, new],
                Err(panic) => std::panic::resume_unwind(panic),
            }
        });
        Ok([old?, new?])
    }

    fn of(
        known: &Retargeted,
        asked: &Asked<'_>,
        contacts: &Contacts,
        surface: Option<&Surface>,
        grid: Grid,
    ) -> Result<Self, SolveError> {
        let settings = asked.settings;
        let prepared = Prepared::sampled(known, asked, grid)?;
        let contacts = &held(known, contacts, grid);
        let placed = contacts.with_frames(|stretch| grid.place(stretch));
        let mut clip = prepared.plain()?;
        prepared.change(&mut clip, settings)?;
        let mut parts = vec![vec![[false; 3]; grid.count]; prepared.body.legs.len()];
        if settings.plants.enabled {
            let rests = prepared.rests(&placed, settings, surface);
            let ends = ends(known, grid);
            let risen: Vec<Option<f64>> = ends
                .iter()
                .map(|end| end.map(|frame| known.rises[frame]))
                .collect();
            prepared.lie(&mut clip, rests.as_ref(), &risen, settings)?;
            let settled =
                |frame: usize| known.pelvis_offsets[frame] - DVec3::Y * known.rises[frame];
            let kept: Vec<Option<DVec3>> = ends.iter().map(|end| end.map(settled)).collect();
            let worlds = clip.worlds();
            let legs = prepared.legs(&worlds, &placed, settings, Watch::nobody())?;
            let frames = (0..grid.count).map(|at| grid.frame(at));
            let shifts: Vec<DVec3> = frames.map(|frame| known.balance_shifts[frame]).collect();
            let poses = Poses {
                changed: &clip,
                worlds: &worlds,
                legs: &legs,
                shifts: &shifts,
            };
            let (tracks, weights) = (
                prepared.tracks(&poses, settings),
                prepared.weights(settings),
            );
            let offsets = prepared.settled(&poses, rests.as_ref(), |rests, _| {
                settle_roughly(&tracks, rests, &kept, &weights)
            })?;
            for (parts, leg) in parts.iter_mut().zip(&legs) {
                parts.clone_from(&leg.path.parts);
            }
            prepared.pose_legs(&mut clip, &worlds, &legs, &offsets.shifted(&shifts));
        }
        let clip = laid(known, asked, contacts, surface, grid, (&clip, &parts))?;
        Ok(Self {
            clip,
            parts: parts.iter().map(|parts| parts[grid.at]).collect(),
        })
    }

    /// A frame of the last result with the step from one to the other laid over it.
    pub(super) fn step(known: &Retargeted, [old, new]: &[Self; 2], frame: usize) -> Clip {
        let mut clip = known.solved.range(frame, frame);
        lay_step_over(clip.frame_mut(0), [old.clip.frame(0), new.clip.frame(0)]);
        clip
    }
}

/// Contacts of feet that go on beyond the stretch stand where they stood: a part of them does not tell the
/// place.
fn held(known: &Retargeted, contacts: &Contacts, grid: Grid) -> Contacts {
    let mut contacts = contacts.clone();
    let [first, last] = [grid.first, grid.frame(grid.count - 1)];
    let cut = contacts.contacts.iter_mut();
    let cut = cut.filter(|contact| contact.place_m.is_none());
    for contact in cut.filter(|contact| contact.first < first || contact.last > last) {
        let legs = known.body.legs.iter();
        let mut legs = legs.enumerate().filter_map(|(index, leg)| {
            let source = &known.performer.legs[source_leg(&known.performer, leg)?];
            let is_same = (source.side, source.pair) == (contact.side, contact.pair);
            is_same.then_some(index)
        });
        let Some(leg) = legs.next() else { continue };
        let part = stand_in(&known.feet[leg], contact.part);
        let frames = contact.first.max(first)..=contact.last.min(last);
        let mut stands = frames.filter(|frame| known.planted_parts[leg][*frame][part]);
        contact.place_m = stands.next().and_then(|frame| {
            let point = known.feet[leg].point(FootPart::ALL[part])?;
            let place = point.world(&known.solved.world(frame));
            Some([place.x, place.z])
        });
    }
    contacts
}

/// Frames at the ends of a stretch, where these are not those of the clip: there all stays as it was.
fn ends(known: &Retargeted, grid: Grid) -> Vec<Option<usize>> {
    let end = grid.frame(grid.count - 1) + grid.step;
    let is_open = [grid.first == 0, end >= known.take.frame_count()];
    let is_end =
        |at: &usize| (!is_open[0] && *at < ENDS) || (!is_open[1] && *at + ENDS >= grid.count);
    (0..grid.count)
        .map(|at| Some(at).filter(is_end).map(|at| grid.frame(at)))
        .collect()
}

/// The frame that is looked at with the shanks that rest laid down, as the frames around it tell.
fn laid(
    known: &Retargeted,
    asked: &Asked<'_>,
    contacts: &Contacts,
    surface: Option<&Surface>,
    grid: Grid,
    (clip, parts): (&Clip, &[Vec<[bool; 3]>]),
) -> Result<Clip, SolveError> {
    let settings = asked.settings;
    let frame = grid.frame(grid.at);
    let step_secs = LAID_STEP_FADES * settings.touches.fade_secs;
    // Every few of the frames that are solved.
    let step = grid.step * (frames_in(known, step_secs) / grid.step).max(1);
    let [first, last] = wide(known, frame, LAID_STEPS * step_secs);
    let end = grid.frame(grid.count - 1);
    let few = Grid::around(frame, [first.max(grid.first), last.min(end)], step);
    let at = |few_at: usize| (few.frame(few_at) - grid.first) / grid.step;
    let prepared = Prepared::sampled(known, asked, few)?;
    let locals = (0..few.count).flat_map(|few_at| clip.frame(at(few_at)).to_vec());
    let mut laid = prepared.clip_of(locals.collect())?;
    if settings.touches.enabled {
        let placed = contacts.with_frames(|stretch| few.place(stretch));
        let touches = placed.touches.unwrap_or_default();
        let parts: Vec<Vec<[bool; 3]>> = parts
            .iter()
            .map(|parts| (0..few.count).map(|few_at| parts[at(few_at)]).collect())
            .collect();
        let ground = prepared.ground(&laid, &parts);
        let plain = prepared.plain()?;
        prepared.with_cast(&plain, surface, &settings.limits, |cast| {
            cast.rest_legs_now(&touches, &ground, &settings.touches, &mut laid)
        })?;
    }
    Ok(laid.range(few.at, few.at))
}
