//! Units that a described device may send in.
//!
//! In: a number and its unit. Out: radians or metres, with the kind.

use super::SampleKind;
use crate::quantity::METRES_PER_INCH;

/// The unit of a number on the line, before its scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum ValueUnit {
    /// Degrees of angle.
    Degree,
    /// Radians.
    Radian,
    /// Metres.
    Metre,
    /// Millimetres.
    Millimetre,
    /// Inches.
    Inch,
}

impl ValueUnit {
    /// What a value in it is.
    pub const fn kind(self) -> SampleKind {
        match self {
            Self::Degree | Self::Radian => SampleKind::Angle,
            Self::Metre | Self::Millimetre | Self::Inch => SampleKind::Distance,
        }
    }

    /// Radians or metres in one of it.
    pub const fn factor(self) -> f64 {
        match self {
            Self::Degree => std::f64::consts::PI / 180.0,
            Self::Radian | Self::Metre => 1.0,
            Self::Millimetre => 1e-3,
            Self::Inch => METRES_PER_INCH,
        }
    }
}
