//! What is known of the vehicle: everything that the sheet is unsure of, as far
//! as all readings so far tell.
//!
//! In: the sheet with its uncertainties, parameters identified elsewhere, and
//! still readings, each with the loads and the set-up it was taken with. Out: the
//! most likely values with their covariance, and for any set-up and load case a
//! [`Standing`]: where it will rest, and how sure that is. Refused: a load case
//! that has no equilibrium.
//!
//! # Method
//! 1. Unknowns: spring rates (one for each unit and spring), collar readings,
//!    tyres, weights and their places; for every coordinate of the pose what no
//!    parameter explains (a tape's error); the floor's slope; every sensor's zero.
//!    The prior is what the sheet says, independent but for what was identified
//!    together.
//! 2. A reading is predicted through a new equilibrium. Its noise is the sensor's
//!    own and that of the springs' friction, which holds anew each time the vehicle
//!    comes to rest and moves all sensors of that reading together.
//! 3. All readings are fitted together (Gauss-Newton from the sheet's values), so
//!    that their order cannot matter: the sum of the normal equations is the same.

use super::setup::Setup;
use crate::geometry::{COORDINATES, State};
use crate::posture::{PostureState, QuantityKey, predict};
use crate::sheet::{BuildSheet, Measurand};
use crate::statics::{Equilibrium, Model, Parameter, StaticsError};
use nalgebra::{DMatrix, DVector};

/// What no parameter explains of a height, metres: mounts measured with a tape.
const TAPE_M: f64 = 0.003;
/// The same for angles, radians (3 mm over 0.75 m).
const TAPE_RAD: f64 = 0.004;
/// Heights of blocks and stands.
const HELD: f64 = 0.000_5;
const STEPS: usize = 6;

/// Something that is not known exactly. Values are shifts from what the sheet says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Unknown {
    /// Factor on the force of a spring on a unit; `spring` as in a setting.
    Rate {
        /// Index of the unit.
        unit: usize,
        /// Which spring.
        spring: Option<usize>,
    },
    /// Another parameter of the model.
    Model(Parameter),
    /// A coordinate of the pose, beside what parameters explain.
    Pose(usize),
    /// Roll (0) and pitch (1) of the floor, radians.
    Floor(usize),
    /// Zero of a sensor, with the floor's unevenness under it.
    Zero(usize),
}

/// What a sensor said, zero and sign put right. Radians or metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Index of the sensor in the sheet.
    pub sensor: usize,
    /// The value.
    pub value: f64,
    /// Standard uncertainty from noise alone.
    pub noise: f64,
}

/// A still reading with what it was taken of.
#[derive(Debug, Clone, PartialEq)]
pub struct StillReading {
    /// Loads that were on.
    pub loads: Vec<usize>,
    /// How the vehicle was set.
    pub setup: Setup,
    /// What the sensors said.
    pub seen: Vec<Seen>,
}

/// Parameters identified by a test, as shifts from what the sheet says.
#[derive(Debug, Clone, PartialEq)]
pub struct Identified {
    /// Which.
    pub parameters: Vec<Parameter>,
    /// By how much they differ from the sheet.
    pub values: DVector<f64>,
    /// How sure that is.
    pub covariance: DMatrix<f64>,
}

/// What is known of the vehicle.
#[derive(Debug, Clone)]
pub struct Belief<'s> {
    pub(super) sheet: &'s BuildSheet,
    /// Everything unknown.
    pub unknowns: Vec<Unknown>,
    /// Most likely shifts from the sheet.
    pub mean: DVector<f64>,
    /// Their covariance.
    pub covariance: DMatrix<f64>,
    prior_mean: DVector<f64>,
    prior: DMatrix<f64>,
    readings: Vec<StillReading>,
}

/// Where a set-up will rest in a load case.
#[derive(Debug, Clone)]
pub struct Standing {
    /// The model as believed.
    pub model: Model,
    /// Where it rests.
    pub rest: Equilibrium,
    /// The posture state expected: the rest, what no parameter explains, the floor.
    pub state: PostureState,
    /// How the posture state moves with each unknown.
    columns: Vec<PostureState>,
    /// How it moves with one standard uncertainty of each unit's friction.
    friction: Vec<State>,
}

impl Unknown {
    /// The parameter of the model that it is, with a set-up on.
    fn parameter(self, setup: &Setup) -> Option<Parameter> {
        match self {
            Self::Rate { unit, spring } => {
                (setup.0.get(unit)?.spring == spring).then_some(Parameter::RateFactor(unit))
            }
            Self::Model(parameter) => Some(parameter),
            _ => None,
        }
    }
}

impl<'s> Belief<'s> {
    /// What the sheet and the identified parameters say, before any reading.
    pub fn new(sheet: &'s BuildSheet, identified: Option<&Identified>) -> Self {
        let every: Vec<usize> = (0..sheet.loads.len()).collect();
        let model = Model::new(sheet, &every);
        let mut list: Vec<(Unknown, f64)> = Vec::new();
        for doubt in model.doubts(sheet) {
            match doubt.parameter {
                Parameter::Push(_) => {}
                Parameter::RateFactor(unit) => {
                    list.push((Unknown::Rate { unit, spring: None }, doubt.by));
                }
                other => list.push((Unknown::Model(other), doubt.by)),
            }
        }
        for unit in 0..model.units.len() {
            for (i, spring) in sheet.shelf.iter().enumerate() {
                let spring_u = spring.spring.rate_uncertainty;
                list.push((
                    Unknown::Rate {
                        unit,
                        spring: Some(i),
                    },
                    spring_u,
                ));
            }
        }
        for i in 0..COORDINATES {
            let own = match (model.held(i), model.turns(i)) {
                (true, _) => HELD,
                (false, true) => TAPE_RAD,
                (false, false) => TAPE_M,
            };
            list.push((Unknown::Pose(i), own));
        }
        for axis in 0..2 {
            list.push((
                Unknown::Floor(axis),
                sheet.floor.slope_uncertainty.rad().max(1e-6),
            ));
        }
        for (i, sensor) in sheet.sensors.iter().enumerate() {
            // A wrong scale acts like a wrong zero as long as the distance stays about the same.
            let scale = sensor.scale_uncertainty;
            let spot = match &sensor.reads {
                Measurand::FrameToFloor { from } => {
                    let about = sheet.design_height.m() + from.m()[2];
                    sheet.floor.flatness.m().hypot(scale * about)
                }
                Measurand::FrameToAxle { .. } => scale * sheet.design_height.m(),
                Measurand::Tilt { .. } => 0.0,
            };
            list.push((Unknown::Zero(i), sensor.zero_uncertainty.hypot(spot)));
        }
        list.retain(|(_, by)| *by > 0.0);
        let unknowns: Vec<Unknown> = list.iter().map(|(u, _)| *u).collect();
        let n = unknowns.len();
        let mut prior_mean = DVector::zeros(n);
        let mut prior = DMatrix::from_fn(n, n, |i, j| if i == j { list[i].1.powi(2) } else { 0.0 });
        if let Some(known) = identified {
            let at: Vec<Option<usize>> = known
                .parameters
                .iter()
                .map(|p| {
                    let meant = match *p {
                        Parameter::RateFactor(unit) => Unknown::Rate { unit, spring: None },
                        other => Unknown::Model(other),
                    };
                    unknowns.iter().position(|u| *u == meant)
                })
                .collect();
            for (i, row) in at.iter().enumerate() {
                let Some(row) = *row else { continue };
                prior_mean[row] = known.values[i];
                for (j, column) in at.iter().enumerate() {
                    if let Some(column) = *column {
                        prior[(row, column)] = known.covariance[(i, j)];
                    }
                }
            }
        }
        Self {
            sheet,
            unknowns,
            mean: prior_mean.clone(),
            covariance: prior.clone(),
            prior_mean,
            prior,
            readings: Vec::new(),
        }
    }

    /// The readings taken in so far.
    pub fn readings(&self) -> &[StillReading] {
        &self.readings
    }

    /// The value believed of an unknown, and its standard uncertainty.
    pub fn of(&self, unknown: Unknown) -> Option<(f64, f64)> {
        let i = self.unknowns.iter().position(|u| *u == unknown)?;
        Some((self.mean[i], self.covariance[(i, i)].max(0.0).sqrt()))
    }

    /// Standard uncertainty that an unknown had before any reading.
    pub fn before(&self, i: usize) -> f64 {
        self.prior[(i, i)].sqrt()
    }

    /// Takes in more readings; all readings are weighed together anew.
    ///
    /// # Errors
    /// Where one of the readings' load cases has no equilibrium.
    pub fn learn(&mut self, more: &[StillReading]) -> Result<(), StaticsError> {
        self.readings.extend(more.iter().cloned());
        let result = self.fit();
        if result.is_err() {
            self.readings.truncate(self.readings.len() - more.len());
        }
        result
    }

    fn fit(&mut self) -> Result<(), StaticsError> {
        let n = self.unknowns.len();
        let Some(inverse) = self.prior.clone().cholesky().map(|c| c.inverse()) else {
            return Ok(());
        };
        let mut mean = self.prior_mean.clone();
        for _ in 0..STEPS {
            let mut information = inverse.clone();
            let mut pull = &inverse * (&self.prior_mean - &mean);
            for reading in &self.readings {
                let standing = self.standing_at(&mean, &reading.setup, &reading.loads)?;
                let (rows, off, noise) = self.rows(&standing, &mean, &reading.seen);
                let Some(weight) = noise.cholesky() else {
                    continue;
                };
                let weighed = weight.solve(&rows);
                information += rows.transpose() * &weighed;
                pull += weighed.transpose() * off;
            }
            let Some(cholesky) = information.cholesky() else {
                break;
            };
            let step = cholesky.solve(&pull);
            mean += &step;
            self.covariance = cholesky.inverse();
            let small = (0..n).all(|i| step[i].abs() <= 1e-6 * self.before(i));
            if small {
                break;
            }
        }
        self.mean = mean;
        Ok(())
    }

    /// Derivatives, deviations and noise of what sensors said of a standing.
    fn rows(
        &self,
        standing: &Standing,
        mean: &DVector<f64>,
        seen: &[Seen],
    ) -> (DMatrix<f64>, DVector<f64>, DMatrix<f64>) {
        let used: Vec<(Seen, f64, PostureState)> = seen
            .iter()
            .filter_map(|s| {
                let (h, g) = predicted(standing, &self.sheet.sensors.get(s.sensor)?.reads)?;
                Some((*s, h, g))
            })
            .collect();
        let mut rows = DMatrix::zeros(used.len(), self.unknowns.len());
        let mut off = DVector::zeros(used.len());
        let mut noise = DMatrix::zeros(used.len(), used.len());
        for (r, (s, h, g)) in used.iter().enumerate() {
            let mut zero = 0.0;
            for (j, unknown) in self.unknowns.iter().enumerate() {
                rows[(r, j)] = if *unknown == Unknown::Zero(s.sensor) {
                    zero = mean[j];
                    1.0
                } else {
                    g.dot(&standing.columns[j])
                };
            }
            off[r] = s.value - h - zero;
            for (c, (_, _, other)) in used.iter().enumerate() {
                noise[(r, c)] = standing.rubbing(g, other);
            }
            noise[(r, r)] += s.noise.powi(2).max(1e-12);
        }
        (rows, off, noise)
    }

    /// What sensors should say of a set-up in a load case: their values and the
    /// covariance of one reading of them, zeros and friction included.
    ///
    /// # Errors
    /// Where the case has no equilibrium.
    pub fn readings_due(
        &self,
        setup: &Setup,
        loads: &[usize],
        sensors: &[(usize, f64)],
    ) -> Result<(DVector<f64>, DMatrix<f64>), StaticsError> {
        let standing = self.standing(setup, loads)?;
        let seen: Vec<Seen> = sensors
            .iter()
            .map(|&(sensor, noise)| Seen {
                sensor,
                value: 0.0,
                noise,
            })
            .collect();
        let (rows, off, noise) = self.rows(&standing, &self.mean, &seen);
        Ok((-off, &rows * &self.covariance * rows.transpose() + noise))
    }

    /// A model as believed.
    pub fn model(&self, setup: &Setup, loads: &[usize]) -> Model {
        self.model_at(&self.mean, setup, loads)
    }

    fn model_at(&self, mean: &DVector<f64>, setup: &Setup, loads: &[usize]) -> Model {
        let mut model = Model::new(self.sheet, loads);
        setup.put_on(self.sheet, &mut model);
        for (unknown, &by) in self.unknowns.iter().zip(mean.iter()) {
            if let Some(parameter) = unknown.parameter(setup) {
                parameter.shift(&mut model, by);
            }
        }
        model
    }

    /// What is added to the rest of the model: unexplained pose, floor.
    pub(super) fn offset(&self) -> PostureState {
        self.offset_at(&self.mean)
    }

    fn offset_at(&self, mean: &DVector<f64>) -> PostureState {
        let mut offset = PostureState::zeros();
        offset[COORDINATES] = self.sheet.floor.roll.rad();
        offset[COORDINATES + 1] = self.sheet.floor.pitch.rad();
        for (unknown, &by) in self.unknowns.iter().zip(mean.iter()) {
            match *unknown {
                Unknown::Pose(i) => offset[i] += by,
                Unknown::Floor(i) => offset[COORDINATES + i] += by,
                _ => {}
            }
        }
        offset
    }

    /// Where a set-up will rest with these loads on.
    ///
    /// # Errors
    /// Where it has no equilibrium.
    pub fn standing(&self, setup: &Setup, loads: &[usize]) -> Result<Standing, StaticsError> {
        self.standing_at(&self.mean, setup, loads)
    }

    fn standing_at(
        &self,
        mean: &DVector<f64>,
        setup: &Setup,
        loads: &[usize],
    ) -> Result<Standing, StaticsError> {
        let model = self.model_at(mean, setup, loads);
        let rest = model.equilibrium()?;
        let mut state = self.offset_at(mean);
        let mut part = state.fixed_rows_mut::<COORDINATES>(0);
        part += rest.state;
        let column = |unknown: &Unknown| {
            let mut column = PostureState::zeros();
            match *unknown {
                Unknown::Pose(i) => column[i] = 1.0,
                Unknown::Floor(i) => column[COORDINATES + i] = 1.0,
                _ => {
                    let parameter = unknown.parameter(setup).filter(|p| matters(&model, *p));
                    if let Some(parameter) = parameter {
                        column
                            .fixed_rows_mut::<COORDINATES>(0)
                            .copy_from(&rest.response(&model, parameter));
                    }
                }
            }
            column
        };
        let columns = self.unknowns.iter().map(column).collect();
        let friction = (0..model.units.len())
            .filter_map(|i| {
                let typed = self.sheet.unit(&model.units[i].name)?;
                let by = typed.friction.n() / 3.0_f64.sqrt();
                Some(rest.response(&model, Parameter::Push(i)) * by)
            })
            .collect();
        Ok(Standing {
            model,
            rest,
            state,
            columns,
            friction,
        })
    }

    /// Values and joint covariance of quantities of several standings.
    pub fn spread(&self, of: &[(&Standing, QuantityKey)]) -> (DVector<f64>, DMatrix<f64>) {
        let n = self.unknowns.len();
        let mut rows = DMatrix::zeros(of.len(), n);
        let mut values = DVector::zeros(of.len());
        let mut gradients = Vec::with_capacity(of.len());
        for (r, (standing, key)) in of.iter().enumerate() {
            let (value, g) = key.with_gradient(self.sheet, &standing.model, &standing.state);
            values[r] = value;
            for (j, column) in standing.columns.iter().enumerate() {
                rows[(r, j)] = g.dot(column);
            }
            gradients.push(g);
        }
        let mut covariance = &rows * &self.covariance * rows.transpose();
        for i in 0..of.len() {
            for j in 0..of.len() {
                if std::ptr::eq(of[i].0, of[j].0) {
                    covariance[(i, j)] += of[i].0.rubbing(&gradients[i], &gradients[j]);
                }
            }
        }
        (values, covariance)
    }

    /// Which unknown, were it known exactly, would take most of a quantity's
    /// variance away, and the standard uncertainty that would be left.
    pub fn decider(&self, standing: &Standing, key: QuantityKey) -> Option<(Unknown, f64)> {
        let (_, g) = key.with_gradient(self.sheet, &standing.model, &standing.state);
        let row = DVector::from_iterator(
            self.unknowns.len(),
            standing.columns.iter().map(|c| g.dot(c)),
        );
        let along = &self.covariance * &row;
        let all = row.dot(&along) + standing.rubbing(&g, &g);
        let taken = |i: usize| along[i].powi(2) / self.covariance[(i, i)].max(1e-300);
        let best = (0..self.unknowns.len()).max_by(|&a, &b| taken(a).total_cmp(&taken(b)))?;
        Some((self.unknowns[best], (all - taken(best)).max(0.0).sqrt()))
    }
}

impl Standing {
    /// Shared variance of two quantities from friction.
    fn rubbing(&self, a: &PostureState, b: &PostureState) -> f64 {
        let along = |g: &PostureState, f: &State| g.fixed_rows::<COORDINATES>(0).dot(f);
        self.friction
            .iter()
            .map(|f| along(a, f) * along(b, f))
            .sum()
    }
}

/// A load that is off moves nothing.
fn matters(model: &Model, parameter: Parameter) -> bool {
    match parameter {
        Parameter::Mass(i) | Parameter::MassAt(i, _) => model.masses.get(i).is_some_and(|m| m.on),
        _ => true,
    }
}

fn predicted(standing: &Standing, reads: &Measurand) -> Option<(f64, PostureState)> {
    predict(&standing.model, reads, &standing.state)?;
    Some(num_dual::gradient(
        |x| {
            predict(&standing.model, reads, &x)
                .unwrap_or_else(|| crate::posture::PostureDual::from_re(0.0))
        },
        &standing.state,
    ))
}
