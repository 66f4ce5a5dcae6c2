//! What a nonlinear fit hands back: parameters, covariance and an honest outcome.

use nalgebra::{DMatrix, DVector};

/// The test by which a fit was found to have converged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum ConvergenceTest {
    /// The part of the residuals the parameters could still take away is negligible against the rest.
    RelativeOffset,
    /// The next full step would move no parameter in its last digits.
    Step,
    /// The residuals vanished (exact data).
    ResidualsZero,
    /// No step reduces the sum of squares any more, and the relative offset is small.
    NoFurtherReduction,
}

/// Why a fit did not converge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum WhyNotConverged {
    /// The number of iterations allowed was used up.
    IterationLimit,
    /// No step reduced the sum of squares although the parameters are not at a minimum.
    Stalled,
    /// The model gave a number that is not finite.
    NotFinite,
}

/// How a fit ended.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Outcome {
    /// At a minimum inside the bounds, with every parameter determined.
    Converged {
        /// The test that was passed.
        by: ConvergenceTest,
    },
    /// The minimum lies on a bound: the bound and not the data sets these parameters.
    RanToBound {
        /// Indices of parameters, from 0.
        parameters: Vec<usize>,
    },
    /// No minimum was found.
    NotConverged {
        /// What stopped it.
        why: WhyNotConverged,
    },
    /// The data do not determine these parameters, whatever their values say.
    NotDetermined {
        /// Indices of parameters, from 0.
        parameters: Vec<usize>,
    },
}

/// Result of a nonlinear fit. Values are an answer only where [`Solution::is_converged`].
#[derive(Debug, Clone)]
pub struct Solution {
    /// Parameters at the end.
    pub parameters: DVector<f64>,
    /// How it ended.
    pub outcome: Outcome,
    /// Jacobians evaluated.
    pub iterations: usize,
    /// Residual vectors evaluated.
    pub evaluations: usize,
    /// Residuals of the data at the end, as the closure gives them (no robust weight).
    pub residuals: DVector<f64>,
    /// Robust weights of the data, all 1 without.
    pub weights: DVector<f64>,
    /// Weighted sum of squares of data residuals; priors not included.
    pub residual_sum_of_squares: f64,
    /// The same for the rows that the priors add.
    pub prior_sum_of_squares: f64,
    /// Residuals and priors less free parameters; never below zero.
    pub degrees_of_freedom: usize,
    /// (J'J)^-1 with the weights as given: the covariance where residuals were divided by their
    /// standard uncertainties. Rows and columns of parameters on a bound are zero.
    pub covariance_unscaled: DMatrix<f64>,
    /// Variance factor for the scaled covariance; `None` without degrees of freedom.
    pub variance_factor: Option<f64>,
    /// Condition number of the Jacobian with its columns scaled to length 1.
    pub condition: f64,
}

impl Solution {
    /// Whether the parameters are an answer.
    pub fn is_converged(&self) -> bool {
        matches!(self.outcome, Outcome::Converged { .. })
    }

    /// Standard deviation of a residual of weight 1; `None` without degrees of freedom.
    pub fn residual_standard_deviation(&self) -> Option<f64> {
        (self.degrees_of_freedom > 0).then(|| {
            ((self.residual_sum_of_squares + self.prior_sum_of_squares)
                / self.degrees_of_freedom as f64)
                .sqrt()
        })
    }

    /// Covariance scaled by the residual variance; `None` without degrees of freedom.
    pub fn covariance_scaled(&self) -> Option<DMatrix<f64>> {
        self.variance_factor.map(|f| &self.covariance_unscaled * f)
    }

    /// Standard uncertainties where residuals were divided by known standard uncertainties.
    pub fn standard_uncertainties_unscaled(&self) -> DVector<f64> {
        self.covariance_unscaled.diagonal().map(f64::sqrt)
    }

    /// Standard uncertainties with the residual variance estimated from the fit itself.
    pub fn standard_uncertainties_scaled(&self) -> Option<DVector<f64>> {
        self.covariance_scaled()
            .map(|c| c.diagonal().map(f64::sqrt))
    }

    /// Correlation matrix; zero for parameters on a bound.
    pub fn correlation(&self) -> DMatrix<f64> {
        correlation_of(&self.covariance_unscaled)
    }
}

/// Correlation matrix of a covariance matrix; rows without variance are zero.
pub(super) fn correlation_of(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let u = covariance.diagonal().map(f64::sqrt);
    DMatrix::from_fn(covariance.nrows(), covariance.ncols(), |i, j| {
        let product = u[i] * u[j];
        if product > 0.0 {
            covariance[(i, j)] / product
        } else {
            0.0
        }
    })
}
