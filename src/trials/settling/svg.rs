//! A series with its law as an SVG picture, for a report.
//!
//! Comes in: a [`Picture`]. Goes out: one `<svg>` element, complete in itself, without scripts and
//! without references to anything outside. Readings are dots; the law is a line that goes on for
//! half of the span beyond the last reading, with its 95 % confidence band (dark) and the band of
//! single readings (light).

use std::fmt::Write;

use super::plot::{Picture, TimeAxis};

/// Size of the picture and its margins, in the units of the picture.
const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 28.0;
const BOTTOM: f64 = 36.0;
/// Points along the law.
const POINTS: u32 = 120;
/// Share of the span drawn beyond the last reading.
const AHEAD: f64 = 0.5;

/// Draws it; empty where there is nothing to draw.
pub fn svg(picture: &Picture<'_>, title: &str, axis: TimeAxis) -> String {
    let found = picture.found;
    let (first, last) = found.span_h;
    let until = last + AHEAD * (last - first);
    let unit = (last - first) / found.readings.max(2) as f64;
    if until <= first || unit <= 0.0 {
        return String::new();
    }
    let along = |t: f64| match axis {
        TimeAxis::Real => (t - first) / (until - first),
        TimeAxis::Log => ((t - first) / unit).ln_1p() / ((until - first) / unit).ln_1p(),
    };
    let back = |share: f64| match axis {
        TimeAxis::Real => first + share * (until - first),
        TimeAxis::Log => first + unit * (share * ((until - first) / unit).ln_1p()).exp_m1(),
    };
    let law: Vec<(f64, [f64; 5])> = (0..=POINTS)
        .map(|k| back(f64::from(k) / f64::from(POINTS)))
        .filter_map(|t| {
            let b = found.height(t).ok()??;
            let [a, c] = b.confidence_95_mm;
            let [d, e] = b.prediction_95_mm;
            Some((t, [b.value_mm, a, c, d, e].map(|v| v * picture.by)))
        })
        .collect();
    let readings: Vec<(f64, f64)> = picture
        .readings
        .iter()
        .map(|&(t, h)| (t, h * picture.by))
        .collect();
    let heights = readings
        .iter()
        .map(|r| r.1)
        .chain(law.iter().flat_map(|l| [l.1[1], l.1[2]]))
        .filter(|h| h.is_finite());
    let (low, high) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), h| {
        (a.min(h), b.max(h))
    });
    if low > high {
        return String::new();
    }
    let room = (0.06 * (high - low)).max(0.05 * picture.by);
    let (low, high) = (low - room, high + room);
    let x = |t: f64| LEFT + along(t) * (WIDTH - LEFT - RIGHT);
    let y = |h: f64| {
        let share = ((h - low) / (high - low)).clamp(0.0, 1.0);
        HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)
    };
    let mut out = String::new();
    let name = escaped(title);
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{name}\" font-family=\"sans-serif\" font-size=\"11\" fill=\"currentColor\"><title>{name}</title><text x=\"{LEFT}\" y=\"16\" font-size=\"13\">{name}</text>"
    );
    heights_scale(&mut out, picture, (low, high), y);
    let marks: Vec<f64> = match axis {
        TimeAxis::Real => {
            let (hours, _) = time_unit(until - first);
            ticks(first / hours, until / hours, 8)
                .iter()
                .map(|t| t * hours)
                .collect()
        }
        TimeAxis::Log => (0..=6).map(|k| back(f64::from(k) / 6.0)).collect(),
    };
    times_scale(&mut out, &marks, until - first, x);
    law_and_bands(&mut out, &law, x, y);
    let now = x(last);
    let _ = write!(
        out,
        "<line x1=\"{now:.1}\" x2=\"{now:.1}\" y1=\"{TOP}\" y2=\"{:.1}\" stroke=\"currentColor\" stroke-dasharray=\"3 3\" stroke-opacity=\"0.6\"/>",
        HEIGHT - BOTTOM
    );
    for (t, h) in readings {
        let _ = write!(
            out,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2\"/>",
            x(t),
            y(h)
        );
    }
    out.push_str("</svg>");
    out
}

/// The law's line over its bands: for each time the height, and both ends of both bands.
fn law_and_bands(
    out: &mut String,
    law: &[(f64, [f64; 5])],
    x: impl Fn(f64) -> f64,
    y: impl Fn(f64) -> f64,
) {
    if law.len() < 2 {
        return;
    }
    let at = |t: f64, h: f64| format!("{:.1},{:.1}", x(t), y(h));
    for (lower, upper, opacity) in [(3, 4, 0.12), (1, 2, 0.3)] {
        let there = law.iter().map(|(t, l)| at(*t, l[lower]));
        let again = law.iter().rev().map(|(t, l)| at(*t, l[upper]));
        let points: Vec<String> = there.chain(again).collect();
        let _ = write!(
            out,
            "<polygon points=\"{}\" fill=\"#1f6f8b\" fill-opacity=\"{opacity}\"/>",
            points.join(" ")
        );
    }
    let line: Vec<String> = law.iter().map(|(t, l)| at(*t, l[0])).collect();
    let _ = write!(
        out,
        "<polyline points=\"{}\" fill=\"none\" stroke=\"#1f6f8b\" stroke-width=\"1.5\"/>",
        line.join(" ")
    );
}

/// Hours for short series, days for long ones.
fn time_unit(span_h: f64) -> (f64, &'static str) {
    if span_h > 72.0 {
        (24.0, "days")
    } else {
        (1.0, "hours")
    }
}

fn heights_scale(
    out: &mut String,
    picture: &Picture<'_>,
    (low, high): (f64, f64),
    y: impl Fn(f64) -> f64,
) {
    for tick in ticks(low, high, 5) {
        let at = y(tick);
        let _ = write!(
            out,
            "<line x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{at:.1}\" y2=\"{at:.1}\" stroke=\"currentColor\" stroke-opacity=\"0.15\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            WIDTH - RIGHT,
            LEFT - 6.0,
            at + 4.0,
            number(tick)
        );
    }
    let _ = write!(
        out,
        "<text x=\"{LEFT}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
        HEIGHT - 6.0,
        picture.unit
    );
}

fn times_scale(out: &mut String, marks: &[f64], span_h: f64, x: impl Fn(f64) -> f64) {
    let (hours, word) = time_unit(span_h);
    for &t in marks {
        let at = x(t);
        let _ = write!(
            out,
            "<line x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"{:.1}\" y2=\"{:.1}\" stroke=\"currentColor\" stroke-opacity=\"0.4\"/><text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            HEIGHT - BOTTOM,
            HEIGHT - BOTTOM + 4.0,
            HEIGHT - BOTTOM + 16.0,
            number((t / hours * 100.0).round() / 100.0)
        );
    }
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{word}</text>",
        WIDTH - RIGHT,
        HEIGHT - 6.0
    );
}

/// About `count` round numbers between two ends.
fn ticks(low: f64, high: f64, count: u32) -> Vec<f64> {
    let rough = (high - low) / f64::from(count.max(1));
    if !(rough.is_finite() && rough > 0.0) {
        return Vec::new();
    }
    let power = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|s| *s >= rough * 0.999)
        .unwrap_or(10.0 * power);
    let first = (low / step).ceil();
    (0..=3 * count)
        .map(|k| (first + f64::from(k)) * step)
        .take_while(|t| *t <= high)
        .collect()
}

fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".into()
    } else {
        text.into()
    }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand.
    #[test]
    fn round_numbers() {
        let close = |a: &[f64], b: &[f64]| {
            a.len() == b.len() && a.iter().zip(b).all(|(x, y)| (x - y).abs() < 1e-9)
        };
        assert!(close(&ticks(0.3, 4.2, 4), &[1.0, 2.0, 3.0, 4.0]));
        assert!(close(&ticks(449.8, 450.9, 5), &[450.0, 450.5]));
        assert!(ticks(1.0, 1.0, 5).is_empty());
    }
}
