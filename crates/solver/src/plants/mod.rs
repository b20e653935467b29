//! Where a foot goes so that planted parts do not move.
//!
//! Each contact of heel, ball or toe gets one point of the floor, its anchor, or stands where a
//! person pinned it. Contacts that overlap belong to one foot lying flat, so their anchors are a rigid foot apart. While a part
//! is down the foot turns about its anchor; in between, the difference to plain transfer fades
//! smoothly ([`crate::smooth`]).

mod anchors;
mod positions;
mod rig;
mod rotations;

use understudy_motion::{DQuat, DVec3, WorldPose};

use self::rig::Rig;
use crate::banded::NotPositive;
use crate::contacts::Contact;
use crate::floor::Floor;
use crate::foot::Foot;

/// The foot in plain transfer, over all frames, and what is known of its contacts.
pub struct FootTake<'a> {
    /// The character's foot.
    pub foot: &'a Foot,
    /// Ankle, world, metres.
    pub ankle_positions: Vec<DVec3>,
    /// `world_from_ankle`.
    pub ankle_rotations: Vec<DQuat>,
    /// `world_from_toe_joint`.
    pub toe_rotations: Vec<DQuat>,
    /// Performer's heel is down.
    pub heel: Vec<bool>,
    /// Performer's ball is down.
    pub ball: Vec<bool>,
    /// Performer's toe is down.
    pub toe: Vec<bool>,
    /// Contacts of the performer that have a place of their own.
    pub pins: Vec<Contact>,
}

/// Where the foot goes.
#[derive(Clone, Debug, PartialEq)]
pub struct FootPath {
    /// Ankle, world, metres.
    pub ankle_positions: Vec<DVec3>,
    /// `world_from_ankle`.
    pub ankle_rotations: Vec<DQuat>,
    /// `world_from_toe_joint`.
    pub toe_rotations: Vec<DQuat>,
    /// Height of the lowest point of the sole above the floor, metres.
    pub clearances: Vec<f64>,
    /// Whether any part is down.
    pub planted: Vec<bool>,
    /// Which parts of the character's foot are down: heel, ball, toe.
    pub parts: Vec<[bool; 3]>,
}

/// Plants a foot.
///
/// # Errors
/// Numbers that are not finite.
pub fn plant_foot(
    take: &FootTake<'_>,
    rest: &WorldPose,
    floor: &Floor,
    fade_secs: f64,
    frame_time_secs: f64,
) -> Result<FootPath, NotPositive> {
    let mut planter = Planter {
        plain_ankles: take.ankle_rotations.clone(),
        plain_toes: take.toe_rotations.clone(),
        take,
        rig: Rig::new(take.foot, rest),
        floor,
        fade_secs,
        frame_time_secs,
        size: rest
            .position(take.foot.ankle)
            .distance(take.foot.toe.world(rest)),
    };
    planter.lay_sideways_flat()?;
    planter.run()
}

struct Planter<'a> {
    take: &'a FootTake<'a>,
    /// `world_from_ankle` in plain transfer, laid flat sideways where planted.
    plain_ankles: Vec<DQuat>,
    /// `world_from_toe_joint` likewise.
    plain_toes: Vec<DQuat>,
    rig: Rig,
    floor: &'a Floor,
    fade_secs: f64,
    frame_time_secs: f64,
    /// Length of the foot, metres.
    size: f64,
}

impl Planter<'_> {
    fn run(&self) -> Result<FootPath, NotPositive> {
        let frames = self.take.ankle_positions.len();
        let mut masks = self.part_masks();
        self.free_turning_toes(&mut masks);
        let mut contacts = self.contacts(&masks);
        let flats = self.flats(&contacts);
        self.place_anchors(&mut contacts, &flats);
        let parts: Vec<[bool; 3]> = (0..frames)
            .map(|f| std::array::from_fn(|part| masks[part][f]))
            .collect();
        let planted: Vec<bool> = parts.iter().map(|p| p.iter().any(|on| *on)).collect();
        let (ankles, toes) = self.rotations(&contacts, &flats, &parts)?;
        let positions = self.positions(&contacts, &ankles, &toes, &planted)?;
        Ok(FootPath {
            clearances: self.clearances(&positions, &ankles, &toes),
            ankle_positions: positions,
            ankle_rotations: ankles,
            toe_rotations: toes,
            planted,
            parts,
        })
    }

    /// Which parts of the character's own foot are down. A foot of one piece cannot roll over its
    /// ball and rolls over its tip; a leg that walks on its toes has no heel to put down.
    fn part_masks(&self) -> [Vec<bool>; 3] {
        let take = self.take;
        let frames = take.ankle_positions.len();
        let one_piece = take.foot.is_one_piece();
        let on_toes = take.foot.heel.is_none();
        let mask = |pick: &dyn Fn(bool, bool, bool) -> bool| -> Vec<bool> {
            (0..frames)
                .map(|f| pick(take.heel[f], take.ball[f], take.toe[f]))
                .collect()
        };
        match (one_piece, on_toes) {
            (false, false) => [
                take.heel.clone(),
                take.ball.clone(),
                // With the heel down the tip cannot be down before the ball is.
                mask(&|heel, ball, toe| toe && (ball || !heel)),
            ],
            (true, false) => [
                take.heel.clone(),
                vec![false; frames],
                mask(&|_, ball, toe| ball || toe),
            ],
            (false, true) => [
                vec![false; frames],
                mask(&|heel, ball, _| heel || ball),
                mask(&|heel, ball, toe| toe || (heel && ball)),
            ],
            (true, true) => [
                vec![false; frames],
                vec![false; frames],
                mask(&|heel, ball, toe| heel || ball || toe),
            ],
        }
    }
}
