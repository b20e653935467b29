//! Foot slide: how far a planted part of a foot moves over the floor.
//!
//! Per frame it is the distance along the floor between a planted part and itself one frame
//! before, both planted. Per plant it is the largest distance along the floor between any two
//! positions of the part from the plant's first frame to its last, so that slow drift cannot hide.

use serde::Serialize;
use understudy_motion::DVec3;
use understudy_solver::{Floor, FootPart};

use crate::stats::{largest, mean, worst};
use crate::subject::{MM, Stand, Subject};

/// Slide of one part of one foot during one plant.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Plant {
    /// Place of the leg in its body.
    pub leg_index: usize,
    /// For a person: "left", "right".
    pub leg: String,
    /// Part of the foot.
    pub part: FootPart,
    /// First planted frame, counted from 0.
    pub first_frame: usize,
    /// Last planted frame.
    pub last_frame: usize,
    /// Largest distance between any two of its positions.
    pub extent_mm: f64,
    /// Largest step from one frame to the next.
    pub worst_mm_per_frame: f64,
    /// Frame at the end of the largest step.
    pub worst_frame: usize,
    /// Mean step.
    pub mean_mm_per_frame: f64,
}

/// Slide of one leg.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LegSlide {
    /// For a person: "left", "right".
    pub leg: String,
    /// Number of plants, counted part by part.
    pub plant_count: usize,
    /// Largest step from frame to frame.
    pub worst_mm_per_frame: f64,
    /// Mean step over all planted frames.
    pub mean_mm_per_frame: f64,
    /// Largest extent of a plant.
    pub worst_mm_per_plant: f64,
    /// Mean extent of its plants.
    pub mean_mm_per_plant: f64,
}

/// Slide of all feet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Slide {
    /// Largest step from frame to frame.
    pub worst_mm_per_frame: f64,
    /// Mean step over all planted frames of all legs.
    pub mean_mm_per_frame: f64,
    /// Largest extent of a plant.
    pub worst_mm_per_plant: f64,
    /// Mean extent of all plants.
    pub mean_mm_per_plant: f64,
    /// Leg by leg.
    pub legs: Vec<LegSlide>,
    /// All plants, that of the largest extent first.
    pub plants: Vec<Plant>,
}

/// Coordinates on the floor, metres.
type OnFloor = [f64; 2];

/// Measures all plants of all feet.
pub fn measure_slide(subject: &Subject<'_>) -> Slide {
    let mut all_steps = Vec::new();
    let mut plants = Vec::new();
    let mut legs = Vec::new();
    for leg in 0..subject.feet.len() {
        let mut steps = Vec::new();
        let own: Vec<Plant> = subject
            .stands(leg)
            .iter()
            .map(|stand| plant(subject, leg, stand, &mut steps))
            .collect();
        let extents: Vec<f64> = own.iter().map(|plant| plant.extent_mm).collect();
        legs.push(LegSlide {
            leg: subject.leg_name(leg),
            plant_count: own.len(),
            worst_mm_per_frame: largest(steps.iter().copied()),
            mean_mm_per_frame: mean(&steps),
            worst_mm_per_plant: largest(extents.iter().copied()),
            mean_mm_per_plant: mean(&extents),
        });
        plants.extend(own);
        all_steps.extend(steps);
    }
    plants.sort_by(|a, b| b.extent_mm.total_cmp(&a.extent_mm));
    let extents: Vec<f64> = plants.iter().map(|plant| plant.extent_mm).collect();
    Slide {
        worst_mm_per_frame: largest(all_steps.iter().copied()),
        mean_mm_per_frame: mean(&all_steps),
        worst_mm_per_plant: largest(extents.iter().copied()),
        mean_mm_per_plant: mean(&extents),
        legs,
        plants,
    }
}

/// Steps of each leg's planted parts, frame by frame: the largest of its parts, 0 where none is
/// planted. Millimetres per frame, `[leg][frame]`.
pub fn slide_series(subject: &Subject<'_>) -> Vec<Vec<f64>> {
    (0..subject.feet.len())
        .map(|leg| {
            let mut series = vec![0.0; subject.frame_count()];
            for stand in subject.stands(leg) {
                let steps = steps_mm(&on_floor(subject, &stand));
                for (value, step) in series[stand.first + 1..].iter_mut().zip(steps) {
                    *value = f64::max(*value, step);
                }
            }
            series
        })
        .collect()
}

fn plant(subject: &Subject<'_>, leg: usize, stand: &Stand, all_steps: &mut Vec<f64>) -> Plant {
    let points = on_floor(subject, stand);
    let steps = steps_mm(&points);
    let (at, worst_mm_per_frame) = worst(&steps).unwrap_or((0, 0.0));
    let plant = Plant {
        leg_index: leg,
        leg: subject.leg_name(leg),
        part: stand.part,
        first_frame: stand.first,
        last_frame: stand.last,
        extent_mm: MM * extent(points),
        worst_mm_per_frame,
        worst_frame: (stand.first + at + 1).min(stand.last),
        mean_mm_per_frame: mean(&steps),
    };
    all_steps.extend(steps);
    plant
}

fn on_floor(subject: &Subject<'_>, stand: &Stand) -> Vec<OnFloor> {
    let (x, z) = floor_axes(&subject.floor);
    subject
        .stand_track(stand)
        .iter()
        .map(|point| [point.dot(x), point.dot(z)])
        .collect()
}

/// Largest distance along the floor between any two of some points, metres.
pub(crate) fn extent_on_floor(points: &[DVec3], floor: &Floor) -> f64 {
    let (x, z) = floor_axes(floor);
    extent(
        points
            .iter()
            .map(|point| [point.dot(x), point.dot(z)])
            .collect(),
    )
}

/// Two unit vectors that span the floor.
pub(crate) fn floor_axes(floor: &Floor) -> (DVec3, DVec3) {
    let tilt = floor.tilt();
    (tilt * DVec3::X, tilt * DVec3::Z)
}

fn steps_mm(points: &[OnFloor]) -> Vec<f64> {
    points
        .windows(2)
        .map(|pair| MM * distance(pair[0], pair[1]))
        .collect()
}

fn distance(a: OnFloor, b: OnFloor) -> f64 {
    (b[0] - a[0]).hypot(b[1] - a[1])
}

/// Largest distance between any two points. The two lie on the convex hull, which is found by
/// Andrew's monotone chain (Information Processing Letters 9, 1979,
/// doi 10.1016/0020-0190(79)90072-3) and has few corners.
fn extent(points: Vec<OnFloor>) -> f64 {
    let hull = convex_hull(points);
    let mut widest: f64 = 0.0;
    for (index, a) in hull.iter().enumerate() {
        for b in &hull[index + 1..] {
            widest = widest.max(distance(*a, *b));
        }
    }
    widest
}

fn convex_hull(mut points: Vec<OnFloor>) -> Vec<OnFloor> {
    points.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    points.dedup();
    let mut hull = half_hull(points.iter().copied());
    hull.extend(half_hull(points.iter().rev().copied()));
    hull
}

fn half_hull(points: impl Iterator<Item = OnFloor>) -> Vec<OnFloor> {
    let mut hull: Vec<OnFloor> = Vec::new();
    for point in points {
        while let [.., a, b] = hull[..] {
            let turn = (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0]);
            if turn > 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(point);
    }
    hull
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Dummy, L_ANKLE, still};
    use proptest::prelude::*;
    use understudy_motion::DQuat;

    #[test]
    fn a_dragged_foot_slides_by_the_drag() {
        let dummy = Dummy::new(1.0);
        // The whole body is dragged along x by 3 mm from each frame to the next.
        let clip = dummy.clip(10, |frame, locals| {
            locals[0].translation.x += 0.003 * frame as f64;
        });
        let planted = dummy.planted(10, |leg, frame| {
            [leg == 0 && (2..=6).contains(&frame), false, false]
        });
        let slide = measure_slide(&dummy.subject(&clip, &planted));
        assert!((slide.worst_mm_per_frame - 3.0).abs() < 1e-9);
        assert!((slide.mean_mm_per_frame - 3.0).abs() < 1e-9);
        assert!((slide.worst_mm_per_plant - 12.0).abs() < 1e-9);
        assert_eq!(slide.plants.len(), 1);
        let plant = &slide.plants[0];
        assert_eq!((plant.first_frame, plant.last_frame), (2, 6));
        assert_eq!(slide.legs[1].plant_count, 0);
    }

    #[test]
    fn a_foot_that_comes_back_has_slid() {
        let dummy = Dummy::new(1.0);
        let clip = dummy.clip(5, |frame, locals| {
            locals[0].translation.z += [0.0, 0.004, 0.008, 0.004, 0.0][frame];
        });
        let planted = dummy.planted(5, |_, _| [true, true, false]);
        let slide = measure_slide(&dummy.subject(&clip, &planted));
        assert_eq!(slide.plants.len(), 4);
        assert!((slide.worst_mm_per_plant - 8.0).abs() < 1e-9);
        assert!((slide.worst_mm_per_frame - 4.0).abs() < 1e-9);
        let series = slide_series(&dummy.subject(&clip, &planted));
        assert_eq!(series[0][0], 0.0);
        assert!((series[0][4] - 4.0).abs() < 1e-9);
    }

    #[test]
    fn rising_is_no_slide_and_a_slope_is_followed() {
        let mut dummy = Dummy::new(1.0);
        let planted = dummy.planted(2, |_, _| [true, false, false]);
        let up = dummy.clip(2, |frame, locals| {
            locals[0].translation.y += 0.1 * frame as f64;
        });
        assert!(measure_slide(&dummy.subject(&up, &planted)).worst_mm_per_frame < 1e-9);
        dummy.floor.normal = DVec3::new(-0.6, 0.8, 0.0);
        let along = dummy.clip(2, |frame, locals| {
            locals[0].translation += DVec3::new(0.008, 0.006, 0.0) * frame as f64;
        });
        let slide = measure_slide(&dummy.subject(&along, &planted));
        assert!((slide.worst_mm_per_frame - 10.0).abs() < 1e-9);
    }

    #[test]
    fn a_heel_that_turns_about_the_ball_slides_alone() {
        let dummy = Dummy::new(1.0);
        let clip = dummy.clip(3, |frame, locals| {
            locals[L_ANKLE].rotation = DQuat::from_rotation_y(0.1 * frame as f64);
        });
        let planted = dummy.planted(3, |leg, _| [leg == 0, false, false]);
        let slide = measure_slide(&dummy.subject(&clip, &planted));
        let heel = dummy.feet[0].heel.unwrap().local;
        let radius = heel.x.hypot(heel.z);
        // A chord of 0.2 rad.
        assert!((slide.worst_mm_per_plant - 2000.0 * radius * 0.1f64.sin()).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn the_hull_holds_the_farthest_pair(
            points in prop::collection::vec([-1.0..1.0f64, -1.0..1.0f64], 1..30),
        ) {
            let mut farthest: f64 = 0.0;
            for a in &points {
                for b in &points {
                    farthest = farthest.max(distance(*a, *b));
                }
            }
            prop_assert!((extent(points) - farthest).abs() < 1e-12);
        }

        #[test]
        fn slide_scales_with_the_world(k in 0.2..4.0f64) {
            let measure = |k: f64| {
                let dummy = Dummy::new(k);
                let clip = dummy.clip(6, |frame, locals| {
                    locals[0].translation.x += k * 0.002 * (frame * frame) as f64;
                });
                let planted = dummy.planted(6, |_, _| [true, true, true]);
                measure_slide(&dummy.subject(&clip, &planted))
            };
            let (one, other) = (measure(1.0), measure(k));
            prop_assert!((other.worst_mm_per_plant / one.worst_mm_per_plant - k).abs() < 1e-9);
            prop_assert!((other.mean_mm_per_frame / one.mean_mm_per_frame - k).abs() < 1e-9);
        }
    }

    #[test]
    fn nothing_planted_measures_nothing() {
        let dummy = Dummy::new(1.0);
        let clip = still(&dummy, 3);
        let slide = measure_slide(&dummy.subject(&clip, &[]));
        assert_eq!(slide.worst_mm_per_plant, 0.0);
        assert!(slide.plants.is_empty());
    }
}
