//! The suggestion in words: what to turn, what it does, or why to leave it.

use super::words::{signed, turn_words};
use crate::advice::{LeaveIt, Suggestion, Turn};
use crate::compare::{Compared, Verdict};
use crate::posture::QuantityKey;
use crate::quantity::{Angle, Length, Quantity, UnitSystem};
use crate::sheet::{BuildSheet, Suspension};

/// What an aim is called: the station's or the link's name, roll or pitch.
pub fn aim_name(sheet: &BuildSheet, key: QuantityKey) -> String {
    match key {
        QuantityKey::Height(i) => sheet
            .stations
            .get(i)
            .map_or("?".to_owned(), |s| s.name.clone()),
        QuantityKey::Roll => "roll".to_owned(),
        QuantityKey::Pitch => "pitch".to_owned(),
        QuantityKey::LinkAngle(i) => match sheet.axles.get(i).map(|a| &a.suspension) {
            Some(Suspension::Solid {
                link: Some(link), ..
            }) => link.name.clone(),
            _ => "link".to_owned(),
        },
        QuantityKey::SideShift(_) => "side shift".to_owned(),
        QuantityKey::Sag(_) => "sag".to_owned(),
    }
}

fn amount(key: QuantityKey, si: f64, units: UnitSystem) -> String {
    if key.is_angle() {
        Angle::new(si).shown(units)
    } else {
        Length::new(si).shown(units)
    }
}

fn off(c: &Compared, units: UnitSystem) -> String {
    if c.aim.key.is_angle() {
        let text = Angle::new(c.deviation()).shown(units);
        if text.starts_with('-') {
            text
        } else {
            format!("+{text}")
        }
    } else {
        signed(Length::new(c.deviation()), units)
    }
}

fn turn_line(turn: &Turn, units: UnitSystem) -> String {
    let way = if turn.turns > 0.0 { "up" } else { "down" };
    format!(
        "turn the {} collar {} {way} ({})",
        turn.name,
        turn_words(turn.turns),
        signed(Length::new(turn.rise_m), units)
    )
}

/// The suggestion in a few short lines, for the screen.
pub fn suggestion_lines(sheet: &BuildSheet, suggestion: &Suggestion) -> Vec<String> {
    let units = sheet.units;
    match &suggestion.leave {
        None => {
            let mut lines: Vec<_> = suggestion
                .turns
                .iter()
                .map(|t| turn_line(t, units))
                .collect();
            let worst = suggestion
                .after
                .iter()
                .max_by(|a, b| a.share().total_cmp(&b.share()));
            if let Some(worst) = worst {
                lines.push(format!(
                    "finished, the worst is then {} {} off target",
                    aim_name(sheet, worst.aim.key),
                    off(worst, units)
                ));
            }
            lines
        }
        Some(why) => vec![leave_words(sheet, why)],
    }
}

fn leave_words(sheet: &BuildSheet, why: &LeaveIt) -> String {
    let units = sheet.units;
    match why {
        LeaveIt::WithinTolerance => {
            "leave it: finished, everything comes within its tolerance".to_owned()
        }
        LeaveIt::SmallerThanMeasured {
            key,
            deviation,
            half_interval,
        } => format!(
            "leave it for now: finished, {} would be {} off, but that is only known to ± {}",
            aim_name(sheet, *key),
            amount(*key, deviation.abs(), units),
            amount(*key, *half_interval, units)
        ),
        LeaveIt::NothingHelps => {
            "no collar turn within the threads brings it closer: look at holes, springs or weights"
                .to_owned()
        }
        LeaveIt::NoTarget => {
            "the sheet sets no target: give it heights or a level to come to".to_owned()
        }
    }
}

/// The suggestion with everything that it does, for paper and `--plain`.
pub fn suggestion_text(sheet: &BuildSheet, suggestion: &Suggestion) -> String {
    let units = sheet.units;
    let case = &sheet.cases[sheet.targets.case].name;
    let mut text = format!("SUGGESTION for the case '{case}'\n");
    for line in suggestion_lines(sheet, suggestion) {
        text.push_str(&format!("  {line}\n"));
    }
    let mut table =
        super::Table::new(["aim", "target", "forecast", "off", "verdict", "then", "off"]);
    for (before, after) in suggestion.before.iter().zip(&suggestion.after) {
        let key = before.aim.key;
        let half = crate::compare::COVERAGE_95 * before.uncertainty;
        table.row([
            aim_name(sheet, key),
            amount(key, before.aim.target, units),
            format!(
                "{} ± {}",
                amount(key, before.value, units),
                amount(key, half, units)
            ),
            off(before, units),
            before.verdict.words().to_owned(),
            amount(key, after.value, units),
            off(after, units),
        ]);
    }
    text.push_str(&table.lines(2));
    if !suggestion.turns.is_empty() {
        let mut heights = super::Table::new(["station", "without", "with the turns", "change"]);
        for (i, before, after) in &suggestion.heights {
            heights.row([
                sheet.stations[*i].name.clone(),
                Length::new(*before).shown(units),
                Length::new(*after).shown(units),
                signed(Length::new(after - before), units),
            ]);
        }
        text.push_str(&heights.lines(2));
        text.push_str(
            "  Take the load off the spring before turning a collar: frame on rated stands, not on a jack,\n  \
             wheels chocked, nobody underneath while the load changes.\n",
        );
    }
    let unsure = suggestion
        .before
        .iter()
        .filter(|c| c.verdict == Verdict::CannotTell)
        .count();
    if unsure > 0 && suggestion.leave.is_none() {
        text.push_str(&format!(
            "  {unsure} of {} cannot be told at 95 % yet; another still reading, or the real weight, tells more.\n",
            suggestion.before.len()
        ));
    }
    text
}
