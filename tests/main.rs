//! Tests of stillheight, one binary.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test that cannot go on says so by stopping"
)]

mod drivers;
#[cfg(unix)]
mod ports;
mod readings;
