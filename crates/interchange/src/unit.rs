//! The unit of length of a file, and how it was found.

use glam::DVec3;
use understudy_motion::units::is_human_height;
use understudy_motion::{LengthUnit, Skeleton};

/// A unit and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitFinding {
    /// The unit.
    pub unit: LengthUnit,
    /// How it was found, for people: "guessed: the rest pose spans 172.4 units, which is 1.72 m in cm".
    pub how: String,
}

impl UnitFinding {
    /// A unit that the user chose.
    pub fn chosen(unit: LengthUnit) -> Self {
        Self {
            unit,
            how: "as asked for".to_owned(),
        }
    }

    /// A unit that the file or its format states.
    pub fn given(unit: LengthUnit, by: &str) -> Self {
        Self {
            unit,
            how: format!("given by {by}"),
        }
    }
}

/// Length of all bones of a body in statures: two legs of 0.530, two arms of
/// 0.186 + 0.146 + 0.108, trunk 0.288, shoulder width 0.259, hip width 0.191, and head with neck
/// 1 − 0.818. Proportions of Drillis and Contini (1966) as printed in Winter, *Biomechanics and
/// Motor Control of Human Movement*, doi 10.1002/9780470549148; the hand from memory.
const BONES_PER_STATURE: f64 =
    2.0 * 0.530 + 2.0 * (0.186 + 0.146 + 0.108) + 0.288 + 0.259 + 0.191 + (1.0 - 0.818);

/// A rest pose this much smaller than its bones suggest is folded and says nothing about height.
const FOLDED: f64 = 0.4;

/// Guesses the unit of a file from its skeleton, given with lengths in file units.
///
/// The height is the extent of the rest pose along its tallest axis, of the largest body where
/// there are several roots. Where the rest pose is folded or flat, the height is judged by the
/// total length of all bones. A guess that leaves doubt is a warning too: a body by more than a
/// factor of 2 taller or smaller than humans, or a unit that files rarely use.
pub fn guess_unit(skeleton_in_file_units: &Skeleton, warnings: &mut Vec<String>) -> UnitFinding {
    let extent = largest(skeleton_in_file_units, rest_extent);
    let bones = largest(skeleton_in_file_units, bone_length);
    let height = rest_height(skeleton_in_file_units);
    if !(height.is_finite() && height > 0.0) {
        return UnitFinding {
            unit: LengthUnit::Metre,
            how: "taken as metres, because no bone has a length to guess from".to_owned(),
        };
    }
    let reason = if height == extent {
        format!("the rest pose spans {extent:.4} units")
    } else {
        format!(
            "the rest pose is folded, and bones of {bones:.4} units belong to a body of {height:.4}"
        )
    };
    let unit = LengthUnit::guess_from_height(height);
    warnings.extend(doubt(unit, height * unit.metres()));
    UnitFinding {
        unit,
        how: format!(
            "guessed: {reason}, which is {:.2} m in {unit}",
            height * unit.metres()
        ),
    }
}

/// What is to be said about a guess.
fn doubt(unit: LengthUnit, height_m: f64) -> Option<String> {
    let tall = readable(height_m);
    if !is_human_height(height_m) {
        Some(format!(
            "the body is {tall} m tall in {unit}; if it is a human, give --unit"
        ))
    } else if unit.is_rare() {
        Some(format!(
            "the body is {tall} m tall in {unit}, which was guessed, since no usual unit makes it \
             human; if it is none, give --unit"
        ))
    } else {
        None
    }
}

/// A positive number with three digits that count.
fn readable(number: f64) -> String {
    let decimals = (2.0 - number.log10().floor()).clamp(0.0, 12.0);
    format!("{number:.0$}", decimals as usize)
}

/// Height of the body at rest, or the height its bones suggest where the rest pose is folded.
pub(crate) fn rest_height(skeleton: &Skeleton) -> f64 {
    let extent = largest(skeleton, rest_extent);
    let from_bones = largest(skeleton, bone_length) / BONES_PER_STATURE;
    if extent >= FOLDED * from_bones {
        extent
    } else {
        from_bones
    }
}

/// The largest value of a measure over the bodies below the roots.
fn largest(skeleton: &Skeleton, measure: fn(&Skeleton, &[usize]) -> f64) -> f64 {
    skeleton
        .roots()
        .map(|root| measure(skeleton, &skeleton.subtree(root)))
        .fold(0.0, f64::max)
}

fn rest_extent(skeleton: &Skeleton, body: &[usize]) -> f64 {
    let pose = skeleton.rest_world();
    let points = body.iter().flat_map(|&joint| {
        let tips = skeleton.joint(joint).tips.iter();
        let tips = tips.map(move |&tip| (joint, tip));
        std::iter::once((joint, DVec3::ZERO)).chain(tips)
    });
    let (low, high) = points.map(|(joint, point)| pose.point(joint, point)).fold(
        (DVec3::INFINITY, DVec3::NEG_INFINITY),
        |(low, high), point| (low.min(point), high.max(point)),
    );
    (high - low).max_element()
}

fn bone_length(skeleton: &Skeleton, body: &[usize]) -> f64 {
    body.iter()
        .map(|&index| {
            let joint = skeleton.joint(index);
            let own = joint
                .parent
                .map_or(0.0, |_| joint.rest.translation.length());
            own + joint.tips.iter().map(|tip| tip.length()).sum::<f64>()
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use understudy_motion::Joint;

    fn finding(joints: Vec<Joint>) -> UnitFinding {
        guess_unit(&Skeleton::new(joints).unwrap(), &mut Vec::new())
    }

    /// Unit and warnings for a body of one upright bone of this length.
    fn pole(height: f64) -> (LengthUnit, Vec<String>) {
        let joint = Joint::new("pole", None, DVec3::ZERO).with_tip(DVec3::Y * height);
        let mut warnings = Vec::new();
        let found = guess_unit(&Skeleton::new(vec![joint]).unwrap(), &mut warnings);
        (found.unit, warnings)
    }

    #[test]
    fn doubtful_guesses_are_warned_about() {
        let check = |height: f64, unit: LengthUnit, warning: &str| {
            let (found, warnings) = pole(height);
            assert_eq!(found, unit, "{height}");
            assert_eq!(
                warnings.len(),
                usize::from(!warning.is_empty()),
                "{warnings:?}"
            );
            assert!(warnings.concat().starts_with(warning), "{warnings:?}");
        };
        check(1.8, LengthUnit::Metre, "");
        check(0.9, LengthUnit::Metre, "");
        check(3.3, LengthUnit::Metre, "");
        check(70.0, LengthUnit::Inch, "");
        let remedy = "if it is a human, give --unit";
        let said = |tall: &str| format!("the body is {tall}; {remedy}");
        check(3.5, LengthUnit::Metre, &said("3.50 m tall in m"));
        check(0.0002, LengthUnit::Metre, &said("0.000200 m tall in m"));
        check(8000.0, LengthUnit::Millimetre, &said("8.00 m tall in mm"));
        check(
            5.6,
            LengthUnit::Foot,
            "the body is 1.71 m tall in ft, which was guessed",
        );
        check(
            17.0,
            LengthUnit::Decimetre,
            "the body is 1.70 m tall in dm, which was guessed",
        );
    }

    #[test]
    fn height_decides() {
        let check = |scale: f64, unit: LengthUnit| {
            let found = finding(vec![
                Joint::new("pelvis", None, DVec3::new(0.0, 9e4, 0.0)),
                Joint::new("neck", Some(0), DVec3::Y * 0.6 * scale)
                    .with_tip(DVec3::Y * 0.2 * scale),
                Joint::new("ankle", Some(0), DVec3::NEG_Y * 0.9 * scale),
            ]);
            assert_eq!(found.unit, unit, "{}", found.how);
            assert!(found.how.contains("1.70 m"), "{}", found.how);
        };
        check(1.0, LengthUnit::Metre);
        check(100.0, LengthUnit::Centimetre);
        check(1000.0, LengthUnit::Millimetre);
        check(1.0 / 0.0254, LengthUnit::Inch);
    }

    #[test]
    fn a_folded_rest_pose_is_measured_by_its_bones() {
        // 487 units of bone, folded back and forth by 20.
        let joints = (0..25)
            .map(|index: usize| {
                let side = if index.is_multiple_of(2) { 20.0 } else { -20.0 };
                Joint::new("bone", index.checked_sub(1), DVec3::X * side)
            })
            .collect();
        let found = finding(joints);
        assert_eq!(found.unit, LengthUnit::Centimetre);
        assert!(found.how.contains("folded"), "{}", found.how);
    }

    #[test]
    fn nothing_to_measure() {
        let found = finding(vec![Joint::new("pelvis", None, DVec3::ZERO)]);
        assert_eq!(found.unit, LengthUnit::Metre);
        assert!(found.how.contains("no bone"), "{}", found.how);
    }
}
