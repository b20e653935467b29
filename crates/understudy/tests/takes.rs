//! The built-in takes as the program sees them: contacts, data faults, joint ranges, size.

use understudy_anatomy::{Body, recognise};
use understudy_bodies::{
    AuthoredTake, SolePart, TrueContact, capture_faults, faulty_take, take, take_names,
};
use understudy_interchange::bvh::{BvhOptions, clip_to_bvh, write_bvh};
use understudy_measure::data_faults::{DataFault, DataFaultKind, find_data_faults};
use understudy_measure::{Options, measure_clip};
use understudy_solver::{FootPart, Settings, Take, find_contacts};

fn all() -> Vec<AuthoredTake> {
    take_names()
        .iter()
        .map(|name| take(name).expect(name))
        .collect()
}

fn body_of(take: &AuthoredTake) -> Body {
    let found = recognise(&take.clip.skeleton, None);
    let made = found.assemble(&take.clip.skeleton, None);
    made.expect(take.name).body
}

fn bvh(take: &AuthoredTake) -> String {
    let made = clip_to_bvh(&take.clip, &BvhOptions::default()).expect(take.name);
    write_bvh(&made.document.rounded(3, 3))
}

#[test]
fn clean_takes_have_no_faults_in_their_data_and_dropouts_are_found() {
    for name in take_names() {
        let clean = take(name).expect(name);
        let found = find_data_faults(&clean.clip);
        assert!(found.is_empty(), "{name}: {found:?}");
        let found = find_data_faults(&faulty_take(name, "dropout").expect(name).clip);
        let is_hold = |kind| kind == DataFaultKind::Hold;
        let holds = found
            .iter()
            .filter(|f| is_hold(f.kind) && f.joint.is_none());
        assert_eq!(holds.count(), 1, "{name}: {found:?}");
    }
}

/// A wobble, a tilt, long arms: none of them is a fault that shows in a few frames, so the finder,
/// which looks for such, claims nothing. At 30 frames per second the slap of a foot after its heel
/// strike, 22 degrees in a tenth of a second, may look like a small spike, with and without the
/// fault.
#[test]
fn faults_without_jumps_are_not_taken_for_others() {
    for fault in ["foot-wobble", "pelvis-tilt", "long-arms"] {
        for name in take_names() {
            let found = find_data_faults(&faulty_take(name, fault).expect(name).clip);
            let is_slap = |found: &DataFault| {
                let ankle = found.joint.as_deref().is_some_and(|j| j.ends_with("ankle"));
                found.kind == DataFaultKind::Spike && found.amount < 8.0 && ankle
            };
            assert!(found.iter().all(is_slap), "{name} {fault}: {found:?}");
        }
    }
}

/// Most of what stands is found standing, and little that does not.
#[test]
fn contacts_found_agree_with_the_truth() {
    let mut report = Vec::new();
    for made in all() {
        let body = body_of(&made);
        let seen = Take {
            clip: &made.clip,
            body: &body,
            surface: None,
        };
        let (_, contacts) = find_contacts(seen, &Settings::default());
        let frames = made.clip.frame_count();
        let (mut both, mut told, mut found) = (0, 0, 0);
        for (side, part, sole) in [
            (understudy_anatomy::Side::Left, FootPart::Toe, SolePart::Toe),
            (
                understudy_anatomy::Side::Right,
                FootPart::Toe,
                SolePart::Toe,
            ),
            (
                understudy_anatomy::Side::Left,
                FootPart::Heel,
                SolePart::Heel,
            ),
            (
                understudy_anatomy::Side::Right,
                FootPart::Heel,
                SolePart::Heel,
            ),
        ] {
            let mask = contacts.mask(side, 0, part, frames);
            let is_true = |frame: usize| {
                let of = |c: &&TrueContact| c.side == side && c.part == sole;
                let mut contacts = made.contacts.iter().filter(of);
                contacts.any(|c| (c.first_frame..=c.last_frame).contains(&frame))
            };
            for (frame, &on) in mask.iter().enumerate() {
                let truth = is_true(frame);
                both += usize::from(on && truth);
                told += usize::from(truth);
                found += usize::from(on);
            }
        }
        let (recall, precision) = (both as f64 / told as f64, both as f64 / found as f64);
        report.push((made.name, recall, precision));
    }
    for (name, recall, precision) in &report {
        // Heels roll off slowly, so a few frames at each end are a matter of taste.
        assert!(*recall > 0.9 && *precision > 0.9, "{name}: {report:?}");
    }
}

/// Ranges of the American Academy of Orthopaedic Surgeons (1965, from a transcription), as
/// `measure` holds them.
#[test]
fn joints_stay_in_their_published_ranges() {
    let mut beyond = Vec::new();
    for made in all() {
        let body = body_of(&made);
        let report = measure_clip(
            &made.clip,
            &body,
            None,
            &Settings::default(),
            Options::default(),
        );
        for joint in &report.limits.joints {
            let allowed_deg = match (made.name, joint.joint.as_str()) {
                // Kneeling and squatting, calf against thigh pushes the joint further than it goes
                // by itself: 20 degrees more are common (common practice).
                (_, name) if name.ends_with("knee") => 15.0,
                // A foot that bears the body's weight bends more than one that hangs: about 40
                // degrees in a lunge (common practice), 20 in the table.
                (_, name) if name.ends_with("ankle") => 20.0,
                // The table's wrist is moved by its own muscles; a palm that bears weight bends
                // up to 90 degrees (common practice), 80 in `measure`.
                ("crawl", name) if name.ends_with("wrist") => 8.0,
                _ => 0.5,
            };
            if joint.worst_excess_deg > allowed_deg {
                beyond.push(format!(
                    "{}: {} {} {:.1} to {:.1}, beyond by {:.1} in frame {}",
                    made.name,
                    joint.joint,
                    joint.movement,
                    joint.least_deg,
                    joint.most_deg,
                    joint.worst_excess_deg,
                    joint.worst_frame
                ));
            }
        }
    }
    assert!(beyond.is_empty(), "{}", beyond.join("\n"));
}

/// All takes, clean and with each fault, fit into 14 million bytes as BVH.
#[test]
fn all_takes_together_are_small() {
    let mut sizes = Vec::new();
    for name in take_names() {
        sizes.push((name, "", bvh(&take(name).expect(name)).len()));
        for fault in capture_faults() {
            let faulty = faulty_take(name, fault.name).expect(name);
            sizes.push((name, fault.name, bvh(&faulty).len()));
        }
    }
    let whole: usize = sizes.iter().map(|size| size.2).sum();
    println!("{whole} bytes: {sizes:?}");
    assert!(whole < 14_000_000, "{whole}: {sizes:?}");
}
