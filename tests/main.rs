//! Tests of stillheight, one binary.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test may stop at the first thing that is wrong"
)]

mod log_report;
mod logbook;
