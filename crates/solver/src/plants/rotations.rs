//! How ankle and toes turn while parts of the sole are down, and in between.

use understudy_motion::{DQuat, DVec3};

use super::Planter;
use super::anchors::{Contact, Flat, heading_at, heading_knots};
use super::rig::{BALL, HEEL};
use crate::banded::NotPositive;

/// Sine of the sideways tilt above which a foot is not on its sole but on its side.
const MOST_SIDEWAYS: f64 = 0.5;

/// Passes that turn soles out of the floor before what is left is taken as it is.
const PASSES: usize = 4;

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
        let take = self.take;
        let one_piece = take.foot.is_one_piece();
        let mut wanted_ankles = self.flat_ankles(contacts, flats, parts.len());
        let mut wanted_toes = self.flat_toes(contacts, flats, parts.len());
        // Each pass can only add frames, and few clips ever need a second.
        let mut pass = 0;
        loop {
            let ankles = self.smooth_rotations(&self.plain_ankles, &wanted_ankles)?;
            let toes = if one_piece {
                ankles.clone()
            } else {
                self.smooth_rotations(&self.plain_toes, &wanted_toes)?
            };
            let mut changed = false;
            for (frame, down) in parts.iter().enumerate() {
                if !down.iter().any(|on| *on) {
                    continue;
                }
                let (ankle, toe) = (ankles[frame], toes[frame]);
                if wanted_ankles[frame].is_none() {
                    wanted_ankles[frame] = self.raised(ankle, toe, *down);
                    changed |= wanted_ankles[frame].is_some();
                }
                if !one_piece && wanted_toes[frame].is_none() {
                    wanted_toes[frame] = self.raised_toes(ankle, toe, *down);
                    changed |= wanted_toes[frame].is_some();
                }
            }
            if !changed || pass == PASSES {
                return Ok((ankles, toes));
            }
            pass += 1;
        }
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

    /// The ankle rotation that lifts the sole's other end out of the floor, by the shortest turn
    /// about the part that is down; `None` where nothing is below.
    pub(super) fn raised(&self, ankle: DQuat, toes: DQuat, parts: [bool; 3]) -> Option<DQuat> {
        let heel = self.rig.heel_in_ankle?;
        let one_piece = self.take.foot.is_one_piece();
        // The front end in the ankle's axes, and how high it lies when the sole touches the floor.
        let (front, height) = if one_piece {
            (self.rig.tip_in_toes, 0.0)
        } else {
            let below = (toes * self.rig.ball_in_toes).dot(self.floor.normal);
            (self.rig.ball_joint_in_ankle, -below.min(0.0))
        };
        let (arm, height) = if parts[HEEL] {
            (front - heel, height)
        } else {
            (heel - front, -height)
        };
        self.lift_end(ankle, arm, height)
    }

    /// The toe rotation that lifts the tip (where only the heel is down) or the ball (where only
    /// the tip is) out of the floor; `None` where neither is below.
    pub(super) fn raised_toes(&self, ankle: DQuat, toes: DQuat, parts: [bool; 3]) -> Option<DQuat> {
        let up = self.floor.normal;
        match parts {
            [true, false, _] => {
                let heel = self.rig.heel_in_ankle?;
                let joint = (ankle * (self.rig.ball_joint_in_ankle - heel)).dot(up);
                self.lift_end(toes, self.rig.tip_in_toes, -joint)
            }
            [false, false, true] => {
                self.lift_end(toes, self.rig.ball_in_toes - self.rig.tip_in_toes, 0.0)
            }
            _ => None,
        }
    }

    /// The shortest turn that brings the end of an arm up to a height above its start, as the
    /// new rotation; `None` where it is high enough.
    pub(super) fn lift_end(&self, rotation: DQuat, arm: DVec3, height: f64) -> Option<DQuat> {
        let up = self.floor.normal;
        let now = rotation * arm;
        let level = now.dot(up);
        if level >= height - 1e-5 * self.size {
            return None;
        }
        let along = (now - up * level).try_normalize()?;
        let reach = now.length();
        let sine = (height / reach).clamp(-1.0, 1.0);
        let target = along * (1.0 - sine * sine).sqrt() + up * sine;
        Some(DQuat::from_rotation_arc(now / reach, target) * rotation)
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
            .map(|(plain, wanted)| {
                wanted.map_or(DVec3::ZERO, |w| short_vector(w * plain.inverse()))
            })
            .collect();
        let faded = self.faded(&corrections, &given)?;
        Ok(faded
            .into_iter()
            .zip(plain)
            .map(|(turn, plain)| (DQuat::from_scaled_axis(turn) * *plain).normalize())
            .collect())
    }
}

fn short_vector(rotation: DQuat) -> DVec3 {
    let rotation = if rotation.w < 0.0 {
        -rotation
    } else {
        rotation
    };
    rotation.to_scaled_axis()
}
