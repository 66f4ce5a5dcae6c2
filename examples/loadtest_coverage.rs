//! Simulates many vehicles and load tests and counts how often the 95 %
//! intervals hold the truth.
//!
//! `cargo run --release --example loadtest_coverage -- [VEHICLES] [FIRST_SEED]`
//!
//! Every vehicle: a sheet with other numbers, a truth within what the sheet
//! states (rates, seats, weight and its centre, tyres, friction, loads and their
//! places, a tilted uneven floor, zeros and scales of sensors), the full
//! nonlinear model with friction that remembers, noise on every reading.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    missing_docs,
    unreachable_pub,
    dead_code,
    clippy::wildcard_imports,
    reason = "a developer's tool may end at once"
)]

#[path = "../tests/simulated_loadtest.rs"]
mod simulated_loadtest;

use rand::{Rng, SeedableRng, rngs::StdRng};
use simulated_loadtest::{Truth, light_van, usual_plan};
use std::collections::BTreeMap;
use std::time::Instant;
use stillheight::leastsquares::binomial_lower_quantile;
use stillheight::posture::QuantityKey;
use stillheight::trials::loadtest::{Key, finished, identify};

/// What was found less what is true, in standard uncertainties.
type Scores = BTreeMap<String, Vec<f64>>;

#[derive(Default)]
struct Counted {
    scores: Scores,
    chi: Vec<f64>,
    misfits: usize,
    doubted: usize,
    stretched: usize,
    failed: usize,
    seconds: f64,
    readings: usize,
}

fn one(seed: u64, counted: &mut Counted) {
    let mut rng = StdRng::seed_from_u64(seed);
    let sheet = light_van(|by| 1.0 + by * rng.random_range(-1.0..1.0));
    let plan = usual_plan();
    let truth = Truth::draw(&sheet, &plan, &mut rng);
    let steps = truth.test(&sheet, &plan, (0.02, 0.4), &mut rng);
    let start = Instant::now();
    let found = match identify(&sheet, &steps) {
        Ok(found) => found,
        Err(why) => {
            println!("seed {seed}: {why}");
            counted.failed += 1;
            return;
        }
    };
    counted.seconds += start.elapsed().as_secs_f64();
    counted.readings += found.readings;
    counted.chi.push(found.chi_square / found.readings as f64);
    counted.misfits += usize::from(!found.misfits.is_empty() || !found.slips.is_empty());
    counted.doubted += usize::from(!found.doubted_axles.is_empty());
    counted.stretched += usize::from(!found.fits());
    let model = &truth.model;
    let rate = |u: usize| model.units[u].rate_factor;
    let mut score = |name: &str, value: f64, uncertainty: f64, real: f64| {
        counted
            .scores
            .entry(name.to_owned())
            .or_default()
            .push((value - real) / uncertainty);
    };
    for f in &found.findings {
        let real = match f.key {
            Key::AxleRate(i) => f64::midpoint(rate(2 * i), rate(2 * i + 1)),
            Key::SideRate(i) => rate(2 * i) - rate(2 * i + 1),
            Key::UnitRate(u) => rate(u),
            Key::Weight => model.masses[0].mass,
            Key::Centre(k) => model.masses[0].at[k],
            Key::Friction(i) => truth.axle_friction[i],
            _ => continue,
        };
        let name = f.key.name(&sheet, model);
        score(&name, f.value, f.uncertainty, real);
        if let (Key::AxleRate(_) | Key::Friction(_), Some(a)) = (f.key, f.alone) {
            score(
                &format!("{name} (test alone)"),
                a.value,
                a.uncertainty,
                real,
            );
        }
    }
    let Ok(forecast) = finished(&sheet, &found, 1) else {
        counted.failed += 1;
        return;
    };
    for q in &forecast.quantities {
        if matches!(q.key, QuantityKey::SideShift(_)) {
            continue;
        }
        let real = truth.finished_quantity(&sheet, q.key);
        let name = format!("finished: {}", q.key.name(&sheet, model));
        score(&name, q.expected.value, q.expected.uncertainty, real);
    }
}

fn main() {
    let number = |k: usize, otherwise: u64| {
        std::env::args()
            .nth(k)
            .and_then(|t| t.parse().ok())
            .unwrap_or(otherwise)
    };
    let (vehicles, first) = (number(1, 1000), number(2, 1));
    let threads = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    let parts: Vec<Counted> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads)
            .map(|t| {
                scope.spawn(move || {
                    let mut counted = Counted::default();
                    for seed in
                        (first + t..first + vehicles).step_by(usize::try_from(threads).unwrap_or(1))
                    {
                        one(seed, &mut counted);
                    }
                    counted
                })
            })
            .collect();
        workers.into_iter().map(|w| w.join().unwrap()).collect()
    });
    let mut all = Counted::default();
    for part in parts {
        for (name, scores) in part.scores {
            all.scores.entry(name).or_default().extend(scores);
        }
        all.chi.extend(part.chi);
        all.misfits += part.misfits;
        all.doubted += part.doubted;
        all.stretched += part.stretched;
        all.failed += part.failed;
        all.seconds += part.seconds;
        all.readings += part.readings;
    }
    let n = all.chi.len();
    println!(
        "{vehicles} vehicles and tests from seed {first}, {} failed",
        all.failed
    );
    println!(
        "{:<44}{:>10}{:>8}{:>8}",
        "quantity", "in 95 %", "bias/u", "sd/u"
    );
    for (name, s) in &all.scores {
        let count = s.len() as f64;
        let inside = s.iter().filter(|x| x.abs() <= 1.96).count() as f64 / count;
        let mean = s.iter().sum::<f64>() / count;
        let sd = (s.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
        println!("{name:<44}{:>9.1}%{mean:>8.3}{sd:>8.3}", inside * 100.0);
    }
    let mean_chi = all.chi.iter().sum::<f64>() / n as f64;
    println!("chi-square over its degrees of freedom: {mean_chi:.3} on average");
    println!(
        "a misfit or slip named without cause in {}, catalogue doubted in {}, stretched in {}",
        all.misfits, all.doubted, all.stretched
    );
    println!(
        "{:.2} ms for {} readings on average",
        all.seconds / n as f64 * 1e3,
        all.readings / n.max(1)
    );
    if let Ok(low) = binomial_lower_quantile(0.025, n as u64, 0.95) {
        println!(
            "chance alone leaves {:.1} % at 95 % coverage (lower 2.5 %)",
            low as f64 / n as f64 * 100.0
        );
    }
}
