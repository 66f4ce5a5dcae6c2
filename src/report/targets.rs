//! The static targets of a sheet, as tables and as JSON.

use super::Table;
use super::words::{level_words, signed, turn_words};
use crate::quantity::{
    Angle, Force, Length, Mass, Quantity, RollRate, SpringRate, UnitSystem, decimals,
};
use crate::sheet::BuildSheet;
use crate::statics::{CaseQuantities, Cause, Influence};
use serde_json::{Value, json};

/// One load case worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct CaseReport {
    /// Its name.
    pub name: String,
    /// The loads that are on.
    pub loads: Vec<String>,
    /// Whether the sheet's targets hold for it.
    pub is_target: bool,
    /// Its quantities.
    pub found: CaseQuantities,
    /// What changes do to it.
    pub influence: Vec<Influence>,
}

/// Cases as tables, in the sheet's own units.
pub fn targets_text(sheet: &BuildSheet, cases: &[CaseReport]) -> String {
    let units = sheet.units;
    let mut text = format!("{}\n", sheet.name);
    for case in cases {
        text.push('\n');
        let loads = if case.loads.is_empty() {
            "no loads".to_owned()
        } else {
            case.loads.join(", ")
        };
        let mark = if case.is_target {
            "  <- the targets hold for this one"
        } else {
            ""
        };
        text.push_str(&format!("CASE {} ({loads}){mark}\n", case.name));
        text.push_str(&format!(
            "  frame {}\n",
            level_words(case.found.roll, case.found.pitch)
        ));
        text.push_str(&heights(sheet, case));
        text.push_str(&links(sheet, case));
        text.push_str(&units_tables(&case.found, units));
        text.push_str(&axles(&case.found, units));
        if case.is_target || cases.len() == 1 {
            text.push_str(&influence(&case.influence, units));
        }
        for w in &case.found.warnings {
            text.push_str(&format!("  WARNING {} [{}]\n", w.text, w.code));
        }
    }
    text.push_str(
        "\nThe model: exact geometry, springs, tyres and stops as the sheet gives them. It does not know\n\
         friction, bushings or settling. Changes to suspension, steering and brakes follow local codes\n\
         and are signed off by someone licensed for it.\n",
    );
    text
}

fn heights(sheet: &BuildSheet, case: &CaseReport) -> String {
    let units = sheet.units;
    let mut table = if case.is_target {
        Table::new(["station", "height", "target", "off"])
    } else {
        Table::new(["station", "height"])
    };
    for (i, (name, height)) in case.found.heights.iter().enumerate() {
        let mut cells = vec![name.clone(), height.shown(units)];
        if case.is_target {
            match sheet.targets.heights.iter().find(|t| t.station == i) {
                Some(t) => cells.extend([t.height.shown(units), signed(*height - t.height, units)]),
                None => cells.extend(["-".to_owned(), "-".to_owned()]),
            }
        }
        table.row_of(cells);
    }
    if table.is_empty() {
        String::new()
    } else {
        table.lines(4)
    }
}

fn links(sheet: &BuildSheet, case: &CaseReport) -> String {
    let units = sheet.units;
    let mut text = String::new();
    for link in &case.found.links {
        let end = match link.angle.deg() {
            d if d > 0.005 => ", frame end high",
            d if d < -0.005 => ", frame end low",
            _ => "",
        };
        let side = match link.side_shift.mm() {
            s if s > 0.05 => " to the left",
            s if s < -0.05 => " to the right",
            _ => "",
        };
        text.push_str(&format!(
            "  {} at {}{end}; axle off centre by {}{side}\n",
            link.name,
            link.angle.abs().shown(units),
            link.side_shift.abs().shown(units),
        ));
    }
    text
}

fn units_tables(found: &CaseQuantities, units: UnitSystem) -> String {
    let places = if units == UnitSystem::Inch { 2 } else { 1 };
    let number = |l: Length| decimals(l.number(units), places);
    let mut table = Table::new([
        "spring",
        "lean deg",
        "length",
        "force",
        "squeezed",
        "preload",
        "sag",
        "sag %",
        "travel up",
        "travel down",
        "bind margin",
    ])
    .stacked();
    for u in &found.units {
        table.row([
            u.name.clone(),
            u.angle.map_or("-".to_owned(), |a| decimals(a.deg(), 2)),
            number(u.length),
            decimals(u.force.number(units), 0),
            number(u.compression),
            number(u.preload),
            number(u.sag),
            decimals(u.sag_share * 100.0, 0),
            number(u.travel_up),
            number(u.travel_down),
            u.bind_margin.map_or("-".to_owned(), number),
        ]);
    }
    format!(
        "  springs, in {} and {}\n{}",
        Length::unit(units),
        Force::unit(units),
        table.lines(4)
    )
}

fn axles(found: &CaseQuantities, units: UnitSystem) -> String {
    let places = if units == UnitSystem::Inch { 2 } else { 1 };
    let mut table = Table::new([
        "axle",
        "wheel rate",
        "ride rate",
        "roll rate",
        "frequency Hz",
        "sprung mass",
        "roll centre",
        "load left",
        "load right",
    ])
    .stacked();
    for a in found.axles.iter().filter(|a| a.carries) {
        table.row([
            a.name.clone(),
            decimals(a.wheel_rate.number(units), places),
            decimals(a.ride_rate.number(units), places),
            decimals(a.roll_rate.number(units), 0),
            a.frequency.map_or("-".to_owned(), |f| decimals(f.hz(), 2)),
            decimals(a.sprung_mass.number(units), 0),
            a.roll_centre_height
                .map_or("-".to_owned(), |h| decimals(h.number(units), places)),
            decimals(a.wheel_loads[0].number(units), 0),
            decimals(a.wheel_loads[1].number(units), 0),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    format!(
        "  axles, in {}, {}, {}, {} and {}; rates at one wheel\n{}",
        SpringRate::unit(units),
        RollRate::unit(units),
        Mass::unit(units),
        Length::unit(units),
        Force::unit(units),
        table.lines(4)
    )
}

fn influence(all: &[Influence], units: UnitSystem) -> String {
    let Some(first) = all.first() else {
        return String::new();
    };
    let mut headings = vec!["change".to_owned()];
    headings.extend(first.heights.iter().map(|(name, _)| name.clone()));
    headings.push("roll deg".to_owned());
    headings.push("pitch deg".to_owned());
    headings.extend(first.links.iter().map(|(name, _)| format!("{name} deg")));
    let mut table = Table::default().stacked();
    table.row_of(headings);
    for i in all {
        let places = if matches!(i.cause, Cause::Kilogram { .. }) {
            3
        } else {
            2
        };
        let mut cells = vec![cause_words(&i.cause, units)];
        let shift = |l: Length| plus(l.number(units), places);
        cells.extend(i.heights.iter().map(|(_, h)| shift(*h)));
        cells.extend([i.roll, i.pitch].map(|a| plus(a.deg(), places)));
        cells.extend(i.links.iter().map(|(_, a)| plus(a.deg(), places)));
        table.row_of(cells);
    }
    format!(
        "  what a change does to the heights, in {}\n{}",
        Length::unit(units),
        table.lines(4)
    )
}

fn plus(value: f64, places: usize) -> String {
    let text = decimals(value, places);
    if text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}

fn cause_words(cause: &Cause, units: UnitSystem) -> String {
    match cause {
        Cause::CollarTurn { unit, rise } => {
            format!(
                "{unit} collar {} up ({})",
                turn_words(1.0),
                rise.show(units, 2)
            )
        }
        Cause::Kilogram { place } => format!("1 kg at {place}"),
        Cause::Hole { unit, upper, hole } => {
            format!(
                "{unit} {} bolt to {hole}",
                if *upper { "upper" } else { "lower" }
            )
        }
    }
}

/// Cases as JSON: always millimetres, degrees, newtons, kilograms, hertz, with
/// the unit in the key.
pub fn targets_json(sheet: &BuildSheet, cases: &[CaseReport]) -> Value {
    json!({
        "vehicle": sheet.name,
        "units": {
            "length": "mm", "angle": "deg", "force": "N", "mass": "kg", "rate": "N/mm",
            "roll_rate": "N m/deg", "frequency": "Hz"
        },
        "cases": cases.iter().map(|c| case_json(sheet, c)).collect::<Vec<_>>(),
        "influence": cases
            .iter()
            .flat_map(|c| c.influence.iter().map(|i| influence_json(&c.name, i)))
            .collect::<Vec<_>>(),
    })
}

fn case_json(sheet: &BuildSheet, case: &CaseReport) -> Value {
    let found = &case.found;
    let coilovers: Vec<_> = found
        .units
        .iter()
        .filter(|u| u.coilover)
        .map(unit_json)
        .collect();
    let corners: Vec<_> = found
        .units
        .iter()
        .filter(|u| !u.coilover)
        .map(unit_json)
        .collect();
    let stations = found.heights.iter().enumerate().map(|(i, (name, h))| {
        let target = sheet
            .targets
            .heights
            .iter()
            .find(|t| case.is_target && t.station == i);
        json!({
            "name": name,
            "height_mm": h.mm(),
            "target_mm": target.map(|t| t.height.mm()),
            "tolerance_mm": target.map(|t| t.tolerance.mm()),
        })
    });
    json!({
        "name": case.name,
        "loads": case.loads,
        "is_target": case.is_target,
        "frame": { "roll_deg": found.roll.deg(), "pitch_deg": found.pitch.deg() },
        "stations": stations.collect::<Vec<_>>(),
        "links": found.links.iter().map(|l| json!({
            "name": l.name, "angle_deg": l.angle.deg(), "side_shift_mm": l.side_shift.mm(),
        })).collect::<Vec<_>>(),
        "coilovers": coilovers,
        "corners": corners,
        "axles": found.axles.iter().filter(|a| a.carries).map(|a| json!({
            "name": a.name,
            "wheel_rate_n_per_mm": a.wheel_rate.n_per_mm(),
            "ride_rate_n_per_mm": a.ride_rate.n_per_mm(),
            "roll_rate_nm_per_deg": a.roll_rate.nm_per_deg(),
            "ride_roll_rate_nm_per_deg": a.ride_roll_rate.nm_per_deg(),
            "frequency_hz": a.frequency.map(crate::quantity::Frequency::hz),
            "roll_centre_height_mm": a.roll_centre_height.map(Length::mm),
            "sprung_mass_kg": a.sprung_mass.kg(),
            "wheel_load_left_n": a.wheel_loads[0].n(),
            "wheel_load_right_n": a.wheel_loads[1].n(),
        })).collect::<Vec<_>>(),
        "stands": found.stands.iter().map(|f| json!({ "load_n": f.n() })).collect::<Vec<_>>(),
        "warnings": found.warnings.iter().map(|w| json!({ "code": w.code, "text": w.text })).collect::<Vec<_>>(),
    })
}

fn unit_json(u: &crate::statics::UnitQuantities) -> Value {
    json!({
        "name": u.name,
        "length_mm": u.length.mm(),
        "angle_deg": u.angle.map(Angle::deg),
        "force_n": u.force.n(),
        "rate_n_per_mm": u.rate.n_per_mm(),
        "compression_mm": u.compression.mm(),
        "preload_mm": u.preload.mm(),
        "sag_mm": u.sag.mm(),
        "sag_percent": u.sag_share * 100.0,
        "travel_up_mm": u.travel_up.mm(),
        "travel_down_mm": u.travel_down.mm(),
        "bind_margin_mm": u.bind_margin.map(Length::mm),
    })
}

fn influence_json(case: &str, i: &Influence) -> Value {
    let cause = match &i.cause {
        Cause::CollarTurn { unit, rise } => {
            json!({ "kind": "collar_turn", "coilover": unit, "rise_mm": rise.mm() })
        }
        Cause::Kilogram { place } => json!({ "kind": "kilogram", "place": place }),
        Cause::Hole { unit, upper, hole } => json!({
            "kind": "hole", "coilover": unit, "mount": if *upper { "upper" } else { "lower" }, "hole": hole,
        }),
    };
    json!({
        "case": case,
        "cause": cause,
        "exact": i.exact,
        "stations": i.heights.iter().map(|(name, h)| json!({ "name": name, "height_mm": h.mm() })).collect::<Vec<_>>(),
        "roll_deg": i.roll.deg(),
        "pitch_deg": i.pitch.deg(),
        "links": i.links.iter().map(|(name, a)| json!({ "name": name, "angle_deg": a.deg() })).collect::<Vec<_>>(),
    })
}
