//! The real binary, as its user runs it: files, exit codes, JSON keys, the
//! rehearsal from start to summary, ports that are not there.

use crate::room::folder::{Folder, err, out};
use serde_json::Value;

/// A new sheet in a folder; the folder and the sheet's text.
fn with_sheet(name: &str) -> (Folder, String) {
    let folder = Folder::new(name);
    let made = folder.run(&["sheet", "new", "van.toml"]);
    assert!(made.status.success(), "{}", err(&made));
    let text = std::fs::read_to_string(folder.0.join("van.toml")).unwrap();
    (folder, text)
}

#[test]
fn a_new_sheet_works_as_it_is_in_both_systems() {
    for units in ["metric", "inch"] {
        let folder = Folder::new(&format!("new-{units}"));
        assert!(
            folder
                .run(&["sheet", "new", "van.toml", "--units", units])
                .status
                .success()
        );
        let checked = folder.run(&["sheet", "check", "van.toml"]);
        assert!(checked.status.success(), "{}", err(&checked));
        let targets = folder.run(&["targets", "van.toml"]);
        assert!(targets.status.success(), "{}", err(&targets));
        assert!(out(&targets).contains("CASE finished"));
        // It is kept when asked again, and nothing is lost.
        let again = folder.run(&["sheet", "new", "van.toml"]);
        assert_eq!(again.status.code(), Some(2), "{}", err(&again));
    }
}

/// The finished case of the sheet that `sheet new` writes is a vehicle that
/// stands right: near level, every height within its tolerance, no warnings.
#[test]
fn the_new_sheets_finished_vehicle_is_on_target() {
    let (folder, _) = with_sheet("on-target");
    let output = folder.run(&["targets", "van.toml", "--case", "finished", "--json"]);
    let json: Value = serde_json::from_str(&out(&output)).unwrap();
    let case = &json["cases"][0];
    assert!(
        case["frame"]["roll_deg"].as_f64().unwrap().abs() < 0.2,
        "{case}"
    );
    for station in case["stations"].as_array().unwrap() {
        let off = station["height_mm"].as_f64().unwrap() - station["target_mm"].as_f64().unwrap();
        assert!(
            off.abs() <= station["tolerance_mm"].as_f64().unwrap(),
            "{station}"
        );
    }
    assert_eq!(case["warnings"].as_array().unwrap().len(), 0, "{case}");
}

#[test]
fn targets_json_has_every_promised_key() {
    let (folder, _) = with_sheet("keys");
    let output = folder.run(&["targets", "van.toml", "--json"]);
    let json: Value = serde_json::from_str(&out(&output)).unwrap();
    assert!(json["units"].is_object());
    assert!(!json["influence"].as_array().unwrap().is_empty());
    let cases = json["cases"].as_array().unwrap();
    assert!(cases.len() >= 3);
    for case in cases {
        let number = |v: &Value, key: &str| assert!(v[key].is_f64(), "{key} in {v}");
        assert!(case["name"].is_string() && case["warnings"].is_array());
        number(&case["frame"], "roll_deg");
        number(&case["frame"], "pitch_deg");
        number(&case["stations"][0], "height_mm");
        for key in ["angle_deg", "side_shift_mm"] {
            number(&case["links"][0], key);
        }
        for coilover in case["coilovers"].as_array().unwrap() {
            for key in [
                "length_mm",
                "angle_deg",
                "force_n",
                "compression_mm",
                "preload_mm",
                "sag_mm",
                "sag_percent",
                "travel_up_mm",
                "travel_down_mm",
                "bind_margin_mm",
            ] {
                number(coilover, key);
            }
        }
        for axle in case["axles"].as_array().unwrap() {
            for key in [
                "wheel_rate_n_per_mm",
                "ride_rate_n_per_mm",
                "roll_rate_nm_per_deg",
                "frequency_hz",
                "roll_centre_height_mm",
            ] {
                number(axle, key);
            }
        }
    }
}

#[test]
fn the_schema_is_json_and_names_the_tables() {
    let folder = Folder::new("schema");
    let json: Value = serde_json::from_str(&out(&folder.run(&["sheet", "schema"]))).unwrap();
    for table in ["rear", "front", "station", "load", "case", "sensor"] {
        assert!(json["properties"][table].is_object(), "{table}");
    }
}

/// Each mistake gives one clear message with its place and what would be right,
/// exit code 2, and nothing on standard output.
#[test]
fn mistakes_in_a_sheet_are_told_with_their_place() {
    let (folder, text) = with_sheet("mistakes");
    let rate_line = text
        .lines()
        .find(|l| l.trim_start().starts_with("rate = \""))
        .unwrap()
        .to_owned();
    let table = [
        ("rate = \"24 parsecs\"", "parsecs"),
        ("rate = 24", "unit"),
        ("rate = \"-24 N/mm\"", "-24"),
        ("rate = \"nan N/mm\"", "nan"),
        ("rate = \"24,5 N/mm\"", "24,5"),
        ("rat = \"24 N/mm\"", "rate"),
    ];
    for (wrong, phrase) in table {
        folder.write("wrong.toml", &text.replacen(&rate_line, wrong, 1));
        let output = folder.run(&["targets", "wrong.toml"]);
        assert_eq!(output.status.code(), Some(2), "{wrong}");
        let message = err(&output);
        assert!(
            message.contains("wrong.toml") && message.contains(phrase),
            "{wrong}: {message}"
        );
        assert!(message.contains('^'), "no caret: {message}");
        assert!(out(&output).is_empty());
    }
}

#[test]
fn a_case_without_an_equilibrium_is_one_clear_error() {
    let (folder, _) = with_sheet("no-rest");
    let set = "weight.sprung=9000 kg";
    let output = folder.run(&["targets", "van.toml", "--set", set]);
    assert_eq!(output.status.code(), Some(2), "{}", err(&output));
    let message = err(&output);
    assert!(
        message.contains("cannot carry") && message.contains("statics."),
        "{message}"
    );
    assert!(out(&output).is_empty());
    let unknown = folder.run(&["targets", "van.toml", "--case", "Finished"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(err(&unknown).contains("finished"), "{}", err(&unknown));
}

#[test]
fn what_cannot_be_watched_says_why() {
    let (folder, text) = with_sheet("watch");
    let output = folder.run(&["watch", "missing.toml", "--plain"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("missing.toml"));

    let bare = text.split("[[sensor]]").next().unwrap().to_owned();
    folder.write("bare.toml", &bare);
    let output = folder.run(&["watch", "bare.toml", "--plain"]);
    assert_eq!(output.status.code(), Some(2), "{}", err(&output));
    assert!(err(&output).contains("no sensors"));

    folder.write(
        "absent.toml",
        &format!(
            "{bare}\n[[sensor]]\nname = \"roll\"\nport = \"/dev/no-such-port\"\nprotocol = \"wire\"\n\
             device = \"0x1\"\nreads = \"frame roll\"\n"
        ),
    );
    let output = folder.run(&["watch", "absent.toml", "--plain"]);
    assert_eq!(output.status.code(), Some(2), "{}", err(&output));
    assert!(
        err(&output).contains("/dev/no-such-port"),
        "{}",
        err(&output)
    );

    let output = folder.run(&["log", "van.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("no logbook"));
    // The screen needs a terminal, and says what to use instead.
    let output = folder.run(&["rehearse", "--for", "1s"]);
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    assert!(err(&output).contains("--plain"), "{}", err(&output));
}

/// From start to summary on real pseudo-terminals: readings are kept with the
/// right loads on, the truth is held, and the logbook has what was told.
#[test]
fn a_rehearsal_runs_from_start_to_summary_and_its_logbook_is_whole() {
    let folder = Folder::new("rehearse");
    let output = folder.run(&["rehearse", "--json", "--speed", "20", "--folder", "kept"]);
    assert!(output.status.success(), "{}{}", out(&output), err(&output));
    let lines: Vec<Value> = out(&output)
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    let of = |event: &str| {
        lines
            .iter()
            .filter(|l| l["event"] == event)
            .cloned()
            .collect::<Vec<_>>()
    };
    let summary = of("summary").pop().unwrap();
    assert_eq!(summary["honest"], true, "{summary}");
    assert!(summary["quantities"].as_u64().unwrap() > 40);
    for line in summary["lines"].as_array().unwrap() {
        assert!(line["bytes"].as_u64().unwrap() > 10_000, "{line}");
        assert!(line["samples"].as_u64().unwrap() > 1_000, "{line}");
    }
    let kept = of("kept");
    let with = |loads: &[&str]| {
        kept.iter()
            .filter(|k| k["loads"] == serde_json::json!(loads))
            .count()
    };
    assert!(
        with(&[]) >= 2 && with(&["helper"]) >= 2 && with(&["helper", "sandbags"]) >= 1,
        "{kept:?}"
    );
    assert_eq!(of("mark").len(), 4);

    let log = folder.run(&["log", "kept/rehearsal.toml"]);
    assert!(log.status.success(), "{}", err(&log));
    let export = folder.run(&["export", "kept/rehearsal.toml", "--json"]);
    let exported: Vec<Value> = out(&export)
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    let exported_kept = exported
        .iter()
        .filter(|e| e["quantities"].is_array())
        .count();
    assert_eq!(exported_kept, kept.len(), "{}", out(&export));
    let csv = folder.run(&["export", "kept/rehearsal.toml", "--csv", "-o", "kept.csv"]);
    assert!(csv.status.success(), "{}", err(&csv));
    let again = folder.run(&["export", "kept/rehearsal.toml", "--csv", "-o", "kept.csv"]);
    assert_eq!(
        again.status.code(),
        Some(2),
        "an existing file is kept: {}",
        err(&again)
    );
}

/// A collar that stands 16 mm too low is turned by a hand that does what the screen says, on
/// real pseudo-terminals; what it counted is in the logbook, and the vehicle then stands right.
/// Source: the simulated vehicle, whose collar and friction the program does not know.
#[test]
fn a_collar_is_turned_until_it_says_stop() {
    let folder = Folder::new("turning");
    let story = ["rehearse", "--story", "turning"];
    let rest = ["--json", "--speed", "8", "--folder", "kept"];
    let output = folder.run(&[&story[..], &rest[..]].concat());
    assert!(output.status.success(), "{}{}", out(&output), err(&output));
    let lines: Vec<Value> = out(&output)
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    let collars = lines.iter().find(|l| l["event"] == "collars").unwrap();
    let rise = |i: usize| {
        collars["after_mm"][i].as_f64().unwrap() - collars["before_mm"][i].as_f64().unwrap()
    };
    // Rear right is raised most of the way; the front is left alone.
    assert!((7.0..18.0).contains(&rise(1)), "{collars}");
    assert!(rise(2).abs() < 1e-9 && rise(3).abs() < 1e-9, "{collars}");
    let said = |words: &str| {
        lines
            .iter()
            .filter(|l| l["text"].as_str().is_some_and(|t| t.contains(words)))
            .count()
    };
    assert!(said("rear right: turn up") >= 3, "{}", out(&output));
    assert!(said("rear right: stop") >= 1 && said("noted") >= 1);
    // What was counted by hand is what the simulation did, to a quarter turn of 2 mm.
    let log = folder.run(&["export", "kept/rehearsal.toml", "--json"]);
    let turned: f64 = out(&log)
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap())
        .filter(|e| e["coilover"] == "rear right")
        .map(|e| e["turns"].as_f64().unwrap())
        .sum();
    assert!((turned * 2.0 - rise(1)).abs() < 0.6, "{turned} {collars}");
    // The finished vehicle then has every height within its tolerance.
    let summary = lines.iter().rfind(|l| l["event"] == "summary").unwrap();
    assert_eq!(summary["honest"], true);
    let advice = folder.run(&["advise", "kept/rehearsal.toml"]);
    assert!(advice.status.success(), "{}", err(&advice));
    assert!(out(&advice).contains("LEAVE IT"), "{}", out(&advice));
}
