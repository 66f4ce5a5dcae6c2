//! Least squares for small dense problems, and the quantiles that turn their results into intervals.
//!
//! **Comes in:** residuals and their derivatives as a closure over a parameter vector (or, for
//! linear problems, a design matrix and observations), with optional bounds, Gaussian priors and
//! robust weights. Plain `f64`; units are the caller's affair and stand in the caller's names.
//!
//! **Goes out:** parameters, covariance (as it follows from the given weights, and scaled by the
//! residual variance), correlation, condition number, and an [`Outcome`] that says by which test
//! the fit converged, or that it ran to a bound, did not converge, or that the data do not
//! determine certain parameters.
//!
//! **Refuses:** empty or mismatched input, numbers that are not finite, bounds the wrong way
//! round, priors without a positive standard uncertainty. It never reports success where the
//! data cannot determine a parameter.
//!
//! # Method
//! 1. Steps are damped Gauss-Newton (Levenberg 1944, Marquardt 1963): the Jacobian is reduced by
//!    Householder QR, its columns are scaled to their largest length so far, and the small
//!    triangle is split by SVD, so that every damping costs one pass over the parameters.
//! 2. Bounds: parameters that stand on a bound and are pushed against it are held for that step,
//!    the others move, and the step is cut back into the box (active set with projection).
//! 3. Convergence is judged first by the relative offset of Bates and Watts (Technometrics 23,
//!    1981, 179-183): the length of the residual vector's part that the parameters could still
//!    take away, against the part that they cannot. It has no units.
//! 4. Robust weights (Huber, Tukey) by iteratively reweighted least squares; covariance then by
//!    Huber's asymptotic formula (Huber, *Robust Statistics*, 1981, section 7.6).

mod damped;
mod determination;
mod failure;
mod linear;
mod quantiles;
mod robust;
mod solution;

pub use damped::{Prior, Settings, solve};
pub use failure::LeastSquaresError;
pub use linear::{LinearFit, Prediction, solve_linear};
pub use quantiles::{
    binomial_lower_quantile, chi_square_quantile, f_quantile, normal_quantile, student_t_quantile,
};
pub use robust::Robust;
pub use solution::{ConvergenceTest, Outcome, Solution, WhyNotConverged};
