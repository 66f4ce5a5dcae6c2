//! A spring from its wire: text and JSON.

use super::Table;
use crate::layout::WireSpring;
use crate::quantity::{Force, Length, Quantity, UnitSystem, decimals};
use serde_json::{Value, json};
use std::fmt::Write as _;

/// Stress in the system's own unit.
fn stress_words(pa: f64, units: UnitSystem) -> String {
    match units {
        UnitSystem::Metric => format!("{} N/mm2", decimals(pa / 1e6, 0)),
        // 6894.757293168361 Pa in a psi, exact definitions (NIST SP 811).
        UnitSystem::Inch => format!("{} ksi", decimals(pa / 6_894_757.293_168_361, 1)),
    }
}

/// The spring with its lengths and the stress at the forces asked.
pub fn wire_text(found: &WireSpring, forces: &[Force], units: UnitSystem) -> String {
    let wire = &found.wire;
    let mut text = format!(
        "SPRING FROM ITS WIRE: {} wire, {} mean coil, {} active coils of {} ({} ends), {} free\n",
        wire.wire
            .show(units, if units == UnitSystem::Inch { 3 } else { 2 }),
        wire.coil.shown(units),
        decimals(wire.active, 2),
        decimals(found.total_coils, 2),
        wire.ends.words(),
        wire.free_length.shown(units),
    );
    let doubt = if found.rate_uncertainty > 0.0 {
        format!(
            " ± {} % (95 %, from the calliper and the count)",
            decimals(2.0 * found.rate_uncertainty * 100.0, 1)
        )
    } else {
        " (no uncertainty given; 1 % on the wire is 4 % on the rate)".to_owned()
    };
    let _ = writeln!(text, "  rate {}{doubt}", found.rate.shown(units));
    let _ = writeln!(
        text,
        "  solid {}, {} of travel until the coils touch, at {}\n  spring index {}",
        found.solid_length.shown(units),
        found.bind_travel.shown(units),
        found.bind_force.shown(units),
        decimals(found.index, 2),
    );
    let mut table = Table::new([
        "  force",
        &format!("squeezed {}", Length::unit(units)),
        "stress (Wahl)",
    ]);
    for force in forces.iter().chain([&found.bind_force]) {
        let squeezed = Length::new(force.n() / found.rate.n_per_m());
        table.row([
            format!("  {}", force.shown(units)),
            decimals(
                squeezed.number(units),
                if units == UnitSystem::Inch { 2 } else { 1 },
            ),
            stress_words(found.stress_pa(*force), units),
        ]);
    }
    text.push_str(&table.lines(0));
    text.push_str(
        "  Measured on the spring as it is; the modulus is the one given. A weighed deflection beats it.\n",
    );
    text
}

/// The same as JSON.
pub fn wire_json(found: &WireSpring, forces: &[Force]) -> Value {
    json!({
        "rate_n_per_mm": found.rate.n_per_mm(),
        "rate_uncertainty_95_percent": 2.0 * found.rate_uncertainty * 100.0,
        "total_coils": found.total_coils,
        "ends": found.wire.ends.words(),
        "index": found.index,
        "free_length_mm": found.wire.free_length.mm(),
        "solid_length_mm": found.solid_length.mm(),
        "bind_travel_mm": found.bind_travel.mm(),
        "bind_force_n": found.bind_force.n(),
        "stress": forces.iter().chain([&found.bind_force]).map(|f| json!({
            "force_n": f.n(), "stress_mpa": found.stress_pa(*f) / 1e6,
        })).collect::<Vec<_>>(),
    })
}
