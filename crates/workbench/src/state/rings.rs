//! Rings around the chosen joint: which is under the pointer, how far a drag turns it, and the offset
//! that comes of it. Only plain mathematics: what rings look like is the panels' affair.

use std::f64::consts::TAU;

use understudy_motion::angle::{short_turn, wrapped};
use understudy_motion::{DQuat, DVec3};
use understudy_solver::Settings;
use understudy_solver::near::offset_axes;

use super::camera::{Camera, FIELD_OF_VIEW_RAD};
use super::session::Session;
use super::stage::Who;

/// Radius of a ring, heights of the view.
const RADIUS: f64 = 0.13;
/// Corners of a ring.
const CORNERS: usize = 72;
/// A ring that is seen more from its edge than this, as the cosine between its axis and the look, is
/// turned along the edge, not about its middle.
const EDGE_ON: f64 = 0.2;
/// Step of a turn that snaps, degrees.
pub const SNAP_DEG: f64 = 5.0;

/// What the rings turn about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RingAxes {
    /// The axes of the joint, as it is turned in the frame that is shown.
    #[default]
    Joint,
    /// The axes of the world: Y is up.
    World,
}

impl RingAxes {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Joint, Self::World];

    /// For people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Joint => "joint's axes",
            Self::World => "world's axes",
        }
    }

    /// The other.
    pub fn next(self) -> Self {
        match self {
            Self::Joint => Self::World,
            Self::World => Self::Joint,
        }
    }
}

/// Letters of the three rings.
pub const LETTERS: [&str; 3] = ["X", "Y", "Z"];

/// Three rings around a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rings {
    /// Their middle, world, metres.
    pub centre: DVec3,
    /// Their axes, world, unit vectors.
    pub axes: [DVec3; 3],
    /// Metres.
    pub radius_m: f64,
}

impl Rings {
    /// Rings around a place, as large in the picture wherever it is. `None` behind the camera.
    pub fn around(centre: DVec3, axes: [DVec3; 3], camera: &Camera) -> Option<Self> {
        let (_, depth_m) = camera.project(centre)?;
        let seen_m = 2.0 * (FIELD_OF_VIEW_RAD / 2.0).tan() * depth_m;
        Some(Self {
            centre,
            axes,
            radius_m: RADIUS * seen_m,
        })
    }

    /// The corners of a ring, closed, with whether each is on the near side.
    pub fn corners(&self, ring: usize, camera: &Camera) -> Vec<(DVec3, bool)> {
        let look = (self.centre - camera.eye).normalize_or(DVec3::NEG_Z);
        let corner = |number: usize| {
            let angle = TAU * number as f64 / CORNERS as f64;
            let way = direction(self.axes[ring], angle);
            // A ring that is seen whole is near all round.
            (self.centre + self.radius_m * way, way.dot(look) < 0.12)
        };
        (0..=CORNERS).map(corner).collect()
    }

    /// The ring whose near side is drawn at a place, at most `reach` away, all in view heights.
    pub fn at(&self, camera: &Camera, place: [f64; 2], reach: f64) -> Option<usize> {
        let far = |ring: usize| {
            let corners = self.corners(ring, camera);
            let near = corners.windows(2).filter(|pair| pair[0].1 && pair[1].1);
            near.filter_map(|pair| {
                let ends = [pair[0].0, pair[1].0].map(|end| camera.project(end));
                let [Some((from, _)), Some((to, _))] = ends else {
                    return None;
                };
                Some(super::pick::away(place, [from, to]).0)
            })
            .fold(f64::MAX, f64::min)
        };
        (0..3)
            .map(|ring| (far(ring), ring))
            .filter(|(far, _)| *far <= reach)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, ring)| ring)
    }
}

/// A direction across an axis.
fn direction(axis: DVec3, angle: f64) -> DVec3 {
    let first = axis.any_orthonormal_vector();
    first * angle.cos() + axis.cross(first) * angle.sin()
}

/// A ring that is being dragged.
#[derive(Clone, Debug, PartialEq)]
pub struct Drag {
    /// The rings as they stood when the drag began.
    pub rings: Rings,
    /// The one that is dragged.
    pub ring: usize,
    /// Angle along the ring at which it was taken, radians.
    pub from: f64,
    /// How far it has been turned, radians.
    pub turned: f64,
    /// Whether settings were changed by it yet.
    pub has_changed: bool,
    joint: String,
    /// World from the axes of the offset, in the frame in which the drag began.
    axes: DQuat,
    /// The offset before.
    offset: DQuat,
    /// Where the pointer was last.
    last: [f64; 2],
}

impl Drag {
    /// Takes a ring at a place of the view, in view heights from its middle.
    pub fn begin(
        session: &Session,
        rings: Rings,
        ring: usize,
        camera: &Camera,
        place: [f64; 2],
    ) -> Option<Self> {
        let (_, joint) = session.joint?;
        let known = &session.solved.as_ref()?.retargeted;
        let settings = &session.document.choices.settings;
        let carried = offset_axes(known, settings, joint).ok()?;
        let (_, motion) = session.motion(Who::Character)?;
        let pose = motion.clip.world(session.frame_of(motion));
        let name = motion.clip.skeleton.name(joint).to_owned();
        let offset_deg = settings.offsets_deg.get(&name).copied().unwrap_or_default();
        let offset = DVec3::from_array(offset_deg.map(f64::to_radians));
        let mut drag = Self {
            rings,
            ring,
            from: 0.0,
            turned: 0.0,
            has_changed: false,
            joint: name,
            axes: pose.rotation(joint) * carried,
            offset: DQuat::from_scaled_axis(offset),
            last: place,
        };
        drag.from = drag.angle(camera, place).unwrap_or_else(|| {
            // Seen from its edge: the corner of the near side that is nearest to the pointer.
            let corners = rings.corners(ring, camera).into_iter().enumerate();
            let far = |point: DVec3| match camera.project(point) {
                Some(([x, y], _)) => (x - place[0]).hypot(y - place[1]),
                None => f64::MAX,
            };
            let near = corners.filter(|(_, (_, is_near))| *is_near);
            let found = near.min_by(|a, b| far(a.1.0).total_cmp(&far(b.1.0)));
            found.map_or(0.0, |(number, _)| TAU * number as f64 / CORNERS as f64)
        });
        Some(drag)
    }

    /// The axis of the ring, world.
    pub fn axis(&self) -> DVec3 {
        self.rings.axes[self.ring]
    }

    /// A point of the ring at an angle along it.
    pub fn point(&self, angle: f64) -> DVec3 {
        self.rings.centre + self.rings.radius_m * direction(self.axis(), angle)
    }

    /// Follows the pointer to a place of the view.
    pub fn follow(&mut self, camera: &Camera, place: [f64; 2]) {
        let step = match (self.angle(camera, self.last), self.angle(camera, place)) {
            (Some(before), Some(now)) => wrapped(now - before),
            _ => self.along_edge(camera, place),
        };
        self.turned += step;
        self.last = place;
    }

    /// The angle along the ring under a place; `None` where the ring is seen from its edge.
    fn angle(&self, camera: &Camera, place: [f64; 2]) -> Option<f64> {
        let (eye, look) = camera.ray(place);
        let axis = self.axis();
        let to_centre = self.rings.centre - eye;
        if axis.dot(to_centre.normalize_or(look)).abs() < EDGE_ON || axis.dot(look) == 0.0 {
            return None;
        }
        let met = eye + look * (to_centre.dot(axis) / look.dot(axis)) - self.rings.centre;
        let first = direction(axis, 0.0);
        Some(met.dot(axis.cross(first)).atan2(met.dot(first)))
    }

    /// The turn of a way along the edge of a ring, as if its near side were rolled by the pointer.
    fn along_edge(&self, camera: &Camera, place: [f64; 2]) -> f64 {
        let to_eye = camera.eye - self.rings.centre;
        let along = self.axis().cross(to_eye).normalize_or_zero() * self.rings.radius_m;
        let ends = [self.rings.centre, self.rings.centre + along];
        let [Some((a, _)), Some((b, _))] = ends.map(|end| camera.project(end)) else {
            return 0.0;
        };
        let way = [b[0] - a[0], b[1] - a[1]];
        let moved = [place[0] - self.last[0], place[1] - self.last[1]];
        let square = way[0] * way[0] + way[1] * way[1];
        (moved[0] * way[0] + moved[1] * way[1]) / square.max(f64::MIN_POSITIVE)
    }

    /// The turn as it is applied, radians: in whole steps where it snaps.
    pub fn shown(&self, snaps: bool) -> f64 {
        let step = SNAP_DEG.to_radians();
        match snaps {
            true => (self.turned / step).round() * step,
            false => self.turned,
        }
    }

    /// The settings with the offset of the joint turned as far as this.
    pub fn settings(&self, settings: &Settings, turn: f64) -> Settings {
        let turn = DQuat::from_axis_angle(self.axis(), turn);
        let own = self.axes.inverse() * turn * self.axes * self.offset;
        let turn_deg = short_turn(own.normalize()).to_array().map(tidy_deg);
        let mut changed = settings.clone();
        match turn_deg == [0.0; 3] {
            true => changed.offsets_deg.remove(&self.joint),
            false => changed.offsets_deg.insert(self.joint.clone(), turn_deg),
        };
        changed
    }
}

/// Degrees without digits that nobody sees.
fn tidy_deg(radians: f64) -> f64 {
    (radians.to_degrees() * 1000.0).round() / 1000.0 + 0.0
}

impl Session {
    /// The rings of the view of `view`: around the chosen joint of the character, while its result
    /// stands still.
    pub fn rings(&self, view: Who) -> Option<Rings> {
        let (Who::Character, Some((Who::Character, joint))) = (view, self.joint) else {
            return None;
        };
        if self.solved.is_none() || self.view.before || self.clock.is_playing {
            return None;
        }
        let (_, motion) = self.motion(view)?;
        if joint >= motion.clip.skeleton.len() {
            return None;
        }
        let pose = motion.clip.world(self.frame_of(motion));
        let turn = match self.view.ring_axes {
            RingAxes::Joint => pose.rotation(joint),
            RingAxes::World => DQuat::IDENTITY,
        };
        let axes = [DVec3::X, DVec3::Y, DVec3::Z].map(|axis| turn * axis);
        Rings::around(pose.position(joint), axes, &self.camera(view)?)
    }

    /// The offset of the chosen joint of the character, degrees; `None` where none is chosen.
    pub fn chosen_offset_deg(&self) -> Option<[f64; 3]> {
        let Some((Who::Character, joint)) = self.joint else {
            return None;
        };
        let skeleton = self.document.character.as_ref()?.skeleton();
        let offsets = &self.document.choices.settings.offsets_deg;
        let offset = (joint < skeleton.len()).then(|| offsets.get(skeleton.name(joint)))?;
        Some(offset.copied().unwrap_or_default())
    }

    /// Takes the offset of the chosen joint away.
    pub(super) fn reset_offset(&mut self) {
        let Some((Who::Character, joint)) = self.joint else {
            return;
        };
        let Some(file) = &self.document.character else {
            return;
        };
        let mut changed = self.document.choices.settings.clone();
        if joint < file.skeleton().len() {
            changed.offsets_deg.remove(file.skeleton().name(joint));
            self.tune("offset of a joint", changed, false);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::camera::{Angle, Orbit};
    use crate::state::command::Command;
    use crate::state::session::tests::opened;

    const AXES: [DVec3; 3] = [DVec3::X, DVec3::Y, DVec3::Z];

    /// A session with a joint chosen, from a side, in the middle of the clip.
    fn chosen(name: &str, axes: RingAxes) -> (Session, usize) {
        let mut session = opened();
        session.apply(Command::Seek(90));
        let file = session.document.character.clone().unwrap();
        let joint = file.skeleton().find(name).unwrap();
        session.apply(Command::ChooseJoint(Some((Who::Character, joint))));
        if axes != session.view.ring_axes {
            session.apply(Command::NextRingAxes);
        }
        (session, joint)
    }

    fn place(camera: &Camera, point: DVec3) -> [f64; 2] {
        camera.project(point).unwrap().0
    }

    fn rotation(session: &Session, joint: usize) -> DQuat {
        let (_, motion) = session.motion(Who::Character).unwrap();
        motion.clip.world(session.frame_of(motion)).rotation(joint)
    }

    #[test]
    fn rings_are_found_where_they_are_drawn() {
        let orbit = Orbit::from(Angle::ThreeQuarter);
        let camera = Camera::around(&orbit, DVec3::Y, DVec3::Z, 1.8);
        let rings = Rings::around(DVec3::new(0.2, 1.3, 0.0), AXES, &camera).unwrap();
        for ring in 0..3 {
            let corners = rings.corners(ring, &camera);
            let near = corners.iter().filter(|(_, is_near)| *is_near);
            // Rings cross; away from the crossings each is found alone.
            let found: Vec<_> = near
                .map(|(point, _)| rings.at(&camera, place(&camera, *point), 1e-3))
                .collect();
            let own = found.iter().filter(|found| **found == Some(ring)).count();
            assert!(
                found.len() > 30 && own + 4 > found.len(),
                "{ring}: {found:?}"
            );
        }
        assert_eq!(rings.at(&camera, place(&camera, rings.centre), 0.005), None);
    }

    #[test]
    fn a_drag_along_a_ring_turns_by_the_way_round() {
        let (session, _) = chosen("pedlar:head", RingAxes::World);
        let camera = session.camera(Who::Character).unwrap();
        let rings = session.rings(Who::Character).unwrap();
        for (ring, axis) in AXES.into_iter().enumerate() {
            let at = |angle: f64| {
                let point = rings.centre + rings.radius_m * direction(axis, angle);
                place(&camera, point)
            };
            let mut drag = Drag::begin(&session, rings, ring, &camera, at(0.4)).unwrap();
            // More than half way round, in steps as a pointer makes them.
            for step in 1..=40 {
                drag.follow(&camera, at(0.4 + 0.1 * f64::from(step)));
            }
            if camera.rotation.mul_vec3(DVec3::Z).dot(axis).abs() > 2.0 * EDGE_ON {
                assert!((drag.turned - 4.0).abs() < 1e-6, "{ring}: {}", drag.turned);
            }
        }
    }

    #[test]
    fn a_ring_seen_from_its_edge_turns_along_it() {
        let (mut session, _) = chosen("pedlar:head", RingAxes::World);
        session.apply(Command::SetOrbit(
            Who::Character,
            Orbit {
                yaw: 0.0,
                pitch: 0.0,
                ..Orbit::default()
            },
        ));
        let camera = session.camera(Who::Character).unwrap();
        let rings = session.rings(Who::Character).unwrap();
        // From the front, level: the ring about Y is a line.
        let nearest = rings.centre - rings.radius_m * (rings.centre - camera.eye).normalize();
        let from = place(&camera, nearest);
        let mut drag = Drag::begin(&session, rings, 1, &camera, from).unwrap();
        drag.follow(&camera, [from[0] + 0.01, from[1]]);
        let expected = 0.01 / RADIUS;
        // To the right of the picture, seen from the front, is the body's left: a turn to it.
        assert!(
            (drag.turned - expected).abs() < 1e-3,
            "{} {expected}",
            drag.turned
        );
    }

    #[test]
    fn a_drag_turns_the_joint_in_the_frame_that_is_shown_as_one_step() {
        for (name, axes) in [
            ("pedlar:head", RingAxes::World),
            ("pedlar:tail", RingAxes::Joint),
            ("pedlar:left_shoulder", RingAxes::Joint),
        ] {
            let (mut session, joint) = chosen(name, axes);
            let before = rotation(&session, joint);
            let camera = session.camera(Who::Character).unwrap();
            let rings = session.rings(Who::Character).unwrap();
            let axis = rings.axes[2];
            let mut drag = Drag::begin(&session, rings, 2, &camera, [0.0, 0.0]).unwrap();
            for (step, turned) in [0.1, 0.25, 0.5].into_iter().enumerate() {
                drag.turned = turned;
                let settings = drag.settings(&session.document.choices.settings, turned);
                session.apply(Command::Tune {
                    name: "offset of a joint",
                    settings: Box::new(settings),
                    goes_on: step > 0,
                });
                // The frame that is shown answers at once.
                let turn = DQuat::from_axis_angle(axis, turned);
                let off = rotation(&session, joint).angle_between(turn * before);
                assert!(off < 1e-3, "{name}: {off}");
            }
            session.wait();
            let turn = DQuat::from_axis_angle(axis, 0.5);
            let off = rotation(&session, joint).angle_between(turn * before);
            // Touches of hands may turn an arm a little further.
            assert!(off < 0.02, "{name}: {off}");
            session.apply(Command::ResetOffset);
            assert_eq!(session.chosen_offset_deg(), Some([0.0; 3]));
            session.apply(Command::Undo);
            assert_ne!(session.chosen_offset_deg(), Some([0.0; 3]));
            session.apply(Command::Undo);
            assert_eq!(session.chosen_offset_deg(), Some([0.0; 3]));
            assert_eq!(session.history.can_undo(), None);
        }
    }

    #[test]
    fn turns_snap_to_whole_steps() {
        let (session, _) = chosen("pedlar:head", RingAxes::Joint);
        let camera = session.camera(Who::Character).unwrap();
        let rings = session.rings(Who::Character).unwrap();
        let mut drag = Drag::begin(&session, rings, 0, &camera, [0.0, 0.0]).unwrap();
        drag.turned = 13_f64.to_radians();
        assert!((drag.shown(true).to_degrees() - 15.0).abs() < 1e-9);
        assert_eq!(drag.shown(false), drag.turned);
        let settings = &session.document.choices.settings;
        assert!(drag.settings(settings, 0.0).offsets_deg.is_empty());
    }
}
