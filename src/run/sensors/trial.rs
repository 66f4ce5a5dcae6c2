//! Listening to ports to tell what speaks on each, at which speed, how well.
//!
//! In: ports, speeds, a time. Out: a [`PortReport`] for each. Refused: to call
//! something a protocol on the strength of one good message: several are
//! needed, and more good ones than bad ones.
//!
//! # Method
//!
//! Every port is listened to at one speed after the other, in the order in
//! which the protocols are likely to have them, with a driver of every protocol
//! that can be told by listening. Nothing is sent until a device of our own
//! protocol has been heard that has not said who it is, or half of the time has
//! passed in silence.

use crate::drivers::{
    Counts, DeviceIdentity, Driver, DriverError, Heard, SampleKind, Source, TABLE, Why, Wire, Xdr,
    driver_for,
};
use crate::ports::{FoundPort, LineSettings, PortError, PortEvent, PortEventKind, list};
use crate::quantity::Moment;
use crate::run::Failure;
use crate::run::sensors::ear::Ear;
use crate::run::sensors::guess::described_lines;
use crate::sheet::{BuildSheet, Protocol};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// So many good messages must have come.
const GOOD_ENOUGH: u64 = 3;
/// How much of the newest is kept to show somebody what it looks like.
const SHOWN_BYTES: usize = 64;
/// How much of the newest is kept to guess from.
const GUESS_BYTES: usize = 400;

/// How to listen.
#[derive(Debug, Clone, Default)]
pub(in crate::run) struct Listening {
    /// At this speed only.
    pub(in crate::run) baud: Option<u32>,
    /// For so long at each speed; two seconds where nothing is said.
    pub(in crate::run) seconds: Option<f64>,
    /// Ports of which a sheet says what speaks there.
    pub(in crate::run) known: Vec<Known>,
}

/// A port of which a sheet says what speaks there.
#[derive(Debug, Clone)]
pub(in crate::run) struct Known {
    pub(in crate::run) path: PathBuf,
    pub(in crate::run) baud: u32,
    pub(in crate::run) protocols: Vec<Protocol>,
}

impl Known {
    /// The ports of a sheet with protocols that cannot be told by listening.
    pub(in crate::run) fn of(sheet: &BuildSheet) -> Vec<Self> {
        let mut all: Vec<Self> = Vec::new();
        for sensor in &sheet.sensors {
            let connection = &sensor.connection;
            let told = matches!(
                connection.protocol,
                Protocol::Wire { .. } | Protocol::Xdr { .. }
            );
            let Some(path) = connection.port.as_ref().filter(|_| !told) else {
                continue;
            };
            let path = PathBuf::from(path);
            let index = all.iter().position(|k| k.path == path).unwrap_or_else(|| {
                all.push(Self {
                    path,
                    baud: connection.baud,
                    protocols: Vec::new(),
                });
                all.len() - 1
            });
            all[index].protocols.push(connection.protocol.clone());
        }
        all
    }
}

/// What was found on a port.
#[derive(Debug, Clone)]
pub(in crate::run) struct PortReport {
    pub(in crate::run) path: PathBuf,
    pub(in crate::run) found: Option<FoundPort>,
    pub(in crate::run) state: PortState,
}

/// How a port is.
#[derive(Debug, Clone)]
pub(in crate::run) enum PortState {
    /// It cannot be opened.
    Refused(PortError),
    /// Nothing came at any speed.
    Silent { tried: Vec<u32> },
    /// Something came that is no protocol known here.
    Unknown {
        tried: Vec<u32>,
        bytes: u64,
        /// What it looks like at the speed at which most of it is text.
        looks: String,
        /// Lines for a sheet to begin with, where it looks like text lines with
        /// a number.
        guess: Option<String>,
    },
    /// A protocol.
    Speaks(Speaks),
}

/// What speaks.
#[derive(Debug, Clone)]
pub(in crate::run) struct Speaks {
    pub(in crate::run) protocol: &'static str,
    pub(in crate::run) words: &'static str,
    pub(in crate::run) baud: u32,
    pub(in crate::run) counts: Counts,
    pub(in crate::run) devices: Vec<DeviceReport>,
}

/// One device and channel.
#[derive(Debug, Clone)]
pub(in crate::run) struct DeviceReport {
    pub(in crate::run) source: Source,
    pub(in crate::run) kind: SampleKind,
    pub(in crate::run) identity: Option<DeviceIdentity>,
    pub(in crate::run) samples: u64,
    /// The last value, radians or metres.
    pub(in crate::run) value: f64,
    pub(in crate::run) trusted: bool,
    pub(in crate::run) temperature_c: Option<f64>,
    /// Samples a second.
    pub(in crate::run) rate_hz: Option<f64>,
    /// Standard deviation of the time between two arrivals, seconds.
    pub(in crate::run) jitter_s: Option<f64>,
    first: Moment,
    last: Moment,
    sum: f64,
    squares: f64,
}

impl PortReport {
    pub(in crate::run) fn speaks(&self) -> Option<&Speaks> {
        match &self.state {
            PortState::Speaks(speaks) => Some(speaks),
            _ => None,
        }
    }

    /// In a few words.
    pub(in crate::run) fn words(&self) -> String {
        match &self.state {
            PortState::Refused(error) => error.to_string(),
            PortState::Silent { .. } => "nothing came".to_owned(),
            PortState::Unknown { bytes, .. } => {
                format!("{bytes} bytes came, in no protocol that can be told by listening")
            }
            PortState::Speaks(s) => format!("{} at {} baud", s.words, s.baud),
        }
    }
}

impl DeviceReport {
    fn new(source: Source, kind: SampleKind, at: Moment) -> Self {
        Self {
            source,
            kind,
            identity: None,
            samples: 0,
            value: f64::NAN,
            trusted: false,
            temperature_c: None,
            rate_hz: None,
            jitter_s: None,
            first: at,
            last: at,
            sum: 0.0,
            squares: 0.0,
        }
    }

    fn count(&mut self, sample: &crate::drivers::Sample) {
        if self.samples > 0 {
            let step = sample.at.since(self.last).s();
            self.sum += step;
            self.squares += step * step;
            let n = self.samples as f64;
            self.rate_hz = Some(n / sample.at.since(self.first).s()).filter(|r| r.is_finite());
            let mean = self.sum / n;
            self.jitter_s = (self.samples > 1)
                .then(|| ((self.squares - n * mean * mean).max(0.0) / (n - 1.0)).sqrt());
        }
        self.samples += 1;
        self.value = sample.value;
        self.trusted = sample.trusted;
        self.temperature_c = sample.temperature_c.or(self.temperature_c);
        self.last = sample.at;
    }
}

/// A port under trial.
#[derive(Debug)]
pub(in crate::run) struct Trial {
    pub(in crate::run) path: PathBuf,
    found: Option<FoundPort>,
    /// Its number at the ear, at this speed.
    number: Option<usize>,
    speeds: Vec<u32>,
    /// Index of the speed at which it is listened to.
    at: usize,
    began: Instant,
    drivers: Vec<Box<dyn Driver>>,
    devices: Vec<Vec<DeviceReport>>,
    /// Index of the driver that understands it.
    winner: Option<usize>,
    over: bool,
    bytes: u64,
    newest: Vec<u8>,
    looks: Option<(f64, u64, String, Option<String>)>,
    known: Option<Known>,
    refused: Option<PortError>,
}

/// Drivers of all protocols that can be told by listening, or of the one that
/// the sheet describes.
fn drivers(known: Option<&Known>) -> Result<Vec<Box<dyn Driver>>, DriverError> {
    match known {
        Some(known) => {
            let protocols: Vec<&Protocol> = known.protocols.iter().collect();
            Ok(vec![driver_for(&protocols)?])
        }
        None => Ok(vec![Box::new(Wire::new()), Box::new(Xdr::new())]),
    }
}

/// All speeds of all protocols, the likeliest first: the first of each, then
/// the second of each, and so on.
pub(in crate::run) fn speeds() -> Vec<u32> {
    let rounds = TABLE.iter().map(|e| e.speeds.len()).max().unwrap_or(0);
    let mut all = Vec::new();
    for round in 0..rounds {
        for entry in TABLE {
            if let Some(&speed) = entry.speeds.get(round)
                && !all.contains(&speed)
            {
                all.push(speed);
            }
        }
    }
    all
}

impl Trial {
    fn new(
        path: PathBuf,
        found: Option<FoundPort>,
        speeds: Vec<u32>,
        known: Option<Known>,
    ) -> Self {
        Self {
            path,
            found,
            number: None,
            speeds: known.as_ref().map_or(speeds, |k| vec![k.baud]),
            at: 0,
            began: Instant::now(),
            drivers: Vec::new(),
            known,
            devices: Vec::new(),
            winner: None,
            over: false,
            bytes: 0,
            newest: Vec::new(),
            looks: None,
            refused: None,
        }
    }

    fn start(&mut self, ear: &mut Ear) -> Result<(), DriverError> {
        let baud = self.speeds[self.at];
        self.drivers = drivers(self.known.as_ref())?;
        self.devices = self.drivers.iter().map(|_| Vec::new()).collect();
        self.bytes = 0;
        self.newest.clear();
        self.began = Instant::now();
        self.number = Some(ear.open(LineSettings::new(&self.path, baud)));
        Ok(())
    }

    fn baud(&self) -> u32 {
        self.speeds[self.at]
    }

    /// Takes an event of its port; what the protocol says goes to `out` once it
    /// is known which it is.
    fn take(&mut self, event: &PortEvent, out: &mut Vec<Heard>) {
        match &event.kind {
            PortEventKind::Bytes(bytes) => {
                self.refused = None;
                self.bytes += bytes.len() as u64;
                self.newest.extend_from_slice(bytes);
                let over = self.newest.len().saturating_sub(GUESS_BYTES);
                self.newest.drain(..over);
                let mut heard = Vec::new();
                for (i, driver) in self.drivers.iter_mut().enumerate() {
                    heard.clear();
                    driver.feed(bytes, event.at, &mut heard);
                    for item in &heard {
                        note(&mut self.devices[i], item);
                    }
                    if self.winner == Some(i) {
                        out.append(&mut heard);
                    }
                }
                self.decide();
            }
            PortEventKind::Opened { .. } => {
                // Its time counts from now: opening may have taken some.
                self.began = Instant::now();
                self.refused = None;
                for driver in &mut self.drivers {
                    driver.reopened(event.at);
                }
            }
            PortEventKind::Refused { error } => self.refused = Some(error.clone()),
            PortEventKind::Gone { .. } | PortEventKind::Sent(_) => {}
        }
    }

    fn decide(&mut self) {
        if self.winner.is_some() {
            return;
        }
        self.winner = self
            .drivers
            .iter()
            .enumerate()
            .filter(|(i, d)| {
                let counts = d.counts();
                // Values before the device has said who it is are no mistakes of it.
                let bad = counts
                    .rejected_total()
                    .saturating_sub(counts.rejected(Why::NoIdentity));
                counts.good >= GOOD_ENOUGH && counts.good > bad && !self.devices[*i].is_empty()
            })
            .max_by_key(|(_, d)| d.counts().good)
            .map(|(i, _)| i);
    }

    /// What is to be sent now.
    fn ask(&mut self, now: Moment, seconds: f64) -> Option<Vec<u8>> {
        let half = self.began.elapsed().as_secs_f64() > seconds / 2.0;
        let mut ignored = Vec::new();
        match self.winner {
            Some(i) => self.drivers[i].poll(now, &mut ignored),
            // What the sheet describes is spoken to as it says.
            None if self.known.is_some() => self.drivers[0].poll(now, &mut ignored),
            None => self
                .drivers
                .iter_mut()
                .find(|d| d.name() == "wire")
                .filter(|d| d.counts().rejected(Why::NoIdentity) > 0 || (half && self.bytes == 0))
                .and_then(|d| d.poll(now, &mut ignored)),
        }
    }

    /// Ends this speed when its time is over.
    fn turn(&mut self, ear: &mut Ear, seconds: f64) -> Result<(), DriverError> {
        if self.over || self.began.elapsed().as_secs_f64() < seconds {
            return Ok(());
        }
        let permanent = self.refused.as_ref().is_some_and(|e| {
            // Every other speed would be refused as well.
            !matches!(e, PortError::SpeedRefused { .. })
        });
        self.over = self.winner.is_some() || permanent || self.at + 1 >= self.speeds.len();
        self.remember_looks();
        if !self.over {
            if let Some(number) = self.number.take() {
                ear.close(number);
            }
            self.at += 1;
            self.start(ear)?;
        }
        Ok(())
    }

    /// Keeps what came at the speed at which most of it is text.
    fn remember_looks(&mut self) {
        if self.bytes == 0 || self.winner.is_some() {
            return;
        }
        let text = |b: &u8| matches!(b, 0x20..=0x7E | b'\r' | b'\n' | b'\t');
        let share =
            self.newest.iter().filter(|b| text(b)).count() as f64 / self.newest.len().max(1) as f64;
        let tail = self.newest.len().saturating_sub(SHOWN_BYTES);
        let newest = &self.newest[tail..];
        let guess = (share > 0.95)
            .then(|| described_lines(&self.newest, &self.path, self.baud()))
            .flatten();
        let shown = if share > 0.95 {
            format!(
                "text at {} baud: {}",
                self.baud(),
                String::from_utf8_lossy(newest).escape_debug()
            )
        } else {
            let hex: Vec<String> = newest.iter().take(24).map(|b| format!("{b:02x}")).collect();
            format!("bytes at {} baud: {} ...", self.baud(), hex.join(" "))
        };
        if self.looks.as_ref().is_none_or(|looks| share > looks.0) {
            self.looks = Some((share, self.bytes, shown, guess));
        }
    }

    fn report(&self) -> PortReport {
        let tried = self.speeds[..=self.at].to_vec();
        let state = if let Some(i) = self.winner {
            let name = self.drivers[i].name();
            PortState::Speaks(Speaks {
                protocol: name,
                words: TABLE
                    .iter()
                    .find(|e| e.name == name)
                    .map_or(name, |e| e.words),
                baud: self.baud(),
                counts: self.drivers[i].counts().clone(),
                devices: self.devices[i].clone(),
            })
        } else if let Some(error) = &self.refused {
            PortState::Refused(error.clone())
        } else if let Some((_, bytes, looks, guess)) = &self.looks {
            PortState::Unknown {
                tried,
                bytes: *bytes,
                looks: looks.clone(),
                guess: guess.clone(),
            }
        } else {
            PortState::Silent { tried }
        };
        PortReport {
            path: self.path.clone(),
            found: self.found.clone(),
            state,
        }
    }
}

fn note(devices: &mut Vec<DeviceReport>, heard: &Heard) {
    let (source, kind, at) = match heard {
        Heard::Sample(s) => (&s.source, s.kind, s.at),
        Heard::Identity(said) => match said.kind {
            Some(kind) => (&said.source, kind, said.at),
            None => return,
        },
        _ => return,
    };
    let index = devices
        .iter()
        .position(|d| d.source == *source)
        .unwrap_or_else(|| {
            devices.push(DeviceReport::new(source.clone(), kind, at));
            devices.len() - 1
        });
    match heard {
        Heard::Sample(sample) => devices[index].count(sample),
        Heard::Identity(identity) => devices[index].identity = Some((**identity).clone()),
        _ => {}
    }
}

/// Ports that are listened to until each is told, and on.
#[derive(Debug)]
pub(in crate::run) struct Trials {
    ports: Vec<Trial>,
    of_number: BTreeMap<usize, usize>,
    seconds: f64,
}

impl Trials {
    /// Begins to listen to every port.
    pub(in crate::run) fn begin(
        ear: &mut Ear,
        ports: &[PathBuf],
        how: &Listening,
        found: &[FoundPort],
    ) -> Result<Self, Failure> {
        let speeds = how.baud.map_or_else(speeds, |b| vec![b]);
        let mut trials: Vec<Trial> = ports
            .iter()
            .map(|path| {
                let node = std::fs::canonicalize(path).unwrap_or_else(|_| path.clone());
                let found = found
                    .iter()
                    .find(|f| f.path == *path || f.path == node)
                    .cloned();
                let known = how.known.iter().find(|k| k.path == *path).cloned();
                Trial::new(path.clone(), found, speeds.clone(), known)
            })
            .collect();
        for trial in &mut trials {
            trial.start(ear)?;
        }
        let mut begun = Self {
            ports: trials,
            of_number: BTreeMap::new(),
            seconds: how.seconds.unwrap_or(2.0),
        };
        begun.renumber();
        Ok(begun)
    }

    fn renumber(&mut self) {
        self.of_number = self
            .ports
            .iter()
            .enumerate()
            .filter_map(|(i, t)| Some((t.number?, i)))
            .collect();
    }

    /// Whether every port has had its time.
    pub(in crate::run) fn all_over(&self) -> bool {
        self.ports.iter().all(|t| t.over)
    }

    /// Listens for a little; what a told protocol says comes with the index of
    /// its port.
    pub(in crate::run) fn hear(
        &mut self,
        ear: &mut Ear,
        for_so_long: Duration,
    ) -> Result<Vec<(usize, Heard)>, Failure> {
        let mut all = Vec::new();
        let until = Instant::now() + for_so_long;
        while let Some(event) = ear.next(until) {
            if let Some(&index) = self.of_number.get(&event.port) {
                let mut out = Vec::new();
                self.ports[index].take(&event, &mut out);
                all.extend(out.into_iter().map(|heard| (index, heard)));
            }
            if Instant::now() >= until {
                break;
            }
        }
        let now = ear.now();
        for trial in &mut self.ports {
            if let (Some(bytes), Some(number)) = (trial.ask(now, self.seconds), trial.number) {
                ear.write(number, bytes);
            }
            trial.turn(ear, self.seconds)?;
        }
        self.renumber();
        Ok(all)
    }

    /// What is known of every port.
    pub(in crate::run) fn reports(&self) -> Vec<PortReport> {
        self.ports.iter().map(Trial::report).collect()
    }

    /// Asks the device on a port to show itself; false where it cannot.
    pub(in crate::run) fn blink(&mut self, ear: &Ear, index: usize, channel: Option<u8>) -> bool {
        let now = ear.now();
        let Some(trial) = self.ports.get_mut(index) else {
            return false;
        };
        let request = crate::drivers::Request::Blink {
            channel,
            seconds: 5.0,
        };
        let bytes = trial
            .winner
            .and_then(|i| trial.drivers[i].request(request, now));
        match (bytes, trial.number) {
            (Some(bytes), Some(number)) => {
                ear.write(number, bytes);
                true
            }
            _ => false,
        }
    }
}

/// Listens to every port until each is told or every speed was tried.
pub(in crate::run) fn listen(
    ear: &mut Ear,
    ports: &[PathBuf],
    how: &Listening,
    found: &[FoundPort],
) -> Result<Vec<PortReport>, Failure> {
    let mut trials = Trials::begin(ear, ports, how, found)?;
    while !trials.all_over() && !ear.is_stopped() {
        trials.hear(ear, Duration::from_millis(50))?;
    }
    Ok(trials.reports())
}

/// The ports that the system lists and those given beside, each once.
pub(in crate::run) fn all_ports(given: &[PathBuf]) -> (Vec<PathBuf>, Vec<FoundPort>) {
    let found = list();
    let mut ports: Vec<PathBuf> = found.iter().map(|f| f.path.clone()).collect();
    for path in given {
        if !ports.contains(path) {
            ports.push(path.clone());
        }
    }
    (ports, found)
}
