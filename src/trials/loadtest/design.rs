//! What steps that are not made yet would tell.
//!
//! # Method
//! At the values expected now, every step adds J' R^-1 J to the information on
//! the unknowns (J the exact derivatives of the full model's readings, R noise
//! and scatter of friction); the inverse of the sum is the covariance that the
//! test will leave, whatever is read.

use super::finding::Key;
use super::holding::came_up;
use super::search::stand_all;
use super::setup::{Ready, Row, Setup, Stood};
use super::{Approach, Load};
use crate::posture::{PostureState, predict};
use crate::quantity::Moment;
use crate::sheet::Measurand;
use crate::statics::{Equilibrium, StaticsError};
use nalgebra::{DMatrix, DVector};

/// Noise of a still reading (its standard uncertainty without zero and scale).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Of inclinometers, radians.
    pub tilt_rad: f64,
    /// Of distances, metres.
    pub distance_m: f64,
}

impl Default for Noise {
    /// Chosen: what cheap modules leave after some seconds of averaging, 0.02
    /// degrees and half a millimetre.
    fn default() -> Self {
        Self {
            tilt_rad: 0.02_f64.to_radians(),
            distance_m: 0.5e-3,
        }
    }
}

impl Noise {
    /// Of a sensor.
    pub const fn of(self, reads: &Measurand) -> f64 {
        match reads {
            Measurand::Tilt { .. } => self.tilt_rad,
            Measurand::FrameToFloor { .. } | Measurand::FrameToAxle { .. } => self.distance_m,
        }
    }
}

/// Something on and off again, with a reading at each stop.
#[derive(Debug, Clone, PartialEq)]
pub struct Visit {
    /// What it is called.
    pub name: String,
    /// What is on at each stop, and how it is reached.
    pub stops: Vec<(Vec<Load>, Approach)>,
}

/// A visit with what it adds, at the values expected now.
#[derive(Debug, Clone)]
pub(super) struct Weighed {
    pub(super) visit: Visit,
    pub(super) information: Result<DMatrix<f64>, StaticsError>,
    /// Largest change of a height over an axle, metres.
    pub(super) moves_m: f64,
    /// Largest change of a reading, in its noise.
    pub(super) noises: f64,
}

/// Visits weighed over common unknowns.
#[derive(Debug, Clone)]
pub(super) struct Design<'a> {
    pub(super) setup: Setup<'a>,
    /// What is known before any of them.
    pub(super) known: DMatrix<f64>,
    pub(super) visits: Vec<Weighed>,
}

impl<'a> Design<'a> {
    /// `setup` without steps, where its unknowns are now, and how well they are known.
    pub(super) fn new(
        mut setup: Setup<'a>,
        z: &DVector<f64>,
        covariance: &DMatrix<f64>,
        visits: &[Visit],
        noise: Noise,
    ) -> Result<Self, StaticsError> {
        setup.steps.clear();
        let rows: Vec<Row> = (0..setup.sheet.sensors.len())
            .filter(|&i| {
                predict(
                    &setup.base,
                    &setup.sheet.sensors[i].reads,
                    &PostureState::zeros(),
                )
                .is_some()
            })
            .map(|sensor| Row {
                sensor,
                value: 0.0,
                noise: noise.of(&setup.sheet.sensors[sensor].reads),
            })
            .collect();
        let mut stops: Vec<Vec<Ready>> = Vec::new();
        for visit in visits {
            let stop = |(loads, approach): &(Vec<Load>, Approach)| {
                let placed: Vec<_> = loads.iter().filter_map(|l| l.placed(setup.sheet)).collect();
                let mut on: Vec<usize> = placed
                    .iter()
                    .map(|l| setup.place_with_unknowns(l))
                    .collect();
                on.sort_unstable();
                Ready {
                    given: 0,
                    at: Moment::default(),
                    on,
                    approach: *approach,
                    rows: rows.clone(),
                }
            };
            stops.push(visit.stops.iter().map(stop).collect());
        }
        let (before, p) = (z.len(), setup.unknowns.len());
        let mut known = DMatrix::identity(p, p);
        if let Some(inverse) = covariance.clone().cholesky().map(|c| c.inverse()) {
            known.view_mut((0, 0), (before, before)).copy_from(&inverse);
        }
        let z = DVector::from_fn(p, |i, _| if i < before { z[i] } else { 0.0 });
        let values = setup.values(&z);
        let mut model = setup.model(&values);
        setup.load(&mut model, &[]);
        let bare = model.equilibrium()?;
        let mut design = Self {
            setup,
            known,
            visits: Vec::new(),
        };
        for (visit, stops) in visits.iter().zip(stops) {
            design.weigh(&z, visit, stops, &bare);
        }
        Ok(design)
    }

    /// One visit, coming from the bare vehicle after something went off it.
    fn weigh(&mut self, z: &DVector<f64>, visit: &Visit, stops: Vec<Ready>, bare: &Equilibrium) {
        let p = self.setup.unknowns.len();
        let mut weighed = Weighed {
            visit: visit.clone(),
            information: Ok(DMatrix::zeros(p, p)),
            moves_m: 0.0,
            noises: 0.0,
        };
        match self.stood(z, stops, bare) {
            Ok(parts) => {
                for (stood, rows, free) in &parts.stops {
                    for (k, row) in rows.iter().enumerate() {
                        let change = (stood.predicted[k] - parts.bare[k]).abs() / row.noise;
                        weighed.noises = weighed.noises.max(change);
                    }
                    for axle in &self.setup.sheet.axles {
                        let at = [axle.x.m(), 0.0, 0.0];
                        let change = free.frame().height(at) - bare.frame().height(at);
                        weighed.moves_m = weighed.moves_m.max(change.abs());
                    }
                }
                weighed.information = Ok(parts.information(p));
            }
            Err(why) => weighed.information = Err(why),
        }
        self.visits.push(weighed);
    }

    fn stood(
        &self,
        z: &DVector<f64>,
        stops: Vec<Ready>,
        bare: &Equilibrium,
    ) -> Result<Parts, StaticsError> {
        let mut setup = self.setup.clone();
        // The bare vehicle itself, for comparison, is the last.
        let last = Ready {
            on: Vec::new(),
            approach: Approach::Bounced,
            ..stops[0].clone()
        };
        setup.steps = stops;
        setup.steps.push(last);
        setup.add_scatter();
        let all = DVector::from_fn(
            setup.unknowns.len(),
            |i, _| if i < z.len() { z[i] } else { 0.0 },
        );
        let values = setup.values(&all);
        let mut model = setup.model(&values);
        let mut near = Vec::with_capacity(setup.steps.len());
        let mut free = Vec::with_capacity(setup.steps.len());
        for step in &setup.steps {
            setup.load(&mut model, &step.on);
            let rest = model.equilibrium_from(&bare.state)?;
            near.push(rest.state);
            free.push(rest);
        }
        setup.load(&mut model, &[]);
        let first = came_up(&setup, &mut model, &values, &bare.state)?;
        let told = !matches!(
            setup.steps[0].approach,
            Approach::Loading | Approach::Unloading
        );
        let takes_part = vec![true; near.len()];
        let stood = stand_all(&setup, &all, &near, &takes_part, (!told).then_some(&first))?;
        let mut stops: Vec<(Stood, Vec<Row>, Equilibrium)> = stood
            .into_iter()
            .zip(&setup.steps)
            .zip(free)
            .filter_map(|((s, r), f)| Some((s?, r.rows.clone(), f)))
            .collect();
        let bare = stops
            .pop()
            .map_or_else(|| DVector::zeros(0), |(s, ..)| s.predicted);
        Ok(Parts { stops, bare })
    }

    /// Standard uncertainties of quantities with these visits made (each as often as named).
    pub(super) fn expect(&self, made: &[usize], keys: &[Key]) -> Vec<f64> {
        let mut normal = self.known.clone();
        for &v in made {
            if let Ok(information) = &self.visits[v].information {
                normal += information;
            }
        }
        let Some(cholesky) = normal.cholesky() else {
            return vec![f64::NAN; keys.len()];
        };
        keys.iter()
            .map(|k| {
                let weights = k.parts(&self.setup).1;
                weights.dot(&cholesky.solve(&weights)).max(0.0).sqrt()
            })
            .collect()
    }
}

/// The stops of a visit at rest.
struct Parts {
    stops: Vec<(Stood, Vec<Row>, Equilibrium)>,
    bare: DVector<f64>,
}

impl Parts {
    /// J' R^-1 J over the first `p` unknowns; what comes after them (the scatter
    /// of friction in this visit) goes into R.
    fn information(&self, p: usize) -> DMatrix<f64> {
        let n = self.stops.iter().map(|(_, rows, _)| rows.len()).sum();
        let columns = self.stops.first().map_or(p, |(s, ..)| s.jacobian.ncols());
        let mut jacobian = DMatrix::zeros(n, columns);
        let mut at = 0;
        for (stood, rows, _) in &self.stops {
            for (k, row) in rows.iter().enumerate() {
                jacobian
                    .row_mut(at)
                    .copy_from(&(stood.jacobian.row(k) / row.noise));
                at += 1;
            }
        }
        let scatter = jacobian.columns(p, columns - p);
        let r = DMatrix::identity(n, n) + scatter * scatter.transpose();
        let own = jacobian.columns(0, p).into_owned();
        r.cholesky()
            .map_or_else(|| DMatrix::zeros(p, p), |c| own.tr_mul(&c.solve(&own)))
    }
}
