//! Numbers in text lines, and what a value may be at all.
//!
//! In: the text of a field. Out: a finite number. Refused: `nan`, `inf`,
//! exponents, blanks inside, and values outside all sense for their kind.

use super::{SampleKind, Why};

/// No distance module reaches further, in metres. Chosen, because what is
/// measured is under a vehicle.
const FARTHEST_M: f64 = 1000.0;

/// A plain decimal number: sign, digits, one point.
pub(super) fn decimal(text: &str) -> Result<f64, Why> {
    let text = text.trim_matches(' ');
    let plain = !text.is_empty()
        && text.len() <= 32
        && text
            .bytes()
            .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b'+'));
    if !plain {
        return Err(Why::BadNumber);
    }
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(Why::BadNumber),
    }
}

/// Whether a value in radians or metres can be one: an angle within one turn
/// either way, a distance (also negative: a displacement) within reach.
pub(super) fn sensible(value: f64, kind: SampleKind) -> Result<f64, Why> {
    let most = match kind {
        SampleKind::Angle => std::f64::consts::TAU,
        SampleKind::Distance => FARTHEST_M,
    };
    if value.is_finite() && value.abs() <= most {
        Ok(value)
    } else {
        Err(Why::OutsideSense)
    }
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::unwrap_used,
        reason = "a test that cannot go on says so by stopping"
    )]
    use super::*;

    #[test]
    fn only_plain_finite_numbers() {
        for (text, value) in [("-3.0", -3.0), ("+1", 1.0), (".5", 0.5), (" 12 ", 12.0)] {
            assert!((decimal(text).unwrap() - value).abs() < 1e-15, "{text}");
        }
        for text in [
            "", "nan", "NaN", "inf", "-inf", "infinity", "1e3", "1 2", "--1", "1.2.3", "0x10", "-",
            ".", "1,5",
        ] {
            assert_eq!(decimal(text), Err(Why::BadNumber), "{text}");
        }
        let long = "9".repeat(400);
        assert_eq!(decimal(&long), Err(Why::BadNumber));
    }

    #[test]
    fn nothing_outside_sense() {
        assert!(sensible(6.2, SampleKind::Angle).is_ok());
        assert!(sensible(6.3, SampleKind::Angle).is_err());
        assert!(sensible(f64::NAN, SampleKind::Distance).is_err());
        assert!(sensible(f64::INFINITY, SampleKind::Distance).is_err());
        assert!(sensible(-1.0, SampleKind::Distance).is_ok());
    }
}
