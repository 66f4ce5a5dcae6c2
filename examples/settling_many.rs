//! How long it takes to open a logbook of very many kept readings and to answer from it.
//!
//! Writes a logbook with so many readings of four heights, one every ten seconds, and then opens
//! it, looks up the readings and fits them. `cargo run --release --example settling_many [READINGS]
//! [FILE]`, 200,000 readings by default; ten million take some gigabytes of disk.

use rusqlite::{Connection, params};
use std::time::Instant;
use stillheight::logbook::{Logbook, Sitting};
use stillheight::quantity::Moment;
use stillheight::trials::settling::{Question, Series, prospect};

const NAMES: [&str; 4] = [
    "height rear left",
    "height rear right",
    "height front left",
    "height front right",
];
const START_US: i64 = 1_700_000_000_000_000;
const STEP_US: i64 = 10_000_000;

fn fill(path: &std::path::Path, readings: i64) -> Result<(), Box<dyn std::error::Error>> {
    let mut book = Logbook::open(path)?;
    let sitting = book.begin_sitting(&Sitting {
        started: Moment::from_unix_us(START_US),
        sheet_text: String::new(),
        program: "example".to_owned(),
    })?;
    drop(book);
    let mut db = Connection::open(path)?;
    db.pragma_update(None, "synchronous", "OFF")?;
    let tx = db.transaction()?;
    {
        let mut kept = tx.prepare(
            "INSERT INTO kept (id, sitting_id, at_us, kept_by, note, digest, loads_key, level)
             VALUES (?1, ?2, ?3, 'stillness', '', 0, '', ?4)",
        )?;
        let mut quantity = tx.prepare(
            "INSERT INTO kept_quantities VALUES (?1, ?2, ?3, 'm', ?4, 0.001, 'measured')",
        )?;
        let mut before: Option<i64> = None;
        let mut chance = 12_345_u64;
        for i in 0..readings {
            let at = START_US + i * STEP_US;
            let minute = at / 60_000_000;
            let level = before.map_or(25, |b| i64::from(64 - (minute ^ b).leading_zeros()).min(25));
            before = Some(minute);
            kept.execute(params![i + 1, sitting.0, at, level])?;
            let hours = i as f64 * 10.0 / 3600.0;
            for (k, name) in (0_i64..).zip(NAMES) {
                // A plain congruential generator (Knuth's MMIX constants) is noise enough here.
                chance = chance
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                let noise = (chance >> 33) as f64 / f64::from(u32::MAX >> 1) - 0.5;
                let mm = 394.0 + 6.0 * (-hours / 400.0).exp() + 0.1 * noise;
                quantity.execute(params![i + 1, k, name, mm * 1e-3])?;
            }
        }
    }
    tx.commit()?;
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let readings = arguments.next().map_or(Ok(200_000), |a| a.parse())?;
    let path = arguments.next().map_or_else(
        || std::env::temp_dir().join(format!("settling-many-{}.sqlite", std::process::id())),
        std::path::PathBuf::from,
    );
    if !path.exists() {
        let begun = Instant::now();
        fill(&path, readings)?;
        println!(
            "{readings} readings written in {:.1} s",
            begun.elapsed().as_secs_f64()
        );
    }
    for round in 1..=3 {
        let begun = Instant::now();
        let book = Logbook::open_for_reading(&path)?;
        let opened = begun.elapsed();
        let found = book.kept_with_loads(&[], Moment::from_unix_us(i64::MIN), 1_200)?;
        let read = begun.elapsed();
        for name in NAMES {
            let mut series = Series::default();
            for kept in &found.kept {
                let q = kept.reading.quantities.iter().find(|q| q.name == name);
                if let Some(q) = q {
                    let us = kept.reading.at.unix_us() - START_US;
                    series.time_h.push(us as f64 / 3.6e9);
                    series.height_mm.push(q.value * 1e3);
                }
            }
            prospect(&Question {
                series,
                tolerance: 0.5,
                find_steps: true,
                ..Question::default()
            })?;
        }
        let ms = |d: std::time::Duration| d.as_secs_f64() * 1e3;
        println!(
            "round {round}: opened {:.1} ms, {} readings found by {:.1} ms (thinned: {}), answered by {:.1} ms",
            ms(opened),
            found.kept.len(),
            ms(read),
            found.thinned,
            ms(begun.elapsed())
        );
    }
    Ok(())
}
