//! `targets`: every load case of a sheet, worked out.

use crate::report::{CaseReport, targets_json, targets_text};
use crate::run::arguments::TargetsArguments;
use crate::run::{Failure, sheets};
use crate::sheet::BuildSheet;
use crate::statics::{Model, influences, quantities};
use std::process::ExitCode;

pub(super) fn run(arguments: &TargetsArguments) -> Result<ExitCode, Failure> {
    let sheet = sheets::read_with(&arguments.sheet, &arguments.overrides)?;
    if let Some(name) = &arguments.case
        && !sheet.cases.iter().any(|c| c.name == *name)
    {
        let names: Vec<_> = sheet.cases.iter().map(|c| c.name.as_str()).collect();
        return Err(Failure::users(
            "targets.case.unknown",
            format!(
                "there is no load case '{name}' in '{}'",
                arguments.sheet.display()
            ),
            format!("the sheet has: {}", names.join(", ")),
        ));
    }
    if !arguments.sweeps.is_empty() {
        return crate::run::sweep::run(arguments);
    }
    let wanted = |name: &str| arguments.case.as_deref().is_none_or(|c| c == name);
    let mut cases = Vec::new();
    for i in 0..sheet.cases.len() {
        if wanted(&sheet.cases[i].name) {
            cases.push(work_out(&sheet, i)?);
        }
    }
    if arguments.json {
        sheets::print_json(&targets_json(&sheet, &cases))?;
    } else {
        sheets::print(&targets_text(&sheet, &cases))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// One case of a sheet.
pub(super) fn work_out(sheet: &BuildSheet, case: usize) -> Result<CaseReport, Failure> {
    let wanted = &sheet.cases[case];
    let named = |failure: Failure| Failure {
        message: format!("load case '{}': {}", wanted.name, failure.message),
        ..failure
    };
    let model = Model::new(sheet, &wanted.loads);
    let rest = model.equilibrium().map_err(|e| named(e.into()))?;
    Ok(CaseReport {
        name: wanted.name.clone(),
        loads: wanted
            .loads
            .iter()
            .map(|&i| sheet.loads[i].name.clone())
            .collect(),
        is_target: case == sheet.targets.case,
        found: quantities(&model, &rest, &sheet.stations),
        influence: influences(sheet, &model, &rest).map_err(|e| named(e.into()))?,
    })
}
