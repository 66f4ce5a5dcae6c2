//! `loadtest SHEET`: the test itself, step by step or in free order.
//!
//! In: sensors on their ports, hands that put weight on and off and say so. Out:
//! what to do next, when it is still, what was kept; at the end what the test
//! tells. Refused: a reading of a vehicle that does not come to rest (it is
//! waited for again), an answer that is none.

use super::answer::Answer;
use super::doing::{Doing, Stop, load_typed, stops};
use super::gather::{Gathered, NOTE, newest};
use super::live::Expected;
use super::{NOTHING, plan_of, refused};
use crate::logbook::{LogbookWriter, beside};
use crate::ports::{Clock, list};
use crate::quantity::{Moment, Span};
use crate::report::{LOADTEST_CAUTION, LoadLoop, loadtest_loop_text};
use crate::run::arguments::LoadtestTestArguments;
use crate::run::sensors::ear::Ear;
use crate::run::sensors::fitted::Fitted;
use crate::run::sensors::steps::{Answer as Said, Steps};
use crate::run::settle::session::{ready, why};
use crate::run::sitting::lines::Lines;
use crate::run::sitting::tell::{KeptTold, Told};
use crate::run::sitting::{Grade, Sitting};
use crate::run::watch::begin_log;
use crate::run::{Failure, sheets};
use crate::sheet::{BuildSheet, NamedLoad};
use crate::trials::loadtest::{Approach, identify};
use serde_json::{Value, json};
use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Real time between two looks.
const LOOK: Duration = Duration::from_millis(20);
/// On the screen the live line is drawn so often.
const DRAW: Duration = Duration::from_millis(200);
/// Without a screen how it stands is told so often, by the clock of the test.
const TELL_S: f64 = 5.0;
/// Still for so long and then not any more: somebody moved.
const MOVED_S: f64 = 2.0;
/// A zero older than this is said to be old: 30 days.
const OLD_ZERO: Span = Span::from_us(30 * 86_400 * 1_000_000);

/// Who does what is asked, and says so.
pub(super) trait Hands {
    /// What has been said since; for a step that was asked for, or in free order.
    fn answer(&mut self, asked: Option<&Stop>, loads: &[NamedLoad]) -> Said;
}

impl Hands for Steps {
    fn answer(&mut self, _: Option<&Stop>, _: &[NamedLoad]) -> Said {
        Self::answer(self)
    }
}

/// How it is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Teller {
    Screen,
    Plain,
    Json,
}

impl Teller {
    fn event(self, value: &Value, text: &str) -> Result<(), Failure> {
        match self {
            Self::Json => sheets::print(&format!("{value}\n")),
            Self::Plain => sheets::print(text),
            Self::Screen => sheets::print(&format!("\r\x1b[K{text}")),
        }
    }

    fn say(self, text: &str) -> Result<(), Failure> {
        self.event(
            &json!({ "event": "say", "text": text }),
            &format!("   {text}\n"),
        )
    }
}

/// A test going on.
pub(super) struct Test {
    pub(super) path: PathBuf,
    pub(super) sitting: Sitting,
    pub(super) ear: Ear,
    pub(super) clock: Clock,
    pub(super) teller: Teller,
    /// Waits at most so long at each step, by the clock.
    pub(super) wait: Span,
    pub(super) stops: Vec<Stop>,
    approach: Approach,
    expected: Expected,
    drawn_at: Instant,
    told_at: Option<Moment>,
    kept: usize,
}

/// How taking a reading ended.
enum Taken {
    Kept(Box<KeptTold>),
    NotStill(String),
    Stopped,
}

pub(super) fn run(arguments: &LoadtestTestArguments) -> Result<ExitCode, Failure> {
    let Some(path) = &arguments.sheet else {
        return Err(Failure::users("loadtest.sheet", "no sheet was named", ""));
    };
    let (mut sheet, text) = sheets::read_text(path, &[])?;
    let plan = plan_of(&sheet, &arguments.at_hand)?;
    let mut loads = sheet.loads.clone();
    let mut planned = if arguments.free {
        Vec::new()
    } else {
        stops(&sheet, &plan, &mut loads)
    };
    sheet.loads = loads;
    let stepping = &arguments.stepping;
    let mut hands = Steps::new(stepping.plain || arguments.json, stepping.steps.as_deref())?;
    let teller = if arguments.json {
        Teller::Json
    } else if stepping.plain || stepping.steps.is_some() || !std::io::stdout().is_terminal() {
        Teller::Plain
    } else {
        Teller::Screen
    };
    teller.event(
        &json!({ "event": "caution", "text": LOADTEST_CAUTION }),
        &format!("LOAD TEST {}\nCAUTION {LOADTEST_CAUTION}", sheet.name),
    )?;
    let done = made_already(path, &sheet);
    let from = resumed(&planned, done);
    if from > 0 {
        teller.say(&format!(
            "{done} readings of this test are in the logbook already: it goes on at step {}",
            from + 1
        ))?;
        planned.drain(..from);
    }
    let clock = Clock::real();
    let log = begin_log(&beside(path), text, clock.now())?;
    let mut test = Test::new(
        path,
        sheet,
        &arguments.port,
        clock,
        Some(log),
        teller,
        Span::from_s(stepping.wait),
        planned,
    )?;
    test.lead(&mut hands)?;
    let code = test.conclude()?;
    Ok(code.map_or(ExitCode::SUCCESS, |(_, _, code)| code))
}

/// Readings of a guided test that are in the logbook and belong to this one.
fn made_already(path: &Path, sheet: &BuildSheet) -> usize {
    // Nothing there, or nothing that can be read: a new test.
    newest(path, sheet).map_or(0, |g| {
        let now = Clock::real().now();
        let fresh = g
            .steps
            .last()
            .is_some_and(|s| now.since(s.at).s() < 6.0 * 3600.0);
        if fresh { g.guided } else { 0 }
    })
}

/// Where a test that was interrupted goes on: with the last visit that was not whole.
fn resumed(planned: &[Stop], done: usize) -> usize {
    if done >= planned.len() {
        return 0;
    }
    let mut on: Vec<usize> = Vec::new();
    let mut from = 0;
    for (i, stop) in planned.iter().enumerate().take(done + 1) {
        if on.is_empty() {
            from = i;
        }
        for doing in &stop.doings {
            match doing {
                Doing::On(l) => on.push(*l),
                Doing::Off(l) => on.retain(|x| x != l),
                _ => {}
            }
        }
    }
    from
}

impl Test {
    #[allow(clippy::too_many_arguments, reason = "a test is made in two places")]
    pub(super) fn new(
        path: &Path,
        mut sheet: BuildSheet,
        ports: &[PathBuf],
        clock: Clock,
        log: Option<LogbookWriter>,
        teller: Teller,
        wait: Span,
        stops: Vec<Stop>,
    ) -> Result<Self, Failure> {
        let found = list();
        let fitted = Fitted::read(path, &mut sheet, &found, clock.now(), OLD_ZERO)?;
        let mut candidates = ports.to_vec();
        candidates.extend(fitted.ports.iter().cloned());
        candidates.extend(found.into_iter().map(|f| f.path));
        let lines = Lines::new(&sheet, &fitted.usb, &candidates)?;
        if lines.count() == 0 {
            return Err(Failure::users(
                "watch.no_ports",
                "no sensor has a port, and no serial port is plugged in",
                "plug a sensor in, or give its port in the sheet: port = \"/dev/ttyUSB0\"",
            ));
        }
        let mut ear = Ear::by(clock)?;
        for settings in lines.settings() {
            ear.open(settings);
        }
        // At speed the computer's own delays count for more.
        let slack = Span::from_s(if clock.speed() > 1.0 {
            0.25 * clock.speed()
        } else {
            0.0
        });
        let mut sitting = Sitting::new(sheet, lines, &[], log, slack)?;
        sitting.use_fitted(fitted, clock.now());
        sitting.keep_by_itself = false;
        sitting.keep_raw = false;
        let expected = Expected::of(&sitting);
        Ok(Self {
            path: path.to_owned(),
            sitting,
            ear,
            clock,
            teller,
            wait,
            stops,
            approach: Approach::Unknown,
            expected,
            drawn_at: Instant::now(),
            told_at: None,
            kept: 0,
        })
    }

    /// Listens for a little, and tells how it stands.
    fn look(&mut self) -> Result<(), Failure> {
        let until = Instant::now() + LOOK;
        while let Some(event) = self.ear.next(until) {
            self.sitting.hear(&event);
            if Instant::now() >= until {
                break;
            }
        }
        let now = self.clock.now();
        for (line, bytes) in self.sitting.requests(now) {
            self.ear.write(line, bytes);
        }
        for told in self.sitting.tick(now) {
            match told {
                Told::Notice { grade, text, .. } if grade != Grade::Notice.word() => {
                    self.teller
                        .say(&format!("{} {text}", grade.to_uppercase()))?;
                }
                _ => {}
            }
        }
        match self.teller {
            Teller::Screen if self.drawn_at.elapsed() > DRAW => {
                self.drawn_at = Instant::now();
                let line = self.expected.line(&self.sitting);
                sheets::print(&format!("\r\x1b[K{line}"))?;
            }
            Teller::Plain | Teller::Json
                if self.told_at.is_none_or(|at| now.since(at).s() >= TELL_S) =>
            {
                self.told_at = Some(now);
                let line = self.expected.line(&self.sitting);
                self.teller.event(
                    &json!({ "event": "live", "text": line }),
                    &format!("   {line}\n"),
                )?;
            }
            _ => {}
        }
        Ok(())
    }

    /// Leads through the steps, then in free order until somebody quits.
    pub(super) fn lead(&mut self, hands: &mut dyn Hands) -> Result<(), Failure> {
        let mut next = 0;
        let mut asked_before = None;
        loop {
            let asked = self.stops.get(next).cloned();
            if asked_before != Some(next) {
                asked_before = Some(next);
                self.ask(next, asked.as_ref())?;
            }
            let Some(answer) = self.wait_for(hands, asked.as_ref())? else {
                return Ok(());
            };
            let (verb, rest) = answer.split_once(' ').unwrap_or((answer.as_str(), ""));
            match verb {
                "" | "done" | "keep" => {
                    if verb != "keep"
                        && let Some(stop) = &asked
                    {
                        for doing in &stop.doings {
                            self.does(*doing);
                        }
                        self.approach = stop.approach;
                    }
                    match self.take()? {
                        Taken::Kept(kept) => {
                            self.keep_told(&kept, asked.as_ref())?;
                            if verb != "keep" && asked.is_some() {
                                next += 1;
                            }
                        }
                        Taken::NotStill(why) => {
                            self.teller.say(&format!(
                                "NOT KEPT it was not still for long enough: {why}; stand off, then 'keep'"
                            ))?;
                        }
                        Taken::Stopped => return Ok(()),
                    }
                }
                "on" | "off" => self.free(verb == "on", rest)?,
                "pressed" => self.by_hand(Doing::Pressed)?,
                "lifted" => self.by_hand(Doing::Lifted)?,
                "bounced" => self.by_hand(Doing::Bounced)?,
                "skip" if asked.is_some() => next += 1,
                "note" => {
                    let now = self.clock.now();
                    self.sitting.note(rest, now);
                }
                "quit" => return Ok(()),
                other => self.teller.say(&format!(
                    "'{other}' is no answer here: done, keep, on, off, pressed, lifted, bounced, skip, note, quit"
                ))?,
            }
        }
    }

    fn ask(&self, next: usize, asked: Option<&Stop>) -> Result<(), Failure> {
        let sheet = &self.sitting.sheet;
        let Some(stop) = asked else {
            let title = if self.stops.is_empty() {
                "free order"
            } else {
                "all steps are done; more in free order, or quit"
            };
            return self.teller.event(
                &json!({ "event": "free" }),
                &format!(
                    "STEP {title}\n   > on NAME, on person 82 kg at 200 mm, 400 mm, off NAME, pressed, lifted, bounced; keep; quit\n"
                ),
            );
        };
        let doings: Vec<String> = stop
            .doings
            .iter()
            .map(|d| d.words(&sheet.loads, sheet))
            .collect();
        let mut text = format!(
            "STEP {} of {}: {}\n",
            next + 1,
            self.stops.len(),
            stop.visit
        );
        for doing in &doings {
            text.push_str(&format!("   {doing}\n"));
        }
        text.push_str("   > Enter or 'done' when it is so, then keep still; or: skip, quit, or in free order: on, off, pressed, lifted, bounced, keep\n");
        self.teller.event(
            &json!({
                "event": "step", "number": next + 1, "of": self.stops.len(), "visit": stop.visit,
                "do": doings, "approach": stop.approach,
            }),
            &text,
        )
    }

    /// The next answer; nothing where nobody answers any more.
    fn wait_for(
        &mut self,
        hands: &mut dyn Hands,
        asked: Option<&Stop>,
    ) -> Result<Option<String>, Failure> {
        let from = self.clock.now();
        while self.clock.now().since(from) < self.wait && !self.ear.is_stopped() {
            match hands.answer(asked, &self.sitting.sheet.loads) {
                Said::Line(line) => return Ok(Some(line)),
                Said::End => return Ok(None),
                Said::NotYet => self.look()?,
            }
        }
        Ok(None)
    }

    fn does(&mut self, doing: Doing) {
        let now = self.clock.now();
        match doing {
            Doing::On(i) => self.sitting.mark(i, true, now),
            Doing::Off(i) => self.sitting.mark(i, false, now),
            Doing::Pressed => self.sitting.note("pressed down and let come up", now),
            Doing::Lifted => self.sitting.note("lifted and let down", now),
            Doing::Bounced => self.sitting.note("bounced", now),
        }
        self.sitting.disturbed();
        self.approach = doing.approach();
        self.expected = Expected::of(&self.sitting);
    }

    fn by_hand(&mut self, doing: Doing) -> Result<(), Failure> {
        self.does(doing);
        self.teller
            .say(&format!("{}; 'keep' reads", self.approach.words()))
    }

    /// A load goes on or off in free order.
    fn free(&mut self, on: bool, text: &str) -> Result<(), Failure> {
        let mut loads = self.sitting.sheet.loads.clone();
        let carried = |i: &usize| self.sitting.loads_on.get(*i).copied().unwrap_or(false);
        let index = if on {
            load_typed(text, &mut loads)
        } else {
            (0..loads.len())
                .find(|i| carried(i) && loads[*i].name == text.trim())
                .ok_or_else(|| format!("'{}' is not on", text.trim()))
        };
        match index {
            Ok(i) => {
                for load in loads.drain(self.sitting.sheet.loads.len()..) {
                    self.sitting.add_load(load);
                }
                self.does(if on { Doing::On(i) } else { Doing::Off(i) });
                self.teller
                    .say(&format!("{}; 'keep' reads", if on { "on" } else { "off" }))
            }
            Err(why) => self.teller.say(&why),
        }
    }

    /// Waits until it is still, and keeps the reading.
    fn take(&mut self) -> Result<Taken, Failure> {
        let from = self.clock.now();
        self.sitting.reading_note = format!("{NOTE}{}", self.approach.words());
        let mut asked = false;
        let mut was_still = false;
        loop {
            self.look()?;
            let now = self.clock.now();
            if let Some(kept) = self.sitting.kept.pop() {
                return Ok(Taken::Kept(Box::new(kept)));
            }
            if self.ear.is_stopped() {
                return Ok(Taken::Stopped);
            }
            let still = self.sitting.still_since;
            if was_still && still.is_none() && !asked {
                self.teller
                    .say("MOVED the step is read again as soon as it is still")?;
            }
            was_still = still.is_some_and(|since| now.since(since).s() > MOVED_S);
            if !asked && ready(&self.sitting, from, now) {
                self.sitting.ask_to_keep(now);
                asked = true;
            }
            if now.since(from) >= self.wait {
                return Ok(Taken::NotStill(why(&self.sitting)));
            }
        }
    }

    fn keep_told(&mut self, kept: &KeptTold, asked: Option<&Stop>) -> Result<(), Failure> {
        self.kept += 1;
        let units = self.sitting.sheet.units;
        let visit = asked.map_or("free", |s| s.visit.as_str());
        self.teller.event(
            &json!({
                "event": "kept", "number": self.kept, "visit": visit, "on": kept.loads,
                "approach": self.approach, "text": kept.line(units),
            }),
            &format!(
                "KEPT {} {}, {}\n",
                self.kept,
                kept.line(units),
                self.approach.words()
            ),
        )?;
        if self.teller == Teller::Screen {
            self.draw_loop()?;
        }
        Ok(())
    }

    /// The loop so far, and what the readings so far say of it.
    fn draw_loop(&self) -> Result<(), Failure> {
        let Ok(so_far) = newest(&self.path, &self.sitting.sheet) else {
            return Ok(());
        };
        let Ok(found) = identify(&so_far.sheet, &so_far.steps) else {
            return Ok(());
        };
        if let Some(drawn) = LoadLoop::of(&so_far.sheet, &found) {
            sheets::print(&loadtest_loop_text(&so_far.sheet, &drawn, 60, 12))?;
        }
        for r in found
            .residuals
            .iter()
            .rev()
            .take(so_far.sheet.sensors.len())
        {
            let off = (r.measured - r.predicted) / r.noise;
            sheets::print(&format!(
                "   {}: {:+.1} times its noise off the model found so far\n",
                so_far.sheet.sensors[r.sensor].name, off
            ))?;
        }
        Ok(())
    }

    /// Ends the sitting and says what the test tells; none where nothing was kept.
    pub(super) fn conclude(self) -> Result<Option<(Gathered, Answer, ExitCode)>, Failure> {
        let Self {
            path,
            sitting,
            ear,
            clock,
            teller,
            kept,
            ..
        } = self;
        let sheet = sitting.sheet.clone();
        let finished = sitting.finish(clock.now());
        ear.shut();
        if finished.unsaved > 0 {
            return Err(Failure::ours(
                "logbook.unsaved",
                format!(
                    "{} records could not be written to the logbook",
                    finished.unsaved
                ),
                "make room on the disk or mend its permissions, and keep the readings again",
            ));
        }
        if kept == 0 {
            teller.say("nothing was kept, so there is nothing to say")?;
            return Ok(None);
        }
        let gathered = newest(&path, &sheet)?;
        let answer =
            Answer::of(&gathered.sheet, &gathered.steps, &gathered.earlier).map_err(refused)?;
        let code = if answer.tells_anything() {
            ExitCode::SUCCESS
        } else {
            ExitCode::from(NOTHING)
        };
        let mut value = json!({ "event": "result" });
        if teller == Teller::Json
            && let (Value::Object(all), Value::Object(more)) =
                (&mut value, answer.json(&gathered.sheet, &gathered.steps))
        {
            all.extend(more);
        }
        teller.event(&value, &answer.text(&gathered.sheet))?;
        Ok(Some((gathered, answer, code)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Interrupted after the fourth of six stops: the second visit begins anew.
    #[test]
    fn a_test_goes_on_with_the_visit_that_was_not_whole() {
        let stop = |doings: Vec<Doing>| Stop {
            visit: String::new(),
            doings,
            approach: Approach::Loading,
        };
        let planned = vec![
            stop(vec![Doing::Bounced]),
            stop(vec![Doing::On(0)]),
            stop(vec![Doing::Off(0)]),
            stop(vec![Doing::On(1)]),
            stop(vec![Doing::Pressed]),
            stop(vec![Doing::Off(1)]),
        ];
        assert_eq!(resumed(&planned, 0), 0);
        assert_eq!(resumed(&planned, 2), 1);
        assert_eq!(resumed(&planned, 3), 3);
        assert_eq!(resumed(&planned, 4), 3);
        assert_eq!(resumed(&planned, 6), 0);
    }
}
