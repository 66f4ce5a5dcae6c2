//! Targets of the finished vehicle against what the sheet and the readings say.

use super::super::aim_name;
use super::head::case_name;
use super::{Dossier, figure};
use crate::compare::{COVERAGE_95, Compared};
use crate::posture::QuantityKey;
use maud::{Markup, PreEscaped, html};
use std::fmt::Write as _;

const WIDTH: f64 = 208.0;
const HEIGHT: f64 = 26.0;

/// One aim as a strip: the tolerance as a shaded zone between posts, the interval
/// of the sheet thin with a hollow mark above, that of the readings thick with a
/// full one.
fn strip(sheet: &Compared, read: Option<&Compared>) -> String {
    let reach =
        |c: &Compared| (c.deviation().abs() + COVERAGE_95 * c.uncertainty) / c.aim.tolerance;
    let widest = read.map_or(0.0, reach).max(reach(sheet)).clamp(1.4, 4.0);
    let at = |share: f64| WIDTH / 2.0 + (share / widest).clamp(-1.0, 1.0) * (WIDTH / 2.0 - 6.0);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" aria-hidden=\"true\"><rect x=\"{:.1}\" y=\"3\" width=\"{:.1}\" height=\"20\" fill=\"#e3eaea\"/>",
        at(-1.0),
        at(1.0) - at(-1.0)
    );
    for post in [-1.0, 1.0] {
        let _ = write!(
            svg,
            "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"3\" y2=\"23\" stroke=\"#9c3d12\" stroke-width=\"1.2\"/>",
            at(post)
        );
    }
    let _ = write!(
        svg,
        "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"1\" y2=\"25\" stroke=\"#9c3d12\" stroke-dasharray=\"3 2\"/>",
        at(0.0)
    );
    let mut bar = |c: &Compared, y: f64, thick: f64, full: bool| {
        let share = c.deviation() / c.aim.tolerance;
        let half = COVERAGE_95 * c.uncertainty / c.aim.tolerance;
        let _ = write!(
            svg,
            "<line x1=\"{:.1}\" x2=\"{:.1}\" y1=\"{y}\" y2=\"{y}\" stroke=\"#16242b\" stroke-width=\"{thick}\"/>",
            at(share - half),
            at(share + half)
        );
        let x = at(share);
        let _ = if full {
            write!(
                svg,
                "<circle cx=\"{x:.1}\" cy=\"{y}\" r=\"4\" fill=\"#16242b\" stroke=\"#fff\"/>"
            )
        } else {
            write!(
                svg,
                "<path d=\"M{x:.1} {:.1}l4 4l-4 4l-4 -4z\" fill=\"#fff\" stroke=\"#16242b\"/>",
                y - 4.0
            )
        };
    };
    if let Some(read) = read {
        bar(sheet, 8.0, 1.0, false);
        bar(read, 17.0, 2.6, true);
    } else {
        bar(sheet, 13.0, 1.0, false);
    }
    svg.push_str("</svg>");
    svg
}

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let units = of.sheet.units;
    let read = of.finished.by_readings.as_ref();
    Some(html! {
        @if of.finished.by_sheet.is_empty() {
            p { "The sheet sets no targets." }
        } @else {
            table {
                caption {
                    "Case '" (case_name(of)) "'. Target with its tolerance; by the sheet alone"
                    @if read.is_some() { ", and by all readings carried over to this case" }
                    "; ± holds 95 %."
                }
                thead { tr {
                    th scope="col" { "aim" } th.n scope="col" { "target" } th.n scope="col" { "by the sheet" }
                    @if read.is_some() { th.n scope="col" { "by the readings" } }
                    th.n scope="col" { "off" } th scope="col" { "verdict" } th scope="col" { "against the tolerance" }
                } }
                tbody {
                    @for c in &of.finished.by_sheet {
                        @let a = c.aim.key.is_angle();
                        @let by = read.and_then(|r| r.iter().find(|r| r.aim.key == c.aim.key));
                        @let known = by.unwrap_or(c);
                        tr {
                            th scope="row" class=[figure::short(&figure::cell(aim_name(of.sheet, c.aim.key)))] { (aim_name(of.sheet, c.aim.key)) }
                            td.n { (figure::target(a, c.aim.target, c.aim.tolerance, units)) }
                            td.n { (figure::interval(a, c.value, c.uncertainty, units)) }
                            @if read.is_some() {
                                td.n { @if let Some(by) = by { strong { (figure::interval(a, by.value, by.uncertainty, units)) } } }
                            }
                            td.n { (figure::off(a, known.deviation(), units)) }
                            td { (figure::verdict(known.verdict)) }
                            td.strip { (PreEscaped(strip(c, by))) }
                        }
                    }
                }
            }
            p.note {
                "In the strips the shaded zone between the posts is the tolerance and the dashed line the target. "
                "◇ with a thin line: by the sheet"
                @if read.is_some() { "; ● with a thick line: by the readings" }
                ". Inside: the whole interval lies within the tolerance. Outside: all of it lies beyond. Else nobody can tell."
            }
        }
    })
}

/// Every load case from the sheet alone.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn cases(of: &Dossier<'_>) -> Option<Markup> {
    let units = of.sheet.units;
    let stations: Vec<&str> = of.sheet.stations.iter().map(|s| s.name.as_str()).collect();
    let mut columns = vec![figure::words("case, loads on")];
    columns.extend(stations.iter().map(|s| figure::numbers(s)));
    columns.push(figure::numbers("roll"));
    columns.push(figure::numbers("pitch"));
    let links: Vec<String> = of
        .cases
        .first()
        .map(|c| c.found.links.iter().map(|l| l.name.clone()).collect())
        .unwrap_or_default();
    columns.extend(links.iter().map(|l| figure::numbers(l)));
    let rows: Vec<Vec<Markup>> = of
        .cases
        .iter()
        .enumerate()
        .map(|(i, c)| {
            let spreads = of.case_spreads.get(i);
            let sure = |is_angle: bool, si: f64, key: Option<QuantityKey>| {
                let u = key.and_then(|key| spreads?.iter().find(|(k, _)| *k == key));
                figure::cell(match u {
                    Some((_, u)) => figure::give_or_take(is_angle, si, *u, units),
                    None => figure::bare(is_angle, si, units),
                })
            };
            let links: Vec<QuantityKey> = spreads
                .into_iter()
                .flatten()
                .map(|(k, _)| *k)
                .filter(|k| matches!(k, QuantityKey::LinkAngle(_)))
                .collect();
            let loads = if c.loads.is_empty() {
                "nothing on".to_owned()
            } else {
                c.loads.join(", ")
            };
            let mut row = vec![html! { (c.name) br; span.note { (loads) } }];
            row.extend(
                c.found
                    .heights
                    .iter()
                    .enumerate()
                    .map(|(k, (_, h))| sure(false, h.m(), Some(QuantityKey::Height(k)))),
            );
            row.extend(
                [
                    (c.found.roll, QuantityKey::Roll),
                    (c.found.pitch, QuantityKey::Pitch),
                ]
                .map(|(a, key)| sure(true, a.rad(), Some(key))),
            );
            row.extend(
                c.found
                    .links
                    .iter()
                    .enumerate()
                    .map(|(k, l)| sure(true, l.angle.rad(), links.get(k).copied())),
            );
            row
        })
        .collect();
    let caption = format!(
        "Every load case by the sheet alone, ± what the sheet itself is unsure of (95 %): heights in {}, angles in deg (left side up and nose down are positive, a link with its frame end high).",
        figure::unit(false, units)
    );
    let warnings: Vec<String> = of
        .cases
        .iter()
        .flat_map(|c| {
            c.found
                .warnings
                .iter()
                .map(|w| format!("case '{}': {}", c.name, w.text))
        })
        .collect();
    Some(html! {
        (figure::table(&caption, &columns, &rows))
        @if !warnings.is_empty() {
            ul { @for w in &warnings { li { strong { "Warning. " } (w) } } }
        }
    })
}
