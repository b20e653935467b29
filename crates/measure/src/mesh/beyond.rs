//! Penetration and contact of the skin that the take does not have.
//!
//! A take has bones and no skin; how deep its parts are in each other is that of capsules of published
//! girths ([`crate::penetration`]), scaled by the ratio of leg lengths. What a pair of parts on the
//! skin is deeper than the same pair of the take in the same frame is beyond the take. Its volume
//! counts for as much as that is of the depth. Pairs that the take lacks (tails, ears) count in full.
//!
//! A contact is invented where a hand or forearm lies in another part, or another hand or forearm,
//! for at least a twentieth of a second, the same parts of the take are farther apart than a quarter of
//! a hand's length (the limit of touch detection, [`understudy_solver::TouchLimits`]) all that time, and
//! no touch of the take between them is near. Of parts that the take lacks nothing is known, so none is
//! called invented.

use serde::Serialize;
use understudy_solver::contacts::runs;
use understudy_solver::{Touch, TouchEnd, TouchLimits};

use crate::penetration::{Penetration, capsule_gaps_m};
use crate::stats::worst;
use crate::subject::{MM, Subject};

/// A shorter meeting is no contact, seconds.
const SHORTEST_SECS: f64 = 0.05;

/// A touch of the take this near in time is that contact, early or late, seconds.
const NEAR_SECS: f64 = 0.25;

/// A pair of parts that is deeper than in the take.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PairBeyond {
    /// For a person: "left hand".
    pub part: String,
    /// The other one.
    pub other_part: String,
    /// How much deeper at most.
    pub worst_mm: f64,
    /// Its frame, counted from 0.
    pub worst_frame: usize,
    /// Frames in which it is more than 2 mm deeper.
    pub frames: usize,
}

/// A contact that the take does not have.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct InventedContact {
    /// For a person: "left hand in trunk".
    pub contact: String,
    /// First frame, counted from 0.
    pub first_frame: usize,
    /// Last frame.
    pub last_frame: usize,
}

/// All that the take does not have.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BeyondTake {
    /// How much deeper any pair is at most.
    pub worst_mm: f64,
    /// Volume beyond the take, added up over time and over pairs.
    pub volume_time_m3_s: f64,
    /// Pairs that are deeper, most first.
    pub pairs: Vec<PairBeyond>,
    /// Contacts of hands and forearms that the take does not have.
    pub invented: Vec<InventedContact>,
}

/// Depth beyond which two parts are in each other beyond the take, mm: the aim of this project.
pub const BEYOND_MM: f64 = 2.0;

/// Compares penetration on the skin with the take's. `None` where it was not measured on a skin.
pub fn measure_beyond(
    penetration: &Penetration,
    subject: &Subject<'_>,
    take: &Subject<'_>,
    touches: &[Touch],
) -> Option<BeyondTake> {
    if !penetration.on_skin {
        return None;
    }
    let scale = subject.leg_length_m / take.leg_length_m;
    let frame_secs = subject.clip.frame_time_secs;
    let names = penetration.pairs.iter();
    let names: Vec<[&str; 2]> = names.map(|pair| [&*pair.part, &*pair.other_part]).collect();
    let gaps = capsule_gaps_m(take, &names);
    let mut beyond = BeyondTake {
        worst_mm: 0.0,
        volume_time_m3_s: 0.0,
        pairs: Vec::new(),
        invented: Vec::new(),
    };
    for (pair, gaps) in penetration.pairs.iter().zip(&gaps) {
        let take_mm = |frame: usize| {
            let gaps = gaps.as_ref();
            gaps.map_or(0.0, |gaps| MM * scale * (-gaps[frame]).max(0.0))
        };
        let depths = pair.depths_mm.iter().enumerate();
        let more_mm: Vec<f64> = depths
            .map(|(frame, mm)| (mm - take_mm(frame)).max(0.0))
            .collect();
        let shares = more_mm.iter().zip(&pair.depths_mm).zip(&pair.volumes_m3);
        let volumes = shares.map(|((more, depth), volume)| {
            if *depth > 0.0 {
                volume * more / depth
            } else {
                0.0
            }
        });
        beyond.volume_time_m3_s += frame_secs * volumes.sum::<f64>();
        if let Some((worst_frame, worst_mm)) = worst(&more_mm).filter(|worst| worst.1 > 0.0) {
            beyond.worst_mm = beyond.worst_mm.max(worst_mm);
            beyond.pairs.push(PairBeyond {
                part: pair.part.clone(),
                other_part: pair.other_part.clone(),
                worst_mm,
                worst_frame,
                frames: more_mm.iter().filter(|mm| **mm > BEYOND_MM).count(),
            });
        }
        let is_apart = |frame: usize| {
            let hand_m = hand_length_m(take);
            let least_m = TouchLimits::default().near * hand_m;
            gaps.as_ref().is_some_and(|gaps| gaps[frame] > least_m)
        };
        beyond.invented.extend(invented(
            pair_names(pair),
            &pair.depths_mm,
            touches,
            frame_secs,
            &is_apart,
        ));
    }
    beyond
        .pairs
        .sort_by(|a, b| b.worst_mm.total_cmp(&a.worst_mm));
    Some(beyond)
}

fn pair_names(pair: &crate::penetration::PairDepth) -> [&str; 2] {
    [&pair.part, &pair.other_part]
}

/// Runs of frames in which a pair meets and no touch of the take explains it.
fn invented(
    [one, other]: [&str; 2],
    depths_mm: &[f64],
    touches: &[Touch],
    frame_secs: f64,
    is_apart: &dyn Fn(usize) -> bool,
) -> Vec<InventedContact> {
    let is_moved = |name: &str| name.contains("hand") || name.contains("forearm");
    if !is_moved(one) && !is_moved(other) {
        return Vec::new();
    }
    let near = (NEAR_SECS / frame_secs).round() as usize;
    let shortest = (SHORTEST_SECS / frame_secs).ceil() as usize;
    let is_of = |end: &TouchEnd, name: &str| name == end.words();
    let explains = |touch: &Touch, first: usize, last: usize| {
        let ends = [&touch.from, &touch.to];
        let is_pair = (is_of(ends[0], one) && is_of(ends[1], other))
            || (is_of(ends[0], other) && is_of(ends[1], one));
        is_pair && first <= touch.last + near && touch.first <= last + near
    };
    let met: Vec<bool> = depths_mm.iter().map(|mm| *mm > 0.0).collect();
    let found = runs(&met).into_iter();
    found
        .filter(|&(first, last)| last - first + 1 >= shortest)
        .filter(|&(first, last)| (first..=last).all(is_apart))
        .filter(|&(first, last)| !touches.iter().any(|touch| explains(touch, first, last)))
        .map(|(first_frame, last_frame)| InventedContact {
            contact: format!("{one} in {other}"),
            first_frame,
            last_frame,
        })
        .collect()
}

/// Length of the performer's hand, metres: the first arm's, or of a person as tall where the take
/// has none (0.108 of 3.57 leg lengths over 1.75, Drillis & Contini 1966).
fn hand_length_m(take: &Subject<'_>) -> f64 {
    let arm = take.body.arms.iter().find_map(|arm| {
        let wrist = arm.wrist?;
        Some(
            arm.hand_tip
                .world(&take.rest)
                .distance(take.rest.position(wrist)),
        )
    });
    arm.unwrap_or(0.108 / (0.245 + 0.246) * take.leg_length_m)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::measure_mesh_penetration;
    use crate::penetration::capsules;
    use crate::testing::{DT, Dummy, two_balls, wrist_from_chest};
    use understudy_anatomy::Side;
    use understudy_solver::TouchPart;

    fn beyond(ways_m: &[f64], take_ways_m: &[f64], touches: &[Touch]) -> BeyondTake {
        let dummy = Dummy::new(1.0);
        let clip = wrist_from_chest(&dummy, ways_m);
        let take_clip = wrist_from_chest(&dummy, take_ways_m);
        let (subject, take) = (dummy.subject(&clip, &[]), dummy.subject(&take_clip, &[]));
        let penetration = measure_mesh_penetration(&subject, &two_balls(&dummy)).unwrap();
        measure_beyond(&penetration, &subject, &take, touches).unwrap()
    }

    #[test]
    fn a_take_that_is_apart_has_none_of_it() {
        let ways = [0.73, 0.73, 0.14, 0.13, 0.14, 0.12, 0.73, 0.73];
        let found = beyond(&ways, &[0.73; 8], &[]);
        // Facets lie at most 0.054 mm below a ball of 10 cm.
        assert!((found.worst_mm - 30.0).abs() < 0.06, "{found:?}");
        assert_eq!((found.pairs[0].worst_frame, found.pairs[0].frames), (5, 4));
        assert!(found.volume_time_m3_s > 0.0);
        assert_eq!(found.invented.len(), 1);
        let invented = &found.invented[0];
        assert_eq!((invented.first_frame, invented.last_frame), (2, 5));
        assert_eq!(invented.contact, "left hand in trunk");
    }

    #[test]
    fn what_the_take_has_is_left_out() {
        let dummy = Dummy::new(1.0);
        let clip = wrist_from_chest(&dummy, &[0.73]);
        let subject = dummy.subject(&clip, &[]);
        let radius_m = |name: &str| {
            let all = capsules(&subject, None);
            all.iter()
                .find(|capsule| capsule.segment.name == name)
                .unwrap()
                .radius_m
        };
        let touching_m = radius_m("trunk") + radius_m("left hand");
        // The capsules of the take are 10 mm deep, the balls 15 mm.
        let found = beyond(&[0.73, 0.135], &[0.73, touching_m - 0.01], &[]);
        assert!((found.worst_mm - 5.0).abs() < 0.06, "{found:?}");
        let alone = beyond(&[0.73, 0.135], &[0.73, 0.73], &[]);
        let share = found.volume_time_m3_s / alone.volume_time_m3_s;
        assert!((share - 5.0 / 15.0).abs() < 0.005, "{share}");
        assert_eq!(found.invented, []);
    }

    #[test]
    fn a_touch_of_the_take_is_not_invented() {
        let end = |part, side| TouchEnd {
            part,
            side,
            pair: 0,
            along: 0.5,
        };
        let touch = |first: usize| Touch {
            from: end(TouchPart::Hand, Side::Left),
            to: end(TouchPart::Trunk, Side::Middle),
            first,
            last: first + 2,
        };
        let mut ways = vec![0.73; 60];
        ways[10..20].fill(0.13);
        let late = (20.0 + NEAR_SECS / DT) as usize;
        assert_eq!(beyond(&ways, &[0.73; 60], &[touch(late - 2)]).invented, []);
        assert_eq!(
            beyond(&ways, &[0.73; 60], &[touch(late + 2)])
                .invented
                .len(),
            1
        );
    }
}
