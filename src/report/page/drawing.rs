//! A sheet of drawing paper to scale: lines, circles, text, as SVG.
//!
//! In: places in metres of the vehicle. Out: one SVG element. Four units of the
//! picture are a millimetre of paper at full width.

use super::super::layout_plot::xml;
use std::fmt::Write as _;

/// Width of every picture, in its own units: 180 mm of paper.
pub(super) const WIDTH: f64 = 720.0;
/// Units of the picture in a millimetre of paper.
const UNITS_PER_MM: f64 = 4.0;
/// Scales that a drawing may have: one to so many.
const SCALES: [f64; 9] = [5.0, 8.0, 10.0, 12.5, 15.0, 20.0, 25.0, 30.0, 40.0];

pub(super) const INK: &str = "#16242b";
pub(super) const SOFT: &str = "#55666e";
pub(super) const STEEL: &str = "#235a70";
pub(super) const RUST: &str = "#9c3d12";

/// The largest scale at which a length fits into a width of paper (picture units).
pub(super) fn scale_for(length_m: f64, width: f64) -> f64 {
    SCALES
        .into_iter()
        .find(|one_to| length_m * 1e3 / one_to * UNITS_PER_MM <= width)
        .unwrap_or(60.0)
}

/// Picture units in a metre at a scale.
pub(super) fn units_per_m(one_to: f64) -> f64 {
    1e3 / one_to * UNITS_PER_MM
}

/// A pen: colour, width, dashes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pen {
    pub(super) colour: &'static str,
    pub(super) width: f64,
    pub(super) dash: &'static str,
}

pub(super) const OUTLINE: Pen = Pen {
    colour: INK,
    width: 1.4,
    dash: "",
};
pub(super) const THICK: Pen = Pen {
    colour: INK,
    width: 3.2,
    dash: "",
};
pub(super) const THIN: Pen = Pen {
    colour: SOFT,
    width: 0.7,
    dash: "",
};
pub(super) const CENTRE: Pen = Pen {
    colour: SOFT,
    width: 0.6,
    dash: "12 3 2 3",
};
pub(super) const TARGET: Pen = Pen {
    colour: RUST,
    width: 1.3,
    dash: "5 3",
};
pub(super) const SPRING: Pen = Pen {
    colour: STEEL,
    width: 1.5,
    dash: "",
};

/// Where a text is anchored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

impl Anchor {
    const fn word(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Middle => "middle",
            Self::End => "end",
        }
    }
}

/// The paper.
#[derive(Debug, Default)]
pub(super) struct Paper {
    content: String,
}

type At = (f64, f64);

impl Paper {
    pub(super) fn line(&mut self, a: At, b: At, pen: Pen) {
        let _ = write!(
            self.content,
            "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"{}\" stroke-width=\"{}\" stroke-dasharray=\"{}\" stroke-linecap=\"round\"/>",
            a.0, a.1, b.0, b.1, pen.colour, pen.width, pen.dash
        );
    }

    /// A closed outline, filled.
    pub(super) fn area(&mut self, points: &[At], fill: &str, pen: Pen) {
        let at: Vec<String> = points
            .iter()
            .map(|p| format!("{:.1},{:.1}", p.0, p.1))
            .collect();
        let _ = write!(
            self.content,
            "<polygon points=\"{}\" fill=\"{fill}\" stroke=\"{}\" stroke-width=\"{}\" stroke-linejoin=\"round\"/>",
            at.join(" "),
            pen.colour,
            pen.width
        );
    }

    pub(super) fn circle(&mut self, at: At, r: f64, fill: &str, pen: Pen) {
        let _ = write!(
            self.content,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"{r:.1}\" fill=\"{fill}\" stroke=\"{}\" stroke-width=\"{}\"/>",
            at.0, at.1, pen.colour, pen.width
        );
    }

    /// A box with round corners about a middle, turned (degrees, clockwise on paper).
    pub(super) fn round_box(&mut self, at: At, size: At, radius: f64, turn_deg: f64, fill: &str) {
        let _ = write!(
            self.content,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" rx=\"{radius}\" fill=\"{fill}\" stroke=\"{INK}\" stroke-width=\"1.4\" transform=\"rotate({turn_deg:.3} {:.1} {:.1})\"/>",
            at.0 - size.0 / 2.0,
            at.1 - size.1 / 2.0,
            size.0,
            size.1,
            at.0,
            at.1
        );
    }

    pub(super) fn text(
        &mut self,
        at: At,
        anchor: Anchor,
        size: f64,
        colour: &str,
        bold: bool,
        text: &str,
    ) {
        let weight = if bold { "600" } else { "400" };
        let _ = write!(
            self.content,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{}\" font-size=\"{size}\" font-weight=\"{weight}\" fill=\"{colour}\">{}</text>",
            at.0,
            at.1,
            anchor.word(),
            xml(text)
        );
    }

    /// A coil spring round its unit, from eye to eye.
    pub(super) fn coilover(&mut self, a: At, b: At, radius: f64) {
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length = dx.hypot(dy);
        if length < 1.0 {
            self.circle(a, radius, "#fff", SPRING);
            return;
        }
        let (ux, uy) = (dx / length, dy / length);
        let on = |t: f64, across: f64| (a.0 + dx * t - uy * across, a.1 + dy * t + ux * across);
        self.line(
            a,
            b,
            Pen {
                width: 1.0,
                ..SPRING
            },
        );
        let coils = 7;
        let mut path = String::new();
        for i in 0..=coils * 2 {
            let t = 0.16 + 0.68 * f64::from(i) / f64::from(coils * 2);
            let p = on(t, if i % 2 == 0 { radius } else { -radius });
            let _ = write!(path, "{:.1},{:.1} ", p.0, p.1);
        }
        let _ = write!(
            self.content,
            "<polyline points=\"{path}\" fill=\"none\" stroke=\"{STEEL}\" stroke-width=\"1.4\" stroke-linejoin=\"round\"/>"
        );
        for t in [0.14, 0.86] {
            self.line(
                on(t, radius * 1.15),
                on(t, -radius * 1.15),
                Pen {
                    width: 2.0,
                    ..SPRING
                },
            );
        }
        for end in [a, b] {
            self.circle(end, 2.6, "#fff", SPRING);
        }
    }

    /// The floor with its hatching.
    pub(super) fn floor(&mut self, from: f64, to: f64, y: f64) {
        self.line((from, y), (to, y), OUTLINE);
        let mut x = from + 4.0;
        while x < to {
            self.line((x, y), (x - 5.0, y + 5.0), Pen { width: 0.5, ..THIN });
            x += 9.0;
        }
    }

    /// A dimension upright from the floor: arrows at both ends.
    pub(super) fn upright(&mut self, x: f64, floor: f64, top: f64) {
        self.line((x, floor), (x, top), THIN);
        for (y, way) in [(floor, -1.0), (top, 1.0)] {
            self.area(
                &[(x, y), (x - 2.2, y + way * 6.0), (x + 2.2, y + way * 6.0)],
                SOFT,
                THIN,
            );
        }
    }

    /// A bar of a known length: right at whatever size the drawing is printed.
    pub(super) fn scale_bar(&mut self, at: At, one_to: f64) {
        let half = units_per_m(one_to) * 0.25;
        for i in 0..2 {
            let x = at.0 + half * f64::from(i);
            let fill = if i == 0 { INK } else { "#fff" };
            self.area(
                &[
                    (x, at.1),
                    (x + half, at.1),
                    (x + half, at.1 + 4.0),
                    (x, at.1 + 4.0),
                ],
                fill,
                Pen {
                    width: 0.7,
                    ..OUTLINE
                },
            );
        }
        self.text(
            (at.0 + 2.0 * half + 6.0, at.1 + 5.0),
            Anchor::Start,
            10.0,
            SOFT,
            false,
            "500 mm",
        );
    }

    /// The picture with its name and what it shows in words.
    pub(super) fn finish(self, height: f64, title: &str, words: &str) -> String {
        format!(
            "<svg viewBox=\"0 0 {WIDTH} {height:.0}\" role=\"img\"><title>{}</title><desc>{}</desc>{}</svg>",
            xml(title),
            xml(words),
            self.content
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 3 m at 1 : 20 are 150 mm of paper, 600 units.
    #[test]
    fn scales_are_round_and_fit() {
        assert!((scale_for(3.0, 660.0) - 20.0).abs() < 1e-12);
        assert!((units_per_m(20.0) * 3.0 - 600.0).abs() < 1e-9);
        assert!((scale_for(3.4, 660.0) - 25.0).abs() < 1e-12);
    }

    #[test]
    fn text_is_escaped() {
        let mut paper = Paper::default();
        paper.text((0.0, 0.0), Anchor::Start, 9.0, INK, true, "<script>\"&");
        let svg = paper.finish(10.0, "a<b", "c&d");
        assert!(!svg.contains("<script"), "{svg}");
        assert!(svg.contains("<title>a&lt;b</title><desc>c&amp;d</desc>"));
    }
}
