//! Damped Gauss-Newton with bounds, priors and robust weights.
//!
//! Comes in: a start, [`Settings`] and a closure for residuals and Jacobian. Goes out: a
//! [`Solution`]. The method is described at the head of [`crate::leastsquares`].

use nalgebra::{DMatrix, DVector};

use super::LeastSquaresError;
use super::determination::Reduced;
use super::robust::{Robust, median_scale};
use super::solution::{ConvergenceTest, Outcome, Solution, WhyNotConverged};

/// A Gaussian prior on one parameter; adds one row (parameter - mean) / u to the problem.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Index of the parameter, from 0.
    pub parameter: usize,
    /// Expected value.
    pub mean: f64,
    /// Its standard uncertainty, above zero.
    pub standard_uncertainty: f64,
}

/// How to fit. [`Settings::default`] is an unbounded fit without priors and robust weights.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Most Jacobians to evaluate in one descent.
    pub max_iterations: usize,
    /// Relative offset at which the fit has converged.
    pub offset_tolerance: f64,
    /// Relative size of a full step at which the fit has converged.
    pub step_tolerance: f64,
    /// Damping to start with.
    pub first_damping: f64,
    /// Lower bounds, one for each parameter (negative infinity for none).
    pub lower: Option<DVector<f64>>,
    /// Upper bounds, one for each parameter (infinity for none).
    pub upper: Option<DVector<f64>>,
    /// Gaussian priors. Residuals must then be divided by their standard uncertainties.
    pub priors: Vec<Prior>,
    /// Robust weights for the data residuals.
    pub robust: Robust,
    /// Residuals are already divided by known standard uncertainties: robust scale is 1, and the
    /// offset is judged against 1 where the residuals are smaller than that.
    pub unit_variance: bool,
    /// Loosest standard uncertainty (scaled; unscaled with `unit_variance`) with which each
    /// parameter still counts as determined; infinity for no such limit.
    pub loosest: Option<DVector<f64>>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            max_iterations: 200,
            offset_tolerance: 1e-9,
            step_tolerance: 1e-13,
            first_damping: 1e-3,
            lower: None,
            upper: None,
            priors: Vec::new(),
            robust: Robust::None,
            unit_variance: false,
            loosest: None,
        }
    }
}

/// Damping beyond which a step is no step.
const MOST_DAMPING: f64 = 1e16;
/// Relative offset under which a fit that cannot improve counts as converged. Chosen: it moves
/// no parameter by more than a hundred-thousandth of its standard uncertainty.
const SMALL_OFFSET: f64 = 1e-5;
/// Most rounds of robust reweighting.
const MOST_ROUNDS: usize = 100;

#[derive(Debug, Clone, Copy)]
enum Stop {
    Found(ConvergenceTest),
    Not(WhyNotConverged),
}

struct Descent<'a, M> {
    model: M,
    settings: &'a Settings,
    residual_count: usize,
    data: DVector<f64>,
    jacobian: DMatrix<f64>,
    root_weights: DVector<f64>,
    longest: DVector<f64>,
    start: DVector<f64>,
    iterations: usize,
    evaluations: usize,
}

/// Fits `start.len()` parameters to `residual_count` residuals.
///
/// The closure writes the residuals at the given parameters (sign free, each divided by its
/// standard uncertainty if uncertainties are known) and, where it is handed a matrix, their
/// derivatives, one row for each residual. Where the model cannot be evaluated it leaves NaN:
/// such a step is refused.
///
/// # Errors
/// [`LeastSquaresError`] for input that is no problem at all; everything that can go wrong in the
/// fit itself is told by [`Solution::outcome`].
pub fn solve<M>(
    start: &DVector<f64>,
    residual_count: usize,
    settings: &Settings,
    model: M,
) -> Result<Solution, LeastSquaresError>
where
    M: FnMut(&DVector<f64>, &mut DVector<f64>, Option<&mut DMatrix<f64>>),
{
    check(start, residual_count, settings)?;
    let p = start.len();
    let mut descent = Descent {
        model,
        settings,
        residual_count,
        data: DVector::zeros(residual_count),
        jacobian: DMatrix::zeros(residual_count, p),
        root_weights: DVector::repeat(residual_count, 1.0),
        longest: DVector::zeros(p),
        start: start.clone(),
        iterations: 0,
        evaluations: 0,
    };
    let mut x = start.clone();
    descent.clip(&mut x);
    let mut stop = descent.run(&mut x);
    let mut scale = 1.0;
    if let (Some(_), Stop::Found(_)) = (settings.robust.tuning(), &stop) {
        (stop, scale) = descent.reweight(&mut x);
    }
    Ok(descent.conclude(x, stop, scale))
}

fn check(
    start: &DVector<f64>,
    residual_count: usize,
    settings: &Settings,
) -> Result<(), LeastSquaresError> {
    let p = start.len();
    if p == 0 || residual_count == 0 {
        return Err(LeastSquaresError::Empty {
            residuals: residual_count,
            parameters: p,
        });
    }
    if let Some(index) = start.iter().position(|v| !v.is_finite()) {
        return Err(LeastSquaresError::NotFinite {
            what: "start value",
            index,
        });
    }
    for (what, list) in [
        ("lower bounds", &settings.lower),
        ("upper bounds", &settings.upper),
        ("loosest", &settings.loosest),
    ] {
        if let Some(list) = list {
            if list.len() != p {
                return Err(LeastSquaresError::Length {
                    what,
                    found: list.len(),
                    expected: p,
                });
            }
            if let Some(index) = list.iter().position(|v| v.is_nan()) {
                return Err(LeastSquaresError::NotFinite { what, index });
            }
        }
    }
    if let (Some(lower), Some(upper)) = (&settings.lower, &settings.upper)
        && let Some(parameter) = (0..p).find(|&j| lower[j] > upper[j])
    {
        let (lower, upper) = (lower[parameter], upper[parameter]);
        return Err(LeastSquaresError::BoundsCrossed {
            parameter,
            lower,
            upper,
        });
    }
    for prior in &settings.priors {
        if prior.parameter >= p {
            return Err(LeastSquaresError::Length {
                what: "prior's parameter",
                found: prior.parameter,
                expected: p,
            });
        }
        if !(prior.standard_uncertainty > 0.0
            && prior.standard_uncertainty.is_finite()
            && prior.mean.is_finite())
        {
            let value = prior.standard_uncertainty;
            return Err(LeastSquaresError::NotPositive {
                what: "a prior's standard uncertainty",
                value,
            });
        }
    }
    match settings.robust.tuning() {
        Some(value) if !(value > 0.0 && value.is_finite()) => Err(LeastSquaresError::NotPositive {
            what: "a robust tuning constant",
            value,
        }),
        _ => Ok(()),
    }
}

impl<M> Descent<'_, M>
where
    M: FnMut(&DVector<f64>, &mut DVector<f64>, Option<&mut DMatrix<f64>>),
{
    fn lower(&self, j: usize) -> f64 {
        self.settings
            .lower
            .as_ref()
            .map_or(f64::NEG_INFINITY, |b| b[j])
    }

    fn upper(&self, j: usize) -> f64 {
        self.settings.upper.as_ref().map_or(f64::INFINITY, |b| b[j])
    }

    fn clip(&self, x: &mut DVector<f64>) {
        for j in 0..x.len() {
            x[j] = x[j].max(self.lower(j)).min(self.upper(j));
        }
    }

    /// Weighted residuals with the rows of the priors at the end.
    fn stacked(&self, x: &DVector<f64>) -> DVector<f64> {
        let n = self.residual_count;
        let priors = &self.settings.priors;
        let mut all = DVector::zeros(n + priors.len());
        all.rows_mut(0, n).copy_from(&self.data);
        all.rows_mut(0, n).component_mul_assign(&self.root_weights);
        for (k, prior) in priors.iter().enumerate() {
            all[n + k] = (x[prior.parameter] - prior.mean) / prior.standard_uncertainty;
        }
        all
    }

    /// Evaluates residuals and Jacobian at `x`.
    fn evaluate(&mut self, x: &DVector<f64>) {
        self.evaluations += 1;
        (self.model)(x, &mut self.data, Some(&mut self.jacobian));
    }

    /// Residuals and Jacobian as evaluated last, weighted, priors included; `x` is where.
    fn linearised(&mut self, x: &DVector<f64>) -> (DVector<f64>, DMatrix<f64>) {
        self.iterations += 1;
        let n = self.residual_count;
        let priors = &self.settings.priors;
        let mut all = DMatrix::zeros(n + priors.len(), x.len());
        all.rows_mut(0, n).copy_from(&self.jacobian);
        for mut column in all.column_iter_mut() {
            column
                .rows_mut(0, n)
                .component_mul_assign(&self.root_weights);
        }
        for (k, prior) in priors.iter().enumerate() {
            all[(n + k, prior.parameter)] = 1.0 / prior.standard_uncertainty;
        }
        (self.stacked(x), all)
    }

    /// Parameters that are not pushed against a bound they stand on.
    fn free(&self, x: &DVector<f64>, gradient: &DVector<f64>) -> Vec<usize> {
        (0..x.len())
            .filter(|&j| {
                !(x[j] <= self.lower(j) && gradient[j] >= 0.0
                    || x[j] >= self.upper(j) && gradient[j] <= 0.0)
            })
            .collect()
    }

    fn offset(&self, reduced: &Reduced, free: usize, rows: usize) -> Option<f64> {
        let within = reduced.within_reach_squared() / free as f64;
        let beyond = if rows > free {
            (reduced.rhs_squared - reduced.within_reach_squared()).max(0.0) / (rows - free) as f64
        } else {
            0.0
        };
        let against = if self.settings.unit_variance {
            beyond.max(1.0)
        } else {
            beyond
        };
        (against > 0.0).then(|| (within / against).sqrt())
    }

    fn run(&mut self, x: &mut DVector<f64>) -> Stop {
        let mut damping = self.settings.first_damping;
        let mut first_cost = None;
        self.evaluate(x);
        for _ in 0..self.settings.max_iterations {
            let (r, jacobian) = self.linearised(x);
            let cost = r.norm_squared();
            if !cost.is_finite() || !jacobian.iter().all(|v| v.is_finite()) {
                return Stop::Not(WhyNotConverged::NotFinite);
            }
            let start_cost = *first_cost.get_or_insert(cost);
            if cost <= start_cost * 1e-28 && (cost <= 0.0 || start_cost > cost) {
                return Stop::Found(ConvergenceTest::ResidualsZero);
            }
            let free = self.free(x, &jacobian.tr_mul(&r));
            if free.is_empty() {
                return Stop::Found(ConvergenceTest::NoFurtherReduction);
            }
            let columns = if free.len() == x.len() {
                jacobian
            } else {
                jacobian.select_columns(&free)
            };
            for (k, &j) in free.iter().enumerate() {
                self.longest[j] = self.longest[j].max(columns.column(k).norm());
            }
            let Some(reduced) = Reduced::new(&columns, &(-&r), None) else {
                return Stop::Not(WhyNotConverged::NotFinite);
            };
            let offset = self.offset(&reduced, free.len(), r.len());
            if offset.is_some_and(|o| o <= self.settings.offset_tolerance) {
                return Stop::Found(ConvergenceTest::RelativeOffset);
            }
            let full = reduced.solve(0.0);
            if free
                .iter()
                .enumerate()
                .all(|(k, &j)| full[k].abs() <= self.settings.step_tolerance * x[j].abs())
            {
                return Stop::Found(ConvergenceTest::Step);
            }
            // Steps are damped by the longest each column has been, so that a parameter whose column
            // fades is not thrown ever further out; convergence is judged by the columns as they are.
            let longest = self.longest.select_rows(&free);
            let faded = (0..free.len()).any(|k| longest[k] > 1.001 * reduced.scales[k]);
            let damped = if faded {
                Reduced::new(&columns, &(-&r), Some(&longest))
            } else {
                None
            };
            if !self.step(
                x,
                cost,
                &free,
                damped.as_ref().unwrap_or(&reduced),
                &mut damping,
            ) {
                return if offset.is_some_and(|o| o <= SMALL_OFFSET) || cost <= start_cost * 1e-24 {
                    Stop::Found(ConvergenceTest::NoFurtherReduction)
                } else {
                    Stop::Not(WhyNotConverged::Stalled)
                };
            }
        }
        Stop::Not(WhyNotConverged::IterationLimit)
    }

    /// Finds a damping that reduces the cost and moves `x`; answers whether it did. Residuals and
    /// Jacobian are then those of the new `x`.
    fn step(
        &mut self,
        x: &mut DVector<f64>,
        cost: f64,
        free: &[usize],
        reduced: &Reduced,
        damping: &mut f64,
    ) -> bool {
        let mut growth = 4.0;
        while *damping <= MOST_DAMPING {
            let move_by = reduced.solve(*damping);
            let mut trial = x.clone();
            for (k, &j) in free.iter().enumerate() {
                trial[j] += move_by[k];
            }
            self.clip(&mut trial);
            let moved = DVector::from_iterator(free.len(), free.iter().map(|&j| trial[j] - x[j]));
            if moved.iter().all(|&m| m.abs() <= 0.0) {
                return false;
            }
            let promised = reduced.promised_reduction(&moved);
            // Most trials are taken: the Jacobian is asked for at once.
            self.evaluate(&trial);
            let trial_cost = self.stacked(&trial).norm_squared();
            let gain = (cost - trial_cost) / promised;
            // Close to the minimum the promised reduction drowns in the rounding of the cost;
            // the step is still right, and is taken unless the cost visibly rises.
            let polishing = promised <= 1e-14 * cost && trial_cost <= cost * (1.0 + 1e-13);
            if trial_cost.is_finite() && (trial_cost < cost && gain > 1e-4 || polishing) {
                if polishing || gain > 0.75 {
                    *damping = (*damping * 0.1).max(1e-15);
                } else if gain < 0.25 {
                    *damping *= 3.0;
                }
                *x = trial;
                return true;
            }
            *damping = damping.max(1e-10) * growth;
            growth *= 2.0;
        }
        *damping = self.settings.first_damping;
        false
    }

    /// Reweights until parameters rest; answers how it ended and the residual scale.
    fn reweight(&mut self, x: &mut DVector<f64>) -> (Stop, f64) {
        let chosen = self.settings.robust;
        let first = match chosen {
            Robust::Tukey { .. } => Robust::Huber { k: 1.345 },
            other => other,
        };
        let mut stop = Stop::Not(WhyNotConverged::IterationLimit);
        let mut scale = 1.0;
        for kind in [first, chosen] {
            stop = Stop::Not(WhyNotConverged::IterationLimit);
            for _ in 0..MOST_ROUNDS {
                self.evaluate(x);
                scale = if self.settings.unit_variance {
                    1.0
                } else {
                    median_scale(&self.data)
                };
                if scale <= 0.0 {
                    // More than half of the residuals vanish: an exact fit to them.
                    return (Stop::Found(ConvergenceTest::ResidualsZero), 0.0);
                }
                let before = self.root_weights.clone();
                self.root_weights = self.data.map(|r| kind.weight(r / scale).sqrt());
                let old = x.clone();
                let inner = self.run(x);
                if let Stop::Not(_) = inner {
                    return (inner, scale);
                }
                let rests = (&self.root_weights - &before).amax() < 1e-7
                    || (0..x.len()).all(|j| (x[j] - old[j]).abs() <= 1e-9 * x[j].abs());
                if rests {
                    stop = inner;
                    break;
                }
            }
            if kind == chosen {
                break;
            }
        }
        (stop, scale)
    }

    /// Parameters whose columns have faded to nothing on the way: neither as they are now nor as
    /// they were at the start would they change the residuals beyond rounding.
    fn vanished(&self, columns: &DMatrix<f64>, x: &DVector<f64>, free: &[usize]) -> Vec<usize> {
        let norm = |k: usize| columns.column(k).norm();
        let biggest = free
            .iter()
            .enumerate()
            .map(|(k, &j)| norm(k) * x[j].abs())
            .fold(0.0, f64::max);
        free.iter()
            .enumerate()
            .filter(|&(k, &j)| {
                let reach = norm(k) * x[j].abs().max(self.start[j].abs());
                norm(k) <= 0.0 || norm(k) < 1e-10 * self.longest[j] && reach < 1e-10 * biggest
            })
            .map(|(_, &j)| j)
            .collect()
    }

    fn conclude(mut self, x: DVector<f64>, stop: Stop, scale: f64) -> Solution {
        self.evaluate(&x);
        let (r, jacobian) = self.linearised(&x);
        let p = x.len();
        let n = self.residual_count;
        let gradient = jacobian.tr_mul(&r);
        let free = self.free(&x, &gradient);
        // A parameter that merely touches its bound is free for the descent, but it is the bound
        // that holds it.
        let on_bound: Vec<usize> = (0..p)
            .filter(|&j| x[j] <= self.lower(j) || x[j] >= self.upper(j))
            .collect();
        let degrees_of_freedom = r.len().saturating_sub(free.len());
        let squares = r.rows(0, n).norm_squared();
        let prior_squares = r.rows(n, r.len() - n).norm_squared();
        let mut covariance = DMatrix::zeros(p, p);
        let mut undetermined: Vec<usize> = Vec::new();
        let mut condition = 1.0;
        if !free.is_empty() {
            let columns = if self.settings.robust.tuning().is_some() {
                // Huber's formula takes the Jacobian without the robust weights.
                self.root_weights.fill(1.0);
                let (_, plain) = self.linearised(&x);
                plain.select_columns(&free)
            } else {
                jacobian.select_columns(&free)
            };
            if let Some(reduced) = Reduced::new(&columns, &r, None) {
                condition = reduced.condition();
                undetermined = reduced
                    .undetermined()
                    .into_iter()
                    .map(|k| free[k])
                    .collect();
                undetermined.extend(self.vanished(&columns, &x, &free));
                let part = reduced.covariance();
                for (a, &i) in free.iter().enumerate() {
                    for (b, &j) in free.iter().enumerate() {
                        covariance[(i, j)] = part[(a, b)];
                    }
                }
            } else {
                undetermined.clone_from(&free);
                condition = f64::INFINITY;
            }
        }
        let weights = match self.settings.robust {
            Robust::None => DVector::repeat(n, 1.0),
            kind => self.data.map(|v| {
                if scale > 0.0 {
                    kind.weight(v / scale)
                } else {
                    1.0
                }
            }),
        };
        let variance_factor = match self.settings.robust {
            Robust::None => (degrees_of_freedom > 0)
                .then(|| (squares + prior_squares) / degrees_of_freedom as f64),
            kind => kind.variance_factor(&self.data, scale, free.len()),
        };
        if let Some(loosest) = &self.settings.loosest {
            let factor = if self.settings.unit_variance {
                1.0
            } else {
                variance_factor.unwrap_or(f64::INFINITY)
            };
            undetermined.extend(
                free.iter()
                    .copied()
                    .filter(|&j| (covariance[(j, j)] * factor).sqrt() > loosest[j]),
            );
        }
        undetermined.sort_unstable();
        undetermined.dedup();
        let outcome = match stop {
            Stop::Not(WhyNotConverged::NotFinite) => Outcome::NotConverged {
                why: WhyNotConverged::NotFinite,
            },
            _ if !undetermined.is_empty() => Outcome::NotDetermined {
                parameters: undetermined,
            },
            Stop::Not(why) => Outcome::NotConverged { why },
            Stop::Found(_) if !on_bound.is_empty() => Outcome::RanToBound {
                parameters: on_bound,
            },
            Stop::Found(by) => Outcome::Converged { by },
        };
        Solution {
            parameters: x,
            outcome,
            iterations: self.iterations,
            evaluations: self.evaluations,
            residuals: self.data,
            weights,
            residual_sum_of_squares: squares,
            prior_sum_of_squares: prior_squares,
            degrees_of_freedom,
            covariance_unscaled: covariance,
            variance_factor,
            condition,
        }
    }
}
