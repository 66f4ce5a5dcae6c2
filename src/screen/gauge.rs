//! A gauge: where something stands between now and its target.
//!
//! In: value, interval, target and tolerance. Out: one row of cells with the
//! target in the middle, the tolerance as a double line, the interval as a
//! heavy line and the value as a dot; off the scale the dot becomes an arrow.
//! Refused: values that are not finite leave the scale without a dot.

use super::pane::Pane;
use super::view::Verdict;

/// What a gauge shows, all in one unit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reading {
    pub(super) value: f64,
    pub(super) half_width: f64,
    pub(super) aim: f64,
    pub(super) tolerance: f64,
    pub(super) verdict: Verdict,
}

impl Reading {
    /// Inside, outside or cannot tell, by the interval against the tolerance.
    pub(super) fn judge(value: f64, half: Option<f64>, aim: f64, tolerance: f64) -> Verdict {
        let off = (value - aim).abs();
        match half.filter(|h| h.is_finite()) {
            Some(half) if off + half <= tolerance => Verdict::Inside,
            Some(half) if off - half > tolerance => Verdict::Outside,
            _ => Verdict::CannotTell,
        }
    }
}

/// Draws over `columns` cells from (`left`, `top`).
pub(super) fn draw(pane: &mut Pane<'_>, left: u16, top: u16, columns: u16, reading: &Reading) {
    if columns < 5 {
        return;
    }
    // An odd number has a middle.
    let columns = (columns - 1) / 2 * 2 + 1;
    let middle = f64::from(columns / 2);
    let tolerance = reading.tolerance.abs();
    let off = reading.value - reading.aim;
    // Four tolerances either way; without a tolerance, as far as it takes.
    let reach = if tolerance > 0.0 {
        tolerance * 4.0
    } else {
        (off.abs() + reading.half_width.abs()).max(f64::MIN_POSITIVE) * 1.25
    };
    let faint = pane.ink.faint();
    let text = pane.ink.text();
    let style = pane.ink.verdict(reading.verdict);
    for column in 0..columns {
        let here = (f64::from(column) - middle) / middle * reach;
        let step = reach / middle;
        let in_band = here.abs() <= tolerance + step * 0.01;
        let in_interval = (here - off).abs() <= reading.half_width.abs();
        let letter = match (column == columns / 2, in_interval, in_band) {
            (true, _, _) => '┼',
            (_, true, _) => '━',
            (_, _, true) => '═',
            _ => '─',
        };
        let style = if in_interval && column != columns / 2 {
            style
        } else if in_band {
            text
        } else {
            faint
        };
        pane.set(left + column, top, letter, style);
    }
    if !off.is_finite() || !reach.is_finite() {
        return;
    }
    let (column, letter) = if off < -reach {
        (0.0, '◄')
    } else if off > reach {
        (f64::from(columns - 1), '►')
    } else {
        ((middle + off / reach * middle).round(), '●')
    };
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "within the columns by the comparison above"
    )]
    let column = column.clamp(0.0, f64::from(columns - 1)) as u16;
    pane.set(left + column, top, letter, style);
}

#[cfg(test)]
mod tests {
    use ratatui::buffer::Buffer;
    use ratatui::layout::Rect;

    use super::super::pane::Ink;
    use super::*;

    fn row(value: f64) -> String {
        let area = Rect::new(0, 0, 17, 1);
        let mut buffer = Buffer::empty(area);
        let reading = Reading {
            value,
            half_width: 0.0,
            aim: 10.0,
            tolerance: 1.0,
            verdict: Verdict::Inside,
        };
        draw(
            &mut Pane::new(&mut buffer, area, Ink::Plain),
            0,
            0,
            17,
            &reading,
        );
        buffer
            .content()
            .iter()
            .map(ratatui::buffer::Cell::symbol)
            .collect()
    }

    #[test]
    fn the_dot_goes_where_the_value_is() {
        assert_eq!(row(10.0), "──────══●══──────");
        assert_eq!(row(12.0), "──────══┼══─●────");
        assert_eq!(row(15.0), "──────══┼══─────►");
        assert_eq!(row(-90.0), "◄─────══┼══──────");
        assert_eq!(row(f64::NAN), "──────══┼══──────");
    }

    #[test]
    fn the_interval_decides() {
        assert_eq!(Reading::judge(1.0, Some(0.5), 0.0, 2.0), Verdict::Inside);
        assert_eq!(
            Reading::judge(1.8, Some(0.5), 0.0, 2.0),
            Verdict::CannotTell
        );
        assert_eq!(Reading::judge(2.6, Some(0.5), 0.0, 2.0), Verdict::Outside);
        assert_eq!(Reading::judge(0.0, None, 0.0, 2.0), Verdict::CannotTell);
    }
}
