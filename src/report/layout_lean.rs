//! The fall of the wheel rate with lean: table and plot.

use super::Table;
use super::layout_plot::{Line, Plot};
use crate::layout::{LeanFall, Through};
use crate::quantity::{Force, Quantity, UnitSystem, decimals};
use serde_json::{Value, json};

/// As a table with what makes the difference.
pub fn lean_text(fall: &LeanFall, units: UnitSystem) -> String {
    let mut text = format!(
        "WHEEL RATE OVER LEAN: {} on the {} axle in '{}', as a share of the same springs upright\n",
        fall.spring, fall.axle, fall.case
    );
    let travel = fall.travel.shown(units);
    let mut table = Table::default();
    table.row_of(vec![
        "  lean deg".to_owned(),
        format!("force {}", Force::unit(units)),
        "cos2".to_owned(),
        "force term".to_owned(),
        "sideways".to_owned(),
        "exact".to_owned(),
        format!("{travel} up"),
        "at deg".to_owned(),
        format!("{travel} down"),
        "at deg".to_owned(),
    ]);
    for r in &fall.rows {
        let ends = [r.bump, r.droop].into_iter().flat_map(|end| match end {
            Some(t) => [decimals(t.factor, 3), decimals(t.angle.deg(), 1)],
            None => ["beyond".to_owned(), "-".to_owned()],
        });
        let mut cells = vec![
            format!("  {}", decimals(r.lean.deg(), 1)),
            decimals(r.force.number(units), 0),
            decimals(r.cos2, 4),
            decimals(r.force_term, 4),
            decimals(r.rest_term, 4),
            decimals(r.exact, 4),
        ];
        cells.extend(ends);
        table.row_of(cells);
    }
    text.push_str(&table.lines(0));
    text.push_str(
        "  The rule of the squared cosine knows the rate and the angle at rest only. Exact, the force that the spring\n  \
         already carries counts too: as the wheel goes up the unit lies flatter and the force turns away from the\n  \
         vertical (force term, F sin2 / l). The angle is not the same through the travel either (columns up and down);\n  \
         'sideways' is the axle's way across the vehicle on its link.\n",
    );
    text
}

fn through_json(t: Option<Through>) -> Value {
    t.map_or(
        Value::Null,
        |t| json!({ "angle_deg": t.angle.deg(), "factor": t.factor }),
    )
}

/// As JSON.
pub fn lean_json(fall: &LeanFall) -> Value {
    json!({
        "axle": fall.axle,
        "case": fall.case,
        "spring": fall.spring,
        "travel_mm": fall.travel.mm(),
        "rows": fall.rows.iter().map(|r| json!({
            "lean_deg": r.lean.deg(),
            "rate_n_per_mm": r.rate.n_per_mm(),
            "force_n": r.force.n(),
            "cos2": r.cos2,
            "force_term": r.force_term,
            "sideways_term": r.rest_term,
            "exact": r.exact,
            "bump": through_json(r.bump),
            "droop": through_json(r.droop),
        })).collect::<Vec<_>>(),
    })
}

/// As a plot.
pub fn lean_svg(fall: &LeanFall, units: UnitSystem) -> String {
    let line = |name: &str, f: &dyn Fn(&crate::layout::LeanRow) -> f64| Line {
        name: name.to_owned(),
        points: fall.rows.iter().map(|r| (r.lean.deg(), f(r))).collect(),
    };
    let travel = fall.travel.shown(units);
    Plot {
        title: format!("Wheel rate over lean, {} axle, {}", fall.axle, fall.spring),
        right: "lean from the vertical, deg".to_owned(),
        up: "share of the upright rate".to_owned(),
        lines: vec![
            line("exact, at rest", &|r| r.exact),
            line("rule: squared cosine", &|r| r.cos2),
            line(&format!("exact, {travel} up"), &|r| {
                r.bump.map_or(f64::NAN, |t| t.factor)
            }),
            line(&format!("exact, {travel} down"), &|r| {
                r.droop.map_or(f64::NAN, |t| t.factor)
            }),
        ],
    }
    .svg()
}
