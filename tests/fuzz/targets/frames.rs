#![no_main]
//! Feeds `checks::frames`.

#[allow(dead_code, reason = "one law of many")]
#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::frames(data));
