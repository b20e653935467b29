//! Takes that stand and do something with the hands.

use std::sync::Arc;

use glam::DVec3;
use understudy_anatomy::Side;

use crate::plan::SIDES;
use crate::takes::TouchPart;
use crate::takes::draft::{Draft, joints_of};
use crate::takes::figure::{Figure, mirrored};
use crate::takes::line::{Line, Path};
use crate::takes::score::{
    DEGREE, Grip, HandPlan, HandPose, Hold, Place, Score, Spaces, TurnPlan, hand_rotation,
};
use crate::takes::standing::{STANDING_KNEE, hand_point, hanging, settled, standing};

fn degrees(keys: &[(f64, f64)]) -> Line {
    Line::through(keys).times(DEGREE)
}

fn turn(yaw: &[(f64, f64)], pitch: &[(f64, f64)], roll: &[(f64, f64)]) -> TurnPlan {
    TurnPlan {
        yaw: degrees(yaw),
        pitch: degrees(pitch),
        roll: degrees(roll),
    }
}

/// A hand at rest at the side of the body, as a key.
fn at_side() -> HandPose {
    hanging(4.0 * DEGREE, 16.0 * DEGREE, 7.0 * DEGREE)
}

/// One clap.
struct Clap {
    secs: f64,
    /// Where the palms meet in the chest's place, metres.
    at: DVec3,
    /// Where the fingers point.
    along: DVec3,
    /// How far each hand opens before, metres.
    open_m: f64,
    /// How long the palms stay together, seconds.
    press_secs: f64,
    /// By how much each hand is moved out so that skin meets skin, metres.
    clear_m: f64,
}

/// Claps: soft ones before the chest, louder ones before the face, one overhead.
pub(crate) fn clap(figure: &'static Figure) -> Draft {
    let mut claps = claps();
    let mut score = clap_score(figure, &claps);
    let hands = SIDES.map(|side| joints_of(figure, TouchPart::Hand(side)));
    for _ in 0..3 {
        for clap in &mut claps {
            let skin = figure.skin.posed(&score.pose(figure, clap.secs));
            let gap_m = skin
                .gap(&hands[0], &hands[1], 0.05)
                .map_or(0.0, |gap| gap.metres);
            clap.clear_m -= 0.5 * gap_m;
        }
        score = clap_score(figure, &claps);
    }
    claps.iter().fold(Draft::of(score), |draft, clap| {
        draft.touching(
            TouchPart::Hand(Side::Left),
            TouchPart::Hand(Side::Right),
            clap.secs,
            clap.secs + clap.press_secs,
        )
    })
}

fn claps() -> [Clap; 7] {
    let chest = DVec3::new(0.0, -0.20, 0.33);
    let face = DVec3::new(0.0, 0.02, 0.36);
    let over = DVec3::new(0.0, 0.43, 0.16);
    let ahead = DVec3::new(-0.05, 0.42, 0.9);
    let steep = DVec3::new(-0.03, 0.88, 0.47);
    [
        (1.10, chest, ahead, 0.07, 0.05),
        (1.52, chest + DVec3::Y * 0.01, ahead, 0.08, 0.05),
        (1.94, chest + DVec3::Y * 0.03, ahead, 0.10, 0.05),
        (2.52, face - DVec3::Y * 0.06, steep, 0.16, 0.05),
        (3.02, face, steep, 0.19, 0.05),
        (4.02, over, DVec3::new(-0.02, 0.98, 0.15), 0.30, 0.10),
        (5.05, chest, ahead, 0.06, 0.12),
    ]
    .map(|(secs, at, along, open_m, press_secs)| Clap {
        secs,
        at,
        along,
        open_m,
        press_secs,
        clear_m: 0.0,
    })
}

fn clap_score(figure: &'static Figure, claps: &[Clap; 7]) -> Score {
    let mut score = standing(6.6);
    let bounce = Line::through(&[
        (0.0, 0.0),
        (3.35, 0.0),
        (3.62, -1.0),
        (4.02, 0.35),
        (4.5, -0.2),
        (5.0, 0.0),
    ]);
    score.chest = TurnPlan {
        yaw: degrees(&[
            (0.0, 0.0),
            (1.0, 3.0),
            (2.4, -3.0),
            (3.8, 0.0),
            (5.4, 2.0),
            (6.2, 0.0),
        ]),
        pitch: nods(claps, 2.0).plus(&degrees(&[
            (0.0, 0.0),
            (1.0, 3.0),
            (3.3, 3.0),
            (3.7, 7.0),
            (4.02, -7.0),
            (4.3, -6.0),
            (4.9, 2.0),
            (6.0, 0.0),
        ])),
        roll: Line::level(0.0),
    };
    score.head = TurnPlan {
        yaw: degrees(&[
            (0.3, 0.0),
            (0.9, 8.0),
            (2.2, 8.0),
            (2.8, -6.0),
            (3.5, -2.0),
            (6.0, 3.0),
        ]),
        pitch: nods(claps, 2.5).plus(&degrees(&[
            (0.3, 0.0),
            (1.0, 7.0),
            (2.3, 7.0),
            (2.8, -2.0),
            (3.5, 2.0),
            (4.0, -24.0),
            (4.3, -22.0),
            (5.0, 4.0),
            (6.2, 0.0),
        ])),
        roll: degrees(&[(0.5, 0.0), (1.2, 3.0), (3.0, -3.0), (4.2, 0.0)]),
    };
    let flat = 4.0 * DEGREE;
    for (index, side) in SIDES.into_iter().enumerate() {
        let mut keys = vec![(0.0, at_side()), (0.25, at_side())];
        let points = claps.each_ref().map(|clap| clap.palm_point(figure, flat));
        for (clap, &point) in claps.iter().zip(&points) {
            keys.push((clap.secs - 0.62 * opening_secs(clap), clap.open(point)));
            keys.push((clap.secs, clap.together(point)));
            keys.push((clap.secs + clap.press_secs, clap.together(point)));
        }
        // After the clap overhead the hands fly apart before they sink.
        let apart = claps[5].palm_at(points[5], 0.11, 0.25);
        keys.insert(
            keys.len() - 3,
            (claps[5].secs + claps[5].press_secs + 0.2, apart),
        );
        // On the way down the fingers point ahead, as a wrist bends no further.
        let down = HandPose {
            wrist: DVec3::new(0.30, -0.08, 0.30),
            along: DVec3::new(0.05, 0.30, 0.95),
            ..claps[6].open(points[6])
        };
        keys.insert(keys.len() - 3, (4.58, down));
        keys.push((5.45, claps[6].open(points[6])));
        keys.push((6.35, at_side()));
        let curl = Line::through(&[(0.2, 18.0), (0.8, 4.0), (5.4, 4.0), (6.2, 18.0)]).times(DEGREE);
        score.hands[index] = HandPlan::through(side, &keys).curled(curl);
    }
    let knee = STANDING_KNEE;
    score.pelvis.y = Line::new(move |secs| 0.93 + 0.05 * bounce.at(secs));
    settled(score, figure, &Line::level(0.0), knee)
}

/// How long the hands take to come together, seconds: wider claps take longer.
fn opening_secs(clap: &Clap) -> f64 {
    0.26 + 0.9 * clap.open_m
}

impl Clap {
    /// The point of the left palm's skin that meets the other, in coordinates of the wrist.
    fn palm_point(&self, figure: &Figure, curl: f64) -> DVec3 {
        let toward = hand_rotation(Side::Left, self.along, DVec3::NEG_X).inverse() * DVec3::NEG_X;
        hand_point(
            figure,
            Side::Left,
            TouchPart::Hand(Side::Left),
            curl,
            toward,
        )
    }

    fn palm_at(&self, point: DVec3, out_m: f64, open: f64) -> HandPose {
        let along = self.along + DVec3::new(0.2, 0.0, 0.0) * open;
        let palm = DVec3::new(-1.0, 0.0, -0.25 * open);
        let rotation = hand_rotation(Side::Left, along, palm);
        HandPose {
            wrist: self.at
                + DVec3::X * self.clear_m
                + DVec3::new(out_m, -0.2 * out_m, -0.15 * out_m)
                - rotation * point,
            along,
            palm,
            elbow: DVec3::new(0.75, -0.7, -0.25),
        }
    }

    fn together(&self, point: DVec3) -> HandPose {
        self.palm_at(point, 0.0, 0.0)
    }

    fn open(&self, point: DVec3) -> HandPose {
        self.palm_at(point, self.open_m, 1.0)
    }
}

/// Small nods with each clap, degrees, as a line in radians.
fn nods(claps: &[Clap], degrees: f64) -> Line {
    let times: Vec<(f64, f64)> = claps.iter().map(|clap| (clap.secs, clap.open_m)).collect();
    Line::new(move |secs| {
        let nod = |&(at, open_m): &(f64, f64)| {
            let away = (secs - at - 0.03) / 0.16;
            open_m / 0.1 * (-away * away).exp()
        };
        degrees * DEGREE * times.iter().map(nod).sum::<f64>()
    })
}

/// A press of the palms, held through a bow.
pub(crate) fn prayer(figure: &'static Figure) -> Draft {
    let (meet_secs, part_secs) = (1.5, 5.2);
    let mut score = standing(7.0);
    score.chest.pitch = degrees(&[
        (0.9, 0.0),
        (1.6, -2.0),
        (2.0, -2.0),
        (3.2, 32.0),
        (3.9, 33.0),
        (5.1, -2.5),
        (6.0, 0.0),
    ]);
    score.pelvis.turn.pitch = degrees(&[(1.8, 0.0), (3.2, 17.0), (3.9, 17.5), (5.1, 0.0)]);
    score.head.pitch = degrees(&[
        (0.4, 0.0),
        (1.4, 12.0),
        (2.0, 12.0),
        (3.3, 52.0),
        (4.0, 53.0),
        (5.2, 4.0),
        (6.2, -2.0),
        (6.8, 0.0),
    ]);
    let flat = 1.0 * DEGREE;
    for (index, side) in SIDES.into_iter().enumerate() {
        let point = hand_point(figure, side, TouchPart::Hand(side), flat, DVec3::NEG_Y);
        let hold = Hold {
            secs: [0.35, meet_secs, part_secs, 6.35],
            grip: Arc::new(move |_, spaces: &Spaces| {
                let chest = &spaces.chest;
                Grip {
                    at: chest.point(DVec3::new(0.0, -0.21, 0.285)),
                    along: chest.rotation * DVec3::new(0.0, 0.88, 0.47),
                    palm: chest.rotation * mirrored(DVec3::NEG_X, side),
                    elbow: chest.rotation * mirrored(DVec3::new(0.62, -0.8, -0.1), side),
                    out: chest.rotation * mirrored(DVec3::X, side),
                }
            }),
            point,
            bow_m: 0.10,
            rise_m: 0.0,
            clear_m: Vec::new(),
        };
        score.hands[index].holds.push(hold);
        score.hands[index].curl = degrees(&[(0.4, 18.0), (1.3, 1.0), (5.3, 1.0), (6.4, 18.0)]);
    }
    let mut score = settled(score, figure, &Line::level(0.0), STANDING_KNEE);
    let hands = SIDES.map(|side| joints_of(figure, TouchPart::Hand(side)));
    for _ in 0..3 {
        let skin = figure.skin.posed(&score.pose(figure, meet_secs + 1.0));
        let gap_m = skin
            .gap(&hands[0], &hands[1], 0.05)
            .map_or(0.0, |gap| gap.metres);
        for hold in score.hands.iter_mut().flat_map(|hand| &mut hand.holds) {
            let clear_m = hold.clear_m.first().map_or(0.0, |key| key.1);
            hold.clear_m = vec![(0.0, clear_m - 0.5 * gap_m)];
        }
    }
    Draft::of(score).touching(
        TouchPart::Hand(Side::Left),
        TouchPart::Hand(Side::Right),
        meet_secs,
        part_secs,
    )
}

/// Moves a hand off or onto the skin of a part until they just meet, at each key of the hold.
pub(crate) fn meet_skin(
    mut score: Score,
    figure: &Figure,
    index: usize,
    parts: [TouchPart; 2],
    rounds: usize,
) -> Score {
    let (first, second) = (joints_of(figure, parts[0]), joints_of(figure, parts[1]));
    for _ in 0..rounds {
        let plan = score.clone();
        for hold in &mut score.hands[index].holds {
            for key in &mut hold.clear_m {
                let skin = figure.skin.posed(&plan.pose(figure, key.0));
                // Nothing near: come closer, by less than what is looked at.
                let gap_m = skin
                    .gap(&first, &second, 0.05)
                    .map_or(0.04, |gap| gap.metres);
                key.1 -= gap_m;
            }
        }
    }
    score
}

/// Where a ray from inside the head or trunk leaves the skin, in coordinates of the place.
fn skin_from(
    figure: &Figure,
    part: TouchPart,
    place: fn(&Spaces) -> Place,
    from: DVec3,
    direction: DVec3,
) -> DVec3 {
    let score = standing(0.0);
    let pose = score.pose(figure, 0.0);
    let place = place(&score.spaces(figure, 0.0));
    let (start, way) = (place.point(from), place.rotation * direction.normalize());
    let skin = figure.skin.posed(&pose);
    let out = skin
        .ray_out(&joints_of(figure, part), start, way)
        .unwrap_or(start + way * 0.1);
    place.rotation.inverse() * (out - place.origin)
}

/// Times of `count` keys from one moment to another.
fn times(from_secs: f64, to_secs: f64, count: usize) -> Vec<f64> {
    (0..count)
        .map(|key| from_secs + (to_secs - from_secs) * key as f64 / (count - 1) as f64)
        .collect()
}

fn clear_keys(from_secs: f64, to_secs: f64, count: usize) -> Vec<(f64, f64)> {
    times(from_secs, to_secs, count)
        .into_iter()
        .map(|secs| (secs, 0.0))
        .collect()
}

/// Fingers scratch the chin; the other arm supports the elbow's side.
pub(crate) fn chin(figure: &'static Figure) -> Draft {
    let (touch_secs, leave_secs) = (1.7, 4.9);
    let side = Side::Right;
    let curl = 24.0 * DEGREE;
    let mut score = standing(6.6);
    score.chest = turn(
        &[(0.4, 0.0), (1.6, 4.0), (4.9, 5.0), (6.0, 0.0)],
        &[(0.4, 0.0), (1.6, 2.5), (5.0, 2.5), (6.0, 0.0)],
        &[(0.4, 0.0), (1.6, 2.0), (5.0, 2.0), (6.0, 0.0)],
    );
    score.head = turn(
        &[
            (0.4, 0.0),
            (1.6, 14.0),
            (3.0, 16.0),
            (3.7, -8.0),
            (4.9, -9.0),
            (6.0, 0.0),
        ],
        &[
            (0.4, 0.0),
            (1.6, 9.0),
            (3.0, 8.0),
            (3.7, -5.0),
            (4.8, -6.0),
            (5.6, 4.0),
            (6.3, 0.0),
        ],
        &[
            (0.4, 0.0),
            (1.6, -5.0),
            (3.2, -5.0),
            (4.0, 4.0),
            (5.0, 4.0),
            (6.0, 0.0),
        ],
    );
    let chin = skin_from(
        figure,
        TouchPart::Brow,
        |spaces| spaces.head,
        DVec3::new(0.0, 0.035, 0.0),
        DVec3::new(0.0, -0.55, 1.0),
    );
    let along = DVec3::new(-0.42, 0.80, -0.30);
    let palm = DVec3::new(0.25, 0.25, -1.0);
    let rotation = hand_rotation(side, along_of(along, side), along_of(palm, side));
    let out = DVec3::new(-0.05, -0.45, 0.9).normalize();
    let point = hand_point(
        figure,
        side,
        TouchPart::Fingertips(side),
        curl,
        rotation.inverse() * -out,
    );
    // To and fro along the jaw, three times, with a pause for thought.
    let strokes = Path::through(&[
        (touch_secs, DVec3::new(0.0, 0.0, 0.0)),
        (2.0, DVec3::new(-0.004, -0.008, 0.0)),
        (2.25, DVec3::new(0.002, 0.006, 0.0)),
        (2.5, DVec3::new(-0.004, -0.009, 0.0)),
        (2.75, DVec3::new(0.002, 0.006, 0.0)),
        (3.0, DVec3::new(-0.003, -0.007, 0.0)),
        (3.3, DVec3::ZERO),
        (3.9, DVec3::ZERO),
        (4.15, DVec3::new(-0.003, -0.008, 0.0)),
        (4.4, DVec3::new(0.002, 0.005, 0.0)),
        (leave_secs, DVec3::new(0.0, -0.004, 0.0)),
    ]);
    score.hands[1].holds.push(Hold {
        secs: [0.45, touch_secs, leave_secs, 6.1],
        grip: Arc::new(move |secs, spaces: &Spaces| {
            let head = &spaces.head;
            Grip {
                at: head.point(chin + strokes.at(secs)),
                along: head.rotation * along_of(along, side),
                palm: head.rotation * along_of(palm, side),
                elbow: spaces.chest.rotation * along_of(DVec3::new(0.35, -1.0, 0.1), side),
                out: head.rotation * out,
            }
        }),
        point,
        bow_m: 0.15,
        rise_m: 0.0,
        clear_m: clear_keys(touch_secs, leave_secs, 14),
    });
    score.hands[1].curl = degrees(&[(0.6, 18.0), (1.5, 24.0), (5.0, 24.0), (6.0, 18.0)]);
    let left_m = Line::through(&[
        (0.3, 0.0),
        (1.6, 0.03),
        (3.2, 0.03),
        (4.1, -0.02),
        (6.0, 0.0),
    ]);
    let score = settled(score, figure, &left_m, STANDING_KNEE);
    let parts = [TouchPart::Fingertips(side), TouchPart::Chin];
    let score = meet_skin(score, figure, 1, parts, 5);
    Draft::of(score).touching(parts[0], parts[1], touch_secs, leave_secs)
}

/// A vector of the left side on a side.
fn along_of(vector: DVec3, side: Side) -> DVec3 {
    mirrored(vector, side)
}

/// The back of the hand wipes the brow from one side to the other.
pub(crate) fn brow(figure: &'static Figure) -> Draft {
    let (touch_secs, leave_secs) = (1.55, 2.75);
    let side = Side::Right;
    let curl = 14.0 * DEGREE;
    let mut score = standing(5.6);
    score.chest = turn(
        &[(0.4, 0.0), (1.5, -4.0), (2.8, 3.0), (4.0, 0.0)],
        &[
            (0.3, 0.0),
            (0.9, 4.0),
            (1.6, 3.0),
            (2.8, 1.0),
            (3.6, -3.5),
            (4.4, 2.5),
            (5.3, 0.0),
        ],
        &[(0.4, 0.0), (1.5, 3.0), (2.8, -1.0), (4.0, 0.0)],
    );
    score.head = turn(
        &[(0.4, 0.0), (1.5, -8.0), (2.8, 8.0), (3.8, 0.0)],
        &[
            (0.3, 0.0),
            (1.5, 13.0),
            (2.8, 8.0),
            (3.7, -9.0),
            (4.5, 3.0),
            (5.3, 0.0),
        ],
        &[(0.4, 0.0), (1.5, 4.0), (2.8, -4.0), (4.0, 0.0)],
    );
    let share = move |secs: f64| crate::curve::ease((secs - touch_secs - 0.1) / 1.0);
    let azimuth = move |secs: f64| (-22.0 + 46.0 * share(secs)) * DEGREE;
    let spots: Vec<DVec3> = (0..=8)
        .map(|spot| {
            let angle = (-22.0 + 46.0 * f64::from(spot) / 8.0) * DEGREE;
            skin_from(
                figure,
                TouchPart::Brow,
                |spaces| spaces.head,
                DVec3::new(0.0, 0.125, 0.01),
                DVec3::new(angle.sin(), 0.2, angle.cos()),
            )
        })
        .collect();
    let spot_keys: Vec<(f64, DVec3)> = spots
        .iter()
        .enumerate()
        .map(|(spot, &at)| (spot as f64 / 8.0, at))
        .collect();
    let along_brow = Path::through(&spot_keys);
    let along = DVec3::new(-0.93, 0.34, 0.10);
    let palm = DVec3::new(0.05, 0.05, 1.0);
    let point = hand_point(figure, side, TouchPart::Hand(side), curl, DVec3::Y);
    // On its way up the hand turns palm down first, which is how a forearm can turn.
    let raised = HandPose {
        wrist: DVec3::new(0.29, -0.14, 0.34),
        along: DVec3::new(-0.35, 0.45, 0.8),
        palm: DVec3::new(-0.4, -0.85, 0.25),
        elbow: DVec3::new(0.9, -0.7, -0.3),
    };
    let keys = [
        (0.3, at_side()),
        (0.95, raised),
        (3.35, raised),
        (4.3, at_side()),
    ];
    score.hands[1] = HandPlan::through(side, &keys);
    score.hands[1].holds.push(Hold {
        secs: [0.75, touch_secs, leave_secs, 3.55],
        grip: Arc::new(move |secs, spaces: &Spaces| {
            let head = &spaces.head;
            let around = glam::DQuat::from_rotation_y(azimuth(secs));
            Grip {
                at: head.point(along_brow.at(share(secs))),
                along: head.rotation * (around * along_of(along, side)),
                palm: head.rotation * (around * along_of(palm, side)),
                elbow: spaces.chest.rotation * along_of(DVec3::new(1.0, 0.1, 0.35), side),
                out: head.rotation * (around * DVec3::Z),
            }
        }),
        point,
        bow_m: 0.14,
        rise_m: 0.0,
        clear_m: clear_keys(touch_secs, leave_secs, 15),
    });
    score.hands[1].curl = degrees(&[(0.6, 18.0), (1.4, 14.0), (2.9, 14.0), (4.2, 18.0)]);
    let left_m = Line::through(&[(0.3, 0.0), (1.6, 0.02), (3.0, -0.02), (4.6, 0.0)]);
    let score = settled(score, figure, &left_m, STANDING_KNEE);
    let parts = [TouchPart::Hand(side), TouchPart::Brow];
    let score = meet_skin(score, figure, 1, parts, 5);
    Draft::of(score).touching(parts[0], parts[1], touch_secs, leave_secs)
}

/// Hands on hips; the weight goes from foot to foot.
pub(crate) fn hips(figure: &'static Figure) -> Draft {
    let spans = [[0.5, 1.55, 5.9, 7.0], [0.35, 1.4, 6.05, 7.15]];
    let mut score = standing(7.6);
    let shift = [
        (0.8, 0.0),
        (1.7, 0.055),
        (3.3, 0.06),
        (4.2, -0.055),
        (5.8, -0.06),
        (6.9, 0.0),
    ];
    let left_m = Line::through(&shift);
    // The hip over the standing leg is high, the chest leans the other way.
    score.pelvis.turn.roll = left_m.times(-75.0 * DEGREE);
    score.pelvis.turn.yaw = left_m.times(-55.0 * DEGREE);
    score.chest = TurnPlan {
        yaw: left_m.times(60.0 * DEGREE),
        pitch: degrees(&[(0.4, 0.0), (1.5, -3.0), (6.0, -3.0), (7.0, 0.0)]),
        roll: left_m.times(38.0 * DEGREE),
    };
    score.head = turn(
        &[
            (0.8, 0.0),
            (1.9, -22.0),
            (3.0, -24.0),
            (4.3, 26.0),
            (5.6, 28.0),
            (6.8, 0.0),
        ],
        &[(0.5, 0.0), (1.8, 3.0), (3.3, -2.0), (4.4, 3.0), (6.5, 0.0)],
        &[(1.0, 0.0), (2.0, 2.0), (3.4, 2.0), (4.5, -3.0), (6.5, 0.0)],
    );
    for (index, side) in SIDES.into_iter().enumerate() {
        let at = skin_from(
            figure,
            TouchPart::Hip(side),
            |spaces| spaces.pelvis,
            DVec3::new(0.0, 0.085, 0.0),
            mirrored(DVec3::new(1.0, 0.0, 0.22), side),
        );
        let along = DVec3::new(-0.30, -0.42, 0.86);
        let palm = DVec3::new(-0.92, -0.28, -0.30);
        let rotation = hand_rotation(side, mirrored(along, side), mirrored(palm, side));
        let out = mirrored(DVec3::new(0.97, 0.0, 0.2), side);
        let point = hand_point(
            figure,
            side,
            TouchPart::Hand(side),
            16.0 * DEGREE,
            rotation.inverse() * -out,
        );
        score.hands[index].holds.push(Hold {
            secs: spans[index],
            grip: Arc::new(move |_, spaces: &Spaces| {
                let pelvis = &spaces.pelvis;
                Grip {
                    at: pelvis.point(at),
                    along: pelvis.rotation * mirrored(along, side),
                    palm: pelvis.rotation * mirrored(palm, side),
                    elbow: spaces.chest.rotation * mirrored(DVec3::new(1.0, 0.1, -0.75), side),
                    out: pelvis.rotation * out,
                }
            }),
            point,
            bow_m: 0.07,
            rise_m: 0.0,
            clear_m: clear_keys(spans[index][1], spans[index][2], 6),
        });
        score.hands[index].curl = Line::level(16.0 * DEGREE);
    }
    let score = settled(score, figure, &left_m, STANDING_KNEE);
    let mut draft = Draft::of(score);
    for (index, side) in SIDES.into_iter().enumerate() {
        let parts = [TouchPart::Hand(side), TouchPart::Hip(side)];
        draft.score = meet_skin(draft.score, figure, index, parts, 5);
        draft = draft.touching(parts[0], parts[1], spans[index][1], spans[index][2]);
    }
    draft
}

/// Arms folded: the left forearm lies before the trunk, the right one over it.
pub(crate) fn folded(figure: &'static Figure) -> Draft {
    let spans = [[0.4, 1.5, 5.6, 6.7], [0.6, 1.75, 5.4, 6.6]];
    let mut score = standing(7.2);
    let left_m = Line::through(&[
        (0.8, 0.0),
        (2.0, 0.035),
        (3.6, 0.04),
        (4.6, -0.03),
        (6.6, 0.0),
    ]);
    score.pelvis.turn.roll = left_m.times(-70.0 * DEGREE);
    score.chest = turn(
        &[(0.5, 0.0), (2.0, -3.0), (3.6, -3.0), (4.6, 4.0), (6.6, 0.0)],
        &[
            (0.4, 0.0),
            (1.7, -2.5),
            (3.9, -2.5),
            (4.4, 1.5),
            (5.2, -2.0),
            (6.6, 0.0),
        ],
        &[(0.4, 0.0), (2.0, 1.5), (3.8, 1.5), (4.6, -1.5), (6.6, 0.0)],
    );
    score.head = turn(
        &[
            (0.7, 0.0),
            (2.1, -18.0),
            (3.5, -20.0),
            (4.5, 20.0),
            (5.5, 18.0),
            (6.7, 0.0),
        ],
        &[
            (0.4, 0.0),
            (1.3, 12.0),
            (2.1, 0.0),
            (4.0, -3.0),
            (5.0, 3.0),
            (5.9, 10.0),
            (6.9, 0.0),
        ],
        &[(0.7, 0.0), (2.2, 4.0), (3.6, 4.0), (4.6, -4.0), (6.5, 0.0)],
    );
    // Left: low and close to the trunk; right: over it.
    let places = [
        (
            DVec3::new(-0.06, -0.27, 0.165),
            DVec3::new(-1.0, 0.10, -0.12),
            DVec3::new(0.0, -0.25, -1.0),
        ),
        (
            DVec3::new(-0.05, -0.245, 0.235),
            DVec3::new(-1.0, 0.16, -0.10),
            DVec3::new(0.0, -0.35, -1.0),
        ),
    ];
    for (index, side) in SIDES.into_iter().enumerate() {
        let (wrist, along, palm) = places[index];
        score.hands[index].holds.push(Hold {
            secs: spans[index],
            grip: Arc::new(move |_, spaces: &Spaces| {
                let chest = &spaces.chest;
                Grip {
                    at: chest.point(mirrored(wrist, side)),
                    along: chest.rotation * mirrored(along, side),
                    palm: chest.rotation * mirrored(palm, side),
                    elbow: chest.rotation * mirrored(DVec3::new(0.8, -0.9, 0.05), side),
                    out: chest.rotation * DVec3::new(0.0, 0.1, 1.0).normalize(),
                }
            }),
            point: DVec3::ZERO,
            bow_m: 0.12,
            rise_m: 0.0,
            clear_m: clear_keys(spans[index][1], spans[index][2], 8),
        });
        score.hands[index].curl = Line::level(14.0 * DEGREE);
    }
    let score = settled(score, figure, &left_m, STANDING_KNEE);
    let [left, right] = SIDES.map(TouchPart::Forearm);
    let score = meet_skin(score, figure, 0, [left, TouchPart::Hip(Side::Left)], 5);
    let score = meet_skin(score, figure, 1, [right, left], 5);
    Draft::of(score).touching(right, left, spans[1][1], spans[1][2])
}
