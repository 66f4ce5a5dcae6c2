//! Steps and temperature beside the law of settling.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use stillheight::trials::settling::{BesideKind, FitOptions, Law, Series, fit};

fn noise(n: usize, seed: u64) -> Vec<f64> {
    let mut random = StdRng::seed_from_u64(seed);
    (0..n).map(|_| random.sample(StandardNormal)).collect()
}

fn truth(t: f64) -> f64 {
    394.0 + 6.0 * (-t / 30.0).exp()
}

fn times() -> Vec<f64> {
    (0..100).map(|k| f64::from(k) * 1.2).collect()
}

/// Source: Frisch-Waugh-Lovell theorem (Lovell 1963): the coefficients of a regression are those
/// of the regression on everything at once. Here by an independent way: the step's size and the
/// law's parameters minimise the sum of squares over all of them, so that moving any of them by a
/// little never lowers it.
#[test]
fn a_step_and_the_law_are_fitted_together() {
    let time_h = times();
    let e = noise(time_h.len(), 3);
    let height_mm: Vec<f64> = time_h
        .iter()
        .zip(&e)
        .map(|(&t, e)| truth(t) + if t >= 50.0 { 2.5 } else { 0.0 } + 0.05 * e)
        .collect();
    let series = Series {
        time_h: time_h.clone(),
        height_mm: height_mm.clone(),
        u_mm: None,
    };
    let options = FitOptions {
        law: Some(Law::Exponential),
        steps_h: vec![50.0],
        ..FitOptions::default()
    };
    let found = fit(&series, &options).unwrap();
    let c = found.chosen().unwrap();
    assert_eq!(c.degrees_of_freedom, 96);
    let step = c.beside[0];
    assert_eq!(step.kind, BesideKind::Step { at_h: 50.0 });
    let u = step.standard_uncertainty.unwrap();
    // Four standard uncertainties: a chance of 6 in 100,000 for one seed.
    assert!((step.value - 2.5).abs() < 4.0 * u, "{step:?}");
    assert!((0.01..0.05).contains(&u), "{u}");
    // The law describes the vehicle after the step: it ends 2.5 mm higher.
    let end = c.parameters[0].value;
    assert!((end - 396.5).abs() < 0.2, "{end}");
    let squares = |end: f64, start: f64, tau: f64, step: f64| -> f64 {
        time_h
            .iter()
            .zip(&height_mm)
            .map(|(&t, h)| {
                let law = end + (start - end) * (-t / tau).exp();
                let before = if t < 50.0 { step } else { 0.0 };
                (h - law + before).powi(2)
            })
            .sum()
    };
    let p: Vec<f64> = c.parameters.iter().map(|p| p.value).collect();
    let least = squares(p[0], p[1], p[2], step.value);
    for d in [-1e-3, 1e-3] {
        assert!(squares(p[0] + d, p[1], p[2], step.value) > least);
        assert!(squares(p[0], p[1] + d, p[2], step.value) > least);
        assert!(squares(p[0], p[1], p[2] + 10.0 * d, step.value) > least);
        assert!(squares(p[0], p[1], p[2], step.value + d) > least);
    }
    let sd = c.residual_standard_deviation_mm.unwrap();
    assert!((sd - (least / 96.0).sqrt()).abs() < 1e-9, "{sd}");
}

/// A day wave of measured temperature is taken out: its size is found, and the forecast is tighter
/// than without.
#[test]
fn a_day_wave_goes_into_the_temperature() {
    let time_h: Vec<f64> = (0..120).map(f64::from).collect();
    let e = noise(time_h.len(), 5);
    let temperature_c: Vec<f64> = time_h
        .iter()
        .map(|t| 15.0 + 6.0 * (t * std::f64::consts::TAU / 24.0).sin())
        .collect();
    let height_mm = (0..time_h.len())
        .map(|i| truth(time_h[i]) - 0.04 * (temperature_c[i] - 15.0) + 0.03 * e[i])
        .collect();
    let series = Series {
        time_h,
        height_mm,
        u_mm: None,
    };
    let without = fit(&series, &FitOptions::default()).unwrap();
    let with = fit(
        &series,
        &FitOptions {
            temperature_c,
            ..FitOptions::default()
        },
    )
    .unwrap();
    assert_eq!(with.chosen().unwrap().law, Law::Exponential);
    let slope = with.chosen().unwrap().beside[0];
    assert_eq!(slope.kind, BesideKind::Temperature);
    assert!(
        (slope.value + 0.04).abs() < 4.0 * slope.standard_uncertainty.unwrap(),
        "{slope:?}"
    );
    let width = |f: &stillheight::trials::settling::SettlingFit| {
        f.height(200.0)
            .unwrap()
            .map_or(f64::INFINITY, |b| b.standard_uncertainty_mm)
    };
    assert!(width(&with) < 0.5 * width(&without));
    // The noise that is left does not hang together any more.
    assert!(without.noise_correlation > 0.5);
    assert!(with.noise_correlation < 0.3);
}

/// Ten-minute readings of a week go another way (averages first); a step between must not matter.
#[test]
fn a_long_series_with_a_step_gives_the_same_law() {
    let time_h: Vec<f64> = (0..1008).map(|k| f64::from(k) / 6.0).collect();
    let e = noise(time_h.len(), 8);
    let bare: Vec<f64> = (0..time_h.len())
        .map(|i| truth(time_h[i]) + 0.05 * e[i])
        .collect();
    let stepped = (0..time_h.len())
        .map(|i| bare[i] - if time_h[i] >= 70.0 { 4.0 } else { 0.0 })
        .collect();
    let of = |height_mm: Vec<f64>, steps_h: Vec<f64>| {
        let series = Series {
            time_h: time_h.clone(),
            height_mm,
            u_mm: None,
        };
        let options = FitOptions {
            steps_h,
            ..FitOptions::default()
        };
        let found = fit(&series, &options).unwrap();
        let tau = found.chosen().unwrap().parameters[2].clone();
        (tau.value, tau.standard_uncertainty.unwrap())
    };
    let (plain, _) = of(bare.clone(), vec![]);
    let (stepped, u) = of(stepped, vec![70.0]);
    assert!((plain - 30.0).abs() < 1.0);
    // The step takes information away, so that the two differ within the larger uncertainty.
    assert!((plain - stepped).abs() < 3.0 * u, "{plain} {stepped} {u}");
}

/// The picture for a report: one dot for each reading, one line, two bands, every element closed.
#[test]
fn a_picture_holds_every_reading() {
    use stillheight::trials::settling::{Picture, TimeAxis, svg};
    let time_h = times();
    let e = noise(time_h.len(), 21);
    let readings: Vec<(f64, f64)> = time_h
        .iter()
        .zip(&e)
        .map(|(&t, e)| (t, truth(t) + 0.05 * e))
        .collect();
    let series = Series {
        time_h,
        height_mm: readings.iter().map(|r| r.1).collect(),
        u_mm: None,
    };
    let found = fit(&series, &FitOptions::default()).unwrap();
    let picture = Picture {
        found: &found,
        readings,
        unit: "mm",
        by: 1.0,
    };
    for axis in [TimeAxis::Real, TimeAxis::Log] {
        let text = svg(&picture, "height <rear> & \"left\"", axis);
        let count = |what: &str| text.matches(what).count();
        assert_eq!(count("<circle"), 100);
        assert_eq!(count("<polyline"), 1);
        assert_eq!(count("<polygon"), 2);
        assert_eq!(count("<text"), count("</text>"));
        assert!(text.starts_with("<svg") && text.ends_with("</svg>"));
        assert!(text.contains("height &lt;rear&gt; &amp; &quot;left&quot;"));
        assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
    }
}
