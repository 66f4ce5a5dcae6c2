//! Quantities: numbers that know their unit.
//!
//! In: what a person wrote (`"1 7/8 in"`). Out: SI values in newtypes, and
//! back to text in the sheet's own system. Refused: a number without a unit,
//! a unit of another dimension, anything that is not finite.
//!
//! Every type holds one `f64` in SI; the constructors and readers say the
//! unit. Stages that do matrices work on the raw SI value (`.m()`, `.n()`).

mod moment;
mod nearest;
mod number;
mod shown;
mod units;
mod written;

pub use moment::{Moment, Span};
pub use nearest::nearest;
pub use shown::{Quantity, decimals, shown};
pub use units::{Dimension, METRES_PER_FOOT};
pub use written::{QuantityError, Written, read};

/// The exact standard acceleration of free fall, m/s².
///
/// Source: NIST SP 811 appendix B (exact by definition).
pub const STANDARD_GRAVITY_M_S2: f64 = 9.806_65;
/// Metres in an inch, exact. Source: NIST SP 811 appendix B.
pub const METRES_PER_INCH: f64 = 0.0254;
/// Kilograms in a pound, exact. Source: NIST SP 811 appendix B.
pub const KILOGRAMS_PER_POUND: f64 = 0.453_592_37;
/// Newtons in a pound-force, exact product of the two definitions above.
pub const NEWTONS_PER_POUND_FORCE: f64 = KILOGRAMS_PER_POUND * STANDARD_GRAVITY_M_S2;

/// The system in which results are shown.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Default,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum UnitSystem {
    /// Millimetres, newtons, kilograms.
    #[default]
    Metric,
    /// Inches, pounds-force, pounds.
    Inch,
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $si:ident, $si_doc:literal, { $($(#[$udoc:meta])* $from:ident / $to:ident = $factor:expr;)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
        pub struct $name(f64);

        impl $name {
            /// Zero.
            pub const ZERO: Self = Self(0.0);
            #[doc = concat!("From a value in ", $si_doc, ".")]
            pub const fn new(si: f64) -> Self { Self(si) }
            #[doc = concat!("The value in ", $si_doc, ".")]
            pub const fn $si(self) -> f64 { self.0 }
            $($(#[$udoc])*
            pub const fn $from(value: f64) -> Self { Self(value * $factor) }
            $(#[$udoc])*
            pub const fn $to(self) -> f64 { self.0 / $factor })*
            /// The absolute value.
            #[must_use]
            pub const fn abs(self) -> Self { Self(self.0.abs()) }
            /// Whether the value is a number and not infinite.
            pub const fn is_finite(self) -> bool { self.0.is_finite() }
        }
        impl std::ops::Add for $name { type Output = Self; fn add(self, o: Self) -> Self { Self(self.0 + o.0) } }
        impl std::ops::Sub for $name { type Output = Self; fn sub(self, o: Self) -> Self { Self(self.0 - o.0) } }
        impl std::ops::Neg for $name { type Output = Self; fn neg(self) -> Self { Self(-self.0) } }
        impl std::ops::Mul<f64> for $name { type Output = Self; fn mul(self, o: f64) -> Self { Self(self.0 * o) } }
        impl std::ops::Div<f64> for $name { type Output = Self; fn div(self, o: f64) -> Self { Self(self.0 / o) } }
        impl std::ops::Div for $name { type Output = f64; fn div(self, o: Self) -> f64 { self.0 / o.0 } }
    };
}

quantity!(
    /// A length.
    Length, m, "metres", {
        /// In millimetres.
        from_mm / mm = 1e-3;
        /// In inches.
        from_inches / inches = METRES_PER_INCH;
    }
);
quantity!(
    /// An angle.
    Angle, rad, "radians", {
        /// In degrees.
        from_deg / deg = std::f64::consts::PI / 180.0;
    }
);
quantity!(
    /// A mass; what a scale reads, whatever the builder calls it.
    Mass, kg, "kilograms", {
        /// In pounds.
        from_pounds / pounds = KILOGRAMS_PER_POUND;
    }
);
quantity!(
    /// A force.
    Force, n, "newtons", {
        /// In pounds-force.
        from_lbf / lbf = NEWTONS_PER_POUND_FORCE;
    }
);
quantity!(
    /// A force per length: the rate of a spring, a tyre, a wheel.
    SpringRate, n_per_m, "newtons per metre", {
        /// In newtons per millimetre.
        from_n_per_mm / n_per_mm = 1e3;
        /// In pounds-force per inch.
        from_lbf_per_in / lbf_per_in = NEWTONS_PER_POUND_FORCE / METRES_PER_INCH;
    }
);
quantity!(
    /// A torque per angle: the roll rate of an axle or an anti-roll bar.
    RollRate, nm_per_rad, "newton metres per radian", {
        /// In newton metres per degree.
        from_nm_per_deg / nm_per_deg = 180.0 / std::f64::consts::PI;
    }
);
quantity!(
    /// A frequency.
    Frequency, hz, "hertz", {}
);

/// A point or a vector: x forward, y left, z up (ISO 8855), in the axes that
/// the owner names (frame or axle).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Point {
    /// Forward.
    pub x: Length,
    /// To the left.
    pub y: Length,
    /// Up.
    pub z: Length,
}

impl Point {
    /// From three lengths.
    pub const fn new(x: Length, y: Length, z: Length) -> Self {
        Self { x, y, z }
    }
    /// From millimetres.
    pub const fn from_mm(x: f64, y: f64, z: f64) -> Self {
        Self::new(Length::from_mm(x), Length::from_mm(y), Length::from_mm(z))
    }
    /// The three coordinates in metres.
    pub const fn m(self) -> [f64; 3] {
        [self.x.m(), self.y.m(), self.z.m()]
    }
    /// The same point on the other side of the vehicle's centre plane.
    #[must_use]
    pub fn mirrored(self) -> Self {
        Self { y: -self.y, ..self }
    }
}

impl std::ops::Add for Point {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        Self::new(self.x + o.x, self.y + o.y, self.z + o.z)
    }
}

impl std::ops::Sub for Point {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        Self::new(self.x - o.x, self.y - o.y, self.z - o.z)
    }
}
