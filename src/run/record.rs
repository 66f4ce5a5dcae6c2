//! `record` and the playing of what was recorded.
//!
//! In: ports, or a capture. Out: a capture with every byte and its time of
//! arrival; from a capture, its events again in steps of one length, so that
//! the same capture gives the same result to the last digit at any speed.
//! Refused: a file that is there already; a capture that cannot be read.

use super::arguments::RecordArguments;
use super::failure::file;
use super::lines::Lines;
use super::sensors_ear::{Ear, address_words};
use super::sensors_trial::{Listening, listen};
use super::{Failure, sheets};
use crate::drivers::{Driver, Heard, Why, Wire};
use crate::ports::{
    CaptureError, CaptureHeader, CaptureWriter, CapturedLine, LineSettings, PortEvent,
    PortEventKind, Replay, list,
};
use crate::quantity::{Moment, Span};
use crate::sheet::{BuildSheet, Protocol};
use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// How many steps of a capture are played at a stretch at the greatest speed.
const STRETCH: usize = 100;
/// Time is handed to the file so often.
const FLUSH: Duration = Duration::from_secs(1);

/// A capture being played.
#[derive(Debug)]
pub(super) struct Playing {
    replay: Replay<BufReader<File>>,
    held: Option<PortEvent>,
    /// The line of each port of the capture.
    lines: Vec<Option<usize>>,
    now: Moment,
    /// As fast as can be where it is infinite.
    speed: f64,
    ended: bool,
    remark: Option<String>,
}

impl Playing {
    pub(super) fn open(path: &Path, speed: f64) -> Result<Self, Failure> {
        let opened = File::open(path).map_err(|e| file("read", path, &e))?;
        let replay = Replay::new(BufReader::new(opened)).map_err(|e| named(path, e))?;
        let now = replay.header().date;
        Ok(Self {
            replay,
            held: None,
            lines: Vec::new(),
            now,
            speed,
            ended: false,
            remark: None,
        })
    }

    /// When the capture begins.
    pub(super) fn start(&self) -> Moment {
        self.replay.header().date
    }

    /// The moment up to which it has been played.
    pub(super) fn now(&self) -> Moment {
        self.now
    }

    /// What is to be said at its end.
    pub(super) fn take_remark(&mut self) -> Option<String> {
        self.remark.take()
    }

    /// The lines of a sheet on the ports of the capture: a sensor with an id of
    /// its own is found on any, another by its port's name, and where only one
    /// of each is left, those two belong together.
    pub(super) fn lines(mut self, sheet: &mut BuildSheet) -> Result<(Lines, Self), Failure> {
        let names: Vec<PathBuf> = self
            .replay
            .header()
            .serial
            .iter()
            .map(|s| PathBuf::from(&s.name))
            .collect();
        let mut missing: Vec<String> = Vec::new();
        let mut claimed: Vec<PathBuf> = Vec::new();
        for sensor in &mut sheet.sensors {
            if matches!(sensor.connection.protocol, Protocol::Wire { .. }) {
                sensor.connection.port = None;
            } else if let Some(port) = &sensor.connection.port {
                if names.iter().any(|n| n == Path::new(port)) {
                    claimed.push(port.into());
                } else if !missing.contains(port) {
                    missing.push(port.clone());
                }
            }
        }
        let free: Vec<&PathBuf> = names.iter().filter(|n| !claimed.contains(n)).collect();
        if let ([missing], [free]) = (missing.as_slice(), free.as_slice()) {
            for sensor in &mut sheet.sensors {
                if sensor.connection.port.as_ref() == Some(missing) {
                    sensor.connection.port = Some(free.to_string_lossy().into_owned());
                }
            }
        }
        let lines = Lines::new(sheet, &[], &names)?;
        self.lines = names.iter().map(|n| lines.at(n)).collect();
        Ok((lines, self))
    }

    /// Real time between two stretches.
    pub(super) fn beat(&self, step: Span, shortest: Duration) -> Duration {
        if self.speed.is_finite() {
            Duration::from_secs_f64((step.s() / self.speed).clamp(1e-3, 3600.0)).max(shortest)
        } else {
            Duration::from_micros(1)
        }
    }

    /// How many steps make a stretch.
    pub(super) fn steps(&self, step: Span, shortest: Duration) -> usize {
        if !self.speed.is_finite() {
            return STRETCH;
        }
        let steps = shortest.as_secs_f64() * self.speed / step.s();
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to a small positive number"
        )]
        let whole = steps.round().clamp(1.0, 10_000.0) as usize;
        whole
    }

    /// Everything up to the end of the next step, and that end; nothing when
    /// the capture is over.
    pub(super) fn step(&mut self, step: Span) -> Result<Option<(Moment, Vec<PortEvent>)>, Failure> {
        if self.ended && self.held.is_none() {
            return Ok(None);
        }
        let end = self.now + step;
        let mut events = Vec::new();
        loop {
            let next = match self.held.take() {
                Some(event) => event,
                None if self.ended => break,
                None => match self.replay.next() {
                    None => {
                        self.ended = true;
                        break;
                    }
                    Some(Ok(event)) => event,
                    // As when recording was killed: what came before counts.
                    Some(Err(e @ CaptureError::CutOff { .. })) => {
                        self.remark = Some(e.to_string());
                        self.ended = true;
                        break;
                    }
                    Some(Err(e)) => return Err(e.into()),
                },
            };
            if next.at > end {
                self.held = Some(next);
                break;
            }
            if let Some(line) = self.lines.get(next.port).copied().flatten() {
                events.push(PortEvent { port: line, ..next });
            }
        }
        self.now = end;
        Ok(Some((end, events)))
    }
}

fn named(path: &Path, error: CaptureError) -> Failure {
    let failure = Failure::from(error);
    Failure {
        message: format!("'{}': {}", path.display(), failure.message),
        ..failure
    }
}

impl From<CaptureError> for Failure {
    fn from(e: CaptureError) -> Self {
        Self::users(e.code(), e.to_string(), e.help())
    }
}

/// What one port needs while it is recorded: a device of ours must be asked who
/// it is, else nobody can read the capture.
enum Asking {
    Sheet,
    Alone(Vec<Wire>),
}

pub(super) fn run(arguments: &RecordArguments) -> Result<ExitCode, Failure> {
    let (ports, target) = match arguments.paths.split_last() {
        Some((target, ports)) if arguments.sheet.is_some() || !ports.is_empty() => (ports, target),
        _ => {
            return Err(Failure::users(
                "record.no_port",
                "no port to record",
                "write 'stillheight record PORT FILE', or '--sheet SHEET FILE' for all ports of a sheet",
            ));
        }
    };
    if target.exists() {
        let there = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
        return Err(file("write", target, &there));
    }
    let mut lines = None;
    let settings: Vec<LineSettings> = if let Some(path) = &arguments.sheet {
        let mut sheet = sheets::read(path)?;
        let found = list();
        let fitted = super::sensors_fitted::Fitted::read(
            path,
            &mut sheet,
            &found,
            Moment::default(),
            Span::from_s(f64::from(u32::MAX)),
        )?;
        let mut candidates = fitted.ports;
        candidates.extend(ports.iter().cloned());
        candidates.extend(found.into_iter().map(|f| f.path));
        let made = Lines::new(&sheet, &fitted.usb, &candidates)?;
        let settings = made.settings();
        lines = Some(made);
        settings
    } else {
        settings_of(ports, arguments.baud)?
    };
    let mut asking = if lines.is_some() {
        Asking::Sheet
    } else {
        Asking::Alone(settings.iter().map(|_| Wire::new()).collect())
    };
    let mut ear = Ear::new()?;
    let header = CaptureHeader {
        device: "not said".to_owned(),
        firmware: "not said".to_owned(),
        situation: arguments
            .situation
            .clone()
            .unwrap_or_else(|| "not said".to_owned()),
        date: ear.now(),
        serial: settings
            .iter()
            .map(|s| CapturedLine {
                baud: s.baud,
                name: address_words(s),
            })
            .collect(),
        notes: vec![format!("stillheight {}", env!("CARGO_PKG_VERSION"))],
    };
    let made = File::create_new(target).map_err(|e| file("write", target, &e))?;
    let mut writer = CaptureWriter::new(BufWriter::new(made), &header)?;
    for line in settings {
        sheets::print(&format!(
            "recording {} at {} baud; Ctrl-C ends it\n",
            address_words(&line),
            line.baud
        ))?;
        ear.open(line);
    }
    let began = Instant::now();
    let mut flushed = began;
    let (mut bytes, mut arrivals) = (0, 0_u64);
    let mut heard: Vec<Heard> = Vec::new();
    let over = |length: Option<f64>| length.is_some_and(|s| began.elapsed().as_secs_f64() >= s);
    while !ear.is_stopped() && !over(arguments.length) {
        let event = ear.next(Instant::now() + Duration::from_millis(50));
        heard.clear();
        if let Some(event) = &event {
            writer.write(event)?;
            match &event.kind {
                PortEventKind::Bytes(more) => {
                    bytes += more.len();
                    arrivals += 1;
                    if let Asking::Alone(drivers) = &mut asking {
                        drivers[event.port].feed(more, event.at, &mut heard);
                    }
                }
                PortEventKind::Refused { error } => {
                    eprintln!(
                        "stillheight: {error} [{}]\n  {}",
                        error.code(),
                        error.help()
                    );
                }
                PortEventKind::Sent(_) => {}
                PortEventKind::Gone { why } => eprintln!("stillheight: {why}; waiting for it"),
                PortEventKind::Opened { .. } => {
                    if let Asking::Alone(drivers) = &mut asking {
                        drivers[event.port].reopened(event.at);
                    }
                }
            }
            if let Some(lines) = &mut lines {
                let _ = lines.take(event, &mut heard);
            }
        }
        let now = ear.now();
        match &mut asking {
            Asking::Sheet => {
                for line in 0..lines.as_ref().map_or(0, Lines::count) {
                    let ask = lines.as_mut().and_then(|l| l.poll(line, now, &mut heard));
                    if let Some(ask) = ask {
                        ear.write(line, ask);
                    }
                }
            }
            Asking::Alone(drivers) => {
                for (line, driver) in drivers.iter_mut().enumerate() {
                    // Only a device that speaks our frames is spoken to.
                    if driver.counts().rejected(Why::NoIdentity) > 0
                        && let Some(ask) = driver.poll(now, &mut heard)
                    {
                        ear.write(line, ask);
                    }
                }
            }
        }
        if flushed.elapsed() > FLUSH {
            writer.flush()?;
            flushed = Instant::now();
        }
    }
    writer.flush()?;
    ear.shut();
    sheets::print(&format!(
        "{bytes} bytes in {arrivals} arrivals over {:.1} s in {}\n",
        began.elapsed().as_secs_f64(),
        target.display()
    ))?;
    Ok(ExitCode::SUCCESS)
}

/// Ports by path; their speed as given, or found out by listening.
fn settings_of(ports: &[PathBuf], baud: Option<u32>) -> Result<Vec<LineSettings>, Failure> {
    if let Some(baud) = baud {
        return Ok(ports.iter().map(|p| LineSettings::new(p, baud)).collect());
    }
    let mut ear = Ear::new()?;
    let reports = listen(&mut ear, ports, &Listening::default(), &[])?;
    ear.shut();
    reports
        .iter()
        .map(|report| match report.speaks() {
            Some(speaks) => Ok(LineSettings::new(&report.path, speaks.baud)),
            None => Err(Failure::users(
                "record.speed_unknown",
                format!(
                    "the speed of '{}' cannot be told: {}",
                    report.path.display(),
                    report.words()
                ),
                "give it: --baud 9600",
            )),
        })
        .collect()
}
