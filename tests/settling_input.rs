//! What settling does with readings that are not as they should be.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    reason = "a failing test may stop where it stands"
)]

use proptest::prelude::*;
use stillheight::trials::settling::{
    FitOptions, Law, Notice, Series, SettlingError, TimeAxis, Verdict, fit, plot, read_csv,
    run_fit_command,
};

/// Noise that looks random and is the same every time, within +-1.
fn noise(i: usize) -> f64 {
    let mut x = (i as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    x ^= x >> 29;
    x = x.wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x ^= x >> 32;
    (x % 20_001) as f64 / 10_000.0 - 1.0
}

fn settling(n: usize, every_h: f64) -> Series {
    let time_h: Vec<f64> = (0..n).map(|i| i as f64 * every_h).collect();
    let height_mm = time_h
        .iter()
        .enumerate()
        .map(|(i, t)| 394.0 + 6.0 * (-t / 30.0).exp() + 0.08 * noise(i))
        .collect();
    Series {
        time_h,
        height_mm,
        u_mm: None,
    }
}

fn all(series: &Series) -> Result<stillheight::trials::settling::SettlingFit, SettlingError> {
    fit(series, &FitOptions::default())
}

#[test]
fn two_readings_are_refused_with_the_reason() {
    let refused = all(&settling(2, 24.0)).unwrap_err();
    assert_eq!(
        refused,
        SettlingError::TooFewReadings {
            found: 2,
            needed: 6
        }
    );
    assert_eq!(
        refused.to_string(),
        "2 readings are too few, at least 6 are needed"
    );
    assert_eq!(refused.code(), "settling.readings.too_few");
    assert_eq!(
        all(&Series::default()).unwrap_err(),
        SettlingError::TooFewReadings {
            found: 0,
            needed: 6
        }
    );
}

#[test]
fn a_constant_series_has_not_changed_and_says_what_that_means() {
    let series = Series {
        height_mm: vec![401.5; 30],
        ..settling(30, 2.0)
    };
    let found = all(&series).unwrap();
    assert_eq!(found.chosen().unwrap().law, Law::None);
    assert!((found.chosen().unwrap().parameters[0].value - 401.5).abs() < 1e-12);
    assert!(found.notices.contains(&Notice::Constant));
    assert_eq!(
        found.candidates.iter().filter(|c| c.is_converged()).count(),
        1,
        "no other law is determined"
    );
}

#[test]
fn times_out_of_order_are_put_in_order_and_told() {
    let tidy = settling(40, 3.0);
    let mut mixed = tidy.clone();
    mixed.time_h.swap(10, 11);
    mixed.height_mm.swap(10, 11);
    mixed.time_h.swap(30, 33);
    mixed.height_mm.swap(30, 33);
    let (a, b) = (all(&tidy).unwrap(), all(&mixed).unwrap());
    assert_eq!(
        a.chosen().unwrap().parameters,
        b.chosen().unwrap().parameters
    );
    assert!(
        matches!(
            b.notices[0],
            Notice::Sorted {
                places: 3,
                first_index: 11
            }
        ),
        "{:?}",
        b.notices
    );
    assert!(a.notices.is_empty(), "{:?}", a.notices);
}

#[test]
fn a_reading_given_twice_counts_once() {
    let tidy = settling(40, 3.0);
    let mut doubled = tidy.clone();
    for i in [5, 17] {
        doubled.time_h.push(tidy.time_h[i]);
        doubled.height_mm.push(tidy.height_mm[i]);
    }
    let (a, b) = (all(&tidy).unwrap(), all(&doubled).unwrap());
    assert_eq!(
        a.chosen().unwrap().parameters,
        b.chosen().unwrap().parameters
    );
    assert!(
        b.notices.contains(&Notice::Doubled { count: 2 }),
        "{:?}",
        b.notices
    );
}

#[test]
fn a_gap_of_days_is_told_and_does_no_harm() {
    let mut series = settling(60, 1.0);
    let late = settling(120, 1.0);
    series.time_h.extend(&late.time_h[110..]);
    series.height_mm.extend(&late.height_mm[110..]);
    let found = all(&series).unwrap();
    assert!(
        found.notices.contains(&Notice::Gap {
            from_h: 59.0,
            to_h: 110.0
        }),
        "{:?}",
        found.notices
    );
    let chosen = found.chosen().unwrap();
    assert_eq!(chosen.law, Law::Exponential);
    let end = &chosen.parameters[0];
    assert!((end.value - 394.0).abs() < 4.0 * end.standard_uncertainty.unwrap());
}

#[test]
fn one_wild_reading_is_left_out_and_named() {
    for at in [0, 1, 7, 25, 39] {
        let tidy = settling(40, 3.0);
        let mut wild = tidy.clone();
        wild.height_mm[at] += 3.0;
        let found = all(&wild).unwrap();
        assert_eq!(found.left_out.len(), 1, "at {at}");
        assert_eq!(found.left_out[0].index, at);
        assert!((found.left_out[0].height_mm - wild.height_mm[at]).abs() < 1e-12);
        assert_eq!(found.chosen().unwrap().law, Law::Exponential, "at {at}");
        // What is left is the fit of the series without it.
        let mut without = tidy;
        without.time_h.remove(at);
        without.height_mm.remove(at);
        let expected = all(&without).unwrap();
        for (p, q) in found
            .chosen()
            .unwrap()
            .parameters
            .iter()
            .zip(&expected.chosen().unwrap().parameters)
        {
            assert!(
                (p.value - q.value).abs() < 1e-6 * q.standard_uncertainty.unwrap(),
                "{p:?} {q:?}"
            );
        }
    }
    assert!(all(&settling(40, 3.0)).unwrap().left_out.is_empty());
}

#[test]
fn what_is_not_a_number_or_before_zero_is_refused() {
    let spoil = |change: fn(&mut Series)| {
        let mut series = settling(20, 1.0);
        change(&mut series);
        all(&series).unwrap_err()
    };
    assert_eq!(
        spoil(|s| s.time_h[3] = f64::NAN),
        SettlingError::NotFinite {
            what: "time",
            index: 3
        }
    );
    assert_eq!(
        spoil(|s| s.height_mm[4] = f64::INFINITY),
        SettlingError::NotFinite {
            what: "height",
            index: 4
        }
    );
    assert_eq!(
        spoil(|s| s.time_h[0] = -2.0),
        SettlingError::BeforeZero {
            index: 0,
            time_h: -2.0
        }
    );
    assert_eq!(
        spoil(|s| {
            s.height_mm.pop();
        }),
        SettlingError::LengthsDiffer {
            times: 20,
            heights: 19,
            uncertainties: 19
        }
    );
    assert_eq!(
        spoil(|s| s.u_mm = Some((0..20).map(f64::from).collect())),
        SettlingError::UncertaintyNotPositive {
            index: 0,
            u_mm: 0.0
        }
    );
    assert_eq!(
        spoil(|s| s.time_h.fill(5.0)),
        SettlingError::NoTimePassed { found: 20 }
    );
}

#[test]
fn held_parameters_are_checked_and_kept() {
    let series = settling(40, 3.0);
    let with = |law: Option<Law>, fixed: &[(&str, f64)]| {
        fit(
            &series,
            &FitOptions {
                law,
                fixed: fixed.iter().map(|(n, v)| ((*n).to_owned(), *v)).collect(),
                ..FitOptions::default()
            },
        )
    };
    let found = with(Some(Law::Exponential), &[("tau_h", 28.0)]).unwrap();
    let tau = &found.chosen().unwrap().parameters[2];
    assert!((tau.value - 28.0).abs() < 1e-12 && tau.fixed && tau.standard_uncertainty.is_none());
    let found = with(Some(Law::TwoExponentials), &[("tau1_h", 2.0)]).unwrap();
    if let Some(chosen) = found.chosen() {
        assert!(chosen.parameters[4].value > 2.0);
    }
    // Without a law, only those that have the parameter compete.
    let found = with(None, &[("start_mm", 400.0)]).unwrap();
    let laws: Vec<Law> = found.candidates.iter().map(|c| c.law).collect();
    assert_eq!(laws, [Law::Exponential, Law::LogCreep, Law::Power]);
    assert_eq!(
        with(None, &[("tau_h", -1.0)]).unwrap_err().code(),
        "settling.fix.range"
    );
    assert_eq!(
        with(
            Some(Law::TwoExponentials),
            &[("tau1_h", 9.0), ("tau2_h", 3.0)]
        )
        .unwrap_err()
        .code(),
        "settling.fix.range"
    );
    assert_eq!(
        with(Some(Law::Power), &[("tau_h", 1.0)])
            .unwrap_err()
            .to_string(),
        "no parameter 'tau_h' in 'power'"
    );
    assert_eq!(
        with(Some(Law::None), &[("level_mm", 1.0)]).unwrap_err(),
        SettlingError::NothingToFit { law: "none" }
    );
}

/// Source: by hand: two halves with weights 1 and 1/4 (twice the uncertainty) at two heights have
/// their weighted mean at (1 * 10 + 1/4 * 20)/(1 + 1/4) = 12.
#[test]
fn uncertainties_are_relative_weights() {
    let n = 20;
    let series = Series {
        time_h: (0..n).map(f64::from).collect(),
        height_mm: (0..n)
            .map(|i| if i % 2 == 0 { 10.0 } else { 20.0 })
            .collect(),
        u_mm: Some((0..n).map(|i| if i % 2 == 0 { 1.0 } else { 2.0 }).collect()),
    };
    let found = fit(
        &series,
        &FitOptions {
            law: Some(Law::None),
            fixed: vec![],
            ..FitOptions::default()
        },
    )
    .unwrap();
    assert!((found.chosen().unwrap().parameters[0].value - 12.0).abs() < 1e-12);
}

#[test]
fn csv_is_read_in_its_units() {
    let series = read_csv(
        "\u{feff}time_d,height_in\r\n# first evening\r\n0,16\r\n\r\n1.5, 15.5\r\n",
        "a.csv",
    )
    .unwrap();
    assert_eq!(series.time_h, [0.0, 36.0]);
    assert!(
        (series.height_mm[0] - 406.4).abs() < 1e-12 && (series.height_mm[1] - 393.7).abs() < 1e-12
    );
    let series = read_csv("height_m;u_mm;time_s\n0.4;0.1;7200\n", "a.csv").unwrap();
    assert!((series.time_h[0] - 2.0).abs() < 1e-12 && (series.height_mm[0] - 400.0).abs() < 1e-12);
    assert_eq!(series.u_mm, Some(vec![0.1]));
}

#[test]
fn csv_mistakes_are_shown_where_they_stand() {
    for (text, message, code) in [
        ("", "a.csv: no readings", "settling.csv.empty"),
        (
            "time_h,height_mm\n",
            "a.csv: no readings",
            "settling.csv.empty",
        ),
        (
            "time,height_mm\n1,2\n",
            "a.csv:1:1: 'time' is no column name",
            "settling.csv.header",
        ),
        (
            "time_h, weight_kg\n1,2\n",
            "a.csv:1:9: 'weight_kg' is no column name",
            "settling.csv.header",
        ),
        (
            "time_h,time_s\n1,2\n",
            "a.csv:1:8: 'time_s' is no column name",
            "settling.csv.header",
        ),
        (
            "time_h\n1\n",
            "a.csv:1:7: '' is no column name",
            "settling.csv.header",
        ),
        (
            "time_h,height_mm\n1,400\n2,40o\n",
            "a.csv:3:3: '40o' is not a number",
            "settling.csv.number",
        ),
        (
            "time_h,height_mm\n1, nan\n",
            "a.csv:2:4: 'nan' is not a number",
            "settling.csv.number",
        ),
        (
            "time_h,height_mm\n1,400 mm\n",
            "a.csv:2:3: '400 mm' is not a number",
            "settling.csv.number",
        ),
        (
            "time_h,height_mm\n1,400,5\n",
            "a.csv:2:7: 3 cells, expected 2",
            "settling.csv.cells",
        ),
        (
            "time_h,height_mm\n1\n",
            "a.csv:2:1: 1 cells, expected 2",
            "settling.csv.cells",
        ),
    ] {
        let refused = read_csv(text, "a.csv").unwrap_err();
        assert_eq!(
            (refused.to_string().as_str(), refused.code()),
            (message, code)
        );
        assert!(!refused.help().is_empty());
    }
}

#[test]
fn the_command_refuses_what_it_does_not_understand() {
    let text = "time_h,height_mm\n0,400\n1,399\n2,398\n3,397.5\n4,397\n5,396.8\n6,396.6\n";
    let run = |law: Option<&str>, fix: &[String]| {
        run_fit_command(text, "a.csv", law, fix, false).unwrap_err()
    };
    assert_eq!(run(Some("linear"), &[]).to_string(), "unknown law 'linear'");
    assert_eq!(
        run(None, &["tau_h".into()]).to_string(),
        "'tau_h' is not of the form NAME=VALUE"
    );
    assert_eq!(
        run(None, &["speed=3".into()]).to_string(),
        "no parameter 'speed' in any law"
    );
}

/// What is said of a series: how far it will go still, whether it has settled, when to look again.
#[test]
fn forecasts_hold_the_truth_of_a_known_series() {
    let series = settling(25, 2.0);
    let found = all(&series).unwrap();
    assert_eq!(found.chosen().unwrap().law, Law::Exponential);
    let now: f64 = 48.0;
    let truth = |t: f64| 6.0 * (-t / 30.0).exp();
    for at in [now + 24.0, now + 168.0] {
        let band = found.still_to_come(at).unwrap().unwrap();
        let coming = truth(at) - truth(now);
        assert!(
            band.confidence_95_mm[0] < coming && coming < band.confidence_95_mm[1],
            "{band:?} {coming}"
        );
        assert!(band.prediction_95_mm[0] < band.confidence_95_mm[0]);
        assert!(band.prediction_95_mm[1] > band.confidence_95_mm[1]);
    }
    let end = found.still_to_come(f64::INFINITY).unwrap().unwrap();
    assert!(
        end.at_h.is_none()
            && end.confidence_95_mm[0] < -truth(now)
            && -truth(now) < end.confidence_95_mm[1]
    );
    assert_eq!(found.verdict(0.3, 720.0).unwrap(), Verdict::StillMoving);
    assert_eq!(found.verdict(5.0, 720.0).unwrap(), Verdict::Settled);
    assert_eq!(found.verdict(1.2, 720.0).unwrap(), Verdict::CannotTellYet);
    let look = found.next_look(168.0).unwrap();
    assert!(look.at_h > now && look.at_h <= now + 168.0, "{look:?}");
    assert!(look.variance_taken > 0.0 && look.variance_taken <= 1.0);
    // The end is told by waiting: a reading at once must tell less than one later.
    assert!(look.at_h > now + 6.0, "{look:?}");
}

#[test]
fn the_text_answer_says_what_matters() {
    let series = settling(60, 2.0);
    let mut rows: Vec<String> = series
        .time_h
        .iter()
        .zip(&series.height_mm)
        .map(|(t, h)| format!("{t},{h:.3}"))
        .collect();
    rows[20] = "40,399.9".into();
    let text = format!("time_h,height_mm\n{}\n", rows.join("\n"));
    let (answer, code) = run_fit_command(&text, "rear-left.csv", None, &[], false).unwrap();
    assert_eq!(code, 0);
    for part in [
        "rear-left.csv: 59 readings over 4.9 d",
        "left out: reading 21 at 40 h, 399.900 mm",
        "exponential   h = end + (start - end) exp(-t/tau)",
        "end_mm",
        "(95 %)",
        "two-exponentials",
        "by tomorrow",
        "in a week",
        "at the end",
        "look again in",
    ] {
        assert!(answer.contains(part), "'{part}' in\n{answer}");
    }
}

#[test]
fn the_picture_has_the_readings_and_the_law() {
    let series = settling(30, 2.0);
    let found = all(&series).unwrap();
    for axis in [TimeAxis::Real, TimeAxis::Log] {
        let picture = plot(&series, &found, axis, 40, 8);
        let lines: Vec<&str> = picture.lines().collect();
        assert_eq!(lines.len(), 9);
        let dots = |line: &str| {
            line.chars()
                .filter(|c| ('\u{2801}'..='\u{28ff}').contains(c))
                .count()
        };
        assert!(
            lines[..8].iter().all(|l| l.chars().count() == 14 + 40),
            "{picture}"
        );
        assert!(
            lines[..8].iter().all(|l| dots(l) > 0),
            "a falling curve passes every row\n{picture}"
        );
        assert!(
            lines[0].trim_start().starts_with("40") && lines[7].trim_start().starts_with("39"),
            "{picture}"
        );
    }
}

#[test]
fn times_far_from_zero_are_pointed_out() {
    let mut series = settling(30, 2.0);
    for t in &mut series.time_h {
        *t += 50_000.0;
    }
    let told = match all(&series) {
        Ok(found) => found
            .notices
            .iter()
            .any(|n| matches!(n, Notice::FarFromZero { .. })),
        Err(_) => false,
    };
    assert!(told);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(150) })]

    /// Whatever is typed in, there is an answer or a reason, and what is called an answer is finite.
    #[test]
    fn prop_any_series_never_panics(
        points in proptest::collection::vec((times(), heights()), 0..40),
        law in proptest::option::of(0usize..5),
    ) {
        let series = Series {
            time_h: points.iter().map(|p| p.0).collect(),
            height_mm: points.iter().map(|p| p.1).collect(),
            u_mm: None,
        };
        let options = FitOptions { law: law.map(|k| Law::ALL[k]), fixed: vec![], ..FitOptions::default() };
        if let Ok(found) = fit(&series, &options) {
            if let Some(chosen) = found.chosen() {
                for p in &chosen.parameters {
                    prop_assert!(p.value.is_finite(), "{p:?}");
                    prop_assert!(p.standard_uncertainty.is_some_and(f64::is_finite), "{p:?}");
                }
            }
            let _ = found.verdict(0.5, 720.0).unwrap();
            let _ = found.next_look(168.0);
            let _ = found.height(found.span_h.1 + 24.0).unwrap();
            let _ = plot(&series, &found, TimeAxis::Log, 30, 5);
        }
    }

    /// Numbers of any kind, NaN and infinities among them, are fitted or refused.
    #[test]
    fn prop_any_numbers_never_panic(
        points in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY), 6..12),
        positive in any::<bool>(),
    ) {
        let tame = |x: f64| if positive && x.is_finite() { x.abs() } else { x };
        let series = Series {
            time_h: points.iter().map(|p| tame(p.0)).collect(),
            height_mm: points.iter().map(|p| tame(p.1)).collect(),
            u_mm: None,
        };
        let _ = all(&series);
    }

    /// Any text is read or refused.
    #[test]
    fn prop_any_text_never_panics(text in "(time_h,height_mm\n)?[-0-9.,;e \n\t#a-z\u{2800}]{0,80}", json in any::<bool>()) {
        if let Ok((output, code)) = run_fit_command(&text, "x.csv", None, &[], json) {
            prop_assert!(code == 0 || code == 3);
            prop_assert!(!output.is_empty());
        }
    }
}

fn times() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => 0.0..200.0,
        4 => (0u8..20).prop_map(f64::from),
        2 => (-9.0..9.0).prop_map(|e: f64| 10_f64.powf(e)),
        1 => Just(0.0),
    ]
}

fn heights() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => 390.0..410.0,
        4 => (0u8..4).prop_map(f64::from),
        2 => (-12.0..12.0).prop_map(|e: f64| -(10_f64.powf(e))),
    ]
}
