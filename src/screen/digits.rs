//! Big letters and digits out of block characters, to be read from afar.
//!
//! In: a short text and a size. Out: cells on a pane. Refused: characters
//! without a drawing here come out as a blank of one letter's width.
//!
//! Every glyph is five pixels tall and as wide as it needs. A pixel is half a
//! cell tall and one cell wide at size 1, a whole cell tall and two cells wide
//! at size 2, and so on: size n makes a text of ceil(5 n / 2) rows.

use ratatui::style::Style;

use super::pane::Pane;

const ROWS: u16 = 5;

/// The five rows of a glyph, '#' for ink.
const fn glyph(letter: char) -> [&'static str; 5] {
    match letter {
        '0' => ["###", "# #", "# #", "# #", "###"],
        '1' => [" # ", "## ", " # ", " # ", "###"],
        '2' => ["###", "  #", "###", "#  ", "###"],
        '3' => ["###", "  #", " ##", "  #", "###"],
        '4' => ["# #", "# #", "###", "  #", "  #"],
        '5' => ["###", "#  ", "###", "  #", "###"],
        '6' => ["###", "#  ", "###", "# #", "###"],
        '7' => ["###", "  #", "  #", " # ", " # "],
        '8' => ["###", "# #", "###", "# #", "###"],
        '9' => ["###", "# #", "###", "  #", "###"],
        '.' => [" ", " ", " ", " ", "#"],
        ',' => [" ", " ", " ", "#", "#"],
        '-' => ["   ", "   ", "###", "   ", "   "],
        '+' => ["   ", " # ", "###", " # ", "   "],
        '~' => ["     ", " ## #", "# ## ", "     ", "     "],
        '?' => ["###", "  #", " ##", "   ", " # "],
        '°' => ["###", "# #", "###", "   ", "   "],
        'A' => [" ## ", "#  #", "####", "#  #", "#  #"],
        'B' => ["### ", "#  #", "### ", "#  #", "### "],
        'C' => ["###", "#  ", "#  ", "#  ", "###"],
        'D' => ["### ", "#  #", "#  #", "#  #", "### "],
        'E' => ["###", "#  ", "## ", "#  ", "###"],
        'F' => ["###", "#  ", "## ", "#  ", "#  "],
        'G' => [" ###", "#   ", "# ##", "#  #", " ###"],
        'H' => ["#  #", "#  #", "####", "#  #", "#  #"],
        'I' => ["#", "#", "#", "#", "#"],
        'J' => ["  #", "  #", "  #", "# #", "###"],
        'K' => ["#  #", "# # ", "##  ", "# # ", "#  #"],
        'L' => ["#  ", "#  ", "#  ", "#  ", "###"],
        'M' => ["#   #", "## ##", "# # #", "#   #", "#   #"],
        'N' => ["#  #", "## #", "# ##", "#  #", "#  #"],
        'O' => [" ## ", "#  #", "#  #", "#  #", " ## "],
        'P' => ["### ", "#  #", "### ", "#   ", "#   "],
        'Q' => [" ## ", "#  #", "#  #", "# ##", " ###"],
        'R' => ["### ", "#  #", "### ", "# # ", "#  #"],
        'S' => [" ###", "#   ", " ## ", "   #", "### "],
        'T' => ["###", " # ", " # ", " # ", " # "],
        'U' => ["#  #", "#  #", "#  #", "#  #", " ## "],
        'V' => ["#   #", "#   #", " # # ", " # # ", "  #  "],
        'W' => ["#   #", "#   #", "# # #", "## ##", "#   #"],
        'X' => ["#   #", " # # ", "  #  ", " # # ", "#   #"],
        'Y' => ["# #", "# #", " # ", " # ", " # "],
        'Z' => ["###", "  #", " # ", "#  ", "###"],
        ' ' => ["  ", "  ", "  ", "  ", "  "],
        _ => ["   ", "   ", "   ", "   ", "   "],
    }
}

/// Pixels across of a text, one blank between glyphs.
fn pixels(text: &str) -> u16 {
    let wide: usize = text
        .chars()
        .map(|letter| glyph(letter)[0].len() + 1)
        .sum::<usize>()
        .saturating_sub(1);
    u16::try_from(wide).unwrap_or(u16::MAX)
}

/// Columns that `text` takes at `size`.
pub(super) fn columns(text: &str, size: u16) -> u16 {
    pixels(text).saturating_mul(size)
}

/// Rows that any text takes at `size`.
pub(super) const fn rows(size: u16) -> u16 {
    ROWS.saturating_mul(size).div_ceil(2)
}

/// The largest size at which `text` fits, 0 where none does.
pub(super) fn fitting(text: &str, columns_free: u16, rows_free: u16) -> u16 {
    (1..=12)
        .rev()
        .find(|&size| columns(text, size) <= columns_free && rows(size) <= rows_free)
        .unwrap_or(0)
}

/// Draws `text` with its upper left corner at (`left`, `top`) of the pane.
pub(super) fn draw(pane: &mut Pane<'_>, left: u16, top: u16, text: &str, size: u16, style: Style) {
    let mut at = left;
    for letter in text.chars() {
        let shape = glyph(letter);
        let wide = u16::try_from(shape[0].len()).unwrap_or(0);
        for row in 0..rows(size) {
            for column in 0..wide.saturating_mul(size) {
                let upper = inked(&shape, row * 2, column, size);
                let lower = inked(&shape, row * 2 + 1, column, size);
                let cell = match (upper, lower) {
                    (true, true) => '█',
                    (true, false) => '▀',
                    (false, true) => '▄',
                    (false, false) => continue,
                };
                pane.set(
                    at.saturating_add(column),
                    top.saturating_add(row),
                    cell,
                    style,
                );
            }
        }
        at = at.saturating_add(wide.saturating_add(1).saturating_mul(size));
    }
}

/// Whether the half cell at `half_row` and `column` of a glyph has ink.
fn inked(shape: &[&str; 5], half_row: u16, column: u16, size: u16) -> bool {
    let size = size.max(1);
    shape
        .get(usize::from(half_row / size))
        .and_then(|row| row.as_bytes().get(usize::from(column / size)))
        .is_some_and(|&pixel| pixel == b'#')
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]
    use super::*;

    #[test]
    fn every_glyph_is_a_rectangle() {
        for letter in ('0'..='9').chain('A'..='Z').chain("+-.,~?° ".chars()) {
            let shape = glyph(letter);
            assert!(
                shape.iter().all(|row| row.len() == shape[0].len()),
                "'{letter}'"
            );
        }
    }

    #[test]
    fn digits_and_letters_differ_from_each_other() {
        let all: Vec<char> = ('0'..='9').chain('A'..='Z').collect();
        for (index, &one) in all.iter().enumerate() {
            for &other in &all[index + 1..] {
                assert_ne!(glyph(one), glyph(other), "'{one}' and '{other}'");
            }
        }
    }

    #[test]
    fn the_largest_size_that_fits_is_taken() {
        let wide = columns("LEVEL", 3);
        assert_eq!(fitting("LEVEL", wide, rows(3)), 3);
        assert_eq!(fitting("LEVEL", wide - 1, rows(3)), 2);
        assert_eq!(fitting("LEVEL", 3, 3), 0);
    }
}
