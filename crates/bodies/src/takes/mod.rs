//! The performer's takes: motion authored in code, with what is true of it.
//!
//! A take is planned as contacts first (stances of the feet, places that hands touch), then the
//! pelvis above them, then trunk and head; legs and arms follow by the law of cosines. Where a hand
//! touches the body it meets the performer's own skin, which is measured when the take is made, so
//! that it stays right when the flesh changes. All curves have continuous acceleration.

pub mod capture;
mod dance;
mod draft;
pub(crate) mod feet;
pub(crate) mod figure;
mod floor;
mod gait;
mod gestures;
mod jump;
pub(crate) mod line;
pub(crate) mod mass;
mod score;
mod standing;
#[cfg(test)]
mod tests;
mod walks;

use glam::DVec3;
use understudy_anatomy::Side;
use understudy_motion::{Clip, Transform};

pub use crate::demo_take::{SolePart, TrueContact};
use crate::error::BodyError;
pub use crate::takes::capture::{CaptureFault, capture_faults, faulty_take};
use crate::takes::draft::Draft;
use crate::takes::figure::{Figure, figure};

/// A part of the performer's body, or what it touches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum TouchPart {
    /// A hand with its fingers.
    Hand(Side),
    /// The last two phalanges of the fingers.
    Fingertips(Side),
    /// A forearm.
    Forearm(Side),
    /// An upper arm.
    UpperArm(Side),
    /// A thigh.
    Thigh(Side),
    /// A knee.
    Knee(Side),
    /// The flesh one sits on.
    Seat,
    /// The chin.
    Chin,
    /// The brow.
    Brow,
    /// A side of the body at the top of the pelvis.
    Hip(Side),
    /// The floor, at height 0.
    Floor,
    /// A prop of the take by its name.
    Prop(&'static str),
}

/// One end of a touch.
#[derive(Clone, Debug, PartialEq)]
pub struct TouchEnd {
    /// What touches.
    pub part: TouchPart,
    /// The joint that `point` moves with; none for the floor and for props.
    pub joint: Option<String>,
    /// A point on the skin in coordinates of the joint, on the floor in the world's, or on a prop
    /// in the prop's; metres.
    pub point: DVec3,
}

/// A stretch of frames in which two things touch. The points are those of its middle frame; what
/// slides, such as fingers that scratch, has others before and after.
#[derive(Clone, Debug, PartialEq)]
pub struct TrueTouch {
    /// Both ends, the performer's hand, knee or seat first.
    pub ends: [TouchEnd; 2],
    /// First frame of the touch.
    pub first_frame: usize,
    /// Last frame of the touch.
    pub last_frame: usize,
}

/// A thing of the take: a box.
#[derive(Clone, Debug, PartialEq)]
pub struct Prop {
    /// Its name.
    pub name: &'static str,
    /// Lengths along its own axes, metres; the origin is in the middle.
    pub size_m: DVec3,
    /// Its place in each frame.
    pub places: Vec<Transform>,
}

/// A take of the performer with what is true of it.
#[derive(Clone, Debug, PartialEq)]
pub struct AuthoredTake {
    /// Its name, one of [`take_names`].
    pub name: &'static str,
    /// What happens in it, one sentence.
    pub said: &'static str,
    /// The motion: Y up, starting along Z, metres.
    pub clip: Clip,
    /// What of the feet rests on the floor when.
    pub contacts: Vec<TrueContact>,
    /// What else touches what when.
    pub touches: Vec<TrueTouch>,
    /// The things touched.
    pub props: Vec<Prop>,
}

/// Makes the plan of a take.
type Plan = fn(&'static Figure) -> Draft;

/// Names, frames per second, sentences and plans.
const TAKES: [(&str, f64, &str, Plan); 14] = [
    (
        "walk",
        60.0,
        "The performer starts between the stalls, walks straight on, turns to the right and stops.",
        walks::walk,
    ),
    (
        "stealth",
        50.0,
        "Bent low and on soft feet, the performer steals past a sleeping stall keeper.",
        walks::stealth,
    ),
    (
        "clap",
        120.0,
        "The performer claps for the fiddler: softly, louder, once overhead.",
        gestures::clap,
    ),
    (
        "prayer",
        24.0,
        "Palms pressed together, the performer bows to the tide.",
        gestures::prayer,
    ),
    (
        "chin",
        30.0,
        "The performer thinks about a price and scratches the chin.",
        gestures::chin,
    ),
    (
        "brow",
        30.0,
        "After a long evening the performer wipes the brow with the back of the hand.",
        gestures::brow,
    ),
    (
        "hips",
        25.0,
        "Hands on hips, the performer shifts the weight from foot to foot and looks along the stalls.",
        gestures::hips,
    ),
    (
        "folded",
        24.0,
        "Arms folded, the performer waits for customers.",
        gestures::folded,
    ),
    (
        "lift",
        50.0,
        "The performer kneels to lift a crate, stands up with it and sets it down again.",
        floor::lift,
    ),
    (
        "sit",
        30.0,
        "The performer sits down on a stool, rests and gets up.",
        floor::sit,
    ),
    (
        "jump",
        120.0,
        "The performer crouches, jumps and lands softly.",
        jump::jump,
    ),
    (
        "dance",
        100.0,
        "A few crossing steps of a dance to the fiddle.",
        dance::dance,
    ),
    (
        "crawl",
        50.0,
        "The performer crawls under the awnings on hands and knees.",
        floor::crawl,
    ),
    (
        "wave",
        60.0,
        "The performer walks along the stalls and waves to a friend.",
        walks::wave,
    ),
];

/// Names of all takes, in the order in which they are listed to people.
pub fn take_names() -> &'static [&'static str] {
    static NAMES: std::sync::OnceLock<Vec<&'static str>> = std::sync::OnceLock::new();
    NAMES.get_or_init(|| TAKES.iter().map(|take| take.0).collect())
}

/// Makes a take. It is the same every time.
///
/// # Errors
/// A name that is not among [`take_names`].
pub fn take(name: &str) -> Result<AuthoredTake, BodyError> {
    let found = TAKES.iter().find(|take| take.0 == name);
    let Some(&(name, frames_per_sec, said, plan)) = found else {
        return Err(BodyError::NoTake {
            name: name.to_owned(),
            names: take_names().join(", "),
        });
    };
    let figure = figure()?;
    plan(figure).finished(figure, name, said, frames_per_sec)
}
