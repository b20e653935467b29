//! Angles of joints as medicine measures them, how they change as joints turn, and how far people go.
//!
//! Ranges are those of the American Academy of Orthopaedic Surgeons, *Joint Motion: Method of
//! Measuring and Recording* (1965; revised 1994), taken from a transcription. Angles are measured
//! from the anatomical zero (limbs straight down, head straight up) in the axes that pelvis or
//! chest have at rest; a rest pose whose trunk or head does not stand upright shifts them, so all
//! of this is approximate. Rotations about a limb's own length are not measured, nor are ankles
//! of legs that walk on their toes, for which no human range holds.

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_2};

use understudy_anatomy::{Arm, Body, JointPoint, Leg, Side};
use understudy_motion::angle::twist_about;
use understudy_motion::{DQuat, DVec3, WorldPose};

use crate::foot::Foot;
use crate::leg::{LegPose, knee_axis};

/// A limb whose direction lies nearer than this to an axis has no angle about it: sine of 10°.
const LEAST_LEVER: f64 = 0.17;

/// Below this a direction is none: sine of an angle.
const LEAST_ACROSS: f64 = 1e-9;

/// A way in which a joint goes, with a published range.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Movement {
    /// Thigh forward, against the pelvis.
    HipFlexion,
    /// Thigh out of the plane of symmetry.
    HipAbduction,
    /// Shank against thigh; below 0 it is bent the wrong way.
    KneeFlexion,
    /// Toes towards the shank.
    AnkleDorsiflexion,
    /// Upper arm forward, against the chest, while it hangs.
    ShoulderFlexion,
    /// Forearm against upper arm.
    ElbowFlexion,
    /// Hand against forearm, any way.
    WristBend,
    /// Head forward, against the chest.
    NeckFlexion,
    /// Head to the left.
    NeckLateralBend,
    /// Face to the left.
    NeckRotation,
}

impl Movement {
    /// All of them.
    pub const ALL: [Self; 10] = [
        Self::HipFlexion,
        Self::HipAbduction,
        Self::KneeFlexion,
        Self::AnkleDorsiflexion,
        Self::ShoulderFlexion,
        Self::ElbowFlexion,
        Self::WristBend,
        Self::NeckFlexion,
        Self::NeckLateralBend,
        Self::NeckRotation,
    ];

    /// What settings call it: joint and movement.
    pub fn key(self) -> &'static str {
        match self {
            Self::HipFlexion => "hip flexion",
            Self::HipAbduction => "hip abduction",
            Self::KneeFlexion => "knee flexion",
            Self::AnkleDorsiflexion => "ankle dorsiflexion",
            Self::ShoulderFlexion => "shoulder flexion",
            Self::ElbowFlexion => "elbow flexion",
            Self::WristBend => "wrist bend",
            Self::NeckFlexion => "neck flexion",
            Self::NeckLateralBend => "neck lateral bend",
            Self::NeckRotation => "neck rotation",
        }
    }

    /// The joint, for a person.
    pub fn joint_word(self) -> &'static str {
        let (joint, _) = self.key().split_once(' ').unwrap_or_default();
        joint
    }

    /// The movement, for a person; negative angles are the opposite movement.
    pub fn words(self) -> &'static str {
        match self {
            Self::ShoulderFlexion => "flexion of the hanging arm",
            Self::WristBend => "bend any way",
            _ => self.key().split_once(' ').unwrap_or_default().1,
        }
    }

    /// Least and greatest angle that people reach, degrees. Shoulder and wrist stand for the widest of
    /// several movements of the source.
    pub fn published_deg(self) -> [f64; 2] {
        match self {
            Self::HipFlexion => [-30.0, 120.0],
            Self::HipAbduction => [-30.0, 45.0],
            Self::KneeFlexion => [0.0, 135.0],
            Self::AnkleDorsiflexion => [-50.0, 20.0],
            Self::ShoulderFlexion => [-60.0, 180.0],
            Self::ElbowFlexion => [0.0, 150.0],
            Self::WristBend => [0.0, 80.0],
            Self::NeckFlexion | Self::NeckLateralBend => [-45.0, 45.0],
            Self::NeckRotation => [-60.0, 60.0],
        }
    }

    /// Whether there is one for each side.
    pub fn is_sided(self) -> bool {
        !matches!(
            self,
            Self::NeckFlexion | Self::NeckLateralBend | Self::NeckRotation
        )
    }
}

/// An angle of one joint of a body.
#[derive(Clone, Debug, PartialEq)]
pub struct JointAngle {
    /// Which.
    pub movement: Movement,
    /// Side and pair of the limb; the middle for the neck.
    pub limb: (Side, usize),
    /// Joint against which it is measured.
    pub against: usize,
    /// Joint that carries what is measured.
    pub carrier: usize,
    measure: Measure,
}

/// How an angle is read. Axes are those of `against`, unit.
#[derive(Clone, Debug, PartialEq)]
enum Measure {
    /// From straight down to forward, of a bone.
    Flexion {
        bone: [JointPoint; 2],
        axes: Axes,
        only_hanging: bool,
    },
    /// Out of the plane of symmetry, of a bone.
    Abduction { bone: [JointPoint; 2], axes: Axes },
    /// Between two bones.
    Bend { bones: [[JointPoint; 2]; 2] },
    /// Between two bones, about an axis.
    Hinge {
        bones: [[JointPoint; 2]; 2],
        axis: DVec3,
    },
    /// Beyond a right angle, between a bone and a direction of the carrier's.
    Sole { bone: [JointPoint; 2], sole: DVec3 },
    /// From straight up towards an axis, of a direction of the carrier's.
    Lean { up: DVec3, zero: DVec3, to: DVec3 },
    /// About an axis, against rest (`rest` is `against_from_carrier` there).
    Turn { up: DVec3, rest: DQuat },
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Axes {
    forward: DVec3,
    up: DVec3,
    /// Away from the plane of symmetry.
    outward: DVec3,
}

impl JointAngle {
    /// All angles of a body that have a published range, Y up. `feet` in the order of its legs; `worlds`,
    /// poses of the body, tell about which axes its knees bend.
    pub fn all(body: &Body, rest: &WorldPose, feet: &[Foot], worlds: &[WorldPose]) -> Vec<Self> {
        let body = Reader { body, rest };
        let mut all = Vec::new();
        for (index, leg) in body.body.legs.iter().enumerate() {
            all.extend(body.leg(leg, feet.get(index), worlds));
        }
        for arm in &body.body.arms {
            all.extend(body.arm(arm));
        }
        all.extend(body.neck());
        all
    }

    /// The joint, for a person: "left knee".
    pub fn joint_words(&self) -> String {
        let joint = self.movement.joint_word();
        match self.limb {
            _ if !self.movement.is_sided() => joint.to_owned(),
            (side, 0) => format!("{} {joint}", side.word()),
            (side, pair) => format!("{} (pair {}) {joint}", side.word(), pair + 1),
        }
    }

    /// The angle in a pose, radians; `None` where it is not defined.
    pub fn angle(&self, world: &WorldPose) -> Option<f64> {
        self.angle_and_axis(world).map(|both| both.0)
    }

    /// The angle in a pose, and the vector (world) whose component along an axis is how much the angle
    /// grows as all that hangs on `carrier` turns about that axis while `against` stays, radians per
    /// radian; `None` where the angle is not defined.
    pub fn angle_and_axis(&self, world: &WorldPose) -> Option<(f64, DVec3)> {
        let base = world.rotation(self.against);
        let along = |bone: &[JointPoint; 2]| bone[1].world(world) - bone[0].world(world);
        match &self.measure {
            Measure::Flexion {
                bone,
                axes,
                only_hanging,
            } => {
                let bone = along(bone).normalize_or_zero();
                let [forward, down] = [base * axes.forward, -(base * axes.up)];
                let hangs =
                    bone.dot(down) > 0.0 && bone.dot(base * axes.outward).abs() < FRAC_1_SQRT_2;
                let swing = swing(bone, down, forward, LEAST_LEVER)?;
                (hangs || !only_hanging).then_some(swing)
            }
            Measure::Abduction { bone, axes } => {
                let bone = along(bone).normalize_or_zero();
                let outward = base * axes.outward;
                let sine = bone.dot(outward).clamp(-1.0, 1.0);
                let across = bone.cross(outward);
                Some((sine.asin(), across / across.length().max(LEAST_ACROSS)))
            }
            Measure::Bend { bones } => between(along(&bones[0]), along(&bones[1])),
            Measure::Hinge { bones, axis } => {
                let [thigh, shank] = [along(&bones[0]), along(&bones[1])];
                let axis = base * *axis;
                let pose = LegPose { thigh, shank, axis };
                let across = shank - axis * shank.dot(axis);
                let lever = across.length_squared();
                let turns = shank.cross(axis.cross(across));
                (lever > 0.0).then(|| (pose.bend(), turns / lever))
            }
            Measure::Sole { bone, sole } => {
                let (angle, axis) = between(along(bone), world.rotation(self.carrier) * *sole)?;
                Some((angle - FRAC_PI_2, axis))
            }
            Measure::Lean { up, zero, to } => {
                let up = world.rotation(self.carrier) * *up;
                swing(up, base * *zero, base * *to, 0.0)
            }
            Measure::Turn { up, rest } => {
                let turn = base.inverse() * world.rotation(self.carrier) * rest.inverse();
                let (vector, sine) = (turn.xyz(), turn.xyz().dot(*up));
                let axis = turn.w * (turn.w * *up + vector.cross(*up)) + sine * vector;
                let size = sine * sine + turn.w * turn.w;
                (size > 0.0).then(|| (twist_about(turn, *up), base * axis / size))
            }
        }
    }
}

/// Angle of a unit vector from `zero` towards `to`, two unit axes, and about what it grows; `None` where
/// less than `least` of it lies in their plane.
fn swing(vector: DVec3, zero: DVec3, to: DVec3, least: f64) -> Option<(f64, DVec3)> {
    let (ahead, along) = (vector.dot(to), vector.dot(zero));
    let lever = ahead.hypot(along);
    let axis = along * vector.cross(to) - ahead * vector.cross(zero);
    (lever > least).then(|| (ahead.atan2(along), axis / (lever * lever)))
}

/// Angle between two vectors and about what it grows as the second turns; `None` where one has no length.
fn between(a: DVec3, b: DVec3) -> Option<(f64, DVec3)> {
    let angle = a.angle_between(b);
    angle
        .is_finite()
        .then(|| (angle, a.cross(b).normalize_or_zero()))
}

struct Reader<'a> {
    body: &'a Body,
    rest: &'a WorldPose,
}

impl Reader<'_> {
    /// The body's own axes in those of a joint, for a limb of a side.
    fn axes(&self, joint: usize, side: Side) -> Axes {
        let frame = &self.body.frame;
        let to_joint = self.rest.rotation(joint).inverse();
        let out = match side {
            Side::Right => -1.0,
            Side::Left | Side::Middle => 1.0,
        };
        Axes {
            forward: to_joint * frame.forward,
            up: to_joint * frame.up,
            outward: to_joint * (out * frame.left()),
        }
    }

    fn chest(&self) -> usize {
        self.body.spine.last().copied().unwrap_or(self.body.pelvis)
    }

    fn leg(&self, leg: &Leg, foot: Option<&Foot>, worlds: &[WorldPose]) -> Vec<JointAngle> {
        let joints = [leg.hip, leg.knee, leg.ankle].map(JointPoint::origin);
        let [thigh, shank] = [[joints[0], joints[1]], [joints[1], joints[2]]];
        let make = |movement, against, carrier, measure| JointAngle {
            movement,
            limb: (leg.side, leg.pair),
            against,
            carrier,
            measure,
        };
        let pelvis = self.body.pelvis;
        let axes = self.axes(pelvis, leg.side);
        let flexion = Measure::Flexion {
            bone: thigh,
            axes,
            only_hanging: false,
        };
        let abduction = Measure::Abduction { bone: thigh, axes };
        let bones = worlds.iter().map(|world| {
            let to_thigh = world.rotation(leg.hip).inverse();
            let [hip, knee, ankle] = joints.map(|joint| joint.world(world));
            (to_thigh * (knee - hip), to_thigh * (ankle - knee))
        });
        // A knee turns its shank backward, about the body's left.
        let prior = self.rest.rotation(leg.hip).inverse() * self.body.frame.left();
        let hinge = Measure::Hinge {
            bones: [thigh, shank],
            axis: knee_axis(bones, prior),
        };
        let mut angles = vec![
            make(Movement::HipFlexion, pelvis, leg.hip, flexion),
            make(Movement::HipAbduction, pelvis, leg.hip, abduction),
            make(Movement::KneeFlexion, leg.hip, leg.knee, hinge),
        ];
        if let (Some(foot), false) = (foot, leg.digitigrade) {
            let sole = Measure::Sole {
                bone: shank,
                sole: foot.flat_ankle.inverse() * foot.heading,
            };
            angles.push(make(Movement::AnkleDorsiflexion, leg.knee, leg.ankle, sole));
        }
        angles
    }

    fn arm(&self, arm: &Arm) -> Vec<JointAngle> {
        let [shoulder, elbow] = [arm.shoulder, arm.elbow].map(JointPoint::origin);
        let end = arm.wrist.map_or(arm.hand_tip, JointPoint::origin);
        let (upper, fore) = ([shoulder, elbow], [elbow, end]);
        let make = |movement, against, carrier, measure| JointAngle {
            movement,
            limb: (arm.side, arm.pair),
            against,
            carrier,
            measure,
        };
        // An arm raised or held aside reaches behind the chest by other movements.
        let flexion = Measure::Flexion {
            bone: upper,
            axes: self.axes(self.chest(), arm.side),
            only_hanging: true,
        };
        let bend = |a, b| Measure::Bend { bones: [a, b] };
        let mut angles = vec![
            make(
                Movement::ShoulderFlexion,
                self.chest(),
                arm.shoulder,
                flexion,
            ),
            make(
                Movement::ElbowFlexion,
                arm.shoulder,
                arm.elbow,
                bend(upper, fore),
            ),
        ];
        if let Some(wrist) = arm.wrist {
            let hand = [JointPoint::origin(wrist), arm.hand_tip];
            angles.push(make(
                Movement::WristBend,
                arm.elbow,
                wrist,
                bend(fore, hand),
            ));
        }
        angles
    }

    fn neck(&self) -> Vec<JointAngle> {
        let Some(head) = self.body.head else {
            return Vec::new();
        };
        let chest = self.chest();
        let axes = self.axes(chest, Side::Middle);
        let up = self.axes(head, Side::Middle).up;
        let make = |movement, measure| JointAngle {
            movement,
            limb: (Side::Middle, 0),
            against: chest,
            carrier: head,
            measure,
        };
        let lean = |to| Measure::Lean {
            up,
            zero: axes.up,
            to,
        };
        let turn = Measure::Turn {
            up: axes.up,
            rest: self.rest.rotation(chest).inverse() * self.rest.rotation(head),
        };
        vec![
            make(Movement::NeckFlexion, lean(axes.forward)),
            make(Movement::NeckLateralBend, lean(axes.outward)),
            make(Movement::NeckRotation, turn),
        ]
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use understudy_bodies::{Description, skeleton_and_body};
    use understudy_motion::{Skeleton, Transform};

    use super::*;
    use crate::foot::character_feet;

    fn human() -> (Skeleton, Body) {
        let made = skeleton_and_body(&Description::human("someone", 1.75));
        made.expect("the description is within all ranges")
    }

    fn angles(skeleton: &Skeleton, body: &Body) -> Vec<JointAngle> {
        let rest = skeleton.rest_world();
        let feet = character_feet(skeleton, body, None);
        JointAngle::all(body, &rest, &feet, std::slice::from_ref(&rest))
    }

    /// Two legs with four movements, two arms with three, a neck with three.
    #[test]
    fn a_person_has_all_of_them() {
        let (skeleton, body) = human();
        let all = angles(&skeleton, &body);
        assert_eq!(all.len(), 17);
        let words: Vec<String> = all.iter().map(JointAngle::joint_words).collect();
        for expected in ["left hip", "right ankle", "left wrist", "neck"] {
            assert!(words.iter().any(|word| word == expected), "{expected}");
        }
    }

    /// Every angle grows as `angle_and_axis` says when its joint turns, against central differences, and
    /// does not see the joint it hangs on turn.
    fn check(locals: &[Transform], skeleton: &Skeleton, body: &Body) -> Result<(), TestCaseError> {
        const STEP: f64 = 1e-6;
        let world = WorldPose::from_locals(skeleton, locals);
        for angle in angles(skeleton, body) {
            let Some((_, axis)) = angle.angle_and_axis(&world) else {
                continue;
            };
            for way in DVec3::AXES {
                let turned = |joint: usize, by: f64| {
                    let mut locals = locals.to_vec();
                    let own = world.rotation(joint).inverse() * (way * by);
                    locals[joint].rotation *= DQuat::from_scaled_axis(own);
                    angle.angle(&WorldPose::from_locals(skeleton, &locals))
                };
                let both = |joint| Some((turned(joint, STEP)?, turned(joint, -STEP)?));
                // Near the edge of where it is defined there is no slope.
                let (Some((up, down)), Some((same, other))) =
                    (both(angle.carrier), both(body.root))
                else {
                    continue;
                };
                let slope = (up - down) / (2.0 * STEP);
                // A whole turn lies between, or the two bones are in line.
                if (up - down).abs() > 1.0 || axis.length() > 20.0 {
                    continue;
                }
                let expected = axis.dot(way);
                prop_assert!(
                    (slope - expected).abs() < 1e-4 * (1.0 + axis.length_squared()),
                    "{} {}: {slope} {expected}",
                    angle.joint_words(),
                    angle.movement.words()
                );
                prop_assert!((same - other).abs() < 1e-9);
            }
        }
        Ok(())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn angles_grow_as_joints_turn(
            turns in proptest::collection::vec((-0.8..0.8f64, -0.8..0.8f64, -0.8..0.8f64), 120)
        ) {
            let (skeleton, body) = human();
            let mut locals = skeleton.rest_locals();
            for (local, (x, y, z)) in locals.iter_mut().zip(turns) {
                local.rotation *= DQuat::from_scaled_axis(DVec3::new(x, y, z));
            }
            check(&locals, &skeleton, &body)?;
        }
    }
}
