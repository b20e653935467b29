//! Touches: what is left between two surfaces that meet in the take.

use serde::Serialize;
use understudy_solver::CarriedTouch;

use crate::stats::worst;
use crate::subject::MM;

/// One touch on the character.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TouchGap {
    /// For a person: "right hand on head".
    pub touch: String,
    /// First frame of the touch, counted from 0.
    pub first_frame: usize,
    /// Last frame.
    pub last_frame: usize,
    /// Greatest distance of the surfaces while they should touch; below 0 the depth to which they go
    /// into each other.
    pub worst_mm: f64,
    /// Its frame.
    pub worst_frame: usize,
    /// Frames in which they are within 2 mm of touching.
    pub kept_frames: usize,
}

/// Distance within which two surfaces touch, mm: the aim of this project.
pub const TOUCHING_MM: f64 = 2.0;

/// Touches as they are in a result, or as they were before it.
pub fn measure_touches(touches: &[CarriedTouch], before: bool) -> Vec<TouchGap> {
    let gap = |carried: &CarriedTouch| {
        let gaps_m = match before {
            true => &carried.gaps_before_m,
            false => &carried.gaps_m,
        };
        let sizes: Vec<f64> = gaps_m.iter().map(|gap| MM * gap.abs()).collect();
        let (at, _) = worst(&sizes)?;
        Some(TouchGap {
            touch: carried.touch.words(),
            first_frame: carried.touch.first,
            last_frame: carried.touch.last,
            worst_mm: MM * gaps_m[at],
            worst_frame: carried.touch.first + at,
            kept_frames: sizes.iter().filter(|size| **size <= TOUCHING_MM).count(),
        })
    };
    touches.iter().filter_map(gap).collect()
}

/// Greatest distance or depth of all, mm.
pub(crate) fn worst_touch_mm(touches: &[TouchGap]) -> Option<f64> {
    touches
        .iter()
        .map(|touch| touch.worst_mm.abs())
        .reduce(f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use understudy_anatomy::Side;
    use understudy_solver::{Touch, TouchEnd, TouchPart};

    #[test]
    fn the_worst_frame_is_found_whether_too_far_or_too_deep() {
        let end = |part| TouchEnd {
            part,
            side: Side::Middle,
            pair: 0,
            along: 0.5,
        };
        let carried = CarriedTouch {
            touch: Touch {
                from: end(TouchPart::Hand),
                to: end(TouchPart::Head),
                first: 40,
                last: 43,
            },
            gaps_m: vec![0.001, -0.004, 0.002, 0.003],
            gaps_before_m: vec![0.05, 0.06, 0.02, 0.001],
        };
        let after = &measure_touches(std::slice::from_ref(&carried), false)[0];
        assert_eq!((after.worst_frame, after.kept_frames), (41, 2));
        assert!((after.worst_mm + 4.0).abs() < 1e-12);
        let before = &measure_touches(&[carried], true)[0];
        assert_eq!((before.worst_frame, before.kept_frames), (41, 1));
        assert!((before.worst_mm - 60.0).abs() < 1e-12);
    }
}
