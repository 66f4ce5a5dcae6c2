//! Raw samples: written in batches, thinned by age.
//!
//! In: a batch, about once a second. Out: samples by time. Refused: a batch
//! with a number that is not finite, whole. Raw samples are all the logbook
//! ever deletes, by [`THINNING`] and by nothing else.

use rusqlite::{OptionalExtension, params};

use super::error::LogbookError;
use super::file::Logbook;
use super::keeping::finite;
use super::lookup::{moment, word};
use super::records::{RawSample, Unit};
use crate::quantity::{Moment, Span};

/// From an age on, one sample of each sensor stays in each slot of time: the
/// earliest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ThinningRule {
    /// Samples older than this are thinned.
    pub older_than: Span,
    /// Length of a slot; slots begin at whole multiples since 1970 UTC.
    pub one_per: Span,
}

/// What stays of the raw samples. Chosen: all of them for a day, to look into
/// a load test the same evening; then one in 10 s, which still shows a load
/// going on; after 30 days one in 10 min, enough for springs that settle.
pub const THINNING: [ThinningRule; 2] = [
    ThinningRule {
        older_than: Span::from_us(24 * 3_600 * 1_000_000),
        one_per: Span::from_us(10 * 1_000_000),
    },
    ThinningRule {
        older_than: Span::from_us(30 * 24 * 3_600 * 1_000_000),
        one_per: Span::from_us(600 * 1_000_000),
    },
];

/// How much time one thinning transaction goes over, so that a reading that
/// is to be kept never waits long. A multiple of every slot. Chosen.
const WINDOW_US: i64 = 1_800 * 1_000_000;

/// How far a thinning has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Thinning {
    now: Moment,
    rule: usize,
    from_us: i64,
}

impl Thinning {
    pub(super) const fn new(now: Moment) -> Self {
        Self {
            now,
            rule: 0,
            from_us: i64::MIN,
        }
    }
}

impl Logbook {
    /// Writes a batch of raw samples, all or none.
    pub fn add_raw(&mut self, samples: &[RawSample]) -> Result<(), LogbookError> {
        for sample in samples {
            finite("sample", &sample.sensor, sample.value)?;
        }
        let sitting = self.current()?;
        self.write("writing raw samples", |tx| {
            let mut find =
                tx.prepare_cached("SELECT id FROM raw_sensors WHERE name = ?1 AND unit = ?2")?;
            let mut name =
                tx.prepare_cached("INSERT INTO raw_sensors (name, unit) VALUES (?1, ?2)")?;
            let mut add = tx.prepare_cached(
                "INSERT INTO raw_samples (sitting_id, sensor_id, at_us, value, trusted)
                 VALUES (?1, ?2, ?3, ?4, ?5)",
            )?;
            let mut ids: Vec<((&str, Unit), i64)> = Vec::new();
            for sample in samples {
                let key = (sample.sensor.as_str(), sample.unit);
                let known = ids.iter().find(|(k, _)| *k == key).map(|(_, id)| *id);
                let id = if let Some(id) = known {
                    id
                } else {
                    let keys = params![sample.sensor, sample.unit.word()];
                    let id = match find.query_row(keys, |row| row.get(0)).optional()? {
                        Some(id) => id,
                        None => name.insert(params![sample.sensor, sample.unit.word()])?,
                    };
                    ids.push((key, id));
                    id
                };
                add.execute(params![
                    sitting,
                    id,
                    sample.at.unix_us(),
                    sample.value,
                    sample.trusted
                ])?;
            }
            Ok(())
        })
    }

    /// The raw samples from one moment to another, both included.
    pub fn raw(&self, from: Moment, to: Moment) -> Result<Vec<RawSample>, LogbookError> {
        self.read("reading raw samples", |connection| {
            connection
                .prepare_cached(
                    "SELECT name, unit, at_us, value, trusted FROM raw_samples
                     JOIN raw_sensors ON raw_sensors.id = sensor_id
                     WHERE at_us BETWEEN ?1 AND ?2 ORDER BY at_us, raw_samples.id",
                )?
                .query_map(params![from.unix_us(), to.unix_us()], |row| {
                    Ok(RawSample {
                        sensor: row.get(0)?,
                        unit: word(row, 1, Unit::from_word)?,
                        at: moment(row, 2)?,
                        value: row.get(3)?,
                        trusted: row.get(4)?,
                    })
                })?
                .collect()
        })
    }

    /// Thins the raw samples by their age at `now`; says how many went.
    pub fn thin(&mut self, now: Moment) -> Result<usize, LogbookError> {
        let mut thinning = Some(Thinning::new(now));
        let mut removed = 0;
        while let Some(step) = thinning {
            let (gone, next) = self.thin_window(step)?;
            removed += gone;
            thinning = next;
        }
        Ok(removed)
    }

    /// One window of a thinning; says how many samples went and what is next.
    pub(super) fn thin_window(
        &mut self,
        step: Thinning,
    ) -> Result<(usize, Option<Thinning>), LogbookError> {
        let Some(rule) = THINNING.get(step.rule) else {
            return Ok((0, None));
        };
        let slot = rule.one_per.us();
        // Whole slots only, so that a slot is not thinned in two halves.
        let limit = whole((step.now - rule.older_than).unix_us(), slot);
        let oldest: Option<i64> = self.read("looking for old samples", |connection| {
            connection
                .prepare_cached(
                    "SELECT min(at_us) FROM raw_samples WHERE at_us >= ?1 AND at_us < ?2",
                )?
                .query_row(params![step.from_us, limit], |row| row.get(0))
        })?;
        let Some(oldest) = oldest else {
            let next = Thinning {
                rule: step.rule + 1,
                from_us: i64::MIN,
                ..step
            };
            return Ok((0, THINNING.get(next.rule).map(|_| next)));
        };
        let from = whole(oldest, WINDOW_US);
        let to = from.saturating_add(WINDOW_US).min(limit);
        let removed = self.write("thinning raw samples", |tx| {
            // `min` beside a bare column picks that column from the row with
            // the least value (SQLite, "Bare columns in an aggregate query").
            tx.prepare_cached(
                "DELETE FROM raw_samples WHERE at_us >= ?1 AND at_us < ?2 AND id NOT IN (
                     SELECT id FROM (
                         SELECT id, min(at_us) FROM raw_samples
                         WHERE at_us >= ?1 AND at_us < ?2
                         GROUP BY sensor_id, (at_us - ?1) / ?3))",
            )?
            .execute(params![from, to, slot])
        })?;
        Ok((
            removed,
            Some(Thinning {
                from_us: to,
                ..step
            }),
        ))
    }
}

/// The greatest multiple of `step` that is not above `us`.
const fn whole(us: i64, step: i64) -> i64 {
    us.saturating_sub(us.rem_euclid(step))
}
