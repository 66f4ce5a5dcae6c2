//! Quantities as a person writes them: `1 7/8 in`, `165 lbf/in`, `14°`.
//!
//! In: text and the dimension that is due. Out: a value in SI with what was
//! understood. Refused: no unit, a unit of something else or of nothing,
//! decimal commas, anything that is no finite number.

use std::fmt;

use super::nearest::nearest;
use super::number::{Fault, number, split};
use super::units::{Dimension, Scale, find, find_any, tidied};

/// Why a written quantity was not understood.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum QuantityError {
    /// Nothing there.
    #[error("nothing is written where {} is due", due.with_article())]
    Empty {
        /// What is due.
        due: Dimension,
    },
    /// A bare number.
    #[error("'{typed}' has no unit; {} is due", due.with_article())]
    NoUnit {
        /// As typed.
        typed: String,
        /// What is due.
        due: Dimension,
    },
    /// No such unit.
    #[error("'{unit}' in '{typed}' is no unit known here; {} is due", due.with_article())]
    UnknownUnit {
        /// As typed.
        typed: String,
        /// The unit in it.
        unit: String,
        /// What is due.
        due: Dimension,
        /// A unit that may have been meant.
        meant: Option<&'static str>,
    },
    /// A unit of another dimension.
    #[error("'{typed}' is {}; {} is due", is.with_article(), due.with_article())]
    OtherDimension {
        /// As typed.
        typed: String,
        /// What it is.
        is: Dimension,
        /// What is due.
        due: Dimension,
    },
    /// A comma in the number.
    #[error("'{typed}' has a comma in the number")]
    Comma {
        /// As typed.
        typed: String,
        /// The same with a point, where that makes sense.
        instead: Option<String>,
    },
    /// `nan`, `inf`.
    #[error("'{typed}' is no finite number")]
    NotFinite {
        /// As typed.
        typed: String,
    },
    /// More than a computer's number holds.
    #[error("'{typed}' is too large to be meant")]
    TooLarge {
        /// As typed.
        typed: String,
    },
    /// A unit alone, or words.
    #[error("'{typed}' does not begin with a number; {} is due", due.with_article())]
    NoNumber {
        /// As typed.
        typed: String,
        /// What is due.
        due: Dimension,
    },
    /// A number that is none.
    #[error("'{number}' in '{typed}' is no number")]
    BadNumber {
        /// As typed.
        typed: String,
        /// The part that should be a number.
        number: String,
    },
    /// `1/0`.
    #[error("'{typed}' divides by zero")]
    ZeroDenominator {
        /// As typed.
        typed: String,
    },
    /// `1 9/8`.
    #[error("the fraction in '{typed}' is not below one")]
    TopHeavy {
        /// As typed.
        typed: String,
    },
    /// `1 -7/8`, `+-3`.
    #[error("'{typed}' has a sign in the middle")]
    MixedSigns {
        /// As typed.
        typed: String,
    },
}

impl QuantityError {
    /// The stable name of the reason, for codes: `no_unit`.
    pub fn reason(&self) -> &'static str {
        match self {
            Self::Empty { .. } => "empty",
            Self::NoUnit { .. } => "no_unit",
            Self::UnknownUnit { .. } => "unknown_unit",
            Self::OtherDimension { .. } => "other_dimension",
            Self::Comma { .. } => "comma",
            Self::NotFinite { .. } => "not_finite",
            Self::TooLarge { .. } => "too_large",
            Self::NoNumber { .. } => "no_number",
            Self::BadNumber { .. } => "bad_number",
            Self::ZeroDenominator { .. } => "zero_denominator",
            Self::TopHeavy { .. } => "top_heavy",
            Self::MixedSigns { .. } => "mixed_signs",
        }
    }

    /// What to write instead.
    pub fn help(&self) -> String {
        let write = |d: &Dimension| {
            format!(
                "write for example '{}'; {} fit",
                d.example(),
                d.units_to_read()
            )
        };
        match self {
            Self::NoUnit { typed, due } => format!(
                "write for example '{typed} {}'; {} fit",
                due.units().next().unwrap_or_default(),
                due.units_to_read()
            ),
            Self::UnknownUnit {
                due,
                meant: Some(meant),
                ..
            } => format!("did you mean '{meant}'? {} fit", due.units_to_read()),
            Self::OtherDimension {
                is: Dimension::Force,
                due: Dimension::Mass,
                ..
            } => "write what the scale shows, in kg or lb".to_owned(),
            Self::Empty { due }
            | Self::NoNumber { due, .. }
            | Self::UnknownUnit { due, .. }
            | Self::OtherDimension { due, .. } => write(due),
            Self::Comma {
                instead: Some(instead),
                ..
            } => format!("write a point for the decimals: '{instead}'"),
            Self::Comma { .. } => {
                "write a point for the decimals and nothing between thousands".to_owned()
            }
            Self::NotFinite { .. } | Self::TooLarge { .. } => {
                "write the number that was measured".to_owned()
            }
            Self::BadNumber { .. } => {
                "write it as '47.6', '1 7/8' or '1-7/8', without spaces inside a number".to_owned()
            }
            Self::ZeroDenominator { .. } => "write the fraction as on the tape: '7/8'".to_owned(),
            Self::TopHeavy { .. } => "add the wholes up: '2 1/8' instead of '1 9/8'".to_owned(),
            Self::MixedSigns { .. } => {
                "one sign, at the front: '-1 7/8' is minus one and seven eighths".to_owned()
            }
        }
    }
}

/// A quantity that was understood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Written {
    /// The number as typed.
    pub number: f64,
    /// The unit, in its usual spelling.
    pub unit: &'static str,
    /// What it is.
    pub of: Dimension,
    /// The value in SI.
    pub si: f64,
}

/// What was understood: `1.875 in = 47.63 mm`.
impl fmt::Display for Written {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.number, self.unit)?;
        for shown in super::shown::in_both(self.of, self.si) {
            if !shown.ends_with(&format!(" {}", self.unit)) {
                write!(f, " = {shown}")?;
            }
        }
        Ok(())
    }
}

/// No quantity is larger, in SI. Chosen: far beyond anything, and finite in every unit.
const LARGEST_SI: f64 = 1e250;

/// Reads `text` where `due` is due.
///
/// # Errors
/// As [`QuantityError`] says.
pub fn read(text: &str, due: Dimension) -> Result<Written, QuantityError> {
    let typed = text.trim();
    let quoted = || shortened(typed);
    if typed.is_empty() {
        return Err(QuantityError::Empty { due });
    }
    let (number_text, unit_text) = split(typed);
    if number_text.trim_matches(['+', '-', '−']).is_empty() {
        let word = unit_text.to_lowercase();
        return Err(if ["nan", "inf"].iter().any(|w| word.starts_with(w)) {
            QuantityError::NotFinite { typed: quoted() }
        } else {
            QuantityError::NoNumber {
                typed: quoted(),
                due,
            }
        });
    }
    let number = match number(number_text) {
        Ok(number) => number,
        Err(fault) => return Err(fault.named(typed, number_text, unit_text)),
    };
    let tidy = tidied(unit_text, due);
    if tidy.is_empty() {
        return Err(QuantityError::NoUnit {
            typed: quoted(),
            due,
        });
    }
    let Some(unit) = find(&tidy, due) else {
        let torque = || {
            find_any(&tidied(unit_text, Dimension::RollRate))
                .filter(|u| u.of == Dimension::RollRate)
        };
        return Err(match find_any(&tidy).or_else(torque) {
            Some(other) => QuantityError::OtherDimension {
                typed: quoted(),
                is: other.of,
                due,
            },
            None => QuantityError::UnknownUnit {
                typed: quoted(),
                unit: shortened(unit_text),
                due,
                meant: nearest(&tidy, due.spellings()),
            },
        });
    };
    let si = match unit.scale {
        Scale::Times(factor) => number * factor,
        Scale::Slope(factor) => (number * factor).atan(),
    };
    // A number that is finite in SI must be so in every unit it may be shown in.
    if si.is_nan() || si.abs() > LARGEST_SI {
        return Err(QuantityError::TooLarge { typed: quoted() });
    }
    Ok(Written {
        number,
        unit: unit.names[0],
        of: due,
        si,
    })
}

/// A quotation that does not run over the screen.
fn shortened(text: &str) -> String {
    if text.chars().count() <= 40 {
        text.to_owned()
    } else {
        let start: String = text.chars().take(37).collect();
        format!("{start}...")
    }
}

impl Fault {
    fn named(self, typed: &str, number_text: &str, unit_text: &str) -> QuantityError {
        let quoted = shortened(typed);
        match self {
            Self::Comma => {
                let point = number_text.replacen(',', ".", 1);
                QuantityError::Comma {
                    typed: quoted,
                    instead: number(&point)
                        .is_ok()
                        .then(|| shortened(format!("{point} {unit_text}").trim())),
                }
            }
            Self::TooLarge => QuantityError::TooLarge { typed: quoted },
            Self::Bad => QuantityError::BadNumber {
                typed: quoted,
                number: shortened(number_text),
            },
            Self::Zero => QuantityError::ZeroDenominator { typed: quoted },
            Self::TopHeavy => QuantityError::TopHeavy { typed: quoted },
            Self::Signs => QuantityError::MixedSigns { typed: quoted },
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::unwrap_used,
        clippy::expect_used,
        reason = "a test stops where it fails"
    )]

    use proptest::prelude::*;

    use super::*;
    use crate::quantity::{Angle, Force, Length, Mass, Quantity, RollRate, SpringRate, UnitSystem};

    /// Relative difference; the factors are exact, so only the last digit of
    /// the arithmetic may differ.
    fn same(a: f64, b: f64) -> bool {
        (a - b).abs() <= 4.0 * f64::EPSILON * a.abs().max(b.abs())
    }

    fn si(text: &str, due: Dimension) -> f64 {
        read(text, due).map(|w| w.si).expect(text)
    }

    /// Source: NIST SP 811 appendix B (exact definitions of inch, pound,
    /// standard gravity; products worked out from them).
    #[test]
    fn exact_factors() {
        for (text, due, value) in [
            ("1 in", Dimension::Length, 0.0254),
            ("1 ft", Dimension::Length, 0.3048),
            ("1 lb", Dimension::Mass, 0.453_592_37),
            ("1 lbf", Dimension::Force, 4.448_221_615_260_5),
            ("1 lb", Dimension::Force, 4.448_221_615_260_5),
            ("1 kgf", Dimension::Force, 9.806_65),
            ("1 lbf/in", Dimension::SpringRate, 175.126_835_246_476_36),
            ("1 kgf/mm", Dimension::SpringRate, 9806.65),
            ("5.710147154732647 lbf/in", Dimension::SpringRate, 1000.0),
            ("1 deg", Dimension::Angle, 0.017_453_292_519_943_295),
            (
                "0.017453292519943295 lbf ft/deg",
                Dimension::RollRate,
                1.355_817_948_331_400_4,
            ),
            (
                "0.017453292519943295 lbf in/deg",
                Dimension::RollRate,
                0.112_984_829_027_616_68,
            ),
        ] {
            assert!(same(si(text, due), value), "{text}: {}", si(text, due));
        }
        // A factor seen in the wild that is wrong in the ninth digit.
        assert!(!same(
            si("1 lbf/in", Dimension::SpringRate),
            175.126_834_645_67
        ));
    }

    #[test]
    fn as_people_write_them() {
        for (text, mm) in [
            ("1 7/8 in", 47.625),
            ("1-7/8 in", 47.625),
            ("1⅞ in", 47.625),
            ("1 ⅞\"", 47.625),
            ("7/8in", 22.225),
            ("1.75in", 44.45),
            ("1.75\"", 44.45),
            ("1.75 INCHES", 44.45),
            ("-1 7/8 in", -47.625),
            ("− 3 mm", -3.0),
            ("+3mm", 3.0),
            ("47.6 mm", 47.6),
            (".5 cm", 5.0),
            ("5. cm", 50.0),
            ("2.8 m", 2800.0),
            ("1.5e3mm", 1500.0),
            ("6 ft", 1828.8),
            ("0 mm", 0.0),
        ] {
            assert!(same(si(text, Dimension::Length), mm * 1e-3), "{text}");
        }
        for (text, due, value) in [
            ("24.5 N/mm", Dimension::SpringRate, 24_500.0),
            ("24.5 kN/m", Dimension::SpringRate, 24_500.0),
            (
                "165 lb/in",
                Dimension::SpringRate,
                165.0 * 175.126_835_246_476_36,
            ),
            (
                "165 lbs / inch",
                Dimension::SpringRate,
                165.0 * 175.126_835_246_476_36,
            ),
            ("14°", Dimension::Angle, 14.0_f64.to_radians()),
            ("250 mrad", Dimension::Angle, 0.25),
            ("10 mm/m", Dimension::Angle, 0.01_f64.atan()),
            ("1 in/ft", Dimension::Angle, (1.0_f64 / 12.0).atan()),
            ("172 lb", Dimension::Mass, 172.0 * 0.453_592_37),
            ("220 N·m/deg", Dimension::RollRate, 220.0_f64.to_degrees()),
            ("1.4 Hz", Dimension::Frequency, 1.4),
            ("90 cpm", Dimension::Frequency, 1.5),
            ("1/4 turn", Dimension::Turns, 0.25),
            ("2 1/2 turns", Dimension::Turns, 2.5),
            ("5 %", Dimension::Share, 0.05),
            ("5%", Dimension::Share, 0.05),
            ("500 ms", Dimension::Time, 0.5),
        ] {
            assert!(same(si(text, due), value), "{text}: {}", si(text, due));
        }
    }

    #[test]
    fn refused_with_the_reason() {
        for (text, due, reason) in [
            ("", Dimension::Length, "empty"),
            ("410", Dimension::Length, "no_unit"),
            ("1 7/8", Dimension::Length, "no_unit"),
            ("410 mn", Dimension::Length, "unknown_unit"),
            ("63 kg", Dimension::Length, "other_dimension"),
            ("220 N m/deg", Dimension::SpringRate, "other_dimension"),
            ("5 lbf", Dimension::Mass, "other_dimension"),
            ("165 lb", Dimension::SpringRate, "other_dimension"),
            ("47,6 mm", Dimension::Length, "comma"),
            ("1,234.5 mm", Dimension::Length, "comma"),
            ("nan mm", Dimension::Length, "not_finite"),
            ("Infinity mm", Dimension::Length, "not_finite"),
            ("-inf mm", Dimension::Length, "not_finite"),
            ("1e400 mm", Dimension::Length, "too_large"),
            ("1e308m", Dimension::Length, "too_large"),
            ("1e308 ft/0", Dimension::Length, "unknown_unit"),
            ("1e308 kN/mm", Dimension::SpringRate, "too_large"),
            ("1/0 in", Dimension::Length, "zero_denominator"),
            ("1 9/8 in", Dimension::Length, "top_heavy"),
            ("1 -7/8 in", Dimension::Length, "mixed_signs"),
            ("+-3 mm", Dimension::Length, "mixed_signs"),
            ("3-2 mm", Dimension::Length, "mixed_signs"),
            ("7/-8 in", Dimension::Length, "mixed_signs"),
            ("1 000 mm", Dimension::Length, "bad_number"),
            ("210 N/m m", Dimension::SpringRate, "unknown_unit"),
            ("1.2.3 mm", Dimension::Length, "bad_number"),
            ("1_000 mm", Dimension::Length, "bad_number"),
            ("1 1 7/8 in", Dimension::Length, "bad_number"),
            (". mm", Dimension::Length, "bad_number"),
            ("mm", Dimension::Length, "no_number"),
            ("about 3 mm", Dimension::Length, "no_number"),
        ] {
            let error = read(text, due).expect_err(text);
            assert_eq!(error.reason(), reason, "{text}: {error}");
            assert!(!error.help().is_empty());
        }
    }

    #[test]
    fn messages_say_what_fits() {
        let error = read("410", Dimension::Length).expect_err("no unit");
        assert_eq!(error.to_string(), "'410' has no unit; a length is due");
        assert_eq!(
            error.help(),
            "write for example '410 mm'; mm, cm, m, in, ft, µm or thou fit"
        );
        let error = read("165 lbf/inn", Dimension::SpringRate).expect_err("unknown");
        assert!(
            error.help().starts_with("did you mean 'lbf/in'?"),
            "{}",
            error.help()
        );
        let error = read("47,6 mm", Dimension::Length).expect_err("comma");
        assert_eq!(error.help(), "write a point for the decimals: '47.6 mm'");
    }

    #[test]
    fn what_was_understood_is_said() {
        let written = read("1 7/8 in", Dimension::Length).unwrap();
        assert_eq!(written.to_string(), "1.875 in = 47.6 mm");
        let written = read("165 lb/in", Dimension::SpringRate).unwrap();
        assert_eq!(written.to_string(), "165 lbf/in = 28.90 N/mm");
    }

    #[test]
    fn shown_in_both_systems() {
        let length = Length::from_mm(47.625);
        assert_eq!(length.shown(UnitSystem::Metric), "47.6 mm");
        assert_eq!(length.shown(UnitSystem::Inch), "1.88 in");
        assert_eq!(length.show_fraction(16), "1 7/8 in");
        assert_eq!(Length::from_inches(-0.5).show_fraction(8), "-1/2 in");
        assert_eq!(Length::from_inches(1.999).show_fraction(8), "2 in");
        assert_eq!(Length::from_mm(-0.01).shown(UnitSystem::Metric), "0.0 mm");
        assert_eq!(Length::new(f64::NAN).shown(UnitSystem::Metric), "- mm");
        let rate = SpringRate::from_lbf_per_in(165.0);
        assert_eq!(rate.shown(UnitSystem::Inch), "165.0 lbf/in");
        assert_eq!(Mass::from_pounds(172.0).shown(UnitSystem::Inch), "172.0 lb");
        assert_eq!(Angle::from_deg(14.0).shown(UnitSystem::Inch), "14.00 deg");
        assert_eq!(
            RollRate::from_nm_per_deg(220.0).shown(UnitSystem::Metric),
            "220.0 N m/deg"
        );
        assert_eq!(Force::from_lbf(350.0).shown(UnitSystem::Inch), "350 lbf");
    }

    proptest! {
        #[test]
        fn prop_any_text_never_panics(text in "\\PC{0,40}") {
            for due in [Dimension::Length, Dimension::Angle, Dimension::Turns] {
                if let Ok(written) = read(&text, due) {
                    prop_assert!(written.si.is_finite());
                }
            }
        }

        #[test]
        fn prop_almost_quantities_never_panic(text in "[-+−0-9 ./,eE½⅞_]{0,12}(in|\"|mm|°|N/mm|)") {
            for due in [Dimension::Length, Dimension::Angle, Dimension::SpringRate] {
                if let Ok(written) = read(&text, due) {
                    prop_assert!(written.si.is_finite());
                }
            }
        }

        #[test]
        fn prop_si_text_comes_back_to_the_bit(m in -1e6_f64..1e6) {
            let back = Length::written(&format!("{m} m")).unwrap();
            prop_assert_eq!(back.m().to_bits(), m.to_bits());
        }

        #[test]
        fn prop_shown_comes_back_within_the_last_digit(
            value in -1e5_f64..1e5,
            inch in any::<bool>(),
        ) {
            let units = if inch { UnitSystem::Inch } else { UnitSystem::Metric };
            let rate = SpringRate::new(value * 10.0);
            let back = SpringRate::written(&rate.show(units, 6)).unwrap();
            prop_assert!((back.number(units) - rate.number(units)).abs() <= 0.51e-6);
            let angle = Angle::new(value * 1e-5);
            let back = Angle::written(&angle.show(units, 6)).unwrap();
            prop_assert!((back.deg() - angle.deg()).abs() <= 0.51e-6);
            let mass = Mass::new(value);
            let back = Mass::written(&mass.show(units, 6)).unwrap();
            prop_assert!((back.number(units) - mass.number(units)).abs() <= 0.51e-6);
        }

        #[test]
        fn prop_fractions_of_an_inch_come_back(parts in -100_000_i32..100_000, power in 0_u32..7) {
            let bottom = 2_u32.pow(power);
            let length = Length::from_inches(f64::from(parts) / f64::from(bottom));
            let back = Length::written(&length.show_fraction(bottom)).unwrap();
            prop_assert!((back.inches() - length.inches()).abs() < 1e-9);
        }
    }
}
