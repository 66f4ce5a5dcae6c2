//! `record` and the playing of what was recorded.
//!
//! In: ports, or a capture. Out: a capture with every byte and its time of
//! arrival; from a capture, its events again in steps of one length, so that
//! the same capture gives the same result to the last digit at any speed.
//! Refused: a file that is there already; a capture that cannot be read.

use crate::drivers::{Driver, Heard, Why, Wire};
use crate::ports::{
    CaptureError, CaptureHeader, CaptureWriter, CapturedLine, LineSettings, PortEvent,
    PortEventKind, Replay, list,
};
use crate::quantity::{Moment, Span};
use crate::readings::neighbour::OLD_ZERO;
use crate::run::arguments::RecordArguments;
use crate::run::failure::file;
use crate::run::sensors::ear::{Ear, address_words};
use crate::run::sensors::fitted::Fitted;
use crate::run::sensors::trial::{Listening, listen};
use crate::run::sitting::lines::Lines;
use crate::run::{Failure, sheets};
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

/// Recording at work.
struct Recorder {
    writer: CaptureWriter<BufWriter<File>>,
    asking: Asking,
    bytes: usize,
    arrivals: u64,
}

/// What ports need while they are recorded: a device of ours must be asked who
/// it is, else nobody can read the capture, and what only answers must be asked.
enum Asking {
    /// What the sheet says.
    Sheet(Lines),
    /// A device that speaks our frames, on each port.
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
    let (asking, settings) = if let Some(sheet) = &arguments.sheet {
        let lines = lines_of(sheet, ports)?;
        let settings = lines.settings();
        (Asking::Sheet(lines), settings)
    } else {
        let settings = settings_of(ports, arguments.baud)?;
        let alone = settings.iter().map(|_| Wire::new()).collect();
        (Asking::Alone(alone), settings)
    };
    let mut ear = Ear::new()?;
    let not_said = || "not said".to_owned();
    let header = CaptureHeader {
        device: not_said(),
        firmware: not_said(),
        situation: arguments.situation.clone().unwrap_or_else(not_said),
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
    let mut recorder = Recorder {
        writer: CaptureWriter::new(BufWriter::new(made), &header)?,
        asking,
        bytes: 0,
        arrivals: 0,
    };
    for line in settings {
        sheets::print(&format!(
            "recording {} at {} baud; Ctrl-C ends it\n",
            address_words(&line),
            line.baud
        ))?;
        ear.open(line);
    }
    let began = Instant::now();
    recorder.record(&mut ear, |now| {
        arguments
            .length
            .is_some_and(|s| now.duration_since(began).as_secs_f64() >= s)
    })?;
    ear.shut();
    sheets::print(&format!(
        "{} bytes in {} arrivals over {:.1} s in {}\n",
        recorder.bytes,
        recorder.arrivals,
        began.elapsed().as_secs_f64(),
        target.display()
    ))?;
    Ok(ExitCode::SUCCESS)
}

impl Recorder {
    /// Records until somebody asks to stop or the time is over.
    fn record(&mut self, ear: &mut Ear, over: impl Fn(Instant) -> bool) -> Result<(), Failure> {
        let mut flushed = Instant::now();
        let mut heard = Vec::new();
        while !ear.is_stopped() && !over(Instant::now()) {
            heard.clear();
            if let Some(event) = ear.next(Instant::now() + Duration::from_millis(50)) {
                self.writer.write(&event)?;
                self.take(&event, &mut heard);
            }
            self.ask(ear, &mut heard);
            if flushed.elapsed() > FLUSH {
                self.writer.flush()?;
                flushed = Instant::now();
            }
        }
        Ok(self.writer.flush()?)
    }

    fn take(&mut self, event: &PortEvent, heard: &mut Vec<Heard>) {
        match &event.kind {
            PortEventKind::Bytes(more) => {
                self.bytes += more.len();
                self.arrivals += 1;
            }
            PortEventKind::Refused { error } => {
                let (code, help) = (error.code(), error.help());
                eprintln!("stillheight: {error} [{code}]\n  {help}");
            }
            PortEventKind::Gone { why } => eprintln!("stillheight: {why}; waiting for it"),
            PortEventKind::Opened { .. } | PortEventKind::Sent(_) => {}
        }
        match (&mut self.asking, &event.kind) {
            (Asking::Sheet(lines), _) => drop(lines.take(event, heard)),
            (Asking::Alone(all), PortEventKind::Bytes(more)) => {
                all[event.port].feed(more, event.at, heard);
            }
            (Asking::Alone(all), PortEventKind::Opened { .. }) => {
                all[event.port].reopened(event.at);
            }
            _ => {}
        }
    }

    fn ask(&mut self, ear: &Ear, heard: &mut Vec<Heard>) {
        let now = ear.now();
        match &mut self.asking {
            Asking::Sheet(lines) => {
                for line in 0..lines.count() {
                    if let Some(ask) = lines.poll(line, now, heard) {
                        ear.write(line, ask);
                    }
                }
            }
            Asking::Alone(all) => {
                for (line, driver) in all.iter_mut().enumerate() {
                    // Only a device that speaks our frames is spoken to.
                    if driver.counts().rejected(Why::NoIdentity) > 0
                        && let Some(ask) = driver.poll(now, heard)
                    {
                        ear.write(line, ask);
                    }
                }
            }
        }
    }
}

/// The lines of a sheet, and these ports beside.
fn lines_of(path: &Path, ports: &[PathBuf]) -> Result<Lines, Failure> {
    let mut sheet = sheets::read(path)?;
    let found = list();
    let (now, old) = (Moment::default(), OLD_ZERO);
    let fitted = Fitted::read(path, &mut sheet, &found, now, old)?;
    let mut candidates = fitted.ports;
    candidates.extend(ports.iter().cloned());
    candidates.extend(found.into_iter().map(|f| f.path));
    Ok(Lines::new(&sheet, &fitted.usb, &candidates)?)
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
