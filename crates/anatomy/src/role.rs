//! Roles of joints, named after ISO/IEC 19774-1.
//!
//! The names are the joint names of ISO/IEC 19774-1:2019, *Humanoid animation (HAnim) — Part 1:
//! Architecture*, as X3D 4.0 (ISO/IEC 19775-1:2023) enumerates them for the `name` field of
//! `HAnimJoint`. The standard knows one human body; what it has no name for carries a name of our
//! own, and [`Part::is_standard`] tells the two apart:
//!
//! - `tail_1`, `l_ear_1`, `l_wing_1`: joints of a tail, an ear, a wing, from the body outward;
//! - `l_thigh_twist_1`, `l_shank_twist_1`, `l_upperarm_twist_1`, `l_forearm_twist_1`: joints that
//!   only share the twist of a limb segment;
//! - `skull_tip`, `l_finger_tip_2`, `l_toe_tip_2`: joints that only mark the end of a bone;
//! - the suffix `@2` (`l_hip@2`) for the second pair of limbs, `@3` for the third;
//! - the suffix `.1` (`vt6.1`) for a further joint that shares a place of the standard.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use thiserror::Error;

use crate::body::Side;

/// A part of the body, without side.
///
/// Numbers of digits are rays: 1 thumb or great toe, … 5 little finger or toe. Numbers of
/// vertebrae count from above, as in anatomy; other numbers count from the body outward, from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Part {
    /// `humanoid_root`.
    HumanoidRoot,
    /// `sacroiliac`.
    Sacroiliac,
    /// `vl5` (lowest) to `vl1`.
    Lumbar(u8),
    /// `vt12` (lowest) to `vt1`.
    Thoracic(u8),
    /// `vc7` (lowest) to `vc1`.
    Cervical(u8),
    /// `skullbase`.
    Skullbase,
    /// `temporomandibular`: the jaw.
    Temporomandibular,
    /// `eyeball_joint`.
    Eyeball,
    /// `eyelid_joint`.
    Eyelid,
    /// `eyebrow_joint`.
    Eyebrow,
    /// `sternoclavicular`.
    Sternoclavicular,
    /// `acromioclavicular`.
    Acromioclavicular,
    /// `shoulder`.
    Shoulder,
    /// `elbow`.
    Elbow,
    /// `radiocarpal`: the wrist.
    Radiocarpal,
    /// `midcarpal_1` to `midcarpal_3`.
    Midcarpal(u8),
    /// `midcarpal_4_5`.
    Midcarpal45,
    /// `carpometacarpal_1` to `_5`.
    Carpometacarpal(u8),
    /// `metacarpophalangeal_1` to `_5`: the knuckles.
    Metacarpophalangeal(u8),
    /// `carpal_interphalangeal_1`: the thumb's last joint.
    CarpalInterphalangeal,
    /// `carpal_proximal_interphalangeal_2` to `_5`.
    CarpalProximalInterphalangeal(u8),
    /// `carpal_distal_interphalangeal_2` to `_5`.
    CarpalDistalInterphalangeal(u8),
    /// `hip`.
    Hip,
    /// `knee`.
    Knee,
    /// `talocrural`: the ankle.
    Talocrural,
    /// `talocalcaneonavicular`.
    Talocalcaneonavicular,
    /// `cuneonavicular_1` to `_3`.
    Cuneonavicular(u8),
    /// `calcaneocuboid`.
    Calcaneocuboid,
    /// `transversetarsal`.
    Transversetarsal,
    /// `tarsometatarsal_1` to `_5`.
    Tarsometatarsal(u8),
    /// `metatarsophalangeal_1` to `_5`; ray 2 stands for the ball of a foot with one toe part.
    Metatarsophalangeal(u8),
    /// `tarsal_interphalangeal_1`: the great toe's last joint.
    TarsalInterphalangeal,
    /// `tarsal_proximal_interphalangeal_2` to `_5`.
    TarsalProximalInterphalangeal(u8),
    /// `tarsal_distal_interphalangeal_2` to `_5`.
    TarsalDistalInterphalangeal(u8),
    /// Ours: `tail_1`, ….
    Tail(u8),
    /// Ours: `ear_1`, ….
    Ear(u8),
    /// Ours: `wing_1`, ….
    Wing(u8),
    /// Ours: `thigh_twist_1`, ….
    ThighTwist(u8),
    /// Ours: `shank_twist_1`, ….
    ShankTwist(u8),
    /// Ours: `upperarm_twist_1`, ….
    UpperArmTwist(u8),
    /// Ours: `forearm_twist_1`, ….
    ForearmTwist(u8),
    /// Ours: `skull_tip`.
    SkullTip,
    /// Ours: `finger_tip_1` to `_5`.
    FingerTip(u8),
    /// Ours: `toe_tip_1` to `_5`.
    ToeTip(u8),
}

/// How a part's number is written after its stem.
type Numbered = (&'static str, fn(u8) -> Part, std::ops::RangeInclusive<u8>);

/// Parts without a number.
const PLAIN: [(&str, Part); 22] = [
    ("humanoid_root", Part::HumanoidRoot),
    ("sacroiliac", Part::Sacroiliac),
    ("skullbase", Part::Skullbase),
    ("temporomandibular", Part::Temporomandibular),
    ("eyeball_joint", Part::Eyeball),
    ("eyelid_joint", Part::Eyelid),
    ("eyebrow_joint", Part::Eyebrow),
    ("sternoclavicular", Part::Sternoclavicular),
    ("acromioclavicular", Part::Acromioclavicular),
    ("shoulder", Part::Shoulder),
    ("elbow", Part::Elbow),
    ("radiocarpal", Part::Radiocarpal),
    ("midcarpal_4_5", Part::Midcarpal45),
    ("carpal_interphalangeal_1", Part::CarpalInterphalangeal),
    ("hip", Part::Hip),
    ("knee", Part::Knee),
    ("talocrural", Part::Talocrural),
    ("talocalcaneonavicular", Part::Talocalcaneonavicular),
    ("calcaneocuboid", Part::Calcaneocuboid),
    ("transversetarsal", Part::Transversetarsal),
    ("tarsal_interphalangeal_1", Part::TarsalInterphalangeal),
    ("skull_tip", Part::SkullTip),
];

/// Parts with a number, its range, and the stem before it.
const NUMBERED: [Numbered; 22] = [
    ("vl", Part::Lumbar, 1..=5),
    ("vt", Part::Thoracic, 1..=12),
    ("vc", Part::Cervical, 1..=7),
    ("midcarpal_", Part::Midcarpal, 1..=3),
    ("carpometacarpal_", Part::Carpometacarpal, 1..=5),
    ("metacarpophalangeal_", Part::Metacarpophalangeal, 1..=5),
    (
        "carpal_proximal_interphalangeal_",
        Part::CarpalProximalInterphalangeal,
        2..=5,
    ),
    (
        "carpal_distal_interphalangeal_",
        Part::CarpalDistalInterphalangeal,
        2..=5,
    ),
    ("cuneonavicular_", Part::Cuneonavicular, 1..=3),
    ("tarsometatarsal_", Part::Tarsometatarsal, 1..=5),
    ("metatarsophalangeal_", Part::Metatarsophalangeal, 1..=5),
    (
        "tarsal_proximal_interphalangeal_",
        Part::TarsalProximalInterphalangeal,
        2..=5,
    ),
    (
        "tarsal_distal_interphalangeal_",
        Part::TarsalDistalInterphalangeal,
        2..=5,
    ),
    ("tail_", Part::Tail, 1..=u8::MAX),
    ("ear_", Part::Ear, 1..=u8::MAX),
    ("wing_", Part::Wing, 1..=u8::MAX),
    ("thigh_twist_", Part::ThighTwist, 1..=u8::MAX),
    ("shank_twist_", Part::ShankTwist, 1..=u8::MAX),
    ("upperarm_twist_", Part::UpperArmTwist, 1..=u8::MAX),
    ("forearm_twist_", Part::ForearmTwist, 1..=u8::MAX),
    ("finger_tip_", Part::FingerTip, 1..=5),
    ("toe_tip_", Part::ToeTip, 1..=5),
];

impl Part {
    /// Whether ISO/IEC 19774-1 has a joint of this name.
    pub fn is_standard(self) -> bool {
        !matches!(
            self,
            Self::Tail(_)
                | Self::Ear(_)
                | Self::Wing(_)
                | Self::ThighTwist(_)
                | Self::ShankTwist(_)
                | Self::UpperArmTwist(_)
                | Self::ForearmTwist(_)
                | Self::SkullTip
                | Self::FingerTip(_)
                | Self::ToeTip(_)
        )
    }

    /// Whether the part is a joint of trunk, arm or leg that a motion cannot do without, or a
    /// clavicle; no digit, no face, nothing of ours.
    pub fn is_main(self) -> bool {
        matches!(
            self,
            Self::HumanoidRoot
                | Self::Sacroiliac
                | Self::Lumbar(_)
                | Self::Thoracic(_)
                | Self::Cervical(_)
                | Self::Skullbase
                | Self::Sternoclavicular
                | Self::Acromioclavicular
                | Self::Shoulder
                | Self::Elbow
                | Self::Radiocarpal
                | Self::Hip
                | Self::Knee
                | Self::Talocrural
        )
    }

    /// Whether the part only shares the twist of a limb segment.
    pub fn is_twist(self) -> bool {
        matches!(
            self,
            Self::ThighTwist(_)
                | Self::ShankTwist(_)
                | Self::UpperArmTwist(_)
                | Self::ForearmTwist(_)
        )
    }

    /// Whether the part lies on the midline and takes no side in the standard.
    pub fn is_central(self) -> bool {
        matches!(
            self,
            Self::HumanoidRoot
                | Self::Sacroiliac
                | Self::Lumbar(_)
                | Self::Thoracic(_)
                | Self::Cervical(_)
                | Self::Skullbase
                | Self::Temporomandibular
                | Self::Tail(_)
                | Self::SkullTip
        )
    }

    /// The name without side prefix, for instance `vl5` or `carpometacarpal_1`.
    pub fn name(self) -> String {
        if let Some((name, _)) = PLAIN.iter().find(|(_, part)| *part == self) {
            return (*name).to_owned();
        }
        let number = self.number().unwrap_or_default();
        NUMBERED
            .iter()
            .find(|(_, make, _)| make(number) == self)
            .map_or_else(String::new, |(stem, ..)| format!("{stem}{number}"))
    }

    /// The part's number, where it has one.
    pub fn number(self) -> Option<u8> {
        match self {
            Self::Lumbar(n)
            | Self::Thoracic(n)
            | Self::Cervical(n)
            | Self::Midcarpal(n)
            | Self::Carpometacarpal(n)
            | Self::Metacarpophalangeal(n)
            | Self::CarpalProximalInterphalangeal(n)
            | Self::CarpalDistalInterphalangeal(n)
            | Self::Cuneonavicular(n)
            | Self::Tarsometatarsal(n)
            | Self::Metatarsophalangeal(n)
            | Self::TarsalProximalInterphalangeal(n)
            | Self::TarsalDistalInterphalangeal(n)
            | Self::Tail(n)
            | Self::Ear(n)
            | Self::Wing(n)
            | Self::ThighTwist(n)
            | Self::ShankTwist(n)
            | Self::UpperArmTwist(n)
            | Self::ForearmTwist(n)
            | Self::FingerTip(n)
            | Self::ToeTip(n) => Some(n),
            _ => None,
        }
    }

    fn parse(text: &str) -> Option<Self> {
        if let Some((_, part)) = PLAIN.iter().find(|(name, _)| *name == text) {
            return Some(*part);
        }
        NUMBERED.iter().find_map(|(stem, make, range)| {
            let number = text.strip_prefix(stem)?.parse().ok()?;
            range.contains(&number).then(|| make(number))
        })
    }
}

/// What a joint is: a part, its side, and which pair of limbs it belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Role {
    /// The part.
    pub part: Part,
    /// The side; `Middle` for parts on the midline.
    pub side: Side,
    /// 0 for the first pair of limbs, 1 for the second (`@2`).
    pub pair: u8,
    /// 0 for the joint of the standard, 1 and more for further joints in the same place (`.1`).
    pub extra: u8,
}

impl Role {
    /// A part of the first pair.
    pub fn new(part: Part, side: Side) -> Self {
        Self {
            part,
            side,
            pair: 0,
            extra: 0,
        }
    }

    /// A part on the midline.
    pub fn central(part: Part) -> Self {
        Self::new(part, Side::Middle)
    }

    /// The same part of another pair of limbs, counted from 0.
    pub fn in_pair(self, pair: usize) -> Self {
        Self {
            pair: u8::try_from(pair).unwrap_or(u8::MAX),
            ..self
        }
    }

    /// The same place, shared by a further joint.
    pub fn with_extra(self, extra: usize) -> Self {
        Self {
            extra: u8::try_from(extra).unwrap_or(u8::MAX),
            ..self
        }
    }

    /// The same role on the other side of the body.
    pub fn mirrored(self) -> Self {
        Self {
            side: self.side.mirrored(),
            ..self
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", self.side.prefix(), self.part.name())?;
        if self.extra > 0 {
            write!(f, ".{}", self.extra)?;
        }
        if self.pair > 0 {
            write!(f, "@{}", u16::from(self.pair) + 1)?;
        }
        Ok(())
    }
}

/// A text that names no role.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error(
    "\"{text}\" is no joint name of ISO/IEC 19774-1 nor one of our additions{}",
    near_text(near)
)]
pub struct RoleError {
    /// The text.
    pub text: String,
    /// Names that look like it.
    pub near: Vec<String>,
}

/// `; did you mean a, b?`, or nothing.
pub(crate) fn near_text(near: &[String]) -> String {
    if near.is_empty() {
        String::new()
    } else {
        format!("; did you mean {}?", near.join(", "))
    }
}

impl FromStr for Role {
    type Err = RoleError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        parse_role(text).ok_or_else(|| RoleError {
            text: text.to_owned(),
            near: crate::tokens::nearest(text, Role::all().iter().map(ToString::to_string)),
        })
    }
}

/// The role a text names, without a search for what else it may have meant.
pub(crate) fn parse_role(text: &str) -> Option<Role> {
    let (rest, pair) = match text.split_once('@') {
        Some((rest, number)) => (rest, number.parse::<u8>().ok()?.checked_sub(1)?),
        None => (text, 0),
    };
    let (rest, extra) = match rest.split_once('.') {
        Some((rest, number)) => (rest, number.parse::<u8>().ok()?),
        None => (rest, 0),
    };
    let (side, name) = [Side::Left, Side::Right]
        .into_iter()
        .find_map(|side| Some((side, rest.strip_prefix(side.prefix())?)))
        .unwrap_or((Side::Middle, rest));
    let part = Part::parse(name)?;
    // A limb without a side cannot be placed; a spine with a side does not exist.
    let sided = side != Side::Middle;
    let may_be_central = part.is_central() || matches!(part, Part::Ear(_) | Part::Wing(_));
    ((sided && !part.is_central()) || (!sided && may_be_central)).then_some(Role {
        part,
        side,
        pair,
        extra,
    })
}

impl Role {
    /// All joint names of the standard and the first of our own series, left before right.
    pub fn all() -> Vec<Self> {
        let plain = PLAIN.iter().map(|(_, part)| *part);
        let numbered = NUMBERED.iter().flat_map(|(_, make, range)| {
            let last = (*range.end()).min(12);
            (*range.start()..=last).map(make)
        });
        plain
            .chain(numbered)
            .flat_map(|part| {
                let sides: &[Side] = if part.is_central() {
                    &[Side::Middle]
                } else {
                    &[Side::Left, Side::Right]
                };
                sides.iter().map(move |&side| Self::new(part, side))
            })
            .collect()
    }
}

impl Serialize for Role {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Role {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_role_reads_back() {
        for role in Role::all() {
            for role in [role, role.in_pair(1), role.with_extra(2).in_pair(2)] {
                assert_eq!(role.to_string().parse(), Ok(role), "{role}");
            }
        }
    }

    /// Number of `HAnimJoint` names of X3D 4.0 (`hanimJointNameValues` of its object model):
    /// 2 root joints, 24 vertebrae, skull base and jaw; on either side 3 joints of the face, 28 of
    /// the leg and 28 of the arm.
    #[test]
    fn the_standard_has_146_joint_names() {
        let standard = Role::all().into_iter().filter(|r| r.part.is_standard());
        assert_eq!(standard.count(), 2 + 24 + 2 + 2 * (3 + 28 + 28));
    }

    #[test]
    fn wrong_names_are_refused_with_near_ones() {
        let error = "l_hipp".parse::<Role>().unwrap_err();
        assert!(error.to_string().contains("l_hip"), "{error}");
        for text in [
            "",
            "hip",
            "l_vl5",
            "vt13",
            "l_hip@0",
            "carpometacarpal_1",
            "l_",
        ] {
            assert!(text.parse::<Role>().is_err(), "{text}");
        }
    }
}
