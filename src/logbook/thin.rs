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
    if let Some(id) = connection
        .prepare_cached("SELECT id FROM kept WHERE at_us = ?1 AND loads_key = ?2")?
        .query_row(params![last, key], |row| row.get(0))
        .optional()?
    {
        ids.push((last, id));
    }
    Ok(())
}
