//! `settle event`: what was done to the vehicle, entered by hand.

use crate::logbook::{Change, ChangeKind, Logbook, MountEnd, Sitting, beside};
use crate::ports::Clock;
use crate::quantity::Moment;
use crate::run::arguments::Event;
use crate::run::{Failure, sheets};
use std::path::Path;
use std::process::ExitCode;

/// What the command line says of it.
pub(in crate::run) struct Entered<'a> {
    pub(in crate::run) sheet: &'a Path,
    pub(in crate::run) what: Event,
    pub(in crate::run) coilover: Option<&'a str>,
    pub(in crate::run) turns: Option<f64>,
    pub(in crate::run) at: Option<&'a str>,
    pub(in crate::run) note: &'a str,
}

fn missing(option: &str) -> Failure {
    Failure::users(
        "settle.event.missing",
        format!("--{option} is missing"),
        "a collar needs --coilover and --turns, a hole or a spring --coilover",
    )
}

pub(in crate::run) fn enter(entered: &Entered<'_>) -> Result<ExitCode, Failure> {
    let (sheet, text) = sheets::read_text(entered.sheet, &[])?;
    let now = Clock::real().now();
    let at = match entered.at {
        None => now,
        Some(text) => moment_of(text)?,
    };
    if at > now {
        return Err(Failure::users(
            "settle.event.time",
            format!("'{}' is still to come", entered.at.unwrap_or_default()),
            "enter what has been done already",
        ));
    }
    let unit = || -> Result<String, Failure> {
        let name = entered.coilover.ok_or_else(|| missing("coilover"))?;
        if sheet.unit(name).is_none() {
            return Err(Failure::users(
                "settle.event.coilover",
                format!("there is no coilover or corner '{name}' in the sheet"),
                "use its name as in the sheet, for example 'rear left'",
            ));
        }
        Ok(name.to_owned())
    };
    let note = entered.note.trim();
    let or = |word: &str| {
        if note.is_empty() {
            word.to_owned()
        } else {
            note.to_owned()
        }
    };
    let (kind, note) = match entered.what {
        Event::Collar => (
            ChangeKind::Collar {
                coilover: unit()?,
                turns: entered
                    .turns
                    .filter(|t| t.is_finite())
                    .ok_or_else(|| missing("turns"))?,
            },
            note.to_owned(),
        ),
        Event::Hole => (
            ChangeKind::Hole {
                coilover: unit()?,
                end: MountEnd::Upper,
                from: "?".to_owned(),
                to: or("?"),
            },
            note.to_owned(),
        ),
        Event::Spring => (
            ChangeKind::Spring {
                coilover: unit()?,
                spring: or("another spring"),
            },
            note.to_owned(),
        ),
        Event::Weight => (ChangeKind::Other, or("weight was put on for good")),
        Event::Moved => (ChangeKind::Other, or("the vehicle was moved")),
    };
    let program = format!("stillheight {}", env!("CARGO_PKG_VERSION"));
    let mut logbook = Logbook::open(&beside(entered.sheet))?;
    logbook.begin_sitting(&Sitting {
        started: now,
        sheet_text: text,
        program,
    })?;
    logbook.change(&Change { at, kind, note })?;
    sheets::print("entered\n")?;
    Ok(ExitCode::SUCCESS)
}

/// A local time without zone, or a full one with it.
fn moment_of(text: &str) -> Result<Moment, Failure> {
    let refuse = || {
        Failure::users(
            "settle.event.time",
            format!("'{text}' is no time"),
            "write it as \"2026-03-01 17:30\" (local) or 2026-03-01T16:30:00Z",
        )
    };
    if let Ok(stamp) = text.parse::<jiff::Timestamp>() {
        return Ok(Moment::from_unix_us(stamp.as_microsecond()));
    }
    let civil: jiff::civil::DateTime = text.parse().map_err(|_| refuse())?;
    let zoned = civil
        .to_zoned_datetime(jiff::tz::TimeZone::system())
        .map_err(|_| refuse())?;
    Ok(Moment::from_unix_us(zoned.timestamp().as_microsecond()))
}
