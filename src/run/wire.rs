//! `wire`: a spring of unknown rate from its wire.

use crate::layout::{Ends, LayoutError, STEEL_SHEAR_MODULUS_PA, Wire};
use crate::quantity::Length;
use crate::report::{wire_json, wire_text};
use crate::run::arguments::{WireArguments, WireEnds};
use crate::run::{Failure, sheets};
use std::process::ExitCode;

pub(super) fn run(arguments: &WireArguments) -> Result<ExitCode, Failure> {
    let ends = match arguments.ends {
        WireEnds::Plain => Ends::Plain,
        WireEnds::PlainGround => Ends::PlainGround,
        WireEnds::Squared => Ends::Squared,
        WireEnds::SquaredGround => Ends::SquaredGround,
    };
    let coil = match (arguments.coil, arguments.outside) {
        (Some(mean), _) => mean,
        (None, outside) => outside.unwrap_or_default() - arguments.wire,
    };
    // A limit, evenly spread (JCGM 100:2008, 4.3.7).
    let standard = |limit: f64| limit / 3.0_f64.sqrt();
    let of = |limit: Option<Length>| Length::new(standard(limit.unwrap_or_default().m()));
    let tolerances = [
        ("wire-tolerance", arguments.wire_tolerance.map(Length::m)),
        ("coil-tolerance", arguments.coil_tolerance.map(Length::m)),
        ("active-tolerance", arguments.active_tolerance),
    ];
    for (field, value) in tolerances {
        if let Some(value) = value.filter(|v| !(*v >= 0.0 && v.is_finite())) {
            return Err(LayoutError::Impossible {
                field: field.to_owned(),
                value: value.to_string(),
                why: "a tolerance is a finite number that is not negative".to_owned(),
            }
            .into());
        }
    }
    let found = Wire {
        wire_uncertainty: of(arguments.wire_tolerance),
        coil_uncertainty: of(arguments.coil_tolerance),
        active_uncertainty: standard(arguments.active_tolerance.unwrap_or(0.0)),
        shear_modulus_pa: arguments.modulus.unwrap_or(STEEL_SHEAR_MODULUS_PA),
        ..Wire::new(arguments.wire, coil, arguments.active, ends, arguments.free)
    }
    .spring()
    .map_err(|e| Failure {
        help: "measure again, or correct the one that is wrong".to_owned(),
        ..e.into()
    })?;
    if arguments.json {
        sheets::print_json(&wire_json(&found, &arguments.forces))?;
    } else {
        let units = arguments.units.system();
        sheets::print(&wire_text(&found, &arguments.forces, units))?;
    }
    Ok(ExitCode::SUCCESS)
}
