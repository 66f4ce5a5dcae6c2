//! Weighted nonlinear least squares on the model's own state.

use super::{Estimator, Measured, Observation, PostureMatrix, PostureState, Prior, QuantityKey};
use crate::sheet::BuildSheet;
use crate::statics::Model;

/// Where the vehicle is, from readings and model together.
#[derive(Debug, Clone)]
pub struct Posture {
    /// The posture state.
    pub state: PostureState,
    /// Its covariance.
    pub covariance: PostureMatrix,
    /// Every quantity of the vehicle.
    pub quantities: Vec<Measured>,
    /// Chi-square of all readings against the model's expectation and each other.
    pub chi_square: f64,
    /// Number of readings in it.
    pub readings: usize,
    /// Whether the sheet's own uncertainties explain the readings (95 %).
    pub sheet_fits: bool,
    /// The sensor that does not fit the others, with how many standard
    /// deviations it is off; it was left out.
    pub misfit: Option<(usize, f64)>,
}

impl Posture {
    /// One quantity.
    pub fn get(&self, key: QuantityKey) -> Option<&Measured> {
        self.quantities.iter().find(|m| m.key == key)
    }
}

/// Estimates the posture.
///
/// # Method
/// 1. Gauss-Newton on x: minimise (x - x0)' P0^-1 (x - x0) + sum ((y - h(x))/u)^2
///    with the prior x0, P0 of the model.
/// 2. The innovation y - h(x0) has covariance S = J P0 J' + R; its chi-square
///    over n readings says whether the sheet explains them. Where it does not,
///    P0 is scaled up until it does, so that the intervals stay honest.
/// 3. With P0 widened further, each sensor is held against all others
///    (leave-one-out residual (S^-1 r)_i / sqrt((S^-1)_ii)); the worst one beyond
///    the limit is left out and named.
/// 4. A quantity is measured where the readings took away more than half of its
///    prior variance.
pub fn estimate(
    sheet: &BuildSheet,
    model: &Model,
    prior: &Prior,
    observations: &[Observation],
    start: Option<&PostureState>,
) -> Posture {
    Estimator::new().estimate(sheet, model, prior, observations, start)
}
