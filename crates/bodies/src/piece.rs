//! Solid pieces of flesh: rounded cones and pills, smooth or faceted like stone.

use glam::DVec3;

use crate::description::Rgb;

/// Whether a piece adds flesh or takes some away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Role {
    Flesh,
    Hollow,
}

/// One solid piece.
#[derive(Clone, Debug)]
pub(crate) struct Piece {
    pub(crate) role: Role,
    /// Start of the axis, metres.
    pub(crate) from: DVec3,
    /// End of the axis, metres.
    pub(crate) to: DVec3,
    /// Half breadth at the start, the middle and the end, metres.
    pub(crate) radii_m: [f64; 3],
    /// Unit direction in which the piece is flat, and its half depth over its half breadth.
    pub(crate) flat: (DVec3, f64),
    /// Breadth of the seam with the pieces before it in its cluster, metres.
    pub(crate) blend_m: f64,
    /// Unit normals of facets; none where it is smooth.
    pub(crate) facets: Vec<DVec3>,
    /// Colour.
    pub(crate) colour: Rgb,
    /// How much of belly and back colour it takes on, 0 to 1.
    pub(crate) shading: f64,
    /// Whether it carries a ring of the marks' colour.
    pub(crate) banded: bool,
    /// Length of the edges of its triangles, metres.
    pub(crate) grain_m: f64,
    /// The joint that moves it.
    pub(crate) owner: usize,
    /// The joint that moves what lies before the bone.
    pub(crate) before: Option<usize>,
    /// The joint that moves what lies after the bone.
    pub(crate) after: Option<usize>,
    /// Joints that share the twist, with their place from 0 at the bone's start to 1 at its end.
    pub(crate) twists: Vec<(usize, f64)>,
    /// Ends of the bone along which `before`, `owner` and `after` take turns, metres.
    pub(crate) bone: [DVec3; 2],
    /// Whether it decides what moves the surface; small shapes on a bigger one do not.
    pub(crate) weighs: bool,
}

impl Piece {
    /// A piece that one joint moves, from one point to another.
    pub(crate) fn new(owner: usize, from: DVec3, to: DVec3, radii_m: [f64; 3]) -> Self {
        let thickest_m = radii_m[0].max(radii_m[1]).max(radii_m[2]);
        Self {
            role: Role::Flesh,
            from,
            to,
            radii_m,
            flat: (DVec3::Z, 1.0),
            blend_m: 0.5 * thickest_m,
            facets: Vec::new(),
            colour: [0.5; 3],
            shading: 0.0,
            banded: false,
            grain_m: 0.35 * thickest_m,
            owner,
            before: None,
            after: None,
            twists: Vec::new(),
            bone: [from, to],
            weighs: true,
        }
    }

    /// A ball.
    pub(crate) fn ball(owner: usize, centre: DVec3, radius_m: f64) -> Self {
        Self::new(owner, centre, centre, [radius_m; 3])
    }

    pub(crate) fn between(mut self, before: Option<usize>, after: Option<usize>) -> Self {
        (self.before, self.after) = (before, after);
        self
    }

    pub(crate) fn on_bone(mut self, from: DVec3, to: DVec3) -> Self {
        self.bone = [from, to];
        self
    }

    /// Flat along a direction, where it has one across the axis.
    pub(crate) fn flattened(mut self, direction: DVec3, ratio: f64) -> Self {
        let axis = (self.to - self.from).normalize_or_zero();
        let across = direction - axis * direction.dot(axis);
        // A flat direction along the axis leaves only rounding behind.
        if across.length() > 1e-3 {
            self.flat = (across.normalize(), ratio);
        }
        self
    }

    pub(crate) fn melting(mut self, blend_m: f64) -> Self {
        self.blend_m = blend_m;
        self
    }

    pub(crate) fn coloured(mut self, colour: Rgb, shading: f64) -> Self {
        (self.colour, self.shading) = (colour, shading);
        self
    }

    pub(crate) fn grained(mut self, grain_m: f64) -> Self {
        self.grain_m = grain_m;
        self
    }

    pub(crate) fn banded(mut self) -> Self {
        self.banded = true;
        self
    }

    /// A shape on a bigger piece, which moves it.
    pub(crate) fn feature(mut self) -> Self {
        self.weighs = false;
        self
    }

    pub(crate) fn hollow(mut self) -> Self {
        self.role = Role::Hollow;
        self.weighs = false;
        self
    }

    pub(crate) fn thickest_m(&self) -> f64 {
        self.radii_m.iter().copied().fold(0.0, f64::max)
    }

    /// Greatest distance of its surface from its axis, metres.
    pub(crate) fn reach_m(&self) -> f64 {
        // Corners between facets stand out beyond the radius.
        let corners = if self.facets.is_empty() { 1.0 } else { 1.8 };
        self.thickest_m() * self.flat.1.max(1.0) * corners
    }

    /// Place along the axis, 0 to 1, and the vector from there to the point.
    fn nearest_on_axis(&self, point: DVec3) -> (f64, DVec3) {
        let axis = self.to - self.from;
        let offset = point - self.from;
        let length_squared = axis.length_squared();
        let share = if length_squared > 0.0 {
            (offset.dot(axis) / length_squared).clamp(0.0, 1.0)
        } else {
            0.0
        };
        (share, offset - axis * share)
    }

    /// Less than or equal to the distance of the surface, metres.
    pub(crate) fn least_distance_m(&self, point: DVec3) -> f64 {
        self.nearest_on_axis(point).1.length() - self.reach_m()
    }

    /// Half breadth at a share of the length: the parabola through the three radii, metres.
    fn radius_m(&self, share: f64) -> f64 {
        let [start, middle, end] = self.radii_m;
        let bow = 2.0 * middle - 0.5 * (start + end);
        let rest = 1.0 - share;
        rest * rest * start + 2.0 * share * rest * bow + share * share * end
    }

    /// Signed distance, metres; exact for round pieces of even thickness, first-order near the
    /// surface for the others.
    pub(crate) fn distance_m(&self, point: DVec3) -> f64 {
        let (share, away) = self.nearest_on_axis(point);
        let radius_m = self.radius_m(share);
        let (direction, ratio) = self.flat;
        // The flat direction is stretched until the piece is round.
        let depth = away.dot(direction);
        let stretched = away + direction * (depth / ratio - depth);
        let plain = stretched.length();
        let length = if self.facets.is_empty() {
            plain
        } else {
            let face = |normal: &DVec3| normal.dot(stretched);
            self.facets
                .iter()
                .map(face)
                .fold(f64::NEG_INFINITY, f64::max)
        };
        if plain < 1e-12 {
            return -radius_m * ratio.min(1.0);
        }
        // Length of the gradient, which the stretch has changed.
        let slope =
            (stretched + direction * (depth / ratio) * (1.0 / ratio - 1.0)).length() / plain;
        (length - radius_m) / slope
    }
}

/// Unit normals of `count` facets in directions that look random but are always the same.
pub(crate) fn facet_normals(count: usize, seed: usize) -> Vec<DVec3> {
    // Points of a golden spiral, turned and shaken by the seed.
    const GOLDEN: f64 = 2.399_963_229_728_653;
    // One facet lies level on top and one in front, so that there a piece ends at its radius.
    [DVec3::Y, DVec3::Z]
        .into_iter()
        .chain((2..count).map(|index| {
            let shake = |salt: usize| hash_unit(seed * 131 + index * 7 + salt) - 0.5;
            let y = 1.0 - 2.0 * (index as f64 + 0.5) / count as f64;
            let across = (1.0 - y * y).max(0.0).sqrt();
            let (sin, cos) = (GOLDEN * index as f64 + seed as f64).sin_cos();
            let even = DVec3::new(across * cos, y, across * sin);
            (even + 0.5 * DVec3::new(shake(1), shake(2), shake(3))).normalize_or(DVec3::Y)
        }))
        .collect()
}

/// A number from 0 to 1 that a whole number decides.
pub(crate) fn hash_unit(number: usize) -> f64 {
    // The finaliser of SplitMix64 (Steele, Lea & Flood 2014).
    let mut z = (number as u64).wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^= z >> 31;
    (z >> 11) as f64 / (1u64 << 53) as f64
}
