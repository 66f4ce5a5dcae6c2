//! The lines of a sheet: which sensors share a port, each port's driver, its
//! state and its counters.
//!
//! In: port events. Out: what the drivers heard, and news worth telling.

use super::sitting::Grade;
use crate::drivers::{Counts, Driver, DriverError, Heard, Source, driver_for, source_of};
use crate::ports::{FoundPort, LineSettings, PortError, PortEvent, PortEventKind};
use crate::quantity::Moment;
use crate::sheet::{BuildSheet, Protocol};
use std::collections::HashMap;
use std::path::PathBuf;

/// Every line with its sensors.
#[derive(Debug)]
pub(super) struct Lines {
    lines: Vec<Line>,
    of_sensor: Vec<Option<usize>>,
    by_source: HashMap<Source, Vec<usize>>,
    samples: Vec<u64>,
    rates: Vec<Option<f64>>,
    rates_from: Option<(Moment, Vec<u64>)>,
}

#[derive(Debug)]
struct Line {
    path: PathBuf,
    baud: u32,
    sensors: Vec<String>,
    driver: Box<dyn Driver>,
    state: LineState,
    bytes: u64,
    openings: u64,
}

/// How a line is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum LineState {
    Opening,
    Open,
    Gone(String),
    Refused(String),
}

/// Something worth telling.
#[derive(Debug)]
pub(super) struct News {
    pub(super) gone: bool,
    pub(super) grade: Grade,
    pub(super) text: String,
}

/// Counters of one line, for summaries.
#[derive(Debug, Clone)]
pub(super) struct SensorLine {
    pub(super) sensors: Vec<String>,
    pub(super) bytes: u64,
    pub(super) openings: u64,
    pub(super) counts: Counts,
}

impl Lines {
    /// Groups the sensors of a sheet by port. A sensor that gives only its
    /// device id may be on any of the `found` ports.
    pub(super) fn new(sheet: &BuildSheet, found: &[FoundPort]) -> Result<Self, DriverError> {
        let mut groups: Vec<(PathBuf, u32, Vec<usize>)> = Vec::new();
        let mut of_sensor = vec![None; sheet.sensors.len()];
        let mut homeless = Vec::new();
        for (i, sensor) in sheet.sensors.iter().enumerate() {
            let Some(path) = sensor.connection.port.as_ref().map(PathBuf::from) else {
                homeless.push(i);
                continue;
            };
            let baud = sensor.connection.baud;
            let line = groups.iter().position(|g| g.0 == path).unwrap_or_else(|| {
                groups.push((path, baud, Vec::new()));
                groups.len() - 1
            });
            groups[line].2.push(i);
            of_sensor[i] = Some(line);
        }
        if let Some(&first) = homeless.first() {
            let baud = sheet.sensors[first].connection.baud;
            for port in found {
                if !groups.iter().any(|g| g.0 == port.path) {
                    groups.push((port.path.clone(), baud, homeless.clone()));
                }
            }
        }
        let mut lines = Vec::new();
        for (path, baud, sensors) in groups {
            let protocols: Vec<&Protocol> = sensors
                .iter()
                .map(|&i| &sheet.sensors[i].connection.protocol)
                .collect();
            lines.push(Line {
                path,
                baud,
                driver: driver_for(&protocols)?,
                sensors: sensors
                    .iter()
                    .map(|&i| sheet.sensors[i].name.clone())
                    .collect(),
                state: LineState::Opening,
                bytes: 0,
                openings: 0,
            });
        }
        let mut by_source: HashMap<Source, Vec<usize>> = HashMap::new();
        for (i, sensor) in sheet.sensors.iter().enumerate() {
            by_source
                .entry(source_of(&sensor.connection.protocol))
                .or_default()
                .push(i);
        }
        let count = sheet.sensors.len();
        Ok(Self {
            lines,
            of_sensor,
            by_source,
            samples: vec![0; count],
            rates: vec![None; count],
            rates_from: None,
        })
    }

    pub(super) fn count(&self) -> usize {
        self.lines.len()
    }

    /// How each line is opened.
    pub(super) fn settings(&self) -> Vec<LineSettings> {
        self.lines
            .iter()
            .map(|l| LineSettings::new(l.path.clone(), l.baud))
            .collect()
    }

    /// The line of each sensor, where the sheet names its port.
    pub(super) fn of_sensors(&self) -> &[Option<usize>] {
        &self.of_sensor
    }

    /// Takes a port event; what the driver made of bytes goes to `heard`.
    pub(super) fn take(&mut self, event: &PortEvent, heard: &mut Vec<Heard>) -> Option<News> {
        let line = self.lines.get_mut(event.port)?;
        let sensors = line.sensors.join(", ");
        match &event.kind {
            PortEventKind::Bytes(bytes) => {
                line.bytes += bytes.len() as u64;
                line.driver.feed(bytes, event.at, heard);
                None
            }
            PortEventKind::Sent(_) => None,
            PortEventKind::Opened { path } => {
                let again = line.openings > 0;
                line.openings += 1;
                line.state = LineState::Open;
                line.driver.reopened(event.at);
                again.then(|| News {
                    gone: false,
                    grade: Grade::Notice,
                    text: format!("{sensors}: back, on {}", path.display()),
                })
            }
            PortEventKind::Gone { why } => {
                line.state = LineState::Gone(why.to_string());
                Some(News {
                    gone: true,
                    grade: Grade::Warning,
                    text: format!("{sensors}: {why}. Plug it in again; the others go on"),
                })
            }
            PortEventKind::Refused { error } => {
                line.state = LineState::Refused(error.to_string());
                Some(News {
                    gone: true,
                    grade: Grade::Error,
                    text: format!("{sensors}: {error} [{}]. {}", error.code(), error.help()),
                })
            }
        }
    }

    /// Bytes that a line's driver wants to send now.
    pub(super) fn poll(
        &mut self,
        line: usize,
        now: Moment,
        heard: &mut Vec<Heard>,
    ) -> Option<Vec<u8>> {
        let line = self.lines.get_mut(line)?;
        if line.state == LineState::Open {
            line.driver.poll(now, heard)
        } else {
            None
        }
    }

    /// The sensor that a source on a line belongs to.
    pub(super) fn sensor(&self, line: usize, source: &Source) -> Option<usize> {
        let candidates = self.by_source.get(source)?;
        candidates
            .iter()
            .copied()
            .find(|&i| self.of_sensor[i] == Some(line))
            .or_else(|| {
                candidates
                    .iter()
                    .copied()
                    .find(|&i| self.of_sensor[i].is_none())
            })
    }

    pub(super) fn count_sample(&mut self, sensor: usize) {
        self.samples[sensor] += 1;
    }

    /// Works out samples a second of each sensor since it was asked last.
    pub(super) fn rates(&mut self, now: Moment) {
        if let Some((from, before)) = &self.rates_from {
            let s = now.since(*from).s();
            if s > 0.0 {
                for (i, rate) in self.rates.iter_mut().enumerate() {
                    *rate = Some((self.samples[i] - before[i]) as f64 / s);
                }
            }
        }
        self.rates_from = Some((now, self.samples.clone()));
    }

    /// Samples a second of a sensor.
    pub(super) fn rate(&self, sensor: usize) -> Option<f64> {
        self.rates[sensor]
    }

    /// State and rejected messages of a sensor's line.
    pub(super) fn health(&self, sensor: usize) -> Option<(&LineState, u64)> {
        let line = self.lines.get(self.of_sensor[sensor]?)?;
        Some((&line.state, line.driver.counts().rejected_total()))
    }

    /// Lines that are refused, where every one is: nothing can be read at all.
    pub(super) fn all_refused(&self) -> bool {
        !self.lines.is_empty()
            && self
                .lines
                .iter()
                .all(|l| matches!(l.state, LineState::Refused(_)))
    }

    /// Counters of every line.
    pub(super) fn summaries(&self) -> Vec<SensorLine> {
        self.lines
            .iter()
            .map(|l| SensorLine {
                sensors: l.sensors.clone(),
                bytes: l.bytes,
                openings: l.openings,
                counts: l.driver.counts().clone(),
            })
            .collect()
    }
}

/// The first line's refusal as a failure, where nothing can be read.
pub(super) fn first_refusal(events: &[PortEvent]) -> Option<&PortError> {
    events.iter().find_map(|e| match &e.kind {
        PortEventKind::Refused { error } => Some(error),
        _ => None,
    })
}
