//! How far two parts that should touch are apart on the skin.

use std::ops::RangeInclusive;

use understudy_motion::skin::{Gap, Skin};
use understudy_motion::{Skeleton, Surface, WorldPose};

/// Two parts that should touch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Touch {
    /// Joints whose skin is the first part; see [`super::Parts::joints`] for those of a name.
    pub first: Vec<usize>,
    /// Joints whose skin is the second.
    pub second: Vec<usize>,
    /// Frames in which they should, counted from 0.
    pub frames: RangeInclusive<usize>,
}

/// Per touch and frame of it: how far the two parts are apart, below 0 where one lies in the
/// other. `None` where they are farther apart than `within_m` or have no skin. Frames past the end
/// are left out.
pub fn touch_gaps(
    surface: &Surface,
    skeleton: &Skeleton,
    worlds: &[WorldPose],
    touches: &[Touch],
    within_m: f64,
) -> Vec<Vec<Option<Gap>>> {
    let skin = Skin::new(surface, skeleton);
    touches
        .iter()
        .map(|touch| {
            let frames = touch.frames.clone().filter_map(|frame| worlds.get(frame));
            skin.gaps(frames, &touch.first, &touch.second, within_m)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::body_parts;
    use crate::testing::{Dummy, two_balls, wrist_from_chest};

    #[test]
    fn a_touch_has_a_gap_in_each_of_its_frames() {
        let dummy = Dummy::new(1.0);
        let clip = wrist_from_chest(&dummy, &[0.9, 0.16, 0.15, 0.13]);
        let parts = body_parts(&dummy.skeleton, &dummy.body);
        let touch = Touch {
            first: parts.joints("left hand"),
            second: parts.joints("trunk"),
            frames: 0..=9,
        };
        let surface = two_balls(&dummy);
        let found = touch_gaps(&surface, &dummy.skeleton, &clip.worlds(), &[touch], 0.05);
        let gaps_mm: Vec<Option<f64>> = found[0]
            .iter()
            .map(|gap| gap.map(|gap| 1000.0 * gap.metres))
            .collect();
        assert_eq!(gaps_mm.len(), 4);
        assert_eq!(gaps_mm[0], None);
        // Balls of 10 and 5 cm; their facets lie within 0.06 mm below them.
        for (gap, expected) in gaps_mm[1..].iter().zip([10.0, 0.0, -20.0]) {
            assert!((gap.unwrap() - expected).abs() < 0.1, "{gap:?} {expected}");
        }
    }
}
