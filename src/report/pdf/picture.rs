//! The report's own SVG as strokes of a page.
//!
//! In: SVG with lines, outlines, circles, boxes and texts, as the report draws
//! them. Out: strokes. Refused: nothing; what it does not know is left out.
//! A transparent colour is mixed with the white of the paper.

use super::blocks::plain;
use super::letters;
use pdf_writer::{Content, Name, Str};

/// A point to draw a circle's quarter with.
///
/// Source: the usual four-part approximation, 4/3 (sqrt 2 - 1).
const QUARTER: f64 = 0.552_284_75;

/// Where on the page a picture goes: its upper left corner and its width, points.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) width: f64,
    /// Texts at least this large, points on paper.
    pub(super) least_text: f64,
}

/// An element's attributes.
struct Attributes<'a>(&'a str);

impl<'a> Attributes<'a> {
    fn text(&self, name: &str) -> Option<&'a str> {
        let mut rest = self.0;
        let wanted = format!("{name}=\"");
        loop {
            let at = rest.find(&wanted)?;
            let before = rest[..at].chars().next_back();
            let value = &rest[at + wanted.len()..];
            if before.is_none_or(char::is_whitespace) {
                return value.split('"').next();
            }
            rest = value;
        }
    }

    fn number(&self, name: &str) -> f64 {
        self.text(name)
            .and_then(|t| t.trim().parse().ok())
            .unwrap_or(0.0)
    }

    fn points(&self) -> Vec<(f64, f64)> {
        let numbers: Vec<f64> = self
            .text("points")
            .unwrap_or_default()
            .split([',', ' '])
            .filter_map(|t| t.parse().ok())
            .collect();
        numbers.chunks_exact(2).map(|p| (p[0], p[1])).collect()
    }

    /// Red, green, blue over the paper; none for none.
    fn colour(&self, name: &str, usual: Option<[f64; 3]>) -> Option<[f64; 3]> {
        let colour = match self.text(name) {
            None => usual,
            Some("none") => None,
            Some("currentColor") => Some([0.086, 0.141, 0.169]),
            Some(hex) => Some(of_hex(hex)),
        }?;
        let share = self
            .text(&format!("{name}-opacity"))
            .and_then(|t| t.parse().ok())
            .unwrap_or(1.0);
        Some(colour.map(|c| 1.0 - share * (1.0 - c)))
    }
}

fn of_hex(text: &str) -> [f64; 3] {
    let digits: Vec<f64> = text
        .trim_start_matches('#')
        .chars()
        .filter_map(|c| c.to_digit(16))
        .map(f64::from)
        .collect();
    match digits.as_slice() {
        [r, g, b] => [r, g, b].map(|d| d / 15.0),
        [r, s, g, h, b, c] => [(r, s), (g, h), (b, c)].map(|(x, y)| (x * 16.0 + y) / 255.0),
        _ => [0.0; 3],
    }
}

/// How high a picture is at a width.
pub(super) fn height(svg: &str, width: f64) -> f64 {
    let [_, _, w, h] = view_box(svg);
    width * h / w
}

fn view_box(svg: &str) -> [f64; 4] {
    let head = svg.split('>').next().unwrap_or_default();
    let numbers: Vec<f64> = Attributes(head)
        .text("viewBox")
        .unwrap_or_default()
        .split_whitespace()
        .filter_map(|t| t.parse().ok())
        .collect();
    match numbers.as_slice() {
        [a, b, w, h] if *w > 0.0 && *h > 0.0 => [*a, *b, *w, *h],
        _ => [0.0, 0.0, 100.0, 1.0],
    }
}

#[allow(
    clippy::cast_possible_truncation,
    reason = "a page is written in single precision"
)]
pub(super) const fn f(x: f64) -> f32 {
    x as f32
}

/// Draws it.
pub(super) fn draw(svg: &str, place: Place, to: &mut Content) {
    let [x0, y0, w, _] = view_box(svg);
    let scale = place.width / w;
    let head = svg.split('>').next().unwrap_or_default();
    let usual_size = Attributes(head)
        .text("font-size")
        .and_then(|t| t.parse().ok())
        .unwrap_or(12.0);
    let draft = Draft {
        place,
        x0,
        y0,
        scale,
        usual_size,
    };
    let mut rest = svg.get(head.len() + 1..).unwrap_or_default();
    while let Some(at) = rest.find('<') {
        rest = &rest[at + 1..];
        let end = rest.find('>').unwrap_or(rest.len());
        let (inside, after) = (&rest[..end], rest.get(end + 1..).unwrap_or_default());
        let (name, attributes) = inside
            .split_once(char::is_whitespace)
            .unwrap_or((inside, ""));
        let attributes = Attributes(attributes.trim_end_matches('/'));
        match name {
            "line" | "polygon" | "polyline" | "circle" | "rect" | "path" => {
                draft.shape(name, &attributes, to);
            }
            "text" => {
                let words = after.split('<').next().unwrap_or_default();
                draft.text(&attributes, &plain(words), to);
            }
            _ => {}
        }
        rest = after;
    }
}

struct Draft {
    place: Place,
    x0: f64,
    y0: f64,
    scale: f64,
    usual_size: f64,
}

impl Draft {
    fn at(&self, (x, y): (f64, f64)) -> (f32, f32) {
        (
            f(self.place.left + (x - self.x0) * self.scale),
            f(self.place.top - (y - self.y0) * self.scale),
        )
    }

    fn shape(&self, name: &str, a: &Attributes<'_>, to: &mut Content) {
        let black = Some([0.0; 3]);
        let fill = if name == "line" {
            None
        } else {
            a.colour("fill", black)
        };
        let stroke = a.colour("stroke", None);
        let width = a
            .text("stroke-width")
            .and_then(|t| t.parse::<f64>().ok())
            .unwrap_or(1.0);
        let stroke = stroke.filter(|_| width > 0.0);
        if fill.is_none() && stroke.is_none() {
            return;
        }
        to.save_state();
        if let Some([r, g, b]) = fill {
            to.set_fill_rgb(f(r), f(g), f(b));
        }
        if let Some([r, g, b]) = stroke {
            to.set_stroke_rgb(f(r), f(g), f(b));
            to.set_line_width(f(width * self.scale));
            to.set_line_join(pdf_writer::types::LineJoinStyle::RoundJoin);
            let dashes: Vec<f32> = a
                .text("stroke-dasharray")
                .unwrap_or_default()
                .split([' ', ','])
                .filter_map(|t| t.parse::<f64>().ok())
                .map(|d| f(d * self.scale))
                .collect();
            to.set_dash_pattern(dashes, 0.0);
        }
        match name {
            "line" => {
                self.outline(
                    &[
                        (a.number("x1"), a.number("y1")),
                        (a.number("x2"), a.number("y2")),
                    ],
                    false,
                    to,
                );
            }
            "polygon" => self.outline(&a.points(), true, to),
            "polyline" => self.outline(&a.points(), false, to),
            "circle" => {
                let r = a.number("r");
                let (cx, cy) = (a.number("cx"), a.number("cy"));
                self.round((cx - r, cy - r), (2.0 * r, 2.0 * r), r, 0.0, to);
            }
            "rect" => {
                let size = (a.number("width"), a.number("height"));
                let turn = a
                    .text("transform")
                    .and_then(|t| t.strip_prefix("rotate("))
                    .and_then(|t| t.split_whitespace().next())
                    .and_then(|t| t.parse().ok())
                    .unwrap_or(0.0);
                self.round(
                    (a.number("x"), a.number("y")),
                    size,
                    a.number("rx"),
                    turn,
                    to,
                );
            }
            _ => self.outline(&diamond(a.text("d").unwrap_or_default()), true, to),
        }
        match (fill, stroke) {
            (Some(_), Some(_)) => to.fill_nonzero_and_stroke(),
            (Some(_), None) => to.fill_nonzero(),
            _ => to.stroke(),
        };
        to.restore_state();
    }

    fn outline(&self, points: &[(f64, f64)], closed: bool, to: &mut Content) {
        for (i, p) in points.iter().enumerate() {
            let (x, y) = self.at(*p);
            if i == 0 {
                to.move_to(x, y);
            } else {
                to.line_to(x, y);
            }
        }
        if closed && !points.is_empty() {
            to.close_path();
        }
        if points.is_empty() {
            to.move_to(0.0, 0.0);
        }
    }

    /// A box with round corners, turned about its middle; with corners of half its
    /// size a circle.
    fn round(
        &self,
        (x, y): (f64, f64),
        (w, h): (f64, f64),
        r: f64,
        turn_deg: f64,
        to: &mut Content,
    ) {
        let r = r.min(w / 2.0).min(h / 2.0).max(0.0);
        let (mx, my) = (x + w / 2.0, y + h / 2.0);
        let (sin, cos) = turn_deg.to_radians().sin_cos();
        let at = |px: f64, py: f64| {
            let (dx, dy) = (px - mx, py - my);
            self.at((mx + dx * cos - dy * sin, my + dx * sin + dy * cos))
        };
        let k = r * (1.0 - QUARTER);
        let (right, bottom) = (x + w, y + h);
        let (sx, sy) = at(x + r, y);
        to.move_to(sx, sy);
        let sides = [
            [
                (right - r, y),
                (right - k, y),
                (right, y + k),
                (right, y + r),
            ],
            [
                (right, bottom - r),
                (right, bottom - k),
                (right - k, bottom),
                (right - r, bottom),
            ],
            [
                (x + r, bottom),
                (x + k, bottom),
                (x, bottom - k),
                (x, bottom - r),
            ],
            [(x, y + r), (x, y + k), (x + k, y), (x + r, y)],
        ];
        for side in sides {
            let [from, one, two, end] = side.map(|(px, py)| at(px, py));
            to.line_to(from.0, from.1);
            if r > 0.0 {
                to.cubic_to(one.0, one.1, two.0, two.1, end.0, end.1);
            }
        }
        to.close_path();
    }

    fn text(&self, a: &Attributes<'_>, words: &str, to: &mut Content) {
        let size = a
            .text("font-size")
            .and_then(|t| t.parse().ok())
            .unwrap_or(self.usual_size);
        let size = (size * self.scale).max(self.place.least_text);
        let bold = a
            .text("font-weight")
            .is_some_and(|w| w == "600" || w == "700");
        let width = letters::width(words, bold, size);
        let back = match a.text("text-anchor") {
            Some("middle") => width / 2.0,
            Some("end") => width,
            _ => 0.0,
        };
        let transform = a.text("transform").unwrap_or_default();
        let upright = transform.contains("rotate(-90");
        let moved: Vec<f64> = transform
            .strip_prefix("translate(")
            .and_then(|t| t.split(')').next())
            .unwrap_or_default()
            .split([' ', ','])
            .filter_map(|t| t.parse().ok())
            .collect();
        let (x, y) = match moved.as_slice() {
            [x, y] => self.at((*x, *y)),
            _ => self.at((a.number("x"), a.number("y"))),
        };
        let [r, g, b] = a
            .colour("fill", Some([0.086, 0.141, 0.169]))
            .unwrap_or([0.0; 3]);
        to.begin_text();
        to.set_fill_rgb(f(r), f(g), f(b));
        to.set_font(Name(if bold { b"B" } else { b"R" }), f(size));
        let matrix = if upright {
            [0.0, 1.0, -1.0, 0.0, x, y - f(back)]
        } else {
            [1.0, 0.0, 0.0, 1.0, x - f(back), y]
        };
        to.set_text_matrix(matrix);
        to.show(Str(&letters::bytes(words)));
        to.end_text();
    }
}

/// The one path that the report draws: a start and steps from there.
fn diamond(d: &str) -> Vec<(f64, f64)> {
    let mut all: Vec<(f64, f64)> = Vec::new();
    for step in d.trim_start_matches('M').trim_end_matches('z').split('l') {
        let step = step.replace('-', " -");
        let numbers: Vec<f64> = step
            .split_whitespace()
            .filter_map(|t| t.parse().ok())
            .collect();
        if let [x, y] = numbers.as_slice() {
            let (fx, fy) = all.last().copied().unwrap_or((0.0, 0.0));
            all.push((fx + x, fy + y));
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn attributes_colours_and_paths_are_read() {
        let a = Attributes(
            " x1=\"1.5\" x=\"7\" fill=\"#fff\" stroke=\"#000000\" stroke-opacity=\"0.5\"",
        );
        assert!((a.number("x") - 7.0).abs() < 1e-12 && (a.number("x1") - 1.5).abs() < 1e-12);
        assert_eq!(a.colour("fill", None), Some([1.0; 3]));
        assert_eq!(a.colour("stroke", None), Some([0.5; 3]));
        assert_eq!(
            diamond("M10.0 5.0l4 4l-4 4l-4 -4z"),
            [(10.0, 5.0), (14.0, 9.0), (10.0, 13.0), (6.0, 9.0)]
        );
        assert!((height("<svg viewBox=\"0 0 200 100\">", 50.0) - 25.0).abs() < 1e-12);
    }
}
