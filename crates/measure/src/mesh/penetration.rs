//! Self-penetration of the skinned mesh: vertices of one part of the body inside another.
//!
//! A part is the skin that the joints of one segment move most, closed where it was cut off. The
//! depth of a pair of parts is how far the deepest vertex of either that lies inside the other must
//! go to the nearest place of the other's skin. The volume of a pair is what both closed parts fill,
//! within the box around those vertices and one edge beyond: 256 columns through the box, each as
//! long as both parts are there. Over time it adds up to m³·s. Of two balls of 10 and 5 cm in facets of
//! 3 to 6 mm it is within 3 % of the lens in closed form (Weisstein, *Sphere-Sphere Intersection*,
//! MathWorld) where they are 5 mm deep, most of which the facets take off, and within 1 % from 10 mm
//! to all inside.
//!
//! What is left out is said in [`understudy_overlap`].

use std::convert::Infallible;
use std::num::NonZero;
use std::ops::Add;
use std::thread;

use understudy_motion::{Surface, WorldPose};
use understudy_overlap::{PoseOverlaps, SkinParts, body_parts};

use crate::penetration::{PairDepth, Penetration, ROUNDING};
use crate::report::At;
use crate::stats::{largest, mean, worst};
use crate::subject::{MM, Subject};

/// Measures all pairs of parts on the skin, frame by frame. `None` where the skin has no two parts
/// to compare.
pub fn measure_mesh_penetration(subject: &Subject<'_>, surface: &Surface) -> Option<Penetration> {
    let Ok(found) = mesh_penetration_watched::<Infallible>(subject, surface, &|_| Ok(()));
    found
}

/// As [`measure_mesh_penetration`]; `at` hears how much is done, 0 to 1, and may end it.
pub(crate) fn mesh_penetration_watched<E>(
    subject: &Subject<'_>,
    surface: &Surface,
    at: At<'_, E>,
) -> Result<Option<Penetration>, E> {
    let parts = body_parts(&subject.clip.skeleton, subject.body);
    let skin = SkinParts::new(surface, &parts, &subject.rest, subject.leg_length_m);
    if skin.pairs().len() == 0 {
        return Ok(None);
    }
    let frames = all_overlaps(&skin, surface, &subject.worlds, at)?;
    let rounding_mm = MM * ROUNDING * subject.leg_length_m;
    let frame_secs = subject.clip.frame_time_secs;
    let mut pairs = Vec::new();
    for (index, [one, other]) in skin.pairs().enumerate() {
        let overlaps = frames.iter().map(|frame| frame.pairs[index]);
        let depths_mm: Vec<f64> = overlaps.clone().map(|o| MM * o.depth_m).collect();
        let volumes_m3: Vec<f64> = overlaps.map(|o| o.volume_m3).collect();
        let volume_time_m3_s = frame_secs * volumes_m3.iter().copied().fold(0.0, Add::add);
        let names = [one, other].map(|part| parts.list[part].name.as_str());
        pairs.extend(
            PairDepth::new(names, depths_mm, rounding_mm).map(|pair| PairDepth {
                volume_time_m3_s: Some(volume_time_m3_s),
                volumes_m3,
                ..pair
            }),
        );
    }
    pairs.sort_by(|a, b| b.worst_mm.total_cmp(&a.worst_mm));
    let volumes = pairs.iter().filter_map(|pair| pair.volume_time_m3_s);
    let limb_vertices = skin.limb_vertex_count();
    let rates: Vec<f64> = frames
        .iter()
        .map(|frame| super::published::penetration_rate(frame.limb_vertices_inside, limb_vertices))
        .collect();
    Ok(Some(Penetration {
        worst_mm: largest(pairs.iter().map(|pair| pair.worst_mm)),
        from_surface: true,
        on_skin: true,
        volume_time_m3_s: Some(volumes.fold(0.0, Add::add)),
        mean_penetration_rate: Some(mean(&rates)),
        worst_penetration_rate: worst(&rates).map(|(_, rate)| rate),
        pairs,
    }))
}

/// Frames that a core measures between two looks at whether to go on.
const BLOCK: usize = 12;

/// All frames, shared among the cores.
fn all_overlaps<E>(
    skin: &SkinParts,
    surface: &Surface,
    worlds: &[WorldPose],
    at: At<'_, E>,
) -> Result<Vec<PoseOverlaps>, E> {
    let cores = thread::available_parallelism().map_or(1, NonZero::get);
    let measured = |share: &[WorldPose]| -> Vec<PoseOverlaps> {
        let poses = share.iter();
        poses.map(|pose| skin.overlaps(surface, pose)).collect()
    };
    let mut found = Vec::with_capacity(worlds.len());
    for block in worlds.chunks(BLOCK * cores) {
        at(found.len() as f64 / worlds.len() as f64)?;
        thread::scope(|scope| {
            let shares: Vec<_> = block
                .chunks(BLOCK)
                .map(|share| (share, scope.spawn(move || measured(share))))
                .collect();
            for (share, thread) in shares {
                // A thread that failed is done again here, where its failure is seen.
                found.extend(thread.join().unwrap_or_else(|_| measured(share)));
            }
        });
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::faults::{FaultKind, verdict};
    use crate::report::{Options, Report, measure_clip};
    use crate::testing::{DT, Dummy, L_ELBOW, ball, two_balls, wrist_from_chest};
    use std::f64::consts::{FRAC_PI_2, PI};
    use understudy_motion::{DQuat, DVec3, SkinnedMesh};
    use understudy_solver::Settings;

    fn measured(dummy: &Dummy, surface: &Surface, ways_m: &[f64]) -> Penetration {
        let clip = wrist_from_chest(dummy, ways_m);
        measure_mesh_penetration(&dummy.subject(&clip, &[]), surface).unwrap()
    }

    /// Volume that two balls share (Weisstein, *Sphere-Sphere Intersection*, MathWorld, equation
    /// 16).
    fn lens_m3(big: f64, small: f64, apart: f64) -> f64 {
        let (r, s, d) = (big, small, apart);
        PI * (r + s - d).powi(2)
            * (d * d + 2.0 * d * s - 3.0 * s * s + 2.0 * d * r + 6.0 * s * r - 3.0 * r * r)
            / (12.0 * d)
    }

    #[test]
    fn two_balls_share_a_lens() {
        let dummy = Dummy::new(1.0);
        let surface = two_balls(&dummy);
        for depth_m in [0.005, 0.01, 0.02, 0.04, 0.08] {
            let way_m = 0.15 - depth_m;
            let found = measured(&dummy, &surface, &[0.73, way_m, way_m, 0.151]);
            assert!(found.on_skin);
            let pair = &found.pairs[0];
            assert_eq!(found.pairs.len(), 1);
            assert_eq!(
                (pair.part.as_str(), pair.other_part.as_str()),
                ("left hand", "trunk")
            );
            assert_eq!((pair.first_frame, pair.last_frame, pair.frames), (1, 2, 2));
            // Facets of a ball of 10 cm in 96 rings lie within 0.054 mm below it, less than 1 % of an
            // edge of 6.5 mm.
            let error_mm = pair.worst_mm - 1000.0 * depth_m;
            assert!(error_mm.abs() < 0.06, "{depth_m} {error_mm}");
            // A lens is as large as the square of its depth, which facets make 0.06 mm less.
            let expected = 2.0 * DT * lens_m3(0.1, 0.05, way_m);
            let ratio = found.volume_time_m3_s.unwrap() / expected;
            let tolerance = 0.008 + 2.0 * 0.06e-3 / depth_m;
            assert!((ratio - 1.0).abs() < tolerance, "{depth_m} {ratio}");
        }
    }

    #[test]
    fn a_ball_that_is_all_inside_shares_its_volume() {
        let dummy = Dummy::new(1.0);
        let found = measured(&dummy, &two_balls(&dummy), &[0.73, 0.03]);
        let expected = DT * 4.0 / 3.0 * PI * 0.05_f64.powi(3);
        let ratio = found.volume_time_m3_s.unwrap() / expected;
        assert!((ratio - 1.0).abs() < 0.008, "{ratio}");
    }

    #[test]
    fn claws_go_in_and_quills_are_passed_through() {
        let dummy = Dummy::new(1.0);
        let rest = dummy.skeleton.rest_world();
        let wrist = L_ELBOW + 1;
        let needle = |joint: usize, from: DVec3, to: DVec3| {
            let mut needle = ball(&dummy, joint, DVec3::ZERO, 1.0);
            let (middle, half) = ((from + to) / 2.0, (to - from).length() / 2.0);
            for place in &mut needle.bind_positions {
                *place = middle + DVec3::new(half * place.x, 0.001 * place.y, 0.001 * place.z);
            }
            needle
        };
        let with = |needle: SkinnedMesh| {
            let mut surface = two_balls(&dummy);
            surface.meshes.push(needle);
            // The balls are 1 cm apart.
            measured(&dummy, &surface, &[0.16])
        };
        let (chest, hand) = (rest.position(1), rest.position(wrist));
        // Out of the chest, 3 cm into the hand.
        let quill = with(needle(1, chest + DVec3::X * 0.09, chest + DVec3::X * 0.14));
        assert_eq!(quill.pairs, []);
        // Out of the hand, 2 cm into the chest.
        let claw = with(needle(
            wrist,
            hand - DVec3::X * 0.08,
            hand - DVec3::X * 0.04,
        ));
        let depth_mm = claw.pairs[0].worst_mm;
        assert!((depth_mm - 20.0).abs() < 0.1, "{depth_mm}");
    }

    #[test]
    fn the_rate_is_the_share_of_the_limb_that_lies_inside() {
        let dummy = Dummy::new(1.0);
        // The small ball's middle on the skin of the big one: 0.1² = 0.1² + 0.05² - 2 · 0.1 · 0.05 ·
        // cos, so that a share of (1 - cos) / 2 of its area lies inside.
        let found = measured(&dummy, &two_balls(&dummy), &[0.73, 0.1]);
        let worst = found.worst_penetration_rate.unwrap();
        assert!((found.mean_penetration_rate.unwrap() - 0.5 * worst).abs() < 1e-12);
        // Of vertices, which crowd at the poles, a little less than of area.
        assert!((0.3..0.4).contains(&worst), "{worst}");
    }

    #[test]
    fn what_lies_inside_at_rest_is_design() {
        let dummy = Dummy::new(1.0);
        let rest = dummy.skeleton.rest_world();
        let mut surface = two_balls(&dummy);
        // The hand is made so that its ball lies within that of the chest.
        let nested = ball(&dummy, L_ELBOW + 1, rest.position(1), 0.05);
        surface.meshes[1] = nested;
        let wrist = L_ELBOW + 1;
        let clip = dummy.clip(2, |frame, locals| {
            locals[wrist].translation.x += 0.02 * frame as f64;
        });
        let found = measure_mesh_penetration(&dummy.subject(&clip, &[]), &surface).unwrap();
        assert_eq!(found.worst_mm, 0.0);
        assert!(found.pairs.is_empty());
    }

    #[test]
    fn a_bent_elbow_is_no_fault_and_a_forearm_in_the_chest_is() {
        let dummy = Dummy::new(1.0);
        let rest = dummy.skeleton.rest_world();
        // One skin from shoulder to wrist: a long ball cut at the elbow by whose joint moves it.
        let elbow = rest.position(L_ELBOW);
        let mut arm = ball(&dummy, L_ELBOW, elbow, 0.04);
        arm.joints.push(L_ELBOW - 1);
        arm.inverse_binds.push(rest.affines[L_ELBOW - 1].inverse());
        for (place, influences) in arm.bind_positions.iter_mut().zip(&mut arm.influences) {
            place.x = elbow.x + 6.0 * (place.x - elbow.x);
            if place.x < elbow.x {
                *influences = vec![(1, 1.0)];
            }
        }
        let surface = Surface {
            meshes: vec![ball(&dummy, 1, rest.position(1), 0.3), arm],
            ..Surface::default()
        };
        let bent = |angle: f64| {
            let clip = dummy.clip(2, |frame, locals| {
                locals[L_ELBOW].rotation = DQuat::from_rotation_y(angle * frame as f64);
            });
            measure_mesh_penetration(&dummy.subject(&clip, &[]), &surface).unwrap()
        };
        assert_eq!(bent(-FRAC_PI_2).pairs, []);
        let through = bent(-PI);
        let names = |pair: &PairDepth| (pair.part.clone(), pair.other_part.clone());
        let expected = ("left forearm".to_owned(), "trunk".to_owned());
        assert!(through.pairs.iter().any(|pair| names(pair) == expected));
    }

    fn report(dummy: &Dummy, surface: &Surface, ways_m: &[f64]) -> Report {
        let clip = wrist_from_chest(dummy, ways_m);
        let settings = Settings::default();
        measure_clip(
            &clip,
            &dummy.body,
            Some(surface),
            &settings,
            Options::default(),
        )
    }

    #[test]
    fn a_fault_is_what_goes_beyond_the_take_in_the_same_frame() {
        let dummy = Dummy::new(1.0);
        let surface = two_balls(&dummy);
        // 20 mm deep for two frames, and again a second later.
        let mut ways_m = vec![0.3; 90];
        for frame in [10, 11, 80] {
            ways_m[frame] = 0.13;
        }
        let own = report(&dummy, &surface, &ways_m);
        let faults = |take: Option<&Report>| -> Vec<_> {
            let all = verdict(&own, take).into_iter();
            all.filter(|fault| fault.kind == FaultKind::Penetration)
                .map(|fault| (fault.first_frame, fault.last_frame, fault.amount.round()))
                .collect()
        };
        assert_eq!(faults(None), [(10, 11, 20.0), (80, 80, 20.0)]);
        assert_eq!(faults(Some(&own)), []);
        // The take is 15 mm deep at first, and not at all later.
        for frame in [10, 11] {
            ways_m[frame] = 0.135;
        }
        ways_m[80] = 0.3;
        let take = report(&dummy, &surface, &ways_m);
        assert_eq!(faults(Some(&take)), [(80, 80, 20.0), (10, 11, 5.0)]);
        let text = &verdict(&own, Some(&take))
            .into_iter()
            .find(|fault| fault.kind == FaultKind::Penetration && fault.first_frame == 80)
            .unwrap()
            .text;
        assert_eq!(text, "left hand goes 20 mm into trunk, deepest in frame 80");
    }

    #[test]
    fn a_skin_of_one_part_has_no_pairs() {
        let dummy = Dummy::new(1.0);
        let clip = wrist_from_chest(&dummy, &[0.1]);
        let surface = Surface {
            meshes: vec![ball(&dummy, 1, DVec3::Y, 0.1)],
            ..Surface::default()
        };
        assert!(measure_mesh_penetration(&dummy.subject(&clip, &[]), &surface).is_none());
    }
}
