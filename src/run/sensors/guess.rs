//! A description to begin with, from text lines that nobody described.
//!
//! In: the newest bytes of a port. Out: a `[[sensor]]` table with a pattern,
//! where several lines of one shape with a number came. Refused: anything else.

use std::path::Path;

/// So many lines must have one shape.
const LINES: usize = 3;

/// The shape of a line: its text between numbers, and the numbers.
fn shape(line: &str) -> Option<(Vec<String>, Vec<String>)> {
    let (mut texts, mut numbers) = (vec![String::new()], Vec::new());
    let mut rest = line;
    while !rest.is_empty() {
        let length = number_length(rest);
        // A digit within a word (`CH1`) is part of the word.
        let within = texts
            .last()
            .is_some_and(|t: &String| t.ends_with(|c: char| c.is_alphanumeric()));
        if length > 0 && !within {
            numbers.push(rest[..length].to_owned());
            texts.push(String::new());
            rest = &rest[length..];
            continue;
        }
        let c = rest.chars().next()?;
        texts.last_mut()?.push(c);
        rest = &rest[c.len_utf8()..];
    }
    (!numbers.is_empty()).then_some((texts, numbers))
}

/// How long the number at the beginning is; blanks before it do not count.
fn number_length(text: &str) -> usize {
    let sign = usize::from(text.starts_with(['+', '-']));
    let body = &text[sign..];
    let digits = body
        .find(|c: char| !(c.is_ascii_digit() || c == '.'))
        .unwrap_or(body.len());
    if body[..digits].starts_with(|c: char| c.is_ascii_digit())
        && body[..digits].parse::<f64>().is_ok()
    {
        sign + digits
    } else {
        0
    }
}

/// The tables for a sheet.
pub(in crate::run) fn described_lines(bytes: &[u8], path: &Path, baud: u32) -> Option<String> {
    let text = std::str::from_utf8(bytes).ok()?;
    let mut lines: Vec<&str> = text.split(['\r', '\n']).collect();
    // The first is cut off, the last may be.
    lines.pop();
    if !lines.is_empty() {
        lines.remove(0);
    }
    let shapes: Vec<_> = lines
        .into_iter()
        .filter(|l| !l.trim().is_empty())
        .filter_map(shape)
        .collect();
    let (texts, numbers) = shapes.last()?;
    let alike = shapes.iter().filter(|(t, _)| t == texts).count();
    if alike < LINES || alike * 2 < shapes.len() {
        return None;
    }
    // The one with a point is likelier to be a measurement.
    let chosen = numbers.iter().position(|n| n.contains('.')).unwrap_or(0);
    let mut pattern = texts.first()?.clone();
    for (i, text) in texts.iter().skip(1).enumerate() {
        pattern.push_str(if i == chosen { "{value}" } else { "{skip}" });
        pattern.push_str(text);
    }
    let after = texts.get(chosen + 1)?.trim_start().to_ascii_lowercase();
    let unit = if after.starts_with("mm") {
        "mm"
    } else if after.starts_with("deg") || after.starts_with('°') {
        "deg"
    } else {
        "m"
    };
    let quoted = |s: &str| toml::Value::String(s.to_owned()).to_string();
    let reads = if unit == "deg" {
        "reads = \"frame roll\""
    } else {
        "reads = \"frame to floor\"\nfrom = [\"0 mm\", \"500 mm\", \"0 mm\"]"
    };
    Some(format!(
        "[[sensor]]\nname = \"sensor 1\"\nprotocol = \"lines\"\nport = {}\nbaud = {baud}\npattern = {}\nunit = \"{unit}\"     # look: is it?\n{reads}\n",
        quoted(&path.to_string_lossy()),
        quoted(&pattern),
    ))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;

    #[test]
    fn lines_of_one_shape_give_a_pattern() {
        let text = b"23 mm, q=7\r\nCH1 D: 812.4 mm, q=71\r\nCH1 D: 812.6 mm, q=70\r\nCH1 D: 811.9 mm, q=72\r\nCH1 D: 81";
        let lines = described_lines(text, Path::new("/dev/ttyUSB0"), 9600).unwrap();
        assert!(
            lines.contains("pattern = \"CH1 D: {value} mm, q={skip}\""),
            "{lines}"
        );
        assert!(lines.contains("unit = \"mm\""));
    }

    #[test]
    fn what_has_no_number_or_no_shape_gives_nothing() {
        for text in [
            "a\nhello\nhello\nhello\nhello\n",
            "a\nx 1\ny 2\nz 3\nw 4\n",
            "",
            "1",
        ] {
            assert_eq!(described_lines(text.as_bytes(), Path::new("p"), 9600), None);
        }
    }
}
