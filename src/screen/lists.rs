//! The lists: sensors' health, loads, what was kept, the work at hand.
//!
//! In: the view. Out: rows of words. Refused: nothing; what finds no row is
//! counted in words, and sensors that need looking at are never the ones left
//! out.

use super::gauge::{self, Reading};
use super::pane::{Pane, cut, wide, wrap, wrap_pieces};
use super::sketch::{Bounds, Dot, Sketch};
use super::view::{Gauge, Quality, SensorView, Task, View};
use super::wording;

/// Columns from which a sensor's row has its rate and its rejected frames.
pub(super) const ROOMY: u16 = 57;

/// The sign of a sensor's state.
const fn sign(quality: Quality) -> char {
    match quality {
        Quality::Good => '●',
        Quality::Moving => '○',
        Quality::Silent => '?',
        Quality::Gone => '■',
        Quality::Untrusted => '!',
        Quality::NeverHeard => '·',
    }
}

/// The worse, the smaller.
const fn rank(quality: Quality) -> u8 {
    match quality {
        Quality::Gone => 0,
        Quality::Untrusted => 1,
        Quality::Silent => 2,
        Quality::NeverHeard => 3,
        Quality::Moving => 4,
        Quality::Good => 5,
    }
}

/// Every sensor's health.
pub(super) fn sensors(pane: &mut Pane<'_>, view: &View) {
    let rows = usize::from(pane.height());
    if view.sensors.is_empty() {
        let faint = pane.ink.faint();
        pane.write(0, 0, "no sensors in the sheet", faint);
        return;
    }
    if view.sensors.len() <= rows {
        for (row, sensor) in (0..).zip(&view.sensors) {
            sensor_row(&mut pane.part(0, row, pane.width(), 1), sensor);
        }
        return;
    }
    // Too many for a row each: together by state, the worst first.
    let mut list: Vec<&SensorView> = view.sensors.iter().collect();
    list.sort_by_key(|sensor| rank(sensor.quality));
    let width = pane.width().saturating_sub(2);
    let mut lines: Vec<(Quality, bool, String)> = Vec::new();
    for group in list.chunk_by(|one, other| one.quality == other.quality) {
        let quality = group[0].quality;
        let mut pieces: Vec<String> = group
            .iter()
            .map(|sensor| format!("{},", short(sensor, width)))
            .collect();
        if let Some(last) = pieces.last_mut() {
            last.pop();
        }
        let word = format!("{}:", quality.word());
        let pieces = std::iter::once(word.as_str()).chain(pieces.iter().map(String::as_str));
        for (index, line) in wrap_pieces(pieces, width).into_iter().enumerate() {
            lines.push((quality, index == 0, line));
        }
    }
    let more = lines.len() > rows;
    for (row, (quality, first, line)) in lines.iter().take(rows).enumerate() {
        let last = more && row + 1 == rows;
        let row = u16::try_from(row).unwrap_or(u16::MAX);
        let style = pane.ink.quality(*quality);
        if *first {
            pane.set(0, row, sign(*quality), style);
        }
        let text = if last {
            format!("{} …", cut(line, width.saturating_sub(2)))
        } else {
            line.clone()
        };
        let style = if *quality == Quality::Good {
            pane.ink.text()
        } else {
            pane.ink.strong()
        };
        pane.write(2, row, &text, style);
    }
}

/// A sensor's name, with the age of its last value where that is not new.
fn short(sensor: &SensorView, width: u16) -> String {
    let name = cut(&sensor.name, (width / 2).max(8));
    match (sensor.quality, sensor.age) {
        (Quality::Gone | Quality::Silent, Some(age)) => {
            format!("{name} {}", wording::duration(age, false))
        }
        _ => name,
    }
}

fn sensor_row(pane: &mut Pane<'_>, sensor: &SensorView) {
    let ink = pane.ink;
    let width = pane.width();
    let style = ink.quality(sensor.quality);
    let names = if width >= ROOMY { 14 } else { 10 };
    pane.set(0, 0, sign(sensor.quality), style);
    pane.write(2, 0, &cut(&sensor.name, names), ink.text());
    let at = names + 3;
    pane.write(at, 0, sensor.quality.word(), style);
    let at = at + 12;
    let age = sensor
        .age
        .map_or_else(|| "-".to_owned(), |age| wording::duration(age, true));
    let last = if sensor.last.is_empty() {
        "-"
    } else {
        &sensor.last
    };
    let off = sensor
        .off
        .filter(|off| off.is_finite() && off.abs() < 1e4)
        .map(|off| format!("{off:+.1}"));
    if width < ROOMY {
        let free = width.saturating_sub(at + 6);
        let value = cut(last, free);
        pane.part(at, 0, free, 1).write_right(0, &value, ink.text());
        match &off {
            Some(off) => pane.write_right(0, off, ink.strong()),
            None => pane.write_right(0, &age, ink.faint()),
        }
        return;
    }
    let rate = sensor
        .per_second
        .filter(|rate| rate.is_finite() && rate.abs() < 1e4)
        .map_or_else(|| "-/s".to_owned(), |rate| format!("{rate:.0}/s"));
    let rejected = if sensor.rejected > 99_999 {
        "99999+".to_owned()
    } else {
        sensor.rejected.to_string()
    };
    let mut left = at;
    for (columns, text, style) in [
        (9, last, ink.text()),
        match &off {
            Some(off) => (7, off.as_str(), ink.strong()),
            None => (7, age.as_str(), ink.faint()),
        },
        (6, rate.as_str(), ink.faint()),
        (6, rejected.as_str(), ink.faint()),
    ] {
        let text = cut(text, columns);
        pane.part(left, 0, columns, 1).write_right(0, &text, style);
        left += columns;
    }
}

/// The loads with their keys.
pub(super) fn loads(pane: &mut Pane<'_>, view: &View) {
    let ink = pane.ink;
    let rows = usize::from(pane.height());
    if view.loads.is_empty() {
        pane.write(0, 0, "no loads in the sheet", ink.faint());
        return;
    }
    let shown = if view.loads.len() > rows {
        rows.saturating_sub(1)
    } else {
        view.loads.len()
    };
    for (row, load) in (0..).zip(view.loads.iter().take(shown)) {
        let key = load.key.map_or_else(|| " ".to_owned(), String::from);
        let (state, style) = if load.on {
            ("■ on ", ink.strong())
        } else {
            ("□ off", ink.text())
        };
        pane.write_all(
            0,
            row,
            &[
                (&key, ink.key()),
                (" ", ink.text()),
                (state, style),
                (" ", ink.text()),
                (&load.name, style),
                (" ", ink.text()),
                (&load.weight, style),
                (" ", ink.text()),
                (&load.place, ink.faint()),
            ],
        );
    }
    if shown < view.loads.len() {
        let rest = &view.loads[shown..];
        let on = rest.iter().filter(|load| load.on).count();
        let keys: String = rest.iter().filter_map(|load| load.key).collect();
        let more = format!("+{} more (keys {keys}), {on} of them on", rest.len());
        pane.write(0, pane.height().saturating_sub(1), &more, ink.text());
    }
}

/// What was kept, the newest first.
pub(super) fn kept(pane: &mut Pane<'_>, view: &View, label: &str) {
    let ink = pane.ink;
    if view.kept.is_empty() {
        pane.write_all(
            0,
            0,
            &[(label, ink.faint()), ("nothing kept yet", ink.faint())],
        );
        return;
    }
    let at = pane.write(0, 0, label, ink.faint());
    for (row, line) in (0..pane.height()).zip(&view.kept) {
        let style = if row == 0 { ink.text() } else { ink.faint() };
        pane.write(at, row, line, style);
    }
}

/// The work at hand: what to do, gauges, cautions.
pub(super) fn task(pane: &mut Pane<'_>, view: &View, task: &Task) {
    let ink = pane.ink;
    let (width, height) = (pane.width(), pane.height());
    let words = width;
    let caution = task
        .caution
        .as_ref()
        .map(|text| wrap(&format!("caution: {text}"), words))
        .unwrap_or_default();
    let gauges = u16::try_from(task.gauges.len()).unwrap_or(u16::MAX);
    let cautions = u16::try_from(caution.len()).unwrap_or(u16::MAX);
    // The step stands beside NEXT already; here it is said where there is room.
    let free = height.saturating_sub(gauges).saturating_sub(cautions);
    let step = wrap(&task.step, words);
    let mut row = 0;
    if step.len() <= usize::from(free) {
        for line in &step {
            pane.part(0, row, words, 1).write(0, 0, line, ink.strong());
            row += 1;
        }
    }
    for gauge in &task.gauges {
        gauge_row(&mut pane.part(0, row, words, 1), view, gauge);
        row = row.saturating_add(1);
    }
    // A caution is not what may be cut off: it goes over the last gauges.
    row = row.min(height.saturating_sub(cautions));
    let style = ink.message(super::view::Severity::Warning);
    for line in caution {
        let mut part = pane.part(0, row, words, 1);
        part.clear();
        part.write(0, 0, &line, style);
        row = row.saturating_add(1);
    }
}

/// The numbers of a gauge in SI.
pub(super) fn gauge_reading(view: &View, gauge: &Gauge) -> Option<Reading> {
    let (value, half, _, _) = wording::parts(view.units, gauge.now?);
    Some(Reading {
        value,
        half_width: half.unwrap_or(0.0),
        aim: gauge.aim,
        tolerance: gauge.tolerance,
        verdict: Reading::judge(value, half, gauge.aim, gauge.tolerance),
    })
}

fn gauge_row(pane: &mut Pane<'_>, view: &View, gauge: &Gauge) {
    let ink = pane.ink;
    let width = pane.width();
    let names = (width / 3).clamp(6, 16);
    pane.write(0, 0, &cut(&gauge.name, names), ink.text());
    let at = names + 1;
    let (Some(now), Some(reading)) = (gauge.now, gauge_reading(view, gauge)) else {
        pane.write(at, 0, wording::CANNOT_TELL, ink.strong());
        return;
    };
    let (value, half, basis, scale) = wording::parts(view.units, now);
    let figure = scale.figure(value, half, basis, false);
    let at = pane.write(at, 0, &figure, ink.strong()).saturating_add(1);
    let word = gauge.word.to_uppercase();
    let right = width.saturating_sub(wide(&word));
    pane.part(at, 0, width.saturating_sub(at), 1).write_right(
        0,
        &word,
        ink.verdict(reading.verdict),
    );
    let columns = right.saturating_sub(at).saturating_sub(1).min(31);
    gauge::draw(pane, at, 0, columns, &reading);
}

/// Height over load as it went.
pub(super) fn course(pane: &mut Pane<'_>, view: &View, task: &Task) {
    let ink = pane.ink;
    let (width, height) = (pane.width(), pane.height());
    let points: Vec<(f64, f64)> = task
        .course
        .iter()
        .chain(&task.course_now)
        .map(|(load, height)| (load.n(), height.m()))
        .collect();
    // Load and height have no scale in common: both fill their side.
    let span = |values: &mut dyn Iterator<Item = f64>| {
        values
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
                (low.min(v), high.max(v))
            })
    };
    let loads = span(&mut points.iter().map(|p| p.0));
    let heights = span(&mut points.iter().map(|p| p.1));
    let rows = height.saturating_sub(2);
    let across = f64::from(width) * 2.0 - 1.0;
    let up = f64::from(rows) * 4.0 - 1.0;
    let share = |value: f64, (low, high): (f64, f64)| (value - low) / (high - low).max(1e-12);
    let dots: Vec<Dot> = points
        .iter()
        .map(|p| [share(p.0, loads) * across, share(p.1, heights) * up])
        .collect();
    let corners = [[0.0, 0.0], [across, up]];
    if let Some(bounds) = Bounds::round(corners.into_iter()) {
        let mut sketch = Sketch::new(width, rows, bounds);
        let kept = &dots[..task.course.len().min(dots.len())];
        for pair in kept.windows(2) {
            sketch.line(pair[0], pair[1], ink.text());
        }
        let mut part = pane.part(0, 1, width, rows);
        let cells: Vec<Option<(u16, u16)>> = dots.iter().map(|dot| sketch.cell(*dot)).collect();
        sketch.paint(&mut part);
        for (i, cell) in cells.into_iter().enumerate() {
            if let Some((column, row)) = cell {
                let sign = if i < kept.len() { '○' } else { '●' };
                part.set(column, row, sign, ink.strong());
            }
        }
    }
    let length = wording::length_scale(view.units);
    let force = wording::force_scale(view.units);
    let heights = format!(
        "height {} to {}{}",
        length.number(heights.0),
        length.number(heights.1),
        length.unit
    );
    let loads = format!(
        "load {} to {}{}",
        force.number(loads.0),
        force.number(loads.1),
        force.unit
    );
    pane.write(0, 0, &heights, ink.faint());
    pane.write_right(height.saturating_sub(1), &loads, ink.faint());
}
