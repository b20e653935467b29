//! Measures of penetration as published, to compare with other methods.

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_is_a_share() {
        assert_eq!(penetration_rate(3, 12), 0.25);
        assert_eq!(penetration_rate(0, 0), 0.0);
    }
}
