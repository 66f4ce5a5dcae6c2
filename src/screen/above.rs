//! The vehicle from above, front at the top, with every height against its
//! target.
//!
//! In: the view. Out: a plan between two columns of words, left stations to
//! the left. Refused: nothing; stations that find no row are counted in words.

use super::gauge::{self, Reading};
use super::pane::{Pane, cut};
use super::sketch::{Bounds, Dot, Sketch};
use super::view::{StationView, Verdict, View};
use super::wording;
use crate::quantity::Length;

/// Draws all of it into the pane.
pub(super) fn draw(pane: &mut Pane<'_>, view: &View) {
    let (width, height) = (pane.width(), pane.height());
    if view.stations.is_empty() {
        let faint = pane.ink.faint();
        pane.write_middle(height / 2, "no heights are read", faint);
        return;
    }
    let (left, right) = sides(&view.stations);
    let words = (width.saturating_sub(7) / 2).min(26);
    let middle = width.saturating_sub(words.saturating_mul(2));
    column(&mut pane.part(0, 0, words, height), view, &left, false);
    plan(&mut pane.part(words, 0, middle, height), view);
    column(
        &mut pane.part(words + middle, 0, words, height),
        view,
        &right,
        true,
    );
}

/// The stations of the left and of the right column, front first. Those on
/// the centre line go where there are fewer.
fn sides(stations: &[StationView]) -> (Vec<&StationView>, Vec<&StationView>) {
    let mut left: Vec<&StationView> = Vec::new();
    let mut right: Vec<&StationView> = Vec::new();
    for station in stations.iter().filter(|s| s.y.mm().abs() > 1.0) {
        let side = if station.y.m() > 0.0 {
            &mut left
        } else {
            &mut right
        };
        side.push(station);
    }
    for station in stations
        .iter()
        .filter(|s| s.y.mm().abs() <= 1.0 || s.y.mm().is_nan())
    {
        let side = if left.len() <= right.len() {
            &mut left
        } else {
            &mut right
        };
        side.push(station);
    }
    for side in [&mut left, &mut right] {
        side.sort_by(|a, b| b.x.m().total_cmp(&a.x.m()));
    }
    (left, right)
}

fn column(pane: &mut Pane<'_>, view: &View, stations: &[&StationView], flush_right: bool) {
    let count = u16::try_from(stations.len()).unwrap_or(u16::MAX);
    if count == 0 {
        return;
    }
    let height = pane.height();
    let each = (height / count).clamp(1, 5);
    let shown = (height / each).min(count);
    let shown = if shown < count {
        shown.saturating_sub(1)
    } else {
        shown
    };
    let width = pane.width();
    // The first at the top, the last at the bottom, as on the plan.
    let free = height.saturating_sub(shown.saturating_mul(each));
    let gap = if shown > 1 && shown == count {
        free / (shown - 1)
    } else {
        0
    };
    for (index, station) in stations.iter().take(usize::from(shown)).enumerate() {
        let top = u16::try_from(index)
            .unwrap_or(u16::MAX)
            .saturating_mul(each + gap);
        words(
            &mut pane.part(0, top, width, each),
            view,
            station,
            flush_right,
        );
    }
    if shown < count {
        let more = format!("+{} more", count - shown);
        let strong = pane.ink.strong();
        pane.write(0, height.saturating_sub(1), &more, strong);
    }
}

fn words(pane: &mut Pane<'_>, view: &View, station: &StationView, flush_right: bool) {
    let ink = pane.ink;
    let units = view.units;
    let verdict = if station.aim.is_some() {
        station.verdict
    } else {
        Verdict::CannotTell
    };
    let style = ink.verdict(verdict);
    let height = wording::length(units, station.height);
    let sign = if station.aim.is_some() {
        wording::sign(verdict, wording::deviation(station))
    } else {
        '·'
    };
    let told = format!("{sign} {}", wording::station_verdict(units, station));
    let aim = station.aim.map_or_else(
        || "no target".to_owned(),
        |aim| format!("aim {}", wording::length_aim(units, aim)),
    );
    let width = pane.width();
    let rows: Vec<(String, ratatui::style::Style)> = match pane.height() {
        0 => return,
        1 => vec![(format!("{} {height} {sign}", cut(&station.name, 6)), style)],
        2 => vec![
            (
                format!(
                    "{} {height}",
                    cut(
                        &station.name,
                        width.saturating_sub(super::pane::wide(&height) + 1)
                    )
                ),
                ink.strong(),
            ),
            (told, style),
        ],
        3 => vec![
            (station.name.clone(), ink.text()),
            (height, ink.strong()),
            (told, style),
        ],
        _ => vec![
            (station.name.clone(), ink.text()),
            (height, ink.strong()),
            (aim, ink.faint()),
            (told, style),
        ],
    };
    for (row, (text, style)) in rows.iter().enumerate() {
        let row = u16::try_from(row).unwrap_or(u16::MAX);
        if flush_right {
            pane.write_right(row, text, *style);
        } else {
            pane.write(0, row, text, *style);
        }
    }
    if let (Some(figure), Some(aim), true) = (station.height, station.aim, pane.height() > 4) {
        let reading = Reading {
            value: figure.value.m(),
            half_width: figure.half_width.map_or(0.0, Length::m),
            aim: aim.value.m(),
            tolerance: aim.tolerance.m(),
            verdict,
        };
        let columns = width.min(17);
        let left = if flush_right { width - columns } else { 0 };
        gauge::draw(pane, left, 4, columns, &reading);
    }
}

/// Across to the right and forward, as seen from above.
fn seen(station: &StationView) -> Dot {
    [-station.y.m(), station.x.m()]
}

fn plan(pane: &mut Pane<'_>, view: &View) {
    let ink = pane.ink;
    let (width, height) = (pane.width(), pane.height());
    if width < 6 || height < 4 {
        return;
    }
    pane.write_middle(0, "front", ink.faint());
    pane.write_middle(height - 1, "rear", ink.faint());
    let (left, top) = (1, 1);
    let (columns, rows) = (width - 2, height - 2);
    let places: Vec<Dot> = view.stations.iter().map(seen).collect();
    let Some(bounds) = Bounds::round(places.iter().copied()) else {
        return;
    };
    let [low, high] = bounds.corners();
    let mut part = pane.part(left, top, columns, rows);
    let mut sketch = Sketch::new(columns, rows, bounds);
    let text = ink.text();
    let frame = [low, [high[0], low[1]], high, [low[0], high[1]]];
    sketch.outline(&frame, text);
    for share in [0.25, 0.5, 0.75] {
        let x = low[1] + (high[1] - low[1]) * share;
        sketch.line([low[0], x], [high[0], x], text);
    }
    sketch.paint(&mut part);
    for (station, place) in view.stations.iter().zip(places) {
        if let Some((column, row)) = sketch.cell(place) {
            let (verdict, sign) = match station.aim {
                Some(_) => (
                    station.verdict,
                    wording::sign(station.verdict, wording::deviation(station)),
                ),
                None => (Verdict::CannotTell, '·'),
            };
            part.set(column, row, sign, ink.verdict(verdict));
        }
    }
}
