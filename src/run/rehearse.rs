//! `rehearse`: the whole job on a simulated vehicle.
//!
//! The stage puts simulated sensors on pseudo-terminals; the very same `watch`
//! loop opens them as ports. At the end what was kept is held against what the
//! simulation knows.

use crate::compare::COVERAGE_95;
use crate::leastsquares::binomial_lower_quantile;
use crate::ports::Clock;
use crate::posture::QuantityKey;
use crate::quantity::{Angle, Length, Moment, Quantity, Span};
use crate::rehearsal::{CueKind, LineCount, RehearsalError, Stage, StagePlan, Truth, UNITS};
use crate::report::{Table, suggestion_text};
use crate::run::advise::bare;
use crate::run::arguments::{RehearseArguments, Story, Unplug};
use crate::run::grounds::Grounds;
use crate::run::settle;
use crate::run::sitting::Sitting;
use crate::run::sitting::lines::{Lines, SensorLine};
use crate::run::sitting::tell::KeptTold;
use crate::run::turning::rehearsal::{Hand, collars_text};
use crate::run::watch::{Cue, Watching, block_on, close};
use crate::run::{Failure, sheets};
use crate::screen::view::Source;
use crate::sheet::BuildSheet;
use serde_json::{Value, json};
use std::path::Path;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::Duration;

/// The truth is averaged over so much time about a kept reading.
const ABOUT_S: f64 = 2.0;
/// How often the hand that pulls plugs looks at the clock.
const HAND_LOOKS_EVERY: Duration = Duration::from_millis(5);
/// The computer's own delays, real seconds; at speed they count for more.
const SLACK_S: f64 = 0.25;
/// Chance of too few hits below which the intervals are called dishonest.
const CHANCE: f64 = 0.001;

pub(super) fn run(arguments: &RehearseArguments) -> Result<ExitCode, Failure> {
    if arguments.story == Story::Settling {
        return settle::rehearsal::run(arguments);
    }
    if arguments.story == Story::Loadtest {
        return crate::run::loadtest::rehearse(arguments);
    }
    let speed = arguments.speed.unwrap_or(1.0);
    let plan = StagePlan {
        seed: arguments.seed,
        speed,
        folder: None,
    };
    let turning = arguments.story == Story::Turning;
    let mut stage = if turning {
        Stage::set_up_turning(&plan)?
    } else {
        Stage::set_up(&plan)?
    };
    let collars_before = stage.known().collars_mm;
    let grounds = Grounds::of(&stage, arguments.folder.as_deref())?;
    let log = grounds.begin(Clock::real().now())?;
    let Grounds {
        folder,
        path,
        sheet,
        ..
    } = grounds;
    let lines = Lines::new(&sheet, &[], &[])?;
    let sitting = Sitting::new(
        sheet.clone(),
        lines,
        &[],
        Some(log),
        Span::from_s(SLACK_S * speed),
    )?;
    let clock = Clock::scaled(speed);
    let length = arguments.length.unwrap_or_else(|| stage.ends_s());
    let on_screen = !arguments.telling.plain && !arguments.telling.json;
    let watching = Watching {
        sitting,
        clock,
        telling: arguments.telling,
        source: Source::Rehearsal,
        // With a screen the vehicle stays until somebody presses quit.
        length: (!on_screen || arguments.length.is_some()).then(|| Span::from_s(length)),
        cues: cues(&stage),
        playing: None,
        ports: Vec::new(),
        hand: turning.then(|| Hand::on(&stage)),
        sharing: crate::run::sitting::sharing::asked(&arguments.sharing)?,
        wall_ahead: Span::ZERO,
        publishing: crate::run::sitting::publishing::asked(&arguments.publishing)?,
        publisher: None,
    };
    if arguments.telling.plain {
        sheets::print(&format!(
            "{}\nrehearsal at speed {}, seed {}; sheet and logbook in {}\n\n",
            sheet.name,
            speed,
            arguments.seed,
            folder.display()
        ))?;
    }
    stage.begin();
    let finished = with_plugs_pulled(&stage, &arguments.unplug, || block_on(watching))?;
    close(&finished, arguments.telling, sheet.units, clock.start())?;
    let summary = Summary::new(
        &sheet,
        &stage,
        &finished.kept,
        clock.start(),
        &finished.lines,
        finished.suggestion,
    );
    let collars_after = stage.known().collars_mm;
    let outcome = stage.finish();
    let honest = summary.is_honest();
    if arguments.telling.json {
        if turning {
            sheets::print(&format!(
                "{}\n",
                json!({
                    "event": "collars", "units": UNITS,
                    "before_mm": collars_before, "after_mm": collars_after,
                })
            ))?;
        }
        sheets::print(&format!("{}\n", summary.json(&outcome.lines)))?;
    } else {
        if turning {
            let pitch_mm: Vec<f64> = bare(&sheet).units.iter().map(|u| u.pitch * 1e3).collect();
            sheets::print(&collars_text(&collars_before, &collars_after, &pitch_mm))?;
        }
        sheets::print(&summary.text(
            &sheet,
            &outcome.lines,
            arguments.folder.as_ref().map(|_| path.as_path()),
        ))?;
    }
    Ok(if honest {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(1)
    })
}

/// Pulls plugs at their times while something runs.
fn with_plugs_pulled<T>(
    stage: &Stage,
    plan: &[Unplug],
    work: impl FnOnce() -> Result<T, Failure>,
) -> Result<T, Failure> {
    for pulled in plan {
        let known = crate::rehearsal::FITTINGS
            .iter()
            .any(|f| f.name == pulled.sensor);
        if !known {
            let names: Vec<_> = crate::rehearsal::FITTINGS.iter().map(|f| f.name).collect();
            return Err(Failure::users(
                "rehearse.unplug.unknown",
                format!("the rehearsal has no sensor '{}'", pulled.sensor),
                format!("it has: {}", names.join(", ")),
            ));
        }
    }
    let ended = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let hand = scope.spawn(|| {
            let mut steps: Vec<(f64, bool, &str)> = plan
                .iter()
                .flat_map(|p| {
                    [
                        (p.from_s, false, p.sensor.as_str()),
                        (p.to_s, true, p.sensor.as_str()),
                    ]
                })
                .collect();
            steps.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (at_s, back, sensor) in steps {
                while stage.now_s() < at_s {
                    if ended.load(Relaxed) {
                        return Ok(());
                    }
                    std::thread::sleep(HAND_LOOKS_EVERY);
                }
                if back {
                    stage.replug(sensor)
                } else {
                    stage.unplug(sensor)
                }?;
            }
            Ok(())
        });
        let result = work();
        ended.store(true, Relaxed);
        match hand.join() {
            Ok(plugs) => {
                result.and_then(|r| plugs.map(|()| r).map_err(|e: RehearsalError| e.into()))
            }
            Err(_) => Err(Failure::ours(
                "rehearse.hand",
                "the hand that pulls the plugs failed",
                "",
            )),
        }
    })
}

fn cues(stage: &Stage) -> Vec<(Span, Cue)> {
    let cue = |kind: CueKind| match kind {
        CueKind::LoadOn(name) => Some(Cue::Load { name, on: true }),
        CueKind::LoadOff(name) => Some(Cue::Load { name, on: false }),
        CueKind::Note(text) => Some(Cue::Note(text)),
        #[allow(unreachable_patterns, reason = "more kinds of cue may come")]
        _ => None,
    };
    stage
        .cues()
        .into_iter()
        .filter_map(|c| Some((Span::from_s(c.at_s), cue(c.kind)?)))
        .collect()
}

/// One kept quantity against the truth; SI.
struct Hit {
    name: String,
    value: f64,
    half: f64,
    truth: f64,
    is_angle: bool,
    measured: bool,
}

impl Hit {
    fn holds(&self) -> bool {
        (self.value - self.truth).abs() <= self.half
    }
}

struct KeptCheck {
    at_s: f64,
    loads: Vec<String>,
    hits: Vec<Hit>,
}

struct Summary {
    checks: Vec<KeptCheck>,
    lines: Vec<SensorLine>,
    suggestion: Option<crate::advice::Suggestion>,
    known: crate::rehearsal::Known,
}

/// The simulation's truth of a quantity, SI; none where it keeps none.
fn truth_of(
    sheet: &BuildSheet,
    truth: &Truth,
    q: &crate::run::sitting::tell::ToldQuantity,
) -> Option<f64> {
    let mm = |v: f64| v * 1e-3;
    Some(match q.key {
        QuantityKey::Height(i) => mm(truth.height_mm(&sheet.stations.get(i)?.name)?),
        QuantityKey::Roll => truth.roll_deg.to_radians(),
        QuantityKey::Pitch => truth.pitch_deg.to_radians(),
        QuantityKey::LinkAngle(0) => truth.link_angle_deg.to_radians(),
        QuantityKey::Sag(_) => mm(truth.unit_sag_mm(q.name.strip_prefix("sag ")?)?),
        _ => return None,
    })
}

impl Summary {
    fn new(
        sheet: &BuildSheet,
        stage: &Stage,
        kept: &[KeptTold],
        start: Moment,
        lines: &[SensorLine],
        suggestion: Option<crate::advice::Suggestion>,
    ) -> Self {
        let checks = kept.iter().filter_map(|k| {
            let at_s = k.at.since(start).s();
            let from = k.still_since.since(start).s().max(at_s - 2.0 * ABOUT_S);
            let truth = stage.truth_over(from, at_s)?;
            let hits = k
                .quantities
                .iter()
                .filter_map(|q| {
                    Some(Hit {
                        name: q.name.clone(),
                        value: q.value,
                        half: COVERAGE_95 * q.uncertainty,
                        truth: truth_of(sheet, &truth, q)?,
                        is_angle: q.key.is_angle(),
                        measured: q.measured,
                    })
                })
                .collect();
            Some(KeptCheck {
                at_s,
                loads: k.loads.clone(),
                hits,
            })
        });
        Self {
            checks: checks.collect(),
            lines: lines.to_vec(),
            suggestion,
            known: stage.known(),
        }
    }

    fn counts(&self) -> (u64, u64) {
        let hits = || self.checks.iter().flat_map(|c| &c.hits);
        (
            hits().filter(|h| h.holds()).count() as u64,
            hits().count() as u64,
        )
    }

    /// The least number of hits that chance allows at 95 %.
    fn least(&self) -> u64 {
        let (_, all) = self.counts();
        binomial_lower_quantile(CHANCE, all, 0.95).unwrap_or(0)
    }

    fn is_honest(&self) -> bool {
        let (held, all) = self.counts();
        all > 0 && held >= self.least()
    }

    fn text(&self, sheet: &BuildSheet, counts: &[LineCount], kept_in: Option<&Path>) -> String {
        let units = sheet.units;
        let show = |h: &Hit, v: f64| {
            if h.is_angle {
                Angle::new(v).shown(units)
            } else {
                Length::new(v).shown(units)
            }
        };
        let mut text = String::from(
            "\nSUMMARY of the rehearsal: what was read against what the simulation knows\n",
        );
        let mut table =
            Table::new(["kept at", "quantity", "read", "95 %", "truth", "held"]).left(2);
        for check in &self.checks {
            let loads = if check.loads.is_empty() {
                "bare".to_owned()
            } else {
                check.loads.join(" + ")
            };
            let mut first = format!("{:.0} s {loads}", check.at_s);
            for hit in &check.hits {
                table.row([
                    std::mem::take(&mut first),
                    format!("{}{}", if hit.measured { "" } else { "~" }, hit.name),
                    show(hit, hit.value),
                    format!("± {}", show(hit, hit.half)),
                    show(hit, hit.truth),
                    if hit.holds() { "yes" } else { "NO" }.to_owned(),
                ]);
            }
        }
        text.push_str(&table.lines(2));
        text.push_str("  ~ assumed: the model tells more of it than the readings\n\n");
        if let Some(suggestion) = &self.suggestion {
            text.push_str(&suggestion_text(sheet, suggestion));
            text.push('\n');
        }
        text.push_str(&self.springs(sheet));
        text.push_str("\nLINES every reading came as bytes through a pseudo-terminal\n");
        let mut table = Table::new([
            "sensor",
            "bytes",
            "good frames",
            "samples",
            "rejected",
            "opened",
            "sent by it",
        ]);
        for (line, count) in self.lines.iter().zip(counts) {
            table.row([
                line.sensors.join(", "),
                line.bytes.to_string(),
                line.counts.good.to_string(),
                line.counts.samples.to_string(),
                line.counts.rejected_total().to_string(),
                line.openings.to_string(),
                format!("{} bytes", count.bytes_written),
            ]);
        }
        text.push_str(&table.lines(2));
        if let Some(path) = kept_in {
            text.push_str(&format!("\nsheet and logbook: {}\n", path.display()));
        }
        let (held, all) = self.counts();
        text.push_str(&format!(
            "\nRESULT {held} of {all} kept quantities hold the truth in their 95 % interval; chance allows {} or more: {}\n",
            self.least(),
            if self.is_honest() { "honest" } else { "NOT HONEST" }
        ));
        text
    }

    /// What the sheet believed and what was really there.
    fn springs(&self, sheet: &BuildSheet) -> String {
        let mut table = Table::new(["the vehicle", "the sheet says", "in truth"]);
        for (i, name) in crate::rehearsal::UNITS.iter().enumerate() {
            let believed = sheet
                .unit(name)
                .map_or("-".to_owned(), |u| match &u.spring.curve {
                    crate::sheet::SpringCurve::Linear(rate) => rate.shown(sheet.units),
                    crate::sheet::SpringCurve::Table(_) => "a table".to_owned(),
                });
            let true_rate =
                crate::quantity::SpringRate::from_n_per_mm(self.known.rates_n_per_mm[i]);
            table.row([
                format!("spring {name}"),
                believed,
                true_rate.shown(sheet.units),
            ]);
        }
        table.row([
            "sprung weight".to_owned(),
            sheet.sprung.mass.shown(sheet.units),
            crate::quantity::Mass::new(self.known.sprung_kg).shown(sheet.units),
        ]);
        for (name, kg) in &self.known.loads_kg {
            let believed = sheet.loads.iter().find(|l| l.name == *name);
            table.row([
                name.clone(),
                believed.map_or("-".to_owned(), |l| l.mass.shown(sheet.units)),
                crate::quantity::Mass::new(*kg).shown(sheet.units),
            ]);
        }
        let floor = format!(
            "{:+.2} / {:+.2} deg",
            self.known.floor_roll_deg, self.known.floor_pitch_deg
        );
        table.row([
            "floor roll / pitch".to_owned(),
            "level, not measured".to_owned(),
            floor,
        ]);
        format!("KNOWN only to the simulation\n{}", table.lines(2))
    }

    fn json(&self, counts: &[LineCount]) -> Value {
        let (held, all) = self.counts();
        let quantity = |h: &Hit| {
            let unit = if h.is_angle { "deg" } else { "mm" };
            let scale = if h.is_angle {
                180.0 / std::f64::consts::PI
            } else {
                1e3
            };
            json!({
                "name": h.name, format!("value_{unit}"): h.value * scale,
                format!("interval95_{unit}"): h.half * scale, format!("truth_{unit}"): h.truth * scale,
                "measured": h.measured, "holds": h.holds(),
            })
        };
        json!({
            "event": "summary",
            "kept": self.checks.iter().map(|c| json!({
                "at_s": c.at_s, "loads": c.loads, "quantities": c.hits.iter().map(quantity).collect::<Vec<_>>(),
            })).collect::<Vec<_>>(),
            "lines": self.lines.iter().zip(counts).map(|(l, c)| json!({
                "sensors": l.sensors, "bytes": l.bytes, "good_frames": l.counts.good,
                "samples": l.counts.samples, "rejected": l.counts.rejected_total(), "opened": l.openings,
                "bytes_sent_by_sensor": c.bytes_written,
            })).collect::<Vec<_>>(),
            "held": held, "quantities": all, "least_by_chance": self.least(), "honest": self.is_honest(),
        })
    }
}
