//! Sinking below the floor and floating above it.
//!
//! Sinking counts the lowest point of a foot in every frame, planted or not: of its skin where it has one,
//! else of heel, ball and toe. Floating counts the planted parts while they are planted; a foot that does
//! not stand on both heel and front may lie on something else, its edge or instep. Heights are along Y.

use serde::Serialize;
use understudy_solver::contacts::runs;

use crate::stats::{mean, worst};
use crate::subject::{MM, Subject};

/// Depths below this share of the leg's length are rounding, not sinking.
const ROUNDING: f64 = 1e-7;

/// Sinking of one foot.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sinking {
    /// For a person: "left", "right".
    pub leg: String,
    /// Greatest depth of a sole point.
    pub worst_mm: f64,
    /// Its frame, counted from 0.
    pub worst_frame: usize,
    /// First of the frames in a row in which it stays sunk around that.
    pub worst_first_frame: usize,
    /// Last of them.
    pub worst_last_frame: usize,
    /// Mean depth over the frames in which the foot sinks.
    pub mean_mm: f64,
    /// Number of frames in which it sinks.
    pub frames: usize,
}

/// Floating of one foot.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Floating {
    /// For a person: "left", "right".
    pub leg: String,
    /// Greatest height of a planted part.
    pub worst_mm: f64,
    /// Its frame, counted from 0.
    pub worst_frame: usize,
    /// First frame of the plant that this belongs to.
    pub worst_first_frame: usize,
    /// Last frame of that plant.
    pub worst_last_frame: usize,
    /// Mean height of planted parts over all frames in which they are planted; sunken ones
    /// count 0.
    pub mean_mm: f64,
    /// Number of frames in which some part is planted.
    pub planted_frames: usize,
}

/// How the feet meet the floor.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FloorContact {
    /// Greatest depth of any foot.
    pub worst_sinking_mm: f64,
    /// Greatest height of a planted part of any foot.
    pub worst_floating_mm: f64,
    /// Foot by foot.
    pub sinking: Vec<Sinking>,
    /// Foot by foot.
    pub floating: Vec<Floating>,
}

/// Measures all feet against the floor.
pub fn measure_floor_contact(subject: &Subject<'_>) -> FloorContact {
    let depths = sinking_series(subject);
    let sinking: Vec<Sinking> = depths
        .iter()
        .enumerate()
        .map(|(leg, depths)| sinking_of(subject, leg, depths))
        .collect();
    let floating: Vec<Floating> = (0..subject.feet.len())
        .map(|leg| floating_of(subject, leg))
        .collect();
    FloorContact {
        worst_sinking_mm: crate::stats::largest(sinking.iter().map(|s| s.worst_mm)),
        worst_floating_mm: crate::stats::largest(floating.iter().map(|f| f.worst_mm)),
        sinking,
        floating,
    }
}

/// Depth of the deepest point of each sole, 0 above the floor. Millimetres, `[leg][frame]`.
pub fn sinking_series(subject: &Subject<'_>) -> Vec<Vec<f64>> {
    subject
        .feet
        .iter()
        .map(|foot| {
            let worlds = subject.worlds.iter();
            let depths = worlds.map(|world| -foot.lowest_m(world, &subject.floor));
            depths.map(|depth| MM * depth.max(0.0)).collect()
        })
        .collect()
}

fn sinking_of(subject: &Subject<'_>, leg: usize, depths: &[f64]) -> Sinking {
    let rounding = MM * ROUNDING * subject.leg_length_m;
    let sunken: Vec<f64> = depths.iter().copied().filter(|d| *d > rounding).collect();
    let (worst_frame, worst_mm) = worst(depths).unwrap_or((0, 0.0));
    let mask: Vec<bool> = depths.iter().map(|d| *d > rounding).collect();
    let (worst_first_frame, worst_last_frame) = runs(&mask)
        .into_iter()
        .find(|(first, last)| (*first..=*last).contains(&worst_frame))
        .unwrap_or((worst_frame, worst_frame));
    Sinking {
        leg: subject.leg_name(leg),
        worst_mm,
        worst_frame,
        worst_first_frame,
        worst_last_frame,
        mean_mm: mean(&sunken),
        frames: sunken.len(),
    }
}

fn floating_of(subject: &Subject<'_>, leg: usize) -> Floating {
    let stands = subject.stands(leg);
    let mut heights = Vec::new();
    let mut frames = Vec::new();
    let mut owners = Vec::new();
    for stand in &stands {
        for (offset, point) in subject.stand_track(stand).into_iter().enumerate() {
            let frame = stand.first + offset;
            let mut height = subject.floor.above(point);
            let [heel, ball, toe] = subject.planted_parts[leg][frame];
            if !(heel && (ball || toe)) {
                let foot = &subject.feet[leg];
                height = height.min(foot.lowest_m(&subject.worlds[frame], &subject.floor));
            }
            heights.push(MM * height.max(0.0));
            frames.push(frame);
            owners.push((stand.first, stand.last));
        }
    }
    let (at, worst_mm) = worst(&heights).unwrap_or((0, 0.0));
    let worst_frame = frames.get(at).copied().unwrap_or(0);
    let (worst_first_frame, worst_last_frame) = owners.get(at).copied().unwrap_or((0, 0));
    let mean_mm = mean(&heights);
    frames.sort_unstable();
    frames.dedup();
    Floating {
        leg: subject.leg_name(leg),
        worst_mm,
        worst_frame,
        worst_first_frame,
        worst_last_frame,
        mean_mm,
        planted_frames: frames.len(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Dummy;
    use proptest::prelude::*;

    #[test]
    fn a_body_sunk_by_two_millimetres() {
        let dummy = Dummy::new(1.0);
        let clip = dummy.clip(6, |frame, locals| {
            locals[0].translation.y += [0.0, 0.005, -0.002, -0.001, 0.003, 0.0][frame];
        });
        let planted = dummy.planted(6, |leg, frame| [leg == 0 && frame < 5, false, false]);
        let contact = measure_floor_contact(&dummy.subject(&clip, &planted));
        for sinking in &contact.sinking {
            assert!((sinking.worst_mm - 2.0).abs() < 1e-9);
            assert_eq!((sinking.worst_frame, sinking.frames), (2, 2));
            assert_eq!(
                (sinking.worst_first_frame, sinking.worst_last_frame),
                (2, 3)
            );
            assert!((sinking.mean_mm - 1.5).abs() < 1e-9);
        }
        let floating = &contact.floating[0];
        assert!((floating.worst_mm - 5.0).abs() < 1e-9);
        assert_eq!((floating.worst_frame, floating.planted_frames), (1, 5));
        assert_eq!(
            (floating.worst_first_frame, floating.worst_last_frame),
            (0, 4)
        );
        assert!((floating.mean_mm - 8.0 / 5.0).abs() < 1e-9);
        assert_eq!(contact.floating[1].worst_mm, 0.0);
    }

    #[test]
    fn the_floor_is_where_it_is_said_to_be() {
        let mut dummy = Dummy::new(1.0);
        dummy.floor.height_m = 0.03;
        let clip = crate::testing::still(&dummy, 2);
        let contact = measure_floor_contact(&dummy.subject(&clip, &[]));
        assert!((contact.worst_sinking_mm - 30.0).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn depth_scales_with_the_world(k in 0.2..4.0f64) {
            let measure = |k: f64| {
                let dummy = Dummy::new(k);
                let clip = dummy.clip(8, |frame, locals| {
                    locals[0].translation.y += k * 0.01 * (frame as f64).sin();
                });
                let planted = dummy.planted(8, |_, _| [true, true, false]);
                measure_floor_contact(&dummy.subject(&clip, &planted))
            };
            let (one, other) = (measure(1.0), measure(k));
            prop_assert!((other.worst_sinking_mm / one.worst_sinking_mm - k).abs() < 1e-9);
            prop_assert!((other.worst_floating_mm / one.worst_floating_mm - k).abs() < 1e-9);
            prop_assert_eq!(other.sinking[0].frames, one.sinking[0].frames);
        }
    }
}
