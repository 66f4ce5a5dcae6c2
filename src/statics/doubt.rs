//! What the sheet is unsure of, as parameters with standard uncertainties.

use super::{Model, Parameter};
use crate::sheet::{BuildSheet, Support};

/// A parameter and its standard uncertainty (in the parameter's own unit).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Doubt {
    /// What is uncertain.
    pub parameter: Parameter,
    /// By how much: one standard deviation.
    pub by: f64,
}

impl Model {
    /// Everything that the sheet gives with an uncertainty and that matters with
    /// the loads now on: spring rates, collar heights, friction (uniform within
    /// its band, so half-width / sqrt 3), tyres, weights and their places.
    pub fn doubts(&self, sheet: &BuildSheet) -> Vec<Doubt> {
        let mut doubts = Vec::new();
        let mut add = |parameter, by: f64| {
            if by > 0.0 {
                doubts.push(Doubt { parameter, by });
            }
        };
        for (i, unit) in self.units.iter().enumerate() {
            if let Some(typed) = sheet.unit(&unit.name) {
                add(Parameter::RateFactor(i), typed.spring.rate_uncertainty);
                add(Parameter::Collar(i), typed.collar.uncertainty.m());
                add(Parameter::Push(i), typed.friction.n() / 3.0_f64.sqrt());
            }
        }
        for (i, axle) in sheet.axles.iter().enumerate() {
            if let Support::Tyres(tyre) = &axle.support {
                add(Parameter::TyreFactor(i), tyre.rate_uncertainty);
            }
        }
        add(Parameter::Mass(0), sheet.sprung.mass_uncertainty.kg());
        for axis in 0..3 {
            add(
                Parameter::MassAt(0, axis),
                sheet.sprung.centre_uncertainty.m(),
            );
        }
        for (i, load) in sheet
            .loads
            .iter()
            .enumerate()
            .filter(|(i, _)| self.masses[i + 1].on)
        {
            add(Parameter::Mass(i + 1), load.mass_uncertainty.kg());
            for axis in 0..3 {
                add(Parameter::MassAt(i + 1, axis), load.place_uncertainty.m());
            }
        }
        doubts
    }
}
