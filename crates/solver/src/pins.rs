//! Contacts that a person pinned to a place of the floor: whose foot they hold, and which could not
//! be met.

use understudy_anatomy::{Body, Leg};
use understudy_motion::DVec3;

use crate::align::source_leg;
use crate::contacts::{Contact, Contacts, FootPart};
use crate::foot::Foot;
use crate::retarget::Retargeted;

/// A part that stands farther than this from its pin misses it, metres.
const MISSED_M: f64 = 1e-4;

/// The part of the character's foot (0 heel, 1 ball, 2 toe) that stands for one of the performer's.
pub(crate) fn stand_in(foot: &Foot, part: FootPart) -> usize {
    const HEEL: usize = FootPart::Heel as usize;
    const BALL: usize = FootPart::Ball as usize;
    const TOE: usize = FootPart::Toe as usize;
    match (part, foot.is_one_piece(), foot.heel.is_none()) {
        (FootPart::Heel, _, false) => HEEL,
        (FootPart::Heel | FootPart::Ball, false, _) => BALL,
        _ => TOE,
    }
}

/// The pinned contacts that hold a leg of the character. Of several legs that one of the
/// performer's drives only the first is held: two feet cannot stand in one place.
pub(crate) fn pins_of(
    contacts: &Contacts,
    performer: &Body,
    legs: &[Leg],
    index: usize,
) -> Vec<Contact> {
    let source = source_leg(performer, &legs[index]);
    let is_first = !legs[..index]
        .iter()
        .any(|leg| source_leg(performer, leg) == source);
    let Some(source) = source.filter(|_| is_first).map(|at| &performer.legs[at]) else {
        return Vec::new();
    };
    let pinned = contacts.contacts.iter().filter(|c| c.place_m.is_some());
    pinned
        .filter(|contact| (contact.side, contact.pair) == (source.side, source.pair))
        .copied()
        .collect()
}

/// A note for each pin that the result does not meet.
pub(crate) fn missed_pins(done: &Retargeted) -> Vec<String> {
    let mut notes = Vec::new();
    for (index, foot) in done.feet.iter().enumerate() {
        for pin in pins_of(&done.contacts, &done.performer, &done.body.legs, index) {
            notes.extend(missed_pin(done, index, foot, &pin));
        }
    }
    notes
}

fn missed_pin(done: &Retargeted, leg: usize, foot: &Foot, pin: &Contact) -> Option<String> {
    let [x, z] = pin.place_m?;
    let part = stand_in(foot, pin.part);
    let point = foot.point(FootPart::ALL[part])?;
    let stands = |frame: &usize| done.planted_parts[leg][*frame][part];
    let away = (pin.first..=pin.last).filter(stands).map(|frame| {
        let place = point.world(&done.solved.world(frame));
        DVec3::new(place.x - x, 0.0, place.z - z).length()
    });
    let name = format!(
        "the {} {} of frames {} to {} is pinned to x = {x:.3}, z = {z:.3} m",
        pin.side.word(),
        pin.part.word(),
        pin.first,
        pin.last
    );
    match away.reduce(f64::max) {
        None => Some(format!(
            "{name}, but no part of the character's foot stands then; unpin it"
        )),
        Some(away_m) if away_m > MISSED_M => Some(format!(
            "{name}, but stands up to {:.1} mm away: the leg does not reach it, or another pin of \
             this foot is at odds with it; move it nearer or unpin it",
            1000.0 * away_m
        )),
        Some(_) => None,
    }
}
