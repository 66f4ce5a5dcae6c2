//! `layout`: what to weld, before it is welded.

use crate::layout::{
    TyreSize, candidates, largest_of, lean_fall, link_study, planned, planned_wheel, wheel_room,
};
use crate::quantity::{Length, UnitSystem};
use crate::report::{
    layout_csv, layout_json, layout_text, lean_json, lean_svg, lean_text, link_json, link_picture,
    link_text, room_drawing, room_json, room_svg, room_text,
};
use crate::run::arguments::LayoutArguments;
use crate::run::progress::Waiting;
use crate::run::{Failure, sheets};
use crate::sheet::{BuildSheet, Checked};
use crate::statics::{Model, quantities};
use serde_json::Value;
use std::fmt::Write as _;
use std::process::ExitCode;

/// Travel each way for the ends of the lean table, where none is asked: a common
/// bump on the road. Chosen.
const USUAL_TRAVEL: Length = Length::from_mm(40.0);
/// Steps of the link's table.
const LINK_STEPS: usize = 12;
/// Columns of the drawing, for a terminal of usual width.
const COLUMNS: usize = 96;

/// One view in its three forms.
struct View {
    text: String,
    json: Value,
    svg: String,
}

pub(super) fn run(arguments: &LayoutArguments) -> Result<ExitCode, Failure> {
    let (checked, _) = sheets::read_whole(&arguments.sheet, &arguments.overrides)?;
    let waiting = Waiting::begin("working it out", arguments.json);
    let view = if arguments.lean {
        lean(arguments, &checked)?
    } else if arguments.wheel {
        wheel(arguments, &checked)?
    } else if arguments.link {
        link(arguments, &checked)?
    } else {
        drop(waiting);
        return all(arguments, &checked);
    };
    drop(waiting);
    if let Some(file) = &arguments.svg {
        sheets::write_new(file, &view.svg, arguments.force)?;
    }
    if arguments.json {
        sheets::print_json(&view.json)?;
    } else {
        sheets::print(&view.text)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The candidates.
fn all(arguments: &LayoutArguments, checked: &Checked) -> Result<ExitCode, Failure> {
    let (wish, stock, leans, room) = planned(&checked.sheet, &checked.plans);
    let waiting = Waiting::begin("trying springs and leans", arguments.json);
    let layout = candidates(&checked.sheet, &wish, &stock, &leans, &room)?;
    drop(waiting);
    if arguments.json {
        sheets::print_json(&layout_json(&layout))?;
    } else if arguments.csv {
        sheets::print(&layout_csv(&layout))?;
    } else {
        sheets::print(&layout_text(&layout, checked.sheet.units, arguments.rows))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn lean(arguments: &LayoutArguments, checked: &Checked) -> Result<View, Failure> {
    let sheet = &checked.sheet;
    let (wish, stock, leans, _) = planned(sheet, &checked.plans);
    let none = |name: &str| {
        let names: Vec<_> = stock.springs.iter().map(|s| s.name.as_str()).collect();
        Failure::users(
            "layout.spring.unknown",
            format!("there is no spring '{name}' in stock"),
            format!("the sheet has: {}", names.join(", ")),
        )
    };
    let spring = match &arguments.spring {
        Some(name) => stock.springs.iter().find(|s| s.name == *name),
        None => stock.springs.first(),
    }
    .ok_or_else(|| none(arguments.spring.as_deref().unwrap_or_default()))?;
    let travel = arguments.travel.unwrap_or(USUAL_TRAVEL);
    let fall = lean_fall(sheet, &wish, spring, &leans.lean, travel)?;
    Ok(View {
        text: lean_text(&fall, sheet.units),
        json: lean_json(&fall),
        svg: lean_svg(&fall, sheet.units),
    })
}

fn wheel(arguments: &LayoutArguments, checked: &Checked) -> Result<View, Failure> {
    let sheet = &checked.sheet;
    let plan = checked.plans.wheel.as_ref().ok_or_else(|| {
        Failure::users(
            "layout.wheel.missing",
            format!("'{}' has no [wheel]", arguments.sheet.display()),
            "add a [wheel] table; 'sheet new FILE' writes a sheet that has one",
        )
    })?;
    let (wish, wheel, bodies) = planned_wheel(sheet, plan)?;
    let room = wheel_room(sheet, &wish, &wheel, &bodies)?;
    let mut text = room_text(&room, sheet.units);
    let mut json = room_json(&room);
    if !arguments.sizes.is_empty() {
        let sizes = arguments
            .sizes
            .iter()
            .map(|code| code.parse::<TyreSize>())
            .collect::<Result<Vec<_>, _>>()?;
        let largest = largest_of(sheet, &wish, &wheel, &bodies, &sizes)?;
        let asked: Vec<_> = sizes.iter().map(ToString::to_string).collect();
        let words = largest.map_or("none of them clears".to_owned(), |s| s.to_string());
        let _ = writeln!(
            text,
            "  Largest of {} that clears everywhere: {words}",
            asked.join(", ")
        );
        json["sizes"] = asked.into();
        json["largest_size"] = largest.map(|s| s.to_string()).into();
    }
    text.push('\n');
    text.push_str(&room_drawing(&room, COLUMNS));
    Ok(View {
        text,
        json,
        svg: room_svg(&room),
    })
}

fn link(arguments: &LayoutArguments, checked: &Checked) -> Result<View, Failure> {
    let sheet = &checked.sheet;
    let (wish, ..) = planned(sheet, &checked.plans);
    let (up, down) = match (arguments.up, arguments.down) {
        (Some(up), Some(down)) => (up, down),
        (up, down) => {
            let left = coilover_travel(sheet, wish.axle, wish.case)?;
            (up.unwrap_or(left.0), down.unwrap_or(left.1))
        }
    };
    let study = link_study(sheet, wish.axle, wish.case, (down, up), LINK_STEPS)?;
    Ok(View {
        text: link_text(&study, sheet.units),
        json: link_json(&study),
        svg: link_picture(&study, sheet.units),
    })
}

/// Least travel left up and down along the units of an axle, in a case.
pub(super) fn coilover_travel(
    sheet: &BuildSheet,
    axle: usize,
    case: usize,
) -> Result<(Length, Length), Failure> {
    let model = Model::new(sheet, &sheet.cases[case].loads);
    let rest = model.equilibrium()?;
    let found = quantities(&model, &rest, &sheet.stations);
    let least = |of: fn(&crate::statics::UnitQuantities) -> Length| {
        model
            .units
            .iter()
            .filter(|u| u.axle == axle)
            .filter_map(|u| found.units.iter().find(|q| q.name == u.name))
            .map(of)
            .min_by(|a, b| a.m().total_cmp(&b.m()))
            .unwrap_or(Length::ZERO)
    };
    let positive = |l: Length| if l.m() > 0.0 { l } else { Length::ZERO };
    Ok((
        positive(least(|u| u.travel_up)),
        positive(least(|u| u.travel_down)),
    ))
}

impl crate::run::arguments::Units {
    pub(super) const fn system(self) -> UnitSystem {
        match self {
            Self::Metric => UnitSystem::Metric,
            Self::Inch => UnitSystem::Inch,
        }
    }
}
