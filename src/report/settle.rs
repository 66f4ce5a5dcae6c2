//! What settling has done and will still do, as text and as JSON.
//!
//! In: answers of the trials stage with the moments they count from. Out: text in the sheet's own
//! units and local time, JSON in mm, deg and h. Refused: nothing.

use super::table::Table;
use crate::quantity::{METRES_PER_INCH, Moment, Span, UnitSystem, decimals};
use crate::trials::settling::{
    Band, Cause, Joint, Picture, Prospect, Series, TimeAxis, Verdict, plot_of,
};
use jiff::tz::TimeZone;
use serde_json::{Map, Value, json};
use std::fmt::Write as _;

/// Columns and rows of a picture.
const PICTURE: (usize, usize) = (64, 9);

/// One quantity with its answer. Lengths in mm, angles in degrees.
#[derive(Debug, Clone)]
pub struct SettledQuantity {
    /// Its name.
    pub name: String,
    /// An angle, else a length.
    pub is_angle: bool,
    /// The model tells more of it than the readings.
    pub assumed: bool,
    /// Its readings.
    pub series: Series,
    /// Below this it counts as settled.
    pub tolerance: f64,
    /// The answer.
    pub prospect: Prospect,
}

/// Everything that `settle` says.
#[derive(Debug, Clone)]
pub struct SettleReport {
    /// Names of the loads that are on; empty where it is bare.
    pub loads: Vec<String>,
    /// The moment from which the laws count.
    pub zero: Moment,
    /// Why from there, in words.
    pub zero_is: String,
    /// The last reading.
    pub last: Moment,
    /// Readings looked at.
    pub readings: usize,
    /// Whether more were passed over.
    pub thinned: bool,
    /// Readings of the file that were altered and left out.
    pub altered: usize,
    /// Readings that carry a time before one that was kept earlier: the computer's
    /// clock was set in between.
    pub set_back: usize,
    /// What was entered meanwhile.
    pub events: Vec<(Moment, String)>,
    /// The quantities.
    pub quantities: Vec<SettledQuantity>,
    /// The common time constant, where several go together.
    pub joint: Option<Joint>,
    /// What may be behind it, the likeliest first.
    pub causes: Vec<Cause>,
}

/// How numbers of a quantity are shown.
#[derive(Debug, Clone, Copy)]
struct Shown {
    by: f64,
    label: &'static str,
    places: usize,
}

impl SettledQuantity {
    const fn shown(&self, units: UnitSystem) -> Shown {
        match (self.is_angle, units) {
            (true, _) => Shown {
                by: 1.0,
                label: "deg",
                places: 3,
            },
            (false, UnitSystem::Metric) => Shown {
                by: 1.0,
                label: "mm",
                places: 2,
            },
            (false, UnitSystem::Inch) => Shown {
                by: 1e-3 / METRES_PER_INCH,
                label: "in",
                places: 3,
            },
        }
    }

    const fn key(&self) -> &'static str {
        if self.is_angle { "deg" } else { "mm" }
    }

    /// What is drawn of it, where anything can be.
    pub fn picture(&self, units: UnitSystem) -> Option<Picture<'_>> {
        let found = self.prospect.fit.as_ref()?;
        let shown = self.shown(units);
        Some(Picture {
            found,
            readings: found.adjusted(&self.series, &self.prospect.options),
            unit: shown.label,
            by: shown.by,
        })
    }
}

impl Shown {
    fn number(self, value: f64) -> String {
        let text = decimals(value * self.by, self.places);
        if text.starts_with('-') {
            text
        } else {
            format!("+{text}")
        }
    }
    fn band(self, band: Option<&Band>) -> String {
        band.map_or_else(
            || "-".to_owned(),
            |b| {
                let half = 0.5 * (b.confidence_95_mm[1] - b.confidence_95_mm[0]);
                format!(
                    "{} ± {}",
                    self.number(b.value_mm),
                    decimals(half * self.by, self.places)
                )
            },
        )
    }
}

const fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Settled => "settled",
        Verdict::StillMoving => "still moving",
        Verdict::CannotTellYet => "cannot tell yet",
    }
}

/// `Tue 24 Nov 14:03`, with the year where it is another one than that of `beside`.
fn when(moment: Moment, zone: &TimeZone) -> String {
    jiff::Timestamp::from_microsecond(moment.unix_us()).map_or_else(
        |_| "?".to_owned(),
        |t| {
            t.to_zoned_datetime(zone.clone())
                .strftime("%a %d %b %H:%M")
                .to_string()
        },
    )
}

fn iso(moment: Moment) -> String {
    super::moment_words(moment)
}

fn lasting(hours: f64) -> String {
    if hours < 1.0 {
        format!("{:.0} min", hours * 60.0)
    } else if hours < 48.0 {
        format!("{hours:.1} h")
    } else {
        format!("{:.1} days", hours / 24.0)
    }
}

impl SettleReport {
    fn at(&self, hours: f64) -> Moment {
        self.zero + Span::from_s(hours * 3600.0)
    }

    /// The text; pictures of those quantities that have not settled, or of all where `every`.
    pub fn text(&self, units: UnitSystem, zone: &TimeZone, axis: TimeAxis, every: bool) -> String {
        let mut text = String::new();
        let loads = if self.loads.is_empty() {
            "bare".to_owned()
        } else {
            self.loads.join(" + ")
        };
        let since = self.last.since(self.zero).s() / 3600.0;
        let _ = writeln!(
            text,
            "SETTLING {loads}: {} readings over {}, since {} ({})",
            self.readings,
            lasting(since),
            when(self.zero, zone),
            self.zero_is
        );
        if self.thinned {
            text.push_str("  there are more readings; they were thinned evenly for this answer\n");
        }
        if self.altered > 0 {
            let _ = writeln!(
                text,
                "  {} readings are not as they were written and were left out",
                self.altered
            );
        }
        if self.set_back > 0 {
            let _ = writeln!(
                text,
                "  {} readings carry a time before one that was kept earlier: was the computer's\n  clock set? Then the times here are not to be trusted",
                self.set_back
            );
        }
        for (at, what) in &self.events {
            let _ = writeln!(text, "  {}  {what}", when(*at, zone));
        }
        text.push('\n');
        text.push_str(&self.table(units));
        text.push_str(
            "  ± 95 % of the law itself; ~ assumed: the model tells more of it than the readings\n",
        );
        self.joint_text(&mut text);
        self.causes_text(&mut text, zone);
        for q in &self.quantities {
            let asks = !q.prospect.found_steps.is_empty();
            if every || asks || q.prospect.verdict != Verdict::Settled {
                self.details(&mut text, q, units, zone, axis, every);
            }
        }
        text
    }

    fn table(&self, units: UnitSystem) -> String {
        let (headings, rows) = self.rows(units);
        let mut table = Table::new(headings);
        for row in rows {
            table.row(row);
        }
        table.lines(2)
    }

    /// The table's headings, and a row for each quantity.
    pub(super) fn rows(&self, units: UnitSystem) -> ([&'static str; 7], Vec<[String; 7]>) {
        let headings = [
            "quantity",
            "gone so far",
            "to come by tomorrow",
            "in a week",
            "at the end",
            "settled?",
            "within",
        ];
        let rows = self.quantities.iter().map(|q| {
            let shown = q.shown(units);
            let p = &q.prospect;
            let gone = match (&p.gone, p.seen_change) {
                (Some(_), _) => shown.band(p.gone.as_ref()),
                (None, Some(change)) => format!("{} seen", shown.number(change)),
                (None, None) => "-".to_owned(),
            };
            [
                format!("{}{}", if q.assumed { "~" } else { "" }, q.name),
                gone,
                shown.band(p.by_tomorrow.as_ref()),
                shown.band(p.in_a_week.as_ref()),
                shown.band(p.at_the_end.as_ref()),
                verdict_words(p.verdict).to_owned(),
                format!(
                    "{} {}",
                    decimals(q.tolerance * shown.by, shown.places),
                    shown.label
                ),
            ]
        });
        (headings, rows.collect())
    }

    fn joint_text(&self, text: &mut String) {
        let Some(joint) = &self.joint else { return };
        let _ = writeln!(text, "\nTOGETHER {}", joint.words());
    }

    fn causes_text(&self, text: &mut String, zone: &TimeZone) {
        let _ = zone;
        if self.causes.is_empty() {
            return;
        }
        text.push_str("\nWHAT MAY BE BEHIND IT\n");
        for cause in &self.causes {
            let _ = writeln!(text, "  {}", cause.words);
            for line in &cause.evidence {
                let _ = writeln!(text, "    {line}");
            }
        }
    }

    fn details(
        &self,
        text: &mut String,
        q: &SettledQuantity,
        units: UnitSystem,
        zone: &TimeZone,
        axis: TimeAxis,
        every: bool,
    ) {
        let p = &q.prospect;
        let shown = q.shown(units);
        let _ = writeln!(
            text,
            "\n{} {}",
            q.name.to_uppercase(),
            verdict_words(p.verdict)
        );
        if let Some(why) = &p.why_not {
            let _ = writeln!(text, "  {why}");
        }
        if let Some(hidden) = p
            .hidden_per_day
            .filter(|_| p.verdict == Verdict::CannotTellYet)
        {
            let _ = writeln!(
                text,
                "  up to {} {} a day could be hidden in the scatter",
                decimals(hidden * shown.by, shown.places),
                shown.label
            );
        }
        if !p.after_readings_h.is_empty() && p.verdict == Verdict::CannotTellYet {
            let times: Vec<String> = p
                .after_readings_h
                .iter()
                .map(|h| when(self.at(*h), zone))
                .collect();
            let what = match (times.len(), p.will_then_be_told) {
                (1, true) => "one more reading then is expected to tell".to_owned(),
                (n, true) => format!("after {n} more readings then it is expected to be told"),
                (_, false) => "readings then tell most; ask again after them".to_owned(),
            };
            let _ = writeln!(text, "  read again on {}: {what}", times.join(", "));
        } else if let Some(at) = p.next_look_h.filter(|_| p.verdict != Verdict::Settled) {
            let _ = writeln!(text, "  look again on {}", when(self.at(at), zone));
        }
        self.beside_text(text, q, shown, zone);
        let Some(found) = &p.fit else { return };
        if let Some(c) = found.chosen() {
            let _ = writeln!(text, "  law: {}  {}", c.law.name(), c.law.formula());
        }
        let share: Vec<String> = found
            .candidates
            .iter()
            .filter(|c| c.weight >= 0.01)
            .map(|c| format!("{} {:.0} %", c.law.name(), c.weight * 100.0))
            .collect();
        if share.len() > 1 {
            let _ = writeln!(text, "  weights: {}", share.join(", "));
        }
        if let Some(b) = &p.in_a_week {
            let _ = writeln!(
                text,
                "  one reading in a week is expected {} to {} {} from now",
                shown.number(b.prediction_95_mm[0]),
                shown.number(b.prediction_95_mm[1]),
                shown.label
            );
        }
        for notice in &found.notices {
            let _ = writeln!(text, "  note: {notice}");
        }
        for wild in &found.left_out {
            let _ = writeln!(
                text,
                "  left out: the reading on {}, {} {} off",
                when(self.at(wild.time_h), zone),
                shown.number(wild.height_mm - wild.expected_mm),
                shown.label
            );
        }
        // One picture for each height; the others only where asked for.
        if (every || q.name.starts_with("height"))
            && let Some(picture) = q.picture(units)
        {
            text.push_str(&plot_of(&picture, axis, PICTURE.0, PICTURE.1));
        }
    }

    /// Steps and temperature.
    fn beside_text(&self, text: &mut String, q: &SettledQuantity, shown: Shown, zone: &TimeZone) {
        let p = &q.prospect;
        for (known, size) in &p.steps {
            let _ = writeln!(
                text,
                "  step {} {} by {} on {}",
                shown.number(size.value),
                shown.label,
                known.reason,
                when(self.at(known.at_h), zone)
            );
        }
        for step in &p.found_steps {
            let _ = writeln!(
                text,
                "  a step of {} ± {} {} between {} and {} that nobody entered: was something turned, loaded or moved?\n    say so with: stillheight settle event SHEET --what collar|hole|spring|weight|moved --at TIME",
                shown.number(step.size),
                decimals(2.0 * step.standard_uncertainty * shown.by, shown.places),
                shown.label,
                when(self.at(step.after_h), zone),
                when(self.at(step.until_h), zone)
            );
        }
        if let Some(t) = &p.temperature {
            let _ = writeln!(
                text,
                "  {} {} for each degree of the sensors' temperature, taken out",
                shown.number(t.value),
                shown.label
            );
        }
    }

    /// The same as JSON.
    pub fn json(&self) -> Value {
        json!({
            "loads": self.loads,
            "since": iso(self.zero), "since_is": self.zero_is, "last_reading": iso(self.last),
            "readings": self.readings, "thinned": self.thinned, "altered_left_out": self.altered, "set_back": self.set_back,
            "events": self.events.iter().map(|(at, what)| json!({"time": iso(*at), "what": what})).collect::<Vec<_>>(),
            "quantities": self.quantities.iter().map(|q| self.quantity_json(q)).collect::<Vec<_>>(),
            "together": self.joint.as_ref().map(Joint::json),
            "causes": self.causes,
        })
    }

    fn quantity_json(&self, q: &SettledQuantity) -> Value {
        let unit = q.key();
        let p = &q.prospect;
        let band = |b: &Option<Band>| {
            b.as_ref().map(|b| {
                let mut map = Map::new();
                map.insert("time".into(), json!(b.at_h.map(|h| iso(self.at(h)))));
                map.insert(format!("value_{unit}"), json!(b.value_mm));
                map.insert(
                    format!("standard_uncertainty_{unit}"),
                    json!(b.standard_uncertainty_mm),
                );
                map.insert(format!("confidence_95_{unit}"), json!(b.confidence_95_mm));
                map.insert(format!("prediction_95_{unit}"), json!(b.prediction_95_mm));
                Value::Object(map)
            })
        };
        let fit = p.fit.as_ref();
        let chosen = fit.and_then(|f| f.chosen());
        let times =
            |hours: &[f64]| -> Vec<String> { hours.iter().map(|h| iso(self.at(*h))).collect() };
        json!({
            "name": q.name, "unit": unit, "measured": !q.assumed, "readings": q.series.time_h.len(),
            "law": chosen.map(|c| c.law.name()), "converged": chosen.is_some(),
            "parameters": chosen.map(|c| &c.parameters),
            "candidates": fit.map(|f| f.candidates.iter().map(|c| json!({
                "law": c.law.name(), "converged": c.is_converged(), "reason": c.status.to_string(), "weight": c.weight,
                "aicc": c.aicc,
            })).collect::<Vec<_>>()),
            "gone": band(&p.gone), "seen_change": p.seen_change,
            "still_to_come": {"by_tomorrow": band(&p.by_tomorrow), "in_a_week": band(&p.in_a_week), "at_the_end": band(&p.at_the_end)},
            "tolerance": q.tolerance, "verdict": p.verdict, "why_not": p.why_not,
            "hidden_per_day": p.hidden_per_day, "trend": p.trend, "allan_deviation": p.noise,
            "look_again": p.next_look_h.map(|h| iso(self.at(h))),
            "after_readings_on": times(&p.after_readings_h), "will_then_be_told": p.will_then_be_told,
            "steps": p.steps.iter().map(|(k, s)| json!({"time": iso(self.at(k.at_h)), "reason": k.reason, "size": s.value, "standard_uncertainty": s.standard_uncertainty})).collect::<Vec<_>>(),
            "steps_not_entered": p.found_steps.iter().map(|s| json!({"after": iso(self.at(s.after_h)), "until": iso(self.at(s.until_h)), "size": s.size, "standard_uncertainty": s.standard_uncertainty})).collect::<Vec<_>>(),
            "per_degree_of_temperature": p.temperature.map(|t| json!({"value": t.value, "standard_uncertainty": t.standard_uncertainty})),
            "noise_correlation": fit.map(|f| f.noise_correlation),
            "effective_readings": fit.map(|f| f.effective_readings),
            "residual_standard_deviation": chosen.and_then(|c| c.residual_standard_deviation_mm),
            "left_out": fit.map(|f| f.left_out.iter().map(|w| json!({"time": iso(self.at(w.time_h)), "value": w.height_mm, "expected": w.expected_mm})).collect::<Vec<_>>()),
            "notices": fit.map(|f| &f.notices),
        })
    }
}
