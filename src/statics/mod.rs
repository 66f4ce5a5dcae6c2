//! Statics: build sheet + load case -> potential energy -> equilibrium,
//! stiffness, targets. Pure.
//!
//! In: a checked [`BuildSheet`](crate::sheet::BuildSheet) and which loads are on.
//! Out: where the vehicle comes to rest, with every quantity of interest there,
//! and how each answers to a turn, a hole or a kilogram. Refused: a vehicle that
//! has no equilibrium ([`StaticsError`]).
//!
//! The whole model is one function, [`Model::energy`]; everything else is its
//! derivatives, taken exactly with dual numbers.

mod arm;
mod curve;
mod doubt;
mod equilibrium;
mod error;
mod influence;
mod model;
mod parameter;
mod quantities;
mod unit;

pub use arm::{ArmEnd, ArmGeometry};
pub use curve::Curve;
pub use doubt::Doubt;
pub use equilibrium::Equilibrium;
pub use error::StaticsError;
pub use influence::{Cause, Influence, influences};
pub use model::{Model, PointMass, Pose};
pub use parameter::Parameter;
pub use quantities::{
    AxleQuantities, CaseQuantities, LinkQuantities, SuspensionRates, UnitQuantities, Warning,
    quantities,
};
pub use unit::{UnitModel, UnitPlace};
