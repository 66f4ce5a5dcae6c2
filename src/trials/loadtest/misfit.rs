//! The reading that does not fit, and the sensor that slipped.
//!
//! # Method
//! Let S be the covariance of all readings by what was known before (with the
//! expectation taken as wider, so that a wrong sheet does not accuse a good
//! sensor) and r what they are off from it. A mistake of size b along v (one
//! reading; or all readings of a sensor from a step on) is best told by
//! b = v'S^-1 r / v'S^-1 v, and it stands out by t = v'S^-1 r / sqrt(v'S^-1 v)
//! standard deviations: the generalised least-squares estimate of one more unknown.

use super::search::Found;
use super::setup::Setup;
use nalgebra::{DMatrix, DVector};

/// So much wider (in standard deviation) the expectation is taken.
const DOUBT_OF_SHEET: f64 = 4.0;
/// A single reading is named beyond so many standard deviations (two-sided
/// chance about 1 in 16,000 a reading).
const READING_SIGMAS: f64 = 4.0;
/// A slip is named beyond so many.
const SLIP_SIGMAS: f64 = 4.5;
/// By so many a slip must beat the best single reading; one is the simpler story.
const SIMPLER: f64 = 0.5;

/// What does not fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Odd {
    Reading {
        step: usize,
        row: usize,
        off: f64,
        sigmas: f64,
    },
    Slip {
        sensor: usize,
        from: usize,
        off: f64,
        sigmas: f64,
    },
}

struct Judge {
    residual: Vec<Option<DVector<f64>>>,
    root: DMatrix<f64>,
}

pub(super) fn oddest(setup: &Setup, found: &Found) -> Option<Odd> {
    let p = setup.unknowns.len();
    let weak = 1.0 / (DOUBT_OF_SHEET * DOUBT_OF_SHEET);
    let normal = &found.information + DMatrix::identity(p, p) * weak;
    let cholesky = normal.cholesky()?;
    let mut pull = &found.z * -weak;
    for w in found.white.iter().flatten() {
        pull += w.jacobian.tr_mul(&w.residual);
    }
    let further = cholesky.solve(&pull);
    let judge = Judge {
        residual: found
            .white
            .iter()
            .map(|w| w.as_ref().map(|w| &w.residual - &w.jacobian * &further))
            .collect(),
        root: cholesky.l().try_inverse()?,
    };
    let mut best_reading: Option<Odd> = None;
    let mut best_slip: Option<Odd> = None;
    for (s, w) in found.white.iter().enumerate() {
        let Some(w) = w else { continue };
        for row in 0..w.residual.len() {
            let (off, sigmas) = judge.hold(found, &[(s, row)]);
            if sigmas.abs() > READING_SIGMAS
                && best_reading.is_none_or(|o| sigmas.abs() > o.sigmas().abs())
            {
                best_reading = Some(Odd::Reading {
                    step: s,
                    row,
                    off,
                    sigmas,
                });
            }
        }
    }
    for sensor in 0..setup.sheet.sensors.len() {
        let rows: Vec<(usize, usize)> = setup
            .steps
            .iter()
            .enumerate()
            .filter(|(s, _)| found.white[*s].is_some())
            .flat_map(|(s, step)| {
                step.rows
                    .iter()
                    .enumerate()
                    .map(move |(k, row)| (s, k, row.sensor))
            })
            .filter(|&(.., of)| of == sensor)
            .map(|(s, k, _)| (s, k))
            .collect();
        for first in 1..rows.len().saturating_sub(1) {
            let (off, sigmas) = judge.hold(found, &rows[first..]);
            if sigmas.abs() > SLIP_SIGMAS
                && best_slip.is_none_or(|o| sigmas.abs() > o.sigmas().abs())
            {
                best_slip = Some(Odd::Slip {
                    sensor,
                    from: rows[first].0,
                    off,
                    sigmas,
                });
            }
        }
    }
    match (best_reading, best_slip) {
        (Some(r), Some(s)) if s.sigmas().abs() < r.sigmas().abs() + SIMPLER => Some(r),
        (r, None) => r,
        (_, s) => s,
    }
}

impl Odd {
    fn sigmas(&self) -> f64 {
        match self {
            Self::Reading { sigmas, .. } | Self::Slip { sigmas, .. } => *sigmas,
        }
    }
}

impl Judge {
    /// Size and standing out of a mistake common to some rows.
    fn hold(&self, found: &Found, rows: &[(usize, usize)]) -> (f64, f64) {
        let mut with_residual = 0.0;
        let mut own = 0.0;
        let mut shared = DVector::zeros(self.root.ncols());
        for together in rows.chunk_by(|a, b| a.0 == b.0) {
            let s = together[0].0;
            if let (Some(w), Some(e)) = (&found.white[s], &self.residual[s]) {
                let mut v = DVector::zeros(e.len());
                for &(_, row) in together {
                    v[row] = 1.0 / w.noise[row];
                }
                with_residual += v.dot(e);
                own += v.norm_squared();
                shared += w.jacobian.tr_mul(&v);
            }
        }
        let left = (own - (&self.root * shared).norm_squared()).max(own * 1e-9);
        (with_residual / left, with_residual / left.sqrt())
    }
}
