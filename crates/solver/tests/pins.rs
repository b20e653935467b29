//! Contacts that a person pins to a place of the floor are met, without slide.

mod common;

use common::{Figure, plain_only};
use understudy_bodies::demo_take;
use understudy_motion::clip::Interpolation;
use understudy_motion::{Clip, DVec3};
use understudy_solver::{Contact, Contacts, FootPart, Retargeted, Settings};

/// Where a contact that is held must stand: a tenth of a millimetre, in metres.
const NEAR_M: f64 = 1e-4;

fn take() -> Clip {
    let clip = demo_take()
        .expect("the demo take is part of the crate")
        .clip;
    clip.range(0, 239)
        .resampled(1.0 / 30.0, Interpolation::Hermite)
        .expect("a sound rate")
}

/// Places of a part of the foot that a contact of a two-legged performer holds, while it stands.
fn places(result: &Retargeted, contact: &Contact) -> Vec<DVec3> {
    let is_leg = |leg: &usize| result.feet[*leg].side == contact.side;
    let leg = (0..result.feet.len()).find(is_leg).unwrap();
    // A foot of one piece has no ball to stand on.
    let part = match contact.part {
        FootPart::Ball if result.feet[leg].is_one_piece() => FootPart::Toe,
        part => part,
    };
    let point = result.feet[leg].point(part).unwrap();
    let part = part as usize;
    (contact.first..=contact.last)
        .filter(|frame| result.planted_parts[leg][*frame][part])
        .map(|frame| point.world(&result.solved.world(frame)))
        .collect()
}

fn away_m(places: &[DVec3], pin: [f64; 2]) -> f64 {
    let away = |place: &DVec3| f64::hypot(place.x - pin[0], place.z - pin[1]);
    places.iter().map(away).fold(0.0, f64::max)
}

fn long(contacts: &Contacts, part: FootPart) -> usize {
    let of_part = contacts.contacts.iter().enumerate();
    let of_part = of_part.filter(|(_, contact)| contact.part == part);
    let longest = of_part.max_by_key(|(_, contact)| contact.last - contact.first);
    longest.expect("the performer walks").0
}

#[test]
fn a_pinned_part_stands_at_its_pin_and_does_not_slide() {
    let performer = Figure::made(|_| {});
    let clip = take();
    for name in ["pedlar", "porter", "giant"] {
        let character = Figure::cast(name);
        let settings = Settings::default();
        let found = performer.retarget(&clip, &character, &settings, None);
        let mut contacts = found.contacts.clone();
        let index = long(&contacts, FootPart::Ball);
        let before = places(&found, &contacts.contacts[index]);
        let pin = [before[0].x + 0.03, before[0].z - 0.04];
        contacts.contacts[index].place_m = Some(pin);
        let pinned = performer.retarget(&clip, &character, &settings, Some(&contacts));
        let after = places(&pinned, &contacts.contacts[index]);
        assert!(!after.is_empty(), "{name}");
        assert!(away_m(&after, pin) < NEAR_M, "{name}: {after:?}");
        let is_told = pinned.notes.iter().any(|note| note.contains("pinned"));
        assert!(!is_told, "{name}: {:?}", pinned.notes);
        // All other contacts stand still too, on the floor.
        for contact in &contacts.contacts {
            let all = places(&pinned, contact);
            if let Some(first) = all.first() {
                assert!(away_m(&all, [first.x, first.z]) < NEAR_M, "{name}");
                let heights = all.iter().map(|place| pinned.floor().above(*place).abs());
                assert!(heights.fold(0.0, f64::max) < NEAR_M, "{name}");
            }
        }
    }
}

#[test]
fn two_pins_turn_a_flat_foot() {
    let (performer, clip) = (Figure::made(|_| {}), take());
    let character = Figure::cast("pedlar");
    let settings = Settings::default();
    let found = performer.retarget(&clip, &character, &settings, None);
    let mut contacts = found.contacts.clone();
    let ball = long(&contacts, FootPart::Ball);
    let on = contacts.contacts[ball];
    let heel = contacts
        .contacts
        .iter()
        .position(|c| {
            let meets = c.first <= on.last && c.last >= on.first;
            c.part == FootPart::Heel && c.side == on.side && meets
        })
        .expect("the whole foot stands");
    let [ball_place, heel_place] =
        [ball, heel].map(|index| places(&found, &contacts.contacts[index])[0]);
    // The same foot, 15 degrees to the left.
    let along = ball_place - heel_place;
    let turned = understudy_motion::DQuat::from_rotation_y(15_f64.to_radians()) * along;
    let heel_pin = [heel_place.x, heel_place.z];
    let ball_pin = [heel_place.x + turned.x, heel_place.z + turned.z];
    contacts.contacts[heel].place_m = Some(heel_pin);
    contacts.contacts[ball].place_m = Some(ball_pin);
    let pinned = performer.retarget(&clip, &character, &settings, Some(&contacts));
    for (index, pin) in [(heel, heel_pin), (ball, ball_pin)] {
        let away = away_m(&places(&pinned, &contacts.contacts[index]), pin);
        assert!(away < NEAR_M, "{away}");
    }
}

#[test]
fn pins_out_of_reach_are_told_and_pins_nowhere_are_refused() {
    let (performer, clip) = (Figure::made(|_| {}), take());
    let character = Figure::cast("pedlar");
    let settings = Settings::default();
    let found = performer.retarget(&clip, &character, &settings, None);
    let mut contacts = found.contacts.clone();
    let index = long(&contacts, FootPart::Ball);
    let place = places(&found, &contacts.contacts[index])[0];
    // Both feet stand at this time somewhere, so one leg cannot follow ten metres.
    contacts.contacts[index].place_m = Some([place.x + 10.0, place.z]);
    let far = performer.retarget(&clip, &character, &settings, Some(&contacts));
    let told = far.notes.iter().find(|note| note.contains("is pinned to"));
    assert!(told.expect("a note").contains("does not reach"), "{told:?}");
    for nowhere in [[f64::NAN, 0.0], [0.0, f64::INFINITY], [0.0, 1e9]] {
        contacts.contacts[index].place_m = Some(nowhere);
        let refused = performer
            .try_retarget(&clip, &character, &settings, Some(&contacts))
            .unwrap_err()
            .to_string();
        assert!(refused.contains("give metres"), "{refused}");
    }
}

#[test]
fn without_planting_a_pin_moves_nothing() {
    let (performer, clip) = (Figure::made(|_| {}), take());
    let character = Figure::cast("pedlar");
    let settings = plain_only();
    let found = performer.retarget(&clip, &character, &settings, None);
    let mut contacts = found.contacts.clone();
    let index = long(&contacts, FootPart::Ball);
    contacts.contacts[index].place_m = Some([3.0, 4.0]);
    let pinned = performer.retarget(&clip, &character, &settings, Some(&contacts));
    assert_eq!(pinned.solved, found.solved);
    assert_eq!(pinned.notes, found.notes);
}
