//! Tests of the wire protocol: the page, the published vectors, laws, damage, the C codec.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::missing_panics_doc,
    missing_docs,
    unreachable_pub,
    reason = "a test stops by panicking, and this binary has no readers"
)]

mod c_codec;
mod corruption;
mod damage;
mod examples;
mod freestanding;
mod notation;
mod properties;
mod published;
mod simulated_avr;
