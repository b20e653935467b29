//! Roles given so far, with their confidence and reason.

use std::collections::{BTreeMap, HashSet};

use crate::body::Side;
use crate::map::{Assignment, RoleMap};
use crate::role::{Part, Role, parse_role};
use crate::shape::Tree;
use crate::tokens::Slot;

/// Confidence of a name and a tree that agree; the rest comes from the tree's own certainty.
const AGREED: f64 = 0.9;
/// The most that shape alone can reach.
const SHAPE_ONLY: f64 = 0.8;
/// The most that anything reaches against a contrary sign.
const DISPUTED: f64 = 0.49;

/// Gives roles, weighing names against the tree.
pub(crate) struct Claims<'a> {
    tree: &'a Tree<'a>,
    /// The roles.
    pub roles: RoleMap,
    taken: HashSet<Role>,
    /// How surely left and right are known, 0 to 1.
    pub side_confidence: f64,
    /// The most that any role reaches, 0 to 1: low where the whole body may be misread.
    pub most: f64,
    /// Names put left and right the other way round.
    pub names_disagree: bool,
}

impl<'a> Claims<'a> {
    pub fn new(tree: &'a Tree<'a>) -> Self {
        Self {
            tree,
            roles: RoleMap::new(tree.len()),
            taken: HashSet::new(),
            side_confidence: 1.0,
            most: 1.0,
            names_disagree: false,
        }
    }

    pub fn has(&self, joint: usize) -> bool {
        self.roles.get(joint).is_some()
    }

    /// Gives a joint a role unless it has one. `shape` (0 to 1) is how surely the tree alone shows
    /// it, `why` what the tree shows. A role that is taken gets the next free number.
    pub fn claim(&mut self, joint: usize, role: Role, shape: f64, why: &str) {
        if self.has(joint) {
            return;
        }
        let mut role = self.named_role(joint, role).unwrap_or(role);
        while !self.taken.insert(role) {
            if role.extra == u8::MAX {
                return;
            }
            role = role.with_extra(usize::from(role.extra) + 1);
        }
        let (confidence, reason) = self.weigh(joint, role, shape.clamp(0.0, 1.0), why);
        self.roles.set(
            joint,
            Some(Assignment {
                role,
                confidence: confidence.min(self.most),
                reason,
            }),
        );
    }

    /// The very joint of the standard that a name gives, where it is of the same kind and side as
    /// the one that the tree shows, such as `vt6` in a spine.
    fn named_role(&self, joint: usize, shown: Role) -> Option<Role> {
        let name = self.tree.skeleton.name(joint);
        let named = parse_role(name.rsplit(':').next()?)?;
        let slots = slots_of(shown.part);
        let alike = !slots.is_empty()
            && slots == slots_of(named.part)
            && (named.side, named.pair) == (shown.side, shown.pair);
        (alike && !self.taken.contains(&named)).then_some(named)
    }

    /// Share of the names with an anatomical meaning that fit the roles given, and their number.
    /// Every kind of joint counts alike, so that many fingers cannot outvote the rest.
    pub fn agreement(&self) -> (f64, usize) {
        let mut kinds: BTreeMap<Slot, (f64, f64)> = BTreeMap::new();
        let mut voices = 0;
        for (joint, assignment) in self.roles.iter() {
            let hint = &self.tree.spoken[joint];
            let slots = slots_of(assignment.role.part);
            let Some(&kind) = slots.first().filter(|_| hint.speaks()) else {
                continue;
            };
            let fits = slots.iter().any(|&slot| hint.says(slot) > 0.0);
            let (fit, all) = kinds.entry(kind).or_default();
            *fit += f64::from(u8::from(fits));
            *all += 1.0;
            voices += 1;
        }
        let shares: f64 = kinds.values().map(|(fit, all)| fit / all).sum();
        (shares / kinds.len().max(1) as f64, voices)
    }

    fn weigh(&self, joint: usize, role: Role, shape: f64, why: &str) -> (f64, String) {
        let hint = &self.tree.spoken[joint];
        let slots = slots_of(role.part);
        let says = slots
            .iter()
            .map(|&slot| hint.says(slot))
            .fold(0.0, f64::max);
        let name = self.tree.skeleton.name(joint);
        let (mut confidence, mut reason) = if says >= 0.5 {
            let agreed = AGREED + 0.08 * shape;
            (
                agreed,
                format!("its name \"{name}\" and its place agree: {why}"),
            )
        } else if says > 0.0 {
            let agreed = 0.75 + 0.1 * shape;
            (
                agreed,
                format!("its place, and its name \"{name}\" may mean it: {why}"),
            )
        } else if hint.speaks() && !slots.is_empty() {
            let disputed = (0.25 + 0.25 * shape).min(DISPUTED);
            (
                disputed,
                format!("its place only, its name \"{name}\" says otherwise: {why}"),
            )
        } else {
            (shape.min(SHAPE_ONLY), format!("its place only: {why}"))
        };
        if role.side != Side::Middle {
            self.weigh_side(joint, role.side, &mut confidence, &mut reason);
        }
        (confidence, reason)
    }

    fn weigh_side(&self, joint: usize, side: Side, confidence: &mut f64, reason: &mut String) {
        match self.tree.spoken[joint].side {
            Some(named) if named != side => {
                *confidence = confidence.min(0.45);
                reason.push_str("; its name puts it on the other side");
            }
            Some(_) if !self.names_disagree => {}
            Some(_) => *confidence = confidence.min(0.45),
            None => {
                if self.side_confidence < *confidence {
                    *confidence = self.side_confidence;
                    reason.push_str("; its side follows from where the body seems to look");
                }
            }
        }
    }
}

/// Places that a name may mean for a part.
fn slots_of(part: Part) -> &'static [Slot] {
    match part {
        Part::HumanoidRoot => &[Slot::Root, Slot::Pelvis],
        Part::Sacroiliac => &[Slot::Pelvis, Slot::Root],
        Part::Lumbar(_) | Part::Thoracic(_) => &[Slot::Spine],
        Part::Cervical(_) => &[Slot::Neck],
        Part::Skullbase => &[Slot::Head],
        Part::Temporomandibular => &[Slot::Jaw],
        Part::Eyeball => &[Slot::Eye],
        Part::Eyelid => &[Slot::Eyelid],
        Part::Eyebrow => &[Slot::Eyebrow],
        Part::Sternoclavicular | Part::Acromioclavicular => &[Slot::Clavicle],
        Part::Shoulder => &[Slot::Shoulder, Slot::Wing],
        Part::Elbow => &[Slot::Elbow, Slot::Wing],
        Part::Radiocarpal => &[Slot::Wrist, Slot::Wing],
        Part::Midcarpal(_) | Part::Midcarpal45 | Part::Carpometacarpal(_) => {
            &[Slot::Finger, Slot::Wrist]
        }
        Part::Metacarpophalangeal(_)
        | Part::CarpalInterphalangeal
        | Part::CarpalProximalInterphalangeal(_)
        | Part::CarpalDistalInterphalangeal(_) => &[Slot::Finger],
        Part::Hip => &[Slot::Hip],
        Part::Knee => &[Slot::Knee],
        Part::Talocrural
        | Part::Talocalcaneonavicular
        | Part::Calcaneocuboid
        | Part::Transversetarsal
        | Part::Cuneonavicular(_) => &[Slot::Ankle],
        Part::Tarsometatarsal(_) | Part::Metatarsophalangeal(_) => &[Slot::Ball, Slot::Toe],
        Part::TarsalInterphalangeal
        | Part::TarsalProximalInterphalangeal(_)
        | Part::TarsalDistalInterphalangeal(_) => &[Slot::Toe],
        Part::Tail(_) => &[Slot::Tail],
        Part::Ear(_) => &[Slot::Ear],
        Part::Wing(_) => &[Slot::Wing],
        Part::ThighTwist(_) => &[Slot::Hip],
        Part::ShankTwist(_) => &[Slot::Knee],
        Part::UpperArmTwist(_) => &[Slot::Shoulder],
        Part::ForearmTwist(_) => &[Slot::Elbow],
        // Ends are named after whatever they end.
        Part::SkullTip | Part::FingerTip(_) | Part::ToeTip(_) => &[],
    }
}
