//! What is told without a screen: one line a second, every kept reading, marks
//! and notices, as plain text or as JSON lines.

use crate::compare::COVERAGE_95;
use crate::logbook::KeptBy;
use crate::posture::{Origin, Posture, QuantityKey};
use crate::quantity::{Angle, Length, Moment, Quantity, Span, UnitSystem, decimals};
use crate::report::{level_words, moment_words};
use crate::run::sitting::Sitting;
use serde_json::{Map, Value, json};

/// Something to tell.
#[derive(Debug, Clone)]
pub(in crate::run) enum Told {
    Second(Box<Second>),
    Kept(Box<KeptTold>),
    Mark {
        at: Moment,
        load: String,
        mass_kg: f64,
        on: bool,
    },
    Note {
        at: Moment,
        text: String,
    },
    Notice {
        at: Moment,
        grade: &'static str,
        text: String,
    },
}

/// How it stands, once a second.
#[derive(Debug, Clone)]
pub(in crate::run) struct Second {
    at: Moment,
    still_for: Option<Span>,
    heard: usize,
    sensors: usize,
    loads: Vec<String>,
    quantities: Vec<ToldQuantity>,
}

/// A quantity as it is told; SI, standard uncertainty.
#[derive(Debug, Clone)]
pub(in crate::run) struct ToldQuantity {
    pub(in crate::run) key: QuantityKey,
    pub(in crate::run) name: String,
    pub(in crate::run) value: f64,
    pub(in crate::run) uncertainty: f64,
    pub(in crate::run) measured: bool,
}

/// A kept reading.
#[derive(Debug, Clone)]
pub(in crate::run) struct KeptTold {
    pub(in crate::run) at: Moment,
    pub(in crate::run) still_since: Moment,
    pub(in crate::run) loads: Vec<String>,
    pub(in crate::run) by_key: bool,
    pub(in crate::run) quantities: Vec<ToldQuantity>,
}

fn told_quantities(posture: &Posture, names: Vec<String>) -> Vec<ToldQuantity> {
    let pairs = posture.quantities.iter().zip(names);
    pairs
        .map(|(m, name)| ToldQuantity {
            key: m.key,
            name,
            value: m.value,
            uncertainty: m.uncertainty,
            measured: m.origin == Origin::Measured,
        })
        .collect()
}

impl KeptTold {
    pub(in crate::run) fn new(
        at: Moment,
        still_since: Moment,
        sitting: &Sitting,
        posture: &Posture,
        names: Vec<String>,
        by: KeptBy,
    ) -> Self {
        Self {
            at,
            still_since,
            loads: sitting.loads_named(),
            by_key: by == KeptBy::Key,
            quantities: told_quantities(posture, names),
        }
    }

    /// One line for lists.
    pub(in crate::run) fn line(&self, units: UnitSystem) -> String {
        let loads = if self.loads.is_empty() {
            "bare".to_owned()
        } else {
            self.loads.join(" + ")
        };
        let mut parts = vec![loads];
        parts.extend(self.quantities.iter().filter_map(|q| match q.key {
            QuantityKey::Height(_) => Some(decimals(Length::new(q.value).number(units), 1)),
            QuantityKey::LinkAngle(_) => Some(format!("link {}", signed_deg(q.value))),
            _ => None,
        }));
        parts.join("  ")
    }
}

impl ToldQuantity {
    fn text(&self, units: UnitSystem) -> String {
        let mark = if self.measured { "" } else { "~" };
        let half = COVERAGE_95 * self.uncertainty;
        if self.key.is_angle() {
            let deg = decimals(Angle::new(half).deg(), 2);
            format!("{mark}{} ± {deg} deg", signed_deg(self.value))
        } else {
            let places = if units == UnitSystem::Inch { 2 } else { 1 };
            let number = |m: f64| decimals(Length::new(m).number(units), places);
            format!(
                "{mark}{} ± {} {}",
                number(self.value),
                number(half),
                Length::unit(units)
            )
        }
    }

    fn json(&self) -> Value {
        let half = COVERAGE_95 * self.uncertainty;
        let mut map = Map::new();
        map.insert("name".to_owned(), json!(self.name));
        let (unit, value, half) = if self.key.is_angle() {
            ("deg", Angle::new(self.value).deg(), Angle::new(half).deg())
        } else {
            ("mm", Length::new(self.value).mm(), Length::new(half).mm())
        };
        map.insert(format!("value_{unit}"), json!(value));
        map.insert(format!("interval95_{unit}"), json!(half));
        map.insert("measured".to_owned(), json!(self.measured));
        Value::Object(map)
    }
}

fn signed_deg(rad: f64) -> String {
    let text = decimals(Angle::new(rad).deg(), 2);
    if text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}

impl Told {
    pub(in crate::run) fn second(
        at: Moment,
        sitting: &Sitting,
        posture: &Posture,
        names: Vec<String>,
    ) -> Self {
        Self::Second(Box::new(Second {
            at,
            still_for: sitting.still_since.map(|since| at.since(since)),
            heard: sitting.readings.iter().filter(|r| r.is_live()).count(),
            sensors: sitting.sheet.sensors.len(),
            loads: sitting.loads_named(),
            quantities: told_quantities(posture, names),
        }))
    }

    /// As text, one or several lines.
    pub(in crate::run) fn text(&self, start: Moment, units: UnitSystem) -> String {
        match self {
            Self::Second(second) => second.text(start, units),
            Self::Kept(kept) => kept.text(start, units),
            Self::Mark {
                at,
                load,
                mass_kg,
                on,
            } => format!(
                "{} MARK   {load} {} ({})",
                clock(*at, start),
                if *on { "on" } else { "off" },
                crate::quantity::Mass::new(*mass_kg).shown(units)
            ),
            Self::Note { at, text } => format!("{} NOTE   {text}", clock(*at, start)),
            Self::Notice { at, grade, text } => {
                format!("{} {:<6} {text}", clock(*at, start), grade.to_uppercase())
            }
        }
    }

    /// As one JSON object.
    pub(in crate::run) fn json(&self) -> Value {
        match self {
            Self::Second(s) => json!({
                "event": "second", "time": moment_words(s.at), "still": s.still_for.is_some(),
                "still_s": s.still_for.map(Span::s), "sensors_heard": s.heard, "sensors": s.sensors,
                "loads": s.loads, "quantities": s.quantities.iter().map(ToldQuantity::json).collect::<Vec<_>>(),
            }),
            Self::Kept(k) => json!({
                "event": "kept", "time": moment_words(k.at), "still_since": moment_words(k.still_since),
                "by": if k.by_key { "key" } else { "stillness" }, "loads": k.loads,
                "quantities": k.quantities.iter().map(ToldQuantity::json).collect::<Vec<_>>(),
            }),
            Self::Mark {
                at,
                load,
                mass_kg,
                on,
            } => json!({
                "event": "mark", "time": moment_words(*at), "load": load, "mass_kg": mass_kg, "on": on,
            }),
            Self::Note { at, text } => {
                json!({ "event": "note", "time": moment_words(*at), "text": text })
            }
            Self::Notice { at, grade, text } => json!({
                "event": "notice", "time": moment_words(*at), "grade": grade, "text": text,
            }),
        }
    }
}

fn clock(at: Moment, start: Moment) -> String {
    format!("{:>7.1} s ", at.since(start).s())
}

impl Second {
    fn text(&self, start: Moment, units: UnitSystem) -> String {
        if self.heard == 0 {
            return format!(
                "{} nothing heard yet of {} sensors",
                clock(self.at, start),
                self.sensors
            );
        }
        let state = match self.still_for {
            Some(span) => format!("still {:>3.0} s", span.s()),
            None => "moving     ".to_owned(),
        };
        let find = |key| self.quantities.iter().find(|q| q.key == key);
        let angle = |key| find(key).map_or(Angle::ZERO, |q| Angle::new(q.value));
        let level = level_words(angle(QuantityKey::Roll), angle(QuantityKey::Pitch));
        let heights: Vec<_> = self
            .quantities
            .iter()
            .filter(|q| matches!(q.key, QuantityKey::Height(_)))
            .map(|q| {
                let mark = if q.measured { "" } else { "~" };
                let name = q.name.trim_start_matches("height ");
                format!(
                    "{name} {mark}{}",
                    decimals(Length::new(q.value).number(units), 1)
                )
            })
            .collect();
        let links: Vec<_> = self
            .quantities
            .iter()
            .filter(|q| matches!(q.key, QuantityKey::LinkAngle(_)))
            .map(|q| {
                format!(
                    "link {}{} deg",
                    if q.measured { "" } else { "~" },
                    signed_deg(q.value)
                )
            })
            .collect();
        format!(
            "{} {state}  {level}; {} {}; {}",
            clock(self.at, start),
            heights.join(", "),
            Length::unit(units),
            links.join(", ")
        )
    }
}

impl KeptTold {
    fn text(&self, start: Moment, units: UnitSystem) -> String {
        let loads = if self.loads.is_empty() {
            "bare".to_owned()
        } else {
            self.loads.join(" + ")
        };
        let mut text = format!("{} KEPT   {loads}", clock(self.at, start));
        for q in &self.quantities {
            text.push_str(&format!(
                "\n               {:<28} {}",
                q.name,
                q.text(units)
            ));
        }
        text
    }
}
