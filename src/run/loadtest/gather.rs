//! `loadtest fit`: from what the logbook has to the steps of a load test.
//!
//! In: kept readings in any order, what somebody tells of them afterwards. Out:
//! steps, those of an earlier test too, and what was left out. Refused: nothing;
//! a reading that was altered, or of no sensor of the sheet, is left out and told.

use super::answer::Answer;
use super::doing::TYPED_U;
use super::{NOTHING, refused};
use crate::logbook::{Kept, Logbook, Which, beside};
use crate::posture::Observation;
use crate::quantity::{Moment, Span};
use crate::report::{loadtest_svg, moment_words};
use crate::run::arguments::Way;
use crate::run::progress::Waiting;
use crate::run::sensors::fitted::Fitted;
use crate::run::{Failure, sheets};
use crate::sheet::{BuildSheet, Measurand};
use crate::trials::loadtest::{Approach, Load, PlacedLoad, Step};
use std::path::Path;
use std::process::ExitCode;

/// Words before the way in the note of a reading that a guided test kept.
pub(super) const NOTE: &str = "load test: ";
/// Readings further apart than this belong to two tests. Chosen: a test takes an
/// hour or two, and a meal may come between.
const APART: Span = Span::from_us(6 * 3600 * 1_000_000);
/// A zero older than this is said to be old: 30 days.
const OLD_ZERO: Span = Span::from_us(30 * 86_400 * 1_000_000);
/// What a reading is never better than, whatever its own samples scatter: people
/// breathe, floors give, and the model leaves hundredths of a degree out. Chosen.
const LEAST_M: f64 = 0.2e-3;
const LEAST_RAD: f64 = 0.01 * std::f64::consts::PI / 180.0;

/// What `loadtest fit` was asked.
pub(super) struct Asked<'a> {
    pub(super) path: &'a Path,
    pub(super) ways: &'a [(usize, Way)],
    pub(super) without: &'a [usize],
    pub(super) all: bool,
    pub(super) svg: Option<&'a Path>,
    /// Replace a picture that is there.
    pub(super) force: bool,
    pub(super) json: bool,
}

/// A load test out of the logbook.
pub(super) struct Gathered {
    /// The sheet with zeros as they were when it was read.
    pub(super) sheet: BuildSheet,
    pub(super) steps: Vec<Step>,
    /// Of the test before, where there is one with a load.
    pub(super) earlier: Vec<Step>,
    /// How many of the readings a guided test kept.
    pub(super) guided: usize,
    /// What was left out, in words.
    pub(super) said: Vec<String>,
}

/// The newest test in the logbook beside a sheet.
pub(super) fn newest(path: &Path, sheet: &BuildSheet) -> Result<Gathered, Failure> {
    let logbook = Logbook::open_for_reading(&beside(path))?;
    let asked = Asked {
        path,
        ways: &[],
        without: &[],
        all: false,
        svg: None,
        force: false,
        json: false,
    };
    gather(&asked, sheet, &logbook)
}

const fn approach(way: Way) -> Approach {
    match way {
        Way::FromAbove => Approach::Loading,
        Way::FromBelow => Approach::Unloading,
        Way::Bounced => Approach::Bounced,
        Way::Unknown => Approach::Unknown,
    }
}

pub(super) fn fit(asked: &Asked) -> Result<ExitCode, Failure> {
    let sheet = sheets::read(asked.path)?;
    let book = beside(asked.path);
    let none = || {
        Failure::users(
            "loadtest.no_readings",
            "the logbook has no kept readings",
            "do a test with 'stillheight loadtest SHEET', or keep readings in 'watch' with loads on and off",
        )
    };
    if !book.exists() {
        return Err(none());
    }
    let logbook = Logbook::open_for_reading(&book)?;
    let gathered = gather(asked, &sheet, &logbook)?;
    if gathered.steps.is_empty() {
        return Err(none());
    }
    if !asked.json {
        sheets::print(&listing(&gathered))?;
    }
    let waiting = Waiting::begin("fitting the load test", asked.json);
    let answer =
        Answer::of(&gathered.sheet, &gathered.steps, &gathered.earlier).map_err(refused)?;
    drop(waiting);
    if let Some(path) = asked.svg {
        let picture = loadtest_svg(&gathered.sheet, &answer.found);
        if picture.is_empty() {
            return Err(Failure::users(
                "loadtest.no_loop",
                "there is no loop to draw: no height was read at two stops",
                "clip distance sensors on, and read with and without a load",
            ));
        }
        sheets::write_new(path, &picture, asked.force)?;
    }
    if asked.json {
        sheets::print_json(&answer.json(&gathered.sheet, &gathered.steps))?;
    } else {
        sheets::print(&answer.text(&gathered.sheet))?;
    }
    Ok(if answer.tells_anything() {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(NOTHING)
    })
}

/// The steps as they are counted.
fn listing(gathered: &Gathered) -> String {
    let mut text = String::from("READINGS of this test\n");
    for (i, step) in gathered.steps.iter().enumerate() {
        text.push_str(&format!(
            "  {:>2}  {}  {}, {}\n",
            i + 1,
            moment_words(step.at).split('.').next().unwrap_or_default(),
            step.words(&gathered.sheet),
            step.approach.words()
        ));
    }
    for said in &gathered.said {
        text.push_str(&format!("  {said}\n"));
    }
    text
}

/// Gathers the newest test, and the one before it.
fn gather(asked: &Asked, sheet: &BuildSheet, logbook: &Logbook) -> Result<Gathered, Failure> {
    let all = logbook.kept(Which::All)?;
    let changes: Vec<Moment> = logbook
        .changes(Which::All)?
        .iter()
        .map(|c| c.record.at)
        .collect();
    let mut said = Vec::new();
    let altered = all.iter().filter(|k| !k.intact).count();
    if altered > 0 {
        said.push(format!(
            "{altered} readings were altered or damaged and are left out"
        ));
    }
    let mut kept: Vec<Kept> = all.into_iter().filter(|k| k.intact).collect();
    kept.sort_by_key(|k| k.reading.at);
    let mut groups: Vec<Vec<Kept>> = Vec::new();
    for reading in kept {
        let at = reading.reading.at;
        let goes_on = groups.last().and_then(|g| g.last()).is_some_and(|before| {
            let before = before.reading.at;
            asked.all
                || (at.since(before) < APART && !changes.iter().any(|c| before < *c && *c <= at))
        });
        match groups.last_mut() {
            Some(group) if goes_on => group.push(reading),
            _ => groups.push(vec![reading]),
        }
    }
    let loaded = |g: &Vec<Kept>| g.iter().any(|k| !k.reading.loads.is_empty());
    let newest = groups
        .iter()
        .rposition(loaded)
        .or(groups.len().checked_sub(1));
    let group = newest
        .and_then(|i| groups.get(i))
        .cloned()
        .unwrap_or_default();
    let earlier = newest
        .and_then(|i| groups[..i].iter().rev().find(|g| loaded(g)))
        .cloned()
        .unwrap_or_default();
    let (fitted, floor_m) = with_zeros(asked.path, sheet, &group)?;
    let steps = steps_of(&fitted, &group, &floor_m, &mut said);
    let numbered = |n: usize| {
        if n == 0 || n > steps.len() {
            Err(Failure::users(
                "loadtest.no_such_reading",
                format!("there is no reading number {n}"),
                format!("the test has readings 1 to {}", steps.len()),
            ))
        } else {
            Ok(n - 1)
        }
    };
    let mut told = steps.clone();
    for (n, way) in asked.ways {
        told[numbered(*n)?].approach = approach(*way);
    }
    let mut without = Vec::new();
    for n in asked.without {
        without.push(numbered(*n)?);
        said.push(format!("reading {n} does not count: you said so"));
    }
    let steps = told
        .into_iter()
        .enumerate()
        .filter(|(i, _)| !without.contains(i))
        .map(|(_, s)| s)
        .collect();
    let earlier = steps_of(&fitted, &earlier, &floor_m, &mut Vec::new());
    let guided = group
        .iter()
        .filter(|k| k.reading.note.starts_with(NOTE))
        .count();
    Ok(Gathered {
        sheet: fitted,
        steps,
        earlier,
        guided,
        said,
    })
}

/// The sheet with the floor as mapped and the zeros as sure as they were when
/// the readings were kept; and the floor under each beam.
pub(super) fn with_zeros(
    path: &Path,
    sheet: &BuildSheet,
    kept: &[Kept],
) -> Result<(BuildSheet, Vec<f64>), Failure> {
    let mut sheet = sheet.clone();
    let now = kept.last().map_or(Moment::default(), |k| k.reading.at);
    let fitted = Fitted::read(path, &mut sheet, &[], now, OLD_ZERO)?;
    for sensor in &mut sheet.sensors {
        let zero = kept
            .iter()
            .flat_map(|k| &k.reading.sensors)
            .filter(|s| s.name == sensor.name && s.value.is_some())
            .map(|s| {
                let scale = sensor.scale_uncertainty * s.value.unwrap_or(0.0);
                (s.zero_uncertainty.powi(2) - scale * scale).max(0.0).sqrt()
            })
            .reduce(f64::max);
        if let Some(zero) = zero {
            sensor.zero_uncertainty = zero;
        }
    }
    Ok((sheet, fitted.floor_m))
}

/// Kept readings as steps. How each came to rest is in its note, or follows from
/// the weight before; of several with the same load, one after the other and
/// untouched, the last counts.
pub(super) fn steps_of(
    sheet: &BuildSheet,
    kept: &[Kept],
    floor_m: &[f64],
    said: &mut Vec<String>,
) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    let mut merged = 0;
    for k in kept {
        let loads: Vec<Load> = k
            .reading
            .loads
            .iter()
            .map(|l| Load::Placed(placed(sheet, l)))
            .collect();
        let told = k
            .reading
            .note
            .strip_prefix(NOTE)
            .and_then(|words| ALL.into_iter().find(|a| a.words() == words));
        let before = steps.last();
        let approach = told.unwrap_or_else(|| inferred(before.map(|s| &s.loads[..]), &loads));
        let step = Step {
            at: k.reading.at,
            loads,
            approach,
            readings: readings(sheet, k, floor_m),
        };
        match steps.last_mut() {
            Some(last) if told.is_none() && last.loads == step.loads => {
                let approach = last.approach;
                *last = Step { approach, ..step };
                merged += 1;
            }
            _ => steps.push(step),
        }
    }
    if merged > 0 {
        said.push(format!(
            "{merged} more readings of a load that stayed on: the last of each counts"
        ));
    }
    steps
}

const ALL: [Approach; 4] = [
    Approach::Loading,
    Approach::Unloading,
    Approach::Bounced,
    Approach::Unknown,
];

/// How a stop was reached, from the weight before it.
fn inferred(before: Option<&[Load]>, now: &[Load]) -> Approach {
    let kg = |loads: &[Load]| -> f64 {
        loads
            .iter()
            .map(|l| match l {
                Load::Placed(p) => p.mass_kg,
                Load::Named(_) => 0.0,
            })
            .sum()
    };
    let Some(before) = before else {
        return Approach::Unknown;
    };
    let grown = kg(now) - kg(before);
    if grown > 1e-6 {
        Approach::Loading
    } else if grown < -1e-6 {
        Approach::Unloading
    } else {
        Approach::Unknown
    }
}

fn placed(sheet: &BuildSheet, load: &crate::logbook::Load) -> PlacedLoad {
    let named = sheet.loads.iter().find(|l| l.name == load.name);
    let (mass_u, place_u) = named.map_or(TYPED_U, |l| {
        (l.mass_uncertainty.kg(), l.place_uncertainty.m())
    });
    PlacedLoad {
        body: load.name.clone(),
        mass_kg: load.mass_kg,
        mass_uncertainty_kg: mass_u,
        at_m: load
            .at_m
            .or_else(|| named.map(|l| l.at.m()))
            .unwrap_or([0.0; 3]),
        place_uncertainty_m: place_u,
    }
}

fn readings(sheet: &BuildSheet, kept: &Kept, floor_m: &[f64]) -> Vec<Observation> {
    let of = |s: &crate::logbook::KeptSensor| {
        let sensor = sheet.sensors.iter().position(|t| t.name == s.name)?;
        let typed = &sheet.sensors[sensor];
        let least = match typed.reads {
            Measurand::Tilt { .. } => LEAST_RAD,
            _ => LEAST_M,
        };
        let value = s.value? + floor_m.get(sensor).copied().unwrap_or(0.0);
        Some(Observation {
            sensor,
            value,
            uncertainty: s
                .noise_uncertainty?
                .hypot(least)
                .hypot(typed.zero_uncertainty)
                .hypot(typed.scale_uncertainty * value),
        })
    };
    kept.reading.sensors.iter().filter_map(of).collect()
}
