//! Operations in words, in the order to do them, with what to support.

use super::Basis;
use crate::advice::{End, Operation, Plan, holes};
use crate::report::words::turn_words;

/// One operation in words.
pub fn operation_words(basis: &Basis<'_>, operation: &Operation) -> String {
    match *operation {
        Operation::Collar { unit, turns } => {
            let way = if turns > 0.0 { "up" } else { "down" };
            let rise = basis.model.units.get(unit).map_or(0.0, |u| u.pitch) * turns;
            format!(
                "turn the {} collar {} {way} ({})",
                basis.unit(unit),
                turn_words(turns),
                basis.by(rise)
            )
        }
        Operation::Hole { unit, end, hole } => {
            let name = basis.unit(unit);
            let list = holes(basis.sheet, name, end);
            let setting = basis.setup.0.get(unit);
            let from = setting.and_then(|s| match end {
                End::Upper => s.upper,
                End::Lower => s.lower,
            });
            let hole_name = |i: usize| list.get(i).map_or("?", |h| h.name.as_str());
            let from = from.map_or(String::new(), |f| format!(" from hole '{}'", hole_name(f)));
            format!(
                "move the {name} {} bolt{from} to hole '{}'",
                end.word(),
                hole_name(hole)
            )
        }
        Operation::Spring { unit, spring } => {
            let name = spring.and_then(|s| basis.sheet.shelf.get(s)).map_or_else(
                || "the sheet's own spring".to_owned(),
                |s| format!("spring '{}'", s.name),
            );
            format!("fit {name} at the {}", basis.unit(unit))
        }
    }
}

/// The steps of a plan, each a line, with what to support before each end is worked on.
pub fn plan_steps(basis: &Basis<'_>, plan: &Plan) -> Vec<String> {
    let axle = |o: &Operation| basis.model.units.get(o.unit()).map_or(0, |u| u.axle);
    let mut lines = Vec::new();
    for (i, end) in basis.sheet.axles.iter().enumerate() {
        let here: Vec<&Operation> = plan.operations.iter().filter(|o| axle(o) == i).collect();
        if here.is_empty() {
            continue;
        }
        let out = |o: &Operation| !matches!(o, Operation::Collar { .. });
        let swaps = here.iter().any(|o| matches!(o, Operation::Spring { .. }));
        lines.push(if here.iter().any(|o| out(o)) {
            format!(
                "{0} end: chock the other wheels, lift, set the frame on rated stands (not on a jack), hold the axle up with a second support, then take out the coilovers named",
                end.name
            )
        } else {
            format!(
                "{} end: chock the other wheels, lift until the springs are slack, set the frame on rated stands (not on a jack)",
                end.name
            )
        });
        if swaps {
            lines.push(
                "a compressed spring can kill: use a spring compressor made for it, or have it done".to_owned(),
            );
        }
        lines.extend(here.iter().map(|o| operation_words(basis, o)));
    }
    if !plan.operations.is_empty() {
        lines.push(
            "let it down with nobody underneath, roll or bounce it to free the friction, wait until it is still, keep a reading".to_owned(),
        );
    }
    lines
}
