//! `settle`: what settling has done and will still do.

use super::Failure;
use super::arguments::{SettleAction, SettleArguments};
use super::failure::file;
use super::sheets;
use crate::trials::settling::{SettlingError, run_fit_command};
use std::path::Path;
use std::process::ExitCode;

pub(super) fn run(arguments: &SettleArguments) -> Result<ExitCode, Failure> {
    match &arguments.action {
        Some(SettleAction::Fit {
            csv,
            law,
            fixes,
            json,
        }) => fit(csv, law.as_deref(), fixes, *json),
        _ => Ok(ExitCode::SUCCESS),
    }
}

fn fit(csv: &Path, law: Option<&str>, fixes: &[String], json: bool) -> Result<ExitCode, Failure> {
    let text = std::fs::read_to_string(csv).map_err(|e| file("read", csv, &e))?;
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
