//! Kept readings with certain loads on, thinned where there are very many.
//!
//! In: loads, a beginning, how many at most. Out: about so many readings, dense at the beginning
//! (where settling is quick) and ever sparser, read through an index alone. Refused: nothing.
//!
//! # Method
//! Every reading carries the names of its loads as one text, and a level: how far up its minute,
//! its two minutes, its four minutes, ... differ from those of the reading before it with the same
//! loads. The first reading in each stretch of 2^k minutes has a level above k, so that one
//! reading for each stretch of any such length is found without looking at the others.

use rusqlite::{Connection, OptionalExtension, Transaction, params};

use super::error::LogbookError;
use super::file::Logbook;
use super::lookup::{KEPT_COLUMNS, kept_head, with_parts};
use super::records::Kept;
use crate::quantity::Moment;

/// The shortest stretch: a minute.
const STRETCH_US: i64 = 60_000_000;
/// Levels above nought; the longest stretch is 2^24 minutes, 32 years.
const LEVELS: i64 = 25;
/// Parts of the whole time: the later half, half of what is left, ...
const PARTS: i64 = 8;

/// Readings found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Thinned {
    /// The readings, oldest first.
    pub kept: Vec<Kept>,
    /// Whether there are more that were passed over.
    pub thinned: bool,
}

/// The loads as one text: names in order, separated by a character that nobody types.
pub(super) fn key_of<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let mut names: Vec<&str> = names.collect();
    names.sort_unstable();
    names.join("\u{1f}")
}

/// Level of a reading that comes after those in the file.
pub(super) fn level_of(tx: &Transaction<'_>, key: &str, at_us: i64) -> rusqlite::Result<i64> {
    let mut before: Option<i64> = None;
    let mut query = tx.prepare_cached(
        "SELECT at_us FROM kept WHERE loads_key = ?1 AND level = ?2 AND at_us <= ?3
         ORDER BY at_us DESC LIMIT 1",
    )?;
    for level in 0..=LEVELS {
        let found: Option<i64> = query
            .query_row(params![key, level, at_us], |row| row.get(0))
            .optional()?;
        before = before.max(found);
    }
    Ok(before.map_or(LEVELS, |before| {
        let differ = (at_us / STRETCH_US) ^ (before / STRETCH_US);
        i64::from(i64::BITS - differ.leading_zeros()).min(LEVELS)
    }))
}

impl Logbook {
    /// Kept readings with exactly these loads on, from a moment on, about `most` of them.
    pub fn kept_with_loads(
        &self,
        loads: &[&str],
        from: Moment,
        most: usize,
    ) -> Result<Thinned, LogbookError> {
        let key = key_of(loads.iter().copied());
        let from_us = from.unix_us();
        self.read("reading what was kept", |connection| {
            let all = i64::try_from(most).unwrap_or(i64::MAX);
            let count: i64 = connection
                .prepare_cached(
                    "SELECT count(*) FROM (SELECT 1 FROM kept WHERE loads_key = ?1 AND at_us >= ?2
                     LIMIT ?3)",
                )?
                .query_row(params![key, from_us, all.saturating_add(1)], |row| {
                    row.get(0)
                })?;
            let thinned = count > all;
            let mut ids = Vec::new();
            if thinned {
                pick(connection, &key, from_us, all, &mut ids)?;
            } else {
                select(connection, &key, 0, (from_us, i64::MAX), &mut ids)?;
            }
            ids.sort_unstable();
            ids.dedup();
            let mut query = connection
                .prepare_cached(&format!("SELECT {KEPT_COLUMNS} FROM kept WHERE id = ?1"))?;
            let kept = ids
                .into_iter()
                .map(|(_, id)| with_parts(connection, query.query_row([id], kept_head)?))
                .collect::<rusqlite::Result<_>>()?;
            Ok(Thinned { kept, thinned })
        })
    }

    /// Moment of the first kept reading with exactly these loads on.
    pub fn first_with_loads(&self, loads: &[&str]) -> Result<Option<Moment>, LogbookError> {
        let key = key_of(loads.iter().copied());
        self.read("reading what was kept", |connection| {
            Ok(ends(connection, &key, i64::MIN)?.map(|(first, _)| Moment::from_unix_us(first)))
        })
    }
}

/// First and last moment from `from_us` on.
fn ends(connection: &Connection, key: &str, from_us: i64) -> rusqlite::Result<Option<(i64, i64)>> {
    let mut found: Option<(i64, i64)> = None;
    let mut first = connection.prepare_cached(
        "SELECT min(at_us) FROM kept WHERE loads_key = ?1 AND level = ?2 AND at_us >= ?3",
    )?;
    let mut last = connection.prepare_cached(
        "SELECT max(at_us) FROM kept WHERE loads_key = ?1 AND level = ?2 AND at_us >= ?3",
    )?;
    for level in 0..=LEVELS {
        let values = params![key, level, from_us];
        let a: Option<i64> = first.query_row(values, |row| row.get(0))?;
        let b: Option<i64> = last.query_row(values, |row| row.get(0))?;
        if let (Some(a), Some(b)) = (a, b) {
            found = Some(found.map_or((a, b), |(x, y)| (x.min(a), y.max(b))));
        }
    }
    Ok(found)
}

/// Moments and numbers of the readings of at least that level between two moments.
fn select(
    connection: &Connection,
    key: &str,
    least: i64,
    (from_us, until_us): (i64, i64),
    ids: &mut Vec<(i64, i64)>,
) -> rusqlite::Result<()> {
    let mut query = connection.prepare_cached(
        "SELECT at_us, id FROM kept
         WHERE loads_key = ?1 AND level = ?2 AND at_us BETWEEN ?3 AND ?4",
    )?;
    for level in least..=LEVELS {
        let rows = query.query_map(params![key, level, from_us, until_us], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
        for row in rows {
            ids.push(row?);
        }
    }
    Ok(())
}

fn pick(
    connection: &Connection,
    key: &str,
    from_us: i64,
    most: i64,
    ids: &mut Vec<(i64, i64)>,
) -> rusqlite::Result<()> {
    let Some((first, last)) = ends(connection, key, from_us)? else {
        return Ok(());
    };
    let span = last.saturating_sub(first).saturating_add(1);
    let each = (most / PARTS).max(1);
    for part in 0..PARTS {
        let until = first.saturating_add(span >> part);
        let from = if part + 1 == PARTS {
            first
        } else {
            first.saturating_add(span >> (part + 1))
        };
        let minutes = (until - from) / STRETCH_US / each;
        // The least k with 2^k minutes or more for each reading wanted.
        let k = if minutes == 0 {
            0
        } else {
            i64::from(i64::BITS - minutes.leading_zeros())
        };
        select(connection, key, (k + 1).min(LEVELS), (from, until), ids)?;
    }
    // What is newest is always among them.
    // Without statistics SQLite would look through all readings with these loads for it.
    if let Some(id) = connection
        .prepare_cached(
            "SELECT id FROM kept INDEXED BY kept_by_time WHERE at_us = ?1 AND loads_key = ?2",
        )?
        .query_row(params![last, key], |row| row.get(0))
        .optional()?
    {
        ids.push((last, id));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop here")]
    use super::super::schema::{APPLICATION_ID, STEPS};
    use super::super::scratch::{Folder, reading, sitting};
    use super::*;

    /// Readings of an older file get the same levels and loads by SQL as new ones by Rust.
    #[test]
    fn an_older_file_is_thinned_like_a_new_one() {
        // Minutes from anywhere: neighbours, gaps, two in one minute.
        let times: Vec<i64> = [0, 1, 2, 2, 3, 7, 8, 64, 65, 1_000, 1_024, 90_000]
            .into_iter()
            .enumerate()
            .map(|(i, minute)| {
                28_333_333 * STRETCH_US + minute * STRETCH_US + i64::try_from(i).unwrap_or(0)
            })
            .collect();
        let folder = Folder::new();
        let old = folder.0.join("old.sqlite");
        {
            let db = Connection::open(&old).unwrap();
            db.execute_batch(STEPS[0]).unwrap();
            db.pragma_update(None, "application_id", APPLICATION_ID)
                .unwrap();
            db.pragma_update(None, "user_version", 1).unwrap();
            db.execute_batch(
                "INSERT INTO sheets VALUES (1, 0, ''); INSERT INTO sittings VALUES (1, 0, 1, '');",
            )
            .unwrap();
            for (i, at) in (1_i64..).zip(&times) {
                db.execute(
                    "INSERT INTO kept VALUES (?1, 1, ?2, NULL, NULL, 'key', '', 0)",
                    params![i, at],
                )
                .unwrap();
                for (place, name) in [(0, "sand"), (1, "helper")] {
                    db.execute(
                        "INSERT INTO kept_loads VALUES (?1, ?2, ?3, 1.0, NULL, NULL, NULL)",
                        params![i, place, name],
                    )
                    .unwrap();
                }
            }
        }
        let new = folder.0.join("new.sqlite");
        let mut fresh = Logbook::open(&new).unwrap();
        fresh.begin_sitting(&sitting()).unwrap();
        for at in &times {
            let mut one = reading(5);
            one.at = Moment::from_unix_us(*at);
            one.loads = ["helper", "sand"]
                .map(|name| super::super::records::Load {
                    name: name.to_owned(),
                    mass_kg: 1.0,
                    at_m: None,
                })
                .to_vec();
            fresh.keep(&one).unwrap();
        }
        let levels = |book: &Logbook| -> Vec<(String, i64)> {
            let mut query = book
                .connection
                .prepare("SELECT loads_key, level FROM kept ORDER BY at_us")
                .unwrap();
            let rows = query
                .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
                .unwrap();
            rows.collect::<rusqlite::Result<_>>().unwrap()
        };
        let migrated = Logbook::open(&old).unwrap();
        assert_eq!(levels(&migrated), levels(&fresh));
        assert!(levels(&fresh).iter().any(|l| l.1 == 0));
        assert_eq!(levels(&fresh)[0], ("helper\u{1f}sand".to_owned(), LEVELS));
    }

    /// Dense at the beginning, sparse later, first and last always there, no more than asked for
    /// by much; other loads do not mix in.
    #[test]
    fn many_readings_are_thinned_from_the_beginning_on() {
        let folder = Folder::new();
        let mut book = Logbook::open(&folder.logbook()).unwrap();
        book.begin_sitting(&sitting()).unwrap();
        let start = 28_333_333 * STRETCH_US;
        for i in 0..2_000_i64 {
            let mut one = reading(5);
            one.at = Moment::from_unix_us(start + i * 2 * STRETCH_US);
            one.loads.clear();
            book.keep(&one).unwrap();
        }
        let from = Moment::from_unix_us(i64::MIN);
        let all = book.kept_with_loads(&[], from, 5_000).unwrap();
        assert!(!all.thinned);
        assert_eq!(all.kept.len(), 2_000);
        let few = book.kept_with_loads(&[], from, 200).unwrap();
        assert!(few.thinned);
        assert!((100..=260).contains(&few.kept.len()), "{}", few.kept.len());
        let minutes: Vec<i64> = few
            .kept
            .iter()
            .map(|k| (k.reading.at.unix_us() - start) / STRETCH_US)
            .collect();
        assert_eq!(minutes.first(), Some(&0));
        assert_eq!(minutes.last(), Some(&3_998));
        assert!(minutes[1] - minutes[0] <= 2);
        let late = minutes.iter().filter(|m| **m >= 2_000).count();
        assert!(late < few.kept.len() / 2, "{late}");
        assert!(few.kept.iter().all(|k| k.intact));
        assert!(
            book.kept_with_loads(&["sand"], from, 200)
                .unwrap()
                .kept
                .is_empty()
        );
        assert_eq!(
            book.first_with_loads(&[]).unwrap(),
            Some(Moment::from_unix_us(start))
        );
    }
}
