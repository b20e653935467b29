//! Parts that the performer does not have, or that follow by themselves: tails, ears, wings, further
//! arms, necks. Each has a rule: rest, follow a joint, or lag behind like a spring.
//!
//! The spring is a damped harmonic oscillator on the deviation e of a bone's end from where it would
//! be if the chain were stiff: e″ + 2ζω e′ + ω² e = −u″, u being the way of that stiff end. Between
//! two frames u is taken as straight, so that the equation has a closed solution there and u″ is a
//! jump of velocity at each frame. So the result does not depend on how often the same motion is
//! sampled, and no setting makes it unstable. Solution: any text on vibration, such as Rao,
//! *Mechanical Vibrations*, chapter 2 (free vibration with viscous damping).

use serde::{Deserialize, Serialize};
use understudy_anatomy::Body;
use understudy_motion::angle::short_turn;
use understudy_motion::{Clip, DQuat, DVec3, Skeleton, WorldPose};

/// What a chain of joints does.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub enum Secondary {
    /// It keeps its rest pose relative to what it hangs on.
    Rest,
    /// It turns as a joint of the character does, against that joint's rest pose.
    Follow {
        /// Name of the joint.
        joint: String,
        /// Factor on the turn, spread over the chain.
        scale: f64,
        /// Whether it follows as in a mirror between left and right.
        #[serde(default)]
        mirrored: bool,
    },
    /// It lags behind and swings out.
    Spring {
        /// Swings per second, without damping.
        hertz: f64,
        /// Damping ratio ζ: 0 swings for ever, 1 comes back without a swing, more is slower.
        damping: f64,
        /// Most turn of each joint away from where it would be, degrees.
        #[serde(default = "default_most_deg")]
        most_deg: f64,
    },
}

fn default_most_deg() -> f64 {
    45.0
}

impl Secondary {
    /// The first number that is out of its range: its field, its value, and what it may be.
    pub(crate) fn first_out_of_range(&self) -> Option<(&'static str, f64, &'static str)> {
        let checks: &[(&'static str, f64, f64, f64, &'static str)] = match self {
            Self::Rest => &[],
            Self::Follow { scale, .. } => &[("scale", *scale, -10.0, 10.0, "from -10 to 10")],
            Self::Spring {
                hertz,
                damping,
                most_deg,
            } => &[
                (
                    "hertz",
                    *hertz,
                    0.05,
                    50.0,
                    "from 0.05 to 50 swings a second",
                ),
                ("damping", *damping, 0.0, 20.0, "from 0 to 20"),
                ("most_deg", *most_deg, 0.0, 170.0, "from 0 to 170 degrees"),
            ],
        };
        checks
            .iter()
            .find(|(_, value, least, most, _)| !(*least..=*most).contains(value))
            .map(|(field, value, _, _, allowed)| (*field, *value, *allowed))
    }
}

/// The joints from one outward that a rule is about: the rest of the tail, ear, wing, arm or neck
/// it belongs to; elsewhere those below it as long as there is but one.
pub fn chain_from(skeleton: &Skeleton, body: &Body, joint: usize) -> Vec<usize> {
    let appendages = body.appendages.iter().map(|a| a.joints.clone());
    let arms = body.arms.iter().map(|arm| {
        let inner = arm.clavicle.iter().chain([&arm.shoulder, &arm.elbow]);
        inner.chain(&arm.wrist).copied().collect()
    });
    let neck = body.neck.iter().chain(&body.head).copied().collect();
    let known = appendages.chain(arms).chain([neck]);
    for chain in known {
        let chain: Vec<usize> = chain;
        if let Some(at) = chain.iter().position(|&link| link == joint) {
            return chain[at..].to_vec();
        }
    }
    let mut chain = vec![joint];
    let mut last = joint;
    while let [only] = skeleton.children(last) {
        chain.push(*only);
        last = *only;
    }
    chain
}

/// A rule whose joints are found.
pub(crate) enum FoundRule {
    Rest,
    Follow {
        joint: usize,
        scale: f64,
        mirrored: bool,
    },
    Spring {
        spring: Spring,
        most: f64,
    },
}

/// A chain and its rule.
pub(crate) struct Chain {
    pub(crate) joints: Vec<usize>,
    pub(crate) rule: FoundRule,
}

impl Chain {
    /// Moves the chain through the whole clip. `offsets` are turns of all joints, in their own
    /// coordinates, that the chain keeps.
    pub(crate) fn apply(&self, clip: &mut Clip, body: &Body, rest: &WorldPose, offsets: &[DQuat]) {
        self.to_rest(clip, offsets);
        match &self.rule {
            FoundRule::Rest => {}
            FoundRule::Follow {
                joint,
                scale,
                mirrored,
            } => self.follow(clip, (body, rest, offsets), *joint, *scale, *mirrored),
            FoundRule::Spring { spring, most } => self.swing(clip, spring, *most),
        }
    }

    fn to_rest(&self, clip: &mut Clip, offsets: &[DQuat]) {
        let rest = clip.skeleton.rest_locals();
        for frame in 0..clip.frame_count() {
            let locals = clip.frame_mut(frame);
            for &joint in &self.joints {
                locals[joint].rotation = rest[joint].rotation * offsets[joint];
            }
        }
    }

    fn follow(
        &self,
        clip: &mut Clip,
        (body, rest, offsets): (&Body, &WorldPose, &[DQuat]),
        driver: usize,
        scale: f64,
        mirrored: bool,
    ) {
        let skeleton = std::sync::Arc::clone(&clip.skeleton);
        // A turn in the parent's coordinates, seen in the world's axes at rest.
        let axes = |joint: usize| rest.parent_rotation(&skeleton, joint);
        let left = body.frame.left();
        let share = scale / self.joints.len().max(1) as f64;
        for frame in 0..clip.frame_count() {
            let locals = clip.frame_mut(frame);
            let turned = locals[driver].rotation * skeleton.joint(driver).rest.rotation.inverse();
            let mut whole = axes(driver) * short_turn(turned);
            if mirrored {
                // In a mirror, turns about the axis through it stay, the others change sign.
                whole = 2.0 * whole.dot(left) * left - whole;
            }
            for &joint in &self.joints {
                let own = DQuat::from_scaled_axis(axes(joint).inverse() * whole * share);
                let at_rest = skeleton.joint(joint).rest.rotation * offsets[joint];
                locals[joint].rotation = (own * at_rest).normalize();
            }
        }
    }

    fn swing(&self, clip: &mut Clip, spring: &Spring, most: f64) {
        let skeleton = std::sync::Arc::clone(&clip.skeleton);
        let step = spring.step(clip.frame_time_secs);
        for (place, &joint) in self.joints.iter().enumerate() {
            let next = self.joints.get(place + 1);
            let end = match next {
                Some(&next) => skeleton.joint(next).rest.translation,
                None => skeleton
                    .joint(joint)
                    .tips
                    .first()
                    .copied()
                    .unwrap_or_else(|| {
                        // A last joint without an end goes on as the bone before it does.
                        skeleton.joint(joint).rest.rotation.inverse()
                            * skeleton.joint(joint).rest.translation
                    }),
            };
            let worlds = clip.worlds();
            let ends: Vec<DVec3> = worlds.iter().map(|world| world.point(joint, end)).collect();
            let deviations = step.follow(&ends, clip.frame_time_secs);
            for (frame, (world, deviation)) in worlds.iter().zip(deviations).enumerate() {
                let stiff = ends[frame] - world.position(joint);
                let turn = limited(stiff, stiff + deviation, most);
                let rotation = world.rotation(joint);
                let parent = world.parent_rotation(&skeleton, joint);
                let local = &mut clip.frame_mut(frame)[joint];
                local.rotation = (parent.inverse() * turn * rotation).normalize();
            }
        }
    }
}

/// The shortest turn from one direction to another, but no further than `most` radians.
fn limited(from: DVec3, to: DVec3, most: f64) -> DQuat {
    let (Some(from), Some(to)) = (from.try_normalize(), to.try_normalize()) else {
        return DQuat::IDENTITY;
    };
    let turn = short_turn(DQuat::from_rotation_arc(from, to));
    DQuat::from_scaled_axis(turn.clamp_length_max(most))
}

/// A damped spring.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Spring {
    /// Undamped angular frequency ω, radians per second.
    pub(crate) frequency: f64,
    /// Damping ratio ζ.
    pub(crate) damping: f64,
}

/// What a time step does to deviation and its velocity: (e, e′) after = matrix · (e, e′) before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SpringStep {
    ee: f64,
    ev: f64,
    ve: f64,
    vv: f64,
}

impl Spring {
    /// The exact solution over a time step, seconds.
    pub(crate) fn step(&self, secs: f64) -> SpringStep {
        let (w, z) = (self.frequency, self.damping);
        let decay = (-z * w * secs).exp();
        // c and s such that e(t) = decay · (c · e + s · (e′ + ζω e)).
        let (c, s) = if (z - 1.0).abs() < 1e-6 {
            (1.0, secs)
        } else if z < 1.0 {
            let wd = w * (1.0 - z * z).sqrt();
            ((wd * secs).cos(), (wd * secs).sin() / wd)
        } else {
            let wd = w * (z * z - 1.0).sqrt();
            ((wd * secs).cosh(), (wd * secs).sinh() / wd)
        };
        SpringStep {
            ee: decay * (c + s * z * w),
            ev: decay * s,
            ve: -decay * s * w * w,
            vv: decay * (c - s * z * w),
        }
    }
}

impl SpringStep {
    /// Deviations along a way that is straight between frames. It starts without deviation, moving
    /// as the way does.
    pub(crate) fn follow(&self, way: &[DVec3], frame_time_secs: f64) -> Vec<DVec3> {
        let velocity = |from: usize| (way[from + 1] - way[from]) / frame_time_secs;
        let (mut e, mut v) = (DVec3::ZERO, DVec3::ZERO);
        let mut deviations = Vec::with_capacity(way.len());
        for frame in 0..way.len() {
            deviations.push(e);
            if frame + 1 == way.len() {
                break;
            }
            if frame > 0 {
                v -= velocity(frame) - velocity(frame - 1);
            }
            (e, v) = (self.ee * e + self.ev * v, self.ve * e + self.vv * v);
        }
        deviations
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATES: [f64; 3] = [24.0, 120.0, 1000.0];

    fn spring(hertz: f64, damping: f64) -> Spring {
        Spring {
            frequency: std::f64::consts::TAU * hertz,
            damping,
        }
    }

    /// Deviations after a way that stands for a second and then goes at 1 m/s, at a rate.
    fn after_a_start(spring: &Spring, rate: f64) -> Vec<f64> {
        let way: Vec<DVec3> = (0..=(3.0 * rate) as usize)
            .map(|frame| DVec3::X * (frame as f64 / rate - 1.0).max(0.0))
            .collect();
        let deviations = spring.step(1.0 / rate).follow(&way, 1.0 / rate);
        deviations.into_iter().map(|e| e.x).collect()
    }

    /// Free vibration from e = 0 with a velocity of −1 m/s, closed form of the underdamped case:
    /// e = −exp(−ζωt) sin(ω_d t) / ω_d with ω_d = ω √(1 − ζ²) (Rao, *Mechanical Vibrations*, free
    /// vibration with viscous damping; from memory).
    #[test]
    fn a_start_swings_as_the_textbook_says() {
        let spring = spring(1.5, 0.3);
        let w = spring.frequency;
        let wd = w * (1.0 - 0.09_f64).sqrt();
        for rate in RATES {
            for (frame, e) in after_a_start(&spring, rate).into_iter().enumerate() {
                let secs = (frame as f64 / rate - 1.0).max(0.0);
                let expected = -(-0.3 * w * secs).exp() * (wd * secs).sin() / wd;
                assert!((e - expected).abs() < 1e-12, "{e} {expected} at {secs} s");
            }
        }
    }

    #[test]
    fn the_frame_rate_does_not_matter() {
        for damping in [0.0, 0.4, 1.0, 1.0 + 1e-7, 3.0] {
            let spring = spring(0.8, damping);
            let slow = after_a_start(&spring, RATES[0]);
            let fast = after_a_start(&spring, 10.0 * RATES[0]);
            for (frame, e) in slow.iter().enumerate() {
                assert!((e - fast[10 * frame]).abs() < 1e-6, "{damping}");
            }
        }
    }

    #[test]
    fn damped_springs_come_to_rest_however_stiff() {
        for (hertz, damping) in [(50.0, 0.5), (50.0, 20.0), (0.5, 1.0)] {
            let way: Vec<DVec3> = (0..2400)
                .map(|frame| if frame < 3 { DVec3::ZERO } else { DVec3::Y })
                .collect();
            let deviations = spring(hertz, damping)
                .step(1.0 / 24.0)
                .follow(&way, 1.0 / 24.0);
            let most = deviations.iter().map(|e| e.length()).fold(0.0, f64::max);
            let last = deviations.last().map_or(f64::NAN, |e| e.length());
            assert!(most < 1.0 + 1e-9 && last < 1e-3, "{most} {last}");
        }
    }

    #[test]
    fn turns_are_limited() {
        let turn = limited(DVec3::X, DVec3::Y, 0.3);
        assert!((turn.to_scaled_axis().length() - 0.3).abs() < 1e-12);
        assert_eq!(limited(DVec3::X, DVec3::ZERO, 0.3), DQuat::IDENTITY);
    }
}
