//! What has no answer before the weld, and why.

use crate::statics::StaticsError;

/// Why a question of layout has no answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LayoutError {
    /// An axle that does not stand on coilovers between two mounts.
    #[error("the {axle} axle has no coilovers between two mounts, so there is no lean to choose")]
    NoCoilovers {
        /// Name of the axle.
        axle: String,
    },
    /// An axle without a lateral link.
    #[error("the {axle} axle has no lateral link")]
    NoLink {
        /// Name of the axle.
        axle: String,
    },
    /// There is no such axle or case.
    #[error("the sheet has no {what} number {index}")]
    NoSuch {
        /// `axle` or `case`.
        what: &'static str,
        /// Index as asked, from 0.
        index: usize,
    },
    /// Nothing to choose from.
    #[error("there is no {what} to try")]
    Nothing {
        /// `spring` or `lean`.
        what: &'static str,
    },
    /// Two fields that contradict each other.
    #[error(
        "'{first}' ({first_value}) and '{second}' ({second_value}) contradict each other: {why}"
    )]
    Contradiction {
        /// Name of a field.
        first: String,
        /// Its value.
        first_value: String,
        /// Name of the other.
        second: String,
        /// Its value.
        second_value: String,
        /// In words.
        why: String,
    },
    /// A value outside of what it can be.
    #[error("'{field}' is {value}: {why}")]
    Impossible {
        /// Name of the field.
        field: String,
        /// Its value.
        value: String,
        /// In words.
        why: String,
    },
    /// The axle carries no load in the case of the wish.
    #[error("the {axle} axle carries nothing in '{case}'")]
    NoLoad {
        /// Name of the axle.
        axle: String,
        /// Name of the case.
        case: String,
    },
    /// The model has no rest.
    #[error(transparent)]
    Statics(#[from] StaticsError),
}

impl LayoutError {
    /// A stable code for programs.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::NoCoilovers { .. } => "layout.no_coilovers",
            Self::NoLink { .. } => "layout.no_link",
            Self::NoSuch { .. } => "layout.no_such",
            Self::Nothing { .. } => "layout.nothing_to_try",
            Self::Contradiction { .. } => "layout.contradiction",
            Self::Impossible { .. } => "layout.impossible",
            Self::NoLoad { .. } => "layout.no_load",
            Self::Statics(e) => e.code(),
        }
    }

    /// What to do about it, one sentence.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::NoCoilovers { .. } => "name an axle that stands on coilovers and carries load",
            Self::NoLink { .. } => "name an axle that a lateral link holds",
            Self::NoSuch { .. } => "name an axle and a case that the sheet has",
            Self::Nothing { .. } => "give at least one spring and one angle",
            Self::Contradiction { .. } => "measure both again and correct the one that is wrong",
            Self::Impossible { .. } => "correct the value in the sheet",
            Self::NoLoad { .. } => "check the weights of the case and their places",
            Self::Statics(e) => e.help(),
        }
    }

    pub(crate) fn impossible(field: &str, value: impl std::fmt::Display, why: &str) -> Self {
        Self::Impossible {
            field: field.to_owned(),
            value: value.to_string(),
            why: why.to_owned(),
        }
    }
}

/// Whether a number is more than another; false where either is no number.
pub(super) fn over(a: f64, b: f64) -> bool {
    a > b
}
