//! Trials: a series of readings -> what the vehicle really is. Pure.
//!
//! In: readings taken over days. Out: settling and what is still to come, with
//! uncertainty. Refused: an answer that the readings
//! do not carry. No clock: time arrives with the data.

pub mod settling;
