//! Which part of a foot stands on the floor from when to when.

use serde::{Deserialize, Serialize};
use understudy_anatomy::{Body, Side};
use understudy_motion::{DVec3, signal};

use crate::floor::Floor;
use crate::settings::ContactSettings;
use crate::touch::Touch;

/// A part of the sole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum FootPart {
    /// The heel.
    Heel,
    /// The ball, below the joints of the toes.
    Ball,
    /// The tip of the toes.
    Toe,
}

impl FootPart {
    /// From back to front.
    pub const ALL: [Self; 3] = [Self::Heel, Self::Ball, Self::Toe];

    /// The word for people and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Heel => "heel",
            Self::Ball => "ball",
            Self::Toe => "toe",
        }
    }
}

/// One part of one foot on the floor, for a range of frames. Plain data, meant to be edited.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Contact {
    /// Side of the performer's body.
    pub side: Side,
    /// Pair of legs, 0 for the first.
    #[serde(default)]
    pub pair: usize,
    /// Part of the foot.
    pub part: FootPart,
    /// First frame on the floor.
    pub first: usize,
    /// Last frame on the floor.
    pub last: usize,
    /// The place of the floor at which the character's part stands: x and z, metres, in a world with
    /// Y up. Where absent, it stands where plain transfer has it most of the time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place_m: Option<[f64; 2]>,
}

/// Farthest place a contact may be pinned to, metres from the origin.
const FARTHEST_M: f64 = 1e5;

/// All contacts of a take.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Contacts {
    /// In order of legs, parts and frames.
    pub contacts: Vec<Contact>,
    /// Touches of hands and forearms, in order of frames; found in the take where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub touches: Option<Vec<Touch>>,
}

/// A stretch of frames in a part of a clip, `first..=last`, in the part's own frames; `None` where it
/// lies outside.
pub(crate) fn cut((from, to): (usize, usize), [first, last]: [usize; 2]) -> Option<(usize, usize)> {
    let meets = from <= last && to >= first;
    meets.then(|| (from.max(first) - first, to.min(last) - first))
}

impl Contacts {
    /// The contacts of one part of one foot.
    pub fn of(
        &self,
        side: Side,
        pair: usize,
        part: FootPart,
    ) -> impl Iterator<Item = &Contact> + '_ {
        self.contacts
            .iter()
            .filter(move |c| c.side == side && c.pair == pair && c.part == part)
    }

    /// Whether a part of a foot stands on the floor, frame by frame.
    pub fn mask(&self, side: Side, pair: usize, part: FootPart, frames: usize) -> Vec<bool> {
        let mut mask = vec![false; frames];
        for contact in self.of(side, pair, part) {
            for on in mask
                .iter_mut()
                .take(contact.last.saturating_add(1))
                .skip(contact.first)
            {
                *on = true;
            }
        }
        mask
    }

    /// The same contacts with those of one part that overlap or touch made one, in order of legs,
    /// parts and frames. Of several pins the first holds.
    pub fn merged(&self) -> Self {
        let mut sorted = self.contacts.clone();
        sorted.sort_by_key(|c| (c.pair, c.side, c.part, c.first));
        let mut contacts: Vec<Contact> = Vec::with_capacity(sorted.len());
        for next in sorted {
            match contacts.last_mut() {
                Some(before)
                    if (before.pair, before.side, before.part)
                        == (next.pair, next.side, next.part)
                        && next.first <= before.last.saturating_add(1) =>
                {
                    before.last = before.last.max(next.last);
                    before.place_m = before.place_m.or(next.place_m);
                }
                _ => contacts.push(next),
            }
        }
        Self {
            contacts,
            touches: self.touches.clone(),
        }
    }

    /// The same contacts and touches in other frames: `moved` gives first and last frame for those of
    /// one, or `None` where it is left out.
    pub fn with_frames(&self, moved: impl Fn((usize, usize)) -> Option<(usize, usize)>) -> Self {
        let feet = self.contacts.iter().filter_map(|contact| {
            let (first, last) = moved((contact.first, contact.last))?;
            Some(Contact {
                first,
                last,
                ..*contact
            })
        });
        let touches = self.touches.as_ref().map(|touches| {
            let kept = touches.iter().filter_map(|touch| {
                let (first, last) = moved((touch.first, touch.last))?;
                Some(Touch {
                    first,
                    last,
                    ..*touch
                })
            });
            kept.collect()
        });
        Self {
            contacts: feet.collect(),
            touches,
        }
    }

    /// The contacts and touches of a part of a take, `first..=last`, in its own frames.
    pub fn within(&self, [first, last]: [usize; 2]) -> Self {
        self.with_frames(|stretch| cut(stretch, [first, last]))
    }

    /// Checks contacts that come from a file against the clip and the body they are for.
    ///
    /// # Errors
    /// A contact that ends before it starts, lies past the last frame, is of a leg that the
    /// performer does not have, or is pinned to no place.
    pub fn check(&self, frames: usize, body: &Body) -> Result<(), String> {
        for c in &self.contacts {
            let name = format!(
                "contact of the {} {}, frames {} to {}",
                c.side.word(),
                c.part.word(),
                c.first,
                c.last
            );
            if c.first > c.last {
                return Err(format!("{name}: it ends before it starts"));
            }
            if c.last >= frames {
                return Err(format!(
                    "{name}: the take ends at frame {}; shorten or remove it",
                    frames.saturating_sub(1)
                ));
            }
            if body.leg(c.side, c.pair).is_none() {
                return Err(format!(
                    "{name}: the performer has no {} leg in pair {}, counted from 0; correct or remove it",
                    c.side.word(),
                    c.pair
                ));
            }
            let is_place = |place: [f64; 2]| place.iter().all(|at| at.abs() <= FARTHEST_M);
            if let Some([x, z]) = c.place_m
                && !is_place([x, z])
            {
                return Err(format!(
                    "{name}: it is pinned to x = {x}, z = {z}; give metres, up to {FARTHEST_M} from \
                     the origin"
                ));
            }
        }
        for touch in self.touches.iter().flatten() {
            touch.check(frames, body)?;
        }
        Ok(())
    }
}

/// A sole this far (leg lengths) below the floor does not stand on it: the floor is wrong. Real
/// captures sink by less than a tenth.
const DEEPEST: f64 = -0.2;

/// Least rise (leg lengths) that ends a contact: a millimetre for an adult, as far as
/// an assumed heel may rise while a real one rolls.
const LEAST_RISE: f64 = 0.001;

/// Speed (leg lengths per second) at which noise may make a resting part seem to move.
const UNREST: f64 = 0.05;

/// Human motion is kept below this frequency (Winter, *Biomechanics and Motor Control of Human
/// Movement*, section 3.4.4: 6 Hz for gait).
const LOWEST_CUTOFF_HZ: f64 = 6.0;

/// Least speed (leg lengths per second) that ends a contact.
const LEAST_SPEED: f64 = 0.02;

/// Runs of `true`, as (first, last).
pub fn runs(mask: &[bool]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut start = None;
    for (frame, &on) in mask.iter().chain(std::iter::once(&false)).enumerate() {
        match (on, start) {
            (true, None) => start = Some(frame),
            (false, Some(first)) => {
                found.push((first, frame - 1));
                start = None;
            }
            _ => {}
        }
    }
    found
}

/// Frames in which a point of a sole is planted: low and slow, with hysteresis.
///
/// `points` are world positions per frame, metres; `leg_length_m` scales the thresholds.
pub fn planted_frames(
    points: &[DVec3],
    part: FootPart,
    floor: &Floor,
    leg_length_m: f64,
    frame_time_secs: f64,
    settings: &ContactSettings,
) -> Vec<bool> {
    let cutoff_hz = cutoff_for_noise(points, leg_length_m, frame_time_secs, settings.cutoff_hz);
    let smooth = signal::low_pass_points(points, cutoff_hz, frame_time_secs);
    // Speed of each step to the next frame: a part is at rest between two frames, and the first
    // and last frame of a contact have a moving step on one side.
    let steps: Vec<f64> = smooth
        .windows(2)
        .map(|pair| pair[0].distance(pair[1]) / (frame_time_secs * leg_length_m))
        .collect();
    let slower_side = |i: usize| -> f64 {
        let before = i.checked_sub(1).and_then(|at| steps.get(at));
        let sides = before.into_iter().chain(steps.get(i)).copied();
        // A single frame does not move.
        sides.reduce(f64::min).unwrap_or(0.0)
    };
    let speeds: Vec<f64> = (0..points.len()).map(slower_side).collect();
    let heights: Vec<f64> = smooth
        .iter()
        .map(|point| floor.above(*point) / leg_length_m)
        .collect();
    let may_stay: Vec<bool> = (0..points.len())
        .map(|i| {
            let is_low = heights[i] < settings.end_height && heights[i] > DEEPEST;
            is_low && speeds[i] < settings.end_speed
        })
        .collect();
    let rise = match part {
        FootPart::Toe => settings.toe_rise,
        FootPart::Heel | FootPart::Ball => settings.rise,
    };
    // A run that may stay counts where somewhere in it the part is surely down.
    let mut mask = vec![false; points.len()];
    for (first, last) in runs(&may_stay) {
        let is_sure = (first..=last)
            .any(|i| heights[i] < settings.start_height && speeds[i] < settings.start_speed);
        if is_sure {
            let (first, last) = without_rise(&heights, first, last, rise, part);
            let (first, last) = without_start_and_stop(&speeds, first, last, settings.end_speed);
            mask[first..=last].fill(true);
        }
    }
    let frames_of = |secs: f64| (secs / frame_time_secs).round() as usize;
    close_gaps(&mut mask, frames_of(settings.shortest_gap_secs));
    drop_short(&mut mask, frames_of(settings.shortest_secs));
    mask
}

/// Standard deviation of the noise of a track that rests much of its time, metres: from the lower
/// quartile of its third differences, to which smooth motion adds little. A normal deviate lies
/// within 0.3186 standard deviations in a quarter of all cases, and third differences of white
/// noise have √20 times its deviation.
fn noise_m(points: &[DVec3]) -> f64 {
    let thirds: Vec<f64> = points
        .windows(4)
        .flat_map(|p| (p[3] - 3.0 * p[2] + 3.0 * p[1] - p[0]).abs().to_array())
        .collect();
    signal::quantile(&thirds, 0.25).unwrap_or(0.0) / (0.3186 * 20.0_f64.sqrt())
}

/// The cut-off at which noise makes a resting part seem to move at no more than `UNREST`: filtered
/// white noise of deviation σ at `f` frames per second moves at `2π σ √(2 c³ / 3 f)` per axis.
pub(crate) fn cutoff_for_noise(
    points: &[DVec3],
    leg_length_m: f64,
    frame_time_secs: f64,
    highest_hz: f64,
) -> f64 {
    let speed_per_axis = UNREST * leg_length_m / 3.0_f64.sqrt();
    let ratio = speed_per_axis / (std::f64::consts::TAU * noise_m(points));
    let cutoff_hz = (1.5 * ratio * ratio / frame_time_secs).cbrt();
    // Without any noise the ratio is infinite, which leaves the highest.
    cutoff_hz.max(LOWEST_CUTOFF_HZ).min(highest_hz)
}

/// What counts as the unrest of the plant itself, from the median of its deviations: three times
/// as much, but neither below `least` nor above `most`.
fn own_unrest(median: f64, least: f64, most: f64) -> f64 {
    (3.0 * median).clamp(least.min(most), most)
}

/// The run without the frames at its ends in which the part is on its way down or up: those above
/// the run's own median height by more than it varies in between, `rise` at most. Soles of real
/// captures lie up to a few centimetres above or below the floor, differently for each plant. The
/// toe drifts up as the foot rolls over it and is held to `rise` itself.
fn without_rise(
    heights: &[f64],
    first: usize,
    last: usize,
    rise: f64,
    part: FootPart,
) -> (usize, usize) {
    let Some(level) = signal::median(&heights[first..=last]) else {
        return (first, last);
    };
    let deviations: Vec<f64> = heights[first..=last]
        .iter()
        .map(|h| (h - level).abs())
        .collect();
    let rise = match part {
        FootPart::Toe => rise,
        FootPart::Heel | FootPart::Ball => {
            own_unrest(signal::median(&deviations).unwrap_or(0.0), LEAST_RISE, rise)
        }
    };
    let is_down = |frame: &usize| heights[*frame] <= level + rise;
    // The median itself is down, so both searches find a frame.
    let start = (first..=last).find(is_down).unwrap_or(first);
    let end = (first..=last).rev().find(is_down).unwrap_or(last);
    (start, end)
}

/// The run without the frames at its ends in which the part still slows down or already leaves:
/// those faster than the plant's own unrest. A clean capture so gets exact ends, one that slides
/// all through keeps its plants.
fn without_start_and_stop(
    speeds: &[f64],
    first: usize,
    last: usize,
    end_speed: f64,
) -> (usize, usize) {
    let median = signal::median(&speeds[first..=last]).unwrap_or(0.0);
    let limit = own_unrest(median, LEAST_SPEED, end_speed);
    let is_still = |frame: &usize| speeds[*frame] <= limit;
    let start = (first..=last).find(is_still).unwrap_or(first);
    let end = (first..=last).rev().find(is_still).unwrap_or(last);
    (start, end)
}

fn close_gaps(mask: &mut [bool], shortest: usize) {
    let off: Vec<bool> = mask.iter().map(|on| !on).collect();
    for (first, last) in runs(&off) {
        let is_inside = first > 0 && last + 1 < mask.len();
        if is_inside && last + 1 - first < shortest {
            mask[first..=last].fill(true);
        }
    }
}

fn drop_short(mask: &mut [bool], shortest: usize) {
    for (first, last) in runs(mask) {
        let is_cut = first == 0 || last + 1 == mask.len();
        if !is_cut && last + 1 - first < shortest {
            mask[first..=last].fill(false);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_are_found_up_to_the_end() {
        assert_eq!(runs(&[true, true, false, true]), vec![(0, 1), (3, 3)]);
        assert_eq!(runs(&[]), vec![]);
    }

    #[test]
    fn contacts_of_a_part_are_in_its_frames() {
        let contact = |first, last| Contact {
            side: Side::Left,
            pair: 0,
            part: FootPart::Ball,
            first,
            last,
            place_m: None,
        };
        let all = Contacts {
            contacts: vec![
                contact(0, 9),
                contact(5, 30),
                contact(28, 60),
                contact(61, 70),
            ],
            touches: None,
        };
        let expected = [contact(0, 10), contact(8, 40)];
        assert_eq!(all.within([20, 60]).contacts, expected);
    }

    #[test]
    fn contacts_that_overlap_are_merged() {
        let contact = |side, first, last| Contact {
            side,
            pair: 0,
            part: FootPart::Heel,
            first,
            last,
            place_m: None,
        };
        let given = Contacts {
            touches: None,
            contacts: vec![
                contact(Side::Right, 4, 9),
                contact(Side::Left, 10, 30),
                contact(Side::Left, 12, 14),
                contact(Side::Left, 0, 5),
                contact(Side::Left, 31, 33),
                contact(Side::Left, 35, 36),
            ],
        };
        let merged = given.merged();
        let expected = vec![
            contact(Side::Left, 0, 5),
            contact(Side::Left, 10, 33),
            contact(Side::Left, 35, 36),
            contact(Side::Right, 4, 9),
        ];
        assert_eq!(merged.contacts, expected);
        for side in [Side::Left, Side::Right] {
            let mask = |contacts: &Contacts| contacts.mask(side, 0, FootPart::Heel, 40);
            assert_eq!(mask(&merged), mask(&given));
        }
    }

    #[test]
    fn the_first_pin_of_contacts_made_one_holds() {
        let contact = |first, last, place_m| Contact {
            side: Side::Left,
            pair: 0,
            part: FootPart::Ball,
            first,
            last,
            place_m,
        };
        let given = Contacts {
            touches: None,
            contacts: vec![
                contact(0, 4, None),
                contact(5, 9, Some([0.5, 2.0])),
                contact(10, 12, Some([3.0, 4.0])),
                contact(20, 30, None),
            ],
        };
        let expected = [contact(0, 12, Some([0.5, 2.0])), contact(20, 30, None)];
        assert_eq!(given.merged().contacts, expected);
    }

    #[test]
    fn a_noisy_step_is_one_contact() {
        let dt = 1.0 / 120.0;
        // Down for frames 60 to 180, moving at 2 m/s and lifted by up to 10 cm outside.
        let points: Vec<DVec3> = (0..240)
            .map(|i| {
                let away = (60.0 - f64::from(i)).max(f64::from(i) - 180.0).max(0.0) * dt;
                let noise = 0.0005 * (f64::from(i) * 12.9898).sin();
                DVec3::new(2.0 * away + noise, (1.2 * away).min(0.1) + noise, 0.0)
            })
            .collect();
        let mask = planted_frames(
            &points,
            FootPart::Heel,
            &Floor::default(),
            0.9,
            dt,
            &ContactSettings::default(),
        );
        let found = runs(&mask);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(
            found[0].0.abs_diff(60) <= 5 && found[0].1.abs_diff(180) <= 5,
            "{found:?}"
        );
    }

    #[test]
    fn masks_hold_what_lies_within() {
        let contacts = Contacts {
            touches: None,
            contacts: vec![Contact {
                side: Side::Left,
                pair: 0,
                part: FootPart::Heel,
                first: 3,
                last: 9,
                place_m: None,
            }],
        };
        assert_eq!(
            contacts.mask(Side::Left, 0, FootPart::Heel, 5),
            vec![false, false, false, true, true]
        );
    }
}
