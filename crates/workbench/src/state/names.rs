//! Joints by the names that people write: exact, or as a role, and what was meant where there is none.

use std::collections::BTreeSet;

use understudy_anatomy::Role;
use understudy_anatomy::tokens::nearest;

use super::session::Session;
use super::stage::Who;

impl Session {
    /// The joint of that name or role: of the character, or else of the performer.
    ///
    /// # Errors
    /// No body has such a joint; the text says which names are near.
    pub fn joint_named(&self, name: &str) -> Result<(Who, usize), String> {
        let bodies = [Who::Character, Who::Performer];
        let files = bodies.map(|who| self.document.file(who).map(|file| (who, file)));
        let files = files.into_iter().flatten();
        let role = name.parse::<Role>().ok();
        for (who, file) in files.clone() {
            let by_role = || file.recognition.roles.find(role?);
            if let Some(joint) = file.skeleton().find(name).or_else(by_role) {
                return Ok((who, joint));
            }
        }
        let mut all = BTreeSet::new();
        for (_, file) in files {
            all.extend(
                file.skeleton()
                    .joints()
                    .iter()
                    .map(|joint| joint.name.clone()),
            );
            let roles = file.recognition.roles.iter();
            all.extend(roles.map(|(_, found)| found.role.to_string()));
        }
        let near = nearest(name, all);
        let near = match near.is_empty() {
            true => "understudy inspect lists the names of a file".to_owned(),
            false => format!("did you mean {}?", near.join(", ")),
        };
        Err(format!("no body has a joint \"{name}\"; {near}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::session::tests::opened;

    #[test]
    fn joints_are_found_by_name_or_role_and_near_names_are_told() {
        let session = opened();
        let character = session.document.character.as_ref().unwrap().skeleton();
        let knee = character.find("pedlar:left_knee");
        let found = |name: &str| session.joint_named(name).ok();
        assert_eq!(
            found("pedlar:left_knee"),
            knee.map(|joint| (Who::Character, joint))
        );
        assert_eq!(found("l_knee"), found("pedlar:left_knee"));
        // Only the performer has a name without the namespace.
        assert_eq!(found("left_knee").map(|(who, _)| who), Some(Who::Performer));
        let error = session.joint_named("pedlar:left_kne").unwrap_err();
        assert!(error.contains("pedlar:left_kne\""), "{error}");
        assert!(error.contains("pedlar:left_knee"), "{error}");
        let error = session.joint_named("zzz").unwrap_err();
        assert!(error.contains("inspect"), "{error}");
    }
}
