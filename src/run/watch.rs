//! `watch`: ports -> sitting -> screen or lines, until a key, a signal or the
//! time asked for.

use crate::logbook::{self, HoldingBounds, LogbookWriter, beside};
use crate::ports::{Clock, LookPace, Port, PortEvent, PortEventKind, attach, list};
use crate::quantity::{Moment, Span, UnitSystem};
use crate::run::arguments::{Telling, WatchArguments};
use crate::run::progress::Waiting;
use crate::run::record::Playing;
use crate::run::sensors::fitted::Fitted;
use crate::run::sitting::lines::Lines;
use crate::run::sitting::tell::Told;
use crate::run::sitting::view::view_of;
use crate::run::sitting::{Finished, Sitting};
use crate::run::sitting::{publishing, sharing};
use crate::run::turning::rehearsal::Hand;
use crate::run::{Failure, sheets};
use crate::screen::view::SharedView;
use crate::screen::{self, Command, Ink, View};
use crate::share::broker::{Broker, Publisher, publish};
use crate::share::{Allowed, share};
use crate::sheet::BuildSheet;
use std::io::IsTerminal as _;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// Simulated or real time between two looks at the readings.
const TICK: Span = Span::from_us(100_000);
/// No faster than this in real time, however fast the rehearsal runs.
const SHORTEST_TICK: Duration = Duration::from_millis(5);
/// The screen and the page are given a picture no more often than this.
const SHORTEST_BETWEEN_VIEWS: Duration = Duration::from_millis(33);
/// The same while everything stands still: what is shown then are means over seconds, and
/// the ticks look often enough.
const VIEW_AT_REST: Duration = Duration::from_millis(500);
/// If every port is refused for so long, there is nothing to wait for.
const ALL_REFUSED: Duration = Duration::from_secs(2);
/// While a sensor that is known by its id is missed, ports are listed so often.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

/// So many events of ports wait; a port that tells more waits itself.
const EVENTS: usize = 1024;
/// So many refusals are kept to say why nothing can be opened.
const MOST_REFUSALS: usize = 64;
/// A clock that was set by more than this is told.
const CLOCK_SET_S: f64 = 2.0;

/// What a run of the loop is given.
pub(super) struct Watching<'a> {
    pub(super) sitting: Sitting,
    pub(super) clock: Clock,
    pub(super) telling: Telling,
    pub(super) source: screen::view::Source,
    /// Ends after so much time of the clock.
    pub(super) length: Option<Span>,
    /// Marks and notes that come by themselves, with their time since the start.
    pub(super) cues: Vec<(Span, Cue)>,
    /// A capture in place of ports: time is the capture's.
    pub(super) playing: Option<Playing>,
    /// Ports on which sensors are looked for, beside those that are listed.
    pub(super) ports: Vec<PathBuf>,
    /// The rehearsal's hand on the spanner.
    pub(super) hand: Option<Hand<'a>>,
    /// Where the page for phones is served, and what it may do.
    pub(super) sharing: Option<(SocketAddr, Allowed)>,
    /// How far the computer's clock was ahead of this run's when last told.
    pub(super) wall_ahead: Span,
    /// The broker that readings go to.
    pub(super) publishing: Option<Broker>,
    /// They are on their way to it.
    pub(super) publisher: Option<Publisher>,
}

/// What is said where the computer's clock was set since it was last told.
fn clock_set_words(ahead: Span, told: &mut Span) -> Option<String> {
    let by = ahead.s() - told.s();
    if by.abs() < CLOCK_SET_S {
        return None;
    }
    *told = ahead;
    let way = if by > 0.0 { "forward" } else { "back" };
    Some(format!(
        "the computer's clock was set {way} by {:.0} s; the times of this sitting go on as they began",
        by.abs()
    ))
}

/// Something that happens at its time.
#[derive(Debug, Clone)]
pub(super) enum Cue {
    Load { name: String, on: bool },
    Note(String),
}

pub(super) fn run(arguments: &WatchArguments) -> Result<ExitCode, Failure> {
    let (mut sheet, text) = sheets::read_text(&arguments.sheet, &[])?;
    if sheet.sensors.is_empty() {
        return Err(Failure::users(
            "watch.no_sensors",
            format!("'{}' names no sensors", arguments.sheet.display()),
            "add [[sensor]] tables; 'stillheight sheet new FILE' shows how",
        ));
    }
    let loads = loads_named(&sheet, &arguments.loads)?;
    let old = Span::from_s(arguments.old_zero);
    let sharing = sharing::asked(&arguments.sharing)?;
    let publishing = publishing::asked(&arguments.publishing)?;
    let watching = if let Some(capture) = &arguments.from {
        let playing = Playing::open(capture, arguments.speed)?;
        let start = playing.start();
        let fitted = Fitted::read(&arguments.sheet, &mut sheet, &[], start, old)?;
        let (lines, playing) = playing.lines(&mut sheet)?;
        let mut sitting = Sitting::new(sheet, lines, &loads, None, Span::ZERO)?;
        sitting.replayed = true;
        sitting.use_fitted(fitted, start);
        Watching {
            sitting,
            clock: Clock::starting_at(start, 1.0),
            telling: arguments.telling,
            source: screen::view::Source::Replay,
            length: arguments.length.map(Span::from_s),
            cues: Vec::new(),
            playing: Some(playing),
            ports: Vec::new(),
            hand: None,
            sharing,
            wall_ahead: Span::ZERO,
            publishing,
            publisher: None,
        }
    } else {
        let clock = Clock::real();
        let found = list();
        let fitted = Fitted::read(&arguments.sheet, &mut sheet, &found, clock.start(), old)?;
        let log = begin_log(&beside(&arguments.sheet), text, clock.now())?;
        let mut ports: Vec<PathBuf> = arguments.port.clone();
        ports.extend(fitted.ports.iter().cloned());
        let mut candidates = ports.clone();
        candidates.extend(found.into_iter().map(|f| f.path));
        let lines = Lines::new(&sheet, &fitted.usb, &candidates)?;
        if lines.count() == 0 {
            return Err(Failure::users(
                "watch.no_ports",
                "no sensor has a port, and no serial port is plugged in",
                "plug a sensor in, or give its port in the sheet: port = \"/dev/ttyUSB0\"",
            ));
        }
        let setup = crate::run::advise::past(&arguments.sheet, &sheet)?.setup;
        let mut sitting = Sitting::new(sheet, lines, &loads, Some(log), Span::ZERO)?;
        sitting.set_up(&setup)?;
        sitting.use_fitted(fitted, clock.start());
        Watching {
            sitting,
            clock,
            telling: arguments.telling,
            source: screen::view::Source::Live,
            length: arguments.length.map(Span::from_s),
            cues: Vec::new(),
            playing: None,
            ports,
            hand: None,
            sharing,
            wall_ahead: Span::ZERO,
            publishing,
            publisher: None,
        }
    };
    let (units, start) = (watching.sitting.sheet.units, watching.clock.start());
    let finished = block_on(watching)?;
    close(&finished, arguments.telling, units, start)?;
    Ok(ExitCode::SUCCESS)
}

/// Indices of loads by name.
pub(super) fn loads_named(sheet: &BuildSheet, names: &[String]) -> Result<Vec<usize>, Failure> {
    let index = |name: &String| {
        sheet
            .loads
            .iter()
            .position(|l| l.name == *name)
            .ok_or_else(|| {
                let all: Vec<_> = sheet.loads.iter().map(|l| l.name.as_str()).collect();
                Failure::users(
                    "watch.load.unknown",
                    format!("there is no load '{name}' in the sheet"),
                    format!("the sheet has: {}", all.join(", ")),
                )
            })
    };
    names.iter().map(index).collect()
}

/// Opens the logbook beside a sheet and begins a sitting in it.
pub(super) fn begin_log(
    path: &std::path::Path,
    sheet_text: String,
    started: Moment,
) -> Result<LogbookWriter, Failure> {
    let program = format!("stillheight {}", env!("CARGO_PKG_VERSION"));
    let sitting = logbook::Sitting {
        started,
        sheet_text,
        program,
    };
    Ok(LogbookWriter::start(
        path,
        sitting,
        HoldingBounds::default(),
    )?)
}

/// Runs the loop on a runtime of its own.
pub(super) fn block_on(watching: Watching<'_>) -> Result<Finished, Failure> {
    // One beside this one, for the ports: with two, each wakes the other for every read.
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(|e| Failure::ours("watch.runtime", format!("cannot start: {e}"), ""))?;
    let result = runtime.block_on(watching.run());
    runtime.shutdown_timeout(Duration::from_millis(500));
    result
}

/// Tells what was still to be told, and what could not be saved.
pub(super) fn close(
    finished: &Finished,
    telling: Telling,
    units: UnitSystem,
    start: Moment,
) -> Result<(), Failure> {
    if telling.plain || telling.json {
        for told in &finished.told {
            tell(told, telling, units, start)?;
        }
    }
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
    Ok(())
}

/// What is told, as a line or several.
pub(super) fn told_line(told: &Told, telling: Telling, units: UnitSystem, start: Moment) -> String {
    if telling.json {
        format!("{}\n", told.json())
    } else {
        format!("{}\n", told.text(start, units))
    }
}

fn tell(told: &Told, telling: Telling, units: UnitSystem, start: Moment) -> Result<(), Failure> {
    sheets::print(&told_line(told, telling, units, start))
}

fn signals() -> Result<screen::Signals, Failure> {
    screen::Signals::new().map_err(|e| {
        Failure::ours(
            "watch.signals",
            format!("cannot listen for signals: {e}"),
            "",
        )
    })
}

enum End {
    Done,
    Screen(Result<screen::Ended, screen::ScreenError>),
}

impl Watching<'_> {
    async fn run(mut self) -> Result<Finished, Failure> {
        let (events_in, mut events) = mpsc::channel::<PortEvent>(EVENTS);
        let mut ports: Vec<Port> = Vec::new();
        if self.playing.is_none() {
            self.attach_new(&mut ports, &events_in);
        }
        let mut looked = std::time::Instant::now();
        let (found_in, mut found) = mpsc::channel::<Vec<PathBuf>>(1);
        let on_screen = !self.telling.plain && !self.telling.json;
        let (views_in, views) = watch::channel(Arc::new(View::default()));
        let views_out = views.clone();
        let (commands_in, mut commands) = mpsc::channel::<Command>(64);
        // On a thread of its own: a terminal that takes nothing for a while must not keep the
        // ports from being read.
        let mut screen = on_screen.then(|| {
            let drawing = screen::run(views, commands_in.clone(), Ink::from_environment());
            let runtime = tokio::runtime::Handle::current();
            tokio::task::spawn_blocking(move || runtime.block_on(drawing))
        });
        let shared = match self.sharing {
            None => None,
            Some((at, allowed)) => Some(share(at, allowed, views_out, commands_in.clone()).await?),
        };
        let on_page = shared.as_ref().map(sharing::shown);
        if let (Some(shown), false) = (&on_page, on_screen) {
            sheets::print(&sharing::told(shown, self.telling.json))?;
        }
        let looked_at = on_screen || shared.is_some();
        // Lines on a terminal show by themselves that it goes on.
        let unseen = self.playing.is_some() && !on_screen && !std::io::stdout().is_terminal();
        let _waiting = Waiting::begin("playing the capture", self.telling.json || !unseen);
        self.publisher = self.publishing.as_ref().and_then(publish);
        let mut signals = signals()?;
        let mut tick = tokio::time::interval(match &self.playing {
            Some(playing) => playing.beat(TICK, SHORTEST_TICK),
            None => self.clock.real_duration(TICK).max(SHORTEST_TICK),
        });
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        let began = std::time::Instant::now();
        let mut refused = Vec::new();
        let mut pace = LookPace::default();
        // The first picture at once.
        let mut last_view = began.checked_sub(VIEW_AT_REST).unwrap_or(began);
        let mut view_due = false;
        let ended = loop {
            let quiet = self.sitting.is_quiet();
            // While nothing moves, and where nobody looks, the ticks take what has come.
            let followed = looked_at && !quiet;
            let look = pace.due().filter(|_| followed);
            let view_after = if quiet {
                VIEW_AT_REST
            } else {
                SHORTEST_BETWEEN_VIEWS
            };
            tokio::select! {
                biased;
                result = async { match screen.as_mut() { Some(s) => s.await, None => std::future::pending().await } } => {
                    screen = None;
                    match result {
                        Ok(result) => break End::Screen(result),
                        Err(e) => return Err(Failure::ours("screen.task", format!("the screen stopped: {e}"), "")),
                    }
                }
                _ = signals.next(), if !on_screen => break End::Done,
                Some(command) = commands.recv() => {
                    if self.obey(command) { break End::Done; }
                    // Keys are answered at once.
                    (view_due, last_view) = (true, began);
                }
                // What comes while the others of its beat are waited for is taken with them.
                Some(event) = events.recv(), if followed && look.is_none() => {
                    self.hear(Some(event), &mut events, &mut refused);
                    pace.heard(std::time::Instant::now());
                    if pace.gather() {
                        self.look(&mut events, &mut refused, &mut pace);
                        view_due = true;
                    }
                }
                () = tokio::time::sleep_until(look.unwrap_or(began).into()), if look.is_some() => {
                    self.look(&mut events, &mut refused, &mut pace);
                    view_due = true;
                }
                () = tokio::time::sleep_until((last_view + view_after).into()), if view_due => {
                    (view_due, last_view) = (false, std::time::Instant::now());
                    if views_in.send(self.view(self.clock.now(), on_page.as_ref())).is_err() { break End::Done; }
                }
                Some(candidates) = found.recv() => {
                    self.sitting.add_ports(&candidates)?;
                    self.attach_new(&mut ports, &events_in);
                }
                _ = tick.tick() => {
                    if self.playing.is_some() {
                        let over = self.play(on_screen)?;
                        if looked_at && views_in.send(self.view(self.now(), on_page.as_ref())).is_err() { break End::Done; }
                        if over { break End::Done; }
                        continue;
                    }
                    self.hear(None, &mut events, &mut refused);
                    let now = self.clock.now();
                    self.play_cues(now);
                    self.clock_set(now);
                    for (line, bytes) in self.sitting.requests(now) {
                        // A port that has just gone takes nothing; the driver asks again.
                        let _ = ports[line].write(bytes);
                    }
                    if let Some(hand) = &mut self.hand {
                        hand.work(&mut self.sitting, now);
                    }
                    self.tell_tick(now, on_screen)?;
                    pace.looked(std::time::Instant::now());
                    view_due |= looked_at;
                    if self.length.is_some_and(|l| now.since(self.clock.start()) >= l) { break End::Done; }
                    let hopeless = !on_screen && self.sitting.lines.all_refused() && began.elapsed() > ALL_REFUSED;
                    if let Some(error) = crate::run::sitting::lines::first_refusal(&refused).filter(|_| hopeless) {
                        return Err(Failure::from(error.clone()));
                    }
                    if self.sitting.lines.misses_somebody() && looked.elapsed() > LOOK_AGAIN {
                        looked = std::time::Instant::now();
                        let (more, to) = (self.ports.clone(), found_in.clone());
                        tokio::task::spawn_blocking(move || {
                            let listed = list().into_iter().map(|f| f.path);
                            // A full channel: the last list has not been looked at yet.
                            let _ = to.try_send(more.into_iter().chain(listed).collect());
                        });
                    }
                }
            }
        };
        if let Some(shared) = shared {
            shared.stop().await;
        }
        drop(views_in);
        if let Some(screen) = screen {
            let _ = tokio::time::timeout(Duration::from_secs(1), screen).await;
        }
        for port in ports {
            let _ = tokio::time::timeout(Duration::from_secs(1), port.stop()).await;
        }
        let now = self.now();
        let publisher = self.publisher.take();
        let finished = self.sitting.finish(now);
        if let Some(publisher) = publisher {
            for told in &finished.told {
                publisher.tell(&told.json());
            }
            publisher.stop().await;
        }
        match ended {
            End::Screen(Err(e)) => Err(e.into()),
            _ => Ok(finished),
        }
    }

    /// Readings and posture of all that has come.
    fn look(
        &mut self,
        events: &mut mpsc::Receiver<PortEvent>,
        refused: &mut Vec<PortEvent>,
        pace: &mut LookPace,
    ) {
        self.hear(None, events, refused);
        self.sitting.look(self.clock.now());
        pace.looked(std::time::Instant::now());
    }

    /// Takes an event and all that came with it; no more than wait, however fast more come.
    fn hear(
        &mut self,
        first: Option<PortEvent>,
        events: &mut mpsc::Receiver<PortEvent>,
        refused: &mut Vec<PortEvent>,
    ) {
        let waiting = std::iter::from_fn(|| events.try_recv().ok()).take(EVENTS);
        for event in first.into_iter().chain(waiting) {
            self.sitting.hear(&event);
            // The first tells what is wrong; a port that flaps for days needs no list.
            if matches!(event.kind, PortEventKind::Refused { .. }) && refused.len() < MOST_REFUSALS
            {
                refused.push(event);
            }
        }
    }

    /// Says so when somebody has set the computer's clock: this sitting's times go
    /// on as they began, so that order and durations stay right.
    fn clock_set(&mut self, now: Moment) {
        if self.source != screen::view::Source::Live {
            return;
        }
        if let Some(words) = clock_set_words(self.clock.wall_ahead(), &mut self.wall_ahead) {
            self.sitting.remark(now, words);
        }
    }

    /// The picture of this moment, with the address of the page.
    fn view(&self, now: Moment, on_page: Option<&SharedView>) -> Arc<View> {
        let mut view = view_of(&self.sitting, now, self.source);
        view.shared = on_page.cloned();
        Arc::new(view)
    }

    /// The moment that is now: the capture's where one is played.
    fn now(&self) -> Moment {
        self.playing
            .as_ref()
            .map_or_else(|| self.clock.now(), Playing::now)
    }

    /// Opens the lines that have no port yet.
    fn attach_new(&self, ports: &mut Vec<Port>, events: &mpsc::Sender<PortEvent>) {
        let settings = self.sitting.lines.settings();
        for (i, line) in settings.into_iter().enumerate().skip(ports.len()) {
            ports.push(attach(i, line, self.clock, events.clone()));
        }
    }

    fn tell_tick(&mut self, now: Moment, on_screen: bool) -> Result<(), Failure> {
        match self.publisher.as_mut().and_then(Publisher::news) {
            Some((true, _)) => {
                let text = "readings go to the broker".to_owned();
                self.sitting.mention(now, text);
            }
            Some((false, why)) => {
                let text = format!("the broker is not there ({why}); it is tried again");
                self.sitting.remark(now, text);
            }
            None => {}
        }
        for told in self.sitting.tick(now) {
            if let Some(publisher) = &self.publisher {
                publisher.tell(&told.json());
            }
            if !on_screen {
                tell(
                    &told,
                    self.telling,
                    self.sitting.sheet.units,
                    self.clock.start(),
                )?;
            }
        }
        Ok(())
    }

    /// Plays the next stretch of a capture; true when it is over and nobody
    /// looks. What happens follows from the capture alone: steps of one length,
    /// each with everything that arrived up to its end.
    fn play(&mut self, on_screen: bool) -> Result<bool, Failure> {
        let Some(mut playing) = self.playing.take() else {
            return Ok(true);
        };
        let mut over = false;
        for _ in 0..playing.steps(TICK, SHORTEST_TICK) {
            let Some((now, events)) = playing.step(TICK)? else {
                if let Some(remark) = playing.take_remark() {
                    self.sitting.remark(playing.now(), remark);
                }
                // On the screen what was last stays, until somebody leaves.
                over = !on_screen;
                break;
            };
            for event in &events {
                self.sitting.hear(event);
            }
            self.tell_tick(now, on_screen)?;
            if self
                .length
                .is_some_and(|l| now.since(self.clock.start()) >= l)
            {
                over = true;
                break;
            }
        }
        self.playing = Some(playing);
        Ok(over)
    }

    /// Does what a key asks; true at the end.
    fn obey(&mut self, command: Command) -> bool {
        let now = self.now();
        match command {
            Command::Quit => return true,
            Command::ToggleLoad(i) => {
                if let Some(&on) = self.sitting.loads_on.get(i) {
                    self.sitting.mark(i, !on, now);
                }
            }
            Command::Keep => self.sitting.ask_to_keep(now),
            Command::Note(text) => self.sitting.note(&text, now),
            Command::Turn => self.sitting.turn_key(now),
            Command::Count(steps) => self.sitting.count_turn(steps),
            Command::GiveUp => self.sitting.give_up_turn(now),
            Command::Pause | Command::Task(_) => {}
        }
        false
    }

    fn play_cues(&mut self, now: Moment) {
        let passed = now.since(self.clock.start());
        let due = self.cues.iter().take_while(|(at, _)| *at <= passed).count();
        for (_, cue) in self.cues.drain(..due).collect::<Vec<_>>() {
            match cue {
                Cue::Note(text) => self.sitting.note(&text, now),
                Cue::Load { name, on } => {
                    if let Some(i) = self.sitting.sheet.loads.iter().position(|l| l.name == name) {
                        self.sitting.mark(i, on, now);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_was_set_is_told_once_each_time() {
        let mut told = Span::ZERO;
        assert!(clock_set_words(Span::from_s(0.4), &mut told).is_none());
        let said = clock_set_words(Span::from_s(3600.2), &mut told).unwrap_or_default();
        assert!(said.contains("set forward by 3600 s"), "{said}");
        assert!(clock_set_words(Span::from_s(3600.3), &mut told).is_none());
        let said = clock_set_words(Span::from_s(0.1), &mut told).unwrap_or_default();
        assert!(said.contains("set back by 3600 s"), "{said}");
        assert!(clock_set_words(Span::from_s(0.0), &mut told).is_none());
    }
}
