//! `zero`: what each sensor shows too much, step by step.
//!
//! In: a sheet, hands that turn an inclinometer or put blocks in a beam,
//! answers. Out: zeros with their uncertainty, in the sheet's neighbour file
//! and in the logbook; old ones stay. Refused: readings of a sensor that moves;
//! a result that the readings do not determine.

pub(super) mod floor;
pub(super) mod hold;

use crate::compare::COVERAGE_95;
use crate::drivers::SampleKind;
use crate::logbook::{Calibration, Logbook, Sitting, beside};
use crate::ports::{FoundPort, UsbIdentity, list};
use crate::quantity::{Dimension, Moment, decimals};
use crate::readings::kind_due;
use crate::readings::neighbour::{Neighbour, OLD_ZERO, Zero, date_words, neighbour_path};
use crate::readings::zeroing::{
    BlockReading, ErrorLine, Reversal, Shown, ZeroingError, blocks, cross_axis, reversal,
    temperature_line,
};
use crate::run::arguments::ZeroArguments;
use crate::run::sensors::find::wanted;
use crate::run::sensors::fitted::{Fitted, device_of};
use crate::run::sensors::steps::{Steps, quantity};
use crate::run::sitting::lines::Lines;
use crate::run::zero::hold::{Held, Hold};
use crate::run::{Failure, sheets};
use crate::sheet::{BuildSheet, Measurand, TiltOn};
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// Standard uncertainty of a block whose own is not said: a limit of 0.05 mm.
/// Chosen, because a ground block is better and a tape is not used.
const BLOCK_M: f64 = 0.05e-3 / 1.732_050_807_568_877_2;
/// What all block readings share: the face that the blocks stand against is
/// where the sheet has the beam start, within a limit of 0.2 mm. Chosen.
const FACE_M: f64 = 0.2e-3 / 1.732_050_807_568_877_2;

/// What is written to.
pub(super) struct Keeping {
    pub(super) neighbour: Neighbour,
    path: PathBuf,
    logbook: Logbook,
}

/// How a sensor's turn ended.
enum Turn {
    Kept,
    Skipped,
    Quit,
}

pub(super) fn run(arguments: &ZeroArguments) -> Result<ExitCode, Failure> {
    let (mut sheet, text) = sheets::read_text(&arguments.sheet, &[])?;
    let path = neighbour_path(&arguments.sheet);
    let neighbour = Neighbour::load(&path)?;
    let chosen = wanted(&sheet, &arguments.sensor, "zero")?;
    let found = list();
    let steps = Steps::new(
        arguments.stepping.plain,
        arguments.stepping.steps.as_deref(),
    )?;
    let fitted = Fitted::of(&neighbour, &mut sheet, &found, Moment::default(), OLD_ZERO);
    let mut candidates = arguments.port.clone();
    candidates.extend(fitted.ports.iter().cloned());
    candidates.extend(found.iter().map(|f| f.path.clone()));
    let lines = Lines::new(&sheet, &fitted.usb, &candidates)?;
    let mut hold = Hold::new(&sheet, lines, arguments.stepping.wait)?;
    let mut logbook = Logbook::open(&beside(&arguments.sheet))?;
    logbook.begin_sitting(&Sitting {
        started: hold.ear.now(),
        sheet_text: text,
        program: format!("stillheight {}", env!("CARGO_PKG_VERSION")),
    })?;
    let mut keeping = Keeping {
        neighbour,
        path,
        logbook,
    };
    let done = if arguments.floor {
        let with = match &arguments.with {
            Some(name) => {
                let index = wanted(&sheet, std::slice::from_ref(name), "zero")?[0];
                if kind_due(&sheet.sensors[index].reads) != SampleKind::Angle {
                    return Err(Failure::users(
                        "zero.floor.kind",
                        format!("'{name}' is no inclinometer"),
                        "name the inclinometer that lies on the straight edge",
                    ));
                }
                Some((index, fitted.calibrations[index]))
            }
            None => None,
        };
        floor::map(&sheet, with, &mut hold, &steps, &mut keeping)?
    } else {
        zero_all(
            &sheet,
            &chosen,
            &fitted.usb,
            &found,
            &mut hold,
            &steps,
            &mut keeping,
        )?
    };
    hold.ear.shut();
    sheets::print(&format!(
        "DONE {done}\nkept in {} and in the logbook\n",
        keeping.path.display()
    ))?;
    Ok(ExitCode::SUCCESS)
}

fn zero_all(
    sheet: &BuildSheet,
    chosen: &[usize],
    usb: &[Option<UsbIdentity>],
    found: &[FoundPort],
    hold: &mut Hold,
    steps: &Steps,
    keeping: &mut Keeping,
) -> Result<String, Failure> {
    let mut kept = 0;
    for &sensor in chosen {
        let named = &sheet.sensors[sensor];
        let device = device_of(named, usb[sensor].as_ref(), found);
        if let Some(before) = keeping.neighbour.newest_zero_of_any(&named.name) {
            let days = hold.ear.now().since(before.moment()).s() / 86_400.0;
            let other = if before.device == device {
                ""
            } else {
                ", of another device"
            };
            steps.say(&format!(
                "'{}' was zeroed {days:.0} days ago{other}",
                named.name
            ))?;
        }
        let mut turn = Turning {
            sheet,
            sensor,
            device,
            hold: &mut *hold,
            steps,
            keeping: &mut *keeping,
        };
        let ended = match kind_due(&named.reads) {
            SampleKind::Angle => turn.tilt()?,
            SampleKind::Distance => turn.distance()?,
        };
        match ended {
            Turn::Kept => kept += 1,
            Turn::Skipped => {}
            Turn::Quit => break,
        }
    }
    Ok(format!("{kept} of {} sensors zeroed", chosen.len()))
}

impl Keeping {
    /// Writes a zero into both files.
    fn keep(&mut self, zero: Zero, at: Moment) -> Result<(), Failure> {
        self.log(
            at,
            &zero.sensor.clone(),
            "zero",
            serde_json::to_value(&zero),
        )?;
        self.neighbour.zeros.push(zero);
        self.neighbour.save(&self.path)?;
        Ok(())
    }

    /// Writes a result into the logbook.
    pub(super) fn log(
        &mut self,
        at: Moment,
        sensor: &str,
        kind: &str,
        result: serde_json::Result<serde_json::Value>,
    ) -> Result<(), Failure> {
        let result = result.map_err(|e| {
            Failure::ours("zero.record", format!("cannot be written down: {e}"), "")
        })?;
        self.logbook.calibrate(&Calibration {
            at,
            sensor: sensor.to_owned(),
            kind: kind.to_owned(),
            result,
        })?;
        Ok(())
    }

    /// Writes the neighbour file.
    pub(super) fn save(&self) -> Result<(), Failure> {
        Ok(self.neighbour.save(&self.path)?)
    }
}

/// One sensor's turn.
struct Turning<'a> {
    sheet: &'a BuildSheet,
    sensor: usize,
    device: String,
    hold: &'a mut Hold,
    steps: &'a Steps,
    keeping: &'a mut Keeping,
}

/// What came of asking for a reading.
enum Asked {
    Held(Held),
    Skip,
    Quit,
}

impl Turning<'_> {
    fn name(&self) -> &str {
        &self.sheet.sensors[self.sensor].name
    }

    /// Asks for one reading at rest, until it is taken.
    fn ask(&mut self, title: &str, body: &str) -> Result<Asked, Failure> {
        let title = format!("'{}': {title}", self.name());
        self.steps
            .step(&title, body, "Enter or 'take' when it rests; skip, quit")?;
        loop {
            match self.hold.answer(self.steps).as_str() {
                "" | "take" => {
                    if let Some(held) = self.hold.take(self.sensor, self.steps)? {
                        self.steps.say(&taken(&held, self.kind()))?;
                        return Ok(Asked::Held(held));
                    }
                }
                "skip" => return Ok(Asked::Skip),
                "quit" => return Ok(Asked::Quit),
                other => self
                    .steps
                    .say(&format!("'{other}' is no answer here: take, skip, quit"))?,
            }
        }
    }

    fn kind(&self) -> SampleKind {
        kind_due(&self.sheet.sensors[self.sensor].reads)
    }

    /// An inclinometer: end for end.
    fn tilt(&mut self) -> Result<Turn, Failure> {
        let mut pairs: Vec<(Held, Held)> = Vec::new();
        let mut reversed = None;
        let mut cross = None;
        let mut warm: Vec<(f64, f64)> = Vec::new();
        loop {
            let number = pairs.len() + 1;
            let first = self.ask(
                &format!("pair {number}, first way round"),
                "lay it on a flat, steady place, about level, and draw its outline;\nlet go of it and stand still",
            )?;
            let first = match first {
                Asked::Held(held) => held,
                Asked::Skip => return Ok(Turn::Skipped),
                Asked::Quit => return Ok(Turn::Quit),
            };
            let second = self.ask(
                &format!("pair {number}, turned end for end"),
                "turn it end for end (not over) in the same outline; let go of it",
            )?;
            match second {
                Asked::Held(held) => pairs.push((first, held)),
                Asked::Skip => return Ok(Turn::Skipped),
                Asked::Quit => return Ok(Turn::Quit),
            }
            let shown: Vec<(Shown, Shown)> =
                pairs.iter().map(|(a, b)| (a.shown, b.shown)).collect();
            let found = match reversal(&shown) {
                Ok(found) => found,
                Err(e) => return Err(wrong(&e)),
            };
            loop {
                self.steps.step(
                    &format!(
                        "'{}': zero after {}",
                        self.name(),
                        counted(pairs.len(), "pair")
                    ),
                    &tilt_words(&found),
                    "keep; or: more (another pair), direction, cross ANGLE, warm, skip, quit",
                )?;
                let answer = self.hold.answer(self.steps);
                let (verb, rest) = answer.split_once(' ').unwrap_or((answer.as_str(), ""));
                match verb {
                    "" | "keep" => {
                        return self.keep_tilt(&found, &pairs, reversed, cross, &warm);
                    }
                    "more" => break,
                    "direction" => reversed = self.direction()?.or(reversed),
                    "cross" => cross = self.across(rest)?.or(cross),
                    "warm" => {
                        if let Some(held) = self.hold.take(self.sensor, self.steps)? {
                            match held.temperature_c {
                                Some(t) => {
                                    warm.push((t, held.shown.value));
                                    self.steps.say(&taken(&held, SampleKind::Angle))?;
                                }
                                None => self.steps.say("it does not tell its temperature")?,
                            }
                        }
                    }
                    "skip" => return Ok(Turn::Skipped),
                    "quit" => return Ok(Turn::Quit),
                    other => self.steps.say(&format!("'{other}' is no answer here"))?,
                }
            }
        }
    }

    /// Which way round it is mounted.
    fn direction(&mut self) -> Result<Option<bool>, Failure> {
        let raise = match &self.sheet.sensors[self.sensor].reads {
            Measurand::Tilt {
                on: TiltOn::FramePitch,
                ..
            } => "tip it nose down, as if the front of the vehicle sank",
            Measurand::Tilt {
                on: TiltOn::Link(_),
                ..
            } => "raise the end that points to the link's frame end",
            _ => "raise the end that points to the vehicle's left side",
        };
        let before = self.ask(
            "which way round, as it is clipped on",
            "hold it in your hand or on a board as it sits on the vehicle; do not lift the vehicle for this",
        )?;
        let Asked::Held(before) = before else {
            return Ok(None);
        };
        let after = self.ask(
            "which way round, tipped",
            &format!("{raise}, by about a degree or more, and prop it there"),
        )?;
        let Asked::Held(after) = after else {
            return Ok(None);
        };
        let change = after.shown.value - before.shown.value;
        let sure = (5.0 * after.shown.u.hypot(before.shown.u)).max(0.2_f64.to_radians());
        if change.abs() < sure {
            self.steps
                .say("it hardly moved: nothing can be said of its direction")?;
            return Ok(None);
        }
        self.steps.say(if change > 0.0 {
            "it is mounted the right way round"
        } else {
            "it is mounted the other way round: its sign is turned"
        })?;
        Ok(Some(change < 0.0))
    }

    /// How much of a tilt across it shows.
    fn across(&mut self, angle: &str) -> Result<Option<Shown>, Failure> {
        let tipped = match quantity(angle, Dimension::Angle) {
            Ok(tipped) => tipped,
            Err(why) => {
                self.steps.say(&format!("cross needs the angle: {why}"))?;
                return Ok(None);
            }
        };
        let before = self.ask("across, flat", "lay it flat in its outline")?;
        let Asked::Held(before) = before else {
            return Ok(None);
        };
        let after = self.ask(
            "across, tipped sideways",
            &format!("tip it sideways by {angle} on a wedge, its own direction as it was"),
        )?;
        let Asked::Held(after) = after else {
            return Ok(None);
        };
        match cross_axis(before.shown, after.shown, tipped) {
            Ok(share) => {
                self.steps.say(&format!(
                    "of a tilt across it shows {} %",
                    decimals(share.value * 100.0, 2)
                ))?;
                Ok(Some(share))
            }
            Err(e) => {
                self.steps.say(&format!("{e}. {}", e.help()))?;
                Ok(None)
            }
        }
    }

    fn keep_tilt(
        &mut self,
        found: &Reversal,
        pairs: &[(Held, Held)],
        reversed: Option<bool>,
        cross: Option<Shown>,
        warm: &[(f64, f64)],
    ) -> Result<Turn, Failure> {
        let now = self.hold.ear.now();
        let temperatures: Vec<f64> = pairs
            .iter()
            .flat_map(|(a, b)| [a.temperature_c, b.temperature_c])
            .flatten()
            .collect();
        let zero = Zero {
            sensor: self.name().to_owned(),
            at: date_words(now),
            device: self.device.clone(),
            by: "reversal".to_owned(),
            readings: u32::try_from(2 * pairs.len()).unwrap_or(u32::MAX),
            zero_deg: Some(found.zero.value.to_degrees()),
            zero_standard_uncertainty_deg: Some(found.zero.u.to_degrees()),
            surface_slope_deg: Some(found.slope.value.to_degrees()),
            reversed,
            cross_axis: cross.map(|c| c.value),
            temperature_c: mean(&temperatures),
            warming_deg_per_c: self.warming(warm)?.map(f64::to_degrees),
            ..Zero::default()
        };
        self.keep(zero, now)
    }

    /// The change for a degree Celsius, where enough was read.
    fn warming(&self, warm: &[(f64, f64)]) -> Result<Option<f64>, Failure> {
        if warm.is_empty() {
            return Ok(None);
        }
        match temperature_line(warm) {
            Ok(line) => Ok(Some(line.scale.value)),
            Err(e) => {
                self.steps
                    .say(&format!("no temperature slope: {e}. {}", e.help()))?;
                Ok(None)
            }
        }
    }

    fn keep(&mut self, zero: Zero, now: Moment) -> Result<Turn, Failure> {
        self.keeping.keep(zero, now)?;
        self.steps
            .say(&format!("KEPT the zero of '{}'", self.name()))?;
        Ok(Turn::Kept)
    }

    /// A distance sensor: over blocks.
    fn distance(&mut self) -> Result<Turn, Failure> {
        let mut readings: Vec<BlockReading> = Vec::new();
        let mut temperatures = Vec::new();
        let mut warm: Vec<(f64, f64)> = Vec::new();
        let mut common = FACE_M;
        loop {
            let found = if readings.is_empty() {
                None
            } else {
                Some(blocks(&readings, common))
            };
            let so_far = match &found {
                None => String::new(),
                Some(Ok(line)) => block_words(line, readings.len()),
                Some(Err(e)) => format!("{e}. {}", e.help()),
            };
            self.steps.step(
                &format!("'{}': block {}", self.name(), readings.len() + 1),
                &format!(
                    "put a block of known length between its face and a flat board across the beam\n\
                     (eyes off the beam); one block gives the offset, three and more a line\n{so_far}"
                ),
                "its length, '100 mm' or '100 mm +- 0.05 mm'; or: keep, undo, face LIMIT, warm, skip, quit",
            )?;
            let answer = self.hold.answer(self.steps);
            let (verb, rest) = answer.split_once(' ').unwrap_or((answer.as_str(), ""));
            match verb {
                "" => {}
                "keep" => match found {
                    Some(Ok(line)) => {
                        return self.keep_distance(&line, readings.len(), &temperatures, &warm);
                    }
                    _ => self.steps.say("there is nothing to keep yet")?,
                },
                "undo" => {
                    readings.pop();
                    temperatures.pop();
                }
                "face" => match quantity(rest, Dimension::Length) {
                    Ok(limit) if limit >= 0.0 => common = limit / 3.0_f64.sqrt(),
                    Ok(_) => self.steps.say("a limit is not below zero")?,
                    Err(why) => self.steps.say(&why)?,
                },
                "warm" => {
                    if let Some(held) = self.hold.take(self.sensor, self.steps)? {
                        match held.temperature_c {
                            Some(t) => {
                                warm.push((t, held.shown.value));
                                self.steps.say(&taken(&held, SampleKind::Distance))?;
                            }
                            None => self.steps.say("it does not tell its temperature")?,
                        }
                    }
                }
                "skip" => return Ok(Turn::Skipped),
                "quit" => return Ok(Turn::Quit),
                _ => match block(answer.strip_prefix("block ").unwrap_or(&answer)) {
                    Err(why) => self.steps.say(&why)?,
                    Ok(block) => {
                        if let Some(held) = self.hold.take(self.sensor, self.steps)? {
                            self.steps.say(&taken(&held, SampleKind::Distance))?;
                            readings.push(BlockReading {
                                shown: held.shown,
                                block,
                            });
                            temperatures.push(held.temperature_c);
                        }
                    }
                },
            }
        }
    }

    fn keep_distance(
        &mut self,
        line: &ErrorLine,
        readings: usize,
        temperatures: &[Option<f64>],
        warm: &[(f64, f64)],
    ) -> Result<Turn, Failure> {
        let now = self.hold.ear.now();
        let temperatures: Vec<f64> = temperatures.iter().copied().flatten().collect();
        let several = readings > 1;
        let zero = Zero {
            sensor: self.name().to_owned(),
            at: date_words(now),
            device: self.device.clone(),
            by: "blocks".to_owned(),
            readings: u32::try_from(readings).unwrap_or(u32::MAX),
            zero_mm: Some(line.zero.value * 1e3),
            zero_standard_uncertainty_mm: Some(line.zero.u * 1e3),
            reference_mm: Some(line.reference * 1e3),
            scale_mm_per_m: several.then_some(line.scale.value * 1e3),
            scale_standard_uncertainty_mm_per_m: several.then_some(line.scale.u * 1e3),
            temperature_c: mean(&temperatures),
            warming_mm_per_c: self.warming(warm)?.map(|m| m * 1e3),
            ..Zero::default()
        };
        self.keep(zero, now)
    }
}

/// `1 pair`, `2 pairs`.
fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// No distance module is off by more than this share of what it shows, a limit
/// chosen far over what cheap ones are.
const MOST_SCALE: f64 = 0.05;

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// `100 mm`, `100 mm +- 0.05 mm`: the limit becomes a standard uncertainty.
fn block(text: &str) -> Result<Shown, String> {
    let (length, limit) = match text.split_once("+-").or_else(|| text.split_once('±')) {
        Some((length, limit)) => (length, Some(limit)),
        None => (text, None),
    };
    let value = quantity(length, Dimension::Length)?;
    if !(value > 0.0 && value < 10.0) {
        return Err(format!("'{text}' is no length of a block"));
    }
    let u = match limit {
        Some(limit) => quantity(limit, Dimension::Length)?.abs() / 3.0_f64.sqrt(),
        None => BLOCK_M,
    };
    Ok(Shown { value, u })
}

pub(super) fn wrong(e: &ZeroingError) -> Failure {
    Failure::users(e.code(), e.to_string(), e.help())
}

/// A reading as it is told.
fn taken(held: &Held, kind: SampleKind) -> String {
    let shown = match kind {
        SampleKind::Angle => format!(
            "{} ± {} deg",
            decimals(held.shown.value.to_degrees(), 3),
            decimals((COVERAGE_95 * held.shown.u).to_degrees(), 3)
        ),
        SampleKind::Distance => format!(
            "{} ± {} mm",
            decimals(held.shown.value * 1e3, 2),
            decimals(COVERAGE_95 * held.shown.u * 1e3, 2)
        ),
    };
    let warm = held
        .temperature_c
        .map_or_else(String::new, |t| format!(" at {} degC", decimals(t, 1)));
    format!("TAKEN {shown} from {} samples{warm}", held.samples)
}

fn tilt_words(found: &Reversal) -> String {
    let deg = |x: f64| decimals(x.to_degrees(), 3);
    let by = if found.spread.is_some() {
        "from the spread of the pairs"
    } else {
        "one pair only, so an allowance for how it sits down; 'more' finds it out"
    };
    format!(
        "zero {} ± {} deg (95 %, {by})\nthe place itself slopes by {} deg\n",
        deg(found.zero.value),
        deg(COVERAGE_95 * found.zero.u),
        deg(found.slope.value),
    )
}

fn block_words(line: &ErrorLine, readings: usize) -> String {
    let mm = |x: f64| decimals(x * 1e3, 2);
    let mut text = format!(
        "so far: it shows {} mm too much, ± {} mm (95 %) at {} mm",
        mm(line.zero.value),
        mm(COVERAGE_95 * line.zero.u),
        decimals(line.reference * 1e3, 0)
    );
    if readings > 1 {
        let _ = write!(
            text,
            ", and {} ± {} mm more for each metre",
            mm(line.scale.value),
            mm(COVERAGE_95 * line.scale.u)
        );
    }
    if readings > 1 && line.scale.value.abs() > MOST_SCALE {
        text.push_str("; that is more than a module is off: does the beam meet the board?");
    }
    if let Some(sd) = line.residual_sd {
        let _ = write!(text, "; the blocks lie within {} mm of the line", mm(sd));
    }
    text.push('\n');
    text
}
