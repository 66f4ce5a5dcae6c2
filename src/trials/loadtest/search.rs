//! The search: values of all unknowns that explain the readings best.
//!
//! # Method
//! 1. Every unknown is counted in standard uncertainties z from its expectation,
//!    so that the sum to make least is |z|^2 + sum ((y - h(z)) / u)^2, h the full
//!    model's readings at rest, friction carried along the steps, u the noise of each reading.
//! 2. Damped Gauss-Newton with exact derivatives on the normal equations; they
//!    cannot be singular, since each unknown has its expectation.

use super::failure::LoadTestError;
use super::holding::{Held, Way, hold};
use super::setup::{Setup, Stood};
use super::unknowns::Unknown;
use crate::geometry::State;
use crate::statics::StaticsError;
use nalgebra::{DMatrix, DVector};

const ROUNDS: usize = 120;
const ROUGH_ROUNDS: usize = 25;
/// Converged where a full step would take less than this off the sum.
const SMALL: f64 = 1e-9;
/// Converged, too, where so many rounds took less than [`STALLED`] off the sum (a
/// tenth of a standard uncertainty) and a full step promises less than [`NEAR`]: on an edge of
/// friction the promise is never kept.
const STALL_ROUNDS: usize = 8;
const STALLED: f64 = 0.01;
const NEAR: f64 = 0.5;
/// Tries to find a step that takes something off.
const TRIES: usize = 12;
const LEAST_DAMPING: f64 = 1e-4;
/// So many times as far friction gives in the first rounds.
const SOFTER: [f64; 2] = [8.0, 2.5];
/// The same where the search got stuck.
const AGAIN: [f64; 3] = [1.5, 2.0, 4.0];
const SOFT_ROUNDS: usize = 6;
/// So many times as firmly the scatter of friction is held at its mean in those rounds.
const FIRM: f64 = 100.0;
/// No unknown moves further than this in one round, in standard uncertainties.
const LONGEST: f64 = 2.0;

/// How far a search goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Care {
    /// Near enough to see what does not fit at all.
    Rough,
    /// To its end.
    Full,
}

/// Residuals and Jacobian of one step, both divided by the noise.
#[derive(Debug, Clone)]
pub(super) struct White {
    pub(super) noise: Vec<f64>,
    pub(super) residual: DVector<f64>,
    pub(super) jacobian: DMatrix<f64>,
}

/// Where the search ended.
#[derive(Debug, Clone)]
pub(super) struct Found {
    pub(super) z: DVector<f64>,
    /// The likeliest values of all together, where the search itself ended.
    pub(super) likeliest: DVector<f64>,
    pub(super) covariance: DMatrix<f64>,
    /// J'J without the expectation.
    pub(super) information: DMatrix<f64>,
    pub(super) stood: Vec<Option<Stood>>,
    pub(super) white: Vec<Option<White>>,
    pub(super) chi_square: f64,
    pub(super) readings: usize,
    pub(super) rounds: usize,
    /// What a full step would still take off the sum.
    pub(super) left: f64,
    /// Whether it ended where it should.
    pub(super) converged: bool,
}

/// Rest of every step that takes part, friction carried along.
pub(super) fn stand_all(
    setup: &Setup,
    z: &DVector<f64>,
    near: &[State],
    takes_part: &[bool],
    first: Option<&Held>,
) -> Result<Vec<Option<Stood>>, StaticsError> {
    let values = setup.values(z);
    let mut model = setup.model(&values);
    let mut all: Vec<Option<Stood>> = Vec::with_capacity(near.len());
    let mut before: Option<usize> = None;
    for s in 0..near.len() {
        if !takes_part[s] {
            all.push(None);
            continue;
        }
        let ready = &setup.steps[s];
        setup.load(&mut model, &ready.on);
        let memory = match before {
            Some(b) => all[b]
                .as_ref()
                .map(|stood: &Stood| stood.held.memory.as_slice()),
            None => first.map(|f| f.memory.as_slice()),
        };
        let way = match (before, first) {
            (None, Some(_)) => Way::Carried,
            _ => Way::of(setup, ready, before.map(|b| &setup.steps[b])),
        };
        let held = hold(setup, &mut model, &values, s, way, memory, &near[s])?;
        all.push(Some(setup.read(&model, s, &values, held)));
        before = Some(s);
    }
    Ok(all)
}

pub(super) fn whiten(setup: &Setup, stood: &[Option<Stood>]) -> Vec<Option<White>> {
    stood
        .iter()
        .enumerate()
        .map(|(s, stood)| {
            let stood = stood.as_ref()?;
            let rows = &setup.steps[s].rows;
            let mut jacobian = stood.jacobian.clone();
            for (k, row) in rows.iter().enumerate() {
                jacobian.row_mut(k).scale_mut(1.0 / row.noise);
            }
            Some(White {
                residual: DVector::from_fn(rows.len(), |k, _| {
                    (rows[k].value - stood.predicted[k]) / rows[k].noise
                }),
                noise: rows.iter().map(|r| r.noise).collect(),
                jacobian,
            })
        })
        .collect()
}

/// Seeks the values. `takes_part` says which steps count. Whether it came to an
/// end is told by [`Found::converged`]: where readings contradict each other it may
/// not, and what does not fit can be named all the same.
///
/// Friction that gives far before it slides is sought first: it has no edges on
/// which the search could come to rest before its time.
pub(super) fn search(
    setup: &Setup,
    takes_part: &[bool],
    care: Care,
) -> Result<Found, LoadTestError> {
    let mut soft = setup.clone();
    let mut near = vec![setup.base.design; setup.steps.len()];
    let mut model = setup.base.clone();
    for (s, place) in near.iter_mut().enumerate().filter(|(s, _)| takes_part[*s]) {
        setup.load(&mut model, &setup.steps[s].on);
        *place = model.equilibrium()?.state;
    }
    let mut z = DVector::zeros(setup.unknowns.len());
    for times in SOFTER {
        soft.gives_m = setup.gives_m * times;
        if let Ok(found) = descend(&soft, &z, &mut near, takes_part, (SOFT_ROUNDS, FIRM)) {
            z = found.z;
        }
    }
    let rounds = match care {
        Care::Rough => ROUGH_ROUNDS,
        Care::Full => ROUNDS,
    };
    let mut found = descend(setup, &z, &mut near, takes_part, (rounds, 1.0))?;
    for times in AGAIN {
        if found.converged || care == Care::Rough {
            break;
        }
        // Stuck on an edge: softened there, it finds the way round it.
        soft.gives_m = setup.gives_m * times;
        let eased = descend(&soft, &found.z, &mut near, takes_part, (SOFT_ROUNDS, 1.0))?;
        let other = descend(setup, &eased.z, &mut near, takes_part, (ROUNDS, 1.0))?;
        if other.converged || other.chi_square < found.chi_square {
            found = other;
        }
    }
    Ok(found)
}

fn descend(
    setup: &Setup,
    start: &DVector<f64>,
    near: &mut [State],
    takes_part: &[bool],
    (rounds, firm): (usize, f64),
) -> Result<Found, LoadTestError> {
    let p = setup.unknowns.len();
    let scatter = |e: &super::Expected| matches!(e.what, Unknown::Scatter { .. });
    let weights = DVector::from_iterator(
        p,
        setup
            .unknowns
            .iter()
            .map(|e| if scatter(e) { firm } else { 1.0 }),
    );
    let cost = |z: &DVector<f64>, white: &[Option<White>]| {
        z.component_mul(z).dot(&weights)
            + white
                .iter()
                .flatten()
                .map(|w| w.residual.norm_squared())
                .sum::<f64>()
    };
    let mut z = start.clone();
    let mut stood = stand_all(setup, &z, near, takes_part, None)?;
    let (mut damping, mut growth): (f64, f64) = (LEAST_DAMPING, 2.0);
    let mut sums: Vec<f64> = Vec::new();
    let mut done = false;
    for round in 0..=rounds {
        for (n, s) in near.iter_mut().zip(&stood) {
            if let Some(s) = s {
                *n = s.held.rest.state;
            }
        }
        let white = whiten(setup, &stood);
        let mut information = DMatrix::zeros(p, p);
        let mut pull = -z.component_mul(&weights);
        for w in white.iter().flatten() {
            information += w.jacobian.tr_mul(&w.jacobian);
            pull += w.jacobian.tr_mul(&w.residual);
        }
        let normal = &information + DMatrix::from_diagonal(&weights);
        let Some(cholesky) = normal.clone().cholesky() else {
            break;
        };
        let full = cholesky.solve(&pull);
        // What a full step promises to take off the sum.
        let left = full.dot(&pull);
        let before = cost(&z, &white);
        sums.push(before);
        let stalled = left < NEAR
            && sums.len() > STALL_ROUNDS
            && sums[sums.len() - 1 - STALL_ROUNDS] - before < STALLED;
        if !done && !stalled && left > SMALL && round < rounds {
            let mut moved = false;
            for _ in 0..TRIES {
                let mut damped = normal.clone();
                for i in 0..p {
                    damped[(i, i)] *= 1.0 + damping;
                }
                let Some(c) = damped.cholesky() else { break };
                let mut step = c.solve(&pull);
                step *= (LONGEST / step.amax()).min(1.0);
                let promised = 2.0 * step.dot(&pull) - step.dot(&(&normal * &step));
                let trial = &z + &step;
                let there = stand_all(setup, &trial, near, takes_part, None).ok();
                let taken = there
                    .as_ref()
                    .map(|t| before - cost(&trial, &whiten(setup, t)));
                if let (Some(there), Some(taken)) = (there, taken.filter(|t| *t > 0.0)) {
                    (z, stood, moved) = (trial, there, true);
                    let kept = 2.0 * taken / promised - 1.0;
                    damping *= (1.0 - kept.powi(3)).clamp(1.0 / 3.0, 2.0);
                    growth = 2.0;
                    break;
                }
                damping = (damping * growth).max(LEAST_DAMPING);
                growth *= 2.0;
            }
            done = !moved;
            if moved {
                continue;
            }
        }
        return Ok(Found {
            covariance: cholesky.inverse(),
            information,
            chi_square: before,
            stood,
            readings: white.iter().flatten().map(|w| w.residual.len()).sum(),
            white,
            rounds: round,
            left,
            likeliest: z.clone(),
            converged: left <= SMALL || stalled || (done && left < STALLED),
            z,
        });
    }
    Err(LoadTestError::NotConverged {
        rounds,
        step: f64::INFINITY,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end at once")]
    use super::*;
    use crate::posture::Observation;
    use crate::quantity::{Force, Moment, UnitSystem};
    use crate::sheet::{
        BuildSheet, Connection, Measurand, Protocol, Sensor, SpringCurve, Suspension, TiltOn,
    };
    use crate::trials::loadtest::{Approach, Load, PlacedLoad, Step};

    fn sheet() -> BuildSheet {
        let text = crate::sheet::template(UnitSystem::Metric);
        let mut sheet = crate::sheet::parse(&text, "template").unwrap().sheet;
        sheet.sensors.clear();
        let mut reads: Vec<Measurand> = [TiltOn::FrameRoll, TiltOn::FramePitch]
            .into_iter()
            .map(|on| Measurand::Tilt {
                on,
                reversed: false,
            })
            .collect();
        reads.extend(
            sheet
                .stations
                .iter()
                .map(|s| Measurand::FrameToFloor { from: s.at }),
        );
        for reads in reads {
            sheet.sensors.push(Sensor {
                name: "sensor".to_owned(),
                connection: Connection {
                    port: None,
                    baud: 9600,
                    protocol: Protocol::Wire {
                        device: 1,
                        channel: 0,
                    },
                },
                reads,
                zero: 0.0,
                zero_uncertainty: 0.001,
                scale_uncertainty: 0.003,
                deadline_s: 1.0,
            });
        }
        for axle in &mut sheet.axles {
            if let Suspension::Solid { coilovers, .. } = &mut axle.suspension {
                for c in coilovers {
                    c.unit.friction = Force::new(60.0);
                    assert!(matches!(
                        c.unit.spring.curve,
                        SpringCurve::Linear(_) | SpringCurve::Table(_)
                    ));
                }
            }
        }
        sheet
    }

    /// Exact derivatives, carried through friction over a whole test, against
    /// differences of the same readings.
    #[test]
    fn derivatives_agree_with_differences_through_the_whole_test() {
        use Approach::{Bounced, Loading, Unloading};
        let sheet = sheet();
        let person = |x: f64, y: f64| {
            Load::Placed(PlacedLoad {
                body: "person".to_owned(),
                mass_kg: 80.0,
                mass_uncertainty_kg: 1.0,
                at_m: [x, y, 0.3],
                place_uncertainty_m: 0.03,
            })
        };
        let plan = [
            (vec![], Bounced),
            (vec![person(0.2, 0.0)], Loading),
            (vec![], Unloading),
            (vec![person(0.2, 0.4)], Loading),
            (vec![person(1.5, -0.3)], Loading),
            (vec![], Unloading),
        ];
        let steps: Vec<Step> = plan
            .iter()
            .enumerate()
            .map(|(i, (loads, approach))| Step {
                at: Moment::from_unix_us(i64::try_from(i).unwrap()),
                loads: loads.clone(),
                approach: *approach,
                readings: (0..sheet.sensors.len())
                    .map(|sensor| Observation {
                        sensor,
                        value: 0.3,
                        uncertainty: 0.002,
                    })
                    .collect(),
            })
            .collect();
        let setup = Setup::new(&sheet, &steps);
        let z = DVector::from_fn(setup.unknowns.len(), |i, _| {
            0.3 * ((i * 7 % 11) as f64 / 5.0 - 1.0)
        });
        let near = vec![setup.base.design; steps.len()];
        let part = vec![true; steps.len()];
        let here = stand_all(&setup, &z, &near, &part, None).unwrap();
        let mut worst = (0.0, String::new());
        for (j, e) in setup.unknowns.iter().enumerate() {
            let at = |by: f64| {
                let mut moved = z.clone();
                moved[j] += by;
                stand_all(&setup, &moved, &near, &part, None).unwrap()
            };
            let h = 1e-4;
            let (up, down) = (at(h), at(-h));
            for s in 0..steps.len() {
                let (u, d, now) = (
                    up[s].as_ref().unwrap(),
                    down[s].as_ref().unwrap(),
                    here[s].as_ref().unwrap(),
                );
                for k in 0..u.predicted.len() {
                    let slope = (u.predicted[k] - d.predicted[k]) / (2.0 * h);
                    let off = (slope - now.jacobian[(k, j)]).abs();
                    if off > worst.0 {
                        worst = (
                            off,
                            format!(
                                "{:?} step {s} row {k}: {slope} {}",
                                e.what,
                                now.jacobian[(k, j)]
                            ),
                        );
                    }
                }
            }
        }
        // A reading moves by up to a millimetre for a standard uncertainty; 1e-7 m is a ten-thousandth of it.
        assert!(worst.0 < 1e-7, "{} {}", worst.0, worst.1);
    }
}
