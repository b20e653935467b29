//! Parts of the body that stay outside each other on the character's skin: which, how deep the
//! performer's own are, and where they go out.
//!
//! What lies in another part goes out at its nearest place, but never through the other side: where
//! the skin there looks away from where the performer's part is, it goes out the performer's way. So a
//! hand that is held before a face stays before it.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use understudy_anatomy::{Body, Side};
use understudy_motion::solid::OnSkin;
use understudy_motion::triangle::corner_shares;
use understudy_motion::{DVec3, Surface, WorldPose, signal};
use understudy_overlap::{Parts, PosedParts, SkinParts};

use super::find::Moving;
use super::goals::{Goal, Meet, PLACE_HZ};
use super::skin::SkinPoint;
use super::{PAIR, Touch, part_words};

/// Which limbs move out of what they are in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Movers {
    /// Arms, out of all else.
    Arms,
    /// Legs, out of all but arms.
    Legs,
}

/// Side and pair of a limb.
pub(crate) type Limb = (Side, usize);

/// Whose parts tell how two parts are to each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Teller {
    /// The performer's own two.
    Performer,
    /// The same limbs of the performer's first pair, for it has no further ones.
    FirstPair,
    /// The character itself, as plain transfer has its bones: the performer lacks one of both.
    Character,
}

/// Two parts that stay apart.
#[derive(Debug)]
struct Kept {
    /// Number of the pair in the skin.
    pair: usize,
    parts: [usize; 2],
    /// The limbs that move, one or both.
    limbs: Vec<Limb>,
    /// Whose two parts tell the way out, which, and a joint of the character's second; none where one of them
    /// is missing.
    told: Option<(Teller, [usize; 2], usize)>,
    /// Found where it is asked for first: most pairs are never near each other.
    way: OnceLock<Way>,
    /// Touches between the two.
    touches: Vec<Touch>,
}

impl Kept {
    /// The touch between the two that a frame belongs to.
    fn touch(&self, frame: usize) -> Option<Touch> {
        let mut touches = self.touches.iter();
        let touch = touches.find(|touch| (touch.first..=touch.last).contains(&frame));
        touch.copied()
    }
}

/// How two parts of the performer are to each other over the clip.
#[derive(Clone, Debug)]
struct Way {
    /// Per frame, how deep they are in each other, metres.
    depths_m: Vec<f64>,
    /// Per frame, the way from the second part to the first, unit, in coordinates of a joint of the
    /// character's second; none where the performer lacks one of both.
    ways: Option<(usize, Vec<DVec3>)>,
}

/// Vertices that were inside before, and are looked at again: pair, whether of its second part, and
/// the vertex.
pub(crate) type Again = BTreeMap<(usize, bool), Vec<usize>>;

/// What stays outside in one frame.
#[derive(Clone, Debug, Default)]
pub(crate) struct Outside {
    /// Points, and their least distance along their normal, metres.
    pub(crate) points: Vec<(Meet, f64)>,
    /// How deep the deepest is beyond what the performer is, metres.
    pub(crate) deepest_m: f64,
    /// Limbs that have to move.
    pub(crate) limbs: Vec<Limb>,
    /// Per goal whose two parts touch now, what goes into what of them.
    pub(crate) touching: Vec<Touching>,
}

/// What two parts that touch have in each other.
#[derive(Clone, Debug)]
pub(crate) struct Touching {
    pub(crate) touch: Touch,
    /// Points that lie inside, or did.
    pub(crate) points: Vec<Meet>,
    /// How deep the deepest is, metres.
    pub(crate) deepest_m: f64,
}

/// Which pairs are looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Pairs {
    /// All.
    All,
    /// Those that touch, and those of which something was inside before.
    Known,
}

/// Points of one pair that are asked for at most in one frame, those looked at to find them, and those
/// that are looked at again.
const MOST_POINTS: usize = 6;
const MOST_LOOKS: usize = 48;
const MOST_AGAIN: usize = 16;

/// Places along a part at which the way to another is taken.
const PLACES: [f64; 3] = [0.15, 0.55, 0.95];

/// Distance of points that are asked for at least, as a share of the body's height.
const APART: f64 = 0.02;

/// Distances of flesh this small count alike, metres.
const FLESH_M: f64 = 0.02;

/// The character's parts that stay apart over a clip.
pub(crate) struct Apart<'a> {
    skin: &'a SkinParts,
    surface: &'a Surface,
    performer: &'a Moving<'a>,
    character: &'a Moving<'a>,
    pairs: Vec<Kept>,
    /// Distance of points that are asked for at least, metres.
    apart_m: f64,
}

impl<'a> Apart<'a> {
    /// Of a performer and a character in plain transfer, with the touches that are kept.
    pub(crate) fn new(
        (skin, parts, surface): (&'a SkinParts, &'a Parts, &'a Surface),
        body: &Body,
        [performer, character]: [&'a Moving<'a>; 2],
        goals: &[Goal],
        movers: Movers,
    ) -> Self {
        let limbs = limb_of_part(parts, body, movers);
        let arms = limb_of_part(parts, body, Movers::Arms);
        let mut pairs = Vec::new();
        for (pair, both) in skin.pairs().enumerate() {
            let mut moved: Vec<Limb> = both.iter().filter_map(|&part| limbs[part]).collect();
            moved.sort_unstable();
            moved.dedup();
            let is_arms = both.iter().any(|&part| arms[part].is_some());
            // Where an arm and a leg meet, the arm goes.
            if moved.is_empty() || (movers == Movers::Legs && is_arms) {
                continue;
            }
            let names = both.map(|part| parts.list[part].name.as_str());
            let is_here = |goal: &&Goal| {
                let [a, b] = [goal.touch.from.words(), goal.touch.to.words()];
                names == [&*a, &*b] || names == [&*b, &*a]
            };
            let touches = goals.iter().filter(is_here);
            let of_joint = &parts.of_joint;
            let joint = of_joint.iter().position(|part| *part == Some(both[1]));
            let told = find_told([performer, character], names);
            let told = told
                .zip(joint)
                .map(|((teller, parts), joint)| (teller, parts, joint));
            pairs.push(Kept {
                pair,
                parts: both,
                limbs: moved,
                told,
                way: OnceLock::new(),
                touches: touches.map(|goal| goal.touch).collect(),
            });
        }
        Self {
            skin,
            surface,
            performer,
            character,
            pairs,
            apart_m: APART * height_m(character.rest),
        }
    }

    /// How the performer's two parts of a pair are to each other.
    fn way<'k>(&self, kept: &'k Kept) -> &'k Way {
        kept.way.get_or_init(|| {
            let worlds = self.character.worlds;
            let Some((teller, [from, other], joint)) = kept.told else {
                return Way {
                    depths_m: vec![0.0; worlds.len()],
                    ways: None,
                };
            };
            let moving = match teller {
                Teller::Performer | Teller::FirstPair => self.performer,
                Teller::Character => self.character,
            };
            let seen = ways(moving, from, other);
            let depths = seen.iter().map(|(gap_m, _)| match teller {
                Teller::Performer => (-gap_m).max(0.0),
                Teller::FirstPair | Teller::Character => 0.0,
            });
            let local = |(way, world): (DVec3, &WorldPose)| world.rotation(joint).inverse() * way;
            let ways = seen.iter().map(|(_, way)| *way).zip(worlds);
            Way {
                depths_m: depths.collect(),
                ways: Some((joint, ways.map(local).collect())),
            }
        })
    }

    /// Whether two parts touch in a frame of the clip.
    pub(crate) fn has_touch(&self, frame: usize) -> bool {
        self.pairs.iter().any(|kept| kept.touch(frame).is_some())
    }

    /// Looks what is inside what in a frame of the clip, posed as in `world`. `again` holds what was
    /// inside before.
    pub(crate) fn look(
        &self,
        frame: usize,
        world: &WorldPose,
        again: &mut Again,
        pairs: Pairs,
    ) -> Outside {
        let posed = self.skin.posed(self.surface, world);
        let mut found = Outside::default();
        for (index, kept) in self.pairs.iter().enumerate() {
            let touch = kept.touch(frame);
            let mut touching = touch.map(|touch| Touching {
                touch,
                points: Vec::new(),
                deepest_m: 0.0,
            });
            for back in [false, true] {
                let key = (index, back);
                if pairs == Pairs::Known && touch.is_none() && !again.contains_key(&key) {
                    continue;
                }
                let held = posed.held(kept.pair, back);
                let mut watched = again.remove(&key).unwrap_or_default();
                if held.is_empty() && watched.is_empty() {
                    continue;
                }
                let way = self.way(kept);
                let towards = way.ways.as_ref();
                let towards = towards.map(|(joint, ways)| world.rotation(*joint) * ways[frame]);
                let look = Look {
                    posed: &posed,
                    ends: match back {
                        true => [kept.parts[1], kept.parts[0]],
                        false => kept.parts,
                    },
                    way: towards.map(|way| if back { -way } else { way }),
                    world,
                };
                let points = self.points(&look, &held, &mut watched);
                if !points.is_empty() {
                    again.insert(key, watched);
                }
                let least_m = match touch {
                    Some(_) => 0.0,
                    None => -way.depths_m[frame],
                };
                for point in points {
                    let excess_m = least_m - point.metres;
                    let meet = self.meet(&look, &point);
                    if let Some(touching) = &mut touching {
                        touching.deepest_m = touching.deepest_m.max(excess_m);
                        touching.points.extend(meet);
                        continue;
                    }
                    if excess_m > 0.0 {
                        found.limbs.extend(&kept.limbs);
                    }
                    found.deepest_m = found.deepest_m.max(excess_m);
                    found.points.extend(meet.map(|meet| (meet, least_m)));
                }
            }
            found.touching.extend(touching);
        }
        found.limbs.sort_unstable();
        found.limbs.dedup();
        found
    }

    /// The deepest points of one part in another, a little apart, and those that were so before.
    fn points(&self, look: &Look<'_>, held: &[usize], watched: &mut Vec<usize>) -> Vec<Seen> {
        let stride = held.len().div_ceil(MOST_LOOKS).max(1);
        let inside = held.iter().copied().step_by(stride);
        let mut seen: Vec<Seen> = inside.filter_map(|vertex| look.inside(vertex)).collect();
        seen.sort_by(|a, b| a.metres.total_cmp(&b.metres));
        let mut points: Vec<Seen> = Vec::new();
        for one in seen {
            let is_beside = |other: &Seen| other.point.distance(one.point) < self.apart_m;
            if points.len() < MOST_POINTS && !points.iter().any(is_beside) {
                points.push(one);
            }
        }
        let fresh: Vec<usize> = points.iter().map(|point| point.vertex).collect();
        for &vertex in watched.iter().filter(|vertex| !fresh.contains(vertex)) {
            points.extend(match held.binary_search(&vertex) {
                Ok(_) => look.inside(vertex),
                Err(_) => look.outside(vertex, self.apart_m),
            });
        }
        watched.retain(|vertex| !fresh.contains(vertex));
        watched.extend(fresh);
        let surplus = watched.len().saturating_sub(MOST_AGAIN);
        watched.drain(..surplus);
        points
    }

    fn meet(&self, look: &Look<'_>, seen: &Seen) -> Option<Meet> {
        let [from, to] = look.ends;
        let skin_point =
            |(mesh, vertex): (usize, usize)| SkinPoint::of(&self.surface.meshes[mesh], vertex);
        let (corners, numbers) = look.posed.solid(to).triangle(seen.place.triangle);
        let shares = corner_shares(seen.place.on, &corners);
        let mut ends = Vec::with_capacity(3);
        for number in numbers {
            ends.push(skin_point(self.skin.corner(to, number)?));
        }
        let target = SkinPoint::mixed([&ends[0], &ends[1], &ends[2]], shares);
        let point = skin_point(self.skin.own_vertex(from, seen.vertex));
        Meet::on_skin(point, target, seen.normal, look.world)
    }
}

/// One part looked at against another in a pose.
struct Look<'a> {
    posed: &'a PosedParts<'a>,
    /// What is inside, and in what.
    ends: [usize; 2],
    /// From the other part to the one, world, unit.
    way: Option<DVec3>,
    world: &'a WorldPose,
}

/// A vertex of one part, and where it meets the skin of another.
struct Seen {
    vertex: usize,
    point: DVec3,
    /// Below 0 inside.
    metres: f64,
    place: OnSkin,
    /// Outward, world, unit.
    normal: DVec3,
}

impl Look<'_> {
    fn inside(&self, vertex: usize) -> Option<Seen> {
        let point = self.posed.own(self.ends[0], vertex);
        let solid = self.posed.solid(self.ends[1]);
        let mut place = solid.nearest(point, f64::INFINITY)?;
        let looks = |place: &OnSkin, way: DVec3| solid.normal(place.triangle).dot(way) > 0.0;
        if let Some(way) = self.way.filter(|way| !looks(&place, *way)) {
            place = solid.exit(point, way, f64::INFINITY).unwrap_or(place);
        }
        let outward = solid.normal(place.triangle).normalize_or(DVec3::Y);
        Some(Seen {
            vertex,
            point,
            metres: -place.on.distance(point),
            place,
            normal: (place.on - point).try_normalize().unwrap_or(outward),
        })
    }

    fn outside(&self, vertex: usize, within_m: f64) -> Option<Seen> {
        let point = self.posed.own(self.ends[0], vertex);
        let solid = self.posed.solid(self.ends[1]);
        let place = solid.nearest(point, within_m)?;
        let outward = solid.normal(place.triangle).normalize_or(DVec3::Y);
        Some(Seen {
            vertex,
            point,
            metres: place.on.distance(point),
            place,
            normal: (point - place.on).try_normalize().unwrap_or(outward),
        })
    }
}

fn height_m(rest: &WorldPose) -> f64 {
    let heights = (0..rest.affines.len()).map(|joint| rest.position(joint).y);
    let (low, high) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), y| {
        (low.min(y), high.max(y))
    });
    high - low
}

/// Per part, the limb that it belongs to.
fn limb_of_part(parts: &Parts, body: &Body, movers: Movers) -> Vec<Option<Limb>> {
    let mut limbs = vec![None; parts.list.len()];
    let mut mark = |joints: &[usize], limb: Limb| {
        for part in joints.iter().filter_map(|&joint| parts.of_joint[joint]) {
            limbs[part] = Some(limb);
        }
    };
    match movers {
        Movers::Arms => {
            for arm in &body.arms {
                let joints = [Some(arm.shoulder), Some(arm.elbow), arm.wrist];
                let joints: Vec<usize> = joints.into_iter().flatten().collect();
                mark(&joints, (arm.side, arm.pair));
            }
        }
        Movers::Legs => {
            for leg in &body.legs {
                mark(&[leg.hip, leg.knee, leg.ankle], (leg.side, leg.pair));
            }
        }
    }
    limbs
}

/// Whose two parts tell how two of the character are to each other. Limbs of a pair that the performer lacks
/// are to each other, and to what lies in the middle, as those of its first.
fn find_told(
    [performer, character]: [&Moving<'_>; 2],
    names: [&str; 2],
) -> Option<(Teller, [usize; 2])> {
    let find = |moving: &Moving<'_>, [one, other]: [&str; 2]| {
        Some([find_part(moving, one)?, find_part(moving, other)?])
    };
    let [one, other] = names.map(|name| name.split_once(PAIR).unwrap_or((name, "")));
    let is_middle = |name: &str| {
        let mut sides = [Side::Left, Side::Right].iter();
        sides.all(|side| !name.starts_with(side.word()))
    };
    let is_like_first = one.1 == other.1 || is_middle(one.0) || is_middle(other.0);
    let first = [one.0, other.0];
    let own = find(performer, names).map(|parts| (Teller::Performer, parts));
    own.or_else(|| {
        let parts = is_like_first.then(|| find(performer, first))??;
        Some((Teller::FirstPair, parts))
    })
    .or_else(|| Some((Teller::Character, find(character, names)?)))
}

/// The part of a body of a name; feet, necks, tails, ears and wings are none there.
fn find_part(moving: &Moving<'_>, name: &str) -> Option<usize> {
    let mut parts = moving.parts.iter();
    parts.position(|part| part_words(part.kind, part.side, part.pair) == name)
}

/// Per frame how far one of the performer's parts is from another, metres, and the way there from the
/// other, world, unit.
fn ways(performer: &Moving<'_>, from: usize, to: usize) -> Vec<(f64, DVec3)> {
    let secs = performer.frame_time_secs;
    let mut ways: Vec<(f64, DVec3)> = Vec::new();
    for along in PLACES {
        let meeting = performer.meeting(from, along, to);
        let normals = signal::low_pass_points(&meeting.normals, PLACE_HZ, secs);
        ways.resize(normals.len(), (f64::INFINITY, DVec3::ZERO));
        for ((way, normal), gap_m) in ways.iter_mut().zip(normals).zip(meeting.gaps) {
            let near = 1.0 / (FLESH_M + gap_m.max(0.0));
            *way = (way.0.min(gap_m), way.1 + near * near * normal);
        }
    }
    let unit = |(gap_m, way): (f64, DVec3)| (gap_m, way.normalize_or(DVec3::Y));
    ways.into_iter().map(unit).collect()
}
