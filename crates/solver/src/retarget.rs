//! The main job: a take and a character go in, the character's clip comes out.

mod alone;
pub mod near;

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, OnceLock};

use thiserror::Error;
use understudy_anatomy::{Body, Masses};
use understudy_motion::{Clip, ClipError, DQuat, DVec3, Skeleton, Surface, Transform, WorldPose};
use understudy_overlap::{Parts, SkinParts, body_parts};

use crate::align::{self, Alignment, align, source_leg};
use crate::balance::{
    Asked, Footprint, Sizes, bounded, foot_middle, gain, on_feet, smooth_shifts, standing_weights,
};
use crate::banded::NotPositive;
use crate::calm::calm_legs;
use crate::contacts::{Contact, Contacts, FootPart, planted_frames, runs};
use crate::floor::Floor;
use crate::foot::{Foot, Stance, character_feet, find_stance};
use crate::keys::{FoundKey, lay_over, root_shifts};
use crate::lie;
use crate::pins::{missed_pins, pins_of};
use crate::planted_leg::PlantedLeg;
use crate::plants::{FootTake, plant_foot};
use crate::posture::{LEANING_DEG, Poser, standing_lean_deg};
use crate::secondary::{Chain, FoundRule, Secondary, Spring, chain_from};
use crate::settings::{LimitSettings, Reference, Settings, Together};
use crate::settle::{LegTrack, Offsets, RestTrack, Weights, settle};
use crate::sole_skin::Vertex;
use crate::touch::{self, CarriedTouch, Flesh, Touch};
use crate::transfer::{Pairing, Transfer, TravelScale, move_joint};
use crate::travel::travel_scale;
use crate::watch::{Stopped, Watch};

/// A performer's take: motion and what its joints mean. Axes as in its file, metres.
#[derive(Clone, Copy)]
pub struct Take<'a> {
    /// The motion.
    pub clip: &'a Clip,
    /// Its skeleton read as a body.
    pub body: &'a Body,
    /// A skin, where the take has one: it tells where the soles are.
    pub surface: Option<&'a Surface>,
}

/// A character at rest. Axes as in its file, metres.
#[derive(Clone, Copy)]
pub struct Character<'a> {
    /// The joints.
    pub skeleton: &'a Arc<Skeleton>,
    /// Their meaning.
    pub body: &'a Body,
    /// The skin, where there is one: it tells where the soles are.
    pub surface: Option<&'a Surface>,
}

/// Why no clip came out.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum SolveError {
    /// A setting is out of its range or names something that is not there.
    #[error("{0}")]
    Setting(String),
    /// Contacts do not fit the take.
    #[error("{0}")]
    Contacts(String),
    /// Numbers ran out of range.
    #[error("the solve failed at row {0} of its equations: the take holds values out of range")]
    Numeric(usize),
    /// Whoever watched wanted it stopped.
    #[error("stopped")]
    Stopped,
    /// The result is no clip.
    #[error(transparent)]
    Clip(#[from] ClipError),
}

impl From<NotPositive> for SolveError {
    fn from(error: NotPositive) -> Self {
        Self::Numeric(error.row)
    }
}

impl From<Stopped> for SolveError {
    fn from(_: Stopped) -> Self {
        Self::Stopped
    }
}

/// A take carried onto a character. Clips here have Y up; [`Retargeted::in_file_axes`] turns
/// them back to the axes of the character's file.
#[derive(Clone, Debug)]
pub struct Retargeted {
    /// The take, Y up.
    pub take: Clip,
    /// Its body, Y up.
    pub performer: Body,
    /// The performer's feet and floor.
    pub stance: Stance,
    /// Plain transfer onto the character.
    pub plain: Clip,
    /// The result, with feet planted.
    pub solved: Clip,
    /// The character's body, Y up.
    pub body: Body,
    /// The character's feet, in the order of its legs.
    pub feet: Vec<Foot>,
    /// Contacts of the performer.
    pub contacts: Contacts,
    /// Which parts of each of the character's feet are planted in the result, leg by leg, frame
    /// by frame: heel, ball, toe.
    pub planted_parts: Vec<Vec<[bool; 3]>>,
    /// Factors on travel.
    pub scale: TravelScale,
    /// How far the pelvis gave way, per frame, metres.
    pub pelvis_offsets: Vec<DVec3>,
    /// How far it went up of that with the whole body, which lies on the floor where it rests there, per
    /// frame, metres along Y.
    pub rises: Vec<f64>,
    /// How far the pelvis is shifted for balance before it gives way, per frame, level, metres.
    pub balance_shifts: Vec<DVec3>,
    /// The touches of the take on the character, and what is left between the surfaces.
    pub touches: Vec<CarriedTouch>,
    /// What a person should know.
    pub notes: Vec<String>,
    file_from_upright: DQuat,
    made: Arc<Made>,
    /// The performer's feet and floor, found level and with the slope that the take shows.
    stances: Arc<OnceLock<[Stance; 2]>>,
}

/// What is made once of a take and a character, for as long as both stay the same.
#[derive(Default)]
struct Made {
    /// The character's flesh, without its skin and with it.
    flesh: [OnceLock<Arc<Flesh>>; 2],
    /// Its skin in parts.
    parts: OnceLock<(SkinParts, Parts)>,
    /// Its masses, on its bones and in its skin.
    masses: [OnceLock<Masses>; 2],
}

impl fmt::Debug for Made {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Made").finish_non_exhaustive()
    }
}

impl Retargeted {
    /// The floor the character stands on.
    pub fn floor(&self) -> Floor {
        self.stance.floor
    }

    /// A part of it, `first..=last`, in the part's own frames: motion, contacts and touches as they
    /// are in the whole, not solved again. Frames past the end are left out; the clock of the part
    /// starts as that of the whole.
    pub fn within(&self, [first, last]: [usize; 2]) -> Self {
        let last = last.min(self.solved.frame_count() - 1);
        let first = first.min(last);
        let part = |clip: &Clip| {
            let mut part = clip.range(first, last);
            part.start_secs = clip.start_secs;
            part
        };
        let touches = self.touches.iter();
        Self {
            take: part(&self.take),
            performer: self.performer.clone(),
            stance: self.stance.clone(),
            plain: part(&self.plain),
            solved: part(&self.solved),
            body: self.body.clone(),
            feet: self.feet.clone(),
            contacts: self.contacts.within([first, last]),
            planted_parts: self
                .planted_parts
                .iter()
                .map(|leg| leg[first..=last].to_vec())
                .collect(),
            scale: self.scale,
            pelvis_offsets: self.pelvis_offsets[first..=last].to_vec(),
            rises: self.rises[first..=last].to_vec(),
            balance_shifts: self.balance_shifts[first..=last].to_vec(),
            touches: touches
                .filter_map(|touch| touch.within([first, last]))
                .collect(),
            notes: self.notes.clone(),
            file_from_upright: self.file_from_upright,
            made: Arc::clone(&self.made),
            stances: Arc::default(),
        }
    }

    /// A clip of the character in the axes of its own file.
    pub fn in_file_axes(&self, clip: &Clip) -> Clip {
        clip.rotated(self.file_from_upright)
    }
}

/// Carries a take onto a character. `contacts` replaces detection where given.
///
/// # Errors
/// Settings that name missing joints or frames, contacts past the end, numbers out of range.
pub fn retarget(
    take: Take<'_>,
    character: Character<'_>,
    settings: &Settings,
    contacts: Option<&Contacts>,
) -> Result<Retargeted, SolveError> {
    retarget_watched(take, character, settings, contacts, Watch::nobody())
}

/// As [`retarget`], telling how far it has come.
///
/// # Errors
/// As [`retarget`], and [`SolveError::Stopped`] where `watch` said so.
pub fn retarget_watched(
    take: Take<'_>,
    character: Character<'_>,
    settings: &Settings,
    contacts: Option<&Contacts>,
    watch: Watch<'_>,
) -> Result<Retargeted, SolveError> {
    watch.at(0.0)?;
    settings
        .check()
        .map_err(|error| SolveError::Setting(error.to_string()))?;
    let prepared = Prepared::new(take, character, settings)?;
    let contacts = match contacts {
        Some(given) => {
            given
                .check(take.clip.frame_count(), take.body)
                .map_err(SolveError::Contacts)?;
            let mut given = given.clone();
            if given.touches.is_none() {
                given.touches = Some(prepared.take.touches(settings));
            }
            given
        }
        None => prepared.take.contacts(settings),
    };
    prepared.solve(
        settings,
        contacts,
        character.surface,
        watch.part(PREPARED, 1.0),
    )
}

/// A clip before its feet are planted, with its world poses, and its legs.
struct Poses<'a> {
    changed: &'a Clip,
    worlds: &'a [WorldPose],
    legs: &'a [PlantedLeg],
    /// Level shifts of the pelvis for balance, frame by frame, metres.
    shifts: &'a [DVec3],
}

/// Rounds in which what rests is brought to the floor.
const REST_ROUNDS: usize = 2;

/// How much less easily the pelvis gives way to legs along the floor where it is balanced.
const BALANCED: f64 = 30.0;

/// Share of the work that is done before touches are carried over, about.
const TOUCHES: f64 = 0.5;

/// Share of carrying touches over that is done when legs are out of each other, about.
const LEGS: f64 = 0.2;

/// Share of the work that is done before the first frame is carried over, about.
const PREPARED: f64 = 0.05;

/// The take's contacts alone, with the performer's feet and floor.
pub fn find_contacts(take: Take<'_>, settings: &Settings) -> (Stance, Contacts) {
    let take = UprightTake::new(take, settings);
    let contacts = take.contacts(settings);
    (take.stance, contacts)
}

/// The touches of a take: what of the body rests on what, or hits it.
pub fn find_touches(take: Take<'_>, settings: &Settings) -> Vec<Touch> {
    UprightTake::new(take, settings).touches(settings)
}

/// A take turned to Y up, with its world poses and what it stands on.
struct UprightTake {
    clip: Clip,
    body: Body,
    worlds: Vec<WorldPose>,
    stance: Stance,
}

impl UprightTake {
    fn new(take: Take<'_>, settings: &Settings) -> Self {
        let turn = take.body.frame.upright_from_file();
        let clip = take.clip.rotated(turn);
        let body = take.body.turned(turn);
        let worlds = clip.worlds();
        let stance = find_stance(
            &clip,
            &worlds,
            &body,
            take.surface,
            settings.floor_height_m,
            !settings.level_floor,
        );
        Self {
            clip,
            body,
            worlds,
            stance,
        }
    }

    fn touches(&self, settings: &Settings) -> Vec<Touch> {
        touch::find::find(
            &self.clip,
            &self.body,
            &self.worlds,
            &self.stance.floor,
            &settings.touches.limits,
        )
    }

    fn contacts(&self, settings: &Settings) -> Contacts {
        Contacts {
            contacts: self.foot_contacts(settings),
            touches: Some(self.touches(settings)),
        }
    }

    fn foot_contacts(&self, settings: &Settings) -> Vec<Contact> {
        let leg_length = self.body.leg_length_m(&self.clip.skeleton).unwrap_or(1.0);
        let mut contacts = Vec::new();
        for foot in &self.stance.feet {
            for part in FootPart::ALL {
                let Some(point) = foot.point(part) else {
                    continue;
                };
                let points: Vec<DVec3> = self.worlds.iter().map(|w| point.world(w)).collect();
                let mask = planted_frames(
                    &points,
                    part,
                    &self.stance.floor,
                    leg_length,
                    self.clip.frame_time_secs,
                    &settings.contacts,
                );
                contacts.extend(runs(&mask).into_iter().map(|(first, last)| Contact {
                    side: foot.side,
                    pair: foot.pair,
                    part,
                    first,
                    last,
                    place_m: None,
                }));
            }
        }
        contacts
    }
}

/// A leg that both bodies have.
struct LegFooting {
    /// Its number among the performer's.
    take: usize,
    /// Among the character's.
    own: usize,
    /// How much it stands, frame by frame, 0 to 1.
    weights: Vec<f64>,
}

struct Prepared {
    take: UprightTake,
    skeleton: Arc<Skeleton>,
    body: Body,
    rest: WorldPose,
    feet: Vec<Foot>,
    alignment: Alignment,
    scale: TravelScale,
    notes: Vec<String>,
    file_from_upright: DQuat,
    /// Frame of the whole take at which this part of it begins.
    first: usize,
    /// Frames of the whole take for each of this part.
    step: usize,
    made: Arc<Made>,
}

impl Prepared {
    fn new(
        take: Take<'_>,
        character: Character<'_>,
        settings: &Settings,
    ) -> Result<Self, SolveError> {
        let take = UprightTake::new(take, settings);
        let upright = character.body.frame.upright_from_file();
        let skeleton = upright_skeleton(character.skeleton, upright)?;
        let body = character.body.turned(upright);
        let feet = if same_joints(&take.clip.skeleton, &skeleton) {
            take.stance.feet.clone()
        } else {
            character_feet(&skeleton, &body, character.surface)
        };
        let reference = reference_pose(&take.clip, &take.body, settings)?;
        Self::of(take, skeleton, body, feet, &reference, settings, upright)
    }

    /// `reference` is the performer's reference pose and level facing in it; `upright` turns the
    /// character's file to Y up.
    fn of(
        take: UprightTake,
        skeleton: Arc<Skeleton>,
        body: Body,
        feet: Vec<Foot>,
        reference: &(WorldPose, DVec3),
        settings: &Settings,
        upright: DQuat,
    ) -> Result<Self, SolveError> {
        let rest = skeleton.rest_world();
        let mut alignment = align(
            align::Side {
                skeleton: &take.clip.skeleton,
                body: &take.body,
                pose: &reference.0,
                forward: reference.1,
                feet: &take.stance.feet,
            },
            align::Side {
                skeleton: &skeleton,
                body: &body,
                pose: &rest,
                forward: body.frame.forward,
                feet: &feet,
            },
            settings.extra_arms,
        );
        let offsets = named_offsets(&skeleton, settings, upright)?;
        alignment.add_offsets(&skeleton, &rest, &offsets);
        let scale = travel_scale(
            (&take.clip.skeleton, &take.body, &take.stance.feet),
            (&skeleton, &body, &feet),
            settings,
        );
        let mut notes = take.stance.notes.clone();
        if body.legs.is_empty() {
            notes.push("the character has no legs, so no foot is planted".into());
        }
        Ok(Self {
            take,
            skeleton,
            body,
            rest,
            feet,
            alignment,
            scale,
            notes,
            file_from_upright: upright.inverse(),
            first: 0,
            step: 1,
            made: Arc::default(),
        })
    }

    fn clip_of(&self, locals: Vec<Transform>) -> Result<Clip, SolveError> {
        let mut clip = Clip::new(
            Arc::clone(&self.skeleton),
            self.take.clip.frame_time_secs,
            locals,
        )?;
        clip.name = self.take.clip.name.clone();
        clip.start_secs = self.take.clip.start_secs;
        Ok(clip)
    }

    fn solve(
        self,
        settings: &Settings,
        contacts: Contacts,
        surface: Option<&Surface>,
        watch: Watch<'_>,
    ) -> Result<Retargeted, SolveError> {
        let transfer = self.transfer();
        let carried = |worlds: &[WorldPose], watch: Watch<'_>| {
            let mut locals = Vec::with_capacity(worlds.len() * self.skeleton.len());
            for (frame, world) in worlds.iter().enumerate() {
                watch.count(frame, worlds.len())?;
                locals.extend(transfer.frame(world));
            }
            self.clip_of(locals)
        };
        let plain = carried(&self.take.worlds, watch.part(0.0, 0.1))?;
        // Planting starts from legs without the take's noise; a clean take is its own.
        let calm = match settings.plants.enabled && settings.together == Together::Clip {
            true => calm_legs(&self.take.clip, &self.take.body)?,
            false => None,
        };
        let mut solved = match calm {
            Some(calm) => carried(&calm.worlds(), watch.part(0.1, 0.15))?,
            None => plain.clone(),
        };
        watch.at(0.15)?;
        self.change(&mut solved, settings)?;
        watch.at(0.18)?;
        let rests = self.rests(&contacts, settings, surface);
        let rises = self.lie(&mut solved, rests.as_ref(), &[], settings)?;
        let mut pelvis_offsets: Vec<DVec3> = rises.iter().map(|rise| DVec3::Y * *rise).collect();
        let worlds = solved.worlds();
        let mut planted_parts = vec![vec![[false; 3]; worlds.len()]; self.body.legs.len()];
        let is_planted = settings.plants.enabled && !self.body.legs.is_empty();
        let legs = match is_planted {
            true => self.legs(&worlds, &contacts, settings, watch.part(0.18, 0.3))?,
            false => Vec::new(),
        };
        let mut notes = self.notes.clone();
        let state = (&solved, &worlds[..], &legs[..]);
        let balance_shifts = self.balance(state, settings, &contacts, surface, &mut notes)?;
        if is_planted {
            let poses = Poses {
                changed: &solved,
                worlds: &worlds,
                legs: &legs,
                shifts: &balance_shifts,
            };
            let watch = watch.part(0.3, TOUCHES);
            let tracks = self.tracks(&poses, settings);
            let weights = self.weights(settings);
            let offsets = self.settled(&poses, rests.as_ref(), |rests, round| {
                let at = |round: usize| round as f64 / (REST_ROUNDS + 1) as f64;
                let watch = watch.part(at(round), at(round + 1));
                match settings.together {
                    Together::Clip => settle(&tracks, rests, &weights, watch),
                    Together::Frame => alone::settle_each(&tracks, rests, &weights, watch),
                }
            })?;
            for (index, leg) in legs.iter().enumerate() {
                planted_parts[index] = leg.path.parts.clone();
            }
            for (own, settled) in pelvis_offsets.iter_mut().zip(&offsets.pelvis) {
                *own += *settled;
            }
            let offsets = offsets.shifted(&balance_shifts);
            self.pose_legs(&mut solved, &worlds, &legs, &offsets);
        } else {
            let priors = self.knee_priors();
            self.poser().shift(&mut solved, &balance_shifts, &priors);
        }
        let carried = self.carry_touches(
            (&plain, &mut solved),
            settings,
            (&contacts, rests.as_ref(), &planted_parts),
            surface,
            &mut notes,
            watch.part(TOUCHES, 0.99),
        )?;
        watch.at(0.99)?;
        for chain in self.chains(settings)? {
            chain.apply(&mut solved, &self.body, &self.rest, &self.alignment.offsets);
        }
        notes.extend(lean_note(&self.take, &contacts));
        let mut done = Retargeted {
            take: self.take.clip,
            performer: self.take.body,
            stance: self.take.stance,
            plain,
            solved,
            body: self.body,
            feet: self.feet,
            contacts,
            planted_parts,
            scale: self.scale,
            pelvis_offsets,
            rises,
            balance_shifts,
            touches: carried,
            notes,
            file_from_upright: self.file_from_upright,
            made: self.made,
            stances: Arc::default(),
        };
        if settings.plants.enabled {
            done.notes.extend(missed_pins(&done));
        }
        Ok(done)
    }

    fn transfer(&self) -> Transfer<'_> {
        Transfer::new(Pairing {
            skeleton: &self.skeleton,
            body: &self.body,
            performer: &self.take.body,
            alignment: &self.alignment,
            floor: self.take.stance.floor,
            scale: self.scale,
        })
    }

    /// What the legs of a clip stand on, frame by frame.
    fn ground(&self, clip: &Clip, planted_parts: &[Vec<[bool; 3]>]) -> Vec<touch::Ground> {
        let floor = self.take.stance.floor;
        let outermost = self.feet.iter().map(|foot| foot.skin.farthest_vertices());
        let outermost: Vec<Vec<Vertex>> = outermost.collect();
        let ground = |frame: usize| {
            let mut ground = touch::Ground::default();
            let world = clip.world(frame);
            for ((foot, outermost), planted) in self.feet.iter().zip(&outermost).zip(planted_parts)
            {
                if planted[frame].contains(&true) {
                    for vertex in foot.lowest_vertices(&world, &floor) {
                        ground.hold(&foot.in_joints(&vertex, &world), &world);
                    }
                }
                for vertex in outermost {
                    ground.keep_over(&foot.in_joints(vertex, &world), &world, &floor);
                }
                for (part, is_planted) in FootPart::ALL.into_iter().zip(planted[frame]) {
                    let Some(point) = foot.point(part) else {
                        continue;
                    };
                    let point = [(point.joint, 1.0, point.local)];
                    match is_planted {
                        true => ground.hold(&point, &world),
                        false => ground.keep_over(&point, &world, &floor),
                    }
                }
            }
            ground
        };
        (0..clip.frame_count()).map(ground).collect()
    }

    /// Brings hands and forearms to what they touch, and takes parts out of each other where that is asked
    /// for: legs first.
    fn carry_touches(
        &self,
        (plain, solved): (&Clip, &mut Clip),
        settings: &Settings,
        (contacts, rests, planted_parts): (&Contacts, Option<&touch::Rests<'_>>, &[Vec<[bool; 3]>]),
        surface: Option<&Surface>,
        notes: &mut Vec<String>,
        watch: Watch<'_>,
    ) -> Result<Vec<CarriedTouch>, SolveError> {
        let touches = contacts.touches.as_deref().unwrap_or_default();
        if !settings.touches.enabled || self.is_own() {
            return Ok(Vec::new());
        }
        let wanted = &settings.touches;
        let skin = surface.filter(|_| wanted.keep_out);
        let skin = skin.map(|surface| self.skin_parts(surface));
        let of_skin = (surface, skin);
        let (mut carried, missing) =
            self.with_stage(plain, of_skin, &settings.limits, |stage| {
                match settings.together {
                    Together::Clip => {
                        let cast = touch::Cast::new(stage);
                        if touches.iter().any(Touch::is_rest) {
                            let ground = self.ground(solved, planted_parts);
                            cast.rest_legs(
                                touches,
                                &ground,
                                wanted,
                                solved,
                                watch.part(0.0, LEGS),
                            )?;
                        }
                        if skin.is_some() {
                            let ground = self.ground(solved, planted_parts);
                            cast.clear_legs(&ground, wanted, solved, watch.part(0.0, LEGS))?;
                        }
                        cast.carry(touches, wanted, solved, None, watch.part(LEGS, 1.0))
                    }
                    // Frames that are solved by themselves have no room for a leg to give way over time.
                    Together::Frame => alone::carry_each(stage, touches, wanted, solved, watch),
                }
            })?;
        carried.extend(rests.map_or_else(Vec::new, |rests| rests.carried(solved, plain)));
        carried.sort_by_key(|carried| (carried.touch.first, carried.touch.last));
        notes.extend(missing.iter().map(|touch| {
            format!(
                "the character has no part for the touch of frames {} to {}, {}; it is left out",
                touch.first,
                touch.last,
                touch.words()
            )
        }));
        Ok(carried)
    }

    /// Whether the character is the performer's own body: every touch is where it was.
    fn is_own(&self) -> bool {
        same_joints(&self.take.clip.skeleton, &self.skeleton)
    }

    /// The character's flesh.
    fn flesh(&self, surface: Option<&Surface>) -> &Arc<Flesh> {
        self.made.flesh[usize::from(surface.is_some())]
            .get_or_init(|| touch::flesh_of(&self.body, surface, &self.rest, &self.skeleton))
    }

    /// What the character rests on the floor with besides its feet, where touches are carried over.
    fn rests(
        &self,
        contacts: &Contacts,
        settings: &Settings,
        surface: Option<&Surface>,
    ) -> Option<touch::Rests<'_>> {
        if !settings.touches.enabled || self.is_own() {
            return None;
        }
        let touches = contacts.touches.as_deref().unwrap_or_default();
        let body = (&*self.skeleton, &self.body, &self.rest);
        let floor = self.take.stance.floor;
        Some(touch::Rests::new(touches, body, self.flesh(surface), floor))
    }

    /// The character's skin in parts.
    fn skin_parts(&self, surface: &Surface) -> &(SkinParts, Parts) {
        self.made.parts.get_or_init(|| {
            let parts = body_parts(&self.skeleton, &self.body);
            let leg_m = self.body.leg_length_m(&self.skeleton).unwrap_or(1.0);
            (SkinParts::new(surface, &parts, &self.rest, leg_m), parts)
        })
    }

    /// Performer and character with their flesh, in the take and in plain transfer.
    fn with_cast<T>(
        &self,
        plain: &Clip,
        surface: Option<&Surface>,
        limits: &LimitSettings,
        ask: impl FnOnce(&touch::Cast<'_>) -> T,
    ) -> T {
        self.with_stage(plain, (surface, None), limits, |stage| {
            ask(&touch::Cast::new(stage))
        })
    }

    /// Performer and character in the take and in plain transfer.
    fn with_stage<T>(
        &self,
        plain: &Clip,
        (surface, skin): (Option<&Surface>, Option<&(SkinParts, Parts)>),
        limits: &LimitSettings,
        ask: impl FnOnce(&touch::Stage<'_>) -> T,
    ) -> T {
        let take = &self.take;
        let source = &take.clip.skeleton;
        let source_rest = source.rest_world();
        let worlds = plain.worlds();
        let limits = touch::BodyLimits::new(&self.body, &self.rest, &self.feet, &worlds, limits);
        ask(&touch::Stage {
            performer: touch::Actor {
                body: &take.body,
                rest: &source_rest,
                worlds: &take.worlds,
                skeleton: source,
            },
            character: touch::Actor {
                body: &self.body,
                rest: &self.rest,
                worlds: &worlds,
                skeleton: &self.skeleton,
            },
            surface,
            flesh: self.flesh(surface),
            skin,
            limits: limits.as_ref(),
            floor: take.stance.floor,
            frame_time_secs: take.clip.frame_time_secs,
        })
    }

    fn poser(&self) -> Poser<'_> {
        Poser {
            skeleton: &self.skeleton,
            body: &self.body,
            rest: &self.rest,
        }
    }

    /// The likely knee axes of the legs, in coordinates of the thighs.
    fn knee_priors(&self) -> Vec<DVec3> {
        let legs = self.body.legs.iter();
        legs.map(|leg| self.alignment.knee_prior(&self.body, leg))
            .collect()
    }

    /// Lays posture and hand keys over the motion.
    fn change(&self, clip: &mut Clip, settings: &Settings) -> Result<(), SolveError> {
        let upright = self.file_from_upright.inverse();
        let priors = self.knee_priors();
        let poser = self.poser();
        poser.apply(clip, &settings.posture, &priors);
        let keys = settings
            .keys
            .iter()
            .map(|key| {
                let joint = find_joint(&self.skeleton, &key.joint, "a hand key")?;
                let degrees = DVec3::from_array(key.turn_deg.map(f64::to_radians));
                Ok(FoundKey {
                    key,
                    joint,
                    turn: upright * degrees,
                    shift: upright * DVec3::from_array(key.shift_m),
                    start: self.first,
                    step: self.step,
                })
            })
            .collect::<Result<Vec<_>, SolveError>>()?;
        let mut shifts = root_shifts(clip.frame_count(), self.body.root, &keys);
        if let Some(factor) = settings.pelvis_height {
            let floor = self.take.stance.floor;
            for (shift, world) in shifts.iter_mut().zip(clip.worlds()) {
                let height_m = floor.above(self.body.mid_hip(&world));
                *shift += DVec3::Y * ((factor - 1.0) * height_m);
            }
        }
        poser.shift(clip, &shifts, &priors);
        lay_over(clip, &self.rest, self.body.root, &keys);
        Ok(())
    }

    /// The chains that follow a rule of their own, what carries others first.
    fn chains(&self, settings: &Settings) -> Result<Vec<Chain>, SolveError> {
        let found = settings.secondary.iter().map(|(name, rule)| {
            let joint = find_joint(&self.skeleton, name, "a secondary chain")?;
            let rule = match rule {
                Secondary::Rest => FoundRule::Rest,
                Secondary::Follow {
                    joint,
                    scale,
                    mirrored,
                } => FoundRule::Follow {
                    joint: find_joint(&self.skeleton, joint, "a secondary chain")?,
                    scale: *scale,
                    mirrored: *mirrored,
                },
                Secondary::Spring {
                    hertz,
                    damping,
                    most_deg,
                } => FoundRule::Spring {
                    spring: Spring {
                        frequency: std::f64::consts::TAU * hertz,
                        damping: *damping,
                    },
                    most: most_deg.to_radians(),
                },
            };
            Ok(Chain {
                joints: chain_from(&self.skeleton, &self.body, joint),
                rule,
            })
        });
        let mut chains = found.collect::<Result<Vec<Chain>, SolveError>>()?;
        // Parents have lower numbers.
        chains.sort_by_key(|chain| chain.joints.first().copied());
        Ok(chains)
    }

    fn legs(
        &self,
        worlds: &[WorldPose],
        contacts: &Contacts,
        settings: &Settings,
        watch: Watch<'_>,
    ) -> Result<Vec<PlantedLeg>, SolveError> {
        let frames = worlds.len();
        let mut legs = Vec::with_capacity(self.body.legs.len());
        for (index, (leg, foot)) in self.body.legs.iter().zip(&self.feet).enumerate() {
            watch.count(index, self.body.legs.len())?;
            let source = source_leg(&self.take.body, leg).map(|i| &self.take.body.legs[i]);
            let mask = |part: FootPart| match source {
                Some(source) => contacts.mask(source.side, source.pair, part, frames),
                None => vec![false; frames],
            };
            let take = FootTake {
                foot,
                ankle_positions: worlds.iter().map(|w| w.position(foot.ankle)).collect(),
                ankle_rotations: worlds.iter().map(|w| w.rotation(foot.ankle)).collect(),
                toe_rotations: worlds.iter().map(|w| w.rotation(foot.toe_joint)).collect(),
                heel: mask(FootPart::Heel),
                ball: mask(FootPart::Ball),
                toe: mask(FootPart::Toe),
                pins: pins_of(contacts, &self.take.body, &self.body.legs, index),
            };
            let path = plant_foot(
                &take,
                &self.rest,
                &self.take.stance.floor,
                settings.together.fade_secs(settings.plants.fade_secs),
                self.take.clip.frame_time_secs,
            )?;
            legs.push(PlantedLeg::new(
                leg,
                worlds,
                path,
                self.alignment.knee_prior(&self.body, leg),
            ));
        }
        Ok(legs)
    }

    /// The character's masses.
    fn masses(&self, surface: Option<&Surface>) -> &Masses {
        self.made.masses[usize::from(surface.is_some())]
            .get_or_init(|| Masses::of_character(&self.body, surface, &self.rest))
    }

    /// Whether the pelvis shifts for balance: the performer's own body is as it was.
    fn is_balanced(&self, settings: &Settings) -> bool {
        settings.balance.enabled && !self.is_own() && self.has_shared_leg()
    }

    fn has_shared_leg(&self) -> bool {
        let mut legs = self.body.legs.iter();
        legs.any(|leg| source_leg(&self.take.body, leg).is_some())
    }

    /// Level shifts of the pelvis, frame by frame, metres, with which the centre of mass lies over the feet
    /// as it did in the take. `legs` are empty where no foot is planted: feet are then where they are in the clip.
    fn balance(
        &self,
        (clip, worlds, legs): (&Clip, &[WorldPose], &[PlantedLeg]),
        settings: &Settings,
        contacts: &Contacts,
        surface: Option<&Surface>,
        notes: &mut Vec<String>,
    ) -> Result<Vec<DVec3>, SolveError> {
        /// Rounds in which shifts are tried: a leg's mass goes with the pelvis by a share that only the leg
        /// knows, so what is missing after a round is asked for in the next.
        const ROUNDS: usize = 3;
        let frames = worlds.len();
        let mut shifts = vec![DVec3::ZERO; frames];
        if !self.is_balanced(settings) {
            if settings.balance.enabled && !self.has_shared_leg() {
                let note = "no leg of the character goes with one of the performer's, so it is not balanced";
                notes.push(note.into());
            }
            return Ok(shifts);
        }
        let footing = self.footing(settings, contacts);
        let masses = self.masses(surface);
        for _ in 0..ROUNDS {
            let mut posed = clip.clone();
            match legs.is_empty() {
                true => self.poser().shift(&mut posed, &shifts, &self.knee_priors()),
                false => {
                    let offsets = Offsets {
                        pelvis: shifts.clone(),
                        feet: vec![vec![DVec3::ZERO; frames]; legs.len()],
                    };
                    self.pose_legs(&mut posed, worlds, legs, &offsets);
                }
            }
            shifts = self.shifted(&posed.worlds(), &shifts, &footing, masses, settings)?;
        }
        let strength = settings.balance.strength;
        Ok(shifts.into_iter().map(|shift| strength * shift).collect())
    }

    /// Legs of the character that the performer has too: their numbers in both bodies, and how much each
    /// stands, frame by frame.
    fn footing(&self, settings: &Settings, contacts: &Contacts) -> Vec<LegFooting> {
        let frames = self.take.worlds.len();
        let secs = settings.together.fade_secs(settings.balance.fade_secs);
        let legs = self.body.legs.iter().enumerate();
        legs.filter_map(|(own, leg)| {
            let take = source_leg(&self.take.body, leg)?;
            let source = &self.take.body.legs[take];
            let masks =
                FootPart::ALL.map(|part| contacts.mask(source.side, source.pair, part, frames));
            let is_down: Vec<bool> = (0..frames)
                .map(|frame| masks.iter().any(|mask| mask[frame]))
                .collect();
            let secs_per_frame = self.take.clip.frame_time_secs;
            Some(LegFooting {
                take,
                own,
                weights: standing_weights(&is_down, secs, secs_per_frame),
            })
        })
        .collect()
    }

    /// Better shifts, from the poses that others make.
    fn shifted(
        &self,
        worlds: &[WorldPose],
        shifts: &[DVec3],
        footing: &[LegFooting],
        masses: &Masses,
        settings: &Settings,
    ) -> Result<Vec<DVec3>, SolveError> {
        let take = &self.take;
        let performer = Masses::published(&take.body);
        let sizes = Sizes {
            take_leg_m: take.body.leg_length_m(&take.clip.skeleton).unwrap_or(1.0),
            scale: self.scale.vertical,
        };
        let own_leg_m = self.body.leg_length_m(&self.skeleton).unwrap_or(1.0);
        let legs = &self.body.legs;
        let is_of_leg = |joint: usize| {
            let mut legs = legs.iter();
            legs.any(|leg| self.skeleton.is_at_or_above(leg.hip, joint))
        };
        let gain = gain(masses, is_of_leg);
        let furthest_m = settings.balance.furthest * own_leg_m;
        let asked = worlds.iter().enumerate().map(|(frame, world)| {
            let performed = &take.worlds[frame];
            let feet: Vec<Footprint> = footing
                .iter()
                .map(|leg| Footprint {
                    take: foot_middle(&take.stance.feet[leg.take], performed),
                    character: foot_middle(&self.feet[leg.own], world),
                    weight: leg.weights[frame],
                })
                .collect();
            let carried = Footprint::carry(&feet, performer.centre(performed), sizes);
            carried.map_or(Asked::default(), |(wanted, weight)| {
                let missing = (wanted - masses.centre(world)).with_y(0.0);
                let floor = &take.stance.floor;
                Asked {
                    shift: bounded(shifts[frame] + missing / gain, furthest_m),
                    weight: weight * on_feet(&take.body, performed, floor, sizes.take_leg_m),
                }
            })
        });
        let fade_secs = settings.together.fade_secs(settings.balance.fade_secs);
        let asked: Vec<Asked> = asked.collect();
        Ok(smooth_shifts(&asked, fade_secs, take.clip.frame_time_secs)?)
    }

    /// Moves the whole body up or down so that it lies on the floor where it rests there, and returns how
    /// far it goes up, metres; `known` is that where it stays, frame by frame, and may be empty.
    fn lie(
        &self,
        clip: &mut Clip,
        rests: Option<&touch::Rests<'_>>,
        known: &[Option<f64>],
        settings: &Settings,
    ) -> Result<Vec<f64>, SolveError> {
        let frames = clip.frame_count();
        let none = vec![0.0; frames];
        let Some(rests) = rests.filter(|_| settings.plants.enabled) else {
            return Ok(none);
        };
        let near = rests.tracks(clip, &vec![DVec3::ZERO; frames]);
        if near.is_empty() {
            return Ok(none);
        }
        let mut weights = self.weights(settings);
        weights.fade_secs = settings.together.fade_secs(weights.fade_secs);
        let rises = lie::rise(&near, known, &weights, frames)?;
        for (frame, rise) in rises.iter().enumerate() {
            let (world, way) = (clip.world(frame), DVec3::Y * *rise);
            let root = self.body.root;
            move_joint(&self.skeleton, clip.frame_mut(frame), &world, root, way);
        }
        Ok(rises)
    }

    /// How pelvis and swinging feet give way for the legs to follow their paths, and for the body to lie
    /// on the floor where it rests there; `settle` is asked with what it rests with, and the round.
    fn settled(
        &self,
        poses: &Poses<'_>,
        rests: Option<&touch::Rests<'_>>,
        settle: impl Fn(&[RestTrack], usize) -> Result<Offsets, SolveError>,
    ) -> Result<Offsets, SolveError> {
        let mut offsets = settle(&[], 0)?;
        let Some(rests) = rests else {
            return Ok(offsets);
        };
        // Legs bend under the pelvis, so knees do not go up and down quite as it does.
        for round in 1..=REST_ROUNDS {
            let mut posed = poses.changed.clone();
            let shifted = offsets.shifted(poses.shifts);
            self.pose_legs(&mut posed, poses.worlds, poses.legs, &shifted);
            let near = rests.tracks(&posed, &offsets.pelvis);
            if near.is_empty() {
                break;
            }
            offsets = settle(&near, round)?;
        }
        Ok(offsets)
    }

    /// Legs under a pelvis that is shifted for balance.
    fn tracks(&self, poses: &Poses<'_>, settings: &Settings) -> Vec<LegTrack> {
        let legs = poses.legs.iter();
        legs.map(|leg| self.track(leg, poses.shifts, settings))
            .collect()
    }

    /// A leg under a pelvis that is shifted for balance.
    fn track(&self, leg: &PlantedLeg, shifts: &[DVec3], settings: &Settings) -> LegTrack {
        let mut track = leg.track(settings);
        for (hip, shift) in track.hips.iter_mut().zip(shifts) {
            *hip += *shift;
        }
        track
    }

    fn weights(&self, settings: &Settings) -> Weights {
        let leg_length = self.body.leg_length_m(&self.skeleton).unwrap_or(1.0);
        Weights {
            offset_m: 0.03 * leg_length,
            bend_error: 0.1,
            fade_secs: settings.plants.fade_secs,
            frame_time_secs: self.take.clip.frame_time_secs,
            level_hold: match self.is_balanced(settings) {
                true => BALANCED,
                false => 1.0,
            },
        }
    }

    /// Moves the pelvis and bends the legs so that every ankle is where its path says.
    fn pose_legs(
        &self,
        solved: &mut Clip,
        plain: &[WorldPose],
        legs: &[PlantedLeg],
        offsets: &Offsets,
    ) {
        for (frame, world) in plain.iter().enumerate() {
            let locals = solved.frame_mut(frame);
            let pelvis = offsets.pelvis[frame];
            move_joint(&self.skeleton, locals, world, self.body.root, pelvis);
            for (leg, feet) in legs.iter().zip(&offsets.feet) {
                leg.pose(locals, world, frame, pelvis, feet[frame]);
            }
        }
    }
}

fn upright_skeleton(skeleton: &Arc<Skeleton>, turn: DQuat) -> Result<Arc<Skeleton>, SolveError> {
    let rest = Clip::new(Arc::clone(skeleton), 1.0, skeleton.rest_locals())?;
    Ok(rest.rotated(turn).skeleton)
}

/// Whether two skeletons are the same body: same joints, same bones.
fn same_joints(a: &Skeleton, b: &Skeleton) -> bool {
    a.len() == b.len()
        && a.joints().iter().zip(b.joints()).all(|(a, b)| {
            let far = a.rest.translation.length().max(1e-9) * 1e-6;
            a.name == b.name
                && a.parent == b.parent
                && a.rest.translation.abs_diff_eq(b.rest.translation, far)
                && a.rest.rotation.dot(b.rest.rotation).abs() > 1.0 - 1e-9
        })
}

/// The reference pose of the take and the performer's level facing in it.
fn reference_pose(
    take: &Clip,
    performer: &Body,
    settings: &Settings,
) -> Result<(WorldPose, DVec3), SolveError> {
    let rest = take.skeleton.rest_world();
    let Reference::Frame(frame) = settings.reference else {
        return Ok((rest, performer.frame.forward));
    };
    if frame >= take.frame_count() {
        return Err(SolveError::Setting(format!(
            "reference frame {frame}: the take ends at frame {}",
            take.frame_count() - 1
        )));
    }
    let pose = take.world(frame);
    let turn = pose.rotation(performer.pelvis) * rest.rotation(performer.pelvis).inverse();
    let forward = turn * performer.frame.forward;
    let level = DVec3::new(forward.x, 0.0, forward.z)
        .try_normalize()
        .unwrap_or(performer.frame.forward);
    Ok((pose, level))
}

fn find_joint(skeleton: &Skeleton, name: &str, what: &str) -> Result<usize, SolveError> {
    skeleton.find(name).ok_or_else(|| {
        SolveError::Setting(format!(
            "{what} names \"{name}\": the character has no joint of that name"
        ))
    })
}

/// Tells a pelvis that leans while the performer stands on both feet.
fn lean_note(take: &UprightTake, contacts: &Contacts) -> Option<String> {
    let frames = take.worlds.len();
    let mut standing = vec![!take.body.legs.is_empty(); frames];
    for leg in &take.body.legs {
        let down = |part| contacts.mask(leg.side, leg.pair, part, frames);
        let (heel, ball) = (down(FootPart::Heel), down(FootPart::Ball));
        for (frame, stands) in standing.iter_mut().enumerate() {
            *stands &= heel[frame] && ball[frame];
        }
    }
    let lean = standing_lean_deg(&take.clip, &take.body, &standing)?;
    let (way, jut) = match lean > 0.0 {
        true => ("forward", "back"),
        false => ("back", "forward"),
    };
    (lean.abs() > LEANING_DEG).then(|| {
        format!(
            "standing, the performer's pelvis leans {:.0} degrees {way} of its rest pose; where the \
             hips jut {jut}, try posture hips_forward_deg: {lean:.0}",
            lean.abs()
        )
    })
}

fn named_offsets(
    skeleton: &Skeleton,
    settings: &Settings,
    upright: DQuat,
) -> Result<BTreeMap<usize, DVec3>, SolveError> {
    settings
        .offsets_deg
        .iter()
        .map(|(name, degrees)| {
            let joint = find_joint(skeleton, name, "an offset")?;
            let radians = DVec3::from_array(degrees.map(f64::to_radians));
            Ok((joint, upright * radians))
        })
        .collect()
}
