//! What stands on the floor: heel, ball and toe of a foot as points, and the pose in which the
//! foot lies flat.

use std::fmt;

use understudy_anatomy::{Body, JointPoint, Leg, Side};
use understudy_motion::{Clip, DQuat, DVec3, Skeleton, Surface, WorldPose, signal};

use crate::contacts::FootPart;
use crate::floor::{Floor, fit_slope};
use crate::sole_skin::{FootPose, SoleSkin, Vertex};

/// Distance from heel to ankle over distance from ankle to toe tip, along the foot. The ankle lies
/// at a quarter of the foot's length from the heel: 0.25 / 0.75. From memory; the foot of the
/// `humanoid.urdf` in the PyPI package `pybullet` has 43.5 mm of 177 mm, 0.246.
const HEEL_SHARE: f64 = 0.333;

/// Place of the ball on a foot of one piece, from the ankle (0) to the toe tip (1). From memory:
/// the ball lies at about 70 % of the foot's length from the heel; (0.70 − 0.25) / 0.75.
const BALL_SHARE: f64 = 0.6;

/// How far from the joint of the toes (0) towards their tip (1) the ball may lie on the skin.
const MOST_AHEAD: f64 = 0.75;

/// Largest tilt, radians, by which a foot in rest may differ from one standing flat and still be
/// levelled by itself: beyond it the foot is rather on its toes, or the rest pose is not one.
const MOST_LEVELLING: f64 = 0.8;

/// The sole of one foot. Points are fixed to joints; rotations are of a world with Y up.
#[derive(Clone, Debug, PartialEq)]
pub struct Foot {
    /// Side of the body.
    pub side: Side,
    /// Pair of legs.
    pub pair: usize,
    /// Ankle joint: carries the heel.
    pub ankle: usize,
    /// Joint that carries ball and toe; the ankle where the foot is one piece.
    pub toe_joint: usize,
    /// Back end of the sole; `None` for a leg that walks on its toes.
    pub heel: Option<JointPoint>,
    /// What is held as the ball: the sole below the joints of the toes; with a skin, further ahead, where that
    /// begins to go with the toes alone.
    pub ball: JointPoint,
    /// The sole below the joints of the toes.
    pub below_toe_joint: JointPoint,
    /// Front end of the sole.
    pub toe: JointPoint,
    /// `world_from_ankle` of a foot that stands flat on a level floor, heading as in rest.
    pub flat_ankle: DQuat,
    /// `world_from_toe_joint` likewise.
    pub flat_toes: DQuat,
    /// Level unit vector of the heading in the flat pose.
    pub heading: DVec3,
    /// Its skin, less what hangs lower than the sole; empty without a surface.
    pub skin: SoleSkin,
}

impl Foot {
    /// Whether ankle and toes are one rigid piece.
    pub fn is_one_piece(&self) -> bool {
        self.ankle == self.toe_joint
    }

    /// The point of a part, where the foot has that part.
    pub fn point(&self, part: FootPart) -> Option<JointPoint> {
        match part {
            FootPart::Heel => self.heel,
            FootPart::Ball => Some(self.ball),
            FootPart::Toe => Some(self.toe),
        }
    }

    /// Height of its lowest point above a floor, metres along Y, negative below it: of the skin where it
    /// has one, else of heel, ball and toe.
    pub fn lowest_m(&self, world: &WorldPose, floor: &Floor) -> f64 {
        self.skin
            .lowest_m(&self.pose(world), floor)
            .unwrap_or_else(|| {
                let points = FootPart::ALL
                    .into_iter()
                    .filter_map(|part| self.point(part));
                let heights = points.map(|point| floor.above(point.world(world)));
                heights.fold(f64::INFINITY, f64::min)
            })
    }

    fn pose(&self, world: &WorldPose) -> FootPose {
        FootPose {
            ankle: world.position(self.ankle),
            ankle_rotation: world.rotation(self.ankle),
            toe_joint: world.position(self.toe_joint),
            toe_rotation: world.rotation(self.toe_joint),
        }
    }

    /// Some vertices of its skin that lie lowest, as far from each other as they may be. None without a
    /// skin.
    pub(crate) fn lowest_vertices(&self, world: &WorldPose, floor: &Floor) -> Vec<Vertex> {
        /// Lying as low, metres; vertices named at most.
        const AS_LOW_M: f64 = 1e-3;
        const MOST: usize = 4;
        let pose = self.pose(world);
        let lowest = self.skin.lowest_vertices(&pose, floor, AS_LOW_M);
        let placed = lowest.into_iter();
        let mut left: Vec<(DVec3, Vertex)> =
            placed.map(|vertex| (vertex.place(&pose), vertex)).collect();
        let mut kept: Vec<(DVec3, Vertex)> = Vec::new();
        while kept.len() < MOST {
            // How low the first is, then how far from those that there are.
            let merit = |(point, _): &(DVec3, Vertex)| {
                let far = kept.iter().map(|kept| kept.0.distance(*point));
                far.reduce(f64::min).unwrap_or(-floor.above(*point))
            };
            let best = (0..left.len()).max_by(|&a, &b| merit(&left[a]).total_cmp(&merit(&left[b])));
            let Some(best) = best.map(|best| left.swap_remove(best)) else {
                break;
            };
            kept.push(best);
        }
        kept.into_iter().map(|(_, vertex)| vertex).collect()
    }

    /// A vertex of its skin as (joint, weight, the place in the joint's coordinates, metres); `world` is any
    /// pose.
    pub(crate) fn in_joints(&self, vertex: &Vertex, world: &WorldPose) -> [(usize, f64, DVec3); 2] {
        let local = |joint: usize, at: DVec3| world.affines[joint].inverse().transform_point3(at);
        let [by_ankle, by_toes] = vertex.by_each(&self.pose(world));
        let share = vertex.toe_share;
        [
            (self.ankle, 1.0 - share, local(self.ankle, by_ankle)),
            (self.toe_joint, share, local(self.toe_joint, by_toes)),
        ]
    }

    /// The foot of a leg in a rest pose whose up is Y. `flat_up` gives the floor's normal in the
    /// coordinates of ankle and toe joint for a foot that stands flat; where it is `None` the
    /// rest pose is taken to stand flat.
    pub fn new(
        leg: &Leg,
        rest: &WorldPose,
        skin: Option<&LegSkin<'_>>,
        flat_up: Option<(DVec3, DVec3)>,
    ) -> Self {
        let (ankle, toe_joint) = (leg.ankle, leg.toe_joint());
        let levelled = |joint: usize, up_in_joint: Option<DVec3>| {
            let rotation = rest.rotation(joint);
            match up_in_joint {
                Some(up) => {
                    DQuat::from_rotation_arc((rotation * up).normalize(), DVec3::Y) * rotation
                }
                None => rotation,
            }
        };
        let flat_ankle = levelled(ankle, flat_up.map(|up| up.0));
        let flat_toes = levelled(toe_joint, flat_up.map(|up| up.1));
        // Offsets from the ankle with the foot laid flat.
        let turn_ankle = flat_ankle * rest.rotation(ankle).inverse();
        let turn_toes = flat_toes * rest.rotation(toe_joint).inverse();
        let to_ball_joint = turn_ankle * (rest.position(toe_joint) - rest.position(ankle));
        let to_tip =
            to_ball_joint + turn_toes * (leg.toe_tip.world(rest) - rest.position(toe_joint));
        let forward = level(to_tip).or(level(to_ball_joint)).unwrap_or(DVec3::Z);
        let flesh = Flesh::of(
            leg,
            rest,
            skin.map(|skin| skin.points),
            turn_ankle,
            turn_toes,
            to_ball_joint,
            forward,
        );
        let sole = flesh
            .lowest
            .unwrap_or(f64::INFINITY)
            .min(to_ball_joint.y)
            .min(to_tip.y);
        let reach = to_tip.dot(forward).max(0.0);
        let side_of = |offset: DVec3| offset - forward * offset.dot(forward);
        let tip = to_tip + forward * (flesh.front.unwrap_or(reach).max(reach) - reach);
        let at_sole = |offset: DVec3| DVec3::new(offset.x, sole, offset.z);
        let flat = FootPose {
            ankle: DVec3::ZERO,
            ankle_rotation: flat_ankle,
            toe_joint: to_ball_joint,
            toe_rotation: flat_toes,
        };
        let skin = skin.map_or_else(SoleSkin::default, |skin| skin.skin.above_sole(&flat, sole));
        let below_toe_joint = if toe_joint == ankle {
            to_tip * BALL_SHARE
        } else {
            to_ball_joint
        };
        // Skin that goes with ankle and toes slides while one turns against the other: what is held is the
        // first that does not. In a foot of one piece all goes with the ankle, and it is where it was.
        let room_m = MOST_AHEAD * (to_tip - below_toe_joint).dot(forward).max(0.0);
        let below = at_sole(below_toe_joint);
        let ball = below_toe_joint + forward * skin.toes_begin_m(&flat, below, (forward, room_m));
        let back = flesh
            .back
            .unwrap_or(-HEEL_SHARE * reach)
            .min(-0.1 * HEEL_SHARE * reach);
        let heel = side_of(DVec3::ZERO) + forward * back;
        let fixed = |joint: usize, offset: DVec3| {
            let (origin, rotation) = if joint == ankle {
                (DVec3::ZERO, flat_ankle)
            } else {
                (to_ball_joint, flat_toes)
            };
            JointPoint {
                joint,
                local: unscaled(rest, joint, rotation.inverse() * (offset - origin)),
            }
        };
        Self {
            side: leg.side,
            pair: leg.pair,
            ankle,
            toe_joint,
            heel: (!leg.digitigrade).then(|| fixed(ankle, at_sole(heel))),
            ball: fixed(toe_joint, at_sole(ball)),
            below_toe_joint: fixed(toe_joint, at_sole(below_toe_joint)),
            toe: fixed(toe_joint, at_sole(tip)),
            flat_ankle,
            flat_toes,
            heading: forward,
            skin,
        }
    }

    /// Height of the ankle above the sole of a foot that stands flat, metres.
    pub fn ankle_height_m(&self, rest: &WorldPose) -> f64 {
        let vector = |from: usize, local: DVec3| rest.affines[from].transform_vector3(local);
        let flat =
            |joint: usize, flat: DQuat, world: DVec3| flat * rest.rotation(joint).inverse() * world;
        let mut offset = flat(
            self.toe_joint,
            self.flat_toes,
            vector(self.toe_joint, self.ball.local),
        );
        if !self.is_one_piece() {
            let bone = rest.position(self.toe_joint) - rest.position(self.ankle);
            offset += flat(self.ankle, self.flat_ankle, bone);
        }
        -offset.y
    }
}

/// The skin around one foot at rest.
#[derive(Clone, Copy, Debug)]
pub struct LegSkin<'a> {
    /// Points of the skin of each joint of the skeleton, in its coordinates, metres.
    points: &'a [Vec<DVec3>],
    /// All vertices of the foot.
    skin: &'a SoleSkin,
}

/// What the surface is around all feet, at rest.
struct FeetSkin {
    points: Vec<Vec<DVec3>>,
    /// One per leg of the body.
    feet: Vec<SoleSkin>,
}

impl FeetSkin {
    fn new(surface: &Surface, skeleton: &Skeleton, body: &Body, rest: &WorldPose) -> Self {
        let meshes = surface.meshes.iter();
        let places: Vec<Vec<DVec3>> = meshes.map(|mesh| mesh.posed(rest)).collect();
        let legs = body.legs.iter();
        let feet = legs.map(|leg| SoleSkin::new((surface, &places), skeleton, leg, rest));
        Self {
            points: surface.points_by_joint(skeleton.len(), rest),
            feet: feet.collect(),
        }
    }

    fn of(&self, leg: usize) -> LegSkin<'_> {
        LegSkin {
            points: &self.points,
            skin: &self.feet[leg],
        }
    }
}

/// The level direction of a vector; `None` where it is (nearly) upright.
fn level(vector: DVec3) -> Option<DVec3> {
    let flat = DVec3::new(vector.x, 0.0, vector.z);
    (flat.length() > 1e-3 * vector.length()).then(|| flat.normalize_or_zero())
}

/// A vector of world length in a joint's own coordinates, whose axes may be scaled.
fn unscaled(rest: &WorldPose, joint: usize, rotated: DVec3) -> DVec3 {
    let world = rest.rotation(joint) * rotated;
    rest.affines[joint].inverse().transform_vector3(world)
}

/// What the surface adds to the bones: extents relative to the ankle with the foot laid flat.
#[derive(Default)]
struct Flesh {
    lowest: Option<f64>,
    back: Option<f64>,
    front: Option<f64>,
}

impl Flesh {
    fn of(
        leg: &Leg,
        rest: &WorldPose,
        surface_points: Option<&[Vec<DVec3>]>,
        turn_ankle: DQuat,
        turn_toes: DQuat,
        to_ball_joint: DVec3,
        forward: DVec3,
    ) -> Self {
        let Some(points) = surface_points else {
            return Self::default();
        };
        let toe_joint = leg.toe_joint();
        let place = |joint: usize, turn: DQuat, origin: DVec3| -> Vec<DVec3> {
            let at = rest.position(joint);
            points[joint]
                .iter()
                .map(|p| origin + turn * (rest.point(joint, *p) - at))
                .collect()
        };
        let mut offsets = place(leg.ankle, turn_ankle, DVec3::ZERO);
        if toe_joint != leg.ankle {
            offsets.extend(place(toe_joint, turn_toes, to_ball_joint));
        }
        let Some(lowest) = offsets.iter().map(|p| p.y).min_by(f64::total_cmp) else {
            return Self::default();
        };
        // The sole is what lies within a tenth of the foot's height of its lowest point.
        let limit = lowest - 0.1 * lowest;
        let along = |pick: fn(f64, f64) -> f64| {
            offsets
                .iter()
                .filter(|p| p.y <= limit)
                .map(|p| p.dot(forward))
                .reduce(pick)
        };
        Self {
            lowest: Some(lowest),
            back: along(f64::min),
            front: along(f64::max),
        }
    }
}

/// How the height of a floor is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FloorSource {
    /// A person gave it.
    Given,
    /// From soles that stand still.
    StandingSoles,
    /// From the lowest soles of a take in which no foot stands still.
    LowestSoles,
    /// There are no feet; height 0.
    Nothing,
}

impl fmt::Display for FloorSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Given => "given",
            Self::StandingSoles => "found from soles that stand still",
            Self::LowestSoles => "found from the lowest soles, since no foot stands still",
            Self::Nothing => "taken at height 0, since there are no feet to find it by",
        })
    }
}

/// The feet of a take and its floor.
#[derive(Clone, Debug, PartialEq)]
pub struct Stance {
    /// One foot per leg of the body, in the same order.
    pub feet: Vec<Foot>,
    /// The floor.
    pub floor: Floor,
    /// How it was found.
    pub floor_source: FloorSource,
    /// What was found, for people.
    pub notes: Vec<String>,
}

/// Levels the feet of a performer and finds the floor from the frames in which feet stand still.
///
/// `clip` has Y up; `worlds` are its world poses; `surface`, where there is one, refines the soles.
pub fn find_stance(
    clip: &Clip,
    worlds: &[WorldPose],
    body: &Body,
    surface: Option<&Surface>,
    floor_height_m: Option<f64>,
    may_slope: bool,
) -> Stance {
    let rest = clip.skeleton.rest_world();
    let finder = StanceFinder {
        clip,
        worlds,
        body,
        skin: surface.map(|surface| FeetSkin::new(surface, &clip.skeleton, body, &rest)),
        rest,
        leg_length_m: body.leg_length_m(&clip.skeleton).unwrap_or(1.0),
    };
    let leg_length = finder.leg_length_m;
    let level = finder.footing(&Floor::default(), true);
    let sloped = (may_slope && floor_height_m.is_none()).then(|| finder.sloped());
    let (found, floor, floor_source) = match (floor_height_m, sloped.flatten()) {
        (Some(height), _) => (level, Floor::level(height), FloorSource::Given),
        (None, Some((found, floor))) => (found, floor, FloorSource::StandingSoles),
        (None, None) => {
            let (floor, source) = estimated_floor(&level, worlds, leg_length);
            (level, floor, source)
        }
    };
    let mut notes = found.notes();
    let feet = found.feet;
    if floor_source == FloorSource::Given {
        notes.extend(wrong_floor(&floor, &feet, worlds, leg_length));
    }
    if matches!(
        floor_source,
        FloorSource::LowestSoles | FloorSource::Nothing
    ) {
        notes.push(format!("floor: {floor_source}"));
    }
    Stance {
        feet,
        floor,
        floor_source,
        notes,
    }
}

/// What finding a stance works on.
struct StanceFinder<'a> {
    clip: &'a Clip,
    worlds: &'a [WorldPose],
    body: &'a Body,
    rest: WorldPose,
    skin: Option<FeetSkin>,
    leg_length_m: f64,
}

/// Rounds in which feet are levelled against the slope found before.
const SLOPE_ROUNDS: usize = 4;

impl StanceFinder<'_> {
    /// Feet laid flat on a floor. `low_only` leaves out those that stand higher than the lowest
    /// ones.
    fn footing(&self, floor: &Floor, low_only: bool) -> Footing {
        let step = self.clip.frame_time_secs;
        let mut found = Footing::default();
        for (index, leg) in self.body.legs.iter().enumerate() {
            let low = low_only.then_some(floor);
            let still = still_frames(leg, self.worlds, self.leg_length_m, step, low);
            let up = flat_up(leg, &self.rest, self.worlds, &still, step, floor.normal);
            let foot = Foot::new(
                leg,
                &self.rest,
                self.skin.as_ref().map(|skin| skin.of(index)).as_ref(),
                up,
            );
            for &frame in &still {
                let heel = foot.heel.map(|heel| heel.world(&self.worlds[frame]));
                found.soles.extend(heel);
                found.soles.push(foot.ball.world(&self.worlds[frame]));
            }
            found.stands_flat.push(up.is_some());
            found.feet.push(foot);
        }
        found
    }

    /// Feet and floor of a take that climbs or descends; `None` where it shows no clear slope.
    fn sloped(&self) -> Option<(Footing, Floor)> {
        let mut found = self.footing(&Floor::default(), false);
        let mut floor = fit_slope(&found.soles, self.leg_length_m)?;
        for _ in 0..SLOPE_ROUNDS {
            // A foot that stands flat on a slope is not level.
            found = self.footing(&floor, true);
            floor = fit_slope(&found.soles, self.leg_length_m)?;
        }
        Some((found, floor))
    }
}

/// Feet laid flat on a floor.
#[derive(Default)]
struct Footing {
    /// One per leg of the body.
    feet: Vec<Foot>,
    /// Whether the take shows each of them standing flat.
    stands_flat: Vec<bool>,
    /// Heels and balls in frames in which their foot stands still, world, metres.
    soles: Vec<DVec3>,
}

impl Footing {
    fn notes(&self) -> Vec<String> {
        self.feet
            .iter()
            .zip(&self.stands_flat)
            .filter(|(_, stands_flat)| !**stands_flat)
            .map(|(foot, _)| {
                format!(
                    "{} foot: it never stands flat and still, so its rest pose counts as flat",
                    foot.side.word()
                )
            })
            .collect()
    }
}

fn estimated_floor(
    found: &Footing,
    worlds: &[WorldPose],
    leg_length_m: f64,
) -> (Floor, FloorSource) {
    let heights: Vec<f64> = found.soles.iter().map(|p| p.y).collect();
    if let Some(low) = signal::quantile(&heights, 0.1) {
        // Feet that stand on a box or a stool are not on the floor.
        let near: Vec<f64> = heights
            .into_iter()
            .filter(|height| *height < low + 0.06 * leg_length_m)
            .collect();
        if let Some(height) = signal::median(&near) {
            return (Floor::level(height), FloorSource::StandingSoles);
        }
    }
    match low_sole(&Floor::default(), &found.feet, worlds) {
        Some(height) => (Floor::level(height), FloorSource::LowestSoles),
        None => (Floor::default(), FloorSource::Nothing),
    }
}

/// How high the lowest soles of a take stand above a floor, metres: the lowest tenth of all
/// frames. `None` without feet.
fn low_sole(floor: &Floor, feet: &[Foot], worlds: &[WorldPose]) -> Option<f64> {
    let lowest: Vec<f64> = worlds
        .iter()
        .filter_map(|world| {
            feet.iter()
                .flat_map(|foot| foot.heel.into_iter().chain([foot.ball, foot.toe]))
                .map(|point| floor.above(point.world(world)))
                .min_by(f64::total_cmp)
        })
        .collect();
    signal::quantile(&lowest, 0.1)
}

/// What to say of a given floor that no foot stands on.
fn wrong_floor(
    floor: &Floor,
    feet: &[Foot],
    worlds: &[WorldPose],
    leg_length_m: f64,
) -> Option<String> {
    let height = low_sole(floor, feet, worlds)?;
    let word = if height > 0.0 { "below" } else { "above" };
    (height.abs() > 0.1 * leg_length_m).then(|| {
        format!(
            "floor: the one given lies {:.2} m {word} the lowest soles of the take; is its height right?",
            height.abs()
        )
    })
}

/// Frames in which ankle and toe rest; with a floor, only those in which the ankle is as low above
/// it as it gets.
fn still_frames(
    leg: &Leg,
    worlds: &[WorldPose],
    leg_length_m: f64,
    frame_time_secs: f64,
    floor: Option<&Floor>,
) -> Vec<usize> {
    let track = |point: JointPoint| -> Vec<DVec3> {
        let points: Vec<DVec3> = worlds.iter().map(|world| point.world(world)).collect();
        signal::low_pass_points(&points, 12.0, frame_time_secs)
    };
    let ankle = track(JointPoint::origin(leg.ankle));
    let toe = track(leg.toe_tip);
    let is_slow = |points: &[DVec3]| -> Vec<bool> {
        signal::velocity(points, frame_time_secs)
            .iter()
            .map(|v| v.length() < 0.2 * leg_length_m)
            .collect()
    };
    let (slow_ankle, slow_toe) = (is_slow(&ankle), is_slow(&toe));
    let heights: Vec<f64> = ankle
        .iter()
        .map(|p| floor.map_or(0.0, |floor| floor.above(*p)))
        .collect();
    let low = signal::quantile(&heights, 0.05).unwrap_or(0.0) + 0.05 * leg_length_m;
    (0..worlds.len())
        .filter(|&i| slow_ankle[i] && slow_toe[i] && heights[i] < low)
        .collect()
}

/// The floor's normal in the coordinates of ankle and toe joint, averaged over still frames;
/// `None` where there are too few or they contradict the rest pose.
fn flat_up(
    leg: &Leg,
    rest: &WorldPose,
    worlds: &[WorldPose],
    still: &[usize],
    frame_time_secs: f64,
    normal: DVec3,
) -> Option<(DVec3, DVec3)> {
    let needed = 3.max((0.05 / frame_time_secs) as usize);
    if still.len() < needed {
        return None;
    }
    let mean_up = |joint: usize| -> Option<DVec3> {
        let coordinate = |axis: usize| {
            let values: Vec<f64> = still
                .iter()
                .map(|&frame| (worlds[frame].rotation(joint).inverse() * normal)[axis])
                .collect();
            signal::median(&values)
        };
        let up = DVec3::new(coordinate(0)?, coordinate(1)?, coordinate(2)?).try_normalize()?;
        let tilt = (rest.rotation(joint) * up).angle_between(DVec3::Y);
        (tilt < MOST_LEVELLING).then_some(up)
    };
    Some((mean_up(leg.ankle)?, mean_up(leg.toe_joint())?))
}

/// The feet of a character at rest, which is taken to stand flat. `surface` refines the soles.
pub fn character_feet(skeleton: &Skeleton, body: &Body, surface: Option<&Surface>) -> Vec<Foot> {
    let rest = skeleton.rest_world();
    let skin = surface.map(|surface| FeetSkin::new(surface, skeleton, body, &rest));
    let legs = body.legs.iter().enumerate();
    legs.map(|(index, leg)| {
        let skin = skin.as_ref().map(|skin| skin.of(index));
        Foot::new(leg, &rest, skin.as_ref(), None)
    })
    .collect()
}
