//! Where on the floor each contact is held, and which way a flat foot points.

use understudy_motion::angle::wrapped;
use understudy_motion::{DQuat, DVec3, signal};

use super::Planter;
use super::rig::{BALL, HEEL, TOE};
use crate::contacts::runs;
use crate::pins::stand_in;

/// Change of heading (radians) between two flat phases that counts as a turn on the ball.
const TURN_ON_BALL: f64 = 1e-3;

/// One contact of the character's foot.
#[derive(Clone, Copy, Debug)]
pub(super) struct Contact {
    pub(super) part: usize,
    pub(super) first: usize,
    pub(super) last: usize,
    pub(super) anchor: DVec3,
    /// The place that a person gave: x and z, metres.
    pub(super) pin: Option<[f64; 2]>,
}

/// A stretch in which two contacts hold the foot flat.
#[derive(Clone, Copy, Debug)]
pub(super) struct Flat {
    pub(super) a: usize,
    pub(super) b: usize,
    pub(super) first: usize,
    pub(super) last: usize,
    pub(super) heading: f64,
}

impl Planter<'_> {
    /// The contacts of the foot, with the pins of those that have one.
    pub(super) fn contacts(&self, masks: &[Vec<bool>; 3]) -> Vec<Contact> {
        let mut contacts = list_contacts(masks);
        for pin in &self.take.pins {
            let part = stand_in(self.take.foot, pin.part);
            let is_own = part == pin.part as usize;
            let shared = |contact: &Contact| {
                let (first, last) = (contact.first.max(pin.first), contact.last.min(pin.last));
                (last + 1).saturating_sub(first)
            };
            let of_part = contacts.iter_mut().filter(|contact| contact.part == part);
            let held = of_part.max_by_key(|contact| shared(contact));
            if let Some(held) = held
                && shared(held) > 0
                && (is_own || held.pin.is_none())
            {
                held.pin = pin.place_m;
            }
        }
        contacts
    }

    /// A foot that turns on its ball sweeps its toes over the floor: they are not planted until
    /// the turn is over.
    pub(super) fn free_turning_toes(&self, masks: &mut [Vec<bool>; 3]) {
        let contacts = self.contacts(masks);
        let flats = self.flats(&contacts);
        for (index, contact) in contacts.iter().enumerate() {
            if contact.part != BALL {
                continue;
            }
            let knots = heading_knots(index, &contacts, &flats);
            let Some(last) = knots.last() else { continue };
            let turned = knots
                .iter()
                .any(|knot| wrapped(knot.2 - last.2).abs() > TURN_ON_BALL);
            if turned {
                masks[TOE][contact.first..last.0].fill(false);
            }
        }
    }

    /// Heading of the foot at a frame in plain transfer: angle about Y from the flat foot's own.
    pub(super) fn heading(&self, frame: usize) -> f64 {
        let foot = self.take.foot;
        let local = foot.flat_ankle.inverse() * foot.heading;
        let now = self.plain_ankles[frame] * local;
        foot.heading.cross(now).y.atan2(foot.heading.dot(now))
    }

    pub(super) fn mean_heading(&self, first: usize, last: usize) -> f64 {
        let (sin, cos) = (first..=last)
            .map(|frame| self.heading(frame).sin_cos())
            .fold((0.0, 0.0), |sum, (s, c)| (sum.0 + s, sum.1 + c));
        f64::atan2(sin, cos)
    }

    pub(super) fn flat_turn(&self, heading: f64) -> DQuat {
        self.floor.tilt() * DQuat::from_rotation_y(heading)
    }

    pub(super) fn flat_offset(&self, part: usize, heading: f64) -> DVec3 {
        let turn = self.flat_turn(heading);
        let foot = self.take.foot;
        self.rig
            .part(part, turn * foot.flat_ankle, turn * foot.flat_toes)
    }

    /// Overlaps of heel with ball (or tip), and of ball with tip. The heading is the foot's own on
    /// average; toes that stay down while the heel is up keep the heading of the flat foot.
    pub(super) fn flats(&self, contacts: &[Contact]) -> Vec<Flat> {
        let front = if self.take.foot.is_one_piece() {
            TOE
        } else {
            BALL
        };
        let mut flats = self.overlaps(contacts, HEEL, front);
        if front == BALL {
            let mut toes = self.overlaps(contacts, BALL, TOE);
            for flat in &mut toes {
                let knots = heading_knots(flat.a, contacts, &flats);
                let ball = &contacts[flat.a];
                flat.heading = heading_at(&knots, flat.last)
                    .unwrap_or_else(|| self.mean_heading(ball.first, ball.last));
            }
            flats.extend(toes);
        }
        flats
    }

    pub(super) fn overlaps(&self, contacts: &[Contact], back: usize, front: usize) -> Vec<Flat> {
        let mut flats = Vec::new();
        for (a, one) in contacts.iter().enumerate() {
            for (b, other) in contacts.iter().enumerate() {
                let (first, last) = (one.first.max(other.first), one.last.min(other.last));
                if one.part == back && other.part == front && first <= last {
                    flats.push(Flat {
                        a,
                        b,
                        first,
                        last,
                        heading: self
                            .pinned_heading(one, other)
                            .unwrap_or_else(|| self.mean_heading(first, last)),
                    });
                }
            }
        }
        flats
    }

    /// The heading of a flat foot with both ends pinned: along the line between the pins.
    fn pinned_heading(&self, one: &Contact, other: &Contact) -> Option<f64> {
        /// Pins nearer to each other than this part of the foot's length give no direction.
        const TOO_NEAR: f64 = 0.2;
        let ([ax, az], [bx, bz]) = (one.pin?, other.pin?);
        let way = DVec3::new(bx - ax, 0.0, bz - az);
        let own = self.flat_offset(other.part, 0.0) - self.flat_offset(one.part, 0.0);
        let turn = f64::atan2(own.cross(way).y, own.x * way.x + own.z * way.z);
        (way.length() > TOO_NEAR * self.size).then_some(turn)
    }

    /// Spreads each group of linked contacts rigidly and puts it where it is pinned, or where plain
    /// transfer has it most of the time.
    pub(super) fn place_anchors(&self, contacts: &mut [Contact], flats: &[Flat]) {
        let mut group = vec![usize::MAX; contacts.len()];
        let mut relative = vec![DVec3::ZERO; contacts.len()];
        for start in 0..contacts.len() {
            if group[start] != usize::MAX {
                continue;
            }
            group[start] = start;
            let mut queue = vec![start];
            while let Some(at) = queue.pop() {
                for flat in flats.iter().filter(|flat| flat.a == at || flat.b == at) {
                    let other = if flat.a == at { flat.b } else { flat.a };
                    if group[other] == usize::MAX {
                        group[other] = start;
                        let between = self.flat_offset(contacts[other].part, flat.heading)
                            - self.flat_offset(contacts[at].part, flat.heading);
                        relative[other] = relative[at] + between;
                        queue.push(other);
                    }
                }
            }
            self.place_group(contacts, &group, &relative, start);
        }
    }

    pub(super) fn place_group(
        &self,
        contacts: &mut [Contact],
        group: &[usize],
        relative: &[DVec3],
        start: usize,
    ) {
        let mut places: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
        let mut pins = Vec::new();
        for (index, contact) in contacts.iter().enumerate() {
            if group[index] != start {
                continue;
            }
            if let Some([x, z]) = contact.pin {
                pins.push(DVec3::new(x, 0.0, z) - relative[index]);
            }
            for frame in contact.first..=contact.last {
                let place = self.plain_point(contact.part, frame) - relative[index];
                places[0].push(place.x);
                places[1].push(place.z);
            }
        }
        // The median: the last frames of a roll, already on their way, do not pull the plant.
        let [mut x, mut z] = places.map(|values| signal::median(&values).unwrap_or(0.0));
        if !pins.is_empty() {
            // Pins that no rigid foot meets together share the miss.
            let mean = pins.iter().sum::<DVec3>() / pins.len() as f64;
            (x, z) = (mean.x, mean.z);
        }
        for (index, contact) in contacts.iter_mut().enumerate() {
            if group[index] == start {
                let place = DVec3::new(x, 0.0, z) + relative[index];
                contact.anchor = self.floor.below(place);
            }
        }
    }

    pub(super) fn plain_point(&self, part: usize, frame: usize) -> DVec3 {
        let take = self.take;
        take.ankle_positions[frame]
            + self
                .rig
                .part(part, self.plain_ankles[frame], self.plain_toes[frame])
    }
}

fn list_contacts(masks: &[Vec<bool>; 3]) -> Vec<Contact> {
    let mut contacts = Vec::new();
    for (part, mask) in masks.iter().enumerate() {
        for (first, last) in runs(mask) {
            contacts.push(Contact {
                part,
                first,
                last,
                anchor: DVec3::ZERO,
                pin: None,
            });
        }
    }
    contacts
}

/// Frames at which the heading of a ball contact is known, as (first, last, heading): where the
/// heel is down too.
pub(super) fn heading_knots(
    ball: usize,
    contacts: &[Contact],
    flats: &[Flat],
) -> Vec<(usize, usize, f64)> {
    let mut knots: Vec<(usize, usize, f64)> = flats
        .iter()
        .filter(|flat| flat.b == ball && contacts[flat.a].part == HEEL)
        .map(|flat| (flat.first, flat.last, flat.heading))
        .collect();
    knots.sort_by_key(|knot| knot.0);
    knots
}

/// Heading between knots, with a smooth step from one to the next.
pub(super) fn heading_at(knots: &[(usize, usize, f64)], frame: usize) -> Option<f64> {
    let before = knots.iter().rev().find(|knot| knot.0 <= frame);
    let after = knots.iter().find(|knot| knot.1 >= frame);
    match (before, after) {
        (Some(a), Some(b)) if a.1 < b.0 => {
            let t = (frame - a.1) as f64 / (b.0 - a.1) as f64;
            Some(a.2 + signal::ease(t) * wrapped(b.2 - a.2))
        }
        (Some(knot), _) | (None, Some(knot)) => Some(knot.2),
        (None, None) => None,
    }
}
