//! Trials: a series of readings -> what the vehicle really is. Pure.
//!
//! In: readings taken at known loads or over days. Out: springs, friction,
//! weight; settling. Refused: an answer that the readings do not carry.

pub mod loadtest;
