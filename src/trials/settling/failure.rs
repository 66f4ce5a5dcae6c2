//! What cannot be fitted, and what the user must know about a fit that could.

use serde::Serialize;
use thiserror::Error;

/// Why no fit was made.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum SettlingError {
    /// Fewer readings than any law that changes can be judged by.
    #[error("{found} readings are too few, at least {needed} are needed")]
    TooFewReadings {
        /// Readings given, doubles counted once.
        found: usize,
        /// Readings needed for what was asked.
        needed: usize,
    },
    /// Times, heights and uncertainties differ in number.
    #[error(
        "{times} times, {heights} heights and {uncertainties} uncertainties do not belong together"
    )]
    LengthsDiffer {
        /// Number of times.
        times: usize,
        /// Number of heights.
        heights: usize,
        /// Number of uncertainties (as many as heights where none were given).
        uncertainties: usize,
    },
    /// A number is NaN or infinite.
    #[error("{what} of reading {index} is not a finite number")]
    NotFinite {
        /// "time", "height" or "uncertainty".
        what: &'static str,
        /// Index of the reading, from 0.
        index: usize,
    },
    /// A reading from before the load was put on.
    #[error("reading {index} is from before time zero: '{time_h} h'")]
    BeforeZero {
        /// Index of the reading, from 0.
        index: usize,
        /// Its time in hours.
        time_h: f64,
    },
    /// A standard uncertainty that is zero or negative.
    #[error("uncertainty of reading {index} must be positive, found '{u_mm} mm'")]
    UncertaintyNotPositive {
        /// Index of the reading, from 0.
        index: usize,
        /// The uncertainty in millimetres.
        u_mm: f64,
    },
    /// All readings are from the same moment.
    #[error("all {found} readings are from the same time")]
    NoTimePassed {
        /// Readings given.
        found: usize,
    },
    /// No law of that name.
    #[error("unknown law '{name}'")]
    UnknownLaw {
        /// The name given.
        name: String,
    },
    /// A parameter that the law, or any law, does not have.
    #[error("no parameter '{name}' in {where_looked}")]
    UnknownParameter {
        /// The name given.
        name: String,
        /// Name of the law, or "any law".
        where_looked: String,
    },
    /// A value at which a parameter cannot be held.
    #[error("'{name}' cannot be held at '{value}'")]
    FixedOutOfRange {
        /// Name of the parameter.
        name: String,
        /// The value given.
        value: f64,
    },
    /// Not of the form NAME=VALUE.
    #[error("'{text}' is not of the form NAME=VALUE")]
    FixNotUnderstood {
        /// The text given.
        text: String,
    },
    /// Nothing is left to fit.
    #[error("all parameters of '{law}' are held, nothing is left to fit")]
    NothingToFit {
        /// Name of the law.
        law: &'static str,
    },
    /// The first line does not name the columns.
    #[error("{file}:{line}:{column}: '{found}' is no column name")]
    CsvHeader {
        /// File name as the user gave it.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Character in the line, from 1.
        column: usize,
        /// What stands there.
        found: String,
    },
    /// A row with too few or too many cells.
    #[error("{file}:{line}:{column}: {found} cells, expected {expected}")]
    CsvCells {
        /// File name as the user gave it.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Character in the line, from 1.
        column: usize,
        /// Cells found.
        found: usize,
        /// Cells in the header.
        expected: usize,
    },
    /// A cell that is not a finite number.
    #[error("{file}:{line}:{column}: '{found}' is not a number")]
    CsvNumber {
        /// File name as the user gave it.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Character in the line, from 1.
        column: usize,
        /// What stands there.
        found: String,
    },
    /// No line with column names, or no row below it.
    #[error("{file}: no readings")]
    CsvEmpty {
        /// File name as the user gave it.
        file: String,
    },
    /// The fit itself could not be set up.
    #[error("the fit could not be set up: {0}")]
    Fit(#[from] crate::leastsquares::LeastSquaresError),
}

impl SettlingError {
    /// Stable code of this failure.
    pub fn code(&self) -> &'static str {
        match self {
            Self::TooFewReadings { .. } => "settling.readings.too_few",
            Self::LengthsDiffer { .. } => "settling.readings.lengths",
            Self::NotFinite { .. } => "settling.readings.not_finite",
            Self::BeforeZero { .. } => "settling.readings.before_zero",
            Self::UncertaintyNotPositive { .. } => "settling.readings.uncertainty",
            Self::NoTimePassed { .. } => "settling.readings.no_time",
            Self::UnknownLaw { .. } => "settling.law.unknown",
            Self::UnknownParameter { .. } => "settling.fix.unknown",
            Self::FixedOutOfRange { .. } => "settling.fix.range",
            Self::FixNotUnderstood { .. } => "settling.fix.form",
            Self::NothingToFit { .. } => "settling.fix.all",
            Self::CsvHeader { .. } => "settling.csv.header",
            Self::CsvCells { .. } => "settling.csv.cells",
            Self::CsvNumber { .. } => "settling.csv.number",
            Self::CsvEmpty { .. } => "settling.csv.empty",
            Self::Fit(inner) => inner.code(),
        }
    }

    /// One sentence on what to do about it.
    pub fn help(&self) -> &'static str {
        match self {
            Self::TooFewReadings { .. } => {
                "take more readings; two of them show a difference, but not how it goes on"
            }
            Self::LengthsDiffer { .. } => "give one time and one height for each reading",
            Self::NotFinite { .. } => "take out the reading that is not a number",
            Self::BeforeZero { .. } => {
                "count time from the moment the load was put on, and leave out what was before"
            }
            Self::UncertaintyNotPositive { .. } => {
                "give each reading an uncertainty above zero, or none to all"
            }
            Self::NoTimePassed { .. } => "take readings at different times",
            Self::UnknownLaw { .. } => {
                "the laws are none, exponential, two-exponentials, log-creep and power"
            }
            Self::UnknownParameter { .. } => {
                "parameters are end_mm, start_mm, tau_h, a1_mm, tau1_h, a2_mm, tau2_h, per_decade_mm, t0_h, b_mm, n and level_mm"
            }
            Self::FixedOutOfRange { .. } => {
                "time constants and exponents must be above zero, and tau1_h below tau2_h"
            }
            Self::FixNotUnderstood { .. } => "write for instance start_mm=400",
            Self::NothingToFit { .. } => "leave at least one parameter free",
            Self::CsvHeader { .. } => {
                "the first line names the columns: time_h (or time_s, time_min, time_d), height_mm (or height_cm, height_m, height_in), and if wanted u_mm"
            }
            Self::CsvCells { .. } => {
                "give every row one cell for each column, separated as in the first line"
            }
            Self::CsvNumber { .. } => "write numbers with a decimal point and without a unit",
            Self::CsvEmpty { .. } => {
                "write the column names in the first line and one reading in each line below"
            }
            Self::Fit(inner) => inner.help(),
        }
    }
}

/// Something the user must know about a fit that was made.
#[derive(Debug, Clone, PartialEq, Serialize, Error)]
#[serde(tag = "notice", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Notice {
    /// Readings were not in order of time and were sorted.
    #[error(
        "{places} readings were earlier than the one before them (first: reading {first_index}) and were put in order; if a clock was set back, mend the times"
    )]
    Sorted {
        /// How many readings were earlier than their predecessor.
        places: usize,
        /// Index of the first of them, from 0.
        first_index: usize,
    },
    /// Readings given twice were counted once.
    #[error("{count} readings were there twice, time and height, and count once")]
    Doubled {
        /// How many were dropped.
        count: usize,
    },
    /// A long time without readings.
    #[error("no readings between {from_h} h and {to_h} h")]
    Gap {
        /// Last reading before it.
        from_h: f64,
        /// First reading after it.
        to_h: f64,
    },
    /// Time zero lies far before the first reading.
    #[error(
        "the first reading is {first_h} h after time zero, far longer than the readings last: the laws count time from the moment the load was put on"
    )]
    FarFromZero {
        /// Time of the first reading.
        first_h: f64,
    },
    /// All heights are the same.
    #[error(
        "all readings are the same: changes below the resolution of the instrument cannot be seen"
    )]
    Constant,
    /// Residuals hang together.
    #[error(
        "the noise hangs together (lag-1 correlation {correlation:.2}): {readings} readings count as {effective:.0}, and the intervals are widened to that"
    )]
    CorrelatedNoise {
        /// Correlation of each residual with the next.
        correlation: f64,
        /// Readings in the fit.
        readings: usize,
        /// As how many independent ones they count.
        effective: f64,
    },
    /// A law that the readings cannot determine fits them no worse than the chosen one.
    #[error(
        "'{law}' fits the readings as well, but {} not determined by them: what is still to come cannot be told yet",
        with_verb(.parameters)
    )]
    RivalNotDetermined {
        /// Name of that law.
        law: &'static str,
        /// Its parameters that are not determined.
        parameters: Vec<&'static str>,
    },
}

fn with_verb(parameters: &[&str]) -> String {
    let verb = if parameters.len() == 1 { "is" } else { "are" };
    format!("{} {verb}", parameters.join(" and "))
}
