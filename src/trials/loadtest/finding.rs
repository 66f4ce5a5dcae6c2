//! The quantities that a load test tells, each with and without what was known before.

use super::setup::Setup;
use super::unknowns::Unknown;
use crate::sheet::{BuildSheet, Side};
use crate::statics::Model;
use nalgebra::{DMatrix, DVector};

/// Which quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Key {
    /// Mean rate of the springs of axle `i` over the catalogue.
    AxleRate(usize),
    /// Rate factor of the left less that of the right side of axle `i`.
    SideRate(usize),
    /// Rate of the spring of unit `i` over the catalogue.
    UnitRate(usize),
    /// Sprung weight, kilograms.
    Weight,
    /// Coordinate (0 x, 1 y, 2 z) of its centre, metres.
    Centre(usize),
    /// Friction along each unit of axle `i` (half-width of its band), newtons.
    Friction(usize),
    /// Rate of the tyres of axle `i` over the sheet's.
    Tyre(usize),
    /// How much higher the spring of unit `i` is seated than the sheet says, metres.
    Seat(usize),
    /// Roll of the floor, radians.
    FloorRoll,
    /// Pitch of the floor, radians.
    FloorPitch,
}

/// A value with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value, SI.
    pub value: f64,
    /// Standard uncertainty.
    pub uncertainty: f64,
}

/// What is known of a quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finding {
    /// Which.
    pub key: Key,
    /// From the test and what was known before, together.
    pub value: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
    /// What was known before.
    pub before: Estimate,
    /// What the test alone says of it (all other quantities keeping what was
    /// known of them); none where the test says next to nothing.
    pub alone: Option<Estimate>,
    /// Share of its variance that the test took away, 0 to 1.
    pub told: f64,
}

/// Under this share of variance taken away a quantity counts as not told.
pub const TOLD: f64 = 0.5;
/// Under this share the test alone has no value worth showing.
const NOTHING: f64 = 0.02;

impl Finding {
    /// Whether the test tells it.
    pub fn is_told(&self) -> bool {
        self.told >= TOLD
    }
}

impl Key {
    /// What it is called, for example `rear springs`.
    pub fn name(self, sheet: &BuildSheet, model: &Model) -> String {
        let axle = |i: usize| sheet.axles.get(i).map_or("?", |a| &a.name);
        let unit = |i: usize| model.units.get(i).map_or("?", |u| &u.name);
        match self {
            Self::AxleRate(i) => format!("spring rate {}", axle(i)),
            Self::SideRate(i) => format!("spring rate {}, left less right", axle(i)),
            Self::UnitRate(i) => format!("spring rate {}", unit(i)),
            Self::Weight => "sprung weight".to_owned(),
            Self::Centre(k) => format!(
                "centre of the sprung weight, {}",
                ["x", "y", "z"].get(k).unwrap_or(&"?")
            ),
            Self::Friction(i) => format!("friction {}", axle(i)),
            Self::Tyre(i) => format!("tyre rate {}", axle(i)),
            Self::Seat(i) => format!("spring seat {}", unit(i)),
            Self::FloorRoll => "floor roll".to_owned(),
            Self::FloorPitch => "floor pitch".to_owned(),
        }
    }

    /// All quantities of a vehicle.
    pub(super) fn all(setup: &Setup) -> Vec<Self> {
        let mut keys = Vec::new();
        let model = &setup.base;
        for i in 0..setup.sheet.axles.len() {
            let side = |s: Side| model.units.iter().any(|u| u.axle == i && u.side == s);
            if side(Side::Left) || side(Side::Right) {
                keys.push(Self::AxleRate(i));
            }
            if side(Side::Left) && side(Side::Right) {
                keys.push(Self::SideRate(i));
            }
            if setup.unknowns.find(Unknown::Friction(i)).is_some() {
                keys.push(Self::Friction(i));
            }
        }
        keys.push(Self::Weight);
        keys.extend((0..3).map(Self::Centre));
        keys.extend((0..setup.sheet.axles.len()).map(Self::Tyre));
        keys.extend((0..model.units.len()).map(Self::UnitRate));
        keys.extend((0..model.units.len()).map(Self::Seat));
        keys.extend([Self::FloorRoll, Self::FloorPitch]);
        keys.retain(|k| k.parts(setup).1.norm() > 0.0);
        keys
    }

    /// Constant part, and weights over the unknowns (in standard uncertainties).
    pub(super) fn parts(self, setup: &Setup) -> (f64, DVector<f64>) {
        let mut weights = DVector::zeros(setup.unknowns.len());
        let mut constant = 0.0;
        let mut add = |what: Unknown, times: f64| {
            if let Some(i) = setup.unknowns.find(what)
                && let Some(e) = setup.unknowns.get(i)
            {
                weights[i] += times * e.uncertainty;
                constant += times * e.mean;
            }
        };
        let units = |i: usize| {
            let of = setup
                .base
                .units
                .iter()
                .enumerate()
                .filter(move |(_, u)| u.axle == i);
            of.map(|(k, u)| (k, u.side)).collect::<Vec<_>>()
        };
        match self {
            Self::AxleRate(i) => {
                let of = units(i);
                for (u, _) in &of {
                    add(Unknown::Rate(*u), 1.0 / of.len() as f64);
                }
                constant += 1.0;
            }
            Self::SideRate(i) => {
                let of = units(i);
                for (side, sign) in [(Side::Left, 1.0), (Side::Right, -1.0)] {
                    let here: Vec<_> = of.iter().filter(|(_, s)| *s == side).collect();
                    for (u, _) in &here {
                        add(Unknown::Rate(*u), sign / here.len() as f64);
                    }
                }
            }
            Self::UnitRate(u) => {
                add(Unknown::Rate(u), 1.0);
                constant += 1.0;
            }
            Self::Weight => {
                add(Unknown::Weight, 1.0);
                constant += setup.sheet.sprung.mass.kg();
            }
            Self::Centre(k) => {
                add(Unknown::Centre(k), 1.0);
                constant += setup.sheet.sprung.centre.m()[k];
            }
            Self::Friction(i) => {
                let of = units(i);
                add(Unknown::Friction(i), 1.0);
                for (u, _) in &of {
                    add(Unknown::FrictionApart(*u), 1.0 / of.len() as f64);
                }
            }
            Self::Tyre(i) => {
                add(Unknown::Tyre(i), 1.0);
                constant += 1.0;
            }
            Self::Seat(u) => add(Unknown::Seat(u), 1.0),
            Self::FloorRoll => add(Unknown::FloorRoll, 1.0),
            Self::FloorPitch => add(Unknown::FloorPitch, 1.0),
        }
        (constant, weights)
    }

    /// With what was found.
    ///
    /// # Method
    /// What was known before has variance v0 and value m0, afterwards v and m;
    /// the test alone has 1/(1/v - 1/v0) and the value that makes m of both
    /// (weighted mean, taken apart).
    pub(super) fn finding(
        self,
        setup: &Setup,
        z: &DVector<f64>,
        covariance: &DMatrix<f64>,
        stretch: f64,
    ) -> Finding {
        let (constant, weights) = self.parts(setup);
        let value = constant + weights.dot(z);
        let variance = weights.dot(&(covariance * &weights)).max(0.0);
        let before = weights.norm_squared();
        let told = (1.0 - variance / before).clamp(0.0, 1.0);
        let alone = (told > NOTHING).then(|| {
            let v = 1.0 / (1.0 / variance - 1.0 / before);
            Estimate {
                value: v * (value / variance - constant / before),
                uncertainty: (v * stretch).sqrt(),
            }
        });
        Finding {
            key: self,
            value,
            uncertainty: (variance * stretch).sqrt(),
            before: Estimate {
                value: constant,
                uncertainty: before.sqrt(),
            },
            alone,
            told,
        }
    }
}
