//! `loadtest SHEET`: the test itself, step by step or in free order.
//!
//! In: sensors on their ports, hands that put weight on and off and say so. Out:
//! what to do next, when it is still, what was kept; at the end what the test
//! tells. Refused: a reading of a vehicle that does not come to rest (it is
//! waited for again), an answer that is none.

use super::answer::Answer;
use super::doing::{Doing, Stop, load_typed, stops};
use super::gather::{Gathered, NOTE, newest};
use super::live::{Course, Expected};
use super::picture::{Phase, Shown};
use super::window::Window;
use super::{NOTHING, plan_of, refused};
use crate::logbook::{LogbookWriter, beside};
use crate::ports::{Clock, list};
use crate::quantity::{Moment, Span};
use crate::report::LOADTEST_CAUTION;
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
use crate::screen::view::Source;
use crate::sheet::{BuildSheet, NamedLoad};
use crate::statics::Model;
use crate::trials::loadtest::{Approach, identify};
use serde_json::{Value, json};
use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Real time between two looks.
const LOOK: Duration = Duration::from_millis(20);
/// The screen is given a picture so often.
const DRAW: Duration = Duration::from_millis(100);
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

/// Answers come from the keys of the screen alone.
struct Nobody;

impl Hands for Nobody {
    fn answer(&mut self, _: Option<&Stop>, _: &[NamedLoad]) -> Said {
        Said::NotYet
    }
}

impl Teller {
    /// Of what is asked for and where it goes to.
    pub(super) fn of(json: bool, plain: bool) -> Self {
        let terminal = std::io::stdout().is_terminal() && std::io::stdin().is_terminal();
        if json {
            Self::Json
        } else if plain || !terminal {
            Self::Plain
        } else {
            Self::Screen
        }
    }

    /// Tells it as lines; on a terminal before the screen opens and after it has closed.
    fn event(self, value: &Value, text: &str) -> Result<(), Failure> {
        match self {
            Self::Json => sheets::print(&format!("{value}\n")),
            Self::Plain | Self::Screen => sheets::print(text),
        }
    }

    fn say(self, text: &str) -> Result<(), Failure> {
        self.event(&json!({ "event": "say", "text": text }), &said(text))
    }
}

fn said(text: &str) -> String {
    format!("   {text}\n")
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
    course: Course,
    /// The model as the readings so far have it.
    found: Option<Model>,
    window: Option<Window>,
    shown: Shown,
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
    let plain = stepping.plain || stepping.steps.is_some();
    let teller = Teller::of(arguments.json, plain);
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
    if teller == Teller::Screen {
        teller.say("Enter when all of this is so; q and Enter: not now")?;
        let mut answer = String::new();
        let read = std::io::stdin().read_line(&mut answer);
        if read.is_err() || answer.trim() == "q" {
            return Ok(ExitCode::SUCCESS);
        }
        test.open_window(Source::Live)?;
        test.lead(&mut Nobody)?;
    } else {
        let from = stepping.steps.as_deref();
        test.lead(&mut Steps::new(plain || arguments.json, from)?)?;
    }
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
        let mut test = Self {
            path: path.to_owned(),
            sitting,
            ear,
            clock,
            teller,
            wait,
            stops,
            approach: Approach::Unknown,
            course: Course::default(),
            found: None,
            window: None,
            shown: Shown::default(),
            drawn_at: Instant::now(),
            told_at: None,
            kept: 0,
        };
        test.expect(None);
        Ok(test)
    }

    /// From now on it is told on the screen.
    pub(super) fn open_window(&mut self, source: Source) -> Result<(), Failure> {
        self.shown.source = source;
        self.window = Some(Window::open()?);
        Ok(())
    }

    /// What is expected now, and where a step that is asked for leads.
    fn expect(&mut self, asked: Option<&Stop>) {
        let now = self.sitting.loads_on.clone();
        let mut then = now.clone();
        for doing in asked.iter().flat_map(|stop| &stop.doings) {
            match doing {
                Doing::On(i) => then[*i] = true,
                Doing::Off(i) => then[*i] = false,
                _ => {}
            }
        }
        let found = self.found.as_ref();
        self.course.begin(
            Expected::of(&self.sitting, found, &now),
            Expected::of(&self.sitting, found, &then),
        );
    }

    /// Tells it where it is told: on the screen, or as lines.
    fn event(&mut self, value: &Value, text: &str) -> Result<(), Failure> {
        if self.window.is_some() {
            return Ok(());
        }
        self.teller.event(value, text)
    }

    fn say(&mut self, text: &str) -> Result<(), Failure> {
        self.shown.said = Some(text.to_owned());
        self.event(&json!({ "event": "say", "text": text }), &said(text))
    }

    /// Whether somebody asked to stop.
    fn is_stopped(&self) -> bool {
        self.ear.is_stopped() || self.window.as_ref().is_some_and(Window::is_over)
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
                    self.say(&format!("{} {text}", grade.to_uppercase()))?;
                }
                _ => {}
            }
        }
        if let Some(window) = &self.window {
            if self.drawn_at.elapsed() > DRAW {
                self.drawn_at = Instant::now();
                window.show(self.shown.picture(&self.sitting, &self.course, now));
            }
        } else if self.told_at.is_none_or(|at| now.since(at).s() >= TELL_S) {
            self.told_at = Some(now);
            let line = self.course.asked().line(&self.sitting);
            self.event(&json!({ "event": "live", "text": line }), &said(&line))?;
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
                self.expect_if_seen(asked.as_ref());
            }
            self.shown.phase = if asked.is_some() {
                Phase::Do
            } else {
                Phase::Free
            };
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
                            self.say(&format!(
                                "NOT KEPT it was not still for long enough: {why}; stand off, then 'keep'"
                            ))?;
                        }
                        Taken::Stopped => return Ok(()),
                    }
                }
                "on" | "off" => self.free(verb == "on", rest)?,
                "load" => self.by_number(rest)?,
                "pressed" => self.by_hand(Doing::Pressed)?,
                "lifted" => self.by_hand(Doing::Lifted)?,
                "bounced" => self.by_hand(Doing::Bounced)?,
                "skip" if asked.is_some() => next += 1,
                "note" => {
                    let now = self.clock.now();
                    self.sitting.note(rest, now);
                }
                "quit" => return Ok(()),
                other => self.say(&format!(
                    "'{other}' is no answer here: done, keep, on, off, pressed, lifted, bounced, skip, note, quit"
                ))?,
            }
        }
    }

    fn ask(&mut self, next: usize, asked: Option<&Stop>) -> Result<(), Failure> {
        let sheet = self.sitting.sheet.clone();
        let Some(stop) = asked else {
            let title = if self.stops.is_empty() {
                "free order"
            } else {
                "all steps are done; more in free order, or quit"
            };
            let answers = "on NAME, on person 82 kg at 200 mm, 400 mm, off NAME, pressed, lifted, bounced; keep; quit";
            self.shown.free(title);
            return self.event(
                &json!({ "event": "free" }),
                &format!("STEP {title}\n   > {answers}\n"),
            );
        };
        let doings: Vec<String> = stop
            .doings
            .iter()
            .map(|d| d.words(&sheet.loads, &sheet))
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
        self.shown.step(next, self.stops.len(), stop, &doings);
        self.event(
            &json!({
                "event": "step", "number": next + 1, "of": self.stops.len(), "visit": stop.visit,
                "do": doings, "approach": stop.approach,
            }),
            &text,
        )
    }

    /// On the screen the gauges show where a step leads while it is done; in lines each
    /// says what is expected of what is on.
    fn expect_if_seen(&mut self, asked: Option<&Stop>) {
        self.expect(asked.filter(|_| self.window.is_some()));
    }

    /// The next answer; nothing where nobody answers any more.
    fn wait_for(
        &mut self,
        hands: &mut dyn Hands,
        asked: Option<&Stop>,
    ) -> Result<Option<String>, Failure> {
        let from = self.clock.now();
        while self.clock.now().since(from) < self.wait {
            // What was typed before somebody quit still counts.
            let typed = self.window.as_mut().map_or(Said::NotYet, Window::answer);
            let said = match typed {
                Said::NotYet => hands.answer(asked, &self.sitting.sheet.loads),
                typed => typed,
            };
            match said {
                Said::Line(_) if self.ear.is_stopped() => return Ok(None),
                Said::Line(line) => return Ok(Some(line)),
                Said::End => return Ok(None),
                Said::NotYet if self.is_stopped() => return Ok(None),
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
    }

    fn by_hand(&mut self, doing: Doing) -> Result<(), Failure> {
        self.does(doing);
        self.say(&format!("{}; 'keep' reads", self.approach.words()))
    }

    /// A load by its number goes on, or off where it is on.
    fn by_number(&mut self, text: &str) -> Result<(), Failure> {
        let index = text.parse::<usize>().ok().and_then(|n| n.checked_sub(1));
        let found = index.and_then(|i| Some((i, *self.sitting.loads_on.get(i)?)));
        let Some((i, is_on)) = found else {
            return self.say(&format!("there is no load number '{text}'"));
        };
        self.put(i, !is_on)
    }

    fn put(&mut self, load: usize, on: bool) -> Result<(), Failure> {
        self.does(if on {
            Doing::On(load)
        } else {
            Doing::Off(load)
        });
        self.expect(None);
        let name = self.sitting.sheet.loads[load].name.clone();
        let way = if on { "on" } else { "off" };
        self.say(&format!("{name} {way}; 'keep' reads"))
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
                self.put(i, on)
            }
            Err(why) => self.say(&why),
        }
    }

    /// Waits until it is still, and keeps the reading.
    fn take(&mut self) -> Result<Taken, Failure> {
        let from = self.clock.now();
        self.sitting.reading_note = format!("{NOTE}{}", self.approach.words());
        let mut asked = false;
        let mut was_still = false;
        self.shown.phase = Phase::Wait;
        loop {
            self.look()?;
            let now = self.clock.now();
            if let Some(kept) = self.sitting.kept.pop() {
                return Ok(Taken::Kept(Box::new(kept)));
            }
            if self.is_stopped() {
                return Ok(Taken::Stopped);
            }
            let still = self.sitting.still_since;
            if was_still && still.is_none() && !asked {
                self.say("MOVED the step is read again as soon as it is still")?;
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
        let line = kept.line(self.sitting.sheet.units);
        let visit = asked.map_or("free", |s| s.visit.as_str());
        let text = format!("KEPT {} {line}, {}\n", self.kept, self.approach.words());
        let value = json!({
            "event": "kept", "number": self.kept, "visit": visit, "on": kept.loads,
            "approach": self.approach, "text": line,
        });
        self.event(&value, &text)?;
        if self.window.is_some() {
            self.course.kept(&self.sitting);
            self.shown.kept(&line, self.clock.now());
            self.learn();
        }
        Ok(())
    }

    /// What the readings so far say of the model, and how far the last ones are off it.
    fn learn(&mut self) {
        let Ok(so_far) = newest(&self.path, &self.sitting.sheet) else {
            return;
        };
        let Ok(found) = identify(&so_far.sheet, &so_far.steps) else {
            return;
        };
        let last = found.residuals.iter().map(|r| r.step).max();
        self.shown.off = (0..self.sitting.sheet.sensors.len())
            .map(|sensor| {
                let mine = found.residuals.iter();
                mine.filter(|r| r.sensor == sensor && Some(r.step) == last)
                    .map(|r| (r.measured - r.predicted) / r.noise)
                    .next_back()
            })
            .collect();
        self.found = Some(found.model);
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
            window,
            ..
        } = self;
        let screen = window.map_or(Ok(()), Window::close);
        let sheet = sitting.sheet.clone();
        let finished = sitting.finish(clock.now());
        ear.shut();
        screen?;
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
