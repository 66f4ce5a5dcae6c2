//! Which steps tell most, before anybody climbs in.
//!
//! The plan grows by the visit that makes the asked quantities (rates, their
//! difference left to right, friction, weight) smallest together for each stop it
//! costs, by the product of their standard uncertainties.

use super::design::{Design, Noise, Visit};
use super::failure::LoadTestError;
use super::finding::{Estimate, Key};
use super::setup::Setup;
use super::step::place_words;
use super::{Approach, Load, PlacedLoad};
use crate::sheet::BuildSheet;
use nalgebra::{DMatrix, DVector};

/// A person of whom nothing is told. Chosen: 75 kg by a bathroom scale (1 kg),
/// the middle of a body within 30 mm, 350 mm over the frame's datum.
const PERSON_KG: (f64, f64) = (75.0, 1.0);
const PERSON_PLACE_M: f64 = 0.03;
const PERSON_UP_M: f64 = 0.35;
/// How far to the side a person sits, as a share of the track.
const ASIDE: f64 = 0.3;
/// A visit that makes the product smaller by less than this (logarithm, for each stop) is not worth it.
const WORTH: f64 = 0.02;
/// The least change of the strongest reading that is worth a step, in its noise.
const LEAST_NOISES: f64 = 10.0;
/// Weight added in the comparison, kilograms.
const MORE_KG: f64 = 10.0;

/// How to plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanOptions {
    /// Noise of the sensors.
    pub noise: Noise,
    /// Most stops, the first bare one included.
    pub most_stops: usize,
    /// Who is there to sit in; none for the loads of the sheet alone. Weight
    /// and its uncertainty, kilograms.
    pub person_kg: Option<(f64, f64)>,
}

impl Default for PlanOptions {
    fn default() -> Self {
        Self {
            noise: Noise::default(),
            most_stops: 19,
            person_kg: Some(PERSON_KG),
        }
    }
}

/// A plan of a load test.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The quantities asked for, in the order of every list of uncertainties here.
    pub keys: Vec<Key>,
    /// What is known of each before: standard uncertainty, SI.
    pub before: Vec<f64>,
    /// The visits in their order; the first is the bare vehicle.
    pub visits: Vec<PlannedVisit>,
    /// The whole plan done otherwise.
    pub trades: Vec<Trade>,
    /// Visits that were looked at and cannot be made, with the reason.
    pub refused: Vec<(Visit, String)>,
    /// Visits whose load is too small against the noise, with the weight that
    /// would be worth while, kilograms.
    pub weak: Vec<(Visit, f64)>,
}

/// A visit of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedVisit {
    /// What to do.
    pub visit: Visit,
    /// Largest change of a height over an axle, metres.
    pub moves_m: f64,
    /// Largest change of a reading, in its noise.
    pub noises: f64,
    /// Standard uncertainties once it is done, in the order of [`Plan::keys`].
    pub after: Vec<f64>,
}

/// The plan with one thing changed.
#[derive(Debug, Clone, PartialEq)]
pub struct Trade {
    /// What is changed.
    pub name: String,
    /// Standard uncertainties at the end, in the order of [`Plan::keys`].
    pub after: Vec<f64>,
}

fn visit_of(name: String, load: &Load) -> Visit {
    let on = vec![load.clone()];
    // Read from above and, pressed down and let come up, from below: otherwise a
    // spring that is stiffer cannot be told from a unit that holds more.
    Visit {
        name,
        stops: vec![
            (on.clone(), Approach::Loading),
            (on, Approach::Unloading),
            (Vec::new(), Approach::Unloading),
        ],
    }
}

/// Visits that make sense on this vehicle: a person over each axle, in the
/// middle and at both sides; every load of the sheet at its place; a person beside the
/// heaviest of them.
pub fn visits(sheet: &BuildSheet, person_kg: Option<(f64, f64)>) -> Vec<Visit> {
    let mut all = Vec::new();
    let person = |x: f64, y: f64| {
        person_kg.map(|(mass_kg, mass_uncertainty_kg)| {
            Load::Placed(PlacedLoad {
                body: "person".to_owned(),
                mass_kg,
                mass_uncertainty_kg,
                at_m: [x, y, PERSON_UP_M],
                place_uncertainty_m: PERSON_PLACE_M,
            })
        })
    };
    for axle in &sheet.axles {
        for side in [0.0, ASIDE, -ASIDE] {
            let load = person(axle.x.m(), side * axle.track.m());
            if let Some(load) = load {
                let side = match side {
                    s if s > 0.0 => "at the left",
                    s if s < 0.0 => "at the right",
                    _ => "in the middle",
                };
                all.push(visit_of(
                    format!("person over the {} axle, {side}", axle.name),
                    &load,
                ));
            }
        }
    }
    for i in 0..sheet.loads.len() {
        if let Some(load) = Load::Named(i).placed(sheet) {
            all.push(visit_of(place_words(&load), &Load::Named(i)));
        }
    }
    let heaviest = (0..sheet.loads.len()).max_by(|&a, &b| {
        sheet.loads[a]
            .mass
            .kg()
            .total_cmp(&sheet.loads[b].mass.kg())
    });
    if let (Some(heaviest), Some(axle)) = (heaviest, sheet.axles.first())
        && let Some(person) = person(axle.x.m(), 0.0)
    {
        let first = Load::Named(heaviest);
        let both = vec![first.clone(), person];
        all.push(Visit {
            name: format!(
                "{}, then a person over the {} axle as well",
                sheet.loads[heaviest].name, axle.name
            ),
            stops: vec![
                (vec![first.clone()], Approach::Loading),
                (both, Approach::Loading),
                (vec![first], Approach::Unloading),
                (Vec::new(), Approach::Unloading),
            ],
        });
    }
    all
}

fn bare() -> Visit {
    Visit {
        name: "bare, bounced".to_owned(),
        stops: vec![(Vec::new(), Approach::Bounced)],
    }
}

fn design<'a>(
    sheet: &'a BuildSheet,
    visits: &[Visit],
    noise: Noise,
) -> Result<Design<'a>, LoadTestError> {
    let setup = Setup::new(sheet, &[]);
    let p = setup.unknowns.len();
    Ok(Design::new(
        setup,
        &DVector::zeros(p),
        &DMatrix::identity(p, p),
        visits,
        noise,
    )?)
}

fn product(after: &[f64], before: &[f64]) -> f64 {
    after.iter().zip(before).map(|(a, b)| (a / b).ln()).sum()
}

/// Plans a load test from the visits that make sense.
///
/// # Errors
/// Where the bare vehicle has no rest.
pub fn plan(sheet: &BuildSheet, options: &PlanOptions) -> Result<Plan, LoadTestError> {
    plan_from(sheet, &visits(sheet, options.person_kg), options)
}

/// Plans a load test from the visits given.
///
/// # Errors
/// Where the bare vehicle has no rest.
pub fn plan_from(
    sheet: &BuildSheet,
    choice: &[Visit],
    options: &PlanOptions,
) -> Result<Plan, LoadTestError> {
    let mut all = vec![bare()];
    all.extend_from_slice(choice);
    let design = design(sheet, &all, options.noise)?;
    let keys: Vec<Key> = Key::all(&design.setup)
        .into_iter()
        .filter(|k| k.is_asked())
        .collect();
    let before = design.expect(&[], &keys);
    let mut made = vec![0];
    let mut stops = 1;
    let mut planned = vec![planned(&design, 0, design.expect(&made, &keys))];
    loop {
        let now = product(&design.expect(&made, &keys), &before);
        let best = (1..all.len())
            .filter(|&v| {
                design.visits[v].information.is_ok()
                    && stops + all[v].stops.len() <= options.most_stops
            })
            .map(|v| {
                let with: Vec<usize> = made.iter().copied().chain([v]).collect();
                let gain = now - product(&design.expect(&with, &keys), &before);
                (v, gain / all[v].stops.len() as f64)
            })
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match best {
            Some((v, gain)) if gain > WORTH => {
                made.push(v);
                stops += all[v].stops.len();
                planned.push(self::planned(&design, v, design.expect(&made, &keys)));
            }
            _ => break,
        }
    }
    let trades = trades(sheet, &design, &made, &keys, options)?;
    let refused = design
        .visits
        .iter()
        .filter_map(|v| Some((v.visit.clone(), v.information.as_ref().err()?.to_string())))
        .collect();
    let weak = design
        .visits
        .iter()
        .skip(1)
        .filter(|v| v.information.is_ok() && v.noises < LEAST_NOISES)
        .map(|v| {
            (
                v.visit.clone(),
                heaviest_stop(sheet, &v.visit) * LEAST_NOISES / v.noises.max(1e-3),
            )
        })
        .collect();
    Ok(Plan {
        keys,
        before,
        visits: planned,
        trades,
        refused,
        weak,
    })
}

fn heaviest_stop(sheet: &BuildSheet, visit: &Visit) -> f64 {
    let kg = |loads: &[Load]| {
        loads
            .iter()
            .filter_map(|l| l.placed(sheet))
            .map(|l| l.mass_kg)
            .sum::<f64>()
    };
    visit
        .stops
        .iter()
        .map(|(loads, _)| kg(loads))
        .fold(0.0, f64::max)
}

fn planned(design: &Design, v: usize, after: Vec<f64>) -> PlannedVisit {
    let weighed = &design.visits[v];
    PlannedVisit {
        visit: weighed.visit.clone(),
        moves_m: weighed.moves_m,
        noises: weighed.noises,
        after,
    }
}

/// A visit with its loads changed.
fn altered(sheet: &BuildSheet, visit: &Visit, change: impl Fn(&mut PlacedLoad)) -> Visit {
    let stops = visit
        .stops
        .iter()
        .map(|(loads, approach)| {
            let loads = loads
                .iter()
                .filter_map(|l| l.placed(sheet))
                .map(|mut l| {
                    change(&mut l);
                    Load::Placed(l)
                })
                .collect();
            (loads, *approach)
        })
        .collect();
    Visit {
        name: visit.name.clone(),
        stops,
    }
}

/// Ten more kilograms, two more repeats, quieter sensors, loads better known.
fn trades(
    sheet: &BuildSheet,
    design: &Design,
    made: &[usize],
    keys: &[Key],
    options: &PlanOptions,
) -> Result<Vec<Trade>, LoadTestError> {
    let visits: Vec<Visit> = made
        .iter()
        .map(|&v| design.visits[v].visit.clone())
        .collect();
    let everything: Vec<usize> = (0..visits.len()).collect();
    let with = |visits: &[Visit], noise: Noise, name: &str| -> Result<Trade, LoadTestError> {
        let after = self::design(sheet, visits, noise)?.expect(&everything, keys);
        Ok(Trade {
            name: name.to_owned(),
            after,
        })
    };
    let mut all = vec![Trade {
        name: "as planned".to_owned(),
        after: design.expect(made, keys),
    }];
    let heavier: Vec<Visit> = visits
        .iter()
        .map(|v| altered(sheet, v, |l| l.mass_kg += MORE_KG))
        .collect();
    all.push(with(&heavier, options.noise, "every load 10 kg heavier")?);
    let base = &all[0].after.clone();
    let twice = (1..design.visits.len())
        .filter(|v| made.contains(v))
        .map(|v| {
            let again: Vec<usize> = made.iter().copied().chain([v, v]).collect();
            (v, design.expect(&again, keys))
        })
        .min_by(|a, b| product(&a.1, base).total_cmp(&product(&b.1, base)));
    if let Some((v, after)) = twice {
        all.push(Trade {
            name: format!("two more repeats of: {}", design.visits[v].visit.name),
            after,
        });
    }
    let quiet = Noise {
        tilt_rad: options.noise.tilt_rad / 2.0,
        distance_m: options.noise.distance_m / 2.0,
    };
    all.push(with(
        &visits,
        quiet,
        "half the noise (average four times as long)",
    )?);
    let known: Vec<Visit> = visits
        .iter()
        .map(|v| {
            altered(sheet, v, |l| {
                l.mass_uncertainty_kg /= 2.0;
                l.place_uncertainty_m /= 2.0;
            })
        })
        .collect();
    all.push(with(
        &known,
        options.noise,
        "loads weighed and placed twice as well",
    )?);
    Ok(all)
}

/// Expected standard uncertainty of a quantity, as an estimate around what the sheet says.
impl Plan {
    /// What is expected of a quantity when the whole plan is done.
    pub fn expected(&self, sheet: &BuildSheet, key: Key) -> Option<Estimate> {
        let k = self.keys.iter().position(|x| *x == key)?;
        let (value, _) = key.parts(&Setup::new(sheet, &[]));
        Some(Estimate {
            value,
            uncertainty: *self.visits.last()?.after.get(k)?,
        })
    }
}
