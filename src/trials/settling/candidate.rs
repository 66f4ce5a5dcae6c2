//! One law fitted to a series: parameters and covariance, or the reason why there are none.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::beside::FittedBeside;
use super::law::{Law, MOST, Moment};
use crate::leastsquares::{ConvergenceTest, WhyNotConverged};

/// Whether a law is an answer, and if not, why not.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Status {
    /// At a minimum, all parameters determined by the readings.
    Converged {
        /// The test that was passed.
        by: ConvergenceTest,
    },
    /// The best fit lies on a bound of the search.
    RanToBound {
        /// Name of the parameter.
        parameter: &'static str,
        /// Where the bound is.
        value: f64,
    },
    /// No minimum was found.
    NotConverged {
        /// What stopped it.
        why: WhyNotConverged,
    },
    /// The readings fit as well with these parameters anywhere up to a bound.
    NotDetermined {
        /// Names of the parameters.
        parameters: Vec<&'static str>,
    },
    /// The readings fit as well without a part of this law.
    NoBetterThan {
        /// The simpler law.
        simpler: Law,
    },
    /// More parameters than the readings can carry.
    TooFewReadings {
        /// Readings this law needs.
        needed: usize,
    },
}

impl std::fmt::Display for Status {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Converged { by } => f.write_str(match by {
                ConvergenceTest::RelativeOffset => "converged: relative offset",
                ConvergenceTest::Step => "converged: step in the last digits",
                ConvergenceTest::ResidualsZero => "converged: residuals zero",
                ConvergenceTest::NoFurtherReduction => "converged: no further reduction",
            }),
            Self::RanToBound { parameter, value } => {
                write!(f, "ran to bound: {parameter} at {value:.4}")
            }
            Self::NotConverged { why } => f.write_str(match why {
                WhyNotConverged::IterationLimit => "not converged: iteration limit",
                WhyNotConverged::Stalled => "not converged: stalled",
                WhyNotConverged::NotFinite => "not converged: numbers out of range",
            }),
            Self::NotDetermined { parameters } => write!(
                f,
                "not determined by the readings: {}",
                parameters.join(", ")
            ),
            Self::NoBetterThan { simpler } => {
                write!(
                    f,
                    "not determined by the readings: no better than '{}'",
                    simpler.name()
                )
            }
            Self::TooFewReadings { needed } => write!(f, "not determined: needs {needed} readings"),
        }
    }
}

/// A parameter with its standard uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FittedParameter {
    /// Name with unit.
    pub name: &'static str,
    /// Value in that unit.
    pub value: f64,
    /// Standard uncertainty for independent noise; `None` where held.
    pub standard_uncertainty: Option<f64>,
    /// Whether it was held.
    pub fixed: bool,
}

/// A law and how it fits.
#[derive(Debug, Clone)]
pub struct Candidate {
    /// The law.
    pub law: Law,
    /// Whether it is an answer.
    pub status: Status,
    /// Its parameters; empty unless converged.
    pub parameters: Vec<FittedParameter>,
    /// Standard deviation of the residuals in millimetres.
    pub residual_standard_deviation_mm: Option<f64>,
    /// Readings less free parameters.
    pub degrees_of_freedom: usize,
    /// Corrected Akaike criterion, n ln(rss/n) + 2K + 2K(K+1)/(n-K-1), K counting the variance;
    /// `None` where n is too small for it or the law is no answer.
    pub aicc: Option<f64>,
    /// Share among the laws that are answers, from 0 to 1.
    pub weight: f64,
    /// What moved the series beside the law; empty where nothing was asked for.
    pub beside: Vec<FittedBeside>,
    /// Sizes of the columns beside the law.
    pub(super) beside_sizes: Vec<f64>,
    /// Freedom that they take.
    pub(super) beside_count: usize,
    pub(super) working: [f64; MOST],
    pub(super) free: Vec<usize>,
    /// (J'J)^-1 of the free working parameters.
    pub(super) covariance: DMatrix<f64>,
    pub(super) squares: f64,
    /// Weighted residuals (reading less law) in order of time; empty where there is no fit.
    pub(super) residuals: Vec<f64>,
}

impl Candidate {
    /// Whether its parameters are an answer.
    pub fn is_converged(&self) -> bool {
        matches!(self.status, Status::Converged { .. })
    }

    /// Variance of a reading of weight 1, where each parameter takes away as much as `widening`
    /// independent ones would.
    pub(super) fn variance(&self, widening: f64) -> f64 {
        let n = self.residuals.len() as f64;
        let left = (n - self.parameters_taken() as f64 * widening).max(0.2 * n);
        if self.degrees_of_freedom > 0 {
            self.squares / left.min(self.degrees_of_freedom as f64)
        } else {
            0.0
        }
    }

    /// Parameters fitted: those of the law and those beside it.
    pub(super) fn parameters_taken(&self) -> usize {
        self.free.len() + self.beside_count
    }

    /// Height at time `t_h` (infinity for the end), and its derivatives by the free parameters.
    pub(super) fn height(&self, t_h: f64) -> Option<(f64, DVector<f64>)> {
        let (value, slopes) = if t_h.is_infinite() {
            self.law.end(&self.working)?
        } else {
            self.law.evaluate(&self.working, Moment::at(t_h))
        };
        Some((
            value,
            DVector::from_iterator(self.free.len(), self.free.iter().map(|&j| slopes[j])),
        ))
    }

    pub(super) fn empty(law: Law, status: Status) -> Self {
        Self {
            law,
            status,
            parameters: Vec::new(),
            residual_standard_deviation_mm: None,
            degrees_of_freedom: 0,
            aicc: None,
            weight: 0.0,
            beside: Vec::new(),
            beside_sizes: Vec::new(),
            beside_count: 0,
            working: [0.0; MOST],
            free: Vec::new(),
            covariance: DMatrix::zeros(0, 0),
            squares: f64::INFINITY,
            residuals: Vec::new(),
        }
    }
}
