//! What a fit says about times to come: bands, still to come, settled or not, when to look again.

use serde::Serialize;

use super::candidate::Candidate;
use super::weighing::{FitOptions, SettlingFit, prepared_as};
use super::{Notice, Series, SettlingError};
use crate::leastsquares::student_t_quantile;

/// Laws with less than this share of the weight do not take part in a forecast.
const LEAST_SHARE: f64 = 0.05;
/// Share of the best possible gain that makes a time worth looking.
const WORTH: f64 = 0.5;
/// Times that are tried for the next look.
const TIMES_TRIED: u32 = 60;
/// Hours in a week.
const WEEK_H: f64 = 168.0;

/// A value with its 95 % bands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Band {
    /// Time in hours; `None` for the end.
    pub at_h: Option<f64>,
    /// The value in millimetres.
    pub value_mm: f64,
    /// Its standard uncertainty in millimetres, noise correlation and spread of laws included.
    pub standard_uncertainty_mm: f64,
    /// 95 % confidence band of the value itself.
    pub confidence_95_mm: [f64; 2],
    /// 95 % prediction band of one reading of it.
    pub prediction_95_mm: [f64; 2],
}

/// Whether a height has settled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// What is still to come is inside the tolerance, at 95 %.
    Settled,
    /// What is still to come is outside the tolerance, at 95 %.
    StillMoving,
    /// The band reaches over the tolerance, or a law that cannot be told yet fits as well.
    CannotTellYet,
}

/// When the next reading tells most.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NextLook {
    /// Time in hours, on the clock of the series.
    pub at_h: f64,
    /// Share of the variance of what is still to come that one reading then takes away.
    pub variance_taken: f64,
}

/// Mean and variances of a quantity over the laws that share a forecast.
struct Mixture {
    mean: f64,
    /// Weighted mean of the laws' own variances.
    within: f64,
    /// Variance between the laws.
    between: f64,
}

impl SettlingFit {
    /// The chosen law, where one is an answer.
    pub fn chosen(&self) -> Option<&Candidate> {
        self.chosen.map(|i| &self.candidates[i])
    }

    /// The laws that share a forecast, with weights that sum to 1. Only the law asked for, where
    /// one was; none where no law is an answer.
    pub fn sharing(&self) -> Vec<(&Candidate, f64)> {
        let Some(chosen) = self.chosen() else {
            return Vec::new();
        };
        if self.asked.is_some() {
            return vec![(chosen, 1.0)];
        }
        let shares: Vec<(&Candidate, f64)> = self
            .candidates
            .iter()
            .filter(|c| c.is_converged() && c.weight >= LEAST_SHARE)
            .map(|c| (c, c.weight))
            .collect();
        let sum: f64 = shares.iter().map(|s| s.1).sum();
        shares.into_iter().map(|(c, w)| (c, w / sum)).collect()
    }

    /// Whether a law that the readings do not determine fits as well as the chosen one.
    pub fn has_rival(&self) -> bool {
        self.notices
            .iter()
            .any(|n| matches!(n, Notice::RivalNotDetermined { .. }))
    }

    fn widening(&self) -> f64 {
        self.readings as f64 / self.effective_readings
    }

    fn mixture<Q>(shares: &[(&Candidate, f64)], widening: f64, quantity: Q) -> Option<Mixture>
    where
        Q: Fn(&Candidate) -> Option<(f64, nalgebra::DVector<f64>)>,
    {
        let mut values = Vec::with_capacity(shares.len());
        for (c, w) in shares {
            let (value, slopes) = quantity(c)?;
            let variance = slopes.dot(&(&c.covariance * &slopes)) * c.variance(widening) * widening;
            values.push((*w, value, variance.max(0.0)));
        }
        let mean: f64 = values.iter().map(|(w, v, _)| w * v).sum();
        let within = values.iter().map(|(w, _, s)| w * s).sum();
        let between = values.iter().map(|(w, v, _)| w * (v - mean).powi(2)).sum();
        Some(Mixture {
            mean,
            within,
            between,
        })
    }

    fn band<Q>(&self, at_h: f64, quantity: Q) -> Result<Option<Band>, SettlingError>
    where
        Q: Fn(&Candidate) -> Option<(f64, nalgebra::DVector<f64>)>,
    {
        let shares = self.sharing();
        if shares.is_empty() {
            return Ok(None);
        }
        let Some(m) = Self::mixture(&shares, self.widening(), quantity) else {
            return Ok(None);
        };
        let parameters: f64 = shares
            .iter()
            .map(|(c, w)| w * c.parameters_taken() as f64)
            .sum();
        let t = student_t_quantile(0.975, (self.effective_readings - parameters).max(1.0))?;
        let reading: f64 = shares
            .iter()
            .map(|(c, w)| w * c.variance(self.widening()))
            .sum();
        let u = (m.within + m.between).sqrt();
        let one = (m.within + m.between + reading).sqrt();
        Ok(Some(Band {
            at_h: at_h.is_finite().then_some(at_h),
            value_mm: m.mean,
            standard_uncertainty_mm: u,
            confidence_95_mm: [m.mean - t * u, m.mean + t * u],
            prediction_95_mm: [m.mean - t * one, m.mean + t * one],
        }))
    }

    /// Height at time `at_h` (hours on the clock of the series; infinity for the end). `None`
    /// where no law is an answer, or one that shares the forecast has no end.
    pub fn height(&self, at_h: f64) -> Result<Option<Band>, SettlingError> {
        self.band(at_h, |c| c.height(at_h))
    }

    /// Change from the last reading's time until `at_h` (infinity for the end); negative where
    /// the height will still fall. The prediction band is for one reading against the fitted
    /// height of now.
    pub fn still_to_come(&self, at_h: f64) -> Result<Option<Band>, SettlingError> {
        let now = self.span_h.1;
        self.band(at_h, |c| {
            let (then, slopes) = c.height(at_h)?;
            let (here, slopes_here) = c.height(now)?;
            Some((then - here, slopes - slopes_here))
        })
    }

    /// Change from time zero until the last reading.
    pub fn so_far(&self) -> Result<Option<Band>, SettlingError> {
        let now = self.span_h.1;
        self.band(now, |c| {
            let (here, slopes) = c.height(now)?;
            let (first, slopes_first) = c.height(0.0)?;
            Some((here - first, slopes - slopes_first))
        })
    }

    /// The time up to which "still to come" is judged: the end where every sharing law has one,
    /// else `horizon_h` after the last reading.
    pub(super) fn judged_until(&self, horizon_h: f64) -> f64 {
        let all_end = self.sharing().iter().all(|(c, _)| c.law.has_end());
        if all_end {
            f64::INFINITY
        } else {
            self.span_h.1 + horizon_h
        }
    }

    /// Settled or not: what is still to come until the end (where the laws have none, within
    /// `horizon_h` hours from the last reading) against `tolerance_mm`.
    pub fn verdict(&self, tolerance_mm: f64, horizon_h: f64) -> Result<Verdict, SettlingError> {
        let band = self.still_to_come(self.judged_until(horizon_h))?;
        Ok(self.verdict_of(band.as_ref(), tolerance_mm))
    }

    /// Settled or not by what is still to come.
    pub(super) fn verdict_of(&self, to_come: Option<&Band>, tolerance_mm: f64) -> Verdict {
        let Some(band) = to_come else {
            return Verdict::CannotTellYet;
        };
        let [low, high] = band.confidence_95_mm;
        if low > tolerance_mm || high < -tolerance_mm {
            Verdict::StillMoving
        } else if low >= -tolerance_mm && high <= tolerance_mm && !self.has_rival() {
            Verdict::Settled
        } else {
            Verdict::CannotTellYet
        }
    }

    /// When the next reading tells most about what is still to come (until the end, or within
    /// `horizon_h` where the laws have no end).
    ///
    /// # Method
    /// What is still to come (y) and a reading at time t (x) are taken as jointly normal: x has
    /// the variance of the fitted height, that between the laws, and that of one reading. The
    /// reading takes away cov(x, y)^2 / var(x) of the variance of y (linear Bayes). Sixty times
    /// between now and the longer of a week and the span so far are tried; the answer is the
    /// earliest whose gain is at least half of the best, because waiting has its price. `None`
    /// where no law is an answer or nothing is uncertain.
    pub fn next_look(&self, horizon_h: f64) -> Option<NextLook> {
        let shares = self.sharing();
        if shares.is_empty() {
            return None;
        }
        let now = self.span_h.1;
        let span = now - self.span_h.0;
        let until = self.judged_until(horizon_h);
        let target = |c: &Candidate| {
            let (then, slopes) = c.height(until)?;
            let (here, slopes_here) = c.height(now)?;
            Some((then - here, slopes - slopes_here))
        };
        let widening = self.widening();
        let of_target = Self::mixture(&shares, widening, target)?;
        let total = of_target.within + of_target.between;
        if total <= 0.0 {
            return None;
        }
        let reading: f64 = shares
            .iter()
            .map(|(c, w)| w * c.variance(self.widening()))
            .sum();
        let longest = span.max(WEEK_H);
        let shortest = (span / self.readings.max(2) as f64).min(longest / 10.0);
        let gain = |at: f64| -> Option<f64> {
            let of_height = Self::mixture(&shares, widening, |c| c.height(at))?;
            let mut shared = 0.0;
            for (c, w) in &shares {
                let (y, slopes_y) = target(c)?;
                let (x, slopes_x) = c.height(at)?;
                let own =
                    slopes_x.dot(&(&c.covariance * &slopes_y)) * c.variance(widening) * widening;
                shared += w * (own + (y - of_target.mean) * (x - of_height.mean));
            }
            Some(shared * shared / (of_height.within + of_height.between + reading) / total)
        };
        let tried: Vec<(f64, f64)> = (0..TIMES_TRIED)
            .filter_map(|k| {
                let share = f64::from(k) / f64::from(TIMES_TRIED - 1);
                let at = now + shortest * (longest / shortest).powf(share);
                gain(at).filter(|g| g.is_finite()).map(|g| (at, g))
            })
            .collect();
        let best = tried.iter().map(|t| t.1).fold(0.0, f64::max);
        tried
            .into_iter()
            .find(|t| t.1 >= WORTH * best)
            .map(|(at_h, g)| NextLook {
                at_h,
                variance_taken: g.min(1.0),
            })
    }

    /// Change from the first reading's time until the last.
    ///
    /// # Errors
    /// Only where a quantile cannot be computed.
    pub fn gone(&self) -> Result<Option<Band>, SettlingError> {
        let (first, now) = self.span_h;
        self.band(now, |c| {
            let (here, slopes) = c.height(now)?;
            let (then, slopes_then) = c.height(first)?;
            Some((here - then, slopes - slopes_then))
        })
    }

    /// Times and heights of the readings, wild ones left out, with steps and temperature taken
    /// out: as the vehicle would have stood all along as it is now. In the order given.
    pub fn adjusted(&self, series: &Series, options: &FitOptions) -> Vec<(f64, f64)> {
        let Ok(prepared) = prepared_as(series, options, self) else {
            return Vec::new();
        };
        let sizes = self.chosen().map_or(&[][..], |c| &c.beside_sizes);
        (0..prepared.len())
            .map(|i| {
                let height = prepared.heights[i] + prepared.middle_mm;
                (prepared.moments[i].t, height - prepared.beside.at(i, sizes))
            })
            .collect()
    }

    /// The last reading less the first, steps and temperature taken out.
    pub fn seen_change(&self, series: &Series, options: &FitOptions) -> Option<f64> {
        let adjusted = self.adjusted(series, options);
        Some(adjusted.last()?.1 - adjusted.first()?.1)
    }

    /// Times of further readings, the first at `first_h`, after which the verdict against
    /// `tolerance_mm` can be expected; and whether it can (six are tried).
    ///
    /// # Method
    /// As in [`SettlingFit::next_look`], with several readings: what is still to come and the
    /// readings are jointly normal, and the readings take from its variance what the Schur
    /// complement says. The verdict is expected where the interval then left, about what is
    /// expected now, lies within the tolerance or wholly outside.
    ///
    /// # Errors
    /// Only where a quantile cannot be computed.
    pub fn readings_until_told(
        &self,
        tolerance_mm: f64,
        horizon_h: f64,
        first_h: f64,
    ) -> Result<(Vec<f64>, bool), SettlingError> {
        let now = self.span_h.1;
        let step = (first_h - now).max(1.0);
        let until = self.judged_until(horizon_h);
        let shares = self.sharing();
        let widening = self.widening();
        let mut times = vec![first_h];
        for k in 1..=6_u32 {
            if k > 1 {
                times.push(now + step * f64::from(k));
            }
            let Some((mean, variance)) = self.expected(&shares, widening, until, &times) else {
                return Ok((vec![first_h, now + 2.0 * step], false));
            };
            let parameters: f64 = shares
                .iter()
                .map(|(c, w)| w * c.parameters_taken() as f64)
                .sum();
            let freedom = (self.effective_readings + f64::from(k) - parameters).max(1.0);
            let half = student_t_quantile(0.975, freedom)? * variance.max(0.0).sqrt();
            if mean.abs() + half <= tolerance_mm || mean.abs() - half > tolerance_mm {
                return Ok((times, true));
            }
        }
        times.truncate(2);
        Ok((times, false))
    }

    /// Mean and variance of what is still to come until `until`, after readings at `times`.
    fn expected(
        &self,
        shares: &[(&Candidate, f64)],
        widening: f64,
        until: f64,
        times: &[f64],
    ) -> Option<(f64, f64)> {
        let now = self.span_h.1;
        let size = times.len() + 1;
        let mut mean = nalgebra::DVector::zeros(size);
        let mut parts = Vec::new();
        for (c, w) in shares {
            let (then, slopes) = c.height(until)?;
            let (here, slopes_here) = c.height(now)?;
            let mut values = vec![then - here];
            let mut rows = vec![slopes - slopes_here];
            for &t in times {
                let (value, slope) = c.height(t)?;
                values.push(value);
                rows.push(slope);
            }
            let values = nalgebra::DVector::from_vec(values);
            mean += &values * *w;
            parts.push((c, *w, values, rows));
        }
        let mut covariance = nalgebra::DMatrix::zeros(size, size);
        for (c, w, values, rows) in &parts {
            let scale = c.variance(widening) * widening;
            let off = values - &mean;
            for i in 0..size {
                for j in 0..size {
                    let own = rows[i].dot(&(&c.covariance * &rows[j])) * scale;
                    covariance[(i, j)] += w * (own + off[i] * off[j]);
                }
            }
            for i in 1..size {
                covariance[(i, i)] += w * c.variance(widening);
            }
        }
        let seen = covariance.view((1, 1), (size - 1, size - 1)).into_owned();
        let with = covariance.view((1, 0), (size - 1, 1)).into_owned();
        let solved: nalgebra::DMatrix<f64> = seen.cholesky()?.solve(&with);
        let taken: f64 = with.dot(&solved);
        Some((mean[0], covariance[(0, 0)] - taken))
    }
}
