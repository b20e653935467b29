//! Distance between two straight segments.

use understudy_motion::DVec3;

/// Shortest distance between the segments `a[0] a[1]` and `b[0] b[1]`, in their unit.
///
/// Ericson, *Real-Time Collision Detection* (2005), section 5.1.9; `s` and `t` are the places of
/// the nearest points along the two, 0 to 1.
pub fn distance_segment_segment(a: [DVec3; 2], b: [DVec3; 2]) -> f64 {
    let (d1, d2, r) = (a[1] - a[0], b[1] - b[0], a[0] - b[0]);
    let (length_a, length_b) = (d1.length_squared(), d2.length_squared());
    let f = d2.dot(r);
    let (s, t) = if length_a == 0.0 && length_b == 0.0 {
        (0.0, 0.0)
    } else if length_a == 0.0 {
        (0.0, (f / length_b).clamp(0.0, 1.0))
    } else if length_b == 0.0 {
        ((-d1.dot(r) / length_a).clamp(0.0, 1.0), 0.0)
    } else {
        nearest_places(d1, d2, r, f)
    };
    (a[0] + d1 * s).distance(b[0] + d2 * t)
}

fn nearest_places(d1: DVec3, d2: DVec3, r: DVec3, f: f64) -> (f64, f64) {
    let (a, e) = (d1.length_squared(), d2.length_squared());
    let (b, c) = (d1.dot(d2), d1.dot(r));
    let denominator = a * e - b * b;
    // Of parallel segments any place will do.
    let s = if denominator > 1e-14 * a * e {
        ((b * f - c * e) / denominator).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let t = (b * s + f) / e;
    if t < 0.0 {
        ((-c / a).clamp(0.0, 1.0), 0.0)
    } else if t > 1.0 {
        (((b - c) / a).clamp(0.0, 1.0), 1.0)
    } else {
        (s, t)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(a: [[f64; 3]; 2], b: [[f64; 3]; 2], expected: f64) {
        let points = |s: [[f64; 3]; 2]| s.map(DVec3::from_array);
        let (a, b) = (points(a), points(b));
        for (a, b) in [(a, b), (b, a), ([a[1], a[0]], b)] {
            assert!((distance_segment_segment(a, b) - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn planted_distances() {
        let unit_x = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]];
        // Crossing above each other.
        check(unit_x, [[0.5, 0.3, -1.0], [0.5, 0.3, 1.0]], 0.3);
        // Parallel, side by side and one after the other.
        check(unit_x, [[0.2, 0.0, 0.4], [0.7, 0.0, 0.4]], 0.4);
        check(unit_x, [[4.0, 4.0, 0.0], [9.0, 4.0, 0.0]], 5.0);
        // End against end, and points without length.
        check(unit_x, [[2.0, 1.0, 0.0], [2.0, 5.0, 0.0]], 2f64.sqrt());
        check([[0.0; 3]; 2], [[3.0, 4.0, 0.0]; 2], 5.0);
        check(unit_x, [[0.5, 0.0, 2.0]; 2], 2.0);
    }

    proptest! {
        /// No pair of points on a grid along both is nearer, and some pair nearly as near.
        #[test]
        fn a_search_along_both_agrees(v in prop::collection::vec(-1.0..1.0f64, 12)) {
            let point = |i: usize| DVec3::new(v[i], v[i + 1], v[i + 2]);
            let (a, b) = ([point(0), point(3)], [point(6), point(9)]);
            let found = distance_segment_segment(a, b);
            let mut nearest = f64::INFINITY;
            for i in 0..=100 {
                for j in 0..=100 {
                    let p = a[0].lerp(a[1], f64::from(i) / 100.0);
                    let q = b[0].lerp(b[1], f64::from(j) / 100.0);
                    nearest = nearest.min(p.distance(q));
                }
            }
            prop_assert!(found <= nearest + 1e-12);
            prop_assert!(nearest - found < 0.04);
        }
    }
}
