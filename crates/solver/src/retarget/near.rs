//! A quick answer to a change, from the last result: one frame at once, or a stretch of frames, before
//! the whole clip is carried over again.

mod rested;

use std::sync::Arc;

use understudy_anatomy::Leg;
use understudy_motion::{Clip, DQuat, DVec3, Surface, Transform, WorldPose};

use rested::Rested;

use super::{Prepared, Retargeted, SolveError, UprightTake, reference_pose, same_joints};
use crate::contacts::{Contact, Contacts};
use crate::floor::Floor;
use crate::foot::{Stance, find_stance};
use crate::planted_leg::PlantedLeg;
use crate::plants::FootPath;
use crate::settings::Settings;
use crate::settle::{LegTrack, settle_roughly};
use crate::touch::{Cast, Frames, Goal, Known, Touch, TouchPart, TouchSettings, cleared};
use crate::transfer::move_joint;
use crate::watch::Watch;

/// What a person chose about a clip.
#[derive(Clone, Copy, Debug)]
pub struct Chosen<'a> {
    /// The settings.
    pub settings: &'a Settings,
    /// Contacts and touches of the whole take, where they are given and not found.
    pub contacts: Option<&'a Contacts>,
}

/// One frame after a change.
#[derive(Clone, Debug, PartialEq)]
pub struct Now {
    /// Local transforms of the joints, Y up.
    pub locals: Vec<Transform>,
    /// Per leg, which parts of the foot stand: heel, ball, toe.
    pub planted_parts: Vec<[bool; 3]>,
}

/// What a change makes of one frame, about: the last result with what the change does to that frame
/// laid over it. `surface` is the character's skin, the same in every call.
///
/// Of balance: how far the pelvis shifts, from the frames around. Of travel, posture, keys and offsets:
/// plain transfer before and after; feet that stand stay where they stood, the legs reach them exactly, and what
/// touches goes on to touch. Of planting, contacts, the floor and the ranges of joints: the paths of the feet, and
/// how the pelvis gives way to them, in the frames around, before and after; where the body rests on the floor, in
/// fewer of them. Of touches and the ranges: how arms and trunk turn in the frames around, before and after; parts
/// that are kept apart stay so, and where they no longer are, arms and legs go back. Of parts that are to be kept apart from now on: a few frames around, in
/// which they give way.
///
/// # Errors
/// Settings that name missing joints or frames, contacts that do not fit the take.
pub fn pose_now(
    known: &Retargeted,
    before: Chosen<'_>,
    after: Chosen<'_>,
    surface: Option<&Surface>,
    frame: usize,
) -> Result<Now, SolveError> {
    let frame = frame.min(known.solved.frame_count() - 1);
    let change = Change::between(known, before, after, frame)?;
    let asked = &change.asked;
    let changed = |asked: &Asked<'_>| {
        let prepared = Prepared::sampled(known, asked, Grid::alone(frame))?;
        Ok::<_, SolveError>((prepared.changed(asked.settings)?, prepared))
    };
    let ((old, _), (new, prepared)) = (changed(&asked[0])?, changed(&asked[1])?);
    let mut clip = known.solved.range(frame, frame);
    let mut planted_parts: Vec<[bool; 3]> = known.planted_parts.iter().map(|p| p[frame]).collect();
    // The same without touches, for those that change.
    let mut bare = new.clone();
    lay_step_over(clip.frame_mut(0), [old.frame(0), new.frame(0)]);
    let shift = balance_now(known, &change, surface, frame)?;
    let step = shift - known.balance_shifts[frame];
    if let Some(contacts) = &change.rests {
        let both = Rested::both(known, asked, contacts, surface, frame)?;
        prepared.take_legs(&mut clip, &Rested::step(known, &both, frame));
        planted_parts = both[1].parts.clone();
        prepared.take_legs(&mut bare, &clip);
    } else if after.settings.plants.enabled {
        let mut pelvis = known.pelvis_offsets[frame];
        let feet = match &change.foot_contacts {
            Some(contacts) => {
                let ways = FeetNow::both(known, asked, contacts, frame)?;
                let step = ways[1].pelvis - ways[0].pelvis;
                prepared.move_pelvis(&mut clip, step);
                pelvis += step;
                planted_parts = ways[1].parts.clone();
                prepared.moved_feet(known, frame, &ways)
            }
            None => prepared.held_feet(known, frame, [old.world(0), new.world(0)]),
        };
        if step != DVec3::ZERO {
            prepared.move_pelvis(&mut clip, step);
            let standing = feet.iter().zip(&planted_parts);
            let standing =
                standing.map(|(foot, parts)| parts.contains(&true).then_some(foot.ankle));
            prepared.lower_into_reach(&mut clip, &standing.collect::<Vec<_>>());
        }
        prepared.reach(&mut clip, &feet);
        prepared.move_pelvis(&mut bare, pelvis + shift);
        prepared.reach(&mut bare, &feet);
    } else if before.settings.plants.enabled {
        // Without plants, pelvis and legs are those of plain transfer; touches stay.
        prepared.shift_over_feet(&mut bare, shift);
        prepared.take_legs(&mut clip, &bare);
        planted_parts.fill([false; 3]);
    } else {
        prepared.shift_over_feet(&mut clip, step);
        prepared.shift_over_feet(&mut bare, shift);
    }
    if let Some(touches) = &change.touches {
        let scene = Scene {
            known,
            asked,
            surface,
            frame,
        };
        scene.touch(touches, &prepared, &mut clip, &bare)?;
    }
    if let Some(surface) = surface.filter(|_| keeps_apart(&change.asked) == [false, true]) {
        change.clear(known, &mut clip, surface, frame)?;
    }
    Ok(Now {
        locals: clip.frame(0).to_vec(),
        planted_parts,
    })
}

/// Whether parts of the body are kept apart, before and after.
fn keeps_apart(asked: &[Asked<'_>; 2]) -> [bool; 2] {
    let touches = asked.each_ref().map(|asked| &asked.settings.touches);
    touches.map(|touches| touches.enabled && touches.keep_out)
}

/// Lays the step from one pose to another over a third.
fn lay_step_over(locals: &mut [Transform], [from, to]: [&[Transform]; 2]) {
    for (local, (from, to)) in locals.iter_mut().zip(from.iter().zip(to)) {
        let turned = local.rotation * from.rotation.inverse() * to.rotation;
        local.rotation = turned.normalize();
        local.translation += to.translation - from.translation;
    }
}

/// Frames of a clip at even steps, one of them the one that is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Grid {
    first: usize,
    step: usize,
    count: usize,
    /// Which of them is looked at.
    at: usize,
}

impl Grid {
    fn alone(frame: usize) -> Self {
        Self::around(frame, [frame; 2], 1)
    }

    /// Frames of a stretch, counted from one in it.
    fn around(frame: usize, [first, last]: [usize; 2], step: usize) -> Self {
        let (at, after) = ((frame - first) / step, (last - frame) / step);
        Self {
            first: frame - at * step,
            step,
            count: at + after + 1,
            at,
        }
    }

    /// Frame of the clip that one of these stands for.
    fn frame(&self, at: usize) -> usize {
        self.first + at * self.step
    }

    fn sampled(&self, clip: &Clip) -> Result<Clip, SolveError> {
        let frames = (0..self.count).map(|at| self.frame(at));
        let locals = frames.flat_map(|frame| clip.frame(frame).to_vec());
        let secs = clip.frame_time_secs * self.step as f64;
        Ok(Clip::new(
            Arc::clone(&clip.skeleton),
            secs,
            locals.collect(),
        )?)
    }

    /// A stretch of the clip in these frames; `None` where it lies outside. What lies between two of them
    /// is put on one that is not looked at.
    fn place(&self, (first, last): (usize, usize)) -> Option<(usize, usize)> {
        let end = self.frame(self.count - 1);
        if last < self.first || first > end {
            return None;
        }
        let from = first.saturating_sub(self.first).div_ceil(self.step);
        let to = (last.min(end) - self.first) / self.step;
        match from <= to {
            true => Some((from, to)),
            false if to == self.at => Some((from, from)),
            false => Some((to, to)),
        }
    }
}

/// Frames in a time, at least one.
fn frames_in(known: &Retargeted, secs: f64) -> usize {
    // Rounding must not lose a frame.
    ((secs / known.take.frame_time_secs + 1e-6) as usize).max(1)
}

/// Frames within a time of one.
fn wide(known: &Retargeted, frame: usize, secs: f64) -> [usize; 2] {
    let frames = (secs / known.take.frame_time_secs).ceil() as usize;
    let end = known.take.frame_count() - 1;
    [frame.saturating_sub(frames), (frame + frames).min(end)]
}

/// Settings, and the performer's feet and floor with them.
struct Asked<'a> {
    settings: &'a Settings,
    stance: Stance,
}

impl Asked<'_> {
    /// Whether everything is the same before feet are planted and touches carried over.
    fn starts_as(&self, other: &Self) -> bool {
        self.stance == other.stance && self.is_laid_as(other)
    }

    /// The same of what is laid over plain transfer alone, whatever the floor.
    fn is_laid_as(&self, other: &Self) -> bool {
        let start = |asked: &Self| Settings {
            floor_height_m: None,
            level_floor: false,
            contacts: Settings::default().contacts,
            plants: Settings::default().plants,
            balance: Settings::default().balance,
            touches: Settings::default().touches,
            limits: Settings::default().limits,
            ..asked.settings.clone()
        };
        start(self) == start(other)
    }
}

/// Contacts of the feet, before a change and after it, in frames of the whole take.
type FootContacts = [Contacts; 2];

/// What a change is of, besides plain transfer and what is laid over it.
struct Change<'a> {
    /// Before and after.
    asked: [Asked<'a>; 2],
    /// Contacts before and after, where planting changes.
    foot_contacts: Option<FootContacts>,
    /// Contacts before and after, with what rests on the floor, where the frame is near that and either of
    /// them changes.
    rests: Option<FootContacts>,
    /// Touches before and after, in frames of the whole take, where these or their settings change.
    touches: Option<[Vec<Touch>; 2]>,
}

impl<'a> Change<'a> {
    /// Takes parts out of each other in a clip of one frame, as the frames around it tell.
    fn clear(
        &self,
        known: &Retargeted,
        clip: &mut Clip,
        surface: &Surface,
        frame: usize,
    ) -> Result<(), SolveError> {
        let asked = &self.asked[1];
        let settings = asked.settings;
        let step_secs = CLEARED_STEP_FADES * settings.touches.fade_secs;
        let stretch = wide(known, frame, CLEARED_STEPS * step_secs);
        let grid = Grid::around(frame, stretch, frames_in(known, step_secs));
        let prepared = Prepared::sampled(known, asked, grid)?;
        // On the performer's own body everything is where it was.
        if prepared.is_own() {
            return Ok(());
        }
        let plain = prepared.plain()?;
        let mut solved = grid.sampled(&known.solved)?;
        solved.frame_mut(grid.at).copy_from_slice(clip.frame(0));
        let touches = match &self.touches {
            Some([_, touches]) => touches.clone(),
            None => known.contacts.touches.clone().unwrap_or_default(),
        };
        let contacts = Contacts {
            contacts: Vec::new(),
            touches: Some(touches),
        };
        let touches = contacts.with_frames(|stretch| grid.place(stretch)).touches;
        let planted: Vec<Vec<[bool; 3]>> = known
            .planted_parts
            .iter()
            .map(|parts| (0..grid.count).map(|at| parts[grid.frame(at)]).collect())
            .collect();
        let ground = prepared.ground(&solved, &planted);
        let of_skin = (Some(surface), Some(prepared.skin_parts(surface)));
        prepared.with_stage(&plain, of_skin, &settings.limits, |stage| {
            let cast = Cast::new(stage);
            let touches = touches.as_deref().unwrap_or_default();
            cast.clear_now(touches, &ground, &settings.touches, &mut solved)
        })?;
        clip.frame_mut(0).copy_from_slice(solved.frame(grid.at));
        Ok(())
    }

    fn between(
        known: &Retargeted,
        before: Chosen<'a>,
        after: Chosen<'a>,
        frame: usize,
    ) -> Result<Self, SolveError> {
        let (old, new) = (before.settings, after.settings);
        if let Some(given) = after.contacts {
            given
                .check(known.take.frame_count(), &known.performer)
                .map_err(SolveError::Contacts)?;
        }
        let asked = asked(known, [old, new]);
        let is_other_floor = asked[0].stance != asked[1].stance;
        let is_found = |is_given: [bool; 2], is_same: bool| {
            !is_given[1] && (is_given[0] || !is_same || is_other_floor)
        };
        let given = [before, after].map(|chosen| chosen.contacts);

        let known_touches = known.contacts.touches.as_deref().unwrap_or_default();
        let given_touches = given.map(|given| given.and_then(|given| given.touches.as_deref()));
        let is_off = !old.touches.enabled && !new.touches.enabled;
        let is_same = old.touches.limits == new.touches.limits;
        let touches = match given_touches[1] {
            _ if is_off => known_touches.to_vec(),
            Some(touches) => touches.to_vec(),
            None if is_found(given_touches.map(|given| given.is_some()), is_same) => {
                touches_around(known, &asked[1], frame)?
            }
            None => known_touches.to_vec(),
        };
        let mut all = known_touches.iter().chain(&touches);
        let is_other_range = old.limits != new.limits;
        let is_touched = old.touches != new.touches
            || !asked[0].is_laid_as(&asked[1])
            || is_other_range
            || *known_touches != *touches
            || (is_other_floor && all.any(|touch| touch.to.part == TouchPart::Floor));

        let contacts = |contacts: Vec<Contact>| Contacts {
            contacts,
            touches: None,
        };
        let found = contacts(known.contacts.contacts.clone());
        let is_same = old.contacts == new.contacts;
        let wanted = match given[1] {
            Some(given) => contacts(given.contacts.clone()),
            None if is_found(given.map(|given| given.is_some()), is_same) => {
                contacts(contacts_around(known, &asked[1], frame)?)
            }
            None => found.clone(),
        };
        let is_replanted = old.plants != new.plants
            || is_other_range
            || wanted.merged() != found.merged()
            || is_other_floor;
        let is_planted = new.plants.enabled && is_replanted;
        let rests = [known_touches, &touches].map(|all| rests_near(known, all, &asked, frame));
        let is_resting = rests.iter().any(|rests| !rests.is_empty());
        let is_changed = is_replanted || is_touched;
        let with_rests = |feet: &Contacts, rests: &[Touch]| Contacts {
            touches: Some(rests.to_vec()),
            ..feet.clone()
        };
        let both = [
            with_rests(&found, &rests[0]),
            with_rests(&wanted, &rests[1]),
        ];
        Ok(Self {
            asked,
            rests: (is_resting && is_changed).then_some(both),
            foot_contacts: is_planted.then_some([found, wanted]),
            touches: is_touched.then(|| [known_touches.to_vec(), touches]),
        })
    }
}

/// What rests on the floor near a frame, besides feet; none on the performer's own body.
fn rests_near(
    known: &Retargeted,
    touches: &[Touch],
    asked: &[Asked<'_>; 2],
    frame: usize,
) -> Vec<Touch> {
    if same_joints(&known.take.skeleton, &known.solved.skeleton) {
        return Vec::new();
    }
    let secs = asked.each_ref().map(|asked| {
        let settings = asked.settings;
        FADES * settings.touches.fade_secs.max(settings.plants.fade_secs)
    });
    let [first, last] = wide(known, frame, secs[0].max(secs[1]));
    let rests = touches.iter().filter(|touch| touch.is_rest());
    let near = rests.filter(|touch| touch.first <= last && touch.last >= first);
    near.copied().collect()
}

/// Settings before and after a change with what the performer stands on. A floor of another height leaves
/// the feet as they are; where level or sloped is chosen anew both are looked for once, without the take's
/// skin.
fn asked<'a>(known: &Retargeted, settings: [&'a Settings; 2]) -> [Asked<'a>; 2] {
    let [old, new] = settings;
    let own = &known.stance;
    let is_level = own.floor.normal == DVec3::Y;
    let at = |floor: Floor| Stance {
        floor,
        ..own.clone()
    };
    let is_same = old.floor_height_m == new.floor_height_m
        && (old.level_floor == new.level_floor
            || new.floor_height_m.is_some()
            || (new.level_floor && is_level));
    let stances = match new.floor_height_m {
        _ if is_same => [own.clone(), own.clone()],
        Some(height_m) if is_level => [own.clone(), at(Floor::level(height_m))],
        _ => {
            let found = known.stances.get_or_init(|| {
                let worlds = known.take.worlds();
                let (take, body) = (&known.take, &known.performer);
                [false, true]
                    .map(|may_slope| find_stance(take, &worlds, body, None, None, may_slope))
            });
            settings.map(|settings| {
                let found =
                    &found[usize::from(!settings.level_floor && settings.floor_height_m.is_none())];
                Stance {
                    floor: settings.floor_height_m.map_or(found.floor, Floor::level),
                    ..found.clone()
                }
            })
        }
    };
    let mut both = settings
        .into_iter()
        .zip(stances)
        .map(|(settings, stance)| Asked { settings, stance });
    std::array::from_fn(|_| both.next().expect("there are two"))
}

/// Times a fade after which nothing is left of a correction that an eye would see: a fiftieth.
const FADES: f64 = 4.0;

/// Frames around one that tell what feet do in it: `reach_secs` to both sides, and contacts that begin or
/// end within them as a whole, up to [`LONGEST_SECS`].
fn around(known: &Retargeted, reach_secs: f64, contacts: &[&Contacts], frame: usize) -> [usize; 2] {
    let [least, most] = [reach_secs, LONGEST_SECS].map(|secs| wide(known, frame, secs));
    let all = contacts.iter().flat_map(|contacts| &contacts.contacts);
    widened(
        least,
        most,
        all.map(|contact| (contact.first, contact.last)),
    )
}

/// A stretch with those that meet it as a whole, as far as a wider one goes.
fn widened(
    least: [usize; 2],
    most: [usize; 2],
    stretches: impl Iterator<Item = (usize, usize)>,
) -> [usize; 2] {
    let meeting = stretches.filter(|&(first, last)| first <= least[1] && last >= least[0]);
    meeting.fold(least, |[from, to], (first, last)| {
        [from.min(first.max(most[0])), to.max(last.min(most[1]))]
    })
}

/// How far around a frame pelvis and legs are settled, seconds: the pelvis gives way over a third of one.
const SETTLED_SECS: f64 = 0.7;
/// Peak of a knee's angular acceleration at least, radians per second squared: the frames around one may
/// show it at rest only. A tenth of that of a walk, about.
const LEAST_POP: f64 = 10.0;
/// Frames in which they are settled are this far apart, seconds, where the take has more.
const SETTLED_STEP_SECS: f64 = 1.0 / 30.0;
/// How far around a frame contacts are looked at as a whole, seconds.
const LONGEST_SECS: f64 = 2.0;
/// How far around a frame contacts are found anew, seconds.
const FOUND_SECS: f64 = 1.5;

/// How far around a frame touches are found anew, how much farther it is looked, and how far frames that
/// are looked at are apart where the take has more, seconds.
const TOUCHES_FOUND_SECS: f64 = 0.8;
const TOUCH_EDGE_SECS: f64 = 0.25;
const TOUCHES_FOUND_STEP_SECS: f64 = 1.0 / 60.0;
/// Frames around one in which touches are carried over: how far, and how far apart, in times of a fade.
const TOUCHED_FADES: f64 = 2.5;
const TOUCHED_STEP_FADES: f64 = 1.0 / 3.0;
/// How far apart they are at least, seconds.
const LEAST_TOUCHED_STEP_SECS: f64 = 1.0 / 60.0;

/// Frames around one in which parts are taken out of each other: how far apart, in times of a fade, and how
/// many to each side.
const CLEARED_STEP_FADES: f64 = 0.5;
const CLEARED_STEPS: f64 = 2.0;

/// Some frames of the take, with what it stands on.
fn take_at(known: &Retargeted, stance: &Stance, grid: Grid) -> Result<UprightTake, SolveError> {
    let clip = grid.sampled(&known.take)?;
    Ok(UprightTake {
        worlds: clip.worlds(),
        clip,
        body: known.performer.clone(),
        stance: stance.clone(),
    })
}

/// The contacts known, with those around a frame found anew.
fn contacts_around(
    known: &Retargeted,
    asked: &Asked<'_>,
    frame: usize,
) -> Result<Vec<Contact>, SolveError> {
    let [first, last] = around(known, FOUND_SECS, &[], frame);
    let take = take_at(known, &asked.stance, Grid::around(frame, [first, last], 1))?;
    let far = known.contacts.contacts.iter();
    let far = far.filter(|contact| contact.last < first || contact.first > last);
    let near = take.foot_contacts(asked.settings).into_iter();
    let near = near.map(|contact| Contact {
        first: contact.first + first,
        last: contact.last + first,
        ..contact
    });
    Ok(far.copied().chain(near).collect())
}

/// The touches known, with those around a frame found anew. One that was known at about the same frames
/// stays as it was.
fn touches_around(
    known: &Retargeted,
    asked: &Asked<'_>,
    frame: usize,
) -> Result<Vec<Touch>, SolveError> {
    let all = known.contacts.touches.as_deref().unwrap_or_default();
    let [least, most] = [TOUCHES_FOUND_SECS, LONGEST_SECS].map(|secs| wide(known, frame, secs));
    let stretches = all.iter().map(|touch| (touch.first, touch.last));
    let whole = widened(least, most, stretches);
    // What begins or ends a touch lies outside it.
    let [first, last] = [whole[0], whole[1]].map(|edge| wide(known, edge, TOUCH_EDGE_SECS));
    let [first, last] = [first[0], last[1]];
    let step = frames_in(known, TOUCHES_FOUND_STEP_SECS);
    let grid = Grid::around(frame, [first, last], step);
    let take = take_at(known, &asked.stance, grid)?;
    let [first, last] = [grid.first, grid.frame(grid.count - 1)];
    let found = take.touches(asked.settings).into_iter();
    let found = found.map(|touch| {
        let is_same = |other: &&Touch| {
            let both = [&touch, *other].map(|touch| [touch.from, touch.to]);
            let [own, other_ends] = both.map(|ends| ends.map(|e| (e.part, e.side, e.pair)));
            let [from, to] = [grid.frame(touch.first), grid.frame(touch.last)];
            own == other_ends && other.first <= to && from <= other.last
        };
        let like = all.iter().find(is_same);
        // What goes on beyond the frames that are looked at ends there as it did.
        let ends = |at: usize, edge: usize, own: Option<usize>| {
            let frame = grid.frame(at);
            let is_beyond = frame == edge;
            own.filter(|own| is_beyond || own.abs_diff(frame) < step)
                .unwrap_or(frame)
        };
        Touch {
            first: ends(touch.first, first, like.map(|like| like.first)),
            last: ends(touch.last, last, like.map(|like| like.last)),
            from: like.map_or(touch.from, |like| like.from),
            to: like.map_or(touch.to, |like| like.to),
        }
    });
    let is_near = |touch: &Touch| touch.first <= least[1] && touch.last >= least[0];
    let far = all.iter().copied().filter(|touch| !is_near(touch));
    let mut touches: Vec<Touch> = far.chain(found.filter(is_near)).collect();
    touches.sort_by_key(|touch| (touch.first, touch.last));
    Ok(touches)
}

/// Frames around one, carried over without touches.
struct Bare {
    prepared: Prepared,
    plain: Clip,
    bare: Clip,
}

impl Bare {
    /// Pelvis and legs are those of the last result.
    fn new(known: &Retargeted, asked: &Asked<'_>, grid: Grid) -> Result<Self, SolveError> {
        let prepared = Prepared::sampled(known, asked, grid)?;
        let plain = prepared.plain()?;
        let mut bare = plain.clone();
        prepared.change(&mut bare, asked.settings)?;
        for at in 0..grid.count {
            let solved = known.solved.frame(grid.frame(at));
            prepared.take_legs_of(bare.frame_mut(at), solved);
        }
        Ok(Self {
            prepared,
            plain,
            bare,
        })
    }
}

/// A frame of the last result that a change is asked of.
struct Scene<'a> {
    known: &'a Retargeted,
    asked: &'a [Asked<'a>; 2],
    surface: Option<&'a Surface>,
    frame: usize,
}

impl Scene<'_> {
    /// Lays over `clip` what becomes of it as touches change; `bare` is the same clip of one frame without
    /// any.
    fn touch(
        &self,
        touches: &[Vec<Touch>; 2],
        prepared: &Prepared,
        clip: &mut Clip,
        bare: &Clip,
    ) -> Result<(), SolveError> {
        // On the performer's own body every touch is where it was.
        if same_joints(&prepared.take.clip.skeleton, &prepared.skeleton) {
            return Ok(());
        }
        let sets = [0, 1].map(|at| self.asked[at].settings.touches);
        let fades = sets.map(|set| set.fade_secs);
        let [longest, shortest] = [fades[0].max(fades[1]), fades[0].min(fades[1])];
        let step_secs = (TOUCHED_STEP_FADES * longest).min(0.5 * shortest);
        let step = frames_in(self.known, step_secs.max(LEAST_TOUCHED_STEP_SECS));
        let stretch = wide(self.known, self.frame, TOUCHED_FADES * longest);
        let grid = Grid::around(self.frame, stretch, step);
        let near = [0, 1].map(|at| {
            let near = touches[at].iter().filter(|_| sets[at].enabled);
            let near = near.filter_map(|touch| {
                let (first, last) = grid.place((touch.first, touch.last))?;
                let placed = Touch {
                    first,
                    last,
                    ..*touch
                };
                Some((*touch, placed))
            });
            near.collect::<Vec<_>>()
        });
        let is_kept_apart = keeps_apart(self.asked);
        let within = wide(self.known, self.frame, FADES * longest);
        let is_free = [0, 1].map(|at| {
            let mut all = touches[at].iter().filter(|_| sets[at].enabled);
            !all.any(|touch| touch.first <= within[1] && touch.last >= within[0])
                && !is_kept_apart[at]
        });
        let is_changed = sets[0]
            != TouchSettings {
                keep_out: sets[0].keep_out,
                limits: sets[0].limits,
                ..sets[1]
            }
            || self.asked[0].settings.limits != self.asked[1].settings.limits
            || !self.asked[0].is_laid_as(&self.asked[1]);
        let is_let_go = is_kept_apart[0] && !is_kept_apart[1];
        if is_free[1] {
            if !is_free[0] {
                *clip = bare.clone();
            }
        } else if near.iter().any(|near| !near.is_empty())
            && (near[0] != near[1] || is_changed || is_let_go)
        {
            let [old, new] = self.poses(&near, grid, is_let_go)?;
            if is_let_go {
                *clip = bare.clone();
            }
            lay_step_over(clip.frame_mut(0), [&old, &new]);
        }
        Ok(())
    }

    /// Local transforms before and after a change of touches, each given in frames of the whole take and
    /// those of the grid. Where parts were kept apart and are not any more, which takes no touch to undo,
    /// the first are without touches.
    fn poses(
        &self,
        near: &[Vec<(Touch, Touch)>; 2],
        grid: Grid,
        is_let_go: bool,
    ) -> Result<[Vec<Transform>; 2], SolveError> {
        let [was, is] = self.asked;
        let old = Bare::new(self.known, was, grid)?;
        let other = match was.starts_as(is) {
            true => None,
            false => Some(Bare::new(self.known, is, grid)?),
        };
        let new = other.as_ref().unwrap_or(&old);
        let solved = grid.sampled(&self.known.solved)?;
        let frames = |bare| Frames {
            bare,
            solved: &solved,
            at: grid.at,
        };
        let placed = [0, 1].map(|at| near[at].iter().map(|both| both.1).collect::<Vec<_>>());
        let sets = [was, is].map(|asked| &asked.settings.touches);
        let ranges = [was, is].map(|asked| &asked.settings.limits);
        let (goals, known, before) =
            old.prepared
                .with_cast(&old.plain, self.surface, ranges[0], |cast| {
                    let goals = cast.goals(&placed[0], sets[0]);
                    let known = goals.iter().filter_map(|goal| {
                        let (touch, _) =
                            near[0].iter().find(|(_, placed)| *placed == goal.touch)?;
                        let mut all = self.known.touches.iter();
                        let carried = all.find(|carried| carried.touch == *touch)?;
                        Some(Known::new(goal, &solved, |at| {
                            let frame = grid.frame(at).clamp(touch.first, touch.last);
                            carried.gaps_m[frame - touch.first]
                        }))
                    });
                    let known: Vec<Known> = known.collect();
                    let before = match is_let_go {
                        true => Ok(old.bare.frame(grid.at).to_vec()),
                        false => cast.pose_now(&goals, &known, sets[0], frames(&old.bare)),
                    };
                    (goals, known, before)
                });
        let after = new
            .prepared
            .with_cast(&new.plain, self.surface, ranges[1], |cast| {
                // The same touches over the same motion differ in how far they are kept apart.
                let is_like = other.is_none()
                    && placed[0] == placed[1]
                    && sets[0].fade_secs == sets[1].fade_secs;
                let goals: Vec<Goal> = match is_like {
                    true => cleared(&goals, sets.map(|set| set.clearance_m)),
                    false => cast.goals(&placed[1], sets[1]),
                };
                cast.pose_now(&goals, &known, sets[1], frames(&new.bare))
            })?;
        let mut before = before?;
        // What changes besides is laid over the clip already.
        if other.is_some() {
            let [from, to] = [&old.bare, &new.bare].map(|bare| bare.frame(grid.at));
            lay_step_over(&mut before, [from, to]);
        }
        Ok([before, after])
    }
}

/// How far around a frame balance is looked at, in times of its fade, and how far apart the frames are that
/// are looked at.
const BALANCED_FADES: f64 = 3.0;
const BALANCED_STEP_FADES: f64 = 0.1;

/// The shift of the pelvis for balance in one frame, level, metres: that of the last result with what the change
/// makes of it. The frames around it stand as they did in the last result, with the changed trunk over them.
fn balance_now(
    known: &Retargeted,
    change: &Change<'_>,
    surface: Option<&Surface>,
    frame: usize,
) -> Result<DVec3, SolveError> {
    let asked = &change.asked;
    let sets = [0, 1].map(|at| asked[at].settings.balance);
    let shift = known.balance_shifts[frame];
    let is_same =
        sets[0] == sets[1] && asked[0].starts_as(&asked[1]) && change.foot_contacts.is_none();
    if !sets[1].enabled {
        return Ok(DVec3::ZERO);
    }
    if is_same {
        return Ok(shift);
    }
    let longest_secs = sets[0].fade_secs.max(sets[1].fade_secs);
    let shortest_secs = sets[0].fade_secs.min(sets[1].fade_secs);
    let grid = Grid::around(
        frame,
        wide(known, frame, BALANCED_FADES * longest_secs),
        frames_in(known, BALANCED_STEP_FADES * shortest_secs),
    );
    let around: Vec<DVec3> = (0..grid.count)
        .map(|at| known.balance_shifts[grid.frame(at)])
        .collect();
    let contacts = match &change.foot_contacts {
        Some(contacts) => contacts.clone(),
        None => std::array::from_fn(|_| Contacts {
            contacts: known.contacts.contacts.clone(),
            touches: None,
        }),
    };
    let shifts = |at: usize| {
        let settings = asked[at].settings;
        let Bare { prepared, bare, .. } = Bare::new(known, &asked[at], grid)?;
        if !prepared.is_balanced(settings) {
            return Ok::<_, SolveError>(DVec3::ZERO);
        }
        let placed = contacts[at].with_frames(|stretch| grid.place(stretch));
        let footing = prepared.footing(settings, &placed);
        let masses = prepared.masses(surface);
        // The shifts known are with their strength.
        let found = prepared.shifted(&bare.worlds(), &around, &footing, masses, settings)?;
        Ok(settings.balance.strength * found[grid.at])
    };
    let new = shifts(1)?;
    match sets[0].enabled {
        true => Ok(shift + new - shifts(0)?),
        false => Ok(new),
    }
}

/// Where feet go in one frame, and how the pelvis gives way.
struct FeetNow {
    pelvis: DVec3,
    feet: Vec<FootTarget>,
    parts: Vec<[bool; 3]>,
}

/// Where a foot is to be.
#[derive(Clone, Copy)]
struct FootTarget {
    /// World, metres.
    ankle: DVec3,
    /// `world_from_ankle`.
    ankle_rotation: DQuat,
    /// `world_from_toe_joint`.
    toe_rotation: DQuat,
}

impl FootTarget {
    fn of(leg: &Leg, world: &WorldPose) -> Self {
        Self {
            ankle: world.position(leg.ankle),
            ankle_rotation: world.rotation(leg.ankle),
            toe_rotation: world.rotation(leg.toe_joint()),
        }
    }

    /// This, moved and turned as from one to another.
    fn stepped(&self, [from, to]: [&Self; 2]) -> Self {
        let turned = |this: DQuat, from: DQuat, to: DQuat| to * from.inverse() * this;
        Self {
            ankle: self.ankle + to.ankle - from.ankle,
            ankle_rotation: turned(self.ankle_rotation, from.ankle_rotation, to.ankle_rotation),
            toe_rotation: turned(self.toe_rotation, from.toe_rotation, to.toe_rotation),
        }
    }
}

impl FeetNow {
    /// Before and after a change.
    fn both(
        known: &Retargeted,
        asked: &[Asked<'_>; 2],
        contacts: &FootContacts,
        frame: usize,
    ) -> Result<[Self; 2], SolveError> {
        let fade_secs = [0, 1].map(|at| asked[at].settings.plants.fade_secs);
        let reach_secs = FADES * fade_secs[0].max(fade_secs[1]);
        let all: Vec<&Contacts> = contacts.iter().collect();
        let stretch = around(known, reach_secs, &all, frame);
        let grid = Grid::around(frame, stretch, 1);
        let start = |asked: &Asked<'_>| {
            let prepared = Prepared::sampled(known, asked, grid)?;
            let mut clip = prepared.plain()?;
            prepared.change(&mut clip, asked.settings)?;
            Ok::<_, SolveError>((prepared, clip.worlds()))
        };
        let shifts = &known.balance_shifts[grid.first..grid.first + grid.count];
        let old = start(&asked[0])?;
        let other = match asked[0].starts_as(&asked[1]) {
            true => None,
            false => Some(start(&asked[1])?),
        };
        let new = other.as_ref().unwrap_or(&old);
        let placed = contacts
            .each_ref()
            .map(|contacts| contacts.with_frames(|stretch| grid.place(stretch)));
        Ok([
            Self::of(&old, asked[0].settings, (&placed[0], shifts), grid)?,
            Self::of(new, asked[1].settings, (&placed[1], shifts), grid)?,
        ])
    }

    fn of(
        (prepared, worlds): &(Prepared, Vec<WorldPose>),
        settings: &Settings,
        (contacts, shifts): (&Contacts, &[DVec3]),
        grid: Grid,
    ) -> Result<Self, SolveError> {
        let legs = &prepared.body.legs;
        let (at, end) = (grid.at, grid.count - 1);
        if !settings.plants.enabled {
            let world = &worlds[at];
            return Ok(Self {
                pelvis: DVec3::ZERO,
                feet: legs.iter().map(|leg| FootTarget::of(leg, world)).collect(),
                parts: vec![[false; 3]; legs.len()],
            });
        }
        let planted = prepared.legs(worlds, contacts, settings, Watch::nobody())?;
        let mut weights = prepared.weights(settings);
        let step = ((SETTLED_STEP_SECS / weights.frame_time_secs + 1e-6) as usize).max(1);
        weights.frame_time_secs *= step as f64;
        let around = (SETTLED_SECS / weights.frame_time_secs).ceil() as usize;
        // As many steps as fit before the frame.
        let before = around.min(at / step);
        let [first, last] = [at - before * step, (at + around * step).min(end)];
        let tracks = planted
            .iter()
            .map(|leg| prepared.track(leg, shifts, settings));
        let least_curve = LEAST_POP * prepared.take.clip.frame_time_secs.powi(2);
        let tracks = tracks.map(|mut track| {
            track.largest_curve = track
                .largest_curve
                .max(settings.plants.largest_pop * least_curve);
            track.within([first, last]).sampled(step)
        });
        let offsets = settle_roughly(&tracks.collect::<Vec<LegTrack>>(), &[], &[], &weights)?;
        let targets = planted.iter().zip(&offsets.feet);
        let targets = targets.map(|(leg, offsets)| FootTarget {
            ankle: leg.path.ankle_positions[at] + offsets[before],
            ankle_rotation: leg.path.ankle_rotations[at],
            toe_rotation: leg.path.toe_rotations[at],
        });
        Ok(Self {
            pelvis: offsets.pelvis[before],
            feet: targets.collect(),
            parts: planted.iter().map(|leg| leg.path.parts[at]).collect(),
        })
    }
}

/// `joint_from_axes`: the axes in which the offset of a joint of the character is written
/// (`Settings::offsets_deg`), as that joint carries them along in every frame, whatever posture and
/// plants have made of it.
///
/// With the world rotation S of the joint in a frame and the axes a = S · `joint_from_axes`, a
/// further turn q of the world there makes the offset R into a⁻¹ q a R.
///
/// # Errors
/// Settings that name missing joints or frames, and a joint that is not there.
pub fn offset_axes(
    known: &Retargeted,
    settings: &Settings,
    joint: usize,
) -> Result<DQuat, SolveError> {
    let prepared = Prepared::part(known, settings, [0; 2])?;
    if joint >= prepared.skeleton.len() {
        return Err(SolveError::Setting(format!(
            "joint {joint}: the character has {}",
            prepared.skeleton.len()
        )));
    }
    let alignment = &prepared.alignment;
    let axes = alignment.offset_axes(&prepared.skeleton, &prepared.rest, joint);
    Ok(axes * known.file_from_upright.inverse())
}

/// Whether a part of the clip can be solved from the last result after a change: the floor must be
/// the same, and so must be the contacts, where they were found and not given.
pub fn is_near(before: &Settings, after: &Settings, are_contacts_given: bool) -> bool {
    before.floor_height_m == after.floor_height_m
        && before.level_floor == after.level_floor
        && (are_contacts_given || before.contacts == after.contacts)
        && (are_contacts_given || before.touches.limits == after.touches.limits)
}

/// Carries the frames `first..=last` over with other settings, as if they were the whole take; what
/// is known of the take is not found again. Near both ends the result differs from that of the whole
/// take, so ask for more than is to be shown. `contacts` are those of the whole take, `surface` is the
/// character's skin.
///
/// # Errors
/// As [`super::retarget_watched`].
pub fn retarget_part(
    known: &Retargeted,
    settings: &Settings,
    (contacts, surface): (&Contacts, Option<&Surface>),
    [first, last]: [usize; 2],
    watch: Watch<'_>,
) -> Result<Retargeted, SolveError> {
    settings
        .check()
        .map_err(|error| SolveError::Setting(error.to_string()))?;
    let last = last.min(known.take.frame_count() - 1);
    let first = first.min(last);
    let prepared = Prepared::part(known, settings, [first, last])?;
    let whole = Contacts {
        touches: contacts.touches.clone().or(known.contacts.touches.clone()),
        ..contacts.clone()
    };
    prepared.solve(settings, whole.within([first, last]), surface, watch)
}

impl Prepared {
    /// Some frames of a take that is known already.
    fn part(
        known: &Retargeted,
        settings: &Settings,
        [first, last]: [usize; 2],
    ) -> Result<Self, SolveError> {
        let asked = Asked {
            settings,
            stance: known.stance.clone(),
        };
        Self::sampled(known, &asked, Grid::around(first, [first, last], 1))
    }

    /// The same at even steps, and with what the performer stands on.
    fn sampled(known: &Retargeted, asked: &Asked<'_>, grid: Grid) -> Result<Self, SolveError> {
        let take = take_at(known, &asked.stance, grid)?;
        let skeleton = Arc::clone(&known.solved.skeleton);
        let reference = reference_pose(&known.take, &known.performer, asked.settings)?;
        let feet = match same_joints(&take.clip.skeleton, &skeleton) {
            true => asked.stance.feet.clone(),
            false => known.feet.clone(),
        };
        let prepared = Self::of(
            take,
            skeleton,
            known.body.clone(),
            feet,
            &reference,
            asked.settings,
            known.file_from_upright.inverse(),
        )?;
        Ok(Self {
            first: grid.first,
            step: grid.step,
            made: Arc::clone(&known.made),
            ..prepared
        })
    }

    /// Plain transfer.
    fn plain(&self) -> Result<Clip, SolveError> {
        let transfer = self.transfer();
        let worlds = self.take.worlds.iter();
        self.clip_of(worlds.flat_map(|world| transfer.frame(world)).collect())
    }

    /// Plain transfer with all that is laid over it, feet not planted.
    fn changed(&self, settings: &Settings) -> Result<Clip, SolveError> {
        let mut clip = self.plain()?;
        self.change(&mut clip, settings)?;
        for chain in self.chains(settings)? {
            chain.apply(&mut clip, &self.body, &self.rest, &self.alignment.offsets);
        }
        Ok(clip)
    }

    /// Where the feet were in the last result, moved as far as the change moves a foot that does not
    /// stand.
    fn held_feet(
        &self,
        known: &Retargeted,
        frame: usize,
        [old, new]: [WorldPose; 2],
    ) -> Vec<FootTarget> {
        let held = known.solved.world(frame);
        let legs = self.body.legs.iter().zip(&known.planted_parts);
        let feet = legs.map(|(leg, parts)| {
            let [held, old, new] = [&held, &old, &new].map(|world| FootTarget::of(leg, world));
            match parts[frame].contains(&true) {
                true => FootTarget {
                    ankle: held.ankle + (new.ankle - old.ankle).with_y(0.0),
                    ..held
                },
                false => held.stepped([&old, &new]),
            }
        });
        feet.collect()
    }

    /// Where the feet were in the last result, moved and turned as other plants ask.
    fn moved_feet(
        &self,
        known: &Retargeted,
        frame: usize,
        [old, new]: &[FeetNow; 2],
    ) -> Vec<FootTarget> {
        let held = known.solved.world(frame);
        let legs = self.body.legs.iter();
        let steps = old.feet.iter().zip(&new.feet);
        legs.zip(steps)
            .map(|(leg, (old, new))| FootTarget::of(leg, &held).stepped([old, new]))
            .collect()
    }

    /// Takes the place of the pelvis and the legs over from another clip of one frame.
    fn take_legs(&self, clip: &mut Clip, from: &Clip) {
        self.take_legs_of(clip.frame_mut(0), from.frame(0));
    }

    fn take_legs_of(&self, locals: &mut [Transform], from: &[Transform]) {
        for (joint, own) in from.iter().enumerate() {
            let mut legs = self.body.legs.iter();
            if legs.any(|leg| self.skeleton.is_at_or_above(leg.hip, joint)) {
                locals[joint] = *own;
            }
        }
        let root = self.body.root;
        locals[root].translation = from[root].translation;
    }

    fn move_pelvis(&self, clip: &mut Clip, by: DVec3) {
        let (world, root) = (clip.world(0), self.body.root);
        move_joint(&self.skeleton, clip.frame_mut(0), &world, root, by);
    }

    /// Lowers the pelvis of a clip of one frame until every leg reaches the ankle, world, metres, that it is given.
    fn lower_into_reach(&self, clip: &mut Clip, ankles: &[Option<DVec3>]) {
        /// A leg is as good as straight at this share of its length: a knee bent by two degrees.
        const STRAIGHT: f64 = 0.9998;
        let world = clip.world(0);
        let legs = self.body.legs.iter().zip(ankles);
        let drops = legs.filter_map(|(leg, ankle)| {
            let to_hip = world.position(leg.hip) - (*ankle)?;
            let longest_m = STRAIGHT * leg.length_m(&self.rest);
            let aside_m = to_hip.with_y(0.0).length();
            let tallest_m = (longest_m * longest_m - aside_m * aside_m).max(0.0).sqrt();
            Some(to_hip.y - tallest_m)
        });
        let drop_m = drops.fold(0.0, f64::max);
        if drop_m > 0.0 {
            self.move_pelvis(clip, DVec3::NEG_Y * drop_m);
        }
    }

    /// Moves the pelvis of a clip of one frame over feet that stay.
    fn shift_over_feet(&self, clip: &mut Clip, by: DVec3) {
        if by != DVec3::ZERO {
            let world = clip.world(0);
            let legs = self.body.legs.iter();
            let feet: Vec<FootTarget> = legs.map(|leg| FootTarget::of(leg, &world)).collect();
            self.move_pelvis(clip, by);
            self.reach(clip, &feet);
        }
    }

    /// Bends the legs of a clip of one frame to where the feet go.
    fn reach(&self, clip: &mut Clip, feet: &[FootTarget]) {
        let world = clip.world(0);
        for (leg, foot) in self.body.legs.iter().zip(feet) {
            let path = FootPath {
                ankle_positions: vec![foot.ankle],
                ankle_rotations: vec![foot.ankle_rotation],
                toe_rotations: vec![foot.toe_rotation],
                clearances: vec![0.0],
                planted: vec![false],
                parts: vec![[false; 3]],
            };
            let prior = self.alignment.knee_prior(&self.body, leg);
            let leg = PlantedLeg::new(leg, std::slice::from_ref(&world), path, prior);
            leg.pose(clip.frame_mut(0), &world, 0, DVec3::ZERO, DVec3::ZERO);
        }
    }
}
