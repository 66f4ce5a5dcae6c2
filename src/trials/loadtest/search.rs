//! The search: values of all unknowns that explain the readings best.
//!
//! # Method
//! 1. Every unknown is counted in standard uncertainties z from its expectation,
//!    so that the sum to make least is |z|^2 + sum over steps of
//!    (y - h(z))' R^-1 (y - h(z)), h the full model's readings at rest.
//! 2. R is the noise of the sensors plus what the scatter of friction does to
//!    all readings of a step together.
//! 3. Damped Gauss-Newton with exact derivatives on the normal equations; they
//!    cannot be singular, since each unknown has its expectation.
//! 4. Which way friction holds is worked out anew in the first rounds, then kept.

use super::failure::LoadTestError;
use super::holding::{Hold, holds};
use super::setup::{Setup, Stood};
use crate::geometry::State;
use crate::statics::StaticsError;
use nalgebra::{DMatrix, DVector};

const ROUNDS: usize = 40;
/// Rounds in which friction may still change sides.
const FREE_ROUNDS: usize = 5;
/// Converged where no unknown moves by more than this share of its standard uncertainty.
const SMALL: f64 = 1e-6;

/// Residuals and Jacobian of one step, both whitened by R.
#[derive(Debug, Clone)]
pub(super) struct White {
    /// Inverse of the lower factor of R.
    pub(super) unmix: DMatrix<f64>,
    pub(super) residual: DVector<f64>,
    pub(super) jacobian: DMatrix<f64>,
}

/// Where the search ended.
#[derive(Debug, Clone)]
pub(super) struct Found {
    pub(super) z: DVector<f64>,
    pub(super) covariance: DMatrix<f64>,
    /// J'J without the expectation.
    pub(super) information: DMatrix<f64>,
    pub(super) stood: Vec<Option<Stood>>,
    pub(super) white: Vec<Option<White>>,
    pub(super) chi_square: f64,
    pub(super) readings: usize,
    pub(super) rounds: usize,
}

/// Rest of every step that takes part.
pub(super) fn stand_all(
    setup: &Setup,
    z: &DVector<f64>,
    holds: &[Hold],
    near: &[State],
    takes_part: &[bool],
) -> Result<Vec<Option<Stood>>, StaticsError> {
    let values = setup.values(z);
    let mut model = setup.model(&values);
    let mut all = Vec::with_capacity(near.len());
    for s in 0..near.len() {
        all.push(if takes_part[s] {
            Some(setup.stand(&mut model, s, &values, &holds[s].share, &near[s])?)
        } else {
            None
        });
    }
    Ok(all)
}

pub(super) fn lower_factor(setup: &Setup, step: usize, stood: &Stood, hold: &Hold, friction: &[f64]) -> Option<DMatrix<f64>> {
    let n = stood.predicted.len();
    let mut r = DMatrix::zeros(n, n);
    for (k, row) in setup.steps[step].rows.iter().enumerate() {
        r[(k, k)] = row.noise * row.noise;
    }
    for (u, f) in friction.iter().enumerate() {
        let effect = stood.held.column(u) * (hold.spread[u] * f);
        r += &effect * effect.transpose();
    }
    r.cholesky()?.l().try_inverse()
}

fn whiten(setup: &Setup, step: usize, stood: &Stood, unmix: DMatrix<f64>) -> White {
    let rows = &setup.steps[step].rows;
    let raw = DVector::from_fn(rows.len(), |k, _| rows[k].value - stood.predicted[k]);
    White { residual: &unmix * raw, jacobian: &unmix * &stood.jacobian, unmix }
}

fn cost(z: &DVector<f64>, white: &[Option<White>]) -> f64 {
    z.norm_squared() + white.iter().flatten().map(|w| w.residual.norm_squared()).sum::<f64>()
}

/// Whitened with the R of each step as it is now.
fn whitened(setup: &Setup, stood: &[Option<Stood>], holds: &[Hold], friction: &[f64]) -> Vec<Option<White>> {
    (0..stood.len())
        .map(|s| {
            let now = stood[s].as_ref()?;
            let unmix = lower_factor(setup, s, now, &holds[s], friction)?;
            Some(whiten(setup, s, now, unmix))
        })
        .collect()
}

/// Seeks the values. `takes_part` says which steps count.
pub(super) fn search(setup: &Setup, takes_part: &[bool], start: Option<&DVector<f64>>) -> Result<Found, LoadTestError> {
    let p = setup.unknowns.len();
    let units = setup.base.units.len();
    let mut z = start.cloned().unwrap_or_else(|| DVector::zeros(p));
    let mut near = vec![setup.base.design; setup.steps.len()];
    let mut held: Vec<Hold> = setup.steps.iter().map(|s| Hold::told(units, s.approach)).collect();
    let mut stood = stand_all(setup, &z, &held, &near, takes_part)?;
    let mut damping = 0.0;
    let mut last_step = f64::INFINITY;
    for round in 0..ROUNDS {
        let friction = setup.friction(&setup.values(&z));
        keep_near(&mut near, &stood);
        if round < FREE_ROUNDS {
            held = holds(setup, &stood, &friction);
            stood = stand_all(setup, &z, &held, &near, takes_part)?;
        }
        let white = whitened(setup, &stood, &held, &friction);
        let mut information = DMatrix::zeros(p, p);
        let mut pull = -&z;
        for w in white.iter().flatten() {
            information += w.jacobian.tr_mul(&w.jacobian);
            pull += w.jacobian.tr_mul(&w.residual);
        }
        if round >= FREE_ROUNDS && last_step < SMALL || round + 1 == ROUNDS && last_step < 1e-3 {
            let normal = &information + DMatrix::identity(p, p);
            let Some(cholesky) = normal.cholesky() else { break };
            let readings = white.iter().flatten().map(|w| w.residual.len()).sum();
            return Ok(Found {
                covariance: cholesky.inverse(),
                information,
                chi_square: cost(&z, &white),
                stood,
                white,
                readings,
                rounds: round,
                z,
            });
        }
        let before = cost(&z, &white);
        let mut moved = false;
        for _ in 0..12 {
            let mut normal = &information + DMatrix::identity(p, p);
            for i in 0..p {
                normal[(i, i)] *= 1.0 + damping;
            }
            let Some(cholesky) = normal.cholesky() else { break };
            let step = cholesky.solve(&pull);
            last_step = step.amax();
            let trial = &z + &step;
            if let Ok(there) = stand_all(setup, &trial, &held, &near, takes_part) {
                let unmixed: Vec<_> = (0..there.len())
                    .map(|s| Some(whiten(setup, s, there[s].as_ref()?, white[s].as_ref()?.unmix.clone())))
                    .collect();
                let after = cost(&trial, &unmixed);
                if after <= before * (1.0 + 1e-9) + 1e-9 {
                    (z, stood, moved) = (trial, there, true);
                    damping = if damping < 1e-3 { 0.0 } else { damping / 10.0 };
                    break;
                }
            }
            damping = (damping * 10.0).max(1e-2);
        }
        if !moved && round >= FREE_ROUNDS {
            break;
        }
    }
    Err(LoadTestError::NotConverged { rounds: ROUNDS, step: last_step })
}

fn keep_near(near: &mut [State], stood: &[Option<Stood>]) {
    for (n, s) in near.iter_mut().zip(stood) {
        if let Some(s) = s {
            *n = s.rest.state;
        }
    }
}
