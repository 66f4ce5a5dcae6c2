//! `targets --sweep`: one load case over one or two values of the sheet.

use crate::quantity::{Dimension, read};
use crate::report::{Sweep, SweepRow, sweep_csv, sweep_json, sweep_text};
use crate::run::arguments::TargetsArguments;
use crate::run::progress::Waiting;
use crate::run::{Failure, sheets};
use crate::sheet::{BuildSheet, Checked};
use crate::statics::{CaseQuantities, Model, StaticsError, quantities};
use std::process::ExitCode;

/// More rows than anybody reads.
const MOST_ROWS: usize = 2000;
/// Tried in this order where the sheet does not have the field yet.
const DIMENSIONS: [Dimension; 10] = [
    Dimension::Length,
    Dimension::Angle,
    Dimension::Mass,
    Dimension::SpringRate,
    Dimension::RollRate,
    Dimension::Force,
    Dimension::Frequency,
    Dimension::Pressure,
    Dimension::Turns,
    Dimension::Share,
];

/// One value that is swept.
#[derive(Debug, PartialEq)]
struct Range {
    path: String,
    /// Empty for a bare number.
    unit: String,
    values: Vec<f64>,
}

pub(super) fn run(arguments: &TargetsArguments) -> Result<ExitCode, Failure> {
    if arguments.sweeps.len() > 2 {
        return Err(Failure::users(
            "sweep.too_many",
            format!("{} values to sweep", arguments.sweeps.len()),
            "a table has one or two",
        ));
    }
    let (base, text) = sheets::read_whole(&arguments.sheet, &arguments.overrides)?;
    let ranges = arguments
        .sweeps
        .iter()
        .map(|s| range(s, &base))
        .collect::<Result<Vec<_>, _>>()?;
    let count: usize = ranges.iter().map(|r| r.values.len()).product();
    if count > MOST_ROWS {
        return Err(Failure::users(
            "sweep.too_many",
            format!("{count} rows"),
            format!("take a larger step; a table has at most {MOST_ROWS} rows"),
        ));
    }
    let case = case_of(&base.sheet, arguments.case.as_deref());
    let mut sweep = Sweep {
        case: base.sheet.cases[case].name.clone(),
        units: base.sheet.units,
        paths: ranges
            .iter()
            .map(|r| (r.path.clone(), r.unit.clone()))
            .collect(),
        rows: Vec::with_capacity(count),
    };
    let waiting = Waiting::begin("working the table out", arguments.json);
    for mut i in 0..count {
        let mut values = vec![0.0; ranges.len()];
        // The last one runs fastest.
        for (value, range) in values.iter_mut().zip(&ranges).rev() {
            *value = range.values[i % range.values.len()];
            i /= range.values.len();
        }
        let mut set = arguments.overrides.clone();
        for (value, range) in values.iter().zip(&ranges) {
            let value = (value * 1e9).round() / 1e9;
            set.push(format!("{}={value} {}", range.path, range.unit));
        }
        let sheet = sheets::check(&text, &arguments.sheet, &set)?.sheet;
        sweep.rows.push(SweepRow {
            values,
            found: found(&sheet, case).map_err(|e| e.to_string()),
        });
    }
    drop(waiting);
    if arguments.json {
        sheets::print_json(&sweep_json(&sweep))?;
    } else if arguments.csv {
        sheets::print(&sweep_csv(&sweep))?;
    } else {
        sheets::print(&sweep_text(&sweep))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn case_of(sheet: &BuildSheet, name: Option<&str>) -> usize {
    name.and_then(|name| sheet.cases.iter().position(|c| c.name == name))
        .unwrap_or(sheet.targets.case)
}

fn found(sheet: &BuildSheet, case: usize) -> Result<CaseQuantities, StaticsError> {
    let model = Model::new(sheet, &sheet.cases[case].loads);
    let rest = model.equilibrium()?;
    Ok(quantities(&model, &rest, &sheet.stations))
}

/// Reads `PATH=FROM..TO/STEP`; the unit once at least, at any of the three.
fn range(typed: &str, base: &Checked) -> Result<Range, Failure> {
    let wrong = |why: &str| {
        Failure::users(
            "sweep.form",
            format!("--sweep '{typed}': {why}"),
            "write it as PATH=FROM..TO/STEP, for example --sweep rear.spring.rate=\"20..30/2 N/mm\"",
        )
    };
    let bare = typed.replace('"', "");
    let (path, span) = bare
        .split_once('=')
        .ok_or_else(|| wrong("there is no '='"))?;
    let (from, rest) = span
        .split_once("..")
        .ok_or_else(|| wrong("there is no '..' between the ends"))?;
    let path = path.trim();
    let known = base
        .understood
        .iter()
        .find(|u| u.path == path)
        .map(|u| u.written.of);
    let dimensions = known.map_or(DIMENSIONS.to_vec(), |of| vec![of]);
    // Units and fractions have a '/' of their own.
    let cuts: Vec<_> = rest.match_indices('/').map(|(at, _)| at).collect();
    for at in cuts {
        let parts = [from, &rest[..at], &rest[at + 1..]].map(str::trim);
        let Some((unit, [from, to, step])) = numbers(parts, &dimensions, known.is_none()) else {
            continue;
        };
        let finite = [from, to, step].iter().all(|n| n.is_finite());
        if !(finite && step > 0.0 && to >= from) {
            return Err(wrong("FROM must not be above TO, and STEP above zero"));
        }
        // A thousandth of a step for rounding.
        let steps = ((to - from) / step + 1e-3).floor();
        if steps >= MOST_ROWS as f64 {
            return Err(wrong("that are too many steps"));
        }
        let values = (0..=MOST_ROWS)
            .map(|i| i as f64)
            .take_while(|i| *i <= steps)
            .map(|i| from + step * i)
            .collect();
        return Ok(Range {
            path: path.to_owned(),
            unit,
            values,
        });
    }
    Err(wrong(
        "FROM, TO and STEP are not three numbers in one unit that fits the field",
    ))
}

/// Three numbers and their one unit; none where they are not.
fn numbers(parts: [&str; 3], dimensions: &[Dimension], bare: bool) -> Option<(String, [f64; 3])> {
    let unit_of = |text: &str| {
        text.find(|c: char| !(c.is_ascii_digit() || "+-−./ ".contains(c)))
            .map(|at| text[at..].to_owned())
    };
    let Some(unit) = parts.iter().rev().find_map(|p| unit_of(p)) else {
        let numbers = parts.map(|p| p.parse::<f64>().unwrap_or(f64::NAN));
        let good = bare && numbers.iter().all(|n| n.is_finite());
        return good.then(|| (String::new(), numbers));
    };
    dimensions.iter().find_map(|&of| {
        let whole = parts.map(|p| match unit_of(p) {
            Some(_) => read(p, of),
            None => read(&format!("{p} {unit}"), of),
        });
        let [Ok(from), Ok(to), Ok(step)] = whole else {
            return None;
        };
        (from.unit == to.unit && to.unit == step.unit)
            .then(|| (from.unit.to_owned(), [from.number, to.number, step.number]))
    })
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::float_cmp,
        clippy::unwrap_used,
        reason = "exact values; a test may end"
    )]
    use super::*;
    use crate::quantity::UnitSystem;
    use crate::sheet::{parse, template};

    #[test]
    fn a_range_has_its_unit_once_or_thrice() {
        let base = parse(&template(UnitSystem::Metric), "new.toml").unwrap();
        let read = |text: &str| range(text, &base);
        for text in [
            "rear.spring.rate=20..30/5 N/mm",
            "rear.spring.rate=20 N/mm..30 N/mm/5 N/mm",
            "rear.spring.rate=\"20 N/mm\"..\"30 N/mm\"/\"5 N/mm\"",
            "rear.spring.rate=20 N/mm..32/5",
        ] {
            let found = read(text).unwrap();
            assert_eq!(found.unit, "N/mm", "{text}");
            assert_eq!(found.values, [20.0, 25.0, 30.0], "{text}");
        }
        let inches = read("rear.coilover.hardware=7/8..1 1/8 in/1/8").unwrap();
        assert_eq!(inches.values, [0.875, 1.0, 1.125]);
        for wrong in [
            "rear.spring.rate",
            "rear.spring.rate=20 N/mm",
            "rear.spring.rate=20..30 N/mm",
            "rear.spring.rate=20..30/2",
            "rear.spring.rate=30..20/2 N/mm",
            "rear.spring.rate=20..30/0 N/mm",
            "rear.spring.rate=20..30/2 mm",
            "rear.spring.rate=20..30 lbf/in/2 N/mm",
            "rear.spring.rate=0..1e9/1e-9 N/mm",
        ] {
            assert_eq!(read(wrong).unwrap_err().exit, 2, "{wrong}");
        }
    }
}
