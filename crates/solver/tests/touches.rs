//! Touches: those of the made takes are found, and none besides; on other bodies they are kept.

mod common;

use std::sync::{Arc, LazyLock};

use common::cast_description;
use understudy_bodies::proportions::{FOREARM, UPPER_ARM};
use understudy_bodies::takes::{AuthoredTake, TouchPart as TruePart, TrueTouch, take};
use understudy_bodies::{Character as Made, character};
use understudy_motion::skin::Skin;
use understudy_motion::{Clip, Joint, Skeleton, Transform};
use understudy_solver::{
    Character, FootPart, Retargeted, Settings, Take, Touch, TouchPart, TouchSettings, find_touches,
    retarget,
};

static PERFORMER: LazyLock<Made> = LazyLock::new(|| cast_character("performer"));

fn cast_character(name: &str) -> Made {
    character(&cast_description(name)).expect("the cast is valid")
}

fn authored(name: &str) -> AuthoredTake {
    take(name).expect("one of the takes")
}

fn performed(clip: &Clip) -> Take<'_> {
    Take {
        clip,
        body: &PERFORMER.body,
        surface: None,
    }
}

/// Whether a touch found may be one that is true: the limb is the same, and what it meets.
fn is_same(found: &Touch, truth: &TrueTouch) -> bool {
    let kind = |part: TruePart| match part {
        TruePart::Hand(side) | TruePart::Fingertips(side) => Some((TouchPart::Hand, Some(side))),
        TruePart::Forearm(side) => Some((TouchPart::Forearm, Some(side))),
        TruePart::Thigh(side) => Some((TouchPart::Thigh, Some(side))),
        TruePart::Chin | TruePart::Brow => Some((TouchPart::Head, None)),
        TruePart::Hip(_) => Some((TouchPart::Trunk, None)),
        TruePart::Knee(side) => Some((TouchPart::Shank, Some(side))),
        TruePart::Floor => Some((TouchPart::Floor, None)),
        _ => None,
    };
    let ends = [found.from, found.to].map(|end| (end.part, end.side));
    let wanted = [kind(truth.ends[0].part), kind(truth.ends[1].part)];
    let fits = |end: (TouchPart, _), wanted: Option<(TouchPart, Option<_>)>| {
        wanted.is_some_and(|(part, side)| part == end.0 && side.is_none_or(|side| side == end.1))
    };
    (fits(ends[0], wanted[0]) && fits(ends[1], wanted[1]))
        || (fits(ends[0], wanted[1]) && fits(ends[1], wanted[0]))
}

#[test]
fn touches_of_the_takes_are_found() {
    for name in [
        "clap", "prayer", "chin", "brow", "hips", "sit", "crawl", "lift",
    ] {
        let truth = authored(name);
        let found = find_touches(performed(&truth.clip), &Settings::default());
        let of_hands_and_knees = truth.touches.iter().filter(|touch| {
            let is_of_body = !matches!(touch.ends[1].part, TruePart::Prop(_));
            let is_moved = matches!(
                touch.ends[0].part,
                TruePart::Hand(_) | TruePart::Fingertips(_) | TruePart::Knee(_)
            );
            is_of_body && is_moved
        });
        for wanted in of_hands_and_knees {
            let frames = wanted.first_frame..=wanted.last_frame;
            let hit = frames
                .clone()
                .filter(|frame| {
                    let at = |touch: &&Touch| (touch.first..=touch.last).contains(frame);
                    found.iter().filter(at).any(|touch| is_same(touch, wanted))
                })
                .count();
            let share = hit as f64 / frames.count() as f64;
            // The hand at the brow is taken away slowly, along the brow.
            let least = if name == "brow" { 0.65 } else { 0.95 };
            assert!(
                share >= least,
                "{name}: {wanted:?} is found in {share:.2} of its frames"
            );
        }
        for touch in &found {
            assert!(
                truth.touches.iter().any(|wanted| is_same(touch, wanted)
                    && touch.first <= wanted.last_frame
                    && wanted.first_frame <= touch.last),
                "{name}: {} in frames {} to {} is invented",
                touch.words(),
                touch.first,
                touch.last
            );
        }
    }
}

#[test]
fn takes_without_touches_have_none() {
    for name in ["walk", "stealth", "jump", "dance", "wave"] {
        let found = find_touches(performed(&authored(name).clip), &Settings::default());
        assert_eq!(found, [], "{name}");
    }
}

fn carried(clip: &Clip, onto: &Made, settings: &Settings) -> Retargeted {
    let skeleton = Arc::new(onto.skeleton.clone());
    let onto = Character {
        skeleton: &skeleton,
        body: &onto.body,
        surface: Some(&onto.surface),
    };
    retarget(performed(clip), onto, settings, None).expect("a valid take solves")
}

/// The joints of one part of a touch.
type JointsOf<'a> = dyn Fn(&Touch) -> Vec<usize> + 'a;

/// Greatest distance or depth of the two skins in the middle frame of each touch, metres, measured by
/// other code on all vertices of the two parts.
fn middle_gaps_m(result: &Retargeted, onto: &Made, [from, to]: [&JointsOf<'_>; 2]) -> Vec<f64> {
    let skin = Skin::new(&onto.surface, &result.solved.skeleton);
    let touches = result.touches.iter().map(|carried| &carried.touch);
    touches
        .map(|touch| {
            let frame = usize::midpoint(touch.first, touch.last);
            let posed = skin.posed(&result.solved.world(frame));
            let gap = posed.gap(&from(touch), &to(touch), 0.5);
            let gap = gap.expect("the parts are near");
            gap.metres
        })
        .collect()
}

fn hand_joints(onto: &Made, touch: &Touch) -> Vec<usize> {
    let arm = onto
        .body
        .arm(touch.from.side, touch.from.pair)
        .expect("an arm");
    onto.skeleton.subtree(arm.wrist.expect("a wrist"))
}

#[test]
fn hands_rest_on_other_bodies_as_they_did() {
    for (name, who, parts) in [
        ("sit", "porter", TouchPart::Thigh),
        ("hips", "giant", TouchPart::Trunk),
        ("chin", "pedlar", TouchPart::Head),
        ("prayer", "fiddler", TouchPart::Hand),
    ] {
        let onto = cast_character(who);
        let result = carried(&authored(name).clip, &onto, &Settings::default());
        assert!(!result.touches.is_empty(), "{name} on the {who}");
        let to = |touch: &Touch| -> Vec<usize> {
            let body = &onto.body;
            match touch.to.part {
                TouchPart::Thigh => {
                    let leg = body.leg(touch.to.side, 0).expect("a leg");
                    let mut thigh = onto.skeleton.subtree(leg.hip);
                    thigh.retain(|&joint| !onto.skeleton.is_at_or_above(leg.knee, joint));
                    thigh
                }
                TouchPart::Trunk => [&[body.pelvis][..], &body.spine].concat(),
                TouchPart::Head => onto.skeleton.subtree(body.head.expect("a head")),
                _ => {
                    let arm = body.arm(touch.to.side, touch.to.pair).expect("an arm");
                    onto.skeleton.subtree(arm.wrist.expect("a wrist"))
                }
            }
        };
        assert!(
            result
                .touches
                .iter()
                .all(|carried| carried.touch.to.part == parts)
        );
        let from = |touch: &Touch| hand_joints(&onto, touch);
        for gap_m in middle_gaps_m(&result, &onto, [&from, &to]) {
            assert!(gap_m.abs() < 0.002, "{name} on the {who}: {gap_m} m");
        }
    }
}

/// The trade's own example (common practice): arms 3 % longer or shorter are enough for clapping
/// hands to pass through each other or to miss.
#[test]
fn a_clap_claps_with_longer_arms() {
    check_clap(1.03);
}

#[test]
fn a_clap_claps_with_shorter_arms() {
    check_clap(0.97);
}

fn check_clap(factor: f64) {
    let mut description = cast_description("performer");
    for arm in &mut description.arms {
        arm.upper_arm_m = Some(factor * UPPER_ARM * description.stature_m);
        arm.forearm_m = Some(factor * FOREARM * description.stature_m);
    }
    let onto = character(&description).expect("arms within their range");
    let clip = authored("clap").clip;
    let result = carried(&clip, &onto, &Settings::default());
    assert_eq!(result.touches.len(), 7);
    for touch in &result.touches {
        let worst_m = |gaps: &[f64]| gaps.iter().map(|gap| gap.abs()).fold(0.0, f64::max);
        let (before, after) = (worst_m(&touch.gaps_before_m), worst_m(&touch.gaps_m));
        assert!(before > 0.003, "{before}: the example must be one");
        assert!(after < 0.002, "arms times {factor}: {after} m {touch:?}");
    }
}

#[test]
fn the_performers_own_body_is_left_alone() {
    let clip = authored("chin").clip;
    let skeleton = Arc::clone(&clip.skeleton);
    let own = Character {
        skeleton: &skeleton,
        body: &PERFORMER.body,
        surface: None,
    };
    let solve = |enabled: bool| {
        let settings = Settings {
            touches: TouchSettings {
                enabled,
                ..TouchSettings::default()
            },
            ..Settings::default()
        };
        retarget(performed(&clip), own, &settings, None).expect("a valid take solves")
    };
    assert_eq!(solve(true).solved, solve(false).solved);
}

#[test]
fn a_solve_is_the_same_every_time() {
    let clip = authored("sit").clip;
    let onto = cast_character("pedlar");
    let [a, b] = [0, 1].map(|_| carried(&clip, &onto, &Settings::default()));
    assert_eq!(a.solved, b.solved);
}

/// Far from all touches nothing moves, and the frames of a touch do not jump at its ends.
#[test]
fn touches_fade_smoothly() {
    let clip = authored("brow").clip;
    let onto = cast_character("giant");
    let with = carried(&clip, &onto, &Settings::default());
    let without = carried(
        &clip,
        &onto,
        &Settings {
            touches: TouchSettings {
                enabled: false,
                ..TouchSettings::default()
            },
            ..Settings::default()
        },
    );
    assert_eq!(with.solved.frame(0), without.solved.frame(0));
    let change = |frame: usize, joint: usize| {
        let [a, b] = [&with, &without].map(|result| result.solved.frame(frame)[joint].rotation);
        (b.inverse() * a).to_scaled_axis()
    };
    for joint in 0..with.solved.skeleton.len() {
        for frame in 1..with.solved.frame_count() {
            let step = (change(frame, joint) - change(frame - 1, joint)).length();
            assert!(step < 0.12, "frame {frame}, joint {joint}: {step} radians");
        }
    }
}

/// A character without a skin keeps touches of its bones' places.
#[test]
fn bodies_without_skin_meet_by_their_girths() {
    let clip = authored("prayer").clip;
    let locals: Vec<Joint> = PERFORMER
        .skeleton
        .joints()
        .iter()
        .map(|joint| Joint {
            rest: Transform {
                translation: joint.rest.translation * 1.2,
                ..joint.rest
            },
            tips: joint.tips.iter().map(|tip| *tip * 1.2).collect(),
            ..joint.clone()
        })
        .collect();
    let skeleton = Arc::new(Skeleton::new(locals).expect("a larger performer"));
    let body = PERFORMER.body.clone();
    let onto = Character {
        skeleton: &skeleton,
        body: &body,
        surface: None,
    };
    let result =
        retarget(performed(&clip), onto, &Settings::default(), None).expect("a valid take solves");
    assert_eq!(result.touches.len(), 1);
    let touch = &result.touches[0];
    assert!(
        touch.gaps_m.iter().all(|gap| *gap < 0.002),
        "{:?}",
        touch.gaps_m
    );
}

/// The pedlar is broad and its arms are short: it would clap inside its own chest.
#[test]
fn arms_are_kept_out_of_a_broad_body_on_wish() {
    let clip = authored("clap").clip;
    let onto = cast_character("pedlar");
    let deepest_m = |keep_out: bool| {
        let settings = Settings {
            touches: TouchSettings {
                keep_out,
                ..TouchSettings::default()
            },
            ..Settings::default()
        };
        let result = carried(&clip, &onto, &settings);
        let skin = Skin::new(&onto.surface, &result.solved.skeleton);
        let trunk = [&[onto.body.pelvis][..], &onto.body.spine].concat();
        let mut deepest_m: f64 = 0.0;
        for frame in (0..result.solved.frame_count()).step_by(17) {
            let posed = skin.posed(&result.solved.world(frame));
            for arm in &onto.body.arms {
                let forearm = onto.skeleton.subtree(arm.elbow);
                if let Some(gap) = posed.gap(&forearm, &trunk, 0.1) {
                    deepest_m = deepest_m.max(-gap.metres);
                }
            }
        }
        deepest_m
    };
    let (plain_m, kept_m) = (deepest_m(false), deepest_m(true));
    assert!(plain_m > 0.02, "{plain_m}");
    assert!(
        kept_m < 0.5 * plain_m,
        "{plain_m} m before, {kept_m} m after"
    );
}

/// A part of a result is the whole one in its frames: motion, contacts, plants and touches, those that
/// it cuts through too.
#[test]
fn a_part_of_a_result_is_the_whole_in_its_frames() {
    let onto = cast_character("porter");
    let whole = carried(&authored("clap").clip, &onto, &Settings::default());
    let cut = &whole.touches[2];
    assert!(cut.touch.last > cut.touch.first, "{cut:?}");
    let (first, last) = (cut.touch.last, whole.touches[4].touch.last);
    let part = whole.within([first, last]);
    assert_eq!(part.solved.frame_count(), last - first + 1);
    for frame in first..=last {
        let at = frame - first;
        assert_eq!(part.solved.frame(at), whole.solved.frame(frame));
        assert_eq!(part.plain.frame(at), whole.plain.frame(frame));
        assert_eq!(part.take.frame(at), whole.take.frame(frame));
        assert_eq!(part.pelvis_offsets[at], whole.pelvis_offsets[frame]);
        for (some, all) in part.planted_parts.iter().zip(&whole.planted_parts) {
            assert_eq!(some[at], all[frame]);
        }
        for foot in &whole.stance.feet {
            for part_of_foot in FootPart::ALL {
                let stands = |result: &Retargeted, frame: usize| {
                    let frames = result.solved.frame_count();
                    let mask = result
                        .contacts
                        .mask(foot.side, foot.pair, part_of_foot, frames);
                    mask[frame]
                };
                assert_eq!(stands(&part, at), stands(&whole, frame), "frame {frame}");
            }
        }
        // The gaps of touches, by frame.
        let gaps = |result: &Retargeted, frame: usize| -> Vec<(String, f64, f64)> {
            let on = result
                .touches
                .iter()
                .filter(|carried| (carried.touch.first..=carried.touch.last).contains(&frame));
            on.map(|carried| {
                let at = frame - carried.touch.first;
                let words = carried.touch.words();
                (words, carried.gaps_m[at], carried.gaps_before_m[at])
            })
            .collect()
        };
        assert_eq!(gaps(&part, at), gaps(&whole, frame), "frame {frame}");
    }
    assert!(part.touches.len() >= 3, "{:?}", part.touches);
    assert_eq!(
        part.contacts.touches.as_ref().map(Vec::len),
        Some(part.touches.len())
    );
    assert_eq!(part.solved.start_secs, whole.solved.start_secs);
}
