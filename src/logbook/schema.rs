//! The tables, and how an older file becomes a newer one.
//!
//! `user_version` counts the steps that a file has been through. All missing
//! steps run in one exclusive transaction: an interrupted one leaves the file
//! as it was.

use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;

use super::error::{LogbookError, Strange};

/// Marks a SQLite file as a logbook of this program: `SHlb` in ASCII. Chosen.
pub const APPLICATION_ID: i32 = 0x5348_6c62;

/// The version this program writes.
#[allow(clippy::cast_possible_wrap, reason = "a handful of steps")]
pub const SCHEMA_VERSION: i64 = STEPS.len() as i64;

/// Step n brings a file from version n to n + 1. A step that has been
/// published is never altered; a new one is added below it.
pub(super) const STEPS: [&str; 2] = [FIRST, SECOND];

const FIRST: &str = "
CREATE TABLE sheets (
    id INTEGER PRIMARY KEY,
    digest INTEGER NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE INDEX sheets_by_digest ON sheets (digest);

CREATE TABLE sittings (
    id INTEGER PRIMARY KEY,
    started_us INTEGER NOT NULL,
    sheet_id INTEGER NOT NULL REFERENCES sheets (id),
    program TEXT NOT NULL
) STRICT;
CREATE INDEX sittings_by_time ON sittings (started_us);

CREATE TABLE kept (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    sitting_id INTEGER NOT NULL REFERENCES sittings (id),
    at_us INTEGER NOT NULL,
    still_since_us INTEGER,
    load_case TEXT,
    kept_by TEXT NOT NULL CHECK (kept_by IN ('key', 'stillness')),
    note TEXT NOT NULL,
    digest INTEGER NOT NULL,
    UNIQUE (sitting_id, at_us)
) STRICT;
CREATE INDEX kept_by_time ON kept (at_us);

CREATE TABLE kept_loads (
    kept_id INTEGER NOT NULL REFERENCES kept (id),
    place INTEGER NOT NULL,
    name TEXT NOT NULL,
    mass_kg REAL NOT NULL,
    x_m REAL,
    y_m REAL,
    z_m REAL,
    PRIMARY KEY (kept_id, place),
    UNIQUE (kept_id, name),
    CHECK ((x_m IS NULL) = (y_m IS NULL) AND (y_m IS NULL) = (z_m IS NULL))
) STRICT, WITHOUT ROWID;

CREATE TABLE kept_quantities (
    kept_id INTEGER NOT NULL REFERENCES kept (id),
    place INTEGER NOT NULL,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    value REAL NOT NULL,
    standard_uncertainty REAL NOT NULL CHECK (standard_uncertainty >= 0),
    origin TEXT NOT NULL CHECK (origin IN ('measured', 'assumed')),
    PRIMARY KEY (kept_id, place),
    UNIQUE (kept_id, name)
) STRICT, WITHOUT ROWID;

CREATE TABLE kept_states (
    kept_id INTEGER PRIMARY KEY REFERENCES kept (id),
    dimension INTEGER NOT NULL,
    coordinates TEXT NOT NULL CHECK (json_valid(coordinates)),
    state_values BLOB NOT NULL CHECK (length(state_values) = 8 * dimension),
    covariance BLOB NOT NULL CHECK (length(covariance) = 8 * dimension * dimension)
) STRICT;

CREATE TABLE kept_sensors (
    kept_id INTEGER NOT NULL REFERENCES kept (id),
    place INTEGER NOT NULL,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    value REAL,
    noise_uncertainty REAL,
    zero_uncertainty REAL NOT NULL,
    quality TEXT NOT NULL,
    PRIMARY KEY (kept_id, place),
    UNIQUE (kept_id, name),
    CHECK ((value IS NULL) = (noise_uncertainty IS NULL))
) STRICT, WITHOUT ROWID;

CREATE TABLE marks (
    id INTEGER PRIMARY KEY,
    sitting_id INTEGER NOT NULL REFERENCES sittings (id),
    at_us INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('load on', 'load off', 'note')),
    name TEXT,
    mass_kg REAL,
    x_m REAL,
    y_m REAL,
    z_m REAL,
    note TEXT NOT NULL,
    CHECK ((kind = 'note') = (name IS NULL) AND (name IS NULL) = (mass_kg IS NULL)),
    CHECK ((x_m IS NULL) = (y_m IS NULL) AND (y_m IS NULL) = (z_m IS NULL))
) STRICT;
CREATE INDEX marks_by_time ON marks (at_us);

CREATE TABLE changes (
    id INTEGER PRIMARY KEY,
    sitting_id INTEGER NOT NULL REFERENCES sittings (id),
    at_us INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('collar', 'hole', 'spring', 'other')),
    coilover TEXT,
    turns REAL,
    mount_end TEXT CHECK (mount_end IN ('upper', 'lower')),
    was TEXT,
    becomes TEXT,
    note TEXT NOT NULL,
    CHECK ((kind = 'other') = (coilover IS NULL)),
    CHECK ((kind = 'collar') = (turns IS NOT NULL)),
    CHECK ((kind = 'hole') = (mount_end IS NOT NULL AND was IS NOT NULL)),
    CHECK ((kind IN ('hole', 'spring')) = (becomes IS NOT NULL))
) STRICT;
CREATE INDEX changes_by_time ON changes (at_us);

CREATE TABLE calibrations (
    id INTEGER PRIMARY KEY,
    sitting_id INTEGER NOT NULL REFERENCES sittings (id),
    at_us INTEGER NOT NULL,
    sensor TEXT NOT NULL,
    kind TEXT NOT NULL,
    result TEXT NOT NULL CHECK (json_valid(result))
) STRICT;
CREATE INDEX calibrations_by_time ON calibrations (at_us);

CREATE TABLE fits (
    id INTEGER PRIMARY KEY,
    sitting_id INTEGER NOT NULL REFERENCES sittings (id),
    at_us INTEGER NOT NULL,
    kind TEXT NOT NULL,
    result TEXT NOT NULL CHECK (json_valid(result))
) STRICT;
CREATE INDEX fits_by_time ON fits (at_us);

CREATE TABLE raw_sensors (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    UNIQUE (name, unit)
) STRICT;

CREATE TABLE raw_samples (
    id INTEGER PRIMARY KEY,
    sitting_id INTEGER NOT NULL REFERENCES sittings (id),
    sensor_id INTEGER NOT NULL REFERENCES raw_sensors (id),
    at_us INTEGER NOT NULL,
    value REAL NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1))
) STRICT;
CREATE INDEX raw_samples_by_time ON raw_samples (at_us);
";

/// Temperatures of the sensors; and for every kept reading which loads were on,
/// as one text, and how coarse a thinning still takes it (see `thin.rs`, which
/// says the same in Rust).
const SECOND: &str = "
ALTER TABLE kept_sensors ADD COLUMN temperature_c REAL;
ALTER TABLE kept ADD COLUMN loads_key TEXT NOT NULL DEFAULT '';
ALTER TABLE kept ADD COLUMN level INTEGER NOT NULL DEFAULT 0;
UPDATE kept SET loads_key = coalesce((
    SELECT group_concat(name, char(31)) FROM (
        SELECT name FROM kept_loads WHERE kept_id = kept.id ORDER BY name
    )
), '');
UPDATE kept SET level = found.level FROM (
    SELECT id, CASE WHEN x IS NULL THEN 25 ELSE
        (x > 0) + (x > 1) + (x > 3) + (x > 7) + (x > 15) + (x > 31) + (x > 63) + (x > 127) + (x > 255)
        + (x > 511) + (x > 1023) + (x > 2047) + (x > 4095) + (x > 8191) + (x > 16383) + (x > 32767) + (x > 65535)
        + (x > 131071) + (x > 262143) + (x > 524287) + (x > 1048575) + (x > 2097151) + (x > 4194303) + (x > 8388607) + (x > 16777215)
    END AS level
    FROM (
        SELECT id, (a | b) - (a & b) AS x FROM (
            SELECT id, at_us / 60000000 AS a,
                lag(at_us) OVER (PARTITION BY loads_key ORDER BY at_us, id) / 60000000 AS b
            FROM kept
        )
    )
) AS found WHERE found.id = kept.id;
CREATE INDEX kept_by_loads ON kept (loads_key, level, at_us);
";

/// Says which version a file has, or that it is none of ours. Writes nothing.
pub(super) fn version_of(connection: &Connection, path: &Path) -> Result<i64, LogbookError> {
    let failed = |source| LogbookError::from_sqlite(path, "reading its version", source);
    let number = |name: &str| {
        connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0))
    };
    let application_id = i32::try_from(number("application_id").map_err(failed)?).unwrap_or(-1);
    let version = number("user_version").map_err(failed)?;
    let things: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(failed)?;
    let fresh = application_id == 0 && version == 0 && things == 0;
    if application_id != APPLICATION_ID && !fresh {
        return Err(LogbookError::Foreign {
            path: path.to_path_buf(),
            found: Strange::OtherProgram { application_id },
        });
    }
    Ok(version)
}

/// Refuses a version that the `known` steps do not reach.
pub(super) fn refuse_newer(path: &Path, found: i64, known: usize) -> Result<usize, LogbookError> {
    match usize::try_from(found) {
        Ok(done) if done <= known => Ok(done),
        _ => Err(LogbookError::Newer {
            path: path.to_path_buf(),
            found,
            known: i64::try_from(known).unwrap_or(i64::MAX),
        }),
    }
}

/// Runs the missing steps, all or none.
pub(super) fn migrate(
    connection: &mut Connection,
    path: &Path,
    steps: &[&str],
) -> Result<(), LogbookError> {
    let failed = |source| LogbookError::from_sqlite(path, "setting up its tables", source);
    let done = refuse_newer(path, version_of(connection, path)?, steps.len())?;
    if done == steps.len() {
        return Ok(());
    }
    let transaction = connection
        .transaction_with_behavior(TransactionBehavior::Exclusive)
        .map_err(failed)?;
    // Again under the lock: another program may have been quicker.
    let done = refuse_newer(path, version_of(&transaction, path)?, steps.len())?;
    for step in steps.iter().skip(done) {
        transaction.execute_batch(step).map_err(failed)?;
    }
    transaction
        .pragma_update(None, "application_id", APPLICATION_ID)
        .map_err(failed)?;
    transaction
        .pragma_update(
            None,
            "user_version",
            i64::try_from(steps.len()).unwrap_or(i64::MAX),
        )
        .map_err(failed)?;
    transaction.commit().map_err(failed)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop here")]
    use super::super::scratch::{Folder, reading, sitting};
    use super::super::{Logbook, Which};
    use super::*;

    fn columns(logbook: &Logbook, table: &str) -> Vec<String> {
        let mut query = logbook
            .connection
            .prepare("SELECT name FROM pragma_table_info(?1)")
            .unwrap();
        let names = query.query_map([table], |row| row.get(0)).unwrap();
        names.collect::<rusqlite::Result<_>>().unwrap()
    }

    #[test]
    fn a_file_of_version_nought_gets_every_step() {
        let folder = Folder::new();
        let path = folder.logbook();
        let raw = Connection::open(&path).unwrap();
        raw.pragma_update(None, "application_id", APPLICATION_ID)
            .unwrap();
        drop(raw);
        let logbook = Logbook::open(&path).unwrap();
        assert_eq!(
            version_of(&logbook.connection, &path).unwrap(),
            SCHEMA_VERSION
        );
        assert!(columns(&logbook, "kept").contains(&"digest".into()));
    }

    #[test]
    fn a_later_step_keeps_what_is_there() {
        let folder = Folder::new();
        let path = folder.logbook();
        let mut logbook = Logbook::open(&path).unwrap();
        logbook.begin_sitting(&sitting()).unwrap();
        logbook.keep(&reading(5)).unwrap();
        let before = logbook.kept(Which::All).unwrap();
        drop(logbook);

        let steps = [
            STEPS[0],
            STEPS[1],
            "ALTER TABLE kept ADD COLUMN weather TEXT",
        ];
        let logbook = Logbook::open_with(&path, &steps).unwrap();
        assert!(columns(&logbook, "kept").contains(&"weather".into()));
        assert_eq!(version_of(&logbook.connection, &path).unwrap(), 3);
        assert_eq!(logbook.kept(Which::All).unwrap(), before);
        drop(logbook);
        // And the program of today does not touch it.
        let newer = Logbook::open(&path).unwrap_err();
        assert!(
            matches!(
                newer,
                LogbookError::Newer {
                    found: 3,
                    known: 2,
                    ..
                }
            ),
            "{newer:?}"
        );
    }

    #[test]
    fn a_step_that_fails_leaves_the_file_as_it_was() {
        let folder = Folder::new();
        let path = folder.logbook();
        drop(Logbook::open(&path).unwrap());
        let steps = [
            STEPS[0],
            STEPS[1],
            "ALTER TABLE kept ADD COLUMN weather TEXT; CREATE TABLE kept (id INTEGER)",
        ];
        Logbook::open_with(&path, &steps).unwrap_err();
        let logbook = Logbook::open(&path).unwrap();
        assert_eq!(version_of(&logbook.connection, &path).unwrap(), 2);
        assert!(!columns(&logbook, "kept").contains(&"weather".into()));
    }

    #[test]
    fn an_older_file_cannot_be_opened_for_reading_only() {
        let folder = Folder::new();
        let path = folder.logbook();
        let raw = Connection::open(&path).unwrap();
        raw.pragma_update(None, "application_id", APPLICATION_ID)
            .unwrap();
        drop(raw);
        let older = Logbook::open_for_reading(&path).unwrap_err();
        assert!(matches!(older, LogbookError::Older { found: 0, .. }));
    }

    #[test]
    fn the_connection_is_set_for_safety() {
        let folder = Folder::new();
        let logbook = Logbook::open(&folder.logbook()).unwrap();
        let ask = |name: &str| -> String {
            logbook
                .connection
                .query_row(
                    &format!("SELECT CAST({name} AS TEXT) FROM pragma_{name}"),
                    [],
                    |row| row.get(0),
                )
                .unwrap()
        };
        assert_eq!(ask("journal_mode"), "wal");
        // 2 is FULL. Source: SQLite documentation, PRAGMA synchronous.
        assert_eq!(ask("synchronous"), "2");
        assert_eq!(ask("foreign_keys"), "1");
    }
}
