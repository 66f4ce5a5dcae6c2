//! Reading records back, oldest first.
//!
//! In: which ones. Out: the records as they were written. Refused: a file
//! whose rows make no sense; a reading that was altered is not refused but
//! says so ([`Kept::intact`]).

use rusqlite::types::Type;
use rusqlite::{Connection, Row, params};

use super::digest;
use super::error::LogbookError;
use super::file::Logbook;
use super::records::{
    Calibration, Change, ChangeKind, Fit, Kept, KeptBy, KeptId, KeptQuantity, KeptReading,
    KeptSensor, KeptState, Load, Mark, MarkKind, MountEnd, Origin, Sitting, SittingId, Unit,
};
use crate::quantity::Moment;

/// Which records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    /// Every one.
    All,
    /// The last ones by time.
    Latest(usize),
    /// From the first moment to the second, both included.
    Between(Moment, Moment),
}

/// A record as found in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Logged<T> {
    /// Its number.
    pub id: i64,
    /// Its sitting.
    pub sitting: SittingId,
    /// The record.
    pub record: T,
}

/// What happened: kept readings, marks and changes, each oldest first.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct History {
    /// The kept readings.
    pub kept: Vec<Kept>,
    /// The marks.
    pub marks: Vec<Logged<Mark>>,
    /// The changes made.
    pub changes: Vec<Logged<Change>>,
}

impl Which {
    /// First and last moment and the greatest count, for the one query below.
    fn bounds(self) -> (i64, i64, i64) {
        match self {
            Self::All => (i64::MIN, i64::MAX, -1),
            Self::Latest(n) => (i64::MIN, i64::MAX, i64::try_from(n).unwrap_or(i64::MAX)),
            Self::Between(from, to) => (from.unix_us(), to.unix_us(), -1),
        }
    }
}

impl Logbook {
    /// Kept readings with the marks and changes around them. The latest ones
    /// are the latest readings, and what else there was since the first of
    /// them; where no reading is kept, the latest marks and changes.
    pub fn history(&self, which: Which) -> Result<History, LogbookError> {
        let kept = self.kept(which)?;
        let around = match (which, kept.first()) {
            (Which::Latest(_), Some(first)) => {
                Which::Between(first.reading.at, Moment::from_unix_us(i64::MAX))
            }
            _ => which,
        };
        Ok(History {
            kept,
            marks: self.marks(around)?,
            changes: self.changes(around)?,
        })
    }

    /// The kept readings.
    pub fn kept(&self, which: Which) -> Result<Vec<Kept>, LogbookError> {
        // One snapshot for a reading and its parts.
        self.read("reading what was kept", |connection| {
            let heads = listed(connection, "kept", KEPT_COLUMNS, which, kept_head)?;
            heads
                .into_iter()
                .map(|head| with_parts(connection, head))
                .collect()
        })
    }

    /// The kept reading of a sitting at a moment.
    pub(super) fn kept_at(
        &self,
        sitting: SittingId,
        at: Moment,
    ) -> Result<Option<Kept>, LogbookError> {
        let there = self.kept(Which::Between(at, at))?;
        Ok(there.into_iter().find(|kept| kept.sitting == sitting))
    }

    /// The marks.
    pub fn marks(&self, which: Which) -> Result<Vec<Logged<Mark>>, LogbookError> {
        self.read("reading the marks", |connection| {
            listed(
                connection,
                "marks",
                "id, sitting_id, at_us, kind, name, mass_kg, x_m, y_m, z_m, note",
                which,
                mark,
            )
        })
    }

    pub(super) fn marks_at(&self, at: Moment) -> Result<Vec<Logged<Mark>>, LogbookError> {
        self.marks(Which::Between(at, at))
    }

    /// The changes made.
    pub fn changes(&self, which: Which) -> Result<Vec<Logged<Change>>, LogbookError> {
        self.read("reading the changes", |connection| {
            listed(
                connection,
                "changes",
                "id, sitting_id, at_us, kind, coilover, turns, mount_end, was, becomes, note",
                which,
                change,
            )
        })
    }

    pub(super) fn changes_at(&self, at: Moment) -> Result<Vec<Logged<Change>>, LogbookError> {
        self.changes(Which::Between(at, at))
    }

    /// The calibrations.
    pub fn calibrations(&self, which: Which) -> Result<Vec<Logged<Calibration>>, LogbookError> {
        self.read("reading the calibrations", |connection| {
            listed(
                connection,
                "calibrations",
                "id, sitting_id, at_us, sensor, kind, result",
                which,
                |row| {
                    logged(
                        row,
                        Calibration {
                            at: moment(row, 2)?,
                            sensor: row.get(3)?,
                            kind: row.get(4)?,
                            result: json(row, 5)?,
                        },
                    )
                },
            )
        })
    }

    /// The fits.
    pub fn fits(&self, which: Which) -> Result<Vec<Logged<Fit>>, LogbookError> {
        self.read("reading the fits", |connection| {
            listed(
                connection,
                "fits",
                "id, sitting_id, at_us, kind, result",
                which,
                |row| {
                    logged(
                        row,
                        Fit {
                            at: moment(row, 2)?,
                            kind: row.get(3)?,
                            result: json(row, 4)?,
                        },
                    )
                },
            )
        })
    }

    /// The sittings, in the order in which they began.
    pub fn sittings(&self) -> Result<Vec<(SittingId, Sitting)>, LogbookError> {
        self.read("reading the sittings", |connection| {
            connection
                .prepare_cached(
                    "SELECT sittings.id, started_us, text, program FROM sittings
                     JOIN sheets ON sheets.id = sheet_id ORDER BY sittings.id",
                )?
                .query_map([], |row| {
                    Ok((
                        SittingId(row.get(0)?),
                        Sitting {
                            started: moment(row, 1)?,
                            sheet_text: row.get(2)?,
                            program: row.get(3)?,
                        },
                    ))
                })?
                .collect()
        })
    }

    /// Runs queries on one snapshot.
    pub(super) fn read<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, LogbookError> {
        self.connection
            .unchecked_transaction()
            .and_then(|snapshot| work(&snapshot))
            .map_err(|source| LogbookError::from_sqlite(&self.path, doing, source))
    }
}

/// Rows of one of our tables with a moment. Table and columns are ours, never
/// a user's text.
fn listed<T>(
    connection: &Connection,
    table: &'static str,
    columns: &'static str,
    which: Which,
    decode: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    let (from, to, most) = which.bounds();
    let mut found: Vec<T> = connection
        .prepare_cached(&format!(
            "SELECT {columns} FROM {table} WHERE at_us BETWEEN ?1 AND ?2
             ORDER BY at_us DESC, id DESC LIMIT ?3"
        ))?
        .query_map(params![from, to, most], decode)?
        .collect::<rusqlite::Result<_>>()?;
    found.reverse();
    Ok(found)
}

pub(super) const KEPT_COLUMNS: &str =
    "id, sitting_id, at_us, still_since_us, load_case, kept_by, note, digest";

/// A kept reading without its parts, and the digest it should have.
pub(super) fn kept_head(row: &Row<'_>) -> rusqlite::Result<(Kept, i64)> {
    let since: Option<i64> = row.get(3)?;
    Ok((
        Kept {
            id: KeptId(row.get(0)?),
            sitting: SittingId(row.get(1)?),
            reading: KeptReading {
                at: moment(row, 2)?,
                still_since: since.map(Moment::from_unix_us),
                case: row.get(4)?,
                loads: Vec::new(),
                by: word(row, 5, KeptBy::from_word)?,
                note: row.get(6)?,
                quantities: Vec::new(),
                state: None,
                sensors: Vec::new(),
            },
            intact: false,
        },
        row.get(7)?,
    ))
}

pub(super) fn with_parts(
    connection: &Connection,
    (mut kept, digest): (Kept, i64),
) -> rusqlite::Result<Kept> {
    let id = kept.id.0;
    let reading = &mut kept.reading;
    reading.loads = connection
        .prepare_cached(
            "SELECT name, mass_kg, x_m, y_m, z_m FROM kept_loads WHERE kept_id = ?1 ORDER BY place",
        )?
        .query_map([id], |row| load(row, 0))?
        .collect::<rusqlite::Result<_>>()?;
    reading.quantities = connection
        .prepare_cached(
            "SELECT name, unit, value, standard_uncertainty, origin FROM kept_quantities
             WHERE kept_id = ?1 ORDER BY place",
        )?
        .query_map([id], |row| {
            Ok(KeptQuantity {
                name: row.get(0)?,
                unit: word(row, 1, Unit::from_word)?,
                value: row.get(2)?,
                standard_uncertainty: row.get(3)?,
                origin: word(row, 4, Origin::from_word)?,
            })
        })?
        .collect::<rusqlite::Result<_>>()?;
    reading.sensors = connection
        .prepare_cached(
            "SELECT name, unit, value, noise_uncertainty, zero_uncertainty, quality, temperature_c
             FROM kept_sensors WHERE kept_id = ?1 ORDER BY place",
        )?
        .query_map([id], |row| {
            Ok(KeptSensor {
                name: row.get(0)?,
                unit: word(row, 1, Unit::from_word)?,
                value: row.get(2)?,
                noise_uncertainty: row.get(3)?,
                zero_uncertainty: row.get(4)?,
                quality: row.get(5)?,
                temperature_c: row.get(6)?,
            })
        })?
        .collect::<rusqlite::Result<_>>()?;
    reading.state = connection
        .prepare_cached(
            "SELECT coordinates, state_values, covariance FROM kept_states WHERE kept_id = ?1",
        )?
        .query_map([id], |row| {
            let text: String = row.get(0)?;
            Ok(KeptState {
                coordinates: serde_json::from_str(&text)
                    .map_err(|e| senseless(0, Type::Text, Box::new(e)))?,
                values: from_blob(row, 1)?,
                covariance: from_blob(row, 2)?,
            })
        })?
        .next()
        .transpose()?;
    kept.intact = digest::of_reading(reading) == digest;
    Ok(kept)
}

fn mark(row: &Row<'_>) -> rusqlite::Result<Logged<Mark>> {
    let kind: String = row.get(3)?;
    let kind = match kind.as_str() {
        "load on" => MarkKind::LoadOn(load(row, 4)?),
        "load off" => MarkKind::LoadOff(load(row, 4)?),
        "note" => MarkKind::Note,
        other => return Err(unknown_word(3, other)),
    };
    logged(
        row,
        Mark {
            at: moment(row, 2)?,
            kind,
            note: row.get(9)?,
        },
    )
}

fn change(row: &Row<'_>) -> rusqlite::Result<Logged<Change>> {
    let kind: String = row.get(3)?;
    let kind = match kind.as_str() {
        "collar" => ChangeKind::Collar {
            coilover: row.get(4)?,
            turns: row.get(5)?,
        },
        "hole" => ChangeKind::Hole {
            coilover: row.get(4)?,
            end: word(row, 6, MountEnd::from_word)?,
            from: row.get(7)?,
            to: row.get(8)?,
        },
        "spring" => ChangeKind::Spring {
            coilover: row.get(4)?,
            spring: row.get(8)?,
        },
        "other" => ChangeKind::Other,
        other => return Err(unknown_word(3, other)),
    };
    logged(
        row,
        Change {
            at: moment(row, 2)?,
            kind,
            note: row.get(9)?,
        },
    )
}

/// Name, mass and place from five columns on.
fn load(row: &Row<'_>, first: usize) -> rusqlite::Result<Load> {
    let x: Option<f64> = row.get(first + 2)?;
    Ok(Load {
        name: row.get(first)?,
        mass_kg: row.get(first + 1)?,
        at_m: match x {
            Some(x) => Some([x, row.get(first + 3)?, row.get(first + 4)?]),
            None => None,
        },
    })
}

/// Number and sitting from the first two columns.
fn logged<T>(row: &Row<'_>, record: T) -> rusqlite::Result<Logged<T>> {
    Ok(Logged {
        id: row.get(0)?,
        sitting: SittingId(row.get(1)?),
        record,
    })
}

pub(super) fn moment(row: &Row<'_>, column: usize) -> rusqlite::Result<Moment> {
    row.get(column).map(Moment::from_unix_us)
}

pub(super) fn word<T>(
    row: &Row<'_>,
    column: usize,
    meaning: impl Fn(&str) -> Option<T>,
) -> rusqlite::Result<T> {
    let word: String = row.get(column)?;
    meaning(&word).ok_or_else(|| unknown_word(column, &word))
}

fn json(row: &Row<'_>, column: usize) -> rusqlite::Result<serde_json::Value> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|e| senseless(column, Type::Text, Box::new(e)))
}

fn from_blob(row: &Row<'_>, column: usize) -> rusqlite::Result<Vec<f64>> {
    let bytes: Vec<u8> = row.get(column)?;
    let (numbers, rest) = bytes.as_chunks::<8>();
    if rest.is_empty() {
        Ok(numbers
            .iter()
            .map(|eight| f64::from_le_bytes(*eight))
            .collect())
    } else {
        Err(senseless(
            column,
            Type::Blob,
            format!("{} bytes are no whole numbers", bytes.len()).into(),
        ))
    }
}

fn unknown_word(column: usize, word: &str) -> rusqlite::Error {
    senseless(column, Type::Text, format!("unknown word '{word}'").into())
}

fn senseless(
    column: usize,
    kind: Type,
    why: Box<dyn std::error::Error + Send + Sync>,
) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, kind, why)
}
