//! A quick answer to a change, from the last result: one frame at once, or a stretch of frames, before
//! the whole clip is carried over again.

use understudy_anatomy::Leg;
use understudy_motion::{Clip, DQuat, DVec3, Surface, Transform, WorldPose};

use super::{Prepared, Retargeted, SolveError, UprightTake, reference_pose, same_joints};
use crate::contacts::{Contact, Contacts};
use crate::planted_leg::PlantedLeg;
use crate::plants::FootPath;
use crate::settings::Settings;
use crate::settle::{LegTrack, settle_roughly};
use crate::touch::{Touch, TouchSettings};
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
/// laid over it. `surface` is the character's skin.
///
/// Of travel, posture, keys and offsets: plain transfer before and after; feet that stand stay where
/// they stood, and the legs reach them exactly. Of planting and contacts: the paths of the feet, and how
/// the pelvis gives way to them, in the frames around, before and after. Of touches that come or go and
/// of their clearance: hands that touch something in this frame, before and after. `None` where only the
/// frames around tell: another floor, touches that have to be found again, what gives way for them and how
/// firmly, and frames in which an arm is on its way to a touch.
///
/// # Errors
/// Settings that name missing joints or frames, contacts that do not fit the take.
pub fn pose_now(
    known: &Retargeted,
    before: Chosen<'_>,
    after: Chosen<'_>,
    surface: Option<&Surface>,
    frame: usize,
) -> Result<Option<Now>, SolveError> {
    let frame = frame.min(known.solved.frame_count() - 1);
    let Some(change) = Change::between(known, before, after, frame)? else {
        return Ok(None);
    };
    let changed = |settings: &Settings| {
        let prepared = Prepared::part(known, settings, [frame; 2])?;
        Ok::<_, SolveError>((prepared.changed(settings)?, prepared))
    };
    let ((old, _), (new, prepared)) = (changed(before.settings)?, changed(after.settings)?);
    let mut clip = known.solved.range(frame, frame);
    let mut planted_parts: Vec<[bool; 3]> = known.planted_parts.iter().map(|p| p[frame]).collect();
    // The same without touches, for those that change.
    let mut bare = new.clone();
    lay_step_over(clip.frame_mut(0), [old.frame(0), new.frame(0)]);
    if after.settings.plants.enabled {
        let mut pelvis = known.pelvis_offsets[frame];
        let feet = match change.foot_contacts {
            Some(contacts) => {
                let chosen = [before.settings, after.settings];
                let ways = FeetNow::both(known, chosen, contacts, frame)?;
                let step = ways[1].pelvis - ways[0].pelvis;
                prepared.move_pelvis(&mut clip, step);
                pelvis += step;
                planted_parts = ways[1].parts.clone();
                prepared.moved_feet(known, frame, &ways)
            }
            None => prepared.held_feet(known, frame, [old.world(0), new.world(0)]),
        };
        prepared.reach(&mut clip, &feet);
        prepared.move_pelvis(&mut bare, pelvis);
        prepared.reach(&mut bare, &feet);
    } else if before.settings.plants.enabled {
        // Without plants, pelvis and legs are those of plain transfer; touches stay.
        prepared.take_legs(&mut clip, &bare);
        planted_parts.fill([false; 3]);
    }
    if let Some(touches) = change.touches {
        let chosen = [before.settings, after.settings];
        let ends = prepared.touched(&bare, &clip, touches, chosen, surface)?;
        lay_step_over(clip.frame_mut(0), [ends[0].frame(0), ends[1].frame(0)]);
    }
    Ok(Some(Now {
        locals: clip.frame(0).to_vec(),
        planted_parts,
    }))
}

/// Lays the step from one pose to another over a third.
fn lay_step_over(locals: &mut [Transform], [from, to]: [&[Transform]; 2]) {
    for (local, (from, to)) in locals.iter_mut().zip(from.iter().zip(to)) {
        let turned = local.rotation * from.rotation.inverse() * to.rotation;
        local.rotation = turned.normalize();
        local.translation += to.translation - from.translation;
    }
}

/// Contacts of the feet, before a change and after it, in frames of the whole take.
type FootContacts = [Contacts; 2];

/// What a change is of, besides plain transfer and what is laid over it.
struct Change {
    /// Contacts before and after, where planting changes.
    foot_contacts: Option<FootContacts>,
    /// Touches of the frame before and after, where these or their settings change.
    touches: Option<[Vec<Touch>; 2]>,
}

impl Change {
    /// `None` where one frame cannot tell.
    fn between(
        known: &Retargeted,
        before: Chosen<'_>,
        after: Chosen<'_>,
        frame: usize,
    ) -> Result<Option<Self>, SolveError> {
        let (old, new) = (before.settings, after.settings);
        if old.floor_height_m != new.floor_height_m || old.level_floor != new.level_floor {
            return Ok(None);
        }
        if let Some(given) = after.contacts {
            given
                .check(known.take.frame_count(), &known.performer)
                .map_err(SolveError::Contacts)?;
        }
        let Some(touches) = touches_of(known, before, after) else {
            return Ok(None);
        };
        let touches = match old.touches == new.touches && *touches[0] == *touches[1] {
            true => None,
            false => {
                if is_on_the_way(known, [old, new], touches, frame) {
                    return Ok(None);
                }
                let here = |all: &[Touch]| {
                    let here = all.iter().filter(|t| (t.first..=t.last).contains(&frame));
                    here.copied().collect::<Vec<_>>()
                };
                let here = touches.map(here);
                here.iter()
                    .any(|touches| !touches.is_empty())
                    .then_some(here)
            }
        };
        let contacts = |contacts: Vec<Contact>| Contacts {
            contacts,
            touches: None,
        };
        let found = contacts(known.contacts.contacts.clone());
        let is_found_anew =
            after.contacts.is_none() && (before.contacts.is_some() || old.contacts != new.contacts);
        let wanted = match after.contacts {
            Some(given) => contacts(given.contacts.clone()),
            None if is_found_anew => contacts(found_around(known, new, frame)),
            None => found.clone(),
        };
        let is_replanted = old.plants != new.plants || wanted.merged() != found.merged();
        let is_planted = new.plants.enabled && is_replanted;
        Ok(Some(Self {
            foot_contacts: is_planted.then_some([found, wanted]),
            touches,
        }))
    }
}

/// Touches before and after a change; `None` where they have to be found in the whole take.
fn touches_of<'a>(
    known: &'a Retargeted,
    before: Chosen<'a>,
    after: Chosen<'a>,
) -> Option<[&'a [Touch]; 2]> {
    let given = |chosen: Chosen<'a>| chosen.contacts.and_then(|given| given.touches.as_deref());
    let known = known.contacts.touches.as_deref().unwrap_or_default();
    let (old, new) = (before.settings, after.settings);
    let is_off = !old.touches.enabled && !new.touches.enabled;
    match given(after) {
        _ if is_off => Some([known; 2]),
        Some(touches) => Some([known, touches]),
        None if given(before).is_none() && old.touches.limits == new.touches.limits => {
            Some([known; 2])
        }
        None => None,
    }
}

/// Whether an arm is on its way to a touch or back in a frame, is kept out of the body by what happens in
/// other frames, or gives way otherwise than before: one frame does not tell how turns are shared out.
fn is_on_the_way(
    known: &Retargeted,
    settings: [&Settings; 2],
    touches: [&[Touch]; 2],
    frame: usize,
) -> bool {
    let sets = || settings.into_iter().map(|settings| settings.touches);
    if sets().any(|set| set.enabled && set.keep_out) {
        return true;
    }
    let [old, new] = settings.map(|settings| settings.touches);
    let is_like = |old: TouchSettings| TouchSettings {
        enabled: new.enabled,
        clearance_m: new.clearance_m,
        ..old
    };
    if old.enabled && new.enabled && is_like(old) != new {
        return true;
    }
    let fade_secs = sets().map(|set| set.fade_secs).fold(0.0, f64::max);
    let fade = (FADES * fade_secs / known.take.frame_time_secs).ceil() as usize;
    let is_near = |touch: &Touch| {
        let away = touch.first.saturating_sub(frame) + frame.saturating_sub(touch.last);
        (1..=fade).contains(&away)
    };
    touches.into_iter().flatten().any(is_near)
}

/// Times a fade after which nothing is left of a correction that an eye would see: a fiftieth.
const FADES: f64 = 4.0;

/// Frames around one that tell what feet do in it: `reach_secs` to both sides, and contacts that begin or
/// end within them as a whole, up to [`LONGEST_SECS`].
fn around(known: &Retargeted, reach_secs: f64, contacts: &[&Contacts], frame: usize) -> [usize; 2] {
    let frames = |secs: f64| (secs / known.take.frame_time_secs).ceil() as usize;
    let end = known.take.frame_count() - 1;
    let wide = |frames: usize| [frame.saturating_sub(frames), (frame + frames).min(end)];
    let [least, most] = [wide(frames(reach_secs)), wide(frames(LONGEST_SECS))];
    let all = contacts.iter().flat_map(|contacts| &contacts.contacts);
    let touching = all.filter(|c| c.first <= least[1] && c.last >= least[0]);
    touching.fold(least, |[first, last], contact| {
        [
            first.min(contact.first.max(most[0])),
            last.max(contact.last.min(most[1])),
        ]
    })
}

/// How far around a frame pelvis and legs are settled, seconds: the pelvis gives way over a third of one.
const SETTLED_SECS: f64 = 0.7;
/// How far around a frame contacts are looked at as a whole, seconds.
const LONGEST_SECS: f64 = 2.0;
/// How far around a frame contacts are found anew, seconds.
const FOUND_SECS: f64 = 1.5;

/// The contacts known, with those around a frame found anew.
fn found_around(known: &Retargeted, settings: &Settings, frame: usize) -> Vec<Contact> {
    let [first, last] = around(known, FOUND_SECS, &[], frame);
    let clip = known.take.range(first, last);
    let take = UprightTake {
        worlds: clip.worlds(),
        clip,
        body: known.performer.clone(),
        stance: known.stance.clone(),
    };
    let far = known.contacts.contacts.iter();
    let far = far.filter(|contact| contact.last < first || contact.first > last);
    let near = take.foot_contacts(settings).into_iter();
    let near = near.map(|contact| Contact {
        first: contact.first + first,
        last: contact.last + first,
        ..contact
    });
    far.copied().chain(near).collect()
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
        settings: [&Settings; 2],
        contacts: FootContacts,
        frame: usize,
    ) -> Result<[Self; 2], SolveError> {
        let fade_secs = settings.map(|settings| settings.plants.fade_secs);
        let reach_secs = FADES * fade_secs[0].max(fade_secs[1]);
        let all: Vec<&Contacts> = contacts.iter().collect();
        let stretch = around(known, reach_secs, &all, frame);
        let [old, new] = [0, 1].map(|at| {
            let contacts = contacts[at].within(stretch);
            Self::of(known, settings[at], &contacts, stretch, frame)
        });
        Ok([old?, new?])
    }

    fn of(
        known: &Retargeted,
        settings: &Settings,
        contacts: &Contacts,
        stretch: [usize; 2],
        frame: usize,
    ) -> Result<Self, SolveError> {
        let prepared = Prepared::part(known, settings, stretch)?;
        let transfer = prepared.transfer();
        let worlds = prepared.take.worlds.iter();
        let locals = worlds.flat_map(|world| transfer.frame(world)).collect();
        let mut clip = prepared.clip_of(locals)?;
        prepared.change(&mut clip, settings)?;
        let at = frame - stretch[0];
        let legs = &prepared.body.legs;
        if !settings.plants.enabled {
            let world = clip.world(at);
            return Ok(Self {
                pelvis: DVec3::ZERO,
                feet: legs.iter().map(|leg| FootTarget::of(leg, &world)).collect(),
                parts: vec![[false; 3]; legs.len()],
            });
        }
        let worlds = clip.worlds();
        let planted = prepared.legs(&worlds, contacts, settings, Watch::nobody())?;
        let around = (SETTLED_SECS / known.take.frame_time_secs).ceil() as usize;
        let end = worlds.len() - 1;
        let [first, last] = [at.saturating_sub(around), (at + around).min(end)];
        let tracks = planted.iter().map(|leg| leg.track(&settings.plants));
        let tracks: Vec<LegTrack> = tracks.map(|track| track.within([first, last])).collect();
        let offsets = settle_roughly(&tracks, &prepared.weights(settings))?;
        let targets = planted.iter().zip(&offsets.feet);
        let targets = targets.map(|(leg, offsets)| FootTarget {
            ankle: leg.path.ankle_positions[at] + offsets[at - first],
            ankle_rotation: leg.path.ankle_rotations[at],
            toe_rotation: leg.path.toe_rotations[at],
        });
        Ok(Self {
            pelvis: offsets.pelvis[at - first],
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
        let clip = known.take.range(first, last);
        let reference = reference_pose(&known.take, &known.performer, settings)?;
        let take = UprightTake {
            worlds: clip.worlds(),
            clip,
            body: known.performer.clone(),
            stance: known.stance.clone(),
        };
        let prepared = Self::of(
            take,
            std::sync::Arc::clone(&known.solved.skeleton),
            known.body.clone(),
            known.feet.clone(),
            &reference,
            settings,
            known.file_from_upright.inverse(),
        )?;
        Ok(Self { first, ..prepared })
    }

    /// Plain transfer with all that is laid over it, feet not planted.
    fn changed(&self, settings: &Settings) -> Result<Clip, SolveError> {
        let transfer = self.transfer();
        let worlds = self.take.worlds.iter();
        let mut clip = self.clip_of(worlds.flat_map(|world| transfer.frame(world)).collect())?;
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
        let locals = clip.frame_mut(0);
        for (joint, own) in from.frame(0).iter().enumerate() {
            let mut legs = self.body.legs.iter();
            if legs.any(|leg| self.skeleton.is_at_or_above(leg.hip, joint)) {
                locals[joint] = *own;
            }
        }
        let root = self.body.root;
        locals[root].translation = from.frame(0)[root].translation;
    }

    fn move_pelvis(&self, clip: &mut Clip, by: DVec3) {
        let (world, root) = (clip.world(0), self.body.root);
        move_joint(&self.skeleton, clip.frame_mut(0), &world, root, by);
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

    /// A clip of one frame without touches, with the touches of that frame as they are before a change and
    /// after it; `start` touches already, as before.
    fn touched(
        &self,
        bare: &Clip,
        start: &Clip,
        touches: [Vec<Touch>; 2],
        settings: [&Settings; 2],
        surface: Option<&Surface>,
    ) -> Result<[Clip; 2], SolveError> {
        let transfer = self.transfer();
        let plain = self.clip_of(transfer.frame(&self.take.worlds[0]))?;
        let is_own = same_joints(&self.take.clip.skeleton, &self.skeleton);
        let mut ends = [bare.clone(), bare.clone()];
        self.with_cast(&plain, surface, |cast| {
            let all = ends.iter_mut().zip(settings).zip(touches);
            for ((end, settings), touches) in all.filter(|((_, s), _)| s.touches.enabled && !is_own)
            {
                let here = touches.into_iter().map(|touch| Touch {
                    first: 0,
                    last: 0,
                    ..touch
                });
                let here: Vec<Touch> = here.collect();
                cast.carry(&here, &settings.touches, end, Some(start), Watch::nobody())?;
            }
            Ok(ends)
        })
    }
}
