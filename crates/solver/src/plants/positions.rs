//! Where the ankle goes: held by anchors while planted, faded in between, never below the floor.

use understudy_motion::{DQuat, DVec3};

use super::Planter;
use super::anchors::Contact;
use super::rig::{BALL, HEEL, TOE};
use crate::banded::NotPositive;
use crate::smooth::{Smoother, lift_above_zero};

impl Planter<'_> {
    /// Corrections that are met where given and fade smoothly elsewhere.
    pub(super) fn faded(
        &self,
        corrections: &[DVec3],
        given: &[bool],
    ) -> Result<Vec<DVec3>, NotPositive> {
        let smoother = Smoother::new(given, self.fade_secs, self.frame_time_secs)?;
        Ok(smoother.run_vectors(corrections))
    }

    /// Positions of the ankle.
    pub(super) fn positions(
        &self,
        contacts: &[Contact],
        ankles: &[DQuat],
        toes: &[DQuat],
        planted: &[bool],
    ) -> Result<Vec<DVec3>, NotPositive> {
        let take = self.take;
        let frames = planted.len();
        let mut corrections = vec![DVec3::ZERO; frames];
        // The part furthest forward that is down leads: ball before heel, both agree when flat;
        // the tip leads only when it is alone.
        for part in [TOE, HEEL, BALL] {
            for contact in contacts.iter().filter(|contact| contact.part == part) {
                for frame in contact.first..=contact.last {
                    let offset = self.rig.part(part, ankles[frame], toes[frame]);
                    corrections[frame] = contact.anchor - offset - take.ankle_positions[frame];
                }
            }
        }
        // Heel and toe are round: what of their skin is lowest lies on the floor.
        for frame in (0..frames).filter(|&frame| planted[frame]) {
            let ankle = take.ankle_positions[frame] + corrections[frame];
            let turned = [ankles[frame], toes[frame]];
            let above_m = self.rig.lowest_of_skin_m(ankle, turned, self.floor);
            corrections[frame].y -= above_m.unwrap_or(0.0);
        }
        let corrections = self.faded(&corrections, planted)?;
        let positions: Vec<DVec3> = take
            .ankle_positions
            .iter()
            .zip(&corrections)
            .map(|(plain, correction)| *plain + *correction)
            .collect();
        self.lifted(positions, ankles, toes, planted)
    }

    /// Height of the lowest point of the sole above the floor, metres.
    pub(super) fn clearances(
        &self,
        positions: &[DVec3],
        ankles: &[DQuat],
        toes: &[DQuat],
    ) -> Vec<f64> {
        let frames = 0..positions.len();
        frames
            .map(|frame| {
                let turned = [ankles[frame], toes[frame]];
                self.rig.lowest_m(positions[frame], turned, self.floor)
            })
            .collect()
    }

    /// Lifts the swinging foot so that no part of its sole goes below the floor.
    pub(super) fn lifted(
        &self,
        mut positions: Vec<DVec3>,
        ankles: &[DQuat],
        toes: &[DQuat],
        planted: &[bool],
    ) -> Result<Vec<DVec3>, NotPositive> {
        let heights = self.clearances(&positions, ankles, toes);
        let none = vec![0.0; heights.len()];
        let lift = lift_above_zero(
            &heights,
            planted,
            &none,
            self.fade_secs,
            self.frame_time_secs,
            2e-4 * self.size,
        )?;
        for (position, lift) in positions.iter_mut().zip(lift) {
            position.y += lift.max(0.0);
        }
        Ok(positions)
    }
}
