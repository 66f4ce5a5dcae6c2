//! Time as the data carries it: a moment is microseconds since 1970 UTC, made
//! once when bytes arrive (wall time at the start of a run plus the monotonic
//! time since), so that it never goes backward within a run.

/// A point in time, microseconds since 1970-01-01 UTC.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    serde::Serialize,
    serde::Deserialize,
)]
#[serde(transparent)]
pub struct Moment(i64);

/// A length of time in microseconds; negative where the end is before the start.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    serde::Serialize,
    serde::Deserialize,
)]
#[serde(transparent)]
pub struct Span(i64);

impl Moment {
    /// From microseconds since 1970 UTC.
    pub const fn from_unix_us(us: i64) -> Self {
        Self(us)
    }
    /// Microseconds since 1970 UTC.
    pub const fn unix_us(self) -> i64 {
        self.0
    }
    /// The time from `earlier` to this moment.
    pub const fn since(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Span {
    /// No time.
    pub const ZERO: Self = Self(0);
    /// From microseconds.
    pub const fn from_us(us: i64) -> Self {
        Self(us)
    }
    /// From seconds.
    #[allow(
        clippy::cast_possible_truncation,
        reason = "rounding to whole microseconds is meant"
    )]
    pub const fn from_s(s: f64) -> Self {
        Self((s * 1e6).round() as i64)
    }
    /// In microseconds.
    pub const fn us(self) -> i64 {
        self.0
    }
    /// In seconds.
    pub const fn s(self) -> f64 {
        self.0 as f64 * 1e-6
    }
}

impl std::ops::Add<Span> for Moment {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl std::ops::Sub<Span> for Moment {
    type Output = Self;
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}
