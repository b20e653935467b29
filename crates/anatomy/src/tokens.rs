//! What the name of a joint says about the body.
//!
//! A name is split into words (camel case, separators, digits, run-together compounds), freed of
//! its namespace and of words that all joints share, and looked up in a dictionary of anatomical
//! words. The dictionary holds single words, not the joint set of any program.

use crate::body::Side;

/// A coarse place in the body that a word can mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Slot {
    /// A node on the floor or at the origin that carries the whole body.
    Floor,
    /// The body's first joint.
    Root,
    /// Pelvis.
    Pelvis,
    /// Lower back to chest.
    Spine,
    /// Neck.
    Neck,
    /// Head.
    Head,
    /// Jaw.
    Jaw,
    /// Eyeball.
    Eye,
    /// Eyelid.
    Eyelid,
    /// Eyebrow.
    Eyebrow,
    /// Ear.
    Ear,
    /// Clavicle or scapula.
    Clavicle,
    /// Upper arm, turning at the shoulder.
    Shoulder,
    /// Forearm, turning at the elbow.
    Elbow,
    /// Hand, turning at the wrist.
    Wrist,
    /// Finger or metacarpal.
    Finger,
    /// Thigh, turning at the hip.
    Hip,
    /// Shank, turning at the knee.
    Knee,
    /// Foot, turning at the ankle.
    Ankle,
    /// Fore part of the foot, turning at the ball.
    Ball,
    /// A toe.
    Toe,
    /// Tail.
    Tail,
    /// Wing.
    Wing,
}

/// What all words of a name say together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NameHint {
    /// Side marker.
    pub side: Option<Side>,
    /// Places the words can mean, each with how surely (0 to 1).
    pub slots: Vec<(Slot, f64)>,
    /// Ray of a digit, 1 to 5.
    pub ray: Option<u8>,
    /// The joint shares twist ("twist", "roll").
    pub twist: bool,
    /// The joint only marks an end ("end", "tip").
    pub end: bool,
    /// The joint is a handle, a target or a place to attach things.
    pub helper: bool,
    /// Words and numbers without the side marker; mirrored joints agree in it.
    pub stem: String,
}

impl NameHint {
    /// How surely the name means a place, 0 to 1.
    pub fn says(&self, slot: Slot) -> f64 {
        self.slots
            .iter()
            .filter(|(said, _)| *said == slot)
            .map(|(_, weight)| *weight)
            .fold(0.0, f64::max)
    }

    /// Whether any word has an anatomical meaning.
    pub fn speaks(&self) -> bool {
        !self.slots.is_empty()
    }

    /// Whether the name means something, and not this.
    pub fn denies(&self, slot: Slot) -> bool {
        self.speaks() && self.says(slot) == 0.0
    }

    /// The place the name means most surely.
    pub fn best(&self) -> Option<Slot> {
        self.slots
            .iter()
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(slot, _)| *slot)
    }
}

/// What a single word means.
#[derive(Clone, Copy)]
enum Sense {
    /// A place, or several it is used for; the rank says which word of a name wins.
    Place(u8, &'static [(Slot, f64)]),
    /// A digit: finger or toe decided by other words, finger by default.
    Digit(u8),
    Side(Side),
    Upper,
    Lower,
    Twist,
    End,
    Helper,
    /// A part of no use to a body's motion, such as hair or cloth.
    Other,
    /// A word without meaning, such as "joint".
    Filler,
}

use Sense::{Digit, End, Filler, Helper, Lower, Other, Place, Twist, Upper};
use Slot::{
    Ankle, Ball, Clavicle, Ear, Elbow, Eye, Eyebrow, Eyelid, Finger, Floor, Head, Hip, Jaw, Knee,
    Neck, Pelvis, Root, Shoulder, Spine, Tail, Toe, Wing, Wrist,
};

const ROOT: Sense = Place(0, &[(Root, 1.0)]);
const PELVIS: Sense = Place(1, &[(Pelvis, 1.0), (Root, 0.8)]);
const SPINE: Sense = Place(1, &[(Spine, 1.0)]);
const NECK: Sense = Place(2, &[(Neck, 1.0), (Head, 0.3)]);
const HEAD: Sense = Place(2, &[(Head, 1.0)]);
const CLAVICLE: Sense = Place(2, &[(Clavicle, 1.0)]);
const HUMERUS: Sense = Place(2, &[(Shoulder, 1.0)]);
const FOREARM: Sense = Place(2, &[(Elbow, 1.0)]);
const WRIST: Sense = Place(2, &[(Wrist, 1.0)]);
const HAND: Sense = Place(2, &[(Wrist, 0.8), (Finger, 0.3)]);
const FINGER: Sense = Place(4, &[(Finger, 1.0)]);
const THIGH: Sense = Place(2, &[(Hip, 1.0)]);
const SHANK: Sense = Place(2, &[(Knee, 1.0)]);
const ANKLE: Sense = Place(2, &[(Ankle, 1.0)]);
const FOOT: Sense = Place(2, &[(Ankle, 0.9), (Ball, 0.3)]);
const BALL: Sense = Place(3, &[(Ball, 1.0)]);
const TOE: Sense = Place(4, &[(Toe, 1.0), (Ball, 0.8)]);
// Words for the whole limb mean its upper parts most often, but some skeletons number them.
const LEG: Sense = Place(
    1,
    &[
        (Knee, 0.6),
        (Hip, 0.5),
        (Ankle, 0.2),
        (Ball, 0.2),
        (Toe, 0.1),
    ],
);
const ARM: Sense = Place(
    1,
    &[(Shoulder, 0.8), (Elbow, 0.4), (Wrist, 0.2), (Clavicle, 0.2)],
);

const FLOOR: Sense = Place(0, &[(Floor, 1.0)]);

const WORDS: &[(&str, Sense)] = &[
    ("reference", FLOOR),
    ("floor", FLOOR),
    ("ground", FLOOR),
    ("world", FLOOR),
    ("scene", FLOOR),
    ("origin", FLOOR),
    ("trajectory", FLOOR),
    ("root", ROOT),
    ("humanoid", ROOT),
    ("pelvis", PELVIS),
    ("pelvic", PELVIS),
    ("hips", PELVIS),
    ("sacrum", PELVIS),
    ("sacroiliac", PELVIS),
    ("sacral", PELVIS),
    ("hip", Place(2, &[(Hip, 1.0)])),
    ("spine", SPINE),
    ("spinal", SPINE),
    ("vertebra", SPINE),
    ("back", SPINE),
    ("lumbar", SPINE),
    ("vl", SPINE),
    ("vt", SPINE),
    ("torso", SPINE),
    ("trunk", SPINE),
    ("waist", SPINE),
    ("abdomen", SPINE),
    ("belly", SPINE),
    ("chest", SPINE),
    ("thorax", SPINE),
    ("thoracic", SPINE),
    ("ribcage", SPINE),
    ("sternum", SPINE),
    ("neck", NECK),
    ("cervical", NECK),
    ("collum", NECK),
    ("vc", NECK),
    ("head", HEAD),
    ("skull", HEAD),
    ("skullbase", HEAD),
    ("cranium", HEAD),
    ("caput", HEAD),
    ("jaw", Place(3, &[(Jaw, 1.0)])),
    ("mandible", Place(3, &[(Jaw, 1.0)])),
    ("mandibula", Place(3, &[(Jaw, 1.0)])),
    ("temporomandibular", Place(3, &[(Jaw, 1.0)])),
    ("eye", Place(3, &[(Eye, 1.0)])),
    ("eyeball", Place(3, &[(Eye, 1.0)])),
    ("oculus", Place(3, &[(Eye, 1.0)])),
    ("eyelid", Place(4, &[(Eyelid, 1.0)])),
    ("lid", Place(4, &[(Eyelid, 1.0)])),
    ("eyebrow", Place(4, &[(Eyebrow, 1.0)])),
    ("brow", Place(4, &[(Eyebrow, 1.0)])),
    ("ear", Place(3, &[(Ear, 1.0)])),
    ("auris", Place(3, &[(Ear, 1.0)])),
    ("clavicle", CLAVICLE),
    ("clavicula", CLAVICLE),
    ("collar", CLAVICLE),
    ("collarbone", CLAVICLE),
    ("scapula", CLAVICLE),
    ("blade", Place(3, &[(Clavicle, 1.0)])),
    ("sternoclavicular", CLAVICLE),
    ("acromioclavicular", CLAVICLE),
    ("shoulder", Place(2, &[(Shoulder, 0.7), (Clavicle, 0.7)])),
    ("humerus", HUMERUS),
    ("brachium", HUMERUS),
    ("uparm", HUMERUS),
    ("arm", ARM),
    ("elbow", FOREARM),
    ("forearm", FOREARM),
    ("antebrachium", FOREARM),
    ("radius", FOREARM),
    ("ulna", FOREARM),
    ("wrist", WRIST),
    ("carpus", WRIST),
    ("radiocarpal", WRIST),
    ("hand", HAND),
    ("manus", HAND),
    ("palm", HAND),
    ("metacarpal", FINGER),
    ("metacarpus", FINGER),
    ("carpometacarpal", FINGER),
    ("metacarpophalangeal", FINGER),
    ("finger", FINGER),
    ("fingers", FINGER),
    ("digit", FINGER),
    ("phalanx", FINGER),
    ("thumb", Digit(1)),
    ("pollex", Digit(1)),
    ("index", Digit(2)),
    ("middle", Digit(3)),
    ("ring", Digit(4)),
    ("little", Digit(5)),
    ("pinky", Digit(5)),
    ("pinkie", Digit(5)),
    ("minimus", Digit(5)),
    ("thigh", THIGH),
    ("femur", THIGH),
    ("upleg", THIGH),
    ("leg", LEG),
    ("shin", SHANK),
    ("calf", SHANK),
    ("shank", SHANK),
    ("crus", SHANK),
    ("tibia", SHANK),
    ("fibula", SHANK),
    ("knee", SHANK),
    ("ankle", ANKLE),
    ("talus", ANKLE),
    ("talocrural", ANKLE),
    ("tarsus", ANKLE),
    ("hock", ANKLE),
    ("foot", FOOT),
    ("paw", FOOT),
    ("pes", FOOT),
    ("ball", BALL),
    ("metatarsal", BALL),
    ("metatarsus", BALL),
    ("metatarsophalangeal", BALL),
    ("toe", TOE),
    ("toes", TOE),
    ("hallux", TOE),
    ("tail", Place(3, &[(Tail, 1.0)])),
    ("cauda", Place(3, &[(Tail, 1.0)])),
    ("wing", Place(3, &[(Wing, 1.0)])),
    ("left", Sense::Side(Side::Left)),
    ("lft", Sense::Side(Side::Left)),
    ("lf", Sense::Side(Side::Left)),
    ("lt", Sense::Side(Side::Left)),
    ("l", Sense::Side(Side::Left)),
    ("sinister", Sense::Side(Side::Left)),
    ("sinistra", Sense::Side(Side::Left)),
    ("right", Sense::Side(Side::Right)),
    ("rgt", Sense::Side(Side::Right)),
    ("rt", Sense::Side(Side::Right)),
    ("r", Sense::Side(Side::Right)),
    ("dexter", Sense::Side(Side::Right)),
    ("dextra", Sense::Side(Side::Right)),
    ("upper", Upper),
    ("up", Upper),
    ("lower", Lower),
    ("low", Lower),
    ("fore", Filler),
    ("mid", Filler),
    ("front", Filler),
    ("hind", Filler),
    ("rear", Filler),
    ("base", Filler),
    ("bone", Filler),
    ("joint", Filler),
    ("jnt", Filler),
    ("node", Filler),
    ("twist", Twist),
    ("roll", Twist),
    ("end", End),
    ("tip", End),
    ("nub", End),
    ("ik", Helper),
    ("fk", Helper),
    ("pole", Helper),
    ("target", Helper),
    ("goal", Helper),
    ("handle", Helper),
    ("ctrl", Helper),
    ("control", Helper),
    ("effector", Helper),
    ("socket", Helper),
    ("attach", Helper),
    ("attachment", Helper),
    ("mount", Helper),
    ("grip", Helper),
    ("prop", Helper),
    ("weapon", Helper),
    ("marker", Helper),
    ("locator", Helper),
    ("helper", Helper),
    ("camera", Helper),
    ("hair", Other),
    ("cloth", Other),
    ("skirt", Other),
    ("cape", Other),
    ("breast", Other),
    ("cheek", Other),
    ("lip", Other),
    ("nose", Other),
    ("tongue", Other),
    ("heel", Other),
    ("feather", Other),
];

fn sense_of(word: &str) -> Option<Sense> {
    WORDS
        .iter()
        .find(|(known, _)| *known == word)
        .map(|(_, sense)| *sense)
}

/// Splits at separators, at changes from lower to upper case and between letters and digits;
/// everything in lower case. A namespace before the last colon is dropped.
fn raw_words(name: &str) -> Vec<String> {
    let name = name.rsplit(':').next().unwrap_or(name);
    let letters: Vec<char> = name.chars().collect();
    let mut words = Vec::new();
    let mut word = String::new();
    for (index, &letter) in letters.iter().enumerate() {
        let before = index.checked_sub(1).map(|i| letters[i]);
        let after = letters.get(index + 1).copied();
        if before.is_some_and(|before| is_word_start(before, letter, after)) && !word.is_empty() {
            words.push(std::mem::take(&mut word));
        }
        if letter.is_alphanumeric() {
            word.extend(letter.to_lowercase());
        }
    }
    if !word.is_empty() {
        words.push(word);
    }
    words
}

fn is_word_start(before: char, letter: char, after: Option<char>) -> bool {
    let digits_change = before.is_numeric() != letter.is_numeric();
    let hump = before.is_lowercase() && letter.is_uppercase();
    // The last capital of a run begins the next word: "LHand" is "L", "Hand".
    let run_ends =
        before.is_uppercase() && letter.is_uppercase() && after.is_some_and(char::is_lowercase);
    !letter.is_alphanumeric() || !before.is_alphanumeric() || digits_change || hump || run_ends
}

/// Splits a run-together word ("lowerback", "ltoes") into words of the dictionary; the word itself
/// where that cannot be done. Single letters count as sides only at either end.
fn compound(word: &str) -> Vec<String> {
    if word.len() > 40 || !word.is_ascii() || sense_of(word).is_some() {
        return vec![word.to_owned()];
    }
    split_known(word, true).unwrap_or_else(|| vec![word.to_owned()])
}

/// The longest known words first; words of two letters and less only at the ends.
fn split_known(word: &str, at_start: bool) -> Option<Vec<String>> {
    if word.is_empty() {
        return Some(Vec::new());
    }
    (1..=word.len()).rev().find_map(|length| {
        let (head, tail) = word.split_at(length);
        sense_of(head)?;
        if head.len() <= 2 && !at_start && !tail.is_empty() {
            return None;
        }
        let mut words = split_known(tail, false)?;
        words.insert(0, head.to_owned());
        Some(words)
    })
}

/// Hints for the names of a whole skeleton: words that begin every name are left out.
pub fn hints<'a>(names: impl IntoIterator<Item = &'a str>) -> Vec<NameHint> {
    let mut all: Vec<Vec<String>> = names.into_iter().map(raw_words).collect();
    drop_common_prefix(&mut all);
    all.iter().map(|words| hint_of(words)).collect()
}

fn drop_common_prefix(all: &mut [Vec<String>]) {
    while all.len() > 2 {
        let Some(first) = all[0].first().cloned() else {
            return;
        };
        let shared = all.iter().all(|words| words.len() > 1 && words[0] == first);
        if !shared {
            return;
        }
        for words in all.iter_mut() {
            words.remove(0);
        }
    }
}

fn hint_of(raw: &[String]) -> NameHint {
    let words: Vec<String> = raw.iter().flat_map(|word| compound(word)).collect();
    let mut hint = NameHint::default();
    let (mut upper, mut lower, mut rank) = (false, false, 0);
    let toes = words
        .iter()
        .any(|word| word.starts_with("toe") || word == "hallux");
    let mut other = false;
    for word in &words {
        match sense_of(word) {
            Some(Place(of, slots)) if hint.slots.is_empty() || of >= rank => {
                rank = of;
                hint.slots = slots.to_vec();
            }
            Some(Digit(ray)) => {
                hint.ray = Some(ray);
                rank = 5;
                let slots: &[(Slot, f64)] = if toes {
                    &[(Toe, 1.0)]
                } else {
                    &[(Finger, 1.0)]
                };
                hint.slots = slots.to_vec();
            }
            Some(Sense::Side(side)) => {
                hint.side = hint.side.or(Some(side));
                continue;
            }
            Some(Upper) => upper = true,
            Some(Lower) => lower = true,
            Some(Twist) => hint.twist = true,
            Some(End) => hint.end = true,
            Some(Helper) => hint.helper = true,
            Some(Other) => other = true,
            Some(Filler | Place(..)) | None => {}
        }
        hint.stem.push_str(word);
        hint.stem.push(' ');
    }
    refine(&mut hint, &words, upper, lower);
    if other && rank < 3 {
        hint.slots.clear();
        hint.helper = true;
    }
    hint
}

/// Words that change the sense of their neighbours.
fn refine(hint: &mut NameHint, words: &[String], upper: bool, lower: bool) {
    let has = |word: &str| words.iter().any(|other| other == word);
    if has("arm") && hint.says(Elbow) < 1.0 && rank_is_limb(hint, Shoulder) {
        if upper {
            hint.slots = vec![(Shoulder, 1.0)];
        } else if lower || has("fore") {
            hint.slots = vec![(Elbow, 1.0)];
        }
    }
    if has("leg") && rank_is_limb(hint, Knee) {
        if upper {
            hint.slots = vec![(Hip, 1.0)];
        } else if lower {
            hint.slots = vec![(Knee, 1.0)];
        }
    }
    // "Hip" without a side is as often the pelvis.
    if hint.side.is_none() && has("hip") && hint.best() == Some(Hip) {
        hint.slots = vec![(Pelvis, 0.8), (Root, 0.6), (Hip, 0.6)];
    }
    // "Hip joint" beside a femur is the bone from pelvis to hip.
    if hint.side.is_some() && has("hips") {
        hint.slots = vec![(Hip, 0.6), (Pelvis, 0.4)];
    }
}

fn rank_is_limb(hint: &NameHint, slot: Slot) -> bool {
    hint.says(slot) > 0.0 && !hint.slots.iter().any(|(slot, _)| *slot == Finger)
}

/// Up to three candidates most like a text, nearest first. A namespace, what stands before a colon, says
/// nothing about the joint.
pub fn nearest(text: &str, candidates: impl IntoIterator<Item = String>) -> Vec<String> {
    let own = |name: &str| name.rsplit(':').next().unwrap_or(name).to_lowercase();
    let wanted = own(text);
    let limit = (wanted.chars().count() / 2).max(2);
    let mut scored: Vec<(usize, String)> = candidates
        .into_iter()
        .map(|candidate| (edits(&wanted, &own(&candidate)), candidate))
        .filter(|(distance, _)| *distance <= limit)
        .collect();
    scored.sort();
    scored.dedup();
    scored.into_iter().take(3).map(|(_, name)| name).collect()
}

/// Levenshtein's edit distance (1966).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, letter) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, other) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(letter != *other);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(row[j + 1] + 1);
        }
    }
    row.last().copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hint(name: &str) -> NameHint {
        hints([name]).remove(0)
    }

    #[test]
    fn names_of_many_styles_mean_the_same() {
        let check = |name: &str, side: Option<Side>, slot: Slot| {
            let hint = hint(name);
            assert_eq!(
                (hint.side, hint.best()),
                (side, Some(slot)),
                "{name}: {hint:?}"
            );
        };
        let (left, right) = (Some(Side::Left), Some(Side::Right));
        for name in [
            "LeftUpperLeg",
            "l_thigh",
            "thigh.L",
            "lfemur",
            "UpperLeg_L",
            "Lft-upper leg",
        ] {
            check(name, left, Hip);
        }
        for name in [
            "r_forearm",
            "lowerarm.R",
            "RightLowerArm",
            "rradius",
            "stall:ForearmR",
        ] {
            check(name, right, Elbow);
        }
        check("rtoes", right, Toe);
        check("lowerback", None, Spine);
        check("upperneck", None, Neck);
        check("vl5", None, Spine);
        check("Hip", None, Pelvis);
        check("r_hip", right, Hip);
        check("thumb_a_l", left, Finger);
        check("RingLeft2", left, Finger);
        check("l_eyelid_joint", left, Eyelid);
        check("jaw", None, Jaw);
    }

    #[test]
    fn marks_are_seen() {
        assert!(hint("l_forearm_twist_01").twist);
        assert!(hint("ToeEnd_L").end);
        assert!(hint("ik_lantern").helper);
        assert!(hint("foot_socket_r").helper);
        assert_eq!(hint("thumb2.L").ray, Some(1));
        assert_eq!(hint("IndexLeft1").stem, hint("IndexRight1").stem);
        assert!(!hint("bone_17").speaks());
        assert!(!hint("").speaks());
        assert!(!hint("Ωμέγα 三").speaks());
    }

    #[test]
    fn what_all_names_share_says_nothing() {
        let hints = hints(["head_pelvis", "head_l_knee", "head_neck"]);
        assert_eq!(hints[1].best(), Some(Knee));
        assert_eq!(hints[0].best(), Some(Pelvis));
    }

    #[test]
    fn near_names_come_first() {
        let names = ["LeftKnee", "RightKnee", "Head"].map(String::from);
        assert_eq!(nearest("leftkne", names)[0], "LeftKnee");
        let names = ["keeper:LeftKnee", "Hip"].map(String::from);
        assert_eq!(nearest("stall:leftkne", names), ["keeper:LeftKnee"]);
        assert_eq!(edits("kitten", "sitting"), 3);
    }
}
