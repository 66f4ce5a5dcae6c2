//! Steps in a series that nobody entered.
//!
//! **Comes in:** a series with its fit. **Goes out:** the one place where a step would explain most
//! of what the law leaves over, if it is larger than chance allows.
//!
//! # Method
//! For a step before reading i, with the law's parameters free beside it, the residuals e give its
//! size and significance without another fit: (e'x)^2 / (x'Mx), x being 1 before the step and M
//! taking out the law's slopes. The place with the largest is then fitted in earnest, and counts
//! where its size is beyond the limit for as many places as were tried (Bonferroni), with the
//! uncertainty widened for noise that hangs together.

use super::weighing::{FitOptions, SettlingFit, fit, prepared_as};
use super::{BesideKind, FittedBeside, Series, SettlingError};
use crate::leastsquares::student_t_quantile;
use serde::Serialize;

/// Chance that a series without a step is said to have one.
const CHANCE: f64 = 0.001;
/// Readings that must stand on either side.
const LEAST_EACH_SIDE: usize = 3;
/// Fewer readings than this show no step.
const LEAST: usize = 9;

/// A step found in a series.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FoundStep {
    /// Time of the last reading before it, hours.
    pub after_h: f64,
    /// Time of the first reading after it, hours.
    pub until_h: f64,
    /// Its size.
    pub size: f64,
    /// Standard uncertainty of it, widened for noise that hangs together.
    pub standard_uncertainty: f64,
}

/// Looks for one step more than the options have; the fit with it comes along.
///
/// # Errors
/// As [`fit`].
pub fn find_step(
    series: &Series,
    options: &FitOptions,
    found: &SettlingFit,
) -> Result<Option<(FoundStep, FitOptions, SettlingFit)>, SettlingError> {
    let Some(place) = likeliest(series, options, found)? else {
        return Ok(None);
    };
    let (after_h, until_h) = place;
    let at_h = f64::midpoint(after_h, until_h);
    let mut with = options.clone();
    with.steps_h.push(at_h);
    let again = match fit(series, &with) {
        Ok(again) => again,
        Err(SettlingError::TooFewReadings { .. }) => return Ok(None),
        Err(e) => return Err(e),
    };
    let Some(c) = again.chosen() else {
        return Ok(None);
    };
    let step = c.beside.iter().find(|b: &&FittedBeside| {
        matches!(b.kind, BesideKind::Step { at_h: t } if (t - at_h).abs() < 1e-9)
    });
    let Some((size, u)) = step.and_then(|s| Some((s.value, s.standard_uncertainty?))) else {
        return Ok(None);
    };
    let widening = (again.readings as f64 / again.effective_readings).sqrt();
    let u = u * widening;
    let freedom = (again.effective_readings - c.parameters_taken() as f64).max(1.0);
    let limit = student_t_quantile(1.0 - CHANCE / (2.0 * again.readings as f64), freedom)?;
    Ok((size.abs() > limit * u).then_some((
        FoundStep {
            after_h,
            until_h,
            size,
            standard_uncertainty: u,
        },
        with,
        again,
    )))
}

/// Times of the readings on either side of the likeliest step.
fn likeliest(
    series: &Series,
    options: &FitOptions,
    found: &SettlingFit,
) -> Result<Option<(f64, f64)>, SettlingError> {
    let prepared = prepared_as(series, options, found)?;
    let n = prepared.len();
    if n < LEAST {
        return Ok(None);
    }
    let law = found
        .candidates
        .iter()
        .filter(|c| c.residuals.len() == n)
        .min_by(|a, b| a.squares.total_cmp(&b.squares));
    let Some(law) = law else { return Ok(None) };
    // Orthonormal slopes of the law, what is beside it taken out already.
    let mut slopes: Vec<Vec<f64>> = vec![Vec::with_capacity(n); law.free.len()];
    for (i, moment) in prepared.moments.iter().enumerate() {
        let Some((_, s)) = law.height(moment.t) else {
            return Ok(None);
        };
        for (column, s) in slopes.iter_mut().zip(s.iter()) {
            column.push(s * prepared.root_weights[i]);
        }
    }
    let mut basis = prepared.beside.basis().to_vec();
    for column in &mut slopes {
        let size = norm(column);
        for _ in 0..2 {
            for b in &basis {
                let part: f64 = b.iter().zip(column.iter()).map(|(b, c)| b * c).sum();
                for (c, b) in column.iter_mut().zip(b) {
                    *c -= part * b;
                }
            }
        }
        let rest = norm(column);
        if rest > 1e-8 * size {
            basis.push(column.iter().map(|c| c / rest).collect());
        }
    }
    let mut sums = vec![0.0; basis.len()];
    let (mut own, mut with_residuals) = (0.0, 0.0);
    let mut best: Option<(f64, usize)> = None;
    for i in 0..n - LEAST_EACH_SIDE {
        let w = prepared.root_weights[i];
        own += w * w;
        with_residuals += law.residuals[i] * w;
        for (s, b) in sums.iter_mut().zip(&basis) {
            *s += b[i] * w;
        }
        let left = own - sums.iter().map(|s| s * s).sum::<f64>();
        let apart = prepared.moments[i + 1].t > prepared.moments[i].t;
        if i + 1 < LEAST_EACH_SIDE || !apart || left < 1e-6 * own {
            continue;
        }
        let gain = with_residuals * with_residuals / left;
        if best.is_none_or(|(g, _)| gain > g) {
            best = Some((gain, i));
        }
    }
    Ok(best
        .filter(|(gain, _)| *gain > 0.0)
        .map(|(_, i)| (prepared.moments[i].t, prepared.moments[i + 1].t)))
}

fn norm(v: &[f64]) -> f64 {
    v.iter().map(|x| x * x).sum::<f64>().sqrt()
}
