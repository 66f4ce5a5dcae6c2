//! Readings that do not belong to the others.

use super::candidate::Candidate;
use super::series::Prepared;
use super::weighing::{Competitor, score, weigh};
use super::{Series, SettlingError};
use crate::leastsquares::student_t_quantile;

/// Chance that a clean series loses a reading.
const WILD_CHANCE: f64 = 0.001;
/// Readings fewer than this are never called wild.
pub(super) const WILD_LEAST: usize = 7;
/// A reading whose leverage is above this cannot be judged: it makes its own fit.
const LEVERAGE_LIMIT: f64 = 0.95;
/// A reading left out because it does not belong to the others.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct WildReading {
    /// Where it stood in the series, from 0.
    pub index: usize,
    /// Its time in hours.
    pub time_h: f64,
    /// Its height in millimetres.
    pub height_mm: f64,
    /// What the law says there in millimetres, fitted with it.
    pub expected_mm: f64,
    /// Its externally studentised residual.
    pub studentised_residual: f64,
}

/// The reading furthest out under the law that describes the series best, if it is beyond the
/// limit.
pub(super) fn wildest(
    series: &Prepared,
    laws: &[Competitor],
    candidates: &[Candidate],
    given: &Series,
) -> Result<Option<(usize, WildReading)>, SettlingError> {
    let n = series.len();
    if n < WILD_LEAST {
        return Ok(None);
    }
    // A wild reading may itself be the reason why no law is determined: any law that describes
    // the series will do here.
    let best = candidates
        .iter()
        .filter(|c| !c.residuals.is_empty() && c.degrees_of_freedom > 2)
        .filter_map(|c| score(c, series, false).map(|s| (s, c)))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let Some((_, law)) = best else {
        return Ok(None);
    };
    let freedom = law.degrees_of_freedom as f64;
    let limit = student_t_quantile(1.0 - WILD_CHANCE / (2.0 * n as f64), freedom - 1.0)?;
    let found = match studentised(law, series) {
        Furthest::Judged(i, t) => Some((i, t, law.residuals[i] / series.root_weights[i])),
        Furthest::StandsAlone(i) if !law.is_converged() => alone(series, laws, i)?,
        _ => None,
    };
    Ok(found
        .filter(|(_, t, _)| t.abs() > limit)
        .map(|(i, t, residual_mm)| {
            let index = series.index[i];
            let height_mm = given.height_mm[index];
            let wild = WildReading {
                index,
                time_h: given.time_h[index],
                height_mm,
                expected_mm: height_mm - residual_mm,
                studentised_residual: t,
            };
            (i, wild)
        }))
}

enum Furthest {
    /// Position and externally studentised residual.
    Judged(usize, f64),
    /// This reading has a part of the law to itself.
    StandsAlone(usize),
    Nobody,
}

/// Looks for the reading with the largest externally studentised residual under a law.
fn studentised(law: &Candidate, series: &Prepared) -> Furthest {
    let freedom = law.degrees_of_freedom as f64;
    let floor = series.floor_squares();
    let mut worst: Option<(usize, f64)> = None;
    for i in 0..series.len() {
        let e = law.residuals[i];
        // The first reading can have a part of the law to itself; of the others only one well
        // outside can pass the limit.
        if i > 0 && e * e * freedom < 4.0 * law.squares {
            continue;
        }
        let Some((_, slopes)) = law.height(series.moments[i].t) else {
            continue;
        };
        let slopes = slopes * series.root_weights[i];
        let leverage = slopes.dot(&(&law.covariance * &slopes)) + series.beside.leverage(i);
        if leverage > LEVERAGE_LIMIT {
            if !law.is_converged() {
                return Furthest::StandsAlone(i);
            }
            continue;
        }
        let without = ((law.squares - e * e / (1.0 - leverage)).max(floor)) / (freedom - 1.0);
        let studentised = e / (without * (1.0 - leverage)).sqrt();
        if studentised.is_finite() && worst.is_none_or(|(_, w)| studentised.abs() > w.abs()) {
            worst = Some((i, studentised));
        }
    }
    worst.map_or(Furthest::Nobody, |(i, t)| Furthest::Judged(i, t))
}

/// Judges a reading by the best answer without it: position, difference over its standard
/// deviation, and difference.
fn alone(
    series: &Prepared,
    laws: &[Competitor],
    position: usize,
) -> Result<Option<(usize, f64, f64)>, SettlingError> {
    let rest = series.without(position);
    let (candidates, _) = weigh(&rest, laws)?;
    let best = candidates
        .iter()
        .filter(|c| c.is_converged() && c.degrees_of_freedom > 0)
        .max_by(|a, b| a.weight.total_cmp(&b.weight));
    let Some(law) = best else { return Ok(None) };
    let Some((expected, slopes)) = law.height(series.moments[position].t) else {
        return Ok(None);
    };
    let beside = series.beside.at(position, &law.beside_sizes);
    let difference = series.heights[position] + series.middle_mm - expected - beside;
    let own = 1.0 / series.root_weights[position].powi(2);
    let variance = law.variance(1.0) * (own + slopes.dot(&(&law.covariance * &slopes)));
    Ok((variance > 0.0).then(|| (position, difference / variance.sqrt(), difference)))
}
