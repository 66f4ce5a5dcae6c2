//! How often the right law is chosen, and how often the 95 % bands hold the truth.
//!
//! Simulates series of each law with known parameters and noise, fits them with all laws, and
//! prints a table. `cargo run --release --example settling_coverage [SERIES]`, 1,000 by default.
//! The random numbers have a fixed seed, so the table is the same every time.

use rand::SeedableRng;
use rand::rngs::StdRng;
use rand_distr::{Distribution, StandardNormal};
use stillheight::trials::settling::{FitOptions, Law, Series, fit};

/// A scene: a law with its parameters, when it is read and how noisy.
struct Scene {
    name: &'static str,
    law: Law,
    truth: fn(f64) -> f64,
    every_h: f64,
    readings: u32,
    noise_mm: f64,
    /// Correlation of the noise from one reading to the next.
    correlation: f64,
}

const fn scene(name: &'static str, law: Law, truth: fn(f64) -> f64) -> Scene {
    Scene {
        name,
        law,
        truth,
        every_h: 2.0,
        readings: 61,
        noise_mm: 0.05,
        correlation: 0.0,
    }
}

fn scenes() -> Vec<Scene> {
    let exponential: fn(f64) -> f64 = |t| 394.0 + 6.0 * (-t / 30.0).exp();
    let log_creep: fn(f64) -> f64 = |t| 400.0 - 1.5 * (1.0 + t / 1.5).log10();
    vec![
        scene("none", Law::None, |_| 400.0),
        scene("exponential", Law::Exponential, exponential),
        scene("two-exponentials", Law::TwoExponentials, |t| {
            392.0 + 3.0 * (-t / 5.0).exp() + 5.0 * (-t / 50.0).exp()
        }),
        scene("log-creep", Law::LogCreep, log_creep),
        scene("power", Law::Power, |t| 400.0 - 1.2 * t.powf(0.3)),
        Scene {
            correlation: 0.6,
            ..scene("exponential, noise r = 0.6", Law::Exponential, exponential)
        },
        Scene {
            correlation: 0.6,
            ..scene("log-creep, noise r = 0.6", Law::LogCreep, log_creep)
        },
        Scene {
            every_h: 24.0,
            readings: 15,
            noise_mm: 0.1,
            ..scene("exponential, once a day", Law::Exponential, |t| {
                394.0 + 6.0 * (-t / 60.0).exp()
            })
        },
    ]
}

#[derive(Default)]
struct Count {
    series: usize,
    right: usize,
    answered: usize,
    in_day: usize,
    in_week: usize,
    in_reading: usize,
    still: usize,
}

fn run(scene: &Scene, series: usize, seed: u64) -> Count {
    let mut random = StdRng::seed_from_u64(seed);
    let mut count = Count::default();
    let times: Vec<f64> = (0..scene.readings)
        .map(|k| f64::from(k) * scene.every_h)
        .collect();
    let fresh = (1.0 - scene.correlation * scene.correlation).sqrt();
    for _ in 0..series {
        let mut noise: f64 = StandardNormal.sample(&mut random);
        let height_mm = times
            .iter()
            .map(|&t| {
                let new: f64 = StandardNormal.sample(&mut random);
                noise = scene.correlation * noise + fresh * new;
                (scene.truth)(t) + scene.noise_mm * noise
            })
            .collect();
        let one: f64 = StandardNormal.sample(&mut random);
        count.series += 1;
        let Ok(found) = fit(
            &Series {
                time_h: times.clone(),
                height_mm,
                u_mm: None,
            },
            &FitOptions::default(),
        ) else {
            continue;
        };
        let Some(chosen) = found.chosen() else {
            continue;
        };
        count.answered += 1;
        count.right += usize::from(chosen.law == scene.law);
        let now = found.span_h.1;
        let inside = |band: [f64; 2], value: f64| usize::from(band[0] <= value && value <= band[1]);
        let (day, week) = ((scene.truth)(now + 24.0), (scene.truth)(now + 168.0));
        if let (Ok(Some(d)), Ok(Some(w)), Ok(Some(s))) = (
            found.height(now + 24.0),
            found.height(now + 168.0),
            found.still_to_come(now + 168.0),
        ) {
            count.in_day += inside(d.confidence_95_mm, day);
            count.in_week += inside(w.confidence_95_mm, week);
            count.in_reading += inside(d.prediction_95_mm, day + scene.noise_mm * one);
            count.still += inside(s.confidence_95_mm, week - (scene.truth)(now));
        }
    }
    count
}

/// Time for a week of readings every ten minutes of twelve quantities, all laws, in milliseconds.
fn week_of_twelve() -> f64 {
    let truths: Vec<fn(f64) -> f64> = scenes().iter().map(|s| s.truth).collect();
    let mut random = StdRng::seed_from_u64(99);
    let series: Vec<Series> = (0..12)
        .map(|q| {
            let time_h: Vec<f64> = (0..1008).map(|k| f64::from(k) / 6.0).collect();
            let draw = |t: &f64| {
                let new: f64 = StandardNormal.sample(&mut random);
                truths[q % truths.len()](*t) + 0.05 * new
            };
            Series {
                height_mm: time_h.iter().map(draw).collect(),
                time_h,
                u_mm: None,
            }
        })
        .collect();
    let begun = std::time::Instant::now();
    let found = series
        .iter()
        .filter(|s| fit(s, &FitOptions::default()).is_ok_and(|f| f.chosen.is_some()))
        .count();
    let taken = begun.elapsed().as_secs_f64() * 1e3;
    assert_eq!(found, 12);
    taken
}

fn main() {
    println!(
        "a week of ten-minute readings of 12 quantities, all laws: {:.1} ms",
        week_of_twelve()
    );
    let series = std::env::args()
        .nth(1)
        .and_then(|a| a.parse().ok())
        .unwrap_or(1000);
    println!("{series} series each; shares in %; bands at 95 %");
    println!(
        "{:<28}{:>9}{:>9}{:>11}{:>11}{:>14}{:>13}",
        "truth", "answered", "right", "in a day", "in a week", "week's change", "one reading"
    );
    for (k, scene) in scenes().iter().enumerate() {
        let c = run(scene, series, 7 + k as u64);
        let of = |part: usize, whole: usize| 100.0 * part as f64 / whole.max(1) as f64;
        println!(
            "{:<28}{:>9.1}{:>9.1}{:>11.1}{:>11.1}{:>14.1}{:>13.1}",
            scene.name,
            of(c.answered, c.series),
            of(c.right, c.series),
            of(c.in_day, c.answered),
            of(c.in_week, c.answered),
            of(c.still, c.answered),
            of(c.in_reading, c.answered)
        );
    }
}
