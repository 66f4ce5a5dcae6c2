//! The first suggestion: how many collar turns at which corner.

use super::Forecast;
use crate::compare::{Aim, COVERAGE_95, Compared, compare};
use crate::geometry::COORDINATES;
use crate::posture::QuantityKey;
use crate::sheet::BuildSheet;
use crate::statics::Parameter;
use nalgebra::{DMatrix, DVector};

/// One collar turned.
#[derive(Debug, Clone, PartialEq)]
pub struct Turn {
    /// Index of the unit in the model.
    pub unit: usize,
    /// Its name.
    pub name: String,
    /// Turns that raise the collar; negative lowers it.
    pub turns: f64,
    /// The same along the thread, metres.
    pub rise_m: f64,
}

/// Why nothing should be changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LeaveIt {
    /// Every deviation is within its tolerance.
    WithinTolerance,
    /// No deviation beyond its tolerance stands out of its own 95 % interval;
    /// the largest one (as a share of its tolerance) is given.
    SmallerThanMeasured {
        /// The quantity.
        key: QuantityKey,
        /// Its deviation, SI.
        deviation: f64,
        /// Half of its 95 % interval, SI.
        half_interval: f64,
    },
    /// No turn within the threads makes it better by what counts.
    NothingHelps,
    /// The sheet sets no target.
    NoTarget,
}

/// What to do, with what it will do.
#[derive(Debug, Clone, PartialEq)]
pub struct Suggestion {
    /// The collars to turn; empty where it should be left.
    pub turns: Vec<Turn>,
    /// Why it should be left, where it should.
    pub leave: Option<LeaveIt>,
    /// The aims in the finished vehicle without the turns.
    pub before: Vec<Compared>,
    /// The aims in the finished vehicle after the turns, by a new equilibrium.
    pub after: Vec<Compared>,
    /// Station, its height in the finished vehicle without and with the turns, metres.
    pub heights: Vec<(usize, f64, f64)>,
}

/// What each collar to be turned must bring, in squared tolerances.
///
/// Chosen: a collar that takes less than about 0.4 of a tolerance off is not
/// worth lying down for.
const EFFORT: f64 = 0.15;

/// What a collar of the model may still do, in turns from where it is.
struct Thread {
    lowest: f64,
    highest: f64,
    step: f64,
}

/// Proposes collar turns for a forecast, or to leave it.
///
/// # Method
/// Weighted least squares on the aims' deviations over their tolerances, by the
/// influence of each collar (inverse stiffness), bounded by the threads and
/// rounded to the steps that a hand can make; every subset of collars is tried,
/// and each collar must pay for itself. The winner is solved anew on the full
/// model.
pub fn suggest(sheet: &BuildSheet, forecast: &Forecast, aims: &[Aim]) -> Suggestion {
    let before = compare(aims, &forecast.quantities);
    let heights: Vec<f64> = (0..sheet.stations.len())
        .map(|i| {
            QuantityKey::Height(i)
                .with_gradient(sheet, &forecast.model, &forecast.state)
                .0
        })
        .collect();
    let turns = match reason_to_leave(&before) {
        Some(why) => Err(why),
        None => best_turns(sheet, forecast, &before).ok_or(LeaveIt::NothingHelps),
    };
    let done = turns.and_then(|turns| {
        let (after, new) = after(sheet, forecast, aims, &turns).ok_or(LeaveIt::NothingHelps)?;
        Ok((turns, after, new))
    });
    let pairs = |new: &[f64]| {
        heights
            .iter()
            .zip(new)
            .enumerate()
            .map(|(i, (a, b))| (i, *a, *b))
            .collect()
    };
    match done {
        Ok((turns, after, new)) => Suggestion {
            turns,
            leave: None,
            heights: pairs(&new),
            before,
            after,
        },
        Err(why) => Suggestion {
            turns: Vec::new(),
            leave: Some(why),
            heights: pairs(&heights),
            after: before.clone(),
            before,
        },
    }
}

fn reason_to_leave(before: &[Compared]) -> Option<LeaveIt> {
    let worst = before.iter().max_by(|a, b| a.share().total_cmp(&b.share()));
    let Some(worst) = worst else {
        return Some(LeaveIt::NoTarget);
    };
    if worst.share() <= 1.0 {
        return Some(LeaveIt::WithinTolerance);
    }
    let clear = |c: &Compared| c.share() > 1.0 && c.deviation().abs() > COVERAGE_95 * c.uncertainty;
    (!before.iter().any(clear)).then(|| LeaveIt::SmallerThanMeasured {
        key: worst.aim.key,
        deviation: worst.deviation(),
        half_interval: COVERAGE_95 * worst.uncertainty,
    })
}

fn threads(sheet: &BuildSheet, forecast: &Forecast) -> Vec<Thread> {
    let units = forecast.model.units.iter();
    units
        .map(|unit| {
            sheet.unit(&unit.name).map_or(
                Thread {
                    lowest: 0.0,
                    highest: 0.0,
                    step: 1.0,
                },
                |typed| {
                    let turns = |height: f64| (height - unit.collar) / unit.pitch;
                    Thread {
                        lowest: turns(typed.collar.lowest.m()).min(0.0),
                        highest: turns(typed.collar.highest.m()).max(0.0),
                        step: typed.collar.step_turns,
                    }
                },
            )
        })
        .collect()
}

impl Thread {
    fn holds(&self, turns: f64) -> bool {
        (self.lowest..=self.highest).contains(&turns)
    }

    fn clamp(&self, turns: f64) -> f64 {
        turns.clamp(self.lowest, self.highest)
    }

    /// The nearest step that is on the thread.
    fn round(&self, turns: f64) -> f64 {
        let steps = turns / self.step;
        let on = |steps: f64| self.holds(steps * self.step + 0.0);
        let steps = if on(steps.round()) {
            steps.round()
        } else if steps > 0.0 {
            steps.floor()
        } else {
            steps.ceil()
        };
        steps * self.step
    }
}

/// Turns of each unit with only those of `subset` turned; bounded by fixing what
/// runs into its limit and solving the rest again, then rounded.
fn solve_subset(
    effect: &DMatrix<f64>,
    wanted: &DVector<f64>,
    subset: &[usize],
    threads: &[Thread],
) -> Option<DVector<f64>> {
    let mut turns = DVector::zeros(threads.len());
    let mut free = subset.to_vec();
    while !free.is_empty() {
        let mut rest = wanted.clone();
        for &u in subset.iter().filter(|u| !free.contains(u)) {
            rest -= effect.column(u) * turns[u];
        }
        let a = effect.select_columns(&free);
        let normal = a.transpose() * &a + DMatrix::identity(free.len(), free.len()) * 1e-9;
        let solved = normal.cholesky()?.solve(&(a.transpose() * rest));
        for (&u, &t) in free.iter().zip(solved.iter()) {
            turns[u] = threads[u].clamp(t);
        }
        match free
            .iter()
            .zip(solved.iter())
            .position(|(&u, &t)| !threads[u].holds(t))
        {
            Some(i) => free.remove(i),
            None => break,
        };
    }
    for &u in subset {
        turns[u] = threads[u].round(turns[u]);
    }
    Some(turns)
}

fn best_turns(sheet: &BuildSheet, forecast: &Forecast, before: &[Compared]) -> Option<Vec<Turn>> {
    let model = &forecast.model;
    let units = model.units.len();
    let threads = threads(sheet, forecast);
    let responses: Vec<_> = (0..units)
        .map(|u| forecast.rest.response(model, Parameter::Collar(u)) * model.units[u].pitch)
        .collect();
    let mut effect = DMatrix::zeros(before.len(), units);
    for (row, c) in before.iter().enumerate() {
        let (_, g) = c.aim.key.with_gradient(sheet, model, &forecast.state);
        let along = g.fixed_rows::<COORDINATES>(0).into_owned();
        for (u, response) in responses.iter().enumerate() {
            effect[(row, u)] = along.dot(response) / c.aim.tolerance;
        }
    }
    let wanted = DVector::from_fn(before.len(), |r, _| {
        -before[r].deviation() / before[r].aim.tolerance
    });
    let mut best = (wanted.norm_squared(), None);
    for mask in 1_u32..1 << units {
        let subset: Vec<usize> = (0..units).filter(|u| mask & (1 << u) != 0).collect();
        let Some(turns) = solve_subset(&effect, &wanted, &subset, &threads) else {
            continue;
        };
        let used = turns.iter().filter(|t| t.abs() > 1e-9).count();
        let total = (&effect * &turns - &wanted).norm_squared() + EFFORT * used as f64;
        if used > 0 && total < best.0 - 1e-12 {
            best = (total, Some(turns));
        }
    }
    let turned = best.1?;
    let made = turned
        .iter()
        .enumerate()
        .filter(|(_, t)| t.abs() > 1e-9)
        .map(|(unit, &turns)| Turn {
            unit,
            name: model.units[unit].name.clone(),
            turns,
            rise_m: turns * model.units[unit].pitch,
        });
    Some(made.collect())
}

/// The aims and heights after the turns, by a new equilibrium.
fn after(
    sheet: &BuildSheet,
    forecast: &Forecast,
    aims: &[Aim],
    turns: &[Turn],
) -> Option<(Vec<Compared>, Vec<f64>)> {
    let mut model = forecast.model.clone();
    for turn in turns {
        Parameter::Collar(turn.unit).shift(&mut model, turn.rise_m);
    }
    let rest = model.equilibrium_from(&forecast.rest.state).ok()?;
    let mut state = forecast.state;
    let mut moved = state.fixed_rows_mut::<COORDINATES>(0);
    moved += rest.state - forecast.rest.state;
    let mut quantities = forecast.quantities.clone();
    for m in &mut quantities {
        m.value = m.key.with_gradient(sheet, &model, &state).0;
    }
    let heights = (0..sheet.stations.len())
        .map(|i| {
            QuantityKey::Height(i)
                .with_gradient(sheet, &model, &state)
                .0
        })
        .collect();
    Some((compare(aims, &quantities), heights))
}
