//! Numbers with their intervals, tables, times: what every section writes with.

use crate::compare::{COVERAGE_95, Verdict};
use crate::quantity::{Angle, Length, Moment, Quantity, UnitSystem, decimals};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{Markup, html};

/// Decimals of an angle and of a length.
const fn places(is_angle: bool, units: UnitSystem) -> usize {
    match (is_angle, units) {
        (true, _) | (false, UnitSystem::Inch) => 2,
        (false, UnitSystem::Metric) => 1,
    }
}

fn number(is_angle: bool, si: f64, units: UnitSystem) -> f64 {
    if is_angle {
        Angle::new(si).deg()
    } else {
        Length::new(si).number(units)
    }
}

/// `421.4` without the unit; a true minus.
pub(super) fn bare(is_angle: bool, si: f64, units: UnitSystem) -> String {
    decimals(number(is_angle, si, units), places(is_angle, units)).replace('-', "−")
}

/// The unit's name.
pub(super) fn unit(is_angle: bool, units: UnitSystem) -> &'static str {
    if is_angle {
        Angle::unit(units)
    } else {
        Length::unit(units)
    }
}

/// `421.4 ± 3.0 mm`; the uncertainty is a standard one and is shown at 95 %.
pub(super) fn interval(is_angle: bool, si: f64, standard: f64, units: UnitSystem) -> String {
    format!(
        "{} ± {} {}",
        bare(is_angle, si, units),
        bare(is_angle, COVERAGE_95 * standard, units),
        unit(is_angle, units)
    )
}

/// `421.4 ± 3.0`, where the unit stands in the caption; a standard uncertainty, shown at 95 %.
pub(super) fn give_or_take(is_angle: bool, si: f64, standard: f64, units: UnitSystem) -> String {
    format!(
        "{} ± {}",
        bare(is_angle, si, units),
        bare(is_angle, COVERAGE_95 * standard, units)
    )
}

/// `420.0 ± 5.0 mm` for a target with its tolerance.
pub(super) fn target(is_angle: bool, si: f64, tolerance: f64, units: UnitSystem) -> String {
    format!(
        "{} ± {} {}",
        bare(is_angle, si, units),
        bare(is_angle, tolerance, units),
        unit(is_angle, units)
    )
}

/// `+1.4 mm`.
pub(super) fn off(is_angle: bool, si: f64, units: UnitSystem) -> String {
    let text = bare(is_angle, si, units);
    let sign = if text.starts_with('−') { "" } else { "+" };
    format!("{sign}{text} {}", unit(is_angle, units))
}

/// A verdict as a mark and a word, so that neither colour nor sight is needed.
pub(super) fn verdict(v: Verdict) -> Markup {
    let (class, mark) = match v {
        Verdict::Inside => ("in", "●"),
        Verdict::Outside => ("out", "✕"),
        Verdict::CannotTell => ("open", "?"),
    };
    html! { span class={ "verdict " (class) } { span.mark aria-hidden="true" { (mark) } " " (v.words()) } }
}

/// `25 November 2026, 14:40`.
pub(super) fn when(at: Moment, zone: &TimeZone) -> String {
    formatted(at, zone, "%-d %B %Y, %H:%M")
}

/// `25 Nov 14:40:07`.
pub(super) fn short_when(at: Moment, zone: &TimeZone) -> String {
    formatted(at, zone, "%-d %b %Y, %H:%M")
}

fn formatted(at: Moment, zone: &TimeZone, form: &str) -> String {
    Timestamp::from_microsecond(at.unix_us()).map_or_else(
        |_| "an impossible moment".to_owned(),
        |t| t.to_zoned_datetime(zone.clone()).strftime(form).to_string(),
    )
}

/// A column of a table: its heading and whether numbers stand in it.
#[derive(Debug, Clone)]
pub(super) struct Column(pub(super) String, pub(super) bool);

/// A heading over words.
pub(super) fn words(heading: &str) -> Column {
    Column(heading.to_owned(), false)
}

/// A heading over numbers.
pub(super) fn numbers(heading: &str) -> Column {
    Column(heading.to_owned(), true)
}

/// Rows that are kept on one page.
const MOST_TOGETHER: usize = 24;
/// Letters of a name that is not broken.
const SHORT: usize = 24;

/// A name that stays on one line.
pub(super) fn short(cell: &Markup) -> Option<&'static str> {
    (cell.0.chars().count() <= SHORT && !cell.0.contains('<')).then_some("short")
}

/// A table; the first cell of each row heads it.
pub(super) fn table(caption: &str, columns: &[Column], rows: &[Vec<Markup>]) -> Markup {
    html! {
        table class=[(rows.len() > MOST_TOGETHER).then_some("long")] {
            caption { (caption) }
            thead { tr { @for c in columns { th scope="col" class=[c.1.then_some("n")] { (c.0) } } } }
            tbody {
                @for row in rows {
                    tr {
                        @for (i, cell) in row.iter().enumerate() {
                            @let class = columns.get(i).is_some_and(|c| c.1).then_some("n");
                            @if i == 0 { th scope="row" class=[class.or_else(|| short(cell))] { (cell) } }
                            @else { td class=[class] { (cell) } }
                        }
                    }
                }
            }
        }
    }
}

/// Text as a cell, a true minus before numbers.
pub(super) fn cell(text: impl AsRef<str>) -> Markup {
    let text = text.as_ref();
    let shown = match text.strip_prefix('-') {
        Some(rest) if rest.starts_with(|c: char| c.is_ascii_digit()) => format!("−{rest}"),
        Some("") => "–".to_owned(),
        _ => text.to_owned(),
    };
    html! { (shown) }
}
