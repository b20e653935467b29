//! Which joint has which role, how surely, and why.

use serde::{Deserialize, Serialize};

use crate::role::Role;

/// The role of one joint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Assignment {
    /// The role.
    pub role: Role,
    /// 0 to 1: at least 0.9 where name, tree and rest pose agree; 0.6 to 0.8 where the shape of
    /// the tree speaks alone; below 0.5 where another reading would do nearly as well.
    pub confidence: f64,
    /// What speaks for it, for a person to read.
    pub reason: String,
}

/// Roles of all joints of a skeleton.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RoleMap {
    assignments: Vec<Option<Assignment>>,
}

impl RoleMap {
    /// No roles yet, for so many joints.
    pub fn new(joint_count: usize) -> Self {
        Self {
            assignments: vec![None; joint_count],
        }
    }

    /// Number of joints.
    pub fn len(&self) -> usize {
        self.assignments.len()
    }

    /// Whether there is no joint.
    pub fn is_empty(&self) -> bool {
        self.assignments.is_empty()
    }

    /// The assignment of a joint.
    pub fn get(&self, joint: usize) -> Option<&Assignment> {
        self.assignments.get(joint)?.as_ref()
    }

    /// The role of a joint.
    pub fn role(&self, joint: usize) -> Option<Role> {
        self.get(joint).map(|assignment| assignment.role)
    }

    /// The first joint with a role.
    pub fn find(&self, role: Role) -> Option<usize> {
        (0..self.len()).find(|&joint| self.role(joint) == Some(role))
    }

    /// Gives a joint a role, or takes it away. Joints past the end are ignored.
    pub fn set(&mut self, joint: usize, assignment: Option<Assignment>) {
        if let Some(slot) = self.assignments.get_mut(joint) {
            *slot = assignment;
        }
    }

    /// Joints with their assignments.
    pub fn iter(&self) -> impl Iterator<Item = (usize, &Assignment)> + '_ {
        self.assignments
            .iter()
            .enumerate()
            .filter_map(|(joint, assignment)| Some((joint, assignment.as_ref()?)))
    }

    /// Joints without a role.
    pub fn unmapped(&self) -> Vec<usize> {
        (0..self.len())
            .filter(|&joint| self.get(joint).is_none())
            .collect()
    }
}
