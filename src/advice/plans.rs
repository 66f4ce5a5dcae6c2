//! Plans: what to do, in order, with what it will do to everything, how sure that
//! is, and what gets worse; or why to leave it.
//!
//! In: a prepared [`Search`] and what else is known (what settling will still do,
//! which loads are on now). Out: [`Advice`]. Refused: a sheet without a target, aims
//! that contradict each other are said, not refused.

use super::belief::{Belief, Standing, Unknown};
use super::choices::Blocked;
use super::search::{AimedCase, Found, Search, Tally};
use super::setup::{Operation, Setup};
use crate::compare::{COVERAGE_95, Compared, compare};
use crate::geometry::COORDINATES;
use crate::leastsquares::normal_quantile;
use crate::posture::{Measured, Origin, PostureState, QuantityKey};
use crate::sheet::BuildSheet;
use crate::statics::{CaseQuantities, StaticsError, quantities};
use nalgebra::{DMatrix, DVector};

/// Most plans shown.
pub const MOST_PLANS: usize = 5;
/// Plans searched for, since some say the same with one operation more.
const SEARCHED: usize = 8;
/// Points of the lattice for probabilities. Chosen: good to about a percent.
const POINTS: usize = 4096;
/// Loss of travel or preload worth a word, metres.
const WORTH_SAYING_M: f64 = 0.002;

/// Why there is no advice.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AdviceError {
    /// The sheet sets no target.
    #[error("the sheet sets no target, so nothing can be advised")]
    NoTarget,
    /// The vehicle has no rest.
    #[error("load case '{case}': {source}")]
    Statics {
        /// The load case.
        case: String,
        /// Why.
        source: StaticsError,
    },
}

impl AdviceError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::NoTarget => "advice.no_target",
            Self::Statics { source, .. } => source.code(),
        }
    }

    /// What to do.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::NoTarget => "give [target] a height, a level or a link angle to come to",
            Self::Statics { source, .. } => source.help(),
        }
    }
}

/// What settling will still do to the height of a station.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StillToCome {
    /// Index of the station.
    pub station: usize,
    /// Change of its height still to come, metres; down is negative.
    pub change: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
}

/// Why to leave it.
#[derive(Debug, Clone, PartialEq)]
pub enum Leave {
    /// Everything is within its tolerance.
    WithinTolerance {
        /// The one that is farthest off.
        worst: Compared,
    },
    /// The weight still to come will bring it within tolerance.
    WeightToCome {
        /// Indices of the loads still to come.
        loads: Vec<usize>,
        /// What is farthest off now.
        now: Compared,
        /// The same in the finished vehicle.
        then: Compared,
    },
    /// What settling will still do brings it within tolerance.
    WillSettle {
        /// What is farthest off now.
        now: Compared,
        /// How far it will still go, SI.
        change: f64,
    },
    /// Nothing stands out of its own interval; which knowledge would decide.
    CannotTell {
        /// What is farthest off.
        worst: Compared,
        /// What, were it known, would tell most.
        decider: Option<(Unknown, f64)>,
    },
    /// Nothing that can be done is better than what is.
    NothingHelps,
}

/// One load case after a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct CaseResult {
    /// Its name.
    pub name: String,
    /// The aims.
    pub compared: Vec<Compared>,
    /// Every quantity with its standard uncertainty.
    pub quantities: Vec<Measured>,
    /// Lengths, forces, travel, wheel loads of the model.
    pub found: CaseQuantities,
    /// Share of the load on the left front and right rear wheel, with its standard
    /// uncertainty.
    pub diagonal: Option<(f64, f64)>,
}

/// What a plan makes worse.
#[derive(Debug, Clone, PartialEq)]
pub enum Worse {
    /// Less travel up at a unit.
    TravelUp(usize, f64, f64),
    /// Less travel down.
    TravelDown(usize, f64, f64),
    /// Less preload at droop.
    Preload(usize, f64, f64),
    /// An aim further off.
    Aim(QuantityKey, f64, f64),
    /// The diagonal load further from a half.
    Diagonal(f64, f64),
    /// A softer or harder axle, ride frequency in hertz.
    Frequency(usize, f64, f64),
}

/// A plan, or what is now.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// What to do, in order.
    pub operations: Vec<Operation>,
    /// How everything is then set.
    pub setup: Setup,
    /// What it is worth.
    pub found: Found,
    /// Every case.
    pub cases: Vec<CaseResult>,
    /// Probability that every aim of every case is then within its tolerance.
    pub probability: f64,
    /// Probability that a unit then has less travel left than the limit.
    pub risk: f64,
    /// What gets worse, with the case's index.
    pub worse: Vec<(usize, Worse)>,
}

/// The advice.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// Everything as it is, in the cases asked for.
    pub now: Plan,
    /// Why to leave it, where that is right.
    pub leave: Option<Leave>,
    /// Better ones, the best first.
    pub plans: Vec<Plan>,
    /// Aims that no pose meets together: the two worst at the best pose.
    pub contradiction: Option<(Compared, Compared)>,
    /// Limits that excluded something.
    pub blocked: Vec<Blocked>,
    /// Where the best plan does not come within tolerance: what would have to give
    /// way for the present holes and springs.
    pub in_the_way: Vec<Blocked>,
    /// What the search took.
    pub tally: Tally,
}

/// What is known besides.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Circumstances {
    /// Loads that are on now.
    pub loads_now: Vec<usize>,
    /// What settling will still do.
    pub settling: Vec<StillToCome>,
}

/// Everything as it is, as a plan without operations.
///
/// # Errors
/// No rest in one of the cases.
pub fn as_it_is(search: &Search<'_, '_>) -> Result<Plan, AdviceError> {
    let (_, _, setup, _, _) = search.parts();
    let found = search.leave().unwrap_or(Found {
        setup: setup.clone(),
        value: f64::INFINITY,
        misfit: f64::INFINITY,
        twist: 0.0,
        effort: 0.0,
        risk: 0.0,
    });
    plan(search, found, None)
}

/// Works out the advice.
///
/// # Errors
/// No target, or no rest in one of the cases as the vehicle is.
pub fn advise(search: &Search<'_, '_>, known: &Circumstances) -> Result<Advice, AdviceError> {
    let (belief, sheet, setup, cases, _) = search.parts();
    if cases.iter().all(|c| c.aims.is_empty()) {
        return Err(AdviceError::NoTarget);
    }
    let now = as_it_is(search)?;
    let leave = leave(search, &now, known)?;
    let done = matches!(
        leave,
        Some(Leave::WithinTolerance { .. } | Leave::WeightToCome { .. } | Leave::WillSettle { .. })
    );
    let outcome = if done {
        super::search::Outcome::default()
    } else {
        search.best(SEARCHED)
    };
    let mut plans: Vec<Plan> = Vec::new();
    for found in outcome.found {
        if plans.len() == MOST_PLANS {
            break;
        }
        if found.value >= now.found.value - 1e-9 {
            continue;
        }
        let operations = setup.operations_to(&found.setup, &belief.model(setup, &[]));
        let more_of_the_same = plans.iter().any(|p| covers(&operations, &p.operations));
        if operations.is_empty() || more_of_the_same {
            continue;
        }
        plans.push(plan(search, found, Some(&now))?);
    }
    let leave = leave.or_else(|| plans.is_empty().then_some(Leave::NothingHelps));
    let good = |p: &Plan| {
        p.cases
            .iter()
            .all(|c| c.compared.iter().all(|a| a.share() <= 1.0))
    };
    let reached = done || plans.first().is_some_and(good);
    Ok(Advice {
        contradiction: contradiction(sheet, belief, setup, cases),
        in_the_way: if reached {
            Vec::new()
        } else {
            search.in_the_way()
        },
        blocked: outcome.blocked,
        tally: outcome.tally,
        now,
        leave,
        plans,
    })
}

/// Whether `more` does at least everything at every unit that `less` does.
fn covers(more: &[Operation], less: &[Operation]) -> bool {
    let alike = |a: &Operation, b: &Operation| match (a, b) {
        (Operation::Collar { unit: a, .. }, Operation::Collar { unit: b, .. }) => a == b,
        (a, b) => a == b,
    };
    let outs = |all: &[Operation]| {
        all.iter()
            .filter(|o| !matches!(o, Operation::Collar { .. }))
            .count()
    };
    outs(more) > outs(less) && less.iter().all(|l| more.iter().any(|m| alike(m, l)))
}

/// A set-up as a plan: what leads there and what it does.
///
/// # Errors
/// No rest in one of the cases.
pub fn plan(
    search: &Search<'_, '_>,
    found: Found,
    before: Option<&Plan>,
) -> Result<Plan, AdviceError> {
    let (belief, sheet, setup, cases, limits) = search.parts();
    let standings = standings(belief, &found.setup, cases)?;
    let mut results = Vec::new();
    for (case, standing) in cases.iter().zip(&standings) {
        results.push(result(belief, sheet, &found.setup, case, standing));
    }
    let aimed: Vec<_> = cases
        .iter()
        .zip(&standings)
        .flat_map(|(c, s)| c.aims.iter().map(move |a| (s, *a)))
        .collect();
    let of: Vec<_> = aimed.iter().map(|(s, a)| (*s, a.key)).collect();
    let (values, covariance) = belief.spread(&of);
    let low = DVector::from_iterator(
        aimed.len(),
        aimed.iter().map(|(_, a)| a.target - a.tolerance),
    );
    let high = DVector::from_iterator(
        aimed.len(),
        aimed.iter().map(|(_, a)| a.target + a.tolerance),
    );
    let risk = travel_risk(belief, &standings, limits.travel_share);
    let mut operations = setup.operations_to(&found.setup, &standings[0].model);
    in_order(&mut operations, &standings[0].model);
    let mut plan = Plan {
        operations,
        setup: found.setup.clone(),
        found,
        cases: results,
        probability: inside(&values, &covariance, &low, &high),
        risk,
        worse: Vec::new(),
    };
    if let Some(before) = before {
        plan.worse = worse(before, &plan);
    }
    Ok(plan)
}

/// Rear axle first, then front; on each what needs the coilover out, then collars.
fn in_order(operations: &mut [Operation], model: &crate::statics::Model) {
    let rank = |o: &Operation| match o {
        Operation::Spring { .. } => 0,
        Operation::Hole { .. } => 1,
        Operation::Collar { .. } => 2,
    };
    let out: Vec<usize> = operations
        .iter()
        .filter(|o| rank(o) < 2)
        .map(|o| o.unit())
        .collect();
    operations.sort_by_key(|o| {
        let unit = o.unit();
        (model.units[unit].axle, !out.contains(&unit), unit, rank(o))
    });
}

fn standings(
    belief: &Belief<'_>,
    setup: &Setup,
    cases: &[AimedCase],
) -> Result<Vec<Standing>, AdviceError> {
    cases
        .iter()
        .map(|case| {
            belief
                .standing(setup, &case.loads)
                .map_err(|source| AdviceError::Statics {
                    case: case.name.clone(),
                    source,
                })
        })
        .collect()
}

fn result(
    belief: &Belief<'_>,
    sheet: &BuildSheet,
    setup: &Setup,
    case: &AimedCase,
    standing: &Standing,
) -> CaseResult {
    let keys = QuantityKey::all(sheet, &standing.model);
    let of: Vec<_> = keys.iter().map(|k| (standing, *k)).collect();
    let (values, covariance) = belief.spread(&of);
    let quantities_known: Vec<Measured> = keys
        .iter()
        .enumerate()
        .map(|(i, &key)| Measured {
            key,
            value: values[i],
            uncertainty: covariance[(i, i)].max(0.0).sqrt(),
            origin: Origin::Assumed,
        })
        .collect();
    CaseResult {
        name: case.name.clone(),
        compared: compare(&case.aims, &quantities_known),
        quantities: quantities_known,
        found: quantities(&standing.model, &standing.rest, &sheet.stations),
        diagonal: super::diagonal::share(belief, setup, &case.loads),
    }
}

/// Probability that some unit has less than a share of its stroke left either way.
fn travel_risk(belief: &Belief<'_>, standings: &[Standing], share: f64) -> f64 {
    let mut of = Vec::new();
    let (mut low, mut high) = (Vec::new(), Vec::new());
    for standing in standings {
        for (i, unit) in standing.model.units.iter().enumerate() {
            let stroke = unit.extended - unit.compressed;
            of.push((standing, QuantityKey::Sag(i)));
            low.push(share * stroke);
            high.push((1.0 - share) * stroke);
        }
    }
    let (values, covariance) = belief.spread(&of);
    // What is out already is no risk of the plan.
    for i in 0..of.len() {
        if values[i] < low[i] || values[i] > high[i] {
            (low[i], high[i]) = (f64::NEG_INFINITY, f64::INFINITY);
        }
    }
    1.0 - inside(
        &values,
        &covariance,
        &DVector::from_vec(low),
        &DVector::from_vec(high),
    )
}

/// Probability of a normal vector being within a box.
///
/// # Method
/// Points of a Richtmyer lattice (fractional parts of multiples of roots of primes)
/// through the normal quantile and the root of the covariance; no chance in it, the
/// same answer every time.
pub fn inside(
    mean: &DVector<f64>,
    covariance: &DMatrix<f64>,
    low: &DVector<f64>,
    high: &DVector<f64>,
) -> f64 {
    const PRIMES: [f64; 16] = [
        2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0, 19.0, 23.0, 29.0, 31.0, 37.0, 41.0, 43.0, 47.0, 53.0,
    ];
    let n = mean.len();
    let eigen = covariance.clone().symmetric_eigen();
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    order.truncate(PRIMES.len());
    let root = DMatrix::from_fn(n, order.len(), |i, j| {
        eigen.eigenvectors[(i, order[j])] * eigen.eigenvalues[order[j]].max(0.0).sqrt()
    });
    let mut held = 0_usize;
    for point in 0..POINTS {
        let z = DVector::from_fn(order.len(), |j, _| {
            let u = ((point as f64 + 0.5) * PRIMES[j].sqrt()).fract();
            normal_quantile(u.clamp(1e-12, 1.0 - 1e-12)).unwrap_or(0.0)
        });
        let x = mean + &root * z;
        held += usize::from((0..n).all(|i| (low[i]..=high[i]).contains(&x[i])));
    }
    held as f64 / POINTS as f64
}

fn worst(cases: &[CaseResult]) -> Option<Compared> {
    let all = cases.iter().flat_map(|c| c.compared.iter());
    all.max_by(|a, b| a.share().total_cmp(&b.share())).copied()
}

fn leave(
    search: &Search<'_, '_>,
    now: &Plan,
    known: &Circumstances,
) -> Result<Option<Leave>, AdviceError> {
    let (belief, _, setup, cases, _) = search.parts();
    let Some(worst) = worst(&now.cases) else {
        return Err(AdviceError::NoTarget);
    };
    if worst.share() <= 1.0 {
        let to_come: Vec<usize> = cases[0]
            .loads
            .iter()
            .copied()
            .filter(|l| !known.loads_now.contains(l))
            .collect();
        if !to_come.is_empty()
            && let Ok(standing) = belief.standing(setup, &known.loads_now)
        {
            let case = AimedCase {
                loads: known.loads_now.clone(),
                ..cases[0].clone()
            };
            let today = result(belief, belief.sheet, setup, &case, &standing);
            let far = today
                .compared
                .iter()
                .max_by(|a, b| a.share().total_cmp(&b.share()));
            if let Some(far) = far.filter(|f| f.share() > 1.0)
                && let Some(then) = now.cases[0]
                    .compared
                    .iter()
                    .find(|c| c.aim.key == far.aim.key)
            {
                return Ok(Some(Leave::WeightToCome {
                    loads: to_come,
                    now: *far,
                    then: *then,
                }));
            }
        }
        return Ok(Some(Leave::WithinTolerance { worst }));
    }
    let change = |key: QuantityKey| match key {
        QuantityKey::Height(i) => known
            .settling
            .iter()
            .find(|s| s.station == i)
            .map(|s| s.change),
        _ => None,
    };
    let settled =
        |c: &Compared| (c.deviation() + change(c.aim.key).unwrap_or(0.0)).abs() <= c.aim.tolerance;
    if let Some(by) = change(worst.aim.key)
        && now.cases.iter().all(|c| c.compared.iter().all(settled))
    {
        return Ok(Some(Leave::WillSettle {
            now: worst,
            change: by,
        }));
    }
    let clear = |c: &Compared| c.share() > 1.0 && c.deviation().abs() > COVERAGE_95 * c.uncertainty;
    if !now.cases.iter().any(|c| c.compared.iter().any(clear)) {
        let case = now
            .cases
            .iter()
            .position(|c| c.compared.contains(&worst))
            .unwrap_or(0);
        let decider = belief
            .standing(setup, &cases[case].loads)
            .ok()
            .and_then(|s| belief.decider(&s, worst.aim.key));
        return Ok(Some(Leave::CannotTell { worst, decider }));
    }
    Ok(None)
}

fn worse(before: &Plan, after: &Plan) -> Vec<(usize, Worse)> {
    let mut list = Vec::new();
    for (i, (b, a)) in before.cases.iter().zip(&after.cases).enumerate() {
        for (u, (x, y)) in b.found.units.iter().zip(&a.found.units).enumerate() {
            let stroke = (x.travel_up + x.travel_down).m();
            let mut less =
                |make: fn(usize, f64, f64) -> Worse, from: f64, to: f64, matters: f64| {
                    if to < from - WORTH_SAYING_M && to < matters {
                        list.push((i, make(u, from, to)));
                    }
                };
            less(
                Worse::TravelUp,
                x.travel_up.m(),
                y.travel_up.m(),
                0.4 * stroke,
            );
            less(
                Worse::TravelDown,
                x.travel_down.m(),
                y.travel_down.m(),
                0.25 * stroke,
            );
            if i == 0 {
                less(Worse::Preload, x.preload.m(), y.preload.m(), 0.010);
            }
        }
        for (x, y) in b.compared.iter().zip(&a.compared) {
            if y.share() > x.share() + 0.1 && y.share() > 0.5 {
                list.push((i, Worse::Aim(x.aim.key, x.deviation(), y.deviation())));
            }
        }
        if let (Some((x, _)), Some((y, _))) = (b.diagonal, a.diagonal)
            && (y - 0.5).abs() > (x - 0.5).abs() + 0.003
        {
            list.push((i, Worse::Diagonal(x, y)));
        }
        for (axle, (x, y)) in b.found.axles.iter().zip(&a.found.axles).enumerate() {
            if let (Some(x), Some(y)) = (x.frequency, y.frequency)
                && (y.hz() / x.hz() - 1.0).abs() > 0.08
            {
                list.push((i, Worse::Frequency(axle, x.hz(), y.hz())));
            }
        }
    }
    list
}

/// The pose nearest to all aims of the first case: where it leaves one outside, the
/// aims contradict each other.
fn contradiction(
    sheet: &BuildSheet,
    belief: &Belief<'_>,
    setup: &Setup,
    cases: &[AimedCase],
) -> Option<(Compared, Compared)> {
    let case = cases.first()?;
    let standing = belief.standing(setup, &case.loads).ok()?;
    let model = &standing.model;
    let mut state: PostureState = standing.state;
    let n = case.aims.len();
    for _ in 0..20 {
        let mut slopes = DMatrix::zeros(n, COORDINATES);
        let mut off = DVector::zeros(n);
        for (r, aim) in case.aims.iter().enumerate() {
            let (value, g) = aim.key.with_gradient(sheet, model, &state);
            off[r] = (value - aim.target) / aim.tolerance;
            for i in (0..COORDINATES).filter(|&i| !model.held(i)) {
                slopes[(r, i)] = g[i] / aim.tolerance;
            }
        }
        let step = slopes.svd(true, true).solve(&(-off), 1e-9).ok()?;
        let mut part = state.fixed_rows_mut::<COORDINATES>(0);
        part += &step;
        if step.amax() < 1e-9 {
            break;
        }
    }
    let mut left: Vec<Compared> = case
        .aims
        .iter()
        .map(|aim| Compared {
            aim: *aim,
            value: aim.key.with_gradient(sheet, model, &state).0,
            uncertainty: 0.0,
            verdict: crate::compare::Verdict::Outside,
        })
        .collect();
    left.sort_by(|a, b| b.share().total_cmp(&a.share()));
    let [first, second, ..] = left.as_slice() else {
        return None;
    };
    (first.share() > 1.0 + 1e-6).then_some((*first, *second))
}
