//! A simulated shop: 1,000 vehicles with wrong sheets, three rounds of advice each.
//! Prints how many come within tolerance, whether the intervals hold, and whether
//! more limits are broken than stated.
//!
//! `cargo run --release --example simulated_shop [VEHICLES] [SEED]`
#![allow(
    missing_docs,
    unreachable_pub,
    reason = "shared with the test of the same shop"
)]

#[path = "../tests/advice_shop.rs"]
mod shop;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |default: u64| {
        arguments
            .next()
            .and_then(|a| a.parse().ok())
            .unwrap_or(default)
    };
    let (vehicles, seed) = (number(1000), number(1));
    let started = std::time::Instant::now();
    let table = shop::shop(usize::try_from(vehicles).unwrap_or(1000), 3, seed);
    println!(
        "{vehicles} vehicles, seed {seed}: rates ± 10 %, weights ± 5 %, mounts ± 3 mm, zeros, floor, noise, friction"
    );
    println!(
        "{:<16} {:>8} {:>10} {:>11} {:>10} {:>9} {:>12} {:>12}",
        "after round",
        "inside",
        "promised",
        "left alone",
        "operations",
        "coverage",
        "stated risk",
        "limits broken"
    );
    for (i, r) in table.iter().enumerate() {
        let n = r.vehicles.max(1) as f64;
        let share = |x: f64| format!("{:.1} %", 100.0 * x / n);
        if i == 0 {
            println!("{:<16} {:>8}", "before", share(r.inside as f64));
            continue;
        }
        println!(
            "{:<16} {:>8} {:>10} {:>11} {:>10.2} {:>9} {:>12} {:>12}",
            i,
            share(r.inside as f64),
            share(r.promised),
            share(r.left_alone as f64),
            r.operations as f64 / n,
            format!(
                "{:.1} %",
                100.0 * r.held as f64 / r.predictions.max(1) as f64
            ),
            share(r.stated_risk),
            share(r.broken as f64)
        );
    }
    println!(
        "{:.1} ms a vehicle and round",
        started.elapsed().as_secs_f64() * 1e3 / (3.0 * vehicles as f64)
    );
}
