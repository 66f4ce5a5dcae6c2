//! `settle SHEET`: from kept readings to what settling has done and will do.
//!
//! In: the sheet and the logbook beside it. Out: a [`SettleReport`]. Refused: a logbook without
//! readings of the loads asked for.

use crate::logbook::{
    Change, ChangeKind, Kept, KeptQuantity, Logbook, Logged, Mark, MarkKind, Origin, Unit, Which,
};
use crate::quantity::{Angle, Length, Moment};
use crate::report::{SettleReport, SettledQuantity};
use crate::run::arguments::SettleAnswerArguments;
use crate::run::progress::Waiting;
use crate::run::settle::causes::causes;
use crate::run::{Failure, log, sheets};
use crate::sheet::BuildSheet;
use crate::trials::settling::{
    Joint, JointMember, KnownStep, Question, Series, TimeAxis, prospect, together,
};
use std::process::ExitCode;

/// Readings looked at; more are thinned.
const MOST_READINGS: usize = 1_200;
/// Without a target, what is still to come below this counts as settled.
const TOLERANCE_MM: f64 = 0.5;
/// The same for angles.
const TOLERANCE_DEG: f64 = 0.05;
/// Share of a target's tolerance that settling may still take.
const SHARE_OF_TARGET: f64 = 0.2;

/// Tolerances asked for instead of the sheet's.
#[derive(Debug, Clone, Copy, Default)]
pub(in crate::run) struct Tolerances {
    length_mm: Option<f64>,
    angle_deg: Option<f64>,
}

impl Tolerances {
    pub(in crate::run) fn read(texts: &[String]) -> Result<Self, Failure> {
        let mut found = Self::default();
        for text in texts {
            match (text.parse::<Length>(), text.parse::<Angle>()) {
                (Ok(length), _) if length.mm() > 0.0 => found.length_mm = Some(length.mm()),
                (_, Ok(angle)) if angle.deg() > 0.0 => found.angle_deg = Some(angle.deg()),
                _ => {
                    return Err(Failure::users(
                        "settle.tolerance",
                        format!("--tolerance '{text}' is no length or angle above zero"),
                        "write for example --tolerance \"0.5 mm\" --tolerance \"0.05 deg\"",
                    ));
                }
            }
        }
        Ok(found)
    }

    fn of(self, sheet: &BuildSheet, name: &str, is_angle: bool) -> f64 {
        if is_angle {
            let target = match name {
                "roll" => sheet.targets.roll.map(|t| t.tolerance),
                "pitch" => sheet.targets.pitch.map(|t| t.tolerance),
                _ => sheet
                    .targets
                    .links
                    .iter()
                    .find(|(link, _)| name.strip_prefix("angle ") == Some(link))
                    .map(|(_, t)| t.tolerance),
            };
            return self.angle_deg.unwrap_or_else(|| {
                target.map_or(TOLERANCE_DEG, |t| (t.deg() * SHARE_OF_TARGET).max(0.01))
            });
        }
        let height = name.strip_prefix("height ").and_then(|station| {
            let index = sheet.stations.iter().position(|s| s.name == station)?;
            let target = sheet.targets.heights.iter().find(|t| t.station == index)?;
            Some(target.tolerance.mm() * SHARE_OF_TARGET)
        });
        self.length_mm
            .unwrap_or_else(|| height.map_or(TOLERANCE_MM, |t| t.max(0.1)))
    }
}

pub(in crate::run) fn answer(arguments: &SettleAnswerArguments) -> Result<ExitCode, Failure> {
    let Some(path) = &arguments.sheet else {
        return Err(Failure::users("settle.sheet", "no build sheet given", ""));
    };
    let sheet = sheets::read(path)?;
    let tolerances = Tolerances::read(&arguments.tolerance)?;
    let logbook = log::open(path)?;
    let loads = loads_asked(&sheet, &logbook, arguments)?;
    let waiting = Waiting::begin("fitting what settling does", arguments.json);
    let mut report = gather(&sheet, &logbook, &loads, tolerances, None)?;
    drop(waiting);
    if let Some(only) = &arguments.only {
        report.quantities.retain(|q| q.name.contains(only.as_str()));
    }
    if arguments.json {
        sheets::print_json(&report.json())?;
    } else {
        let axis = if arguments.log_time {
            TimeAxis::Log
        } else {
            TimeAxis::Real
        };
        let zone = jiff::tz::TimeZone::system();
        let every = arguments.only.is_some();
        sheets::print(&report.text(sheet.units, &zone, axis, every))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The loads whose readings are looked at: those asked for, or those of the newest reading.
fn loads_asked(
    sheet: &BuildSheet,
    logbook: &Logbook,
    arguments: &SettleAnswerArguments,
) -> Result<Vec<String>, Failure> {
    if arguments.bare {
        return Ok(Vec::new());
    }
    if !arguments.loads.is_empty() {
        crate::run::watch::loads_named(sheet, &arguments.loads)?;
        return Ok(arguments.loads.clone());
    }
    let newest = logbook.kept(Which::Latest(1))?;
    Ok(newest.first().map_or_else(Vec::new, |kept| {
        kept.reading.loads.iter().map(|l| l.name.clone()).collect()
    }))
}

/// Gathers the answer from the logbook, from readings until a moment where one is given.
pub(in crate::run) fn gather(
    sheet: &BuildSheet,
    logbook: &Logbook,
    loads: &[String],
    tolerances: Tolerances,
    until: Option<Moment>,
) -> Result<SettleReport, Failure> {
    let names: Vec<&str> = loads.iter().map(String::as_str).collect();
    let changes = logbook.changes(Which::All)?;
    let past = |at: Moment| until.is_none_or(|u| at <= u);
    let fresh = changes
        .iter()
        .filter(|c| matches!(c.record.kind, ChangeKind::Spring { .. }) && past(c.record.at))
        .map(|c| c.record.at)
        .max();
    let from = fresh.unwrap_or(Moment::from_unix_us(i64::MIN));
    let found = logbook.kept_with_loads(&names, from, MOST_READINGS)?;
    let all: Vec<Kept> = found
        .kept
        .into_iter()
        .filter(|k| past(k.reading.at))
        .collect();
    let altered = all.iter().filter(|k| !k.intact).count();
    let kept: Vec<Kept> = all.into_iter().filter(|k| k.intact).collect();
    let (Some(first), Some(last)) = (kept.first(), kept.last()) else {
        let which = if names.is_empty() {
            "with no load on".to_owned()
        } else {
            format!("with {}", names.join(" + "))
        };
        return Err(Failure::users(
            "settle.no_readings",
            format!("the logbook has no kept readings {which}"),
            "take one with 'stillheight read SHEET --keep', or keep watch with 'stillheight settle watch SHEET'",
        ));
    };
    let marks = logbook.marks(Which::Between(from, last.reading.at))?;
    let (zero, zero_is) = zero_of(fresh, first, &marks, loads);
    let steps = known_steps(&changes, zero, last.reading.at);
    let temperatures = temperatures(&kept);
    let hours = |at: Moment| (at.since(zero).s() / 3600.0).max(0.0);
    let questions = Questions {
        kept: &kept,
        hours: kept.iter().map(|k| hours(k.reading.at)).collect(),
        temperatures: &temperatures,
        steps: steps
            .iter()
            .map(|(at, reason)| KnownStep {
                at_h: hours(*at),
                reason: reason.clone(),
            })
            .collect(),
    };
    let mut quantities = Vec::new();
    for wanted in &last.reading.quantities {
        let is_angle = wanted.unit == Unit::Radian;
        if wanted.name.starts_with("side shift") || !(is_angle || wanted.unit == Unit::Metre) {
            continue;
        }
        let tolerance = tolerances.of(sheet, &wanted.name, is_angle);
        quantities.push(questions.answer(wanted, tolerance)?);
    }
    let joint = joint_of(&quantities);
    let causes = causes(
        sheet,
        loads,
        &kept,
        &quantities,
        steps.iter().map(|s| s.0).max(),
    );
    Ok(SettleReport {
        loads: loads.to_vec(),
        zero,
        zero_is,
        last: last.reading.at,
        readings: kept.len(),
        thinned: found.thinned,
        altered,
        set_back: set_back(&kept),
        events: steps,
        quantities,
        joint,
        causes,
    })
}

/// How many readings carry a time before one that was kept earlier.
fn set_back(kept: &[Kept]) -> usize {
    let mut as_kept: Vec<_> = kept.iter().map(|k| (k.id.0, k.reading.at)).collect();
    as_kept.sort_unstable();
    let mut latest = Moment::from_unix_us(i64::MIN);
    as_kept
        .iter()
        .filter(|(_, at)| {
            let back = *at < latest;
            latest = latest.max(*at);
            back
        })
        .count()
}

/// What all quantities share when they are asked about.
struct Questions<'a> {
    kept: &'a [Kept],
    hours: Vec<f64>,
    temperatures: &'a [Option<f64>],
    steps: Vec<KnownStep>,
}

impl Questions<'_> {
    /// The answer for a quantity of the last reading.
    fn answer(&self, wanted: &KeptQuantity, tolerance: f64) -> Result<SettledQuantity, Failure> {
        let is_angle = wanted.unit == Unit::Radian;
        let scale = if is_angle {
            180.0 / std::f64::consts::PI
        } else {
            1e3
        };
        let mut series = Series::default();
        let mut temperature_c = Vec::new();
        for ((k, hours), temperature) in self.kept.iter().zip(&self.hours).zip(self.temperatures) {
            let q = k.reading.quantities.iter().find(|q| q.name == wanted.name);
            if let Some(q) = q.filter(|q| q.unit == wanted.unit) {
                series.time_h.push(*hours);
                series.height_mm.push(q.value * scale);
                temperature_c.extend(*temperature);
            }
        }
        if temperature_c.len() != series.time_h.len() {
            temperature_c.clear();
        }
        let question = Question {
            series: series.clone(),
            temperature_c,
            steps: self.steps.clone(),
            tolerance,
            find_steps: true,
        };
        Ok(SettledQuantity {
            name: wanted.name.clone(),
            is_angle,
            assumed: wanted.origin == Origin::Assumed,
            series,
            tolerance,
            prospect: prospect(&question)?,
        })
    }
}

/// The common time constant of the heights.
fn joint_of(quantities: &[SettledQuantity]) -> Option<Joint> {
    let members: Vec<JointMember<'_>> = quantities
        .iter()
        .filter(|q| q.name.starts_with("height"))
        .filter_map(|q| {
            Some(JointMember {
                name: &q.name,
                series: &q.series,
                options: &q.prospect.options,
                fit: q.prospect.fit.as_ref()?,
            })
        })
        .collect();
    together(&members)
}

/// From when the laws count, and why.
fn zero_of(
    fresh: Option<Moment>,
    first: &Kept,
    marks: &[Logged<Mark>],
    loads: &[String],
) -> (Moment, String) {
    if let Some(at) = fresh {
        return (at, "another spring was fitted".to_owned());
    }
    let before = |m: &&Logged<Mark>| m.record.at <= first.reading.at;
    // The load that completed what is on now.
    let load = marks.iter().filter(before).rev().find_map(|m| {
        let MarkKind::LoadOn(load) = &m.record.kind else {
            return None;
        };
        loads
            .contains(&load.name)
            .then_some((m.record.at, &load.name))
    });
    if let Some((at, name)) = load {
        return (at, format!("{name} went on"));
    }
    let at = first.reading.still_since.unwrap_or(first.reading.at);
    (
        at.min(first.reading.at),
        "the first kept reading".to_owned(),
    )
}

/// What was done to the vehicle meanwhile, in words.
fn known_steps(changes: &[Logged<Change>], zero: Moment, last: Moment) -> Vec<(Moment, String)> {
    let inside = changes
        .iter()
        .filter(|c| c.record.at > zero && c.record.at <= last);
    inside
        .filter_map(|c| {
            let words = match &c.record.kind {
                ChangeKind::Collar { coilover, turns } => {
                    format!("collar {coilover} turned by {turns:+}")
                }
                ChangeKind::Hole {
                    coilover, from, to, ..
                } => format!("{coilover} from hole {from} to {to}"),
                ChangeKind::Spring { .. } => return None,
                ChangeKind::Other => c.record.note.clone(),
            };
            Some((c.record.at, words))
        })
        .collect()
}

/// Mean temperature of each reading over the sensors that said one every time.
fn temperatures(kept: &[Kept]) -> Vec<Option<f64>> {
    let Some(first) = kept.first() else {
        return Vec::new();
    };
    let of = |k: &Kept, name: &str| {
        k.reading
            .sensors
            .iter()
            .find(|s| s.name == name)
            .and_then(|s| s.temperature_c)
    };
    let always: Vec<&str> = first
        .reading
        .sensors
        .iter()
        .map(|s| s.name.as_str())
        .filter(|name| kept.iter().all(|k| of(k, name).is_some()))
        .collect();
    kept.iter()
        .map(|k| {
            let values: Vec<f64> = always.iter().filter_map(|name| of(k, name)).collect();
            (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
        })
        .collect()
}
