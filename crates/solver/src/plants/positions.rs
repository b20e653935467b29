//! Where the ankle goes: held by anchors while planted, faded in between, never below the floor.

use understudy_motion::{DQuat, DVec3, signal};

use super::Planter;
use super::anchors::Contact;
use super::rig::{BALL, HEEL, TOE};
use crate::banded::NotPositive;
use crate::contacts::{cutoff_for_noise, runs};
use crate::smooth::{Smoother, lift_above_zero};

impl Planter<'_> {
    /// Corrections without the take's noise, where they are given. `metres` turns a correction
    /// into a length.
    ///
    /// Where a foot is held still, its correction is the mirror image of the take's own noise.
    pub(super) fn calm(&self, corrections: &[DVec3], given: &[bool], metres: f64) -> Vec<DVec3> {
        let mut calm = corrections.to_vec();
        for (first, last) in runs(given) {
            let run = &corrections[first..=last];
            let lengths: Vec<DVec3> = run.iter().map(|c| *c * metres).collect();
            let cutoff_hz = cutoff_for_noise(
                &lengths,
                self.take.leg_length_m,
                self.frame_time_secs,
                f64::INFINITY,
            );
            let filtered = signal::low_pass_points(run, cutoff_hz, self.frame_time_secs);
            calm[first..=last].copy_from_slice(&filtered);
        }
        calm
    }

    /// Corrections that are met where given and fade smoothly elsewhere. Speed and acceleration of
    /// noise must not be carried on into the swing, so the fade starts from the calm ones.
    pub(super) fn faded(
        &self,
        corrections: &[DVec3],
        calm: &[DVec3],
        given: &[bool],
    ) -> Result<Vec<DVec3>, NotPositive> {
        let smoother = Smoother::new(given, self.fade_secs, self.frame_time_secs)?;
        let mut faded = smoother.run_vectors(calm);
        for (frame, _) in given.iter().enumerate().filter(|(_, given)| **given) {
            faded[frame] = corrections[frame];
        }
        Ok(faded)
    }

    /// Positions of the ankle, and the tremor that is taken out of them.
    pub(super) fn positions(
        &self,
        contacts: &[Contact],
        ankles: &[DQuat],
        toes: &[DQuat],
        planted: &[bool],
    ) -> Result<(Vec<DVec3>, Vec<DVec3>), NotPositive> {
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
        let calm = self.calm(&corrections, planted, 1.0);
        let tremor = corrections.iter().zip(&calm).map(|(c, calm)| *c - *calm);
        let tremor = tremor.collect();
        let corrections = self.faded(&corrections, &calm, planted)?;
        let positions: Vec<DVec3> = take
            .ankle_positions
            .iter()
            .zip(&corrections)
            .map(|(plain, correction)| *plain + *correction)
            .collect();
        Ok((self.lifted(positions, ankles, toes, planted)?, tremor))
    }

    /// Height of the lowest point of the sole above the floor, metres.
    pub(super) fn clearances(
        &self,
        positions: &[DVec3],
        ankles: &[DQuat],
        toes: &[DQuat],
    ) -> Vec<f64> {
        let first = if self.rig.heel_in_ankle.is_some() {
            HEEL
        } else {
            BALL
        };
        (0..positions.len())
            .map(|frame| {
                (first..=TOE)
                    .map(|part| {
                        let offset = self.rig.part(part, ankles[frame], toes[frame]);
                        self.floor.above(positions[frame] + offset)
                    })
                    .fold(f64::INFINITY, f64::min)
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
