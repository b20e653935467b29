//! Measures of contact and penetration as published, to compare with other methods.

/// Penetration rate of a pose: vertices of arms and legs that lie inside the body, of all vertices
/// of arms and legs (Zhang et al. 2023, *Skinned Motion Retargeting with Residual Perception of
/// Motion Semantics & Geometry*, arXiv 2303.08658; Ye et al. 2024, *Skinned Motion Retargeting with
/// Dense Geometric Interaction Perception*, arXiv 2410.20986). From 0 to 1; 0 without limbs.
///
/// Ours counts a vertex inside every part that is no neighbour, and leaves out what lies inside at
/// rest; theirs count every vertex inside the body. Shares of unlike meshes are unlike.
pub fn penetration_rate(limb_vertices_inside: usize, limb_vertices: usize) -> f64 {
    match limb_vertices {
        0 => 0.0,
        all => limb_vertices_inside as f64 / all as f64,
    }
}

/// Contact error of two parts, metres: by how much farther apart they are than in the take, mean
/// over the frames in which they touch there (after Ye et al. 2024, arXiv 2410.20986). What is
/// nearer than in the take has no error of contact; that is penetration. `None` without a touch.
///
/// Gaps are signed, metres, frame by frame, `None` where farther than was looked for, which counts
/// as `far_m`. `touch_m` is the gap up to which the parts of the take touch. `scale` is the
/// character's size by the performer's.
pub fn contact_error_m(
    take_gaps_m: &[Option<f64>],
    gaps_m: &[Option<f64>],
    touch_m: f64,
    far_m: f64,
    scale: f64,
) -> Option<f64> {
    let touching = take_gaps_m.iter().zip(gaps_m);
    let errors: Vec<f64> = touching
        .filter_map(|(take_m, gap_m)| take_m.filter(|m| *m <= touch_m).map(|m| (m, gap_m)))
        .map(|(take_m, gap_m)| {
            let allowed_m = scale * take_m.max(0.0);
            (gap_m.unwrap_or(far_m) - allowed_m).max(0.0)
        })
        .collect();
    (!errors.is_empty()).then(|| crate::stats::mean(&errors))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_is_a_share() {
        assert_eq!(penetration_rate(3, 12), 0.25);
        assert_eq!(penetration_rate(0, 0), 0.0);
    }

    #[test]
    fn only_touches_of_the_take_count_and_only_their_growth() {
        let take = [Some(0.004), Some(-0.002), Some(0.3), None, Some(0.0)];
        let here = [Some(0.028), Some(-0.05), Some(9.0), Some(0.0), None];
        // Growth of 0.028 - 2 · 0.004, none, and as far as was looked.
        let error_m = contact_error_m(&take, &here, 0.005, 0.1, 2.0).unwrap();
        assert!(
            (error_m - (0.02 + 0.0 + 0.1) / 3.0).abs() < 1e-15,
            "{error_m}"
        );
        assert_eq!(
            contact_error_m(&take[2..4], &here[2..4], 0.005, 0.1, 2.0),
            None
        );
    }
}
