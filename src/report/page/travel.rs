//! Sag and travel of every unit, as bars and as a table.

use super::drawing::{Anchor, INK, OUTLINE, Paper, Pen, RUST, SOFT, THIN, WIDTH};
use super::{Dossier, figure};
use crate::compare::COVERAGE_95;
use crate::logbook::Unit;
use crate::posture::QuantityKey;
use crate::quantity::decimals;
use maud::{Markup, PreEscaped, html};

/// One bar. Metres.
struct Bar {
    name: String,
    stroke: f64,
    sag: f64,
    uncertainty: f64,
    read: Option<(f64, f64)>,
}

fn bars(of: &Dossier<'_>) -> Vec<Bar> {
    let model = &of.finished.model;
    of.finished
        .sags
        .iter()
        .filter_map(|m| {
            let QuantityKey::Sag(i) = m.key else {
                return None;
            };
            let unit = model.units.get(i)?;
            let read = of.newest.as_ref().and_then(|n| {
                let name = m.key.name(of.sheet, model);
                let q = n
                    .reading
                    .quantities
                    .iter()
                    .find(|q| q.name == name && q.unit == Unit::Metre)?;
                Some((q.value, q.standard_uncertainty))
            });
            Some(Bar {
                name: unit.name.clone(),
                stroke: unit.extended - unit.compressed,
                sag: m.value,
                uncertainty: m.uncertainty,
                read,
            })
        })
        .collect()
}

fn picture(bars: &[Bar], of: &Dossier<'_>) -> String {
    let units = of.sheet.units;
    let (left, right) = (112.0, WIDTH - 12.0);
    let widest = bars.iter().map(|b| b.stroke).fold(1e-3, f64::max);
    let step = 46.0;
    let mut paper = Paper::default();
    for (i, bar) in bars.iter().enumerate() {
        let top = 20.0 + step * i as f64;
        let x = |m: f64| left + (m / widest).clamp(0.0, 1.0) * (right - left);
        paper.text(
            (left - 10.0, top + 12.0),
            Anchor::End,
            12.0,
            INK,
            true,
            &bar.name,
        );
        paper.area(
            &[
                (x(0.0), top),
                (x(bar.stroke), top),
                (x(bar.stroke), top + 16.0),
                (x(0.0), top + 16.0),
            ],
            "#fff",
            OUTLINE,
        );
        paper.area(
            &[
                (x(0.0), top),
                (x(bar.sag), top),
                (x(bar.sag), top + 16.0),
                (x(0.0), top + 16.0),
            ],
            "#cfd9db",
            OUTLINE,
        );
        let mut h = x(0.0) + 7.0;
        while h < x(bar.sag) {
            paper.line(
                (h, top + 15.4),
                ((h - 7.0).max(x(0.0)), top + 1.0),
                Pen { width: 0.5, ..THIN },
            );
            h += 7.0;
        }
        for tenth in 1..4 {
            let at = x(bar.stroke * f64::from(tenth) / 4.0);
            paper.line((at, top + 16.0), (at, top + 19.0), THIN);
        }
        let half = COVERAGE_95 * bar.uncertainty;
        paper.line(
            (x(bar.sag - half), top + 8.0),
            (x(bar.sag + half), top + 8.0),
            Pen {
                width: 2.6,
                ..OUTLINE
            },
        );
        paper.circle(
            (x(bar.sag), top + 8.0),
            4.2,
            INK,
            Pen {
                colour: "#fff",
                width: 1.0,
                dash: "",
            },
        );
        if let Some((read, _)) = bar.read {
            let at = x(read);
            paper.area(
                &[
                    (at, top - 1.0),
                    (at - 5.0, top - 9.0),
                    (at + 5.0, top - 9.0),
                ],
                "#fff",
                Pen {
                    colour: RUST,
                    width: 1.6,
                    dash: "",
                },
            );
        }
        let after = format!(
            "sag {}; left up {}, down {}",
            figure::interval(false, bar.sag, bar.uncertainty, units),
            figure::bare(false, bar.stroke - bar.sag, units),
            figure::bare(false, bar.sag, units),
        );
        paper.text((left, top + 30.0), Anchor::Start, 10.5, SOFT, false, &after);
    }
    let y = 12.0;
    paper.text(
        (left, y - 2.0),
        Anchor::Start,
        9.5,
        SOFT,
        false,
        "fully extended",
    );
    let longest = bars.iter().find(|b| (b.stroke - widest).abs() < 1e-9);
    if longest.is_some() {
        paper.text(
            (right, y - 2.0),
            Anchor::End,
            9.5,
            SOFT,
            false,
            "fully compressed",
        );
    }
    let words: Vec<String> = bars
        .iter()
        .map(|b| {
            format!(
                "{}: {} of a stroke of {}",
                b.name,
                figure::interval(false, b.sag, b.uncertainty, units),
                figure::bare(false, b.stroke, units)
            )
        })
        .collect();
    paper.finish(
        20.0 + step * bars.len() as f64,
        "Sag and travel of every spring unit",
        &words.join("; "),
    )
}

/// The section.
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let bars = bars(of);
    if bars.is_empty() {
        return None;
    }
    let units = of.sheet.units;
    let unit = figure::unit(false, units);
    let columns = [
        figure::words("unit"),
        figure::numbers("stroke"),
        figure::numbers("sag, finished"),
        figure::numbers("of the stroke"),
        figure::numbers("travel left up"),
        figure::numbers("travel left down"),
        figure::numbers("sag, last read"),
    ];
    let rows: Vec<Vec<Markup>> = bars
        .iter()
        .map(|b| {
            let interval = |si: f64, u: f64| {
                figure::cell(format!(
                    "{} ± {}",
                    figure::bare(false, si, units),
                    figure::bare(false, COVERAGE_95 * u, units)
                ))
            };
            vec![
                html! { (b.name) },
                figure::cell(figure::bare(false, b.stroke, units)),
                interval(b.sag, b.uncertainty),
                figure::cell(format!("{} %", decimals(100.0 * b.sag / b.stroke, 0))),
                interval(b.stroke - b.sag, b.uncertainty),
                interval(b.sag, b.uncertainty),
                b.read
                    .map_or_else(|| figure::cell("-"), |(v, u)| interval(v, u)),
            ]
        })
        .collect();
    let has_read = bars.iter().any(|b| b.read.is_some());
    let caption = format!(
        "Along each unit, in {unit}, from full extension; case '{}'; ± holds 95 %.",
        super::head::case_name(of)
    );
    Some(html! {
        figure {
            (PreEscaped(picture(&bars, of)))
            figcaption {
                "Each bar is the whole stroke; hatched: used by sag; ● with its interval: the finished vehicle"
                @if has_read { "; ▽ above a bar: the newest reading, with the loads that were on then" }
                ". Small marks: quarters of the stroke."
            }
        }
        (figure::table(&caption, &columns, &rows))
    })
}
