//! What settling has done and will still do: table, and curves with their bands.

use super::{Dossier, figure};
use crate::trials::settling::{TimeAxis, svg};
use maud::{Markup, PreEscaped, html};

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let units = of.sheet.units;
    let report = match &of.settling {
        Ok(report) => report,
        Err(why) => return Some(html! { p { "Nothing can be said of settling: " (why) "." } }),
    };
    if report.quantities.iter().all(|q| q.prospect.fit.is_none()) {
        let hours = report.last.since(report.zero).s() / 3600.0;
        return Some(html! {
            p { "Cannot be told yet: " (report.readings) " readings of the same loads over "
                @if hours < 1.0 { (crate::quantity::decimals(hours * 60.0, 0)) " min" } @else { (crate::quantity::decimals(hours, 1)) " h" }
                " are too few for a law. Read again over some days." }
        });
    }
    let (headings, rows) = report.rows(units);
    let columns: Vec<figure::Column> = headings
        .iter()
        .enumerate()
        .map(|(i, h)| {
            if (1..=4).contains(&i) {
                figure::numbers(h)
            } else {
                figure::words(h)
            }
        })
        .collect();
    let rows: Vec<Vec<Markup>> = rows
        .into_iter()
        .map(|row| row.into_iter().map(figure::cell).collect())
        .collect();
    let loads = if report.loads.is_empty() {
        "with nothing on".to_owned()
    } else {
        format!("with {} on", report.loads.join(" + "))
    };
    let caption = format!(
        "{} readings {loads}, since {} ({}); ± holds 95 % of the law itself. ~ assumed: the model tells more of it than the readings.",
        report.readings,
        figure::short_when(report.zero, &of.zone),
        report.zero_is
    );
    let curves: Vec<(String, String)> = report
        .quantities
        .iter()
        .filter(|q| q.name.starts_with("height"))
        .filter_map(|q| {
            let picture = q.picture(units)?;
            let unit = picture.unit;
            let drawn = svg(&picture, &format!("{}, {unit}", q.name), TimeAxis::Real);
            let law = q
                .prospect
                .fit
                .as_ref()
                .and_then(|f| f.chosen())
                .map_or_else(
                    || "no law is an answer".to_owned(),
                    |c| format!("law: {}, {}", c.law.name(), c.law.formula()),
                );
            (!drawn.is_empty()).then_some((drawn, law))
        })
        .collect();
    Some(html! {
        (figure::table(&caption, &columns, &rows))
        @if curves.is_empty() {
            p { "No curve can be drawn yet: too few readings, or no law fits." }
        } @else {
            div.pair {
                @for (drawn, law) in &curves {
                    figure { (PreEscaped(drawn)) figcaption { (law) } }
                }
            }
            p.note { "Dots: readings. Line: the law. Dark band: 95 % interval of the law; light band: of a single reading. Right of the dashed line: to come." }
        }
        @for (at, what) in &report.events { p.note { (figure::short_when(*at, &of.zone)) ": " (what) } }
        @for cause in &report.causes {
            p { (cause.words) }
            ul { @for line in &cause.evidence { li { (line) } } }
        }
    })
}
