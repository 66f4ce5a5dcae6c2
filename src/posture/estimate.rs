//! Weighted nonlinear least squares on the model's own state.

use super::observe::{floor_part, predict_with_gradient};
use super::{Measured, Observation, Origin, PostureMatrix, PostureState, Prior, QuantityKey};
use crate::leastsquares::chi_square_quantile;
use crate::sheet::BuildSheet;
use crate::statics::Model;
use nalgebra::{DMatrix, DVector};

const STEPS: usize = 8;
/// The prior is this much wider (in standard deviation) when sensors are held
/// against each other, so that a wrong sheet does not accuse a good sensor.
const DOUBT_OF_SHEET: f64 = 4.0;
/// A sensor is named where it is further off than this many standard
/// deviations from what all others say (two-sided chance about 1 in 16,000).
const MISFIT_SIGMAS: f64 = 4.0;

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

struct Row {
    sensor: usize,
    value: f64,
    uncertainty: f64,
    predicted: f64,
    gradient: PostureState,
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
    let mut used: Vec<Observation> = observations.to_vec();
    let misfit = find_misfit(sheet, model, prior, &used);
    if let Some((sensor, _)) = misfit {
        used.retain(|o| o.sensor != sensor);
    }
    let rows = rows(sheet, model, &prior.state, &used);
    let chi_square = innovation(prior, &rows).map_or(0.0, |(s, r)| r.dot(&(s * &r)));
    let n = rows.len();
    let sheet_fits = chi_square_quantile(0.95, n as f64).map_or(true, |limit| chi_square <= limit);
    let stretch = if sheet_fits {
        1.0
    } else {
        (chi_square / n as f64).max(1.0)
    };
    let prior_used = prior.widened(stretch);
    let (state, covariance) = solve(sheet, model, &prior_used, &used, start);
    let quantities = QuantityKey::all(sheet, model)
        .into_iter()
        .map(|key| {
            let (value, g) = key.with_gradient(sheet, model, &state);
            let variance = (g.transpose() * covariance * g)[0].max(0.0);
            let before = (g.transpose() * prior_used.covariance * g)[0];
            let origin = if variance < 0.5 * before {
                Origin::Measured
            } else {
                Origin::Assumed
            };
            Measured {
                key,
                value,
                uncertainty: variance.sqrt(),
                origin,
            }
        })
        .collect();
    Posture {
        state,
        covariance,
        quantities,
        chi_square,
        readings: n,
        sheet_fits,
        misfit,
    }
}

fn rows(
    sheet: &BuildSheet,
    model: &Model,
    x: &PostureState,
    observations: &[Observation],
) -> Vec<Row> {
    observations
        .iter()
        .filter_map(|o| {
            let measurand = &sheet.sensors.get(o.sensor)?.reads;
            let (predicted, gradient) = predict_with_gradient(model, measurand, x)?;
            let floor = floor_part(measurand, sheet.floor.flatness.m());
            let uncertainty = o.uncertainty.hypot(floor).max(1e-9);
            Some(Row {
                sensor: o.sensor,
                value: o.value,
                uncertainty,
                predicted,
                gradient,
            })
        })
        .collect()
}

/// Inverse of the innovation's covariance, and the innovation.
fn innovation(prior: &Prior, rows: &[Row]) -> Option<(DMatrix<f64>, DVector<f64>)> {
    let n = rows.len();
    let s = DMatrix::from_fn(n, n, |i, j| {
        let shared = (rows[i].gradient.transpose() * prior.covariance * rows[j].gradient)[0];
        shared
            + if i == j {
                rows[i].uncertainty.powi(2)
            } else {
                0.0
            }
    });
    let r = DVector::from_fn(n, |i, _| rows[i].value - rows[i].predicted);
    Some((s.cholesky()?.inverse(), r))
}

fn find_misfit(
    sheet: &BuildSheet,
    model: &Model,
    prior: &Prior,
    observations: &[Observation],
) -> Option<(usize, f64)> {
    // Against one other reading nobody can say which of the two is wrong.
    if observations.len() < 3 {
        return None;
    }
    let wide = prior.widened(DOUBT_OF_SHEET * DOUBT_OF_SHEET);
    let (state, _) = solve(sheet, model, &wide, observations, None);
    let mut rows = rows(sheet, model, &state, observations);
    // Linearised about the estimate, but held against the prior's expectation.
    for row in &mut rows {
        row.predicted += row.gradient.dot(&(wide.state - state));
    }
    let (s, r) = innovation(&wide, &rows)?;
    let weighed = &s * &r;
    let (worst, off) = (0..rows.len())
        .map(|i| (i, weighed[i] / s[(i, i)].sqrt()))
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    (off.abs() > MISFIT_SIGMAS).then_some((rows[worst].sensor, off))
}

fn solve(
    sheet: &BuildSheet,
    model: &Model,
    prior: &Prior,
    observations: &[Observation],
    start: Option<&PostureState>,
) -> (PostureState, PostureMatrix) {
    let mut x = start.copied().unwrap_or(prior.state);
    let mut covariance = prior.covariance;
    for _ in 0..STEPS {
        let mut information = prior.inverse;
        let mut pull = prior.inverse * (prior.state - x);
        for row in rows(sheet, model, &x, observations) {
            let weight = row.uncertainty.powi(-2);
            information += row.gradient * row.gradient.transpose() * weight;
            pull += row.gradient * ((row.value - row.predicted) * weight);
        }
        let Some(cholesky) = information.cholesky() else {
            break;
        };
        covariance = cholesky.inverse();
        let step = cholesky.solve(&pull);
        x += step;
        if step.amax() < 1e-9 {
            break;
        }
    }
    (x, covariance)
}
