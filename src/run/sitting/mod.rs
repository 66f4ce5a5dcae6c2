//! A sitting at the vehicle: from port events and commands to what is known now.
//!
//! In: [`PortEvent`]s, [`Command`]s, ticks, each with its moment. Out: the state
//! the view is drawn from, [`Told`] for those without a screen, records for the
//! logbook. No clock and no port inside, so a replay gives the same answer.

pub(super) mod keeping;
pub(super) mod lines;
pub(super) mod publishing;
pub(super) mod sharing;
pub(super) mod tell;
pub(super) mod view;

use crate::advice::{Forecast, Setup, Suggestion, forecast, suggest};
use crate::compare::{Aim, Compared, aims, compare};
use crate::drivers::{DriverError, Heard};
use crate::logbook::{
    Answer, Change, ChangeKind, KeptBy, KeptId, Load, LogbookWriter, Mark, MarkKind, RawSample,
};
use crate::ports::{PortEvent, PortEventKind};
use crate::posture::{Estimator, Observation, Posture, Prior};
use crate::quantity::{Moment, Span};
use crate::readings::{Bench, Notice, Quality, Reading, kind_due};
use crate::run::sensors::fitted::Fitted;
use crate::run::sitting::keeping::{kept_record, unit_of};
use crate::run::sitting::lines::{Lines, SensorLine};
use crate::run::sitting::tell::{KeptTold, Told};
use crate::run::turning::Turned;
use crate::sheet::{BuildSheet, NamedLoad};
use crate::statics::{Model, Parameter, StaticsError};
use std::path::PathBuf;
use std::sync::mpsc::TryRecvError;

/// The vehicle must have been still for so long before a reading is kept by itself.
const STILL_BEFORE_KEEPING_S: f64 = 3.0;
/// Unrest shorter than this is no new stand of the vehicle.
const MOVED_S: f64 = 1.5;
/// While it stays still, another reading is kept by itself so often.
const KEEP_AGAIN_S: f64 = 60.0;
/// The forecast is made anew so often; the suggestion with every kept reading.
const ADVICE_EVERY_S: f64 = 1.0;
/// How a collar stands is told no more often than this, unless the word changes.
const TURN_TOLD_EVERY_S: f64 = 2.0;
/// A message stays for so long.
const MESSAGE_S: f64 = 8.0;
/// So many different things are remembered as said. Chosen: more than a sheet's sensors
/// can give reason for.
const MOST_SAID: usize = 200;
/// So many kept readings are remembered beside the logbook; the newest. Chosen: more
/// than a rehearsal keeps, a day of `watch`.
const MOST_KEPT: usize = 1_500;

/// What is known while somebody sits at the vehicle.
#[derive(Debug)]
pub(super) struct Sitting {
    pub(super) sheet: BuildSheet,
    pub(super) lines: Lines,
    pub(super) bench: Bench,
    pub(super) loads_on: Vec<bool>,
    pub(super) model: Model,
    pub(super) readings: Vec<Reading>,
    pub(super) posture: Option<Posture>,
    pub(super) forecast: Option<Forecast>,
    pub(super) suggestion: Option<Suggestion>,
    /// The collar that is being turned.
    pub(super) turning: Option<Turned>,
    pub(super) aims: Vec<Aim>,
    pub(super) kept: Vec<KeptTold>,
    pub(super) message: Option<(Moment, Grade, String)>,
    pub(super) still_since: Option<Moment>,
    pub(super) moving_since: Option<Moment>,
    pub(super) trouble: Option<String>,
    /// Code of the trouble that was told in a line.
    trouble_told: Option<&'static str>,
    /// What comes is played from a capture.
    pub(super) replayed: bool,
    /// Height of the floor over its plane under each sensor's beam, metres.
    floor_m: Vec<f64>,
    /// Whether readings are kept without being asked for.
    pub(super) keep_by_itself: bool,
    /// Words that go into the logbook with the next readings that are kept.
    pub(super) reading_note: String,
    /// Whether every sample goes to the logbook.
    pub(super) keep_raw: bool,
    prior: Prior,
    estimator: Estimator,
    seen: Vec<Observation>,
    heard: Vec<Heard>,
    marked_at: Option<Moment>,
    keep_asked: bool,
    last_keep: Option<Moment>,
    moved_since_keep: bool,
    advice_at: Option<Moment>,
    log: Option<LogbookWriter>,
    pending: Vec<(KeptTold, Answer<KeptId>)>,
    raw: Vec<RawSample>,
    raw_at: Option<Moment>,
    told: Vec<Told>,
    turn_told_at: Option<Moment>,
    second_at: Option<Moment>,
    said: Vec<String>,
}

/// How much a message matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Grade {
    Notice,
    Warning,
    Error,
}

impl Sitting {
    pub(super) fn new(
        sheet: BuildSheet,
        lines: Lines,
        loads: &[usize],
        log: Option<LogbookWriter>,
        slack: Span,
    ) -> Result<Self, StaticsError> {
        let loads_on: Vec<bool> = (0..sheet.loads.len()).map(|i| loads.contains(&i)).collect();
        let model = Model::new(&sheet, loads);
        let prior = Prior::new(&sheet, &model)?;
        let bench = Bench::new(&sheet.sensors, lines.of_sensors()).with_slack(slack);
        Ok(Self {
            aims: aims(&sheet),
            replayed: false,
            floor_m: vec![0.0; sheet.sensors.len()],
            sheet,
            lines,
            bench,
            loads_on,
            model,
            prior,
            estimator: Estimator::new(),
            seen: Vec::new(),
            heard: Vec::new(),
            readings: Vec::new(),
            posture: None,
            forecast: None,
            suggestion: None,
            turning: None,
            kept: Vec::new(),
            message: None,
            still_since: None,
            moving_since: None,
            trouble: None,
            trouble_told: None,
            keep_by_itself: true,
            keep_raw: true,
            reading_note: String::new(),
            marked_at: None,
            keep_asked: false,
            last_keep: None,
            moved_since_keep: true,
            advice_at: None,
            log,
            pending: Vec::new(),
            raw: Vec::new(),
            raw_at: None,
            told: Vec::new(),
            turn_told_at: None,
            second_at: None,
            said: Vec::new(),
        })
    }

    /// What finding and zeroing found out: zeros, the floor under the beams,
    /// and what is to be said of them.
    pub(super) fn use_fitted(&mut self, fitted: Fitted, now: Moment) {
        for (sensor, calibration) in fitted.calibrations.into_iter().enumerate() {
            if let Some(calibration) = calibration {
                self.bench.set_calibration(sensor, calibration);
            }
        }
        self.floor_m = fitted.floor_m;
        for (grade, text) in fitted.said {
            self.say_once(now, grade, text);
        }
    }

    /// More ports on which sensors may be.
    pub(super) fn add_ports(&mut self, candidates: &[PathBuf]) -> Result<(), DriverError> {
        self.lines.add_candidates(&self.sheet, candidates)?;
        Ok(())
    }

    /// Names of the loads that are on.
    pub(super) fn loads_named(&self) -> Vec<String> {
        let on = self.sheet.loads.iter().zip(&self.loads_on);
        on.filter(|(_, on)| **on)
            .map(|(l, _)| l.name.clone())
            .collect()
    }

    /// Takes what happened on a port.
    pub(super) fn hear(&mut self, event: &PortEvent) {
        let mut heard = std::mem::take(&mut self.heard);
        if let (PortEventKind::Sent(_), true) = (&event.kind, self.replayed) {
            self.lines.was_sent(event.port, event.at, &mut heard);
        } else if let Some(news) = self.lines.take(event, &mut heard) {
            if news.gone {
                self.bench.port_gone(event.port);
            }
            self.say(event.at, news.grade, news.text);
        }
        self.take_heard(event.port, &heard);
        // Keeps its room.
        heard.clear();
        self.heard = heard;
    }

    fn take_heard(&mut self, line: usize, heard: &[Heard]) {
        for item in heard {
            self.bench.hear(line, item);
            match item {
                Heard::Sample(sample) => {
                    if let Some(sensor) = self.lines.sensor(line, &sample.source) {
                        self.lines.count_sample(sensor, line);
                        if self.keep_raw && self.log.is_some() {
                            self.raw.push(RawSample {
                                sensor: self.sheet.sensors[sensor].name.clone(),
                                unit: unit_of(kind_due(&self.sheet.sensors[sensor].reads)),
                                at: sample.at,
                                value: sample.value,
                                trusted: sample.trusted,
                            });
                        }
                    }
                }
                Heard::Fault(fault) => {
                    self.say(
                        fault.at,
                        Grade::Warning,
                        format!("a sensor reports a fault: {}", fault.words),
                    );
                }
                _ => {}
            }
        }
    }

    /// Takes another model, and what it expects. Where it has no rest the vehicle may have one:
    /// the readings decide, with the expectation that was, made wide.
    fn expect(&mut self, model: Model) -> Result<(), StaticsError> {
        let from = self.prior.state.fixed_rows::<7>(0).into_owned();
        let expected = Prior::from(&self.sheet, &model, &from);
        self.model = model;
        match expected {
            Ok(prior) => {
                self.prior = prior;
                Ok(())
            }
            Err(e) => {
                self.prior = self.prior.widened(100.0);
                Err(e)
            }
        }
    }

    /// A load went on or off.
    pub(super) fn mark(&mut self, load: usize, on: bool, now: Moment) {
        let Some(named) = self.sheet.loads.get(load) else {
            return;
        };
        if self.loads_on[load] == on {
            return;
        }
        let (name, mass_kg, at_m) = (named.name.clone(), named.mass.kg(), named.at.m());
        let mut trial = self.model.clone();
        trial.masses[load + 1].on = on;
        if let Err(e) = self.expect(trial) {
            self.say(
                now,
                Grade::Warning,
                format!("with {name} the sheet's model has no rest: {e}"),
            );
        }
        self.loads_on[load] = on;
        self.bench.forget();
        self.marked_at = Some(now);
        self.moved_since_keep = true;
        self.still_since = None;
        self.advice_at = None;
        let logged = Load {
            name: name.clone(),
            mass_kg,
            at_m: Some(at_m),
        };
        let kind = if on {
            MarkKind::LoadOn(logged)
        } else {
            MarkKind::LoadOff(logged)
        };
        if let Some(log) = &self.log {
            let _ = log.mark(Mark {
                at: now,
                kind,
                note: String::new(),
            });
        }
        self.told.push(Told::Mark {
            at: now,
            load: name.clone(),
            mass_kg,
            on,
        });
        self.say(
            now,
            Grade::Notice,
            format!("{name} {}", if on { "on" } else { "off" }),
        );
    }

    /// The vehicle is set otherwise than the sheet says: collars, holes and springs as
    /// they were changed since.
    ///
    /// # Errors
    /// Where the model then has no rest.
    pub(super) fn set_up(&mut self, setup: &Setup) -> Result<(), StaticsError> {
        setup.put_on(&self.sheet, &mut self.model);
        self.prior = Prior::new(&self.sheet, &self.model)?;
        Ok(())
    }

    /// The suggestion, where it still belongs to how the vehicle stands: in motion, or with
    /// another load than the last kept reading had, it is out of date.
    pub(super) fn fresh_suggestion(&self) -> Option<&Suggestion> {
        let still = self.still_since.is_some();
        let same = self.kept.last()?.loads == self.loads_named();
        self.suggestion.as_ref().filter(|_| still && same)
    }

    /// The key 'turn': begins with the first collar of the suggestion, or ends the turn that
    /// is being made and writes it down as the readings count it.
    pub(super) fn turn_key(&mut self, now: Moment) {
        match self.turning.take() {
            Some(turned) => self.end_turn(&turned, now),
            None => self.begin_turn(now),
        }
    }

    fn begin_turn(&mut self, now: Moment) {
        let turn = self
            .fresh_suggestion()
            .and_then(|s| s.turns.first().cloned());
        let (Some(turn), Some(posture)) = (turn, &self.posture) else {
            let text =
                "no collar is to be turned now: a turn needs a kept reading and a suggestion";
            self.say(now, Grade::Notice, text.to_owned());
            return;
        };
        let tolerances: Vec<_> = self.aims.iter().map(|a| (a.key, a.tolerance)).collect();
        self.turning = Turned::begin(&self.sheet, &self.model, posture, &tolerances, &turn);
        self.bench.follow(self.turning.is_some());
        let text = match &self.turning {
            Some(turned) => turned.line(),
            None => format!("what the {} collar does cannot be read", turn.name),
        };
        self.say(now, Grade::Notice, text);
    }

    fn end_turn(&mut self, turned: &Turned, now: Moment) {
        self.bench.follow(false);
        let turns = turned.made();
        let name = &turned.turn.name;
        let unit = turned.turn.unit;
        if turns.abs() < 1e-9 {
            let text = format!("{name}: not turned by as much as can be read; nothing noted");
            self.say(now, Grade::Notice, text);
            return;
        }
        let rise_m = turns * self.model.units[unit].pitch;
        let mut turned_model = self.model.clone();
        Parameter::Collar(unit).shift(&mut turned_model, rise_m);
        // Where it has no rest, the readings decide.
        let _ = self.expect(turned_model);
        self.suggestion = None;
        self.moved_since_keep = true;
        self.advice_at = None;
        if let Some(log) = &self.log {
            let _ = log.change(Change {
                at: now,
                kind: ChangeKind::Collar {
                    coilover: name.clone(),
                    turns,
                },
                note: if turned.counted.is_some() {
                    "turned while it was read; counted by hand".to_owned()
                } else {
                    "turned while it was read; counted by the readings".to_owned()
                },
            });
        }
        let way = if turns > 0.0 { "up" } else { "down" };
        let text = format!(
            "{name}: {} {way} noted; rock the frame once, the next still reading tells whether it did what it should",
            crate::report::turn_words(turns)
        );
        self.told.push(Told::Notice {
            at: now,
            grade: Grade::Notice.word(),
            text: text.clone(),
        });
        self.message = Some((now, Grade::Notice, text));
    }

    /// The keys '+' and '-': a step of the hand on the collar.
    pub(super) fn count_turn(&mut self, steps: i32) {
        if let Some(turned) = &mut self.turning {
            turned.count(steps);
        }
    }

    /// The key 'give up': the turn that is being made is not written down.
    pub(super) fn give_up_turn(&mut self, now: Moment) {
        if let Some(turned) = self.turning.take() {
            self.bench.follow(false);
            let text = format!("{}: given up, nothing noted", turned.turn.name);
            self.say(now, Grade::Notice, text);
        }
    }

    fn follow_turn(&mut self, now: Moment) {
        let (Some(turned), Some(posture)) = (&mut self.turning, &self.posture) else {
            return;
        };
        let (word, before) = (turned.at.word, turned.line());
        turned.look(posture, now);
        let line = turned.line();
        let due = Self::due(self.turn_told_at, TURN_TOLD_EVERY_S, now);
        if line != before && (due || turned.at.word != word) {
            self.turn_told_at = Some(now);
            self.told.push(Told::Notice {
                at: now,
                grade: Grade::Notice.word(),
                text: line,
            });
        }
    }

    /// Something to be said that did not come from a sensor.
    pub(super) fn remark(&mut self, now: Moment, text: String) {
        self.say(now, Grade::Warning, text);
    }

    /// The same, where nothing is wrong.
    pub(super) fn mention(&mut self, now: Moment, text: String) {
        self.say(now, Grade::Notice, text);
    }

    /// Something to remember.
    pub(super) fn note(&mut self, text: &str, now: Moment) {
        if let Some(log) = &self.log {
            let _ = log.mark(Mark {
                at: now,
                kind: MarkKind::Note,
                note: text.to_owned(),
            });
        }
        self.told.push(Told::Note {
            at: now,
            text: text.to_owned(),
        });
        self.say(now, Grade::Notice, format!("noted: {text}"));
    }

    /// A load that the sheet does not name, not on yet.
    pub(super) fn add_load(&mut self, load: NamedLoad) {
        self.sheet.loads.push(load);
        self.loads_on.push(false);
        let on: Vec<usize> = (0..self.loads_on.len())
            .filter(|&i| self.loads_on[i])
            .collect();
        self.model = Model::new(&self.sheet, &on);
    }

    /// The vehicle was moved by hand: whatever was still is so no longer.
    pub(super) fn disturbed(&mut self) {
        self.bench.forget();
        self.moved_since_keep = true;
        self.still_since = None;
    }

    /// The key 'keep': keeps now where it is still, else as soon as it is.
    pub(super) fn ask_to_keep(&mut self, now: Moment) {
        self.keep_asked = true;
        if self.still_since.is_none() {
            self.say(
                now,
                Grade::Notice,
                "will be kept as soon as it is still".to_owned(),
            );
        }
    }

    fn say(&mut self, now: Moment, grade: Grade, text: String) {
        match grade {
            Grade::Notice => tracing::debug!(text, "said"),
            Grade::Warning => tracing::warn!(text, "said"),
            Grade::Error => tracing::error!(text, "said"),
        }
        if grade != Grade::Notice || !self.said.contains(&text) {
            self.told.push(Told::Notice {
                at: now,
                grade: grade.word(),
                text: text.clone(),
            });
        }
        self.message = Some((now, grade, text));
    }

    /// Everything that is due at this moment; what is to be told comes back.
    pub(super) fn tick(&mut self, now: Moment) -> Vec<Told> {
        self.look(now);
        self.follow_turn(now);
        if Self::due(self.advice_at, ADVICE_EVERY_S, now) {
            self.look_ahead();
            self.advice_at = Some(now);
        }
        self.keep_if_due(now);
        self.collect_kept();
        self.look_at_logbook(now);
        self.flush_raw(now);
        self.notices(now);
        if self
            .message
            .as_ref()
            .is_some_and(|(at, _, _)| now.since(*at).s() > MESSAGE_S)
        {
            self.message = None;
        }
        if Self::due(self.second_at, 1.0, now) {
            self.second_at = Some(now);
            self.lines.rates(now);
            if let Some(posture) = &self.posture {
                let names = self.names(posture);
                self.told.push(Told::second(now, self, posture, names));
            }
        }
        std::mem::take(&mut self.told)
    }

    /// Whether everything stands still and nothing is being said or turned.
    pub(super) fn is_quiet(&self) -> bool {
        self.still_since.is_some() && self.message.is_none() && self.turning.is_none()
    }

    /// Readings and posture of this moment, and nothing else.
    pub(super) fn look(&mut self, now: Moment) {
        self.bench.read(now, &mut self.readings);
        self.rest_or_motion(now);
        self.observe();
        let Self {
            sheet,
            model,
            prior,
            estimator,
            seen,
            posture,
            ..
        } = self;
        match posture {
            Some(posture) => estimator.update(sheet, model, prior, seen, posture),
            None => *posture = Some(estimator.estimate(sheet, model, prior, seen, None)),
        }
    }

    fn due(last: Option<Moment>, every_s: f64, now: Moment) -> bool {
        last.is_none_or(|at| now.since(at).s() >= every_s - 1e-3)
    }

    pub(super) fn names(&self, posture: &Posture) -> Vec<String> {
        posture
            .quantities
            .iter()
            .map(|m| m.key.name(&self.sheet, &self.model))
            .collect()
    }

    /// Asks every line's driver what it wants to send now.
    pub(super) fn requests(&mut self, now: Moment) -> Vec<(usize, Vec<u8>)> {
        let mut out = Vec::new();
        for line in 0..self.lines.count() {
            let mut heard = Vec::new();
            if let Some(bytes) = self.lines.poll(line, now, &mut heard) {
                out.push((line, bytes));
            }
            self.take_heard(line, &heard);
        }
        out
    }

    fn rest_or_motion(&mut self, now: Moment) {
        let of = |quality| self.readings.iter().filter(move |r| r.quality == quality);
        let moving = of(Quality::Moving).next().is_some();
        let still = of(Quality::Good).map(|r| r.sensor);
        if !moving && still.clone().next().is_some() {
            let since = still.filter_map(|i| self.bench.stillness(i)?.since).max();
            self.still_since = since.or(self.still_since).or(Some(now));
            self.moving_since = None;
        } else {
            if moving && self.moving_since.is_none() {
                self.moving_since = Some(now);
            }
            self.moved_since_keep |= self
                .moving_since
                .is_some_and(|at| now.since(at).s() >= MOVED_S);
            self.still_since = None;
        }
    }

    fn observe(&mut self) {
        let live = self
            .readings
            .iter()
            .filter(|r| r.is_live() && r.value.is_finite());
        let floor_m = &self.floor_m;
        self.seen.clear();
        self.seen.extend(live.map(|r| Observation {
            sensor: r.sensor,
            // A beam that lands on a bump is shorter by it.
            value: r.value + floor_m.get(r.sensor).copied().unwrap_or(0.0),
            uncertainty: r.uncertainty(),
        }));
    }

    /// What the finished vehicle comes to, as far as can be told now.
    fn look_ahead(&mut self) {
        let Some(posture) = &self.posture else { return };
        self.forecast = forecast(&self.sheet, &self.model, posture).ok();
    }

    /// Every aim against the forecast of the finished vehicle.
    pub(super) fn compared(&self) -> Vec<Compared> {
        self.forecast
            .as_ref()
            .map_or_else(Vec::new, |f| compare(&self.aims, &f.quantities))
    }

    fn keep_if_due(&mut self, now: Moment) {
        let Some(since) = self.still_since else {
            return;
        };
        let long_enough = now.since(since).s() >= STILL_BEFORE_KEEPING_S;
        let again = self
            .last_keep
            .is_none_or(|at| now.since(at).s() >= KEEP_AGAIN_S);
        let by_itself = self.keep_by_itself && long_enough && self.turning.is_none();
        if !(self.keep_asked || (by_itself && (self.moved_since_keep || again))) {
            return;
        }
        let by = if self.keep_asked {
            KeptBy::Key
        } else {
            KeptBy::Stillness
        };
        self.keep_asked = false;
        self.moved_since_keep = false;
        self.last_keep = Some(now);
        self.look_ahead();
        // A suggestion is worth no less than a reading that was kept.
        let forecast = self.forecast.as_ref();
        self.suggestion = forecast.map(|f| suggest(&self.sheet, f, &self.aims));
        let Some(posture) = self.posture.clone() else {
            return;
        };
        let told = KeptTold::new(now, since, self, &posture, self.names(&posture), by);
        let record = kept_record(self, &told, &posture, by);
        match &self.log {
            Some(log) => self.pending.push((told, log.keep(record))),
            None => self.accept(told),
        }
    }

    /// What was kept is shown only once the logbook says that it is on the disk.
    fn collect_kept(&mut self) {
        for (told, answer) in std::mem::take(&mut self.pending) {
            match answer.try_recv() {
                Ok(Ok(_)) => self.accept(told),
                Ok(Err(e)) => self.say(
                    told.at,
                    Grade::Error,
                    format!("a reading was not kept: {e}"),
                ),
                Err(TryRecvError::Empty) => self.pending.push((told, answer)),
                Err(TryRecvError::Disconnected) => {
                    self.say(
                        told.at,
                        Grade::Error,
                        "a reading was not kept: the logbook has ended".to_owned(),
                    );
                }
            }
        }
    }

    /// How the logbook does: on the screen as long as it is in trouble, in lines when
    /// it comes to it and when it is over.
    fn look_at_logbook(&mut self, now: Moment) {
        let Some(state) = self.log.as_ref().map(LogbookWriter::state) else {
            return;
        };
        let code = state.trouble.as_ref().map(|t| t.code);
        if code != self.trouble_told {
            if let Some(t) = &state.trouble {
                tracing::error!(text = t.message, "the logbook is in trouble");
            } else {
                tracing::info!("the logbook is well again");
            }
            match &state.trouble {
                Some(t) => self.say(
                    now,
                    Grade::Error,
                    format!(
                        "{}. {} Readings wait in memory meanwhile. [{}]",
                        t.message, t.help, t.code
                    ),
                ),
                None => self.say(
                    now,
                    Grade::Warning,
                    "the logbook is written again, with everything that waited".to_owned(),
                ),
            }
            self.trouble_told = code;
        }
        self.trouble = state.trouble.map(|t| format!("{}; {}", t.message, t.help));
    }

    fn accept(&mut self, told: KeptTold) {
        if self.kept.len() >= MOST_KEPT {
            self.kept.remove(0);
        }
        tracing::info!(
            at = crate::report::moment_words(told.at),
            loads = told.loads.join(", "),
            logged = self.log.is_some(),
            "reading kept"
        );
        self.kept.push(told.clone());
        self.told.push(Told::Kept(Box::new(told)));
    }

    fn flush_raw(&mut self, now: Moment) {
        if Self::due(self.raw_at, 1.0, now) {
            self.raw_at = Some(now);
            if let Some(log) = self.log.as_ref().filter(|_| !self.raw.is_empty()) {
                log.raw(std::mem::take(&mut self.raw));
            }
        }
    }

    fn notices(&mut self, now: Moment) {
        for notice in self.bench.notices(now) {
            let grade = match notice {
                // Whoever makes up a new name every time is not told for ever.
                Notice::Stranger(_) if self.said.len() >= MOST_SAID => continue,
                Notice::Stranger(_) => Grade::Notice,
                _ => Grade::Warning,
            };
            let text = format!(
                "{}. {} [{}]",
                notice.words(&self.sheet.sensors),
                notice.help(),
                notice.code()
            );
            self.say_once(now, grade, text);
        }
        let misfit = self.posture.as_ref().and_then(|p| p.misfit);
        // While it moves, sensors are read at slightly different times.
        if let Some((sensor, off)) = misfit.filter(|_| self.still_since.is_some()) {
            let name = &self.sheet.sensors[sensor].name;
            let text = format!(
                "'{name}' does not fit the other sensors ({:.0} times its uncertainty) and is left out: has it slipped?",
                off.abs()
            );
            let known = format!("'{name}' does not fit");
            if !self.said.contains(&known) {
                self.said.push(known);
                self.say(now, Grade::Warning, text);
            }
        }
    }

    fn say_once(&mut self, now: Moment, grade: Grade, text: String) {
        if !self.said.contains(&text) {
            self.say(now, grade, text.clone());
            self.said.push(text);
        }
    }

    /// Ends the sitting: waits for what is still on its way to the disk.
    pub(super) fn finish(mut self, now: Moment) -> Finished {
        self.flush_raw(now + Span::from_s(2.0));
        let mut unsaved = 0;
        if let Some(log) = self.log.take() {
            unsaved = log.finish().len();
        }
        self.collect_kept();
        self.lines.log_counts();
        if unsaved > 0 {
            tracing::error!(unsaved, "records could not be written to the logbook");
        }
        let told = std::mem::take(&mut self.told);
        Finished {
            unsaved,
            told,
            lines: self.lines.summaries(),
            kept: self.kept,
            suggestion: self.suggestion,
        }
    }
}

/// What a sitting leaves behind.
#[derive(Debug)]
pub(super) struct Finished {
    /// Records that could not be written.
    pub(super) unsaved: usize,
    /// What was still to be told.
    pub(super) told: Vec<Told>,
    /// Counters of each line.
    pub(super) lines: Vec<SensorLine>,
    /// Everything that was kept.
    pub(super) kept: Vec<KeptTold>,
    /// The last suggestion.
    pub(super) suggestion: Option<Suggestion>,
}

impl Grade {
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Notice => "notice",
            Self::Warning => "warning",
            Self::Error => "error",
        }
    }
}
