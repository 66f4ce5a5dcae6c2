//! Trials: what series of readings say about the vehicle itself.
//!
//! Comes in: readings that belong together. Goes out: what they show, with uncertainty. Refuses:
//! series that cannot show it. No clock: time arrives with the data.

pub mod settling;
