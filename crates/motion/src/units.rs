//! Units of length in files, and the guess of a file's unit from the height of the body in it.

use serde::{Deserialize, Serialize};
use std::fmt;
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

    /// Guesses the unit of a file from the extent of a standing body in it.
    ///
    /// A performer is between 1.2 and 2.2 m tall (common practice: adults and older children),
    /// so the unit whose reading is nearest to 1.7 m in ratio wins among the units that capture
    /// files use: metres, inches, centimetres, millimetres.
    pub fn guess_from_height(height_in_file: f64) -> Self {
        let candidates = [Self::Metre, Self::Inch, Self::Centimetre, Self::Millimetre];
        let misfit = |unit: Self| (height_in_file * unit.metres() / 1.7).ln().abs();
        candidates
            .into_iter()
            .filter(|unit| misfit(*unit).is_finite())
            .min_by(|a, b| misfit(*a).total_cmp(&misfit(*b)))
            .unwrap_or(Self::Metre)
    }
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
