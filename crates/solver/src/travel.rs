//! How far and how high the character travels for the performer.

use understudy_anatomy::Body;
use understudy_motion::Skeleton;

use crate::foot::Foot;
use crate::settings::{Settings, Travel};
use crate::transfer::TravelScale;

/// Height of the hips above the sole of straight legs (of resting legs where they walk on their
/// toes), metres; `None` without legs.
fn hip_height(skeleton: &Skeleton, body: &Body, feet: &[Foot]) -> Option<f64> {
    let rest = skeleton.rest_world();
    let heights: Vec<f64> = body
        .legs
        .iter()
        .zip(feet)
        .filter(|(leg, _)| leg.pair == 0)
        .map(|(leg, foot)| {
            let above_ankle = if leg.digitigrade {
                rest.position(leg.hip).y - rest.position(leg.ankle).y
            } else {
                leg.length_m(&rest)
            };
            above_ankle + foot.ankle_height_m(&rest)
        })
        .collect();
    (!heights.is_empty()).then(|| heights.iter().sum::<f64>() / heights.len() as f64)
}

/// Height of the root above the lowest joint at rest, metres.
fn root_height(skeleton: &Skeleton, body: &Body) -> f64 {
    let rest = skeleton.rest_world();
    let lowest = (0..skeleton.len())
        .map(|joint| rest.position(joint).y)
        .fold(f64::INFINITY, f64::min);
    rest.position(body.root).y - lowest
}

/// The factors on the travel of the hips: skeleton, body and feet of performer and character.
pub fn travel_scale(
    (take_skeleton, performer, take_feet): (&Skeleton, &Body, &[Foot]),
    (skeleton, body, feet): (&Skeleton, &Body, &[Foot]),
    settings: &Settings,
) -> TravelScale {
    let from = hip_height(take_skeleton, performer, take_feet);
    let to = hip_height(skeleton, body, feet);
    let (from, to) = match (from, to) {
        (Some(from), Some(to)) => (from, to),
        _ => (
            root_height(take_skeleton, performer),
            root_height(skeleton, body),
        ),
    };
    let ratio = if from > 0.0 && to > 0.0 {
        to / from
    } else {
        1.0
    };
    TravelScale {
        horizontal: match settings.travel {
            Travel::LegLength => ratio,
            Travel::Kept => 1.0,
            Travel::Factor(factor) => factor,
        },
        vertical: ratio,
    }
}
