//! Writing records, one transaction each.
//!
//! In: a record. Out: its number, once it is on the disk. Refused: numbers
//! that are not finite, uncertainties below zero, a name twice in a reading,
//! a second and different reading at the same moment.

use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, params};

use super::digest;
use super::error::LogbookError;
use super::file::Logbook;
use super::lookup::Logged;
use super::records::{
    Calibration, Change, ChangeKind, Fit, KeptId, KeptReading, Load, Mark, MarkKind, Sitting,
    SittingId,
};
use super::thin;

impl Logbook {
    /// Begins a sitting; what is kept from now on belongs to it. The same
    /// sitting again (after a doubtful commit) goes on with the first one.
    pub fn begin_sitting(&mut self, sitting: &Sitting) -> Result<SittingId, LogbookError> {
        let id = self.write("beginning a sitting", |tx| {
            let digest = digest::of_text(&sitting.sheet_text);
            let sheet: Option<i64> = tx
                .prepare_cached("SELECT id FROM sheets WHERE digest = ?1 AND text = ?2")?
                .query_row(params![digest, sitting.sheet_text], |row| row.get(0))
                .optional()?;
            let sheet = match sheet {
                Some(sheet) => sheet,
                None => insert(
                    tx,
                    "INSERT INTO sheets (digest, text) VALUES (?1, ?2)",
                    params![digest, sitting.sheet_text],
                )?,
            };
            let started = sitting.started.unix_us();
            let known: Option<i64> = tx
                .prepare_cached(
                    "SELECT id FROM sittings WHERE started_us = ?1 AND sheet_id = ?2 AND program = ?3",
                )?
                .query_row(params![started, sheet, sitting.program], |row| row.get(0))
                .optional()?;
            match known {
                Some(known) => Ok(known),
                None => insert(
                    tx,
                    "INSERT INTO sittings (started_us, sheet_id, program) VALUES (?1, ?2, ?3)",
                    params![started, sheet, sitting.program],
                ),
            }
        })?;
        self.sitting = Some(SittingId(id));
        Ok(SittingId(id))
    }

    /// Keeps a reading for good: when this returns its number, it is on the
    /// disk. Keeping the same reading again gives the same number.
    pub fn keep(&mut self, reading: &KeptReading) -> Result<KeptId, LogbookError> {
        look_through(reading)?;
        let sitting = self.current()?;
        let at_us = reading.at.unix_us();
        let id = self.write("keeping a reading", |tx| {
            let there: Option<i64> = tx
                .prepare_cached("SELECT id FROM kept WHERE sitting_id = ?1 AND at_us = ?2")?
                .query_row(params![sitting, at_us], |row| row.get(0))
                .optional()?;
            if there.is_some() {
                return Ok(None);
            }
            insert_reading(tx, sitting, reading).map(Some)
        })?;
        if let Some(id) = id {
            return Ok(KeptId(id));
        }
        match self.kept_at(SittingId(sitting), reading.at)? {
            Some(kept) if kept.intact && kept.reading == *reading => Ok(kept.id),
            _ => Err(LogbookError::MomentTaken { at_us }),
        }
    }

    /// Writes down a mark; the same mark again is one mark.
    pub fn mark(&mut self, mark: &Mark) -> Result<i64, LogbookError> {
        let (kind, load) = match &mark.kind {
            MarkKind::LoadOn(load) => ("load on", Some(load)),
            MarkKind::LoadOff(load) => ("load off", Some(load)),
            MarkKind::Note => ("note", None),
        };
        if let Some(load) = load {
            look_at_load(load)?;
        }
        let sitting = self.current()?;
        if let Some(id) = known(self.marks_at(mark.at)?, sitting, mark) {
            return Ok(id);
        }
        let at = load.and_then(|load| load.at_m);
        self.write("marking", |tx| {
            insert(
                tx,
                "INSERT INTO marks (sitting_id, at_us, kind, name, mass_kg, x_m, y_m, z_m, note)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                params![
                    sitting,
                    mark.at.unix_us(),
                    kind,
                    load.map(|load| &load.name),
                    load.map(|load| load.mass_kg),
                    at.map(|at| at[0]),
                    at.map(|at| at[1]),
                    at.map(|at| at[2]),
                    mark.note,
                ],
            )
        })
    }

    /// Writes down a change made to the vehicle; the same change again is one
    /// change.
    pub fn change(&mut self, change: &Change) -> Result<i64, LogbookError> {
        let (kind, coilover, turns, end, was, becomes) = match &change.kind {
            ChangeKind::Collar { coilover, turns } => {
                finite("turns", coilover, *turns)?;
                ("collar", Some(coilover), Some(turns), None, None, None)
            }
            ChangeKind::Hole {
                coilover,
                end,
                from,
                to,
            } => (
                "hole",
                Some(coilover),
                None,
                Some(end.word()),
                Some(from),
                Some(to),
            ),
            ChangeKind::Spring { coilover, spring } => {
                ("spring", Some(coilover), None, None, None, Some(spring))
            }
            ChangeKind::Other => ("other", None, None, None, None, None),
        };
        let sitting = self.current()?;
        if let Some(id) = known(self.changes_at(change.at)?, sitting, change) {
            return Ok(id);
        }
        self.write("writing down a change", |tx| {
            insert(
                tx,
                "INSERT INTO changes
                 (sitting_id, at_us, kind, coilover, turns, mount_end, was, becomes, note)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                params![
                    sitting,
                    change.at.unix_us(),
                    kind,
                    coilover,
                    turns,
                    end,
                    was,
                    becomes,
                    change.note
                ],
            )
        })
    }

    /// Writes down a calibration.
    pub fn calibrate(&mut self, calibration: &Calibration) -> Result<i64, LogbookError> {
        let sitting = self.current()?;
        self.write("writing down a calibration", |tx| {
            insert(
                tx,
                "INSERT INTO calibrations (sitting_id, at_us, sensor, kind, result)
                 VALUES (?1, ?2, ?3, ?4, ?5)",
                params![
                    sitting,
                    calibration.at.unix_us(),
                    calibration.sensor,
                    calibration.kind,
                    calibration.result.to_string()
                ],
            )
        })
    }

    /// Writes down a fit.
    pub fn fit(&mut self, fit: &Fit) -> Result<i64, LogbookError> {
        let sitting = self.current()?;
        self.write("writing down a fit", |tx| {
            insert(
                tx,
                "INSERT INTO fits (sitting_id, at_us, kind, result) VALUES (?1, ?2, ?3, ?4)",
                params![sitting, fit.at.unix_us(), fit.kind, fit.result.to_string()],
            )
        })
    }

    /// The current sitting's number.
    pub(super) fn current(&self) -> Result<i64, LogbookError> {
        self.sitting
            .map_or(Err(LogbookError::NoSitting), |s| Ok(s.0))
    }

    /// Runs one writing transaction on the file that is still at its path.
    pub(super) fn write<T>(
        &mut self,
        doing: &'static str,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, LogbookError> {
        if self.lock.is_none() {
            return Err(LogbookError::ReadOnly {
                path: self.path.clone(),
            });
        }
        self.still_there()?;
        let result = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .and_then(|tx| {
                let result = work(&tx)?;
                tx.commit()?;
                Ok(result)
            })
            .map_err(|source| LogbookError::from_sqlite(&self.path, doing, source))?;
        // Replaced in between: what was written is out of reach.
        self.still_there()?;
        Ok(result)
    }
}

/// The number of a record that is there already.
fn known<T: PartialEq>(there: Vec<Logged<T>>, sitting: i64, record: &T) -> Option<i64> {
    there
        .into_iter()
        .find(|logged| logged.sitting.0 == sitting && logged.record == *record)
        .map(|logged| logged.id)
}

fn insert(tx: &Transaction<'_>, sql: &str, values: impl rusqlite::Params) -> rusqlite::Result<i64> {
    tx.prepare_cached(sql)?.insert(values)
}

fn insert_reading(
    tx: &Transaction<'_>,
    sitting: i64,
    reading: &KeptReading,
) -> rusqlite::Result<i64> {
    let key = thin::key_of(reading.loads.iter().map(|load| load.name.as_str()));
    let level = thin::level_of(tx, &key, reading.at.unix_us())?;
    let id = insert(
        tx,
        "INSERT INTO kept
         (sitting_id, at_us, still_since_us, load_case, kept_by, note, digest, loads_key, level)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        params![
            sitting,
            reading.at.unix_us(),
            reading.still_since.map(crate::quantity::Moment::unix_us),
            reading.case,
            reading.by.word(),
            reading.note,
            digest::of_reading(reading),
            key,
            level,
        ],
    )?;
    for (place, load) in (0_i64..).zip(&reading.loads) {
        tx.prepare_cached(
            "INSERT INTO kept_loads (kept_id, place, name, mass_kg, x_m, y_m, z_m)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            id,
            place,
            load.name,
            load.mass_kg,
            load.at_m.map(|at| at[0]),
            load.at_m.map(|at| at[1]),
            load.at_m.map(|at| at[2]),
        ])?;
    }
    for (place, quantity) in (0_i64..).zip(&reading.quantities) {
        tx.prepare_cached(
            "INSERT INTO kept_quantities
             (kept_id, place, name, unit, value, standard_uncertainty, origin)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            id,
            place,
            quantity.name,
            quantity.unit.word(),
            quantity.value,
            quantity.standard_uncertainty,
            quantity.origin.word(),
        ])?;
    }
    for (place, sensor) in (0_i64..).zip(&reading.sensors) {
        tx.prepare_cached(
            "INSERT INTO kept_sensors
             (kept_id, place, name, unit, value, noise_uncertainty, zero_uncertainty, quality,
              temperature_c)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        )?
        .execute(params![
            id,
            place,
            sensor.name,
            sensor.unit.word(),
            sensor.value,
            sensor.noise_uncertainty,
            sensor.zero_uncertainty,
            sensor.quality,
            sensor.temperature_c,
        ])?;
    }
    if let Some(state) = &reading.state {
        tx.prepare_cached(
            "INSERT INTO kept_states (kept_id, dimension, coordinates, state_values, covariance)
             VALUES (?1, ?2, ?3, ?4, ?5)",
        )?
        .execute(params![
            id,
            i64::try_from(state.coordinates.len()).unwrap_or(i64::MAX),
            serde_json::json!(state.coordinates).to_string(),
            to_blob(&state.values),
            to_blob(&state.covariance),
        ])?;
    }
    Ok(id)
}

/// Eight bytes each, little endian.
fn to_blob(values: &[f64]) -> Vec<u8> {
    values
        .iter()
        .flat_map(|value| value.to_le_bytes())
        .collect()
}

/// Refuses what must not go into the file.
fn look_through(reading: &KeptReading) -> Result<(), LogbookError> {
    for load in &reading.loads {
        look_at_load(load)?;
    }
    once("load", reading.loads.iter().map(|load| load.name.as_str()))?;
    for quantity in &reading.quantities {
        finite("value", &quantity.name, quantity.value)?;
        not_negative(
            "standard uncertainty",
            &quantity.name,
            quantity.standard_uncertainty,
        )?;
    }
    once(
        "quantity",
        reading
            .quantities
            .iter()
            .map(|quantity| quantity.name.as_str()),
    )?;
    for sensor in &reading.sensors {
        if sensor.value.is_some() != sensor.noise_uncertainty.is_some() {
            return Err(LogbookError::HalfSensor {
                name: sensor.name.clone(),
            });
        }
        if let Some(value) = sensor.value {
            finite("value", &sensor.name, value)?;
        }
        if let Some(temperature_c) = sensor.temperature_c {
            finite("temperature", &sensor.name, temperature_c)?;
        }
        if let Some(noise) = sensor.noise_uncertainty {
            not_negative("noise", &sensor.name, noise)?;
        }
        not_negative(
            "uncertainty of the zero",
            &sensor.name,
            sensor.zero_uncertainty,
        )?;
    }
    once(
        "sensor",
        reading.sensors.iter().map(|sensor| sensor.name.as_str()),
    )?;
    let Some(state) = &reading.state else {
        return Ok(());
    };
    let n = state.coordinates.len();
    if state.values.len() != n || state.covariance.len() != n * n {
        return Err(LogbookError::StateSize {
            coordinates: n,
            values: state.values.len(),
            covariances: state.covariance.len(),
        });
    }
    for (name, &value) in state.coordinates.iter().zip(&state.values) {
        finite("value", name, value)?;
    }
    for (place, &value) in state.covariance.iter().enumerate() {
        finite("covariance", &state.coordinates[place / n], value)?;
    }
    for (place, name) in state.coordinates.iter().enumerate() {
        not_negative("variance", name, state.covariance[place * (n + 1)])?;
    }
    Ok(())
}

fn look_at_load(load: &Load) -> Result<(), LogbookError> {
    not_negative("mass", &load.name, load.mass_kg)?;
    for value in load.at_m.iter().flatten() {
        finite("place", &load.name, *value)?;
    }
    Ok(())
}

/// Refuses NaN and infinity.
pub(super) fn finite(field: &'static str, of: &str, value: f64) -> Result<(), LogbookError> {
    if value.is_finite() {
        Ok(())
    } else {
        Err(LogbookError::NotFinite {
            field,
            of: of.to_owned(),
            value,
        })
    }
}

fn not_negative(field: &'static str, of: &str, value: f64) -> Result<(), LogbookError> {
    finite(field, of, value)?;
    if value < 0.0 {
        Err(LogbookError::Negative {
            field,
            of: of.to_owned(),
            value,
        })
    } else {
        Ok(())
    }
}

fn once<'a>(what: &'static str, names: impl Iterator<Item = &'a str>) -> Result<(), LogbookError> {
    let mut seen = std::collections::HashSet::new();
    for name in names {
        if !seen.insert(name) {
            return Err(LogbookError::Twice {
                what,
                name: name.to_owned(),
            });
        }
    }
    Ok(())
}
