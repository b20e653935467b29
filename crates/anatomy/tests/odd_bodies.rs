//! Bodies that lack something: ankles, an arm, a leg, the head, the spine. Each is read with plain
//! names and without, in several rests and in files with +Y or +Z up. A role may be missing, but
//! one that is wrong must be doubtful.

mod common;

use common::{Figure, figure, fits};
use understudy_anatomy::{Recognition, Role, recognise};
use understudy_motion::{DQuat, DVec3};

const LEGS: &str = "
  %_thigh 0.09 0.9 0 = l_hip
    %_shin 0.09 0.495 0.01 = l_knee
      %_foot 0.09 0.117 -0.02 ^ 0.09 0.047 0.12 = l_talocrural";
const SPINE: &str = "
  spine 0 1.1 0 = v*
    chest 0 1.3 0 = v*";
const ARMS: &str = "
      %_upper_arm 0.18 1.45 0 = l_shoulder
        %_forearm 0.45 1.45 -0.01 = l_elbow
          %_hand 0.702 1.45 0 ^ 0.81 1.45 0 = l_radiocarpal";
const HEAD: &str = "
      neck 0 1.52 0 = vc*
        head 0 1.6 0.01 ^ 0 1.78 0.01 = skullbase";

/// One side of a limb that is written for both.
fn only_left(limb: &str) -> String {
    let roles = ["Left"; 1].join("");
    limb.replace('%', &roles)
}

fn with_pelvis(parts: &[&str]) -> Figure {
    figure(&format!(
        "pelvis 0 0.95 0 = humanoid_root{}",
        parts.concat()
    ))
}

fn without_feet() -> Figure {
    let legs = "
  %_thigh 0.09 0.9 0 = -
    %_shin 0.09 0.5 0 ^ 0.09 0.05 0 = -";
    with_pelvis(&[legs, SPINE, ARMS, HEAD])
}

fn with_one_arm() -> Figure {
    with_pelvis(&[LEGS, SPINE, &only_left(ARMS), HEAD])
}

/// The leg hangs from the middle, as its capture had it.
fn with_one_leg() -> Figure {
    let leg = only_left(LEGS).replace("0.09 ", "0 ");
    with_pelvis(&[&leg, SPINE, ARMS, HEAD])
}

fn without_head() -> Figure {
    with_pelvis(&[LEGS, SPINE, ARMS])
}

/// Arms and legs hang from the root.
fn without_spine() -> Figure {
    let flat = |limb: &str| limb.replace("\n    ", "\n");
    let arms = flat(ARMS).replace("1.45", "1.1");
    with_pelvis(&[
        LEGS,
        &arms,
        "\n  head 0 1.35 0.01 ^ 0 1.53 0.01 = skullbase",
    ])
}

#[test]
fn explore() {
    for (what, f) in [
        ("nofeet", without_feet()),
        ("onearm", with_one_arm()),
        ("oneleg", with_one_leg()),
        ("headless", without_head()),
        ("nospine", without_spine()),
    ] {
        let both = |f: &Figure, left: DVec3| {
            let right = left * DVec3::new(1.0, -1.0, -1.0);
            let mut f = f.bent("Left_upper_arm", left);
            if f.skeleton.find("Right_upper_arm").is_some() {
                f = f.bent("Right_upper_arm", right);
            }
            f
        };
        for (rest, bend) in [
            ("T", DVec3::ZERO),
            ("A", DVec3::Z * -45.0),
            ("down", DVec3::Z * -85.0),
            ("forward", DVec3::Y * -85.0),
            ("back", DVec3::Y * 85.0),
            ("up", DVec3::Z * 80.0),
        ] {
            for nameless in [false, true] {
                for zup in [false, true] {
                    let mut g = both(&f, bend);
                    if nameless {
                        g = g.nameless();
                    }
                    if zup {
                        g = g.turned(DQuat::from_rotation_x(std::f64::consts::FRAC_PI_2));
                    }
                    let found = recognise(&g.skeleton, None);
                    println!(
                        "== {what} {rest} nameless {nameless} zup {zup} up {} conf {:.2}",
                        found.frame.up, found.frame_confidence
                    );
                    for joint in 0..g.skeleton.len() {
                        let wanted = g.expected[joint].as_deref().unwrap();
                        let ok = fits(found.roles.role(joint), wanted);
                        let got = found.roles.get(joint);
                        if !ok {
                            println!(
                                "   {} {wanted} {}",
                                f.skeleton.name(joint),
                                got.map_or("-".into(), |a| format!(
                                    "{} {:.2}",
                                    a.role, a.confidence
                                ))
                            );
                        }
                    }
                    if rest == "T" && !zup {
                        println!("{:#?}", found.notes);
                    }
                    found.assemble(&g.skeleton, None).unwrap();
                }
            }
        }
    }
}
