//! Advice as text. Writing into a `String` cannot fail.

use super::{Basis, operation_words, percent, plan_steps};
use crate::advice::{
    Advice, Answer, Explanation, Leave, Objection, Plan, PromiseVerdict, Unknown, Worse, holes,
};
use crate::compare::{COVERAGE_95, Compared};
use crate::posture::QuantityKey;
use crate::quantity::{Quantity, decimals};
use crate::report::Table;
use crate::sheet::BuildSheet;
use crate::statics::Parameter;
use std::fmt::Write as _;

/// The whole advice.
pub fn advice_text(basis: &Basis<'_>, advice: &Advice) -> String {
    let cases: Vec<&str> = advice.now.cases.iter().map(|c| c.name.as_str()).collect();
    let mut text = format!("ADVICE for {}\n", cases.join(", "));
    text += &match &basis.newest {
        Some(at) => format!(
            "  from {} kept reading{}, the newest of {at}, and {} change{} entered\n",
            basis.readings,
            plural(basis.readings),
            basis.changes,
            plural(basis.changes)
        ),
        None => {
            "  from the sheet alone: no reading is kept yet, so the intervals are wide\n".to_owned()
        }
    };
    for remark in &basis.remarks {
        let _ = writeln!(text, "  note: {remark}");
    }
    text += "\n";
    if let Some((a, b)) = &advice.contradiction {
        let _ = write!(
            text,
            "  the targets contradict each other: at best {} stays {} off and {} {} off; give one of them more tolerance\n\n",
            basis.aim(a.aim.key),
            basis.off(a.aim.key, a.deviation()),
            basis.aim(b.aim.key),
            basis.off(b.aim.key, b.deviation())
        );
    }
    let mut number = 1;
    if let Some(leave) = &advice.leave {
        let _ = writeln!(text, "{number}. LEAVE IT: {}", leave_sentence(basis, leave));
        number += 1;
    }
    text += &decision(basis, advice);
    text += &now_text(basis, &advice.now);
    for plan in &advice.plans {
        let _ = write!(text, "\n{number}. {}\n", reason(basis, &advice.now, plan));
        text += &plan_text(basis, &advice.now, plan);
        number += 1;
    }
    if !advice.in_the_way.is_empty() {
        text += "\nWith the holes and springs as they are, the targets would need:\n";
        for b in &advice.in_the_way {
            let _ = writeln!(text, "  {}", basis.blocked(b));
        }
    }
    if advice.tally.combinations > 1.0 {
        let _ = write!(
            text,
            "\nsearched {} combinations of holes and springs: {} bounded, {} worked out in full\n",
            decimals(advice.tally.combinations, 0),
            advice.tally.bounded,
            advice.tally.valued
        );
    }
    if advice.plans.iter().any(|p| !p.operations.is_empty()) {
        text += "Changes to suspension, steering and brakes follow local codes and are signed off by someone licensed for it.\n";
    }
    text
}

fn plural(n: usize) -> &'static str {
    if n == 1 { "" } else { "s" }
}

fn worst(plan: &Plan) -> Option<(&str, Compared)> {
    plan.cases
        .iter()
        .flat_map(|c| c.compared.iter().map(move |a| (c.name.as_str(), *a)))
        .max_by(|a, b| a.1.share().total_cmp(&b.1.share()))
}

fn reason(basis: &Basis<'_>, now: &Plan, plan: &Plan) -> String {
    let (Some((_, before)), Some((_, after))) = (worst(now), worst(plan)) else {
        return String::new();
    };
    let operations: Vec<String> = plan
        .operations
        .iter()
        .map(|o| operation_words(basis, o))
        .collect();
    format!(
        "{}\n   because the worst deviation goes from {} ({}) to {} ({}), all within tolerance with {}, for {} operation{}",
        operations.join("; "),
        basis.off(before.aim.key, before.deviation()),
        basis.aim(before.aim.key),
        basis.off(after.aim.key, after.deviation()),
        basis.aim(after.aim.key),
        percent(plan.probability),
        plan.operations.len(),
        plural(plan.operations.len())
    )
}

fn decision(basis: &Basis<'_>, advice: &Advice) -> String {
    let mut table = Table::new([
        "",
        "operations",
        "effort",
        "worst off",
        "within tolerance",
        "travel limit broken",
    ]);
    let mut row = |name: String, plan: &Plan| {
        let off = worst(plan).map_or("-".to_owned(), |(_, c)| {
            format!(
                "{} {}",
                basis.aim(c.aim.key),
                basis.off(c.aim.key, c.deviation())
            )
        });
        table.row([
            name,
            plan.operations.len().to_string(),
            decimals(plan.found.effort, 2),
            off,
            percent(plan.probability),
            percent(plan.risk),
        ]);
    };
    row("as it is".to_owned(), &advice.now);
    let first = 1 + usize::from(advice.leave.is_some());
    for (i, plan) in advice.plans.iter().enumerate() {
        row(format!("plan {}", i + first), plan);
    }
    table.lines(2)
}

fn now_text(basis: &Basis<'_>, now: &Plan) -> String {
    let mut text = String::new();
    for case in &now.cases {
        let _ = write!(text, "\n  as it is, '{}':\n", case.name);
        let mut table = Table::new(["", "expected", "target", "off", "verdict"]);
        for c in &case.compared {
            let key = c.aim.key;
            table.row([
                basis.aim(key),
                format!(
                    "{} ± {}",
                    basis.amount(key, c.value),
                    basis.amount(key, COVERAGE_95 * c.uncertainty)
                ),
                format!(
                    "{} ± {}",
                    basis.amount(key, c.aim.target),
                    basis.amount(key, c.aim.tolerance)
                ),
                basis.off(key, c.deviation()),
                c.verdict.words().to_owned(),
            ]);
        }
        text += &table.lines(4);
        text += &diagonal(case.diagonal);
    }
    text
}

fn diagonal(share: Option<(f64, f64)>) -> String {
    share.map_or(String::new(), |(value, u)| {
        format!(
            "    diagonal load (left front + right rear) {} ± {} %\n",
            decimals(value * 100.0, 1),
            decimals(COVERAGE_95 * u * 100.0, 1)
        )
    })
}

fn plan_text(basis: &Basis<'_>, now: &Plan, plan: &Plan) -> String {
    let mut text = String::new();
    for (i, step) in plan_steps(basis, plan).iter().enumerate() {
        let _ = writeln!(
            text,
            "   {}) {step}",
            (b'a' + u8::try_from(i % 26).unwrap_or(0)) as char
        );
    }
    for (before, after) in now.cases.iter().zip(&plan.cases) {
        let _ = writeln!(text, "   then, in '{}':", after.name);
        let mut table = Table::new(["", "now", "then", "off target"]);
        for (b, a) in before.quantities.iter().zip(&after.quantities) {
            let off = after.compared.iter().find(|c| c.aim.key == a.key);
            table.row([
                basis.aim(a.key),
                basis.amount(b.key, b.value),
                format!(
                    "{} ± {}",
                    basis.amount(a.key, a.value),
                    basis.amount(a.key, COVERAGE_95 * a.uncertainty)
                ),
                off.map_or(String::new(), |c| {
                    format!("{} {}", basis.off(a.key, c.deviation()), c.verdict.words())
                }),
            ]);
        }
        text += &table.lines(5);
        for u in &after.found.units {
            let _ = writeln!(
                text,
                "     {}: travel left {} up, {} down; {} N at {} mm",
                u.name,
                u.travel_up.shown(basis.units()),
                u.travel_down.shown(basis.units()),
                decimals(u.force.n(), 0),
                decimals(u.length.mm(), 0)
            );
        }
        text += &diagonal(after.diagonal);
    }
    for (case, worse) in &plan.worse {
        let name = plan.cases.get(*case).map_or("?", |c| c.name.as_str());
        let _ = writeln!(text, "   worse, in '{name}': {}", worse_words(basis, worse));
    }
    text
}

fn worse_words(basis: &Basis<'_>, worse: &Worse) -> String {
    match *worse {
        Worse::TravelUp(u, a, b) => format!(
            "{} has {} travel left up instead of {}",
            basis.unit(u),
            basis.length(b),
            basis.length(a)
        ),
        Worse::TravelDown(u, a, b) => format!(
            "{} has {} travel left down instead of {}",
            basis.unit(u),
            basis.length(b),
            basis.length(a)
        ),
        Worse::Preload(u, a, b) => format!(
            "{} has {} preload at droop instead of {}",
            basis.unit(u),
            basis.length(b),
            basis.length(a)
        ),
        Worse::Aim(key, a, b) => format!(
            "{} is {} off instead of {}",
            basis.aim(key),
            basis.off(key, b),
            basis.off(key, a)
        ),
        Worse::Diagonal(a, b) => format!(
            "diagonal load {} % instead of {} %",
            decimals(b * 100.0, 1),
            decimals(a * 100.0, 1)
        ),
        Worse::Frequency(axle, a, b) => format!(
            "the {} rides {} at {} Hz instead of {} Hz",
            basis.sheet.axles.get(axle).map_or("?", |x| &x.name),
            if b > a { "harder" } else { "softer" },
            decimals(b, 2),
            decimals(a, 2)
        ),
    }
}

/// What an unknown is called.
pub(in crate::report) fn unknown_words(basis: &Basis<'_>, unknown: Unknown) -> String {
    let mass = |i: usize| basis.model.masses.get(i).map_or("?", |m| &m.name);
    match unknown {
        Unknown::Rate { unit, .. } => format!("the spring rate at the {}", basis.unit(unit)),
        Unknown::Model(Parameter::Collar(i)) => {
            format!("the collar height of the {}", basis.unit(i))
        }
        Unknown::Model(Parameter::Mass(i)) => format!("the weight of '{}'", mass(i)),
        Unknown::Model(Parameter::MassAt(i, axis)) => format!(
            "the place ({}) of '{}'",
            ["forward", "sideways", "height"]
                .get(axis)
                .copied()
                .unwrap_or("?"),
            mass(i)
        ),
        Unknown::Model(Parameter::TyreFactor(i) | Parameter::TyreRadius(i)) => {
            format!(
                "the tyres of the {} axle",
                basis.sheet.axles.get(i).map_or("?", |a| &a.name)
            )
        }
        Unknown::Model(_) => "a parameter".to_owned(),
        Unknown::Pose(_) => "the mounts' places (a reading of every height tells)".to_owned(),
        Unknown::Floor(_) => {
            "the floor's slope (read it, or turn the vehicle end for end)".to_owned()
        }
        Unknown::Zero(i) => format!(
            "the zero of the sensor '{}'",
            basis.sheet.sensors.get(i).map_or("?", |s| &s.name)
        ),
    }
}

fn load_names(sheet: &BuildSheet, loads: &[usize]) -> String {
    let names: Vec<&str> = loads
        .iter()
        .filter_map(|&i| sheet.loads.get(i))
        .map(|l| l.name.as_str())
        .collect();
    names.join(" and ")
}

/// Why to leave it, one sentence with its numbers.
pub fn leave_sentence(basis: &Basis<'_>, leave: &Leave) -> String {
    let within = |c: &Compared| {
        format!(
            "{} off, tolerance ± {}",
            basis.off(c.aim.key, c.deviation()),
            basis.amount(c.aim.key, c.aim.tolerance)
        )
    };
    match leave {
        Leave::WithinTolerance { worst } => format!(
            "everything is within its tolerance; {} is farthest off ({})",
            basis.aim(worst.aim.key),
            within(worst)
        ),
        Leave::WeightToCome { loads, now, then } => format!(
            "the weight still to come ({}) takes {} from {} to {} off",
            load_names(basis.sheet, loads),
            basis.aim(now.aim.key),
            basis.off(now.aim.key, now.deviation()),
            basis.off(then.aim.key, then.deviation())
        ),
        Leave::WillSettle { now, change } => format!(
            "{} is {} off and will settle by {} more by itself",
            basis.aim(now.aim.key),
            basis.off(now.aim.key, now.deviation()),
            basis.off(now.aim.key, *change)
        ),
        Leave::CannotTell { worst, decider } => {
            let mut text = format!(
                "{} seems {} off, but that is only known to ± {}",
                basis.aim(worst.aim.key),
                basis.off(worst.aim.key, worst.deviation()),
                basis.amount(worst.aim.key, COVERAGE_95 * worst.uncertainty)
            );
            if let Some((unknown, left)) = decider {
                let _ = write!(text,
                    "; what would decide it most is {}: known exactly it would leave ± {}",
                    unknown_words(basis, *unknown),
                    basis.amount(worst.aim.key, COVERAGE_95 * left)
                );
            }
            text
        }
        Leave::NothingHelps => {
            "no legal change of collars, holes or springs on the shelf makes it better by what it costs".to_owned()
        }
    }
}

/// What an operation of the builder's own would do.
pub fn answer_text(basis: &Basis<'_>, now: &Plan, answer: &Answer) -> String {
    let mut text = format!("WHY NOT: {}\n", reason(basis, now, &answer.plan));
    text += &plan_text(basis, now, &answer.plan);
    if answer.against.is_empty() {
        text += "  nothing speaks against it\n";
    }
    for objection in &answer.against {
        let words = match objection {
            Objection::Limit { unit, limit, by } => basis.blocked(&crate::advice::Blocked {
                unit: *unit,
                limit: *limit,
                by: *by,
            }),
            Objection::Further(_, key, a, b) => {
                format!(
                    "{} would be {} off instead of {}",
                    basis.aim(*key),
                    basis.off(*key, *b),
                    basis.off(*key, *a)
                )
            }
            Objection::TooSmall { key, change, half } => format!(
                "it moves {} by {} only, and that is known to ± {}: nobody could tell whether it helped",
                basis.aim(*key),
                basis.off(*key, *change),
                basis.amount(*key, *half)
            ),
            Objection::Value(a, b) => format!(
                "it makes things worse altogether: {} instead of {} (squared tolerances with effort)",
                decimals(*b, 2),
                decimals(*a, 2)
            ),
        };
        let _ = writeln!(text, "  against it: {words}");
    }
    text
}

/// Whether a promise was kept.
pub fn promise_text(basis: &Basis<'_>, verdict: &PromiseVerdict) -> String {
    let mut text = format!(
        "PROMISE {}: chi-square {} of {} sensors, limit {} (95 %)\n",
        if verdict.kept() { "kept" } else { "not kept" },
        decimals(verdict.chi_square, 1),
        verdict.sensors.len(),
        decimals(verdict.limit, 1)
    );
    let mut table = Table::new(["sensor", "predicted", "found", ""]);
    for s in &verdict.sensors {
        let sensor = &basis.sheet.sensors[s.sensor];
        let key = match sensor.reads {
            crate::sheet::Measurand::Tilt { .. } => QuantityKey::Roll,
            _ => QuantityKey::Height(0),
        };
        table.row([
            sensor.name.clone(),
            format!(
                "{} ± {}",
                basis.amount(key, s.predicted),
                basis.amount(key, COVERAGE_95 * s.uncertainty)
            ),
            basis.amount(key, s.found),
            if s.kept() { "kept" } else { "not kept" }.to_owned(),
        ]);
    }
    text += &table.lines(2);
    for line in promise_explained(basis, verdict) {
        let _ = writeln!(text, "  {line}");
    }
    text
}

/// What may explain a promise that was not kept, one sentence each.
pub fn promise_explained(basis: &Basis<'_>, verdict: &PromiseVerdict) -> Vec<String> {
    let mut lines: Vec<String> = verdict
        .explanations
        .iter()
        .take(3)
        .enumerate()
        .map(|(i, (explanation, left))| {
            format!(
                "{}: {} (leaves chi-square {})",
                if i == 0 {
                    "what explains it best"
                } else {
                    "or"
                },
                explanation_words(basis, explanation),
                decimals(*left, 1)
            )
        })
        .collect();
    if !verdict.kept() && lines.is_empty() {
        lines.push("nothing known explains it: check the sensors and what was entered".to_owned());
    }
    lines
}

fn explanation_words(basis: &Basis<'_>, explanation: &Explanation) -> String {
    match *explanation {
        Explanation::Pitch { unit, pitch } => format!(
            "the thread {} rises {} in a turn: measure it",
            unit.map_or("of the collars turned".to_owned(), |u| format!(
                "of the {} collar",
                basis.unit(u)
            )),
            crate::quantity::Length::new(pitch).show(basis.units(), 2)
        ),
        Explanation::Slipped { unit, by } => format!(
            "the {} collar stands {} from where it was entered: slipped or miscounted",
            basis.unit(unit),
            basis.by(by)
        ),
        Explanation::OtherHole { unit, end, hole } => format!(
            "the {} {} bolt is in hole '{}'",
            basis.unit(unit),
            end.word(),
            holes(basis.sheet, basis.unit(unit), end)
                .get(hole)
                .map_or("?", |h| &h.name)
        ),
        Explanation::Settled { share } => {
            format!(
                "it settled in between by {} of what was still to come",
                percent(share)
            )
        }
    }
}
