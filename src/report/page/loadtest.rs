//! What the load test told: findings, catalogue against measured, the loop.

use super::{Dossier, figure};
use crate::report::loadtest_result::shown;
use crate::report::loadtest_svg;
use crate::trials::loadtest::{Estimate, Identified, Verdict};
use maud::{Markup, PreEscaped, html};

/// A load test out of the logbook.
#[derive(Debug)]
pub struct LoadTestTold {
    /// What was identified.
    pub found: Identified,
    /// Catalogue against measured, and what may be behind it.
    pub verdict: Verdict,
}

/// The section.
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let LoadTestTold { found, verdict } = of.loadtest.as_ref()?;
    let sheet = of.sheet;
    let columns = [
        figure::words("what"),
        figure::numbers("found"),
        figure::numbers("before the test"),
        figure::words("from"),
    ];
    let rows: Vec<Vec<Markup>> = found
        .findings
        .iter()
        .map(|f| {
            let estimate = Estimate {
                value: f.value,
                uncertainty: f.uncertainty,
            };
            vec![
                figure::cell(f.key.name(sheet, &found.model)),
                figure::cell(shown(sheet, f.key, estimate)),
                figure::cell(shown(sheet, f.key, f.before)),
                figure::cell(if f.is_told() { "measured" } else { "assumed" }),
            ]
        })
        .collect();
    let caption = format!(
        "{} readings; ± holds 95 %. Rates are shares of the catalogue's; assumed: the test tells less of it than the sheet does.",
        found.readings
    );
    let drawn = loadtest_svg(sheet, found);
    Some(html! {
        (figure::table(&caption, &columns, &rows))
        @if verdict.causes.is_empty() {
            p { "Nothing stands out: all is as the sheet has it, within its uncertainty." }
        } @else {
            ol { @for cause in &verdict.causes { li { (cause.text) } } }
        }
        @if !drawn.is_empty() {
            figure { (PreEscaped(&drawn)) figcaption { "Height over load as weight went on and off; the width of the loop is friction." } }
        }
    })
}
