//! What a load test cannot be made of, and why.

use crate::statics::StaticsError;

/// Why nothing can be said from these steps.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LoadTestError {
    /// There is no step.
    #[error("the load test has no steps yet")]
    NoSteps,
    /// No step has a reading of a sensor of the sheet.
    #[error("none of the {steps} steps has a reading of a sensor of the sheet")]
    NoReadings {
        /// Steps given.
        steps: usize,
    },
    /// The vehicle itself has no rest.
    #[error("the vehicle of the sheet has no rest: {0}")]
    Statics(#[from] StaticsError),
    /// No step is left over that the vehicle can stand in.
    #[error("the vehicle cannot stand in any of the {steps} steps")]
    NoneStands {
        /// Steps given.
        steps: usize,
    },
    /// The search ended without an answer.
    #[error(
        "no answer was found: after {rounds} rounds the next would still move by {step:.3} standard uncertainties"
    )]
    NotConverged {
        /// Rounds made.
        rounds: usize,
        /// The largest move of the last round.
        step: f64,
    },
    /// The sheet has no such load case.
    #[error("the sheet has no load case number {case}")]
    NoCase {
        /// The index asked for.
        case: usize,
    },
    /// The vehicle has no lateral link to level.
    #[error("the vehicle has no lateral link")]
    NoLink,
}

impl LoadTestError {
    /// A stable code for programs.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::NoSteps => "loadtest.no_steps",
            Self::NoReadings { .. } => "loadtest.no_readings",
            Self::Statics(e) => e.code(),
            Self::NoneStands { .. } => "loadtest.none_stands",
            Self::NotConverged { .. } => "loadtest.not_converged",
            Self::NoCase { .. } => "loadtest.no_case",
            Self::NoLink => "loadtest.no_link",
        }
    }

    /// What to do about it, one sentence.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::NoSteps => "read the bare vehicle first, then put weight on and read again",
            Self::NoReadings { .. } => {
                "clip the sensors on, wait until they are still, and keep the reading of each step"
            }
            Self::Statics(e) => e.help(),
            Self::NoneStands { .. } => {
                "check the weights and places of the steps, and the vehicle's own weight in the sheet"
            }
            Self::NotConverged { .. } => {
                "check the steps for a load that was not there or a weight that is far off"
            }
            Self::NoCase { .. } => "name a load case of the sheet",
            Self::NoLink => "add the link to the sheet",
        }
    }

    /// Whether the person at the vehicle can mend it.
    pub const fn is_users_to_fix(&self) -> bool {
        !matches!(self, Self::NotConverged { .. })
    }
}
