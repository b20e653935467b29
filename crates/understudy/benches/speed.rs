//! How fast a retarget is, as ratios within one run: seconds of take per second of work, and cost
//! per frame of a long take against a short one (1 where the cost grows linearly), and the quick
//! answer to a change in one frame. Then a clip of 10 s at 60 frames per second with all terms.
//!
//! `cargo bench -p understudy`

use std::sync::Arc;
use std::time::Instant;

use understudy_bodies::takes::take;
use understudy_bodies::{Description, character, character_from_ron, demo_take};
use understudy_motion::clip::Interpolation;
use understudy_motion::{Clip, DVec3, Transform};
use understudy_solver::near::{Chosen, pose_now};
use understudy_solver::{Character, HandKey, Retargeted, Secondary, Settings, Take, retarget};

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

/// Claps forth and back for 10 s at 60 frames per second.
fn ten_seconds() -> Clip {
    let clap = take("clap").expect("a built-in take").clip;
    let step = (1.0 / 60.0 / clap.frame_time_secs).round() as usize;
    let own: Vec<usize> = (0..clap.frame_count()).step_by(step).collect();
    let frames = own.iter().chain(own.iter().rev()).take(600);
    let locals = frames.flat_map(|&frame| clap.frame(frame).to_vec());
    Clip::new(
        Arc::clone(&clap.skeleton),
        clap.frame_time_secs * step as f64,
        locals.collect(),
    )
    .expect("finite numbers")
}

/// Posture, a key, a spring, and limbs kept out of the body, beside plants and touches.
fn all_terms() -> Settings {
    let mut settings = Settings::default();
    settings.posture.hips_forward_deg = 4.0;
    settings.posture.stoop_deg = 5.0;
    settings.posture.shoulders_up_deg = 3.0;
    settings.posture.arms_out_deg = 2.0;
    settings.posture.stance_width = 1.1;
    settings.posture.head_down_deg = 4.0;
    settings.touches.keep_out = true;
    settings.keys.push(HandKey {
        joint: "head".into(),
        frame: 300,
        turn_deg: [0.0, 10.0, 0.0],
        shift_m: [0.0; 3],
        fade_in: 20,
        fade_out: 20,
    });
    let spring = Secondary::Spring {
        hertz: 2.0,
        damping: 0.4,
        most_deg: 40.0,
    };
    settings
        .secondary
        .insert("left_lower_shoulder".into(), spring);
    settings
}

fn weaver() -> understudy_bodies::Character {
    let text = include_str!("../../../assets/bodies/weaver.ron");
    character_from_ron(text).expect("the weaver is valid")
}

fn retargeted(
    clip: &Clip,
    performer: &understudy_bodies::Character,
    settings: &Settings,
) -> (f64, Retargeted) {
    let weaver = weaver();
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
        settings,
        None,
    )
    .expect("the take solves");
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

/// Seconds that frames in touches and around them take to answer a change, on average and at most.
fn seconds_to_touch(known: &Retargeted, before: &Settings, change: Change) -> [f64; 2] {
    let weaver = weaver();
    let mut after = before.clone();
    change(&mut after);
    let [before, after] = [before, &after].map(|settings| Chosen {
        settings,
        contacts: None,
    });
    let answer = |frame: usize| {
        let start = Instant::now();
        let pose = pose_now(known, before, after, Some(&weaver.surface), frame);
        std::hint::black_box(pose.expect("the settings are sound"));
        start.elapsed().as_secs_f64()
    };
    let times: Vec<f64> = (0..known.take.frame_count())
        .step_by(7)
        .map(answer)
        .collect();
    let mean = times.iter().sum::<f64>() / times.len() as f64;
    [mean, times.into_iter().fold(0.0, f64::max)]
}

fn main() {
    let performer = character(&Description::human("performer", 1.75)).expect("within all ranges");
    let usual = Settings::default();
    let mut cost_per_frame = Vec::new();
    for frames in [200, 720, 2000, 7200, 20_000] {
        let clip = long_take(frames);
        let (spent, known) = retargeted(&clip, &performer, &usual);
        cost_per_frame.push(spent / frames as f64);
        println!(
            "{frames} frames at 120 per second onto the weaver (78 joints): {:.0} seconds of take per second of work, {:.3} ms per frame",
            clip.duration_secs() / spent,
            1000.0 * spent / frames as f64
        );
        let changes: [(&str, Change); 4] = [
            ("posture", |s| s.posture.stoop_deg = 10.0),
            ("planting", |s| s.plants.fade_secs = 0.2),
            ("contacts", |s| s.contacts.end_speed = 0.3),
            ("the floor", |s| s.floor_height_m = Some(0.02)),
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
    let least = cost_per_frame.iter().copied().fold(f64::INFINITY, f64::min);
    let ratios: Vec<String> = cost_per_frame
        .iter()
        .map(|cost| format!("{:.2}", cost / least))
        .collect();
    println!(
        "cost per frame of 200, 720, 2000, 7200 and 20000 frames, over the least: {}",
        ratios.join(", ")
    );
    time_ten_seconds(&performer);
    time_rests(&performer);
}

/// One frame of somebody who kneels, at 60 frames per second, where a knee rests on the floor no more.
fn time_rests(performer: &understudy_bodies::Character) {
    let lift = take("lift").expect("a built-in take").clip;
    let clip = lift
        .resampled(1.0 / 60.0, Interpolation::Hermite)
        .expect("finite numbers");
    let settings = Settings::default();
    let (_, known) = retargeted(&clip, performer, &settings);
    let mut changed = known.contacts.clone();
    let touches = changed.touches.as_mut().expect("touches are found");
    let knee = touches.iter().position(|touch| touch.is_rest());
    let knee = touches.remove(knee.expect("a knee rests"));
    let weaver = weaver();
    let given = |contacts| Chosen {
        settings: &settings,
        contacts: Some(contacts),
    };
    let answer = |frame: usize| {
        let start = Instant::now();
        let both = [given(&known.contacts), given(&changed)];
        let pose = pose_now(&known, both[0], both[1], Some(&weaver.surface), frame);
        std::hint::black_box(pose.expect("the contacts are sound"));
        start.elapsed().as_secs_f64()
    };
    let times: Vec<f64> = (knee.first..=knee.last).step_by(5).map(answer).collect();
    let mean = times.iter().sum::<f64>() / times.len() as f64;
    println!(
        "a lift at 60 frames per second: one frame answers a change of what rests on the floor in {:.2} ms, {:.2} \
         ms at most",
        1000.0 * mean,
        1000.0 * times.iter().copied().fold(0.0, f64::max)
    );
}

/// A clip of 10 s at 60 frames per second onto a body of 78 joints, with the usual terms and with all,
/// and once more after one setting has changed.
fn time_ten_seconds(performer: &understudy_bodies::Character) {
    let clip = ten_seconds();
    let (usual, known) = retargeted(&clip, performer, &Settings::default());
    println!(
        "10 s at 60 frames per second, {} touches: {usual:.2} s with the usual terms",
        known.touches.len()
    );
    let changes: [(&str, Change); 7] = [
        ("reach", |s| s.touches.reach = 0.5),
        ("firmness", |s| s.touches.strength = 0.5),
        ("clearance", |s| s.touches.clearance_m = 0.02),
        ("the fade of touches", |s| s.touches.fade_secs = 0.3),
        ("when parts touch", |s| s.touches.limits.rise = 0.05),
        ("whether parts touch", |s| s.touches.enabled = false),
        ("whether parts are kept apart", |s| {
            s.touches.keep_out = true
        }),
    ];
    for (what, change) in changes {
        let [mean, most] = seconds_to_touch(&known, &Settings::default(), change);
        println!(
            "10 s at 60 frames per second: one frame answers a change of {what} in {:.2} ms, {:.2} ms at \
             most",
            1000.0 * mean,
            1000.0 * most
        );
    }
    let settings = all_terms();
    let (all, known) = retargeted(&clip, performer, &settings);
    println!("10 s at 60 frames per second: {all:.2} s with all terms (wanted: 2 s on two cores)");
    let mut changed = settings.clone();
    changed.posture.stoop_deg = 7.0;
    let (again, _) = retargeted(&clip, performer, &changed);
    let start = Instant::now();
    let [before, after] = [&settings, &changed].map(|settings| Chosen {
        settings,
        contacts: None,
    });
    let pose = pose_now(&known, before, after, None, 300).expect("the settings are sound");
    std::hint::black_box(pose);
    println!(
        "one setting changed: {:.1} ms for the frame that is looked at, {again:.2} s for the whole clip (wanted: 0.3 s)",
        1000.0 * start.elapsed().as_secs_f64()
    );
}
