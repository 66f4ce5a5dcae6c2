//! Advice as JSON: mm, deg, N, kg, Hz; probabilities from 0 to 1.

use super::text::{leave_sentence, unknown_words};
use super::{Basis, operation_words, plan_steps};
use crate::advice::{
    Advice, Answer, Blocked, CaseResult, Explanation, Leave, Objection, Operation, Plan,
    PromiseVerdict, Worse,
};
use crate::compare::{COVERAGE_95, Compared};
use crate::posture::QuantityKey;
use serde_json::{Value, json};

fn shown(key: QuantityKey, si: f64) -> f64 {
    if key.is_angle() {
        si.to_degrees()
    } else {
        si * 1e3
    }
}

/// Puts a value in, with its unit at the end of its key.
fn put(into: &mut Value, name: &str, key: QuantityKey, si: f64) {
    let unit = if key.is_angle() { "deg" } else { "mm" };
    into[format!("{name}_{unit}")] = json!(shown(key, si));
}

/// The whole advice.
pub fn advice_json(basis: &Basis<'_>, advice: &Advice) -> Value {
    json!({
        "newest_reading": basis.newest,
        "readings": basis.readings,
        "changes": basis.changes,
        "remarks": basis.remarks,
        "leave_it": advice.leave.as_ref().map(|l| leave(basis, l)),
        "as_it_is": plan(basis, &advice.now),
        "plans": advice.plans.iter().map(|p| plan(basis, p)).collect::<Vec<_>>(),
        "contradiction": advice.contradiction.map(|(a, b)| json!([compared(basis, &a), compared(basis, &b)])),
        "in_the_way": advice.in_the_way.iter().map(|b| blocked(basis, b)).collect::<Vec<_>>(),
        "blocked": advice.blocked.iter().map(|b| blocked(basis, b)).collect::<Vec<_>>(),
        "search": {
            "combinations": advice.tally.combinations,
            "bounded": advice.tally.bounded,
            "worked_out": advice.tally.valued,
            "margin_tolerances": advice.tally.slack,
        },
    })
}

fn leave(basis: &Basis<'_>, leave: &Leave) -> Value {
    let code = match leave {
        Leave::WithinTolerance { .. } => "within_tolerance",
        Leave::WeightToCome { .. } => "weight_to_come",
        Leave::WillSettle { .. } => "will_settle",
        Leave::CannotTell { .. } => "cannot_tell",
        Leave::NothingHelps => "nothing_helps",
    };
    let decider = match leave {
        Leave::CannotTell {
            decider: Some((unknown, _)),
            ..
        } => Some(unknown_words(basis, *unknown)),
        _ => None,
    };
    json!({ "why": code, "sentence": leave_sentence(basis, leave), "decider": decider })
}

fn blocked(basis: &Basis<'_>, b: &Blocked) -> Value {
    let mut value = json!({
        "limit": b.limit.code(),
        "unit": basis.unit(b.unit),
        "sentence": basis.blocked(b),
    });
    let (key, by) = if b.limit == crate::advice::Limit::LinkAngle {
        ("by_deg", b.by.to_degrees())
    } else {
        ("by_mm", b.by * 1e3)
    };
    value[key] = json!(by);
    value
}

fn compared(basis: &Basis<'_>, c: &Compared) -> Value {
    let key = c.aim.key;
    let mut value = json!({ "name": basis.aim(key), "verdict": c.verdict });
    for (name, si) in [
        ("value", c.value),
        ("interval95", COVERAGE_95 * c.uncertainty),
        ("target", c.aim.target),
        ("tolerance", c.aim.tolerance),
        ("off", c.deviation()),
    ] {
        put(&mut value, name, key, si);
    }
    value
}

fn operation(basis: &Basis<'_>, o: &Operation) -> Value {
    let (kind, turns) = match o {
        Operation::Collar { turns, .. } => ("collar", Some(*turns)),
        Operation::Hole { .. } => ("hole", None),
        Operation::Spring { .. } => ("spring", None),
    };
    json!({ "kind": kind, "unit": basis.unit(o.unit()), "turns": turns, "words": operation_words(basis, o) })
}

fn case(basis: &Basis<'_>, c: &CaseResult) -> Value {
    json!({
        "case": c.name,
        "aims": c.compared.iter().map(|a| compared(basis, a)).collect::<Vec<_>>(),
        "quantities": c.quantities.iter().map(|m| {
            let mut value = json!({ "name": m.key.name(basis.sheet, basis.model) });
            put(&mut value, "value", m.key, m.value);
            put(&mut value, "interval95", m.key, COVERAGE_95 * m.uncertainty);
            value
        }).collect::<Vec<_>>(),
        "units": c.found.units.iter().map(|u| json!({
            "name": u.name, "travel_up_mm": u.travel_up.mm(), "travel_down_mm": u.travel_down.mm(),
            "preload_at_droop_mm": u.preload.mm(), "bind_margin_mm": u.bind_margin.map(crate::quantity::Length::mm),
            "force_n": u.force.n(), "length_mm": u.length.mm(),
        })).collect::<Vec<_>>(),
        "axles": c.found.axles.iter().map(|a| json!({
            "name": a.name, "wheel_load_left_n": a.wheel_loads[0].n(), "wheel_load_right_n": a.wheel_loads[1].n(),
            "ride_hz": a.frequency.map(crate::quantity::Frequency::hz),
        })).collect::<Vec<_>>(),
        "diagonal_share": c.diagonal.map(|d| d.0),
        "diagonal_interval95": c.diagonal.map(|d| COVERAGE_95 * d.1),
    })
}

/// What gets worse, before and after, the unit at the end of the keys.
fn worse(basis: &Basis<'_>, case: usize, w: &Worse) -> Value {
    let unit_name = |u: usize| basis.unit(u).to_owned();
    let (what, of, unit, factor, before, after) = match *w {
        Worse::TravelUp(u, a, b) => ("travel up", unit_name(u), "_mm", 1e3, a, b),
        Worse::TravelDown(u, a, b) => ("travel down", unit_name(u), "_mm", 1e3, a, b),
        Worse::Preload(u, a, b) => ("preload at droop", unit_name(u), "_mm", 1e3, a, b),
        Worse::Aim(key, a, b) => {
            let unit = if key.is_angle() { "_deg" } else { "_mm" };
            ("off", basis.aim(key), unit, shown(key, 1.0), a, b)
        }
        Worse::Diagonal(a, b) => ("diagonal share", String::new(), "", 1.0, a, b),
        Worse::Frequency(axle, a, b) => {
            let axles = &basis.sheet.axles;
            let name = axles.get(axle).map_or_else(String::new, |x| x.name.clone());
            ("ride frequency", name, "_hz", 1.0, a, b)
        }
    };
    json!({
        "case": case, "what": what, "of": of,
        format!("before{unit}"): before * factor, format!("after{unit}"): after * factor,
    })
}

fn plan(basis: &Basis<'_>, p: &Plan) -> Value {
    json!({
        "operations": p.operations.iter().map(|o| operation(basis, o)).collect::<Vec<_>>(),
        "steps": plan_steps(basis, p),
        "probability_within_tolerance": p.probability,
        "probability_travel_limit_broken": p.risk,
        "value": finite(p.found.value), "misfit": finite(p.found.misfit),
        "twist": finite(p.found.twist), "effort": finite(p.found.effort), "risk_cost": finite(p.found.risk),
        "cases": p.cases.iter().map(|c| case(basis, c)).collect::<Vec<_>>(),
        "worse": p.worse.iter().map(|(i, w)| worse(basis, *i, w)).collect::<Vec<_>>(),
    })
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// What an operation of the builder's own would do.
pub fn answer_json(basis: &Basis<'_>, answer: &Answer) -> Value {
    let against: Vec<Value> = answer
        .against
        .iter()
        .map(|o| match o {
            Objection::Limit { unit, limit, by } => blocked(
                basis,
                &Blocked {
                    unit: *unit,
                    limit: *limit,
                    by: *by,
                },
            ),
            Objection::Further(i, key, a, b) => {
                let mut value = json!({ "case": i, "further_off": basis.aim(*key) });
                put(&mut value, "before", *key, *a);
                put(&mut value, "after", *key, *b);
                value
            }
            Objection::TooSmall { key, change, half } => {
                let mut value = json!({ "too_small": basis.aim(*key) });
                put(&mut value, "change", *key, *change);
                put(&mut value, "interval95", *key, *half);
                value
            }
            Objection::Value(a, b) => {
                json!({ "worse_value": { "before": a, "after": finite(*b) } })
            }
        })
        .collect();
    json!({ "plan": plan(basis, &answer.plan), "against": against })
}

/// Whether a promise was kept.
pub fn promise_json(basis: &Basis<'_>, verdict: &PromiseVerdict) -> Value {
    let key = |sensor: usize| match basis.sheet.sensors[sensor].reads {
        crate::sheet::Measurand::Tilt { .. } => QuantityKey::Roll,
        _ => QuantityKey::Height(0),
    };
    json!({
        "kept": verdict.kept(), "chi_square": verdict.chi_square, "limit95": verdict.limit,
        "sensors": verdict.sensors.iter().map(|s| {
            let key = key(s.sensor);
            let mut value = json!({ "name": basis.sheet.sensors[s.sensor].name, "kept": s.kept() });
            put(&mut value, "predicted", key, s.predicted);
            put(&mut value, "interval95", key, COVERAGE_95 * s.uncertainty);
            put(&mut value, "found", key, s.found);
            value
        }).collect::<Vec<_>>(),
        "explanations": verdict.explanations.iter().map(|(e, left)| {
            let (what, of, key, number) = match *e {
                Explanation::Pitch { unit, pitch } => ("pitch", unit.map(|u| basis.unit(u)), "value_mm", pitch * 1e3),
                Explanation::Slipped { unit, by } => ("slipped", Some(basis.unit(unit)), "value_mm", by * 1e3),
                Explanation::OtherHole { unit, hole, .. } => ("other hole", Some(basis.unit(unit)), "hole", hole as f64),
                Explanation::Settled { share } => ("settled", None, "share", share),
            };
            json!({ "what": what, "of": of, key: number, "chi_square_left": left })
        }).collect::<Vec<_>>(),
    })
}
