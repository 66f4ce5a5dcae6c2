//! `rehearse --story settling`: five days of settling on the simulated vehicle.
//!
//! The sensors send bytes on pseudo-terminals; for each reading the ports are opened, as `read`
//! does it. The hours between are skipped, the builder rocks the frame before each reading. At the
//! end of each day the answer of `settle` is held against what the simulation will do.

use crate::logbook::{Logbook, beside};
use crate::ports::Clock;
use crate::quantity::{Moment, Span, UnitSystem};
use crate::rehearsal::{Stage, StagePlan, Truth};
use crate::report::{SettleReport, Table};
use crate::run::arguments::RehearseArguments;
use crate::run::grounds::Grounds;
use crate::run::settle::answer::{Tolerances, gather};
use crate::run::settle::session::{Ended, Session, runtime, signals};
use crate::run::watch::begin_log;
use crate::run::{Failure, sheets};
use crate::sheet::BuildSheet;
use crate::trials::settling::{Band, TimeAxis, Verdict};
use serde_json::{Value, json};
use std::process::ExitCode;

/// Simulated seconds in a real one while a reading is taken.
const SPEED: f64 = 20.0;
/// Hours at which a reading is taken on the first day; then every so many hours.
const FIRST_HOURS: [f64; 12] = [
    0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 6.0, 8.0, 10.0, 12.0,
];
const THEN_EVERY_H: f64 = 3.0;
/// The days.
const DAYS: u32 = 5;
/// A time by which the springs have lost all they will.
const ENDLESS_S: f64 = 400.0 * 86_400.0;
/// Share of the intervals that must hold the truth. Chosen: heights, sags and angles of one frame
/// hang together, so that some thirty of them are independent; with 95 % each, fewer than four
/// fifths hold by chance in one run of three hundred.
const LEAST_SHARE: f64 = 0.8;

/// One thing said on a day, and what came.
struct Said {
    day: u32,
    name: String,
    what: &'static str,
    unit: &'static str,
    band: Option<Band>,
    truth: f64,
    verdict: Verdict,
}

impl Said {
    fn holds(&self) -> Option<bool> {
        let [low, high] = self.band?.confidence_95_mm;
        Some(low <= self.truth && self.truth <= high)
    }
}

pub(in crate::run) fn run(arguments: &RehearseArguments) -> Result<ExitCode, Failure> {
    let speed = arguments.speed.unwrap_or(SPEED);
    let plan = StagePlan {
        seed: arguments.seed,
        speed,
        folder: None,
    };
    let mut stage = Stage::set_up_settling(&plan)?;
    let grounds = Grounds::of(&stage, arguments.folder.as_deref())?;
    let (path, sheet) = (&grounds.path, &grounds.sheet);
    let json = arguments.telling.json;
    if !json {
        sheets::print(&format!(
            "{}\nfive days of settling, seed {}; seconds at {speed} times, the hours between are skipped\n\n",
            sheet.name, arguments.seed
        ))?;
    }
    stage.begin();
    let began = Clock::real().now() - Span::from_s(f64::from(DAYS) * 86_400.0);
    let mut said = Vec::new();
    let (mut kept, mut missed) = (0_u32, 0_u32);
    let book = beside(path);
    let mut day = 1;
    let mut last = None;
    for hour in hours() {
        let ahead = hour * 3600.0 - stage.calendar_s();
        stage.skip(ahead.max(0.0));
        let at = began + Span::from_s(stage.calendar_s());
        let clock = Clock::starting_at(at, speed);
        let log = if kept + missed == 0 {
            grounds.begin(at)?
        } else {
            begin_log(&book, grounds.text.clone(), at)?
        };
        let ended = runtime()?.block_on(async {
            let mut signals = signals()?;
            let session = Session {
                path,
                sheet,
                loads: &[],
                clock,
                within: Span::from_s(180.0),
                log: Some(log),
            };
            session.take(&mut signals).await
        })?;
        match ended {
            Ended::Kept(..) => kept += 1,
            Ended::NotStill(why, _) => {
                missed += 1;
                if !json {
                    sheets::print(&format!("{hour:>6.2} h  no reading: {why}\n"))?;
                }
            }
            Ended::Stopped => return Ok(ExitCode::from(1)),
        }
        if hour >= 24.0 * f64::from(day) - 1e-9 {
            let report = at_day(sheet, &book, clock.now())?;
            let new = compare(day, &report, &stage);
            if !json {
                sheets::print(&day_text(day, &report, &new))?;
            }
            said.extend(new);
            last = Some(report);
            day += 1;
        }
    }
    let outcome = stage.finish();
    let end = End {
        kept,
        missed,
        bytes: outcome.lines.iter().map(|l| l.bytes_written).sum(),
        said,
        last,
    };
    if json {
        sheets::print_json(&end.json())?;
    } else {
        sheets::print(&end.text(sheet.units))?;
        if arguments.folder.is_some() {
            sheets::print(&format!("sheet and logbook: {}\n", path.display()))?;
        }
    }
    Ok(ExitCode::from(u8::from(!end.is_honest())))
}

/// How it went.
struct End {
    kept: u32,
    missed: u32,
    bytes: u64,
    said: Vec<Said>,
    last: Option<SettleReport>,
}

impl End {
    /// Intervals that hold the truth, and all.
    fn counts(&self) -> (usize, usize) {
        let told = || self.said.iter().filter_map(Said::holds);
        (told().filter(|h| *h).count(), told().count())
    }

    fn is_honest(&self) -> bool {
        let (held, all) = self.counts();
        all > 0 && held as f64 >= LEAST_SHARE * all as f64
    }

    fn json(&self) -> Value {
        let (held, all) = self.counts();
        let said: Vec<Value> = self.said.iter().map(said_json).collect();
        json!({
            "event": "summary", "kept": self.kept, "missed": self.missed, "bytes": self.bytes,
            "said": said, "held": held, "intervals": all, "honest": self.is_honest(),
            "last_answer": self.last.as_ref().map(SettleReport::json),
        })
    }

    fn text(&self, units: UnitSystem) -> String {
        let answer = self
            .last
            .as_ref()
            .map(|report| report.text(units, &jiff::tz::TimeZone::system(), TimeAxis::Real, false));
        let (held, all) = self.counts();
        format!(
            "{}\n{} readings kept, {} missed; {} bytes came through pseudo-terminals\nRESULT {held} of {all} answers hold the truth in their 95 % interval: {}\n",
            answer.unwrap_or_default(),
            self.kept,
            self.missed,
            self.bytes,
            if self.is_honest() {
                "honest"
            } else {
                "NOT HONEST"
            }
        )
    }
}

fn hours() -> Vec<f64> {
    let mut all = FIRST_HOURS.to_vec();
    let mut at = 12.0;
    while at < f64::from(DAYS) * 24.0 - 1e-9 {
        at += THEN_EVERY_H;
        all.push(at);
    }
    all
}

fn at_day(
    sheet: &BuildSheet,
    book: &std::path::Path,
    now: Moment,
) -> Result<SettleReport, Failure> {
    let logbook = Logbook::open_for_reading(book)?;
    let tolerances = Tolerances::read(&["0.3 mm".to_owned()])?;
    gather(sheet, &logbook, &[], tolerances, Some(now))
}

/// The simulation's value of a quantity, mm or degrees.
fn truth_of(truth: &Truth, name: &str) -> Option<f64> {
    if let Some(station) = name.strip_prefix("height ") {
        return truth.height_mm(station);
    }
    if let Some(unit) = name.strip_prefix("sag ") {
        return truth.unit_sag_mm(unit);
    }
    match name {
        "roll" => Some(truth.roll_deg),
        "pitch" => Some(truth.pitch_deg),
        _ if name.starts_with("angle ") => Some(truth.link_angle_deg),
        _ => None,
    }
}

fn compare(day: u32, report: &SettleReport, stage: &Stage) -> Vec<Said> {
    let now_s = stage.calendar_s();
    let here = stage.would_stand(now_s);
    let ahead = [
        ("by tomorrow", stage.would_stand(now_s + 86_400.0)),
        ("at the end", stage.would_stand(ENDLESS_S)),
    ];
    let mut said = Vec::new();
    for q in report.quantities.iter().filter(|q| !q.assumed) {
        for (k, (what, then)) in ahead.iter().enumerate() {
            let (Some(a), Some(b)) = (truth_of(&here, &q.name), truth_of(then, &q.name)) else {
                continue;
            };
            said.push(Said {
                day,
                name: q.name.clone(),
                what,
                unit: if q.is_angle { "deg" } else { "mm" },
                band: if k == 0 {
                    q.prospect.by_tomorrow
                } else {
                    q.prospect.at_the_end
                },
                truth: b - a,
                verdict: q.prospect.verdict,
            });
        }
    }
    said
}

fn day_text(day: u32, report: &SettleReport, said: &[Said]) -> String {
    let mut table = Table::new(["quantity", "to come", "said", "95 %", "truth", "held"]).left(2);
    for s in said {
        let places = if s.unit == "deg" { 3 } else { 2 };
        let (value, half) = s
            .band
            .map_or(("cannot tell".to_owned(), String::new()), |b| {
                let half = 0.5 * (b.confidence_95_mm[1] - b.confidence_95_mm[0]);
                (
                    format!("{:+.places$} {}", b.value_mm, s.unit),
                    format!("± {half:.places$}"),
                )
            });
        table.row([
            s.name.clone(),
            s.what.to_owned(),
            value,
            half,
            format!("{:+.places$}", s.truth),
            s.holds()
                .map_or("-", |h| if h { "yes" } else { "NO" })
                .to_owned(),
        ]);
    }
    let mut text = format!(
        "DAY {day}: {} readings\n{}",
        report.readings,
        table.lines(2)
    );
    for cause in &report.causes {
        text.push_str("  ");
        text.push_str(&cause.words);
        text.push('\n');
    }
    text.push('\n');
    text
}

fn said_json(s: &Said) -> Value {
    let unit = s.unit;
    json!({
        "day": s.day, "quantity": s.name, "to_come": s.what, "verdict": s.verdict,
        format!("said_{unit}"): s.band.map(|b| b.value_mm),
        format!("confidence_95_{unit}"): s.band.map(|b| b.confidence_95_mm),
        format!("truth_{unit}"): s.truth, "holds": s.holds(),
    })
}
