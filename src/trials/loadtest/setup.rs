//! A load test made ready: steps in order of time, bodies, places, and the
//! model's answer to any values of the unknowns, with exact derivatives.

use super::holding::{BREAKS_LOOSE_M, Held};
use super::unknowns::{Unknown, Unknowns};
use super::{Approach, Load, PlacedLoad, Step};
use crate::geometry::{COORDINATES, State};
use crate::posture::{Linearised, PostureState, predict};
use crate::quantity::Moment;
use crate::sheet::{BuildSheet, Sensor};
use crate::statics::{Equilibrium, Model, Parameter, PointMass};
use nalgebra::{DMatrix, DVector};

/// Within so many newtons of none, friction is bent so that it stays above zero.
const BENDS_N: f64 = 2.0;
/// The least noise that a reading is taken to have, metres or radians.
const LEAST_NOISE: f64 = 1e-5;

/// Changes of the state, one column for each cause.
pub(super) type Moves = nalgebra::OMatrix<f64, nalgebra::Const<COORDINATES>, nalgebra::Dyn>;

/// Who or what is put on the vehicle.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Body {
    pub(super) name: String,
    pub(super) mass_kg: f64,
    pub(super) mass_uncertainty_kg: f64,
}

/// Where a body is put.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Place {
    pub(super) body: usize,
    pub(super) at_m: [f64; 3],
    pub(super) uncertainty_m: f64,
}

/// A reading with the noise that is its own: zero and scale are unknowns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Row {
    pub(super) sensor: usize,
    pub(super) value: f64,
    pub(super) noise: f64,
}

/// A step made ready.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Ready {
    /// Its index among the steps as given.
    pub(super) given: usize,
    pub(super) at: Moment,
    /// Indices of places that are taken.
    pub(super) on: Vec<usize>,
    pub(super) approach: Approach,
    pub(super) rows: Vec<Row>,
}

/// Everything that does not change while values are sought.
#[derive(Debug, Clone)]
pub(super) struct Setup<'a> {
    pub(super) sheet: &'a BuildSheet,
    /// The sheet's model; masses are the sprung weight, then the places.
    pub(super) base: Model,
    pub(super) bodies: Vec<Body>,
    pub(super) places: Vec<Place>,
    pub(super) steps: Vec<Ready>,
    pub(super) unknowns: Unknowns,
    /// Length over which friction builds up, metres.
    pub(super) gives_m: f64,
}

/// The model at rest in one step.
#[derive(Debug, Clone)]
pub(super) struct Stood {
    pub(super) held: Held,
    pub(super) predicted: DVector<f64>,
    /// Readings by unknowns, per standard uncertainty before the test.
    pub(super) jacobian: DMatrix<f64>,
}

fn noise_of(sensor: &Sensor, value: f64, uncertainty: f64) -> f64 {
    let fixed = sensor
        .zero_uncertainty
        .hypot(sensor.scale_uncertainty * value);
    (uncertainty * uncertainty - fixed * fixed)
        .max(LEAST_NOISE * LEAST_NOISE)
        .sqrt()
}

impl<'a> Setup<'a> {
    /// Puts steps in order and finds out who is put where. A load index that the
    /// sheet does not have and a reading of no sensor or that is not a number are left out.
    pub(super) fn new(sheet: &'a BuildSheet, steps: &[Step]) -> Self {
        let mut setup = Self {
            sheet,
            base: Model::new(sheet, &[]),
            bodies: Vec::new(),
            places: Vec::new(),
            steps: Vec::new(),
            unknowns: Unknowns::default(),
            gives_m: BREAKS_LOOSE_M,
        };
        setup.base.masses.truncate(1);
        for i in order(sheet, steps) {
            let step = &steps[i];
            let mut on: Vec<usize> = step
                .loads
                .iter()
                .filter_map(|l| l.placed(sheet))
                .map(|l| setup.place(&l))
                .collect();
            on.sort_unstable();
            let mut rows: Vec<Row> = step
                .readings
                .iter()
                .filter(|o| o.value.is_finite() && o.uncertainty.is_finite())
                .filter_map(|o| {
                    let sensor = sheet.sensors.get(o.sensor)?;
                    predict(&setup.base, &sensor.reads, &PostureState::zeros())?;
                    let noise = noise_of(sensor, o.value, o.uncertainty);
                    Some(Row {
                        sensor: o.sensor,
                        value: o.value,
                        noise,
                    })
                })
                .collect();
            rows.sort_by(|a, b| a.sensor.cmp(&b.sensor).then(a.value.total_cmp(&b.value)));
            setup.steps.push(Ready {
                given: i,
                at: step.at,
                on,
                approach: step.approach,
                rows,
            });
        }
        setup.unknowns = Unknowns::of(sheet, &setup.base, &setup.bodies, &setup.places);
        setup.add_scatter();
        setup
    }

    /// The scatter of friction of every unit in every step, as unknowns.
    pub(super) fn add_scatter(&mut self) {
        for step in 0..self.steps.len() {
            for unit in 0..self.base.units.len() {
                self.unknowns.add(Unknown::Scatter { step, unit }, 0.0, 1.0);
            }
        }
    }

    /// Without steps, with bodies and places (and their unknowns) of another set-up.
    pub(super) fn without_steps(
        sheet: &'a BuildSheet,
        bodies: &[Body],
        places: &[Place],
        unknowns: &Unknowns,
    ) -> Self {
        let mut setup = Self::new(sheet, &[]);
        for place in places {
            let body = &bodies[place.body];
            setup.base.masses.push(PointMass {
                name: body.name.clone(),
                mass: body.mass_kg,
                at: place.at_m,
                on: false,
            });
        }
        setup.bodies = bodies.to_vec();
        setup.places = places.to_vec();
        setup.unknowns = unknowns.clone();
        setup
    }

    /// The place of a load; one more, with its unknowns, where it is new.
    pub(super) fn place_with_unknowns(&mut self, load: &PlacedLoad) -> usize {
        let (bodies, places) = (self.bodies.len(), self.places.len());
        let place = self.place(load);
        if self.bodies.len() > bodies {
            self.unknowns
                .add(Unknown::BodyMass(bodies), 0.0, load.mass_uncertainty_kg);
        }
        if self.places.len() > places {
            for axis in 0..2 {
                self.unknowns.add(
                    Unknown::PlaceAt(places, axis),
                    0.0,
                    load.place_uncertainty_m,
                );
            }
        }
        place
    }

    fn place(&mut self, load: &PlacedLoad) -> usize {
        let body = self
            .bodies
            .iter()
            .position(|b| b.name == load.body && (b.mass_kg - load.mass_kg).abs() < 1e-6)
            .unwrap_or_else(|| {
                self.bodies.push(Body {
                    name: load.body.clone(),
                    mass_kg: load.mass_kg,
                    mass_uncertainty_kg: load.mass_uncertainty_kg,
                });
                self.bodies.len() - 1
            });
        let same =
            |p: &Place| p.body == body && (0..3).all(|k| (p.at_m[k] - load.at_m[k]).abs() < 1e-6);
        if let Some(i) = self.places.iter().position(same) {
            return i;
        }
        self.places.push(Place {
            body,
            at_m: load.at_m,
            uncertainty_m: load.place_uncertainty_m,
        });
        self.base.masses.push(PointMass {
            name: load.body.clone(),
            mass: self.bodies[body].mass_kg,
            at: load.at_m,
            on: false,
        });
        self.places.len() - 1
    }

    /// Values of all unknowns, from values in standard uncertainties.
    pub(super) fn values(&self, z: &DVector<f64>) -> Vec<f64> {
        self.unknowns
            .iter()
            .zip(z.iter())
            .map(|(e, z)| e.mean + e.uncertainty * z)
            .collect()
    }

    /// The value of one unknown, or what it is where it is not asked for.
    pub(super) fn value(&self, values: &[f64], what: Unknown) -> f64 {
        match self.unknowns.find(what) {
            Some(i) => values[i],
            None => match what {
                Unknown::FloorRoll => self.sheet.floor.roll.rad(),
                Unknown::FloorPitch => self.sheet.floor.pitch.rad(),
                _ => 0.0,
            },
        }
    }

    /// Friction of every unit, newtons, with its slope over its unknowns: never
    /// below zero, and bent smoothly towards it.
    pub(super) fn friction(&self, values: &[f64]) -> Vec<(f64, f64)> {
        (0..self.base.units.len())
            .map(|u| {
                let axle = self.base.units[u].axle;
                let sum = self.value(values, Unknown::Friction(axle))
                    + self.value(values, Unknown::FrictionApart(u));
                let x = sum / BENDS_N;
                // ln(1 + e^x), without overflow.
                let force = BENDS_N * (x.max(0.0) + (-x.abs()).exp().ln_1p());
                (force, 1.0 / (1.0 + (-x).exp()))
            })
            .collect()
    }

    /// The model with these values, nothing on.
    pub(super) fn model(&self, values: &[f64]) -> Model {
        let mut model = self.base.clone();
        for (e, &v) in self.unknowns.iter().zip(values) {
            match e.what {
                Unknown::Rate(i) => model.units[i].rate_factor += v,
                Unknown::Seat(i) => model.units[i].collar += v,
                Unknown::Weight => model.masses[0].mass += v,
                Unknown::Centre(axis) => model.masses[0].at[axis] += v,
                Unknown::BodyMass(b) => {
                    for (p, _) in self.places.iter().enumerate().filter(|(_, p)| p.body == b) {
                        model.masses[p + 1].mass += v;
                    }
                }
                Unknown::PlaceAt(p, axis) => model.masses[p + 1].at[axis] += v,
                Unknown::Tyre(i) => Parameter::TyreFactor(i).shift(&mut model, v),
                _ => {}
            }
        }
        model
    }

    /// Takes the places of a step.
    pub(super) fn load(&self, model: &mut Model, on: &[usize]) {
        for p in 0..self.places.len() {
            model.masses[p + 1].on = on.contains(&p);
        }
    }

    /// Readings of a step at a rest with friction, with derivatives.
    pub(super) fn read(&self, model: &Model, step: usize, values: &[f64], held: Held) -> Stood {
        let mut x = PostureState::zeros();
        x.fixed_rows_mut::<COORDINATES>(0)
            .copy_from(&held.rest.state);
        x[COORDINATES] = self.value(values, Unknown::FloorRoll);
        x[COORDINATES + 1] = self.value(values, Unknown::FloorPitch);
        let rows = &self.steps[step].rows;
        let at = Linearised::new(model, &x);
        let mut predicted = DVector::zeros(rows.len());
        let mut jacobian = DMatrix::zeros(rows.len(), self.unknowns.len());
        for (k, row) in rows.iter().enumerate() {
            let reads = &self.sheet.sensors[row.sensor].reads;
            let (raw, g) = at
                .read(model, reads)
                .unwrap_or((0.0, PostureState::zeros()));
            let scale = 1.0 + self.value(values, Unknown::Scale(row.sensor));
            let mut line = g.fixed_rows::<COORDINATES>(0).transpose() * scale * &held.moves;
            predicted[k] = raw * scale;
            for (j, e) in self.unknowns.iter().enumerate() {
                let slope = match e.what {
                    Unknown::FloorRoll => g[COORDINATES] * scale,
                    Unknown::FloorPitch => g[COORDINATES + 1] * scale,
                    Unknown::Scale(s) if s == row.sensor => raw,
                    Unknown::Zero(s) if s == row.sensor => 1.0,
                    Unknown::Slip { sensor, from } if sensor == row.sensor && step >= from => 1.0,
                    _ => continue,
                };
                if matches!(e.what, Unknown::Zero(_) | Unknown::Slip { .. }) {
                    predicted[k] += values[j];
                }
                line[j] += slope * e.uncertainty;
            }
            jacobian.row_mut(k).copy_from(&line);
        }
        Stood {
            held,
            predicted,
            jacobian,
        }
    }

    /// How a rest without friction moves: by unknowns (per standard uncertainty
    /// before the test), and by units (per newton that pushes the ends apart).
    pub(super) fn moves(&self, model: &Model, rest: &Equilibrium) -> (Moves, Moves) {
        let q = &rest.state;
        let lengths: Vec<_> = model.lengths(q).collect();
        let mut pushes = Moves::zeros(lengths.len());
        for (u, (_, dl)) in lengths.iter().enumerate() {
            pushes.column_mut(u).copy_from(&-dl);
        }
        let compliance = -rest.compliance;
        (
            compliance * self.forces(model, q, &lengths),
            compliance * pushes,
        )
    }

    /// How the forces at a fixed pose change with every unknown but friction, per
    /// standard uncertainty before the test. `lengths` are those of the units, with gradient.
    pub(super) fn forces(&self, model: &Model, q: &State, lengths: &[(f64, State)]) -> Moves {
        let mut forces = Moves::zeros(self.unknowns.len());
        for (j, e) in self.unknowns.iter().enumerate() {
            let mut force = State::zeros();
            match e.what {
                Unknown::Rate(u) => {
                    let (l, dl) = &lengths[u];
                    let unit = &model.units[u];
                    force = -dl * unit.curve.force(unit.compression(*l));
                }
                Unknown::Seat(u) => {
                    let (l, dl) = &lengths[u];
                    force = -dl * model.units[u].spring_rate(*l);
                }
                Unknown::Weight => force = model.force_change(q, Parameter::Mass(0)),
                Unknown::Centre(axis) => force = model.force_change(q, Parameter::MassAt(0, axis)),
                Unknown::BodyMass(b) => {
                    for p in (0..self.places.len())
                        .filter(|&p| self.places[p].body == b && model.masses[p + 1].on)
                    {
                        force += model.force_change(q, Parameter::Mass(p + 1));
                    }
                }
                Unknown::PlaceAt(p, axis) if model.masses[p + 1].on => {
                    force = model.force_change(q, Parameter::MassAt(p + 1, axis));
                }
                Unknown::Tyre(i) => force = model.force_change(q, Parameter::TyreFactor(i)),
                _ => continue,
            }
            forces.column_mut(j).copy_from(&(force * e.uncertainty));
        }
        forces
    }
}

/// The steps in order of time; where two have the same time, by what they are.
fn order(sheet: &BuildSheet, steps: &[Step]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..steps.len()).collect();
    order.sort_by_cached_key(|&i| {
        let step = &steps[i];
        let values: Vec<(usize, u64)> = step
            .readings
            .iter()
            .map(|o| (o.sensor, o.value.to_bits()))
            .collect();
        (step.at, step.words(sheet), step.approach.words(), values)
    });
    order
}

/// Whether any load of a step is one that the model does not know.
pub(super) fn unknown_loads(sheet: &BuildSheet, step: &Step) -> bool {
    step.loads
        .iter()
        .any(|l| matches!(l, Load::Named(i) if *i >= sheet.loads.len()))
}
