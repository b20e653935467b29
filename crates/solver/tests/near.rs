//! Quick answers to a change agree with the whole solve.

mod common;

use common::{Figure, cast, plain_only, take};
use understudy_bodies::demo_take;
use understudy_bodies::takes::take as authored;
use understudy_motion::clip::Interpolation;
use understudy_motion::{Clip, DQuat, WorldPose};
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
    now.unwrap()
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
/// 0 is as near as can be, 1 no better. Sums of distances over all frames that are answered and in which
/// the whole solve moves some joint by a millimetre or more, and how many these are.
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
        let (left, frames) = share_left([&known, &whole], |frame| Some(answer(frame)));
        assert!(frames > 2, "{what}: {frames}");
        assert!(left < most, "{what}: {left} of {frames}");
        for frame in 0..known.solved.frame_count() {
            let parts: Vec<[bool; 3]> = whole.planted_parts.iter().map(|p| p[frame]).collect();
            let now = answer(frame);
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
fn a_take_of_many_frames_is_answered_by_fewer() {
    let (performer, character) = (Figure::made(|_| {}), Figure::cast("weaver"));
    let demo = demo_take()
        .expect("the demo take is part of the crate")
        .clip;
    assert!(demo.frame_time_secs < 0.01);
    // Steps, and what is between them.
    let clip = demo.range(300, 900);
    let before = Settings::default();
    let known = performer.retarget(&clip, &character, &before, None);
    let check = |what: &str, most: f64, change: &dyn Fn(&mut Settings)| {
        let mut after = before.clone();
        change(&mut after);
        let whole = performer.retarget(&clip, &character, &after, None);
        let answer = |frame| (frame % 7 == 0).then(|| now(&known, &before, &after, frame));
        let (left, frames) = share_left([&known, &whole], answer);
        assert!(frames > 10, "{what}: {frames}");
        assert!(left < most, "{what}: {left} of {frames}");
    };
    check("fade", 0.2, &|s| s.plants.fade_secs = 0.3);
    check("knee", 0.1, &|s| s.plants.straightest_knee = 0.3);
    check("thresholds", 0.5, &|s| {
        s.contacts.shortest_secs = 0.5;
        s.contacts.rise = 0.015;
    });
    check("floor", 0.05, &|s| s.floor_height_m = Some(0.03));
}

#[test]
fn another_floor_is_answered_by_the_frames_around() {
    let (performer, character, clip, known) = solved();
    let check = |what: &str, most: f64, [before, after]: [&Settings; 2], known: &Retargeted| {
        let whole = performer.retarget(&clip, &character, after, None);
        let answer = |frame| (frame % 3 == 0).then(|| now(known, before, after, frame));
        let (left, frames) = share_left([known, &whole], answer);
        assert!(frames > 10, "{what}: {frames}");
        assert!(left < most, "{what}: {left} of {frames}");
    };
    let usual = Settings::default();
    let at = |height_m: f64| Settings {
        floor_height_m: Some(height_m),
        ..usual.clone()
    };
    check("higher", 0.03, [&usual, &at(0.05)], &known);
    check("lower", 0.06, [&usual, &at(-0.05)], &known);
    let raised = performer.retarget(&clip, &character, &at(0.05), None);
    check("higher still", 0.03, [&at(0.05), &at(0.1)], &raised);
    check("found", 0.03, [&at(0.05), &usual], &raised);
}

#[test]
fn a_ramp_laid_level_is_answered_by_the_frames_around() {
    let (performer, character) = (Figure::made(|_| {}), Figure::cast("weaver"));
    // The walk again, up a slope of 4 degrees: everything is turned about the axis across the way.
    let mut clip = take();
    let turn = DQuat::from_rotation_x(-4.0f64.to_radians());
    for frame in 0..clip.frame_count() {
        let root = &mut clip.frame_mut(frame)[0];
        root.translation = turn * root.translation;
        root.rotation = (turn * root.rotation).normalize();
    }
    let usual = Settings::default();
    let level = Settings {
        level_floor: true,
        ..usual.clone()
    };
    let solved = |settings| performer.retarget(&clip, &character, settings, None);
    let [sloped, flat] = [&usual, &level].map(solved);
    assert!(
        sloped.stance.floor.slope() > 0.06,
        "{:?}",
        sloped.stance.floor
    );
    assert_eq!(flat.stance.floor.slope(), 0.0);
    for (what, most, [before, after], [known, whole]) in [
        ("level", 0.04, [&usual, &level], [&sloped, &flat]),
        ("sloped", 0.04, [&level, &usual], [&flat, &sloped]),
    ] {
        let answer = |frame| (frame % 3 == 0).then(|| now(known, before, after, frame));
        let (left, frames) = share_left([known, whole], answer);
        assert!(frames > 10, "{what}: {frames}");
        assert!(left < most, "{what}: {left} of {frames}");
    }
}

/// A take carried onto one of the cast; unless others are named, somebody rests the chin on a hand, carried onto
/// the giant, whose head and arms are far from theirs.
struct Scene {
    performer: understudy_bodies::Character,
    onto: understudy_bodies::Character,
    clip: Clip,
}

/// Where a frame is: a hand touches, is on its way there or back, or is far from it.
const PLACES: [&str; 3] = ["in a touch", "on the way", "far away"];

impl Scene {
    fn new() -> Self {
        Self::of("chin", "giant")
    }

    fn solved(&self, settings: &Settings, contacts: Option<&Contacts>) -> Retargeted {
        let take = Take {
            clip: &self.clip,
            body: &self.performer.body,
            surface: None,
        };
        let onto = Character {
            skeleton: &std::sync::Arc::new(self.onto.skeleton.clone()),
            body: &self.onto.body,
            surface: Some(&self.onto.surface),
        };
        retarget(take, onto, settings, contacts).expect("a valid take solves")
    }

    fn now(&self, known: &Retargeted, before: Chosen<'_>, after: Chosen<'_>, frame: usize) -> Now {
        pose_now(known, before, after, Some(&self.onto.surface), frame).unwrap()
    }

    /// Another take onto one of the cast.
    fn of(take: &str, onto: &str) -> Self {
        let clip = authored(take).expect("one of the takes").clip;
        Self {
            clip: clip.resampled(1.0 / 30.0, Interpolation::Hermite).unwrap(),
            onto: cast(onto),
            performer: cast("performer"),
        }
    }

    /// Answers a change in every fifth frame; of what the last result misses so much is left at most.
    fn check_all(
        &self,
        what: &str,
        most: f64,
        known: &Retargeted,
        [before, after]: [Chosen<'_>; 2],
    ) {
        let whole = self.solved(after.settings, after.contacts);
        let answer = |frame: usize| {
            frame
                .is_multiple_of(5)
                .then(|| self.now(known, before, after, frame))
        };
        let (left, frames) = share_left([known, &whole], answer);
        assert!(frames > 6, "{what}: {frames}");
        assert!(left < most, "{what}: {left} of {frames}");
    }

    /// Answers a change in every second frame, and holds the answers to the whole solve: in a touch and on
    /// the way so much is left at most of what the last result misses ([`share_left`]), and far away
    /// nothing moves that the whole solve does not move.
    fn check(
        &self,
        what: &str,
        most: [f64; 2],
        known: &Retargeted,
        [before, after]: [Chosen<'_>; 2],
    ) {
        let whole = self.solved(after.settings, after.contacts);
        let fades = [before, after].map(|chosen| chosen.settings.touches.fade_secs);
        let fade = (4.0 * fades[0].max(fades[1]) / self.clip.frame_time_secs) as usize;
        let all = [known, &whole].map(|result| result.contacts.touches.clone().unwrap());
        let place = |frame: usize| {
            let away = all.iter().flatten();
            let away = away
                .map(|touch| touch.first.saturating_sub(frame) + frame.saturating_sub(touch.last));
            match away.min() {
                Some(0) => 0,
                Some(away) if away <= fade => 1,
                _ => 2,
            }
        };
        for (wanted, most) in most.into_iter().enumerate() {
            let answer = |frame: usize| {
                let is_asked = frame.is_multiple_of(2) && place(frame) == wanted;
                is_asked.then(|| self.now(known, before, after, frame))
            };
            let (left, frames) = share_left([known, &whole], answer);
            assert!(frames > 5, "{what}, {}: {frames}", PLACES[wanted]);
            assert!(
                left < most,
                "{what}, {}: {left} of {frames}",
                PLACES[wanted]
            );
        }
        let mut far = 0;
        for frame in (0..known.solved.frame_count()).step_by(4) {
            if place(frame) == 2 {
                far += 1;
                let now = self.now(known, before, after, frame);
                let [old, new] = [known, &whole].map(|result| result.solved.world(frame));
                let (apart, changed) = (apart_m(&world(known, &now), &new), apart_m(&old, &new));
                let most = changed + 0.001;
                assert!(apart < most, "{what}: frame {frame}: {apart} of {changed}");
            }
        }
        assert!(far > 2 || fade > 20, "{what}: {far}");
    }
}

fn chosen(settings: &Settings) -> Chosen<'_> {
    Chosen {
        settings,
        contacts: None,
    }
}

fn with_touches(before: &Settings, change: impl Fn(&mut TouchSettings)) -> Settings {
    let mut after = before.clone();
    change(&mut after.touches);
    after
}

#[test]
fn how_arms_give_way_for_touches_is_answered_by_the_frames_around() {
    let chin = Scene::new();
    let before = Settings::default();
    let known = chin.solved(&before, None);
    let check = |what: &str, most: [f64; 2], change: &dyn Fn(&mut TouchSettings)| {
        let after = with_touches(&before, change);
        chin.check(what, most, &known, [chosen(&before), chosen(&after)]);
    };
    // The elbow may go another way about the line from shoulder to hand than in the whole solve, which does
    // not follow a change of a centimetre steadily itself.
    check("clearance", [0.8, 0.45], &|t| t.clearance_m = 0.03);
    check("the arm alone", [0.45, 0.35], &|t| t.reach = 0.0);
    check("more of the trunk", [0.3, 0.2], &|t| t.reach = 2.0);
    check("hardly firm", [0.2, 0.2], &|t| t.strength = 0.05);
    // In a touch a fade changes nothing but that.
    check("longer fade", [1.0, 0.45], &|t| t.fade_secs = 0.4);
    check("shorter fade", [1.0, 0.15], &|t| t.fade_secs = 0.1);
}

#[test]
fn other_ranges_of_joints_are_answered() {
    let chin = Scene::new();
    let free = Settings::default();
    let mut held = free.clone();
    let ranges = &mut held.limits.ranges_deg;
    // Less than the touch takes.
    ranges.insert("elbow flexion".into(), [0.0, 120.0]);
    ranges.insert("wrist bend".into(), [0.0, 40.0]);
    let check = |what: &str, most: [f64; 2], before: &Settings, after: &Settings| {
        let known = chin.solved(before, None);
        chin.check(what, most, &known, [chosen(before), chosen(after)]);
    };
    check("narrower", [0.9, 0.9], &free, &held);
    check("wider", [0.9, 0.9], &held, &free);
}

#[test]
fn touches_that_come_and_go_are_answered() {
    let chin = Scene::new();
    let before = Settings::default();
    let known = chin.solved(&before, None);
    let off = with_touches(&before, |t| t.enabled = false);
    // Nothing rests as still as that.
    let none_found = with_touches(&before, |t| t.limits.speed = 1e-6);
    let check = |what: &str, most: [f64; 2], after: &Settings| {
        chin.check(what, most, &known, [chosen(&before), chosen(after)]);
    };
    check("off", [0.01, 0.01], &off);
    check("not found", [0.01, 0.01], &none_found);
    let none = Contacts {
        touches: Some(Vec::new()),
        ..known.contacts.clone()
    };
    let given = Chosen {
        settings: &before,
        contacts: Some(&none),
    };
    chin.check("deleted", [0.01, 0.01], &known, [chosen(&before), given]);
    for (what, less) in [("on", &off), ("found", &none_found)] {
        let free = chin.solved(less, None);
        let both = [chosen(less), chosen(&before)];
        chin.check(what, [0.1, 0.15], &free, both);
    }
}

#[test]
fn changes_are_answered_where_parts_are_kept_apart() {
    let chin = Scene::new();
    let usual = Settings::default();
    let apart = with_touches(&usual, |t| t.keep_out = true);
    let free = with_touches(&usual, |t| t.keep_out = false);
    let known = chin.solved(&apart, None);
    let check = |what: &str, most: [f64; 2], after: &Settings| {
        chin.check(what, most, &known, [chosen(&apart), chosen(after)]);
    };
    let more = with_touches(&apart, |t| t.reach = 2.0);
    // On the way the whole solve passes the body elsewhere than before, which is not looked at here.
    check("more of the trunk", [0.3, 0.55], &more);
    let off = with_touches(&apart, |t| t.enabled = false);
    check("off", [0.01, 0.01], &off);
    check("no longer apart", [0.45, 0.4], &free);
    let before = chin.solved(&free, None);
    let both = [chosen(&free), chosen(&apart)];
    chin.check("apart from now on", [0.6, 0.6], &before, both);
}

/// Somebody kneels to lift something, carried onto a body with other legs.
#[test]
fn what_rests_on_the_floor_is_answered_by_the_frames_around() {
    let scene = Scene::of("lift", "giant");
    let usual = Settings::default();
    let known = scene.solved(&usual, None);
    let mut none = known.contacts.clone();
    let touches = none.touches.as_mut().expect("touches are found");
    let knee = touches.iter().position(|touch| touch.is_rest());
    touches.remove(knee.expect("a knee"));
    let given = |contacts| Chosen {
        settings: &usual,
        contacts: Some(contacts),
    };
    let both = [chosen(&usual), given(&none)];
    scene.check_all("deleted", 0.25, &known, both);
    let without = scene.solved(&usual, Some(&none));
    let both = [given(&none), given(&known.contacts)];
    scene.check_all("added", 0.25, &without, both);
    let mut forward = usual.clone();
    forward.posture.hips_forward_deg = 8.0;
    let both = [chosen(&usual), chosen(&forward)];
    scene.check_all("hips", 0.2, &known, both);
}

/// Somebody crawls, carried onto a body with other limbs: hands and knees stay on the floor.
#[test]
fn who_crawls_is_answered_on_hands_and_knees() {
    let scene = Scene::of("crawl", "porter");
    let usual = Settings::default();
    let known = scene.solved(&usual, None);
    let check = |what: &str, most: f64, change: &dyn Fn(&mut Settings)| {
        let mut after = usual.clone();
        change(&mut after);
        scene.check_all(what, most, &known, [chosen(&usual), chosen(&after)]);
    };
    check("floor", 0.3, &|s| s.floor_height_m = Some(0.03));
    check("stoop", 0.3, &|s| s.posture.stoop_deg = 10.0);
}
