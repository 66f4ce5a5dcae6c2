//! The finished vehicle as the load test forecasts it, in words and as JSON.

use super::Table;
use super::loadtest_result::json_estimate;
use crate::compare::COVERAGE_95;
use crate::quantity::{Angle, Frequency, Length, Mass, Quantity, SpringRate};
use crate::sheet::BuildSheet;
use crate::trials::loadtest::{Estimate, Finished, LinkWeight};
use serde_json::{Value, json};

fn shown<Q: Quantity>(sheet: &BuildSheet, e: Estimate, of: impl Fn(f64) -> Q) -> String {
    format!(
        "{} ± {}",
        of(e.value).shown(sheet.units),
        of(e.uncertainty * COVERAGE_95).shown(sheet.units)
    )
}

/// What still has to come, held against what would level the link.
fn about_right(w: &LinkWeight) -> Option<&'static str> {
    let (mass, to_come) = (w.mass?, w.to_come_kg?);
    let off = to_come.value - mass.value;
    let half = COVERAGE_95 * mass.uncertainty.hypot(to_come.uncertainty) + w.friction_kg;
    Some(if off.abs() <= half {
        "about right"
    } else if off > 0.0 {
        "more than that"
    } else {
        "less than that"
    })
}

/// The forecast as tables.
pub fn loadtest_forecast_text(
    sheet: &BuildSheet,
    finished: &Finished,
    weights: &[LinkWeight],
) -> String {
    let units = sheet.units;
    let name = sheet.cases.get(finished.case).map_or("?", |c| &c.name);
    let mut text = format!("FORECAST of case {name}, bounced\n");
    let mut table = Table::new(["  quantity", "expected (95 %)", "friction can hold it"]);
    for q in &finished.quantities {
        let (value, band) = if q.key.is_angle() {
            (
                shown(sheet, q.expected, Angle::new),
                Angle::new(q.friction).shown(units),
            )
        } else {
            (
                shown(sheet, q.expected, Length::new),
                Length::new(q.friction).shown(units),
            )
        };
        table.row([
            format!("  {}", q.key.name(sheet, &finished.model)),
            value,
            format!("± {band}"),
        ]);
    }
    for u in &finished.units {
        let of = &finished.model.units[u.unit].name;
        table.row([
            format!("  travel up {of}"),
            shown(sheet, u.up, Length::new),
            String::new(),
        ]);
        table.row([
            format!("  travel down {of}"),
            shown(sheet, u.down, Length::new),
            String::new(),
        ]);
    }
    for a in &finished.axles {
        let of = &sheet.axles[a.axle].name;
        table.row([
            format!("  wheel rate {of}"),
            shown(sheet, a.wheel_rate, SpringRate::new),
            String::new(),
        ]);
        if let Some(f) = a.frequency {
            table.row([
                format!("  ride frequency {of}"),
                shown(sheet, f, Frequency::new),
                String::new(),
            ]);
        }
    }
    text.push_str(&table.lines(0));
    for w in &finished.warnings {
        text.push_str(&format!("  WARNING {} [{}]\n", w.text, w.code));
    }
    text.push_str(&link_weights_text(sheet, finished, weights));
    text
}

fn link_weights_text(sheet: &BuildSheet, finished: &Finished, weights: &[LinkWeight]) -> String {
    let mut text = String::new();
    for w in weights {
        let link = finished.model.link(w.axle).map_or("link", |(n, _)| n);
        let aim = Angle::new(w.target).shown(sheet.units);
        text.push_str(&match w.mass {
            Some(m) => {
                let what = if m.value < 0.0 {
                    "taken off"
                } else {
                    "on the bare vehicle"
                };
                let mass = shown(
                    sheet,
                    Estimate {
                        value: m.value.abs(),
                        ..m
                    },
                    Mass::new,
                );
                let come = match (about_right(w), w.to_come_kg) {
                    (Some(words), Some(kg)) => {
                        format!(
                            "; {} is still to come: {words}",
                            Mass::new(kg.value).shown(sheet.units)
                        )
                    }
                    _ => String::new(),
                };
                format!(
                    "  {link} at {aim}: {mass} {what}, {} (friction ± {}){come}\n",
                    w.place,
                    Mass::new(w.friction_kg).shown(sheet.units)
                )
            }
            None => format!("  {link} at {aim}: no weight {} brings it there\n", w.place),
        });
    }
    text
}

/// The forecast as JSON.
pub fn loadtest_forecast_json(
    sheet: &BuildSheet,
    finished: &Finished,
    weights: &[LinkWeight],
) -> Value {
    let deg = 180.0 / std::f64::consts::PI;
    json!({
        "case": sheet.cases.get(finished.case).map(|c| c.name.clone()),
        "quantities": finished.quantities.iter().map(|q| {
            let (unit, factor) = if q.key.is_angle() { ("deg", deg) } else { ("mm", 1e3) };
            json!({
                "quantity": q.key.name(sheet, &finished.model),
                "expected": json_estimate(unit, factor, q.expected),
                format!("friction_half_width_{unit}"): q.friction * factor,
            })
        }).collect::<Vec<_>>(),
        "travel": finished.units.iter().map(|u| json!({
            "unit": finished.model.units[u.unit].name,
            "up": json_estimate("mm", 1e3, u.up),
            "down": json_estimate("mm", 1e3, u.down),
        })).collect::<Vec<_>>(),
        "axles": finished.axles.iter().map(|a| json!({
            "axle": sheet.axles[a.axle].name,
            "wheel_rate": json_estimate("n_per_mm", 1e-3, a.wheel_rate),
            "ride_frequency": a.frequency.map(|f| json_estimate("hz", 1.0, f)),
        })).collect::<Vec<_>>(),
        "warnings": finished.warnings.iter().map(|w| json!({ "code": w.code, "text": w.text })).collect::<Vec<_>>(),
        "link_weights": weights.iter().map(|w| json!({
            "axle": sheet.axles[w.axle].name,
            "place": w.place,
            "at_mm": w.at_m.map(|x| x * 1e3),
            "target_deg": w.target * deg,
            "mass": w.mass.map(|m| json_estimate("kg", 1.0, m)),
            "friction_half_width_kg": w.friction_kg,
            "to_come": w.to_come_kg.map(|m| json_estimate("kg", 1.0, m)),
            "verdict": about_right(w),
        })).collect::<Vec<_>>(),
    })
}
