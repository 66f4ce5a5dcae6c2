//! A coil spring from its wire, for a spring whose rate nobody knows.
//!
//! In: what a calliper and a count of the coils give. Out: rate, lengths, coil
//! bind and stress. Refused: a coil that is no coil, a free length at or under
//! the solid one.

use super::LayoutError;
use super::error::over;
use crate::quantity::{Force, Length, SpringRate};
use crate::sheet::{Spring, SpringCurve};

/// Modulus of rigidity of spring steel in pascals where nothing else is known.
///
/// Source: Bhandari, Design of Machine Elements, 3rd ed., ch. 10: 81 370 N/mm²
/// for patented and oil-tempered steel wire.
pub const STEEL_SHEAR_MODULUS_PA: f64 = 81.37e9;

/// How the ends of the wire are made.
///
/// Source: Shigley's Mechanical Engineering Design, table 10-1 (from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ends {
    /// Cut off.
    Plain,
    /// Cut off and ground flat.
    PlainGround,
    /// Closed: the last coil lies on the one before.
    Squared,
    /// Closed and ground flat.
    SquaredGround,
}

impl Ends {
    /// Coils that do not work as springs.
    pub const fn dead_coils(self) -> f64 {
        match self {
            Self::Plain => 0.0,
            Self::PlainGround => 1.0,
            Self::Squared | Self::SquaredGround => 2.0,
        }
    }

    /// Wire diameters in the solid length beyond one for each coil.
    const fn solid_extra(self) -> f64 {
        match self {
            Self::Plain | Self::Squared => 1.0,
            Self::PlainGround | Self::SquaredGround => 0.0,
        }
    }

    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::PlainGround => "plain, ground",
            Self::Squared => "squared",
            Self::SquaredGround => "squared, ground",
        }
    }
}

/// A spring as measured. Uncertainties are standard; zero where not given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wire {
    /// Diameter of the wire.
    pub wire: Length,
    /// Uncertainty of it.
    pub wire_uncertainty: Length,
    /// Mean diameter of the coil: outside less one wire.
    pub coil: Length,
    /// Uncertainty of it.
    pub coil_uncertainty: Length,
    /// Active coils.
    pub active: f64,
    /// Uncertainty of them.
    pub active_uncertainty: f64,
    /// Ends.
    pub ends: Ends,
    /// Free length.
    pub free_length: Length,
    /// Modulus of rigidity, pascals.
    pub shear_modulus_pa: f64,
}

/// What follows from the wire.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WireSpring {
    /// As measured.
    pub wire: Wire,
    /// `G d^4 / (8 D^3 N)`.
    pub rate: SpringRate,
    /// Standard uncertainty of the rate as a share of it, of what was measured
    /// alone: the modulus is taken as given.
    pub rate_uncertainty: f64,
    /// All coils, dead ones too.
    pub total_coils: f64,
    /// Mean coil over wire diameter.
    pub index: f64,
    /// With the coils touching.
    pub solid_length: Length,
    /// From free to solid.
    pub bind_travel: Length,
    /// Force with the coils touching.
    pub bind_force: Force,
}

impl Wire {
    /// Bare numbers without uncertainty: wire and mean coil diameter, active
    /// coils, ends, free length, modulus.
    pub const fn new(wire: Length, coil: Length, active: f64, ends: Ends, free: Length) -> Self {
        Self {
            wire,
            wire_uncertainty: Length::ZERO,
            coil,
            coil_uncertainty: Length::ZERO,
            active,
            active_uncertainty: 0.0,
            ends,
            free_length: free,
            shear_modulus_pa: STEEL_SHEAR_MODULUS_PA,
        }
    }

    /// Works it out.
    ///
    /// # Errors
    /// Diameters or coils that cannot be, or a free length that leaves no travel.
    pub fn spring(self) -> Result<WireSpring, LayoutError> {
        let (d, coil, n) = (self.wire.m(), self.coil.m(), self.active);
        let mm = |l: Length| format!("{:.3} mm", l.mm());
        if !(d > 0.0 && d.is_finite()) {
            return Err(LayoutError::impossible(
                "wire.diameter",
                mm(self.wire),
                "it must be greater than zero",
            ));
        }
        if !over(coil, d) {
            return Err(LayoutError::Contradiction {
                first: "wire.coil_diameter".to_owned(),
                first_value: mm(self.coil),
                second: "wire.diameter".to_owned(),
                second_value: mm(self.wire),
                why: "the mean coil must be wider than its wire is thick".to_owned(),
            });
        }
        if !(n > 0.0 && n.is_finite()) {
            return Err(LayoutError::impossible(
                "wire.active_coils",
                n,
                "at least part of a coil must work",
            ));
        }
        if !over(self.shear_modulus_pa, 0.0) {
            return Err(LayoutError::impossible(
                "wire.shear_modulus",
                self.shear_modulus_pa,
                "it must be greater than zero",
            ));
        }
        let rate = self.shear_modulus_pa * d.powi(4) / (8.0 * coil.powi(3) * n);
        let total = n + self.ends.dead_coils();
        let solid = d * (total + self.ends.solid_extra());
        let travel = self.free_length.m() - solid;
        if !over(travel, 0.0) {
            return Err(LayoutError::Contradiction {
                first: "wire.free_length".to_owned(),
                first_value: mm(self.free_length),
                second: "wire.active_coils".to_owned(),
                second_value: n.to_string(),
                why: format!(
                    "the coils alone are {:.1} mm long when they touch",
                    solid * 1e3
                ),
            });
        }
        let parts = [
            4.0 * self.wire_uncertainty.m() / d,
            3.0 * self.coil_uncertainty.m() / coil,
            self.active_uncertainty / n,
        ];
        Ok(WireSpring {
            wire: self,
            rate: SpringRate::new(rate),
            rate_uncertainty: parts.iter().map(|p| p * p).sum::<f64>().sqrt(),
            total_coils: total,
            index: coil / d,
            solid_length: Length::new(solid),
            bind_travel: Length::new(travel),
            bind_force: Force::new(rate * travel),
        })
    }
}

impl WireSpring {
    /// Greatest shear stress at a force, pascals: `K 8 F D / (pi d³)` with Wahl's
    /// factor for curvature and direct shear.
    pub fn stress_pa(&self, force: Force) -> f64 {
        let d = self.wire.wire.m();
        let plain = 8.0 * force.n() * self.wire.coil.m() / (std::f64::consts::PI * d.powi(3));
        plain * wahl(self.index)
    }

    /// As a spring of the sheet.
    pub fn spring(&self) -> Spring {
        Spring {
            curve: SpringCurve::Linear(self.rate),
            free_length: self.wire.free_length,
            solid_length: Some(self.solid_length),
            rate_uncertainty: self.rate_uncertainty,
        }
    }
}

/// Wahl's factor at a spring index: `(4C - 1)/(4C - 4) + 0.615/C`.
///
/// Source: Bhandari, Design of Machine Elements, 3rd ed., ch. 10.
pub fn wahl(index: f64) -> f64 {
    (4.0 * index - 1.0) / (4.0 * index - 4.0) + 0.615 / index
}
