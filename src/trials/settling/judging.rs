//! Whether a fit says anything: noise correlation, and what the readings determine.

use super::SettlingError;
use super::candidate::{Candidate, Status};
use super::fitting::{Grids, single_squares};
use super::law::{Law, MOST};
use super::series::Prepared;
use crate::leastsquares::f_quantile;

/// Noise that hangs together more than this is not noise but a law.
const MOST_CORRELATED: f64 = 0.98;

/// Correlation up to which it widens the limit for what counts as determined: beyond, slow noise
/// and settling cannot be told apart by this measure, and the weights must do it.
const MOST_WIDENING_CORRELATION: f64 = 0.8;

/// Correlation of the noise from one reading to the next, from the residuals after `p`
/// parameters; 0 unless it is positive beyond what one white series in twenty shows.
///
/// # Method
/// Parameters of smooth laws take away slow variation, which in correlated noise has F = (1+r)/(1-r)
/// times the white variance and itself a lag-1 correlation near 1. So the sums over the residuals
/// are about n - pF and nr - pF in units of the noise variance, and r follows by iteration. For
/// p = 1 and small r this is the known bias of -(1 + 4r)/n or so (Kendall 1954).
pub(super) fn correlation(residuals: &[f64], p: usize) -> f64 {
    let (n, p) = (residuals.len() as f64, p as f64);
    let all: f64 = residuals.iter().map(|r| r * r).sum();
    if residuals.len() < 10 || all <= 0.0 {
        return 0.0;
    }
    let seen = residuals.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / all;
    if seen + p / n <= 1.645 / n.sqrt() {
        return 0.0;
    }
    let mut r = seen.clamp(0.0, MOST_CORRELATED);
    for _ in 0..50 {
        let taken = (p * (1.0 + r) / (1.0 - r)).min(n / 2.0);
        r = (seen * (n - taken) / n + taken / n).clamp(0.0, MOST_CORRELATED);
    }
    r
}

/// As how many independent readings `n` with that correlation count.
pub(super) fn effective(n: usize, correlation: f64, p: usize) -> f64 {
    (n as f64 * (1.0 - correlation) / (1.0 + correlation)).max(p as f64 + 1.0)
}

/// Whether a fit is determined by the readings; where it is not, this reason goes before others.
pub(super) fn judge(
    found: &Candidate,
    series: &Prepared,
    on_bound: &[(usize, f64)],
    held: &[Option<f64>],
    grids: &mut Grids,
    fixed: &[Option<f64>],
) -> Result<Status, SettlingError> {
    let law = found.law;
    let floor = series.floor_squares();
    let (n, p) = (series.len(), found.parameters_taken());
    let freedom = (found.degrees_of_freedom as f64).max(1.0);
    let r = correlation(&found.residuals, p).min(MOST_WIDENING_CORRELATION);
    let widening = n as f64 / effective(n, r, p);
    let least = found.squares.max(floor);
    let limit = |extra: f64| -> Result<f64, SettlingError> {
        Ok(least * (1.0 + extra * f_quantile(0.95, extra, freedom)? * widening / freedom))
    };
    // The simpler law inside this one.
    let linear_free = held.iter().all(Option::is_none);
    match law {
        Law::None => {}
        Law::TwoExponentials => {
            let whole = (1..MOST).all(|j| fixed[j].is_none());
            if whole && single_squares(series, fixed[0], grids)?.max(floor) <= limit(2.0)? {
                return Ok(Status::NoBetterThan {
                    simpler: Law::Exponential,
                });
            }
        }
        _ if linear_free => {
            let flat = series.flat_squares();
            if flat.max(floor) <= limit(2.0)? {
                return Ok(Status::NoBetterThan { simpler: Law::None });
            }
        }
        _ => {}
    }
    if !found.is_converged() {
        return Ok(found.status.clone());
    }
    let bound_limit = limit(1.0)?;
    let mut loose: Vec<&'static str> = on_bound
        .iter()
        .filter(|(_, squares)| squares.max(floor) <= bound_limit)
        .map(|&(k, _)| law.parameter_names()[law.nonlinear()[k]])
        .collect();
    loose.dedup();
    if loose.is_empty() {
        Ok(found.status.clone())
    } else {
        Ok(Status::NotDetermined { parameters: loose })
    }
}
