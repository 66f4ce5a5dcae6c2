//! The lines of a sheet: which sensors share a port, each port's driver, its
//! state and its counters.
//!
//! In: port events. Out: what the drivers heard, and news worth telling.

use crate::drivers::{Counts, Driver, DriverError, Heard, Source, driver_for, source_of};
use crate::ports::{Address, LineSettings, PortError, PortEvent, PortEventKind, UsbIdentity};
use crate::quantity::Moment;
use crate::run::sitting::Grade;
use crate::sheet::{BuildSheet, Protocol};
use std::collections::HashMap;
use std::path::PathBuf;

/// Every line with its sensors.
#[derive(Debug)]
pub(in crate::run) struct Lines {
    all: Vec<Line>,
    of_sensor: Vec<Option<usize>>,
    /// Sensors that are found by their id on whichever port.
    homeless: Vec<usize>,
    /// The line on which each sensor was heard last.
    heard_on: Vec<Option<usize>>,
    by_source: HashMap<Source, Vec<usize>>,
    samples: Vec<u64>,
    rates: Vec<Option<f64>>,
    rates_from: Option<(Moment, Vec<u64>)>,
}

#[derive(Debug)]
struct Line {
    address: Address,
    baud: u32,
    /// Whoever is found on it: no sensor is missed where it does not open.
    roaming: bool,
    /// Where it is open now.
    open_at: Option<PathBuf>,
    sensors: Vec<String>,
    driver: Box<dyn Driver>,
    state: LineState,
    bytes: u64,
    openings: u64,
}

/// How a line is.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::run) enum LineState {
    Opening,
    Open,
    Gone(String),
    Refused(String),
}

/// Something worth telling.
#[derive(Debug)]
pub(in crate::run) struct News {
    pub(in crate::run) gone: bool,
    pub(in crate::run) grade: Grade,
    pub(in crate::run) text: String,
}

/// Counters of one line, for summaries.
#[derive(Debug, Clone)]
pub(in crate::run) struct SensorLine {
    pub(in crate::run) sensors: Vec<String>,
    pub(in crate::run) bytes: u64,
    pub(in crate::run) openings: u64,
    pub(in crate::run) counts: Counts,
}

impl Lines {
    /// Groups the sensors of a sheet by port, or by the adapter (`usb`, one
    /// entry a sensor) that carries them. A sensor that gives only its device id
    /// may be on any of the `candidates` as well.
    pub(in crate::run) fn new(
        sheet: &BuildSheet,
        usb: &[Option<UsbIdentity>],
        candidates: &[PathBuf],
    ) -> Result<Self, DriverError> {
        let mut groups: Vec<(Address, Vec<usize>)> = Vec::new();
        let count = sheet.sensors.len();
        let mut of_sensor = vec![None; count];
        let mut homeless = Vec::new();
        for (i, sensor) in sheet.sensors.iter().enumerate() {
            let usb = usb.get(i).cloned().flatten().map(Address::Usb);
            let path = sensor
                .connection
                .port
                .as_ref()
                .map(|p| Address::Path(p.into()));
            let Some(address) = usb.or(path) else {
                homeless.push(i);
                continue;
            };
            let line = groups
                .iter()
                .position(|g| g.0 == address)
                .unwrap_or_else(|| {
                    groups.push((address, Vec::new()));
                    groups.len() - 1
                });
            groups[line].1.push(i);
            of_sensor[i] = Some(line);
        }
        let mut by_source: HashMap<Source, Vec<usize>> = HashMap::new();
        for (i, sensor) in sheet.sensors.iter().enumerate() {
            by_source
                .entry(source_of(&sensor.connection.protocol))
                .or_default()
                .push(i);
        }
        let mut lines = Self {
            all: Vec::new(),
            of_sensor,
            homeless,
            heard_on: vec![None; count],
            by_source,
            samples: vec![0; count],
            rates: vec![None; count],
            rates_from: None,
        };
        for (address, sensors) in groups {
            lines.add(sheet, address, &sensors, false)?;
        }
        lines.add_candidates(sheet, candidates)?;
        Ok(lines)
    }

    fn add(
        &mut self,
        sheet: &BuildSheet,
        address: Address,
        sensors: &[usize],
        roaming: bool,
    ) -> Result<(), DriverError> {
        let protocols: Vec<&Protocol> = sensors
            .iter()
            .map(|&i| &sheet.sensors[i].connection.protocol)
            .collect();
        self.all.push(Line {
            address,
            baud: sensors
                .first()
                .map_or(115_200, |&i| sheet.sensors[i].connection.baud),
            roaming,
            open_at: None,
            driver: driver_for(&protocols)?,
            sensors: sensors
                .iter()
                .map(|&i| sheet.sensors[i].name.clone())
                .collect(),
            state: LineState::Opening,
            bytes: 0,
            openings: 0,
        });
        Ok(())
    }

    /// More ports on which sensors may be that are known by their id alone;
    /// gives the numbers of the lines that are new. A port that is in use
    /// already is passed over.
    pub(in crate::run) fn add_candidates(
        &mut self,
        sheet: &BuildSheet,
        candidates: &[PathBuf],
    ) -> Result<std::ops::Range<usize>, DriverError> {
        let before = self.all.len();
        let homeless = self.homeless.clone();
        if !homeless.is_empty() {
            for path in candidates {
                let known = self.all.iter().any(|l| {
                    l.address == Address::Path(path.clone()) || l.open_at.as_ref() == Some(path)
                });
                if !known {
                    self.add(sheet, Address::Path(path.clone()), &homeless, true)?;
                }
            }
        }
        Ok(before..self.all.len())
    }

    /// Whether a sensor that is known by its id alone has not been heard on a
    /// port that is open now.
    pub(in crate::run) fn misses_somebody(&self) -> bool {
        self.homeless.iter().any(|&i| {
            self.heard_on[i]
                .and_then(|line| self.all.get(line))
                .is_none_or(|line| line.state != LineState::Open)
        })
    }

    pub(in crate::run) fn count(&self) -> usize {
        self.all.len()
    }

    /// How each line is opened.
    pub(in crate::run) fn settings(&self) -> Vec<LineSettings> {
        self.all.iter().map(Line::settings).collect()
    }

    /// The number of the line at a path.
    pub(in crate::run) fn at(&self, path: &std::path::Path) -> Option<usize> {
        self.all
            .iter()
            .position(|l| l.address == Address::Path(path.to_owned()))
    }

    /// The line of each sensor, where the sheet names its port.
    pub(in crate::run) fn of_sensors(&self) -> &[Option<usize>] {
        &self.of_sensor
    }

    /// Takes a port event; what the driver made of bytes goes to `heard`.
    pub(in crate::run) fn take(
        &mut self,
        event: &PortEvent,
        heard: &mut Vec<Heard>,
    ) -> Option<News> {
        let line = self.all.get_mut(event.port)?;
        if let PortEventKind::Bytes(bytes) = &event.kind {
            line.bytes += bytes.len() as u64;
            let before = line.driver.counts().rejected_total();
            line.driver.feed(bytes, event.at, heard);
            let refused = line.driver.counts().rejected_total() - before;
            if refused > 0 {
                tracing::debug!(port = event.port, refused, "frames refused");
            }
            return None;
        }
        let names = self.names_on(event.port);
        let line = self.all.get_mut(event.port)?;
        let sensors = names.join(", ");
        match &event.kind {
            PortEventKind::Bytes(_) | PortEventKind::Sent(_) => None,
            PortEventKind::Opened { path } => {
                line.open_at = Some(path.clone());
                let again = line.openings > 0 && !names.is_empty();
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
                line.open_at = None;
                (!names.is_empty()).then(|| News {
                    gone: true,
                    grade: Grade::Warning,
                    text: format!("{sensors}: {why}. Plug it in again; the others go on"),
                })
            }
            PortEventKind::Refused { error } => {
                line.state = LineState::Refused(error.to_string());
                // A port that is only tried is nobody's trouble.
                (!line.roaming || !names.is_empty()).then(|| News {
                    gone: true,
                    grade: Grade::Error,
                    text: format!("{sensors}: {error} [{}]. {}", error.code(), error.help()),
                })
            }
        }
    }

    /// The sensors of a line: those of the sheet, or those that were heard on it.
    fn names_on(&self, line: usize) -> Vec<String> {
        let Some(named) = self.all.get(line) else {
            return Vec::new();
        };
        if !named.roaming {
            return named.sensors.clone();
        }
        let homeless = self.homeless.iter().zip(&named.sensors);
        homeless
            .filter(|(i, _)| self.heard_on[**i] == Some(line))
            .map(|(_, name)| name.clone())
            .collect()
    }

    /// Bytes that a line's driver wants to send now.
    pub(in crate::run) fn poll(
        &mut self,
        line: usize,
        now: Moment,
        heard: &mut Vec<Heard>,
    ) -> Option<Vec<u8>> {
        let line = self.all.get_mut(line)?;
        let due = line.driver.due().is_none_or(|at| at <= now);
        if due && line.state == LineState::Open {
            line.driver.poll(now, heard)
        } else {
            None
        }
    }

    /// In a capture bytes were sent: the driver asks again what it asked then,
    /// so that it knows the answer for one.
    pub(in crate::run) fn was_sent(&mut self, line: usize, at: Moment, heard: &mut Vec<Heard>) {
        if let Some(line) = self.all.get_mut(line) {
            // What it does about an answer that never came may take a call or two.
            for _ in 0..4 {
                if line.driver.poll(at, heard).is_some() {
                    return;
                }
            }
        }
    }

    /// The sensor that a source on a line belongs to.
    pub(in crate::run) fn sensor(&self, line: usize, source: &Source) -> Option<usize> {
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

    pub(in crate::run) fn count_sample(&mut self, sensor: usize, line: usize) {
        self.samples[sensor] += 1;
        self.heard_on[sensor] = Some(line);
    }

    /// Works out samples a second of each sensor since it was asked last.
    pub(in crate::run) fn rates(&mut self, now: Moment) {
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
    pub(in crate::run) fn rate(&self, sensor: usize) -> Option<f64> {
        self.rates[sensor]
    }

    /// State and rejected messages of a sensor's line.
    pub(in crate::run) fn health(&self, sensor: usize) -> Option<(&LineState, u64)> {
        let line = self
            .all
            .get(self.of_sensor[sensor].or(self.heard_on[sensor])?)?;
        Some((&line.state, line.driver.counts().rejected_total()))
    }

    /// Lines that are refused, where every one is: nothing can be read at all.
    pub(in crate::run) fn all_refused(&self) -> bool {
        !self.all.is_empty()
            && self
                .all
                .iter()
                .all(|l| matches!(l.state, LineState::Refused(_)))
    }

    /// Writes into the program's log how each line was heard.
    pub(in crate::run) fn log_counts(&self) {
        for (port, line) in self.all.iter().enumerate() {
            let counts = line.driver.counts();
            let reasons: Vec<String> = counts
                .by_reason()
                .map(|(why, n)| format!("{}: {n}", why.name()))
                .collect();
            tracing::info!(
                port,
                bytes = line.bytes,
                good = counts.good,
                refused = counts.rejected_total(),
                why = reasons.join(", "),
                openings = line.openings,
                "line at the end"
            );
        }
    }

    /// Counters of every line.
    pub(in crate::run) fn summaries(&self) -> Vec<SensorLine> {
        self.all
            .iter()
            .enumerate()
            .map(|(i, l)| SensorLine {
                sensors: self.names_on(i),
                bytes: l.bytes,
                openings: l.openings,
                counts: l.driver.counts().clone(),
            })
            .collect()
    }
}

impl Line {
    fn settings(&self) -> LineSettings {
        LineSettings {
            address: self.address.clone(),
            ..LineSettings::new("", self.baud)
        }
    }
}

/// The first line's refusal as a failure, where nothing can be read.
pub(in crate::run) fn first_refusal(events: &[PortEvent]) -> Option<&PortError> {
    events.iter().find_map(|e| match &e.kind {
        PortEventKind::Refused { error } => Some(error),
        _ => None,
    })
}
