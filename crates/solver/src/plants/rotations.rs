//! How ankle and toes turn while parts of the sole are down, and in between.

use understudy_motion::angle::short_turn;
use understudy_motion::{DQuat, DVec3};

use super::Planter;
use super::anchors::{Contact, Flat, heading_at, heading_knots};
use super::rig::{BALL, HEEL};
use crate::banded::NotPositive;
use crate::smooth::lift_above_zero;

/// Sine of the sideways tilt above which a foot is not on its sole but on its side.
const MOST_SIDEWAYS: f64 = 0.5;

/// Radians that no foot needs to be raised by.
const PLENTY: f64 = 1.0;

/// Radians by which the end of a sole may be too low: a hundredth of a millimetre.
const LEAST_LIFT: f64 = 5e-5;

impl Planter<'_> {
    /// Takes the sideways tilt out of a planted foot, so that no edge of a broad sole dips into the
    /// floor: heel strike and toe off roll forward, not aside.
    pub(super) fn lay_sideways_flat(&mut self) -> Result<(), NotPositive> {
        let masks = self.part_masks();
        let planted: Vec<bool> = (0..self.plain_ankles.len())
            .map(|frame| masks.iter().any(|mask| mask[frame]))
            .collect();
        let foot = self.take.foot;
        let across = DVec3::Y.cross(foot.heading);
        let level = |rotations: &[DQuat], flat: DQuat| {
            let across_in_joint = flat.inverse() * across;
            let wanted: Vec<Option<DQuat>> = rotations
                .iter()
                .zip(&planted)
                .map(|(rotation, planted)| {
                    let now = *rotation * across_in_joint;
                    let along = now
                        .reject_from_normalized(self.floor.normal)
                        .try_normalize()?;
                    let is_slight = now.dot(self.floor.normal).abs() < MOST_SIDEWAYS;
                    (*planted && is_slight)
                        .then(|| DQuat::from_rotation_arc(now, along) * *rotation)
                })
                .collect();
            self.smooth_rotations(rotations, &wanted)
        };
        let ankles = level(&self.plain_ankles, foot.flat_ankle)?;
        let toes = level(&self.plain_toes, foot.flat_toes)?;
        (self.plain_ankles, self.plain_toes) = (ankles, toes);
        Ok(())
    }

    /// Rotations of ankle and toes. The foot lies flat while heel and front are down, toes while
    /// the ball is; in between both are free, but no part of the sole turns into the floor.
    pub(super) fn rotations(
        &self,
        contacts: &[Contact],
        flats: &[Flat],
        parts: &[[bool; 3]],
    ) -> Result<(Vec<DQuat>, Vec<DQuat>), NotPositive> {
        let flat_ankles = self.flat_ankles(contacts, flats, parts.len());
        let mut ankles = self.smooth_rotations(&self.plain_ankles, &flat_ankles)?;
        let held = |wanted: &[Option<DQuat>]| wanted.iter().map(Option::is_some).collect();
        let held_ankles: Vec<bool> = held(&flat_ankles);
        if self.take.foot.is_one_piece() {
            self.raise_ends(&mut ankles, None, parts, &held_ankles)?;
            let toes = ankles.clone();
            return Ok((ankles, toes));
        }
        let flat_toes = self.flat_toes(contacts, flats, parts.len());
        let mut toes = self.smooth_rotations(&self.plain_toes, &flat_toes)?;
        self.raise_ends(&mut ankles, Some(&toes), parts, &held_ankles)?;
        self.raise_toes(&ankles, &mut toes, parts, &held(&flat_toes))?;
        Ok((ankles, toes))
    }

    /// Ankle rotations of the frames in which heel and front are down.
    pub(super) fn flat_ankles(
        &self,
        contacts: &[Contact],
        flats: &[Flat],
        frames: usize,
    ) -> Vec<Option<DQuat>> {
        let mut wanted = vec![None; frames];
        for flat in flats.iter().filter(|flat| contacts[flat.a].part == HEEL) {
            let ankle = self.flat_turn(flat.heading) * self.take.foot.flat_ankle;
            wanted[flat.first..=flat.last].fill(Some(ankle));
        }
        wanted
    }

    /// Toe rotations of the frames in which the ball is down, heading as the foot does when flat.
    pub(super) fn flat_toes(
        &self,
        contacts: &[Contact],
        flats: &[Flat],
        frames: usize,
    ) -> Vec<Option<DQuat>> {
        let mut wanted = vec![None; frames];
        for (index, contact) in contacts.iter().enumerate() {
            if contact.part != BALL {
                continue;
            }
            let known = heading_knots(index, contacts, flats);
            let mean = self.mean_heading(contact.first, contact.last);
            let frames = contact.first..=contact.last;
            for (frame, slot) in frames.clone().zip(&mut wanted[frames]) {
                let heading = heading_at(&known, frame).unwrap_or(mean);
                *slot = Some(self.flat_turn(heading) * self.take.foot.flat_toes);
            }
        }
        wanted
    }

    /// Turns the foot about the part that is down so that the other end of its sole stays out of
    /// the floor: the front while the heel is down, the heel while the front is. `toes` of a foot
    /// of one piece are its own.
    fn raise_ends(
        &self,
        ankles: &mut [DQuat],
        toes: Option<&[DQuat]>,
        parts: &[[bool; 3]],
        held: &[bool],
    ) -> Result<(), NotPositive> {
        let Some(heel) = self.rig.heel_in_ankle else {
            return Ok(());
        };
        // The front end in the ankle's axes, and how high it lies when the sole touches the floor.
        let front = match toes {
            Some(_) => self.rig.ball_joint_in_ankle,
            None => self.rig.tip_in_toes,
        };
        let thickness = |frame: usize| {
            toes.map_or(0.0, |toes| {
                -(toes[frame] * self.rig.ball_in_toes)
                    .dot(self.floor.normal)
                    .min(0.0)
            })
        };
        let on_heel = |frame: usize| parts[frame][HEEL].then(|| thickness(frame));
        let on_front = |frame: usize| {
            let [heel, ball, toe] = parts[frame];
            (!heel && (ball || toe)).then(|| -thickness(frame))
        };
        self.raise(ankles, front - heel, on_heel, &held_or(held, &on_front))?;
        self.raise(ankles, heel - front, on_front, &held_or(held, &on_heel))
    }

    /// Turns the toes so that their tip stays out of the floor while only the heel is down, and
    /// the ball while only the tip is.
    fn raise_toes(
        &self,
        ankles: &[DQuat],
        toes: &mut [DQuat],
        parts: &[[bool; 3]],
        held: &[bool],
    ) -> Result<(), NotPositive> {
        let up = self.floor.normal;
        let bone = self
            .rig
            .heel_in_ankle
            .map(|heel| self.rig.ball_joint_in_ankle - heel);
        let on_heel = |frame: usize| {
            let [heel, ball, _] = parts[frame];
            bone.filter(|_| heel && !ball)
                .map(|bone| -(ankles[frame] * bone).dot(up))
        };
        let on_tip = |frame: usize| (parts[frame] == [false, false, true]).then_some(0.0);
        let tip = self.rig.tip_in_toes;
        self.raise(toes, tip, on_heel, &held_or(held, &on_tip))?;
        let back = self.rig.ball_in_toes - tip;
        self.raise(toes, back, on_tip, &held_or(held, &on_heel))
    }

    /// Turns rotations upward, smoothly and no more than needed, so that the end of `arm` (in the
    /// joint's axes) stands at least at the height (above its start) that `least` names for a
    /// frame. Where `held`, nothing is turned.
    fn raise(
        &self,
        rotations: &mut [DQuat],
        arm: DVec3,
        least: impl Fn(usize) -> Option<f64>,
        held: &[bool],
    ) -> Result<(), NotPositive> {
        let up = self.floor.normal;
        let reach = arm.length();
        if reach <= 0.0 {
            return Ok(());
        }
        let elevation = |height: f64| (height / reach).clamp(-1.0, 1.0).asin();
        // Radians to spare; plenty where nothing is asked.
        let spare: Vec<f64> = rotations
            .iter()
            .enumerate()
            .map(|(frame, rotation)| {
                let now = elevation((*rotation * arm).dot(up));
                least(frame).map_or(PLENTY, |height| now - elevation(height))
            })
            .collect();
        if spare
            .iter()
            .zip(held)
            .all(|(spare, held)| *held || *spare >= 0.0)
        {
            return Ok(());
        }
        let none = vec![0.0; spare.len()];
        let (fade, step) = (self.fade_secs, self.frame_time_secs);
        let lift = lift_above_zero(&spare, held, &none, fade, step, LEAST_LIFT)?;
        for (rotation, lift) in rotations.iter_mut().zip(lift) {
            let axis = (*rotation * arm).cross(up).try_normalize();
            if let Some(axis) = axis.filter(|_| lift > 0.0) {
                *rotation = (DQuat::from_axis_angle(axis, lift) * *rotation).normalize();
            }
        }
        Ok(())
    }

    /// Rotations that meet the wanted ones and fade back to the plain ones.
    pub(super) fn smooth_rotations(
        &self,
        plain: &[DQuat],
        wanted: &[Option<DQuat>],
    ) -> Result<Vec<DQuat>, NotPositive> {
        let given: Vec<bool> = wanted.iter().map(Option::is_some).collect();
        if !given.contains(&true) {
            return Ok(plain.to_vec());
        }
        let corrections: Vec<DVec3> = plain
            .iter()
            .zip(wanted)
            .map(|(plain, wanted)| wanted.map_or(DVec3::ZERO, |w| short_turn(w * plain.inverse())))
            .collect();
        let faded = self.faded(&corrections, &given)?;
        Ok(faded
            .into_iter()
            .zip(plain)
            .map(|(turn, plain)| (DQuat::from_scaled_axis(turn) * *plain).normalize())
            .collect())
    }
}

/// Frames in which nothing may be raised at one end: those held anyway, and those in which the
/// other end is raised, which this one would lower.
fn held_or(held: &[bool], other_end: &dyn Fn(usize) -> Option<f64>) -> Vec<bool> {
    let frames = held.iter().enumerate();
    frames
        .map(|(frame, held)| *held || other_end(frame).is_some())
        .collect()
}
