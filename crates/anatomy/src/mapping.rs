//! Corrections of a recognition, to be kept in a file.
//!
//! In RON:
//!
//! ```text
//! (
//!     up: Some(Y),
//!     joints: {
//!         "bone_17": Some("l_hip"),
//!         "bone_3/strap": None,
//!     },
//! )
//! ```

use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::FRAC_1_SQRT_2;

use glam::DVec3;
use serde::{Deserialize, Serialize};
use thiserror::Error;
use understudy_motion::{Axis, Skeleton, WorldFrame};

use crate::assemble::left_of_roles;
use crate::body::Side;
use crate::map::Assignment;
use crate::recognise::Recognition;
use crate::role::{Role, near_text};
use crate::tokens::nearest;

/// Corrections: joints with their roles, and the directions of the rest pose.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mapping {
    /// Axis of the file that points up.
    #[serde(default)]
    pub up: Option<Axis>,
    /// Axis of the file that the body looks along.
    #[serde(default)]
    pub forward: Option<Axis>,
    /// Role of each joint, by its name or by its path of names from above (`chest/arm`), as long as
    /// needed to be unique. `None` takes a role away. Joints left out stay as recognised.
    #[serde(default)]
    pub joints: BTreeMap<String, Option<Role>>,
}

/// Why corrections do not fit a skeleton.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum MappingError {
    /// No joint has that name or path.
    #[error("the skeleton has no joint \"{joint}\"{}", near_text(near))]
    NoSuchJoint {
        /// The name or path.
        joint: String,
        /// Names that look like it.
        near: Vec<String>,
    },
    /// Several joints have that name.
    #[error("several joints are called \"{joint}\"; give one of the paths {}", paths.join(", "))]
    Ambiguous {
        /// The name or path.
        joint: String,
        /// Full paths of the joints it fits.
        paths: Vec<String>,
    },
    /// Two joints get the same role.
    #[error("both \"{first}\" and \"{second}\" are given the role {role}")]
    Twice {
        /// The role.
        role: Role,
        /// One joint.
        first: String,
        /// The other.
        second: String,
    },
    /// Up and forward lie along the same line.
    #[error("up and forward must not be parallel; forward is {forward} and up is {up}")]
    Parallel {
        /// Up, as given or recognised.
        up: String,
        /// Forward, as given or recognised.
        forward: String,
    },
}

impl Mapping {
    /// A mapping that says what was recognised, as a file to start from. Joints that no name or
    /// path tells apart ([`alike_joints`]) are left out, so they stay as recognised.
    pub fn from_recognition(skeleton: &Skeleton, recognition: &Recognition) -> Self {
        let axis = |direction: DVec3| {
            Axis::nearest(direction).filter(|axis| axis.vector().dot(direction) > 1.0 - 1e-9)
        };
        let alike = alike_joints(skeleton);
        let joints = (0..skeleton.len())
            .filter(|joint| !alike.contains(joint))
            .map(|joint| {
                let name = skeleton.name(joint);
                let unique = resolve(skeleton, name).is_ok();
                let key = if unique {
                    name.to_owned()
                } else {
                    path_of(skeleton, joint)
                };
                (key, recognition.roles.role(joint))
            })
            .collect();
        Self {
            up: axis(recognition.frame.up),
            forward: axis(recognition.frame.forward),
            joints,
        }
    }

    /// The recognition with these corrections. Roles in the file are certain, also those that were
    /// recognised alike. A joint whose role is given to another one loses
    /// it, and the notes say so. Where sides are corrected and no forward is given, forward follows
    /// from the sides. The notes also tell where a given direction and the joints disagree.
    ///
    /// # Errors
    /// A joint that does not exist or is not unique, a role given twice, or up parallel to forward.
    pub fn apply(
        &self,
        skeleton: &Skeleton,
        recognition: &Recognition,
    ) -> Result<Recognition, MappingError> {
        let mut result = recognition.clone();
        let corrections = self.corrections(skeleton)?;
        for &(joint, role) in &corrections {
            if let Some(role) = role
                && result.roles.role(joint) != Some(role)
            {
                take_away(skeleton, &mut result, role);
            }
            let assignment = role.map(|role| Assignment {
                role,
                confidence: 1.0,
                reason: "given in the mapping file".to_owned(),
            });
            result.roles.set(joint, assignment);
        }
        result.frame = self.frame(skeleton, recognition, &result)?;
        if self.up.is_some() || self.forward.is_some() {
            result.frame_confidence = 1.0;
        }
        let notes = self.direction_notes(skeleton, recognition, &result);
        result.notes.extend(notes);
        Ok(result)
    }

    /// Where the given directions disagree with what the joints show.
    fn direction_notes(
        &self,
        skeleton: &Skeleton,
        before: &Recognition,
        after: &Recognition,
    ) -> Vec<String> {
        let up = self.up.and_then(|up| {
            let seen = before.frame.up;
            (up.vector().dot(seen) < AGREES).then(|| {
                format!(
                    "up {up} of the mapping file disagrees with legs and trunk, which show {}; \
                     correct one of them",
                    direction_text(seen)
                )
            })
        });
        let forward = self.forward.and_then(|forward| {
            let left = left_of_roles(skeleton, &after.roles)?;
            let seen = left.cross(after.frame.up).try_normalize()?;
            (forward.vector().dot(seen) < AGREES).then(|| {
                format!(
                    "forward {forward} of the mapping file disagrees with the sides of the \
                     joints, which show {}; correct forward, or exchange left and right",
                    direction_text(seen)
                )
            })
        });
        up.into_iter().chain(forward).collect()
    }

    fn corrections(&self, skeleton: &Skeleton) -> Result<Vec<(usize, Option<Role>)>, MappingError> {
        let mut given: BTreeMap<Role, &str> = BTreeMap::new();
        let mut corrections = Vec::new();
        for (key, role) in &self.joints {
            let joint = resolve(skeleton, key)?;
            if let Some(role) = role
                && let Some(first) = given.insert(*role, key)
            {
                return Err(MappingError::Twice {
                    role: *role,
                    first: first.to_owned(),
                    second: key.clone(),
                });
            }
            corrections.push((joint, *role));
        }
        // Roles are taken away first, so that two joints can exchange theirs.
        corrections.sort_by_key(|(_, role)| role.is_some());
        Ok(corrections)
    }

    fn frame(
        &self,
        skeleton: &Skeleton,
        before: &Recognition,
        after: &Recognition,
    ) -> Result<WorldFrame, MappingError> {
        let up = self.up.map_or(before.frame.up, Axis::vector);
        let sides_changed = (0..skeleton.len()).any(|joint| {
            let sided = |role: Option<Role>| role.filter(|role| role.side != Side::Middle);
            sided(before.roles.role(joint)) != sided(after.roles.role(joint))
        });
        let from_sides = || {
            let left = left_of_roles(skeleton, &after.roles)?;
            Some(left.cross(up))
        };
        let forward = match self.forward {
            Some(forward) => forward.vector(),
            None if sides_changed => from_sides().unwrap_or(before.frame.forward),
            None => before.frame.forward,
        };
        WorldFrame::new(up, forward).ok_or_else(|| MappingError::Parallel {
            up: up.to_string(),
            forward: forward.to_string(),
        })
    }
}

/// Cosine of the angle, 45 degrees, within which two directions say the same.
const AGREES: f64 = FRAC_1_SQRT_2;

/// "+Y", or the vector where it lies along no axis.
fn direction_text(direction: DVec3) -> String {
    match Axis::nearest(direction) {
        Some(axis) if axis.vector().dot(direction) > 0.999 => axis.to_string(),
        _ => format!(
            "({:.2}, {:.2}, {:.2})",
            direction.x, direction.y, direction.z
        ),
    }
}

/// Joints whose path of names from the root is also that of another joint, as of siblings of one
/// name: no mapping can tell them apart.
pub fn alike_joints(skeleton: &Skeleton) -> BTreeSet<usize> {
    // Joints come after their parents, so a path is its parent's first joint and a name.
    let mut first_of_path: BTreeMap<(Option<usize>, &str), usize> = BTreeMap::new();
    let mut path: Vec<usize> = Vec::with_capacity(skeleton.len());
    let mut alike = BTreeSet::new();
    for joint in 0..skeleton.len() {
        let parent = skeleton
            .parent(joint)
            .map(|parent| path.get(parent).copied().unwrap_or(parent));
        let first = *first_of_path
            .entry((parent, skeleton.name(joint)))
            .or_insert(joint);
        if first != joint {
            alike.extend([first, joint]);
        }
        path.push(first);
    }
    alike
}

/// Takes a role from whoever has it, since another joint gets it.
fn take_away(skeleton: &Skeleton, recognition: &mut Recognition, role: Role) {
    if let Some(loser) = recognition.roles.find(role) {
        recognition.roles.set(loser, None);
        recognition.notes.push(format!(
            "\"{}\" loses the role {role}, which the mapping file gives to another joint",
            skeleton.name(loser)
        ));
    }
}

/// Names from the root down to a joint, joined by `/`.
pub fn path_of(skeleton: &Skeleton, joint: usize) -> String {
    let names: Vec<&str> = skeleton
        .path_from_root(joint)
        .into_iter()
        .map(|at| skeleton.name(at))
        .collect();
    names.join("/")
}

/// The joint of a name, or of a path of names that ends a joint's full path.
///
/// # Errors
/// No such joint, or several.
pub fn resolve(skeleton: &Skeleton, key: &str) -> Result<usize, MappingError> {
    let named: Vec<usize> = (0..skeleton.len())
        .filter(|&joint| skeleton.name(joint) == key)
        .collect();
    let found = if named.is_empty() && key.contains('/') {
        let suffix = format!("/{key}");
        (0..skeleton.len())
            .filter(|&joint| format!("/{}", path_of(skeleton, joint)).ends_with(&suffix))
            .collect()
    } else {
        named
    };
    // A full path is unique even where it also ends a longer one.
    let full = found.iter().find(|&&joint| path_of(skeleton, joint) == key);
    match (found.as_slice(), full) {
        ([joint], _) => Ok(*joint),
        ([], _) => Err(MappingError::NoSuchJoint {
            joint: key.to_owned(),
            near: nearest(
                key,
                skeleton.joints().iter().map(|joint| joint.name.clone()),
            ),
        }),
        (_, Some(joint)) => Ok(*joint),
        (several, None) => Err(MappingError::Ambiguous {
            joint: key.to_owned(),
            paths: several
                .iter()
                .map(|&joint| path_of(skeleton, joint))
                .collect(),
        }),
    }
}
