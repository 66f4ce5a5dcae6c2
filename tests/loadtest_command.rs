//! `loadtest` and its rehearsal as their user runs them: exit codes, JSON, what
//! the logbook gives afterwards.

use serde_json::Value;
use std::path::PathBuf;
use std::process::{Command, Output};

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path =
            std::env::temp_dir().join(format!("stillheight-load-{}-{name}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }
    fn run(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_stillheight"))
            .args(arguments)
            .current_dir(&self.0)
            .env("NO_COLOR", "1")
            .env("TZ", "UTC")
            .output()
            .unwrap()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

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
