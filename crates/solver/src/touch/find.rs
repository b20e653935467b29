//! Finds the touches of a take: stretches in which a hand or forearm rests on a part of the body, or
//! meets it and turns back, or in which knees, seat or back rest on the floor.
//!
//! The performer's flesh is an estimate, so no fixed distance makes a touch. A stretch counts from
//! its own nearest frame: what comes near enough, and then stays within a few millimetres without
//! gliding off, rests on the surface; what closes in fast and turns back at once has hit it. Two
//! limits for the way in and the way out keep it from flickering (hysteresis).

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use understudy_anatomy::{Body, Side};
use understudy_motion::{Clip, DVec3, Skeleton, Surface, WorldPose, signal};

use super::part::{Part, parts_of};
use super::skin::Flesh;
use super::{Touch, TouchEnd, TouchPart};
use crate::floor::Floor;

/// Limits of touch detection. Lengths in lengths of the performer's hand (about 0.19 m of an adult),
/// so that they hold for any size of body; times in seconds. Common practice, no published source.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TouchLimits {
    /// A touch needs a frame in which the surfaces are nearer than this.
    pub near: f64,
    /// A touch lasts while the surfaces are within this of their nearest.
    pub rise: f64,
    /// What rests moves slower than this over the surface, hand lengths per second.
    pub speed: f64,
    /// A rest that is shorter is none, seconds.
    pub shortest_secs: f64,
    /// What hits closes in faster than this, hand lengths per second.
    pub hit_speed: f64,
}

impl Default for TouchLimits {
    fn default() -> Self {
        Self {
            near: 0.24,
            rise: 0.03,
            speed: 1.2,
            shortest_secs: 0.12,
            hit_speed: 1.5,
        }
    }
}

/// A body in motion with its flesh.
pub(crate) struct Moving<'a> {
    pub(crate) parts: Vec<Part>,
    pub(crate) flesh: Arc<Flesh>,
    pub(crate) rest: &'a WorldPose,
    pub(crate) worlds: &'a [WorldPose],
    pub(crate) frame_time_secs: f64,
}

/// Two parts over the whole take.
#[derive(Clone, Debug)]
pub(crate) struct Meeting {
    /// Place along the touching part, the same in every frame.
    pub(crate) along_from: f64,
    /// Place along the touched part, frame by frame.
    pub(crate) along_to: Vec<f64>,
    /// From the touched to the touching part, world, unit vectors.
    pub(crate) normals: Vec<DVec3>,
    /// Distances of the two surfaces, metres; below 0 the flesh as estimated overlaps.
    pub(crate) gaps: Vec<f64>,
}

impl<'a> Moving<'a> {
    pub(crate) fn new(
        body: &Body,
        flesh: Arc<Flesh>,
        rest: &'a WorldPose,
        worlds: &'a [WorldPose],
        skeleton: &Skeleton,
        frame_time_secs: f64,
    ) -> Self {
        Self {
            parts: parts_of(body, rest, skeleton),
            flesh,
            rest,
            worlds,
            frame_time_secs,
        }
    }

    pub(crate) fn find_part(&self, end: &TouchEnd) -> Option<usize> {
        self.parts.iter().position(|part| part.is(end))
    }

    /// A part that rests, and those whose skin lies beside it: a knee is of thigh and shank, the seat of
    /// trunk and thighs. A hand or forearm rests alone.
    pub(crate) fn resting_parts(&self, own: usize) -> Vec<usize> {
        let resting = &self.parts[own];
        let is_beside = |part: &Part| {
            let is_same_leg = (part.side, part.pair) == (resting.side, resting.pair);
            part.kind == TouchPart::Thigh
                && match resting.kind {
                    TouchPart::Trunk => true,
                    TouchPart::Shank => is_same_leg,
                    _ => false,
                }
        };
        let beside = (0..self.parts.len()).filter(|&index| is_beside(&self.parts[index]));
        std::iter::once(own).chain(beside).collect()
    }

    /// A world direction of a frame in the axes of the rest pose, by the joint that carries it.
    pub(crate) fn at_rest(&self, world: &WorldPose, joint: usize, direction: DVec3) -> DVec3 {
        self.rest.rotation(joint) * (world.rotation(joint).inverse() * direction)
    }

    /// Distance of a part's surface from its bones in a world direction, metres.
    fn radius_m(&self, index: usize, along: f64, world: &WorldPose, direction: DVec3) -> f64 {
        let part = &self.parts[index];
        let joint = part.place(along, self.rest).joint;
        let direction = self.at_rest(world, joint, direction);
        if !self.flesh.has_skin(index) {
            return self.flesh.girth_m(part, along, direction);
        }
        let point = self
            .flesh
            .point(&self.parts, index, along, direction, self.rest);
        let from = part.place(along, self.rest).point;
        point.world(self.rest).distance(from)
    }

    /// How the place `along` part `from` lies to part `to` in a frame: place along it, direction from
    /// it, distance of the surfaces.
    fn meet(&self, from: usize, along: f64, to: usize, frame: usize) -> (f64, DVec3, f64) {
        let world = &self.worlds[frame];
        let point = self.parts[from].place(along, world).point;
        let along_to = self.parts[to].nearest(point, world);
        let on = self.parts[to].place(along_to, world).point;
        let normal = (point - on).normalize_or(DVec3::Z);
        let gap = point.distance(on)
            - self.radius_m(to, along_to, world, normal)
            - self.radius_m(from, along, world, -normal);
        (along_to, normal, gap)
    }

    /// Two parts over the whole take, from one place of the first.
    pub(crate) fn meeting(&self, from: usize, along_from: f64, to: usize) -> Meeting {
        let frames = 0..self.worlds.len();
        let met: Vec<(f64, DVec3, f64)> = frames
            .map(|frame| self.meet(from, along_from, to, frame))
            .collect();
        Meeting {
            along_from,
            along_to: met.iter().map(|met| met.0).collect(),
            normals: met.iter().map(|met| met.1).collect(),
            gaps: met.iter().map(|met| met.2).collect(),
        }
    }

    /// Distance of a part's surface from the floor at one place of it, metres.
    pub(crate) fn floor_gap_m(
        &self,
        from: usize,
        along: f64,
        world: &WorldPose,
        floor: &Floor,
    ) -> f64 {
        let point = self.parts[from].place(along, world).point;
        let radius_m = self.radius_m(from, along, world, -floor.normal);
        floor.above(point) * floor.normal.y - radius_m
    }

    /// A part and the floor, from one place of it.
    pub(crate) fn floor_meeting(&self, from: usize, along_from: f64, floor: &Floor) -> Meeting {
        let worlds = self.worlds.iter();
        let gaps = worlds.map(|world| self.floor_gap_m(from, along_from, world, floor));
        Meeting {
            along_from,
            along_to: vec![0.0; self.worlds.len()],
            normals: vec![floor.normal; self.worlds.len()],
            gaps: gaps.collect(),
        }
    }

    /// The touches of the take, in order of their first frames.
    pub(crate) fn touches(&self, floor: &Floor, limits: &TouchLimits) -> Vec<Touch> {
        let mut found = Vec::new();
        for from in 0..self.parts.len() {
            let kind = self.parts[from].kind;
            if !kind.is_limb() && !kind.may_rest() {
                continue;
            }
            for to in 0..self.parts.len() {
                if self.may_touch(from, to) {
                    found.extend(self.between(from, Some(to), floor, limits));
                }
            }
            found.extend(self.between(from, None, floor, limits));
        }
        let mut touches = nearest_of(found);
        touches.sort_by_key(|touch| (touch.first, touch.last));
        touches
    }

    fn may_touch(&self, from: usize, to: usize) -> bool {
        let (a, b) = (&self.parts[from], &self.parts[to]);
        let same_limb = a.side == b.side && a.pair == b.pair;
        match (a.kind, b.kind) {
            // The left hand stands for both; a forearm on a hand is the hand's touch.
            (TouchPart::Hand, TouchPart::Hand) | (TouchPart::Forearm, TouchPart::Forearm) => {
                from < to
            }
            (TouchPart::Hand, TouchPart::Forearm | TouchPart::UpperArm) => !same_limb,
            (TouchPart::Hand, TouchPart::Head | TouchPart::Trunk) => true,
            (TouchPart::Hand, TouchPart::Thigh | TouchPart::Shank) => true,
            _ => false,
        }
    }

    fn between(
        &self,
        from: usize,
        to: Option<usize>,
        floor: &Floor,
        limits: &TouchLimits,
    ) -> Vec<(f64, Touch)> {
        let size_m = self.hand_length_m(from);
        let meetings: Vec<Meeting> = self
            .places(from, to)
            .iter()
            .map(|&along| match to {
                Some(to) => self.meeting(from, along, to),
                None => self.floor_meeting(from, along, floor),
            })
            .collect();
        let frames = self.worlds.len();
        let best = |frame: usize| {
            let all = meetings.iter().enumerate();
            all.min_by(|a, b| a.1.gaps[frame].total_cmp(&b.1.gaps[frame]))
                .map_or(0, |(index, _)| index)
        };
        let gaps: Vec<f64> = (0..frames)
            .map(|frame| meetings[best(frame)].gaps[frame])
            .collect();
        let speeds: Vec<f64> = match self.parts[from].kind.may_rest() {
            // What rests turns about the place that it rests on.
            true => {
                let places = self.places(from, to).iter();
                let all: Vec<Vec<f64>> = places.map(|&along| self.glide(from, along, to)).collect();
                (0..frames).map(|frame| all[best(frame)][frame]).collect()
            }
            false => self.glide(from, 0.5, to),
        };
        let speeds: Vec<f64> = speeds.iter().map(|v| v / size_m).collect();
        let gaps_in_hands: Vec<f64> = gaps.iter().map(|gap| gap / size_m).collect();
        let found = stretches(&gaps_in_hands, &speeds, self.frame_time_secs, limits);
        // A body that comes down for less is in motion.
        let least = match self.parts[from].kind.may_rest() {
            true => (limits.shortest_secs / self.frame_time_secs) as usize,
            false => 0,
        };
        let found = found
            .into_iter()
            .filter(|(first, last)| last - first >= least);
        found
            .map(|(first, last)| {
                let middle = usize::midpoint(first, last);
                let meeting = &meetings[best(middle)];
                let mean = gaps[first..=last].iter().sum::<f64>() / (last - first + 1) as f64;
                let touch = Touch {
                    from: self.end(from, meeting.along_from),
                    to: match to {
                        Some(to) => self.end(to, rounded(meeting.along_to[middle])),
                        None => TouchEnd {
                            part: TouchPart::Floor,
                            side: Side::Middle,
                            pair: 0,
                            along: 0.0,
                        },
                    },
                    first,
                    last,
                };
                (mean, touch)
            })
            .collect()
    }

    /// A place of a part as an end of a touch.
    pub(crate) fn end(&self, index: usize, along: f64) -> TouchEnd {
        let part = &self.parts[index];
        TouchEnd {
            part: part.kind,
            side: part.side,
            pair: part.pair,
            along,
        }
    }

    /// Places along a part that may touch first. On the floor fingers lie where they may, and what
    /// touches there is the palm; near the wrist a forearm's touch is the hand's.
    fn places(&self, from: usize, to: Option<usize>) -> &'static [f64] {
        match (self.parts[from].kind, to) {
            (TouchPart::Hand, None) => &[0.3, 0.5],
            (TouchPart::Hand, Some(_)) => &[0.3, 0.5, 0.7, 0.95],
            // Elbows, knees; the seat and the back.
            (TouchPart::Forearm, None) => &[0.0, 0.2],
            (TouchPart::Shank, None) => &[0.0, 0.2, 0.4],
            (TouchPart::Trunk, None) => &[0.0, 0.25, 0.5, 0.75, 1.0],
            _ => &[0.2, 0.4, 0.6, 0.8],
        }
    }

    fn hand_length_m(&self, from: usize) -> f64 {
        let part = &self.parts[from];
        let mut hands = self
            .parts
            .iter()
            .filter(|other| other.kind == TouchPart::Hand);
        if part.kind.may_rest() {
            // Hand over trunk and over shank (Drillis & Contini 1966, from memory).
            let share = match part.kind {
                TouchPart::Trunk => 0.108 / 0.288,
                _ => 0.108 / 0.246,
            };
            return share * part.length_m;
        }
        let hand = hands.find(|other| other.side == part.side && other.pair == part.pair);
        hand.unwrap_or(part).length_m
    }

    /// Speed of a place of a part as another sees it, m/s.
    fn glide(&self, from: usize, along: f64, to: Option<usize>) -> Vec<f64> {
        let points: Vec<DVec3> = self
            .worlds
            .iter()
            .map(|world| {
                let point = self.parts[from].place(along, world).point;
                match to {
                    Some(to) => {
                        let joint = self.parts[to].line[0].joint;
                        let seen_from = world.position(joint);
                        world.rotation(joint).inverse() * (point - seen_from)
                    }
                    None => point,
                }
            })
            .collect();
        let speeds = signal::velocity(&points, self.frame_time_secs);
        speeds.iter().map(|speed| speed.length()).collect()
    }
}

/// The flesh of a body at rest: its skin, or published girths.
pub(crate) fn flesh_of(
    body: &Body,
    surface: Option<&Surface>,
    rest: &WorldPose,
    skeleton: &Skeleton,
) -> Arc<Flesh> {
    let parts = parts_of(body, rest, skeleton);
    Arc::new(Flesh::new(&parts, body, surface, rest))
}

/// The touches of a take, Y up, in order of their first frames.
pub(crate) fn find(
    clip: &Clip,
    body: &Body,
    worlds: &[WorldPose],
    floor: &Floor,
    limits: &TouchLimits,
) -> Vec<Touch> {
    let skeleton = &clip.skeleton;
    let rest = skeleton.rest_world();
    let secs = clip.frame_time_secs;
    let flesh = flesh_of(body, None, &rest, skeleton);
    Moving::new(body, flesh, &rest, worlds, skeleton, secs).touches(floor, limits)
}

/// Of touches of one limb at one time the nearest is kept: a hand on the hip is near the thigh too.
/// The other limb of a pair that meets counts as well.
fn nearest_of(mut found: Vec<(f64, Touch)>) -> Vec<Touch> {
    let limbs = |touch: &Touch| {
        let ends = [touch.from, touch.to].into_iter();
        let moved = ends.filter(|end| end.part.is_limb());
        moved.map(|end| (end.side, end.pair)).collect::<Vec<_>>()
    };
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut kept: Vec<Touch> = Vec::new();
    for (_, touch) in found {
        let clashes = kept.iter().any(|other| {
            let meets = touch.first <= other.last && other.first <= touch.last;
            // Hand and elbow may lie on the floor together.
            let are_on_floor = [&touch, other]
                .iter()
                .all(|touch| touch.to.part == TouchPart::Floor);
            let is_limb_shared = limbs(&touch).iter().any(|limb| limbs(other).contains(limb));
            meets && !are_on_floor && is_limb_shared
        });
        if !clashes {
            kept.push(touch);
        }
    }
    kept
}

/// A stretch without the frames at its ends in which the surfaces close in or part, and are farther
/// apart by more than `most` than usual in it.
fn settled(
    gaps: &[f64],
    (first, last): (usize, usize),
    most: f64,
    frame_time_secs: f64,
) -> (usize, usize) {
    let usual = signal::median(&gaps[first..=last]).unwrap_or(gaps[first]);
    let is_settled = |frame: &usize| {
        let near = frame.saturating_sub(1)..=(frame + 1).min(gaps.len() - 1);
        let change = (gaps[*near.end()] - gaps[*near.start()]).abs();
        let secs = (near.end() - near.start()) as f64 * frame_time_secs;
        gaps[*frame] <= usual + most || change <= PARTING * secs
    };
    let begin = (first..=last).find(is_settled).unwrap_or(first);
    let end = (first..=last).rev().find(is_settled).unwrap_or(last);
    (begin, end)
}

/// Surfaces part faster than this, hand lengths per second; what is slower is a rest whose flesh is not
/// quite as estimated (common practice).
const PARTING: f64 = 0.25;

/// Part of the rise within which a hit lasts, and a rest is settled.
const HIT: f64 = 0.4;

/// Places are kept to a hundredth.
fn rounded(along: f64) -> f64 {
    (along * 100.0).round() / 100.0
}

/// The stretches of frames in which a gap (hand lengths) is that of a touch.
fn stretches(
    gaps: &[f64],
    speeds: &[f64],
    frame_time_secs: f64,
    limits: &TouchLimits,
) -> Vec<(usize, usize)> {
    let mut found: Vec<(usize, usize)> = Vec::new();
    let mut is_open: Vec<bool> = gaps.iter().map(|gap| *gap < limits.near).collect();
    // Nearest first: each takes its stretch away, and what climbs to it.
    while let Some(nearest) = (0..gaps.len())
        .filter(|frame| is_open[*frame])
        .min_by(|a, b| gaps[*a].total_cmp(&gaps[*b]))
    {
        let within = |most: f64| {
            let is_within = |frame: &usize| gaps[*frame] <= gaps[nearest] + most;
            let first = (0..=nearest).rev().take_while(is_within).last();
            let last = (nearest..gaps.len()).take_while(is_within).last();
            (first.unwrap_or(nearest), last.unwrap_or(nearest))
        };
        let (first, last) = within(limits.rise);
        let (from, to) = within(2.0 * limits.rise);
        let is_taken = (from..=to).any(|frame| !is_open[frame] && gaps[frame] < limits.near);
        is_open[from..=to].fill(false);
        let rests = signal::median(&speeds[first..=last]).is_some_and(|v| v < limits.speed);
        let secs = (last - first) as f64 * frame_time_secs;
        let closing = |frames: std::ops::Range<usize>| {
            let steps = frames.map(|frame| (gaps[frame] - gaps[frame + 1]) / frame_time_secs);
            steps.fold((0.0, 0.0), |(most, least): (f64, f64), step| {
                (most.max(step), least.min(step))
            })
        };
        let ahead = (0.1 / frame_time_secs).ceil() as usize;
        let hits = closing(first.saturating_sub(ahead)..nearest).0 > limits.hit_speed
            && -closing(nearest..(last + ahead).min(gaps.len() - 1)).1 > limits.hit_speed;
        let is_rest = rests && secs >= limits.shortest_secs;
        // What turns back stands still for a moment; what only passes does not.
        let hits = hits && speeds[nearest] < limits.speed;
        if !is_taken && is_rest {
            found.push(settled(
                gaps,
                (first, last),
                HIT * limits.rise,
                frame_time_secs,
            ));
        } else if !is_taken && hits {
            // What hits is there for a moment; the millimetres before it are its way in.
            found.push(within(HIT * limits.rise));
        }
    }
    found.sort_unstable();
    found
}
