//! Colours that colour-blind people can tell apart, after Okabe & Ito, "Color Universal Design"
//! (2008). Nothing is said by colour alone: shapes and words go with them.

use understudy_anatomy::Side;

/// A colour as it is written: red, green, blue of sRGB, 0 to 255.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rgb(pub u8, pub u8, pub u8);

impl Rgb {
    /// Linear red, green, blue, and full opacity (IEC 61966-2-1).
    pub fn linear(self) -> [f32; 4] {
        let [r, g, b] = [self.0, self.1, self.2].map(|value| {
            let value = f32::from(value) / 255.0;
            match value <= 0.04045 {
                true => value / 12.92,
                false => ((value + 0.055) / 1.055).powf(2.4),
            }
        });
        [r, g, b, 1.0]
    }
}

/// Orange of the palette.
pub const ORANGE: Rgb = Rgb(230, 159, 0);
/// Sky blue of the palette.
pub const SKY: Rgb = Rgb(86, 180, 233);
/// Bluish green of the palette.
pub const GREEN: Rgb = Rgb(0, 158, 115);
/// Yellow of the palette.
pub const YELLOW: Rgb = Rgb(240, 228, 66);
/// Vermillion of the palette.
pub const VERMILLION: Rgb = Rgb(213, 94, 0);
/// Reddish purple of the palette.
pub const PURPLE: Rgb = Rgb(204, 121, 167);

/// Bones on the midline.
pub const MIDDLE: Rgb = Rgb(222, 214, 196);
/// Balls at the joints.
pub const JOINT: Rgb = Rgb(120, 124, 130);
/// Skin of a body whose file gives no colour.
pub const SKIN: Rgb = Rgb(196, 150, 112);
/// Skin of a performer whose file gives no colour.
pub const PERFORMER: Rgb = Rgb(150, 166, 182);

/// The colour of a side: bones, contacts and tracks of it.
pub fn side(side: Side) -> Rgb {
    match side {
        Side::Left => SKY,
        Side::Right => ORANGE,
        Side::Middle => MIDDLE,
    }
}

/// A colour between two, `t` from 0 to 1.
pub fn between(a: Rgb, b: Rgb, t: f64) -> Rgb {
    let t = t.clamp(0.0, 1.0);
    let mix = |a: u8, b: u8| (f64::from(a) + t * (f64::from(b) - f64::from(a))).round() as u8;
    Rgb(mix(a.0, b.0), mix(a.1, b.1), mix(a.2, b.2))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn linear_values_follow_the_standard() {
        // IEC 61966-2-1: sRGB 188 is a linear 0.5029.
        assert!((Rgb(188, 0, 255).linear()[0] - 0.5029).abs() < 1e-3);
        assert_eq!(Rgb(188, 0, 255).linear()[2], 1.0);
        assert_eq!(
            between(Rgb(0, 0, 0), Rgb(200, 100, 50), 0.5),
            Rgb(100, 50, 25)
        );
    }
}
