//! Quick answers to a change agree with the whole solve.

mod common;

use common::{Figure, cast_description, plain_only, take};
use understudy_bodies::character;
use understudy_bodies::takes::take as authored;
use understudy_motion::clip::Interpolation;
use understudy_motion::{Clip, WorldPose};
use understudy_solver::near::{Chosen, Now, is_near, pose_now, retarget_part};
use understudy_solver::{
    Character, Contacts, FootPart, HandKey, Posture, Retargeted, Settings, Take, TouchSettings,
    Watch, retarget,
};

fn solved() -> (Figure, Figure, Clip, Retargeted) {
    let (performer, character, clip) = (Figure::made(|_| {}), Figure::cast("weaver"), take());
    let known = performer.retarget(&clip, &character, &Settings::default(), None);
    (performer, character, clip, known)
}

/// What settings make of one frame, contacts found.
fn now(known: &Retargeted, before: &Settings, after: &Settings, frame: usize) -> Now {
    let chosen = |settings| Chosen {
        settings,
        contacts: None,
    };
    let now = pose_now(known, chosen(before), chosen(after), None, frame);
    now.unwrap().expect("one frame tells")
}

fn world(known: &Retargeted, now: &Now) -> WorldPose {
    WorldPose::from_locals(&known.solved.skeleton, &now.locals)
}

/// Largest distance of a joint between two poses, metres.
fn apart_m(a: &WorldPose, b: &WorldPose) -> f64 {
    let joints = 0..a.affines.len();
    let apart = joints.map(|joint| a.position(joint).distance(b.position(joint)));
    apart.fold(0.0, f64::max)
}

fn stooping(known: &Retargeted) -> Settings {
    Settings {
        posture: Posture {
            stoop_deg: 12.0,
            arms_out_deg: 8.0,
            ..Posture::default()
        },
        keys: vec![HandKey {
            joint: known.solved.skeleton.name(known.body.root).to_owned(),
            frame: 60,
            turn_deg: [0.0; 3],
            shift_m: [0.0, -0.03, 0.0],
            fade_in: 20,
            fade_out: 20,
        }],
        ..Settings::default()
    }
}

#[test]
fn no_change_is_the_last_result() {
    let (_, _, _, known) = solved();
    let settings = Settings::default();
    for frame in (0..known.solved.frame_count()).step_by(7) {
        let now = world(&known, &now(&known, &settings, &settings, frame));
        let apart = apart_m(&now, &known.solved.world(frame));
        assert!(apart < 1e-6, "frame {frame}: {apart}");
    }
}

#[test]
fn a_change_is_answered_near_to_what_the_whole_solve_makes_of_it() {
    let (performer, character, clip, known) = solved();
    let after = stooping(&known);
    let whole = performer.retarget(&clip, &character, &after, None);
    let mut changed: f64 = 0.0;
    for frame in (0..known.solved.frame_count()).step_by(5) {
        let now = world(&known, &now(&known, &Settings::default(), &after, frame));
        let (old, new) = (known.solved.world(frame), whole.solved.world(frame));
        changed = changed.max(apart_m(&old, &new));
        let apart = apart_m(&now, &new);
        // The pelvis gives way a little differently, which only the whole solve can know.
        assert!(apart < 0.03, "frame {frame}: {apart}");
        for (leg, parts) in known.body.legs.iter().zip(&known.planted_parts) {
            if parts[frame].contains(&true) {
                let ankle = now.position(leg.ankle).distance(old.position(leg.ankle));
                assert!(
                    ankle < 1e-6,
                    "frame {frame}: a planted foot moves by {ankle}"
                );
            }
        }
    }
    assert!(changed > 0.1, "{changed}");
}

#[test]
fn a_part_is_what_the_whole_solve_makes_of_its_middle() {
    let (performer, character, clip, known) = solved();
    let after = stooping(&known);
    assert!(is_near(&Settings::default(), &after, false));
    let whole = performer.retarget(&clip, &character, &after, None);
    let [first, last] = [30, 120];
    let part = retarget_part(
        &known,
        &after,
        (&whole.contacts, None),
        [first, last],
        Watch::nobody(),
    );
    let part = part.unwrap().solved;
    assert_eq!(part.frame_count(), last - first + 1);
    for frame in first + 30..=last - 30 {
        let apart = apart_m(&part.world(frame - first), &whole.solved.world(frame));
        assert!(apart < 0.005, "frame {frame}: {apart}");
    }
}

#[test]
fn another_floor_or_other_contacts_are_not_near() {
    let before = Settings::default();
    let floor = Settings {
        floor_height_m: Some(0.1),
        ..Settings::default()
    };
    assert!(!is_near(&before, &floor, true));
    let mut contacts = Settings::default();
    contacts.contacts.end_speed *= 1.1;
    assert!(!is_near(&before, &contacts, false));
    assert!(is_near(&before, &contacts, true));
}

#[test]
fn planting_switched_off_is_plain_transfer() {
    let (_, _, _, known) = solved();
    for frame in [0, 40, 200] {
        let now = world(
            &known,
            &now(&known, &Settings::default(), &plain_only(), frame),
        );
        assert!(apart_m(&now, &known.plain.world(frame)) < 1e-9);
    }
}

/// How near answers come to what the whole solve makes of a change, against how near the last result is:
/// 0 is as near as can be, 1 no better. Sums of distances over all frames in which the whole solve moves
/// some joint by a millimetre or more, and how many these are.
fn share_left(
    [known, whole]: [&Retargeted; 2],
    answer: impl Fn(usize) -> Option<Now>,
) -> (f64, usize) {
    let (mut left, mut all, mut frames) = (0.0, 0.0, 0);
    for frame in 0..known.solved.frame_count() {
        let [old, new] = [known, whole].map(|result| result.solved.world(frame));
        let changed = apart_m(&old, &new);
        if changed < 0.001 {
            continue;
        }
        let Some(now) = answer(frame) else {
            continue;
        };
        left += apart_m(&world(known, &now), &new);
        all += changed;
        frames += 1;
    }
    (left / all, frames)
}

#[test]
fn a_change_of_planting_is_answered_by_the_frames_around() {
    let (performer, character, clip, known) = solved();
    let check = |what: &str, most: f64, change: &dyn Fn(&mut Settings)| {
        let before = Settings::default();
        let mut after = before.clone();
        change(&mut after);
        let whole = performer.retarget(&clip, &character, &after, None);
        let answer = |frame| Some(now(&known, &before, &after, frame));
        let (left, frames) = share_left([&known, &whole], answer);
        assert!(frames > 10, "{what}: {frames}");
        assert!(left < most, "{what}: {left} of {frames}");
    };
    check("fade", 0.15, &|s| s.plants.fade_secs = 0.3);
    check("knee", 0.1, &|s| s.plants.straightest_knee = 0.3);
    check("pop", 0.3, &|s| s.plants.largest_pop = 0.3);
    // A longest contact may reach beyond the frames in which it is found anew.
    check("thresholds", 0.5, &|s| {
        s.contacts.shortest_secs = 0.5;
        s.contacts.rise = 0.015;
    });
}

#[test]
fn contacts_that_are_changed_are_answered_by_the_frames_around() {
    let (performer, character, clip, known) = solved();
    let settings = Settings::default();
    let found = &known.contacts;
    let own = |part| {
        found
            .contacts
            .iter()
            .position(move |c| c.part == part && c.first > 40)
    };
    let (ball, heel) = (own(FootPart::Ball).unwrap(), own(FootPart::Heel).unwrap());
    let changed = |change: &dyn Fn(&mut Contacts)| {
        let mut contacts = found.clone();
        change(&mut contacts);
        contacts
    };
    let check = |what: &str, most: f64, contacts: &Contacts| {
        let whole = performer.retarget(&clip, &character, &settings, Some(contacts));
        let chosen = |contacts| Chosen {
            settings: &settings,
            contacts,
        };
        let answer =
            |frame| pose_now(&known, chosen(None), chosen(Some(contacts)), None, frame).unwrap();
        let (left, frames) = share_left([&known, &whole], answer);
        assert!(frames > 2, "{what}: {frames}");
        assert!(left < most, "{what}: {left} of {frames}");
        for frame in 0..known.solved.frame_count() {
            let parts: Vec<[bool; 3]> = whole.planted_parts.iter().map(|p| p[frame]).collect();
            let now = answer(frame).unwrap();
            assert_eq!(now.planted_parts, parts, "{what}: frame {frame}");
        }
    };
    check("later", 0.3, &changed(&|c| c.contacts[ball].last += 6));
    check(
        "deleted",
        0.3,
        &changed(&|c| {
            c.contacts.remove(heel);
        }),
    );
    check(
        "pinned",
        0.1,
        &changed(&|c| {
            let (foot, frame) = (&known.feet[0], c.contacts[ball].first);
            let at = known.solved.world(frame).position(foot.ankle);
            c.contacts[ball].place_m = Some([at.x + 0.1, at.z]);
        }),
    );
}

#[test]
fn a_change_of_touches_is_answered_where_hands_touch_and_nowhere_on_the_way() {
    let [performer, character] = ["performer", "weaver"].map(|name| {
        let made = character(&cast_description(name));
        made.expect("the cast is valid")
    });
    let clip = authored("chin").expect("one of the takes").clip;
    let clip = clip.resampled(1.0 / 30.0, Interpolation::Hermite).unwrap();
    let skeleton = std::sync::Arc::new(character.skeleton.clone());
    let solved = |settings: &Settings, contacts: Option<&Contacts>| {
        let take = Take {
            clip: &clip,
            body: &performer.body,
            surface: None,
        };
        let onto = Character {
            skeleton: &skeleton,
            body: &character.body,
            surface: Some(&character.surface),
        };
        retarget(take, onto, settings, contacts).expect("a valid take solves")
    };
    let before = Settings::default();
    let known = solved(&before, None);
    let touches = known.contacts.touches.as_deref().unwrap();
    assert!(!touches.is_empty());
    let check = |what: &str, most: f64, after: &Settings, contacts: Option<&Contacts>| {
        let whole = solved(after, contacts);
        let chosen = |settings, contacts| Chosen { settings, contacts };
        let answer = |frame| {
            let [before, after] = [chosen(&before, None), chosen(after, contacts)];
            pose_now(&known, before, after, Some(&character.surface), frame).unwrap()
        };
        let (left, frames) = share_left([&known, &whole], answer);
        assert!(frames > 10, "{what}: {frames}");
        assert!(left < most, "{what}: {left} of {frames}");
        for frame in 0..known.solved.frame_count() {
            let away = touches
                .iter()
                .map(|touch| touch.first.saturating_sub(frame) + frame.saturating_sub(touch.last));
            let away = away.filter(|away| *away > 0).min();
            let is_on_the_way = away.is_some_and(|away| away <= 5);
            assert!(
                !is_on_the_way || answer(frame).is_none(),
                "{what}: frame {frame}"
            );
        }
    };
    let changed = |change: fn(&mut TouchSettings)| {
        let mut after = before.clone();
        change(&mut after.touches);
        after
    };
    // The elbow may go another way than in the whole solve, which has all frames to choose it by.
    check("clearance", 0.65, &changed(|t| t.clearance_m = 0.03), None);
    check("off", 0.01, &changed(|t| t.enabled = false), None);
    let none = Contacts {
        touches: Some(Vec::new()),
        ..known.contacts.clone()
    };
    check("deleted", 0.01, &before, Some(&none));
    // How turns are shared out only the frames around tell.
    let touch = touches[0];
    for change in [
        |t: &mut TouchSettings| t.reach = 0.5,
        |t: &mut TouchSettings| t.strength = 0.5,
    ] {
        let after = changed(change);
        let [before, after] = [&before, &after].map(|settings| Chosen {
            settings,
            contacts: None,
        });
        let frame = usize::midpoint(touch.first, touch.last);
        let now = pose_now(&known, before, after, Some(&character.surface), frame);
        assert_eq!(now, Ok(None));
    }
}
