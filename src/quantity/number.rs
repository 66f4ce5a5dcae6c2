//! Numbers as a person writes them: decimals, fractions, wholes and fractions.
//!
//! In: text. Out: where the number ends, and its value. Refused: commas, signs
//! in the middle, division by zero, what is not finite.

/// Wholes and eighths that have a character of their own.
const FRACTION_SIGNS: [(char, f64); 7] = [
    ('½', 0.5),
    ('¼', 0.25),
    ('¾', 0.75),
    ('⅛', 0.125),
    ('⅜', 0.375),
    ('⅝', 0.625),
    ('⅞', 0.875),
];

fn fraction_sign(c: char) -> Option<f64> {
    FRACTION_SIGNS
        .iter()
        .find(|(sign, _)| *sign == c)
        .map(|(_, value)| *value)
}

/// Splits into number and unit, both trimmed; the unit begins at the first
/// character that no number has.
pub(super) fn split(typed: &str) -> (&str, &str) {
    let mut before = ' ';
    for (i, c) in typed.char_indices() {
        let rest = &typed[i + c.len_utf8()..];
        let exponent = matches!(c, 'e' | 'E')
            && (before.is_ascii_digit() || before == '.')
            && rest
                .trim_start_matches(['+', '-', '−'])
                .starts_with(|c: char| c.is_ascii_digit());
        let numeric = c.is_ascii_digit()
            || c.is_whitespace()
            || matches!(c, '+' | '-' | '−' | '.' | ',' | '/' | '_')
            || fraction_sign(c).is_some()
            || exponent;
        if !numeric {
            return (typed[..i].trim(), typed[i..].trim());
        }
        before = c;
    }
    (typed, "")
}

/// What is wrong with the number part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    Comma,
    TooLarge,
    Bad,
    Zero,
    TopHeavy,
    Signs,
}

/// The number: a sign, then decimals, a fraction, or wholes and a fraction.
pub(super) fn number(text: &str) -> Result<f64, Fault> {
    if text.contains(',') {
        return Err(Fault::Comma);
    }
    let text = text.replace('−', "-");
    let (sign, rest) = match text.chars().next() {
        Some('-') => (-1.0, text[1..].trim_start()),
        Some('+') => (1.0, text[1..].trim_start()),
        _ => (1.0, text.as_str()),
    };
    if rest.starts_with(['+', '-']) {
        return Err(Fault::Signs);
    }
    let size = if let Some((top, bottom)) = rest.split_once('/') {
        with_fraction(top, bottom)?
    } else if let Some((last, value)) = rest
        .chars()
        .last()
        .and_then(|c| Some((c, fraction_sign(c)?)))
    {
        let wholes = rest[..rest.len() - last.len_utf8()].trim_end();
        let wholes = wholes.strip_suffix('-').unwrap_or(wholes);
        if wholes.is_empty() {
            value
        } else {
            digits(wholes)? + value
        }
    } else {
        decimal(rest)?
    };
    Ok(sign * size)
}

/// `7/8`, `1 7/8`, `1-7/8`.
fn with_fraction(left: &str, bottom: &str) -> Result<f64, Fault> {
    let (wholes, top) = if let Some((wholes, top)) = left.split_once('-') {
        // The dash joins; with a space beside it, it reads as a sign.
        if wholes.ends_with(char::is_whitespace) || top.starts_with(char::is_whitespace) {
            return Err(Fault::Signs);
        }
        (Some(wholes), top)
    } else if let Some((wholes, top)) = left.split_once(char::is_whitespace) {
        (Some(wholes), top.trim_start())
    } else {
        (None, left)
    };
    if top.starts_with(['+', '-']) || bottom.starts_with(['+', '-']) {
        return Err(Fault::Signs);
    }
    let (top, bottom) = (digits(top)?, digits(bottom)?);
    if bottom <= 0.0 {
        return Err(Fault::Zero);
    }
    match wholes {
        None => Ok(top / bottom),
        Some(_) if top >= bottom => Err(Fault::TopHeavy),
        Some(wholes) => Ok(digits(wholes)? + top / bottom),
    }
}

/// Digits and nothing else.
fn digits(text: &str) -> Result<f64, Fault> {
    if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
        return Err(Fault::Bad);
    }
    finite(text)
}

/// `47.6`, `.5`, `1e-3`.
fn decimal(text: &str) -> Result<f64, Fault> {
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (text, None),
    };
    if mantissa.contains(['+', '-']) {
        return Err(Fault::Signs);
    }
    let plain = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    let (whole, part) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let exponent_ok =
        exponent.is_none_or(|e| !e.is_empty() && plain(e.strip_prefix(['+', '-']).unwrap_or(e)));
    if !plain(whole) || !plain(part) || whole.len() + part.len() == 0 || !exponent_ok {
        return Err(Fault::Bad);
    }
    finite(text)
}

fn finite(text: &str) -> Result<f64, Fault> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => Err(Fault::TooLarge),
        Err(_) => Err(Fault::Bad),
    }
}
