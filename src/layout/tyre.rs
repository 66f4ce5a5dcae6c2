//! Tyres and wheels: a size code to diameters, a wheel to its outline.
//!
//! In: a code such as `235/60R17`, or what a tape says. Out: an outline of
//! rectangles in the half-plane (radius, across). Refused: codes that are none.

use super::LayoutError;
use super::error::over;
use crate::quantity::Length;

/// Rim diameters that the standards give for their codes, mm.
///
/// Source: UN Regulation 30 / ISO 4000-1 (from memory).
const RIM_TABLE: [(u32, f64); 14] = [
    (10, 254.0),
    (12, 305.0),
    (13, 330.0),
    (14, 356.0),
    (15, 381.0),
    (16, 406.0),
    (17, 432.0),
    (18, 457.0),
    (19, 483.0),
    (20, 508.0),
    (21, 533.0),
    (22, 559.0),
    (23, 584.0),
    (24, 610.0),
];

/// A metric tyre size code: section width, aspect ratio, rim code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TyreSize {
    /// Nominal section width, mm.
    pub width_mm: u32,
    /// Section height as a share of the width, per cent.
    pub aspect_percent: u32,
    /// Nominal rim diameter, inches.
    pub rim_code: u32,
}

/// How a diameter is worked out from a code; they differ by up to a millimetre.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DiameterRule {
    /// Rim diameter from the standard's table, section height rounded to the
    /// millimetre.
    Standard,
    /// 25.4 mm for each inch of the code, section height not rounded.
    Plain,
}

impl std::str::FromStr for TyreSize {
    type Err = LayoutError;

    /// `235/60R17`, with blanks, a leading letter, `ZR`, or a load index and
    /// speed symbol after it as they stand on a side wall.
    fn from_str(text: &str) -> Result<Self, LayoutError> {
        let none = |why: &str| LayoutError::impossible("tyre.size", text, why);
        let form = "a size code looks like '235/60R17'";
        let upper = text.trim().to_ascii_uppercase();
        let bare = upper.trim_start_matches(|c: char| c.is_ascii_alphabetic());
        if upper.len() - bare.len() > 2 {
            return Err(none(form));
        }
        let (width, rest) = bare.split_once('/').ok_or_else(|| none(form))?;
        let (aspect, rim) = rest.split_once(['R', 'D', '-']).ok_or_else(|| none(form))?;
        let aspect = aspect.trim().trim_end_matches('Z').trim();
        let rim = rim.trim_start();
        let digits = rim.find(|c: char| !c.is_ascii_digit()).unwrap_or(rim.len());
        let (rim, after) = rim.split_at(digits);
        if after.starts_with(['.', ',']) {
            return Err(none("rims of half an inch are not in the tables"));
        }
        let whole = |part: &str| part.trim().parse::<u32>().map_err(|_| none(form));
        let size = Self {
            width_mm: whole(width)?,
            aspect_percent: whole(aspect)?,
            rim_code: whole(rim)?,
        };
        if !(100..=400).contains(&size.width_mm) {
            return Err(none("the section width must be from 100 to 400 mm"));
        }
        if !(20..=100).contains(&size.aspect_percent) {
            return Err(none("the aspect ratio must be from 20 to 100"));
        }
        if !RIM_TABLE.iter().any(|(code, _)| *code == size.rim_code) {
            return Err(none("the rim code must be one of 10, 12 to 24"));
        }
        Ok(size)
    }
}

impl std::fmt::Display for TyreSize {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{}/{}R{}",
            self.width_mm, self.aspect_percent, self.rim_code
        )
    }
}

impl TyreSize {
    /// Rim diameter at the bead seats.
    pub fn rim_diameter(self, rule: DiameterRule) -> Length {
        let table = RIM_TABLE.iter().find(|(code, _)| *code == self.rim_code);
        Length::from_mm(match (rule, table) {
            (DiameterRule::Standard, Some((_, mm))) => *mm,
            _ => f64::from(self.rim_code) * 25.4,
        })
    }

    /// Section height.
    pub fn section_height(self, rule: DiameterRule) -> Length {
        let exact = f64::from(self.width_mm) * f64::from(self.aspect_percent) / 100.0;
        Length::from_mm(match rule {
            DiameterRule::Standard => exact.round(),
            DiameterRule::Plain => exact,
        })
    }

    /// Overall diameter, not loaded: rim and two section heights.
    ///
    /// Source: UN Regulation 30 / ISO 4000-1, `D = d + 2 H` (from memory).
    pub fn diameter(self, rule: DiameterRule) -> Length {
        self.rim_diameter(rule) + self.section_height(rule) * 2.0
    }

    /// Half the range in which a new tyre's diameter may lie: two section heights
    /// times 0.97 to 1.04 (UN Regulation 30, from memory), taken as 3.5 %.
    pub fn diameter_half_range(self) -> Length {
        self.section_height(DiameterRule::Plain) * (2.0 * 0.035)
    }

    /// Section width on a rim: 0.4 of what the rim is wider than the measuring
    /// rim (UN Regulation 30: `S = S1 + K (A - A1)`, K 0.4).
    pub fn section_width(self, rim_width: Length) -> Length {
        let nominal = Length::from_mm(f64::from(self.width_mm));
        nominal + (rim_width - nominal * self.measuring_rim_share()) * 0.4
    }

    /// Width of the measuring rim as a share of the section width, by aspect
    /// ratio (tyre tables, from memory; an uncertainty of some millimetres).
    const fn measuring_rim_share(self) -> f64 {
        match self.aspect_percent {
            0..=44 => 0.9,
            45..=54 => 0.85,
            55..=69 => 0.75,
            _ => 0.7,
        }
    }
}

/// A wheel with its tyre; uncertainties are standard.
#[derive(Debug, Clone, PartialEq)]
pub struct Wheel {
    /// What the builder calls it.
    pub name: String,
    /// Overall diameter.
    pub diameter: Length,
    /// Uncertainty of the diameter.
    pub diameter_uncertainty: Length,
    /// Width of the tyre's section.
    pub section: Length,
    /// Uncertainty of it.
    pub section_uncertainty: Length,
    /// Rim diameter at the bead seats.
    pub rim_diameter: Length,
    /// Rim width between the flanges.
    pub rim_width: Length,
    /// Wheel centre plane inboard of the hub face.
    pub offset: Length,
    /// Radius inside the barrel, where a bracket may be.
    pub barrel_radius: Length,
    /// Outer radius of the flanges.
    pub flange_radius: Length,
    /// Thickness of one flange across.
    pub flange_thickness: Length,
    /// Uncertainty of the rim's measures.
    pub rim_uncertainty: Length,
}

/// Drop and thickness of the barrel under the bead seat: common practice, no source.
const BARREL_UNDER_BEAD_MM: f64 = 22.0;
/// Height of a flange over the bead seat. Source: ISO 4000-2, flange J (from memory).
const FLANGE_OVER_BEAD_MM: f64 = 17.3;
/// Thickness of a flange: common practice, no source.
pub(super) const FLANGE_THICKNESS: Length = Length::from_mm(12.5);

impl Wheel {
    /// A tyre by its code on a rim, all else by the defaults: barrel 22 mm under
    /// the bead seat, flanges 17.3 mm over it and 12.5 mm thick; the tyre as
    /// uncertain as the standard lets it be, the section by 3 %, the rim by 2 mm.
    pub fn by_code(size: TyreSize, rim_width: Length, offset: Length) -> Self {
        let rule = DiameterRule::Standard;
        let rim = size.rim_diameter(rule);
        let section = size.section_width(rim_width);
        let uniform = 3.0_f64.sqrt();
        Self {
            name: size.to_string(),
            diameter: size.diameter(rule),
            diameter_uncertainty: size.diameter_half_range() / uniform,
            section,
            section_uncertainty: section * 0.03 / uniform,
            rim_diameter: rim,
            rim_width,
            offset,
            barrel_radius: rim / 2.0 - Length::from_mm(BARREL_UNDER_BEAD_MM),
            flange_radius: rim / 2.0 + Length::from_mm(FLANGE_OVER_BEAD_MM),
            flange_thickness: FLANGE_THICKNESS,
            rim_uncertainty: Length::from_mm(2.0),
        }
    }

    /// Whether its measures can be.
    ///
    /// # Errors
    /// Two fields that contradict each other, named.
    pub fn check(&self) -> Result<(), LayoutError> {
        let mm = |l: Length| format!("{:.1} mm", l.mm());
        let order = [
            (
                "wheel.barrel_radius",
                self.barrel_radius,
                "wheel.flange_radius",
                self.flange_radius,
            ),
            (
                "wheel.flange_radius",
                self.flange_radius,
                "wheel.diameter / 2",
                self.diameter / 2.0,
            ),
        ];
        for (first, a, second, b) in order {
            if !(a.m() > 0.0 && a < b) {
                return Err(LayoutError::Contradiction {
                    first: first.to_owned(),
                    first_value: mm(a),
                    second: second.to_owned(),
                    second_value: mm(b),
                    why: "the first must be the smaller".to_owned(),
                });
            }
        }
        for (field, value) in [
            ("wheel.section", self.section),
            ("wheel.rim_width", self.rim_width),
        ] {
            if !over(value.m(), 0.0) {
                return Err(LayoutError::impossible(
                    field,
                    mm(value),
                    "it must be greater than zero",
                ));
            }
        }
        Ok(())
    }
}

/// Which part of a wheel is nearest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WheelPart {
    /// The tyre.
    Tyre,
    /// Barrel or flange of the rim.
    Rim,
    /// The disc between hub face and rim.
    Disc,
}

impl WheelPart {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Tyre => "tyre",
            Self::Rim => "rim",
            Self::Disc => "wheel disc",
        }
    }
}

/// A ring in the half-plane (radius, across): a rectangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ring {
    /// Of which part.
    pub part: WheelPart,
    /// Radius from, to, metres.
    pub radius: [f64; 2],
    /// Across from, to, metres outboard of the wheel's centre plane.
    pub across: [f64; 2],
}

/// What is nearest to a point, and how far.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Nearest {
    pub(super) part: WheelPart,
    /// Metres; negative inside.
    pub(super) distance: f64,
    /// How the distance answers to the part's radius and to its place across.
    pub(super) direction: [f64; 2],
}

impl Ring {
    fn nearest(&self, radius: f64, across: f64) -> Nearest {
        let off = |x: f64, [from, to]: [f64; 2]| {
            if x < from {
                (from - x, -1.0)
            } else if x > to {
                (x - to, 1.0)
            } else if x - from < to - x {
                (from - x, -1.0)
            } else {
                (x - to, 1.0)
            }
        };
        let (dr, nr) = off(radius, self.radius);
        let (da, na) = off(across, self.across);
        let (distance, direction) = if dr > 0.0 && da > 0.0 {
            let d = dr.hypot(da);
            (d, [nr * dr / d, na * da / d])
        } else if dr > da {
            (dr, [nr, 0.0])
        } else {
            (da, [0.0, na])
        };
        Nearest {
            part: self.part,
            distance,
            direction,
        }
    }
}

impl Wheel {
    /// Its outline: tyre, rim and disc as rings, edges square, so that a corner
    /// never looks better than it is.
    pub fn rings(&self) -> [Ring; 3] {
        let half = self.section.m() / 2.0;
        let rim = self.rim_width.m() / 2.0 + self.flange_thickness.m();
        let (barrel, flange) = (self.barrel_radius.m(), self.flange_radius.m());
        [
            Ring {
                part: WheelPart::Tyre,
                radius: [flange.min(self.diameter.m() / 2.0), self.diameter.m() / 2.0],
                across: [-half, half],
            },
            Ring {
                part: WheelPart::Rim,
                radius: [barrel, flange],
                across: [-rim, rim],
            },
            Ring {
                part: WheelPart::Disc,
                radius: [0.0, barrel],
                across: [self.offset.m().min(rim), rim],
            },
        ]
    }

    /// The nearest part to a point at a radius from the wheel's axis, so far
    /// outboard of its centre plane.
    pub(super) fn nearest(&self, radius: f64, across: f64) -> Nearest {
        let [tyre, rim, disc] = self.rings().map(|r| r.nearest(radius, across));
        let nearer = |a: Nearest, b: Nearest| if b.distance < a.distance { b } else { a };
        nearer(nearer(tyre, rim), disc)
    }

    /// Standard uncertainty of a distance to the nearest part.
    pub(super) fn doubt(&self, nearest: &Nearest) -> f64 {
        let [nr, na] = nearest.direction;
        let (ur, ua) = match nearest.part {
            WheelPart::Tyre => (
                self.diameter_uncertainty.m() / 2.0,
                self.section_uncertainty.m() / 2.0,
            ),
            WheelPart::Rim | WheelPart::Disc => {
                (self.rim_uncertainty.m(), self.rim_uncertainty.m())
            }
        };
        (nr * ur).hypot(na * ua)
    }
}
