//! `log` and `export`: what the logbook beside a sheet holds.

use crate::logbook::{Logbook, LogbookError, Which, beside};
use crate::report::{
    TableError, events_arrow, events_csv, history_json, history_json_lines, kept_arrow, kept_csv,
    log_table,
};
use crate::run::arguments::{ExportArguments, LogArguments};
use crate::run::progress::Waiting;
use crate::run::{Failure, sheets};
use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};
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

/// The file for marks and changes beside the one for readings.
fn events_beside(path: &Path) -> PathBuf {
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    path.with_extension(format!("events.{ending}"))
}

pub(super) fn export(arguments: &ExportArguments) -> Result<ExitCode, Failure> {
    let sheet = sheets::read(&arguments.sheet)?;
    if arguments.arrow && arguments.output.is_none() && std::io::stdout().is_terminal() {
        return Err(Failure::users(
            "export.terminal",
            "an Arrow table is no text for a terminal",
            "give a file with -o, for example -o van.arrow, or a pipe",
        ));
    }
    let waiting = Waiting::begin("writing the logbook out", arguments.output.is_none());
    let history = open(&arguments.sheet)?.history(Which::All)?;
    let (kept, events) = if arguments.csv {
        (
            kept_csv(&history.kept, sheet.units).into_bytes(),
            Some(events_csv(&history.marks, &history.changes, sheet.units).into_bytes()),
        )
    } else if arguments.arrow {
        (
            kept_arrow(&history.kept)?,
            Some(events_arrow(&history.marks, &history.changes)?),
        )
    } else {
        (history_json_lines(&history).into_bytes(), None)
    };
    let Some(path) = &arguments.output else {
        drop(waiting);
        sheets::print_bytes(&kept)?;
        return Ok(ExitCode::SUCCESS);
    };
    sheets::write_whole(path, &kept, arguments.force)?;
    let mut wrote = format!("wrote {}", path.display());
    if let Some(events) = events {
        let beside = events_beside(path);
        sheets::write_whole(&beside, &events, arguments.force)?;
        wrote.push_str(&format!(" and {}", beside.display()));
    }
    drop(waiting);
    sheets::print(&format!("{wrote}\n"))?;
    Ok(ExitCode::SUCCESS)
}

impl From<TableError> for Failure {
    fn from(e: TableError) -> Self {
        Self::ours(
            "export.arrow",
            e.to_string(),
            "write --csv or --json instead",
        )
    }
}
