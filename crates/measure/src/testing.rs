//! A simple body for tests: two legs with feet, two arms in a T, a head; Y up, looking along Z.

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use understudy_anatomy::{Arm, Body, JointPoint, Leg, Side};
use understudy_motion::{
    Clip, DVec3, Joint, Skeleton, SkinnedMesh, Surface, Transform, WorldFrame,
};
use understudy_solver::foot::character_feet;
use understudy_solver::{Floor, Foot};

use crate::subject::{PlantedParts, Subject};

pub const PELVIS: usize = 0;
pub const HEAD: usize = 3;
pub const L_HIP: usize = 4;
pub const L_KNEE: usize = 5;
pub const L_ANKLE: usize = 6;
pub const R_HIP: usize = 8;
pub const R_KNEE: usize = 9;
pub const R_ANKLE: usize = 10;
pub const L_SHOULDER: usize = 12;
pub const L_ELBOW: usize = 13;
pub const R_SHOULDER: usize = 15;

/// Time from frame to frame of the dummy's clips, seconds.
pub const DT: f64 = 1.0 / 60.0;

/// Rings and sectors of a ball.
const RINGS: u32 = 96;

/// A body with its feet on a floor at height 0.
pub struct Dummy {
    pub skeleton: Arc<Skeleton>,
    pub body: Body,
    pub feet: Vec<Foot>,
    pub floor: Floor,
}

impl Dummy {
    /// A body of 1.65 m times `k`.
    pub fn new(k: f64) -> Self {
        let at = |x: f64, y: f64, z: f64| k * DVec3::new(x, y, z);
        let mut joints = vec![
            Joint::new("pelvis", None, at(0.0, 0.95, 0.0)),
            Joint::new("chest", Some(0), at(0.0, 0.35, 0.0)),
            Joint::new("neck", Some(1), at(0.0, 0.15, 0.0)),
            Joint::new("head", Some(2), at(0.0, 0.1, 0.0)).with_tip(at(0.0, 0.2, 0.0)),
        ];
        for x in [1.0, -1.0] {
            let hip = joints.len();
            joints.push(Joint::new("hip", Some(0), at(0.1 * x, -0.03, 0.0)));
            joints.push(Joint::new("knee", Some(hip), at(0.0, -0.42, 0.0)));
            joints.push(Joint::new("ankle", Some(hip + 1), at(0.0, -0.42, 0.0)));
            joints.push(
                Joint::new("ball", Some(hip + 2), at(0.0, -0.06, 0.13))
                    .with_tip(at(0.0, -0.02, 0.07)),
            );
        }
        for x in [1.0, -1.0] {
            let shoulder = joints.len();
            joints.push(Joint::new("shoulder", Some(1), at(0.18 * x, 0.1, 0.0)));
            joints.push(Joint::new("elbow", Some(shoulder), at(0.3 * x, 0.0, 0.0)));
            joints.push(
                Joint::new("wrist", Some(shoulder + 1), at(0.25 * x, 0.0, 0.0)).with_tip(at(
                    0.18 * x,
                    0.0,
                    0.0,
                )),
            );
        }
        let skeleton = Skeleton::new(joints).unwrap();
        let body = body_of(&skeleton);
        let feet = character_feet(&skeleton, &body, None);
        Self {
            skeleton: Arc::new(skeleton),
            body,
            feet,
            floor: Floor::default(),
        }
    }

    /// A clip whose frames are the rest pose, changed.
    pub fn clip(&self, frames: usize, change: impl Fn(usize, &mut [Transform])) -> Clip {
        let locals = (0..frames)
            .flat_map(|frame| {
                let mut locals = self.skeleton.rest_locals();
                change(frame, &mut locals);
                locals
            })
            .collect();
        Clip::new(Arc::clone(&self.skeleton), DT, locals).unwrap()
    }

    /// Planted parts of both legs: `pick(leg, frame)`.
    pub fn planted(
        &self,
        frames: usize,
        pick: impl Fn(usize, usize) -> [bool; 3],
    ) -> Vec<PlantedParts> {
        (0..self.feet.len())
            .map(|leg| (0..frames).map(|frame| pick(leg, frame)).collect())
            .collect()
    }

    pub fn subject<'a>(&'a self, clip: &'a Clip, planted: &'a [PlantedParts]) -> Subject<'a> {
        Subject::new(clip, &self.body, &self.feet, self.floor, planted)
    }
}

/// A ball that a joint moves, rings of points from pole to pole.
pub fn ball(dummy: &Dummy, joint: usize, centre: DVec3, radius_m: f64) -> SkinnedMesh {
    let count = RINGS as usize * (RINGS as usize + 1);
    let points = (0..=RINGS).flat_map(|ring| (0..RINGS).map(move |sector| (ring, sector)));
    let points = points.map(|(ring, sector)| {
        let (sin, cos) = (PI * f64::from(ring) / f64::from(RINGS)).sin_cos();
        let (x, z) = (TAU * f64::from(sector) / f64::from(RINGS)).sin_cos();
        centre + radius_m * DVec3::new(sin * x, cos, sin * z)
    });
    let at = |ring: u32, sector: u32| ring * RINGS + sector % RINGS;
    let squares = (0..RINGS).flat_map(|ring| (0..RINGS).map(move |sector| (ring, sector)));
    let triangles = squares.flat_map(|(r, s)| {
        let (a, b) = (at(r, s), at(r + 1, s));
        let (c, d) = (at(r + 1, s + 1), at(r, s + 1));
        [[a, b, c], [a, c, d]]
    });
    SkinnedMesh {
        bind_positions: points.collect(),
        influences: vec![vec![(0, 1.0)]; count],
        joints: vec![joint],
        inverse_binds: vec![dummy.skeleton.rest_world().affines[joint].inverse()],
        triangles: triangles.collect(),
        ..SkinnedMesh::default()
    }
}

/// A ball of 10 cm at the chest and one of 5 cm at the left wrist.
pub fn two_balls(dummy: &Dummy) -> Surface {
    let rest = dummy.skeleton.rest_world();
    let wrist = L_ELBOW + 1;
    Surface {
        meshes: vec![
            ball(dummy, 1, rest.position(1), 0.1),
            ball(dummy, wrist, rest.position(wrist), 0.05),
        ],
        ..Surface::default()
    }
}

/// A clip that brings the left wrist so far from the chest, straight to its left.
pub fn wrist_from_chest(dummy: &Dummy, ways_m: &[f64]) -> Clip {
    let rest = dummy.skeleton.rest_world();
    dummy.clip(ways_m.len(), |frame, locals| {
        let place = rest.position(1) + DVec3::X * ways_m[frame];
        locals[L_ELBOW + 1].translation = place - rest.position(L_ELBOW);
    })
}

/// The rest pose, held.
pub fn still(dummy: &Dummy, frames: usize) -> Clip {
    dummy.clip(frames, |_, _| {})
}

fn body_of(skeleton: &Skeleton) -> Body {
    let tip = |joint: usize| JointPoint {
        joint,
        local: skeleton.joint(joint).tips[0],
    };
    let leg = |side, hip: usize| Leg {
        side,
        pair: 0,
        hip,
        knee: hip + 1,
        ankle: hip + 2,
        ball: Some(hip + 3),
        toe_tip: tip(hip + 3),
        digitigrade: false,
    };
    let arm = |side, shoulder: usize| Arm {
        side,
        pair: 0,
        clavicle: vec![],
        shoulder,
        elbow: shoulder + 1,
        wrist: Some(shoulder + 2),
        hand_tip: tip(shoulder + 2),
        fingers: vec![],
    };
    Body {
        frame: WorldFrame::Y_UP,
        root: PELVIS,
        pelvis: PELVIS,
        spine: vec![1],
        neck: vec![2],
        head: Some(HEAD),
        head_top: Some(tip(HEAD)),
        legs: vec![leg(Side::Left, L_HIP), leg(Side::Right, R_HIP)],
        arms: vec![arm(Side::Left, L_SHOULDER), arm(Side::Right, R_SHOULDER)],
        appendages: vec![],
        twists: vec![],
        unmapped: vec![],
    }
}
