//! The work of [`super::estimate`], with what it can keep from one time to the next.
//!
//! Keeps the gradients about the last answer and what the model expects of every sensor,
//! for as long as model, sensors and expectation stay the same. Once everything has its
//! room nothing is allocated.

use super::linear::{Linear, Row};
use super::observe::{Observation, floor_part};
use super::{Measured, Origin, Posture, PostureMatrix, PostureState, Prior, QuantityKey};
use crate::leastsquares::chi_square_quantile;
use crate::sheet::{BuildSheet, Measurand};
use crate::statics::Model;
use nalgebra::{Cholesky, Const};

/// Rounds of a search, and how often gradients are worked out anew in it.
const ROUNDS: usize = 40;
const LAYINGS: usize = 8;
/// Found where a step is no longer than this, metres or radians: the last step of
/// Newton's then leaves less than rounding.
const SMALL: f64 = 1e-7;
/// Steps that shrink by less than this ask for gradients of the place they are at.
const SHRINKS: f64 = 0.2;
/// Gradients are those of another place beyond this, metres or radians.
const NEAR: f64 = 1e-3;
/// The prior is this much wider (in standard deviation) when sensors are held
/// against each other, so that a wrong sheet does not accuse a good sensor.
const DOUBT_OF_SHEET: f64 = 4.0;
/// A sensor is named where it is further off than this many standard
/// deviations from what all others say (two-sided chance about 1 in 16,000).
const MISFIT_SIGMAS: f64 = 4.0;

type Solver = Cholesky<f64, Const<{ super::POSTURE_COORDINATES }>>;

/// Estimates postures one after the other.
#[derive(Debug, Clone, Default)]
pub struct Estimator {
    rows: Vec<Row>,
    /// About the last answer, or wherever the search is.
    here: Linear,
    /// About what the model expects.
    expected: Linear,
    known: Option<Known>,
    /// The chi-square limit for so many readings.
    limit: Option<(usize, Option<f64>)>,
}

/// What the kept numbers hold for.
#[derive(Debug, Clone, PartialEq)]
struct Known {
    model: Model,
    reads: Vec<Measurand>,
    state: PostureState,
}

impl Estimator {
    /// One that has kept nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// The posture; see [`super::estimate`] for the method.
    pub fn estimate(
        &mut self,
        sheet: &BuildSheet,
        model: &Model,
        prior: &Prior,
        observations: &[Observation],
        start: Option<&PostureState>,
    ) -> Posture {
        let mut posture = Posture {
            state: start.copied().unwrap_or(prior.state),
            covariance: prior.covariance,
            quantities: Vec::new(),
            chi_square: 0.0,
            readings: 0,
            sheet_fits: true,
            misfit: None,
        };
        self.update(sheet, model, prior, observations, &mut posture);
        posture
    }

    /// Brings a posture up to date; the search starts where it stands.
    pub fn update(
        &mut self,
        sheet: &BuildSheet,
        model: &Model,
        prior: &Prior,
        observations: &[Observation],
        posture: &mut Posture,
    ) {
        self.know(sheet, model, prior);
        self.gather(sheet, observations);
        posture.misfit = self.find_misfit(sheet, model, prior);
        if let Some((sensor, _)) = posture.misfit {
            self.rows.retain(|row| row.sensor != sensor);
        }
        let n = self.rows.len();
        posture.readings = n;
        posture.chi_square = self.chi_square(prior);
        posture.sheet_fits = self
            .limit(n)
            .is_none_or(|limit| posture.chi_square <= limit);
        let stretch = if posture.sheet_fits {
            1.0
        } else {
            (posture.chi_square / n as f64).max(1.0)
        };
        let inverse = prior.inverse / stretch;
        let near = self.seek(sheet, model, &inverse, &prior.state, posture.state);
        self.conclude(sheet, model, prior, (&inverse, stretch), near, posture);
    }

    fn know(&mut self, sheet: &BuildSheet, model: &Model, prior: &Prior) {
        let same = self.known.as_ref().is_some_and(|known| {
            known.state == prior.state
                && known
                    .reads
                    .iter()
                    .eq(sheet.sensors.iter().map(|s| &s.reads))
                && known.model == *model
        });
        if same {
            return;
        }
        self.known = Some(Known {
            model: model.clone(),
            reads: sheet.sensors.iter().map(|s| s.reads.clone()).collect(),
            state: prior.state,
        });
        let _ = self.expected.lay(sheet, model, &prior.state);
        self.here.clone_from(&self.expected);
    }

    fn gather(&mut self, sheet: &BuildSheet, observations: &[Observation]) {
        self.rows.clear();
        let flatness = sheet.floor.flatness.m();
        for o in observations {
            if self.expected.sensor(o.sensor).is_some() {
                let floor = floor_part(&sheet.sensors[o.sensor].reads, flatness);
                self.rows.push(Row {
                    sensor: o.sensor,
                    value: o.value,
                    weight: o.uncertainty.hypot(floor).max(1e-9).powi(-2),
                });
            }
        }
    }

    /// Chi-square of the readings against the model's expectation.
    ///
    /// The least of (x - x0)' P^-1 (x - x0) + sum w (r - g (x - x0))^2 over x equals
    /// r' S^-1 r with S = J P J' + R (matrix inversion lemma).
    fn chi_square(&self, prior: &Prior) -> f64 {
        let normal = self.expected.normal(&self.rows);
        let Some(solver) = (prior.inverse + normal.information).cholesky() else {
            return 0.0;
        };
        let moved = solver.solve(&normal.pull);
        let mut sum = moved.dot(&(prior.inverse * moved));
        for row in &self.rows {
            if let Some((read, g)) = self.expected.sensor(row.sensor) {
                sum += row.weight * (row.value - read - g.dot(&moved)).powi(2);
            }
        }
        sum
    }

    fn limit(&mut self, readings: usize) -> Option<f64> {
        if let Some((known, limit)) = self.limit
            && known == readings
        {
            return limit;
        }
        let limit = chi_square_quantile(0.95, readings as f64).ok();
        self.limit = Some((readings, limit));
        limit
    }

    /// Holds each reading against all others with a widened prior.
    fn find_misfit(
        &mut self,
        sheet: &BuildSheet,
        model: &Model,
        prior: &Prior,
    ) -> Option<(usize, f64)> {
        // Against one other reading nobody can say which of the two is wrong.
        if self.rows.len() < 3 {
            return None;
        }
        let inverse = prior.inverse / (DOUBT_OF_SHEET * DOUBT_OF_SHEET);
        let state = self.seek(sheet, model, &inverse, &prior.state, self.here.at);
        if (state - self.here.at).amax() > NEAR {
            let _ = self.here.lay(sheet, model, &state);
        }
        // Linearised here, but held against the prior's expectation:
        // S^-1 r = W (r - J A^-1 J' W r), A = P^-1 + J' W J.
        let here = &self.here;
        let shift = prior.state - here.at;
        let information = inverse + here.normal(&self.rows).information;
        let solver = information.cholesky()?;
        let off = |row: &Row, (read, g): &(f64, PostureState)| row.value - read - g.dot(&shift);
        let mut pull = PostureState::zeros();
        for row in &self.rows {
            let sensor = here.sensor(row.sensor)?;
            pull += sensor.1 * (off(row, sensor) * row.weight);
        }
        let moved = solver.solve(&pull);
        let covariance = solver.inverse();
        let mut worst: Option<(usize, f64)> = None;
        for row in &self.rows {
            let sensor = here.sensor(row.sensor)?;
            let g = &sensor.1;
            let weighed = row.weight * (off(row, sensor) - g.dot(&moved));
            let own = row.weight * (1.0 - row.weight * g.dot(&(covariance * g)));
            let sigmas = weighed / own.max(f64::MIN_POSITIVE).sqrt();
            if worst.is_none_or(|(_, most)| sigmas.abs() >= most.abs()) {
                worst = Some((row.sensor, sigmas));
            }
        }
        worst.filter(|(_, sigmas)| sigmas.abs() > MISFIT_SIGMAS)
    }

    /// Seeks the least of the sum; to within what a last step of Newton's mends.
    ///
    /// Gradients are those of the last answer while the steps shrink fast, which spares
    /// working them out anew for every step.
    fn seek(
        &mut self,
        sheet: &BuildSheet,
        model: &Model,
        inverse: &PostureMatrix,
        expected: &PostureState,
        start: PostureState,
    ) -> PostureState {
        let mut x = start;
        let mut before = f64::INFINITY;
        let mut layings = 0;
        let mut solver = self.solver(inverse);
        for _ in 0..ROUNDS {
            let Some(by) = &solver else { break };
            let pull = self.here.pull_at(sheet, model, &x, &self.rows);
            let step = by.solve(&(inverse * (expected - x) + pull));
            let length = step.amax();
            if !length.is_finite() {
                break;
            }
            if length > SMALL && length > SHRINKS * before {
                if layings == LAYINGS {
                    break;
                }
                layings += 1;
                before = f64::INFINITY;
                let _ = self.here.lay(sheet, model, &x);
                solver = self.solver(inverse);
                continue;
            }
            x += step;
            if length <= SMALL {
                break;
            }
            before = length;
        }
        x
    }

    fn solver(&self, inverse: &PostureMatrix) -> Option<Solver> {
        (inverse + self.here.normal(&self.rows).information).cholesky()
    }

    /// Gradients at the answer, a last step, and every quantity.
    fn conclude(
        &mut self,
        sheet: &BuildSheet,
        model: &Model,
        prior: &Prior,
        (inverse, stretch): (&PostureMatrix, f64),
        near: PostureState,
        posture: &mut Posture,
    ) {
        let mut x = near;
        let mut pose = self.here.lay(sheet, model, &x);
        let mut last = PostureState::zeros();
        posture.covariance = prior.covariance * stretch;
        for _ in 0..LAYINGS {
            let normal = self.here.normal(&self.rows);
            let Some(solver) = (inverse + normal.information).cholesky() else {
                break;
            };
            posture.covariance = solver.inverse();
            last = solver.solve(&(inverse * (prior.state - x) + normal.pull));
            if last.amax() <= 10.0 * SMALL {
                break;
            }
            x += last;
            last = PostureState::zeros();
            pose = self.here.lay(sheet, model, &x);
        }
        posture.state = x + last;
        posture.quantities.clear();
        for key in QuantityKey::each(sheet, model) {
            let (value, g) = super::observe::parts(key.in_pose(sheet, model, pose.pose()));
            let variance = g.dot(&(posture.covariance * g)).max(0.0);
            let before = g.dot(&(prior.covariance * g)) * stretch;
            let origin = if variance < 0.5 * before {
                Origin::Measured
            } else {
                Origin::Assumed
            };
            posture.quantities.push(Measured {
                key,
                value: value + g.dot(&last),
                uncertainty: variance.sqrt(),
                origin,
            });
        }
    }
}
