//! The units that people write, with what each is in SI.
//!
//! In: a unit as typed. Out: the entry of the table. Refused: anything that is
//! not in it; the nearest that is, is offered.

use super::{KILOGRAMS_PER_POUND, METRES_PER_INCH, NEWTONS_PER_POUND_FORCE, STANDARD_GRAVITY_M_S2};

/// Metres in a foot, exact. Source: NIST SP 811 appendix B.
pub const METRES_PER_FOOT: f64 = 0.3048;
/// Radians in a degree.
const DEGREE: f64 = std::f64::consts::PI / 180.0;
const PSI: f64 = NEWTONS_PER_POUND_FORCE / (METRES_PER_INCH * METRES_PER_INCH);
const LBF_PER_IN: f64 = NEWTONS_PER_POUND_FORCE / METRES_PER_INCH;
const LBF_FT: f64 = NEWTONS_PER_POUND_FORCE * METRES_PER_FOOT;
const LBF_IN: f64 = NEWTONS_PER_POUND_FORCE * METRES_PER_INCH;

/// What a quantity is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Dimension {
    /// SI: metres.
    Length,
    /// SI: radians.
    Angle,
    /// SI: kilograms.
    Mass,
    /// SI: newtons.
    Force,
    /// SI: newtons per metre.
    SpringRate,
    /// SI: newton metres per radian.
    RollRate,
    /// SI: hertz.
    Frequency,
    /// SI: seconds.
    Time,
    /// Gauge pressure. SI: pascals.
    Pressure,
    /// Turns of a collar.
    Turns,
    /// A share, 1 = all of it.
    Share,
}

impl Dimension {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::Length,
        Self::Angle,
        Self::Mass,
        Self::Force,
        Self::SpringRate,
        Self::RollRate,
        Self::Frequency,
        Self::Time,
        Self::Pressure,
        Self::Turns,
        Self::Share,
    ];
}

/// How a number with the unit becomes SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Scale {
    /// Times this.
    Times(f64),
    /// A rise over a run, times this: the angle is its arc tangent.
    Slope(f64),
}

/// One unit.
#[derive(Debug)]
pub(super) struct Unit {
    /// Spellings; the first is the one shown.
    pub(super) names: &'static [&'static str],
    pub(super) of: Dimension,
    pub(super) scale: Scale,
}

const fn unit(of: Dimension, factor: f64, names: &'static [&'static str]) -> Unit {
    Unit {
        names,
        of,
        scale: Scale::Times(factor),
    }
}

const fn slope(factor: f64, names: &'static [&'static str]) -> Unit {
    Unit {
        names,
        of: Dimension::Angle,
        scale: Scale::Slope(factor),
    }
}

/// All units. What is typed is tidied
/// (see [`tidied`]) before it is looked up here. A pound is a mass, and a force only where a
/// force is due; so is the kilogram in a rate, as springs are marked.
///
/// Source of the factors: NIST SP 811 appendix B, exact definitions.
pub(super) static UNITS: &[Unit] = {
    use Dimension::{
        Angle, Force, Frequency, Length, Mass, Pressure, RollRate, Share, SpringRate, Time, Turns,
    };
    &[
        unit(
            Length,
            1e-3,
            &[
                "mm",
                "millimetre",
                "millimetres",
                "millimeter",
                "millimeters",
            ],
        ),
        unit(
            Length,
            1e-2,
            &[
                "cm",
                "centimetre",
                "centimetres",
                "centimeter",
                "centimeters",
            ],
        ),
        unit(Length, 1.0, &["m", "metre", "metres", "meter", "meters"]),
        unit(
            Length,
            METRES_PER_INCH,
            &["in", "inch", "inches", "\"", "″", "”", "''"],
        ),
        unit(
            Length,
            METRES_PER_FOOT,
            &["ft", "foot", "feet", "'", "′", "’"],
        ),
        unit(Length, 1e-6, &["µm", "μm", "um"]),
        unit(Length, METRES_PER_INCH * 1e-3, &["thou"]),
        unit(Angle, DEGREE, &["deg", "°", "degree", "degrees"]),
        unit(Angle, 1.0, &["rad", "radian", "radians"]),
        unit(Angle, 1e-3, &["mrad"]),
        slope(1e-3, &["mm/m"]),
        slope(METRES_PER_INCH / METRES_PER_FOOT, &["in/ft"]),
        unit(Mass, 1.0, &["kg", "kilogram", "kilograms"]),
        unit(Mass, 1e-3, &["g", "gram", "grams"]),
        unit(
            Mass,
            KILOGRAMS_PER_POUND,
            &["lb", "lbs", "pound", "pounds", "lbm"],
        ),
        unit(Force, 1.0, &["N", "newton", "newtons"]),
        unit(Force, 1e3, &["kN"]),
        unit(
            Force,
            NEWTONS_PER_POUND_FORCE,
            &["lbf", "lb", "lbs", "pound", "pounds"],
        ),
        unit(Force, STANDARD_GRAVITY_M_S2, &["kgf", "kp"]),
        unit(SpringRate, 1e3, &["N/mm"]),
        unit(SpringRate, 1e2, &["N/cm"]),
        unit(SpringRate, 1.0, &["N/m"]),
        unit(SpringRate, 1e3, &["kN/m"]),
        unit(SpringRate, 1e6, &["kN/mm"]),
        unit(
            SpringRate,
            LBF_PER_IN,
            &[
                "lbf/in", "lb/in", "lbs/in", "lbf/inch", "lb/inch", "lbs/inch",
            ],
        ),
        unit(
            SpringRate,
            STANDARD_GRAVITY_M_S2 * 1e3,
            &["kgf/mm", "kg/mm", "kp/mm"],
        ),
        unit(RollRate, 180.0 / std::f64::consts::PI, &["Nm/deg", "Nm/°"]),
        unit(RollRate, 1.0, &["Nm/rad"]),
        unit(
            RollRate,
            1e3 * 180.0 / std::f64::consts::PI,
            &["kNm/deg", "kNm/°"],
        ),
        unit(RollRate, 1e3, &["kNm/rad"]),
        unit(
            RollRate,
            LBF_FT / DEGREE,
            &[
                "lbfft/deg",
                "lbft/deg",
                "ftlb/deg",
                "ftlbf/deg",
                "lbfft/°",
                "lbft/°",
            ],
        ),
        unit(
            RollRate,
            LBF_IN / DEGREE,
            &[
                "lbfin/deg",
                "lbin/deg",
                "inlb/deg",
                "inlbf/deg",
                "lbfin/°",
                "lbin/°",
            ],
        ),
        unit(Frequency, 1.0, &["Hz", "hertz"]),
        unit(Frequency, 1.0 / 60.0, &["cpm"]),
        unit(Time, 1.0, &["s", "sec", "second", "seconds"]),
        unit(Time, 1e-3, &["ms"]),
        unit(Time, 60.0, &["min", "minute", "minutes"]),
        unit(Pressure, 1e5, &["bar"]),
        unit(Pressure, 1e3, &["kPa"]),
        unit(Pressure, PSI, &["psi", "lbf/in2", "lbf/in²"]),
        unit(Pressure, 1e6, &["MPa", "N/mm2", "N/mm²"]),
        unit(Pressure, 1.0, &["Pa"]),
        unit(Turns, 1.0, &["turn", "turns"]),
        unit(Share, 1e-2, &["%", "percent"]),
    ]
};

impl Dimension {
    /// With its article: `a length`.
    pub fn with_article(self) -> &'static str {
        match self {
            Self::Length => "a length",
            Self::Angle => "an angle",
            Self::Mass => "a mass",
            Self::Force => "a force",
            Self::SpringRate => "a spring rate",
            Self::RollRate => "a roll rate",
            Self::Frequency => "a frequency",
            Self::Time => "a time",
            Self::Pressure => "a pressure",
            Self::Turns => "a number of turns",
            Self::Share => "a share",
        }
    }

    /// As it stands in codes: `spring_rate`.
    pub fn code(self) -> &'static str {
        match self {
            Self::Length => "length",
            Self::Angle => "angle",
            Self::Mass => "mass",
            Self::Force => "force",
            Self::SpringRate => "spring_rate",
            Self::RollRate => "roll_rate",
            Self::Frequency => "frequency",
            Self::Time => "time",
            Self::Pressure => "pressure",
            Self::Turns => "turns",
            Self::Share => "share",
        }
    }

    /// An example as one would write it.
    pub fn example(self) -> &'static str {
        match self {
            Self::Length => "47.6 mm",
            Self::Angle => "14 deg",
            Self::Mass => "63 kg",
            Self::Force => "350 N",
            Self::SpringRate => "24.5 N/mm",
            Self::RollRate => "220 N m/deg",
            Self::Frequency => "1.5 Hz",
            Self::Time => "2 s",
            Self::Pressure => "3.2 bar",
            Self::Turns => "1/4 turn",
            Self::Share => "5 %",
        }
    }

    /// The units that fit, each in its first spelling.
    pub fn units(self) -> impl Iterator<Item = &'static str> {
        UNITS
            .iter()
            .filter(move |u| u.of == self)
            .map(|u| u.names[0])
    }

    /// Every spelling of every unit that fits.
    pub fn spellings(self) -> impl Iterator<Item = &'static str> {
        UNITS
            .iter()
            .filter(move |u| u.of == self)
            .flat_map(|u| u.names.iter().copied())
    }

    /// The units that fit, as a list to read: `mm, cm, m, in or ft`.
    pub fn units_to_read(self) -> String {
        let all: Vec<_> = self.units().collect();
        match all.split_last() {
            Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
            _ => all.concat(),
        }
    }
}

/// A typed unit without multiplication dots and without spaces beside a
/// stroke; where a torque is in it (`N m/deg`) without any spaces.
pub(super) fn tidied(unit: &str, due: Dimension) -> String {
    let parts = unit.split('/').map(|part| {
        part.trim()
            .chars()
            .filter(|c| {
                let space = c.is_whitespace() && due == Dimension::RollRate;
                !space && !matches!(c, '·' | '⋅' | '*' | '.')
            })
            .collect::<String>()
    });
    parts.collect::<Vec<_>>().join("/")
}

/// The unit of that spelling among those of `due`, letter by letter, or else
/// without regard to capitals where that leaves one only.
pub(super) fn find(tidy: &str, due: Dimension) -> Option<&'static Unit> {
    let fitting = || UNITS.iter().filter(|u| u.of == due);
    if let Some(unit) = fitting().find(|u| u.names.contains(&tidy)) {
        return Some(unit);
    }
    let lower = tidy.to_lowercase();
    let mut loose = fitting().filter(|u| u.names.iter().any(|n| n.to_lowercase() == lower));
    match (loose.next(), loose.next()) {
        (Some(one), None) => Some(one),
        _ => None,
    }
}

/// The unit of that spelling among all, where the due dimension has none.
pub(super) fn find_any(tidy: &str) -> Option<&'static Unit> {
    UNITS.iter().find(|u| u.names.contains(&tidy))
}
