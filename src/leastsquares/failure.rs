//! What least squares refuses to work on, and the help that goes with it.

use thiserror::Error;

/// Input that cannot be fitted, or a quantile that does not exist.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LeastSquaresError {
    /// There is nothing to fit, or nothing to fit it with.
    #[error("nothing to fit: {residuals} residuals, {parameters} parameters")]
    Empty {
        /// Number of residuals given.
        residuals: usize,
        /// Number of parameters given.
        parameters: usize,
    },
    /// Two inputs that belong together differ in length.
    #[error("{what} has length {found}, expected {expected}")]
    Length {
        /// Which input.
        what: &'static str,
        /// Its length.
        found: usize,
        /// The length that fits the others.
        expected: usize,
    },
    /// A number is NaN or infinite.
    #[error("{what} number {index} is not finite")]
    NotFinite {
        /// Which input.
        what: &'static str,
        /// Index in it, from 0.
        index: usize,
    },
    /// A lower bound lies above its upper bound.
    #[error("bounds of parameter {parameter} are the wrong way round: '{lower}' to '{upper}'")]
    BoundsCrossed {
        /// Index of the parameter, from 0.
        parameter: usize,
        /// Lower bound.
        lower: f64,
        /// Upper bound.
        upper: f64,
    },
    /// A standard uncertainty, weight or tuning constant must be positive.
    #[error("{what} must be positive, found '{value}'")]
    NotPositive {
        /// Which number.
        what: &'static str,
        /// The number.
        value: f64,
    },
    /// The design matrix does not determine all parameters.
    #[error("the data do not determine parameters {parameters:?}")]
    NotDetermined {
        /// Indices of the parameters that can be traded against each other, from 0.
        parameters: Vec<usize>,
    },
    /// A probability outside the open interval from 0 to 1, or degrees of freedom that are not positive.
    #[error(
        "no quantile for probability '{probability}' with '{degrees_of_freedom}' degrees of freedom"
    )]
    Quantile {
        /// Probability asked for.
        probability: f64,
        /// Degrees of freedom, or number of trials.
        degrees_of_freedom: f64,
    },
}

impl LeastSquaresError {
    /// Stable code of this failure.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Empty { .. } => "leastsquares.input.empty",
            Self::Length { .. } => "leastsquares.input.length",
            Self::NotFinite { .. } => "leastsquares.input.not_finite",
            Self::BoundsCrossed { .. } => "leastsquares.bounds.crossed",
            Self::NotPositive { .. } => "leastsquares.input.not_positive",
            Self::NotDetermined { .. } => "leastsquares.not_determined",
            Self::Quantile { .. } => "leastsquares.quantile.range",
        }
    }

    /// One sentence on what to do about it.
    pub fn help(&self) -> &'static str {
        match self {
            Self::Empty { .. } => "give at least one reading and one unknown",
            Self::Length { .. } => "give one entry for each reading and one for each unknown",
            Self::NotFinite { .. } => "take out the reading that is not a number",
            Self::BoundsCrossed { .. } => "give the smaller bound first",
            Self::NotPositive { .. } => "give a number above zero",
            Self::NotDetermined { .. } => {
                "take readings at other places or times, or hold one of the parameters"
            }
            Self::Quantile { .. } => {
                "give a probability between 0 and 1 and at least one degree of freedom"
            }
        }
    }
}
