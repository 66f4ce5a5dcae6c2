//! What is wrong or weak in the steps as given: said, and the rest kept.

use super::design::Noise;
use super::search::Found;
use super::setup::{Setup, unknown_loads};
use super::step::place_words;
use super::{Approach, Step};
use crate::statics::StaticsError;

/// Something about the steps that somebody should know.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Concern {
    /// The vehicle cannot stand with these loads; the step is left out.
    CannotStand {
        /// Index of the step as given.
        step: usize,
        /// Why.
        why: StaticsError,
    },
    /// A load lies outside of the vehicle.
    OutsideVehicle {
        /// Index of the step as given.
        step: usize,
        /// Which load, in words.
        load: String,
    },
    /// The load changes no reading by more than noise.
    NoEffect {
        /// Index of the step as given.
        step: usize,
        /// Largest change of a reading against the bare vehicle, in its noise.
        largest: f64,
    },
    /// A step without a reading of the sheet's sensors.
    NothingRead {
        /// Index of the step as given.
        step: usize,
    },
    /// A load that the sheet does not have.
    UnknownLoad {
        /// Index of the step as given.
        step: usize,
    },
    /// All loads are on one side.
    OneSide {
        /// `left` or `right`.
        side: &'static str,
    },
    /// Fewer readings than quantities asked for: what was known before fills the gap.
    FewReadings {
        /// Readings used.
        readings: usize,
        /// Springs, friction, weight asked for.
        asked: usize,
    },
    /// Next to nothing of a step fits the others; it is left out.
    DoesNotFit {
        /// Index of the step as given.
        step: usize,
    },
    /// No load was ever on.
    NeverLoaded,
    /// Loaded and unloaded were not both read: friction cannot be told from rate.
    OneWay,
}

/// So far (metres) beyond the axles a load may hang.
const OVERHANG_M: f64 = 1.2;
/// So far (metres) beyond half the track a load may hang.
const SIDE_M: f64 = 0.3;
/// A load whose largest effect is under so many noises tells nothing.
const EFFECT_NOISES: f64 = 3.0;

impl Concern {
    /// A stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::CannotStand { .. } => "loadtest.cannot_stand",
            Self::OutsideVehicle { .. } => "loadtest.outside",
            Self::NoEffect { .. } => "loadtest.no_effect",
            Self::NothingRead { .. } => "loadtest.nothing_read",
            Self::UnknownLoad { .. } => "loadtest.unknown_load",
            Self::OneSide { .. } => "loadtest.one_side",
            Self::FewReadings { .. } => "loadtest.few_readings",
            Self::DoesNotFit { .. } => "loadtest.does_not_fit",
            Self::NeverLoaded => "loadtest.never_loaded",
            Self::OneWay => "loadtest.one_way",
        }
    }

    /// In words.
    pub fn words(&self) -> String {
        match self {
            Self::CannotStand { step, why } => format!("step {}: {why}; left out", step + 1),
            Self::OutsideVehicle { step, load } => {
                format!("step {}: {load} is outside of the vehicle; check its place", step + 1)
            }
            Self::NoEffect { step, largest } => format!(
                "step {}: the load moves no reading by more than {largest:.1} times its noise; it tells next to nothing, put more on",
                step + 1
            ),
            Self::NothingRead { step } => format!("step {}: nothing was read; left out", step + 1),
            Self::UnknownLoad { step } => format!("step {}: a load that the sheet does not have; left out", step + 1),
            Self::OneSide { side } => {
                format!("all loads are on the {side}: sit somebody on the other side as well, or in the middle")
            }
            Self::FewReadings { readings, asked } => format!(
                "{readings} readings for {asked} quantities: the rest is filled from the sheet; add steps"
            ),
            Self::DoesNotFit { step } => format!(
                "step {}: next to nothing of it fits the other steps; left out: was the load another one, or somewhere else?",
                step + 1
            ),
            Self::NeverLoaded => "no weight was ever on: rates and friction cannot be told; put weight on and read again".to_owned(),
            Self::OneWay => "read only one way: take the weight off again and read, so that friction shows".to_owned(),
        }
    }
}

/// What the steps themselves show, before any search; and which take part.
pub(super) fn of_steps(setup: &Setup, steps: &[Step]) -> (Vec<Concern>, Vec<bool>) {
    let mut concerns = Vec::new();
    let mut takes_part = vec![true; setup.steps.len()];
    let front = setup.sheet.wheelbase.m();
    let half = setup
        .sheet
        .axles
        .iter()
        .map(|a| a.track.m() / 2.0)
        .fold(0.0, f64::max);
    for (s, ready) in setup.steps.iter().enumerate() {
        let step = &steps[ready.given];
        if unknown_loads(setup.sheet, step) {
            concerns.push(Concern::UnknownLoad { step: ready.given });
            takes_part[s] = false;
            continue;
        }
        if ready.rows.is_empty() {
            concerns.push(Concern::NothingRead { step: ready.given });
            takes_part[s] = false;
        }
        for load in step.loads.iter().filter_map(|l| l.placed(setup.sheet)) {
            let [x, y, _] = load.at_m;
            if x < -OVERHANG_M || x > front + OVERHANG_M || y.abs() > half + SIDE_M {
                concerns.push(Concern::OutsideVehicle {
                    step: ready.given,
                    load: place_words(&load),
                });
            }
        }
        let mut model = setup.base.clone();
        setup.load(&mut model, &ready.on);
        if let Err(why) = model.equilibrium() {
            concerns.push(Concern::CannotStand {
                step: ready.given,
                why,
            });
            takes_part[s] = false;
        }
    }
    let used = || {
        setup
            .steps
            .iter()
            .zip(&takes_part)
            .filter(|(_, t)| **t)
            .map(|(s, _)| s)
    };
    let sides: Vec<f64> = used()
        .flat_map(|s| s.on.iter().map(|&p| setup.places[p].at_m[1]))
        .collect();
    if sides.is_empty() {
        concerns.push(Concern::NeverLoaded);
    } else {
        if sides.iter().all(|y| *y > 0.1) {
            concerns.push(Concern::OneSide { side: "left" });
        } else if sides.iter().all(|y| *y < -0.1) {
            concerns.push(Concern::OneSide { side: "right" });
        }
        let way = |w: Approach| used().any(|s| s.approach == w);
        if !(way(Approach::Loading) && way(Approach::Unloading)) {
            concerns.push(Concern::OneWay);
        }
    }
    (concerns, takes_part)
}

/// What the search shows: loads without effect, too few readings.
pub(super) fn of_search(setup: &Setup, found: &Found, asked: usize) -> Vec<Concern> {
    let mut concerns = Vec::new();
    let mut bare = setup.model(&setup.values(&found.z));
    setup.load(&mut bare, &[]);
    if let Ok(rest) = bare.equilibrium() {
        let pose = |q: &crate::geometry::State| {
            let mut x = crate::posture::PostureState::zeros();
            x.fixed_rows_mut::<{ crate::geometry::COORDINATES }>(0)
                .copy_from(q);
            x
        };
        for (s, ready) in setup
            .steps
            .iter()
            .enumerate()
            .filter(|(_, r)| !r.on.is_empty())
        {
            let mut loaded = bare.clone();
            setup.load(&mut loaded, &ready.on);
            let Ok(there) = loaded.equilibrium_from(&rest.state) else {
                continue;
            };
            if found.stood[s].is_none() {
                continue;
            }
            // Over all sensors: those of a step that was left out are gone.
            let noise = Noise::default();
            let largest = setup
                .sheet
                .sensors
                .iter()
                .filter_map(|sensor| {
                    let reads = &sensor.reads;
                    let with = crate::posture::predict(&loaded, reads, &pose(&there.state))?;
                    let without = crate::posture::predict(&bare, reads, &pose(&rest.state))?;
                    Some((with - without).abs() / noise.of(reads))
                })
                .fold(0.0, f64::max);
            if largest < EFFECT_NOISES {
                concerns.push(Concern::NoEffect {
                    step: ready.given,
                    largest,
                });
            }
        }
    }
    if found.readings < asked {
        concerns.push(Concern::FewReadings {
            readings: found.readings,
            asked,
        });
    }
    concerns
}
