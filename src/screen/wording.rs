//! Numbers as the screen says them.
//!
//! In: figures of the view and the sheet's units. Out: short texts: value,
//! '±' half the 95 % interval, '~' before what is assumed. Refused: a number
//! that is not finite becomes 'cannot tell'.
//!
//! Intervals are rounded up, so that none is ever shown smaller than it is.

use crate::quantity::{Angle, Force, Length, Span, UnitSystem};

use super::view::{Aim, Amount, Basis, Figure, Motion, StationView, Verdict, View, Way};

/// What is said where nothing can be said.
pub(super) const CANNOT_TELL: &str = "cannot tell";

/// Decimals, unit and factor from SI of a kind of number.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    per_si: f64,
    decimals: usize,
    /// The unit, with the blank that stands before it.
    pub(super) unit: &'static str,
}

/// How lengths are shown.
pub(super) fn length_scale(units: UnitSystem) -> Scale {
    match units {
        UnitSystem::Metric => Scale {
            per_si: 1.0 / Length::from_mm(1.0).m(),
            decimals: 1,
            unit: " mm",
        },
        UnitSystem::Inch => Scale {
            per_si: 1.0 / Length::from_inches(1.0).m(),
            decimals: 2,
            unit: " in",
        },
    }
}

/// How angles are shown.
pub(super) fn angle_scale() -> Scale {
    Scale {
        per_si: 1.0 / Angle::from_deg(1.0).rad(),
        decimals: 2,
        unit: "°",
    }
}

/// How forces are shown.
pub(super) fn force_scale(units: UnitSystem) -> Scale {
    match units {
        UnitSystem::Metric => Scale {
            per_si: 1.0,
            decimals: 0,
            unit: " N",
        },
        UnitSystem::Inch => Scale {
            per_si: 1.0 / Force::from_lbf(1.0).n(),
            decimals: 0,
            unit: " lbf",
        },
    }
}

impl Scale {
    /// The bare number.
    pub(super) fn number(self, si: f64) -> String {
        let shown = si * self.per_si;
        // Nobody builds to ten kilometres; such a number is a fault upstream.
        if !shown.is_finite() || shown.abs() >= 1e7 {
            return "?".to_owned();
        }
        let text = format!("{shown:.*}", self.decimals);
        match text.strip_prefix('-') {
            Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
            _ => text,
        }
    }

    /// The number with a sign, always.
    pub(super) fn signed(self, si: f64) -> String {
        let text = self.number(si);
        if text.starts_with(['-', '?']) {
            text
        } else {
            format!("+{text}")
        }
    }

    /// Half an interval, rounded up to the last decimal shown.
    pub(super) fn interval(self, si: f64) -> String {
        let step = 10_f64.powi(-i32::try_from(self.decimals).unwrap_or(0));
        let shown = si.abs() * self.per_si;
        // A hundredth of a step is rounding in the conversion, not width.
        let up = ((shown / step - 0.01).ceil().max(1.0)) * step;
        self.number(up / self.per_si)
    }

    /// `~412.3 ± 0.6`, without unit.
    pub(super) fn figure(self, value: f64, half: Option<f64>, basis: Basis, sign: bool) -> String {
        if !value.is_finite() {
            return CANNOT_TELL.to_owned();
        }
        let mark = mark(basis);
        let number = if sign {
            self.signed(value)
        } else {
            self.number(value)
        };
        match half.filter(|half| half.is_finite()) {
            Some(half) => format!("{mark}{number} ± {}", self.interval(half)),
            None => format!("{mark}{number} ± ?"),
        }
    }
}

/// The sign of what is assumed.
pub(super) const fn mark(basis: Basis) -> &'static str {
    match basis {
        Basis::Measured => "",
        Basis::Assumed => "~",
    }
}

/// A length with its interval, without unit.
pub(super) fn length(units: UnitSystem, figure: Option<Figure<Length>>) -> String {
    figure.map_or_else(
        || CANNOT_TELL.to_owned(),
        |f| length_scale(units).figure(f.value.m(), f.half_width.map(Length::m), f.basis, false),
    )
}

/// A signed angle with its interval and degree signs.
pub(super) fn angle(figure: Option<Figure<Angle>>) -> String {
    figure.filter(|f| f.value.is_finite()).map_or_else(
        || CANNOT_TELL.to_owned(),
        |f| {
            let half = f.half_width.map(Angle::rad);
            let text = angle_scale().figure(f.value.rad(), half, f.basis, true);
            format!("{}°", text.replace(" ± ", "° ± "))
        },
    )
}

/// The word for the way something leans, by its sign; 'either way' where the
/// interval holds zero.
pub(super) fn lean(
    figure: Option<Figure<Angle>>,
    positive: &'static str,
    negative: &'static str,
) -> &'static str {
    let Some(figure) = figure.filter(|f| f.value.is_finite()) else {
        return "";
    };
    let half = figure.half_width.map_or(0.0, |h| h.rad().abs());
    if figure.value.rad().abs() <= half {
        "either way"
    } else if figure.value.rad() > 0.0 {
        positive
    } else {
        negative
    }
}

/// Value, half width, basis and scale of an amount, in SI.
pub(super) fn parts(units: UnitSystem, amount: Amount) -> (f64, Option<f64>, Basis, Scale) {
    match amount {
        Amount::Length(f) => (
            f.value.m(),
            f.half_width.map(Length::m),
            f.basis,
            length_scale(units),
        ),
        Amount::Angle(f) => (
            f.value.rad(),
            f.half_width.map(Angle::rad),
            f.basis,
            angle_scale(),
        ),
        Amount::Force(f) => (
            f.value.n(),
            f.half_width.map(Force::n),
            f.basis,
            force_scale(units),
        ),
    }
}

/// The sign of a verdict; with a deviation the sign says which way it is off.
pub(super) fn sign(verdict: Verdict, off: Option<f64>) -> char {
    match (verdict, off) {
        (Verdict::Inside, _) => '●',
        (Verdict::CannotTell, _) => '?',
        (Verdict::Outside, Some(off)) if off < 0.0 => '▼',
        (Verdict::Outside, Some(_)) => '▲',
        (Verdict::Outside, None) => '■',
    }
}

/// Deviation of a station from its target, metres.
pub(super) fn deviation(station: &StationView) -> Option<f64> {
    let off = station.height?.value.m() - station.aim?.value.m();
    off.is_finite().then_some(off)
}

/// A station's comparison in words: 'inside', '2.3 too high'.
pub(super) fn station_verdict(units: UnitSystem, station: &StationView) -> String {
    if station.aim.is_none() {
        return "no target".to_owned();
    }
    match (station.verdict, deviation(station)) {
        (_, None) | (Verdict::CannotTell, _) => CANNOT_TELL.to_owned(),
        (Verdict::Inside, Some(off)) => format!("inside {}", length_scale(units).signed(off)),
        (Verdict::Outside, Some(off)) => {
            let way = if off < 0.0 { "too low" } else { "too high" };
            format!("{} {way}", length_scale(units).number(off.abs()))
        }
    }
}

/// `410.0 ± 2.0`: here '±' is the tolerance.
pub(super) fn length_aim(units: UnitSystem, aim: Aim<Length>) -> String {
    let scale = length_scale(units);
    format!(
        "{} ± {}",
        scale.number(aim.value.m()),
        scale.number(aim.tolerance.m())
    )
}

/// `+0.00° ± 0.50°`: here '±' is the tolerance.
pub(super) fn angle_aim(aim: Aim<Angle>) -> String {
    let scale = angle_scale();
    format!(
        "{}° ± {}°",
        scale.signed(aim.value.rad()),
        scale.number(aim.tolerance.rad())
    )
}

/// `12 s`, `3 min`, `2 h`, `4 d`; `0.4 s` below ten seconds where `fine`.
pub(super) fn duration(span: Span, fine: bool) -> String {
    let s = span.s().max(0.0);
    if fine && s < 9.95 {
        format!("{s:.1} s")
    } else if s < 90.0 {
        format!("{:.0} s", s.floor())
    } else if s < 90.0 * 60.0 {
        format!("{:.0} min", (s / 60.0).floor())
    } else if s < 48.0 * 3600.0 {
        format!("{:.0} h", (s / 3600.0).floor())
    } else {
        format!("{:.0} d", (s / 86_400.0).floor())
    }
}

/// Still or moving, and for how long.
pub(super) fn motion(view: &View) -> (&'static str, String) {
    match view.motion {
        Motion::Unheard => ("nothing heard", String::new()),
        Motion::Moving(since) => ("moving", duration(view.now.since(since), false)),
        Motion::Still(since) => ("still", duration(view.now.since(since), false)),
    }
}

/// The same as one text, the word in capitals.
pub(super) fn motion_text(view: &View) -> String {
    let (word, since) = motion(view);
    format!("{} {since}", word.to_uppercase())
        .trim_end()
        .to_owned()
}

/// The arrow of a direction.
pub(super) const fn arrow(way: Way) -> char {
    match way {
        Way::Up => '▲',
        Way::Down => '▼',
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals_are_rounded_up_and_never_nothing() {
        let mm = length_scale(UnitSystem::Metric);
        assert_eq!(mm.interval(0.000_61), "0.7");
        assert_eq!(mm.interval(0.000_6), "0.6");
        assert_eq!(mm.interval(0.000_001), "0.1");
        assert_eq!(length_scale(UnitSystem::Inch).interval(0.000_6), "0.03");
    }

    #[test]
    fn zero_has_no_minus() {
        assert_eq!(angle_scale().number(-0.000_01), "0.00");
        assert_eq!(angle_scale().signed(-0.000_01), "+0.00");
    }

    #[test]
    fn a_lean_within_its_interval_goes_either_way() {
        let figure = |deg: f64| {
            Some(Figure {
                value: Angle::from_deg(deg),
                half_width: Some(Angle::from_deg(0.05)),
                basis: Basis::Measured,
            })
        };
        assert_eq!(lean(figure(0.04), "left high", "right high"), "either way");
        assert_eq!(lean(figure(0.06), "left high", "right high"), "left high");
        assert_eq!(lean(figure(-0.06), "left high", "right high"), "right high");
        assert_eq!(lean(None, "left high", "right high"), "");
    }

    #[test]
    fn durations_in_the_largest_unit_that_says_enough() {
        assert_eq!(duration(Span::from_s(0.42), true), "0.4 s");
        assert_eq!(duration(Span::from_s(89.9), true), "89 s");
        assert_eq!(duration(Span::from_s(150.0), true), "2 min");
        assert_eq!(duration(Span::from_s(-3.0), false), "0 s");
    }

    #[test]
    fn what_is_not_a_number_cannot_be_told() {
        let figure = Figure {
            value: Length::from_mm(f64::NAN),
            half_width: None,
            basis: Basis::Measured,
        };
        assert_eq!(length(UnitSystem::Metric, Some(figure)), CANNOT_TELL);
    }
}
