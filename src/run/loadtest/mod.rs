//! `loadtest`: plan a load test, do it, and say what it tells.
//!
//! In: a sheet, hands that put weight on and off, answers; or what the logbook
//! has already. Out: the plan, guidance step by step, the result with verdict
//! and forecast. Refused: a load that the sheet does not have; a result that the
//! readings do not carry (exit code 3).

mod answer;
mod doing;
mod gather;
mod guided;
mod live;
mod picture;
mod rehearsal;
mod window;

pub(super) use rehearsal::run as rehearse;

/// The newest load test in the logbook beside a sheet; none where nothing is told by one.
pub(super) fn told(path: &Path, sheet: &BuildSheet) -> Option<LoadTestTold> {
    let gathered = gather::newest(path, sheet).ok()?;
    let answer = answer::Answer::of(&gathered.sheet, &gathered.steps, &[]).ok()?;
    answer.tells_anything().then_some(LoadTestTold {
        found: answer.found,
        verdict: answer.verdict,
    })
}

use crate::report::{LoadTestTold, loadtest_plan_json, loadtest_plan_text};
use crate::run::arguments::{AtHand, LoadtestAction, LoadtestArguments};
use crate::run::progress::Waiting;
use crate::run::{Failure, sheets};
use crate::sheet::BuildSheet;
use crate::trials::loadtest::{Load, LoadTestError, Plan, PlanOptions, plan_from, visits};
use std::path::Path;
use std::process::ExitCode;

/// Standard uncertainty of a person's weight, kilograms: a bathroom scale.
const PERSON_U_KG: f64 = 1.0;

pub(super) fn run(arguments: &LoadtestArguments) -> Result<ExitCode, Failure> {
    match &arguments.action {
        Some(LoadtestAction::Plan {
            sheet,
            at_hand,
            json,
        }) => {
            let sheet = sheets::read(sheet)?;
            let waiting = Waiting::begin("weighing up the steps", *json);
            let plan = plan_of(&sheet, at_hand)?;
            drop(waiting);
            if *json {
                sheets::print_json(&loadtest_plan_json(&sheet, &plan))?;
            } else {
                sheets::print(&loadtest_plan_text(&sheet, &plan))?;
            }
            Ok(ExitCode::SUCCESS)
        }
        Some(LoadtestAction::Fit {
            sheet,
            ways,
            without,
            all,
            svg,
            force,
            json,
        }) => gather::fit(&gather::Asked {
            path: sheet,
            ways,
            without,
            all: *all,
            svg: svg.as_deref(),
            force: *force,
            json: *json,
        }),
        None => guided::run(&arguments.test),
    }
}

/// Plans a test with what is at hand.
fn plan_of(sheet: &BuildSheet, at_hand: &AtHand) -> Result<Plan, Failure> {
    if sheet.sensors.is_empty() {
        return Err(Failure::users(
            "loadtest.no_sensors",
            "the sheet names no sensors",
            "add [[sensor]] tables; 'stillheight sheet new FILE' shows how",
        ));
    }
    let loads = loads_at_hand(sheet, &at_hand.loads)?;
    let person_kg = (!at_hand.nobody).then_some((at_hand.person, PERSON_U_KG));
    let choice: Vec<_> = visits(sheet, person_kg)
        .into_iter()
        .filter(|v| {
            let mut on = v.stops.iter().flat_map(|(on, _)| on);
            on.all(|l| match l {
                Load::Named(i) => loads.contains(i),
                Load::Placed(_) => true,
            })
        })
        .collect();
    if choice.is_empty() {
        return Err(Failure::users(
            "loadtest.nothing_at_hand",
            "there is nothing to put on",
            "let somebody get in, or name a load of the sheet with --load",
        ));
    }
    let options = PlanOptions {
        person_kg,
        most_stops: at_hand.stops,
        ..PlanOptions::default()
    };
    plan_from(sheet, &choice, &options).map_err(refused)
}

/// Loads by name; without names those that do not belong to the target's case.
fn loads_at_hand(sheet: &BuildSheet, names: &[String]) -> Result<Vec<usize>, Failure> {
    if !names.is_empty() {
        return crate::run::watch::loads_named(sheet, names);
    }
    let to_come = sheet
        .cases
        .get(sheet.targets.case)
        .map_or(&[][..], |c| c.loads.as_slice());
    Ok((0..sheet.loads.len())
        .filter(|i| !to_come.contains(i))
        .collect())
}

/// Exit code where nothing could be identified.
const NOTHING: u8 = 3;

/// A load test's error as a failed command.
fn refused(e: LoadTestError) -> Failure {
    let exit = match &e {
        LoadTestError::Statics(_) | LoadTestError::NoCase { .. } | LoadTestError::NoLink => 2,
        _ => NOTHING,
    };
    Failure {
        message: e.to_string(),
        code: e.code().to_owned(),
        help: e.help().to_owned(),
        exit,
    }
}
