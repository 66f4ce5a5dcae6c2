//! An operation of the builder's own: what it would do, and what speaks against it.
//!
//! In: a prepared search and operations. Out: the plan that they are, and every
//! objection with its number. Refused: nothing that the sheet has.

use super::choices::{Limit, collar_limits};
use super::order::changed;
use super::plans::{AdviceError, Plan, plan};
use super::search::{Found, Search};
use super::setup::Operation;
use crate::compare::{COVERAGE_95, Compared};
use crate::posture::QuantityKey;

/// What speaks against an operation.
#[derive(Debug, Clone, PartialEq)]
pub enum Objection {
    /// A limit is broken at a unit, by so much (metres, radians).
    Limit {
        /// The unit.
        unit: usize,
        /// The limit.
        limit: Limit,
        /// By how much.
        by: f64,
    },
    /// An aim gets further off, from and to (SI).
    Further(usize, QuantityKey, f64, f64),
    /// It changes nothing by more than what is unsure of it.
    TooSmall {
        /// The largest change of an aim, and half of its 95 % interval.
        key: QuantityKey,
        /// Change, SI.
        change: f64,
        /// Half interval, SI.
        half: f64,
    },
    /// It makes the value worse, from and to (squared tolerances).
    Value(f64, f64),
}

/// What an operation would do, and what speaks against it.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// As a plan.
    pub plan: Plan,
    /// Objections; empty where nothing speaks against it.
    pub against: Vec<Objection>,
}

/// Works out the builder's own operations. None where the sheet does not have them.
///
/// # Errors
/// No rest with them.
pub fn why(
    search: &Search<'_, '_>,
    now: &Plan,
    operations: &[Operation],
) -> Result<Option<Answer>, AdviceError> {
    let (belief, sheet, setup, cases, _) = search.parts();
    let model = belief.model(setup, &[]);
    let Some(then) = changed(sheet, &model, setup, operations) else {
        return Ok(None);
    };
    let (found, broken) = match search.value_of(&then) {
        Ok(found) => (found, None),
        Err(blocked) => {
            let unknown = Found {
                setup: then.clone(),
                value: f64::NAN,
                misfit: f64::NAN,
                twist: 0.0,
                effort: f64::NAN,
                risk: 0.0,
            };
            (unknown, Some(blocked))
        }
    };
    let plan = plan(search, found, Some(now))?;
    let mut against = Vec::new();
    if let Some(b) = broken {
        against.push(Objection::Limit {
            unit: b.unit,
            limit: b.limit,
            by: b.by,
        });
    }
    let mut as_set = belief.model(&then, &cases[0].loads);
    then.put_on(sheet, &mut as_set);
    for unit in 0..then.0.len() {
        if then.0[unit] == setup.0[unit] {
            continue;
        }
        let at = then.0[unit].collar;
        for (i, (limit, height)) in collar_limits(sheet, &as_set, unit).into_iter().enumerate() {
            let by = if i < 2 { height - at } else { at - height };
            if by > 1e-6 {
                against.push(Objection::Limit { unit, limit, by });
            }
        }
    }
    let (mut largest, mut any_better) = (None::<(QuantityKey, f64, f64)>, false);
    for (i, (before, after)) in now.cases.iter().zip(&plan.cases).enumerate() {
        for (b, a) in before.compared.iter().zip(&after.compared) {
            let change = a.value - b.value;
            let size = |c: &Compared, by: f64| by.abs() / c.aim.tolerance;
            if largest.is_none_or(|l| size(b, change) > l.1.abs() / b.aim.tolerance) {
                largest = Some((b.aim.key, change, COVERAGE_95 * b.uncertainty));
            }
            any_better |= a.share() < b.share() - 0.05;
            if a.share() > b.share() + 0.1 && a.share() > 0.5 {
                against.push(Objection::Further(
                    i,
                    b.aim.key,
                    b.deviation(),
                    a.deviation(),
                ));
            }
        }
    }
    if let Some((key, change, half)) = largest.filter(|l| l.1.abs() < 0.5 * l.2) {
        against.push(Objection::TooSmall { key, change, half });
    }
    if plan.found.value > now.found.value + 1e-9 && !any_better {
        against.push(Objection::Value(now.found.value, plan.found.value));
    }
    Ok(Some(Answer { plan, against }))
}
