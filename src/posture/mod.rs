//! Posture: readings -> pose of frame and axles with covariance, heights, level,
//! link angle, sag. Pure.
//!
//! In: the model with the loads that are on, and calibrated [`Observation`]s.
//! Out: a [`Posture`]: every quantity with its standard uncertainty, *measured*
//! or *assumed*, a chi-square over all readings, and the sensor that does not
//! fit the others. Refused: nothing; without readings the model's own answer
//! comes back, all of it assumed.

mod estimate;
mod estimator;
mod linear;
mod observe;
mod prior;
mod quantity;

pub use estimate::{Posture, estimate};
pub use estimator::Estimator;
pub(crate) use observe::Linearised;
pub use observe::{Observation, predict};
pub use prior::Prior;
pub use quantity::{Measured, Origin, QuantityKey};

/// State of the posture: the model's seven coordinates, then roll and pitch of
/// the floor plane against gravity (radians).
pub const POSTURE_COORDINATES: usize = crate::geometry::COORDINATES + 2;
/// A posture state.
pub type PostureState = nalgebra::SVector<f64, POSTURE_COORDINATES>;
/// A posture covariance.
pub type PostureMatrix = nalgebra::SMatrix<f64, POSTURE_COORDINATES, POSTURE_COORDINATES>;
/// A posture state of any number type.
pub type PostureStateOf<D> = nalgebra::SVector<D, POSTURE_COORDINATES>;
/// First-order dual number over the posture state.
pub(crate) type PostureDual = num_dual::DualSVec64<POSTURE_COORDINATES>;
