//! Picking: which joint of which body lies under a place of a view, what corresponds to it on the
//! other body, and where both are drawn.

use std::sync::Arc;

use understudy_motion::triangle::{corner_shares, ray_triangle};
use understudy_motion::{DAffine3, DMat3, DVec3, JointKind, WorldPose};

use super::camera::Camera;
use super::model::SkinModel;
use super::session::Session;
use super::stage::{Figure, Motion, Who};
use super::view::{Arrangement, Show};

/// What lies under a place of a view.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hit {
    /// Whose joint; the character with other settings is the character.
    pub who: Who,
    /// The joint.
    pub joint: usize,
    /// Distance from the camera, metres.
    depth_m: f64,
}

/// How much farther a bone counts than the joint at its end, in reaches: near a joint, the joint is
/// meant.
const BONE: f64 = 0.4;

/// Bodies in the poses in which they were last asked for, so that a pointer that rests or moves over
/// a standing body costs little.
#[derive(Debug, Default)]
pub struct Kept {
    bodies: Vec<Posed>,
}

/// A body in a pose, as it is drawn.
#[derive(Debug)]
struct Posed {
    who: Who,
    motion: Arc<Motion>,
    figure: Arc<Figure>,
    frame: usize,
    factor: f64,
    pose: WorldPose,
    /// Corners of the skin, mesh by mesh, once it was asked for.
    skin: Option<Vec<Vec<DVec3>>>,
}

impl Kept {
    /// The joint under a place of the view of `view`: right and down from its middle, and how near to
    /// it a bone counts, all in heights of the view. Bones count where they are drawn, the skin where
    /// it is; in a skin of glass, bones come first.
    pub fn joint_at(
        &mut self,
        session: &Session,
        view: Who,
        place: [f64; 2],
        reach: f64,
    ) -> Option<Hit> {
        let camera = session.camera(view)?;
        let show = session.view.show;
        let mut bones: Option<(f64, Hit)> = None;
        let mut skin: Option<Hit> = None;
        for who in session.bodies_in(view) {
            let Some(posed) = self.posed(session, who) else {
                continue;
            };
            let has_skin = posed.figure.model.has_skin();
            let has_meshes = posed.figure.model.meshes().next().is_some();
            if show != Show::Surface || !has_skin {
                let found = posed.bone_at(&camera, place, reach);
                bones = nearer(bones, found, |(score, _)| *score);
            }
            if show != Show::Bones && has_meshes {
                let found = posed.skin_at(&camera, place);
                skin = nearer(skin, found, |hit| hit.depth_m);
            }
        }
        match (bones, skin) {
            // A skin that is not of glass hides what is behind it.
            (Some((_, bone)), Some(skin))
                if show == Show::Surface && skin.depth_m < bone.depth_m =>
            {
                Some(skin)
            }
            (Some((_, bone)), _) => Some(bone),
            (None, skin) => skin,
        }
    }

    fn posed(&mut self, session: &Session, who: Who) -> Option<&mut Posed> {
        let (actor, motion) = session.motion(who)?;
        let frame = session.frame_of(motion);
        let factor = session.drawn_factor(who);
        let is_same = |posed: &Posed| {
            posed.who == who
                && posed.frame == frame
                && posed.factor == factor
                && Arc::ptr_eq(&posed.motion, motion)
                && Arc::ptr_eq(&posed.figure, &actor.figure)
        };
        if !self.bodies.iter().any(is_same) {
            self.bodies.retain(|posed| posed.who != who);
            self.bodies.push(Posed {
                who,
                pose: session.drawn_pose(who, motion, frame),
                motion: Arc::clone(motion),
                figure: Arc::clone(&actor.figure),
                frame,
                factor,
                skin: None,
            });
        }
        self.bodies.iter_mut().find(|posed| posed.who == who)
    }
}

fn nearer<T>(one: Option<T>, other: Option<T>, far: impl Fn(&T) -> f64) -> Option<T> {
    match (one, other) {
        (Some(one), Some(other)) if far(&other) < far(&one) => Some(other),
        (Some(one), _) => Some(one),
        (None, other) => other,
    }
}

impl Posed {
    fn hit(&self, joint: usize, depth_m: f64) -> Hit {
        Hit {
            who: self.who.owner(),
            joint,
            depth_m,
        }
    }

    /// The joint or the bone that is drawn nearest to a place, with how near it is. A bone is moved by
    /// the joint at its body's end.
    fn bone_at(&self, camera: &Camera, place: [f64; 2], reach: f64) -> Option<(f64, Hit)> {
        let skeleton = &self.motion.clip.skeleton;
        let seen = |point: DVec3| camera.project(point);
        let mut best: Option<(f64, Hit)> = None;
        let mut add = |far: f64, joint: usize, depth_m: f64, is_bone: bool| {
            if far <= reach {
                let far = if is_bone { far + BONE * reach } else { far };
                // Of two in one place, the one in front.
                let score = far + 1e-4 * depth_m / self.figure.height_m;
                best = nearer(best, Some((score, self.hit(joint, depth_m))), |one| one.0);
            }
        };
        for joint in 0..skeleton.len() {
            if skeleton.joint(joint).kind == JointKind::Carrier {
                continue;
            }
            let Some((from, depth_m)) = seen(self.pose.position(joint)) else {
                continue;
            };
            add(away(place, [from; 2]).0, joint, depth_m, false);
            let children = skeleton.children(joint).iter();
            let ends = children.map(|&child| self.pose.position(child));
            let tips = skeleton.joint(joint).tips.iter();
            let tips = tips.map(|tip| self.pose.point(joint, *tip));
            for (to, end_depth_m) in ends.chain(tips).filter_map(seen) {
                let (far, share) = away(place, [from, to]);
                add(far, joint, depth_m + share * (end_depth_m - depth_m), true);
            }
        }
        best
    }

    /// The joint that moves most the first place of the skin that a look through a place meets.
    fn skin_at(&mut self, camera: &Camera, place: [f64; 2]) -> Option<Hit> {
        let (eye, look) = camera.ray(place);
        let meshes: Vec<&SkinModel> = self.figure.model.meshes().collect();
        let (pose, known) = (&self.pose, &mut self.skin);
        let skin =
            known.get_or_insert_with(|| meshes.iter().map(|mesh| mesh.posed(pose)).collect());
        let mut first: Option<(f64, usize, usize)> = None;
        for (mesh, points) in skin.iter().enumerate() {
            for (number, triangle) in meshes[mesh].triangles.iter().enumerate() {
                let Some(corners) = corners(points, *triangle) else {
                    continue;
                };
                if let Some(way) = ray_triangle(eye, look, &corners) {
                    first = nearer(first, Some((way, mesh, number)), |one| one.0);
                }
            }
        }
        let (way, mesh, number) = first?;
        let triangle = meshes[mesh].triangles[number];
        let shares = corner_shares(eye + way * look, &corners(&skin[mesh], triangle)?);
        let joint = heaviest(meshes[mesh], triangle, shares)?;
        let (_, depth_m) = camera.project(eye + way * look)?;
        Some(self.hit(joint, depth_m))
    }
}

fn corners(points: &[DVec3], triangle: [u32; 3]) -> Option<[DVec3; 3]> {
    let [a, b, c] = triangle.map(|index| points.get(index as usize).copied());
    Some([a?, b?, c?])
}

/// The joint with the greatest weight at a point of a triangle.
fn heaviest(mesh: &SkinModel, triangle: [u32; 3], shares: [f64; 3]) -> Option<usize> {
    let mut sums = vec![0.0; mesh.joints.len()];
    for (corner, share) in triangle.into_iter().zip(shares) {
        let corner = corner as usize;
        let weighted = mesh
            .slots
            .get(corner)?
            .iter()
            .zip(mesh.weights.get(corner)?);
        for (slot, weight) in weighted {
            if let Some(sum) = sums.get_mut(usize::from(*slot)) {
                *sum += share * f64::from(*weight);
            }
        }
    }
    let most = sums.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1));
    most.map(|(slot, _)| mesh.joints[slot])
}

/// Distance of a place from a line between two places, and where along it the nearest point is, 0 to 1.
pub(super) fn away(place: [f64; 2], [from, to]: [[f64; 2]; 2]) -> (f64, f64) {
    let along = [to[0] - from[0], to[1] - from[1]];
    let offset = [place[0] - from[0], place[1] - from[1]];
    let square = along[0] * along[0] + along[1] * along[1];
    let dot = along[0] * offset[0] + along[1] * offset[1];
    let share = (dot / square.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    let far = (offset[0] - share * along[0]).hypot(offset[1] - share * along[1]);
    (far, share)
}

impl Who {
    /// Whose joints these are: the character with other settings has the character's.
    pub fn owner(self) -> Self {
        match self {
            Self::Performer => Self::Performer,
            Self::Character | Self::Other => Self::Character,
        }
    }
}

impl Session {
    /// The bodies that are drawn in the view of `view`.
    pub fn bodies_in(&self, view: Who) -> Vec<Who> {
        match (self.view.arrangement, view) {
            (Arrangement::Overlay, Who::Character) => vec![Who::Character, Who::Performer],
            _ => vec![view],
        }
    }

    /// How much larger than it is a body is drawn.
    pub fn drawn_factor(&self, who: Who) -> f64 {
        match (self.view.arrangement, who) {
            (Arrangement::Overlay, Who::Performer) => self.stage.travel_factor,
            _ => 1.0,
        }
    }

    /// From where a body is to where it is drawn: larger or smaller about the floor's origin.
    pub fn drawn_from_world(&self, who: Who) -> DAffine3 {
        let factor = self.drawn_factor(who);
        let floor_m = self.stage.floor_of(who).height_m;
        DAffine3 {
            matrix3: DMat3::from_diagonal(DVec3::splat(factor)),
            translation: DVec3::Y * (floor_m * (1.0 - factor)),
        }
    }

    /// A frame of a body's motion as it is drawn.
    pub fn drawn_pose(&self, who: Who, motion: &Motion, frame: usize) -> WorldPose {
        let mut pose = motion.clip.world(frame);
        let drawn = self.drawn_from_world(who);
        for affine in &mut pose.affines {
            *affine = drawn * *affine;
        }
        pose
    }

    /// The joint of the other body that has the same role as a joint.
    pub fn counterpart(&self, who: Who, joint: usize) -> Option<(Who, usize)> {
        let other = match who.owner() {
            Who::Performer => Who::Character,
            _ => Who::Performer,
        };
        let roles = |who: Who| Some(&self.document.file(who)?.recognition.roles);
        let role = roles(who.owner())?.role(joint)?;
        Some((other, roles(other)?.find(role)?))
    }

    /// A joint and its role, for people: "left_arm (l_shoulder)".
    pub fn joint_words(&self, who: Who, joint: usize) -> String {
        let Some(file) = self.document.file(who.owner()) else {
            return String::new();
        };
        if joint >= file.skeleton().len() {
            return String::new();
        }
        let name = file.skeleton().name(joint);
        match file.recognition.roles.role(joint) {
            Some(role) => format!("{name} ({role})"),
            None => format!("{name} (no role)"),
        }
    }

    /// Brings the cameras near the chosen joint, so near that its bones fill about half of the view.
    pub(super) fn frame_joint(&mut self) {
        /// Distance of the camera, lengths of the longest bone at the joint.
        const FAR: f64 = 4.0;
        /// Nearest and farthest, body heights.
        const WITHIN: [f64; 2] = [0.45, 1.6];
        let Some((who, joint)) = self.joint else {
            self.view.frame_bodies();
            return;
        };
        // Cameras that are linked take the same place, so the chosen joint comes last.
        let pair = [self.counterpart(who, joint), Some((who, joint))];
        for (who, joint) in pair.into_iter().flatten() {
            let Some((actor, motion)) = self.measured(who) else {
                continue;
            };
            let skeleton = &motion.clip.skeleton;
            if joint >= skeleton.len() {
                continue;
            }
            let pose = self.drawn_pose(who, motion, self.frame_of(motion));
            let place = pose.position(joint);
            let parent = skeleton.parent(joint);
            let parent = parent.filter(|&above| skeleton.joint(above).kind != JointKind::Carrier);
            let near = skeleton.children(joint).iter().copied().chain(parent);
            let longest_m = near
                .map(|end| place.distance(pose.position(end)))
                .fold(0.0, f64::max);
            let far = FAR * longest_m / actor.figure.height_m;
            let view = match self.view.arrangement {
                Arrangement::Overlay => Who::Character,
                _ => who,
            };
            let orbit = *self.view.orbit(view);
            self.frame_place(view, place, orbit, far.clamp(WITHIN[0], WITHIN[1]));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::camera::Angle;
    use crate::state::command::Command;
    use crate::state::session::tests::opened;

    /// Reach of a pointer, view heights.
    const REACH: f64 = 0.02;

    fn at(session: &Session, view: Who, who: Who, name: &str) -> ([f64; 2], usize) {
        let (_, motion) = session.motion(who).unwrap();
        let joint = motion.clip.skeleton.find(name).unwrap();
        let pose = session.drawn_pose(who, motion, session.frame_of(motion));
        let camera = session.camera(view).unwrap();
        (camera.project(pose.position(joint)).unwrap().0, joint)
    }

    #[test]
    fn a_joint_that_is_drawn_is_found_under_its_place() {
        let mut session = opened();
        session.apply(Command::Seek(90));
        session.apply(Command::SetShow(Show::Bones));
        let check = |session: &Session, view: Who, who: Who, name: &str| {
            let (place, joint) = at(session, view, who, name);
            let off = [place[0] + 0.2 * REACH, place[1] - 0.2 * REACH];
            let hit = Kept::default().joint_at(session, view, off, REACH);
            assert_eq!(hit.map(|hit| (hit.who, hit.joint)), Some((who, joint)));
        };
        check(&session, Who::Performer, Who::Performer, "left_shoulder");
        check(&session, Who::Character, Who::Character, "pedlar:left_knee");
        // One over the other, the performer is drawn at the character's size in the character's view.
        session.apply(Command::SetArrangement(Arrangement::Overlay));
        check(&session, Who::Character, Who::Performer, "left_shoulder");
        let nothing = Kept::default().joint_at(&session, Who::Character, [0.49, -0.49], REACH);
        assert_eq!(nothing, None);
    }

    #[test]
    fn between_two_joints_the_bone_belongs_to_the_one_that_moves_it() {
        let mut session = opened();
        session.apply(Command::SetShow(Show::Bones));
        session.apply(Command::LookFrom(Angle::Front));
        let (knee, joint) = at(&session, Who::Character, Who::Character, "pedlar:left_knee");
        let (ankle, _) = at(
            &session,
            Who::Character,
            Who::Character,
            "pedlar:left_ankle",
        );
        let middle = [0.5 * (knee[0] + ankle[0]), 0.5 * (knee[1] + ankle[1])];
        let hit = Kept::default().joint_at(&session, Who::Character, middle, REACH);
        assert_eq!(hit.unwrap().joint, joint);
    }

    #[test]
    fn of_the_skin_the_joint_that_moves_it_most_is_found() {
        let mut session = opened();
        session.apply(Command::Seek(90));
        let (_, motion) = session.motion(Who::Character).unwrap();
        let pose = motion.clip.world(session.frame_of(motion));
        let camera = session.camera(Who::Character).unwrap();
        let model = &session.stage.character.as_ref().unwrap().figure.model;
        let mut kept = Kept::default();
        let (mut asked, mut right) = (0, 0);
        for mesh in &model.skin {
            let points = mesh.posed(&pose);
            for triangle in mesh.triangles.iter().step_by(97) {
                let corners = triangle.map(|index| points[index as usize]);
                let middle = (corners[0] + corners[1] + corners[2]) / 3.0;
                let (place, depth_m) = camera.project(middle).unwrap();
                let hit = kept
                    .joint_at(&session, Who::Character, place, REACH)
                    .unwrap();
                // What is behind something else is not asked for.
                if (hit.depth_m - depth_m).abs() > 1e-6 {
                    continue;
                }
                let mut weights = vec![0.0; mesh.joints.len()];
                for index in triangle.map(|index| index as usize) {
                    for (slot, weight) in mesh.slots[index].iter().zip(mesh.weights[index]) {
                        weights[usize::from(*slot)] += f64::from(weight) / 3.0;
                    }
                }
                let own = mesh
                    .joints
                    .iter()
                    .position(|&joint| joint == hit.joint)
                    .unwrap();
                let most = weights.iter().copied().fold(0.0, f64::max);
                asked += 1;
                right += usize::from(weights[own] > most - 1e-6);
            }
        }
        assert!(asked > 50, "{asked}");
        assert_eq!(right, asked);
    }

    #[test]
    fn a_chosen_joint_has_a_counterpart_and_is_framed() {
        let mut session = opened();
        session.apply(Command::Seek(90));
        let performer = session.document.take.as_ref().unwrap();
        let arm = performer.skeleton().find("left_shoulder").unwrap();
        let (who, own) = session.counterpart(Who::Performer, arm).unwrap();
        assert_eq!(who, Who::Character);
        assert_eq!(session.counterpart(who, own), Some((Who::Performer, arm)));
        session.apply(Command::ChooseJoint(Some((who, own))));
        session.apply(Command::FrameJoint);
        let name = session
            .document
            .character
            .as_ref()
            .unwrap()
            .skeleton()
            .name(own)
            .to_owned();
        let (place, _) = at(&session, who, who, &name);
        assert!(place[0].abs() < 1e-6 && place[1].abs() < 1e-6, "{place:?}");
        assert!(session.view.orbit(who).distance < 1.7);
        session.apply(Command::Leave);
        assert_eq!(session.joint, None);
    }
}
