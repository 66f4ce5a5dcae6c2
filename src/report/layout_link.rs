//! The lateral link through its travel: table, JSON and plots.

use super::layout_plot::{Line, Plot};
use super::{Table, signed};
use crate::layout::LinkStudy;
use crate::quantity::{Length, Quantity, UnitSystem, decimals};
use serde_json::{Value, json};
use std::fmt::Write as _;

fn sided(shift: Length, units: UnitSystem) -> String {
    let places = if units == UnitSystem::Inch { 3 } else { 1 };
    let text = decimals(shift.number(units).abs(), places);
    match shift.mm() {
        s if s > 0.05 => format!("{text} left"),
        s if s < -0.05 => format!("{text} right"),
        _ => text,
    }
}

/// As a table, with the level position that makes the shift smallest.
pub fn link_text(study: &LinkStudy, units: UnitSystem) -> String {
    let unit = Length::unit(units);
    let mut text = format!(
        "LATERAL LINK '{}' of the {} axle, travel from rest in '{}' (up is bump)\n",
        study.link, study.axle, study.case
    );
    let mut table = Table::new([
        &format!("  travel {unit}"),
        &format!("axle off centre {unit}"),
        "link deg",
        &format!("roll centre {unit}"),
    ]);
    for r in &study.rows {
        table.row([
            format!("  {}", signed(r.travel, units)),
            sided(r.side_shift, units),
            decimals(r.angle.deg(), 2),
            r.roll_centre.shown(units),
        ]);
    }
    text.push_str(&table.lines(0));
    let end = |l: Length| {
        let way = if l.m() < 0.0 { "lower" } else { "raise" };
        format!("{way} its frame end by {}", l.abs().shown(units))
    };
    let fine = |l: Length| l.show(units, if units == UnitSystem::Inch { 3 } else { 2 });
    let _ = writeln!(
        text,
        "  The axle wanders {} over this travel; the link is level at {} of travel.\n  \
         Smallest: level in the middle of the travel, at {}: {} (or its axle end the other way);\n  \
         made {} long, the axle then wanders {} in all, half of it to each side.",
        fine(study.spread),
        signed(study.level_at, units),
        signed(study.better.level_at, units),
        end(study.better.raise_frame_end),
        study.better.length.shown(units),
        fine(study.better.spread),
    );
    text
}

/// As JSON.
pub fn link_json(study: &LinkStudy) -> Value {
    json!({
        "axle": study.axle,
        "link": study.link,
        "case": study.case,
        "spread_mm": study.spread.mm(),
        "level_at_mm": study.level_at.mm(),
        "better": {
            "level_at_mm": study.better.level_at.mm(),
            "raise_frame_end_mm": study.better.raise_frame_end.mm(),
            "length_mm": study.better.length.mm(),
            "spread_mm": study.better.spread.mm(),
        },
        "rows": study.rows.iter().map(|r| json!({
            "travel_mm": r.travel.mm(),
            "side_shift_mm": r.side_shift.mm(),
            "angle_deg": r.angle.deg(),
            "roll_centre_mm": r.roll_centre.mm(),
        })).collect::<Vec<_>>(),
    })
}

/// Two plots: side shift, and height of the roll centre, over the travel.
pub fn link_svg(study: &LinkStudy, units: UnitSystem) -> [String; 2] {
    let unit = Length::unit(units);
    let plot = |title: &str, up: &str, f: &dyn Fn(&crate::layout::LinkRow) -> Length| {
        Plot {
            title: format!("{title}, {} axle", study.axle),
            right: format!("travel, bump positive, {unit}"),
            up: format!("{up}, {unit}"),
            lines: vec![Line {
                name: study.link.clone(),
                points: study
                    .rows
                    .iter()
                    .map(|r| (r.travel.number(units), f(r).number(units)))
                    .collect(),
            }],
        }
        .svg()
    };
    [
        plot("Side shift through travel", "axle to the left", &|r| {
            r.side_shift
        }),
        plot(
            "Roll centre through travel",
            "height over the floor",
            &|r| r.roll_centre,
        ),
    ]
}

/// Both plots above each other in one picture.
pub fn link_picture(study: &LinkStudy, units: UnitSystem) -> String {
    super::layout_plot::above_each_other(&link_svg(study, units))
}
