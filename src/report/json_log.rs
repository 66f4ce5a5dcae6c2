//! The logbook as JSON: one document, or a line for each record.
//!
//! In: records. Out: text; always millimetres, degrees, newtons, kilograms
//! and seconds, the unit at the end of the key (`value_mm`). Covariances stay
//! in the units of the coordinates' names. Uncertainties are there as
//! standard uncertainty and as half of the 95 % interval.

use serde_json::{Map, Value, json};

use super::recorded::{COVERAGE_95, shown, utc};
use crate::logbook::{
    Change, ChangeKind, History, Kept, KeptState, Load, Logged, Mark, MarkKind, Unit,
};
use crate::quantity::{Moment, UnitSystem};

/// The whole history as one indented document.
pub fn history_json(history: &History) -> String {
    let list = |values: Vec<Value>| Value::Array(values);
    let document = json!({
        "kept": list(history.kept.iter().map(kept).collect()),
        "marks": list(history.marks.iter().map(mark).collect()),
        "changes": list(history.changes.iter().map(change).collect()),
    });
    format!("{document:#}\n")
}

/// The whole history, a line for each record, oldest first; the key `record`
/// says which kind it is.
pub fn history_json_lines(history: &History) -> String {
    let mut records: Vec<(Moment, &str, Value)> = Vec::new();
    records.extend(
        history
            .changes
            .iter()
            .map(|c| (c.record.at, "change", change(c))),
    );
    records.extend(history.marks.iter().map(|m| (m.record.at, "mark", mark(m))));
    records.extend(history.kept.iter().map(|k| (k.reading.at, "kept", kept(k))));
    records.sort_by_key(|(at, ..)| *at);
    let mut text = String::new();
    for (_, kind, mut record) in records {
        record["record"] = kind.into();
        text.push_str(&record.to_string());
        text.push('\n');
    }
    text
}

/// One kept reading.
pub(super) fn kept(kept: &Kept) -> Value {
    let reading = &kept.reading;
    let quantities: Vec<Value> = reading
        .quantities
        .iter()
        .map(|q| {
            let mut map = Map::new();
            map.insert("name".into(), q.name.clone().into());
            put(&mut map, "value", q.unit, Some(q.value));
            let u = q.standard_uncertainty;
            put(&mut map, "standard_uncertainty", q.unit, Some(u));
            put(&mut map, "uncertainty_95", q.unit, Some(u * COVERAGE_95));
            map.insert("origin".into(), q.origin.word().into());
            map.into()
        })
        .collect();
    let sensors: Vec<Value> = reading
        .sensors
        .iter()
        .map(|s| {
            let mut map = Map::new();
            map.insert("name".into(), s.name.clone().into());
            put(&mut map, "value", s.unit, s.value);
            put(&mut map, "noise_uncertainty", s.unit, s.noise_uncertainty);
            put(
                &mut map,
                "zero_uncertainty",
                s.unit,
                Some(s.zero_uncertainty),
            );
            map.insert("quality".into(), s.quality.clone().into());
            map.into()
        })
        .collect();
    json!({
        "number": kept.id.0,
        "sitting": kept.sitting.0,
        "at": utc(reading.at),
        "still_since": reading.still_since.map(utc),
        "still_for_s": reading.still_since.map(|since| reading.at.since(since).s()),
        "case": reading.case,
        "loads": reading.loads.iter().map(load).collect::<Vec<_>>(),
        "by": reading.by.word(),
        "note": reading.note,
        "intact": kept.intact,
        "quantities": quantities,
        "sensors": sensors,
        "state": reading.state.as_ref().map(state),
    })
}

/// One mark.
pub(super) fn mark(logged: &Logged<Mark>) -> Value {
    let (kind, what) = match &logged.record.kind {
        MarkKind::LoadOn(what) => ("load on", Some(what)),
        MarkKind::LoadOff(what) => ("load off", Some(what)),
        MarkKind::Note => ("note", None),
    };
    json!({
        "number": logged.id,
        "sitting": logged.sitting.0,
        "at": utc(logged.record.at),
        "kind": kind,
        "load": what.map(load),
        "note": logged.record.note,
    })
}

/// One change.
pub(super) fn change(logged: &Logged<Change>) -> Value {
    let mut value = match &logged.record.kind {
        ChangeKind::Collar { coilover, turns } => {
            json!({"kind": "collar", "coilover": coilover, "turns": turns})
        }
        ChangeKind::Hole {
            coilover,
            end,
            from,
            to,
        } => json!({
            "kind": "hole", "coilover": coilover, "end": end.word(), "from": from, "to": to,
        }),
        ChangeKind::Spring { coilover, spring } => {
            json!({"kind": "spring", "coilover": coilover, "spring": spring})
        }
        ChangeKind::Other => json!({"kind": "other"}),
    };
    value["number"] = logged.id.into();
    value["sitting"] = logged.sitting.0.into();
    value["at"] = utc(logged.record.at).into();
    value["note"] = logged.record.note.clone().into();
    value
}

fn load(load: &Load) -> Value {
    let mm = |m| tidy(shown(Unit::Metre, UnitSystem::Metric).value(m));
    json!({
        "name": load.name,
        "mass_kg": load.mass_kg,
        "at_mm": load.at_m.map(|at| at.map(mm)),
    })
}

fn state(state: &KeptState) -> Value {
    let rows: Vec<&[f64]> = state
        .covariance
        .chunks(state.coordinates.len().max(1))
        .collect();
    json!({
        "coordinates": state.coordinates,
        "values": state.values,
        "covariance": rows,
    })
}

/// A number with its unit at the end of the key; null where there is none.
fn put(map: &mut Map<String, Value>, name: &str, unit: Unit, si: Option<f64>) {
    let shown = shown(unit, UnitSystem::Metric);
    let key = if shown.key.is_empty() {
        name.to_owned()
    } else {
        format!("{name}_{}", shown.key)
    };
    map.insert(key, si.map(|si| tidy(shown.value(si))).into());
}

/// Twelve digits: more than was measured, without the noise of converting.
fn tidy(value: f64) -> f64 {
    format!("{value:.11e}").parse().unwrap_or(value)
}
