//! A small picture of a series and its law in braille characters.
//!
//! Comes in: the readings and their fit. Goes out: lines of text. Readings are single dots; the
//! law is a line of dots that goes on for a quarter of the span beyond the last reading.

use std::fmt::Write;

use super::{Series, SettlingFit};

/// How time runs along the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeAxis {
    /// Evenly.
    Real,
    /// By the logarithm: creep is then a straight line.
    Log,
}

/// Character cells of a picture; each has 2 x 4 dots.
struct Canvas {
    columns: usize,
    rows: usize,
    cells: Vec<u8>,
}

/// Bits of a braille cell by row and column (Unicode block 2800).
const BITS: [[u8; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

impl Canvas {
    fn new(columns: usize, rows: usize) -> Self {
        Self {
            columns,
            rows,
            cells: vec![0; columns * rows],
        }
    }

    /// Sets the dot at shares of the width (from the left) and height (from below).
    fn dot(&mut self, x: f64, y: f64) {
        let place = |share: f64, dots: usize| -> Option<usize> {
            if !(0.0..=1.0).contains(&share) {
                return None;
            }
            // Dots are few, and the share is known to be within 0 to 1.
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "0 <= share <= 1"
            )]
            let at = (share * (dots - 1) as f64).round() as usize;
            Some(at)
        };
        let (Some(x), Some(y)) = (place(x, self.columns * 2), place(1.0 - y, self.rows * 4)) else {
            return;
        };
        self.cells[(y / 4) * self.columns + x / 2] |= BITS[y % 4][x % 2];
    }

    fn line(&self, row: usize) -> String {
        self.cells[row * self.columns..(row + 1) * self.columns]
            .iter()
            .filter_map(|&c| char::from_u32(0x2800 + u32::from(c)))
            .collect()
    }
}

/// What is drawn.
#[derive(Debug, Clone)]
pub struct Picture<'a> {
    /// The fit.
    pub found: &'a SettlingFit,
    /// Times in hours and heights, as they are to be drawn.
    pub readings: Vec<(f64, f64)>,
    /// Unit of the labels.
    pub unit: &'static str,
    /// Factor from the fit's own unit to that.
    pub by: f64,
}

/// Draws a series and its fit, `columns` x `rows` characters without the labels. Empty where
/// there is nothing to draw.
pub fn plot(
    series: &Series,
    found: &SettlingFit,
    axis: TimeAxis,
    columns: usize,
    rows: usize,
) -> String {
    let kept = |i: &usize| !found.left_out.iter().any(|w| w.index == *i);
    let readings = (0..series.height_mm.len().min(series.time_h.len()))
        .filter(kept)
        .map(|i| (series.time_h[i], series.height_mm[i]))
        .collect();
    let picture = Picture {
        found,
        readings,
        unit: "mm",
        by: 1.0,
    };
    plot_of(&picture, axis, columns, rows)
}

/// The same for any unit.
pub fn plot_of(picture: &Picture<'_>, axis: TimeAxis, columns: usize, rows: usize) -> String {
    let found = picture.found;
    let (columns, rows) = (columns.max(10), rows.max(3));
    let (first, last) = found.span_h;
    let until = last + 0.25 * (last - first);
    let unit = (last - first) / found.readings.max(2) as f64;
    let along = |t: f64| match axis {
        TimeAxis::Real => (t - first) / (until - first),
        TimeAxis::Log => ((t - first) / unit).ln_1p() / ((until - first) / unit).ln_1p(),
    };
    let back = |share: f64| match axis {
        TimeAxis::Real => first + share * (until - first),
        TimeAxis::Log => first + unit * (share * ((until - first) / unit).ln_1p()).exp_m1(),
    };
    let steps = columns * 2;
    let law: Vec<(f64, f64)> = (0..steps)
        .map(|k| k as f64 / (steps - 1) as f64)
        .filter_map(|share| Some((share, found.height(back(share)).ok()??.value_mm)))
        .collect();
    let readings: Vec<(f64, f64)> = picture
        .readings
        .iter()
        .map(|&(t, h)| (along(t), h))
        .collect();
    let all = || law.iter().chain(&readings).map(|p| p.1);
    let (low, high) = (
        all().fold(f64::INFINITY, f64::min),
        all().fold(f64::NEG_INFINITY, f64::max),
    );
    if !(low.is_finite() && high.is_finite()) {
        return String::new();
    }
    // A series without any change is drawn in the middle of a tenth of a millimetre.
    let (low, high) = if high - low < 0.1 {
        let middle = f64::midpoint(low, high);
        (middle - 0.05, middle + 0.05)
    } else {
        (low, high)
    };
    let mut canvas = Canvas::new(columns, rows);
    for (x, y) in law.into_iter().chain(readings) {
        canvas.dot(x, (y - low) / (high - low));
    }
    let label_of = |value: f64| format!("{:.2} {}", value * picture.by, picture.unit);
    let mut text = String::new();
    for row in 0..rows {
        let label = match row {
            0 => label_of(high),
            r if r + 1 == rows => label_of(low),
            _ => String::new(),
        };
        let _ = writeln!(text, "{label:>12} │{}", canvas.line(row));
    }
    let scale = match axis {
        TimeAxis::Real => "time",
        TimeAxis::Log => "log time",
    };
    let left = format!("{first:.1} h");
    let right = format!("{until:.1} h ({scale})");
    let _ = writeln!(
        text,
        "{:>12} └{left}{right:>width$}",
        "",
        width = columns.saturating_sub(left.len())
    );
    text
}
