//! A line plot as SVG, drawn to be printed.
//!
//! In: named lines of points, names of the axes. Out: one SVG element as text.
//! Points that are not finite break a line. Refused: nothing; without points
//! only the frame is drawn.

use crate::quantity::decimals;
use std::fmt::Write as _;

/// One line of a plot.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Line {
    /// In the key.
    pub(crate) name: String,
    /// (right, up).
    pub(crate) points: Vec<(f64, f64)>,
}

/// A plot with its words.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Plot {
    /// Over the plot.
    pub(crate) title: String,
    /// Under it, with its unit.
    pub(crate) right: String,
    /// Beside it, with its unit.
    pub(crate) up: String,
    /// Each with a pattern of its own, so that a black print will do.
    pub(crate) lines: Vec<Line>,
}

const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 380.0;
const LEFT: f64 = 70.0;
const TOP: f64 = 34.0;
const RIGHT_MARGIN: f64 = 20.0;
const BOTTOM: f64 = 52.0;
/// Colour and dash of each line; the order repeats.
const PENS: [(&str, &str); 5] = [
    ("#1b4f72", ""),
    ("#a04000", "7 4"),
    ("#1d6b3a", "2 3"),
    ("#6c3483", "10 3 2 3"),
    ("#444444", "4 2"),
];

/// Text made safe for XML.
pub(crate) fn xml(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// Round steps over a span: 1, 2 or 5 times a power of ten, about `count` of them.
fn ticks(from: f64, to: f64, count: f64) -> (Vec<f64>, usize) {
    let raw = ((to - from) / count).max(1e-12);
    let power = 10.0_f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|s| *s >= raw * 0.999_999)
        .unwrap_or(raw);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a count of decimals between 0 and 12"
    )]
    let places = (-step.log10().floor()).clamp(0.0, 12.0) as usize;
    let mut at = (from / step).ceil() * step;
    let mut all = Vec::new();
    while at <= to + step * 1e-6 && all.len() < 60 {
        all.push(at);
        at += step;
    }
    (all, places)
}

fn span(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
    for v in values.filter(|v| v.is_finite()) {
        from = from.min(v);
        to = to.max(v);
    }
    if from > to {
        return (0.0, 1.0);
    }
    if to - from < 1e-9 {
        return (from - 0.5, to + 0.5);
    }
    (from, to)
}

impl Plot {
    /// The SVG.
    pub(crate) fn svg(&self) -> String {
        let points = || self.lines.iter().flat_map(|l| l.points.iter());
        let finite = || points().filter(|p| p.0.is_finite() && p.1.is_finite());
        let (x0, x1) = span(finite().map(|p| p.0));
        let (y0, y1) = span(finite().map(|p| p.1));
        let pad = (y1 - y0) * 0.06;
        let (y0, y1) = (y0 - pad, y1 + pad);
        let (w, h) = (WIDTH - LEFT - RIGHT_MARGIN, HEIGHT - TOP - BOTTOM);
        let px = |x: f64| LEFT + (x - x0) / (x1 - x0) * w;
        let py = |y: f64| TOP + (y1 - y) / (y1 - y0) * h;
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" \
             font-family=\"sans-serif\" font-size=\"12\">\n<title>{0}</title>\n\
             <text x=\"{LEFT}\" y=\"20\" font-size=\"14\">{0}</text>\n\
             <rect x=\"{LEFT}\" y=\"{TOP}\" width=\"{w}\" height=\"{h}\" fill=\"none\" stroke=\"#888\"/>\n",
            xml(&self.title),
        );
        let (across, places) = ticks(x0, x1, 8.0);
        for t in across {
            let x = px(t);
            let _ = writeln!(
                svg,
                "<line x1=\"{x:.1}\" y1=\"{TOP}\" x2=\"{x:.1}\" y2=\"{:.1}\" stroke=\"#ddd\"/>\
                 <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
                TOP + h,
                TOP + h + 16.0,
                decimals(t, places),
            );
        }
        let (up, places) = ticks(y0, y1, 6.0);
        for t in up {
            let y = py(t);
            let _ = writeln!(
                svg,
                "<line x1=\"{LEFT}\" y1=\"{y:.1}\" x2=\"{:.1}\" y2=\"{y:.1}\" stroke=\"#ddd\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                LEFT + w,
                LEFT - 6.0,
                y + 4.0,
                decimals(t, places),
            );
        }
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\n\
             <text transform=\"translate(16 {:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
            LEFT + w / 2.0,
            HEIGHT - 14.0,
            xml(&self.right),
            TOP + h / 2.0,
            xml(&self.up),
        );
        let drawn: Vec<Vec<(f64, f64)>> = self
            .lines
            .iter()
            .map(|l| l.points.iter().map(|p| (px(p.0), py(p.1))).collect())
            .collect();
        let (key_x, key_y) = self.key_place(&drawn);
        for (i, line) in self.lines.iter().enumerate() {
            let (colour, dash) = PENS[i % PENS.len()];
            for piece in line
                .points
                .split(|p| !(p.0.is_finite() && p.1.is_finite()))
                .filter(|p| !p.is_empty())
            {
                let at: Vec<_> = piece
                    .iter()
                    .map(|p| format!("{:.1},{:.1}", px(p.0), py(p.1)))
                    .collect();
                let _ = writeln!(
                    svg,
                    "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"1.8\" \
                     stroke-dasharray=\"{dash}\"/>",
                    at.join(" "),
                );
            }
            let y = key_y + 16.0 * i as f64;
            let _ = writeln!(
                svg,
                "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"{colour}\" stroke-width=\"1.8\" \
                 stroke-dasharray=\"{dash}\"/><text x=\"{:.1}\" y=\"{y:.1}\">{}</text>",
                key_x,
                y - 4.0,
                key_x + 30.0,
                y - 4.0,
                key_x + 36.0,
                xml(&line.name),
            );
        }
        svg.push_str("</svg>\n");
        svg
    }

    /// Where the key begins: in the corner in which the lines are least in its way,
    /// the upper left one where that makes no difference.
    fn key_place(&self, drawn: &[Vec<(f64, f64)>]) -> (f64, f64) {
        let letters = self.lines.iter().map(|l| l.name.chars().count()).max();
        let width = 46.0 + 6.5 * letters.unwrap_or(0) as f64;
        let height = 16.0 * self.lines.len() as f64 + 8.0;
        let (left, right) = (LEFT + 10.0, WIDTH - RIGHT_MARGIN - width);
        let (top, bottom) = (TOP + 16.0, HEIGHT - BOTTOM - height + 8.0);
        let in_the_way = |(x, y): (f64, f64)| {
            let inside = |p: (f64, f64)| {
                p.0 >= x - 4.0 && p.0 <= x + width && p.1 >= y - 14.0 && p.1 <= y - 14.0 + height
            };
            drawn
                .iter()
                .flat_map(|line| line.windows(2))
                .flat_map(|ends| {
                    (0..8).map(|k| {
                        let t = f64::from(k) / 8.0;
                        let between = |a: f64, b: f64| a + t * (b - a);
                        (between(ends[0].0, ends[1].0), between(ends[0].1, ends[1].1))
                    })
                })
                .filter(|p| inside(*p))
                .count()
        };
        let corners = [(left, top), (right, top), (left, bottom), (right, bottom)];
        corners
            .into_iter()
            .min_by_key(|corner| in_the_way(*corner))
            .unwrap_or((left, top))
    }
}

/// Plots as one SVG, from top to bottom.
pub(crate) fn above_each_other(plots: &[String]) -> String {
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {}\">\n",
        HEIGHT * plots.len() as f64
    );
    for (i, plot) in plots.iter().enumerate() {
        let y = HEIGHT * i as f64;
        let placed = format!("<svg y=\"{y}\" width=\"{WIDTH}\" height=\"{HEIGHT}\" ");
        svg.push_str(&plot.replacen("<svg ", &placed, 1));
    }
    svg.push_str("</svg>\n");
    svg
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round() {
        let (at, places) = ticks(0.0, 40.0, 8.0);
        assert_eq!((at.len(), places), (9, 0));
        assert!((at[1] - 5.0).abs() < 1e-12);
        let (at, places) = ticks(0.43, 1.02, 6.0);
        assert_eq!(places, 1);
        assert!((at[0] - 0.5).abs() < 1e-12 && at.len() == 6, "{at:?}");
    }

    #[test]
    fn a_plot_stays_in_its_frame_and_breaks_at_gaps() {
        let plot = Plot {
            title: "a < b".to_owned(),
            right: "x".to_owned(),
            up: "y".to_owned(),
            lines: vec![Line {
                name: "one".to_owned(),
                points: vec![
                    (0.0, 1.0),
                    (1.0, 2.0),
                    (2.0, f64::NAN),
                    (3.0, 5.0),
                    (4.0, 4.0),
                ],
            }],
        };
        let svg = plot.svg();
        assert_eq!(svg.matches("<polyline").count(), 2);
        assert!(svg.contains("a &lt; b") && !svg.contains("NaN"));
    }
}
