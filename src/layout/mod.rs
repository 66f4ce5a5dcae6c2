//! Layout: what to weld, before it is welded. Pure.
//!
//! In: a checked sheet, what the builder wishes, the springs at hand and the
//! room there is. Out: ranked candidates of spring, lean and mounted length;
//! how the wheel rate falls with lean; springs from their wire; room round the
//! wheel; the lateral link through its travel; weights and their centre.
//! Refused: geometry and weighings that contradict themselves
//! ([`LayoutError`], which names the fields).
//!
//! Everything that stands on springs is worked out with the whole model of
//! [`statics`](crate::statics), so that a load test later confirms it.

mod candidates;
mod error;
mod limit;
mod wish;

pub use candidates::{Candidate, CandidateCase, Layout, candidates};
pub use error::LayoutError;
pub use limit::Limit;
pub use wish::{Leans, Room, Stock, StockSpring, Wish};
