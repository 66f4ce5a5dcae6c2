//! What is shown while weight comes on: load, heights and link against the model.
//!
//! In: a sitting, the loads that are on or will be, the model found so far. Out:
//! one line, or the gauges and the loop of the screen. Refused: nothing; what is
//! not known is left out.
//!
//! # Method
//! Nothing weighs the load while somebody climbs in. How much of it has come on
//! is read off the height that it should move most: its way so far over its whole
//! way in the model, from the rest before to the rest with the load.

use crate::posture::{PostureState, QuantityKey};
use crate::quantity::{Angle, Force, Length, Quantity, decimals};
use crate::report::{aim_name, nearest_axle, share_over};
use crate::run::sitting::Sitting;
use crate::run::sitting::view::{angle_figure, length_figure};
use crate::screen::view::{Amount, Gauge};
use crate::statics::Model;

/// Acceleration of free fall, m/s² (exact, by definition).
const G: f64 = 9.806_65;
/// A way shorter than this says nothing of how much has come on, metres. Chosen.
const LEAST_WAY_M: f64 = 1.5e-3;
/// So near the model's height counts as there, metres. Chosen: what friction holds.
const HEIGHT_M: f64 = 3e-3;
/// The same of an angle, radians (0.3 degrees). Chosen.
const ANGLE: f64 = 0.3 * std::f64::consts::PI / 180.0;

/// The model's quantities at rest with some loads on; none where it has no rest.
#[derive(Debug, Clone, Default)]
pub(super) struct Expected {
    quantities: Vec<(QuantityKey, f64)>,
    /// Kilograms, and over each axle by its lever.
    load_kg: f64,
    over_kg: Vec<f64>,
}

impl Expected {
    /// With these loads on; by the model that was found so far, if one was.
    pub(super) fn of(sitting: &Sitting, found: Option<&Model>, on: &[bool]) -> Self {
        let sheet = &sitting.sheet;
        let mut model = found.cloned().unwrap_or_else(|| sitting.model.clone());
        let sprung = model.masses.first().cloned();
        model.masses.clone_from(&sitting.model.masses);
        if let (Some(mine), Some(sprung)) = (model.masses.first_mut(), sprung) {
            *mine = sprung;
        }
        for (mass, on) in model.masses.iter_mut().skip(1).zip(on) {
            mass.on = *on;
        }
        let carried = || model.masses.iter().skip(1).filter(|m| m.on);
        let load_kg = carried().map(|m| m.mass).sum();
        let over_kg = (0..sheet.axles.len())
            .map(|axle| {
                carried()
                    .map(|m| m.mass * share_over(sheet, axle, m.at[0]))
                    .sum()
            })
            .collect();
        let quantities = model.equilibrium().map_or_else(
            |_| Vec::new(),
            |rest| {
                let mut x = PostureState::zeros();
                x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
                QuantityKey::all(sheet, &model)
                    .into_iter()
                    .map(|k| (k, k.with_gradient(sheet, &model, &x).0))
                    .collect()
            },
        );
        Self {
            quantities,
            load_kg,
            over_kg,
        }
    }

    fn get(&self, key: QuantityKey) -> Option<f64> {
        self.quantities
            .iter()
            .find(|(k, _)| *k == key)
            .map(|(_, v)| *v)
    }

    /// Load, heights and link, each against what the model expects.
    pub(super) fn line(&self, sitting: &Sitting) -> String {
        let units = sitting.sheet.units;
        let force = Force::new(self.load_kg * G);
        let mut parts = vec![format!("load {}", force.shown(units))];
        let Some(posture) = &sitting.posture else {
            return parts.remove(0);
        };
        for m in posture.quantities.iter().filter(|m| is_watched(m.key)) {
            let Some(expected) = self.get(m.key) else {
                continue;
            };
            let number = |v: f64| {
                if m.key.is_angle() {
                    decimals(Angle::new(v).deg(), 2)
                } else {
                    decimals(Length::new(v).number(units), 1)
                }
            };
            let name = m.key.name(&sitting.sheet, &sitting.model);
            parts.push(format!(
                "{} {} (model {})",
                name.strip_prefix("height ").unwrap_or(&name),
                number(m.value),
                number(expected)
            ));
        }
        let still = if sitting.still_since.is_some() {
            "STILL"
        } else {
            "moving"
        };
        parts.push(still.to_owned());
        parts.join(" | ")
    }
}

const fn is_watched(key: QuantityKey) -> bool {
    matches!(
        key,
        QuantityKey::Height(_) | QuantityKey::Roll | QuantityKey::LinkAngle(_)
    )
}

/// A point of the loop: load and height.
type Point = (Force, Length);
/// Load and height over every axle, at one moment.
type Over = Vec<Option<Point>>;

/// A step while it is done: from the rest before it to the rest that it asks for.
#[derive(Debug, Clone, Default)]
pub(super) struct Course {
    before: Expected,
    asked: Expected,
    /// The quantities at the last rest that was kept.
    rested: Vec<(QuantityKey, f64)>,
    /// What was kept so far.
    kept: Vec<Over>,
}

impl Course {
    /// A step begins: what is on, and what will be.
    pub(super) fn begin(&mut self, before: Expected, asked: Expected) {
        (self.before, self.asked) = (before, asked);
    }

    /// What is expected in the end.
    pub(super) const fn asked(&self) -> &Expected {
        &self.asked
    }

    /// A reading was kept: it is on the loop, and what comes next starts from it.
    pub(super) fn kept(&mut self, sitting: &Sitting) {
        let over = Self::over(sitting, &self.asked.over_kg);
        self.kept.push(over);
        if let Some(posture) = &sitting.posture {
            self.rested = posture
                .quantities
                .iter()
                .map(|m| (m.key, m.value))
                .collect();
        }
        self.before = self.asked.clone();
    }

    /// How much of the load has come on or off, 0 to 1; none where no height says.
    fn share(&self, sitting: &Sitting) -> Option<f64> {
        let posture = sitting.posture.as_ref()?;
        let way = |key: QuantityKey| Some(self.asked.get(key)? - self.before.get(key)?);
        let heights = (0..sitting.sheet.stations.len()).map(QuantityKey::Height);
        let (key, whole) = heights
            .filter_map(|key| Some((key, way(key)?)))
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
        if whole.abs() < LEAST_WAY_M {
            return None;
        }
        let rested = self.rested.iter().find(|(k, _)| *k == key);
        let from = rested.map_or_else(|| self.before.get(key), |(_, v)| Some(*v))?;
        Some((posture.get(key)?.value - from) / whole)
    }

    /// What is on now over each axle, kilograms, as far as the heights say.
    fn over_now(&self, sitting: &Sitting) -> Vec<f64> {
        let share = self.share(sitting).unwrap_or(1.0);
        self.before
            .over_kg
            .iter()
            .zip(&self.asked.over_kg)
            .map(|(a, b)| a + (b - a) * share)
            .collect()
    }

    fn over(sitting: &Sitting, loads_kg: &[f64]) -> Over {
        let sheet = &sitting.sheet;
        (0..sheet.axles.len())
            .map(|axle| {
                let posture = sitting.posture.as_ref()?;
                let heights: Vec<f64> = (0..sheet.stations.len())
                    .filter(|i| nearest_axle(sheet, sheet.stations[*i].at.m()[0]) == Some(axle))
                    .filter_map(|i| posture.get(QuantityKey::Height(i)))
                    .map(|m| m.value)
                    .collect();
                let load = loads_kg.get(axle)?;
                let mean = heights.iter().sum::<f64>() / heights.len() as f64;
                (!heights.is_empty()).then(|| (Force::new(load * G), Length::new(mean)))
            })
            .collect()
    }

    /// The loop over the axle that moved most, and where it is now.
    pub(super) fn drawn(&self, sitting: &Sitting) -> (Vec<Point>, Option<Point>) {
        let of = |axle: usize| -> Vec<Point> {
            let kept = self.kept.iter();
            kept.filter_map(|over| over.get(axle).copied().flatten())
                .collect()
        };
        let spread = |points: &[Point]| {
            let heights = points.iter().map(|p| p.1.m());
            heights.clone().fold(f64::NEG_INFINITY, f64::max)
                - heights.fold(f64::INFINITY, f64::min)
        };
        let loops = (0..sitting.sheet.axles.len()).map(|axle| (axle, of(axle)));
        let Some((axle, points)) = loops.max_by(|a, b| spread(&a.1).total_cmp(&spread(&b.1)))
        else {
            return (Vec::new(), None);
        };
        let now = Self::over(sitting, &self.over_now(sitting));
        (points, now.get(axle).copied().flatten())
    }

    /// How much has come on by the heights, of how much, newtons; none where the load
    /// stays or no height says.
    pub(super) fn load_so_far(&self, sitting: &Sitting) -> Option<(Force, Force)> {
        let whole = self.asked.load_kg - self.before.load_kg;
        let share = self.share(sitting).filter(|_| whole.abs() > 0.0)?;
        let now = (self.before.load_kg + share * whole).max(0.0);
        Some((Force::new(now * G), Force::new(self.asked.load_kg * G)))
    }

    /// Link, heights and roll on their way to what is expected: the link first, then
    /// what has the longest way.
    pub(super) fn gauges(&self, sitting: &Sitting) -> Vec<Gauge> {
        let Some(posture) = &sitting.posture else {
            return Vec::new();
        };
        let mut gauges: Vec<(u8, f64, Gauge)> = posture
            .quantities
            .iter()
            .filter(|m| is_watched(m.key))
            .filter_map(|m| {
                let aim = self.asked.get(m.key)?;
                let way = aim - self.before.get(m.key).unwrap_or(aim);
                let (now, tolerance) = if m.key.is_angle() {
                    (Amount::Angle(angle_figure(m)), ANGLE)
                } else {
                    (Amount::Length(length_figure(m)), HEIGHT_M)
                };
                let rank = match m.key {
                    QuantityKey::LinkAngle(_) => 0,
                    QuantityKey::Height(_) => 1,
                    _ => 2,
                };
                let gauge = Gauge {
                    name: aim_name(&sitting.sheet, m.key),
                    now: Some(now),
                    aim,
                    tolerance,
                    word: String::new(),
                };
                Some((rank, way.abs(), gauge))
            })
            .collect();
        gauges.sort_by(|a, b| a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)));
        gauges.into_iter().map(|(_, _, gauge)| gauge).collect()
    }
}
