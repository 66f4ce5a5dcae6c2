//! The loop of a load test: height over load, going down and coming up.
//!
//! In: an identified load test, or the stops of one that is still going on.
//! Out: a picture in braille characters, or one `<svg>` element, complete in
//! itself, readable in black and white. Refused: nothing; where there are fewer
//! than two stops with a height, the picture is empty.

use crate::quantity::{Length, Mass, Quantity, decimals};
use crate::sheet::{BuildSheet, Measurand};
use crate::trials::loadtest::{Approach, Identified};
use std::fmt::Write;

/// One stop of the loop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoopPoint {
    /// What is carried over the axle, kilograms: each load by its lever.
    pub load_kg: f64,
    /// Mean of the heights read over the axle, metres.
    pub height_m: f64,
    /// The same as the model has it, friction included.
    pub model_m: f64,
    /// How it came to rest.
    pub approach: Approach,
}

/// The loop over one axle.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadLoop {
    /// The axle.
    pub axle: usize,
    /// Its stops in order of time.
    pub points: Vec<LoopPoint>,
}

/// Share of a load at `x` that an axle carries, by its lever.
pub fn share_over(sheet: &BuildSheet, axle: usize, x_m: f64) -> f64 {
    let here = sheet.axles.get(axle).map_or(0.0, |a| a.x.m());
    let other = sheet.axles.iter().enumerate().find(|(i, _)| *i != axle);
    other.map_or(1.0, |(_, o)| {
        let base = o.x.m() - here;
        if base.abs() > 1e-6 {
            1.0 - (x_m - here) / base
        } else {
            1.0
        }
    })
}

/// The axle that a place at `x_m` is nearest to; none in a sheet without axles.
pub fn nearest_axle(sheet: &BuildSheet, x_m: f64) -> Option<usize> {
    let far = |i: &usize| (sheet.axles[*i].x.m() - x_m).abs();
    (0..sheet.axles.len()).min_by(|a, b| far(a).total_cmp(&far(b)))
}

/// Sensors that look down at the floor, nearest to an axle.
pub fn sensors_over(sheet: &BuildSheet, axle: usize) -> Vec<usize> {
    let looks = |i: &usize| match &sheet.sensors[*i].reads {
        Measurand::FrameToFloor { from } => nearest_axle(sheet, from.m()[0]) == Some(axle),
        _ => false,
    };
    (0..sheet.sensors.len()).filter(looks).collect()
}

impl LoadLoop {
    /// Of the axle whose heights changed most; none where no height was read twice.
    pub fn of(sheet: &BuildSheet, found: &Identified) -> Option<Self> {
        (0..sheet.axles.len())
            .map(|axle| Self::over(sheet, found, axle))
            .filter(|l| l.points.len() > 1)
            .max_by(|a, b| a.spread_m().total_cmp(&b.spread_m()))
    }

    /// Over one axle.
    pub fn over(sheet: &BuildSheet, found: &Identified, axle: usize) -> Self {
        let sensors = sensors_over(sheet, axle);
        let points = found.stops.iter().filter_map(|stop| {
            let read: Vec<_> = found
                .residuals
                .iter()
                .filter(|r| r.step == stop.step && sensors.contains(&r.sensor))
                .collect();
            // A stop in which one side was left out would lie beside the loop.
            if read.is_empty() || read.len() < sensors.len() {
                return None;
            }
            let count = read.len() as f64;
            Some(LoopPoint {
                load_kg: stop
                    .on
                    .iter()
                    .map(|(kg, at)| kg * share_over(sheet, axle, at[0]))
                    .sum(),
                height_m: read.iter().map(|r| r.measured).sum::<f64>() / count,
                model_m: read.iter().map(|r| r.predicted).sum::<f64>() / count,
                approach: stop.approach,
            })
        });
        Self {
            axle,
            points: points.collect(),
        }
    }

    fn spread_m(&self) -> f64 {
        let [_, (low, high)] = self.bounds();
        high - low
    }

    /// Least and greatest load and height.
    fn bounds(&self) -> [(f64, f64); 2] {
        let ends = |values: Vec<f64>| {
            values
                .into_iter()
                .filter(|v| v.is_finite())
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
                    (a.min(v), b.max(v))
                })
        };
        let heights = |p: &LoopPoint| [p.height_m, p.model_m];
        [
            ends(self.points.iter().map(|p| p.load_kg).collect()),
            ends(self.points.iter().flat_map(heights).collect()),
        ]
    }

    /// The same with some room about it; none where nothing can be drawn.
    fn frame(&self) -> Option<[(f64, f64); 2]> {
        let [load, height] = self.bounds();
        if self.points.len() < 2 || load.0 > load.1 || height.0 > height.1 {
            return None;
        }
        let room = |(low, high): (f64, f64), least: f64| {
            let by = (0.06 * (high - low)).max(least);
            (low - by, high + by)
        };
        Some([room(load, 0.5), room(height, 0.2e-3)])
    }
}

const fn mark(approach: Approach) -> &'static str {
    match approach {
        Approach::Loading => "▼",
        Approach::Unloading => "△",
        Approach::Bounced => "○",
        Approach::Unknown => "·",
    }
}

/// The loop in characters, `columns` x `rows` without the labels; empty where
/// there is nothing to draw.
pub fn loadtest_loop_text(
    sheet: &BuildSheet,
    drawn: &LoadLoop,
    columns: usize,
    rows: usize,
) -> String {
    let (columns, rows) = (columns.max(20), rows.max(5));
    let Some([load, height]) = drawn.frame() else {
        return String::new();
    };
    let (wide, tall) = (columns * 2, rows * 4);
    let mut dots = vec![0_u8; columns * rows];
    let place = |value: f64, (low, high): (f64, f64), count: usize| -> usize {
        let share = ((value - low) / (high - low)).clamp(0.0, 1.0);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 <= share <= 1"
        )]
        let at = (share * (count - 1) as f64).round() as usize;
        at
    };
    let at = |p: &LoopPoint| {
        (
            place(p.load_kg, load, wide),
            tall - 1 - place(p.height_m, height, tall),
        )
    };
    for pair in drawn.points.windows(2) {
        let ((x0, y0), (x1, y1)) = (at(&pair[0]), at(&pair[1]));
        let steps = x0.abs_diff(x1).max(y0.abs_diff(y1)).max(1);
        for k in 0..=steps {
            let along = |a: usize, b: usize| {
                place(
                    a as f64 + (b as f64 - a as f64) * k as f64 / steps as f64,
                    (0.0, (wide + tall) as f64),
                    wide + tall + 1,
                )
            };
            let (x, y) = (along(x0, x1).min(wide - 1), along(y0, y1).min(tall - 1));
            dots[(y / 4) * columns + x / 2] |= BITS[y % 4][x % 2];
        }
    }
    let mut cells: Vec<char> = dots
        .iter()
        .map(|&d| char::from_u32(0x2800 + u32::from(d)).unwrap_or(' '))
        .collect();
    for p in &drawn.points {
        let (x, y) = at(p);
        if let Some(c) = mark(p.approach).chars().next() {
            cells[(y / 4) * columns + x / 2] = c;
        }
    }
    let units = sheet.units;
    let mut text = format!(
        "LOOP height over load, {} axle (▼ going down, △ coming up, ○ bounced)\n",
        sheet.axles[drawn.axle].name
    );
    for (row, line) in cells.chunks(columns).enumerate() {
        let label = match row {
            0 => Length::new(height.1).shown(units),
            r if r + 1 == rows => Length::new(height.0).shown(units),
            _ => String::new(),
        };
        let line: String = line.iter().collect();
        let _ = writeln!(text, "{label:>12} │{line}");
    }
    let left = Mass::new(load.0.max(0.0)).shown(units);
    let right = Mass::new(load.1).shown(units);
    let _ = writeln!(
        text,
        "{:>12} └{left}{right:>width$}",
        "",
        width = columns.saturating_sub(left.chars().count())
    );
    text
}

/// Bits of a braille cell by row and column (Unicode block 2800).
const BITS: [[u8; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

/// Size of the picture and its margins, in the units of the picture.
const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 360.0;
const LEFT: f64 = 72.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 48.0;
const BOTTOM: f64 = 42.0;

/// The loop of an identified load test as one `<svg>` element; empty where no
/// height was read at two stops.
pub fn loadtest_svg(sheet: &BuildSheet, found: &Identified) -> String {
    LoadLoop::of(sheet, found).map_or_else(String::new, |l| loadtest_loop_svg(sheet, &l))
}

/// A loop as one `<svg>` element: filled triangles going down, open ones coming
/// up, rings bounced, crosses where the model has it; arrows show the order.
pub fn loadtest_loop_svg(sheet: &BuildSheet, drawn: &LoadLoop) -> String {
    let Some([load, height]) = drawn.frame() else {
        return String::new();
    };
    let units = sheet.units;
    let x = |kg: f64| LEFT + (kg - load.0) / (load.1 - load.0) * (WIDTH - LEFT - RIGHT);
    let y =
        |m: f64| HEIGHT - BOTTOM - (m - height.0) / (height.1 - height.0) * (HEIGHT - TOP - BOTTOM);
    let title = format!(
        "Load test: height over load, {} axle",
        escaped(&sheet.axles[drawn.axle].name)
    );
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{title}\" font-family=\"sans-serif\" font-size=\"11\" fill=\"currentColor\"><title>{title}</title><text x=\"{LEFT}\" y=\"16\" font-size=\"13\">{title}</text><text x=\"{LEFT}\" y=\"32\">filled: going down; open: coming up; ring: bounced; cross: the model</text>"
    );
    let _ = write!(
        out,
        "<path d=\"M{LEFT} {TOP} V{:.1} H{:.1}\" fill=\"none\" stroke=\"currentColor\"/>",
        HEIGHT - BOTTOM,
        WIDTH - RIGHT
    );
    let shown_m = Length::new(1.0).number(units);
    for tick in round_numbers(height.0 * shown_m, height.1 * shown_m) {
        let at = y(tick / shown_m);
        let _ = write!(
            out,
            "<line x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{at:.1}\" y2=\"{at:.1}\" stroke=\"currentColor\" stroke-opacity=\"0.15\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            WIDTH - RIGHT,
            LEFT - 6.0,
            at + 4.0,
            decimals(tick, 2)
        );
    }
    let shown_kg = Mass::new(1.0).number(units);
    for tick in round_numbers(load.0 * shown_kg, load.1 * shown_kg) {
        let _ = write!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            x(tick / shown_kg),
            HEIGHT - BOTTOM + 16.0,
            decimals(tick, 0)
        );
    }
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">load over the axle, {}</text><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
        WIDTH - RIGHT,
        HEIGHT - 8.0,
        Mass::unit(units),
        LEFT - 6.0,
        TOP - 8.0,
        Length::unit(units),
    );
    for pair in drawn.points.windows(2) {
        arrow(
            &mut out,
            (x(pair[0].load_kg), y(pair[0].height_m)),
            (x(pair[1].load_kg), y(pair[1].height_m)),
        );
    }
    for p in &drawn.points {
        point(&mut out, (x(p.load_kg), y(p.height_m)), p.approach);
        let (cx, cy) = (x(p.load_kg), y(p.model_m));
        let _ = write!(
            out,
            "<path d=\"M{:.1} {cy:.1} h8 M{cx:.1} {:.1} v8\" stroke=\"currentColor\" stroke-width=\"0.7\"/>",
            cx - 4.0,
            cy - 4.0
        );
    }
    out.push_str("</svg>");
    out
}

/// Four to ten round numbers between two ends.
fn round_numbers(low: f64, high: f64) -> Vec<f64> {
    let rough = (high - low) / 8.0;
    if !(rough.is_finite() && rough > 0.0) {
        return Vec::new();
    }
    let power = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|s| *s >= rough)
        .unwrap_or(10.0 * power);
    let first = (low / step).ceil();
    (0..20)
        .map(|k| (first + f64::from(k)) * step)
        .take_while(|t| *t <= high)
        .collect()
}

/// A line with a head in its middle.
fn arrow(out: &mut String, (x0, y0): (f64, f64), (x1, y1): (f64, f64)) {
    let long = (x1 - x0).hypot(y1 - y0);
    let _ = write!(
        out,
        "<line x1=\"{x0:.1}\" y1=\"{y0:.1}\" x2=\"{x1:.1}\" y2=\"{y1:.1}\" stroke=\"currentColor\" stroke-opacity=\"0.55\"/>"
    );
    if long < 16.0 {
        return;
    }
    let (ux, uy) = ((x1 - x0) / long, (y1 - y0) / long);
    let (mx, my) = (f64::midpoint(x0, x1), f64::midpoint(y0, y1));
    let _ = write!(
        out,
        "<path d=\"M{:.1} {:.1} L{:.1} {:.1} L{:.1} {:.1}\" fill=\"none\" stroke=\"currentColor\"/>",
        mx - 6.0 * ux + 3.0 * uy,
        my - 6.0 * uy - 3.0 * ux,
        mx,
        my,
        mx - 6.0 * ux - 3.0 * uy,
        my - 6.0 * uy + 3.0 * ux,
    );
}

fn point(out: &mut String, (x, y): (f64, f64), approach: Approach) {
    let _ = match approach {
        Approach::Loading => write!(
            out,
            "<path d=\"M{:.1} {:.1} h9 l-4.5 8 z\"/>",
            x - 4.5,
            y - 4.0
        ),
        Approach::Unloading => write!(
            out,
            "<path d=\"M{:.1} {:.1} h9 l-4.5 -8 z\" fill=\"none\" stroke=\"currentColor\"/>",
            x - 4.5,
            y + 4.0
        ),
        Approach::Bounced => write!(
            out,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"none\" stroke=\"currentColor\"/>"
        ),
        Approach::Unknown => write!(out, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1.5\"/>"),
    };
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end at once")]
    use super::*;
    use crate::quantity::UnitSystem;

    fn drawn() -> (BuildSheet, LoadLoop) {
        let text = crate::sheet::template(UnitSystem::Metric);
        let sheet = crate::sheet::parse(&text, "template").unwrap().sheet;
        let point = |load_kg, height_m, approach| LoopPoint {
            load_kg,
            height_m,
            model_m: height_m,
            approach,
        };
        let points = vec![
            point(0.0, 0.4605, Approach::Bounced),
            point(80.0, 0.4450, Approach::Loading),
            point(80.0, 0.4440, Approach::Unloading),
            point(0.0, 0.4600, Approach::Unloading),
        ];
        (sheet, LoadLoop { axle: 0, points })
    }

    /// By hand.
    #[test]
    fn round_numbers_are_round() {
        let close = |a: &[f64], b: &[f64]| {
            a.len() == b.len() && a.iter().zip(b).all(|(x, y)| (x - y).abs() < 1e-9)
        };
        assert!(close(
            &round_numbers(-4.8, 84.0),
            &[0.0, 20.0, 40.0, 60.0, 80.0]
        ));
        assert!(round_numbers(1.0, 1.0).is_empty());
    }

    #[test]
    fn both_pictures_show_every_stop_and_nothing_of_one_stop() {
        let (sheet, loop_) = drawn();
        let text = loadtest_loop_text(&sheet, &loop_, 60, 12);
        assert_eq!(text.lines().count(), 14);
        for mark in ["○", "▼", "△", "461.5 mm"] {
            assert!(text.contains(mark), "{text}");
        }
        let svg = loadtest_loop_svg(&sheet, &loop_);
        assert!(svg.starts_with("<svg") && svg.ends_with("</svg>"));
        assert_eq!(svg.matches("<circle").count(), 1);
        assert_eq!(svg.matches("h8 M").count(), 4);
        let one = LoadLoop {
            points: loop_.points[..1].to_vec(),
            ..loop_
        };
        assert!(loadtest_loop_svg(&sheet, &one).is_empty());
        assert!(loadtest_loop_text(&sheet, &one, 60, 12).is_empty());
    }
}
