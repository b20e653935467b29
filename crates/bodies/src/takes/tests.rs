//! What is promised of all takes, where it takes the author's own means to measure it: smoothness
//! between frames, and skin on skin.

use understudy_anatomy::Side;
use understudy_motion::{Clip, DVec3};

use super::draft::{joints_of, touch_gap};
use super::*;
use crate::plan::SIDES;

fn all() -> Vec<AuthoredTake> {
    take_names()
        .iter()
        .map(|name| take(name).unwrap())
        .collect()
}

/// Largest third difference of each joint's path over time cubed, metres per second cubed.
fn jerks(clip: &Clip) -> Vec<f64> {
    let worlds = clip.worlds();
    let rate = 1.0 / clip.frame_time_secs;
    (0..clip.skeleton.len())
        .map(|joint| {
            let at: Vec<DVec3> = worlds.iter().map(|pose| pose.position(joint)).collect();
            let third = |w: &[DVec3]| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).length();
            at.windows(4).map(third).fold(0.0, f64::max) * rate.powi(3)
        })
        .collect()
}

/// A jump of the acceleration doubles the third difference when the frame rate doubles, a jump of
/// the speed makes it four times as large; where the acceleration is continuous, it stays the
/// same.
#[test]
fn accelerations_are_continuous() {
    let figure = figure().unwrap();
    let mut worst = Vec::new();
    for (name, _, said, plan) in TAKES {
        let draft = plan(figure);
        let at = |rate: f64| jerks(&draft.finished(figure, name, said, rate).unwrap().clip);
        let (coarse, fine) = (at(240.0), at(480.0));
        for (joint, (coarse, fine)) in coarse.iter().zip(&fine).enumerate() {
            let joint = figure.skeleton.name(joint);
            // 200 m/s³ is what a leg's slow swing has; the ratio of smaller ones says nothing.
            // Fingers go with their hand.
            let listed = !joint.ends_with(|end: char| end.is_ascii_digit());
            if listed && *fine > 1.6 * coarse.max(200.0) {
                worst.push(format!("{name}: {joint} {coarse:.0} {fine:.0}"));
            }
        }
    }
    assert!(worst.is_empty(), "{}", worst.join("\n"));
}

/// 3 mm is what a palm gives way under light pressure (common practice).
#[test]
fn skin_meets_skin_in_every_frame_of_a_touch() {
    let figure = figure().unwrap();
    let mut worst = Vec::new();
    for take in all() {
        for touch in &take.touches {
            let parts = [touch.ends[0].part, touch.ends[1].part];
            for frame in touch.first_frame..=touch.last_frame {
                let pose = take.clip.world(frame);
                let gap = touch_gap(figure, &pose, &take.props, frame, parts);
                let gap_mm = gap.map_or(f64::INFINITY, |gap| 1000.0 * gap.metres);
                if gap_mm.abs() > 3.0 {
                    worst.push(format!(
                        "{} {parts:?} frame {frame}: {gap_mm:.1} mm",
                        take.name
                    ));
                }
            }
        }
    }
    assert!(
        worst.is_empty(),
        "{} frames\n{}",
        worst.len(),
        worst.join("\n")
    );
}

/// The points of a touch lie on each other in its middle frame.
#[test]
fn points_of_touches_meet() {
    for take in all() {
        for touch in &take.touches {
            let middle = touch.first_frame.midpoint(touch.last_frame);
            let pose = take.clip.world(middle);
            let [a, b] = touch
                .ends
                .each_ref()
                .map(|end| match (&end.joint, end.part) {
                    (Some(joint), _) => {
                        pose.point(take.clip.skeleton.find(joint).unwrap(), end.point)
                    }
                    (None, TouchPart::Prop(name)) => {
                        let prop = take.props.iter().find(|prop| prop.name == name).unwrap();
                        prop.places[middle].to_affine().transform_point3(end.point)
                    }
                    (None, _) => end.point,
                });
            let apart_m = a.distance(b);
            let parts = [touch.ends[0].part, touch.ends[1].part];
            assert!(
                apart_m < 0.003,
                "{} {parts:?} {middle} {apart_m}",
                take.name
            );
        }
    }
}

/// Hands stay out of trunk, head and legs, whether they touch something or not.
#[test]
fn hands_stay_outside_the_body() {
    let figure = figure().unwrap();
    let mut worst = Vec::new();
    for take in all() {
        let step = (0.1 / take.clip.frame_time_secs) as usize;
        for frame in (0..take.clip.frame_count()).step_by(step) {
            let skin = figure.skin.posed(&take.clip.world(frame));
            for side in SIDES {
                let mut body = figure.trunk();
                body.extend(
                    SIDES
                        .iter()
                        .flat_map(|&side| joints_of(figure, TouchPart::Knee(side))),
                );
                let gap = skin.gap(&joints_of(figure, TouchPart::Hand(side)), &body, 0.03);
                let depth_mm = gap.map_or(0.0, |gap| -1000.0 * gap.metres);
                if depth_mm > 4.0 {
                    worst.push(format!(
                        "{} {side:?} frame {frame}: {depth_mm:.1} mm",
                        take.name
                    ));
                }
            }
        }
    }
    assert!(worst.is_empty(), "{}", worst.join("\n"));
}

/// Both palms come together at once: they are as far from the middle of the chest at every frame
/// in which they touch.
#[test]
fn both_hands_clap_at_the_same_time() {
    let figure = figure().unwrap();
    let take = take("clap").unwrap();
    assert_eq!(take.touches.len(), 7);
    let chest = figure.rig.spine[2];
    for touch in &take.touches {
        for frame in touch.first_frame..=touch.last_frame {
            let pose = take.clip.world(frame);
            let [left, right] = [Side::Left, Side::Right].map(|side| {
                let wrist = figure.limbs(side).wrist;
                pose.affines[chest]
                    .inverse()
                    .transform_point3(pose.position(wrist))
            });
            assert!((left.x + right.x).abs() < 1e-4, "{left} {right}");
        }
        // They part at once as well: a twentieth of a second later both palms are away.
        let pose = take.clip.world(touch.last_frame + 6);
        let parts = [touch.ends[0].part, touch.ends[1].part];
        let gap_m = touch_gap(figure, &pose, &[], 0, parts).map_or(1.0, |gap| gap.metres);
        let last = touch.last_frame;
        assert!(gap_m > 0.001, "{last} {gap_m}");
    }
}
