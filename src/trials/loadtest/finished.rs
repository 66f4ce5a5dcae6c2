//! The finished vehicle, forecast with the model as identified; and what
//! weight, where, would bring the lateral link to its angle.
//!
//! # Method
//! The load case is solved with the identified values; every quantity's
//! variance is g' C g, C the covariance of all unknowns after the test, loads
//! that the test did not have added with what the sheet says of them. Values
//! are for a vehicle that was bounced (friction in the middle of its band); by how
//! much friction can hold each quantity off is told beside.

use super::failure::LoadTestError;
use super::finding::Estimate;
use super::identify::Identified;
use super::setup::{Moves, Setup};
use super::step::{Load, PlacedLoad};
use super::unknowns::Unknown;
use crate::geometry::{COORDINATES, State};
use crate::posture::{PostureState, QuantityKey};
use crate::sheet::BuildSheet;
use crate::statics::{
    CaseQuantities, Equilibrium, Model, PointMass, StaticsError, Warning, quantities,
};
use nalgebra::{DMatrix, DVector, RowDVector};

/// Step of the differences for frequencies, in standard uncertainties after the test.
const DIFFERENCE: f64 = 0.2;
/// A weight is not sought beyond this many times the sprung weight.
const HEAVIEST: f64 = 4.0;

/// A load case forecast.
#[derive(Debug, Clone)]
pub struct Finished {
    /// Index of the load case.
    pub case: usize,
    /// Heights, level, link, sag.
    pub quantities: Vec<FinishedQuantity>,
    /// Travel left.
    pub units: Vec<FinishedUnit>,
    /// Rates and frequencies.
    pub axles: Vec<FinishedAxle>,
    /// What is not as it should be.
    pub warnings: Vec<Warning>,
    /// The identified model with the case's loads on.
    pub model: Model,
    /// Where it rests.
    pub rest: Equilibrium,
}

/// A quantity of the finished vehicle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FinishedQuantity {
    /// Which.
    pub key: QuantityKey,
    /// With its standard uncertainty, metres or radians.
    pub expected: Estimate,
    /// Half-width of the band in which friction can hold it.
    pub friction: f64,
}

/// Travel of a spring unit in the finished vehicle, metres along the unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FinishedUnit {
    /// The unit.
    pub unit: usize,
    /// Left until fully compressed.
    pub up: Estimate,
    /// Left until fully extended.
    pub down: Estimate,
}

/// An axle of the finished vehicle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FinishedAxle {
    /// The axle.
    pub axle: usize,
    /// Rate at one wheel, N/m.
    pub wheel_rate: Estimate,
    /// Ride frequency, hertz; none where it carries nothing.
    pub frequency: Option<Estimate>,
}

/// What weight at a place brings a lateral link to its angle.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkWeight {
    /// The axle of the link.
    pub axle: usize,
    /// What the place is called.
    pub place: String,
    /// Frame point, metres.
    pub at_m: [f64; 3],
    /// The angle sought, radians.
    pub target: f64,
    /// Kilograms to put there on the vehicle without any load; below zero: to take off. None
    /// where no weight there does it.
    pub mass: Option<Estimate>,
    /// Half-width of what friction adds to that, kilograms.
    pub friction_kg: f64,
    /// What is still to come there, kilograms, where this place is that of the loads to come.
    pub to_come_kg: Option<Estimate>,
}

/// Identified values, with those of further loads added.
struct Known<'a> {
    setup: Setup<'a>,
    z: DVector<f64>,
    covariance: DMatrix<f64>,
}

impl<'a> Known<'a> {
    fn new(
        sheet: &'a BuildSheet,
        identified: &Identified,
        loads: &[PlacedLoad],
    ) -> (Self, Vec<usize>) {
        let mut setup = identified.frame(sheet);
        let on = loads.iter().map(|l| setup.place_with_unknowns(l)).collect();
        let (before, p) = (identified.z.len(), setup.unknowns.len());
        let z = DVector::from_fn(p, |i, _| if i < before { identified.z[i] } else { 0.0 });
        let mut covariance = DMatrix::identity(p, p);
        covariance
            .view_mut((0, 0), (before, before))
            .copy_from(&(&identified.covariance * identified.stretch));
        (
            Self {
                setup,
                z,
                covariance,
            },
            on,
        )
    }

    fn uncertainty(&self, slope: &RowDVector<f64>) -> f64 {
        (slope * &self.covariance * slope.transpose())[0]
            .max(0.0)
            .sqrt()
    }

    fn rest(
        &self,
        z: &DVector<f64>,
        on: &[usize],
        near: &State,
    ) -> Result<(Model, Equilibrium), StaticsError> {
        let mut model = self.setup.model(&self.setup.values(z));
        self.setup.load(&mut model, on);
        let rest = model.equilibrium_from(near)?;
        Ok((model, rest))
    }

    fn friction_band(&self, along: &State, pushes: &Moves) -> f64 {
        let friction = self.setup.friction(&self.setup.values(&self.z));
        friction
            .iter()
            .enumerate()
            .map(|(u, (f, _))| along.dot(&pushes.column(u)).abs() * f)
            .sum()
    }
}

fn loads_of(sheet: &BuildSheet, case: usize) -> Result<Vec<PlacedLoad>, LoadTestError> {
    let case = sheet
        .cases
        .get(case)
        .ok_or(LoadTestError::NoCase { case })?;
    Ok(case
        .loads
        .iter()
        .filter_map(|&i| Load::Named(i).placed(sheet))
        .collect())
}

fn posture(rest: &Equilibrium) -> PostureState {
    let mut x = PostureState::zeros();
    x.fixed_rows_mut::<COORDINATES>(0).copy_from(&rest.state);
    x
}

/// Forecasts a load case of the sheet.
///
/// # Errors
/// Where the sheet has no such case, or the vehicle has no rest in it.
pub fn finished(
    sheet: &BuildSheet,
    identified: &Identified,
    case: usize,
) -> Result<Finished, LoadTestError> {
    let loads = loads_of(sheet, case)?;
    let (known, on) = Known::new(sheet, identified, &loads);
    let (model, rest) = known.rest(&known.z, &on, &known.setup.base.design)?;
    let (moves, pushes) = known.setup.moves(&model, &rest);
    let x = posture(&rest);
    let quantity = |key: QuantityKey| {
        let (value, g) = key.with_gradient(sheet, &model, &x);
        let along = g.fixed_rows::<COORDINATES>(0).into_owned();
        let slope = RowDVector::from(along.transpose() * &moves);
        FinishedQuantity {
            key,
            expected: Estimate {
                value,
                uncertainty: known.uncertainty(&slope),
            },
            friction: known.friction_band(&along, &pushes),
        }
    };
    let all: Vec<_> = QuantityKey::all(sheet, &model)
        .into_iter()
        .map(quantity)
        .collect();
    let units = (0..model.units.len())
        .filter_map(|u| {
            let sag = all.iter().find(|q| q.key == QuantityKey::Sag(u))?.expected;
            let stroke = model.units[u].extended - model.units[u].compressed;
            Some(FinishedUnit {
                unit: u,
                up: Estimate {
                    value: stroke - sag.value,
                    uncertainty: sag.uncertainty,
                },
                down: sag,
            })
        })
        .collect();
    let found = quantities(&model, &rest, &sheet.stations);
    Ok(Finished {
        case,
        units,
        axles: axles(&known, &on, &rest, &found, sheet),
        quantities: all,
        warnings: found.warnings,
        model,
        rest,
    })
}

/// Rates and frequencies with their uncertainty, by differences.
fn axles(
    known: &Known,
    on: &[usize],
    rest: &Equilibrium,
    found: &CaseQuantities,
    sheet: &BuildSheet,
) -> Vec<FinishedAxle> {
    let count = found.axles.len();
    let p = known.z.len();
    let mut rate = vec![RowDVector::zeros(p); count];
    let mut frequency = vec![RowDVector::zeros(p); count];
    for (j, e) in known.setup.unknowns.iter().enumerate() {
        let matters = matches!(
            e.what,
            Unknown::Rate(_)
                | Unknown::Seat(_)
                | Unknown::Weight
                | Unknown::Centre(_)
                | Unknown::Tyre(_)
                | Unknown::BodyMass(_)
                | Unknown::PlaceAt(..)
        );
        let step = DIFFERENCE * known.covariance[(j, j)].sqrt();
        if !matters || step <= 0.0 {
            continue;
        }
        let at = |by: f64| {
            let mut z = known.z.clone();
            z[j] += by;
            let (model, rest) = known.rest(&z, on, &rest.state).ok()?;
            Some(quantities(&model, &rest, &sheet.stations).axles)
        };
        if let (Some(up), Some(down)) = (at(step), at(-step)) {
            for i in 0..count {
                rate[i][j] =
                    (up[i].wheel_rate.n_per_m() - down[i].wheel_rate.n_per_m()) / (2.0 * step);
                if let (Some(u), Some(d)) = (up[i].frequency, down[i].frequency) {
                    frequency[i][j] = (u.hz() - d.hz()) / (2.0 * step);
                }
            }
        }
    }
    (0..count)
        .filter(|&i| found.axles[i].carries)
        .map(|i| FinishedAxle {
            axle: i,
            wheel_rate: Estimate {
                value: found.axles[i].wheel_rate.n_per_m(),
                uncertainty: known.uncertainty(&rate[i]),
            },
            frequency: found.axles[i].frequency.map(|f| Estimate {
                value: f.hz(),
                uncertainty: known.uncertainty(&frequency[i]),
            }),
        })
        .collect()
}

/// What weight brings each lateral link to its target (level where the sheet
/// has none), on the vehicle without loads: where the loads of the case come
/// together, at each of them, and over each axle.
///
/// # Errors
/// Where there is no link, no such case, or no rest.
pub fn link_weights(
    sheet: &BuildSheet,
    identified: &Identified,
    case: usize,
) -> Result<Vec<LinkWeight>, LoadTestError> {
    let loads = loads_of(sheet, case)?;
    let mut places: Vec<(String, [f64; 3], Option<Estimate>)> = Vec::new();
    let total: f64 = loads.iter().map(|l| l.mass_kg).sum();
    if total > 0.0 {
        let at = std::array::from_fn(|k| {
            loads.iter().map(|l| l.mass_kg * l.at_m[k]).sum::<f64>() / total
        });
        let spread = loads
            .iter()
            .map(|l| l.mass_uncertainty_kg.powi(2))
            .sum::<f64>()
            .sqrt();
        places.push((
            "all that is to come".to_owned(),
            at,
            Some(Estimate {
                value: total,
                uncertainty: spread,
            }),
        ));
    }
    if loads.len() > 1 {
        places.extend(loads.iter().map(|l| {
            let mass = Estimate {
                value: l.mass_kg,
                uncertainty: l.mass_uncertainty_kg,
            };
            (l.body.clone(), l.at_m, Some(mass))
        }));
    }
    places.extend(sheet.axles.iter().map(|a| {
        (
            format!("over the {} axle", a.name),
            [a.x.m(), 0.0, 0.0],
            None,
        )
    }));
    let (known, _) = Known::new(sheet, identified, &[]);
    let links: Vec<usize> = (0..sheet.axles.len())
        .filter(|&i| known.setup.base.link(i).is_some())
        .collect();
    if links.is_empty() {
        return Err(LoadTestError::NoLink);
    }
    let mut all = Vec::new();
    for axle in links {
        let name = known.setup.base.link(axle).map_or("", |(n, _)| n);
        let target = sheet
            .targets
            .links
            .iter()
            .find(|(n, _)| n == name)
            .map_or(0.0, |(_, t)| t.angle.rad());
        for (place, at_m, to_come) in &places {
            let (mass, friction_kg) = weight_at(sheet, &known, axle, *at_m, target)?;
            all.push(LinkWeight {
                axle,
                place: place.clone(),
                at_m: *at_m,
                target,
                mass,
                friction_kg,
                to_come_kg: *to_come,
            });
        }
    }
    Ok(all)
}

/// Newton's method on the weight, with the exact derivative of the angle.
fn weight_at(
    sheet: &BuildSheet,
    known: &Known,
    axle: usize,
    at: [f64; 3],
    target: f64,
) -> Result<(Option<Estimate>, f64), LoadTestError> {
    let (mut model, mut rest) = known.rest(&known.z, &[], &known.setup.base.design)?;
    let most = HEAVIEST * model.masses[0].mass;
    let extra = model.masses.len();
    model.masses.push(PointMass {
        name: "weight".to_owned(),
        mass: 0.0,
        at,
        on: true,
    });
    for _ in 0..40 {
        let (angle, g) = QuantityKey::LinkAngle(axle).with_gradient(sheet, &model, &posture(&rest));
        let along = g.fixed_rows::<COORDINATES>(0).into_owned();
        let per_kg = along.dot(&rest.response(&model, crate::statics::Parameter::Mass(extra)));
        let step = (target - angle) / per_kg;
        if !step.is_finite() {
            return Ok((None, 0.0));
        }
        if step.abs() < 1e-6 {
            let (moves, pushes) = known.setup.moves(&model, &rest);
            let slope = RowDVector::from(along.transpose() * &moves);
            let estimate = Estimate {
                value: model.masses[extra].mass,
                uncertainty: known.uncertainty(&slope) / per_kg.abs(),
            };
            return Ok((
                Some(estimate),
                known.friction_band(&along, &pushes) / per_kg.abs(),
            ));
        }
        let mass = model.masses[extra].mass + step.clamp(-0.2 * most, 0.2 * most);
        if mass.abs() > most {
            return Ok((None, 0.0));
        }
        model.masses[extra].mass = mass;
        match model.equilibrium_from(&rest.state) {
            Ok(there) => rest = there,
            Err(_) => return Ok((None, 0.0)),
        }
    }
    Ok((None, 0.0))
}
