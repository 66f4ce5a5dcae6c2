//! Trials: a series of readings -> what the vehicle really is. Pure.
//!
//! In: readings taken at known loads or over days. Out: springs, friction,
//! weight; settling; each with uncertainty. Refused: an answer that the readings
//! do not carry. No clock: time arrives with the data.

pub mod loadtest;
pub mod settling;
