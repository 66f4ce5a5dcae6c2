//! The logbook as Arrow tables, for notebooks: one row for each kept reading, and
//! another table for marks and changes.
//!
//! In: records. Out: an Arrow IPC file each, as bytes; millimetres, degrees and
//! kilograms whatever the sheet's own units, the unit at the end of each column's
//! name and in its metadata; moments in UTC; uncertainties as half of the 95 %
//! interval. Refused: what the library refuses, which is nothing that a logbook has.

use super::log_table::change_words;
use super::recorded::{COVERAGE_95, shown};
use crate::logbook::{Change, ChangeKind, Kept, Load, Logged, Mark, MarkKind, Origin, Unit};
use crate::quantity::UnitSystem;
use arrow_array::{
    ArrayRef, BooleanArray, Float64Array, Int64Array, RecordBatch, StringArray,
    TimestampMicrosecondArray,
};
use arrow_ipc::writer::FileWriter;
use arrow_schema::{ArrowError, DataType, Field, Schema, TimeUnit};
use std::collections::HashMap;
use std::sync::Arc;

/// Why no table could be made.
#[derive(Debug, thiserror::Error)]
#[error("no Arrow table could be made: {source}")]
pub struct TableError {
    /// What the library said.
    #[from]
    source: ArrowError,
}

/// A table while it grows to the right.
#[derive(Default)]
struct Columns {
    fields: Vec<Field>,
    arrays: Vec<ArrayRef>,
}

impl Columns {
    fn put(&mut self, field: Field, array: ArrayRef) {
        self.fields.push(field);
        self.arrays.push(array);
    }

    fn moments(&mut self, all: Vec<i64>) {
        let kind = DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()));
        let array = TimestampMicrosecondArray::from(all).with_timezone("UTC");
        self.put(Field::new("time", kind, false), Arc::new(array));
    }

    fn integers(&mut self, name: &str, all: Vec<i64>) {
        let field = Field::new(name, DataType::Int64, false);
        self.put(field, Arc::new(Int64Array::from(all)));
    }

    fn numbers(&mut self, name: &str, unit: &str, all: Vec<Option<f64>>) {
        let about = HashMap::from([("unit".to_owned(), unit.to_owned())]);
        let field = Field::new(name, DataType::Float64, true).with_metadata(about);
        self.put(field, Arc::new(Float64Array::from(all)));
    }

    fn words(&mut self, name: &str, all: Vec<Option<String>>) {
        let field = Field::new(name, DataType::Utf8, true);
        self.put(field, Arc::new(StringArray::from(all)));
    }

    fn flags(&mut self, name: &str, all: Vec<Option<bool>>) {
        let field = Field::new(name, DataType::Boolean, true);
        self.put(field, Arc::new(BooleanArray::from(all)));
    }

    fn file(self) -> Result<Vec<u8>, TableError> {
        let about = HashMap::from([(
            "written_by".to_owned(),
            format!("stillheight {}", env!("CARGO_PKG_VERSION")),
        )]);
        let schema = Arc::new(Schema::new_with_metadata(self.fields, about));
        let rows = RecordBatch::try_new(Arc::clone(&schema), self.arrays)?;
        let mut writer = FileWriter::try_new(Vec::new(), &schema)?;
        writer.write(&rows)?;
        writer.finish()?;
        Ok(writer.into_inner()?)
    }
}

/// A quantity's name as the beginning of a column's.
fn column_name(name: &str, end: &str) -> String {
    let mut text: String = name
        .chars()
        .map(|c| if c.is_alphanumeric() { c } else { '_' })
        .collect();
    if !end.is_empty() {
        text.push('_');
        text.push_str(end);
    }
    text
}

/// The kept readings, oldest first, as an Arrow IPC file.
///
/// # Errors
/// The library refuses the table.
pub fn kept_arrow(kept: &[Kept]) -> Result<Vec<u8>, TableError> {
    let mut quantities: Vec<(&str, Unit)> = Vec::new();
    for quantity in kept.iter().flat_map(|k| &k.reading.quantities) {
        let column = (quantity.name.as_str(), quantity.unit);
        if !quantities.contains(&column) {
            quantities.push(column);
        }
    }
    let mut table = Columns::default();
    table.moments(kept.iter().map(|k| k.reading.at.unix_us()).collect());
    table.integers("number", kept.iter().map(|k| k.id.0).collect());
    table.integers("sitting", kept.iter().map(|k| k.sitting.0).collect());
    table.words(
        "case",
        kept.iter().map(|k| k.reading.case.clone()).collect(),
    );
    let loads = |k: &Kept| {
        let names: Vec<_> = k.reading.loads.iter().map(|l| l.name.as_str()).collect();
        Some(names.join("; "))
    };
    table.words("loads", kept.iter().map(loads).collect());
    let weight = |k: &Kept| Some(k.reading.loads.iter().map(|l| l.mass_kg).sum());
    table.numbers("loads_kg", "kg", kept.iter().map(weight).collect());
    let by = |k: &Kept| Some(k.reading.by.word().to_owned());
    table.words("kept_by", kept.iter().map(by).collect());
    let still = |k: &Kept| k.reading.still_since.map(|s| k.reading.at.since(s).s());
    table.numbers("still_for_s", "s", kept.iter().map(still).collect());
    table.flags("intact", kept.iter().map(|k| Some(k.intact)).collect());
    let note = |k: &Kept| Some(k.reading.note.clone());
    table.words("note", kept.iter().map(note).collect());
    for (name, unit) in quantities {
        let found: Vec<_> = kept
            .iter()
            .map(|k| {
                let mut all = k.reading.quantities.iter();
                all.find(|q| q.name == name && q.unit == unit)
            })
            .collect();
        let shown = shown(unit, UnitSystem::Metric);
        let numbers = |of: fn(&crate::logbook::KeptQuantity) -> f64| -> Vec<Option<f64>> {
            found
                .iter()
                .map(|q| q.map(|q| shown.value(of(q))))
                .collect()
        };
        let values = numbers(|q| q.value);
        let halves = numbers(|q| q.standard_uncertainty * COVERAGE_95);
        table.numbers(&column_name(name, shown.key), shown.label, values);
        let half_name = column_name(&format!("{name}_interval95"), shown.key);
        table.numbers(&half_name, shown.label, halves);
        let measured = |q: Option<&crate::logbook::KeptQuantity>| {
            q.map(|q| matches!(q.origin, Origin::Measured))
        };
        table.flags(
            &column_name(name, "measured"),
            found.iter().copied().map(measured).collect(),
        );
    }
    table.file()
}

/// What a row of the table of events has.
struct Row {
    at_us: i64,
    number: i64,
    sitting: i64,
    event: &'static str,
    what: String,
    load: Option<Load>,
    turns: Option<f64>,
    note: String,
}

/// Marks and changes together, oldest first, as an Arrow IPC file.
///
/// # Errors
/// The library refuses the table.
pub fn events_arrow(
    marks: &[Logged<Mark>],
    changes: &[Logged<Change>],
) -> Result<Vec<u8>, TableError> {
    let mut rows: Vec<Row> = Vec::new();
    for logged in changes {
        rows.push(Row {
            at_us: logged.record.at.unix_us(),
            number: logged.id,
            sitting: logged.sitting.0,
            event: "change",
            what: change_words(&logged.record),
            load: None,
            turns: match logged.record.kind {
                ChangeKind::Collar { turns, .. } => Some(turns),
                _ => None,
            },
            note: logged.record.note.clone(),
        });
    }
    for logged in marks {
        let (event, load) = match &logged.record.kind {
            MarkKind::LoadOn(load) => ("load on", Some(load.clone())),
            MarkKind::LoadOff(load) => ("load off", Some(load.clone())),
            MarkKind::Note => ("note", None),
        };
        rows.push(Row {
            at_us: logged.record.at.unix_us(),
            number: logged.id,
            sitting: logged.sitting.0,
            event,
            what: load.as_ref().map_or_else(String::new, |l| l.name.clone()),
            load,
            turns: None,
            note: logged.record.note.clone(),
        });
    }
    rows.sort_by_key(|row| row.at_us);
    let mut table = Columns::default();
    table.moments(rows.iter().map(|r| r.at_us).collect());
    table.integers("number", rows.iter().map(|r| r.number).collect());
    table.integers("sitting", rows.iter().map(|r| r.sitting).collect());
    let event = |r: &Row| Some(r.event.to_owned());
    table.words("event", rows.iter().map(event).collect());
    table.words("what", rows.iter().map(|r| Some(r.what.clone())).collect());
    let mass = |r: &Row| r.load.as_ref().map(|l| l.mass_kg);
    table.numbers("weight_kg", "kg", rows.iter().map(mass).collect());
    for (axis, name) in ["x_mm", "y_mm", "z_mm"].into_iter().enumerate() {
        let mm = |r: &Row| Some(r.load.as_ref()?.at_m?[axis] * 1e3);
        table.numbers(name, "mm", rows.iter().map(mm).collect());
    }
    let turns = rows.iter().map(|r| r.turns).collect();
    table.numbers("collar_turns", "turns", turns);
    table.words("note", rows.iter().map(|r| Some(r.note.clone())).collect());
    table.file()
}
