//! `settle`: what settling has done and will still do.

pub(super) mod answer;
pub(super) mod causes;
pub(super) mod event;
pub(super) mod rehearsal;
pub(super) mod session;
pub(super) mod watch;

use crate::run::Failure;
use crate::run::arguments::{SettleAction, SettleArguments};
use crate::run::failure::file;
use crate::run::sheets;
use crate::sheet::text_of;
use crate::trials::settling::{SettlingError, run_fit_command};
use std::path::Path;
use std::process::ExitCode;

/// More bytes than any table of readings has. Chosen.
const MOST_BYTES: usize = 1 << 26;

pub(super) fn run(arguments: &SettleArguments) -> Result<ExitCode, Failure> {
    match &arguments.action {
        Some(SettleAction::Fit {
            csv,
            law,
            fixes,
            json,
        }) => fit(csv, law.as_deref(), fixes, *json),
        Some(SettleAction::Event {
            sheet,
            what,
            coilover,
            turns,
            at,
            note,
        }) => event::enter(&event::Entered {
            sheet,
            what: *what,
            coilover: coilover.as_deref(),
            turns: *turns,
            at: at.as_deref(),
            note,
        }),
        Some(SettleAction::Watch {
            sheet,
            every,
            loads,
            length,
            json,
        }) => watch::run(&watch::Watch {
            sheet,
            every_s: *every,
            loads,
            length_s: *length,
            json: *json,
        }),
        Some(SettleAction::Unit {
            sheet,
            every,
            loads,
        }) => watch::unit(sheet, *every, loads),
        None => answer::answer(&arguments.answer),
    }
}

fn fit(csv: &Path, law: Option<&str>, fixes: &[String], json: bool) -> Result<ExitCode, Failure> {
    let text = text_of(csv, MOST_BYTES).map_err(|e| file("read", csv, &e))?;
    let name = csv.display().to_string();
    let (output, code) = run_fit_command(&text, &name, law, fixes, json)?;
    sheets::print(&output)?;
    Ok(ExitCode::from(u8::try_from(code).unwrap_or(1)))
}

impl From<SettlingError> for Failure {
    fn from(e: SettlingError) -> Self {
        Self::users(e.code(), e.to_string(), e.help())
    }
}
