#![no_main]
//! Feeds `checks::settling_csv`.

#[allow(dead_code, reason = "one law of many")]
#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::settling_csv(data));
