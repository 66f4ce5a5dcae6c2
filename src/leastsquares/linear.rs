//! Linear least squares by QR, with covariance and predictions.

use nalgebra::{DMatrix, DVector};

use super::LeastSquaresError;
use super::determination::Reduced;
use super::solution::correlation_of;

/// Result of a linear fit. It exists only where all parameters are determined.
#[derive(Debug, Clone)]
pub struct LinearFit {
    /// Parameters, one for each column of the design matrix.
    pub parameters: DVector<f64>,
    /// Observed less fitted, in the unit of the observations.
    pub residuals: DVector<f64>,
    /// Weighted sum of squares of the residuals.
    pub residual_sum_of_squares: f64,
    /// Observations less parameters.
    pub degrees_of_freedom: usize,
    /// (X'WX)^-1.
    pub covariance_unscaled: DMatrix<f64>,
    /// Condition number of the design matrix with its columns scaled to length 1.
    pub condition: f64,
}

/// A value of the fitted function at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    /// Value of the fitted function.
    pub value: f64,
    /// Standard uncertainty of the function itself.
    pub u_of_line: f64,
    /// Standard uncertainty of one new observation of weight 1 there.
    pub u_of_new: f64,
}

impl LinearFit {
    /// Standard deviation of an observation of weight 1; `None` without degrees of freedom.
    pub fn residual_standard_deviation(&self) -> Option<f64> {
        (self.degrees_of_freedom > 0)
            .then(|| (self.residual_sum_of_squares / self.degrees_of_freedom as f64).sqrt())
    }

    /// Covariance scaled by the residual variance; `None` without degrees of freedom.
    pub fn covariance_scaled(&self) -> Option<DMatrix<f64>> {
        self.residual_standard_deviation()
            .map(|s| &self.covariance_unscaled * (s * s))
    }

    /// Standard uncertainties from the scaled covariance.
    pub fn standard_uncertainties(&self) -> Option<DVector<f64>> {
        self.covariance_scaled()
            .map(|c| c.diagonal().map(f64::sqrt))
    }

    /// Correlation matrix of the parameters.
    pub fn correlation(&self) -> DMatrix<f64> {
        correlation_of(&self.covariance_unscaled)
    }

    /// Value and uncertainties at a new design row; `None` without degrees of freedom or where
    /// the row does not have one entry for each parameter.
    pub fn predict(&self, row: &DVector<f64>) -> Option<Prediction> {
        if row.len() != self.parameters.len() {
            return None;
        }
        let s = self.residual_standard_deviation()?;
        let line = (row.dot(&(&self.covariance_unscaled * row)))
            .max(0.0)
            .sqrt()
            * s;
        Some(Prediction {
            value: row.dot(&self.parameters),
            u_of_line: line,
            u_of_new: line.hypot(s),
        })
    }
}

/// Fits `observations` = `design` * parameters, with optional `weights` (inverse squared standard
/// uncertainties, or relative ones).
///
/// # Errors
/// Mismatched or empty input, numbers that are not finite, weights that are not positive, and
/// [`LeastSquaresError::NotDetermined`] where columns can be traded against each other.
pub fn solve_linear(
    design: &DMatrix<f64>,
    observations: &DVector<f64>,
    weights: Option<&DVector<f64>>,
) -> Result<LinearFit, LeastSquaresError> {
    let (rows, columns) = design.shape();
    if rows == 0 || columns == 0 {
        return Err(LeastSquaresError::Empty {
            residuals: rows,
            parameters: columns,
        });
    }
    if observations.len() != rows {
        return Err(LeastSquaresError::Length {
            what: "observations",
            found: observations.len(),
            expected: rows,
        });
    }
    if let Some(index) = observations.iter().position(|x| !x.is_finite()) {
        return Err(LeastSquaresError::NotFinite {
            what: "observation",
            index,
        });
    }
    if let Some(index) = design.iter().position(|x| !x.is_finite()) {
        return Err(LeastSquaresError::NotFinite {
            what: "design matrix row",
            index: index % rows,
        });
    }
    let mut a = design.clone();
    let mut b = observations.clone();
    if let Some(w) = weights {
        if w.len() != rows {
            return Err(LeastSquaresError::Length {
                what: "weights",
                found: w.len(),
                expected: rows,
            });
        }
        if let Some(&value) = w.iter().find(|x| !(x.is_finite() && **x > 0.0)) {
            return Err(LeastSquaresError::NotPositive {
                what: "a weight",
                value,
            });
        }
        for (i, w) in w.iter().enumerate() {
            a.row_mut(i).scale_mut(w.sqrt());
            b[i] *= w.sqrt();
        }
    }
    let Some(reduced) = Reduced::new(&a, &b, None) else {
        return Err(LeastSquaresError::NotDetermined {
            parameters: (0..columns).collect(),
        });
    };
    let undetermined = reduced.undetermined();
    if !undetermined.is_empty() || rows < columns {
        return Err(LeastSquaresError::NotDetermined {
            parameters: undetermined,
        });
    }
    let mut parameters = reduced.solve(0.0);
    // One round of refinement takes away the rounding of the first solution.
    let weighted_rest = &b - &a * &parameters;
    if let Some(rest) = Reduced::new(&a, &weighted_rest, None) {
        parameters += rest.solve(0.0);
    }
    let residuals = observations - design * &parameters;
    let residual_sum_of_squares = (&b - &a * &parameters).norm_squared();
    Ok(LinearFit {
        parameters,
        residuals,
        residual_sum_of_squares,
        degrees_of_freedom: rows - columns,
        covariance_unscaled: reduced.covariance(),
        condition: reduced.condition(),
    })
}
