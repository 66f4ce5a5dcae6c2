//! `changed`: what was done to the vehicle, and whether it did what was promised.
//!
//! With something done it is written into the logbook and what the sensors should
//! say next is shown. Without, the newest reading is held against what was promised
//! before the changes since the reading before.

use crate::advice::{
    Belief, End, Operation, Setup, StillReading, held, hole, holes, order, turns, units,
};
use crate::compare::COVERAGE_95;
use crate::logbook::{Change, ChangeKind, Logbook, MountEnd, Sitting, beside};
use crate::ports::Clock;
use crate::quantity::{Angle, Length, Moment, Quantity, Span};
use crate::report::{Basis, Table, operation_words, promise_json, promise_text};
use crate::run::advise::{bare, past};
use crate::run::arguments::ChangedArguments;
use crate::run::{Failure, sheets};
use crate::sheet::{BuildSheet, Measurand};
use crate::statics::Model;
use std::fmt::Write as _;
use std::process::ExitCode;

pub(super) fn run(arguments: &ChangedArguments) -> Result<ExitCode, Failure> {
    let (sheet, text) = sheets::read_text(&arguments.sheet, &[])?;
    let model = bare(&sheet);
    let before = past(&arguments.sheet, &sheet)?;
    let done = operations(&sheet, &model, arguments)?;
    if done.is_empty() && arguments.note.is_none() {
        return was_it_kept(arguments, &sheet, &model);
    }
    let mut setup = before.setup.clone();
    let now = Clock::real().now();
    let mut logbook = Logbook::open(&beside(&arguments.sheet))?;
    logbook.begin_sitting(&Sitting {
        started: now,
        sheet_text: text,
        program: format!("stillheight {}", env!("CARGO_PKG_VERSION")),
    })?;
    let note = arguments.note.clone().unwrap_or_default();
    let mut told = String::new();
    for (i, operation) in done.iter().enumerate() {
        let basis = Basis {
            sheet: &sheet,
            model: &model,
            setup: &setup,
            newest: None,
            readings: before.readings.len(),
            changes: 0,
            remarks: Vec::new(),
        };
        let _ = writeln!(told, "entered: {}", operation_words(&basis, operation));
        logbook.change(&Change {
            // One after the other, so that their order is kept.
            at: later(now, i),
            kind: kind(&sheet, &model, &setup, *operation),
            note: if i == 0 { note.clone() } else { String::new() },
        })?;
        setup.change(&sheet, &model, *operation);
    }
    if done.is_empty() {
        logbook.change(&Change {
            at: now,
            kind: ChangeKind::Other,
            note: note.clone(),
        })?;
        let _ = writeln!(told, "entered: {note}");
    }
    told += &due(&sheet, &before.readings, &setup)?;
    sheets::print(&told)?;
    Ok(ExitCode::SUCCESS)
}

fn later(at: Moment, microseconds: usize) -> Moment {
    at + Span::from_us(i64::try_from(microseconds).unwrap_or(0))
}

fn operations(
    sheet: &BuildSheet,
    model: &Model,
    arguments: &ChangedArguments,
) -> Result<Vec<Operation>, Failure> {
    let mut all = Vec::new();
    if arguments.collar.len() != arguments.turns.len() {
        return Err(Failure::users(
            "changed.turns",
            format!(
                "{} collars and {} numbers of turns are given",
                arguments.collar.len(),
                arguments.turns.len()
            ),
            "give --turns once for each --collar, in the same order",
        ));
    }
    for (name, by) in arguments.collar.iter().zip(&arguments.turns) {
        let by = turns(by)?;
        let (named, rest) = units(model, name)?;
        if !rest.is_empty() && rest != "collar" {
            return Err(Failure::users(
                "changed.collar",
                format!("'{name}' names no collar"),
                "for example --collar \"rear left\" --turns \"+1 1/2\"",
            ));
        }
        all.extend(
            named
                .into_iter()
                .map(|unit| Operation::Collar { unit, turns: by }),
        );
    }
    for words in &arguments.hole {
        let (named, rest) = units(model, words)?;
        let (end, name) = rest.split_once(' ').unwrap_or((rest, ""));
        let end = match end {
            "upper" => End::Upper,
            "lower" => End::Lower,
            _ => {
                return Err(Failure::users(
                    "changed.hole",
                    format!("'{words}' does not say which end"),
                    "for example --hole \"rear left lower 2\"",
                ));
            }
        };
        for unit in named {
            all.push(hole(
                sheet,
                model,
                unit,
                end,
                name.trim().trim_start_matches("hole ").trim(),
            )?);
        }
    }
    for words in &arguments.spring {
        let (_, rest) = units(model, words)?;
        let at = words.trim().len() - rest.len();
        let whole = format!(
            "{} spring {rest}",
            words.trim().get(..at).unwrap_or("").trim()
        );
        all.extend(order(sheet, model, &whole)?);
    }
    Ok(all)
}

fn kind(sheet: &BuildSheet, model: &Model, setup: &Setup, operation: Operation) -> ChangeKind {
    let coilover = model.units[operation.unit()].name.clone();
    match operation {
        Operation::Collar { turns, .. } => ChangeKind::Collar { coilover, turns },
        Operation::Hole { unit, end, hole } => {
            let name = |h: Option<usize>| {
                h.and_then(|h| holes(sheet, &coilover, end).get(h))
                    .map_or_else(String::new, |h| h.name.clone())
            };
            let (was, end) = match end {
                End::Upper => (setup.0[unit].upper, MountEnd::Upper),
                End::Lower => (setup.0[unit].lower, MountEnd::Lower),
            };
            let (from, to) = (name(was), name(Some(hole)));
            ChangeKind::Hole {
                coilover,
                end,
                from,
                to,
            }
        }
        Operation::Spring { spring, .. } => ChangeKind::Spring {
            coilover,
            spring: spring
                .and_then(|s| sheet.shelf.get(s))
                .map_or_else(|| "own".to_owned(), |s| s.name.clone()),
        },
    }
}

/// What the sensors should say next, with the loads of the last reading.
fn due(
    sheet: &BuildSheet,
    readings: &[(Moment, StillReading)],
    setup: &Setup,
) -> Result<String, Failure> {
    let Some((_, last)) = readings.last() else {
        return Ok("nothing was read before, so nothing is promised\n".to_owned());
    };
    let mut belief = Belief::new(sheet, None);
    belief.learn(&readings.iter().map(|(_, r)| r.clone()).collect::<Vec<_>>())?;
    let sensors: Vec<(usize, f64)> = last.seen.iter().map(|s| (s.sensor, s.noise)).collect();
    let (values, covariance) = belief.readings_due(setup, &last.loads, &sensors)?;
    let mut table = Table::new(["sensor", "last", "should say"]);
    for (i, seen) in last.seen.iter().enumerate() {
        let sensor = &sheet.sensors[seen.sensor];
        let show = |si: f64| match sensor.reads {
            Measurand::Tilt { .. } => Angle::new(si).shown(sheet.units),
            _ => Length::new(si).shown(sheet.units),
        };
        let half = COVERAGE_95 * covariance[(i, i)].max(0.0).sqrt();
        table.row([
            sensor.name.clone(),
            show(seen.value),
            format!("{} ± {}", show(values[i]), show(half)),
        ]);
    }
    Ok(format!(
        "with the same loads the next still reading should be:\n{}",
        table.lines(2)
    ))
}

/// The newest reading against what was promised before the changes that led to it.
fn was_it_kept(
    arguments: &ChangedArguments,
    sheet: &BuildSheet,
    model: &Model,
) -> Result<ExitCode, Failure> {
    let past = past(&arguments.sheet, sheet)?;
    let Some((last_change, _)) = past.changes.last() else {
        return Err(Failure::users(
            "changed.nothing",
            "no change has been entered, and none is given",
            "for example --collar \"rear left\" --turns \"+1 1/2\"",
        ));
    };
    let first_after = past.readings.iter().position(|(at, _)| at >= last_change);
    let Some(after) = first_after else {
        sheets::print("no reading has been kept since the last change\n")?;
        return Ok(ExitCode::SUCCESS);
    };
    if after == 0 {
        sheets::print("nothing was read before the change, so nothing was promised\n")?;
        return Ok(ExitCode::SUCCESS);
    }
    let mut belief = Belief::new(sheet, None);
    let earlier: Vec<StillReading> = past.readings[..after]
        .iter()
        .map(|(_, r)| r.clone())
        .collect();
    belief.learn(&earlier)?;
    let (since, before) = &past.readings[after - 1];
    let done: Vec<Operation> = past
        .changes
        .iter()
        .filter(|(at, _)| at > since)
        .map(|(_, o)| *o)
        .collect();
    let verdict = held(&belief, &before.setup, &done, &past.readings[after].1, &[])?;
    let basis = Basis {
        sheet,
        model,
        setup: &before.setup,
        newest: None,
        readings: after,
        changes: done.len(),
        remarks: past.remarks.clone(),
    };
    let Some(verdict) = verdict else {
        sheets::print("no sensor of the reading can be predicted\n")?;
        return Ok(ExitCode::SUCCESS);
    };
    if arguments.json {
        sheets::print_json(&promise_json(&basis, &verdict))?;
        return Ok(ExitCode::SUCCESS);
    }
    let mut text = String::from("since the reading before:\n");
    for operation in &done {
        let _ = writeln!(text, "  {}", operation_words(&basis, operation));
    }
    text += &promise_text(&basis, &verdict);
    sheets::print(&text)?;
    Ok(ExitCode::SUCCESS)
}
