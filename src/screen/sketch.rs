//! Line drawings out of braille dots, two across and four down in each cell.
//!
//! In: lines in metres and the box they lie in. Out: cells on a pane, to
//! scale and upright. Refused: lines with an end that is not finite.
//!
//! A dot is taken to be square: terminal cells are about twice as tall as
//! wide.

use ratatui::style::Style;

use super::pane::Pane;

/// A corner or an end: across to the right and up, metres.
pub(super) type Dot = [f64; 2];

/// The box that a drawing lies in.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bounds {
    low: Dot,
    high: Dot,
}

impl Bounds {
    /// The smallest box round all finite points; none without an extent.
    pub(super) fn round(points: impl Iterator<Item = Dot>) -> Option<Self> {
        let mut bounds = Self {
            low: [f64::INFINITY; 2],
            high: [f64::NEG_INFINITY; 2],
        };
        for point in points.filter(|p| p.iter().all(|v| v.is_finite())) {
            for (axis, value) in point.into_iter().enumerate() {
                bounds.low[axis] = bounds.low[axis].min(value);
                bounds.high[axis] = bounds.high[axis].max(value);
            }
        }
        let span = |axis: usize| bounds.high[axis] - bounds.low[axis];
        // A vehicle of a kilometre is a fault upstream; nothing to draw.
        ((0..2).all(|axis| (0.0..1e3).contains(&span(axis))) && span(0).max(span(1)) > 1e-6)
            .then_some(bounds)
    }

    /// The lower left and the upper right corner.
    pub(super) const fn corners(self) -> [Dot; 2] {
        [self.low, self.high]
    }
}

/// A grid of dots over some cells.
#[derive(Debug)]
pub(super) struct Sketch {
    columns: u16,
    rows: u16,
    cells: Vec<(u8, Style)>,
    bounds: Bounds,
    dots_per_m: f64,
}

impl Sketch {
    /// An empty drawing of `bounds`, as large as fits and in the middle.
    pub(super) fn new(columns: u16, rows: u16, bounds: Bounds) -> Self {
        let span = |axis: usize| (bounds.high[axis] - bounds.low[axis]).max(1e-6);
        let dots_per_m = ((f64::from(columns) * 2.0).max(2.0) - 1.0) / span(0);
        let dots_per_m = dots_per_m.min(((f64::from(rows) * 4.0).max(2.0) - 1.0) / span(1));
        Self {
            columns,
            rows,
            cells: vec![(0, Style::new()); usize::from(columns) * usize::from(rows)],
            bounds,
            dots_per_m,
        }
    }

    /// The dot nearest to a point, counted from the upper left.
    fn place(&self, [across, up]: Dot) -> [f64; 2] {
        let middle = |axis: usize| f64::midpoint(self.bounds.low[axis], self.bounds.high[axis]);
        [
            f64::from(self.columns) - 0.5 + (across - middle(0)) * self.dots_per_m,
            f64::from(self.rows) * 2.0 - 0.5 + (middle(1) - up) * self.dots_per_m,
        ]
    }

    /// The cell that holds a point, where it is inside.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked to be within the grid before"
    )]
    pub(super) fn cell(&self, point: Dot) -> Option<(u16, u16)> {
        let [x, y] = self.place(point).map(f64::round);
        let inside = (0.0..f64::from(self.columns) * 2.0).contains(&x)
            && (0.0..f64::from(self.rows) * 4.0).contains(&y);
        inside.then_some((x as u16 / 2, y as u16 / 4))
    }

    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked to be within the grid before"
    )]
    fn ink(&mut self, x: f64, y: f64, style: Style) {
        let (x, y) = (x.round(), y.round());
        if !(0.0..f64::from(self.columns) * 2.0).contains(&x)
            || !(0.0..f64::from(self.rows) * 4.0).contains(&y)
        {
            return;
        }
        let (x, y) = (x as usize, y as usize);
        // The order of the eight dots in U+2800 to U+28FF (Unicode, Braille Patterns).
        let bit = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]][y % 4][x % 2];
        if let Some(cell) = self
            .cells
            .get_mut(y / 4 * usize::from(self.columns) + x / 2)
        {
            cell.0 |= bit;
            cell.1 = style;
        }
    }

    /// A straight line.
    pub(super) fn line(&mut self, from: Dot, to: Dot, style: Style) {
        self.line_thick(from, to, 1, style);
    }

    /// A line of `thick` dots, the further ones above the first.
    pub(super) fn line_thick(&mut self, from: Dot, to: Dot, thick: u16, style: Style) {
        let (a, b) = (self.place(from), self.place(to));
        if !a.iter().chain(&b).all(|v| v.is_finite()) {
            return;
        }
        let longest = (b[0] - a[0]).abs().max((b[1] - a[1]).abs());
        let steps = longest.ceil().clamp(1.0, 4096.0);
        let mut step = 0.0;
        while step <= steps {
            let share = step / steps;
            let (x, y) = (a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share);
            for row in 0..thick {
                self.ink(x, y - f64::from(row), style);
            }
            step += 1.0;
        }
    }

    /// A tube between two points, `half_width` metres either side of them; one
    /// line of two dots where the drawing is too small for that.
    pub(super) fn tube(&mut self, from: Dot, to: Dot, half_width: f64, style: Style) {
        if half_width * self.dots_per_m < 1.5 {
            self.line_thick(from, to, 2, style);
            return;
        }
        let along = [to[0] - from[0], to[1] - from[1]];
        let long = along[0].hypot(along[1]).max(1e-9);
        let side = [-along[1] / long * half_width, along[0] / long * half_width];
        let shifted = |point: Dot, way: f64| [point[0] + side[0] * way, point[1] + side[1] * way];
        let corners = [
            shifted(from, 1.0),
            shifted(to, 1.0),
            shifted(to, -1.0),
            shifted(from, -1.0),
        ];
        self.outline(&corners, style);
    }

    /// A closed outline.
    pub(super) fn outline(&mut self, points: &[Dot], style: Style) {
        for (index, &from) in points.iter().enumerate() {
            self.line(from, points[(index + 1) % points.len()], style);
        }
    }

    /// Puts the drawing on a pane.
    pub(super) fn paint(&self, pane: &mut Pane<'_>) {
        for row in 0..self.rows {
            for column in 0..self.columns {
                let at = usize::from(row) * usize::from(self.columns) + usize::from(column);
                if let Some(&(dots, style)) = self.cells.get(at)
                    && dots != 0
                    && let Some(letter) = char::from_u32(0x2800 + u32::from(dots))
                {
                    pane.set(column, row, letter, style);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]
    use ratatui::buffer::Buffer;
    use ratatui::layout::Rect;

    use super::super::pane::Ink;
    use super::*;

    #[test]
    fn a_box_is_drawn_round_its_cells() {
        let corners = [[0.0, 0.0], [7.0, 0.0], [7.0, 7.0], [0.0, 7.0]];
        let mut sketch = Sketch::new(4, 2, Bounds::round(corners.into_iter()).unwrap());
        sketch.outline(&corners, Style::new());
        let mut buffer = Buffer::empty(Rect::new(0, 0, 4, 2));
        sketch.paint(&mut Pane::new(
            &mut buffer,
            Rect::new(0, 0, 4, 2),
            Ink::Plain,
        ));
        assert_eq!(buffer, Buffer::with_lines(["⡏⠉⠉⢹", "⣇⣀⣀⣸"]));
        assert_eq!(sketch.cell([0.0, 0.0]), Some((0, 1)));
        assert_eq!(sketch.cell([7.0, 7.0]), Some((3, 0)));
    }

    #[test]
    fn nothing_to_draw_without_extent_or_with_a_monstrous_one() {
        assert!(Bounds::round([[1.0, 1.0]].into_iter()).is_none());
        assert!(Bounds::round([[f64::NAN, 1.0]].into_iter()).is_none());
        assert!(Bounds::round([[0.0, 0.0], [1e300, 1.0]].into_iter()).is_none());
    }
}
