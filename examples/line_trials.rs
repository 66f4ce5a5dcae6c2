//! Bad lines, the large trial: plugs pulled and put back on pseudo-terminals, and
//! simulated hours of eight sensors on seven bad lines.
//!
//! `cargo run --release --example line_trials -- 1000 24 1`: plugs, hours, seed.
//! Exit code 1 where a wrong reading came through.
#![allow(
    clippy::wildcard_imports,
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    unreachable_pub,
    dead_code,
    missing_docs,
    reason = "shares its lines with the tests, and may end at once"
)]

#[path = "../tests/line_day.rs"]
mod line_day;
#[cfg(unix)]
#[path = "../tests/replugging.rs"]
mod replugging;
#[path = "../tests/van.rs"]
mod van;
#[path = "../tests/vehicles.rs"]
mod vehicles;

use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments: Vec<f64> = std::env::args()
        .skip(1)
        .filter_map(|a| a.parse().ok())
        .collect();
    let get = |i: usize, usual: f64| arguments.get(i).copied().unwrap_or(usual);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "counts from the command line"
    )]
    let (plugs, seed) = (get(0, 1_000.0) as u64, get(2, 1.0) as u64);
    #[cfg(unix)]
    if plugs > 0 {
        let tally = replugging::cycles(plugs, seed);
        println!(
            "plugs pulled and put back                {:>12}",
            tally.cycles
        );
        println!(
            "  of them two at once                    {:>12}",
            tally.in_pairs
        );
        println!(
            "  of them back under another name        {:>12}",
            tally.other_names
        );
        println!(
            "bytes that arrived, each as it was sent  {:>12}",
            tally.bytes
        );
        println!("bytes cut off with the plug              {:>12}", tally.cut);
    }
    let hours = get(1, 24.0);
    if hours <= 0.0 {
        return ExitCode::SUCCESS;
    }
    let day = line_day::run(hours, seed, true);
    println!("\n{hours} simulated hours\n");
    println!("| line | bytes | samples | refused | wrong samples |");
    println!("|---|---|---|---|---|");
    for ((name, _), line) in line_day::LINES.iter().zip(&day.lines) {
        println!(
            "| {name} | {} | {} | {} | {} |",
            line.bytes, line.samples, line.refused, line.wrong
        );
    }
    println!(
        "\nlooks at live readings                   {:>12}",
        day.looks
    );
    println!("  of them still                          {:>12}", day.still);
    println!(
        "  of them wrong                          {:>12}",
        day.wrong_readings
    );
    println!(
        "    of these still                       {:>12}",
        day.wrong_still
    );
    println!(
        "samples under a name of nobody           {:>12}",
        day.misplaced
    );
    println!(
        "postures                                 {:>12}",
        day.postures
    );
    println!(
        "  with a height off by more than 3 mm    {:>12}",
        day.wrong_postures
    );
    println!(
        "  worst height while all was still       {:>9.2} mm",
        day.worst_height_m * 1e3
    );
    println!(
        "most strangers remembered                {:>12}",
        day.most_strangers
    );
    println!(
        "most memory after an hour, at the end     {} kB, {} kB",
        day.peak_kb[0], day.peak_kb[1]
    );
    for said in &day.said {
        println!("{said}");
    }
    // A check of eight bits lets some damaged sentences through: none may be still.
    let strong: u64 = (day.lines.iter().enumerate())
        .filter(|(i, _)| *i != 1)
        .map(|(_, line)| line.wrong)
        .sum();
    ExitCode::from(u8::from(day.wrong_still + strong + day.wrong_postures > 0))
}
