//! `advise`: from the sheet, the logbook's readings and the changes entered to plans.

use crate::advice::{
    Advice, AdviceError, AimedCase, Belief, Circumstances, End, Limits, Operation, OrderError,
    Search, Seen, Setup, StillReading, advise, hole, order, spring, why,
};
use crate::compare::aims;
use crate::logbook::{Change, ChangeKind, History, Kept, Logbook, Logged, MountEnd, Which, beside};
use crate::quantity::Moment;
use crate::report::{Basis, advice_json, advice_text, answer_json, answer_text, moment_words};
use crate::run::arguments::AdviseArguments;
use crate::run::progress::Waiting;
use crate::run::{Failure, sheets};
use crate::sheet::BuildSheet;
use crate::statics::Model;
use std::path::Path;
use std::process::ExitCode;

/// Most readings weighed together; the newest count.
const MOST_READINGS: usize = 40;

impl From<AdviceError> for Failure {
    fn from(e: AdviceError) -> Self {
        Self::users(e.code(), e.to_string(), e.help())
    }
}

impl From<OrderError> for Failure {
    fn from(e: OrderError) -> Self {
        Self::users(e.code(), e.to_string(), e.help())
    }
}

/// What the logbook beside a sheet tells, in order.
#[derive(Debug)]
pub(super) struct Past {
    /// Readings, the oldest first, each with how the vehicle was set then.
    pub(super) readings: Vec<(Moment, StillReading)>,
    /// Changes that were understood, in order.
    pub(super) changes: Vec<(Moment, Operation)>,
    /// How it is set now.
    pub(super) setup: Setup,
    /// What could not be used.
    pub(super) remarks: Vec<String>,
    /// Loads that the sheet does not know, with the readings that had them.
    strangers: Vec<Stranger>,
}

/// A load that the sheet does not know.
#[derive(Debug)]
struct Stranger {
    load: String,
    readings: usize,
    first: Moment,
    last: Moment,
}

impl Stranger {
    fn words(&self) -> String {
        // To the minute: it is for finding them in the log.
        let minute = |at: Moment| {
            let text = moment_words(at);
            text.get(..16).map_or(text.clone(), |t| format!("{t}Z"))
        };
        let Self { load, .. } = self;
        if self.readings == 1 {
            let at = minute(self.first);
            return format!(
                "the reading of {at} has the load '{load}', which the sheet does not know; it is left out"
            );
        }
        format!(
            "{} readings from {} to {} have the load '{load}', which the sheet does not know; they are left out",
            self.readings,
            minute(self.first),
            minute(self.last)
        )
    }
}

/// A model of the sheet with nothing on it, for names.
pub(super) fn bare(sheet: &BuildSheet) -> Model {
    Model::new(sheet, &[])
}

/// Reads the logbook beside a sheet; nothing where there is none.
pub(super) fn past(sheet_path: &Path, sheet: &BuildSheet) -> Result<Past, Failure> {
    let model = bare(sheet);
    let path = beside(sheet_path);
    let history = if path.exists() {
        Logbook::open_for_reading(&path)?.history(Which::All)?
    } else {
        History::default()
    };
    Ok(past_of(sheet, &model, &history))
}

pub(super) fn past_of(sheet: &BuildSheet, model: &Model, history: &History) -> Past {
    let mut past = Past {
        readings: Vec::new(),
        changes: Vec::new(),
        setup: Setup::of(sheet, model),
        remarks: Vec::new(),
        strangers: Vec::new(),
    };
    let mut changes: Vec<&Logged<Change>> = history.changes.iter().collect();
    changes.sort_by_key(|c| c.record.at);
    let mut changes = changes.into_iter().peekable();
    for kept in &history.kept {
        while let Some(change) = changes.next_if(|c| c.record.at <= kept.reading.at) {
            past.change(sheet, model, &change.record);
        }
        past.reading(sheet, kept);
    }
    for change in changes {
        past.change(sheet, model, &change.record);
    }
    let left_out: Vec<String> = past.strangers.iter().map(Stranger::words).collect();
    past.remarks.extend(left_out);
    if past.readings.len() > MOST_READINGS {
        past.readings.drain(..past.readings.len() - MOST_READINGS);
    }
    past
}

impl Past {
    fn change(&mut self, sheet: &BuildSheet, model: &Model, change: &Change) {
        match operation(sheet, model, &change.kind) {
            Some(Ok(operation)) => {
                self.setup.change(sheet, model, operation);
                self.changes.push((change.at, operation));
            }
            Some(Err(why)) => self.remarks.push(format!(
                "a change of {} is not understood: {why}",
                moment_words(change.at)
            )),
            None => {}
        }
    }

    fn reading(&mut self, sheet: &BuildSheet, kept: &Kept) {
        let reading = &kept.reading;
        if !kept.intact {
            self.remarks.push(format!(
                "the reading of {} is damaged and left out",
                moment_words(reading.at)
            ));
            return;
        }
        let mut loads = Vec::new();
        for load in &reading.loads {
            let Some(i) = sheet.loads.iter().position(|l| l.name == load.name) else {
                let known = self.strangers.iter_mut().find(|s| s.load == load.name);
                match known {
                    Some(stranger) => {
                        stranger.readings += 1;
                        stranger.last = reading.at;
                    }
                    None => self.strangers.push(Stranger {
                        load: load.name.clone(),
                        readings: 1,
                        first: reading.at,
                        last: reading.at,
                    }),
                }
                return;
            };
            loads.push(i);
        }
        loads.sort_unstable();
        let seen: Vec<Seen> = reading
            .sensors
            .iter()
            .filter(|s| s.quality == "still")
            .filter_map(|s| {
                Some(Seen {
                    sensor: sheet.sensors.iter().position(|own| own.name == s.name)?,
                    value: s.value?,
                    noise: s.noise_uncertainty?,
                })
            })
            .collect();
        if seen.is_empty() {
            return;
        }
        let new = StillReading {
            loads,
            setup: self.setup.clone(),
            seen,
        };
        // Of several readings of one and the same stand only the last counts: friction
        // holds alike in all of them.
        match self.readings.last_mut() {
            Some((at, last)) if last.loads == new.loads && last.setup == new.setup => {
                (*at, *last) = (reading.at, new);
            }
            _ => self.readings.push((reading.at, new)),
        }
    }
}

/// A logged change as an operation; nothing where it is words alone.
fn operation(
    sheet: &BuildSheet,
    model: &Model,
    kind: &ChangeKind,
) -> Option<Result<Operation, OrderError>> {
    let unit = |name: &str| {
        model
            .units
            .iter()
            .position(|u| u.name == name)
            .ok_or_else(|| OrderError::NoUnit {
                words: name.to_owned(),
                known: model.units.iter().map(|u| u.name.clone()).collect(),
            })
    };
    Some(match kind {
        ChangeKind::Collar { coilover, turns } => unit(coilover).map(|unit| Operation::Collar {
            unit,
            turns: *turns,
        }),
        ChangeKind::Hole {
            coilover, end, to, ..
        } => unit(coilover).and_then(|unit| {
            let end = match end {
                MountEnd::Upper => End::Upper,
                MountEnd::Lower => End::Lower,
            };
            hole(sheet, model, unit, end, to)
        }),
        ChangeKind::Spring {
            coilover,
            spring: name,
        } => unit(coilover).and_then(|unit| spring(sheet, unit, name)),
        ChangeKind::Other => return None,
    })
}

/// What is believed after every reading.
pub(super) fn believed<'s>(sheet: &'s BuildSheet, past: &Past) -> Result<Belief<'s>, Failure> {
    let mut belief = Belief::new(sheet, None);
    let readings: Vec<StillReading> = past.readings.iter().map(|(_, r)| r.clone()).collect();
    belief.learn(&readings)?;
    Ok(belief)
}

fn cases(sheet: &BuildSheet, names: &[String], path: &Path) -> Result<Vec<AimedCase>, Failure> {
    let aimed = |i: usize| AimedCase {
        name: sheet.cases[i].name.clone(),
        loads: sheet.cases[i].loads.clone(),
        aims: aims(sheet),
    };
    if names.is_empty() {
        return Ok(vec![aimed(sheet.targets.case)]);
    }
    names
        .iter()
        .map(|name| {
            let known = sheet.cases.iter().position(|c| c.name == *name);
            known.map(aimed).ok_or_else(|| {
                let all: Vec<&str> = sheet.cases.iter().map(|c| c.name.as_str()).collect();
                Failure::users(
                    "advise.case.unknown",
                    format!("there is no load case '{name}' in '{}'", path.display()),
                    format!("the sheet has: {}", all.join(", ")),
                )
            })
        })
        .collect()
}

pub(super) fn run(arguments: &AdviseArguments) -> Result<ExitCode, Failure> {
    let sheet = sheets::read_with(&arguments.sheet, &arguments.overrides)?;
    let model = bare(&sheet);
    let cases = cases(&sheet, &arguments.cases, &arguments.sheet)?;
    let past = past(&arguments.sheet, &sheet)?;
    let waiting = Waiting::begin("looking through all settings", arguments.json);
    let belief = believed(&sheet, &past)?;
    let search = Search::new(
        &belief,
        &past.setup,
        &cases,
        arguments.independent,
        Limits::default(),
    )?;
    let known = Circumstances {
        loads_now: past
            .readings
            .last()
            .map_or_else(Vec::new, |(_, r)| r.loads.clone()),
        settling: Vec::new(),
    };
    let basis = Basis {
        sheet: &sheet,
        model: &model,
        setup: &past.setup,
        newest: past.readings.last().map(|(at, _)| moment_words(*at)),
        readings: past.readings.len(),
        changes: past.changes.len(),
        remarks: past.remarks.clone(),
    };
    if let Some(words) = &arguments.why {
        drop(waiting);
        return own(&search, &basis, words, arguments.json);
    }
    let advice: Advice = advise(&search, &known)?;
    drop(waiting);
    if arguments.json {
        sheets::print_json(&advice_json(&basis, &advice))?;
    } else {
        sheets::print(&advice_text(&basis, &advice))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn own(
    search: &Search<'_, '_>,
    basis: &Basis<'_>,
    words: &str,
    json: bool,
) -> Result<ExitCode, Failure> {
    let operations = order(basis.sheet, basis.model, words)?;
    let now = crate::advice::as_it_is(search)?;
    let answer = why(search, &now, &operations)?.ok_or_else(|| {
        Failure::users(
            "advice.order.none",
            format!("'{words}' cannot be done on this vehicle"),
            "",
        )
    })?;
    if json {
        sheets::print_json(&answer_json(basis, &answer))?;
    } else {
        sheets::print(&answer_text(basis, &now, &answer))?;
    }
    Ok(ExitCode::SUCCESS)
}
