//! The head: which vehicle, when, and how it stands in one sentence.

use super::super::aim_name;
use super::{Dossier, figure};
use crate::compare::{Compared, Verdict};
use maud::{Markup, html};

/// The best that is known of every aim.
pub(super) fn best<'d>(of: &'d Dossier<'_>) -> &'d [Compared] {
    of.finished
        .by_readings
        .as_deref()
        .unwrap_or(&of.finished.by_sheet)
}

fn named(of: &Dossier<'_>, verdict: Verdict) -> Vec<String> {
    best(of)
        .iter()
        .filter(|c| c.verdict == verdict)
        .map(|c| {
            format!(
                "{} ({})",
                aim_name(of.sheet, c.aim.key),
                figure::off(c.aim.key.is_angle(), c.deviation(), of.sheet.units)
            )
        })
        .collect()
}

/// How it stands, in a sentence or two.
fn state(of: &Dossier<'_>) -> String {
    let case = case_name(of);
    let start = if of.finished.by_readings.is_some() {
        format!("By everything that was read, the vehicle in the case '{case}'")
    } else {
        format!(
            "Nothing has been read yet: these are targets only, worked out from the build sheet. By the sheet, the vehicle in the case '{case}'"
        )
    };
    let (outside, open) = (named(of, Verdict::Outside), named(of, Verdict::CannotTell));
    match (outside.is_empty(), open.is_empty()) {
        _ if best(of).is_empty() => format!("{start} has no targets set."),
        (true, true) => format!("{start} comes within every tolerance."),
        (false, true) => format!("{start} comes out of tolerance at {}.", outside.join(", ")),
        (true, false) => format!(
            "{start} is nowhere surely out of tolerance; the intervals are too wide to tell at {}.",
            open.join(", ")
        ),
        (false, false) => format!(
            "{start} comes out of tolerance at {}; it cannot be told at {}.",
            outside.join(", "),
            open.join(", ")
        ),
    }
}

/// The case that the targets hold for.
pub(super) fn case_name<'d>(of: &'d Dossier<'_>) -> &'d str {
    of.sheet
        .cases
        .get(of.sheet.targets.case)
        .map_or("none", |c| &c.name)
}

/// The head of the page.
pub(super) fn head(of: &Dossier<'_>) -> Markup {
    let kept = of.history.kept.len();
    let newest = of.newest.as_ref().map_or_else(
        || "none".to_owned(),
        |n| figure::short_when(n.reading.at, &of.zone),
    );
    let changes = of.history.changes.len();
    html! {
        header {
            p.over { "Set-up and record" }
            h1 { (of.sheet.name) }
            p.state { (state(of)) }
            dl.facts {
                div { dt { "Report made" } dd { (figure::when(of.made, &of.zone)) } }
                div { dt { "Targets hold for" } dd { (case_name(of)) } }
                div { dt { "Readings kept" } dd { (kept) @if kept > 0 { ", the last " (newest) } } }
                div { dt { "Changes entered" } dd { (changes) } }
            }
        }
    }
}
