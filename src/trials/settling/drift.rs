//! A slow part that the chosen law does not have, and what it could still add.
//!
//! **Comes in:** a fit with its readings. **Goes out:** a [`Doubt`]: the same law with a straight
//! drift beside it, and how likely that is; applied to a [`Band`], a wider one. **Refuses:** fits
//! whose law is 'none' (there the drift is judged by itself) and readings too few for one more
//! parameter.
//!
//! # Method
//! A law of few parameters, fitted to a short stretch, is surer of times to come than the vehicle
//! is: a part that takes days looks like a straight line on the first one, and the law bends to
//! take it in. So the law is held against itself with a drift, linearised about its best fit. Both
//! get their weights by the corrected Akaike criterion, with as many readings as they count for,
//! and share the forecast (Burnham and Anderson, *Model Selection and Multimodel Inference*, 2nd
//! ed. 2002, sections 2.9 and 4.3). That such a drift goes on for as long again as it could be
//! seen, and no longer, is a choice.

use super::forecast::Band;
use super::law::Law;
use super::prospect::LEAST_FOR_THE_END_H;
use super::weighing::{FitOptions, SettlingFit, prepared_as};
use super::{Series, SettlingError};
use crate::leastsquares::student_t_quantile;
use nalgebra::{DMatrix, DVector};

/// Least weight of the drift while the readings are too short to tell the end. Chosen: as likely
/// as not.
const LEAST_AT_FIRST: f64 = 0.5;

/// A law with a drift beside it, against the law alone.
#[derive(Debug, Clone)]
pub(super) struct Doubt {
    /// Weight of the law with the drift, from 0 to 1.
    weight: f64,
    /// How the law's free parameters move, and the drift in heights an hour.
    shift: DVector<f64>,
    /// Covariance of these.
    covariance: DMatrix<f64>,
    /// Student's t for 95 % with the freedom that is left.
    t: f64,
}

impl Doubt {
    /// The doubt about a fit's chosen law; none where there is no law that changes, or too few
    /// readings for one more parameter.
    ///
    /// # Errors
    /// Only where a quantile cannot be computed.
    pub(super) fn about(
        found: &SettlingFit,
        series: &Series,
        options: &FitOptions,
    ) -> Result<Option<Self>, SettlingError> {
        let Some(chosen) = found.chosen().filter(|c| c.law != Law::None) else {
            return Ok(None);
        };
        let prepared = prepared_as(series, options, found)?;
        let (n, p) = (prepared.len(), chosen.free.len());
        let taken = (chosen.parameters_taken() + 1) as f64;
        let counted = found.effective_readings.min(n as f64);
        // The criterion counts the variance too.
        let left = counted - taken - 2.0;
        if left <= 0.0 || chosen.residuals.len() != n {
            return Ok(None);
        }
        let mut design = DMatrix::zeros(n, p + 1);
        for i in 0..n {
            let (_, slopes) = chosen.law.evaluate(&chosen.working, prepared.moments[i]);
            let w = prepared.root_weights[i];
            for (k, &j) in chosen.free.iter().enumerate() {
                design[(i, k)] = slopes[j] * w;
            }
            design[(i, p)] = (prepared.moments[i].t - found.span_h.1) * w;
        }
        let mut scale = DVector::zeros(p + 1);
        for (k, mut column) in design.column_iter_mut().enumerate() {
            prepared.beside.project(column.as_mut_slice());
            scale[k] = column.norm();
            if scale[k] <= 0.0 {
                return Ok(None);
            }
            column.scale_mut(1.0 / scale[k]);
        }
        let residuals = DVector::from_column_slice(&chosen.residuals);
        let Some(inverse) = (design.transpose() * &design).try_inverse() else {
            return Ok(None);
        };
        let scaled = &inverse * (design.transpose() * &residuals);
        let squares = (&residuals - &design * &scaled).norm_squared();
        let floor = prepared.floor_squares().max(f64::MIN_POSITIVE);
        let (with, without) = (squares.max(floor), chosen.squares.max(floor));
        let widening = n as f64 / counted;
        let variance = with / (n as f64 - taken).max(1.0) * widening;
        let unscale = |m: f64, i: usize, k: usize| m / (scale[i] * scale[k]);
        let covariance = DMatrix::from_fn(p + 1, p + 1, |i, k| {
            unscale(inverse[(i, k)], i, k) * variance
        });
        let shift = scaled.component_div(&scale);
        let small = |k: f64| 2.0 * k + 2.0 * k * (k + 1.0) / (counted - k - 1.0);
        let gain = counted * (with / without).ln() + small(taken + 1.0) - small(taken);
        let t = student_t_quantile(0.975, (counted - taken).max(1.0))?;
        let least = if found.span_h.1 - found.span_h.0 < LEAST_FOR_THE_END_H {
            LEAST_AT_FIRST
        } else {
            0.0
        };
        let usable = shift.iter().chain(covariance.iter()).all(|v| v.is_finite());
        Ok(usable.then(|| Self {
            weight: (1.0 / (1.0 + (gain / 2.0).exp())).max(least),
            shift,
            covariance,
            t,
        }))
    }

    /// A band of what is still to come until `at_h` (infinity for the end), with this doubt in it.
    pub(super) fn widen(&self, band: &Band, found: &SettlingFit, at_h: f64) -> Option<Band> {
        let chosen = found.chosen()?;
        let (first, now) = found.span_h;
        let (_, then) = chosen.height(at_h)?;
        let (_, here) = chosen.height(now)?;
        let mut slopes = (then - here).insert_row(chosen.free.len(), 0.0);
        slopes[chosen.free.len()] = (at_h - now).min(now - first);
        let off = slopes.dot(&self.shift);
        let variance = slopes.dot(&(&self.covariance * &slopes)).max(0.0);
        let w = self.weight;
        let own = band.standard_uncertainty_mm.powi(2);
        let between = w * (1.0 - w) * off * off;
        let u = ((1.0 - w) * own + w * variance + between).sqrt();
        let old = 0.5 * (band.confidence_95_mm[1] - band.confidence_95_mm[0]);
        let reading =
            (0.5 * (band.prediction_95_mm[1] - band.prediction_95_mm[0])).powi(2) - old * old;
        let value = band.value_mm + w * off;
        let half = (self.t * u).max(old);
        let one = (half * half + reading.max(0.0)).sqrt();
        Some(Band {
            at_h: band.at_h,
            value_mm: value,
            standard_uncertainty_mm: u,
            confidence_95_mm: [value - half, value + half],
            prediction_95_mm: [value - one, value + one],
        })
    }
}
