//! Every frame solved by itself ([`Together::Frame`](crate::settings::Together::Frame)): the same terms
//! as in the solve of the whole clip, less those that tie frames to each other. Where a contact stands
//! is part of the contact, and the same in both.

use understudy_motion::Clip;

use super::SolveError;
use crate::settle::{LegTrack, Offsets, RestTrack, Weights, settle};
use crate::touch::{Actor, CarriedTouch, Cast, Stage, Touch, TouchSettings};
use crate::watch::Watch;

/// As [`settle`], frame by frame.
pub(super) fn settle_each(
    legs: &[LegTrack],
    rests: &[RestTrack],
    weights: &Weights,
    watch: Watch<'_>,
) -> Result<Offsets, SolveError> {
    let frames = legs.iter().map(|leg| leg.hips.len()).min().unwrap_or(0);
    let mut all = Offsets {
        pelvis: Vec::with_capacity(frames),
        feet: vec![Vec::with_capacity(frames); legs.len()],
    };
    for frame in 0..frames {
        watch.count(frame, frames)?;
        let alone: Vec<LegTrack> = legs.iter().map(|leg| leg.within([frame; 2])).collect();
        let rests: Vec<RestTrack> = rests.iter().map(|rest| rest.within(frame)).collect();
        let own = settle(&alone, &rests, weights, Watch::nobody())?;
        all.pelvis.extend(own.pelvis);
        for (all, own) in all.feet.iter_mut().zip(own.feet) {
            all.extend(own);
        }
    }
    Ok(all)
}

/// A stage in one frame.
fn at<'a>(stage: &Stage<'a>, frame: usize) -> Stage<'a> {
    let within = |actor: Actor<'a>| Actor {
        worlds: &actor.worlds[frame..=frame],
        ..actor
    };
    Stage {
        performer: within(stage.performer),
        character: within(stage.character),
        ..*stage
    }
}

/// As [`Cast::carry`], frame by frame: before and after a touch nothing moves towards it.
pub(super) fn carry_each(
    stage: &Stage<'_>,
    touches: &[Touch],
    settings: &TouchSettings,
    clip: &mut Clip,
    watch: Watch<'_>,
) -> Result<(Vec<CarriedTouch>, Vec<Touch>), SolveError> {
    let frames = clip.frame_count();
    let mut carried: Vec<Option<CarriedTouch>> = vec![None; touches.len()];
    for frame in 0..frames {
        watch.count(frame, frames)?;
        let here: Vec<usize> = (0..touches.len())
            .filter(|&index| (touches[index].first..=touches[index].last).contains(&frame))
            .collect();
        if here.is_empty() && !settings.keep_out {
            continue;
        }
        let asked: Vec<Touch> = here
            .iter()
            .map(|&index| Touch {
                first: 0,
                last: 0,
                ..touches[index]
            })
            .collect();
        let alone = at(stage, frame);
        let mut pose = clip.range(frame, frame);
        let cast = Cast::new(&alone);
        let (met, missing) = cast.carry(&asked, settings, &mut pose, None, Watch::nobody())?;
        clip.frame_mut(frame).copy_from_slice(pose.frame(0));
        // What is carried comes in the order it was asked for, less what the character has no part for.
        let possible = here.iter().zip(&asked);
        let possible = possible.filter(|(_, asked)| !missing.contains(asked));
        for ((&index, _), met) in possible.zip(met) {
            let whole = carried[index].get_or_insert_with(|| CarriedTouch {
                touch: touches[index],
                gaps_m: Vec::new(),
                gaps_before_m: Vec::new(),
            });
            whole.gaps_m.extend(met.gaps_m);
            whole.gaps_before_m.extend(met.gaps_before_m);
        }
    }
    let missing = touches.iter().zip(&carried);
    let missing = missing.filter(|(_, carried)| carried.is_none());
    let missing = missing.map(|(touch, _)| *touch).collect();
    Ok((carried.into_iter().flatten().collect(), missing))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::leg::Reach;
    use understudy_motion::DVec3;

    /// A leg whose foot is planted in the frames from 20 to 39, too far below the hip to be reached
    /// from there.
    fn stretched() -> LegTrack {
        let frames = 60;
        LegTrack {
            hips: vec![DVec3::new(0.0, 0.9, 0.0); frames],
            ankles: vec![DVec3::new(0.0, 0.05, 0.1); frames],
            clearances: vec![0.0; frames],
            reaches: vec![
                Reach {
                    constant: 0.4f64.powi(2) + 0.4f64.powi(2),
                    product: 0.4 * 0.4,
                };
                frames
            ],
            wanted_bends: vec![0.1; frames],
            least_bends: vec![0.05; frames],
            largest_bends: vec![2.6; frames],
            largest_curve: 0.01,
            planted: (0..frames).map(|frame| (20..40).contains(&frame)).collect(),
        }
    }

    #[test]
    fn a_frame_by_itself_knows_no_other() {
        let weights = Weights {
            offset_m: 0.03,
            bend_error: 0.1,
            fade_secs: 0.12,
            frame_time_secs: 1.0 / 60.0,
            level_hold: 1.0,
        };
        let whole = settle(&[stretched()], &[], &weights, Watch::nobody()).unwrap();
        let each = settle_each(&[stretched()], &[], &weights, Watch::nobody()).unwrap();
        // The pelvis comes down within the plant, in all its frames alike, and at once.
        let down = |offsets: &Offsets, frame: usize| -offsets.pelvis[frame].y;
        assert!(down(&each, 20) > 0.03, "{}", down(&each, 20));
        assert!((down(&each, 20) - down(&each, 39)).abs() < 1e-12);
        let step = |offsets: &Offsets| down(offsets, 20) - down(offsets, 19);
        assert!(
            step(&each) > 5.0 * step(&whole),
            "{} {}",
            step(&each),
            step(&whole)
        );
        assert!(step(&whole) > 0.0);
    }
}
