//! Numbers of vertebrae for spines and necks of any count, by arc length.
//!
//! The back has 17 places, `vl5` to `vl1` and `vt12` to `vt1`; the neck 7, `vc7` to `vc1`. A joint
//! takes the place that holds its share of the arc from pelvis to neck base (from neck base to
//! skull). The lumbar part is taken as 0.39 of the back's length (18 of 46 cm, from memory of
//! anatomy textbooks), the places inside each part as equal. Two joints never share a place while
//! there are enough; more joints than places share them evenly and are numbered (`vt6.1`).

use glam::DVec3;

use crate::role::Part;

const LUMBAR_SHARE: f64 = 0.39;

/// Part and number among those that share it, for each joint of a back from below. `base` is the
/// pelvis, `top` the base of the neck where there is one; world, metres.
pub(crate) fn spine_parts(base: DVec3, points: &[DVec3], top: Option<DVec3>) -> Vec<(Part, usize)> {
    let shares = arc_shares(Some(base), points, top);
    let place = |share: f64| {
        if share < LUMBAR_SHARE {
            5.0 * share / LUMBAR_SHARE
        } else {
            5.0 + 12.0 * (share - LUMBAR_SHARE) / (1.0 - LUMBAR_SHARE)
        }
    };
    let wanted: Vec<f64> = shares.into_iter().map(place).collect();
    places(&wanted, 17)
        .into_iter()
        .map(|(place, extra)| match u8::try_from(place).unwrap_or(16) {
            place @ 0..=4 => (Part::Lumbar(5 - place), extra),
            place => (Part::Thoracic(17 - place), extra),
        })
        .collect()
}

/// As [`spine_parts`], for the joints of a neck up to the skull base.
pub(crate) fn neck_parts(points: &[DVec3], skull: DVec3) -> Vec<(Part, usize)> {
    let shares = arc_shares(None, points, Some(skull));
    let wanted: Vec<f64> = shares.into_iter().map(|share| 7.0 * share).collect();
    places(&wanted, 7)
        .into_iter()
        .map(|(place, extra)| (Part::Cervical(7 - u8::try_from(place).unwrap_or(6)), extra))
        .collect()
}

/// Share of the arc at each point, 0 to 1.
fn arc_shares(base: Option<DVec3>, points: &[DVec3], top: Option<DVec3>) -> Vec<f64> {
    let Some(&first) = points.first() else {
        return Vec::new();
    };
    let mut arc = base.map_or(0.0, |base| base.distance(first));
    let mut arcs = vec![arc];
    for ends in points.windows(2) {
        arc += ends[0].distance(ends[1]);
        arcs.push(arc);
    }
    let last = points[points.len() - 1];
    let whole = arc + top.map_or(0.0, |top| top.distance(last));
    arcs.into_iter()
        .map(|arc| if whole > 0.0 { arc / whole } else { 0.0 })
        .collect()
}

/// Places `0..count` for wanted places that do not fall; strictly rising while there are enough.
fn places(wanted: &[f64], count: usize) -> Vec<(usize, usize)> {
    let joints = wanted.len();
    if joints > count {
        let spread: Vec<usize> = (0..joints).map(|index| index * count / joints).collect();
        return (0..joints)
            .map(|index| {
                let first = spread
                    .iter()
                    .position(|&p| p == spread[index])
                    .unwrap_or(index);
                (spread[index], index - first)
            })
            .collect();
    }
    let mut chosen = Vec::with_capacity(joints);
    let mut least = 0;
    for (index, &want) in wanted.iter().enumerate() {
        // Rounding of arc lengths must not push a joint below its place.
        let most = count - (joints - index);
        let place = ((want + 1e-9) as usize).max(least).min(most);
        chosen.push((place, 0));
        least = place + 1;
    }
    chosen
}

#[cfg(test)]
mod tests {
    use super::*;

    fn column(heights: &[f64]) -> Vec<DVec3> {
        heights.iter().map(|&y| DVec3::Y * y).collect()
    }

    #[test]
    fn backs_spread_by_arc_length() {
        let parts = |heights: &[f64], top: f64| -> Vec<Part> {
            spine_parts(DVec3::ZERO, &column(heights), Some(DVec3::Y * top))
                .into_iter()
                .map(|(part, _)| part)
                .collect()
        };
        assert_eq!(
            parts(&[0.1, 0.25, 0.4], 0.5),
            [Part::Lumbar(3), Part::Thoracic(10), Part::Thoracic(4)]
        );
        assert_eq!(parts(&[0.0], 0.5), [Part::Lumbar(5)]);
        // Joints in one place still get places of their own.
        assert_eq!(parts(&[0.0, 0.0], 0.0), [Part::Lumbar(5), Part::Lumbar(4)]);
        let all: Vec<f64> = (0..17).map(f64::from).collect();
        let parts = parts(&all, 17.0);
        assert_eq!(parts[0], Part::Lumbar(5));
        assert_eq!(parts[16], Part::Thoracic(1));
    }

    #[test]
    fn long_columns_share_places() {
        let heights: Vec<f64> = (0..30).map(f64::from).collect();
        let parts = spine_parts(DVec3::ZERO, &column(&heights), Some(DVec3::Y * 30.0));
        let mut unique = parts.clone();
        unique.sort();
        unique.dedup();
        assert_eq!(unique.len(), 30);
        let neck = neck_parts(&column(&heights[..20]), DVec3::Y * 20.0);
        assert_eq!(neck[0].0, Part::Cervical(7));
        assert_eq!(neck[19].0, Part::Cervical(1));
    }
}
