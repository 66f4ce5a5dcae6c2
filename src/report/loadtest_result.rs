//! What a load test says, in words and as JSON: result, verdict, what is not told.

use super::Table;
use crate::compare::COVERAGE_95;
use crate::quantity::{Angle, Force, Length, Mass, Quantity, SpringRate, decimals};
use crate::sheet::{BuildSheet, Measurand};
use crate::trials::loadtest::{Estimate, Finding, Identified, Key, Untold, Verdict};
use serde_json::{Value, json};

/// A finding's value with its 95 % half-width, in the sheet's units.
pub(super) fn shown(sheet: &BuildSheet, key: Key, e: Estimate) -> String {
    let units = sheet.units;
    let half = e.uncertainty * COVERAGE_95;
    match key {
        Key::AxleRate(_) | Key::UnitRate(_) | Key::Tyre(_) => {
            format!(
                "{} ± {} %",
                decimals(e.value * 100.0, 1),
                decimals(half * 100.0, 1)
            )
        }
        Key::SideRate(_) => format!(
            "{} ± {} %",
            decimals(e.value * 100.0, 1),
            decimals(half * 100.0, 1)
        ),
        Key::Weight => format!(
            "{} ± {}",
            Mass::new(e.value).shown(units),
            Mass::new(half).shown(units)
        ),
        Key::Centre(_) | Key::Seat(_) => {
            format!(
                "{} ± {}",
                Length::new(e.value).shown(units),
                Length::new(half).shown(units)
            )
        }
        Key::Friction(_) => {
            format!(
                "{} ± {}",
                Force::new(e.value.max(0.0)).shown(units),
                Force::new(half).shown(units)
            )
        }
        Key::FloorRoll | Key::FloorPitch => {
            format!(
                "{} ± {}",
                Angle::new(e.value).shown(units),
                Angle::new(half).shown(units)
            )
        }
    }
}

fn origin(f: &Finding) -> &'static str {
    if f.is_told() { "measured" } else { "assumed" }
}

/// The result as tables.
pub fn loadtest_text(sheet: &BuildSheet, found: &Identified, untold: &[Untold]) -> String {
    let mut text = format!("LOAD TEST {}\n", sheet.name);
    let mut table = Table::new([
        "  quantity",
        "found",
        "the test alone",
        "before",
        "told",
        "",
    ]);
    for f in &found.findings {
        table.row([
            format!("  {}", f.key.name(sheet, &found.model)),
            shown(
                sheet,
                f.key,
                Estimate {
                    value: f.value,
                    uncertainty: f.uncertainty,
                },
            ),
            f.alone.map_or("-".to_owned(), |a| shown(sheet, f.key, a)),
            shown(sheet, f.key, f.before),
            format!("{} %", decimals(f.told * 100.0, 0)),
            origin(f).to_owned(),
        ]);
    }
    text.push_str(&table.lines(0));
    for b in &found.friction {
        text.push_str(&format!(
            "  friction {}: ± {} at each wheel, ± {} of height\n",
            sheet.axles[b.axle].name,
            Force::new(b.at_wheel_n.max(0.0)).shown(sheet.units),
            Length::new(b.height_m.max(0.0)).shown(sheet.units),
        ));
    }
    let fit = if found.fits() {
        "as they should"
    } else {
        "more than they should; intervals are widened"
    };
    text.push_str(&format!(
        "  {} readings scatter {fit} (chi-square {} over {})\n",
        found.readings,
        decimals(found.chi_square, 1),
        found.readings
    ));
    for s in &found.slips {
        text.push_str(&format!(
            "  SLIPPED sensor '{}' by {} before step {}\n",
            sensor_name(sheet, s.sensor),
            sensor_shown(sheet, s.sensor, s.off),
            s.before_step + 1
        ));
    }
    for m in &found.misfits {
        text.push_str(&format!(
            "  LEFT OUT '{}' in step {}: {} off, {} standard deviations\n",
            sensor_name(sheet, m.sensor),
            m.step + 1,
            sensor_shown(sheet, m.sensor, m.off),
            decimals(m.sigmas.abs(), 1)
        ));
    }
    for axle in &found.doubted_axles {
        text.push_str(&format!(
            "  the catalogue rate of the {} springs contradicts the test and was not used\n",
            sheet.axles[*axle].name
        ));
    }
    for c in &found.concerns {
        text.push_str(&format!("  NOTE {} [{}]\n", c.words(), c.code()));
    }
    for u in untold {
        text.push_str(&format!("  NOT TOLD {}\n", u.words));
        if let Some((other, r)) = u.together {
            text.push_str(&format!(
                "           it moves together with {} (correlation {})\n",
                other.name(sheet, &found.model),
                decimals(r, 2)
            ));
        }
    }
    text
}

fn sensor_name(sheet: &BuildSheet, i: usize) -> &str {
    sheet.sensors.get(i).map_or("?", |s| &s.name)
}

fn sensor_shown(sheet: &BuildSheet, i: usize, off: f64) -> String {
    match sheet.sensors.get(i).map(|s| &s.reads) {
        Some(Measurand::Tilt { .. }) => Angle::new(off).shown(sheet.units),
        _ => Length::new(off).shown(sheet.units),
    }
}

/// Unit of a quantity in JSON and the factor from SI.
pub(super) const fn json_unit(key: Key) -> (&'static str, f64) {
    match key {
        Key::AxleRate(_) | Key::SideRate(_) | Key::UnitRate(_) | Key::Tyre(_) => ("factor", 1.0),
        Key::Weight => ("kg", 1.0),
        Key::Centre(_) | Key::Seat(_) => ("mm", 1e3),
        Key::Friction(_) => ("n", 1.0),
        Key::FloorRoll | Key::FloorPitch => ("deg", 180.0 / std::f64::consts::PI),
    }
}

/// Value and 95 % half-width under keys that carry the unit.
pub(super) fn json_estimate(unit: &str, factor: f64, e: Estimate) -> Value {
    json!({ format!("value_{unit}"): e.value * factor, format!("half_width_95_{unit}"): e.uncertainty * factor * COVERAGE_95 })
}

/// The result as JSON.
pub fn loadtest_json(sheet: &BuildSheet, found: &Identified, untold: &[Untold]) -> Value {
    let findings: Vec<Value> = found
        .findings
        .iter()
        .map(|f| {
            let (unit, factor) = json_unit(f.key);
            json!({
                "quantity": f.key.name(sheet, &found.model),
                "found": json_estimate(unit, factor, Estimate { value: f.value, uncertainty: f.uncertainty }),
                "test_alone": f.alone.map(|a| json_estimate(unit, factor, a)),
                "before": json_estimate(unit, factor, f.before),
                "told_share": f.told,
                "origin": origin(f),
            })
        })
        .collect();
    let off = |sensor: usize, off: f64| match sheet.sensors.get(sensor).map(|s| &s.reads) {
        Some(Measurand::Tilt { .. }) => json!({ "off_deg": off.to_degrees() }),
        _ => json!({ "off_mm": off * 1e3 }),
    };
    json!({
        "findings": findings,
        "friction": found.friction.iter().map(|b| json!({
            "axle": sheet.axles[b.axle].name,
            "along_unit_n": b.along_unit_n,
            "at_wheel_n": b.at_wheel_n,
            "height_mm": b.height_m * 1e3,
            "half_width_95_height_mm": b.height_uncertainty_m * 1e3 * COVERAGE_95,
        })).collect::<Vec<_>>(),
        "chi_square": found.chi_square,
        "readings": found.readings,
        "fits": found.fits(),
        "variance_stretch": found.stretch,
        "slips": found.slips.iter().map(|s| json!({
            "sensor": sensor_name(sheet, s.sensor), "before_step": s.before_step + 1, "off": off(s.sensor, s.off), "sigmas": s.sigmas,
        })).collect::<Vec<_>>(),
        "misfits": found.misfits.iter().map(|m| json!({
            "sensor": sensor_name(sheet, m.sensor), "step": m.step + 1, "off": off(m.sensor, m.off), "sigmas": m.sigmas,
        })).collect::<Vec<_>>(),
        "doubted_axles": found.doubted_axles.iter().map(|i| sheet.axles[*i].name.clone()).collect::<Vec<_>>(),
        "concerns": found.concerns.iter().map(|c| json!({ "code": c.code(), "text": c.words() })).collect::<Vec<_>>(),
        "not_told": untold.iter().map(|u| json!({
            "quantity": u.key.name(sheet, &found.model),
            "told_share": u.told,
            "text": u.words,
            "moves_with": u.together.map(|(k, r)| json!({ "quantity": k.name(sheet, &found.model), "correlation": r })),
            "step_that_would_tell": u.remedy.as_ref().map(|(name, told)| json!({ "step": name, "told_share": told })),
        })).collect::<Vec<_>>(),
    })
}

/// The verdict as a table and sentences.
pub fn loadtest_verdict_text(sheet: &BuildSheet, found: &Identified, verdict: &Verdict) -> String {
    let units = sheet.units;
    let rate = |e: Estimate| {
        format!(
            "{} ± {}",
            SpringRate::new(e.value).shown(units),
            SpringRate::new(e.uncertainty * COVERAGE_95).shown(units)
        )
    };
    let mut table = Table::new(["  springs", "catalogue", "measured", "at 95 %"]);
    for r in &verdict.rates {
        table.row([
            format!("  {}", r.key.name(sheet, &found.model)),
            rate(r.catalogue),
            r.measured.map_or("-".to_owned(), rate),
            r.agreement.words().to_owned(),
        ]);
    }
    let mut text = table.lines(0);
    if verdict.causes.is_empty() {
        text.push_str("  nothing stands out: all is as the sheet has it, within its uncertainty\n");
    }
    for (i, c) in verdict.causes.iter().enumerate() {
        text.push_str(&format!(
            "  {}. {} ({} sd) [{}]\n",
            i + 1,
            c.text,
            decimals(c.sigmas, 1),
            c.code
        ));
    }
    text
}

/// The verdict as JSON.
pub fn loadtest_verdict_json(sheet: &BuildSheet, found: &Identified, verdict: &Verdict) -> Value {
    let rate = |e: Estimate| json_estimate("n_per_mm", 1e-3, e);
    json!({
        "rates": verdict.rates.iter().map(|r| json!({
            "springs": r.key.name(sheet, &found.model),
            "catalogue": rate(r.catalogue),
            "measured": r.measured.map(rate),
            "together": rate(r.together),
            "sigmas": r.sigmas,
            "agreement": r.agreement,
        })).collect::<Vec<_>>(),
        "causes": verdict.causes.iter().map(|c| json!({ "code": c.code, "text": c.text, "sigmas": c.sigmas })).collect::<Vec<_>>(),
    })
}
