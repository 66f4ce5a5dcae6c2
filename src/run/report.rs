//! `report`: everything that is known of a vehicle on one page to print.
//!
//! In: a sheet with its logbook and neighbour file, where there are such. Out: an
//! HTML file. Refused: a file that is there already, unless forced.

use crate::advice::{Belief, Operation, Setup, StillReading, held};
use crate::compare::{Aim, Compared, aims, judge};
use crate::geometry::COORDINATES;
use crate::layout::{lean_fall, link_study, planned, planned_wheel, wheel_room};
use crate::logbook::{History, Kept, KeptReading, Which, beside};
use crate::ports::Clock;
use crate::posture::{Measured, Origin, POSTURE_COORDINATES, PostureState, QuantityKey, predict};
use crate::quantity::{Length, Moment};
use crate::readings::neighbour::{Neighbour, OLD_ZERO, neighbour_path};
use crate::report::{
    Basis, Dossier, Finished, Newest, Paper, Promised, Residual, SettleReport, learnt, report_page,
    report_pdf,
};
use crate::run::advise::{Past, bare, past_of};
use crate::run::arguments::{PaperAsked, ReportArguments};
use crate::run::layout::coilover_travel;
use crate::run::progress::Waiting;
use crate::run::sensors::fitted::Fitted;
use crate::run::settle::answer::{Tolerances, gather};
use crate::run::{Failure, log, sheets, targets};
use crate::sheet::{BuildSheet, Checked, Measurand, Suspension};
use crate::statics::{Model, StaticsError, quantities};
use std::path::Path;
use std::process::ExitCode;

/// Travel each way for the ends of the lean table: a common bump on the road. Chosen.
const LEAN_TRAVEL: Length = Length::from_mm(40.0);
/// Steps of the link's table.
const LINK_STEPS: usize = 10;
/// Groups of changes held against their promise, the newest.
const MOST_PROMISES: usize = 8;

pub(super) fn run(arguments: &ReportArguments) -> Result<ExitCode, Failure> {
    let usual = if arguments.pdf {
        "report.pdf"
    } else {
        "report.html"
    };
    let output = arguments.output.clone().unwrap_or_else(|| usual.into());
    if output.exists() && !arguments.force {
        // Said before the work, not after it.
        return Err(crate::run::failure::exists(&output));
    }
    let (checked, _) = sheets::read_whole(&arguments.sheet, &[])?;
    let waiting = Waiting::begin("making the report", false);
    let page = report_page(&dossier(&arguments.sheet, &checked)?);
    let (content, how) = if arguments.pdf {
        let paper = match arguments.paper {
            PaperAsked::A4 => Paper::A4,
            PaperAsked::Letter => Paper::Letter,
        };
        (report_pdf(&page, paper), "")
    } else {
        let how = "open it in a browser; print it on A4 or Letter\n";
        (page.into_bytes(), how)
    };
    sheets::write_whole(&output, &content, arguments.force)?;
    drop(waiting);
    sheets::print(&format!("wrote {}\n{how}", output.display()))?;
    Ok(ExitCode::SUCCESS)
}

fn dossier<'a>(path: &Path, checked: &'a Checked) -> Result<Dossier<'a>, Failure> {
    let sheet = &checked.sheet;
    let made = Clock::real().now();
    let logbook = if beside(path).exists() {
        Some(log::open(path)?)
    } else {
        None
    };
    let history = match &logbook {
        Some(l) => l.history(Which::All)?,
        None => History::default(),
    };
    let neighbour = Neighbour::load(&neighbour_path(path))?;
    let mut fitted_sheet = sheet.clone();
    let fitted = Fitted::of(&neighbour, &mut fitted_sheet, &[], made, OLD_ZERO);
    let model = bare(sheet);
    let past = past_of(sheet, &model, &history);
    let mut cases = Vec::new();
    for i in 0..sheet.cases.len() {
        cases.push(targets::work_out(sheet, i)?);
    }
    let newest = history
        .kept
        .iter()
        .rev()
        .find(|k| k.intact)
        .map(|k| newest(&fitted_sheet, &fitted.floor_m, &past, k));
    let settling = match &logbook {
        Some(logbook) => settling(sheet, logbook, &history),
        None => Err("nothing has been kept yet".to_owned()),
    };
    let (wish, stock, leans, _) = planned(sheet, &checked.plans);
    let lean = stock
        .springs
        .first()
        .filter(|_| {
            matches!(
                sheet.axles.get(wish.axle).map(|a| &a.suspension),
                Some(Suspension::Solid { .. })
            )
        })
        .and_then(|spring| lean_fall(sheet, &wish, spring, &leans.lean, LEAN_TRAVEL).ok());
    let link = (0..sheet.axles.len())
        .find(|i| model.link(*i).is_some())
        .and_then(|axle| {
            let case = sheet.targets.case;
            let (up, down) = coilover_travel(sheet, axle, case).ok()?;
            link_study(sheet, axle, case, (down, up), LINK_STEPS).ok()
        });
    let room = checked.plans.wheel.as_ref().and_then(|plan| {
        let (wish, wheel, bodies) = planned_wheel(sheet, plan).ok()?;
        wheel_room(sheet, &wish, &wheel, &bodies).ok()
    });
    Ok(Dossier {
        sheet,
        made,
        zone: jiff::tz::TimeZone::system(),
        program: format!("stillheight {}", env!("CARGO_PKG_VERSION")),
        finished: finished(sheet, &model, &past)?,
        case_spreads: case_spreads(sheet, &model)?,
        promises: promises(sheet, &past),
        newest,
        loadtest: crate::run::loadtest::told(path, sheet),
        settling,
        lean,
        link,
        room,
        remarks: past.remarks.clone(),
        cases,
        history,
        neighbour,
    })
}

/// Settling with the loads of the newest reading.
fn settling(
    sheet: &BuildSheet,
    logbook: &crate::logbook::Logbook,
    history: &History,
) -> Result<SettleReport, String> {
    let Some(last) = history.kept.last() else {
        return Err("nothing has been kept yet".to_owned());
    };
    let loads: Vec<String> = last.reading.loads.iter().map(|l| l.name.clone()).collect();
    gather(sheet, logbook, &loads, Tolerances::default(), None).map_err(|e| e.message)
}

/// What the sheet itself is unsure of, as it shows in every load case.
fn case_spreads(
    sheet: &BuildSheet,
    model: &Model,
) -> Result<Vec<Vec<(QuantityKey, f64)>>, Failure> {
    let belief = Belief::new(sheet, None);
    let setup = Setup::of(sheet, model);
    let of = |case: &crate::sheet::LoadCase| -> Result<_, Failure> {
        let standing = belief.standing(&setup, &case.loads)?;
        let keys = QuantityKey::all(sheet, &standing.model);
        let asked: Vec<_> = keys.iter().map(|k| (&standing, *k)).collect();
        let (_, covariance) = belief.spread(&asked);
        let spreads = keys.iter().enumerate();
        Ok(spreads
            .map(|(i, key)| (*key, covariance[(i, i)].max(0.0).sqrt()))
            .collect())
    };
    sheet.cases.iter().map(of).collect()
}

/// Aims against what a belief says of a set-up in the targets' case.
fn compared(
    sheet: &BuildSheet,
    belief: &Belief<'_>,
    setup: &Setup,
) -> Result<(Vec<Compared>, crate::advice::Standing), StaticsError> {
    let loads = &sheet.cases[sheet.targets.case].loads;
    let standing = belief.standing(setup, loads)?;
    let aims: Vec<Aim> = aims(sheet);
    let asked: Vec<_> = aims.iter().map(|a| (&standing, a.key)).collect();
    let (values, covariance) = belief.spread(&asked);
    let compared = aims
        .iter()
        .enumerate()
        .map(|(i, aim)| {
            let uncertainty = covariance[(i, i)].max(0.0).sqrt();
            Compared {
                aim: *aim,
                value: values[i],
                uncertainty,
                verdict: judge(values[i], uncertainty, aim.target, aim.tolerance),
            }
        })
        .collect();
    Ok((compared, standing))
}

fn finished(sheet: &BuildSheet, model: &Model, past: &Past) -> Result<Finished, Failure> {
    let mut belief = Belief::new(sheet, None);
    // As typed: the sheet's own set-up, before any change.
    let (by_sheet, _) = compared(sheet, &belief, &Setup::of(sheet, model))?;
    let readings: Vec<StillReading> = past.readings.iter().map(|(_, r)| r.clone()).collect();
    belief.learn(&readings)?;
    let (best, standing) = compared(sheet, &belief, &past.setup)?;
    let keys: Vec<QuantityKey> = (0..standing.model.units.len())
        .map(QuantityKey::Sag)
        .collect();
    let asked: Vec<_> = keys.iter().map(|k| (&standing, *k)).collect();
    let (values, covariance) = belief.spread(&asked);
    let sags = keys
        .iter()
        .enumerate()
        .map(|(i, key)| Measured {
            key: *key,
            value: values[i],
            uncertainty: covariance[(i, i)].max(0.0).sqrt(),
            origin: Origin::Assumed,
        })
        .collect();
    let basis = Basis {
        sheet,
        model,
        setup: &past.setup,
        newest: None,
        readings: readings.len(),
        changes: past.changes.len(),
        remarks: Vec::new(),
    };
    Ok(Finished {
        by_sheet,
        by_readings: (!readings.is_empty()).then_some(best),
        found: quantities(&standing.model, &standing.rest, &sheet.stations),
        sags,
        state: standing.state.fixed_rows::<COORDINATES>(0).into_owned(),
        learnt: learnt(&basis, &belief),
        model: standing.model,
    })
}

/// The reading with the pose that was found and what is left over.
fn newest(sheet: &BuildSheet, floor_m: &[f64], past: &Past, kept: &Kept) -> Newest {
    let reading = &kept.reading;
    let loads: Vec<usize> = (0..sheet.loads.len())
        .filter(|i| reading.loads.iter().any(|l| l.name == sheet.loads[*i].name))
        .collect();
    let mut model = Model::new(sheet, &loads);
    if let Some((_, r)) = past.readings.iter().rev().find(|(at, _)| *at <= reading.at) {
        r.setup.put_on(sheet, &mut model);
    }
    let posture = posture_state(reading);
    Newest {
        reading: reading.clone(),
        state: posture.map(|x| x.fixed_rows::<COORDINATES>(0).into_owned()),
        residuals: posture
            .map_or_else(Vec::new, |x| residuals(sheet, floor_m, &model, &x, reading)),
        model,
    }
}

/// The posture state as it was kept; none where the logbook has another form.
fn posture_state(reading: &KeptReading) -> Option<PostureState> {
    let values = &reading.state.as_ref()?.values;
    (values.len() == POSTURE_COORDINATES && values.iter().all(|v| v.is_finite()))
        .then(|| PostureState::from_iterator(values.iter().copied()))
}

fn residuals(
    sheet: &BuildSheet,
    floor_m: &[f64],
    model: &Model,
    x: &PostureState,
    reading: &KeptReading,
) -> Vec<Residual> {
    reading
        .sensors
        .iter()
        .filter_map(|said| {
            let sensor = sheet.sensors.iter().position(|s| s.name == said.name)?;
            let (value, noise) = (said.value?, said.noise_uncertainty?);
            let measurand = &sheet.sensors[sensor].reads;
            let due = predict(model, measurand, x)?;
            // A beam is uncertain by the floor it lands on, too.
            let floor = match measurand {
                Measurand::FrameToFloor { .. } => sheet.floor.flatness.m(),
                _ => 0.0,
            };
            let uncertainty = noise.hypot(said.zero_uncertainty).hypot(floor);
            (uncertainty > 0.0).then_some(Residual {
                sensor,
                said: value + floor_m.get(sensor).copied().unwrap_or(0.0),
                due,
                uncertainty,
            })
        })
        .collect()
}

/// Every group of changes between two readings, held against what came.
fn promises(sheet: &BuildSheet, past: &Past) -> Vec<Promised> {
    let mut groups: Vec<Promised> = Vec::new();
    let mut belief = Belief::new(sheet, None);
    let mut since = Moment::from_unix_us(i64::MIN);
    let mut unlearnt: Vec<StillReading> = Vec::new();
    let mut read_before = false;
    let model = bare(sheet);
    let mut before = Setup::of(sheet, &model);
    for (at, reading) in &past.readings {
        let done = between(past, since, *at);
        if !done.is_empty() {
            // All readings are weighed together anew, so only where it is needed.
            let learnt = belief.learn(&std::mem::take(&mut unlearnt));
            let outcome = if read_before {
                let verdict =
                    learnt.and_then(|()| held(&belief, &before, &operations(&done), reading, &[]));
                match verdict {
                    Ok(Some(verdict)) => Ok(verdict),
                    Ok(None) => Err("No sensor of the next reading can be predicted.".to_owned()),
                    Err(e) => Err(format!("It cannot be told: {e}.")),
                }
            } else {
                Err("Nothing was read before, so nothing was promised.".to_owned())
            };
            groups.push(Promised {
                at: done.last().map_or(*at, |(at, _)| *at),
                before: before.clone(),
                done: operations(&done),
                outcome,
            });
        }
        unlearnt.push(reading.clone());
        (since, read_before, before) = (*at, true, reading.setup.clone());
    }
    let done = between(past, since, Moment::from_unix_us(i64::MAX));
    if let Some((at, _)) = done.last() {
        groups.push(Promised {
            at: *at,
            before,
            done: operations(&done),
            outcome: Err("Nothing has been read since.".to_owned()),
        });
    }
    let surplus = groups.len().saturating_sub(MOST_PROMISES);
    groups.drain(..surplus);
    groups
}

/// Changes after one moment and up to another.
fn between(past: &Past, from: Moment, to: Moment) -> Vec<(Moment, Operation)> {
    let inside = past
        .changes
        .iter()
        .filter(|(at, _)| *at > from && *at <= to);
    inside.copied().collect()
}

fn operations(of: &[(Moment, Operation)]) -> Vec<Operation> {
    of.iter().map(|(_, o)| *o).collect()
}
