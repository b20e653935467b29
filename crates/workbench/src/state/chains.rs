//! Chains of the two bodies: what the map shows of them, which one is chosen, and whole chains that are
//! given and cleared.

use std::collections::BTreeMap;

use understudy_anatomy::{Chain, ChainKind, ChainPlace, Role, Side, Stretch, chains};
use understudy_scene::Loaded;

use super::session::Session;
use super::stage::Who;

/// A chain of a body.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChainId {
    /// The one in a place of the standard body.
    Placed(ChainPlace),
    /// One without roles, by its first joint.
    Loose(usize),
}

impl ChainId {
    /// The name of a chain.
    fn of(chain: &Chain) -> Option<Self> {
        match chain.place {
            Some(place) => Some(Self::Placed(place)),
            None => chain.joints.first().map(|first| Self::Loose(*first)),
        }
    }

    /// Its place, where it has roles.
    pub fn place(self) -> Option<ChainPlace> {
        match self {
            Self::Placed(place) => Some(place),
            Self::Loose(_) => None,
        }
    }
}

/// A chain as the map shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct ChainLine {
    /// Which chain.
    pub id: ChainId,
    /// For people: "Left arm", "From tassel_1".
    pub name: String,
    /// Its joints on the body that is shown, from the body outward.
    pub joints: Vec<usize>,
    /// How many joints the chain has on the other body; `None` where no other body is open.
    pub other: Option<usize>,
    /// How many of its joints have no role.
    pub unmapped: usize,
    /// The lowest confidence of its roles, 0 to 1.
    pub lowest: Option<f64>,
}

impl Who {
    /// The body beside: the character beside the performer, and the performer beside the character.
    fn beside(self) -> Self {
        match self.owner() {
            Self::Performer => Self::Character,
            _ => Self::Performer,
        }
    }
}

impl Session {
    /// The chains of a body, and those that only the other body has.
    pub fn chains(&self, who: Who) -> Vec<ChainLine> {
        let Some(file) = self.document.file(who) else {
            return Vec::new();
        };
        let mut others: BTreeMap<ChainPlace, usize> = BTreeMap::new();
        let beside = self.document.file(who.beside());
        for chain in beside.into_iter().flat_map(|file| all(file)) {
            if let Some(place) = chain.place {
                others.insert(place, chain.joints.len());
            }
        }
        let has_other = beside.is_some();
        let mut lines: Vec<ChainLine> = all(file)
            .into_iter()
            .filter_map(|chain| {
                let id = ChainId::of(&chain)?;
                let other = id.place().and_then(|place| others.remove(&place));
                let other = has_other.then(|| other.unwrap_or(0));
                Some(line(file, id, chain.joints, other))
            })
            .collect();
        let only_there = others.into_iter().map(|(place, count)| {
            let id = ChainId::Placed(place);
            line(file, id, Vec::new(), Some(count))
        });
        lines.extend(only_there);
        lines.sort_by_key(|line| match line.id {
            ChainId::Placed(place) => (false, Some(place), 0),
            ChainId::Loose(first) => (true, None, first),
        });
        lines
    }

    /// The joints of a chain of a body.
    pub fn chain_joints(&self, who: Who, id: ChainId) -> Vec<usize> {
        let file = self.document.file(who);
        let chains = file.into_iter().flat_map(|file| all(file));
        let mut chains = chains.filter(|chain| ChainId::of(chain) == Some(id));
        chains.next().map_or(Vec::new(), |chain| chain.joints)
    }

    /// The joints of the chosen chain on a body: of the one it was chosen on, or of the other one, where
    /// that has such a chain.
    pub fn chosen_chain(&self, body: Who) -> Vec<usize> {
        match self.chain {
            Some((who, id)) if who == body.owner() => self.chain_joints(who, id),
            Some((_, id @ ChainId::Placed(_))) => self.chain_joints(body.owner(), id),
            _ => Vec::new(),
        }
    }

    /// The chain of a joint.
    pub fn chain_of(&self, who: Who, joint: usize) -> Option<ChainId> {
        let file = self.document.file(who)?;
        let chain = all(file)
            .into_iter()
            .find(|chain| chain.joints.contains(&joint))?;
        ChainId::of(&chain)
    }

    /// First and last joint of a chain's line: joints beside it only share twist.
    pub fn chain_ends(&self, who: Who, id: ChainId) -> Option<(usize, usize)> {
        let file = self.document.file(who)?;
        let joints = self.chain_joints(who, id);
        let first = *joints.first()?;
        let skeleton = file.skeleton();
        let is_beside = |joint: usize| {
            let role = file.recognition.roles.role(joint);
            role.is_some_and(|role| role.part.is_twist()) && skeleton.children(joint).is_empty()
        };
        let mut outward = joints.iter().rev().copied();
        let last =
            outward.find(|&joint| !is_beside(joint) && skeleton.is_at_or_above(first, joint));
        Some((first, last.unwrap_or(first)))
    }

    /// The roles that joints get when a chain is given, in the order of the skeleton; `None` for a joint
    /// that loses its role.
    ///
    /// # Errors
    /// Joints that make no such chain; the text says what to do.
    pub fn chain_roles(
        &self,
        who: Who,
        place: ChainPlace,
        stretch: Stretch,
    ) -> Result<BTreeMap<usize, Option<Role>>, String> {
        let Some(file) = self.document.file(who) else {
            return Err("no file is open for this body".to_owned());
        };
        let roles = file
            .recognition
            .chain_roles(file.skeleton(), file.surface(), place, stretch);
        roles.map_err(|problem| problem.to_string())
    }

    /// The chain of the character, or else of the performer, that is called so: "left arm".
    ///
    /// # Errors
    /// No body has such a chain; the text says which there are.
    pub fn chain_named(&self, words: &str) -> Result<(Who, ChainId), String> {
        let wanted = words.trim().to_lowercase();
        let mut names = Vec::new();
        for who in [Who::Character, Who::Performer] {
            for line in self.chains(who) {
                if line.name.to_lowercase() == wanted && !line.joints.is_empty() {
                    return Ok((who, line.id));
                }
                let name = line.name.to_lowercase();
                if !names.contains(&name) {
                    names.push(name);
                }
            }
        }
        Err(format!(
            "no body has a chain \"{words}\"; there are: {}",
            names.join(", ")
        ))
    }

    pub(super) fn choose_chain(&mut self, chain: Option<(Who, ChainId)>) {
        self.chain = chain.map(|(who, id)| (who.owner(), id));
    }

    /// Gives joints the roles of a chain, and on wish those of the other side the mirrored ones.
    pub(super) fn give_chain(
        &mut self,
        who: Who,
        place: ChainPlace,
        stretch: Stretch,
        mirrored: bool,
    ) {
        let roles = match self.chain_roles(who, place, stretch) {
            Ok(roles) => roles,
            Err(problem) => {
                self.fail(format!("{}: {problem}", sentence(&place.to_string())));
                return;
            }
        };
        let is_sided = place.side != Side::Middle;
        if self.set_chain_roles("roles of a chain", who, roles, mirrored && is_sided) {
            self.choose_chain(Some((who, ChainId::Placed(place))));
        }
    }

    /// Takes the roles of a chain away, and on wish those of the mirrored chain.
    pub(super) fn clear_chain(&mut self, who: Who, id: ChainId, mirrored: bool) {
        let Some(file) = self.document.file(who) else {
            return;
        };
        let roles_of = |id: ChainId| {
            let joints = self.chain_joints(who, id).into_iter();
            joints.filter(|joint| file.recognition.roles.role(*joint).is_some())
        };
        let mut cleared: Vec<usize> = roles_of(id).collect();
        let Some(first) = cleared.first().copied() else {
            return;
        };
        if let (true, Some(place)) = (mirrored, id.place()) {
            cleared.extend(roles_of(ChainId::Placed(place.mirrored())));
        }
        let roles = cleared.into_iter().map(|joint| (joint, None)).collect();
        if self.set_chain_roles("cleared chain", who, roles, false) {
            // What is left of it can be given anew.
            let left = self.chain_of(who, first);
            self.choose_chain(left.map(|id| (who, id)));
        }
    }

    /// One step for all roles; whether it was made.
    fn set_chain_roles(
        &mut self,
        name: &str,
        who: Who,
        roles: BTreeMap<usize, Option<Role>>,
        mirrored: bool,
    ) -> bool {
        let Some(file) = self.document.file(who).cloned() else {
            return false;
        };
        let skeleton = file.skeleton();
        let (roles, alone) = match mirrored {
            true => file.recognition.with_mirrored(skeleton, &roles),
            false => (roles, Vec::new()),
        };
        if !self.change_roles(name, |document| document.set_roles(who, &roles)) {
            return false;
        }
        if !alone.is_empty() {
            let names: Vec<&str> = alone.iter().map(|joint| skeleton.name(*joint)).collect();
            self.say(format!(
                "the other side has no joint that mirrors {}; what mirrors the rest has followed",
                names.join(", ")
            ));
        }
        true
    }
}

fn all(file: &Loaded) -> Vec<Chain> {
    chains(file.skeleton(), &file.recognition.roles)
}

fn line(file: &Loaded, id: ChainId, joints: Vec<usize>, other: Option<usize>) -> ChainLine {
    let roles = &file.recognition.roles;
    let found = joints.iter().filter_map(|joint| roles.get(*joint));
    let lowest = found.map(|found| found.confidence).reduce(f64::min);
    let unmapped = joints.iter().filter(|joint| roles.get(**joint).is_none());
    ChainLine {
        id,
        name: match id {
            ChainId::Placed(place) => sentence(&place.to_string()),
            ChainId::Loose(first) => format!("From {}", file.skeleton().name(first)),
        },
        unmapped: unmapped.count(),
        lowest,
        other,
        joints,
    }
}

/// Words as they begin a sentence.
pub fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// All places that a chain of a file can be given: of every pair of limbs that it has, and of one more.
pub fn places(file: &Loaded) -> Vec<ChainPlace> {
    let roles = file.recognition.roles.iter();
    let pairs = roles.map(|(_, found)| found.role.pair).max().unwrap_or(0);
    let pairs = 0..=pairs.saturating_add(1);
    let of_kind = |kind: ChainKind| {
        let sides: &[Side] = match kind.is_sided() {
            true => &[Side::Left, Side::Right],
            false => &[Side::Middle],
        };
        let last = match kind {
            ChainKind::Pelvis | ChainKind::Spine | ChainKind::NeckAndHead => 0,
            _ => *pairs.end(),
        };
        (0..=last).flat_map(move |pair| {
            let sides = sides.iter();
            sides.map(move |&side| ChainPlace { kind, pair, side })
        })
    };
    let kinds = ChainKind::all().into_iter();
    let mut places: Vec<ChainPlace> = kinds.flat_map(of_kind).collect();
    places.sort_by_key(|place| (place.pair, *place));
    places
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::command::Command;
    use crate::state::session::tests::{assets, carried, opened, walk};

    const ARM: ChainPlace = ChainPlace {
        kind: ChainKind::Arm,
        pair: 0,
        side: Side::Left,
    };
    const SPINE: ChainPlace = ChainPlace {
        kind: ChainKind::Spine,
        pair: 0,
        side: Side::Middle,
    };

    fn weaver() -> Session {
        carried(vec![walk(), assets().join("characters/weaver.glb")])
    }

    fn line(session: &Session, who: Who, place: ChainPlace) -> ChainLine {
        let id = ChainId::Placed(place);
        let mut lines = session.chains(who).into_iter();
        lines.find(|line| line.id == id).unwrap()
    }

    fn roles(session: &Session) -> Vec<Option<Role>> {
        let file = session.document.character.as_ref().unwrap();
        let roles = &file.recognition.roles;
        (0..roles.len()).map(|joint| roles.role(joint)).collect()
    }

    #[test]
    fn both_bodies_are_counted_chain_by_chain() {
        let session = weaver();
        let spine = line(&session, Who::Character, SPINE);
        assert_eq!((spine.name.as_str(), spine.unmapped), ("Spine", 0));
        assert_eq!((spine.joints.len(), spine.other), (6, Some(3)));
        assert!(spine.lowest.unwrap() > 0.6);
        let spine = line(&session, Who::Performer, SPINE);
        assert_eq!((spine.joints.len(), spine.other), (3, Some(6)));
        // The second pair of arms is the character's alone, the little finger the performer's.
        let second = ChainPlace { pair: 1, ..ARM };
        let arm = line(&session, Who::Character, second);
        assert_eq!((arm.joints.len(), arm.other), (3, Some(0)));
        assert_eq!(arm.name, "Left arm of pair 2");
        let arm = line(&session, Who::Performer, second);
        assert_eq!((arm.joints.len(), arm.other), (0, Some(3)));
        let finger = ChainPlace {
            kind: ChainKind::Finger(5),
            ..ARM
        };
        assert_eq!(line(&session, Who::Character, finger).joints.len(), 0);
        // Every joint is in one line.
        let count: usize = session
            .chains(Who::Character)
            .iter()
            .map(|line| line.joints.len())
            .sum();
        assert_eq!(count, roles(&session).len());
    }

    #[test]
    fn a_chain_is_cleared_and_given_again_each_in_one_step_with_its_mirror() {
        let mut session = opened();
        let before = roles(&session);
        let ends = session.chain_ends(Who::Character, ChainId::Placed(ARM));
        let (first, last) = ends.unwrap();
        session.apply(Command::ChooseChain(Some((
            Who::Character,
            ChainId::Placed(ARM),
        ))));
        assert_eq!(session.chosen_chain(Who::Character).len(), 4);
        assert_eq!(session.chosen_chain(Who::Performer).len(), 4);
        session.apply(Command::ClearChain {
            who: Who::Character,
            chain: ChainId::Placed(ARM),
            mirrored: true,
        });
        session.wait();
        let cleared = roles(&session);
        let lost = before.iter().zip(&cleared).filter(|(a, b)| a != b);
        assert_eq!(lost.count(), 8);
        // What is left is still chosen, and carried over without arms.
        assert!(session.chain.is_some() && session.notice.is_none());
        assert!(session.solved.is_some());
        session.apply(Command::GiveChain {
            who: Who::Character,
            place: ARM,
            stretch: Stretch::Between(first, last),
            mirrored: true,
        });
        session.wait();
        assert_eq!(roles(&session), before);
        assert_eq!(session.chain, Some((Who::Character, ChainId::Placed(ARM))));
        session.apply(Command::Undo);
        assert_eq!(roles(&session), cleared);
        session.apply(Command::Undo);
        assert_eq!(roles(&session), before);
        assert_eq!(session.history.can_undo(), None);
        session.apply(Command::Redo);
        session.wait();
        assert_eq!(roles(&session), cleared);
        // From the first joint on, hand included, and one side alone.
        session.apply(Command::GiveChain {
            who: Who::Character,
            place: ARM,
            stretch: Stretch::Below(first),
            mirrored: false,
        });
        session.wait();
        let given = roles(&session);
        let differs = given.iter().zip(&before).filter(|(a, b)| a != b);
        let right = |role: &Option<Role>| role.unwrap().side == Side::Right;
        let missing: Vec<_> = differs.collect();
        assert_eq!(missing.len(), 4);
        assert!(
            missing
                .iter()
                .all(|(now, then)| now.is_none() && right(then))
        );
    }

    #[test]
    fn a_part_of_a_long_spine_is_given_and_carried_over() {
        let mut session = weaver();
        let spine = line(&session, Who::Character, SPINE).joints;
        session.apply(Command::GiveChain {
            who: Who::Character,
            place: SPINE,
            stretch: Stretch::Between(spine[0], spine[3]),
            mirrored: true,
        });
        session.wait();
        assert_eq!(session.notice, None);
        let now = line(&session, Who::Character, SPINE);
        assert_eq!((now.joints.len(), now.unmapped), (6, 2));
        let character = session.document.character.as_ref().unwrap();
        assert_eq!(character.body().unwrap().spine, spine[..4]);
        assert!(session.document.are_roles_changed[1]);
        session.apply(Command::Undo);
        session.wait();
        assert_eq!(line(&session, Who::Character, SPINE).unmapped, 0);
    }

    #[test]
    fn chains_are_found_by_their_words() {
        let session = opened();
        let found = session.chain_named("left Arm");
        assert_eq!(found, Ok((Who::Character, ChainId::Placed(ARM))));
        let found = session.chain_named("left little finger");
        assert_eq!(found.unwrap().0, Who::Performer);
        let problem = session.chain_named("left fin").unwrap_err();
        assert!(problem.contains("neck and head"), "{problem}");
    }

    #[test]
    fn a_chain_that_cannot_be_given_is_told_and_changes_nothing() {
        let mut session = opened();
        let before = roles(&session);
        let file = session.document.character.clone().unwrap();
        let knee = file.skeleton().find("pedlar:left_knee").unwrap();
        session.apply(Command::GiveChain {
            who: Who::Character,
            place: ChainPlace::new(ChainKind::Leg, Side::Left),
            stretch: Stretch::Between(knee, 0),
            mirrored: false,
        });
        let notice = session.notice.clone().unwrap();
        assert!(notice.is_failure && notice.text.starts_with("Left leg: "));
        assert!(notice.text.contains("pedlar:left_knee"), "{}", notice.text);
        assert_eq!(roles(&session), before);
        assert_eq!(session.history.can_undo(), None);
    }
}
