//! All laws fitted to a week of readings of twelve quantities, against lmfit and SciPy.

use super::{Asked, clock, peers, table};
use rand::SeedableRng as _;
use rand::rngs::StdRng;
use rand_distr::{Distribution as _, StandardNormal};
use serde_json::json;
use stillheight::trials::settling::{FitOptions, Series, fit};

const TRUTHS: [fn(f64) -> f64; 5] = [
    |_| 400.0,
    |t| 394.0 + 6.0 * (-t / 30.0).exp(),
    |t| 392.0 + 3.0 * (-t / 5.0).exp() + 5.0 * (-t / 50.0).exp(),
    |t| 400.0 - 1.5 * (1.0 + t / 1.5).log10(),
    |t| 400.0 - 1.2 * t.powf(0.3),
];

/// So many series of so many readings over a week, millimetres and hours.
pub fn week(quantities: usize, readings: usize) -> Vec<Series> {
    let mut random = StdRng::seed_from_u64(99);
    (0..quantities)
        .map(|q| {
            let time_h: Vec<f64> = (0..readings)
                .map(|k| 168.0 * k as f64 / readings as f64)
                .collect();
            let height_mm = time_h
                .iter()
                .map(|t| {
                    let noise: f64 = StandardNormal.sample(&mut random);
                    TRUTHS[q % 5](*t) + 0.05 * noise
                })
                .collect();
            Series {
                time_h,
                height_mm,
                u_mm: None,
            }
        })
        .collect()
}

/// Fits all; how many have an answer.
pub fn fit_all(series: &[Series]) -> usize {
    series
        .iter()
        .filter(|s| fit(s, &FitOptions::default()).is_ok_and(|f| f.chosen().is_some()))
        .count()
}

pub fn row(_: &Asked) {
    let series = week(12, 1008);
    assert_eq!(fit_all(&series), 12);
    let ours = clock::alone(|| fit_all(&series));
    let squares: Vec<f64> = series
        .iter()
        .map(|s| {
            let found = fit(s, &FitOptions::default()).unwrap();
            let chosen = found.chosen().unwrap();
            let sd = chosen.residual_standard_deviation_mm.unwrap();
            sd * sd * chosen.degrees_of_freedom as f64
        })
        .collect();
    let what = "settling: all laws, a week of 12 quantities (1,008 readings each)";
    let goal = "50x lmfit or SciPy, < 100 ms";
    let problem = json!({
        "series": series.iter().map(|s| json!({"t": s.time_h, "h": s.height_mm})).collect::<Vec<_>>(),
    });
    match peers::ask("settling.py", &problem) {
        Err(why) => table::not_run(what, &format!("{}; {why}", table::time(ours)), goal),
        Ok(answer) => {
            let theirs: Vec<f64> = serde_json::from_value(answer["squares"].clone()).unwrap();
            for (q, (a, b)) in squares.iter().zip(&theirs).enumerate() {
                // The laws that fit best must fit alike: to a hundredth of a part.
                assert!((a / b - 1.0).abs() < 1e-2, "quantity {q}: {a} {b}");
            }
            let number = |key| peers::number(&answer, key);
            let (fits, whole, plain) = (number("lmfit"), number("lmfit whole"), number("scipy"));
            let figures = format!(
                "{}; lmfit, the fits alone {} = {:.1}x, with the intervals of the chosen law's parameters and its band a week ahead {} = {:.0}x; SciPy curve_fit, one start, no intervals {} = {:.1}x",
                table::time(ours),
                table::time(fits),
                fits / ours,
                table::time(whole),
                whole / ours,
                table::time(plain),
                plain / ours,
            );
            table::row(what, &figures, goal, whole / ours >= 50.0 && ours < 0.1);
        }
    }
}
