//! Where the feet of a take stand and how they get from stance to stance.

use glam::{DQuat, DVec3};
use understudy_anatomy::Side;

use crate::curve::{State, bump, quintic};
use crate::demo_take::{SolePart, TrueContact};
use crate::footsteps::{FootPose, FootShape};
use crate::takes::line::Line;

/// One stance of a foot: it lies flat, rolls about the heel (pitch above 0) or about ball and toes
/// (pitch below 0).
#[derive(Clone)]
pub(crate) struct Stance {
    /// On the floor, below the ankle of the flat foot, metres.
    pub(crate) place: DVec3,
    /// Radians about the vertical.
    pub(crate) heading: f64,
    /// First moment on the floor, seconds; minus infinity for a foot that stands from the start.
    pub(crate) from_secs: f64,
    /// Last moment on the floor, seconds; infinity for a foot that stands to the end.
    pub(crate) to_secs: f64,
    /// Pitch of the foot, toes up, radians.
    pub(crate) pitch: Line,
    /// Pitch of the toes, up, radians; below 0 they roll about their tip.
    pub(crate) toe_pitch: Line,
    /// Height added in the middle of the swing to the next stance, metres.
    pub(crate) lift_m: f64,
    /// Pitch added in that swing, toes up, radians.
    pub(crate) swing_pitch: f64,
    /// Sideways bow of that swing, metres.
    pub(crate) bow: DVec3,
}

impl Stance {
    /// A foot that lies flat for a while.
    pub(crate) fn flat(place: DVec3, heading: f64, from_secs: f64, to_secs: f64) -> Self {
        Self {
            place,
            heading,
            from_secs,
            to_secs,
            pitch: Line::level(0.0),
            toe_pitch: Line::level(0.0),
            lift_m: 0.08,
            swing_pitch: 0.0,
            bow: DVec3::ZERO,
        }
    }

    /// The foot at a moment of the stance or next to it.
    pub(crate) fn pose(&self, shape: &FootShape, secs: f64) -> FootPose {
        let heading = DQuat::from_rotation_y(self.heading);
        let on_floor = |point: DVec3| self.place + heading * DVec3::new(point.x, 0.0, point.z);
        let up = |angle: f64| heading * DQuat::from_rotation_x(-angle);
        let pitch = self.pitch.at(secs);
        if pitch > 0.0 {
            return FootPose {
                ankle: on_floor(shape.heel) + up(pitch) * -shape.heel,
                heading: self.heading,
                pitch,
                toe_bend: 0.0,
            };
        }
        let toe_pitch = self.toe_pitch.at(secs);
        let ball = on_floor(shape.toe_tip) + up(toe_pitch) * (shape.ball - shape.toe_tip);
        FootPose {
            ankle: ball + up(pitch) * -shape.ball,
            heading: self.heading,
            pitch,
            toe_bend: toe_pitch - pitch,
        }
    }

    /// Whether a part of the sole rests at a moment of the stance. A part about which the foot
    /// starts to roll is at rest up to the moment it leaves.
    fn rests(&self, part: SolePart, secs: f64) -> bool {
        // Rounding of an authored line, radians.
        let none = 1e-9;
        let (pitch, toe_pitch) = (self.pitch.at(secs), self.toe_pitch.at(secs));
        match part {
            SolePart::Heel => pitch >= -none,
            SolePart::Ball => pitch <= none && toe_pitch >= -none,
            SolePart::Toe => pitch <= none,
        }
    }
}

/// The stances of one foot, in order of time.
#[derive(Clone)]
pub(crate) struct Footing {
    pub(crate) stances: Vec<Stance>,
}

impl Footing {
    /// A foot that never leaves its place.
    pub(crate) fn standing(place: DVec3, heading: f64) -> Self {
        Self {
            stances: vec![Stance::flat(
                place,
                heading,
                f64::NEG_INFINITY,
                f64::INFINITY,
            )],
        }
    }

    /// The stance a foot is in, or the two between which it swings.
    pub(crate) fn at(&self, secs: f64) -> (&Stance, Option<&Stance>) {
        let after = self.stances.partition_point(|s| s.from_secs <= secs);
        let last = &self.stances[after.saturating_sub(1)];
        match self.stances.get(after) {
            Some(next) if secs > last.to_secs => (last, Some(next)),
            _ => (last, None),
        }
    }

    /// Whether the foot is on the floor.
    pub(crate) fn stands(&self, secs: f64) -> bool {
        self.at(secs).1.is_none()
    }

    /// The foot at any time.
    pub(crate) fn pose(&self, shape: &FootShape, secs: f64) -> FootPose {
        match self.at(secs) {
            (stance, None) => stance.pose(shape, secs),
            (from, Some(to)) => swing(from, to, shape, secs),
        }
    }

    /// The stretches of frames in which a part of the sole rests.
    pub(crate) fn contacts(
        &self,
        side: Side,
        frames: usize,
        frame_time_secs: f64,
    ) -> Vec<TrueContact> {
        let mut contacts = Vec::new();
        for stance in &self.stances {
            for part in [SolePart::Heel, SolePart::Ball, SolePart::Toe] {
                let rests = |frame: usize| {
                    let secs = frame as f64 * frame_time_secs;
                    (stance.from_secs..=stance.to_secs).contains(&secs) && stance.rests(part, secs)
                };
                contacts.extend(runs(frames, rests).into_iter().map(
                    |(first_frame, last_frame)| TrueContact {
                        side,
                        part,
                        first_frame,
                        last_frame,
                    },
                ));
            }
        }
        contacts.sort_by_key(|contact| (contact.first_frame, contact.part));
        contacts
    }
}

/// Runs of frames for which something holds, as (first, last).
pub(crate) fn runs(frames: usize, holds: impl Fn(usize) -> bool) -> Vec<(usize, usize)> {
    let mut found: Vec<(usize, usize)> = Vec::new();
    for frame in (0..frames).filter(|&frame| holds(frame)) {
        match found.last_mut() {
            Some(run) if run.1 + 1 == frame => run.1 = frame,
            _ => found.push((frame, frame)),
        }
    }
    found
}

/// A foot between two stances: quintics that take over place, speed and acceleration from both,
/// with a lift between.
fn swing(from: &Stance, to: &Stance, shape: &FootShape, secs: f64) -> FootPose {
    let duration_secs = to.from_secs - from.to_secs;
    let share = (secs - from.to_secs) / duration_secs;
    let between = |pick: fn(FootPose) -> f64| {
        let start = State::of(|t| pick(from.pose(shape, t)), from.to_secs);
        let end = State::of(|t| pick(to.pose(shape, t)), to.from_secs);
        quintic(start, end, duration_secs, share)
    };
    let ankle = DVec3::new(
        between(|pose| pose.ankle.x),
        between(|pose| pose.ankle.y),
        between(|pose| pose.ankle.z),
    );
    let lift = (DVec3::Y * from.lift_m + from.bow) * bump(share, 0.5);
    FootPose {
        ankle: ankle + lift,
        heading: between(|pose| pose.heading),
        pitch: between(|pose| pose.pitch) + from.swing_pitch * bump(share, 0.42),
        toe_bend: between(|pose| pose.toe_bend),
    }
}
