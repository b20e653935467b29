//! The bodies on the stage: what is drawn of performer and character, and how they move.
//!
//! The world has Y up, metres. Made in the background, then only read.

use std::sync::Arc;

use understudy_anatomy::{Body, JointPoint, Side};
use understudy_measure::distance_segment_segment::distance_segment_segment;
use understudy_measure::penetration::{Rod, Rods};
use understudy_measure::{PlantedParts, Report, Subject, parts_from_contacts};
use understudy_motion::{Clip, DVec3, Skeleton, Surface, WorldPose, signal};
use understudy_scene::{Loaded, Solved};
use understudy_solver::{Floor, Foot, FootPart, Retargeted};

use super::model::Model;
use super::palette;

/// The camera follows the body's travel below this frequency, Hz: it glides, it does not bob.
const FOLLOW_HZ: f64 = 0.6;

/// Who a body is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Who {
    /// The body that was captured.
    Performer,
    /// The body that is to move like it.
    Character,
    /// The character once more, with the settings that are compared with.
    Other,
}

impl Who {
    /// All.
    pub const ALL: [Self; 3] = [Self::Performer, Self::Character, Self::Other];

    /// For people and the command line.
    pub fn word(self) -> &'static str {
        match self {
            Self::Performer => "performer",
            Self::Character => "character",
            Self::Other => "character with other settings",
        }
    }
}

/// A body as it is drawn, whatever it does.
#[derive(Debug)]
pub struct Figure {
    /// Name of its file.
    pub name: String,
    /// Joints, Y up.
    pub skeleton: Arc<Skeleton>,
    /// Height at rest, metres.
    pub height_m: f64,
    /// Skin and bones.
    pub model: Model,
    /// What of it cannot be drawn, and why.
    pub problems: Vec<String>,
}

/// How a body moves, in one version.
#[derive(Debug)]
pub struct Motion {
    /// Frame after frame, Y up.
    pub clip: Clip,
    /// Frame of the whole clip that is its first.
    pub first: usize,
    /// The middle of the body, frame by frame, steadied for cameras.
    pub middles: Vec<DVec3>,
    /// Level direction in which the body faces in the first frame.
    pub forward: DVec3,
    /// Soles, foot by foot.
    pub soles: Vec<Sole>,
    /// Pairs of parts that go into each other somewhere.
    pub touches: Vec<Touch>,
    /// What is measured of it.
    pub report: Option<Report>,
}

/// A foot on the floor.
#[derive(Debug)]
pub struct Sole {
    /// Side of the body.
    pub side: Side,
    /// "left foot".
    pub name: String,
    /// Heel, ball and toe, frame by frame, where the foot has them.
    pub tracks: [Option<Vec<DVec3>>; 3],
    /// Whether heel, ball and toe stand, frame by frame.
    pub planted: PlantedParts,
}

/// Two parts of a body and how deep they go into each other.
#[derive(Debug)]
pub struct Touch {
    /// "left hand".
    pub part: String,
    /// "trunk".
    pub other_part: String,
    /// Rods around the bones of the two; a tail has several.
    rods: [Vec<Rod>; 2],
    /// Depth beyond that at rest, frame by frame, mm.
    pub depths_mm: Vec<f64>,
}

/// One body on the stage.
#[derive(Clone, Debug)]
pub struct Actor {
    /// What is drawn.
    pub figure: Arc<Figure>,
    /// How it moves: of a character that was solved, plain transfer first and the result last.
    pub motions: Vec<Arc<Motion>>,
}

/// All bodies, and what they stand on.
#[derive(Clone, Debug, Default)]
pub struct Stage {
    /// The performer, where a take is open.
    pub performer: Option<Actor>,
    /// The character, where one is open.
    pub character: Option<Actor>,
    /// The character with the settings that are compared with, once these are solved.
    pub other: Option<Actor>,
    /// What performer and character stand on.
    pub floor: Floor,
    /// What the other stands on.
    pub other_floor: Floor,
    /// The character's size on the floor over the performer's; 1 before it is known.
    pub travel_factor: f64,
}

impl Stage {
    /// The body of that kind.
    pub fn actor(&self, who: Who) -> Option<&Actor> {
        match who {
            Who::Performer => self.performer.as_ref(),
            Who::Character => self.character.as_ref(),
            Who::Other => self.other.as_ref(),
        }
    }

    /// What a body stands on.
    pub fn floor_of(&self, who: Who) -> Floor {
        match who {
            Who::Performer | Who::Character => self.floor,
            Who::Other => self.other_floor,
        }
    }

    /// What is on the stage before anything was carried over: the take, and the character at rest.
    pub fn unsolved(take: Option<&Loaded>, character: Option<&Loaded>) -> Self {
        let performer = take.map(|take| read_actor(take, Who::Performer));
        let character = character.map(|character| read_actor(character, Who::Character));
        let lowest = |actor: &Actor| {
            let motion = actor.motions.first()?;
            Some(lowest_m(&actor.figure, &motion.clip.world(0)))
        };
        let floor = performer
            .as_ref()
            .or(character.as_ref())
            .and_then(lowest)
            .unwrap_or(0.0);
        let stand = |actor: Actor| match lowest(&actor) {
            Some(height) => actor.raised(floor - height),
            None => actor,
        };
        Self {
            floor: Floor::level(floor),
            travel_factor: 1.0,
            performer,
            character: character.map(stand),
            other: None,
            other_floor: Floor::level(floor),
        }
    }

    /// The same bodies with what was solved for them.
    pub fn solved(&self, solved: &Solved, surface: Option<&Surface>) -> Self {
        let done = &solved.retargeted;
        let floor = done.floor();
        let frames = done.take.frame_count();
        let take_parts = parts_from_contacts(&done.stance.feet, &done.contacts, frames);
        let compared = &solved.comparison;
        let actor = |actor: &Option<Actor>, motions: Vec<Motion>| {
            actor.as_ref().map(|actor| Actor {
                figure: Arc::clone(&actor.figure),
                motions: motions.into_iter().map(Arc::new).collect(),
            })
        };
        let moved = |clip: &Clip,
                     body: &Body,
                     feet: &[Foot],
                     parts: &[PlantedParts],
                     skin,
                     report: &Report| {
            let figure_height = clip_height_m(clip);
            let subject = Subject::new(clip, body, feet, floor, parts);
            Motion {
                middles: middles(
                    &subject.worlds,
                    body.root,
                    floor,
                    figure_height,
                    clip.frame_time_secs,
                ),
                forward: facing(clip, body.pelvis, body.frame.forward),
                soles: soles(&subject),
                touches: touches(&subject, skin, report),
                clip: clip.clone(),
                first: 0,
                report: Some(report.clone()),
            }
        };
        let parts = &done.planted_parts;
        let performer = vec![moved(
            &done.take,
            &done.performer,
            &done.stance.feet,
            &take_parts,
            None,
            &compared.take,
        )];
        let character = [
            (&done.plain, &compared.plain),
            (&done.solved, &compared.solved),
        ]
        .map(|(clip, report)| moved(clip, &done.body, &done.feet, parts, surface, report));
        Self {
            performer: actor(&self.performer, performer),
            character: actor(&self.character, character.into()),
            other: self.other.clone(),
            floor,
            other_floor: self.other_floor,
            travel_factor: done.scale.horizontal,
        }
    }
}

impl Actor {
    /// The motion that is shown: the result, or with `before` plain transfer.
    pub fn motion(&self, before: bool) -> Option<&Arc<Motion>> {
        match before {
            true => self.motions.first(),
            false => self.motions.last(),
        }
    }

    /// The same body, moved up.
    fn raised(mut self, by_m: f64) -> Self {
        let up = DVec3::Y * by_m;
        let raise = |motion: &Arc<Motion>| {
            Arc::new(Motion {
                clip: motion.clip.translated(up),
                first: motion.first,
                middles: motion.middles.iter().map(|middle| *middle + up).collect(),
                forward: motion.forward,
                soles: Vec::new(),
                touches: Vec::new(),
                report: None,
            })
        };
        self.motions = self.motions.iter().map(raise).collect();
        self
    }
}

impl Motion {
    /// The number, in this motion, of a frame of the whole clip; its first or last frame where it
    /// does not have it.
    pub fn held(&self, frame: usize) -> usize {
        frame
            .saturating_sub(self.first)
            .min(self.clip.frame_count() - 1)
    }

    /// The frames of the whole clip that it has.
    pub fn frames(&self) -> std::ops::RangeInclusive<usize> {
        self.first..=self.first + self.clip.frame_count() - 1
    }

    /// A part of a character's motion that was made anew, from the frame `first` on; the middles are
    /// those of the motion `whole`, so that cameras stay where they are. `None` past its end.
    pub fn part(
        done: &Retargeted,
        clip: Clip,
        planted: Vec<PlantedParts>,
        whole: &Self,
        first: usize,
    ) -> Option<Self> {
        let subject = Subject::new(&clip, &done.body, &done.feet, done.floor(), &planted);
        let soles = soles(&subject);
        let middles = whole.middles.get(first..first + clip.frame_count())?;
        Some(Self {
            middles: middles.to_vec(),
            forward: whole.forward,
            soles,
            touches: Vec::new(),
            report: None,
            clip,
            first,
        })
    }
}

impl Sole {
    /// First frame of the plant of a part that holds in a frame.
    pub fn planted_since(&self, part: usize, frame: usize) -> Option<usize> {
        let stands = |at: usize| self.planted.get(at).is_some_and(|on| on[part]);
        if !stands(frame) {
            return None;
        }
        let moved = (0..frame).rev().find(|&at| !stands(at));
        Some(moved.map_or(0, |before| before + 1))
    }
}

impl Touch {
    /// The pair as faults name it.
    pub fn name(&self) -> String {
        format!("{} and {}", self.part, self.other_part)
    }

    /// Where the two are nearest to each other in a pose: the middle of the two axes' points.
    pub fn meeting_point(&self, pose: &WorldPose) -> DVec3 {
        /// Points tried along one of the axes.
        const STEPS: usize = 32;
        let [(one, _), (other, _)] = self.rods(pose);
        let along = |step: usize| one[0].lerp(one[1], step as f64 / STEPS as f64);
        let nearest = (0..=STEPS).map(along).min_by(|a, b| {
            let away = |point: DVec3| distance_segment_segment([point, point], other);
            away(*a).total_cmp(&away(*b))
        });
        let point = nearest.unwrap_or(one[0]);
        let axis = other[1] - other[0];
        let share = (point - other[0]).dot(axis) / axis.length_squared().max(f64::MIN_POSITIVE);
        0.5 * (point + other[0] + share.clamp(0.0, 1.0) * axis)
    }

    /// The rod of each that is deepest in the other's in a pose: ends, metres, and radius.
    pub fn rods(&self, pose: &WorldPose) -> [([DVec3; 2], f64); 2] {
        let (_, deepest) = deepest(&self.rods, pose);
        deepest.map(|rod| (rod.ends(pose), rod.radius_m))
    }
}

/// How deep the rods of two parts go into each other in a pose, metres, below 0 where they are apart, and
/// the two that are deepest. Both have some.
fn deepest(rods: &[Vec<Rod>; 2], pose: &WorldPose) -> (f64, [Rod; 2]) {
    let pairs = rods[0]
        .iter()
        .flat_map(|one| rods[1].iter().map(move |other| [*one, *other]));
    let depths = pairs.map(|pair| {
        let [one, other] = pair;
        let apart_m = distance_segment_segment(one.ends(pose), other.ends(pose));
        (one.radius_m + other.radius_m - apart_m, pair)
    });
    let first = (f64::MIN, [rods[0][0], rods[1][0]]);
    depths.fold(
        first,
        |most, next| if next.0 > most.0 { next } else { most },
    )
}

/// A file's body with its own motion.
fn read_actor(loaded: &Loaded, who: Who) -> Actor {
    let frame = loaded.recognition.frame;
    let turn = frame.upright_from_file();
    let clip = match who {
        Who::Performer => loaded.clip.rotated(turn),
        // A character stands at rest until it is told what to do.
        Who::Character | Who::Other => at_rest(&loaded.clip).rotated(turn),
    };
    let skeleton = Arc::clone(&clip.skeleton);
    let rest = skeleton.rest_world();
    let mut height_m = extent_m(&skeleton, &rest);
    if let Some(surface) = loaded.surface() {
        let points = surface.meshes.iter().flat_map(|mesh| mesh.posed(&rest));
        height_m = height_m.max(span(points.map(|point| point.y)));
    }
    let height_m = height_m.max(clip_height_m(&clip)).max(1e-3);
    let tint = match who {
        Who::Performer => palette::PERFORMER,
        Who::Character | Who::Other => palette::SKIN,
    };
    let (model, problems) = Model::new(&skeleton, loaded.drawn(), &sides(loaded), height_m, tint);
    let figure = Figure {
        name: loaded.stem(),
        height_m,
        model,
        problems,
        skeleton,
    };
    let joints = loaded
        .assembly
        .as_ref()
        .map(|made| (made.body.root, made.body.pelvis));
    let (root, pelvis) = *joints.as_ref().unwrap_or(&(0, 0));
    let worlds = clip.worlds();
    let floor = Floor::level(lowest_m(&figure, &worlds[0]));
    let motion = Motion {
        middles: middles(&worlds, root, floor, height_m, clip.frame_time_secs),
        forward: facing(&clip, pelvis, turn * frame.forward),
        clip,
        first: 0,
        soles: Vec::new(),
        touches: Vec::new(),
        report: None,
    };
    Actor {
        figure: Arc::new(figure),
        motions: vec![Arc::new(motion)],
    }
}

/// One frame of the rest pose.
fn at_rest(clip: &Clip) -> Clip {
    let locals = clip.skeleton.rest_locals();
    // Rest transforms of a skeleton are finite, so this clip is made.
    Clip::new(Arc::clone(&clip.skeleton), clip.frame_time_secs, locals)
        .unwrap_or_else(|_| clip.clone())
}

/// Where a body faces in the first frame, level; `forward` is where it faces at rest.
fn facing(clip: &Clip, pelvis: usize, forward: DVec3) -> DVec3 {
    let rest = clip.skeleton.rest_world();
    let turn = clip.world(0).rotation(pelvis) * rest.rotation(pelvis).inverse();
    level(turn * forward)
}

fn level(direction: DVec3) -> DVec3 {
    DVec3::new(direction.x, 0.0, direction.z)
        .try_normalize()
        .unwrap_or(DVec3::Z)
}

/// The side of every joint: that of its role, or of the nearest joint above with one.
fn sides(loaded: &Loaded) -> Vec<Side> {
    let skeleton = loaded.skeleton();
    let mut sides: Vec<Side> = Vec::with_capacity(skeleton.len());
    for joint in 0..skeleton.len() {
        let own = loaded.recognition.roles.role(joint).map(|role| role.side);
        let above = skeleton
            .parent(joint)
            .and_then(|parent| sides.get(parent).copied());
        sides.push(own.or(above).unwrap_or(Side::Middle));
    }
    sides
}

fn span(values: impl Iterator<Item = f64>) -> f64 {
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    (high - low).max(0.0)
}

/// Height of joints and their ends in a pose, metres.
fn extent_m(skeleton: &Skeleton, pose: &WorldPose) -> f64 {
    span(heights(skeleton, pose).into_iter())
}

fn heights(skeleton: &Skeleton, pose: &WorldPose) -> Vec<f64> {
    let tips = (0..skeleton.len()).flat_map(|joint| {
        let tips = skeleton.joint(joint).tips.iter();
        tips.map(move |tip| pose.point(joint, *tip).y)
    });
    (0..skeleton.len())
        .map(|joint| pose.position(joint).y)
        .chain(tips)
        .collect()
}

fn clip_height_m(clip: &Clip) -> f64 {
    extent_m(&clip.skeleton, &clip.world(0))
}

fn lowest_m(figure: &Figure, pose: &WorldPose) -> f64 {
    let joints = heights(&figure.skeleton, pose);
    let lowest_joint = joints.into_iter().fold(f64::MAX, f64::min);
    // A skin reaches below its lowest joint.
    let skins = figure.model.skin.iter().flat_map(|skin| skin.posed(pose));
    skins.map(|point| point.y).fold(lowest_joint, f64::min)
}

/// Where cameras look: above the smoothed place of the root, at half the body's height.
fn middles(
    worlds: &[WorldPose],
    root: usize,
    floor: Floor,
    height_m: f64,
    frame_time_secs: f64,
) -> Vec<DVec3> {
    let places: Vec<DVec3> = worlds.iter().map(|world| world.position(root)).collect();
    signal::low_pass_points(&places, FOLLOW_HZ, frame_time_secs)
        .into_iter()
        .map(|place| floor.below(place) + DVec3::Y * (0.5 * height_m))
        .collect()
}

fn soles(subject: &Subject<'_>) -> Vec<Sole> {
    let feet = subject.feet.iter().enumerate();
    feet.map(|(leg, foot)| Sole {
        side: foot.side,
        name: format!("{} foot", subject.leg_name(leg)),
        tracks: FootPart::ALL.map(|part| {
            foot.point(part)
                .map(|point: JointPoint| subject.track(point))
        }),
        planted: subject.planted_parts.get(leg).cloned().unwrap_or_default(),
    })
    .collect()
}

/// Depths, frame by frame, of the pairs that a report found to go into each other.
fn touches(subject: &Subject<'_>, surface: Option<&Surface>, report: &Report) -> Vec<Touch> {
    let pairs = report.penetration.pairs.iter();
    let bones = Rods::new(subject, surface);
    pairs
        .filter_map(|pair| {
            let rods = [&pair.part, &pair.other_part].map(|name| bones.of(name));
            if rods.iter().any(Vec::is_empty) {
                return None;
            }
            let at_rest = deepest(&rods, &subject.rest).0.max(0.0);
            let deeper = |pose: &WorldPose| 1000.0 * (deepest(&rods, pose).0 - at_rest).max(0.0);
            Some(Touch {
                part: pair.part.clone(),
                other_part: pair.other_part.clone(),
                depths_mm: match report.penetration.on_skin {
                    true => pair.depths_mm.clone(),
                    false => subject.worlds.iter().map(deeper).collect(),
                },
                rods,
            })
        })
        .collect()
}
