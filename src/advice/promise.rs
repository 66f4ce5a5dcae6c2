//! The promise: whether a change did what was predicted, and what explains it best
//! where it did not.
//!
//! In: what was believed before the change, the reading before it, the changes, the
//! reading after. Out: for every sensor the predicted and the found change, kept or
//! not; where not, the explanations in order of how well each fits. Refused: readings
//! without a sensor in common.
//!
//! # Method
//! The belief holds the reading before. The reading after is predicted with its
//! covariance S (belief, friction, noise); chi-square = r' S^-1 r against its 95 %
//! quantile says whether the promise was kept. An explanation with one free number a,
//! whose effect on the sensors is e, leaves r - a e; the best a is
//! e'S^-1 r / (e'S^-1 e + 1/s^2) with its own prior s; its penalised chi-square is
//! compared. One that a person can check is only named where it takes away at least
//! [`GAIN`] of the chi-square.

use super::belief::{Belief, StillReading};
use super::order::changed;
use super::plans::StillToCome;
use super::setup::{End, Operation, Setup, holes};
use crate::leastsquares::chi_square_quantile;
use crate::posture::{QuantityKey, predict};
use crate::sheet::Measurand;
use crate::statics::{Parameter, StaticsError};
use nalgebra::DVector;

/// Chi-square that an explanation must take away to be named. Source: the 95 %
/// quantile of chi-square with one degree of freedom is 3.84 (NIST/SEMATECH
/// e-Handbook 1.3.6.7.4).
pub const GAIN: f64 = 3.84;
/// Prior of a wrong thread pitch, as a share of the turn. Chosen: the usual threads
/// are 1.5 or 2 mm.
const PITCH_SHARE: f64 = 0.4;
/// Prior of a collar that slipped, metres.
const SLIP_M: f64 = 0.01;

/// What may explain a broken promise.
#[derive(Debug, Clone, PartialEq)]
pub enum Explanation {
    /// The collar moves by another amount in a turn than the sheet says: metres.
    Pitch {
        /// The unit, or all that were turned where none.
        unit: Option<usize>,
        /// The pitch that fits.
        pitch: f64,
    },
    /// A collar stands elsewhere than entered: it slipped or was miscounted, metres up.
    Slipped {
        /// The unit.
        unit: usize,
        /// By how much.
        by: f64,
    },
    /// The bolt is in another hole than entered.
    OtherHole {
        /// The unit.
        unit: usize,
        /// Which end.
        end: End,
        /// The hole that fits.
        hole: usize,
    },
    /// It settled in between: this share of what was still to come.
    Settled {
        /// Share of the forecast.
        share: f64,
    },
}

/// One sensor before and after.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kept {
    /// The sensor.
    pub sensor: usize,
    /// What it was predicted to say, SI.
    pub predicted: f64,
    /// Standard uncertainty of that, noise of the reading included.
    pub uncertainty: f64,
    /// What it said.
    pub found: f64,
}

impl Kept {
    /// Whether it is within the 95 % interval.
    pub fn kept(&self) -> bool {
        (self.found - self.predicted).abs() <= crate::compare::COVERAGE_95 * self.uncertainty
    }
}

/// Whether a promise was kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Every sensor.
    pub sensors: Vec<Kept>,
    /// Chi-square of all together.
    pub chi_square: f64,
    /// Its 95 % limit.
    pub limit: f64,
    /// What explains it, the best first, each with the chi-square it leaves.
    pub explanations: Vec<(Explanation, f64)>,
}

impl Verdict {
    /// Whether it was kept, all sensors together.
    pub fn kept(&self) -> bool {
        self.chi_square <= self.limit
    }
}

/// Holds a reading against what was promised. `belief` has learnt everything up to
/// the reading before; `before` is the set-up then, `done` what was entered since.
/// None where no sensor of the reading can be predicted.
///
/// # Errors
/// Where the changed vehicle has no rest.
pub fn held(
    belief: &Belief<'_>,
    before: &Setup,
    done: &[Operation],
    after: &StillReading,
    settling: &[StillToCome],
) -> Result<Option<Verdict>, StaticsError> {
    let sensors: Vec<(usize, f64)> = after.seen.iter().map(|s| (s.sensor, s.noise)).collect();
    let (due, covariance) = belief.readings_due(&after.setup, &after.loads, &sensors)?;
    if due.len() != sensors.len() || due.is_empty() {
        return Ok(None);
    }
    let found = DVector::from_iterator(sensors.len(), after.seen.iter().map(|s| s.value));
    let off = &found - &due;
    let Some(inverse) = covariance.clone().cholesky().map(|c| c.inverse()) else {
        return Ok(None);
    };
    let chi = |r: &DVector<f64>| r.dot(&(&inverse * r));
    let chi_square = chi(&off);
    let limit = chi_square_quantile(0.95, sensors.len() as f64).unwrap_or(f64::INFINITY);
    let mut explanations = Vec::new();
    if chi_square > limit {
        let mut scaled = |make: &dyn Fn(f64) -> Explanation, effect: &DVector<f64>, prior: f64| {
            let weighed = &inverse * effect;
            let a = weighed.dot(&off) / (weighed.dot(effect) + prior.powi(-2));
            let left = chi(&(&off - effect * a)) + (a / prior).powi(2);
            explanations.push((make(a), left));
        };
        let standing = belief.standing(&after.setup, &after.loads)?;
        let by_collar = |unit: usize| -> DVector<f64> {
            let moved = standing
                .rest
                .response(&standing.model, Parameter::Collar(unit));
            let mut to = standing.state;
            let mut part = to.fixed_rows_mut::<{ crate::geometry::COORDINATES }>(0);
            part += moved * 1e-4;
            let at = |x| {
                DVector::from_iterator(
                    sensors.len(),
                    sensors.iter().map(|(s, _)| {
                        predict(&standing.model, &belief.sheet.sensors[*s].reads, x).unwrap_or(0.0)
                    }),
                )
            };
            (at(&to) - at(&standing.state)) / 1e-4
        };
        let turned: Vec<(usize, f64)> = done
            .iter()
            .filter_map(|o| match *o {
                Operation::Collar { unit, turns } => Some((unit, turns)),
                _ => None,
            })
            .collect();
        let pitch = |unit: usize| standing.model.units[unit].pitch;
        if let Some(&(first, _)) = turned.first() {
            let mut all = DVector::zeros(sensors.len());
            for &(unit, turns) in &turned {
                all += by_collar(unit) * (turns * pitch(unit));
            }
            let unit = (turned.len() == 1).then_some(first);
            scaled(
                &|a| Explanation::Pitch {
                    unit,
                    pitch: pitch(first) * (1.0 + a),
                },
                &all,
                PITCH_SHARE,
            );
        }
        for unit in 0..standing.model.units.len() {
            scaled(
                &|by| Explanation::Slipped { unit, by },
                &by_collar(unit),
                SLIP_M,
            );
        }
        if !settling.is_empty() {
            let effect = settled(belief, &standing, &sensors, settling);
            scaled(&|share| Explanation::Settled { share }, &effect, 1.0);
        }
        explanations.extend(other_holes(
            belief, before, done, after, &sensors, &found, &chi,
        )?);
        explanations.retain(|(_, left)| chi_square - left >= GAIN);
        explanations.sort_by(|a, b| a.1.total_cmp(&b.1));
    }
    let sensors = sensors
        .iter()
        .enumerate()
        .map(|(i, &(sensor, _))| Kept {
            sensor,
            predicted: due[i],
            uncertainty: covariance[(i, i)].max(0.0).sqrt(),
            found: found[i],
        })
        .collect();
    Ok(Some(Verdict {
        sensors,
        chi_square,
        limit,
        explanations,
    }))
}

/// What settling does to sensors over a station's place: heights alone.
fn settled(
    belief: &Belief<'_>,
    standing: &super::belief::Standing,
    sensors: &[(usize, f64)],
    settling: &[StillToCome],
) -> DVector<f64> {
    let sheet = belief.sheet;
    let mean = settling.iter().map(|s| s.change).sum::<f64>() / settling.len() as f64;
    let of = |place: &Measurand| match place {
        Measurand::FrameToFloor { from } => {
            // The settling of the nearest station.
            let near = settling.iter().min_by(|a, b| {
                let far = |s: &StillToCome| {
                    sheet.stations.get(s.station).map_or(f64::INFINITY, |st| {
                        let [x, y, _] = (st.at - *from).m();
                        x.hypot(y)
                    })
                };
                far(a).total_cmp(&far(b))
            });
            near.map_or(mean, |s| s.change)
        }
        _ => 0.0,
    };
    let _ = (standing, QuantityKey::Roll);
    DVector::from_iterator(
        sensors.len(),
        sensors.iter().map(|(s, _)| of(&sheet.sensors[*s].reads)),
    )
}

fn other_holes(
    belief: &Belief<'_>,
    before: &Setup,
    done: &[Operation],
    after: &StillReading,
    sensors: &[(usize, f64)],
    found: &DVector<f64>,
    chi: &dyn Fn(&DVector<f64>) -> f64,
) -> Result<Vec<(Explanation, f64)>, StaticsError> {
    let model = belief.model(before, &after.loads);
    let mut list = Vec::new();
    for operation in done {
        let Operation::Hole { unit, end, hole } = *operation else {
            continue;
        };
        for other in
            (0..holes(belief.sheet, &model.units[unit].name, end).len()).filter(|&h| h != hole)
        {
            let swapped = Operation::Hole {
                unit,
                end,
                hole: other,
            };
            let Some(setup) = changed(belief.sheet, &model, &after.setup, &[swapped]) else {
                continue;
            };
            let (due, _) = belief.readings_due(&setup, &after.loads, sensors)?;
            if due.len() == found.len() {
                list.push((
                    Explanation::OtherHole {
                        unit,
                        end,
                        hole: other,
                    },
                    chi(&(found - due)),
                ));
            }
        }
    }
    Ok(list)
}
