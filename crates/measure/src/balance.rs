//! Balance: where the centre of mass lies over the feet, against the take.
//!
//! The centre of mass ([`understudy_anatomy::mass`]) is asked to lie, seen from above, where the performer's
//! lay, carried over by the feet that stand in both ([`Footprint::carry`], which says how). The distance from
//! there is the imbalance. Frames in which no foot stands, or the performer's weight is not over its feet,
//! are not counted. Also, without any map: how far outside of what the feet span, heel to toe and foot to
//! foot, the centre lies; a foot is a line there, without breadth.

use std::f64::consts::{PI, TAU};

use glam::DVec2;
use serde::Serialize;
use understudy_anatomy::Masses;
use understudy_motion::{DVec3, Surface, WorldPose};
use understudy_solver::Settings;
use understudy_solver::align::source_leg;
use understudy_solver::balance::{Footprint, Sizes, foot_middle, on_feet};
use understudy_solver::travel::travel_scale;

use crate::own_body::is_own_body;
use crate::stats::{mean, worst};
use crate::subject::{MM, Subject};

/// How far the centre of mass is from where it should be.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Balance {
    /// Frames that are counted.
    pub frames: usize,
    /// Mean distance from where the take has it, level.
    pub mean_mm: f64,
    /// Largest distance.
    pub worst_mm: f64,
    /// Frame of the largest distance, counted from 0.
    pub worst_frame: usize,
    /// Mean distance outside of what the feet span, over the frames that are counted.
    pub mean_outside_mm: f64,
    /// The same of the take.
    pub take_mean_outside_mm: f64,
}

/// Share of full weight from which a frame is counted.
const COUNTED: f64 = 0.5;

/// The distance, frame by frame, mm; `None` where a frame is not counted. `surface` is the subject's own.
pub(crate) fn imbalance_series(
    subject: &Subject<'_>,
    take: &Subject<'_>,
    surface: Option<&Surface>,
) -> Vec<Option<f64>> {
    let masses = own_masses(subject, take, surface);
    imbalances(subject, take, &masses)
}

/// As [`imbalance_series`], of a subject of known masses.
fn imbalances(subject: &Subject<'_>, take: &Subject<'_>, masses: &Masses) -> Vec<Option<f64>> {
    let performer = Masses::published(take.body);
    let ends = [take, subject].map(|it| (&*it.clip.skeleton, it.body, it.feet));
    let sizes = Sizes {
        take_leg_m: take.leg_length_m,
        scale: travel_scale(ends[0], ends[1], &Settings::default()).vertical,
    };
    let frames = subject.frame_count().min(take.frame_count());
    let pairs = pairs_of_legs(subject, take);
    let frame = |frame: usize| {
        let [own, performed] = [&subject.worlds[frame], &take.worlds[frame]];
        let feet = pairs.iter().map(|&[leg, source]| Footprint {
            take: foot_middle(&take.feet[source], performed),
            character: foot_middle(&subject.feet[leg], own),
            weight: f64::from(u8::from(
                stands(subject, leg, frame) && stands(take, source, frame),
            )),
        });
        let feet: Vec<Footprint> = feet.collect();
        let (wanted, weight) = Footprint::carry(&feet, performer.centre(performed), sizes)?;
        let away = (masses.centre(own) - wanted).with_y(0.0);
        let weight = weight * on_feet(take.body, performed, &take.floor, take.leg_length_m);
        (weight >= COUNTED).then_some(MM * away.length())
    };
    (0..frames).map(frame).collect()
}

/// Measures a clip against its take. `None` where no frame counts.
pub fn measure_balance(
    subject: &Subject<'_>,
    take: &Subject<'_>,
    surface: Option<&Surface>,
) -> Option<Balance> {
    let masses = own_masses(subject, take, surface);
    let series = imbalances(subject, take, &masses);
    let counted: Vec<usize> = (0..series.len())
        .filter(|&at| series[at].is_some())
        .collect();
    let away: Vec<f64> = series.iter().copied().flatten().collect();
    let (at, worst_mm) = worst(&away)?;
    let outside = |subject: &Subject<'_>, masses: &Masses| {
        let frames = counted.iter().map(|&frame| {
            let world = &subject.worlds[frame];
            MM * outside_m(&span(subject, frame, world), masses.centre(world))
        });
        mean(&frames.collect::<Vec<f64>>())
    };
    Some(Balance {
        frames: counted.len(),
        mean_mm: mean(&away),
        worst_mm,
        worst_frame: counted[at],
        mean_outside_mm: outside(subject, &masses),
        take_mean_outside_mm: outside(take, &Masses::published(take.body)),
    })
}

/// The subject's masses; on the performer's own body the performer's, whatever skin it has.
fn own_masses(subject: &Subject<'_>, take: &Subject<'_>, surface: Option<&Surface>) -> Masses {
    let surface = surface.filter(|_| !is_own_body(subject, take));
    Masses::of_character(subject.body, surface, &subject.rest)
}

/// Legs of the subject that the performer has too: numbers of both.
fn pairs_of_legs(subject: &Subject<'_>, take: &Subject<'_>) -> Vec<[usize; 2]> {
    let legs = subject.body.legs.iter().enumerate();
    legs.filter_map(|(own, leg)| Some([own, source_leg(take.body, leg)?]))
        .collect()
}

/// Whether any part of a foot stands.
fn stands(subject: &Subject<'_>, leg: usize, frame: usize) -> bool {
    let parts = subject
        .planted_parts
        .get(leg)
        .and_then(|parts| parts.get(frame));
    parts.is_some_and(|parts| parts.contains(&true))
}

/// Both ends of every foot that stands.
fn span(subject: &Subject<'_>, frame: usize, world: &WorldPose) -> Vec<DVec3> {
    let feet = subject.feet.iter().enumerate();
    feet.filter(|(leg, _)| stands(subject, *leg, frame))
        .flat_map(|(_, foot)| [foot.heel.unwrap_or(foot.below_toe_joint), foot.toe])
        .map(|point| point.world(world))
        .collect()
}

/// How far a point lies outside of the convex hull of others, seen from above, metres; 0 within, and where
/// there are no others.
fn outside_m(others: &[DVec3], point: DVec3) -> f64 {
    let from: Vec<DVec2> = others
        .iter()
        .map(|other| DVec2::new(other.x - point.x, other.z - point.z))
        .collect();
    let mut angles: Vec<f64> = from.iter().map(|way| way.y.atan2(way.x)).collect();
    angles.sort_by(f64::total_cmp);
    let (Some(first), Some(last)) = (angles.first(), angles.last()) else {
        return 0.0;
    };
    // Within, others lie on all sides.
    let around = first + TAU - last;
    let widest = angles.windows(2).map(|two| two[1] - two[0]);
    if widest.fold(around, f64::max) < PI {
        return 0.0;
    }
    // From outside no line between two of them is nearer than the border.
    let lines = from.iter().flat_map(|a| from.iter().map(move |b| (*a, *b)));
    let ways = lines.map(|(a, b)| {
        let line = b - a;
        let along = (-a.dot(line) / line.length_squared().max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
        (a + line * along).length()
    });
    ways.fold(f64::INFINITY, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Dummy, PELVIS};
    use understudy_motion::{DQuat, Transform};

    #[test]
    fn a_planted_shift_is_the_imbalance() {
        let dummy = Dummy::new(1.0);
        let take = dummy.clip(4, |_, _| {});
        // A lean that leaves the feet where they are: the mass of all but the legs goes with the chest.
        let chest = PELVIS + 1;
        let clip = dummy.clip(4, |frame, locals| {
            let metres = if frame == 2 { 0.1 } else { 0.02 };
            locals[chest].translation += DVec3::new(0.6, 0.0, 0.8) * metres;
        });
        let planted = vec![vec![[true; 3]; 4]; 2];
        let [subject, take] = [&clip, &take].map(|clip| dummy.subject(clip, &planted));
        let found = measure_balance(&subject, &take, None).unwrap();
        // Of the published shares, head and arms go with the chest, and of the trunk the part that hangs on the
        // shoulders.
        let share = 0.0694 + 2.0 * 0.0494 + (1.0 - 0.4310) * 0.4346;
        assert!((found.worst_mm - 100.0 * share).abs() < 1e-6, "{found:?}");
        assert!((found.mean_mm - 40.0 * share).abs() < 1e-6, "{found:?}");
        assert_eq!((found.worst_frame, found.frames), (2, 4));
    }

    #[test]
    fn a_body_of_another_size_that_does_the_same_is_balanced() {
        let (performer, character) = (Dummy::new(1.0), Dummy::new(0.6));
        let lean = |dummy: &Dummy, size: f64| {
            dummy.clip(6, |frame, locals| {
                locals[PELVIS] = Transform {
                    translation: locals[PELVIS].translation
                        + DVec3::X * (0.01 * size * frame as f64),
                    rotation: DQuat::from_rotation_x(0.02 * frame as f64),
                    ..locals[PELVIS]
                };
            })
        };
        let (take, clip) = (lean(&performer, 1.0), lean(&character, 0.6));
        let planted = vec![vec![[true; 3]; 6]; 2];
        let found = measure_balance(
            &character.subject(&clip, &planted),
            &performer.subject(&take, &planted),
            None,
        );
        let found = found.unwrap();
        assert!(found.worst_mm < 1e-9, "{found:?}");
        // In the air nothing is counted.
        let nothing = vec![vec![[false; 3]; 6]; 2];
        let flying = character.subject(&clip, &nothing);
        assert_eq!(
            measure_balance(&flying, &performer.subject(&take, &planted), None),
            None
        );
    }

    #[test]
    fn outside_is_the_way_to_the_hull() {
        let square = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
        let square = square.map(|[x, z]| DVec3::new(x, 0.3, z));
        let at = |x: f64, z: f64| outside_m(&square, DVec3::new(x, 2.0, z));
        assert_eq!(at(0.5, 0.2), 0.0);
        assert!((at(1.5, 0.5) - 0.5).abs() < 1e-12);
        assert!((at(-0.3, -0.4) - 0.5).abs() < 1e-12);
        // A line has no inside.
        assert!((outside_m(&square[..2], DVec3::new(0.5, 0.0, 0.25)) - 0.25).abs() < 1e-12);
        assert_eq!(outside_m(&[], DVec3::X), 0.0);
    }
}
