//! One still reading: open the sensors, wait until all is still, keep, close.
//!
//! In: the sheet, the loads that are on, a clock. Out: the kept reading, or why there is none.
//! Nothing stays open in between, so that days of watching cost little and sleep, replug and
//! other programs do no harm.

use crate::logbook::LogbookWriter;
use crate::ports::{Clock, Port, PortEvent, attach, list};
use crate::quantity::{Moment, Span};
use crate::readings::Quality;
use crate::run::sensors::fitted::Fitted;
use crate::run::sitting::Sitting;
use crate::run::sitting::lines::Lines;
use crate::run::sitting::tell::{KeptTold, Told};
use crate::run::{Failure, watch};
use crate::screen::Signals;
use crate::sheet::BuildSheet;
use std::path::Path;
use std::time::Duration;
use tokio::sync::mpsc;

/// Time of the clock between two looks. Slower than on a screen: nobody is looking.
const LOOK: Span = Span::from_us(250_000);
/// The vehicle must have been still for so long: the readings are averages over ten seconds.
const STILL_S: f64 = 8.0;
/// A sensor that has not been heard for so long after the others are still is not waited for.
const LATE_S: f64 = 12.0;

/// A zero older than this is said to be old: 30 days.
const OLD_ZERO: Span = Span::from_us(30 * 86_400 * 1_000_000);

/// What a reading is taken with.
pub(in crate::run) struct Session<'a> {
    /// Where the sheet is: its neighbour file has bindings and zeros.
    pub(in crate::run) path: &'a Path,
    pub(in crate::run) sheet: &'a BuildSheet,
    pub(in crate::run) loads: &'a [usize],
    pub(in crate::run) clock: Clock,
    /// Gives up after so long.
    pub(in crate::run) within: Span,
    /// Where it is kept; nowhere without.
    pub(in crate::run) log: Option<LogbookWriter>,
}

/// How a session ended.
#[derive(Debug)]
pub(in crate::run) enum Ended {
    /// With a reading, and what else was to be told.
    Kept(Box<KeptTold>, Vec<Told>),
    /// Not still in time, or nothing heard: why, in words.
    NotStill(String, Vec<Told>),
    /// A signal came.
    Stopped,
}

impl Session<'_> {
    /// Takes the reading.
    pub(in crate::run) async fn take(self, signals: &mut Signals) -> Result<Ended, Failure> {
        let found = list();
        let mut sheet = self.sheet.clone();
        let now = self.clock.now();
        let fitted = Fitted::read(self.path, &mut sheet, &found, now, OLD_ZERO)?;
        let mut candidates = fitted.ports.clone();
        candidates.extend(found.into_iter().map(|f| f.path));
        let lines = Lines::new(&sheet, &fitted.usb, &candidates)?;
        if lines.count() == 0 {
            return Ok(Ended::NotStill(
                "no sensor has a port, and no serial port is plugged in".to_owned(),
                Vec::new(),
            ));
        }
        let (events_in, mut events) = mpsc::channel::<PortEvent>(1024);
        let ports: Vec<Port> = lines
            .settings()
            .into_iter()
            .enumerate()
            .map(|(i, s)| attach(i, s, self.clock, events_in.clone()))
            .collect();
        drop(events_in);
        let mut sitting = Sitting::new(sheet, lines, self.loads, self.log, Span::ZERO)?;
        sitting.use_fitted(fitted, now);
        // Kept once, when it is good enough, and without the samples between.
        sitting.keep_by_itself = false;
        sitting.keep_raw = false;
        let real = self.clock.real_duration(LOOK).max(Duration::from_millis(2));
        let mut tick = tokio::time::interval(real);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        let start = self.clock.now();
        let mut told = Vec::new();
        let mut asked = false;
        let ended = loop {
            tokio::select! {
                biased;
                _ = signals.next() => break Ended::Stopped,
                Some(event) = events.recv() => sitting.hear(&event),
                _ = tick.tick() => {
                    let now = self.clock.now();
                    for (line, bytes) in sitting.requests(now) {
                        // A port that has just gone takes nothing; the driver asks again.
                        let _ = ports[line].write(bytes);
                    }
                    for item in sitting.tick(now) {
                        match item {
                            Told::Second(_) => {}
                            other => told.push(other),
                        }
                    }
                    if let Some(kept) = sitting.kept.pop() {
                        told.retain(|t| !matches!(t, Told::Kept(_)));
                        break Ended::Kept(Box::new(kept), std::mem::take(&mut told));
                    }
                    if !asked && ready(&sitting, start, now) {
                        sitting.ask_to_keep(now);
                        asked = true;
                    }
                    if now.since(start) >= self.within {
                        break Ended::NotStill(why(&sitting), std::mem::take(&mut told));
                    }
                }
            }
        };
        for port in ports {
            let _ = tokio::time::timeout(Duration::from_secs(1), port.stop()).await;
        }
        let now = self.clock.now();
        let finished = sitting.finish(now);
        if finished.unsaved > 0 {
            return Ok(Ended::NotStill(
                "the reading could not be written to the logbook".to_owned(),
                told,
            ));
        }
        Ok(ended)
    }
}

/// Still for long enough, and every sensor with it that still can be.
pub(in crate::run) fn ready(sitting: &Sitting, start: Moment, now: Moment) -> bool {
    let Some(since) = sitting.still_since else {
        return false;
    };
    let still_s = now.since(since).s();
    let all =
        !sitting.readings.is_empty() && sitting.readings.iter().all(|r| r.quality == Quality::Good);
    still_s >= STILL_S && (all || now.since(start).s() >= STILL_S + LATE_S)
}

/// Who is not still, in words.
pub(in crate::run) fn why(sitting: &Sitting) -> String {
    let bad: Vec<String> = sitting
        .readings
        .iter()
        .filter(|r| r.quality != Quality::Good)
        .map(|r| format!("'{}' {}", sitting.sheet.sensors[r.sensor].name, r.quality))
        .collect();
    if let Some(trouble) = &sitting.trouble {
        return trouble.clone();
    }
    if bad.is_empty() {
        "it was not still for long enough".to_owned()
    } else {
        bad.join(", ")
    }
}

/// A runtime of one thread: enough for waiting.
pub(in crate::run) fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::ours("settle.runtime", format!("cannot start: {e}"), ""))
}

/// The signals that end the program.
pub(in crate::run) fn signals() -> Result<Signals, Failure> {
    Signals::new().map_err(|e| {
        Failure::ours(
            "watch.signals",
            format!("cannot listen for signals: {e}"),
            "",
        )
    })
}

/// Refuses a sheet without sensors; the numbers of the loads.
pub(in crate::run) fn checked(
    sheet: &BuildSheet,
    path: &std::path::Path,
    loads: &[String],
) -> Result<Vec<usize>, Failure> {
    if sheet.sensors.is_empty() {
        return Err(Failure::users(
            "watch.no_sensors",
            format!("'{}' names no sensors", path.display()),
            "add [[sensor]] tables; 'stillheight sheet new FILE' shows how",
        ));
    }
    watch::loads_named(sheet, loads)
}
