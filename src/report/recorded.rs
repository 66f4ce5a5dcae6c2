//! A stored value in the unit in which it is shown, and a moment as text.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::logbook::Unit;
use crate::quantity::{
    KILOGRAMS_PER_POUND, METRES_PER_INCH, Moment, NEWTONS_PER_POUND_FORCE, UnitSystem,
};

/// From a standard uncertainty to the half-width of a 95 % interval.
///
/// Source: JCGM 100:2008 (GUM), table G.1: 1.960 for the normal distribution.
pub(super) const COVERAGE_95: f64 = 1.959_964;

const DEGREE: f64 = std::f64::consts::PI / 180.0;
const METRES_PER_FOOT: f64 = 12.0 * METRES_PER_INCH;

/// How values of a unit are shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shown {
    /// SI value of one of the shown unit.
    si: f64,
    /// The unit as people write it; empty for a plain number.
    pub(super) label: &'static str,
    /// The unit as the end of a JSON key; empty for a plain number.
    pub(super) key: &'static str,
    /// Decimals on a screen.
    pub(super) decimals: usize,
}

/// How values of a unit are shown in a system.
pub(super) const fn shown(unit: Unit, system: UnitSystem) -> Shown {
    use UnitSystem::{Inch, Metric};
    let (si, label, key, decimals) = match (unit, system) {
        (Unit::Metre, Metric) => (1e-3, "mm", "mm", 1),
        (Unit::Metre, Inch) => (METRES_PER_INCH, "in", "in", 2),
        (Unit::Radian, _) => (DEGREE, "deg", "deg", 2),
        (Unit::Newton, Metric) => (1.0, "N", "n", 0),
        (Unit::Newton, Inch) => (NEWTONS_PER_POUND_FORCE, "lbf", "lbf", 0),
        (Unit::Kilogram, Metric) => (1.0, "kg", "kg", 1),
        (Unit::Kilogram, Inch) => (KILOGRAMS_PER_POUND, "lb", "lb", 0),
        (Unit::NewtonPerMetre, Metric) => (1e3, "N/mm", "n_per_mm", 2),
        (Unit::NewtonPerMetre, Inch) => (
            NEWTONS_PER_POUND_FORCE / METRES_PER_INCH,
            "lbf/in",
            "lbf_per_in",
            1,
        ),
        (Unit::NewtonMetrePerRadian, Metric) => (1.0 / DEGREE, "N m/deg", "nm_per_deg", 1),
        (Unit::NewtonMetrePerRadian, Inch) => (
            NEWTONS_PER_POUND_FORCE * METRES_PER_FOOT / DEGREE,
            "lbf ft/deg",
            "lbf_ft_per_deg",
            1,
        ),
        (Unit::Hertz, _) => (1.0, "Hz", "hz", 2),
        (Unit::One, _) => (1.0, "", "", 3),
    };
    Shown {
        si,
        label,
        key,
        decimals,
    }
}

impl Shown {
    /// From SI.
    pub(super) fn value(self, si: f64) -> f64 {
        si / self.si
    }

    /// From SI, as text for people.
    pub(super) fn text(self, si: f64) -> String {
        plain(self.value(si), self.decimals)
    }

    /// From SI, with three more decimals than people need, no zeros behind.
    pub(super) fn fine_text(self, si: f64) -> String {
        let text = plain(self.value(si), self.decimals + 3);
        match text.trim_end_matches('0').trim_end_matches('.') {
            "" | "-0" => "0".into(),
            trimmed => trimmed.into(),
        }
    }

    /// Value, unit.
    pub(super) fn with_unit(self, si: f64) -> String {
        format!("{} {}", self.text(si), self.label)
            .trim_end()
            .into()
    }
}

/// Fixed decimals, without the sign of a rounded nought.
fn plain(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| matches!(b, b'0' | b'.')) => rest.into(),
        _ => text,
    }
}

/// RFC 3339 in UTC, to the microsecond.
pub(super) fn utc(moment: Moment) -> String {
    Timestamp::from_microsecond(moment.unix_us()).map_or_else(
        |_| format!("{} us", moment.unix_us()),
        |t| format!("{t:.6}"),
    )
}

/// Day and time of day on the clocks of a zone.
pub(super) fn day_and_time(moment: Moment, zone: &TimeZone) -> (String, String) {
    Timestamp::from_microsecond(moment.unix_us()).map_or_else(
        |_| (format!("{} us", moment.unix_us()), "--:--:--".into()),
        |t| {
            let there = t.to_zoned_datetime(zone.clone());
            (
                there.strftime("%Y-%m-%d (%Z)").to_string(),
                there.strftime("%H:%M:%S").to_string(),
            )
        },
    )
}

/// A moment as RFC 3339 in UTC, to the millisecond or as fine as it is given.
pub fn moment_words(moment: Moment) -> String {
    utc(moment)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: NIST SP 811, appendix B.9: 1 lbf/in = 175.1268 N/m,
    /// 1 lb = 0.453 592 37 kg, 1 lbf = 4.448 222 N; from memory.
    #[test]
    fn conversions() {
        let inch = |unit, si| shown(unit, UnitSystem::Inch).value(si);
        for (got, expected) in [
            (inch(Unit::NewtonPerMetre, 175.1268), 1.0),
            (inch(Unit::Kilogram, 0.453_592_37), 1.0),
            (inch(Unit::Newton, 4.448_222), 1.0),
            (inch(Unit::Metre, 0.0254), 1.0),
            (inch(Unit::Radian, std::f64::consts::PI), 180.0),
        ] {
            // Tolerance: half a unit in the last of seven digits.
            assert!((got / expected - 1.0).abs() < 5e-7, "{got} {expected}");
        }
    }

    #[test]
    fn nought_has_no_sign_and_fine_text_no_tail() {
        let mm = shown(Unit::Metre, UnitSystem::Metric);
        assert_eq!(mm.text(-0.000_01), "0.0");
        assert_eq!(mm.fine_text(0.412), "412");
        assert_eq!(mm.fine_text(-0.000_25), "-0.25");
        assert_eq!(mm.fine_text(-1e-9), "0");
        assert_eq!(mm.fine_text(0.1), "100");
    }

    #[test]
    fn moments() {
        let moment = Moment::from_unix_us(1_700_000_000_000_001);
        assert_eq!(utc(moment), "2023-11-14T22:13:20.000001Z");
        assert_eq!(
            utc(Moment::from_unix_us(i64::MAX)),
            "9223372036854775807 us"
        );
    }
}
