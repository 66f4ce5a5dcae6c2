//! What steps that are not made yet would tell.
//!
//! # Method
//! At the values expected now, every step adds J' R^-1 J to the information on
//! the unknowns (J the exact derivatives of the full model's readings, R noise
//! and scatter of friction); the inverse of the sum is the covariance that the
//! test will leave, whatever is read.

use super::finding::Key;
use super::holding::{Hold, SCATTER, carried};
use super::search::lower_factor;
use super::setup::{Ready, Row, Setup};
use super::{Approach, Load};
use crate::posture::{PostureState, predict};
use crate::quantity::Moment;
use crate::sheet::Measurand;
use crate::statics::StaticsError;
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
        Self { tilt_rad: 0.02_f64.to_radians(), distance_m: 0.5e-3 }
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
        let sensors: Vec<usize> = (0..setup.sheet.sensors.len())
            .filter(|&i| predict(&setup.base, &setup.sheet.sensors[i].reads, &PostureState::zeros()).is_some())
            .collect();
        let mut stops = Vec::new();
        for (v, visit) in visits.iter().enumerate() {
            for (loads, approach) in &visit.stops {
                let mut on: Vec<usize> = loads
                    .iter()
                    .filter_map(|l| l.placed(setup.sheet))
                    .map(|l| setup.place_with_unknowns(&l))
                    .collect();
                on.sort_unstable();
                let rows = sensors
                    .iter()
                    .map(|&sensor| Row { sensor, value: 0.0, noise: noise.of(&setup.sheet.sensors[sensor].reads) })
                    .collect();
                let ready = Ready { given: stops.len(), at: Moment::default(), on, approach: *approach, rows };
                stops.push(v);
                setup.steps.push(ready);
            }
        }
        let (before, p) = (z.len(), setup.unknowns.len());
        let mut known = DMatrix::identity(p, p);
        if let Some(inverse) = covariance.clone().cholesky().map(|c| c.inverse()) {
            known.view_mut((0, 0), (before, before)).copy_from(&inverse);
        }
        let z = DVector::from_fn(p, |i, _| if i < before { z[i] } else { 0.0 });
        let mut design = Self { setup, known, visits: Vec::new() };
        design.weigh(&z, visits, &stops)?;
        Ok(design)
    }

    fn weigh(&mut self, z: &DVector<f64>, visits: &[Visit], of: &[usize]) -> Result<(), StaticsError> {
        let setup = &self.setup;
        let values = setup.values(z);
        let friction = setup.friction(&values);
        let units = setup.base.units.len();
        let mut model = setup.model(&values);
        let middle = Hold::all(units, 0.0, SCATTER);
        setup.load(&mut model, &[]);
        let rest = model.equilibrium()?;
        let pose = model.pose(&rest.state);
        let bare_axial: Vec<f64> = model.units.iter().map(|u| u.spring_force(u.length(&pose))).collect();
        let p = setup.unknowns.len();
        let mut weighed: Vec<Weighed> = visits
            .iter()
            .map(|v| Weighed { visit: v.clone(), information: Ok(DMatrix::zeros(p, p)), moves_m: 0.0, noises: 0.0 })
            .collect();
        let bare_step = Ready { given: 0, at: Moment::default(), on: Vec::new(), approach: Approach::Bounced, rows: setup.steps.first().map_or_else(Vec::new, |s| s.rows.clone()) };
        let mut with_bare = setup.clone();
        with_bare.steps.push(bare_step);
        let bare = with_bare.stand(&mut model, with_bare.steps.len() - 1, &values, &middle.share, &rest.state)?;
        for (s, &v) in of.iter().enumerate() {
            let free = setup.stand(&mut model, s, &values, &middle.share, &rest.state);
            let step = free.and_then(|free| {
                let hold = self.hold(s, &free.axial, &bare_axial, &friction);
                let stood = setup.stand(&mut model, s, &values, &hold.share, &free.rest.state)?;
                Ok((free, stood, hold))
            });
            match step {
                Ok((free, stood, hold)) => {
                    for (k, row) in setup.steps[s].rows.iter().enumerate() {
                        let change = (free.predicted[k] - bare.predicted[k]).abs() / row.noise;
                        weighed[v].noises = weighed[v].noises.max(change);
                    }
                    for axle in &setup.sheet.axles {
                        let at = [axle.x.m(), 0.0, 0.0];
                        let change = free.rest.frame().height(at) - rest.frame().height(at);
                        weighed[v].moves_m = weighed[v].moves_m.max(change.abs());
                    }
                    if let (Ok(sum), Some(unmix)) =
                        (&mut weighed[v].information, lower_factor(setup, s, &stood, &hold, &friction))
                    {
                        let j = unmix * &stood.jacobian;
                        *sum += j.tr_mul(&j);
                    }
                }
                Err(why) => weighed[v].information = Err(why),
            }
        }
        self.visits = weighed;
        Ok(())
    }

    /// How friction will hold: going down from bare by what comes on; coming up, low everywhere.
    fn hold(&self, step: usize, axial: &[f64], bare: &[f64], friction: &[f64]) -> Hold {
        let units = axial.len();
        let ready = &self.setup.steps[step];
        let mut hold = Hold::told(units, ready.approach);
        match ready.approach {
            Approach::Loading if !ready.on.is_empty() => {
                for u in (0..units).filter(|&u| friction[u] > 0.0) {
                    (hold.share[u], hold.spread[u]) = carried(-1.0, SCATTER, (axial[u] - bare[u]) / friction[u]);
                }
            }
            Approach::Unloading if ready.on.is_empty() => hold = Hold::all(units, -1.0, SCATTER),
            _ => {}
        }
        hold
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
