//! Units of length in files, and the guess of a file's unit from the height of the body in it.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::RangeInclusive;
use std::str::FromStr;

/// The unit in which a file gives lengths.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum LengthUnit {
    /// 0.001 m.
    Millimetre,
    /// 0.01 m.
    Centimetre,
    /// 0.0254 m, by definition (international yard and pound agreement, 1959).
    Inch,
    /// 0.1 m.
    Decimetre,
    /// 0.3048 m.
    Foot,
    /// 1 m.
    Metre,
    /// Any other unit, in metres.
    Custom(f64),
}

impl LengthUnit {
    /// Metres in one unit.
    pub fn metres(self) -> f64 {
        match self {
            Self::Millimetre => 0.001,
            Self::Centimetre => 0.01,
            Self::Inch => 0.0254,
            Self::Decimetre => 0.1,
            Self::Foot => 0.3048,
            Self::Metre => 1.0,
            Self::Custom(metres) => metres,
        }
    }

    /// Units that capture files use.
    const USUAL: [Self; 4] = [Self::Metre, Self::Inch, Self::Centimetre, Self::Millimetre];

    /// Units that few files use.
    const RARE: [Self; 2] = [Self::Foot, Self::Decimetre];

    /// Guesses the unit of a file from the extent of a standing body in it.
    ///
    /// Metres, inches, centimetres and millimetres come first: the one whose reading is nearest to
    /// [`HUMAN_HEIGHT_M`] in ratio. Only where even that reading is no
    /// [human height](is_human_height), and feet or decimetres make it one of
    /// [`PERFORMER_HEIGHT_M`], these are taken. No height fits both.
    pub fn guess_from_height(height_in_file: f64) -> Self {
        let misfit = |unit: Self| (height_in_file * unit.metres() / HUMAN_HEIGHT_M).ln().abs();
        let usual = Self::USUAL
            .into_iter()
            .filter(|unit| misfit(*unit).is_finite())
            .min_by(|a, b| misfit(*a).total_cmp(&misfit(*b)))
            .unwrap_or(Self::Metre);
        let fits = |unit: &Self| PERFORMER_HEIGHT_M.contains(&(height_in_file * unit.metres()));
        match is_human_height(height_in_file * usual.metres()) {
            true => usual,
            false => Self::RARE.into_iter().find(fits).unwrap_or(usual),
        }
    }

    /// Whether files in this unit are so rare that a guess of it is worth a word.
    pub fn is_rare(self) -> bool {
        !Self::USUAL.contains(&self)
    }
}

/// The height that guesses of a unit are held against, metres (common practice: an adult).
pub const HUMAN_HEIGHT_M: f64 = 1.7;

/// Heights of performers, metres (common practice: adults and older children).
pub const PERFORMER_HEIGHT_M: RangeInclusive<f64> = 1.2..=2.2;

/// Whether a height in metres is within a factor of 2 of [`HUMAN_HEIGHT_M`].
pub fn is_human_height(height_m: f64) -> bool {
    (HUMAN_HEIGHT_M / 2.0..=HUMAN_HEIGHT_M * 2.0).contains(&height_m)
}

impl fmt::Display for LengthUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Millimetre => f.write_str("mm"),
            Self::Centimetre => f.write_str("cm"),
            Self::Inch => f.write_str("in"),
            Self::Decimetre => f.write_str("dm"),
            Self::Foot => f.write_str("ft"),
            Self::Metre => f.write_str("m"),
            Self::Custom(metres) => write!(f, "{metres}"),
        }
    }
}

impl FromStr for LengthUnit {
    type Err = String;

    /// Reads `mm`, `cm`, `dm`, `in`, `ft`, `m`, or a number of metres per unit.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Ok(match text.trim().to_ascii_lowercase().as_str() {
            "mm" => Self::Millimetre,
            "cm" => Self::Centimetre,
            "dm" => Self::Decimetre,
            "in" => Self::Inch,
            "ft" => Self::Foot,
            "m" => Self::Metre,
            other => match other.parse::<f64>() {
                Ok(metres) if metres.is_finite() && metres > 0.0 => Self::Custom(metres),
                _ => {
                    return Err(format!(
                        "\"{text}\" is no unit of length; use mm, cm, dm, in, ft, m or the number of metres in one unit"
                    ));
                }
            },
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heights_of_people_give_their_unit() {
        let check = |height, unit| assert_eq!(LengthUnit::guess_from_height(height), unit);
        check(1.8, LengthUnit::Metre);
        check(165.0, LengthUnit::Centimetre);
        check(1720.0, LengthUnit::Millimetre);
        check(67.0, LengthUnit::Inch);
        check(5.6, LengthUnit::Foot);
        check(17.2, LengthUnit::Decimetre);
    }

    #[test]
    fn rare_units_come_only_where_no_usual_one_fits() {
        let check = |height, unit| assert_eq!(LengthUnit::guess_from_height(height), unit);
        // Creatures of up to twice a human stay in metres, and so does what no unit makes human.
        check(3.3, LengthUnit::Metre);
        check(0.9, LengthUnit::Metre);
        check(7.5, LengthUnit::Metre);
        check(11.5, LengthUnit::Inch);
        check(30.0, LengthUnit::Inch);
        check(0.0002, LengthUnit::Metre);
        check(9e9, LengthUnit::Millimetre);
        check(f64::NAN, LengthUnit::Metre);
        check(0.0, LengthUnit::Metre);
        for tenths in 0..100_000 {
            let height = f64::from(tenths) / 10.0;
            let unit = LengthUnit::guess_from_height(height);
            assert!(!unit.is_rare() || (1.2..=2.2).contains(&(height * unit.metres())));
        }
    }

    #[test]
    fn text_and_back() {
        for unit in ["mm", "cm", "dm", "in", "ft", "m"] {
            assert_eq!(unit.parse::<LengthUnit>().unwrap().to_string(), unit);
        }
        assert_eq!("0.05".parse(), Ok(LengthUnit::Custom(0.05)));
        assert!("-1".parse::<LengthUnit>().is_err());
        assert!("furlong".parse::<LengthUnit>().is_err());
    }
}
