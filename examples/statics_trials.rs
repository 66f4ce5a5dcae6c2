//! Random vehicles, legal and illegal, and every answer of the statics held
//! against a judge who knows the energy alone (`tests/statics_judge.rs`).
//!
//! `cargo run --release --example statics_trials -- 10000 1`: how many of each
//! kind, and the seed. Exit code 1 where the statics lied.
#![allow(
    clippy::unwrap_used,
    clippy::wildcard_imports,
    unreachable_pub,
    dead_code,
    missing_docs,
    reason = "shares its vehicles with the tests"
)]

#[path = "../tests/statics_judge.rs"]
mod statics_judge;
#[path = "../tests/vehicles.rs"]
mod vehicles;

use rand::{Rng, SeedableRng};
use statics_judge::{GENES, HARMS, illegal, judge, judge_illegal, legal};
use std::collections::BTreeMap;
use std::process::ExitCode;
use std::time::{Duration, Instant};

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1).map(|a| a.parse::<u64>());
    let count = arguments.next().and_then(Result::ok).unwrap_or(10_000);
    let seed = arguments.next().and_then(Result::ok).unwrap_or(1);
    let mut random = rand::rngs::SmallRng::seed_from_u64(seed);
    let mut lies = 0_u64;
    let mut slowest = Duration::ZERO;
    let mut tally = BTreeMap::<String, u64>::new();
    for kind in ["legal", "illegal"] {
        for n in 0..count {
            let genes: Vec<f64> = (0..GENES).map(|_| random.random()).collect();
            let begun = Instant::now();
            let verdict = if kind == "legal" {
                judge(&legal(&genes), &mut || random.random()).map(|v| format!("{v:?}"))
            } else {
                let harm: Vec<(u8, u8)> = (0..random.random_range(1..4))
                    .map(|_| (random.random_range(0..HARMS), random.random_range(0..12)))
                    .collect();
                judge_illegal(&illegal(&genes, &harm))
                    .map(str::to_owned)
                    .map_err(|lie| format!("{lie} {harm:?}"))
            };
            slowest = slowest.max(begun.elapsed());
            match verdict {
                Ok(verdict) => *tally.entry(format!("{kind}: {verdict}")).or_default() += 1,
                Err(lie) => {
                    lies += 1;
                    println!("LIE {kind} {n}: {lie}");
                }
            }
        }
    }
    for (what, times) in &tally {
        println!("{what:<50} {times:>8}");
    }
    println!("{:<50} {lies:>8}", "lies");
    println!(
        "{:<50} {:>5} ms",
        "slowest, judge included",
        slowest.as_millis()
    );
    ExitCode::from(u8::from(lies > 0))
}
