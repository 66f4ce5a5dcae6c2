//! What has no answer in statics, and why.

/// Why a load case has no equilibrium that could be told.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum StaticsError {
    /// Every spring unit of an axle stands on its compressed stop.
    #[error(
        "the springs of the {axle} axle cannot carry it: every unit there is fully compressed, with {load_n:.0} N on the axle"
    )]
    CannotCarry {
        /// Name of the axle.
        axle: String,
        /// What the units carry together, newtons.
        load_n: f64,
    },
    /// The weight is outside of what the vehicle stands on.
    #[error("the vehicle tips {towards}: its weight is outside of what it stands on")]
    Tips {
        /// In words, for example `to the left`.
        towards: &'static str,
    },
    /// Nothing holds the frame up.
    #[error("nothing holds the frame up: it falls without meeting a spring or a stand")]
    NothingCarries,
    /// The lateral link is too short for the place where the vehicle comes to rest.
    #[error(
        "the lateral link of the {axle} axle is too short: it cannot reach where the vehicle comes to rest"
    )]
    LinkCannotReach {
        /// Name of the axle.
        axle: String,
    },
    /// The place found is not held against every small push.
    #[error("the vehicle has no steady rest: it gives way in {coordinate} without force")]
    Unsteady {
        /// The coordinate that gives way most.
        coordinate: &'static str,
    },
    /// A number of the sheet is none, or is beyond all measure.
    #[error("a number of the vehicle is beyond all measure: its energy cannot be reckoned")]
    NotFinite,
    /// The iteration ended without an answer.
    #[error("no rest was found: after {steps} steps {force_n:.3} N are still out of balance")]
    NotConverged {
        /// Steps made.
        steps: usize,
        /// Largest force still out of balance, newtons.
        force_n: f64,
    },
}

impl StaticsError {
    /// A stable code for programs.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::CannotCarry { .. } => "statics.cannot_carry",
            Self::Tips { .. } => "statics.tips",
            Self::NothingCarries => "statics.nothing_carries",
            Self::LinkCannotReach { .. } => "statics.link_reach",
            Self::Unsteady { .. } => "statics.unsteady",
            Self::NotFinite => "statics.not_finite",
            Self::NotConverged { .. } => "statics.not_converged",
        }
    }

    /// What to do about it, one sentence.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::CannotCarry { .. } => {
                "use stiffer or longer springs, raise the collars, or check the weights of this case"
            }
            Self::Tips { .. } => {
                "check the weights' places and signs: x forward, y left, z up, in the frame's axes"
            }
            Self::NothingCarries => {
                "check rates, free lengths and stands: something must be compressed at rest"
            }
            Self::LinkCannotReach { .. } => {
                "check the link's ends and length, and the design heights"
            }
            Self::Unsteady { .. } => {
                "check that springs on both sides carry load, or connect the anti-roll bar that holds the roll"
            }
            Self::NotFinite => "check the sheet for extreme numbers",
            Self::NotConverged { .. } => {
                "check the sheet for extreme numbers; if it is right, please report this"
            }
        }
    }

    /// Whether the sheet's author can mend it.
    pub const fn is_users_to_fix(&self) -> bool {
        !matches!(self, Self::NotConverged { .. })
    }
}
