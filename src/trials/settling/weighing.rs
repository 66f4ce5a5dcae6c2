//! All laws against one series: wild readings out, laws weighed, one chosen.

use super::candidate::{Candidate, Status};
use super::fitting::{Grids, finish, fit_law};
use super::judging::{correlation, effective};
use super::law::Law;
use super::series::Prepared;
use super::wild::{WILD_LEAST, WildReading, wildest};
use super::{Notice, Series, SettlingError};

/// What to fit.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FitOptions {
    /// Only this law; all where there is none.
    pub law: Option<Law>,
    /// Parameters held, by name. Without a law, only laws that have all of them compete.
    pub fixed: Vec<(String, f64)>,
    /// Times in hours at which the height made a step for a reason of its own: a collar turned, a
    /// hole changed, weight put on, the vehicle moved. Each step is a parameter; the clock of the
    /// law goes on.
    pub steps_h: Vec<f64>,
    /// Temperature in degrees Celsius of each reading as given; empty where it is not known. Its
    /// wave is then taken out with one parameter.
    pub temperature_c: Vec<f64>,
}

/// Result for one series.
#[derive(Debug, Clone)]
pub struct SettlingFit {
    /// The laws that competed, in the order of [`Law::ALL`].
    pub candidates: Vec<Candidate>,
    /// Index of the chosen one among them; `None` where no law is an answer.
    pub chosen: Option<usize>,
    /// The law asked for, if one was.
    pub asked: Option<Law>,
    /// Readings left out.
    pub left_out: Vec<WildReading>,
    /// What the user must know.
    pub notices: Vec<Notice>,
    /// Readings in the fit.
    pub readings: usize,
    /// Time of the first and last of them in hours.
    pub span_h: (f64, f64),
    /// Lag-1 correlation of the residuals, 0 where not significant.
    pub noise_correlation: f64,
    /// As how many independent readings they count.
    pub effective_readings: f64,
}

/// Laws with more weight than this are fitted to the last digits.
const TO_THE_LAST_DIGITS: f64 = 1e-6;
/// Difference in the criterion up to which a law fits as well (Burnham and Anderson 2002, p. 70).
const AS_GOOD: f64 = 2.0;

/// Fits the laws to a series.
///
/// # Errors
/// [`SettlingError`] for input that cannot be fitted. That no law is an answer is not an error:
/// [`SettlingFit::chosen`] is then `None` and every candidate says why.
pub fn fit(series: &Series, options: &FitOptions) -> Result<SettlingFit, SettlingError> {
    let (prepared, mut notices) = series.prepare()?;
    check_beside(series, options)?;
    let mut prepared = prepared.with_beside(&options.steps_h, &options.temperature_c);
    let laws = competitors(options)?;
    let needed = match options.law {
        Some(_) => laws.iter().map(|(_, f)| free_count(f) + 1).max(),
        None => laws
            .iter()
            .filter(|(l, _)| *l != Law::None)
            .map(|(_, f)| free_count(f) + 3)
            .min(),
    }
    .unwrap_or(3)
    .max(3)
        + prepared.beside.count();
    if prepared.len() < needed {
        return Err(SettlingError::TooFewReadings {
            found: prepared.len(),
            needed,
        });
    }
    if prepared.last_h() <= prepared.first_h() {
        return Err(SettlingError::NoTimePassed {
            found: prepared.len(),
        });
    }
    let mut left_out = Vec::new();
    let most_wild = (prepared.len() / 20).clamp(1, 10);
    let (mut candidates, mut correlated) = weigh(&prepared, &laws)?;
    while left_out.len() < most_wild {
        let Some((position, wild)) = wildest(&prepared, &laws, &candidates, series)? else {
            break;
        };
        if prepared.len() <= needed.max(WILD_LEAST) {
            break;
        }
        left_out.push(wild);
        prepared = prepared.without(position);
        (candidates, correlated) = weigh(&prepared, &laws)?;
    }
    let chosen = (0..candidates.len())
        .filter(|&i| {
            candidates[i].is_converged() && (options.law.is_some() || candidates[i].weight > 0.0)
        })
        .max_by(|&a, &b| candidates[a].weight.total_cmp(&candidates[b].weight));
    let (r, parameters) = match chosen.map(|i| &candidates[i]) {
        Some(c) if correlated => (
            correlation(&c.residuals, c.parameters_taken()),
            c.parameters_taken(),
        ),
        Some(c) => (0.0, c.parameters_taken()),
        None => (0.0, 1),
    };
    let effective_readings = effective(prepared.len(), r, parameters);
    if r > 0.0 && chosen.is_some() {
        let readings = prepared.len();
        notices.push(Notice::CorrelatedNoise {
            correlation: r,
            readings,
            effective: effective_readings,
        });
    }
    if options.law.is_none() {
        notices.extend(rivals(&candidates, chosen, &prepared, correlated));
    }
    Ok(SettlingFit {
        candidates,
        chosen,
        asked: options.law,
        left_out,
        notices,
        readings: prepared.len(),
        span_h: (prepared.first_h(), prepared.last_h()),
        noise_correlation: r,
        effective_readings,
    })
}

/// The series as a fit saw it: prepared, wild readings left out.
pub(super) fn prepared_as(
    series: &Series,
    options: &FitOptions,
    found: &SettlingFit,
) -> Result<Prepared, SettlingError> {
    let mut prepared = series
        .prepare()?
        .0
        .with_beside(&options.steps_h, &options.temperature_c);
    for wild in &found.left_out {
        if let Some(position) = prepared.index.iter().position(|&i| i == wild.index) {
            prepared = prepared.without(position);
        }
    }
    Ok(prepared)
}

fn check_beside(series: &Series, options: &FitOptions) -> Result<(), SettlingError> {
    if !options.temperature_c.is_empty() && options.temperature_c.len() != series.time_h.len() {
        return Err(SettlingError::LengthsDiffer {
            times: series.time_h.len(),
            heights: series.height_mm.len(),
            uncertainties: options.temperature_c.len(),
        });
    }
    for (what, values) in [
        ("temperature", &options.temperature_c),
        ("step", &options.steps_h),
    ] {
        if let Some(index) = values.iter().position(|v| !v.is_finite()) {
            return Err(SettlingError::NotFinite { what, index });
        }
    }
    Ok(())
}

pub(super) type Competitor = (Law, Vec<Option<f64>>);

fn free_count(fixed: &[Option<f64>]) -> usize {
    fixed.iter().filter(|f| f.is_none()).count()
}

fn competitors(options: &FitOptions) -> Result<Vec<Competitor>, SettlingError> {
    let looked = match options.law {
        Some(law) => vec![law],
        None => Law::ALL.to_vec(),
    };
    for (name, value) in &options.fixed {
        if !looked
            .iter()
            .any(|l| l.parameter_names().contains(&name.as_str()))
        {
            let where_looked = options
                .law
                .map_or_else(|| "any law".into(), |l| format!("'{}'", l.name()));
            return Err(SettlingError::UnknownParameter {
                name: name.clone(),
                where_looked,
            });
        }
        let positive = name.starts_with("tau") || name == "t0_h" || name == "n";
        if !value.is_finite() || positive && *value <= 0.0 {
            return Err(SettlingError::FixedOutOfRange {
                name: name.clone(),
                value: *value,
            });
        }
    }
    let mut found = Vec::new();
    for law in looked {
        let names = law.parameter_names();
        if !options
            .fixed
            .iter()
            .all(|(name, _)| names.contains(&name.as_str()))
        {
            continue;
        }
        let fixed: Vec<Option<f64>> = names
            .iter()
            .map(|n| {
                options
                    .fixed
                    .iter()
                    .rev()
                    .find(|(name, _)| name == n)
                    .map(|(_, v)| *v)
            })
            .collect();
        if law == Law::TwoExponentials
            && let (Some(first), Some(second)) = (fixed[2], fixed[4])
            && first >= second
        {
            return Err(SettlingError::FixedOutOfRange {
                name: "tau1_h".into(),
                value: first,
            });
        }
        if free_count(&fixed) == 0 {
            if options.law.is_some() {
                return Err(SettlingError::NothingToFit { law: law.name() });
            }
            continue;
        }
        found.push((law, fixed));
    }
    if found.is_empty() {
        let names: Vec<&str> = options.fixed.iter().map(|(n, _)| n.as_str()).collect();
        return Err(SettlingError::UnknownParameter {
            name: names.join(", "),
            where_looked: "one law together".into(),
        });
    }
    Ok(found)
}

/// Corrected Akaike criterion for `n` readings (or as many as they count for) and `k` parameters
/// with the variance among them; `None` where `n` is too small.
fn criterion(mean_square: f64, n: f64, k: usize) -> Option<f64> {
    let k = k as f64;
    let rest = n - k - 1.0;
    (rest > 0.0).then(|| n * mean_square.ln() + 2.0 * k + 2.0 * k * (k + 1.0) / rest)
}

fn mean_square(candidate: &Candidate, series: &Prepared) -> f64 {
    candidate
        .squares
        .max(series.floor_squares())
        .max(f64::MIN_POSITIVE)
        / series.len() as f64
}

/// Score of a law by which it is weighed: the corrected criterion, where the noise hangs together
/// with the likelihood of first-order autoregressive noise about this law, its correlation being
/// one more parameter.
pub(super) fn score(candidate: &Candidate, series: &Prepared, correlated: bool) -> Option<f64> {
    let n = series.len() as f64;
    let k = candidate.parameters_taken() + 1;
    if !correlated {
        return criterion(mean_square(candidate, series), n, k);
    }
    let e = &candidate.residuals;
    let before: f64 = e
        .iter()
        .take(e.len().saturating_sub(1))
        .map(|e| e * e)
        .sum();
    let r = e.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / before.max(f64::MIN_POSITIVE);
    let r = r.clamp(0.0, 0.99);
    let first = e.first().map_or(0.0, |e| e * e * (1.0 - r * r));
    let fresh: f64 = first + e.windows(2).map(|w| (w[1] - r * w[0]).powi(2)).sum::<f64>();
    let fresh = fresh.max(series.floor_squares()).max(f64::MIN_POSITIVE);
    criterion(fresh / n, n, k + 1).map(|s| s - (1.0 - r * r).ln())
}

/// Fits all laws and gives them weights; answers also whether the noise hangs together.
pub(super) fn weigh(
    series: &Prepared,
    laws: &[Competitor],
) -> Result<(Vec<Candidate>, bool), SettlingError> {
    let mut grids = Grids::default();
    let mut all = Vec::with_capacity(laws.len());
    for (law, fixed) in laws {
        all.push(fit_law(*law, series, fixed, &mut grids)?);
    }
    // The noise is what the most flexible answer leaves over: a law that does not fit leaves
    // residuals that hang together for another reason.
    let correlated = all
        .iter()
        .filter(|c| c.is_converged())
        .min_by(|a, b| a.squares.total_cmp(&b.squares))
        .is_some_and(|c| correlation(&c.residuals, c.parameters_taken()) > 0.0);
    let mut scores: Vec<Option<f64>> = Vec::new();
    for c in &mut all {
        let k = c.parameters_taken() + 1;
        if !c.is_converged() {
            scores.push(None);
            continue;
        }
        c.aicc = criterion(mean_square(c, series), series.len() as f64, k);
        scores.push(score(c, series, correlated));
        if scores.last().is_some_and(Option::is_none) && laws.len() > 1 {
            c.status = Status::TooFewReadings { needed: k + 2 };
            c.parameters.clear();
            c.aicc = None;
        }
    }
    let best = scores
        .iter()
        .flatten()
        .copied()
        .fold(f64::INFINITY, f64::min);
    let raw: Vec<f64> = scores
        .iter()
        .map(|s| s.map_or(0.0, |s| (-(s - best) / 2.0).exp()))
        .collect();
    let sum: f64 = raw.iter().sum();
    let mut done = Vec::with_capacity(all.len());
    for ((c, w), (_, fixed)) in all.into_iter().zip(&raw).zip(laws) {
        let weight = if sum > 0.0 {
            w / sum
        } else {
            f64::from(u8::from(c.is_converged()))
        };
        let aicc = c.aicc;
        let mut c = if weight > TO_THE_LAST_DIGITS {
            finish(c, series, fixed)?
        } else {
            c
        };
        if c.is_converged() {
            (c.weight, c.aicc) = (weight, aicc);
        }
        done.push(c);
    }
    let all = done;
    Ok((all, correlated))
}

/// Laws that fit as well as the chosen one but are not determined.
fn rivals(
    candidates: &[Candidate],
    chosen: Option<usize>,
    series: &Prepared,
    correlated: bool,
) -> Vec<Notice> {
    let Some(best) = chosen.map(|i| &candidates[i]) else {
        return Vec::new();
    };
    let Some(limit) = score(best, series, correlated).map(|s| s + AS_GOOD) else {
        return Vec::new();
    };
    candidates
        .iter()
        .filter(|c| {
            !c.residuals.is_empty() && score(c, series, correlated).is_some_and(|s| s <= limit)
        })
        .filter_map(|c| match &c.status {
            Status::NotDetermined { parameters } => Some((c.law, parameters.clone())),
            Status::RanToBound { parameter, .. } => Some((c.law, vec![*parameter])),
            _ => None,
        })
        .filter(|_| best.law != Law::None)
        .map(|(law, parameters)| Notice::RivalNotDetermined {
            law: law.name(),
            parameters,
        })
        .collect()
}
