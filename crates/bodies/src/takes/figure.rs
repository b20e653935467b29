//! The performer as the motion author needs it: joints, lengths, and skin.

use std::sync::{Arc, OnceLock};

use glam::DVec3;
use understudy_anatomy::Side;
use understudy_motion::Skeleton;

use crate::character::character;
use crate::demo_take::{Limbs, Rig};
use crate::description::Description;
use crate::error::BodyError;
use crate::performer::STATURE_M;
use crate::plan::sign;
use understudy_motion::skin::Skin;

/// The performer with what the author measures on it once.
pub(crate) struct Figure {
    pub(crate) skeleton: Arc<Skeleton>,
    pub(crate) rig: Rig,
    pub(crate) skin: Skin,
    pub(crate) upper_arm_m: f64,
    pub(crate) forearm_m: f64,
    /// Top of the head in coordinates of its joint, metres.
    pub(crate) head_top: DVec3,
    /// Joints of the thumbs, left and right.
    pub(crate) thumbs: [Vec<usize>; 2],
    /// Third knuckle of the left hand in coordinates of its wrist, metres.
    left_knuckle: DVec3,
}

/// The performer; made once, since its flesh takes a while.
///
/// # Errors
/// None in practice: only what [`character`] may refuse, or a joint that is missing.
pub(crate) fn figure() -> Result<&'static Figure, BodyError> {
    static FIGURE: OnceLock<Result<Figure, BodyError>> = OnceLock::new();
    FIGURE
        .get_or_init(Figure::new)
        .as_ref()
        .map_err(BodyError::clone)
}

impl Figure {
    fn new() -> Result<Self, BodyError> {
        let body = character(&Description::human("performer", STATURE_M))?;
        let lacks = || BodyError::Inconsistent("the performer lacks a joint of the takes".into());
        let skeleton = Arc::new(body.skeleton);
        let rest = skeleton.rest_world();
        let rig = Rig::new(&skeleton).ok_or_else(lacks)?;
        let left = &rig.limbs[0];
        let distance = |a: usize, b: usize| rest.position(a).distance(rest.position(b));
        let knuckle = skeleton.find("left_middle_1").ok_or_else(lacks)?;
        let thumb = |word: &str| -> Option<Vec<usize>> {
            (1..=3)
                .map(|joint| skeleton.find(&format!("{word}_thumb_{joint}")))
                .collect()
        };
        Ok(Self {
            upper_arm_m: distance(left.shoulder, left.elbow),
            forearm_m: distance(left.elbow, left.wrist),
            head_top: *skeleton.joint(rig.head).tips.first().ok_or_else(lacks)?,
            thumbs: [
                thumb("left").ok_or_else(lacks)?,
                thumb("right").ok_or_else(lacks)?,
            ],
            left_knuckle: skeleton.joint(knuckle).rest.translation,
            skin: Skin::new(&body.surface, &skeleton),
            skeleton,
            rig,
        })
    }

    /// The third knuckle of a hand in coordinates of its wrist, metres.
    pub(crate) fn knuckle(&self, side: Side) -> DVec3 {
        mirrored(self.left_knuckle, side)
    }

    /// Joints of one side.
    pub(crate) fn limbs(&self, side: Side) -> &Limbs {
        &self.rig.limbs[usize::from(side == Side::Right)]
    }

    /// A joint of one side by the end of its name; the pelvis where there is none.
    pub(crate) fn joint(&self, side: Side, name: &str) -> usize {
        let word = if side == Side::Right { "right" } else { "left" };
        self.skeleton.find(&format!("{word}_{name}")).unwrap_or(0)
    }

    /// All joints of a hand: wrist and fingers.
    pub(crate) fn hand(&self, side: Side) -> Vec<usize> {
        self.skeleton.subtree(self.limbs(side).wrist)
    }

    /// The joints of trunk, neck and head.
    pub(crate) fn trunk(&self) -> Vec<usize> {
        let mut joints = vec![self.rig.pelvis, self.rig.neck, self.rig.head];
        joints.extend(&self.rig.spine);
        joints.extend(self.rig.limbs.iter().map(|limbs| limbs.clavicle));
        joints
    }
}

/// A vector of the left side as it is on a side: X outward instead of to the left.
pub(crate) fn mirrored(vector: DVec3, side: Side) -> DVec3 {
    DVec3::new(sign(side) * vector.x, vector.y, vector.z)
}
