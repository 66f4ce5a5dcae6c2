//! Candidates of a layout: as text, JSON and CSV.

use super::{Table, turn_words};
use crate::layout::{Candidate, Layout};
use crate::quantity::{Frequency, Length, Quantity, SpringRate, UnitSystem, decimals};
use serde_json::{Value, json};
use std::fmt::Write as _;

/// A length as a person marks it: sixteenths of an inch, or millimetres.
fn mark_words(length: Length, units: UnitSystem) -> String {
    match units {
        UnitSystem::Inch => length.show_fraction(16),
        UnitSystem::Metric => length.show(units, 0),
    }
}

fn limit_words(c: &Candidate, units: UnitSystem) -> String {
    if c.limits.is_empty() {
        "ok".to_owned()
    } else {
        c.limits
            .iter()
            .map(|l| l.words(units))
            .collect::<Vec<_>>()
            .join("; ")
    }
}

fn number(length: Length, units: UnitSystem) -> String {
    let places = if units == UnitSystem::Inch { 2 } else { 1 };
    decimals(length.number(units), places)
}

/// The sentence for whoever holds the torch.
fn mark_sentence(layout: &Layout, c: &Candidate, units: UnitSystem) -> String {
    let rake = match c.rake.deg() {
        r if r > 0.05 => format!(" and {} forward", c.rake.abs().show(units, 1)),
        r if r < -0.05 => format!(" and {} backward", c.rake.abs().show(units, 1)),
        _ => String::new(),
    };
    format!(
        "  Tack the upper mount so that the coilover stands {} short of its extended length ({} eye to eye),\n  \
         leaning in by {}{rake}, with the frame level and its datum {} over the axle's centre;\n  \
         that puts the mount {} over the datum and {} from the centre plane.\n  \
         Collar {} above its zero mark ({}).\n",
        mark_words(c.mark, units),
        mark_words(c.length, units),
        c.lean.show(units, 1),
        mark_words(layout.datum_over_axle, units),
        mark_words(c.upper.z, units),
        mark_words(c.upper.y, units),
        turn_words_signed(c.turns),
        c.collar.shown(units),
    )
}

fn turn_words_signed(turns: f64) -> String {
    if turns < -0.0625 {
        format!("{} the other way, not", turn_words(turns))
    } else {
        turn_words(turns)
    }
}

/// The best `most` candidates as a table, the mark to make for the first, and
/// what the other load cases do with it.
pub fn layout_text(layout: &Layout, units: UnitSystem, most: usize) -> String {
    let mut text = format!(
        "LAYOUT of the {} axle: frame level at {} in '{}', {} of sprung weight on the axle\n",
        layout.axle,
        layout.design_height.shown(units),
        layout.case,
        layout.sprung_mass.shown(units),
    );
    let good = layout
        .candidates
        .iter()
        .filter(|c| c.limits.is_empty())
        .count();
    let _ = writeln!(
        text,
        "{} candidates, {good} break no limit; the nearest to the wish first",
        layout.candidates.len()
    );
    let length = Length::unit(units);
    let rate = SpringRate::unit(units);
    let raked = layout.candidates.iter().any(|c| c.rake.deg().abs() > 0.05);
    let mut head = vec!["  spring".to_owned(), "lean".to_owned()];
    if raked {
        head.push("rake".to_owned());
    }
    head.extend([
        format!("length {length}"),
        format!("mark {length}"),
        "sag %".to_owned(),
        format!("up/down {length}"),
        format!("preload {length}"),
        "collar turns".to_owned(),
        format!("wheel {rate}"),
        "factor".to_owned(),
        Frequency::unit(units).to_owned(),
        format!("roll {}", crate::quantity::RollRate::unit(units)),
        "limits".to_owned(),
    ]);
    let mut table = Table::default();
    table.row_of(head);
    for c in layout.candidates.iter().take(most) {
        let here = c.cases.iter().find(|case| case.name == layout.case);
        let mut cells = vec![format!("  {}", c.spring), decimals(c.lean.deg(), 1)];
        if raked {
            cells.push(decimals(c.rake.deg(), 1));
        }
        cells.extend([
            number(c.length, units),
            number(c.mark, units),
            here.map_or("-".to_owned(), |h| decimals(h.sag_share * 100.0, 0)),
            here.map_or("-".to_owned(), |h| {
                format!(
                    "{}/{}",
                    number(h.travel_up, units),
                    number(h.travel_down, units)
                )
            }),
            number(c.preload, units),
            decimals(c.turns, 2),
            decimals(
                c.wheel_rate.number(units),
                if units == UnitSystem::Inch { 1 } else { 2 },
            ),
            decimals(c.factor, 3),
            c.frequency.map_or("-".to_owned(), |f| decimals(f.hz(), 2)),
            decimals(c.roll_rate.number(units), 1),
            limit_words(c, units),
        ]);
        table.row_of(cells);
    }
    text.push_str(&table.lines(0));
    if let Some(best) = layout.candidates.first() {
        let _ = writeln!(
            text,
            "\nTHE MARK for {} at {}{}",
            best.spring,
            best.lean.show(units, 1),
            if best.limits.is_empty() {
                ""
            } else {
                " (breaks a limit, see the table)"
            }
        );
        text.push_str(&mark_sentence(layout, best, units));
        text.push_str(&cases_text(layout, best, units));
    }
    text.push_str(
        "\nTack welds carry nobody: frame on rated stands, wheels chocked, nobody underneath while the load changes.\n\
         The model does not know friction, bushings or settling; a load test before the final weld tells.\n",
    );
    text
}

fn cases_text(layout: &Layout, best: &Candidate, units: UnitSystem) -> String {
    let length = Length::unit(units);
    let mut table = Table::default();
    table.row_of(vec![
        "  case".to_owned(),
        format!("height {length}"),
        format!("against '{}'", layout.case),
        "sag %".to_owned(),
        format!("up/down {length}"),
        format!("wheel {}", SpringRate::unit(units)),
        Frequency::unit(units).to_owned(),
        "roll deg".to_owned(),
        "pitch deg".to_owned(),
    ]);
    let here = best
        .cases
        .iter()
        .find(|c| c.name == layout.case)
        .map(|c| c.height);
    for c in &best.cases {
        table.row_of(vec![
            format!("  {}", c.name),
            number(c.height, units),
            here.map_or("-".to_owned(), |h| super::signed(c.height - h, units)),
            decimals(c.sag_share * 100.0, 0),
            format!(
                "{}/{}",
                number(c.travel_up, units),
                number(c.travel_down, units)
            ),
            decimals(
                c.wheel_rate.number(units),
                if units == UnitSystem::Inch { 1 } else { 2 },
            ),
            c.frequency.map_or("-".to_owned(), |f| decimals(f.hz(), 2)),
            decimals(c.roll.deg(), 2),
            decimals(c.pitch.deg(), 2),
        ]);
    }
    table.lines(0)
}

/// All candidates as JSON: millimetres, degrees, N/mm, N m/deg, hertz, with the
/// unit in the key.
pub fn layout_json(layout: &Layout) -> Value {
    json!({
        "axle": layout.axle,
        "case": layout.case,
        "design_height_mm": layout.design_height.mm(),
        "datum_over_axle_mm": layout.datum_over_axle.mm(),
        "sprung_mass_kg": layout.sprung_mass.kg(),
        "candidates": layout.candidates.iter().map(candidate_json).collect::<Vec<_>>(),
    })
}

fn candidate_json(c: &Candidate) -> Value {
    json!({
        "spring": c.spring,
        "rate_n_per_mm": c.rate.n_per_mm(),
        "lean_deg": c.lean.deg(),
        "rake_deg": c.rake.deg(),
        "upper_mount_mm": [c.upper.x.mm(), c.upper.y.mm(), c.upper.z.mm()],
        "length_mm": c.length.mm(),
        "short_of_extended_mm": c.mark.mm(),
        "collar_mm": c.collar.mm(),
        "collar_turns": c.turns,
        "preload_mm": c.preload.mm(),
        "wheel_rate_n_per_mm": c.wheel_rate.n_per_mm(),
        "factor_against_upright": c.factor.is_finite().then_some(c.factor),
        "roll_rate_nm_per_deg": c.roll_rate.nm_per_deg(),
        "frequency_hz": c.frequency.map(Frequency::hz),
        "limits": c.limits.iter().map(|l| json!({
            "code": l.code(), "text": l.words(UnitSystem::Metric),
        })).collect::<Vec<_>>(),
        "off_wish": c.off_wish.is_finite().then_some(c.off_wish),
        "cases": c.cases.iter().map(|case| json!({
            "name": case.name,
            "height_mm": case.height.mm(),
            "roll_deg": case.roll.deg(),
            "pitch_deg": case.pitch.deg(),
            "sag_mm": case.sag.mm(),
            "sag_percent": case.sag_share * 100.0,
            "travel_up_mm": case.travel_up.mm(),
            "travel_down_mm": case.travel_down.mm(),
            "wheel_rate_n_per_mm": case.wheel_rate.n_per_mm(),
            "roll_rate_nm_per_deg": case.roll_rate.nm_per_deg(),
            "frequency_hz": case.frequency.map(Frequency::hz),
        })).collect::<Vec<_>>(),
    })
}

/// One field of a CSV line, quoted where it must be (RFC 4180).
pub(crate) fn csv_field(text: &str) -> String {
    if text.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// All candidates and cases as CSV, one line for each candidate and case;
/// candidates without any case have one line.
pub fn layout_csv(layout: &Layout) -> String {
    let mut text = String::from(
        "rank,spring,rate_n_per_mm,lean_deg,rake_deg,length_mm,short_of_extended_mm,collar_mm,collar_turns,preload_mm,\
         factor_against_upright,case,height_mm,sag_mm,sag_percent,travel_up_mm,travel_down_mm,wheel_rate_n_per_mm,\
         roll_rate_nm_per_deg,frequency_hz,roll_deg,pitch_deg,limits\r\n",
    );
    for (rank, c) in layout.candidates.iter().enumerate() {
        let limits: Vec<_> = c.limits.iter().map(crate::layout::Limit::code).collect();
        let limits = csv_field(&limits.join(" "));
        let own = format!(
            "{},{},{:.4},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{}",
            rank + 1,
            csv_field(&c.spring),
            c.rate.n_per_mm(),
            c.lean.deg(),
            c.rake.deg(),
            c.length.mm(),
            c.mark.mm(),
            c.collar.mm(),
            c.turns,
            c.preload.mm(),
            if c.factor.is_finite() {
                format!("{:.5}", c.factor)
            } else {
                String::new()
            },
        );
        if c.cases.is_empty() {
            let _ = writeln!(text, "{own},,,,,,,,,,,,{limits}\r");
        }
        for case in &c.cases {
            let _ = writeln!(
                text,
                "{own},{},{:.3},{:.3},{:.2},{:.3},{:.3},{:.4},{:.3},{},{:.4},{:.4},{limits}\r",
                csv_field(&case.name),
                case.height.mm(),
                case.sag.mm(),
                case.sag_share * 100.0,
                case.travel_up.mm(),
                case.travel_down.mm(),
                case.wheel_rate.n_per_mm(),
                case.roll_rate.nm_per_deg(),
                case.frequency
                    .map_or(String::new(), |f| format!("{:.4}", f.hz())),
                case.roll.deg(),
                case.pitch.deg(),
            );
        }
    }
    text
}
