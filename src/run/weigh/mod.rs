//! `weigh`: from what was weighed to what the springs carry.

pub(super) mod form;

use crate::layout::{WeightsFound, weights};
use crate::quantity::{Quantity, UnitSystem};
use crate::report::{weights_json, weights_text};
use crate::run::arguments::WeighArguments;
use crate::run::failure::file;
use crate::run::{Failure, sheets};
use crate::sheet::text_of;
use std::process::ExitCode;

/// More bytes than any weighing has. Chosen.
const MOST_BYTES: usize = 1 << 18;

pub(super) fn run(arguments: &WeighArguments) -> Result<ExitCode, Failure> {
    let meant = if let Some(path) = &arguments.file {
        let text = text_of(path, MOST_BYTES).map_err(|e| file("read", path, &e))?;
        form::understood(&text, &path.display().to_string())?
    } else if arguments.example {
        sheets::print(form::EXAMPLE)?;
        return Ok(ExitCode::SUCCESS);
    } else {
        form::on_the_line(&arguments.line)?
    };
    let found = weights(&meant.weighing, &meant.wheels).map_err(|e| Failure {
        help: "weigh or measure both again and correct the one that is wrong".to_owned(),
        ..e.into()
    })?;
    if arguments.json {
        sheets::print_json(&weights_json(&found))?;
    } else {
        let words = weights_text(&found, meant.units);
        sheets::print(&(words + &for_the_sheet(&found, meant.units)))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The table to put in a build sheet; the place off to the side with its sign.
fn for_the_sheet(found: &WeightsFound, units: UnitSystem) -> String {
    let s = &found.sprung;
    let height = if found.height_known {
        ""
    } else {
        "   # the height is not known: put it in"
    };
    // The sheet's uncertainties are limits, evenly spread.
    let limit = 3.0_f64.sqrt();
    format!(
        "\nFOR THE BUILD SHEET\n[weight]\nsprung = \"{}\"\ncentre = [\"{}\", \"{}\", \"{}\"]{height}\n\
         uncertainty = \"{}\"\ncentre_uncertainty = \"{}\"\n",
        s.mass.shown(units),
        s.centre.x.shown(units),
        s.centre.y.shown(units),
        s.centre.z.shown(units),
        (s.mass_uncertainty * limit).shown(units),
        (s.centre_uncertainty * limit).shown(units),
    )
}
