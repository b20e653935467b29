//! A tree of joints at rest.

use std::collections::HashMap;

use glam::DVec3;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::pose::{Transform, WorldPose};

/// What a node of the tree stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, Default)]
pub enum JointKind {
    /// A joint of the body.
    #[default]
    Joint,
    /// A node that carries joints without being one, such as a scene node above the root.
    Carrier,
}

/// One joint of a [`Skeleton`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Joint {
    /// The name in its file; need not be unique.
    pub name: String,
    /// Index of the parent, always smaller than the joint's own; `None` for a root.
    pub parent: Option<usize>,
    /// Transform relative to the parent in the rest pose, metres.
    pub rest: Transform,
    /// Ends of the bones that start here and carry no further joint (end sites), in this joint's
    /// coordinates, metres.
    pub tips: Vec<DVec3>,
    /// Joint or carrier.
    pub kind: JointKind,
}

impl Joint {
    /// A joint with an unrotated rest, `offset` metres from its parent.
    pub fn new(name: impl Into<String>, parent: Option<usize>, offset: DVec3) -> Self {
        Self {
            name: name.into(),
            parent,
            rest: Transform::from_translation(offset),
            tips: Vec::new(),
            kind: JointKind::Joint,
        }
    }

    /// The same joint with one more end site, in its own coordinates, metres.
    pub fn with_tip(mut self, tip: DVec3) -> Self {
        self.tips.push(tip);
        self
    }
}

/// Why a list of joints is no skeleton.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum SkeletonError {
    /// There is no joint at all.
    #[error("the skeleton has no joints")]
    Empty,
    /// Parents must come before their children.
    #[error("joint \"{joint}\" comes before its parent (index {parent}); list parents first")]
    ParentAfterChild {
        /// Name of the child.
        joint: String,
        /// Index its parent field holds.
        parent: usize,
    },
    /// A rest transform holds an infinite or undefined number.
    #[error("the rest transform of joint \"{joint}\" holds a number that is not finite")]
    NotFinite {
        /// Name of the joint.
        joint: String,
    },
}

/// A tree (or several) of joints, parents before children.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Skeleton {
    joints: Vec<Joint>,
    children: Vec<Vec<usize>>,
}

impl Skeleton {
    /// Checks the order of the joints and builds the tree.
    ///
    /// # Errors
    /// No joints, a parent listed after its child, or a rest transform that is not finite.
    pub fn new(joints: Vec<Joint>) -> Result<Self, SkeletonError> {
        if joints.is_empty() {
            return Err(SkeletonError::Empty);
        }
        let mut children = vec![Vec::new(); joints.len()];
        for (index, joint) in joints.iter().enumerate() {
            if !joint.rest.is_finite() || joint.tips.iter().any(|tip| !tip.is_finite()) {
                return Err(SkeletonError::NotFinite {
                    joint: joint.name.clone(),
                });
            }
            match joint.parent {
                Some(parent) if parent >= index => {
                    return Err(SkeletonError::ParentAfterChild {
                        joint: joint.name.clone(),
                        parent,
                    });
                }
                Some(parent) => children[parent].push(index),
                None => {}
            }
        }
        Ok(Self { joints, children })
    }

    /// Number of joints, carriers included.
    pub fn len(&self) -> usize {
        self.joints.len()
    }

    /// Never true: a skeleton has at least one joint.
    pub fn is_empty(&self) -> bool {
        self.joints.is_empty()
    }

    /// All joints, parents before children.
    pub fn joints(&self) -> &[Joint] {
        &self.joints
    }

    /// One joint.
    pub fn joint(&self, index: usize) -> &Joint {
        &self.joints[index]
    }

    /// Name of a joint.
    pub fn name(&self, index: usize) -> &str {
        &self.joints[index].name
    }

    /// Parent of a joint.
    pub fn parent(&self, index: usize) -> Option<usize> {
        self.joints[index].parent
    }

    /// Children of a joint, in the file's order.
    pub fn children(&self, index: usize) -> &[usize] {
        &self.children[index]
    }

    /// Joints without a parent.
    pub fn roots(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.len()).filter(|&index| self.joints[index].parent.is_none())
    }

    /// The first joint of that name.
    pub fn find(&self, name: &str) -> Option<usize> {
        self.joints.iter().position(|joint| joint.name == name)
    }

    /// Index by name; where a name occurs twice, the first joint wins.
    pub fn index_by_name(&self) -> HashMap<&str, usize> {
        let mut map = HashMap::with_capacity(self.len());
        for (index, joint) in self.joints.iter().enumerate() {
            map.entry(joint.name.as_str()).or_insert(index);
        }
        map
    }

    /// Path of joints from `ancestor` down to `joint`, both included; `None` where `ancestor` is
    /// not above `joint`.
    pub fn path(&self, ancestor: usize, joint: usize) -> Option<Vec<usize>> {
        let mut path = vec![joint];
        let mut at = joint;
        while at != ancestor {
            at = self.parent(at)?;
            path.push(at);
        }
        path.reverse();
        Some(path)
    }

    /// Path of joints from the root down to `joint`, both included.
    pub fn path_from_root(&self, joint: usize) -> Vec<usize> {
        let mut path = vec![joint];
        while let Some(parent) = path.last().and_then(|&at| self.parent(at)) {
            path.push(parent);
        }
        path.reverse();
        path
    }

    /// Whether `ancestor` is `joint` or stands above it.
    pub fn is_at_or_above(&self, ancestor: usize, joint: usize) -> bool {
        self.path(ancestor, joint).is_some()
    }

    /// `joint` and everything below it, parents first.
    pub fn subtree(&self, joint: usize) -> Vec<usize> {
        let mut found = vec![joint];
        let mut next = 0;
        while next < found.len() {
            found.extend_from_slice(&self.children[found[next]]);
            next += 1;
        }
        found.sort_unstable();
        found
    }

    /// Local transforms of the rest pose, one per joint.
    pub fn rest_locals(&self) -> Vec<Transform> {
        self.joints.iter().map(|joint| joint.rest).collect()
    }

    /// World transforms of the rest pose.
    pub fn rest_world(&self) -> WorldPose {
        WorldPose::from_locals(self, &self.rest_locals())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parents_come_first() {
        let error = Skeleton::new(vec![
            Joint::new("knee", Some(1), DVec3::ZERO),
            Joint::new("hip", None, DVec3::ZERO),
        ])
        .unwrap_err();
        assert!(error.to_string().contains("knee"));
        assert_eq!(Skeleton::new(vec![]), Err(SkeletonError::Empty));
    }

    #[test]
    fn paths_and_subtrees() {
        let skeleton = Skeleton::new(vec![
            Joint::new("pelvis", None, DVec3::ZERO),
            Joint::new("l hip", Some(0), DVec3::X),
            Joint::new("r hip", Some(0), DVec3::NEG_X),
            Joint::new("l knee", Some(1), DVec3::NEG_Y),
        ])
        .unwrap();
        assert_eq!(skeleton.path(0, 3), Some(vec![0, 1, 3]));
        assert_eq!(skeleton.path(2, 3), None);
        assert_eq!(skeleton.subtree(1), vec![1, 3]);
        assert_eq!(skeleton.children(0), &[1, 2]);
    }
}
