//! Weights and their centre: text and JSON.

use crate::layout::WeightsFound;
use crate::quantity::{Length, Mass, Quantity, UnitSystem};
use serde_json::{Value, json};
use std::fmt::Write as _;

fn pm(value: Mass, u: Mass, units: UnitSystem) -> String {
    format!("{} ± {}", value.shown(units), (u * 2.0).shown(units))
}

/// What was weighed, what was taken off, what the springs carry.
pub fn weights_text(found: &WeightsFound, units: UnitSystem) -> String {
    let at = |p: crate::quantity::Point, known: bool| {
        let side = match p.y.mm() {
            y if y > 0.05 => " to the left",
            y if y < -0.05 => " to the right",
            _ => "",
        };
        let height = if known {
            format!("{} over the datum", p.z.shown(units))
        } else {
            "height not known".to_owned()
        };
        format!(
            "{} ahead of the rear axle, {}{side}, {height}",
            p.x.shown(units),
            p.y.abs().shown(units),
        )
    };
    let mut text = format!(
        "WEIGHTS (± is 95 %)\n  whole vehicle {}\n    centre {}\n",
        pm(found.whole.mass, found.whole.uncertainty, units),
        at(found.centre, found.height_known),
    );
    for (name, mass) in &found.taken_off {
        let _ = writeln!(text, "  unsprung, taken off: {name} {}", mass.shown(units));
    }
    let s = &found.sprung;
    let _ = writeln!(
        text,
        "  the springs carry {}\n    centre {} (each ± {})",
        pm(s.mass, s.mass_uncertainty, units),
        at(s.centre, found.height_known),
        (s.centre_uncertainty * 2.0).shown(units),
    );
    if !found.height_known {
        text.push_str(
            "  Without a weighing with one axle raised, or a list of all parts, the height is not known;\n  \
             zero over the datum is put in its place.\n",
        );
    }
    text.push_str(
        "  Raising an axle for a weighing: wheels of the other axle chocked, suspension blocked, lift on rated\n  \
         stands and not on a jack, nobody under or in the vehicle.\n",
    );
    text
}

/// The same as JSON.
pub fn weights_json(found: &WeightsFound) -> Value {
    let mm = |p: crate::quantity::Point| [p.x, p.y, p.z].map(Length::mm);
    json!({
        "whole_kg": found.whole.mass.kg(),
        "whole_uncertainty_95_kg": 2.0 * found.whole.uncertainty.kg(),
        "centre_mm": mm(found.centre),
        "height_known": found.height_known,
        "unsprung": found.taken_off.iter().map(|(name, m)| json!({
            "name": name, "mass_kg": m.kg(),
        })).collect::<Vec<_>>(),
        "sprung_kg": found.sprung.mass.kg(),
        "sprung_uncertainty_95_kg": 2.0 * found.sprung.mass_uncertainty.kg(),
        "sprung_centre_mm": mm(found.sprung.centre),
        "sprung_centre_uncertainty_95_mm": 2.0 * found.sprung.centre_uncertainty.mm(),
    })
}
