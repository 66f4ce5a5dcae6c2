//! Every change that was entered, with what was promised and what came of it.

use super::super::log_table::change_words;
use super::super::{Basis, operation_words, promise_explained};
use super::{Dossier, Promised, figure};
use crate::sheet::Measurand;
use crate::statics::Model;
use maud::{Markup, html};

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    if of.history.changes.is_empty() {
        return Some(html! { p { "No change has been entered." } });
    }
    let model = Model::new(of.sheet, &[]);
    let rows: Vec<Vec<Markup>> = of
        .history
        .changes
        .iter()
        .map(|c| {
            let what = change_words(&c.record);
            vec![
                html! { (figure::short_when(c.record.at, &of.zone)) },
                html! { (what) },
                html! { (c.record.note) },
            ]
        })
        .collect();
    let columns = [
        figure::words("when"),
        figure::words("what was done"),
        figure::words("note"),
    ];
    Some(html! {
        (figure::table("Everything that was entered, in order.", &columns, &rows))
        @for p in &of.promises { (promise(of, &model, p)) }
    })
}

fn promise(of: &Dossier<'_>, model: &Model, p: &Promised) -> Markup {
    let basis = Basis {
        sheet: of.sheet,
        model,
        setup: &p.before,
        newest: None,
        readings: 0,
        changes: p.done.len(),
        remarks: Vec::new(),
    };
    let done: Vec<String> = p.done.iter().map(|o| operation_words(&basis, o)).collect();
    let heading = format!(
        "{}: {}",
        figure::short_when(p.at, &of.zone),
        done.join("; ")
    );
    let units = of.sheet.units;
    match &p.outcome {
        Err(why) => html! { h3 { (heading) } p { (why) } },
        Ok(verdict) => {
            let columns = [
                figure::words("sensor"),
                figure::numbers("promised"),
                figure::numbers("found"),
                figure::numbers("off"),
                figure::words("kept?"),
            ];
            let rows: Vec<Vec<Markup>> = verdict
                .sensors
                .iter()
                .map(|s| {
                    let sensor = &of.sheet.sensors[s.sensor];
                    let angle = matches!(sensor.reads, Measurand::Tilt { .. });
                    vec![
                        html! { (sensor.name) },
                        figure::cell(figure::interval(angle, s.predicted, s.uncertainty, units)),
                        figure::cell(format!(
                            "{} {}",
                            figure::bare(angle, s.found, units),
                            figure::unit(angle, units)
                        )),
                        figure::cell(figure::off(angle, s.found - s.predicted, units)),
                        html! { @if s.kept() { "● kept" } @else { strong { "✕ not kept" } } },
                    ]
                })
                .collect();
            let caption = format!(
                "Promise {}: chi-square {:.1} of {} sensors together, limit {:.1} at 95 %.",
                if verdict.kept() { "kept" } else { "not kept" },
                verdict.chi_square,
                verdict.sensors.len(),
                verdict.limit
            );
            html! {
                h3 { (heading) }
                (figure::table(&caption, &columns, &rows))
                @for line in promise_explained(&basis, verdict) { p { (line) } }
            }
        }
    }
}
