//! Several quantities of one vehicle with one time constant.
//!
//! **Comes in:** quantities read at the same moments, each with its fit. **Goes out:** the common
//! time constant (or two) with its uncertainty, whether it agrees with the single fits, and each
//! quantity's fit with it. **Refuses** nothing: where it cannot be had, there is none.
//!
//! # Method
//! 1. The residuals of the single fits at common moments give their covariance. Its principal
//!    directions turn the quantities into ones whose noise is independent and of unit size; what
//!    is a mere combination of others (variance below a ten-thousandth of the largest) falls away.
//!    A law with one time constant stays one under that.
//! 2. The sum of squares of all directions, linear parameters solved in each (variable
//!    projection), is made least in the logarithm of the time constant, by a grid and then by
//!    parabolas. Its curvature gives the standard uncertainty.
//! 3. The common time constant is refused where the sum of squares rises by more than chi-square
//!    allows at 95 % over the least ones of each direction alone.

use nalgebra::{DMatrix, DVector, SymmetricEigen};
use serde_json::{Value, json};

use super::Series;
use super::law::{Law, Moment};
use super::weighing::{FitOptions, SettlingFit};
use crate::leastsquares::chi_square_quantile;

/// Least readings at common moments.
const LEAST: usize = 8;
/// Directions with less than this share of the largest variance are combinations of others.
const COMBINATION: f64 = 1e-4;
/// Points of the grid in the logarithm of the time constant.
const POINTS: usize = 60;

/// A quantity that takes part.
#[derive(Debug, Clone, Copy)]
pub struct JointMember<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its readings.
    pub series: &'a Series,
    /// How it was fitted.
    pub options: &'a FitOptions,
    /// Its own fit.
    pub fit: &'a SettlingFit,
}

/// The common time constant.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// The law.
    pub law: Law,
    /// Names of the quantities.
    pub names: Vec<String>,
    /// Independent directions among them.
    pub directions: usize,
    /// Readings at common moments.
    pub readings: usize,
    /// The common time constant (`tau_h` or `t0_h`) or exponent.
    pub value: f64,
    /// Its 95 % interval.
    pub interval_95: [f64; 2],
    /// Whether the single quantities agree with it.
    pub agrees: bool,
    /// Rise of the sum of squares over that with a time constant for each, and what chance allows.
    pub rise: f64,
    /// 95 % limit of the rise.
    pub rise_limit: f64,
}

impl Joint {
    /// In words.
    pub fn words(&self) -> String {
        let what = match self.law {
            Law::LogCreep => "creep by the logarithm of time from a common t0",
            Law::Power => "a power of time with a common exponent",
            _ => "one exponential with a common time constant",
        };
        let unit = if self.law == Law::Power { "" } else { " h" };
        format!(
            "{} of {}: {what} of {:.3}{unit} (95 %: {:.3} to {:.3}{unit}); {}",
            self.names.len(),
            self.names.join(", "),
            self.value,
            self.interval_95[0],
            self.interval_95[1],
            if self.agrees {
                "each by itself agrees with it"
            } else {
                "they do NOT agree on one"
            }
        )
    }

    /// As JSON.
    pub fn json(&self) -> Value {
        json!({
            "law": self.law.name(), "quantities": self.names, "directions": self.directions,
            "readings": self.readings,
            "parameter": self.law.parameter_names()[2], "value": self.value,
            "confidence_95": self.interval_95, "agrees": self.agrees,
            "rise_of_squares": self.rise, "rise_limit_95": self.rise_limit,
        })
    }
}

/// Finds the common time constant of quantities that move.
///
/// Members whose own fit is 'none' or no answer are left out; so are readings that not all have.
pub fn together(members: &[JointMember<'_>]) -> Option<Joint> {
    let moving: Vec<&JointMember<'_>> = members
        .iter()
        .filter(|m| m.fit.chosen().is_some_and(|c| c.law != Law::None))
        .collect();
    if moving.len() < 2 {
        return None;
    }
    let law = common_law(&moving)?;
    let (times, heights) = at_common_moments(&moving);
    let n = times.len();
    if n < LEAST {
        return None;
    }
    let directions = independent(&moving, &times, &heights)?;
    // Noise that hangs together makes every sum of squares count for less.
    let widening = moving
        .iter()
        .map(|m| m.fit.readings as f64 / m.fit.effective_readings)
        .fold(1.0, f64::max);
    let moments: Vec<Moment> = times.iter().map(|&t| Moment::at(t)).collect();
    let (low, high) = search_bounds(law, &times);
    let each = |working: f64| -> Vec<f64> {
        directions
            .iter()
            .map(|d| squares_at(law, working, &moments, d) / widening)
            .collect()
    };
    let total = |working: f64| each(working).iter().sum::<f64>();
    let grid: Vec<f64> = (0..POINTS)
        .map(|k| low + (high - low) * k as f64 / (POINTS - 1) as f64)
        .collect();
    let values: Vec<Vec<f64>> = grid.iter().map(|&w| each(w)).collect();
    let sums: Vec<f64> = values.iter().map(|v| v.iter().sum()).collect();
    let best = (0..POINTS).min_by(|&a, &b| sums[a].total_cmp(&sums[b]))?;
    if best == 0 || best + 1 == POINTS {
        return None;
    }
    let working = least(total, grid[best - 1], grid[best + 1]);
    let here = total(working);
    // Where the sum of squares has risen by the 95 % quantile of chi-square with one freedom.
    let limit = here + chi_square_quantile(0.95, 1.0).ok()?;
    let side = |end: f64| crossing(&total, working, end, limit);
    let (down, up) = (side(low)?, side(high)?);
    let alone: f64 = (0..directions.len())
        .map(|k| {
            let at = (0..POINTS)
                .min_by(|&a, &b| values[a][k].total_cmp(&values[b][k]))
                .unwrap_or(best);
            let one = |w: f64| squares_at(law, w, &moments, &directions[k]) / widening;
            let (a, b) = (grid[at.saturating_sub(1)], grid[(at + 1).min(POINTS - 1)]);
            one(least(one, a, b)).min(one(working))
        })
        .sum();
    let more = directions.len().saturating_sub(1) as f64;
    let rise_limit = if more > 0.0 {
        chi_square_quantile(0.95, more).ok()?
    } else {
        0.0
    };
    let natural = |w: f64| law.natural(2, w).0;
    let rise = (here - alone).max(0.0);
    Some(Joint {
        law,
        names: moving.iter().map(|m| m.name.to_owned()).collect(),
        directions: directions.len(),
        readings: n,
        value: natural(working),
        interval_95: [natural(down), natural(up)],
        agrees: rise <= rise_limit,
        rise,
        rise_limit,
    })
}

/// Combinations of the quantities whose noise is independent and of unit size.
fn independent(
    moving: &[&JointMember<'_>],
    times: &[f64],
    heights: &DMatrix<f64>,
) -> Option<Vec<DVector<f64>>> {
    let (n, m) = (times.len(), moving.len());
    // Residuals of the single fits.
    let residuals = DMatrix::from_fn(n, m, |i, k| {
        moving[k]
            .fit
            .height(times[i])
            .ok()
            .flatten()
            .map_or(0.0, |b| heights[(i, k)] - b.value_mm)
    });
    let freedom = (n as f64 - 3.0).max(1.0);
    // Each in units of its own scatter, so that degrees and millimetres count alike.
    let scatter: Vec<f64> = (0..m)
        .map(|k| (residuals.column(k).norm_squared() / freedom).sqrt())
        .collect();
    if scatter.iter().any(|s| *s <= 0.0) {
        return None;
    }
    let scaled = DMatrix::from_fn(n, m, |i, k| residuals[(i, k)] / scatter[k]);
    let eigen = SymmetricEigen::new(scaled.transpose() * &scaled / freedom);
    let largest = eigen.eigenvalues.max();
    let mut directions = Vec::new();
    for k in 0..m {
        let variance = eigen.eigenvalues[k];
        if variance < COMBINATION * largest {
            continue;
        }
        let way = eigen.eigenvectors.column(k);
        let series: Vec<f64> = (0..n)
            .map(|i| {
                (0..m)
                    .map(|j| way[j] * heights[(i, j)] / scatter[j])
                    .sum::<f64>()
                    / variance.sqrt()
            })
            .collect();
        directions.push(DVector::from_vec(series));
    }
    Some(directions)
}

/// The law with one nonlinear parameter that has most weight over all members.
fn common_law(members: &[&JointMember<'_>]) -> Option<Law> {
    let weight = |law: Law| -> f64 {
        members
            .iter()
            .flat_map(|m| &m.fit.candidates)
            .filter(|c| c.law == law)
            .map(|c| c.weight)
            .sum()
    };
    [Law::Exponential, Law::LogCreep, Law::Power]
        .into_iter()
        .map(|law| (law, weight(law)))
        // Where most of the weight lies with other laws, there is nothing to join.
        .filter(|(_, w)| *w > 0.5 * members.len() as f64)
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(law, _)| law)
}

/// Times that all members have, and their heights with steps and temperature taken out.
fn at_common_moments(members: &[&JointMember<'_>]) -> (Vec<f64>, DMatrix<f64>) {
    let tables: Vec<Vec<(f64, f64)>> = members
        .iter()
        .map(|m| m.fit.adjusted(m.series, m.options))
        .collect();
    let mut times = Vec::new();
    let mut rows: Vec<Vec<f64>> = Vec::new();
    let mut places = vec![0_usize; tables.len()];
    for &(t, _) in tables.first().map_or(&[][..], |t| t.as_slice()) {
        let mut row = Vec::with_capacity(tables.len());
        for (table, place) in tables.iter().zip(&mut places) {
            while table.get(*place).is_some_and(|r| r.0 < t - 1e-9) {
                *place += 1;
            }
            match table.get(*place) {
                Some(r) if (r.0 - t).abs() <= 1e-9 => row.push(r.1),
                _ => break,
            }
        }
        if row.len() == tables.len() {
            times.push(t);
            rows.push(row);
        }
    }
    let heights = DMatrix::from_fn(rows.len(), tables.len(), |i, k| rows[i][k]);
    (times, heights)
}

fn search_bounds(law: Law, times: &[f64]) -> (f64, f64) {
    if law == Law::Power {
        return (0.02, 3.0);
    }
    let span = times.last().copied().unwrap_or(1.0).max(1e-6);
    let step = times
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 0.0)
        .fold(span, f64::min);
    ((step * 0.05).ln(), (span * 50.0).ln())
}

/// Least sum of squares over the two linear parameters.
fn squares_at(law: Law, working: f64, moments: &[Moment], heights: &DVector<f64>) -> f64 {
    let n = moments.len() as f64;
    let shape: Vec<f64> = moments.iter().map(|&m| law.shape(working, m)).collect();
    let mean_s = shape.iter().sum::<f64>() / n;
    let mean_h = heights.sum() / n;
    let (mut ss, mut sh, mut hh) = (0.0, 0.0, 0.0);
    for (s, h) in shape.iter().zip(heights.iter()) {
        let (s, h) = (s - mean_s, h - mean_h);
        ss += s * s;
        sh += s * h;
        hh += h * h;
    }
    if ss > 0.0 {
        (hh - sh * sh / ss).max(0.0)
    } else {
        hh
    }
}

/// Least value of a function with one minimum between two points, by the golden section.
fn least(f: impl Fn(f64) -> f64, mut a: f64, mut b: f64) -> f64 {
    let golden = 0.618_033_988_749_894_8;
    let (mut c, mut d) = (b - golden * (b - a), a + golden * (b - a));
    let (mut fc, mut fd) = (f(c), f(d));
    for _ in 0..60 {
        if fc < fd {
            (b, d, fd) = (d, c, fc);
            c = b - golden * (b - a);
            fc = f(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + golden * (b - a);
            fd = f(d);
        }
    }
    f64::midpoint(a, b)
}

/// Where a function that rises from `from` towards `end` passes `limit`, by halving; none where it
/// does not.
fn crossing(f: &impl Fn(f64) -> f64, from: f64, end: f64, limit: f64) -> Option<f64> {
    let steps = 200;
    let mut inside = from;
    for k in 1..=steps {
        let at = from + (end - from) * f64::from(k) / f64::from(steps);
        if f(at) > limit {
            let mut outside = at;
            for _ in 0..50 {
                let middle = f64::midpoint(inside, outside);
                if f(middle) > limit {
                    outside = middle;
                } else {
                    inside = middle;
                }
            }
            return Some(f64::midpoint(inside, outside));
        }
        inside = at;
    }
    None
}
