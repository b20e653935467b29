//! Curves: how a joint moves over time in the take, after plain transfer, in the result, and with the
//! settings that are compared with. Computed once for each result and choice, not for each picture.
//!
//! The world has Y up. At the character's size, places of the take are multiplied by the factors that
//! its travel was carried over with.

use std::sync::Arc;

use understudy_anatomy::{Arm, Body, Leg, Side};
use understudy_motion::{Clip, DVec3, signal};
use understudy_scene::Solved;
use understudy_solver::{Floor, Retargeted};

use super::session::Session;
use super::stage::Who;

/// A part of the body that curves are often asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Part {
    /// `sacroiliac`.
    #[default]
    Pelvis,
    /// `skullbase`.
    Head,
    /// `radiocarpal`, the wrist, of a side.
    Hand(Side),
    /// `elbow` of a side.
    Elbow(Side),
    /// `knee` of a side.
    Knee(Side),
    /// The ball of the foot of a side, or its ankle where one of the bodies has no ball.
    Foot(Side),
}

impl Part {
    /// All, from the pelvis outward.
    pub const ALL: [Self; 10] = [
        Self::Pelvis,
        Self::Head,
        Self::Hand(Side::Left),
        Self::Hand(Side::Right),
        Self::Elbow(Side::Left),
        Self::Elbow(Side::Right),
        Self::Knee(Side::Left),
        Self::Knee(Side::Right),
        Self::Foot(Side::Left),
        Self::Foot(Side::Right),
    ];

    /// For people: "left knee".
    pub fn words(self) -> String {
        let (word, side) = match self {
            Self::Pelvis => ("pelvis", Side::Middle),
            Self::Head => ("head", Side::Middle),
            Self::Hand(side) => ("hand", side),
            Self::Elbow(side) => ("elbow", side),
            Self::Knee(side) => ("knee", side),
            Self::Foot(side) => ("foot", side),
        };
        match side {
            Side::Middle => word.to_owned(),
            side => format!("{} {word}", side.word()),
        }
    }

    /// The joint of a body; `has_balls` says whether feet have balls.
    fn joint(self, body: &Body, has_balls: bool) -> Option<usize> {
        let leg = |side| body.leg(side, 0);
        let arm = |side| body.arm(side, 0);
        match self {
            Self::Pelvis => Some(body.pelvis),
            Self::Head => body.head,
            Self::Hand(side) => arm(side)?.wrist,
            Self::Elbow(side) => Some(arm(side)?.elbow),
            Self::Knee(side) => Some(leg(side)?.knee),
            Self::Foot(side) if has_balls => leg(side)?.ball,
            Self::Foot(side) => Some(leg(side)?.ankle),
        }
    }
}

/// What is plotted of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Quantity {
    /// Place along X, a level axis, metres.
    X,
    /// Place along Y, which is up, metres.
    Y,
    /// Place along Z, a level axis, metres.
    Z,
    /// Height above the floor, metres.
    #[default]
    Height,
    /// Speed, metres per second.
    Speed,
    /// Bend of a knee or an elbow; of other joints the turn from rest against the joint above;
    /// degrees.
    Angle,
}

impl Quantity {
    /// All.
    pub const ALL: [Self; 6] = [
        Self::Height,
        Self::Speed,
        Self::Angle,
        Self::X,
        Self::Y,
        Self::Z,
    ];

    /// For people.
    pub fn word(self) -> &'static str {
        match self {
            Self::X => "place X",
            Self::Y => "place Y",
            Self::Z => "place Z",
            Self::Height => "height",
            Self::Speed => "speed",
            Self::Angle => "angle",
        }
    }

    /// Its unit.
    pub fn unit(self) -> &'static str {
        match self {
            Self::X | Self::Y | Self::Z | Self::Height => "m",
            Self::Speed => "m/s",
            Self::Angle => "°",
        }
    }

    /// A sentence of help.
    pub fn help(self) -> &'static str {
        match self {
            Self::X | Self::Z => "Where the joint is along the floor.",
            Self::Y => "Where the joint is along the axis that points up.",
            Self::Height => "How high the joint is above the floor.",
            Self::Speed => "How fast the joint moves.",
            Self::Angle => {
                "The bend of a knee or an elbow, 0 where it is straight; of other joints, the turn \
                 from rest against the joint above."
            }
        }
    }

    /// Digits after the point that mean something.
    pub fn digits(self) -> usize {
        match self {
            Self::X | Self::Y | Self::Z | Self::Height => 3,
            Self::Speed => 2,
            Self::Angle => 1,
        }
    }
}

/// What is drawn of the motion over time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Curves {
    /// Of which part; the joint that is chosen where absent.
    pub part: Option<Part>,
    /// What of it.
    pub quantity: Quantity,
    /// Whether the take is drawn at the character's size.
    pub is_scaled: bool,
}

impl Default for Curves {
    fn default() -> Self {
        Self {
            part: Some(Part::Pelvis),
            quantity: Quantity::Height,
            is_scaled: true,
        }
    }
}

impl Curves {
    /// Where curves are shown, goes to those of the joint that was chosen; without one, back to a part
    /// of the body.
    pub(super) fn follow(&mut self, are_shown: bool, is_chosen: bool) {
        match (is_chosen, self.part) {
            (true, _) if are_shown => self.part = None,
            (false, None) => self.part = Self::default().part,
            _ => {}
        }
    }
}

/// Whose motion a curve is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// The performer.
    Take,
    /// The character before feet are planted.
    Plain,
    /// The character with other settings.
    Other,
    /// The character.
    Result,
}

impl Source {
    /// For people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Take => "take",
            Self::Plain => "plain transfer",
            Self::Other => "B",
            Self::Result => "result",
        }
    }
}

/// One curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Whose motion.
    pub source: Source,
    /// Frame by frame, in the quantity's unit.
    pub values: Vec<f64>,
}

/// What is a curve computed from: the result, that of B, what was chosen.
#[derive(Clone, Debug)]
struct Key {
    solved: Arc<Solved>,
    other: Option<Arc<Solved>>,
    curves: Curves,
    joint: Option<(Who, usize)>,
}

impl PartialEq for Key {
    fn eq(&self, key: &Self) -> bool {
        let same_other = match (&self.other, &key.other) {
            (Some(a), Some(b)) => Arc::ptr_eq(a, b),
            (a, b) => a.is_none() && b.is_none(),
        };
        Arc::ptr_eq(&self.solved, &key.solved)
            && same_other
            && (self.curves, self.joint) == (key.curves, key.joint)
    }
}

/// Curves as they were last asked for.
#[derive(Debug)]
pub struct Kept {
    key: Option<Key>,
    curves: Result<Vec<Curve>, String>,
}

impl Default for Kept {
    fn default() -> Self {
        Self {
            key: None,
            curves: Ok(Vec::new()),
        }
    }
}

impl Kept {
    /// The curves of a session, the result last.
    ///
    /// # Errors
    /// Why there are none, and what to do.
    pub fn of(&mut self, session: &Session) -> Result<&[Curve], &str> {
        let key = session.solved.as_ref().map(|solved| Key {
            solved: Arc::clone(solved),
            other: session
                .other
                .as_ref()
                .and_then(|other| other.solved.clone()),
            curves: session.curves,
            joint: session.joint,
        });
        let Some(key) = key else {
            *self = Self::default();
            return Err("curves come when the take has been carried over");
        };
        if self.key.as_ref() != Some(&key) {
            self.curves = curves_of(session, &key);
            self.key = Some(key);
        }
        self.curves.as_deref().map_err(String::as_str)
    }
}

/// The joints that correspond: the performer's and the character's.
fn joints(session: &Session, done: &Retargeted) -> Result<[Option<usize>; 2], String> {
    let Some(part) = session.curves.part else {
        return chosen(session);
    };
    let bodies = [&done.performer, &done.body];
    let has_balls = bodies.iter().all(|body| {
        let mut legs = body.legs.iter().filter(|leg| leg.pair == 0);
        legs.all(|leg| leg.ball.is_some())
    });
    let found = bodies.map(|body| part.joint(body, has_balls));
    match found {
        [None, None] => Err(format!("neither body has a joint for the {}", part.words())),
        found => Ok(found),
    }
}

/// The joint that is chosen, and the joint of the other body that has its role.
fn chosen(session: &Session) -> Result<[Option<usize>; 2], String> {
    let (who, joint) = session
        .joint
        .ok_or("choose a joint in a view or in the map (F3), or a part of the body above")?;
    let other = session.counterpart(who, joint).map(|(_, joint)| joint);
    Ok(match who {
        Who::Performer => [Some(joint), other],
        Who::Character | Who::Other => [other, Some(joint)],
    })
}

/// How places of a clip are drawn.
struct Scale {
    horizontal: f64,
    vertical: f64,
    floor: Floor,
}

fn curves_of(session: &Session, key: &Key) -> Result<Vec<Curve>, String> {
    let done = &key.solved.retargeted;
    let [take, character] = joints(session, done)?;
    let floor = done.floor();
    let quantity = key.curves.quantity;
    let own = |floor: Floor| Scale {
        horizontal: 1.0,
        vertical: 1.0,
        floor,
    };
    let scaled = match key.curves.is_scaled {
        true => Scale {
            horizontal: done.scale.horizontal,
            vertical: done.scale.vertical,
            floor,
        },
        false => own(floor),
    };
    let curve = |source: Source, clip: &Clip, body: &Body, joint: Option<usize>, scale: &Scale| {
        let joint = joint.filter(|&joint| joint < clip.skeleton.len())?;
        let values = values(clip, body, joint, quantity, scale);
        Some(Curve { source, values })
    };
    let other = key.other.as_ref().and_then(|other| {
        let other = &other.retargeted;
        let scale = own(other.floor());
        curve(Source::Other, &other.solved, &other.body, character, &scale)
    });
    let own = own(floor);
    let all = [
        curve(Source::Take, &done.take, &done.performer, take, &scaled),
        curve(Source::Plain, &done.plain, &done.body, character, &own),
        other,
        curve(Source::Result, &done.solved, &done.body, character, &own),
    ];
    Ok(all.into_iter().flatten().collect())
}

fn values(clip: &Clip, body: &Body, joint: usize, quantity: Quantity, scale: &Scale) -> Vec<f64> {
    let floor = scale.floor;
    let places = || {
        let places = clip.trajectory(joint).into_iter();
        places.map(|place| {
            let above = scale.vertical * (place.y - floor.height_m);
            DVec3::new(
                scale.horizontal * place.x,
                floor.height_m + above,
                scale.horizontal * place.z,
            )
        })
    };
    match quantity {
        Quantity::X => places().map(|place| place.x).collect(),
        Quantity::Y => places().map(|place| place.y).collect(),
        Quantity::Z => places().map(|place| place.z).collect(),
        Quantity::Height => clip
            .trajectory(joint)
            .into_iter()
            .map(|place| scale.vertical * floor.above(place))
            .collect(),
        Quantity::Speed => {
            let places: Vec<DVec3> = places().collect();
            let velocities = signal::velocity(&places, clip.frame_time_secs);
            velocities.into_iter().map(DVec3::length).collect()
        }
        Quantity::Angle => match limb(body, joint) {
            Some(limb) => bends_deg(clip, limb),
            None => turns_deg(clip, joint),
        },
    }
}

/// The joints above and below a knee or an elbow, with it in between.
fn limb(body: &Body, joint: usize) -> Option<[usize; 3]> {
    let leg = |leg: &Leg| [leg.hip, leg.knee, leg.ankle];
    let arm = |arm: &Arm| Some([arm.shoulder, arm.elbow, arm.wrist?]);
    let legs = body.legs.iter().map(leg);
    let arms = body.arms.iter().filter_map(arm);
    legs.chain(arms).find(|[_, middle, _]| *middle == joint)
}

/// How far a limb is from straight, degrees.
fn bends_deg(clip: &Clip, limb: [usize; 3]) -> Vec<f64> {
    let [above, middle, below] = limb.map(|joint| clip.trajectory(joint));
    let bend = |frame: usize| {
        let upper = middle[frame] - above[frame];
        let lower = below[frame] - middle[frame];
        upper.angle_between(lower).to_degrees()
    };
    (0..clip.frame_count()).map(bend).collect()
}

/// How far a joint is turned from rest against the joint above, degrees.
fn turns_deg(clip: &Clip, joint: usize) -> Vec<f64> {
    let rest = clip.skeleton.rest_locals()[joint].rotation;
    let turn = |frame: usize| {
        let now = clip.frame(frame)[joint].rotation;
        now.angle_between(rest).to_degrees()
    };
    (0..clip.frame_count()).map(turn).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::command::Command;
    use crate::state::presets::PresetId;
    use crate::state::session::tests::opened;

    fn plotted(session: &Session) -> Vec<Curve> {
        Kept::default().of(session).unwrap().to_vec()
    }

    fn values(curves: &[Curve], source: Source) -> &[f64] {
        let mut found = curves.iter().filter(|curve| curve.source == source);
        &found.next().unwrap().values
    }

    fn choose(session: &mut Session, part: Part, quantity: Quantity, is_scaled: bool) {
        session.apply(Command::SetCurves(Curves {
            part: Some(part),
            quantity,
            is_scaled,
        }));
    }

    #[test]
    fn a_knee_bends_as_it_is_measured() {
        let mut session = opened();
        choose(&mut session, Part::Knee(Side::Left), Quantity::Angle, true);
        let curves = plotted(&session);
        let compared = &session.solved.as_ref().unwrap().comparison;
        for (source, report) in [
            (Source::Take, &compared.take),
            (Source::Result, &compared.solved),
        ] {
            let mut series = report.series.iter();
            let known = series.find(|series| {
                series.measure == "knee_bend_deg" && series.part.starts_with("left")
            });
            for (own, known) in values(&curves, source).iter().zip(&known.unwrap().values) {
                assert!((own - known).abs() < 1e-6, "{source:?}: {own} {known}");
            }
        }
    }

    #[test]
    fn heights_compare_at_the_characters_size_and_speed_is_way_over_time() {
        let mut session = opened();
        choose(&mut session, Part::Pelvis, Quantity::Height, true);
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let curves = plotted(&session);
        let plain = mean(values(&curves, Source::Plain));
        let scaled = mean(values(&curves, Source::Take));
        // The pelvis of plain transfer is carried over with these very factors, but for the way
        // from root to pelvis.
        assert!((scaled / plain - 1.0).abs() < 0.05, "{scaled} {plain}");
        choose(&mut session, Part::Pelvis, Quantity::Height, false);
        let own = mean(values(&plotted(&session), Source::Take));
        let factor = session.solved.as_ref().unwrap().retargeted.scale.vertical;
        assert!((scaled - factor * own).abs() < 1e-9, "{scaled} {own}");
        choose(&mut session, Part::Pelvis, Quantity::X, false);
        let x = values(&plotted(&session), Source::Result).to_vec();
        choose(&mut session, Part::Pelvis, Quantity::Speed, false);
        let speed = values(&plotted(&session), Source::Result).to_vec();
        let secs = session.clock.frame_time_secs();
        for frame in 1..x.len() - 1 {
            let along = (x[frame + 1] - x[frame - 1]).abs() / (2.0 * secs);
            assert!(along <= speed[frame] + 1e-6, "frame {frame}");
        }
    }

    #[test]
    fn a_chosen_joint_is_found_in_both_bodies_and_b_is_drawn_too() {
        let mut session = opened();
        session.apply(Command::SetCurves(Curves {
            part: None,
            quantity: Quantity::Angle,
            ..Curves::default()
        }));
        let mut kept = Kept::default();
        assert!(kept.of(&session).unwrap_err().contains("choose a joint"));
        let body = session.solved.as_ref().unwrap().retargeted.body.clone();
        let head = body.head.unwrap();
        session.apply(Command::ChooseJoint(Some((Who::Character, head))));
        let sources = |kept: &mut Kept, session: &Session| {
            let curves = kept.of(session).unwrap();
            curves.iter().map(|curve| curve.source).collect::<Vec<_>>()
        };
        let three = [Source::Take, Source::Plain, Source::Result];
        assert_eq!(sources(&mut kept, &session), three);
        // The performer has no joint like the character's first one without a role.
        let roles = &session
            .document
            .character
            .as_ref()
            .unwrap()
            .recognition
            .roles;
        let nameless = roles.unmapped().first().copied();
        if let Some(joint) = nameless {
            session.apply(Command::ChooseJoint(Some((Who::Character, joint))));
            assert_eq!(sources(&mut kept, &session), three[1..]);
            session.apply(Command::ChooseJoint(Some((Who::Character, head))));
        }
        session.apply(Command::Compare(Some(PresetId::Standard)));
        session.wait();
        let four = [Source::Take, Source::Plain, Source::Other, Source::Result];
        assert_eq!(sources(&mut kept, &session), four);
        let curves = kept.of(&session).unwrap();
        assert_eq!(
            values(curves, Source::Other),
            values(curves, Source::Result)
        );
    }

    #[test]
    fn curves_are_kept_until_something_changes() {
        let mut session = opened();
        let mut kept = Kept::default();
        let at = |kept: &mut Kept, session: &Session| kept.of(session).unwrap()[0].values.as_ptr();
        let first = at(&mut kept, &session);
        session.apply(Command::Seek(40));
        assert_eq!(at(&mut kept, &session), first);
        assert_eq!(
            kept.of(&session).unwrap()[0].values.len(),
            session.clock.frames()
        );
        choose(&mut session, Part::Head, Quantity::Height, true);
        let head = kept.of(&session).unwrap()[0].values.clone();
        choose(&mut session, Part::Pelvis, Quantity::Height, true);
        assert_ne!(kept.of(&session).unwrap()[0].values, head);
    }
}
