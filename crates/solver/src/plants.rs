//! Where a foot goes so that planted parts do not move.
//!
//! Each contact of heel, ball or toe gets one point of the floor, its anchor. Contacts that
//! overlap belong to one foot lying flat, so their anchors are a rigid foot apart. While a part
//! is down the foot turns about its anchor; in between, the difference to plain transfer fades
//! smoothly ([`crate::smooth`]).

use understudy_motion::{DQuat, DVec3, Skeleton, WorldPose, signal};

use crate::banded::NotPositive;
use crate::contacts::{cutoff_for_noise, runs};
use crate::floor::Floor;
use crate::foot::Foot;
use crate::smooth::{Smoother, lift_above_zero};

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
    /// Length of thigh and shank of the character, metres.
    pub leg_length_m: f64,
    /// Performer's heel is down.
    pub heel: Vec<bool>,
    /// Performer's ball is down.
    pub ball: Vec<bool>,
    /// Performer's toe is down.
    pub toe: Vec<bool>,
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
    /// What of the ankle's correction is the mirror image of the take's noise: its fast part while
    /// a part is down, zero otherwise; world, metres.
    pub tremor: Vec<DVec3>,
    /// Whether any part is down.
    pub planted: Vec<bool>,
    /// Which parts of the character's foot are down: heel, ball, toe.
    pub parts: Vec<[bool; 3]>,
}

/// Vectors of a foot that do not depend on the pose, rotated into the joints' axes, metres.
#[derive(Clone, Copy, Debug)]
struct Rig {
    heel_in_ankle: Option<DVec3>,
    ball_joint_in_ankle: DVec3,
    ball_in_toes: DVec3,
    tip_in_toes: DVec3,
}

impl Rig {
    fn new(foot: &Foot, skeleton: &Skeleton, rest: &WorldPose) -> Self {
        let vector = |joint: usize, local: DVec3| {
            rest.rotation(joint).inverse() * rest.affines[joint].transform_vector3(local)
        };
        let bone = rest.position(foot.toe_joint) - rest.position(foot.ankle);
        debug_assert!(skeleton.is_at_or_above(foot.ankle, foot.toe_joint));
        Self {
            heel_in_ankle: foot.heel.map(|heel| vector(foot.ankle, heel.local)),
            ball_joint_in_ankle: rest.rotation(foot.ankle).inverse() * bone,
            ball_in_toes: vector(foot.toe_joint, foot.ball.local),
            tip_in_toes: vector(foot.toe_joint, foot.toe.local),
        }
    }

    /// Offset of a part from the ankle, world axes.
    fn part(&self, part: usize, ankle: DQuat, toes: DQuat) -> DVec3 {
        match part {
            HEEL => ankle * self.heel_in_ankle.unwrap_or(DVec3::ZERO),
            BALL => ankle * self.ball_joint_in_ankle + toes * self.ball_in_toes,
            _ => ankle * self.ball_joint_in_ankle + toes * self.tip_in_toes,
        }
    }
}

const HEEL: usize = 0;
const BALL: usize = 1;
const TOE: usize = 2;

/// Sine of the sideways tilt above which a foot is not on its sole but on its side.
const MOST_SIDEWAYS: f64 = 0.5;

/// Change of heading (radians) between two flat phases that counts as a turn on the ball.
const TURN_ON_BALL: f64 = 1e-3;

/// Passes that turn soles out of the floor before what is left is taken as it is.
const PASSES: usize = 4;

/// One contact of the character's foot.
#[derive(Clone, Copy, Debug)]
struct Contact {
    part: usize,
    first: usize,
    last: usize,
    anchor: DVec3,
}

/// A stretch in which two contacts hold the foot flat.
#[derive(Clone, Copy, Debug)]
struct Flat {
    a: usize,
    b: usize,
    first: usize,
    last: usize,
    heading: f64,
}

/// Plants a foot.
///
/// # Errors
/// Numbers that are not finite.
pub fn plant_foot(
    take: &FootTake<'_>,
    skeleton: &Skeleton,
    rest: &WorldPose,
    floor: &Floor,
    fade_secs: f64,
    frame_time_secs: f64,
) -> Result<FootPath, NotPositive> {
    let mut planter = Planter {
        plain_ankles: take.ankle_rotations.clone(),
        plain_toes: take.toe_rotations.clone(),
        take,
        rig: Rig::new(take.foot, skeleton, rest),
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
        let mut contacts = list_contacts(&masks);
        let flats = self.flats(&contacts);
        self.place_anchors(&mut contacts, &flats);
        let parts: Vec<[bool; 3]> = (0..frames)
            .map(|f| std::array::from_fn(|part| masks[part][f]))
            .collect();
        let planted: Vec<bool> = parts.iter().map(|p| p.iter().any(|on| *on)).collect();
        let (ankles, toes) = self.rotations(&contacts, &flats, &parts)?;
        let (positions, tremor) = self.positions(&contacts, &ankles, &toes, &planted)?;
        Ok(FootPath {
            clearances: self.clearances(&positions, &ankles, &toes),
            ankle_positions: positions,
            ankle_rotations: ankles,
            toe_rotations: toes,
            tremor,
            planted,
            parts,
        })
    }

    /// Takes the sideways tilt out of a planted foot, so that no edge of a broad sole dips into the
    /// floor: heel strike and toe off roll forward, not aside.
    fn lay_sideways_flat(&mut self) -> Result<(), NotPositive> {
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

    /// A foot that turns on its ball sweeps its toes over the floor: they are not planted until
    /// the turn is over.
    fn free_turning_toes(&self, masks: &mut [Vec<bool>; 3]) {
        let contacts = list_contacts(masks);
        let flats = self.flats(&contacts);
        for (index, contact) in contacts.iter().enumerate() {
            if contact.part != BALL {
                continue;
            }
            let knots = heading_knots(index, &contacts, &flats);
            let Some(last) = knots.last() else { continue };
            let turned = knots
                .iter()
                .any(|knot| (knot.2 - last.2).abs() > TURN_ON_BALL);
            if turned {
                masks[TOE][contact.first..last.0].fill(false);
            }
        }
    }

    /// Heading of the foot at a frame in plain transfer: angle about Y from the flat foot's own.
    fn heading(&self, frame: usize) -> f64 {
        let foot = self.take.foot;
        let local = foot.flat_ankle.inverse() * foot.heading;
        let now = self.plain_ankles[frame] * local;
        foot.heading.cross(now).y.atan2(foot.heading.dot(now))
    }

    fn mean_heading(&self, first: usize, last: usize) -> f64 {
        let (sin, cos) = (first..=last)
            .map(|frame| self.heading(frame).sin_cos())
            .fold((0.0, 0.0), |sum, (s, c)| (sum.0 + s, sum.1 + c));
        f64::atan2(sin, cos)
    }

    fn flat_turn(&self, heading: f64) -> DQuat {
        self.floor.tilt() * DQuat::from_rotation_y(heading)
    }

    fn flat_offset(&self, part: usize, heading: f64) -> DVec3 {
        let turn = self.flat_turn(heading);
        let foot = self.take.foot;
        self.rig
            .part(part, turn * foot.flat_ankle, turn * foot.flat_toes)
    }

    /// Overlaps of heel with ball (or tip), and of ball with tip. The heading is the foot's own on
    /// average; toes that stay down while the heel is up keep the heading of the flat foot.
    fn flats(&self, contacts: &[Contact]) -> Vec<Flat> {
        let front = if self.take.foot.is_one_piece() {
            TOE
        } else {
            BALL
        };
        let mut flats = self.overlaps(contacts, HEEL, front);
        if front == BALL {
            let mut toes = self.overlaps(contacts, BALL, TOE);
            for flat in &mut toes {
                let knots = heading_knots(flat.a, contacts, &flats);
                let ball = &contacts[flat.a];
                flat.heading = heading_at(&knots, flat.last)
                    .unwrap_or_else(|| self.mean_heading(ball.first, ball.last));
            }
            flats.extend(toes);
        }
        flats
    }

    fn overlaps(&self, contacts: &[Contact], back: usize, front: usize) -> Vec<Flat> {
        let mut flats = Vec::new();
        for (a, one) in contacts.iter().enumerate() {
            for (b, other) in contacts.iter().enumerate() {
                let (first, last) = (one.first.max(other.first), one.last.min(other.last));
                if one.part == back && other.part == front && first <= last {
                    flats.push(Flat {
                        a,
                        b,
                        first,
                        last,
                        heading: self.mean_heading(first, last),
                    });
                }
            }
        }
        flats
    }

    /// Spreads each group of linked contacts rigidly and puts it where plain transfer has it
    /// most of the time.
    fn place_anchors(&self, contacts: &mut [Contact], flats: &[Flat]) {
        let mut group = vec![usize::MAX; contacts.len()];
        let mut relative = vec![DVec3::ZERO; contacts.len()];
        for start in 0..contacts.len() {
            if group[start] != usize::MAX {
                continue;
            }
            group[start] = start;
            let mut queue = vec![start];
            while let Some(at) = queue.pop() {
                for flat in flats.iter().filter(|flat| flat.a == at || flat.b == at) {
                    let other = if flat.a == at { flat.b } else { flat.a };
                    if group[other] == usize::MAX {
                        group[other] = start;
                        let between = self.flat_offset(contacts[other].part, flat.heading)
                            - self.flat_offset(contacts[at].part, flat.heading);
                        relative[other] = relative[at] + between;
                        queue.push(other);
                    }
                }
            }
            self.place_group(contacts, &group, &relative, start);
        }
    }

    fn place_group(
        &self,
        contacts: &mut [Contact],
        group: &[usize],
        relative: &[DVec3],
        start: usize,
    ) {
        let mut places: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
        for (index, contact) in contacts.iter().enumerate() {
            if group[index] != start {
                continue;
            }
            for frame in contact.first..=contact.last {
                let place = self.plain_point(contact.part, frame) - relative[index];
                places[0].push(place.x);
                places[1].push(place.z);
            }
        }
        // The median: the last frames of a roll, already on their way, do not pull the plant.
        let [x, z] = places.map(|values| signal::median(&values).unwrap_or(0.0));
        for (index, contact) in contacts.iter_mut().enumerate() {
            if group[index] == start {
                let place = DVec3::new(x, 0.0, z) + relative[index];
                contact.anchor = self.floor.below(place);
            }
        }
    }

    fn plain_point(&self, part: usize, frame: usize) -> DVec3 {
        let take = self.take;
        take.ankle_positions[frame]
            + self
                .rig
                .part(part, self.plain_ankles[frame], self.plain_toes[frame])
    }

    /// Rotations of ankle and toes. The foot lies flat while heel and front are down, toes while
    /// the ball is; in between both are free, but no part of the sole turns into the floor.
    fn rotations(
        &self,
        contacts: &[Contact],
        flats: &[Flat],
        parts: &[[bool; 3]],
    ) -> Result<(Vec<DQuat>, Vec<DQuat>), NotPositive> {
        let take = self.take;
        let one_piece = take.foot.is_one_piece();
        let mut wanted_ankles = self.flat_ankles(contacts, flats, parts.len());
        let mut wanted_toes = self.flat_toes(contacts, flats, parts.len());
        // Each pass can only add frames, and few ever need a second.
        for _ in 0..PASSES {
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
            if !changed {
                return Ok((ankles, toes));
            }
        }
        let ankles = self.smooth_rotations(&self.plain_ankles, &wanted_ankles)?;
        let toes = if one_piece {
            ankles.clone()
        } else {
            self.smooth_rotations(&self.plain_toes, &wanted_toes)?
        };
        Ok((ankles, toes))
    }

    /// Ankle rotations of the frames in which heel and front are down.
    fn flat_ankles(
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
    fn flat_toes(&self, contacts: &[Contact], flats: &[Flat], frames: usize) -> Vec<Option<DQuat>> {
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
    fn raised(&self, ankle: DQuat, toes: DQuat, parts: [bool; 3]) -> Option<DQuat> {
        let heel = self.rig.heel_in_ankle?;
        let front = self.rig.ball_joint_in_ankle;
        let up = self.floor.normal;
        // From the pivot to the end that may sink, in the ankle's axes, and the height at which
        // that end lies on the floor.
        let (arm, height) = if parts[HEEL] {
            let end = if self.take.foot.is_one_piece() {
                self.rig.tip_in_toes
            } else {
                front
            };
            let thickness = if self.take.foot.is_one_piece() {
                0.0
            } else {
                -(toes * self.rig.ball_in_toes).dot(up).min(0.0)
            };
            (end - heel, thickness)
        } else if self.take.foot.is_one_piece() {
            (heel - self.rig.tip_in_toes, 0.0)
        } else {
            let ball = front;
            let thickness = -(toes * self.rig.ball_in_toes).dot(up).min(0.0);
            (heel - ball, -thickness)
        };
        self.lift_end(ankle, arm, height)
    }

    /// The toe rotation that lifts the tip (where only the heel is down) or the ball (where only
    /// the tip is) out of the floor; `None` where neither is below.
    fn raised_toes(&self, ankle: DQuat, toes: DQuat, parts: [bool; 3]) -> Option<DQuat> {
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
    fn lift_end(&self, rotation: DQuat, arm: DVec3, height: f64) -> Option<DQuat> {
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
    fn smooth_rotations(
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
        // Turns are judged by how far they move the other end of the foot.
        let calm = self.calm(&corrections, &given, self.size);
        let faded = self.faded(&corrections, &calm, &given)?;
        Ok(faded
            .into_iter()
            .zip(plain)
            .map(|(turn, plain)| (DQuat::from_scaled_axis(turn) * *plain).normalize())
            .collect())
    }

    /// Corrections without the take's noise, where they are given. `metres` turns a correction
    /// into a length.
    ///
    /// Where a foot is held still, its correction is the mirror image of the take's own noise.
    fn calm(&self, corrections: &[DVec3], given: &[bool], metres: f64) -> Vec<DVec3> {
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
    fn faded(
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
    fn positions(
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
    fn clearances(&self, positions: &[DVec3], ankles: &[DQuat], toes: &[DQuat]) -> Vec<f64> {
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
    fn lifted(
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

fn list_contacts(masks: &[Vec<bool>; 3]) -> Vec<Contact> {
    let mut contacts = Vec::new();
    for (part, mask) in masks.iter().enumerate() {
        for (first, last) in runs(mask) {
            contacts.push(Contact {
                part,
                first,
                last,
                anchor: DVec3::ZERO,
            });
        }
    }
    contacts
}

/// Frames at which the heading of a ball contact is known, as (first, last, heading): where the
/// heel is down too.
fn heading_knots(ball: usize, contacts: &[Contact], flats: &[Flat]) -> Vec<(usize, usize, f64)> {
    let mut knots: Vec<(usize, usize, f64)> = flats
        .iter()
        .filter(|flat| flat.b == ball && contacts[flat.a].part == HEEL)
        .map(|flat| (flat.first, flat.last, flat.heading))
        .collect();
    knots.sort_by_key(|knot| knot.0);
    knots
}

/// Heading between knots, with a smooth step from one to the next.
fn heading_at(knots: &[(usize, usize, f64)], frame: usize) -> Option<f64> {
    let before = knots.iter().rev().find(|knot| knot.0 <= frame);
    let after = knots.iter().find(|knot| knot.1 >= frame);
    match (before, after) {
        (Some(a), Some(b)) if a.1 < b.0 => {
            let t = (frame - a.1) as f64 / (b.0 - a.1) as f64;
            let s = t * t * t * (10.0 - 15.0 * t + 6.0 * t * t);
            let step = b.2 - a.2;
            let step = step - std::f64::consts::TAU * (step / std::f64::consts::TAU).round();
            Some(a.2 + s * step)
        }
        (Some(knot), _) | (None, Some(knot)) => Some(knot.2),
        (None, None) => None,
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
