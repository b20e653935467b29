//! A quick answer to a change, from the last result: one frame at once, or a stretch of frames, before
//! the whole clip is carried over again.

use understudy_motion::{Clip, DQuat, DVec3, Surface, Transform, WorldPose};

use super::{Prepared, Retargeted, SolveError, UprightTake, reference_pose};
use crate::contacts::Contacts;
use crate::planted_leg::PlantedLeg;
use crate::plants::FootPath;
use crate::settings::Settings;
use crate::watch::Watch;

/// What a change of settings makes of one frame, about: the last result with what the change does
/// in plain transfer and posture laid over it. Feet that stand stay where they stood, and the legs
/// reach them exactly; the rest of the clip is not looked at.
///
/// # Errors
/// Settings that name missing joints or frames.
pub fn pose_now(
    known: &Retargeted,
    before: &Settings,
    after: &Settings,
    frame: usize,
) -> Result<Vec<Transform>, SolveError> {
    let frame = frame.min(known.solved.frame_count() - 1);
    let changed = |settings: &Settings| {
        let prepared = Prepared::part(known, settings, [frame; 2])?;
        Ok::<_, SolveError>((prepared.changed(settings)?, prepared))
    };
    let ((old, _), (new, prepared)) = (changed(before)?, changed(after)?);
    if before.plants.enabled != after.plants.enabled {
        return Ok(new.frame(0).to_vec());
    }
    let mut clip = known.solved.range(frame, frame);
    let steps = old.frame(0).iter().zip(new.frame(0));
    for (local, (old, new)) in clip.frame_mut(0).iter_mut().zip(steps) {
        let turned = local.rotation * old.rotation.inverse() * new.rotation;
        local.rotation = turned.normalize();
        local.translation += new.translation - old.translation;
    }
    if after.plants.enabled {
        prepared.reach_held_feet(known, frame, &mut clip, [old.world(0), new.world(0)]);
    }
    Ok(clip.frame(0).to_vec())
}

/// `joint_from_axes`: the axes in which the offset of a joint of the character is written
/// (`Settings::offsets_deg`), as that joint carries them along in every frame, whatever posture and
/// plants have made of it.
///
/// With the world rotation S of the joint in a frame and the axes a = S · `joint_from_axes`, a
/// further turn q of the world there makes the offset R into a⁻¹ q a R.
///
/// # Errors
/// Settings that name missing joints or frames, and a joint that is not there.
pub fn offset_axes(
    known: &Retargeted,
    settings: &Settings,
    joint: usize,
) -> Result<DQuat, SolveError> {
    let prepared = Prepared::part(known, settings, [0; 2])?;
    if joint >= prepared.skeleton.len() {
        return Err(SolveError::Setting(format!(
            "joint {joint}: the character has {}",
            prepared.skeleton.len()
        )));
    }
    let alignment = &prepared.alignment;
    let axes = alignment.offset_axes(&prepared.skeleton, &prepared.rest, joint);
    Ok(axes * known.file_from_upright.inverse())
}

/// Whether a part of the clip can be solved from the last result after a change: the floor must be
/// the same, and so must be the contacts, where they were found and not given.
pub fn is_near(before: &Settings, after: &Settings, are_contacts_given: bool) -> bool {
    before.floor_height_m == after.floor_height_m
        && before.level_floor == after.level_floor
        && (are_contacts_given || before.contacts == after.contacts)
        && (are_contacts_given || before.touches.limits == after.touches.limits)
}

/// Carries the frames `first..=last` over with other settings, as if they were the whole take; what
/// is known of the take is not found again. Near both ends the result differs from that of the whole
/// take, so ask for more than is to be shown. `contacts` are those of the whole take, `surface` is the
/// character's skin.
///
/// # Errors
/// As [`super::retarget_watched`].
pub fn retarget_part(
    known: &Retargeted,
    settings: &Settings,
    (contacts, surface): (&Contacts, Option<&Surface>),
    [first, last]: [usize; 2],
    watch: Watch<'_>,
) -> Result<Retargeted, SolveError> {
    settings
        .check()
        .map_err(|error| SolveError::Setting(error.to_string()))?;
    let last = last.min(known.take.frame_count() - 1);
    let first = first.min(last);
    let prepared = Prepared::part(known, settings, [first, last])?;
    let whole = Contacts {
        touches: contacts.touches.clone().or(known.contacts.touches.clone()),
        ..contacts.clone()
    };
    prepared.solve(settings, whole.within([first, last]), surface, watch)
}

impl Prepared {
    /// Some frames of a take that is known already.
    fn part(
        known: &Retargeted,
        settings: &Settings,
        [first, last]: [usize; 2],
    ) -> Result<Self, SolveError> {
        let clip = known.take.range(first, last);
        let reference = reference_pose(&known.take, &known.performer, settings)?;
        let take = UprightTake {
            worlds: clip.worlds(),
            clip,
            body: known.performer.clone(),
            stance: known.stance.clone(),
        };
        let prepared = Self::of(
            take,
            std::sync::Arc::clone(&known.solved.skeleton),
            known.body.clone(),
            known.feet.clone(),
            &reference,
            settings,
            known.file_from_upright.inverse(),
        )?;
        Ok(Self { first, ..prepared })
    }

    /// Plain transfer with all that is laid over it, feet not planted.
    fn changed(&self, settings: &Settings) -> Result<Clip, SolveError> {
        let transfer = self.transfer();
        let worlds = self.take.worlds.iter();
        let mut clip = self.clip_of(worlds.flat_map(|world| transfer.frame(world)).collect())?;
        self.change(&mut clip, settings)?;
        for chain in self.chains(settings)? {
            chain.apply(&mut clip, &self.body, &self.rest, &self.alignment.offsets);
        }
        Ok(clip)
    }

    /// Bends the legs of one frame to where the feet were in the last result, moved as far as the
    /// change moves a foot that does not stand.
    fn reach_held_feet(
        &self,
        known: &Retargeted,
        frame: usize,
        clip: &mut Clip,
        [old, new]: [WorldPose; 2],
    ) {
        let held = known.solved.world(frame);
        let world = clip.world(0);
        for (index, leg) in self.body.legs.iter().enumerate() {
            let parts = known.planted_parts[index][frame];
            let stands = parts.contains(&true);
            let mut step = new.position(leg.ankle) - old.position(leg.ankle);
            if stands {
                step -= DVec3::Y * step.y;
            }
            let turned = |joint: usize| match stands {
                true => held.rotation(joint),
                false => new.rotation(joint) * old.rotation(joint).inverse() * held.rotation(joint),
            };
            let path = FootPath {
                ankle_positions: vec![held.position(leg.ankle) + step],
                ankle_rotations: vec![turned(leg.ankle)],
                toe_rotations: vec![turned(leg.toe_joint())],
                clearances: vec![0.0],
                planted: vec![stands],
                parts: vec![parts],
            };
            let prior = self.alignment.knee_prior(&self.body, leg);
            let leg = PlantedLeg::new(leg, std::slice::from_ref(&world), path, prior);
            leg.pose(clip.frame_mut(0), &world, 0, DVec3::ZERO, DVec3::ZERO);
        }
    }
}
