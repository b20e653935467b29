//! Colours of the skin: each piece's own, darker on the back, lighter on the belly, patchy, dimmer
//! where little light gets in.

use glam::DVec3;

use crate::description::{Colours, Rgb};
use crate::field::{Field, smooth};
use crate::piece::{Piece, hash_unit};

/// Where light and dark patches have their size, patches per stature.
const PATCHES: f64 = 14.0;

/// Paints skins.
pub(crate) struct Paint<'a> {
    pub(crate) field: &'a Field,
    pub(crate) colours: &'a Colours,
    pub(crate) stature_m: f64,
}

impl Paint<'_> {
    /// Colour of a point of the skin with its normal.
    pub(crate) fn at(&self, point: DVec3, normal: DVec3) -> Rgb {
        let (own, shading) = self.own(point);
        let colours = self.colours;
        // Belly and throat look forward and down, backs backward and up.
        let front = smooth((normal.dot(DVec3::new(0.0, -0.42, 0.91)) - 0.1) / 0.55);
        let behind = smooth((normal.dot(DVec3::new(0.0, 0.5, -0.86)) - 0.0) / 0.8);
        let mut colour = mix(own, vec3(colours.belly()), shading * front);
        colour = mix(colour, vec3(colours.back()), shading * behind);
        let scaled = point.with_x(point.x.abs()) / self.stature_m * PATCHES;
        let patches = 0.65 * noise(scaled) + 0.35 * noise(2.7 * scaled + 9.0);
        if let Some(top) = colours.top {
            let lies_up = smooth((normal.y - 0.75 + 0.7 * (patches - 0.35)) / 0.3);
            colour = mix(colour, vec3(top), 0.85 * lies_up);
        }
        colour *= 1.0 + f64::from(colours.mottle) * (2.4 * patches - 1.2);
        colour *= self.openness(point, normal);
        [colour.x, colour.y, colour.z].map(|part| part.clamp(0.0, 1.0) as f32)
    }

    /// Colour and shading of the pieces at a point.
    fn own(&self, point: DVec3) -> (DVec3, f64) {
        let near = self.field.near(point);
        let closest = near
            .iter()
            .min_by(|a, b| a.distance_m.abs().total_cmp(&b.distance_m.abs()));
        let Some(closest) = closest else {
            return (vec3(self.colours.coat), 0.0);
        };
        let reach_m = 0.12 * closest.piece.thickest_m() + 0.5 * closest.piece.grain_m;
        let (mut colour, mut shading, mut sum) = (DVec3::ZERO, 0.0, 0.0);
        for other in &near {
            let behind = other.distance_m.abs() - closest.distance_m.abs();
            let weight = (1.0 - behind / reach_m).max(0.0).powi(2);
            colour += weight * self.ringed(other.piece, point);
            shading += weight * other.piece.shading;
            sum += weight;
        }
        (colour / sum, shading / sum)
    }

    /// Colour of a piece with its ring: below the middle of a limb.
    fn ringed(&self, piece: &Piece, point: DVec3) -> DVec3 {
        let plain = vec3(piece.colour);
        if !piece.banded {
            return plain;
        }
        let [start, end] = piece.bone;
        let share = (point - start).dot(end - start) / start.distance_squared(end).max(1e-12);
        let ring = smooth((share - 0.62) / 0.08) * smooth((0.88 - share) / 0.08);
        mix(
            plain,
            vec3(self.colours.mark()),
            ring * f64::from(self.colours.rings),
        )
    }

    /// How much light gets to a point, from 0 to 1: the distance of the flesh a little way off the
    /// surface over the way gone.
    fn openness(&self, point: DVec3, normal: DVec3) -> f64 {
        let at = |share: f64| {
            let way_m = share * self.stature_m;
            (self.field.at(point + normal * way_m) / way_m).clamp(0.0, 1.0)
        };
        0.55 + 0.25 * at(0.012) + 0.2 * at(0.04)
    }
}

pub(crate) fn vec3(colour: Rgb) -> DVec3 {
    DVec3::from_array(colour.map(f64::from))
}

fn mix(from: DVec3, to: DVec3, share: f64) -> DVec3 {
    from.lerp(to, share.clamp(0.0, 1.0))
}

/// Smooth noise from 0 to 1 with one value per unit cube.
pub(crate) fn noise(point: DVec3) -> f64 {
    let cell = point.floor();
    let within = point - cell;
    let corner = |bits: usize| {
        let at = [0, 1, 2].map(|axis| (cell[axis] as i64 + (bits as i64 >> axis & 1)) as usize);
        let number = at[0]
            .wrapping_mul(73_856_093)
            .wrapping_add(at[1].wrapping_mul(19_349_663))
            .wrapping_add(at[2].wrapping_mul(83_492_791));
        hash_unit(number)
    };
    let t = [within.x, within.y, within.z].map(smooth);
    let along = |a: f64, b: f64, t: f64| a + (b - a) * t;
    let edge = |bits: usize| along(corner(bits), corner(bits | 1), t[0]);
    let face = |bits: usize| along(edge(bits), edge(bits | 2), t[1]);
    along(face(0), face(4), t[2])
}
