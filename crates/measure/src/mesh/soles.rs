//! Soles on the skinned mesh: how far the skin under a planted part slides, sinks and floats.
//!
//! A part of the sole (heel, ball, toe) is a place of the skin: the point of the foot that the solver
//! holds, taken at rest and carried by linear blend skinning (glTF 2.0 section 3.7.3.3) with the
//! weights of the vertex nearest to it. Slide of a plant is the largest distance along the floor
//! between any two of its positions, as in [`crate::slide`], of this place. Sinking is the depth of the
//! lowest vertex of the foot's skin, floating its height, in frames in which some part of the foot is
//! planted. What of the foot lies lower than its sole at rest (claws, quills) is how it is made, and
//! left out.

use serde::Serialize;
use understudy_anatomy::JointPoint;
use understudy_motion::{DVec3, Surface, WorldPose};
use understudy_solver::{Foot, FootPart};

use crate::slide::extent_on_floor;
use crate::subject::{MM, Subject};

/// Something in millimetres, and where it was found.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct WorstPlace {
    /// The value; 0 where there is none.
    pub mm: f64,
    /// For a person: "left heel", "right foot".
    pub part: String,
    /// First frame, counted from 0.
    pub first_frame: usize,
    /// Last frame.
    pub last_frame: usize,
}

impl WorstPlace {
    fn raise(&mut self, mm: f64, part: impl FnOnce() -> String, [first, last]: [usize; 2]) {
        if mm > self.mm {
            *self = Self {
                mm,
                part: part(),
                first_frame: first,
                last_frame: last,
            };
        }
    }
}

/// The soles of all feet.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Soles {
    /// Number of plants, counted part by part.
    pub plants: usize,
    /// Frames in which a foot is planted, over all feet.
    pub planted_frames: usize,
    /// The plant that slides most.
    pub slide: WorstPlace,
    /// Greatest depth of a planted foot's skin below the floor.
    pub sinking: WorstPlace,
    /// Greatest height of a planted foot's skin above the floor.
    pub floating: WorstPlace,
}

/// A place of a skin: per joint, its share and the place in the coordinates of the joint.
struct SkinPlace(Vec<(usize, f64, DVec3)>);

impl SkinPlace {
    /// The place of the skin at a point of a joint, with the weights of the nearest vertex.
    fn new(
        surface: &Surface,
        positions: &[Vec<DVec3>],
        point: JointPoint,
        rest: &WorldPose,
    ) -> Self {
        let at = point.world(rest);
        let all = positions.iter().enumerate();
        let all = all.flat_map(|(mesh, list)| {
            let list = list.iter().enumerate();
            list.map(move |(vertex, place)| (mesh, vertex, place.distance_squared(at)))
        });
        let nearest = all.min_by(|a, b| a.2.total_cmp(&b.2));
        let Some((mesh, vertex, _)) = nearest else {
            return Self(vec![(point.joint, 1.0, point.local)]);
        };
        let mesh = &surface.meshes[mesh];
        let shares = mesh.influences[vertex].iter().map(|&(slot, share)| {
            let joint = mesh.joints[slot];
            (
                joint,
                share,
                rest.affines[joint].inverse().transform_point3(at),
            )
        });
        Self(shares.collect())
    }

    fn world(&self, pose: &WorldPose) -> DVec3 {
        let shares = self.0.iter();
        shares
            .map(|&(joint, share, local)| share * pose.affines[joint].transform_point3(local))
            .sum()
    }
}

/// Vertices that hang lower than the sole by no more than this share of the ankle's height are of it.
const OF_THE_SOLE: f64 = 0.01;

/// The vertices of a foot, less what hangs lower than its sole.
struct FootSkin {
    vertices: Vec<(usize, usize)>,
}

/// Measures the soles. `None` where no foot has a skin.
pub fn measure_soles(subject: &Subject<'_>, surface: &Surface) -> Option<Soles> {
    let positions: Vec<Vec<DVec3>> = surface
        .meshes
        .iter()
        .map(|mesh| mesh.posed(&subject.rest))
        .collect();
    let mut soles = Soles::default();
    let mut has_skin = false;
    for (leg, foot) in subject.feet.iter().enumerate() {
        let skin = foot_skin(surface, &positions, foot, subject);
        has_skin |= !skin.vertices.is_empty();
        for stand in subject.stands(leg) {
            let place = SkinPlace::new(surface, &positions, stand.point, &subject.rest);
            let frames = &subject.worlds[stand.first..=stand.last];
            let track: Vec<DVec3> = frames.iter().map(|world| place.world(world)).collect();
            let mm = MM * extent_on_floor(&track, &subject.floor);
            let name = || format!("{} {}", subject.leg_name(leg), stand.part.word());
            soles.plants += 1;
            soles.slide.raise(mm, name, [stand.first, stand.last]);
        }
        let planted = subject
            .planted_parts
            .get(leg)
            .map_or(&[][..], Vec::as_slice);
        for (frame, world) in subject.worlds.iter().enumerate() {
            if !planted
                .get(frame)
                .is_some_and(|parts| parts.contains(&true))
            {
                continue;
            }
            soles.planted_frames += 1;
            let Some(lowest_m) = skin.lowest_m(surface, world, subject) else {
                continue;
            };
            let mm = MM * lowest_m;
            let name = || format!("{} foot", subject.leg_name(leg));
            soles.sinking.raise(-mm, name, [frame; 2]);
            soles.floating.raise(mm, name, [frame; 2]);
        }
    }
    has_skin.then_some(soles)
}

fn foot_skin(
    surface: &Surface,
    positions: &[Vec<DVec3>],
    foot: &Foot,
    subject: &Subject<'_>,
) -> FootSkin {
    let skeleton = &subject.clip.skeleton;
    let is_of_foot = |joint: usize| skeleton.is_at_or_above(foot.ankle, joint);
    let soles = FootPart::ALL
        .into_iter()
        .filter_map(|part| foot.point(part));
    let sole_m = soles.map(|point| point.world(&subject.rest).y);
    let sole_m = sole_m.fold(f64::INFINITY, f64::min);
    let ankle_m = subject.rest.position(foot.ankle).y;
    let least_m = sole_m - OF_THE_SOLE * (ankle_m - sole_m).abs();
    let mut vertices = Vec::new();
    for (index, mesh) in surface.meshes.iter().enumerate() {
        for (vertex, place) in positions[index].iter().enumerate() {
            let is_of_foot = mesh.main_joint(vertex).is_some_and(is_of_foot);
            if is_of_foot && place.y >= least_m {
                vertices.push((index, vertex));
            }
        }
    }
    FootSkin { vertices }
}

impl FootSkin {
    /// Height of the lowest vertex above the floor, metres.
    fn lowest_m(&self, surface: &Surface, world: &WorldPose, subject: &Subject<'_>) -> Option<f64> {
        let points = surface.posed_vertices(&self.vertices, world);
        let heights = points.iter().map(|&point| subject.floor.above(point));
        heights.reduce(f64::min)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{DT, Dummy, L_ANKLE, R_ANKLE, ball};
    use understudy_motion::DQuat;

    /// Balls of 6 cm for feet, their lowest points as low as the lowest of the soles.
    fn round_feet(dummy: &Dummy) -> Surface {
        let rest = dummy.skeleton.rest_world();
        let meshes = [L_ANKLE, R_ANKLE].map(|ankle| {
            let mut centre = rest.position(ankle);
            centre.y = 0.06;
            ball(dummy, ankle, centre, 0.06)
        });
        Surface {
            meshes: meshes.to_vec(),
            ..Surface::default()
        }
    }

    #[test]
    fn a_foot_that_is_dragged_sunk_and_lifted() {
        let dummy = Dummy::new(1.0);
        let clip = dummy.clip(9, |frame, locals| {
            locals[0].translation.x += 0.002 * frame as f64;
            locals[0].translation.y += [0.0, 0.0, -0.003, 0.0, 0.005, 0.0, 0.0, -0.5, 0.5][frame];
        });
        let planted = dummy.planted(9, |leg, frame| [leg == 0 && frame < 6, false, false]);
        let soles = measure_soles(&dummy.subject(&clip, &planted), &round_feet(&dummy)).unwrap();
        assert_eq!((soles.plants, soles.planted_frames), (1, 6));
        assert!((soles.slide.mm - 10.0).abs() < 1e-9, "{soles:?}");
        assert_eq!(soles.slide.part, "left heel");
        assert_eq!((soles.slide.first_frame, soles.slide.last_frame), (0, 5));
        // The ball touches the floor with its pole.
        assert!((soles.sinking.mm - 3.0).abs() < 1e-9, "{soles:?}");
        assert!((soles.floating.mm - 5.0).abs() < 1e-9);
        assert_eq!(
            (soles.sinking.first_frame, soles.floating.first_frame),
            (2, 4)
        );
    }

    #[test]
    fn skin_that_another_joint_pulls_slides() {
        let dummy = Dummy::new(1.0);
        let mut surface = round_feet(&dummy);
        // Half of the left foot's skin goes with the knee, which turns while the ankle stays.
        let knee = L_ANKLE - 1;
        let rest = dummy.skeleton.rest_world();
        let mesh = &mut surface.meshes[0];
        mesh.joints.push(knee);
        mesh.inverse_binds.push(rest.affines[knee].inverse());
        for influences in &mut mesh.influences {
            *influences = vec![(0, 0.5), (1, 0.5)];
        }
        let turn = 0.2 * DT;
        let clip = dummy.clip(2, |frame, locals| {
            let angle = turn * frame as f64;
            // Hip and knee move the knee's own axes, not the ankle's place.
            locals[knee].rotation = DQuat::from_rotation_y(angle);
            locals[L_ANKLE].rotation = DQuat::from_rotation_y(-angle);
        });
        let planted = dummy.planted(2, |leg, _| [leg == 0, false, false]);
        let soles = measure_soles(&dummy.subject(&clip, &planted), &surface).unwrap();
        let heel = dummy.feet[0].heel.unwrap().local;
        // Half of the place stays, half goes along a chord.
        let chord = 2.0 * heel.x.hypot(heel.z) * (turn / 2.0).sin();
        assert!((soles.slide.mm - 500.0 * chord).abs() < 1e-9, "{soles:?}");
    }

    #[test]
    fn without_a_skin_there_is_nothing_to_measure() {
        let dummy = Dummy::new(1.0);
        let clip = crate::testing::still(&dummy, 2);
        assert_eq!(
            measure_soles(&dummy.subject(&clip, &[]), &Surface::default()),
            None
        );
    }
}
