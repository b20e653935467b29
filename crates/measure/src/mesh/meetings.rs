//! Touches on the skinned mesh: what is left between two parts of the skin, or a part and the floor, in
//! the frames in which they meet in the take.
//!
//! It knows nothing of how a touch was carried over: of the two whole parts, as
//! [`super::parts`] divides the skin, all vertices are looked at in every frame. Where some of one lie
//! in the other, closed part, the gap is the depth of the deepest of them below that skin, negative;
//! else it is the least distance of a vertex of one from the skin of the other. Vertices that lie in
//! the other part at rest are left out. Hair, quills, feathers and claws are nothing to lie in or to be
//! near to; those of arms and legs are vertices that touch and go in, as a paw's claws do.

use std::collections::HashMap;

use serde::Serialize;
use understudy_anatomy::Body;
use understudy_motion::box_tree::meet;
use understudy_motion::pieces::fine_triangles;
use understudy_motion::solid::{PosedSolid, Solid};
use understudy_motion::{DVec3, Surface, WorldPose};
use understudy_solver::{Touch, TouchEnd, TouchPart};

use super::{Parts, body_parts};
use crate::stats::worst;
use crate::subject::{MM, Subject};
use crate::touches::TOUCHING_MM;

/// One touch of the take on the skin of the character.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Meeting {
    /// For a person: "right hand on head".
    pub touch: String,
    /// First frame of the touch, counted from 0.
    pub first_frame: usize,
    /// Last frame.
    pub last_frame: usize,
    /// Greatest distance of the two skins; below 0 the depth to which they go into each other.
    pub worst_mm: f64,
    /// Its frame.
    pub worst_frame: usize,
    /// Frames in which they are within 2 mm of touching.
    pub kept_frames: usize,
    /// Whether that is so in all frames.
    pub is_kept: bool,
    /// Whether the body rests on the floor by it, and no hand or forearm touches.
    pub is_rest: bool,
}

/// The skin of one part.
struct PartSkin {
    /// Mesh and vertex of every point: the corners of the solid, then of what is fine.
    corners: Vec<(usize, usize)>,
    rest: Vec<DVec3>,
    /// Over the first of the points.
    solid: Solid,
    solid_count: usize,
}

/// A part in a pose.
struct Posed<'a> {
    points: Vec<DVec3>,
    solid: PosedSolid<'a>,
}

impl PartSkin {
    /// The skin of a part, `None` where it has none.
    fn new(
        surface: &Surface,
        positions: &[Vec<DVec3>],
        fine: &[Vec<bool>],
        parts: &Parts,
        part: usize,
    ) -> Option<Self> {
        /// Vertices nearer than that at rest are one, metres.
        const WELD_M: f64 = 1e-6;
        let mut numbers: HashMap<[i64; 3], u32> = HashMap::new();
        let (mut corners, mut rest) = (Vec::new(), Vec::new());
        let mut by_kind: [Vec<[u32; 3]>; 2] = [Vec::new(), Vec::new()];
        for (index, mesh) in surface.meshes.iter().enumerate() {
            let of = |vertex: u32| {
                let joint = mesh.main_joint(vertex as usize);
                joint.and_then(|joint| parts.of_joint[joint])
            };
            for (triangle, is_fine) in mesh.triangles.iter().zip(&fine[index]) {
                let [a, b, c] = triangle.map(of);
                if (if b == c { b } else { a }) != Some(part) {
                    continue;
                }
                let numbered = triangle.map(|vertex| {
                    let place: DVec3 = positions[index][vertex as usize];
                    let cell = (place / WELD_M).round().to_array().map(|x| x as i64);
                    *numbers.entry(cell).or_insert_with(|| {
                        corners.push((index, vertex as usize));
                        rest.push(place);
                        corners.len() as u32 - 1
                    })
                });
                let [a, b, c] = numbered;
                if a != b && b != c && c != a {
                    by_kind[usize::from(*is_fine)].push(numbered);
                }
            }
        }
        let [skin, fine] = by_kind;
        let (skin, fine) = if skin.is_empty() {
            (fine, skin)
        } else {
            (skin, fine)
        };
        if skin.is_empty() {
            return None;
        }
        // The points that the solid uses come first.
        let mut place: Vec<Option<u32>> = vec![None; corners.len()];
        let mut kept = Vec::new();
        let mut renumbered = |triangles: Vec<[u32; 3]>| -> (Vec<[u32; 3]>, usize) {
            let triangles = triangles.into_iter().map(|triangle| {
                triangle.map(|corner| {
                    *place[corner as usize].get_or_insert_with(|| {
                        kept.push(corner as usize);
                        kept.len() as u32 - 1
                    })
                })
            });
            let triangles = triangles.collect();
            (triangles, kept.len())
        };
        let (skin, solid_count) = renumbered(skin);
        if parts.list[part].is_limb {
            renumbered(fine);
        }
        let rest: Vec<DVec3> = kept.iter().map(|&corner| rest[corner]).collect();
        Some(Self {
            corners: kept.iter().map(|&corner| corners[corner]).collect(),
            solid: Solid::new(&rest[..solid_count], skin),
            rest,
            solid_count,
        })
    }

    fn at_rest(&self) -> Posed<'_> {
        self.with(self.rest.clone())
    }

    fn posed(&self, surface: &Surface, world: &WorldPose) -> Posed<'_> {
        self.with(surface.posed_vertices(&self.corners, world))
    }

    fn with(&self, points: Vec<DVec3>) -> Posed<'_> {
        Posed {
            solid: self.solid.posed(&points[..self.solid_count]),
            points,
        }
    }
}

/// Which points of one part do not lie in another at rest.
fn free(one: &Posed<'_>, other: &Posed<'_>) -> Vec<usize> {
    let all = 0..one.points.len();
    all.filter(|&index| !other.solid.is_inside(one.points[index]))
        .collect()
}

/// Depth of the deepest of some points of one part in the other, metres; 0 where none is.
fn depth_m(one: &Posed<'_>, free: &[usize], other: &Posed<'_>) -> f64 {
    let bounds = other.solid.bounds();
    let inside = free.iter().map(|&index| one.points[index]);
    let inside = inside.filter(|&point| meet(&[point; 2], &bounds));
    let depths = inside.filter_map(|point| other.solid.depth_m(point));
    depths.fold(0.0, f64::max)
}

/// Least distance of some points of one part from the skin of the other below `within_m`, metres.
fn distance_m(one: &Posed<'_>, free: &[usize], other: &Posed<'_>, within_m: f64) -> f64 {
    free.iter().fold(within_m, |least_m, &index| {
        let point = one.points[index];
        let on = other.solid.closest(point, least_m);
        on.map_or(least_m, |on| on.distance(point).min(least_m))
    })
}

/// Name of the part of the skin that is an end of a touch; `None` for the floor.
fn part_name(end: &TouchEnd) -> Option<String> {
    (end.part != TouchPart::Floor).then(|| end.words())
}

/// Parts whose skin lies on the floor with that of a touch: a knee is of thigh and shank, the seat of trunk
/// and thighs.
fn beside(touch: &Touch, body: &Body) -> Vec<TouchEnd> {
    let from = &touch.from;
    let legs = body.legs.iter().filter(|leg| match from.part {
        _ if touch.to.part != TouchPart::Floor => false,
        TouchPart::Trunk => true,
        TouchPart::Shank => (leg.side, leg.pair) == (from.side, from.pair),
        _ => false,
    });
    legs.map(|leg| TouchEnd {
        part: TouchPart::Thigh,
        side: leg.side,
        pair: leg.pair,
        along: 0.0,
    })
    .collect()
}

/// Measures touches on a skin. A touch for which the body has no skin is left out.
pub fn measure_meetings(
    subject: &Subject<'_>,
    surface: &Surface,
    touches: &[Touch],
) -> Vec<Meeting> {
    if touches.is_empty() {
        return Vec::new();
    }
    let parts = body_parts(&subject.clip.skeleton, subject.body);
    let positions: Vec<Vec<DVec3>> = surface
        .meshes
        .iter()
        .map(|mesh| mesh.posed(&subject.rest))
        .collect();
    let fine = fine_triangles(&surface.meshes, &positions);
    let mut known: HashMap<String, Option<PartSkin>> = HashMap::new();
    let beside = |touch: &Touch| beside(touch, subject.body);
    for name in touches
        .iter()
        .flat_map(|touch| [vec![touch.from, touch.to], beside(touch)].concat())
        .filter_map(|end| part_name(&end))
    {
        known.entry(name).or_insert_with_key(|name| {
            let part = parts.list.iter().position(|part| part.name == *name)?;
            PartSkin::new(surface, &positions, &fine, &parts, part)
        });
    }
    let skin = |end: &TouchEnd| known.get(&part_name(end)?)?.as_ref();
    let meeting = |touch: &Touch| {
        let from = skin(&touch.from)?;
        let last = touch.last.min(subject.frame_count().checked_sub(1)?);
        let frames = subject.worlds.get(touch.first..=last)?.iter();
        let gaps_m: Vec<f64> = match touch.to.part {
            TouchPart::Floor => {
                let beside = beside(touch);
                let skins = || std::iter::once(from).chain(beside.iter().filter_map(skin));
                let lowest = |world: &WorldPose| {
                    let points = skins().flat_map(|skin| skin.posed(surface, world).points);
                    let heights = points.map(|point| subject.floor.above(point));
                    heights.fold(f64::INFINITY, f64::min)
                };
                frames.map(lowest).collect()
            }
            _ => {
                let to = skin(&touch.to)?;
                let rest = [from.at_rest(), to.at_rest()];
                let free = [free(&rest[0], &rest[1]), free(&rest[1], &rest[0])];
                frames
                    .map(|world| {
                        let [one, other] = [from, to].map(|skin| skin.posed(surface, world));
                        gap_m([&one, &other], &free)
                    })
                    .collect()
            }
        };
        let sizes: Vec<f64> = gaps_m.iter().map(|gap| MM * gap.abs()).collect();
        let (at, _) = worst(&sizes)?;
        let kept_frames = sizes.iter().filter(|size| **size <= TOUCHING_MM).count();
        Some(Meeting {
            touch: touch.words(),
            first_frame: touch.first,
            last_frame: last,
            worst_mm: MM * gaps_m[at],
            worst_frame: touch.first + at,
            kept_frames,
            is_kept: kept_frames == sizes.len(),
            is_rest: touch.is_rest(),
        })
    };
    touches.iter().filter_map(meeting).collect()
}

/// Distance of two parts, metres; below 0 their depth.
fn gap_m([one, other]: [&Posed<'_>; 2], [free, other_free]: &[Vec<usize>; 2]) -> f64 {
    let deepest_m = depth_m(one, free, other).max(depth_m(other, other_free, one));
    if deepest_m > 0.0 {
        return -deepest_m;
    }
    let least_m = distance_m(one, free, other, f64::INFINITY);
    distance_m(other, other_free, one, least_m)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Dummy, two_balls, wrist_from_chest};
    use understudy_anatomy::Side;

    fn touch(to: TouchPart, last: usize) -> Touch {
        let end = |part, side| TouchEnd {
            part,
            side,
            pair: 0,
            along: 0.5,
        };
        Touch {
            from: end(TouchPart::Hand, Side::Left),
            to: end(to, Side::Middle),
            first: 1,
            last,
        }
    }

    #[test]
    fn two_balls_are_as_far_apart_or_as_deep_as_their_middles_say() {
        let dummy = Dummy::new(1.0);
        // Radii of 10 and 5 cm.
        let clip = wrist_from_chest(&dummy, &[0.3, 0.1515, 0.147, 0.155, 0.14, 0.3]);
        let found = measure_meetings(
            &dummy.subject(&clip, &[]),
            &two_balls(&dummy),
            &[touch(TouchPart::Trunk, 4)],
        );
        assert_eq!(found.len(), 1);
        let found = &found[0];
        assert_eq!(found.touch, "left hand on trunk");
        // Facets lie at most 0.054 mm below a ball of 10 cm.
        assert!((found.worst_mm + 10.0).abs() < 0.06, "{found:?}");
        assert_eq!(
            (found.worst_frame, found.kept_frames, found.is_kept),
            (4, 1, false)
        );
    }

    #[test]
    fn a_hand_over_the_floor_is_as_high_as_its_lowest_point() {
        let dummy = Dummy::new(1.0);
        let wrist = crate::testing::L_ELBOW + 1;
        let rest = dummy.skeleton.rest_world();
        let clip = dummy.clip(3, |frame, locals| {
            let height_m = [0.5, 0.051, 0.0485][frame];
            locals[wrist].translation.y += height_m - rest.position(wrist).y;
        });
        let subject = dummy.subject(&clip, &[]);
        let found =
            &measure_meetings(&subject, &two_balls(&dummy), &[touch(TouchPart::Floor, 2)])[0];
        assert!((found.worst_mm + 1.5).abs() < 1e-9, "{found:?}");
        assert!(found.is_kept);
    }

    #[test]
    fn a_part_without_skin_is_left_out() {
        let dummy = Dummy::new(1.0);
        let clip = crate::testing::still(&dummy, 4);
        let subject = dummy.subject(&clip, &[]);
        let found = measure_meetings(&subject, &two_balls(&dummy), &[touch(TouchPart::Head, 3)]);
        assert_eq!(found, []);
    }
}
