//! How fast a retarget is, as ratios within one run: seconds of take per second of work, and cost
//! per frame of a long take against a short one (1 where the cost grows linearly), and the quick
//! answer to a change in one frame.
//!
//! `cargo bench -p understudy`

use std::sync::Arc;
use std::time::Instant;

use understudy_bodies::{Description, character, character_from_ron, demo_take};
use understudy_motion::{Clip, DVec3, Transform};
use understudy_solver::near::{Chosen, pose_now};
use understudy_solver::{Character, Retargeted, Settings, Take, retarget};

/// The walk of the demo take over and over, for `frames` frames.
fn long_take(frames: usize) -> Clip {
    let demo = demo_take()
        .expect("the demo take is part of the crate")
        .clip;
    // One cycle of the straight walk, and the way it covers.
    let (first, last) = (353, 484);
    let root = |frame: usize| demo.frame(frame)[0].translation;
    let stride = DVec3::new(0.0, 0.0, (root(last) - root(first)).z);
    let locals = (0..frames)
        .flat_map(|frame| {
            let cycle = frame / (last - first);
            let mut locals: Vec<Transform> = demo.frame(first + frame % (last - first)).to_vec();
            locals[0].translation += stride * cycle as f64;
            locals
        })
        .collect();
    Clip::new(Arc::clone(&demo.skeleton), demo.frame_time_secs, locals).expect("finite numbers")
}

fn retargeted(clip: &Clip, performer: &understudy_bodies::Character) -> (f64, Retargeted) {
    let text = include_str!("../../../assets/bodies/weaver.ron");
    let weaver = character_from_ron(text).expect("the weaver is valid");
    let skeleton = Arc::new(weaver.skeleton);
    let start = Instant::now();
    let result = retarget(
        Take {
            clip,
            body: &performer.body,
            surface: None,
        },
        Character {
            skeleton: &skeleton,
            body: &weaver.body,
            surface: Some(&weaver.surface),
        },
        &Settings::default(),
        None,
    )
    .expect("the walk solves");
    (start.elapsed().as_secs_f64(), result)
}

/// A change of settings.
type Change = fn(&mut Settings);

/// Seconds that one frame takes to answer a change, on average.
fn seconds_to_answer(known: &Retargeted, change: Change) -> f64 {
    const TIMES: usize = 200;
    let before = Settings::default();
    let mut after = Settings::default();
    change(&mut after);
    let [before, after] = [&before, &after].map(|settings| Chosen {
        settings,
        contacts: None,
    });
    let start = Instant::now();
    for frame in 0..TIMES {
        let pose = pose_now(known, before, after, None, frame).expect("the settings are sound");
        std::hint::black_box(pose);
    }
    start.elapsed().as_secs_f64() / TIMES as f64
}

fn main() {
    let performer = character(&Description::human("performer", 1.75)).expect("within all ranges");
    let mut cost_per_frame = Vec::new();
    for frames in [720, 7200] {
        let clip = long_take(frames);
        let (spent, known) = retargeted(&clip, &performer);
        cost_per_frame.push(spent / frames as f64);
        println!(
            "{frames} frames at 120 per second onto the weaver (78 joints): {:.0} seconds of take per second of work",
            clip.duration_secs() / spent
        );
        let changes: [(&str, Change); 3] = [
            ("posture", |s| s.posture.stoop_deg = 10.0),
            ("planting", |s| s.plants.fade_secs = 0.2),
            ("contacts", |s| s.contacts.end_speed = 0.3),
        ];
        for (what, change) in changes {
            let answer = seconds_to_answer(&known, change);
            println!(
                "{frames} frames: one frame answers a change of {what} in {:.2} ms, 1/{:.0} of the \
                 whole solve",
                1000.0 * answer,
                spent / answer
            );
        }
    }
    println!(
        "cost per frame, 7200 frames against 720: {:.2}",
        cost_per_frame[1] / cost_per_frame[0]
    );
}
