//! A collar being turned while the sensors are read: what is watched meanwhile.
//!
//! In: the turn that is planned and how the vehicle stood, still, before it. Out: at
//! every tick how far it has come, a word for the hand, and the picture's [`Task`];
//! at the end the turns that were made, as the readings count them. Refused: a turn
//! whose model has no rest, or that moves nothing that is read.

pub(super) mod rehearsal;

use crate::advice::{Turn, Turning, Watched, Word, turning};
use crate::geometry::COORDINATES;
use crate::posture::{Posture, QuantityKey};
use crate::quantity::Moment;
use crate::report::{aim_name, turn_words};
use crate::run::sitting::Sitting;
use crate::run::sitting::view::{angle_figure, length_figure};
use crate::screen::view::{Amount, Gauge, Shout, Task};
use crate::sheet::BuildSheet;
use crate::statics::{Model, Parameter};

/// How far off a height may be where the sheet gives it no target, metres. Chosen.
const HEIGHT_TOLERANCE_M: f64 = 0.004;

/// The readings are this much behind, and a hand stops this much after the word, seconds.
/// Chosen: half of the second that is averaged, and half a second.
const LEAD_S: f64 = 1.0;
/// The speed of the hand is taken over so many seconds.
const RATE_OVER_S: f64 = 2.0;
/// 'Stop' stays said while no more steps than this are missing.
const STAYS_STEPS: f64 = 1.2;

/// Something watched, with what the turn promises for it.
#[derive(Debug, Clone, Copy)]
struct Promised {
    key: QuantityKey,
    aim: f64,
    tolerance: f64,
    per_turn: f64,
}

/// How fast the turns left change, turns a second; nought where too little was seen.
fn slope(course: &[(Moment, f64)], now: Moment) -> f64 {
    let n = course.len() as f64;
    if n < 4.0 {
        return 0.0;
    }
    let times: Vec<f64> = course.iter().map(|(at, _)| -now.since(*at).s()).collect();
    let mean = times.iter().sum::<f64>() / n;
    let level = course.iter().map(|c| c.1).sum::<f64>() / n;
    let about: f64 = times.iter().map(|t| (t - mean).powi(2)).sum();
    let along: f64 = times
        .iter()
        .zip(course)
        .map(|(t, c)| (t - mean) * (c.1 - level))
        .sum();
    if about > 0.0 { along / about } else { 0.0 }
}

/// A collar being turned.
#[derive(Debug, Clone)]
pub(super) struct Turned {
    /// What was planned.
    pub(super) turn: Turn,
    /// The part of a turn that a hand makes.
    step: f64,
    promised: Vec<Promised>,
    /// Turns left as they went, over the last seconds.
    course: Vec<(Moment, f64)>,
    /// Turns that the hand has counted.
    pub(super) counted: Option<f64>,
    /// Where it stands.
    pub(super) at: Turning,
}

impl Turned {
    /// Begins a turn from how the vehicle stands now.
    pub(super) fn begin(
        sheet: &BuildSheet,
        model: &Model,
        posture: &Posture,
        tolerances: &[(QuantityKey, f64)],
        turn: &Turn,
    ) -> Option<Self> {
        let state = posture.state.fixed_rows::<COORDINATES>(0).into_owned();
        let rest = model.equilibrium_from(&state).ok()?;
        let pitch = model.units[turn.unit].pitch;
        let response = rest.response(model, Parameter::Collar(turn.unit)) * pitch;
        let heights = (0..sheet.stations.len()).map(QuantityKey::Height);
        let others = tolerances.iter().map(|(key, _)| *key);
        let mut keys: Vec<QuantityKey> = heights.collect();
        keys.extend(others.filter(|k| matches!(k, QuantityKey::LinkAngle(_) | QuantityKey::Roll)));
        let promised: Vec<Promised> = keys
            .into_iter()
            .filter_map(|key| {
                let now = posture.get(key)?;
                let (_, g) = key.with_gradient(sheet, model, &posture.state);
                let per_turn = g.fixed_rows::<COORDINATES>(0).dot(&response);
                let own = tolerances.iter().find(|(k, _)| *k == key).map(|(_, t)| *t);
                Some(Promised {
                    key,
                    aim: now.value + per_turn * turn.turns,
                    tolerance: own.or((!key.is_angle()).then_some(HEIGHT_TOLERANCE_M))?,
                    per_turn,
                })
            })
            .collect();
        let step = sheet
            .unit(&turn.name)
            .map_or(0.25, |unit| unit.collar.step_turns);
        let mut begun = Self {
            turn: turn.clone(),
            step,
            promised,
            course: Vec::new(),
            counted: None,
            at: Turning {
                turns_left: turn.turns,
                word: Word::CannotTell,
            },
        };
        begun.at = turning(&begun.watched(posture), step);
        (begun.at.word != Word::CannotTell).then_some(begun)
    }

    /// Where it stands by the newest readings, and where the hand will be when it hears the
    /// word: 'stop' must come in time.
    pub(super) fn look(&mut self, posture: &Posture, now: Moment) {
        let watched = self.watched(posture);
        let seen = turning(&watched, self.step);
        let said_stop = self.at.word == Word::Stop;
        self.at = seen;
        if seen.word == Word::CannotTell {
            return;
        }
        self.course.push((now, seen.turns_left));
        self.course
            .retain(|(at, _)| now.since(*at).s() <= RATE_OVER_S);
        let soon = seen.turns_left + LEAD_S * slope(&self.course, now);
        let passed = soon * seen.turns_left <= 0.0;
        // Once it has been said, it stays said until more than a step is missing.
        let near = soon.abs() <= self.step / 2.0 || passed;
        let kept = said_stop && seen.turns_left.abs() <= STAYS_STEPS * self.step;
        if near || kept {
            self.at.word = Word::Stop;
        }
    }

    /// What is watched, as it is now.
    fn watched(&self, posture: &Posture) -> Vec<Watched> {
        self.promised
            .iter()
            .filter_map(|p| {
                let m = posture.get(p.key)?;
                Some(Watched {
                    now: m.value,
                    uncertainty: m.uncertainty,
                    aim: p.aim,
                    tolerance: p.tolerance,
                    per_turn: p.per_turn,
                })
            })
            .collect()
    }

    /// Counts a step of the hand: up is positive.
    pub(super) fn count(&mut self, steps: i32) {
        let before = self.counted.unwrap_or(0.0);
        self.counted = Some(before + f64::from(steps) * self.step);
    }

    /// Turns that were made: as the hand counted them, else as the readings do, to the step of
    /// a hand. Friction in the coilovers makes the readings count too few.
    pub(super) fn made(&self) -> f64 {
        if let Some(counted) = self.counted {
            return counted;
        }
        ((self.turn.turns - self.at.turns_left) / self.step).round() * self.step
    }

    /// How far it has come, in a line.
    pub(super) fn line(&self) -> String {
        let left = (self.at.turns_left / self.step).round() * self.step;
        let to_go = if left.abs() < self.step / 2.0 {
            "nothing to go".to_owned()
        } else {
            let way = if left > 0.0 { "up" } else { "down" };
            format!("about {} {way} to go", turn_words(left))
        };
        format!("{}: {}; {to_go}", self.turn.name, self.at.word.words())
    }

    /// How it is ended, with what will be noted.
    pub(super) fn done_words(&self) -> String {
        let made = self.made();
        let way = if made < 0.0 { "down" } else { "up" };
        let by = if self.counted.is_some() {
            "counted by hand"
        } else {
            "by the readings; + and - count by hand"
        };
        format!("t notes {} {way} ({by}), Esc nothing", turn_words(made))
    }

    /// The same for the screen.
    pub(super) fn task(&self, s: &Sitting) -> Task {
        let mine = self
            .promised
            .iter()
            .filter(|p| !p.key.is_angle())
            .max_by(|a, b| a.per_turn.abs().total_cmp(&b.per_turn.abs()))
            .map(|p| p.key);
        let mut gauges: Vec<(bool, Gauge)> = self
            .promised
            .iter()
            .enumerate()
            .map(|(i, p)| {
                let measured = s.posture.as_ref().and_then(|posture| posture.get(p.key));
                let word = if self.at.word == Word::StopOther(i) {
                    "stop"
                } else if Some(p.key) == mine {
                    self.at.word.words()
                } else {
                    ""
                };
                let gauge = Gauge {
                    name: aim_name(&s.sheet, p.key),
                    now: measured.map(|m| {
                        if p.key.is_angle() {
                            Amount::Angle(angle_figure(m))
                        } else {
                            Amount::Length(length_figure(m))
                        }
                    }),
                    aim: p.aim,
                    tolerance: p.tolerance,
                    word: word.to_owned(),
                };
                (word.is_empty(), gauge)
            })
            .collect();
        // What is being moved stands first.
        gauges.sort_by_key(|(other, _)| *other);
        Task {
            title: format!(
                "{}: {} {}",
                self.turn.name,
                turn_words(self.turn.turns),
                if self.turn.turns > 0.0 { "up" } else { "down" }
            ),
            shout: Some(Shout {
                word: match self.at.word {
                    Word::StopOther(_) => "stop".to_owned(),
                    word => word.words().to_owned(),
                },
                number: format!("{:.1}", self.at.turns_left.abs()),
                below: format!("turns to go: {}", self.turn.name),
            }),
            step: format!("{}; {}", self.line(), self.done_words()),
            caution: Some(
                "frame over rated stands, hands clear of the coils. Rock it after each turn"
                    .to_owned(),
            ),
            gauges: gauges.into_iter().map(|(_, gauge)| gauge).collect(),
            course: Vec::new(),
            course_now: None,
            keys: Vec::new(),
        }
    }
}
