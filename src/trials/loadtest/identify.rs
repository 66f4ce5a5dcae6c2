//! From steps to what the vehicle really is.

use super::centre::centre;
use super::concern::{self, Concern};
use super::failure::LoadTestError;
use super::finding::{Finding, Key};
use super::misfit::{Odd, oddest};
use super::search::{Care, Found, search};
use super::setup::{Body, Place, Setup};
use super::unknowns::{Unknown, Unknowns};
use super::{Approach, Step};
use crate::geometry::{FramePose, HEAVE, gradient};
use crate::leastsquares::chi_square_quantile;
use crate::quantity::Moment;
use crate::sheet::BuildSheet;
use crate::statics::Model;
use nalgebra::{DMatrix, DVector};

/// A catalogue rate is doubted where the test alone is off by more than so many
/// combined standard uncertainties (99 %, two-sided): its tolerance is then not
/// used, so that it does not pull the answer towards itself.
const DOUBTED: f64 = 2.576;
/// So many times as wide a doubted tolerance is taken.
const DOUBTED_FACTOR: f64 = 8.0;
/// Where so many readings of one step do not fit, it is the step: a load that was
/// not there, or was another one.
const WHOLE_STEP: usize = 3;
/// At most one mistake is taken out for so many readings.
const READINGS_A_MISTAKE: usize = 8;

/// What the load test says.
#[derive(Debug, Clone)]
pub struct Identified {
    /// The quantities.
    pub findings: Vec<Finding>,
    /// Friction by axle, at the wheel and in height.
    pub friction: Vec<FrictionBand>,
    /// What the unknowns were, in the order of values and covariance.
    pub unknowns: Unknowns,
    /// Values, in standard uncertainties from what was expected.
    pub z: DVector<f64>,
    /// The likeliest values of all unknowns together, from which `z` was moved to the mean.
    pub likeliest_z: DVector<f64>,
    /// Their covariance (stretch not included).
    pub covariance: DMatrix<f64>,
    /// Chi-square of readings and expectations together.
    pub chi_square: f64,
    /// Its degrees of freedom: the readings used.
    pub readings: usize,
    /// By how much all variances are stretched since the readings scatter more
    /// than they and the sheet claim; 1 where they do not.
    pub stretch: f64,
    /// Readings that do not fit; left out.
    pub misfits: Vec<Misfit>,
    /// Sensors that slipped between two steps; allowed for.
    pub slips: Vec<Slip>,
    /// Axles whose catalogue rate contradicts the test; its tolerance was not used.
    pub doubted_axles: Vec<usize>,
    /// What is wrong or weak in the steps.
    pub concerns: Vec<Concern>,
    /// What every used reading is off.
    pub residuals: Vec<Residual>,
    /// The model as identified, with nothing on but the sprung weight.
    pub model: Model,
    /// Bodies of the test with the mass found, kilograms, in the order of their unknowns.
    pub bodies: Vec<(String, Finding)>,
    /// Rounds of the search.
    pub rounds: usize,
    /// The steps that took part, in order of time.
    pub stops: Vec<Stop>,
    pub(super) who: Vec<Body>,
    pub(super) places: Vec<Place>,
}

/// A step as it was used.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    /// Index of the step as given.
    pub step: usize,
    /// How it came to rest.
    pub approach: Approach,
    /// Everything that was on: weight as found, kilograms, and frame point, metres.
    pub on: Vec<(f64, [f64; 3])>,
}

/// The friction of an axle in words a mechanic uses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrictionBand {
    /// The axle.
    pub axle: usize,
    /// Half-width along each unit, newtons.
    pub along_unit_n: f64,
    /// Its standard uncertainty.
    pub along_unit_uncertainty_n: f64,
    /// Half-width at each wheel, newtons.
    pub at_wheel_n: f64,
    /// Its standard uncertainty.
    pub at_wheel_uncertainty_n: f64,
    /// Half-width of the height over the axle that friction can hold, metres.
    pub height_m: f64,
    /// Its standard uncertainty.
    pub height_uncertainty_m: f64,
}

/// A reading that does not fit all others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Misfit {
    /// Index of the step as given.
    pub step: usize,
    /// Index of the sensor.
    pub sensor: usize,
    /// By how much it is too high, metres or radians.
    pub off: f64,
    /// The same in standard deviations.
    pub sigmas: f64,
}

/// A sensor that reads something else from a step on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slip {
    /// Index of the sensor.
    pub sensor: usize,
    /// Index (as given) of the first step after it.
    pub before_step: usize,
    /// When that step was read.
    pub at: Moment,
    /// By how much it reads higher since, metres or radians.
    pub off: f64,
    /// The same in standard deviations.
    pub sigmas: f64,
}

/// What a reading is off the identified model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residual {
    /// Index of the step as given.
    pub step: usize,
    /// Index of the sensor.
    pub sensor: usize,
    /// As read, metres or radians.
    pub measured: f64,
    /// As the identified model has it, zero and scale included.
    pub predicted: f64,
    /// Noise of the reading.
    pub noise: f64,
}

impl Identified {
    /// One quantity.
    pub fn get(&self, key: Key) -> Option<&Finding> {
        self.findings.iter().find(|f| f.key == key)
    }

    /// The value that a quantity has where all unknowns together are likeliest.
    pub fn likeliest(&self, sheet: &BuildSheet, key: Key) -> f64 {
        let (constant, weights) = key.parts(&self.frame(sheet));
        constant + weights.dot(&self.likeliest_z)
    }

    /// Correlation of two quantities after the test.
    pub fn correlation(&self, sheet: &BuildSheet, a: Key, b: Key) -> f64 {
        let setup = self.frame(sheet);
        let (wa, wb) = (a.parts(&setup).1, b.parts(&setup).1);
        let shared = |x: &DVector<f64>, y: &DVector<f64>| x.dot(&(&self.covariance * y));
        let own = (shared(&wa, &wa) * shared(&wb, &wb)).sqrt();
        if own > 0.0 {
            shared(&wa, &wb) / own
        } else {
            0.0
        }
    }

    /// A set-up without steps that knows this test's unknowns, bodies and places.
    pub(super) fn frame<'a>(&self, sheet: &'a BuildSheet) -> Setup<'a> {
        Setup::without_steps(sheet, &self.who, &self.places, &self.unknowns)
    }

    /// Whether readings and expectations agree (99 %).
    pub fn fits(&self) -> bool {
        self.stretch <= 1.0
    }
}

/// Identifies the vehicle from all steps; their order does not matter.
///
/// # Errors
/// [`LoadTestError`] where there is nothing to go by; everything weaker is a
/// [`Concern`], and what the steps do not tell is named by [`super::untold`].
pub fn identify(sheet: &BuildSheet, steps: &[Step]) -> Result<Identified, LoadTestError> {
    if steps.is_empty() {
        return Err(LoadTestError::NoSteps);
    }
    let mut setup = Setup::new(sheet, steps);
    if setup.steps.iter().all(|s| s.rows.is_empty()) {
        return Err(LoadTestError::NoReadings { steps: steps.len() });
    }
    let (mut concerns, takes_part) = concern::of_steps(&setup, steps);
    if !takes_part.contains(&true) {
        setup.base.equilibrium()?;
        return Err(LoadTestError::NoneStands { steps: steps.len() });
    }
    let mut mistakes = Mistakes::default();
    let mut found = mistakes.take_out(&mut setup, &takes_part)?;
    let doubted_axles = doubted(&setup, &found);
    if !doubted_axles.is_empty() {
        for u in 0..setup.base.units.len() {
            if doubted_axles.contains(&setup.base.units[u].axle) {
                setup.unknowns.widen(Unknown::Rate(u), DOUBTED_FACTOR);
            }
        }
        found = mistakes.take_out(&mut setup, &takes_part)?;
    }
    let keys = Key::all(&setup);
    let weights: Vec<_> = keys
        .iter()
        .filter(|k| k.is_asked())
        .map(|k| k.parts(&setup).1)
        .collect();
    let found = centre(&setup, found, &takes_part, &weights);
    concerns.extend(concern::of_search(&setup, &found, weights.len()));
    concerns.extend(
        mistakes
            .steps
            .iter()
            .map(|&step| Concern::DoesNotFit { step }),
    );
    Ok(conclude(
        &setup,
        &found,
        mistakes,
        doubted_axles,
        concerns,
        &keys,
    ))
}

impl Key {
    /// Whether it is one of the main questions of a load test.
    pub(super) const fn is_asked(self) -> bool {
        matches!(
            self,
            Self::AxleRate(_) | Self::SideRate(_) | Self::Friction(_) | Self::Weight
        )
    }
}

#[derive(Debug, Default)]
struct Mistakes {
    misfits: Vec<Misfit>,
    /// Steps of which next to nothing fits, as given.
    steps: Vec<usize>,
    /// With the step's number in time order.
    slips: Vec<(Slip, usize)>,
}

impl Mistakes {
    /// Searches, takes out what does not fit, and searches again.
    fn take_out(&mut self, setup: &mut Setup, takes_part: &[bool]) -> Result<Found, LoadTestError> {
        let readings: usize = setup.steps.iter().map(|s| s.rows.len()).sum();
        let most = readings / READINGS_A_MISTAKE;
        let mut found = search(setup, takes_part, Care::Rough)?;
        while self.misfits.len() + self.slips.len() + WHOLE_STEP * self.steps.len() < most {
            let Some(odd) = oddest(setup, &found) else {
                break;
            };
            match odd {
                Odd::Reading {
                    step,
                    row,
                    off,
                    sigmas,
                } => {
                    let given = setup.steps[step].given;
                    let sensor = setup.steps[step].rows.remove(row).sensor;
                    self.misfits.push(Misfit {
                        step: given,
                        sensor,
                        off,
                        sigmas,
                    });
                    let odd = self.misfits.iter().filter(|m| m.step == given).count();
                    if odd >= WHOLE_STEP && !setup.steps[step].rows.is_empty() {
                        setup.steps[step].rows.clear();
                        self.misfits.retain(|m| m.step != given);
                        self.steps.push(given);
                    }
                }
                Odd::Slip {
                    sensor,
                    from,
                    off,
                    sigmas,
                } => {
                    setup.unknowns.add_slip(sensor, from);
                    let step = &setup.steps[from];
                    let slip = Slip {
                        sensor,
                        before_step: step.given,
                        at: step.at,
                        off,
                        sigmas,
                    };
                    self.slips.push((slip, from));
                }
            }
            found = search(setup, takes_part, Care::Rough)?;
        }
        if !found.converged {
            found = search(setup, takes_part, Care::Full)?;
        }
        if !found.converged {
            return Err(LoadTestError::NotConverged {
                rounds: found.rounds,
                step: found.left.sqrt(),
            });
        }
        Ok(found)
    }
}

/// Axles whose catalogue rate the test alone contradicts.
fn doubted(setup: &Setup, found: &Found) -> Vec<usize> {
    let contradicts = |key: Key| {
        let f = key.finding(setup, &found.z, &found.covariance, 1.0);
        f.alone.is_some_and(|a| {
            (a.value - f.before.value).abs() > DOUBTED * a.uncertainty.hypot(f.before.uncertainty)
        })
    };
    (0..setup.sheet.axles.len())
        .filter(|&i| {
            setup.base.units.iter().any(|u| u.axle == i)
                && (contradicts(Key::AxleRate(i)) || contradicts(Key::SideRate(i)))
        })
        .collect()
}

fn conclude(
    setup: &Setup,
    found: &Found,
    mistakes: Mistakes,
    doubted_axles: Vec<usize>,
    concerns: Vec<Concern>,
    keys: &[Key],
) -> Identified {
    let count = found.readings as f64;
    let fits = chi_square_quantile(0.99, count).is_ok_and(|limit| found.chi_square <= limit);
    let stretch = if fits {
        1.0
    } else {
        (found.chi_square / count).max(1.0)
    };
    let values = setup.values(&found.z);
    let model = setup.model(&values);
    let mut findings: Vec<Finding> = keys
        .iter()
        .map(|k| k.finding(setup, &found.z, &found.covariance, stretch))
        .collect();
    let sheet_tolerance = Unknowns::of(setup.sheet, &setup.base, &setup.bodies, &setup.places);
    for f in &mut findings {
        // What the catalogue says stays what it says, however much it was doubted.
        if matches!(
            f.key,
            Key::AxleRate(_) | Key::SideRate(_) | Key::UnitRate(_)
        ) {
            let mut as_typed = setup.clone();
            as_typed.unknowns = sheet_tolerance.clone();
            f.before.uncertainty = f.key.parts(&as_typed).1.norm();
        }
    }
    let slips = mistakes
        .slips
        .into_iter()
        .map(|(mut slip, from)| {
            let at = setup.unknowns.find(Unknown::Slip {
                sensor: slip.sensor,
                from,
            });
            slip.off = at.map_or(slip.off, |i| values[i]);
            slip
        })
        .collect();
    // The scatter of friction at each stop is of no use after the test.
    let lasting: Vec<usize> = setup
        .unknowns
        .iter()
        .enumerate()
        .filter(|(_, e)| !matches!(e.what, Unknown::Scatter { .. }))
        .map(|(i, _)| i)
        .collect();
    Identified {
        friction: bands(setup, &model, &findings),
        residuals: residuals(setup, found),
        bodies: bodies(setup, found, stretch),
        stops: stops(setup, found, &values),
        who: setup.bodies.clone(),
        places: setup.places.clone(),
        findings,
        unknowns: setup.unknowns.only(&lasting),
        z: found.z.select_rows(&lasting),
        likeliest_z: found.likeliest.select_rows(&lasting),
        covariance: found
            .covariance
            .select_rows(&lasting)
            .select_columns(&lasting),
        chi_square: found.chi_square,
        readings: found.readings,
        stretch,
        misfits: mistakes.misfits,
        slips,
        doubted_axles,
        concerns,
        model: {
            let mut bare = model;
            setup.load(&mut bare, &[]);
            bare
        },
        rounds: found.rounds,
    }
}

fn stops(setup: &Setup, found: &Found, values: &[f64]) -> Vec<Stop> {
    let mass =
        |body: usize| setup.bodies[body].mass_kg + setup.value(values, Unknown::BodyMass(body));
    let used = setup.steps.iter().zip(&found.stood);
    used.filter(|(_, stood)| stood.is_some())
        .map(|(ready, _)| Stop {
            step: ready.given,
            approach: ready.approach,
            on: ready
                .on
                .iter()
                .map(|&p| (mass(setup.places[p].body), setup.places[p].at_m))
                .collect(),
        })
        .collect()
}

fn bodies(setup: &Setup, found: &Found, stretch: f64) -> Vec<(String, Finding)> {
    setup
        .bodies
        .iter()
        .enumerate()
        .map(|(i, body)| {
            let before = super::Estimate {
                value: body.mass_kg,
                uncertainty: body.mass_uncertainty_kg,
            };
            let (value, variance) = match setup.unknowns.find(Unknown::BodyMass(i)) {
                Some(k) => (
                    body.mass_kg + found.z[k] * body.mass_uncertainty_kg,
                    found.covariance[(k, k)] * body.mass_uncertainty_kg.powi(2),
                ),
                None => (body.mass_kg, 0.0),
            };
            let told = if before.uncertainty > 0.0 {
                1.0 - variance / before.uncertainty.powi(2)
            } else {
                0.0
            };
            let finding = Finding {
                key: Key::Weight,
                value,
                uncertainty: (variance * stretch).sqrt(),
                before,
                alone: None,
                told,
            };
            (body.name.clone(), finding)
        })
        .collect()
}

fn residuals(setup: &Setup, found: &Found) -> Vec<Residual> {
    let mut all = Vec::new();
    for (s, stood) in found.stood.iter().enumerate() {
        if let Some(stood) = stood {
            for (k, row) in setup.steps[s].rows.iter().enumerate() {
                all.push(Residual {
                    step: setup.steps[s].given,
                    sensor: row.sensor,
                    measured: row.value,
                    predicted: stood.predicted[k],
                    noise: row.noise,
                });
            }
        }
    }
    all
}

/// Friction of each axle along the unit, at the wheel and in height.
///
/// # Method
/// At the wheel: half-width times the unit's shortening per wheel lift, averaged
/// over the axle. In height: what the half-width in every unit of the axle moves
/// the frame over the axle, by the compliance at rest.
fn bands(setup: &Setup, model: &Model, findings: &[Finding]) -> Vec<FrictionBand> {
    let mut bare = model.clone();
    setup.load(&mut bare, &[]);
    let Ok(rest) = bare.equilibrium() else {
        return Vec::new();
    };
    let q = &rest.state;
    findings
        .iter()
        .filter_map(|f| match f.key {
            Key::Friction(i) => Some((i, f)),
            _ => None,
        })
        .map(|(i, f)| {
            let axle = &bare.axles[i];
            let mut push = crate::geometry::State::zeros();
            let mut ratio = 0.0;
            for unit in bare.units.iter().filter(|u| u.axle == i) {
                let (_, dl) = gradient(|x| unit.length(&bare.pose(x)), q);
                push += dl;
                ratio += dl[HEAVE].abs();
            }
            let (_, over) = gradient(|x| FramePose::new(x).height([axle.x, 0.0, 0.0]), q);
            let per_newton = over.dot(&(rest.compliance * push)).abs();
            let at_wheel = ratio / 2.0;
            FrictionBand {
                axle: i,
                along_unit_n: f.value,
                along_unit_uncertainty_n: f.uncertainty,
                at_wheel_n: f.value * at_wheel,
                at_wheel_uncertainty_n: f.uncertainty * at_wheel,
                height_m: f.value * per_newton,
                height_uncertainty_m: f.uncertainty * per_newton,
            }
        })
        .collect()
}
