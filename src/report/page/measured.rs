//! What was read: the newest still reading of each set of loads.

use super::super::recorded::{COVERAGE_95, shown};
use super::{Dossier, figure};
use crate::logbook::{Kept, KeptQuantity, Origin};
use maud::{Markup, html};

/// Readings shown at most, the newest of each set of loads.
const MOST: usize = 5;

fn loads(kept: &Kept) -> String {
    let names: Vec<&str> = kept.reading.loads.iter().map(|l| l.name.as_str()).collect();
    if names.is_empty() {
        "nothing on".to_owned()
    } else {
        names.join(" + ")
    }
}

fn value(q: &KeptQuantity, of: &Dossier<'_>) -> Markup {
    let by = shown(q.unit, of.sheet.units);
    let text = format!(
        "{} ± {}",
        by.text(q.value),
        by.text(COVERAGE_95 * q.standard_uncertainty)
    );
    match q.origin {
        Origin::Measured => figure::cell(text),
        Origin::Assumed => html! { span.assumed { (figure::cell(text)) " *" } },
    }
}

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let mut picked: Vec<&Kept> = Vec::new();
    for kept in of.history.kept.iter().rev().filter(|k| k.intact) {
        if picked.len() < MOST && !picked.iter().any(|p| loads(p) == loads(kept)) {
            picked.push(kept);
        }
    }
    picked.reverse();
    let altered = of.history.kept.iter().filter(|k| !k.intact).count();
    let Some(last) = picked.last() else {
        return Some(html! {
            p { "No reading is in the logbook yet. "
                @if altered > 0 { (altered) " of them are not as they were written and are left out." }
                @else { "Everything in this report comes from the build sheet." } }
        });
    };
    let mut columns = vec![figure::words("quantity")];
    columns.extend(picked.iter().map(|k| figure::numbers(&loads(k))));
    columns.push(figure::words("unit"));
    let mut rows = vec![{
        let mut row = vec![html! { "read" }];
        row.extend(
            picked
                .iter()
                .map(|k| html! { span.note { (figure::short_when(k.reading.at, &of.zone)) } }),
        );
        row.push(html! {});
        row
    }];
    for q in &last.reading.quantities {
        let mut row = vec![html! { (q.name) }];
        row.extend(picked.iter().map(|k| {
            k.reading
                .quantities
                .iter()
                .find(|other| other.name == q.name && other.unit == q.unit)
                .map_or_else(|| figure::cell("-"), |q| value(q, of))
        }));
        row.push(html! { (shown(q.unit, of.sheet.units).label) });
        rows.push(row);
    }
    let caption = format!(
        "The newest still reading of each set of loads, of {} kept; ± holds 95 %.",
        of.history.kept.len()
    );
    Some(html! {
        (figure::table(&caption, &columns, &rows))
        p.note { "* assumed: the model tells more of it than the readings."
            @if altered > 0 { " " (altered) " readings are not as they were written and are left out." } }
    })
}
