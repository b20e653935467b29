//! Contacts pinned to a place of the floor: where a contact stands, and pinning what stands in a frame.

use understudy_motion::signal::median;
use understudy_solver::{Contact, Contacts, FootPart};

use super::session::Session;
use super::stage::{Motion, Sole, Who};

/// The part of a foot that leads it where several stand: a pin of this one moves the whole foot.
const LEADING: [FootPart; 3] = [FootPart::Ball, FootPart::Heel, FootPart::Toe];

/// Where the character's part of a contact stands in the result: x and z, metres. `None` where no
/// part of that foot stands.
pub fn standing(session: &Session, contact: &Contact) -> Option<[f64; 2]> {
    let motion = session.stage.actor(Who::Character)?.motion(false)?;
    place(motion, contact)
}

/// How far the result misses the pin of a contact, mm; `None` where it stands there, or where the
/// result does not show the last change yet.
pub fn missed_mm(session: &Session, contact: &Contact) -> Option<f64> {
    /// Less than this is met, mm.
    const MET: f64 = 0.1;
    let ([x, z], [pin_x, pin_z]) = (standing(session, contact)?, contact.place_m?);
    let away_mm = 1000.0 * f64::hypot(x - pin_x, z - pin_z);
    (session.live.fresh().is_none() && away_mm > MET).then_some(away_mm)
}

/// Where it would stand without a pin, about: where plain transfer has it most of the time.
pub fn unpinned(session: &Session, contact: &Contact) -> Option<[f64; 2]> {
    let motion = session.stage.actor(Who::Character)?.motion(true)?;
    place(motion, contact)
}

fn place(motion: &Motion, contact: &Contact) -> Option<[f64; 2]> {
    let sole = sole_of(motion, contact)?;
    let part = part_of(sole, contact)?;
    let track = sole.tracks[part].as_ref()?;
    let stands = |frame: &usize| sole.planted.get(*frame).is_some_and(|on| on[part]);
    let places = (contact.first..=contact.last).filter(stands);
    let places: Vec<_> = places.filter_map(|frame| track.get(frame)).collect();
    let x: Vec<f64> = places.iter().map(|place| place.x).collect();
    let z: Vec<f64> = places.iter().map(|place| place.z).collect();
    Some([median(&x)?, median(&z)?])
}

/// The foot that a contact of the performer holds.
fn sole_of<'a>(motion: &'a Motion, contact: &Contact) -> Option<&'a Sole> {
    let mut of_side = motion.soles.iter().filter(|sole| sole.side == contact.side);
    of_side.nth(contact.pair)
}

/// The part of it: the contact's own, or the one that stands in its place.
fn part_of(sole: &Sole, contact: &Contact) -> Option<usize> {
    let own = [contact.part as usize];
    let others = LEADING.map(|part| part as usize);
    let frames = sole.planted.get(contact.first..=contact.last)?;
    own.into_iter()
        .chain(others)
        .find(|part| sole.tracks[*part].is_some() && frames.iter().any(|on| on[*part]))
}

/// All contacts, one of them pinned to a place or unpinned.
pub fn with_place(contacts: &Contacts, contact: &Contact, place_m: Option<[f64; 2]>) -> Contacts {
    let changed = contacts.contacts.iter().map(|one| match one == contact {
        true => Contact { place_m, ..*one },
        false => *one,
    });
    Contacts {
        contacts: changed.collect(),
        touches: contacts.touches.clone(),
    }
}

/// All contacts, with the leading one of every foot that stands in the shown frame pinned where it
/// stands; where these are pinned already, all that stand are unpinned.
///
/// # Errors
/// Nothing stands, or contacts cannot be changed; the text says so.
pub fn toggled(session: &Session) -> Result<Contacts, String> {
    let Some(contacts) = session.contacts() else {
        return Err("nothing to pin: carry a take over first".to_owned());
    };
    if !session.can_edit_contacts() {
        return Err(
            "contacts cannot be pinned here: the result has another frame rate than the take"
                .to_owned(),
        );
    }
    let frame = session.clock.frame();
    let holds = |contact: &&Contact| (contact.first..=contact.last).contains(&frame);
    let holding = || contacts.contacts.iter().filter(holds);
    let mut leading: Vec<Contact> = Vec::new();
    for part in LEADING {
        for contact in holding().filter(|contact| contact.part == part) {
            let is_same_foot =
                |other: &Contact| (other.side, other.pair) == (contact.side, contact.pair);
            if !leading.iter().any(is_same_foot) {
                leading.push(*contact);
            }
        }
    }
    let free = leading.iter().filter(|contact| contact.place_m.is_none());
    let places: Vec<(Contact, [f64; 2])> = free
        .filter_map(|contact| Some((*contact, standing(session, contact)?)))
        .collect();
    if !places.is_empty() {
        let pinned = places.iter().fold(contacts.clone(), |all, (one, place)| {
            with_place(&all, one, Some(*place))
        });
        return Ok(pinned);
    }
    let pinned: Vec<Contact> = holding().filter(|c| c.place_m.is_some()).copied().collect();
    if pinned.is_empty() {
        return Err(format!("no foot stands in frame {frame}: nothing to pin"));
    }
    let unpinned = pinned
        .iter()
        .fold(contacts.clone(), |all, one| with_place(&all, one, None));
    Ok(unpinned)
}
