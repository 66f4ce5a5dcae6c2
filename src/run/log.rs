//! `log` and `export`: what the logbook beside a sheet holds.

use crate::logbook::{Logbook, LogbookError, Which, beside};
use crate::report::{events_csv, history_json, history_json_lines, kept_csv, log_table};
use crate::run::arguments::{ExportArguments, LogArguments};
use crate::run::{Failure, sheets};
use std::path::Path;
use std::process::ExitCode;

/// The logbook beside a sheet, for reading; an older one is brought up to date first.
pub(super) fn open(sheet: &Path) -> Result<Logbook, Failure> {
    let path = beside(sheet);
    if !path.exists() {
        return Err(Failure::users(
            "logbook.none",
            format!("there is no logbook beside '{}' yet", sheet.display()),
            "it is written by 'stillheight watch'; nothing has been kept so far",
        ));
    }
    match Logbook::open_for_reading(&path) {
        Err(LogbookError::Older { .. }) => {
            drop(Logbook::open(&path)?);
            Ok(Logbook::open_for_reading(&path)?)
        }
        other => Ok(other?),
    }
}

pub(super) fn list(arguments: &LogArguments) -> Result<ExitCode, Failure> {
    let sheet = sheets::read(&arguments.sheet)?;
    let logbook = open(&arguments.sheet)?;
    let which = arguments.last.map_or(Which::All, Which::Latest);
    let history = logbook.history(which)?;
    if arguments.json {
        sheets::print(&history_json(&history))?;
    } else {
        let zone = jiff::tz::TimeZone::system();
        sheets::print(&log_table(&history, sheet.units, &zone))?;
    }
    Ok(ExitCode::SUCCESS)
}

pub(super) fn export(arguments: &ExportArguments) -> Result<ExitCode, Failure> {
    let sheet = sheets::read(&arguments.sheet)?;
    let history = open(&arguments.sheet)?.history(Which::All)?;
    let text = if arguments.csv {
        kept_csv(&history.kept, sheet.units)
    } else {
        history_json_lines(&history)
    };
    match &arguments.output {
        None => sheets::print(&text)?,
        Some(path) => {
            sheets::write_new(path, &text, arguments.force)?;
            if arguments.csv {
                let events = path.with_extension("events.csv");
                sheets::write_new(
                    &events,
                    &events_csv(&history.marks, &history.changes, sheet.units),
                    arguments.force,
                )?;
                sheets::print(&format!(
                    "wrote {} and {}\n",
                    path.display(),
                    events.display()
                ))?;
            } else {
                sheets::print(&format!("wrote {}\n", path.display()))?;
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}
