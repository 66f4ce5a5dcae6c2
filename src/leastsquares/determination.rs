//! Which parameters the data determine: scaled QR and SVD of a Jacobian or design matrix.
//!
//! Comes in: a matrix with one row for each residual and one column for each parameter. Goes out:
//! its reduced form, from which steps, covariance, condition and rank are read.

use nalgebra::{DMatrix, DVector};

/// Two directions are told apart where the scaled singular values differ by less than this
/// factor. Chosen: derivatives carry about 1e-15 of rounding each, and a parameter known to nine
/// digits less than the best one is not known for any practical purpose.
pub(super) const RANK_TOLERANCE: f64 = 1e-10;

/// Share of a parameter in an undetermined direction from which it is named. Chosen.
const NAMED_SHARE: f64 = 0.05;

/// A matrix A = Q U S V' D, with D the column scales.
#[derive(Debug, Clone)]
pub(super) struct Reduced {
    /// Column scales; never zero.
    pub(super) scales: DVector<f64>,
    /// Singular values of the scaled matrix.
    pub(super) singular: DVector<f64>,
    /// Columns are right singular vectors.
    pub(super) v: DMatrix<f64>,
    /// U' Q' b for the right-hand side given.
    pub(super) projected: DVector<f64>,
    /// Sum of squares of b.
    pub(super) rhs_squared: f64,
}

impl Reduced {
    /// Reduces `matrix`, scaled by the lengths of its columns or by `at_least` where that is
    /// longer. Answers `None` where numbers are not finite or the SVD fails.
    pub(super) fn new(
        matrix: &DMatrix<f64>,
        rhs: &DVector<f64>,
        at_least: Option<&DVector<f64>>,
    ) -> Option<Self> {
        let (rows, columns) = matrix.shape();
        let mut scales = DVector::from_iterator(columns, matrix.column_iter().map(|c| c.norm()));
        if let Some(floor) = at_least {
            scales.zip_apply(floor, |s, f| *s = s.max(f));
        }
        scales.apply(|s| {
            if *s <= 0.0 {
                *s = 1.0;
            }
        });
        let mut scaled = if rows < columns {
            let mut padded = DMatrix::zeros(columns, columns);
            padded.rows_mut(0, rows).copy_from(matrix);
            padded
        } else {
            matrix.clone()
        };
        for (j, mut column) in scaled.column_iter_mut().enumerate() {
            column /= scales[j];
        }
        if !scaled.iter().all(|x| x.is_finite()) {
            return None;
        }
        let mut b = DVector::zeros(scaled.nrows());
        b.rows_mut(0, rows).copy_from(rhs);
        let rhs_squared = rhs.norm_squared();
        let qr = scaled.qr();
        qr.q_tr_mul(&mut b);
        let svd = qr.r().try_svd(true, true, f64::EPSILON, 1000)?;
        let u = svd.u?;
        let v = svd.v_t?.transpose();
        let head = b.rows(0, columns);
        let projected = u.tr_mul(&head);
        Some(Self {
            scales,
            singular: svd.singular_values,
            v,
            projected,
            rhs_squared,
        })
    }

    fn largest(&self) -> f64 {
        self.singular.iter().copied().fold(0.0, f64::max)
    }

    /// Whether singular value `k` counts.
    fn counts(&self, k: usize) -> bool {
        self.singular[k] > RANK_TOLERANCE * self.largest() && self.singular[k] > 0.0
    }

    /// Sum of squares of the part of the right-hand side within reach of the parameters.
    pub(super) fn within_reach_squared(&self) -> f64 {
        (0..self.singular.len())
            .filter(|&k| self.counts(k))
            .map(|k| self.projected[k].powi(2))
            .sum()
    }

    /// Least-squares solution with damping `lambda` (0 for none; undetermined directions get 0).
    pub(super) fn solve(&self, lambda: f64) -> DVector<f64> {
        let n = self.singular.len();
        let mut x = DVector::zeros(n);
        for k in 0..n {
            if lambda > 0.0 || self.counts(k) {
                let s = self.singular[k];
                x.axpy(
                    self.projected[k] * s / (s * s + lambda),
                    &self.v.column(k),
                    1.0,
                );
            }
        }
        x.component_div_assign(&self.scales);
        x
    }

    /// Change of the sum of squares that the linear model promises for `step`: negative of
    /// |A step - b|^2 - |b|^2.
    pub(super) fn promised_reduction(&self, step: &DVector<f64>) -> f64 {
        let scaled = step.component_mul(&self.scales);
        let along = self.v.tr_mul(&scaled).component_mul(&self.singular);
        2.0 * along.dot(&self.projected) - along.norm_squared()
    }

    /// (A'A)^-1, with zero for undetermined directions.
    pub(super) fn covariance(&self) -> DMatrix<f64> {
        let n = self.singular.len();
        let mut half = self.v.clone();
        for k in 0..n {
            let factor = if self.counts(k) {
                1.0 / self.singular[k]
            } else {
                0.0
            };
            half.column_mut(k).scale_mut(factor);
        }
        for j in 0..n {
            let s = self.scales[j];
            half.row_mut(j).unscale_mut(s);
        }
        &half * half.transpose()
    }

    /// Largest over smallest singular value of the scaled matrix; infinite where one is zero.
    pub(super) fn condition(&self) -> f64 {
        let smallest = self.singular.iter().copied().fold(f64::INFINITY, f64::min);
        if smallest > 0.0 {
            self.largest() / smallest
        } else {
            f64::INFINITY
        }
    }

    /// Indices of parameters that take part in a direction the data do not determine.
    pub(super) fn undetermined(&self) -> Vec<usize> {
        let n = self.singular.len();
        (0..n)
            .filter(|&j| (0..n).any(|k| !self.counts(k) && self.v[(j, k)].abs() > NAMED_SHARE))
            .collect()
    }
}
