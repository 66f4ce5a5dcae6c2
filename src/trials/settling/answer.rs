//! The answer of a fit as JSON and as text.

use std::fmt::Write;

use serde::Serialize;

use super::candidate::FittedParameter;
use super::weighing::{FitOptions, SettlingFit, fit};
use super::wild::WildReading;
use super::{Band, Law, Notice, SettlingError, TimeAxis, plot, read_csv};
use crate::leastsquares::student_t_quantile;

/// Hours of a day and a week, for "by tomorrow" and "in a week".
const DAY_H: f64 = 24.0;
const WEEK_H: f64 = 168.0;

/// Columns and rows of the picture below the text.
const PLOT: (usize, usize) = (60, 10);

/// Exit code where no law is an answer.
const NO_LAW: i32 = 3;

/// Everything `settle fit --json` says. Lengths in mm, times in h.
#[derive(Debug, Clone, Serialize)]
pub struct FitAnswer {
    /// The chosen law; the law asked for even where it is no answer; null where none is.
    pub law: Option<&'static str>,
    /// Whether the parameters are an answer.
    pub converged: bool,
    /// By which test it converged, or why it did not.
    pub reason: String,
    /// Parameters; empty unless converged.
    pub parameters: Vec<FittedParameter>,
    /// Standard deviation of the residuals.
    pub residual_standard_deviation_mm: Option<f64>,
    /// Readings less free parameters.
    pub degrees_of_freedom: Option<usize>,
    /// Corrected Akaike criterion of the chosen law.
    pub aicc: Option<f64>,
    /// Every law that competed.
    pub candidates: Vec<CandidateAnswer>,
    /// What is still to come from the last reading on.
    pub still_to_come_mm: StillToCome,
    /// Readings left out as wild; `index` counts from 0.
    pub left_out: Vec<WildReading>,
    /// What else the user must know.
    pub notices: Vec<Notice>,
    /// Lag-1 correlation of the residuals, 0 where not significant.
    pub noise_correlation: f64,
    /// As how many independent readings the series counts in intervals and weights.
    pub effective_readings: f64,
}

/// One law among the candidates.
#[derive(Debug, Clone, Serialize)]
pub struct CandidateAnswer {
    /// Its name.
    pub law: &'static str,
    /// Whether it is an answer.
    pub converged: bool,
    /// By which test, or why not.
    pub reason: String,
    /// Corrected Akaike criterion; null unless converged.
    pub aicc: Option<f64>,
    /// Its weight among the laws that are answers.
    pub weight: f64,
    /// Standard deviation of the residuals; null unless converged.
    pub residual_standard_deviation_mm: Option<f64>,
}

/// What is still to come, with bands; null where it cannot be told.
#[derive(Debug, Clone, Serialize)]
pub struct StillToCome {
    /// Whether a law that is not determined fits as well: what follows then holds only if the
    /// laws named do.
    pub cannot_tell_yet: bool,
    /// The laws that share the forecast.
    pub from_laws: Vec<&'static str>,
    /// Time of the last reading, from which the changes count.
    pub since_h: f64,
    /// In the next 24 hours.
    pub by_tomorrow: Option<Band>,
    /// In the next 168 hours.
    pub in_a_week: Option<Band>,
    /// Until the end; null where a sharing law has none.
    pub at_the_end: Option<Band>,
    /// When the next reading tells most, hours on the clock of the series.
    pub next_look_h: Option<f64>,
}

impl FitAnswer {
    /// Gathers what a fit says.
    ///
    /// # Errors
    /// Only where a quantile cannot be computed.
    pub fn new(found: &SettlingFit) -> Result<Self, SettlingError> {
        let chosen = found.chosen();
        let asked = found
            .asked
            .and_then(|law| found.candidates.iter().find(|c| c.law == law));
        let reason = if let Some(c) = chosen.or(asked) {
            c.status.to_string()
        } else {
            let each: Vec<String> = found
                .candidates
                .iter()
                .map(|c| format!("{} {}", c.law.name(), c.status))
                .collect();
            format!("no law converged: {}", each.join("; "))
        };
        let now = found.span_h.1;
        Ok(Self {
            law: chosen.or(asked).map(|c| c.law.name()),
            converged: chosen.is_some(),
            reason,
            parameters: chosen.map(|c| c.parameters.clone()).unwrap_or_default(),
            residual_standard_deviation_mm: chosen.and_then(|c| c.residual_standard_deviation_mm),
            degrees_of_freedom: chosen.map(|c| c.degrees_of_freedom),
            aicc: chosen.and_then(|c| c.aicc),
            candidates: found
                .candidates
                .iter()
                .map(|c| CandidateAnswer {
                    law: c.law.name(),
                    converged: c.is_converged(),
                    reason: c.status.to_string(),
                    aicc: c.aicc,
                    weight: c.weight,
                    residual_standard_deviation_mm: c
                        .residual_standard_deviation_mm
                        .filter(|_| c.is_converged()),
                })
                .collect(),
            still_to_come_mm: StillToCome {
                cannot_tell_yet: found.has_rival() || chosen.is_none(),
                from_laws: found.sharing().iter().map(|(c, _)| c.law.name()).collect(),
                since_h: now,
                by_tomorrow: found.still_to_come(now + DAY_H)?,
                in_a_week: found.still_to_come(now + WEEK_H)?,
                at_the_end: found.still_to_come(f64::INFINITY)?,
                next_look_h: found.next_look(WEEK_H).map(|l| l.at_h),
            },
            left_out: found.left_out.clone(),
            notices: found.notices.clone(),
            noise_correlation: found.noise_correlation,
            effective_readings: found.effective_readings,
        })
    }
}

/// Digits after the point that show a value to a tenth of its uncertainty.
fn digits(u: f64) -> usize {
    (0..=9)
        .find(|&d| u * 10_f64.powi(d) >= 2.0)
        .map_or(9, |d| usize::try_from(d).unwrap_or(3))
        .max(2)
}

fn duration(hours: f64) -> String {
    if hours.abs() < 1.0 {
        format!("{:.0} min", hours * 60.0)
    } else if hours.abs() < 48.0 {
        format!("{hours:.1} h")
    } else {
        format!("{:.1} d", hours / 24.0)
    }
}

fn band_line(text: &mut String, label: &str, band: Option<&Band>, otherwise: &str) {
    let _ = match band {
        Some(b) => writeln!(
            text,
            "  {label:<14}{:+.2} mm   95 %: {:+.2} to {:+.2} mm   one reading: {:+.2} to {:+.2} mm",
            b.value_mm,
            b.confidence_95_mm[0],
            b.confidence_95_mm[1],
            b.prediction_95_mm[0],
            b.prediction_95_mm[1]
        ),
        None => writeln!(text, "  {label:<14}{otherwise}"),
    };
}

/// The answer as text.
fn render(
    found: &SettlingFit,
    answer: &FitAnswer,
    file_name: &str,
) -> Result<String, SettlingError> {
    let mut text = String::new();
    let (first, last) = found.span_h;
    let _ = writeln!(
        text,
        "{file_name}: {} readings over {}, {} to {} after the load was put on",
        found.readings,
        duration(last - first),
        duration(first),
        duration(last)
    );
    for wild in &found.left_out {
        let _ = writeln!(
            text,
            "left out: reading {} at {} h, {:.3} mm, where the others say {:.3} mm",
            wild.index + 1,
            wild.time_h,
            wild.height_mm,
            wild.expected_mm
        );
    }
    render_chosen(&mut text, found, answer)?;
    let _ = writeln!(text, "\nlaws");
    for c in &answer.candidates {
        let score = c.aicc.map_or_else(|| "-".into(), |a| format!("{a:.1}"));
        let share = c.weight * 100.0;
        let _ = writeln!(
            text,
            "  {:<18}{share:>5.1} %   AICc {score:>9}   {}",
            c.law, c.reason
        );
    }
    if found.chosen().is_some() {
        let still = &answer.still_to_come_mm;
        let laws = still.from_laws.join(", ");
        let _ = writeln!(
            text,
            "\nstill to come after {} (from {laws})",
            duration(last)
        );
        band_line(
            &mut text,
            "by tomorrow",
            still.by_tomorrow.as_ref(),
            "cannot be told",
        );
        band_line(
            &mut text,
            "in a week",
            still.in_a_week.as_ref(),
            "cannot be told",
        );
        band_line(
            &mut text,
            "at the end",
            still.at_the_end.as_ref(),
            "a law that counts has no end",
        );
        if let Some(at) = still.next_look_h {
            let _ = writeln!(text, "  look again in {}", duration(at - last));
        }
    }
    if !answer.notices.is_empty() {
        text.push('\n');
        for notice in &answer.notices {
            let _ = writeln!(text, "note: {notice}");
        }
    }
    Ok(text)
}

/// The chosen law with its parameters, or the reason why there is none.
fn render_chosen(
    text: &mut String,
    found: &SettlingFit,
    answer: &FitAnswer,
) -> Result<(), SettlingError> {
    let Some(c) = found.chosen() else {
        let _ = writeln!(text, "\nno answer: {}", answer.reason);
        return Ok(());
    };
    let _ = writeln!(
        text,
        "\n{}   {}   ({})",
        c.law.name(),
        c.law.formula(),
        answer.reason
    );
    let widening = (found.readings as f64 / found.effective_readings).sqrt();
    let t = student_t_quantile(
        0.975,
        (found.effective_readings - c.parameters_taken() as f64).max(1.0),
    )?;
    for p in &c.parameters {
        let _ = match p.standard_uncertainty {
            Some(u) => {
                let half = u * t * widening;
                let d = digits(half);
                writeln!(
                    text,
                    "  {:<14}{:>14.d$}  ± {half:.d$}   (95 %)",
                    p.name, p.value
                )
            }
            None => writeln!(text, "  {:<14}{:>14}  held", p.name, p.value),
        };
    }
    if let Some(s) = c.residual_standard_deviation_mm {
        let (d, freedom) = (digits(s), c.degrees_of_freedom);
        let _ = writeln!(
            text,
            "  residual standard deviation {s:.d$} mm, {freedom} degrees of freedom"
        );
    }
    Ok(())
}

/// Does the whole of `settle fit`: reads the text of a CSV file, fits, and answers the output
/// with the exit code (0, or 3 where no law is an answer).
///
/// `law` is the name of a law, `fixes` are of the form NAME=VALUE.
///
/// # Errors
/// [`SettlingError`] for a file, law or parameter that is not understood, and for series that
/// cannot be fitted.
pub fn run_fit_command(
    csv_text: &str,
    file_name: &str,
    law: Option<&str>,
    fixes: &[String],
    json: bool,
) -> Result<(String, i32), SettlingError> {
    let law = match law {
        Some(name) => Some(
            Law::from_name(name).ok_or_else(|| SettlingError::UnknownLaw { name: name.into() })?,
        ),
        None => None,
    };
    let mut fixed = Vec::with_capacity(fixes.len());
    for text in fixes {
        let understood = text.split_once('=').and_then(|(name, value)| {
            Some((name.trim().to_owned(), value.trim().parse::<f64>().ok()?))
        });
        fixed.push(
            understood.ok_or_else(|| SettlingError::FixNotUnderstood { text: text.clone() })?,
        );
    }
    let series = read_csv(csv_text, file_name)?;
    let options = FitOptions {
        law,
        fixed,
        ..FitOptions::default()
    };
    let found = fit(&series, &options)?;
    let answer = FitAnswer::new(&found)?;
    let output = if json {
        // No map with other keys than strings and no failing serialiser is involved.
        serde_json::to_string_pretty(&answer).unwrap_or_default() + "\n"
    } else {
        let mut text = render(&found, &answer, file_name)?;
        if answer.converged {
            text.push('\n');
            text += &plot(&series, &found, TimeAxis::Real, PLOT.0, PLOT.1);
        }
        text
    };
    Ok((output, if answer.converged { 0 } else { NO_LAW }))
}
