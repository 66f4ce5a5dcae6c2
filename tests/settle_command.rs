//! `settle` as its user runs it: files, exit codes, JSON keys, answers from a logbook.

use crate::room::folder::{Folder, err, out};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;
use stillheight::logbook::{
    KeptBy, KeptQuantity, KeptReading, KeptSensor, Logbook, Origin, Sitting, Unit,
};
use stillheight::quantity::{Moment, Span};

/// NIST Misra1a as a CSV file: monomolecular adsorption, y = b1 (1 - exp(-b2 x)).
const MISRA1A: &str = "time_h,height_mm\n77.6,10.07\n114.9,14.73\n141.1,17.94\n190.8,23.93\n\
239.9,29.61\n289.0,35.18\n332.8,40.02\n378.4,44.82\n434.8,50.76\n477.3,55.05\n536.8,61.01\n\
593.1,66.40\n689.1,75.47\n760.0,81.78\n";

/// Source: NIST StRD, Misra1a: b1 = 2.3894212918E+02 (sd 2.7070075241), b2 = 5.5015643181E-04
/// (sd 7.2668688436E-06), residual sd 1.0187876330E-01. With start held at 0 the exponential is
/// this model: end = b1, tau = 1/b2.
#[test]
fn fits_published_data_from_a_file() {
    let folder = Folder::new("fit");
    std::fs::write(folder.0.join("misra1a.csv"), MISRA1A).unwrap();
    let arguments = [
        "settle",
        "fit",
        "--csv",
        "misra1a.csv",
        "--law",
        "exponential",
        "--fix",
        "start_mm=0",
        "--json",
    ];
    let run = folder.run(&arguments);
    assert_eq!(run.status.code(), Some(0), "{}", err(&run));
    let v: Value = serde_json::from_str(&out(&run)).unwrap();
    let parameter = |name: &str, key: &str| {
        v["parameters"]
            .as_array()
            .unwrap()
            .iter()
            .find(|p| p["name"] == name)
            .unwrap()[key]
            .as_f64()
            .unwrap()
    };
    let close = |found: f64, certified: f64| (found / certified - 1.0).abs() < 1e-6;
    assert!(close(parameter("end_mm", "value"), 2.389_421_291_8e2));
    assert!(close(
        parameter("end_mm", "standard_uncertainty"),
        2.707_007_524_1
    ));
    assert!(close(parameter("tau_h", "value"), 1.0 / 5.501_564_318_1e-4));
    assert!(close(
        v["residual_standard_deviation_mm"].as_f64().unwrap(),
        1.018_787_633_0e-1
    ));
    for key in [
        "law",
        "converged",
        "reason",
        "degrees_of_freedom",
        "aicc",
        "candidates",
        "still_to_come_mm",
    ] {
        assert!(!v[key].is_null(), "{key}");
    }
    let text = folder.run(&arguments[..8]);
    assert!(out(&text).contains("exponential"), "{}", out(&text));
}

#[test]
fn says_with_exit_codes_what_is_no_answer() {
    let folder = Folder::new("codes");
    // A straight rise: the exponential runs to a bound, so that it is no answer.
    let mut csv = String::from("time_h,height_mm\n");
    for k in 0..20 {
        csv.push_str(&format!("{k},{}\n", 400.0 - 0.5 * f64::from(k)));
    }
    std::fs::write(folder.0.join("line.csv"), csv).unwrap();
    let run = folder.run(&[
        "settle",
        "fit",
        "--csv",
        "line.csv",
        "--law",
        "exponential",
        "--json",
    ]);
    assert_eq!(run.status.code(), Some(3), "{}", err(&run));
    let v: Value = serde_json::from_str(&out(&run)).unwrap();
    assert_eq!(v["converged"], false);
    assert!(v["reason"].as_str().unwrap().len() > 5);
    std::fs::write(folder.0.join("bad.csv"), "time_h,height_mm\n1,x\n").unwrap();
    for (arguments, code) in [
        (
            vec!["settle", "fit", "--csv", "bad.csv"],
            "settling.csv.number",
        ),
        (vec!["settle", "fit", "--csv", "none.csv"], "file.read"),
        (
            vec!["settle", "fit", "--csv", "line.csv", "--law", "spline"],
            "settling.law.unknown",
        ),
        (
            vec!["settle", "fit", "--csv", "line.csv", "--fix", "x"],
            "settling.fix.form",
        ),
    ] {
        let run = folder.run(&arguments);
        assert_eq!(run.status.code(), Some(2), "{arguments:?}");
        assert!(err(&run).contains(code), "{}", err(&run));
    }
}

const START_US: i64 = 1_790_000_000_000_000;

fn reading(hours: f64, heights_mm: &[(&str, f64)], temperature_c: Option<f64>) -> KeptReading {
    let at = Moment::from_unix_us(START_US) + Span::from_s(hours * 3600.0);
    KeptReading {
        at,
        still_since: None,
        case: None,
        loads: Vec::new(),
        by: KeptBy::Stillness,
        note: String::new(),
        quantities: heights_mm
            .iter()
            .map(|(name, mm)| KeptQuantity {
                name: (*name).to_owned(),
                unit: Unit::Metre,
                value: mm * 1e-3,
                standard_uncertainty: 1e-3,
                origin: Origin::Measured,
            })
            .collect(),
        state: None,
        sensors: vec![KeptSensor {
            name: "frame roll".to_owned(),
            unit: Unit::Radian,
            value: Some(0.0),
            noise_uncertainty: Some(1e-5),
            zero_uncertainty: 0.0,
            quality: "still".to_owned(),
            temperature_c,
        }],
    }
}

fn logbook(folder: &Folder) -> (PathBuf, Logbook) {
    let made = folder.run(&["sheet", "new", "van.toml"]);
    assert!(made.status.success(), "{}", err(&made));
    let path = folder.0.join("van.logbook.sqlite");
    let mut book = Logbook::open(&path).unwrap();
    book.begin_sitting(&Sitting {
        started: Moment::from_unix_us(START_US),
        sheet_text: std::fs::read_to_string(folder.0.join("van.toml")).unwrap(),
        program: "test".to_owned(),
    })
    .unwrap();
    (path, book)
}

fn settle(folder: &Folder, more: &[&str]) -> Value {
    let run = folder.run(&[&["settle", "van.toml", "--json"], more].concat());
    assert!(run.status.success(), "{}", err(&run));
    serde_json::from_str(&out(&run)).unwrap()
}

fn quantity<'a>(v: &'a Value, name: &str) -> &'a Value {
    v["quantities"]
        .as_array()
        .unwrap()
        .iter()
        .find(|q| q["name"] == name)
        .unwrap()
}

fn left(t: f64) -> f64 {
    394.0 + 6.0 * (-t / 30.0).exp()
}

/// Two heights that settle with one time constant of 30 h, a collar turned after two days: what
/// is still to come is known to the test, and the interval must hold it.
#[test]
fn answers_from_a_logbook_across_a_collar_turn() {
    let folder = Folder::new("answer");
    let (_, mut book) = logbook(&folder);
    let mut random = StdRng::seed_from_u64(11);
    for k in 0..48 {
        let t = f64::from(k) * 2.0;
        let mut noise = || 0.04 * random.sample::<f64, _>(StandardNormal);
        let turned = if t > 48.5 { 2.0 } else { 0.0 };
        let heights = [
            ("height rear left", left(t) + turned + noise()),
            ("height rear right", 0.5 * left(t) + 200.0 + noise()),
        ];
        book.keep(&reading(t, &heights, Some(15.0))).unwrap();
    }
    drop(book);
    let entered = folder.run(&[
        "settle",
        "event",
        "van.toml",
        "--what",
        "collar",
        "--coilover",
        "rear left",
        "--turns",
        "1",
        "--at",
        "2026-09-23T15:00:00Z",
    ]);
    assert!(entered.status.success(), "{}", err(&entered));
    let v = settle(&folder, &["--tolerance", "0.5 mm"]);
    assert_eq!(v["readings"], 48);
    let q = quantity(&v, "height rear left");
    assert_eq!(q["law"], "exponential", "{q:#}");
    let step = &q["steps"][0];
    let (size, u) = (
        step["size"].as_f64().unwrap(),
        step["standard_uncertainty"].as_f64().unwrap(),
    );
    assert!((size - 2.0).abs() < 4.0 * u, "{size} {u}");
    let end = &q["still_to_come"]["at_the_end"];
    let truth = 394.0 - left(94.0);
    let (value, u) = (
        end["value_mm"].as_f64().unwrap(),
        end["standard_uncertainty_mm"].as_f64().unwrap(),
    );
    assert!((value - truth).abs() < 4.0 * u, "{value} {truth} {u}");
    // The other height knows nothing of a step: its own is not beyond its interval.
    let other = &quantity(&v, "height rear right")["steps"][0];
    assert!(other["size"].as_f64().unwrap().abs() < 0.15);
    assert_eq!(v["together"]["agrees"], true, "{}", v["together"]);
    let together = &v["together"]["confidence_95"];
    assert!(
        together[0].as_f64().unwrap() < 30.0 && together[1].as_f64().unwrap() > 30.0,
        "{together}"
    );
    let text = folder.run(&["settle", "van.toml"]);
    assert!(text.status.success(), "{}", err(&text));
    let text = out(&text);
    for words in [
        "SETTLING bare",
        "height rear left",
        "collar rear left turned by +1",
        "TOGETHER",
    ] {
        assert!(text.contains(words), "{words}\n{text}");
    }
}

/// A jump that nobody entered is found, sized and asked about; the settling goes on across it.
#[test]
fn a_step_that_nobody_entered_is_asked_about() {
    let folder = Folder::new("asked");
    let (_, mut book) = logbook(&folder);
    let mut random = StdRng::seed_from_u64(12);
    for k in 0..40 {
        let t = f64::from(k) * 2.0;
        let moved = if k >= 23 { -1.5 } else { 0.0 };
        let height = left(t) + moved + 0.05 * random.sample::<f64, _>(StandardNormal);
        book.keep(&reading(t, &[("height rear left", height)], None))
            .unwrap();
    }
    drop(book);
    let v = settle(&folder, &[]);
    let found = &quantity(&v, "height rear left")["steps_not_entered"][0];
    assert!(
        (found["size"].as_f64().unwrap() + 1.5).abs() < 0.2,
        "{found}"
    );
    let after = found["after"].as_str().unwrap();
    assert!(after.starts_with("2026-09-23T10:13:20"), "{after}");
    let text = out(&folder.run(&["settle", "van.toml"]));
    assert!(text.contains("that nobody entered"), "{text}");
    // Another spring: the clock starts anew with the readings after it.
    let entered = folder.run(&[
        "settle",
        "event",
        "van.toml",
        "--what",
        "spring",
        "--coilover",
        "rear left",
        "--at",
        "2026-09-23T11:00:00Z",
    ]);
    assert!(entered.status.success(), "{}", err(&entered));
    let v = settle(&folder, &[]);
    assert_eq!(v["readings"], 17);
    assert_eq!(v["since_is"], "another spring was fitted");
}

#[test]
fn two_readings_cannot_tell_and_say_when_to_come_again() {
    let folder = Folder::new("two");
    let (_, mut book) = logbook(&folder);
    for t in [0.0, 20.0] {
        book.keep(&reading(t, &[("height rear left", left(t))], None))
            .unwrap();
    }
    drop(book);
    let v = settle(&folder, &[]);
    let q = quantity(&v, "height rear left");
    assert_eq!(q["verdict"], "cannot_tell_yet");
    assert_eq!(q["after_readings_on"].as_array().unwrap().len(), 2);
    let text = out(&folder.run(&["settle", "van.toml"]));
    assert!(text.contains("read again on"), "{text}");
}

#[test]
fn refuses_what_it_cannot_answer() {
    let folder = Folder::new("refuses");
    let made = folder.run(&["sheet", "new", "van.toml"]);
    assert!(made.status.success());
    let none = folder.run(&["settle", "van.toml"]);
    assert_eq!(none.status.code(), Some(2));
    assert!(err(&none).contains("logbook.none"), "{}", err(&none));
    let (_, book) = logbook_again(&folder);
    drop(book);
    let empty = folder.run(&["settle", "van.toml"]);
    assert!(
        err(&empty).contains("settle.no_readings"),
        "{}",
        err(&empty)
    );
    let odd = folder.run(&["settle", "van.toml", "--tolerance", "3"]);
    assert!(err(&odd).contains("settle.tolerance"), "{}", err(&odd));
    let nothing = folder.run(&["settle"]);
    assert_eq!(nothing.status.code(), Some(2));
}

fn logbook_again(folder: &Folder) -> (PathBuf, Logbook) {
    let path: &Path = &folder.0.join("van.logbook.sqlite");
    (path.to_owned(), Logbook::open(path).unwrap())
}

/// Five days of settling through pseudo-terminals: the answers hold what the simulation then does.
/// Source: the simulated vehicle (equations of motion of its own), which shares no code with the
/// fits.
#[cfg(unix)]
#[test]
fn five_rehearsed_days_are_foretold() {
    let folder = Folder::new("days");
    let run = folder.run(&["rehearse", "--story", "settling", "--speed", "40", "--json"]);
    let text = out(&run);
    assert_eq!(run.status.code(), Some(0), "{}{text}", err(&run));
    let v: Value = serde_json::from_str(&text).unwrap();
    crate::schemas::holds("rehearse-settling", &v);
    assert!(v["kept"].as_u64().unwrap() >= 40, "{}", v["missed"]);
    assert_eq!(v["honest"], true);
    // The rear springs and nothing else.
    let causes = v["last_answer"]["causes"].as_array().unwrap();
    assert_eq!(causes[0]["cause"], "springs", "{causes:?}");
    assert!(
        !causes
            .iter()
            .any(|c| c["cause"] == "tyre" || c["cause"] == "sensor")
    );
}

/// One still reading from the sensors of the simulated vehicle; then none, because they are gone.
#[cfg(unix)]
#[test]
fn read_keeps_one_reading_and_watch_more() {
    use stillheight::rehearsal::{Stage, StagePlan};
    let folder = Folder::new("read");
    let mut stage = Stage::set_up_settling(&StagePlan::default()).unwrap();
    std::fs::write(folder.0.join("van.toml"), stage.sheet_text()).unwrap();
    stage.begin();
    let run = folder.run(&["read", "van.toml", "--keep", "--json", "--within", "90s"]);
    assert_eq!(run.status.code(), Some(0), "{}{}", out(&run), err(&run));
    let line = out(&run);
    crate::schemas::lines_hold("watch", &line);
    let kept: Value = serde_json::from_str(line.lines().last().unwrap()).unwrap();
    assert_eq!(kept["event"], "kept");
    let watch = folder.run(&[
        "settle", "watch", "van.toml", "--every", "1s", "--for", "4s", "--json",
    ]);
    crate::schemas::lines_hold("watch", &out(&watch));
    assert_eq!(
        watch.status.code(),
        Some(0),
        "{}{}",
        out(&watch),
        err(&watch)
    );
    let book = Logbook::open_for_reading(&folder.0.join("van.logbook.sqlite")).unwrap();
    let all = book.kept(stillheight::logbook::Which::All).unwrap();
    assert!(all.len() >= 2, "{}", all.len());
    // Temperatures are noted, samples between are not.
    assert!(
        all[0]
            .reading
            .sensors
            .iter()
            .all(|s| s.temperature_c.is_some())
    );
    drop(book);
    stage.finish();
    let gone = folder.run(&["read", "van.toml", "--keep", "--within", "2s"]);
    assert_eq!(gone.status.code(), Some(1), "{}", err(&gone));
    assert!(err(&gone).contains("read.not_still"), "{}", err(&gone));
    let unit = out(&folder.run(&["settle", "unit", "van.toml", "--every", "10min"]));
    assert!(
        unit.contains("settle watch") && unit.contains("--every 600s"),
        "{unit}"
    );
    assert!(unit.contains("[Install]"), "{unit}");
}

/// All plugs are pulled while watch is kept, and put back: the series goes on in the same
/// process, and a second watch (as after a restart) goes on with the same series.
#[cfg(unix)]
#[test]
fn watch_goes_on_after_plugs_were_pulled_and_after_a_restart() {
    use std::process::{Child, Stdio};
    use std::time::{Duration, Instant};
    use stillheight::rehearsal::{FITTINGS, Stage, StagePlan};
    let folder = Folder::new("replug");
    let plan = StagePlan {
        speed: 4.0,
        ..StagePlan::default()
    };
    let mut stage = Stage::set_up_settling(&plan).unwrap();
    std::fs::write(folder.0.join("van.toml"), stage.sheet_text()).unwrap();
    stage.begin();
    let watch = || -> Child {
        Command::new(env!("CARGO_BIN_EXE_stillheight"))
            .args(["settle", "watch", "van.toml", "--every", "1s", "--json"])
            .current_dir(&folder.0)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    };
    let kept = || {
        let path = folder.0.join("van.logbook.sqlite");
        Logbook::open_for_reading(&path).map_or(0, |book| {
            book.kept(stillheight::logbook::Which::All)
                .map_or(0, |all| all.len())
        })
    };
    // As long as a loaded machine may need; the test ends as soon as it is so.
    let wait_for = |least: usize| {
        let begun = Instant::now();
        while kept() < least {
            assert!(
                begun.elapsed() < Duration::from_mins(2),
                "{} readings, {least} wanted",
                kept()
            );
            std::thread::sleep(Duration::from_millis(200));
        }
    };
    let mut child = watch();
    wait_for(1);
    for fitting in FITTINGS {
        stage.unplug(fitting.name).unwrap();
    }
    std::thread::sleep(Duration::from_secs(3));
    let before = kept();
    assert!(child.try_wait().unwrap().is_none(), "it has ended");
    for fitting in FITTINGS {
        stage.replug(fitting.name).unwrap();
    }
    wait_for(before + 2);
    child.kill().unwrap();
    child.wait().unwrap();
    let before = kept();
    let mut again = watch();
    wait_for(before + 1);
    again.kill().unwrap();
    again.wait().unwrap();
    let book = Logbook::open_for_reading(&folder.0.join("van.logbook.sqlite")).unwrap();
    let all = book.kept(stillheight::logbook::Which::All).unwrap();
    assert!(all.iter().all(|k| k.intact));
    assert!(all.windows(2).all(|w| w[0].reading.at < w[1].reading.at));
    stage.finish();
}
