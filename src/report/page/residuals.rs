//! Residuals: every sensor of the newest reading against the pose found from all.

use super::drawing::{Anchor, INK, OUTLINE, Paper, Pen, SOFT, THIN, WIDTH};
use super::{Dossier, Residual, figure};
use crate::compare::COVERAGE_95;
use crate::quantity::decimals;
use crate::sheet::Measurand;
use maud::{Markup, PreEscaped, html};

/// Standard deviations that the picture reaches to each side.
const REACH: f64 = 4.0;

fn share(r: &Residual) -> f64 {
    (r.said - r.due) / r.uncertainty
}

fn picture(of: &Dossier<'_>, residuals: &[Residual]) -> String {
    let (left, right) = (170.0, WIDTH - 60.0);
    let middle = f64::midpoint(left, right);
    let x = |sigmas: f64| middle + sigmas.clamp(-REACH, REACH) / REACH * (right - middle);
    let mut paper = Paper::default();
    let bottom = 14.0 + 20.0 * residuals.len() as f64;
    paper.area(
        &[
            (x(-COVERAGE_95), 8.0),
            (x(COVERAGE_95), 8.0),
            (x(COVERAGE_95), bottom),
            (x(-COVERAGE_95), bottom),
        ],
        "#eef2f2",
        Pen { width: 0.0, ..THIN },
    );
    for at in [-4.0, -2.0, 0.0, 2.0, 4.0] {
        paper.line(
            (x(at), 8.0),
            (x(at), bottom),
            Pen {
                width: if at == 0.0 { 1.2 } else { 0.5 },
                ..OUTLINE
            },
        );
        paper.text(
            (x(at), bottom + 13.0),
            Anchor::Middle,
            10.0,
            SOFT,
            false,
            &decimals(at, 0),
        );
    }
    for (i, r) in residuals.iter().enumerate() {
        let y = 20.0 + 20.0 * i as f64;
        let name = &of.sheet.sensors[r.sensor].name;
        paper.text((left - 12.0, y + 4.0), Anchor::End, 11.5, INK, false, name);
        paper.line(
            (x(0.0), y),
            (x(share(r)), y),
            Pen {
                width: 1.6,
                ..OUTLINE
            },
        );
        paper.circle(
            (x(share(r)), y),
            4.0,
            INK,
            Pen {
                colour: "#fff",
                width: 1.0,
                dash: "",
            },
        );
    }
    paper.text(
        (middle, bottom + 27.0),
        Anchor::Middle,
        10.0,
        SOFT,
        false,
        "standard uncertainties of the sensor",
    );
    let words: Vec<String> = residuals
        .iter()
        .map(|r| {
            format!(
                "{}: {}",
                of.sheet.sensors[r.sensor].name,
                decimals(share(r), 2)
            )
        })
        .collect();
    paper.finish(
        bottom + 34.0,
        "Residuals of every sensor in its standard uncertainties",
        &words.join("; "),
    )
}

/// The section.
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let units = of.sheet.units;
    let newest = of.newest.as_ref();
    let residuals = newest.map_or(&[] as &[Residual], |n| &n.residuals);
    let learnt = &of.finished.learnt;
    if residuals.is_empty() && learnt.is_empty() {
        return None;
    }
    let columns = [
        figure::words("sensor"),
        figure::numbers("said"),
        figure::numbers("by the pose from all"),
        figure::numbers("off"),
        figure::numbers("in its uncertainties"),
    ];
    let rows: Vec<Vec<Markup>> = residuals
        .iter()
        .map(|r| {
            let sensor = &of.sheet.sensors[r.sensor];
            let angle = matches!(sensor.reads, Measurand::Tilt { .. });
            vec![
                html! { (sensor.name) },
                figure::cell(figure::interval(angle, r.said, r.uncertainty, units)),
                figure::cell(format!(
                    "{} {}",
                    figure::bare(angle, r.due, units),
                    figure::unit(angle, units)
                )),
                figure::cell(figure::off(angle, r.said - r.due, units)),
                figure::cell(decimals(share(r), 2)),
            ]
        })
        .collect();
    Some(html! {
        @if let Some(newest) = newest.filter(|_| !residuals.is_empty()) {
            figure {
                (PreEscaped(picture(of, residuals)))
                figcaption { "The newest reading, " (figure::short_when(newest.reading.at, &of.zone)) ". Shaded: where 95 of 100 should be; a dot at the edge is farther out." }
            }
            (figure::table("What each sensor said against what the pose found from all of them and the model says; ± holds 95 %.", &columns, &rows))
        }
        @if !learnt.is_empty() {
            @let rows: Vec<Vec<Markup>> = learnt
                .iter()
                .map(|l| vec![html! { (l.what) }, figure::cell(&l.before), figure::cell(&l.after)])
                .collect();
            (figure::table(
                "What the readings say of the sheet's own numbers: only those that became surer by a tenth or more; ± holds 95 %.",
                &[figure::words("of the sheet"), figure::numbers("by the sheet"), figure::numbers("with the readings")],
                &rows,
            ))
        }
    })
}
