//! Chains of the cast: how their joints are grouped, and whole chains that are given by hand.

mod common;

use std::collections::BTreeMap;
use std::sync::OnceLock;

use common::{CAST, newly_made};
use understudy_anatomy::{
    Chain, ChainError, ChainKind, ChainPlace, Mapping, Part, Recognition, Role, Side, Stretch,
    chains, recognise,
};
use understudy_bodies::Character;
use understudy_motion::Skeleton;

/// A member of the cast; all are made once.
fn member(name: &str) -> &'static Character {
    static MADE: OnceLock<Vec<Character>> = OnceLock::new();
    let made = MADE.get_or_init(|| CAST.map(newly_made).into());
    let place = CAST.iter().position(|each| *each == name).unwrap();
    &made[place]
}

fn known(made: &Character) -> Recognition {
    recognise(&made.skeleton, Some(&made.surface))
}

/// The chain of a place.
fn chain(skeleton: &Skeleton, found: &Recognition, place: ChainPlace) -> Chain {
    let all = chains(skeleton, &found.roles);
    let own = all.into_iter().find(|chain| chain.place == Some(place));
    own.unwrap_or_else(|| panic!("no {place}"))
}

/// First and last joint of a chain's line; joints beside it only share twist.
fn ends(skeleton: &Skeleton, found: &Recognition, chain: &Chain) -> (usize, usize) {
    let first = chain.joints[0];
    let is_twist = |joint: usize| {
        let role = found.roles.role(joint);
        role.is_some_and(|role| role.part.is_twist()) && skeleton.children(joint).is_empty()
    };
    let last = chain.joints.iter().rev().find(|&&joint| !is_twist(joint));
    (first, *last.unwrap())
}

/// The recognition without the roles of a chain.
fn without(found: &Recognition, chain: &Chain) -> Recognition {
    let mut bare = found.clone();
    for &joint in &chain.joints {
        bare.roles.set(joint, None);
    }
    bare
}

fn given(
    made: &Character,
    found: &Recognition,
    place: ChainPlace,
    stretch: Stretch,
) -> Result<BTreeMap<usize, Option<Role>>, ChainError> {
    found.chain_roles(&made.skeleton, Some(&made.surface), place, stretch)
}

fn applied(
    skeleton: &Skeleton,
    found: &Recognition,
    roles: &BTreeMap<usize, Option<Role>>,
) -> Recognition {
    let joints = roles.iter();
    let joints = joints.map(|(&joint, &role)| (skeleton.name(joint).to_owned(), role));
    let corrections = Mapping {
        joints: joints.collect(),
        ..Mapping::default()
    };
    corrections.apply(skeleton, found).unwrap()
}

fn roles(found: &Recognition) -> Vec<Option<Role>> {
    let joints = 0..found.roles.len();
    joints.map(|joint| found.roles.role(joint)).collect()
}

#[test]
fn every_joint_of_the_cast_is_in_one_chain() {
    for name in CAST {
        let made = member(name);
        let found = known(made);
        let all = chains(&made.skeleton, &found.roles);
        let mut joints: Vec<usize> = all.iter().flat_map(|chain| chain.joints.clone()).collect();
        joints.sort_unstable();
        assert_eq!(
            joints,
            (0..made.skeleton.len()).collect::<Vec<_>>(),
            "{name}"
        );
        for chain in &all {
            for &joint in &chain.joints {
                let place = found.roles.role(joint).map(ChainPlace::of);
                assert!(place.is_none() || place == chain.place, "{name}");
            }
        }
    }
}

/// A chain whose roles were lost is given them again, from first to last and from the first on.
#[test]
fn a_chain_that_is_given_gets_the_roles_that_recognition_gave_it() {
    let mut count = 0;
    for name in CAST {
        let made = member(name);
        let found = known(made);
        for chain in chains(&made.skeleton, &found.roles) {
            let Some(place) = chain.place.filter(|place| place.kind != ChainKind::Face) else {
                continue;
            };
            let bare = without(&found, &chain);
            let (first, last) = ends(&made.skeleton, &found, &chain);
            for stretch in [Stretch::Between(first, last), Stretch::Below(first)] {
                if place.kind == ChainKind::Pelvis && matches!(stretch, Stretch::Below(_)) {
                    continue;
                }
                let again = given(made, &bare, place, stretch)
                    .unwrap_or_else(|error| panic!("{name}, {place}: {error}"));
                let again = applied(&made.skeleton, &bare, &again);
                assert_eq!(roles(&again), roles(&found), "{name}, {place}, {stretch:?}");
                count += 1;
            }
        }
    }
    assert!(count > 200, "{count}");
}

#[test]
fn the_other_side_follows() {
    let mut count = 0;
    for name in CAST {
        let made = member(name);
        let found = known(made);
        for chain in chains(&made.skeleton, &found.roles) {
            let Some(place) = chain.place.filter(|place| place.side == Side::Left) else {
                continue;
            };
            let other = self::chain(&made.skeleton, &found, place.mirrored());
            let bare = without(&without(&found, &chain), &other);
            let (first, last) = ends(&made.skeleton, &found, &chain);
            let again = given(made, &bare, place, Stretch::Between(first, last)).unwrap();
            let (both, alone) = bare.with_mirrored(&made.skeleton, &again);
            assert_eq!(alone, [], "{name}, {place}");
            let again = applied(&made.skeleton, &bare, &both);
            assert_eq!(roles(&again), roles(&found), "{name}, {place}");
            count += 1;
        }
    }
    assert!(count > 50, "{count}");
}

/// The weaver has six joints in the back, the performer three.
#[test]
fn a_spine_with_more_joints_than_the_take_is_given_in_whole_and_in_part() {
    let (weaver, performer) = (member("weaver"), member("performer"));
    let place = ChainPlace::new(ChainKind::Spine, Side::Middle);
    let count = |made: &Character| chain(&made.skeleton, &known(made), place).joints.len();
    assert_eq!((count(weaver), count(performer)), (6, 3));
    let found = known(weaver);
    let spine = chain(&weaver.skeleton, &found, place).joints;
    // All but the lowest and the highest, which stay without a role.
    let part = given(weaver, &found, place, Stretch::Between(spine[1], spine[4])).unwrap();
    assert_eq!((part[&spine[0]], part[&spine[5]]), (None, None));
    let after = applied(&weaver.skeleton, &found, &part);
    let assembly = after.assemble(&weaver.skeleton, Some(&weaver.surface));
    assert_eq!(assembly.unwrap().body.spine, spine[1..5]);
    let parts: Vec<Part> = spine[1..5]
        .iter()
        .map(|&joint| after.roles.role(joint).unwrap().part)
        .collect();
    assert!(matches!(parts[0], Part::Lumbar(_)), "{parts:?}");
    assert!(matches!(parts[3], Part::Thoracic(_)), "{parts:?}");
    // The joints without a role still lie within the chain.
    assert_eq!(chain(&weaver.skeleton, &after, place).joints, spine);
    let whole = given(weaver, &after, place, Stretch::Below(spine[0])).unwrap();
    assert_eq!(
        roles(&applied(&weaver.skeleton, &after, &whole)),
        roles(&found)
    );
}

#[test]
fn chains_that_cannot_be_given_say_why() {
    let made = member("pedlar");
    let found = known(made);
    let at = |role: &str| found.roles.find(role.parse().unwrap()).unwrap();
    let check = |kind: ChainKind, side: Side, stretch: Stretch, part: &str| {
        let error = given(made, &found, ChainPlace::new(kind, side), stretch).unwrap_err();
        assert!(error.to_string().contains(part), "{error}");
    };
    let (left, right) = (at("l_knee"), at("r_talocrural"));
    let across = Stretch::Between(left, right);
    check(ChainKind::Leg, Side::Left, across, "does not lie below");
    let short = Stretch::Between(left, at("l_talocrural"));
    check(ChainKind::Leg, Side::Left, short, "needs at least 3 joints");
    let whole = Stretch::Below(at("humanoid_root"));
    check(
        ChainKind::Tail,
        Side::Middle,
        whole,
        "carries the whole body",
    );
    let face = Stretch::Below(at("skullbase"));
    check(ChainKind::Face, Side::Middle, face, "one by one");
    let beyond = Stretch::Below(made.skeleton.len());
    check(ChainKind::Tail, Side::Middle, beyond, "no joint");
    let arm = Stretch::Below(at("l_elbow"));
    check(
        ChainKind::Spine,
        Side::Middle,
        arm,
        "choose its last joint too",
    );
}
