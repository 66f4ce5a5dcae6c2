//! `read`: one still reading, kept or only printed.

use crate::logbook::beside;
use crate::ports::Clock;
use crate::quantity::Span;
use crate::run::arguments::{ReadArguments, Telling};
use crate::run::settle::session::{Ended, Session, checked, runtime, signals};
use crate::run::sitting::tell::Told;
use crate::run::watch::{begin_log, told_line};
use crate::run::{Failure, sheets};
use std::process::ExitCode;

pub(super) fn run(arguments: &ReadArguments) -> Result<ExitCode, Failure> {
    let (sheet, text) = sheets::read_text(&arguments.sheet, &[])?;
    let loads = checked(&sheet, &arguments.sheet, &arguments.loads)?;
    let clock = Clock::real();
    let log = if arguments.keep {
        Some(begin_log(&beside(&arguments.sheet), text, clock.now())?)
    } else {
        None
    };
    let telling = Telling {
        plain: !arguments.json,
        json: arguments.json,
    };
    let ended = runtime()?.block_on(async {
        let mut signals = signals()?;
        let session = Session {
            path: &arguments.sheet,
            sheet: &sheet,
            loads: &loads,
            clock,
            within: Span::from_s(arguments.within),
            log,
        };
        session.take(&mut signals).await
    })?;
    let print = |told: &Told| sheets::print(&told_line(told, telling, sheet.units, clock.start()));
    match ended {
        Ended::Kept(kept, told) => {
            for item in &told {
                print(item)?;
            }
            print(&Told::Kept(kept))?;
            if !arguments.keep && !arguments.json {
                sheets::print("not kept: --keep writes it to the logbook\n")?;
            }
            Ok(ExitCode::SUCCESS)
        }
        Ended::NotStill(why, told) => {
            for item in &told {
                print(item)?;
            }
            Err(Failure::ours(
                "read.not_still",
                format!("no still reading within {:.0} s: {why}", arguments.within),
                "nobody on it, doors shut, wind off; then again, with --within for more patience",
            ))
        }
        Ended::Stopped => Ok(ExitCode::from(1)),
    }
}
