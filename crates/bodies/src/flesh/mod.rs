//! The flesh of a body as clusters of solid pieces, in the working frame.
//!
//! Which pieces there are is decided here; how they melt into one surface is the business of
//! [`crate::field`].

mod appendage;
mod arm;
pub(crate) mod head;
mod leg;
mod trunk;

use glam::DVec3;

use crate::description::Rgb;
use crate::field::Cluster;
use crate::piece::{Piece, facet_normals};
use crate::plan::{Part, Plan, SIDES, twist_share};

/// Radii of the limbs where none are given, as fractions of stature (common practice).
mod radius {
    pub(super) const NECK: f64 = 0.031;
    pub(super) const UPPER_ARM: f64 = 0.028;
    pub(super) const FOREARM: f64 = 0.024;
    pub(super) const HAND: f64 = 0.024;
    pub(super) const FINGER: f64 = 0.0050;
    pub(super) const SHANK: f64 = 0.033;
}

/// Where a claw sits.
#[derive(Clone, Debug)]
pub(crate) struct ClawSeat {
    /// The joint that moves it.
    pub(crate) joint: usize,
    /// Middle of its root, inside the flesh, metres.
    pub(crate) root: DVec3,
    /// Its point, metres.
    pub(crate) tip: DVec3,
    /// Radius at the root, metres.
    pub(crate) radius_m: f64,
}

/// Clusters of pieces, the trunk's first, and what sits on them.
pub(crate) struct Flesh {
    pub(crate) clusters: Vec<Cluster>,
    pub(crate) claws: Vec<ClawSeat>,
}

/// The flesh of a plan.
pub(crate) fn flesh(plan: &Plan<'_>) -> Flesh {
    let trunk = Cluster {
        parent: None,
        root: plan.bones[0].position,
        reach_m: 0.0,
        blend_m: 0.0,
        pieces: Vec::new(),
    };
    let mut maker = Maker {
        plan,
        clusters: vec![trunk],
        claws: Vec::new(),
    };
    maker.trunk();
    maker.neck();
    maker.head();
    for (pair, arm) in plan.description.arms.iter().enumerate() {
        for side in SIDES {
            maker.arm(arm, side, pair);
        }
    }
    for side in SIDES {
        maker.leg(side);
    }
    maker.appendages();
    maker.hew();
    Flesh {
        clusters: maker.clusters,
        claws: maker.claws,
    }
}

/// Makes no piece thinner than the samples of a grid can show.
pub(crate) fn thicken(clusters: &mut [Cluster], cell_m: f64) {
    for piece in clusters.iter_mut().flat_map(|cluster| &mut cluster.pieces) {
        let least_m = 1.2 * cell_m;
        let (direction, ratio) = piece.flat;
        for radius_m in &mut piece.radii_m {
            *radius_m = radius_m.max(least_m);
        }
        piece.flat = (direction, ratio.max(least_m / piece.thickest_m()));
        piece.grain_m = piece.grain_m.max(1.2 * cell_m);
    }
}

/// How much of belly and back colour limbs take on.
const LIMB_SHADING: f64 = 0.3;

/// The cluster of the trunk.
const TRUNK: usize = 0;

pub(super) struct Maker<'a> {
    plan: &'a Plan<'a>,
    clusters: Vec<Cluster>,
    claws: Vec<ClawSeat>,
}

impl Maker<'_> {
    fn at(&self, bone: usize) -> DVec3 {
        self.plan.bones[bone].position
    }

    fn coat(&self) -> Rgb {
        self.plan.description.colours.coat
    }

    fn ends(&self) -> Rgb {
        self.plan.description.colours.ends
    }

    /// A new cluster that grows out of another; its number.
    fn grow(&mut self, parent: usize, root: DVec3, reach_m: f64, blend_m: f64) -> usize {
        self.clusters.push(Cluster {
            parent: Some(parent),
            root,
            reach_m,
            blend_m,
            pieces: Vec::new(),
        });
        self.clusters.len() - 1
    }

    fn add(&mut self, cluster: usize, piece: Piece) {
        if let Some(cluster) = self.clusters.get_mut(cluster) {
            cluster.pieces.push(piece);
        }
    }

    /// A piece along the bone from a joint to `to`, moved by it and the joints that share its
    /// twist; `after` moves what lies beyond.
    fn limb(&self, bone: usize, to: DVec3, radii_m: [f64; 3], after: Option<usize>) -> Piece {
        let twists = self.plan.twists(bone);
        let count = twists.len();
        let mut piece = Piece::new(bone, self.at(bone), to, radii_m)
            .between(self.plan.bones[bone].parent, after)
            .coloured(self.coat(), LIMB_SHADING);
        piece.twists = twists
            .into_iter()
            .enumerate()
            .map(|(ordinal, joint)| (joint, twist_share(ordinal, count)))
            .collect();
        piece
    }

    /// The joint that a part of the body without joints of its own hangs from.
    fn find(&self, part: Part, side: understudy_anatomy::Side, pair: usize) -> Option<usize> {
        self.plan.find(part, side, pair)
    }

    /// Gives every piece of a body of stone its facets, and its seams an edge.
    fn hew(&mut self) {
        let facets = self.plan.description.features.facets;
        if facets == 0 {
            return;
        }
        let head = self.find(Part::Head, understudy_anatomy::Side::Middle, 0);
        let head = head.unwrap_or(usize::MAX);
        let head_m = self.plan.head_radius_m();
        let pieces = self.clusters.iter_mut().flat_map(|c| {
            c.blend_m *= 0.15;
            &mut c.pieces
        });
        for (seed, piece) in pieces.enumerate() {
            piece.blend_m *= 0.12;
            piece.grain_m *= 0.6;
            piece.facets = facet_normals(facets, seed);
            // The shapes of a face would not be known again.
            if piece.owner == head && piece.thickest_m() < 0.7 * head_m {
                piece.facets = facet_normals(2 * facets, seed);
            }
        }
    }
}
