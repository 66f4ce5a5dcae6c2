//! What a load test asks for, each with what is known beforehand.

use super::setup::{Body, Place};
use crate::sheet::{BuildSheet, Measurand, Support};
use crate::statics::Model;

/// Standard uncertainty of where a spring's seat is: free length, hardware and
/// mounts together, besides what the sheet says of the collar. Chosen: what a
/// tape and a cut spring leave, about 2 mm; only height against height tells rates.
const SEAT_M: f64 = 0.002;
/// Rate tolerance where the sheet gives none. Common practice, no source:
/// springs are sold within some per cent of their rate.
const RATE_TOLERANCE: f64 = 0.05;
/// Friction along a unit where the sheet gives none, and its standard
/// uncertainty. Chosen: seals and bushings hold some tens of newtons.
const FRICTION_N: f64 = 30.0;
/// Standard uncertainty of friction as a share of what the sheet says, at least 20 N.
const FRICTION_SHARE: f64 = 0.5;
/// The least standard uncertainty of friction, newtons.
const FRICTION_LEAST_N: f64 = 20.0;
/// How much units of one axle differ in friction, as a share of it.
const FRICTION_APART: f64 = 0.2;
/// Standard uncertainty of a slip before anything is known of it, metres or radians.
const SLIP: f64 = 0.05;

/// One thing that is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Unknown {
    /// Rate of unit `i` over its catalogue rate, less one.
    Rate(usize),
    /// How much higher the spring of unit `i` is seated than the sheet says, metres.
    Seat(usize),
    /// Friction along each unit of axle `i` (half-width), newtons.
    Friction(usize),
    /// How much more friction unit `i` has than its axle, newtons.
    FrictionApart(usize),
    /// Sprung weight over the sheet's, kilograms.
    Weight,
    /// Coordinate of the sprung weight's centre against the sheet, metres.
    Centre(usize),
    /// Weight of body `i` against what was said, kilograms.
    BodyMass(usize),
    /// Coordinate (0 x, 1 y) of place `i` against what was said, metres.
    PlaceAt(usize, usize),
    /// Rate of the tyres of axle `i` over the sheet's, less one.
    Tyre(usize),
    /// Roll of the floor, radians.
    FloorRoll,
    /// Pitch of the floor, radians.
    FloorPitch,
    /// Zero of sensor `i`, metres or radians.
    Zero(usize),
    /// Scale of sensor `i`, less one.
    Scale(usize),
    /// How far friction of a unit was off its usual at one stop (step number in
    /// time order), in standard deviations.
    Scatter {
        /// The step.
        step: usize,
        /// The unit.
        unit: usize,
    },
    /// By how much sensor `i` slipped before step number `from` (in time order).
    Slip {
        /// The sensor.
        sensor: usize,
        /// The first step after it.
        from: usize,
    },
}

/// An unknown with its expectation before the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// What.
    pub what: Unknown,
    /// Expected value.
    pub mean: f64,
    /// Standard uncertainty, above zero.
    pub uncertainty: f64,
}

/// All unknowns, in a fixed order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Unknowns {
    list: Vec<Expected>,
}

impl Unknowns {
    /// From the sheet and what is put on the vehicle.
    pub(super) fn of(sheet: &BuildSheet, model: &Model, bodies: &[Body], places: &[Place]) -> Self {
        let mut all = Self::default();
        for (i, unit) in model.units.iter().enumerate() {
            let typed = sheet.unit(&unit.name);
            let tolerance = typed.map_or(0.0, |t| t.spring.rate_uncertainty);
            let tolerance = if tolerance > 0.0 {
                tolerance
            } else {
                RATE_TOLERANCE
            };
            all.add(Unknown::Rate(i), 0.0, tolerance);
            let collar = typed.map_or(0.0, |t| t.collar.uncertainty.m());
            all.add(Unknown::Seat(i), 0.0, collar.hypot(SEAT_M));
        }
        for axle in 0..sheet.axles.len() {
            let units: Vec<usize> = (0..model.units.len())
                .filter(|&u| model.units[u].axle == axle)
                .collect();
            if units.is_empty() {
                continue;
            }
            let said = units
                .iter()
                .filter_map(|&u| sheet.unit(&model.units[u].name))
                .map(|t| t.friction.n())
                .sum::<f64>()
                / units.len() as f64;
            let mean = if said > 0.0 { said } else { FRICTION_N };
            all.add(
                Unknown::Friction(axle),
                mean,
                (mean * FRICTION_SHARE).max(FRICTION_LEAST_N),
            );
            for u in units {
                all.add(Unknown::FrictionApart(u), 0.0, mean * FRICTION_APART);
            }
        }
        all.add(Unknown::Weight, 0.0, sheet.sprung.mass_uncertainty.kg());
        for axis in 0..3 {
            all.add(
                Unknown::Centre(axis),
                0.0,
                sheet.sprung.centre_uncertainty.m(),
            );
        }
        for (i, axle) in sheet.axles.iter().enumerate() {
            if let Support::Tyres(tyre) = &axle.support {
                all.add(Unknown::Tyre(i), 0.0, tyre.rate_uncertainty);
            }
        }
        for (i, body) in bodies.iter().enumerate() {
            all.add(Unknown::BodyMass(i), 0.0, body.mass_uncertainty_kg);
        }
        for (i, place) in places.iter().enumerate() {
            for axis in 0..2 {
                all.add(Unknown::PlaceAt(i, axis), 0.0, place.uncertainty_m);
            }
        }
        let slope = sheet.floor.slope_uncertainty.rad();
        all.add(Unknown::FloorRoll, sheet.floor.roll.rad(), slope);
        all.add(Unknown::FloorPitch, sheet.floor.pitch.rad(), slope);
        for (i, sensor) in sheet.sensors.iter().enumerate() {
            // The beam meets the same spot of the floor in every step.
            let spot = match sensor.reads {
                Measurand::FrameToFloor { .. } => sheet.floor.flatness.m(),
                _ => 0.0,
            };
            all.add(Unknown::Zero(i), 0.0, sensor.zero_uncertainty.hypot(spot));
            all.add(Unknown::Scale(i), 0.0, sensor.scale_uncertainty);
        }
        all
    }

    /// One more, where it is uncertain at all.
    pub(super) fn add(&mut self, what: Unknown, mean: f64, uncertainty: f64) {
        if uncertainty > 0.0 {
            self.list.push(Expected {
                what,
                mean,
                uncertainty,
            });
        }
    }

    /// One more: a sensor that slipped.
    pub(super) fn add_slip(&mut self, sensor: usize, from: usize) {
        self.add(Unknown::Slip { sensor, from }, 0.0, SLIP);
    }

    /// Makes the expectation of one of them `factor` times as wide.
    pub(super) fn widen(&mut self, what: Unknown, factor: f64) {
        for e in self.list.iter_mut().filter(|e| e.what == what) {
            e.uncertainty *= factor;
        }
    }

    /// Some of them, in their order.
    pub(super) fn only(&self, indices: &[usize]) -> Self {
        Self {
            list: indices
                .iter()
                .filter_map(|&i| self.list.get(i).copied())
                .collect(),
        }
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.list.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// In their order.
    pub fn iter(&self) -> impl Iterator<Item = &Expected> {
        self.list.iter()
    }

    /// Where an unknown is in the order.
    pub fn find(&self, what: Unknown) -> Option<usize> {
        self.list.iter().position(|e| e.what == what)
    }

    /// One of them.
    pub fn get(&self, index: usize) -> Option<&Expected> {
        self.list.get(index)
    }
}
