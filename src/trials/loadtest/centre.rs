//! From the likeliest values to their mean: what the search cannot see.
//!
//! In: where the search ended, and the quantities that matter. Out: the same,
//! moved to the mean of what the readings leave possible. Refused: nothing; where
//! the model has no rest nearby, it stays where the search ended.
//!
//! # Method
//! The search ends at the likeliest values of all unknowns together, the scatter
//! of friction at every stop among them. There are many of those, and how much
//! room they have depends on the rates: softer springs turn the same scatter into
//! more height. The likeliest values do not count that room and come out a little
//! soft. The mean does; to second order (Laplace's method, Tierney and Kadane 1986,
//! from memory) it is off the likeliest values by
//!
//! `-C (1/2 d ln det N/dz + J' b)`,
//!
//! N the normal matrix, C its inverse, J the readings' derivatives, and b half
//! their second differences summed over C: by how much their mean is off the
//! reading at the middle. The first part is taken along the quantities asked for,
//! the second along the unknowns that are told least: tyres and rates.

use super::search::{Found, stand_all, whiten};
use super::setup::{Setup, Stood};
use super::unknowns::Unknown;
use crate::geometry::State;
use nalgebra::{DMatrix, DVector};

/// Differences are taken over so much of a standard uncertainty.
const STEP: f64 = 0.7;
/// A quantity is moved by at most this much of its standard uncertainty: where more
/// comes out, second order is not enough to say so.
const MOST: f64 = 0.5;

/// Moves what was found to the mean; `asked` are the quantities, as weights over
/// the unknowns.
pub(super) fn centre(
    setup: &Setup,
    found: Found,
    takes_part: &[bool],
    asked: &[DVector<f64>],
) -> Found {
    let Some(by) = shift(setup, &found, takes_part, asked) else {
        return found;
    };
    let z = &found.z + by;
    let Some(stood) = stand(setup, &found, &z, takes_part) else {
        return found;
    };
    Found {
        white: whiten(setup, &stood),
        stood,
        z,
        ..found
    }
}

fn shift(
    setup: &Setup,
    found: &Found,
    takes_part: &[bool],
    asked: &[DVector<f64>],
) -> Option<DVector<f64>> {
    let c = &found.covariance;
    let bend = bend(setup, found, takes_part)?;
    let mut wanted = DVector::zeros(asked.len());
    let mut ways = DMatrix::zeros(c.nrows(), asked.len());
    for (k, weights) in asked.iter().enumerate() {
        let way = c * weights;
        let spread = weights.dot(&way).sqrt();
        if spread <= 0.0 {
            return None;
        }
        // Along the way on which this quantity moves by its own uncertainty.
        let room = |side: f64| {
            let z = &found.z + &way * (side * STEP / spread);
            let stood = stand(setup, found, &z, takes_part)?;
            log_det(setup, &stood)
        };
        let slope = (room(1.0)? - room(-1.0)?) / (2.0 * STEP);
        let by = -0.5 * slope - way.dot(&bend) / spread;
        wanted[k] = by.clamp(-MOST, MOST) * spread;
        ways.set_column(k, &way);
    }
    // All others follow as what is known of the quantities has it.
    let among = DMatrix::from_fn(asked.len(), asked.len(), |i, j| {
        asked[i].dot(&ways.column(j))
    });
    Some(&ways * among.cholesky()?.solve(&wanted))
}

fn stand(
    setup: &Setup,
    found: &Found,
    z: &DVector<f64>,
    takes_part: &[bool],
) -> Option<Vec<Option<Stood>>> {
    let near: Vec<State> = found
        .stood
        .iter()
        .map(|s| s.as_ref().map_or(setup.base.design, |s| s.held.rest.state))
        .collect();
    stand_all(setup, z, &near, takes_part, None).ok()
}

/// Logarithm of the determinant of the normal matrix.
fn log_det(setup: &Setup, stood: &[Option<Stood>]) -> Option<f64> {
    let p = setup.unknowns.len();
    let mut normal = DMatrix::identity(p, p);
    for w in whiten(setup, stood).iter().flatten() {
        normal += w.jacobian.tr_mul(&w.jacobian);
    }
    let cholesky = normal.cholesky()?;
    let diagonal = cholesky.l_dirty().diagonal();
    Some(2.0 * diagonal.iter().map(|x| x.ln()).sum::<f64>())
}

/// `J' b`: how far readings bend over what is possible, seen by the unknowns.
fn bend(setup: &Setup, found: &Found, takes_part: &[bool]) -> Option<DVector<f64>> {
    let mut left = found.covariance.clone();
    let told_least = setup
        .unknowns
        .iter()
        .enumerate()
        .filter(|(_, e)| matches!(e.what, Unknown::Tyre(_) | Unknown::Rate(_)));
    let mut sum = DVector::zeros(left.nrows());
    for (i, _) in told_least {
        let variance = left[(i, i)];
        if variance <= 1e-12 {
            continue;
        }
        let way = left.column(i) / variance.sqrt();
        left -= &way * way.transpose();
        let at = |side: f64| stand(setup, found, &(&found.z + &way * side), takes_part);
        let (up, down) = (whiten(setup, &at(1.0)?), whiten(setup, &at(-1.0)?));
        for ((up, down), here) in up.iter().zip(&down).zip(&found.white) {
            if let (Some(up), Some(down), Some(here)) = (up, down, here) {
                // Residuals are readings less predictions.
                let b = (&here.residual * 2.0 - &up.residual - &down.residual) * 0.5;
                sum += here.jacobian.tr_mul(&b);
            }
        }
    }
    Some(sum)
}
