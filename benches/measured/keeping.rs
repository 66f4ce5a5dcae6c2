//! Thirty days of settling readings into a logbook, against SQLite's own shell inserting the
//! same rows in as many transactions; then opened and answered from.

use super::process::{Folder, PROGRAM};
use super::{Asked, clock, table};
use rusqlite::Connection;
use rusqlite::types::ValueRef;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;
use stillheight::logbook::{
    KeptBy, KeptQuantity, KeptReading, KeptSensor, KeptState, Logbook, Origin, Sitting, Unit,
    beside,
};
use stillheight::quantity::{Moment, Span, UnitSystem};

/// A reading every ten minutes.
const EVERY_S: f64 = 600.0;
const START_US: i64 = 1_760_000_000_000_000;
const NAMES: [&str; 12] = [
    "roll",
    "pitch",
    "height rear left",
    "height rear right",
    "height front left",
    "height front right",
    "angle lateral link",
    "side shift rear axle",
    "sag rear left",
    "sag rear right",
    "sag front left",
    "sag front right",
];

/// What is kept at one time.
pub fn reading(n: usize) -> KeptReading {
    let hours = n as f64 * EVERY_S / 3600.0;
    let noise = |k: usize| ((n * 7919 + k * 104_729) % 1000) as f64 / 1000.0 - 0.5;
    let at = Moment::from_unix_us(START_US) + Span::from_s(n as f64 * EVERY_S);
    KeptReading {
        at,
        still_since: Some(at - Span::from_s(5.0)),
        case: None,
        loads: Vec::new(),
        by: KeptBy::Stillness,
        note: String::new(),
        quantities: NAMES
            .iter()
            .enumerate()
            .map(|(k, name)| KeptQuantity {
                name: (*name).to_owned(),
                unit: if k < 2 || k == 6 {
                    Unit::Radian
                } else {
                    Unit::Metre
                },
                value: if k < 2 || k == 6 {
                    1e-3 + 1e-5 * noise(k)
                } else {
                    0.394 + 0.006 * (-hours / 200.0).exp() + 1e-4 * noise(k)
                },
                standard_uncertainty: 2e-4,
                origin: Origin::Measured,
            })
            .collect(),
        state: Some(KeptState {
            coordinates: (0..9).map(|i| format!("coordinate_{i}")).collect(),
            values: (0..9).map(|i| 0.1 * i as f64 + 1e-5 * noise(i)).collect(),
            covariance: (0..81).map(|i| 1e-8 + 1e-12 * noise(i)).collect(),
        }),
        sensors: (0..7)
            .map(|k| KeptSensor {
                name: format!("sensor {k}"),
                unit: Unit::Metre,
                value: Some(0.4 + 1e-4 * noise(k)),
                noise_uncertainty: Some(1e-5),
                zero_uncertainty: 5e-4,
                quality: "good".to_owned(),
                temperature_c: Some(21.5),
            })
            .collect(),
    }
}

/// Writes so many readings through the logbook; seconds.
pub fn write(path: &Path, readings: usize) -> f64 {
    let begun = Instant::now();
    let mut book = Logbook::open(path).unwrap();
    book.begin_sitting(&Sitting {
        started: Moment::from_unix_us(START_US),
        sheet_text: String::new(),
        program: "measured".to_owned(),
    })
    .unwrap();
    for n in 0..readings {
        book.keep(&reading(n)).unwrap();
    }
    drop(book);
    begun.elapsed().as_secs_f64()
}

fn literal(value: ValueRef<'_>) -> String {
    match value {
        ValueRef::Null => "NULL".to_owned(),
        ValueRef::Integer(i) => i.to_string(),
        ValueRef::Real(r) => format!("{r:?}"),
        ValueRef::Text(t) => format!("'{}'", String::from_utf8_lossy(t).replace('\'', "''")),
        ValueRef::Blob(b) => {
            let mut text = String::from("x'");
            for byte in b {
                let _ = write!(text, "{byte:02x}");
            }
            text + "'"
        }
    }
}

/// The same rows as a script for the shell: schema, then a transaction for each reading.
fn script(path: &Path) -> String {
    let db = Connection::open(path).unwrap();
    let mut text = String::from(
        "PRAGMA journal_mode=WAL;\nPRAGMA synchronous=FULL;\nPRAGMA foreign_keys=OFF;\n",
    );
    let mut schema = db
        .prepare("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY rowid")
        .unwrap();
    let mut rows = schema.query([]).unwrap();
    while let Some(row) = rows.next().unwrap() {
        let _ = writeln!(text, "{};", row.get::<_, String>(0).unwrap());
    }
    let tables = |like: &str| -> Vec<String> {
        let mut found = db
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name LIKE ?1 ORDER BY rowid")
            .unwrap();
        let names = found.query_map([like], |r| r.get(0)).unwrap();
        names.map(Result::unwrap).collect()
    };
    let insert = |text: &mut String, name: &str, key: &str, id: i64| {
        let mut rows = db
            .prepare_cached(&format!("SELECT * FROM {name} WHERE {key} = ?1"))
            .unwrap();
        let columns = rows.column_count();
        let mut rows = rows.query([id]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let values: Vec<String> = (0..columns)
                .map(|i| literal(row.get_ref(i).unwrap()))
                .collect();
            let _ = writeln!(text, "INSERT INTO {name} VALUES ({});", values.join(","));
        }
    };
    insert(&mut text, "sittings", "id", 1);
    let parts: Vec<String> = tables("kept\\_%")
        .into_iter()
        .chain(tables("kept_%"))
        .filter(|name| name != "kept")
        .collect::<std::collections::BTreeSet<_>>()
        .into_iter()
        .filter(|name| {
            db.prepare(&format!("SELECT kept_id FROM {name} LIMIT 1"))
                .is_ok()
        })
        .collect();
    let last: i64 = db
        .query_row("SELECT max(id) FROM kept", [], |r| r.get(0))
        .unwrap();
    for id in 1..=last {
        text.push_str("BEGIN IMMEDIATE;\n");
        insert(&mut text, "kept", "id", id);
        for part in &parts {
            insert(&mut text, part, "kept_id", id);
        }
        text.push_str("COMMIT;\n");
    }
    text
}

fn shell(script: &str, path: &Path) -> Result<f64, String> {
    let begun = Instant::now();
    let mut child = Command::new("sqlite3")
        .arg(path)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|e| format!("sqlite3: {e}"))?;
    let mut stdin = child.stdin.take().ok_or("no standard input")?;
    stdin
        .write_all(script.as_bytes())
        .map_err(|e| e.to_string())?;
    drop(stdin);
    let status = child.wait().map_err(|e| e.to_string())?;
    if status.success() {
        Ok(begun.elapsed().as_secs_f64())
    } else {
        Err(format!("sqlite3 ended with {status}"))
    }
}

pub fn row(_: &Asked) {
    let readings = (30.0 * 86_400.0 / EVERY_S) as usize;
    let folder = Folder::new("keeping");
    let sheet = folder.0.join("van.toml");
    std::fs::write(&sheet, stillheight::sheet::template(UnitSystem::Metric)).unwrap();
    let path = beside(&sheet);
    let fresh = |path: &Path| {
        for end in ["", "-wal", "-shm"] {
            let _ = std::fs::remove_file(format!("{}{end}", path.display()));
        }
    };
    let other = folder.0.join("shell.sqlite");
    let mut ours = Vec::new();
    let mut theirs = Vec::new();
    let mut text = String::new();
    for _ in 0..5 {
        fresh(&path);
        ours.push(write(&path, readings));
        if text.is_empty() {
            text = script(&path);
        }
        fresh(&other);
        theirs.push(shell(&text, &other));
    }
    let ours = clock::median(&mut ours);
    let mb = std::fs::metadata(&path).unwrap().len() as f64 / 1e6;
    let what = format!("settle watch, 30 days of readings every 10 minutes ({readings})");
    let own = format!(
        "{} ({} a reading), file {mb:.1} MB",
        table::time(ours),
        table::time(ours / readings as f64)
    );
    let goal = "within 2x of the shell, < 50 MB";
    match theirs.into_iter().collect::<Result<Vec<f64>, String>>() {
        Err(why) => table::not_run(&what, &format!("{own}; {why}"), goal),
        Ok(mut times) => {
            let rows = |p: &Path| -> i64 {
                Connection::open(p)
                    .unwrap()
                    .query_row("SELECT (SELECT count(*) FROM kept) + (SELECT count(*) FROM kept_quantities) + (SELECT count(*) FROM kept_sensors)", [], |r| r.get(0))
                    .unwrap()
            };
            assert_eq!(rows(&path), rows(&other));
            let shell = clock::median(&mut times);
            table::row(
                &what,
                &format!(
                    "{own}; sqlite3 shell, same rows and transactions {} = {:.2}x of it",
                    table::time(shell),
                    ours / shell
                ),
                goal,
                ours < 2.0 * shell && mb < 50.0,
            );
        }
    }
    let mut answers: Vec<f64> = (0..clock::RUNS)
        .map(|_| {
            let begun = Instant::now();
            let output = Command::new(PROGRAM)
                .args(["settle", sheet.to_str().unwrap(), "--json"])
                .output()
                .unwrap();
            let text = String::from_utf8_lossy(&output.stdout);
            assert!(
                text.contains("height rear left"),
                "{text}{}",
                String::from_utf8_lossy(&output.stderr)
            );
            begun.elapsed().as_secs_f64()
        })
        .collect();
    let s = clock::median(&mut answers);
    table::row(
        "the same opened and answered, all 12 quantities ('settle --json', whole process)",
        &table::time(s),
        "< 300 ms",
        s < 0.3,
    );
}
