//! `sensors find`: which sensor is where.
//!
//! In: a sheet, everything that speaks, hands that move one sensor at a time.
//! Out: for each place of the sheet the one that moved, kept in the sheet's
//! neighbour file. Refused: two that move at once; one of the wrong kind.
//!
//! # Method
//!
//! At each step the middle and the spread of every source over the last 0.7 s
//! are taken as its rest. The one that leaves its rest by eight times its
//! spread (and by a degree or 15 mm at least), three samples in a row, is the
//! one, if no other has gone half as far for its own measure. It must come to
//! rest before the next step, and from then on its motion does not count: it is
//! being put back.

use crate::drivers::{DeviceIdentity, Heard, SampleKind, Source, source_of};
use crate::ports::FoundPort;
use crate::quantity::Moment;
use crate::readings::kind_due;
use crate::readings::neighbour::{Neighbour, Place, date_words, neighbour_path};
use crate::run::arguments::FindArguments;
use crate::run::sensors::ear::Ear;
use crate::run::sensors::steps::{Answer, Steps};
use crate::run::sensors::trial::{Known, Listening, PortReport, Trials, all_ports};
use crate::run::sensors::value_words;
use crate::run::{Failure, sheets};
use crate::sheet::{BuildSheet, Measurand, Protocol, TiltOn};
use std::collections::VecDeque;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Length of what is taken as rest, seconds.
const REST_S: f64 = 0.7;
/// How many spreads make a motion.
const SPREADS: f64 = 8.0;
/// The least motion: 1 degree, 15 mm. Chosen, because a vehicle that is touched
/// moves less than that, and a hand moves a sensor by more.
const LEAST: [f64; 2] = [0.017_45, 0.015];
/// So many samples in a row must have left.
const IN_A_ROW: usize = 3;
/// Before the first step there is at least so much time to tell what speaks.
const FIRST_LOOK: Duration = Duration::from_secs(3);
/// Another that has gone this share of the way of the first makes it doubtful.
const DOUBTFUL: f64 = 0.5;

/// Something that speaks.
#[derive(Debug)]
struct Candidate {
    port: usize,
    source: Source,
    kind: SampleKind,
    identity: Option<DeviceIdentity>,
    window: VecDeque<(Moment, f64)>,
    /// Middle and spread at rest.
    rest: Option<(f64, f64)>,
    away: usize,
    /// Furthest from rest, in its own measure; 1 is a motion.
    furthest: f64,
    /// It has its place: being put back does not count as a motion.
    has_place: bool,
}

impl Candidate {
    fn push(&mut self, at: Moment, value: f64) {
        self.window.push_back((at, value));
        while self
            .window
            .front()
            .is_some_and(|(t, _)| at.since(*t).s() > REST_S)
        {
            self.window.pop_front();
        }
        let Some((middle, spread)) = self.rest else {
            return;
        };
        let off = (value - middle).abs() / self.measure(spread);
        self.furthest = self.furthest.max(off);
        self.away = if off > 1.0 { self.away + 1 } else { 0 };
    }

    fn measure(&self, spread: f64) -> f64 {
        (SPREADS * spread).max(LEAST[usize::from(self.kind == SampleKind::Distance)])
    }

    /// Middle and spread of the window; nothing for fewer than three values.
    fn middle(&self) -> Option<(f64, f64)> {
        if self.window.len() < 3 {
            return None;
        }
        let mut values: Vec<f64> = self.window.iter().map(|(_, x)| *x).collect();
        values.sort_unstable_by(f64::total_cmp);
        let middle = values[values.len() / 2];
        let mut off: Vec<f64> = values.iter().map(|x| (x - middle).abs()).collect();
        off.sort_unstable_by(f64::total_cmp);
        Some((middle, 1.4826 * off[off.len() / 2]))
    }

    fn begin(&mut self) {
        self.rest = self.middle();
        self.away = 0;
        self.furthest = 0.0;
    }

    fn is_at_rest(&self) -> bool {
        let (low, high) = self
            .window
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (_, x)| {
                (l.min(*x), h.max(*x))
            });
        let span = match (self.window.front(), self.window.back()) {
            (Some((a, _)), Some((b, _))) => b.since(*a).s(),
            _ => 0.0,
        };
        let spread = self.rest.map_or(0.0, |r| r.1);
        span > 0.5 * REST_S && high - low < self.measure(spread)
    }

    fn words(&self, reports: &[PortReport]) -> String {
        let port = reports
            .get(self.port)
            .map_or_else(String::new, |r| r.path.display().to_string());
        let last = self.window.back().map_or(f64::NAN, |(_, x)| *x);
        format!(
            "{} on {port}: {}",
            self.source,
            value_words(self.kind, last)
        )
    }
}

/// Everything at hand.
struct Finding {
    ear: Ear,
    trials: Trials,
    found: Vec<FoundPort>,
    candidates: Vec<Candidate>,
    steps: Steps,
    wait: Duration,
}

/// How a place ended.
enum Found {
    This(usize),
    Nothing,
    Quit,
}

pub(in crate::run) fn run(arguments: &FindArguments) -> Result<ExitCode, Failure> {
    let sheet = sheets::read(&arguments.sheet)?;
    let path = neighbour_path(&arguments.sheet);
    let mut neighbour = Neighbour::load(&path)?;
    let wanted = wanted(&sheet, &arguments.place, "find")?;
    let mut placed = sheet.clone();
    neighbour.place_sensors(&mut placed);
    let mut given: Vec<PathBuf> = arguments.port.clone();
    let of_sheet = sheet
        .sensors
        .iter()
        .filter_map(|s| s.connection.port.clone());
    let of_places = neighbour.places.iter().filter_map(|p| p.port.clone());
    given.extend(of_sheet.chain(of_places).map(PathBuf::from));
    let (ports, found) = all_ports(&given);
    let steps = Steps::new(
        arguments.stepping.plain,
        arguments.stepping.steps.as_deref(),
    )?;
    let mut ear = Ear::new()?;
    let how = Listening {
        known: Known::of(&placed),
        ..Listening::default()
    };
    let trials = Trials::begin(&mut ear, &ports, &how, &found)?;
    let mut finding = Finding {
        ear,
        trials,
        found,
        candidates: Vec::new(),
        steps,
        wait: Duration::from_secs_f64(arguments.stepping.wait),
    };
    finding.steps.say(&format!(
        "listening to {} ports to tell what speaks",
        ports.len()
    ))?;
    let began = Instant::now();
    while !finding.trials.all_over() && !finding.ear.is_stopped() {
        finding.hear()?;
        // Silent ports go on being tried while steps are asked for.
        let enough = finding.candidates.len() >= sheet.sensors.len();
        if enough && began.elapsed() > FIRST_LOOK {
            break;
        }
    }
    if finding.candidates.is_empty() {
        let reports = finding.trials.reports();
        let each: Vec<String> = reports
            .iter()
            .map(|r| format!("  {}: {}", r.path.display(), r.words()))
            .collect();
        finding.ear.shut();
        return Err(Failure::users(
            "sensors.find.nobody",
            format!("nothing that can be understood speaks\n{}", each.join("\n")),
            "plug the sensors in; name ports that are not listed with --port",
        ));
    }
    let mut bound = 0;
    for index in wanted.iter().copied() {
        match finding.find(&sheet, index)? {
            Found::Quit => break,
            Found::Nothing => {}
            Found::This(candidate) => {
                let place = finding.place(&sheet, &sheet.sensors[index].name, candidate);
                finding.candidates[candidate].has_place = true;
                let moved = neighbour.bind(place);
                // At once: what was found survives whatever happens next.
                neighbour.save(&path)?;
                bound += 1;
                if let Some(moved) = moved {
                    finding.steps.say(&format!(
                        "it was at '{moved}' before; that place is free now"
                    ))?;
                }
                finding.settle()?;
            }
        }
    }
    finding.ear.shut();
    let kept = if bound > 0 {
        format!("; kept in {}", path.display())
    } else {
        String::new()
    };
    sheets::print(&format!(
        "DONE {bound} of {} places found{kept}\n",
        wanted.len()
    ))?;
    Ok(ExitCode::SUCCESS)
}

/// Indices of the sensors asked for by name; all where none is named.
pub(in crate::run) fn wanted(
    sheet: &BuildSheet,
    names: &[String],
    command: &str,
) -> Result<Vec<usize>, Failure> {
    if sheet.sensors.is_empty() {
        return Err(Failure::users(
            &format!("{command}.no_sensors"),
            "the sheet names no sensors",
            "add [[sensor]] tables; 'stillheight sensors try PORT' prints them",
        ));
    }
    if names.is_empty() {
        return Ok((0..sheet.sensors.len()).collect());
    }
    names
        .iter()
        .map(|name| {
            sheet
                .sensors
                .iter()
                .position(|s| s.name == *name)
                .ok_or_else(|| {
                    let all: Vec<_> = sheet.sensors.iter().map(|s| s.name.as_str()).collect();
                    Failure::users(
                        &format!("{command}.sensor.unknown"),
                        format!("there is no sensor '{name}' in the sheet"),
                        format!("the sheet has: {}", all.join(", ")),
                    )
                })
        })
        .collect()
}

/// What a hand does to move a sensor of this kind.
fn how_to_move(reads: &Measurand) -> &'static str {
    match reads {
        Measurand::Tilt {
            on: TiltOn::FramePitch,
            ..
        } => "unclip it and tip it a few degrees along its own length, or lift one end of it",
        Measurand::Tilt { .. } => "unclip it and tip it a few degrees, or lift one end of it",
        Measurand::FrameToFloor { .. } | Measurand::FrameToAxle { .. } => {
            "hold a hand or a board in its beam for a second (eyes off the beam), then take it away"
        }
    }
}

impl Finding {
    /// Listens for a little and notes what every source says.
    fn hear(&mut self) -> Result<(), Failure> {
        for (port, heard) in self.trials.hear(&mut self.ear, Duration::from_millis(50))? {
            let (source, kind) = match &heard {
                Heard::Sample(s) if s.trusted && s.value.is_finite() => (&s.source, s.kind),
                Heard::Identity(said) => match said.kind {
                    Some(kind) => (&said.source, kind),
                    None => continue,
                },
                _ => continue,
            };
            let known = self
                .candidates
                .iter()
                .position(|c| c.source == *source && c.port == port);
            let index = known.unwrap_or_else(|| {
                self.candidates.push(Candidate {
                    port,
                    source: source.clone(),
                    kind,
                    identity: None,
                    window: VecDeque::new(),
                    rest: None,
                    away: 0,
                    furthest: 0.0,
                    has_place: false,
                });
                self.candidates.len() - 1
            });
            match heard {
                Heard::Sample(sample) => self.candidates[index].push(sample.at, sample.value),
                Heard::Identity(identity) => self.candidates[index].identity = Some(*identity),
                _ => {}
            }
        }
        Ok(())
    }

    fn list(&self) -> String {
        let reports = self.trials.reports();
        let mut text = String::new();
        for (i, candidate) in self.candidates.iter().enumerate() {
            let _ = writeln!(text, "{}  {}", i + 1, candidate.words(&reports));
        }
        text
    }

    /// Everything at rest again; what is there now is rest.
    fn begin_rest(&mut self) {
        for candidate in &mut self.candidates {
            candidate.begin();
        }
    }

    fn find(&mut self, sheet: &BuildSheet, index: usize) -> Result<Found, Failure> {
        let sensor = &sheet.sensors[index];
        let due = kind_due(&sensor.reads);
        self.steps.step(
            &format!("move the one at '{}'", sensor.name),
            &format!(
                "{}\n\nwhat speaks now:\n{}",
                how_to_move(&sensor.reads),
                self.list()
            ),
            "move it; or: blink N, is N, skip, quit",
        )?;
        // A little of rest first.
        let until = Instant::now() + Duration::from_secs_f64(1.2 * REST_S);
        while Instant::now() < until {
            self.hear()?;
        }
        self.begin_rest();
        let over = Instant::now() + self.wait;
        while Instant::now() < over {
            self.hear()?;
            if self.ear.is_stopped() {
                return Ok(Found::Quit);
            }
            if let Some(found) = self.obey(due)? {
                return Ok(found);
            }
            let Some(mover) = self.mover(due)? else {
                continue;
            };
            let words = self.candidates[mover].words(&self.trials.reports());
            self.steps
                .say(&format!("FOUND '{}' is {words}", sensor.name))?;
            return Ok(Found::This(mover));
        }
        self.steps
            .say(&format!("nothing moved; '{}' stays as it was", sensor.name))?;
        Ok(Found::Nothing)
    }

    /// Does what was answered, if anything.
    fn obey(&mut self, due: SampleKind) -> Result<Option<Found>, Failure> {
        let Answer::Line(line) = self.steps.answer() else {
            return Ok(None);
        };
        let mut words = line.split_whitespace();
        let (verb, number) = (words.next().unwrap_or(""), words.next());
        let chosen = number
            .and_then(|n| n.parse::<usize>().ok())
            .and_then(|n| n.checked_sub(1))
            .filter(|n| *n < self.candidates.len());
        match (verb, chosen) {
            ("", _) => {}
            ("skip", _) => return Ok(Some(Found::Nothing)),
            ("quit", _) => return Ok(Some(Found::Quit)),
            ("is", Some(n)) if self.candidates[n].kind != due => {
                self.steps.say(&format!(
                    "{n} sends another kind of value; {due} is due here",
                    n = n + 1
                ))?;
            }
            ("is", Some(n)) => {
                let words = self.candidates[n].words(&self.trials.reports());
                self.steps.say(&format!("FOUND it is {words}"))?;
                return Ok(Some(Found::This(n)));
            }
            ("blink", Some(n)) => {
                let candidate = &self.candidates[n];
                let channel = match candidate.source {
                    Source::Wire { channel, .. } => Some(channel),
                    Source::Named(_) => None,
                };
                let can = candidate.identity.as_ref().is_none_or(|i| i.blinks);
                let asked = can && self.trials.blink(&self.ear, candidate.port, channel);
                self.steps.say(if asked {
                    "it was asked to blink for five seconds; 'is N' if that is the one"
                } else {
                    "it cannot blink; move it instead"
                })?;
            }
            _ => self.steps.say(&format!(
                "'{line}' is no answer here: blink N, is N, skip, quit"
            ))?,
        }
        Ok(None)
    }

    /// The one that moved, if it is clear which.
    fn mover(&mut self, due: SampleKind) -> Result<Option<usize>, Failure> {
        let first = self
            .candidates
            .iter()
            .enumerate()
            .filter(|(_, c)| !c.has_place && c.away >= IN_A_ROW)
            .max_by(|a, b| a.1.furthest.total_cmp(&b.1.furthest))
            .map(|(i, c)| (i, c.furthest));
        let Some((first, far)) = first else {
            return Ok(None);
        };
        let second = self
            .candidates
            .iter()
            .enumerate()
            .filter(|(i, c)| {
                let far_too = c.furthest > 1.0 && c.furthest > DOUBTFUL * far;
                *i != first && !c.has_place && far_too
            })
            .max_by(|a, b| a.1.furthest.total_cmp(&b.1.furthest))
            .map(|(i, _)| i);
        let says = if let Some(second) = second {
            format!(
                "two moved, {} and {}: let everything rest, then move one alone",
                self.candidates[first].source, self.candidates[second].source
            )
        } else if self.candidates[first].kind != due {
            format!(
                "{} moved, and sends another kind of value than is due here ({due})",
                self.candidates[first].source
            )
        } else {
            return Ok(Some(first));
        };
        self.steps.say(&says)?;
        self.settle()?;
        self.begin_rest();
        Ok(None)
    }

    /// Waits until everything is at rest.
    fn settle(&mut self) -> Result<(), Failure> {
        let over = Instant::now() + self.wait;
        let mut told = false;
        let began = Instant::now();
        while Instant::now() < over && !self.ear.is_stopped() {
            self.hear()?;
            if self.candidates.iter().all(Candidate::is_at_rest) {
                return Ok(());
            }
            if !told && began.elapsed() > Duration::from_secs(2) {
                told = true;
                self.steps.say("put it back and let everything rest")?;
            }
        }
        Ok(())
    }

    /// What is known of a candidate, as it is kept.
    fn place(&self, sheet: &BuildSheet, sensor: &str, candidate: usize) -> Place {
        let candidate = &self.candidates[candidate];
        let reports = self.trials.reports();
        let report = &reports[candidate.port];
        let usb = report.found.as_ref().and_then(|f| f.usb.as_ref());
        let usb = usb.or_else(|| {
            self.found
                .iter()
                .find(|f| f.path == report.path)
                .and_then(|f| f.usb.as_ref())
        });
        let mut place = Place {
            sensor: sensor.to_owned(),
            found: date_words(self.ear.now()),
            port: Some(report.path.to_string_lossy().into_owned()),
            baud: report.speaks().map(|s| s.baud),
            usb: usb.map(|u| format!("{:04x}:{:04x}", u.vendor, u.product)),
            usb_serial: usb.and_then(|u| u.serial.clone()),
            usb_socket: usb.and_then(|u| u.socket.clone()),
            ..Place::default()
        };
        match &candidate.source {
            Source::Wire { device, channel } => {
                place.device = Some(format!("{device:#018x}"));
                place.channel = Some(*channel);
            }
            Source::Named(name) => {
                let speaks = report.speaks().map(|s| s.protocol);
                place.transducer = (speaks == Some("xdr")).then(|| name.to_string());
                place.address = sheet
                    .sensors
                    .iter()
                    .map(|s| &s.connection.protocol)
                    .filter(|p| source_of(p) == candidate.source)
                    .find_map(|p| match p {
                        Protocol::Modbus { address, .. } => Some(*address),
                        _ => None,
                    });
            }
        }
        place
    }
}
