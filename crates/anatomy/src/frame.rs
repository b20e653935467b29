//! Up and forward of a rest pose.
//!
//! Up comes from the legs and the trunk, made square to the left-right axis of the pairs of limbs.
//! Files have gravity along a coordinate axis (common practice), so an axis near the estimate wins
//! over it where the left-right axis is level to it. Forward comes from feet, knees, face and tail,
//! or from the sides that names give: left = up × forward.

use glam::DVec3;
use understudy_motion::{Axis, WorldFrame};

/// An axis counts as up when the estimate leans from it by no more than this, radians (25°): as
/// much as rests with bent knees or a stoop lean.
const SNAP_LEAN: f64 = 0.436;
/// And when the left-right axis is level to it within this, radians (3°).
const SNAP_LEVEL: f64 = 0.052;

/// Confidence where elbows alone show forward: a turned arm opens any way (our choice).
const ELBOWS_ONLY: f64 = 0.45;

/// Points of one limb pair member, world, metres.
#[derive(Clone, Debug, Default)]
pub(crate) struct LegMarks {
    pub hip: DVec3,
    pub knee: DVec3,
    pub ankle: DVec3,
    /// Ball and toe tip, as far as they are known.
    pub foot: Vec<DVec3>,
}

/// What the frame is found from. World, metres.
#[derive(Clone, Debug, Default)]
pub(crate) struct Landmarks {
    pub legs: Vec<LegMarks>,
    /// Vector along the left-right axis; its sign is that of `lateral_is_left`.
    pub lateral: DVec3,
    /// Whether `lateral` points left for sure, for instance because roles say so.
    pub lateral_is_left: bool,
    pub pelvis: DVec3,
    /// Base of the neck, or the highest joint of the spine.
    pub trunk_top: Option<DVec3>,
    /// Vectors that point forward: from the head to eyes and jaw, against the tail.
    pub ahead: Vec<(&'static str, DVec3)>,
    /// Which way the elbows open: from the elbow to the line between shoulder and wrist.
    pub elbows: Vec<DVec3>,
    /// +1 for every pair whose names put its left end along `lateral`, −1 for the contrary.
    pub name_votes: f64,
}

/// A frame, how sure it is (0 to 1), and what there is to say about it.
#[derive(Clone, Debug)]
pub(crate) struct FrameGuess {
    pub frame: WorldFrame,
    pub confidence: f64,
    /// Names put left and right the other way round than the rest pose does.
    pub names_disagree: bool,
    pub notes: Vec<String>,
}

pub(crate) fn find_frame(marks: &Landmarks) -> FrameGuess {
    let mut notes = Vec::new();
    let lateral = marks.lateral.try_normalize();
    let up = find_up(marks, lateral, &mut notes);
    let lateral = lateral.and_then(|axis| axis.reject_from_normalized(up).try_normalize());
    let Some(lateral) = lateral else {
        return without_pairs(marks, up, notes);
    };
    let across = lateral.cross(up);
    if marks.lateral_is_left {
        return guess(up, across, 0.95, false, notes);
    }
    let cues = cues(marks, up, across);
    decide(marks, up, across, &cues, notes)
}

fn guess(
    up: DVec3,
    forward: DVec3,
    confidence: f64,
    names_disagree: bool,
    notes: Vec<String>,
) -> FrameGuess {
    let frame = WorldFrame::new(up, forward).unwrap_or(WorldFrame::Y_UP);
    FrameGuess {
        frame,
        confidence,
        names_disagree,
        notes,
    }
}

/// No pair of limbs: up is what there is, forward a convention.
fn without_pairs(marks: &Landmarks, up: DVec3, mut notes: Vec<String>) -> FrameGuess {
    let ahead = marks.ahead.iter().map(|(_, vector)| *vector).sum::<DVec3>();
    if let Some(frame) = WorldFrame::new(up, ahead) {
        return guess(up, frame.forward, 0.4, false, notes);
    }
    notes.push(
        "no pair of limbs shows where the body looks; forward is taken by convention".to_owned(),
    );
    guess(up, conventional_forward(up), 0.2, false, notes)
}

/// Z forward in a Y-up file as in glTF 2.0 (section 3.4); −Y forward where Z is up (common
/// practice).
fn conventional_forward(up: DVec3) -> DVec3 {
    if up.dot(DVec3::Z).abs() > 0.7 {
        DVec3::NEG_Y
    } else {
        DVec3::Z
    }
}

fn find_up(marks: &Landmarks, lateral: Option<DVec3>, notes: &mut Vec<String>) -> DVec3 {
    let trunk = marks
        .trunk_top
        .and_then(|top| (top - marks.pelvis).try_normalize());
    let legs = marks
        .legs
        .iter()
        .filter_map(|leg| (leg.hip - stand_point(leg)).try_normalize())
        .sum::<DVec3>()
        .try_normalize();
    let rough = match (legs, trunk) {
        // A level trunk (a four-legged body) says nothing about up.
        (Some(legs), Some(trunk)) if legs.dot(trunk) > 0.64 => legs + trunk,
        (Some(legs), _) => legs,
        (None, Some(trunk)) => trunk,
        (None, None) => {
            notes.push("neither legs nor trunk show where up is; +Y is taken".to_owned());
            return DVec3::Y;
        }
    };
    let square = lateral.map_or(rough, |axis| rough.reject_from_normalized(axis));
    let Some(estimate) = square.try_normalize().or(rough.try_normalize()) else {
        return DVec3::Y;
    };
    let axis = Axis::nearest(estimate).map_or(DVec3::Y, Axis::vector);
    let level = lateral.is_none_or(|side| side.dot(axis).abs() < SNAP_LEVEL.sin());
    if level && estimate.angle_between(axis) < SNAP_LEAN {
        return axis;
    }
    notes.push(format!(
        "the body stands along no axis of the file; up is estimated from legs and trunk as \
         ({:.3}, {:.3}, {:.3})",
        estimate.x, estimate.y, estimate.z
    ));
    estimate
}

/// Where the leg meets the floor: the ankle, or the ball of a foot that stands high.
fn stand_point(leg: &LegMarks) -> DVec3 {
    let shank = leg.knee.distance(leg.ankle);
    match leg.foot.first() {
        Some(&ball) if ball.distance(leg.ankle) > 0.45 * shank => ball,
        _ => leg.ankle,
    }
}

/// One thing that shows forward: its name, and its share along `across` (−1 to 1) times weight.
type Cue = (&'static str, f64);

fn cues(marks: &Landmarks, up: DVec3, across: DVec3) -> Vec<Cue> {
    let leg_length: f64 = marks
        .legs
        .iter()
        .map(|leg| leg.hip.distance(leg.knee) + leg.knee.distance(leg.ankle))
        .fold(0.0, f64::max);
    let mut cues = Vec::new();
    let mut add = |name, vector: DVec3, least: f64, weight: f64| {
        let level = vector.reject_from_normalized(up);
        // Shorter offsets are noise or a matter of taste, not anatomy.
        if level.length() > least * leg_length && level.length() > 0.0 {
            let share = level.normalize().dot(across);
            if share.abs() > 0.5 {
                cues.push((name, share * weight));
            }
        }
    };
    let feet: DVec3 = marks.legs.iter().map(foot_vector).sum();
    add("feet", feet, 0.06, 3.0);
    let knees: DVec3 = marks.legs.iter().map(knee_bend).sum();
    add("knees", knees, 0.03, 1.0);
    let elbows: DVec3 = marks.elbows.iter().sum();
    add("elbows", elbows, 0.03, 0.7);
    for (name, vector) in &marks.ahead {
        add(name, *vector, 0.02, 1.0);
    }
    cues
}

fn foot_vector(leg: &LegMarks) -> DVec3 {
    match leg.foot.as_slice() {
        [ball, .., tip] => (*ball - leg.ankle) + (*tip - *ball) * 2.0,
        [end] => *end - leg.ankle,
        [] => DVec3::ZERO,
    }
}

/// From the line between hip and ankle to the knee.
fn knee_bend(leg: &LegMarks) -> DVec3 {
    let line = leg.ankle - leg.hip;
    match line.try_normalize() {
        Some(along) => (leg.knee - leg.hip).reject_from_normalized(along),
        None => DVec3::ZERO,
    }
}

/// Names win for the side, unless the feet show forward and every other cue of the rest pose that
/// says anything agrees with them against the names.
fn decide(
    marks: &Landmarks,
    up: DVec3,
    across: DVec3,
    cues: &[Cue],
    mut notes: Vec<String>,
) -> FrameGuess {
    let shape: f64 = cues.iter().map(|(_, weight)| weight).sum();
    let unanimous = cues.iter().all(|(_, weight)| weight * shape > 0.0);
    let feet = cues.iter().any(|(name, _)| *name == "feet");
    let listed = || cues.iter().map(|c| c.0).collect::<Vec<_>>().join(", ");
    let names = marks.name_votes;
    let facing = |sign: f64| across * sign.signum();
    if names == 0.0 && shape == 0.0 {
        notes.push(
            "neither names nor feet, knees or face show where the body looks; forward is taken \
             by convention, left and right may be exchanged"
                .to_owned(),
        );
        let forward = facing(across.dot(conventional_forward(up)));
        return guess(up, forward, 0.3, false, notes);
    }
    if names == 0.0 {
        let confidence: f64 = if feet { 0.85 } else { 0.6 };
        let confidence = if cues.iter().all(|(name, _)| *name == "elbows") {
            notes.push(
                "only the elbows show where the body looks, and arms may be turned; left and right \
                 may be exchanged"
                    .to_owned(),
            );
            ELBOWS_ONLY
        } else if unanimous {
            confidence
        } else {
            confidence - 0.3
        };
        return guess(up, facing(shape), confidence, false, notes);
    }
    if shape == 0.0 || names * shape > 0.0 {
        let confidence = if shape == 0.0 { 0.8 } else { 0.97 };
        return guess(up, facing(names), confidence, false, notes);
    }
    let winner = if feet && unanimous { shape } else { names };
    notes.push(format!(
        "names and rest pose disagree about left and right: the rest pose is judged by {}; {}",
        listed(),
        if winner == names {
            "the names are followed"
        } else {
            "the rest pose is followed, since all its signs agree"
        }
    ));
    guess(up, facing(winner), 0.45, true, notes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disagreement_is_put_in_whole_sentences() {
        let mut marks = Landmarks {
            lateral: DVec3::X,
            pelvis: DVec3::Y,
            trunk_top: Some(1.6 * DVec3::Y),
            ahead: vec![("face", DVec3::Z), ("tail", DVec3::Z)],
            name_votes: -2.0,
            ..Default::default()
        };
        let opening =
            "names and rest pose disagree about left and right: the rest pose is judged by";
        // Without feet the names win.
        let found = find_frame(&marks);
        let expected = format!("{opening} face, tail; the names are followed");
        assert_eq!(found.notes, [expected]);
        assert_eq!(found.frame.forward, DVec3::NEG_Z);
        let at = |y: f64| DVec3::new(0.0, y, 0.0);
        marks.legs = vec![LegMarks {
            hip: at(0.9),
            knee: at(0.5),
            ankle: at(0.1),
            foot: vec![DVec3::new(0.0, 0.0, 0.15)],
        }];
        let found = find_frame(&marks);
        let winner = "the rest pose is followed, since all its signs agree";
        assert_eq!(
            found.notes,
            [format!("{opening} feet, face, tail; {winner}")]
        );
        assert_eq!(found.frame.forward, DVec3::Z);
    }
}
