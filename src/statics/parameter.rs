//! How the state of rest answers to a small change of anything in the sheet.

use super::{Equilibrium, Model};
use crate::geometry::{State, gradient};
use crate::quantity::STANDARD_GRAVITY_M_S2;

/// Something of the model that can change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Parameter {
    /// Collar height of unit `i`, metres.
    Collar(usize),
    /// Factor on the catalogued force of unit `i`.
    RateFactor(usize),
    /// Force that pushes the ends of unit `i` apart, newtons.
    Push(usize),
    /// Mass `i` of [`Model::masses`], kilograms.
    Mass(usize),
    /// Coordinate (0 x, 1 y, 2 z) of mass `i`, metres.
    MassAt(usize, usize),
    /// Factor on the tyre rate of axle `i`.
    TyreFactor(usize),
    /// Unloaded radius of the tyres of axle `i`, metres.
    TyreRadius(usize),
}

impl Parameter {
    /// Makes the change in a model.
    pub fn shift(self, model: &mut Model, by: f64) {
        match self {
            Self::Collar(i) => model.units[i].collar += by,
            Self::RateFactor(i) => model.units[i].rate_factor += by,
            Self::Push(i) => model.units[i].push += by,
            Self::Mass(i) => model.masses[i].mass += by,
            Self::MassAt(i, axis) => model.masses[i].at[axis] += by,
            Self::TyreFactor(i) => {
                if let Some(t) = &mut model.axles[i].tyre {
                    t.rate_factor += by;
                }
            }
            Self::TyreRadius(i) => {
                if let Some(t) = &mut model.axles[i].tyre {
                    t.radius += by;
                }
            }
        }
    }
}

impl Model {
    /// Derivative of the energy's gradient with respect to a parameter, in a
    /// state: how the forces change at a fixed pose.
    pub fn force_change(&self, q: &State, parameter: Parameter) -> State {
        let length = |i: usize| gradient(|x| self.units[i].length(&self.pose(x)), q);
        match parameter {
            Parameter::Collar(i) => {
                let (l, dl) = length(i);
                -dl * self.units[i].spring_rate(l)
            }
            Parameter::RateFactor(i) => {
                let (l, dl) = length(i);
                let unit = &self.units[i];
                -dl * unit.curve.force(unit.compression(l))
            }
            Parameter::Push(i) => -length(i).1,
            Parameter::Mass(i) => {
                let mass = &self.masses[i];
                gradient(|x| self.pose(x).frame.height(mass.at), q).1 * STANDARD_GRAVITY_M_S2
            }
            Parameter::MassAt(i, axis) => {
                let mass = &self.masses[i];
                if !mass.on {
                    return State::zeros();
                }
                let mut along = [0.0; 3];
                along[axis] = 1.0;
                let (_, g) = gradient(|x| self.pose(x).frame.direction(along)[2], q);
                g * (mass.mass * STANDARD_GRAVITY_M_S2)
            }
            Parameter::TyreFactor(i) => self.tyre_change(q, i, |t, squeeze| t.rate * squeeze),
            Parameter::TyreRadius(i) => self.tyre_change(q, i, |t, _| t.rate * t.rate_factor),
        }
    }

    fn tyre_change(
        &self,
        q: &State,
        i: usize,
        force: impl Fn(&super::model::TyreModel, f64) -> f64,
    ) -> State {
        let Some(tyre) = self.axles[i].tyre else {
            return State::zeros();
        };
        let mut total = State::zeros();
        for side in 0..2 {
            let (h, dh) = gradient(|x| self.wheel_clearances(i, &self.pose(x))[side], q);
            let squeeze = tyre.radius - h;
            if squeeze > 0.0 {
                total -= dh * force(&tyre, squeeze);
            }
        }
        total
    }
}

impl Equilibrium {
    /// How the state of rest moves with a parameter: `-K^-1 dg/dp`.
    pub fn response(&self, model: &Model, parameter: Parameter) -> State {
        -(self.compliance * model.force_change(&self.state, parameter))
    }
}
