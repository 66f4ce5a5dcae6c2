//! Numbers in words: which way, how far, how many turns.

use crate::quantity::{Angle, Length, Quantity, UnitSystem, decimals};

/// Angles below this are called level (as shown, to two decimals).
const LEVEL_DEG: f64 = 0.005;

/// `left high 0.21 deg, nose down 0.10 deg`, or `level`.
pub fn level_words(roll: Angle, pitch: Angle) -> String {
    match (roll_words(roll), pitch_words(pitch)) {
        (None, None) => "level".to_owned(),
        (Some(r), None) => r,
        (None, Some(p)) => p,
        (Some(r), Some(p)) => format!("{r}, {p}"),
    }
}

/// `left high 0.21 deg`; none where level.
pub fn roll_words(roll: Angle) -> Option<String> {
    way(roll, "left high", "right high")
}

/// `nose down 0.10 deg`; none where level.
pub fn pitch_words(pitch: Angle) -> Option<String> {
    way(pitch, "nose down", "nose up")
}

fn way(angle: Angle, positive: &str, negative: &str) -> Option<String> {
    let deg = angle.deg();
    let word = if deg > 0.0 { positive } else { negative };
    (deg.abs() >= LEVEL_DEG).then(|| format!("{word} {} deg", decimals(deg.abs(), 2)))
}

/// A length with its sign: `+2.3 mm`.
pub fn signed(length: Length, units: UnitSystem) -> String {
    let text = length.shown(units);
    if text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}

/// Turns as a hand counts them: `1 turn`, `2 1/4 turns`, `3/4 turn`. Rounded to
/// eighths; without sign.
pub fn turn_words(turns: f64) -> String {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "a collar has some tens of turns"
    )]
    let eighths = (turns.abs() * 8.0).round() as i64;
    let (whole, part) = (eighths / 8, eighths % 8);
    let part = match part {
        0 => "",
        1 => "1/8",
        2 => "1/4",
        3 => "3/8",
        4 => "1/2",
        5 => "5/8",
        6 => "3/4",
        _ => "7/8",
    };
    let count = match (whole, part) {
        (w, "") => w.to_string(),
        (0, p) => p.to_owned(),
        (w, p) => format!("{w} {p}"),
    };
    let word = if eighths > 8 || eighths == 0 {
        "turns"
    } else {
        "turn"
    };
    format!("{count} {word}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_are_counted_as_a_hand_does() {
        let table = [
            (1.0, "1 turn"),
            (0.75, "3/4 turn"),
            (-2.25, "2 1/4 turns"),
            (1.125, "1 1/8 turns"),
            (4.0, "4 turns"),
            (0.0, "0 turns"),
        ];
        for (turns, words) in table {
            assert_eq!(turn_words(turns), words);
        }
    }

    #[test]
    fn level_says_which_way() {
        let words = |r, p| level_words(Angle::from_deg(r), Angle::from_deg(p));
        assert_eq!(words(0.0, 0.001), "level");
        assert_eq!(words(0.21, 0.1), "left high 0.21 deg, nose down 0.10 deg");
        assert_eq!(words(-0.3, -0.2), "right high 0.30 deg, nose up 0.20 deg");
    }
}
