//! The log as text: what was kept, marked and changed, newest last.
//!
//! In: the history of a logbook, the unit system, the time zone of the
//! clocks. Out: lines of 80 columns at most, uncertainty at 95 %. Control
//! characters in people's words are shown as spaces, so that a stranger's
//! note cannot steer the terminal.

use std::fmt::Write;

use jiff::tz::TimeZone;

use super::recorded::{COVERAGE_95, day_and_time, shown};
use crate::logbook::{
    Change, ChangeKind, History, Kept, KeptBy, KeptQuantity, Load, Mark, MarkKind, MountEnd,
    Origin, SittingId, Unit,
};
use crate::quantity::{Moment, UnitSystem};

/// Columns of a line.
const WIDTH: usize = 80;
/// Where the words begin, behind time and kind.
const INDENT: usize = 22;
/// Columns for the name of a quantity.
const NAME: usize = 26;

/// One entry: when, in which sitting, its kind, its lines.
struct Entry {
    at: Moment,
    sitting: SittingId,
    kind: String,
    lines: Vec<String>,
}

/// What is said where readings that were kept later carry an earlier time.
fn set_back(kept: &[Kept]) -> String {
    let mut as_kept: Vec<&Kept> = kept.iter().collect();
    as_kept.sort_by_key(|k| k.id.0);
    let back = as_kept
        .windows(2)
        .find(|pair| pair[1].reading.at < pair[0].reading.at);
    back.map_or_else(String::new, |pair| {
        format!(
            "Kept {} carries a time before kept {}: was the computer's clock set back?\nBelow, all stands in the order of the times.\n\n",
            pair[1].id.0, pair[0].id.0
        )
    })
}

/// The log as a text table.
pub fn log_table(history: &History, units: UnitSystem, zone: &TimeZone) -> String {
    let mut entries: Vec<Entry> = Vec::new();
    entries.extend(history.changes.iter().map(|logged| Entry {
        at: logged.record.at,
        sitting: logged.sitting,
        kind: "change".into(),
        lines: with_note(vec![change_words(&logged.record)], &logged.record.note),
    }));
    entries.extend(history.marks.iter().map(|logged| Entry {
        at: logged.record.at,
        sitting: logged.sitting,
        kind: mark_kind(&logged.record).into(),
        lines: mark_lines(&logged.record, units),
    }));
    entries.extend(history.kept.iter().map(|kept| Entry {
        at: kept.reading.at,
        sitting: kept.sitting,
        kind: format!("kept {}", kept.id.0),
        lines: kept_lines(kept, units),
    }));
    // Stable: at one moment what was done comes before what was read.
    entries.sort_by_key(|entry| entry.at);
    if entries.is_empty() {
        return "Nothing is kept yet.\n".into();
    }

    let mut text = set_back(&history.kept);
    let mut heading = String::new();
    for entry in &entries {
        let (day, time) = day_and_time(entry.at, zone);
        let here = format!("{day}, sitting {}", entry.sitting.0);
        if here != heading {
            let gap = if heading.is_empty() { "" } else { "\n" };
            let _ = writeln!(text, "{gap}{here}");
            heading = here;
        }
        let mut start = format!("{time}  {}", entry.kind);
        for line in &entry.lines {
            for piece in wrapped(line, WIDTH - INDENT) {
                let _ = writeln!(text, "{}", format!("{start:<INDENT$}{piece}").trim_end());
                start.clear();
            }
        }
        if !start.is_empty() {
            let _ = writeln!(text, "{start}");
        }
    }
    if !history.kept.is_empty() {
        text.push_str("\nBehind +/-: half of the 95 % interval. * assumed, not measured.\n");
    }
    text
}

fn kept_lines(kept: &Kept, units: UnitSystem) -> Vec<String> {
    let reading = &kept.reading;
    let mut about = vec![match reading.by {
        KeptBy::Key => "by key".to_owned(),
        KeptBy::Stillness => "by itself".to_owned(),
    }];
    if let Some(since) = reading.still_since {
        about.push(format!("still for {:.0} s", reading.at.since(since).s()));
    }
    if let Some(case) = &reading.case {
        about.push(format!("case '{case}'"));
    }
    about.extend(reading.loads.iter().map(|load| load_words(load, units)));
    let mut lines = Vec::new();
    if !kept.intact {
        lines.push("! ALTERED since it was written: do not trust these numbers".into());
    }
    lines.push(about.join(", "));
    lines.extend(reading.quantities.iter().map(|q| quantity_line(q, units)));
    let poor: Vec<_> = reading
        .sensors
        .iter()
        .filter(|sensor| sensor.value.is_none())
        .map(|sensor| format!("{} ({})", sensor.name, sensor.quality))
        .collect();
    if !poor.is_empty() {
        lines.push(format!("without {}", poor.join(", ")));
    }
    with_note(lines, &reading.note)
}

fn quantity_line(quantity: &KeptQuantity, units: UnitSystem) -> String {
    let shown = shown(quantity.unit, units);
    let star = match quantity.origin {
        Origin::Measured => "",
        Origin::Assumed => " *",
    };
    format!(
        "{:<NAME$}{:>9} +/- {} {}{star}",
        one_line(&quantity.name),
        shown.text(quantity.value),
        shown.text(quantity.standard_uncertainty * COVERAGE_95),
        shown.label,
    )
}

fn load_words(load: &Load, units: UnitSystem) -> String {
    let mass = shown(Unit::Kilogram, units).with_unit(load.mass_kg);
    format!("{} {mass}", load.name)
}

fn mark_kind(mark: &Mark) -> &'static str {
    match mark.kind {
        MarkKind::LoadOn(_) => "load on",
        MarkKind::LoadOff(_) => "load off",
        MarkKind::Note => "note",
    }
}

fn mark_lines(mark: &Mark, units: UnitSystem) -> Vec<String> {
    match &mark.kind {
        MarkKind::LoadOn(load) | MarkKind::LoadOff(load) => {
            let length = shown(Unit::Metre, units);
            let place = load.at_m.map_or_else(String::new, |[x, y, z]| {
                format!(
                    " at x {}, y {}, z {} {}",
                    length.text(x),
                    length.text(y),
                    length.text(z),
                    length.label
                )
            });
            with_note(vec![load_words(load, units) + &place], &mark.note)
        }
        MarkKind::Note => vec![mark.note.clone()],
    }
}

pub(super) fn change_words(change: &Change) -> String {
    match &change.kind {
        ChangeKind::Collar { coilover, turns } => {
            let way = if *turns < 0.0 { "down" } else { "up" };
            let turns = turns.abs();
            let unit = if (turns - 1.0).abs() < 1e-9 {
                "turn"
            } else {
                "turns"
            };
            format!("{coilover}: collar {turns} {unit} {way}")
        }
        ChangeKind::Hole {
            coilover,
            end,
            from,
            to,
        } => {
            let end = match end {
                MountEnd::Upper => "upper",
                MountEnd::Lower => "lower",
            };
            format!("{coilover}: {end} mount from hole {from} to hole {to}")
        }
        ChangeKind::Spring { coilover, spring } => format!("{coilover}: spring {spring}"),
        ChangeKind::Other => String::new(),
    }
}

fn with_note(mut lines: Vec<String>, note: &str) -> Vec<String> {
    lines.retain(|line| !line.is_empty());
    if !note.is_empty() {
        lines.push(format!("\"{note}\""));
    }
    lines
}

fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

/// Pieces of at most `width` characters, broken between words where that is
/// possible. Runs of spaces inside a piece stay.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let letters: Vec<char> = one_line(text).chars().collect();
    let mut pieces = Vec::new();
    let mut rest = letters.as_slice();
    while rest.len() > width {
        let gap = rest[..=width].iter().rposition(|c| *c == ' ');
        let end = gap.filter(|place| *place > 0).unwrap_or(width);
        pieces.push(rest[..end].iter().collect());
        rest = &rest[end..];
        while let [' ', after @ ..] = rest {
            rest = after;
        }
    }
    if !rest.is_empty() || pieces.is_empty() {
        pieces.push(rest.iter().collect());
    }
    pieces
}
