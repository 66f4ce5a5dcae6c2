//! Room round the wheel: text and JSON.

use super::{Table, signed};
use crate::layout::{Edge, Gap, RoomVerdict, WheelRoom};
use crate::quantity::{Length, Quantity, UnitSystem, decimals};
use crate::sheet::Side;
use serde_json::{Value, json};
use std::fmt::Write as _;

fn number(length: Length, units: UnitSystem) -> String {
    decimals(
        length.number(units),
        if units == UnitSystem::Inch { 2 } else { 1 },
    )
}

fn verdict_words(gap: &Gap, units: UnitSystem) -> String {
    match gap.verdict {
        RoomVerdict::Clears => format!("clears by {}", gap.distance.shown(units)),
        RoomVerdict::Touches => format!("touches: {} too far", gap.distance.abs().shown(units)),
        other => other.words().to_owned(),
    }
}

const fn side(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

/// Every body with its least distance and what to make of it.
pub fn room_text(room: &WheelRoom, units: UnitSystem) -> String {
    let w = &room.wheel;
    let mut text = format!(
        "WHEEL ROOM, {} axle, wheel {}: diameter {}, section {}, rim {} between flanges, offset {}\n  \
         barrel radius {}, flange radius {}; asked everywhere {}; ± is 95 %\n",
        room.axle,
        w.name,
        w.diameter.shown(units),
        w.section.shown(units),
        w.rim_width.shown(units),
        w.offset.shown(units),
        w.barrel_radius.shown(units),
        w.flange_radius.shown(units),
        room.least.shown(units),
    );
    for p in &room.poses {
        let _ = writeln!(
            text,
            "  {}: wheels {} left, {} right, axle shifted {}",
            p.name,
            signed(p.left, units),
            signed(p.right, units),
            match p.shift.mm() {
                s if s > 0.05 => format!("{} to the left", p.shift.shown(units)),
                s if s < -0.05 => format!("{} to the right", p.shift.abs().shown(units)),
                _ => "by nothing".to_owned(),
            }
        );
    }
    let unit = Length::unit(units);
    let mut table = Table::new([
        "  body",
        "side",
        "nearest",
        &format!("least {unit}"),
        &format!("± {unit}"),
        "where",
        "verdict",
    ]);
    for g in &room.gaps {
        table.row([
            format!("  {}", g.body),
            side(g.side).to_owned(),
            g.part.words().to_owned(),
            number(g.distance, units),
            number(g.uncertainty * 2.0, units),
            g.pose.to_owned(),
            verdict_words(g, units),
        ]);
    }
    text.push_str(&table.lines(0));
    let shown = |edge: Option<Edge>, over: &str| match edge {
        None => "none, something else is in the way".to_owned(),
        Some(Edge { at, beyond: false }) => at.shown(units),
        Some(Edge { at, beyond: true }) => {
            format!("{over} {} (not searched further)", at.shown(units))
        }
    };
    let _ = writeln!(
        text,
        "  ALL: {}\n  largest diameter that clears: {}\n  widest section: {}\n  smallest barrel radius: {}\n  \
         (each alone, the rest as it is)",
        room.verdict().words(),
        shown(room.largest_diameter, "larger than"),
        shown(room.widest_section, "wider than"),
        shown(room.smallest_barrel, "smaller than"),
    );
    text.push_str(
        "  Tyres grow with speed and differ by maker; turn the real wheel by hand through full travel, frame on rated\n  \
         stands and nobody underneath, before anything is welded for good.\n",
    );
    text
}

/// The same as JSON.
pub fn room_json(room: &WheelRoom) -> Value {
    let w = &room.wheel;
    json!({
        "axle": room.axle,
        "wheel": {
            "name": w.name,
            "diameter_mm": w.diameter.mm(),
            "section_mm": w.section.mm(),
            "rim_width_mm": w.rim_width.mm(),
            "offset_mm": w.offset.mm(),
            "barrel_radius_mm": w.barrel_radius.mm(),
            "flange_radius_mm": w.flange_radius.mm(),
        },
        "least_asked_mm": room.least.mm(),
        "poses": room.poses.iter().map(|p| json!({
            "name": p.name, "left_mm": p.left.mm(), "right_mm": p.right.mm(), "axle_shift_mm": p.shift.mm(),
        })).collect::<Vec<_>>(),
        "gaps": room.gaps.iter().map(|g| json!({
            "body": g.body,
            "side": side(g.side),
            "nearest": g.part.words(),
            "pose": g.pose,
            "distance_mm": g.distance.mm(),
            "uncertainty_95_mm": 2.0 * g.uncertainty.mm(),
            "verdict": g.verdict.words(),
            "by_pose_mm": g.by_pose.iter().map(|d| d.mm()).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "verdict": room.verdict().words(),
        "largest_diameter_mm": room.largest_diameter.map(|e| e.at.mm()),
        "widest_section_mm": room.widest_section.map(|e| e.at.mm()),
        "smallest_barrel_radius_mm": room.smallest_barrel.map(|e| e.at.mm()),
        "searched_to_the_end": {
            "largest_diameter": room.largest_diameter.is_some_and(|e| e.beyond),
            "widest_section": room.widest_section.is_some_and(|e| e.beyond),
            "smallest_barrel_radius": room.smallest_barrel.is_some_and(|e| e.beyond),
        },
    })
}
