//! The logbook as CSV (RFC 4180): one line of a table for each kept reading,
//! and another table for marks and changes.
//!
//! In: records. Out: text with CRLF line ends, a header with the unit of each
//! column in brackets, moments in UTC, uncertainties as half of the 95 %
//! interval.

use super::log_table::change_words;
use super::recorded::{COVERAGE_95, Shown, shown, utc};
use crate::logbook::{Change, ChangeKind, Kept, Load, Logged, Mark, MarkKind, Origin, Unit};
use crate::quantity::{Moment, UnitSystem};

/// The kept readings, oldest first; a quantity that a reading does not have
/// is an empty field.
pub fn kept_csv(kept: &[Kept], units: UnitSystem) -> String {
    let mut columns: Vec<(&str, Unit)> = Vec::new();
    for quantity in kept.iter().flat_map(|k| &k.reading.quantities) {
        let column = (quantity.name.as_str(), quantity.unit);
        if !columns.contains(&column) {
            columns.push(column);
        }
    }
    let mass = shown(Unit::Kilogram, units);
    let mut header: Vec<String> = ["moment [UTC]", "number", "sitting", "case", "loads"]
        .map(String::from)
        .into();
    header.push(titled("weight of the loads", mass));
    header.extend(["kept by", "still for [s]", "intact", "note"].map(String::from));
    for &(name, unit) in &columns {
        let shown = shown(unit, units);
        header.push(titled(name, shown));
        header.push(titled(&format!("{name} +/- 95 %"), shown));
        header.push(format!("{name} from"));
    }
    let mut text = line(&header);
    for kept in kept {
        let reading = &kept.reading;
        let loads: Vec<_> = reading.loads.iter().map(|l| l.name.as_str()).collect();
        let mut fields = vec![
            utc(reading.at),
            kept.id.0.to_string(),
            kept.sitting.0.to_string(),
            reading.case.clone().unwrap_or_default(),
            loads.join("; "),
            mass.fine_text(reading.loads.iter().map(|l| l.mass_kg).sum()),
            reading.by.word().into(),
            reading
                .still_since
                .map_or_else(String::new, |s| reading.at.since(s).s().to_string()),
            if kept.intact { "yes" } else { "no" }.into(),
            reading.note.clone(),
        ];
        for &(name, unit) in &columns {
            let shown = shown(unit, units);
            let found = reading
                .quantities
                .iter()
                .find(|q| q.name == name && q.unit == unit);
            fields.extend(found.map_or_else(Default::default, |q| {
                [
                    shown.fine_text(q.value),
                    shown.fine_text(q.standard_uncertainty * COVERAGE_95),
                    match q.origin {
                        Origin::Measured => "measured".into(),
                        Origin::Assumed => "assumed".into(),
                    },
                ]
            }));
        }
        text.push_str(&line(&fields));
    }
    text
}

/// Marks and changes together, oldest first.
pub fn events_csv(marks: &[Logged<Mark>], changes: &[Logged<Change>], units: UnitSystem) -> String {
    let (mass, length) = (shown(Unit::Kilogram, units), shown(Unit::Metre, units));
    let mut text = line(&[
        "moment [UTC]".into(),
        "sitting".into(),
        "event".into(),
        "what".into(),
        titled("weight", mass),
        titled("x", length),
        titled("y", length),
        titled("z", length),
        "collar [turns]".into(),
        "note".into(),
    ]);
    let mut lines: Vec<(Moment, String)> = Vec::new();
    for logged in changes {
        let change = &logged.record;
        let turns = match change.kind {
            ChangeKind::Collar { turns, .. } => turns.to_string(),
            _ => String::new(),
        };
        let empty = String::new;
        lines.push((
            change.at,
            line(&[
                utc(change.at),
                logged.sitting.0.to_string(),
                "change".into(),
                change_words(change),
                empty(),
                empty(),
                empty(),
                empty(),
                turns,
                change.note.clone(),
            ]),
        ));
    }
    for logged in marks {
        let mark = &logged.record;
        let (event, load): (_, Option<&Load>) = match &mark.kind {
            MarkKind::LoadOn(load) => ("load on", Some(load)),
            MarkKind::LoadOff(load) => ("load off", Some(load)),
            MarkKind::Note => ("note", None),
        };
        let place = |axis: usize| {
            load.and_then(|l| l.at_m)
                .map_or_else(String::new, |at| length.fine_text(at[axis]))
        };
        lines.push((
            mark.at,
            line(&[
                utc(mark.at),
                logged.sitting.0.to_string(),
                event.into(),
                load.map_or_else(String::new, |l| l.name.clone()),
                load.map_or_else(String::new, |l| mass.fine_text(l.mass_kg)),
                place(0),
                place(1),
                place(2),
                String::new(),
                mark.note.clone(),
            ]),
        ));
    }
    lines.sort_by_key(|(at, _)| *at);
    text.extend(lines.into_iter().map(|(_, line)| line));
    text
}

fn titled(name: &str, shown: Shown) -> String {
    if shown.label.is_empty() {
        name.into()
    } else {
        format!("{name} [{}]", shown.label)
    }
}

/// One record. Source: RFC 4180, section 2, rules 1 and 4 to 7.
fn line(fields: &[String]) -> String {
    let quoted: Vec<String> = fields.iter().map(|field| quote(field)).collect();
    quoted.join(",") + "\r\n"
}

fn quote(field: &str) -> String {
    if field.contains(['"', ',', '\r', '\n']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.into()
    }
}
