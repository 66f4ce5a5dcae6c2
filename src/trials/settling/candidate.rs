//! One law fitted to a series: parameters and covariance, or the reason why there are none.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::SettlingError;
use super::law::{Law, MOST, Moment};
use super::profile::{Grid, Projection, bounds, survey};
use super::series::Prepared;
use crate::leastsquares::{
    ConvergenceTest, Outcome, Settings, Solution, WhyNotConverged, f_quantile, solve,
};

/// Noise that hangs together more than this is not noise but a law.
const MOST_CORRELATED: f64 = 0.98;

/// Correlation up to which it widens the limit for what counts as determined: beyond, slow noise
/// and settling cannot be told apart by this measure, and the weights must do it.
const MOST_WIDENING_CORRELATION: f64 = 0.8;

/// Relative offset at which a fit has converged: no parameter is then further from the minimum
/// than about a ten-millionth of its standard uncertainty.
const OFFSET: f64 = 1e-7;
/// Most Jacobians in one descent. Chosen: fits that are determined take 5 to 15 from the grid.
const ITERATIONS: usize = 60;

/// Starts tried for each law.
const STARTS: usize = 2;

/// Whether a law is an answer, and if not, why not.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Status {
    /// At a minimum, all parameters determined by the readings.
    Converged {
        /// The test that was passed.
        by: ConvergenceTest,
    },
    /// The best fit lies on a bound of the search.
    RanToBound {
        /// Name of the parameter.
        parameter: &'static str,
        /// Where the bound is.
        value: f64,
    },
    /// No minimum was found.
    NotConverged {
        /// What stopped it.
        why: WhyNotConverged,
    },
    /// The readings fit as well with these parameters anywhere up to a bound.
    NotDetermined {
        /// Names of the parameters.
        parameters: Vec<&'static str>,
    },
    /// The readings fit as well without a part of this law.
    NoBetterThan {
        /// The simpler law.
        simpler: Law,
    },
    /// More parameters than the readings can carry.
    TooFewReadings {
        /// Readings this law needs.
        needed: usize,
    },
}

impl std::fmt::Display for Status {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Converged { by } => f.write_str(match by {
                ConvergenceTest::RelativeOffset => "converged: relative offset",
                ConvergenceTest::Step => "converged: step in the last digits",
                ConvergenceTest::ResidualsZero => "converged: residuals zero",
                ConvergenceTest::NoFurtherReduction => "converged: no further reduction",
            }),
            Self::RanToBound { parameter, value } => {
                write!(f, "ran to bound: {parameter} at {value:.4}")
            }
            Self::NotConverged { why } => f.write_str(match why {
                WhyNotConverged::IterationLimit => "not converged: iteration limit",
                WhyNotConverged::Stalled => "not converged: stalled",
                WhyNotConverged::NotFinite => "not converged: numbers out of range",
            }),
            Self::NotDetermined { parameters } => write!(
                f,
                "not determined by the readings: {}",
                parameters.join(", ")
            ),
            Self::NoBetterThan { simpler } => {
                write!(
                    f,
                    "not determined by the readings: no better than '{}'",
                    simpler.name()
                )
            }
            Self::TooFewReadings { needed } => write!(f, "not determined: needs {needed} readings"),
        }
    }
}

/// A parameter with its standard uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FittedParameter {
    /// Name with unit.
    pub name: &'static str,
    /// Value in that unit.
    pub value: f64,
    /// Standard uncertainty for independent noise; `None` where held.
    pub standard_uncertainty: Option<f64>,
    /// Whether it was held.
    pub fixed: bool,
}

/// A law and how it fits.
#[derive(Debug, Clone)]
pub struct Candidate {
    /// The law.
    pub law: Law,
    /// Whether it is an answer.
    pub status: Status,
    /// Its parameters; empty unless converged.
    pub parameters: Vec<FittedParameter>,
    /// Standard deviation of the residuals in millimetres.
    pub residual_standard_deviation_mm: Option<f64>,
    /// Readings less free parameters.
    pub degrees_of_freedom: usize,
    /// Corrected Akaike criterion, n ln(rss/n) + 2K + 2K(K+1)/(n-K-1), K counting the variance;
    /// `None` where n is too small for it or the law is no answer.
    pub aicc: Option<f64>,
    /// Share among the laws that are answers, from 0 to 1.
    pub weight: f64,
    pub(super) working: [f64; MOST],
    pub(super) free: Vec<usize>,
    /// (J'J)^-1 of the free working parameters.
    pub(super) covariance: DMatrix<f64>,
    pub(super) squares: f64,
    /// Weighted residuals (reading less law) in order of time; empty where there is no fit.
    pub(super) residuals: Vec<f64>,
}

impl Candidate {
    /// Whether its parameters are an answer.
    pub fn is_converged(&self) -> bool {
        matches!(self.status, Status::Converged { .. })
    }

    /// Variance of a reading of weight 1, where each parameter takes away as much as `widening`
    /// independent ones would.
    pub(super) fn variance(&self, widening: f64) -> f64 {
        let n = self.residuals.len() as f64;
        let left = (n - self.free.len() as f64 * widening).max(0.2 * n);
        if self.degrees_of_freedom > 0 {
            self.squares / left.min(self.degrees_of_freedom as f64)
        } else {
            0.0
        }
    }

    /// Height at time `t_h` (infinity for the end), and its derivatives by the free parameters.
    pub(super) fn height(&self, t_h: f64) -> Option<(f64, DVector<f64>)> {
        let (value, slopes) = if t_h.is_infinite() {
            self.law.end(&self.working)?
        } else {
            self.law.evaluate(&self.working, Moment::at(t_h))
        };
        Some((
            value,
            DVector::from_iterator(self.free.len(), self.free.iter().map(|&j| slopes[j])),
        ))
    }

    fn empty(law: Law, status: Status) -> Self {
        Self {
            law,
            status,
            parameters: Vec::new(),
            residual_standard_deviation_mm: None,
            degrees_of_freedom: 0,
            aicc: None,
            weight: 0.0,
            working: [0.0; MOST],
            free: Vec::new(),
            covariance: DMatrix::zeros(0, 0),
            squares: f64::INFINITY,
            residuals: Vec::new(),
        }
    }
}

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

/// Grids that laws can share.
#[derive(Debug, Default)]
pub(super) struct Grids {
    exponentials: Option<Grid>,
}

/// Fits one law; `fixed` has an entry for each of its parameters.
pub(super) fn fit_law(
    law: Law,
    series: &Prepared,
    fixed: &[Option<f64>],
    grids: &mut Grids,
) -> Result<Candidate, SettlingError> {
    let free: Vec<usize> = (0..fixed.len()).filter(|&j| fixed[j].is_none()).collect();
    let (n, p) = (series.len(), free.len());
    if n < p + 1 {
        return Ok(Candidate::empty(
            law,
            Status::TooFewReadings { needed: p + 1 },
        ));
    }
    let shift = |k: usize| {
        if law.is_level(k) {
            series.middle_mm
        } else {
            0.0
        }
    };
    let held: Vec<Option<f64>> = law
        .linear()
        .iter()
        .enumerate()
        .map(|(k, &j)| fixed[j].map(|v| v - shift(k)))
        .collect();
    let held_nonlinear: Vec<Option<f64>> = law
        .nonlinear()
        .iter()
        .map(|&j| fixed[j].map(|v| law.to_working(j, v)))
        .collect();
    let extra: Vec<f64> = held_nonlinear.iter().copied().flatten().collect();
    let own;
    let shared = matches!(law, Law::Exponential | Law::TwoExponentials) && extra.is_empty();
    let grid = if shared {
        grids
            .exponentials
            .get_or_insert_with(|| Grid::lay(law, series, &[]))
    } else {
        own = Grid::lay(law, series, &extra);
        &own
    };
    let surveyed = survey(law, grid, &held, &held_nonlinear, STARTS);
    let mut best: Option<(Solution, [f64; MOST])> = None;
    for start in &surveyed.starts {
        let found = descend(law, series, fixed, &free, start)?;
        let better = best.as_ref().is_none_or(|(b, _)| {
            let rank = |s: &Solution| (!s.is_converged(), s.residual_sum_of_squares);
            let (x, y) = (rank(&found.0), rank(b));
            x.0 < y.0 || x.0 == y.0 && x.1 < y.1
        });
        if better {
            best = Some(found);
        }
    }
    let Some((solution, working)) = best else {
        let parameters = law
            .nonlinear()
            .iter()
            .map(|&j| law.parameter_names()[j])
            .collect();
        return Ok(Candidate::empty(law, Status::NotDetermined { parameters }));
    };
    let mut candidate = assemble(law, series, fixed, free, solution, working);
    if !matches!(
        candidate.status,
        Status::NotConverged {
            why: WhyNotConverged::NotFinite
        }
    ) {
        candidate.status = judge(&candidate, series, &surveyed.on_bound, &held, grids, fixed)?;
    }
    if !candidate.is_converged() {
        candidate.parameters.clear();
    }
    Ok(candidate)
}

/// Joint fit of all free parameters from one start.
fn descend(
    law: Law,
    series: &Prepared,
    fixed: &[Option<f64>],
    free: &[usize],
    start: &Projection,
) -> Result<(Solution, [f64; MOST]), SettlingError> {
    let mut working = [0.0; MOST];
    for (k, &j) in law.linear().iter().enumerate() {
        working[j] = start.linear[k];
    }
    for (k, &j) in law.nonlinear().iter().enumerate() {
        working[j] = start.nonlinear[k];
    }
    let (low, high) = bounds(law, series);
    let bound = |j: usize| -> (f64, f64) {
        if !law.nonlinear().contains(&j) {
            return (f64::NEG_INFINITY, f64::INFINITY);
        }
        // A time constant that is held keeps the other one on its side.
        match (law, j) {
            (Law::TwoExponentials, 2) if fixed[4].is_some() => (low, working[4].min(high).max(low)),
            (Law::TwoExponentials, 4) if fixed[2].is_some() => {
                (working[2].max(low).min(high), high)
            }
            _ => (low, high),
        }
    };
    let settings = Settings {
        lower: Some(DVector::from_iterator(
            free.len(),
            free.iter().map(|&j| bound(j).0),
        )),
        upper: Some(DVector::from_iterator(
            free.len(),
            free.iter().map(|&j| bound(j).1),
        )),
        first_damping: 1e-4,
        offset_tolerance: OFFSET,
        max_iterations: ITERATIONS,
        ..Settings::default()
    };
    let go = |from: &[f64; MOST]| {
        let mut now = *from;
        let x = DVector::from_iterator(free.len(), free.iter().map(|&j| from[j]));
        let solution = solve(&x, series.len(), &settings, |x, r, mut jacobian| {
            for (k, &j) in free.iter().enumerate() {
                now[j] = x[k];
            }
            for i in 0..series.len() {
                let (value, slopes) = law.evaluate(&now, series.moments[i]);
                let w = series.root_weights[i];
                r[i] = (value - series.heights[i]) * w;
                if let Some(m) = jacobian.as_deref_mut() {
                    for (k, &j) in free.iter().enumerate() {
                        m[(i, k)] = slopes[j] * w;
                    }
                }
            }
        })?;
        let mut end = *from;
        for (k, &j) in free.iter().enumerate() {
            end[j] = solution.parameters[k];
        }
        Ok::<_, SettlingError>((solution, end))
    };
    let (solution, mut end) = go(&working)?;
    if law == Law::TwoExponentials && end[2] > end[4] && free.len() == MOST {
        // The two parts changed places: begin again at the same curve with their names set right.
        end.swap(1, 3);
        end.swap(2, 4);
        return go(&end);
    }
    Ok((solution, end))
}

fn assemble(
    law: Law,
    series: &Prepared,
    fixed: &[Option<f64>],
    free: Vec<usize>,
    solution: Solution,
    mut working: [f64; MOST],
) -> Candidate {
    let names = law.parameter_names();
    let name = |k: &usize| names[free[*k]];
    let status = match &solution.outcome {
        Outcome::Converged { by } => Status::Converged { by: *by },
        Outcome::RanToBound { parameters } => {
            let j = parameters.first().map_or(0, |&k| free[k]);
            Status::RanToBound {
                parameter: names[j],
                value: law.from_working(j, working[j]).0,
            }
        }
        Outcome::NotDetermined { parameters } => Status::NotDetermined {
            parameters: parameters.iter().map(name).collect(),
        },
        Outcome::NotConverged { why } => Status::NotConverged { why: *why },
    };
    for (k, &j) in law.linear().iter().enumerate() {
        if law.is_level(k) {
            working[j] += series.middle_mm;
        }
    }
    let u = solution.standard_uncertainties_scaled();
    let parameters = (0..names.len())
        .map(|j| {
            let place = free.iter().position(|&f| f == j);
            let (value, slope) = law.from_working(j, working[j]);
            FittedParameter {
                name: names[j],
                value: fixed[j].unwrap_or(value),
                standard_uncertainty: place.and_then(|k| u.as_ref().map(|u| u[k] * slope)),
                fixed: fixed[j].is_some(),
            }
        })
        .collect();
    Candidate {
        law,
        status,
        parameters,
        residual_standard_deviation_mm: solution.residual_standard_deviation(),
        degrees_of_freedom: solution.degrees_of_freedom,
        aicc: None,
        weight: 0.0,
        working,
        free,
        covariance: solution.covariance_unscaled,
        squares: solution.residual_sum_of_squares,
        residuals: solution.residuals.iter().map(|r| -r).collect(),
    }
}

/// Whether a fit is determined by the readings; where it is not, this reason goes before others.
fn judge(
    found: &Candidate,
    series: &Prepared,
    on_bound: &[(usize, f64)],
    held: &[Option<f64>],
    grids: &mut Grids,
    fixed: &[Option<f64>],
) -> Result<Status, SettlingError> {
    let law = found.law;
    let floor = series.floor_squares();
    let (n, p) = (series.len(), found.free.len());
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
            if (1..MOST).all(|j| fixed[j].is_none()) {
                let inner = fit_law(Law::Exponential, series, &[fixed[0], None, None], grids)?;
                if inner.squares.max(floor) <= limit(2.0)? {
                    return Ok(Status::NoBetterThan {
                        simpler: Law::Exponential,
                    });
                }
            }
        }
        _ if linear_free => {
            let flat: f64 = series
                .heights
                .iter()
                .zip(&series.root_weights)
                .map(|(h, w)| (h * w).powi(2))
                .sum();
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
