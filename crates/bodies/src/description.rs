//! A character's body in words and numbers, as its author writes it.
//!
//! Everything but the name may be left out: lengths then follow human proportions
//! ([`crate::proportions`]) times `stature_m`.

use serde::{Deserialize, Serialize};
use understudy_motion::{Axis, WorldFrame};

use crate::error::BodyError;
use crate::proportions as human;

/// How the arms are held in the rest pose.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum RestPose {
    /// Level, out to the sides.
    #[default]
    T,
    /// 45 degrees down.
    A,
    /// Straight down.
    ArmsDown,
}

impl RestPose {
    /// Angle of the arms below level, radians.
    pub fn drop_radians(self) -> f64 {
        match self {
            Self::T => 0.0,
            Self::A => std::f64::consts::FRAC_PI_4,
            Self::ArmsDown => std::f64::consts::FRAC_PI_2,
        }
    }
}

/// How joints are called.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Naming {
    /// Joints in words: `left_knee`.
    #[default]
    Plain,
    /// The part that hangs from the joint: `shin L`.
    Parts,
    /// Numbers that say nothing: `bone_17`.
    Numbered,
}

/// Directions of the joints' own axes at rest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum JointAxes {
    /// Those of the file's world.
    #[default]
    World,
    /// One axis along the bone, toward the next joint.
    AlongBone(Axis),
}

/// How a leg stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum LegKind {
    /// On the whole foot.
    #[default]
    Plantigrade,
    /// On the toes, the heel (hock) held up.
    Digitigrade,
}

/// What grows in front of a head.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Snout {
    /// Soft, with a nose at its end.
    #[default]
    Muzzle,
    /// A bill of horn.
    Beak,
}

/// Trunk, neck and head.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Torso {
    /// Level of the hips to where the neck starts, metres.
    pub trunk_m: Option<f64>,
    /// Joints between pelvis and neck.
    pub spine_joints: usize,
    /// Lean of the trunk, degrees forward.
    pub trunk_pitch_degrees: f64,
    /// Start of the neck to the skull, metres.
    pub neck_m: Option<f64>,
    /// Lean backward of the middle of the neck, degrees: it bends to an S.
    pub neck_wave_degrees: f64,
    /// Joints of the neck, the head not counted.
    pub neck_joints: usize,
    /// Lean of the first part of the neck, degrees forward; it rises to upright at the head.
    pub neck_pitch_degrees: f64,
    /// Skull base to the top of the head, metres.
    pub head_m: Option<f64>,
    /// Length of a snout or beak in front of the head, metres.
    pub snout_m: f64,
    /// What grows in front of the head.
    pub snout: Snout,
}

impl Default for Torso {
    fn default() -> Self {
        Self {
            trunk_m: None,
            spine_joints: 3,
            trunk_pitch_degrees: 0.0,
            neck_m: None,
            neck_wave_degrees: 0.0,
            neck_joints: 1,
            neck_pitch_degrees: 0.0,
            head_m: None,
            snout_m: 0.0,
            snout: Snout::Muzzle,
        }
    }
}

/// A pair of arms.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ArmPair {
    /// Between the shoulder joints, metres.
    pub shoulder_width_m: Option<f64>,
    /// How far below the start of the neck the shoulders lie, metres.
    pub drop_m: f64,
    /// Whether a clavicle joint carries the shoulder.
    pub clavicles: bool,
    /// Shoulder to elbow, metres.
    pub upper_arm_m: Option<f64>,
    /// Elbow to wrist, metres.
    pub forearm_m: Option<f64>,
    /// Wrist to the tip of the longest finger, metres.
    pub hand_m: Option<f64>,
    /// Fingers that have joints, the thumb first: 0 to 5.
    pub fingers: usize,
    /// Joints of each finger.
    pub finger_joints: usize,
    /// Joints along upper arm and forearm (each) that only share twist.
    pub twist_joints: usize,
    /// Whether the arm carries feathers: hand and forearm are then broad and flat.
    pub wing: bool,
    /// How far the fingers stand apart, 1 as in a human hand.
    pub finger_spread: f64,
}

impl Default for ArmPair {
    fn default() -> Self {
        Self {
            shoulder_width_m: None,
            drop_m: 0.0,
            clavicles: true,
            upper_arm_m: None,
            forearm_m: None,
            hand_m: None,
            fingers: 5,
            finger_joints: 3,
            twist_joints: 0,
            wing: false,
            finger_spread: 1.0,
        }
    }
}

/// The pair of legs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LegPair {
    /// How the legs stand.
    pub kind: LegKind,
    /// Between the hip joints, metres.
    pub hip_width_m: Option<f64>,
    /// Hip to knee, metres.
    pub thigh_m: Option<f64>,
    /// Knee to ankle or hock, metres.
    pub shank_m: Option<f64>,
    /// Ankle or hock to the ball of the foot, metres; measured level in a plantigrade leg.
    pub foot_m: Option<f64>,
    /// Ball of the foot to the tip of the toes, metres, measured level.
    pub toe_m: Option<f64>,
    /// Heel to the point below the ankle, metres, measured level; plantigrade legs only.
    pub heel_m: Option<f64>,
    /// Height of the ankle above the sole, metres; plantigrade legs only.
    pub ankle_height_m: Option<f64>,
    /// Height of the ball joint above the sole, metres.
    pub ball_height_m: Option<f64>,
    /// 0: the foot is one piece; 1: one joint at the ball; more: also a joint in every toe.
    pub toes: usize,
    /// Toes to be seen where they share a joint.
    pub toe_shapes: usize,
    /// Joints along thigh and shank (each) that only share twist.
    pub twist_joints: usize,
    /// Pitch of the thigh at rest, degrees, knee forward.
    pub thigh_pitch_degrees: Option<f64>,
    /// Pitch of the shank at rest, degrees, its lower end backward.
    pub shank_pitch_degrees: Option<f64>,
    /// Pitch of the part from hock to ball at rest, degrees, its lower end forward; digitigrade
    /// legs only.
    pub foot_pitch_degrees: f64,
}

impl Default for LegPair {
    fn default() -> Self {
        Self {
            kind: LegKind::Plantigrade,
            hip_width_m: None,
            thigh_m: None,
            shank_m: None,
            foot_m: None,
            toe_m: None,
            heel_m: None,
            ankle_height_m: None,
            ball_height_m: None,
            toes: 1,
            toe_shapes: 5,
            twist_joints: 0,
            thigh_pitch_degrees: None,
            shank_pitch_degrees: None,
            foot_pitch_degrees: 20.0,
        }
    }
}

/// A tail, an ear or a wing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Appendage {
    /// Joints from the body outward.
    pub joints: usize,
    /// Length from the first joint to the tip, metres.
    pub length_m: f64,
    /// Angle above level, degrees.
    pub rise_degrees: f64,
    /// Radius at the body, metres; it halves toward the tip.
    pub radius_m: f64,
    /// Radius in the middle over that of a plain one; 1 is plain.
    #[serde(default = "plain")]
    pub bush: f64,
}

fn plain() -> f64 {
    1.0
}

/// Radii of the flesh, metres; human proportions times [`Thickness::bulk`] where left out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Thickness {
    /// Factor on all radii that are left out.
    pub bulk: f64,
    /// Half breadth of the trunk at the hips.
    pub hips_m: Option<f64>,
    /// Half breadth of the trunk at its middle.
    pub belly_m: Option<f64>,
    /// Half breadth of the trunk at the chest.
    pub chest_m: Option<f64>,
    /// Depth of the trunk over its breadth.
    pub trunk_flatness: f64,
    /// Neck.
    pub neck_m: Option<f64>,
    /// Head.
    pub head_m: Option<f64>,
    /// Muscle or boulder over the shoulder joint; a little more than the upper arm if left out.
    pub shoulder_m: Option<f64>,
    /// Shoulder end of the upper arm.
    pub upper_arm_m: Option<f64>,
    /// Elbow end of the forearm.
    pub forearm_m: Option<f64>,
    /// Half breadth of the hand.
    pub hand_m: Option<f64>,
    /// Fingers.
    pub finger_m: Option<f64>,
    /// Hip end of the thigh.
    pub thigh_m: Option<f64>,
    /// Knee end of the shank.
    pub shank_m: Option<f64>,
    /// Half breadth of the foot.
    pub foot_m: Option<f64>,
    /// Eyes.
    pub eye_m: Option<f64>,
}

impl Default for Thickness {
    fn default() -> Self {
        Self {
            bulk: 1.0,
            hips_m: None,
            belly_m: None,
            chest_m: None,
            trunk_flatness: 0.7,
            neck_m: None,
            head_m: None,
            shoulder_m: None,
            upper_arm_m: None,
            forearm_m: None,
            hand_m: None,
            finger_m: None,
            thigh_m: None,
            shank_m: None,
            foot_m: None,
            eye_m: None,
        }
    }
}

/// The face. Shares are of the head's half breadth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Face {
    /// Depth of the skull over its breadth.
    pub skull_depth: f64,
    /// Half breadth of the snout where it leaves the head, a share.
    pub snout_breadth: f64,
    /// Half breadth of the snout at its end, a share.
    pub snout_end: f64,
    /// Height of the snout over the middle of the skull, a share.
    pub snout_level: f64,
    /// How far the end of the snout lies higher than its root, a share.
    pub snout_rise: f64,
    /// Radius of the nose at the end of the snout, or of a nose without a snout, a share.
    pub nose: f64,
    /// How full the cheeks are, 0 to 1.
    pub cheeks: f64,
    /// How far the brows stand out, 0 to 1.
    pub brow: f64,
    /// Half breadth of the mouth, a share; 0 for none.
    pub mouth: f64,
    /// Length of the jaw below the middle of the skull, a share; 0 for none of its own.
    pub jaw: f64,
    /// Direction of the eyes from the middle of the skull, degrees outward.
    pub eye_yaw_degrees: f64,
    /// Direction of the eyes from the middle of the skull, degrees upward.
    pub eye_pitch_degrees: f64,
    /// How far the lids hide the eyes, 0 to 1.
    pub lids: f64,
    /// Breadth of the iris over that of the eyeball.
    pub iris: f64,
    /// Pairs of smaller eyes beside the first.
    pub more_eyes: usize,
    /// Radius of round ears without joints, a share; 0 for none.
    pub ear: f64,
}

impl Default for Face {
    fn default() -> Self {
        Self {
            skull_depth: 1.1,
            snout_breadth: 0.55,
            snout_end: 0.25,
            snout_level: -0.2,
            snout_rise: -0.05,
            nose: 0.14,
            cheeks: 0.3,
            brow: 0.3,
            mouth: 0.3,
            jaw: 0.0,
            eye_yaw_degrees: 28.0,
            eye_pitch_degrees: 8.0,
            lids: 0.35,
            iris: 0.6,
            more_eyes: 0,
            ear: 0.0,
        }
    }
}

/// Quills over back and head.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Quills {
    /// Length, metres.
    pub length_m: f64,
    /// Radius at the skin, metres.
    pub radius_m: f64,
    /// Distance from quill to quill, metres.
    pub spacing_m: f64,
}

/// What a body wears and is made of.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Features {
    /// Facets of each piece, like hewn stone; 0 for soft flesh.
    pub facets: usize,
    /// Quills over back and head.
    pub quills: Option<Quills>,
    /// Length of the plumes behind the head, metres; 0 for none.
    pub crest_m: f64,
    /// Length of the feathers of arms that are wings, metres; 0 for none.
    pub feathers_m: f64,
    /// Length of the claws of the fingers, metres; 0 for none.
    pub finger_claw_m: f64,
    /// Length of the claws of the toes, metres; 0 for none.
    pub toe_claw_m: f64,
    /// Radius of a round hind body behind the hips, metres; 0 for none.
    pub abdomen_m: f64,
}

/// How finely the surface is made.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Detail {
    /// Distance of the samples from which the surface is made, metres; a share of the stature if
    /// left out. No part is made thinner than this.
    pub cell_m: Option<f64>,
    /// Most vertices of the skin.
    pub vertices: usize,
}

impl Default for Detail {
    fn default() -> Self {
        Self {
            cell_m: None,
            vertices: 12_500,
        }
    }
}

/// Linear red, green and blue, 0 to 1.
pub type Rgb = [f32; 3];

/// Colours of the flesh.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Colours {
    /// Trunk, head, upper limbs.
    pub coat: Rgb,
    /// Hands, feet, snout and tips.
    pub ends: Rgb,
    /// Front of the trunk, throat and insides; the coat's if left out.
    pub belly: Option<Rgb>,
    /// Back and top of the head; the coat's if left out.
    pub back: Option<Rgb>,
    /// Insides of ears, marks, rings; that of the ends if left out.
    pub mark: Option<Rgb>,
    /// Snout; that of the ends if left out.
    pub snout: Option<Rgb>,
    /// How strong the rings of the marks' colour around the limbs are, 0 to 1.
    pub rings: f32,
    /// Tip of the tail; that of the ends if left out.
    pub tail_tip: Option<Rgb>,
    /// Claws, beak, tips of quills.
    pub horn: Rgb,
    /// Nose and mouth.
    pub nose: Rgb,
    /// Moss or dust on all that faces up; none if left out.
    pub top: Option<Rgb>,
    /// How much light and dark patches stand out, 0 to 1.
    pub mottle: f32,
    /// Eyeballs.
    pub eye: Rgb,
    /// Irises.
    pub iris: Rgb,
    /// Pupils.
    pub pupil: Rgb,
}

impl Default for Colours {
    fn default() -> Self {
        Self {
            coat: [0.35, 0.42, 0.50],
            ends: [0.72, 0.55, 0.45],
            belly: None,
            back: None,
            mark: None,
            snout: None,
            rings: 0.0,
            tail_tip: None,
            horn: [0.55, 0.48, 0.38],
            nose: [0.05, 0.035, 0.035],
            top: None,
            mottle: 0.15,
            eye: [0.95, 0.95, 0.92],
            iris: [0.16, 0.09, 0.03],
            pupil: [0.02, 0.02, 0.03],
        }
    }
}

impl Colours {
    pub(crate) fn belly(&self) -> Rgb {
        self.belly.unwrap_or(self.coat)
    }

    pub(crate) fn back(&self) -> Rgb {
        self.back.unwrap_or(self.coat)
    }

    pub(crate) fn mark(&self) -> Rgb {
        self.mark.unwrap_or(self.ends)
    }

    pub(crate) fn snout(&self) -> Rgb {
        self.snout.unwrap_or(self.ends)
    }

    pub(crate) fn tail_tip(&self) -> Rgb {
        self.tail_tip.unwrap_or(self.ends)
    }
}

/// A body as its author describes it. Lengths are metres.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Description {
    /// Name of the character.
    pub name: String,
    /// Height that lengths and radii left out are a share of, metres.
    #[serde(default = "default_stature_m")]
    pub stature_m: f64,
    /// How the arms are held at rest.
    #[serde(default)]
    pub rest: RestPose,
    /// The file's axis against gravity.
    #[serde(default = "default_up")]
    pub up: Axis,
    /// The file's axis out of the chest.
    #[serde(default = "default_facing")]
    pub facing: Axis,
    /// How joints are called.
    #[serde(default)]
    pub naming: Naming,
    /// Put before every joint's name.
    #[serde(default)]
    pub name_prefix: String,
    /// Directions of the joints' own axes.
    #[serde(default)]
    pub axes: JointAxes,
    /// Trunk, neck and head.
    #[serde(default)]
    pub torso: Torso,
    /// Pairs of arms, the upper first.
    #[serde(default = "default_arms")]
    pub arms: Vec<ArmPair>,
    /// The legs.
    #[serde(default)]
    pub legs: LegPair,
    /// A tail, from the pelvis backward.
    #[serde(default)]
    pub tail: Option<Appendage>,
    /// A pair of ears with joints.
    #[serde(default)]
    pub ears: Option<Appendage>,
    /// A pair of wings besides the arms, from the chest backward.
    #[serde(default)]
    pub wings: Option<Appendage>,
    /// Radii of the flesh.
    #[serde(default)]
    pub thickness: Thickness,
    /// The face.
    #[serde(default)]
    pub face: Face,
    /// What the body wears and is made of.
    #[serde(default)]
    pub features: Features,
    /// Colours of the flesh.
    #[serde(default)]
    pub colours: Colours,
    /// How finely the surface is made.
    #[serde(default)]
    pub detail: Detail,
}

fn default_stature_m() -> f64 {
    crate::performer::STATURE_M
}

fn default_up() -> Axis {
    Axis::Y
}

fn default_facing() -> Axis {
    Axis::Z
}

fn default_arms() -> Vec<ArmPair> {
    vec![ArmPair::default()]
}

impl Description {
    /// A human body of that name and stature (metres).
    pub fn human(name: impl Into<String>, stature_m: f64) -> Self {
        Self {
            name: name.into(),
            stature_m,
            rest: RestPose::T,
            up: default_up(),
            facing: default_facing(),
            naming: Naming::Plain,
            name_prefix: String::new(),
            axes: JointAxes::World,
            torso: Torso::default(),
            arms: default_arms(),
            legs: LegPair::default(),
            tail: None,
            ears: None,
            wings: None,
            thickness: Thickness::default(),
            face: Face::default(),
            features: Features::default(),
            colours: Colours::default(),
            detail: Detail::default(),
        }
    }

    /// Reads a description in RON. `Some(..)` may be left out around values.
    ///
    /// # Errors
    /// Text that is no description (with line and column), or a value out of its range (with the
    /// field's name).
    pub fn from_ron(text: &str) -> Result<Self, BodyError> {
        let options = ron::Options::default()
            .with_default_extension(ron::extensions::Extensions::IMPLICIT_SOME);
        let description: Self = options.from_str(text).map_err(|error| BodyError::Syntax {
            line: error.span.start.line,
            column: error.span.start.col,
            message: error.code.to_string(),
        })?;
        description.check()?;
        Ok(description)
    }

    /// The directions of the file, up and facing.
    ///
    /// # Errors
    /// Up and facing on one line.
    pub fn frame(&self) -> Result<WorldFrame, BodyError> {
        WorldFrame::new(self.up.vector(), self.facing.vector()).ok_or_else(|| BodyError::Facing {
            facing: self.facing.to_string(),
        })
    }

    /// Tells whether every value lies in its range.
    ///
    /// # Errors
    /// The first value that does not.
    pub fn check(&self) -> Result<(), BodyError> {
        if self.name.trim().is_empty() {
            return Err(BodyError::NoName {
                field: "name".into(),
            });
        }
        self.frame()?;
        in_range("stature_m", self.stature_m, 0.1, 20.0)?;
        let ranges = Ranges {
            stature_m: self.stature_m,
        };
        ranges.torso(&self.torso)?;
        in_range("number of arms (pairs)", self.arms.len() as f64, 0.0, 3.0)?;
        for (pair, arm) in self.arms.iter().enumerate() {
            ranges.arm(&format!("arms[{pair}]"), arm)?;
        }
        ranges.legs(&self.legs)?;
        for (field, appendage) in [
            ("tail", &self.tail),
            ("ears", &self.ears),
            ("wings", &self.wings),
        ] {
            if let Some(appendage) = appendage {
                ranges.appendage(field, appendage)?;
            }
        }
        ranges.thickness(&self.thickness)?;
        check_face(&self.face)?;
        ranges.features(&self.features)?;
        ranges.lengths("detail", &[("cell_m", self.detail.cell_m)])?;
        let vertices = self.detail.vertices as f64;
        in_range("detail.vertices", vertices, 2_000.0, 60_000.0)?;
        self.check_colours()
    }

    fn check_colours(&self) -> Result<(), BodyError> {
        let colours = &self.colours;
        for (field, colour) in [
            ("colours.coat", colours.coat),
            ("colours.ends", colours.ends),
            ("colours.belly", colours.belly()),
            ("colours.back", colours.back()),
            ("colours.mark", colours.mark()),
            ("colours.tail_tip", colours.tail_tip()),
            ("colours.snout", colours.snout()),
            ("colours.rings", [colours.rings; 3]),
            ("colours.horn", colours.horn),
            ("colours.nose", colours.nose),
            ("colours.top", colours.top.unwrap_or_default()),
            ("colours.mottle", [colours.mottle; 3]),
            ("colours.eye", colours.eye),
            ("colours.iris", colours.iris),
            ("colours.pupil", colours.pupil),
        ] {
            for value in colour {
                in_range(field, f64::from(value), 0.0, 1.0)?;
            }
        }
        Ok(())
    }

    /// A length that may be left out, metres.
    pub(crate) fn length_m(&self, given: Option<f64>, share_of_stature: f64) -> f64 {
        given.unwrap_or(share_of_stature * self.stature_m)
    }

    /// A radius that may be left out, metres.
    pub(crate) fn radius_m(&self, given: Option<f64>, share_of_stature: f64) -> f64 {
        given.unwrap_or(share_of_stature * self.stature_m * self.thickness.bulk)
    }

    pub(crate) fn trunk_m(&self) -> f64 {
        self.length_m(self.torso.trunk_m, human::TRUNK)
    }

    pub(crate) fn head_m(&self) -> f64 {
        self.length_m(self.torso.head_m, human::HEAD)
    }

    pub(crate) fn ball_height_m(&self) -> f64 {
        self.length_m(self.legs.ball_height_m, human::BALL_HEIGHT)
    }
}

fn in_range(field: &str, value: f64, low: f64, high: f64) -> Result<(), BodyError> {
    // A comparison that is false for an undefined number.
    if value >= low && value <= high {
        Ok(())
    } else {
        Err(BodyError::OutOfRange {
            field: field.into(),
            value,
            low,
            high,
        })
    }
}

fn check_face(face: &Face) -> Result<(), BodyError> {
    for (field, value, low, high) in [
        ("face.skull_depth", face.skull_depth, 0.6, 2.0),
        ("face.snout_breadth", face.snout_breadth, 0.1, 1.0),
        ("face.snout_end", face.snout_end, 0.05, 0.8),
        ("face.snout_level", face.snout_level, -0.8, 0.6),
        ("face.snout_rise", face.snout_rise, -1.0, 1.0),
        ("face.nose", face.nose, 0.0, 0.5),
        ("face.cheeks", face.cheeks, 0.0, 1.0),
        ("face.brow", face.brow, 0.0, 1.0),
        ("face.mouth", face.mouth, 0.0, 0.8),
        ("face.jaw", face.jaw, 0.0, 2.5),
        ("face.eye_yaw_degrees", face.eye_yaw_degrees, 5.0, 85.0),
        (
            "face.eye_pitch_degrees",
            face.eye_pitch_degrees,
            -40.0,
            60.0,
        ),
        ("face.lids", face.lids, 0.0, 1.0),
        ("face.iris", face.iris, 0.1, 0.9),
        ("face.more_eyes", face.more_eyes as f64, 0.0, 3.0),
        ("face.ear", face.ear, 0.0, 0.8),
    ] {
        in_range(field, value, low, high)?;
    }
    Ok(())
}

/// Ranges that depend on the stature.
struct Ranges {
    stature_m: f64,
}

impl Ranges {
    fn lengths(&self, part: &str, fields: &[(&str, Option<f64>)]) -> Result<(), BodyError> {
        let (low, high) = (0.001 * self.stature_m, 3.0 * self.stature_m);
        for (field, value) in fields {
            if let Some(value) = value {
                in_range(&format!("{part}.{field}"), *value, low, high)?;
            }
        }
        Ok(())
    }

    fn counts(part: &str, fields: &[(&str, usize, usize, usize)]) -> Result<(), BodyError> {
        for &(field, value, low, high) in fields {
            let field = format!("{part}.{field}");
            in_range(&field, value as f64, low as f64, high as f64)?;
        }
        Ok(())
    }

    fn torso(&self, torso: &Torso) -> Result<(), BodyError> {
        self.lengths(
            "torso",
            &[
                ("trunk_m", torso.trunk_m),
                ("neck_m", torso.neck_m),
                ("head_m", torso.head_m),
            ],
        )?;
        Self::counts(
            "torso",
            &[
                ("spine_joints", torso.spine_joints, 0, 12),
                ("neck_joints", torso.neck_joints, 0, 24),
            ],
        )?;
        in_range("torso.snout_m", torso.snout_m, 0.0, self.stature_m)?;
        let pitch = torso.trunk_pitch_degrees;
        in_range("torso.trunk_pitch_degrees", pitch, -60.0, 75.0)?;
        let pitch = torso.neck_pitch_degrees;
        in_range("torso.neck_pitch_degrees", pitch, -60.0, 90.0)?;
        let wave = torso.neck_wave_degrees;
        in_range("torso.neck_wave_degrees", wave, 0.0, 80.0)
    }

    fn arm(&self, part: &str, arm: &ArmPair) -> Result<(), BodyError> {
        self.lengths(
            part,
            &[
                ("shoulder_width_m", arm.shoulder_width_m),
                ("upper_arm_m", arm.upper_arm_m),
                ("forearm_m", arm.forearm_m),
                ("hand_m", arm.hand_m),
            ],
        )?;
        let drop = format!("{part}.drop_m");
        in_range(&drop, arm.drop_m, 0.0, self.stature_m)?;
        Self::counts(
            part,
            &[
                ("fingers", arm.fingers, 0, 5),
                ("finger_joints", arm.finger_joints, 1, 4),
                ("twist_joints", arm.twist_joints, 0, 4),
            ],
        )?;
        let spread = format!("{part}.finger_spread");
        in_range(&spread, arm.finger_spread, 0.5, 3.0)
    }

    fn features(&self, features: &Features) -> Result<(), BodyError> {
        // Fewer facets than six close no piece.
        if features.facets > 0 {
            in_range("features.facets", features.facets as f64, 6.0, 60.0)?;
        }
        for (field, value) in [
            ("features.crest_m", features.crest_m),
            ("features.feathers_m", features.feathers_m),
            ("features.finger_claw_m", features.finger_claw_m),
            ("features.toe_claw_m", features.toe_claw_m),
            ("features.abdomen_m", features.abdomen_m),
        ] {
            in_range(field, value, 0.0, self.stature_m)?;
        }
        let Some(quills) = &features.quills else {
            return Ok(());
        };
        self.lengths(
            "features.quills",
            &[
                ("length_m", Some(quills.length_m)),
                ("radius_m", Some(quills.radius_m)),
            ],
        )?;
        // Closer quills would be too many to draw.
        let (low, high) = (0.015 * self.stature_m, self.stature_m);
        in_range("features.quills.spacing_m", quills.spacing_m, low, high)
    }

    fn legs(&self, legs: &LegPair) -> Result<(), BodyError> {
        self.lengths(
            "legs",
            &[
                ("hip_width_m", legs.hip_width_m),
                ("thigh_m", legs.thigh_m),
                ("shank_m", legs.shank_m),
                ("foot_m", legs.foot_m),
                ("toe_m", legs.toe_m),
                ("heel_m", legs.heel_m),
                ("ankle_height_m", legs.ankle_height_m),
                ("ball_height_m", legs.ball_height_m),
            ],
        )?;
        Self::counts(
            "legs",
            &[
                ("toes", legs.toes, 0, 5),
                ("toe_shapes", legs.toe_shapes, 1, 6),
                ("twist_joints", legs.twist_joints, 0, 4),
            ],
        )?;
        let pitches = [
            ("thigh", legs.thigh_pitch_degrees),
            ("shank", legs.shank_pitch_degrees),
            ("foot", Some(legs.foot_pitch_degrees)),
        ];
        for (part, pitch) in pitches {
            let field = format!("legs.{part}_pitch_degrees");
            in_range(&field, pitch.unwrap_or(0.0), -20.0, 80.0)?;
        }
        Ok(())
    }

    fn appendage(&self, part: &str, appendage: &Appendage) -> Result<(), BodyError> {
        self.lengths(
            part,
            &[
                ("length_m", Some(appendage.length_m)),
                ("radius_m", Some(appendage.radius_m)),
            ],
        )?;
        Self::counts(part, &[("joints", appendage.joints, 1, 24)])?;
        in_range(&format!("{part}.bush"), appendage.bush, 0.3, 4.0)?;
        let field = format!("{part}.rise_degrees");
        in_range(&field, appendage.rise_degrees, -90.0, 90.0)
    }

    fn thickness(&self, thickness: &Thickness) -> Result<(), BodyError> {
        in_range("thickness.bulk", thickness.bulk, 0.1, 5.0)?;
        let flatness = thickness.trunk_flatness;
        in_range("thickness.trunk_flatness", flatness, 0.2, 2.0)?;
        self.lengths(
            "thickness",
            &[
                ("hips_m", thickness.hips_m),
                ("belly_m", thickness.belly_m),
                ("chest_m", thickness.chest_m),
                ("neck_m", thickness.neck_m),
                ("head_m", thickness.head_m),
                ("shoulder_m", thickness.shoulder_m),
                ("upper_arm_m", thickness.upper_arm_m),
                ("forearm_m", thickness.forearm_m),
                ("hand_m", thickness.hand_m),
                ("finger_m", thickness.finger_m),
                ("thigh_m", thickness.thigh_m),
                ("shank_m", thickness.shank_m),
                ("foot_m", thickness.foot_m),
                ("eye_m", thickness.eye_m),
            ],
        )
    }
}
