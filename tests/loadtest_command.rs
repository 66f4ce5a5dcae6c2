//! `loadtest` and its rehearsal as their user runs them: exit codes, JSON, what
//! the logbook gives afterwards.

use crate::room::folder::{Folder, err, out};
use crate::room::terminal::Session;
use serde_json::Value;
use std::time::Duration;
use stillheight::logbook::{KeptBy, KeptReading, KeptSensor, Load, Logbook, Sitting, Unit};
use stillheight::posture::{PostureState, predict};
use stillheight::quantity::{Moment, Span};
use stillheight::sheet::{BuildSheet, Measurand};
use stillheight::statics::{Model, Parameter};

fn json_lines(text: &str) -> Vec<Value> {
    text.lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect()
}

/// From the plan to the forecast over pseudo-terminals: every planned step is
/// kept once, and what was found holds the truth. The simulated hands wait for
/// the program, so a loaded machine takes longer and comes to the same.
#[test]
fn the_rehearsed_test_goes_from_plan_to_forecast_and_is_honest() {
    let folder = Folder::new("rehearsed");
    let output = folder.run(&[
        "rehearse", "--story", "loadtest", "--speed", "10", "--seed", "1", "--json", "--folder",
        ".",
    ]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}{}",
        out(&output),
        err(&output)
    );
    crate::schemas::lines_hold("loadtest", &out(&output));
    let events = json_lines(&out(&output));
    let of = |kind: &str| {
        events
            .iter()
            .filter(|e| e["event"] == kind)
            .cloned()
            .collect::<Vec<_>>()
    };
    assert_eq!(of("plan").len(), 1);
    let steps = of("step");
    assert!(steps.len() >= 10, "{}", steps.len());
    assert_eq!(of("kept").len(), steps.len());
    let result = &of("result")[0];
    assert_eq!(result["steps"].as_array().unwrap().len(), steps.len());
    assert_eq!(result["identified"], true);
    assert!(result["forecast"]["axles"][0]["ride_frequency"].is_object());
    assert!(result["loop"]["points"].as_array().unwrap().len() >= steps.len() - 1);
    let summary = &of("summary")[0];
    assert_eq!(summary["honest"], true, "{summary}");
    assert!(summary["of"].as_u64().unwrap() >= 20, "{summary}");

    // Afterwards, from the logbook alone, the same comes out.
    let fitted = folder.run(&[
        "loadtest",
        "fit",
        "rehearsal.toml",
        "--json",
        "--svg",
        "loop.svg",
    ]);
    assert_eq!(fitted.status.code(), Some(0), "{}", err(&fitted));
    let fitted: Value = serde_json::from_str(&out(&fitted)).unwrap();
    assert_eq!(fitted["result"]["findings"], result["result"]["findings"]);
    let svg = std::fs::read_to_string(folder.0.join("loop.svg")).unwrap();
    assert!(svg.starts_with("<svg") && svg.ends_with("</svg>") && svg.contains("rear axle"));

    // What is told afterwards counts.
    let told = folder.run(&[
        "loadtest",
        "fit",
        "rehearsal.toml",
        "--json",
        "--way",
        "3=unknown",
        "--without",
        "2",
    ]);
    let told: Value = serde_json::from_str(&out(&told)).unwrap();
    assert_eq!(told["steps"].as_array().unwrap().len(), steps.len() - 1);
    assert_eq!(told["steps"][1]["approach"], "unknown");
    let wrong = folder.run(&["loadtest", "fit", "rehearsal.toml", "--without", "99"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(
        err(&wrong).contains("loadtest.no_such_reading"),
        "{}",
        err(&wrong)
    );
}

/// Readings that `watch` kept without any guidance, put on and off by the keys
/// of the loads, are a load test as well.
#[test]
fn readings_kept_by_watching_are_a_load_test_afterwards() {
    let folder = Folder::new("watched");
    let watched = folder.run(&[
        "rehearse", "--plain", "--speed", "20", "--seed", "1", "--folder", ".",
    ]);
    assert!(out(&watched).contains("RESULT"), "{}", err(&watched));
    let fitted = folder.run(&["loadtest", "fit", "rehearsal.toml"]);
    let text = out(&fitted);
    assert_eq!(fitted.status.code(), Some(0), "{text}{}", err(&fitted));
    for part in [
        "READINGS",
        "VERDICT",
        "FORECAST",
        "helper 78 kg",
        "going down",
        "coming up",
    ] {
        assert!(text.contains(part), "no {part} in {text}");
    }
}

/// Bare readings alone: what is kept is said, and that nothing is identified.
#[test]
fn a_vehicle_that_was_never_loaded_ends_with_code_3() {
    let folder = Folder::new("bare");
    let watched = folder.run(&[
        "rehearse", "--plain", "--speed", "10", "--seed", "1", "--for", "12s", "--folder", ".",
    ]);
    assert!(
        out(&watched).contains("KEPT"),
        "{}{}",
        out(&watched),
        err(&watched)
    );
    let fitted = folder.run(&["loadtest", "fit", "rehearsal.toml"]);
    let text = out(&fitted);
    assert_eq!(fitted.status.code(), Some(3), "{text}{}", err(&fitted));
    assert!(
        text.contains("no weight was ever on") && text.contains("NOTHING IDENTIFIED"),
        "{text}"
    );
}

#[test]
fn mistakes_end_with_code_2_and_say_what_would_be_right() {
    let folder = Folder::new("mistakes");
    folder.run(&["sheet", "new", "van.toml"]);
    let none = folder.run(&["loadtest", "fit", "van.toml"]);
    assert_eq!(none.status.code(), Some(2));
    assert!(
        err(&none).contains("loadtest.no_readings"),
        "{}",
        err(&none)
    );
    let unknown = folder.run(&["loadtest", "plan", "van.toml", "--load", "anvil"]);
    assert_eq!(unknown.status.code(), Some(2));
    let weight = folder.run(&["loadtest", "plan", "van.toml", "--person", "80"]);
    assert_eq!(weight.status.code(), Some(2), "{}", err(&weight));
    let way = folder.run(&["loadtest", "fit", "van.toml", "--way", "3=sideways"]);
    assert_eq!(way.status.code(), Some(2));
}

#[test]
fn a_plan_comes_with_its_caution_and_its_trades() {
    let folder = Folder::new("plan");
    folder.run(&["sheet", "new", "van.toml"]);
    let plan = folder.run(&["loadtest", "plan", "van.toml", "--person", "82 kg"]);
    let text = out(&plan);
    assert_eq!(plan.status.code(), Some(0), "{}", err(&plan));
    for part in [
        "rated stands",
        "tack",
        "two more repeats of",
        "10 kg heavier",
        "1. bare, bounced",
    ] {
        assert!(text.contains(part), "no {part} in {text}");
    }
    let plan = folder.run(&["loadtest", "plan", "van.toml", "--json", "--stops", "7"]);
    let plan: Value = serde_json::from_str(&out(&plan)).unwrap();
    assert!(plan["visits"].as_array().unwrap().len() <= 3, "{plan}");
}

/// On ports, from a file of steps: the caution comes first, what was said is
/// kept with the reading, and a test that was interrupted goes on.
#[test]
fn a_scripted_test_on_ports_keeps_and_goes_on_later() {
    let folder = Folder::new("scripted");
    let stage = stillheight::rehearsal::Stage::set_up_guided(&stillheight::rehearsal::StagePlan {
        seed: 3,
        speed: 1.0,
        folder: None,
    })
    .unwrap();
    std::fs::write(folder.0.join("van.toml"), stage.sheet_text()).unwrap();
    stage.begin();
    std::fs::write(folder.0.join("first.txt"), "bounced\nkeep\nquit\n").unwrap();
    let first = folder.run(&["loadtest", "van.toml", "--steps", "first.txt"]);
    let text = out(&first);
    // One bare reading tells nothing of what was asked.
    assert_eq!(first.status.code(), Some(3), "{text}{}", err(&first));
    let at = |part: &str| {
        text.find(part)
            .unwrap_or_else(|| panic!("no {part} in {text}"))
    };
    assert!(at("CAUTION") < at("STEP 1") && at("STEP 1") < at("KEPT 1 bare"));
    assert!(text.contains("bounced"), "{text}");
    std::fs::write(
        folder.0.join("second.txt"),
        "sideways\non anvil\nskip\nquit\n",
    )
    .unwrap();
    let second = folder.run(&["loadtest", "van.toml", "--steps", "second.txt"]);
    let text = out(&second);
    assert_eq!(second.status.code(), Some(0), "{text}{}", err(&second));
    for part in [
        "1 readings of this test are in the logbook already",
        "'sideways' is no answer here",
        "'anvil' is no load of the sheet",
        "nothing was kept",
    ] {
        assert!(text.contains(part), "no {part} in {text}");
    }
}

/// The whole test on a screen of 80 by 24: the step in big letters, the loop, what is
/// off; keys do what hands would say. Then it quits, and the terminal is as it was.
#[test]
fn a_test_is_led_on_the_screen() {
    let folder = Folder::new("screen");
    let stage = stillheight::rehearsal::Stage::set_up_guided(&stillheight::rehearsal::StagePlan {
        seed: 3,
        speed: 1.0,
        folder: None,
    })
    .unwrap();
    let sheet = folder.0.join("van.toml");
    std::fs::write(&sheet, stage.sheet_text()).unwrap();
    stage.begin();
    let program = std::path::Path::new(env!("CARGO_BIN_EXE_stillheight"));
    let mut session = Session::start(
        program,
        &["loadtest", sheet.to_str().unwrap()],
        &[("TZ", "UTC"), ("NO_COLOR", "1")],
    );
    session.patience = Duration::from_mins(2);
    // The whole caution first, on the plain terminal.
    session.wait_for("Enter when all of this is so");
    assert!(session.text().contains("tack"), "{}", session.text());
    session.press("\r");
    session.wait_for("step 1 of");
    session.wait_for("Enter it is so");
    // Bounced, nobody on; then a load by its key, and one that is typed.
    session.press("o");
    session.wait_for("bounced; 'keep' reads");
    session.press("k");
    session.wait_for("kept 1:");
    session.press("1");
    session.wait_for("'keep' reads");
    session.press("k");
    session.wait_for("kept 2:");
    session.wait_for("height over load");
    session.wait_for("off in its noise");
    session.press("non anvil 90 kg at 10 mm\r");
    session.wait_for("'anvil 90 kg at 10 mm'");
    session.press("nsqueaks\rq");
    // Two readings tell little, and it says so.
    session.ends_with(3, "NOTHING IDENTIFIED");
    let log = folder.run(&["log", "van.toml"]);
    assert!(out(&log).contains("squeaks"), "{}", out(&log));
}

/// A load test of a vehicle without friction, bounced at every stop, as `watch` would
/// have kept it: written into a logbook reading by reading.
fn write_test(book: &mut Logbook, sheet: &BuildSheet, start: Moment, rear_rates: f64) {
    let mut model = Model::new(sheet, &[]);
    for (u, unit) in Model::new(sheet, &[]).units.iter().enumerate() {
        if unit.name.starts_with("rear") {
            Parameter::RateFactor(u).shift(&mut model, rear_rates - 1.0);
        }
    }
    let all = sheet.loads.len();
    let stops = [0, 1, 2, 3, 1, 2, 3, 0, 1, 3];
    for (i, stop) in stops.into_iter().enumerate() {
        // Bit k: load k of the sheet is on.
        for k in 0..all {
            model.masses[k + 1].on = stop >> k & 1 == 1;
        }
        let rest = model.equilibrium().unwrap();
        let mut x = PostureState::zeros();
        x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
        let sensors = sheet.sensors.iter().map(|s| KeptSensor {
            name: s.name.clone(),
            unit: match s.reads {
                Measurand::Tilt { .. } => Unit::Radian,
                _ => Unit::Metre,
            },
            value: Some(predict(&model, &s.reads, &x).unwrap()),
            noise_uncertainty: Some(5e-5),
            zero_uncertainty: s.zero_uncertainty,
            quality: "still".to_owned(),
            temperature_c: None,
        });
        let on = (0..all).filter(|k| stop >> k & 1 == 1);
        book.keep(&KeptReading {
            at: start + Span::from_s(60.0 * i as f64),
            still_since: None,
            case: None,
            loads: on
                .map(|k| Load {
                    name: sheet.loads[k].name.clone(),
                    mass_kg: sheet.loads[k].mass.kg(),
                    at_m: Some(sheet.loads[k].at.m()),
                })
                .collect(),
            by: KeptBy::Key,
            note: "load test: bounced".to_owned(),
            quantities: Vec::new(),
            state: None,
            sensors: sensors.collect(),
        })
        .unwrap();
    }
}

/// Two days later the rear springs are a tenth stiffer, as if others had been put in: the
/// second test names them, and nothing else, as changed; a third one finds no change.
#[test]
fn a_test_on_another_day_says_what_changed() {
    let folder = Folder::new("again");
    let text = stillheight::rehearsal::Stage::set_up_guided(&stillheight::rehearsal::StagePlan {
        seed: 5,
        speed: 1.0,
        folder: None,
    })
    .unwrap()
    .sheet_text();
    std::fs::write(folder.0.join("van.toml"), &text).unwrap();
    let sheet = stillheight::sheet::parse(&text, "van.toml").unwrap().sheet;
    let mut book = Logbook::open(&folder.0.join("van.logbook.sqlite")).unwrap();
    let start = Moment::from_unix_us(1_790_000_000_000_000);
    book.begin_sitting(&Sitting {
        started: start,
        sheet_text: text,
        program: "test".to_owned(),
    })
    .unwrap();
    let day = |n: f64| start + Span::from_s(86_400.0 * n);
    let fit = || -> Value {
        let run = folder.run(&["loadtest", "fit", "van.toml", "--json"]);
        assert_eq!(run.status.code(), Some(0), "{}{}", out(&run), err(&run));
        serde_json::from_str(&out(&run)).unwrap()
    };
    let significant = |told: &Value| -> Vec<String> {
        let all = told["changes"].as_array().unwrap();
        assert!(all.len() >= 4, "{all:?}");
        all.iter()
            .filter(|c| c["significant"] == true)
            .map(|c| c["quantity"].as_str().unwrap().to_owned())
            .collect()
    };
    write_test(&mut book, &sheet, start, 1.0);
    assert!(fit()["changes"].is_null());
    write_test(&mut book, &sheet, day(2.0), 1.1);
    let second = fit();
    let names = significant(&second);
    assert!(
        !names.is_empty() && names.iter().all(|n| n.starts_with("spring rate rear")),
        "{names:?}"
    );
    let change = second["changes"]
        .as_array()
        .unwrap()
        .iter()
        .find(|c| c["quantity"] == "spring rate rear")
        .unwrap_or_else(|| panic!("{}", second["changes"]));
    let difference = change["difference"]["value_factor"].as_f64().unwrap();
    assert!((difference - 0.1).abs() < 0.03, "{change}");
    let said = folder.run(&["loadtest", "fit", "van.toml"]);
    assert!(out(&said).contains("changed"), "{}", out(&said));
    write_test(&mut book, &sheet, day(4.0), 1.1);
    assert!(significant(&fit()).is_empty());
}
