//! Where a touch of the take lies on the character: the same place of its own surface, frame by
//! frame, and how far the surfaces are apart before and after.

use understudy_motion::{Clip, DVec3, WorldPose, signal};

use super::find::Moving;
use super::skin::SkinPoint;
use super::{Touch, TouchPart, TouchSettings};
use crate::floor::Floor;

/// Places on the touched part move no faster than this, Hz: what is above is noise of the nearest
/// points of two nearly parallel bones.
pub(crate) const PLACE_HZ: f64 = 6.0;

/// What a touch moves towards.
#[derive(Clone, Debug)]
pub(crate) enum Target {
    /// A point of the character's own skin.
    Skin(SkinPoint),
    /// A point of the world, metres.
    World(DVec3),
}

/// A point of one surface that meets a point of another.
#[derive(Clone, Debug)]
pub(crate) struct Meet {
    /// What moves.
    pub(crate) point: SkinPoint,
    /// Where it goes.
    pub(crate) target: Target,
    /// From the touched to the touching surface, unit, in coordinates of `normal_joint`, or world.
    pub(crate) normal: DVec3,
    /// The joint that carries the normal.
    pub(crate) normal_joint: Option<usize>,
}

impl Target {
    /// World, metres.
    pub(crate) fn world(&self, pose: &WorldPose) -> DVec3 {
        match self {
            Self::Skin(point) => point.world(pose),
            Self::World(point) => *point,
        }
    }
}

impl Meet {
    /// A point that meets a point of a skin, whose outward normal (world, unit) it carries along; `None`
    /// where nothing moves that skin.
    pub(crate) fn on_skin(
        point: SkinPoint,
        target: SkinPoint,
        normal: DVec3,
        pose: &WorldPose,
    ) -> Option<Self> {
        let joint = target.main_joint()?;
        Some(Self {
            point,
            normal: pose.rotation(joint).inverse() * normal,
            normal_joint: Some(joint),
            target: Target::Skin(target),
        })
    }

    /// The normal in a pose, world.
    pub(crate) fn normal(&self, pose: &WorldPose) -> DVec3 {
        match self.normal_joint {
            Some(joint) => pose.rotation(joint) * self.normal,
            None => self.normal,
        }
    }

    /// From the target to the point, world, metres.
    pub(crate) fn miss(&self, pose: &WorldPose) -> DVec3 {
        self.point.world(pose) - self.target.world(pose)
    }
}

/// One frame of a touch.
#[derive(Clone, Debug)]
pub(crate) struct GoalFrame {
    /// Frame of the clip.
    pub(crate) frame: usize,
    /// The place on each surface.
    pub(crate) place: Meet,
    /// Distance that the surfaces have there, metres.
    pub(crate) gap_m: f64,
    /// 1 while they touch, falling to 0 before and after.
    pub(crate) weight: f64,
    /// Whether they touch.
    pub(crate) is_touch: bool,
}

/// A touch as the character meets it.
#[derive(Clone, Debug)]
pub(crate) struct Goal {
    /// The touch of the take.
    pub(crate) touch: Touch,
    /// Part of the character that touches.
    pub(crate) from_part: usize,
    /// Part that is touched; none for the floor.
    pub(crate) to_part: Option<usize>,
    /// The joint whose orientation is kept.
    pub(crate) joint: usize,
    /// First frame and on.
    pub(crate) frames: Vec<GoalFrame>,
}

impl Goal {
    /// Asks what rests on the floor to stay where a clip has it, on average over the touch.
    pub(crate) fn stand(&mut self, clip: &Clip, floor: &Floor) {
        let touching = self.frames.iter().filter(|frame| frame.is_touch);
        let count = touching.clone().count().max(1) as f64;
        let places = touching.map(|frame| frame.place.point.world(&clip.world(frame.frame)));
        let place = floor.below(places.sum::<DVec3>() / count);
        for frame in &mut self.frames {
            frame.place.target = Target::World(place);
        }
    }
}

/// Performer and character side by side.
pub(crate) struct Pair<'a> {
    pub(crate) performer: &'a Moving<'a>,
    /// The character in plain transfer.
    pub(crate) character: &'a Moving<'a>,
    pub(crate) floor: Floor,
}

impl Pair<'_> {
    /// The goal of a touch; `None` where the character lacks a part of it.
    pub(crate) fn goal(&self, touch: &Touch, settings: &TouchSettings) -> Option<Goal> {
        let from = self.performer.find_part(&touch.from)?;
        let from_part = self.character.find_part(&touch.from)?;
        let joint = self.character.parts[from_part].line[0].joint;
        let meeting = match touch.to.part {
            TouchPart::Floor => self
                .performer
                .floor_meeting(from, touch.from.along, &self.floor),
            _ => {
                let to = self.performer.find_part(&touch.to)?;
                self.performer.meeting(from, touch.from.along, to)
            }
        };
        let held = touch.first..=touch.last;
        let flesh_m = signal::median(&meeting.gaps[held.clone()])?;
        let dt = self.performer.frame_time_secs;
        let ahead = (1.5 * settings.fade_secs / dt).ceil() as usize;
        let first = touch.first.saturating_sub(ahead);
        let last = (touch.last + ahead).min(meeting.gaps.len() - 1);
        let normals = signal::low_pass_points(&meeting.normals[first..=last], PLACE_HZ, dt);
        let alongs = signal::low_pass(&meeting.along_to[first..=last], PLACE_HZ, dt);
        let placed = signal::median(&meeting.along_to[held.clone()])?;
        let moved = touch.to.along - placed;
        let normal_at = |frame: usize| normals[frame - first].normalize_or(DVec3::Y);
        let point = self.touching_point(from_part, touch, &normal_at);
        let to_part = match touch.to.part {
            TouchPart::Floor => None,
            _ => Some(self.character.find_part(&touch.to)?),
        };
        let place = self.floor_place(&point, touch);
        let frames = (first..=last).map(|frame| {
            let away = touch.first.saturating_sub(frame) + frame.saturating_sub(touch.last);
            let is_touch = away == 0;
            let share = 1.0 - away as f64 / (ahead + 1) as f64;
            let gap_m = match is_touch {
                true => 0.0,
                false => (meeting.gaps[frame] - flesh_m).max(0.0),
            };
            let (target, normal, normal_joint) = match to_part {
                None => (Target::World(place), self.floor.normal, None),
                Some(part) => {
                    let along = (alongs[frame - first] + moved).clamp(0.0, 1.0);
                    self.on_skin(part, along, normal_at(frame), frame)
                }
            };
            GoalFrame {
                frame,
                place: Meet {
                    point: point.clone(),
                    target,
                    normal,
                    normal_joint,
                },
                gap_m: gap_m + settings.clearance_m,
                weight: share * share,
                is_touch,
            }
        });
        Some(Goal {
            touch: *touch,
            from_part,
            to_part,
            joint,
            frames: frames.collect(),
        })
    }

    /// The point of the touching skin that faces the other part, on average over the touch.
    fn touching_point(
        &self,
        part: usize,
        touch: &Touch,
        normal_at: &dyn Fn(usize) -> DVec3,
    ) -> SkinPoint {
        let character = self.character;
        let place = character.parts[part].place(touch.from.along, character.rest);
        let directions = (touch.first..=touch.last)
            .map(|frame| self.at_rest(&character.worlds[frame], place.joint, -normal_at(frame)));
        let direction = directions.sum::<DVec3>().normalize_or(DVec3::NEG_Y);
        let (parts, rest) = (&character.parts, character.rest);
        let along = touch.from.along;
        character.flesh.point(parts, part, along, direction, rest)
    }

    fn at_rest(&self, world: &WorldPose, joint: usize, direction: DVec3) -> DVec3 {
        self.character.at_rest(world, joint, direction)
    }

    /// Where a hand stands on the floor: where plain transfer has it, on average.
    fn floor_place(&self, point: &SkinPoint, touch: &Touch) -> DVec3 {
        let count = (touch.last - touch.first + 1) as f64;
        let worlds = &self.character.worlds[touch.first..=touch.last];
        let mean = worlds.iter().map(|world| point.world(world)).sum::<DVec3>() / count;
        self.floor.below(mean)
    }

    fn on_skin(
        &self,
        part: usize,
        along: f64,
        normal: DVec3,
        frame: usize,
    ) -> (Target, DVec3, Option<usize>) {
        let character = self.character;
        let world = &character.worlds[frame];
        let joint = character.parts[part].place(along, character.rest).joint;
        let direction = self.at_rest(world, joint, normal);
        let (parts, rest) = (&character.parts, character.rest);
        let point = character.flesh.point(parts, part, along, direction, rest);
        let local = world.rotation(joint).inverse() * normal;
        (Target::Skin(point), local, Some(joint))
    }
}
