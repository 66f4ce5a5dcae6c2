//! Tests of stillheight, one binary.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::float_cmp,
    missing_docs,
    unreachable_pub,
    reason = "a test may end at once, and exact values are compared exactly"
)]

mod posture;
mod published_regression;
mod published_statics;
mod statics;
mod vehicles;
mod ports;
mod rehearsal;
mod logbook;
mod simulated_loadtest;
mod loadtest;
