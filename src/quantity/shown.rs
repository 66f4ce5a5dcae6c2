//! Quantities as they are shown: in the sheet's own system, with the decimals
//! that a person at a vehicle can use.
//!
//! In: a value and the system. Out: text. Refused: nothing; what is not finite
//! is shown as a dash.

use super::units::{Dimension, Scale, find};
use super::written::{QuantityError, read};
use super::{Angle, Force, Frequency, Length, Mass, RollRate, SpringRate, UnitSystem};

/// The unit in which a dimension is shown, and with how many decimals.
const fn shown_in(of: Dimension, units: UnitSystem) -> (&'static str, usize) {
    match (of, units) {
        (Dimension::Length, UnitSystem::Metric) => ("mm", 1),
        (Dimension::Length, UnitSystem::Inch) => ("in", 2),
        (Dimension::Angle, _) => ("deg", 2),
        (Dimension::Mass, UnitSystem::Metric) => ("kg", 1),
        (Dimension::Mass, UnitSystem::Inch) => ("lb", 1),
        (Dimension::Force, UnitSystem::Metric) => ("N", 0),
        (Dimension::Force, UnitSystem::Inch) => ("lbf", 0),
        (Dimension::SpringRate, UnitSystem::Metric) => ("N/mm", 2),
        (Dimension::SpringRate, UnitSystem::Inch) => ("lbf/in", 1),
        (Dimension::RollRate, UnitSystem::Metric) => ("N m/deg", 1),
        (Dimension::RollRate, UnitSystem::Inch) => ("lbf ft/deg", 1),
        (Dimension::Frequency, _) => ("Hz", 2),
        (Dimension::Time, _) => ("s", 1),
        (Dimension::Pressure, UnitSystem::Metric) => ("bar", 2),
        (Dimension::Pressure, UnitSystem::Inch) => ("psi", 1),
        (Dimension::Turns, _) => ("turns", 2),
        (Dimension::Share, _) => ("%", 1),
    }
}

/// The number of an SI value in the shown unit, for a dimension and system.
fn number_in(of: Dimension, units: UnitSystem, si: f64) -> f64 {
    let (name, _) = shown_in(of, units);
    match find(&super::units::tidied(name, of), of).map(|u| u.scale) {
        Some(Scale::Times(factor)) => si / factor,
        _ => si,
    }
}

/// A number with that many decimals; never `-0.0`.
pub fn decimals(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "-".to_owned();
    }
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(size) if !size.contains(|c: char| c.is_ascii_digit() && c != '0') => size.to_owned(),
        _ => text,
    }
}

/// In both systems, each once.
pub(super) fn in_both(of: Dimension, si: f64) -> Vec<String> {
    let mut both: Vec<String> = [UnitSystem::Metric, UnitSystem::Inch]
        .into_iter()
        .map(|units| {
            let (name, places) = shown_in(of, units);
            format!("{} {name}", decimals(number_in(of, units, si), places))
        })
        .collect();
    both.dedup();
    both
}

/// An SI value of a dimension in a system, with its unit and the usual decimals.
pub fn shown(of: Dimension, units: UnitSystem, si: f64) -> String {
    let (name, places) = shown_in(of, units);
    format!("{} {name}", decimals(number_in(of, units, si), places))
}

/// What every quantity can do: be read, and be shown.
pub trait Quantity: Copy {
    /// What it is of.
    const DIMENSION: Dimension;
    /// From SI.
    fn from_si(si: f64) -> Self;
    /// In SI.
    fn si(self) -> f64;

    /// Reads what a person wrote.
    ///
    /// # Errors
    /// As [`QuantityError`] says.
    fn written(text: &str) -> Result<Self, QuantityError> {
        read(text, Self::DIMENSION).map(|w| Self::from_si(w.si))
    }

    /// The name of the unit in which it is shown.
    fn unit(units: UnitSystem) -> &'static str {
        shown_in(Self::DIMENSION, units).0
    }

    /// The bare number in the unit in which it is shown.
    fn number(self, units: UnitSystem) -> f64 {
        number_in(Self::DIMENSION, units, self.si())
    }

    /// With its unit and the usual decimals: `47.6 mm`.
    fn shown(self, units: UnitSystem) -> String {
        self.show(units, shown_in(Self::DIMENSION, units).1)
    }

    /// With its unit and so many decimals.
    fn show(self, units: UnitSystem, places: usize) -> String {
        format!(
            "{} {}",
            decimals(self.number(units), places),
            Self::unit(units)
        )
    }
}

macro_rules! implement {
    ($($name:ident $si:ident),*) => { $(
        impl Quantity for $name {
            const DIMENSION: Dimension = Dimension::$name;
            fn from_si(si: f64) -> Self { Self::new(si) }
            fn si(self) -> f64 { self.$si() }
        }
        impl std::str::FromStr for $name {
            type Err = QuantityError;
            fn from_str(text: &str) -> Result<Self, QuantityError> { Self::written(text) }
        }
    )* };
}

implement!(Length m, Angle rad, Mass kg, Force n, SpringRate n_per_m, RollRate nm_per_rad, Frequency hz);

impl Length {
    /// In inches as on a tape, to the nearest 1/`parts` (a power of two):
    /// `1 7/8 in`.
    pub fn show_fraction(self, parts: u32) -> String {
        let parts = parts.clamp(1, 128).next_power_of_two();
        let whole_parts = (self.inches().abs() * f64::from(parts)).round();
        // Beyond this a tape does not reach.
        if !whole_parts.is_finite() || whole_parts > 1e9 {
            return self.show(UnitSystem::Inch, 2);
        }
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a whole number between 0 and 1e9, just checked"
        )]
        let count = whole_parts as u32;
        let sign = if self.m() < 0.0 && count > 0 { "-" } else { "" };
        let (wholes, mut top, mut bottom) = (count / parts, count % parts, parts);
        while top > 0 && top % 2 == 0 {
            top /= 2;
            bottom /= 2;
        }
        match (wholes, top) {
            (_, 0) => format!("{sign}{wholes} in"),
            (0, _) => format!("{sign}{top}/{bottom} in"),
            _ => format!("{sign}{wholes} {top}/{bottom} in"),
        }
    }
}
