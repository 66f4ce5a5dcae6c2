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

fn unit(key: QuantityKey) -> &'static str {
    if key.is_angle() { "deg" } else { "mm" }
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
    json!({
        "limit": b.limit.code(),
        "unit": basis.unit(b.unit),
        "sentence": basis.blocked(b),
        "by_mm_or_deg": if b.limit == crate::advice::Limit::LinkAngle { b.by.to_degrees() } else { b.by * 1e3 },
    })
}

fn compared(basis: &Basis<'_>, c: &Compared) -> Value {
    let key = c.aim.key;
    json!({
        "name": basis.aim(key), "unit": unit(key),
        "value": shown(key, c.value), "interval95": shown(key, COVERAGE_95 * c.uncertainty),
        "target": shown(key, c.aim.target), "tolerance": shown(key, c.aim.tolerance),
        "off": shown(key, c.deviation()), "verdict": c.verdict,
    })
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
        "quantities": c.quantities.iter().map(|m| json!({
            "name": m.key.name(basis.sheet, basis.model), "unit": unit(m.key),
            "value": shown(m.key, m.value), "interval95": shown(m.key, COVERAGE_95 * m.uncertainty),
        })).collect::<Vec<_>>(),
        "units": c.found.units.iter().map(|u| json!({
            "name": u.name, "travel_up_mm": u.travel_up.mm(), "travel_down_mm": u.travel_down.mm(),
            "preload_at_droop_mm": u.preload.mm(), "bind_margin_mm": u.bind_margin.map(crate::quantity::Length::mm),
            "force_n": u.force.n(), "length_mm": u.length.mm(),
        })).collect::<Vec<_>>(),
        "wheel_loads_n": c.found.axles.iter().map(|a| json!({
            "axle": a.name, "left": a.wheel_loads[0].n(), "right": a.wheel_loads[1].n(),
            "ride_hz": a.frequency.map(crate::quantity::Frequency::hz),
        })).collect::<Vec<_>>(),
        "diagonal_share": c.diagonal.map(|d| d.0),
        "diagonal_interval95": c.diagonal.map(|d| COVERAGE_95 * d.1),
    })
}

fn worse(basis: &Basis<'_>, case: usize, w: &Worse) -> Value {
    let (what, of, before, after) = match *w {
        Worse::TravelUp(u, a, b) => ("travel_up_mm", basis.unit(u).to_owned(), a * 1e3, b * 1e3),
        Worse::TravelDown(u, a, b) => {
            ("travel_down_mm", basis.unit(u).to_owned(), a * 1e3, b * 1e3)
        }
        Worse::Preload(u, a, b) => (
            "preload_at_droop_mm",
            basis.unit(u).to_owned(),
            a * 1e3,
            b * 1e3,
        ),
        Worse::Aim(key, a, b) => ("off", basis.aim(key), shown(key, a), shown(key, b)),
        Worse::Diagonal(a, b) => ("diagonal_share", String::new(), a, b),
        Worse::Frequency(axle, a, b) => (
            "ride_hz",
            basis
                .sheet
                .axles
                .get(axle)
                .map_or_else(String::new, |x| x.name.clone()),
            a,
            b,
        ),
    };
    json!({ "case": case, "what": what, "of": of, "before": before, "after": after })
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
            Objection::Further(i, key, a, b) => json!({
                "case": i, "further_off": basis.aim(*key), "unit": unit(*key), "before": shown(*key, *a), "after": shown(*key, *b),
            }),
            Objection::TooSmall { key, change, half } => json!({
                "too_small": basis.aim(*key), "unit": unit(*key), "change": shown(*key, *change), "interval95": shown(*key, *half),
            }),
            Objection::Value(a, b) => json!({ "worse_value": { "before": a, "after": finite(*b) } }),
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
        "sensors": verdict.sensors.iter().map(|s| json!({
            "name": basis.sheet.sensors[s.sensor].name, "unit": unit(key(s.sensor)),
            "predicted": shown(key(s.sensor), s.predicted), "interval95": shown(key(s.sensor), COVERAGE_95 * s.uncertainty),
            "found": shown(key(s.sensor), s.found), "kept": s.kept(),
        })).collect::<Vec<_>>(),
        "explanations": verdict.explanations.iter().map(|(e, left)| {
            let (what, of, value) = match *e {
                Explanation::Pitch { unit, pitch } => ("pitch_mm", unit.map(|u| basis.unit(u)), pitch * 1e3),
                Explanation::Slipped { unit, by } => ("slipped_mm", Some(basis.unit(unit)), by * 1e3),
                Explanation::OtherHole { unit, hole, .. } => ("other_hole", Some(basis.unit(unit)), hole as f64),
                Explanation::Settled { share } => ("settled_share", None, share),
            };
            json!({ "what": what, "of": of, "value": value, "chi_square_left": left })
        }).collect::<Vec<_>>(),
    })
}
