//! `rehearse --story loadtest`: the guided load test on the simulated vehicle.
//!
//! In: a seed and a speed. Out: the plan, every step as a person would see it
//! (the sensors' bytes come over pseudo-terminals), the result, and what was
//! identified against what the simulation knows. Refused: nothing that the
//! stage would take. The simulated hands do what each step asks and then say so;
//! how fast the machine is makes no difference.

use super::answer::Answer;
use super::doing::{Doing, Stop, stops};
use super::guided::{Hands, Teller, Test};
use super::plan_of;
use crate::compare::COVERAGE_95;
use crate::ports::Clock;
use crate::posture::QuantityKey;
use crate::quantity::{Angle, Force, Length, Mass, Quantity, Span, decimals};
use crate::rehearsal::{Burden, SANDBAGS, Stage, StagePlan, Truth, Weight};
use crate::report::{Table, loadtest_plan_json, loadtest_plan_text};
use crate::run::arguments::{AtHand, RehearseArguments};
use crate::run::grounds::Grounds;
use crate::run::sensors::steps::Answer as Said;
use crate::run::{Failure, sheets};
use crate::screen::view::Source;
use crate::sheet::{BuildSheet, NamedLoad, SpringCurve};
use crate::trials::loadtest::Key;
use rand::{Rng as _, SeedableRng as _, rngs::StdRng};
use serde_json::{Value, json};
use std::process::ExitCode;

/// Simulated seconds in a real one.
const SPEED: f64 = 20.0;
/// What the person says to weigh, kilograms.
const PERSON_KG: f64 = 78.0;
/// Weights are missed by at most so much, kilograms.
const WEIGHT_LIMIT_KG: f64 = 1.5;
/// Places are missed by at most so much each way, metres.
const PLACE_LIMIT_M: f64 = 0.035;
/// How hard hands press, lift and bounce, kilograms, and where: between the axles.
const HANDS_KG: f64 = 70.0;
const HANDS_AT_M: [f64; 3] = [1.1, 0.0, 0.2];
/// Seconds after the last motion of the hands until they say that it is done.
const PAUSE_S: f64 = 1.0;
/// Waits at most so long for a step, simulated seconds.
const WAIT_S: f64 = 600.0;
/// Share of the intervals that must hold the truth. Chosen: heights, sags and
/// angles of one frame hang together, so that about half of them are
/// independent; with 95 % each, fewer than this hold by chance in one run of some hundred.
const LEAST_SHARE: f64 = 0.8;

/// Simulated hands on the stage.
struct Helper<'a> {
    stage: &'a Stage,
    chance: StdRng,
    /// What each load really weighs, by name.
    weights: Vec<(String, f64)>,
    /// The step that was last begun.
    begun: Option<Stop>,
    done_at_s: f64,
}

impl Helper<'_> {
    fn really_kg(&mut self, load: &NamedLoad) -> f64 {
        if let Some((_, kg)) = self.weights.iter().find(|(n, _)| *n == load.name) {
            return *kg;
        }
        let limit = WEIGHT_LIMIT_KG.min(3.0_f64.sqrt() * load.mass_uncertainty.kg());
        let kg = load.mass.kg() + limit * self.chance.random_range(-1.0..=1.0);
        self.weights.push((load.name.clone(), kg));
        kg
    }

    fn begin(&mut self, stop: &Stop, loads: &[NamedLoad]) {
        let mut at_s = self.stage.now_s() + 0.5;
        for doing in &stop.doings {
            match doing {
                Doing::Off(i) => {
                    if let Some(load) = loads.get(*i) {
                        self.stage.take_off(&load.name);
                        at_s += 3.5;
                    }
                }
                Doing::On(i) => {
                    let Some(load) = loads.get(*i) else { continue };
                    let kg = self.really_kg(load);
                    let limit = PLACE_LIMIT_M.min(3.0_f64.sqrt() * load.place_uncertainty.m());
                    let mut place = load.at.m();
                    for x in place.iter_mut().take(2) {
                        *x += limit * self.chance.random_range(-1.0..=1.0);
                    }
                    self.put_on(Burden::carried(&load.name, kg, place, at_s), &mut at_s);
                }
                Doing::Pressed => {
                    self.put_on(Burden::pressed(HANDS_KG, HANDS_AT_M, at_s), &mut at_s);
                }
                Doing::Lifted => {
                    self.put_on(Burden::lifted(HANDS_KG, HANDS_AT_M, at_s), &mut at_s);
                }
                Doing::Bounced => {
                    self.put_on(Burden::bounced(HANDS_KG, HANDS_AT_M, at_s), &mut at_s);
                }
            }
        }
        self.done_at_s = at_s + PAUSE_S;
        self.begun = Some(stop.clone());
    }

    fn put_on(&self, burden: Burden, at_s: &mut f64) {
        *at_s = burden.moves_until_s();
        self.stage.put_on(burden);
    }
}

impl Hands for Helper<'_> {
    fn answer(&mut self, asked: Option<&Stop>, loads: &[NamedLoad]) -> Said {
        let Some(stop) = asked else {
            return Said::End;
        };
        if self.begun.is_none() {
            self.begin(stop, loads);
        }
        if self.stage.now_s() < self.done_at_s {
            return Said::NotYet;
        }
        self.begun = None;
        Said::Line("done".to_owned())
    }
}

pub(in super::super) fn run(arguments: &RehearseArguments) -> Result<ExitCode, Failure> {
    let speed = arguments.speed.unwrap_or(SPEED);
    let mut stage = Stage::set_up_guided(&StagePlan {
        seed: arguments.seed,
        speed,
        folder: None,
    })?;
    let grounds = Grounds::of(&stage, arguments.folder.as_deref())?;
    let mut sheet = grounds.sheet.clone();
    let at_hand = AtHand {
        person: PERSON_KG,
        nobody: false,
        loads: vec![SANDBAGS.to_owned()],
        stops: 19,
    };
    let plan = plan_of(&sheet, &at_hand)?;
    let teller = Teller::of(arguments.telling.json, arguments.telling.plain);
    if teller == Teller::Json {
        let mut value = loadtest_plan_json(&sheet, &plan);
        value["event"] = json!("plan");
        sheets::print(&format!("{value}\n"))?;
    } else {
        sheets::print(&format!(
            "{}\nthe guided load test at speed {speed}, seed {}\n\n{}\n",
            sheet.name,
            arguments.seed,
            loadtest_plan_text(&sheet, &plan)
        ))?;
    }
    let mut loads = sheet.loads.clone();
    let planned = stops(&sheet, &plan, &mut loads);
    sheet.loads = loads;
    let clock = Clock::scaled(speed);
    let log = grounds.begin(clock.now())?;
    let mut test = Test::new(
        &grounds.path,
        sheet.clone(),
        &[],
        clock,
        Some(log),
        teller,
        Span::from_s(WAIT_S),
        planned,
    )?;
    stage.begin();
    let mut helper = Helper {
        stage: &stage,
        chance: StdRng::seed_from_u64(arguments.seed ^ 0x10ad_7e57),
        weights: Vec::new(),
        begun: None,
        done_at_s: 0.0,
    };
    if teller == Teller::Screen {
        test.open_window(Source::Rehearsal)?;
    }
    test.lead(&mut helper)?;
    let weights = helper.weights.clone();
    let finished = finished_truth(&mut helper, &sheet);
    let Some((_, answer, _)) = test.conclude()? else {
        return Ok(ExitCode::from(1));
    };
    let known = stage.known();
    let hits = hits(&sheet, &answer, &known, &finished, &weights);
    stage.finish();
    let held = hits.iter().filter(|h| h.holds()).count();
    let honest = held as f64 >= LEAST_SHARE * hits.len() as f64;
    if teller == Teller::Json {
        sheets::print(&format!("{}\n", summary_json(&hits, held, honest)))?;
    } else {
        sheets::print(&summary(&hits, held, honest))?;
    }
    Ok(if honest {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(1)
    })
}

/// The vehicle with the loads of the target's case really on, nothing rubbing.
fn finished_truth(helper: &mut Helper, sheet: &BuildSheet) -> Truth {
    let case = sheet.cases.get(sheet.targets.case);
    let mut on = Vec::new();
    for load in case
        .into_iter()
        .flat_map(|c| &c.loads)
        .filter_map(|&i| sheet.loads.get(i))
    {
        let mass_kg = helper.really_kg(load);
        let limit = 3.0_f64.sqrt() * load.place_uncertainty.m();
        let mut at_m = load.at.m();
        for x in &mut at_m {
            *x += limit * helper.chance.random_range(-1.0..=1.0);
        }
        on.push(Weight { mass_kg, at_m });
    }
    helper.stage.would_carry(&on)
}

/// One value against the truth, in the unit of its text.
struct Hit {
    name: String,
    value: f64,
    half: f64,
    truth: f64,
    unit: &'static str,
}

impl Hit {
    fn holds(&self) -> bool {
        (self.value - self.truth).abs() <= self.half
    }
}

fn hits(
    sheet: &BuildSheet,
    answer: &Answer,
    known: &crate::rehearsal::Known,
    finished: &Truth,
    weights: &[(String, f64)],
) -> Vec<Hit> {
    let model = &answer.found.model;
    // Rate of a unit over the sheet's.
    let factor = |u: usize| {
        let typed = sheet.unit(&model.units[u].name);
        typed.and_then(|t| match &t.spring.curve {
            SpringCurve::Linear(rate) => Some(known.rates_n_per_mm[u] / rate.n_per_mm()),
            SpringCurve::Table(_) => None,
        })
    };
    let of_axle = |i: usize| (0..model.units.len()).filter(move |u| model.units[*u].axle == i);
    let mean = |i: usize, of: &dyn Fn(usize) -> Option<f64>| -> Option<f64> {
        let all: Option<Vec<f64>> = of_axle(i).map(of).collect();
        let all = all?;
        Some(all.iter().sum::<f64>() / all.len() as f64)
    };
    let mut hits = Vec::new();
    for f in &answer.found.findings {
        let truth = match f.key {
            Key::AxleRate(i) => mean(i, &factor).map(|x| (x, 100.0, "%")),
            Key::UnitRate(u) => factor(u).map(|x| (x, 100.0, "%")),
            Key::Friction(i) => {
                mean(i, &|u| Some(known.friction_n[u])).map(|x| (x, 1.0, Force::unit(sheet.units)))
            }
            Key::Weight => Some((known.sprung_kg, 1.0, Mass::unit(sheet.units))),
            _ => None,
        };
        if let Some((truth, by, unit)) = truth {
            hits.push(Hit {
                name: f.key.name(sheet, model),
                value: f.value * by,
                half: COVERAGE_95 * f.uncertainty * by,
                truth: truth * by,
                unit,
            });
        }
    }
    for (name, f) in &answer.found.bodies {
        if let Some((_, kg)) = weights.iter().find(|(n, _)| n == name) {
            hits.push(Hit {
                name: format!("weight of {name}"),
                value: f.value,
                half: COVERAGE_95 * f.uncertainty,
                truth: *kg,
                unit: Mass::unit(sheet.units),
            });
        }
    }
    let Ok(forecast) = &answer.forecast else {
        return hits;
    };
    for q in &forecast.quantities {
        let name = q.key.name(sheet, model);
        let truth = match q.key {
            QuantityKey::Height(i) => finished.height_mm(&sheet.stations[i].name),
            QuantityKey::Roll => Some(finished.roll_deg),
            QuantityKey::Pitch => Some(finished.pitch_deg),
            QuantityKey::LinkAngle(0) => Some(finished.link_angle_deg),
            QuantityKey::Sag(_) => name
                .strip_prefix("sag ")
                .and_then(|unit| finished.unit_sag_mm(unit)),
            _ => None,
        };
        let (by, unit) = if q.key.is_angle() {
            (Angle::new(1.0).deg(), "deg")
        } else {
            (Length::new(1.0).mm(), "mm")
        };
        if let Some(truth) = truth {
            hits.push(Hit {
                name: format!("finished: {name}"),
                value: q.expected.value * by,
                half: COVERAGE_95 * q.expected.uncertainty * by,
                truth,
                unit,
            });
        }
    }
    hits
}

fn summary(hits: &[Hit], held: usize, honest: bool) -> String {
    let mut table = Table::new(["quantity", "found", "95 %", "truth", "held"]).left(1);
    for h in hits {
        let places = if h.unit == "deg" { 2 } else { 1 };
        table.row([
            h.name.clone(),
            format!("{} {}", decimals(h.value, places), h.unit),
            format!("± {}", decimals(h.half, places)),
            decimals(h.truth, places),
            if h.holds() { "yes" } else { "NO" }.to_owned(),
        ]);
    }
    format!(
        "\nSUMMARY what the load test found against what the simulation knows\n{}\nRESULT {held} of {} intervals hold the truth, {:.0} % are asked for: {}\n",
        table.lines(2),
        hits.len(),
        LEAST_SHARE * 100.0,
        if honest { "honest" } else { "NOT HONEST" }
    )
}

fn summary_json(hits: &[Hit], held: usize, honest: bool) -> Value {
    json!({
        "event": "summary",
        "quantities": hits.iter().map(|h| json!({
            "name": h.name, "unit": h.unit, "value": h.value, "interval95": h.half,
            "truth": h.truth, "holds": h.holds(),
        })).collect::<Vec<_>>(),
        "held": held, "of": hits.len(), "least_share": LEAST_SHARE, "honest": honest,
    })
}
