//! `export`: what stands in the files is what the logbook holds, in every form; a file that
//! is there is kept, a full disk leaves the old one whole, an empty logbook is an answer.

use crate::room::folder::Folder;
use arrow_array::{Array, BooleanArray, Float64Array, Int64Array, RecordBatch, StringArray};
use arrow_ipc::reader::FileReader;
use serde_json::Value;
use std::process::Command;
use stillheight::logbook::{HoldingBounds, LogbookWriter, Sitting, beside};
use stillheight::quantity::Moment;

/// 2025-11-25 09:31:05 UTC.
const BEGIN_US: i64 = 1_764_063_065_000_000;

impl Folder {
    /// The simulated vehicle's logbook, with readings, marks and changes.
    pub(crate) fn rehearsed(name: &str) -> Self {
        let folder = Self::new(name);
        folder.text(&[
            "rehearse", "--plain", "--speed", "20", "--folder", ".", "--for", "70s",
        ]);
        folder.text(&[
            "changed",
            "rehearsal.toml",
            "--collar",
            "rear left",
            "--turns",
            "-1/2",
            "--note",
            "half a turn",
        ]);
        folder
    }

    /// A new sheet with a logbook in which a sitting was begun.
    fn begun(&self) -> LogbookWriter {
        self.text(&["sheet", "new", "van.toml"]);
        let sheet = self.0.join("van.toml");
        let sitting = Sitting {
            started: Moment::from_unix_us(BEGIN_US),
            sheet_text: std::fs::read_to_string(&sheet).unwrap(),
            program: "a test".to_owned(),
        };
        LogbookWriter::start(&beside(&sheet), sitting, HoldingBounds::default()).unwrap()
    }

    fn rows(&self, name: &str) -> RecordBatch {
        let file = std::fs::File::open(self.0.join(name)).unwrap();
        let mut batches: Vec<_> = FileReader::try_new(file, None)
            .unwrap()
            .map(Result::unwrap)
            .collect();
        assert_eq!(batches.len(), 1);
        batches.remove(0)
    }
}

fn column<'a, T: 'static>(rows: &'a RecordBatch, name: &str) -> &'a T {
    let found = rows.column_by_name(name).unwrap_or_else(|| {
        panic!("no column '{name}' in {:?}", rows.schema().fields());
    });
    found.as_any().downcast_ref().unwrap()
}

/// The records of one kind, as JSON lines.
pub(crate) fn records(text: &str, kind: &str) -> Vec<Value> {
    text.lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|record| record["record"] == kind)
        .collect()
}

/// A quantity of a record, its value and the half-width, with the unit of the keys.
fn quantity(record: &Value, name: &str) -> Option<(f64, f64, String, bool)> {
    let all = record["quantities"].as_array().unwrap();
    let q = all.iter().find(|q| q["name"] == name)?;
    let (key, value) = q
        .as_object()
        .unwrap()
        .iter()
        .find(|(key, _)| key.starts_with("value_"))?;
    let unit = key.trim_start_matches("value_").to_owned();
    let half = q[format!("uncertainty_95_{unit}")].as_f64()?;
    Some((value.as_f64()?, half, unit, q["origin"] == "measured"))
}

/// Source: the Apache Arrow project's own reader of its IPC file format.
#[test]
fn an_arrow_table_says_what_the_json_lines_say() {
    let folder = Folder::rehearsed("arrow");
    let lines = folder.text(&["export", "rehearsal.toml", "--json"]);
    let said = folder.text(&["export", "rehearsal.toml", "--arrow", "-o", "van.arrow"]);
    assert!(said.contains("van.arrow and van.events.arrow"), "{said}");
    let rows = folder.rows("van.arrow");
    let kept = records(&lines, "kept");
    assert!(kept.len() >= 3 && rows.num_rows() == kept.len());
    let numbers: &Int64Array = column(&rows, "number");
    let loads: &StringArray = column(&rows, "loads");
    let mut compared = 0;
    for (i, record) in kept.iter().enumerate() {
        assert_eq!(record["number"].as_i64().unwrap(), numbers.value(i));
        let names: Vec<&str> = record["loads"]
            .as_array()
            .unwrap()
            .iter()
            .map(|l| l["name"].as_str().unwrap())
            .collect();
        assert_eq!(loads.value(i), names.join("; "));
        for q in record["quantities"].as_array().unwrap() {
            let name = q["name"].as_str().unwrap();
            let (value, half, unit, measured) = quantity(record, name).unwrap();
            let begin = name.replace(' ', "_");
            let values: &Float64Array = column(&rows, &format!("{begin}_{unit}"));
            let halves: &Float64Array = column(&rows, &format!("{begin}_interval95_{unit}"));
            let flags: &BooleanArray = column(&rows, &format!("{begin}_measured"));
            // The JSON has twelve digits.
            assert!(
                (values.value(i) - value).abs() <= 1e-10 * value.abs().max(1.0),
                "{name}"
            );
            assert!(
                (halves.value(i) - half).abs() <= 1e-10 * half.abs().max(1.0),
                "{name}"
            );
            assert_eq!(flags.value(i), measured, "{name}");
            compared += 1;
        }
    }
    assert!(compared > 20, "{compared}");
    // Every number says its unit, and it is the end of its name.
    for field in rows.schema().fields() {
        if let Some(unit) = field.metadata().get("unit") {
            let end = match unit.as_str() {
                "N/mm" => "n_per_mm",
                "N m/deg" => "nm_per_deg",
                other => &other.to_lowercase(),
            };
            assert!(field.name().ends_with(&format!("_{end}")), "{field:?}");
        }
    }
    let events = folder.rows("van.events.arrow");
    let (marks, changes) = (records(&lines, "mark"), records(&lines, "change"));
    assert!(marks.len() >= 2 && changes.len() == 1);
    assert_eq!(events.num_rows(), marks.len() + changes.len());
    let turns: &Float64Array = column(&events, "collar_turns");
    let turned: Vec<f64> = turns.iter().flatten().collect();
    assert_eq!(turned, [-0.5]);
    let weights: &Float64Array = column(&events, "weight_kg");
    let on = marks.iter().find(|m| m["kind"] == "load on").unwrap();
    assert_eq!(
        weights.iter().flatten().next(),
        on["load"]["mass_kg"].as_f64()
    );
}

#[test]
fn every_number_of_the_csv_has_its_unit_in_the_header() {
    let folder = Folder::rehearsed("csv");
    folder.text(&["export", "rehearsal.toml", "--csv", "-o", "van.csv"]);
    let text = std::fs::read_to_string(folder.0.join("van.csv")).unwrap();
    let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
    let lines = folder.text(&["export", "rehearsal.toml", "--json"]);
    let record = records(&lines, "kept").remove(0);
    for q in record["quantities"].as_array().unwrap() {
        let name = q["name"].as_str().unwrap();
        let unit = match quantity(&record, name).unwrap().2.as_str() {
            "n" => "N".to_owned(),
            "n_per_mm" => "N/mm".to_owned(),
            other => other.to_owned(),
        };
        for title in [
            format!("{name} [{unit}]"),
            format!("{name} +/- 95 % [{unit}]"),
        ] {
            assert!(
                header.contains(&title.as_str()),
                "no '{title}' in {header:?}"
            );
        }
    }
    assert!(header.contains(&"weight of the loads [kg]"));
    let events = std::fs::read_to_string(folder.0.join("van.events.csv")).unwrap();
    assert!(
        events.starts_with("moment [UTC],sitting,event,what,weight [kg],x [mm]"),
        "{events}"
    );
}

#[test]
fn a_file_that_is_there_is_kept_unless_forced() {
    let folder = Folder::rehearsed("there");
    for (form, file) in [
        ("--csv", "a.csv"),
        ("--json", "a.jsonl"),
        ("--arrow", "a.arrow"),
    ] {
        let path = folder.0.join(file);
        std::fs::write(&path, "mine").unwrap();
        let refused = folder.run(&["export", "rehearsal.toml", form, "-o", file]);
        assert_eq!(refused.status.code(), Some(2), "{form}");
        let errors = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert!(
            errors.contains("file.exists") && errors.contains("--force"),
            "{errors}"
        );
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "mine");
        folder.text(&["export", "rehearsal.toml", form, "-o", file, "--force"]);
        assert_ne!(std::fs::read(&path).unwrap(), b"mine");
    }
    // Pictures too.
    std::fs::write(folder.0.join("a.svg"), "mine").unwrap();
    for command in [
        &["layout", "rehearsal.toml", "--link", "--svg", "a.svg"][..],
        &["loadtest", "fit", "rehearsal.toml", "--svg", "a.svg"],
    ] {
        let refused = folder.run(command);
        assert_eq!(refused.status.code(), Some(2), "{command:?}");
        let errors = String::from_utf8_lossy(&refused.stderr);
        assert!(errors.contains("file.exists"), "{command:?}: {errors}");
        assert_eq!(
            std::fs::read_to_string(folder.0.join("a.svg")).unwrap(),
            "mine"
        );
    }
}

/// The file may not grow beyond 64 kB, which the logbook needs to be opened, and every form is
/// larger.
#[cfg(unix)]
#[test]
fn a_full_disk_leaves_the_old_file_as_it_was() {
    let folder = Folder::new("full");
    let writer = folder.begun();
    let answers: Vec<_> = (0..600)
        .map(|i| {
            let mut reading = crate::log_report::reading();
            reading.at = Moment::from_unix_us(BEGIN_US + i * 1_000_000);
            writer.keep(reading)
        })
        .collect();
    assert!(writer.finish().is_empty());
    assert_eq!(answers.len(), 600);
    // What the database keeps beside itself is its own.
    let names = || -> Vec<String> {
        std::fs::read_dir(&folder.0)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .filter(|name| !name.contains(".logbook.sqlite"))
            .collect()
    };
    let before = names().len();
    for (form, file) in [
        ("--csv", "a.csv"),
        ("--json", "a.jsonl"),
        ("--arrow", "a.arrow"),
    ] {
        std::fs::write(folder.0.join(file), "mine").unwrap();
        let script = format!(
            "trap '' XFSZ; ulimit -f 128; exec '{}' export van.toml {form} -o {file} --force",
            env!("CARGO_BIN_EXE_stillheight")
        );
        let output = Command::new("sh")
            .args(["-c", &script])
            .current_dir(&folder.0)
            .output()
            .unwrap();
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(1), "{form}: {errors}");
        assert!(errors.contains("cannot write"), "{form}: {errors}");
        let now = std::fs::read_to_string(folder.0.join(file)).unwrap();
        assert_eq!(now, "mine", "{form}");
    }
    // Nothing half written is left.
    assert_eq!(names().len(), before + 3, "{:?}", names());
}

/// A sitting was begun and nothing was kept: every command has an answer.
#[test]
fn an_empty_logbook_is_an_answer() {
    let folder = Folder::new("empty");
    let writer = folder.begun();
    assert!(writer.finish().is_empty());
    folder.text(&["report", "van.toml"]);
    folder.text(&["report", "van.toml", "--pdf"]);
    let page = std::fs::read_to_string(folder.0.join("report.html")).unwrap();
    assert!(
        page.contains("othing"),
        "the page says that nothing was kept"
    );
    assert!(
        folder
            .text(&["log", "van.toml"])
            .contains("Nothing is kept yet")
    );
    assert_eq!(folder.text(&["export", "van.toml", "--json"]), "");
    let csv = folder.text(&["export", "van.toml", "--csv"]);
    assert!(
        csv.starts_with("moment [UTC],number") && csv.lines().count() == 1,
        "{csv}"
    );
    folder.text(&["export", "van.toml", "--arrow", "-o", "van.arrow"]);
    assert_eq!(folder.rows("van.arrow").num_rows(), 0);
    assert_eq!(folder.rows("van.events.arrow").num_rows(), 0);
    folder.text(&["advise", "van.toml"]);
    for command in [
        &["settle", "van.toml"][..],
        &["loadtest", "fit", "van.toml"],
        &["changed", "van.toml"],
    ] {
        let output = folder.run(command);
        let errors = String::from_utf8_lossy(&output.stderr);
        let sentence = errors.contains('[') && errors.contains(']');
        assert!(
            output.status.success() || output.status.code() == Some(2) && sentence,
            "{command:?}: {errors}"
        );
    }
}
