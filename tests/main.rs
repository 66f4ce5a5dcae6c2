//! Tests of stillheight, one binary.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at what it did not expect"
)]

#[cfg(unix)]
mod rehearsal;
