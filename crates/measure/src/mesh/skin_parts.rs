//! A skin divided into parts, each closed to a solid, with what is left out between them.

use std::cell::OnceCell;
use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

use understudy_motion::solid::{PosedSolid, Solid};
use understudy_motion::{DVec3, Surface, WorldPose};

use super::parts::Parts;

/// Vertices nearer than that at rest are one: seams of texture and material, metres.
const WELD_M: f64 = 1e-6;

/// A whole skin, its doubled vertices made one.
struct Welded {
    /// Mesh and vertex.
    source: Vec<(usize, usize)>,
    /// At rest, metres.
    rest: Vec<DVec3>,
    part: Vec<Option<usize>>,
    area_m2: Vec<f64>,
    triangles: Vec<[usize; 3]>,
}

/// One part of a skin.
struct SkinPart {
    /// Of all corners of its triangles: mesh and vertex.
    corners: Vec<(usize, usize)>,
    solid: Solid,
    /// Its own vertices, those its joints move most: mesh and vertex.
    own: Vec<(usize, usize)>,
    /// Share of the skin's area that goes with each.
    area_m2: Vec<f64>,
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
}

/// A skin in parts.
pub(crate) struct SkinParts {
    parts: Vec<SkinPart>,
    pairs: Vec<SkinPair>,
    is_limb: Vec<bool>,
}

/// How two parts go into each other in one pose.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Overlap {
    /// Of the deepest vertex of either.
    pub(crate) depth_m: f64,
    /// See [`super::penetration`].
    pub(crate) volume_m3: f64,
}

/// What was found in one pose.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct PoseOverlaps {
    /// In the order of the pairs.
    pub(crate) pairs: Vec<Overlap>,
    /// Vertices of arms and legs that lie in another part.
    pub(crate) limb_vertices_inside: usize,
}

impl SkinParts {
    /// Divides a skin. Between two parts that meet, a seam of `seam_m` along the skin is left out.
    pub(crate) fn new(surface: &Surface, parts: &Parts, rest: &WorldPose, seam_m: f64) -> Self {
        let welded = Welded::new(surface, parts, rest);
        let count = parts.list.len();
        let made: Vec<PartAtRest> = (0..count).map(|part| welded.skin_part(part)).collect();
        let near = welded.near_parts(count, seam_m);
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
            })
            .filter(|pair| pair.free.iter().any(|free| !free.is_empty()))
            .collect();
        Self {
            pairs,
            parts: made.into_iter().map(|part| part.made).collect(),
            is_limb: parts.list.iter().map(|part| part.is_limb).collect(),
        }
    }

    /// The pairs that are looked at.
    pub(crate) fn pairs(&self) -> impl ExactSizeIterator<Item = [usize; 2]> {
        self.pairs.iter().map(|pair| pair.parts)
    }

    /// Vertices of arms and legs.
    pub(crate) fn limb_vertex_count(&self) -> usize {
        let limbs = self.parts.iter().zip(&self.is_limb);
        limbs
            .filter(|(_, is_limb)| **is_limb)
            .map(|(part, _)| part.own.len())
            .sum()
    }

    /// What goes into what in a pose.
    pub(crate) fn overlaps(&self, surface: &Surface, pose: &WorldPose) -> PoseOverlaps {
        let positions: Vec<Vec<DVec3>> = surface.meshes.iter().map(|m| m.posed(pose)).collect();
        let place = |&(mesh, vertex): &(usize, usize)| positions[mesh][vertex];
        let points: Vec<Vec<DVec3>> = self
            .parts
            .iter()
            .map(|part| part.own.iter().map(place).collect())
            .collect();
        let corners: Vec<Vec<DVec3>> = self
            .parts
            .iter()
            .map(|part| part.corners.iter().map(place).collect())
            .collect();
        let boxes: Vec<[DVec3; 2]> = corners.iter().map(|points| around(points)).collect();
        // Most parts are far from all others in most frames.
        let solids: Vec<OnceCell<PosedSolid<'_>>> =
            self.parts.iter().map(|_| OnceCell::new()).collect();
        let mut inside: Vec<Vec<bool>> = points
            .iter()
            .map(|points| vec![false; points.len()])
            .collect();
        let mut found = PoseOverlaps::default();
        for pair in &self.pairs {
            let mut overlap = Overlap::default();
            let [a, b] = pair.parts;
            if !meet(boxes[a], boxes[b]) {
                found.pairs.push(overlap);
                continue;
            }
            for (free, [from, to]) in pair.free.iter().zip([[a, b], [b, a]]) {
                let solid = solids[to].get_or_init(|| self.parts[to].solid.posed(&corners[to]));
                for &vertex in free {
                    if let Some(depth_m) = solid.depth_m(points[from][vertex]) {
                        overlap.depth_m = overlap.depth_m.max(depth_m);
                        // Each side sees the whole of what they share.
                        overlap.volume_m3 += 0.5 * self.parts[from].area_m2[vertex] * depth_m;
                        inside[from][vertex] = true;
                    }
                }
            }
            found.pairs.push(overlap);
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

fn around(points: &[DVec3]) -> [DVec3; 2] {
    points.iter().fold(
        [DVec3::INFINITY, DVec3::NEG_INFINITY],
        |[low, high], &point| [low.min(point), high.max(point)],
    )
}

fn meet([low, high]: [DVec3; 2], [other_low, other_high]: [DVec3; 2]) -> bool {
    low.cmple(other_high).all() && other_low.cmple(high).all()
}

impl Welded {
    fn new(surface: &Surface, parts: &Parts, rest: &WorldPose) -> Self {
        let mut welded = Self {
            source: Vec::new(),
            rest: Vec::new(),
            part: Vec::new(),
            area_m2: Vec::new(),
            triangles: Vec::new(),
        };
        let mut known: HashMap<[i64; 3], usize> = HashMap::new();
        for (index, mesh) in surface.meshes.iter().enumerate() {
            let mut new_index = Vec::with_capacity(mesh.bind_positions.len());
            for (vertex, place) in mesh.posed(rest).into_iter().enumerate() {
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
            let triangles = mesh.triangles.iter();
            let triangles = triangles.map(|t| t.map(|vertex| new_index[vertex as usize]));
            welded
                .triangles
                .extend(triangles.filter(|[a, b, c]| a != b && b != c && c != a));
        }
        welded.area_m2 = vec![0.0; welded.rest.len()];
        for triangle in &welded.triangles {
            let [a, b, c] = triangle.map(|vertex| welded.rest[vertex]);
            let area_m2 = 0.5 * (b - a).cross(c - a).length();
            for &vertex in triangle {
                welded.area_m2[vertex] += area_m2 / 3.0;
            }
        }
        welded
    }

    /// The part that a triangle belongs to: that of two of its corners, or of the first.
    fn part_of(&self, [a, b, c]: [usize; 3]) -> Option<usize> {
        let [a, b, c] = [self.part[a], self.part[b], self.part[c]];
        if b == c { b } else { a }
    }

    fn skin_part(&self, part: usize) -> PartAtRest {
        let mut index_of: HashMap<usize, u32> = HashMap::new();
        let mut corners: Vec<usize> = Vec::new();
        let mut triangles = Vec::new();
        for triangle in &self.triangles {
            if self.part_of(*triangle) == Some(part) {
                triangles.push(triangle.map(|vertex| {
                    *index_of.entry(vertex).or_insert_with(|| {
                        corners.push(vertex);
                        corners.len() as u32 - 1
                    })
                }));
            }
        }
        let own: Vec<usize> = (0..self.rest.len())
            .filter(|&vertex| self.part[vertex] == Some(part) && self.area_m2[vertex] > 0.0)
            .collect();
        let rest: Vec<DVec3> = corners.iter().map(|&vertex| self.rest[vertex]).collect();
        let source = |vertices: &[usize]| vertices.iter().map(|&v| self.source[v]).collect();
        let made = SkinPart {
            solid: Solid::new(&rest, triangles),
            corners: source(&corners),
            own: source(&own),
            area_m2: own.iter().map(|&vertex| self.area_m2[vertex]).collect(),
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
