//! A sweep: one load case over one or two values of the sheet, as a table.
//!
//! In: the values with what was found at each. Out: text in the sheet's own
//! units, JSON and CSV in mm, deg, Hz with the unit in the name. Refused: nothing.

use super::Table;
use crate::quantity::{Frequency, Length, Quantity, UnitSystem, decimals};
use crate::statics::CaseQuantities;
use serde_json::{Map, Value, json};
use std::fmt::Write as _;

/// A sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct Sweep {
    /// Name of the load case.
    pub case: String,
    /// What is swept: path in the sheet and unit (empty for a bare number).
    pub paths: Vec<(String, String)>,
    /// Units of the text.
    pub units: UnitSystem,
    /// One for each value or pair of values.
    pub rows: Vec<SweepRow>,
}

/// One value or pair of values.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepRow {
    /// The numbers, in the units of [`Sweep::paths`].
    pub values: Vec<f64>,
    /// What comes of it, or why there is no rest.
    pub found: Result<CaseQuantities, String>,
}

/// One column: key with its unit, number for programs, heading and number for people.
struct Cell {
    key: String,
    number: f64,
    heading: String,
    shown: String,
}

fn cells(found: &CaseQuantities, units: UnitSystem) -> Vec<Cell> {
    let mut all = Vec::new();
    let unit = Length::unit(units);
    let places = if units == UnitSystem::Inch { 2 } else { 1 };
    for (name, height) in &found.heights {
        all.push(Cell {
            key: format!("{name} height_mm"),
            number: height.mm(),
            heading: format!("{name} {unit}"),
            shown: decimals(height.number(units), places),
        });
    }
    let mut degrees = |key: String, heading: String, deg: f64| {
        all.push(Cell {
            key,
            number: deg,
            heading,
            shown: decimals(deg, 2),
        });
    };
    degrees(
        "roll_deg".to_owned(),
        "roll deg".to_owned(),
        found.roll.deg(),
    );
    degrees(
        "pitch_deg".to_owned(),
        "pitch deg".to_owned(),
        found.pitch.deg(),
    );
    for link in &found.links {
        degrees(
            format!("{}_deg", link.name),
            format!("{} deg", link.name),
            link.angle.deg(),
        );
    }
    for u in &found.units {
        all.push(Cell {
            key: format!("{} sag_percent", u.name),
            number: u.sag_share * 100.0,
            heading: format!("{} sag %", u.name),
            shown: decimals(u.sag_share * 100.0, 1),
        });
    }
    for axle in &found.axles {
        let hz = axle.frequency.map_or(f64::NAN, Frequency::hz);
        all.push(Cell {
            key: format!("{} frequency_hz", axle.name),
            number: hz,
            heading: format!("{} {}", axle.name, Frequency::unit(units)),
            shown: if hz.is_finite() {
                decimals(hz, 2)
            } else {
                "-".to_owned()
            },
        });
    }
    all
}

/// A number without the last digits of binary arithmetic.
fn plain(number: f64) -> String {
    ((number * 1e9).round() / 1e9).to_string()
}

fn swept(paths: &[(String, String)]) -> impl Iterator<Item = String> + '_ {
    paths
        .iter()
        .map(|(path, unit)| format!("{path} {unit}").trim_end().to_owned())
}

/// As a table.
pub fn sweep_text(sweep: &Sweep) -> String {
    let first = sweep.rows.iter().find_map(|r| r.found.as_ref().ok());
    let mut table = Table::default().left(sweep.paths.len()).stacked();
    let mut head: Vec<String> = swept(&sweep.paths).collect();
    head.extend(
        first
            .map(|f| cells(f, sweep.units))
            .unwrap_or_default()
            .into_iter()
            .map(|c| c.heading),
    );
    table.row_of(head);
    let mut without = String::new();
    for row in &sweep.rows {
        let mut line: Vec<String> = row.values.iter().map(|v| plain(*v)).collect();
        match &row.found {
            Ok(found) => line.extend(cells(found, sweep.units).into_iter().map(|c| c.shown)),
            Err(why) => {
                let _ = writeln!(without, "  {}: {why}", line.join(", "));
                continue;
            }
        }
        table.row_of(line);
    }
    let mut text = format!("SWEEP in '{}'\n{}", sweep.case, table.lines(2));
    if !without.is_empty() {
        text.push_str("No rest at:\n");
        text.push_str(&without);
    }
    text
}

/// As JSON.
pub fn sweep_json(sweep: &Sweep) -> Value {
    let rows: Vec<Value> = sweep
        .rows
        .iter()
        .map(|row| {
            let set: Map<String, Value> = sweep
                .paths
                .iter()
                .zip(&row.values)
                .map(|((path, unit), v)| {
                    (path.clone(), format!("{} {unit}", plain(*v)).trim().into())
                })
                .collect();
            match &row.found {
                Ok(found) => {
                    let found: Map<String, Value> = cells(found, sweep.units)
                        .into_iter()
                        .map(|c| (c.key.replace(' ', "_"), json!(c.number)))
                        .collect();
                    json!({ "set": set, "found": found })
                }
                Err(why) => json!({ "set": set, "no_rest": why }),
            }
        })
        .collect();
    json!({ "case": sweep.case, "rows": rows })
}

/// As CSV; a row without rest has empty cells.
pub fn sweep_csv(sweep: &Sweep) -> String {
    let quoted = |text: String| {
        if text.contains([',', '"', '\n']) {
            format!("\"{}\"", text.replace('"', "\"\""))
        } else {
            text
        }
    };
    let keys: Vec<String> = sweep
        .rows
        .iter()
        .find_map(|r| r.found.as_ref().ok())
        .map(|f| cells(f, sweep.units))
        .unwrap_or_default()
        .into_iter()
        .map(|c| c.key.replace(' ', "_"))
        .collect();
    let mut lines = vec![
        swept(&sweep.paths)
            .chain(keys.iter().cloned())
            .map(quoted)
            .collect::<Vec<_>>()
            .join(","),
    ];
    for row in &sweep.rows {
        let mut line: Vec<String> = row.values.iter().map(|v| plain(*v)).collect();
        match &row.found {
            Ok(found) => line.extend(cells(found, sweep.units).iter().map(|c| {
                if c.number.is_finite() {
                    format!("{:.4}", c.number)
                } else {
                    String::new()
                }
            })),
            Err(_) => line.extend(keys.iter().map(|_| String::new())),
        }
        lines.push(line.join(","));
    }
    lines.join("\r\n") + "\r\n"
}
