//! What moves a series beside its law: steps by known events, and temperature.
//!
//! **Comes in:** times of steps and temperatures of the readings. **Goes out:** columns that are
//! taken out of readings, shapes and derivatives before anything is fitted, and afterwards how
//! large each was.
//!
//! # Method
//! Columns X are linear parameters. With Q an orthonormal basis of X, everything is multiplied by
//! M = 1 - QQ'. The least squares of the rest are those of the whole, and the covariance of the
//! law's parameters is that of the whole too (Frisch and Waugh 1933, Lovell 1963). The size of
//! each column follows from the residuals.
//!
//! A step's column is 1 *before* the event, so that the law describes the vehicle as it is now and
//! forecasts need no step. A temperature's column is the difference from the mean of the readings.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

/// A column counts as made of the others where less than this share of it is left.
const NOTHING_LEFT: f64 = 1e-8;

/// What a column stands for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum BesideKind {
    /// A step at that time.
    Step {
        /// Hours on the clock of the series.
        at_h: f64,
    },
    /// The measured temperature, per degree.
    Temperature,
}

/// How large a part beside the law is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FittedBeside {
    /// What it stands for.
    #[serde(flatten)]
    pub kind: BesideKind,
    /// Size: mm up at a step, mm for each degree of temperature.
    pub value: f64,
    /// Its standard uncertainty, for independent noise.
    pub standard_uncertainty: Option<f64>,
}

/// Columns of a prepared series.
#[derive(Debug, Clone, Default)]
pub(super) struct Beside {
    pub(super) kinds: Vec<BesideKind>,
    /// Unweighted, one value for each reading.
    pub(super) columns: Vec<Vec<f64>>,
    basis: Vec<Vec<f64>>,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

impl Beside {
    pub(super) fn new(
        kinds: Vec<BesideKind>,
        columns: Vec<Vec<f64>>,
        root_weights: &[f64],
    ) -> Self {
        let mut basis: Vec<Vec<f64>> = Vec::new();
        for column in &columns {
            let mut left: Vec<f64> = column
                .iter()
                .zip(root_weights)
                .map(|(c, w)| c * w)
                .collect();
            let size = dot(&left, &left).sqrt();
            // Twice is enough (Parlett, *The Symmetric Eigenvalue Problem*, section 6.9).
            for _ in 0..2 {
                take_out(&basis, &mut left);
            }
            let rest = dot(&left, &left).sqrt();
            if size > 0.0 && rest > NOTHING_LEFT * size {
                for v in &mut left {
                    *v /= rest;
                }
                basis.push(left);
            }
        }
        Self {
            kinds,
            columns,
            basis,
        }
    }

    /// How many readings' worth of freedom the columns take.
    pub(super) fn count(&self) -> usize {
        self.basis.len()
    }

    /// Orthonormal vectors that span the weighted columns.
    pub(super) fn basis(&self) -> &[Vec<f64>] {
        &self.basis
    }

    /// Takes the columns out of a weighted vector.
    pub(super) fn project(&self, vector: &mut [f64]) {
        take_out(&self.basis, vector);
    }

    /// Share of a reading that the columns take to themselves.
    pub(super) fn leverage(&self, i: usize) -> f64 {
        self.basis.iter().map(|b| b[i] * b[i]).sum()
    }

    /// Sum of the columns at a reading.
    pub(super) fn at(&self, i: usize, sizes: &[f64]) -> f64 {
        self.columns.iter().zip(sizes).map(|(c, s)| c[i] * s).sum()
    }

    /// Sizes of the columns from weighted residuals (reading less law, nothing taken out) and
    /// weighted slopes of the law's free parameters; with unscaled standard uncertainties.
    pub(super) fn sizes(
        &self,
        residuals: &[f64],
        slopes: &DMatrix<f64>,
        root_weights: &[f64],
    ) -> (Vec<f64>, Vec<Option<f64>>) {
        let (n, q, p) = (residuals.len(), self.columns.len(), slopes.ncols());
        if q == 0 {
            return (Vec::new(), Vec::new());
        }
        let x = DMatrix::from_fn(n, q, |i, k| self.columns[k][i] * root_weights[i]);
        let y = DVector::from_column_slice(residuals);
        let sizes = x
            .clone()
            .svd(true, true)
            .solve(&y, 1e-10)
            .map_or_else(|_| vec![0.0; q], |s| s.iter().copied().collect());
        let mut whole = DMatrix::zeros(n, p + q);
        whole.columns_mut(0, p).copy_from(slopes);
        whole.columns_mut(p, q).copy_from(&x);
        // Scaled to unit columns, so that the inverse is not spoilt by units.
        let scale: Vec<f64> = (0..p + q)
            .map(|k| whole.column(k).norm().max(f64::MIN_POSITIVE))
            .collect();
        for (k, s) in scale.iter().enumerate() {
            whole.column_mut(k).scale_mut(1.0 / s);
        }
        let inverse = (whole.transpose() * &whole).try_inverse();
        let u = (0..q)
            .map(|k| {
                let inverse = inverse.as_ref()?;
                let variance = inverse[(p + k, p + k)] / scale[p + k].powi(2);
                (variance.is_finite() && variance >= 0.0).then(|| variance.sqrt())
            })
            .collect();
        (sizes, u)
    }
}

fn take_out(basis: &[Vec<f64>], vector: &mut [f64]) {
    for b in basis {
        let part = dot(b, vector);
        for (v, b) in vector.iter_mut().zip(b) {
            *v -= part * b;
        }
    }
}
