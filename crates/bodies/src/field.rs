//! The flesh as one signed distance field: pieces melt into their kin and only touch all others.
//!
//! Pieces of one cluster (a trunk, an arm, a finger) melt into each other everywhere. A cluster
//! melts into the cluster it grows from only near its root, so that an arm at rest does not melt
//! into the belly, nor finger into finger.

use glam::DVec3;

use crate::piece::{Piece, Role};

/// A chain of pieces that grows out of another.
#[derive(Clone, Debug)]
pub(crate) struct Cluster {
    /// The cluster it grows from; an earlier one.
    pub(crate) parent: Option<usize>,
    /// Where it grows, metres.
    pub(crate) root: DVec3,
    /// Around the root, as far as this, it melts fully; at twice the distance no more, metres.
    pub(crate) reach_m: f64,
    /// Breadth of the seam, metres.
    pub(crate) blend_m: f64,
    /// Its pieces.
    pub(crate) pieces: Vec<Piece>,
}

impl Cluster {
    /// How much of the blend is left at a point, 0 to 1.
    fn closeness(&self, point: DVec3) -> f64 {
        let far = point.distance(self.root) / self.reach_m.max(1e-9) - 1.0;
        1.0 - smooth(far)
    }
}

/// 0 below 0, 1 above 1, smooth between.
pub(crate) fn smooth(x: f64) -> f64 {
    let t = x.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// How far a cubic smooth minimum lies below the smaller of two distances.
fn fillet(a: f64, b: f64, blend_m: f64) -> f64 {
    let overlap = (blend_m - (a - b).abs()).max(0.0);
    if overlap == 0.0 {
        return 0.0;
    }
    let h = overlap / blend_m;
    h * h * h * blend_m / 6.0
}

fn smooth_min(a: f64, b: f64, blend_m: f64) -> f64 {
    a.min(b) - fillet(a, b, blend_m)
}

fn smooth_max(a: f64, b: f64, blend_m: f64) -> f64 {
    a.max(b) + fillet(a, b, blend_m)
}

/// Corner of a block of space and which pieces matter there.
#[derive(Clone, Debug)]
struct Block {
    /// Cluster and piece, in order.
    pieces: Vec<(u16, u16)>,
}

/// The field, with an index of what is where.
#[derive(Clone, Debug)]
pub(crate) struct Field {
    pub(crate) clusters: Vec<Cluster>,
    low: DVec3,
    block_m: f64,
    counts: [usize; 3],
    blocks: Vec<Block>,
    /// Breadth of the edge where soles meet the floor, metres.
    floor_blend_m: f64,
}

/// The value of the field where nothing is near, metres.
const FAR_M: f64 = 1e3;

impl Field {
    /// Indexes clusters; `floor_blend_m` rounds the edges of the soles.
    pub(crate) fn new(clusters: Vec<Cluster>, floor_blend_m: f64) -> Self {
        let (low, high) = bounds(&clusters);
        let block_m = (high - low).max_element() / 40.0;
        let counts = ((high - low) / block_m)
            .to_array()
            .map(|count| count.ceil().max(1.0) as usize);
        let mut field = Self {
            clusters,
            low,
            block_m,
            counts,
            blocks: Vec::new(),
            floor_blend_m,
        };
        field.blocks = (0..counts.iter().product())
            .map(|index| field.block_at(index))
            .collect();
        field
    }

    /// Whether pieces are hewn.
    pub(crate) fn is_faceted(&self) -> bool {
        let mut pieces = self.clusters.iter().flat_map(|cluster| &cluster.pieces);
        pieces.any(|piece| !piece.facets.is_empty())
    }

    /// Lowest and highest corner of all flesh, metres.
    pub(crate) fn bounds(&self) -> (DVec3, DVec3) {
        bounds(&self.clusters)
    }

    fn block_at(&self, index: usize) -> Block {
        let [nx, ny, _] = self.counts;
        let place = [index % nx, index / nx % ny, index / (nx * ny)].map(|n| n as f64 + 0.5);
        let centre = self.low + DVec3::from_array(place) * self.block_m;
        let half_diagonal_m = 0.5 * 3.0_f64.sqrt() * self.block_m;
        let mut pieces = Vec::new();
        for (number, cluster) in self.clusters.iter().enumerate() {
            let blend_m = self.widest_blend_m(number);
            for (ordinal, piece) in cluster.pieces.iter().enumerate() {
                let margin_m = half_diagonal_m + 1.5 * blend_m;
                if piece.least_distance_m(centre) < margin_m + self.block_m {
                    pieces.push((number as u16, ordinal as u16));
                }
            }
        }
        Block { pieces }
    }

    /// The widest seam that the pieces of a cluster may have with others, metres.
    fn widest_blend_m(&self, number: usize) -> f64 {
        let children = self.clusters.iter().filter(|c| c.parent == Some(number));
        let own = &self.clusters[number];
        let pieces = own.pieces.iter().map(|piece| piece.blend_m);
        let clusters = children.chain([own]).map(|cluster| cluster.blend_m);
        pieces.chain(clusters).fold(0.0, f64::max)
    }

    /// The block around a point; `None` outside of all.
    fn block(&self, point: DVec3) -> Option<&Block> {
        let place = ((point - self.low) / self.block_m).floor();
        let mut index = 0;
        for (axis, stride) in [(2, self.counts[1]), (1, self.counts[0]), (0, 1)] {
            let at = place[axis];
            if !(at >= 0.0 && at < self.counts[axis] as f64) {
                return None;
            }
            index = (index + at as usize) * stride;
        }
        self.blocks.get(index)
    }

    /// Tells whether flesh may be near a point.
    pub(crate) fn is_near(&self, point: DVec3) -> bool {
        self.block(point)
            .is_some_and(|block| !block.pieces.is_empty())
    }

    /// Signed distance to the flesh, about, metres: negative inside.
    pub(crate) fn at(&self, point: DVec3) -> f64 {
        let Some(block) = self.block(point) else {
            return FAR_M;
        };
        let distances = self.cluster_distances(block, point);
        let mut nearest = FAR_M;
        let mut melted = 0.0;
        for &(number, distance) in &distances {
            nearest = nearest.min(distance);
            let cluster = &self.clusters[number];
            let parent = cluster
                .parent
                .and_then(|parent| distances.iter().find(|(other, _)| *other == parent));
            if let Some(&(_, other)) = parent {
                let blend_m = cluster.blend_m * cluster.closeness(point);
                if blend_m > 0.0 {
                    melted += fillet(distance, other, blend_m);
                }
            }
        }
        smooth_max(nearest - melted, -point.y, self.floor_blend_m)
    }

    fn cluster_distances(&self, block: &Block, point: DVec3) -> Vec<(usize, f64)> {
        let mut distances: Vec<(usize, f64)> = Vec::with_capacity(6);
        let mut last = usize::MAX;
        for &(number, ordinal) in &block.pieces {
            let piece = &self.clusters[number as usize].pieces[ordinal as usize];
            let distance = piece.distance_m(point);
            if last != number as usize {
                last = number as usize;
                distances.push((last, FAR_M));
            }
            if let Some((_, sum)) = distances.last_mut() {
                *sum = match piece.role {
                    Role::Flesh => smooth_min(*sum, distance, piece.blend_m),
                    Role::Hollow => smooth_max(*sum, -distance, piece.blend_m),
                };
            }
        }
        distances
    }

    /// Gradient of the field, by differences over a tetrahedron.
    pub(crate) fn gradient(&self, point: DVec3, step_m: f64) -> DVec3 {
        const CORNERS: [DVec3; 4] = [
            DVec3::new(1.0, -1.0, -1.0),
            DVec3::new(-1.0, -1.0, 1.0),
            DVec3::new(-1.0, 1.0, -1.0),
            DVec3::new(1.0, 1.0, 1.0),
        ];
        let sum: DVec3 = CORNERS
            .iter()
            .map(|&corner| corner * self.at(point + corner * step_m))
            .sum();
        sum / (4.0 * step_m)
    }

    /// The point drawn onto the surface by a few Newton steps, none longer than `limit_m`.
    pub(crate) fn onto_surface(&self, start: DVec3, limit_m: f64) -> DVec3 {
        let mut point = start;
        let mut value = self.at(point);
        for _ in 0..4 {
            if value.abs() < 1e-3 * limit_m {
                break;
            }
            let mut gradient = self.gradient(point, 0.05 * limit_m);
            if start.x == 0.0 {
                gradient.x = 0.0;
            }
            let steepness = gradient.length_squared().max(0.04);
            let step = (-value / steepness * gradient).clamp_length_max(limit_m);
            let next = point + step;
            let next_value = self.at(next);
            if next_value.abs() >= value.abs() {
                break;
            }
            (point, value) = (next, next_value);
        }
        point
    }

    /// How near a point is to where a limb grows from the trunk, 0 to 1.
    pub(crate) fn closeness_to_roots(&self, point: DVec3) -> f64 {
        let limbs = self.clusters.iter().filter(|c| c.parent == Some(0));
        limbs.map(|limb| limb.closeness(point)).fold(0.0, f64::max)
    }

    /// The piece of flesh that a point of the surface belongs to; the cluster is decided first.
    pub(crate) fn owner(&self, point: DVec3) -> Option<&Piece> {
        let cluster = self.block(point).and_then(|block| {
            self.cluster_distances(block, point)
                .into_iter()
                .min_by(|a, b| a.1.total_cmp(&b.1))
        });
        let near = match cluster {
            Some((cluster, _)) => &self.clusters[cluster..=cluster],
            None => &self.clusters[..],
        };
        near.iter()
            .flat_map(|cluster| &cluster.pieces)
            .filter(|piece| piece.weighs)
            .map(|piece| (piece.distance_m(point), piece))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, piece)| piece)
    }

    /// All pieces of flesh near a point.
    pub(crate) fn near(&self, point: DVec3) -> Vec<Near<'_>> {
        let Some(block) = self.block(point) else {
            return Vec::new();
        };
        block
            .pieces
            .iter()
            .map(|&(cluster, ordinal)| {
                let piece = &self.clusters[cluster as usize].pieces[ordinal as usize];
                Near {
                    piece,
                    distance_m: piece.distance_m(point),
                }
            })
            .collect()
    }
}

/// A piece near a point.
pub(crate) struct Near<'a> {
    pub(crate) piece: &'a Piece,
    pub(crate) distance_m: f64,
}

/// Lowest and highest corner of all flesh with room for the seams.
fn bounds(clusters: &[Cluster]) -> (DVec3, DVec3) {
    let mut low = DVec3::splat(f64::INFINITY);
    let mut high = DVec3::splat(f64::NEG_INFINITY);
    for cluster in clusters {
        for piece in cluster.pieces.iter().filter(|p| p.role == Role::Flesh) {
            let margin = DVec3::splat(piece.reach_m() + 0.2 * piece.blend_m.max(cluster.blend_m));
            for end in [piece.from, piece.to] {
                low = low.min(end - margin);
                high = high.max(end + margin);
            }
        }
    }
    (low, high)
}
