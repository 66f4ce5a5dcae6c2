//! Reports: what the program knows, written down for a person or another
//! program.
//!
//! In: records and results of the stages above. Out: text (tables, CSV, JSON).
//! Pure functions; nothing is refused, because what comes in was checked.

pub mod csv;
pub mod json_log;
pub mod log_table;
mod recorded;
