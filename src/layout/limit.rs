//! Limits that a candidate breaks, each with its name and by how much.

use crate::quantity::{Frequency, Length, Quantity, UnitSystem};

/// A limit that is broken.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Limit {
    /// The spring is loose with the unit fully extended.
    LooseAtDroop {
        /// Gap.
        by: Length,
    },
    /// The coils touch before the unit is fully compressed.
    CoilBind {
        /// Travel that is lost.
        by: Length,
    },
    /// The collar would have to sit above its thread.
    CollarTooHigh {
        /// How far.
        by: Length,
    },
    /// The collar would have to sit below its thread.
    CollarTooLow {
        /// How far.
        by: Length,
    },
    /// A unit is fully compressed at rest.
    Bottoming {
        /// Name of the case.
        case: String,
    },
    /// A unit is fully extended at rest.
    ToppedOut {
        /// Name of the case.
        case: String,
    },
    /// Less travel is left up than asked.
    TravelUp {
        /// Name of the case.
        case: String,
        /// What is left.
        left: Length,
        /// What was asked.
        asked: Length,
    },
    /// Less travel is left down than asked.
    TravelDown {
        /// Name of the case.
        case: String,
        /// What is left.
        left: Length,
        /// What was asked.
        asked: Length,
    },
    /// The ride frequency is outside of the asked band.
    Frequency {
        /// What it is.
        is: Frequency,
        /// The end of the band that it passes.
        end: Frequency,
    },
    /// The room leaves no length with the asked sag.
    Sag {
        /// Sag as a share of the stroke.
        is: f64,
        /// The end of the band that it passes.
        end: f64,
    },
    /// The upper mount has no room at all at this lean.
    NoRoom,
    /// The spring's table cannot reach the force.
    CannotCarry,
    /// The vehicle does not come to rest in a case.
    NoRest {
        /// Name of the case.
        case: String,
        /// Why, in words.
        why: String,
    },
}

impl Limit {
    /// A stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::LooseAtDroop { .. } => "loose_at_droop",
            Self::CoilBind { .. } => "coil_bind",
            Self::CollarTooHigh { .. } => "collar_above_thread",
            Self::CollarTooLow { .. } => "collar_below_thread",
            Self::Bottoming { .. } => "bottoming",
            Self::ToppedOut { .. } => "topped_out",
            Self::TravelUp { .. } => "travel_up",
            Self::TravelDown { .. } => "travel_down",
            Self::Frequency { .. } => "frequency",
            Self::Sag { .. } => "sag",
            Self::NoRoom => "no_room",
            Self::CannotCarry => "cannot_carry",
            Self::NoRest { .. } => "no_rest",
        }
    }

    /// In words, lengths in the sheet's system.
    pub fn words(&self, units: UnitSystem) -> String {
        let l = |x: &Length| x.shown(units);
        match self {
            Self::LooseAtDroop { by } => format!("spring loose by {} at droop", l(by)),
            Self::CoilBind { by } => {
                format!("coils touch {} before full compression", l(by))
            }
            Self::CollarTooHigh { by } => format!("collar {} above its thread", l(by)),
            Self::CollarTooLow { by } => format!("collar {} below its thread", l(by)),
            Self::Bottoming { case } => format!("bottoms in '{case}'"),
            Self::ToppedOut { case } => format!("fully extended in '{case}'"),
            Self::TravelUp { case, left, asked } => {
                format!("{} left up in '{case}', {} asked", l(left), l(asked))
            }
            Self::TravelDown { case, left, asked } => {
                format!("{} left down in '{case}', {} asked", l(left), l(asked))
            }
            Self::Frequency { is, end } => {
                let word = if is > end { "above" } else { "below" };
                format!("{} is {word} {}", is.shown(units), end.shown(units))
            }
            Self::Sag { is, end } => {
                let word = if is > end { "above" } else { "below" };
                format!("sag {:.0} % is {word} {:.0} %", is * 100.0, end * 100.0)
            }
            Self::NoRoom => "no room for the upper mount".to_owned(),
            Self::CannotCarry => "the spring cannot carry the load".to_owned(),
            Self::NoRest { case, why } => format!("no rest in '{case}': {why}"),
        }
    }
}
