//! The plan of a load test, and what changed between two, in words and as JSON.

use super::Table;
use super::loadtest_result::{json_estimate, json_unit, shown};
use crate::compare::COVERAGE_95;
use crate::quantity::{Force, Length, Mass, Quantity, decimals};
use crate::sheet::BuildSheet;
use crate::statics::Model;
use crate::trials::loadtest::{Change, Key, Plan, Visit};
use serde_json::{Value, json};

/// What a person must have read before anybody gets in.
pub const LOADTEST_CAUTION: &str = "Before anybody gets in: rated stands under frame and axle with a small gap, wheels chocked; tack\n\
     welds carry nobody (finish the welds, or use sandbags); nobody underneath while the load changes.\n";

/// A 95 % half-width in the sheet's units.
fn half(sheet: &BuildSheet, key: Key, uncertainty: f64) -> String {
    let half = uncertainty * COVERAGE_95;
    match key {
        Key::Weight => Mass::new(half).shown(sheet.units),
        Key::Friction(_) => Force::new(half).shown(sheet.units),
        _ => format!("{} %", decimals(half * 100.0, 1)),
    }
}

fn stops(sheet: &BuildSheet, visit: &Visit) -> String {
    let one = |(loads, approach): &(
        Vec<crate::trials::loadtest::Load>,
        crate::trials::loadtest::Approach,
    )| {
        let names: Vec<_> = loads
            .iter()
            .filter_map(|l| l.placed(sheet))
            .map(|l| l.body)
            .collect();
        let on = if names.is_empty() {
            "bare".to_owned()
        } else {
            names.join(" + ")
        };
        format!("{on} ({})", approach.words())
    };
    visit.stops.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// The plan as tables: half-widths at 95 % that each visit leaves.
pub fn loadtest_plan_text(sheet: &BuildSheet, plan: &Plan) -> String {
    let model = Model::new(sheet, &[]);
    let mut text = format!("PLAN OF A LOAD TEST {}\n{LOADTEST_CAUTION}", sheet.name);
    let names: Vec<String> = plan
        .keys
        .iter()
        .map(|k| format!("± {}", k.name(sheet, &model)))
        .collect();
    let heading = |first: &str| {
        let mut cells = vec![first.to_owned()];
        cells.extend(names.iter().cloned());
        cells
    };
    let row = |name: String, after: &[f64]| {
        let mut cells = vec![name];
        cells.extend(
            plan.keys
                .iter()
                .zip(after)
                .map(|(k, u)| half(sheet, *k, *u)),
        );
        cells
    };
    let mut table = Table::default();
    table.row_of(heading("  after"));
    table.row_of(row("  the sheet alone".to_owned(), &plan.before));
    for (i, v) in plan.visits.iter().enumerate() {
        table.row_of(row(format!("  {}. {}", i + 1, v.visit.name), &v.after));
    }
    text.push_str(&table.lines(0));
    for (i, v) in plan.visits.iter().enumerate() {
        text.push_str(&format!(
            "  {}. read at: {}; ",
            i + 1,
            stops(sheet, &v.visit)
        ));
        text.push_str(&format!(
            "moves up to {}, {} times the noise\n",
            Length::new(v.moves_m).shown(sheet.units),
            decimals(v.noises, 0)
        ));
    }
    text.push_str("What would be gained by doing it otherwise\n");
    let mut table = Table::default();
    table.row_of(heading("  the whole plan"));
    for t in &plan.trades {
        table.row_of(row(format!("  {}", t.name), &t.after));
    }
    text.push_str(&table.lines(0));
    for (visit, kg) in &plan.weak {
        text.push_str(&format!(
            "  NOTE {}: too little against the noise; about {} would be worth while\n",
            visit.name,
            Mass::new(*kg).shown(sheet.units)
        ));
    }
    for (visit, why) in &plan.refused {
        text.push_str(&format!("  NOT {}: {why}\n", visit.name));
    }
    text
}

/// The plan as JSON.
pub fn loadtest_plan_json(sheet: &BuildSheet, plan: &Plan) -> Value {
    let model = Model::new(sheet, &[]);
    let widths = |after: &[f64]| -> Value {
        plan.keys
            .iter()
            .zip(after)
            .map(|(k, u)| {
                let (unit, factor) = json_unit(*k);
                json!({ "quantity": k.name(sheet, &model), format!("half_width_95_{unit}"): u * factor * COVERAGE_95 })
            })
            .collect()
    };
    json!({
        "before": widths(&plan.before),
        "visits": plan.visits.iter().map(|v| json!({
            "name": v.visit.name,
            "stops": v.visit.stops.iter().map(|(loads, approach)| json!({
                "approach": approach,
                "loads": loads.iter().filter_map(|l| l.placed(sheet)).map(|l| json!({
                    "body": l.body, "mass_kg": l.mass_kg, "at_mm": l.at_m.map(|x| x * 1e3),
                })).collect::<Vec<_>>(),
            })).collect::<Vec<_>>(),
            "moves_mm": v.moves_m * 1e3,
            "largest_change_in_noise": v.noises,
            "after": widths(&v.after),
        })).collect::<Vec<_>>(),
        "otherwise": plan.trades.iter().map(|t| json!({ "name": t.name, "after": widths(&t.after) })).collect::<Vec<_>>(),
        "too_weak": plan.weak.iter().map(|(v, kg)| json!({ "name": v.name, "worth_while_kg": kg })).collect::<Vec<_>>(),
        "refused": plan.refused.iter().map(|(v, why)| json!({ "name": v.name, "why": why })).collect::<Vec<_>>(),
    })
}

/// What changed between two tests, as a table.
pub fn loadtest_changes_text(sheet: &BuildSheet, changes: &[Change]) -> String {
    let model = Model::new(sheet, &[]);
    let mut table = Table::new(["  quantity", "first", "second", "change", "at 95 %"]);
    for c in changes {
        table.row([
            format!("  {}", c.key.name(sheet, &model)),
            shown(sheet, c.key, c.first),
            shown(sheet, c.key, c.second),
            signed_change(sheet, c),
            if c.significant {
                "changed"
            } else {
                "no change that shows"
            }
            .to_owned(),
        ]);
    }
    if table.is_empty() {
        return "  the two tests tell nothing in common\n".to_owned();
    }
    table.lines(0)
}

fn signed_change(sheet: &BuildSheet, c: &Change) -> String {
    let (unit, factor) = json_unit(c.key);
    match c.key {
        // A fall of friction has a sign, which its own value has not.
        Key::Friction(_) => format!(
            "{} ± {} N",
            decimals(c.difference.value, 0),
            decimals(c.difference.uncertainty * COVERAGE_95, 0)
        ),
        _ if unit == "factor" => format!(
            "{} ± {} %",
            decimals(c.difference.value * 100.0 * factor, 1),
            decimals(c.difference.uncertainty * 100.0 * COVERAGE_95, 1)
        ),
        _ => shown(sheet, c.key, c.difference),
    }
}

/// What changed between two tests, as JSON.
pub fn loadtest_changes_json(sheet: &BuildSheet, changes: &[Change]) -> Value {
    let model = Model::new(sheet, &[]);
    changes
        .iter()
        .map(|c| {
            let (unit, factor) = json_unit(c.key);
            json!({
                "quantity": c.key.name(sheet, &model),
                "first": json_estimate(unit, factor, c.first),
                "second": json_estimate(unit, factor, c.second),
                "difference": json_estimate(unit, factor, c.difference),
                "significant": c.significant,
            })
        })
        .collect()
}
