//! The takes against themselves and against published facts of movement.

use understudy_anatomy::Side;
use understudy_bodies::{
    AuthoredTake, SolePart, TrueContact, capture_faults, faulty_take, take, take_names,
};
use understudy_motion::{DVec3, WorldPose};

const SIDES: [Side; 2] = [Side::Left, Side::Right];

fn all() -> Vec<AuthoredTake> {
    take_names()
        .iter()
        .map(|name| take(name).unwrap())
        .collect()
}

fn word(side: Side) -> &'static str {
    if side == Side::Left { "left" } else { "right" }
}

fn joint(take: &AuthoredTake, name: &str) -> usize {
    take.clip.skeleton.find(name).expect(name)
}

fn rate(take: &AuthoredTake) -> f64 {
    1.0 / take.clip.frame_time_secs
}

/// The heel in coordinates of the ankle: on the floor, a quarter of the foot (0.152 of a stature of
/// 1.75 m) behind the ankle.
fn heel(take: &AuthoredTake) -> DVec3 {
    let rest = take.clip.skeleton.rest_world();
    let below = -rest.position(joint(take, "left_ankle")).y;
    DVec3::new(0.0, below, -0.25 * 0.152 * 1.75)
}

/// World positions of a part of the sole over all frames, metres.
fn sole(take: &AuthoredTake, side: Side, part: SolePart) -> Vec<DVec3> {
    let ankle = joint(take, &format!("{}_ankle", word(side)));
    let ball = joint(take, &format!("{}_ball", word(side)));
    let toe = take.clip.skeleton.joint(ball).tips[0];
    let heel = heel(take);
    take.clip
        .worlds()
        .iter()
        .map(|pose| match part {
            SolePart::Heel => pose.point(ankle, heel),
            SolePart::Ball => pose.position(ball),
            SolePart::Toe => pose.point(ball, toe),
        })
        .collect()
}

fn of(take: &AuthoredTake, side: Side, part: SolePart) -> Vec<TrueContact> {
    take.contacts
        .iter()
        .copied()
        .filter(|contact| contact.side == side && contact.part == part)
        .collect()
}

#[test]
fn takes_are_what_they_say() {
    let takes = all();
    let mut rates: Vec<f64> = takes.iter().map(|take| rate(take).round()).collect();
    rates.sort_by(f64::total_cmp);
    rates.dedup();
    assert_eq!(rates, [24.0, 25.0, 30.0, 50.0, 60.0, 100.0, 120.0]);
    for made in &takes {
        let secs = made.clip.duration_secs();
        assert!((3.9..=9.1).contains(&secs), "{} {secs}", made.name);
        assert_eq!(made, &take(made.name).unwrap());
        assert!(made.said.ends_with('.'));
        for prop in &made.props {
            assert_eq!(prop.places.len(), made.clip.frame_count());
        }
    }
    let message = take("moonwalk").unwrap_err().to_string();
    assert!(message.contains("moonwalk") && message.contains("stealth"));
}

#[test]
fn what_is_planted_does_not_move_and_lies_on_the_floor() {
    for take in all() {
        for side in SIDES {
            for part in [SolePart::Heel, SolePart::Ball, SolePart::Toe] {
                let path = sole(&take, side, part);
                // The ball joint lies 0.0145 of the stature above its sole.
                let height_m = if part == SolePart::Ball {
                    0.0145 * 1.75
                } else {
                    0.0
                };
                for contact in of(&take, side, part) {
                    let still = path[contact.first_frame];
                    for at in &path[contact.first_frame..=contact.last_frame] {
                        // 0.05 mm is promised.
                        let slid_m = at.distance(still);
                        assert!(slid_m < 5e-5, "{} {contact:?} {slid_m}", take.name);
                        let off_m = (at.y - height_m).abs();
                        assert!(off_m < 5e-5, "{} {contact:?} {off_m}", take.name);
                    }
                }
            }
        }
    }
}

#[test]
fn soles_never_sink() {
    let mut sunk = Vec::new();
    for take in all() {
        for side in SIDES {
            for part in [SolePart::Heel, SolePart::Toe] {
                let path = sole(&take, side, part);
                let frames = (0..path.len()).filter(|&frame| path[frame].y < -1e-4);
                sunk.extend(frames.map(|frame| {
                    let low_m = path[frame].y;
                    format!("{} {side:?} {part:?} {low_m} in frame {frame}", take.name)
                }));
            }
        }
    }
    assert!(sunk.is_empty(), "{}", sunk.join("\n"));
}

/// Feet that swing are off the floor: between stances no point of the sole stays within 2 mm of it
/// for longer than it takes to lift.
#[test]
fn every_moment_on_the_floor_is_told() {
    for take in all() {
        for side in SIDES {
            for part in [SolePart::Heel, SolePart::Toe] {
                let path = sole(&take, side, part);
                let told = of(&take, side, part);
                let untold = (0..path.len())
                    .filter(|&frame| path[frame].y < 0.002)
                    .filter(|frame| {
                        !told
                            .iter()
                            .any(|c| (c.first_frame..=c.last_frame).contains(frame))
                    })
                    .count();
                let secs = untold as f64 / rate(&take);
                // Each contact has a moment of leaving and one of coming.
                let allowed_secs = 0.15 * told.len() as f64;
                assert!(
                    secs <= allowed_secs,
                    "{} {side:?} {part:?} {secs}",
                    take.name
                );
            }
        }
    }
}

/// No limb is stretched to its end, where an arm or leg would pop.
#[test]
fn limbs_are_never_straight() {
    for take in all() {
        for side in SIDES {
            for (chain, least_deg) in [
                (["hip", "knee", "ankle"], 4.0),
                (["shoulder", "elbow", "wrist"], 4.0),
            ] {
                let [a, b, c] = chain.map(|name| joint(&take, &format!("{}_{name}", word(side))));
                for (frame, pose) in take.clip.worlds().iter().enumerate() {
                    let (upper, lower) = (
                        pose.position(b) - pose.position(a),
                        pose.position(c) - pose.position(b),
                    );
                    let bend_deg = upper.angle_between(lower).to_degrees();
                    let name = take.name;
                    assert!(
                        bend_deg > least_deg,
                        "{name} {side:?} {} {frame} {bend_deg}",
                        chain[1]
                    );
                }
            }
        }
    }
}

/// Segments of men, de Leva 1996, doi 10.1016/0021-9290(95)00178-6 (from a transcription; the
/// trunk's centre from memory): share of mass, place of the centre, both in per cent.
const SEGMENTS: [(&str, f64, f64); 8] = [
    ("head", 6.94, 50.02),
    ("trunk", 43.46, 43.10),
    ("upper arm", 2.71, 57.72),
    ("forearm", 1.62, 45.74),
    ("hand", 0.61, 79.00),
    ("thigh", 14.16, 40.95),
    ("shank", 4.33, 43.95),
    ("foot", 1.37, 44.15),
];

fn centre_of_mass(take: &AuthoredTake, pose: &WorldPose) -> DVec3 {
    let at = |name: String| pose.position(joint(take, &name));
    let tip = |name: &str| {
        let index = joint(take, name);
        pose.point(index, take.clip.skeleton.joint(index).tips[0])
    };
    let both = |name: &str| {
        let [left, right] = SIDES.map(|side| at(format!("{}_{name}", word(side))));
        left.midpoint(right)
    };
    let (mut sum, mut mass) = (DVec3::ZERO, 0.0);
    for (segment, share, centre) in SEGMENTS {
        let ends: Vec<(DVec3, DVec3)> = match segment {
            "head" => vec![(tip("head"), at("neck".into()))],
            "trunk" => vec![(both("shoulder"), both("hip"))],
            _ => SIDES
                .iter()
                .map(|&side| {
                    let at = |name: &str| at(format!("{}_{name}", word(side)));
                    match segment {
                        "upper arm" => (at("shoulder"), at("elbow")),
                        "forearm" => (at("elbow"), at("wrist")),
                        "hand" => (at("wrist"), at("middle_1")),
                        "thigh" => (at("hip"), at("knee")),
                        "shank" => (at("knee"), at("ankle")),
                        _ => {
                            let ankle = joint(take, &format!("{}_ankle", word(side)));
                            let toe = tip(&format!("{}_ball", word(side)));
                            (pose.point(ankle, heel(take)), toe)
                        }
                    }
                })
                .collect(),
        };
        for (from, to) in ends {
            sum += from.lerp(to, centre / 100.0) * share;
            mass += share;
        }
    }
    sum / mass
}

/// In the air the centre of mass falls with 9.81 m/s². The stated error is 2 %.
#[test]
fn a_jump_obeys_gravity() {
    let take = take("jump").unwrap();
    let worlds = take.clip.worlds();
    let height: Vec<f64> = worlds
        .iter()
        .map(|pose| centre_of_mass(&take, pose).y)
        .collect();
    let grounded = |frame: usize| {
        take.contacts
            .iter()
            .any(|c| (c.first_frame..=c.last_frame).contains(&frame))
    };
    let air: Vec<usize> = (0..height.len())
        .filter(|&frame| !grounded(frame))
        .collect();
    let (first, last) = (air[0] + 1, air[air.len() - 1] - 1);
    assert!(last - first > 40, "{first} {last}");
    let dt = take.clip.frame_time_secs;
    for frame in first + 1..last {
        let fall = (height[frame + 1] - 2.0 * height[frame] + height[frame - 1]) / (dt * dt);
        assert!((fall / -9.81 - 1.0).abs() < 0.02, "{frame} {fall}");
    }
    let top = height.iter().copied().fold(0.0, f64::max);
    let rise_m = top - height[first - 1];
    // Untrained people jump 0.2 to 0.4 m (common practice); this one hops onto a landing.
    assert!((0.12..0.40).contains(&rise_m), "{rise_m}");
}

/// Heel strikes of a side, the standing foot and the closing step left out.
fn strikes(take: &AuthoredTake, side: Side) -> Vec<usize> {
    let heels = of(take, side, SolePart::Heel);
    heels[1..heels.len() - 1]
        .iter()
        .map(|c| c.first_frame)
        .collect()
}

/// Stance 61.5 ± 1.9 % of the cycle (young men), and falling with speed as 64.2 − 3.5 × speed
/// (Kirtley 1985); cadence 100 to 120 steps a minute, speed 1.1 to 1.5 m/s at a free pace (Perry
/// 1992, from memory).
#[test]
fn walks_have_published_timing() {
    for name in ["walk", "wave"] {
        let take = take(name).unwrap();
        let pelvis = take.clip.trajectory(joint(&take, "pelvis"));
        for side in SIDES {
            let strikes = strikes(&take, side);
            let toes = of(&take, side, SolePart::Toe);
            let mut strides = 0;
            for pair in strikes.windows(2) {
                let cycle = (pair[1] - pair[0]) as f64;
                let off = toes
                    .iter()
                    .map(|toe| toe.last_frame)
                    .find(|&frame| frame > pair[0])
                    .unwrap();
                // Whole frames: half a frame at both ends is added to the stance.
                let stance = (off as f64 + 1.0 - pair[0] as f64) / cycle;
                assert!((stance - 0.615).abs() < 0.025, "{name} stance {stance}");
                let cadence = 120.0 * rate(&take) / cycle;
                assert!((100.0..120.0).contains(&cadence), "{name} {cadence}");
                let way: f64 = pelvis[pair[0]..=pair[1]]
                    .windows(2)
                    .map(|w| DVec3::new(w[1].x - w[0].x, 0.0, w[1].z - w[0].z).length())
                    .sum();
                let speed = way * rate(&take) / cycle;
                assert!((1.0..1.5).contains(&speed), "{name} {speed}");
                strides += 1;
            }
            assert!(strides >= 1, "{name}");
        }
    }
}

/// Whoever stands still has the centre of mass over the base of support (Winter 1995,
/// doi 10.1016/0966-6362(96)82849-9): between heels and toes, and between the outer edges of the
/// feet.
#[test]
fn who_stands_is_balanced() {
    let mut stood = 0;
    for take in all() {
        let worlds = take.clip.worlds();
        let soles: Vec<Vec<Vec<DVec3>>> = SIDES
            .iter()
            .map(|&side| {
                [SolePart::Heel, SolePart::Toe]
                    .map(|part| sole(&take, side, part))
                    .into()
            })
            .collect();
        let centres: Vec<DVec3> = worlds
            .iter()
            .map(|pose| centre_of_mass(&take, pose))
            .collect();
        let flat = |frame: usize| soles.iter().flatten().all(|path| path[frame].y < 1e-4);
        let moves = |frame: usize| {
            let step = centres[frame + 1] - centres[frame - 1];
            step.length() * rate(&take) / 2.0
        };
        let seated = |frame: usize| {
            take.touches.iter().any(|touch| {
                touch.ends[0].joint.as_deref() == Some("pelvis")
                    && (touch.first_frame..=touch.last_frame).contains(&frame)
            })
        };
        for frame in 1..worlds.len() - 1 {
            if !flat(frame) || seated(frame) || moves(frame) > 0.03 {
                continue;
            }
            stood += 1;
            let points: Vec<DVec3> = soles.iter().flatten().map(|path| path[frame]).collect();
            // Along and across the way both feet look; 4 cm is half a foot's breadth.
            let ahead = (points[1] - points[0] + points[3] - points[2]).normalize();
            let across = ahead.cross(DVec3::Y);
            let range = |axis: DVec3, more_m: f64| {
                let along = points.iter().map(|p| p.dot(axis));
                let low = along.clone().fold(f64::INFINITY, f64::min) - more_m;
                let high = along.fold(f64::NEG_INFINITY, f64::max) + more_m;
                (low..high).contains(&centres[frame].dot(axis))
            };
            assert!(range(ahead, -0.02), "{} frame {frame} ahead", take.name);
            assert!(range(across, 0.02), "{} frame {frame} across", take.name);
        }
    }
    assert!(stood > 500, "{stood}");
}

#[test]
fn faulty_takes_are_the_same_every_time_and_differ_from_clean_ones() {
    assert_eq!(capture_faults().len(), 6);
    for name in ["clap", "crawl", "folded"] {
        let clean = take(name).unwrap();
        for fault in capture_faults() {
            let faulty = faulty_take(name, fault.name).unwrap();
            assert_eq!(faulty, faulty_take(name, fault.name).unwrap());
            let step = (faulty.clip.frame_time_secs / clean.clip.frame_time_secs).round() as usize;
            assert!((24.0..=30.0).contains(&rate(&faulty).round()));
            assert_eq!(
                faulty.clip.frame_count(),
                (clean.clip.frame_count() - 1) / step + 1
            );
            let differs = (0..faulty.clip.frame_count())
                .any(|frame| faulty.clip.frame(frame) != clean.clip.frame(frame * step));
            assert!(differs, "{name} {}", fault.name);
            // What is true stays true at the lower rate.
            for contact in &faulty.contacts {
                assert!(contact.first_frame <= contact.last_frame);
                assert!(contact.last_frame < faulty.clip.frame_count());
            }
        }
    }
    let message = faulty_take("clap", "gremlins").unwrap_err().to_string();
    assert!(message.contains("gremlins") && message.contains("long-arms"));
}
