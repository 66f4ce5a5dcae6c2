//! Letters of the two fonts that every reader of PDF has: which byte a character
//! is, and how wide.

/// Widths of the bytes from 32 on, in thousandths of the size.
///
/// Source: Liberation Sans 2, made to the widths of Helvetica and Arial; its own
/// `hmtx` table, bytes of Windows code page 1252.
const REGULAR: [u16; 224] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667,
    611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500,
    222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
    365, 556, 350, 222, 556, 333, 1000, 556, 556, 333, 1000, 667, 333, 1000, 350, 611, 350, 350,
    222, 222, 333, 333, 350, 556, 1000, 333, 1000, 500, 333, 944, 350, 500, 667, 278, 333, 556,
    556, 556, 556, 260, 556, 333, 737, 370, 556, 584, 333, 737, 552, 400, 549, 333, 333, 333, 576,
    537, 278, 333, 333, 365, 556, 834, 834, 834, 611, 667, 667, 667, 667, 667, 667, 1000, 722, 667,
    667, 667, 667, 278, 278, 278, 278, 722, 722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722,
    722, 667, 667, 611, 556, 556, 556, 556, 556, 556, 889, 500, 556, 556, 556, 556, 278, 278, 278,
    278, 556, 556, 556, 556, 556, 556, 556, 549, 611, 556, 556, 556, 556, 500, 556, 500,
];
/// The same of the bold one.
const BOLD: [u16; 224] = [
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 333, 333, 584, 584, 584, 611, 975, 722, 722, 722, 722, 667,
    611, 778, 722, 278, 556, 722, 611, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 333, 278, 333, 584, 556, 333, 556, 611, 556, 611, 556, 333, 611, 611, 278, 278, 556,
    278, 889, 611, 611, 611, 611, 389, 556, 333, 611, 556, 778, 556, 556, 500, 389, 280, 389, 584,
    365, 556, 350, 278, 556, 500, 1000, 556, 556, 333, 1000, 667, 333, 1000, 350, 611, 350, 350,
    278, 278, 500, 500, 350, 556, 1000, 333, 1000, 556, 333, 944, 350, 500, 667, 278, 333, 556,
    556, 556, 556, 280, 556, 333, 737, 370, 556, 584, 333, 737, 552, 400, 549, 333, 333, 333, 576,
    556, 278, 333, 333, 365, 556, 834, 834, 834, 611, 722, 722, 722, 722, 722, 722, 1000, 722, 667,
    667, 667, 667, 278, 278, 278, 278, 722, 722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722,
    722, 667, 667, 611, 556, 556, 556, 556, 556, 556, 889, 556, 556, 556, 556, 556, 278, 278, 278,
    278, 611, 611, 611, 611, 611, 611, 611, 549, 611, 611, 611, 611, 611, 556, 611, 556,
];

/// The byte of a character in the encoding of the page (WinAnsi); what it does not
/// have is written with something near.
const fn byte(c: char) -> u8 {
    match c {
        ' '..='~' | '\u{a0}'..='\u{ff}' => c as u8,
        '–' | '−' => 0x96,
        '—' => 0x97,
        '‘' => 0x91,
        '’' => 0x92,
        '“' => 0x93,
        '”' => 0x94,
        '●' | '•' => 0x95,
        '…' => 0x85,
        '€' => 0x80,
        '✕' => 0xd7,
        '◂' => 0x8b,
        '◇' => 0xa4,
        '▽' => b'v',
        _ => b'?',
    }
}

/// A text as bytes of the page's encoding.
pub(super) fn bytes(text: &str) -> Vec<u8> {
    text.chars().map(byte).collect()
}

/// How wide a text is at a size, in points.
pub(super) fn width(text: &str, bold: bool, size: f64) -> f64 {
    let of = if bold { &BOLD } else { &REGULAR };
    let sum: u32 = text
        .chars()
        .map(|c| {
            u32::from(
                of.get(usize::from(byte(c)).wrapping_sub(32))
                    .copied()
                    .unwrap_or(556),
            )
        })
        .sum();
    f64::from(sum) * size / 1000.0
}

/// Lines of a text that are no wider than so much, broken between words; a word
/// that is wider alone is broken where it must.
pub(super) fn lines(text: &str, bold: bool, size: f64, most: f64) -> Vec<String> {
    let mut all = Vec::new();
    for piece in text.split('\n') {
        let mut line = String::new();
        for word in piece.split_whitespace() {
            let with = if line.is_empty() {
                word.to_owned()
            } else {
                format!("{line} {word}")
            };
            if width(&with, bold, size) <= most {
                line = with;
                continue;
            }
            if !line.is_empty() {
                all.push(std::mem::take(&mut line));
            }
            for c in word.chars() {
                if !line.is_empty()
                    && width(&line, bold, size) + width(&c.to_string(), bold, size) > most
                {
                    all.push(std::mem::take(&mut line));
                }
                line.push(c);
            }
        }
        all.push(line);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: widths of Helvetica as in its metrics: space 278, A 667, i 222; from
    /// memory.
    #[test]
    fn widths_are_those_of_the_font() {
        assert!((width("Ai ", false, 10.0) - 11.67).abs() < 1e-9);
        assert!((width("−", false, 10.0) - 5.56).abs() < 1e-9);
        assert_eq!(bytes("a−±●"), [b'a', 0x96, 0xb1, 0x95]);
    }

    #[test]
    fn lines_are_no_wider_than_asked() {
        let text = "what was read and what was promised averyveryverylongwordwithoutanyblank end";
        for most in [20.0, 60.0, 400.0] {
            for line in lines(text, false, 9.0, most) {
                assert!(width(&line, false, 9.0) <= most + 1e-9, "{line}");
            }
        }
        assert_eq!(lines("a\nb", false, 9.0, 100.0), ["a", "b"]);
    }
}
