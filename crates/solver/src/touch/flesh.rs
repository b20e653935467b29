//! Flesh for a performer: how far the surface lies from the bones, from published girths.
//!
//! Every part is a rounded cone around its bones, the trunk an oval one. Girths are those of the
//! 1988 survey of US Army personnel, men's means (Gordon et al. 1989), from memory, in cm: thigh 59.7
//! and 41 above the knee, calf 37.8 and ankle 22, biceps 33.8 and elbow 28, forearm 30 and wrist
//! 17.4, head 56.8 around and 19.7 long; chest 32 broad and 24 deep, hips 34 and 24. Hands are half
//! as thick as two fingers (common practice): 2.8 cm at the palm, 1.6 at the tips. They belong to a
//! man of 1.756 m, with segments by Drillis & Contini 1966, and scale with the part's own length.

use understudy_motion::DVec3;

use super::TouchPart;

/// Radii of a part over its length: at its start across and ahead, at its end likewise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Girth {
    /// Half its breadth and half its depth where it begins.
    pub start: [f64; 2],
    /// The same where it ends.
    pub end: [f64; 2],
}

/// The published girths of a part, as radii over its length; `None` for the floor.
pub fn girth(part: TouchPart) -> Option<Girth> {
    let stature_m = 1.756;
    let round = |length: f64, start_cm: f64, end_cm: f64| {
        let radius = |girth_cm: f64| {
            let share = 0.01 * girth_cm / std::f64::consts::TAU / (length * stature_m);
            [share, share]
        };
        Girth {
            start: radius(start_cm),
            end: radius(end_cm),
        }
    };
    let oval = |length: f64, start_cm: [f64; 2], end_cm: [f64; 2]| {
        let radii = |cm: [f64; 2]| cm.map(|cm| 0.005 * cm / (length * stature_m));
        Girth {
            start: radii(start_cm),
            end: radii(end_cm),
        }
    };
    Some(match part {
        TouchPart::Thigh => round(0.245, 59.7, 41.0),
        TouchPart::Shank => round(0.246, 37.8, 22.0),
        TouchPart::UpperArm => round(0.186, 33.8, 28.0),
        TouchPart::Forearm => round(0.146, 30.0, 17.4),
        TouchPart::Hand => oval(0.108, [2.8, 2.8], [1.6, 1.6]),
        TouchPart::Head => oval(0.130, [15.2, 19.7], [15.2, 19.7]),
        TouchPart::Trunk => oval(0.288, [34.0, 24.0], [32.0, 24.0]),
        TouchPart::Floor => return None,
    })
}

impl Girth {
    /// Distance of the surface from the bones a share of the way `along`, as a part of the part's
    /// length; `direction` is a unit vector, `left` the body's left in the same axes.
    pub fn radius(&self, along: f64, direction: DVec3, left: DVec3) -> f64 {
        let across = direction.dot(left).abs().min(1.0);
        let at = |index: usize| self.start[index] + (self.end[index] - self.start[index]) * along;
        let ahead = (1.0 - across * across).sqrt();
        // The radius of an ellipse in a direction.
        1.0 / (across / at(0)).hypot(ahead / at(1)).max(1e-9)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn girths_come_back() {
        let thigh = girth(TouchPart::Thigh).expect("a thigh has flesh");
        let length_m = 0.245 * 1.756;
        let around =
            |share: f64| std::f64::consts::TAU * thigh.radius(share, DVec3::Z, DVec3::X) * length_m;
        assert!((around(0.0) - 0.597).abs() < 1e-12);
        assert!((around(1.0) - 0.41).abs() < 1e-12);
    }

    #[test]
    fn a_trunk_is_broader_than_deep() {
        let trunk = girth(TouchPart::Trunk).expect("a trunk has flesh");
        let length_m = 0.288 * 1.756;
        assert!((trunk.radius(0.0, DVec3::X, DVec3::X) * length_m - 0.17).abs() < 1e-12);
        assert!((trunk.radius(0.0, DVec3::Z, DVec3::X) * length_m - 0.12).abs() < 1e-12);
        assert_eq!(girth(TouchPart::Floor), None);
    }
}
