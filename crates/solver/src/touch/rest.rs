//! What a body lies on the floor with besides feet and hands, trunk and knees: how high its skin is.

use std::sync::Arc;

use understudy_anatomy::Body;
use understudy_motion::{Clip, DVec3, Skeleton, WorldPose};

use super::find::Moving;
use super::skin::Flesh;
use super::{CarriedTouch, Touch, TouchPart};
use crate::floor::Floor;
use crate::settle::RestTrack;

/// How firmly the pelvis answers: a trunk has nothing else to lie by, legs bend.
const TRUNK: f64 = 1e5;
const LEG: f64 = 1e3;

/// A part bends by so much more than at rest, as a share of its reach.
const BENT: f64 = 1.3;

/// A part that may lie on the floor.
struct Lying {
    part: usize,
    /// With those whose skin lies beside it.
    parts: Vec<usize>,
    /// No skin of it is farther from its bones, metres.
    reach_m: f64,
    firmness: f64,
    /// By which it rests.
    touches: Vec<Touch>,
}

/// All parts by which a character may lie on the floor.
pub(crate) struct Rests<'a> {
    character: Moving<'a>,
    floor: Floor,
    parts: Vec<Lying>,
}

impl<'a> Rests<'a> {
    /// Of a character that rests by those among `touches` that it has the part for.
    pub(crate) fn new(
        touches: &[Touch],
        (skeleton, body, rest): (&Skeleton, &Body, &'a WorldPose),
        flesh: &Arc<Flesh>,
        floor: Floor,
    ) -> Self {
        let character = Moving::new(body, Arc::clone(flesh), rest, &[], skeleton, 1.0);
        let lying = |part: usize| {
            let own = &character.parts[part];
            let touches = touches.iter();
            let touches = touches.filter(|touch| touch.is_rest() && own.is(&touch.from));
            own.kind.may_rest().then(|| Lying {
                part,
                parts: character.resting_parts(part),
                reach_m: BENT * character.flesh.reach_m(&character.parts, part, rest),
                firmness: match own.kind {
                    TouchPart::Trunk => TRUNK,
                    _ => LEG,
                },
                touches: touches.copied().collect(),
            })
        };
        Self {
            parts: (0..character.parts.len()).filter_map(lying).collect(),
            character,
            floor,
        }
    }

    /// Height of the lowest skin of some parts above the floor along Y, metres; without a skin, of the first
    /// at a place along it.
    fn height_m(&self, parts: &[usize], along: f64, world: &WorldPose) -> f64 {
        let flesh = &self.character.flesh;
        let lowest = parts.iter().filter_map(|&part| {
            let is_trunk = self.character.parts[part].kind == TouchPart::Trunk;
            flesh.lowest(part, world, !is_trunk, &self.floor)
        });
        let least_m = lowest.map(|(height_m, _)| height_m).reduce(f64::min);
        least_m.unwrap_or_else(|| {
            let gap_m = self
                .character
                .floor_gap_m(parts[0], along, world, &self.floor);
            gap_m / self.floor.normal.y
        })
    }

    /// Whether a part is too high for any of its skin to be below the floor.
    fn is_high(&self, lying: &Lying, world: &WorldPose) -> bool {
        let line = &self.character.parts[lying.part].line;
        let heights = line
            .iter()
            .map(|point| self.floor.above(point.world(world)));
        heights.fold(f64::INFINITY, f64::min) > lying.reach_m / self.floor.normal.y
    }

    /// What the pelvis must answer where it is moved by `offsets` in a clip: what rests lies on the floor,
    /// and in no frame does trunk or leg go below it. Empty where nothing is near.
    pub(crate) fn tracks(&self, clip: &Clip, offsets: &[DVec3]) -> Vec<RestTrack> {
        let slope = self.floor.normal / self.floor.normal.y;
        let mut tracks: Vec<RestTrack> = self
            .parts
            .iter()
            .map(|lying| RestTrack {
                heights: Vec::with_capacity(offsets.len()),
                slope,
                firmness: lying.firmness,
            })
            .collect();
        for (frame, offset) in offsets.iter().enumerate() {
            let world = clip.world(frame);
            for (track, lying) in tracks.iter_mut().zip(&self.parts) {
                let along = |touch: &Touch| touch.from.along;
                let mut touches = lying.touches.iter();
                let held = touches.find(|touch| (touch.first..=touch.last).contains(&frame));
                let parts = match held {
                    Some(_) => &lying.parts[..],
                    None => &lying.parts[..1],
                };
                let is_asked = held.is_some() || !self.is_high(lying, &world);
                track.heights.push(is_asked.then(|| {
                    let height_m = self.height_m(parts, held.map_or(0.0, along), &world);
                    (height_m - slope.dot(*offset), held.is_some())
                }));
            }
        }
        tracks.retain(|track| track.heights.iter().any(Option::is_some));
        tracks
    }

    /// What is left of each rest in a clip, and what there was in another.
    pub(crate) fn carried(&self, now: &Clip, before: &Clip) -> Vec<CarriedTouch> {
        let carried = |lying: &Lying, touch: &Touch| {
            let gaps_m = |clip: &Clip| {
                let frames = touch.first..=touch.last;
                frames
                    .map(|frame| self.height_m(&lying.parts, touch.from.along, &clip.world(frame)))
                    .collect()
            };
            CarriedTouch {
                touch: *touch,
                gaps_m: gaps_m(now),
                gaps_before_m: gaps_m(before),
            }
        };
        let parts = self.parts.iter();
        parts
            .flat_map(|lying| lying.touches.iter().map(move |touch| carried(lying, touch)))
            .collect()
    }
}
