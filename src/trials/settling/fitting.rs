//! Fits one law to a series: starts from its profile, joint fit, judgement.

use nalgebra::{DMatrix, DVector};

use super::SettlingError;
use super::beside::{BesideKind, FittedBeside};
use super::candidate::{Candidate, FittedParameter, Status};
use super::judging::judge;
use super::law::{Law, MOST};
use super::profile::{Grid, Projection, bounds, survey};
use super::series::Prepared;
use crate::leastsquares::{Outcome, Settings, Solution, WhyNotConverged, solve};

/// Relative offset at which a fit has converged: no parameter is then further from the minimum
/// than about a ten-millionth of its standard uncertainty.
const OFFSET: f64 = 1e-7;
/// Relative offset close enough to weigh a law: its sum of squares is then right to a millionth.
const ROUGH_OFFSET: f64 = 1e-3;
/// Most Jacobians in one descent. Chosen: fits that are determined take 5 to 15 from the grid.
const ITERATIONS: usize = 60;

/// Series longer than this are averaged down to about so many points for the search.
const THIN_FROM: usize = 400;
const THIN_TO: usize = 160;

/// Starts tried for each law.
const STARTS: usize = 2;

/// Grids that laws can share.
#[derive(Debug, Default)]
pub(super) struct Grids {
    exponentials: Option<Grid>,
    /// End held (by its bits), and the sum of squares of the single exponential with it.
    single: Option<(Option<u64>, f64)>,
    /// Averages of a long series.
    thin: Option<Prepared>,
}

/// Fits one law; `fixed` has an entry for each of its parameters.
pub(super) fn fit_law(
    law: Law,
    series: &Prepared,
    fixed: &[Option<f64>],
    grids: &mut Grids,
) -> Result<Candidate, SettlingError> {
    let free: Vec<usize> = (0..fixed.len()).filter(|&j| fixed[j].is_none()).collect();
    let (n, p) = (series.len(), free.len() + series.beside.count());
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
        .map(|&j| fixed[j].map(|v| law.working(j, v)))
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
    let starts: Vec<[f64; MOST]> = surveyed.starts.iter().map(|p| start_of(law, p)).collect();
    let best = if series.len() > THIN_FROM {
        // The way to the minimum is found on averages; the minimum itself on all readings.
        let thin = grids.thin.get_or_insert_with(|| series.thinned(THIN_TO));
        let near = lowest(law, thin, fixed, &free, &starts, Effort::ROUGH)?;
        let effort = if near.as_ref().is_some_and(|(s, _)| s.is_converged()) {
            Effort::WEIGH
        } else {
            Effort::FEW
        };
        let from: Vec<[f64; MOST]> = near.into_iter().map(|(_, w)| w).collect();
        lowest(law, series, fixed, &free, &from, effort)?
    } else {
        lowest(law, series, fixed, &free, &starts, Effort::SEARCH)?
    };
    let Some((solution, working)) = best else {
        let parameters = law
            .nonlinear()
            .iter()
            .map(|&j| law.parameter_names()[j])
            .collect();
        return Ok(Candidate::empty(law, Status::NotDetermined { parameters }));
    };
    let mut candidate = assemble(law, series, fixed, free, solution, working);
    if law == Law::Exponential && fixed[1].is_none() && fixed[2].is_none() {
        grids.single = Some((fixed[0].map(f64::to_bits), candidate.squares));
    }
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

/// Sum of squares of the single exponential with all but its end free, fitted once.
pub(super) fn single_squares(
    series: &Prepared,
    end: Option<f64>,
    grids: &mut Grids,
) -> Result<f64, SettlingError> {
    let held = end.map(f64::to_bits);
    if let Some((known, squares)) = grids.single
        && known == held
    {
        return Ok(squares);
    }
    fit_law(Law::Exponential, series, &[end, None, None], grids).map(|c| c.squares)
}

/// How long a descent may take, how boldly it begins and how closely it ends.
#[derive(Debug, Clone, Copy)]
struct Effort {
    iterations: usize,
    damping: f64,
    offset: f64,
}

impl Effort {
    /// From a point of the grid.
    const SEARCH: Self = Self {
        iterations: ITERATIONS,
        damping: 1e-4,
        offset: OFFSET,
    };
    /// From a point of the grid, on averages.
    const ROUGH: Self = Self {
        iterations: 30,
        damping: 1e-4,
        offset: ROUGH_OFFSET,
    };
    /// From the minimum of the averages: close enough to weigh the law.
    const WEIGH: Self = Self {
        iterations: ITERATIONS,
        damping: 1e-9,
        offset: ROUGH_OFFSET,
    };
    /// Where the averages have no minimum: all readings will not have one either.
    const FEW: Self = Self {
        iterations: 8,
        damping: 1e-4,
        offset: ROUGH_OFFSET,
    };
    /// From close by to the last digits.
    const FINISH: Self = Self {
        iterations: ITERATIONS,
        damping: 1e-9,
        offset: OFFSET,
    };
}

/// Brings a law of a long series, so far fitted closely enough to be weighed, to the last digits.
pub(super) fn finish(
    candidate: Candidate,
    series: &Prepared,
    fixed: &[Option<f64>],
) -> Result<Candidate, SettlingError> {
    if series.len() <= THIN_FROM || !candidate.is_converged() {
        return Ok(candidate);
    }
    let law = candidate.law;
    let mut from = candidate.working;
    for (k, &j) in law.linear().iter().enumerate() {
        if law.is_level(k) {
            from[j] -= series.middle_mm;
        }
    }
    let (solution, working) = descend(law, series, fixed, &candidate.free, &from, Effort::FINISH)?;
    let mut done = assemble(law, series, fixed, candidate.free, solution, working);
    if !done.is_converged() {
        done.parameters.clear();
    }
    Ok(done)
}

/// Working parameters of a projection.
fn start_of(law: Law, start: &Projection) -> [f64; MOST] {
    let mut working = [0.0; MOST];
    for (k, &j) in law.linear().iter().enumerate() {
        working[j] = start.linear[k];
    }
    for (k, &j) in law.nonlinear().iter().enumerate() {
        working[j] = start.nonlinear[k];
    }
    working
}

/// The best of the descents from several starts: converged before not, then lowest.
fn lowest(
    law: Law,
    series: &Prepared,
    fixed: &[Option<f64>],
    free: &[usize],
    starts: &[[f64; MOST]],
    effort: Effort,
) -> Result<Option<(Solution, [f64; MOST])>, SettlingError> {
    let mut best: Option<(Solution, [f64; MOST])> = None;
    for start in starts {
        let found = descend(law, series, fixed, free, start, effort)?;
        let better = best.as_ref().is_none_or(|(old, _)| {
            let new = &found.0;
            if new.is_converged() == old.is_converged() {
                new.residual_sum_of_squares < old.residual_sum_of_squares
            } else {
                new.is_converged()
            }
        });
        if better {
            best = Some(found);
        }
    }
    Ok(best)
}

/// Joint fit of all free parameters from one start.
fn descend(
    law: Law,
    series: &Prepared,
    fixed: &[Option<f64>],
    free: &[usize],
    working: &[f64; MOST],
    effort: Effort,
) -> Result<(Solution, [f64; MOST]), SettlingError> {
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
        first_damping: effort.damping,
        offset_tolerance: effort.offset,
        max_iterations: effort.iterations,
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
            if series.beside.count() > 0 {
                series.beside.project(r.as_mut_slice());
                if let Some(m) = jacobian {
                    for mut column in m.column_iter_mut() {
                        series.beside.project(column.as_mut_slice());
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
    let (solution, mut end) = go(working)?;
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
                value: law.natural(j, working[j]).0,
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
    let taken = series.beside.count();
    let degrees_of_freedom = solution.degrees_of_freedom.saturating_sub(taken);
    // The solver knows nothing of what was taken out beside the law.
    let spread = if taken > 0 && degrees_of_freedom > 0 {
        (solution.degrees_of_freedom as f64 / degrees_of_freedom as f64).sqrt()
    } else {
        1.0
    };
    let u = solution.standard_uncertainties_scaled();
    let parameters = (0..names.len())
        .map(|j| {
            let place = free.iter().position(|&f| f == j);
            let (value, slope) = law.natural(j, working[j]);
            FittedParameter {
                name: names[j],
                value: fixed[j].unwrap_or(value),
                standard_uncertainty: place.and_then(|k| u.as_ref().map(|u| u[k] * slope * spread)),
                fixed: fixed[j].is_some(),
            }
        })
        .collect();
    let (beside, beside_sizes) = sizes_beside(law, series, &working, &free, &solution, spread);
    Candidate {
        law,
        status,
        parameters,
        residual_standard_deviation_mm: solution.residual_standard_deviation().map(|s| s * spread),
        degrees_of_freedom,
        beside,
        beside_sizes,
        beside_count: taken,
        aicc: None,
        weight: 0.0,
        working,
        free,
        covariance: solution.covariance_unscaled,
        squares: solution.residual_sum_of_squares,
        residuals: solution.residuals.iter().map(|r| -r).collect(),
    }
}

/// How large each part beside the law is; `working` has all heights as they are.
fn sizes_beside(
    law: Law,
    series: &Prepared,
    working: &[f64; MOST],
    free: &[usize],
    solution: &Solution,
    spread: f64,
) -> (Vec<FittedBeside>, Vec<f64>) {
    if series.beside.kinds.is_empty() {
        return (Vec::new(), Vec::new());
    }
    let n = series.len();
    let mut slopes = DMatrix::zeros(n, free.len());
    let mut residuals = Vec::with_capacity(n);
    for i in 0..n {
        let (value, slope) = law.evaluate(working, series.moments[i]);
        let w = series.root_weights[i];
        residuals.push((series.heights[i] + series.middle_mm - value) * w);
        for (k, &j) in free.iter().enumerate() {
            slopes[(i, k)] = slope[j] * w;
        }
    }
    let (sizes, u) = series
        .beside
        .sizes(&residuals, &slopes, &series.root_weights);
    let s = solution.residual_standard_deviation().map(|s| s * spread);
    let fitted = series
        .beside
        .kinds
        .iter()
        .zip(sizes.iter().zip(u))
        .map(|(kind, (size, u))| FittedBeside {
            kind: *kind,
            // A column is 1 before its step: what it takes off is what the step put on.
            value: match kind {
                BesideKind::Step { .. } => -size,
                BesideKind::Temperature => *size,
            },
            standard_uncertainty: u.zip(s).map(|(u, s)| u * s),
        })
        .collect();
    (fitted, sizes)
}
