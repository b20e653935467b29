//! Takes as a capture with faults would have them.
//!
//! Faulty takes have 24, 25 or 30 frames per second: every frame of the clean take, or every second,
//! fourth or fifth, so that frames of both can be compared. Contacts, touches and props stay those of the
//! performance; the fault is in the data.

use glam::DVec3;
use understudy_motion::Clip;

use crate::error::BodyError;
use crate::faults::{Fault, with_fault};
use crate::takes::{AuthoredTake, take};

/// A fault as captures have it.
#[derive(Clone, Copy, Debug)]
pub struct CaptureFault {
    /// Its name, for instance on a command line.
    pub name: &'static str,
    /// What is wrong, for people.
    pub said: &'static str,
    faults: fn(&Clip) -> Vec<Fault>,
}

const DEGREE: f64 = std::f64::consts::PI / 180.0;

const CAPTURE_FAULTS: [CaptureFault; 6] = [
    CaptureFault {
        name: "noise",
        said: "half a millimetre of noise on every joint, as it comes through a solver",
        faults: |_| vec![Fault::JointNoise { position_m: 0.0005 }],
    },
    CaptureFault {
        name: "foot-wobble",
        said: "both feet rock by 3 degrees, as with markers that slip",
        faults: |_| {
            [("left_ankle", 2.6), ("right_ankle", 3.1)]
                .map(|(joint, hertz)| Fault::Wobble {
                    joint: joint.into(),
                    angle: 3.0 * DEGREE,
                    hertz,
                })
                .into()
        },
    },
    CaptureFault {
        name: "pelvis-tilt",
        said: "the pelvis is tilted back by 12 degrees, trunk and legs are not",
        faults: |_| {
            vec![Fault::TiltAlone {
                joint: "pelvis".into(),
                rotation: DVec3::NEG_X * 12.0 * DEGREE,
            }]
        },
    },
    CaptureFault {
        name: "swapped-axis",
        said: "two axes of the right elbow are exchanged",
        faults: |_| {
            vec![Fault::SwappedAxes {
                joint: "right_elbow".into(),
                axes: [1, 2],
            }]
        },
    },
    CaptureFault {
        name: "dropout",
        said: "0.4 seconds are lost where most happens, filled by holding",
        faults: |clip| vec![dropout(clip)],
    },
    CaptureFault {
        name: "long-arms",
        said: "the bones of both arms are 3 % too long",
        faults: |_| {
            ["left_shoulder", "right_shoulder"]
                .map(|joint| Fault::LongBones {
                    joint: joint.into(),
                    factor: 1.03,
                })
                .into()
        },
    },
];

/// Time lost in a dropout, seconds.
const DROPOUT_SECS: f64 = 0.4;

/// The lost stretch ends where the pose has changed most since its start.
fn dropout(clip: &Clip) -> Fault {
    let frames = (DROPOUT_SECS / clip.frame_time_secs).round().max(2.0) as usize;
    let count = clip.frame_count();
    let changed = |first: usize| -> f64 {
        let pairs = clip.frame(first - 1).iter().zip(clip.frame(first + frames));
        pairs
            .map(|(a, b)| a.rotation.angle_between(b.rotation))
            .sum()
    };
    let first_frame = (2..count.saturating_sub(frames + 2))
        .max_by(|&a, &b| changed(a).total_cmp(&changed(b)))
        .unwrap_or(1);
    Fault::Dropout {
        first_frame,
        frames,
    }
}

/// All faults a take can be had with.
pub fn capture_faults() -> &'static [CaptureFault] {
    &CAPTURE_FAULTS
}

/// Frames per second of faulty takes: the first of these that divides the clean take's.
const FRAMES_PER_SEC: [f64; 3] = [24.0, 25.0, 30.0];

/// Of how many frames of a clip a faulty take has one.
fn thinning(clip: &Clip) -> usize {
    let steps = FRAMES_PER_SEC.map(|rate| 1.0 / clip.frame_time_secs / rate);
    let whole = |step: &f64| *step > 0.5 && (step - step.round()).abs() < 1e-6;
    let step = steps.into_iter().find(whole).unwrap_or(1.0);
    step.round() as usize
}

/// Makes a take with a fault of [`capture_faults`]. It is the same every time.
///
/// # Errors
/// A name of a take or of a fault that is not there.
pub fn faulty_take(name: &str, fault: &str) -> Result<AuthoredTake, BodyError> {
    let Some(found) = CAPTURE_FAULTS.iter().find(|known| known.name == fault) else {
        let names: Vec<&str> = CAPTURE_FAULTS.iter().map(|known| known.name).collect();
        return Err(BodyError::NoFault {
            name: fault.to_owned(),
            names: names.join(", "),
        });
    };
    let clean = take(name)?;
    let mut faulty = every(&clean, thinning(&clean.clip))?;
    for fault in (found.faults)(&faulty.clip) {
        faulty.clip = with_fault(&faulty.clip, &fault, seed(name, found.name))
            .map_err(|error| BodyError::Inconsistent(error.to_string()))?;
    }
    faulty.clip.name = format!("{name} with {}", found.name);
    Ok(faulty)
}

/// A number from two names (FNV-1a, Fowler, Noll & Vo, from memory).
fn seed(take: &str, fault: &str) -> u64 {
    let bytes = take.bytes().chain([0]).chain(fault.bytes());
    bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

/// A take with every `step`th frame only, and with what is true of it.
///
/// # Errors
/// None in practice: only what [`Clip::new`] may refuse.
pub fn every(take: &AuthoredTake, step: usize) -> Result<AuthoredTake, BodyError> {
    let step = step.max(1);
    let frames = (0..take.clip.frame_count()).step_by(step);
    let locals = frames.flat_map(|frame| take.clip.frame(frame).to_vec());
    let mut clip = Clip::new(
        take.clip.skeleton.clone(),
        take.clip.frame_time_secs * step as f64,
        locals.collect(),
    )
    .map_err(|error| BodyError::Inconsistent(error.to_string()))?;
    clip.name.clone_from(&take.clip.name);
    let mut thinned = AuthoredTake {
        clip,
        ..take.clone()
    };
    let thin = |first: &mut usize, last: &mut usize| {
        (*first, *last) = (first.div_ceil(step), *last / step);
        first <= last
    };
    thinned
        .contacts
        .retain_mut(|contact| thin(&mut contact.first_frame, &mut contact.last_frame));
    thinned
        .touches
        .retain_mut(|touch| thin(&mut touch.first_frame, &mut touch.last_frame));
    for prop in &mut thinned.props {
        prop.places = prop.places.iter().step_by(step).copied().collect();
    }
    Ok(thinned)
}
