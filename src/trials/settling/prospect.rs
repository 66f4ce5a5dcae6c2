//! One quantity over days: how far it has gone, what is still to come, and when to look again.
//!
//! **Comes in:** a [`Question`]: the series, steps with their reasons, temperatures, the tolerance.
//! **Goes out:** a [`Prospect`]. **Refuses:** what [`fit`] refuses, except too few readings, which
//! is an answer: it cannot be told yet.
//!
//! # Method
//! 1. Entered steps are parameters. Temperature is one where the readings cover some degrees and
//!    its part is beyond its own 95 % interval; else it is left out again.
//! 2. Steps that nobody entered are looked for, the largest first, three at most.
//! 3. What is still to come carries the doubt about the law itself: a drift that it does not have
//!    and the readings could hide.
//! 4. Where no change shows ('none'), what is still to come is nought, give or take the drift that
//!    the readings could hide, going on for as long again as they last (a day at least). It has
//!    settled only if that is within the tolerance.

use serde::Serialize;

use super::drift::Doubt;
use super::jump::{FoundStep, find_step};
use super::trend::{Averaged, Trend, averaged, trend};
use super::weighing::{FitOptions, SettlingFit, fit};
use super::{Band, BesideKind, FittedBeside, Law, Series, SettlingError, Verdict};
use crate::leastsquares::{solve_linear, student_t_quantile};
use nalgebra::{DMatrix, DVector};

/// Hours of a day and a week.
const DAY_H: f64 = 24.0;
const WEEK_H: f64 = 168.0;
/// Readings that cover less do not tell a week or the end: within one day and night a slow part
/// and the wave of temperature look alike. Chosen; it takes two of each to tell them apart, give or take an hour.
pub(super) const LEAST_FOR_THE_END_H: f64 = 2.0 * DAY_H - 1.0;
/// Temperatures that vary less (standard deviation, degrees) say nothing.
const LEAST_TEMPERATURE_SPREAD_C: f64 = 0.4;
/// Readings from which on a temperature can be told from settling at all.
const LEAST_FOR_TEMPERATURE: usize = 12;
/// Readings that are in one order by a smaller chance than this do go one way.
const SURELY_ONE_WAY: f64 = 0.001;
/// Most steps looked for that nobody entered.
const MOST_FOUND_STEPS: usize = 3;

/// A step that somebody entered.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KnownStep {
    /// When, hours on the clock of the series.
    pub at_h: f64,
    /// What it was, in words.
    pub reason: String,
}

/// What is asked about a quantity. Units are the caller's: mm or degrees.
#[derive(Debug, Clone, Default)]
pub struct Question {
    /// Its readings.
    pub series: Series,
    /// Temperature at each of them; empty where it is not known.
    pub temperature_c: Vec<f64>,
    /// What was done to the vehicle meanwhile.
    pub steps: Vec<KnownStep>,
    /// What is still to come below this counts as settled.
    pub tolerance: f64,
    /// Whether steps that nobody entered are looked for.
    pub find_steps: bool,
}

/// The answer for a quantity.
#[derive(Debug, Clone)]
pub struct Prospect {
    /// The fit; none where there are too few readings for any.
    pub fit: Option<SettlingFit>,
    /// How it was fitted.
    pub options: FitOptions,
    /// Why there is no fit.
    pub too_few: Option<SettlingError>,
    /// Last reading less first, steps and temperature taken out where there is a fit.
    pub seen_change: Option<f64>,
    /// Change by the law from the first reading to the last.
    pub gone: Option<Band>,
    /// Still to come within a day, a week, and to the end.
    pub by_tomorrow: Option<Band>,
    /// In a week.
    pub in_a_week: Option<Band>,
    /// At the end; none where a law that counts has no end.
    pub at_the_end: Option<Band>,
    /// Settled or not.
    pub verdict: Verdict,
    /// Why it cannot be told yet.
    pub why_not: Option<String>,
    /// Change a day that readings without a visible change could still hide.
    pub hidden_per_day: Option<f64>,
    /// Whether the readings, steps and temperature taken out, go one way.
    pub trend: Option<Trend>,
    /// How what the law leaves over averages, from reading to reading.
    pub noise: Vec<Averaged>,
    /// When the next reading tells most, hours on the clock of the series.
    pub next_look_h: Option<f64>,
    /// Where it cannot be told yet: times of further readings after which it could.
    pub after_readings_h: Vec<f64>,
    /// Whether those readings are expected to be enough.
    pub will_then_be_told: bool,
    /// Entered steps with their sizes.
    pub steps: Vec<(KnownStep, FittedBeside)>,
    /// Steps that nobody entered.
    pub found_steps: Vec<FoundStep>,
    /// Size for each degree, where temperature counts.
    pub temperature: Option<FittedBeside>,
}

fn spread(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
}

/// Answers for one quantity.
///
/// # Errors
/// As [`fit`], except for too few readings.
pub fn prospect(question: &Question) -> Result<Prospect, SettlingError> {
    let mut options = FitOptions {
        steps_h: question.steps.iter().map(|s| s.at_h).collect(),
        ..FitOptions::default()
    };
    let mut found = match fit(&question.series, &options) {
        Ok(found) => found,
        Err(e @ (SettlingError::TooFewReadings { .. } | SettlingError::NoTimePassed { .. })) => {
            return Ok(without_fit(question, options, e));
        }
        Err(e) => return Err(e),
    };
    if let Some((with, again)) = with_temperature(question, &options, &found)? {
        (options, found) = (with, again);
    }
    let mut found_steps = Vec::new();
    while question.find_steps && found_steps.len() < MOST_FOUND_STEPS {
        let Some((step, with, again)) = find_step(&question.series, &options, &found)? else {
            break;
        };
        found_steps.push(step);
        (options, found) = (with, again);
    }
    // Sizes change when another step is found beside them.
    let beside = found.chosen().map(|c| c.beside.clone()).unwrap_or_default();
    let step_at = |at_h: f64| {
        beside
            .iter()
            .find(|b| matches!(b.kind, BesideKind::Step { at_h: t } if (t - at_h).abs() < 1e-9))
    };
    for step in &mut found_steps {
        if let Some(b) = step_at(f64::midpoint(step.after_h, step.until_h)) {
            step.size = b.value;
        }
    }
    let steps = question
        .steps
        .iter()
        .filter_map(|s| Some((s.clone(), *step_at(s.at_h)?)))
        .collect();
    let temperature = beside
        .iter()
        .find(|b| b.kind == BesideKind::Temperature)
        .copied();
    let now = found.span_h.1;
    let doubt = Doubt::about(&found, &question.series, &options)?;
    let to_come = |at_h: f64| -> Result<Option<Band>, SettlingError> {
        let band = found.still_to_come(at_h)?;
        let Some(doubt) = &doubt else { return Ok(band) };
        Ok(band.and_then(|b| doubt.widen(&b, &found, at_h)))
    };
    let adjusted: Vec<f64> = found
        .adjusted(&question.series, &options)
        .into_iter()
        .map(|(_, height)| height)
        .collect();
    let judged = to_come(found.judged_until(WEEK_H))?;
    let mut answer = Prospect {
        too_few: None,
        seen_change: found.seen_change(&question.series, &options),
        gone: found.gone()?,
        by_tomorrow: to_come(now + DAY_H)?,
        in_a_week: to_come(now + WEEK_H)?,
        at_the_end: to_come(f64::INFINITY)?,
        verdict: found.verdict_of(judged.as_ref(), question.tolerance),
        why_not: None,
        hidden_per_day: None,
        trend: trend(&adjusted),
        noise: averaged(&found.chosen().map_or(Vec::new(), |c| c.residuals.clone())),
        next_look_h: found.next_look(WEEK_H).map(|l| l.at_h),
        after_readings_h: Vec::new(),
        will_then_be_told: false,
        steps,
        found_steps,
        temperature,
        options,
        fit: Some(found),
    };
    judge(question, &mut answer)?;
    withhold_the_end(&mut answer);
    Ok(answer)
}

fn without_fit(question: &Question, options: FitOptions, why: SettlingError) -> Prospect {
    let times = &question.series.time_h;
    let heights = &question.series.height_mm;
    let change = heights.first().zip(heights.last()).map(|(a, b)| b - a);
    let last = times.iter().copied().fold(0.0, f64::max);
    let after = spaced(times, last);
    Prospect {
        fit: None,
        options,
        seen_change: change.filter(|_| heights.len() > 1),
        gone: None,
        by_tomorrow: None,
        in_a_week: None,
        at_the_end: None,
        verdict: Verdict::CannotTellYet,
        why_not: Some(why.to_string()),
        too_few: Some(why),
        hidden_per_day: None,
        trend: trend(heights),
        noise: Vec::new(),
        next_look_h: after.first().copied(),
        after_readings_h: after,
        will_then_be_told: false,
        steps: Vec::new(),
        found_steps: Vec::new(),
        temperature: None,
    }
}

/// Two times ahead at which readings tell something where no law says better: half as long again
/// as it has been watched, and as long again, at least half a day and a day.
fn spaced(times: &[f64], last: f64) -> Vec<f64> {
    let first = times.iter().copied().fold(f64::INFINITY, f64::min);
    let span = (last - first).max(DAY_H);
    vec![last + 0.5 * span.min(WEEK_H), last + span.min(WEEK_H)]
}

/// The fit with temperature, where that explains something.
fn with_temperature(
    question: &Question,
    options: &FitOptions,
    plain: &SettlingFit,
) -> Result<Option<(FitOptions, SettlingFit)>, SettlingError> {
    let known = &question.temperature_c;
    if known.len() < LEAST_FOR_TEMPERATURE
        || known.len() != question.series.time_h.len()
        || spread(known) < LEAST_TEMPERATURE_SPREAD_C
    {
        return Ok(None);
    }
    let with = FitOptions {
        temperature_c: known.clone(),
        ..options.clone()
    };
    let again = match fit(&question.series, &with) {
        Ok(again) => again,
        Err(SettlingError::TooFewReadings { .. }) => return Ok(None),
        Err(e) => return Err(e),
    };
    let Some(c) = again.chosen() else {
        return Ok(None);
    };
    let part = c.beside.iter().find(|b| b.kind == BesideKind::Temperature);
    let Some((value, u)) = part.and_then(|p| Some((p.value, p.standard_uncertainty?))) else {
        return Ok(None);
    };
    let widening = (again.readings as f64 / again.effective_readings).sqrt();
    let t = student_t_quantile(
        0.975,
        (again.effective_readings - c.parameters_taken() as f64).max(1.0),
    )?;
    let counts = value.abs() > t * u * widening || plain.chosen().is_none();
    Ok(counts.then_some((with, again)))
}

/// Slope of the readings by a straight line and the 95 % bound of its size, a day; with further
/// readings at the times given.
fn drift_bound(
    found: &SettlingFit,
    series: &Series,
    options: &FitOptions,
    further_h: &[f64],
) -> Option<f64> {
    let adjusted = found.adjusted(series, options);
    let n = adjusted.len();
    let design = DMatrix::from_fn(n, 2, |i, k| if k == 0 { 1.0 } else { adjusted[i].0 });
    let heights = DVector::from_iterator(n, adjusted.iter().map(|a| a.1));
    let line = solve_linear(&design, &heights, None).ok()?;
    let s = line.residual_standard_deviation()?;
    let times: Vec<f64> = adjusted
        .iter()
        .map(|a| a.0)
        .chain(further_h.iter().copied())
        .collect();
    let mean = times.iter().sum::<f64>() / times.len() as f64;
    let about: f64 = times.iter().map(|t| (t - mean).powi(2)).sum();
    let widening = found.readings as f64 / found.effective_readings;
    let freedom = (times.len() as f64 / widening - 2.0).max(1.0);
    let t = student_t_quantile(0.975, freedom).ok()?;
    let slope = if further_h.is_empty() {
        line.parameters[1].abs()
    } else {
        0.0
    };
    Some((slope + t * s * (widening / about).sqrt()) * DAY_H)
}

/// Takes back what readings of less than two days cannot tell.
fn withhold_the_end(answer: &mut Prospect) {
    let Some((first, now)) = answer.fit.as_ref().map(|f| f.span_h) else {
        return;
    };
    if now - first >= LEAST_FOR_THE_END_H {
        return;
    }
    (answer.in_a_week, answer.at_the_end) = (None, None);
    if answer.verdict == Verdict::Settled || answer.why_not.is_some() {
        answer.why_not = Some("the readings cover less than two days and nights".into());
        answer.after_readings_h = vec![
            (now + DAY_H).min(first + LEAST_FOR_THE_END_H),
            first + LEAST_FOR_THE_END_H,
        ];
        answer.after_readings_h.dedup();
        answer.next_look_h = answer.after_readings_h.first().copied();
        answer.will_then_be_told = answer.verdict == Verdict::Settled;
        answer.verdict = Verdict::CannotTellYet;
    }
}

/// Settled or not, and if that cannot be told, why and when.
fn judge(question: &Question, answer: &mut Prospect) -> Result<(), SettlingError> {
    let Some(found) = &answer.fit else {
        return Ok(());
    };
    let now = found.span_h.1;
    let span = found.span_h.1 - found.span_h.0;
    let tolerance = question.tolerance;
    match found.chosen() {
        None => {
            answer.why_not = Some("no law is an answer yet".into());
            answer.after_readings_h = spaced(&question.series.time_h, now);
            answer.next_look_h = answer.after_readings_h.first().copied();
        }
        Some(c) if c.law == Law::None => {
            let ahead_d = span.max(DAY_H) / DAY_H;
            let bound = drift_bound(found, &question.series, &answer.options, &[]);
            answer.hidden_per_day = bound;
            // No change is not a change of nought without doubt: what could be hidden is the band.
            let days = span / DAY_H;
            let within = |at_h: Option<f64>, days: f64| {
                let half = bound? * days;
                let reading = c.variance(1.0).sqrt() * 2.0;
                Some(Band {
                    at_h,
                    value_mm: 0.0,
                    standard_uncertainty_mm: 0.5 * half,
                    confidence_95_mm: [-half, half],
                    prediction_95_mm: [-half.hypot(reading), half.hypot(reading)],
                })
            };
            answer.gone = within(Some(now), days);
            answer.by_tomorrow = within(Some(now + DAY_H), 1.0);
            answer.in_a_week = within(Some(now + WEEK_H), days.clamp(1.0, WEEK_H / DAY_H));
            answer.at_the_end = within(None, days.max(1.0));
            // Where the noise hangs together the test would see a trend that is none.
            let one_way = answer
                .trend
                .filter(|t| t.one_sided_p < SURELY_ONE_WAY && found.noise_correlation == 0.0);
            if let Some(t) = one_way {
                answer.verdict = Verdict::CannotTellYet;
                answer.why_not = Some(format!(
                    "no law shows, but the readings go one way (Mann-Kendall, p = {:.4})",
                    t.one_sided_p
                ));
                answer.after_readings_h = spaced(&question.series.time_h, now);
                answer.next_look_h = answer.after_readings_h.first().copied();
            } else if bound.is_none_or(|b| b * ahead_d > tolerance) {
                answer.verdict = Verdict::CannotTellYet;
                answer.why_not = Some("no change shows, but the readings could hide one".into());
                let mut further = Vec::new();
                for day in 1..=14_u32 {
                    further.push(now + DAY_H * f64::from(day));
                    let ahead_d = (span / DAY_H + f64::from(day)).max(1.0);
                    let then = drift_bound(found, &question.series, &answer.options, &further);
                    answer.will_then_be_told = then.is_some_and(|b| b * ahead_d <= tolerance);
                    if answer.will_then_be_told {
                        break;
                    }
                }
                if !answer.will_then_be_told {
                    further.truncate(2);
                }
                answer.next_look_h = further.first().copied();
                answer.after_readings_h = further;
            }
        }
        Some(_) if answer.verdict == Verdict::CannotTellYet => {
            answer.why_not = Some(if found.has_rival() {
                "another law fits as well, but the readings do not determine it".into()
            } else {
                "the interval of what is still to come reaches over the tolerance".into()
            });
            let first = answer.next_look_h.unwrap_or(now + DAY_H);
            let (times, told) = found.readings_until_told(tolerance, WEEK_H, first)?;
            answer.will_then_be_told = told && !found.has_rival();
            answer.after_readings_h = times;
        }
        Some(_) => {}
    }
    Ok(())
}
