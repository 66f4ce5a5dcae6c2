//! Numbers in text lines, and what a value may be at all.
//!
//! In: the text of a field. Out: a finite number. Refused: `nan`, `inf`,
//! exponents, blanks inside, and values outside all sense for their kind.

use super::{SampleKind, Why};

/// No distance module reaches further, in metres. Chosen, because what is
/// measured is under a vehicle.
const FARTHEST_M: f64 = 1000.0;

/// A plain decimal number: sign, digits, one point, blanks around it.
pub(super) fn decimal(text: impl AsRef<[u8]>) -> Result<f64, Why> {
    let text = text.as_ref();
    short(text).map_or_else(|| long(text), Ok)
}

/// A number as the standard library reads it.
fn long(text: &[u8]) -> Result<f64, Why> {
    let text = std::str::from_utf8(text).map_err(|_| Why::BadNumber)?;
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

/// A number of so few digits that a whole number and a power of ten hold it without
/// rounding: their quotient is then the nearest there is, as IEEE 754 has it for every
/// division. Longer ones and wrong ones give nothing.
fn short(text: &[u8]) -> Option<f64> {
    const TENS: [f64; 16] = [
        1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
    ];
    let (negative, digits) = match text {
        [b'-', digits @ ..] => (true, digits),
        [b'+', digits @ ..] | digits => (false, digits),
    };
    if digits.len() > 16 {
        return None;
    }
    let (mut whole, mut count, mut after) = (0_u64, 0_usize, None);
    for byte in digits {
        match byte {
            b'0'..=b'9' => {
                whole = whole * 10 + u64::from(byte - b'0');
                count += 1;
            }
            b'.' if after.is_none() => after = Some(count),
            _ => return None,
        }
    }
    if count == 0 || count > 15 {
        return None;
    }
    let value = whole as f64 / TENS[after.map_or(0, |before| count - before)];
    Some(if negative { -value } else { value })
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

    /// Source: the standard library's own reading of numbers, for every one of up to
    /// fifteen digits that this finds.
    #[test]
    fn short_numbers_are_read_as_the_standard_library_reads_them() {
        let mut chance = 1_u64;
        for n in 0..20_000 {
            // A plain congruential generator (Knuth's MMIX constants).
            chance = chance
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let digits = format!("{}", (chance >> 20) % 10_u64.pow(n % 15 + 1));
            let at = (n as usize / 15) % (digits.len() + 1);
            let sign = ["", "-", "+"][n as usize % 3];
            for text in [
                format!("{sign}{digits}"),
                format!("{sign}{}.{}", &digits[..at], &digits[at..]),
            ] {
                let ours = short(text.as_bytes()).unwrap();
                assert_eq!(
                    ours.to_bits(),
                    text.parse::<f64>().unwrap().to_bits(),
                    "{text}"
                );
            }
        }
        assert_eq!(short(b"1234567890123456"), None);
        assert_eq!(short(b"."), None);
    }

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
