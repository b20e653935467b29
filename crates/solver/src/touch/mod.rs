//! Touches: a part of the body that meets another, or the floor, from one frame to another.
//!
//! A capture holds bones and no flesh. The performer gets flesh from published girths
//! ([`flesh`]), a touch of the take is then a meeting of two surfaces ([`find`]), and it is carried
//! over to the same places of the character's own skin ([`goals`]) by one solve over all frames
//! around it ([`problem`]).

mod apart;
mod carry;
pub mod find;
pub mod flesh;
mod goals;
mod groups;
mod limits;
mod part;
mod problem;
mod rest;
mod skin;
mod turns;

use serde::{Deserialize, Serialize};
use understudy_anatomy::{Body, Side};

pub use carry::CarriedTouch;
pub(crate) use carry::now::{Frames, Known, cleared};
pub(crate) use carry::{Actor, Cast, Ground, Stage};
pub use find::TouchLimits;
pub(crate) use find::flesh_of;
pub(crate) use goals::Goal;
pub(crate) use limits::BodyLimits;
pub(crate) use rest::Rests;
pub(crate) use skin::Flesh;

/// A part of the body with a surface of its own, or what it stands on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum TouchPart {
    /// The hand with its fingers.
    Hand,
    /// Elbow to wrist.
    Forearm,
    /// Shoulder to elbow.
    UpperArm,
    /// Skull and face.
    Head,
    /// Pelvis, belly and chest.
    Trunk,
    /// Hip to knee.
    Thigh,
    /// Knee to ankle.
    Shank,
    /// The floor.
    Floor,
}

impl TouchPart {
    /// Whether it is one that moves to what it touches: a hand or a forearm.
    pub fn is_limb(self) -> bool {
        matches!(self, Self::Hand | Self::Forearm)
    }

    /// Whether it is one that rests on the floor while pelvis and legs give way: trunk or shank.
    pub fn may_rest(self) -> bool {
        matches!(self, Self::Trunk | Self::Shank)
    }

    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Hand => "hand",
            Self::Forearm => "forearm",
            Self::UpperArm => "upper arm",
            Self::Head => "head",
            Self::Trunk => "trunk",
            Self::Thigh => "thigh",
            Self::Shank => "shank",
            Self::Floor => "floor",
        }
    }
}

/// One of the two surfaces of a touch, and where on it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TouchEnd {
    /// The part.
    pub part: TouchPart,
    /// Side of the performer's body.
    #[serde(default = "middle", skip_serializing_if = "is_middle")]
    pub side: Side,
    /// Pair of limbs, 0 for the first.
    #[serde(default, skip_serializing_if = "is_first")]
    pub pair: usize,
    /// Place along the part's bones, 0 where it begins, 1 at its end.
    #[serde(default)]
    pub along: f64,
}

fn middle() -> Side {
    Side::Middle
}

fn is_middle(side: &Side) -> bool {
    *side == Side::Middle
}

fn is_first(pair: &usize) -> bool {
    *pair == 0
}

impl TouchEnd {
    /// For a person: "left hand".
    pub fn words(&self) -> String {
        part_words(self.part, self.side, self.pair)
    }

    /// What of the part it is that lies on a floor.
    fn words_on_floor(&self) -> String {
        let joint = match self.part {
            TouchPart::Shank if self.along < JOINT => "knee",
            TouchPart::Forearm if self.along < JOINT => "elbow",
            TouchPart::Trunk if self.along < SEAT => "seat",
            _ => return self.words(),
        };
        worded(joint, self.side, self.pair)
    }
}

/// What is nearer to its beginning than this share of a limb is its upper joint, of the trunk the seat.
const JOINT: f64 = 0.25;
const SEAT: f64 = 0.2;

pub(crate) fn part_words(part: TouchPart, side: Side, pair: usize) -> String {
    worded(part.word(), side, pair)
}

/// Between a limb and the number of its pair.
pub(crate) const PAIR: &str = " of pair ";

fn worded(word: &str, side: Side, pair: usize) -> String {
    let side = match side {
        Side::Middle => String::new(),
        side => format!("{} ", side.word()),
    };
    let pair = match pair {
        0 => String::new(),
        pair => format!("{PAIR}{}", pair + 1),
    };
    format!("{side}{word}{pair}")
}

/// A stretch of frames in which two surfaces meet. Plain data, meant to be edited.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Touch {
    /// What touches, a hand or forearm; it moves to the other end. Trunk and shanks rest on the floor.
    pub from: TouchEnd,
    /// What is touched.
    pub to: TouchEnd,
    /// First frame, counted from 0.
    pub first: usize,
    /// Last frame.
    pub last: usize,
}

impl Touch {
    /// For a person: "right hand on head", "left knee on floor".
    pub fn words(&self) -> String {
        let from = match self.to.part {
            TouchPart::Floor => self.from.words_on_floor(),
            _ => self.from.words(),
        };
        format!("{from} on {}", self.to.words())
    }

    /// Whether the body rests on the floor by it: no limb moves to it, pelvis and legs give way.
    pub fn is_rest(&self) -> bool {
        self.to.part == TouchPart::Floor && self.from.part.may_rest()
    }

    /// Checks a touch against a take.
    ///
    /// # Errors
    /// What is wrong, for a person.
    pub(crate) fn check(&self, frames: usize, body: &Body) -> Result<(), String> {
        let at = format!(
            "touch {} of frames {} to {}",
            self.words(),
            self.first,
            self.last
        );
        if self.first > self.last {
            return Err(format!("{at}: it ends before it begins"));
        }
        if self.last >= frames {
            return Err(format!("{at}: the take ends at frame {}", frames - 1));
        }
        if !self.from.part.is_limb() && !self.is_rest() {
            return Err(format!(
                "{at}: what touches must be a hand or a forearm; trunk and shanks may rest on the floor"
            ));
        }
        if self.from.part == self.to.part
            && (self.from.side, self.from.pair) == (self.to.side, self.to.pair)
        {
            return Err(format!("{at}: a part cannot touch itself"));
        }
        for end in [&self.from, &self.to] {
            if !(0.0..=1.0).contains(&end.along) {
                return Err(format!(
                    "{at}: {} is {} along; it must be from 0 to 1",
                    end.words(),
                    end.along
                ));
            }
            if !has_part(body, end) {
                return Err(format!("{at}: the performer has no {}", end.words()));
            }
        }
        Ok(())
    }
}

fn has_part(body: &Body, end: &TouchEnd) -> bool {
    match end.part {
        TouchPart::Hand => body
            .arm(end.side, end.pair)
            .is_some_and(|arm| arm.wrist.is_some()),
        TouchPart::Forearm | TouchPart::UpperArm => body.arm(end.side, end.pair).is_some(),
        TouchPart::Thigh | TouchPart::Shank => body.leg(end.side, end.pair).is_some(),
        TouchPart::Head => body.head.is_some() && body.head_top.is_some(),
        TouchPart::Trunk | TouchPart::Floor => true,
    }
}

/// How touches are kept.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TouchSettings {
    /// Whether touches are carried over at all.
    pub enabled: bool,
    /// Whether parts of the body are kept out of each other where the performer's are apart: legs out of
    /// each other and of the trunk, then arms out of all else.
    pub keep_out: bool,
    /// How much shoulders, spine and head give way so that a hand reaches, against the arm: 0 moves
    /// the arm alone, 1 is usual.
    pub reach: f64,
    /// How firmly the two surfaces meet: 1 meets them exactly, less lets the motion win.
    pub strength: f64,
    /// Time over which a correction falls to 1/e before and after a touch, seconds.
    pub fade_secs: f64,
    /// Distance kept between the surfaces while they touch, metres; below 0 they press in.
    pub clearance_m: f64,
    /// Elbows are kept at least this bent, radians.
    pub straightest_elbow: f64,
    /// When two surfaces of the take count as touching.
    pub limits: TouchLimits,
}

impl Default for TouchSettings {
    fn default() -> Self {
        Self {
            enabled: true,
            keep_out: false,
            reach: 1.0,
            strength: 1.0,
            fade_secs: 0.2,
            clearance_m: 0.0,
            straightest_elbow: 0.05,
            limits: TouchLimits::default(),
        }
    }
}
