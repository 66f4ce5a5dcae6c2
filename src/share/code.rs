//! The address as a QR code, drawn with half blocks.
//!
//! In: a text. Out: rows of a terminal, two modules high each, dark modules as
//! ink. Refused: a text that is too long for any code.

use qrcode::{Color, EcLevel, QrCode};

/// Light modules around the code. The standard asks for four; readers do with
/// two, and a terminal of 24 rows has no more. Chosen.
const QUIET: usize = 2;

/// A QR code: which modules are dark, the quiet zone included.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Code {
    width: usize,
    dark: Vec<bool>,
}

/// The code of a text.
pub fn code_of(text: &str) -> Option<Code> {
    let code = QrCode::with_error_correction_level(text, EcLevel::L).ok()?;
    let inner = code.width();
    let colours = code.to_colors();
    let width = inner + 2 * QUIET;
    let mut dark = vec![false; width * width];
    for (i, colour) in colours.iter().enumerate() {
        let (x, y) = (i % inner + QUIET, i / inner + QUIET);
        dark[y * width + x] = *colour == Color::Dark;
    }
    Some(Code { width, dark })
}

impl Code {
    fn is_dark(&self, x: usize, y: usize) -> bool {
        self.dark.get(y * self.width + x).copied().unwrap_or(false) && x < self.width
    }

    /// Rows to be written dark on light; with `light`, light on dark, for a
    /// terminal whose ground is dark.
    pub fn rows(&self, light: bool) -> Vec<String> {
        (0..self.width.div_ceil(2))
            .map(|row| {
                (0..self.width)
                    .map(|x| {
                        let ink = |y: usize| {
                            let below_the_end = y >= self.width;
                            self.is_dark(x, y) != light && !(below_the_end && light)
                        };
                        match (ink(2 * row), ink(2 * row + 1)) {
                            (true, true) => '█',
                            (true, false) => '▀',
                            (false, true) => '▄',
                            (false, false) => ' ',
                        }
                    })
                    .collect()
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;

    /// Source: ISO/IEC 18004, version 1 has 21 modules a side and a 7 x 7 finder
    /// pattern in three corners; from memory.
    #[test]
    fn the_finder_patterns_are_where_they_should_be() {
        let code = code_of("HELLO").unwrap();
        assert_eq!(code.width, 21 + 2 * QUIET);
        for (x, y) in [(0, 0), (14, 0), (0, 14)] {
            let at = |dx: usize, dy: usize| code.is_dark(QUIET + x + dx, QUIET + y + dy);
            assert!((0..7).all(|d| at(d, 0) && at(0, d) && at(d, 6) && at(6, d)));
            assert!((1..6).all(|d| !at(d, 1) && !at(1, d)));
            assert!((2..5).all(|d| at(d, 2) && at(d, 4)));
        }
        let rows = code.rows(false);
        assert_eq!(rows.len(), 13);
        assert_eq!(rows[0].trim(), "");
        assert!(code.rows(true)[0].chars().all(|c| c == '█'));
    }

    #[test]
    fn an_address_fits_a_terminal_of_24_rows() {
        let address = format!("http://192.168.100.200:65535/{}/", "0".repeat(32));
        assert!(code_of(&address).unwrap().rows(false).len() <= 19);
    }
}
