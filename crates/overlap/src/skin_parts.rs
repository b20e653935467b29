//! A skin divided into parts, each closed to a solid, with what is left out between them.

use std::cell::OnceCell;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, HashMap};

use understudy_motion::box_tree::{Bounds, NOTHING, joined, meet};
use understudy_motion::pieces::fine_triangles;
use understudy_motion::solid::{Net, PosedNet, PosedSolid, Solid};
use understudy_motion::{DAffine3, DVec3, Surface, WorldPose};

use super::parts::Parts;

/// Width of the seam between two parts that meet, as a share of the leg's length: 3 cm of a person,
/// about half as wide as a wrist (common practice).
const SEAM: f64 = 0.035;

/// Vertices nearer than that at rest are one: seams of texture and material, metres.
const WELD_M: f64 = 1e-6;

/// A whole skin, its doubled vertices made one.
struct Welded {
    /// Mesh and vertex.
    source: Vec<(usize, usize)>,
    /// At rest, metres.
    rest: Vec<DVec3>,
    part: Vec<Option<usize>>,
    triangles: Vec<[usize; 3]>,
    /// Per triangle, whether it belongs to hair, a quill, a claw or the like.
    is_fine: Vec<bool>,
}

/// One part of a skin.
struct SkinPart {
    /// Of all corners of its triangles: mesh and vertex.
    corners: Vec<(usize, usize)>,
    solid: Solid,
    /// Its own vertices, those its joints move most: mesh and vertex.
    own: Vec<(usize, usize)>,
    net: Net,
    /// Its longest edge at rest, metres.
    edge_m: f64,
    /// Per mesh and slot of its skin, the box around all that it moves of the part, in the mesh's own
    /// coordinates: a vertex lies between where the slots would have it each by itself.
    boxes: Vec<(usize, usize, Bounds)>,
}

/// A part with what is only needed while it is made.
struct PartAtRest {
    made: SkinPart,
    /// Which of all vertices are its own.
    own: Vec<usize>,
    /// Its corners, metres.
    rest: Vec<DVec3>,
}

/// Two parts, and which vertices of each may not lie in the other.
struct SkinPair {
    parts: [usize; 2],
    /// Indices into the own vertices of the first and the second part.
    free: [Vec<usize>; 2],
    /// Volume that they share at rest, cubic metres.
    rest_m3: f64,
}

/// A skin in parts: made once for a body at rest, asked in any pose.
pub struct SkinParts {
    parts: Vec<SkinPart>,
    pairs: Vec<SkinPair>,
    is_limb: Vec<bool>,
}

/// How two parts go into each other in one pose.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Overlap {
    /// Of the deepest vertex of either.
    pub depth_m: f64,
    /// What they share, beyond what they share at rest.
    pub volume_m3: f64,
}

/// What was found in one pose.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PoseOverlaps {
    /// In the order of the pairs.
    pub pairs: Vec<Overlap>,
    /// Vertices of arms and legs that lie in another part.
    pub limb_vertices_inside: usize,
}

/// A part in a pose, as far as it was asked for.
struct PosedPart<'a> {
    part: &'a SkinPart,
    /// Around all of it, not closely.
    reach: Bounds,
    points: OnceCell<PosedPoints>,
    net: OnceCell<Vec<Bounds>>,
    solid: OnceCell<PosedSolid<'a>>,
}

/// Where the vertices of a part are, metres.
struct PosedPoints {
    corners: Vec<DVec3>,
    own: Vec<DVec3>,
    /// Around the corners.
    bounds: Bounds,
    /// Around its own vertices.
    own_bounds: Bounds,
}

impl PosedPoints {
    fn new(corners: Vec<DVec3>, own: Vec<DVec3>) -> Self {
        let around = |points: &[DVec3]| {
            let points = points.iter();
            points.fold(NOTHING, |bounds, &point| joined(bounds, [point; 2]))
        };
        Self {
            bounds: around(&corners),
            own_bounds: around(&own),
            corners,
            own,
        }
    }
}

impl<'a> PosedPart<'a> {
    fn new(part: &'a SkinPart, bones: &[Vec<DAffine3>]) -> Self {
        let boxes = part.boxes.iter();
        let boxes = boxes.map(|(mesh, slot, bounds)| moved(&bones[*mesh][*slot], bounds));
        Self {
            part,
            reach: boxes.fold(NOTHING, joined),
            points: OnceCell::new(),
            net: OnceCell::new(),
            solid: OnceCell::new(),
        }
    }
}

/// The box around a box that was moved.
fn moved(affine: &DAffine3, [low, high]: &Bounds) -> Bounds {
    let middle = affine.transform_point3(0.5 * (*low + *high));
    let half = 0.5 * (*high - *low);
    let axes = affine.matrix3;
    let reach =
        axes.x_axis.abs() * half.x + axes.y_axis.abs() * half.y + axes.z_axis.abs() * half.z;
    let reach = reach + ROUNDING_M;
    [middle - reach, middle + reach]
}

/// More than rounding moves a point, metres.
const ROUNDING_M: f64 = 1e-9;

impl SkinParts {
    /// Divides a skin. Between two parts that meet, a seam along the skin is left out, as wide as a
    /// share of the leg's length.
    pub fn new(surface: &Surface, parts: &Parts, rest: &WorldPose, leg_length_m: f64) -> Self {
        let seam_m = SEAM * leg_length_m;
        let welded = Welded::new(surface, parts, rest);
        let is_limb: Vec<bool> = parts.list.iter().map(|part| part.is_limb).collect();
        let made: Vec<PartAtRest> = is_limb
            .iter()
            .enumerate()
            .map(|(part, is_limb)| welded.skin_part(surface, part, *is_limb))
            .collect();
        let near = welded.near_parts(is_limb.len(), seam_m);
        let posed: Vec<PosedSolid<'_>> = made
            .iter()
            .map(|part| part.made.solid.posed(&part.rest))
            .collect();
        let free = |from: usize, to: usize| -> Vec<usize> {
            if made[to].rest.is_empty() {
                return Vec::new();
            }
            let own = made[from].own.iter().enumerate();
            own.filter(|&(_, &vertex)| {
                !near[to][vertex] && !posed[to].is_inside(welded.rest[vertex])
            })
            .map(|(index, _)| index)
            .collect()
        };
        let pairs = parts
            .free_pairs()
            .into_iter()
            .map(|[a, b]| SkinPair {
                parts: [a, b],
                free: [free(a, b), free(b, a)],
                rest_m3: posed[a].shared_m3(&posed[b], posed[a].bounds()),
            })
            .filter(|pair| pair.free.iter().any(|free| !free.is_empty()))
            .collect();
        Self {
            pairs,
            parts: made.into_iter().map(|part| part.made).collect(),
            is_limb,
        }
    }

    /// The pairs that are looked at.
    pub fn pairs(&self) -> impl ExactSizeIterator<Item = [usize; 2]> {
        self.pairs.iter().map(|pair| pair.parts)
    }

    /// Vertices of arms and legs.
    pub fn limb_vertex_count(&self) -> usize {
        let limbs = self.parts.iter().zip(&self.is_limb);
        limbs
            .filter(|(_, is_limb)| **is_limb)
            .map(|(part, _)| part.own.len())
            .sum()
    }

    /// The skin in a pose.
    pub fn posed<'a>(&'a self, surface: &'a Surface, pose: &WorldPose) -> PosedParts<'a> {
        let bones = surface.world_from_meshes(pose);
        let parts = self.parts.iter();
        PosedParts {
            skin: self,
            surface,
            parts: parts.map(|part| PosedPart::new(part, &bones)).collect(),
            bones,
        }
    }

    /// Mesh and vertex of a part's own vertex.
    pub fn own_vertex(&self, part: usize, index: usize) -> (usize, usize) {
        self.parts[part].own[index]
    }

    /// Mesh and vertex of a point of a part's solid; none for the middles of caps.
    pub fn corner(&self, part: usize, point: u32) -> Option<(usize, usize)> {
        self.parts[part].corners.get(point as usize).copied()
    }

    /// What goes into what in a pose.
    pub fn overlaps(&self, surface: &Surface, pose: &WorldPose) -> PoseOverlaps {
        let posed = self.posed(surface, pose);
        let parts = self.parts.iter();
        let mut inside: Vec<Vec<bool>> = parts.map(|part| vec![false; part.own.len()]).collect();
        let mut found = PoseOverlaps::default();
        for pair in &self.pairs {
            let mut depth_m: f64 = 0.0;
            let mut bounds = NOTHING;
            for (free, [from, to]) in pair.ways() {
                if !posed.may_hold(free, [from, to]) {
                    continue;
                }
                let points = &posed.points(from).own;
                let (held, deepest_m) = deep(free, points, &posed.net(from), posed.solid(to));
                depth_m = depth_m.max(deepest_m);
                for vertex in held {
                    bounds = joined(bounds, [points[vertex]; 2]);
                    inside[from][vertex] = true;
                }
            }
            found.pairs.push(Overlap {
                depth_m,
                volume_m3: match depth_m > 0.0 {
                    true => (posed.shared_m3(pair.parts, bounds) - pair.rest_m3).max(0.0),
                    false => 0.0,
                },
            });
        }
        found.limb_vertices_inside = inside
            .iter()
            .zip(&self.is_limb)
            .filter(|(_, is_limb)| **is_limb)
            .map(|(inside, _)| inside.iter().filter(|inside| **inside).count())
            .sum();
        found
    }
}

impl SkinPair {
    /// Both ways round: the vertices of the first part that may not lie in the second.
    fn ways(&self) -> [(&[usize], [usize; 2]); 2] {
        let [one, other] = self.parts;
        [(&self.free[0], [one, other]), (&self.free[1], [other, one])]
    }
}

/// A skin in parts, in a pose.
pub struct PosedParts<'a> {
    skin: &'a SkinParts,
    surface: &'a Surface,
    /// Per mesh, what its joints make of it.
    bones: Vec<Vec<DAffine3>>,
    parts: Vec<PosedPart<'a>>,
}

impl<'a> PosedParts<'a> {
    /// The own vertices of one part of a pair that lie in the other, as numbers: of the first part in
    /// the second, or `back` of the second in the first.
    pub fn held(&self, pair: usize, back: bool) -> Vec<usize> {
        let (free, [from, to]) = self.skin.pairs[pair].ways()[usize::from(back)];
        match self.may_hold(free, [from, to]) {
            true => self.solid(to).held(&self.net(from), free),
            false => Vec::new(),
        }
    }

    /// Where a part's own vertex is, metres.
    pub fn own(&self, part: usize, index: usize) -> DVec3 {
        match self.parts[part].points.get() {
            Some(points) => points.own[index],
            None => self.vertex(self.skin.parts[part].own[index]),
        }
    }

    /// A part, closed.
    pub fn solid(&self, part: usize) -> &PosedSolid<'a> {
        let posed = &self.parts[part];
        let corners = || &self.points(part).corners;
        posed
            .solid
            .get_or_init(|| posed.part.solid.posed(corners()))
    }

    /// Whether two parts may be nearer to each other than so much, metres, as boxes have it that are not
    /// close.
    pub fn may_be_near(&self, [one, other]: [usize; 2], metres: f64) -> bool {
        let [low, high] = self.parts[one].reach;
        meet(&[low - metres, high + metres], &self.parts[other].reach)
    }

    fn vertex(&self, vertex: (usize, usize)) -> DVec3 {
        self.surface.vertex(vertex, &self.bones)
    }

    /// Most parts are far from all others in most frames.
    fn points(&self, part: usize) -> &PosedPoints {
        let places =
            |vertices: &[(usize, usize)]| vertices.iter().map(|&v| self.vertex(v)).collect();
        let posed = &self.parts[part];
        posed
            .points
            .get_or_init(|| PosedPoints::new(places(&posed.part.corners), places(&posed.part.own)))
    }

    fn net(&self, part: usize) -> PosedNet<'_> {
        let posed = &self.parts[part];
        let points = &self.points(part).own;
        let boxes = posed.net.get_or_init(|| posed.part.net.fitted(points));
        posed.part.net.with_boxes(points, boxes)
    }

    /// Whether any of the vertices of a part may lie in another, as their boxes have it.
    fn may_hold(&self, free: &[usize], [from, to]: [usize; 2]) -> bool {
        !free.is_empty()
            && self.may_be_near([from, to], 0.0)
            && meet(&self.points(from).own_bounds, &self.points(to).bounds)
    }

    /// Volume that two parts share around some vertices that lie inside, cubic metres.
    fn shared_m3(&self, [one, other]: [usize; 2], [low, high]: Bounds) -> f64 {
        // What is shared ends between vertices.
        let beyond_m = [one, other].map(|part| self.skin.parts[part].edge_m);
        let beyond_m = beyond_m[0].max(beyond_m[1]);
        let within = [low - beyond_m, high + beyond_m];
        self.solid(one).shared_m3(self.solid(other), within)
    }
}

/// Those of some vertices that lie in a solid, and the depth of the deepest, metres.
fn deep(
    free: &[usize],
    points: &[DVec3],
    net: &PosedNet<'_>,
    solid: &PosedSolid<'_>,
) -> (Vec<usize>, f64) {
    let held = solid.held(net, free);
    let mut deepest_m: f64 = 0.0;
    let mut on: Option<DVec3> = None;
    for &vertex in &held {
        // Not farther than what was nearest to the vertex before.
        let reach_m = on.map_or(f64::INFINITY, |on| on.distance(points[vertex]));
        if reach_m > deepest_m {
            let within_m = 1.000_001 * reach_m + 1e-9;
            on = solid.closest(points[vertex], within_m).or(on);
            deepest_m = deepest_m.max(on.map_or(0.0, |on| on.distance(points[vertex])));
        }
    }
    (held, deepest_m)
}

impl Welded {
    fn new(surface: &Surface, parts: &Parts, rest: &WorldPose) -> Self {
        let mut welded = Self {
            source: Vec::new(),
            rest: Vec::new(),
            part: Vec::new(),
            triangles: Vec::new(),
            is_fine: Vec::new(),
        };
        let positions: Vec<Vec<DVec3>> = surface.meshes.iter().map(|m| m.posed(rest)).collect();
        let fine = fine_triangles(&surface.meshes, &positions);
        let mut known: HashMap<[i64; 3], usize> = HashMap::new();
        for (index, mesh) in surface.meshes.iter().enumerate() {
            let mut new_index = Vec::with_capacity(mesh.bind_positions.len());
            for (vertex, &place) in positions[index].iter().enumerate() {
                let cell = (place / WELD_M).round().to_array().map(|x| x as i64);
                let next = welded.rest.len();
                let at = *known.entry(cell).or_insert(next);
                if at == next {
                    welded.source.push((index, vertex));
                    welded.rest.push(place);
                    let joint = mesh.main_joint(vertex);
                    welded
                        .part
                        .push(joint.and_then(|joint| parts.of_joint[joint]));
                }
                new_index.push(at);
            }
            for (triangle, is_fine) in mesh.triangles.iter().zip(&fine[index]) {
                let [a, b, c] = triangle.map(|vertex| new_index[vertex as usize]);
                if a != b && b != c && c != a {
                    welded.triangles.push([a, b, c]);
                    welded.is_fine.push(*is_fine);
                }
            }
        }
        welded
    }

    /// The part that a triangle belongs to: that of two of its corners, or of the first.
    fn part_of(&self, [a, b, c]: [usize; 3]) -> Option<usize> {
        let [a, b, c] = [self.part[a], self.part[b], self.part[c]];
        if b == c { b } else { a }
    }

    /// Nothing lies inside what is fine, and what is fine lies only inside where a limb brings it:
    /// claws go into a belly with their hand, but a hand goes through quills to the skin they grow
    /// from. A part that has nothing else is measured as it is.
    fn skin_part(&self, surface: &Surface, part: usize, is_limb: bool) -> PartAtRest {
        let triangles = || self.triangles.iter().zip(&self.is_fine);
        let of_part = |triangle: &[usize; 3]| self.part_of(*triangle) == Some(part);
        let all_fine = triangles().all(|(triangle, is_fine)| *is_fine || !of_part(triangle));
        let mut index_of: HashMap<usize, u32> = HashMap::new();
        let mut corners: Vec<usize> = Vec::new();
        let mut skin = Vec::new();
        for (triangle, is_fine) in triangles() {
            if of_part(triangle) && (all_fine || !is_fine) {
                skin.push(triangle.map(|vertex| {
                    *index_of.entry(vertex).or_insert_with(|| {
                        corners.push(vertex);
                        corners.len() as u32 - 1
                    })
                }));
            }
        }
        let mut moves = vec![false; self.rest.len()];
        for (triangle, is_fine) in triangles() {
            if is_limb || all_fine || !is_fine {
                triangle.iter().for_each(|&vertex| moves[vertex] = true);
            }
        }
        let own: Vec<usize> = (0..self.rest.len())
            .filter(|&vertex| self.part[vertex] == Some(part) && moves[vertex])
            .collect();
        let places = |vertices: &[usize]| vertices.iter().map(|&v| self.rest[v]).collect();
        let (rest, own_rest): (Vec<DVec3>, Vec<DVec3>) = (places(&corners), places(&own));
        let number: HashMap<usize, u32> = own.iter().copied().zip(0..).collect();
        let numbered = self.triangles.iter();
        let numbered = numbered.map(|triangle| triangle.map(|v| number.get(&v).copied()));
        let sides = skin.iter().flat_map(|&[a, b, c]| [[a, b], [b, c], [c, a]]);
        let edge_m = |ends: [u32; 2]| {
            let [from, to] = ends.map(|end| rest[end as usize]);
            from.distance(to)
        };
        let source = |vertices: &[usize]| vertices.iter().map(|&v| self.source[v]).collect();
        let (corners, own_source): (Vec<_>, Vec<_>) = (source(&corners), source(&own));
        let made = SkinPart {
            edge_m: sides.map(edge_m).fold(0.0, f64::max),
            boxes: boxes(surface, corners.iter().chain(&own_source)),
            corners,
            own: own_source,
            net: Net::new(&own_rest, numbered),
            solid: Solid::new(&rest, skin),
        };
        PartAtRest { made, own, rest }
    }

    /// Per part: which vertices lie within `seam_m` of it along the skin (Dijkstra 1959).
    fn near_parts(&self, count: usize, seam_m: f64) -> Vec<Vec<bool>> {
        let mut neighbours: Vec<Vec<usize>> = vec![Vec::new(); self.rest.len()];
        for &[a, b, c] in &self.triangles {
            for [from, to] in [[a, b], [b, c], [c, a]] {
                neighbours[from].push(to);
                neighbours[to].push(from);
            }
        }
        (0..count)
            .map(|part| {
                let of = self.part.iter().map(|found| *found == Some(part));
                let mut way_m: Vec<f64> = of.map(|own| if own { 0.0 } else { f64::MAX }).collect();
                let mut open: BinaryHeap<Reverse<(u64, usize)>> = (0..way_m.len())
                    .filter(|&vertex| way_m[vertex] == 0.0)
                    .map(|vertex| Reverse((0, vertex)))
                    .collect();
                // Numbers that are not negative are in the order of their bits.
                while let Some(Reverse((bits, vertex))) = open.pop() {
                    if f64::from_bits(bits) > way_m[vertex] {
                        continue;
                    }
                    for &next in &neighbours[vertex] {
                        let far = way_m[vertex] + self.rest[vertex].distance(self.rest[next]);
                        if far <= seam_m && far < way_m[next] {
                            way_m[next] = far;
                            open.push(Reverse((far.to_bits(), next)));
                        }
                    }
                }
                way_m.into_iter().map(|way_m| way_m <= seam_m).collect()
            })
            .collect()
    }
}

/// Per mesh and slot, the box around those of some vertices that it moves.
fn boxes<'a>(
    surface: &Surface,
    vertices: impl Iterator<Item = &'a (usize, usize)>,
) -> Vec<(usize, usize, Bounds)> {
    let mut boxes: BTreeMap<(usize, usize), Bounds> = BTreeMap::new();
    for &(number, vertex) in vertices {
        let mesh = &surface.meshes[number];
        for &(slot, _) in &mesh.influences[vertex] {
            let here = boxes.entry((number, slot)).or_insert(NOTHING);
            *here = joined(*here, [mesh.bind_positions[vertex]; 2]);
        }
    }
    let boxes = boxes.into_iter();
    boxes
        .map(|((mesh, slot), bounds)| (mesh, slot, bounds))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::body_parts;
    use parry3d_f64::math::Vector;
    use parry3d_f64::query::PointQuery;
    use parry3d_f64::shape::{TriMesh, TriMeshFlags};
    use std::path::Path;
    use std::sync::LazyLock;
    use understudy_bodies::{Character, character_from_ron};
    use understudy_motion::DQuat;
    use understudy_motion::triangle::winding;

    /// The whole cast.
    static CAST: LazyLock<Vec<Character>> = LazyLock::new(|| {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../assets/bodies");
        let mut paths: Vec<_> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        paths.sort();
        let text = |path| std::fs::read_to_string(path).unwrap();
        let cast: Vec<Character> = paths
            .iter()
            .map(|path| character_from_ron(&text(path)).unwrap())
            .collect();
        assert!(cast.len() >= 7);
        cast
    });

    fn in_parts(character: &Character) -> SkinParts {
        let rest = character.skeleton.rest_world();
        let parts = body_parts(&character.skeleton, &character.body);
        let leg_m = character.body.leg_length_m(&character.skeleton).unwrap();
        SkinParts::new(&character.surface, &parts, &rest, leg_m)
    }

    /// Numbers between -1 and 1 (Marsaglia 2003, *Xorshift RNGs*).
    fn random(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        }
    }

    /// Every joint turned by up to about 60 degrees.
    fn random_pose(character: &Character, seed: u64) -> WorldPose {
        let mut next = random(seed);
        let mut locals = character.skeleton.rest_locals();
        for local in &mut locals {
            let turn = DVec3::new(next(), next(), next());
            local.rotation *= DQuat::from_scaled_axis(0.6 * turn);
        }
        WorldPose::from_locals(&character.skeleton, &locals)
    }

    #[test]
    fn at_rest_nothing_goes_into_anything() {
        for character in CAST.iter() {
            let skin = in_parts(character);
            let found = skin.overlaps(&character.surface, &character.skeleton.rest_world());
            assert!(found.pairs.iter().all(|pair| *pair == Overlap::default()));
            assert_eq!(found.limb_vertices_inside, 0, "{}", character.name);
        }
    }

    /// Another implementation, that of the parry library, on the same triangles.
    #[test]
    fn another_library_says_the_same_of_the_cast_in_any_pose() {
        let corner = |p: &DVec3| Vector::new(p.x, p.y, p.z);
        let (mut asked, mut inside, mut unlike) = (0, 0, 0);
        for (number, character) in CAST.iter().enumerate() {
            let skin = in_parts(character);
            for seed in 0..3 {
                let pose = random_pose(character, 10 * number as u64 + seed + 1);
                let posed = skin.posed(&character.surface, &pose);
                // Without caps, and closed; none of a part without skin.
                let others: Vec<Option<[TriMesh; 2]>> = (0..skin.parts.len())
                    .map(|part| {
                        let solid = posed.solid(part);
                        let (own, caps) = solid.triangles();
                        let points: Vec<Vector> = solid.points().iter().map(corner).collect();
                        let all = own.iter().chain(caps).copied().collect();
                        let oriented = TriMeshFlags::ORIENTED;
                        Some([
                            TriMesh::new(points.clone(), own.to_vec()).ok()?,
                            TriMesh::with_flags(points, all, oriented).ok()?,
                        ])
                    })
                    .collect();
                for pair in &skin.pairs {
                    let [a, b] = pair.parts;
                    for (free, [from, to]) in pair.free.iter().zip([[a, b], [b, a]]) {
                        let (points, solid) = (&posed.points(from).own, posed.solid(to));
                        if !meet(&posed.points(from).own_bounds, &solid.bounds()) {
                            continue;
                        }
                        assert!(posed.may_hold(free, [from, to]) || free.is_empty());
                        let (held, deepest_m) = deep(free, points, &posed.net(from), solid);
                        let mut next_held = held.iter().copied().peekable();
                        let [open, closed] = others[to].as_ref().unwrap();
                        let (own, caps) = solid.triangles();
                        let at = |t: &[u32; 3]| t.map(|v| solid.points()[v as usize]);
                        let mut expected_m: f64 = 0.0;
                        for &vertex in free {
                            let point = points[vertex];
                            if !meet(&[point; 2], &solid.bounds()) {
                                continue;
                            }
                            asked += 1;
                            let is_inside = next_held.next_if_eq(&vertex).is_some();
                            let query = corner(&point);
                            if is_inside {
                                inside += 1;
                                let near = open.project_local_point(query, false).point;
                                expected_m = expected_m.max((near - query).length());
                            }
                            if closed.contains_local_point(query) != is_inside {
                                unlike += 1;
                                let turns = winding(point, own.iter().chain(caps).map(at));
                                assert_eq!(is_inside, turns > 0.5, "{turns}");
                            }
                        }
                        assert_eq!(next_held.next(), None);
                        assert!((deepest_m - expected_m).abs() < 1e-9);
                    }
                }
            }
        }
        assert!(inside > 1000, "{inside}");
        // The side of the nearest triangle misleads where a turned part passes through itself; there
        // the solid angles decided above.
        assert!(unlike * 50 < asked, "{unlike} of {asked}");
    }
}
