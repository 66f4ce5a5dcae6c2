//! Advice: deviations + model -> what to change. Pure.
//!
//! In: a posture and the model it was estimated with. Out: a forecast of the
//! finished vehicle and the collar turns that bring it onto target, or *leave
//! it*. Refused: a turn that is smaller than what can be measured, a collar off
//! its thread.

mod forecast;
mod turns;

pub use forecast::{Forecast, forecast};
pub use turns::{LeaveIt, Suggestion, Turn, suggest};
