//! Advice: deviations + model -> what to change, and whether it did what was
//! promised. Pure.
//!
//! In: what is known of the vehicle ([`Belief`]: the sheet, identified parameters,
//! every still reading with the set-up it was taken of). Out: the best plans with
//! what they do ([`advise`]), or *leave it*; what an operation of the builder's own
//! would do; whether a change did what was promised. Refused: a turn that is smaller
//! than what can be measured, a collar off its thread, a loose spring, coil bind.
//!
//! [`forecast`] and [`suggest`] are the quick way for the live screen: collars
//! alone, linear.

mod belief;
mod bounded;
mod choices;
mod diagonal;
mod forecast;
mod live;
mod nearby;
mod order;
mod pairing;
mod plans;
mod promise;
mod search;
mod setup;
mod turns;
mod why;

pub use belief::{Belief, Identified, Seen, Standing, StillReading, Unknown};
pub use bounded::bounded;
pub use choices::{Blocked, Choice, Limit, Limits};
pub use diagonal::{Twist, TwistOf, share as diagonal_share, twist};
pub use forecast::{Forecast, forecast};
pub use live::{Turning, Watched, Word, turning};
pub use order::{OrderError, changed, hole, order, spring, turns, units};
pub use plans::{
    Advice, AdviceError, CaseResult, Circumstances, Leave, MOST_PLANS, Plan, StillToCome, Worse,
    advise, as_it_is, inside, plan,
};
pub use promise::{Explanation, GAIN, Kept as KeptPromise, Verdict as PromiseVerdict, held};
pub use search::{AimedCase, Found, Outcome, Search, Tally};
pub use setup::{End, Operation, Setting, Setup, coilover, holes, spring_of};
pub use turns::{LeaveIt, Suggestion, Turn, suggest};
pub use why::{Answer, Objection, why};
